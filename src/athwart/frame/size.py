"""Length and width of things that were dragged over."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.frame.layout import Layout
from athwart.frame.pixels import CLICK_PX, drags_of, points

if TYPE_CHECKING:
    from athwart.frame.bottom import Bottom

__all__ = ["Sizes", "sizes"]

FloatArray = NDArray[np.float64]


class Sizes(NamedTuple):
    """Sizes of things that were dragged over, metres, with their standard errors.

    ``length_m`` along the track, ``width_m`` across it; NaN where speed or step is not known.
    """

    length_m: FloatArray
    length_sigma_m: FloatArray
    width_m: FloatArray
    width_sigma_m: FloatArray


def sizes(
    layout: Layout,
    bottom: Bottom | None,
    xy: ArrayLike,
    *,
    speed_mps: ArrayLike = np.nan,
    depth_m: ArrayLike = np.nan,
    beam_deg: float = 0.0,
    click_px: float = CLICK_PX,
) -> Sizes:
    """Return length and width of things from drags over opposite corners of their echoes.

    Parameters
    ----------
    layout : Layout
        Of this picture.
    bottom : Bottom or None
        Its bottom line.
    xy : array_like, shape (2, 2) or (n, 2, 2)
        Both ends of each drag.
    speed_mps : array_like
        Speed over the ground; needed where the layout gives seconds per line.
    depth_m : array_like
        Altitude where there is no bottom line; NaN: slant ranges are taken as they are.
    beam_deg : float
        Horizontal beam width. An echo is drawn longer than its object by r times this angle, which
        is taken off.
    click_px : float
        Standard error of each end, pixels.

    Notes
    -----
    Across, a slant axis is turned to ground range over a level bottom; in a shadow's side a thing
    shows its near face only, so the width is a least width.
    """
    p = drags_of(xy)
    n = len(p)
    ends = points(layout, bottom, p.reshape(-1, 2), click_px=click_px)
    line, r = ends.line.reshape(n, 2), ends.range_m.reshape(n, 2)
    sign = np.where(ends.side.reshape(n, 2) == "port", -1.0, 1.0)
    typed = np.broadcast_to(np.asarray(depth_m, np.float64), (n,))[:, None]
    h = np.where(np.isfinite(typed), typed, ends.altitude_m.reshape(n, 2))
    h = np.nan_to_num(h) if layout.axis == "slant" else np.zeros_like(r)
    y = np.sqrt(np.maximum(r**2 - h**2, 0.0))
    column = layout.metres_per_pixel(ends.side, ends.line).reshape(n, 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        stretch = np.where(y > 0, r / np.maximum(y, column), 1.0)
    cell = ends.line_sigma.reshape(n, 2)
    speed = np.asarray(speed_mps, np.float64)
    step = layout.metres_per_line or (layout.seconds_per_line or np.nan) * speed
    step = np.broadcast_to(np.asarray(step, np.float64), (n,))
    drawn = np.abs(line[:, 1] - line[:, 0]) * step
    return Sizes(
        length_m=np.maximum(drawn - r.mean(axis=1) * math.radians(beam_deg), 0.0),
        length_sigma_m=np.hypot(cell[:, 0], cell[:, 1]) * step,
        width_m=np.abs(sign[:, 1] * y[:, 1] - sign[:, 0] * y[:, 0]),
        width_sigma_m=np.sqrt(((cell * column * stretch) ** 2).sum(axis=1)),
    )
