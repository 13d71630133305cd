"""R95, the error ellipse and the S-44 limits against published figures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import chi2

from athwart.uncertainty.ellipse import CHI2_95_2DOF, S44_ORDERS, error_ellipse, r95, s44_horizontal

# Harter 1960, R95 / sigma_max over sigma_min / sigma_max: from memory; a numerical integration
# gives every digit.
HARTER = {
    0.0: 1.95996, 0.1: 1.96253, 0.2: 1.97041, 0.3: 1.98420, 0.4: 2.00514, 0.5: 2.03586,
    0.6: 2.08130, 0.7: 2.14598, 0.8: 2.23029, 0.9: 2.33180, 1.0: 2.44775,
}  # fmt: skip


@pytest.mark.parametrize(("ratio", "radius"), HARTER.items())
def test_r95_is_harters(ratio, radius, shaped):
    np.testing.assert_allclose(
        r95(shaped(4.0), shaped(4.0 * ratio**2), 0.0), 2 * radius, atol=1.1e-5
    )


def test_r95_of_a_circle_is_s44s_and_nssdas():
    """S-44: 2.45 sigma; FGDC-STD-007.3-1998: 2.4477 sigma (read in a transcription)."""
    assert float(r95(1.0, 1.0, 0.0)) == pytest.approx(2.4477, abs=1e-4)


@given(st.floats(0.01, 100), st.floats(0.01, 100), st.floats(-0.99, 0.99), st.floats(0, 360))
def test_r95_does_not_care_how_the_ellipse_lies(east, north, rho, turn):
    cov = rho * np.sqrt(east * north)
    matrix = np.array([[east, cov], [cov, north]])
    a = np.radians(turn)
    rotation = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    turned = rotation @ matrix @ rotation.T
    other = r95(turned[0, 0], turned[1, 1], turned[0, 1])
    assert float(other) == pytest.approx(float(r95(east, north, cov)), rel=1e-6)


def test_r95_holds_95_percent_of_draws():
    rng = np.random.default_rng(7)
    draws = rng.multivariate_normal([0, 0], [[9.0, 4.0], [4.0, 3.0]], 200_000)
    inside = np.hypot(*draws.T) <= r95(9.0, 3.0, 4.0)
    assert inside.mean() == pytest.approx(0.95, abs=0.002)


def test_the_series_holds_the_95_percent_point_to_two_parts_in_ten_million():
    """Witness: the normal's integral over directions (periodic, so sums converge), and a root."""
    angle = (np.arange(4000) + 0.5) * np.pi / 2000
    ratios = np.linspace(0.02, 1.0, 50)

    def outside(radius, ratio):
        g = np.cos(angle) ** 2 + (np.sin(angle) / ratio) ** 2
        return np.mean(-np.expm1(-(radius**2) * g / 2) / g) / ratio - 0.95

    want = [brentq(outside, 1.5, 3.0, (c,), xtol=1e-12) for c in ratios]
    np.testing.assert_allclose(r95(1.0, ratios**2, 0.0), want, atol=2e-7)


@pytest.mark.parametrize(("cov", "east", "north"), [(-0.0, 1.0, 4.0), (0.0, 1.0, 4.0)])
def test_a_long_axis_to_the_north_has_azimuth_0(cov, east, north, shaped):
    a, b, azimuth = error_ellipse(shaped(east), shaped(north), shaped(cov))
    for got, want in ((a, 2.0), (b, 1.0), (azimuth, 0.0)):
        np.testing.assert_array_equal(got, want)


def test_an_error_along_one_line_is_that_of_one_axis_however_it_lies():
    """1.95996 sigma, the normal's two-sided 95 % point (any table)."""
    a = np.radians(np.arange(0.0, 360.0, 0.25))
    radius = r95(9 * np.sin(a) ** 2, 9 * np.cos(a) ** 2, 9 * np.sin(a) * np.cos(a))
    np.testing.assert_allclose(radius, 3 * 1.95996, atol=1e-4)


def test_r95_of_no_error_is_nothing():
    assert float(r95(0.0, 0.0, 0.0)) == 0.0


def test_ellipse_of_geodepy():
    """GeodePy test_error_ellipse (read)."""
    a, b, azimuth = error_ellipse(1.44, 1.22, -1.32)
    assert (float(a), float(b), float(azimuth)) == pytest.approx(
        (1.6292867776, 0.0736518590, 132.6181791546), abs=1e-9
    )


def test_chi_square_table():
    """0.95 point, 2 degrees of freedom: 5.99146 (read in a scanned table)."""
    assert pytest.approx(5.99146, abs=1e-5) == CHI2_95_2DOF
    assert chi2.ppf(0.95, 2) == pytest.approx(CHI2_95_2DOF)


def test_s44_limits():
    """IHO S-44 ed. 6, table 1 (read): 1 m, 2 m, 5 m + 5 %, 20 m + 10 % of depth."""
    assert s44_horizontal([1.0, 2.0, 7.0, 7.01, 24.0, 24.1], 40.0).tolist() == [
        "exclusive", "special", "1", "2", "2", "none",
    ]  # fmt: skip
    just_over = [1.001, 2.001, 7.001, 24.001]
    assert s44_horizontal(just_over, 40.0).tolist() == ["special", "1", "2", "none"]
    assert s44_horizontal(5.0, np.nan).tolist() == "1"
    assert s44_horizontal([5.0, 5.01, 5.01], [0.0, 0.0, -9.0]).tolist() == ["1", "2", "2"]
    assert S44_ORDERS["1"] == (5.0, 0.05)
