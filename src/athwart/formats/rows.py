"""Columns of any origin, text or typed, turned into a table of ours, row by row judged.

What a table is, is told by its columns: ``sighting_id`` makes sightings, ``mark_id`` marks, a side
or a range picks, a position waypoints, and a position with a time and a heading, course, speed,
``line`` or ``segment`` a track.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.errors import BadRow, FileError, UsageError
from athwart.formats import texts
from athwart.formats.registry import ReadOptions
from athwart.tables import (
    KINDS,
    Column,
    Marks,
    Picks,
    Sightings,
    Table,
    Track,
    Waypoints,
    si_column,
    text_array,
)
from athwart.units import parse_position

__all__ = ["TIME_FAULTS", "Built", "build", "judge", "keep_good", "normal_name"]

_ALIASES = {"latitude": "lat", "longitude": "lon"}
_SIDES = {
    "p": "port",
    "port": "port",
    "s": "starboard",
    "stbd": "starboard",
    "starboard": "starboard",
}
_YES = {"yes", "y", "true", "t", "1", "x"}
_NO = {"no", "n", "false", "f", "0", ""}
_WORDED = ("side", "depth_below", "method")
_TRIMMED = ("name", "kind", "trip")
_RANGES = ("slant_range_m", "ground_range_m")
_MOVING = ("heading_deg", "heading_mag_deg", "course_deg", "speed_mps", "line", "segment")


def normal_name(name: str) -> str:
    """Return a column's name trimmed, and in lower case if it is one of ours."""
    trimmed = name.strip()
    lower = _ALIASES.get(trimmed.lower(), trimmed.lower())
    ours = any(si_column(cls, lower) for cls in (Picks, Track, Waypoints, Sightings, Marks))
    return lower if ours else trimmed


def judge(names: Iterable[str]) -> type[Table] | None:
    """Return which table some columns make, or None."""
    given = set(names)
    picked = {si[0] for n in given if (si := si_column(Picks, n))}
    moving = {si[0] for n in given if (si := si_column(Track, n))}
    if "sighting_id" in given:
        return Sightings
    if "mark_id" in given:
        return Marks
    if "side" in picked or picked & set(_RANGES):
        return Picks
    if {"lat", "lon"} <= given:
        own = {"line", "segment"} <= given  # as we write every track, with or without its times
        return Track if own or ("time" in given and moving & set(_MOVING)) else Waypoints
    return None


@dataclass
class Built:
    """A table, the rows that it lost, and which rows it kept."""

    table: Any
    rejected: list[BadRow] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    rows: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))


def build(
    cls: type[Table],
    columns: Mapping[str, NDArray[Any]],
    rows: NDArray[np.int64],
    source: str,
    options: ReadOptions,
) -> Built:
    """Make a table of columns.

    Parameters
    ----------
    cls : type
        Which table.
    columns : mapping of str to numpy.ndarray
        Text (object) or numbers, by normal name.
    rows : numpy.ndarray of int
        The file's own number of each row, from 1.
    source : str
        Name of the file.
    options : ReadOptions
        Zone of times without one.

    Raises
    ------
    FileError
        One quantity is given twice.
    """
    known: dict[str, NDArray[Any]] = {}
    extra: dict[str, NDArray[Any]] = {}
    faults: list[BadRow] = []
    contract = {c.name: c for c in cls.columns()}
    named: dict[str, str] = {}
    for name, values in columns.items():
        found = si_column(cls, name)
        if found is None:
            extra[name] = values
            continue
        target, factor = found
        if target in named:
            raise FileError(
                source, f"{target} is given twice, as {named[target]} and as {name}; keep one"
            )
        named[target] = name
        array, bad = _column(contract[target], name, values, cls, options)
        known[target] = array * factor if factor != 1.0 else array
        faults += bad
    table = cls.from_columns(known, extra=extra) if len(rows) else cls.empty()
    if cls in (Waypoints, Track, Sightings, Marks) and len(rows):
        lon = np.where(table.lon == 180.0, -180.0, table.lon)  # type: ignore[attr-defined]
        table = table.with_columns(lon=lon)
    if cls is Waypoints and "source" not in known and len(rows):
        table = table.with_columns(source=source, source_row=rows)
    if cls is Track and "source" not in known and len(rows):
        table = table.with_columns(source=source)
    return keep_good(table, faults, rows)


def keep_good(table: Any, faults: list[BadRow], rows: NDArray[np.int64]) -> Built:
    """Take out every row with a fault, of the text or of the contract.

    ``faults`` count rows of the table from 1; the rejected ones carry the file's row numbers.
    """
    told = {(f.row, f.column) for f in faults}
    every = [*faults, *(f for f in table.faults() if (f.row, f.column) not in told)]
    bad = np.zeros(len(table), dtype=bool)
    bad[[f.row - 1 for f in every]] = True
    rejected = [BadRow(int(rows[f.row - 1]), f.code, f.message, f.column) for f in every]
    kept = table.take(~bad) if bad.any() else table
    return Built(kept, sorted(rejected, key=lambda f: f.row), [], rows[~bad])


def _column(
    column: Column, name: str, values: NDArray[Any], cls: type[Table], options: ReadOptions
) -> tuple[NDArray[Any], list[BadRow]]:
    if column.type == "text":
        return _texts(column, text_array(values), cls), []
    if column.type == "time":
        return _times(name, values, options)
    if column.type == "bool":
        return _bools(name, values)
    return _numbers(column, name, values)


def _texts(column: Column, values: NDArray[Any], cls: type[Table]) -> NDArray[Any]:
    if column.name == "side":
        return text_array(_SIDES.get(v.strip().lower(), v.strip()) for v in values)
    if column.name in _WORDED:
        return text_array(v.strip().lower() for v in values)
    if column.name in ("sighting_id", "mark_id"):
        return text_array(v.strip() for v in values)
    if cls in (Picks, Waypoints, Track) and column.name in _TRIMMED:
        values = text_array(v.strip() for v in values)
        if column.name == "kind":
            return text_array(v.lower() if v.lower() in KINDS else v for v in values)
    return values


TIME_FAULTS = {
    texts.BAD: ("time-unreadable", "is no time; write it like 2031-05-04T06:30:00Z"),
    texts.NO_ZONE: (
        "time-without-zone",
        "has no zone; end it with Z for UTC or an offset like +02:00, or name the zone",
    ),
    texts.AMBIGUOUS: (
        "time-ambiguous",
        "happened twice, when the clocks went back; add the offset, like +02:00",
    ),
    texts.NONEXISTENT: (
        "time-nonexistent",
        "never happened, the clocks were put forward over it; add the offset, like +02:00",
    ),
}


def _times(
    name: str, values: NDArray[Any], options: ReadOptions
) -> tuple[NDArray[Any], list[BadRow]]:
    words = text_array(values)
    times, state = texts.parse_times(words.tolist(), texts.load_zone(options.time_zone))
    faults = []
    for i in np.flatnonzero((state != texts.OK) & (state != texts.EMPTY)):
        code, rest = TIME_FAULTS[int(state[i])]
        faults.append(BadRow(int(i) + 1, code, f"{name} {_cell(words[i])} {rest}", name))
    times[state == texts.NO_ZONE] = np.datetime64("NaT", "us")
    return times, faults


def _bools(name: str, values: NDArray[Any]) -> tuple[NDArray[Any], list[BadRow]]:
    if values.dtype.kind == "b":
        return values, []
    words = [
        str(int(v)) if isinstance(v, float) and v in (0.0, 1.0) else t.strip().lower()
        for v, t in zip(values.tolist(), text_array(values), strict=True)
    ]
    faults = [
        BadRow(i + 1, f"{name}-unreadable", f"{name} is {_cell(w)}; allowed is yes or no", name)
        for i, w in enumerate(words)
        if w not in _YES and w not in _NO
    ]
    return np.array([w in _YES for w in words], dtype=bool), faults


def _numbers(column: Column, name: str, values: NDArray[Any]) -> tuple[NDArray[Any], list[BadRow]]:
    faults: list[BadRow] = []
    code = f"{column.name.replace('_', '-')}-unreadable"
    if values.dtype.kind in "iufb":
        numbers = values.astype(np.float64)
        empty = np.isnan(numbers)
    else:
        words = text_array(values)
        numbers, state = texts.parse_numbers(words.tolist())
        empty = state == texts.EMPTY
        for i in np.flatnonzero(state == texts.BAD):
            if column.name in ("lat", "lon"):
                value = _typed_degrees(column.name, words[i])
                if isinstance(value, float):
                    numbers[i] = value
                    continue
                faults.append(BadRow(int(i) + 1, code, value, column.name))
            else:
                faults.append(BadRow(int(i) + 1, code, _no_number(name, words[i]), column.name))
    if column.type == "int":
        broken = np.isfinite(numbers) & ((numbers % 1 != 0) | (np.abs(numbers) > 2**53))
        faults += [
            BadRow(int(i) + 1, code, f"{name} is {numbers[i]:g}, not a whole number", column.name)
            for i in np.flatnonzero(broken)
        ]
        whole = np.where(np.isfinite(numbers) & ~broken, numbers, column.default or 0)
        return whole.astype(np.int64), faults
    if column.default is not None and not np.isnan(column.default):
        numbers = np.where(empty, column.default, numbers)
    return numbers, faults


def _cell(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _no_number(name: str, text: str) -> str:
    stripped = text.strip()
    if "," in stripped and texts.parse_numbers([stripped.replace(",", ".", 1)])[1][0] == texts.OK:
        return f"{name} is {_cell(text)}; write a decimal point: {stripped.replace(',', '.', 1)}"
    if stripped.lower() in ("nan", "inf", "-inf", "na", "n/a", "null", "none", "-", "--"):
        return f"{name} is {_cell(text)}, not a number; leave the cell empty where there is none"
    return f"{name} is {_cell(text)}, not a number"


def _typed_degrees(axis: str, text: str) -> float | str:
    """Return degrees from degrees-minutes text, or a sentence."""
    if not any(c.isdigit() for c in text) or "," in text:
        return _no_number(axis, text)
    try:
        lon, lat = parse_position(text, "0") if axis == "lat" else parse_position("0", text)
    except UsageError as error:
        return str(error)
    return lat if axis == "lat" else lon


def drop_optional(table: Any, dropped: dict[str, int]) -> Any:
    """Empty every field that breaks the contract, and count it by name; no row is lost."""
    contract = {c.name: c for c in table.columns()}
    changed: dict[str, NDArray[Any]] = {}
    for fault in table.faults():
        column = contract[fault.column]
        values = changed.get(column.name)
        if values is None:
            values = changed[column.name] = getattr(table, column.name).copy()
        values[fault.row - 1] = column.default
        dropped[column.name] = dropped.get(column.name, 0) + 1
    return table.with_columns(**changed) if changed else table
