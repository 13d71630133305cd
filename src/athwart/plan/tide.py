"""Height of the water at a time: high and low waters, a series of heights, or an inland level.

Heights are metres above one zero, chart datum unless ``zero_m`` says how far the zero lies above
it; times are UTC. Every height comes with its standard error (1 sigma), and where nothing is known
of the water at a time the height is NaN, never a guess.

Between a high and a low water the height follows a half cosine,
``h1 + (h2 - h1) (1 - cos(pi (t - t1) / (t2 - t1))) / 2``, the construction on which the published
tables for heights at any time rest (NOAA Tide Tables, table 3, from memory). The rule of twelfths
is the same curve drawn with straight lines, at most 1.6 % of the range off at the sixths and 2.6 %
between them.

A series of heights is taken apart into harmonic constituents by `utide` [CODIGA]_. How far its
predictions can be trusted is measured, not assumed: each half of the series is predicted from the
other half.

References
----------
.. [CODIGA] Codiga, D. L. (2011), "Unified Tidal Analysis and Prediction Using the UTide Matlab
   Functions", University of Rhode Island technical report 2011-01.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import BadRow, DataError, TableError
from athwart.units import Constant

__all__ = ["GAUGE", "LONGEST_H", "SHAPE", "WEATHER", "Level", "Tide", "Turns", "twelfths"]

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.datetime64]

WEATHER = Constant(
    0.2, "m", 0.0, "sea level against its tide at an open-coast gauge, 1 sigma, a year of hours: "
    "0.20 to 0.23 m (NOAA station 8720218, 2017); wind and pressure can do several times as much",
)  # fmt: skip
SHAPE = Constant(
    0.06, "of the range", 0.0, "cosine against the predicted curve at the same gauge: 4.4 % half "
    "way, 1 sigma; rounded up for times of high water that are some minutes off",
)  # fmt: skip
GAUGE = Constant(0.03, "m", 0.0, "IHO B-12 table 4: tide 0.06 m at 95 %")
SEASON = Constant(
    0.25, "m", 0.0, "mean sea level of another season than that of the series; the halves of 2017 "
    "at the same gauge differ by 0.22 m",
)  # fmt: skip
STAFF = Constant(0.05, "m", 0.0, "level read off a staff or a dam's own report, common practice")
DRIFT = Constant(0.1, "m a day", 0.0, "inland level after its last reading, common practice")

LONGEST_H = 10 + 40 / 60
"""Longest time from high to low water that the published tables bridge (NOAA table 3), hours."""
LONGEST_ONCE_A_DAY_H = 16.0
SHORTEST_SERIES_DAYS = 15.0
"""Main lunar and solar tide part after 14.8 days; a shorter series cannot tell them apart."""
LONGEST_SERIES_DAYS = 731.0
REACH_YEARS = 5.0
READINGS_GAP_DAYS = 31.0
READINGS_AFTER_DAYS = 7.0

_YEAR_DAYS = 360  # what counts as a whole year of heights
_DAY_US = 86_400_000_000
_HOUR_US = 3_600_000_000
_UTC = "datetime64[us]"


def _micros(time: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    moments = np.asarray(time, dtype=_UTC)
    known = ~np.isnat(moments)
    return np.where(known, moments.astype(np.int64), 0), known


def twelfths(part: ArrayLike) -> FloatArray:
    """Return the part of the range by the rule of twelfths after a part of the time.

    Parameters
    ----------
    part : array_like
        Time since the last turn over the time from turn to turn, 0 to 1.

    Returns
    -------
    numpy.ndarray
        0 to 1; straight between the sixths (1, 2, 3, 3, 2, 1 twelfths).

    Examples
    --------
    >>> (12 * twelfths([0, 1 / 6, 0.5, 1])).round(6).tolist()
    [0.0, 1.0, 6.0, 12.0]
    """
    known = np.array([0, 1, 3, 6, 9, 11, 12]) / 12.0
    return np.asarray(np.interp(np.asarray(part, np.float64), np.arange(7) / 6.0, known))


@dataclass(frozen=True, eq=False)
class Turns:
    """High and low waters.

    Attributes
    ----------
    time : numpy.ndarray of datetime64[us]
        UTC.
    height_m : numpy.ndarray
        Metres.
    high : numpy.ndarray of bool
        High water; else low water.
    """

    time: TimeArray
    height_m: FloatArray
    high: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.time)


_NO_TURNS = Turns(np.empty(0, _UTC), np.empty(0), np.empty(0, bool))


class Tide(ABC):
    """The height of the water as a function of time.

    Make one with `from_extremes`, `from_series`, `from_readings` or `Level`.
    """

    words: tuple[str, ...] = ()
    """What the user should know of it, in whole sentences."""

    @abstractmethod
    def height(self, time: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return height and standard error at times.

        Parameters
        ----------
        time : array_like of datetime64
            UTC, any shape.

        Returns
        -------
        height_m, sigma_m : numpy.ndarray
            Metres above chart datum, 1 sigma; NaN where the water is not known.
        """

    @abstractmethod
    def span(self) -> tuple[np.datetime64, np.datetime64]:
        """Return first and last time with a known height; NaT where there is no such limit."""

    def usual(self) -> tuple[float, float]:
        """Return the middle of the tide and how far it moves about it, 1 sigma, metres.

        NaN for inland water, whose level at another time nobody can guess.
        """
        return float("nan"), float("nan")

    def turns(self, start: np.datetime64, end: np.datetime64) -> Turns:
        """Return the high and low waters from one time to another; none for inland water."""
        return _NO_TURNS

    def by_twelfths(self, time: ArrayLike) -> FloatArray:
        """Return heights by the rule of twelfths, metres; NaN where no two turns are known."""
        return np.full(np.shape(np.asarray(time)), np.nan)

    @staticmethod
    def from_extremes(
        time: ArrayLike,
        height_m: ArrayLike,
        what: ArrayLike | None = None,
        *,
        zero_m: float = 0.0,
        weather_m: float = WEATHER.value,
        shape_part: float = SHAPE.value,
        once_a_day: bool = False,
    ) -> Tide:
        """Return the tide between high and low waters.

        Parameters
        ----------
        time : array_like of datetime64
            UTC, in any order.
        height_m : array_like
            Metres above the zero.
        what : array_like of str, optional
            ``high`` or ``low``; ``""`` where it is not said. Without it they are told by their
            heights.
        zero_m : float
            How far the zero of the heights lies above chart datum, metres.
        weather_m : float
            What weather and the table's own error do to a high or low water, 1 sigma, metres.
        shape_part : float
            Error of the cosine half way, 1 sigma, as a part of the range.
        once_a_day : bool
            The tide there turns once a day; turns up to 16 h apart are then bridged, else 10 h 40.

        Raises
        ------
        TableError
            A time twice, heights that do not rise and fall in turn, or a high water that is lower
            than the low water beside it; every row named.
        DataError
            Fewer than two.
        """
        return _Extremes.made(
            time,
            height_m,
            what,
            zero_m=zero_m,
            weather_m=weather_m,
            shape_part=shape_part,
            longest_h=LONGEST_ONCE_A_DAY_H if once_a_day else LONGEST_H,
        )

    @staticmethod
    def from_series(
        time: ArrayLike,
        height_m: ArrayLike,
        lat: float,
        *,
        zero_m: float = 0.0,
        weather_m: float = WEATHER.value,
    ) -> Tide:
        """Return the tide that follows from a series of heights, measured or predicted.

        Within the series the height is the series' own; elsewhere it is predicted from its
        harmonic constituents.

        Parameters
        ----------
        time : array_like of datetime64
            UTC, in any order, not more than 3 h apart in the middle; gaps do no harm.
        height_m : array_like
            Metres above the zero.
        lat : float
            Latitude of the place, degrees.
        zero_m : float
            How far the zero of the heights lies above chart datum, metres.
        weather_m : float
            Error of a series that proves to be a prediction itself, 1 sigma, metres.

        Raises
        ------
        DataError
            Shorter than 15 days, too coarse, a time twice, or a height that is no number.
        """
        return _Series.made(time, height_m, lat, zero_m=zero_m, weather_m=weather_m)

    @staticmethod
    def from_readings(time: ArrayLike, height_m: ArrayLike, *, zero_m: float = 0.0) -> Tide:
        """Return the level of inland water between readings of a gauge or a dam's reports.

        Parameters
        ----------
        time : array_like of datetime64
            UTC, in any order.
        height_m : array_like
            Metres above the gauge's zero.
        zero_m : float
            How far that zero lies above the zero of depths, metres.

        Raises
        ------
        DataError
            No reading, a time twice, or a height that is no number.
        """
        return _Readings.made(time, height_m, zero_m=zero_m)


def _in_order(
    time: ArrayLike, height_m: ArrayLike, least: int, what: str
) -> tuple[NDArray[np.int64], FloatArray, NDArray[np.int64]]:
    """Return micros and heights by time, and the row (from 1) that each stood in."""
    moments = np.atleast_1d(np.asarray(time, dtype=_UTC))
    heights = np.atleast_1d(np.asarray(height_m, dtype=np.float64))
    if moments.shape != heights.shape or moments.ndim != 1:
        raise DataError(f"{what}: there are {moments.size} times and {heights.size} heights")
    if len(moments) < least:
        raise DataError(f"{what}: {len(moments)} given; at least {least} are needed")
    faults = [BadRow(int(i) + 1, "time-missing", "there is no time", "time")
              for i in np.flatnonzero(np.isnat(moments))]  # fmt: skip
    faults += [BadRow(int(i) + 1, "height-missing", "the height is no number", "height_m")
               for i in np.flatnonzero(~np.isfinite(heights))]  # fmt: skip
    if faults:
        raise TableError(what, sorted(faults, key=lambda f: f.row))
    order = np.argsort(moments, kind="stable")
    t, h, rows = moments[order].astype(np.int64), heights[order], order + 1
    twice = np.flatnonzero(np.diff(t) == 0)
    if twice.size:
        raise TableError(
            what,
            [
                BadRow(int(rows[i + 1]), "time-twice",
                       f"the time {_said(t[i])} stands in row {rows[i]} too; keep one", "time")
                for i in twice
            ],
        )  # fmt: skip
    return t, h, rows


def _said(micros: Any) -> str:
    return f"{np.datetime64(int(micros), 'us').astype('datetime64[m]')}Z"


@dataclass(frozen=True, eq=False, kw_only=True)
class _Extremes(Tide):
    t: NDArray[np.int64]
    h: FloatArray
    high: NDArray[np.bool_]
    bridged: NDArray[np.bool_]
    weather_m: float
    shape_part: float
    words: tuple[str, ...] = ()

    @classmethod
    def made(
        cls,
        time: ArrayLike,
        height_m: ArrayLike,
        what: ArrayLike | None,
        *,
        zero_m: float,
        weather_m: float,
        shape_part: float,
        longest_h: float,
    ) -> Self:
        title = "high and low waters"
        t, h, rows = _in_order(time, height_m, 2, title)
        given = np.full(len(t), "", dtype=object)
        if what is not None:
            given = np.asarray(what, dtype=object)[rows - 1]
        bridged = np.diff(t) <= longest_h * _HOUR_US
        rise = np.diff(h)
        faults: list[BadRow] = []
        for i in np.flatnonzero(bridged):
            a, b = int(rows[i]), int(rows[i + 1])
            if rise[i] == 0:
                text = f"the height is that of row {a}; a high and a low water differ"
            elif i and bridged[i - 1] and (rise[i] > 0) == (rise[i - 1] > 0):
                missing = "low" if rise[i] > 0 else "high"
                text = (
                    f"the water {'rises' if rise[i] > 0 else 'falls'} to row {a} and on to this "
                    f"one; a {missing} water is missing between them or a height is wrong"
                )
            elif given[i + 1] and (given[i + 1] == "high") != (rise[i] > 0):
                text = (
                    f"it is called {given[i + 1]} water, but row {a} before it is "
                    f"{'lower' if rise[i] > 0 else 'higher'}"
                )
            elif given[i] and (given[i] == "high") == (rise[i] > 0):
                text = f"row {a} is called {given[i]} water, but this one after it is " + (
                    "higher" if rise[i] > 0 else "lower"
                )
            else:
                continue
            faults.append(BadRow(b, "turns-do-not-alternate", text, "height_m"))
        if faults:
            raise TableError(title, sorted(faults, key=lambda f: f.row))
        if not bridged.any():
            hours = float(np.diff(t).min() / _HOUR_US)
            raise DataError(
                f"{title}: no two of them lie within {longest_h:.1f} h of each other (the nearest "
                f"are {hours:.1f} h apart), so that no height between them is known, unless the tide "
                "there turns once a day",
                code="turns-too-far-apart",
            )
        high = np.empty(len(t), dtype=bool)
        high[1:] = rise > 0
        high[0] = rise[0] < 0
        after_gap = np.flatnonzero(~bridged) + 1  # there the next turn tells, not the last
        last = len(rise)
        high[after_gap] = [rise[i] < 0 if i < last else given[i] == "high" for i in after_gap]
        words = []
        near = np.flatnonzero(~bridged & (np.diff(t) <= LONGEST_ONCE_A_DAY_H * _HOUR_US))
        if near.size:
            a, b = t[near[0]], t[near[0] + 1]
            words.append(
                f"from {_said(a)} to {_said(b)} are "
                f"{(b - a) / _HOUR_US:.1f} h: a high or low water is missing there, or "
                "the tide turns once a day (say so); heights between them are left unknown"
            )
        return cls(
            t=t,
            h=h + zero_m,
            high=high,
            bridged=bridged,
            weather_m=weather_m,
            shape_part=shape_part,
            words=tuple(words),
        )

    def _between(self, time: ArrayLike) -> tuple[NDArray[np.int64], FloatArray]:
        """Return the turn before each time and the part of the way to the next; NaN if unknown."""
        s, known = _micros(time)
        k = np.clip(np.searchsorted(self.t, s, side="right") - 1, 0, len(self.t) - 2)
        part = (s - self.t[k]) / (self.t[k + 1] - self.t[k])
        inside = known & (s >= self.t[0]) & (s <= self.t[-1])
        at_turn = inside & (s == self.t[k])
        return k, np.where(inside & (self.bridged[k] | at_turn), part, np.nan)

    def height(self, time: ArrayLike) -> tuple[FloatArray, FloatArray]:
        k, part = self._between(time)
        first, way = self.h[k], self.h[k + 1] - self.h[k]
        value = first + way * (1 - np.cos(np.pi * part)) / 2
        shape = self.shape_part * np.abs(way) * np.abs(np.sin(np.pi * part))
        return np.asarray(value), np.hypot(self.weather_m, shape)

    def by_twelfths(self, time: ArrayLike) -> FloatArray:
        k, part = self._between(time)
        way = self.h[k + 1] - self.h[k]
        return np.where(np.isnan(part), np.nan, self.h[k] + way * twelfths(part))

    def span(self) -> tuple[np.datetime64, np.datetime64]:
        return np.datetime64(int(self.t[0]), "us"), np.datetime64(int(self.t[-1]), "us")

    def usual(self) -> tuple[float, float]:
        high, low = self.h[self.high].mean(), self.h[~self.high].mean()
        # A cosine spends its time about its middle with range / sqrt(8); springs reach further.
        moved = 1.3 * (high - low) / np.sqrt(8)
        return float(high + low) / 2, float(np.hypot(moved, self.weather_m))

    def turns(self, start: np.datetime64, end: np.datetime64) -> Turns:
        (a, b), _ = _micros([start, end])
        at = (self.t >= a) & (self.t <= b)
        return Turns(self.t[at].astype(_UTC), self.h[at], self.high[at])


@dataclass(frozen=True, eq=False, kw_only=True)
class _Series(Tide):
    t: NDArray[np.int64]
    h: FloatArray
    coefficients: Any
    constituents: tuple[str, ...]
    zero_m: float
    inside_m: float
    outside_m: float
    words: tuple[str, ...] = field(default=())

    _BRIDGED_US = 3 * _HOUR_US
    _PREDICTION_M = 0.03

    @classmethod
    def made(
        cls, time: ArrayLike, height_m: ArrayLike, lat: float, *, zero_m: float, weather_m: float
    ) -> Self:
        title = "series of heights"
        if not -90 <= lat <= 90:
            raise DataError(f"{title}: the latitude is {lat:g}; allowed is -90 to 90")
        t, h, _ = _in_order(time, height_m, 2, title)
        days = float(t[-1] - t[0]) / _DAY_US
        if days < SHORTEST_SERIES_DAYS:
            raise DataError(
                f"{title}: it is {days:.1f} days long; {SHORTEST_SERIES_DAYS:g} days at least tell "
                "the tides of sun and moon apart; for a few days give high and low waters instead"
            )
        step = float(np.median(np.diff(t))) / _HOUR_US
        if step > 3:
            raise DataError(
                f"{title}: the heights lie {step:.1f} h apart; 3 h at most show the tide's shape"
            )
        recent = t >= t[-1] - LONGEST_SERIES_DAYS * _DAY_US
        thin = np.zeros(len(t), dtype=bool)
        hours = t // _HOUR_US
        thin[np.unique(hours, return_index=True)[1]] = True
        used = recent & thin
        fit_t, fit_h = t[used], h[used]
        span = float(fit_t[-1] - fit_t[0]) / _DAY_US
        if len(fit_t) < 24 * SHORTEST_SERIES_DAYS / 3:
            raise DataError(f"{title}: it holds too few heights ({len(fit_t)}) for its length")
        whole = span >= _YEAR_DAYS
        coefficients, names = _analysed(fit_t, fit_h, lat, span)
        rest = fit_h - _predicted(fit_t, coefficients, tuple(coefficients.name))
        noise = float(np.sqrt(np.mean(rest**2)))
        words = []
        if noise < cls._PREDICTION_M:
            # No sea follows its tide to 3 cm: somebody has predicted these heights.
            inside = outside = float(np.hypot(weather_m, noise))
            words.append(
                f"the heights follow their tide within {noise:.2f} m: they are taken as "
                f"predictions, and the weather's part as {weather_m:.2f} m (1 sigma)"
            )
        else:
            inside = float(np.hypot(GAUGE.value, 0.25 * noise * min(step / 3, 1.0)))
            apart = _held_out(fit_t, fit_h, lat)
            tested = not np.isnan(apart)
            outside = float(np.hypot(apart if tested else 2 * noise, 0 if whole else SEASON.value))
            words.append(
                f"the weather's part is {noise:.2f} m in the series itself (1 sigma), and "
                + (
                    f"{apart:.2f} m where one half of it was predicted from the other"
                    if tested
                    else f"twice that in a prediction, since {span:.0f} days are too short to "
                    "predict one half from the other"
                )
            )
            if not whole:
                words.append(
                    f"the series is shorter than a year: {SEASON.value:g} m for the level of other "
                    "seasons is added to the error of a prediction"
                )
        wild = np.abs(rest - np.median(rest)) > max(8 * noise, 1.0)
        if wild.any():
            i = int(np.flatnonzero(wild)[0])
            words.append(
                f"{int(wild.sum())} heights lie more than {max(8 * noise, 1.0):.1f} m off the tide, "
                f"the first at {_said(fit_t[i])}; look whether they are right"
            )
        return cls(
            t=t,
            h=h,
            coefficients=coefficients,
            constituents=names,
            zero_m=zero_m,
            inside_m=inside,
            outside_m=outside,
            words=tuple(words),
        )

    def height(self, time: ArrayLike) -> tuple[FloatArray, FloatArray]:
        s, known = _micros(time)
        reach = REACH_YEARS * 365.25 * _DAY_US
        known &= (s >= self.t[0] - reach) & (s <= self.t[-1] + reach)
        flat, at = s.ravel(), known.ravel()
        k = np.clip(np.searchsorted(self.t, flat, side="right") - 1, 0, len(self.t) - 2)
        before, after = self.t[k], self.t[k + 1]
        measured = at & (flat >= before) & (flat <= after) & (after - before <= self._BRIDGED_US)
        value = np.full(flat.shape, np.nan)
        if at.any():
            value[at] = self.zero_m + _predicted(flat[at], self.coefficients, self.constituents)
        if measured.any():
            # The tide's own shape between two readings, and what was left over in a line.
            ends = np.unique(np.concatenate([k[measured], k[measured] + 1]))
            tide = _predicted(self.t[ends], self.coefficients, self.constituents)
            over = self.h[ends] - tide
            value[measured] += np.interp(flat[measured], self.t[ends], over)
        sigma = np.where(measured, self.inside_m, np.where(at, self.outside_m, np.nan))
        return value.reshape(s.shape), sigma.reshape(s.shape)

    def span(self) -> tuple[np.datetime64, np.datetime64]:
        reach = int(REACH_YEARS * 365.25 * _DAY_US)
        return (
            np.datetime64(int(self.t[0]) - reach, "us"),
            np.datetime64(int(self.t[-1]) + reach, "us"),
        )

    def usual(self) -> tuple[float, float]:
        return float(self.h.mean()) + self.zero_m, float(np.hypot(self.h.std(), self.outside_m))

    def turns(self, start: np.datetime64, end: np.datetime64) -> Turns:
        step = 300_000_000
        (a, b), _ = _micros([start, end])
        if b <= a:
            return _NO_TURNS
        t = np.arange(a - step, b + 2 * step, step)
        # Of the tide alone: wiggles that the wind makes are no high waters.
        h = self.zero_m + _predicted(t, self.coefficients, self.constituents)
        left, right = h[1:-1] - h[:-2], h[2:] - h[1:-1]
        i = np.flatnonzero(((left > 0) & (right <= 0)) | ((left < 0) & (right >= 0))) + 1
        bend = h[i - 1] - 2 * h[i] + h[i + 1]
        shift = 0.5 * (h[i - 1] - h[i + 1]) / bend
        when = t[i] + np.round(shift * step).astype(np.int64)
        top = h[i] - 0.25 * (h[i - 1] - h[i + 1]) * shift
        at = (when >= a) & (when <= b)
        return Turns(when[at].astype(_UTC), top[at], (bend < 0)[at])

    def by_twelfths(self, time: ArrayLike) -> FloatArray:
        s, known = _micros(time)
        if not known.any():
            return np.full(s.shape, np.nan)
        day = np.int64(_DAY_US)
        low, high = s[known].min() - day, s[known].max() + day
        turns = self.turns(np.datetime64(int(low), "us"), np.datetime64(int(high), "us"))
        if len(turns) < 2:
            return np.full(s.shape, np.nan)
        t = turns.time.astype(np.int64)
        k = np.clip(np.searchsorted(t, s, side="right") - 1, 0, len(t) - 2)
        part = (s - t[k]) / (t[k + 1] - t[k])
        inside = known & (part >= 0) & (part <= 1)
        way = turns.height_m[k + 1] - turns.height_m[k]
        return np.where(inside, turns.height_m[k] + way * twelfths(part), np.nan)


def _analysed(
    t: NDArray[np.int64], h: FloatArray, lat: float, days: float
) -> tuple[Any, tuple[str, ...]]:
    """Return the constituents of a series, and the names of those that are worth predicting."""
    import utide

    found = utide.solve(
        t.astype(_UTC), h, lat=lat, method="ols", conf_int="none", trend=False, verbose=False
    )
    seasons = days >= _YEAR_DAYS
    # Below one cycle in 5 days a stretch shows its weather, not a tide that comes again.
    slow = {"SA", "SSA", "MSM", "MM", "MSF", "MF"} - ({"SA", "SSA"} if seasons else set())
    return found, tuple(str(n) for n in found.name if n not in slow)


def _predicted(t: NDArray[np.int64], coefficients: Any, names: tuple[str, ...]) -> FloatArray:
    import utide

    made = utide.reconstruct(
        t.astype(_UTC), coefficients, constit=list(names), min_SNR=0, verbose=False
    )
    return np.asarray(made.h, dtype=np.float64)


def _held_out(t: NDArray[np.int64], h: FloatArray, lat: float) -> float:
    """Return how far each half of a series lies from its prediction by the other, r.m.s., metres."""
    middle = (t[0] + t[-1]) // 2
    early = t < middle
    squares = []
    for own in (early, ~early):
        days = float(t[own][-1] - t[own][0]) / _DAY_US if own.sum() > 1 else 0.0
        if days < SHORTEST_SERIES_DAYS or own.sum() < 24 * SHORTEST_SERIES_DAYS / 3:
            return float("nan")
        coefficients, names = _analysed(t[own], h[own], lat, days)
        squares.append((h[~own] - _predicted(t[~own], coefficients, names)) ** 2)
    return float(np.sqrt(np.mean(np.concatenate(squares))))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Readings(Tide):
    t: NDArray[np.int64]
    h: FloatArray
    words: tuple[str, ...] = ()

    @classmethod
    def made(cls, time: ArrayLike, height_m: ArrayLike, *, zero_m: float) -> Self:
        t, h, _ = _in_order(time, height_m, 1, "readings of the level")
        return cls(t=t, h=h + zero_m)

    def height(self, time: ArrayLike) -> tuple[FloatArray, FloatArray]:
        s, known = _micros(time)
        k = np.clip(np.searchsorted(self.t, s, side="right") - 1, 0, len(self.t) - 1)
        after = np.minimum(k + 1, len(self.t) - 1)
        apart = np.maximum(self.t[after] - self.t[k], 1)
        last = s >= self.t[-1]
        part = np.where(last, 0.0, (s - self.t[k]) / apart)
        way = np.where(last, 0.0, self.h[after] - self.h[k])
        days = np.where(last, (s - self.t[-1]) / _DAY_US, 0.0)
        # A level does not move evenly: up to 0.3 of the change lies off the straight line.
        unknown = np.hypot(0.3 * np.abs(way) * 4 * part * (1 - part), DRIFT.value * days)
        inside = known & (s >= self.t[0]) & (days <= READINGS_AFTER_DAYS)
        inside &= last | (apart <= READINGS_GAP_DAYS * _DAY_US)
        value = np.where(inside, self.h[k] + way * part, np.nan)
        return value, np.where(inside, np.hypot(STAFF.value, unknown), np.nan)

    def span(self) -> tuple[np.datetime64, np.datetime64]:
        after = int(READINGS_AFTER_DAYS * _DAY_US)
        return np.datetime64(int(self.t[0]), "us"), np.datetime64(int(self.t[-1]) + after, "us")


@dataclass(frozen=True, kw_only=True)
class Level(Tide):
    """One level of inland water, for as long as it stands.

    Parameters
    ----------
    height_m : float
        Metres above the zero of depths.
    sigma_m : float
        Its standard error, metres.

    Examples
    --------
    >>> height, sigma = Level(height_m=3.2).height(np.datetime64("2031-05-04T06:00"))
    >>> float(height), float(sigma)
    (3.2, 0.05)
    """

    height_m: float
    sigma_m: float = STAFF.value
    words: tuple[str, ...] = ()

    def height(self, time: ArrayLike) -> tuple[FloatArray, FloatArray]:  # noqa: D102
        shape = np.shape(np.asarray(time))
        return np.full(shape, self.height_m), np.full(shape, self.sigma_m)

    def span(self) -> tuple[np.datetime64, np.datetime64]:  # noqa: D102
        return np.datetime64("NaT", "us"), np.datetime64("NaT", "us")
