"""The door to the file of a book: opening, locking, and what goes wrong with files.

One writer at a time: a change begins by taking the write lock, waits a bounded time for another
writer, and is written whole or not at all (SQLite's rollback journal, which also survives a killed
program and a pulled plug). Readers go on reading the state before until the change is there.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import shutil
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from athwart.book import schema
from athwart.errors import DataError, FileError
from athwart.formats.files import flush_folder

__all__ = ["WAIT_S", "Store", "check_beside", "clear_leftovers", "create", "is_book", "open_book"]

WAIT_S = 10.0
"""Seconds that a change waits for another program to finish with the book. Readers wait twice as
long: a writer that gives up lets them in."""

_LOOK_AGAIN_S = 0.02
_MAGIC = b"SQLite format 3\x00"
_LEFTOVER_S = 60.0
"""A file in the making that nothing was written to for so long was left by a program that died."""
_NO_BOOK = "the file is not a book (a GeoPackage that athwart made)"


class Store:
    """An open book.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    connection : sqlite3.Connection
        In autocommit mode; `reading` and `writing` open the transactions.
    wait_s : float
        Seconds that it waits for other programs.
    write : bool
        Whether it was opened to be changed.

    Attributes
    ----------
    words : list of str
        What opening it did that the user should know.
    told : callable
        Hears in a few words what it is doing when that takes long; may be set.
    """

    def __init__(
        self, path: Path, connection: sqlite3.Connection, wait_s: float, *, write: bool = False
    ) -> None:
        self.path = path
        self.connection = connection
        self.wait_s = wait_s
        self.write = write
        self.words: list[str] = []
        self.told: Callable[[str], object] = lambda _: None
        self._stopped = False

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
            self._patiently("BEGIN IMMEDIATE")
            try:
                found = self._check_schema()
                if found < schema.VERSION:
                    schema.upgrade(self.connection, found)
                yield self.connection
                self._patiently("COMMIT")
            finally:
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")

    def _patiently(self, sql: str) -> None:
        """Do what must wait for others; unlike SQLite's own waiting, Ctrl-C ends it at once."""
        self.connection.execute("PRAGMA busy_timeout = 0")
        start, told = time.monotonic(), False
        try:
            while True:
                try:
                    self.connection.execute(sql)
                    break
                except sqlite3.OperationalError as error:
                    waited = time.monotonic() - start
                    if _code(error) != sqlite3.SQLITE_BUSY or waited >= self.wait_s:
                        raise
                    self.told(f"waiting for another program to finish with {self.path.name}")
                    time.sleep(min(_LOOK_AGAIN_S, self.wait_s - waited))
                    told = True
            if told:
                self.told(f"changing {self.path.name}")
        finally:
            self.connection.execute(f"PRAGMA busy_timeout = {int(self.wait_s * 1000)}")

    def _check_schema(self) -> int:
        row = self.connection.execute(
            "SELECT value FROM book_settings WHERE key = 'schema'"
        ).fetchone()
        if row is None or not str(row[0]).isdigit():
            raise FileError(
                self.path.name,
                "the book does not say which schema it has; it is damaged, go back to a backup",
            )
        found = int(row[0])
        if found > schema.VERSION:
            raise FileError(
                self.path.name,
                f"the book was written by a newer athwart (schema {found}, this one knows "
                f"{schema.VERSION}); update athwart to use it",
            )
        return found

    def function(self, call: Callable[[Any], Any]) -> Callable[[Any], Any]:
        """Return a function for SQLite that does not let it swallow Ctrl-C."""

        def called(value: Any) -> Any:
            try:
                return call(value)
            except KeyboardInterrupt:
                self._stopped = True
                raise

        return called

    @contextmanager
    def sentences(self) -> Iterator[None]:
        """Turn what SQLite raises, and what damaged rows do, into one sentence."""
        try:
            yield
        except sqlite3.Error as error:
            if self._stopped:
                raise KeyboardInterrupt from error
            raise FileError(self.path.name, self._sentence(error)) from error
        except (ArithmeticError, LookupError, OSError, TypeError, ValueError, zlib.error) as error:
            if self._is_damaged():
                raise FileError(self.path.name, _DAMAGED) from error
            raise

    def _is_damaged(self) -> bool:
        try:
            return bool(self.connection.execute("PRAGMA quick_check(1)").fetchall() != [("ok",)])
        except sqlite3.Error as error:
            return _code(error) in _DAMAGE
        except UnicodeDecodeError:  # a complaint of SQLite's with noise in it
            return True

    def _sentence(self, error: sqlite3.Error) -> str:
        code = _code(error)
        unchanged = "; nothing was changed" if self.write else ""
        again = f"{unchanged}, " if self.write else "; "
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return (
                f"another program is using the book (waited {self.wait_s:g} s){again}try again "
                "when it is done"
            )
        if code == sqlite3.SQLITE_FULL:
            return f"the disk is full{again}make room and try again"
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN):
            if self.write:
                return (
                    "the book, or its folder, cannot be written to; nothing was changed (copy the "
                    "book to where you may write)"
                )
            return (
                "a change of the book was cut off, and it can be read again only where you may "
                "write: copy it there, with the files beside it whose names begin with its name"
            )
        if code in _DAMAGE:
            return _DAMAGED
        if code == sqlite3.SQLITE_IOERR:
            return (
                "the disk could not be read or written (is it full, or was it taken out?)"
                f"{unchanged}"
            )
        if self._is_damaged():
            return _DAMAGED
        return f"the book could not be used ({error}){unchanged}"


_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_DAMAGED = (
    "the book is damaged; go back to a backup, and keep this file (a check of the book says what "
    "is wrong, where that can still be told)"
)


def _code(error: sqlite3.Error) -> int:
    return (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


class _NoBookError(FileError):
    pass


def is_book(path: Path) -> bool:
    """Tell whether a file is a book: a GeoPackage with the settings of one, sound or not."""
    try:
        _connect(path, False, WAIT_S).close()
    except _NoBookError:
        return False
    except FileError:  # damaged or kept by another program; opening it will say so
        try:
            with path.open("rb") as handle:
                return b"book_settings" in handle.read(_SEARCHED)
        except OSError:
            return False
    return True


_SEARCHED = 1 << 20


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
    if os.path.lexists(path):
        raise FileError(path.name, _STANDS)
    check_beside(path)
    start = f".{path.name[:40]}.making-"
    clear_leftovers(path.parent, re.escape(start) + "[0-9a-f]{8}")
    made = path.with_name(f"{start}{secrets.token_hex(4)}")
    try:
        try:
            with made.open("xb") as handle:
                handle.write(schema.empty_book())
                handle.flush()
                os.fsync(handle.fileno())
            _put(made, path)
        finally:
            made.unlink(missing_ok=True)
        flush_folder(path.parent)
    except sqlite3.Error as error:
        raise FileError(path.name, f"the book could not be made: {error}") from error
    except OSError as error:
        why = (
            "the disk is full; make room and try again"
            if error.errno in (errno.ENOSPC, errno.EDQUOT)
            else (error.strerror or str(error)).lower()
        )
        raise FileError(path.name, f"the book could not be made: {why}") from error


_STANDS = "the file exists; give another name"


def _put(made: Path, path: Path) -> None:
    """Give a file its name, never over a file that came up meanwhile."""
    try:
        os.link(made, path)
    except FileExistsError:
        raise FileError(path.name, _STANDS) from None
    except OSError:  # a file system without links
        if os.path.lexists(path):
            raise FileError(path.name, _STANDS) from None
        made.replace(path)


def check_beside(path: Path) -> None:
    """Make sure that no unfinished change of another file of that name would go into a new one.

    Raises
    ------
    FileError
        There is one. It may be what the other file needs to be put right, so it stays.
    """
    for end in ("-journal", "-wal"):
        left = path.with_name(f"{path.name}{end}")
        try:
            with left.open("rb") as handle:
                begun = any(handle.read(1))
            if not begun:  # nothing was in it yet
                left.unlink()
                continue
        except FileNotFoundError:
            continue
        except OSError as error:
            raise FileError(left.name, f"stands in the way of {path.name} ({error})") from error
        raise FileError(
            left.name,
            f"is the unfinished change of an earlier {path.name}; put the two together again, "
            "delete it if that book is gone for good, or give another name",
        )


def clear_leftovers(folder: Path, pattern: str) -> None:
    """Remove hidden files and folders that a killed program left in the making.

    Only what is called exactly as ``pattern`` (a regular expression) says and was not written to
    for a minute; what cannot be removed is left.
    """
    with suppress(OSError):
        for left in [p for p in folder.iterdir() if re.fullmatch(pattern, p.name)]:
            with suppress(OSError):
                parts = [left, *left.iterdir()] if left.is_dir() else [left]
                if time.time() - max(p.stat().st_mtime for p in parts) < _LEFTOVER_S:
                    continue
                if left.is_dir():
                    shutil.rmtree(left, ignore_errors=True)
                else:
                    left.unlink()


def open_book(path: Path, *, write: bool = False, wait_s: float | None = None) -> Store:
    """Open a book.

    A book of an older schema is brought up to date when it is opened for writing, and a copy of
    it as it was is kept beside it; for reading this is done in memory, and the file left alone.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    write : bool
        Whether it will be changed.
    wait_s : float, optional
        Seconds to wait for another program's lock, `WAIT_S` if not given; readers wait twice as
        long.

    Raises
    ------
    FileError
        There is no such file, it is no book, it is of a newer schema, or it cannot be opened.
    """
    store = _connect(path, write, WAIT_S if wait_s is None else wait_s)
    try:
        with store.reading():
            found = store._check_schema()
        if found < schema.VERSION:
            (_upgrade_file if write else _upgrade_in_memory)(store, found)
    except BaseException:
        store.close()
        raise
    return store


def _connect(path: Path, write: bool, wait_s: float) -> Store:
    """Open a file that is a book, of whatever schema."""
    try:
        if path.is_dir():
            raise FileError(path.name or str(path), "is a folder; give the name of a book")
        if not path.exists():
            raise FileError(path.name, "there is no such book", code="no-book")
        with path.open("rb") as handle:
            start = handle.read(len(_MAGIC))
    except (OSError, ValueError) as error:
        why = (getattr(error, "strerror", None) or str(error)).lower()
        raise FileError(path.name, f"the book cannot be read ({why})") from error
    if not start:
        raise _NoBookError(path.name, "the file is empty; it is no book")
    if start != _MAGIC:
        raise _NoBookError(path.name, _NO_BOOK)
    wait_s = wait_s if write else 2.0 * wait_s
    try:
        # Readers too may have to finish what a killed program left; they write nothing else.
        connection = sqlite3.connect(
            f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=wait_s, isolation_level=None
        )
    except sqlite3.Error as error:
        raise FileError(path.name, f"the book cannot be opened ({error})") from error
    store = Store(path, connection, wait_s, write=write)
    try:
        with store.sentences():
            known = connection.execute(
                "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'book_settings'"
            ).fetchone()
            if not known:
                raise _NoBookError(path.name, _NO_BOOK)
            connection.execute("PRAGMA foreign_keys = ON")
            # Readers are only kept waiting while a change is flushed, not while it is made.
            connection.execute("PRAGMA cache_spill = OFF")
            connection.execute("PRAGMA cache_size = -65536")  # 64 MiB: one change reads pages often
            if write:
                connection.execute("PRAGMA synchronous = EXTRA")
                _leave_wal(connection, wait_s)
                add_functions(store)
            else:
                connection.execute("PRAGMA query_only = ON")
    except BaseException:
        connection.close()
        raise
    return store


def add_functions(store: Store) -> None:
    """Give a connection the functions that the triggers of the spatial index call."""
    try:
        from fudgeo.extension.spatial import ST_FUNCS
    except ImportError as error:  # pragma: no cover - a broken installation
        raise DataError(f"the book needs the package fudgeo ({error})") from error
    for name, function in ST_FUNCS.items():
        store.connection.create_function(name, 1, store.function(function), deterministic=True)


def _leave_wal(connection: sqlite3.Connection, wait_s: float) -> None:
    """Bring a book that another program left with a write-ahead log back to one file.

    Where the other program still holds it open, the log stays, and works as well.
    """
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        return
    connection.execute("PRAGMA busy_timeout = 0")
    with suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute(f"PRAGMA busy_timeout = {int(wait_s * 1000)}")


def _upgrade_in_memory(store: Store, found: int) -> None:
    memory = sqlite3.connect(":memory:", isolation_level=None)
    try:
        with store.reading() as connection:
            connection.backup(memory)
        file, store.connection = store.connection, memory
        add_functions(store)
        with store.sentences():
            memory.execute("BEGIN")
            schema.upgrade(memory, found)
            memory.execute("COMMIT")
            memory.execute("PRAGMA query_only = ON")
    except BaseException:
        memory.close()
        raise
    file.close()


def _upgrade_file(store: Store, found: int) -> None:
    from athwart.book.backup import copy_aside

    kept = copy_aside(store, f"{store.path.stem}-schema-{found}")
    try:
        with store.writing():
            pass
    except BaseException:
        kept.unlink(missing_ok=True)
        raise
    store.words.append(
        f"the book was brought from schema {found} to {schema.VERSION}; as it was it is kept as "
        f"{kept.name}"
    )
