"""Slant range against handbook triangles and an independent root finder."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from athwart.geometry.slant import (
    first_bottom_return,
    ground_range,
    ground_range_in_water,
    height_from_shadow,
    slant_of_ground,
    top_ground_range,
)

# Horizontal range = sqrt(D^2 - H^2): Green, Maritime Archaeology: A Technical Handbook, 2nd ed.,
# p. 80 (formula read; the page has no numbers, so exact-integer triangles stand in: computed).
TRIANGLES = [(5, 3, 4), (13, 5, 12), (25, 7, 24), (50, 14, 48), (61, 11, 60)]


@pytest.mark.parametrize(("slant", "altitude", "ground"), TRIANGLES)
def test_handbook_triangles_come_out_exact(slant, altitude, ground, shaped):
    y, spread = ground_range(shaped(slant), shaped(altitude))
    np.testing.assert_array_equal(y, ground)
    np.testing.assert_array_equal(spread, 0.0)


# Computed from similar triangles along one ray: H, D, S -> height, ground range of the top.
SHADOWS = [
    (10, 50, 5, 0.9091, 49.1666),
    (6, 30, 4, 0.7059, 29.5292),
    (20, 100, 10, 1.8182, 98.3332),
]


@pytest.mark.parametrize(("altitude", "start", "shadow", "height", "top"), SHADOWS)
def test_height_and_top_from_the_shadow(altitude, start, shadow, height, top, shaped):
    got = height_from_shadow(shaped(altitude), shaped(start), shaped(shadow))
    np.testing.assert_allclose(got, height, atol=5e-5)
    got = top_ground_range(shaped(start), shaped(shadow), shaped(altitude))
    np.testing.assert_allclose(got, top, atol=5e-5)


def test_the_shadow_starts_at_the_top_not_at_the_echo():
    """A planted fault (echo range for shadow start) must move the height."""
    assert height_from_shadow(10.0, 52.0, 5.0) != pytest.approx(height_from_shadow(10.0, 50.0, 5.0))


@given(
    h=st.floats(0.5, 60),
    times=st.floats(1.001, 20),
    slope=st.floats(-10, 10),
)
def test_the_echo_lies_on_the_bottom_at_its_range(h, times, slope):
    r = h * times
    y, spread = ground_range(r, h, slope)
    assert float(spread) == 0.0
    assert float(slant_of_ground(y, h, slope)) == pytest.approx(r, rel=1e-9)
    t = np.tan(np.radians(slope))
    nearest = max(0.0, -h * np.sin(np.radians(slope)) * np.cos(np.radians(slope)))
    if np.hypot(nearest, h + nearest * t) < r:  # an independent root finder
        root = brentq(lambda x: np.hypot(x, h + x * t) - r, nearest, 3 * r + 1)
        assert float(y) == pytest.approx(root, abs=1e-6 * r)


def test_falling_bottom_lies_nearer_in_than_rising_bottom():
    """A planted fault (slope sign) must change sides here."""
    falling, _ = ground_range(30.0, 10.0, 5.0)
    flat, _ = ground_range(30.0, 10.0, 0.0)
    rising, _ = ground_range(30.0, 10.0, -5.0)
    assert falling < flat < rising


@pytest.mark.parametrize("part", [0.01, 0.5, 0.99])
def test_rising_bottom_between_its_first_return_and_right_below_has_two_roots(part):
    h, s = 10.0, -10.0
    first = float(first_bottom_return(h, s))
    assert first == pytest.approx(h * np.cos(np.radians(10)))
    r = first + part * (h - first)
    y, spread = ground_range(r, h, s)
    assert spread > 0
    for root in (float(y) - float(spread), float(y) + float(spread)):
        assert float(slant_of_ground(root, h, s)) == pytest.approx(r)
    assert np.isnan(ground_range(first - 0.01, h, s)[0])


@pytest.mark.parametrize("slope", [-3.0, -20.0, -60.0])
def test_at_the_first_return_of_a_rising_bottom_both_roots_are_the_foot_of_the_perpendicular(slope):
    y, spread = ground_range(first_bottom_return(10.0, slope), 10.0, slope)
    foot = 10.0 * np.sin(np.radians(-slope)) * np.cos(np.radians(slope))
    assert (float(y), float(spread)) == pytest.approx((foot, 0.0), abs=1e-6)


def test_the_slant_range_over_flat_bottom_is_the_hypotenuse(shaped):
    np.testing.assert_allclose(slant_of_ground(shaped(12.0), 5.0), 13.0, rtol=1e-15)


def test_nadir_and_nearer():
    y, _ = ground_range([10.0, 9.999], 10.0)
    assert y[0] == 0.0
    assert np.isnan(y[1])


@given(st.floats(0.1, 50), st.floats(0.1, 50))
def test_a_thing_in_the_water_closes_the_triangle(r, z):
    assume(r >= z)
    assert float(np.hypot(ground_range_in_water(r, z), z)) == pytest.approx(r)


@pytest.mark.parametrize("slope", [0.0, 5.0, 40.0])
def test_a_bottom_that_falls_away_is_first_met_right_below(slope, shaped):
    """The distance of a point from a line that leads away from it is that to the line's start."""
    np.testing.assert_allclose(first_bottom_return(shaped(10.4), slope), 10.4)
    assert np.isnan(ground_range(9.99, 10.0, slope)[0]), "nearer than the bottom right below"
    np.testing.assert_array_equal(first_bottom_return(shaped(10.0)), 10.0)


@given(st.floats(0.1, 200), st.floats(0, 60))
def test_right_below_is_nadir_and_never_less(h, slope):
    assert 0.0 <= float(ground_range(h, h, slope)[0]) < 1e-6 * h
