"""Geometry as a GeoPackage stores it, whole columns at a time.

A blob is a header (``GP``, version 0, flags, reference system) and well-known binary; OGC
12-128, clause "BLOB Format" (from memory). Points are written without an envelope, lines with one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError

__all__ = ["SRS", "area_blob", "boxes_of", "line_blob", "point_blobs", "points_of"]

FloatArray = NDArray[np.float64]

SRS = 4326
"""Reference system of every geometry in a book: WGS 84, longitude first."""

_POINT = np.dtype(
    [
        ("magic", "S2"),
        ("version", "u1"),
        ("flags", "u1"),
        ("srs", "<i4"),
        ("order", "u1"),
        ("type", "<u4"),
        ("x", "<f8"),
        ("y", "<f8"),
    ]
)


def point_blobs(lon: FloatArray, lat: FloatArray) -> list[bytes]:
    """Return a blob for each point; none of them may be missing."""
    block = np.empty(len(lon), dtype=_POINT)
    block["magic"], block["version"], block["flags"] = b"GP", 0, 1
    block["srs"], block["order"], block["type"] = SRS, 1, 1
    block["x"], block["y"] = lon, lat
    raw, size = block.tobytes(), _POINT.itemsize
    return [raw[i : i + size] for i in range(0, len(raw), size)]


def points_of(blobs: Sequence[bytes]) -> tuple[FloatArray, FloatArray]:
    """Return longitude and latitude of point blobs, also those that other programs wrote.

    Raises
    ------
    DataError
        One of them is damaged.
    """
    size = _POINT.itemsize
    if all(len(b) == size and b[3] == 1 and b[8] == 1 for b in blobs):
        block = np.frombuffer(b"".join(blobs), dtype=_POINT)
        return block["x"].astype(np.float64), block["y"].astype(np.float64)
    import shapely

    envelope = (0, 32, 48, 48, 64)
    try:
        points = shapely.from_wkb([b[8 + envelope[(b[3] >> 1) & 7] :] for b in blobs])
        return shapely.get_x(points), shapely.get_y(points)
    except (LookupError, TypeError, shapely.errors.ShapelyError) as error:
        raise DataError(
            "a place in the book cannot be read, the book is damaged there; go back to a backup, "
            "and keep this file"
        ) from error


def boxes_of(blobs: Sequence[bytes]) -> FloatArray:
    """Return west, south, east and north of shapes, one row each; points or lines as written here."""
    if not blobs:
        return np.empty((0, 4))
    if blobs[0][3] == 3:
        ends = np.frombuffer(b"".join(b[8:40] for b in blobs), "<f8").reshape(-1, 4)
        return np.asarray(ends[:, [0, 2, 1, 3]])
    x, y = points_of(blobs)
    return np.stack([x, y, x, y], axis=1)


def line_blob(lon: FloatArray, lat: FloatArray) -> bytes | None:
    """Return one line as a blob, or None for fewer than two points."""
    if len(lon) < 2:
        return None
    body = b"\x01" + np.array([2, len(lon)], "<u4").tobytes()
    return _head(lon, lat) + body + np.stack([lon, lat], axis=1).astype("<f8").tobytes()


def area_blob(lon: FloatArray, lat: FloatArray) -> bytes:
    """Return an area as a blob: its corners in order, three or more, not closed."""
    lon, lat = np.append(lon, lon[0]), np.append(lat, lat[0])
    body = b"\x01" + np.array([3, 1, len(lon)], "<u4").tobytes()
    return _head(lon, lat) + body + np.stack([lon, lat], axis=1).astype("<f8").tobytes()


def _head(lon: FloatArray, lat: FloatArray) -> bytes:
    box = np.array([lon.min(), lon.max(), lat.min(), lat.max()], "<f8").tobytes()
    return b"GP\x00\x03" + np.array([SRS], "<i4").tobytes() + box
