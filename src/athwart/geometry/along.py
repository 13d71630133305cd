"""A track as a function of time: position, course, speed, heading and depth at any moment.

A track is a polyline of geodesics between timed fixes. Between two fixes everything is linear in
time; headings turn the short way round. Nothing is interpolated across a gap longer than a limit,
and nothing is extrapolated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.geometry.geodesic import displace, inverse

__all__ = ["Path", "PathPoint", "Samples"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COURSE_HALF_WINDOW_M = 15.0
"""Half the length of track from which a course is taken: 0.8 m of jitter over 30 m is 2 degrees."""


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """A quantity sampled in time, NaN-free and sorted.

    Parameters
    ----------
    seconds : numpy.ndarray
        Sample times, seconds since the path's epoch, strictly increasing.
    values : numpy.ndarray
        Sample values; degrees if ``circular``.
    circular : bool
        A direction in degrees.
    """

    seconds: FloatArray
    values: FloatArray
    circular: bool = False

    @classmethod
    def of(cls, seconds: FloatArray, values: FloatArray, *, circular: bool = False) -> Samples:
        """Keep what is known of a column."""
        known = np.isfinite(values)
        return cls(seconds[known], values[known], circular)

    def at(self, t: FloatArray, max_gap_s: float) -> FloatArray:
        """Return values at times; NaN outside the samples and in gaps longer than the limit."""
        if not len(self.seconds):
            return np.full(t.shape, np.nan)
        before, after, part, gap = _bracket(self.seconds, t)
        first, second = self.values[before], self.values[after]
        step = second - first
        if self.circular:
            step = (step + 180.0) % 360.0 - 180.0
        value = first + part * step
        if self.circular:
            value = value % 360.0
        return np.where(gap <= max_gap_s, value, np.nan)


def _bracket(
    seconds: FloatArray, t: FloatArray
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]:
    """Return the samples about each time, how far between them it lies, and their gap."""
    last = len(seconds) - 1
    after = np.clip(np.searchsorted(seconds, t, side="left"), 0, last)
    exact = seconds[after] == t
    before = np.where(exact, after, np.maximum(after - 1, 0))
    gap = np.where(exact, 0.0, seconds[after] - seconds[before])
    outside = (t < seconds[0]) | (t > seconds[-1])
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(gap > 0, (t - seconds[before]) / gap, 0.0)
    return before, after, part, np.where(outside, np.inf, gap)


@dataclass(frozen=True, slots=True, eq=False)
class PathPoint:
    """A path at some moments; every field is an array, NaN where it is not known.

    ``gap_s`` is the gap that the moment falls into (0 at a fix), infinite outside the track.
    ``course_window_m`` is the length of track that the course was taken from and
    ``course_turn_deg`` how much it turns within; a course from the receiver has an infinite window.
    """

    lon: FloatArray
    lat: FloatArray
    gap_s: FloatArray
    course_deg: FloatArray
    course_window_m: FloatArray
    course_turn_deg: FloatArray
    speed_mps: FloatArray


class Path:
    """Timed fixes, sorted, one for each moment.

    Parameters
    ----------
    time : array_like of datetime64
        UTC; fixes without a time are left out, of several at one moment the first is kept.
    lon, lat : array_like
        Degrees.
    max_gap_s : float
        Longest gap that is bridged.
    """

    def __init__(
        self, time: ArrayLike, lon: ArrayLike, lat: ArrayLike, *, max_gap_s: float = 10.0
    ) -> None:
        times = np.asarray(time, dtype="datetime64[us]")
        keep = np.flatnonzero(~np.isnat(times))
        order = keep[np.argsort(times[keep], kind="stable")]
        _, first = np.unique(times[order], return_index=True)
        self.index: NDArray[np.int64] = order[first]
        """Rows of the input that the path uses, in time order."""
        self.time = times[self.index]
        self.epoch = self.time[0] if len(self.time) else np.datetime64(0, "us")
        self.seconds = self.to_seconds(self.time)
        self.lon = np.asarray(lon, np.float64)[self.index]
        self.lat = np.asarray(lat, np.float64)[self.index]
        self.max_gap_s = max_gap_s
        # The ends of the unbroken piece that each fix lies in: a window must not leave it.
        breaks = np.flatnonzero(np.diff(self.seconds) > max_gap_s)
        starts = np.concatenate([[0], breaks + 1]).astype(np.int64)
        ends = np.concatenate([breaks, [len(self.seconds) - 1]]).astype(np.int64)
        lengths = ends - starts + 1
        if len(self.seconds):
            self._piece_start = np.repeat(self.seconds[starts], lengths)
            self._piece_end = np.repeat(self.seconds[ends], lengths)

    def __len__(self) -> int:
        return len(self.seconds)

    def to_seconds(self, time: ArrayLike) -> FloatArray:
        """Return times as seconds since the path's first fix; NaN for NaT."""
        times = np.asarray(time, dtype="datetime64[us]")
        seconds = (times - self.epoch) / np.timedelta64(1, "s")
        return np.asarray(seconds, dtype=np.float64)

    def samples(self, values: ArrayLike, *, circular: bool = False) -> Samples:
        """Return a column of the input as a function of time."""
        return Samples.of(
            self.seconds, np.asarray(values, np.float64)[self.index], circular=circular
        )

    def position(self, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return lon, lat on the track at seconds and the gap each falls into."""
        before, after, part, gap = _bracket(self.seconds, t)
        lon, lat = self.lon[before].copy(), self.lat[before].copy()
        between = (part > 0) & np.isfinite(gap)
        if between.any():
            i, j = before[between], after[between]
            bearing, distance = inverse(self.lon[i], self.lat[i], self.lon[j], self.lat[j])
            angle, done = np.radians(bearing), distance * part[between]
            lon[between], lat[between] = displace(
                self.lon[i], self.lat[i], done * np.sin(angle), done * np.cos(angle)
            )
        return lon, lat, gap

    def at(
        self, time: ArrayLike, *, speed: Samples | None = None, course: Samples | None = None
    ) -> PathPoint:
        """Return the path at moments.

        Parameters
        ----------
        time : array_like of datetime64
            UTC.
        speed, course : Samples, optional
            The receiver's own speed and course; where they are missing both come from the fixes
            within a window about 30 m long that does not leave the unbroken piece.
        """
        t = self.to_seconds(np.atleast_1d(time))
        if not len(self):
            nan = np.full(t.shape, np.nan)
            return PathPoint(nan, nan, np.full(t.shape, np.inf), nan, nan, nan, nan)
        t = np.where(np.isnan(t), np.inf, t)
        lon, lat, gap = self.position(t)
        outside = gap > self.max_gap_s
        own_speed = (speed or Samples.of(self.seconds, np.full(len(self), np.nan))).at(
            t, self.max_gap_s
        )
        own_course = (course or Samples.of(self.seconds, np.full(len(self), np.nan))).at(
            t, self.max_gap_s
        )
        need = ~outside & (np.isnan(own_speed) | np.isnan(own_course))
        window, turn = np.full(t.shape, np.inf), np.zeros(t.shape)
        if need.any():
            found_course, found_speed, length, turned = self._from_fixes(t[need])
            missing = np.isnan(own_course[need])
            window[need] = np.where(missing, length, np.inf)
            turn[need] = np.where(missing, turned, 0.0)
            own_course[need] = np.where(missing, found_course, own_course[need])
            own_speed[need] = np.where(np.isnan(own_speed[need]), found_speed, own_speed[need])
        lon, lat = np.where(outside, np.nan, lon), np.where(outside, np.nan, lat)
        return PathPoint(lon, lat, gap, own_course, window, turn, own_speed)

    def _from_fixes(self, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        before, _, _, _ = _bracket(self.seconds, t)
        start, end = self._piece_start[before], self._piece_end[before]
        # A first look over 4 s gives the speed, from which the window's time follows.
        half = np.full(t.shape, 2.0)
        for _ in range(2):
            low, high = np.maximum(t - half, start), np.minimum(t + half, end)
            lon_a, lat_a, _ = self.position(low)
            lon_b, lat_b, _ = self.position(high)
            bearing, length = inverse(lon_a, lat_a, lon_b, lat_b)
            with np.errstate(divide="ignore", invalid="ignore"):
                speed = np.where(high > low, length / (high - low), 0.0)
                half = np.clip(COURSE_HALF_WINDOW_M / speed, 2.0, 15.0)
        middle_lon, middle_lat, _ = self.position((low + high) / 2)
        first, first_length = inverse(lon_a, lat_a, middle_lon, middle_lat)
        second, second_length = inverse(middle_lon, middle_lat, lon_b, lat_b)
        turn = np.abs((second - first + 180.0) % 360.0 - 180.0)
        turn = np.where((first_length > 0) & (second_length > 0), turn, 0.0)
        known = length > 0
        return np.where(known, bearing, np.nan), np.where(known, speed, np.nan), length, turn
