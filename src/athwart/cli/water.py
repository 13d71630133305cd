"""The options by which commands are told how high the water stands, and what is made of them."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from athwart.cli.common import Quantity, length, parse_time, say
from athwart.errors import UsageError
from athwart.progress import Progress
from athwart.units import parse_quantity

if TYPE_CHECKING:
    import numpy as np

    from athwart.advice.water import Water

__all__ = ["WaterChoice", "water_options"]

F = TypeVar("F", bound=Callable[..., Any])


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
        from athwart.advice.water import water_from_level, water_from_readings, water_from_table

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
            return water_from_level(self.level, self.level_then, self.zero)
        if self.levels_file is not None:
            return water_from_readings(self.levels_file, zone, self.zero)
        if not self.tide_file:
            return self._typed(zone)
        with Progress() as told:
            return water_from_table(
                self.tide_file,
                zone,
                lat=lat,
                zero_m=self.zero,
                once_a_day=self.once_a_day,
                weather_m=self.tide_error,
                shape_part=self.shape_error,
                noted=lambda word: say(f"note: {word}"),
                told=told,
            )

    def _typed(self, zone: str) -> Water:
        import numpy as np

        from athwart.advice.water import water_from_turns

        turns = [(*_turn(text, zone), "high") for text in self.highs]
        turns += [(*_turn(text, zone), "low") for text in self.lows]
        time, height, what = zip(*turns, strict=True)
        how = {"weather_m": self.tide_error, "shape_part": self.shape_error}
        return water_from_turns(
            np.array(time),
            np.array(height),
            np.array(what, dtype=object),
            called="--high and --low, by time",
            zero_m=self.zero,
            once_a_day=self.once_a_day,
            **{name: value for name, value in how.items() if value is not None},
        )


def _turn(text: str, zone: str) -> tuple[np.datetime64, float]:
    parts = text.strip().rsplit(None, 1)
    if len(parts) != 2:
        raise UsageError(
            f'{text!r} is no high or low water; write time and height: "2031-05-04T11:41Z 3.4m"'
        )
    return parse_time(parts[0], zone), parse_quantity(parts[1], "length")


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
