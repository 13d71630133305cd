"""How fast a weight sinks, the count for a depth, and how far the current carries it on the way.

The user's own count at a known depth is the best there is. Without one, a first guess comes from the
terminal velocity of a sphere, where weight in water and drag balance:
``v = sqrt(4 g (rho_p - rho) D / (3 C_D rho))`` with the drag coefficients of a smooth sphere
[CUTLIP]_, ``24/Re`` below Re 0.1, ``24/Re (1 + 0.14 Re^0.7)`` to 1000 and 0.44 to 350,000. A weight
that is no sphere, and a line behind it, fall slower.

The current carries the weight along while it sinks. Where only the surface current is known, the
column down to the bottom moves with 7/8 of it, the mean of the one-seventh power law (from memory).

References
----------
.. [CUTLIP] Cutlip, M. B. et al. (1997), "A Collection of Ten Numerical Problems in Chemical
   Engineering", problem 5 (citing Perry's Chemical Engineers' Handbook).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError
from athwart.units import Constant

__all__ = [
    "CAUTION",
    "COLUMN",
    "DENSITIES",
    "FRESH",
    "SEA",
    "SinkRate",
    "Water",
    "count_for",
    "lead",
    "rate_from_counts",
    "rate_from_weight",
    "sphere_diameter",
    "sphere_speed",
]

FloatArray = NDArray[np.float64]

CAUTION = (
    "Advice, not navigation: a lure that is said to be down may hang higher or lie on the bottom. "
    "Count it down yourself at a depth you know."
)

DENSITIES: dict[str, Constant] = {
    "lead": Constant(11340.0, "kg/m3", 0.0, "wermac.org, density of metal"),
    "tungsten": Constant(19300.0, "kg/m3", 0.0, "aegidius.ca, density of materials; pure metal"),
    "steel": Constant(7850.0, "kg/m3", 0.0, "common practice"),
    "brass": Constant(8500.0, "kg/m3", 0.0, "common practice"),
    "zinc": Constant(7140.0, "kg/m3", 0.0, "common practice"),
}
"""What weights are made of. Alloys are lighter than the pure metal."""

GRAVITY = Constant(9.80665, "m/s2", 0.0, "standard gravity, exact by definition, 1901")
RIGGED = Constant(
    0.8, "of a sphere", 0.15, "a weight that is no sphere, with line and lure: common practice"
)
COLUMN = Constant(7 / 8, "of the surface current", 0.1, "one-seventh power law, from memory")
REACTION_S = Constant(0.5, "s", 0.5, "starting and stopping a count by hand, common practice")
BEYOND = Constant(0.1, "a factor e", 0.0, "rate at another depth than the one counted at: line out")
_LARGEST_RE = 350_000.0


@dataclass(frozen=True, slots=True)
class Water:
    """What the weight sinks in: density in kg/m3 and viscosity in Pa s."""

    density: float
    viscosity: float


SEA = Water(1025.0, 1.3e-3)
"""Sea water of about 12 degrees."""
FRESH = Water(998.0, 1.0e-3)
"""Fresh water of 20 degrees."""


@dataclass(frozen=True, slots=True)
class SinkRate:
    """How fast something sinks.

    Attributes
    ----------
    mps, sigma_mps : float
        Metres a second and its standard error.
    counted_at_m : float
        Depth at which it was counted; NaN for a guess.
    words : str
        Where it comes from.
    """

    mps: float
    sigma_mps: float
    counted_at_m: float
    words: str


def _drag(re: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        creeping = 24.0 / re
        middle = creeping * (1 + 0.14 * re**0.7)
    return np.select([re < 0.1, re < 1000.0], [creeping, middle], 0.44)


def sphere_diameter(mass_kg: ArrayLike, density: ArrayLike) -> FloatArray:
    """Return the diameter of a sphere, metres; mass in kg, density in kg/m3."""
    return np.cbrt(6 * np.asarray(mass_kg, np.float64) / (np.pi * np.asarray(density, np.float64)))


def sphere_speed(
    diameter_m: ArrayLike,
    density: ArrayLike,
    water: Water = SEA,
    gravity: float = GRAVITY.value,
) -> FloatArray:
    """Return the terminal velocity of a sphere that is heavier than water, metres a second.

    Parameters
    ----------
    diameter_m : array_like
        Metres.
    density : array_like
        Of the sphere, kg/m3.
    water : Water
        Density and viscosity.
    gravity : float
        m/s2.

    Raises
    ------
    DataError
        A sphere that floats, or one so large that the drag law no longer holds (Re > 350,000).

    Examples
    --------
    >>> round(float(sphere_speed(0.015, 11340.0, FRESH)), 2)
    2.15
    """
    d, rho = np.broadcast_arrays(
        np.asarray(diameter_m, np.float64), np.asarray(density, np.float64)
    )
    if not np.all(d > 0) or not np.all(rho > water.density):
        raise DataError(
            f"only what is heavier than water ({water.density:g} kg/m3) and has a size sinks; "
            f"the density is {float(np.min(rho)):g} kg/m3"
        )
    pull = 4 * gravity * (rho - water.density) * d / (3 * water.density)
    low, high = np.full(d.shape, -12.0), np.full(d.shape, 6.0)  # powers of e, m/s
    for _ in range(80):  # C_D v^2 grows with v; halving is blind to its step at Re 1000
        middle = (low + high) / 2
        v = np.exp(middle)
        too_fast = _drag(v * d * water.density / water.viscosity) * v**2 > pull
        low, high = np.where(too_fast, low, middle), np.where(too_fast, middle, high)
    speed = np.exp((low + high) / 2)
    re = float(np.max(speed * d * water.density / water.viscosity, initial=0.0))
    if re > _LARGEST_RE:
        raise DataError(
            f"so large a sphere (Reynolds number {re:.0f}) falls faster than the drag law tells; "
            "count it down instead"
        )
    return np.asarray(speed)


def rate_from_counts(
    depth_m: ArrayLike, count_s: ArrayLike, *, depth_sigma_m: float = 0.3
) -> SinkRate:
    """Return the sink rate from counts to the bottom at known depths.

    Parameters
    ----------
    depth_m, count_s : array_like
        Metres, and seconds from the splash to the bottom.
    depth_sigma_m : float
        Standard error of a depth, metres.

    Raises
    ------
    DataError
        No count, or one that is not more than 0.

    Examples
    --------
    >>> made = rate_from_counts([10.0], [8.0])
    >>> round(made.mps, 2), round(made.sigma_mps, 2)
    (1.25, 0.09)
    """
    d, t = (np.atleast_1d(np.asarray(v, np.float64)) for v in (depth_m, count_s))
    if len(d) != len(t) or not len(d):
        raise DataError(f"there are {len(d)} depths and {len(t)} counts")
    if not (np.all(np.isfinite(d)) and np.all(np.isfinite(t)) and np.all(d > 0) and np.all(t > 0)):
        raise DataError("a count and its depth must be more than 0")
    rate = d / t
    sigma = rate * np.hypot(depth_sigma_m / d, REACTION_S.sigma / t)
    weight = 1 / sigma**2
    mean = float(np.sum(weight * rate) / np.sum(weight))
    error = float(1 / np.sqrt(np.sum(weight)))
    if len(rate) > 1:
        spread = float(np.sqrt(np.sum(weight * (rate - mean) ** 2) / (len(rate) - 1)))
        error *= max(spread, 1.0)
    deep = float(np.exp(np.mean(np.log(d))))
    return SinkRate(mean, error, deep, f"from {len(rate)} count{'s' * (len(rate) > 1)} of your own")


def rate_from_weight(mass_kg: float, density: float, water: Water = SEA) -> SinkRate:
    """Return a first guess of the sink rate of a rigged weight.

    Parameters
    ----------
    mass_kg : float
        Mass, kg.
    density : float
        kg/m3.
    water : Water
        What it sinks in.

    Returns
    -------
    SinkRate
        0.8 of a sphere of that weight, with 0.15 of it as standard error.

    Raises
    ------
    DataError
        As `sphere_speed`.
    """
    if not mass_kg > 0:
        raise DataError(f"the weight is {mass_kg:g} kg; allowed is more than 0")
    sphere = float(sphere_speed(sphere_diameter(mass_kg, density), density, water))
    return SinkRate(
        RIGGED.value * sphere,
        RIGGED.sigma * sphere,
        float("nan"),
        "a guess from the weight: a bare ball of it falls a quarter faster",
    )


def _at_depth(rate: SinkRate, depth_m: FloatArray) -> FloatArray:
    """Return the relative error of the rate at a depth, larger away from where it was counted."""
    own = rate.sigma_mps / rate.mps
    if np.isnan(rate.counted_at_m):
        return np.full(depth_m.shape, own)
    with np.errstate(divide="ignore"):
        away = np.abs(np.log(depth_m / rate.counted_at_m))
    return np.hypot(own, BEYOND.value * away)


def count_for(
    rate: SinkRate, depth_m: ArrayLike, depth_sigma_m: ArrayLike = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return the count for a depth and its standard error, seconds.

    Parameters
    ----------
    rate : SinkRate
        How fast it sinks.
    depth_m, depth_sigma_m : array_like
        Wanted depth below the surface and its error, metres.
    """
    depth = np.asarray(depth_m, np.float64)
    if not np.all(depth > 0):
        raise DataError("the wanted depth must be more than 0")
    count = depth / rate.mps
    by_depth = np.asarray(depth_sigma_m, np.float64) / depth
    return count, np.asarray(count * np.hypot(_at_depth(rate, depth), by_depth))


def lead(
    count_s: ArrayLike,
    count_sigma_s: ArrayLike,
    current_mps: ArrayLike,
    current_sigma_mps: ArrayLike,
    *,
    at_surface: bool = True,
) -> tuple[FloatArray, FloatArray]:
    """Return how far the current carries something while it sinks, and the standard error, metres.

    Parameters
    ----------
    count_s, count_sigma_s : array_like
        Time of sinking and its standard error, seconds.
    current_mps, current_sigma_mps : array_like
        The current and its standard error, metres a second.
    at_surface : bool
        The current is that at the surface; else the mean of the column.
    """
    t, u = np.asarray(count_s, np.float64), np.asarray(current_mps, np.float64)
    part, part_sigma = (COLUMN.value, COLUMN.sigma) if at_surface else (1.0, 0.0)
    sigma = np.sqrt(
        (part * t * np.asarray(current_sigma_mps, np.float64)) ** 2
        + (part * u * np.asarray(count_sigma_s, np.float64)) ** 2
        + (part_sigma * t * u) ** 2
    )
    return np.asarray(part * u * t), np.asarray(sigma)
