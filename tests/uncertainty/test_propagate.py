"""The covariance about the stated position against plain Monte Carlo (written out here)."""

import numpy as np
import pytest

from athwart.boat import Boat
from athwart.fix import fix
from athwart.geometry.geodesic import local_offsets
from athwart.tables import Picks
from athwart.uncertainty.budget import ErrorBudget, course_as_heading_sigma
from athwart.uncertainty.ellipse import r95
from athwart.uncertainty.propagate import across_moments, boat_axes_covariance

DRAWS = 200_000


def draw_ground_range(rng, r, h, s_deg, sigma_r, sigma_h, sigma_s):
    """Ground ranges of drawn readings: both roots of y^2 + (h + y t)^2 = r^2, a coin between two."""
    r = np.maximum(r + sigma_r * rng.normal(size=DRAWS), 0)
    h = np.maximum(h + sigma_h * rng.normal(size=DRAWS), 0)
    t = np.tan(np.radians(s_deg + sigma_s * rng.normal(size=DRAWS)))
    a, b, c = 1 + t * t, 2 * h * t, h * h - r * r
    disc = b * b - 4 * a * c
    root = np.sqrt(np.maximum(disc, 0))
    far, near = (-b + root) / (2 * a), (-b - root) / (2 * a)
    both = (near >= 0) & (disc >= 0)
    y = np.where(both & (rng.random(DRAWS) < 0.5), near, far)
    return np.where(disc >= 0, np.maximum(y, 0), 0.0)


@pytest.mark.parametrize("h", [2.0, 4.0, 10.0, 40.0])
@pytest.mark.parametrize(
    ("times", "quiet"),
    [(t, "nothing") for t in (1.0, 1.02, 1.05, 1.2, 2.0, 20.0)]
    + [(t, part) for t in (1.02, 2.0) for part in ("gnss", "heading", "boat", "along")],
)
@pytest.mark.parametrize("slope", [-10.0, 0.0, 10.0])
def test_covariance_is_that_of_200000_draws(h, times, slope, quiet):
    rng = np.random.default_rng(20260301)
    off = {
        "nothing": {},
        "gnss": {"gnss_shared_m": 0.0, "gnss_own_m": 0.0},
        "heading": {"heading_deg": 0.0},
        "boat": {"boat_m": 0.0},
        "along": {"along_track_m": 0.0, "latency_s": 0.0},
    }[quiet]
    budget = ErrorBudget(**off)
    boat = Boat(budget=budget, lever_forward_m=-3.0, lever_starboard_m=0.5, water_sound_mps=1500.0)
    heading, speed, r = 70.0, 2.0, h * times
    pick = Picks.from_columns(
        {
            "lon": 12.0, "lat": 55.0, "heading_deg": heading, "speed_mps": speed, "side": "port",
            "slant_range_m": r, "depth_m": h, "depth_below": "transducer",
            "bottom_slope_deg": slope,
        }
    )  # fmt: skip
    sighting = fix(pick, boat=boat).sightings
    got = np.array([float(v[0]) for v in sighting.total_covariance()])

    scale = 1 + 0.002 * rng.normal(size=DRAWS)
    y = scale * draw_ground_range(
        rng, r, h, slope, max(0.3, 0.01 * r), 0.1 + 0.01 * h, budget.slope_deg
    )
    noise = [budget.lever_m * rng.normal(size=DRAWS) for _ in range(2)]
    along = (budget.along_track_m + budget.latency_s * speed) * rng.normal(size=DRAWS)
    f, s = -3.0 + along + noise[0], 0.5 - y + noise[1]
    a = np.radians(heading + budget.heading_deg * rng.normal(size=DRAWS))
    east, north = f * np.sin(a) + s * np.cos(a), f * np.cos(a) - s * np.sin(a)
    for sigma in (budget.gnss_shared_m, budget.gnss_own_m, budget.boat_m):
        east = east + sigma * rng.normal(size=DRAWS)
        north = north + sigma * rng.normal(size=DRAWS)
    e0, n0 = local_offsets(sighting.lon, sighting.lat, 12.0, 55.0)
    de, dn = east - e0, north - n0
    want = np.array([np.mean(de * de), np.mean(dn * dn), np.mean(de * dn)])
    np.testing.assert_allclose(got[:2], want[:2], rtol=0.10)
    scale_of_cov = np.sqrt(want[0] * want[1])
    assert abs(got[2] - want[2]) < 0.10 * scale_of_cov
    radius = float(r95(*got))
    # Where the first bottom return lies within 3 sigma the error is far from normal (a root that
    # ends, or two of them), and the 95 % radius of a normal is not claimed to hold.
    clear = r - h > 3 * np.hypot(max(0.3, 0.01 * r), 0.1 + 0.01 * h)
    if float(sighting.ground_range_m[0]) >= 3 * np.std(y) and clear:
        assert radius == pytest.approx(np.quantile(np.hypot(de, dn), 0.95), rel=0.10)


def by_sums(r, h, s_deg, sigma_r, sigma_h, sigma_s, shadow=0.0):
    """First two moments of the ground range (or a top's) by sums over a fine grid of readings."""
    z = [np.linspace(-6.5, 6.5, n) for n in (801, 41, 41 if sigma_s else 1)]
    z[2] = z[2] if sigma_s else np.zeros(1)
    weights = [np.exp(-v * v / 2) for v in z]
    weights = [w / w.sum() for w in weights]
    start = (r + sigma_r * z[0])[:, None, None]
    end = np.maximum(start + shadow, 0.0)
    altitude = np.maximum(h + sigma_h * z[1], 0.0)[:, None]
    t = np.tan(np.radians(s_deg + sigma_s * z[2]))
    a, b, c = 1 + t * t, 2 * altitude * t, altitude**2 - end**2
    disc = b * b - 4 * a * c
    root = np.sqrt(np.maximum(disc, 0.0))
    part = np.where(end > 0, (end - shadow) / np.maximum(end, 1e-9), 0.0)
    far, near = part * (root - b) / (2 * a), part * (-root - b) / (2 * a)
    far = np.where(disc >= 0, np.where(far * part > 0, far, 0.0), 0.0)
    two = (near > 0) & (disc >= 0)
    first = np.where(two, (far + near) / 2, far)
    second = np.where(two, (far**2 + near**2) / 2, far**2)
    return [np.einsum("rhs,r,h,s->", m, *weights) for m in (first, second)]


@pytest.mark.parametrize("shadow", [0.0, 2.0])
@pytest.mark.parametrize("sigma_r", [0.05, 0.3, 1.0])
@pytest.mark.parametrize(
    ("h", "times", "slope", "sigma_s"),
    [
        (5.0, 1.0, 0.0, 0.0), (5.0, 1.05, 0.0, 3.0), (5.0, 1.3, 5.0, 3.0), (10.0, 1.0, -10.0, 3.0),
        (10.0, 0.99, -10.0, 1.0), (10.0, 1.02, 3.0, 3.0), (20.0, 3.0, -5.0, 3.0),
    ],
)  # fmt: skip
def test_moments_are_those_of_a_fine_sum_from_nadir_outwards(
    h, times, slope, sigma_s, sigma_r, shadow
):
    """Within 1 % of the root mean square error, as is promised, also where the range is sure."""
    r = h * times
    first, second = by_sums(r, h, slope, sigma_r, 0.15, sigma_s, shadow)
    stated = 0.9 * np.sqrt(second)  # any place may be stated
    mean, moment = across_moments(
        stated, r, h, slope, range_sigma_m=sigma_r, altitude_sigma_m=0.15,
        slope_sigma_deg=sigma_s, shadow_m=shadow,
    )  # fmt: skip
    want = np.sqrt(second - 2 * stated * first + stated**2)
    assert float(mean) == pytest.approx(first - stated, abs=0.01 * want)
    assert np.sqrt(float(moment)) == pytest.approx(want, rel=0.01)


@pytest.mark.parametrize(("f0", "s0"), [(30.0, 0.0), (-3.0, 48.0), (12.0, -20.0)])
def test_boat_axes_covariance_is_that_of_draws(f0, s0):
    """Offsets in the boat's axes, turned by a heading that is off by a large normal error."""
    rng = np.random.default_rng(9)
    n, mean, spread, sigma = 1_000_000, 2.0, 3.0, 12.0
    d = np.radians(sigma) * rng.normal(size=n)
    f, s = f0 + 1.5 * rng.normal(size=n), s0 + mean + spread * rng.normal(size=n)
    forward, starboard = f * np.cos(d) - s * np.sin(d) - f0, f * np.sin(d) + s * np.cos(d) - s0
    want = [np.mean(forward**2), np.mean(starboard**2), np.mean(forward * starboard)]
    got = boat_axes_covariance(
        f0, s0, forward_var_m2=1.5**2, starboard_mean_m=mean,
        starboard_moment_m2=mean**2 + spread**2, heading_sigma_deg=sigma,
    )  # fmt: skip
    np.testing.assert_allclose(got[:2], want[:2], rtol=0.01)
    assert float(got[2]) == pytest.approx(want[2], abs=0.01 * np.sqrt(want[0] * want[1]))


def test_a_common_scale_adds_its_part_of_the_square():
    """(1 + e) y with E e = 0: E y^2 grows by E e^2; a million rows in one call are one by one."""
    errors = {"range_sigma_m": 0.3, "altitude_sigma_m": 0.15, "slope_sigma_deg": 0.0}
    far = {"stated_m": 48.0, "slant_range_m": 50.0, "altitude_m": 14.0, "slope_deg": 0.0}
    plain, scaled = (across_moments(**far, **errors, scale_sigma=e)[1] for e in (0.0, 0.02))
    assert float(scaled - plain) == pytest.approx((0.02 * 48.0) ** 2, rel=1e-3)
    r = np.tile([50.0, 14.5, 60.0], 20_000)  # far, near and far, over several chunks
    rows = across_moments(48.0, r, 14.0, 0.0, **errors)
    for k in (0, 1, 2, -1):
        one = across_moments(48.0, r[k], 14.0, 0.0, **errors)
        assert (rows[0][k], rows[1][k]) == pytest.approx([float(v) for v in one], rel=1e-12)


def test_moments_take_any_shape(shaped):
    mean, moment = across_moments(
        shaped(12.0), shaped(13.0), shaped(5.0), 0.0,
        range_sigma_m=0.3, altitude_sigma_m=0.15, slope_sigma_deg=0.0,
    )  # fmt: skip
    first_order = (13 / 12 * 0.3) ** 2 + (5 / 12 * 0.15) ** 2
    np.testing.assert_allclose(moment, first_order, rtol=0.01)
    np.testing.assert_allclose(mean, 0.0, atol=0.01)


def test_no_error_gives_no_covariance():
    mean, moment = across_moments(
        12.0, 13.0, 5.0, 0.0, range_sigma_m=1e-9, altitude_sigma_m=1e-9, slope_sigma_deg=0.0
    )
    assert abs(float(mean)) < 1e-8
    assert float(moment) < 1e-12
    got = boat_axes_covariance(
        3.0, 40.0, forward_var_m2=0.0, starboard_mean_m=0.0, starboard_moment_m2=0.0,
        heading_sigma_deg=0.0,
    )  # fmt: skip
    np.testing.assert_allclose(got, 0.0, atol=1e-12)


def test_course_for_heading_gets_worse_when_slow_or_turning():
    budget = ErrorBudget()
    fast, slow, still = course_as_heading_sigma(budget, [5.0, 0.5, 0.0])
    assert 3.0 < fast < 5.0
    assert slow > 30.0
    assert still > 89.0
    assert course_as_heading_sigma(budget, 5.0, 20.0, 40.0) > 10.0
