"""Survey lanes: what they promise is what a boat that runs them sees."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tracks_made import START

from athwart.boat import Boat
from athwart.errors import DataError
from athwart.geometry.plane import LocalPlane
from athwart.plan.coverage import coverage
from athwart.plan.lanes import lanes
from athwart.plan.passes import passes_of
from athwart.tables import Track

HERE = LocalPlane(12.0, 55.0)
FIELD = shapely.box(0, 0, 600, 400)
PLAIN = {"range_m": 40.0, "depth_m": 6.0, "cautious": False, "overlap_m": 0.0}


def earth(shape, plane=HERE):
    return plane.shape_to_earth(shapely.segmentize(shape, 200.0))


def run(plan, *, depth=6.0, speed=2.0, compass=False):
    """Return the track of a boat that runs a plan to the letter, a fix a second."""
    lon, lat, time, line, heading = [], [], [], [], []
    now = 0.0
    for n, way in enumerate(plan.way):
        done = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
        at = np.append(np.arange(0.0, done[-1], speed), done[-1])
        x, y = np.interp(at, done, way[:, 0]), np.interp(at, done, way[:, 1])
        degrees = np.degrees(np.arctan2(np.diff(x), np.diff(y)))
        heading.append(np.append(degrees, degrees[-1]) % 360)
        places = plan.plane.to_earth(x, y)
        lon.append(places[0])
        lat.append(places[1])
        time.append(now + at / speed)
        now = time[-1][-1] + 100.0
        line.append(np.full(len(x), n))
    columns = {
        "lon": np.concatenate(lon),
        "lat": np.concatenate(lat),
        "time": START + np.rint(np.concatenate(time) * 1e6).astype("timedelta64[us]"),
        "line": np.concatenate(line),
        "depth_m": np.full(sum(map(len, lon)), depth),
    }
    if compass:
        columns["heading_deg"] = np.concatenate(heading)
    return Track.from_columns(columns)


def seen_by(plan, *, cautious, range_m=40.0, **options):
    passes = passes_of(run(plan, **options), range_m=range_m, plane=plan.plane)
    return coverage(passes, area=plan.plane.shape_to_earth(plan.area), cautious=cautious)


@pytest.mark.parametrize("direction", [0.0, 90.0, math.nan, 37.0])
@pytest.mark.parametrize("cautious", [True, False])
def test_who_runs_the_lanes_sees_the_area(direction, cautious):
    plan = lanes(
        earth(FIELD), range_m=40.0, depth_m=6.0, direction_deg=direction, cautious=cautious
    )
    assert plan.left_out.is_empty
    found = seen_by(plan, cautious=cautious)
    assert found.part(found.seen) > 0.999
    assert found.holes == ()


def test_lanes_of_a_rectangle_stand_where_the_formula_says():
    plan = lanes(earth(FIELD), direction_deg=90.0, **PLAIN)
    # sqrt(40^2 - 6^2) = 39.547, 6 tan 30 = 3.464; b, b - a, b ... b, b - a, b over 400 m.
    b, a = 39.5474, 3.4641
    assert plan.spacing_m == pytest.approx(b, abs=1e-3)
    ys = np.sort([g.centroid.y for g in plan.lanes])
    ys -= plan.area.bounds[1]
    count = 2 + 1 + math.ceil((400 - 2 * b - 2 * (b - a)) / b)
    assert len(ys) == count
    gaps = np.diff(ys)
    assert gaps[[0, -1]] == pytest.approx(b - a, abs=0.02)
    assert gaps[1:-1] == pytest.approx(b, abs=0.02)
    assert ys[0] <= b
    assert ys[0] == pytest.approx(400 - ys[-1], abs=0.05)
    assert plan.lanes_m == pytest.approx(600 * count, rel=1e-3)
    assert plan.time_s == pytest.approx(plan.length_m / plan.speed_mps)


def test_a_direction_that_is_free_saves_way_and_follows_the_long_side():
    long = shapely.affinity.rotate(shapely.box(0, 0, 900, 200), 28.0)
    free = lanes(earth(long), **PLAIN)
    (direction,) = free.direction_deg
    assert direction == pytest.approx(62.0, abs=0.5)  # 28 degrees to the left of east
    for other in (152.0, 0.0, 90.0):
        assert lanes(earth(long), direction_deg=other, **PLAIN).length_m > free.length_m


def test_a_narrow_area_is_seen_from_one_lane_beside_it():
    plan = lanes(earth(shapely.box(0, 0, 30, 300)), **PLAIN)
    assert len(plan.lanes) == 1
    assert plan.lanes[0].distance(plan.area) == pytest.approx(3.46 + (36.08 - 30) / 2, abs=0.05)
    found = seen_by(plan, cautious=False)
    assert found.part(found.seen) > 0.999


@pytest.mark.parametrize(
    ("depth", "apart"),
    [
        (25.0, lambda a, b: b),  # b >= 2 a: neighbours see under each other
        (28.0, lambda a, b: 2 * b / 3),  # the next but one does
        (30.0, lambda a, b: b - a),  # each lane sees one strip
    ],
)
def test_deep_water_takes_more_lanes_and_is_seen(depth, apart):
    plan = lanes(earth(FIELD), range_m=40.0, depth_m=depth, cautious=False, overlap_m=1.0)
    assert plan.spacing_m == pytest.approx(apart(plan.near_m, plan.far_m - 1.0))
    assert plan.left_out.is_empty
    found = seen_by(plan, cautious=False, depth=depth)
    assert found.part(found.seen) > 0.998


@settings(max_examples=200, deadline=None)
@given(st.floats(1, 2000), st.floats(0, 30), st.floats(10, 90))
def test_lanes_see_everything_across_and_no_lane_fewer_would_do_by_much(width, near, strip):
    from athwart.plan.lanes import _Swath

    swath = _Swath(near, near + strip, 0.0, 0.0, 0.0, 0.0)
    at = swath.positions(width)
    places = np.linspace(0, width, 2001)
    away = np.abs(places[:, None] - at[None, :])
    seen = ((away >= near - 1e-6) & (away <= near + strip + 1e-6)).any(axis=1)
    assert seen.all()
    assert (np.diff(at) > 0).all()
    assert len(at) <= width / swath.spacing + 2 * near / swath.spacing + 4


@pytest.mark.parametrize(("radius", "skips"), [(5.0, False), (60.0, True)])
def test_a_boat_that_turns_wide_skips_lanes(radius, skips):
    plan = lanes(earth(FIELD), direction_deg=90.0, turn_radius_m=radius, **PLAIN)
    ys = np.array([g.centroid.y for g in plan.lanes])
    step = np.abs(np.diff(np.argsort(np.argsort(ys))))
    assert (step.max() > 1) == skips
    # No turn of the way is tighter than the radius: three points of an arc lie on its circle.
    (way,) = plan.way
    a, b, c = way[:-2], way[1:-1], way[2:]
    sides = [np.hypot(*(p - q).T) for p, q in ((a, b), (b, c), (a, c))]
    area2 = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    # An arc between two straights touches them at its ends; there the circle comes out wider.
    with np.errstate(divide="ignore"):
        circle = sides[0] * sides[1] * sides[2] / (2 * area2)
    assert circle.min() > 0.98 * radius


def test_up_and_down_is_never_shorter_than_the_order_that_was_found():
    from athwart.plan.turns import shortest_turns

    plan = lanes(earth(FIELD), direction_deg=90.0, turn_radius_m=40.0, **PLAIN)
    spare = plan.length_m - plan.lanes_m
    ys = np.sort([g.centroid.y for g in plan.lanes])
    along = shortest_turns(0, ys[:-1], 90.0, 0, ys[1:], 270.0, 40.0).length_m.sum()
    assert spare <= along + 2 * plan.run_in_m * len(ys) + 1e-6


def test_lanes_end_before_closed_water_and_what_they_cannot_see_is_said():
    pens = shapely.box(220, 150, 330, 260)
    plan = lanes(earth(FIELD), closed=earth(pens), clear_m=10.0, **PLAIN)
    flat = plan.plane.area_to_plane(earth(pens))
    for way in plan.way:
        assert shapely.LineString(way).distance(flat) > 9.5
    assert not plan.left_out.is_empty
    found = seen_by(plan, cautious=False)
    missing = plan.area.difference(found.seen).difference(plan.left_out)
    assert missing.area < 1e-3 * plan.area.area
    together = plan.promised.area + plan.left_out.area
    assert together == pytest.approx(plan.area.area, rel=1e-4)
    assert [f.role for f in plan.features() if f.role == "not seen"]


def test_the_whole_way_stays_in_the_water_that_is_given():
    water = shapely.Polygon(
        [(-80, -80), (680, -80), (680, 480), (330, 480), (300, 180), (270, 480), (-80, 480)]
    )
    plan = lanes(earth(FIELD), water=earth(water), clear_m=5.0, **PLAIN)
    flat = plan.plane.area_to_plane(earth(water))
    for way in plan.way:
        assert shapely.LineString(way).difference(flat.buffer(-4.5)).length < 0.5
    found = seen_by(plan, cautious=False)
    assert plan.area.difference(found.seen).difference(plan.left_out).area < 2e-3 * plan.area.area


def test_holes_of_a_coverage_become_lanes_and_are_then_seen():
    x = np.arange(0.0, 600.0, 4.0)
    y = np.where((x > 200) & (x < 420), 120.0, 60.0)
    seen_once = Track.from_columns(
        {
            **dict(zip(("lon", "lat"), HERE.to_earth(x, y), strict=True)),
            "time": START + (x / 2 * 1e6).astype("timedelta64[us]"),
            "depth_m": np.full(len(x), 6.0),
        }
    )
    first = coverage(
        passes_of(seen_once, range_m=40.0, plane=HERE), area=earth(shapely.box(0, 0, 600, 180))
    )
    assert first.part(first.seen) < 0.6
    holes = shapely.union_all([f.geometry for f in first.features() if f.role == "not seen"])
    plan = lanes(holes, range_m=40.0, depth_m=6.0)
    again = seen_by(plan, cautious=True)
    assert again.part(again.seen) > 0.998
    assert plan.left_out.is_empty


@settings(max_examples=20, deadline=None)
@given(
    angles=st.lists(st.floats(0, 359), min_size=3, max_size=9, unique=True),
    sizes=st.lists(st.floats(60, 420), min_size=9, max_size=9),
    depth=st.floats(1.5, 14),
    radius=st.floats(4, 40),
    cautious=st.booleans(),
    direction=st.sampled_from([math.nan, 0.0, 63.0]),
)
def test_on_any_polygon_what_is_promised_is_seen(angles, sizes, depth, radius, cautious, direction):
    turn = np.radians(np.sort(angles))
    size = np.array(sizes[: len(turn)])
    shape = shapely.Polygon(np.stack([size * np.sin(turn), size * np.cos(turn)], axis=1))
    shape = shapely.make_valid(shape)
    assume(shape.geom_type == "Polygon" and shape.area > 2000)
    plan = lanes(
        earth(shape),
        range_m=40.0,
        depth_m=depth,
        turn_radius_m=radius,
        cautious=cautious,
        direction_deg=direction,
        speed_mps=2.0,
    )
    assert plan.left_out.area < 1e-3 * plan.area.area
    found = seen_by(plan, cautious=cautious, depth=depth)
    missed = plan.promised.difference(found.seen).area
    assert missed < 2e-3 * plan.area.area + 2.0


@pytest.mark.parametrize(
    ("lon", "lat"), [(180.0, -40.0), (-179.9999, 10.0), (20.0, 89.99), (0.0, -89.99)]
)
def test_poles_and_the_180th_meridian_are_no_special_places(lon, lat):
    plane = LocalPlane(lon, lat)
    plan = lanes(
        plane.shape_to_earth(shapely.segmentize(shapely.box(-250, -120, 250, 120), 5.0)), **PLAIN
    )
    assert plan.area.area == pytest.approx(500 * 240, rel=1e-3)
    found = seen_by(plan, cautious=False, compass=abs(lat) < 89)
    assert found.part(found.seen) > 0.995


def test_features_are_lanes_in_order_and_one_way():
    plan = lanes(earth(FIELD), **PLAIN)
    features = plan.features()
    names = [f.name for f in features if f.role == "lane"]
    assert names == [f"Lane {i + 1}" for i in range(len(plan.lanes))]
    (way,) = plan.run()
    assert way.role == "run"
    assert "Not" in way.note or "not" in way.note
    assert way.values["length_m"] == pytest.approx(plan.length_m, abs=0.1)
    flat = plan.plane.shape_to_plane(way.geometry)
    for lane in plan.lanes:
        assert lane.hausdorff_distance(shapely.intersection(flat.buffer(0.5), lane)) < 0.1


def test_a_way_of_ends_alone_has_two_corners_a_lane():
    plan = lanes(earth(FIELD), **PLAIN)
    (way,) = plan.run(turns=False)
    points = shapely.get_coordinates(plan.plane.shape_to_plane(way.geometry))
    assert len(points) == 2 * len(plan.lanes)
    for k, lane in enumerate(plan.lanes):
        line = shapely.LineString(points[2 * k : 2 * k + 2])
        assert line.length == pytest.approx(lane.length + 40.0, abs=0.01)
        assert lane.distance(line) < 0.01


def test_lanes_on_waters_that_do_not_meet_come_in_parts():
    water = shapely.union_all([shapely.box(-300, -300, 260, 700), shapely.box(340, -300, 900, 700)])
    plan = lanes(earth(FIELD), water=earth(water), clear_m=5.0, direction_deg=0.0, **PLAIN)
    assert len(plan.way) == 2
    assert len(plan.run()) == len(plan.run(turns=False)) == 2
    assert np.bincount(plan.part).sum() == len(plan.lanes)
    flat = plan.plane.area_to_plane(earth(water))
    for way in plan.way:
        assert shapely.LineString(way).difference(flat.buffer(-4.5)).length < 0.01


BAD = [
    ({"range_m": 0.0}, "the range is 0 m"),
    ({"depth_m": math.nan}, "the depth is nan m"),
    ({"depth_m": 40.0}, "the water is 40 m deep and the range 40 m"),
    ({"depth_m": 35.0}, "take a longer range"),
    ({"direction_deg": 400.0}, "the direction is 400 degrees"),
    ({"overlap_m": -1.0}, "the overlap is -1 m"),
    ({"overlap_m": 39.0}, "nothing is left"),
    ({"turn_radius_m": 0.0}, "the turn radius is 0 m"),
    ({"run_in_m": -1.0}, "the run-in is -1 m"),
    ({"speed_mps": 0.0}, "the speed is 0 m/s"),
    ({"nadir_deg": 91.0}, "angle at nadir is 91 degrees"),
    ({"clear_m": -2.0}, "the clearance is -2 m"),
    ({"boat": Boat(depth_below="surface")}, "how deep the transducer sits"),
    ({"closed": earth(FIELD.buffer(200))}, "no lane fits"),
]


@pytest.mark.parametrize(("options", "words"), BAD)
def test_what_cannot_be_is_refused_in_a_sentence(options, words):
    with pytest.raises(DataError, match=words):
        lanes(earth(FIELD), **(PLAIN | options))


def test_an_area_without_polygons_or_without_end_is_refused():
    with pytest.raises(DataError, match="the area has no polygon"):
        lanes(shapely.Point(12, 55), **PLAIN)
    with pytest.raises(DataError, match="the area has no polygon"):
        lanes(shapely.Polygon(), **PLAIN)
    with pytest.raises(DataError, match="lanes; allowed is 800"):
        lanes(earth(shapely.box(0, 0, 80_000, 80_000)), direction_deg=0.0, **PLAIN)


@pytest.mark.parametrize("seed", range(3))
def test_in_whatever_order_the_way_keeps_out_of_closed_water(seed, monkeypatch):
    """Each turn is drawn as it was tried, whichever way along it is run."""
    rng = np.random.default_rng(seed)

    def any_order(way, count):
        ends = [(2 * k, 2 * k + 1) for k in rng.permutation(count).tolist()]
        return [e if rng.random() < 0.5 else e[::-1] for e in ends]

    monkeypatch.setattr("athwart.plan.lane_order._round", any_order)
    slot = shapely.Polygon([(330, 480), (300, 180), (270, 480)])
    plan = lanes(earth(FIELD), closed=earth(slot), clear_m=5.0, direction_deg=90.0, **PLAIN)
    flat = plan.plane.area_to_plane(earth(slot))
    assert plan.around > 0
    for way in plan.way:
        assert shapely.LineString(way).distance(flat) > 4.5


def test_the_same_area_gives_the_same_plan():
    area = earth(shapely.box(0, 0, 900, 900))
    one, two = (lanes(area, turn_radius_m=30.0, **PLAIN) for _ in range(2))
    assert len(one.lanes) > 15
    assert np.array_equal(one.way[0], two.way[0])


@pytest.mark.parametrize("count", [3, 6, 8])
def test_the_search_of_many_finds_nearly_the_best_order_of_few(count):
    """Peer: the exact solver, on few lanes; the search is made for many."""
    from athwart.plan.lane_order import _improved, _nearest, _patterns, _round, _spare

    rng = np.random.default_rng(count)
    ends = rng.uniform(0, 1000, (2 * count, 2))
    way = np.hypot(*(ends[:, None] - ends[None]).transpose(2, 0, 1))
    k = np.arange(2 * count)
    way[k, k] = way[k, k ^ 1] = np.inf
    exact = _spare(way, _round(way, count))
    orders = [*_patterns(count), _nearest(way, count)]
    searched = min(_spare(way, _improved(way, o)) for o in orders)
    assert exact <= searched * (1 + 1e-3)  # the solver counts in whole steps
    assert searched <= 1.1 * exact
