"""Error ellipse, R95 and the S-44 limit of a horizontal covariance.

Covariances are in a local east / north frame, square metres; R95 is the radius of the circle about
the stated position that holds the truth with 95 % probability when the error is normal.

The ellipse follows the usual eigenvalue form [DYNADJUST]_. R95 is exact: the 95 % radius of an
elliptical normal depends only on the ratio of its axes, and that one function is held here as a
Chebyshev series fitted to a numerical integration (largest error 2e-7 of the major axis; Harter's
table of 1960 is a check in the tests).

References
----------
.. [DYNADJUST] Geoscience Australia, GeodePy, ``error_ellipse``, citing the DynaNet User's Guide,
   section 7.3.3.1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "CHI2_95_2DOF",
    "S44_ORDERS",
    "error_ellipse",
    "middle_and_half",
    "r95",
    "s44_horizontal",
]

FloatArray = NDArray[np.float64]

CHI2_95_2DOF = 5.991464547107979
"""95 % point of chi-square with two degrees of freedom, -2 ln 0.05."""

S44_ORDERS: dict[str, tuple[float, float]] = {
    "exclusive": (1.0, 0.0),
    "special": (2.0, 0.0),
    "1": (5.0, 0.05),
    "2": (20.0, 0.10),
}
"""IHO S-44 edition 6, table 1: horizontal limit in metres and as a part of depth, at 95 %."""

# R95 / sigma_max over c = sigma_min / sigma_max in [0, 1], Chebyshev in 2 c - 1.
_R95_SERIES = (
    2.12194939274, 0.233792702295, 0.083917989725, 0.0116275119428, -0.00212730391382,
    -0.00184582573534, 9.87745673047e-05, 0.000394585158907, 2.83907645354e-05,
    -9.84736089931e-05, -1.64213224972e-05, 2.7070617136e-05, 6.07613942092e-06,
    -8.08300737554e-06, -1.91212503387e-06, 2.57240617027e-06, 5.12675325384e-07,
    -8.45012384157e-07, -9.42551003632e-08, 2.56629013435e-07, -1.15294821376e-08,
)  # fmt: skip
_BLOCK = 1 << 13


def error_ellipse(
    var_east: ArrayLike, var_north: ArrayLike, cov: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the standard (1 sigma) error ellipse.

    Parameters
    ----------
    var_east, var_north, cov : array_like
        Covariance, square metres, broadcast.

    Returns
    -------
    semi_major_m, semi_minor_m : numpy.ndarray
        Standard errors along the axes, metres.
    azimuth_deg : numpy.ndarray
        Direction of the major axis, clockwise from north, in [0, 180).

    Examples
    --------
    >>> a, b, azimuth = error_ellipse(1.44, 1.22, -1.32)
    >>> round(float(a), 6), round(float(b), 6), round(float(azimuth), 6)
    (1.629287, 0.073652, 132.618179)
    """
    see, snn, sen = (np.asarray(v, dtype=np.float64) for v in (var_east, var_north, cov))
    middle, half = middle_and_half(see, snn, sen)
    azimuth = 90.0 - np.degrees(np.arctan2(2 * sen, see - snn)) / 2
    minor = np.sqrt(np.maximum(middle - half, 0.0))
    return np.sqrt(middle + half), minor, np.asarray(azimuth % 180.0)


def r95(var_east: ArrayLike, var_north: ArrayLike, cov: ArrayLike) -> FloatArray:
    """Return the exact 95 % radius of an elliptical normal error.

    Parameters
    ----------
    var_east, var_north, cov : array_like
        Covariance (or second moment about the stated position), square metres, broadcast.

    Returns
    -------
    numpy.ndarray
        Metres.

    Examples
    --------
    >>> round(float(r95(1.0, 1.0, 0.0)), 4)
    2.4477
    """
    see, snn, sen = (np.asarray(v, dtype=np.float64) for v in (var_east, var_north, cov))
    middle, half = middle_and_half(see, snn, sen)
    major = np.sqrt(middle + half)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.sqrt(np.clip((middle - half) / (middle + half), 0.0, 1.0))
    ratio = np.where(major > 0, ratio, 0.0)
    return np.asarray(major * _series(2 * ratio - 1))


def middle_and_half(
    see: FloatArray, snn: FloatArray, sen: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the mean of a covariance's eigenvalues, and half of what they differ by."""
    half = (see - snn) / 2
    return (see + snn) / 2, np.sqrt(half * half + sen * sen)  # ten times as quick as hypot


def _series(x: FloatArray) -> FloatArray:
    """Return the sum of the series at x from -1 to 1, by Clenshaw's recurrence."""
    flat = np.ravel(x)
    out = np.empty_like(flat)
    # A block at a time, so that the recurrence stays in the processor's cache.
    for lo in range(0, len(flat), _BLOCK):
        part = flat[lo : lo + _BLOCK]
        twice, b1, b2 = 2 * part, np.zeros_like(part), np.zeros_like(part)
        for c in _R95_SERIES[:0:-1]:
            after = twice * b1
            after -= b2
            after += c
            b1, b2 = after, b1
        out[lo : lo + _BLOCK] = part * b1 - b2 + _R95_SERIES[0]
    return out.reshape(np.shape(x))


def s44_horizontal(r95_m: ArrayLike, depth_m: ArrayLike) -> NDArray[np.object_]:
    """Name the strictest S-44 horizontal limit that an R95 meets.

    Only the horizontal limit: an order of survey asks for much more (depth error, coverage,
    detection of features).

    Parameters
    ----------
    r95_m : array_like
        Metres.
    depth_m : array_like
        Depth of water, metres; where it is NaN the part that grows with depth counts as zero.

    Returns
    -------
    numpy.ndarray of str
        ``exclusive``, ``special``, ``1``, ``2`` or ``none``.

    Examples
    --------
    >>> s44_horizontal([0.9, 1.8, 5.4, 6.0, 40.0], 10.0).tolist()
    ['exclusive', 'special', '1', '2', 'none']
    """
    radius = np.asarray(r95_m, dtype=np.float64)
    depth = np.nan_to_num(np.maximum(np.asarray(depth_m, dtype=np.float64), 0.0))
    radius, depth = np.broadcast_arrays(radius, depth)
    names = np.array([*S44_ORDERS, "none"], dtype=object)
    index = np.full(radius.shape, len(names) - 1)
    for i, (metres, part) in reversed(list(enumerate(S44_ORDERS.values()))):
        index = np.where(radius <= metres + part * depth, i, index)
    return np.asarray(names[index])
