"""Writing what a merge gave: which mark carries on which, what it is called, and who belongs to it.

A mark keeps its id for as long as any of its sightings is in a mark, and what the user said of it
goes with the id. Where marks fold into one, the others' ids are retired and lead to it; where one
parts, the part with most of its sightings keeps the id. Marks whose sightings are the same as
before are not written again.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

import numpy as np

from athwart.book.changes import Changes
from athwart.book.keys import AMONG, fids_from, listed
from athwart.book.loading import MERGED, with_boats
from athwart.book.rows import table_columns, table_of
from athwart.book.said import (
    EDITABLE,
    ids_behind,
    lay_words,
    rows_spoken_of,
    what_was_said,
)
from athwart.book.schema import columns_of
from athwart.book.trips import Trips
from athwart.merge import REACH_M, Merged, Rulings, merge, reach_of
from athwart.tables import Marks, Sightings

__all__ = ["Derived", "put_back", "rewrite", "settle"]

_SIGHTING = columns_of("sightings")


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


def settle(
    changes: Changes,
    out: Derived,
    merged: Merged,
    fids: Mapping[str, int],
    entries: Mapping[int, int],
    trip_of: Mapping[int, int | None],
    inside: set[int],
    forced: set[int],
) -> None:
    """Lay merged marks against those of the book, and write what differs.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    out : Derived
        Told what came of it.
    merged : Merged
        The merge of the neighbourhood, perhaps with witnesses about it.
    fids : mapping of str to int
        Key of each sighting by id.
    entries : mapping of int to int
        Entry of each sighting by key.
    trip_of : mapping of int to (int or None)
        Trip of the sightings that got one now; the others keep theirs.
    inside : set of int
        Keys of the neighbourhood; marks with a sighting outside are passed over.
    forced : set of int
        Keys of sightings whose marks are written in any case.
    """
    connection = changes.connection
    keys = listed(sorted(inside))
    before: dict[int, set[int]] = {}
    as_of: dict[int, tuple[int | None, int, float | None]] = {}
    for fid, mark, trip, reach, entry in connection.execute(
        f"SELECT fid, mark, trip, reach_m, as_of FROM members WHERE fid IN {AMONG}",
        (keys,),
    ):
        before.setdefault(int(mark), set()).add(int(fid))
        as_of[int(fid)] = (trip, entry, reach)
    old_id = {
        int(f): i
        for f, i in connection.execute(
            f"SELECT fid, mark_id FROM marks WHERE fid IN {AMONG}",
            (listed(sorted(before)),),
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
    back = fids_from(connection, f"SELECT fid FROM retired WHERE mark_id IN {AMONG}", ids.values())
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
    asked = listed(sorted({i for ids in members for i in ids}))
    used, before = (
        {
            r[0]
            for r in connection.execute(
                f"SELECT mark_id FROM {table} WHERE mark_id IN {AMONG}",
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
    for k in rows_spoken_of(connection, table):
        lay_words(connection, columns, k, table)
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
                    "fid": [fids[k] for k in at],
                    **{n: [v[k] for k in at] for n, v in source.items()},
                },
            )
        if old:
            changes.update(
                name, [fids[k] for k in old], {n: [v[k] for k in old] for n, v in source.items()}
            )


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
            changes.insert_keyed("members", {"fid": keys, **columns})
        else:
            changes.update("members", keys, columns)


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
        sightings = with_boats(connection, trips, _as_merged(connection, trips, fid))
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
    names = [*MERGED, "time"]
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
