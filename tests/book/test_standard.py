"""The rules of the GeoPackage standard: nothing found on good files, everything that is planted.

Outside checks: files made by GDAL and by fudgeo keep every rule, and GDAL warns of the same dates
and times. The rules themselves are from memory of the OGC GeoPackage Encoding Standard.
"""

import shutil
import sqlite3
import struct
from contextlib import closing

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from athwart.book.standard import gdal_says, standard_faults
from athwart.contents import Contents
from athwart.formats import write
from athwart.tables import Marks, Sightings, Track

N = 12
RNG = np.random.default_rng(20310504)


def put(path, layer, shapes, **rest):
    n = len(shapes)
    frame = geopandas.GeoDataFrame(
        {
            "name": [f"n{i}" for i in range(n)],
            "hazard": np.arange(n) % 2 == 0,
            "time": pd.date_range("2031-05-04T06:00:00.250Z", periods=n, freq="s"),
            "depth": np.linspace(1, 2, n),
        },
        geometry=shapes,
        crs=4326,
    )
    pyogrio.write_dataframe(frame, path, layer=layer, driver="GPKG", use_arrow=False, **rest)


def places(n):
    ends = np.array([[-180.0, -90.0], [180.0, 90.0], [0.0, 0.0], [-1e-12, 1e-300]])
    return np.vstack([ends, RNG.uniform((-180, -90), (180, 90), (n - 4, 2))])


def spans(n):
    return shapely.linestrings(np.stack([places(n), places(n)], axis=1))


def areas(n):
    return shapely.buffer(shapely.points(RNG.uniform(-80, 80, (n, 2))), 0.1, quad_segs=2)


def faults_of(path):
    with closing(sqlite3.connect(path)) as connection:
        return standard_faults(connection)


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """A file of GDAL's with points, lines, areas, points with a height, and attributes."""
    path = tmp_path_factory.mktemp("good") / "good.gpkg"
    put(path, "points", shapely.points(places(N)))
    put(path, "lines", spans(N))
    put(path, "areas", areas(N))
    put(path, "high", shapely.linestrings(RNG.uniform(-9, 9, (N, 3, 3))))
    pyogrio.write_dataframe(
        pd.DataFrame({"word": ["a", "b"]}), path, layer="words", driver="GPKG", use_arrow=False
    )
    return path


# -- good files --------------------------------------------------------------------------------


def test_a_file_of_gdal_with_several_layers_is_good(good):
    assert faults_of(good) == []
    assert gdal_says(good) == []


@pytest.mark.parametrize(
    "shapes",
    [
        shapely.points(places(5000)),
        spans(5000),
        areas(500),
        shapely.points(RNG.uniform(-9, 9, (50, 3))),
        shapely.multipoints(shapely.points(places(20)).reshape(10, 2)),
        np.array([shapely.Point(1, 2), None, shapely.Point(), shapely.Point(3, 4)]),
        np.array([shapely.Point(1, 2), shapely.box(0, 0, 1, 1), shapely.LineString()]),
        np.array([shapely.Point()]),
        np.array([None]),
    ],
    ids=["points", "lines", "areas", "heights", "multi", "gaps", "mixed", "empty", "none"],
)
def test_a_file_of_gdal_with_one_layer_is_good(tmp_path, shapes):
    put(tmp_path / "a.gpkg", "one", shapes)
    assert faults_of(tmp_path / "a.gpkg") == []
    assert gdal_says(tmp_path / "a.gpkg") == []


@pytest.mark.parametrize("version", ["1.2", "1.3", "1.4"])
def test_every_version_of_gdal_is_good(tmp_path, version):
    put(tmp_path / "a.gpkg", "one", shapely.points(places(9)), dataset_options={"VERSION": version})
    assert faults_of(tmp_path / "a.gpkg") == []


def test_a_table_of_attributes_alone_is_good(tmp_path):
    path = tmp_path / "a.gpkg"
    pyogrio.write_dataframe(pd.DataFrame({"n": [1, 2]}), path, driver="GPKG", use_arrow=False)
    assert faults_of(path) == []
    assert gdal_says(path) == []


def fudgeo_file(path):
    from fudgeo import Field, GeoPackage
    from fudgeo.geometry import LineString, Point, PointZM, Polygon

    package = GeoPackage.create(path, flavor="EPSG")
    wgs84 = package.spatial_references[4326]
    fields = [
        Field("name", "TEXT", size=8),
        Field("time", "DATETIME"),
        Field("day", "DATE"),
        Field("hazard", "BOOLEAN"),
        Field("depth", "DOUBLE"),
        Field("count", "INTEGER"),
    ]
    package.create_feature_class("points", wgs84, fields=fields)
    package.create_feature_class("lines", wgs84, shape_type="LINESTRING")
    package.create_feature_class("areas", wgs84, shape_type="POLYGON")
    package.create_feature_class("high", wgs84, z_enabled=True, m_enabled=True)
    package.create_table("words", fields=fields)
    connection = package.connection
    row = ("n", "2031-05-04T06:00:00.250Z", "2031-05-04", True, 1.5, 3)
    with connection:
        for x, y in places(50).tolist():
            connection.execute(
                "INSERT INTO points (SHAPE, name, time, day, hazard, depth, count) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (Point(x=x, y=y, srs_id=4326), *row),
            )
            line = LineString([(x, y), (x / 2, y / 3), (0, 0)], srs_id=4326)
            connection.execute("INSERT INTO lines (SHAPE) VALUES (?)", (line,))
            area = Polygon([[(x, y), (x + 1, y), (x, y + 1), (x, y)]], srs_id=4326)
            connection.execute("INSERT INTO areas (SHAPE) VALUES (?)", (area,))
            high = PointZM(x=x, y=y, z=1, m=2, srs_id=4326)
            connection.execute("INSERT INTO high (SHAPE) VALUES (?)", (high,))
        connection.execute("INSERT INTO words VALUES (1, ?, ?, ?, ?, ?, ?)", row)
        connection.execute("UPDATE points SET fid = 999 WHERE fid = 3")
        connection.execute("DELETE FROM lines WHERE fid < 9")
    return package


def test_a_file_of_fudgeo_is_good(tmp_path):
    path = tmp_path / "a.gpkg"
    package = fudgeo_file(path)
    try:
        # a connection that turns declared types into objects of its own
        assert standard_faults(package.connection) == []
    finally:
        package.connection.close()
    assert faults_of(path) == []
    # the reader beside GDAL has no M, which is no fault of the file
    assert [words for words in gdal_says(path) if "Measured (M)" not in words] == []


def test_a_file_of_our_own_writer_is_good(tmp_path):
    lon, lat = places(40).T
    lon = np.where(lon == 180, -180, lon)
    text = [f"s{i}" for i in range(40)]
    time = np.datetime64("2031-05-04T06:00:00", "us") + np.arange(40).astype("m8[s]")
    contents = Contents(
        source="a",
        format="b",
        sightings=Sightings.from_columns(
            {"sighting_id": text, "lon": lon, "lat": lat, "time": time, "hazard": [True] * 40}
        ),
        marks=Marks.from_columns({"mark_id": text, "lon": lon, "lat": lat, "name": text}),
        tracks=Track.from_columns({"lon": lon, "lat": lat, "time": time}),
    )
    write(tmp_path / "a.gpkg", contents)
    assert faults_of(tmp_path / "a.gpkg") == []
    assert gdal_says(tmp_path / "a.gpkg") == []


# -- planted damage ----------------------------------------------------------------------------


def patch(blob, at, new):
    return blob[:at] + new + blob[at + len(new) :]


def damaged(good, folder, sql):
    """Run SQL on a copy, the triggers of its spatial indexes taken off meanwhile."""
    path = folder / "bad.gpkg"
    shutil.copy(good, path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.create_function("patch", 3, patch)
        triggers = connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'rtree%'"
        ).fetchall()
        if "TRIGGER" not in sql and "RENAME" not in sql:
            for name, _ in triggers:
                connection.execute(f'DROP TRIGGER "{name}"')
        connection.executescript(sql)
        if "TRIGGER" not in sql and "RENAME" not in sql:
            for _, text in triggers:
                connection.execute(text)
        connection.commit()
    return path


def geom(at, new, table="points", fid=3):
    return f"UPDATE {table} SET geom = patch(geom, {at}, x'{new.hex()}') WHERE fid = {fid}"


def number(value):
    return struct.pack("<d", value)


NAN = number(float("nan"))
EMPTY_LINE = b"GP\x00\x13\xe6\x10\x00\x00" + number(0) * 4 + struct.pack("<BII", 1, 2, 0)

HEAD = [
    (
        "PRAGMA application_id = 7",
        "the file calls itself 0x00000007 instead of GPKG (0x47504b47) (GeoPackage: application id)",
    ),
    (
        "PRAGMA user_version = 10100",
        "the file gives its version as 10100; versions 1.2 to 1.4 are 10200 to 10499 "
        "(GeoPackage: user version)",
    ),
    (
        "PRAGMA user_version = 10500",
        "the file gives its version as 10500; versions 1.2 to 1.4 are 10200 to 10499 "
        "(GeoPackage: user version)",
    ),
]

REFERENCES = [
    (
        "DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = -1",
        "gpkg_spatial_ref_sys: the row of srs_id -1 is missing "
        "(GeoPackage: gpkg_spatial_ref_sys, records that must be there)",
    ),
    (
        "UPDATE gpkg_spatial_ref_sys SET organization_coordsys_id = 4258 WHERE srs_id = 4326",
        "gpkg_spatial_ref_sys, srs_id 4326: it stands for EPSG 4258 instead of EPSG 4326 "
        "(GeoPackage: gpkg_spatial_ref_sys, records that must be there)",
    ),
    (
        "UPDATE gpkg_spatial_ref_sys SET definition = 'any' WHERE srs_id = 0",
        "gpkg_spatial_ref_sys, srs_id 0: the definition must be 'undefined' "
        "(GeoPackage: gpkg_spatial_ref_sys, records that must be there)",
    ),
    (
        "UPDATE gpkg_spatial_ref_sys SET definition = '' WHERE srs_id = 4326",
        "gpkg_spatial_ref_sys, srs_id 4326: there is no definition; it must be well-known text "
        "(GeoPackage: gpkg_spatial_ref_sys definition)",
    ),
    (
        "ALTER TABLE gpkg_spatial_ref_sys RENAME COLUMN description TO words",
        "gpkg_spatial_ref_sys: the column description is missing "
        "(GeoPackage: gpkg_spatial_ref_sys columns)",
    ),
]

CONTENTS = [
    (
        "INSERT INTO gpkg_contents (table_name, data_type) VALUES ('gone', 'attributes')",
        "gpkg_contents, gone: the table does not exist (GeoPackage: gpkg_contents table_name)",
    ),
    (
        "UPDATE gpkg_contents SET data_type = 'aspatial' WHERE table_name = 'words'",
        "gpkg_contents, words: the data type is 'aspatial'; it must be features, attributes or "
        "tiles (GeoPackage: gpkg_contents data_type)",
    ),
    *(
        (
            f"UPDATE gpkg_contents SET last_change = '{bad}' WHERE table_name = 'words'",
            f"gpkg_contents, words: the last change is {bad!r}; it must read like "
            "2024-05-01T12:30:00.000Z (GeoPackage: gpkg_contents last_change)",
        )
        for bad in ("2031-05-04 06:00:00", "2031-05-04T06:00:00", "2031-13-04T06:00:00Z", "")
    ),
    (
        "UPDATE gpkg_contents SET min_x = NULL WHERE table_name = 'points'",
        "gpkg_contents, points: the bounding box is not four numbers "
        "(GeoPackage: gpkg_contents bounding box)",
    ),
    (
        "UPDATE gpkg_contents SET max_x = 9e999 WHERE table_name = 'points'",
        "gpkg_contents, points: the bounding box is not four numbers "
        "(GeoPackage: gpkg_contents bounding box)",
    ),
    (
        "UPDATE gpkg_contents SET min_y = 5, max_y = 4, min_x = 0, max_x = 1 "
        "WHERE table_name = 'words'",
        "gpkg_contents, words: the bounding box ends before it begins "
        "(GeoPackage: gpkg_contents bounding box)",
    ),
    (
        "UPDATE gpkg_contents SET max_x = 179.999 WHERE table_name = 'points'",
        "gpkg_contents, points: the bounding box leaves out 1 feature "
        "(GeoPackage: gpkg_contents bounding box)",
    ),
    (
        "UPDATE gpkg_contents SET min_y = -89.999 WHERE table_name = 'points'",
        "gpkg_contents, points: the bounding box leaves out 1 feature "
        "(GeoPackage: gpkg_contents bounding box)",
    ),
    (
        "PRAGMA foreign_keys = 0; UPDATE gpkg_contents SET srs_id = 99 WHERE table_name = 'words'",
        "gpkg_contents, words: srs_id 99 is not in gpkg_spatial_ref_sys "
        "(GeoPackage: gpkg_contents srs_id)",
        "gpkg_contents, row 5: refers to a row of gpkg_spatial_ref_sys that is not there "
        "(GeoPackage: foreign keys)",
    ),
    (
        "CREATE TABLE gpkg_mine (fid INTEGER PRIMARY KEY); "
        "INSERT INTO gpkg_contents (table_name, data_type) VALUES ('gpkg_mine', 'attributes')",
        "gpkg_contents, gpkg_mine: a user's table must not have a name of the standard's, of "
        "SQLite's or of a spatial index (GeoPackage: gpkg_contents table_name)",
    ),
    (
        'CREATE TABLE "a\tb" (fid INTEGER PRIMARY KEY); '
        "INSERT INTO gpkg_contents (table_name, data_type) VALUES ('a\tb', 'attributes')",
        r"gpkg_contents, 'a\tb': a table's name must be of characters that can be seen "
        "(GeoPackage: gpkg_contents table_name)",
    ),
    (
        "CREATE TABLE t (fid INTEGER PRIMARY KEY); "
        "INSERT INTO gpkg_contents (table_name, data_type, srs_id) VALUES ('t', 'tiles', 0)",
        "t: a table of tiles without its row in gpkg_tile_matrix_set "
        "(GeoPackage: gpkg_tile_matrix_set)",
    ),
    (
        "INSERT INTO gpkg_contents (table_name, data_type) VALUES ('WORDS', 'attributes')",
        "gpkg_contents, WORDS: the table is listed twice (GeoPackage: gpkg_contents table_name)",
    ),
    (
        "CREATE TABLE loose (fid INTEGER PRIMARY KEY)",
        "loose: the table is not listed in gpkg_contents (GeoPackage: gpkg_contents table_name)",
    ),
    (
        "CREATE TABLE gpkg_metadata (id INTEGER PRIMARY KEY)",
        "gpkg_metadata: the table belongs to an extension that gpkg_extensions does not name "
        "(GeoPackage: gpkg_extensions table_name)",
    ),
]

GEOMETRY_COLUMNS = [
    (
        "UPDATE gpkg_geometry_columns SET geometry_type_name = 'Dot' WHERE table_name = 'points'",
        "gpkg_geometry_columns, points: 'Dot' is no geometry type; one is, in capitals, GEOMETRY, "
        "POINT, LINESTRING, POLYGON, MULTIPOINT, MULTILINESTRING, MULTIPOLYGON, "
        "GEOMETRYCOLLECTION (GeoPackage: gpkg_geometry_columns geometry_type_name)",
        "points: the column geom is declared POINT, but gpkg_geometry_columns says Dot "
        "(GeoPackage: geometry column type)",
    ),
    (
        "UPDATE gpkg_geometry_columns SET geometry_type_name = 'CURVE' WHERE table_name = 'lines'",
        "gpkg_geometry_columns, lines: CURVE needs the extension gpkg_geom_CURVE, which is not "
        "registered (GeoPackage: gpkg_geometry_columns geometry_type_name)",
        "lines: the column geom is declared LINESTRING, but gpkg_geometry_columns says CURVE "
        "(GeoPackage: geometry column type)",
    ),
    (
        "UPDATE gpkg_geometry_columns SET z = 3 WHERE table_name = 'points'",
        "gpkg_geometry_columns, points: z is 3; it must be 0, 1 or 2 "
        "(GeoPackage: gpkg_geometry_columns z)",
    ),
    (
        "UPDATE gpkg_geometry_columns SET m = 'no' WHERE table_name = 'points'",
        "gpkg_geometry_columns, points: m is 'no'; it must be 0, 1 or 2 "
        "(GeoPackage: gpkg_geometry_columns m)",
    ),
    (
        "UPDATE gpkg_contents SET srs_id = 0 WHERE table_name = 'points'",
        "gpkg_geometry_columns, points: srs_id 4326 is not that of gpkg_contents, 0 "
        "(GeoPackage: gpkg_geometry_columns srs_id)",
    ),
    (
        "UPDATE gpkg_contents SET data_type = 'attributes' WHERE table_name = 'high'",
        "gpkg_geometry_columns, high: gpkg_contents does not list it as features "
        "(GeoPackage: gpkg_geometry_columns table_name)",
    ),
    (
        "CREATE TABLE more (fid INTEGER PRIMARY KEY); INSERT INTO gpkg_contents "
        "(table_name, data_type, srs_id) VALUES ('more', 'features', 4326)",
        "gpkg_geometry_columns: the features of more have no row "
        "(GeoPackage: gpkg_geometry_columns table_name)",
    ),
    (
        "UPDATE gpkg_geometry_columns SET column_name = 'shape' WHERE table_name = 'points'",
        "gpkg_geometry_columns, points: the table has no column shape "
        "(GeoPackage: gpkg_geometry_columns column_name)",
        "points: the column geom is POINT; only features have a geometry, and one "
        "(GeoPackage: geometry columns)",
        "gpkg_extensions: a spatial index is registered for points (geom), which is no geometry "
        "column (GeoPackage: R-tree extension, gpkg_extensions rows)",
    ),
    (
        "ALTER TABLE words ADD COLUMN place POINT",
        "words: the column place is POINT; only features have a geometry, and one "
        "(GeoPackage: geometry columns)",
    ),
]

NO_KEY = (
    "there is no INTEGER PRIMARY KEY; every table of attributes must have one "
    "(GeoPackage: attributes table primary key)"
)
LISTED = "INSERT INTO gpkg_contents (table_name, data_type) VALUES ('t', 'attributes')"
TYPES = "(GeoPackage: table column data types)"


def value(type_, bad, words):
    sql = (
        f"ALTER TABLE points ADD COLUMN v {type_}; UPDATE points SET v = {bad} WHERE fid IN (5, 7)"
    )
    return sql, f"points, 2 rows, the first row 5: v {words} {TYPES}"


DAY, TIME = "must be a date like 2024-05-01", "must be a time like 2024-05-01T12:30:00.000Z"
TABLES = [
    (f"CREATE TABLE t (a TEXT); {LISTED}", f"t: {NO_KEY}"),
    (f"CREATE TABLE t (a TEXT PRIMARY KEY); {LISTED}", f"t: {NO_KEY}"),
    (f"CREATE TABLE t (a INT PRIMARY KEY); {LISTED}", f"t: {NO_KEY}"),
    (f"CREATE TABLE t (a INTEGER PRIMARY KEY) WITHOUT ROWID; {LISTED}", f"t: {NO_KEY}"),
    (
        f"CREATE TABLE t (a INTEGER, b INTEGER, PRIMARY KEY (a, b)); {LISTED}",
        f"t: {NO_KEY}",
    ),
    (
        "ALTER TABLE words ADD COLUMN v TIMESTAMP",
        f"words: the column v is TIMESTAMP, which the standard does not know {TYPES}",
    ),
    (
        "ALTER TABLE words ADD COLUMN v",
        f"words: the column v is of no type, which the standard does not know {TYPES}",
    ),
    (
        'ALTER TABLE words ADD COLUMN " " TEXT',
        "words: the name of the column ' ' must be of characters that can be seen "
        "(GeoPackage: names of columns)",
    ),
    value("BOOLEAN", "2", "must be 0 or 1"),
    value("BOOLEAN", "'true'", "must be 0 or 1"),
    value("TINYINT", "128", "must be a whole number from -128 to 127"),
    value("SMALLINT", "-32769", "must be a whole number from -32768 to 32767"),
    value("MEDIUMINT", "2147483648", "must be a whole number from -2147483648 to 2147483647"),
    value("INTEGER", "1.5", "must be a whole number"),
    value("DOUBLE", "'deep'", "must be a number"),
    value("TEXT", "x'00'", "must be text"),
    value("TEXT(4)", "'abcdé'", "must be text of 4 characters at most"),
    value("BLOB", "'a'", "must be a blob"),
    value("BLOB(2)", "x'000000'", "must be a blob of 2 bytes at most"),
    value("DATE", "'2031-5-4'", DAY),
    value("DATE", "'2031-02-29'", DAY),
    value("DATETIME", "'2031-05-04 06:00:00'", TIME),
    value("DATETIME", "'2031-02-29T06:00:00Z'", TIME),
    value("DATETIME", "'2031-05-04T06:00:00.000000Z'", TIME),
    value("DATETIME", "'2031-05-04T06:00:00'", TIME),
    value("DATETIME", "20310504", TIME),
]

SHAPES = [
    (geom(0, b"GQ"), "geom does not begin with GP (GeoPackage: geometry encoding, magic)"),
    (
        geom(2, b"\1"),
        "geom is of an unknown version; it must be 0 (GeoPackage: geometry encoding, version)",
    ),
    (
        geom(3, b"\x41"),
        "geom has flags that the standard keeps for later, or an unknown kind of envelope "
        "(GeoPackage: geometry encoding, flags)",
    ),
    (
        geom(3, b"\x0b"),
        "geom has flags that the standard keeps for later, or an unknown kind of envelope "
        "(GeoPackage: geometry encoding, flags)",
    ),
    (
        geom(3, b"\x21"),
        "geom is marked as of an extended kind, but no such extension is registered "
        "(GeoPackage: geometry encoding, flags)",
    ),
    (
        "UPDATE points SET geom = x'475000' WHERE fid = 3",
        "geom is too short for a geometry (GeoPackage: geometry encoding)",
    ),
    (
        geom(3, b"\x07"),
        "geom is too short for a geometry (GeoPackage: geometry encoding)",
    ),
    (
        "UPDATE points SET geom = 'POINT (1 2)' WHERE fid = 3",
        "geom is no geometry but text or a number (GeoPackage: geometry encoding)",
    ),
    (
        "UPDATE points SET geom = substr(geom, 1, 20) WHERE fid = 3",
        "the shape in geom cannot be read (GeoPackage: geometry encoding, well-known binary)",
    ),
    (
        geom(9, struct.pack("<I", 0x20000001)),  # the dialect with an own number for the system
        "the shape in geom is of a kind that ISO well-known binary does not have "
        "(GeoPackage: geometry encoding, well-known binary)",
    ),
]
STILL_A_PLACE = [
    (
        geom(8, b"\2"),
        "the byte order of the shape in geom is neither 0 nor 1 "
        "(GeoPackage: geometry encoding, well-known binary)",
    ),
    (
        geom(4, struct.pack("<i", 4258)),
        "the srs_id in geom is not that of the table, 4326 (GeoPackage: geometry encoding, srs_id)",
    ),
    (
        "UPDATE points SET geom = CAST(geom || x'00' AS BLOB) WHERE fid = 3",
        "there are more bytes in geom than its shape needs "
        "(GeoPackage: geometry encoding, well-known binary)",
    ),
    (
        geom(3, b"\x11"),
        "the shape in geom is empty but not marked so, or marked so and not empty "
        "(GeoPackage: geometry encoding, empty flag)",
    ),
]
LINES = [
    (
        geom(16, number(-200.0), "lines"),
        "the envelope in geom is not that of its shape (GeoPackage: geometry encoding, envelope)",
    ),
    (
        geom(8, NAN, "lines"),
        "the envelope in geom is not that of its shape (GeoPackage: geometry encoding, envelope)",
    ),
    (
        "UPDATE gpkg_geometry_columns SET z = 1 WHERE table_name = 'lines'",
        "the shape in geom has no Z value, which must be there (gpkg_geometry_columns) "
        "(GeoPackage: gpkg_geometry_columns z)",
    ),
    (
        "UPDATE gpkg_geometry_columns SET m = 1 WHERE table_name = 'lines'",
        "the shape in geom has no M value, which must be there (gpkg_geometry_columns) "
        "(GeoPackage: gpkg_geometry_columns m)",
    ),
]

EXTENSIONS = [
    (
        "INSERT INTO gpkg_extensions VALUES (NULL, NULL, 'bad name', 'x', 'read-write')",
        "gpkg_extensions, 'bad name' of the file: the extension's name must be an author and a "
        "name of letters, digits and underscores, joined by an underscore "
        "(GeoPackage: gpkg_extensions extension_name)",
    ),
    (
        "INSERT INTO gpkg_extensions VALUES ('words', NULL, 'our_words', 'x', 'all')",
        "gpkg_extensions, 'our_words' of words: the scope is 'all'; it must be 'read-write' or "
        "'write-only' (GeoPackage: gpkg_extensions scope)",
    ),
    (
        "UPDATE gpkg_extensions SET scope = 'read-write' WHERE table_name = 'points'",
        "gpkg_extensions, 'gpkg_rtree_index' of points: the scope of a spatial index must be "
        "'write-only' (GeoPackage: R-tree extension, gpkg_extensions rows)",
    ),
    (
        "INSERT INTO gpkg_extensions VALUES ('words', NULL, 'our_words', '', 'read-write')",
        "gpkg_extensions, 'our_words' of words: there is no definition; it must say where the "
        "extension is described (GeoPackage: gpkg_extensions definition)",
    ),
    (
        "INSERT INTO gpkg_extensions VALUES ('gone', NULL, 'our_words', 'x', 'read-write')",
        "gpkg_extensions, 'our_words' of gone: the table does not exist "
        "(GeoPackage: gpkg_extensions table_name)",
    ),
    (
        "INSERT INTO gpkg_extensions VALUES ('words', 'gone', 'our_words', 'x', 'read-write')",
        "gpkg_extensions, 'our_words' of words: the table has no column gone "
        "(GeoPackage: gpkg_extensions column_name)",
    ),
    (
        "INSERT INTO gpkg_extensions VALUES (NULL, 'word', 'our_words', 'x', 'read-write')",
        "gpkg_extensions, 'our_words' of the file: a column (word) without its table "
        "(GeoPackage: gpkg_extensions column_name)",
    ),
]

CONTENT = "(GeoPackage: R-tree extension, content)"
ROWS_RULE = "(GeoPackage: R-tree extension, gpkg_extensions rows)"
INDEXES = [
    (
        "DELETE FROM rtree_points_geom WHERE id = 5",
        f"points, row 5: not in the spatial index rtree_points_geom {CONTENT}",
    ),
    (
        "INSERT INTO rtree_points_geom VALUES (99, 0, 0, 0, 0)",
        "points, row 99: in the spatial index rtree_points_geom, but there is no such feature "
        f"with a place {CONTENT}",
    ),
    (
        "UPDATE points SET geom = NULL WHERE fid = 5",
        "points, row 5: in the spatial index rtree_points_geom, but there is no such feature "
        f"with a place {CONTENT}",
    ),
    (
        "UPDATE rtree_points_geom SET minx = minx - 0.001 WHERE id = 5",
        f"points, row 5: the spatial index rtree_points_geom has another place for it {CONTENT}",
    ),
    (
        "UPDATE rtree_lines_geom SET maxx = maxx - 0.001 WHERE id = 5",
        f"lines, row 5: the spatial index rtree_lines_geom has another place for it {CONTENT}",
    ),
    (
        "UPDATE rtree_points_geom SET maxy = 90 WHERE id IN (5, 6)",
        "points, 2 rows, the first row 5: the spatial index rtree_points_geom has another place "
        f"for it {CONTENT}",
    ),
    (
        "DROP TABLE rtree_points_geom",
        "points: the registered spatial index rtree_points_geom does not exist "
        "(GeoPackage: R-tree extension, table)",
    ),
    (
        "DROP TABLE rtree_points_geom; "
        "CREATE VIRTUAL TABLE rtree_points_geom USING rtree(id, a, b, c, d)",
        "rtree_points_geom: the columns must be id, minx, maxx, miny, maxy "
        "(GeoPackage: R-tree extension, table)",
    ),
    (
        "DELETE FROM gpkg_extensions WHERE table_name = 'points'",
        f"rtree_points_geom: the spatial index is not registered in gpkg_extensions {ROWS_RULE}",
    ),
    (
        "INSERT INTO gpkg_extensions VALUES "
        "('words', 'word', 'gpkg_rtree_index', 'x', 'write-only')",
        "gpkg_extensions: a spatial index is registered for words (word), which is no geometry "
        f"column {ROWS_RULE}",
    ),
    *(
        (
            f"DROP TRIGGER rtree_points_geom_{part}",
            "points: its spatial index is not kept true; the trigger "
            f"rtree_points_geom_{part} is missing or of no use to it "
            "(GeoPackage: R-tree extension, triggers)",
        )
        for part in ("insert", "update2", "update4", "update5", "update6", "update7", "delete")
    ),
    (
        "DROP TRIGGER rtree_points_geom_delete; CREATE TRIGGER rtree_points_geom_delete "
        "AFTER DELETE ON points BEGIN SELECT 1; END",
        "points: its spatial index is not kept true; the trigger "
        "rtree_points_geom_delete is missing or of no use to it "
        "(GeoPackage: R-tree extension, triggers)",
    ),
    (
        "DROP TRIGGER rtree_points_geom_update6; DROP TRIGGER rtree_points_geom_update7",
        "points: its spatial index is not kept true; the triggers "
        "rtree_points_geom_update6 and rtree_points_geom_update7 are missing or of no use to "
        "it (GeoPackage: R-tree extension, triggers)",
    ),
]


def case_id(case):
    return case[0][:60] if isinstance(case, tuple) else None


@pytest.mark.parametrize(
    "case",
    [*HEAD, *REFERENCES, *CONTENTS, *GEOMETRY_COLUMNS, *TABLES, *EXTENSIONS, *INDEXES],
    ids=case_id,
)
def test_each_damage_is_told_in_its_sentence(good, tmp_path, case):
    sql, *sentences = case
    assert sorted(faults_of(damaged(good, tmp_path, sql))) == sorted(sentences)


@pytest.mark.parametrize("case", [*SHAPES, *STILL_A_PLACE], ids=case_id)
def test_each_damage_to_a_geometry_is_told(good, tmp_path, case):
    sql, sentence = case
    faults = faults_of(damaged(good, tmp_path, sql))
    assert faults[0] == f"points, row 3: {sentence}"
    # what is no place any more is also gone from what the index should hold
    gone = [f for f in faults if "there is no such feature with a place" in f]
    assert len(faults) == 1 + len(gone)
    assert len(gone) == (case in SHAPES)


@pytest.mark.parametrize("case", LINES, ids=case_id)
def test_each_damage_to_a_line_is_told(good, tmp_path, case):
    sql, sentence = case
    (fault,) = faults_of(damaged(good, tmp_path, sql))
    assert fault.startswith("lines, ")
    assert fault.endswith(f": {sentence}")


def test_a_shape_of_another_kind_is_told(good, tmp_path):
    sql = "UPDATE lines SET geom = (SELECT geom FROM points WHERE fid = 3) WHERE fid = 3"
    told = faults_of(damaged(good, tmp_path, sql))
    assert told[0] == (
        "lines, row 3: the shape in geom is no LINESTRING, which the table is declared to hold "
        "(GeoPackage: geometry type of the values)"
    )
    assert [f for f in told[1:] if "spatial index" not in f] == []


def test_heights_outside_their_envelope_or_where_none_may_be_are_told(good, tmp_path):
    (fault,) = faults_of(damaged(good, tmp_path, geom(8 + 32, number(99.0), "high")))
    assert fault == (
        "high, row 3: the envelope in geom is not that of its shape "
        "(GeoPackage: geometry encoding, envelope)"
    )
    sql = "UPDATE gpkg_geometry_columns SET z = 0 WHERE table_name = 'high'"
    (fault,) = faults_of(damaged(good, tmp_path, sql))
    assert "has a Z value, which is forbidden" in fault


def test_an_empty_shape_with_an_envelope_of_numbers_is_told(good, tmp_path):
    sql = f"UPDATE lines SET geom = x'{EMPTY_LINE.hex()}' WHERE fid = 3; DELETE FROM rtree_lines_geom WHERE id = 3"
    assert faults_of(damaged(good, tmp_path, sql)) == [
        "lines, row 3: the envelope in geom of an empty shape has numbers "
        "(GeoPackage: geometry encoding, envelope)"
    ]


def test_an_empty_shape_that_is_not_marked_so_is_told(good, tmp_path):
    empty = b"GP\x00\x01\xe6\x10\x00\x00" + struct.pack("<BII", 1, 2, 0)
    sql = f"UPDATE lines SET geom = x'{empty.hex()}' WHERE fid = 3; DELETE FROM rtree_lines_geom WHERE id = 3"
    assert faults_of(damaged(good, tmp_path, sql)) == [
        "lines, row 3: the shape in geom is empty but not marked so, or marked so and not empty "
        "(GeoPackage: geometry encoding, empty flag)"
    ]


def test_a_coordinate_that_is_no_number_is_told(good, tmp_path):
    faults = faults_of(damaged(good, tmp_path, geom(13, NAN)))
    assert faults == [
        "points, row 3: the shape in geom has a coordinate that is no finite number "
        "(GeoPackage: geometry encoding, well-known binary)"
    ]


def test_both_byte_orders_are_read(good, tmp_path):
    """ISO 19125 well-known binary and the header may each be of either order."""
    path = damaged(good, tmp_path, "SELECT 1")
    with closing(sqlite3.connect(path)) as connection:
        x, y = struct.unpack(
            "<2d", connection.execute("SELECT geom FROM points").fetchone()[0][13:]
        )
    big = b"GP\x00\x02" + struct.pack(">i4d", 4326, x, x, y, y) + struct.pack(">BI2d", 0, 1, x, y)
    sql = f"UPDATE points SET geom = x'{big.hex()}' WHERE fid = 1"
    assert faults_of(damaged(good, tmp_path, sql)) == []


@pytest.mark.parametrize("table", ["gpkg_spatial_ref_sys", "gpkg_contents"])
def test_a_missing_table_of_the_standard_is_told(good, tmp_path, table):
    sql = f"PRAGMA foreign_keys = 0; DROP TABLE {table}"
    assert f"the table {table} is missing (GeoPackage: {table})" in faults_of(
        damaged(good, tmp_path, sql)
    )


def test_missing_geometry_columns_are_told(good, tmp_path):
    told = faults_of(damaged(good, tmp_path, "DROP TABLE gpkg_geometry_columns"))
    assert told[0] == (
        "the table gpkg_geometry_columns is missing (GeoPackage: gpkg_geometry_columns)"
    )


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("last_change DATETIME", "last_change TEXT", "is TEXT; it must be DATETIME"),
        ("data_type TEXT NOT NULL", "data_type TEXT", "may be empty; it must be NOT NULL"),
        ("table_name TEXT NOT NULL PRIMARY KEY", "table_name TEXT NOT NULL", "is not in the primary key; it must be"),
        ("identifier TEXT UNIQUE", "identifier TEXT PRIMARY KEY", "is in the primary key; it must not be"),
    ],
)  # fmt: skip
def test_a_column_of_the_standard_that_is_declared_otherwise_is_told(
    good, tmp_path, old, new, sentence
):
    with closing(sqlite3.connect(good)) as connection:
        (text,) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'gpkg_contents'"
        ).fetchone()
    changed = text.replace(old, new)
    assert changed != text
    if "identifier TEXT PRIMARY" in new:
        changed = changed.replace(
            "table_name TEXT NOT NULL PRIMARY KEY", "table_name TEXT NOT NULL"
        )
    sql = (
        "PRAGMA foreign_keys = 0; PRAGMA legacy_alter_table = 1; "
        f"ALTER TABLE gpkg_contents RENAME TO old; {changed}; "
        "INSERT INTO gpkg_contents SELECT * FROM old; DROP TABLE old"
    )
    faults = faults_of(damaged(good, tmp_path, sql))
    assert [
        f for f in faults if sentence in f and f.endswith("(GeoPackage: gpkg_contents columns)")
    ]


def test_two_geometry_columns_of_one_table_are_told(good, tmp_path):
    sql = """
        CREATE TABLE g (table_name TEXT NOT NULL, column_name TEXT NOT NULL,
            geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL,
            m TINYINT NOT NULL, PRIMARY KEY (table_name, column_name));
        INSERT INTO g SELECT * FROM gpkg_geometry_columns;
        INSERT INTO g VALUES ('points', 'name', 'POINT', 4326, 0, 0);
        DROP TABLE gpkg_geometry_columns; ALTER TABLE g RENAME TO gpkg_geometry_columns"""
    faults = faults_of(damaged(good, tmp_path, sql))
    assert (
        "gpkg_geometry_columns, points: more than one geometry column; a table has one "
        "(GeoPackage: gpkg_geometry_columns table_name)" in faults
    )


def test_what_sqlite_finds_damaged_is_told(good, tmp_path):
    sql = f"""
        CREATE TABLE t (fid INTEGER PRIMARY KEY, a TEXT); INSERT INTO t VALUES (1, NULL); {LISTED};
        PRAGMA writable_schema = 1; UPDATE sqlite_master SET
        sql = 'CREATE TABLE t (fid INTEGER PRIMARY KEY, a TEXT NOT NULL)' WHERE name = 't'"""
    assert faults_of(damaged(good, tmp_path, sql))[0] == (
        "the file is damaged: NULL value in t.a (GeoPackage: file integrity)"
    )


def test_a_view_is_judged_like_a_table(good, tmp_path):
    sql = """
        CREATE VIEW seen AS SELECT fid, geom, name FROM points;
        INSERT INTO gpkg_contents (table_name, data_type, srs_id) VALUES ('seen', 'features', 4326);
        INSERT INTO gpkg_geometry_columns VALUES ('seen', 'geom', 'POINT', 4326, 0, 0);
        CREATE VIEW named AS SELECT name, upper(name) AS loud FROM points;
        INSERT INTO gpkg_contents (table_name, data_type) VALUES ('named', 'attributes')"""
    assert faults_of(damaged(good, tmp_path, sql)) == []
    sql += "; UPDATE gpkg_geometry_columns SET geometry_type_name = 'POLYGON' WHERE table_name = 'seen'"
    (fault,) = faults_of(damaged(good, tmp_path, sql))
    assert fault.startswith("seen, 12 rows, the first row 1: the shape in geom is no POLYGON")


def test_measures_that_run_backwards_in_an_envelope_are_told(good, tmp_path):
    def line(low, high):
        head = b"GP\x00\x07\xe6\x10\x00\x00" + struct.pack("<6d", 0, 1, 0, 1, low, high)
        return head + struct.pack("<BII6d", 1, 2002, 2, 0, 0, 5, 1, 1, 6)

    sql = """
        UPDATE gpkg_geometry_columns SET m = 2 WHERE table_name = 'lines';
        UPDATE lines SET geom = x'{}' WHERE fid = 3;
        UPDATE rtree_lines_geom SET minx = 0, miny = 0, maxx = 1, maxy = 1 WHERE id = 3"""
    assert faults_of(damaged(good, tmp_path, sql.format(line(5, 6).hex()))) == []
    assert faults_of(damaged(good, tmp_path, sql.format(line(6, 5).hex()))) == [
        "lines, row 3: the envelope in geom is not that of its shape "
        "(GeoPackage: geometry encoding, envelope)"
    ]


def test_shapes_of_a_registered_extension_are_left_to_it(good, tmp_path):
    sql = "INSERT INTO gpkg_extensions VALUES ('points', 'geom', 'our_shapes', 'x', 'read-write')"
    extended = geom(3, b"\x21") + "; DELETE FROM rtree_points_geom WHERE id = 3"
    assert faults_of(damaged(good, tmp_path, f"{sql}; {extended}")) == []


def test_a_broken_reference_between_rows_is_told(good, tmp_path):
    sql = (
        "PRAGMA foreign_keys = 0; CREATE TABLE t (fid INTEGER PRIMARY KEY, "
        f"w INTEGER REFERENCES words (fid)); INSERT INTO t VALUES (1, 1), (2, 77), (3, 78); {LISTED}"
    )
    assert faults_of(damaged(good, tmp_path, sql)) == [
        "t, 2 rows, the first row 2: refers to a row of words that is not there "
        "(GeoPackage: foreign keys)"
    ]


def test_a_parent_box_of_the_index_that_hides_its_children_is_told(tmp_path):
    path = tmp_path / "a.gpkg"
    put(path, "points", shapely.points(places(500)))
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute(
            "SELECT data FROM rtree_points_geom_node WHERE nodeno = 1"
        ).fetchone()
        small = root[:12] + struct.pack(">4f", 0, 0, 0, 0) + root[28:]  # SQLite's R-tree node
        connection.execute("UPDATE rtree_points_geom_node SET data = ? WHERE nodeno = 1", (small,))
        connection.commit()
    faults = faults_of(path)
    assert faults
    assert faults[0].startswith("rtree_points_geom: the spatial index is damaged: ")


def test_damaged_pages_are_told_and_raise_nothing(good, tmp_path):
    whole = good.read_bytes()
    told = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        raw = bytearray(whole)
        for at in rng.integers(100, len(raw), 400):
            raw[at] = rng.integers(256)
        path = tmp_path / f"{seed}.gpkg"
        path.write_bytes(raw)
        told += bool(faults_of(path))
    assert told == 12


@pytest.mark.parametrize("raw", [b"no database" * 99, b"SQLite format 3\0" + b"\0" * 2000])
def test_what_is_no_database_is_told(tmp_path, raw, capfd):
    path = tmp_path / "a.gpkg"
    path.write_bytes(raw)
    (fault,) = faults_of(path)
    assert fault == (
        "the file cannot be read as a database (file is not a database) (GeoPackage: SQLite file)"
    )
    assert gdal_says(path)
    assert capfd.readouterr() == ("", "")


def test_an_empty_database_is_told(tmp_path):
    faults = faults_of(tmp_path / "a.gpkg")
    assert "the table gpkg_contents is missing (GeoPackage: gpkg_contents)" in faults
    assert len(faults) == 7  # the head twice, two tables, three references


def test_a_locked_file_is_not_called_damaged(good, tmp_path):
    path = damaged(good, tmp_path, "SELECT 1")
    with (
        closing(sqlite3.connect(path)) as writer,
        closing(sqlite3.connect(path, timeout=0)) as reader,
    ):
        writer.execute("BEGIN EXCLUSIVE")
        with pytest.raises(sqlite3.OperationalError, match="database is locked"):
            standard_faults(reader)


def test_checking_changes_nothing(good):
    before = good.read_bytes()
    with closing(sqlite3.connect(good)) as connection:
        connection.row_factory = sqlite3.Row
        standard_faults(connection)
        assert not connection.in_transaction
        assert connection.row_factory is sqlite3.Row
        assert connection.text_factory is str
    assert good.read_bytes() == before


def test_a_change_under_way_is_looked_at_and_left_open(good, tmp_path):
    path = damaged(good, tmp_path, "SELECT 1")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE gpkg_contents SET data_type = 'x' WHERE table_name = 'words'")
        assert len(standard_faults(connection)) == 1
        assert connection.in_transaction
        connection.rollback()
        assert standard_faults(connection) == []


def test_faults_of_many_rows_are_one_sentence_however_the_rows_are_read(
    good, tmp_path, monkeypatch
):
    sql = "UPDATE points SET geom = patch(geom, 4, x'00') WHERE fid > 2"
    path = damaged(good, tmp_path, sql)
    whole = faults_of(path)
    monkeypatch.setattr("athwart.book.standard._CHUNK", 5)
    assert faults_of(good) == []
    assert faults_of(path) == whole == [
        "points, 10 rows, the first row 3: the srs_id in geom is not that of the table, 4326 "
        "(GeoPackage: geometry encoding, srs_id)"
    ]  # fmt: skip


# -- what GDAL says ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("type_", "text"),
    [
        ("DATETIME", "2031-05-04T06:00:00.000Z"),
        ("DATETIME", "2031-05-04T06:00:00Z"),
        ("DATETIME", "2031-05-04T06:00Z"),
        ("DATETIME", "2031-05-04T06:00:00.000000Z"),
        ("DATETIME", "2031-05-04T06:00:00.0Z"),
        ("DATETIME", "2031-05-04 06:00:00Z"),
        ("DATETIME", "2031-05-04T06:00:00+02:00"),
        ("DATETIME", "2031-05-04"),
        ("DATETIME", "soon"),
        ("DATE", "2031-05-04"),
        ("DATE", "2031/05/04"),
        ("DATE", "2031-05-04T06:00:00Z"),
        ("DATE", "soon"),
    ],
)
def test_gdal_warns_of_the_same_dates(good, tmp_path, type_, text):
    """Source: GDAL's GeoPackage driver, run beside ours."""
    sql = f"ALTER TABLE words ADD COLUMN v {type_}; UPDATE words SET v = '{text}'"
    path = damaged(good, tmp_path, sql)
    assert bool(faults_of(path)) == bool(gdal_says(path))


def test_gdal_is_heard_and_nothing_is_printed(good, tmp_path, capfd, recwarn):
    path = damaged(good, tmp_path, "ALTER TABLE words ADD COLUMN v DATE; UPDATE words SET v = 'x'")
    (said,) = gdal_says(path)
    assert said.startswith("GDAL, of the layer 'words': ")
    assert gdal_says(tmp_path / "gone.gpkg")[0].startswith("GDAL, of the file: ")
    assert str(tmp_path) not in "".join(gdal_says(tmp_path / "gone.gpkg"))
    assert capfd.readouterr() == ("", "")
    assert not recwarn.list


def test_a_count_that_gdal_gets_wrong_is_told(good, tmp_path):
    path = damaged(good, tmp_path, "UPDATE gpkg_ogr_contents SET feature_count = 9 WHERE table_name = 'points'")  # fmt: skip
    assert gdal_says(path) == [
        "GDAL, of the layer 'points': it counts 9 features, but there are 12"
    ]


STRANGE = (None, "", "a\0b", '"; --', b"\xff\x00", -1, 2**63 - 1, 1e300, float("inf"), "points")


@pytest.mark.parametrize(
    "table", ["gpkg_spatial_ref_sys", "gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions"]
)
def test_no_value_in_a_table_of_the_standard_stops_the_check(good, tmp_path, table):
    with closing(sqlite3.connect(damaged(good, tmp_path, "SELECT 1"))) as connection:
        names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        tried = 0
        for name in names:
            for strange in STRANGE:
                for where in ("rowid = (SELECT min(rowid) FROM {0})", "1"):
                    sql = f"UPDATE {table} SET {name} = ? WHERE {where.format(table)}"
                    try:
                        connection.execute(sql, (strange,))
                    except (sqlite3.IntegrityError, sqlite3.DataError):
                        continue
                    assert all(isinstance(f, str) for f in standard_faults(connection))
                    tried += 1
                    connection.rollback()
        assert tried > 5 * len(names)
    assert faults_of(tmp_path / "bad.gpkg") == []


def test_no_bytes_of_a_geometry_stop_the_check(good, tmp_path):
    path = damaged(good, tmp_path, "SELECT 1")
    rng = np.random.default_rng(7)
    with closing(sqlite3.connect(path)) as connection:
        for table in ("points", "lines", "areas", "high"):
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (table,)
            ).fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            for fid, blob in connection.execute(f"SELECT fid, geom FROM {table}").fetchall():
                raw = bytearray(blob)
                for at in rng.integers(0, min(len(raw), 60), 2):
                    raw[at] = rng.integers(256)
                cut = bytes(raw[: rng.integers(1, len(raw) + 1)])
                connection.execute(f"UPDATE {table} SET geom = ? WHERE fid = ?", (cut, fid))
        faults = standard_faults(connection)
    for table in ("points", "lines", "areas", "high"):
        assert [f for f in faults if f.startswith(f"{table}, ") and "geometry encoding" in f]
