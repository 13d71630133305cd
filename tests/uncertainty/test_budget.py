"""The error budget's own sums, written out from its entries, and what it refuses."""

import numpy as np
import pytest
from scipy.stats import uniform

from athwart.errors import DataError
from athwart.uncertainty.budget import ErrorBudget, course_as_heading_sigma
from athwart.units import KNOT

USUAL = ErrorBudget()


def test_a_range_errs_by_the_larger_of_a_least_error_a_column_and_a_part(shaped):
    """0.3 m or 1 % of the range: the design's figures, common practice, no source."""
    np.testing.assert_allclose(USUAL.range_sigma(shaped(10.0)), 0.3)
    np.testing.assert_allclose(USUAL.range_sigma(shaped(80.0)), 0.8)
    coarse = ErrorBudget(screen_column_m=0.5)
    np.testing.assert_allclose(coarse.range_sigma(shaped(10.0)), 0.5)


def test_a_depth_errs_by_a_sum(shaped):
    """0.1 m (IHO B-12, table 4) and 1 % of the depth."""
    np.testing.assert_allclose(USUAL.depth_sigma(shaped(20.0)), 0.3)


def test_along_the_track_the_delay_counts_with_the_speed(shaped):
    """0.5 m and 0.3 s at 2 m/s; common practice, no source."""
    np.testing.assert_allclose(USUAL.along_sigma(shaped(2.0)), 1.1)
    np.testing.assert_allclose(USUAL.along_sigma(shaped(np.nan)), 0.5)


def test_a_course_stands_in_with_slip_jitter_and_turn_in_quadrature(shaped):
    slip = np.degrees(np.arcsin(0.26 / 2.0))
    jitter = np.degrees(0.8 * np.sqrt(2.0) / 30.0)
    alone = course_as_heading_sigma(USUAL, shaped(2.0))
    np.testing.assert_allclose(alone, np.hypot(3.0, slip))
    whole = course_as_heading_sigma(USUAL, shaped(2.0), shaped(30.0), shaped(24.0))
    np.testing.assert_allclose(whole, np.sqrt(3.0**2 + slip**2 + jitter**2 + 6.0**2))
    quiet = ErrorBudget(course_slip_mps=0.0)
    for speed in (0.0, 2.0):
        np.testing.assert_allclose(course_as_heading_sigma(quiet, shaped(speed)), 3.0)
    short = np.degrees(0.8 * np.sqrt(2.0) / 1.0)  # the course of a single metre
    np.testing.assert_allclose(
        course_as_heading_sigma(USUAL, shaped(2.0), shaped(1.0)), np.sqrt(9 + slip**2 + short**2)
    )


def test_slip_as_fast_as_the_boat_leaves_a_right_angle_and_no_window_leaves_anything():
    anywhere = uniform(-180.0, 360.0).std()  # a heading of which nothing is known
    for speed in (0.26, 0.1, 0.0, np.nan):
        assert course_as_heading_sigma(USUAL, speed) == pytest.approx(np.hypot(3.0, 90.0))
    assert course_as_heading_sigma(USUAL, 5.0, 0.0) == pytest.approx(anywhere, rel=1e-3)
    assert course_as_heading_sigma(USUAL, 0.0, 1.0, 180.0) == pytest.approx(anywhere, rel=1e-12)


@pytest.mark.parametrize("value", [-0.1, float("nan"), float("inf"), True, "3"])
def test_an_error_that_is_no_number_of_zero_or_more_is_refused(value):
    with pytest.raises(DataError, match=r"gnss_own_m is .*; allowed is a number, 0 or more"):
        ErrorBudget.from_mapping({"gnss_own_m": value})


def test_entries_of_a_boat_file_take_the_place_of_the_usual():
    budget = ErrorBudget.from_mapping({"gnss_own_m": 0, "heading_deg": 5})
    assert (budget.gnss_own_m, budget.heading_deg, budget.range_m) == (0.0, 5.0, 0.3)
    with pytest.raises(DataError, match="no entry 'gnss'; known are gnss_shared_m"):
        ErrorBudget.from_mapping({"gnss": 1.0})


def test_rows_list_every_entry_with_its_value_unit_and_ground():
    """The sounder's and the offset's 0.1 m: IHO B-12, table 4 (read); else common practice."""
    rows = {name: (value, unit) for name, value, unit, _ in USUAL.rows()}
    assert rows == {
        "gnss_shared_m": (2.5, "m per axis"),
        "gnss_own_m": (0.8, "m per axis"),
        "boat_m": (1.0, "m per axis"),
        "heading_deg": (3.0, "deg"),
        "course_slip_mps": (0.26, "m/s"),
        "range_m": (0.3, "m"),
        "range_part": (0.01, "of the range"),
        "screen_column_m": (0.0, "m"),
        "shadow_m": (0.3, "m"),
        "depth_m": (0.1, "m"),
        "depth_part": (0.01, "of the depth"),
        "along_track_m": (0.5, "m"),
        "latency_s": (0.3, "s"),
        "slope_deg": (3.0, "deg"),
        "lever_m": (0.1, "m per axis"),
        "water_level_m": (1.0, "m"),
        "sound_scale": (0.02, "of range and depth"),
        "variation_deg": (0.4, "deg"),
    }
    assert USUAL.course_slip_mps == pytest.approx(KNOT.value / 2, abs=0.005), "half a knot"
    for name, _, _, basis in USUAL.rows():
        assert len(basis) > len("deg"), name
        assert ("B-12" in basis) == (name in ("depth_m", "lever_m"))
