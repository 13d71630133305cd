"""Characters that steer a screen are shown by number: on a terminal, in JSON, in a report.

ECMA-48: CSI 2 J clears a screen, OSC 0 sets its title, U+009B is CSI in one character. Unicode
Standard Annex 9: U+202E turns round what follows (both from memory).
"""

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import athwart
from athwart.visible import visible_json, visible_text

STEERING = "\x1b[2J\x1b]0;mine\x07\x9b31m\u202eback\nno line of ours\x7f"
SHOWN = "⟦U+001B⟧[2J⟦U+001B⟧]0;mine⟦U+0007⟧⟦U+009B⟧31m⟦U+202E⟧back no line of ours⟦U+007F⟧"


def test_each_is_shown_by_its_number():
    assert visible_text(STEERING) == SHOWN
    assert visible_text("a\nb\tc\rd", lines=True) == "a\nb\tc\nd"
    assert visible_text("Kærsten שלום 👩\u200d🚀") == "Kærsten שלום 👩\u200d🚀"


@pytest.mark.parametrize("text", [STEERING, "\U000e0041", "\ud800", "plain"])
def test_json_means_the_same_and_holds_none(text):
    written = visible_json(json.dumps({text: text}, ensure_ascii=False))
    assert json.loads(written) == {text: text}
    assert visible_text(written) == written


@pytest.fixture
def hostile(tmp_path):
    """Two files of one place, whose every text steers a screen or is a formula."""
    for k in (1, 2):
        rows = [["lat", "lon", "name", "kind", "note", "trip", "time"]]
        for n in (1, 2):  # one name twice: `info` says so
            text = STEERING + str(k if n == 1 else "")
            time = f"203{k}-05-04T06:00:00Z"
            rows.append([f"-46.{n}", "-20", text, text, f"=1+1{text}", text, time])
        with (tmp_path / f"\x1b[2J{k}.csv").open("w", newline="", encoding="utf-8") as out:
            csv.writer(out).writerows(rows)
    return sorted(tmp_path.iterdir())


def lines_of(hostile, folder):
    zone = folder / "zones.geojson"
    ring = [[-20.1, -46.3], [-19.9, -46.3], [-19.9, -46.0], [-20.1, -46.0], [-20.1, -46.3]]
    shape = {"type": "Polygon", "coordinates": [ring]}
    said = {"name": STEERING, "rule": STEERING, "note": STEERING}
    zone.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "features": [{"type": "Feature", "properties": said, "geometry": shape}],
            }
        )
    )
    book = folder / "season.gpkg"
    yield ["info", *hostile]
    yield ["merge", *hostile, "-o", folder / "out.gpx", "--report", folder / "why.csv"]
    yield ["book", "add", book, *hostile, "--trip", STEERING]
    yield ["book", "merge", book]
    yield ["book", "marks", book]
    yield ["book", "log", book]
    yield ["book", "check", book]
    yield ["info", book]
    yield ["zones", *hostile, "--zones", zone]
    yield ["day", *hostile, "--start", "46 05 S, 20 00 W", "--depart", "2031-06-01T10:00Z"]
    yield ["tide", *hostile, "--level", "1m", "--at", "2031-06-01T10:00Z"]
    yield ["info", folder / f"no {STEERING}.gpx"]


def test_no_command_lets_a_text_steer_the_screen(hostile, tmp_path, run):
    for words in lines_of(hostile, tmp_path):
        for more in ([], ["--json"]):
            _, out, err = run(*words, *more, *(["--overwrite"] if "-o" in words else []))
            assert visible_text(out, lines=True) == out, words
            assert visible_text(err, lines=True) == err, words
            if not more:
                assert not [x for x in (out + err).splitlines() if x.startswith("no line of")], (
                    words
                )
    with (tmp_path / "why.csv").open(newline="", encoding="utf-8") as report:
        cells = [c for row in csv.reader(report) for c in row if c]
    assert not [c for c in cells if c[0] in "=@"]


def test_a_screen_without_the_character_is_told_its_number(tmp_path):
    (tmp_path / "π.csv").write_text("lat,lon,name\n-46,-20,π\n-46,-20,π\n", encoding="utf-8")
    environment = {
        **os.environ,
        "PYTHONPATH": str(Path(athwart.__file__).parents[1]),
        "PYTHONIOENCODING": "latin-1",
    }
    done = subprocess.run(
        [sys.executable, "-m", "athwart", "info", "π.csv"],
        cwd=tmp_path, env=environment, capture_output=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(b"\\u03c0.csv")
