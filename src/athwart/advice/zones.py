"""The user's own zones out of files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from athwart.errors import DataError, FileError
from athwart.units import UnitSystem, format_length, format_position, many

if TYPE_CHECKING:
    from athwart.plan.zones import Findings, Zones
    from athwart.tables import Marks

__all__ = ["mark_lines", "summary_line", "zones_of"]


def zones_of(
    paths: Sequence[Path], *, allow_ballpark: bool = False
) -> tuple[Zones | None, list[str]]:
    """Read zones.

    Returns
    -------
    Zones or None
        None if there is no file.
    list of str
        How they were understood, each with the name of its file.

    Raises
    ------
    FileError
        A file cannot be read, or holds a zone that cannot be mended.
    """
    from athwart.formats.shapes import read_shapes
    from athwart.plan.zones import Zones

    read, words = [], []
    for path in paths:
        frame = read_shapes(path, allow_ballpark=allow_ballpark, every=True)
        try:
            read.append(Zones.from_frame(frame))
        except DataError as error:
            raise FileError(path.name, str(error)) from error
        words += [f"{path.name}: {word}" for word in read[-1].words]
    return (Zones.concat(read) if read else None), words


def mark_lines(zones: Zones, marks: Marks, found: Findings, units: UnitSystem) -> list[str]:
    """Return what was found of marks in sentences: which mark, its R95, where it lies to a zone."""
    return [
        f"{_called(marks, int(i))} (R95 {format_length(float(marks.r95_m[i]), units)}): {sentence}"
        for i, sentence in zip(found.item, found.sentences(zones, units), strict=True)
    ]


def summary_line(marks: int, shapes: int, zones: int, touched: int) -> str:
    """Return how many things were held against how many zones, and how many of them are touched."""
    things = many(marks, "mark") + (f" and {many(shapes, 'other shape')}" if shapes else "")
    return (
        f"{things} against {many(zones, 'zone')}: {touched} inside, across or within R95 of an "
        f"edge, {marks + shapes - touched} clear of them all"
    )


def _called(marks: Marks, i: int) -> str:
    """Return how a mark is called: by its name, else by what and where it is."""
    place = format_position(float(marks.lon[i]), float(marks.lat[i]))
    return str(marks.name[i]) or f"{marks.kind[i] or 'mark'} at {place}"
