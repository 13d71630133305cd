"""`athwart beam` as a user types it."""

import json

import pytest

ALL = ("beam", "--depth", "5m", "--range", "13m", "--cone", "20deg", "--target", "1m")


def test_what_the_sonar_sees(run):
    code, out, _ = run(*ALL, "--speed", "4kn", "--along-beam", "1deg", "--bottom-slope", "10deg")
    assert code == 0
    for words in (
        "circle 1.8 m across",  # 2 * 5 * tan 10
        "on a slope of 10 degrees it shows 4.9 m, 0.1 m less",
        "12.0 m of bottom on each side, a swath of 24.0 m",  # 5, 12, 13
        "the first 5.0 m of each side (38% of the picture) is water column",
        "a strip 5.8 m wide under the boat",
        "57.7 lines a second at most",  # 1500 / 26
        "Advice, not navigation",
    ):
        assert words in out


def test_units_and_a_rate_that_was_counted(run):
    code, out, _ = run(
        "beam", "--depth", "30ft", "--range", "50m", "--target", "1m", "--speed", "4kn",
        "--rate", "5", "--units", "feet",
    )  # fmt: skip
    assert code == 0
    assert "for 3 lines on 3.3 ft go no faster than 3.2 kn" in out  # 5 / 3 m/s
    assert "it gets 2.4 lines - TOO FEW" in out


def test_json(run):
    code, out, _ = run(*ALL, "--json")
    value = json.loads(out)
    assert code == 0
    assert value["swath_m"] == pytest.approx(24.0)
    assert value["highest_speed_mps"] == pytest.approx(1500 / 26 / 3)
    assert value["seen_m"] == pytest.approx(24 - value["strip_under_m"])


def test_a_range_that_does_not_reach_the_bottom_is_said(run):
    code, out, _ = run("beam", "--depth", "10m", "--range", "8m", "--target", "1m", "--json")
    assert code == 0
    assert json.loads(out)["seen_m"] == 0
    assert "sees none of it" in run("beam", "--depth", "10m", "--range", "8m")[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--depth", "5m"], "give --cone for the sounder, --range for the side-scan"),
        (["--depth", "0m", "--cone", "20deg"], "--depth is 0; allowed is more than 0"),
        (["--depth", "5m", "--cone", "180deg"], "--cone is 180 degrees"),
        (["--depth", "5m", "--cone", "20deg", "--speed", "4kn"], "--speed goes with --range"),
        (["--depth", "5m", "--range", "50m", "--bottom-slope", "9deg"], "goes with --cone"),
        (["--depth", "5m", "--range", "50m", "--nadir", "-3deg"], "allowed is 0 or more"),
        (["--depth", "5m", "--range", "50m", "--rate", "40"], "allows 15.0 at most"),
        (["--depth", "5m", "--range", "50m", "--speed", "-1kn"], "allowed is more than 0"),
        (["--range", "50m"], "Missing option"),
    ],
)
def test_what_cannot_be_is_refused(run, words, said):
    code, out, err = run("beam", *words)
    assert code == 2
    assert said in err
    assert out == ""
