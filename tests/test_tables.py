import geopandas
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from athwart.errors import DataError, TableError
from athwart.identity import observation_ids
from athwart.tables import Marks, Picks, Sightings, Track, Waypoints, same_text, si_column


def test_a_frame_comes_back_as_it_was():
    times = np.array(["2026-01-02T03:04:05", "NaT"], dtype="datetime64[us]")
    table = Waypoints.from_columns(
        {
            "lon": [1.0, -179.5],
            "lat": [2.0, 89.0],
            "time": times,
            "name": ["a", "é <b>"],
            "hazard": [True, False],
        },
        extra={"colour": np.array(["red", "blue"], dtype=object)},
    )
    frame = table.to_frame()
    assert frame.crs.to_epsg() == 4326
    back = Waypoints.from_frame(frame)
    for name, values in table.to_columns().items():
        np.testing.assert_array_equal(getattr(back, name), values, err_msg=name)
    assert back.extra["colour"].tolist() == ["red", "blue"]


@pytest.mark.parametrize("cls", [Picks, Track, Waypoints, Sightings, Marks])
def test_empty_tables_stay_empty(cls):
    empty = cls.empty()
    assert len(empty) == 0
    assert len(cls.concat([empty, empty])) == 0
    assert len(cls.from_frame(empty.to_frame())) == 0


def test_feet_fathoms_and_knots_are_converted():
    frame = pd.DataFrame(
        {
            "side": ["port"],
            "slant_range_ft": [70.0],
            "depth_fm": [5.0],
            "speed_kn": [4.5],
            "lon": [1.0],
            "lat": [2.0],
        }
    )
    table = Picks.from_frame(frame)
    got = (table.slant_range_m[0], table.depth_m[0], table.speed_mps[0])
    assert got == pytest.approx((21.336, 9.144, 2.315))
    assert si_column(Picks, "bottom_slope_ft") is None


def test_every_bad_row_is_listed_once():
    frame = pd.DataFrame(
        {
            "side": ["port", None, "up"],
            "slant_range_m": ["12", "x", "3"],
            "lat": [1, 91, 2],
            "lon": [1, 2, 3],
        }
    )
    with pytest.raises(TableError) as caught:
        Picks.from_frame(frame)
    text = str(caught.value)
    assert "row 2: slant_range_m is 'x', not a number" in text
    assert "row 2: latitude is 91; allowed is from -90 to 90" in text
    assert "row 3: side is 'up'; allowed is port, starboard" in text


def test_geometry_needs_a_crs_and_points():
    frame = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[Point(1, 2)])
    with pytest.raises(DataError, match="no coordinate reference system"):
        Waypoints.from_frame(frame)
    lines = geopandas.GeoDataFrame(
        {"name": ["a"]}, geometry=[LineString([(0, 0), (1, 1)])], crs=4326
    )
    with pytest.raises(DataError, match="must be points"):
        Waypoints.from_frame(lines)


def test_a_time_without_a_zone_is_refused():
    frame = pd.DataFrame(
        {
            "lon": [1.0, 1.0],
            "lat": [2.0, 2.0],
            "time": ["2026-01-02 03:04:05", "2026-01-02T03:04:05+02:00"],
        }
    )
    with pytest.raises(TableError, match="row 1: time 2026-01-02 03:04:05 has no zone"):
        Waypoints.from_frame(frame)


def test_joined_tables_keep_extra_columns_of_either():
    a = Waypoints.from_columns({"lon": 1.0, "lat": 2.0}, extra={"n": np.array([1.5])})
    b = Waypoints.from_columns({"lon": 3.0, "lat": 4.0})
    both = Waypoints.concat([a, b])
    np.testing.assert_array_equal(both.extra["n"], [1.5, np.nan])


def test_columns_of_different_length_are_refused():
    with pytest.raises(DataError, match="different lengths"):
        Waypoints.from_columns({"lon": [1.0, 2.0, 3.0], "lat": [1.0, 2.0]})


def test_ids_ignore_minus_zero_and_dust_but_not_the_seventh_decimal():
    def one(lon, name="a"):
        return observation_ids("t", [np.array([lon]), np.array([name], dtype=object)])[0]

    assert one(0.0) == one(-0.0) == one(1e-9)
    assert len({one(0.0), one(1e-7), one(0.0, "b"), one(np.nan)}) == 4
    assert len(one(0.0)) == 20


@pytest.mark.parametrize(
    ("column", "value", "code"),
    [
        ("speed_mps", np.inf, "not-finite"),
        ("speed_mps", -1.0, "speed-mps-out-of-range"),
        ("speed_mps", 100.1, "speed-mps-out-of-range"),
        ("side", "", "side-missing"),
        ("side", "left", "side-unknown"),
        ("depth_below", "keel", "depth-below-unknown"),
    ],
)
@pytest.mark.parametrize("others", [np.nan, 3.0])
def test_one_fault_among_sound_or_unknown_values_is_found(column, value, code, others):
    values = {"slant_range_m": np.full(4, 9.0), "side": np.full(4, "port", dtype=object)}
    default = {"side": "port", "depth_below": ""}.get(column, others)
    values[column] = np.full(4, default, dtype=object if isinstance(value, str) else float)
    assert Picks.from_columns(values).faults() == []
    values[column][2] = value
    assert [(r.row, r.code) for r in Picks.from_columns(values).faults()] == [(3, code)]


def test_a_required_number_that_is_missing_is_found():
    track = Track.from_columns({"lon": [1.0, np.nan, 1.0], "lat": [np.nan] * 3})
    assert [(r.row, r.column) for r in track.faults()] == [
        (1, "lat"), (2, "lon"), (2, "lat"), (3, "lat"),
    ]  # fmt: skip


def test_a_text_that_stands_everywhere_is_one_object():
    values = same_text((2, 3), "Tern")
    assert values.shape == (2, 3)
    assert {id(v) for v in values.ravel()} == {id(values[0, 0])}
    named = Sightings.from_columns({"lon": [1.0, 2.0], "lat": 3.0, "boat": "Tern"})
    assert named.boat[0] is named.boat[1]
    assert named.trip.tolist() == ["", ""]


def test_rows_are_taken_by_number_or_by_mask():
    table = Sightings.from_columns({"lon": [1.0, 2.0, 3.0], "lat": 0.0, "name": ["a", "b", "c"]})
    for index in ([2, 0], np.array([2, 0], np.int32), [-1, 0]):
        assert table.take(index).name.tolist() == ["c", "a"]
    assert table.take(np.array([True, False, True])).name.tolist() == ["a", "c"]
    assert len(table.take([])) == 0
    with pytest.raises(IndexError):
        table.take(np.array([True, False]))
