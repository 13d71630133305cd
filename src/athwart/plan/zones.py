"""The user's own zones against marks and lines: inside, within R95 of the edge, or clear.

A zone is an area (or a line, such as a cable) of the user's file, with a name, a rule and a kind.
Distances are metres to its edge in a plane about the place looked at, where they are geodesic; an
edge runs straight in longitude and latitude between its corners (RFC 7946, section 3.1.1), so long
edges are divided before they are laid into the plane. Outside, the distance is positive; inside an
area, negative; a line has no inside.

The law of the place decides, not the file: that no zone touches a mark does not mean that anything
is allowed there. How well the zones themselves were drawn is not known here and not reckoned in.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError
from athwart.features import Feature
from athwart.geometry.plane import EDGE_STEP_DEG, LocalPlane
from athwart.units import UnitSystem, format_length, format_position, many

if TYPE_CHECKING:
    import geopandas
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "CAUTION",
    "CLEAR",
    "INSIDE",
    "NEAR",
    "PARTLY",
    "Findings",
    "Zones",
    "judge",
    "judge_shapes",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
TextArray = NDArray[np.object_]

INSIDE, PARTLY, NEAR, CLEAR = "inside", "partly inside", "within R95 of the edge", "clear"
CAUTION = (
    "Advice, not navigation: the law of the place decides, not this file. That no zone of the "
    "file touches a mark or a line does not mean that anything is allowed there."
)

_COLUMNS = {
    "name": ("name", "title", "label", "zone"),
    "rule": ("rule", "rules", "note", "notes", "description", "restriction", "text"),
    "kind": ("kind", "type", "category", "class"),
}
_SAID = {"name": "names", "rule": "rules", "kind": "kinds"}
_CLOSED = re.compile(r"\b(closed|no entry|no access|keep out)\b", re.IGNORECASE)
_JOINERS = "\u200c\u200d"  # some scripts need them
_AREAS, _LINES = (3, 6), (1, 2, 5)
_CELL_M = 20_000.0
_EARTH_M = 6_371_000.0


@dataclass(frozen=True, eq=False)
class Zones:
    """The user's zones.

    Parameters
    ----------
    geometry : numpy.ndarray
        Polygons and lines of shapely, longitude and latitude in WGS 84.
    name, rule, kind : numpy.ndarray
        Texts of the file, one a zone; a zone without a name is called by its row.
    words : tuple of str
        Which columns were understood, what was mended or left out.
    """

    geometry: TextArray
    name: TextArray
    rule: TextArray
    kind: TextArray
    words: tuple[str, ...] = field(default=())

    @classmethod
    def from_frame(cls, frame: geopandas.GeoDataFrame) -> Self:
        """Return the zones of a frame in any coordinate reference system.

        Outlines that cross themselves are mended, which is said in ``words``; points are left out,
        which is said too.

        Raises
        ------
        DataError
            No coordinate reference system, no area and no line, or a zone that cannot be mended.
        """
        import shapely

        if frame.crs is None:
            raise DataError("the zones have no coordinate reference system; set it in a GIS")
        frame = frame.to_crs("EPSG:4326")
        columns = {field: _column(frame, field) for field in _COLUMNS}
        words = [_columns_said(columns)]
        texts = {
            field: [""] * len(frame) if c is None else [_text(v) for v in frame[c]]
            for field, c in columns.items()
        }
        kept: list[tuple[BaseGeometry, int]] = []
        points = 0
        for row, shape in enumerate(frame.geometry):
            called = texts["name"][row] or f"zone {row + 1}"
            texts["name"][row] = called
            if shape is None or shape.is_empty:
                raise DataError(
                    f"{called!r} (row {row + 1}) has no shape that can be read; mend it in a GIS "
                    "or take the row out"
                )
            kind = shapely.get_type_id(shape)
            if kind not in (*_AREAS, *_LINES):
                points += 1
                continue
            mended, said = _mended(shape, f"{called!r} (row {row + 1})")
            words += said
            kept.append((mended, row))
        if points:
            words.append(
                f"left out: {many(points, 'point')}, which can be no zone; draw areas or lines"
            )
        if not kept:
            raise DataError(
                "there is no area and no line among the shapes; draw the zones as areas"
            )
        out = np.empty(len(kept), dtype=object)
        out[:] = [shape for shape, _ in kept]
        rows = [row for _, row in kept]
        name, rule, kind_ = (_texts(texts[f][r] for r in rows) for f in _COLUMNS)
        return cls(out, name, rule, kind_, tuple(words))

    @classmethod
    def concat(cls, several: Sequence[Zones]) -> Self:
        """Return the zones of several files together."""
        return cls(
            geometry=np.concatenate([z.geometry for z in several]),
            name=np.concatenate([z.name for z in several]),
            rule=np.concatenate([z.rule for z in several]),
            kind=np.concatenate([z.kind for z in several]),
            words=tuple(word for z in several for word in z.words),
        )

    def __len__(self) -> int:
        return len(self.geometry)

    @property
    def closed(self) -> NDArray[np.bool_]:
        """Whether the rule or the kind of each says that one may not go there: closed, no entry."""
        pairs = zip(self.rule, self.kind, strict=True)
        return np.array(
            [bool(_CLOSED.search(f"{rule} {kind}")) for rule, kind in pairs], dtype=bool
        )

    def take(self, which: ArrayLike) -> Self:
        """Return some of the zones, by mask or by number."""
        which = np.asarray(which)
        return replace(
            self,
            geometry=self.geometry[which],
            name=self.name[which],
            rule=self.rule[which],
            kind=self.kind[which],
        )

    def features(self) -> list[Feature]:
        """Return the zones as a plan has them; the note is the rule."""
        rows = zip(self.geometry, self.name, self.rule, self.kind, strict=True)
        return [
            Feature(role="zone", geometry=g, name=n, note=r, values={"kind": k} if k else {})
            for g, n, r, k in rows
        ]


@dataclass(frozen=True, eq=False)
class Findings:
    """What was found of each thing and each zone near it; all arrays have one length.

    Parameters
    ----------
    item, zone : numpy.ndarray
        Number of the thing (point or shape) and of the zone, from 0; by thing, then by distance.
    state : numpy.ndarray
        `INSIDE`, `PARTLY` (lines and areas), `NEAR` or `CLEAR`.
    distance_m : numpy.ndarray
        Distance to the edge, metres: negative inside, 0 for a line across it.
    inside_m : numpy.ndarray
        Length of a line inside the zone, metres; NaN for points and areas.
    along_m : numpy.ndarray
        How far along a line it first enters, or comes nearest, metres; NaN for points and areas.
    """

    item: IntArray
    zone: IntArray
    state: TextArray
    distance_m: FloatArray
    inside_m: FloatArray
    along_m: FloatArray

    def __len__(self) -> int:
        return len(self.item)

    def worst_first(self) -> Findings:
        """Return the same, ordered: inside, then across, then within R95, then clear."""
        rank = {INSIDE: 0, PARTLY: 1, NEAR: 2, CLEAR: 3}
        order = np.argsort([rank[s] for s in self.state], kind="stable")
        return Findings(**{f.name: getattr(self, f.name)[order] for f in fields(self)})

    @property
    def touched(self) -> NDArray[np.bool_]:
        """Whether each is more than clear."""
        return np.asarray(self.state != CLEAR, dtype=bool)

    def sentences(self, zones: Zones, units: UnitSystem = "metric") -> list[str]:
        """Say each in words, such as ``inside "Pier", 12.3 m from its edge``, with the rule."""
        out = []
        for zone, state, d, inside, along in zip(
            self.zone, self.state, self.distance_m, self.inside_m, self.along_m, strict=True
        ):
            name = f'"{zones.name[zone]}"'
            off = format_length(abs(float(d)), units)
            where = f", {format_length(float(along), units, 0)} along it" if along == along else ""
            if state == INSIDE:
                said = f"inside {name}, {off} from its edge"
            elif state == PARTLY and inside > 0:
                said = f"runs through {name} for {format_length(float(inside), units, 0)}"
                said += where.replace(", ", ", from ")
            elif state == PARTLY:
                said = f"crosses {name}{where}"
            elif state == NEAR:
                said = f"only {off} from the edge of {name}, within the R95{where}"
            else:
                said = f"clear of {name} by {off}{where}"
            rule = zones.rule[zone] or zones.kind[zone]
            out.append(f"{said}. Rule: {rule}" if rule else said)
        return out


def judge(
    zones: Zones,
    lon: ArrayLike,
    lat: ArrayLike,
    r95_m: ArrayLike = 0.0,
    *,
    reach_m: float = np.inf,
) -> Findings:
    """Tell for points how they lie to zones.

    Parameters
    ----------
    zones : Zones
        The zones.
    lon, lat : array_like, shape (n,)
        Points, degrees in WGS 84.
    r95_m : array_like
        Radius that holds each truth with 95 % probability, metres.
    reach_m : float
        Zones from whose edge a point is clear by more than this beyond its R95 are not listed.
        Without it every pair is: n times the number of zones.

    Raises
    ------
    DataError
        A position or an R95 is missing, or an R95 is negative.
    """
    lon, lat, r95 = np.broadcast_arrays(
        *np.atleast_1d(*(np.asarray(v, np.float64) for v in (lon, lat, r95_m)))
    )
    if not (np.isfinite(lon) & np.isfinite(lat)).all():
        raise DataError("a point has no position; take it out before asking about zones")
    _check_r95(r95)
    found: list[tuple[IntArray, IntArray, FloatArray]] = []
    for rows in _cells(lon, lat):
        plane = LocalPlane.about(lon[rows], lat[rows])
        x, y = plane.to_plane(lon[rows], lat[rows])
        wide = float(np.hypot(x, y).max() + r95[rows].max() + reach_m)
        for zone in _candidates(zones, plane, wide):
            shape = _on_plane(zones.geometry[zone], plane)
            signed = _signed_distance(shape, x, y)
            keep = signed <= r95[rows] + reach_m
            if keep.any():
                found.append((rows[keep], np.full(keep.sum(), zone), signed[keep]))
    item = np.concatenate([f[0] for f in found]) if found else np.array([], np.int64)
    of_zone = np.concatenate([f[1] for f in found]) if found else np.array([], np.int64)
    distance = np.concatenate([f[2] for f in found]) if found else np.array([], np.float64)
    state = np.full(len(item), CLEAR, dtype=object)
    state[distance <= r95[item]] = NEAR
    state[distance < 0] = INSIDE
    none = np.full(len(item), np.nan)
    return _sorted(item, of_zone, state, distance, none, none)


def judge_shapes(
    zones: Zones,
    shapes: Sequence[BaseGeometry],
    r95_m: ArrayLike = 0.0,
    *,
    reach_m: float = np.inf,
) -> Findings:
    """Tell for points, lines and areas how they lie to zones.

    Parameters
    ----------
    zones : Zones
        The zones.
    shapes : sequence of shapely geometries
        Longitude and latitude in WGS 84.
    r95_m : array_like
        R95 of each, metres; 0 for a line that is a wish and no estimate.
    reach_m : float
        As for `judge`.

    Raises
    ------
    DataError
        A shape is empty or reaches over more than 400 km, or an R95 is missing or negative.
    """
    import shapely

    r95 = np.broadcast_to(np.asarray(r95_m, np.float64), (len(shapes),))
    _check_r95(r95)
    rows: list[tuple[int, int, str, float, float, float]] = []
    for item, shape in enumerate(shapes):
        if shape is None or shape.is_empty:
            raise DataError(f"shape {item + 1} is empty; there is nothing to compare with zones")
        points = shapely.get_coordinates(shape)
        plane = LocalPlane.about(points[:, 0], points[:, 1])
        mine = plane.shape_to_plane(shape)
        wide = float(np.hypot(*shapely.get_coordinates(mine).T).max() + r95[item] + reach_m)
        for zone in _candidates(zones, plane, wide):
            found = _one(mine, _on_plane(zones.geometry[zone], plane), float(r95[item]))
            if found[1] <= r95[item] + reach_m:
                rows.append((item, zone, *found))
    columns = list(zip(*rows, strict=True)) if rows else [()] * 6
    return _sorted(
        np.array(columns[0], np.int64),
        np.array(columns[1], np.int64),
        _texts(columns[2]),
        *(np.array(c, np.float64) for c in columns[3:]),
    )


def _one(mine: Any, zone: Any, r95: float) -> tuple[str, float, float, float]:
    """Return state, distance to the edge, length inside and where along, of one shape."""
    import shapely

    line = shapely.get_type_id(mine) in _LINES
    area = shapely.get_type_id(zone) in _AREAS
    edge = shapely.boundary(zone) if area else zone
    distance = float(shapely.distance(mine, edge))
    inside = np.nan
    if shapely.intersects(mine, zone):
        state = INSIDE if area and distance > 0 and shapely.within(mine, zone) else PARTLY
        common = shapely.intersection(mine, zone)
        if line:
            inside = float(shapely.length(common)) if area else 0.0
        first = [shapely.get_point(p, 0) if shapely.get_type_id(p) == 1 else p
                 for p in shapely.get_parts(common)] if line else []  # fmt: skip
        along = min((_along(mine, p) for p in first), default=np.nan)
        return state, -distance if state == INSIDE else 0.0, inside, along
    along = np.nan
    if line:
        inside = 0.0
        along = _along(mine, shapely.get_point(shapely.shortest_line(mine, edge), 0))
    return NEAR if distance <= r95 else CLEAR, distance, inside, along


def _along(line: Any, point: Any) -> float:
    """Return how far along a line, or along the parts of one in order, a point on it lies."""
    import shapely

    parts = shapely.get_parts(line)
    nearest = int(np.argmin(shapely.distance(parts, point)))
    before = float(shapely.length(parts[:nearest]).sum())
    return before + float(shapely.line_locate_point(parts[nearest], point))


def _signed_distance(shape: Any, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the distance of points to the edge of a zone, negative inside."""
    import shapely

    area = shapely.get_type_id(shape) in _AREAS
    corners, part = shapely.get_coordinates(
        shapely.get_parts(shapely.boundary(shape) if area else shape), return_index=True
    )
    joined = part[1:] == part[:-1]
    ends = np.stack([corners[:-1][joined], corners[1:][joined]], axis=1)
    pieces: Any = shapely.linestrings(ends)
    points = shapely.points(x, y)
    _, away = shapely.STRtree(pieces).query_nearest(points, return_distance=True, all_matches=False)
    if not area:
        return np.asarray(away, np.float64)
    shapely.prepare(shape)
    return np.where(shapely.contains_xy(shape, x, y), -away, away)


def _on_plane(shape: Any, plane: LocalPlane) -> Any:
    """Return a zone in the plane; parts that were cut at the 180th meridian are one again."""
    import shapely

    if shapely.get_type_id(shape) in _AREAS:
        return plane.area_to_plane(shape)
    return plane.shape_to_plane(shapely.segmentize(shape, EDGE_STEP_DEG))


def _candidates(zones: Zones, plane: LocalPlane, wide_m: float) -> Iterator[int]:
    """Yield the zones whose box of longitude and latitude comes within so much of the origin."""
    import shapely

    if not np.isfinite(wide_m):
        yield from range(len(zones))
        return
    west, south, east, north = shapely.bounds(zones.geometry).T
    high = np.degrees(1.01 * wide_m / _EARTH_M)
    top = abs(plane.lat) + high
    over = 360.0 if top >= 89.9 else min(high / np.cos(np.radians(top)), 360.0)
    fits = (south <= plane.lat + high) & (north >= plane.lat - high)
    beside = np.zeros(len(zones), dtype=bool)
    for turn in (-360.0, 0.0, 360.0):
        beside |= (west + turn <= plane.lon + over) & (east + turn >= plane.lon - over)
    yield from np.flatnonzero(fits & beside).tolist()


def _cells(lon: FloatArray, lat: FloatArray) -> Iterator[IntArray]:
    """Yield the rows of points that lie together, in cubes of 20 km."""
    if not len(lon):
        return
    u, v = np.radians(lon), np.radians(lat)
    way = np.stack([np.cos(v) * np.cos(u), np.cos(v) * np.sin(u), np.sin(v)], axis=1)
    cube = np.floor(way * (_EARTH_M / _CELL_M)).astype(np.int64)
    _, cell = np.unique(cube, axis=0, return_inverse=True)
    order = np.argsort(cell.ravel(), kind="stable")
    yield from np.split(order, np.flatnonzero(np.diff(cell.ravel()[order])) + 1)


def _sorted(
    item: IntArray,
    zone: IntArray,
    state: TextArray,
    distance: FloatArray,
    inside: FloatArray,
    along: FloatArray,
) -> Findings:
    order = np.lexsort((zone, distance, item))
    return Findings(
        item=item[order],
        zone=zone[order],
        state=state[order],
        distance_m=distance[order],
        inside_m=inside[order],
        along_m=along[order],
    )


def _check_r95(r95: FloatArray) -> None:
    if not (r95 >= 0).all() or np.isinf(r95).any():
        raise DataError("an R95 is missing or below 0; without it nobody can tell how near is near")


def _mended(shape: BaseGeometry, called: str) -> tuple[BaseGeometry, list[str]]:
    """Return a zone that is valid, and what was done to it."""
    import shapely

    points = shapely.get_coordinates(shape)
    if not np.isfinite(points).all() or np.abs(points[:, 1]).max() > 90.0:
        raise DataError(
            f"{called} has corners that are no place on Earth; latitudes run from -90 to 90"
        )
    if np.abs(points[:, 0]).max() > 360.0:
        raise DataError(f"{called} has longitudes beyond 360 degrees; they run from -180 to 180")
    shape = shapely.force_2d(shape)
    area = shapely.get_type_id(shape) in _AREAS
    if shapely.is_valid(shape) and (area or shape.length > 0):
        return shape, []
    reason = shapely.is_valid_reason(shape)
    mended = shapely.make_valid(shape) if area else shape
    if area and shapely.get_type_id(mended) not in _AREAS:
        parts = [p for p in shapely.get_parts(mended) if shapely.get_type_id(p) in _AREAS]
        mended = shapely.union_all(parts) if parts else shapely.Polygon()
    if mended.is_empty or not (mended.area > 0 if area else mended.length > 0):
        raise DataError(f"{called} encloses nothing; draw it again with three corners or more")
    where = reason[reason.find("[") + 1 : reason.find("]")].split() if "[" in reason else []
    at = ""
    if len(where) == 2:
        at = f" near {format_position(float(where[0]), float(where[1]))}"
    return mended, [
        f"the outline of {called} crosses or touches itself{at}; it was mended, check it on a map"
    ]


def _column(frame: Any, field_: str) -> str | None:
    """Return the column of a frame that stands for a name, a rule or a kind."""
    labels = {str(c).strip().lower(): c for c in frame.columns if c != frame.geometry.name}
    return next((labels[word] for word in _COLUMNS[field_] if word in labels), None)


def _columns_said(columns: dict[str, str | None]) -> str:
    known = [f"{_SAID[f]} from the column {c!r}" for f, c in columns.items() if c is not None]
    missing = [_SAID[f] for f, c in columns.items() if c is None]
    parts = known + ([f"no column for {' and '.join(missing)}"] if missing else [])
    return "zones have " + ", ".join(parts)


def _text(value: Any) -> str:
    """Return a text of a file on one line, without characters that a terminal would obey."""
    text = "" if value is None or value != value else str(value)
    return "".join(c for c in " ".join(text.split()) if c.isprintable() or c in _JOINERS)


def _texts(values: Any) -> TextArray:
    items = list(values)
    out = np.empty(len(items), dtype=object)
    out[:] = items
    return out
