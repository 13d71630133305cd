"""Which sightings a merge is to be given, and reading them with their trips, boats and rulings.

The closed neighbourhood of what changed (`athwart.book.near`) is whole; about trips that were not
weighed yet, witnesses within the reach of the vote come along, which only tell how the trip sits.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from athwart.book.keys import AMONG, fids_from, listed
from athwart.book.near import Places, neighbourhood, within
from athwart.book.rows import table_of
from athwart.book.said import resolve
from athwart.book.schema import columns_of
from athwart.book.trips import Trips
from athwart.errors import UsageError
from athwart.merge import REACH_M, VOTE_WITHIN_M, Rulings, reach_of
from athwart.tables import Sightings

__all__ = [
    "MERGED", "PLACED", "around", "boat_comes", "in_marks", "load", "members_of", "pending",
    "rulings_among", "touched_by", "with_boats",
]  # fmt: skip

_SIGHTING = columns_of("sightings")
MERGED = tuple(
    n
    for n in _SIGHTING
    if n not in ("extra", "content", "revision", "file", "time", "method", "method_detail")
    and n not in ("side", "ground_range_m", "antenna_lon", "antenna_lat", "bearing_deg")
    and n not in ("distance_m",)
)
"""Columns that merging makes use of."""

PLACED = (
    "fid", "geom", "sighting_id", "trip", "time_us", "var_east_m2", "var_north_m2",
    "cov_east_north_m2", "shared_sigma_m", "boat", "boat_sigma_m", "entry",
)  # fmt: skip
"""Columns that tell how a trip sits."""


def pending(connection: sqlite3.Connection) -> list[int]:
    """Return the keys of sightings that are in no mark yet, or were fixed anew since."""
    return [
        int(r[0])
        for r in connection.execute(
            "SELECT s.fid FROM sightings AS s INDEXED BY sightings_entry "
            "LEFT JOIN members AS m ON m.fid = s.fid "
            "WHERE m.fid IS NULL OR m.as_of <> s.entry ORDER BY s.fid"
        )
    ]


def members_of(connection: sqlite3.Connection, mark_ids: Iterable[str]) -> list[int]:
    """Return the keys of the sightings of some marks.

    Raises
    ------
    UsageError
        There is no such mark.
    """
    out: list[int] = []
    for mark_id in mark_ids:
        rows = connection.execute(
            "SELECT m.fid FROM members AS m JOIN marks AS k ON k.fid = m.mark WHERE k.mark_id = ?",
            (resolve(connection, mark_id),),
        ).fetchall()
        if not rows:
            raise UsageError(
                f"there is no mark {mark_id!r}; give the id of one", code="mark-unknown"
            )
        out += [int(r[0]) for r in rows]
    return out


def touched_by(connection: sqlite3.Connection, fids: Sequence[int]) -> list[int]:
    """Return the sightings whose marks may change when some sightings go, themselves among them."""
    members = in_marks(connection, fids)
    if not members:
        return []
    trip_of: dict[int, int | None] = dict(
        connection.execute(
            f"SELECT fid, trip FROM members WHERE fid IN {AMONG}",
            (listed(sorted(members)),),
        ).fetchall()
    )
    told = [
        trip_of[int(r[0])]
        for r in connection.execute(
            f"SELECT fid FROM sightings WHERE boat IS NOT NULL AND fid IN {AMONG}",
            (listed(sorted(members)),),
        )
    ]
    reaches = _shifted_reaches(connection, Trips(connection), trip_of, {})
    near = set(neighbourhood(connection, members, reaches))
    return sorted(near | _boatless(connection, [t for t in told if t is not None]))


def around(
    connection: sqlite3.Connection,
    trips: Trips,
    front: set[int],
    trip_of: Mapping[int, int | None],
) -> tuple[list[int], set[int]]:
    """Return the closed neighbourhood, and sightings that only tell how new trips sit."""
    reaches: dict[int, float] = {}
    fresh = sorted(front)
    rows = connection.execute(
        f"SELECT {', '.join(PLACED)} FROM sightings WHERE fid IN {AMONG}",
        (listed(fresh),),
    ).fetchall()
    looked = table_of(Sightings, PLACED, rows)
    for row, reach in zip(rows, reach_of(looked).tolist(), strict=True):
        if reach > REACH_M:
            reaches[int(row[0])] = reach
    reaches |= _shifted_reaches(connection, trips, trip_of, reaches)
    weighed = trips.weighed()
    unweighed = {t for t in trip_of.values() if t is not None and t not in weighed}
    if not unweighed:
        return neighbourhood(connection, front, reaches), set()
    old = set(
        fids_from(connection, f"SELECT fid FROM members WHERE trip IN {AMONG}", sorted(unweighed))
    )
    own = old | {f for f, t in trip_of.items() if t in unweighed}
    places = Places.of(connection, own)
    near = within(connection, places, np.full(len(places.fids), VOTE_WITHIN_M))
    at_hand = near if front <= own else None
    inside = neighbourhood(connection, front, reaches, at_hand, VOTE_WITHIN_M)
    return inside, {int(f) for f in near.fids} | own


def _shifted_reaches(
    connection: sqlite3.Connection,
    trips: Trips,
    trip_of: Mapping[int, int | None],
    reaches: Mapping[int, float],
) -> dict[int, float]:
    """Return how far sightings of shifted trips reach: distances count as moved, places are not."""
    far = {trips.by_name[t]: float(np.hypot(*s)) for t, s in trips.shifts().items()}
    if not far:
        return {}
    most = max(far.values())
    out: dict[int, float] = {}
    for fid, trip, reach in connection.execute(
        f"SELECT fid, trip, reach_m FROM members WHERE trip IN {AMONG}",
        (listed(far),),
    ):
        out[int(fid)] = (reach or REACH_M) + far[trip] + most
    for fid, key in trip_of.items():
        if key in far:
            out[fid] = reaches.get(fid, REACH_M) + far[key] + most
    return out


def in_marks(connection: sqlite3.Connection, fids: Sequence[int]) -> set[int]:
    """Return those of some sightings, by key, that are in a mark."""
    return set(fids_from(connection, f"SELECT fid FROM members WHERE fid IN {AMONG}", fids))


def load(
    connection: sqlite3.Connection,
    trips: Trips,
    fids: Sequence[int],
    trip_of: Mapping[int, int | None],
    names: Sequence[str],
) -> tuple[Sightings, dict[str, int], dict[int, int]]:
    """Return sightings with the trips that they are taken to belong to, and key and entry by id."""
    rows = connection.execute(
        f"SELECT s.{', s.'.join(names)}, s.time, m.trip, m.fid FROM sightings AS s "
        "LEFT JOIN members AS m ON m.fid = s.fid WHERE s.fid IN "
        f"{AMONG} ORDER BY s.fid",
        (listed(fids),),
    ).fetchall()
    at, entry = names.index("fid"), names.index("entry")
    kept = [
        r for r in rows if r[-1] is not None or r[at] in trip_of
    ]  # a sighting that waits is not taken in where only marks are settled
    sightings = table_of(Sightings, [*names, "time"], [r[:-2] for r in kept])
    trip_keys = [trip_of.get(r[at], r[-2]) for r in kept]
    ids = sightings.sighting_id.tolist()
    trip_names = np.empty(len(kept), dtype=object)
    trip_names[:] = trips.names(trip_keys, ids)
    return (
        sightings.with_columns(trip=trip_names),
        {i: r[at] for i, r in zip(ids, kept, strict=True)},
        {r[at]: r[entry] for r in kept},
    )


def with_boats(connection: sqlite3.Connection, trips: Trips, sightings: Sightings) -> Sightings:
    """Give sightings without a boat that of their trip, which may lie outside the neighbourhood."""
    blank = sightings.boat == ""
    names = set(sightings.trip[blank].tolist()) & trips.by_name.keys()
    if not names or not _any_boat(connection):
        return sightings
    known = _boats(connection, [trips.by_name[t] for t in names])
    boats = {trips.rows[fid].name: boat for fid, boat in known.items()}
    for trip, boat in zip(sightings.trip.tolist(), sightings.boat.tolist(), strict=True):
        if trip in names and boat > boats.get(trip, ""):
            boats[trip] = boat
    out = sightings.boat.copy()
    at = np.flatnonzero(blank)
    out[at] = [boats.get(t, "") for t in sightings.trip[at].tolist()]
    return sightings.with_columns(boat=out)


def _any_boat(connection: sqlite3.Connection) -> bool:
    found = connection.execute("SELECT 1 FROM sightings WHERE boat IS NOT NULL LIMIT 1").fetchone()
    return found is not None


def _boats(connection: sqlite3.Connection, trips: Sequence[int]) -> dict[int, str]:
    """Return the boat that sightings without one are taken to be of, by key of the trip."""
    return {
        int(fid): boat or ""
        for fid, boat in connection.execute(
            "SELECT m.trip, max(s.boat) FROM members AS m JOIN sightings AS s ON s.fid = m.fid "
            f"WHERE m.trip IN {AMONG} GROUP BY m.trip",
            (listed(trips),),
        )
    }


def boat_comes(connection: sqlite3.Connection, trip_of: Mapping[int, int | None]) -> set[int]:
    """Return members without a boat of trips whose boat is told only now."""
    if not _any_boat(connection):
        return set()
    told: dict[int, str] = {}
    for fid, boat in connection.execute(
        f"SELECT fid, boat FROM sightings WHERE boat IS NOT NULL AND fid IN {AMONG}",
        (listed(trip_of),),
    ):
        trip = trip_of[int(fid)]
        if trip is not None:
            told[trip] = max(told.get(trip, ""), boat)
    before = _boats(connection, list(told))
    return _boatless(connection, [t for t, b in told.items() if t in before and b > before[t]])


def _boatless(connection: sqlite3.Connection, trips: Sequence[int]) -> set[int]:
    """Return the members of some trips that name no boat."""
    sql = (
        "SELECT m.fid FROM members AS m JOIN sightings AS s ON s.fid = m.fid "
        f"WHERE s.boat IS NULL AND m.trip IN {AMONG}"
    )
    return set(fids_from(connection, sql, trips))


def rulings_among(connection: sqlite3.Connection, ids: Sequence[str]) -> Rulings | None:
    """Return the user's rulings between some sightings, by id; None where nothing was ever ruled."""
    if not connection.execute("SELECT 1 FROM rulings LIMIT 1").fetchone():
        return None
    here = set(ids)
    pairs: dict[str, list[tuple[str, str]]] = {"same": [], "apart": []}
    for what, a, b in connection.execute("SELECT what, a, b FROM rulings ORDER BY fid"):
        if a in here and b in here:
            pairs[what].append((a, b))
    return Rulings(same=pairs["same"], apart=pairs["apart"])
