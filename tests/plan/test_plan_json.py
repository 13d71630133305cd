"""What the planning commands print for programs is what their pages list."""

import json
import re

import pytest

from pages import PLAN, ROOT

SAMPLES = ROOT / "sample_gpx"
TIDE = ("--tide", SAMPLES / "tides.csv")
HERE = ("Here", "--lat", "55 N", "--lon", "12 E", "--r95", "5m", "--set", "0", "--current", "1kn")


def keys_of(value):
    if isinstance(value, dict):
        return set(value).union(*(keys_of(v) for v in value.values()))
    return set().union(*(keys_of(v) for v in value)) if isinstance(value, list) else set()


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("tide", [
            (*TIDE, "--at", "2025-06-01T13:00Z"),
            (SAMPLES / "waypoints.gpx", *TIDE, "--at", "2025-06-01T13:00Z"),
            (SAMPLES / "trip-2-log.nmea", "--reduce", *TIDE, "--boat", SAMPLES / "tern.toml"),
        ]),
        ("beam", [
            ("--depth", "5m", "--cone", "20deg", "--bottom-slope", "5deg", "--range", "30m",
             "--target", "1m", "--speed", "4kn", "--along-beam", "1deg"),
        ]),
        ("sink", [("--count", "8s 10m", "--depth", "9m", "--current", "1kn")]),
        ("hold", [(*HERE, "--cast", "20m", "--before", "60s", "--approach", "0", "--boat-speed",
                   "3kn")]),
    ],
)  # fmt: skip
def test_a_page_lists_every_key(run, name, asked):
    page = (PLAN / f"{name}.md").read_text(encoding="utf-8").split("## For programs")[1]
    printed = set()
    for words in asked:
        code, out, _ = run(name, *words, "--json")
        assert code == 0
        printed |= keys_of(json.loads(out))
    listed = set(re.findall(r"`(\w+)`", page))
    assert printed == listed
