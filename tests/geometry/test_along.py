"""A track as a function of time."""

import numpy as np
import pytest

from athwart.geometry.along import Path
from athwart.geometry.geodesic import displace, inverse

START = np.datetime64("2026-03-01T06:00:00", "us")


def seconds(values):
    return START + (np.asarray(values, float) * 1e6).astype("timedelta64[us]")


def straight(n=60, speed=2.0, heading=40.0, lon=179.9995, lat=-40.0):
    """A straight run across the 180th meridian."""
    way, angle = speed * np.arange(n), np.radians(heading)
    return displace(lon, lat, way * np.sin(angle), way * np.cos(angle))


def test_position_course_and_speed_on_a_straight_run():
    lon, lat = straight()
    path = Path(seconds(np.arange(60)), lon, lat)
    at = path.at(seconds([0.0, 20.5, 59.0]))
    want = displace(179.9995, -40.0, 41 * np.sin(np.radians(40)), 41 * np.cos(np.radians(40)))
    assert float(inverse(at.lon[1], at.lat[1], *want)[1]) < 0.001
    np.testing.assert_allclose(at.course_deg, 40.0, atol=0.01)
    np.testing.assert_allclose(at.speed_mps, 2.0, atol=1e-6)
    assert (at.course_window_m >= 14.9).all()
    np.testing.assert_allclose(at.course_turn_deg, 0.0, atol=0.01)


def test_order_of_points_does_not_matter_and_doubles_count_once():
    lon, lat = straight(20)
    order = np.random.default_rng(3).permutation(20)
    rows = np.concatenate([order, order[:5]])
    path = Path(seconds(rows), lon[rows], lat[rows])
    assert len(path) == 20
    np.testing.assert_array_equal(path.lon, lon)


def test_gaps_and_ends_are_not_bridged():
    t = np.array([0.0, 1, 2, 44, 45])
    lon, lat = straight(5)
    at = Path(seconds(t), lon, lat).at(seconds([-1, 2, 10, 44, 46]))
    np.testing.assert_array_equal(np.isnan(at.lon), [True, False, True, False, True])
    assert at.gap_s[2] == 42.0
    assert np.isinf(at.gap_s[[0, 4]]).all()
    for told in (at.course_deg, at.speed_mps):
        np.testing.assert_array_equal(np.isnan(told), np.isnan(at.lon))


def test_course_of_a_turn_is_the_tangent_and_the_turn_is_told():
    angle = np.radians(np.arange(0, 90, 3.0))  # 3 degrees a second, radius 40 m
    lon, lat = displace(10.0, 50.0, 40 * np.sin(angle), 40 * (1 - np.cos(angle)))
    path = Path(seconds(np.arange(30)), lon, lat)
    at = path.at(seconds([15.0]))
    assert float(at.course_deg[0]) == pytest.approx((90 - 45) % 360, abs=0.5)
    assert at.course_turn_deg[0] > 10


def test_headings_turn_the_short_way():
    lon, lat = straight(2)
    path = Path(seconds([0, 2]), lon, lat)
    heading = path.samples([350.0, 20.0], circular=True)
    assert float(heading.at(np.array([1.0]), 10)[0]) == pytest.approx(5.0)


def test_a_track_without_times_is_empty():
    path = Path(np.full(3, np.datetime64("NaT", "us")), [0.0, 1, 2], [0.0, 1, 2])
    assert len(path) == 0
    assert np.isnan(path.at(seconds([0.0])).lon).all()


def test_the_course_is_taken_over_thirty_metres_of_track():
    """0.8 m of jitter at both ends of 30 m turn it by 2 degrees: a triangle, computed."""
    lon, lat = straight()
    at = Path(seconds(np.arange(60)), lon, lat).at(seconds([30.0, 30.3]))
    np.testing.assert_allclose(at.course_window_m, 30.0, atol=0.01)
    assert np.degrees(0.8 * np.sqrt(2) / at.course_window_m[0]) == pytest.approx(2.0, abs=0.2)


def test_the_course_beside_a_gap_is_that_of_its_own_side():
    """North at 2 m/s, a minute unseen, east at 3 m/s, again unseen, then south at 4 m/s."""
    t = np.concatenate([np.arange(31.0), np.arange(90.0, 121.0), np.arange(200.0, 241.0)])
    east = np.select([t < 60, t < 150], [0.0, 3.0 * (t - 90) + 100], 900.0)
    north = np.select([t < 60, t < 150], [2.0 * t, 200.0], -4.0 * (t - 200))
    path = Path(seconds(t), *displace(12.0, 55.0, east, north))
    at = path.at(seconds([0.0, 29.0, 30.0, 90.0, 91.5, 120.0, 200.0, 201.0, 240.0]))
    off = (at.course_deg - np.repeat([0, 90, 180], 3) + 180) % 360 - 180
    np.testing.assert_allclose(off, 0.0, atol=0.02)
    np.testing.assert_allclose(at.speed_mps, np.repeat([2, 3, 4], 3), atol=1e-3)
    np.testing.assert_allclose(at.course_turn_deg, 0.0, atol=0.02)
    assert (at.course_window_m < 31).all()


def test_a_turn_is_told_in_degrees():
    """Two chords of a circle that meet differ by half the arc between their far ends (Euclid)."""
    angle = np.radians(np.arange(0, 180, 3.0))
    lon, lat = displace(10.0, 50.0, 40 * np.sin(angle), 40 * (1 - np.cos(angle)))
    at = Path(seconds(np.arange(60)), lon, lat).at(seconds([20.0, 30.0, 40.0]))
    window = np.arcsin(at.course_window_m / 80) * 2  # the arc of a chord
    np.testing.assert_allclose(at.course_turn_deg, np.degrees(window) / 2, atol=0.3)


def test_what_the_receiver_tells_stands_and_the_fixes_give_the_rest():
    t = np.arange(60.0)
    path = Path(seconds(t), *straight())
    course, speed = path.samples(np.full(60, 300.0), circular=True), path.samples(np.full(60, 7.0))
    only_course = path.at(seconds([20.0]), course=course)
    assert only_course.course_deg[0] == pytest.approx(300.0)
    assert only_course.speed_mps[0] == pytest.approx(2.0, abs=1e-6)
    assert only_course.course_window_m[0] == np.inf
    assert only_course.course_turn_deg[0] == 0.0
    only_speed = path.at(seconds([20.0]), speed=speed)
    assert only_speed.speed_mps[0] == pytest.approx(7.0)
    assert only_speed.course_deg[0] == pytest.approx(40.0, abs=0.01)
    assert only_speed.course_window_m[0] == pytest.approx(30.0, abs=0.01)
    both = path.at(seconds([20.0]), speed=speed, course=course)
    assert (both.course_deg[0], both.speed_mps[0]) == pytest.approx((300.0, 7.0))
    assert (both.course_turn_deg[0], both.course_window_m[0]) == (0.0, np.inf)


def test_ten_seconds_are_bridged_and_no_more_unless_it_is_said():
    lon, lat = straight(3)
    path = Path(seconds([0.0, 10.0, 20.5]), lon, lat)
    at = path.at(seconds([5.0, 15.0]))
    assert np.isnan(at.lon).tolist() == [False, True]
    assert not np.isnan(Path(seconds([0.0, 10.0, 20.5]), lon, lat, max_gap_s=10.5).at(
        seconds([15.0])).lon[0])  # fmt: skip
