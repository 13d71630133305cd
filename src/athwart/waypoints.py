"""Waypoints become sightings: a position somebody saved, with the error such a position has.

A saved waypoint carries no error of its own unless the file says so. Its total standard error per
axis is split into the part that the trip's sightings share (the GNSS fix) and the rest, which is
its own. The defaults are common practice, no source.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from athwart.errors import BadRow, TableError, UsageError
from athwart.identity import observation_ids
from athwart.tables import Marks, Sightings, Waypoints, same_text

__all__ = ["BOAT_SIGMA_M", "MARK_SIGMA_M", "SHARED_SIGMA_M", "marks_as_waypoints", "to_sightings"]

MARK_SIGMA_M = 4.0
"""Standard error per axis of a waypoint saved over the thing itself, metres."""

BOAT_SIGMA_M = 20.0
"""Standard error per axis where the button was pressed in one place and the thing lay in another."""

SHARED_SIGMA_M = 2.5
"""The part of the error that a trip's waypoints share (GNSS), metres per axis."""

_SHARED_PART = SHARED_SIGMA_M / MARK_SIGMA_M


def to_sightings(
    waypoints: Waypoints,
    *,
    sigma_m: float = MARK_SIGMA_M,
    saved_at: Literal["mark", "boat"] = "mark",
    trip: str = "",
) -> Sightings:
    """Turn waypoints into sightings.

    Parameters
    ----------
    waypoints : Waypoints
        As read.
    sigma_m : float
        Total standard error per axis, metres, of waypoints whose ``sigma_m`` is not given.
    saved_at : {"mark", "boat"}
        ``boat`` takes 20 m instead of ``sigma_m``: the button was pressed aboard while the thing
        lay somewhere else.
    trip : str
        Name of the outing for waypoints that have none.

    Returns
    -------
    Sightings
        One a waypoint, in the same order. The id is a hash of the position to 1e-7 degree, the
        time and the name, and of nothing else. The shared part is 2.5 m per axis, or 5/8 of the
        total where that is smaller (a position better than 4 m is also better in what it
        shares); the own part is the rest, root of total squared less shared squared.

    Raises
    ------
    UsageError
        ``sigma_m`` is not a positive number, or ``saved_at`` is another word.
    TableError
        A position or a ``sigma_m`` that cannot be, every one listed.

    Examples
    --------
    >>> s = to_sightings(Waypoints.from_columns({"lon": [12.0], "lat": [54.0], "name": ["A"]}))
    >>> float(s.shared_sigma_m[0]), round(float(s.var_east_m2[0]), 2)
    (2.5, 9.75)
    """
    if saved_at not in ("mark", "boat"):
        raise UsageError(f"saved_at is {saved_at!r}; allowed is 'mark' or 'boat'")
    if not (np.isfinite(sigma_m) and sigma_m > 0):
        raise UsageError(f"a standard error of {sigma_m:g} m cannot be; give more than 0")
    faults = waypoints.faults()
    faults += [
        BadRow(int(i) + 1, "sigma-zero", "sigma_m is 0; no position is exact, leave it empty")
        for i in np.flatnonzero(waypoints.sigma_m == 0)
    ]
    if faults:
        raise TableError(waypoints.title, sorted(faults, key=lambda r: r.row))
    default = BOAT_SIGMA_M if saved_at == "boat" else float(sigma_m)
    total = np.where(np.isnan(waypoints.sigma_m), default, waypoints.sigma_m)
    shared = np.minimum(SHARED_SIGMA_M, _SHARED_PART * total)
    own = total**2 - shared**2
    lon = np.where(waypoints.lon == 180.0, -180.0, waypoints.lon)
    trips = waypoints.trip
    if trip:
        trips = np.where(trips == "", trip, trips).astype(object)
    n = len(waypoints)
    return Sightings.from_columns(
        {
            "sighting_id": observation_ids(
                "waypoint", [lon, waypoints.lat, waypoints.time, waypoints.name]
            ),
            "trip": trips,
            "time": waypoints.time,
            "name": waypoints.name,
            "kind": waypoints.kind,
            "hazard": waypoints.hazard,
            "note": waypoints.note,
            "lon": waypoints.lon,
            "lat": waypoints.lat,
            "depth_m": waypoints.depth_m,
            "depth_below": waypoints.depth_below,
            "var_east_m2": own,
            "var_north_m2": own.copy(),
            "cov_east_north_m2": np.zeros(n),
            "shared_sigma_m": shared,
            "boat_sigma_m": np.zeros(n),
            "method": same_text(n, "waypoint"),
            "links": waypoints.links,
            "source": waypoints.source,
            "source_row": waypoints.source_row,
        },
        extra=dict(waypoints.extra),
    )


def marks_as_waypoints(marks: Marks, source: str) -> Waypoints:
    """Return marks whose sightings are not at hand as waypoints of a file."""
    shared = {n for n in Waypoints.column_names() if n in Marks.column_names()}
    values = {name: getattr(marks, name) for name in shared}
    sigma = np.sqrt((marks.var_east_m2 + marks.var_north_m2) / 2)
    return Waypoints.from_columns(
        {
            **values,
            "time": marks.last_time,
            "sigma_m": np.where(sigma > 0, sigma, np.nan),
            "source": same_text(len(marks), source),
            "source_row": np.arange(1, len(marks) + 1),
        }
    )
