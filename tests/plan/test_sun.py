"""Sun and Moon against an ephemeris that shares nothing with ours, and printed almanac values.

The ephemeris is ``ephem`` (VSOP87 for the Sun, Chapront's ELP 2000-82 for the Moon, as its
documentation says), rise and set at a horizon of -34', the upper limb.
"""

from functools import cache

import ephem
import numpy as np
import pytest

from athwart.plan.sun import is_dark, light, moon, moon_height, sun_height, without_rise_or_set

DAY = np.timedelta64(1, "D")
DAYS = np.arange("2026-01-03", "2027-01-01", 31, dtype="datetime64[D]")
WATCHED = {
    "sunrise": ("-0:34", ephem.Sun, "next_rising", False),
    "sunset": ("-0:34", ephem.Sun, "next_setting", False),
    "civil twilight begins": ("-6", ephem.Sun, "next_rising", True),
    "civil twilight ends": ("-6", ephem.Sun, "next_setting", True),
    "first light (nautical twilight begins)": ("-12", ephem.Sun, "next_rising", True),
    "dark (nautical twilight ends)": ("-12", ephem.Sun, "next_setting", True),
    "moonrise": ("-0:34", ephem.Moon, "next_rising", False),
    "moonset": ("-0:34", ephem.Moon, "next_setting", False),
}


@cache
def ours(lon, lat, day):
    return light(lon, lat, day, day + DAY)


def observer(lon, lat, horizon="0"):
    out = ephem.Observer()
    out.lon, out.lat, out.pressure, out.elevation, out.horizon = str(lon), str(lat), 0, 0, horizon
    return out


def by_the_ephemeris(lon, lat, day, what):
    horizon, body, call, centre = WATCHED[what]
    there = observer(lon, lat, horizon)
    there.date = str(day).replace("-", "/")
    try:
        time = np.datetime64(getattr(there, call)(body(), use_center=centre).datetime())
    except (ephem.AlwaysUpError, ephem.NeverUpError):
        return None
    return time if time < day + DAY else None


@pytest.mark.parametrize("what", WATCHED)
@pytest.mark.parametrize(("lat", "seconds"), [(0.0, 15), (-36.8, 15), (55.5, 15), (-64.0, 40)])
def test_times_are_those_of_an_independent_ephemeris(lat, seconds, what):
    compared = 0
    for lon in (12.2, -179.9):
        for day in DAYS:
            theirs = by_the_ephemeris(lon, lat, day, what)
            found = [e.time for e in ours(lon, lat, day) if e.what == what]
            edge = theirs is not None and day + DAY - theirs < np.timedelta64(60, "s")
            if theirs is None or edge:
                continue
            compared += 1
            assert abs(found[0] - theirs) < np.timedelta64(seconds, "s"), (lon, day)
    assert compared >= 12 or (abs(lat) > 60 and compared)


def test_midnight_sun_and_polar_night_are_no_error():
    june, december = np.datetime64("2026-06-21"), np.datetime64("2026-12-21")
    summer = light(19.0, 69.6, june, june + DAY)
    winter = light(19.0, 69.6, december, december + DAY)
    assert not [e for e in summer if e.what.startswith(("sun", "civil", "dark"))]
    assert not [e for e in winter if e.what.startswith("sun")]
    assert [e for e in winter if e.what.startswith("civil")]
    assert not is_dark(19.0, 69.6, june)
    assert is_dark(19.0, 69.6, december)
    assert without_rise_or_set(19.0, 69.6, june, summer) == "The Sun does not set."
    assert without_rise_or_set(19.0, 69.6, december, winter) == "The Sun does not rise."
    assert without_rise_or_set(0.0, 0.0, june, light(0.0, 0.0, june, june + DAY)) == ""
    for pole in (90.0, -90.0):
        assert not [e for e in light(0.0, pole, june, june + DAY) if e.what.startswith("sun")]


def test_day_and_night_are_equal_at_the_equinox_but_for_limb_and_refraction():
    """Known from any almanac: about 12 h 7 min at the equator (50' twice at 15 degrees an hour)."""
    start = np.datetime64("2026-03-20")
    up, down = (e.time for e in light(0.0, 0.0, start, start + DAY) if e.what.startswith("sun"))
    assert (down - up) / np.timedelta64(1, "m") == pytest.approx(12 * 60 + 100 / 15, abs=0.5)


@pytest.mark.parametrize("day", DAYS)
def test_how_much_of_the_moon_is_lit(day):
    noon = day + np.timedelta64(12, "h")
    theirs = ephem.Moon(noon.astype("datetime64[s]").item()).phase / 100
    later = ephem.Moon((noon + np.timedelta64(2, "h")).astype("datetime64[s]").item()).phase / 100
    seen = moon(noon)
    assert seen.lit == pytest.approx(theirs, abs=0.005)
    if 0.02 < theirs < 0.98:
        assert seen.waxing == (later > theirs)


def test_phases_fall_on_their_days():
    """Full moon 3 March 2026 11:38 UTC and new moon 12 August 2026 17:37 UTC, both with an eclipse
    (NASA eclipse catalogue, from memory)."""
    assert moon(np.datetime64("2026-03-03T11:38")).words == "full moon"
    assert moon(np.datetime64("2026-03-03T11:38")).lit > 0.999
    assert moon(np.datetime64("2026-08-12T17:37")).words == "new moon"
    assert moon(np.datetime64("2026-08-12T17:37")).lit < 0.001
    assert moon(np.datetime64("2026-08-17T12:00")).words == "waxing crescent"
    assert moon(np.datetime64("2026-03-07T12:00")).words == "waning gibbous"


def test_events_come_in_order_and_are_crossings():
    start = np.datetime64("2026-05-30T03:00")
    found = light(-21.3, -46.2, start, start + 3 * DAY)
    times = [e.time for e in found]
    assert times == sorted(times)
    for e in found:
        if e.what.startswith("sun"):
            assert sun_height(-21.3, -46.2, e.time) == pytest.approx(-50 / 60, abs=0.01)
        elif e.what.startswith("moon"):
            assert moon_height(-21.3, -46.2, e.time) == pytest.approx(0, abs=0.01)
