"""Sound, compass, geodesic and lever arm against published values."""

import gsw
import numpy as np
import pytest
from pygeomag import GeoMag
from pyproj import CRS

from athwart.errors import DataError
from athwart.geometry.geodesic import (
    displace,
    from_grid,
    inverse,
    local_grid,
    local_offsets,
    to_grid,
    to_wgs84,
)
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
    ("salinity", "conservative", "decibar", "mps"),
    [
        (34.7118, 28.7856, 10, 1542.426412), (34.8915, 28.4329, 50, 1542.558892),
        (35.0256, 22.8103, 125, 1530.801535), (34.8472, 10.2600, 250, 1494.551099),
        (34.7366, 6.8863, 600, 1487.622787), (34.7324, 4.4036, 1000, 1484.271672),
    ],
)  # fmt: skip
def test_the_sea_at_depth(salinity, conservative, decibar, mps, shaped):
    """The check values of TEOS-10 for gsw_sound_speed (read at teos-10.org).

    Theirs are of a polynomial, ours of the exact function; they agree within 0.2 m/s.
    """
    in_situ = gsw.t_from_CT(salinity, conservative, decibar)
    got = sound_speed(shaped(in_situ), salinity, shaped(float(decibar)))
    np.testing.assert_allclose(got, mps, atol=0.2)


def test_depth_counts_from_the_surface(shaped):
    np.testing.assert_array_equal(sound_speed(shaped(9.0), 35.0), sound_speed(9.0, 35.0, 0.0))


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


@pytest.mark.parametrize("day", ["2009-12-31T23:59", "2030-01-01", "NaT"])
def test_a_day_outside_the_models_is_refused_and_the_first_and_last_are_not(day):
    with pytest.raises(DataError, match="2010 to 2029"):
        variation([10.0, 10.0], 50.0, np.array(["2026-01-01", day], "datetime64[us]"))
    ends = variation(10.0, 50.0, np.array(["2010-01-01", "2029-12-31T23:59"], "datetime64[us]"))
    assert np.isfinite(ends).all()


def test_each_place_and_month_has_its_own_variation(shaped):
    """Witness: pygeomag asked for each alone, in the middle of the month."""
    lon, lat = np.array([[10.0, -31.2], [150.0, 10.0]]), np.array([[50.0, 44.4], [-30.0, 50.0]])
    days = np.array([["2021-03-05", "2024-11-30"], ["2012-06-01", "2021-04-01"]], "datetime64[us]")
    got = variation(lon, lat, days)
    years = [[2021 + 2.5 / 12, 2024 + 10.5 / 12], [2012 + 5.5 / 12, 2021 + 3.5 / 12]]
    for at in np.ndindex(2, 2):
        model = GeoMag(base_year=int(years[at[0]][at[1]] // 5 * 5))
        want = model.calculate(glat=lat[at], glon=lon[at], alt=0, time=years[at[0]][at[1]]).d
        assert got[at] == pytest.approx(want, abs=1e-9)
    one = variation(shaped(10.0), shaped(50.0), np.datetime64("2021-03-05"))
    np.testing.assert_allclose(one, got[0, 0])


@pytest.mark.parametrize("lat", [-80.0, -79.9, -0.1, 0.0, 12.0, 84.0])
def test_the_grid_of_a_place_is_the_zone_that_holds_it(lat):
    """Witness: the areas of use of the EPSG data set; a zone begins at its western meridian."""
    for lon in (-180.0, -177.0, -6.0, -0.1, 0.0, 5.9, 6.0, 179.9, 180.0):
        code = local_grid(lon, lat)
        crs = CRS(code)
        inside = (lon + 180.0) % 360.0 - 180.0
        west = crs.area_of_use.west
        assert west <= inside < west + 6.0
        assert crs.area_of_use.south <= lat <= crs.area_of_use.north
        assert crs.name.startswith("WGS 84 / UTM zone")


def test_northing_is_the_meridians_arc_times_the_scale(shaped):
    """UTM: 0.9996 of the arc from the equator, 500 km on the central meridian. Witness: inverse."""
    for lat, south in ((45.0, 0.0), (-45.0, 1e7)):
        arc = float(inverse(9.0, 0.0, 9.0, lat)[1])
        x, y = to_grid(shaped(9.0), shaped(lat), 32632 if lat > 0 else 32732)
        np.testing.assert_allclose(x, 500_000.0, atol=1e-4)
        np.testing.assert_allclose(y, south + np.sign(lat) * 0.9996 * arc, atol=1e-3)


@pytest.mark.parametrize(("lat", "name"), [(84.1, "North"), (89.9, "North"), (-80.1, "South")])
def test_the_grid_near_a_pole_is_ups_with_easting_first(lat, name):
    code = local_grid(12.0, lat)
    assert CRS(code).name == f"WGS 84 / UPS {name} (E,N)"
    assert from_grid(*to_grid(12.0, lat, code), code) == pytest.approx((12.0, lat))


def test_what_is_wgs_84_already_stays_and_an_approximate_way_is_asked_about():
    lon, lat, words = to_wgs84([12.0], [55.0], 4326)
    assert (lon[0], lat[0], words) == (12.0, 55.0, "")
    unlike = "+proj=longlat +ellps=bessel +no_defs"  # a datum of which nothing is known
    with pytest.raises(DataError, match="only an approximate way") as caught:
        to_wgs84([12.0], [55.0], unlike)
    assert caught.value.code == "approximate-transformation"
    _, _, words = to_wgs84([12.0], [55.0], unlike, allow_ballpark=True)
    assert "accuracy unknown" in words


def test_deviation_table_goes_round_the_card():
    table = ((0.0, 2.0), (90.0, 0.0), (270.0, 4.0))
    np.testing.assert_allclose(interpolate_deviation([45.0, 315.0, 360.0], table), [1.0, 3.0, 2.0])
    assert float(interpolate_deviation(77.0, ())) == 0.0
    full = ((360.0, 2.0), (90.0, 0.0), (270.0, 4.0))
    np.testing.assert_allclose(interpolate_deviation([405.0, -45.0, 0.0], full), [1.0, 3.0, 2.0])


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
