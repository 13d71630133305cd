"""Shortest ways by water between places: straight where that stays on it, else round the land.

The water is what the user gives as polygons; a boat keeps off its edges by a margin. In a plane
with polygons as obstacles the shortest way between two points is a chain of straight parts that
bends only at corners that stick out into the water (Lozano-Perez and Wesley 1979, "An algorithm for
planning collision-free paths among polyhedral obstacles"; from memory). Corners that see each other
along a line that could be pulled tight are joined, and Dijkstra's method (scipy) finds the ways.
Metres in a `LocalPlane`; longitude before latitude.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError
from athwart.geometry.plane import LocalPlane

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Ways", "shortest_ways"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

_LEAST_STEP_M = 1.0
_SHARE_OF_MARGIN = 0.05
"""Edges are simplified by this share of the margin, or by a metre."""
_MITRE = 1.05
_CORNERS = (300, 1000, 2000)
"""How finely edges are followed: the most corners in each attempt; the next where a way is missing."""
_ROUND_ABOUT_M = 20_000.0
"""How far beyond the places a way round is looked for, at least; else their own breadth."""
_TOUCH_M = 0.01
_CHUNK = 200_000


@dataclass(frozen=True, eq=False, kw_only=True)
class Ways:
    """The shortest ways between places.

    Parameters
    ----------
    length_m : numpy.ndarray, shape (n, n)
        Length of the way from place to place, metres; infinite where there is none.
    off_m : numpy.ndarray, shape (n,)
        How far each place lies outside the water in which a boat keeps her margin, metres; a
        straight piece of that length leads to it.
    closed : numpy.ndarray of bool, shape (n,)
        Whether a place lies in closed water.
    """

    length_m: FloatArray
    off_m: FloatArray
    closed: BoolArray
    _lon_lat: FloatArray
    _plane: LocalPlane
    _places: FloatArray
    _nodes: FloatArray
    _before: IntArray

    def way(self, start: int, end: int) -> tuple[FloatArray, FloatArray]:
        """Return longitudes and latitudes of the way's corners, the places themselves included.

        Raises
        ------
        DataError
            There is no way.
        """
        if not np.isfinite(self.length_m[start, end]):
            raise DataError(f"there is no way by water from place {start} to place {end}")
        chain = [end]
        while chain[-1] != start:
            chain.append(int(self._before[start, chain[-1]]))
        xy = [self._places[start], *self._nodes[chain[::-1]], self._places[end]]
        points = np.array(xy)
        moved = np.r_[True, np.hypot(*np.diff(points, axis=0).T) > _TOUCH_M]
        moved[0], kept = True, points[moved]
        if len(kept) == 1:
            kept = points[[0, -1]]
        lon, lat = self._plane.to_earth(kept[:, 0], kept[:, 1])
        lon[0], lat[0] = self._lon_lat[start]
        lon[-1], lat[-1] = self._lon_lat[end]
        return lon, lat


def shortest_ways(
    lon: ArrayLike,
    lat: ArrayLike,
    *,
    water: BaseGeometry | None = None,
    closed: BaseGeometry | None = None,
    clear_m: float = 0.0,
) -> Ways:
    """Return the shortest ways between places, kept inside the water and out of what is closed.

    Parameters
    ----------
    lon, lat : array_like, shape (n,)
        Places, degrees.
    water : shapely polygons, optional
        Where a boat may go, longitude and latitude; everywhere if not given.
    closed : shapely polygons, optional
        Where she may not: closed zones, shallows.
    clear_m : float
        Distance that is kept from every edge, metres; only a place that lies nearer is gone to.

    Raises
    ------
    DataError
        The places lie too far apart, or the water leaves no room.
    """
    lon, lat = np.atleast_1d(np.asarray(lon, np.float64), np.asarray(lat, np.float64))
    plane = LocalPlane.about(lon, lat)
    places = np.stack(plane.to_plane(lon, lat), axis=1)
    lon_lat = np.stack([lon, lat], axis=1)
    if water is None and closed is None:
        return _straight(plane, places, lon_lat)
    import shapely

    room, shut = _room(plane, places, water, closed)
    step = max(_LEAST_STEP_M, _SHARE_OF_MARGIN * clear_m)
    seen = _kept_off(room, clear_m, step)
    if shapely.is_empty(seen):
        raise DataError(
            f"keeping {clear_m:g} m from every edge leaves no water at all; give a smaller "
            "distance, or look at the polygons"
        )
    points = np.atleast_1d(np.asarray(shapely.points(places), dtype=object))
    inside = np.asarray(shapely.covers(seen, points), bool)
    entries = places.copy()
    if not inside.all():
        # To the nearest water where the boat has her margin.
        lines = shapely.shortest_line(points[~inside], seen)
        entries[~inside] = shapely.get_coordinates(lines).reshape(-1, 2, 2)[:, 1]
    off_m = np.hypot(*(places - entries).T)
    seen = shapely.buffer(seen, _TOUCH_M, join_style="mitre")
    nodes, length, before = entries, np.zeros((0, 0)), np.zeros((0, 0), np.int64)
    # In one piece of water there is a way, if its edge is followed finely enough.
    piece = _piece_of(seen, entries)
    joined = piece[:, None] == piece[None]
    for most in _CORNERS:
        corners, neighbours, whole = _corners(room, clear_m, step, most)
        nodes = np.concatenate([entries, corners])
        length, before = _shortest(nodes, len(places), neighbours, seen)
        if whole or not (joined & np.isinf(length)).any():
            break
    total = length + off_m[:, None] + off_m[None, :]
    np.fill_diagonal(total, 0.0)
    return Ways(
        length_m=np.minimum(total, total.T),
        off_m=off_m,
        closed=np.zeros(len(places), bool)
        if shut is None
        else np.asarray(shapely.covers(shut, points), bool),
        _lon_lat=lon_lat,
        _plane=plane,
        _places=places,
        _nodes=nodes,
        _before=before,
    )


def _piece_of(seen: BaseGeometry, points: FloatArray) -> IntArray:
    """Return the number of the piece of water in which each point lies."""
    import shapely

    pieces = shapely.get_parts(seen)
    out = np.full(len(points), -1, np.int64)
    found = shapely.STRtree(pieces).query(shapely.points(points), predicate="intersects")
    out[found[0]] = found[1]
    return out


def _straight(plane: LocalPlane, places: FloatArray, lon_lat: FloatArray) -> Ways:
    n = len(places)
    return Ways(
        length_m=np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)),
        off_m=np.zeros(n),
        closed=np.zeros(n, bool),
        _lon_lat=lon_lat,
        _plane=plane,
        _places=places,
        _nodes=places,
        _before=np.repeat(np.arange(n)[:, None], n, axis=1),
    )


def _room(
    plane: LocalPlane,
    places: FloatArray,
    water: BaseGeometry | None,
    closed: BaseGeometry | None,
) -> tuple[BaseGeometry, BaseGeometry | None]:
    """Return the water that is left, and what is closed, near the places and in their plane."""
    import shapely

    low, high = places.min(axis=0), places.max(axis=0)
    grown = max(_ROUND_ABOUT_M, float((high - low).max()))
    room: BaseGeometry = shapely.box(*(low - grown), *(high + grown))
    if water is not None:
        room = shapely.intersection(room, plane.area_to_plane(water))
        if shapely.is_empty(room) or shapely.area(room) == 0.0:
            raise DataError("the water that was given does not reach the places of this day")
    if closed is None:
        return room, None
    shut = plane.area_to_plane(closed)
    return shapely.difference(room, shut), shut


def _kept_off(room: BaseGeometry, clear_m: float, step_m: float) -> BaseGeometry:
    """Return the water at least so far from every edge, its own edge simplified by a step.

    A simplified edge lies within the step of the true one, so that the step is kept off as well;
    a mitre never lies nearer than the distance that is kept.
    """
    import shapely

    simple = shapely.make_valid(shapely.simplify(room, step_m, preserve_topology=True))
    return shapely.buffer(simple, -(clear_m + step_m), join_style="mitre", mitre_limit=_MITRE)


def _corners(
    room: BaseGeometry, clear_m: float, step_m: float, most: int
) -> tuple[FloatArray, tuple[FloatArray, FloatArray], bool]:
    """Return corners that stick out into the water, their neighbours, and if none was left out.

    The edge is followed a little farther off than it must be, and ever more coarsely until few
    enough corners are left.
    """
    import shapely

    farther = (_MITRE - 1.0) * (clear_m + step_m) + step_m
    step, coarser = step_m, False
    while len(_reflex(shapely.simplify(room, step, preserve_topology=True))[0]) > most:
        step, coarser = 1.5 * step, True
    inner = _kept_off(room, clear_m + farther + 0.1 * step, step)
    at, before, after = _reflex(shapely.simplify(inner, 0.1 * step, preserve_topology=True))
    return at, (before, after), not coarser


def _reflex(inner: BaseGeometry) -> tuple[FloatArray, FloatArray, FloatArray]:
    import shapely

    at, last, following = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty((0, 2))]
    for polygon in shapely.get_parts(inner):
        rings = [polygon.exterior, *polygon.interiors]
        for k, ring in enumerate(rings):
            xy = shapely.get_coordinates(ring)[:-1]
            if bool(shapely.is_ccw(ring)) != (k == 0):
                xy = xy[::-1]  # the water to the left
            back, ahead = np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0)
            turn = _cross(xy - back, ahead - xy)
            out = turn < 0.0
            at.append(xy[out])
            last.append(back[out])
            following.append(ahead[out])
    return np.concatenate(at), np.concatenate(last), np.concatenate(following)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _shortest(
    nodes: FloatArray,
    places: int,
    neighbours: tuple[FloatArray, FloatArray],
    seen: BaseGeometry,
) -> tuple[FloatArray, IntArray]:
    """Return lengths between the places, and on each way from one of them the node before each."""
    import shapely
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra

    a, b = np.triu_indices(len(nodes), 1)
    taut = _taut(nodes, a, b, places, neighbours) & _taut(nodes, b, a, places, neighbours)
    a, b = a[taut], b[taut]
    shapely.prepare(seen)
    clear = np.zeros(len(a), bool)
    for k in range(0, len(a), _CHUNK):
        ends = np.stack([nodes[a[k : k + _CHUNK]], nodes[b[k : k + _CHUNK]]], axis=1)
        clear[k : k + _CHUNK] = shapely.covers(seen, shapely.linestrings(ends))
    a, b = a[clear], b[clear]
    # scipy takes a stored zero for no edge.
    length = np.maximum(np.hypot(*(nodes[a] - nodes[b]).T), 1e-9)
    graph = csr_array((length, (a, b)), shape=(len(nodes), len(nodes)))
    far, before = dijkstra(
        graph, directed=False, indices=np.arange(places), return_predecessors=True
    )
    return far[:, :places], before.astype(np.int64)


def _taut(
    nodes: FloatArray,
    a: IntArray,
    b: IntArray,
    places: int,
    neighbours: tuple[FloatArray, FloatArray],
) -> BoolArray:
    """Tell whether a line from node a to b, pulled tight about a's corner, can bend there."""
    out = np.ones(len(a), bool)
    corner = a >= places
    i, way = a[corner] - places, nodes[b[corner]] - nodes[a[corner]]
    left = _cross(way, neighbours[0][i] - nodes[a[corner]])
    right = _cross(way, neighbours[1][i] - nodes[a[corner]])
    out[corner] = left * right >= 0.0
    return out
