"""The columns of a user's tables, and whether the values fit the types that they declare."""

from __future__ import annotations

import re

from athwart.book.standard_package import SHAPES, Column, Layer, Package, quoted, rows_words

__all__ = ["check_tables"]

_INTEGERS = {"TINYINT": 8, "SMALLINT": 16, "MEDIUMINT": 32, "INT": 64, "INTEGER": 64}
_REALS = ("FLOAT", "DOUBLE", "REAL")


def check_tables(package: Package) -> None:
    """Check keys, columns and values of the listed tables; layers learn their keys."""
    layers = {layer.table.lower(): layer for layer in package.layers}
    for lower, row in package.contents.items():
        if lower not in package.objects or row[1] not in ("features", "attributes"):
            continue
        name, kind, sql = package.objects[lower]
        columns = list(package.columns(name).values())
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
            package.fault(
                f"{name}: there is no INTEGER PRIMARY KEY; every table of {row[1]} must have one",
                f"{row[1]} table primary key",
            )
        if layer is not None:
            layer.key = key
        _check_columns(package, name, kind, key, columns, layer)


def _check_columns(
    package: Package, table: str, kind: str, key: str, columns: list[Column], layer: Layer | None
) -> None:
    """Check the columns of one table, and all values in one query a few hundred columns."""
    tests: list[tuple[str, str, str]] = []  # name, SQL that is true where wrong, sentence
    for column in columns:
        rule = "table column data types"
        if not column.name.strip() or not column.name.isprintable():
            package.fault(
                f"{table}: the name of the column {column.name!r} must be of characters that "
                "can be seen",
                "names of columns",
            )
        type_ = column.type.upper().strip()
        if layer is not None and column.name.lower() == layer.column.lower():
            if type_ != layer.shape and kind == "table":
                package.fault(
                    f"{table}: the column {column.name} is declared {column.type or 'without a type'}, but "
                    f"gpkg_geometry_columns says {layer.shape}",
                    "geometry column type",
                )
            continue
        if kind == "view" and not type_:
            continue
        if type_ in SHAPES:
            package.fault(
                f"{table}: the column {column.name} is {type_}; only features have a geometry, "
                "and one",
                "geometry columns",
            )
            continue
        test = _value_test(quoted(column.name), type_)
        if test is None:
            package.fault(
                f"{table}: the column {column.name} is {column.type or 'of no type'}, which "
                "the standard does not know",
                rule,
            )
            continue
        tests.append((column.name, *test))
    row_name = quoted(key) if key else "NULL"
    for start in range(0, len(tests), 400):
        part = tests[start : start + 400]
        wanted = ", ".join(
            f"sum({sql}), min(CASE WHEN {sql} THEN {row_name} END)" for _, sql, _ in part
        )
        found = package.ask(f"SELECT {wanted} FROM {quoted(table)}")[0]
        for i, (name, _, sentence) in enumerate(part):
            if found[2 * i]:
                package.fault(
                    f"{table}, {rows_words(found[2 * i], found[2 * i + 1])}: {name} {sentence}",
                    "table column data types",
                )


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
