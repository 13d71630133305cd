"""Sound, compass, geodesic and lever arm against published values."""

import numpy as np
import pytest

from athwart.errors import DataError
from athwart.geometry.geodesic import displace, inverse, local_offsets, to_wgs84
from athwart.geometry.lever import east_north, rotate_covariance
from athwart.geometry.magnetic import compass_to_true, interpolate_deviation, variation
from athwart.geometry.sound import sound_speed


@pytest.mark.parametrize(
    ("celsius", "mps"), [(5, 1426.170), (10, 1447.289), (20, 1482.380), (30, 1509.167)]
)
def test_fresh_water(celsius, mps, shaped):
    """Marczak 1997 (coefficients read, values computed); formulas agree within 0.5 m/s."""
    np.testing.assert_allclose(sound_speed(shaped(celsius), 0.0), mps, atol=0.5)


def test_sea_water_against_mackenzie():
    """Mackenzie 1981 (coefficients read at NPL); S = 35 PSU is 35.17 g/kg absolute."""
    t, s, d = 12.0, 35.0, 10.0
    c = (
        1448.96 + 4.591 * t - 5.304e-2 * t**2 + 2.374e-4 * t**3 + 1.340 * (s - 35)
        + 1.630e-2 * d + 1.675e-7 * d**2 - 1.025e-2 * t * (s - 35) - 7.139e-13 * t * d**3
    )  # fmt: skip
    assert float(sound_speed(t, 35.17, d)) == pytest.approx(c, abs=0.5)


@pytest.mark.parametrize(
    ("compass", "deviation", "var", "true"),
    [
        (94.0, 2.0, -6.0, 90.0),  # tools.gera.services: true 090, var 6 W, dev 2 E, compass 094
        (110.0, -5.0, -15.0, 90.0),  # classicparker.com: var 15 W, dev 5 W
        (265.0, 0.0, -6.0, 259.0),  # ehow.com: 265 magnetic, 6 W -> 259 true
        (2.0, -1.0, -4.0, 357.0),  # round the card
    ],
)
def test_compass_to_true(compass, deviation, var, true, shaped):
    np.testing.assert_allclose(compass_to_true(shaped(compass), deviation, var), true)


def test_variation_of_the_world_magnetic_model():
    """WMM2025 test values, 2025.0, sea level: 80N 0E 1.28; 0N 120E -0.16; 80S 240E 68.78.

    From memory. Our place is taken at mid-month, which moves 80S by 0.01 degree.
    """
    got = variation([0.0, 120.0, 240.0], [80.0, 0.0, -80.0], np.datetime64("2025-01-01"))
    np.testing.assert_allclose(got, [1.28, -0.16, 68.78], atol=0.03)


def test_variation_of_another_time_and_outside_the_models():
    then, now = (variation(10.0, 50.0, np.datetime64(d)) for d in ("2012-06-01", "2026-06-01"))
    assert 1.0 < float(now - then) < 4.0
    with pytest.raises(DataError, match="2010 to 2029"):
        variation(10.0, 50.0, np.datetime64("1999-01-01"))


def test_deviation_table_goes_round_the_card():
    table = ((0.0, 2.0), (90.0, 0.0), (270.0, 4.0))
    np.testing.assert_allclose(interpolate_deviation([45.0, 315.0, 360.0], table), [1.0, 3.0, 2.0])
    assert float(interpolate_deviation(77.0, ())) == 0.0


def test_flinders_peak_to_buninyong():
    """Geoscience Australia GeodePy tests: 54972.271 m, 306 52 05.37 (read)."""
    bearing, distance = inverse(144.424867889, -37.951033417, 143.926495528, -37.652821139)
    assert float(distance) == pytest.approx(54972.271, abs=2e-3)
    assert float(bearing) == pytest.approx(306 + 52 / 60 + 5.37 / 3600, abs=1e-6)
    angle = np.radians(306 + 52 / 60 + 5.37 / 3600)
    lon, lat = displace(
        144.424867889, -37.951033417, 54972.271 * np.sin(angle), 54972.271 * np.cos(angle)
    )
    assert (float(lon), float(lat)) == pytest.approx((143.926495528, -37.652821139), abs=2e-8)


def test_karney_line():
    """geographiclib 2.1, test_geodesic.py, first line, WGS 84 (read)."""
    _, distance = inverse(-139.44815, 35.60777, -69.95921, -11.17491)
    assert float(distance) == pytest.approx(8935244.5604818305, abs=1e-6)


@pytest.mark.parametrize(
    ("lon", "lat"), [(179.9999, 10.0), (-180.0, -60.0), (30.0, 90.0), (0.0, -90.0)]
)
def test_offsets_come_back_at_poles_and_the_date_line(lon, lat):
    there = displace(lon, lat, 60.0, -25.0 if lat >= 0 else 25.0)
    assert -180 <= there[0] < 180
    east, north = local_offsets(*there, lon, lat)
    assert float(np.hypot(east, north)) == pytest.approx(65.0, abs=1e-6)


def test_starboard_of_a_boat_heading_east_is_south():
    """A planted fault (east and north swapped, or sides exchanged) shows here."""
    east, north = east_north(2.0, 10.0, 90.0)
    assert (float(east), float(north)) == pytest.approx((2.0, -10.0))


def test_covariance_turns_with_the_boat():
    f, s, heading = 4.0, 9.0, 30.0
    e, n, c = rotate_covariance(f, s, 1.0, heading)
    a = np.radians(heading)
    m = np.array([[np.sin(a), np.cos(a)], [np.cos(a), -np.sin(a)]])
    expected = m @ np.array([[f, 1.0], [1.0, s]]) @ m.T
    np.testing.assert_allclose([[e, c], [c, n]], expected)


def test_known_crs_is_transformed_and_said():
    """GeodePy, MGA zone 55: Flinders Peak E 273741.2966 N 5796489.7769 (GDA; 1 m for the datum)."""
    lon, lat, words = to_wgs84([273741.2966], [5796489.7769], "EPSG:28355", allow_ballpark=True)
    assert (lon[0], lat[0]) == pytest.approx((144.424867889, -37.951033417), abs=2e-5)
    assert "accuracy" in words
