"""The plane about a place, held to geographiclib's geodesics."""

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon

from athwart.errors import DataError
from athwart.geometry.plane import LocalPlane

PLACES = [(12.0, 55.0), (-180.0, -17.0), (179.99, 0.0), (40.0, 89.99), (0.0, -90.0)]


@pytest.mark.parametrize(("lon", "lat"), PLACES)
def test_points_go_there_and_back(lon, lat):
    plane = LocalPlane(lon, lat)
    x, y = np.array([0.0, 5000, -8000, 12.5]), np.array([0.0, -3000, 9000, -7.5])
    a, b = plane.to_plane(*plane.to_earth(x, y))
    assert np.allclose(a, x, atol=1e-6)
    assert np.allclose(b, y, atol=1e-6)


@given(
    st.sampled_from(PLACES),
    st.lists(st.tuples(st.floats(-9000, 9000), st.floats(-9000, 9000)), min_size=3, max_size=8),
)
def test_areas_and_lengths_are_those_of_the_ellipsoid(place, corners):
    """Geographiclib's polygon area (Karney 2013) is the witness."""
    ring = shapely.convex_hull(shapely.MultiPoint(corners))
    if ring.geom_type != "Polygon" or ring.area < 1e4:
        return
    lon, lat = LocalPlane(*place).to_earth(*np.array(ring.exterior.coords)[:-1].T)
    about = LocalPlane.about(lon, lat)
    x, y = about.to_plane(lon, lat)
    polygon = Geodesic.WGS84.Polygon()
    for a, b in zip(lat, lon, strict=True):
        polygon.AddPoint(a, b)
    _, perimeter, area = polygon.Compute()
    flat = Polygon(np.column_stack([x, y]))
    assert flat.area == pytest.approx(abs(area), rel=2e-6, abs=0.5)
    assert flat.length == pytest.approx(perimeter, rel=1e-6, abs=1e-3)


def test_a_shape_across_the_180th_meridian_stays_in_one_piece():
    plane = LocalPlane(179.999, -17.0)
    there = plane.shape_to_earth(shapely.box(-500, -500, 500, 500))
    assert there.is_valid
    west, _, east, _ = there.bounds
    assert 0 < east - west < 0.01
    assert shapely.equals_exact(
        plane.shape_to_plane(there), shapely.box(-500, -500, 500, 500), 1e-6
    )


def test_the_middle_is_that_of_the_extent_not_of_the_crowd():
    about = LocalPlane.about([1.0, 1.0, 1.0, 1.0, 2.0, np.nan], [0.0, 0.0, 0.0, 0.0, 0.0, 5.0])
    assert (about.lon, about.lat) == pytest.approx((1.5, 0.0), abs=1e-4)
    about = LocalPlane.about([0.0, 90.0, 180.0, -90.0], [89.9] * 4)
    assert about.lat == pytest.approx(90.0, abs=1e-9)
    about = LocalPlane.about([179.5, -179.5], [-40.0, -40.0])
    assert abs(about.lon) == pytest.approx(180.0, abs=1e-9)


@pytest.mark.parametrize(("degrees", "taken"), [(3.58, True), (3.61, False)])
def test_two_hundred_kilometres_from_the_middle_is_the_most(degrees, taken):
    """Along the equator a degree is a pi / 180 = 111.3195 km (WGS 84): 3.593 degrees."""
    lon = [-degrees / 2, 0.1, degrees / 2]
    if taken:
        assert LocalPlane.about(lon, [0.0] * 3).lat == 0.0
    else:
        with pytest.raises(DataError, match="up to 201 km from their middle; allowed is 200 km"):
            LocalPlane.about(lon, [0.0] * 3)


def test_long_edges_run_straight_in_longitude_and_latitude():
    """RFC 7946, 3.1.1: an edge along a parallel stays on it. Witness: geographiclib's area of
    the same edge cut into pieces of a thousandth of a degree."""
    box = shapely.box(12.0, 60.0, 13.0, 60.1)
    laid = LocalPlane(12.5, 60.05).area_to_plane(box)
    ring = np.array(shapely.segmentize(box, 0.001).exterior.coords)[:-1]
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in ring:
        polygon.AddPoint(lat, lon)
    assert laid.area == pytest.approx(abs(polygon.Compute()[2]), rel=1e-5)


def test_an_area_about_a_pole_is_one_again():
    """Four quarters that meet at the pole, as files cut them."""
    quarters = shapely.MultiPolygon([shapely.box(w, 89.9, w + 90, 90) for w in (-180, -90, 0, 90)])
    laid = LocalPlane(0.0, 90.0).area_to_plane(quarters)
    assert laid.geom_type == "Polygon"
    assert len(laid.interiors) == 0
    across = Geodesic.WGS84.Inverse(90, 0, 89.9, 0)["s12"]
    assert laid.area == pytest.approx(np.pi * across**2, rel=1e-3)


@pytest.mark.parametrize("pole", [90.0, -90.0])
def test_two_quarters_that_meet_at_a_pole_are_one(pole):
    low, high = sorted([pole, pole * 89.9 / 90])
    quarters = [shapely.box(0, low, 60, high), shapely.box(60, low, 120, high)]
    laid = LocalPlane(60.0, pole).area_to_plane(shapely.MultiPolygon(quarters))
    assert laid.geom_type == "Polygon"
    assert len(laid.interiors) == 0


def test_corners_away_from_any_seam_stay_to_the_last_digit():
    plane = LocalPlane(12.0, 55.0)
    for area in (shapely.box(12, 55, 12.0001, 55.0001),
                 shapely.MultiPolygon([shapely.box(w, 55, w + 0.0001, 55.0001) for w in (12, 12.3)])):  # fmt: skip
        laid = plane.area_to_plane(area)
        assert shapely.equals_exact(laid.normalize(), plane.shape_to_plane(area).normalize(), 0.0)


def test_parts_that_stand_apart_stay_apart():
    two = shapely.MultiPolygon(
        [shapely.box(12, 55, 12.01, 55.01), shapely.box(12.1, 55, 12.11, 55.01)]
    )
    laid = LocalPlane(12.05, 55.0).area_to_plane(two)
    assert laid.geom_type == "MultiPolygon"
    assert len(laid.geoms) == 2


def test_what_is_too_wide_or_empty_is_refused():
    with pytest.raises(DataError, match="one water at a time"):
        LocalPlane.about([0.0, 3.0], [2.0, -1.0])  # far to the north-west and the south-east
    with pytest.raises(DataError, match="one water at a time"):
        LocalPlane.about([0.0, 8.0], [50.0, 50.0])
    with pytest.raises(DataError, match="no position"):
        LocalPlane.about([np.nan], [np.nan])


@pytest.mark.parametrize("lat", [0.0, 51.0, -78.0])
def test_an_area_that_was_cut_at_the_180th_meridian_is_one_again(lat):
    """Witness: the geodesic area of pyproj's Geod on the same edges, divided finely."""
    from pyproj import Geod
    from shapely.geometry import GeometryCollection, LineString, MultiPolygon, box

    east = box(179.95, lat, 180.0, lat + 0.05)
    west = box(-180.0, lat, -179.95, lat + 0.05)
    both = GeometryCollection([MultiPolygon([east, west]), LineString([(0, 0), (1, 1)])])
    laid = LocalPlane(180.0, lat).area_to_plane(both)
    assert laid.geom_type == "Polygon"
    geod = Geod(ellps="WGS84")
    true = sum(
        abs(geod.geometry_area_perimeter(shapely.segmentize(p, 0.001))[0]) for p in (east, west)
    )
    assert laid.area == pytest.approx(true, rel=2e-6)


@pytest.mark.parametrize("lat", [0.0, 51.0, -78.0])
def test_a_seam_with_other_points_on_either_side_leaves_no_slivers(lat):
    top = lat + 0.05
    east = Polygon([(179.95, lat), (180, lat), (180, top), (179.95, top)])
    west = [(-180, lat), (-179.95, lat), (-179.95, top), (-180, top), (-180, lat + 0.0377)]
    both = shapely.MultiPolygon([east, Polygon([*west, (-180, lat + 0.0123)])])
    laid = LocalPlane(179.97, lat + 0.01).area_to_plane(both)
    assert laid.geom_type == "Polygon"
    assert len(laid.interiors) == 0


def test_an_outline_that_crosses_itself_is_mended_and_what_is_no_area_is_left_out():
    from shapely.geometry import LineString, Polygon

    plane = LocalPlane(12.0, 55.0)
    bow = Polygon([(12.0, 55.0), (12.01, 55.01), (12.01, 55.0), (12.0, 55.01)])
    laid = plane.area_to_plane(bow)
    assert laid.is_valid
    assert laid.area > 0
    assert plane.area_to_plane(LineString([(12, 55), (12.1, 55)])).is_empty
