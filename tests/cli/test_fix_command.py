"""`athwart fix` as a user types it: what it prints, and what it says when something is wrong."""

import json

import pytest

from athwart.cli import main

ONE = "fix --lat 55.5 --lon 12.25 --heading 40 --side port --slant-range 13 --depth 5"


@pytest.fixture
def run(capsys):
    def call(line):
        with pytest.raises(SystemExit) as done:
            main(line if isinstance(line, list) else line.split())
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return done.value.code, out, err

    return call


def test_one_typed_pick(run):
    code, out, err = run(ONE + " --name Anvil")
    assert code == 0
    assert out.startswith("Anvil\n")
    for words in (
        "position",
        "R95",
        "bearing 310.0 true",
        "12.0 m to port",
        "horizontal limit only",
    ):
        assert words in out
    assert "Not for navigation" in err
    assert "below the transducer" in err


def test_feet_in_feet_out(run):
    code, out, _ = run(
        "fix --lat 55.5 --lon 12.25 --heading 40 --side port --slant-range 70ft --depth 14ft --units feet"
    )
    assert code == 0
    assert "ground range 68.6 ft" in out  # sqrt(70^2 - 14^2) = 68.586
    assert " m " not in out


def test_json_is_one_object(run):
    code, out, _ = run(ONE + " --json")
    value = json.loads(out)
    assert code == 0
    assert value["rejected"] == []
    (sighting,) = value["sightings"]
    assert sighting["ground_range_m"] == pytest.approx(12.0)
    assert sighting["bearing_deg"] == pytest.approx(310.0)
    assert sighting["height_m"] is None
    assert sighting["s44_horizontal"] in ("exclusive", "special", "1", "2", "none")
    assert len(sighting["sighting_id"]) == 20


def test_json_of_a_rejected_pick_has_a_code(run):
    code, out, _ = run(ONE.replace("13", "4") + " --json")
    value = json.loads(out)
    assert code == 1
    assert value["sightings"] == []
    assert value["rejected"][0]["code"] == "range-shorter-than-altitude"


WRONG = [
    (ONE.replace("--slant-range 13", "--slant-range 4"), 1, "shorter than"),
    (ONE.replace("--side port ", ""), 1, "there is no side; allowed is port, starboard"),
    (ONE.replace("port", "left"), 1, "side is 'left'"),
    (ONE.replace("55.5", "91"), 2, "latitude '91' is out of range"),
    (ONE.replace("55.5", "nan"), 2, "nan"),
    (ONE + " --ground-range 12", 1, "give only one"),
    (ONE + " --seconds-back 4", 1, "needs a speed"),
    (ONE + " --seconds-back 4 --speed 4kn --along-track -20", 1, "entered twice"),
    (ONE + " --time 2026-03-01T06:12:30", 2, "has no zone"),
    (ONE + " --time yesterday", 2, "is not a time"),
    (ONE.replace("--heading 40", "--heading 40M"), 1, "needs a time from 2010 to 2029"),
    (ONE.replace("--lat 55.5 ", ""), 2, "give both --lat and --lon"),
    (ONE.replace("--lat 55.5 --lon 12.25 ", ""), 1, "no lat and lon"),
    (ONE.replace("13", "13x"), 2, "which is no length"),
    (ONE.replace("13", "13,5"), 2, "decimal point, not a comma"),
    (ONE + " --boat none.toml", 1, "none.toml: cannot be read"),
    (ONE + " --wrong", 2, "No such option"),
    ("fix", 2, "give a table of picks"),
    ("nothing", 2, "No such command"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "exit_code", "words"), WRONG, ids=[w[2][:24] for w in WRONG])
def test_each_fault_is_one_clear_sentence(run, line, exit_code, words):
    code, out, err = run(line)
    assert code == exit_code
    assert words in err
    assert out == ""


def test_every_command_has_help(run):
    from athwart.cli import COMMANDS

    for name in COMMANDS:
        code, out, _ = run([name, "--help"])
        assert code == 0, name
        assert out.startswith("Usage: athwart")
        assert "\\b" not in out, name  # a sign for click, not for people
        assert "-----" not in out, name  # a heading for programs
