"""Names that a user gave for their own eyes are in nothing that is handed on.

Each of them holds a word that nothing else holds; every byte of what the commands write is looked at.
Trips and the files of single looks go along in the full forms, which carry the sightings, and nowhere else.
"""

import re
import shutil
import sys
from pathlib import Path

import pytest

import athwart

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))

SAMPLES = Path(athwart.__file__).parents[2] / "sample_gpx"
NAMES = {
    "qvfolder": "a folder", "qvhome": "the folder above", "qvpicture": "a picture",
    "qvlayout": "a layout", "qvtrack": "a track", "qvboat": "a boat's file", "qvbook": "the book",
    "qvarea": "an area", "qvzones": "zones", "qvcard": "a card's file", "qvtrip": "a trip",
}  # fmt: skip
OF_SIGHTINGS = {"qvcard", "qvtrip"}
FULL = {"full.gpx", "map.html", "marks.gpkg", "marks.kml", "marks-sightings.csv",
        "marks-sightings.geojson", "marks-sightings.fgb"}  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return the folder of what commands make of files in a folder of names, and what they print."""
    from click.testing import CliRunner
    from paused_frame import boat_toml, frame, gpx, png

    from athwart.cli import cli

    own = tmp_path_factory.mktemp("qvhome") / "qvfolder"
    own.mkdir()
    out = tmp_path_factory.mktemp("handed")
    paused = frame()
    (own / "qvpicture.png").write_bytes(png(paused))
    (own / "qvlayout.layout.toml").write_text(paused.layout_toml, encoding="utf-8")
    (own / "qvtrack.gpx").write_bytes(gpx(paused))
    (own / "qvboat.toml").write_bytes(boat_toml(paused))
    for name, new in (("waypoints", "qvcard.gpx"), ("area", "qvarea.geojson"),
                      ("zones", "qvzones.geojson")):  # fmt: skip
        shutil.copy(SAMPLES / f"{name}{Path(new).suffix}", own / new)
    book = own / "qvbook.gpkg"
    zones = ["--zones", own / "qvzones.geojson"]
    lines = [
        ["book", "add", book, own / "qvcard.gpx", "--trip", "qvtrip"],
        ["book", "merge", book],
        ["strip", own / "qvpicture.png", "--layout", own / "qvlayout.layout.toml", "--track",
         own / "qvtrack.gpx", "--boat", own / "qvboat.toml", "--time", f"{paused.newest_time}Z",
         "-o", out / "strip.tif", "--outline", out / "outline.geojson"],
        ["export", book, "-o", out / "full.gpx"],
        ["export", book, "-o", out / "clean.gpx", "--clean"],
        ["export", book, "-o", out / "blurred.gpx", "--blur", "300m"],
        *(["merge", book, "-o", out / f"marks.{e}"] for e in ("csv", "geojson", "gpkg", "kml", "fgb")),
        ["map", book, "-o", out / "map.html"],
        ["day", book, "--start", "ANVIL", "--marks", "Barge,Saddle", "--depart",
         "2025-06-01T10:30Z", "--one-way", *zones, "-o", out / "day.html", "-o", out / "day.gpx"],
        ["zones", book, *zones, "-o", out / "zones.html"],
        ["lanes", own / "qvarea.geojson", "--range", "60m", "--depth", "15m", *zones,
         "-o", out / "lanes.gpx", "-o", out / "lanes.gpkg"],
        ["book", "backup", book, "-o", own / "copy.gpkg"],
    ]  # fmt: skip
    told = ""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(own))
        patch.setenv("HOME", str(own))
        for words in lines:
            done = CliRunner().invoke(cli, [str(w) for w in words], catch_exceptions=False)
            assert done.exit_code == 0, done.output
            told += done.output
    return own, out, told


def words_in(data):
    return {w.decode() for w in re.findall(b"|".join(n.encode() for n in NAMES), data.lower())}


def test_files_that_are_handed_on_hold_no_name_of_the_users_own(made):
    own, out, _ = made
    files = {p.name for p in out.iterdir()}
    assert len(files) > 18
    assert files >= FULL
    for path in out.iterdir():
        allowed = OF_SIGHTINGS if path.name in FULL else set()
        assert words_in(path.read_bytes()) <= allowed, path.name
    assert (
        words_in((own / "copy.gpkg").read_bytes()) >= OF_SIGHTINGS
    )  # the words are found where they are


def test_what_commands_say_names_files_and_never_the_folders_they_are_in(made):
    assert not words_in(made[2].encode()) & {"qvhome", "qvfolder"}


def test_refusals_name_the_file_and_never_the_folder(made, run):
    """A sentence is copied into a mail that asks for help."""
    own, out, _ = made
    for name in ("a.gpx", "a.csv", "a.nmea", "a.geojson", "a.gpkg", "a.kml", "a.fgb", "a.shp", "a.toml",
                 "a.png", "a.txt", "none.gpx", "none.gpkg", "none.png", "none.toml"):  # fmt: skip
        path = own / name
        if name.startswith("a."):
            path.write_bytes(b"\x01 broken \xff")
        words = ["info", path]
        if path.suffix == ".toml":
            words = ["fix", own / "qvtrack.gpx", "--boat", path]
        elif path.suffix == ".png":
            words = ["strip", path, "--layout", own / "qvlayout.layout.toml", "--track",
                     own / "qvtrack.gpx", "-o", out / "x.tif"]  # fmt: skip
        code, said, err = run(*words)
        assert code != 0
        assert path.name in said + err
        assert not words_in((said + err).encode()) & {"qvhome", "qvfolder"}, err
