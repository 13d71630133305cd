"""The line that says how far long work is: on a terminal, after a second, and gone at the end."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from athwart.cli import main
from athwart.gather import gather
from athwart.progress import Progress

SAMPLES = Path(__file__).parents[1] / "sample_gpx"


class Terminal(io.StringIO):
    """A screen that keeps all that was written to it."""

    encoding = "utf-8"

    def isatty(self):
        return True

    def line(self):
        """What stands on the last line after all carriage returns."""
        row = []
        for part in self.getvalue().split("\r"):
            row[: len(part)] = part
        return "".join(row).rstrip()


class Clock:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


@pytest.fixture
def columns(monkeypatch):
    def set_(n):
        monkeypatch.setenv("COLUMNS", str(n))

    set_(80)
    return set_


def test_nothing_is_shown_within_a_second_and_then_what_is_done(columns):
    screen, clock = Terminal(), Clock()
    with Progress(screen, clock=clock, tick_s=None) as told:
        told("reading a.gpx", 0.0)
        clock.now += 0.99
        told("reading b.gpx", 0.2)
        assert screen.getvalue() == ""
        assert not told.shown
        clock.now += 0.01
        told("reading c.gpx", 0.4)
        assert screen.line() == "reading c.gpx, 40% done, 1 s"
        clock.now += 6
        told("merging")
        assert screen.line() == "merging, 7 s", "nothing is left of the longer line"
    assert screen.line() == ""
    assert "\n" not in screen.getvalue()


def test_the_line_is_gone_before_an_error_is_told(columns):
    screen, clock = Terminal(), Clock()

    def work():
        with Progress(screen, clock=clock, tick_s=None) as told:
            clock.now += 5
            told("reading")
            assert told.shown
            raise ValueError("bad file")

    with pytest.raises(ValueError, match="bad file"):
        work()
    assert screen.line() == ""


def test_where_errors_go_to_a_file_nothing_is_shown():
    stream, clock = io.StringIO(), Clock()
    with Progress(stream, clock=clock, tick_s=None) as told:
        clock.now += 50
        told("reading", 0.5)
    assert stream.getvalue() == ""


@pytest.mark.parametrize("stream", ["closed", "none"])
def test_without_a_stream_the_work_goes_on(monkeypatch, stream):
    screen = Terminal()
    screen.close()
    monkeypatch.setattr(sys, "stderr", screen if stream == "closed" else None)
    clock = Clock()
    with Progress(clock=clock, tick_s=None) as told:
        clock.now += 5
        told("reading")
        assert not told.shown


def test_a_terminal_that_goes_away_does_not_stop_the_work(columns):
    class Gone(Terminal):
        def write(self, text):
            raise BrokenPipeError

    clock, done = Clock(), []
    with Progress(Gone(), clock=clock, tick_s=None) as told:
        clock.now += 5
        told("reading")
        told("writing")
        done.append(True)
    assert done


@pytest.mark.parametrize("width", [1, 12, 40])
def test_a_long_or_hostile_name_stays_on_its_line(columns, width):
    columns(width)
    screen, clock = Terminal(), Clock()
    with Progress(screen, clock=clock, tick_s=None) as told:
        clock.now += 2
        told("reading \x1b[2J\n\r" + "x" * 200 + ".gpx")
        line = screen.line()
    assert "\x1b" not in screen.getvalue()
    assert "\n" not in screen.getvalue()
    assert len(line) <= width - 1


def test_letters_that_the_terminal_lacks_are_replaced(columns):
    class Plain(Terminal):
        encoding = "ascii"

    screen, clock = Plain(), Clock()
    with Progress(screen, clock=clock, tick_s=None) as told:
        clock.now += 2
        told("reading 岩.gpx", 2.0)
        assert screen.line() == "reading ?.gpx, 100% done, 2 s"


def test_shares_follow_the_bytes_of_the_files(tmp_path):
    said = []
    big = tmp_path / "big.csv"
    small = tmp_path / "small.csv"
    row = "1.5,2.5,a\n"
    small.write_text("lon,lat,name\n" + row)
    big.write_text("lon,lat,name\n" + row * 300)
    gather([big, small], told=lambda what, share: said.append((what, share)))
    total = big.stat().st_size + small.stat().st_size
    assert said == [
        ("reading big.csv", 0.0),
        ("reading small.csv", pytest.approx(big.stat().st_size / total)),
    ]


def test_every_command_tells_what_takes_time(monkeypatch, tmp_path, capsys):
    said = []
    monkeypatch.setattr(
        Progress, "__call__", lambda self, what, share=math.nan: said.append((what, share))
    )

    def run(*words):
        with pytest.raises(SystemExit) as done:
            main([str(w) for w in words])
        assert done.value.code == 0
        return capsys.readouterr()

    fixed, marks = tmp_path / "a.geojson", tmp_path / "m.gpkg"
    track = SAMPLES / "trip-1-track.gpx"
    run("fix", SAMPLES / "trip-1-picks.csv", "--track", track, "-o", fixed)
    run("merge", fixed, SAMPLES / "waypoints.gpx", "-o", marks, "--report", tmp_path / "r.csv")
    run("export", marks, "-o", tmp_path / "o.gpx")
    coast = SAMPLES / "coastline.geojson"
    run("map", marks, "-o", tmp_path / "o.html", "--background", coast)
    out = run("info", marks, "--json").out
    assert "files" in json.loads(out), "standard output holds the object and nothing else"
    words = [re.sub(r"\d+", "N", what) for what, _ in said]
    assert words == [
        "reading trip-N-picks.csv", "reading trip-N-track.gpx", "placing N picks",
        "writing a.geojson",
        "reading a.geojson", "reading waypoints.gpx", "merging N sightings", "writing m.gpkg",
        "writing r.csv",
        "reading m.gpkg", "merging N sightings", "writing N marks",
        "reading m.gpkg", "merging N sightings", "reading coastline.geojson", "drawing N marks",
        "reading m.gpkg",
    ]  # fmt: skip


def everything_from(terminal):
    """Read a terminal whose other end is closed to its end; one read may give a part only."""
    parts = []
    with contextlib.suppress(OSError):  # Linux says so at the end
        while part := os.read(terminal, 65536):
            parts.append(part)
    return b"".join(parts).decode()


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo terminal")
def test_on_a_real_terminal_the_line_grows_by_itself_and_goes():
    """One long step that says nothing more: the line appears without being asked for."""
    import pty

    code = """
        import time
        from athwart.progress import Progress
        with Progress() as told:
            told("reading big.gpx", 0.25)
            before = told.shown
            until = time.monotonic() + 60
            while not told.shown and time.monotonic() < until:
                time.sleep(0.02)
            print(before, told.shown)
    """
    ours, theirs = pty.openpty()
    try:
        try:
            done = subprocess.run(
                [sys.executable, "-c", textwrap.dedent(code)],
                stdout=subprocess.PIPE, stderr=theirs, text=True, check=True,
                env={**os.environ, "COLUMNS": "80"},
            )  # fmt: skip
        finally:
            os.close(theirs)
        seen = everything_from(ours)
    finally:
        os.close(ours)
    assert done.stdout == "False True\n"
    assert re.match(r"\rreading big\.gpx, 25% done, \d+ s", seen)
    assert seen.endswith("\r"), "the last thing is that the line is wiped"
    assert seen.rpartition("s")[2].strip() == ""
