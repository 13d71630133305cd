import codecs

import gpxpy
import numpy as np
import pyogrio
import pytest
from gpx_texts import GPX_10, GPX_11, gpx, save, schema, track
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.errors import FileError, TableError
from athwart.formats import ReadOptions, gpx_read, inspect, read
from athwart.formats.gpx_fields import NAMESPACE

PLAIN = '<trkpt lat="1.5" lon="2.5"><ele>3</ele><time>2031-05-04T06:00:00Z</time></trkpt>'


RICH = (
    '<trkpt lat="1.25" lon="2.5">\n<ele>3</ele> <time>2031-05-04T06:00:00Z</time><name>p 1 </name>'
    "<fix>dgps</fix><sat>8</sat><hdop>0.9</hdop><extensions><x:e>\n<x:h>90</x:h><x:s/></x:e><x:t> 5 </x:t>"
    "</extensions></trkpt>"
)


# -- ordinary files, against two other readers ---------------------------------------------------


def ordinary(n=500, seed=3):
    rng = np.random.default_rng(seed)
    lon, lat = rng.uniform(-180, 180, n), rng.uniform(-90, 90, n)
    points = []
    for i in range(n):
        kind = i % 5
        ele = f"<ele>{rng.normal(0, 9):.3f}</ele>" if kind != 3 else ""
        more = "<sat>7</sat><hdop>1.2</hdop>" if kind == 2 else ""
        time = f"<time>2031-05-04T06:{i // 60 % 60:02d}:{i % 60:02d}Z</time>" if kind != 4 else ""
        points.append(f'<trkpt lat="{lat[i]:.8f}" lon="{lon[i]:.8f}">{ele}{time}{more}</trkpt>')
    names = ["Rock", "", "A &amp; B", "<![CDATA[<x>]]>", "Größe"]
    waypoints = "\n".join(
        f'<wpt lat="{i}.25" lon="-{i}.75"><ele>{-i}</ele><time>2031-05-0{i + 1}T01:02:03Z</time>'
        f"<name>{name}</name><desc>d{i}</desc><sym>s{i}</sym></wpt>"
        for i, name in enumerate(names)
    )
    route = '<rte><name>R</name><rtept lat="1" lon="2"><name>a</name></rtept><rtept lat="3" lon="4"/></rte>'
    half = len(points) // 2
    return gpx(
        f"{waypoints}\n{route}\n"
        + track("\n".join(points[:half]))
        + track("\n".join(points[half:]) + "\n</trkseg><trkseg>\n" + PLAIN)
    )


def test_agrees_point_for_point_with_gpxpy(tmp_path):
    path = save(tmp_path, ordinary())
    ours = read(path)
    theirs = gpxpy.parse(path.read_text("utf-8"))
    points = [
        (p.longitude, p.latitude, p.elevation, p.time, i, k)
        for i, t in enumerate(theirs.tracks)
        for k, s in enumerate(t.segments)
        for p in s.points
    ]
    assert len(points) == len(ours.tracks) == ours.counts["track_points"]
    np.testing.assert_array_equal(ours.tracks.lon, [p[0] for p in points])
    np.testing.assert_array_equal(ours.tracks.lat, [p[1] for p in points])
    heights = [np.nan if p[2] is None else p[2] for p in points]
    np.testing.assert_array_equal(ours.tracks.elevation_m, heights)
    times = [np.datetime64("NaT") if p[3] is None else p[3].replace(tzinfo=None) for p in points]
    np.testing.assert_array_equal(ours.tracks.time, np.array(times, "datetime64[us]"))
    np.testing.assert_array_equal(ours.tracks.line, [p[4] for p in points])
    assert len(np.unique(ours.tracks.segment)) == sum(len(t.segments) for t in theirs.tracks)
    waypoints = theirs.waypoints
    assert [w.name or "" for w in waypoints] == ours.waypoints.name.tolist()
    assert [w.description or "" for w in waypoints] == ours.waypoints.note.tolist()
    assert [w.symbol for w in waypoints] == ours.waypoints.symbol.tolist()
    assert [w.longitude for w in waypoints] == ours.waypoints.lon.tolist()
    assert [p.latitude for p in theirs.routes[0].points] == ours.routes.lat.tolist()
    assert ours.rejected == ()
    assert ours.dropped_fields == {}


def test_agrees_point_for_point_with_gdal(tmp_path):
    path = save(tmp_path, ordinary())
    ours = read(path)
    theirs = pyogrio.read_dataframe(path, layer="track_points", use_arrow=False)
    np.testing.assert_array_equal(ours.tracks.lon, theirs.geometry.x)
    np.testing.assert_array_equal(ours.tracks.lat, theirs.geometry.y)
    np.testing.assert_array_equal(ours.tracks.elevation_m, theirs["ele"])
    np.testing.assert_array_equal(ours.tracks.line, theirs["track_fid"])
    np.testing.assert_array_equal(ours.tracks.hdop, theirs["hdop"])
    waypoints = pyogrio.read_dataframe(path, layer="waypoints", use_arrow=False)
    assert waypoints["name"].fillna("").tolist() == ours.waypoints.name.tolist()


# -- the fast way and the careful way are one -----------------------------------------------------


def columns_of(contents):
    out = {}
    for name in ("tracks", "routes", "waypoints"):
        table = getattr(contents, name)
        for key, values in {**table.to_columns(), **table.extra}.items():
            filled = values
            if values.dtype.kind == "M":
                filled = values.astype(np.int64)
            elif values.dtype.kind == "f":
                filled = np.where(np.isnan(values), 1e99, values)
            out[name, key] = filled.tolist()
    return out


PIECES = st.sampled_from(
    [
        PLAIN,
        PLAIN,
        PLAIN,
        '<trkpt lat="-1" lon="180"/>',
        '<trkpt lon="7." lat="-.5" />',
        '<trkpt lon="7" lat="5"></trkpt>',
        '<trkpt lat="91" lon="2"><ele>1</ele></trkpt>',
        '<trkpt lat="1" lon="-180.5"><time>2031-05-04T06:00:00Z</time></trkpt>',
        '<trkpt lat="1" lon="2"><time>2031-02-30T06:00:00Z</time></trkpt>',
        '<trkpt lat="1" lon="2"><time>0000-02-03T06:00:00Z</time></trkpt>',
        '<trkpt lat="1" lon="2"><time>2031-02-03T24:00:00Z</time></trkpt>',
        '<trkpt lat="1" lon="2"><time>2031-02-03T06:00:00.5Z</time></trkpt>',
        '<trkpt lat="1" lon="2"><time>2031-02-03T06:00:00.1234567Z</time></trkpt>',
        '<trkpt lat="1" lon="2"><time>2031-02-03T06:00:00</time></trkpt>',
        '<trkpt lat="1" lon="2"><time>2031-02-03T06:00:00Z</time><ele>4</ele></trkpt>',
        '<trkpt lat="1" lon="2"><ele>undefined</ele></trkpt>',
        '<trkpt lat="1" lon="2"><ele>3</ele><hdop>2</hdop></trkpt>',
        "<trkpt lat='1' lon='2'/>",
        RICH,
        RICH,
        RICH,
        RICH.replace("<sat>8", "<sat>8.5").replace("dgps", "rtk"),
        RICH.replace("<hdop>0.9", "<hdop>-1").replace("<x:h>90</x:h>", ""),
        RICH.replace("<x:h>90", "<x:h a='1'>90"),
        RICH.replace("<x:h>90", "<x:h>&lt;"),
        RICH.replace("x:", "a:"),
        RICH.replace("<name>p", "<name> p &amp; "),
        '<trkpt lat="x" lon="2"/>',
        '<trkpt lon="2"/>',
        f"<!-- {PLAIN} -->",
        f"<trkpt lat='1' lon='3'><name><![CDATA[{PLAIN}]]></name></trkpt>",
        f"<trkpt lat='1' lon='3'><extensions>{PLAIN}</extensions></trkpt>",
        f"<?note {PLAIN}?>",
        f"</trkseg></trk><rte><name>r</name></rte>{PLAIN}<trk><trkseg>",
        f"</trkseg>{PLAIN}<trkseg>",
        f'</trkseg></trk><wpt lat="1" lon="2"><desc><![CDATA[{PLAIN}]]></desc></wpt><trk><trkseg>',
        "</trkseg><trkseg>",
        "\r\n",
        "\n\n",
        "loose text",
    ]
)


@settings(max_examples=250, deadline=None)
@given(
    pieces=st.lists(st.tuples(PIECES, st.integers(1, 15)), max_size=20),
    chunk=st.integers(20, 4000) | st.just(1 << 20),
)
def test_runs_give_what_the_careful_way_gives(tmp_path_factory, monkeypatch_module, pieces, chunk):
    monkeypatch_module.setattr("athwart.formats.gpx_bytes.PIECE", chunk)
    text = gpx(track("\n".join(piece for piece, times in pieces for _ in range(times)))).replace(
        "<gpx", f'<gpx xmlns:x="urn:x" xmlns:a="{NAMESPACE}"'
    )
    path = save(tmp_path_factory.mktemp("runs"), text)
    fast, careful = (
        gpx_read._read_as(path, ReadOptions(), "utf-8", runs=runs) for runs in (True, False)
    )
    assert columns_of(fast) == columns_of(careful)
    assert fast.counts == careful.counts
    assert fast.rejected == careful.rejected
    assert fast.dropped_fields == careful.dropped_fields
    assert fast.words == careful.words


@pytest.fixture(scope="module")
def monkeypatch_module():
    with pytest.MonkeyPatch.context() as patch:
        yield patch


def test_a_run_in_another_namespace_is_no_track(tmp_path):
    text = gpx(f'<trk><trkseg><x:o xmlns:x="urn:x" xmlns="urn:y">{PLAIN * 9}</x:o></trkseg></trk>')
    contents = read(save(tmp_path, text))
    assert contents.counts["track_points"] == 0
    assert any("extension" in w for w in contents.words)


# -- imperfect files --------------------------------------------------------------------------------

TWO = '<wpt lat="1" lon="2"><name>é</name></wpt><wpt lat="3" lon="4"><name>b</name></wpt>'


@pytest.mark.parametrize(
    "data",
    [
        gpx(TWO),
        gpx(TWO, namespace=""),
        gpx(TWO, version="1.0", namespace=GPX_10),
        gpx(TWO, version="9.7x", namespace="http://example.org/odd"),
        gpx(TWO, head=""),
        "\n\n  " + gpx(TWO),
        gpx(TWO).replace('lat="', "lat = '").replace('" lon', "' lon"),
        gpx(TWO).replace("\n", "\r\n"),
        codecs.BOM_UTF8 + gpx(TWO).encode(),
        gpx(TWO).replace("UTF-8", "ISO-8859-1").encode("latin-1"),
        gpx(TWO).replace("UTF-8", "windows-1252").encode("cp1252"),
        gpx(TWO).replace("UTF-8", "UTF-16").encode("utf-16"),
        gpx(TWO, head="").encode("utf-16-le"),
        gpx(TWO, head="").encode("utf-16-be"),
        gpx(TWO).replace("UTF-8", "UTF-16"),
        gpx(TWO).replace("UTF-8", "klingon"),
        gpx(TWO).encode("latin-1"),
        gpx(TWO).replace("é", "<![CDATA[é]]>"),
        gpx(TWO).replace("<wpt", "<odd>?</odd><wpt"),
        gpx(TWO).replace("<name>é", "<g:x>1</g:x><name>é"),
        gpx(f"<folder>{TWO}</folder>"),
        gpx(TWO).replace("<gpx", "<!DOCTYPE gpx>\n<gpx"),
        gpx(TWO).replace("<", "<g:").replace("<g:/", "</g:").replace("<g:?", "<?").replace("xmlns", "xmlns:g"),
    ],
    ids=[
        "plain", "no namespace", "1.0", "odd version", "no declaration", "blank lines first",
        "spaces around =", "CRLF", "BOM", "Latin-1", "Windows-1252", "UTF-16", "UTF-16 LE bare",
        "UTF-16 BE bare", "says UTF-16", "unknown encoding", "says UTF-8", "CDATA",
        "unknown element", "unbound prefix", "wrapped", "bare doctype", "prefixed",
    ],
)  # fmt: skip
def test_odd_files_are_read_whole(tmp_path, data):
    contents = read(save(tmp_path, data))
    assert contents.waypoints.name.tolist() == ["é", "b"]
    assert contents.waypoints.lon.tolist() == [2, 4]
    assert contents.counts["waypoints"] == 2


@pytest.mark.parametrize("wrong", ["UTF-16", "klingon"])
def test_a_wrong_encoding_is_said(tmp_path, wrong):
    contents = read(save(tmp_path, gpx(TWO).replace("UTF-8", wrong)))
    assert wrong in contents.words[0]


def test_bytes_that_are_not_utf8_are_said(tmp_path):
    contents = read(save(tmp_path, gpx(TWO).encode("latin-1")))
    assert "declared encoding" in contents.words[0]


def test_order_in_the_root_does_not_matter(tmp_path):
    route = '<rte><rtept lat="5" lon="6"/></rte>'
    contents = read(save(tmp_path, gpx(track(PLAIN) + route + TWO)))
    assert (len(contents.tracks), len(contents.routes), len(contents.waypoints)) == (1, 1, 2)


def test_points_without_a_segment_or_a_track_are_read(tmp_path):
    contents = read(save(tmp_path, gpx(f"<trk>{PLAIN}</trk>{PLAIN}<trk><trkseg/></trk>")))
    assert len(contents.tracks) == 2
    assert len(np.unique(contents.tracks.line)) == 2
    assert contents.counts["tracks"] == 2
    assert any("outside a track" in w for w in contents.words)


def test_nested_points_all_count(tmp_path):
    text = '<wpt lat="1" lon="2"><name>a</name><wpt lat="3" lon="4"><name>b</name></wpt><sym>s</sym></wpt>'
    contents = read(save(tmp_path, gpx(text)))
    assert contents.waypoints.name.tolist() == ["a", "b"]
    assert contents.waypoints.symbol.tolist() == ["s", ""]


@pytest.mark.parametrize(
    ("field", "name"),
    [
        ("<ele>undefined</ele>", "ele"),
        ("<ele>NaN</ele>", "ele"),
        ("<ele>1,5</ele>", "ele"),
        ("<fix>rtk</fix>", "fix"),
        ("<time>yesterday</time>", "time"),
        ("<time>2031-13-01T00:00:00Z</time>", "time"),
        ("<sat>-3</sat>", "sat"),
        ("<sat>2.5</sat>", "sat"),
        ("<hdop>-1</hdop>", "hdop"),
        ("<magvar>361</magvar>", "magvar"),
        ("<dgpsid>1024</dgpsid>", "dgpsid"),
    ],
)
@pytest.mark.parametrize("tag", ["wpt", "trkpt", "rtept"])
def test_a_bad_optional_field_costs_that_field_only(tmp_path, tag, field, name):
    point = f'<{tag} lat="1" lon="2">{field}</{tag}>'
    around = {"wpt": point, "trkpt": track(point), "rtept": f"<rte>{point}</rte>"}[tag]
    contents = read(save(tmp_path, gpx(around)))
    table = {"wpt": contents.waypoints, "trkpt": contents.tracks, "rtept": contents.routes}[tag]
    assert table.lon.tolist() == [2]
    assert contents.dropped_fields == {name: 1}


@pytest.mark.parametrize("time", [" 2031-05-04T06:00:00Z\n", "2031-05-04T08:00:00+02:00"])
def test_a_time_with_blanks_or_an_offset_is_read(tmp_path, time):
    contents = read(save(tmp_path, gpx(f'<wpt lat="1" lon="2"><time>\n{time}</time></wpt>')))
    assert contents.waypoints.time[0] == np.datetime64("2031-05-04T06:00:00")
    assert contents.dropped_fields == {}


def test_a_time_without_a_zone_is_utc_and_said(tmp_path):
    body = '<wpt lat="1" lon="2"><time>2031-05-04T06:00:00</time></wpt>'
    contents = read(save(tmp_path, gpx(body)))
    assert contents.waypoints.time[0] == np.datetime64("2031-05-04T06:00:00")
    assert "UTC by the standard" in contents.words[0]


BAD_POSITIONS = [
    ('lat="100" lon="2"', "latitude-out-of-range", "latitude is 100"),
    ('lat="1" lon="180.5"', "longitude-out-of-range", "longitude is 180.5"),
    ('lat="NaN" lon="2"', "lat-unreadable", "'NaN', not a number"),
    ('lat="abc" lon="2"', "lat-unreadable", "'abc'"),
    ('lat="1,5" lon="2"', "lat-unreadable", "decimal point"),
    ('lat="1" lon=""', "lon-missing", "no longitude"),
    ('lon="2"', "lat-missing", "no latitude"),
    ('lat="1e999" lon="2"', "lat-unreadable", "1e999"),
    ('lat="1_0" lon="2"', "lat-unreadable", "1_0"),
]


@pytest.mark.parametrize(("position", "code", "words"), BAD_POSITIONS)
@pytest.mark.parametrize("tag", ["wpt", "trkpt", "rtept"])
def test_a_point_without_a_position_is_rejected_by_row(tmp_path, tag, position, code, words):
    points = f'<{tag} lat="1" lon="2"/>\n<{tag} {position}/>\n<{tag} lat="3" lon="4"/>'
    around = {"wpt": points, "trkpt": track(points), "rtept": f"<rte>\n{points}</rte>"}[tag]
    path = save(tmp_path, gpx(around))
    with pytest.raises(TableError, match=words) as caught:
        read(path)
    (fault,) = caught.value.rows
    assert (fault.row, fault.code) == (2, code)
    line = 1 + path.read_text().splitlines().index(f"<{tag} {position}/>")
    title = {"wpt": "waypoint", "trkpt": "track point", "rtept": "route point"}[tag]
    assert f"({title} 2, line {line})" in fault.message
    contents = read(path, skip_bad=True)
    table = {"wpt": contents.waypoints, "trkpt": contents.tracks, "rtept": contents.routes}[tag]
    assert table.lon.tolist() == [2, 4]
    kind = {"wpt": "waypoints", "trkpt": "track_points", "rtept": "route_points"}[tag]
    assert contents.counts[kind] == 3  # what the file holds, good or bad
    assert inspect(path).rejected == contents.rejected


def test_every_fault_is_listed(tmp_path):
    points = "".join(f"<wpt {p}/>" for p, _, _ in BAD_POSITIONS)
    with pytest.raises(TableError) as caught:
        read(save(tmp_path, gpx(points)))
    assert [r.row for r in caught.value.rows] == list(range(1, len(BAD_POSITIONS) + 1))
    assert len(str(caught.value).splitlines()) == len(BAD_POSITIONS)


def test_longitude_180_is_minus_180(tmp_path):
    contents = read(
        save(tmp_path, gpx(track('<trkpt lat="1" lon="180"/>\n<trkpt lat="-90" lon="-180"/>')))
    )
    assert contents.tracks.lon.tolist() == [-180, -180]


# -- files that are refused ------------------------------------------------------------------------

BOMB = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
    '<gpx><wpt lat="1" lon="2"><name>&b;</name></wpt></gpx>'
)
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
    '<gpx><wpt lat="1" lon="2"><name>&a;</name></wpt></gpx>'
)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (BOMB, "line 1: .* entities"),
        (OUTSIDE, "line 1: .* entities"),
        ('<!DOCTYPE gpx SYSTEM "http://example.org/x.dtd">\n<gpx/>', "line 1: .* entities"),
        (gpx(TWO)[:-30], "line 3: the file is cut short"),
        (gpx(TWO + "\n<wpt")[:-9], "cut short"),
        (gpx("<wpt lat='1' lon='2'>\n</rte>"), "line 4: .* no XML .*mismatched tag"),
        (gpx("<wpt lat='1' lon='2'><name>a & b</name></wpt>"), "line 3: .* no XML"),
        ("<kml><Document/></kml>", "line 1: the file starts with <kml>"),
        ('{"type": "FeatureCollection"}', "looks like JSON"),
        (b"PK\x03\x04rest", "zip archive"),
        ("hello", "it is not XML"),
        (b"\x00" * 40, "zero bytes"),
        (b"", "the file is empty"),
        (" \n ", "not XML"),
        ("$GPGGA,1*00", "NMEA log"),
    ],
)
def test_other_things_are_refused_in_one_sentence(tmp_path, data, words):
    with pytest.raises(FileError, match=words) as caught:
        read(save(tmp_path, data), skip_bad=True)
    assert str(caught.value).count("\n") == 0
    assert "/" not in str(caught.value).replace("</", "")


def test_the_ending_may_be_in_capitals(tmp_path):
    assert len(read(save(tmp_path, gpx(TWO), "A.GPX")).waypoints) == 2


# -- fields ----------------------------------------------------------------------------------------


def test_waypoint_fields(tmp_path):
    body = """<wpt lat="1" lon="2"><ele>-3.5</ele><time>2031-05-04T06:00:00Z</time>
      <magvar>7</magvar><name> A </name><cmt>one</cmt><desc>two</desc><src>s</src>
      <link href="http://example.org/a b"><text>T</text><type>image/png</type></link>
      <link href="b.png"/><sym>X</sym><type>Rock</type><fix>3d</fix><sat>9</sat></wpt>
      <wpt lat="1" lon="2"><cmt>same</cmt><desc>same</desc><type>odd</type></wpt>"""
    w = read(save(tmp_path, gpx(body))).waypoints
    assert w.elevation_m[0] == -3.5
    assert w.name[0] == "A"
    assert w.note.tolist() == ["one\ntwo", "same"]
    assert w.symbol[0] == "X"
    assert w.kind.tolist() == ["rock", ""]
    assert w.extra["type"].tolist() == ["", "odd"]
    assert w.links[0] == "http://example.org/a b\tT\timage/png\nb.png\t\t"
    assert w.extra["fix"][0] == "3d"
    assert w.extra["sat"][0] == 9
    assert w.extra["magvar"][0] == 7
    assert w.source_row.tolist() == [1, 2]


def test_gpx_10_links_course_and_speed(tmp_path):
    body = (
        '<wpt lat="1" lon="2"><url>http://example.org</url><urlname>n</urlname></wpt>'
        '<trk><trkseg><trkpt lat="1" lon="2"><course>90</course><speed>2.5</speed></trkpt></trkseg></trk>'
    )
    text = gpx(body, version="1.0", namespace=GPX_10)
    schema("1_0").validate(text)
    contents = read(save(tmp_path, text))
    assert contents.waypoints.links[0] == "http://example.org\tn\t"
    assert contents.tracks.course_deg[0] == 90
    assert contents.tracks.speed_mps[0] == 2.5


def test_foreign_extensions_are_kept_or_counted(tmp_path):
    foreign = '<x:a xmlns:x="urn:x" k="&lt;1">t<x:b/></x:a>'
    body = (
        f'<wpt lat="1" lon="2"><extensions>{foreign}</extensions></wpt>'
        + track(f'<trkpt lat="1" lon="2"><extensions>{foreign}</extensions></trkpt>')
        + f"<extensions>{foreign}</extensions>"
    )
    contents = read(save(tmp_path, gpx(body)))
    assert (
        contents.waypoints.extra["extensions"][0]
        == '<x:a xmlns:x="urn:x" k="&lt;1">t<x:b></x:b></x:a>'
    )
    assert any("extension elements of track points: 1" in w for w in contents.words)
    assert any("extension elements of tracks, routes or the file: 1" in w for w in contents.words)


def test_a_foreign_depth_is_read_only_where_it_is_named(tmp_path):
    body = '<wpt lat="1" lon="2"><extensions><x:w xmlns:x="urn:x"><x:d> 4.5</x:d></x:w></extensions></wpt>'
    path = save(tmp_path, gpx(body))
    assert np.isnan(read(path).waypoints.depth_m[0])
    named = read(path, options=ReadOptions(depth_element="{urn:x}d")).waypoints
    assert named.depth_m[0] == 4.5
    assert np.isnan(read(path, options=ReadOptions(depth_element="{urn:y}d")).waypoints.depth_m[0])


def test_broken_fields_of_ours_cost_the_field_or_the_mark(tmp_path):
    own = f'xmlns:a="{NAMESPACE}"'
    body = (
        f'<wpt lat="1" lon="2"><extensions><a:waypoint {own} depth_m="x" trip="t"/></extensions></wpt>'
        f'<wpt lat="1" lon="2"><name>n</name><extensions><a:mark {own} depth_m="3"/></extensions></wpt>'
    )
    contents = read(save(tmp_path, gpx(body)))
    assert contents.waypoints.trip.tolist() == ["t", ""]
    assert contents.waypoints.name.tolist() == ["", "n"]
    assert contents.dropped_fields == {"depth_m": 1, "mark fields of ours": 1}


def test_the_schema_agrees_on_longitude_180():
    # GPX 1.1 excludes 180, GPX 1.0 takes it (the two published schemas).
    for version, namespace, fine in (("1_1", GPX_11, False), ("1_0", GPX_10, True)):
        text = gpx(
            '<wpt lat="1" lon="180"/>', version=version.replace("_", "."), namespace=namespace
        )
        assert schema(version).is_valid(text) == fine
