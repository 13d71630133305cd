"""Speed of sound in water, and the ratio that corrects what a sounder shows.

A sounder turns time into metres with the speed it assumes; in water of another speed every range
and depth that it shows must be multiplied by c_true / c_assumed. Speed from TEOS-10 through the
``gsw`` package (IOC, SCOR and IAPSO, 2010), at the surface pressure that small-boat depths differ
from by less than 1 m/s; fresh water included.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["sound_speed"]

FloatArray = NDArray[np.float64]


def sound_speed(
    temperature_c: ArrayLike, salinity_gkg: ArrayLike, depth_m: ArrayLike = 0.0
) -> FloatArray:
    """Return the speed of sound, metres a second.

    Parameters
    ----------
    temperature_c : array_like
        In-situ temperature, degrees Celsius.
    salinity_gkg : array_like
        Absolute Salinity, g/kg: 0 fresh, about 35 open sea.
    depth_m : array_like
        Depth; one metre is taken as one decibar.

    Examples
    --------
    >>> round(float(sound_speed(20.0, 0.0)), 1)
    1482.4
    """
    import gsw

    t, sa, p = np.broadcast_arrays(
        *(np.asarray(v, np.float64) for v in (temperature_c, salinity_gkg, depth_m))
    )
    return np.asarray(gsw.sound_speed_t_exact(sa, t, p), dtype=np.float64)
