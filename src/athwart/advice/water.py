"""The water out of what a person gives: typed turns, a table, a level; and what is said of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from athwart.errors import DataError, FileError, TableError, UsageError
from athwart.formats.texts import load_zone
from athwart.units import UnitSystem, format_length, format_position, many

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from athwart.boat import Boat
    from athwart.plan.depth import DepthOver
    from athwart.plan.tide import Tide
    from athwart.tables import Marks, Sightings

__all__ = [
    "Water",
    "WaterWords",
    "over_marks",
    "said_time",
    "water_from_level",
    "water_from_readings",
    "water_from_table",
    "water_from_turns",
]

_COARSE_H = 3.0
_MINUTE = np.timedelta64(60_000_000, "us")


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


def _silent(word: str) -> None:
    pass


def water_from_level(level_m: float, then_m: float | None, zero_m: float = 0.0) -> Water:
    """Return inland water of one level.

    Parameters
    ----------
    level_m : float
        The level now, metres above the gauge's zero.
    then_m : float or None
        The level when the marks were sounded.
    zero_m : float
        How far the gauge's zero lies above the zero of depths, metres.
    """
    from athwart.plan.tide import Level

    past = None if then_m is None else Level(height_m=then_m + zero_m)
    words = () if past else (
        "what the level was when the marks were sounded is not known; give that level too, or "
        "readings of those days",
    )  # fmt: skip
    return Water(Level(height_m=level_m + zero_m), past, words)


def water_from_readings(path: Path, zone: str, zero_m: float = 0.0) -> Water:
    """Return inland water between the readings of a file.

    Raises
    ------
    FileError, TableError
        No table of levels, every bad row named.
    """
    from athwart.formats.heights import read_heights
    from athwart.plan.tide import Tide

    table = read_heights(path, zone)
    with _named(path.name):
        tide = Tide.from_readings(table.time, table.height_m, zero_m=zero_m)
    return Water(tide, tide, table.words)


def water_from_table(
    path: Path,
    zone: str,
    *,
    lat: float | None,
    zero_m: float = 0.0,
    once_a_day: bool = False,
    weather_m: float | None = None,
    shape_part: float | None = None,
    noted: Callable[[str], None] = _silent,
    told: Callable[[str], None] = _silent,
) -> Water:
    """Return the tide of a file: a table of high and low waters, or a series of heights.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    zone : str
        Zone of times without one.
    lat : float or None
        Latitude of the place, degrees; a series needs it.
    zero_m, once_a_day, weather_m, shape_part
        As for `Tide.from_extremes` and `Tide.from_series`.
    noted : callable
        Told as what the file is taken, before anything is made of it.
    told : callable
        Told before work that takes long.

    Raises
    ------
    UsageError
        A series without a latitude.
    FileError, TableError
        A file that is no table of heights, every bad row named.
    """
    from athwart.formats.heights import read_heights
    from athwart.plan.tide import Tide

    table = read_heights(path, zone)
    hours = np.diff(np.sort(table.time)) / np.timedelta64(3_600_000_000, "us")
    turning = table.what is not None or len(table) < 3 or np.median(hours) > _COARSE_H
    weather = {} if weather_m is None else {"weather_m": weather_m}
    with _named(path.name):
        if turning:
            noted(f"{path.name} is taken as a table of high and low waters")
            tide = Tide.from_extremes(
                table.time,
                table.height_m,
                table.what,
                zero_m=zero_m,
                once_a_day=once_a_day,
                **weather,
                **({} if shape_part is None else {"shape_part": shape_part}),
            )
        else:
            noted(f"{path.name} is taken as a series of heights")
            if lat is None:
                raise UsageError(
                    f"{path.name} is a series of heights; to take it apart the latitude of the "
                    "place is needed",
                    code="latitude-missing",
                )
            told(f"taking the tide of {path.name} apart")
            tide = Tide.from_series(table.time, table.height_m, lat, zero_m=zero_m, **weather)
    return Water(tide, tide, tide.words)


def water_from_turns(
    time: ArrayLike, height_m: ArrayLike, what: ArrayLike, *, called: str, **how: Any
) -> Water:
    """Return the tide between high and low waters that were typed.

    Parameters
    ----------
    time, height_m, what : array_like
        As for `Tide.from_extremes`, in any order.
    called : str
        What the user knows them as, for refusals.
    **how
        More for `Tide.from_extremes`.
    """
    from athwart.plan.tide import Tide

    order = np.argsort(np.asarray(time, "datetime64[us]"), kind="stable")
    with _named(called):
        tide = Tide.from_extremes(
            np.asarray(time, "datetime64[us]")[order],
            np.asarray(height_m, float)[order],
            np.asarray(what, dtype=object)[order],
            **how,
        )
    return Water(tide, tide, tide.words)


@contextmanager
def _named(name: str) -> Iterator[None]:
    """Put the user's name of a table before what is wrong with it."""
    try:
        yield
    except TableError as error:
        raise TableError(name, error.rows) from error
    except FileError:
        raise
    except DataError as error:
        raise FileError(name, str(error), code=error.code) from error


def said_time(time: np.datetime64, zone: str = "") -> str:
    """Write a moment to the minute, in a zone if one is named, else in UTC with Z."""
    if np.isnat(time):
        return ""
    minute = (time + np.timedelta64(30, "s")).astype("datetime64[m]")
    if not zone:
        return f"{str(minute).replace('T', ' ')}Z"
    moment: datetime = minute.astype(datetime).replace(tzinfo=UTC).astimezone(load_zone(zone))
    return moment.isoformat(sep=" ", timespec="minutes").replace("+00:00", "Z")


def over_marks(
    level: Water,
    looks: Sightings,
    boat: Boat,
    *,
    draft_m: float | None = None,
    margin_m: float = 0.5,
    transducer_depth_m: float | None = None,
) -> Callable[[Marks, NDArray[np.datetime64]], DepthOver]:
    """Return the water over marks as a function of marks and times, one each."""
    from athwart.plan.depth import depth_over

    deep = boat.transducer_depth_m if transducer_depth_m is None else transducer_depth_m

    def over(marks: Marks, time: NDArray[np.datetime64]) -> DepthOver:
        return depth_over(
            marks,
            level.now,
            time,
            sightings=looks,
            past=level.past,
            transducer_depth_m=deep,
            draft_m=float("nan") if draft_m is None else draft_m,
            margin_m=margin_m,
            budget=boat.budget,
        )

    return over


class WaterWords:
    """What is said of a water, in the user's units and zone.

    Parameters
    ----------
    water : Water
        The water.
    zone : str
        Zone in which times are written; UTC if empty.
    units : {"metric", "feet", "fathoms"}
        What lengths are written in.
    """

    def __init__(self, water: Water, zone: str, units: UnitSystem) -> None:
        self.water, self.zone, self.units = water, zone, units

    def length(self, metres: Any, digits: int = 1) -> str:
        """Return a length."""
        return format_length(float(metres), self.units, digits)

    def error(self, sigma: Any) -> str:
        """Return a standard error as one of 95 %."""
        from athwart.uncertainty.vertical import Z95

        return f"± {self.length(Z95 * float(sigma))} (95 %)"

    def height(self, metres: Any) -> str:
        """Return a height above datum, to 1 cm or 0.1 ft."""
        return self.length(metres, 2 if self.units == "metric" else 1)

    def stands(self, metres: Any) -> str:
        """Return how a height lies to datum, without a sign."""
        below = float(metres) < 0.0
        return f"{self.height(abs(float(metres)))} {'below' if below else 'above'} datum"

    def time(self, time: np.datetime64) -> str:
        """Return a moment to the minute."""
        return said_time(time, self.zone)

    def unknown(self, time: np.datetime64) -> str:
        """Return that the height at a time is not known, and for which times it is."""
        first, last = self.water.now.span()
        rest = ""
        if not np.isnat(first):
            rest = f"; what was given runs from {self.time(first)} to {self.time(last)}, gaps apart"
        return f"the height of the water at {self.time(time)} is not known{rest}"

    def heights(self, times: NDArray[np.datetime64]) -> list[str]:
        """Return a sentence a time: the height, its error, which way it goes, the twelfths."""
        tide = self.water.now
        height, sigma = tide.height(times)
        twelfths = tide.by_twelfths(times)
        out = []
        for t, h, s, w in zip(times, height, sigma, twelfths, strict=True):
            if np.isnan(h):
                out.append(f"{self.time(t)}  not known")
                continue
            by = "" if np.isnan(w) else f"; by the rule of twelfths {self.height(w)}"
            out.append(f"{self.time(t)}  {self.stands(h)}, {self.error(s)}{_way(tide, t)}{by}")
        return out

    def turns(self, time: Any, height_m: Any, high: Any) -> list[str]:
        """Return a sentence for each high and low water."""
        return [
            f"{'high' if up else 'low'} water  {self.time(t)}  {self.height(h)}"
            for t, h, up in zip(time, height_m, high, strict=True)
        ]

    def depths(self, marks: Marks, over: DepthOver) -> list[str]:
        """Return the water over marks in sentences: how high it stands, each mark, how many.

        The mark with the least clearance comes first; those without a depth are counted.
        """
        from athwart.plan.depth import LITTLE, NO_DEPTH

        sentences = over.sentences(self.units)
        sounded = np.flatnonzero(over.state != NO_DEPTH)
        out = [
            f"{self.time(over.time[0])}: the water stands {self.stands(over.tide_m[0])}, "
            f"{self.error(over.tide_sigma_m[0])}"
        ]
        shallow_first = np.lexsort((over.depth_m[sounded], over.clearance_m[sounded]))
        for i in sounded[shallow_first]:
            place = format_position(float(marks.lon[i]), float(marks.lat[i]))
            called = marks.name[i] or f"{marks.kind[i] or 'mark'} at {place}"
            order = over.s44_vertical[i]
            limit = f"; S-44 vertical limit {order}" if order else ""
            out.append(f"{called}: {sentences[i]}{limit}")
        silent = len(over) - len(sounded)
        little = int((over.state == LITTLE).sum())
        out.append(
            f"{many(len(sounded), 'mark')} with a depth, {little} with too little water"
            + (f"; {many(silent, 'mark')} without a depth" if silent else "")
        )
        return out


def _way(tide: Tide, time: np.datetime64) -> str:
    before, after = tide.height(np.array([time - 5 * _MINUTE, time + 5 * _MINUTE]))[0]
    if not np.isfinite(after - before) or abs(after - before) < 0.005:
        return ""
    return ", rising" if after > before else ", falling"
