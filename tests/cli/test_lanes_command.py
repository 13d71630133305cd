"""`athwart lanes` as a user types it."""

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
import shapely

from athwart.formats.shapes import read_features

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
AREA = SAMPLES / "area.geojson"
ZONES = SAMPLES / "zones.geojson"
GPX = "{http://www.topografix.com/GPX/1/1}"
DEEP = ["--range", "60m", "--depth", "15m"]


def test_lanes_are_told_and_written_for_map_and_plotter(run, tmp_path):
    plan, route, page = (tmp_path / f"lanes.{e}" for e in ("geojson", "gpx", "html"))
    code, out, err = run("lanes", AREA, *DEEP, "-o", plan, "-o", route, "-o", page)
    assert code == 0
    assert "spacing" in out
    assert "of turns and run-ins" in out
    assert "the lanes see 100.0 %" in out
    assert "beyond the area" in out
    assert "Advice, not navigation" in out
    features = read_features(plan)
    assert {f.role for f in features} == {"lane", "run"}
    (way,) = (f.geometry for f in features if f.role == "run")
    root = ElementTree.parse(route).getroot()
    points = root.findall(f"{GPX}rte/{GPX}rtept")
    assert len(root.findall(f"{GPX}rte")) == 1
    assert len(points) == shapely.get_num_coordinates(way)
    assert page.stat().st_size > 10_000
    assert "1 route written" in err


def test_a_plotters_limits_cut_the_route(run, tmp_path):
    code, _, err = run(
        "lanes", AREA, *DEEP, "-o", tmp_path / "l.gpx", "--limits", SAMPLES / "small-plotter.toml"
    )
    assert code == 0
    assert "too long for the plotter" in err
    root = ElementTree.parse(tmp_path / "l.gpx").getroot()
    assert all(len(r.findall(f"{GPX}rtept")) <= 30 for r in root.findall(f"{GPX}rte"))


def test_a_route_of_ends_alone_is_short(run, tmp_path):
    path = tmp_path / "l.gpx"
    code, out, _ = run("lanes", AREA, *DEEP, "-o", path, "--ends-only", "--json")
    assert code == 0
    points = ElementTree.parse(path).getroot().findall(f"{GPX}rte/{GPX}rtept")
    assert len(points) == 2 * len(json.loads(out)["lanes"])


def test_closed_zones_are_kept_out_of_and_others_told(run, tmp_path):
    code, out, err = run("lanes", AREA, *DEEP, "--zones", ZONES, "--json")
    assert code == 0
    value = json.loads(out)
    assert value["left_out_m2"] > 0
    assert value["promised_m2"] + value["left_out_m2"] == pytest.approx(value["area_m2"], rel=1e-4)
    assert "left out:" in err
    free = json.loads(run("lanes", AREA, *DEEP, "--json")[1])
    assert free["left_out_m2"] == 0
    assert free["time_s"] == pytest.approx(free["length_m"] / (4 * 1852 / 3600))
    assert len(free["lanes"]) > 5
    for lane in free["lanes"]:
        assert abs(lane["start"]["lon"]) <= 180


def test_the_holes_of_a_coverage_are_its_input(run, tmp_path):
    seen, again = tmp_path / "seen.geojson", tmp_path / "again.geojson"
    log = SAMPLES / "trip-2-log.nmea"
    assert run("coverage", log, "--range", "45m", "--area", AREA, "-o", seen)[0] == 0
    code, out, _ = run("lanes", seen, *DEEP, "--json", "-o", again)
    assert code == 0
    value = json.loads(out)
    holes = sum(float(f.values["area_m2"]) for f in read_features(seen) if f.role == "not seen")
    assert value["area_m2"] == pytest.approx(holes, rel=1e-3)
    more = json.loads(run("lanes", seen, *DEEP, "--under", "--json")[1])
    assert more["area_m2"] > value["area_m2"]
    # What lanes write is a way to look along again.
    code, out, _ = run(
        "coverage", again, "--range", "60m", "--depth", "15m", "--area", AREA, "--json"
    )
    assert code == 0
    assert json.loads(out)["seen_m2"] > 0


def test_feet_are_shown_as_feet(run):
    code, out, err = run("lanes", AREA, "--range", "200ft", "--depth", "50ft", "--units", "feet")
    assert code == 0
    assert " ft at most" in out
    assert " kn, " in out
    assert " m " not in out + err


WRONG = [
    ([AREA], 2, "Missing option '--range'"),
    ([AREA, "--range", "40m"], 2, "Missing option '--depth'"),
    ([AREA, "--range", "10m", "--depth", "15m"], 1, "only where the range is the greater"),
    ([AREA, *DEEP, "--turn-radius", "0m"], 1, "the turn radius is 0 m"),
    ([AREA, *DEEP, "--keep-out", AREA], 1, "no lane fits"),
    ([AREA, *DEEP, "--speed", "0kn"], 1, "the speed is 0 m/s"),
    ([SAMPLES / "bank.geojson", *DEEP], 1, "areas"),
    ([SAMPLES / "none.geojson", *DEEP], 1, "none.geojson"),
]


@pytest.mark.parametrize(("words", "code", "sentence"), WRONG)
def test_bad_input_is_refused_in_a_sentence(run, words, code, sentence):
    got, out, err = run("lanes", *words)
    assert got == code
    assert sentence in out + err


def test_a_plan_with_nothing_left_to_see_says_so(run, tmp_path):
    plan = tmp_path / "lanes.geojson"
    assert run("lanes", AREA, *DEEP, "-o", plan)[0] == 0
    code, _, err = run("lanes", plan, *DEEP)
    assert code == 1
    assert "holds no ground that is not seen" in err
    assert run("lanes", AREA, *DEEP, "-o", plan)[0] == 1


def test_a_missing_option_is_said_with_what_it_is(run):
    code, _, err = run("lanes", AREA, "--range", "40m")
    assert code == 2
    assert err.rstrip().splitlines()[-1].startswith("--depth: ")
    assert len(err.rstrip().splitlines()[-1]) > len("--depth: ") + 10
