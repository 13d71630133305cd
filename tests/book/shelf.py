"""Small books for tests: made in a moment, filled from tables, asked what is in them."""

from __future__ import annotations

import shutil
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from pyproj import Geod

from athwart.book import store, work
from athwart.book.adding import SourceFile
from athwart.book.checking import dump
from athwart.book.log import entries
from athwart.book.reading import marks_and_sightings
from athwart.book.undo import take_back
from athwart.contents import Contents
from athwart.tables import Sightings, Waypoints

GEOD = Geod(ellps="WGS84")
PLACE = (-31.2, 44.4)
DAY = np.datetime64("2026-05-03T06:00", "us")


@cache
def _template() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "empty.gpkg"
        store.create(path)
        return path.read_bytes()


class Book:
    """A book under test; every call opens it and lets go of it again."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @classmethod
    def new(cls, folder: Path | str, name: str = "season.gpkg") -> Book:
        path = Path(folder) / name
        path.write_bytes(_template())
        return cls(path)

    def copy(self, name: str) -> Book:
        other = self.path.with_name(name)
        shutil.copyfile(self.path, other)
        return Book(other)

    def writing(self):
        return store.open_book(self.path, write=True)

    def add(self, table=None, name="file.csv", contents=None, **options):
        if contents is None:
            key = "sightings" if isinstance(table, Sightings) else "waypoints"
            contents = Contents(source=name, **{key: table})
        with self.writing() as book:
            return work.add(book, contents, SourceFile(name, name, 1, "csv"), **options)[0]

    def merge(self, **options):
        with self.writing() as book:
            return work.merge_book(book, **options)

    def rule(self, what, a, b):
        with self.writing() as book:
            return work.rule(book, what, a, b)

    def edit(self, mark, **values):
        with self.writing() as book:
            return work.edit(book, mark, values)

    def visit(self, mark, note="seen"):
        with self.writing() as book:
            return work.visit(book, mark, time=DAY, note=note)

    def hand_over(self, marks, name="out.gpx"):
        with self.writing() as book:
            return work.hand_over(book, [(name, marks)])

    def undo(self, number=None):
        with self.writing() as book:
            return take_back(book, number)

    def read(self, sql):
        with store.open_book(self.path) as book, book.reading() as connection:
            return connection.execute(sql).fetchall()

    def elsewhere(self, *statements):
        """Change rows as another program does, the standard's functions at hand."""
        with self.writing() as book:
            for statement in statements:
                book.connection.execute(
                    *(statement if isinstance(statement, tuple) else [statement])
                )

    def dump(self) -> str:
        with store.open_book(self.path) as book, book.reading() as connection:
            return dump(connection)

    def log(self):
        with store.open_book(self.path) as book, book.reading() as connection:
            return entries(connection)

    def marks(self, with_private=True):
        with store.open_book(self.path) as book, book.reading() as connection:
            return marks_and_sightings(connection, with_private=with_private)[0]

    def mark(self, sighting_id):
        """Return the row of the mark that holds a sighting, by column."""
        table = self.marks()
        row = next(k for k, ids in enumerate(table.sighting_ids) if sighting_id in ids.split())
        out = {n: v[row] for n, v in table.to_columns().items()}
        return out | {n: v[row] for n, v in table.extra.items()}

    def partition(self):
        return frozenset(frozenset(ids.split()) for ids in self.marks().sighting_ids)


@pytest.fixture(scope="module")
def neighbourhoods_only():
    """Small books are mostly looked at whole; here never, unless a test asks for it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("athwart.book.derive._MOST", 2.0)
        yield


def at(east, north, place=PLACE):
    """Return longitude and latitude of offsets in metres about a place."""
    east, north = np.broadcast_arrays(np.asarray(east, float), np.asarray(north, float))
    lon, lat, _ = GEOD.fwd(
        np.full(east.shape, place[0]),
        np.full(east.shape, place[1]),
        np.degrees(np.arctan2(east, north)),
        np.hypot(east, north),
    )
    return (np.asarray(lon) + 180.0) % 360.0 - 180.0, np.asarray(lat)


def looks(east, north, ids, place=PLACE, sigma_m=2.0, **columns):
    """Return sightings at offsets from a place, each of a trip of its own unless said."""
    east, north = np.atleast_1d(np.asarray(east, float)), np.atleast_1d(np.asarray(north, float))
    east, north = np.broadcast_arrays(east, north)
    lon, lat = at(east, north, place)
    values = {
        "sighting_id": list(ids),
        "trip": [f"trip of {i}" for i in ids],
        "lon": lon,
        "lat": lat,
        "var_east_m2": np.asarray(sigma_m, float) ** 2,
        "var_north_m2": np.asarray(sigma_m, float) ** 2,
        "cov_east_north_m2": 0.0,
        "shared_sigma_m": 0.0,
        "boat_sigma_m": 0.0,
        "method": "pick",
    }
    values.update(columns)
    return Sightings.from_columns(values)


def points(east, north, names, place=PLACE, **columns):
    """Return waypoints at offsets from a place."""
    lon, lat = at(np.atleast_1d(east), np.atleast_1d(north), place)
    return Waypoints.from_columns({"lon": lon, "lat": lat, "name": list(names), **columns})
