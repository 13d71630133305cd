"""A copy of a book, taken while it is in use, whole and checked."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from athwart.book.store import open_book
from athwart.errors import FileError
from athwart.formats.files import atomic_write

__all__ = ["back_up", "backup_name"]


def backup_name(path: Path, moment: datetime | None = None) -> Path:
    """Return the name of a backup beside the book: its own, with the day and the time."""
    moment = moment or datetime.now(UTC)
    return path.with_name(f"{path.stem}-backup-{moment:%Y-%m-%d-%H%M%S}{path.suffix}")


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
    with (
        open_book(path) as store,
        atomic_write(target, overwrite=overwrite) as temporary,
        store.sentences(),
    ):
        copy = sqlite3.connect(temporary)
        try:
            store.connection.backup(copy)
            found = copy.execute("PRAGMA integrity_check").fetchall()
        finally:
            copy.close()
        if found != [("ok",)]:
            raise FileError(target.name, "the copy is damaged, and was not kept")
    return target
