"""Waypoints as sightings: their error, their id, what is refused."""

import numpy as np
import pytest

from athwart.errors import TableError, UsageError
from athwart.tables import Waypoints
from athwart.waypoints import to_sightings


def points(**columns):
    return Waypoints.from_columns({"lon": [12.0], "lat": [54.0], **columns})


def total(s):
    return np.sqrt(s.total_covariance()[0])


def test_four_metres_are_two_and_a_half_shared_and_three_own():
    s = to_sightings(points())
    assert s.shared_sigma_m[0] == 2.5
    assert np.sqrt(s.var_east_m2[0]) == pytest.approx(3.1225, abs=1e-4)
    assert s.var_north_m2[0] == s.var_east_m2[0]
    assert s.cov_east_north_m2[0] == s.boat_sigma_m[0] == 0.0
    assert total(s)[0] == pytest.approx(4.0)
    assert s.method[0] == "waypoint"


def test_saved_aboard_is_twenty_metres():
    s = to_sightings(points(), saved_at="boat")
    assert total(s)[0] == pytest.approx(20.0)
    assert s.shared_sigma_m[0] == 2.5


@pytest.mark.parametrize("sigma", [0.02, 1.0, 2.5, 4.0, 9.0])
def test_any_total_is_kept_and_leaves_an_own_part(sigma):
    s = to_sightings(points(), sigma_m=sigma)
    assert total(s)[0] == pytest.approx(sigma)
    assert s.var_east_m2[0] > 0
    assert s.shared_sigma_m[0] == pytest.approx(min(2.5, sigma * 0.625))


def test_the_files_own_error_beats_what_is_asked_for():
    s = to_sightings(points(sigma_m=[7.0]), sigma_m=3.0, saved_at="boat")
    assert total(s)[0] == pytest.approx(7.0)


def test_everything_a_waypoint_holds_comes_along():
    w = points(
        name=["anchor rock"],
        kind=["rock"],
        hazard=[True],
        note=["snagged"],
        time=["2026-05-03T06:00"],
        depth_m=[12.5],
        depth_below=["datum"],
        links=["a.png\t\t"],
        source=["a.gpx"],
        source_row=[3],
        trip=["spring"],
    )
    s = to_sightings(w, trip="other")
    for column in ("name", "kind", "hazard", "note", "time", "depth_m", "depth_below", "links"):
        assert getattr(s, column)[0] == getattr(w, column)[0]
    assert (s.source[0], s.source_row[0], s.trip[0]) == ("a.gpx", 3, "spring")


def test_a_trip_fills_only_what_is_empty():
    s = to_sightings(
        Waypoints.from_columns({"lon": [1, 2], "lat": [3, 4], "trip": ["", "x"]}), trip="spring"
    )
    assert s.trip.tolist() == ["spring", "x"]


def test_the_id_is_of_place_time_and_name_alone():
    plain = to_sightings(points(name=["A"])).sighting_id[0]
    same = points(
        name=["A"], trip=["x"], source=["b.gpx"], source_row=[9], note=["n"], kind=["rock"]
    )
    assert to_sightings(same, sigma_m=9.0).sighting_id[0] == plain
    assert to_sightings(points(name=["A"], lon=[12.00000004])).sighting_id[0] == plain
    for other in (
        {"name": ["B"]},
        {"name": ["A"], "lon": [12.0000001]},
        {"name": ["A"], "time": ["2026-05-03"]},
    ):
        assert to_sightings(points(**other)).sighting_id[0] != plain


def test_both_names_of_the_180th_meridian_give_one_id():
    ids = to_sightings(
        Waypoints.from_columns({"lon": [180.0, -180.0], "lat": [1.0, 1.0]})
    ).sighting_id
    assert ids[0] == ids[1]


def test_bad_waypoints_are_refused_all_at_once():
    w = Waypoints.from_columns({"lon": [1, 2, 3], "lat": [91, 4, 5], "sigma_m": [np.nan, 0, 4]})
    with pytest.raises(TableError, match="latitude is 91") as caught:
        to_sightings(w)
    assert [r.row for r in caught.value.rows] == [1, 2]
    assert "no position is exact" in str(caught.value)


def test_options_out_of_range_are_refused():
    with pytest.raises(UsageError, match="cannot be; give more than 0"):
        to_sightings(points(), sigma_m=0.0)
    with pytest.raises(UsageError, match="allowed is 'mark' or 'boat'"):
        to_sightings(points(), saved_at="shore")


def test_no_waypoints():
    assert len(to_sightings(Waypoints.empty())) == 0
