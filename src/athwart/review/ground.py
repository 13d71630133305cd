"""What lies under the marks on a map: outlines cut to the map's area and to a number of points.

A coastline may have millions of points; the page holds all it shows, and a telephone must draw
it. Outlines are cut off at a box about the data, a narrower one where they have too many points.
Only where they still have too many, they are drawn within a tolerance that is as small as the
number allows (Douglas and Peucker 1973) and is said. A rock too small for the tolerance stays, as
the box about it; if even that is too much, the smallest outlines are left out, and their number
is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["POINTS", "Box", "Ground", "clipped", "fitted"]

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]

POINTS = 60_000
_TOLERANCES_M = 0.5 * 2.0 ** np.arange(12)
_LEAST_RING = 5
_GOOD_M = 2.0
_HUGE = 20_000


class Ground(NamedTuple):
    """Outlines to draw.

    Parameters
    ----------
    fills : list of list of numpy.ndarray, shape (n, 2)
        Closed rings of each area, the outer one first.
    lines, points : list of numpy.ndarray, shape (n, 2)
        Open lines; single points.
    within_m : float
        How far what is drawn may lie from what was given; 0 where it is as given.
    cut : bool
        Whether parts outside the box were left out.
    left_out : int
        Outlines and points inside the box that are not drawn.
    box : (left, bottom, right, top) or None
        Where the shapes were cut off.
    """

    fills: list[list[FloatArray]]
    lines: list[FloatArray]
    points: list[FloatArray]
    within_m: float
    cut: bool
    left_out: int
    box: Box | None = None


def fitted(
    shapes: Iterable[Any],
    *,
    boxes: Sequence[Box] = (),
    metres: tuple[float, float] = (1.0, 1.0),
    budget: int = POINTS,
) -> Ground:
    """Cut and thin shapes.

    Parameters
    ----------
    shapes : iterable of shapely geometry
        Polygons, lines and points on a flat sheet.
    boxes : sequence of (left, bottom, right, top)
        What may be drawn of them, each box within the one before; all if none is given. The first
        is taken within which little is lost, else the last: near the marks a true shore is
        worth more than a far one.
    metres : tuple of float
        Metres in one unit of the sheet, across and up.
    budget : int
        Most points.

    Returns
    -------
    Ground
        On the same sheet.
    """
    parts = _simple(np.array(list(shapes), dtype=object))
    if not boxes:
        return _drawn(parts, metres, budget, _TOLERANCES_M[-1])
    cut = False
    for box in boxes:
        parts, more = clipped(parts, box)
        cut |= more
        coarsest = _TOLERANCES_M[-1] if box is boxes[-1] else _GOOD_M
        ground = _drawn(parts, metres, budget, coarsest)._replace(box=box, cut=cut)
        if ground.within_m <= _GOOD_M and not ground.left_out:
            break
    return ground


def _drawn(
    parts: NDArray[np.object_], metres: tuple[float, float], budget: int, coarsest: float
) -> Ground:
    kinds = shapely.get_type_id(parts)
    points = parts[kinds == 0]
    areas, lines = parts[kinds == 3], parts[(kinds == 1) | (kinds == 2)]
    rings, area_of = shapely.get_rings(areas, return_index=True)
    outlines = np.concatenate([rings, lines])
    # An area and its holes stand or fall together.
    owner = np.concatenate([area_of, np.arange(len(lines)) + len(areas)]).astype(np.int64)
    scale = np.asarray(metres, dtype=np.float64)
    drawn, within, kept = _thinned(outlines, owner, scale, budget, coarsest)
    fills: dict[int, list[FloatArray]] = {}
    open_lines = []
    room = budget
    for xy, of, keep in zip(drawn, owner.tolist(), kept.tolist(), strict=True):
        if not keep:
            continue
        room -= len(xy)
        if of < len(areas):
            fills.setdefault(of, []).append(xy)
        else:
            open_lines.append(xy)
    room = max(room, 0)
    return Ground(
        fills=list(fills.values()),
        lines=open_lines,
        points=list(shapely.get_coordinates(points[:room])[:, None, :]),
        within_m=within,
        cut=False,
        left_out=len(np.unique(owner[~kept])) + max(len(points) - room, 0),
    )


def _simple(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return polygons, lines and points without their collections."""
    parts = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    while len(parts) and (shapely.get_type_id(parts) > 3).any():
        parts = shapely.get_parts(parts)
    return parts[~shapely.is_empty(parts)]


def clipped(parts: NDArray[np.object_], box: Box) -> tuple[NDArray[np.object_], bool]:
    """Return polygons, lines and points inside a box, and whether anything was cut off."""
    bounds = shapely.bounds(parts)
    near = (bounds[:, :2] <= box[2:]).all(axis=1) & (bounds[:, 2:] >= box[:2]).all(axis=1)
    inside = (bounds[:, :2] >= box[:2]).all(axis=1) & (bounds[:, 2:] <= box[2:]).all(axis=1)
    across = parts[near & ~inside]
    kinds = shapely.get_type_id(across)
    # The quick way to cut is a hundred times faster, but wrong for some shapes that touch the box.
    quick = shapely.get_num_coordinates(across) > _HUGE
    quick[quick] = [not _touches(shape, box) for shape in across[quick]]
    slow = across[~quick]
    broken = ~shapely.is_valid(slow)
    slow[broken] = shapely.make_valid(slow[broken])
    across[~quick] = shapely.intersection(slow, shapely.box(*box))
    across[quick] = shapely.clip_by_rect(across[quick], *box)
    pieces, source = shapely.get_parts(across, return_index=True)
    # Of an area that only touches the box, a line or a point may be left: nothing to draw.
    while len(pieces) and (shapely.get_type_id(pieces) > 3).any():
        pieces, again = shapely.get_parts(pieces, return_index=True)
        source = source[again]
    area = kinds[source] == 3
    keep = ~shapely.is_empty(pieces) & (~area | (shapely.get_type_id(pieces) == 3))
    return np.concatenate([parts[inside], pieces[keep]]), not bool(inside.all())


def _touches(shape: Any, box: Box) -> bool:
    """Say whether a corner lies on one of the box's four lines."""
    xy = shapely.get_coordinates(shape)
    return bool((xy == box[:2]).any() or (xy == box[2:]).any())


def _thinned(
    outlines: NDArray[np.object_],
    owner: NDArray[np.int64],
    scale: FloatArray,
    budget: int,
    coarsest: float,
) -> tuple[Sequence[FloatArray], float, NDArray[np.bool_]]:
    """Return coordinates, the tolerance in metres, and which outlines fit."""
    every = np.ones(len(outlines), dtype=bool)
    if shapely.get_num_coordinates(outlines).sum() <= budget:
        return _split(outlines), 0.0, every
    xy, of = shapely.get_coordinates(outlines, return_index=True)
    flat = shapely.linestrings(xy * scale, indices=of)
    closed = shapely.is_closed(flat)
    bounds = shapely.bounds(flat)
    size = np.zeros(int(owner.max()) + 1)
    np.maximum.at(size, owner, np.hypot(*(bounds[:, 2:] - bounds[:, :2]).T))
    largest = np.argsort(-size, kind="stable")
    for tolerance in _TOLERANCES_M[coarsest >= _TOLERANCES_M].tolist():
        thin = shapely.simplify(flat, tolerance, preserve_topology=False)
        small = closed & (shapely.get_num_coordinates(thin) < _LEAST_RING - 1)
        count = np.where(small, _LEAST_RING, shapely.get_num_coordinates(thin))
        if count.sum() <= budget or count[small].sum() > budget:  # coarser would help no more
            break
    thin[small] = shapely.get_exterior_ring(shapely.box(*bounds[small].T))
    need = np.bincount(owner, weights=count)
    fits = np.zeros(len(size), dtype=bool)
    fits[largest] = np.cumsum(need[largest]) <= budget
    return [part / scale for part in _split(thin)], tolerance, fits[owner]


def _split(outlines: NDArray[np.object_]) -> list[FloatArray]:
    xy, of = shapely.get_coordinates(outlines, return_index=True)
    if not len(outlines):
        return []
    return np.split(xy, np.searchsorted(of, np.arange(1, len(outlines))))
