"""A machine's clock that is set back, or stands, while a book is worked on.

What came first is told by the number in the log, never by the clock; two things of one second are two.
"""

import os
import sqlite3
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from fudgeo.extension.spatial import ST_FUNCS
from shelf import Book, at, points

from athwart.book import backup, changes, outside
from athwart.book.blobs import point_blobs
from athwart.book.checking import check_book

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


class Clock:
    """The machine's clock, as the book's room asks it."""

    def __init__(self) -> None:
        self.time = NOON

    def now(self, zone):
        return self.time.astimezone(zone)

    def __call__(self, *words, **rest):
        return datetime(*words, **rest)


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    for module in (changes, backup):
        monkeypatch.setattr(module, "datetime", clock)
    moment = lambda: np.datetime64(clock.time.replace(tzinfo=None), "us")  # noqa: E731
    monkeypatch.setattr(outside, "_now", moment)
    return clock


@pytest.fixture
def book(tmp_path):
    return Book.new(tmp_path)


def moved(book, name, east):
    """Move a mark as a GIS does."""
    connection = sqlite3.connect(book.path)
    for name_, function in ST_FUNCS.items():
        connection.create_function(name_, 1, function, deterministic=True)
    with connection:
        place = point_blobs(*at([float(east)], [0.0]))[0]
        connection.execute("UPDATE marks SET geom=? WHERE name=?", (place, name))
    connection.close()
    return book.merge()


BACK = [timedelta(0), timedelta(hours=1), timedelta(days=400), timedelta(days=365 * 61)]


@pytest.mark.parametrize("back", BACK, ids=str)
def test_history_and_undo_go_by_number_whatever_the_clock_says(book, clock, back):
    for k, change in enumerate(
        [
            lambda: book.add(points([0, 300], [0, 0], ["Anvil", "Pram"])),
            book.merge,
            lambda: book.edit("Pram", note="first"),
            lambda: book.edit("Pram", note="second"),
            lambda: book.visit("Pram"),
            lambda: book.add(points([600], [0], ["Kettle"]), name="late.csv"),
            book.merge,
        ]
    ):
        clock.time = NOON - k * back
        change()
    log = book.log()
    assert [e.number for e in log] == list(range(1, len(log) + 1))
    assert [e.what for e in log] == ["add", "merge", "edit", "edit", "visit", "add", "merge"]
    pram = lambda: dict(zip(book.marks().name, book.marks().note, strict=True))["Pram"]  # noqa: E731
    assert pram() == "second"  # the later word, though its clock is earlier
    assert check_book(book.path) == []
    for number in reversed(range(4, 8)):
        assert book.undo()[0].number == number
    assert pram() == "first"
    assert check_book(book.path) == []


@pytest.mark.parametrize("step", [timedelta(minutes=1), timedelta(0), -timedelta(hours=5)], ids=str)
def test_every_move_of_a_mark_counts_however_the_clock_goes(book, clock, step):
    """Each move is a look of its own, and the mark lies amid its looks (`book merge`)."""
    book.add(points([0], [0], ["Anvil"]))
    book.merge()
    for count, to in enumerate((200, 0, 200, 0, 200), 2):
        moved(book, "Anvil", to)
        clock.time += step
        assert len(book.marks()) == 1
        assert book.read("SELECT count(*) FROM sightings") == [(count,)]
    assert check_book(book.path) == []


@pytest.mark.parametrize("back", [timedelta(0), timedelta(hours=1)], ids=str)
def test_backups_of_one_second_are_all_kept(book, clock, run, back):
    """The clock comes by the same second again; --overwrite is about a name that was given."""
    kept = []
    for number, overwrite in enumerate(([], [], ["--overwrite"])):
        clock.time = NOON + back
        book.add(points([number * 300.0], [0], [f"Stone {number}"]), name=f"{number}.csv")
        clock.time = NOON
        code, out, err = run("book", "backup", book.path, *overwrite)
        assert code == 0, err
        kept.append(Book(book.path.with_name(out.split()[-1])))
    assert len({b.path for b in kept}) == 3
    assert [len(b.log()) for b in kept] == [1, 2, 3]


def test_a_file_made_in_the_future_is_no_leftover(book, clock, run):
    """A leftover of a killed copy is told by its age; one without an age is left alone."""
    theirs = book.path.with_name(f".{book.path.name}.making-0badcafe")
    theirs.write_bytes(b"x")
    os.utime(theirs, (4e9, 4e9))
    assert run("book", "backup", book.path)[0] == 0
    assert theirs.exists()


def test_drawn_at_one_place_in_one_second_is_drawn_twice(book, clock):
    """What was deleted and drawn again in a GIS comes as a sighting of its own."""
    book.add(points([300], [0], ["Pram"]))
    book.merge()
    for name in ("Anvil", "Barge"):
        place = point_blobs(*at([0.0], [0.0]))[0]
        book.elsewhere(("INSERT INTO marks (name, geom) VALUES (?, ?)", (name, place)))
        book.merge()
    assert book.read("SELECT count(*) FROM sightings") == [(3,)]
    assert check_book(book.path) == []
