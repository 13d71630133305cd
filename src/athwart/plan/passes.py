"""From a track to passes: the stretches on which the side-scan drew a picture one can read.

At each fix a side sees the bottom between two ground ranges, at right angles to the heading. On a
flat bottom h below the transducer, with a slant range R on the screen,

    near = h tan(n),    far = sqrt(R^2 - h^2),

n the least angle from the vertical. One metre of bottom at an angle n takes sin n metres of slant
range on the screen, so that at n = 30 degrees everything is squeezed to half its width and a
shadow is shorter than the thing is tall; nearer still the picture is mostly water. That geometry
is exact; to draw the line at 30 degrees is common practice without a source, hence a choice of
the caller's.

A pass ends at a gap in the track, where the heading or the depth is not known, where the boat
turns more sharply than a limit, and where she has turned by 90 degrees from its beginning (seen
from there, ground is seen a second time). The limit, unless one is given, is a turn whose radius
is the far ground range: inside such a turn the lines cross and the picture is folded; outside it
they lie twice as far apart as on a straight way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.boat import Boat
from athwart.errors import DataError
from athwart.geometry.along import COURSE_HALF_WINDOW_M, Path, PathPoint
from athwart.geometry.geodesic import displace, inverse
from athwart.geometry.lever import east_north
from athwart.geometry.plane import LocalPlane
from athwart.tables import Track
from athwart.uncertainty.budget import ErrorBudget, course_as_heading_sigma
from athwart.uncertainty.propagate import across_moments
from athwart.units import UnitSystem, format_distance, many

__all__ = [
    "NADIR_DEG",
    "Passes",
    "Sides",
    "edge_errors",
    "passes_of",
    "position_sigma",
    "sonar_reach",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Sides = Literal["port", "starboard", "both"]

NADIR_DEG = 30.0
"""Least angle from the vertical at which the bottom counts as seen: drawn at half its width."""

NEW_PASS_DEG = 90.0
"""A boat that has turned so far sees ground from another side."""

MOST_HEADING_SIGMA_DEG = 20.0
"""Where the heading is less sure, nobody knows where the beam looked: 14 m off at 40 m."""

P95 = 1.959963984540054
"""95 % of a normal error lie within so many standard errors."""

UNTIMED_SPEED_MPS = 2.0577
"""4 knots: taken for a line without times, to say how far course and heading may differ."""

_LOOK = 4096
_STEP_M = COURSE_HALF_WINDOW_M / 2
_FINE_DEG = 2.0  # an arc of so much is longer than its chord by 5e-5


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Passes:
    """Points along passes; those of one pass follow each other.

    Parameters
    ----------
    plane : LocalPlane
        Where ``x_m`` and ``y_m`` count from.
    x_m, y_m : numpy.ndarray
        The transducer, metres.
    heading_deg : numpy.ndarray
        Clockwise from the plane's y axis.
    near_m, far_m : numpy.ndarray
        Ground range at which the picture begins and ends on either side; ``far_m <= near_m`` where
        nothing is seen.
    near_error_m, far_error_m, along_error_m : numpy.ndarray
        95 % errors of these edges across the track, and along the track at the far edge.
    number : numpy.ndarray of int
        Pass that a point belongs to, from 0.
    starts, ends : numpy.ndarray of bool
        For each pass, whether it really begins (ends) there, or is the other side of a turn.
    sides : {"port", "starboard", "both"}
        Where the side-scan looked.
    left_out_m : dict of str to float
        Metres of track that belong to no pass, by reason.
    words : tuple of str
        What the user should know.
    """

    plane: LocalPlane
    x_m: FloatArray
    y_m: FloatArray
    heading_deg: FloatArray
    near_m: FloatArray
    far_m: FloatArray
    near_error_m: FloatArray
    far_error_m: FloatArray
    along_error_m: FloatArray
    number: IntArray
    starts: BoolArray
    ends: BoolArray
    sides: Sides
    left_out_m: dict[str, float]
    words: tuple[str, ...]

    def __len__(self) -> int:
        """Return the number of passes."""
        return len(self.starts)

    @property
    def length_m(self) -> float:
        """Way along all passes, metres."""
        step = np.hypot(np.diff(self.x_m), np.diff(self.y_m))
        return float(step[np.diff(self.number) == 0].sum())

    def left_out(self, units: UnitSystem = "metric") -> list[str]:
        """Say how much of the track belongs to no pass, and why."""
        return [
            f"left out, {_REASONS[reason]}: {format_distance(metres, units)} of track"
            for reason, metres in self.left_out_m.items()
            if metres >= 0.5
        ]

    def narrowed(self) -> Self:
        """Return the passes less their 95 % error: narrower on both edges, shorter at both ends."""
        cut = replace(
            self,
            near_m=self.near_m + self.near_error_m,
            far_m=self.far_m - self.far_error_m,
        )
        return cut._shortened()

    def _shortened(self) -> Self:
        columns = _COLUMNS
        parts: list[list[FloatArray]] = []
        number: list[IntArray] = []
        starts: list[bool] = []
        ends: list[bool] = []
        begin = np.searchsorted(self.number, np.arange(len(self) + 1))
        for k, (i, j) in enumerate(pairwise(begin.tolist())):
            step = np.hypot(np.diff(self.x_m[i:j]), np.diff(self.y_m[i:j]))
            way = np.concatenate([[0.0], np.cumsum(step)])
            first = self.along_error_m[i] if self.starts[k] else 0.0
            last = way[-1] - (self.along_error_m[j - 1] if self.ends[k] else 0.0)
            if not first < last:
                continue
            at = np.concatenate([[first], way[(way > first) & (way < last)], [last]])
            # Standing still repeats a way; any of the points there will do.
            values = [np.interp(at, way, getattr(self, c)[i:j]) for c in columns]
            turned = np.degrees(np.unwrap(np.radians(self.heading_deg[i:j])))
            values[columns.index("heading_deg")] = np.interp(at, way, turned)
            parts.append(values)
            number.append(np.full(len(at), len(starts)))
            starts.append(self.starts[k])
            ends.append(self.ends[k])
        joined: dict[str, Any] = {
            c: np.concatenate([p[n] for p in parts]) if parts else np.empty(0)
            for n, c in enumerate(columns)
        }
        return replace(
            self,
            **joined,
            number=np.concatenate(number) if number else np.empty(0, np.int64),
            starts=np.array(starts, bool),
            ends=np.array(ends, bool),
        )


_COLUMNS = (
    "x_m", "y_m", "heading_deg", "near_m", "far_m", "near_error_m", "far_error_m", "along_error_m",
)  # fmt: skip


def sonar_reach(
    range_m: float, altitude_m: FloatArray | float, *, nadir_deg: float = NADIR_DEG
) -> tuple[FloatArray, FloatArray]:
    """Return the ground ranges between which a side sees a flat bottom, metres.

    Parameters
    ----------
    range_m : float
        R, slant range of the screen, metres.
    altitude_m : array_like
        h, of the transducer above the bottom, metres.
    nadir_deg : float
        Least angle from the vertical, degrees from 0 to below 90.

    Returns
    -------
    near_m, far_m : numpy.ndarray
        ``h tan(nadir)`` and ``sqrt(R^2 - h^2)``; both 0 where R is less than h.

    Examples
    --------
    >>> near, far = sonar_reach(13.0, 5.0, nadir_deg=45.0)
    >>> round(float(near), 9), float(far)
    (5.0, 12.0)
    """
    h = np.asarray(altitude_m, np.float64)
    far = np.sqrt(np.maximum((range_m - h) * (range_m + h), 0.0))
    near = np.maximum(h, 0.0) * math.tan(math.radians(nadir_deg))
    return np.where(far > 0, near, 0.0), far


def passes_of(
    track: Track,
    *,
    range_m: float,
    depth_m: float = math.nan,
    sides: Sides = "both",
    nadir_deg: float = NADIR_DEG,
    turn_radius_m: float = math.nan,
    max_gap_s: float = 10.0,
    boat: Boat | None = None,
    plane: LocalPlane | None = None,
) -> Passes:
    """Return the passes of a track.

    Parameters
    ----------
    track : Track
        Fixes; every line and segment for itself. A line without times is taken to be run without
        a break. Fixes that repeat (same time and place) count once.
    range_m : float
        Slant range of the screen, metres.
    depth_m : float
        Sounder's reading on lines that have no depth of their own, metres.
    sides : {"port", "starboard", "both"}
        Where the side-scan looked.
    nadir_deg : float
        Least angle from the vertical at which the bottom counts as seen, degrees.
    turn_radius_m : float
        Sharpest turn in which it counts, metres; NaN: the far ground range; 0: any turn.
    max_gap_s : float
        Longest gap of the track that is bridged, seconds.
    boat : Boat, optional
        Lever arm, draft, sound, compass and error budget.
    plane : LocalPlane, optional
        Plane to work in; one about the track otherwise.

    Raises
    ------
    DataError
        No fix, no depth at all, a depth that cannot be used, or an argument out of range.

    Notes
    -----
    The edge's error is the GNSS position's, the range's with depth, slope and sound, and what a
    heading error does: it moves a place at ground range y by y sin(d) along and y (1 - cos d)
    across the track; both moments are those of a normal d.
    """
    boat = boat or Boat()
    if not (math.isfinite(range_m) and range_m > 0):
        raise DataError(f"the range is {range_m:g} m; allowed is more than 0")
    if not 0 <= nadir_deg < 90:
        raise DataError(f"the angle at nadir is {nadir_deg:g} degrees; allowed is 0 to below 90")
    if not (math.isnan(depth_m) or depth_m > 0):
        raise DataError(f"the depth is {depth_m:g} m; allowed is more than 0")
    if turn_radius_m < 0:
        raise DataError(f"the turn radius is {turn_radius_m:g} m; allowed is 0 or more")
    if not max_gap_s > 0:
        raise DataError(f"the longest gap is {max_gap_s:g} s; allowed is more than 0")
    if sides not in ("port", "starboard", "both"):
        raise DataError(f"the side is {sides!r}; allowed are port, starboard, both")
    words: list[str] = []
    rows = _rows(track, words)
    plane = plane or LocalPlane.about(track.lon[rows], track.lat[rows])
    ratio_one, scale = (float(v) for v in boat.sound_ratio())
    if math.isnan(depth_m) and not (track.depth_m[rows] > 0).any():
        raise DataError("the track has no depth; give it, such as 6 m", code="track-without-depth")
    altitude = _altitudes(track, depth_m, boat, words)

    found: dict[str, list[FloatArray]] = {c: [] for c in _COLUMNS}
    number: list[IntArray] = []
    starts: list[bool] = []
    ends: list[bool] = []
    left = dict.fromkeys(_REASONS, 0.0)
    alone = 0
    breaks = np.flatnonzero(np.diff(_line_numbers(track)[rows])) + 1
    for line in np.split(rows, breaks):
        way = _walk(track, line, altitude, boat, max_gap_s, plane)
        if way is None:
            alone += 1
            continue
        reach = range_m * ratio_one
        near, far = sonar_reach(reach, way.altitude, nadir_deg=nadir_deg)
        for reason, metres in _judge(way, far, turn_radius_m).items():
            left[reason] += metres
        edges = edge_errors(
            near,
            far,
            way.altitude,
            reach,
            heading_sigma_deg=way.heading_sigma,
            position_sigma_m=way.position_sigma,
            along_sigma_m=way.along_sigma,
            scale_sigma=scale,
            budget=boat.budget,
        )
        columns = dict(zip(_COLUMNS, (way.x, way.y, way.heading, near, far, *edges), strict=True))
        for i, j, first, last in _stretches(way):
            index, part = _fine(way.heading, i, j)
            for name, values in columns.items():
                found[name].append(values[index] + part * (values[index + 1] - values[index]))
            number.append(np.full(len(index), len(starts)))
            starts.append(first)
            ends.append(last)
    if alone:
        words.append(
            f"left out: {many(alone, 'line')} of one track point, along which nothing is seen"
        )
    return Passes(
        plane=plane,
        **{c: np.concatenate(v) if v else np.empty(0) for c, v in found.items()},
        number=np.concatenate(number) if number else np.empty(0, np.int64),
        starts=np.array(starts, bool),
        ends=np.array(ends, bool),
        sides=sides,
        left_out_m=left,
        words=tuple(words),
    )


_REASONS = {
    "gap": "gaps in the track",
    "heading": "heading not known (slow or drifting, and no compass)",
    "depth": "depth not known",
    "deep": "water deeper than the range",
    "turn": "turns too sharp for a picture",
}


def _rows(track: Track, words: list[str]) -> IntArray:
    """Return the fixes that can be used, line by line."""
    placed = np.isfinite(track.lon) & np.isfinite(track.lat)
    if not placed.any():
        raise DataError("there is no track to look along")
    line = _line_numbers(track)
    timed = ~np.isnat(track.time)
    some = np.zeros(int(line.max()) + 1, bool)
    np.logical_or.at(some, line[placed & timed], True)
    without = placed & ~timed & some[line]
    if without.any():
        words.append(
            f"left out: {many(int(without.sum()), 'track point')} without a time, on lines that have times"
        )
    untimed = len(np.unique(line[placed & ~some[line]]))
    if untimed:
        words.append(
            f"without times: {many(untimed, 'line')}, taken to be run without a break at 4 knots"
        )
    rows = np.flatnonzero(placed & ~without)
    repeated = _repeated(track, rows[timed[rows]])
    whole = np.bincount(line[rows], ~repeated[rows], line.max() + 1) == 0
    gone = len(np.unique(line[rows[whole[line[rows]]]]))
    if gone:
        words.append(f"left out: {many(gone, 'line')} that repeat others (same times and places)")
    rows = rows[~repeated[rows]]
    return rows[np.argsort(line[rows], kind="stable")]


def _repeated(track: Track, rows: IntArray) -> BoolArray:
    """Mark the fixes that have been before: the same outing may lie in two files."""
    place = np.stack(
        [
            track.time[rows].astype("datetime64[us]").astype(np.int64),
            np.rint(track.lon[rows] * 1e6).astype(np.int64),
            np.rint(track.lat[rows] * 1e6).astype(np.int64),
        ]
    )
    order = np.lexsort(place)  # stable: of equal fixes the first in the files comes first
    same = (np.diff(place[:, order], axis=1) == 0).all(axis=0)
    repeated = np.zeros(len(track.lon), bool)
    repeated[rows[order[1:][same]]] = True
    return repeated


def _line_numbers(track: Track) -> IntArray:
    """Return a number for each unbroken piece of each file."""
    _, source = np.unique(track.source.astype(str), return_inverse=True)
    _, number = np.unique(
        np.stack([source, track.line, track.segment]), axis=1, return_inverse=True
    )
    return np.asarray(number, np.int64).reshape(-1)


def _altitudes(track: Track, depth_m: float, boat: Boat, words: list[str]) -> FloatArray:
    """Return the transducer's height above the bottom at each fix, metres."""
    own = track.depth_m > 0
    line = _line_numbers(track)
    lacks = (np.bincount(line, own) == 0)[line]
    reading = np.where(lacks, depth_m, np.where(own, track.depth_m, np.nan))
    below = np.where(lacks, "", track.depth_below)
    known = np.isfinite(reading)
    below = np.where(below == "", boat.depth_below or "transducer", below)
    if (known & (below == "datum")).any():
        raise DataError(
            "the track's depths are below datum, which does not say how much water there was; "
            "give the sounder's reading",
            code="track-without-depth",
        )
    from_surface = known & (below == "surface")
    if from_surface.any():
        if math.isnan(boat.transducer_depth_m):
            raise DataError(
                "the depths are below the surface, but nothing says how deep the transducer sits; "
                "put depth_m under [transducer] in the boat file"
            )
        reading = np.where(from_surface, reading - boat.transducer_depth_m, reading)
    ratio, _ = boat.sound_ratio(track.water_temperature_c)
    if not (boat.depth_below or (track.depth_below[known] != "").all()):
        words.append("depths are taken as below the transducer, since nothing says below what")
    return np.where(reading > 0, reading * ratio, np.nan)


@dataclass(slots=True, eq=False)
class _Way:
    """One unbroken piece of a file: the transducer at each point, and the steps that count."""

    x: FloatArray
    y: FloatArray
    heading: FloatArray  # in the plane, running on past 360
    heading_sigma: FloatArray
    position_sigma: FloatArray
    along_sigma: FloatArray
    altitude: FloatArray
    way: FloatArray  # metres run
    good: BoolArray  # for each step


def _walk(
    track: Track,
    rows: IntArray,
    altitude: FloatArray,
    boat: Boat,
    max_gap_s: float,
    plane: LocalPlane,
) -> _Way | None:
    """Return where the transducer was and how it looked, or None for a piece of one fix."""
    time = track.time[rows]
    timed = not np.isnat(time).any()
    if not timed:
        _, step = inverse(
            track.lon[rows[:-1]], track.lat[rows[:-1]], track.lon[rows[1:]], track.lat[rows[1:]]
        )
        run = np.concatenate([[0.0], np.cumsum(step)]) / UNTIMED_SPEED_MPS
        time = np.datetime64(0, "us") + np.rint(run * 1e6).astype("timedelta64[us]")
        max_gap_s = math.inf
    path = Path(time, track.lon[rows], track.lat[rows], max_gap_s=max_gap_s)
    if len(path) < 2:
        return None
    fixes = path.seconds
    _, step = inverse(path.lon[:-1], path.lat[:-1], path.lon[1:], path.lat[1:])
    gap = np.diff(fixes) > max_gap_s
    # Between fixes far apart the course is asked for again, so that a corner stays a corner.
    count = np.where(gap, 1, np.maximum(np.ceil(step / _STEP_M), 1)).astype(np.int64)
    index = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(index)) - np.repeat(np.cumsum(count) - count, count)) / count[index]
    seconds = np.append(fixes[index] + part * (fixes[index + 1] - fixes[index]), fixes[-1])
    moments = path.epoch + np.rint(seconds * 1e6).astype("timedelta64[us]")
    seconds = path.to_seconds(moments)

    def column(values: FloatArray, *, circular: bool = False) -> FloatArray:
        return path.samples(values[rows], circular=circular).at(seconds, max_gap_s)

    at = path.at(
        moments,
        speed=path.samples(track.speed_mps[rows]),
        course=path.samples(track.course_deg[rows], circular=True),
    )
    x, y = plane.to_plane(at.lon, at.lat)
    heading, sigma = _headings(
        column(track.heading_deg, circular=True),
        column(track.heading_mag_deg if timed else np.full(len(track.lon), np.nan), circular=True),
        boat,
        at,
        moments,
    )
    # True north in the plane, and there the course as well: it holds at a pole.
    x1, y1 = plane.to_plane(*displace(at.lon, at.lat, 0.0, 10.0))
    north = np.degrees(np.arctan2(x1 - x, y1 - y))
    course, turn = _course(path, seconds, at, plane)
    received = np.isinf(at.course_window_m)
    course = np.where(received, at.course_deg + north, course)
    stand_in = course_as_heading_sigma(
        boat.budget, at.speed_mps, at.course_window_m, np.where(received, 0.0, turn)
    )
    own = np.isfinite(heading)
    heading, sigma = np.where(own, heading + north, course), np.where(own, sigma, stand_in)

    fix = np.sqrt((column(track.sigma_east_m) ** 2 + column(track.sigma_north_m) ** 2) / 2)
    shared = np.where(np.isfinite(fix), fix, boat.budget.gnss_shared_m)
    budget = boat.budget

    right, up = east_north(boat.lever_forward_m, boat.lever_starboard_m, heading)
    x, y = x + right, y + up
    length = np.hypot(np.diff(x), np.diff(y))
    return _Way(
        x=x,
        y=y,
        heading=heading,
        heading_sigma=sigma,
        position_sigma=position_sigma(budget, shared),
        along_sigma=budget.along_sigma(at.speed_mps),
        altitude=column(altitude),
        way=np.concatenate([[0.0], np.cumsum(np.nan_to_num(length))]),
        good=~np.repeat(gap, count),
    )


def _course(
    path: Path, t: FloatArray, at: PathPoint, plane: LocalPlane
) -> tuple[FloatArray, FloatArray]:
    """Return the course in the plane over the window that `Path` takes it from, and its turn."""
    x, y = plane.to_plane(path.lon, path.lat)
    cuts = np.flatnonzero(np.diff(path.seconds) > path.max_gap_s)
    first = np.concatenate([[0], cuts + 1])
    last = np.append(cuts, len(path) - 1)
    piece = np.searchsorted(path.seconds[first], t, side="right") - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.clip(COURSE_HALF_WINDOW_M / at.speed_mps, 2.0, 15.0)
    low = np.maximum(t - half, path.seconds[first[piece]])
    high = np.minimum(t + half, path.seconds[last[piece]])
    moments = (low, (low + high) / 2, high)
    xs, ys = (np.array([np.interp(m, path.seconds, v) for m in moments]) for v in (x, y))
    still = (xs[2] == xs[0]) & (ys[2] == ys[0])
    course = np.degrees(np.arctan2(xs[2] - xs[0], ys[2] - ys[0]))
    half_way = np.degrees(np.arctan2(np.diff(xs, axis=0), np.diff(ys, axis=0)))
    turn = np.abs((half_way[1] - half_way[0] + 180.0) % 360.0 - 180.0)
    return np.where(still, np.nan, course), turn


def _headings(
    heading: FloatArray,
    magnetic: FloatArray,
    boat: Boat,
    at: PathPoint,
    time: NDArray[np.datetime64],
) -> tuple[FloatArray, FloatArray]:
    """Return true headings where the track has any, else NaN, and their standard errors."""
    budget = boat.budget
    sigma = np.full(heading.shape, budget.heading_deg)
    rows = np.isnan(heading) & np.isfinite(magnetic) & np.isfinite(at.lon)
    if rows.any():
        from athwart.geometry import magnetic as compass

        deviation = compass.interpolate_deviation(magnetic[rows], boat.deviation)
        variation = compass.variation(at.lon[rows], at.lat[rows], time[rows])
        heading[rows] = compass.compass_to_true(magnetic[rows], deviation, variation)
        sigma[rows] = np.hypot(budget.heading_deg, budget.variation_deg)
    return heading, sigma


def _judge(way: _Way, far: FloatArray, turn_radius_m: float) -> dict[str, float]:
    """Mark the steps that belong to a pass; return the metres of those that do not, by reason."""
    length = np.diff(way.way)
    reasons: dict[str, float] = {"gap": float(length[~way.good].sum())}

    def drop(points: BoolArray, reason: str) -> None:
        steps = way.good & (points[1:] | points[:-1])
        reasons[reason] = float(length[steps].sum())
        way.good &= ~steps

    unknown = np.isnan(way.heading)
    drop(unknown, "heading")
    drop(np.isnan(way.altitude), "depth")
    blind = way.good & (far[1:] <= 0) & (far[:-1] <= 0)
    reasons["deep"] = float(length[blind].sum())
    way.good &= ~blind

    # Headings run on within unbroken stretches; the turn is taken over a window as long as the
    # one that a course comes from, or as the swath is wide where that is less.
    limit = far if math.isnan(turn_radius_m) else np.full(far.shape, turn_radius_m)
    sharp = np.zeros(len(far), bool)
    for i, j in _runs(way.good):
        turned = np.degrees(np.unwrap(np.radians(way.heading[i : j + 1])))
        way.heading[i : j + 1] = turned
        run = way.way[i : j + 1]
        half = np.clip(limit[i : j + 1] / 2, 5.0, COURSE_HALF_WINDOW_M)
        low, high = np.maximum(run - half, run[0]), np.minimum(run + half, run[-1])
        change = np.abs(np.radians(np.interp(high, run, turned) - np.interp(low, run, turned)))
        sharp[i : j + 1] = change * limit[i : j + 1] > (high - low)
    turns = way.good & sharp[1:] & sharp[:-1]
    reasons["turn"] = float(length[turns].sum())
    way.good &= ~turns
    # What is left and still does not know where it looks. In a turn a course is unsure as well.
    lost = reasons["heading"]
    drop(~(way.heading_sigma <= MOST_HEADING_SIGMA_DEG), "heading")
    reasons["heading"] += lost
    return reasons


def _runs(good: BoolArray) -> list[tuple[int, int]]:
    """Return first and last point of each run of good steps."""
    edge = np.diff(np.concatenate([[False], good, [False]]).astype(np.int8))
    begin, end = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    return list(zip(begin.tolist(), end.tolist(), strict=True))


def _stretches(way: _Way) -> list[tuple[int, int, bool, bool]]:
    """Return first and last point of each pass, and whether it really begins and ends there."""
    out = []
    for i, j in _runs(way.good):
        first = look = i
        while look < j:
            # A window at a time, so that a boat that circles for hours costs no more.
            until = min(look + _LOOK, j)
            away = np.abs(way.heading[look:until] - way.heading[first]) > NEW_PASS_DEG
            if away.any():
                look += int(np.argmax(away))
                out.append((first, look, first == i, False))
                first = look
            else:
                look = until
        out.append((first, j, first == i, True))
    return out


def _fine(heading: FloatArray, i: int, j: int) -> tuple[IntArray, FloatArray]:
    """Return points of a pass (step and part of it) with little turn between one and the next."""
    turn = np.abs(np.diff(heading[i : j + 1]))
    count = np.maximum(np.ceil(turn / _FINE_DEG), 1).astype(np.int64)
    step = np.repeat(np.arange(i, j), count)
    part = (np.arange(len(step)) - np.repeat(np.cumsum(count) - count, count)) / count[step - i]
    return np.append(step, j - 1), np.append(part, 1.0)


def edge_errors(
    near: FloatArray,
    far: FloatArray,
    altitude: FloatArray,
    reach: float,
    *,
    heading_sigma_deg: FloatArray,
    position_sigma_m: FloatArray,
    along_sigma_m: FloatArray,
    scale_sigma: float,
    budget: ErrorBudget,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the 95 % errors of near and far edge across and of the far edge along the track.

    Parameters
    ----------
    near, far, altitude : numpy.ndarray
        Ground ranges of the edges and height above the bottom, metres.
    reach : float
        Slant range of the far edge, metres.
    heading_sigma_deg, position_sigma_m, along_sigma_m : numpy.ndarray
        Standard errors of the heading, of the position per axis, and along the track besides.
    scale_sigma : float
        Standard error of the sound's scale.
    budget : ErrorBudget
        Range, depth and slope.
    """
    turned = np.radians(np.minimum(np.nan_to_num(heading_sigma_deg, nan=90.0), 90.0)) ** 2
    e1, e2 = np.exp(-turned / 2), np.exp(-2 * turned)
    across, along = 1 - 2 * e1 + (1 + e2) / 2, (1 - e2) / 2
    moment = np.zeros_like(far)
    seen = far > 0
    if seen.any():
        _, moment[seen] = across_moments(
            far[seen],
            reach,
            altitude[seen],
            0.0,
            range_sigma_m=budget.range_sigma(reach),
            altitude_sigma_m=budget.depth_sigma(altitude[seen]),
            slope_sigma_deg=budget.slope_deg,
            scale_sigma=scale_sigma,
        )
    place = position_sigma_m**2
    near_error = P95 * np.sqrt(place + near**2 * across)
    far_error = P95 * np.sqrt(place + far**2 * across + moment)
    along_error = P95 * np.sqrt(place + far**2 * along + np.nan_to_num(along_sigma_m) ** 2)
    return near_error, far_error, along_error


def position_sigma(budget: ErrorBudget, shared_m: ArrayLike) -> FloatArray:
    """Return the standard error of the transducer's place per axis, from the trip's shared part."""
    own = budget.gnss_own_m**2 + budget.boat_m**2 + budget.lever_m**2
    return np.asarray(np.sqrt(np.asarray(shared_m, np.float64) ** 2 + own))
