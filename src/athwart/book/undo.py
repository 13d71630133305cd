"""Taking changes back.

The last change that still stands is taken back exactly: every step that it made is undone in
reverse. An older one is taken back in what was seen and decided (the sightings of a file, a
ruling, a word), and the marks that this touches are settled anew from what is left, provided that
nothing later stands on it. Taking back is a change too, and can be taken back.
"""

from __future__ import annotations

import sqlite3
from typing import NoReturn

from athwart.book.changes import Changes, Step
from athwart.book.derive import derive
from athwart.book.keys import AMONG, fids_from, listed
from athwart.book.loading import members_of, touched_by
from athwart.book.log import Entry, entries, entry_of, new_entry, way_back_of
from athwart.book.outside import take_in_edits
from athwart.book.said import ids_behind
from athwart.book.schema import DERIVED
from athwart.book.store import Store
from athwart.book.trips import Trips
from athwart.errors import DataError, UsageError

__all__ = ["standing", "take_back"]


def standing(log: list[Entry]) -> list[int]:
    """Return the numbers of the changes that still stand, the first first; undoings are none."""
    by_number = {e.number: e for e in log}

    def stands(entry: Entry) -> bool:
        return not entry.taken_back_by or not stands(by_number[entry.taken_back_by])

    return [e.number for e in log if e.what != "undo" and stands(e)]


def take_back(store: Store, number: int | None = None) -> tuple[Entry, list[str]]:
    """Take one change back.

    Parameters
    ----------
    store : Store
        Opened for writing.
    number : int, optional
        Number of the entry in the log; the last change that stands if not given. The number of
        an undoing brings back what it took.

    Returns
    -------
    Entry
        What was taken back.
    list of str
        What the user should know.

    Raises
    ------
    UsageError
        There is nothing to take back, no such entry, or it does not stand any more.
    DataError
        Later changes stand on it; they are named.
    """
    with store.writing() as connection:
        words = take_in_edits(connection)
        log = entries(connection)
        stand = standing(log)
        if number is None:
            if not stand:
                raise UsageError("there is no change to take back")
            number = stand[-1]
        entry = entry_of(connection, number)
        by_number = {e.number: e for e in log}
        if entry.what == "undo":
            if entry.taken_back_by:
                raise UsageError(f"entry {number} was taken back already")
        elif number not in stand:
            raise UsageError(
                f"entry {number} was taken back already, by entry {by_number[number].taken_back_by}"
            )
        with new_entry(connection, "undo", takes_back=number) as draft:
            draft.sentence = f"took back entry {number} ({entry.what}): {entry.sentence}"
            steps = way_back_of(connection, number)
            if _nothing_since(log, number):
                draft.changes.apply(steps)
            else:
                after = [e.number for e in log if e.number > number]
                left = [n for n in after if not _cancelled(by_number[n], by_number, number)]
                words += _withdraw(draft.changes, entry, steps, left or after)
    return entry, words


def _nothing_since(log: list[Entry], number: int) -> bool:
    """Tell whether the book is exactly as an entry left it.

    Taking back the last change gives the state before it; everything else gives a state of its
    own.
    """
    before: dict[int, int] = {}
    after: dict[int, int] = {}
    state = 0
    for entry in log:
        before[entry.number] = state
        exact = entry.what == "undo" and after[entry.takes_back] == state
        state = before[entry.takes_back] if exact else entry.number
        after[entry.number] = state
    return after[number] == state


def _cancelled(entry: Entry, by_number: dict[int, Entry], floor: int) -> bool:
    """Tell whether an entry after ``floor`` leaves no trace: it and its undoing are both later."""
    if entry.what == "undo" and entry.takes_back > floor:
        return True
    back = by_number.get(entry.taken_back_by)
    return back is not None and not _cancelled_by_later(back, by_number)


def _cancelled_by_later(entry: Entry, by_number: dict[int, Entry]) -> bool:
    back = by_number.get(entry.taken_back_by)
    return back is not None and not _cancelled_by_later(back, by_number)


def _keys(steps: list[Step]) -> set[tuple[str, int]]:
    out: set[tuple[str, int]] = set()
    for what, table, columns, rows in steps:
        if table in DERIVED:
            continue
        if what == "delete" and columns == ["range"]:
            out |= {(table, f) for f in range(*rows[0])}
        elif what == "delete":
            out |= {(table, int(f)) for f in rows}
        elif what == "insert":
            at = columns.index("fid")
            out |= {(table, int(r[at])) for r in rows}
        else:
            out |= {(table, int(r[0])) for r in rows}
    return out


def _withdraw(changes: Changes, entry: Entry, steps: list[Step], later: list[int]) -> list[str]:
    connection = changes.connection
    own = [s for s in steps if s[1] not in DERIVED]
    if entry.what in ("undo", "merge") or not own:
        _refuse(entry, later, "it can be taken back only while it is the last change")
    keys = _keys(own)
    on_it = [n for n in later if not keys.isdisjoint(_keys(way_back_of(connection, n)))]
    if on_it:
        _refuse(entry, on_it, "they changed the same things")
    gone = sorted(f for t, f in keys if t == "sightings")
    ids = _sighting_ids(connection, gone)
    ruled = _later_on(connection, "rulings", ("a", "b"), ids, entry.number)
    if ruled:
        _refuse(entry, ruled, "they rule on its sightings")
    marks = _marks_hit(connection, own, gone)
    near = touched_by(connection, gone)
    changes.apply(own)
    left = _sighting_ids(connection, gone)
    lost = {f for f in gone if f not in left}
    changes.delete("members", _rows_in(connection, "members", sorted(lost)))
    again = [f for f in near if f not in lost]
    for mark in marks:
        rest = [
            int(r[0]) for r in connection.execute("SELECT fid FROM members WHERE mark = ?", (mark,))
        ]
        if rest:
            again += rest
            continue
        _drop_mark(changes, entry, mark)
    again += Trips(connection).settle(changes)
    if again:
        try:
            derive(changes, changed=again, take_in=False)
        except UsageError:
            ruled = [
                int(r[0])
                for r in connection.execute(
                    "SELECT DISTINCT entry FROM rulings WHERE entry > ? ORDER BY entry",
                    (entry.number,),
                )
            ]
            _refuse(entry, ruled or later, "they rule otherwise")
    again_in = [
        f"{name} (entry {number})"
        for name, number in connection.execute(
            "SELECT name, entry FROM files WHERE entry > ? AND known > 0 ORDER BY fid",
            (entry.number,),
        )
    ]
    if lost and again_in:
        return [
            f"sightings that were taken back may stand in {', '.join(again_in[:5])} too, which "
            "was added later; add it again to have those"
        ]
    return []


def _drop_mark(changes: Changes, entry: Entry, mark: int) -> None:
    """Delete a mark without sightings, unless something was said of it later."""
    connection = changes.connection
    mark_id = connection.execute("SELECT mark_id FROM marks WHERE fid = ?", (mark,)).fetchone()[0]
    behind = dict(enumerate(ids_behind(connection, mark_id)))
    said = [
        n
        for table in ("words", "visits")
        for n in _later_on(connection, table, ("mark_id",), behind, entry.number)
    ]
    if said:
        _refuse(entry, sorted(set(said)), f"they are about the mark {mark_id}, made of it alone")
    for table in ("words", "visits", "retired"):
        sql = f"SELECT fid FROM {table} WHERE mark_id IN {AMONG}"
        changes.delete(table, fids_from(connection, sql, behind.values()))
    changes.delete("marks", [mark])
    changes.delete("marks_as_written", [mark])


def _refuse(entry: Entry, later: list[int], why: str) -> NoReturn:
    numbers = ", ".join(map(str, later[:8])) + (", ..." if len(later) > 8 else "")
    raise DataError(
        f"entry {entry.number} ({entry.what}) cannot be taken back before "
        f"{'entries' if len(later) > 1 else 'entry'} {numbers}: {why}"
    )


def _sighting_ids(connection: sqlite3.Connection, fids: list[int]) -> dict[int, str]:
    return {
        int(f): i
        for f, i in connection.execute(
            f"SELECT fid, sighting_id FROM sightings WHERE fid IN {AMONG}",
            (listed(fids),),
        )
    }


def _rows_in(connection: sqlite3.Connection, table: str, fids: list[int]) -> list[int]:
    return fids_from(connection, f"SELECT fid FROM {table} WHERE fid IN {AMONG}", fids)


def _later_on(
    connection: sqlite3.Connection,
    table: str,
    columns: tuple[str, ...],
    ids: dict[int, str],
    number: int,
) -> list[int]:
    """Return entries after a number whose rows name one of some ids."""
    if not ids:
        return []
    named = " OR ".join(f"{c} IN {AMONG}" for c in columns)
    return [
        int(r[0])
        for r in connection.execute(
            f"SELECT DISTINCT entry FROM {table} WHERE entry > ?2 AND ({named}) ORDER BY entry",
            (listed(ids.values()), number),
        )
    ]


def _marks_hit(connection: sqlite3.Connection, steps: list[Step], gone: list[int]) -> list[int]:
    """Return the keys of the marks that taking steps back will touch."""
    marks = set(
        fids_from(connection, f"SELECT DISTINCT mark FROM members WHERE fid IN {AMONG}", gone)
    )
    ids: set[str] = set()
    said: set[str] = set()
    for what, table, columns, rows in steps:
        if table == "rulings" and what == "insert":
            at = [columns.index("a"), columns.index("b")]
            ids |= {str(r[k]) for r in rows for k in at}
        elif table in ("rulings", "words", "visits") and what == "delete":
            fids = list(range(*rows[0])) if columns == ["range"] else rows
            names = "a, b" if table == "rulings" else "mark_id, mark_id"
            found = connection.execute(
                f"SELECT {names} FROM {table} WHERE fid IN {AMONG}",
                (listed(fids),),
            ).fetchall()
            (ids if table == "rulings" else said).update(str(v) for r in found for v in r)
    if ids:
        sql = (
            "SELECT DISTINCT m.mark FROM members AS m JOIN sightings AS s ON s.fid = m.fid "
            f"WHERE s.sighting_id IN {AMONG}"
        )
        marks |= set(fids_from(connection, sql, sorted(ids)))
    for mark_id in sorted(said):
        try:
            first = members_of(connection, [mark_id])[0]
        except UsageError:
            continue
        row = connection.execute("SELECT mark FROM members WHERE fid = ?", (first,)).fetchone()
        marks.add(int(row[0]))
    return sorted(marks)
