import json
import sqlite3

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import HealthCheck, given, settings

from athwart.contents import Contents
from athwart.errors import DataError, FileError, TableError
from athwart.formats import ReadOptions, WriteOptions, read, read_areas, read_background, write
from athwart.formats.layers import read_shapes, write_shapes
from athwart.tables import Marks, Picks, Sightings, Track, Waypoints
from strategies import TAME, WILD, assert_same, tables

ENDINGS = [".geojson", ".gpkg", ".kml", ".fgb", ".shp"]
DRIVERS = {
    ".geojson": "GeoJSON",
    ".gpkg": "GPKG",
    ".kml": "LIBKML",
    ".fgb": "FlatGeobuf",
    ".shp": "ESRI Shapefile",
}
EXACT = [".geojson", ".gpkg", ".fgb"]


def points(**columns):
    return geopandas.GeoDataFrame(
        {"name": ["a", "b"], **columns},
        geometry=geopandas.points_from_xy([1.5, -2], [3, -4.25]),
        crs=4326,
    )


def put(folder, frame, ending, **rest):
    path = folder / f"a{ending}"
    pyogrio.write_dataframe(frame, path, driver=DRIVERS[ending], use_arrow=False, **rest)
    return path


@pytest.mark.parametrize("ending", ENDINGS)
def test_points_of_any_program_are_waypoints(tmp_path, ending):
    path = put(tmp_path, points(size=[1, 2]), ending)
    contents = read(path)
    w = contents.waypoints
    theirs = pyogrio.read_dataframe(path, use_arrow=False)
    assert w.lon.tolist() == theirs.geometry.x.tolist()
    order = np.argsort(w.name.astype(str))
    assert w.lon[order].tolist() == [1.5, -2]
    assert w.lat[order].tolist() == [3, -4.25]
    assert contents.counts["waypoints"] == 2
    assert [int(v) for v in w.extra["size"][order]] == [1, 2]


def full():
    n = 3
    times = np.datetime64("2031-05-04T06:00:00", "us") + np.arange(n).astype("m8[s]")
    sightings = Sightings.from_columns(
        {
            "sighting_id": ["s0", "s1", "s2"],
            "lon": [-180.0, 1.23456789012, 179.5],
            "lat": [-90.0, 89.5, 1 / 3],
            "time": times,
            "name": ["=a", "ü <b>", ""],
            "note": ["x\ny", "", '"q"'],
            "hazard": [True, False, False],
            "var_east_m2": [0.5, 1.25, np.nan],
            "side": ["port", "", "starboard"],
            "source_row": [1, 2, 3],
        },
        extra={"colour": np.array(["r", "g", ""], dtype=object)},
    )
    marks = Marks.from_columns(
        {
            "mark_id": ["s0", "s1"],
            "lon": [-180.0, 1.25],
            "lat": [-90.0, 89.5],
            "name": ["one", "two"],
            "first_time": times[:2],
            "sightings": [1, 2],
            "sighting_ids": ["s0", "s1 s2"],
            "r95_m": [3.5, 2.25],
        }
    )
    return Contents(marks=marks, sightings=sightings)


@pytest.mark.parametrize("ending", ENDINGS)
def test_marks_and_sightings_come_back(tmp_path, ending):
    contents = full()
    written = write(tmp_path / f"o{ending}", contents)
    assert all(p.exists() for p in written.files)
    if ending not in (".gpkg", ".kml"):
        assert any(f"o-sightings{ending}" in w for w in written.words)
    again = read(tmp_path / f"o{ending}")
    assert_same(contents.marks, again.marks)
    assert_same(contents.sightings, again.sightings)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(marks=tables(Marks, TAME, min_size=1), sightings=tables(Sightings, TAME, min_size=1))
@pytest.mark.parametrize("ending", EXACT)
def test_whatever_the_tables_hold_comes_back(tmp_path_factory, ending, marks, sightings):
    path = tmp_path_factory.mktemp("layers") / f"o{ending}"
    write(path, Contents(marks=marks, sightings=sightings))
    again = read(path)
    assert_same(marks, again.marks, degrees=1e-13)
    assert_same(sightings, again.sightings, degrees=1e-13)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(table=tables(Waypoints, WILD, min_size=1))
@pytest.mark.parametrize("ending", ENDINGS)
def test_wild_text_is_written_so_that_it_can_be_read(tmp_path_factory, ending, table):
    path = tmp_path_factory.mktemp("layers") / f"o{ending}"
    write(path, Contents(waypoints=table))
    assert len(read(path).waypoints) == len(table)


def test_a_geopackage_holds_every_table(tmp_path):
    track = Track.from_columns(
        {
            "lon": [1, 2, 3],
            "lat": [1, 2, 3],
            "time": np.arange(3).astype("datetime64[us]"),
            "segment": [0, 0, 1],
            "depth_m": [1, np.nan, 3],
        }
    )
    picks = Picks.from_columns(
        {
            "side": ["port", "starboard"],
            "slant_range_m": [3, 4],
            "lon": [1, 5],
            "lat": [2, 6],
        }
    )
    contents = Contents(**{**vars(full()), "tracks": track, "routes": track, "picks": picks})
    write(tmp_path / "o.gpkg", contents)
    again = read(tmp_path / "o.gpkg")
    for name in ("marks", "sightings", "tracks", "routes", "picks"):
        assert_same(getattr(contents, name), getattr(again, name), skip=("source",))
    assert again.counts["track_points"] == again.counts["route_points"] == 3


def test_lines_become_tracks(tmp_path):
    lines = [
        shapely.LineString([(0, 1, -3), (2, 3, -4)]),
        shapely.MultiLineString([[(4, 5), (6, 7)], [(8, 9), (180, 11)]]),
    ]
    frame = geopandas.GeoDataFrame({"name": ["x", "y"], "speed": [1, 2]}, geometry=lines, crs=4326)
    contents = read(put(tmp_path, frame, ".geojson"))
    t = contents.tracks
    assert t.lon.tolist() == [0, 2, 4, 6, 8, -180]
    assert t.line.tolist() == [0, 0, 1, 1, 1, 1]
    assert t.segment.tolist() == [0, 0, 1, 1, 2, 2]
    assert t.name.tolist() == ["x", "x", "y", "y", "y", "y"]
    assert t.elevation_m[:2].tolist() == [-3, -4]
    assert contents.counts["tracks"] == 2
    assert any("speed" in w for w in contents.words)


def test_polygons_are_said_and_read_as_areas(tmp_path):
    frame = geopandas.GeoDataFrame(
        {"name": ["x", "y"]}, geometry=[shapely.box(0, 0, 2, 2), shapely.Point(1, 1)], crs=4326
    )
    path = put(tmp_path, frame, ".geojson")
    contents = read(path)
    assert len(contents.waypoints) == 1
    assert any("serve as a limit or a background" in w for w in contents.words)
    assert read_areas(path).equals(shapely.box(0, 0, 2, 2))
    assert len(read_background(path)) == 1


def test_areas_in_another_system_are_transformed(tmp_path):
    area = shapely.box(500_000, 4_000_000, 501_000, 4_001_000)
    frame = geopandas.GeoDataFrame(geometry=[area], crs=32629)
    path = put(tmp_path, frame, ".gpkg")
    expected = frame.to_crs(4326).geometry[0]
    assert read_areas(path).equals_exact(expected, 1e-9)
    assert read_background(path).crs.to_epsg() == 4326


def test_points_in_another_system_are_transformed_and_it_is_said(tmp_path):
    frame = points().to_crs(32631)
    contents = read(put(tmp_path, frame, ".gpkg"))
    np.testing.assert_allclose(contents.waypoints.lon, [1.5, -2], atol=1e-8)
    assert "UTM zone 31N" in contents.words[0]
    assert "accuracy" in contents.words[0]


def test_a_ballpark_transformation_needs_leave(tmp_path, monkeypatch):
    # Which systems have no better way depends on PROJ's grids; so the answer is played.
    from athwart.errors import DataError

    def only_ballpark(x, y, crs, *, allow_ballpark=False):
        if not allow_ballpark:
            raise DataError("there is only an approximate way; allow it")
        return np.asarray(x), np.asarray(y), "by ballpark"

    monkeypatch.setattr("athwart.formats.layers.to_wgs84", only_ballpark)
    path = put(tmp_path, points(), ".gpkg")
    with pytest.raises(FileError, match=r"a\.gpkg: there is only an approximate way"):
        read(path)
    assert len(read(path, options=ReadOptions(allow_ballpark=True)).waypoints) == 2


def test_a_missing_crs_is_refused(tmp_path):
    path = put(tmp_path, points(), ".shp")
    path.with_suffix(".prj").unlink()
    with pytest.raises(FileError, match=r"no coordinate reference system; .*\.prj"):
        read(path)


def test_bad_rows_are_listed_by_feature(tmp_path):
    features = [
        {"type": "Feature", "properties": {"side": s, "slant_range_m": r}, "geometry": g}
        for s, r, g in (
            ("port", 5, {"type": "Point", "coordinates": [1, 2]}),
            ("left", 5, {"type": "Point", "coordinates": [1, 2]}),
            ("port", -5, {"type": "Point", "coordinates": [1, 92]}),
            ("port", 5, None),
        )
    ]
    path = tmp_path / "a.json"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    with pytest.raises(TableError, match="latitude is 92") as caught:
        read(path)
    assert [r.row for r in caught.value.rows] == [2, 3, 3]
    assert len(read(path, skip_bad=True).picks) == 2


def test_a_waypoint_without_geometry_is_rejected(tmp_path):
    frame = points()
    frame.loc[1, "geometry"] = None
    with pytest.raises(TableError, match="row 2: there is no shape, or none"):
        read(put(tmp_path, frame, ".gpkg"))


@pytest.mark.parametrize("text", ["Infinity", "1e999"])
def test_an_infinite_number_in_json_is_refused(tmp_path, text):
    path = tmp_path / "a.geojson"
    geometry = '"geometry":{"type":"Point","coordinates":[1,2]}'
    path.write_text(
        f'{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":{{"depth_m":{text}}},'
        f"{geometry}}}]}}"
    )
    with pytest.raises(DataError, match=r"depth_m is inf, not a number|Unrecognized number: 1e999"):
        read(path)


def test_a_time_without_a_zone_needs_one(tmp_path):
    frame = points(time=pd.to_datetime(["2031-05-04 06:00:00", "2031-05-04 06:00:01"]))
    path = put(tmp_path, frame, ".gpkg")
    with pytest.raises(TableError, match="has no zone"):
        read(path)
    assert read(path, options=ReadOptions(time_zone="UTC")).waypoints.time[1] == np.datetime64(
        "2031-05-04T06:00:01"
    )


def test_multipoints_keep_their_row(tmp_path):
    frame = geopandas.GeoDataFrame(
        {"name": ["a", "b"]},
        geometry=[shapely.MultiPoint([(1, 2), (3, 4)]), shapely.MultiPoint([(5, 6)])],
        crs=4326,
    )
    w = read(put(tmp_path, frame, ".gpkg")).waypoints
    assert w.name.tolist() == ["a", "a", "b"]
    assert w.source_row.tolist() == [1, 1, 2]


def test_a_plain_table_in_a_geopackage(tmp_path):
    path = put(tmp_path, points(), ".gpkg")
    frame = pd.DataFrame({"side": ["port"], "slant_range_m": [4.5]})
    pyogrio.write_dataframe(frame, path, layer="notes", driver="GPKG", append=True, use_arrow=False)
    frame = pd.DataFrame({"colour": ["red"]})
    pyogrio.write_dataframe(frame, path, layer="other", driver="GPKG", append=True, use_arrow=False)
    contents = read(path)
    assert contents.picks.slant_range_m.tolist() == [4.5]
    assert any("'other'" in w for w in contents.words)


def test_kml_of_another_program(tmp_path):
    path = tmp_path / "a.kml"
    path.write_text(
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><name>f</name>'
        "<Placemark><name>A</name><description>d</description><TimeStamp><when>2031-05-04T06:00:00Z</when>"
        "</TimeStamp><Point><coordinates>1.5,2,3</coordinates></Point></Placemark></Folder></Document></kml>"
    )
    w = read(path).waypoints
    assert (w.name[0], w.note[0], w.lon[0], w.lat[0], w.elevation_m[0]) == ("A", "d", 1.5, 2, 3)
    assert w.time[0] == np.datetime64("2031-05-04T06:00:00")
    assert not w.extra


@pytest.mark.parametrize("ending", [*ENDINGS, ".json"])
@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"hello", "is not .*, or it is damaged"),
        (b"<?xml version='1.0'?><gpx/>", "looks like GPX"),
        (b"PK\x03\x04", "zip archive"),
        (b"<OGRVRTDataSource/>", "is not .*, or it is damaged"),
    ],
)
def test_mislabelled_files_are_one_sentence(tmp_path, ending, data, words):
    path = tmp_path / f"a{ending}"
    path.write_bytes(data)
    with pytest.raises(FileError, match=words) as caught:
        read(path)
    assert "\n" not in str(caught.value)
    assert str(tmp_path) not in str(caught.value)


@pytest.mark.parametrize("ending", ENDINGS)
def test_files_cut_short_are_one_sentence(tmp_path, ending):
    path = put(tmp_path, points(), ending)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    with pytest.raises((FileError, TableError)) as caught:
        read(path)
    assert str(tmp_path) not in str(caught.value)


def test_kml_with_entities_is_refused(tmp_path):
    path = tmp_path / "a.kml"
    path.write_text('<!DOCTYPE kml [<!ENTITY a "b">]><kml><Document/></kml>')
    with pytest.raises(FileError, match="declares entities"):
        read(path)


def test_an_empty_collection_is_refused(tmp_path):
    path = tmp_path / "a.geojson"
    path.write_text('{"type":"FeatureCollection","features":[]}')
    with pytest.raises(FileError, match="no features"):
        read(path)


def test_areas_need_areas(tmp_path):
    with pytest.raises(FileError, match="holds no areas"):
        read_areas(put(tmp_path, points(), ".geojson"))
    with pytest.raises(FileError, match="no lines or areas"):
        read_background(tmp_path / "a.geojson")
    (tmp_path / "a.csv").write_text("lat,lon\n1,2\n")
    with pytest.raises(FileError, match=r"areas and backgrounds are read from \.geojson"):
        read_areas(tmp_path / "a.csv")


def test_a_shapefile_says_what_it_renames_and_cuts(tmp_path):
    table = Sightings.from_columns(
        {"sighting_id": ["a"], "lon": [1], "lat": [2], "note": ["é" * 200]}
    )
    words = write(tmp_path / "a.shp", Contents(sightings=table)).words
    assert any("sighting_id to sighting_i" in w for w in words)
    assert any("the ends of 1 texts" in w for w in words)
    again = read(tmp_path / "a.shp").sightings
    assert again.note[0] == "é" * 127
    assert again.sighting_id[0] == "a"


def test_times_finer_than_a_millisecond_survive(tmp_path):
    times = np.array(["2031-05-04T06:00:00.123456", "NaT"], "datetime64[us]")
    table = Waypoints.from_columns({"lon": [1, 2], "lat": [2, 3], "time": times})
    for ending in ENDINGS:
        write(tmp_path / f"a{ending}", Contents(waypoints=table))
        np.testing.assert_array_equal(read(tmp_path / f"a{ending}").waypoints.time, times)


def test_dates_are_dates_for_others(tmp_path):
    table = Waypoints.from_columns(
        {"lon": [1], "lat": [2], "time": [np.datetime64("2031-05-04T06:00:00", "us")]}
    )
    write(tmp_path / "a.gpkg", Contents(waypoints=table))
    with sqlite3.connect(tmp_path / "a.gpkg") as book:
        (kind,) = book.execute(
            "select type from pragma_table_info('waypoints') where name='time'"
        ).fetchone()
    book.close()
    assert kind == "DATETIME"


def test_a_clean_layer_leaves_our_fields_out(tmp_path):
    written = write(tmp_path / "a.gpkg", full(), options=WriteOptions(clean=True))
    assert any("3 sightings" in w for w in written.words)
    assert [n for n, _ in pyogrio.list_layers(tmp_path / "a.gpkg")] == ["marks", "layer_styles"]
    w = read(tmp_path / "a.gpkg").waypoints
    assert w.name.tolist() == ["one", "two"]


def test_columns_with_reserved_names(tmp_path):
    extra = {
        "fid": np.array(["x"], dtype=object),
        "Geometry": np.array([1.5]),
        "NAME": np.array(["n"], dtype=object),
    }
    table = Waypoints.from_columns({"lon": [1], "lat": [2], "name": ["a"]}, extra=extra)
    write(tmp_path / "a.gpkg", Contents(waypoints=table))
    again = read(tmp_path / "a.gpkg").waypoints
    assert again.name[0] == "a"
    assert again.extra["fid_"][0] == "x"
    assert again.extra["Geometry_"][0] == 1.5


ODD_NAMES = ["which!one", "bait; rock", "a!b;c!d", "100% (2)", "zip+file", "mit Umlaut äöü ⚓"]


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("name", ODD_NAMES)
def test_a_path_is_a_name_and_never_an_address(tmp_path, monkeypatch, ending, name):
    # The door to GDAL takes ! and ; for parts of an address and would read and write elsewhere.
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.chdir(home)
    theirs = home / f"one{ending}"
    theirs.write_text("somebody's file")
    folder = tmp_path / f"{name} folder"
    folder.mkdir()
    waypoints = Waypoints.from_columns(
        {"lon": [1.5, -2.0], "lat": [3.0, -4.25], "name": ["a", "b"], "source": "x"}
    )
    path = folder / f"{name}{ending}"
    assert write(path, Contents(waypoints=waypoints)).files[0] == path
    assert read(path).waypoints.lon.tolist() == [1.5, -2.0]
    assert {p.name.rpartition(".")[0] for p in folder.iterdir()} == {name}
    assert [p.name for p in home.iterdir()] == [theirs.name]
    assert theirs.read_text() == "somebody's file"


def test_marks_with_styles_and_a_plan_go_to_an_odd_name(tmp_path):
    path = tmp_path / "holds! two;" / "a!.gpkg"
    path.parent.mkdir()
    write(path, full())
    back = read(path)
    assert len(back.marks) == len(full().marks)
    assert "layer_styles" in {str(name) for name, _ in pyogrio.list_layers(f"/vsisubfile/0,{path}")}
    plan = tmp_path / "which!one.geojson"
    write_shapes(plan, points(), "plan")
    assert len(read_shapes(plan)) == 2


def test_members_of_collections_are_points_and_lines_of_their_own(tmp_path):
    inner = {"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": [5, 6]}]}
    members = [
        {"type": "Point", "coordinates": [1, 2]},
        {"type": "LineString", "coordinates": [[3, 4], [3, 5]]},
        inner,
        {"type": "MultiPoint", "coordinates": [[7, 8], [9, 10]]},
    ]
    features = [
        {"type": "Feature", "properties": {"name": n}, "geometry": g}
        for n, g in (
            ("before", {"type": "Point", "coordinates": [0, 0]}),
            ("ledge", {"type": "GeometryCollection", "geometries": members}),
            ("after", {"type": "Point", "coordinates": [11, 12]}),
        )
    ]
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    contents = read(path)
    assert contents.waypoints.lon.tolist() == [0, 1, 5, 7, 9, 11]
    assert contents.waypoints.name.tolist() == ["before", *["ledge"] * 4, "after"]
    assert contents.tracks.lat.tolist() == [4, 5]
    assert contents.tracks.name.tolist() == ["ledge", "ledge"]


@pytest.mark.parametrize("geometry", [None, {"type": "GeometryCollection", "geometries": []}])
def test_a_feature_without_a_shape_is_told_once(tmp_path, geometry):
    features = [
        {"type": "Feature", "properties": {}, "geometry": g}
        for g in ({"type": "Point", "coordinates": [1, 2]}, geometry)
    ]
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    contents = read(path, skip_bad=True)
    assert [(r.row, r.code) for r in contents.rejected] == [(2, "shape-missing")]
    assert len(contents.waypoints) == 1


def test_lists_in_a_feature_ride_along_as_text(tmp_path):
    properties = {"seen": ["bait", "größe"], "depths": [1, 2.5], "name": "a"}
    feature = {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": "Point", "coordinates": [1, 2]},
    }
    bare = {**feature, "properties": {"name": "b"}}
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature, bare]}))
    extra = read(path).waypoints.extra
    assert extra["seen"].tolist() == ['["bait", "größe"]', ""]
    assert json.loads(extra["depths"][0]) == [1, 2.5]


@pytest.mark.parametrize("text", ['{"type": "foo"}', "{ }", '{"type": "Feature", "geometry"'])
def test_json_that_is_no_geojson_is_named_so(tmp_path, text):
    path = tmp_path / "a.geojson"
    path.write_text(text)
    with pytest.raises(
        FileError, match=r"the file is not GeoJSON, or it is damaged|cannot be read"
    ):
        read(path)
