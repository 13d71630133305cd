"""Water and wind that carry a boat: flows with their error, and the triangle of current.

A flow points where it goes **to** (the set of a current; a wind is named for where it comes from and
turned round). Directions are degrees clockwise from true north, speeds metres a second.

To make good a track against a current: ``sin a = -d sin(set - track) / v``, heading ``track + a``,
speed made good ``v cos a + d cos(set - track)``; ``a`` is the crab angle. The usual solution of the
current triangle (Bowditch, "current sailing", from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError
from athwart.geometry.lever import rotate_covariance
from athwart.units import KNOT, Constant

__all__ = [
    "DIRECTION_SIGMA",
    "LEEWAY",
    "SPEED_SIGMA",
    "Flow",
    "course_to_steer",
    "leeway",
    "made_good",
]

FloatArray = NDArray[np.float64]

DIRECTION_SIGMA = Constant(
    10.0, "deg", 0.0, "IHO S-44 table 2 allows a survey 10 degrees at 95 %; here 1 sigma"
)
SPEED_SIGMA = Constant(
    0.1 * KNOT.value, "m/s", 0.0, "IHO S-44 table 2 allows a survey 0.1 kn at 95 %; here 1 sigma"
)
LEEWAY = Constant(
    0.04, "of the wind", 0.015, "a small open boat lying to the wind, common practice"
)
LEEWAY_DIRECTION_DEG = 15.0


@dataclass(frozen=True, slots=True)
class Flow:
    """A motion over the ground and its covariance.

    Parameters
    ----------
    east_mps, north_mps : float
        Where it goes, metres a second.
    var_east, var_north, cov : float
        Covariance, (m/s)^2.
    """

    east_mps: float = 0.0
    north_mps: float = 0.0
    var_east: float = 0.0
    var_north: float = 0.0
    cov: float = 0.0

    @classmethod
    def towards(
        cls,
        direction_deg: float,
        speed_mps: float,
        *,
        sigma_deg: float = DIRECTION_SIGMA.value,
        sigma_mps: float = SPEED_SIGMA.value,
    ) -> Self:
        """Return a flow that goes to a direction at a speed, with the standard error of each.

        Raises
        ------
        DataError
            A speed or an error below zero.
        """
        if not (speed_mps >= 0 and sigma_deg >= 0 and sigma_mps >= 0):
            raise DataError(
                f"a flow of {speed_mps:g} m/s with errors of {sigma_deg:g} degrees and "
                f"{sigma_mps:g} m/s; allowed is 0 or more"
            )
        way = np.radians(direction_deg)
        across = speed_mps * float(np.radians(min(sigma_deg, 180.0)))
        if speed_mps < 2 * sigma_mps:  # water that hardly moves may run any way
            across = max(across, sigma_mps)
        errors = rotate_covariance(sigma_mps**2, across**2, 0.0, direction_deg)
        return cls(
            float(speed_mps * np.sin(way)),
            float(speed_mps * np.cos(way)),
            *(float(v) for v in errors),
        )

    @property
    def speed_mps(self) -> float:
        """Speed, metres a second."""
        return float(np.hypot(self.east_mps, self.north_mps))

    @property
    def direction_deg(self) -> float:
        """Where it goes to, degrees true; NaN for none."""
        if self.speed_mps == 0:
            return float("nan")
        return float(np.degrees(np.arctan2(self.east_mps, self.north_mps)) % 360.0)

    def along_across(self) -> tuple[float, float]:
        """Return the standard error along the flow and across it, metres a second."""
        way = np.radians(self.direction_deg if self.speed_mps else 0.0)
        ahead, aside = np.array([[np.sin(way), np.cos(way)], [np.cos(way), -np.sin(way)]])
        matrix = np.array([[self.var_east, self.cov], [self.cov, self.var_north]])
        along, across = (float(np.sqrt(max(v @ matrix @ v, 0.0))) for v in (ahead, aside))
        return along, across

    def __add__(self, other: Flow) -> Flow:
        """Return the sum of two flows whose errors have nothing to do with each other."""
        return Flow(
            self.east_mps + other.east_mps,
            self.north_mps + other.north_mps,
            self.var_east + other.var_east,
            self.var_north + other.var_north,
            self.cov + other.cov,
        )


def leeway(
    wind_from_deg: float,
    wind_mps: float,
    part: float = LEEWAY.value,
    part_sigma: float = LEEWAY.sigma,
) -> Flow:
    """Return how the wind moves a boat through the water.

    Parameters
    ----------
    wind_from_deg : float
        Where the wind comes from, degrees true.
    wind_mps : float
        Its speed, metres a second.
    part, part_sigma : float
        The boat's speed downwind as a part of the wind's, and its standard error.
    """
    if not (wind_mps >= 0 and part >= 0):
        raise DataError(f"wind {wind_mps:g} m/s, leeway {part:g} of it; allowed is 0 or more")
    return Flow.towards(
        (wind_from_deg + 180.0) % 360.0,
        part * wind_mps,
        sigma_deg=LEEWAY_DIRECTION_DEG,
        sigma_mps=part_sigma * wind_mps,
    )


def course_to_steer(
    track_deg: ArrayLike, speed_mps: ArrayLike, set_deg: ArrayLike, drift_mps: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return the heading that makes good a track against a current, and the speed made good.

    Parameters
    ----------
    track_deg : array_like
        Track to make good over the ground, degrees true.
    speed_mps : array_like
        Speed through the water, metres a second.
    set_deg, drift_mps : array_like
        Where the current goes to, degrees true, and its speed.

    Returns
    -------
    heading_deg, made_good_mps : numpy.ndarray
        NaN where the boat cannot hold the track or makes no way along it.

    Examples
    --------
    A port due west, 10 miles in an hour, against a set to the north of 3 knots: steer 253.

    >>> heading, made = course_to_steer(270.0, 10.44, 0.0, 3.0)
    >>> round(float(heading), 1), round(float(made), 2)
    (253.3, 10.0)
    """
    track, v, flow, d = (
        np.asarray(x, np.float64) for x in (track_deg, speed_mps, set_deg, drift_mps)
    )
    off = np.radians(flow - track)
    with np.errstate(divide="ignore", invalid="ignore"):
        sine = -d * np.sin(off) / v
        crab = np.arcsin(np.where(np.abs(sine) <= 1, sine, np.nan))
        made = v * np.cos(crab) + d * np.cos(off)
    good = (v > 0) & (made > 0)
    heading = (track + np.degrees(crab)) % 360.0
    return np.where(good, heading, np.nan), np.where(good, made, np.nan)


def made_good(
    heading_deg: ArrayLike, speed_mps: ArrayLike, set_deg: ArrayLike, drift_mps: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return track and speed over the ground of a boat that steers in a current.

    Examples
    --------
    Course 080 at 10 knots in a current of 2 knots to 140 (Bowditch, from memory):

    >>> track, speed = made_good(80.0, 10.0, 140.0, 2.0)
    >>> round(float(track), 1), round(float(speed), 1)
    (88.9, 11.1)
    """
    heading, flow = (np.radians(np.asarray(x, np.float64)) for x in (heading_deg, set_deg))
    v, d = np.asarray(speed_mps, np.float64), np.asarray(drift_mps, np.float64)
    east = v * np.sin(heading) + d * np.sin(flow)
    north = v * np.cos(heading) + d * np.cos(flow)
    return np.degrees(np.arctan2(east, north)) % 360.0, np.hypot(east, north)
