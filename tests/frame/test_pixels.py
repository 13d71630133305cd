"""From points on a frame to picks."""

from types import SimpleNamespace

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from athwart.boat import Boat
from athwart.errors import DataError, TableError
from athwart.fix import fix
from athwart.frame.layout import Layout
from athwart.frame.photo import Straightener
from athwart.frame.picks import altitudes, to_picks
from athwart.frame.pixels import points
from athwart.frame.shadow_drag import found_shadows, shadows
from athwart.frame.shape import place_shape
from athwart.frame.size import sizes
from athwart.frame.when import Moment
from athwart.tables import Track

NEWEST = np.datetime64("2031-05-11T09:40:00", "us")


def layout(**other):
    """400 columns, 0.25 m each: port to the left, 50 m a side; a line takes 0.5 s."""
    values = {
        "width_px": 400,
        "height_px": 300,
        "newest": "top",
        "centre_px": 200.0,
        "port_limit_px": 0.0,
        "starboard_limit_px": 400.0,
        "range_m": 50.0,
        "axis": "slant",
        "seconds_per_line": 0.5,
    } | other
    return Layout(**{k: v for k, v in values.items() if v is not None})


def bottom(range_m=10.0, confidence=1.0, lines=300):
    """Stands in for a bottom line that is known by construction."""
    full = SimpleNamespace(
        altitude_m=np.full(lines, range_m), confidence=np.full(lines, confidence)
    )
    return SimpleNamespace(
        sides=("starboard",),
        lines=lines,
        range_m={"starboard": full.altitude_m},
        range_sigma_m={"starboard": np.full(lines, 0.05)},
        altitude=lambda: full,
    )


def moment(sigma=1.0):
    return Moment(time=NEWEST, sigma_s=sigma, source="typed")


def northward(speed=2.0, seconds=200, depth=None, lat=0.0):
    """A boat that goes due north and is at 0 E, `lat` when the newest line is drawn."""
    t = np.arange(-seconds, 11)
    there = [Geodesic.WGS84.Direct(lat, 0, 0, speed * s) for s in t.tolist()]
    values = {
        "time": NEWEST + t.astype("timedelta64[s]"),
        "lon": [p["lon2"] for p in there],
        "lat": [p["lat2"] for p in there],
        "heading_deg": 0.0,
        "speed_mps": speed,
    }
    return Track.from_columns(values if depth is None else values | {"depth_m": depth})


def at(side, range_m, line=0.0, screen=None):
    return (screen or layout()).pixel_of(side, line, range_m)


# ---- points -----------------------------------------------------------------------------------


def test_a_point_in_the_boat_s_terms():
    got = points(layout(), bottom(), [[300.5, 20.5], [100.0, 0.2]])
    assert got.side.tolist() == ["starboard", "port"]
    assert got.range_m == pytest.approx([25.125, 25.0])
    assert got.line.tolist() == [20.0, 0.0]  # never newer than the newest line
    assert got.seconds_back.tolist() == [10.0, 0.0]
    assert np.isnan(got.metres_back).all()
    assert got.altitude_m.tolist() == [10.0, 10.0]
    assert len(points(layout(), None, [300.5, 20.5])) == 1


def test_the_error_of_the_range_is_that_of_pixel_click_scale_and_pulse():
    got = points(layout(), bottom(), at("starboard", 40.0), click_px=2.0)
    assert got.range_sigma_m == pytest.approx(
        np.sqrt(0.25**2 / 12 + 0.5**2 + 0.4**2 + 0.1**2), rel=1e-6
    )
    assert got.line_sigma == pytest.approx(np.sqrt(1 / 12 + 4))


def test_the_altitude_of_a_line_that_is_not_trusted_is_worth_less():
    sure = points(layout(), bottom(confidence=1.0), at("starboard", 40.0))
    lost = points(layout(), bottom(confidence=0.0), at("starboard", 40.0))
    assert sure.altitude_sigma_m == pytest.approx(np.sqrt(0.05**2 + 0.25**2 + 0.2**2))
    assert lost.altitude_sigma_m**2 - sure.altitude_sigma_m**2 == pytest.approx((10 / 3) ** 2)


def test_a_photo_s_pixels_and_corners_enter_the_error():
    flat = Straightener([[0, 0], [1200, 0], [1200, 900], [0, 900]], 400, 300)
    got = points(layout(), bottom(), at("port", 10.0), click_px=1.5, straightener=flat)
    assert got.line_sigma == pytest.approx(np.sqrt(1 / 12 + (2.5 / 3) ** 2))


def test_points_that_cannot_be_are_all_named():
    screen = layout(panel=[0, 0, 400, 200], port_limit_px=None, starboard_limit_px=350.0)
    with pytest.raises(TableError) as caught:
        points(screen, None, [[300, 250], [100, 20], [380, 20], [np.nan, 3], [300, 20]])
    text = str(caught.value)
    assert "row 1: the point (300, 250) lies outside the sonar panel" in text
    assert "row 2: the point (100, 20) lies across the centre line, but the screen shows" in text
    assert "row 3: the point (380, 20) lies at 60.0 m, beyond the range limit of 50 m" in text
    assert "row 4: the point is no pair of numbers" in text
    assert "row 5" not in text
    with pytest.raises(DataError, match="points have the shape"):
        points(screen, None, [1, 2, 3])
    with pytest.raises(DataError, match="the bottom line has 300 lines, the panel 200"):
        points(screen, bottom(), [300, 20])


# ---- picks and places ---------------------------------------------------------------------------


@pytest.mark.parametrize(("side", "sign"), [("port", -1), ("starboard", 1)])
@pytest.mark.parametrize(("slant", "altitude", "ground"), [(13, 5, 12), (25, 7, 24), (50, 14, 48)])
def test_a_pixel_lands_where_the_triangle_says(side, sign, slant, altitude, ground):
    """R = sqrt(D^2 - H^2) (Green, Maritime Archaeology, 2nd ed., p. 80), on whole triangles."""
    where = points(layout(), bottom(altitude), at(side, slant, line=20.0))
    picks = to_picks(where, moment(), track=northward())
    boat = Boat(water_sound_mps=1500.0)
    place = fix(picks, track=northward(), boat=boat, method="picture").sightings
    # 20 lines of 0.5 s at 2 m/s are 20 m astern.
    astern = Geodesic.WGS84.Inverse(0, 0, float(place.antenna_lat[0]), 0)
    assert astern["s12"] == pytest.approx(20.0, abs=0.01)
    assert place.antenna_lat[0] < 0
    there = Geodesic.WGS84.Direct(float(place.antenna_lat[0]), 0, 90, sign * ground)
    assert place.lon[0] == pytest.approx(there["lon2"], abs=1e-8)
    assert place.ground_range_m == pytest.approx(ground)
    assert place.side[0] == side
    assert place.method[0] == "picture"


@pytest.mark.parametrize(
    ("altitude", "start", "length", "height", "top"),
    [(10, 40, 5, 10 * 5 / 45, None), (6, 30, 4, 0.7059, 29.5292)],
)
def test_a_dragged_shadow_gives_height_and_top(altitude, start, length, height, top):
    """H = h L / (r_s + L) by similar triangles (computed; no published numbers are known)."""
    for axis in ("slant", "ground"):
        screen = layout(axis=axis)
        ends = np.array([start, start + length], float)
        if axis == "ground":
            ends = np.sqrt(ends**2 - altitude**2)
        drag = [at("port", e, 4.0) for e in ends][:: -1 if axis == "ground" else 1]
        where = points(screen, None, at("port", float(ends[0]), 4.0))
        picks = to_picks(
            where, moment(), track=northward(), shadow=shadows(screen, drag), depth_m=altitude
        )
        assert picks.shadow_start_m == pytest.approx(start)
        assert picks.shadow_m == pytest.approx(length)
        boat = Boat(water_sound_mps=1500.0)
        place = fix(picks, track=northward(), boat=boat, method="picture").sightings
        assert place.height_m == pytest.approx(height, abs=1e-4)
        if top:
            assert place.ground_range_m == pytest.approx(top, abs=1e-4)


def shaded(screen, side="port", start=30.0, end=36.0, lines=(138, 163)):
    """A picture of speckle with a bright thing and a shadow from `start` to `end` metres."""
    rng = np.random.default_rng(2)
    power = 0.05 * rng.gamma(3, 1 / 3, (300, 400))
    rows, cols = np.mgrid[0:300, 0:400] + 0.5
    own, r = screen.range_of(np.stack([cols, rows], axis=-1))
    here = (own == side) & (rows > lines[0]) & (rows < lines[1])
    power[here & (r > start - 1.5) & (r < start)] *= 6
    power[here & (r > start) & (r < end)] *= 0.01
    return np.sqrt(power).astype(np.float32)


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize("axis", ["slant", "ground"])
def test_found_ends_replace_drawn_ones_and_bring_their_errors(side, axis):
    screen = layout(axis=axis)
    drag = [at(side, 36.4, 150.0), at(side, 29.7, 150.0)]  # from the far end to the near one
    sides = screen.sides(shaded(screen, side))
    both = found_shadows(screen, sides, [drag, [[np.nan] * 2] * 2], [8.0, 8.0])
    assert both.found.tolist() == [True, False]
    assert both.side.tolist() == [side, ""]
    assert np.isnan(both.start_m[1])
    assert both.end_m[0] == pytest.approx(36.0, abs=0.5)  # two columns
    assert both.dark_m[0] == pytest.approx(30.0, abs=0.6)
    # The start allows for a crest, so it lies before the dark; the length is that to the end.
    assert both.start_m[0] < both.dark_m[0]
    assert both.start_m[0] + both.length_m[0] == pytest.approx(both.end_m[0])
    drawn = shadows(screen, [drag])
    assert 0 < both.length_sigma_m[0] < np.sqrt(2) * 1.5 * 0.25 + 0.2
    ends = both.xy(screen)[0]
    assert screen.range_of(ends)[1] == pytest.approx([both.dark_m[0], both.end_m[0]])
    assert drawn.xy(screen)[0, :, 0] == pytest.approx([drag[1][0], drag[0][0]])
    where = points(screen, None, at(side, 29.5, 150.0))
    one = found_shadows(screen, sides, [drag], 8.0)
    picks = to_picks(where, moment(), track=northward(depth=8.0), shadow=one, uneven=0.3)
    stretch = float(picks.shadow_m[0] / one.length_m[0])
    assert picks.shadow_sigma_m == pytest.approx(one.length_sigma_m * stretch)
    assert picks.uneven_part == pytest.approx(0.3)
    typed = to_picks(where, moment(), track=northward(), shadow=one, uneven=0.3, depth_m=8.0)
    assert typed.uneven_part == pytest.approx(0.0), "a typed depth is that at the thing"


def test_where_the_picture_shows_nothing_the_ends_stay_as_drawn():
    screen = layout()
    drag = [at("port", 30.0, 150.0), at("port", 36.0, 150.0)]
    plain = np.sqrt(0.05 * np.random.default_rng(1).gamma(3, 1 / 3, (300, 400)))
    found = found_shadows(screen, screen.sides(plain.astype(np.float32)), [drag], np.nan)
    assert not found.found.any()
    for own, other in zip(found, shadows(screen, [drag]), strict=True):
        assert np.array_equal(own, other)


def test_the_water_that_picks_will_use_is_told_beforehand():
    where = points(layout(), bottom(), at("port", [20.0, 30.0]))
    assert altitudes(where, moment(), track=northward(depth=7.0)) == pytest.approx(10.0)
    assert altitudes(where, moment(), depth_m=6.0) == pytest.approx(6.0)
    dim = points(layout(), bottom(confidence=0.1), at("port", 20.0))
    assert altitudes(dim, moment(), track=northward(depth=7.0)) == pytest.approx(7.0)


def test_a_shadow_drag_that_cannot_be_is_refused():
    with pytest.raises(TableError) as caught:
        shadows(
            layout(),
            [
                [at("port", 20.0), at("starboard", 20.0)],
                [at("port", 20.0, 3), at("port", 20.1, 9)],
                [[5, 5], [5, 900]],
                [[np.nan] * 2] * 2,
            ],
        )
    assert "row 1: the shadow's drag crosses the centre line" in str(caught.value)
    assert "row 2: the shadow's drag has no length across" in str(caught.value)
    assert "row 3: the shadow's drag leaves the sonar panel" in str(caught.value)
    assert "row 4" not in str(caught.value)
    other = shadows(layout(), [at("port", 20.0), at("port", 25.0)])
    with pytest.raises(TableError, match="the shadow lies to port, the point to starboard"):
        to_picks(points(layout(), None, at("starboard", 20.0)), moment(), shadow=other)
    with pytest.raises(DataError, match="there are 1 shadows for 2 points"):
        to_picks(points(layout(), None, [at("port", 9.0)] * 2), moment(), shadow=other)
    ground = layout(axis="ground")
    with pytest.raises(TableError, match="a shadow on a screen of ground ranges needs a depth"):
        to_picks(points(ground, None, at("port", 20.0)), moment(), shadow=other)


def test_a_ground_axis_gives_ground_ranges_with_the_sounder_s_error():
    screen = layout(axis="ground")
    where = points(screen, None, at("port", 20.0))
    picks = to_picks(where, moment(), track=northward(depth=10.0))
    assert picks.ground_range_m == pytest.approx(20.0)
    assert np.isnan(picks.slant_range_m).all()
    own = where.range_sigma_m[0]
    more = np.hypot(10 * 0.2 / 20, 10 * np.radians(3.0))
    assert picks.range_sigma_m == pytest.approx(np.hypot(own, more))


def test_where_the_depth_comes_from():
    """The user's, then a trusted bottom line, then the track's, then whatever the line says."""

    def depth(confidence, track_depth=None, **rest):
        where = points(layout(), bottom(10.0, confidence), at("port", 20.0))
        return to_picks(where, moment(), track=northward(depth=track_depth), **rest)

    by_hand = depth(1.0, depth_m=8.0, depth_below="surface")
    assert (by_hand.depth_m[0], by_hand.depth_below[0]) == (8.0, "surface")
    assert np.isnan(by_hand.depth_sigma_m[0])
    by_line = depth(0.9, 11.0)
    assert (by_line.depth_m[0], by_line.depth_below[0]) == (10.0, "transducer")
    assert np.isnan(depth(0.2, 11.0).depth_m[0])  # fix takes the track's
    last = depth(0.2)
    assert last.depth_m[0] == 10.0
    assert last.depth_sigma_m[0] > 2.5


def test_the_moment_s_error_gathers_clock_click_and_step():
    where = points(layout(), bottom(), at("port", 20.0, line=100.0), click_px=2.0)
    picks = to_picks(where, moment(3.0), step_part=0.04)
    click = 0.5 * np.sqrt(1 / 12 + 4)
    assert picks.time_sigma_s == pytest.approx(np.sqrt(9 + click**2 + 2.0**2))
    assert picks.seconds_back == pytest.approx(50.0)


def test_a_distance_back_becomes_a_moment_on_the_track():
    screen = layout(seconds_per_line=None, metres_per_line=0.5)
    where = points(screen, bottom(), at("port", 20.0, line=100.0, screen=screen))
    assert where.metres_back == pytest.approx(50.0)
    picks = to_picks(where, moment(0.0), track=northward(speed=2.0), step_part=0.1)
    assert picks.seconds_back == pytest.approx(25.0)
    assert picks.along_track_m == 0.0
    click = 0.25 * np.sqrt(1 / 12 + 1.5**2)  # half a metre a line at 2 m/s
    assert picks.time_sigma_s == pytest.approx(np.hypot(click, 2.5), rel=1e-6)
    placed = fix(picks, track=northward(speed=2.0), method="picture").sightings
    assert Geodesic.WGS84.Inverse(0, 0, float(placed.antenna_lat[0]), 0)["s12"] == pytest.approx(50)
    with pytest.raises(TableError, match="the point lies 50 m back, and the track does not reach"):
        to_picks(where, moment(), track=northward(seconds=20))


def test_a_distance_back_without_a_track_lies_astern():
    screen = layout(seconds_per_line=None, metres_per_line=0.5)
    where = points(screen, bottom(), at("port", 20.0, line=100.0, screen=screen))
    picks = to_picks(where, moment(), lon=0.0, lat=0.0, heading_deg=0.0)
    assert picks.along_track_m == pytest.approx(-50.0)
    assert picks.seconds_back == 0.0
    place = fix(picks, method="picture").sightings  # not refused as entered twice
    assert Geodesic.WGS84.Inverse(0, 0, float(place.lat[0]), 0)["s12"] == pytest.approx(
        50, abs=0.01
    )
    assert place.lat[0] < 0


def test_without_a_step_only_the_newest_line_can_be_placed():
    screen = layout(seconds_per_line=None)
    newest = to_picks(points(screen, bottom(), at("port", 20.0, line=1.0)), moment())
    assert newest.seconds_back == 0.0
    with pytest.raises(TableError, match="the point lies 40 lines back, and nothing says how long"):
        to_picks(points(screen, bottom(), at("port", 20.0, line=40.0)), moment())


def test_a_pick_keeps_its_picture_and_pixel():
    where = points(layout(), bottom(), [300.5, 20.5])
    picks = to_picks(where, moment(), picture_sha256="ab12", name="Stone", kind="rock")
    assert picks.name[0] == "Stone"
    assert {k: v[0] for k, v in picks.extra.items()} == {
        "picture_sha256": "ab12",
        "picture_x_px": 300.5,
        "picture_y_px": 20.5,
    }
    with pytest.raises(DataError, match="seconds_back comes from the picture; leave it out"):
        to_picks(where, moment(), seconds_back=3.0)


# ---- sizes and shapes ---------------------------------------------------------------------------


def test_a_drag_over_an_echo_gives_length_and_width():
    """(25, 7, 24) and (50, 14, 48): 24 m on the ground; 12 lines of 0.5 s at 2 m/s: 12 m."""
    drag = [at("port", 15.0, 10.0), at("port", 25.0, 22.0)]
    got = sizes(layout(), bottom(7.0), drag, speed_mps=2.0)
    assert got.length_m == pytest.approx(12.0)
    assert got.width_m == pytest.approx(24 - np.sqrt(15**2 - 49))
    assert got.length_sigma_m == pytest.approx(np.sqrt(2 * (1 / 12 + 1.5**2)))
    beam = sizes(layout(), bottom(7.0), drag, speed_mps=2.0, beam_deg=1.0)
    assert beam.length_m == pytest.approx(12.0 - 20 * np.radians(1.0))
    assert np.isnan(sizes(layout(), bottom(7.0), drag).length_m)
    across = sizes(layout(), bottom(7.0), [at("port", 25.0), at("starboard", 25.0)])
    assert across.width_m == pytest.approx(48.0)


def test_a_line_and_an_area_are_placed_vertex_by_vertex():
    corners = [
        at("port", 20.0, 10),
        at("port", 40.0, 10),
        at("port", 40.0, 90),
        at("port", 20.0, 90),
    ]
    run = northward(lat=60.0)
    picks = to_picks(points(layout(), bottom(), corners), moment(), track=run)
    line = place_shape(picks, closed=False, track=run)
    area = place_shape(picks, closed=True, track=run)
    single = fix(picks, track=run, method="picture").sightings
    assert (line.lon == single.lon).all()
    assert (area.lat == single.lat).all()
    assert (line.closed, area.closed) == (False, True)
    assert (area.r95_m > 5).all()
    crossed = picks.take([0, 2, 1, 3])
    with pytest.raises(DataError, match="the outline of the area crosses itself"):
        place_shape(crossed, closed=True, track=run)
    with pytest.raises(DataError, match="an area has 2 points; allowed is 3 or more"):
        place_shape(picks.take([0, 1]), closed=True, track=run)
    with pytest.raises(TableError, match=r"rows 3 and 4: .* is 35 s before the track"):
        place_shape(picks, closed=False, track=run.take(np.arange(190, 211)))
