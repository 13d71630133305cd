"""Strips on the seabed, checked against geocentric arithmetic that shares nothing with them."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from PIL import Image
from scipy.ndimage import gaussian_filter
from simulated import Body, scene

from athwart.boat import Boat
from athwart.errors import DataError, FileError, UsageError
from athwart.fix import fix
from athwart.frame.bottom import track_bottom
from athwart.frame.geotiff import write_geotiff
from athwart.frame.layout import Layout
from athwart.frame.mosaic import mosaic
from athwart.frame.overlay import overlay
from athwart.frame.picks import to_picks
from athwart.frame.pixels import points
from athwart.frame.strip import place_strip
from athwart.frame.when import Moment
from athwart.tables import Track

COLUMNS = 400
RANGE_M = 30.0
SCALE = RANGE_M / COLUMNS
NEWEST = np.datetime64("2031-06-01T10:05:00", "us")
BACKGROUND = 0.2
SIGN = {"port": -1.0, "starboard": 1.0}

TO_EARTH = pyproj.Transformer.from_crs(4979, 4978, always_xy=True)


class Ground:
    """A tangent plane on the ellipsoid, through Earth-centred coordinates (EPSG 4978)."""

    def __init__(self, lon, lat):
        a, b = np.radians(lon), np.radians(lat)
        self.zero = np.array(TO_EARTH.transform(lon, lat, 0.0))
        self.east = np.array([-np.sin(a), np.cos(a), 0.0])
        self.north = np.array([-np.sin(b) * np.cos(a), -np.sin(b) * np.sin(a), np.cos(b)])

    def lonlat(self, east, north):
        at = self.zero + np.multiply.outer(east, self.east) + np.multiply.outer(north, self.north)
        return TO_EARTH.transform(*np.moveaxis(at, -1, 0), direction="INVERSE")[:2]


class Run:
    """A boat's way in that plane: course over time, seconds before the newest line."""

    def __init__(
        self, lon=10.0, lat=55.0, course=0.0, turn=0.0, speed=2.0, seconds=60, hz=1, crab=0.0
    ):
        self.ground, self.speed, self.turn, self.crab = Ground(lon, lat), speed, turn, crab
        self.course0 = course
        self.seconds, self.hz = seconds, hz

    def course(self, back):
        return np.radians(self.course0 - self.turn * np.asarray(back, float))

    def antenna(self, back):
        """East and north, by the closed form of an arc."""
        back, w = np.asarray(back, float), np.radians(self.turn)
        c0, c = self.course(0.0), self.course(back)
        if w == 0:
            return -self.speed * back * np.sin(c0), -self.speed * back * np.cos(c0)
        return (
            self.speed / w * (np.cos(c0) - np.cos(c)),
            self.speed / w * (np.sin(c) - np.sin(c0)),
        )

    def seabed(self, back, side, ground_range, lever=(0.0, 0.0)):
        """Where a ground range lies on a line, east and north."""
        e, n = self.antenna(back)
        h = self.course(back) + np.radians(self.crab)
        across = lever[1] + SIGN[side] * ground_range
        return e + lever[0] * np.sin(h) + across * np.cos(h), n + lever[0] * np.cos(
            h
        ) - across * np.sin(h)

    def track(self, **more):
        back = np.arange(self.seconds + 20.0, -6.0, -1.0 / self.hz)
        lon, lat = self.ground.lonlat(*self.antenna(back))
        heading = np.degrees(self.course(back)) + self.crab
        columns = {
            "lon": lon, "lat": lat, "heading_deg": heading % 360.0,
            "time": NEWEST - np.rint(back * 1e6).astype("timedelta64[us]"),
            "speed_mps": np.full(len(back), self.speed),
        }  # fmt: skip
        return Track.from_columns({**columns, **more})


def layout_of(lines, **changes):
    values = {
        "width_px": 2 * COLUMNS, "height_px": lines, "newest": "top", "centre_px": float(COLUMNS),
        "range_m": RANGE_M, "axis": "slant", "port_limit_px": 0.0,
        "starboard_limit_px": 2.0 * COLUMNS, "seconds_per_line": 0.1,
    }  # fmt: skip
    values.update(changes)
    return Layout(**values)


def picture(lines, points=(), background=BACKGROUND):
    """A screen with bright pixels at (side, line, column); the rest is all but even."""
    image = np.full((lines, 2 * COLUMNS), background, np.float32)
    image[:, ::2] += 0.01
    for side, line, column in points:
        image[line, COLUMNS + column if side == "starboard" else COLUMNS - 1 - column] = 1.0
    return image


def level(lines, altitude=6.0):
    return SimpleNamespace(range_m={s: np.full(lines, altitude) for s in SIGN})


def ground_range(column, altitude=6.0, scale=SCALE):
    return np.sqrt(((column + 0.5) * scale) ** 2 - altitude**2)


def placed(run, points=(), lines=400, boat=None, image=None, track=None, layout=None, **options):
    layout = layout or layout_of(lines)
    image = picture(lines, points) if image is None else image
    bottom = options.pop("bottom", level(lines))
    time = options.pop("newest", NEWEST)
    return place_strip(
        layout.sides(image),
        layout,
        bottom,
        run.track() if track is None else track,
        boat,
        time,
        **options,
    )


def bright(strip, lon, lat, reach=9):
    """How far, in pixels, the middle of the brightness lies from a place."""
    row, column = (float(v) for v in strip.pixel_of(lon, lat))
    r, c = int(row), int(column)
    rows, columns = slice(max(r - reach, 0), r + reach + 1), slice(max(c - reach, 0), c + reach + 1)
    excess = np.maximum(strip.echo[rows, columns] / 255.0 - BACKGROUND - 0.1, 0.0)
    assert excess.sum() > 0.5, "there is no bright pixel near the place"
    i, j = np.indices(excess.shape)
    middle = (excess * (i + rows.start + 0.5)).sum(), (excess * (j + columns.start + 0.5)).sum()
    return np.hypot(middle[0] / excess.sum() - row, middle[1] / excess.sum() - column)


POINTS = [
    ("port", 40, 130), ("starboard", 40, 130), ("port", 200, 250), ("starboard", 200, 385),
    ("starboard", 355, 170), ("port", 360, 300),
]  # fmt: skip
PLACES = [
    (10.0, 55.0),
    (-24.0, -47.0),
    (20.3, 70.0),
    (180.0, -17.0),
    (-179.9999, 52.0),
    (33.0, 89.2),
    (5.0, -86.0),
]


@pytest.mark.parametrize(("lon", "lat"), PLACES)
@pytest.mark.parametrize("course", [0.0, 137.0, 271.0])
def test_bright_points_fall_where_geocentric_arithmetic_puts_them(lon, lat, course):
    run = Run(lon, lat, course)
    strip = placed(run, POINTS)
    for side, line, column in POINTS:
        lon_t, lat_t = run.ground.lonlat(*run.seabed(line * 0.1, side, ground_range(column)))
        assert bright(strip, lon_t, lat_t) < 1.0


@pytest.mark.parametrize("turn", [-4.0, 1.5])
@pytest.mark.parametrize("smooth_s", [0.0, 1.5])
def test_points_fall_into_place_in_a_turn(turn, smooth_s):
    # Points that no nearer look of the same turn covers: the outer side, or not far out.
    run = Run(course=80.0, turn=turn, hz=5)
    outer = "starboard" if turn < 0 else "port"
    inner = "port" if turn < 0 else "starboard"
    points = [(outer, 60, 130), (outer, 200, 380), (inner, 210, 130), (inner, 330, 150)]
    strip = placed(run, points, smooth_s=smooth_s)
    for side, line, column in points:
        at = run.ground.lonlat(*run.seabed(line * 0.1, side, ground_range(column)))
        assert bright(strip, *at) < 1.0


def test_lever_arm_clock_and_crab_are_heeded():
    run = Run(course=215.0, crab=12.0)
    boat = Boat(lever_forward_m=-3.0, lever_starboard_m=0.8, clock_offset_s=-2.0)
    strip = placed(run, POINTS, boat=boat, newest=NEWEST + np.timedelta64(2, "s"))
    for side, line, column in POINTS:
        at = run.seabed(line * 0.1, side, ground_range(column), (-3.0, 0.8))
        assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def test_sides_that_the_boat_shows_exchanged_are_put_right():
    run = Run()
    strip = placed(run, [("port", 200, 250)], boat=Boat(sides_exchanged=True))
    at = run.seabed(20.0, "starboard", ground_range(250))
    assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def test_sound_speed_stretches_range_and_altitude_alike():
    run = Run()
    strip = placed(run, [("port", 200, 250)], boat=Boat(water_sound_mps=1455.0))
    at = run.seabed(20.0, "port", 0.97 * ground_range(250))
    assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def test_without_a_heading_the_course_stands_in():
    run = Run(course=300.0)
    track = run.track(heading_deg=np.full(86, np.nan))
    strip = placed(run, POINTS, track=track)
    at = run.seabed(20.0, "starboard", ground_range(385))
    assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def test_lines_by_distance_lie_where_the_way_made_good_puts_them():
    run = Run(course=40.0)
    layout = layout_of(400, seconds_per_line=None, metres_per_line=0.15)
    strip = placed(run, POINTS, layout=layout)
    for side, line, column in POINTS:
        at = run.seabed(line * 0.15 / 2.0, side, ground_range(column))
        assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def test_picks_and_strips_of_lines_by_distance_lie_in_one_place():
    """The boat turns, lies still for 8 s, and goes on."""
    run = Run(course=40.0, turn=1.0, seconds=90)
    back = np.arange(100.0, -5.0, -1.0)
    way = 2.0 * np.where(back > 30, back - 8, np.where(back > 22, 22.0, back))
    lon, lat = run.ground.lonlat(*run.antenna(way / 2.0))
    track = Track.from_columns(
        {
            "time": NEWEST - (back * 1e6).astype("timedelta64[us]"),
            "lon": lon,
            "lat": lat,
            "heading_deg": np.degrees(run.course(way / 2.0)) % 360.0,
            "speed_mps": np.where((back > 22) & (back <= 30), 0.0, 2.0),
        }
    )
    layout = layout_of(400, seconds_per_line=None, metres_per_line=0.25)
    marks = [("starboard", line, 300) for line in (30, 170, 230, 370)]
    strip = placed(run, marks, layout=layout, track=track, smooth_s=0.0)
    bottom = level(400)
    at = [layout.pixel_of(s, k, (c + 0.5) * SCALE) for s, k, c in marks]
    picks = to_picks(
        points(layout, None, at),
        Moment(time=NEWEST, sigma_s=0.0, source="typed"),
        track=track,
        depth_m=bottom.range_m["port"][0],
    )
    fixed = fix(picks, track=track, method="picture").sightings
    for lon_p, lat_p in zip(fixed.lon, fixed.lat, strict=True):
        assert bright(strip, lon_p, lat_p) < 1.0


@pytest.mark.parametrize("newest", ["bottom", "left", "right"])
def test_every_newest_edge_gives_the_same_strip(newest):
    run = Run(course=25.0)
    image = picture(400, POINTS)
    plain = placed(run, image=image)
    across = {"port_limit_px": 0.0, "starboard_limit_px": 2.0 * COLUMNS}
    size = {"width_px": 2 * COLUMNS, "height_px": 400}
    if newest != "bottom":
        size = {"width_px": 400, "height_px": 2 * COLUMNS}
    turned = {"bottom": image[::-1], "left": image.T, "right": image.T[:, ::-1]}[newest]
    other = placed(run, image=turned, layout=layout_of(400, newest=newest, **across, **size))
    np.testing.assert_array_equal(other.echo, plain.echo)
    np.testing.assert_array_equal(other.range_m, plain.range_m)


def test_ground_axis_is_taken_as_it_is():
    run = Run()
    strip = placed(run, POINTS, layout=layout_of(400, axis="ground"), bottom=None)
    for side, line, column in POINTS:
        at = run.seabed(line * 0.1, side, (column + 0.5) * SCALE)
        assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def test_range_changed_within_the_frame():
    run = Run()
    layout = layout_of(400, range_changes=[{"line": 100, "range_m": 20.0}])
    strip = placed(run, POINTS, layout=layout)
    for side, line, column in POINTS:
        scale = SCALE if line < 100 else 20.0 / COLUMNS
        at = run.seabed(line * 0.1, side, ground_range(column, scale=scale))
        assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def test_altitude_of_each_line_and_side_counts():
    run = Run()
    h = {"port": np.linspace(4.0, 8.0, 400), "starboard": np.linspace(9.0, 5.0, 400)}
    strip = placed(run, POINTS, bottom=SimpleNamespace(range_m=h))
    for side, line, column in POINTS:
        at = run.seabed(line * 0.1, side, ground_range(column, h[side][line]))
        assert bright(strip, *run.ground.lonlat(*at)) < 1.0


def looks_at(run, lines, east, north, near, far):
    """Lines that see a place, as (ground range, line between two): plane geometry, one by one."""
    back = np.arange(lines) * 0.1
    e, n = run.antenna(back)
    h = run.course(back)
    along = (east - e) * np.sin(h) + (north - n) * np.cos(h)
    across = (east - e) * np.cos(h) - (north - n) * np.sin(h)
    found = []
    for i in np.flatnonzero(along[:-1] * along[1:] <= 0):
        part = along[i] / (along[i] - along[i + 1])
        g = abs(across[i] + part * (across[i + 1] - across[i]))
        if across[i] * across[i + 1] > 0 and near < g < far:
            found.append((g, i + part))
    return sorted(found)


def test_in_a_sharp_turn_the_nearer_look_stands_and_nothing_is_smeared():
    # 10 degrees a second at 2 m/s: a circle of 11 m radius within a swath of 29 m.
    run, lines = Run(course=0.0, turn=10.0, hz=5), 300
    image = np.repeat(np.linspace(0.1, 0.9, lines, dtype=np.float32)[:, None], 2 * COLUMNS, 1)
    image[:, ::2] += 0.004  # an even line would be a blank one
    strip = placed(run, image=image, lines=lines, layout=layout_of(lines), smooth_s=0.0)
    near, far = np.sqrt((6.0 + 2 * SCALE) ** 2 - 36.0), ground_range(COLUMNS - 1)
    rng = np.random.default_rng(3)
    plane = pyproj.Transformer.from_crs(4326, strip.epsg, always_xy=True)
    x0, y0 = plane.transform(10.0, 55.0)
    x1, y1 = plane.transform(*run.ground.lonlat(0.0, 1000.0))
    north = np.array([x1 - x0, y1 - y0]) / 1000.0
    east = np.array([north[1], -north[0]])
    back = np.linalg.inv(np.stack([east, north], axis=1))
    seen = crossed = 0
    for row, column in zip(
        rng.integers(0, strip.echo.shape[0], 1500), rng.integers(0, strip.echo.shape[1], 1500),
        strict=True,
    ):  # fmt: skip
        at = np.array([strip.left_m + (column + 0.5) * SCALE, strip.top_m - (row + 0.5) * SCALE])
        e, n = back @ (at - [x0, y0])
        looks = looks_at(run, lines, e, n, near + 0.3, far - 0.3)
        edge = looks_at(run, lines, e, n, near - 0.3, far + 0.3)
        if not edge:
            assert not strip.mask[row, column]
        if len(looks) != len(edge) or not looks:
            continue
        seen += 1
        crossed += len(looks) > 1
        g, line = looks[0]
        assert strip.range_m[row, column] == pytest.approx(g, abs=0.1)
        if len(looks) == 1 or looks[1][0] - g > 0.2:
            grey = 0.1 + 0.8 * line / (lines - 1) + 0.002
            assert strip.echo[row, column] / 255.0 == pytest.approx(grey, abs=0.01)
    assert seen > 300
    assert crossed > 50


def test_lines_too_far_apart_leave_the_room_between_them_empty():
    run = Run(course=0.0, turn=60.0, hz=5)  # six degrees from line to line
    strip = placed(run, lines=40, layout=layout_of(40), smooth_s=0.0)
    far_out = strip.mask & (strip.range_m > 20.0)
    assert not far_out.any()
    assert (strip.mask & (strip.range_m < 8.0)).any()


def test_what_was_not_seen_stays_empty():
    run = Run()
    image = picture(400)
    image[100:110] = 0.3  # blank
    bottom = level(400)
    bottom.range_m["port"][200:210] = np.nan
    strip = placed(run, image=image, bottom=bottom)

    def seen(line, side, g):
        row, column = strip.pixel_of(*run.ground.lonlat(*run.seabed(line * 0.1, side, g)))
        return bool(strip.mask[int(row), int(column)])

    assert not seen(104, "port", 10.0)
    assert not seen(104, "starboard", 10.0)
    assert not seen(204, "port", 10.0)
    assert seen(204, "starboard", 10.0)
    assert not seen(300, "port", 0.5)
    assert not seen(300, "starboard", 0.5)
    assert seen(300, "port", 28.0)
    assert (strip.echo[~strip.mask] == 0).all()
    parts = shapely.get_parts(strip.outline)
    assert len(parts) == 5  # three on the port side, two to starboard
    assert not strip.outline.contains(shapely.Point(run.ground.lonlat(*run.antenna(30.0))))


def test_a_gap_of_the_track_stays_empty_and_is_told():
    run = Run()
    track = run.track()
    back = (NEWEST - track.time) / np.timedelta64(1, "s")
    strip = placed(run, track=track.take(np.flatnonzero((back < 10) | (back > 25))))
    assert any("are not on the track" in w for w in strip.words)
    row, column = strip.pixel_of(*run.ground.lonlat(*run.seabed(17.0, "port", 10.0)))
    assert not strip.mask[int(row), int(column)]
    row, column = strip.pixel_of(*run.ground.lonlat(*run.seabed(30.0, "port", 10.0)))
    assert strip.mask[int(row), int(column)]


@pytest.mark.parametrize("turn", [0.0, 10.0])
@pytest.mark.parametrize("lon", [10.0, 180.0])
def test_the_outline_is_what_was_seen(turn, lon):
    run = Run(lon, 40.0, 30.0, turn, hz=5)
    strip = placed(run)
    geod = pyproj.Geod(ellps="WGS84")
    area, _ = geod.geometry_area_perimeter(strip.outline)
    assert abs(area) == pytest.approx(strip.mask.sum() * strip.pixel_m**2, rel=0.02)
    west, _, east, _ = strip.outline.bounds
    assert east - west < 0.01
    assert strip.outline.is_valid


def test_smoothing_takes_the_jitter_and_keeps_the_turn():
    run = Run(turn=3.0, hz=5)
    rng = np.random.default_rng(8)
    plain = run.track()
    noisy = replace(plain, heading_deg=(plain.heading_deg + rng.normal(0, 2.0, len(plain))) % 360)
    points = [("port", 200, 385)]
    at = run.ground.lonlat(*run.seabed(20.0, "port", ground_range(385)))
    exact = placed(run, points, track=plain, smooth_s=1.5)
    assert bright(exact, *at) < 1.0
    smooth = placed(run, points, track=noisy, smooth_s=1.5)
    assert bright(smooth, *at, reach=20) < 0.5 / SCALE


def test_large_strips_get_larger_pixels_and_say_so():
    run = Run(course=45.0)
    strip = placed(run, max_pixels=100_000)
    assert strip.echo.size <= 110_000
    assert strip.pixel_m > SCALE
    assert any("its pixels are" in w for w in strip.words)


REFUSED = [
    ({"layout": layout_of(400, seconds_per_line=None)}, "how much time or distance a line takes"),
    ({"bottom": None}, "how deep the water is on the (port|starboard) side"),
    (
        {"newest": NEWEST + np.timedelta64(1, "D")},
        "no line of the frame can be placed on the track",
    ),
    ({"newest": np.datetime64("NaT", "us")}, "when the newest line was drawn"),
    ({"image": np.full((400, 2 * COLUMNS), 0.5, np.float32)}, "all of it is blank"),
    ({"bottom": level(400, np.nan)}, "no bottom is known"),
    ({"pixel_m": 0.0}, "the pixel size is 0.0 m"),
]


@pytest.mark.parametrize(("options", "words"), REFUSED)
def test_what_cannot_be_placed_is_refused_in_a_sentence(options, words):
    with pytest.raises((DataError, UsageError), match=words):
        placed(Run(), **options)


# ---- the simulator, which shares nothing with the package ------------------------------------

PATCHES = [
    ("port", 150, 14.0),
    ("port", 450, 22.0),
    ("starboard", 300, 18.0),
    ("starboard", 700, 27.0),
]
SEAS = [
    (1, {}),
    (2, {"turn": "gentle"}),
    (3, {"turn": "sharp", "newest": "left"}),
    (4, {"crab_deg": 8.0, "mirrored": True, "axis": "ground"}),
    (5, {"lat": 70.0, "lon": 20.3}),
    (6, {"lat": -17.0, "lon": 180.0, "newest": "bottom"}),
    (7, {"range_changes": ((500, 30.0),), "per_line": "metres"}),
]


@pytest.mark.parametrize(("seed", "options"), SEAS)
def test_hard_patches_of_a_simulated_seabed_lie_at_their_true_place(seed, options):
    bodies = tuple(
        Body(kind="patch", side=side, line=line, ground_m=g, length_m=1.2, width_m=1.2, height_m=0.0,
             strength=14.0)
        for side, line, g in PATCHES
    )  # fmt: skip
    sea = scene(seed, bodies=bodies, **options)
    layout = Layout.from_toml(sea.layout_toml)
    sides = layout.sides(sea.straight / np.float32(255.0))
    bottom = track_bottom(sides) if layout.axis == "slant" else None
    boat = Boat(lever_forward_m=sea.lever["forward_m"], lever_starboard_m=sea.lever["starboard_m"])
    assert len(sea.targets) >= 3
    for name, track in (("true", sea.true_track), ("noisy", sea.track)):
        strip = place_strip(sides, layout, bottom, Track.from_columns(track), boat, sea.newest_time)
        for target in sea.targets:
            east, north = brightest(
                strip, target["lon"], target["lat"], 2.0 if name == "true" else 9.0
            )
            if name == "true":
                assert np.hypot(east, north) < 0.3
                continue
            # Beyond the trip's common error: the receiver's jitter and the compass, 3.5 sigma.
            own = np.hypot(
                sea.options.jitter_m,
                target["ground_range_m"] * np.radians(sea.options.heading_error_deg),
            )
            assert np.hypot(east - sea.shared_error_m[0], north - sea.shared_error_m[1]) < 3.5 * own


def brightest(strip, lon, lat, reach_m):
    """East and north from a place to the middle of the brightest spot around it, metres."""
    row, column = (float(v) for v in strip.pixel_of(lon, lat))
    k = int(reach_m / strip.pixel_m)
    r, c = max(int(row) - k, 0), max(int(column) - k, 0)
    window = strip.echo[r : int(row) + k + 1, c : int(column) + k + 1].astype(float)
    window = gaussian_filter(window, 0.3 / strip.pixel_m)
    weight = np.maximum(window - 0.8 * window.max(), 0.0)
    i, j = np.indices(weight.shape)
    down = (weight * (i + r + 0.5)).sum() / weight.sum() - row
    right = (weight * (j + c + 0.5)).sum() / weight.sum() - column
    return right * strip.pixel_m, -down * strip.pixel_m


# ---- mosaic ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two():
    """Two strips side by side that overlap, one dark and one light."""
    first = Run(course=0.0)
    second = Run(course=180.0)
    second.ground = Ground(*first.ground.lonlat(25.0, -80.0))
    dark = placed(first, image=picture(400, background=0.2))
    light = placed(second, image=picture(400, background=0.8), epsg=dark.epsg)
    return dark, light


def at_same_place(strip, other):
    """Arrays of a strip on another's pixels; a mosaic has no empty rim."""
    rows = np.arange(other.echo.shape[0]) + round((strip.top_m - other.top_m) / strip.pixel_m)
    columns = np.arange(other.echo.shape[1]) + round((other.left_m - strip.left_m) / strip.pixel_m)
    i, j = np.ix_(rows, columns)
    known = (i >= 0) & (i < strip.echo.shape[0]) & (j >= 0) & (j < strip.echo.shape[1])
    i, j = np.where(known, i, 0), np.where(known, j, 0)
    return np.where(known, strip.echo[i, j], 0), np.where(known, strip.range_m[i, j], np.inf)


def test_in_a_mosaic_the_nearer_look_stands_whatever_the_order(two):
    dark, light = two
    both, turned = mosaic(two), mosaic(iter((light, dark)))
    np.testing.assert_array_equal(both.echo, turned.echo)
    echo, near = at_same_place(both, dark)
    assert (near <= dark.range_m).all()
    own = dark.mask & (near == dark.range_m)
    np.testing.assert_array_equal(echo[own], dark.echo[own])
    assert (echo[dark.mask & (near < dark.range_m)] > 150).all()
    assert 0.2 < own.sum() / dark.mask.sum() < 0.95
    union = shapely.union_all([dark.outline, light.outline])
    assert both.outline.area == pytest.approx(union.area, rel=1e-6)


def test_blended_looks_lie_between_and_lean_to_the_nearer(two):
    dark, _ = two
    both = mosaic(two, mode="blend")
    echo, _ = at_same_place(both, dark)
    whole = mosaic(two)
    _, near = at_same_place(whole, dark)
    over = dark.mask & (near < dark.range_m)
    assert ((echo[over] > 50) & (echo[over] <= 210)).all()
    assert echo[over].mean() > 127  # the light one is the nearer there
    alone = placed(Run(), POINTS)
    np.testing.assert_allclose(
        at_same_place(mosaic([alone], "blend"), alone)[0], alone.echo, atol=1
    )


@pytest.mark.parametrize("mode", ["nearest", "blend"])
def test_strips_of_another_grid_are_brought_into_the_first(mode):
    run = Run(12.0, 50.0)  # on the border of zones 32 and 33
    first = placed(run, lines=50, layout=layout_of(50), epsg=32632)
    second = placed(run, POINTS, epsg=32633, pixel_m=0.06)
    both = mosaic([first, second], mode)
    assert both.epsg == 32632
    side, line, column = POINTS[3]
    at = run.seabed(line * 0.1, side, ground_range(column))
    assert bright(both, *run.ground.lonlat(*at)) < 1.0
    assert both.mask.sum() == pytest.approx(
        second.mask.sum() * (0.06 / both.pixel_m) ** 2, rel=0.02
    )


def test_a_mosaic_across_the_180th_meridian_has_one_outline():
    runs = [Run(180.0, -17.0, course=90.0), Run(-179.9995, -17.0, course=90.0)]
    both = mosaic([placed(r) for r in runs])
    west, _, east, _ = both.outline.bounds
    assert east - west < 0.01


def test_mosaics_that_cannot_be_are_refused(two):
    with pytest.raises(DataError, match="there is no strip"):
        mosaic([])
    with pytest.raises(UsageError, match="allowed are nearest, blend"):
        mosaic(two, "mean")
    with pytest.raises(DataError, match="would hold more than 1,000 pixels"):
        mosaic(two, max_pixels=1000)


# ---- GeoTIFF --------------------------------------------------------------------------------


@pytest.mark.parametrize(("lon", "lat"), [(20.3, 70.0), (180.0, -17.0), (33.0, 89.2)])
def test_a_geotiff_read_back_lies_where_the_strip_lies(tmp_path, lon, lat):
    run = Run(lon, lat, 60.0)
    strip = placed(run, POINTS)
    path = tmp_path / "strip.tif"
    write_geotiff(path, strip, title="Trial bank")
    with rasterio.open(path) as file:
        assert (file.count, file.profile["tiled"], file.profile["compress"]) == (2, True, "deflate")
        assert file.crs.to_epsg() == strip.epsg
        assert file.overviews(1)
        tags = file.tags()
        grey, alpha = file.read()
        side, line, column = POINTS[3]
        east, north = run.seabed(line * 0.1, side, ground_range(column))
        window = np.argwhere(grey > 110)
        x, y = file.xy(window[:, 0], window[:, 1])  # pixel centres
        lon_p, lat_p = pyproj.Transformer.from_crs(file.crs, 4326, always_xy=True).transform(x, y)
    np.testing.assert_array_equal(grey, strip.echo)
    np.testing.assert_array_equal(alpha == 255, strip.mask)
    np.testing.assert_array_equal(alpha == 0, ~strip.mask)
    assert "Not for navigation" in tags["TIFFTAG_IMAGEDESCRIPTION"]
    assert tags["TIFFTAG_IMAGEDESCRIPTION"].startswith("Trial bank")
    lon_t, lat_t = run.ground.lonlat(east, north)
    _, _, away = pyproj.Geod(ellps="WGS84").inv(
        lon_p, lat_p, np.full(len(lon_p), lon_t), np.full(len(lon_p), lat_t)
    )
    assert away.min() < 1.5 * strip.pixel_m


def test_a_geotiff_is_not_overwritten_without_asking_and_leaves_no_rest(tmp_path, two):
    path = tmp_path / "strip.tif"
    path.write_bytes(b"mine")
    with pytest.raises(FileError, match="the file exists"):
        write_geotiff(path, two[0])
    assert path.read_bytes() == b"mine"
    write_geotiff(path, two[0], overwrite=True)
    assert [p.name for p in tmp_path.iterdir()] == ["strip.tif"]
    with pytest.raises(FileError, match="does not exist"):
        write_geotiff(tmp_path / "none" / "strip.tif", two[0])


# ---- overlay --------------------------------------------------------------------------------


@pytest.mark.parametrize(("lon", "lat"), [(10.0, 55.0), (20.3, 70.0), (180.0, -17.0)])
def test_the_overlay_lies_true_on_a_mercator_map(lon, lat):
    run = Run(lon, lat, 33.0)
    point = ("starboard", 200, 250)
    strip = placed(run, [point])
    png, (west, south, east, north) = overlay(strip, max_pixels=4_000_000)
    image = Image.open(BytesIO(png))
    shown = np.asarray(image.convert("LA"))
    assert east > west
    # A web map stretches the picture evenly between its edges in EPSG 3857.
    to_map = pyproj.Transformer.from_crs(4326, 3857, always_xy=True)
    lon_t, lat_t = run.ground.lonlat(*run.seabed(20.0, "starboard", ground_range(250)))
    lon_t = west + (lon_t - west) % 360.0
    down = [to_map.transform(0.0, v)[1] for v in (north, lat_t, south)]
    row = (down[0] - down[1]) / (down[0] - down[2]) * shown.shape[0]
    column = (lon_t - west) / (east - west) * shown.shape[1]
    r, c = int(row), int(column)
    box = shown[r - 9 : r + 10, c - 9 : c + 10, 0].astype(float)
    box = np.maximum(box - 90.0, 0.0)
    i, j = np.indices(box.shape)
    assert (
        np.hypot(
            (box * (i + r - 8.5)).sum() / box.sum() - row,
            (box * (j + c - 8.5)).sum() / box.sum() - column,
        )
        < 1.0
    )
    seen = strip.mask.mean() * strip.echo.size * strip.pixel_m**2
    metres = np.radians(east - west) * 6378137.0 * np.cos(np.radians(lat)) / shown.shape[1]
    assert (shown[..., 1] == 255).sum() * metres**2 == pytest.approx(seen, rel=0.03)
    assert set(np.unique(shown[..., 1])) == {0, 255}


def test_the_overlay_is_held_to_its_size():
    strip = placed(Run(course=45.0))
    png, _ = overlay(strip, max_pixels=50_000)
    assert np.prod(Image.open(BytesIO(png)).size) <= 50_000
    assert len(png) < 30_000


def test_overlays_that_cannot_be_are_refused():
    with pytest.raises(DataError, match="ends at 85 degrees"):
        overlay(placed(Run(33.0, 89.2)))
    strip = placed(Run(), lines=50, layout=layout_of(50))
    with pytest.raises(DataError, match="the strip is empty"):
        overlay(replace(strip, range_m=np.full_like(strip.range_m, np.inf)))
