"""When the newest line was drawn, and where that puts the boat."""

from datetime import date

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from athwart.boat import Boat
from athwart.errors import DataError, UsageError
from athwart.frame.when import (
    Moment,
    picture_moment,
    seconds_back_of_distance,
    typed_moment,
    where_on_track,
)
from athwart.tables import Track

T0 = np.datetime64("2031-05-11T09:40:00", "us")


def seconds(n):
    return np.asarray(np.rint(np.asarray(n) * 1e6), "timedelta64[us]")


def track(t, north_m, speed=None, **rest):
    """A boat going due north from 0 E, 60 N."""
    line = [Geodesic.WGS84.Direct(60, 0, 0, m) for m in north_m]
    values = {
        "time": T0 + seconds(t),
        "lon": [p["lon2"] for p in line],
        "lat": [p["lat2"] for p in line],
    }
    if speed is not None:
        values["speed_mps"] = np.asarray(speed, float)
    return Track.from_columns(values | rest)


def moment(after=0.0, sigma=1.0):
    return Moment(time=T0 + seconds(after), sigma_s=sigma, source="typed")


# ---- typed ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected", "sigma"),
    [
        ("2031-05-11 11:40:12+02:00", "2031-05-11T09:40:12", 1.0),
        ("2031-05-11T09:40Z", "2031-05-11T09:40:00", 30.0),
        ("2031-05-11 9:40:12.25 UTC", "2031-05-11T09:40:12.25", 1.0),
        ("2031-05-11 04:10:12-0530", "2031-05-11T09:40:12", 1.0),
    ],
)
def test_a_typed_time_is_taken_to_utc(text, expected, sigma):
    got = typed_moment(text)
    assert got.time == np.datetime64(expected)
    assert got.sigma_s == sigma
    assert got.source == "typed"


def test_a_time_without_a_zone_takes_the_user_s():
    """Standard time of Halifax is UTC-4, summer time UTC-3 (IANA time zone database)."""
    winter = typed_moment("2031-01-11 11:40:12", zone="America/Halifax")
    summer = typed_moment("2031-07-11 11:40:12", zone="America/Halifax")
    assert winter.time == np.datetime64("2031-01-11T15:40:12")
    assert summer.time == np.datetime64("2031-07-11T14:40:12")


def test_the_screen_may_show_no_date():
    got = typed_moment(
        "23:40:12", zone="America/Halifax", day=date(2031, 7, 11), source="screen", sigma_s=2.0
    )
    assert got.time == np.datetime64("2031-07-12T02:40:12")
    assert (got.sigma_s, got.source) == (2.0, "screen")


@pytest.mark.parametrize(
    ("text", "rest", "sentence"),
    [
        ("half past nine", {}, "'half past nine' is not a time; write it like"),
        ("11:40:12Z", {}, "has no date; write it like"),
        ("2031-05-11 11:40:12", {}, "has no zone; end it with Z"),
        ("2031-05-11 11:40:12", {"zone": "Mars/Base"}, "'Mars/Base' is no time zone"),
        ("2031-05-11 11:40:12", {"zone": "../../x"}, "is no time zone"),
        ("2031-02-30 11:40:12Z", {}, "its numbers are out of range"),
        ("2031-05-11 25:40:12Z", {}, "its numbers are out of range"),
        ("2031-05-11 11:40:60Z", {}, "its numbers are out of range"),
        ("2031-05-11 11:40:12+19:00", {}, "its numbers are out of range"),
        ("0001-01-01 00:00:00+10:00", {}, "its numbers are out of range"),
        # 2025-11-02 01:30 came twice in Halifax, 2025-03-09 02:30 never (IANA database).
        ("2025-11-02 01:30", {"zone": "America/Halifax"}, "falls into a change of the clock"),
        ("2025-03-09 02:30", {"zone": "America/Halifax"}, "falls into a change of the clock"),
        ("2031-05-11 11:40:12Z", {"sigma_s": -1.0}, "the error of the time is -1"),
    ],
)
def test_a_bad_time_is_refused(text, rest, sentence):
    with pytest.raises(UsageError, match=sentence):
        typed_moment(text, **rest)


# ---- the picture's own time ---------------------------------------------------------------------


def test_a_photo_is_taken_some_time_after_the_pause():
    taken = np.datetime64("2031-05-11T09:41:00")
    got = picture_moment(taken, True, kind="photo", pause_delay_s=20.5)
    assert got.time == np.datetime64("2031-05-11T09:40:39.5")
    assert (got.sigma_s, got.source) == (10.0, "photo")
    assert picture_moment(taken, True, kind="screenshot").sigma_s == 1.0
    assert picture_moment(taken, True, kind="photo", sigma_s=3.0).sigma_s == 3.0


def test_a_photo_without_a_zone_takes_the_user_s():
    taken = np.datetime64("2031-07-11T11:40:12")
    got = picture_moment(taken, False, kind="photo", zone="America/Halifax")
    assert got.time == np.datetime64("2031-07-11T14:40:12")
    with pytest.raises(UsageError, match="has no zone"):
        picture_moment(taken, False, kind="photo")


def test_a_picture_without_a_time_asks_for_it():
    with pytest.raises(DataError, match="does not tell when it was taken; type when"):
        picture_moment(np.datetime64("NaT"), False, kind="screenshot")
    with pytest.raises(UsageError, match="the pause before the picture is -3 s"):
        picture_moment(T0, True, kind="photo", pause_delay_s=-3)
    with pytest.raises(DataError, match="nothing says when the newest line was drawn"):
        Moment(time=np.datetime64("NaT"), sigma_s=1.0, source="typed")


# ---- on the track -------------------------------------------------------------------------------


def test_the_boat_then_and_how_far_the_error_reaches():
    then = where_on_track(moment(20.0, 4.0), track([0, 10, 20, 30], [0, 25, 50, 75]))
    for got, metres in ((then.lat, 50), (then.early_lat, 40), (then.late_lat, 60)):
        assert got == pytest.approx(Geodesic.WGS84.Direct(60, 0, 0, metres)["lat2"], abs=1e-8)
    assert then.lon == then.early_lon == then.late_lon == 0
    assert then.along_sigma_m == pytest.approx(10.0, abs=1e-3)
    assert then.sentence == (
        "At 2031-05-11 09:40:20 UTC the boat was at 60°00.0269'N 000°00.0000'E, give or take 4 s or "
        "10 m along her track."
    )


def test_the_clock_offset_is_added():
    boat = Boat(clock_offset_s=-10.0)
    then = where_on_track(moment(20.0), track([0, 10, 20, 30], [0, 25, 50, 75]), boat=boat)
    assert then.lat == pytest.approx(Geodesic.WGS84.Direct(60, 0, 0, 25)["lat2"], abs=1e-8)


def test_an_end_beyond_the_track_is_unknown():
    then = where_on_track(moment(29.0, 4.0), track([0, 10, 20, 30], [0, 25, 50, 75]))
    assert np.isnan(then.late_lat)
    assert np.isfinite(then.early_lat)


def test_moments_off_the_track_are_refused():
    run = track([0, 10, 60, 70], [0, 25, 150, 175])
    with pytest.raises(DataError, match="is 5 s before the track's first point"):
        where_on_track(moment(-5.0), run)
    with pytest.raises(DataError, match="is 30 s after the track's last point"):
        where_on_track(moment(100.0), run)
    with pytest.raises(DataError, match="falls in a gap of 50 s in the track; gaps up to 10 s"):
        where_on_track(moment(30.0), run)
    with pytest.raises(DataError, match="no point of the track has a time"):
        where_on_track(moment(), Track.from_columns({"lon": [0.0], "lat": [60.0]}))


# ---- a distance back ----------------------------------------------------------------------------


def test_a_distance_back_is_the_moment_when_it_was_run():
    """Speed 1 + t / 20 m/s: way t + t^2 / 40; from 20 s (30 m) back to w m: 20 - t(30 - w)."""
    t = np.arange(0, 31.0)
    run = track(t, t + t**2 / 40, speed=1 + t / 20)
    got = seconds_back_of_distance([0.0, 10.0, 30.0, 31.0, -1.0], moment(20.0).time, run)
    then = -20 + np.sqrt(400 + 40 * 20.0)  # t of w = 20: t^2/40 + t - 20 = 0
    assert got[:3] == pytest.approx([0.0, 20 - then, 20.0], abs=5e-3)  # linear between fixes
    assert np.isnan(got[3])
    ahead = -20 + np.sqrt(400 + 40 * 31.0)  # below 0 it lies ahead
    assert got[4] == pytest.approx(20 - ahead, abs=5e-3)
    one = seconds_back_of_distance(10.0, moment(20.0).time, run)
    assert one.shape == ()
    assert one == got[1]


def test_jitter_of_the_fixes_does_not_lengthen_the_way():
    rng = np.random.default_rng(7)
    t = np.arange(0, 121.0)
    run = track(t, 2 * t)
    metre = 1 / 111_000
    run = run.with_columns(
        lat=run.lat + metre * rng.normal(0, 0.8, 121), lon=run.lon + metre * rng.normal(0, 1.6, 121)
    )
    got = seconds_back_of_distance(100.0, moment(100.0).time, run)
    assert got == pytest.approx(50.0, abs=2.5)


def test_a_boat_that_lay_still_is_where_she_was_last():
    t = np.arange(0, 31.0)
    speed = np.where((t >= 10) & (t <= 20), 0.0, 2.0)
    run = track(t, 2 * np.minimum(t, 10) + 2 * np.maximum(t - 20, 0), speed=speed)
    assert seconds_back_of_distance(19.0, moment(30.0).time, run) == pytest.approx(10.0)
    assert seconds_back_of_distance(-19.0, moment(0.0).time, run) == pytest.approx(-10.0, abs=1e-6)


def test_a_gap_ends_what_can_be_followed():
    run = track([0, 10, 20, 60, 70, 80], [0, 20, 40, 120, 140, 160], speed=[2.0] * 6)
    got = seconds_back_of_distance([30.0, 50.0], moment(80.0).time, run)
    assert got[0] == pytest.approx(15.0)
    assert np.isnan(got[1])
    assert np.isnan(seconds_back_of_distance(1.0, moment(40.0).time, run))
    assert np.isnan(seconds_back_of_distance(1.0, moment(90.0).time, run))
    assert seconds_back_of_distance(0.0, moment(90.0).time, run) == 0.0
