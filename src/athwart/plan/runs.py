"""A line to run along: parallel to a bank, a ledge or an earlier track, at a fixed distance.

The water nearer than d to the line is the line grown by a disc of radius d. A boat that cannot turn
more tightly than R stays outside of it; where it bends inwards more tightly than R (a bay, a corner of
the bank), she cuts the corner on an arc of R. That is the morphological closing of the grown line by
a disc of R (Serra 1982, "Image Analysis and Mathematical Morphology", from memory), and the run is
its edge on one side: it never crosses itself, never comes nearer than d, and lies at d exactly
wherever no arc of R spans a bay. Round a headland the edge has the radius d. Where R is larger than
that, the land is opened by R first and what then sticks out is covered by discs of R, each holding
the disc of d that must be kept clear: the boat swings out before the headland. Where the user allows
to come nearer, so much less is covered.

All lengths are metres in a plane about the line; positions are WGS 84. Advice, not navigation: the
line is as good as what it was drawn from, and depth is not looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError, UsageError
from athwart.features import Feature
from athwart.geometry.plane import LocalPlane

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["CAUTION", "Clearance", "Run", "Stretch", "clearances", "run_along"]

FloatArray = NDArray[np.float64]

CAUTION = (
    "Advice, not navigation: the run is as good as the line it follows, and no depth was looked at. "
    "Keep a lookout."
)

TOLERANCE_M = 0.04
"""How far thinning may move the run, by default; it is laid so much farther out to make up for it."""
_ARC_M = 0.01
_ROOM = 1.02
_PIECE = 48
_SAMPLE_M = 2.0
_LEAST_M = 0.5


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a run that is not at the wanted distance.

    Parameters
    ----------
    from_m, to_m : float
        Where, along the run, metres.
    distance_m : float
        The distance from the line that is farthest from the wanted one, metres.
    """

    from_m: float
    to_m: float
    distance_m: float


@dataclass(frozen=True, eq=False)
class Run:
    """A line to run along.

    Parameters
    ----------
    line : shapely LineString
        Longitude and latitude in WGS 84, in the direction of travel.
    off_m : float
        Wanted distance from the line, metres.
    side : {"port", "starboard"}
        On which side of the source line it lies, looking along that line.
    length_m : float
        Length, metres.
    nearest_m, farthest_m : float
        Least and largest distance of the run from the source line, metres.
    tightest_m : float
        Least radius of its turns, metres; infinite for a straight run.
    stretches : tuple of Stretch
        Where it is farther off, or nearer, than wanted by more than 0.1 m and the thinning.
    reversed : bool
        Whether it runs against the source line.
    """

    line: BaseGeometry
    off_m: float
    side: str
    length_m: float
    nearest_m: float
    farthest_m: float
    tightest_m: float
    stretches: tuple[Stretch, ...]
    reversed: bool

    def features(
        self, name: str = "", *, max_points: int | None = None, max_m: float | None = None
    ) -> list[Feature]:
        """Return the run as a plan has it, in pieces that a steering unit takes.

        Each piece begins where the one before ends; ``max_points`` are its points (2 or more),
        ``max_m`` its length, metres.
        """
        values: dict[str, Any] = {
            "off_m": self.off_m,
            "side": self.side,
            "length_m": round(self.length_m, 1),
            "nearest_m": round(self.nearest_m, 2),
            "farthest_m": round(self.farthest_m, 2),
        }
        if np.isfinite(self.tightest_m):
            values["tightest_turn_m"] = round(self.tightest_m, 1)
        pieces = _pieces(self.line, max_points, max_m)
        numbered = [""] if len(pieces) == 1 else [f" {i}" for i in range(1, len(pieces) + 1)]
        return [
            Feature(
                role="run", geometry=piece, name=f"{name}{i}".strip(), note=CAUTION, values=values
            )
            for piece, i in zip(pieces, numbered, strict=True)
        ]


@dataclass(frozen=True, eq=False)
class Clearance:
    """How a run passes marks; arrays of one length, by the way along it.

    Parameters
    ----------
    mark : numpy.ndarray of int
        Number of the mark.
    distance_m : numpy.ndarray
        Distance between run and mark, metres.
    clear_m : numpy.ndarray
        Distance less the mark's R95: what is left with 95 % probability; below 0 the run leads
        through where the mark may be.
    along_m : numpy.ndarray
        Where along the run it comes nearest, metres.
    side : numpy.ndarray of str
        On which side of the boat the mark is passed; empty where the run leads over it.
    """

    mark: NDArray[np.int64]
    distance_m: FloatArray
    clear_m: FloatArray
    along_m: FloatArray
    side: NDArray[np.object_]


def run_along(
    source: BaseGeometry,
    off_m: float,
    side: Literal["port", "starboard"],
    *,
    turn_radius_m: float = 0.0,
    nearer_m: float = 0.0,
    back: bool = False,
    tolerance_m: float = TOLERANCE_M,
) -> Run:
    """Lay a run beside a line.

    Parameters
    ----------
    source : shapely LineString or LinearRing
        Bank, ledge or track, longitude and latitude in WGS 84. A closed one is an island or a
        basin: the run goes round.
    off_m : float
        Distance from it, metres.
    side : {"port", "starboard"}
        Side of the line that the run is on, looking along the line from its first point.
    turn_radius_m : float
        Least radius of the boat's turns, metres; 0 for any.
    nearer_m : float
        How much nearer than ``off_m`` it may come where a turn asks for it, metres.
    back : bool
        Run against the direction of the line.
    tolerance_m : float
        How far the straight pieces between its points may lie from the true run, metres.

    Raises
    ------
    UsageError
        A length is out of its range.
    DataError
        The line has no length or its positions cannot be, or there is no room on that side.
    """
    import shapely

    _check(off_m, side, turn_radius_m, nearer_m, tolerance_m)
    given = shapely.get_coordinates(source)
    if shapely.get_type_id(source) not in (1, 2) or len(given) < 2:
        raise DataError("the line to run along must be one line of two points or more")
    if not np.isfinite(given).all() or np.abs(given[:, 1]).max() > 90.0:
        raise DataError("the line to run along has positions that are no place on Earth")
    plane = LocalPlane.about(given[:, 0], given[:, 1])
    points = np.stack(plane.to_plane(given[:, 0], given[:, 1]), axis=1)
    points = points[np.r_[True, np.hypot(*np.diff(points, axis=0).T) > 1e-6]]
    if len(points) < 2:
        raise DataError("the line to run along has no length; its points are one place")
    closed = len(points) > 3 and bool(np.hypot(*(points[-1] - points[0])) < 1e-3)
    # Thinning and arcs made of chords take a little of the distance and of the radius.
    off = off_m + tolerance_m + _ARC_M
    radius = _ROOM * turn_radius_m
    if turn_radius_m <= off_m:
        radius = min(radius, off)
    bank = _Bank(points, closed, off, radius)
    edge = _edge(bank, off, off - nearer_m, radius, side)
    path = _one_side(bank, edge, off, side)
    smooth = path
    path = shapely.simplify(path, tolerance_m)
    if shapely.length(path) < _LEAST_M:
        raise DataError("there is no room for a run on that side of the line")
    return _measured(path, smooth, bank, plane, off_m, side, back, tolerance_m, turn_radius_m)


def clearances(
    run: BaseGeometry, lon: ArrayLike, lat: ArrayLike, r95_m: ArrayLike, *, within_m: float = np.inf
) -> Clearance:
    """Tell how a run passes marks.

    Parameters
    ----------
    run : shapely LineString
        Longitude and latitude in WGS 84, in the direction of travel.
    lon, lat, r95_m : array_like, shape (n,)
        Marks, degrees, and their R95, metres.
    within_m : float
        Only marks with less left than this, metres.

    Raises
    ------
    DataError
        An R95 is missing.
    """
    import shapely

    lon, lat, r95 = np.broadcast_arrays(
        *np.atleast_1d(*(np.asarray(v, np.float64) for v in (lon, lat, r95_m)))
    )
    if not (r95 >= 0).all():
        raise DataError("an R95 is missing or below 0; the clearance cannot be told")
    corners = shapely.get_coordinates(run)
    plane = LocalPlane.about(corners[:, 0], corners[:, 1])
    line: Any = plane.shape_to_plane(run)
    x, y = plane.to_plane(lon, lat)
    marks: Any = shapely.points(x, y)
    distance = np.asarray(shapely.distance(marks, line), np.float64)
    keep = np.flatnonzero(distance - r95 <= within_m)
    along = np.asarray(shapely.line_locate_point(line, marks[keep]), np.float64)

    def at(metres: FloatArray) -> FloatArray:
        return shapely.get_coordinates(
            shapely.line_interpolate_point(line, np.clip(metres, 0.0, line.length))
        )

    way = at(along + 0.5) - at(along - 0.5)
    to = np.stack([x[keep], y[keep]], axis=1) - at(along)
    cross = way[:, 0] * to[:, 1] - way[:, 1] * to[:, 0]
    sides = np.where(cross > 0, "port", "starboard").astype(object)
    sides[distance[keep] < 0.1] = ""
    order = np.argsort(along, kind="stable")
    return Clearance(
        mark=keep[order],
        distance_m=distance[keep][order],
        clear_m=(distance - r95)[keep][order],
        along_m=along[order],
        side=sides[order],
    )


def _pieces(line: BaseGeometry, max_points: int | None, max_m: float | None) -> list[Any]:
    """Cut a line; a straight piece longer than a whole one may be gets points in between."""
    import shapely

    if max_points is not None and max_points < 2:
        raise UsageError(f"a piece may have {max_points} points; allowed is 2 or more")
    if max_m is not None and not max_m > 0:
        raise UsageError(f"a piece may be {max_m:g} m long; allowed is more than 0")
    corners = shapely.get_coordinates(line)
    plane = LocalPlane.about(corners[:, 0], corners[:, 1])
    flat = plane.shape_to_plane(line)
    if max_m is not None:
        flat = shapely.segmentize(flat, 0.999 * max_m)
    xy = shapely.get_coordinates(flat)
    along = _along(xy)
    out, at, last = [], 0, len(xy) - 1
    while at < last:
        to = last if max_points is None else min(last, at + max_points - 1)
        if max_m is not None:
            reach = int(np.searchsorted(along, along[at] + max_m, side="right")) - 1
            to = min(to, max(reach, at + 1))
        out.append(plane.shape_to_earth(shapely.LineString(xy[at : to + 1])))
        at = to
    return out


def _check(off_m: float, side: str, radius: float, nearer: float, tolerance: float) -> None:
    if not 0.5 <= off_m <= 5000.0:
        raise UsageError(f"the distance is {off_m:g} m; allowed is 0.5 m to 5000 m")
    if side not in ("port", "starboard"):
        raise UsageError(f"the side is {side!r}; allowed are port, starboard")
    if not 0.0 <= radius <= 2000.0:
        raise UsageError(f"the turn radius is {radius:g} m; allowed is 0 to 2000 m")
    if not 0.0 <= nearer < off_m:
        raise UsageError(
            f"the run may come {nearer:g} m nearer; allowed is 0 to less than its distance, "
            f"{off_m:g} m"
        )
    if not 0.005 <= tolerance <= 0.5 * off_m:
        raise UsageError(
            f"the tolerance is {tolerance:g} m; allowed is 0.005 m to half the distance"
        )


class _Bank:
    """The source line in the plane, made longer by straight ends where there is room for them."""

    def __init__(self, points: FloatArray, closed: bool, off: float, radius: float) -> None:
        import shapely

        self.points, self.closed = points, closed
        self.line: Any = shapely.linestrings(points)
        self.ways = (
            _way(points, 2.0 * (off + radius)),
            _way(points[::-1], 2.0 * (off + radius)),
        )
        self.long: Any = self.line
        if not closed:
            reach = 3.0 * (off + radius)
            first, last = points[0] - reach * self.ways[0], points[-1] - reach * self.ways[1]
            head = [first] if self._free(points[0], first) else []
            tail = [last] if self._free(points[-1], last) else []
            self.long = shapely.linestrings(np.array([*head, *points, *tail]))
        pieces: Any = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
        self._tree = shapely.STRtree(pieces)

    def _free(self, end: FloatArray, far: FloatArray) -> bool:
        """Whether the line does not come near the straight end, but for where it joins."""
        import shapely

        at = end + (far - end) * np.linspace(0.2, 1.0, 5)[:, None]
        away = shapely.distance(shapely.points(at), self.line)
        return bool((away > 0.9 * np.hypot(*(at - end).T)).all())

    def distance(self, points: FloatArray) -> FloatArray:
        """Return how far points lie from the source line."""
        import shapely

        _, away = self._tree.query_nearest(
            shapely.points(points), return_distance=True, all_matches=False
        )
        return np.asarray(away, np.float64)


def _way(points: FloatArray, over: float) -> FloatArray:
    """Return the unit direction in which a line sets out, over about so many metres."""
    along = _along(points)
    to = points[min(int(np.searchsorted(along, over)), len(points) - 1)]
    way = to - points[0]
    if np.hypot(*way) < 1e-6:
        way = points[1] - points[0]
    unit: FloatArray = way / np.linalg.norm(way)
    return unit


def _grown(shape: Any, by: float) -> Any:
    """Return a shape grown, or shrunk, by a distance with round corners true to a centimetre."""
    import shapely

    quarter = np.pi / 4.0 / np.arccos(1.0 - min(_ARC_M / max(abs(by), _ARC_M), 0.5))
    return shapely.buffer(shape, by, quad_segs=int(np.clip(np.ceil(quarter), 8, 128)))


def _grown_line(line: Any, by: float) -> Any:
    """Return a line grown by a distance, piece by piece.

    Growing it whole takes the square of the points where it tangles, as a track does at anchor.
    """
    import shapely

    points = shapely.get_coordinates(line)
    if len(points) < 2:
        return _grown(line, by)
    starts = range(0, len(points) - 1, _PIECE)
    pieces = [shapely.linestrings(points[i : i + _PIECE + 1]) for i in starts]
    return shapely.union_all([_grown(piece, by) for piece in pieces])


def _edge(bank: _Bank, off: float, hard: float, radius: float, side: str) -> Any:
    """Return the area whose edge is the run: the grown line, closed by the turn radius."""
    near = _grown_line(bank.long, off)
    if radius <= off:
        return _closed(near, radius)
    land = _land(bank, 2.0 * radius + off, side)
    solid = near if land is None else near.union(land)
    opened = _grown(_grown(solid, -radius), radius)
    if land is None or opened.is_empty:
        # A line that crosses itself has no landward side: keep the turn radius off it.
        return _closed(_grown_line(bank.long, radius), radius)
    base = _largest(_closed(opened, radius))
    return _closed(base.union(_covering(bank, base, hard, radius)), radius)


def _closed(area: Any, radius: float) -> Any:
    return area if radius == 0.0 else _grown(_grown(area, radius), -radius)


def _largest(area: Any) -> Any:
    import shapely

    return max(shapely.get_parts(area), key=shapely.area)


def _land(bank: _Bank, deep: float, side: str) -> Any | None:
    """Return the band behind the line, seen from the run; None where that is not to be told."""
    import shapely

    if not shapely.is_simple(bank.long):
        return None
    if bank.closed:
        inside = shapely.polygons(bank.points)
        outer = (side == "starboard") == bool(shapely.is_ccw(shapely.linearrings(bank.points)))
        return inside if outer else _grown(inside, deep).difference(inside)
    band = shapely.buffer(bank.long, deep if side == "starboard" else -deep, single_sided=True)
    band = shapely.make_valid(band, method="structure")
    # A band that is one-sided can lap over the line where that winds; take what the run's own
    # side of the line does not hold.
    other = shapely.buffer(bank.long, -0.5 * deep if side == "starboard" else 0.5 * deep,
                           single_sided=True)  # fmt: skip
    other = shapely.make_valid(other, method="structure")
    land = band.difference(other)
    return None if land.is_empty else land.union(band.intersection(_grown(bank.long, 0.01)))


def _covering(bank: _Bank, base: Any, hard: float, radius: float) -> Any:
    """Return discs of the turn radius over all that must be kept clear and ``base`` leaves out."""
    import shapely

    step = max(0.25 * hard, 0.5)
    dense = shapely.get_coordinates(shapely.segmentize(bank.long, step))
    places = shapely.points(dense)
    outline = base.exterior
    shapely.prepare(base)
    within = shapely.contains_xy(base, *dense.T)
    edges = shapely.get_coordinates(outline)
    pieces: Any = shapely.linestrings(np.stack([edges[:-1], edges[1:]], axis=1))
    (_, number), away = shapely.STRtree(pieces).query_nearest(
        places, return_distance=True, all_matches=False
    )
    lacking = ~within | (away < hard - 2 * _ARC_M)
    if not lacking.any():
        return shapely.Polygon()
    # Towards the water: across the piece of the outline that lies nearest, which runs
    # counter-clockwise about the area.
    way = edges[1:] - edges[:-1]
    if not shapely.is_ccw(outline):
        way = -way
    out = np.stack([way[:, 1], -way[:, 0]], axis=1)[number]
    out = out / np.linalg.norm(out, axis=1)[:, None]
    centres = dense - max(radius - hard, 0.0) * out
    groups = np.split(
        np.flatnonzero(lacking), np.flatnonzero(np.diff(np.flatnonzero(lacking)) > 1) + 1
    )
    lines = [
        shapely.points(centres[g[0]]) if len(g) == 1 else shapely.linestrings(centres[g])
        for g in groups
    ]
    return shapely.union_all([_grown_line(line, radius) for line in lines])


def _one_side(bank: _Bank, edge: Any, off: float, side: str) -> Any:
    """Return the edge on one side, in the direction of the source line."""
    import shapely

    area = shapely.orient_polygons(_largest(edge))
    outside = area.exterior
    if bank.closed:
        wise = bool(shapely.is_ccw(shapely.linearrings(bank.points)))
        if (side == "starboard") != wise:
            if not len(area.interiors):
                raise DataError("there is no room for a run on that side of the line")
            outside = max(area.interiors, key=lambda r: shapely.area(shapely.polygons(r)))
        ring = shapely.LineString(outside.coords)
        # A ring about the area runs counter-clockwise, a hole clockwise.
        if bool(shapely.is_ccw(outside)) != wise:
            ring = ring.reverse()
        start = float(ring.project(shapely.Point(bank.points[0])))
        return _part(ring, start, start + ring.length)
    ring = shapely.LineString(outside.coords)
    ends = shapely.get_coordinates(bank.long)[[0, -1]]
    a, b = (
        float(ring.project(shapely.Point(end - off * way)))
        for end, way in zip(ends, bank.ways, strict=True)
    )
    # Counter-clockwise about the line, from behind its start to beyond its end, is its starboard.
    if side == "starboard":
        half = _part(ring, a, b if b > a else b + ring.length)
    else:
        half = _part(ring, b, a if a > b else a + ring.length).reverse()
    sign = -1.0 if side == "starboard" else 1.0
    beside = [
        point + sign * off * np.array([-way[1], way[0]])
        for point, way in zip(bank.points[[0, -1]], (bank.ways[0], -bank.ways[1]), strict=True)
    ]
    start, stop = (float(half.project(shapely.Point(p))) for p in beside)
    if stop - start < _LEAST_M:
        raise DataError("there is no room for a run on that side of the line")
    return _between(shapely.get_coordinates(half), start, stop)


def _part(ring: Any, start: float, stop: float) -> Any:
    """Return part of a closed line, which may pass its seam."""
    import shapely

    points = shapely.get_coordinates(ring)
    return _between(np.concatenate([points, points[1:]]), start, stop)


def _between(points: FloatArray, start: float, stop: float) -> Any:
    """Return the line through points from one length along it to another."""
    import shapely

    along = _along(points)
    keep = (along > start + 1e-6) & (along < stop - 1e-6)
    ends = _at(points, along, np.array([start, stop]))
    return shapely.linestrings(np.concatenate([ends[:1], points[keep], ends[1:]]))


def _along(points: FloatArray) -> FloatArray:
    """Return how far along a line each of its points lies."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    return np.concatenate([np.zeros(1), np.cumsum(steps)])


def _at(points: FloatArray, along: FloatArray, places: FloatArray) -> FloatArray:
    """Return the places at these lengths along a line."""
    return np.stack([np.interp(places, along, points[:, i]) for i in (0, 1)], axis=1)


def _measured(
    path: Any,
    smooth: Any,
    bank: _Bank,
    plane: LocalPlane,
    off: float,
    side: str,
    back: bool,
    tolerance: float,
    radius: float,
) -> Run:
    """Return the run with its distances from the line as they came out."""
    import shapely

    if back:
        path, smooth = path.reverse(), smooth.reverse()
    corners = shapely.get_coordinates(path)
    at = _along(corners)
    length = float(at[-1])
    along = np.union1d(np.linspace(0.0, length, int(np.ceil(length / _SAMPLE_M)) + 1), at)
    away = bank.distance(_at(corners, at, along))
    return Run(
        line=plane.shape_to_earth(path),
        off_m=off,
        side=side,
        length_m=length,
        nearest_m=float(away.min()),
        farthest_m=float(away.max()),
        tightest_m=_tightest(smooth, max(radius / 2.0, 1.0)),
        stretches=tuple(_stretches(along, away, off, 0.1 + 2.0 * tolerance)),
        reversed=back,
    )


def _stretches(along: FloatArray, away: FloatArray, off: float, slack: float) -> Iterator[Stretch]:
    wrong = np.abs(away - off) > slack
    starts = np.flatnonzero(wrong & ~np.r_[False, wrong[:-1]])
    stops = np.flatnonzero(wrong & ~np.r_[wrong[1:], False])
    for a, b in zip(starts.tolist(), stops.tolist(), strict=True):
        part = away[a : b + 1]
        most = float(part[np.argmax(np.abs(part - off))])
        yield Stretch(float(along[a]), float(along[b]), most)


def _tightest(path: Any, step: float) -> float:
    """Return the least radius of a path: a chord's length over the turn to the next chord."""
    import shapely

    corners = shapely.get_coordinates(path)
    along = _along(corners)
    count = int(along[-1] / step)
    if count < 2:
        return float("inf")
    at = _at(corners, along, np.arange(count + 1, dtype=np.float64) * step)
    chord = np.diff(at, axis=0)
    heading = np.arctan2(chord[:, 1], chord[:, 0])
    turn = np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi)
    most = float(turn.max())
    return float("inf") if most < 1e-4 else step / most
