"""Options and small helpers that several commands share."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar, cast

import click

from athwart.errors import BadRow, UsageError
from athwart.jsonable import plain
from athwart.units import Dimension, UnitSystem, many, parse_quantity
from athwart.visible import visible_json, visible_text

if TYPE_CHECKING:
    import numpy as np

    from athwart.boat import Boat
    from athwart.formats import ReadOptions
    from athwart.tables import Table, Track

F = TypeVar("F", bound=Callable[..., Any])


class Quantity(click.ParamType[float]):
    """A number with a unit, returned in SI."""

    def __init__(self, dimension: Dimension) -> None:
        self.dimension: Dimension = dimension
        self.name = dimension

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the text; a float has been read already."""
        if isinstance(value, float):
            return value
        try:
            return parse_quantity(value, self.dimension)
        except UsageError as error:
            self.fail(str(error), param, ctx)


def length(*names: str, **rest: Any) -> Callable[[F], F]:
    """Declare an option that is a length."""
    return click.option(*names, type=Quantity("length"), metavar="LENGTH", **rest)


def common_options(*names: str) -> Callable[[F], F]:
    """Declare the options of these names that every command spells alike."""
    known = {
        "json": click.option("--json", "as_json", is_flag=True, help="Print one JSON object."),
        "boat": click.option(
            "--boat", "boat_file", type=click.Path(path_type=Path), help="Boat file (TOML)."
        ),
        "trip": click.option("--trip", default="", help="Name of the outing."),
        "tz": click.option(
            "--tz", "time_zone", default="", help="Zone of times without one: Pacific/Auckland."
        ),
        "date": click.option(
            "--date",
            "day",
            type=click.DateTime(["%Y-%m-%d"]),
            help="Day of an NMEA log that has none: 2026-03-01.",
        ),
        "units": click.option(
            "--units", type=click.Choice(["metric", "feet", "fathoms"]), help="What is shown."
        ),
        "skip_bad": click.option(
            "--skip-bad", is_flag=True, help="Take the good rows, list the bad ones in a file."
        ),
        "overwrite": click.option("--overwrite", is_flag=True, help="Replace existing files."),
        "debug": click.option("--debug", is_flag=True, help="Show a traceback on an error."),
        "private": click.option(
            "--with-private", is_flag=True, help="Take the private marks of a book too."
        ),
        "ballpark": click.option(
            "--allow-ballpark", is_flag=True, help="Accept a coarse change of reference system."
        ),
    }

    def declare(function: F) -> F:
        for name in reversed(names):
            function = known[name](function)
        return function

    return declare


def read_boat(path: Path | None) -> Boat:
    """Read a boat file, or return the default boat."""
    from athwart.boat import Boat

    return Boat() if path is None else Boat.from_toml(path)


def read_track(path: Path, options: ReadOptions) -> Track:
    """Read the track of a file, and say what in it could not be read.

    Raises
    ------
    UsageError
        It holds none.
    """
    from athwart.formats import read
    from athwart.progress import Progress

    with Progress() as told:
        told(f"reading {path.name}")
        contents = read(path, options=options)
    if not len(contents.tracks):
        raise UsageError(f"{path.name} holds no track")
    if contents.rejected:
        said = many(len(contents.rejected), "line")
        say(f"note: {path.name}: left out: {said} that could not be read")
    return contents.tracks


def shown_units(units: str | None, boat: Boat | None = None) -> UnitSystem:
    """Return what the user wants to see: the option, else the boat's, else metric."""
    return cast("UnitSystem", units or (boat.units if boat else "metric"))


def parse_time(text: str, zone: str) -> np.datetime64:
    """Read one time; a time without a zone needs the zone's name."""
    from athwart.advice.places import time_of

    return time_of(text, zone)


def show(line: str) -> None:
    """Print one line of what was asked for; names in it cannot steer the terminal."""
    _echo(visible_text(line), err=False)


def say(sentence: str) -> None:
    """Talk to the user, on stderr."""
    _echo(visible_text(sentence, lines=True), err=True)


def print_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object and nothing else."""
    _echo(visible_json(json.dumps(plain(value), ensure_ascii=False, indent=1)), err=False)


def _echo(text: str, *, err: bool) -> None:
    # A reader that has seen enough (`athwart lanes ... | head -1`) must not keep a file that was
    # asked for from being written.
    try:
        click.echo(text, err=err)
    except BrokenPipeError:
        to_nowhere(sys.stderr if err else sys.stdout)


def to_nowhere(stream: TextIO) -> None:
    """Drop whatever is still written to a stream that nobody reads any more."""
    with suppress(OSError, ValueError):  # no file of the system's
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def rows_of(table: Table, names: Iterable[str]) -> list[dict[str, Any]]:
    """Return some columns of a table as one mapping a row."""
    columns = [getattr(table, name) for name in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def read_options(
    time_zone: str, day: datetime | None = None, *, allow_ballpark: bool = False, **rest: Any
) -> ReadOptions:
    """Return the options of reading that the common options stand for."""
    from athwart.formats import ReadOptions

    return ReadOptions(
        time_zone=time_zone or None,
        date=day.date() if day else None,
        allow_ballpark=allow_ballpark,
        **rest,
    )


def say_rejected(rejected: Iterable[tuple[str, BadRow]]) -> None:
    """Say which rows were not taken, with their file; rows with the same fault share a line."""
    from athwart.errors import folded

    by_source: dict[str, list[BadRow]] = {}
    for source, row in rejected:
        by_source.setdefault(source, []).append(row)
    for source, rows in by_source.items():
        for line in folded(rows):
            say(f"left out, {source}: {line}")


def write_rejected(rejected: Iterable[tuple[str, BadRow]], beside: Path | None) -> None:
    """Write rows that were not taken, with their file, to a CSV file beside the output; say so.

    Where nothing is written they are only said: no file turns up that nobody asked for.
    """
    if beside is None:
        say_rejected(rejected)
        return
    rows = [{"file": f, "row": r.row, "code": r.code, "message": r.message} for f, r in rejected]
    if not rows:
        return
    path = beside.with_name(f"{beside.stem}-rejected.csv")
    write_csv(path, rows, overwrite=True)
    say(f"left out: {many(len(rows), 'row')}, listed in {path.name}")


def write_csv(
    path: Path,
    rows: Iterable[Mapping[str, Any]],
    *,
    first: Sequence[str] = (),
    overwrite: bool = False,
) -> None:
    """Write rows as a table of text; what is not known is an empty cell, and no cell a formula.

    The columns named ``first`` stand first, and are there without any row.
    """
    import csv
    import io

    from athwart.formats import atomic_write
    from athwart.formats.table import safe_cell

    text = io.StringIO()
    rows = list(rows)
    names = list(dict.fromkeys([*first, *(key for row in rows for key in row)]))
    writer = csv.DictWriter(text, names, restval="", lineterminator="\n")
    writer.writeheader()
    for row in rows:
        cells = plain(row)
        writer.writerow({k: safe_cell(v) if isinstance(v, str) else v for k, v in cells.items()})
    with atomic_write(path, overwrite=overwrite) as temporary:
        temporary.write_text(text.getvalue(), encoding="utf-8")
