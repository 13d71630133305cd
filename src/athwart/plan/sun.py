"""Daylight and moon at a place: twilight, sunrise and sunset, moonrise and moonset, how full she is.

Where Sun and Moon stand comes from ``astral``; what they cross is found here, so that a day is
whole in any time zone and neither midnight sun nor polar night is an error. Times are UTC.

Heights at which the upper limb touches a level sea horizon under ordinary refraction (34'): the
Sun's centre at -50', the Moon's geocentric centre at 0.7275 of her parallax less 34'; civil twilight
ends with the Sun at -6 degrees, nautical at -12 (Meeus 1998, "Astronomical Algorithms", chapter 15,
and the Explanatory Supplement to the Astronomical Almanac; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Event",
    "Moon",
    "is_dark",
    "light",
    "moon",
    "moon_height",
    "sun_height",
    "without_rise_or_set",
]

TimeArray = NDArray[np.datetime64]

SUNRISE_DEG = -50.0 / 60.0
CIVIL_DEG = -6.0
NAUTICAL_DEG = -12.0
_REFRACTION_DEG = 34.0 / 60.0
_LIMB_SHARE = 0.7275
_STEP_MIN = 10
_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
_NEW, _FULL = 0.03, 0.97

_SUN: dict[float, tuple[str, str]] = {
    NAUTICAL_DEG: ("first light (nautical twilight begins)", "dark (nautical twilight ends)"),
    CIVIL_DEG: ("civil twilight begins", "civil twilight ends"),
    SUNRISE_DEG: ("sunrise", "sunset"),
}


@dataclass(frozen=True, slots=True)
class Event:
    """Something in the sky.

    Parameters
    ----------
    time : numpy.datetime64
        UTC, to the second.
    what : str
        ``"sunrise"``, ``"moonset"`` and so on.
    """

    time: np.datetime64
    what: str


@dataclass(frozen=True, slots=True)
class Moon:
    """How the Moon looks.

    Parameters
    ----------
    lit : float
        Share of her disc that is lit, 0 to 1.
    waxing : bool
        Growing.
    """

    lit: float
    waxing: bool

    @property
    def words(self) -> str:
        """What people call it."""
        if self.lit < _NEW:
            return "new moon"
        if self.lit > _FULL:
            return "full moon"
        way, shape = (
            "waxing" if self.waxing else "waning",
            "crescent" if self.lit < 0.5 else "gibbous",
        )
        return f"{way} {shape}"


def _seconds(time: np.datetime64) -> float:
    return float(np.asarray(time, "datetime64[us]").astype(np.int64)) / 1e6


def _moments(start: np.datetime64, end: np.datetime64) -> list[float]:
    a, b = _seconds(start), _seconds(end)
    steps = max(1, int(np.ceil((b - a) / (60 * _STEP_MIN))))
    moments: list[float] = np.linspace(a, b, steps + 1).tolist()
    return moments


def _sun_at(lon: float, lat: float) -> Callable[[float], float]:
    from astral import Observer
    from astral.sun import elevation

    observer = Observer(lat, lon, 0.0)

    def height(seconds: float) -> float:
        when = datetime.fromtimestamp(seconds, UTC)
        return float(elevation(observer, when, with_refraction=False))

    return height


def _moon_at(lon: float, lat: float) -> Callable[[float], float]:
    """Return the height of the Moon's upper limb above the horizon that is seen."""
    from astral import Observer
    from astral.moon import elevation, moon_position

    observer = Observer(lat, lon, 0.0)

    def height(seconds: float) -> float:
        when = datetime.fromtimestamp(seconds, UTC)
        place = moon_position((when - _J2000).total_seconds() / 86_400.0)
        parallax = float(np.degrees(np.arcsin(1.0 / place.distance)))
        return float(elevation(observer, when)) - (_LIMB_SHARE * parallax - _REFRACTION_DEG)

    return height


def sun_height(lon: float, lat: float, time: np.datetime64) -> float:
    """Return the height of the Sun's centre without refraction, degrees."""
    return _sun_at(lon, lat)(_seconds(time))


def moon_height(lon: float, lat: float, time: np.datetime64) -> float:
    """Return the height of the Moon's upper limb above the horizon that is seen, degrees.

    True at the horizon; higher up it leaves out that refraction shrinks and parallax changes.
    """
    return _moon_at(lon, lat)(_seconds(time))


def is_dark(lon: float, lat: float, time: np.datetime64) -> bool:
    """Tell whether the Sun stands below civil twilight."""
    return sun_height(lon, lat, time) < CIVIL_DEG


def without_rise_or_set(lon: float, lat: float, time: np.datetime64, sky: Sequence[Event]) -> str:
    """Say whether the Sun is up or down all day where she neither rises nor sets; else nothing."""
    if any(e.what in _SUN[SUNRISE_DEG] for e in sky):
        return ""
    up = sun_height(lon, lat, time) > SUNRISE_DEG
    return "The Sun does not set." if up else "The Sun does not rise."


def light(lon: float, lat: float, start: np.datetime64, end: np.datetime64) -> tuple[Event, ...]:
    """Return what Sun and Moon do at a place between two times, in order.

    Parameters
    ----------
    lon, lat : float
        Degrees.
    start, end : numpy.datetime64
        UTC.

    Returns
    -------
    tuple of Event
        Within half a minute of an ephemeris below 65 degrees of latitude at a level horizon, two
        minutes beyond, where they rise at a slant. Hills and refraction out of the ordinary move
        them further. A rise and a set within ten minutes of each other are passed over.

    Examples
    --------
    >>> import numpy as np
    >>> found = light(0.0, 0.0, np.datetime64("2026-03-20"), np.datetime64("2026-03-21"))
    >>> [e.time.item().hour for e in found if e.what in ("sunrise", "sunset")]
    [6, 18]
    """
    at = _moments(start, end)
    found: list[Event] = []
    sun = _sun_at(lon, lat)
    heights = [sun(t) for t in at]
    for level, (up, down) in _SUN.items():
        found += _crossings(sun, at, heights, level, up, down)
    moon_up = _moon_at(lon, lat)
    found += _crossings(moon_up, at, [moon_up(t) for t in at], 0.0, "moonrise", "moonset")
    return tuple(sorted(found, key=lambda e: e.time))


def _crossings(
    height: Callable[[float], float],
    at: list[float],
    heights: list[float],
    level: float,
    up: str,
    down: str,
) -> list[Event]:
    from scipy.optimize import brentq

    over = np.array(heights) >= level
    found = []
    for k in np.flatnonzero(over[1:] != over[:-1]).tolist():
        seconds = brentq(lambda t: height(t) - level, at[k], at[k + 1], xtol=0.5)
        time = np.datetime64(round(float(seconds)), "s").astype("datetime64[us]")
        found.append(Event(time, up if over[k + 1] else down))
    return found


def moon(time: np.datetime64) -> Moon:
    """Return how much of the Moon is lit, from the angle between her and the Sun.

    lit = (1 - cos E) / 2, E the angle between them seen from the Earth; within 0.01 (the Sun is
    taken to be infinitely far).
    """
    from astral.julian import julianday, julianday_to_juliancentury
    from astral.moon import moon_position
    from astral.sun import sun_declination, sun_rt_ascension

    when = datetime.fromtimestamp(_seconds(time), UTC)
    century = julianday_to_juliancentury(julianday(when))
    sun = np.radians([sun_rt_ascension(century), sun_declination(century)])
    place = moon_position((when - _J2000).total_seconds() / 86_400.0)
    east = place.right_ascension - sun[0]
    cosine = np.sin(place.declination) * np.sin(sun[1]) + np.cos(place.declination) * np.cos(
        sun[1]
    ) * np.cos(east)
    return Moon(float(0.5 * (1.0 - cosine)), bool(np.sin(east) > 0.0))
