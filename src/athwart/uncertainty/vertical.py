"""The vertical limits of IHO S-44, the yardstick beside an error of depth.

``TVU(d) = sqrt(a^2 + (b d)^2)`` at 95 % confidence (IHO S-44 edition 6, section 3.2.3 and table 1).
An order of survey asks for much more than its vertical limit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["S44_TVU", "Z95", "s44_vertical", "tvu"]

FloatArray = NDArray[np.float64]

Z95 = 1.959963984540054
"""Two-sided 95 % point of the normal (S-44, section 2: 1.96)."""

S44_TVU: dict[str, tuple[float, float]] = {
    "exclusive": (0.15, 0.0075),
    "special": (0.25, 0.0075),
    "1": (0.5, 0.013),
    "2": (1.0, 0.023),
}
"""a in metres and b of each order; orders 1a and 1b have the same."""


def tvu(depth_m: ArrayLike, order: str) -> FloatArray:
    """Return the largest total vertical uncertainty that an order allows, 95 %, metres.

    Examples
    --------
    >>> round(float(tvu(10.0, "special")), 4)
    0.261
    """
    a, b = S44_TVU[order]
    return np.hypot(a, b * np.asarray(depth_m, np.float64))


def s44_vertical(u95_m: ArrayLike, depth_m: ArrayLike) -> NDArray[np.object_]:
    """Name the strictest vertical limit that a 95 % error of depth meets.

    Parameters
    ----------
    u95_m, depth_m : array_like
        Metres, broadcast.

    Returns
    -------
    numpy.ndarray of str
        ``exclusive``, ``special``, ``1``, ``2`` or ``none``; ``""`` where either is NaN.

    Examples
    --------
    >>> s44_vertical([0.16, 0.26, 0.5, 1.0, 2.0, float("nan")], 10.0).tolist()
    ['exclusive', 'special', '1', '2', 'none', '']
    """
    error, depth = np.broadcast_arrays(
        np.asarray(u95_m, np.float64), np.asarray(depth_m, np.float64)
    )
    names = np.array([*S44_TVU, "none", ""], dtype=object)
    index = np.full(error.shape, len(S44_TVU))
    for i, order in reversed(list(enumerate(S44_TVU))):
        index = np.where(error <= tvu(depth, order), i, index)
    index = np.where(np.isfinite(error) & np.isfinite(depth), index, len(S44_TVU) + 1)
    return np.asarray(names[index])
