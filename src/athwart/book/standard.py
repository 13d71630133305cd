"""Whether a file keeps the rules of the OGC GeoPackage Encoding Standard, versions 1.2 to 1.4.

The rules are written from memory of the standard; none of its pages was read for this module. So
a fault names a requirement by the table or the subject it is about, never by its number. Three
readings are wider than the letter or narrower than it:

- Trigger names of the R-tree are those of 1.4, or of 1.2 and 1.3 (``update1`` where 1.4 has
  ``update6`` and ``update7``, ``update3`` where it has ``update5``).
- ``last_change`` may have any number of decimals. A DATETIME of a user's table may have none or
  three, as GDAL warns of any other, and may leave the seconds out; it must end with Z, of which
  GDAL does not warn.
- A bounding box in ``gpkg_contents`` that leaves features out, and a table that the file does not
  list, are reported: the standard calls both informative, but programs lose sight of what is
  there.

Nothing is written, and every answer comes from one moment of the file.

The rules stand in ``standard_tables`` (what the standard lays down), ``standard_values`` (a user's
columns), ``standard_shapes`` and ``standard_index``; here is the order in which they are asked.
"""

from __future__ import annotations

import logging
import sqlite3
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from athwart.book.standard_index import check_indexes
from athwart.book.standard_package import Package, quoted
from athwart.book.standard_shapes import check_boxes, check_geometries
from athwart.book.standard_tables import (
    check_contents,
    check_extensions,
    check_geometry_columns,
    check_head,
    check_integrity,
    check_references,
    check_system,
    check_unlisted,
)
from athwart.book.standard_values import check_tables
from athwart.formats.files import gdal_source

__all__ = ["gdal_says", "standard_faults"]

_CHUNK = 100_000  # geometries held in memory at a time


def standard_faults(connection: sqlite3.Connection) -> list[str]:
    """Return what in a file breaks the rules of the GeoPackage standard.

    Parameters
    ----------
    connection : sqlite3.Connection
        An open file. It is only read; a read transaction is opened and closed where none is
        open, and the connection's factories are put back.

    Returns
    -------
    list of str
        One plain sentence a fault, ending with the requirement it breaks in brackets; empty
        where every rule is kept. A file too damaged to be read gives sentences, not an error.

    Raises
    ------
    sqlite3.Error
        What is no fault of the file: it is locked by another program or cannot be opened, or the
        connection is closed or was interrupted.
    """
    factories = connection.row_factory, connection.text_factory
    connection.row_factory = None
    connection.text_factory = lambda text: text.decode("utf-8", "replace")
    own = not connection.in_transaction
    try:
        if own:
            connection.execute("BEGIN")
        return _faults_of(connection)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        if not _damage(error):
            raise
        return [f"the file cannot be read as a database ({error}) (GeoPackage: SQLite file)"]
    finally:
        if own and connection.in_transaction:
            connection.execute("ROLLBACK")
        connection.row_factory, connection.text_factory = factories


def _faults_of(connection: sqlite3.Connection) -> list[str]:
    """Check the parts of a file in an order in which each finds what it goes by."""
    package = Package(connection)
    for name, kind, sql in package.ask(
        "SELECT name, type, sql FROM sqlite_master WHERE type IN ('table', 'view')"
    ):
        package.objects[str(name).lower()] = (str(name), str(kind), str(sql or ""))
    parts: tuple[tuple[str, Callable[[Package], None]], ...] = (
        ("the head of the file", check_head),
        ("the file's integrity", check_integrity),
        ("the tables of the standard", check_system),
        ("gpkg_spatial_ref_sys", check_references),
        ("gpkg_extensions", check_extensions),
        ("gpkg_contents", check_contents),
        ("gpkg_geometry_columns", check_geometry_columns),
        ("the columns of the tables", check_tables),
        ("the geometries", lambda p: check_geometries(p, _CHUNK)),
        ("the bounding boxes", check_boxes),
        ("the spatial indexes", check_indexes),
        ("the list of tables", check_unlisted),
    )
    for what, part in parts:
        try:
            part(package)
        except (sqlite3.Error, UnicodeDecodeError) as error:
            if not _damage(error):
                raise
            package.fault(f"{what} could not be checked to the end ({error})", "SQLite file")
    return package.faults


def _damage(error: Exception) -> bool:
    """Tell whether an error speaks of the file's content."""
    if isinstance(error, UnicodeDecodeError):  # SQLite's message quotes the damaged place
        return True
    elsewhere = (
        sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_INTERRUPT,
        sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_NOMEM,
    )  # fmt: skip
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF not in elsewhere


def gdal_says(path: Path) -> list[str]:
    """Return what GDAL warns of or refuses when it reads a file whole.

    Every layer is listed, described, counted and read. Nothing is printed.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    list of str
        One sentence a warning or error; empty where GDAL has nothing to say.
    """
    import pyogrio

    said: list[str] = []
    source = gdal_source(path)
    with _heard(said, path, "the file"):
        layers = [(str(name), kind) for name, kind in pyogrio.list_layers(source)]
        for name, kind in layers:
            with _heard(said, path, f"the layer {name!r}"):
                info = pyogrio.read_info(source, layer=name, force_feature_count=True)
                pyogrio.raw.read(
                    source, layer=name, read_geometry=kind is not None, datetime_as_string=True
                )
                sql = f"SELECT count(*) AS n FROM {quoted(name)}"
                there = int(pyogrio.raw.read(source, sql=sql, read_geometry=False)[3][0][0])
                if info["features"] != there:
                    said.append(
                        f"GDAL, of the layer {name!r}: it counts {info['features']} features, but "
                        f"there are {there}"
                    )
    return said


@contextmanager
def _heard(said: list[str], path: Path, what: str) -> Iterator[None]:
    """Add what is warned, logged or raised to a list."""
    heard: list[str] = []

    class Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            heard.append(record.getMessage())

    ear, logger = Ear(logging.WARNING), logging.getLogger("pyogrio")
    propagate = logger.propagate
    logger.addHandler(ear)
    logger.propagate = False
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                yield
            except Exception as error:  # whatever GDAL or its doors raise is a sentence
                heard.append(f"{error}")
        heard = [str(w.message) for w in caught] + heard
    finally:
        logger.propagate = propagate
        logger.removeHandler(ear)
    for words in dict.fromkeys(heard):
        plain = " ".join(words.replace(str(path), path.name).split())
        said.append(f"GDAL, of {what}: {plain}")
