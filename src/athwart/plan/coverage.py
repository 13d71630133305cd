"""Ground that the side-scan has really seen: once, twice, only from above, and not at all.

Between two points of a pass a side sweeps the quadrilateral between their lines; points lie so
close that the heading turns by two degrees at most between them. A pass sees the union of its
quadrilaterals; ground seen twice is seen from two passes. Both are exact overlays of polygons in a
metric plane: with S1 and S2 what a group of passes has seen once at least and twice at least, two
groups together have seen

    S1 = A1 + B1,    S2 = A2 + B2 + (A1 x B1)

(+ the union, x the intersection), so that a fold by halves over n passes takes log n rounds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError
from athwart.features import Feature
from athwart.geometry.plane import LocalPlane
from athwart.plan.passes import Passes

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Coverage", "coverage"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Shapes = NDArray[np.object_]

SMALLEST_M = 5.0
"""Holes narrower than this are left out unless the caller says otherwise."""

ROUNDING_M2 = 0.01
"""Less than this between two edges is rounding, no hole."""

CAUTION = (
    "Seen is not the same as looked through: small things, and things in the shadow of others, do "
    "not show. Not for navigation."
)

_TILE_CORNERS, _TILE_SHAPES = 1500, 16  # corners in a tile; fewest shapes that are worth it
_CHUNK = 48  # steps to a ribbon: short enough to be simple, long enough to spare unions


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Coverage:
    """What passes have seen of an area; shapes in the plane's metres.

    Parameters
    ----------
    plane : LocalPlane
        Where the shapes count from.
    seen, twice : shapely geometry
        Ground seen at least once, and from two passes at least.
    under : shapely geometry
        Ground right under the boat's way that no pass saw from the side.
    holes : tuple of shapely polygons
        Ground neither seen nor under the boat, the largest first: of the area, or without one the
        holes that seen ground encloses.
    area : shapely geometry or None
        The area, if one was given; everything else lies within it.
    cautious : bool
        Whether the passes were narrowed by their 95 % error.
    small_holes : int
    small_holes_m2 : float
        Holes that were left out as too narrow.
    passes : int
    length_m : float
        Passes, and the way along them.
    words : tuple of str
        What the user should know.
    """

    plane: LocalPlane
    seen: BaseGeometry
    twice: BaseGeometry
    under: BaseGeometry
    holes: tuple[BaseGeometry, ...]
    area: BaseGeometry | None
    cautious: bool
    small_holes: int
    small_holes_m2: float
    passes: int
    length_m: float
    words: tuple[str, ...]

    @property
    def holes_m2(self) -> float:
        """All holes that are listed, square metres."""
        return float(sum(h.area for h in self.holes))

    def part(self, shape: BaseGeometry) -> float:
        """Return a shape's part of the area, 0 to 1; NaN without an area."""
        return math.nan if self.area is None else float(shape.area / self.area.area)

    def features(self) -> list[Feature]:
        """Return the shapes in WGS 84: seen, seen twice, under the boat, each hole."""
        edge = "less its 95 % error" if self.cautious else "to its full width"
        notes = {
            "seen": f"Swath {edge}. {CAUTION}",
            "seen twice": f"Swath {edge}. {CAUTION}",
            "under the boat": "Water column and steep look: the side-scan shows little here.",
        }
        shapes = {"seen": self.seen, "seen twice": self.twice, "under the boat": self.under}
        out = [
            self._feature(role, shape, "", notes[role])
            for role, shape in shapes.items()
            if not shape.is_empty
        ]
        return out + [
            self._feature("not seen", h, f"Hole {i}", "Not yet looked at from the side.")
            for i, h in enumerate(self.holes, start=1)
        ]

    def _feature(self, role: str, shape: BaseGeometry, name: str, note: str) -> Feature:
        values: dict[str, Any] = {"area_m2": round(shape.area, 1)}
        if self.area is not None:
            values["part_of_area"] = round(self.part(shape), 4)
        return Feature(
            role=role,
            geometry=self.plane.shape_to_earth(shape),
            name=name,
            note=note,
            values=values,
        )


def coverage(
    passes: Passes,
    *,
    area: BaseGeometry | None = None,
    cautious: bool = True,
    smallest_m: float = SMALLEST_M,
) -> Coverage:
    """Return what passes have seen.

    Parameters
    ----------
    passes : Passes
        From `athwart.plan.passes.passes_of`.
    area : shapely geometry, optional
        Polygons in WGS 84: what is to be seen.
    cautious : bool
        Take the swath less its 95 % error, so that ground counts as seen only where it was. The
        question is where to look again, and there the harm lies in ground that was taken for seen.
    smallest_m : float
        Holes in which no circle of this diameter fits are counted and left out, metres.

    Raises
    ------
    DataError
        An area without polygons, or a negative ``smallest_m``.
    """
    import shapely

    if not smallest_m >= 0:
        raise DataError(f"the smallest hole is {smallest_m:g} m; allowed is 0 or more")
    ground = None
    if area is not None:
        ground = polygons_of(passes.plane.area_to_plane(area))
        if ground.is_empty:
            raise DataError("the area has no polygon; give polygons, such as of a bay or a bank")
    run = passes.narrowed() if cautious else passes
    offsets = {
        "port": [(-run.far_m, -run.near_m)],
        "starboard": [(run.near_m, run.far_m)],
    }
    sides = [o for side, o in offsets.items() if run.sides in (side, "both")]
    seen, twice = _counted(
        _swept(run, [pair for side in sides for pair in side])
        if len(run)
        else np.empty(0, dtype=object)
    )
    low = -run.near_m if run.sides != "starboard" else np.zeros_like(run.near_m)
    high = run.near_m if run.sides != "port" else np.zeros_like(run.near_m)
    under, _ = _counted(_swept(run, [(low, high)]) if len(run) else np.empty(0, dtype=object))
    under = polygons_of(shapely.difference(under, seen))
    if ground is not None:
        seen, twice, under = (
            polygons_of(shapely.intersection(g, ground)) for g in (seen, twice, under)
        )
    known = shapely.union(seen, under)
    if ground is not None:
        rest = polygons_of(shapely.difference(ground, known))
    else:
        rest = polygons_of(shapely.difference(_filled(known), known))
    holes = shapely.get_parts(rest)
    holes = holes[shapely.area(holes) > ROUNDING_M2]
    wide = np.ones(len(holes), bool)
    if smallest_m:
        wide = ~shapely.is_empty(shapely.buffer(holes, -smallest_m / 2))
    size = shapely.area(holes)
    large = np.flatnonzero(wide)
    large = large[np.argsort(-size[large], kind="stable")]
    return Coverage(
        plane=passes.plane,
        seen=seen,
        twice=twice,
        under=under,
        holes=tuple(holes[large]),
        area=ground,
        cautious=cautious,
        small_holes=int((~wide).sum()),
        small_holes_m2=float(size[~wide].sum()),
        passes=len(passes),
        length_m=passes.length_m,
        words=passes.words,
    )


def polygons_of(shape: BaseGeometry) -> BaseGeometry:
    """Return the polygons of a shape: an overlay may leave lines and points where edges touch."""
    import shapely

    if shape.geom_type in ("Polygon", "MultiPolygon"):
        return shape
    parts = shapely.get_parts(shapely.get_parts(shape))
    parts = shapely.get_parts(parts)
    return shapely.union_all([p for p in parts if p.geom_type == "Polygon"])


def _filled(shape: BaseGeometry) -> BaseGeometry:
    import shapely

    parts = shapely.get_parts(shape)
    return shapely.union_all(shapely.polygons(shapely.get_exterior_ring(parts)))


def _swept(run: Passes, offsets: list[tuple[FloatArray, FloatArray]]) -> Shapes:
    """Return for each pass the ground between two offsets from its way, starboard positive."""
    import shapely

    bands = []
    for low, high in offsets:
        shapes, number = _ribbons(run, low, high)
        order = np.argsort(number, kind="stable")
        cuts = np.searchsorted(number[order], np.arange(1, len(run)))
        groups = np.split(shapes[order], cuts)
        bands.append(np.array([*map(shapely.union_all, groups), None], dtype=object)[:-1])
    out = bands[0]
    for band in bands[1:]:
        out = shapely.union(out, band)
    return out


def _ribbons(run: Passes, low: FloatArray, high: FloatArray) -> tuple[Shapes, IntArray]:
    """Return polygons that cover what the lines from low to high sweep, and the pass of each.

    A stretch of some fifty steps is one ring, its one edge out and the other back, wherever that
    is the same as the union of its quadrilaterals: each is convex and turns the same way, and the
    ring does not meet itself. Elsewhere, and inside sharp turns where lines cross, the
    quadrilaterals are taken one by one.
    """
    import shapely

    angle = np.radians(run.heading_deg)
    right = np.stack([np.cos(angle), -np.sin(angle)], axis=1)
    at = np.stack([run.x_m, run.y_m], axis=1)
    wide = high > low
    left_edge = at + np.minimum(low, high)[:, None] * right
    right_edge = at + np.where(wide, high, np.minimum(low, high))[:, None] * right
    step = np.flatnonzero((np.diff(run.number) == 0) & (wide[1:] | wide[:-1]))
    if not len(step):
        return np.empty(0, dtype=object), np.empty(0, np.int64)
    quads = np.stack(
        [left_edge[step], left_edge[step + 1], right_edge[step + 1], right_edge[step]], axis=1
    )
    # Clockwise at each of the four corners: convex, and not turned over.
    side = np.roll(quads, -1, axis=1) - quads
    then = np.roll(side, -1, axis=1)
    turn = side[..., 0] * then[..., 1] - side[..., 1] * then[..., 0]
    plain = (turn < 0).all(axis=1)
    new = np.ones(len(step), bool)
    new[1:] = (np.diff(step) != 1) | (np.diff(run.number[step]) != 0) | ~plain[1:] | ~plain[:-1]
    group = np.cumsum(new) - 1
    place = np.arange(len(step)) - np.flatnonzero(new)[group]
    new |= place % _CHUNK == 0
    group = np.cumsum(new) - 1
    begin = np.flatnonzero(new)
    count = np.diff(np.append(begin, len(step)))

    # Ring of group k: its count + 1 points out along the left edge, the same back on the right.
    size = 2 * (count + 1)
    offset = np.cumsum(size) - size
    owner = np.repeat(np.arange(len(count)), size)
    k = np.arange(len(owner)) - offset[owner]
    back = k > count[owner]
    point = step[begin[owner]] + np.where(back, size[owner] - 1 - k, k)
    coordinates = np.where(back[:, None], right_edge[point], left_edge[point])
    rings = shapely.polygons(shapely.linearrings(coordinates, indices=owner))
    good = shapely.is_valid(rings) & plain[begin]
    single = np.flatnonzero(~good[group])
    parts: Any = shapely.polygons(quads[single])
    broken = ~shapely.is_valid(parts)
    parts[broken] = shapely.make_valid(parts[broken])
    number = run.number[step]
    return (
        np.concatenate([rings[good], parts]),
        np.concatenate([number[begin[good]], number[single]]),
    )


def _counted(shapes: Shapes) -> tuple[BaseGeometry, BaseGeometry]:
    """Return where there is at least one, and where there are at least two, of some shapes.

    Many are cut into tiles first, so that each fold sees only what lies together: of tracks that
    cross each other all over, the work grows as they do.
    """
    import shapely

    corners = int(shapely.get_num_coordinates(shapes).sum()) if len(shapes) else 0
    count = math.ceil(math.sqrt(corners / _TILE_CORNERS))
    if len(shapes) < _TILE_SHAPES or count < 2:
        return _fold(shapes)
    west, south, east, north = shapely.total_bounds(shapes)
    x, y = np.linspace(west, east, count + 1), np.linspace(south, north, count + 1)
    i, j = (k.ravel() for k in np.meshgrid(np.arange(count), np.arange(count)))
    tiles: Any = shapely.box(x[i], y[j], x[i + 1], y[j + 1])
    tile, shape = shapely.STRtree(shapes).query(tiles, predicate="intersects")
    order = np.argsort(tile, kind="stable")
    once, twice = [], []
    for here in np.split(order, np.flatnonzero(np.diff(tile[order])) + 1):
        cell = tiles[tile[here[0]]]
        cut = shapely.clip_by_rect(shapes[shape[here]], *shapely.bounds(cell))
        broken = ~shapely.is_valid(cut)  # which a quick cut may leave
        cut[broken] = shapely.intersection(shapes[shape[here][broken]], cell)
        cut = cut[np.isin(shapely.get_type_id(cut), (3, 6)) & ~shapely.is_empty(cut)]
        one, two = _fold(cut)
        once.append(one)
        twice.append(two)
    return polygons_of(shapely.union_all(once)), polygons_of(shapely.union_all(twice))


def _fold(shapes: Shapes) -> tuple[BaseGeometry, BaseGeometry]:
    """Return where there is at least one, and where there are at least two, of some shapes."""
    import shapely

    once = shapes
    if not len(once):
        return shapely.Polygon(), shapely.Polygon()
    twice = np.full(len(once), shapely.Polygon(), dtype=object)
    while len(once) > 1:
        pairs = len(once) // 2 * 2
        a, b = once[0:pairs:2], once[1:pairs:2]
        both = shapely.union(shapely.union(twice[0:pairs:2], twice[1:pairs:2]), _overlap(a, b))
        once = np.concatenate([shapely.union(a, b), once[pairs:]])
        twice = np.concatenate([both, twice[pairs:]])
    return polygons_of(once[0]), polygons_of(twice[0])


def _overlap(a: Shapes, b: Shapes) -> Shapes:
    """Return the polygons in which pairs of shapes overlap."""
    import shapely

    both = shapely.intersection(a, b)
    odd = ~np.isin(shapely.get_type_id(both), (3, 6))
    for i in np.flatnonzero(odd):
        both[i] = polygons_of(both[i])
    return both
