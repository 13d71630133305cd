"""Zones: inside, within R95 of the edge or clear, wherever on Earth, and nothing passed over."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from athwart.errors import DataError
from athwart.geometry.geodesic import displace
from athwart.plan.zones import CLEAR, INSIDE, NEAR, PARTLY, Zones, judge, judge_shapes


def zones_of(*shapes, crs="EPSG:4326", **columns):
    return Zones.from_frame(gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs))


def degree_m(lat):
    """Length of a degree of longitude and of latitude on WGS 84, metres.

    Series of "Length of a degree of latitude and longitude" in Bowditch, "The American Practical
    Navigator" (NGA); from memory.
    """
    u = np.radians(lat)
    east = 111412.84 * np.cos(u) - 93.5 * np.cos(3 * u) + 0.118 * np.cos(5 * u)
    north = 111132.92 - 559.82 * np.cos(2 * u) + 1.175 * np.cos(4 * u) - 0.0023 * np.cos(6 * u)
    return east, north


@pytest.mark.parametrize("lat", [-46.2, 0.0, 71.0])
def test_distances_are_those_of_the_table_of_a_degree(lat):
    """East and west of a meridian, north of a parallel; inside is below 0."""
    zones = zones_of(box(10.0, lat, 10.01, lat + 0.01), name=["Square"])
    east, north = degree_m(lat + 0.005)
    lon = np.array([10.011, 10.009, 9.9995, 10.005])
    at = np.array([lat + 0.005] * 3 + [lat + 0.0105])
    found = judge(zones, lon, at, 30.0)
    wanted = np.array([0.001 * east, -0.001 * east, 0.0005 * east, 0.0005 * north])
    np.testing.assert_allclose(found.distance_m, wanted, atol=0.02)
    assert found.state[1] == INSIDE
    assert list(found.state[[0, 2, 3]]) == [NEAR if d <= 30 else CLEAR for d in wanted[[0, 2, 3]]]


def test_a_point_alone_is_judged_like_a_row_of_many():
    zones = zones_of(box(10, 55, 10.01, 55.01), box(10.02, 55, 10.03, 55.01))
    lon, lat = np.linspace(9.99, 10.043, 23), np.linspace(54.999, 55.011, 23)
    together = judge(zones, lon, lat, 12.0)
    assert len(together) == 46
    for i in range(23):
        alone = judge(zones, lon[i], lat[i], 12.0)
        here = together.item == i
        assert list(alone.zone) == list(together.zone[here])
        assert list(alone.state) == list(together.state[here])
        np.testing.assert_allclose(alone.distance_m, together.distance_m[here], atol=1e-3)


def even_odd(corners, x, y):
    """Jordan's rule: a ray to the east crosses the outline an odd number of times from inside."""
    odd = False
    for (x1, y1), (x2, y2) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if (y1 > y) != (y2 > y) and x < x1 + (y - y1) / (y2 - y1) * (x2 - x1):
            odd = not odd
    return odd


@given(st.integers(0, 10_000), st.floats(-1, 1), st.floats(-1, 1))
@settings(max_examples=80, deadline=None)
def test_inside_is_what_a_ray_says_and_the_edge_is_as_far_as_its_nearest_point(seed, x, y):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
    radius = rng.uniform(0.2, 1.0, 9)
    corners = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1) * 0.01
    zone = Polygon(corners + np.array([20.0, 10.0]))
    if not zone.is_valid:
        return
    found = judge(zones_of(zone), 20 + 0.01 * x, 10 + 0.01 * y)
    (distance,) = found.distance_m
    along = zone.exterior.interpolate(np.linspace(0, 1, 4000), normalized=True)
    east, north = degree_m(10.0)
    dense = shapely.get_coordinates(along) - [20 + 0.01 * x, 10 + 0.01 * y]
    nearest = np.hypot(dense[:, 0] * east, dense[:, 1] * north).min()
    assert abs(distance) == pytest.approx(nearest, abs=2.0)
    if abs(distance) > 1.0:
        assert (distance < 0) == even_odd(corners, 0.01 * x, 0.01 * y)


def test_a_hole_is_outside():
    ring = Polygon(
        box(10, 55, 10.02, 55.02).exterior, [box(10.005, 55.005, 10.015, 55.015).exterior]
    )
    found = judge(zones_of(ring), [10.01, 10.0025], [55.01, 55.01])
    assert list(found.distance_m > 0) == [True, False]


def test_a_zone_cut_at_the_180th_meridian_is_one_and_its_cut_no_edge():
    cut = MultiPolygon([box(179.99, 10, 180, 10.02), box(-180, 10, -179.99, 10.02)])
    whole = box(179.99, 10, 180.01, 10.02)
    lon, lat = [180.0, -179.999, 179.999, -179.985], [10.01] * 4
    for zone in (cut, whole):
        found = judge(zones_of(zone), lon, lat)
        east, _ = degree_m(10.01)
        np.testing.assert_allclose(
            found.distance_m, [-0.01 * east, -0.009 * east, -0.009 * east, 0.005 * east], atol=0.05
        )


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_zone_over_a_pole(sign):
    """The cap above 89 degrees: the pole lies 111.69 km inside (a degree of latitude there)."""
    cap = box(-180, min(89 * sign, 90 * sign), 180, max(89 * sign, 90 * sign))
    found = judge(zones_of(cap), [0, 123.0, -60], [90.0 * sign, 89.01 * sign, 88.99 * sign])
    _, north = degree_m(89.5)
    assert found.distance_m[0] == pytest.approx(-north, abs=20)
    np.testing.assert_allclose(found.distance_m[1:], [-0.01 * north, 0.01 * north], atol=1.0)


def test_only_zones_within_reach_are_listed_and_none_of_them_is_missed():
    rng = np.random.default_rng(4)
    boxes = [box(x, y, x + 0.004, y + 0.004) for x, y in rng.uniform(-1, 1, (200, 2))]
    zones = zones_of(*boxes)
    lon, lat = rng.uniform(-1, 1, (2, 300))
    everything, near = judge(zones, lon, lat, 20.0), judge(zones, lon, lat, 20.0, reach_m=500)
    keep = everything.distance_m <= 520
    assert 0 < len(near) < len(everything)
    assert list(near.item) == list(everything.item[keep])
    assert list(near.zone) == list(everything.zone[keep])


def test_marks_on_two_waters_far_apart_are_judged_in_one_go():
    zones = zones_of(box(10, 55, 10.01, 55.01), box(-70, -30, -69.99, -29.99))
    found = judge(zones, [10.005, -69.995], [55.005, -29.995], reach_m=0)
    assert list(zip(found.item, found.zone, found.state, strict=True)) == [
        (0, 0, INSIDE),
        (1, 1, INSIDE),
    ]


def test_lines_through_beside_and_within_a_zone():
    """A square of 0.01 degrees; the line along its middle parallel is as long as the table says."""
    zones = zones_of(box(10, 55, 10.01, 55.01))
    east, north = degree_m(55.005)
    through = LineString([(9.99, 55.005), (10.02, 55.005)])
    beside = LineString([(9.99, 55.0101), (10.02, 55.0101)])
    within = LineString([(10.004, 55.005), (10.006, 55.005)])
    found = judge_shapes(zones, [through, beside, within], [0, 20, 0])
    assert list(found.state) == [PARTLY, NEAR, INSIDE]
    assert found.distance_m[0] == 0
    np.testing.assert_allclose(found.inside_m, [0.01 * east, 0, 0.002 * east], atol=0.05)
    assert found.along_m[0] == pytest.approx(0.01 * east, abs=0.05)
    # Straight in the plane between its ends, so it bows 0.05 m towards the pole: 20 km east-west.
    assert found.distance_m[1] == pytest.approx(0.0001 * north, abs=0.1)
    assert found.distance_m[2] == pytest.approx(-0.004 * east, abs=0.05)


def test_a_cable_is_a_zone_without_an_inside():
    zones = zones_of(LineString([(10, 55), (10, 55.02)]), name=["Cable"])
    lon, lat = displace(10.0, 55.01, 8.0, 0.0)
    found = judge(zones, [float(lon), 10.01], [float(lat), 55.01], 10.0)
    assert list(found.state) == [NEAR, CLEAR]
    assert found.distance_m[0] == pytest.approx(8.0, abs=0.01)
    across = judge_shapes(zones, [LineString([(9.999, 55.01), (10.001, 55.01)])])
    assert across.sentences(zones) == ['crosses "Cable", 64 m along it']


def test_areas_and_points_of_a_plan_are_judged_too():
    zones = zones_of(box(10, 55, 10.01, 55.01), name=["A"])
    shapes = [box(10.005, 55.005, 10.02, 55.02), Point(10.005, 55.005), box(9, 54, 9.01, 54.01)]
    found = judge_shapes(zones, shapes, reach_m=0)
    assert list(zip(found.item, found.state, strict=True)) == [(0, PARTLY), (1, INSIDE)]


def test_sentences_name_zone_rule_and_units():
    zones = zones_of(box(10, 55, 10.01, 55.01), name=["Pier"], note=["no anchoring"])
    lon, lat = displace(10.0, 55.005, -3.048, 0.0)
    found = judge(zones, float(lon), float(lat), 5.0)
    assert found.sentences(zones, "feet") == [
        'only 10.0 ft from the edge of "Pier", within the R95. Rule: no anchoring'
    ]


def test_columns_are_found_whatever_their_capitals_and_it_is_said_which():
    zones = zones_of(box(0, 0, 1, 1), NAME=["Reserve"], Description=["closed all year"])
    assert (zones.name[0], zones.rule[0], zones.kind[0]) == ("Reserve", "closed all year", "")
    assert zones.words == (
        "zones have names from the column 'NAME', rules from the column 'Description', "
        "no column for kinds",
    )
    assert zones.closed.tolist() == [True]
    bare = zones_of(box(0, 0, 1, 1), box(2, 2, 3, 3))
    assert bare.name.tolist() == ["zone 1", "zone 2"]
    assert bare.words == ("zones have no column for names and rules and kinds",)


def test_an_outline_that_crosses_itself_is_mended_and_said():
    bow_tie = Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    zones = zones_of(bow_tie, name=["Tie"])
    assert zones.geometry[0].is_valid
    assert zones.geometry[0].area == pytest.approx(0.5)
    assert (
        "the outline of 'Tie' (row 1) crosses or touches itself near 00°30.0000'N" in zones.words[1]
    )
    found = judge(zones, [0.1, 0.5], [0.5, 0.9])
    assert list(found.state) == [INSIDE, CLEAR]


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        (Polygon([(0, 0), (1, 1), (0, 0)]), "encloses nothing"),
        (Polygon(), "has no shape that can be read"),
        (None, "has no shape that can be read"),
        (box(0, 80, 1, 95), "no place on Earth"),
        (box(500, 0, 501, 1), "beyond 360"),
    ],
)
def test_a_zone_that_cannot_be_mended_is_refused_by_name(shape, words):
    with pytest.raises(DataError, match=rf"'Bad' \(row 2\).*{words}"):
        zones_of(box(0, 0, 1, 1), shape, name=["Good", "Bad"])


def test_points_are_no_zones():
    zones = zones_of(box(0, 0, 1, 1), Point(0, 0))
    assert len(zones) == 1
    assert "left out: 1 point" in zones.words[1]
    with pytest.raises(DataError, match="no area and no line"):
        zones_of(Point(0, 0))


def test_another_reference_system_is_transformed_and_none_is_refused():
    """UTM 32N: its middle meridian is 9 E at 500,000 m east (EPSG 32632)."""
    zones = zones_of(box(499_000, 6_100_000, 501_000, 6_101_000), crs="EPSG:32632")
    west, _, east, _ = zones.geometry[0].bounds
    assert (west + east) / 2 == pytest.approx(9.0, abs=1e-9)
    with pytest.raises(DataError, match="no coordinate reference system"):
        zones_of(box(0, 0, 1, 1), crs=None)


@pytest.mark.parametrize("r95", [np.nan, -1.0, np.inf])
def test_an_unknown_error_is_never_taken_as_none(r95):
    with pytest.raises(DataError, match="an R95 is missing"):
        judge(zones_of(box(0, 0, 1, 1)), 0, 0, r95)


def test_a_position_that_is_missing_is_refused():
    with pytest.raises(DataError, match="no position"):
        judge(zones_of(box(0, 0, 1, 1)), [np.nan], [0.0])


def test_texts_of_a_file_cannot_steer_a_terminal_and_closed_is_a_word():
    zones = zones_of(
        box(0, 0, 1, 1), box(2, 2, 3, 3),
        name=["\x1b[2JPier\u202e\n two", "B"], rule=["CLOSED\r\nin May", "disclosed to nobody"],
    )  # fmt: skip
    assert zones.name[0] == "[2JPier two"
    assert zones.rule[0] == "CLOSED in May"
    assert zones.closed.tolist() == [True, False]


def test_zones_go_into_a_plan_with_their_rule():
    zones = zones_of(box(0, 0, 1, 1), name=["A"], rule=["closed"], kind=["reserve"])
    (feature,) = zones.features()
    assert (feature.role, feature.name, feature.note) == ("zone", "A", "closed")
    both = Zones.concat([zones, zones])
    assert len(both) == 2
    assert len(both.take([True, False])) == 1
