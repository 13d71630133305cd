"""What the side-scan has seen: areas held to exact rectangles, annuli and a brute-force raster."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from seen_by_raster import counts
from tracks_made import straight, track, wandering

from athwart.boat import Boat
from athwart.errors import DataError
from athwart.geometry.plane import LocalPlane
from athwart.plan.coverage import coverage
from athwart.plan.passes import passes_of, sonar_reach
from athwart.tables import Track

HERE = LocalPlane(12.0, 55.0)
# Pythagorean triple 5, 12, 13 (Euclid, Elements, book X, lemma to prop. 29; from memory): a range
# of 13 m over 5 m of water reaches 12 m out; at 45 degrees from the vertical it begins 5 m out.
TRIPLE = {"range_m": 13.0, "nadir_deg": 45.0}


def full(tracks, *, area=None, smallest=0.0, **options):
    return coverage(
        passes_of(tracks, **({"range_m": 50.0} | options)),
        area=area,
        cautious=False,
        smallest_m=smallest,
    )


def box(x0, y0, x1, y1, plane=HERE):
    return plane.shape_to_earth(shapely.segmentize(shapely.box(x0, y0, x1, y1), 20.0))


def test_reach_of_the_triangle_of_the_textbooks(shaped):
    near, far = sonar_reach(13.0, shaped(5.0), nadir_deg=45.0)
    assert np.allclose(near, 5.0, rtol=1e-12)
    assert np.allclose(far, 12.0, rtol=1e-12)
    near, far = sonar_reach(13.0, shaped(14.0))
    assert np.all(near == 0)
    assert np.all(far == 0)


@pytest.mark.parametrize("course", [0.0, 37.0, 90.0, 213.0])
def test_a_straight_run_sees_two_rectangles(course):
    x, y = straight(400.0, course)
    found = full(track(x, y, heading=course, depth=5.0), **TRIPLE)
    assert found.seen.area == pytest.approx(2 * 400 * 7, rel=1e-6)
    assert found.under.area == pytest.approx(400 * 10, rel=1e-6)
    assert found.twice.area == 0
    assert found.holes == ()


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_one_side_sees_one_rectangle_on_that_side(side):
    x, y = straight(400.0)  # to the north
    found = full(track(x, y, heading=0.0, depth=5.0), sides=side, **TRIPLE)
    assert found.seen.area == pytest.approx(400 * 7, rel=1e-6)
    assert found.under.area == pytest.approx(400 * 5, rel=1e-6)
    x, _ = found.plane.to_earth(*np.array(found.seen.centroid.coords).T)
    assert (x < 12.0) == (side == "port")


def test_two_passes_across_each_other_overlap_in_four_squares():
    x1, y1 = straight(400.0, 0.0)
    x2, y2 = straight(400.0, 90.0)
    found = full(
        Track.concat(
            [
                track(x1, y1, heading=0.0, depth=5.0),
                track(
                    x2, y2, heading=90.0, depth=5.0, time=1000 + np.arange(len(x2)) * 2.0
                ).with_columns(line=np.ones(len(x2), int), segment=np.ones(len(x2), int)),
            ]
        ),
        area=box(-20, -20, 20, 20),
        **TRIPLE,
    )
    assert found.twice.area == pytest.approx(4 * 7 * 7, rel=1e-6)
    # In the square of 40 m: bands of 7 m on both sides, less where they cross.
    assert found.seen.area == pytest.approx(4 * 7 * 40 - 4 * 49, rel=1e-6)
    # The inner 10 x 10 lies under both ways; strips of 10 m that the other way saw are seen.
    assert found.under.area == pytest.approx(100 + 4 * 10 * 8, rel=1e-6)
    assert found.holes_m2 == pytest.approx(4 * 64, rel=1e-6)
    assert len(found.holes) == 4
    total = found.seen.area + found.under.area + found.holes_m2
    assert total == pytest.approx(found.area.area, rel=1e-9)


def test_a_hole_of_known_size_is_found_and_small_ones_are_counted():
    x, y = straight(400.0)
    tracks = [
        track(x + east, y, heading=0.0, depth=5.0, time=k * 2000 + np.arange(len(x)) * 2.0)
        for k, east in enumerate((0.0, 17.0, 44.0))
    ]
    lines = [t.with_columns(line=np.full(len(x), k)) for k, t in enumerate(tracks)]
    # Seen out to 12 on either side: from 29 to 32 nobody has looked.
    found = full(Track.concat(lines), area=box(0, -100, 44, 100), smallest=2.0, **TRIPLE)
    (hole,) = found.holes
    assert hole.area == pytest.approx(3 * 200, rel=1e-6)
    found = full(Track.concat(lines), area=box(0, -100, 44, 100), smallest=4.0, **TRIPLE)
    assert found.holes == ()
    assert (found.small_holes, round(found.small_holes_m2)) == (1, 600)


def test_a_full_circle_sees_two_rings():
    turn = np.radians(np.arange(0, 361.0, 1.0))
    x, y = 100 * np.sin(turn), 100 * np.cos(turn)  # clockwise, heading east at the top
    found = full(track(x, y, heading=np.degrees(turn) + 90, depth=5.0), **TRIPLE)
    rings = np.pi * ((112**2 - 105**2) + (95**2 - 88**2))
    assert found.seen.area == pytest.approx(rings, rel=1e-4)
    # Its four quarters are passes, yet no ground lies in two of them.
    assert found.passes == 4
    assert found.twice.area < 1e-3 * rings


@pytest.mark.parametrize(
    ("given", "kept"), [({}, False), ({"turn_radius_m": 0.0}, True), ({"turn_radius_m": 10}, True)]
)
def test_a_turn_is_cut_where_its_radius_is_less_than_the_ground_range(given, kept):
    turn = np.radians(np.arange(0, 181.0, 2.0))
    arc = 25 * np.sin(turn), 25 * np.cos(turn)
    x = np.concatenate([np.arange(-200, 0, 1.0), arc[0], np.arange(0, -200, -1.0)])
    y = np.concatenate([np.full(200, 25.0), arc[1], np.full(200, -25.0)])
    heading = np.concatenate([np.full(200, 90.0), 90 + np.degrees(turn), np.full(200, 270.0)])
    passes = passes_of(track(x, y, heading=heading, depth=5.0), range_m=50.0, **given)
    if kept:
        assert passes.left_out_m["turn"] == 0
    else:
        assert passes.left_out_m["turn"] == pytest.approx(25 * np.pi, abs=16)
        assert any("turns too sharp" in w for w in passes.left_out())
        assert len(passes) == 2


def test_a_wandering_boat_sees_what_a_raster_says():
    x, y, heading = wandering(300, size=450.0)
    depth = 6 + 2 * np.sin(x / 50)
    passes = passes_of(track(x, y, heading=heading, depth=depth), range_m=45.0, plane=HERE)
    found = coverage(passes, cautious=False)
    number, start = np.zeros(300, int), 0
    for i in range(1, 300):  # a pass ends where she has turned by 90 degrees; both own that point
        number[i] = number[i - 1]
        if abs(heading[i] - heading[start]) > 90:
            start = i
            number[i] += 1
    rows = np.sort(np.concatenate([np.arange(300), np.flatnonzero(np.diff(number)) + 1]))
    number = number[rows]
    ends = np.flatnonzero(np.diff(rows) == 0)
    number[ends] -= 1
    near, far = depth * np.tan(np.radians(30)), np.sqrt(45.0**2 - depth**2)
    seen, xs, ys = counts(
        *(v[rows] for v in (x, y, heading, near, far)),
        number,
        cell_m=0.5,
        bounds=found.seen.buffer(2).bounds,
    )
    # The edge of 4.5 km is a cell wide where the raster may err either way.
    assert found.seen.area == pytest.approx((seen > 0).sum() * 0.25, rel=1e-3)
    assert found.twice.area == pytest.approx((seen > 1).sum() * 0.25, rel=2e-3)
    inside = shapely.contains_xy(found.seen, *np.meshgrid(xs[::7], ys[::7]))
    assert (inside != (seen[::7, ::7] > 0)).mean() < 2e-3


@settings(max_examples=25, deadline=None)
@given(
    bends=st.lists(st.floats(-170, 170), min_size=1, max_size=6),
    depth=st.floats(1, 60),
    side=st.sampled_from(["port", "starboard", "both"]),
    limit=st.sampled_from([float("nan"), 0.0, 15.0]),
)
def test_whatever_the_way_the_shapes_are_sound_and_fit_together(bends, depth, side, limit):
    heading = np.repeat(np.cumsum([0.0, *bends]), 12)
    x = np.cumsum(4 * np.sin(np.radians(heading)))
    y = np.cumsum(4 * np.cos(np.radians(heading)))
    passes = passes_of(
        track(x, y, heading=heading, depth=depth), range_m=40.0, sides=side, turn_radius_m=limit
    )
    wide, sure = (coverage(passes, cautious=c, smallest_m=0.0) for c in (False, True))
    for found in (wide, sure):
        assert found.seen.is_valid
        assert found.twice.is_valid
        assert found.twice.difference(found.seen).area < 1e-6
        assert found.under.intersection(found.seen).area < 1e-6
    assert sure.seen.difference(wide.seen).area < 1e-3 * wide.seen.area + 1e-6
    assert wide.twice.area <= wide.seen.area + 1e-9


def test_looking_again_never_takes_anything_away():
    x, y, heading = wandering(200, seed=5)
    one = track(x, y, heading=heading)
    two = track(*straight(300.0, 70.0), heading=70.0)
    later = two.time + np.timedelta64(86400, "s")
    two = two.with_columns(line=np.ones(len(two.lon), int), time=later)
    alone, both = full(one), full(Track.concat([one, two]))
    plane = both.plane
    before = plane.shape_to_plane(alone.plane.shape_to_earth(alone.seen))
    assert before.difference(both.seen).area < 1e-3
    assert both.twice.area > 0


def test_many_passes_in_tiles_are_the_same_as_all_at_once(monkeypatch):
    lines = []
    for k in range(12):
        x, y, heading = wandering(150, seed=k, size=400.0)
        made = track(x, y, heading=heading, time=k * 1e4 + np.arange(150) * 2.5)
        lines.append(made.with_columns(line=np.full(150, k)))
    passes = passes_of(Track.concat(lines), range_m=40.0)
    assert len(passes) > 16
    whole, tiled = [], []
    for corners, into in ((10**9, whole), (200, tiled)):
        monkeypatch.setattr("athwart.plan.coverage._TILE_CORNERS", corners)
        found = coverage(passes, cautious=False)
        into += [found.seen, found.twice, found.under]
    for a, b in zip(whole, tiled, strict=True):
        assert b.is_valid
        assert b.area == pytest.approx(a.area, rel=1e-9)
        assert a.symmetric_difference(b).area < 1e-6


def test_one_outing_in_two_files_is_seen_once():
    x, y = straight(400.0)
    first = track(x, y, heading=0.0).with_columns(source=np.full(len(x), "a.gpx", object))
    again = first.with_columns(source=np.full(len(x), "b.gpx", object))
    found = full(Track.concat([first, again]))
    assert found.passes == 1
    assert found.twice.area == 0
    assert any("repeat others" in w for w in found.words)


def test_a_gap_parts_the_swath_and_is_said():
    x, y = straight(400.0, step=4.0)
    t = np.arange(len(x)) * 2.0
    t[50:] += 30.0
    passes = passes_of(track(x, y, heading=0.0, depth=5.0, time=t), **TRIPLE)
    assert len(passes) == 2
    found = coverage(passes, cautious=False)
    assert found.seen.area == pytest.approx(2 * 396 * 7, rel=1e-6)
    assert passes.left_out() == ["left out, gaps in the track: 4 m of track"]
    bridged = passes_of(track(x, y, heading=0.0, depth=5.0, time=t), max_gap_s=40, **TRIPLE)
    assert len(bridged) == 1


def test_a_single_fix_sees_nothing():
    found = full(track([0.0], [0.0], heading=0.0))
    assert found.seen.is_empty
    assert any("1 line of one track point" in w for w in found.words)
    assert (found.passes, found.length_m, found.holes) == (0, 0.0, ())


def test_water_deeper_than_the_range_is_not_seen_and_said():
    x, y = straight(400.0)
    depth = np.where(y < 0, 5.0, 20.0)
    passes = passes_of(track(x, y, heading=0.0, depth=depth), **TRIPLE)
    assert passes.left_out_m["deep"] == pytest.approx(200.0, abs=1e-3)
    assert any("deeper than the range" in w for w in passes.left_out("feet"))
    found = coverage(passes, cautious=False)
    assert found.seen.area == pytest.approx(2 * 196 * 7, rel=0.02)


def test_a_track_without_a_compass_looks_at_right_angles_to_its_course():
    x, y = straight(400.0, 37.0)
    found = full(track(x, y, depth=5.0), **TRIPLE)
    assert found.seen.area == pytest.approx(2 * 400 * 7, rel=1e-5)


def test_a_drifting_boat_without_a_compass_has_seen_nothing_that_can_be_placed():
    x, y = straight(100.0, step=1.0)
    passes = passes_of(track(x, y, speed=0.2), range_m=50.0)
    assert len(passes) == 0
    assert any("no compass" in w for w in passes.left_out())
    assert len(passes_of(track(x, y, heading=0.0, speed=0.2), range_m=50.0)) == 1


def test_a_line_without_times_is_taken_as_it_is_drawn():
    there = track([0.0, 0.0, 300.0], [-300.0, 0.0, 0.0], depth=5.0)
    there = there.with_columns(time=np.full(3, np.datetime64("NaT"), "datetime64[us]"))
    passes = passes_of(there, **TRIPLE)
    found = coverage(passes, cautious=False)
    # Two legs of 300 m; the corner, where the course turns within 15 m, is cut or rounded.
    assert found.seen.area == pytest.approx(2 * 600 * 7, rel=0.06)
    assert any("without times" in w for w in passes.words)


def test_the_lever_arm_moves_the_swath():
    x, y = straight(400.0, 0.0)
    boat = Boat(lever_starboard_m=2.0, lever_forward_m=-3.0)
    made = track(x, y, heading=0.0, depth=5.0)
    found = coverage(passes_of(made, boat=boat, plane=HERE, **TRIPLE), cautious=False)
    assert np.allclose(found.seen.bounds, (-10.0, -203.0, 14.0, 197.0), atol=1e-3)


def test_a_magnetic_compass_is_put_right():
    from pygeomag import GeoMag

    x, y = straight(400.0, 0.0)
    variation = GeoMag(base_year=2025).calculate(55.0, 12.0, 0, 2026.33).d
    made = track(x, y, depth=5.0)
    made = made.with_columns(heading_mag_deg=np.full(len(x), -variation % 360))
    straight_on = passes_of(made, plane=HERE, **TRIPLE).heading_deg
    assert np.allclose((straight_on + 180) % 360 - 180, 0.0, atol=0.02)


@pytest.mark.parametrize("lon", [0.0, 180.0, -77.0])
@pytest.mark.parametrize("lat", [0.0, -60.0, 89.999, -90.0])
def test_poles_and_the_180th_meridian_are_no_special_places(lon, lat):
    plane = LocalPlane(lon, lat)
    x, y = straight(400.0, 30.0)
    made = track(x, y, depth=5.0, lon=lon, lat=lat)  # the course stands in for the heading
    found = coverage(passes_of(made, plane=plane, **TRIPLE), cautious=False)
    assert found.seen.area == pytest.approx(2 * 400 * 7, rel=1e-5)
    back = plane.shape_to_plane(found.features()[0].geometry)
    assert back.area == pytest.approx(found.seen.area, rel=1e-6)


def test_the_cautious_swath_is_narrower_by_its_error():
    x, y = straight(400.0)
    made = track(x, y, heading=0.0, depth=5.0)
    wide = passes_of(made, range_m=60.0)
    sure = wide.narrowed()
    # By hand: 2.5, 0.8, 1 and 0.1 m add in quadrature to 2.812 m, times 1.96; far out the scale of
    # the range, 1 % and 2 % of 59.8 m, comes to that, and the bottom's slope, 5 m x 3 degrees.
    place = 2.5**2 + 0.8**2 + 1.0**2 + 0.1**2
    assert np.allclose(wide.near_error_m, 1.96 * np.sqrt(place), rtol=2e-3)
    across = place + 0.6**2 + (0.02 * 59.8) ** 2 + (5 * np.radians(3)) ** 2
    assert np.allclose(wide.far_error_m, 1.96 * np.sqrt(across), rtol=1e-2)
    # Along: 0.5 m + 0.3 s x 2 m/s, and 3 degrees of heading at 59.8 m.
    along = place + 1.1**2 + (59.8 * np.sin(np.radians(3))) ** 2
    assert np.allclose(wide.along_error_m, 1.96 * np.sqrt(along), rtol=1e-2)
    assert np.allclose(sure.far_m, (wide.far_m - wide.far_error_m)[0])
    assert sure.length_m == pytest.approx(wide.length_m - 2 * wide.along_error_m[0], rel=1e-3)


def test_the_narrowed_swath_was_seen_in_95_of_100_worlds():
    """Monte Carlo: the true edge lies outside the narrowed one in at least 95 % of worlds."""
    rng = np.random.default_rng(11)
    x, y = straight(400.0)
    passes = passes_of(track(x, y, heading=0.0, depth=8.0), range_m=50.0)
    n = 20_000
    boat = Boat().budget
    scale = 1 + rng.normal(0, boat.sound_scale, n)
    slope = np.radians(rng.normal(0, boat.slope_deg, n))
    h = (8.0 + rng.normal(0, boat.depth_sigma(8.0), n)) * scale
    r = (50.0 + rng.normal(0, boat.range_sigma(50.0), n)) * scale
    far = np.cos(slope) * (-h * np.sin(slope) + np.sqrt(r**2 - (h * np.cos(slope)) ** 2))
    across = np.sqrt(2.5**2 + 0.8**2 + 1 + 0.01)
    edge = far * np.cos(np.radians(rng.normal(0, 3, n))) + rng.normal(0, across, n)
    narrowed = passes.far_m[0] - passes.far_error_m[0]
    assert 0.95 < (edge > narrowed).mean() < 0.99  # one edge of a two-sided 95 %: 97.5 %


def test_features_carry_their_roles_and_areas():
    x, y = straight(400.0)
    found = full(track(x, y, heading=0.0, depth=5.0), area=box(-30, -150, 30, 150), **TRIPLE)
    features = found.features()
    assert [f.role for f in features] == ["seen", "under the boat", "not seen", "not seen"]
    assert sum(f.values["part_of_area"] for f in features) == pytest.approx(1.0, abs=1e-3)
    assert "95 %" not in features[0].note
    assert "Not for navigation" in features[0].note


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"range_m": 0.0}, "the range is 0 m"),
        ({"range_m": float("inf")}, "the range is inf m"),
        ({"nadir_deg": 90.0}, "angle at nadir is 90 degrees"),
        ({"depth_m": -1.0}, "the depth is -1 m"),
        ({"turn_radius_m": -1.0}, "the turn radius is -1 m"),
        ({"max_gap_s": 0.0}, "the longest gap is 0 s"),
        ({"sides": "left"}, "the side is 'left'"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(options, words):
    made = track(*straight(), heading=0.0)
    with pytest.raises(DataError, match=words):
        passes_of(made, **({"range_m": 50.0} | options))


def test_a_track_without_depth_or_with_the_wrong_one_is_refused():
    x, y = straight()
    with pytest.raises(DataError, match="the track has no depth; give it"):
        passes_of(track(x, y, heading=0.0, depth=None), range_m=50.0)
    made = track(x, y, heading=0.0, depth_below=np.full(len(x), "datum", object))
    with pytest.raises(DataError, match="below datum"):
        passes_of(made, range_m=50.0)
    made = track(x, y, heading=0.0, depth_below=np.full(len(x), "surface", object))
    with pytest.raises(DataError, match="how deep the transducer sits"):
        passes_of(made, range_m=50.0)
    boat = Boat(transducer_depth_m=1.0)
    near, _ = sonar_reach(50.0, 5.0)
    assert np.allclose(passes_of(made, range_m=50.0, boat=boat).near_m, near)
    with pytest.raises(DataError, match="there is no track"):
        passes_of(Track.empty(), range_m=50.0)
    with pytest.raises(DataError, match="the area has no polygon"):
        full(track(x, y, heading=0.0), area=shapely.Point(12, 55))
    with pytest.raises(DataError, match="the smallest hole is -1 m"):
        full(track(x, y, heading=0.0), smallest=-1.0)


def test_fixes_without_a_time_on_a_timed_line_are_left_out_and_said():
    made = track(*straight(), heading=0.0)
    time = made.time.copy()
    time[3] = np.datetime64("NaT")
    passes = passes_of(made.with_columns(time=time), range_m=50.0)
    assert any("1 track point without a time" in w for w in passes.words)
