"""The options by which commands are told how high the water stands, and what is made of them."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
import numpy as np

from athwart.cli.common import Quantity, length, parse_time, say
from athwart.errors import DataError, FileError, TableError, UsageError
from athwart.progress import Progress
from athwart.units import parse_quantity

if TYPE_CHECKING:
    from athwart.plan.tide import Tide

__all__ = ["Water", "WaterChoice", "said_time", "water_options"]

F = TypeVar("F", bound=Callable[..., Any])

_COARSE_H = 3.0


@dataclass(frozen=True)
class Water:
    """The water at the time asked for, and when the marks were sounded.

    Parameters
    ----------
    now : Tide
        At any time that lies ahead.
    past : Tide or None
        When soundings were made; None where that is not known.
    words : tuple of str
        What the user should know.
    """

    now: Tide
    past: Tide | None
    words: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class WaterChoice:
    """What the user said of the water."""

    tide_file: Path | None
    highs: tuple[str, ...]
    lows: tuple[str, ...]
    once_a_day: bool
    level: float | None
    level_then: float | None
    levels_file: Path | None
    zero: float
    tide_error: float | None
    shape_error: float | None

    def __bool__(self) -> bool:
        return bool(
            self.tide_file or self.highs or self.lows or self.levels_file or self.level is not None
        )

    def read(self, *, zone: str = "", lat: float | None = None) -> Water:
        """Return the water.

        Parameters
        ----------
        zone : str
            Zone of times without one.
        lat : float, optional
            Latitude of the place, degrees; a series of heights needs it.

        Raises
        ------
        UsageError
            None or more than one way was given, or a series without a latitude.
        FileError, TableError
            A file that is no table of heights, every bad row named.
        """
        given = [
            name
            for name, value in (
                ("--tide", self.tide_file),
                ("--high and --low", self.highs or self.lows),
                ("--level", self.level is not None),
                ("--levels", self.levels_file),
            )
            if value
        ]
        if len(given) != 1:
            raise UsageError(
                f"{' and '.join(given)} are given; keep one" if given else
                "say how high the water is: --tide FILE, --high and --low, or for inland water "
                "--level or --levels FILE"
            )  # fmt: skip
        if self.level_then is not None and self.level is None:
            raise UsageError("--level-then says what --level was; give --level too")
        if self.tide_error is not None and not self.tide_error >= 0:
            raise UsageError(f"--tide-error is {self.tide_error:g} m; allowed is 0 or more")
        if self.shape_error is not None and not 0 <= self.shape_error <= 1:
            raise UsageError(
                f"--shape-error is {self.shape_error:g}; allowed is 0 to 1 of the range"
            )
        if self.level is not None:
            return self._levels(self.level)
        if self.levels_file is not None:
            return self._readings(self.levels_file, zone)
        tide = self._tide(self.tide_file, zone, lat) if self.tide_file else self._typed(zone)
        return Water(tide, tide, tide.words)

    def _weather(self) -> dict[str, float]:
        return {} if self.tide_error is None else {"weather_m": self.tide_error}

    def _turning(self) -> dict[str, float]:
        shape = {} if self.shape_error is None else {"shape_part": self.shape_error}
        return {**self._weather(), **shape}

    def _levels(self, level: float) -> Water:
        from athwart.plan.tide import Level

        then = self.level_then
        past = None if then is None else Level(height_m=then + self.zero)
        words = () if past else (
            "what the level was when the marks were sounded is not known; give --level-then, or "
            "--levels FILE with readings of those days",
        )  # fmt: skip
        return Water(Level(height_m=level + self.zero), past, words)

    def _readings(self, path: Path, zone: str) -> Water:
        from athwart.formats.heights import read_heights
        from athwart.plan.tide import Tide

        table = read_heights(path, zone)
        with _named(path.name):
            tide = Tide.from_readings(table.time, table.height_m, zero_m=self.zero)
        return Water(tide, tide, table.words)

    def _tide(self, path: Path, zone: str, lat: float | None) -> Tide:
        from athwart.formats.heights import read_heights
        from athwart.plan.tide import Tide

        table = read_heights(path, zone)
        hours = np.diff(np.sort(table.time)) / np.timedelta64(3_600_000_000, "us")
        turning = table.what is not None or len(table) < 3 or np.median(hours) > _COARSE_H
        with _named(path.name):
            if turning:
                say(f"note: {path.name} is taken as a table of high and low waters")
                return Tide.from_extremes(
                    table.time,
                    table.height_m,
                    table.what,
                    zero_m=self.zero,
                    once_a_day=self.once_a_day,
                    **self._turning(),
                )
            say(f"note: {path.name} is taken as a series of heights")
            if lat is None:
                raise UsageError(
                    f"{path.name} is a series of heights; to take it apart the latitude of the "
                    "place is needed: give --lat"
                )
            with Progress() as told:
                told(f"taking the tide of {path.name} apart")
                return Tide.from_series(
                    table.time, table.height_m, lat, zero_m=self.zero, **self._weather()
                )

    def _typed(self, zone: str) -> Tide:
        from athwart.plan.tide import Tide

        turns = [(*_turn(text, zone), "high") for text in self.highs]
        turns += [(*_turn(text, zone), "low") for text in self.lows]
        turns.sort(key=lambda t: t[0])
        time, height, what = zip(*turns, strict=True)
        with _named("--high and --low, by time"):
            return Tide.from_extremes(
                np.array(time),
                np.array(height),
                np.array(what, dtype=object),
                zero_m=self.zero,
                once_a_day=self.once_a_day,
                **self._turning(),
            )


class _named:  # noqa: N801 - reads as the word it is: with _named(file)
    """Put the user's name of a table before what is wrong with it."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, TableError):
            raise TableError(self.name, error.rows) from error
        if isinstance(error, DataError) and not isinstance(error, FileError):
            raise FileError(self.name, str(error), code=error.code) from error


def _turn(text: str, zone: str) -> tuple[np.datetime64, float]:
    parts = text.strip().rsplit(None, 1)
    if len(parts) != 2:
        raise UsageError(
            f'{text!r} is no high or low water; write time and height: "2031-05-04T11:41Z 3.4m"'
        )
    return parse_time(parts[0], zone), parse_quantity(parts[1], "length")


def said_time(time: np.datetime64, zone: str = "") -> str:
    """Write a moment to the minute, in a zone if one is named, else in UTC with Z."""
    if np.isnat(time):
        return ""
    minute = (time + np.timedelta64(30, "s")).astype("datetime64[m]")
    if not zone:
        return f"{str(minute).replace('T', ' ')}Z"
    from datetime import UTC

    from athwart.formats.texts import load_zone

    moment: datetime = minute.astype(datetime).replace(tzinfo=UTC).astimezone(load_zone(zone))
    return moment.isoformat(sep=" ", timespec="minutes")


_OPTIONS = (
    click.option(
        "--tide",
        "tide_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Table of high and low waters, or a series of heights (CSV: time, height_m or "
        "height_ft).",
    ),
    click.option(
        "--high", "highs", multiple=True, metavar='"TIME HEIGHT"', help="A high water, typed."
    ),
    click.option(
        "--low", "lows", multiple=True, metavar='"TIME HEIGHT"', help="A low water, typed."
    ),
    click.option("--once-a-day", is_flag=True, help="The tide there turns once a day."),
    length("--level", help="Level of inland water, instead of a tide."),
    length("--level-then", help="What that level was when the marks were sounded."),
    click.option(
        "--levels",
        "levels_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Readings of a level (CSV: time, level_m or level_ft).",
    ),
    length(
        "--zero",
        default="0m",
        show_default=True,
        help="How far the zero of those heights lies above chart datum.",
    ),
    click.option(
        "--tide-error",
        type=Quantity("length"),
        metavar="LENGTH",
        help="What weather does to the tide, 1 sigma; 0.2m unless given.",
    ),
    click.option(
        "--shape-error",
        type=float,
        metavar="PART",
        help="Error of the curve half way between turns, 1 sigma, of the range; 0.06 unless given.",
    ),
)
_NAMES = (
    "tide_file", "highs", "lows", "once_a_day", "level", "level_then", "levels_file", "zero",
    "tide_error", "shape_error",
)  # fmt: skip


def water_options(function: F) -> F:
    """Declare the options of the water; the command gets them as one `WaterChoice`, ``water``."""

    @functools.wraps(function)
    def gathered(**values: Any) -> Any:
        said = {name: values.pop(name) for name in _NAMES}
        return function(water=WaterChoice(**said), **values)

    declared: Any = gathered
    for option in reversed(_OPTIONS):
        declared = option(declared)
    return declared  # type: ignore[no-any-return]
