"""Tables to rows of a book and back, whole columns at a time.

A missing number or text is NULL in the book. A time stands twice: to the millisecond, as the
GeoPackage standard writes it, and exactly, in microseconds since 1970.
"""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from collections.abc import Iterable, Mapping, Sequence
from hashlib import blake2b
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from athwart.book.blobs import point_blobs, points_of
from athwart.errors import DataError
from athwart.identity import observation_ids
from athwart.tables import Sightings, Table, Track, same_text

__all__ = [
    "cells",
    "contents_of",
    "line_arrays",
    "line_id",
    "line_of",
    "point_keys",
    "sighting_columns",
    "table_of",
    "time_texts",
]

T = TypeVar("T", bound=Table)
Row = tuple[Any, ...]

_NOT_CONTENT = {"sighting_id", "trip", "source", "source_row"}
"""Where and in whose company a sighting was found; the rest is what was seen."""


def time_texts(times: NDArray[np.datetime64]) -> list[str | None]:
    """Return times to the millisecond as GeoPackage writes them, None where unknown."""
    texts = np.datetime_as_string(times.astype("datetime64[ms]"), unit="ms").tolist()
    return [None if t == "NaT" else f"{t}Z" for t in texts]


def _micros(times: NDArray[np.datetime64]) -> list[int | None]:
    gone = np.isnat(times)
    numbers = times.astype("datetime64[us]").astype(np.int64).astype(object)
    numbers[gone] = None
    return list(numbers)


def cells(values: NDArray[Any]) -> list[Any]:
    """Return one column as SQLite takes it."""
    if values.dtype == object:
        return [v or None for v in values.tolist()]
    if values.dtype.kind == "f":
        gone = np.isnan(values)
        if not gone.any():
            return list(values.tolist())
        if gone.all():
            return [None] * len(values)
        out = values.astype(object)
        out[gone] = None
        return list(out.tolist())
    if values.dtype.kind == "b":
        return list(values.astype(np.int64).tolist())
    return list(values.tolist())


def table_columns(table: Table, leave_out: Iterable[str] = ()) -> dict[str, list[Any]]:
    """Return a table of points as columns of the book."""
    columns: dict[str, list[Any]] = {
        "geom": point_blobs(table.lon, table.lat)  # type: ignore[attr-defined]
    }
    skip = {"lon", "lat", *leave_out}
    for name, values in table.to_columns().items():
        if name in skip:
            continue
        if values.dtype.kind == "M":
            columns[name], columns[f"{name}_us"] = time_texts(values), _micros(values)
        else:
            columns[name] = cells(values)
    return columns


def sighting_columns(sightings: Sightings) -> dict[str, list[Any]]:
    """Return sightings as columns of the book, with the hash of their content."""
    extra = _extra_texts(sightings)
    columns = table_columns(sightings)
    columns["extra"] = extra
    columns["content"] = contents_of(sightings, extra).tolist()
    return columns


def contents_of(
    sightings: Sightings, extra: Sequence[str | None] | None = None
) -> NDArray[np.object_]:
    """Return a hash of what was seen: every column but the id, the trip and where it was read."""
    parts = [v for n, v in sightings.to_columns().items() if n not in _NOT_CONTENT]
    if extra is None:
        extra = _extra_texts(sightings)
    texts = np.array([e or "" for e in extra], dtype=object)
    return observation_ids("content", [*parts, texts])


def _extra_texts(table: Table) -> list[str | None]:
    if not table.extra:
        return [None] * len(table)
    names = list(table.extra)
    columns = [[_plain(v) for v in table.extra[n].tolist()] for n in names]
    out: list[str | None] = []
    for row in zip(*columns, strict=True):
        given = {n: v for n, v in zip(names, row, strict=True) if v is not None and v != ""}
        out.append(json.dumps(given, ensure_ascii=False, sort_keys=True) if given else None)
    return out


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value != value:
        return None
    return value if isinstance(value, str | int | float | bool) or value is None else str(value)


def table_of(cls: type[T], names: Sequence[str], rows: Sequence[Row]) -> T:
    """Return rows of the book as a table; columns that the contract lacks go to ``extra``.

    ``names`` must hold ``geom``; ``extra`` texts are unpacked.

    Raises
    ------
    DataError
        A row is damaged.
    """
    if not rows:
        return cls.empty()
    try:
        return _table_of(cls, names, rows)
    except _DAMAGE as error:
        raise DataError(
            f"rows of the {cls.__name__.lower()} cannot be read, the book is damaged there; go "
            "back to a backup, and keep this file"
        ) from error


def _table_of(cls: type[T], names: Sequence[str], rows: Sequence[Row]) -> T:
    known: dict[str, Any] = {}
    contract = {c.name: c for c in cls.columns()}
    by_name = dict(zip(names, zip(*rows, strict=True), strict=True))
    known["lon"], known["lat"] = points_of(by_name["geom"])
    for name, values in by_name.items():
        column = contract.get(name)
        if column is None or f"{name}_us" in by_name:
            continue
        known[name] = _array(column.type, values)
    for name, values in by_name.items():
        if name.endswith("_us") and name[:-3] in contract:
            numbers = np.array(
                [np.iinfo(np.int64).min if v is None else v for v in values], dtype=np.int64
            )
            known[name[:-3]] = numbers.view("datetime64[us]")
    extra = _extra_columns(by_name["extra"]) if "extra" in by_name else {}
    return cls.from_columns(known, extra=extra)


def _array(type_: str, values: Sequence[Any]) -> NDArray[Any]:
    if type_ == "text":
        out = np.empty(len(values), dtype=object)
        out[:] = ["" if v is None else v for v in values]
        return out
    if type_ == "bool":
        return np.array([bool(v) for v in values], dtype=np.bool_)
    if type_ == "int":
        return np.array([v or 0 for v in values], dtype=np.int64)
    return np.array(values, dtype=np.float64)  # None becomes NaN


def _extra_columns(texts: Sequence[str | None]) -> dict[str, NDArray[Any]]:
    if not any(texts):
        return {}
    rows: list[Mapping[str, Any]] = [json.loads(t) if t else {} for t in texts]
    out: dict[str, NDArray[Any]] = {}
    for name in dict.fromkeys(n for row in rows for n in row):
        values = [row.get(name) for row in rows]
        numbers = all(v is None or (isinstance(v, int | float) and v is not True) for v in values)
        array = np.array(values, dtype=np.float64 if numbers else object)
        out[name] = array
    return out


# -- lines -------------------------------------------------------------------------------------


def point_keys(track: Track) -> list[bytes]:
    """Return place and moment of each point as 24 bytes, to 1e-7 degree and a microsecond."""
    block = np.stack(
        [
            np.rint(track.lon * 1e7).astype("<i8"),
            np.rint(track.lat * 1e7).astype("<i8"),
            track.time.astype("datetime64[us]").astype("<i8"),
        ],
        axis=1,
    )
    raw = block.astype("<i8").tobytes()
    return [raw[i : i + 24] for i in range(0, len(raw), 24)]


def line_id(keys: Sequence[bytes]) -> str:
    """Return the id of a line: a hash of its points."""
    return blake2b(b"".join(keys), digest_size=10, person=b"line").hexdigest()


def line_arrays(track: Track) -> bytes:
    """Return every column of one line that holds something, as a NumPy archive without pickles."""
    arrays: dict[str, NDArray[Any]] = {}
    contract = {c.name: c for c in Track.columns()}
    for name, values in track.to_columns().items():
        if name in ("line", "segment", "name", "source"):
            continue
        kind = contract[name].type
        if kind == "text":
            if any(values):
                arrays[name] = values.astype(str)
        elif kind == "time":
            if not np.isnat(values).all():
                arrays[name] = values.astype("datetime64[us]").astype(np.int64)
        elif kind != "float" or np.isfinite(values).any():
            arrays[name] = values
    for name, values in track.extra.items():
        kept = values if values.dtype.kind in "fiub" else values.astype(str)
        arrays[f"extra:{name}"] = kept
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]
    return buffer.getvalue()


def line_of(blob: bytes, name: str, source: str, number: int) -> Track:
    """Return one line as a track table.

    Raises
    ------
    DataError
        What was kept of it is damaged.
    """
    try:
        with np.load(io.BytesIO(blob), allow_pickle=False) as archive:
            arrays = {key: archive[key] for key in archive.files}
        return _line_of(arrays, name, source, number)
    except _DAMAGE as error:
        said = f"the track or route {name!r}" if name else "a track or route"
        raise DataError(
            f"{said} cannot be read, the book is damaged there; go back to a backup, and keep "
            "this file"
        ) from error


_DAMAGE = (
    ArithmeticError, AttributeError, EOFError, LookupError, OSError, TypeError, ValueError,
    zipfile.BadZipFile, zlib.error,
)  # fmt: skip
"""What reading damaged values may raise."""


def _line_of(arrays: Mapping[str, NDArray[Any]], name: str, source: str, number: int) -> Track:
    extra = {
        key.removeprefix("extra:"): values.astype(object) if values.dtype.kind == "U" else values
        for key, values in arrays.items()
        if key.startswith("extra:")
    }
    known: dict[str, Any] = {}
    for key, values in arrays.items():
        if key.startswith("extra:"):
            continue
        if key == "time":
            known[key] = values.view("datetime64[us]")
        else:
            known[key] = values.astype(object) if values.dtype.kind == "U" else values
    count = len(known["lon"])
    return Track.from_columns(
        {
            **known,
            "line": np.full(count, number),
            "segment": np.full(count, number),
            "name": same_text(count, name),
            "source": same_text(count, source),
        },
        extra=extra,
    )
