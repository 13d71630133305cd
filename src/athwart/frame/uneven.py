"""Whether the bottom beside the boat is one even plane, told by how bright its two sides are.

Height from a shadow takes the water h under the boat. On any plane, level or sloping, that is right;
beside a bank or a wall it is not: there h has to be the distance h' at which the plane through the
bottom at the thing, carried on to the boat, passes below the transducer.

The echo tells of it. By Lambert's law (Urick, "Principles of underwater sound", from memory) a patch of
seabed at range r sends back power in proportion to sin^2 of the grazing angle, (h' cos s / r)^2 for a
plane of slope s: it holds h' and, besides r, little else. So the brightness (root of power) of one side
over that of the other at the same range is the ratio of their h', times what gain and hardness do. On
one plane it is the same at all ranges but for patches of other ground; its spread D over the ranges
from near nadir to the limit was below 0.17 on 95 of 100 made planar frames and above 0.20 wherever a
height was more than a quarter wrong (medians of 161 lines, 14 bands of range).

What differs by one factor at all ranges is taken for a weak side: a wall so close to the boat that all
of one side lies behind it is not told.

D says that the bottom is uneven, not how: bank and hard ground cannot be told apart. So heights are
left as they are, and their error grows by the chance of uneven ground times what it does there.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from athwart.frame.layout import SideEcho

__all__ = ["uneven_part"]

Floats = NDArray[np.float64]

LINES = 80
"""Lines on either side that are looked at."""
BANDS = 14
"""Bands of range."""
NEAREST = 1.1
"""They begin at this part of the altitude, as a slant range: nearer, the bottom is too steep to tell."""
EVEN = 0.19
SHARP = 0.02
"""Spread at which even and uneven are equally likely, and the scale of the logistic about it."""
WRONG = 0.4
"""Root mean square of h' / h - 1 on uneven ground; from made banks and walls."""
ALONE = 0.1
"""Chance of uneven ground where there is one side only, or too little of it; common practice."""
_DARK = 1e-4


def uneven_part(
    sides: Mapping[str, SideEcho],
    line: ArrayLike,
    altitude_m: ArrayLike,
    *,
    ground_axis: bool = False,
) -> Floats:
    """Return the standard error of the water at a thing as a part of the water under the boat.

    Parameters
    ----------
    sides : mapping of SideEcho
        The frame, from `Layout.sides`.
    line : array_like, shape (n,)
        Line coordinates of the things.
    altitude_m : array_like, shape (n,)
        h there, metres; NaN where it is not known.
    ground_axis : bool
        Whether columns are ground ranges.

    Returns
    -------
    numpy.ndarray, shape (n,)
        At most `WRONG`.
    """
    lines, h = np.broadcast_arrays(
        np.atleast_1d(np.asarray(line, np.float64)), np.asarray(altitude_m, np.float64)
    )
    spread = np.array(
        [_spread(sides, float(k), float(a), ground_axis) for k, a in zip(lines, h, strict=True)]
    )
    with np.errstate(over="ignore"):
        chance = 1.0 / (1.0 + np.exp(-(spread - EVEN) / SHARP))
    return np.asarray(WRONG * np.sqrt(np.where(np.isnan(spread), ALONE, chance)))


def _spread(
    sides: Mapping[str, SideEcho], line: float, altitude_m: float, ground_axis: bool
) -> float:
    """Return the spread over range of the log of the sides' brightness ratio; NaN if not known."""
    if len(sides) < 2 or not altitude_m > 0:
        return float("nan")
    first, second = sides.values()
    middle = min(max(round(line), 0), len(first.scale_m) - 1)
    near = np.arange(max(middle - LINES, 0), min(middle + LINES + 1, len(first.scale_m)))
    near = near[first.scale_m[near] == first.scale_m[middle]]
    start = altitude_m * (np.sqrt(NEAREST**2 - 1.0) if ground_axis else NEAREST)
    limit = min(_limit(s, middle) for s in (first, second))
    if limit - start < 2 * BANDS * max(s.scale_m[middle] for s in (first, second)):
        return float("nan")
    edges = np.linspace(start, limit, BANDS + 1)
    levels = np.array([_levels(s, near, middle, edges) for s in (first, second)])
    shown = (levels > _DARK).all(axis=0)
    if shown.sum() < BANDS // 2:
        return float("nan")
    ratio = 0.5 * np.log(levels[0, shown] / levels[1, shown])
    return float(np.std(ratio))


def _limit(side: SideEcho, line: int) -> float:
    return float((side.echo.shape[1] + side.start_columns) * side.scale_m[line])


def _levels(side: SideEcho, rows: NDArray[Any], line: int, edges: Floats) -> Floats:
    """Return the median power in each band."""
    at = np.clip(edges / side.scale_m[line] - side.start_columns, 0, side.echo.shape[1])
    columns = at.astype(np.int64)
    return np.array(
        [
            np.median(np.square(side.echo[rows, a : max(b, a + 1)].astype(np.float64)))
            for a, b in pairwise(columns)
        ]
    )
