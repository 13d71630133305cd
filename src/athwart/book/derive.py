"""From what was seen and decided to marks: merging what changed.

`athwart.book.loading` says which sightings a change can touch and reads them, `athwart.merge`
merges them, and `athwart.book.settling` lays what comes out against the marks of the book.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from athwart.book.changes import Changes
from athwart.book.keys import AMONG, listed
from athwart.book.loading import (
    MERGED,
    PLACED,
    around,
    boat_comes,
    in_marks,
    load,
    pending,
    rulings_among,
    with_boats,
)
from athwart.book.settling import Derived, settle
from athwart.book.trips import Trips
from athwart.merge import merge
from athwart.tables import Sightings

__all__ = ["Derived", "derive"]

_MOST = 0.25
"""Where more than this part of the book has changed, looking for its neighbours costs more than
looking at everything."""


def derive(
    changes: Changes,
    *,
    changed: Iterable[int] = (),
    take_in: bool = True,
    whole: bool = False,
    shift_trips: bool = False,
) -> Derived:
    """Bring the marks up to date.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    changed : iterable of int
        Keys of sightings to look at again besides those that wait; their marks are written anew.
    take_in : bool
        Take in sightings that are in no mark yet; else only marks that are there are settled.
    whole : bool
        Look at the whole book, and weigh every trip anew.
    shift_trips : bool
        Shift trips that sit off the others, now and in every later merge.
    """
    connection = changes.connection
    out = Derived()
    trips = Trips(connection)
    waiting = pending(connection) if take_in else []
    forced = {int(f) for f in changed}
    front = forced | set(waiting)
    trip_of: dict[int, int | None] = {}
    vote: set[int] = set()
    if waiting:
        front |= _give_trips(changes, trips, waiting, trip_of)
        retold = boat_comes(connection, trip_of)
        front |= retold
        forced |= retold
    if not front and not whole and not shift_trips:
        return out
    count = connection.execute("SELECT count(*) FROM sightings").fetchone()[0]
    if whole or shift_trips or len(front) > count * _MOST:
        inside = [int(r[0]) for r in connection.execute("SELECT fid FROM sightings ORDER BY fid")]
    else:
        inside, vote = around(connection, trips, front, trip_of)
    if not take_in:
        settled = in_marks(connection, inside)
        inside = [f for f in inside if f in settled]
        vote &= in_marks(connection, sorted(vote))
    if not inside:
        return out
    out.new_sightings = len(waiting)
    sightings, fids, entries = load(connection, trips, inside, trip_of, MERGED)
    witnesses = sorted(vote.difference(inside))
    if witnesses:
        others, more, _ = load(connection, trips, witnesses, trip_of, PLACED)
        sightings = Sightings.concat([sightings, others])
        fids.update(more)
    sightings = with_boats(connection, trips, sightings)
    shifts = trips.shifts()
    rulings = rulings_among(connection, sightings.sighting_id.tolist())
    known = None if whole else trips.known()
    names = set(sightings.trip.tolist())
    merged = merge(
        sightings,
        rulings=rulings,
        known=known,
        shift_trips={t: s for t, s in shifts.items() if t in names},
    )
    if shift_trips and merged.report.offsets:
        for offset in merged.report.offsets:
            if offset.trip in trips.by_name and offset.trip not in shifts:
                trips.shift(changes, offset.trip, offset.east_m, offset.north_m)
        shifts = trips.shifts()
        merged = merge(
            sightings,
            rulings=rulings,
            known=known,
            shift_trips={t: s for t, s in shifts.items() if t in names},
        )
    trips.keep_sittings(changes, merged.sittings, whole)
    out.merged, out.looked_at = merged, len(inside)
    settle(changes, out, merged, fids, entries, trip_of, set(inside), forced)
    return out


def _give_trips(
    changes: Changes, trips: Trips, waiting: Sequence[int], trip_of: dict[int, int | None]
) -> set[int]:
    """Give the waiting sightings their trips; return members of trips that were run together."""
    connection = changes.connection
    rows = connection.execute(
        f"SELECT fid, trip, time_us FROM sightings WHERE fid IN {AMONG} ORDER BY fid",
        (listed(waiting),),
    ).fetchall()
    none = np.iinfo(np.int64).min
    times = np.array([none if r[2] is None else r[2] for r in rows], np.int64)
    given, closed = trips.assign(changes, [r[1] or "" for r in rows], times.view("datetime64[us]"))
    trip_of.update(zip((int(r[0]) for r in rows), given, strict=True))
    again: set[int] = set()
    for old in sorted(closed):
        members = connection.execute(
            "SELECT m.fid, s.time_us FROM members AS m JOIN sightings AS s ON s.fid = m.fid "
            "WHERE m.trip = ?",
            (old,),
        ).fetchall()
        for fid, moment in members:
            trip_of[int(fid)] = next(
                t.fid
                for t in trips.rows.values()
                if not t.given and t.first_us is not None and t.last_us is not None
                and t.first_us <= moment <= t.last_us
            )  # fmt: skip
            again.add(int(fid))
    return again
