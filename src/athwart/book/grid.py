"""The grid on which a plotter keeps coordinates: steps of a decimal of a degree, minute or second.

The coarsest step on which nine tenths of the values lie, more of them than chance allows, is the
grid of a file. Steps are counted in whole numbers, so that a value of a file that was printed with
few decimals is as good as the step it stands for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FINE_M", "Grid", "cell_m", "find_grid", "off_in_steps"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FINE_M = 0.3
"""Half the box where steps are finer, metres."""

_NO_GRID_M = 1.0
_ON_GRID, _CHANCE = 0.9, 9.0

# Steps a degree, coarsest first.
_STEPS = {
    6_000: "0.01 minute", 10_000: "0.0001 degree", 36_000: "0.1 second", 60_000: "0.001 minute",
    100_000: "0.00001 degree", 360_000: "0.01 second", 600_000: "0.0001 minute",
    1_000_000: "0.000001 degree",
}  # fmt: skip
_NO_GRID = 10_000_000


@dataclass(frozen=True, eq=False, slots=True)
class Grid:
    """Steps of coordinates.

    Parameters
    ----------
    per_degree : int
        Steps a degree; 0 if there are none.
    floor_m : float
        Half the box of a place where steps are finer or there are none, metres.
    """

    per_degree: int
    floor_m: float

    @property
    def words(self) -> str:
        """What coordinates were rounded or cut to."""
        return _STEPS[self.per_degree] if self.per_degree else "no grid found"

    @property
    def steps(self) -> int:
        """Steps a degree to count in, also where there is no grid."""
        return self.per_degree or _NO_GRID


def find_grid(lon: FloatArray, lat: FloatArray) -> Grid:
    """Find the coarsest grid that holds the values, by more than chance.

    A value printed with d decimals misses a step by up to 0.5e-d degree; the chance that any
    value falls so near is p. The share s that does is no chance if n KL(s, p) is large (Chernoff's
    bound on a binomial tail).

    Parameters
    ----------
    lon, lat : numpy.ndarray, shape (n,)
        Degrees.
    """
    values = np.concatenate([lon, lat])
    for steps in _STEPS:
        cells = values * steps
        off = np.abs(cells - np.rint(cells))
        for decimals in (9, 7, 6, 5):
            near = 0.501 * 10.0**-decimals * steps + 1e-6
            p = 2.0 * near
            if p > 0.65 or not len(values):
                continue
            s = float((off <= near).mean())
            if s < _ON_GRID or s <= p:
                continue
            apart = s * np.log(s / p) + (0.0 if s == 1.0 else (1 - s) * np.log((1 - s) / (1 - p)))
            if len(values) * apart > _CHANCE:
                return Grid(steps, FINE_M)
    return Grid(0, _NO_GRID_M)


def cell_m(grid: Grid, lat: FloatArray) -> tuple[FloatArray, float]:
    """Return how many metres a step is towards east (at each latitude) and towards north."""
    return 111_320.0 * np.cos(np.radians(lat)) / grid.steps, 110_574.0 / grid.steps


def off_in_steps(
    grid: Grid, lon: FloatArray, lat: FloatArray, was_lon: FloatArray, was_lat: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how many steps positions of a file lie east and north of where they were.

    Parameters
    ----------
    grid : Grid
        Of the file.
    lon, lat : numpy.ndarray, shape (n,)
        In the file, degrees.
    was_lon, was_lat : numpy.ndarray, shape (n,)
        As written, degrees.
    """
    x, y = lon * grid.steps, lat * grid.steps
    if grid.per_degree:
        x, y = np.rint(x), np.rint(y)
    east = x - was_lon * grid.steps
    turn = 360.0 * grid.steps
    east -= np.rint(east / turn) * turn
    return east, y - was_lat * grid.steps
