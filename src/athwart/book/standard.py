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
"""

from __future__ import annotations

import logging
import re
import sqlite3
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["gdal_says", "standard_faults"]

_APPLICATION_ID = 0x47504B47  # "GPKG"
_VERSIONS = (10200, 10499)
_CHUNK = 100_000
_MOST = 20  # sentences of one kind that SQLite itself may add

_Columns = dict[str, tuple[str, bool, int]]  # type, whether NOT NULL, place in the primary key
_SYSTEM: dict[str, _Columns] = {
    "gpkg_spatial_ref_sys": {
        "srs_name": ("TEXT", True, 0),
        "srs_id": ("INTEGER", True, 1),
        "organization": ("TEXT", True, 0),
        "organization_coordsys_id": ("INTEGER", True, 0),
        "definition": ("TEXT", True, 0),
        "description": ("TEXT", False, 0),
    },
    "gpkg_contents": {
        "table_name": ("TEXT", True, 1),
        "data_type": ("TEXT", True, 0),
        "identifier": ("TEXT", False, 0),
        "description": ("TEXT", False, 0),
        "last_change": ("DATETIME", True, 0),
        "min_x": ("DOUBLE", False, 0),
        "min_y": ("DOUBLE", False, 0),
        "max_x": ("DOUBLE", False, 0),
        "max_y": ("DOUBLE", False, 0),
        "srs_id": ("INTEGER", False, 0),
    },
    "gpkg_geometry_columns": {
        "table_name": ("TEXT", True, 1),
        "column_name": ("TEXT", True, 2),
        "geometry_type_name": ("TEXT", True, 0),
        "srs_id": ("INTEGER", True, 0),
        "z": ("TINYINT", True, 0),
        "m": ("TINYINT", True, 0),
    },
    "gpkg_extensions": {
        "table_name": ("TEXT", False, 0),
        "column_name": ("TEXT", False, 0),
        "extension_name": ("TEXT", True, 0),
        "definition": ("TEXT", True, 0),
        "scope": ("TEXT", True, 0),
    },
}
_CORE = {*_SYSTEM, "gpkg_tile_matrix", "gpkg_tile_matrix_set"}
_FOREIGN = {"gpkg_ogr_contents"}  # GDAL's own counts, registered nowhere by its custom

_REFERENCES = {-1: ("NONE", -1), 0: ("NONE", 0), 4326: ("EPSG", 4326)}

_SHAPES = (
    "GEOMETRY", "POINT", "LINESTRING", "POLYGON", "MULTIPOINT", "MULTILINESTRING", "MULTIPOLYGON",
    "GEOMETRYCOLLECTION", "CIRCULARSTRING", "COMPOUNDCURVE", "CURVEPOLYGON", "MULTICURVE",
    "MULTISURFACE", "CURVE", "SURFACE",
)  # fmt: skip
_PLAIN_SHAPES = 7
_KINDS_OF: dict[str, tuple[int, ...]] = {
    "GEOMETRY": tuple(range(1, 15)),
    "GEOMETRYCOLLECTION": (4, 5, 6, 7, 11, 12),
    "CURVEPOLYGON": (3, 10),
    "MULTICURVE": (5, 11),
    "MULTISURFACE": (6, 12),
    "CURVE": (2, 8, 9, 13),
    "SURFACE": (3, 10, 14),
}
_INTEGERS = {"TINYINT": 8, "SMALLINT": 16, "MEDIUMINT": 32, "INT": 64, "INTEGER": 64}
_REALS = ("FLOAT", "DOUBLE", "REAL")
_MOMENT = re.compile(
    r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?Z"
)
_ENVELOPE_NUMBERS = np.array([0, 4, 6, 6, 8])
_DIMENSIONS = {0: "is forbidden", 1: "must be there", 2: "may be there"}


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
        return _Check(connection).run()
    except (sqlite3.Error, UnicodeDecodeError) as error:
        if not _damage(error):
            raise
        return [f"the file cannot be read as a database ({error}) (GeoPackage: SQLite file)"]
    finally:
        if own and connection.in_transaction:
            connection.execute("ROLLBACK")
        connection.row_factory, connection.text_factory = factories


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
    with _heard(said, path, "the file"):
        layers = [(str(name), kind) for name, kind in pyogrio.list_layers(path)]
        for name, kind in layers:
            with _heard(said, path, f"the layer {name!r}"):
                info = pyogrio.read_info(path, layer=name, force_feature_count=True)
                pyogrio.raw.read(
                    path, layer=name, read_geometry=kind is not None, datetime_as_string=True
                )
                sql = f"SELECT count(*) AS n FROM {_q(name)}"
                there = int(pyogrio.raw.read(path, sql=sql, read_geometry=False)[3][0][0])
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


# -- the parts of a check ----------------------------------------------------------------------


@dataclass(slots=True)
class _Column:
    name: str
    type: str
    not_null: bool
    key: int


@dataclass(slots=True)
class _Layer:
    """A row of gpkg_geometry_columns whose table and column exist."""

    table: str
    column: str
    shape: str
    srs: Any
    z: Any
    m: Any
    key: str = ""
    ids: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    boxes: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 4)))
    read: bool = False


class _Tally:
    """Rows with the same fault, told in one sentence."""

    def __init__(self) -> None:
        self.found: dict[str, tuple[int, Any]] = {}

    def add(self, sentence: str, ids: NDArray[Any], wrong: NDArray[np.bool_]) -> None:
        count = int(np.count_nonzero(wrong))
        if count:
            before, first = self.found.get(sentence, (0, ids[int(np.argmax(wrong))]))
            self.found[sentence] = before + count, first

    def sentences(self, where: str) -> list[str]:
        return [f"{where}, {_rows(n, first)}: {text}" for text, (n, first) in self.found.items()]


def _rows(count: int, first: Any) -> str:
    return f"row {first}" if count == 1 else f"{count} rows, the first row {first}"


def _q(name: str) -> str:
    """Return a name as SQL has it."""
    return '"' + name.replace('"', '""') + '"'


class _Check:
    """One walk through a file."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection
        self.faults: list[str] = []
        self.objects: dict[str, tuple[str, str, str]] = {}  # lower name: name, type, SQL
        self.references: set[Any] = set()
        self.contents: dict[str, tuple[Any, ...]] = {}  # lower name: row of gpkg_contents
        self.extensions: list[tuple[Any, ...]] = []
        self.layers: list[_Layer] = []

    def run(self) -> list[str]:
        for name, kind, sql in self.ask(
            "SELECT name, type, sql FROM sqlite_master WHERE type IN ('table', 'view')"
        ):
            self.objects[str(name).lower()] = (str(name), str(kind), str(sql or ""))
        parts: tuple[tuple[str, Callable[[], None]], ...] = (
            ("the head of the file", self.check_head),
            ("the file's integrity", self.check_integrity),
            ("the tables of the standard", self.check_system),
            ("gpkg_spatial_ref_sys", self.check_references),
            ("gpkg_extensions", self.check_extensions),
            ("gpkg_contents", self.check_contents),
            ("gpkg_geometry_columns", self.check_geometry_columns),
            ("the columns of the tables", self.check_tables),
            ("the geometries", self.check_geometries),
            ("the bounding boxes", self.check_boxes),
            ("the spatial indexes", self.check_indexes),
            ("the list of tables", self.check_unlisted),
        )
        for what, part in parts:
            try:
                part()
            except (sqlite3.Error, UnicodeDecodeError) as error:
                if not _damage(error):
                    raise
                self.fault(f"{what} could not be checked to the end ({error})", "SQLite file")
        return self.faults

    # -- asking and telling --------------------------------------------------------------------

    def fault(self, sentence: str, rule: str) -> None:
        self.faults.append(f"{sentence} (GeoPackage: {rule})")

    def ask(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        with closing(self.connection.cursor()) as cursor:
            return cursor.execute(sql, values).fetchall()

    def columns(self, table: str) -> dict[str, _Column]:
        rows = self.ask(
            'SELECT name, type, "notnull", pk FROM pragma_table_info(?) ORDER BY cid', table
        )
        return {str(n).lower(): _Column(str(n), str(t), bool(no), int(pk)) for n, t, no, pk in rows}

    def rows_of(self, table: str) -> list[tuple[Any, ...]]:
        """Return a table of the standard's, nothing if it is missing; so is a missing column.

        The plus keeps a connection's converters of declared types away from the values.
        """
        if table not in self.objects:
            return []
        found = self.columns(table)
        wanted = ", ".join(
            f"{'+' + _q(c) if c in found else 'NULL'} AS {c}" for c in _SYSTEM[table]
        )
        return self.ask(f"SELECT {wanted} FROM {table}")

    def registered(self, table: str, column: str, name: str) -> bool:
        wanted = (table.lower(), column.lower(), name.lower())
        return any(
            (str(t).lower(), str(c).lower(), str(e).lower()) == wanted
            for t, c, e, _, _ in self.extensions
        )

    # -- the file ------------------------------------------------------------------------------

    def check_head(self) -> None:
        found = int(self.ask("PRAGMA application_id")[0][0])
        if found != _APPLICATION_ID:
            self.fault(
                f"the file calls itself {found & 0xFFFFFFFF:#010x} instead of GPKG "
                f"({_APPLICATION_ID:#x})",
                "application id",
            )
        version = int(self.ask("PRAGMA user_version")[0][0])
        if not _VERSIONS[0] <= version <= _VERSIONS[1]:
            self.fault(
                f"the file gives its version as {version}; versions 1.2 to 1.4 are 10200 to 10499",
                "user version",
            )

    def check_integrity(self) -> None:
        for (text,) in self.ask(f"PRAGMA integrity_check({_MOST})"):
            if text != "ok":
                self.fault(f"the file is damaged: {' '.join(str(text).split())}", "file integrity")
        broken: dict[tuple[str, str], list[Any]] = {}
        for table, row, parent, _ in self.ask("PRAGMA foreign_key_check"):
            broken.setdefault((str(table), str(parent)), []).append(row)
        for (table, parent), rows in broken.items():
            self.fault(
                f"{table}, {_rows(len(rows), rows[0])}: refers to a row of {parent} that is not "
                "there",
                "foreign keys",
            )

    def check_system(self) -> None:
        for table, wanted in _SYSTEM.items():
            if table not in self.objects:
                if table in ("gpkg_spatial_ref_sys", "gpkg_contents"):
                    self.fault(f"the table {table} is missing", table)
                continue
            found = self.columns(table)
            for name, (type_, not_null, key) in wanted.items():
                column = found.get(name)
                if column is None:
                    self.fault(f"{table}: the column {name} is missing", f"{table} columns")
                elif column.type.upper() != type_:
                    self.fault(
                        f"{table}: the column {name} is {column.type or 'of no type'}; it must be "
                        f"{type_}",
                        f"{table} columns",
                    )
                elif column.key != key:
                    self.fault(
                        f"{table}: the column {name} is "
                        f"{'not ' if key else ''}in the primary key; it must "
                        f"{'' if key else 'not '}be",
                        f"{table} columns",
                    )
                elif not_null and not column.not_null:
                    self.fault(
                        f"{table}: the column {name} may be empty; it must be NOT NULL",
                        f"{table} columns",
                    )

    def check_references(self) -> None:
        rows = {row[1]: row for row in self.rows_of("gpkg_spatial_ref_sys")}
        self.references = set(rows)
        for srs, (organization, number) in _REFERENCES.items():
            row = rows.get(srs)
            rule = "gpkg_spatial_ref_sys, records that must be there"
            if row is None:
                self.fault(f"gpkg_spatial_ref_sys: the row of srs_id {srs} is missing", rule)
                continue
            if (str(row[2]).upper(), row[3]) != (organization, number):
                self.fault(
                    f"gpkg_spatial_ref_sys, srs_id {srs}: it stands for {row[2]} {row[3]} instead "
                    f"of {organization} {number}",
                    rule,
                )
            elif srs < 1 and str(row[4]).lower() != "undefined":
                self.fault(
                    f"gpkg_spatial_ref_sys, srs_id {srs}: the definition must be 'undefined'", rule
                )
        for srs, row in rows.items():
            if srs not in (-1, 0) and (not str(row[4] or "").strip() or row[4] == "undefined"):
                self.fault(
                    f"gpkg_spatial_ref_sys, srs_id {srs}: there is no definition; it must be well-known text",
                    "gpkg_spatial_ref_sys definition",
                )

    # -- what the file lists -------------------------------------------------------------------

    def check_extensions(self) -> None:
        self.extensions = self.rows_of("gpkg_extensions")
        for table, column, name, definition, scope in self.extensions:
            where = f"gpkg_extensions, {name!r} of {table or 'the file'}"
            if not re.fullmatch(r"[A-Za-z0-9]+_[A-Za-z0-9_]+", str(name)):
                self.fault(
                    f"{where}: the extension's name must be an author and a name of letters, "
                    "digits and underscores, joined by an underscore",
                    "gpkg_extensions extension_name",
                )
            if scope not in ("read-write", "write-only"):
                self.fault(
                    f"{where}: the scope is {scope!r}; it must be 'read-write' or 'write-only'",
                    "gpkg_extensions scope",
                )
            elif name == "gpkg_rtree_index" and scope != "write-only":
                self.fault(
                    f"{where}: the scope of a spatial index must be 'write-only'",
                    "R-tree extension, gpkg_extensions rows",
                )
            if not str(definition or "").strip():
                self.fault(
                    f"{where}: there is no definition; it must say where the extension is "
                    "described",
                    "gpkg_extensions definition",
                )
            if table is None:
                if column is not None:
                    self.fault(
                        f"{where}: a column ({column}) without its table",
                        "gpkg_extensions column_name",
                    )
            elif str(table).lower() not in self.objects:
                self.fault(f"{where}: the table does not exist", "gpkg_extensions table_name")
            elif column is not None and str(column).lower() not in self.columns(str(table)):
                self.fault(
                    f"{where}: the table has no column {column}", "gpkg_extensions column_name"
                )

    def check_contents(self) -> None:
        for row in self.rows_of("gpkg_contents"):
            table, data_type, _, _, changed, *box, srs = row
            where = f"gpkg_contents, {table}"
            name = str(table)
            if name.lower() in self.contents:
                self.fault(f"{where}: the table is listed twice", "gpkg_contents table_name")
            self.contents[name.lower()] = row
            if not name.strip() or not name.isprintable():
                self.fault(
                    f"gpkg_contents, {name!r}: a table's name must be of characters that can be "
                    "seen",
                    "gpkg_contents table_name",
                )
            elif name.lower().startswith(("gpkg_", "gpkgext_", "sqlite_", "rtree_")):
                self.fault(
                    f"{where}: a user's table must not have a name of the standard's, of SQLite's "
                    "or of a spatial index",
                    "gpkg_contents table_name",
                )
            if name.lower() not in self.objects:
                self.fault(f"{where}: the table does not exist", "gpkg_contents table_name")
            if data_type not in ("features", "attributes", "tiles"):
                self.fault(
                    f"{where}: the data type is {data_type!r}; it must be features, attributes or "
                    "tiles",
                    "gpkg_contents data_type",
                )
            if not _is_moment(changed):
                self.fault(
                    f"{where}: the last change is {changed!r}; it must read like "
                    "2024-05-01T12:30:00.000Z",
                    "gpkg_contents last_change",
                )
            needed = srs is not None or data_type in ("features", "tiles")
            if needed and srs not in self.references:
                self.fault(
                    f"{where}: srs_id {srs} is not in gpkg_spatial_ref_sys", "gpkg_contents srs_id"
                )
            given = [v for v in box if v is not None]
            rule = "gpkg_contents bounding box"
            if given and (
                len(given) < 4
                or not all(isinstance(v, int | float) and np.isfinite(v) for v in given)
            ):
                self.fault(f"{where}: the bounding box is not four numbers", rule)
            elif given and (box[0] > box[2] or box[1] > box[3]):
                self.fault(f"{where}: the bounding box ends before it begins", rule)
        if any(row[1] == "tiles" for row in self.contents.values()):
            self.check_tiles()

    def check_tiles(self) -> None:
        known: set[str] = set()
        if "table_name" in self.columns("gpkg_tile_matrix_set"):
            known = {
                str(t).lower() for (t,) in self.ask("SELECT table_name FROM gpkg_tile_matrix_set")
            }
        for lower, row in self.contents.items():
            if row[1] == "tiles" and lower not in known:
                self.fault(
                    f"{row[0]}: a table of tiles without its row in gpkg_tile_matrix_set",
                    "gpkg_tile_matrix_set",
                )

    def check_geometry_columns(self) -> None:
        rows = self.rows_of("gpkg_geometry_columns")
        features = any(row[1] == "features" for row in self.contents.values())
        if features and "gpkg_geometry_columns" not in self.objects:
            self.fault("the table gpkg_geometry_columns is missing", "gpkg_geometry_columns")
        rule = "gpkg_geometry_columns"
        seen: list[str] = []
        for table, column, shape, srs, z, m in rows:
            where = f"{rule}, {table}"
            lower = str(table).lower()
            seen.append(lower)
            content = self.contents.get(lower)
            if content is None or content[1] != "features":
                self.fault(
                    f"{where}: gpkg_contents does not list it as features", f"{rule} table_name"
                )
            if seen.count(lower) == 2:
                self.fault(
                    f"{where}: more than one geometry column; a table has one", f"{rule} table_name"
                )
            if shape not in _SHAPES:
                self.fault(
                    f"{where}: {shape!r} is no geometry type; one is, in capitals, "
                    f"{', '.join(_SHAPES[:8])}",
                    f"{rule} geometry_type_name",
                )
            elif _SHAPES.index(shape) > _PLAIN_SHAPES and not self.registered(
                str(table), str(column), f"gpkg_geom_{shape}"
            ):
                self.fault(
                    f"{where}: {shape} needs the extension gpkg_geom_{shape}, which is not "
                    "registered",
                    f"{rule} geometry_type_name",
                )
            for name, value in (("z", z), ("m", m)):
                if value not in _DIMENSIONS:
                    self.fault(
                        f"{where}: {name} is {value!r}; it must be 0, 1 or 2", f"{rule} {name}"
                    )
            if srs not in self.references:
                self.fault(
                    f"{where}: srs_id {srs} is not in gpkg_spatial_ref_sys", f"{rule} srs_id"
                )
            if content is not None and content[9] != srs:
                self.fault(
                    f"{where}: srs_id {srs} is not that of gpkg_contents, {content[9]}",
                    f"{rule} srs_id",
                )
            if lower not in self.objects:
                continue
            if str(column).lower() not in self.columns(str(table)):
                self.fault(f"{where}: the table has no column {column}", f"{rule} column_name")
                continue
            self.layers.append(_Layer(str(table), str(column), str(shape), srs, z, m))
        for lower, row in self.contents.items():
            if row[1] == "features" and lower not in seen:
                self.fault(f"{rule}: the features of {row[0]} have no row", f"{rule} table_name")

    # -- the user's tables ---------------------------------------------------------------------

    def check_tables(self) -> None:
        layers = {layer.table.lower(): layer for layer in self.layers}
        for lower, row in self.contents.items():
            if lower not in self.objects or row[1] not in ("features", "attributes"):
                continue
            name, kind, sql = self.objects[lower]
            columns = list(self.columns(name).values())
            layer = layers.get(lower)
            keys = [c for c in columns if c.key]
            if kind == "view":
                key = columns[0].name
            elif (
                len(keys) == 1
                and keys[0].type.upper() == "INTEGER"
                and not re.search(r"WITHOUT\s+ROWID\W*$", sql, re.IGNORECASE)
            ):
                key = keys[0].name
            else:
                key = ""
                self.fault(
                    f"{name}: there is no INTEGER PRIMARY KEY; every table of {row[1]} must have "
                    "one",
                    f"{row[1]} table primary key",
                )
            if layer is not None:
                layer.key = key
            self.check_columns(name, kind, key, columns, layer)

    def check_columns(
        self, table: str, kind: str, key: str, columns: list[_Column], layer: _Layer | None
    ) -> None:
        tests: list[tuple[str, str, str]] = []  # name, SQL that is true where wrong, sentence
        for column in columns:
            rule = "table column data types"
            if not column.name.strip() or not column.name.isprintable():
                self.fault(
                    f"{table}: the name of the column {column.name!r} must be of characters that "
                    "can be seen",
                    "names of columns",
                )
            type_ = column.type.upper().strip()
            if layer is not None and column.name.lower() == layer.column.lower():
                if type_ != layer.shape and kind == "table":
                    self.fault(
                        f"{table}: the column {column.name} is declared {column.type or 'without a type'}, but "
                        f"gpkg_geometry_columns says {layer.shape}",
                        "geometry column type",
                    )
                continue
            if kind == "view" and not type_:
                continue
            if type_ in _SHAPES:
                self.fault(
                    f"{table}: the column {column.name} is {type_}; only features have a geometry, "
                    "and one",
                    "geometry columns",
                )
                continue
            test = _value_test(_q(column.name), type_)
            if test is None:
                self.fault(
                    f"{table}: the column {column.name} is {column.type or 'of no type'}, which "
                    "the standard does not know",
                    rule,
                )
                continue
            tests.append((column.name, *test))
        row_name = _q(key) if key else "NULL"
        for start in range(0, len(tests), 400):
            part = tests[start : start + 400]
            wanted = ", ".join(
                f"sum({sql}), min(CASE WHEN {sql} THEN {row_name} END)" for _, sql, _ in part
            )
            found = self.ask(f"SELECT {wanted} FROM {_q(table)}")[0]
            for i, (name, _, sentence) in enumerate(part):
                if found[2 * i]:
                    self.fault(
                        f"{table}, {_rows(found[2 * i], found[2 * i + 1])}: {name} {sentence}",
                        "table column data types",
                    )

    def check_geometries(self) -> None:
        for layer in self.layers:
            extended = any(
                str(t).lower() == layer.table.lower()
                and str(c).lower() == layer.column.lower()
                and str(e) != "gpkg_rtree_index"
                for t, c, e, _, _ in self.extensions
            )
            reader = _Geometries(layer, extended)
            key = f"+{_q(layer.key)}" if layer.key else "NULL"
            sql = f"SELECT {key} AS k, +{_q(layer.column)} AS g FROM {_q(layer.table)}"
            with closing(self.connection.cursor()) as cursor:
                cursor.execute(sql)
                while rows := cursor.fetchmany(_CHUNK):
                    reader.take(rows)
            self.faults += reader.tally.sentences(layer.table)
            layer.ids, layer.boxes, layer.read = reader.ids(), reader.boxes(), bool(layer.key)

    def check_boxes(self) -> None:
        for layer in self.layers:
            row = self.contents.get(layer.table.lower())
            good = layer.boxes[np.isfinite(layer.boxes).all(axis=1)]
            if row is None or not len(good):
                continue
            try:
                box = np.array(row[5:9], dtype=np.float64)
            except (TypeError, ValueError):
                continue
            if not np.isfinite(box).all():
                continue  # a box may be left out; a bad one was told
            slack = 1e-12 * np.maximum(np.abs(box), 1.0)
            outside = np.hstack([good[:, :2] < (box - slack)[:2], good[:, 2:] > (box + slack)[2:]])
            count = int(outside.any(axis=1).sum())
            if count:
                self.fault(
                    f"gpkg_contents, {layer.table}: the bounding box leaves out {count} "
                    f"feature{'s' if count > 1 else ''}",
                    "gpkg_contents bounding box",
                )

    # -- spatial indexes -----------------------------------------------------------------------

    def check_indexes(self) -> None:
        layers = {(la.table.lower(), la.column.lower()): la for la in self.layers}
        rule = "R-tree extension"
        indexed: set[str] = set()
        for table, column, name, _, _ in self.extensions:
            if str(name) != "gpkg_rtree_index":
                continue
            layer = layers.get((str(table).lower(), str(column).lower()))
            if layer is None:
                self.fault(
                    f"gpkg_extensions: a spatial index is registered for {table} ({column}), which "
                    "is no geometry column",
                    f"{rule}, gpkg_extensions rows",
                )
                continue
            index = f"rtree_{layer.table}_{layer.column}"
            indexed.add(index.lower())
            self.check_triggers(layer, index)
            sql = self.objects.get(index.lower(), ("", "", ""))[2]
            if not re.match(
                r"\s*CREATE\s+VIRTUAL\s+TABLE\b.*\bUSING\s+[\"'`\[]?rtree\b", sql, re.I | re.S
            ):
                self.fault(
                    f"{layer.table}: the registered spatial index {index} does not exist",
                    f"{rule}, table",
                )
                continue
            if list(self.columns(index)) != ["id", "minx", "maxx", "miny", "maxy"]:
                self.fault(
                    f"{index}: the columns must be id, minx, maxx, miny, maxy", f"{rule}, table"
                )
                continue
            if layer.read:
                self.check_index(layer, index)
        for layer in self.layers:
            index = f"rtree_{layer.table}_{layer.column}"
            if index.lower() in self.objects and index.lower() not in indexed:
                self.fault(
                    f"{index}: the spatial index is not registered in gpkg_extensions",
                    f"{rule}, gpkg_extensions rows",
                )

    def check_triggers(self, layer: _Layer, index: str) -> None:
        found = {
            str(name).lower()
            for name, table, sql in self.ask(
                "SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'"
            )
            if str(table).lower() == layer.table.lower()
            and index.lower() in str(sql).lower().replace(str(name).lower(), "")
        }
        wanted = (
            (("insert",),),
            (("update6", "update7"), ("update1",)),
            (("update2",),),
            (("update5",), ("update3",)),
            (("update4",),),
            (("delete",),),
        )
        for ways in wanted:
            missing = [
                [part for part in way if f"{index}_{part}".lower() not in found] for way in ways
            ]
            if all(missing):
                # Of two ways, the one that is begun; of none begun, the newer.
                begun = [len(m) < len(w) for m, w in zip(missing, ways, strict=True)]
                parts = missing[begun.index(True) if any(begun) else 0]
                names = [f"{index}_{part}" for part in parts]
                them = (
                    f"triggers {' and '.join(names)} are" if names[1:] else f"trigger {names[0]} is"
                )
                self.fault(
                    f"{layer.table}: its spatial index is not kept true; the {them} missing or "
                    "of no use to it",
                    "R-tree extension, triggers",
                )

    def check_index(self, layer: _Layer, index: str) -> None:
        rule = "R-tree extension, content"
        (word,) = self.ask("SELECT rtreecheck(?)", index)[0]
        if word != "ok":
            plain = "; ".join(str(word).splitlines()[:3])
            self.fault(f"{index}: the spatial index is damaged: {plain}", "R-tree extension, table")
        rows = self.ask(f"SELECT id, minx, miny, maxx, maxy FROM {_q(index)}")
        table = np.array(rows, dtype=np.float64).reshape(-1, 5)
        ids = np.fromiter((row[0] for row in rows), np.int64, len(rows))
        here, mine, theirs = np.intersect1d(layer.ids, ids, return_indices=True)
        tally = _Tally()
        tally.add(
            f"not in the spatial index {index} (GeoPackage: {rule})",
            layer.ids,
            ~np.isin(layer.ids, here),
        )
        tally.add(
            f"in the spatial index {index}, but there is no such feature with a place "
            f"(GeoPackage: {rule})",
            ids,
            ~np.isin(ids, here),
        )
        true, kept = layer.boxes[mine], table[theirs, 1:]
        # SQLite widens a box by some steps of a float32, and turns what is too small for one to 0.
        tiny = np.finfo(np.float32).tiny
        outward = (kept - true) * [-1, -1, 1, 1]
        right = (outward >= -tiny) & (outward <= 4 * np.finfo(np.float32).eps * np.abs(true) + tiny)
        wrong: NDArray[np.bool_] = ~np.all(right, axis=1) & np.all(np.isfinite(true), axis=1)
        tally.add(
            f"the spatial index {index} has another place for it (GeoPackage: {rule})", here, wrong
        )
        self.faults += tally.sentences(layer.table)

    # -- what the file does not list -----------------------------------------------------------

    def check_unlisted(self) -> None:
        extended = {str(t).lower() for t, *_ in self.extensions if t is not None}
        indexes = {
            lower
            for lower, (_, _, sql) in self.objects.items()
            if lower.startswith("rtree_") and re.search(r"\bUSING\s+[\"'`\[]?rtree\b", sql, re.I)
        }
        shadows = {f"{i}_{part}" for i in indexes for part in ("node", "rowid", "parent")}
        known = {*self.contents, *extended, *indexes, *shadows, *_CORE, *_FOREIGN}
        for lower, (name, kind, _) in self.objects.items():
            if kind == "view" or lower in known or lower.startswith("sqlite_"):
                continue
            if lower.startswith(("gpkg_", "gpkgext_")):
                self.fault(
                    f"{name}: the table belongs to an extension that gpkg_extensions does not name",
                    "gpkg_extensions table_name",
                )
            else:
                self.fault(
                    f"{name}: the table is not listed in gpkg_contents", "gpkg_contents table_name"
                )


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


def _is_moment(value: Any) -> bool:
    return isinstance(value, str) and _MOMENT.fullmatch(value) is not None


def _near(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell where two arrays are the same but for the last digits."""
    return np.asarray(np.isclose(a, b, rtol=1e-12, atol=1e-12, equal_nan=True))


def _value_test(name: str, type_: str) -> tuple[str, str] | None:
    """Return the SQL that is 1 where a value does not fit its column's type, and the sentence.

    Nothing is returned for a type that the standard does not know. A NULL fits every type.
    """
    size = re.fullmatch(r"(TEXT|BLOB)\s*\(\s*(\d+)\s*\)", type_)
    if type_ == "BOOLEAN":
        right, words = f"typeof({name}) = 'integer' AND {name} IN (0, 1)", "must be 0 or 1"
    elif type_ in _INTEGERS:
        right, words = f"typeof({name}) = 'integer'", "must be a whole number"
        bits = _INTEGERS[type_]
        if bits < 64:
            low, high = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
            right += f" AND {name} BETWEEN {low} AND {high}"
            words += f" from {low} to {high}"
    elif type_ in _REALS:
        right, words = f"typeof({name}) = 'real'", "must be a number"
    elif type_ in ("TEXT", "BLOB") or size:
        kind = (size[1] if size else type_).lower()
        right, words = (
            f"typeof({name}) = '{kind}'",
            f"must be {'a ' if kind == 'blob' else ''}{kind}",
        )
        if size:
            right += f" AND length({name}) <= {int(size[2])}"
            words += f" of {int(size[2])} {'bytes' if kind == 'blob' else 'characters'} at most"
    elif type_ == "DATE":
        right = (
            f"typeof({name}) = 'text' AND length({name}) = 10 AND date({name}, '+0 days') IS {name}"
        )
        words = "must be a date like 2024-05-01"
    elif type_ == "DATETIME":
        second, minute = "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%MZ"
        cut = f"substr({name}, 1, 19)"
        right = (
            f"typeof({name}) = 'text' AND CASE length({name}) "
            f"WHEN 17 THEN strftime('{minute}', {name}, '+0 days') IS {name} "
            f"WHEN 20 THEN strftime('{second}', {cut}, '+0 days') IS {cut} AND substr({name}, 20) = 'Z' "
            f"WHEN 24 THEN strftime('{second}', {cut}, '+0 days') IS {cut} "
            f"AND substr({name}, 20) GLOB '.[0-9][0-9][0-9]Z' ELSE 0 END"
        )
        words = "must be a time like 2024-05-01T12:30:00.000Z"
    else:
        return None
    return f"({name} IS NOT NULL AND NOT ({right}))", words


# -- geometries --------------------------------------------------------------------------------


class _Geometries:
    """The geometries of one column, a chunk of rows at a time."""

    def __init__(self, layer: _Layer, extended: bool) -> None:
        self.layer = layer
        self.extended = extended
        self.tally = _Tally()
        self._ids: list[NDArray[np.int64]] = []
        self._boxes: list[NDArray[np.float64]] = []
        self.taken = 0

    def ids(self) -> NDArray[np.int64]:
        """Return the row of each geometry that is not empty."""
        return np.concatenate([np.empty(0, np.int64), *self._ids])

    def boxes(self) -> NDArray[np.float64]:
        """Return their boxes, (n, 4): smallest x and y, largest x and y."""
        return np.concatenate([np.empty((0, 4)), *self._boxes])

    def wrong(
        self, sentence: str, rule: str, ids: NDArray[Any], where: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Tell the fault and return where it is not."""
        self.tally.add(f"{sentence} (GeoPackage: {rule})", ids, where)
        return ~where

    def take(self, rows: list[tuple[Any, Any]]) -> None:
        """Look at some rows: key and value."""
        import shapely

        count = len(rows)
        numbers: Iterable[Any] = (
            (row[0] for row in rows)
            if self.layer.key
            else range(self.taken + 1, self.taken + count + 1)
        )
        self.taken += count
        try:
            ids = np.fromiter(numbers, np.int64, count)
        except (TypeError, ValueError, OverflowError):  # the key of a view may be anything
            ids = np.arange(self.taken - count + 1, self.taken + 1)
        blobs = [row[1] for row in rows]
        there = np.fromiter((b is not None for b in blobs), np.bool_, count)
        binary = np.fromiter((isinstance(b, bytes) for b in blobs), np.bool_, count)
        name = self.layer.column
        rule = "geometry encoding"
        self.wrong(f"{name} is no geometry but text or a number", rule, ids, there & ~binary)
        ids, blobs = _kept(ids, blobs, binary)
        size = np.fromiter(map(len, blobs), np.int64, len(blobs))
        ok = self.wrong(f"{name} is too short for a geometry", rule, ids, size < 8)
        ids, blobs = _kept(ids, blobs, ok)
        if not blobs:
            return
        size = size[ok]
        data = np.frombuffer(b"".join(blobs), np.uint8)
        start = np.cumsum(size) - size
        ok = self.wrong(
            f"{name} does not begin with GP",
            f"{rule}, magic",
            ids,
            (data[start] != 0x47) | (data[start + 1] != 0x50),
        )
        version, flags = data[start + 2], data[start + 3]
        ok &= self.wrong(
            f"{name} is of an unknown version; it must be 0",
            f"{rule}, version",
            ids,
            ok & (version != 0),
        )
        contents = (flags >> 1) & 7
        ok &= self.wrong(
            f"{name} has flags that the standard keeps for later, or an unknown kind of envelope",
            f"{rule}, flags",
            ids,
            ok & ((flags >> 6 != 0) | (contents > 4)),
        )
        little = (flags & 1).astype(np.bool_)
        srs = _integers(data, start + 4, little).astype(np.int32)
        if isinstance(self.layer.srs, int):
            self.wrong(
                f"the srs_id in {name} is not that of the table, {self.layer.srs}",
                f"{rule}, srs_id",
                ids,
                ok & (srs != self.layer.srs),
            )
        other = (flags >> 5 & 1).astype(np.bool_)
        if not self.extended:
            self.wrong(
                f"{name} is marked as of an extended kind, but no such extension is registered",
                f"{rule}, flags",
                ids,
                ok & other,
            )
        ok &= ~other
        numbers_of = _ENVELOPE_NUMBERS[np.minimum(contents, 4)]
        head = 8 + 8 * numbers_of
        ok &= self.wrong(f"{name} is too short for a geometry", rule, ids, ok & (size < head + 5))
        keep = np.flatnonzero(ok)
        if not len(keep):
            return
        ids, start, size, head, flags = ids[keep], start[keep], size[keep], head[keep], flags[keep]
        contents, little = contents[keep], little[keep]
        blobs = blobs if len(keep) == len(blobs) else [blobs[i] for i in keep]

        kind, dims = self.kinds(ids, data, start + head)
        bodies = np.empty(len(blobs), dtype=object)
        bodies[:] = [blob[at:] for blob, at in zip(blobs, head.tolist(), strict=True)]
        shapes = np.asarray(shapely.from_wkb(bodies, on_invalid="ignore"))
        missing = np.asarray(shapely.is_missing(shapes))
        wkb = f"{rule}, well-known binary"
        self.wrong(
            f"the shape in {name} cannot be read", wkb, ids, missing & (kind >= 1) & (kind <= 7)
        )
        empty = np.asarray(shapely.is_empty(shapes))
        flagged = (flags >> 4 & 1).astype(np.bool_)
        self.wrong(
            f"the shape in {name} is empty but not marked so, or marked so and not empty",
            f"{rule}, empty flag",
            ids,
            ~missing & (empty != flagged),
        )
        boxes = np.asarray(shapely.bounds(shapes))
        solid = ~missing & ~empty
        self.wrong(
            f"the shape in {name} has a coordinate that is no finite number",
            wkb,
            ids,
            solid & ~np.isfinite(boxes).all(axis=1),
        )
        # Writers of an M, or of empty parts with a Z, differ in length; only sure cases are told.
        sure = np.flatnonzero(solid & (dims < 2) & ((kind <= 3) | (dims == 0)) & (kind <= 7))
        if len(sure):
            again = shapely.to_wkb(shapes[sure], flavor="iso", output_dimension=4)
            length = np.fromiter(map(len, np.atleast_1d(again)), np.int64, len(sure))
            longer = (size - head)[sure] > length
            self.wrong(
                f"there are more bytes in {name} than its shape needs", wkb, ids[sure], longer
            )
        self.envelopes(
            ids, data, start + 8, little, contents, shapes, boxes, solid & (kind <= 7), empty
        )
        self._ids.append(ids[solid])
        self._boxes.append(boxes[solid])

    def kinds(
        self, ids: NDArray[np.int64], data: NDArray[np.uint8], at: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return each shape's kind (0 unknown) and dimensions (0 none, 1 Z, 2 M, 3 both)."""
        name, rule = self.layer.column, "geometry encoding, well-known binary"
        order = data[at]
        known = self.wrong(
            f"the byte order of the shape in {name} is neither 0 nor 1", rule, ids, order > 1
        )
        code = _integers(data, at + 1, order == 1).astype(np.int64)
        kind, dims = code % 1000, code // 1000
        known &= self.wrong(
            f"the shape in {name} is of a kind that ISO well-known binary does not have",
            rule,
            ids,
            known & ((kind < 1) | (kind >= len(_SHAPES)) | (dims > 3)),
        )
        kind, dims = np.where(known, kind, 0), np.where(known, dims, 0)
        if self.layer.shape in _SHAPES:
            allowed = _KINDS_OF.get(self.layer.shape, (_SHAPES.index(self.layer.shape),))
            self.wrong(
                f"the shape in {name} is no {self.layer.shape}, which the table is declared to hold",
                "geometry type of the values",
                ids,
                known & ~np.isin(kind, allowed),
            )
        for letter, rule_of, has in (
            ("Z", self.layer.z, (dims & 1) == 1),
            ("M", self.layer.m, (dims & 2) == 2),
        ):
            if rule_of in (0, 1):
                self.wrong(
                    f"the shape in {name} has {'a' if rule_of == 0 else 'no'} {letter} value, "
                    f"which {_DIMENSIONS[rule_of]} (gpkg_geometry_columns)",
                    f"gpkg_geometry_columns {letter.lower()}",
                    ids,
                    known & (has == (rule_of == 0)),
                )
        return kind, dims

    def envelopes(
        self,
        ids: NDArray[np.int64],
        data: NDArray[np.uint8],
        at: NDArray[np.int64],
        little: NDArray[np.bool_],
        contents: NDArray[np.uint8],
        shapes: NDArray[Any],
        boxes: NDArray[np.float64],
        solid: NDArray[np.bool_],
        empty: NDArray[np.bool_],
    ) -> None:
        """Compare the envelopes with the shapes."""
        name, rule = self.layer.column, "geometry encoding, envelope"
        for code in range(1, 5):
            rows = np.flatnonzero((contents == code) & (solid | empty))
            if not len(rows):
                continue
            found = _floats(data, at[rows], little[rows], int(_ENVELOPE_NUMBERS[code]))
            self.wrong(
                f"the envelope in {name} of an empty shape has numbers",
                rule,
                ids[rows],
                empty[rows] & ~np.isnan(found).all(axis=1),
            )
            true = boxes[rows][:, [0, 2, 1, 3]]
            right = _near(found[:, :4], true).all(axis=1)
            if code in (2, 4):
                right &= _near(found[:, 4:6], _heights(shapes[rows])).all(axis=1)
            if code in (3, 4):  # not every shapely tells the M values
                right &= ~(found[:, -2] > found[:, -1])
            self.wrong(
                f"the envelope in {name} is not that of its shape",
                rule,
                ids[rows],
                solid[rows] & ~right,
            )


def _kept(
    ids: NDArray[np.int64], blobs: list[Any], keep: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], list[Any]]:
    if keep.all():
        return ids, blobs
    return ids[keep], [blobs[i] for i in np.flatnonzero(keep)]


def _integers(
    data: NDArray[np.uint8], at: NDArray[np.int64], little: NDArray[np.bool_]
) -> NDArray[np.uint32]:
    """Return the four-byte numbers at some places, each in its own byte order."""
    raw = np.ascontiguousarray(data[at[:, None] + np.arange(4)])
    return np.where(little, raw.view("<u4")[:, 0], raw.view(">u4")[:, 0]).astype(np.uint32)


def _floats(
    data: NDArray[np.uint8], at: NDArray[np.int64], little: NDArray[np.bool_], count: int
) -> NDArray[np.float64]:
    """Return ``count`` eight-byte numbers from each of some places, (n, count)."""
    raw = np.ascontiguousarray(data[at[:, None] + np.arange(8 * count)])
    return np.where(little[:, None], raw.view("<f8"), raw.view(">f8")).astype(np.float64)


def _heights(shapes: NDArray[Any]) -> NDArray[np.float64]:
    """Return the smallest and largest Z of each shape, (n, 2); NaN where there is none."""
    import shapely

    out = np.full((len(shapes), 2), np.nan)
    points, index = shapely.get_coordinates(shapes, include_z=True, return_index=True)
    if len(points):
        first = np.flatnonzero(np.diff(index, prepend=-1))
        out[index[first], 0] = np.fmin.reduceat(points[:, 2], first)
        out[index[first], 1] = np.fmax.reduceat(points[:, 2], first)
    return out
