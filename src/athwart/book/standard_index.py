"""The spatial indexes of a file: registered, kept true by triggers, and of the right content."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from athwart.book.standard_package import Layer, Package, Tally, quoted

__all__ = ["check_indexes"]


def check_indexes(package: Package) -> None:
    """Check every spatial index: registered ones, and those that are not but should be."""
    layers = {(la.table.lower(), la.column.lower()): la for la in package.layers}
    rule = "R-tree extension"
    indexed: set[str] = set()
    for table, column, name, _, _ in package.extensions:
        if str(name) != "gpkg_rtree_index":
            continue
        layer = layers.get((str(table).lower(), str(column).lower()))
        if layer is None:
            package.fault(
                f"gpkg_extensions: a spatial index is registered for {table} ({column}), which "
                "is no geometry column",
                f"{rule}, gpkg_extensions rows",
            )
            continue
        index = f"rtree_{layer.table}_{layer.column}"
        indexed.add(index.lower())
        _check_triggers(package, layer, index)
        sql = package.objects.get(index.lower(), ("", "", ""))[2]
        if not re.match(
            r"\s*CREATE\s+VIRTUAL\s+TABLE\b.*\bUSING\s+[\"'`\[]?rtree\b", sql, re.I | re.S
        ):
            package.fault(
                f"{layer.table}: the registered spatial index {index} does not exist",
                f"{rule}, table",
            )
            continue
        if list(package.columns(index)) != ["id", "minx", "maxx", "miny", "maxy"]:
            package.fault(
                f"{index}: the columns must be id, minx, maxx, miny, maxy", f"{rule}, table"
            )
            continue
        if layer.read:
            _check_index(package, layer, index)
    for layer in package.layers:
        index = f"rtree_{layer.table}_{layer.column}"
        if index.lower() in package.objects and index.lower() not in indexed:
            package.fault(
                f"{index}: the spatial index is not registered in gpkg_extensions",
                f"{rule}, gpkg_extensions rows",
            )


def _check_triggers(package: Package, layer: Layer, index: str) -> None:
    """Check the triggers that keep an index true, of either family of names."""
    found = {
        str(name).lower()
        for name, table, sql in package.ask(
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
        missing = [[part for part in way if f"{index}_{part}".lower() not in found] for way in ways]
        if all(missing):
            # Of two ways, the one that is begun; of none begun, the newer.
            begun = [len(m) < len(w) for m, w in zip(missing, ways, strict=True)]
            parts = missing[begun.index(True) if any(begun) else 0]
            names = [f"{index}_{part}" for part in parts]
            them = f"triggers {' and '.join(names)} are" if names[1:] else f"trigger {names[0]} is"
            package.fault(
                f"{layer.table}: its spatial index is not kept true; the {them} missing or "
                "of no use to it",
                "R-tree extension, triggers",
            )


def _check_index(package: Package, layer: Layer, index: str) -> None:
    """Compare an index with the boxes of the shapes."""
    rule = "R-tree extension, content"
    (word,) = package.ask("SELECT rtreecheck(?)", index)[0]
    if word != "ok":
        plain = "; ".join(str(word).splitlines()[:3])
        package.fault(f"{index}: the spatial index is damaged: {plain}", "R-tree extension, table")
    rows = package.ask(f"SELECT id, minx, miny, maxx, maxy FROM {quoted(index)}")
    table = np.array(rows, dtype=np.float64).reshape(-1, 5)
    ids = np.fromiter((row[0] for row in rows), np.int64, len(rows))
    here, mine, theirs = np.intersect1d(layer.ids, ids, return_indices=True)
    tally = Tally()
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
    package.faults += tally.sentences(layer.table)
