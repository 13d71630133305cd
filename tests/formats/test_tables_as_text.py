import csv
import os

import numpy as np
import pytest
from hypothesis import given, settings

from athwart.contents import Contents
from athwart.errors import FileError, TableError, UsageError
from athwart.formats import ReadOptions, WriteOptions, inspect, read, write
from athwart.tables import Marks, Picks, Sightings, Track, Waypoints
from strategies import TAME, WILD, assert_same, tables


def save(folder, text, name="a.csv"):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


PICKS = "time,lat,lon,heading_deg,side,slant_range_m,depth_m,name\n"
ROW = "2031-05-04T06:00:00Z,41.5,-8.25,90,port,21.3,6,Rock\n"


def test_picks_are_read(tmp_path):
    contents = read(save(tmp_path, PICKS + ROW))
    picks = contents.picks
    assert contents.counts["picks"] == 1
    assert picks.time[0] == np.datetime64("2031-05-04T06:00:00")
    assert (picks.lat[0], picks.lon[0], picks.slant_range_m[0]) == (41.5, -8.25, 21.3)
    assert picks.along_track_m[0] == 0
    assert np.isnan(picks.ground_range_m[0])


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_delimiters_line_ends_and_bom(tmp_path, delimiter, ending, bom):
    text = bom + (PICKS + ROW + ROW).replace(",", delimiter).replace("\n", ending)
    assert len(read(save(tmp_path, text)).picks) == 2


def test_columns_stand_in_any_order_and_case(tmp_path):
    text = " Side , SLANT_RANGE_FT,Latitude,Longitude,Time\nS,70,1,2,2031-05-04T06:00:00Z\n"
    picks = read(save(tmp_path, text)).picks
    assert picks.side[0] == "starboard"
    assert picks.slant_range_m[0] == pytest.approx(21.336, abs=1e-12)  # 70 ft of 0.3048 m exactly
    assert (picks.lat[0], picks.lon[0]) == (1, 2)


@pytest.mark.parametrize(
    ("column", "text", "name", "value"),
    [
        ("depth_ft", "10", "depth_m", 3.048),
        ("depth_fm", "5", "depth_m", 9.144),
        ("speed_kn", "3.6", "speed_mps", 1.852),
        ("ground_range_fm", "1", "ground_range_m", 1.8288),
    ],
)
def test_unit_columns(tmp_path, column, text, name, value):
    # 0.3048 m, 1.8288 m and 1852/3600 m/s: exact by definition.
    other = "" if "range" in column else ",slant_range_m"
    cells = "" if "range" in column else ",20"
    picks = read(save(tmp_path, f"side,{column}{other}\nport,{text}{cells}\n")).picks
    assert getattr(picks, name)[0] == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize(("text", "side"), [("p", "port"), ("PORT", "port"), ("stbd", "starboard")])
def test_sides(tmp_path, text, side):
    assert read(save(tmp_path, f"side,slant_range_m\n{text},20\n")).picks.side[0] == side


def test_positions_may_be_degrees_and_minutes(tmp_path):
    text = 'lat,lon\n"41 14.07 N",8 30 W\n33°51\'54.4"S,151.25\n'
    # An unquoted cell may hold a quote sign for seconds, as long as it does not begin with it.
    waypoints = read(save(tmp_path, text)).waypoints
    assert waypoints.lat == pytest.approx([41 + 14.07 / 60, -(33 + 51 / 60 + 54.4 / 3600)])
    assert waypoints.lon == pytest.approx([-8.5, 151.25])


def test_what_a_table_is(tmp_path):
    cases = {
        "lat,lon,name\n1,2,a\n": "waypoints",
        "time,lat,lon,heading_deg\n2031-05-04T06:00:00Z,1,2,3\n": "tracks",
        "time,lat,lon,speed_kn\n2031-05-04T06:00:00Z,1,2,3\n": "tracks",
        "time,lat,lon\n2031-05-04T06:00:00Z,1,2\n": "waypoints",
        "side,ground_range_m\np,3\n": "picks",
        "mark_id,lat,lon\na,1,2\n": "marks",
        "sighting_id,lat,lon,side,ground_range_m\na,1,2,port,3\n": "sightings",
    }
    for text, name in cases.items():
        contents = read(save(tmp_path, text))
        assert len(getattr(contents, name)) == 1, text


# -- rows that are refused ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "cell", "code", "words"),
    [
        ("side", "", "side-missing", "no side; allowed is port, starboard"),
        ("side", "left", "side-unknown", "'left'; allowed is port, starboard"),
        ("lat", "91", "latitude-out-of-range", "latitude is 91; allowed is from -90 to 90"),
        ("lat", "NaN", "lat-unreadable", "'NaN', not a number; leave the cell empty"),
        ("lat", "41_5", "lat-unreadable", "41_5"),
        ("lat", "", "position-incomplete", "only one of lon and lat"),
        ("slant_range_m", "21,3", "slant-range-m-unreadable", "write a decimal point: 21.3"),
        ("slant_range_m", "", "range-missing", "no slant_range_m and no ground_range_m"),
        ("slant_range_m", "-1", "slant-range-m-out-of-range", "-1; allowed is 0 or more"),
        ("slant_range_m", "inf", "slant-range-m-unreadable", "'inf', not a number"),
        ("slant_range_m", "1e999", "slant-range-m-unreadable", "1e999"),
        ("heading_deg", "361", "heading-deg-out-of-range", "361"),
        ("time", "2031-05-04 06:00:00", "time-without-zone", "has no zone; end it with Z"),
        ("time", "4/5/31", "time-unreadable", "write it like 2031-05-04T06:30:00Z"),
        ("time", "2031-02-29T06:00:00Z", "time-unreadable", "no time"),
    ],
)
def test_a_bad_cell_rejects_its_row(tmp_path, column, cell, code, words):
    names = PICKS.strip().split(",")
    cells = ROW.strip().split(",")
    cells[names.index(column)] = f'"{cell}"'
    path = save(tmp_path, PICKS + ROW + ",".join(cells) + "\n" + ROW)
    with pytest.raises(TableError, match=words) as caught:
        read(path)
    assert [(r.row, r.code) for r in caught.value.rows] == [(2, code)]
    contents = read(path, skip_bad=True)
    assert len(contents.picks) == 2
    assert contents.counts["picks"] == 3


def test_every_fault_of_every_row_is_listed(tmp_path):
    rows = ",91,1,,port,5,,\n" + "2031-05-04T06:00:00,1,2,,x,,,\n" + "1,2\n"
    with pytest.raises(TableError) as caught:
        read(save(tmp_path, PICKS + rows))
    assert [(r.row, r.code) for r in caught.value.rows] == [
        (1, "latitude-out-of-range"),
        (2, "time-without-zone"),
        (2, "side-unknown"),
        (2, "range-missing"),
        (3, "cells-do-not-match"),
    ]


def test_decimal_commas_that_split_cells_are_explained(tmp_path):
    with pytest.raises(TableError, match="4 cells, the header 2; if its numbers have decimal"):
        read(save(tmp_path, "lat,lon\n41,5,-8,25\n"))


def test_empty_rows_and_empty_columns_at_the_end_cost_nothing(tmp_path):
    contents = read(save(tmp_path, "lat,lon,,\n1,2,,\n,,,\n\n3,4,,,,,\n"))
    assert contents.waypoints.lat.tolist() == [1, 3]
    assert contents.waypoints.source_row.tolist() == [1, 4]
    assert contents.counts["waypoints"] == 2


@pytest.mark.parametrize(
    ("zone", "text", "result"),
    [
        ("UTC", "2031-05-04 06:00:00", "2031-05-04T06:00:00"),
        ("Europe/Lisbon", "2024-07-01T12:00:00", "2024-07-01T11:00:00"),
        ("America/Halifax", "2024-01-01 00:00", "2024-01-01T04:00:00"),
        ("Europe/Lisbon", "2024-07-01T12:00:00Z", "2024-07-01T12:00:00"),
        ("Europe/Lisbon", "2024-03-31 01:30:00", "time-nonexistent"),
        ("Europe/Lisbon", "2024-10-27 01:30:00", "time-ambiguous"),
    ],
)
def test_times_without_a_zone_take_the_named_one(tmp_path, zone, text, result):
    # The rules of the IANA time zone database: Portugal changed its clocks at 01:00 UTC on the
    # last Sundays of March and October 2024.
    path = save(tmp_path, f"time,lat,lon\n{text},1,2\n")
    contents = inspect(path, options=ReadOptions(time_zone=zone))
    if result.startswith("time"):
        assert contents.rejected[0].code == result
    else:
        assert contents.waypoints.time[0] == np.datetime64(result)


def test_an_unknown_zone_is_refused(tmp_path):
    path = save(tmp_path, "time,lat,lon\n2031-05-04 06:00:00,1,2\n")
    with pytest.raises(UsageError, match="no time zone"):
        read(path, options=ReadOptions(time_zone="Mars/Base"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "the file is empty"),
        ("\n \n", "the table is empty"),
        ("lat,lon\n", "a header but no rows"),
        ("lat,lon,LAT\n1,2,3\n", "'lat' stands twice, as column 1 and 3"),
        ("depth_m,depth_ft,lat,lon\n1,2,3,4\n", "depth_m is given twice"),
        ("lat,name\n1,2\n", "make no table; lon is missing"),
        ("colour,size\nred,2\n", "make no table; give lat and lon"),
        ("lat,lon,\n1,2,3\n", "column 3 has no name"),
        (b"lat,lon\n1,\x002\n", "zero bytes"),
        ('lat,lon,name\n1,2,"a\n3,4,b\n', "line 3: a quote is opened and never closed"),
        ('{"lat": 1}', "looks like JSON"),
        ("<?xml version='1.0'?><gpx/>", "looks like GPX"),
        (b"PK\x03\x04zip", "zip archive"),
    ],
)
def test_no_table_is_refused_in_one_sentence(tmp_path, text, words):
    with pytest.raises(FileError, match=words) as caught:
        read(save(tmp_path, text), skip_bad=True)
    assert "\n" not in str(caught.value)


def test_other_encodings(tmp_path):
    text = "lat,lon,name\n1,2,Größe\n"
    for data, said in (
        (text.encode("latin-1"), True),
        (text.encode("utf-16"), False),
        (text.encode(), False),
    ):
        contents = read(save(tmp_path, data))
        assert contents.waypoints.name[0] == "Größe"
        assert bool(contents.words) == said


def test_extra_columns_ride_along(tmp_path):
    contents = read(save(tmp_path, "lat,lon,Bottom Type\n1,2,mud\n"))
    assert contents.waypoints.extra["Bottom Type"].tolist() == ["mud"]


def test_txt_is_a_table_or_a_log(tmp_path):
    assert len(read(save(tmp_path, "lat;lon\n1;2\n", "a.TXT")).waypoints) == 1
    log = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\n"
    assert len(read(save(tmp_path, log, "b.txt")).tracks) == 1


# -- writing ----------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(table=tables(Marks, TAME, min_size=1), sightings=tables(Sightings, TAME, min_size=1))
def test_marks_and_sightings_come_back_exactly(tmp_path_factory, table, sightings):
    path = tmp_path_factory.mktemp("csv") / "a.csv"
    written = write(path, Contents(marks=table, sightings=sightings))
    assert [p.name for p in written.files] == ["a.csv", "a-sightings.csv"]
    assert "a-sightings.csv" in written.words[0]
    again = read(path)
    assert_same(table, again.marks)
    assert_same(sightings, again.sightings)


@settings(max_examples=60, deadline=None)
@given(table=tables(Track, TAME, min_size=1))
def test_tracks_come_back_exactly(tmp_path_factory, table):
    times = np.arange(len(table)).astype("datetime64[us]")
    table = table.with_columns(time=times, course_deg=1.0)
    path = tmp_path_factory.mktemp("csv") / "a.tsv"
    write(path, Contents(tracks=table))
    assert_same(table, read(path).tracks, skip=("source",))


@settings(max_examples=60, deadline=None)
@given(table=tables(Waypoints, WILD, min_size=1))
def test_wild_text_is_written_so_that_it_can_be_read(tmp_path_factory, table):
    path = tmp_path_factory.mktemp("csv") / "a.csv"
    write(path, Contents(waypoints=table))
    assert len(read(path).waypoints) == len(table)


FORMULAS = [
    "=1+1",
    "+1",
    "-1",
    "@x",
    "\tx",
    "\rx",
    "\n=x",
    "\uff1dx",
    "\uff0b1",
    "\uff0d1",
    "\uff20x",
]
"""What spreadsheets run: OWASP, "CSV Injection", with its full-width forms (from memory)."""


@pytest.mark.parametrize("text", [*FORMULAS, "'=x", "''=x", "'x", "x"])
def test_no_cell_is_a_formula(tmp_path, text):
    path = tmp_path / "a.csv"
    table = Sightings.from_columns({"sighting_id": ["a"], "lon": [1], "lat": [2], "note": [text]})
    write(path, Contents(sightings=table))
    with path.open(newline="", encoding="utf-8") as handle:
        cell = next(csv.DictReader(handle))["note"]
    assert cell[0] not in "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
    assert read(path).sightings.note[0] == text


def test_no_header_is_a_formula(tmp_path):
    path = tmp_path / "a.csv"
    values = np.array(["x"], dtype=object)
    table = Waypoints.from_columns({"lon": [1], "lat": [2]}, extra={"=HYPERLINK(1)": values})
    write(path, Contents(waypoints=table))
    assert "'=HYPERLINK(1)" in path.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert read(path).waypoints.extra["=HYPERLINK(1)"].tolist() == ["x"]


def test_a_negative_number_is_no_formula(tmp_path):
    write(
        tmp_path / "a.csv", Contents(waypoints=Waypoints.from_columns({"lon": [-1.5], "lat": [-2]}))
    )
    assert "'" not in (tmp_path / "a.csv").read_text()


def test_other_tables_are_counted_not_dropped(tmp_path):
    contents = Contents(
        picks=Picks.from_columns({"side": ["port"], "slant_range_m": [3]}),
        waypoints=Waypoints.from_columns({"lon": [1, 2], "lat": [2, 3]}),
    )
    words = write(tmp_path / "a.csv", contents).words
    assert words == ("not in a.csv: 2 waypoints; a table file holds one table",)


def test_a_clean_table_has_no_sibling(tmp_path):
    marks = Marks.from_columns({"mark_id": ["a"], "lon": [1], "lat": [2], "name": ["n"]})
    sightings = Sightings.from_columns({"sighting_id": ["a"], "lon": [1], "lat": [2]})
    contents = Contents(marks=marks, sightings=sightings)
    write(tmp_path / "a.csv", contents, options=WriteOptions(clean=True))
    assert os.listdir(tmp_path) == ["a.csv"]  # noqa: PTH208
    assert read(tmp_path / "a.csv").waypoints.name.tolist() == ["n"]


def test_a_sibling_in_the_way_stops_the_whole_write(tmp_path):
    save(tmp_path, "mine", "a-sightings.csv")
    marks = Marks.from_columns({"mark_id": ["a"], "lon": [1], "lat": [2]})
    sightings = Sightings.from_columns({"sighting_id": ["a"], "lon": [1], "lat": [2]})
    with pytest.raises(FileError, match=r"a-sightings\.csv: the file exists"):
        write(tmp_path / "a.csv", Contents(marks=marks, sightings=sightings))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a-sightings.csv"]


def test_nothing_to_write_is_refused(tmp_path):
    with pytest.raises(FileError, match="nothing to write"):
        write(tmp_path / "a.csv", Contents())
    assert not list(tmp_path.iterdir())


def test_the_name_of_a_column_may_hold_anything(tmp_path):
    text = "lat,lon,wha\x00t,=x\n1,2,a,b\n"
    contents = read(save(tmp_path, text.encode("utf-16")))
    written = write(tmp_path / "b.csv", contents)
    assert any("1 characters" in w for w in written.words)
    again = read(tmp_path / "b.csv").waypoints
    assert {k: v.tolist() for k, v in again.extra.items()} == {"wha\ufffdt": ["a"], "=x": ["b"]}


def test_a_track_needs_no_times_to_be_one(tmp_path):
    bare = Track.from_columns({"lon": [1.0, 2.0], "lat": [3.0, 4.0]})
    write(tmp_path / "t.csv", Contents(tracks=bare))
    again = read(tmp_path / "t.csv")
    assert (len(again.tracks), len(again.waypoints)) == (2, 0)


def test_marks_that_part_cells_may_stand_in_the_name_of_a_column(tmp_path):
    contents = read(save(tmp_path, 'lat,lon,"a;b;c;d;e"\n1,2,x\n'))
    write(tmp_path / "b.csv", contents)
    assert read(tmp_path / "b.csv").waypoints.extra["a;b;c;d;e"].tolist() == ["x"]
