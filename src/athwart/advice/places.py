"""Places and times out of what a person types."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from athwart.errors import UsageError
from athwart.formats.texts import load_zone
from athwart.plan.day import Place
from athwart.units import many, parse_position

if TYPE_CHECKING:
    from athwart.tables import Marks

__all__ = ["place_of", "row_named", "rows_named", "rows_of_names", "time_of"]

_LEAST_PREFIX = 4
_LISTED = 8


def time_of(text: str, zone: str) -> np.datetime64:
    """Return a typed time, UTC; one without a zone is taken in that of a name.

    Raises
    ------
    UsageError
        No time, no zone, or a zone that is not known.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise UsageError(f"{text!r} is not a time; write it like 2026-03-01T06:12:30Z") from error
    if moment.tzinfo is None:
        if not zone:
            raise UsageError(
                f"the time {text!r} has no zone; end it with Z for UTC, or name the zone, such as "
                "Pacific/Auckland",
                code="time-without-zone",
            )
        moment = moment.replace(tzinfo=load_zone(zone))
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")


def rows_named(marks: Marks, text: str) -> list[int]:
    """Return the mark of this id, else those of this name, else those whose id begins so."""
    typed = text.strip()
    wanted = typed.casefold()
    ids = marks.mark_id.tolist()
    found = [i for i, mark_id in enumerate(ids) if mark_id == typed]
    if not found:
        names = enumerate(marks.name.tolist())
        found = [i for i, name in names if name and name.strip().casefold() == wanted]
    if not found and len(wanted) >= _LEAST_PREFIX:
        found = [i for i, mark_id in enumerate(ids) if mark_id.startswith(wanted)]
    return found


def row_named(marks: Marks, text: str) -> int:
    """Return the one mark that a text means.

    Raises
    ------
    UsageError
        No mark, or several, are meant.
    """
    found = rows_named(marks, text)
    if len(found) == 1:
        return found[0]
    if found:
        ids = ", ".join(str(marks.mark_id[i]) for i in found[:5])
        raise UsageError(f"{text!r} could be {len(found)} marks; give one of their ids: {ids}")
    some = ", ".join([n for n in marks.name.tolist() if n][:_LISTED])
    raise UsageError(
        f"there is no mark {text!r} among {many(len(marks), 'mark')}"
        + (f"; some of them are {some}" if some else "")
    )


def rows_of_names(marks: Marks, names: Sequence[str]) -> list[int]:
    """Return the marks of several texts, each one mark or several parted by commas, in that order."""
    rows: list[int] = []
    for text in names:
        # A whole name that has a comma in it is one name.
        parts = [text] if rows_named(marks, text) else text.split(",")
        rows += [row_named(marks, part) for part in parts if part.strip()]
    return list(dict.fromkeys(rows))


def place_of(text: str, marks: Marks, what: str) -> Place:
    """Return a place: that of a mark of this name, or a position, latitude first.

    Parameters
    ----------
    text : str
        What was typed.
    marks : Marks
        Those that may be named.
    what : str
        What the place is, such as ``start``; the name of a position.

    Raises
    ------
    UsageError
        Neither.
    """
    rows = rows_named(marks, text)
    if len(rows) == 1:
        i = rows[0]
        return Place(float(marks.lon[i]), float(marks.lat[i]), str(marks.name[i]) or text)
    parts = re.split(r"\s*[,;]\s*|(?<=[NSns])\s+(?=\d)", text.strip())
    if len(parts) != 2:
        raise UsageError(
            f"the {what} {text!r} is neither the name of one mark nor a position; write it like "
            '"55 30.0 N, 12 15.0 E" (latitude first)'
        )
    lon, lat = parse_position(*parts)
    return Place(lon, lat, what)
