"""Sinking, held against published terminal velocities, hand sums and brute force."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.errors import DataError
from athwart.plan.sink import (
    DENSITIES,
    FRESH,
    SEA,
    SinkRate,
    Water,
    count_for,
    lead,
    rate_from_counts,
    rate_from_weight,
    sphere_diameter,
    sphere_speed,
)

CUTLIP = Water(994.6, 8.931e-4)
LEAD = DENSITIES["lead"].value


def test_the_published_terminal_velocities(shaped):
    """Cutlip et al. 1997, problem 5: 0.0158 m/s, and 0.206 m/s at 30 g (notebook output, read)."""
    d, rho = shaped(0.208e-3), 1800.0
    np.testing.assert_allclose(sphere_speed(d, rho, CUTLIP), 0.0158, atol=5e-5)
    np.testing.assert_allclose(sphere_speed(d, rho, CUTLIP, 30 * 9.80665), 0.206, atol=5e-4)


@pytest.mark.parametrize(
    ("metal", "speeds"),
    [("lead", (1.755, 2.149, 2.482)), ("tungsten", (2.334, 2.859, 3.301))],
)
def test_spheres_in_fresh_water(metal, speeds):
    """10, 15 and 20 mm, from v = sqrt(4 g (rp - r) D / (3 0.44 r)); computed, no source."""
    density = 19250.0 if metal == "tungsten" else DENSITIES[metal].value
    got = sphere_speed([0.010, 0.015, 0.020], density, FRESH)
    np.testing.assert_allclose(got, speeds, rtol=0.003)


def test_stokes_law_for_a_grain():
    """Below Re 0.1, v = g (rp - r) D^2 / (18 mu) (Stokes 1851)."""
    d = 2e-5
    np.testing.assert_allclose(
        sphere_speed(d, 2650.0, FRESH), 9.80665 * (2650 - 998) * d**2 / 18e-3, rtol=1e-6
    )


@given(st.floats(1e-4, 0.03), st.floats(1100, 19000))
def test_weight_and_drag_balance(d, rho):
    v = float(sphere_speed(d, rho))
    assert sphere_speed(d * 1.1, rho) > v
    re = v * d * SEA.density / SEA.viscosity
    if not 950 < re < 1050:  # the law has a step at 1000
        cd = 24 / re if re < 0.1 else 24 / re * (1 + 0.14 * re**0.7) if re < 1000 else 0.44
        weight = (rho - SEA.density) * 9.80665 * np.pi * d**3 / 6
        assert cd * SEA.density * v**2 / 2 * np.pi * d**2 / 4 == pytest.approx(weight, rel=1e-6)


def test_a_sphere_has_its_mass():
    d = sphere_diameter(0.030, LEAD)
    assert LEAD * np.pi * d**3 / 6 == pytest.approx(0.030)


def test_a_guess_is_slower_than_a_ball_and_says_so():
    made = rate_from_weight(0.030, LEAD)
    ball = float(sphere_speed(sphere_diameter(0.030, LEAD), LEAD))
    assert made.mps == pytest.approx(0.8 * ball)
    assert made.mps + 1.96 * made.sigma_mps > ball > made.mps
    assert "a guess from the weight" in made.words


def test_counts_agree_or_widen_the_error():
    one = rate_from_counts([10.0], [8.0])
    assert one.mps == pytest.approx(1.25)
    assert one.sigma_mps == pytest.approx(1.25 * np.hypot(0.03, 0.5 / 8))
    same = rate_from_counts([10.0] * 4, [8.0] * 4)
    assert same.sigma_mps == pytest.approx(one.sigma_mps / 2)
    apart = rate_from_counts([10.0, 10.0], [6.0, 12.0])
    assert apart.sigma_mps > one.sigma_mps


def test_the_count_for_a_depth_and_its_error_by_brute_force():
    rng = np.random.default_rng(3)
    made = rate_from_counts([10.0], [8.0])
    count, sigma = count_for(made, 10.0, 0.5)
    tries = rng.normal(10, 0.5, 200_000) / rng.normal(made.mps, made.sigma_mps, 200_000)
    assert count == pytest.approx(8.0)
    assert sigma == pytest.approx(tries.std(), rel=0.03)


def test_far_from_the_counted_depth_the_error_grows(shaped):
    made = rate_from_counts([10.0], [8.0])
    near, far = count_for(made, shaped(10.0)), count_for(made, shaped(30.0))
    assert np.all(far[1] / far[0] > near[1] / near[0])
    assert np.shape(near[0]) == np.shape(shaped(10.0))


def test_the_lead_and_its_error_by_brute_force():
    """Half a metre a second for twelve seconds; the column moves with 7/8 of the surface."""
    rng = np.random.default_rng(4)
    got, sigma = lead(12.0, 1.0, 0.5, 0.05)
    assert got == pytest.approx(0.5 * 12 * 7 / 8)
    n = 200_000
    tries = rng.normal(12, 1, n) * rng.normal(0.5, 0.05, n) * rng.normal(7 / 8, 0.1, n)
    assert sigma == pytest.approx(tries.std(), rel=0.03)
    assert lead(12.0, 0.0, 0.5, 0.0, at_surface=False)[0] == pytest.approx(6.0)


def test_the_mean_of_the_seventh_power_law_is_seven_eighths():
    z = (np.arange(100_000) + 0.5) / 100_000
    assert np.mean(z ** (1 / 7)) == pytest.approx(7 / 8, abs=1e-4)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: sphere_speed(0.01, 900.0), "only what is heavier than water"),
        (lambda: sphere_speed(0.2, LEAD), "count it down instead"),
        (lambda: rate_from_weight(0.0, LEAD), "the weight is 0 kg"),
        (lambda: rate_from_counts([10.0], [0.0]), "must be more than 0"),
        (lambda: rate_from_counts([10.0, 5.0], [4.0]), "2 depths and 1 counts"),
        (lambda: rate_from_counts([], []), "0 depths"),
        (lambda: count_for(SinkRate(1.0, 0.1, 5.0, ""), -1.0), "must be more than 0"),
    ],
)
def test_what_cannot_sink_is_refused(call, words):
    with pytest.raises(DataError, match=words):
        call()
