"""The sonar beam: footprint, swath, what is lost at nadir, lines a second and lines on a target.

Common practice, no source, unless a function names one. Angles in degrees, lengths in metres,
speeds in metres a second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "cone_reading",
    "footprint",
    "highest_speed",
    "line_spacing",
    "lines_on_target",
    "lines_per_second",
    "squeeze",
    "strip_under",
    "swath",
    "water_column_part",
]

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


def cone_reading(depth_m: ArrayLike, beam_deg: ArrayLike, slope_deg: ArrayLike) -> FloatArray:
    """Return the depth that a cone shows over a plane slope: its shortest way to the bottom.

    Parameters
    ----------
    depth_m : array_like
        Right below the transducer, metres.
    beam_deg : array_like
        Whole angle of the cone, below 180 degrees.
    slope_deg : array_like
        Slope of the bottom, degrees, either way, below 90.

    Returns
    -------
    numpy.ndarray
        Metres, never more than the depth: ``d cos s`` where the foot of the perpendicular lies
        inside the cone, else along the cone's edge, ``d cos s / cos(s - theta / 2)``. That the
        shortest slant range inside the beam is what is reported: NOAA Ocean Explorer, "Seafloor
        mapping".

    Examples
    --------
    >>> cone_reading(10.0, 20.0, [0.0, 5.0, 30.0]).round(3).tolist()
    [10.0, 9.962, 9.216]
    """
    d, s = np.asarray(depth_m, np.float64), np.abs(np.radians(np.asarray(slope_deg, np.float64)))
    beyond = np.maximum(s - np.radians(np.asarray(beam_deg, np.float64)) / 2, 0.0)
    return np.asarray(d * np.cos(s) / np.cos(beyond))


def water_column_part(range_m: ArrayLike, altitude_m: ArrayLike) -> FloatArray:
    """Return the part of each side of the picture before the bottom's first return, ``h / R``.

    1 where the range is shorter than the altitude: then no bottom is seen at all.
    """
    part = np.asarray(altitude_m, np.float64) / np.asarray(range_m, np.float64)
    return np.minimum(part, 1.0)


def strip_under(altitude_m: ArrayLike, nadir_deg: ArrayLike) -> FloatArray:
    """Return the width of bottom within an angle of the vertical, both sides, ``2 h tan(a)``."""
    h, a = np.asarray(altitude_m, np.float64), np.radians(np.asarray(nadir_deg, np.float64))
    return np.asarray(2 * h * np.tan(a))


def squeeze(ground_range_m: ArrayLike, altitude_m: ArrayLike) -> FloatArray:
    """Return how many metres of slant range one metre of flat bottom takes, ``y / sqrt(y^2 + h^2)``.

    0 at nadir, where the picture has no room for the bottom, towards 1 far out.
    """
    y, h = np.asarray(ground_range_m, np.float64), np.asarray(altitude_m, np.float64)
    slant = np.hypot(y, h)
    return np.asarray(np.divide(y, slant, out=np.zeros_like(slant), where=slant > 0))


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


def line_spacing(
    speed_mps: ArrayLike, range_m: ArrayLike, sound_mps: ArrayLike = 1500.0
) -> FloatArray:
    """Return how far the boat moves from line to line, ``2 R v / c``, metres."""
    return np.asarray(np.asarray(speed_mps, np.float64) / lines_per_second(range_m, sound_mps))


def highest_speed(
    length_m: ArrayLike,
    lines: ArrayLike,
    range_m: ArrayLike,
    sound_mps: ArrayLike = 1500.0,
) -> FloatArray:
    """Return the highest speed with so many lines on a target, ``L c / (2 R N)``.

    Examples
    --------
    >>> round(float(highest_speed(1.0, 3, 50.0)), 3)
    5.0
    """
    return np.asarray(
        np.asarray(length_m, np.float64)
        * lines_per_second(range_m, sound_mps)
        / np.asarray(lines, np.float64)
    )
