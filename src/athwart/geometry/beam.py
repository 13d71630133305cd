"""The sonar beam: footprint, swath, lines a second and lines on a target.

Common practice, no source, unless a function names one. Angles in degrees, lengths in metres,
speeds in metres a second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["footprint", "lines_on_target", "lines_per_second", "swath"]

FloatArray = NDArray[np.float64]


def footprint(depth_m: ArrayLike, beam_deg: ArrayLike) -> FloatArray:
    """Return the diameter of a cone's circle on a flat bottom, ``2 d tan(theta / 2)``.

    Source: IHO S-44 edition 6, section 3.5.2, footnote.

    Examples
    --------
    >>> round(float(footprint(10.0, 20.0)), 3)
    3.527
    """
    d, theta = np.asarray(depth_m, np.float64), np.radians(np.asarray(beam_deg, np.float64))
    return np.asarray(2 * d * np.tan(theta / 2))


def swath(range_m: ArrayLike, altitude_m: ArrayLike) -> FloatArray:
    """Return the width of bottom seen on both sides, ``2 sqrt(R^2 - h^2)``; 0 where R < h."""
    r, h = np.asarray(range_m, np.float64), np.asarray(altitude_m, np.float64)
    return np.asarray(2 * np.sqrt(np.maximum((r - h) * (r + h), 0.0)))


def lines_per_second(range_m: ArrayLike, sound_mps: ArrayLike = 1500.0) -> FloatArray:
    """Return the highest rate of lines at a range, ``c / 2 R`` (two-way travel)."""
    return np.asarray(np.asarray(sound_mps, np.float64) / (2 * np.asarray(range_m, np.float64)))


def lines_on_target(
    length_m: ArrayLike,
    speed_mps: ArrayLike,
    range_m: ArrayLike,
    sound_mps: ArrayLike = 1500.0,
) -> FloatArray:
    """Return how many lines meet a target of a length along the track, ``L c / (2 R v)``."""
    return np.asarray(
        np.asarray(length_m, np.float64)
        * lines_per_second(range_m, sound_mps)
        / np.asarray(speed_mps, np.float64)
    )
