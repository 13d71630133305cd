"""`athwart coverage` as a user types it."""

import json
from pathlib import Path

import pytest
import shapely

from athwart.formats.shapes import read_features

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
LOG = SAMPLES / "trip-2-log.nmea"
TRACK = SAMPLES / "trip-1-track.gpx"
AREA = SAMPLES / "area.geojson"


def test_what_was_seen_of_an_area_is_told_and_written(run, tmp_path):
    plan = tmp_path / "seen.geojson"
    code, out, err = run(
        "coverage", LOG, TRACK, "--range", "45m", "--depth", "12m", "--area", AREA, "-o", plan
    )
    assert code == 0
    assert "% of the area" in out
    assert "edge ±" in out
    assert "narrowed by that" in out
    assert "Not for navigation" in out
    assert "gaps in the track" in err
    features = read_features(plan)
    assert {f.role for f in features} == {"seen", "seen twice", "under the boat", "not seen"}
    assert shapely.is_valid([f.geometry for f in features]).all()
    parts = [f.values["part_of_area"] for f in features if f.role != "seen twice"]
    assert sum(map(float, parts)) == pytest.approx(1.0, abs=2e-3)


def test_json_is_one_object_and_the_cautious_swath_is_the_narrower(run):
    values = []
    for more in ([], ["--full-width"]):
        code, out, _ = run("coverage", LOG, "--range", "150ft", "--json", *more)
        assert code == 0
        values.append(json.loads(out))
    sure, wide = values
    assert (sure["cautious"], wide["cautious"]) == (True, False)
    assert 0 < sure["seen_m2"] < wide["seen_m2"]
    assert sure["area_m2"] is None
    assert sure["swath"]["far_m"] == pytest.approx((45.72**2 - 14**2) ** 0.5, rel=0.05)
    assert set(sure["left_out_m"]) == {"gap", "heading", "depth", "deep", "turn"}
    assert "Not for navigation" in sure["caution"]


def test_one_log_given_twice_is_seen_once(run, tmp_path):
    copy = tmp_path / "copy.nmea"
    copy.write_bytes(LOG.read_bytes())
    _, once, _ = run("coverage", LOG, "--range", "45m", "--json")
    _, twice, err = run("coverage", LOG, copy, "--range", "45m", "--json")
    once, twice = json.loads(once), json.loads(twice)
    assert twice["seen_twice_m2"] == pytest.approx(once["seen_twice_m2"], abs=1)
    assert "repeat others" in err


def test_feet_are_shown_as_feet_and_acres(run):
    code, out, err = run("coverage", LOG, "--range", "150ft", "--units", "feet")
    assert code == 0
    assert " ft out on a side" in out
    assert "acres" in out
    assert " m " not in out + err


def test_lanes_drawn_beforehand_are_taken_as_the_boats_way(run, tmp_path):
    route = tmp_path / "route.gpx"
    route.write_text(
        '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><rte>'
        '<rtept lat="55" lon="12"/><rtept lat="55.005" lon="12"/></rte></gpx>'
    )
    code, out, err = run("coverage", route, "--range", "45m", "--depth", "6m", "--json")
    assert code == 0
    assert "its routes are taken as the boat's way" in err
    # 556 m of meridian at 55 degrees; 44.6 - 3.5 m on either side, before it is narrowed.
    value = json.loads(out)
    assert value["length_m"] == pytest.approx(556.6, abs=1)
    assert 0.6 < value["seen_m2"] / (556.6 * 2 * (44.6 - 3.5)) < 0.9


WRONG = [
    ([TRACK, "--range", "45m"], 1, "the track has no depth; give it, such as 6 m (--depth)"),
    ([LOG], 2, "Missing option '--range'"),
    ([LOG, "--range", "0m"], 1, "the range is 0 m"),
    ([LOG, "--range", "45m", "--nadir", "95deg"], 1, "angle at nadir is 95 degrees"),
    ([LOG, "--range", "45m", "--smallest", "-1m"], 1, "the smallest hole is -1 m"),
    ([LOG, "--range", "45m", "--turn-radius", "-5m"], 1, "the turn radius is -5 m"),
    ([LOG, "--range", "45m", "-o", "x.gpx"], 2, "a GPX file holds no areas"),
    ([AREA, "--range", "45m"], 1, "holds no track"),
    ([SAMPLES / "waypoints.gpx", "--range", "45m"], 1, "holds no track"),
    ([LOG, "--range", "45m", "--area", SAMPLES / "bank.geojson"], 1, "areas"),
]


@pytest.mark.parametrize(("words", "code", "sentence"), WRONG)
def test_bad_input_is_refused_in_a_sentence(run, words, code, sentence):
    got, out, err = run("coverage", *words)
    assert got == code
    assert sentence in out + err


def test_an_existing_file_is_not_replaced(run, tmp_path):
    plan = tmp_path / "seen.geojson"
    plan.write_text("mine")
    code, _, err = run("coverage", LOG, "--range", "45m", "-o", plan)
    assert code == 1
    assert "--overwrite" in err
    assert plan.read_text() == "mine"
