"""Slant range, altitude and bottom slope to ground range, depth and object height.

Symbols: r slant range (m), h altitude of the transducer above the bottom right below it (m), s
slope of the bottom across the track, positive where it falls away from the boat (rad inside,
degrees in arguments), y ground range (m, >= 0), t = tan s. The bottom at y lies h + y t below the
transducer, so an echo from it obeys

    y^2 + (h + y t)^2 = r^2,    y = cos s (-h sin s +/- sqrt(r^2 - h^2 cos^2 s)).

Flat or falling bottom gives one root y >= 0 from r = h on. A rising bottom is first met at
r = h cos s; between that and r = h both roots lie on the bottom. For a flat bottom y is the
``sqrt(D^2 - H^2)`` of the handbooks (Green, Maritime Archaeology: A Technical Handbook, 2nd ed.,
p. 80).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "first_bottom_return",
    "ground_range",
    "ground_range_in_water",
    "height_from_shadow",
    "slant_of_ground",
    "top_ground_range",
]

FloatArray = NDArray[np.float64]


def first_bottom_return(altitude_m: ArrayLike, slope_deg: ArrayLike = 0.0) -> FloatArray:
    """Return the slant range of the first echo from the bottom on a side, metres.

    ``h`` where the bottom is flat or falls away, ``h cos s`` where it rises.
    """
    h, s = np.asarray(altitude_m, np.float64), np.radians(np.asarray(slope_deg, np.float64))
    return np.where(s < 0, h * np.cos(s), h * np.ones_like(s))


def ground_range(
    slant_range_m: ArrayLike, altitude_m: ArrayLike, slope_deg: ArrayLike = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Turn the slant range of an echo from the bottom into a ground range.

    Parameters
    ----------
    slant_range_m, altitude_m : array_like
        r and h, metres, corrected for sound speed.
    slope_deg : array_like
        s, degrees, positive where the bottom falls away from the boat.

    Returns
    -------
    ground_range_m : numpy.ndarray
        y; the middle of both roots where a rising bottom gives two; NaN where the echo cannot come
        from the bottom (it is nearer than the first bottom return).
    spread_m : numpy.ndarray
        Half the distance between the two roots; 0 where there is one.

    Examples
    --------
    >>> y, spread = ground_range([13.0, 25.0], [5.0, 7.0])
    >>> y.tolist(), spread.tolist()
    ([12.0, 24.0], [0.0, 0.0])
    """
    r, h = np.asarray(slant_range_m, np.float64), np.asarray(altitude_m, np.float64)
    s = np.radians(np.asarray(slope_deg, np.float64))
    sin, cos = np.sin(s), np.cos(s)
    # (r - a)(r + a) keeps the digits that r^2 - a^2 would lose near nadir.
    a = h * cos
    q = (r - a) * (r + a)
    root = cos * np.sqrt(np.maximum(q, 0.0))
    middle = -h * sin * cos
    double = (s < 0) & (r < h) & (q >= 0)
    # On a flat or falling bottom r = h is nadir itself; rounding must not make it negative.
    y = np.where(r >= h, np.maximum(middle + root, 0.0), np.where(double, middle, np.nan))
    return y, np.where(double, root, 0.0) * np.ones_like(y)


def slant_of_ground(
    ground_range_m: ArrayLike, altitude_m: ArrayLike, slope_deg: ArrayLike = 0.0
) -> FloatArray:
    """Return the slant range of a bottom point at a ground range; the inverse of `ground_range`."""
    y, h = np.asarray(ground_range_m, np.float64), np.asarray(altitude_m, np.float64)
    below = h + y * np.tan(np.radians(np.asarray(slope_deg, np.float64)))
    return np.sqrt(y * y + below * below)


def ground_range_in_water(slant_range_m: ArrayLike, target_depth_m: ArrayLike) -> FloatArray:
    """Return the ground range of a thing in the water at a known depth below the transducer.

    ``sqrt(r^2 - z^2)``; NaN where the range is shorter than the depth.

    Examples
    --------
    >>> float(ground_range_in_water(5.0, 3.0))
    4.0
    """
    r, z = np.asarray(slant_range_m, np.float64), np.asarray(target_depth_m, np.float64)
    q = (r - z) * (r + z)
    return np.where(q >= 0, np.sqrt(np.maximum(q, 0.0)), np.nan)


def height_from_shadow(
    altitude_m: ArrayLike, shadow_start_m: ArrayLike, shadow_m: ArrayLike
) -> FloatArray:
    """Return the height of an object above the bottom from its shadow, H = h L / (r_s + L).

    Parameters
    ----------
    altitude_m : array_like
        h, metres.
    shadow_start_m, shadow_m : array_like
        r_s and L, slant lengths, metres.

    Notes
    -----
    Similar triangles along the one ray that grazes the top and meets the bottom at the end of the
    shadow; it holds on a sloping bottom too, since both legs lie on that ray.

    Examples
    --------
    >>> round(float(height_from_shadow(10.0, 50.0, 5.0)), 4)
    0.9091
    """
    h, start, length = (np.asarray(v, np.float64) for v in (altitude_m, shadow_start_m, shadow_m))
    return h * length / (start + length)


def top_ground_range(
    shadow_start_m: ArrayLike,
    shadow_m: ArrayLike,
    altitude_m: ArrayLike,
    slope_deg: ArrayLike = 0.0,
) -> FloatArray:
    """Return the ground range of an object's top, ``r_s / (r_s + L) * y(r_s + L)``, metres.

    NaN where the end of the shadow cannot lie on the bottom.

    Examples
    --------
    >>> round(float(top_ground_range(50.0, 5.0, 10.0)), 4)
    49.1666
    """
    start, length = np.asarray(shadow_start_m, np.float64), np.asarray(shadow_m, np.float64)
    end, _ = ground_range(start + length, altitude_m, slope_deg)
    return start / (start + length) * end
