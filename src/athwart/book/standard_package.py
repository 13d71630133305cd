"""A GeoPackage under check: what its parts share, and how its faults are told.

A `Package` is asked in SQL and collects sentences. Some parts of a check find what later ones go
by (the tables that the file lists, its layers, the boxes of their shapes); `athwart.book.standard`
holds the order.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["DIMENSIONS", "SHAPES", "Column", "Layer", "Package", "Tally", "quoted", "rows_words"]

SHAPES = (
    "GEOMETRY", "POINT", "LINESTRING", "POLYGON", "MULTIPOINT", "MULTILINESTRING", "MULTIPOLYGON",
    "GEOMETRYCOLLECTION", "CIRCULARSTRING", "COMPOUNDCURVE", "CURVEPOLYGON", "MULTICURVE",
    "MULTISURFACE", "CURVE", "SURFACE",
)  # fmt: skip
"""Types of geometry; the place of each is its number in well-known binary."""

DIMENSIONS = {0: "is forbidden", 1: "must be there", 2: "may be there"}
"""What z and m of gpkg_geometry_columns say of a coordinate."""


@dataclass(slots=True)
class Column:
    """A column as it is declared; ``key`` is its place in the primary key, 0 if in none."""

    name: str
    type: str
    not_null: bool
    key: int


@dataclass(slots=True)
class Layer:
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


class Tally:
    """Rows with the same fault, told in one sentence."""

    def __init__(self) -> None:
        self.found: dict[str, tuple[int, Any]] = {}

    def add(self, sentence: str, ids: NDArray[Any], wrong: NDArray[np.bool_]) -> None:
        """Count the rows that are wrong; the first one met is kept."""
        count = int(np.count_nonzero(wrong))
        if count:
            before, first = self.found.get(sentence, (0, ids[int(np.argmax(wrong))]))
            self.found[sentence] = before + count, first

    def sentences(self, where: str) -> list[str]:
        """Return one sentence a fault, each beginning with the place."""
        return [
            f"{where}, {rows_words(n, first)}: {text}" for text, (n, first) in self.found.items()
        ]


def rows_words(count: int, first: Any) -> str:
    """Return how a sentence names one row or many."""
    return f"row {first}" if count == 1 else f"{count} rows, the first row {first}"


def quoted(name: str) -> str:
    """Return a name as SQL has it."""
    return '"' + name.replace('"', '""') + '"'


class Package:
    """A file, what was found out of it, and its faults."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection
        self.faults: list[str] = []
        self.objects: dict[str, tuple[str, str, str]] = {}  # lower name: name, type, SQL
        self.references: set[Any] = set()
        self.contents: dict[str, tuple[Any, ...]] = {}  # lower name: row of gpkg_contents
        self.extensions: list[tuple[Any, ...]] = []
        self.layers: list[Layer] = []

    def fault(self, sentence: str, rule: str) -> None:
        """Keep a fault and the subject of the standard that it breaks."""
        self.faults.append(f"{sentence} (GeoPackage: {rule})")

    def ask(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Return all rows of a query."""
        with closing(self.connection.cursor()) as cursor:
            return cursor.execute(sql, values).fetchall()

    def columns(self, table: str) -> dict[str, Column]:
        """Return the columns of a table by their names in lower case; none if it is missing."""
        rows = self.ask(
            'SELECT name, type, "notnull", pk FROM pragma_table_info(?) ORDER BY cid', table
        )
        return {str(n).lower(): Column(str(n), str(t), bool(no), int(pk)) for n, t, no, pk in rows}

    def registered(self, table: str, column: str, name: str) -> bool:
        """Tell whether gpkg_extensions names an extension for a column."""
        wanted = (table.lower(), column.lower(), name.lower())
        return any(
            (str(t).lower(), str(c).lower(), str(e).lower()) == wanted
            for t, c, e, _, _ in self.extensions
        )
