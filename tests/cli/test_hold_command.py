"""`athwart hold` as a user types it."""

import json
from pathlib import Path

import gpxpy
import pytest

from athwart.formats.shapes import read_features
from athwart.geometry.geodesic import inverse

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
ANVIL = ("hold", "anvil", SAMPLES / "waypoints.gpx")
TYPED = ("hold", "Here", "--lat", "55 30 N", "--lon", "12 15 E", "--r95", "5m")
CURRENT = ("--set", "040", "--current", "0.8kn")


def test_a_hold_is_told_with_every_part_of_its_error(run):
    code, out, _ = run(*ANVIL, "--cast", "20m", *CURRENT, "--count", "12s 10m", "--depth", "9m")
    assert code == 0
    for words in (
        "ANVIL at 46°11.9568'S",
        "hold at",
        "from the mark, bearing 040 true",
        "bow to        220 true (",
        "0.4 m/s through the water keeps the place",
        "cast          20.0 m to 220 true",
        "count         11 seconds",
        "carries it 3.9 m meanwhile",  # 0.8 kn x 10.8 s x 7/8
        "comes down    within 13.7 m of the mark (95 %); R95 of the parts: the mark 9.8 m",
        "Advice, not navigation",
    ):
        assert words in out


def test_a_drift_and_the_heading_on_the_way(run):
    code, out, _ = run(
        *TYPED, "--before", "5min", "--adrift-to", "090", "--adrift", "1kn", "--approach", "000",
        "--boat-speed", "2kn", "--units", "feet",
    )  # fmt: skip
    assert code == 0
    assert "start drift" in out
    assert "506.3 ft before the mark; she goes to 090 true" in out  # 300 s at a knot
    assert "over it       after 5 min" in out
    assert "with a chance of" in out
    assert "330 true" in out  # asin(1/2) against a knot on the beam
    assert "30 degrees to port of the track" in out
    assert "at 1.7 kn" in out  # 2 cos 30


def test_json_and_files(run, tmp_path):
    plan, card = tmp_path / "hold.geojson", tmp_path / "hold.gpx"
    code, out, _ = run(
        *TYPED, "--cast", "20m", "--cast-to", "090", "--before", "60s", *CURRENT,
        "-o", plan, "-o", card, "--json",
    )  # fmt: skip
    value = json.loads(out)
    assert code == 0
    hold = value["hold"]
    bearing, distance = inverse(12.25, 55.5, hold["lon"], hold["lat"])
    assert (bearing, distance) == pytest.approx((270.0, 20.0), abs=1e-3)
    assert hold["r95_m"] > value["mark"]["r95_m"] == pytest.approx(5.0)
    assert value["drift"]["until_s"] == 60
    assert [f.role for f in read_features(plan)] == ["hold", "cast", "drift"]
    gpx = gpxpy.parse(card.read_text())
    (point,) = gpx.waypoints
    assert point.name == "hold Here"
    assert point.longitude == pytest.approx(hold["lon"], abs=1e-7)
    assert {r.name for r in gpx.routes} == {"cast Here", "drift Here"}
    assert run(*TYPED, "--cast", "20m", "--cast-to", "090", "-o", card)[0] == 1  # never over a file


def test_the_wind_turns_her_and_an_observed_drift_has_it_in(run):
    code, out, _ = run(*TYPED, "--cast", "20m", "--wind-from", "270", "--wind", "20kn")
    assert code == 0
    assert "bow to        270 true" in out
    assert "0.4 m/s through the water" in out  # 4 % of 20 kn
    code, _, err = run(*TYPED, "--cast", "20m", "--adrift-to", "090", "--adrift", "1kn",
                       "--count", "12s 10m", "--depth", "9m")  # fmt: skip
    assert code == 0
    assert "what carries the lure is taken to be the drift of the boat" in err


def test_magnetic_directions_are_turned_true(run):
    true = json.loads(run(*TYPED, "--cast", "20m", "--cast-to", "090", "--json")[1])
    if true["variation_deg"] is None:
        pytest.skip("the World Magnetic Model at hand does not reach today")
    magnetic = json.loads(run(*TYPED, "--cast", "20m", "--cast-to", "090M", "--json")[1])
    turned = magnetic["hold"]["cast_to_deg"] - true["hold"]["cast_to_deg"]
    assert turned == pytest.approx(true["variation_deg"])
    assert 3 < turned < 8  # the Baltic approaches, east


def test_zones_are_named(run, tmp_path):
    zones = tmp_path / "pens.geojson"
    corners = [[12.24, 55.49], [12.26, 55.49], [12.26, 55.51], [12.24, 55.51], [12.24, 55.49]]
    shape = {"type": "Polygon", "coordinates": [corners]}
    feature = {
        "type": "Feature",
        "properties": {"name": "Pens", "rule": "closed"},
        "geometry": shape,
    }
    zones.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    code, out, _ = run(*TYPED, "--cast", "20m", "--cast-to", "090", "--zones", zones)
    assert code == 0
    assert 'hold Here: inside "Pens"' in out
    assert "the law of the place decides" in out


def test_a_lure_without_a_sink_rate_and_a_hazard_are_cautioned(run):
    _, _, err = run(*TYPED, "--cast", "20m", *CURRENT)
    assert "the current's part on its way down is left out" in err


WRONG = [
    ([*TYPED], "say what for: --cast LENGTH"),
    (["hold", SAMPLES / "waypoints.gpx", "anvil", "--cast", "9m"], "name the mark first"),
    (["hold", "anvil", "--cast", "9m"], "give a mark and the file"),
    (["hold", "nessie", SAMPLES / "waypoints.gpx", "--cast", "9m"], "there is no mark 'nessie' among 15 marks; some of them are"),
    ([*ANVIL, "--r95", "4m", "--cast", "9m"], "has its own"),
    (["hold", "--lat", "55", "--cast", "9m"], "give both --lat and --lon"),
    (["hold", "--lat", "55", "--lon", "12", "--cast", "9m"], "takes --lat, --lon and --r95"),
    ([*TYPED, "--cast", "9m", "--set", "040"], "--set and --current belong together"),
    ([*TYPED, "--cast", "9m", "--current", "-1kn", "--set", "0"], "allowed is 0 or more"),
    ([*TYPED, "--cast", "0m"], "--cast is 0; allowed is more than 0"),
    ([*TYPED, "--cast", "9m", "--set", "north", "--current", "1kn"], "is not a heading"),
    ([*TYPED, "--before", "60s", "--depth", "9m", *CURRENT], "go with --cast"),
    ([*TYPED, "--cast", "9m", "--leeway", "0.1"], "--leeway is a part of the wind"),
    ([*TYPED, "--cast", "9m", "--wind-from", "0", "--wind", "9kn", "--adrift-to", "0",
      "--adrift", "1kn"], "has the wind in it"),
    ([*TYPED, "--cast", "9m", "--count", "9s 9m", *CURRENT], "say how deep (--depth)"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "said"), WRONG)
def test_what_is_typed_wrongly_is_refused(run, words, said):
    code, out, err = run(*words)
    assert (code, said in err) == (2, True), err
    assert out == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--cast", "9m"], "say where the cast goes to (--cast-to)"),
        (["--before", "60s"], "look at course and speed over the ground"),
        (["--approach", "0", "--boat-speed", "1kn", "--set", "90", "--current", "2kn"],
         "she cannot make good 000"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_refused(run, words, said):
    code, out, err = run(*TYPED, *words)
    assert (code, said in err) == (1, True), err
    assert out == ""
