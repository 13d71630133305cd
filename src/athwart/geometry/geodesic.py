"""Positions on the WGS 84 ellipsoid; the one door to pyproj.

Longitude before latitude, degrees, east and north positive; azimuths in degrees clockwise from
true north; distances in metres. All functions take scalars or arrays and return arrays.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Geod

from athwart.errors import DataError

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

__all__ = [
    "destination",
    "displace",
    "from_grid",
    "inverse",
    "local_grid",
    "local_offsets",
    "polar",
    "to_grid",
    "to_wgs84",
    "wrap_longitude",
]

FloatArray = NDArray[np.float64]


@cache
def _wgs84() -> Geod:
    return Geod(ellps="WGS84")


def wrap_longitude(lon: ArrayLike) -> FloatArray:
    """Return longitudes in [-180, 180).

    Examples
    --------
    >>> wrap_longitude([180.0, -181.0, 12.0]).tolist()
    [-180.0, 179.0, 12.0]
    """
    lon = np.asarray(lon, dtype=np.float64)
    return np.asarray((lon + 180.0) % 360.0 - 180.0)


def displace(
    lon: ArrayLike, lat: ArrayLike, east_m: ArrayLike, north_m: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Move positions by a local east and north offset along the geodesic.

    Solves the direct geodesic problem for the offset's length and azimuth, so that it holds at
    the poles and across the 180th meridian.

    Parameters
    ----------
    lon, lat : array_like
        Start, degrees.
    east_m, north_m : array_like
        Offset in metres in the start's own tangent plane.

    Returns
    -------
    lon, lat : numpy.ndarray
        End, degrees; longitude in [-180, 180).
    """
    azimuth, distance = polar(east_m, north_m)
    return destination(lon, lat, azimuth, distance)


def polar(east_m: ArrayLike, north_m: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the azimuth in (-180, 180] degrees and the length of a local offset.

    Examples
    --------
    >>> [float(v) for v in polar(3.0, 0.0)]
    [90.0, 3.0]
    """
    east, north = np.asarray(east_m, np.float64), np.asarray(north_m, np.float64)
    return np.degrees(np.arctan2(east, north)), np.sqrt(east * east + north * north)


def destination(
    lon: ArrayLike, lat: ArrayLike, azimuth_deg: ArrayLike, distance_m: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Solve the direct geodesic problem: where a distance along an azimuth leads.

    Parameters
    ----------
    lon, lat : array_like
        Start, degrees.
    azimuth_deg, distance_m : array_like
        Of the geodesic at the start, degrees clockwise from true north, and its length, metres.

    Returns
    -------
    lon, lat : numpy.ndarray
        End, degrees; longitude in [-180, 180).
    """
    start_lon, start_lat, azimuth, distance = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (lon, lat, azimuth_deg, distance_m))
    )
    end_lon, end_lat, _ = _wgs84().fwd(
        start_lon, start_lat, azimuth, distance, return_back_azimuth=False
    )
    return wrap_longitude(end_lon), np.asarray(end_lat, dtype=np.float64)


def inverse(
    lon_a: ArrayLike, lat_a: ArrayLike, lon_b: ArrayLike, lat_b: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return bearing at a towards b in [0, 360) degrees and distance in metres."""
    lon1, lat1, lon2, lat2 = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (lon_a, lat_a, lon_b, lat_b))
    )
    azimuth, _, distance = _wgs84().inv(lon1, lat1, lon2, lat2, return_back_azimuth=False)
    return np.asarray(azimuth) % 360.0, np.asarray(distance, dtype=np.float64)


def local_offsets(
    lon: ArrayLike, lat: ArrayLike, lon0: ArrayLike, lat0: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return east and north of positions about an origin, metres, along the geodesic.

    The inverse of `displace`.
    """
    bearing, distance = inverse(lon0, lat0, lon, lat)
    angle = np.radians(bearing)
    return distance * np.sin(angle), distance * np.cos(angle)


def local_grid(lon: float, lat: float) -> int:
    """Return the EPSG code of the metric grid for a place: its UTM zone, or UPS near the poles.

    UTM from 80 S to 84 N, the zones regular everywhere (no wider zones off Norway); beyond, UPS
    with easting first.

    Examples
    --------
    >>> local_grid(9.0, 55.0), local_grid(-180.0, -40.0), local_grid(0.0, 89.0)
    (32632, 32701, 5041)
    """
    if lat > 84.0:
        return 5041
    if lat < -80.0:
        return 5042
    zone = int((float(wrap_longitude(lon)) + 180.0) // 6.0) + 1
    return (32600 if lat >= 0.0 else 32700) + zone


@cache
def _grid(epsg: int) -> Transformer:
    from pyproj import Transformer

    return Transformer.from_crs(4326, epsg, always_xy=True)


def to_grid(lon: ArrayLike, lat: ArrayLike, epsg: int) -> tuple[FloatArray, FloatArray]:
    """Return easting and northing in a metric grid; infinite where the grid does not reach."""
    x, y = _grid(epsg).transform(np.asarray(lon, np.float64), np.asarray(lat, np.float64))
    return np.asarray(x, np.float64), np.asarray(y, np.float64)


def from_grid(x: ArrayLike, y: ArrayLike, epsg: int) -> tuple[FloatArray, FloatArray]:
    """Return longitude and latitude of places in a metric grid; the inverse of `to_grid`."""
    lon, lat = _grid(epsg).transform(
        np.asarray(x, np.float64), np.asarray(y, np.float64), direction="INVERSE"
    )
    return wrap_longitude(lon), np.asarray(lat, np.float64)


def to_wgs84(
    x: ArrayLike, y: ArrayLike, crs: CRS | str | int | Any, *, allow_ballpark: bool = False
) -> tuple[FloatArray, FloatArray, str]:
    """Transform coordinates of a known CRS to WGS 84.

    Parameters
    ----------
    x, y : array_like
        Coordinates in traditional GIS order (easting or longitude first).
    crs : pyproj.CRS or anything that it accepts
        Where they come from.
    allow_ballpark : bool
        Accept an approximate transformation of unknown accuracy.

    Returns
    -------
    lon, lat : numpy.ndarray
        Degrees.
    words : str
        The operation and its accuracy; empty if nothing had to be done.

    Raises
    ------
    DataError
        No transformation, or only a ballpark one that is not allowed.
    """
    from pyproj import CRS
    from pyproj.transformer import TransformerGroup

    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    source = CRS.from_user_input(crs)
    if source.is_geographic and source.to_2d().equals(CRS(4326), ignore_axis_order=True):
        return x, y, ""
    group = TransformerGroup(source, CRS(4326), always_xy=True, allow_ballpark=allow_ballpark)
    if not group.transformers:
        raise DataError(
            f"there is only an approximate way from {source.name!r} to WGS 84, of unknown error; "
            "convert the file first, or accept the approximate way",
            code="approximate-transformation",
        )
    best = group.transformers[0]
    lon, lat = best.transform(x, y)
    accuracy = f"{best.accuracy:g} m" if best.accuracy and best.accuracy >= 0 else "unknown"
    words = f"from {source.name} by {best.description}, accuracy {accuracy}"
    return np.asarray(lon, np.float64), np.asarray(lat, np.float64), words
