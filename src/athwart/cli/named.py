"""Marks that a user means by what is typed: a name, an id, or the first letters of one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from athwart.errors import UsageError
from athwart.units import many

if TYPE_CHECKING:
    from athwart.tables import Marks

__all__ = ["row_named", "rows_named", "rows_of_names"]

_LEAST_PREFIX = 4
_LISTED = 8


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
