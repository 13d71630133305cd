"""Make the book of the first schema that the tests keep for ever; run by hand.

    python tests/book/make_first_schema.py

Only while the program writes schema 1: later ones are never to change the file. Everything in it is
invented.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from athwart.book import schema, work
from athwart.book.adding import SourceFile
from athwart.book.reading import read_book
from athwart.book.store import create, open_book
from athwart.book.undo import take_back
from athwart.contents import Contents
from athwart.tables import Track, Waypoints

FIXTURE = Path(__file__).with_name("fixtures") / "book-schema-1.gpkg"

START = np.datetime64("2025-05-03T08:00:00", "us")
MINUTES = np.timedelta64(1, "m")


def _file(name: str, rows: list[tuple[str, float, float, int]], track: bool = False) -> Contents:
    names, lon, lat, minutes = (list(column) for column in zip(*rows, strict=True))
    time = START + np.array(minutes) * MINUTES
    waypoints = Waypoints.from_columns(
        {
            "lon": np.array(lon), "lat": np.array(lat), "time": time,
            "name": np.array(names, dtype=object),
        }
    )  # fmt: skip
    line = Track.from_columns(
        {
            "lon": np.array(lon), "lat": np.array(lat), "time": time,
            "segment": np.zeros(len(rows), np.int64),
        }
    )  # fmt: skip
    more = {"tracks": line} if track else {}
    return Contents(source=name, format="gpx", waypoints=waypoints, **more)


FILES = (
    _file(
        "may.gpx",
        [
            ("Chimney", -20.10000, -46.20000, 0),
            ("Twin one", -20.12000, -46.21000, 10),
            ("Sand hole", -20.13000, -46.22000, 20),
            ("Beam", -20.14000, -46.23000, 30),
        ],
        track=True,
    ),
    _file(
        "june.gpx",
        [
            ("CHIMNEY", -20.10002, -46.20001, 50_000),
            ("Twin two", -20.12003, -46.21001, 50_010),
            ("Sand hole", -20.13001, -46.22001, 50_020),
        ],
    ),
    _file("july.gpx", [("Slab", -20.15000, -46.24000, 90_000)]),
)


def make_book(path: Path) -> None:
    """Make the book where no file stands."""
    create(path)
    with open_book(path, write=True) as store:

        def add(number: int) -> None:
            found = FILES[number]
            work.add(store, found, SourceFile(found.source, f"{number:064x}", 1000, "gpx"))

        add(0)
        add(1)
        work.merge_book(store)
        work.edit(store, "Chimney", {"name": "Old chimney", "kind": "wreck", "hazard": True})
        ids = read_book(path).sightings
        one, two = (str(ids.sighting_id[ids.name == f"Twin {n}"][0]) for n in ("one", "two"))
        work.rule(store, "apart", one, two)
        moment = np.datetime64("2025-07-01T12:00:00", "us")
        work.visit(store, "Beam", time=moment, note="net on it", result="snagged")
        work.hand_over(store, [("card.gpx", read_book(path).marks)])
        work.edit(store, "Beam", {"private": True})
        take_back(store)
        add(2)


if __name__ == "__main__":
    if schema.VERSION != 1:
        sys.exit("the program makes books of a newer schema; the fixture stays as it is")
    FIXTURE.parent.mkdir(exist_ok=True)
    FIXTURE.unlink(missing_ok=True)
    make_book(FIXTURE)
    print(f"{FIXTURE.name}: {FIXTURE.stat().st_size} bytes")
