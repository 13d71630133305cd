"""A day's work by hand: legs, times, light, tide, and what it says to beware of."""

import numpy as np
import pytest
import shapely

from athwart.errors import DataError, UsageError
from athwart.geometry.magnetic import variation
from athwart.geometry.plane import LocalPlane
from athwart.plan.day import Ask, Pace
from athwart.plan.tide import Tide
from athwart.plan.zones import Zones
from athwart.tables import Marks
from athwart.units import KNOT, NAUTICAL_MILE
from days import LEAVE, PLACE, a_day, marks_at, place_at

HOUR = np.timedelta64(3_600_000_000, "us")


def names(day):
    return [day.called(s.row) for s in day.stops]


def shape(*corners):
    return LocalPlane(*PLACE).shape_to_earth(shapely.Polygon(corners))


def zones(polygon, name="Pens", rule="no anchoring"):
    def column(value):
        out = np.empty(1, dtype=object)
        out[0] = value
        return out

    return Zones(column(polygon), column(name), column(rule), column(""))


def test_a_mile_at_one_knot_takes_an_hour():
    """The knot's definition; 10 % of the speed at 95 % is 1.96 x 6 = 11.8 minutes."""
    pace = Pace(speed_mps=KNOT.value, speed_error=0.1, stay_s=0.0)
    day = a_day([(0, NAUTICAL_MILE.value)], pace=pace, ask=Ask(one_way=True))
    (stop,) = day.stops
    assert stop.leg.length_m == pytest.approx(1852.0, abs=0.01)
    assert abs(stop.arrive - LEAVE - HOUR) < np.timedelta64(1, "s")
    assert 1.96 * stop.sigma_s / 60 == pytest.approx(11.76, abs=0.01)
    assert day.back == stop.leave == stop.arrive
    assert day.home is None
    assert day.end is None


def test_bearings_are_true_and_magnetic_and_come_back_the_other_way():
    day = a_day([(1000, 1000)])
    out, home = day.legs
    assert out.true_deg[0] == pytest.approx(45.0, abs=0.01)
    assert home.true_deg[0] == pytest.approx(225.0, abs=0.01)
    east = float(variation(PLACE[0], PLACE[1], LEAVE))
    assert abs(east) > 5
    assert out.magnetic_deg[0] == pytest.approx((45.0 - east) % 360, abs=0.02)


def test_variation_east_makes_the_magnetic_bearing_less(monkeypatch):
    """The seaman's rule: variation east, magnetic least; variation west, magnetic best."""
    for value, expected in ((10.0, 35.0), (-10.0, 55.0)):
        monkeypatch.setattr(
            "athwart.plan.days_work.variation", lambda lon, lat, time, v=value: np.full(len(lon), v)
        )
        assert a_day([(1000, 1000)]).legs[0].magnetic_deg[0] == pytest.approx(expected, abs=0.01)


def test_a_round_is_the_shortest_and_its_times_follow_on():
    day = a_day([(0, 1000), (1000, 0), (1000, 1000)])
    assert day.length_m == pytest.approx(4000, abs=1)
    assert names(day)[1] == "Mark 2"
    at = day.depart
    for stop in day.stops:
        at += np.timedelta64(round(stop.leg.seconds * 1e6), "us")
        assert abs(stop.arrive - at) < np.timedelta64(5, "us")
        at += np.timedelta64(1200, "s")
        assert abs(stop.leave - at) < np.timedelta64(5, "us")
    assert day.stay_s == 3600
    assert (day.back - day.depart) / np.timedelta64(1, "s") == pytest.approx(
        day.under_way_s + 3600, abs=0.01
    )


def test_what_a_person_asks_is_kept():
    points = [(0, 1000), (800, 1500), (900, 200), (-500, 300)]
    assert names(a_day(points, ask=Ask(given=True))) == [f"Mark {i}" for i in range(4)]
    assert names(a_day(points, ask=Ask(first=2)))[0] == "Mark 2"
    assert names(a_day(points, ask=Ask(last=1)))[-1] == "Mark 1"
    pace = Pace(speed_mps=2.0, stays_s={1: 60.0})
    stays = {s.row: s.stay_s for s in a_day(points, pace=pace).stops}
    assert stays == {0: 1200.0, 1: 60.0, 2: 1200.0, 3: 1200.0}


def test_a_day_may_end_elsewhere():
    day = a_day([(0, 1000), (0, 2000)], end=place_at(0, 3000, "pier"))
    assert names(day) == ["Mark 0", "Mark 1"]
    assert day.end.name == "pier"
    assert day.length_m == pytest.approx(3000, abs=1)


@pytest.mark.parametrize("place", [(-179.9999, -16.9), (40.0, 89.99), (-20.0, -89.98)])
def test_the_180th_meridian_and_the_poles_are_places_like_others(place):
    day = a_day([(0, 1000), (1000, 0), (1000, 1000)], place=place)
    assert day.length_m == pytest.approx(4000, abs=1)
    for feature in day.features():
        west, _, east, _ = feature.geometry.bounds
        if abs(place[1]) < 80:
            assert east - west < 0.1


def test_land_is_gone_round_and_the_leg_tells_its_turns():
    wall = shape((-2000, 400), (600, 400), (600, 500), (-2000, 500))
    day = a_day([(0, 1000)], closed=wall, clear_m=30.0)
    leg = day.legs[0]
    assert len(leg.part_m) >= 2
    assert leg.length_m > 1200
    assert leg.part_m.sum() == pytest.approx(leg.length_m)
    assert shapely.distance(leg.line, wall) > 0


def test_marks_that_cannot_be_visited_are_left_out_and_said():
    water = shape((-3000, -3000), (3000, -3000), (3000, 3000), (-3000, 3000))
    closed = shape((900, 900), (1100, 900), (1100, 1100), (900, 1100))
    lake = shape((4000, 0), (5000, 0), (5000, 1000), (4000, 1000))
    day = a_day(
        [(0, 1000), (1000, 1000), (0, 3600), (4500, 500)],
        water=shapely.union_all([water, lake]),
        closed=closed,
        clear_m=10.0,
    )
    assert names(day) == ["Mark 0"]
    why = {day.called(x.row): x.why for x in day.left_out}
    assert why["Mark 1"] == "lies in water that is kept out"
    assert why["Mark 2"].endswith("outside the water that was given")
    assert why["Mark 3"] == "cannot be reached by the water that was given, 10 m off its edges"
    with pytest.raises(DataError, match="the mark to visit first cannot be: lies in water"):
        a_day([(0, 1000), (1000, 1000)], closed=closed, ask=Ask(first=1))
    with pytest.raises(DataError, match="ramp lies in water that is kept out"):
        a_day([(0, 500)], start=(1000, 1000), closed=closed)
    with pytest.raises(DataError, match=r"ramp lies \d+ m outside the water"):
        a_day([(0, 500)], start=(0, 3600), water=water)


def test_a_ramp_beside_the_water_is_no_obstacle():
    water = shape((-3000, 0), (3000, 0), (3000, 3000), (-3000, 3000))
    day = a_day([(0, 1000)], start=(0, -50), water=water, clear_m=20.0)
    assert day.legs[0].length_m == pytest.approx(1050, abs=1)


def test_what_to_beware_of_is_said():
    day = a_day(
        [(0, 1000), (300, 1500), (600, 700)],
        hazard=np.array([True, False, False]),
        r95_m=np.array([5.0, 45.0, np.nan]),
        extra={"private": np.array([False, False, True])},
        zones=zones(shape((-50, 950), (50, 950), (50, 1050), (-50, 1050))),
    )
    said = {day.called(s.row): " ".join(s.warnings) for s in day.stops}
    assert "HAZARD" in said["Mark 0"]
    assert 'Zone: inside "Pens"' in said["Mark 0"]
    assert "no anchoring" in said["Mark 0"]
    assert "R95 is 45 m: search" in said["Mark 1"]
    assert "Its error is not known" in said["Mark 2"]
    assert "Private" in said["Mark 2"]
    assert any('touch the zone "Pens". Rule: no anchoring.' in w for w in day.warnings)


def test_a_mark_nearer_to_an_edge_than_the_margin_is_visited_and_said():
    wall = shape((-500, 1010), (500, 1010), (500, 1200), (-500, 1200))
    day = a_day([(0, 1000)], closed=wall, clear_m=50.0)
    (word,) = day.stops[0].warnings
    assert "lead nearer to an edge than the 50 m kept elsewhere" in word


def test_a_leg_that_passes_a_danger_closely_is_said():
    """The danger lies 15 m off the line from the start to the mark, its R95 is 5 m."""
    near = marks_at([(15, 500), (400, 500)], name=np.array(["Anvil", "Shoal"], object))
    near = near.with_columns(mark_id=np.array(["aaaa", "bbbb"], object))
    day = a_day([(0, 1000)], ask=Ask(one_way=True), hazards=near)
    assert day.warnings == ('Leg 1 passes 15.0 m from the hazard "Anvil" (R95 5.0 m).',)
    own = a_day([(0, 1000)], hazards=marks_at([(0, 1000)]))  # the mark that is gone to
    assert not own.warnings


def test_a_date_without_a_magnetic_model_gives_true_bearings_and_says_so():
    day = a_day([(0, 1000)], depart=np.datetime64("2035-06-01T10:00"))
    assert np.isnan(day.legs[0].magnetic_deg).all()
    assert any(w.startswith("Magnetic bearings: not known") for w in day.basis)
    assert not any(w.startswith("Magnetic") for w in a_day().basis)


def test_arrival_in_the_dark_is_said_and_so_is_a_day_that_ends_in_it():
    """Sunset there on 1 June is 17:48 UTC, civil twilight ends 18:22 (see test_sun)."""
    late = a_day([(0, 1000)], depart=np.datetime64("2025-06-01T18:40"))
    assert late.stops[0].dark
    assert "Arrival in the dark." in late.stops[0].warnings
    assert "The day ends in the dark." in late.warnings
    noon = a_day([(0, 1000)])
    assert not noon.stops[0].dark
    assert not noon.warnings


def test_the_light_is_that_of_the_local_day():
    day = a_day(depart=np.datetime64("2025-06-01T22:00"), time_zone="Pacific/Auckland")
    first, last = day.sky[0].time, day.sky[-1].time
    # 2 June in Auckland (UTC+12) runs from 12:00 UTC to 12:00 UTC.
    assert np.datetime64("2025-06-01T12:00") <= first
    assert last <= np.datetime64("2025-06-02T12:00")


def test_without_a_time_to_leave_there_are_durations_only():
    day = a_day(depart=np.datetime64("NaT"), dated=LEAVE)
    assert all(np.isnat(s.arrive) for s in day.stops)
    assert np.isnat(day.back)
    assert not day.sky
    assert np.isfinite(day.legs[0].magnetic_deg).all()
    assert day.under_way_s > 0
    undated = a_day(depart=np.datetime64("NaT"))
    assert np.isnan(undated.legs[0].magnetic_deg).all()


class Over:
    """Four metres of water at datum over every mark, a thing of 2 m on the bottom, no draft."""

    def __init__(self, tide, time):
        self.tide_m, self.tide_sigma_m = tide.height(time)
        self.depth_m = 4.0 + self.tide_m
        self.sigma_m = np.full(len(self.depth_m), 0.1)
        self.clearance_m = self.depth_m - 2.0 - 1.96 * self.sigma_m

    def sentences(self, units="metric"):
        return [f"{d:.1f} m of water" for d in self.depth_m]


def test_the_tide_at_arrival_carries_the_error_of_the_time():
    """Cosine half way from 0 m to 4 m in 6 h rises pi / 2 x 4 / 6 = 1.047 m an hour."""
    tide = Tide.from_extremes(
        np.array(["2025-06-01T08:00", "2025-06-01T14:00"], "datetime64[us]"),
        np.array([0.0, 4.0]),
        weather_m=0.0,
        shape_part=0.0,
    )
    pace = Pace(speed_mps=1852 / 3600, speed_error=0.1, stay_s=0.0)
    day = a_day([(0, 1852)], pace=pace, ask=Ask(one_way=True), tide=tide)
    (stop,) = day.stops
    assert stop.tide_m == pytest.approx(2.0, abs=0.001)
    assert stop.tide_sigma_m == pytest.approx(1.047 * 0.1, rel=0.01)
    assert np.isnan(stop.depth_m)
    assert "Depths: not asked for." in day.basis


def test_a_table_that_ends_too_early_is_said():
    tide = Tide.from_extremes(
        np.array(["2025-06-01T02:00", "2025-06-01T08:00"], "datetime64[us]"), np.array([0.0, 4.0])
    )
    day = a_day([(0, 1852)], tide=tide)
    assert np.isnan(day.stops[0].tide_m)
    assert any("not known at the time of 1 mark:" in w for w in day.warnings)


def test_where_the_sun_does_not_set_it_is_said():
    day = a_day([(0, 100)], place=(19.0, 69.6), depart=np.datetime64("2025-06-21T10:00"))
    assert day.sun == "The Sun does not set."
    assert not a_day([(0, 100)]).sun


def test_little_water_is_told_for_the_lowest_while_there():
    """It falls from 2 m to -2 m in 6 h; a stay of 2 h ends lower than it began."""
    tide = Tide.from_extremes(
        np.array(["2025-06-01T08:00", "2025-06-01T14:00"], "datetime64[us]"),
        np.array([2.0, -2.0]),
    )
    pace = Pace(speed_mps=1852 / 3600, speed_error=0.0, stay_s=7200.0)

    def over(marks, time):
        assert len(marks) == len(time)
        return Over(tide, time)

    day = a_day([(0, 1852)], pace=pace, ask=Ask(one_way=True), tide=tide, over=over, margin_m=0.5)
    (stop,) = day.stops
    assert stop.depth_m == pytest.approx(4.0, abs=0.001)
    # At 13:00: 2 cos(5 pi / 6) = -1.732
    assert stop.clearance_m == pytest.approx(4 - 1.732 - 2 - 0.196, abs=0.01)
    assert "LITTLE WATER: 0.1 m under the keel" in stop.warnings[-1]
    assert stop.water == "4.0 m of water."


def test_the_route_bears_the_names_of_the_marks_and_runs_through_every_corner():
    wall = shape((-2000, 400), (600, 400), (600, 500), (-2000, 500))
    day = a_day([(0, 1000)], closed=wall, clear_m=30.0)
    route = day.route("Day")
    names_there = route.extra["point_name"].tolist()
    assert (names_there[0], names_there[-1]) == ("ramp", "ramp")
    assert names_there.count("Mark 0") == 1
    assert len(route) == 1 + sum(len(leg.part_m) for leg in day.legs)


def test_features_are_legs_and_stops():
    day = a_day()
    found = day.features()
    assert [f.role for f in found] == ["leg"] * 4 + ["stop"] * 3
    assert sum(f.values["length_m"] for f in found[:4]) == pytest.approx(day.length_m)


def test_what_cannot_be_is_refused():
    with pytest.raises(DataError, match="there is no mark to visit"):
        a_day(marks=Marks.empty())
    with pytest.raises(DataError, match="there are 501 marks; allowed in one day are 500"):
        a_day(np.random.default_rng(0).uniform(0, 1e4, (501, 2)))
    with pytest.raises(UsageError, match="the speed is 0 m/s"):
        Pace(speed_mps=0.0)
    with pytest.raises(UsageError, match="the time at a mark is -1 s"):
        Pace(speed_mps=1.0, stay_s=-1.0)
    with pytest.raises(UsageError, match="the error of the speed is 1"):
        Pace(speed_mps=1.0, speed_error=1.0)
    with pytest.raises(DataError, match="take one water at a time"):
        a_day([(0, 0), (0, 900_000)])
