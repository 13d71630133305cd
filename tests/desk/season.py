"""A season's book of the sample trips, made once and copied."""

from __future__ import annotations

import shutil
import tempfile
from functools import cache
from pathlib import Path

import pytest

from athwart.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_gpx"


def run(*words: object) -> None:
    with pytest.raises(SystemExit) as done:
        main([str(w) for w in words])
    assert done.value.code == 0, words


@cache
def _made() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        book = Path(folder) / "season.gpkg"
        boat = ("--boat", SAMPLES / "tern.toml")
        run("book", "add", book, SAMPLES / "trip-1-track.gpx", SAMPLES / "trip-1-picks.csv", *boat)
        run("book", "add", book, SAMPLES / "trip-2-log.nmea", SAMPLES / "trip-2-picks-feet.csv",
            "--units", "feet", *boat)  # fmt: skip
        run("book", "add", book, SAMPLES / "waypoints.gpx", SAMPLES / "old-card.gpx")
        run("book", "merge", book)
        return book.read_bytes()


def season(folder: Path) -> Path:
    """Return a fresh copy of the book in a folder."""
    book = folder / "season.gpkg"
    book.write_bytes(_made())
    return book


def waiting(folder: Path) -> Path:
    """Return a book whose sightings were not merged yet."""
    book = folder / "season.gpkg"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    run("book", "add", book, SAMPLES / "waypoints.gpx")
    return book
