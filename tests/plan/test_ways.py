"""Shortest ways by water: straight where they can be, round land and closed water where not."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from athwart.errors import DataError
from athwart.geometry.geodesic import inverse
from athwart.geometry.plane import LocalPlane
from athwart.plan.ways import shortest_ways

PLACES = [(12.2, 55.5), (-179.9999, -16.9), (40.0, 89.99), (-20.0, -89.98)]


def on_earth(plane, *shapes):
    return [plane.shape_to_earth(s) for s in shapes]


def at(plane, *xy):
    return plane.to_earth(*np.array(xy, float).T)


def length_of(lon, lat):
    return float(inverse(lon[:-1], lat[:-1], lon[1:], lat[1:])[1].sum())


@pytest.mark.parametrize("place", PLACES, ids=["sound", "180th", "north pole", "south pole"])
def test_without_polygons_a_way_is_the_geodesic(place):
    plane = LocalPlane(*place)
    lon, lat = at(plane, (0, 0), (3000, 400), (-800, 5000))
    ways = shortest_ways(lon, lat)
    for a in range(3):
        for b in range(3):
            _, metres = inverse(lon[a], lat[a], lon[b], lat[b])
            assert ways.length_m[a, b] == pytest.approx(float(metres), abs=0.01)


@pytest.mark.parametrize("place", PLACES, ids=["sound", "180th", "north pole", "south pole"])
def test_a_way_round_a_disc_is_two_tangents_and_the_arc_between(place):
    """Elementary geometry: 2 sqrt(d^2 - r^2) + (pi - 2 arccos(r / d)) r, d from the middle."""
    plane, r, d = LocalPlane(*place), 1000.0, 2000.0
    (disc,) = on_earth(plane, shapely.Point(0, 0).buffer(r, quad_segs=256))
    lon, lat = at(plane, (-d, 0), (d, 0))
    ways = shortest_ways(lon, lat, closed=disc)
    exact = 2 * np.sqrt(d**2 - r**2) + (np.pi - 2 * np.arccos(r / d)) * r
    assert exact < ways.length_m[0, 1] < exact + 6.0  # a metre or two is kept off the edge
    assert length_of(*ways.way(0, 1)) == pytest.approx(ways.length_m[0, 1], abs=0.5)


def test_a_wall_is_passed_at_its_nearer_end_by_the_margin_that_was_asked_for():
    plane = LocalPlane(12.2, 55.5)
    (wall,) = on_earth(plane, shapely.box(-10, -3000, 10, 1000))
    lon, lat = at(plane, (-1500, 0), (1500, 0))
    ways = shortest_ways(lon, lat, closed=wall, clear_m=50.0)
    x, y = plane.to_plane(*ways.way(0, 1))
    line = shapely.LineString(np.stack([x, y], axis=1))
    nearest = line.distance(shapely.box(-10, -3000, 10, 1000))
    assert 50.0 <= nearest < 90.0
    assert y.max() < 1100.0
    # Over the corners of the box grown by 50 m, less what its round corners save.
    assert 2 * np.hypot(1440, 1050) < ways.length_m[0, 1] < 2 * np.hypot(1440, 1100) + 140


def test_the_way_is_the_same_in_both_directions_and_ends_at_the_places():
    plane = LocalPlane(12.2, 55.5)
    (wall,) = on_earth(plane, shapely.box(-10, -3000, 10, 1000))
    lon, lat = at(plane, (-1500, 0), (1500, 0), (0, 4000))
    ways = shortest_ways(lon, lat, closed=wall)
    np.testing.assert_array_equal(ways.length_m, ways.length_m.T)
    there, back = ways.way(0, 1), ways.way(1, 0)
    np.testing.assert_allclose(there[0], back[0][::-1], atol=1e-9)
    np.testing.assert_allclose(
        [there[0][0], there[0][-1], there[1][0], there[1][-1]],
        [lon[0], lon[1], lat[0], lat[1]],
        atol=1e-9,
    )


def test_water_in_two_pieces_has_no_way_between_them():
    plane = LocalPlane(12.2, 55.5)
    water = shapely.MultiPolygon([shapely.box(0, 0, 900, 900), shapely.box(1000, 0, 2000, 900)])
    lon, lat = at(plane, (450, 450), (1500, 450), (1600, 450))
    ways = shortest_ways(lon, lat, water=plane.shape_to_earth(water))
    assert np.isinf(ways.length_m[0, 1])
    assert ways.length_m[1, 2] == pytest.approx(100.0, abs=0.01)
    with pytest.raises(DataError, match="no way by water from place 0 to place 1"):
        ways.way(0, 1)


def test_places_on_land_and_in_closed_water_are_told():
    plane = LocalPlane(12.2, 55.5)
    water, shut = on_earth(plane, shapely.box(0, 0, 2000, 2000), shapely.box(500, 500, 700, 700))
    lon, lat = at(plane, (1000, 1000), (-120, 1000), (600, 600))
    ways = shortest_ways(lon, lat, water=water, closed=shut, clear_m=20.0)
    np.testing.assert_array_equal(ways.closed, [False, False, True])
    assert ways.off_m[0] == 0.0
    assert ways.off_m[1] == pytest.approx(120 + 21, abs=1.0)  # the margin and the step of the edge


def test_a_creek_that_bends_is_followed_however_ragged_its_banks():
    """Against a chain of straight lines down the middle of the creek, which is not shorter."""
    rng = np.random.default_rng(5)
    plane = LocalPlane(174.0, -36.0)
    s = np.linspace(0, 6000, 1500)
    middle = np.stack([s, 900 * np.sin(s / 700)], axis=1)
    creek = shapely.LineString(middle).buffer(60).simplify(1)
    bays = shapely.buffer(shapely.points(middle[::9] + rng.normal(0, 30, (167, 2))), 20)
    ragged = shapely.union_all([creek, *bays])
    lon, lat = at(plane, middle[5], middle[-5])
    ways = shortest_ways(lon, lat, water=plane.shape_to_earth(ragged), clear_m=10.0)
    x, y = plane.to_plane(*ways.way(0, 1))
    line = shapely.LineString(np.stack([x, y], axis=1))
    assert ragged.covers(line)
    assert line.distance(ragged.boundary) >= 9.99
    assert ways.length_m[0, 1] < shapely.LineString(middle[5:-4]).length


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_no_way_leaves_the_water_and_none_is_longer_than_on_a_grid(seed):
    """Dijkstra on a grid of 25 m with 16 directions: never shorter than the true way by theory."""
    rng = np.random.default_rng(seed)
    plane = LocalPlane(12.2, 55.5)
    land = shapely.union_all(
        [shapely.Point(*rng.uniform(0, 2000, 2)).buffer(rng.uniform(50, 350)) for _ in range(9)]
    )
    water = shapely.box(-200, -200, 2200, 2200).difference(land)
    free = water.buffer(-12.0)
    nodes = np.stack(np.meshgrid(np.arange(0, 2001, 25.0), np.arange(0, 2001, 25.0)), -1)
    nodes = nodes.reshape(-1, 2)
    nodes = nodes[shapely.contains_xy(free, nodes)]
    ends = rng.choice(len(nodes), 2, replace=False)
    lon, lat = at(plane, *nodes[ends])
    ways = shortest_ways(lon, lat, water=plane.shape_to_earth(water))
    index = {tuple(p): k for k, p in enumerate(nodes.tolist())}
    steps = [(25, 0), (0, 25), (25, 25), (25, -25), (50, 25), (50, -25), (25, 50), (25, -50)]
    a, b = [], []
    for dx, dy in steps:
        for (x, y), k in index.items():
            other = index.get((x + dx, y + dy))
            if other is not None:
                a.append(k)
                b.append(other)
    a, b = np.array(a), np.array(b)
    seen = shapely.covers(free, shapely.linestrings(np.stack([nodes[a], nodes[b]], axis=1)))
    a, b = a[seen], b[seen]
    graph = csr_array((np.hypot(*(nodes[a] - nodes[b]).T), (a, b)), shape=(len(nodes),) * 2)
    on_grid = dijkstra(graph, directed=False, indices=ends[0])[ends[1]]
    if np.isinf(on_grid):
        return
    assert ways.length_m[0, 1] <= on_grid + 0.01
    line = shapely.LineString(np.stack(plane.to_plane(*ways.way(0, 1)), axis=1))
    assert water.covers(line)
    assert ways.length_m[0, 1] >= shapely.Point(nodes[ends[0]]).distance(
        shapely.Point(nodes[ends[1]])
    ) - 0.01  # fmt: skip


def test_water_that_leaves_no_room_or_lies_elsewhere_is_refused():
    plane = LocalPlane(12.2, 55.5)
    water, far = on_earth(plane, shapely.box(0, 0, 50, 50), shapely.box(9e4, 0, 9.1e4, 1000))
    lon, lat = at(plane, (10, 10), (40, 40))
    with pytest.raises(DataError, match="keeping 30 m from every edge leaves no water at all"):
        shortest_ways(lon, lat, water=water, clear_m=30.0)
    with pytest.raises(DataError, match="does not reach the places of this day"):
        shortest_ways(lon, lat, water=far)
