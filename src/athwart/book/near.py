"""Which sightings a change can touch: the closed neighbourhood of what changed.

Two sightings can only come to share a mark through others that could each be one thing with the
next. So the neighbourhood grows from what changed by everything within reach, by the members of
every mark that it meets and by what the user has ruled about them, until nothing more comes in.
Merging it alone gives the marks that merging the whole book would give there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from athwart.book.keys import AMONG, fids_from, listed
from athwart.errors import DataError
from athwart.merge import REACH_M

__all__ = ["Places", "nearer", "neighbourhood", "within"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_EARTH_M = 6_371_008.8
_METRES_A_DEGREE = 110_574.0  # the shortest degree of latitude on WGS 84, at the equator
_CELL_DEG = 2e-4
_INDEX_ERROR_M = 2.0
"""The spatial index holds places as 32-bit numbers, at longitude 180 to 1.7 m."""


class Places:
    """Keys and places of sightings of the book, as its spatial index has them."""

    def __init__(self, fids: IntArray, lon: FloatArray, lat: FloatArray) -> None:
        self.fids, self.lon, self.lat = fids, lon, lat

    @classmethod
    def of(cls, connection: sqlite3.Connection, fids: Iterable[int]) -> Places:
        """Return the places of sightings given by key."""
        rows = connection.execute(
            "SELECT id, (minx + maxx) / 2, (miny + maxy) / 2 FROM rtree_sightings_geom "
            f"WHERE id IN {AMONG}",
            (listed(int(f) for f in fids),),
        ).fetchall()
        return cls(*_columns(rows))

    def joined(self, other: Places) -> Places:
        """Return these places and others."""
        return Places(
            np.concatenate([self.fids, other.fids]),
            np.concatenate([self.lon, other.lon]),
            np.concatenate([self.lat, other.lat]),
        )

    def xyz(self) -> FloatArray:
        """Return the places on a sphere, metres from its centre."""
        lam, phi = np.radians(self.lon), np.radians(self.lat)
        cp = np.cos(phi)
        return _EARTH_M * np.stack([cp * np.cos(lam), cp * np.sin(lam), np.sin(phi)], axis=1)


def _columns(rows: list[tuple[int, float, float]]) -> tuple[IntArray, FloatArray, FloatArray]:
    if not rows:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    table = np.array(rows, np.float64)  # keys are whole numbers, exact below 2^53
    lon, lat = table[:, 1].copy(), table[:, 2].copy()
    if not ((np.abs(lon) <= 181.0) & (np.abs(lat) <= 91.0)).all():
        raise DataError(
            "the spatial index of the book is damaged; go back to a backup, and keep this file"
        )
    return table[:, 0].astype(np.int64), lon, lat


def within(connection: sqlite3.Connection, places: Places, reach_m: FloatArray) -> Places:
    """Return the sightings that lie within a distance of any of some places.

    Parameters
    ----------
    places : Places
        Where from.
    reach_m : numpy.ndarray
        How far, one a place.
    """
    if not len(places.fids):
        return places
    # Emptied, not dropped: after a change of a spatial index in this transaction, SQLite keeps a
    # handle of it open, and no table can be dropped meanwhile.
    connection.execute("CREATE TEMP TABLE IF NOT EXISTS box (x0, x1, y0, y1)")
    connection.execute("DELETE FROM temp.box")
    connection.executemany(
        "INSERT INTO temp.box VALUES (?, ?, ?, ?)", _boxes(places, reach_m + _INDEX_ERROR_M)
    )
    rows = connection.execute(
        "SELECT DISTINCT r.id, (r.minx + r.maxx) / 2, (r.miny + r.maxy) / 2 "
        "FROM temp.box AS b CROSS JOIN rtree_sightings_geom AS r "
        "ON r.maxx >= b.x0 AND r.minx <= b.x1 AND r.maxy >= b.y0 AND r.miny <= b.y1"
    ).fetchall()
    connection.execute("DELETE FROM temp.box")
    return nearer(Places(*_columns(rows)), places, reach_m)


def nearer(found: Places, places: Places, reach_m: FloatArray) -> Places:
    """Return those of some sightings that lie within a distance of any of some places."""
    if not len(found.fids):
        return found
    from scipy.spatial import cKDTree

    # A sphere instead of the ellipsoid: off by up to 0.6 %, allowed for.
    at, points = places.xyz(), found.xyz()
    limit = reach_m * 1.01 + _INDEX_ERROR_M
    keep = np.zeros(len(points), dtype=bool)
    for reach in np.unique(limit):  # one, or a few where sightings of large error are among them
        distance, _ = cKDTree(at[limit == reach]).query(points, distance_upper_bound=reach)
        keep |= np.isfinite(distance)
    return Places(found.fids[keep], found.lon[keep], found.lat[keep])


def _boxes(places: Places, reach_m: FloatArray) -> list[tuple[float, float, float, float]]:
    high = reach_m / _METRES_A_DEGREE
    low_lat, high_lat = places.lat - high, places.lat + high
    steepest = np.maximum(np.abs(low_lat), np.abs(high_lat))
    with np.errstate(divide="ignore"):
        wide = np.where(
            steepest >= 90.0, 360.0, high / np.cos(np.radians(np.minimum(steepest, 90)))
        )
    west, east = places.lon - wide, places.lon + wide
    west, east, low_lat, high_lat = _together(places, west, east, low_lat, high_lat)
    boxes = [np.stack([west, east, low_lat, high_lat], axis=1)]
    for turn in (360.0, -360.0):  # over the 180th meridian
        over = (west < -180.0) if turn > 0 else (east > 180.0)
        if over.any():
            moved = np.stack([west + turn, east + turn, low_lat, high_lat], axis=1)
            boxes.append(moved[over])
    return [tuple(row) for row in np.concatenate(boxes).tolist()]


def _together(places: Places, *sides: FloatArray) -> tuple[FloatArray, ...]:
    """Put the boxes of places in one small cell together: looks at one thing ask but once."""
    column = np.floor(places.lon / _CELL_DEG).astype(np.int64)
    row = np.floor(places.lat / _CELL_DEG).astype(np.int64)
    cell = column * 4_000_000 + row
    order = np.argsort(cell, kind="stable")
    head = np.flatnonzero(np.diff(cell[order], prepend=cell[order[:1]] - 1))
    west, east, south, north = (side[order] for side in sides)
    return (
        np.minimum.reduceat(west, head),
        np.maximum.reduceat(east, head),
        np.minimum.reduceat(south, head),
        np.maximum.reduceat(north, head),
    )


def neighbourhood(
    connection: sqlite3.Connection,
    changed: Iterable[int],
    reaches: dict[int, float],
    around: Places | None = None,
    around_m: float = 0.0,
) -> list[int]:
    """Return the keys of all sightings whose mark a change can touch.

    Parameters
    ----------
    connection : sqlite3.Connection
        Of the book.
    changed : iterable of int
        Keys of the sightings that are new, fixed anew, or ruled about.
    reaches : dict
        How far, in metres, sightings that are not in a mark yet, or not for that far, may be
        folded; the others as the book says, or `athwart.merge.REACH_M`.
    around : Places, optional
        All sightings within ``around_m`` metres of the changed ones, if they are at hand.

    Returns
    -------
    list of int
        Keys in rising order.
    """
    wide_reach = {
        int(f): float(r)
        for f, r in connection.execute("SELECT fid, reach_m FROM members WHERE reach_m IS NOT NULL")
    }
    wide_reach.update(reaches)
    wide = Places.of(connection, wide_reach)
    inside: set[int] = set()
    front = {int(f) for f in changed}
    places = Places.of(connection, front)
    while front:
        inside |= front
        reach = np.full(len(places.fids), REACH_M)
        for k, fid in enumerate(places.fids.tolist() if wide_reach else ()):
            reach[k] = wide_reach.get(fid, REACH_M)
        if around is not None and reach.max(initial=0.0) <= around_m:
            found = nearer(around, places, reach)
        else:
            found = within(connection, places, reach)
        around = None
        others = _wide_ones(wide, wide_reach, places) | _tied(connection, front)
        new = ~np.isin(found.fids, np.fromiter(inside, np.int64, len(inside)))
        places = Places(found.fids[new], found.lon[new], found.lat[new])
        front = set(places.fids.tolist())
        rest = others - inside - front
        if rest:
            places = places.joined(Places.of(connection, rest))
            front |= rest
    return sorted(inside)


def _wide_ones(wide: Places, reach: dict[int, float], places: Places) -> set[int]:
    if not len(wide.fids) or not len(places.fids):
        return set()
    from scipy.spatial import cKDTree

    distance, _ = cKDTree(places.xyz()).query(wide.xyz())
    limit = np.array([reach[int(f)] for f in wide.fids]) * 1.01 + _INDEX_ERROR_M
    return {int(f) for f in wide.fids[distance <= limit]}


def _tied(connection: sqlite3.Connection, fids: Iterable[int]) -> set[int]:
    """Return members of the marks of some sightings, and what rulings tie to them."""
    keys = [int(f) for f in fids]
    mates = f"SELECT fid FROM members WHERE mark IN (SELECT mark FROM members WHERE fid IN {AMONG})"
    found = set(fids_from(connection, mates, keys))
    if connection.execute("SELECT 1 FROM rulings LIMIT 1").fetchone():
        for here, there in (("a", "b"), ("b", "a")):
            ruled = (
                f"SELECT s.fid FROM rulings AS r JOIN sightings AS s ON s.sighting_id = r.{there} "
                f"WHERE r.{here} IN (SELECT sighting_id FROM sightings WHERE fid IN {AMONG})"
            )
            found |= set(fids_from(connection, ruled, keys))
    return found
