"""`athwart run` as a user types it."""

import itertools
import json
import re
from pathlib import Path

import numpy as np
import pytest
import shapely

from athwart.formats import read
from athwart.formats.shapes import read_features
from athwart.geometry.geodesic import inverse

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
BANK = SAMPLES / "bank.geojson"
SIDE = ("--off", "18m", "--side", "starboard")


def lines_file(path, *lines):
    features = [
        {"type": "Feature", "properties": {"name": n}, "geometry": shapely.geometry.mapping(g)}
        for n, g in lines
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def test_a_run_along_the_sample_bank_keeps_its_distance_by_geodesic(run, tmp_path):
    """The bank's points 0.2 m apart; pyproj's geodesic from each point of the written route."""
    out = tmp_path / "run.gpx"
    code, said, err = run("run", BANK, *SIDE, "--turn", "12m", "-o", out)
    assert code == 0
    assert "1 route written to run.gpx" in err
    assert "18.0 m to starboard of North bank" in said
    assert "Advice, not navigation" in said
    bank = json.loads(BANK.read_text())["features"][0]["geometry"]["coordinates"]
    dense = shapely.get_coordinates(shapely.segmentize(shapely.LineString(bank), 2e-6))
    routes = read(out).routes
    assert shapely.LineString(np.stack([routes.lon, routes.lat], axis=1)).is_simple
    for lon, lat in zip(routes.lon[::9], routes.lat[::9], strict=True):
        _, away = inverse(np.full(len(dense), lon), np.full(len(dense), lat), *dense.T)
        assert 17.95 < away.min() < 24


def test_json_tells_all_of_it(run):
    code, out, _ = run("run", BANK, *SIDE, "--turn", "12m", "--speed", "2kn", "--json")
    value = json.loads(out)
    assert code == 0
    assert value["nearest_m"] >= 18.0
    assert value["tightest_turn_m"] >= 12.0
    assert value["seconds"] == pytest.approx(value["length_m"] / (2 * 1852 / 3600))
    assert all(s["distance_m"] > 18 for s in value["stretches"])
    (piece,) = value["pieces"]
    assert piece["name"] == "North bank, 18 m starboard"
    assert value["hazards"] == value["zones"] == []


def test_pieces_keep_to_what_the_steering_unit_takes(run, tmp_path):
    """The invented small plotter: 30 points in a route; and lengths of 0.2 km."""
    limits = tmp_path / "unit.toml"
    limits.write_text("max_route_points = 30\nmax_track_km = 0.2\n")
    out = tmp_path / "run.geojson"
    code, said, _ = run("run", BANK, *SIDE, "--limits", limits, "-o", out, "-o", tmp_path / "r.gpx")
    assert code == 0
    pieces = [np.array(f.geometry.coords) for f in read_features(out)]
    assert re.search(rf"in {len(pieces)} pieces under the limits", said)
    assert max(map(len, pieces)) <= 30
    for here, following in itertools.pairwise(pieces):
        np.testing.assert_allclose(here[-1], following[0], atol=1e-9)
    for p in pieces:
        assert inverse(*p[:-1].T, *p[1:].T)[1].sum() <= 200.01
    assert len(set(read(tmp_path / "r.gpx").routes.line.tolist())) == len(pieces)


def test_a_long_straight_step_gets_points_in_between(run, tmp_path):
    line = lines_file(tmp_path / "l.geojson", ("wall", shapely.LineString([(12, 55), (12.02, 55)])))
    limits = tmp_path / "unit.toml"
    limits.write_text("max_track_km = 0.3\n")
    code, out, _ = run("run", line, *SIDE, "--limits", limits, "--json")
    assert code == 0
    steps = [np.array(p["points"]) for p in json.loads(out)["pieces"]]
    assert all(inverse(*p[:-1].T, *p[1:].T)[1].sum() <= 300.01 for p in steps)
    assert len(steps) == 5  # 20 minutes of longitude / 1000: 1279 m


def test_hazards_and_zones_along_it_are_told(run, tmp_path):
    marks = tmp_path / "marks.csv"
    marks.write_text(
        "mark_id,name,lon,lat,kind,hazard,r95_m\n"
        "aa,Snag,12.005,54.9997,timber,yes,6\nbb,Soft,12.006,54.9997,weed,,6\n"
    )
    line = lines_file(tmp_path / "l.geojson", ("wall", shapely.LineString([(12, 55), (12.02, 55)])))
    zones = lines_file(tmp_path / "z.geojson", ("Pens", shapely.box(12.01, 54.99, 12.012, 55)))
    words = ("run", line, *SIDE, "--marks", marks, "--zones", zones)
    code, out, _ = run(*words)
    assert code == 0
    # 0.0003 degrees of latitude at 55: 33.40 m (111,331 m a degree; Bowditch's series, from memory);
    # marks without sightings count as waypoints: R95 is 2.4477 x 4 m = 9.79 m
    assert re.search(
        r"hazard: Snag to starboard, 3(19|20) m along: 5\.[56] m clear of its R95", out
    )
    assert "Soft" not in out
    assert 'zone: runs through "Pens" for 128 m' in out
    assert "The law of the place decides" in out
    code, out, _ = run(*words, "--json")
    value = json.loads(out)
    assert [h["name"] for h in value["hazards"]] == ["Snag"]
    assert value["hazards"][0]["distance_m"] == pytest.approx(33.40 - 18.05, abs=0.1)
    assert value["zones"][0]["state"] == "partly inside"


def test_a_line_is_chosen_by_name_or_number(run, tmp_path):
    two = lines_file(
        tmp_path / "two.geojson",
        ("North", shapely.LineString([(12, 55), (12.01, 55)])),
        ("South", shapely.LineString([(12, 54.9), (12.02, 54.9)])),
    )
    code, _, err = run("run", two, *SIDE)
    assert code == 2
    assert "two.geojson has 2 lines; choose one: 1 North, 2 South (--line)" in err
    for choice in ("south", "2"):
        code, out, _ = run("run", two, *SIDE, "--line", choice)
        assert code == 0
        assert "of South" in out
    code, _, err = run("run", two, *SIDE, "--line", "West")
    assert code == 2
    assert "no line called 'West'" in err


def test_a_track_of_yesterday_can_be_followed(run):
    code, out, _ = run(
        "run", SAMPLES / "trip-1-track.gpx", "--off", "60ft", "--side", "port", "--units", "feet"
    )
    assert code == 0
    assert "60.0 ft to port of Tern 1" in out
    assert " m " not in out


def test_an_island_is_gone_round(run):
    code, out, _ = run(
        "run", SAMPLES / "coastline.geojson", *SIDE, "--line", "Tuft islet", "--json"
    )
    value = json.loads(out)
    assert code == 0
    points = value["pieces"][0]["points"]
    assert points[0] == pytest.approx(points[-1])


def test_a_line_of_a_book_can_be_followed(run, tmp_path):
    book = tmp_path / "season.gpkg"
    assert run("book", "add", book, SAMPLES / "trip-1-track.gpx")[0] == 0
    code, out, _ = run("run", book, *SIDE)
    assert code == 0
    assert "to starboard of Tern 1" in out


def test_back_and_nearer_are_obeyed(run):
    code, out, _ = run("run", BANK, *SIDE, "--turn", "45m", "--nearer", "8m", "--back", "--json")
    value = json.loads(out)
    assert code == 0
    assert value["reversed"] is True
    assert 10.0 <= value["nearest_m"] < 18.0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((BANK, "--off", "18m"), "--side"),
        ((BANK, "--off", "18 parsecs", "--side", "port"), "parsecs"),
        ((BANK, "--off", "0m", "--side", "port"), "the distance is 0 m; allowed is 0.5 m"),
        ((SAMPLES / "waypoints.gpx", *SIDE), "no line, no outline, no track and no route"),
        ((SAMPLES / "nothing.geojson", *SIDE), "nothing.geojson"),
        ((BANK, *SIDE, "--speed", "0kn"), "the speed is 0 m/s"),
    ],
)
def test_bad_input_is_refused_in_a_sentence(run, words, said):
    code, out, err = run("run", *words)
    assert code in (1, 2)
    assert out == ""
    assert said in err
