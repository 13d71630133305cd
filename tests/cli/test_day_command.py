"""``athwart day`` as a user runs it."""

import json
import re
from itertools import pairwise
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
MARKS = SAMPLES / "waypoints.gpx"
START = "46 11.98 S, 21 17.75 W"
LEAVE = "2025-06-01T10:00Z"


def lines(out):
    return [line for line in out.splitlines() if re.match(r"\s*\d+  ", line)]


def names_of(run):
    code, out, err = run("day", MARKS, "--start", START, "--json")
    assert code == 0, err
    return [s["name"] for s in json.loads(out)["stops"]]


def test_a_round_through_all_marks(run):
    code, out, err = run("day", MARKS, "--start", START, "--depart", LEAVE)
    assert code == 0, err
    assert len(lines(out)) == 16  # 15 marks and the way back
    assert "start" in lines(out)[-1]
    assert "sunset" in out
    assert "Not for navigation" in err
    assert "may cross land" in err


def test_json_is_one_object_with_everything(run):
    code, out, _ = run("day", MARKS, "--start", START, "--depart", LEAVE, "--json")
    value = json.loads(out)
    assert code == 0
    assert len(value["stops"]) == 15
    assert value["depart"] == "2025-06-01T10:00:00.000Z"
    assert sum(s["leg"]["length_m"] for s in value["stops"]) + value["home"][
        "length_m"
    ] == pytest.approx(value["length_m"])
    assert value["moon"]["lit"] == pytest.approx(0.34, abs=0.02)
    assert "Not for navigation" in value["caution"]


def test_sheet_route_and_plan_are_written(run, tmp_path):
    sheet, route, plan = tmp_path / "day.html", tmp_path / "day.gpx", tmp_path / "day.geojson"
    code, _, err = run(
        "day", MARKS, "--start", START, "--depart", LEAVE, "-o", sheet, "-o", route, "-o", plan,
        "--limits", SAMPLES / "small-plotter.toml", "--keep-out", SAMPLES / "coastline.geojson",
    )  # fmt: skip
    assert code == 0, err
    assert '<ol class="stops">' in sheet.read_text(encoding="utf-8")
    text = route.read_text(encoding="utf-8")
    points = re.findall(r"<rtept[^>]*><name>(.*?)</name>", text)
    assert text.count("<rtept") == len(points) >= 17
    assert all(len(n) <= 10 and n.isascii() and n == n.upper() for n in points)
    assert points[0] == points[-1] == "START"
    roles = [f["properties"]["role"] for f in json.loads(plan.read_text())["features"]]
    assert (roles.count("leg"), roles.count("stop")) == (16, 15)
    code, _, err = run("day", MARKS, "--start", START, "-o", sheet)
    assert code == 1
    assert "exists" in err


def test_legs_and_marks_are_drawn_on_a_map(run, tmp_path):
    page = tmp_path / "map.html"
    code, _, err = run("day", MARKS, "--start", START, "--map", page)
    assert code == 0, err
    text = page.read_text(encoding="utf-8")
    assert "way from mark to mark" in text
    assert "mark to visit" in text
    code, _, err = run("day", MARKS, "--start", START, "--map", tmp_path / "map.pdf")
    assert code == 2
    assert "must end in .html" in err


def test_a_long_route_is_cut_as_the_plotter_takes_it(run, tmp_path):
    limits = tmp_path / "tiny.toml"
    limits.write_text("max_route_points = 6\nmax_name = 6\ncharset = 'ascii-upper'\n")
    route = tmp_path / "day.gpx"
    code, _, err = run("day", MARKS, "--start", START, "-o", route, "--limits", limits)
    assert code == 0, err
    pieces = re.findall(r"<rte>(.*?)</rte>", route.read_text(encoding="utf-8"), re.DOTALL)
    assert len(pieces) == 4
    ends = [re.findall(r"<rtept.*?<name>(.*?)</name>", p) for p in pieces]
    assert all(len(p) <= 6 for p in ends)
    for a, b in pairwise(ends):
        assert a[-1] == b[0]  # the same point keeps its one name
    every = [n for p in ends for n in p[1:]]
    assert len(set(every)) == len(every)


def test_only_the_marks_that_were_named_in_the_order_that_was_asked(run):
    first, second, third = [n for n in names_of(run) if n][:3]
    named = f"{third}, {first},{second}"
    code, out, _ = run("day", MARKS, "--start", START, "--marks", named, "--in-order", "--json")
    assert code == 0
    assert [s["name"] for s in json.loads(out)["stops"]] == [third, first, second]
    code, out, _ = run(
        "day", MARKS, "--start", START, "--marks", named, "--first", second, "--last", third,
        "--stay-at", f"{first}=45min", "--json",
    )  # fmt: skip
    stops = json.loads(out)["stops"]
    assert [s["name"] for s in stops] == [second, first, third]
    assert [s["stay_s"] for s in stops] == [1200, 2700, 1200]


def test_a_day_from_mark_to_mark(run):
    first, *_, last = [n for n in names_of(run) if n]
    code, out, err = run("day", MARKS, "--start", first, "--end", last, "--json")
    value = json.loads(out)
    assert code == 0, err
    assert value["start"]["name"] == first
    assert value["end"]["name"] == last
    assert len(value["stops"]) == 13  # where the day begins and ends is not visited
    code, out, _ = run("day", MARKS, "--start", first, "--one-way", "--json")
    value = json.loads(out)
    assert value["end"] is None
    assert value["home"] is None
    assert len(value["stops"]) == 14


def test_tide_and_depth_at_arrival(run, tmp_path):
    book = tmp_path / "trip.gpkg"
    code, _, err = run(
        "fix", SAMPLES / "trip-1-picks.csv", "--track", SAMPLES / "trip-1-track.gpx",
        "--boat", SAMPLES / "tern.toml", "-o", book,
    )  # fmt: skip
    assert code == 0, err
    words = (
        "day", book, "--start", START, "--depart", LEAVE, "--tide", SAMPLES / "tides.csv",
        "--boat", SAMPLES / "tern.toml", "--draft", "0.5m",
    )  # fmt: skip
    code, out, err = run(*words, "--json")
    value = json.loads(out)
    assert code == 0, err
    assert len(value["tide"]) == 4
    anvil = next(s for s in value["stops"] if s["name"] == "Anvil")
    assert abs(anvil["tide_m"]) < 1.0
    assert anvil["depth_m"] > anvil["clearance_m"] > 0
    # The same as `athwart tide` says for that moment.
    code, out, _ = run(
        "tide", book, "--at", anvil["arrive"], "--tide", SAMPLES / "tides.csv", "--boat",
        SAMPLES / "tern.toml", "--draft", "0.5m", "--json",
    )  # fmt: skip
    said = next(m for m in json.loads(out)["marks"] if m["name"] == "Anvil")
    assert said["depth_then_m"] == pytest.approx(anvil["depth_m"], abs=0.01)
    code, out, _ = run(*words, "--margin", "30m")
    assert "LITTLE WATER" in out


def test_zones_of_the_user_are_said_and_closed_ones_kept_out(run, tmp_path):
    # About the waypoint "Saddle".
    corners = [(-21.284, -46.195), (-21.280, -46.195), (-21.280, -46.191), (-21.284, -46.191)]
    zone = {
        "type": "Feature",
        "properties": {"name": "Pens", "rule": "no anchoring"},
        "geometry": {"type": "Polygon", "coordinates": [[*corners, corners[0]]]},
    }
    file = tmp_path / "zones.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [zone]}))
    code, out, err = run("day", MARKS, "--start", START, "--zones", file, "--json")
    value = json.loads(out)
    assert code == 0, err
    assert not value["left_out"]
    (saddle,) = (s for s in value["stops"] if s["name"] == "Saddle")
    assert any('inside "Pens"' in w for w in saddle["warnings"])
    zone["properties"]["rule"] = "closed"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [zone]}))
    code, out, _ = run("day", MARKS, "--start", START, "--zones", file, "--json")
    value = json.loads(out)
    assert code == 0
    assert [x["name"] for x in value["left_out"]] == ["003", "Saddle"]
    assert not {"003", "Saddle"} & {s["name"] for s in value["stops"]}


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--start", "somewhere"), 2, "neither the name of one mark nor a position"),
        (("--start", "95 N, 12 E"), 2, "out of range"),
        (("--start", START, "--marks", "no such"), 2, "there is no mark 'no such'"),
        (("--start", START, "--end", START, "--one-way"), 2, "--end or --one-way, not both"),
        (("--start", START, "--in-order", "--first", "x"), 2, "leave --first and --last out"),
        (("--start", START, "--depart", "tomorrow"), 2, "is not a time"),
        (("--start", START, "--depart", "2025-06-01T10:00"), 2, "has no zone"),
        (("--start", START, "--speed", "0kn"), 2, "the speed is 0 m/s"),
        (("--start", START, "--clear", "-1m"), 2, "--clear is -1 m"),
        (("--start", START, "--stay-at", "Anvil"), 2, "write it like Anvil=45min"),
        (("--start", START, "--kind", "bus"), 1, "no mark is left to visit"),
        (("--start", "40 N, 10 W"), 1, "take one water at a time"),
        (("--start", START, "--level", "3m"), 2, "the tide needs a time to leave"),
        (("--start", START, "--tz", "Bad/Zone"), 2, "is no time zone"),
        ((), 2, "--start"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_a_sentence(run, words, code, said):
    got, out, err = run("day", MARKS, *words)
    assert got == code
    assert said in err
    assert out == ""


def test_private_marks_stay_out_unless_asked_for(run, tmp_path):
    book = tmp_path / "season.gpkg"
    for words in (
        ("add", book, MARKS), ("merge", book), ("edit", book, "Anvil", "--private"),
    ):  # fmt: skip
        code, _, err = run("book", *words)
        if code:
            pytest.fail(err)
    code, out, _ = run("day", book, "--start", START, "--json")
    assert "ANVIL" not in [s["name"] for s in json.loads(out)["stops"]]
    code, out, _ = run("day", book, "--start", START, "--with-private", "--json")
    (anvil,) = (s for s in json.loads(out)["stops"] if s["name"] == "ANVIL")
    assert "Private: this sheet gives it away." in anvil["warnings"]
