"""What was drawn on pictures: lines, areas, and the pictures themselves as provenance.

A picture stays where it is; the book keeps its hash, how its screen was laid out and which moment
its newest line has, so that the work on it can be done again.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.book.blobs import area_blob, line_blob
from athwart.book.changes import Changes
from athwart.book.rows import time_texts
from athwart.book.schema import columns_of
from athwart.errors import DataError

__all__ = ["Drawn", "PictureFacts", "Shape", "add_picture", "add_shapes", "shapes_of"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A line or an area drawn on a picture.

    Parameters
    ----------
    lon, lat, r95_m : numpy.ndarray
        Its corners in order, degrees on WGS 84, and the R95 of each, metres.
    x, y : numpy.ndarray
        The corners' pixels.
    area : bool
        Whether it is closed: three corners or more; a line has two or more.
    name, kind, note : str
        What it is.
    time : numpy.datetime64
        Moment of its first corner; NaT if unknown.
    private : bool
        Kept out of every export, map and table.
    """

    lon: FloatArray
    lat: FloatArray
    r95_m: FloatArray
    x: FloatArray
    y: FloatArray
    area: bool = False
    name: str = ""
    kind: str = ""
    note: str = ""
    time: np.datetime64 = field(default=np.datetime64("NaT", "us"))
    private: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureFacts:
    """A picture that picks and shapes were made on.

    Parameters
    ----------
    name, sha256 : str
        Last part of its path, and the hash of its bytes.
    width_px, height_px : int
        Size.
    layout : str
        How the screen was laid out, TOML.
    newest_time : numpy.datetime64
        Moment of the newest line.
    time_sigma_s : float
        Standard error of that moment, seconds.
    bottom : str
        The bottom line as the user dragged it, JSON; nothing if it was not dragged.
    """

    name: str
    sha256: str
    width_px: int
    height_px: int
    layout: str = ""
    newest_time: np.datetime64 = field(default=np.datetime64("NaT", "us"))
    time_sigma_s: float = float("nan")
    bottom: str = ""


def add_picture(changes: Changes, picture: PictureFacts, file: int) -> None:
    """Note which picture was used and how, unless the book has just that."""
    moment = np.array([picture.newest_time], "datetime64[us]")
    columns: dict[str, list[Any]] = {
        "name": [picture.name],
        "sha256": [picture.sha256],
        "width_px": [picture.width_px],
        "height_px": [picture.height_px],
        "layout": [picture.layout or None],
        "newest_time": time_texts(moment),
        "newest_time_us": [None if np.isnat(moment[0]) else int(moment.astype(np.int64)[0])],
        "time_sigma_s": [None if np.isnan(picture.time_sigma_s) else picture.time_sigma_s],
        "bottom": [picture.bottom or None],
    }
    same = " AND ".join(f"{n} IS ?" for n in columns)
    known = changes.connection.execute(
        f"SELECT 1 FROM pictures WHERE {same}", [v[0] for v in columns.values()]
    ).fetchone()
    if known is None:
        changes.insert("pictures", {**columns, "file": [file], "entry": [changes.entry]})


@dataclass(frozen=True, slots=True)
class Drawn:
    """What saving lines and areas did.

    Parameters
    ----------
    ids : list of str
        The id of each in the book.
    new, changed : int
        How many were new, and how many were put right.
    """

    ids: list[str]
    new: int
    changed: int

    @staticmethod
    def count(number: int) -> str:
        """Return so many lines or areas, in words."""
        return "1 line or area" if number == 1 else f"{number} lines or areas"


def add_shapes(
    changes: Changes,
    shapes: Sequence[Shape],
    source: str,
    file: int,
    before: Sequence[str] = (),
) -> Drawn:
    """Add lines and areas that the book does not have; put right those that were saved before.

    A row is never changed: one that is put right is taken out, whole, and the log keeps it; the new
    one stands in its place under the same id.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    shapes : sequence of Shape
        Lines and areas.
    source : str
        Name of the picture.
    file : int
        Key of its file.
    before : sequence of str
        The id that each was saved under, nothing for a new one; all are new if left out.

    Raises
    ------
    DataError
        A line of one corner, or an area of two.
    """
    names = [n for n in columns_of("shapes") if n not in ("fid", "file", "entry")]
    known = {
        r[1 + names.index("shape_id")]: r
        for r in changes.connection.execute(f"SELECT fid, {', '.join(names)} FROM shapes")
    }
    out: list[str] = []
    new = changed = 0
    for k, shape in enumerate(shapes):
        columns = _columns_of(shape, source)
        held = before[k] if k < len(before) else ""
        if held in known and held not in out:
            columns["shape_id"] = [held]
        shape_id = columns["shape_id"][0]
        row = known.get(shape_id)
        out.append(shape_id)
        if row is not None and (shape_id != held or row[1:] == _row_of(columns, names)):
            continue
        if row is not None:
            changes.delete("shapes", [row[0]])
        changed, new = changed + (row is not None), new + (row is None)
        (fid,) = changes.insert("shapes", {**columns, "file": [file], "entry": [changes.entry]})
        known[shape_id] = (fid, *_row_of(columns, names))
    return Drawn(out, new, changed)


def _row_of(columns: Mapping[str, Sequence[Any]], names: Sequence[str]) -> tuple[Any, ...]:
    return tuple(columns[n][0] for n in names)


def _columns_of(shape: Shape, source: str) -> dict[str, list[Any]]:
    least = 3 if shape.area else 2
    if len(shape.lon) < least:
        word = "an area" if shape.area else "a line"
        raise DataError(f"{word} needs {least} corners or more; it has {len(shape.lon)}")
    corners = [
        {"lon": lon, "lat": lat, "r95_m": r, "x": x, "y": y}
        for lon, lat, r, x, y in zip(
            shape.lon.tolist(), shape.lat.tolist(), shape.r95_m.tolist(), shape.x.tolist(),
            shape.y.tolist(), strict=True,
        )
    ]  # fmt: skip
    text = json.dumps(corners)
    said = "\x1f".join((source, text, shape.kind, str(shape.area)))
    moment = np.array([shape.time], "datetime64[us]")
    blob = area_blob(shape.lon, shape.lat) if shape.area else line_blob(shape.lon, shape.lat)
    return {
        "geom": [blob],
        "shape_id": [blake2b(said.encode(), digest_size=10, person=b"shape").hexdigest()],
        "name": [shape.name or None],
        "kind": [shape.kind or None],
        "note": [shape.note or None],
        "private": [int(shape.private)],
        "r95_m": [float(np.max(shape.r95_m))],
        "corners": [text],
        "time": time_texts(moment),
        "time_us": [None if np.isnat(moment[0]) else int(moment.astype(np.int64)[0])],
        "source": [source],
    }


def shapes_of(connection: sqlite3.Connection, *, with_private: bool = False) -> list[Shape]:
    """Return the lines and areas of a book, in the order in which they were drawn."""
    only = "" if with_private else "WHERE private IS NOT 1"
    out = []
    for name, kind, note, private, corners, micros, geom in connection.execute(
        f"SELECT name, kind, note, private, corners, time_us, geom FROM shapes {only} ORDER BY fid"
    ):
        table = json.loads(corners)
        lon, lat, r95_m, x, y = (
            np.array([c[n] for c in table], np.float64) for n in ("lon", "lat", "r95_m", "x", "y")
        )
        out.append(
            Shape(
                lon=lon,
                lat=lat,
                r95_m=r95_m,
                x=x,
                y=y,
                area=geom[41] == 3,  # the type of the well-known binary behind header and envelope
                name=name or "",
                kind=kind or "",
                note=note or "",
                time=np.datetime64("NaT" if micros is None else micros, "us"),
                private=bool(private),
            )
        )
    return out
