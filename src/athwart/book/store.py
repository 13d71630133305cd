"""The door to the file of a book: opening, locking, and what goes wrong with files.

One writer at a time: a change begins by taking the write lock, waits a bounded time for another
writer, and is written whole or not at all (SQLite's rollback journal, which also survives a killed
program and a pulled plug). Readers go on reading the state before until the change is there.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from athwart.book import schema
from athwart.errors import DataError, FileError
from athwart.formats.files import flush_folder

__all__ = ["WAIT_S", "Store", "create", "is_book", "open_book"]

WAIT_S = 10.0
"""Seconds that a change waits for another program to finish with the book."""

_MAGIC = b"SQLite format 3\x00"


class Store:
    """An open book.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    connection : sqlite3.Connection
        In autocommit mode; `reading` and `writing` open the transactions.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, wait_s: float) -> None:
        self.path = path
        self.connection = connection
        self.wait_s = wait_s

    def close(self) -> None:
        """Let go of the file."""
        self.connection.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Read one state of the book, whatever a writer does meanwhile."""
        with self.sentences():
            self.connection.execute("BEGIN")
            try:
                self._check_schema()
                yield self.connection
            finally:
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Change the book, whole or not at all.

        Raises
        ------
        FileError
            Another program is writing, the file or its folder cannot be written, the disk is
            full. Nothing has changed then.
        """
        with self.sentences():
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                found = self._check_schema()
                if found < schema.VERSION:
                    schema.upgrade(self.connection, found)
                yield self.connection
                self.connection.execute("COMMIT")
            finally:
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")

    def _check_schema(self) -> int:
        row = self.connection.execute(
            "SELECT value FROM book_settings WHERE key = 'schema'"
        ).fetchone()
        if row is None or not str(row[0]).isdigit():
            raise FileError(self.path.name, "the book does not say which schema it has; run check")
        found = int(row[0])
        if found > schema.VERSION:
            raise FileError(
                self.path.name,
                f"the book was written by a newer athwart (schema {found}, this one knows "
                f"{schema.VERSION}); update athwart to use it",
            )
        return found

    @contextmanager
    def sentences(self) -> Iterator[None]:
        """Turn what SQLite raises into one sentence."""
        try:
            yield
        except sqlite3.Error as error:
            raise FileError(self.path.name, self._sentence(error)) from error

    def _sentence(self, error: sqlite3.Error) -> str:
        code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return (
                f"another program is using the book (waited {self.wait_s:g} s); nothing was "
                "changed, try again when it is done"
            )
        if code == sqlite3.SQLITE_FULL:
            return "the disk is full; nothing was changed, make room and try again"
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN):
            return "the book, or its folder, cannot be written to; nothing was changed"
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            return "the book is damaged; run athwart book check, and go back to a backup"
        if code == sqlite3.SQLITE_IOERR:
            return "the disk could not be read or written; nothing was changed"
        return f"the book could not be used ({error}); nothing was changed"


def is_book(path: Path) -> bool:
    """Tell whether a file is a book: a GeoPackage with the tables of one."""
    try:
        with path.open("rb") as handle:
            if handle.read(16) != _MAGIC:
                return False
        connection = sqlite3.connect(_uri(path, "ro"), uri=True)
    except (OSError, sqlite3.Error):
        return False
    try:
        connection.execute("PRAGMA busy_timeout = 5000")
        found = connection.execute(
            "SELECT count(*) FROM sqlite_master WHERE name IN ('book_settings', 'members', 'log')"
        ).fetchone()
        return bool(found[0] == 3)
    except sqlite3.Error:
        return False
    finally:
        connection.close()


def create(path: Path) -> None:
    """Make an empty book where no file stands; it appears whole.

    Raises
    ------
    FileError
        A file of that name exists, does not end in .gpkg, or the folder cannot be written.
    """
    if path.suffix.lower() != ".gpkg":
        raise FileError(path.name, "a book is a GeoPackage; its name must end in .gpkg")
    if not path.parent.is_dir():
        raise FileError(path.name, f"the folder {str(path.parent)!r} does not exist; make it first")
    if path.exists():
        raise FileError(path.name, "the file exists; give another name")
    try:
        with tempfile.TemporaryDirectory(prefix=f".{path.name[:40]}.", dir=path.parent) as folder:
            made = Path(folder) / path.name
            schema.create(made)
            with made.open("rb+") as handle:
                os.fsync(handle.fileno())
            try:
                os.link(made, path)  # never over a file that came up meanwhile
            except FileExistsError:
                raise FileError(path.name, "the file exists; give another name") from None
            except OSError:  # a file system without links
                made.replace(path)
            flush_folder(path.parent)
    except sqlite3.Error as error:
        raise FileError(path.name, f"the book could not be made ({error})") from error
    except OSError as error:
        raise FileError(
            path.name, f"the book could not be made ({(error.strerror or str(error)).lower()})"
        ) from error


def open_book(path: Path, *, write: bool = False, wait_s: float = WAIT_S) -> Store:
    """Open a book.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    write : bool
        Whether it will be changed.
    wait_s : float
        Seconds to wait for another program's lock.

    Raises
    ------
    FileError
        There is no such file, it is no book, or it cannot be opened.
    """
    if not path.is_file():
        raise FileError(path.name, "there is no such book; athwart book add makes one")
    if not is_book(path):
        raise FileError(path.name, "the file is not a book (a GeoPackage that athwart book made)")
    try:
        connection = sqlite3.connect(
            _uri(path, "rw" if write else "ro"), uri=True, timeout=wait_s, isolation_level=None
        )
        connection.execute("PRAGMA foreign_keys = ON")
        # Readers are only kept waiting while a change is flushed, not while it is made.
        connection.execute("PRAGMA cache_spill = OFF")
        if write:
            from fudgeo.extension.spatial import ST_FUNCS

            connection.execute("PRAGMA synchronous = EXTRA")
            for name, function in ST_FUNCS.items():
                connection.create_function(name, 1, function, deterministic=True)
    except sqlite3.Error as error:
        raise FileError(path.name, f"the book cannot be opened ({error})") from error
    except ImportError as error:  # pragma: no cover - a broken installation
        raise DataError(f"the book needs the package fudgeo ({error})") from error
    return Store(path, connection, wait_s)


def _uri(path: Path, mode: str) -> str:
    return f"{path.resolve().as_uri()}?mode={mode}"
