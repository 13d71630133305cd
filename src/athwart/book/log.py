"""The log: every change is one entry with its time, what it was, and from which file."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from athwart.book.changes import Changes, Step, next_key, now, steps_of
from athwart.errors import DataError, UsageError

__all__ = ["Entry", "entries", "entry_of", "new_entry", "way_back_of"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One change of the book.

    Parameters
    ----------
    number : int
        Counted from 1.
    time : str
        When, UTC.
    what : str
        ``add``, ``merge``, ``same``, ``apart``, ``edit``, ``visit``, ``export``, ``outside`` (an
        edit made in another program) or ``undo``.
    sentence : str
        What was done, for people.
    source : str
        File that it came from, or nothing.
    takes_back, taken_back_by : int
        Number of the other entry; 0 for none.
    """

    number: int
    time: str
    what: str
    sentence: str
    source: str
    takes_back: int
    taken_back_by: int


_COLUMNS = "fid, time, what, sentence, source, takes_back, taken_back_by"


def _entry(row: tuple[int, str, str, str | None, str | None, int | None, int | None]) -> Entry:
    number, time, what, sentence, source, takes_back, taken_back_by = row
    return Entry(
        number, time, what, sentence or "", source or "", takes_back or 0, taken_back_by or 0
    )


def entries(connection: sqlite3.Connection) -> list[Entry]:
    """Return the log, the first change first."""
    return [_entry(r) for r in connection.execute(f"SELECT {_COLUMNS} FROM log ORDER BY fid")]


def entry_of(connection: sqlite3.Connection, number: int) -> Entry:
    """Return one entry.

    Raises
    ------
    UsageError
        The log has no such number.
    """
    row = connection.execute(f"SELECT {_COLUMNS} FROM log WHERE fid = ?", (number,)).fetchone()
    if row is None:
        raise UsageError(
            f"the log has no entry {number}; give the number of one", code="log-entry-unknown"
        )
    return _entry(row)


def way_back_of(connection: sqlite3.Connection, number: int) -> list[Step]:
    """Return the steps that take an entry back, to be done in reverse order.

    Raises
    ------
    DataError
        What was kept of them is damaged.
    """
    row = connection.execute("SELECT way_back FROM log WHERE fid = ?", (number,)).fetchone()
    try:
        return steps_of(row[0])
    except (LookupError, TypeError, ValueError, zlib.error) as error:
        raise DataError(
            f"entry {number} of the log has lost its way back, the book is damaged there; go back "
            "to a backup, and keep this file"
        ) from error


@dataclass(slots=True)
class _Draft:
    changes: Changes
    sentence: str = ""


@contextmanager
def new_entry(
    connection: sqlite3.Connection, what: str, source: str = "", takes_back: int | None = None
) -> Iterator[_Draft]:
    """Make one change of the book; without a change there is no entry.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a writing transaction.
    what : str
        Sort of change, see `Entry`.
    source : str
        Name of the file that it came from.
    takes_back : int, optional
        Number of the entry that this one takes back.

    Yields
    ------
    draft
        Its ``changes`` are to be used for every change; its ``sentence`` is to be set.
    """
    number = next_key(connection, "log")
    draft = _Draft(Changes(connection, number))
    yield draft
    if not draft.changes:
        return
    connection.execute(
        "INSERT INTO log (fid, time, what, sentence, source, takes_back, way_back) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            number,
            now(),
            what,
            draft.sentence,
            source or None,
            takes_back,
            draft.changes.packed(),
        ),
    )
    if takes_back is not None:
        connection.execute("UPDATE log SET taken_back_by = ? WHERE fid = ?", (number, takes_back))
    draft.changes.touched.add("log")
    draft.changes.finish()
