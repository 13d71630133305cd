"""Hostile and huge input: refused with the figure and the way to raise the limit, in little memory.

What harms readers of XML is listed in W3C, "XML 1.0", and OWASP, "XML External Entity Prevention"
(from memory).
"""

import json
import os
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

import athwart
from athwart.boat import Boat
from athwart.errors import FileError, UsageError
from athwart.formats import inspect
from athwart.formats.heights import read_heights
from athwart.formats.shapes import read_shapes
from athwart.frame.layout import Layout
from athwart.frame.picture import read_picture
from athwart.input_limits import LIMITS, check_count, most
from athwart.plotter import Limits

ROOT = Path(athwart.__file__).parents[2]
GPX = '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
WPT = '<wpt lat="-46" lon="-20">'


def test_the_table_of_the_reference_is_the_module():
    page = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
    part = page.split("## Limits of what is read")[1].split("\n## ")[0]
    told = re.findall(r"^\| `(\w+)` \| (\d+) \| (.*) \|$", part, re.MULTILINE)
    assert told == [(x.variable, str(x.value), x.of) for x in LIMITS.values()]


@pytest.mark.parametrize("name", LIMITS)
def test_a_limit_is_raised_by_its_variable_and_named_by_its_refusal(monkeypatch, name):
    scale = most(name) // LIMITS[name].value
    found = most(name) + scale
    with pytest.raises(FileError, match=LIMITS[name].variable) as refused:
        check_count(name, found, "a.gpx")
    assert f" {LIMITS[name].value} " in str(refused.value)
    assert f" {found // scale} " in str(refused.value)
    monkeypatch.setenv(LIMITS[name].variable, str(LIMITS[name].value + 1))
    check_count(name, found, "a.gpx")


@pytest.mark.parametrize("text", ["0", "-1", "many", "1.5", "\u0661", "9" * 5000])
def test_a_variable_that_is_no_whole_number_is_refused(monkeypatch, text):
    monkeypatch.setenv("ATHWART_MAX_TEXT", text)
    with pytest.raises(UsageError, match="ATHWART_MAX_TEXT"):
        most("TEXT")


def written(folder, name, text):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def nested(n):
    return f"{GPX}{WPT}<extensions>{'<a>' * n}{'</a>' * n}</extensions></wpt></gpx>"


MANY = " ".join(f'a{i}=""' for i in range(100_000))
HOSTILE = {
    "text node": (f"{GPX}{WPT}<name>{'x' * 3_000_000}</name></wpt></gpx>", "TEXT"),
    "text in pieces": (f"{GPX}{WPT}<name>{'xxxx<!---->' * 400_000}</name></wpt></gpx>", "TEXT"),
    "text of an extension": (
        f'{GPX}{WPT}<extensions><a xmlns="b">{"x" * 2_000_000}</a></extensions></wpt></gpx>', "TEXT",
    ),
    "an attribute": (f'{GPX}{WPT}<extensions><a b="{"x" * 2_000_000}"/></extensions></wpt></gpx>', "TEXT"),
    "a tag without end": (f"{GPX}<{'x' * 9_000_000}/></gpx>", "TEXT"),
    "an attribute without end": (f'{GPX}<wpt lat="{"1" * 9_000_000}', "TEXT"),
    "a comment without end": (f"{GPX}<!-- {'x' * 9_000_000}", "TEXT"),
    "many attributes": (
        f"{GPX}<wpt {MANY}/></gpx>",
        "XML_ATTRIBUTES",
    ),
    "deep": (nested(100_000), "XML_DEPTH"),
    "deep, in nothing of GPX": (f"{GPX}{'<b>' * 100_000}", "XML_DEPTH"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "limit"), HOSTILE.values(), ids=HOSTILE)
def test_hostile_gpx_is_refused_at_its_line(tmp_path, text, limit):
    with pytest.raises(FileError, match=rf"^a.gpx: line 1 has \d+ .*{LIMITS[limit].variable}"):
        inspect(written(tmp_path, "a.gpx", text))


def test_as_much_as_is_allowed_is_read(tmp_path, monkeypatch):
    text = f"{GPX}{WPT}<name>{'x' * 900_000}</name></wpt></gpx>"
    assert len(inspect(written(tmp_path, "a.gpx", text)).waypoints.name[0]) == 900_000
    assert inspect(written(tmp_path, "b.gpx", nested(150))).counts["waypoints"] == 1
    monkeypatch.setenv("ATHWART_MAX_XML_DEPTH", "100")
    with pytest.raises(FileError, match="at most 100 are read"):
        inspect(tmp_path / "b.gpx")


def test_waypoints_are_counted(tmp_path, monkeypatch):
    monkeypatch.setenv("ATHWART_MAX_WAYPOINTS", "5")
    with pytest.raises(FileError, match="has 6 waypoints"):
        inspect(written(tmp_path, "a.gpx", f"{GPX}{(WPT + '</wpt>') * 6}</gpx>"))


SIZES = {
    "a.gpx": "GPX_MB", "a.csv": "TABLE_MB", "a.nmea": "LOG_MB", "a.geojson": "GIS_MB",
    "a.kml": "GIS_MB", "a.gpkg": "GIS_MB", "a.fgb": "GIS_MB", "a.shp": "GIS_MB",
}  # fmt: skip


@pytest.mark.parametrize("name", SIZES)
def test_a_file_over_its_size_is_refused_before_it_is_read(tmp_path, name):
    path = tmp_path / name
    with path.open("wb") as handle:  # a hole: no byte of it is on the disk
        handle.truncate(most(SIZES[name]) + 1_000_000)
    with pytest.raises(FileError, match=f"megabytes; .*{LIMITS[SIZES[name]].variable}"):
        inspect(path)


def test_settings_of_a_hundred_megabytes_and_numbers_without_end(tmp_path):
    large, deep = tmp_path / "large.toml", written(tmp_path, "deep.toml", "a=" + "[" * 100_000)
    with large.open("wb") as handle:
        handle.truncate(100_000_000)
    dotted = written(tmp_path, "dotted.toml", "a" + ".a" * 450_000 + "=1")
    inline = written(tmp_path, "inline.toml", 'b = {"c"' + " . 'a'" * 90_000 + "=1}")
    digits = written(tmp_path, "digits.toml", "a=" + "9" * 6000)
    for reader in (Boat.from_toml, Layout.from_toml, Limits.from_toml):
        with pytest.raises(FileError, match=r"has 100000 kilobytes; at most 1000"):
            reader(large)
        for path, said in (
            (deep, "brackets stand too deep"),
            (digits, "too many digits"),
            (dotted, "more than 100 parts"),
            (inline, "more than 100 parts"),
        ):
            with pytest.raises(FileError, match=said):
                reader(path)


def test_a_cell_and_a_table_of_heights_have_their_limits(tmp_path, monkeypatch):
    cell = written(tmp_path, "a.csv", f"lat,lon,name\n-46,-20,{'x' * 1_000_001}\n")
    with pytest.raises(FileError, match=r"line 2 has \d+ characters in one; at most 1000000"):
        inspect(cell)
    monkeypatch.setenv("ATHWART_MAX_ROWS", "2")
    with pytest.raises(FileError, match=r"has 3 rows; at most 2 are read"):
        inspect(written(tmp_path, "c.csv", "lat,lon\n" + "-46,-20\n" * 3))
    with pytest.raises(FileError, match=r"has 20003 columns; at most 10000"):
        inspect(written(tmp_path, "b.csv", f"lat,lon,{',' * 20_000}\n-46,-20\n"))
    monkeypatch.setenv("ATHWART_MAX_HEIGHTS", "2")
    with pytest.raises(FileError, match="has 3 rows"):
        read_heights(written(tmp_path, "h.csv", "time,height_m\n" + "2031-05-04T06:00Z,1\n" * 3))


@pytest.mark.parametrize("ending", ["geojson", "gpkg", "kml", "fgb"])
def test_a_text_in_a_layer_has_the_limit_of_a_cell(tmp_path, monkeypatch, ending):
    import geopandas
    import pyogrio
    from shapely import Point

    frame = geopandas.GeoDataFrame({"note": ["x" * 300]}, geometry=[Point(1, 2)], crs=4326)
    driver = {"driver": "LIBKML"} if ending == "kml" else {}
    pyogrio.write_dataframe(frame, tmp_path / f"a.{ending}", **driver)
    assert inspect(tmp_path / f"a.{ending}").counts["waypoints"] == 1
    monkeypatch.setenv("ATHWART_MAX_TEXT", "299")
    for reader in (inspect, read_shapes):
        with pytest.raises(FileError, match="column 'note' has 300 characters in one; at most 299"):
            reader(tmp_path / f"a.{ending}")


@pytest.mark.parametrize("ending", ["geojson", "gpkg", "kml", "fgb", "shp"])
def test_no_more_rows_of_a_layer_are_read_than_allowed(tmp_path, monkeypatch, ending):
    import geopandas
    import pyogrio
    from shapely import Point

    points = [Point(1, 2), Point(1, 3), Point(1, 4), Point(1, 5)]
    frame = geopandas.GeoDataFrame({"name": list("abcd")}, geometry=points, crs=4326)
    driver = {"driver": "LIBKML"} if ending == "kml" else {}
    pyogrio.write_dataframe(frame, tmp_path / f"a.{ending}", **driver)
    monkeypatch.setenv("ATHWART_MAX_ROWS", "4")
    assert inspect(tmp_path / f"a.{ending}").counts["waypoints"] == 4
    monkeypatch.setenv("ATHWART_MAX_ROWS", "2")
    for reader in (inspect, read_shapes):
        with pytest.raises(FileError, match="has 4 rows; at most 2 are read"):
            reader(tmp_path / f"a.{ending}")


def test_a_most_of_rows_takes_no_memory_for_rows_that_are_not_there(tmp_path):
    import tracemalloc

    import geopandas
    from shapely import Point

    frame = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[Point(1, 2)], crs=4326)
    frame.to_file(tmp_path / "a.kml", driver="LIBKML")
    inspect(tmp_path / "a.kml")  # the libraries are there now
    tracemalloc.start()
    try:
        inspect(tmp_path / "a.kml")
        assert tracemalloc.get_traced_memory()[1] < 5e6
    finally:
        tracemalloc.stop()


def test_vertices_are_counted(tmp_path, monkeypatch):
    monkeypatch.setenv("ATHWART_MAX_VERTICES", "3")
    ring = [[0, 0], [1, 0], [1, 1], [0, 0]]
    shape = {"type": "Polygon", "coordinates": [ring]}
    text = json.dumps({"type": "Feature", "properties": {}, "geometry": shape})
    with pytest.raises(FileError, match="has 4 vertices"):
        read_shapes(written(tmp_path, "a.geojson", text))


def png_of(width, height):
    """The head of a picture and a little of its rows: PNG, second edition, 11.2."""

    def chunk(kind, data):
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return (
        b"\x89PNG\r\n\x1a\n"
        + head
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("side", "said"), [(8000, "64 million"), (14_200, "more than 179 million")]
)
def test_a_picture_of_too_many_pixels_is_refused_before_it_is_opened(side, said):
    with pytest.raises(FileError, match=rf"{said}.*ATHWART_MAX_PICTURE_MEGAPIXELS"):
        read_picture(png_of(side, side))


@pytest.mark.parametrize("size", [(30_001, 4), (4, 4_194_324)])
def test_a_picture_with_a_side_that_no_screen_has_is_refused_before_it_is_opened(size):
    """Few bytes, within the pixels of a picture, took 5 s and 565 MB."""
    words = f"is {size[0]} x {size[1]} pixels; a side may have 30000.*ATHWART_MAX_PICTURE_SIDE"
    with pytest.raises(FileError, match=words):
        read_picture(png_of(*size))


CHILD = """
import re, sys
from pathlib import Path
from athwart.errors import AthwartError
from athwart.formats import inspect
for name in sys.argv[1:]:
    try:
        inspect(Path(name))
        print("read", name)
    except AthwartError as error:
        print("refused", error)
# The kernel's own peak of this program: what getrusage tells begins with the parent's.
print(re.search(r"VmHWM:\\s*(\\d+)", Path("/proc/self/status").read_text())[1])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is read where Linux tells it")
def test_what_other_libraries_read_for_us_ends_in_a_sentence_and_not_in_a_crash(tmp_path):
    """Deep KML and JSON go to GDAL; a program of its own shows that it lives through them."""
    point = '{"type":"Point","coordinates":[0,0]}'
    deep = '{"a":' * 100_000 + "1" + "}" * 100_000
    feature = f'{{"type":"Feature","geometry":{point},"properties":{deep}}}'
    folders = "<Folder>" * 50_000 + "</Folder>" * 50_000
    collections = '{"type":"GeometryCollection","geometries":[' * 5000 + point + "]}" * 5000
    entities = "".join(
        f"<!ENTITY b{i} '{more}'>"
        for i, more in enumerate(["b", *(f"&b{i};" * 10 for i in range(8))])
    )
    files = {
        "a.geojson": f'{{"type":"FeatureCollection","features":[{feature}]}}',
        "b.geojson": f'{{"type":"Feature","properties":{{}},"geometry":{collections}}}',
        "c.kml": f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{folders}</Document></kml>',
        "d.gpx": f"<!DOCTYPE gpx [{entities}]>{GPX}{WPT}<name>&b8;</name></wpt></gpx>",
        "e.kml": f"<!DOCTYPE kml [{entities}]><kml><Document><name>&b8;</name></Document></kml>",
    }
    for name, text in files.items():
        written(tmp_path, name, text)
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "src")}
    done = subprocess.run(
        [sys.executable, "-c", CHILD, *files],
        cwd=tmp_path, env=environment, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    assert len(done.stdout.splitlines()) == len(files) + 1, done.stdout
    assert int(done.stdout.splitlines()[-1]) < 600_000
    assert done.stdout.count("refused") >= 3
