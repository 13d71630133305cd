"""`athwart tide` as a user types it."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
TIDES = SAMPLES / "tides.csv"
TYPED = (
    "tide", "--low", "2031-05-04T03:27Z 2.2ft", "--high", "2031-05-04T11:41Z 11.4ft",
)  # fmt: skip
DAY = "2025-06-01T13:00Z"


@pytest.fixture(scope="module")
def trip(tmp_path_factory):
    """Trip 1 of the samples, fixed."""
    from athwart.cli import main

    path = tmp_path_factory.mktemp("trip") / "trip-1.gpkg"
    with pytest.raises(SystemExit) as done:
        main(
            ["fix", str(SAMPLES / "trip-1-picks.csv"), "--track", str(SAMPLES / "trip-1-track.gpx"),
             "--boat", str(SAMPLES / "tern.toml"), "-o", str(path)]
        )  # fmt: skip
    assert done.value.code == 0
    return path


def test_the_worked_example_typed_in_feet(run):
    """5.8 ft by the published tables (see tests/plan/test_tide.py)."""
    code, out, _ = run(*TYPED, "--at", "2031-05-04T07:00Z", "--units", "feet")
    assert code == 0
    assert out.startswith("2031-05-04 07:00Z  5.8 ft above datum, ± ")
    assert "rising; by the rule of twelfths 5.9 ft" in out
    assert "low water  2031-05-04 03:27Z  2.2 ft" in out
    assert "Advice, not navigation" in out


def test_heights_of_a_day_in_a_zone_and_as_a_table(run, tmp_path):
    table = tmp_path / "heights.csv"
    code, out, _ = run(
        "tide", "--tide", TIDES, "--at", "2025-06-01T06:00", "--until", "2025-06-01T12:00",
        "--every", "1h", "--tz", "Europe/Lisbon",
    )  # fmt: skip
    assert code == 0
    assert out.startswith("2025-06-01 06:00+01:00")
    assert len([line for line in out.splitlines() if " datum, ± " in line]) == 7
    code, out, err = run(
        "tide", "--tide", TIDES, "--at", "2025-06-01T06:00Z", "--until", "2025-06-01T12:00Z",
        "-o", table,
    )  # fmt: skip
    assert code == 0
    assert "13 heights written" in err
    with table.open() as handle:
        rows = list(csv.DictReader(handle))
    assert [r["time"] for r in rows][:2] == ["2025-06-01T06:00:00.000Z", "2025-06-01T06:30:00.000Z"]
    assert run("tide", "--tide", TIDES, "--at", DAY, "-o", table)[0] == 1  # never over a file


def test_the_errors_of_a_table_can_be_set(run):
    code, out, _ = run(
        *TYPED,
        "--at",
        "2031-05-04T07:34Z",
        "--tide-error",
        "0.3m",
        "--shape-error",
        "0.1",
        "--json",
    )
    (row,) = json.loads(out)["heights"]
    assert code == 0
    assert row["sigma_m"] == pytest.approx(np.hypot(0.3, 0.1 * 9.2 * 0.3048), rel=1e-3)


def test_json_of_heights(run):
    code, out, _ = run(*TYPED, "--at", "2031-05-04T07:00Z", "--json")
    value = json.loads(out)
    assert code == 0
    (row,) = value["heights"]
    assert row["height_m"] == pytest.approx(5.813 * 0.3048, abs=1e-3)
    assert [t["what"] for t in value["turns"]] == ["low", "high"]


def test_water_over_marks_with_draft(run, trip):
    code, out, _ = run("tide", trip, "--tide", TIDES, "--at", DAY, "--draft", "0.6m")
    assert code == 0
    first, *lines = out.splitlines()
    assert first.startswith("2025-06-01 13:00Z: the water stands 0.13 m below datum")
    assert lines[0].startswith("Anvil: 10.0 m of water")  # shallowest clearance first
    assert "under the keel; S-44 vertical limit" in lines[0]
    assert any("its height is not known; no clearance is given" in line for line in lines)


def test_only_some_marks(run, trip):
    code, out, _ = run("tide", trip, *("--tide", TIDES, "--at", DAY), "--marks", "Saddle,anvil")
    assert code == 0
    assert "2 marks with a depth" in out
    code, out, _ = run("tide", trip, "--tide", TIDES, "--at", DAY, "--kind", "wreck", "--json")
    assert {m["kind"] for m in json.loads(out)["marks"]} == {"wreck"}
    code, _, err = run("tide", trip, "--tide", TIDES, "--at", DAY, "--marks", "Nessie")
    assert (code, "there is no mark 'Nessie'" in err) == (2, True)
    assert run("tide", trip, "--tide", TIDES, "--at", DAY, "--kind", "ufo")[0] == 1


def test_too_little_water_counts_and_sorts_first(run, trip):
    code, out, _ = run("tide", trip, "--tide", TIDES, "--at", DAY, "--draft", "12ft")
    assert code == 0
    assert "TOO LITTLE WATER" in out.splitlines()[1]
    assert "with a depth, 1 with too little water" in out


def test_json_and_table_of_marks(run, trip, tmp_path):
    path = tmp_path / "depths.csv"
    code, out, _ = run("tide", trip, "--tide", TIDES, "--at", DAY, "--json", "-o", path)
    value = json.loads(out)
    assert code == 0
    anvil = next(m for m in value["marks"] if m["name"] == "Anvil")
    assert anvil["depth_then_m"] == pytest.approx(anvil["datum_depth_m"] + anvil["tide_then_m"])
    assert anvil["clearance_m"] is None
    with path.open() as handle:
        row = next(r for r in csv.DictReader(handle) if r["name"] == "Anvil")
    assert float(row["depth_then_m"]) == pytest.approx(anvil["depth_then_m"])
    assert row["water"] == anvil["water"] == "draft not given"


def test_inland_water_needs_the_level_of_the_sounding(run, trip):
    code, out, err = run("tide", trip, "--level", "187.2m", "--at", DAY, "--draft", "0.6m")
    assert code == 0
    assert "what the level was when the marks were sounded is not known" in err
    assert "under the keel" not in out
    code, out, _ = run(
        "tide", trip, "--level", "187.2m", "--level-then", "188.2m", "--at", DAY, "--json"
    )
    low = {m["name"]: m["depth_then_m"] for m in json.loads(out)["marks"]}
    code, out, _ = run(
        "tide", trip, "--level", "188.2m", "--level-then", "188.2m", "--at", DAY, "--json"
    )
    same = {m["name"]: m["depth_then_m"] for m in json.loads(out)["marks"]}
    assert same["Anvil"] - low["Anvil"] == pytest.approx(1.0)


def test_readings_of_a_level(run, trip, tmp_path):
    levels = tmp_path / "dam.csv"
    levels.write_text("time,level_m\n2025-05-09T00:00Z,188\n2025-05-20T00:00Z,187\n"
                      "2025-06-01T00:00Z,186.5\n")  # fmt: skip
    code, out, _ = run("tide", trip, "--levels", levels, "--at", DAY, "--draft", "0.6m")
    assert code == 0
    assert "the water stands 186.50 m above datum" in out


def test_soundings_of_a_log_are_reduced(run, tmp_path):
    path = tmp_path / "soundings.csv"
    code, out, _ = run(
        "tide", SAMPLES / "trip-2-log.nmea", "--reduce", "--tide", TIDES,
        "--boat", SAMPLES / "tern.toml", "-o", path,
    )  # fmt: skip
    assert code == 0
    assert "1501 soundings brought to datum: from 10.6 m to" in out
    with path.open() as handle:
        row = next(csv.DictReader(handle))
    # 9.9 m read, 1479.6/1500 m/s (Mackenzie), 0.45 m deep; the cosine gives -0.552 m at 0658:40.
    assert float(row["datum_depth_m"]) == pytest.approx(9.9 * 0.9864 + 0.45 + 0.552, abs=0.01)


def test_soundings_without_a_transducer_depth_are_refused_with_the_way_out(run):
    code, _, err = run("tide", SAMPLES / "trip-2-log.nmea", "--reduce", "--tide", TIDES)
    assert code == 1
    assert "--transducer-depth" in err
    assert "none of 1501 soundings can be brought to datum: it is not known what they are" in err
    code, _, err = run(
        "tide", SAMPLES / "trip-2-log.nmea", "--reduce", "--transducer-depth", "0.5m",
        "--low", "2031-05-04T03:27Z 2.2ft", "--high", "2031-05-04T11:41Z 11.4ft",
    )  # fmt: skip
    assert code == 1
    assert "brought to datum: the height of the water at 2025-05-11 06:59Z is not known" in err


def test_a_series_of_heights(run, tmp_path):
    time = np.datetime64("2025-05-01", "m") + np.arange(24 * 40) * np.timedelta64(60, "m")
    hours = (time - time[0]) / np.timedelta64(60, "m")
    height = 2 + np.cos(2 * np.pi * hours / 12.4206) + 0.2 * np.sin(hours / 40)
    path = tmp_path / "gauge.csv"
    path.write_text(
        "time,height_m\n" + "".join(f"{t}Z,{h:.3f}\n" for t, h in zip(time, height, strict=True))
    )
    code, _, err = run("tide", "--tide", path, "--at", "2025-07-01T00:00Z")
    assert code == 2
    assert "latitude of the place is needed (--lat)" in err
    code, out, err = run("tide", "--tide", path, "--at", "2025-07-01T00:00Z", "--lat", "46 S")
    assert code == 0
    hour = 61 * 24
    got = float(out.split("Z  ")[1].split(" m")[0])
    assert got == pytest.approx(2 + np.cos(2 * np.pi * hour / 12.4206), abs=0.2)
    assert "is taken as a series of heights" in err


WRONG = [
    (["tide"], 2, "say how high the water is: --tide FILE"),
    (["tide", "--tide", TIDES, "--level", "3m"], 2, "--tide and --level are given; keep one"),
    (["tide", "--tide", TIDES, "--level-then", "3m"], 2, "give --level too"),
    (["tide", "--tide", TIDES, "--at", "2025-06-01T13:00"], 2, "has no zone"),
    (["tide", "--tide", TIDES, "--at", "2026-06-01T13:00Z"], 1, "runs from 2025-05-10 04:07Z to"),
    (["tide", "--tide", TIDES, "--at", "2025-05-20T13:00Z"], 1, "gaps apart"),
    (["tide", "--tide", TIDES, "--tide-error", "-1m"], 2, "allowed is 0 or more"),
    (["tide", "--tide", TIDES, "--shape-error", "5"], 2, "allowed is 0 to 1 of the range"),
    (["tide", "--tide", TIDES, "--reduce"], 2, "needs files with a track"),
    (["tide", "--tide", TIDES, "--at", DAY, "--every", "0s"], 2, "more than 0"),
    (["tide", "--tide", TIDES, "--at", DAY, "--until", DAY], 2, "later than --at"),
    (["tide", "--tide", TIDES, "--at", DAY, "-o", "x.gpx"], 2, "must end in .csv"),
    (["tide", "--high", "2031-05-04T03:27Z"], 2, "is no high or low water"),
    (["tide", "--high", "2031-05-04T03:27Z 2m"], 1, "1 given; at least 2 are needed"),
    ([*TYPED[:2], TYPED[4], "--high", TYPED[2]], 1, "--high and --low, by time: row"),
    (
        ["tide", "--low", "2031-05-04T03:00Z 1m", "--high", "2031-05-04T15:00Z 2m"],
        1,
        "(--once-a-day)",
    ),
    (["tide", "gone.gpx", "--tide", TIDES], 1, "there is no such file"),
    (["tide", SAMPLES / "trip-2-log.nmea", "--tide", TIDES, "--at", DAY], 1, "give --reduce"),
]


@pytest.mark.parametrize(("words", "code", "said"), WRONG)
def test_what_cannot_be_is_refused_in_a_sentence(run, words, code, said):
    got, out, err = run(*words)
    assert (got, said in err) == (code, True), err
    assert out == ""


def test_rows_left_out_are_said_where_no_file_was_asked_for(run, tmp_path):
    log = tmp_path / "trip.nmea"
    log.write_bytes((SAMPLES / "trip-2-log.nmea").read_bytes())
    boat = ("--boat", SAMPLES / "tern.toml")
    code, _, err = run("tide", log, "--reduce", "--tide", TIDES, *boat)
    assert code == 0
    assert "left out, trip.nmea: " in err
    assert [p.name for p in tmp_path.iterdir()] == ["trip.nmea"]
