"""When the newest line of a frame was drawn, how well that is known, and where it puts the boat.

Three sources, best first: a time that the user reads off the paused screen or types, the time of a
screenshot, the time of a photo less the pause before it was taken. Each has a standard error; along
the track it counts times the speed. Times are UTC inside; one without a zone needs the user's.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.boat import Boat
from athwart.errors import DataError, UsageError
from athwart.geometry.along import Path
from athwart.tables import Track
from athwart.units import format_position

__all__ = [
    "PHOTO_SIGMA_S",
    "SCREENSHOT_SIGMA_S",
    "TYPED_MINUTE_SIGMA_S",
    "TYPED_SECOND_SIGMA_S",
    "BoatThen",
    "Moment",
    "picture_moment",
    "seconds_back_of_distance",
    "typed_moment",
    "where_on_track",
]

FloatArray = NDArray[np.float64]

PHOTO_SIGMA_S = 10.0
"""A photo's time against the paused frame: pause, phone in hand, its clock; common practice."""
SCREENSHOT_SIGMA_S = 1.0
"""A screenshot's time, written by the screen's own clock; common practice, no source."""
TYPED_SECOND_SIGMA_S = 1.0
"""A time typed or read to the second."""
TYPED_MINUTE_SIGMA_S = 30.0
"""A time typed or read to the minute; it may be rounded or cut."""

_TIME = re.compile(
    r"^(?:(\d{4}-\d{2}-\d{2})[T ]\s*)?(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d{1,6})?))?"
    r"\s*(Z|z|UTC|[+-]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True, kw_only=True)
class Moment:
    """A moment with its error.

    Parameters
    ----------
    time : numpy.datetime64
        UTC, on the clock of the source.
    sigma_s : float
        Standard error, seconds.
    source : {"typed", "screen", "screenshot", "photo"}
        Where it is from.
    """

    time: np.datetime64
    sigma_s: float
    source: Literal["typed", "screen", "screenshot", "photo"]

    def __post_init__(self) -> None:
        object.__setattr__(self, "time", self.time.astype("datetime64[us]"))
        if np.isnat(self.time):
            raise DataError("nothing says when the newest line was drawn; give its time")
        _check_sigma(self.sigma_s)


def _check_sigma(sigma_s: float) -> None:
    if not (math.isfinite(sigma_s) and sigma_s >= 0):
        raise UsageError(f"the error of the time is {sigma_s!r} s; allowed is a number, 0 or more")


def typed_moment(
    text: str,
    *,
    zone: str = "",
    day: date | None = None,
    sigma_s: float | None = None,
    source: Literal["typed", "screen"] = "typed",
) -> Moment:
    """Return the moment that a person typed or read off the screen.

    Parameters
    ----------
    text : str
        ``2031-05-11 11:40:12+02:00``, ``2031-05-11T09:40Z``, or without a zone; the date may be
        left out if `day` is given.
    zone : str
        IANA name of the zone of a text without one.
    day : datetime.date, optional
        Date of a text without one, in the text's zone.
    sigma_s : float, optional
        Standard error; 1 s if seconds are given, else 30 s.

    Raises
    ------
    UsageError
        Not a time, no date, no zone, or a wall-clock time that a clock change makes doubtful.

    Examples
    --------
    >>> str(typed_moment("2031-05-11 11:40:12+02:00").time)
    '2031-05-11T09:40:12.000000'
    """
    match = _TIME.match(text.strip())
    if match is None:
        raise UsageError(f"{text!r} is not a time; write it like 2031-05-11 11:40:12+02:00")
    given, hour, minute, second, offset = match.groups()
    seconds = float((second or "0").replace(",", "."))
    try:
        on = date.fromisoformat(given) if given else day
        if on is None:
            raise UsageError(f"{text!r} has no date; write it like 2031-05-11 11:40:12+02:00")
        wall = datetime(on.year, on.month, on.day, int(hour), int(minute), int(seconds))
        wall += timedelta(seconds=seconds - int(seconds))
        time = wall - _offset(offset) if offset else _to_utc(wall, zone, text)
    except (ValueError, OverflowError) as error:
        raise UsageError(f"{text!r} is not a time; its numbers are out of range") from error
    if sigma_s is None:
        sigma_s = TYPED_SECOND_SIGMA_S if second else TYPED_MINUTE_SIGMA_S
    return Moment(time=np.datetime64(time, "us"), sigma_s=sigma_s, source=source)


def _offset(text: str) -> timedelta:
    if text in ("Z", "z", "UTC"):
        return timedelta()
    digits = text[1:].replace(":", "")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 14 or minutes > 59:
        raise ValueError("no such zone")
    ahead = timedelta(hours=hours, minutes=minutes)
    return ahead if text[0] == "+" else -ahead


def _to_utc(wall: datetime, zone: str, text: str) -> datetime:
    if not zone:
        raise UsageError(
            f"{text!r} has no zone; end it with Z for UTC or an offset like +02:00, or set the "
            "time zone"
        )
    try:
        info = ZoneInfo(zone)
    except (OSError, ValueError, KeyError) as error:
        raise UsageError(
            f"{zone!r} is no time zone; write it like Europe/Lisbon, America/Halifax or UTC"
        ) from error
    early = wall.replace(tzinfo=info, fold=0)
    if early.utcoffset() != wall.replace(tzinfo=info, fold=1).utcoffset():
        raise UsageError(
            f"{text!r} falls into a change of the clock in {zone}; end it with its offset, such as "
            "+02:00"
        )
    return early.astimezone(UTC).replace(tzinfo=None)


def picture_moment(
    taken: np.datetime64,
    taken_zone_known: bool,
    *,
    kind: Literal["photo", "screenshot"],
    zone: str = "",
    pause_delay_s: float = 0.0,
    sigma_s: float | None = None,
) -> Moment:
    """Return the moment of the newest line from a picture's own time.

    Parameters
    ----------
    taken : numpy.datetime64
        `Picture.taken`.
    taken_zone_known : bool
        `taken` is UTC; else it is wall-clock time in `zone`.
    kind : {"photo", "screenshot"}
        A photo of the screen, or the screen's own picture.
    zone : str
        IANA name of the zone of a picture that does not tell its own.
    pause_delay_s : float
        How long the screen had been paused when the picture was taken.
    sigma_s : float, optional
        Standard error; 10 s for a photo, 1 s for a screenshot.

    Raises
    ------
    DataError
        The picture has no time.
    UsageError
        No zone, or a delay or error that cannot be.
    """
    if np.isnat(taken):
        raise DataError(
            "the picture does not tell when it was taken; type when the newest line was drawn"
        )
    if not (math.isfinite(pause_delay_s) and 0 <= pause_delay_s <= 86400):
        raise UsageError(
            f"the pause before the picture is {pause_delay_s!r} s; allowed is 0 to 86400"
        )
    time = taken.astype("datetime64[us]")
    if not taken_zone_known:
        wall = time.astype(datetime)
        time = np.datetime64(_to_utc(wall, zone, str(wall)), "us")
    if sigma_s is None:
        sigma_s = PHOTO_SIGMA_S if kind == "photo" else SCREENSHOT_SIGMA_S
    back = np.timedelta64(round(pause_delay_s * 1e6), "us")
    return Moment(time=time - back, sigma_s=sigma_s, source=kind)


class BoatThen(NamedTuple):
    """Where a moment puts the boat's antenna, and how far its error reaches.

    ``early`` and ``late`` are the ends at one standard error before and after, NaN beyond the track;
    ``along_sigma_m`` is the error times the speed; ``sentence`` says it for people.
    """

    lon: float
    lat: float
    early_lon: float
    early_lat: float
    late_lon: float
    late_lat: float
    along_sigma_m: float
    sentence: str


def where_on_track(
    moment: Moment, track: Track, *, boat: Boat | None = None, max_gap_s: float = 10.0
) -> BoatThen:
    """Return where on a track a moment puts the boat.

    Parameters
    ----------
    moment : Moment
        Of the newest line; the boat's clock offset is added.
    track : Track
        Where the boat was.
    boat : Boat, optional
        Clock offset.
    max_gap_s : float
        Longest gap of the track that is bridged.

    Raises
    ------
    DataError
        The moment lies outside the track or in a gap of it.
    """
    time = moment.time + _clock_offset(boat)
    path = Path(track.time, track.lon, track.lat, max_gap_s=max_gap_s)
    if not len(path):
        raise DataError("no point of the track has a time, so it cannot say where the boat was")
    step = np.timedelta64(round(moment.sigma_s * 1e6), "us")
    at = path.at(np.array([time, time - step, time + step]), speed=path.samples(track.speed_mps))
    shown = str(np.datetime_as_string(time, unit="s")).replace("T", " ") + " UTC"
    if np.isinf(at.gap_s[0]):
        before = bool(time < path.time[0])
        away = abs((time - path.time[0 if before else -1]) / np.timedelta64(1, "s"))
        raise DataError(
            f"{shown} is {away:.0f} s {'before' if before else 'after'} the track's "
            f"{'first' if before else 'last'} point; check the clock, the zone and the clock offset"
        )
    if np.isnan(at.lon[0]):
        raise DataError(
            f"{shown} falls in a gap of {at.gap_s[0]:.0f} s in the track; gaps up to "
            f"{max_gap_s:g} s are bridged"
        )
    lon, lat = float(at.lon[0]), float(at.lat[0])
    along = float(at.speed_mps[0]) * moment.sigma_s
    return BoatThen(
        lon=lon,
        lat=lat,
        early_lon=float(at.lon[1]),
        early_lat=float(at.lat[1]),
        late_lon=float(at.lon[2]),
        late_lat=float(at.lat[2]),
        along_sigma_m=along,
        sentence=(
            f"At {shown} the boat was at {format_position(lon, lat)}, give or take "
            f"{moment.sigma_s:g} s or {along:.0f} m along her track."
        ),
    )


def _clock_offset(boat: Boat | None) -> np.timedelta64:
    return np.timedelta64(round((boat.clock_offset_s if boat else 0.0) * 1e6), "us")


def seconds_back_of_distance(
    metres_back: ArrayLike,
    newest: np.datetime64,
    track: Track,
    *,
    boat: Boat | None = None,
    max_gap_s: float = 10.0,
) -> FloatArray:
    """Return how long before the newest line the boat was a distance back along her track.

    The one clock of frames whose lines are laid out by distance, for picks and strips alike.

    Parameters
    ----------
    metres_back : array_like
        Distance run since, metres; below 0 ahead of the newest line.
    newest : datetime64
        When the newest line was drawn, UTC on the picture's clock.
    track, boat, max_gap_s
        As in `where_on_track`.

    Returns
    -------
    numpy.ndarray
        Seconds, NaN where the track does not reach so far without a gap; 0 for 0 m.

    Notes
    -----
    The distance run is the integral of the speed over the ground (the receiver's own, or that of
    chords of about 30 m); to sum up the steps from fix to fix would add their jitter to the way.
    While the boat lies still the moment nearest to the newest line is taken.
    """
    metres = np.asarray(metres_back, np.float64)
    path = Path(track.time, track.lon, track.lat, max_gap_s=max_gap_s)
    out = np.where(metres == 0, 0.0, np.nan)
    if len(path) < 2:
        return out
    now = float(path.to_seconds(newest + _clock_offset(boat)))
    here = int(np.searchsorted(path.seconds, now, side="right")) - 1
    if not 0 <= here < len(path) or now > path.seconds[-1]:
        return out
    speed = path.at(path.time, speed=path.samples(track.speed_mps)).speed_mps
    lasts = np.diff(path.seconds)
    with np.errstate(invalid="ignore"):
        step = lasts * (speed[1:] + speed[:-1]) / 2.0
    broken = ~np.isfinite(step) | (lasts > max_gap_s)
    if now > path.seconds[here] and broken[here]:
        return out
    piece = np.concatenate([[0], np.cumsum(broken)])
    way = np.concatenate([[0.0], np.cumsum(np.where(broken, 0.0, step))])
    same = piece == piece[here]
    way, seconds = way[same], path.seconds[same]
    run, back = float(np.interp(now, seconds, way)) - way, now - seconds
    for hand in (1.0, -1.0):  # back, and ahead
        beyond = np.flatnonzero(hand * back > 0)
        beyond = beyond[np.argsort(hand * back[beyond])]
        far = np.concatenate([[0.0], hand * run[beyond]])
        # Of equal ways the first is kept, which is the moment nearest to now.
        far, first = np.unique(far, return_index=True)
        moment = np.concatenate([[0.0], back[beyond]])[first]
        found = np.interp(hand * metres, far, moment, right=np.nan)
        out = np.where(hand * metres > 0, found, out)
    return out
