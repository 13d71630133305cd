import re
from dataclasses import replace

import gpxpy
import numpy as np
import pytest
from gpx_texts import gpx, save, schema
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.contents import Contents
from athwart.errors import FileError
from athwart.formats import ReadOptions, WriteOptions, read, write
from athwart.formats.gpx_write import _is_foreign, _uri
from athwart.tables import Marks, Sightings, Track, Waypoints
from strategies import TAME, WILD, assert_same, tables

FOREIGN = st.sampled_from(
    [
        "",
        '<x:a xmlns:x="urn:x">t</x:a>',
        "<a/>",
        "text",
        "<x:a>",
        '<g:wpt xmlns:g="http://www.topografix.com/GPX/1/1"/>',
        '<x:a xmlns:x="urn:x" xmlns:i="http://www.w3.org/2001/XMLSchema-instance" i:type="no"/>',
        '<!DOCTYPE a><x:a xmlns:x="urn:x"/>',
        '<x:a xmlns:x="urn:x"/></r><r>',
    ]
)
ODD_NUMBERS = st.sampled_from([np.nan, -1.0, 0.0, 360.0, 1e-9, 1e30, np.inf, 2.5, 1024.0])


@st.composite
def wild_contents(draw):
    waypoints = draw(tables(Waypoints, WILD))
    n = len(waypoints)
    if n:
        extra = dict(waypoints.extra)
        for name in ("magvar", "sat", "dgpsid", "hdop", "geoidheight", "ageofdgpsdata"):
            if draw(st.booleans()):
                extra[name] = np.array([draw(ODD_NUMBERS) for _ in range(n)])
        for name, cell in (("fix", WILD), ("src", WILD), ("type", WILD), ("extensions", FOREIGN)):
            extra[name] = np.array([draw(cell) for _ in range(n)], dtype=object)
        extra[draw(WILD) or "x"] = np.array([draw(WILD) for _ in range(n)], dtype=object)
        links = [f"{draw(WILD)}\t{draw(WILD)}\t{draw(WILD)}" for _ in range(n)]
        waypoints = replace(waypoints, extra=extra).with_columns(
            links=np.array(links, dtype=object)
        )
        lon = np.array(
            [
                draw(st.sampled_from([180.0, -180.0, 1e-15, np.nan, 179.99999999999]))
                for _ in range(n)
            ]
        )
        waypoints = waypoints.with_columns(lon=np.where(draw(st.booleans()), lon, waypoints.lon))
    return Contents(
        marks=draw(tables(Marks, WILD)),
        sightings=draw(tables(Sightings, WILD)),
        waypoints=waypoints,
        tracks=draw(tables(Track, WILD)),
        routes=draw(tables(Track, WILD)),
    )


@settings(max_examples=150, deadline=None)
@given(contents=wild_contents(), clean=st.booleans(), depth=st.sampled_from([None, "{urn:x}d"]))
def test_whatever_is_written_is_valid_gpx_11(tmp_path_factory, contents, clean, depth):
    # Against the published GPX 1.1 schema.
    path = tmp_path_factory.mktemp("wild") / "a.gpx"
    options = WriteOptions(clean=clean, depth_element=depth, title="t\x01", description="<&>")
    write(path, contents, options=options)
    schema().validate(str(path))
    assert b"e-" not in re.sub(rb">[^<]*<|name=\"[^\"]*\"", b"", path.read_bytes()) or not clean
    again = read(path)  # and our own reader takes every point of it
    rows = np.isfinite(contents.waypoints.lon).sum() + len(contents.marks)
    rows += 0 if len(contents.marks) else len(contents.sightings)
    assert again.counts["waypoints"] == rows
    assert again.counts["track_points"] == len(contents.tracks)
    assert again.counts["route_points"] == len(contents.routes)


@settings(max_examples=60, deadline=None)
@given(marks=tables(Marks, TAME, min_size=1), sightings=tables(Sightings, TAME))
def test_marks_and_sightings_come_back_whole(tmp_path_factory, marks, sightings):
    path = tmp_path_factory.mktemp("full") / "a.gpx"
    write(path, Contents(marks=marks, sightings=sightings))
    again = read(path)
    assert_same(marks, again.marks, degrees=6e-10)
    order = np.argsort(again.sightings.sighting_id.astype(str))
    assert_same(sightings, again.sightings.take(order))


@settings(max_examples=60, deadline=None)
@given(
    sightings=tables(Sightings, TAME), waypoints=tables(Waypoints, TAME), tracks=tables(Track, TAME)
)
def test_the_other_tables_come_back_whole(tmp_path_factory, sightings, waypoints, tracks):
    path = tmp_path_factory.mktemp("full") / "a.gpx"
    write(path, Contents(sightings=sightings, waypoints=waypoints, tracks=tracks, routes=tracks))
    again = read(path)
    assert_same(sightings, again.sightings, degrees=6e-10)
    where = ("source", "source_row")
    assert_same(waypoints, again.waypoints, degrees=6e-10, skip=where)
    assert_same(tracks, again.tracks, degrees=6e-10, skip=where)
    assert_same(tracks, again.routes, degrees=6e-10, skip=(*where, "segment"))


def marks(**more):
    columns = {
        "mark_id": ["a", "b"],
        "lon": [1.0, 2.0],
        "lat": [3.0, 4.0],
        "name": ["Rock", "Wreck"],
        "kind": ["rock", "wreck"],
        "note": ["n", ""],
        "hazard": [True, False],
        "depth_m": [7.25, np.nan],
        "last_time": np.array(["2031-05-04T06:00:00.5", "NaT"], "datetime64[us]"),
        "sighting_ids": ["a c", "b"],
    }
    return Marks.from_columns({**columns, **more})


def sightings():
    return Sightings.from_columns(
        {"sighting_id": ["a", "b", "c", "d"], "lon": [1, 2, 3, 4], "lat": [1, 2, 3, 4]}
    )


def test_plotters_see_only_the_marks(tmp_path):
    path = tmp_path / "a.gpx"
    write(path, Contents(marks=marks(), sightings=sightings()))
    assert [w.name for w in gpxpy.parse(path.read_text()).waypoints] == ["Rock", "Wreck"]
    again = read(path)
    assert sorted(again.sightings.sighting_id) == ["a", "b", "c", "d"]  # the stray one too
    assert again.counts["waypoints"] == 2


def test_a_clean_file_holds_nothing_of_ours(tmp_path):
    path = tmp_path / "a.gpx"
    options = WriteOptions(clean=True, depth_element="{urn:x}depth")
    written = write(path, Contents(marks=marks(), sightings=sightings()), options=options)
    text = path.read_text()
    assert "athwart.example" not in text
    assert '<d:depth xmlns:d="urn:x">7.25</d:depth>' in text
    assert text.count("<extensions>") == 1
    assert any("1 hazard flags" in w for w in written.words)
    assert any("4 sightings" in w for w in written.words)
    again = read(path, options=ReadOptions(depth_element="{urn:x}depth"))
    assert again.waypoints.name.tolist() == ["Rock", "Wreck"]
    assert again.waypoints.kind.tolist() == ["rock", "wreck"]
    assert again.waypoints.depth_m[0] == 7.25
    assert again.waypoints.time[0] == np.datetime64("2031-05-04T06:00:00.5")


def test_what_another_program_changed_wins(tmp_path):
    path = tmp_path / "a.gpx"
    write(path, Contents(marks=marks()))
    text = path.read_text().replace("<name>Rock<", "<name>Moved<").replace('lat="3"', 'lat="3.5"')
    again = read(save(tmp_path, text, "b.gpx")).marks
    assert again.name.tolist() == ["Moved", "Wreck"]
    assert again.lat.tolist() == [3.5, 4]
    assert again.mark_id.tolist() == ["a", "b"]


def test_foreign_extensions_go_out_again(tmp_path):
    foreign = '<x:a xmlns:x="urn:x">t</x:a>'
    bare = '<a xmlns="">t</a>'
    body = f'<wpt lat="1" lon="2"><extensions>{foreign}{bare}</extensions></wpt>'
    first = read(save(tmp_path, gpx(body)))
    write(tmp_path / "b.gpx", first)
    schema().validate(str(tmp_path / "b.gpx"))
    second = read(tmp_path / "b.gpx")
    assert second.waypoints.extra["extensions"][0] == first.waypoints.extra["extensions"][0]


def test_what_cannot_be_written_is_counted(tmp_path):
    waypoints = Waypoints.from_columns(
        {
            "lon": [np.nan, 1.0],
            "lat": [1.0, 2.0],
            "name": ["a", "b\x01"],
            "time": np.array(["2031-01-01", "-0044-03-15"], "datetime64[us]"),
        }
    )
    words = write(tmp_path / "a.gpx", Contents(waypoints=waypoints)).words
    assert any("1 rows without a position" in w for w in words)
    assert any("1 characters" in w for w in words)
    assert any("1 times outside" in w for w in words)
    assert read(tmp_path / "a.gpx").waypoints.name.tolist() == ["b\ufffd"]


def test_same_input_same_bytes(tmp_path):
    for name in ("a.gpx", "b.gpx"):
        write(tmp_path / name, Contents(marks=marks(), sightings=sightings()))
    assert (tmp_path / "a.gpx").read_bytes() == (tmp_path / "b.gpx").read_bytes()


def test_depth_element_that_is_no_name_is_left_out(tmp_path):
    options = WriteOptions(clean=True, depth_element="depth")
    write(tmp_path / "a.gpx", Contents(marks=marks()), options=options)
    assert "extensions" not in (tmp_path / "a.gpx").read_text()


@pytest.mark.parametrize(
    "text", ["http://[::1", "a b", "%zz", "a#b#c", "http://h:99999999/", "é", "\\"]
)
def test_links_become_valid_addresses(text):
    body = f'<wpt lat="1" lon="2"><link href="{_uri(text)}"/></wpt>'
    assert schema().is_valid(gpx(body))


def test_foreign_text_must_be_whole_elements():
    assert _is_foreign('<x:a xmlns:x="urn:x"/>')
    assert not _is_foreign('<x:a xmlns:x="urn:x"/></r><r>')


def test_an_existing_file_is_not_replaced_unasked(tmp_path):
    path = save(tmp_path, "mine")
    with pytest.raises(FileError, match="allow it to be replaced"):
        write(path, Contents(marks=marks()))
    assert path.read_text() == "mine"
    write(path, Contents(marks=marks()), overwrite=True)
    assert len(read(path).marks) == 2


@pytest.mark.parametrize(
    ("body", "fine"),
    [
        # What the published GPX 1.1 schema says; the writer is held to it above.
        ('<wpt lat="90" lon="-180"/>', True),
        ('<wpt lat="1" lon="180"/>', False),
        ('<wpt lat="1e-5" lon="1"/>', False),
        ('<wpt lat="1" lon="1"><magvar>360</magvar></wpt>', False),
        ('<wpt lat="1" lon="1"><magvar>-5</magvar></wpt>', False),
        ('<wpt lat="1" lon="1"><fix>rtk</fix></wpt>', False),
        ('<wpt lat="1" lon="1"><dgpsid>1024</dgpsid></wpt>', False),
        ('<wpt lat="1" lon="1"><name>a</name><ele>1</ele></wpt>', False),
        ('<wpt lat="1" lon="1"><url>a</url></wpt>', False),
        ('<wpt lat="1" lon="1"><extensions><x xmlns=""/></extensions></wpt>', False),
        ('<wpt lat="1" lon="1"><extensions><x xmlns="urn:x"/></extensions></wpt>', True),
        ('<trk/><wpt lat="1" lon="1"/>', False),
    ],
)
def test_what_the_schema_refuses_we_read_and_mend(tmp_path, body, fine):
    assert schema().is_valid(gpx(body)) == fine
    contents = read(save(tmp_path, gpx(body)))
    assert contents.counts["waypoints"] == len(contents.waypoints) == 1
    write(tmp_path / "b.gpx", contents)
    schema().validate(str(tmp_path / "b.gpx"))


def test_the_text_of_a_link_without_an_address_stays(tmp_path):
    body = '<wpt lat="1" lon="2"><link><text>T</text><type>image/png</type></link></wpt>'
    first = read(save(tmp_path, gpx(body))).waypoints.links
    write(tmp_path / "b.gpx", read(tmp_path / "a.gpx"))
    schema().validate(str(tmp_path / "b.gpx"))
    assert read(tmp_path / "b.gpx").waypoints.links.tolist() == first.tolist() == ["\tT\timage/png"]
