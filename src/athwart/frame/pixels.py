"""What points of a frame are: side, line, range, altitude, and their errors.

Standard errors, one sigma each, independent:

- *Range*: sigma_r^2 = d^2 (1/12 + c^2) + (p r)^2 + f^2 with the column d (m), the click c (columns),
  the screen's scale p (1 %) and a floor f for the pulse and the beam.
- *Line*: sqrt(1/12 + c^2), the click along the time axis.
- *Altitude*: the bottom line's own error, a column, the sounder's (0.1 m + 1 %), and, with the
  chance 1 - confidence that the line follows something else, a third of the altitude and as much as
  it differs from the next confident lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import BadRow, DataError, TableError
from athwart.frame.bottom import CONFIDENT
from athwart.frame.layout import Layout
from athwart.frame.photo import Straightener
from athwart.tables import bad_rows
from athwart.uncertainty.budget import ErrorBudget

if TYPE_CHECKING:
    from athwart.frame.bottom import Bottom

__all__ = ["CLICK_PX", "CORNER_PX", "SLACK_PX", "FramePoints", "drags_of", "points"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]

CLICK_PX = 1.5
"""Standard error of a click, pixels an axis; common practice, no source."""

CORNER_PX = 2.0
"""Standard error of a display's corner in a photo, photo pixels an axis; common practice."""

RANGE_FLOOR_M = 0.1
"""Pulse and footprint: no range is known better than this, metres; common practice, no source."""

LOST_PART = 1 / 3
"""Standard error of the altitude, as a part of it, where the bottom line follows something else."""

SLACK_PX = 3.0
"""A click may miss the panel or the range limit by this much."""


@dataclass(frozen=True, eq=False, kw_only=True)
class FramePoints:
    """Points of a frame in the boat's terms; every field but `axis` is an array of shape (n,).

    Parameters
    ----------
    xy : numpy.ndarray, shape (n, 2)
        The pixels.
    side : numpy.ndarray of str
        ``"port"`` or ``"starboard"``.
    line : numpy.ndarray
        Line coordinate, 0 in the middle of the newest.
    seconds_back, metres_back : numpy.ndarray
        Since the newest line; NaN where the layout does not tell.
    range_m : numpy.ndarray
        Along the axis of the screen, metres as the screen has them.
    axis : {"slant", "ground"}
        What it is.
    altitude_m, altitude_sigma_m, confidence : numpy.ndarray
        Of the transducer above the bottom there, as the screen has it; NaN without a bottom line.
    range_sigma_m : numpy.ndarray
        Standard error of the range as it was pointed at.
    line_sigma : numpy.ndarray
        Standard error of the line coordinate.
    """

    xy: FloatArray
    side: TextArray
    line: FloatArray
    seconds_back: FloatArray
    metres_back: FloatArray
    range_m: FloatArray
    axis: str
    altitude_m: FloatArray
    altitude_sigma_m: FloatArray
    confidence: FloatArray
    range_sigma_m: FloatArray
    line_sigma: FloatArray

    def __len__(self) -> int:
        return len(self.line)


def points(
    layout: Layout,
    bottom: Bottom | None,
    xy: ArrayLike,
    *,
    click_px: ArrayLike = CLICK_PX,
    straightener: Straightener | None = None,
    corner_px: float = CORNER_PX,
    budget: ErrorBudget | None = None,
) -> FramePoints:
    """Say what points of a frame are.

    Parameters
    ----------
    layout : Layout
        Of this picture (see `Layout.for_picture`).
    bottom : Bottom or None
        Its bottom line; not needed where the screen shows ground ranges.
    xy : array_like, shape (2,) or (n, 2)
        Pixels of the (straightened) picture.
    click_px : array_like
        Standard error of the click, pixels; photo pixels if a straightener is given.
    straightener : Straightener, optional
        Of a photo; its scale and the corners' error enter.
    corner_px : float
        Standard error of its corners, photo pixels.
    budget : ErrorBudget, optional
        Scale of the screen and the sounder's error; the defaults without one.

    Raises
    ------
    TableError
        Points outside the panel or beyond its range limit, every one with its sentence.
    """
    budget = budget or ErrorBudget()
    p = np.asarray(xy, np.float64)
    if p.ndim not in (1, 2) or p.shape[-1] != 2:
        raise DataError(f"points have the shape {p.shape}; allowed is (2,) or (n, 2)")
    p = np.atleast_2d(p)
    line = layout.line_of(p)
    side, range_m = layout.range_of(p)
    column = layout.metres_per_pixel(side, line)
    faults = _outside(layout, p, side, line, range_m, column)
    if faults:
        raise TableError("picture", faults)
    click = np.broadcast_to(np.asarray(click_px, np.float64), line.shape)
    if straightener is not None:
        # Inside the display the corners' errors come as a weighted mean, at most one corner's.
        click = np.hypot(click, corner_px) / straightener.photo_pixels(p)
    cell = np.sqrt(1.0 / 12.0 + click**2)
    range_sigma = np.sqrt(
        (cell * column) ** 2 + (budget.range_part * range_m) ** 2 + RANGE_FLOOR_M**2
    )
    index = layout.line_index(line)
    altitude, confidence, spread = _altitude(bottom, index, layout)
    lost = (1.0 - confidence) * (LOST_PART * altitude) ** 2
    altitude_sigma = np.sqrt(spread**2 + column**2 + budget.depth_sigma(altitude) ** 2 + lost)
    line = np.clip(line, 0.0, layout.lines - 1.0)
    return FramePoints(
        xy=p,
        side=side,
        line=line,
        seconds_back=line * (layout.seconds_per_line or np.nan),
        metres_back=line * (layout.metres_per_line or np.nan),
        range_m=range_m,
        axis=layout.axis,
        altitude_m=altitude,
        altitude_sigma_m=altitude_sigma,
        confidence=confidence,
        range_sigma_m=range_sigma,
        line_sigma=np.asarray(cell),
    )


def drags_of(xy: ArrayLike) -> FloatArray:
    """Return both ends of each drag over a frame, pixels, shape (n, 2, 2), from one drag or many.

    Raises
    ------
    DataError
        Another shape.
    """
    p = np.asarray(xy, np.float64)
    if p.shape == (2, 2):
        p = p[None]
    if p.ndim != 3 or p.shape[1:] != (2, 2):
        raise DataError(f"drags have the shape {p.shape}; allowed is (2, 2) or (n, 2, 2)")
    return p


def _outside(
    layout: Layout,
    xy: FloatArray,
    side: TextArray,
    line: FloatArray,
    range_m: FloatArray,
    column: FloatArray,
) -> list[BadRow]:
    unknown: BoolArray = np.asarray(~np.isfinite(xy).all(axis=1))
    away = ~unknown & ~layout.inside(xy, SLACK_PX)
    shown = " and ".join(layout.side_names)
    dark = ~unknown & ~away & (side == "")
    limit = np.full(layout.lines, layout.range_m)
    for change in layout.range_changes:
        limit[change.line :] = change.range_m
    limit = limit[layout.line_index(line)]
    far = ~unknown & ~away & ~dark & (range_m > limit + SLACK_PX * np.nan_to_num(column))

    def at(i: int) -> str:
        return f"the point ({xy[i, 0]:.0f}, {xy[i, 1]:.0f})"

    return [
        *bad_rows(unknown, "point-unreadable", lambda i: "the point is no pair of numbers"),
        *bad_rows(
            away, "outside-panel", lambda i: f"{at(i)} lies outside the sonar panel; point into it"
        ),
        *bad_rows(
            dark,
            "side-not-shown",
            lambda i: (
                f"{at(i)} lies across the centre line, but the screen shows {shown} only; check the "
                "centre line"
            ),
        ),
        *bad_rows(
            far,
            "beyond-range",
            lambda i: (
                f"{at(i)} lies at {range_m[i]:.1f} m, beyond the range limit of {limit[i]:g} m; "
                "check the limit"
            ),
        ),
    ]


def _altitude(
    bottom: Bottom | None, index: NDArray[np.int64], layout: Layout
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return altitude, confidence and the bottom line's own standard error at lines."""
    if bottom is None:
        none = np.full(index.shape, np.nan)
        return none, none, none
    if bottom.lines != layout.lines:
        raise DataError(
            f"the bottom line has {bottom.lines} lines, the panel {layout.lines}; find it anew"
        )
    both = bottom.altitude()
    altitude, confidence = both.altitude_m[index], both.confidence[index]
    spread = np.zeros(index.shape)
    for side in bottom.sides:
        here = bottom.range_m[side][index] == altitude
        spread = np.where(here, np.maximum(spread, bottom.range_sigma_m[side][index]), spread)
    confidence = np.clip(confidence, 0.0, 1.0)
    found = np.flatnonzero(both.confidence >= CONFIDENT)
    if found.size:
        # A line that strays may be as wrong as it is far from the confident ones on either side.
        after = np.searchsorted(found, index)
        ends = found[np.clip([after - 1, after], 0, found.size - 1)]
        apart = np.abs(altitude - both.altitude_m[ends]).max(axis=0)
        spread = np.hypot(spread, np.sqrt(1.0 - confidence) * apart)
    return altitude, confidence, spread
