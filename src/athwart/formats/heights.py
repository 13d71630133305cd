"""Tables of the height of the water: high and low waters, a series of heights, levels of a gauge.

A table is text with a header: ``time`` (or ``date`` and ``time``), and ``height_m`` or
``height_ft``, or ``height`` with a unit in every cell (``3.4m``). ``level`` and ``tide`` stand for
``height``. High and low waters may be called so in a column ``what``.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from athwart.errors import BadRow, FileError, TableError, UsageError
from athwart.formats import texts
from athwart.formats.rows import TIME_FAULTS
from athwart.formats.table import delimiter_of, text_of
from athwart.input_limits import check_count
from athwart.units import FOOT, parse_quantity

__all__ = ["Heights", "read_heights"]

_TIMES = ("time", "when", "datetime", "date_time", "utc")
_HEIGHTS = ("height", "level", "tide")
_UNITS = {"": None, "_m": 1.0, "_ft": FOOT.value}
_WHAT = ("what", "turn", "type")
_TURNS = {
    "high": "high", "high water": "high", "hw": "high", "h": "high",
    "low": "low", "low water": "low", "lw": "low", "l": "low", "": "",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Heights:
    """A table of heights as a file gives it, in file order.

    Attributes
    ----------
    time : numpy.ndarray of datetime64[us]
        UTC.
    height_m : numpy.ndarray
        Metres above the table's own zero.
    what : numpy.ndarray of str or None
        ``high``, ``low`` or ``""``; None if the table has no such column.
    words : tuple of str
        What the user should know.
    """

    time: NDArray[np.datetime64]
    height_m: NDArray[np.float64]
    what: NDArray[np.object_] | None
    words: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.time)


def read_heights(path: Path, time_zone: str | None = None) -> Heights:
    """Read a table of heights.

    Parameters
    ----------
    path : pathlib.Path
        Text with commas, semicolons or tabs.
    time_zone : str, optional
        IANA name of the zone of times without one; without it they are refused.

    Raises
    ------
    FileError
        It cannot be read, has no time or height, or no rows.
    TableError
        Rows that cannot be read, every one listed.
    UsageError
        No such zone.
    """
    zone = texts.load_zone(time_zone)
    text, words = text_of(path)
    lines = [line for line in text.splitlines() if line.strip(" ,;\t") and not line.startswith("#")]
    check_count("HEIGHTS", len(lines) - 1, path.name)
    if len(lines) < 2:
        raise FileError(path.name, "the table of heights has no rows under its header")
    reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter_of(lines[0]))
    try:
        header, *cells = reader
    except csv.Error as error:
        raise FileError(path.name, f"is no table that can be read ({error})") from error
    cells = [row for row in cells if any(cell.strip() for cell in row)]  # "" alone is a blank line
    if not cells:
        raise FileError(path.name, "the table of heights has no rows under its header")
    names = [n.strip().lower() for n in header]
    wrong = [
        BadRow(i, "cells-do-not-match", f"the row has {len(c)} cells, the header {len(names)}")
        for i, c in enumerate(cells, 1)
        if len(c) != len(names) and any(v.strip() for v in c[len(names) :] or c)
    ]
    if wrong:
        raise TableError(path.name, wrong)
    when, height, factor, what = _columns(path, names)
    time, faults = _times([" ".join(row[i].strip() for i in when) for row in cells], zone)
    metres, more = _heights([row[height] for row in cells], factor)
    faults += more
    turns = None
    if what is not None:
        called = [row[what].strip().lower() for row in cells]
        faults += [
            BadRow(i, "turn-unknown", f"{names[what]} is {c!r}; allowed is high or low", "what")
            for i, c in enumerate(called, 1)
            if c not in _TURNS
        ]
        turns = np.array([_TURNS.get(c, "") for c in called], dtype=object)
    if faults:
        raise TableError(path.name, sorted(faults, key=lambda f: f.row))
    return Heights(time, metres, turns, tuple(words))


def _columns(path: Path, names: list[str]) -> tuple[list[int], int, float | None, int | None]:
    """Return where time, height, its factor to metres and the name of the turn stand."""
    heights = {h + u: f for h in _HEIGHTS for u, f in _UNITS.items()}
    found = [i for i, n in enumerate(names) if n in heights]
    listed = ", ".join(n for n in names if n)[:200]
    if not found:
        raise FileError(
            path.name,
            f"the columns ({listed}) hold no height; name one height_m or height_ft, or height "
            "with a unit in every cell",
        )
    if len(found) > 1:
        raise FileError(
            path.name, f"the height is given twice, as {names[found[0]]} and {names[found[1]]}"
        )
    clock = [i for i, n in enumerate(names) if n in _TIMES]
    day = [i for i, n in enumerate(names) if n == "date"]
    if len(clock) > 1 or len(day) > 1:
        raise FileError(path.name, f"the columns ({listed}) hold the time twice; keep one")
    if not clock and not day:
        raise FileError(path.name, f"the columns ({listed}) hold no time; name one time")
    what = [i for i, n in enumerate(names) if n in _WHAT]
    return day + clock, found[0], heights[names[found[0]]], what[0] if what else None


def _times(
    written: list[str], zone: ZoneInfo | None
) -> tuple[NDArray[np.datetime64], list[BadRow]]:
    time, state = texts.parse_times(written, zone)
    faults = []
    for i in np.flatnonzero(state != texts.OK):
        if state[i] == texts.EMPTY:
            faults.append(BadRow(int(i) + 1, "time-missing", "there is no time", "time"))
        else:
            code, rest = TIME_FAULTS[int(state[i])]
            faults.append(BadRow(int(i) + 1, code, f"time {written[i][:60]!r} {rest}", "time"))
    return time, faults


def _heights(written: list[str], factor: float | None) -> tuple[NDArray[np.float64], list[BadRow]]:
    faults: list[BadRow] = []
    if factor is not None:
        values, state = texts.parse_numbers([w.strip() for w in written])
        for i in np.flatnonzero(state != texts.OK):
            said = f"the height is {written[i][:60]!r}, not a number"
            if state[i] == texts.EMPTY:
                said = "there is no height; leave the row out"
            elif "," in written[i]:
                said += "; write a decimal point"
            faults.append(BadRow(int(i) + 1, "height-unreadable", said, "height_m"))
        return values * factor, faults
    metres = np.full(len(written), np.nan)
    for k, text in enumerate(written):
        try:
            if not text.strip()[-1:].isalpha():
                raise UsageError(
                    f"the height {text[:60]!r} has no unit; write 3.4m or 11ft, or name the column "
                    "height_m or height_ft"
                )
            metres[k] = parse_quantity(text, "length")
        except UsageError as error:
            faults.append(BadRow(k + 1, "height-unreadable", str(error), "height_m"))
    return metres, faults
