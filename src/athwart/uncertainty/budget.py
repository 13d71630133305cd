"""The error budget: every standard error that a position rests on, in one place.

All are one standard deviation. Where two figures belong together ("0.1 m + 1 %") they add up
linearly. A boat file overrides any of them in its ``[error]`` table.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError

__all__ = ["ErrorBudget", "course_as_heading_sigma"]

FloatArray = NDArray[np.float64]


def _item(default: float, unit: str, basis: str) -> Any:
    return field(default=default, metadata={"unit": unit, "basis": basis})


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorBudget:
    """Standard errors with their units and the ground that each stands on.

    `ErrorBudget.rows` lists them for people.
    """

    gnss_shared_m: float = _item(
        2.5, "m per axis", "shared within a trip; open-sky single-frequency GNSS, common practice"
    )
    gnss_own_m: float = _item(0.8, "m per axis", "jitter from fix to fix, common practice")
    boat_m: float = _item(
        1.0,
        "m per axis",
        "common to all trips of one boat: latency, compass and lever-arm faults that repeat",
    )
    heading_deg: float = _item(3.0, "deg", "small-boat compass, common practice")
    course_slip_mps: float = _item(
        0.26, "m/s", "half a knot of set or leeway turns course away from heading, common practice"
    )
    range_m: float = _item(0.3, "m", "least error of a slant range read off a screen")
    range_part: float = _item(0.01, "of the range", "scale of the screen, common practice")
    screen_column_m: float = _item(0.0, "m", "what one screen column stands for, where known")
    shadow_m: float = _item(0.3, "m", "edge of a shadow read off a screen, common practice")
    depth_m: float = _item(0.1, "m", "IHO B-12 table 4: sounder instrument 0.1 m")
    depth_part: float = _item(0.01, "of the depth", "common practice")
    along_track_m: float = _item(0.5, "m", "where the beam really looks, common practice")
    latency_s: float = _item(0.3, "s", "clock and display delay, times the speed, common practice")
    slope_deg: float = _item(3.0, "deg", "bottom taken for flat, common practice")
    lever_m: float = _item(0.1, "m per axis", "IHO B-12 table 4: sensor offset up to 0.1 m")
    water_level_m: float = _item(1.0, "m", "depth not reduced to a datum, common practice")
    sound_scale: float = _item(0.02, "of range and depth", "water's sound speed not known")
    variation_deg: float = _item(
        0.4, "deg", "World Magnetic Model, typical declination error, from memory"
    )

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> ErrorBudget:
        """Make a budget of a boat file's ``[error]`` table.

        Raises
        ------
        DataError
            An unknown entry, or one that is not a number of zero or more.
        """
        known = [f.name for f in fields(cls)]
        for name, value in values.items():
            if name not in known:
                raise DataError(f"[error] has no entry {name!r}; known are {', '.join(known)}")
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not number or not math.isfinite(value) or value < 0:
                raise DataError(f"[error] {name} is {value!r}; allowed is a number, 0 or more")
        return cls(**{name: float(value) for name, value in values.items()})

    def rows(self) -> list[tuple[str, float, str, str]]:
        """Return name, value, unit and basis of every entry."""
        return [
            (f.name, getattr(self, f.name), f.metadata["unit"], f.metadata["basis"])
            for f in fields(self)
        ]

    def range_sigma(self, range_m: ArrayLike) -> FloatArray:
        """Return the standard error of a range of so many metres."""
        scaled = self.range_part * np.asarray(range_m, dtype=np.float64)
        return np.maximum(scaled, max(self.range_m, self.screen_column_m))

    def depth_sigma(self, depth_m: ArrayLike) -> FloatArray:
        """Return the standard error of a depth reading of so many metres."""
        return np.asarray(self.depth_m + self.depth_part * np.asarray(depth_m, np.float64))

    def along_sigma(self, speed_mps: ArrayLike) -> FloatArray:
        """Return the standard error along the track at a speed; an unknown speed counts as 0."""
        speed = np.nan_to_num(np.asarray(speed_mps, np.float64))
        return np.asarray(self.along_track_m + self.latency_s * speed)


def course_as_heading_sigma(
    budget: ErrorBudget,
    speed_mps: ArrayLike,
    window_m: ArrayLike = np.inf,
    turn_deg: ArrayLike = 0.0,
) -> FloatArray:
    """Return the standard error of a course that stands in for a heading, degrees.

    Parameters
    ----------
    budget : ErrorBudget
        Heading, slip and jitter.
    speed_mps : array_like
        Speed over the ground; unknown (NaN) or zero counts as fully unknown.
    window_m : array_like
        Length of track over which the course was taken; infinite for a receiver's own course.
    turn_deg : array_like
        By how much the course turns between the two halves of the window.

    Returns
    -------
    numpy.ndarray
        Degrees, at most 104 (a heading that could be anything: 180 / sqrt 3).
    """
    speed = np.nan_to_num(np.asarray(speed_mps, dtype=np.float64))
    window = np.asarray(window_m, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        slip = np.degrees(np.arcsin(np.minimum(1.0, budget.course_slip_mps / speed)))
        jitter = np.degrees(budget.gnss_own_m * math.sqrt(2) / window)
    slip = np.where(speed > 0, slip, 90.0) if budget.course_slip_mps > 0 else np.zeros_like(speed)
    jitter = np.where(window > 0, jitter, 104.0)
    turn = np.asarray(turn_deg, dtype=np.float64) / 4
    total = np.sqrt(budget.heading_deg**2 + slip**2 + jitter**2 + turn**2)
    return np.asarray(np.minimum(total, 180.0 / math.sqrt(3.0)))
