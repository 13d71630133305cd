"""How long a line takes: measured from two pictures, or from a thing that a turn shows twice.

*Two pictures* of one screen are moved against each other until their lines agree.

*A thing seen twice*. Where the boat turns, one thing may be drawn on two lines far apart. On the
track each of its two points k = 1, 2 lies at a place x_k(t) that depends on the moment of its line
alone, t_k = T - s n_k with the newest line's moment T, the line's number n_k and the seconds s that a
line takes. The right s (and T, which is known to sigma_T only) brings both places together:

    p(s, T) ~ prod |C|^-1/2 exp(-d' C^-1 d / 2) * exp(-(T - T_0)^2 / (2 sigma_T^2)),

d = x_1 - x_2 in the plane, C the sum of both places' own covariances (what all fixes of a trip have in
common cancels). It is laid out over all s that the track allows and summed over T. The seconds are the
mean of the highest hill of p(s), their error its spread; another hill, a flat one, or places that
never meet are refused. With metres a line, t_k is when the boat was s n_k metres back along her way.

The lines where a turn seems to begin and end would tell too, but a boat turns in gradually: on a made
turn of 110 degrees, 5 degrees and 15 degrees from either end lie 1.65 times as far apart, so the eye and
the track would have to agree on what begins. One thing seen twice gives the time to 6 in a hundred there,
and to 2 or 3 on a turn of 180. So the former is not offered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.boat import Boat
from athwart.errors import DataError, UsageError
from athwart.fix import fix
from athwart.frame.layout import LEAST_PX, Layout
from athwart.frame.picks import to_picks
from athwart.frame.pixels import FramePoints
from athwart.frame.when import Moment, seconds_back_of_distance, where_on_track
from athwart.geometry.geodesic import inverse
from athwart.tables import Track

__all__ = ["LineStep", "TimeStep", "line_step_from_twice_seen", "time_step_from_two"]

FloatArray = NDArray[np.float64]
Single = NDArray[np.float32]

# ---- from two pictures -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class TimeStep:
    """How long a line takes, measured.

    Parameters
    ----------
    seconds_per_line, sigma_s : float
        The step and its standard error, seconds.
    lines_moved : float
        By how many lines the screen moved on.
    likeness : float
        Correlation of the lines that both pictures show, 0 to 1.
    """

    seconds_per_line: float
    sigma_s: float
    lines_moved: float
    likeness: float


LEAST_LIKENESS = 0.25
"""Correlation of shared lines below which two pictures are not taken for one screen."""

LEAST_LEAD = 1.25
"""How far the best shift must stand above any other."""


def time_step_from_two(
    layout: Layout,
    picture_a: NDArray[Any],
    picture_b: NDArray[Any],
    seconds_apart: float,
    *,
    seconds_sigma: float = 0.5,
) -> TimeStep:
    """Measure how long a line takes from two pictures of the same screen.

    The lines are moved against each other and correlated; what stands still from line to line (the
    bottom line, the gain) is taken off by a running mean first, what stands still on the screen
    (numbers, ticks) by searching from one line on.

    Parameters
    ----------
    layout : Layout
        Of both pictures.
    picture_a, picture_b : numpy.ndarray, shape (height_px, width_px)
        The earlier and the later one, grey.
    seconds_apart : float
        Time between them.
    seconds_sigma : float
        Standard error of that time; two clocks read to the whole second give 0.4.

    Returns
    -------
    TimeStep

    Raises
    ------
    DataError
        The pictures share too little, are exchanged, or were taken of a standing screen.

    Notes
    -----
    The shift is found to within a line by the nature of a scrolling screen; half a line, uniform,
    is its error (1 / sqrt(12)). sigma^2 = step^2 ((sigma_t / t)^2 + (sigma_n / n)^2).
    """
    if not (math.isfinite(seconds_apart) and seconds_apart > 0):
        raise DataError(
            f"the pictures are {seconds_apart!r} s apart; allowed is a number above 0, the later "
            "picture second"
        )
    a, b = (_flat_lines(layout, p) for p in (picture_a, picture_b))
    likeness = _likeness(a, b)
    count = layout.lines
    shifts = np.arange(-(count - 1), count)
    shared = count - np.abs(shifts)
    usable = (shared >= max(LEAST_PX, count // 10)) & (shifts != 0)
    score = np.where(usable, likeness, -1.0)
    best = int(np.argmax(score))
    rivals = score[np.abs(shifts - shifts[best]) > 3]
    still = float(likeness[count - 1])
    if still > 0.9 and still >= score[best]:
        raise DataError("both pictures show the same lines; the second must be taken later")
    if score[best] < LEAST_LIKENESS or score[best] < LEAST_LEAD * float(rivals.max(initial=0.0)):
        raise DataError(
            "the two pictures share too few lines to say how far the screen moved on; take them "
            "closer together, of the same screen and range"
        )
    moved = int(shifts[best])
    if moved < 0:
        raise DataError("the second picture is the older one; exchange them")
    step = seconds_apart / moved
    part = math.hypot(seconds_sigma / seconds_apart, 1 / math.sqrt(12) / moved)
    return TimeStep(
        seconds_per_line=step,
        sigma_s=step * part,
        lines_moved=float(moved),
        likeness=float(score[best]),
    )


def _flat_lines(layout: Layout, picture: NDArray[Any]) -> Single:
    """Return the lines of both sides end to end, without what stays from line to line."""
    from scipy.ndimage import uniform_filter1d

    echo = np.concatenate([s.echo for s in layout.sides(picture).values()], axis=1)
    if not np.isfinite(echo).all():
        raise DataError("the picture holds values that are no numbers")
    return np.asarray(echo - uniform_filter1d(echo, 15, axis=0, mode="nearest"), np.float32)


def _likeness(a: Single, b: Single) -> FloatArray:
    """Return the correlation of a's line k with b's line k + n, for n from -(lines - 1) up."""
    from scipy.fft import irfft, next_fast_len, rfft

    count = len(a)
    size = next_fast_len(2 * count - 1, real=True)
    total = np.zeros(size)
    for start in range(0, a.shape[1], 256):  # keeps the spectra small
        part = slice(start, start + 256)
        fa, fb = rfft(a[:, part], size, axis=0), rfft(b[:, part], size, axis=0)
        total += irfft((np.conj(fa) * fb).sum(axis=1), size)
    shifts = np.arange(-(count - 1), count)
    product = total[shifts]
    power_a = np.concatenate([[0.0], np.cumsum((a.astype(np.float64) ** 2).sum(axis=1))])
    power_b = np.concatenate([[0.0], np.cumsum((b.astype(np.float64) ** 2).sum(axis=1))])
    low = np.maximum(0, -shifts)
    high = np.minimum(count, count - shifts)
    shared = (power_a[high] - power_a[low]) * (power_b[high + shifts] - power_b[low + shifts])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(shared > 0, product / np.sqrt(shared), 0.0))


# ---- from a thing seen twice -----------------------------------------------------------------

SECONDS_A_LINE = (0.01, 5.0)
"""What a line may take, seconds."""

METRES_A_LINE = (0.005, 10.0)
"""What a line may take, metres."""

FACES_M = 0.5
"""The two looks may show different faces of the thing: standard error of each, metres an axis;
common practice, no source."""

LEAST_LINES_APART = 20.0
"""Nearer lines tell nothing: one thing spans as many."""

WIDEST_PART = 0.2
"""A step known worse than to this part of it is not known."""

MOST_ELSEWHERE = 0.05
"""The share of p that may lie off the highest hill."""

APART_CHI2 = 10.8
"""Places that stay farther apart do not meet: 1 in 1000 of chi squared with one degree of freedom
(from memory); each further thing adds two degrees, with 7 each."""

_TABLE_STEP_S = 0.5
_MOST_TABLE = 30_000
_REACH_SIGMAS = 3.5
_CELL_M = 0.75  # way between neighbouring trials: well within the spread of any hill
_CHUNK = 400_000


@dataclass(frozen=True, kw_only=True)
class LineStep:
    """What a line takes, measured on things seen twice.

    Parameters
    ----------
    unit : {"seconds", "metres"}
        Of the step.
    per_line, sigma : float
        The step and its standard error.
    late_s, late_sigma_s : float
        How much later than stated the newest line seems to have been drawn, with its error; a by-product.
    apart_m : float
        How far the two places of a thing stay apart, root mean square.
    """

    unit: Literal["seconds", "metres"]
    per_line: float
    sigma: float
    late_s: float
    late_sigma_s: float
    apart_m: float


class _Places(NamedTuple):
    """One point's place by the moment of its line, on an even grid of times before a moment."""

    east: FloatArray
    north: FloatArray
    var_east: FloatArray
    var_north: FloatArray
    cov: FloatArray


def line_step_from_twice_seen(
    first: FramePoints,
    again: FramePoints,
    moment: Moment,
    track: Track,
    *,
    unit: Literal["seconds", "metres"] = "seconds",
    boat: Boat | None = None,
    depth_m: ArrayLike = np.nan,
    depth_below: str = "transducer",
    max_gap_s: float = 10.0,
) -> LineStep:
    """Measure what a line takes from things that a frame shows twice, before and after a turn.

    Parameters
    ----------
    first, again : FramePoints
        The same things in the same order, each at both of its places on the frame (see
        `athwart.frame.pixels.points`); on either side.
    moment : Moment
        When the newest line was drawn; its error is heeded.
    track : Track
        Where the boat was.
    unit : {"seconds", "metres"}
        Whether lines are drawn by time or by distance.
    boat : Boat, optional
        Lever arm, water, clock and error budget.
    depth_m, depth_below
        As in `athwart.frame.picks.to_picks`.
    max_gap_s : float
        Longest gap of the track that is bridged, seconds.

    Returns
    -------
    LineStep

    Raises
    ------
    DataError
        The points cannot tell: too near each other, off the track, never in one place, or in one
        place for several steps.
    UsageError
        Not as many points first as again, or an unknown unit.
    """
    if unit not in ("seconds", "metres"):
        raise UsageError(f"the unit is {unit!r}; allowed are seconds, metres")
    if len(first) != len(again) or not len(first):
        raise UsageError("give each thing twice: where it is seen first and where it is seen again")
    near = np.abs(first.line - again.line) < LEAST_LINES_APART
    if near.any():
        raise DataError(
            f"the two points lie {abs(first.line - again.line)[near][0]:.0f} lines apart; point at "
            f"one thing seen on two lines at least {LEAST_LINES_APART:.0f} apart, before and after "
            "a turn"
        )
    where_on_track(moment, track, boat=boat, max_gap_s=max_gap_s)  # refuses one that lies off it
    table = _Table(moment, track, boat, depth_m, depth_below, max_gap_s)
    pairs = [
        (table.places(first, k), table.places(again, k), first.line[k], again.line[k])
        for k in range(len(first))
    ]
    clicks = [(first.line_sigma[k], again.line_sigma[k]) for k in range(len(first))]
    low, high = SECONDS_A_LINE if unit == "seconds" else METRES_A_LINE
    farthest = max(max(a, b) for _, _, a, b in pairs)
    speed = table.speed_mps
    reach = table.reach_s if unit == "seconds" else table.reach_s * speed
    high = min(high, reach / farthest)
    cell = _CELL_M / speed
    count = int((high - low) * farthest / (cell if unit == "seconds" else _CELL_M)) + 2
    if high <= low or count < 8:
        raise DataError(
            "the track does not reach back far enough from the newest line; check the moment, or "
            "give another track"
        )
    step = np.linspace(low, high, count)
    late = _even(_REACH_SIGMAS * moment.sigma_s, cell)
    log_p = np.full((len(late), count), -np.inf)
    chi2 = np.full((len(late), count), np.inf)
    for i, shift in enumerate(late):
        quad, log_det = np.zeros(count), np.zeros(count)
        for (a, b, line_a, line_b), (sigma_a, sigma_b) in zip(pairs, clicks, strict=True):
            one = table.at(a, step, line_a, sigma_a, shift, unit)
            two = table.at(b, step, line_b, sigma_b, shift, unit)
            q, det = _misfit(one, two)
            quad, log_det = quad + q, log_det + det
        chi2[i] = quad + (shift / moment.sigma_s) ** 2 if moment.sigma_s > 0 else quad
        log_p[i] = -0.5 * (chi2[i] + log_det)
    known = np.isfinite(log_p)
    if not known.any():
        raise DataError(
            "the two places cannot be worked out on this track; check the moment and the depth"
        )
    least = float(chi2[known].min())
    bound = APART_CHI2 + 7.0 * (len(pairs) - 1)
    weight = np.where(known, np.exp(log_p - log_p[known].max()), 0.0)
    best = np.unravel_index(int(np.argmax(weight)), weight.shape)
    apart = table.apart(pairs, float(step[best[1]]), float(late[best[0]]), unit)
    if least > bound:
        raise DataError(
            f"no {unit} a line bring the two points to one place on this track; they stay "
            f"{apart:.0f} m apart at best, so check that both are the same thing, the moment and "
            "the boat's track"
        )
    inside = _highest_hill(weight.sum(axis=0))
    total, hill = weight.sum(), weight[:, inside].sum()
    if hill < (1.0 - MOST_ELSEWHERE) * total:
        raise DataError(
            f"several {unit} a line would bring the two points to one place; point at another thing "
            "seen twice as well, or give the moment of the newest line more closely"
        )
    by_step = weight[:, inside].sum(axis=0) / hill
    values = step[inside]
    mean = float(by_step @ values)
    sigma = float(np.sqrt(by_step @ (values - mean) ** 2))
    at_edge = inside.start == 0 or inside.stop == count
    if at_edge or sigma > WIDEST_PART * mean:
        raise DataError(
            "the two points do not tell what a line takes: many steps bring them to one place; "
            "point at a thing seen before and after a sharper turn"
        )
    by_late = weight[:, inside].sum(axis=1) / hill
    late_mean = float(by_late @ late)
    return LineStep(
        unit=unit,
        per_line=mean,
        sigma=math.hypot(sigma, float(step[1] - step[0]) / math.sqrt(12.0)),
        late_s=late_mean,
        late_sigma_s=float(np.sqrt(by_late @ (late - late_mean) ** 2)),
        apart_m=apart,
    )


def _even(reach: float, cell: float) -> FloatArray:
    """Return numbers from -reach to reach, evenly, about a cell apart."""
    half = math.ceil(reach / cell)
    return np.linspace(-reach, reach, 2 * half + 1)


def _highest_hill(p: FloatArray) -> slice:
    """Return the stretch about the highest value where p stays above a thousandth of it."""
    top = int(np.argmax(p))
    below = np.flatnonzero(p < 1e-3 * p[top])
    left, right = below[below < top], below[below > top]
    return slice(int(left[-1]) + 1 if len(left) else 0, int(right[0]) if len(right) else len(p))


def _misfit(one: _Places, two: _Places) -> tuple[FloatArray, FloatArray]:
    """Return d' C^-1 d and log |C|; infinite where a place is not known."""
    e, n = one.east - two.east, one.north - two.north
    a = one.var_east + two.var_east + 2.0 * FACES_M**2
    b = one.var_north + two.var_north + 2.0 * FACES_M**2
    c = one.cov + two.cov
    det = a * b - c * c
    with np.errstate(invalid="ignore", divide="ignore"):
        quad = (b * e * e - 2.0 * c * e * n + a * n * n) / det
        log_det = np.log(det)
    bad = ~np.isfinite(quad)
    return np.where(bad, np.inf, quad), np.where(bad, 0.0, log_det)


class _Table:
    """Places of points by the moment of their line, worked out once and read between."""

    def __init__(
        self,
        moment: Moment,
        track: Track,
        boat: Boat | None,
        depth_m: ArrayLike,
        depth_below: str,
        max_gap_s: float,
    ) -> None:
        self._moment, self._track, self._boat = moment, track, boat
        self._depth_m, self._depth_below, self._max_gap_s = depth_m, depth_below, max_gap_s
        dated = track.time[~np.isnat(track.time)]
        ahead = _REACH_SIGMAS * moment.sigma_s
        offset = np.timedelta64(round((boat or Boat()).clock_offset_s * 1e6), "us")
        start = dated.min() if len(dated) else moment.time
        self.reach_s = float((moment.time + offset - start) / np.timedelta64(1, "s"))
        span = max(self.reach_s, 0.0) + ahead
        self._every = max(_TABLE_STEP_S, span / _MOST_TABLE)
        self._back: FloatArray = np.arange(math.ceil(span / self._every) + 1.0) * self._every
        # The table begins at the latest moment that the newest line may have.
        self._ahead = ahead
        self._origin: tuple[float, float] | None = None
        lon, lat = track.lon[~np.isnat(track.time)], track.lat[~np.isnat(track.time)]
        self.speed_mps = 2.0
        if len(dated) > 1:
            order = np.argsort(dated, kind="stable")
            _, way = inverse(lon[order][:-1], lat[order][:-1], lon[order][1:], lat[order][1:])
            lasts = np.diff(dated[order]) / np.timedelta64(1, "s")
            with np.errstate(divide="ignore", invalid="ignore"):
                speeds = np.where(lasts > 0, way / lasts, np.nan)
            self.speed_mps = max(float(np.nanmedian(speeds)), 0.5)

    def places(self, points: FramePoints, k: int) -> _Places:
        """Return where point k would lie for each moment of its line."""
        n = len(self._back)
        one: dict[str, Any] = {
            name: np.repeat(getattr(points, name)[k : k + 1], n, axis=0)
            for name in (
                "xy", "side", "line", "range_m", "altitude_m", "altitude_sigma_m", "confidence",
                "range_sigma_m",
            )
        }  # fmt: skip
        where = replace(
            points,
            **one,
            seconds_back=self._back,
            metres_back=np.full(n, np.nan),
            line_sigma=np.zeros(n),  # comes in with the step, in `at`
        )
        latest = self._moment.time + np.timedelta64(round(self._ahead * 1e6), "us")
        picks = to_picks(
            where,
            Moment(time=latest, sigma_s=0.0, source=self._moment.source),
            track=self._track,
            boat=self._boat,
            depth_m=self._depth_m,
            depth_below=self._depth_below,
            max_gap_s=self._max_gap_s,
        )
        done = fix(
            picks,
            track=self._track,
            boat=self._boat,
            max_gap_s=self._max_gap_s,
            skip_bad=True,
            with_ids=False,
            method="picture",
        )
        s = done.sightings
        if not len(s):
            why = done.rejected[0].message if done.rejected else "its time is not on the track"
            raise DataError(f"a point cannot be placed on the track: {why}")
        if self._origin is None:
            self._origin = float(s.lon[0]), float(s.lat[0])
        lon, lat = (np.full(len(s), v) for v in self._origin)
        bearing, distance = inverse(lon, lat, s.lon, s.lat)
        angle = np.radians(bearing)
        out = np.full((5, n), np.nan)
        out[:, done.rows] = (
            distance * np.sin(angle),
            distance * np.cos(angle),
            s.var_east_m2,
            s.var_north_m2,
            s.cov_east_north_m2,
        )
        return _Places(*out)

    def seconds_back(
        self, step: FloatArray, line: float, late_s: float, unit: str
    ) -> tuple[FloatArray, FloatArray]:
        """Return when a line was drawn, seconds before the table's start, and seconds a line."""
        if unit == "seconds":
            return self._ahead - late_s + step * line, step
        newest = self._moment.time + np.timedelta64(round(late_s * 1e6), "us")
        back = seconds_back_of_distance(
            step * line, newest, self._track, boat=self._boat, max_gap_s=self._max_gap_s
        )
        with np.errstate(invalid="ignore"):
            slope = np.gradient(back, step * line) if line > 0 else np.zeros_like(step)
        return self._ahead - late_s + back, np.nan_to_num(slope) * step

    def at(
        self,
        places: _Places,
        step: FloatArray,
        line: float,
        line_sigma: float,
        late_s: float,
        unit: str,
    ) -> _Places:
        """Return the place of a point for steps, with what the click along the lines adds."""
        back, per_line = self.seconds_back(step, line, late_s, unit)
        at = back / self._every
        known = np.isfinite(at) & (at >= 0) & (at <= len(self._back) - 1)
        low = np.clip(np.where(known, at, 0.0).astype(np.int64), 0, len(self._back) - 2)
        part = np.where(known, at - low, np.nan)

        def read(values: FloatArray) -> FloatArray:
            return np.asarray(values[low] + part * (values[low + 1] - values[low]))

        late = per_line * line_sigma / self._every
        east = late * (places.east[low + 1] - places.east[low])
        north = late * (places.north[low + 1] - places.north[low])
        return _Places(
            read(places.east),
            read(places.north),
            read(places.var_east) + east * east,
            read(places.var_north) + north * north,
            read(places.cov) + east * north,
        )

    def apart(
        self,
        pairs: list[tuple[_Places, _Places, float, float]],
        step: float,
        late_s: float,
        unit: str,
    ) -> float:
        """Return how far both places of the things lie apart for one step, root mean square."""
        # `seconds_back` differentiates along the steps, so it is given two.
        steps = np.array([step, step * (1.0 + 1e-6)])
        total = 0.0
        for a, b, line_a, line_b in pairs:
            one = self.at(a, steps, line_a, 0.0, late_s, unit)
            two = self.at(b, steps, line_b, 0.0, late_s, unit)
            total += float((one.east - two.east)[0] ** 2 + (one.north - two.north)[0] ** 2)
        return math.sqrt(total / len(pairs))
