"""From the boat's own axes to east and north.

Forward and starboard are positive, heading is degrees clockwise from true north:
east = f sin H + s cos H, north = f cos H - s sin H.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["east_north", "rotate_covariance"]

FloatArray = NDArray[np.float64]


def east_north(
    forward_m: ArrayLike, starboard_m: ArrayLike, heading_deg: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Turn an offset in the boat's axes into east and north, metres.

    Examples
    --------
    >>> [round(float(v), 9) + 0.0 for v in east_north(0.0, 10.0, 90.0)]
    [0.0, -10.0]
    """
    f, s = np.asarray(forward_m, np.float64), np.asarray(starboard_m, np.float64)
    heading = np.radians(np.asarray(heading_deg, np.float64))
    sin, cos = np.sin(heading), np.cos(heading)
    return f * sin + s * cos, f * cos - s * sin


def rotate_covariance(
    var_forward: ArrayLike, var_starboard: ArrayLike, cov: ArrayLike, heading_deg: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Turn a covariance in the boat's axes into east / north.

    Returns
    -------
    var_east, var_north, cov_east_north : numpy.ndarray
        Square metres.
    """
    ff, ss, fs = (np.asarray(v, np.float64) for v in (var_forward, var_starboard, cov))
    heading = np.radians(np.asarray(heading_deg, np.float64))
    sin, cos = np.sin(heading), np.cos(heading)
    s2, c2, sc = sin * sin, cos * cos, sin * cos
    east = ff * s2 + ss * c2 + 2 * fs * sc
    north = ff * c2 + ss * s2 - 2 * fs * sc
    both = (ff - ss) * sc + fs * (c2 - s2)
    return east, north, both
