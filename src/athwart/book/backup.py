"""A copy of a book, taken while it is in use, whole and checked."""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from athwart.book.store import Store, check_beside, clear_leftovers, open_book
from athwart.errors import FileError
from athwart.formats.files import atomic_write

__all__ = ["back_up", "backup_name", "copy_aside"]


def backup_name(path: Path, moment: datetime | None = None) -> Path:
    """Return a free name for a backup beside the book: its own, with the day and the time.

    The clock may have been set back since the last one, or both may be of one second.
    """
    return _free(path, _dated(path, moment or datetime.now(UTC)))


def _dated(path: Path, moment: datetime) -> str:
    return f"{path.stem}-backup-{moment:%Y-%m-%d-%H%M%S}"


def _free(path: Path, stem: str) -> Path:
    """Return a name beside a book that no file has, numbered where need be."""
    target, number = path.with_name(f"{stem}{path.suffix}"), 1
    while os.path.lexists(target):
        number += 1
        target = path.with_name(f"{stem}-{number}{path.suffix}")
    return target


def back_up(path: Path, target: Path, *, overwrite: bool = False) -> Path:
    """Copy a book as it stands at one moment.

    Parameters
    ----------
    path : pathlib.Path
        The book.
    target : pathlib.Path
        Where the copy is to stand; written whole or not at all.
    overwrite : bool
        Replace a file that exists.

    Raises
    ------
    FileError
        The book cannot be read, the copy cannot be written, or it is not sound.
    """
    if target.suffix.lower() != ".gpkg":
        raise FileError(target.name, "a backup of a book must end in .gpkg")
    if target.exists() and path.exists() and target.samefile(path):
        raise FileError(target.name, "is the book itself; give the backup another name")
    with open_book(path) as store:
        _copy(store, target, overwrite=overwrite)
    return target


def copy_aside(store: Store, stem: str) -> Path:
    """Copy an open book beside itself, under a name that is free."""
    target = _free(store.path, stem)
    _copy(store, target)
    return target


def _copy(store: Store, target: Path, *, overwrite: bool = False) -> None:
    if target.parent.is_dir():
        check_beside(target.resolve())
    clear_leftovers(target.parent, _leftover(store.path, target))
    with atomic_write(target, overwrite=overwrite) as temporary, _sentences(target):
        copy = sqlite3.connect(temporary, isolation_level=None)
        try:
            # A transaction of our own first: waiting for another program is bounded by it.
            with store.sentences():
                store.connection.execute("BEGIN")
                try:
                    store.connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
                    store.connection.backup(copy)
                finally:
                    if store.connection.in_transaction:
                        store.connection.execute("ROLLBACK")
            copy.execute("PRAGMA journal_mode = DELETE")
            found = copy.execute("PRAGMA integrity_check").fetchall()
        finally:
            copy.close()
        if found != [("ok",)]:
            raise FileError(target.name, _DAMAGED)


_DAMAGED = "the book is damaged, so the copy was not kept; go back to an earlier backup"


@contextmanager
def _sentences(target: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise FileError(target.name, _DAMAGED) from error
        why = "the disk is full" if code == sqlite3.SQLITE_FULL else str(error)
        raise FileError(target.name, f"the copy could not be written: {why}") from error


def _leftover(path: Path, target: Path) -> str:
    """Return what folders are called that killed copies left: of this name, or of another time."""
    zero = f"{_dated(path, datetime(2000, 1, 1, tzinfo=UTC))}{path.suffix}"[:40]
    length = len(path.stem)
    dated = re.escape(zero[:length]) + re.sub("[0-9]", "[0-9]", re.escape(zero[length:]))
    return rf"\.(?:{dated}|{re.escape(target.name[:40])})\.[a-z0-9_]{{8}}"
