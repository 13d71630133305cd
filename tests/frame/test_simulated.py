"""The simulator of frames against closed forms and a geodetic library, before it judges anything.

The closed forms are derived beside each check: plane geometry, no source needed.
"""

import ast
import math
import tomllib
from pathlib import Path

import numpy as np
import pyproj
import pytest
import simulated
from scipy.ndimage import map_coordinates
from simulated import SCENES, SIGN, Body, hard_scene, scene

PLAIN = {
    "lines": 120,
    "columns": 400,
    "relief_m": 0.0,
    "ripple_m": 0.0,
    "yaw_deg": 0.0,
    "heave_m": 0.0,
}
ECEF = pyproj.Transformer.from_crs(4979, 4978, always_xy=True)
GEOD = pyproj.Geod(ellps="WGS84")


def apart(a, b):
    """Straight-line metres between two (lon, lat, height)."""
    return float(np.linalg.norm(np.subtract(ECEF.transform(*a), ECEF.transform(*b))))


def transducer(frame, line):
    return tuple(float(frame.line_truth[k][line]) for k in ("lon", "lat", "z_m"))


def test_it_leans_on_nothing_that_it_is_to_judge():
    tree = ast.parse(Path(simulated.__file__).read_text(encoding="utf-8"))
    names = [n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)]
    names += [a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names]
    assert not [n for n in names if n.startswith("athwart")]


def test_first_return_over_a_flat_bottom_is_the_depth():
    frame = scene(1, **PLAIN, depth_m=9.0, bodies=())
    for side in ("port", "starboard"):
        np.testing.assert_allclose(frame.first_return_m[side], 9.0, atol=1e-4)


@pytest.mark.parametrize("slope", [-10.0, -4.0, 3.0, 10.0])
def test_first_return_over_a_slope_across(slope):
    """h on the falling side and h cos s on the rising one.

    Derivation: in the across plane the seabed is the line z = -h - g tan s, g to the falling side. The
    point nearest to the transducer lies at g = -h sin s cos s, h cos s away, on the rising side; on
    the falling side the range grows from g = 0 on, where it is h.
    """
    frame = scene(2, **PLAIN, bottom="slope", slope_deg=slope, bodies=())
    h = frame.water_depth_m
    falling, rising = ("starboard", "port") if slope > 0 else ("port", "starboard")
    np.testing.assert_allclose(frame.first_return_m[falling], h, atol=3e-3)
    np.testing.assert_allclose(
        frame.first_return_m[rising], h * math.cos(math.radians(slope)), atol=1e-3
    )
    # The lever arm puts the transducer 0.6 m to starboard of the middle of the seabed.
    np.testing.assert_allclose(h, 11.0 + 0.6 * math.tan(math.radians(slope)), atol=1e-6)


def test_a_slope_along_changes_the_depth_and_not_the_sides():
    """Falling ahead: the newest line, farthest ahead, has the deepest water."""
    frame = scene(2, **PLAIN, bottom="slope", slope_deg=5.0, slope_towards_deg=0.0, bodies=())
    way = frame.options.speed_mps * frame.options.seconds_per_line * (frame.options.lines - 1)
    h = frame.water_depth_m
    assert h[0] - h[-1] == pytest.approx(way * math.tan(math.radians(5)), rel=1e-6)
    for side in ("port", "starboard"):
        np.testing.assert_allclose(frame.first_return_m[side], h, atol=1e-4)


def test_the_edge_of_the_bottom_is_drawn_where_the_first_return_is():
    frame = scene(3, **PLAIN, bottom="slope", slope_deg=8.0, ringing=False, bodies=())
    mean = frame.image.astype(float).mean(axis=0)
    for side in ("port", "starboard"):
        r = float(frame.first_return_m[side][60])
        x = frame.pixel_of(side, 60, r)[0]
        k = np.arange(400)
        outward = np.argsort(k) if side == "starboard" else np.argsort(-k)
        outward = outward[(outward + 0.5 - 200) * SIGN[side] > 0]
        level = mean[outward]
        edge = outward[np.flatnonzero(level > 0.5 * np.median(level[80:150]))[0]] + 0.5
        assert abs(edge - x) <= 1.5


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_a_boulders_shadow_ends_where_the_tangent_meets_the_bottom(side):
    """A dome's shadow on a flat bottom, and the height by similar triangles.

    Derivation: in the across plane the dome is the half ellipse (semi-axes a, H) about g0. The line
    z = h - m g touches it if (h - m g0)^2 = a^2 m^2 + H^2; the shallower root m is the last ray. It
    touches at height H^2 / (h - m g0) and meets the bottom at g = h / m. With ranges t to the touch and e
    to the end along that ray, similar triangles give the touched height as h (e - t) / e.
    """
    h, g0, a, top = 11.0, 22.0, 0.6, 1.1
    body = Body(
        kind="boulder", side=side, line=60, ground_m=g0, length_m=1.8, width_m=1.2, height_m=top
    )
    frame = scene(4, **PLAIN, depth_m=h, bodies=(body,))
    (target,) = frame.targets
    aa, bb, cc = g0**2 - a**2, -2 * h * g0, h**2 - top**2
    m = (-bb - math.sqrt(bb**2 - 4 * aa * cc)) / (2 * aa)
    touched = top**2 / (h - m * g0)
    start = math.hypot(g0 + a**2 * m / (h - m * g0), h - touched)
    end = math.hypot(h / m, h)
    assert target["shadow_start_m"] == pytest.approx(start, abs=0.03)
    assert target["shadow_end_m"] == pytest.approx(end, abs=0.03)
    length = target["shadow_end_m"] - target["shadow_start_m"]
    assert h * length / target["shadow_end_m"] == pytest.approx(touched, abs=0.02)
    assert target["shadow_x1"] == frame.pixel_of(side, 60, target["shadow_end_m"])[0]
    # And it is dark there in the picture.
    x0, x1 = sorted((target["shadow_x0"], target["shadow_x1"]))
    dark = frame.image[60, math.ceil(x0 + 2) : int(x1 - 2)].mean()
    assert dark < 0.4 * frame.image[90:110, int(x0) : int(x1)].mean()


def test_a_shadow_past_the_range_limit_is_not_told():
    body = Body(kind="boulder", side="port", line=60, ground_m=36.0, height_m=1.5)
    (target,) = scene(4, **PLAIN, bodies=(body,)).targets
    assert math.isnan(target["shadow_x0"])
    assert math.isnan(target["shadow_end_m"])


@pytest.mark.parametrize("newest", ["top", "bottom", "left", "right"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_targets_pixel_from_its_distance_in_space(newest, mirrored):
    """Range and side from earth-centred coordinates and the geodesic's azimuth (PROJ)."""
    frame = scene(
        5,
        lines=500,
        columns=600,
        turn="gentle",
        lon=30.0,
        lat=70.0,
        newest=newest,
        mirrored=mirrored,
    )
    assert len(frame.targets) >= 4
    for target in frame.targets:
        line, side = target["line"], target["side"]
        here = transducer(frame, line)
        range_m = apart(here, (target["lon"], target["lat"], target["top_z_m"]))
        assert range_m == pytest.approx(target["slant_range_m"], abs=0.002)
        azimuth = GEOD.inv(*here[:2], target["lon"], target["lat"])[0]
        to = (azimuth - frame.line_truth["heading_deg"][line]) % 360
        assert to == pytest.approx(90.0 if side == "starboard" else 270.0, abs=0.05)
        columns = range_m / (frame.layout["range_m"] / 300.0)
        across = 300.0 + columns * (1 if (side == "starboard") != mirrored else -1)
        along = line + 0.5 if newest in ("top", "left") else 500 - line - 0.5
        want = (across, along) if newest in ("top", "bottom") else (along, across)
        np.testing.assert_allclose((target["x"], target["y"]), want, atol=0.05)
        limit = frame.layout[f"{side}_limit_px"]
        assert (limit - frame.layout["centre_px"]) * (across - 300.0) > 0


@pytest.mark.parametrize(
    "options",
    [
        {"newest": "right", "mirrored": True},
        {"newest": "bottom", "split": True},
        {"axis": "ground"},
        {"sound_true_mps": 1460.0},
        {"centre": 270.7},
        {"one_side": "port"},
        {"one_side": "starboard", "newest": "left"},
        {"range_changes": ((30, 55.0),)},
    ],
    ids=str,
)
def test_the_echo_is_drawn_at_the_pixel_told(options):
    """A small bright patch: the middle of what is bright lies within a pixel of the truth."""
    for side in (options["one_side"],) if "one_side" in options else ("port", "starboard"):
        patch = Body(
            kind="patch",
            side=side,
            line=70,
            ground_m=24.0,
            length_m=1.6,
            width_m=1.0,
            strength=60.0,
        )
        plain = {**PLAIN, "columns": 600, "looks": 40.0}
        frame = scene(6, **{**plain, **options, "bodies": (patch,)})
        bare = scene(6, **{**plain, **options, "bodies": ()})
        (target,) = frame.targets
        more = np.clip(frame.image.astype(float) - bare.image, 0, None)
        rows, cols = np.indices(more.shape) + 0.5
        more[np.hypot(rows - target["y"], cols - target["x"]) > 25] = 0
        x, y = (rows * 0 + cols)[more > 60].mean(), rows[more > 60].mean()
        assert abs(x - target["x"]) < 1.0
        assert abs(y - target["y"]) < 1.0


def test_the_transducer_is_a_lever_arm_from_the_antenna():
    frame = scene(7, **PLAIN, heading_deg=0.0, bodies=(), track_hz=5.0)
    track = frame.true_track
    seconds = (track["time"] - frame.newest_time) / np.timedelta64(1, "s")
    t = -np.arange(120) * frame.options.seconds_per_line
    lon, lat = np.interp(t, seconds, track["lon"]), np.interp(t, seconds, track["lat"])
    _, _, east = GEOD.inv(lon, lat, frame.line_truth["lon"], lat)
    _, _, north = GEOD.inv(lon, lat, lon, frame.line_truth["lat"])
    np.testing.assert_allclose(east, 0.6, atol=0.002)  # heading north: starboard is east
    np.testing.assert_allclose(north, 3.2, atol=0.002)
    assert (frame.line_truth["lat"] < lat).all()
    assert (frame.line_truth["lon"] > lon).all()


def test_the_older_the_line_the_earlier_the_boat_was_there():
    frame = scene(7, **PLAIN, bodies=())
    azimuth, _, way = GEOD.inv(*transducer(frame, 119)[:2], *transducer(frame, 0)[:2])
    assert (azimuth - frame.line_truth["heading_deg"][60] + 180) % 360 - 180 == pytest.approx(
        0, abs=0.1
    )
    assert way == pytest.approx(119 * 0.08 * 2.0, abs=0.01)


def test_a_mirrored_seabed_mirrors_the_first_return():
    one = scene(8, **PLAIN, bottom="slope", slope_deg=7.0, lever_starboard_m=0.0, bodies=())
    two = scene(8, **PLAIN, bottom="slope", slope_deg=-7.0, lever_starboard_m=0.0, bodies=())
    for a, b in (("port", "starboard"), ("starboard", "port")):
        np.testing.assert_allclose(one.first_return_m[a], two.first_return_m[b], atol=1e-4)
    assert abs(one.first_return_m["port"] - one.first_return_m["starboard"]).min() > 0.05


def test_a_screen_turned_or_mirrored_is_the_same_picture_turned():
    small = {"lines": 200, "columns": 300}
    up = scene(9, **small).image
    np.testing.assert_array_equal(scene(9, **small, mirrored=True).image, up[:, ::-1])
    np.testing.assert_array_equal(scene(9, **small, newest="bottom").image, up[::-1])
    np.testing.assert_array_equal(scene(9, **small, newest="left").image, up.T)
    np.testing.assert_array_equal(scene(9, **small, newest="right").image, up[::-1].T)


def test_the_same_seed_gives_the_same_bytes():
    one, two, other = (hard_scene(s, lines=200, columns=300) for s in (3, 3, 4))
    assert one.image.tobytes() == two.image.tobytes()
    np.testing.assert_array_equal(one.track["lon"], two.track["lon"])
    assert one.image.shape != other.image.shape or one.image.tobytes() != other.image.tobytes()


def test_a_photo_shows_the_screen_through_its_homography():
    frame = scene(10, lines=300, columns=400, photo_tilt_deg=30.0)
    h, w = frame.straight.shape
    ends = np.array([[0, 0], [w, 0], [w, h], [0, h]], float)

    def warped(p):
        q = np.column_stack([p, np.ones(len(p))]) @ frame.to_photo.T
        return q[:, :2] / q[:, 2:]

    np.testing.assert_allclose(warped(ends), frame.photo_corners, atol=1e-6)
    inner = np.random.default_rng(1).uniform(20, [w - 20, h - 20], (4000, 2))
    for step in ([1, 0], [0, 1], [0.7, 0.7], [0.7, -0.7]):
        longer = np.linalg.norm(warped(inner + step) - warped(inner), axis=1) / np.hypot(*step)
        assert longer.min() > 1.95  # photo pixels a screen pixel
    smooth = map_coordinates(frame.straight.astype(float), (inner[:, ::-1] - 0.5).T, order=1)
    there = map_coordinates(frame.image.astype(float), (warped(inner)[:, ::-1] - 0.5).T, order=1)
    right = np.corrcoef(smooth, there)[0, 1]
    aside = map_coordinates(
        frame.image.astype(float), (warped(inner + 1.0)[:, ::-1] - 0.5).T, order=1
    )
    assert right > 0.9
    assert right > np.corrcoef(smooth, aside)[0, 1] + 0.05
    for target in frame.targets:
        at = warped(np.array([[target["x"], target["y"]]]))[0]
        np.testing.assert_allclose((target["photo_x"], target["photo_y"]), at, atol=1e-6)


def test_hardships_are_there_and_are_told():
    frame = hard_scene(11, newest="top")
    lines = np.arange(frame.options.lines)
    blank = np.isnan(frame.first_return_m["port"])
    assert 6 <= blank.sum() < 0.2 * lines.size
    assert frame.bad_lines[blank].all()
    assert 0.75 < 1 - frame.bad_lines.mean() < 0.98
    assert np.median(frame.image[blank].astype(float)) == 0
    weak = frame.options.weak_side
    half = frame.image[~frame.bad_lines].astype(float)
    port, starboard = half[:, 100:350].mean(), half[:, 850:1100].mean()
    assert (port < starboard) == (weak == "port")
    lit = half[:, 598:602].mean()
    assert lit > 200  # the transmit pulse
    for target in frame.targets:
        assert not frame.bad_lines[target["line"]]


def test_a_wall_near_by_comes_before_the_bottom_below():
    """Vertical enough and near enough, the wall is the first return on its side alone."""
    nearer = 0
    for seed in range(8):
        frame = scene(seed, **PLAIN, bottom="wall", bodies=(), depth_m=14.0, range_m=40.0)
        port, starboard = frame.first_return_m["port"], frame.first_return_m["starboard"]
        np.testing.assert_allclose(port, frame.water_depth_m, atol=0.01)
        assert (starboard <= port + 1e-4).all()
        nearer += bool((starboard < port - 0.2).any())
    assert nearer


def test_errors_of_the_track_are_as_large_as_told():
    """70 tracks: the shared error 2.5 m an axis, the heading 3 degrees, within their sampling error."""
    shared, heading = [], []
    for seed in range(70):
        frame = scene(seed, lines=50, columns=40, bodies=(), ringing=False)
        shared.append(frame.shared_error_m)
        off = frame.track["heading_deg"] - frame.true_track["heading_deg"]
        heading.append(((off + 180) % 360 - 180)[20])
        _, _, way = GEOD.inv(
            frame.track["lon"], frame.track["lat"], frame.true_track["lon"], frame.true_track["lat"]
        )
        assert np.abs(way - math.hypot(*frame.shared_error_m)).max() < 5.0
    assert np.std(shared) == pytest.approx(2.5, rel=0.2)
    assert np.std(heading) == pytest.approx(3.0, rel=0.27)


@pytest.mark.parametrize("name", SCENES)
def test_every_scene_has_targets_within_reach_on_its_sides(name):
    frame = scene(12, **{**SCENES[name], "lines": 500, "range_changes": ()})
    o = frame.options
    assert len(frame.targets) >= 4
    assert {t["side"] for t in frame.targets} == set(o.sides)
    for target in frame.targets:
        h = float(frame.water_depth_m[target["line"]])
        assert 1.1 * h < target["slant_range_m"] < 0.95 * o.range_m
        assert 0 < target["x"] < frame.image.shape[1]
        assert 0 < target["y"] < frame.image.shape[0]
    assert tomllib.loads(frame.layout_toml) == frame.layout


def test_scenes_cover_every_bottom_and_slopes_to_ten_degrees():
    assert len(SCENES) == 20
    used = [simulated.Options(**o) for o in SCENES.values()]
    assert {o.bottom for o in used} == {"flat", "slope", "bank", "wall", "ledge"}
    assert {o.turn for o in used} == {"straight", "gentle", "sharp"}
    assert {o.newest for o in used} == {"top", "bottom", "left", "right"}
    assert max(o.slope_deg for o in used) == -min(o.slope_deg for o in used) == 10.0


def test_an_unknown_option_is_refused():
    with pytest.raises(TypeError, match="waves"):
        scene(1, waves=True)
    with pytest.raises(ValueError, match="newest is 'middle'; allowed"):
        scene(1, newest="middle")
