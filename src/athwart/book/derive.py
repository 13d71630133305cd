"""From what was seen and decided to marks: merging what changed, and keeping what marks are called.

Merging works on the closed neighbourhood of the changed sightings alone (`athwart.book.near`).
What comes out is laid against the marks of the book: a mark keeps its id for as long as any of its
sightings is in a mark, and what the user said of it goes with the id. Where marks fold into one,
the others' ids are retired and lead to it; where one parts, the part with most of its sightings
keeps the id. Marks whose sightings are the same as before are not written again.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256
from typing import Any

import numpy as np

from athwart.book.changes import Changes
from athwart.book.near import Places, neighbourhood, within
from athwart.book.rows import table_columns, table_of
from athwart.book.schema import columns_of
from athwart.book.trips import Trips
from athwart.errors import UsageError
from athwart.merge import REACH_M, VOTE_WITHIN_M, Merged, Rulings, merge, reach_of
from athwart.tables import Marks, Sightings

__all__ = [
    "EDITABLE",
    "Derived",
    "Said",
    "derive",
    "ids_behind",
    "members_of",
    "past_of",
    "pending",
    "put_back",
    "resolve",
    "rewrite",
    "touched_by",
    "what_was_said",
]

EDITABLE = ("name", "kind", "hazard", "note", "private")
"""What the user may say of a mark."""

_SIGHTING = columns_of("sightings")
_MERGED = tuple(
    n
    for n in _SIGHTING
    if n not in ("extra", "content", "revision", "file", "time", "method", "method_detail")
    and n not in ("side", "ground_range_m", "antenna_lon", "antenna_lat", "bearing_deg")
    and n not in ("distance_m",)
)
"""Columns that merging makes use of."""

_PLACED = (
    "fid", "geom", "sighting_id", "trip", "time_us", "var_east_m2", "var_north_m2",
    "cov_east_north_m2", "shared_sigma_m", "boat", "boat_sigma_m", "entry",
)  # fmt: skip
"""Columns that tell how a trip sits."""

_MOST = 0.25
"""Where more than this part of the book has changed, looking for its neighbours costs more than
looking at everything."""


@dataclass(slots=True)
class Derived:
    """What came of it.

    Parameters
    ----------
    merged : Merged or None
        The merge of the neighbourhood, with its report; None where nothing had changed.
    looked_at : int
        Sightings in the neighbourhood.
    new_sightings : int
        Sightings that had not been in a mark.
    new, changed, gone : list of str
        Ids of marks.
    folded : list of (str, str)
        Ids of marks that were folded into another, and that other.
    inherited : list of (str, str)
        Ids of marks that are private, or a hazard, because sightings of such a mark came to them.
    """

    merged: Merged | None = None
    looked_at: int = 0
    new_sightings: int = 0
    new: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    folded: list[tuple[str, str]] = field(default_factory=list)
    inherited: list[tuple[str, str]] = field(default_factory=list)


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


def resolve(connection: sqlite3.Connection, mark_id: str) -> str:
    """Return the id of the mark that an id leads to now; the id itself if it is no retired one."""
    seen: set[str] = set()
    while mark_id not in seen:
        seen.add(mark_id)
        row = connection.execute(
            "SELECT folded_into FROM retired WHERE mark_id = ?", (mark_id,)
        ).fetchone()
        if row is None:
            break
        mark_id = row[0]
    return mark_id


def ids_behind(connection: sqlite3.Connection, mark_id: str) -> dict[str, int]:
    """Return a mark's id and those of all that were folded into it, with the entry that did it."""
    found: dict[str, int] = {}
    for other, folded in connection.execute(
        "WITH RECURSIVE behind(id, folded) AS (VALUES (?, 0) UNION "
        "SELECT r.mark_id, max(r.entry, b.folded) FROM retired AS r "
        "JOIN behind AS b ON r.folded_into = b.id) SELECT id, folded FROM behind",
        (mark_id,),
    ):
        found[other] = max(int(folded), found.get(other, 0))
    return found


@dataclass(slots=True)
class Said:
    """What the user said of a mark, and of those that were folded into it, as it holds now.

    Parameters
    ----------
    name, kind : str or None
        None where nothing was said.
    hazard, private : bool or None
        True where it was said of any of them.
    notes : list of str
        The user's notes, and names of marks that were folded into this one; None where nothing
        was said.
    past : dict of str to set of str
        What of the sightings the user's word took the place of: lines under ``note``, sightings
        under ``hazard`` and ``private``.
    """

    name: str | None = None
    kind: str | None = None
    hazard: bool | None = None
    private: bool | None = None
    notes: list[str] = field(default_factory=list)
    past: dict[str, set[str]] = field(default_factory=dict)


def what_was_said(connection: sqlite3.Connection, mark_id: str) -> Said:
    """Return what the user's words of a mark come to.

    A mark's own last word on a field holds over all that was folded into it before. What was said
    of marks that were folded in later is added: no name and no note is lost, and a hazard or a
    private mark stays one until the user says otherwise of the mark that it became.
    """
    keys = json.dumps(list(ids_behind(connection, mark_id)))
    here = "(SELECT value FROM json_each(?))"
    words: dict[str, dict[str, tuple[str, int]]] = {}
    for mark, name, value, entry in connection.execute(
        f"SELECT mark_id, field, value, entry FROM words WHERE mark_id IN {here} ORDER BY fid",
        (keys,),
    ):
        words.setdefault(mark, {})[name] = (value or "", int(entry))
    folded: dict[str, list[tuple[str, int]]] = {}
    for mark, into, entry in connection.execute(
        f"SELECT mark_id, folded_into, entry FROM retired WHERE mark_id IN {here} ORDER BY fid",
        (keys,),
    ):
        folded.setdefault(into, []).append((mark, int(entry)))
    past: dict[str, set[str]] = {}
    for own in words.values():
        for name in ("note", "hazard", "private"):
            over, word = own.get(f"{name}{_PAST}"), own.get(name)
            if over and word and (name == "note" or word[0] != "1"):
                past.setdefault(name, set()).update(over[0].split("\n"))
    return replace(_said(mark_id, words, folded), past=past)


def _said(
    mark_id: str,
    words: Mapping[str, Mapping[str, tuple[str, int]]],
    folded: Mapping[str, Sequence[tuple[str, int]]],
) -> Said:
    own = words.get(mark_id, {})
    out = Said(
        name=own["name"][0] if "name" in own else None,
        kind=own["kind"][0] if "kind" in own else None,
        hazard=own["hazard"][0] == "1" if "hazard" in own else None,
        private=own["private"][0] == "1" if "private" in own else None,
        notes=[own["note"][0]] if own.get("note", ("", 0))[0] else [],
    )

    def later(name: str, entry: int) -> bool:
        return name in own and own[name][1] > entry

    for other, entry in folded.get(mark_id, ()):
        said = _said(other, words, folded)
        if said.name and not later("name", entry):
            if out.name is None:
                out.name = said.name
            elif said.name != out.name and not later("note", entry):
                out.notes.append(f"also called {said.name}")
        if out.kind is None:
            out.kind = said.kind
        if not later("note", entry):
            out.notes += said.notes
        if said.hazard and not later("hazard", entry):
            out.hazard = True
        if said.private and not later("private", entry):
            out.private = True
    return out


_PAST = "_past"
"""Ending of fields that keep what of the sightings a word took the place of."""


def past_of(connection: sqlite3.Connection, mark_id: str, fields: Iterable[str]) -> dict[str, str]:
    """Return what of a mark's sightings a new word takes the place of, as further words to keep."""
    fields = [f for f in fields if f in ("note", "hazard", "private")]
    if not fields:
        return {}
    rows = connection.execute(
        "SELECT s.sighting_id, s.note, s.hazard, s.extra FROM sightings AS s "
        "JOIN members AS m ON m.fid = s.fid JOIN marks_as_written AS k ON k.fid = m.mark "
        "WHERE k.mark_id = ? ORDER BY s.fid",
        (mark_id,),
    ).fetchall()
    found: dict[str, list[str]] = {
        "note": [line for _, note, *_ in rows for line in (note or "").split("\n") if line],
        "hazard": [i for i, _, hazard, _ in rows if hazard],
        "private": [i for i, *_, extra in rows if _seen_private(extra)],
    }
    return {f"{f}{_PAST}": "\n".join(dict.fromkeys(found[f])) for f in fields if found[f]}


def _seen_private(extra: str | None) -> bool:
    """Tell whether a sighting came with a column that says that it is private."""
    if not extra or '"private"' not in extra:
        return False
    value = json.loads(extra).get("private")
    return str(value).strip().casefold() in ("1", "1.0", "true", "yes")


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
        retold = _boat_comes(connection, trip_of)
        front |= retold
        forced |= retold
    if not front and not whole and not shift_trips:
        return out
    count = connection.execute("SELECT count(*) FROM sightings").fetchone()[0]
    if whole or shift_trips or len(front) > count * _MOST:
        inside = [int(r[0]) for r in connection.execute("SELECT fid FROM sightings ORDER BY fid")]
    else:
        inside, vote = _around(connection, trips, front, trip_of)
    if not take_in:
        settled = _members(connection, inside)
        inside = [f for f in inside if f in settled]
        vote &= _members(connection, sorted(vote))
    if not inside:
        return out
    out.new_sightings = len(waiting)
    sightings, fids, entries = _load(connection, trips, inside, trip_of, _MERGED)
    witnesses = sorted(vote.difference(inside))
    if witnesses:
        others, more, _ = _load(connection, trips, witnesses, trip_of, _PLACED)
        sightings = Sightings.concat([sightings, others])
        fids.update(more)
    sightings = _with_boats(connection, trips, sightings)
    shifts = trips.shifts()
    rulings = _rulings(connection, sightings.sighting_id.tolist())
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
    _write(changes, out, merged, fids, entries, trip_of, set(inside), forced)
    return out


def _give_trips(
    changes: Changes, trips: Trips, waiting: Sequence[int], trip_of: dict[int, int | None]
) -> set[int]:
    """Give the waiting sightings their trips; return members of trips that were run together."""
    connection = changes.connection
    rows = connection.execute(
        "SELECT fid, trip, time_us FROM sightings WHERE fid IN (SELECT value FROM json_each(?)) "
        "ORDER BY fid",
        (json.dumps(list(waiting)),),
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


def _around(
    connection: sqlite3.Connection,
    trips: Trips,
    front: set[int],
    trip_of: Mapping[int, int | None],
) -> tuple[list[int], set[int]]:
    """Return the closed neighbourhood, and sightings that only tell how new trips sit."""
    reaches: dict[int, float] = {}
    fresh = sorted(front)
    rows = connection.execute(
        f"SELECT {', '.join(_PLACED)} FROM sightings WHERE fid IN (SELECT value FROM json_each(?))",
        (json.dumps(fresh),),
    ).fetchall()
    looked = table_of(Sightings, _PLACED, rows)
    for row, reach in zip(rows, reach_of(looked).tolist(), strict=True):
        if reach > REACH_M:
            reaches[int(row[0])] = reach
    reaches |= _shifted_reaches(connection, trips, trip_of, reaches)
    weighed = trips.weighed()
    unweighed = {t for t in trip_of.values() if t is not None and t not in weighed}
    if not unweighed:
        return neighbourhood(connection, front, reaches), set()
    old = {
        int(r[0])
        for r in connection.execute(
            "SELECT fid FROM members WHERE trip IN (SELECT value FROM json_each(?))",
            (json.dumps(sorted(unweighed)),),
        )
    }
    own = old | {f for f, t in trip_of.items() if t in unweighed}
    places = Places.of(connection, own)
    near = within(connection, places, np.full(len(places.fids), VOTE_WITHIN_M))
    at_hand = near if front <= own else None
    inside = neighbourhood(connection, front, reaches, at_hand, VOTE_WITHIN_M)
    return inside, {int(f) for f in near.fids} | own


def touched_by(connection: sqlite3.Connection, fids: Sequence[int]) -> list[int]:
    """Return the sightings whose marks may change when some sightings go, themselves among them."""
    members = _members(connection, fids)
    if not members:
        return []
    trip_of: dict[int, int | None] = dict(
        connection.execute(
            "SELECT fid, trip FROM members WHERE fid IN (SELECT value FROM json_each(?))",
            (json.dumps(sorted(members)),),
        ).fetchall()
    )
    told = [
        trip_of[int(r[0])]
        for r in connection.execute(
            "SELECT fid FROM sightings WHERE boat IS NOT NULL AND fid IN "
            "(SELECT value FROM json_each(?))",
            (json.dumps(sorted(members)),),
        )
    ]
    reaches = _shifted_reaches(connection, Trips(connection), trip_of, {})
    near = set(neighbourhood(connection, members, reaches))
    return sorted(near | _boatless(connection, [t for t in told if t is not None]))


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
        "SELECT fid, trip, reach_m FROM members WHERE trip IN (SELECT value FROM json_each(?))",
        (json.dumps(list(far)),),
    ):
        out[int(fid)] = (reach or REACH_M) + far[trip] + most
    for fid, key in trip_of.items():
        if key in far:
            out[fid] = reaches.get(fid, REACH_M) + far[key] + most
    return out


def _members(connection: sqlite3.Connection, fids: Sequence[int]) -> set[int]:
    return {
        int(r[0])
        for r in connection.execute(
            "SELECT fid FROM members WHERE fid IN (SELECT value FROM json_each(?))",
            (json.dumps(list(fids)),),
        )
    }


def _load(
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
        "(SELECT value FROM json_each(?)) ORDER BY s.fid",
        (json.dumps(list(fids)),),
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


def _with_boats(connection: sqlite3.Connection, trips: Trips, sightings: Sightings) -> Sightings:
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
            "WHERE m.trip IN (SELECT value FROM json_each(?)) GROUP BY m.trip",
            (json.dumps(list(trips)),),
        )
    }


def _boat_comes(connection: sqlite3.Connection, trip_of: Mapping[int, int | None]) -> set[int]:
    """Return members without a boat of trips whose boat is told only now."""
    if not _any_boat(connection):
        return set()
    told: dict[int, str] = {}
    for fid, boat in connection.execute(
        "SELECT fid, boat FROM sightings WHERE boat IS NOT NULL AND fid IN "
        "(SELECT value FROM json_each(?))",
        (json.dumps(list(trip_of)),),
    ):
        trip = trip_of[int(fid)]
        if trip is not None:
            told[trip] = max(told.get(trip, ""), boat)
    before = _boats(connection, list(told))
    return _boatless(connection, [t for t, b in told.items() if t in before and b > before[t]])


def _boatless(connection: sqlite3.Connection, trips: Sequence[int]) -> set[int]:
    """Return the members of some trips that name no boat."""
    return {
        int(r[0])
        for r in connection.execute(
            "SELECT m.fid FROM members AS m JOIN sightings AS s ON s.fid = m.fid "
            "WHERE s.boat IS NULL AND m.trip IN (SELECT value FROM json_each(?))",
            (json.dumps(list(trips)),),
        )
    }


def _rulings(connection: sqlite3.Connection, ids: Sequence[str]) -> Rulings | None:
    if not connection.execute("SELECT 1 FROM rulings LIMIT 1").fetchone():
        return None
    here = set(ids)
    pairs: dict[str, list[tuple[str, str]]] = {"same": [], "apart": []}
    for what, a, b in connection.execute("SELECT what, a, b FROM rulings ORDER BY fid"):
        if a in here and b in here:
            pairs[what].append((a, b))
    return Rulings(same=pairs["same"], apart=pairs["apart"])


# -- laying what came out against the marks of the book ------------------------------------------


def _write(
    changes: Changes,
    out: Derived,
    merged: Merged,
    fids: Mapping[str, int],
    entries: Mapping[int, int],
    trip_of: Mapping[int, int | None],
    inside: set[int],
    forced: set[int],
) -> None:
    connection = changes.connection
    keys = json.dumps(sorted(inside))
    before: dict[int, set[int]] = {}
    as_of: dict[int, tuple[int | None, int, float | None]] = {}
    for fid, mark, trip, reach, entry in connection.execute(
        "SELECT fid, mark, trip, reach_m, as_of FROM members WHERE fid IN "
        "(SELECT value FROM json_each(?))",
        (keys,),
    ):
        before.setdefault(int(mark), set()).add(int(fid))
        as_of[int(fid)] = (trip, entry, reach)
    old_id = {
        int(f): i
        for f, i in connection.execute(
            "SELECT fid, mark_id FROM marks WHERE fid IN (SELECT value FROM json_each(?))",
            (json.dumps(sorted(before)),),
        )
    }
    sighting_fid = [fids[i] for i in merged.sightings.sighting_id.tolist()]
    clusters: dict[int, list[int]] = {}
    for fid, row in zip(sighting_fid, merged.mark_of.tolist(), strict=True):
        clusters.setdefault(row, []).append(fid)
    # Marks that only told how a trip sits are not whole here, and are passed over.
    clusters = {r: c for r, c in clusters.items() if inside.issuperset(c)}
    mark_before = {f: m for m, members in before.items() for f in members}
    keeps = _keep_ids(clusters, mark_before, {m: fids.get(i) for m, i in old_id.items()})
    again = {
        r
        for r, members in clusters.items()
        if keeps.get(r) is None
        or before[keeps[r]] != set(members)
        or not forced.isdisjoint(members)
        or any(as_of[f][1] != entries[f] or trip_of.get(f, as_of[f][0]) != as_of[f][0]
               for f in members)
    }  # fmt: skip
    kept = {keeps[r] for r in clusters if r in keeps}
    gone = [m for m in before if m not in kept]
    _write_marks(changes, out, merged, clusters, again, keeps, old_id, gone, mark_before)
    _write_members(
        changes, merged, clusters, again, keeps, mark_before, as_of, entries, trip_of, fids
    )


def _keep_ids(
    clusters: Mapping[int, Sequence[int]],
    mark_before: Mapping[int, int],
    namesake: Mapping[int, int | None],
) -> dict[int, int]:
    """Return which mark of the book each cluster carries on: keys of marks by row.

    The mark that shares most sightings with a cluster is carried on by it; of equals the older.
    Of parts that share as many, the one with the sighting that the mark is named by.
    """
    shared: list[tuple[int, int, bool, int]] = []
    for row, members in clusters.items():
        for mark, count in Counter(mark_before[f] for f in members if f in mark_before).items():
            shared.append((-count, mark, namesake.get(mark) not in members, row))
    keeps: dict[int, int] = {}
    taken: set[int] = set()
    for _, mark, _, row in sorted(shared):
        if row not in keeps and mark not in taken:
            keeps[row] = mark
            taken.add(mark)
    return keeps


def _write_marks(
    changes: Changes,
    out: Derived,
    merged: Merged,
    clusters: Mapping[int, Sequence[int]],
    again: set[int],
    keeps: dict[int, int],
    old_id: Mapping[int, str],
    gone: Sequence[int],
    mark_before: Mapping[int, int],
) -> None:
    connection = changes.connection
    gone_ids = {m: old_id[m] for m in gone}
    changes.delete("marks", gone)
    changes.delete("marks_as_written", gone)
    rows = sorted(again)
    fresh = [r for r in rows if r not in keeps]
    ids = _new_ids(connection, merged, fresh)
    first = changes.next_fid("marks")
    for k, r in enumerate(fresh):
        keeps[r] = first + k
    mark_ids = {r: ids[r] if r in ids else old_id[keeps[r]] for r in rows}
    # Where the sightings of a mark that is no more went, its id leads.
    retired_ids, retired_into = [], []
    row_of = {f: r for r, members in clusters.items() for f in members}
    for mark in gone:
        went = Counter(row_of[f] for f, m in mark_before.items() if m == mark and f in row_of)
        target = min(went, key=lambda r: (-went[r], r)) if went else None
        if target is None:
            out.gone.append(gone_ids[mark])
            continue
        into = mark_ids.get(target) or old_id[keeps[target]]
        if into != gone_ids[mark]:
            retired_ids.append(gone_ids[mark])
            retired_into.append(into)
            out.folded.append((gone_ids[mark], into))
    led = dict(zip(retired_ids, retired_into, strict=True))
    came: dict[str, set[str]] = {}
    for r in rows:
        for f in clusters[r]:
            was = mark_before.get(f)
            if was is not None and was != keeps[r] and led.get(old_id[was]) != mark_ids[r]:
                came.setdefault(mark_ids[r], set()).add(old_id[was])
    out.inherited += _inherit(changes, came)
    back = [
        int(r[0])
        for r in connection.execute(
            "SELECT fid FROM retired WHERE mark_id IN (SELECT value FROM json_each(?))",
            (json.dumps(list(ids.values())),),
        )
    ]
    changes.delete("retired", back)
    if retired_ids:
        changes.insert(
            "retired",
            {
                "mark_id": retired_ids,
                "folded_into": retired_into,
                "entry": [changes.entry] * len(retired_ids),
            },
        )
    if not rows:
        return
    table = merged.marks.take(np.array(rows))
    id_array = np.array([mark_ids[r] for r in rows], dtype=object)
    table = table.with_columns(mark_id=id_array)
    rewrite(
        changes,
        table,
        [keeps[r] for r in rows],
        new={keeps[r] for r in fresh},
    )
    out.new += [ids[r] for r in fresh]
    out.changed += [mark_ids[r] for r in rows if r not in ids]


def _inherit(changes: Changes, came: Mapping[str, set[str]]) -> list[tuple[str, str]]:
    """Keep what leaves a private mark private, and what leaves a mark called a hazard one.

    Sightings that leave a mark for one that does not carry on its id take these two words along;
    where they go back to a mark that they had been before, only what was said of them meanwhile.

    Parameters
    ----------
    came : mapping of str to set of str
        Marks from which the sightings of a mark came, by id.
    """
    connection = changes.connection
    if not came or not connection.execute("SELECT 1 FROM words LIMIT 1").fetchone():
        return []
    rows: list[tuple[str, str]] = []
    for mark_id, others in came.items():
        for other in sorted(others):
            behind = ids_behind(connection, other)
            said = what_was_said(connection, other)
            for name in ("hazard", "private"):
                if not getattr(said, name) or (mark_id, name) in rows:
                    continue
                if mark_id in behind and mark_id != other:
                    own = connection.execute(
                        "SELECT value, entry FROM words WHERE mark_id = ? AND field = ? "
                        "ORDER BY fid DESC LIMIT 1",
                        (other, name),
                    ).fetchone()
                    if own is None or own[0] != "1" or own[1] <= behind[mark_id]:
                        continue
                rows.append((mark_id, name))
    if rows:
        changes.insert(
            "words",
            {
                "mark_id": [m for m, _ in rows],
                "field": [n for _, n in rows],
                "value": ["1"] * len(rows),
                "entry": [changes.entry] * len(rows),
            },
        )
    return rows


def _new_ids(connection: sqlite3.Connection, merged: Merged, rows: Sequence[int]) -> dict[int, str]:
    """Name new marks by the id that their sightings had before they were folded into another mark.

    Without one, by their earliest sighting, or by the next if that names another mark. Where all
    of them do (a sighting that named a mark has parted from it, and the id stayed with the rest),
    the id is a hash of the first.
    """
    if not rows:
        return {}
    wanted = [str(merged.marks.mark_id[r]) for r in rows]
    members = [str(merged.marks.sighting_ids[r]).split() for r in rows]
    asked = json.dumps(sorted({i for ids in members for i in ids}))
    used, before = (
        {
            r[0]
            for r in connection.execute(
                f"SELECT mark_id FROM {table} WHERE mark_id IN (SELECT value FROM json_each(?))",
                (asked,),
            )
        }
        for table in ("marks", "retired")
    )
    out: dict[int, str] = {}
    for row, first, ids in zip(rows, wanted, members, strict=True):
        had = [i for i in ids if i in before]
        chosen = next((i for i in [*had, first, *ids] if i not in used), "")
        if not chosen:
            chosen = _other_id(connection, first, used)
        out[row] = chosen
        used.add(chosen)
    return out


def _other_id(connection: sqlite3.Connection, taken: str, used: set[str]) -> str:
    while True:
        taken = sha256(f"parted from {taken}".encode()).hexdigest()[: len(taken)]
        if (
            taken not in used
            and not connection.execute(
                "SELECT 1 FROM marks_as_written WHERE mark_id = ?1 UNION "
                "SELECT 1 FROM retired WHERE mark_id = ?1",
                (taken,),
            ).fetchone()
        ):
            return taken


def rewrite(changes: Changes, table: Marks, fids: Sequence[int], *, new: set[int]) -> None:
    """Write marks with what the user said of them.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    table : Marks
        As merging made them, under their lasting ids, with ``sighting_ids``.
    fids : sequence of int
        Their keys.
    new : set of int
        Keys of marks that are not in the book yet.
    """
    connection = changes.connection
    # The last digits depend on what else was merged in the same go; the book's do not.
    numbers = {n: np.round(v, 9) for n, v in table.to_columns().items() if v.dtype.kind == "f"}
    table = table.with_columns(**{n: v for n, v in numbers.items() if n not in ("lon", "lat")})
    columns: dict[str, list[Any]] = dict(table_columns(table, leave_out=("sighting_ids",)))
    count = len(table)
    columns["private"] = [0] * count
    columns["visits"] = [0] * count
    for k in _spoken_of(connection, table):
        _user_has_it(connection, columns, k, table)
    at = [k for k in range(count) if fids[k] in new]
    old = [k for k in range(count) if fids[k] not in new]
    written = {
        "mark_id": columns["mark_id"],
        **{n: columns[n] for n in EDITABLE},
        "place": columns["geom"],
    }
    for name, source in (("marks", columns), ("marks_as_written", written)):
        if at:
            changes.insert_keyed(
                name,
                {
                    "fid": _range_or_list([fids[k] for k in at]),
                    **{n: [v[k] for k in at] for n, v in source.items()},
                },
            )
        if old:
            changes.update(
                name, [fids[k] for k in old], {n: [v[k] for k in old] for n, v in source.items()}
            )


def _spoken_of(connection: sqlite3.Connection, table: Marks) -> list[int]:
    """Return the rows of marks of which something was said, or that came private."""
    told = {
        resolve(connection, r[0])
        for r in connection.execute("SELECT mark_id FROM words UNION SELECT mark_id FROM visits")
    }
    rows = {k for k, i in enumerate(table.mark_id.tolist()) if i in told}
    private = {
        r[0]
        for r in connection.execute(
            "SELECT sighting_id FROM sightings INDEXED BY sightings_private "
            "WHERE instr(extra, '\"private\"')"
        )
    }
    if private:
        rows |= {
            k
            for k, ids in enumerate(table.sighting_ids.tolist())
            if not private.isdisjoint(ids.split())
        }
    return sorted(rows)


def _range_or_list(fids: Sequence[int]) -> Sequence[int]:
    if list(fids) == list(range(fids[0], fids[0] + len(fids))):
        return range(fids[0], fids[0] + len(fids))
    return fids


def _user_has_it(
    connection: sqlite3.Connection, columns: dict[str, list[Any]], k: int, table: Marks
) -> None:
    """Lay the user's words over one derived mark, and count the visits."""
    behind = ids_behind(connection, columns["mark_id"][k])
    said = what_was_said(connection, columns["mark_id"][k])
    if said.name is not None:
        columns["name"][k] = said.name or None
    if said.kind is not None:
        columns["kind"][k] = said.kind or None
    members = json.dumps(str(table.sighting_ids[k]).split())
    flagged = connection.execute(
        "SELECT sighting_id, hazard, extra FROM sightings WHERE sighting_id IN "
        "(SELECT value FROM json_each(?)) AND (hazard = 1 OR instr(extra, '\"private\"'))",
        (members,),
    ).fetchall()
    hazards = {i for i, hazard, _ in flagged if hazard} - said.past.get("hazard", set())
    hidden = {i for i, _, e in flagged if _seen_private(e)} - said.past.get("private", set())
    columns["hazard"][k] = int(bool(said.hazard) or bool(hazards))
    columns["private"][k] = int(bool(said.private) or bool(hidden))
    past = said.past.get("note", set())
    lines = [x for x in (columns["note"][k] or "").split("\n") if x and x not in past]
    lines = [line for note in said.notes for line in note.split("\n")] + lines
    columns["note"][k] = "\n".join(dict.fromkeys(lines)) or None
    columns["visits"][k] = connection.execute(
        "SELECT count(*) FROM visits WHERE mark_id IN (SELECT value FROM json_each(?))",
        (json.dumps(list(behind)),),
    ).fetchone()[0]


def _write_members(
    changes: Changes,
    merged: Merged,
    clusters: Mapping[int, Sequence[int]],
    again: set[int],
    keeps: Mapping[int, int],
    mark_before: Mapping[int, int],
    as_of: Mapping[int, tuple[int | None, int, float | None]],
    entries: Mapping[int, int],
    trip_of: Mapping[int, int | None],
    fids: Mapping[str, int],
) -> None:
    reach = reach_of(merged.sightings)
    reach_by = {
        fids[i]: r
        for i, r in zip(merged.sightings.sighting_id.tolist(), reach.tolist(), strict=True)
        if r > REACH_M
    }
    rows = []
    for r in sorted(again):
        for f in clusters[r]:
            here = as_of.get(f)
            trip = trip_of[f] if f in trip_of or here is None else here[0]
            if here != (trip, entries[f], reach_by.get(f)) or mark_before[f] != keeps[r]:
                rows.append((f, keeps[r], trip, reach_by.get(f), entries[f]))
    if not rows:
        return
    names = ("mark", "trip", "reach_m", "as_of")
    for keyed, some in (
        (True, [r for r in rows if r[0] not in as_of]),
        (False, [r for r in rows if r[0] in as_of]),
    ):
        if not some:
            continue
        some.sort()
        keys, *values = zip(*some, strict=True)
        columns = dict(zip(names, values, strict=True))
        if keyed:
            changes.insert_keyed("members", {"fid": _range_or_list(keys), **columns})
        else:
            changes.update("members", keys, columns)


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
            raise UsageError(f"there is no mark {mark_id!r}; athwart book marks lists them")
        out += [int(r[0]) for r in rows]
    return out


def put_back(changes: Changes, fids: Sequence[int]) -> None:
    """Write rows of marks again that were lost from the layer, from their own sightings alone.

    The sightings are taken as they were when they were merged, though a better fix may wait.

    Parameters
    ----------
    changes : Changes
        Never kept: what is put back is no change of the book.
    fids : sequence of int
        Keys of the marks.
    """
    connection = changes.connection
    trips = Trips(connection)
    shifts = trips.shifts()
    kept = ("mark_id", *EDITABLE)
    for fid in fids:
        row = connection.execute(
            f"SELECT {', '.join(kept)}, place FROM marks_as_written WHERE fid = ?", (fid,)
        ).fetchone()
        connection.execute("INSERT INTO marks (fid, geom) VALUES (?, ?)", (fid, row[-1]))
        sightings = _with_boats(connection, trips, _as_merged(connection, trips, fid))
        ids, names = sightings.sighting_id.tolist(), set(sightings.trip.tolist())
        merged = merge(
            sightings,
            rulings=Rulings(same=[(ids[0], i) for i in ids[1:]]),
            known=trips.known(),
            shift_trips={t: s for t, s in shifts.items() if t in names},
        )
        table = merged.marks.with_columns(mark_id=np.array([row[0]], dtype=object))
        rewrite(changes, table, [fid], new=set())
        for layer, place in (("marks", "geom"), ("marks_as_written", "place")):
            connection.execute(
                f"UPDATE {layer} SET {', '.join(f'{n} = ?' for n in kept)}, {place} = ? "
                "WHERE fid = ?",
                (*row, fid),
            )


def _as_merged(connection: sqlite3.Connection, trips: Trips, mark: int) -> Sightings:
    """Return the sightings of a mark as they were when they were merged last."""
    names = [*_MERGED, "time"]
    columns = ", ".join(f"s.{n}" for n in names)
    found = []
    for fid, as_of, trip in connection.execute(
        "SELECT fid, as_of, trip FROM members WHERE mark = ? ORDER BY fid", (mark,)
    ).fetchall():
        row = connection.execute(
            f"SELECT {columns} FROM sightings AS s WHERE s.fid = ?1 AND s.entry = ?2 UNION ALL "
            f"SELECT {columns} FROM earlier_fixes AS s WHERE s.sighting_id = "
            "(SELECT sighting_id FROM sightings WHERE fid = ?1) AND s.entry = ?2",
            (fid, as_of),
        ).fetchone()
        found.append((row, trip))
    sightings = table_of(Sightings, names, [r for r, _ in found])
    out = np.empty(len(found), dtype=object)
    out[:] = trips.names([t for _, t in found], sightings.sighting_id.tolist())
    return sightings.with_columns(trip=out)
