"""The tables that the GeoPackage standard lays down: the head of the file and what it lists."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from athwart.book.standard_package import DIMENSIONS, SHAPES, Layer, Package, quoted, rows_words

__all__ = [
    "check_contents",
    "check_extensions",
    "check_geometry_columns",
    "check_head",
    "check_integrity",
    "check_references",
    "check_system",
    "check_unlisted",
]

_APPLICATION_ID = 0x47504B47  # "GPKG"
_VERSIONS = (10200, 10499)
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

_PLAIN_SHAPES = 7
_MOMENT = re.compile(
    r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?Z"
)


# -- the file ----------------------------------------------------------------------------------


def check_head(package: Package) -> None:
    """Check what the file calls itself, and its version."""
    found = int(package.ask("PRAGMA application_id")[0][0])
    if found != _APPLICATION_ID:
        package.fault(
            f"the file calls itself {found & 0xFFFFFFFF:#010x} instead of GPKG "
            f"({_APPLICATION_ID:#x})",
            "application id",
        )
    version = int(package.ask("PRAGMA user_version")[0][0])
    if not _VERSIONS[0] <= version <= _VERSIONS[1]:
        package.fault(
            f"the file gives its version as {version}; versions 1.2 to 1.4 are 10200 to 10499",
            "user version",
        )


def check_integrity(package: Package) -> None:
    """Check the file and its references by SQLite's own means."""
    for (text,) in package.ask(f"PRAGMA integrity_check({_MOST})"):
        if text != "ok":
            package.fault(f"the file is damaged: {' '.join(str(text).split())}", "file integrity")
    broken: dict[tuple[str, str], list[Any]] = {}
    for table, row, parent, _ in package.ask("PRAGMA foreign_key_check"):
        broken.setdefault((str(table), str(parent)), []).append(row)
    for (table, parent), rows in broken.items():
        package.fault(
            f"{table}, {rows_words(len(rows), rows[0])}: refers to a row of {parent} that is not "
            "there",
            "foreign keys",
        )


def check_system(package: Package) -> None:
    """Check that the tables of the standard are there, with their columns."""
    for table, wanted in _SYSTEM.items():
        if table not in package.objects:
            if table in ("gpkg_spatial_ref_sys", "gpkg_contents"):
                package.fault(f"the table {table} is missing", table)
            continue
        found = package.columns(table)
        for name, (type_, not_null, key) in wanted.items():
            column = found.get(name)
            if column is None:
                package.fault(f"{table}: the column {name} is missing", f"{table} columns")
            elif column.type.upper() != type_:
                package.fault(
                    f"{table}: the column {name} is {column.type or 'of no type'}; it must be "
                    f"{type_}",
                    f"{table} columns",
                )
            elif column.key != key:
                package.fault(
                    f"{table}: the column {name} is "
                    f"{'not ' if key else ''}in the primary key; it must "
                    f"{'' if key else 'not '}be",
                    f"{table} columns",
                )
            elif not_null and not column.not_null:
                package.fault(
                    f"{table}: the column {name} may be empty; it must be NOT NULL",
                    f"{table} columns",
                )


def check_references(package: Package) -> None:
    """Check the reference systems; their numbers are kept for later parts."""
    rows = {row[1]: row for row in _rows_of(package, "gpkg_spatial_ref_sys")}
    package.references = set(rows)
    for srs, (organization, number) in _REFERENCES.items():
        row = rows.get(srs)
        rule = "gpkg_spatial_ref_sys, records that must be there"
        if row is None:
            package.fault(f"gpkg_spatial_ref_sys: the row of srs_id {srs} is missing", rule)
            continue
        if (str(row[2]).upper(), row[3]) != (organization, number):
            package.fault(
                f"gpkg_spatial_ref_sys, srs_id {srs}: it stands for {row[2]} {row[3]} instead "
                f"of {organization} {number}",
                rule,
            )
        elif srs < 1 and str(row[4]).lower() != "undefined":
            package.fault(
                f"gpkg_spatial_ref_sys, srs_id {srs}: the definition must be 'undefined'", rule
            )
    for srs, row in rows.items():
        if srs not in (-1, 0) and (not str(row[4] or "").strip() or row[4] == "undefined"):
            package.fault(
                f"gpkg_spatial_ref_sys, srs_id {srs}: there is no definition; it must be well-known text",
                "gpkg_spatial_ref_sys definition",
            )


# -- what the file lists -----------------------------------------------------------------------


def check_extensions(package: Package) -> None:
    """Check what the file says it is extended by; kept for later parts."""
    package.extensions = _rows_of(package, "gpkg_extensions")
    for table, column, name, definition, scope in package.extensions:
        where = f"gpkg_extensions, {name!r} of {table or 'the file'}"
        if not re.fullmatch(r"[A-Za-z0-9]+_[A-Za-z0-9_]+", str(name)):
            package.fault(
                f"{where}: the extension's name must be an author and a name of letters, "
                "digits and underscores, joined by an underscore",
                "gpkg_extensions extension_name",
            )
        if scope not in ("read-write", "write-only"):
            package.fault(
                f"{where}: the scope is {scope!r}; it must be 'read-write' or 'write-only'",
                "gpkg_extensions scope",
            )
        elif name == "gpkg_rtree_index" and scope != "write-only":
            package.fault(
                f"{where}: the scope of a spatial index must be 'write-only'",
                "R-tree extension, gpkg_extensions rows",
            )
        if not str(definition or "").strip():
            package.fault(
                f"{where}: there is no definition; it must say where the extension is described",
                "gpkg_extensions definition",
            )
        if table is None:
            if column is not None:
                package.fault(
                    f"{where}: a column ({column}) without its table",
                    "gpkg_extensions column_name",
                )
        elif str(table).lower() not in package.objects:
            package.fault(f"{where}: the table does not exist", "gpkg_extensions table_name")
        elif column is not None and str(column).lower() not in package.columns(str(table)):
            package.fault(
                f"{where}: the table has no column {column}", "gpkg_extensions column_name"
            )


def check_contents(package: Package) -> None:
    """Check the list of tables; kept for later parts."""
    for row in _rows_of(package, "gpkg_contents"):
        table, data_type, _, _, changed, *box, srs = row
        where = f"gpkg_contents, {table}"
        name = str(table)
        if name.lower() in package.contents:
            package.fault(f"{where}: the table is listed twice", "gpkg_contents table_name")
        package.contents[name.lower()] = row
        if not name.strip() or not name.isprintable():
            package.fault(
                f"gpkg_contents, {name!r}: a table's name must be of characters that can be seen",
                "gpkg_contents table_name",
            )
        elif name.lower().startswith(("gpkg_", "gpkgext_", "sqlite_", "rtree_")):
            package.fault(
                f"{where}: a user's table must not have a name of the standard's, of SQLite's "
                "or of a spatial index",
                "gpkg_contents table_name",
            )
        if name.lower() not in package.objects:
            package.fault(f"{where}: the table does not exist", "gpkg_contents table_name")
        if data_type not in ("features", "attributes", "tiles"):
            package.fault(
                f"{where}: the data type is {data_type!r}; it must be features, attributes or "
                "tiles",
                "gpkg_contents data_type",
            )
        if not _is_moment(changed):
            package.fault(
                f"{where}: the last change is {changed!r}; it must read like "
                "2024-05-01T12:30:00.000Z",
                "gpkg_contents last_change",
            )
        needed = srs is not None or data_type in ("features", "tiles")
        if needed and srs not in package.references:
            package.fault(
                f"{where}: srs_id {srs} is not in gpkg_spatial_ref_sys", "gpkg_contents srs_id"
            )
        given = [v for v in box if v is not None]
        rule = "gpkg_contents bounding box"
        if given and (
            len(given) < 4 or not all(isinstance(v, int | float) and np.isfinite(v) for v in given)
        ):
            package.fault(f"{where}: the bounding box is not four numbers", rule)
        elif given and (box[0] > box[2] or box[1] > box[3]):
            package.fault(f"{where}: the bounding box ends before it begins", rule)
    if any(row[1] == "tiles" for row in package.contents.values()):
        _check_tiles(package)


def _check_tiles(package: Package) -> None:
    """Check that tables of tiles say how they are laid out; tiles themselves are not read."""
    known: set[str] = set()
    if "table_name" in package.columns("gpkg_tile_matrix_set"):
        known = {
            str(t).lower() for (t,) in package.ask("SELECT table_name FROM gpkg_tile_matrix_set")
        }
    for lower, row in package.contents.items():
        if row[1] == "tiles" and lower not in known:
            package.fault(
                f"{row[0]}: a table of tiles without its row in gpkg_tile_matrix_set",
                "gpkg_tile_matrix_set",
            )


def check_geometry_columns(package: Package) -> None:
    """Check the list of geometry columns; those that exist become layers."""
    rows = _rows_of(package, "gpkg_geometry_columns")
    features = any(row[1] == "features" for row in package.contents.values())
    if features and "gpkg_geometry_columns" not in package.objects:
        package.fault("the table gpkg_geometry_columns is missing", "gpkg_geometry_columns")
    rule = "gpkg_geometry_columns"
    seen: list[str] = []
    for table, column, shape, srs, z, m in rows:
        where = f"{rule}, {table}"
        lower = str(table).lower()
        seen.append(lower)
        content = package.contents.get(lower)
        if content is None or content[1] != "features":
            package.fault(
                f"{where}: gpkg_contents does not list it as features", f"{rule} table_name"
            )
        if seen.count(lower) == 2:
            package.fault(
                f"{where}: more than one geometry column; a table has one", f"{rule} table_name"
            )
        if shape not in SHAPES:
            package.fault(
                f"{where}: {shape!r} is no geometry type; one is, in capitals, "
                f"{', '.join(SHAPES[:8])}",
                f"{rule} geometry_type_name",
            )
        elif SHAPES.index(shape) > _PLAIN_SHAPES and not package.registered(
            str(table), str(column), f"gpkg_geom_{shape}"
        ):
            package.fault(
                f"{where}: {shape} needs the extension gpkg_geom_{shape}, which is not registered",
                f"{rule} geometry_type_name",
            )
        for name, value in (("z", z), ("m", m)):
            if value not in DIMENSIONS:
                package.fault(
                    f"{where}: {name} is {value!r}; it must be 0, 1 or 2", f"{rule} {name}"
                )
        if srs not in package.references:
            package.fault(f"{where}: srs_id {srs} is not in gpkg_spatial_ref_sys", f"{rule} srs_id")
        if content is not None and content[9] != srs:
            package.fault(
                f"{where}: srs_id {srs} is not that of gpkg_contents, {content[9]}",
                f"{rule} srs_id",
            )
        if lower not in package.objects:
            continue
        if str(column).lower() not in package.columns(str(table)):
            package.fault(f"{where}: the table has no column {column}", f"{rule} column_name")
            continue
        package.layers.append(Layer(str(table), str(column), str(shape), srs, z, m))
    for lower, row in package.contents.items():
        if row[1] == "features" and lower not in seen:
            package.fault(f"{rule}: the features of {row[0]} have no row", f"{rule} table_name")


def _rows_of(package: Package, table: str) -> list[tuple[Any, ...]]:
    """Return a table of the standard's, nothing if it is missing; so is a missing column.

    The plus keeps a connection's converters of declared types away from the values.
    """
    if table not in package.objects:
        return []
    found = package.columns(table)
    wanted = ", ".join(
        f"{'+' + quoted(c) if c in found else 'NULL'} AS {c}" for c in _SYSTEM[table]
    )
    return package.ask(f"SELECT {wanted} FROM {table}")


def _is_moment(value: Any) -> bool:
    return isinstance(value, str) and _MOMENT.fullmatch(value) is not None


# -- what the file does not list ---------------------------------------------------------------


def check_unlisted(package: Package) -> None:
    """Check that every table is a listed one, or of the standard's or an extension's."""
    extended = {str(t).lower() for t, *_ in package.extensions if t is not None}
    indexes = {
        lower
        for lower, (_, _, sql) in package.objects.items()
        if lower.startswith("rtree_") and re.search(r"\bUSING\s+[\"'`\[]?rtree\b", sql, re.I)
    }
    shadows = {f"{i}_{part}" for i in indexes for part in ("node", "rowid", "parent")}
    known = {*package.contents, *extended, *indexes, *shadows, *_CORE, *_FOREIGN}
    for lower, (name, kind, _) in package.objects.items():
        if kind == "view" or lower in known or lower.startswith("sqlite_"):
            continue
        if lower.startswith(("gpkg_", "gpkgext_")):
            package.fault(
                f"{name}: the table belongs to an extension that gpkg_extensions does not name",
                "gpkg_extensions table_name",
            )
        else:
            package.fault(
                f"{name}: the table is not listed in gpkg_contents", "gpkg_contents table_name"
            )
