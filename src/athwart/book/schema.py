"""What a book holds: its tables, their columns, and how an older book becomes a newer one.

The standard's own plumbing (contents, reference systems, spatial index and its triggers) is laid
by `fudgeo`; the tables here are ordinary GeoPackage features and attributes, so that any GIS
opens them.

Tables fall into four sorts:

- **seen**: ``files``, ``sightings``, ``earlier_fixes``, ``tracks``, ``routes``, ``shapes``,
  ``pictures``. Added to, never changed.
- **decided**: ``rulings``, ``words``, ``visits``, ``handed_over``. The user's own word.
- **concluded**: ``trips``, ``members``, ``marks``, ``marks_as_written``, ``retired``. Derived from
  the first two; `athwart.book.settling` alone writes them.
- **told**: ``log``, ``book_settings``.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

from athwart.tables import ColumnType, Marks, Sightings, Table

__all__ = ["DERIVED", "TABLES", "VERSION", "Layer", "columns_of", "empty_book", "upgrade"]

VERSION = 1
"""Number of the schema that this program writes."""

_SQL: dict[ColumnType, str] = {
    "float": "DOUBLE",
    "int": "INTEGER",
    "bool": "BOOLEAN",
    "text": "TEXT",
    "time": "DATETIME",
}


@dataclass(frozen=True, slots=True)
class Layer:
    """One table of the book.

    Parameters
    ----------
    name : str
        Table.
    about : str
        What it holds, for people who open it in a GIS.
    columns : tuple of (str, str)
        Name and GeoPackage type, without ``fid`` and geometry.
    shape : str
        ``POINT``, ``LINESTRING``, or nothing for a table of attributes.
    indexes : tuple of str
        Columns that rows are looked up by.
    """

    name: str
    about: str
    columns: tuple[tuple[str, str], ...]
    shape: str = ""
    indexes: tuple[str, ...] = ()


def _contract(cls: type[Table], leave_out: tuple[str, ...] = ()) -> tuple[tuple[str, str], ...]:
    """Return a table's columns; a time is kept to the millisecond for GIS and exactly beside it."""
    out: list[tuple[str, str]] = []
    for column in cls.columns():
        if column.name in ("lon", "lat", *leave_out):
            continue
        out.append((column.name, _SQL[column.type]))
        if column.type == "time":
            out.append((f"{column.name}_us", "INTEGER"))
    return tuple(out)


_ENTRY = ("entry", "INTEGER")
_SIGHTING = (
    *_contract(Sightings),
    ("extra", "TEXT"),
    ("revision", "INTEGER"),
    ("content", "TEXT"),
    ("file", "INTEGER"),
    _ENTRY,
)
_LINE = (
    ("line_id", "TEXT"),
    ("name", "TEXT"),
    ("first_time", "DATETIME"),
    ("last_time", "DATETIME"),
    ("points", "INTEGER"),
    ("first_point", "TEXT"),
    ("arrays", "BLOB"),
    ("source", "TEXT"),
    ("file", "INTEGER"),
    _ENTRY,
)

TABLES: tuple[Layer, ...] = (
    Layer(
        "sightings",
        "Every located look at one thing, as it was seen. Never changed.",
        _SIGHTING,
        "POINT",
        ("sighting_id", "entry"),
    ),
    Layer(
        "marks",
        "What sightings agree on. Name, kind, hazard, note and private may be edited here; "
        "everything else is derived.",
        (*_contract(Marks, ("sighting_ids",)), ("private", "BOOLEAN"), ("visits", "INTEGER")),
        "POINT",
        ("mark_id",),
    ),
    Layer("tracks", "Where the boat went: one line an unbroken piece.", _LINE, "LINESTRING"),
    Layer("routes", "Routes: one line each.", _LINE, "LINESTRING"),
    Layer(
        "shapes",
        "Lines and areas drawn on pictures: every corner placed like a pick. Never changed.",
        (
            ("shape_id", "TEXT"),
            ("name", "TEXT"),
            ("kind", "TEXT"),
            ("note", "TEXT"),
            ("private", "BOOLEAN"),
            ("r95_m", "DOUBLE"),
            ("corners", "TEXT"),
            ("time", "DATETIME"),
            ("time_us", "INTEGER"),
            ("source", "TEXT"),
            ("file", "INTEGER"),
            _ENTRY,
        ),
        "GEOMETRY",
        ("shape_id",),
    ),
    Layer(
        "earlier_fixes",
        "Fixes of sightings that a better one has taken the place of. Kept, not used.",
        _SIGHTING,
        "POINT",
        ("sighting_id", "entry"),
    ),
    Layer(
        "files",
        "Files that were added, as they were found.",
        (
            ("name", "TEXT"),
            ("sha256", "TEXT"),
            ("bytes", "INTEGER"),
            ("format", "TEXT"),
            ("added", "INTEGER"),
            ("known", "INTEGER"),
            _ENTRY,
        ),
        indexes=("sha256",),
    ),
    Layer(
        "pictures",
        "Pictures that picks and shapes were made on: which, and how their screen was laid out. "
        "The pictures themselves stay where they are.",
        (
            ("name", "TEXT"),
            ("sha256", "TEXT"),
            ("width_px", "INTEGER"),
            ("height_px", "INTEGER"),
            ("layout", "TEXT"),
            ("newest_time", "DATETIME"),
            ("newest_time_us", "INTEGER"),
            ("time_sigma_s", "DOUBLE"),
            ("bottom", "TEXT"),
            ("file", "INTEGER"),
            _ENTRY,
        ),
        indexes=("sha256",),
    ),
    Layer(
        "trips",
        "Outings, and how each was found to sit against the others.",
        (
            ("name", "TEXT"),
            ("given", "BOOLEAN"),
            ("first_us", "INTEGER"),
            ("last_us", "INTEGER"),
            ("sitting", "TEXT"),
            ("shift_east_m", "DOUBLE"),
            ("shift_north_m", "DOUBLE"),
        ),
        indexes=("name",),
    ),
    Layer(
        "members",
        "Which mark each sighting belongs to: fid is the sighting's, mark the mark's, trip the "
        "trip's, as_of the entry of the sighting that was merged; reach_m where it may be folded "
        "farther than usual.",
        (
            ("mark", "INTEGER"),
            ("trip", "INTEGER"),
            ("reach_m", "DOUBLE"),
            ("as_of", "INTEGER"),
        ),
        indexes=("mark", "trip", "reach_m"),
    ),
    Layer(
        "marks_as_written",
        "The editable columns of the marks as this program left them, to find edits made elsewhere.",
        (
            ("mark_id", "TEXT"),
            ("name", "TEXT"),
            ("kind", "TEXT"),
            ("hazard", "BOOLEAN"),
            ("note", "TEXT"),
            ("private", "BOOLEAN"),
            ("place", "BLOB"),
        ),
        indexes=("mark_id",),
    ),
    Layer(
        "retired",
        "Ids of marks that were folded into another.",
        (("mark_id", "TEXT"), ("folded_into", "TEXT"), _ENTRY),
        indexes=("mark_id", "folded_into"),
    ),
    Layer(
        "rulings",
        "Pairs of sightings that the user has ruled to be one thing, or different things.",
        (("what", "TEXT"), ("a", "TEXT"), ("b", "TEXT"), _ENTRY),
        indexes=("a", "b"),
    ),
    Layer(
        "words",
        "What the user said of a mark: one row a field, the latest holds.",
        (("mark_id", "TEXT"), ("field", "TEXT"), ("value", "TEXT"), _ENTRY),
        indexes=("mark_id",),
    ),
    Layer(
        "visits",
        "What happened at a mark.",
        (
            ("mark_id", "TEXT"),
            ("time", "DATETIME"),
            ("time_us", "INTEGER"),
            ("note", "TEXT"),
            ("result", "TEXT"),
            _ENTRY,
        ),
        indexes=("mark_id",),
    ),
    Layer(
        "handed_over",
        "What was written into files for plotters: the mark, and its name and place there.",
        (
            ("mark_id", "TEXT"),
            ("name", "TEXT"),
            ("lon", "DOUBLE"),
            ("lat", "DOUBLE"),
            ("file", "TEXT"),
            _ENTRY,
        ),
        indexes=("entry",),
    ),
    Layer(
        "log",
        "Every change, in order; fid is its number.",
        (
            ("time", "DATETIME"),
            ("what", "TEXT"),
            ("sentence", "TEXT"),
            ("source", "TEXT"),
            ("takes_back", "INTEGER"),
            ("taken_back_by", "INTEGER"),
            ("way_back", "BLOB"),
        ),
    ),
    Layer("book_settings", "Numbers of the book itself.", (("key", "TEXT"), ("value", "TEXT"))),
)

DERIVED = ("trips", "members", "marks", "marks_as_written", "retired")
"""Tables that follow from the others."""

_GUARDS = """
CREATE TRIGGER {0}_never_changed BEFORE UPDATE ON {0}
BEGIN SELECT RAISE(ABORT, 'sightings are never changed; add a better fix with athwart book add'); END;
CREATE TRIGGER {0}_never_deleted BEFORE DELETE ON {0}
BEGIN SELECT RAISE(ABORT, 'sightings are never deleted; take an addition back with athwart book undo'); END;
"""


_PRIVATE = (
    "CREATE INDEX sightings_private ON sightings (sighting_id) WHERE instr(extra, '\"private\"')"
)
"""The few sightings that came private are found without reading the others."""


@cache
def columns_of(table: str) -> tuple[str, ...]:
    """Return the names of a table's columns, the key and the geometry first."""
    layer = next(t for t in TABLES if t.name == table)
    first = ("fid", "geom") if layer.shape else ("fid",)
    return (*first, *(name for name, _ in layer.columns))


def empty_book() -> bytes:
    """Return the bytes of an empty book of the newest schema."""
    from fudgeo import Field, MemoryGeoPackage

    package = MemoryGeoPackage.create(flavor="EPSG")
    connection: sqlite3.Connection = package.connection
    try:
        wgs84 = package.spatial_references[4326]
        for layer in TABLES:
            fields = [Field(name, type_) for name, type_ in layer.columns]
            if layer.shape:
                package.create_feature_class(
                    layer.name,
                    wgs84,
                    shape_type=layer.shape,
                    fields=fields,
                    description=layer.about,
                    geom_name="geom",
                )
            else:
                package.create_table(layer.name, fields=fields, description=layer.about)
        with connection:
            for layer in TABLES:
                for column in layer.indexes:
                    connection.execute(
                        f"CREATE INDEX {layer.name}_{column} ON {layer.name} ({column})"
                    )
            connection.execute(
                "INSERT INTO book_settings (key, value) VALUES ('schema', ?)", (str(VERSION),)
            )
            connection.execute(
                "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ', 'now')"
            )
        connection.execute(_PRIVATE)
        connection.executescript(_GUARDS.format("sightings") + _GUARDS.format("earlier_fixes"))
        connection.commit()
        return connection.serialize()
    finally:
        connection.close()


def upgrade(connection: sqlite3.Connection, found: int) -> None:
    """Bring a book of an older schema to the newest, inside the caller's transaction.

    ``MIGRATIONS[n]`` takes a book from schema n to n + 1.
    """
    for number in range(found, VERSION):
        MIGRATIONS[number](connection)
    connection.execute("UPDATE book_settings SET value = ? WHERE key = 'schema'", (str(VERSION),))


MIGRATIONS: Mapping[int, Callable[[sqlite3.Connection], None]] = {}
