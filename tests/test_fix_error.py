"""What a fix says of its own error, against draws and sums written out here."""

import numpy as np
import pytest

from athwart.boat import Boat
from athwart.fix import fix
from athwart.geometry.geodesic import displace
from athwart.tables import Picks, Track
from athwart.uncertainty.budget import ErrorBudget

DRAWS = 400_000
START = np.datetime64("2026-03-01T06:00:00", "us")
AT = START + np.timedelta64(30, "s")
# Heading north, looking to starboard: what lies across is east, what lies along is north.
ONE = {
    "lon": 12.0, "lat": 55.0, "heading_deg": 0.0, "side": "starboard", "slant_range_m": 13.0,
    "depth_m": 5.0, "depth_below": "transducer",
}  # fmt: skip
BARE = {"gnss_own_m": 0.0, "lever_m": 0.0, "heading_deg": 0.0}


def place(boat=None, track=None, *, measured=False, in_water=False, **changes):
    values = {k: v for k, v in {**ONE, **changes}.items() if v is not None}
    return fix(
        Picks.from_columns(values), boat=boat, track=track, measured=measured, in_water=in_water
    ).sightings


def bare(**errors):
    """A boat of which only the errors across the track are left, in water of known sound speed."""
    return Boat(budget=ErrorBudget(**{**BARE, **errors}), water_sound_mps=1500.0)


def normal(seed, *sigmas):
    rng = np.random.default_rng(seed)
    return [s * rng.normal(size=DRAWS) for s in sigmas]


def along(r, h, slope):
    """Ground range of an echo from a plane bottom: the root of y^2 + (h + y t)^2 = r^2."""
    t = np.tan(slope)
    return (-h * t + np.sqrt(np.maximum(r * r * (1 + t * t) - h * h, 0))) / (1 + t * t)


@pytest.mark.parametrize("slope", [0.0, 2.0, -2.0])
def test_the_error_of_the_depth_at_the_target_is_that_of_many_draws(slope):
    got = place(
        Boat(transducer_depth_m=0.6, water_sound_mps=1500.0),
        slant_range_m=40.0, depth_m=10.0, bottom_slope_deg=slope,
    )  # fmt: skip
    h, s, scale, level = normal(3, 0.2, np.radians(3.0), 0.002, 1.0)
    y = along(40.0, 10.0, np.radians(slope))
    drawn = (1 + scale) * (10.0 + h) + y * np.tan(np.radians(slope) + s) + 0.6 + level
    assert float(got.var_depth_m2[0]) == pytest.approx(np.var(drawn), rel=0.03)


def test_right_below_the_depth_errs_by_the_sounder_the_sound_and_the_water_level():
    boat = Boat(budget=ErrorBudget(water_level_m=0.3), water_sound_mps=1500.0)
    got = place(boat, slant_range_m=10.0, depth_m=10.0)
    assert float(got.var_depth_m2[0]) == pytest.approx(0.2**2 + 0.02**2 + 0.3**2)


def test_a_depth_that_is_not_known_has_no_error():
    got = place(slant_range_m=None, ground_range_m=12.0, depth_m=None)
    assert np.isnan(got.depth_m[0])
    assert np.isnan(got.var_depth_m2[0])
    assert got.depth_below[0] == ""


@pytest.mark.parametrize("slope", [0.0, 3.0])
def test_the_error_of_a_height_is_that_of_many_draws(slope):
    shadow = {"shadow_start_m": 20.0, "shadow_m": 6.0, "depth_m": 10.0, "slant_range_m": 20.0}
    got = place(Boat(water_sound_mps=1500.0), **shadow, bottom_slope_deg=slope)
    h, start, length, scale = normal(4, 0.2, 0.3, 0.3, 0.002)
    drawn = (1 + scale) * (10 + h) * (6 + length) / (26 + start + length)
    assert float(got.var_height_m2[0]) == pytest.approx(np.var(drawn), rel=0.03)


@pytest.mark.parametrize("depth", [4.0, 10.0])
def test_the_error_of_an_objects_top_is_that_of_many_draws(depth):
    shadow = {"shadow_start_m": 20.0, "shadow_m": 6.0, "depth_m": depth, "slant_range_m": 20.0}
    got = place(bare(shadow_m=2.0), **shadow)
    h, s, start, length = normal(5, 0.1 + 0.01 * depth, np.radians(3.0), 0.3, 2.0)
    end = 26 + start + length
    y = (20 + start) / end * along(end, depth + h, s)
    stated = float(got.ground_range_m[0])
    assert stated == pytest.approx(20 / 26 * np.sqrt(26.0**2 - depth**2))
    assert float(got.var_east_m2[0]) == pytest.approx(np.mean((y - stated) ** 2), rel=0.06)


@pytest.mark.parametrize("ends", ["told", "taken"])
def test_a_shadow_on_a_ground_range_starts_at_the_objects_own_slant_range(ends):
    """12 m off over 5 m of water is 13 m away: a triangle of whole numbers."""
    start = {"shadow_start_m": 13.0} if ends == "told" else {}
    got = place(slant_range_m=None, ground_range_m=12.0, shadow_m=2.0, **start)
    assert float(got.height_m[0]) == pytest.approx(5 * 2 / 15)
    assert float(got.ground_range_m[0]) == pytest.approx(13 / 15 * np.sqrt(15**2 - 5**2))


def test_a_ground_range_errs_as_it_was_read_or_measured():
    ground = {"slant_range_m": None, "ground_range_m": 60.0, "range_sigma_m": None}
    unknown_water = Boat(budget=ErrorBudget(**BARE))
    read = place(unknown_water, **ground)
    assert float(read.var_east_m2[0]) == pytest.approx(0.6**2 + (0.02 * 60) ** 2)
    measured = place(unknown_water, **ground, measured=True)
    assert float(measured.var_east_m2[0]) == pytest.approx(0.6**2)
    told = place(unknown_water, **{**ground, "range_sigma_m": 0.1}, measured=True)
    assert float(told.var_east_m2[0]) == pytest.approx(0.1**2)


def test_sound_speed_scales_what_is_read_with_its_error():
    """A sounder that assumes 1500 m/s in water of 1450: every length read is 3.3 % long."""
    boat = Boat(budget=ErrorBudget(**BARE), water_sound_mps=1450.0)
    ground = {"slant_range_m": None, "ground_range_m": 60.0, "range_sigma_m": 3.0}
    part = 1450 / 1500
    got = place(boat, **ground)
    assert float(got.var_east_m2[0]) == pytest.approx((3.0 * part) ** 2 + (0.002 * 60 * part) ** 2)
    shadow = {"shadow_start_m": 20.0, "shadow_m": 6.0, "depth_m": 10.0, "slant_range_m": 20.0}
    high = place(boat, **shadow)
    assert float(high.height_m[0]) == pytest.approx(part * 10 * 6 / 26)
    in_water = place(boat, slant_range_m=5.0, target_depth_m=3.0)
    assert float(in_water.ground_range_m[0]) == pytest.approx(part * 4.0)


def test_a_thing_in_the_water_errs_as_many_draws_do():
    got = place(bare(), slant_range_m=25.0, target_depth_m=15.0, depth_m=30.0)
    r, z, scale = normal(6, 0.3, 0.25, 0.002)
    y = (1 + scale) * np.sqrt((25 + r) ** 2 - (15 + z) ** 2)
    assert float(got.var_east_m2[0]) == pytest.approx(np.mean((y - 20.0) ** 2), rel=0.02)


def test_a_thing_of_unknown_depth_may_lie_anywhere_on_its_arc():
    """Even between 12 and 13 m (a bar's variance is its length squared by 12), range 0.3 m."""
    boat = Boat(budget=ErrorBudget(**BARE, sound_scale=0.05))
    got = place(boat, in_water=True)
    assert got.method_detail[0] == "in the water, depth unknown"
    assert float(got.ground_range_m[0]) == pytest.approx(12.5)
    want = 1 / 12 + (0.3 / 2) ** 2 + (0.05 * 12.5) ** 2
    assert float(got.var_east_m2[0]) == pytest.approx(want)
    # Nearer than the bottom: anywhere from right below to the range.
    near = place(boat, in_water=True, slant_range_m=4.0)
    want = 16 / 12 + (0.3 / 2) ** 2 + (0.05 * 2) ** 2
    assert float(near.var_east_m2[0]) == pytest.approx(want)


def test_what_was_read_late_errs_along_the_track_with_the_speed():
    got = place(bare(), speed_mps=2.0, time_sigma_s=0.25)
    assert float(got.var_north_m2[0]) == pytest.approx((0.5 + 0.3 * 2) ** 2 + 0.5**2)
    still = place(bare(), time_sigma_s=0.25)
    assert float(still.var_north_m2[0]) == pytest.approx(0.5**2), "no speed, no way made"


def test_a_position_moved_back_errs_with_the_way_made_since():
    moved = {"speed_mps": 2.0, "seconds_back": 5.0}
    base = place(bare(), speed_mps=2.0)
    by_heading = place(bare(), **moved)
    by_course = place(bare(), **moved, course_deg=0.0)
    slip = np.arcsin(0.26 / 2.0)  # the boat slips while the bow points north
    rise = float(by_heading.var_east_m2[0] - base.var_east_m2[0])
    assert rise == pytest.approx((10 * slip) ** 2)
    assert float(by_course.var_east_m2[0] - base.var_east_m2[0]) == pytest.approx(0.5**2)
    assert float(by_heading.antenna_lat[0]) == pytest.approx(
        float(displace(12.0, 55.0, 0.0, -10.0)[1]), abs=1e-10
    )


def test_a_heading_that_turns_swings_the_target():
    """Small angle at 48 m (triangle 14, 48, 50): 2 degrees of heading are 1.68 m along the track."""
    quiet = place(bare(), slant_range_m=50.0, depth_m=14.0)
    swung = place(bare(heading_deg=2.0), slant_range_m=50.0, depth_m=14.0)
    rise = float(swung.var_north_m2[0] - quiet.var_north_m2[0])
    assert rise == pytest.approx((48 * np.radians(2)) ** 2, rel=0.01)


def test_a_compass_errs_by_its_heading_and_the_variation():
    compass = {"heading_deg": None, "heading_mag_deg": 0.0, "time": np.datetime64("2026-03-01")}
    boat = bare(heading_deg=3.0, variation_deg=4.0)
    same = bare(heading_deg=5.0)  # the triangle 3, 4, 5
    got, want = place(boat, **compass), place(same, **{**compass, "heading_mag_deg": None,
                                                       "heading_deg": 0.0})  # fmt: skip
    total = [float((s.var_east_m2 + s.var_north_m2)[0]) for s in (got, want)]
    assert total[0] == pytest.approx(total[1], rel=1e-6)


def track(n=61, **columns):
    """North at 2 m/s, a fix a second."""
    seconds = np.arange(float(n))
    lon, lat = displace(12.0, 55.0, 0.0, 2.0 * seconds)
    times = START + (seconds * 1e6).astype("timedelta64[us]")
    return Track.from_columns({"time": times, "lon": lon, "lat": lat, **columns})


ON_TRACK = {"lon": None, "lat": None, "time": AT}


def test_a_course_stands_in_for_a_heading_with_its_own_error():
    """E sin^2 d = (1 - exp(-2 v)) / 2 of a normal angle of variance v, at 48 m across."""
    far = {**ON_TRACK, "slant_range_m": 50.0, "depth_m": 14.0}
    slip, jitter = np.arcsin(0.26 / 2.0), 0.8 * np.sqrt(2) / 30  # half a knot at 2 m/s; 30 m
    own = Boat(budget=ErrorBudget(**{**BARE, "gnss_own_m": 0.8}), water_sound_mps=1500.0)
    quiet = float(place(bare(), track(), **far).var_north_m2[0])
    for boat, changes, angle in (
        (bare(), {}, slip),
        (own, {}, np.hypot(slip, jitter)),
        (own, {"course_deg": 0.0}, slip),  # not taken from the track: no jitter of its fixes
    ):
        got = place(boat, track(), **{**far, "heading_deg": None, **changes})
        rise = float(got.var_north_m2[0]) - quiet - boat.budget.gnss_own_m**2
        lost = float(place(boat, track(), **far).var_east_m2[0])  # what lies across turns along
        want = (48**2 + lost - boat.budget.gnss_own_m**2) * -np.expm1(-2 * angle**2) / 2
        assert rise == pytest.approx(want, rel=0.01)


def test_own_speed_and_course_beat_the_tracks():
    late = {"time_sigma_s": 1.0}
    got = place(bare(), track(), **ON_TRACK, **late, speed_mps=5.0)
    assert float(got.var_north_m2[0]) == pytest.approx((0.5 + 0.3 * 5) ** 2 + 5.0**2)
    got = place(bare(), track(), **ON_TRACK, **late)
    assert float(got.var_north_m2[0]) == pytest.approx((0.5 + 0.3 * 2) ** 2 + 2.0**2, rel=1e-5)
    got = place(None, track(), **ON_TRACK, heading_deg=None, course_deg=90.0)
    assert float(got.bearing_deg[0]) == pytest.approx(180.0)
    got = place(None, track(course_deg=350.0), **ON_TRACK, heading_deg=None)
    assert float(got.bearing_deg[0]) == pytest.approx(80.0)


def test_a_compass_on_the_track_serves_where_nothing_better_is_known():
    there = {**ON_TRACK, "heading_deg": None}
    magnetic = float(place(None, track(heading_mag_deg=40.0), **there).bearing_deg[0])
    typed = place(None, None, heading_deg=None, heading_mag_deg=40.0, time=AT)
    assert magnetic == pytest.approx(float(typed.bearing_deg[0]), abs=0.01)
    assert magnetic != pytest.approx(130.0, abs=0.5), "the variation counts"
    both = place(None, track(heading_mag_deg=40.0, heading_deg=70.0), **there)
    assert float(both.bearing_deg[0]) == pytest.approx(160.0)
    own = place(None, track(heading_deg=70.0), **there, heading_mag_deg=40.0)
    assert float(own.bearing_deg[0]) == pytest.approx(magnetic, abs=0.01)


def test_the_tracks_error_is_that_of_both_axes_and_not_of_a_typed_position():
    t = track(sigma_east_m=1.0, sigma_north_m=3.0)
    assert float(place(None, t, **ON_TRACK).shared_sigma_m[0]) == pytest.approx(np.sqrt(5.0))
    typed = place(None, t, time=AT)
    assert float(typed.shared_sigma_m[0]) == 2.5
    assert (typed.antenna_lon[0], typed.antenna_lat[0]) == (12.0, 55.0)


def test_own_depth_beats_the_tracks_with_its_reference():
    boat = Boat(transducer_depth_m=0.6)
    t = track(depth_m=9.0, depth_below="surface")
    assert float(place(boat, t, **ON_TRACK).ground_range_m[0]) == pytest.approx(12.0)
    got = place(boat, t, **ON_TRACK, depth_m=None, depth_below=None)
    assert float(got.ground_range_m[0]) == pytest.approx(np.sqrt(13.0**2 - 8.4**2))


def test_the_waters_temperature_on_the_track_sets_the_sound_speed():
    """Fresh water of 20 C: 1482.38 m/s (Marczak 1997); 12 m become 12 x 1482.38 / 1500."""
    got = place(
        Boat(salinity_gkg=0.0), track(water_temperature_c=20.0), **ON_TRACK,
        slant_range_m=None, ground_range_m=12.0,
    )  # fmt: skip
    assert float(got.ground_range_m[0]) == pytest.approx(12 * 1482.38 / 1500, abs=2e-3)
