"""Magnetic variation from the World Magnetic Model, and compass to true.

True = compass + deviation (E +) + variation (E +). The coefficients come with the ``pygeomag``
package: the models of 2010, 2015 (version 2), 2020 and 2025 (NOAA NCEI and the British Geological
Survey), so that trips of years ago get the variation of their own time.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError

__all__ = ["compass_to_true", "interpolate_deviation", "variation"]

FloatArray = NDArray[np.float64]

FIRST_YEAR, LAST_YEAR = 2010.0, 2030.0


@cache
def _model(base_year: int) -> Any:
    from pygeomag import GeoMag

    return GeoMag(base_year=base_year)


def variation(lon: ArrayLike, lat: ArrayLike, time: ArrayLike) -> FloatArray:
    """Return the magnetic variation, degrees, east positive, at sea level.

    Parameters
    ----------
    lon, lat : array_like
        Degrees.
    time : array_like of datetime64
        UTC.

    Returns
    -------
    numpy.ndarray
        Degrees. Places are taken to 0.01 degree and times to a month, which moves the variation by
        less than 0.01 degree away from the magnetic poles; each such place is computed once.

    Raises
    ------
    DataError
        A time outside the models, 2010 to 2029.
    """
    times = np.asarray(time, dtype="datetime64[us]")
    lon, lat, times = np.broadcast_arrays(
        np.asarray(lon, np.float64), np.asarray(lat, np.float64), times
    )
    months = times.astype("datetime64[M]").astype(np.int64)  # from 1970-01
    years = 1970.0 + (months + 0.5) / 12.0
    if np.isnat(times).any() or (years < FIRST_YEAR).any() or (years >= LAST_YEAR).any():
        raise DataError(
            "the magnetic variation needs a date from 2010 to 2029; give the time, or the heading "
            "as true"
        )
    keys = np.stack(
        [np.rint(lon.ravel() * 100), np.rint(lat.ravel() * 100), months.ravel()], axis=1
    ).astype(np.int64)
    places, inverse = np.unique(keys, axis=0, return_inverse=True)
    values = np.empty(len(places))
    for i, (x, y, month) in enumerate(places.tolist()):
        year = 1970.0 + (month + 0.5) / 12.0
        values[i] = (
            _model(int(year // 5 * 5))
            .calculate(
                glat=y / 100, glon=x / 100, alt=0.0, time=year, allow_date_outside_lifespan=True
            )
            .d
        )
    return values[inverse.ravel()].reshape(lon.shape)


def interpolate_deviation(
    compass_deg: ArrayLike, table: tuple[tuple[float, float], ...]
) -> FloatArray:
    """Return the compass deviation (E +) at compass headings, linear in the table, round the card.

    An empty table means no deviation.
    """
    heading = np.asarray(compass_deg, np.float64) % 360.0
    if not table:
        return np.zeros_like(heading)
    at, deviation = np.array(table).T
    return np.asarray(np.interp(heading, at, deviation, period=360.0))


def compass_to_true(
    compass_deg: ArrayLike, deviation_deg: ArrayLike, variation_deg: ArrayLike
) -> FloatArray:
    """Return compass + deviation (E +) + variation (E +), in [0, 360).

    Examples
    --------
    >>> float(compass_to_true(94.0, 2.0, -6.0))
    90.0
    """
    parts = (np.asarray(v, np.float64) for v in (compass_deg, deviation_deg, variation_deg))
    return np.asarray(sum(parts) % 360.0)
