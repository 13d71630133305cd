"""`athwart zones` as a user types it."""

import json
from pathlib import Path

import pytest
import shapely

from athwart.features import Feature
from athwart.formats.shapes import read_features, write_features

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
WAYPOINTS = SAMPLES / "waypoints.gpx"


def feature(geometry, **properties):
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def square(west, south, east, north):
    return shapely.geometry.mapping(shapely.box(west, south, east, north))


@pytest.fixture
def zones(tmp_path):
    """One square about the waypoint ANVIL of the samples, and one far off."""
    path = tmp_path / "closed.geojson"
    shapes = [
        feature(
            square(-21.300, -46.200, -21.298, -46.1985),
            Name="Pier <b>",
            note="no anchoring",
            kind="closed",
        ),
        feature(square(10, 50, 10.1, 50.1), Name="Elsewhere"),
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": shapes}))
    return path


def test_marks_are_told_with_the_rule_and_the_law_is_named(run, zones):
    code, out, err = run("zones", WAYPOINTS, "--zones", zones)
    assert code == 0
    first = out.splitlines()[0]
    assert first.startswith('ANVIL (R95 9.8 m): inside "Pier <b>", ')
    assert first.endswith("Rule: no anchoring")
    assert "15 marks against 2 zones: 1 inside" in out
    assert "the law of the place decides" in out
    assert "does not mean that anything is allowed" in out
    assert "names from the column 'Name', rules from the column 'note'" in err


def test_json_says_where_and_how_far(run, zones):
    code, out, _ = run("zones", WAYPOINTS, "--zones", zones, "--json")
    value = json.loads(out)
    assert code == 0
    (mark,) = value["marks"]
    assert (mark["name"], mark["state"], mark["zone"]) == ("ANVIL", "inside", 0)
    assert mark["distance_m"] < 0
    assert (value["touched"], value["clear"]) == (1, 14)
    assert value["zones"][0] == {
        "name": "Pier <b>",
        "rule": "no anchoring",
        "kind": "closed",
        "closed": True,
    }
    assert "the law of the place decides" in value["caution"]


def test_near_lists_zones_that_are_clear_and_units_are_the_users(run, zones):
    code, out, _ = run("zones", WAYPOINTS, "--zones", zones, "--near", "500ft", "--units", "feet")
    assert code == 0
    assert 'clear of "Pier <b>" by ' in out
    assert " ft" in out
    assert " m " not in out.split("against")[0]


def test_a_plan_is_judged_and_written_with_the_zones(run, zones, tmp_path):
    plan = tmp_path / "plan.gpkg"
    line = shapely.LineString([(-21.301, -46.199), (-21.297, -46.199)])
    hold = shapely.Point(-21.2979, -46.199)
    write_features(
        plan,
        [
            Feature(role="run", geometry=line, name="bank"),
            Feature(role="hold", geometry=hold, values={"r95_m": 20.0}),
        ],
    )
    out_file = tmp_path / "both.geojson"
    code, out, _ = run("zones", plan, "--zones", zones, "-o", out_file)
    assert code == 0
    # 0.002 degrees of longitude at 46.199 S: 77,237 m a degree (Bowditch's series, from memory)
    assert 'bank (line to run along): runs through "Pier <b>" for 154 m, from 77 m along it' in out
    assert 'where to hold the boat (shape 2): only 7.7 m from the edge of "Pier <b>"' in out
    assert [f.role for f in read_features(out_file)] == ["run", "hold", "zone", "zone"]


def test_routes_of_a_file_are_judged(run, zones, tmp_path):
    path = tmp_path / "way.gpx"
    path.write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        '<rte><name>Way</name><rtept lat="-46.199" lon="-21.301"/><rtept lat="-46.199" lon="-21.297"/>'
        "</rte></gpx>"
    )
    code, out, _ = run("zones", path, "--zones", zones)
    assert code == 0
    assert 'Way (route): runs through "Pier <b>"' in out


def test_a_book_is_never_read_as_a_plan_and_its_private_marks_stay_private(run, zones, tmp_path):
    book = tmp_path / "season.gpkg"
    for words in (("add", book, WAYPOINTS), ("merge", book), ("edit", book, "ANVIL", "--private")):
        assert run("book", *words)[0] == 0
    code, out, _ = run("zones", book, "--zones", zones)
    assert code == 0
    assert "ANVIL" not in out
    assert "0 inside" in out
    code, out, _ = run("zones", book, "--zones", zones, "--with-private")
    assert "ANVIL" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((WAYPOINTS,), "give your own zones with --zones FILE"),
        ((WAYPOINTS, "--zones", SAMPLES / "none.geojson"), "none.geojson"),
        ((WAYPOINTS, "--zones", SAMPLES / "waypoints.gpx"), "the ending '.gpx' is none of these"),
    ],
)
def test_bad_input_is_refused_in_a_sentence(run, words, said):
    code, out, err = run("zones", *words)
    assert code in (1, 2)
    assert out == ""
    assert said in err


def test_a_zone_that_cannot_be_read_is_never_passed_over(run, tmp_path):
    path = tmp_path / "z.geojson"
    shapes = [feature(square(0, 0, 1, 1)), feature(None, name="lost")]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": shapes}))
    code, _, err = run("zones", WAYPOINTS, "--zones", path)
    assert code == 1
    assert "z.geojson" in err
    assert "row 2 of the layer 'z' has no shape that can be read" in err
    shapes[1] = feature(
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [0, 0], [0, 0]]]}, name="Flat"
    )
    path.write_text(json.dumps({"type": "FeatureCollection", "features": shapes}))
    code, _, err = run("zones", WAYPOINTS, "--zones", path)
    assert code == 1
    assert "'Flat' (row 2) encloses nothing" in err


def test_zones_and_plans_go_onto_the_map(run, zones, tmp_path):
    plan, page = tmp_path / "plan.geojson", tmp_path / "map.html"
    line = shapely.LineString([(-21.301, -46.199), (-21.297, -46.199)])
    write_features(plan, [Feature(role="run", geometry=line, name="bank")])
    code, _, err = run("map", WAYPOINTS, "--plan", plan, "--zones", zones, "-o", page)
    assert code == 0
    assert "15 marks and 3 shapes of a plan drawn on map.html" in err
    text = page.read_text(encoding="utf-8")
    assert "line to run along" in text
    assert "Pier <b>" not in text
    assert "Pier \\u003cb\\u003e" in text
    code, _, err = run("map", "--plan", plan, "-o", tmp_path / "plan.html")
    assert code == 0
    assert "0 marks and 1 shape of a plan" in err
    code, _, err = run("map", "-o", tmp_path / "nothing.html")
    assert code == 2
    assert "there is nothing to draw" in err
    code, _, err = run("map", "--plan", zones, "-o", tmp_path / "no.html")
    assert code == 1
    assert "no column 'role'" in err


def test_a_plan_is_written_as_a_map_over_a_background_in_the_users_units(run, zones, tmp_path):
    page = tmp_path / "zones.html"
    coast = SAMPLES / "coastline.geojson"
    words = ("zones", WAYPOINTS, "--zones", zones, "-o", page, "--background", coast)
    code, _, err = run(*words, "--units", "fathoms")
    assert code == 0
    assert "2 shapes drawn on zones.html" in err
    text = page.read_text(encoding="utf-8")
    assert '"word":"fm"' in text
    assert '"background":{' in text
    assert "ANVIL" in text
    code, _, err = run(*words)
    assert code in (1, 2)
    assert "zones.html" in err
