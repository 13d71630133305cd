"""What is written reads back as it was: every table in every format that can hold it."""

import numpy as np
import pytest
from hypothesis import given

from athwart.contents import Contents
from athwart.formats import read, write
from athwart.tables import Picks, Track, Waypoints
from strategies import TAME, WILD, assert_same, examples, picks, tables

OWN = ("source", "source_row")


def back(folder, ending, **given_tables):
    path = folder / f"a{ending}"
    write(path, Contents(**given_tables), overwrite=True)
    return read(path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("round")


@pytest.mark.parametrize("ending", [".csv", ".tsv", ".txt", ".gpkg"])
def test_picks_come_back(folder, ending):
    @examples(8 if ending == ".gpkg" else 20)
    @given(table=picks())
    def holds(table):
        again = back(folder, ending, picks=table).picks
        assert_same(table, again, degrees=1e-13)

    holds()


@examples(20)
@given(table=picks(WILD))
def test_wild_picks_are_written_so_that_they_can_be_read(folder, table):
    again = back(folder, ".csv", picks=table).picks
    assert len(again) == len(table)
    np.testing.assert_array_equal(again.slant_range_m, table.slant_range_m)


@pytest.mark.parametrize("ending", [".csv", ".geojson", ".gpkg", ".fgb"])
def test_waypoints_come_back(folder, ending):
    @examples(20 if ending == ".csv" else 6)
    @given(table=tables(Waypoints, TAME, min_size=1))
    def holds(table):
        again = back(folder, ending, waypoints=table).waypoints
        assert_same(table, again, degrees=1e-13, skip=OWN)

    holds()


@pytest.mark.parametrize("ending", [".csv", ".geojson", ".gpkg", ".fgb", ".kml"])
def test_tracks_come_back_even_without_times(folder, ending):
    @examples(20 if ending == ".csv" else 6)
    @given(table=tables(Track, TAME, min_size=1))
    def holds(table):
        again = back(folder, ending, tracks=table).tracks
        digits = 1e-14 if ending == ".kml" else 0.0  # GDAL writes fifteen digits there
        assert_same(table, again, degrees=1e-9, relative=digits, skip=OWN)

    holds()


def test_a_track_of_bare_positions_is_no_set_of_waypoints(tmp_path):
    bare = Track.from_columns({"lon": [1.0, 2.0], "lat": [3.0, 4.0]})
    for ending in (".csv", ".geojson", ".kml"):
        again = back(tmp_path, ending, tracks=bare)
        assert (len(again.tracks), len(again.waypoints)) == (2, 0), ending


def test_picks_made_here_keep_their_contract():
    @examples(10)
    @given(table=picks(WILD))
    def holds(table):
        assert isinstance(table, Picks)
        assert table.faults() == []

    holds()
