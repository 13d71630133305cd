"""Geometries as the GeoPackage standard encodes them: head, envelope and well-known binary.

The rows of a chunk are looked at together. A shape with a fault that leaves the rest of it without
meaning is not looked at further, so that one fault gives one sentence.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.book.standard_package import DIMENSIONS, SHAPES, Layer, Package, Tally, quoted

__all__ = ["check_boxes", "check_geometries"]

_KINDS_OF: dict[str, tuple[int, ...]] = {
    "GEOMETRY": tuple(range(1, 15)),
    "GEOMETRYCOLLECTION": (4, 5, 6, 7, 11, 12),
    "CURVEPOLYGON": (3, 10),
    "MULTICURVE": (5, 11),
    "MULTISURFACE": (6, 12),
    "CURVE": (2, 8, 9, 13),
    "SURFACE": (3, 10, 14),
}
_ENVELOPE_NUMBERS = np.array([0, 4, 6, 6, 8])


def check_geometries(package: Package, at_a_time: int) -> None:
    """Check every geometry, some rows at a time; layers learn the boxes of their shapes."""
    for layer in package.layers:
        extended = any(
            str(t).lower() == layer.table.lower()
            and str(c).lower() == layer.column.lower()
            and str(e) != "gpkg_rtree_index"
            for t, c, e, _, _ in package.extensions
        )
        reader = _Geometries(layer, extended)
        key = f"+{quoted(layer.key)}" if layer.key else "NULL"
        sql = f"SELECT {key} AS k, +{quoted(layer.column)} AS g FROM {quoted(layer.table)}"
        with closing(package.connection.cursor()) as cursor:
            cursor.execute(sql)
            while rows := cursor.fetchmany(at_a_time):
                reader.take(rows)
        package.faults += reader.tally.sentences(layer.table)
        layer.ids, layer.boxes, layer.read = reader.ids(), reader.boxes(), bool(layer.key)


def check_boxes(package: Package) -> None:
    """Check that the boxes in gpkg_contents leave nothing out."""
    for layer in package.layers:
        row = package.contents.get(layer.table.lower())
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
            package.fault(
                f"gpkg_contents, {layer.table}: the bounding box leaves out {count} "
                f"feature{'s' if count > 1 else ''}",
                "gpkg_contents bounding box",
            )


class _Geometries:
    """The geometries of one column, a chunk of rows at a time."""

    def __init__(self, layer: Layer, extended: bool) -> None:
        self.layer = layer
        self.extended = extended
        self.tally = Tally()
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
            known & ((kind < 1) | (kind >= len(SHAPES)) | (dims > 3)),
        )
        kind, dims = np.where(known, kind, 0), np.where(known, dims, 0)
        if self.layer.shape in SHAPES:
            allowed = _KINDS_OF.get(self.layer.shape, (SHAPES.index(self.layer.shape),))
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
                    f"which {DIMENSIONS[rule_of]} (gpkg_geometry_columns)",
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


def _near(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell where two arrays are the same but for the last digits."""
    return np.asarray(np.isclose(a, b, rtol=1e-12, atol=1e-12, equal_nan=True))
