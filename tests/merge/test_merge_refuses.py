"""What merging refuses, in sentences, and what it makes of repeats."""

import numpy as np
import pytest
from looking import looks_at

from athwart.errors import DataError, TableError
from athwart.merge import merge
from athwart.tables import Sightings


@pytest.mark.parametrize(
    ("columns", "sentence"),
    [
        ({"lat": [np.nan, 44.4]}, "row 1: the position is missing or out of range"),
        ({"lat": [44.4, 91.0]}, "row 2: the position is missing or out of range"),
        ({"lon": [0.0, np.inf]}, "row 2: the position is missing or out of range"),
        ({"var_east_m2": [4.0, np.nan]}, "row 2: .* are no covariance of a position"),
        ({"var_east_m2": [0.0, 4.0]}, "row 1: .* are no covariance of a position"),
        ({"cov_east_north_m2": [5.0, 0.0]}, "row 1: .* are no covariance of a position"),
        ({"var_east_m2": [4.0, 4e6]}, "row 2: its standard error is over 1000 m"),
        ({"shared_sigma_m": [-1.0, 0.0]}, "row 1: shared_sigma_m must be from 0 to 1000 m"),
        ({"boat_sigma_m": [0.0, np.inf]}, "row 2: boat_sigma_m must be from 0 to 1000 m"),
        ({"sighting_id": ["", "b"]}, "row 1: there is no sighting_id"),
    ],
)
def test_bad_rows_are_refused(columns, sentence):
    with pytest.raises(TableError, match=sentence):
        merge(looks_at([0, 1], 0).with_columns(**columns))


def test_every_bad_row_is_listed_with_its_source():
    s = looks_at([0, 1, 2], 0, source="spring.csv", source_row=[4, 5, 6])
    with pytest.raises(TableError) as caught:
        merge(s.with_columns(lat=[np.nan, 44.4, np.nan]))
    assert [r.row for r in caught.value.rows] == [1, 3]
    assert "(spring.csv, row 6)" in str(caught.value)


def test_one_id_with_two_positions_is_refused():
    s = looks_at([0, 9], 0, ids=["x", "x"], source=["a.gpx", "b.gpx"], source_row=[1, 2])
    with pytest.raises(TableError, match=r"sighting x .* stands twice with different positions"):
        merge(s)


def test_one_id_with_two_errors_is_refused():
    s = looks_at([0, 0], 0, ids=["x", "x"], var_east_m2=[4.0, 400.0])
    with pytest.raises(TableError, match="stands twice with different errors"):
        merge(s)


def test_repeats_are_taken_once_and_lose_nothing():
    s = looks_at(
        [0, 0, 50],
        0,
        ids=["x", "x", "y"],
        note=["snagged", "", ""],
        kind=["", "rock", ""],
        hazard=[False, True, False],
        trip=["", "spring", "spring"],
        depth_m=[np.nan, 12.0, np.nan],
        source=["a.gpx", "b.gpx", "b.gpx"],
    )
    for order in ([0, 1, 2], [1, 2, 0]):
        m = merge(s.take(order))
        assert m.report.repeats == 1
        row = int(np.flatnonzero(m.sightings.sighting_id == "x")[0])
        kept = m.sightings
        assert (kept.note[row], kept.kind[row], kept.trip[row]) == ("snagged", "rock", "spring")
        assert kept.hazard[row]
        assert kept.depth_m[row] == 12.0
    assert "1 repeated ones taken once" in m.report.summary()


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [3, 1, 0, 2]])
def test_what_repeats_say_differently_is_all_kept_each_line_once(order):
    s = looks_at(0, [0, 0, 0, 90], ids=["x", "x", "x", "y"], note=["snag\ndeep", "", "bream", "y"],
                 links=["https://a.example/1", "https://a.example/2", "", ""])  # fmt: skip
    kept = merge(s.take(np.array(order))).sightings
    row = int(np.flatnonzero(kept.sighting_id == "x")[0])
    assert kept.note[row] == "bream\ndeep\nsnag"
    assert kept.links[row] == "https://a.example/1\nhttps://a.example/2"
    assert kept.note[1 - row] == "y"


@pytest.mark.parametrize("column", ["shared_sigma_m", "boat_sigma_m"])
def test_a_common_error_that_is_not_given_is_none(column):
    s = looks_at([0, 0], 0, ids=["x", "x"], **{column: [np.nan, 0.0]})
    assert len(merge(s).sightings) == 1


def test_a_position_rounded_by_a_file_is_the_same_position():
    s = looks_at([0, 0], 0, ids=["x", "x"])
    s = s.with_columns(lon=[s.lon[0], round(float(s.lon[0]), 7)])
    assert len(merge(s).sightings) == 1


@pytest.mark.parametrize(
    ("column", "near", "far"),
    [
        ("lon", 2.0e-7, 2.3e-7),
        ("lon", -2.0e-7, -2.3e-7),
        ("lat", 2.0e-7, 2.3e-7),  # a file rounds to 1e-7 degree
        ("var_east_m2", 0.00805, 0.0083),  # and a variance to a few digits: 1e-3 of 8 m^2 + 1e-4
        ("cov_east_north_m2", 0.00805, 0.0083),
        ("shared_sigma_m", 0.0099, 0.0101),
        ("boat_sigma_m", 0.0099, 0.0101),
    ],
)
def test_what_a_file_rounds_away_is_no_contradiction(column, near, far):
    s = looks_at([0, 0], 0, ids=["a", "a"]).with_columns(lat=np.zeros(2))
    for more, taken in ((near, True), (far, False)):
        two = s.with_columns(**{column: getattr(s, column) + np.array([0.0, more])})
        if taken:
            assert len(merge(two).sightings) == 1
        else:
            with pytest.raises(TableError, match="stands twice with different"):
                merge(two)


def test_180_and_minus_180_are_one_meridian():
    s = looks_at([0, 0], 0, at=(180.0, 10.0))
    s = s.with_columns(lon=[180.0, -180.0])
    assert len(merge(s).marks) == 1


def test_no_sightings_at_all():
    assert len(merge(Sightings.empty()).marks) == 0


def test_too_many_pairs_are_refused_before_memory_is_spent(monkeypatch):
    from athwart.merge import gate

    monkeypatch.setattr(gate, "MOST_PAIRS", 1_000)
    s = looks_at(np.zeros(80), 0, ids=[f"s{i:02d}" for i in range(80)])
    with pytest.raises(DataError, match="pairs of sightings lie within 40 m"):
        merge(s)
    # The sample is taken all over the water: a lone sighting in the south tells nothing of it.
    lone = looks_at(0, [-900.0] + [0.0] * 79, ids=[f"s{i:02d}" for i in range(80)])
    with pytest.raises(DataError, match=r"about 3\.1e\+03 pairs"):
        merge(lone)
    assert len(merge(s.take(np.arange(40))).marks) == 1, "780 pairs are not too many"
    wide = looks_at(
        np.arange(80) * 45.0,
        0,
        var_east_m2=9e4,
        var_north_m2=9e4,
        ids=[f"s{i:02d}" for i in range(80)],
    )
    with pytest.raises(DataError, match=r"about 2\.2e\+03 pairs .* within 2560 m"):
        merge(wide)
