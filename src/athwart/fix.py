"""Picks, a track and a boat to sightings: the chain from a paused frame to a place on the map.

Each step is a pure function on arrays; `fix` puts them in order. A pick that cannot be placed is
rejected with its reason and never guessed at.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from athwart.boat import Boat
from athwart.errors import BadRow, TableError
from athwart.geometry.along import Path
from athwart.geometry.geodesic import destination, displace, polar
from athwart.geometry.lever import east_north, rotate_covariance
from athwart.geometry.slant import (
    first_bottom_return,
    ground_range,
    ground_range_in_water,
    height_from_shadow,
    slant_of_ground,
    top_ground_range,
)
from athwart.identity import observation_ids
from athwart.tables import Picks, Sightings, Track, bad_rows, same_text
from athwart.uncertainty.budget import ErrorBudget, course_as_heading_sigma
from athwart.uncertainty.propagate import across_moments, boat_axes_covariance

__all__ = ["DOUBTFUL_PART", "IN_WATER_KINDS", "UNEVEN", "Fixed", "fix"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
TimeArray = NDArray[np.datetime64]

IN_WATER_KINDS = ("fish", "bait")
"""Kinds that are taken to swim between the boat and the bottom."""

MOST_ALONG_WITH_SECONDS_M = 10.0
"""Along-track beyond this together with seconds back is the same thing entered twice."""

DOUBTFUL_PART = 0.25
"""From this part of a height on, people are told that the bottom may be no plane."""

_CHUNK = 65_536  # rows at a time, so that the working arrays stay in the processor's cache

UNEVEN = "the bottom rises or falls here; the height may be far off"

TOP = "top of the object"
BOTTOM = "echo on the bottom"
WATER = "in the water"
WATER_UNKNOWN = "in the water, depth unknown"


@dataclass(frozen=True, slots=True, eq=False)
class Fixed:
    """What became of a table of picks.

    Parameters
    ----------
    sightings : Sightings
        The picks that could be placed, in their order.
    rows : numpy.ndarray of int
        For each sighting the row of its pick, from 0.
    rejected : tuple of BadRow
        The picks that could not be placed, with the reason.
    words : tuple of str
        What was assumed, for people.
    """

    sightings: Sightings
    rows: NDArray[np.int64]
    rejected: tuple[BadRow, ...]
    words: tuple[str, ...]


@dataclass(slots=True)
class _Docket:
    """Collects the first fault of each row, and of what was assumed for how many.

    ``first`` is the row of the whole table that the docket's own row 0 is.
    """

    faulty: BoolArray
    rows: list[BadRow] = field(default_factory=list)
    said: dict[str, int] = field(default_factory=dict)
    first: int = 0

    def part(self, rows: slice) -> _Docket:
        """Return the docket of some rows in turn; what it collects is collected here too."""
        return _Docket(self.faulty[rows], self.rows, self.said, rows.start)

    @property
    def words(self) -> tuple[str, ...]:
        """What was assumed, for people."""
        return tuple(
            f"{sentence} ({count} {'pick' if count == 1 else 'picks'})"
            for sentence, count in self.said.items()
        )

    def reject(
        self, mask: BoolArray, code: str, message: Callable[[int], str], column: str = ""
    ) -> None:
        """Reject the rows of a mask that were still good."""
        new = mask & ~self.faulty
        if new.any():
            found = bad_rows(new, code, message, column)
            self.rows += [replace(row, row=row.row + self.first) for row in found]
            self.faulty |= new

    def say(self, mask: BoolArray, sentence: str) -> None:
        """Note an assumption made for the rows of a mask."""
        count = int(np.count_nonzero(mask & ~self.faulty))
        if count:
            self.said[sentence] = self.said.get(sentence, 0) + count


@dataclass(frozen=True, slots=True, eq=False)
class _Antenna:
    """The antenna at the moment the target's line was drawn."""

    time: TimeArray
    lon: FloatArray
    lat: FloatArray
    heading_deg: FloatArray
    heading_sigma_deg: FloatArray
    speed_mps: FloatArray
    moved_var_m2: FloatArray
    shared_sigma_m: FloatArray
    depth_m: FloatArray
    depth_below: NDArray[np.object_]
    temperature_c: FloatArray

    def part(self, rows: slice) -> _Antenna:
        """Return some rows in turn, as views."""
        return _Antenna(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """What of the sightings is worked out, by the names of their columns."""

    lon: FloatArray
    lat: FloatArray
    depth_m: FloatArray
    depth_below: NDArray[np.object_]
    var_depth_m2: FloatArray
    height_m: FloatArray
    var_height_m2: FloatArray
    var_east_m2: FloatArray
    var_north_m2: FloatArray
    cov_east_north_m2: FloatArray
    method_detail: NDArray[np.object_]
    ground_range_m: FloatArray
    bearing_deg: FloatArray
    distance_m: FloatArray


def fix(
    picks: Picks,
    *,
    track: Track | None = None,
    boat: Boat | None = None,
    in_water: bool = False,
    measured: bool = False,
    max_gap_s: float = 10.0,
    source: str = "",
    source_rows: NDArray[np.int64] | None = None,
    skip_bad: bool = False,
    with_ids: bool = True,
    method: Literal["pick", "picture"] = "pick",
) -> Fixed:
    """Place picks.

    Parameters
    ----------
    picks : Picks
        A table that keeps its contract (`Picks.checked`).
    track : Track, optional
        Where the boat was; gives position, course, speed, heading and depth where a pick has none.
    boat : Boat, optional
        Lever arm, water, compass, clock and error budget; the defaults without one.
    in_water : bool
        Take every echo without a `target_depth_m` for something in the water.
    measured : bool
        Ground ranges were measured and not read off a screen: sound speed leaves them alone.
    max_gap_s : float
        Longest gap of the track that is bridged, seconds.
    source : str
        Name of the file, for the sightings and the messages.
    source_rows : numpy.ndarray of int, optional
        Row of that file that each pick comes from; without it they count from 1.
    skip_bad : bool
        Return the good picks and list the others, rather than refuse them all.
    with_ids : bool
        Give each sighting its id; without, a large table of bare positions takes half the time.
    method : {"pick", "picture"}
        How the picks were made: numbers read off a screen, or points on a picture of it.

    Returns
    -------
    Fixed

    Raises
    ------
    TableError
        Picks that cannot be placed, every one with its reason, unless ``skip_bad``.

    Examples
    --------
    >>> pick = Picks.from_columns(
    ...     {
    ...         "lon": 0.0,
    ...         "lat": 0.0,
    ...         "heading_deg": 0.0,
    ...         "side": "starboard",
    ...         "slant_range_m": 13.0,
    ...         "depth_m": 5.0,
    ...     }
    ... )
    >>> place = fix(pick).sightings
    >>> round(float(place.ground_range_m[0]), 6), round(float(place.lon[0]) * 111319.49, 3)
    (12.0, 12.0)
    """
    boat = boat or Boat()
    docket = _Docket(np.zeros(len(picks), dtype=bool))
    _refuse_broken_rows(picks, docket)
    antenna = _place_antenna(picks, track, boat, max_gap_s, docket)
    sightings = _place_targets(picks, antenna, boat, in_water, measured, source, method, docket)
    if with_ids:
        sightings = replace(sightings, sighting_id=_pick_ids(picks))
    if source_rows is not None:
        sightings = replace(sightings, source_row=source_rows)
        docket.rows = [replace(row, row=int(source_rows[row.row - 1])) for row in docket.rows]
    rejected = tuple(sorted(docket.rows, key=lambda r: r.row))
    if rejected and not skip_bad:
        raise TableError(source or picks.title, rejected)
    rows = np.flatnonzero(~docket.faulty)
    if rejected:
        sightings = sightings.take(rows)
    return Fixed(sightings, rows, rejected, docket.words)


def _refuse_broken_rows(picks: Picks, docket: _Docket) -> None:
    for row in picks.faults():
        if not docket.faulty[row.row - 1]:
            docket.rows.append(row)
            docket.faulty[row.row - 1] = True
    back = picks.seconds_back > 0
    docket.reject(
        back & (np.abs(picks.along_track_m) > MOST_ALONG_WITH_SECONDS_M),
        "entered-twice",
        lambda i: (
            f"along_track_m {picks.along_track_m[i]:g} together with seconds_back "
            f"{picks.seconds_back[i]:g} is the same thing entered twice; keep one "
            f"(up to {MOST_ALONG_WITH_SECONDS_M:g} m of along-track may stand beside it)"
        ),
        "along_track_m",
    )
    shadow = np.isfinite(picks.shadow_start_m) & ~np.isfinite(picks.shadow_m)
    docket.reject(
        shadow,
        "shadow-missing",
        lambda i: "shadow_start_m is given without shadow_m; give the length of the shadow too",
        "shadow_m",
    )
    late = np.isfinite(picks.shadow_start_m) & np.isfinite(picks.slant_range_m)
    docket.reject(
        late & (picks.shadow_start_m < 0.5 * picks.slant_range_m),
        "shadow-before-target",
        lambda i: (
            f"shadow_start_m {picks.shadow_start_m[i]:g} lies far inside the target's slant range "
            f"{picks.slant_range_m[i]:g}; a shadow starts at or beyond the object"
        ),
        "shadow_start_m",
    )


def _place_antenna(
    picks: Picks, track: Track | None, boat: Boat, max_gap_s: float, docket: _Docket
) -> _Antenna:
    """Say where the antenna was and how the boat lay when each target's line was drawn."""
    n, budget = len(picks), boat.budget
    offset = np.timedelta64(round(boat.clock_offset_s * 1e6), "us")
    back = np.rint(np.nan_to_num(picks.seconds_back) * 1e6).astype("timedelta64[us]")
    time = picks.time + offset - back
    typed = np.isfinite(picks.lon)
    lon, lat = picks.lon, picks.lat
    heading, course, speed = picks.heading_deg, picks.course_deg, picks.speed_mps
    magnetic = picks.heading_mag_deg
    own_true, own_mag = np.isfinite(heading), np.isfinite(magnetic)
    # Views of one value: what only a track can tell takes no memory without one.
    depth = temperature = np.broadcast_to(np.nan, n)
    depth_below = np.broadcast_to(np.array("", dtype=object), n)
    window, turn = np.broadcast_to(np.inf, n), np.broadcast_to(0.0, n)
    shared = np.full(n, budget.gnss_shared_m)

    if track is None or not len(track):
        docket.reject(
            ~typed,
            "position-missing",
            lambda i: "there is no lat and lon, and no track to take them from",
            "lat",
        )
    else:
        path = Path(track.time, track.lon, track.lat, max_gap_s=max_gap_s)
        at = path.at(
            time,
            speed=path.samples(track.speed_mps),
            course=path.samples(track.course_deg, circular=True),
        )
        _refuse_times_off_the_track(picks, time, path, at.gap_s, typed, docket)
        t = path.to_seconds(time)
        lon, lat = np.where(typed, lon, at.lon), np.where(typed, lat, at.lat)
        speed = np.where(np.isfinite(speed), speed, at.speed_mps)
        from_track = ~np.isfinite(course)
        course = np.where(from_track, at.course_deg, course)
        window = np.where(from_track, at.course_window_m, window)
        turn = np.where(from_track, at.course_turn_deg, turn)
        none = ~own_true & ~own_mag
        found = path.samples(track.heading_deg, circular=True).at(t, max_gap_s)
        heading = np.where(none, found, heading)
        none &= np.isnan(heading)
        found = path.samples(track.heading_mag_deg, circular=True).at(t, max_gap_s)
        magnetic = np.where(none, found, magnetic)
        depth = path.samples(track.depth_m).at(t, max_gap_s)
        depth_below = same_text(n, _one_word(track.depth_below))
        temperature = path.samples(track.water_temperature_c).at(t, max_gap_s)
        sigma = np.sqrt((track.sigma_east_m**2 + track.sigma_north_m**2) / 2)
        sigma = path.samples(sigma).at(t, max_gap_s)
        shared = np.where(np.isfinite(sigma) & ~typed, sigma, shared)

    is_magnetic = np.isfinite(magnetic) & np.isnan(heading)
    heading, heading_sigma = _true_heading(
        heading, magnetic, is_magnetic, lon, lat, time, boat, docket
    )
    stand_in = np.isnan(heading) & np.isfinite(course)
    if stand_in.any():
        heading = np.where(stand_in, course, heading)
        course_sigma = course_as_heading_sigma(budget, speed, window, turn)
        heading_sigma = np.where(stand_in, course_sigma, heading_sigma)
    docket.reject(
        np.isnan(heading),
        "heading-missing",
        lambda i: (
            "there is no heading; give heading_deg (true), heading_mag_deg (compass) or course_deg, "
            "or a track"
        ),
        "heading_deg",
    )
    docket.say(stand_in, "the course stands in for the heading")

    # A typed position is that of `time`; the boat has come on since the line was drawn.
    moves = typed & (picks.seconds_back > 0)
    docket.reject(
        moves & np.isnan(speed),
        "seconds-back-without-speed",
        lambda i: (
            "seconds_back needs a speed (speed_mps or speed_kn) to say how far the boat moved"
        ),
        "seconds_back",
    )
    moved_var = np.zeros(n)
    moves &= ~docket.faulty
    if moves.any():
        direction = np.where(np.isfinite(course), course, heading)[moves]
        way = (speed * picks.seconds_back)[moves]
        east, north = east_north(-way, 0.0, direction)
        lon, lat = lon.copy(), lat.copy()
        lon[moves], lat[moves] = displace(lon[moves], lat[moves], east, north)
        slip = np.radians(course_as_heading_sigma(budget, speed[moves]))
        moved_var[moves] = (way * np.where(np.isfinite(course[moves]), 0.05, slip)) ** 2
    return _Antenna(
        time=time,
        lon=lon,
        lat=lat,
        heading_deg=heading,
        heading_sigma_deg=heading_sigma,
        speed_mps=speed,
        moved_var_m2=moved_var,
        shared_sigma_m=shared,
        depth_m=depth,
        depth_below=depth_below,
        temperature_c=temperature,
    )


def _one_word(words: NDArray[np.object_]) -> str:
    given = set(words[words != ""].tolist())
    return given.pop() if len(given) == 1 else ""


def _refuse_times_off_the_track(
    picks: Picks,
    time: TimeArray,
    path: Path,
    gap_s: FloatArray,
    typed: BoolArray,
    docket: _Docket,
) -> None:
    needed = ~typed
    docket.reject(
        needed & np.isnat(time),
        "time-missing",
        lambda i: "there is no time to find the place on the track; give time, or lat and lon",
        "time",
    )
    if not len(path):
        docket.reject(
            needed,
            "track-without-times",
            lambda i: "no point of the track has a time, so it cannot place a pick",
            "time",
        )
        return

    def outside(i: int) -> str:
        before = time[i] < path.time[0]
        edge = path.time[0] if before else path.time[-1]
        away = abs((time[i] - edge) / np.timedelta64(1, "s"))
        side = "before the track's first point" if before else "after the track's last point"
        return (
            f"{_clock(time[i])} is {away:.0f} s {side}; check the clock, the zone and the clock "
            "offset, or give another track"
        )

    docket.reject(needed & np.isinf(gap_s), "time-outside-track", outside, "time")
    docket.reject(
        needed & (gap_s > path.max_gap_s),
        "track-gap",
        lambda i: (
            f"{_clock(time[i])} falls in a gap of {gap_s[i]:.0f} s in the track; gaps up to "
            f"{path.max_gap_s:g} s are bridged"
        ),
        "time",
    )


def _clock(time: np.datetime64) -> str:
    return str(np.datetime_as_string(time, unit="s")).replace("T", " ") + " UTC"


def _true_heading(
    heading: FloatArray,
    magnetic: FloatArray,
    is_magnetic: BoolArray,
    lon: FloatArray,
    lat: FloatArray,
    time: TimeArray,
    boat: Boat,
    docket: _Docket,
) -> tuple[FloatArray, FloatArray]:
    """Turn compass headings into true ones; return headings and their standard errors."""
    budget = boat.budget
    sigma = np.full(heading.shape, budget.heading_deg)
    if not is_magnetic.any():
        return heading, sigma
    from athwart.geometry import magnetic as compass

    docket.reject(
        is_magnetic & ~(np.isfinite(lon) & np.isfinite(lat)),
        "magnetic-heading-without-position",
        lambda i: (
            "a magnetic heading needs a position for the variation; give lat and lon or a track, "
            "or a true heading"
        ),
        "heading_mag_deg",
    )
    years = time.astype("datetime64[Y]").astype(np.float64) + 1970
    known = (years >= compass.FIRST_YEAR) & (years < compass.LAST_YEAR)
    docket.reject(
        is_magnetic & ~known,
        "magnetic-heading-without-date",
        lambda i: (
            "a magnetic heading needs a time from 2010 to 2029 for the variation; give the time, "
            "or a true heading"
        ),
        "heading_mag_deg",
    )
    rows = is_magnetic & ~docket.faulty
    if not rows.any():
        return heading, sigma
    heading = heading.copy()
    deviation = compass.interpolate_deviation(magnetic[rows], boat.deviation)
    variation = compass.variation(lon[rows], lat[rows], time[rows])
    heading[rows] = compass.compass_to_true(magnetic[rows], deviation, variation)
    sigma[rows] = np.hypot(budget.heading_deg, budget.variation_deg)
    return heading, sigma


@dataclass(frozen=True, slots=True, eq=False)
class _Lengths:
    """What was read off the screen, corrected for sound speed, metres, and how to take each pick.

    ``start`` is where the shadow begins, ``water_depth`` the depth of a thing in mid-water, ``scale`` the
    standard error that range and depth have in common, ``range_given`` and ``shadow_given`` that of the range
    and of the shadow's length where they are known, ``uneven`` that of the water at the thing as a part
    of it. The masks part the picks by method; a shadow may stand on a range of either kind.
    """

    slant: FloatArray
    ground: FloatArray
    altitude: FloatArray
    altitude_sigma: FloatArray
    slope_deg: FloatArray
    start: FloatArray
    shadow: FloatArray
    water_depth: FloatArray
    scale: FloatArray
    range_given: FloatArray
    shadow_given: FloatArray
    uneven: FloatArray
    by_ground: BoolArray
    in_mid_water: BoolArray
    unknown_depth: BoolArray
    has_shadow: BoolArray

    def range_sigma(self, budget: ErrorBudget, reading: FloatArray) -> FloatArray:
        """Return the standard error of a range read off the screen: the pick's own, else usual."""
        usual = budget.range_sigma(reading)
        return np.where(np.isfinite(self.range_given), self.range_given, usual)

    def shadow_sigma(self, budget: ErrorBudget) -> FloatArray:
        """Return the standard error of a shadow's length: the pick's own, else usual."""
        return np.where(np.isfinite(self.shadow_given), self.shadow_given, budget.shadow_m)

    @property
    def on_bottom(self) -> BoolArray:
        """Picks that are an echo from the bottom at a slant range."""
        return ~self.by_ground & ~self.in_mid_water & ~self.unknown_depth


def _place_targets(
    picks: Picks,
    antenna: _Antenna,
    boat: Boat,
    in_water: bool,
    measured: bool,
    source: str,
    method: str,
    docket: _Docket,
) -> Sightings:
    """Turn ranges into positions, depths and heights, each with its error."""
    n = len(picks)
    placed: dict[str, NDArray[Any]] = {}
    for start in range(0, max(n, 1), _CHUNK):
        rows = slice(start, start + _CHUNK)
        some = _places(
            picks.part(rows), antenna.part(rows), boat, in_water, measured, docket.part(rows)
        )
        for column in fields(some):
            values = getattr(some, column.name)
            placed.setdefault(column.name, np.empty(n, values.dtype))[rows] = values
    side = picks.side
    if boat.sides_exchanged:
        side = np.where(picks.side == "port", "starboard", "port").astype(object)
    return Sightings(
        **placed,
        sighting_id=same_text(n, ""),
        trip=picks.trip,
        time=antenna.time,
        name=picks.name,
        kind=picks.kind,
        hazard=picks.hazard,
        note=picks.note,
        shared_sigma_m=antenna.shared_sigma_m,
        boat=same_text(n, boat.name),
        boat_sigma_m=np.full(n, boat.budget.boat_m),
        method=same_text(n, method),
        side=side,
        antenna_lon=antenna.lon,
        antenna_lat=antenna.lat,
        links=same_text(n, ""),
        source=same_text(n, source),
        source_row=np.arange(1, n + 1),
        extra=picks.extra,
    )


def _places(
    picks: Picks,
    antenna: _Antenna,
    boat: Boat,
    in_water: bool,
    measured: bool,
    docket: _Docket,
) -> _Places:
    """Place some picks; a row says nothing about another."""
    n, budget = len(picks), boat.budget
    lengths = _read_lengths(picks, antenna, boat, in_water, measured, docket)
    _refuse_ranges(lengths, docket)
    y = _stated_ground_range(lengths)
    _refuse_below_bottom(lengths, y, docket)
    mean, moment = _across_error(boat, lengths, y, measured, docket.faulty)

    sign = np.where(picks.side == "port", -1.0, 1.0) * (-1.0 if boat.sides_exchanged else 1.0)
    forward = boat.lever_forward_m + picks.along_track_m
    starboard = boat.lever_starboard_m + sign * y
    east, north = east_north(forward, starboard, antenna.heading_deg)
    good = ~docket.faulty
    east, north = np.where(good, east, 0.0), np.where(good, north, 0.0)
    azimuth, distance = polar(east, north)
    lon, lat = destination(
        np.where(good, antenna.lon, 0.0), np.where(good, antenna.lat, 0.0), azimuth, distance
    )
    along = budget.along_sigma(antenna.speed_mps)
    late = np.nan_to_num(picks.time_sigma_s) * np.nan_to_num(antenna.speed_mps)
    ff, ss, fs = boat_axes_covariance(
        forward,
        starboard,
        forward_var_m2=along**2 + late**2 + budget.lever_m**2,
        starboard_mean_m=sign * mean,
        starboard_moment_m2=moment + budget.lever_m**2 + antenna.moved_var_m2,
        heading_sigma_deg=antenna.heading_sigma_deg,
    )
    var_e, var_n, cov = rotate_covariance(ff, ss, fs, antenna.heading_deg)
    own = budget.gnss_own_m**2

    depth, var_depth, below = _depth_at_target(boat, lengths, y, moment)
    height, var_height = _height(boat, lengths)
    detail = same_text(n, BOTTOM)
    detail[lengths.has_shadow] = TOP
    detail[lengths.in_mid_water] = WATER
    detail[lengths.unknown_depth] = WATER_UNKNOWN
    return _Places(
        lon=lon,
        lat=lat,
        depth_m=depth,
        depth_below=below,
        var_depth_m2=var_depth,
        height_m=height,
        var_height_m2=var_height,
        var_east_m2=var_e + own,
        var_north_m2=var_n + own,
        cov_east_north_m2=cov,
        method_detail=detail,
        ground_range_m=y,
        bearing_deg=azimuth % 360.0,
        distance_m=distance,
    )


def _read_lengths(
    picks: Picks, antenna: _Antenna, boat: Boat, in_water: bool, measured: bool, docket: _Docket
) -> _Lengths:
    """Correct lengths for sound speed and say by which method each pick is placed."""
    ratio, scale = boat.sound_ratio(antenna.temperature_c)
    slant, shadow = picks.slant_range_m * ratio, np.nan_to_num(picks.shadow_m) * ratio
    ground = picks.ground_range_m * (1.0 if measured else ratio)
    water_depth = picks.target_depth_m * ratio
    altitude, altitude_sigma = _altitude(picks, antenna, boat, ratio, docket)
    by_ground, in_mid_water = np.isfinite(ground), np.isfinite(water_depth)
    swims = np.full(len(picks), True) if in_water else np.isin(picks.kind, IN_WATER_KINDS)
    unknown_depth = ~by_ground & ~in_mid_water & swims
    has_shadow = (shadow > 0) & ~in_mid_water & ~unknown_depth
    # Without a start the shadow begins at the target's own slant range.
    told = np.isfinite(picks.shadow_start_m)
    own = np.where(by_ground, slant_of_ground(ground, altitude, picks.bottom_slope_deg), slant)
    docket.say(has_shadow & ~told, "the shadow is taken to start at the target's own range")
    docket.say(has_shadow & (picks.uneven_part >= DOUBTFUL_PART), UNEVEN)
    return _Lengths(
        slant=slant,
        ground=ground,
        altitude=altitude,
        altitude_sigma=altitude_sigma,
        slope_deg=picks.bottom_slope_deg,
        start=np.where(told, picks.shadow_start_m * ratio, own),
        shadow=shadow,
        water_depth=water_depth,
        scale=scale,
        range_given=picks.range_sigma_m * (1.0 if measured else ratio),
        shadow_given=picks.shadow_sigma_m * ratio,
        uneven=picks.uneven_part,
        by_ground=by_ground,
        in_mid_water=in_mid_water,
        unknown_depth=unknown_depth,
        has_shadow=has_shadow,
    )


def _refuse_ranges(x: _Lengths, docket: _Docket) -> None:
    docket.reject(
        (x.on_bottom | x.has_shadow) & np.isnan(x.altitude),
        "depth-missing",
        lambda i: "there is no depth; give depth_m (or depth_ft), or a track with depths",
        "depth_m",
    )
    nearest = first_bottom_return(x.altitude, x.slope_deg)
    docket.reject(
        x.on_bottom & (x.slant < nearest),
        "range-shorter-than-altitude",
        lambda i: (
            f"slant range {x.slant[i]:.1f} m is shorter than the {nearest[i]:.1f} m to the nearest "
            "bottom, so the echo is in the water; give target_depth_m, or say that it is in the "
            "water, as kind fish or bait does"
        ),
        "slant_range_m",
    )
    docket.reject(
        x.in_mid_water & ~x.by_ground & (x.slant < x.water_depth),
        "range-shorter-than-depth",
        lambda i: (
            f"slant range {x.slant[i]:.1f} m is shorter than target_depth_m "
            f"{x.water_depth[i]:.1f} m; both are measured from the transducer"
        ),
        "slant_range_m",
    )


def _stated_ground_range(x: _Lengths) -> FloatArray:
    """Return the ground range that is stated: of the top, the echo, or the middle of a doubt."""
    with np.errstate(invalid="ignore"):
        bottom, _ = ground_range(x.slant, x.altitude, x.slope_deg)
        nearest = np.where(x.slant < x.altitude, 0.0, np.nan_to_num(bottom))
        y = np.select(
            [x.by_ground, x.in_mid_water, x.unknown_depth],
            [x.ground, ground_range_in_water(x.slant, x.water_depth), (nearest + x.slant) / 2],
            bottom,
        )
        if not x.has_shadow.any():
            return y
        # With a shadow the stated place is the top's, on the ray that ends the shadow.
        top = top_ground_range(x.start, x.shadow, x.altitude, x.slope_deg)
    return np.where(x.has_shadow, top, y)


def _refuse_below_bottom(x: _Lengths, y: FloatArray, docket: _Docket) -> None:
    bottom = x.altitude + np.nan_to_num(y) * np.tan(np.radians(x.slope_deg))
    docket.reject(
        x.in_mid_water & (x.water_depth > bottom + 3 * x.altitude_sigma),
        "target-below-bottom",
        lambda i: (
            f"target_depth_m {x.water_depth[i]:.1f} m lies below the bottom at "
            f"{x.altitude[i]:.1f} m; both are measured from the transducer"
        ),
        "target_depth_m",
    )


def _altitude(
    picks: Picks, antenna: _Antenna, boat: Boat, ratio: FloatArray, docket: _Docket
) -> tuple[FloatArray, FloatArray]:
    """Return the transducer's altitude above the bottom and its standard error, metres."""
    own = np.isfinite(picks.depth_m)
    reading = np.where(own, picks.depth_m, antenna.depth_m)
    below = np.where(own, picks.depth_below, antenna.depth_below)
    known = np.isfinite(reading)
    assumed = known & (below == "")
    if assumed.any():
        docket.say(
            assumed,
            f"depths are taken as below the {boat.depth_below or 'transducer'}"
            + ("" if boat.depth_below else ", since nothing says below what"),
        )
        below = np.where(assumed, boat.depth_below or "transducer", below)
    docket.reject(
        known & (below == "datum"),
        "depth-below-datum",
        lambda i: (
            "a depth below datum does not say how much water there was; give the sounder's reading "
            "below the transducer or the surface"
        ),
        "depth_below",
    )
    from_surface = known & (below == "surface")
    docket.reject(
        from_surface & bool(np.isnan(boat.transducer_depth_m)),
        "transducer-depth-missing",
        lambda i: (
            "the depth is below the surface, but nothing says how deep the transducer sits; put "
            "depth_m under [transducer] in the boat file"
        ),
        "depth_below",
    )
    sigma = boat.budget.depth_sigma(reading)
    sigma = np.where(own & np.isfinite(picks.depth_sigma_m), picks.depth_sigma_m, sigma)
    if from_surface.any():
        reading = np.where(from_surface, reading - boat.transducer_depth_m, reading)
        docket.reject(
            reading <= 0,
            "depth-above-transducer",
            lambda i: "the depth below the surface is less than the depth of the transducer",
            "depth_m",
        )
    return reading * ratio, sigma


def _across_error(
    boat: Boat, x: _Lengths, y: FloatArray, measured: bool, faulty: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return the first and second moment of the ground range about the stated one."""
    budget = boat.budget
    mean, moment = np.zeros_like(y), np.zeros_like(y)
    water = x.in_mid_water & ~x.by_ground
    rows = (x.on_bottom | x.has_shadow | water) & ~faulty
    if rows.any():
        every = slice(None) if rows.all() else rows
        reading = np.where(x.has_shadow, x.start, x.slant)
        depth_sigma = budget.depth_sigma(x.water_depth)
        mean[every], moment[every] = across_moments(
            y[every],
            reading[every],
            np.where(water, x.water_depth, x.altitude)[every],
            np.where(water, 0.0, x.slope_deg)[every],
            range_sigma_m=x.range_sigma(budget, reading)[every],
            altitude_sigma_m=np.where(water, depth_sigma, x.altitude_sigma)[every],
            slope_sigma_deg=np.where(water, 0.0, budget.slope_deg)[every],
            shadow_m=np.where(x.has_shadow, x.shadow, 0.0)[every],
            scale_sigma=x.scale[every],
        )
    if x.has_shadow.any():
        # d y_top / d L = r_s h^2 / (r_e^2 y_e) on a flat bottom; the end of a shadow is far out.
        end = x.start + x.shadow
        with np.errstate(divide="ignore", invalid="ignore"):
            y_end = np.maximum(y * end / x.start, x.altitude * 0.1)
            by_length = x.start * x.altitude**2 / (end**2 * y_end) * x.shadow_sigma(budget)
        moment += np.where(x.has_shadow, by_length**2, 0.0)
    simple = x.by_ground & ~x.has_shadow
    if simple.any():
        own_scale = 0.0 if measured else x.scale
        by_ground = x.range_sigma(budget, x.ground) ** 2 + (own_scale * x.ground) ** 2
        moment = np.where(simple, by_ground, moment)
    if x.unknown_depth.any():
        # Uniform along the arc's ground range, y stated in the middle of it.
        half = x.slant - y
        bar = half**2 / 3 + x.range_sigma(budget, x.slant) ** 2 / 4 + (x.scale * y) ** 2
        moment = np.where(x.unknown_depth, bar, moment)
    return mean, moment


def _depth_at_target(
    boat: Boat, x: _Lengths, y: FloatArray, moment: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.object_]]:
    """Return the depth of the bottom at the target, its variance, and what it is below."""
    budget = boat.budget
    with_draft = np.isfinite(boat.transducer_depth_m)
    tan = np.tan(np.radians(x.slope_deg))
    depth = x.altitude + y * tan + (boat.transducer_depth_m if with_draft else 0.0)
    variance = (
        x.altitude_sigma**2
        + tan * tan * moment
        + (y * (1.0 + tan * tan) * np.radians(budget.slope_deg)) ** 2
        + (x.scale * x.altitude) ** 2
        + budget.water_level_m**2
    )
    known = np.isfinite(depth)
    below = same_text(depth.shape, "")
    below[known] = "surface" if with_draft else "transducer"
    return depth, np.where(known, variance, np.nan), below


def _height(boat: Boat, x: _Lengths) -> tuple[FloatArray, FloatArray]:
    """Return the object's height from its shadow and its variance.

    A length's own error holds that of the start, which moves it the other way: dH = h dL / (r_s + L).
    """
    budget = boat.budget
    if not x.has_shadow.any():
        unknown = np.full(x.shadow.shape, np.nan)
        return unknown, unknown
    height = np.where(x.has_shadow, height_from_shadow(x.altitude, x.start, x.shadow), np.nan)
    own = np.isfinite(x.shadow_given)
    with np.errstate(invalid="ignore", divide="ignore"):
        end = x.start + x.shadow
        by_altitude = x.shadow / end * x.altitude_sigma
        lever = np.where(own, 1.0, x.start / end)
        by_length = x.altitude / end * lever * x.shadow_sigma(budget)
        by_start = np.where(own, 0.0, height / end * x.range_sigma(budget, x.start))
    shared = x.scale**2 + x.uneven**2
    return height, by_altitude**2 + by_length**2 + by_start**2 + shared * height**2


_BELOW = ("", "transducer", "surface", "datum")


def _pick_ids(picks: Picks) -> NDArray[np.object_]:
    side = np.where(picks.side == "port", -1, 1)
    below = np.select([picks.depth_below == w for w in _BELOW[1:]], [1, 2, 3], 0)
    return observation_ids(
        "pick",
        [
            picks.time,
            picks.lon,
            picks.lat,
            picks.heading_deg,
            picks.heading_mag_deg,
            picks.course_deg,
            picks.speed_mps,
            side,
            picks.slant_range_m,
            picks.ground_range_m,
            picks.depth_m,
            below,
            picks.along_track_m,
            picks.seconds_back,
            picks.shadow_start_m,
            picks.shadow_m,
            picks.target_depth_m,
            picks.bottom_slope_deg,
            picks.name,
        ],
    )
