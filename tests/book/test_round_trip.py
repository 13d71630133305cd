"""Marks go to a plotter and come back: the book knows its own.

The plotter is `plotter_made`, written apart from the matcher; what it does is common practice, no
source.
"""

import json

import numpy as np
import pytest
from plotter_made import Habits, season
from round_trip import PLACES, book_of, marks_of, one_season

from athwart.book import store, work
from athwart.book.adding import SourceFile
from athwart.book.undo import take_back
from athwart.cli import main
from athwart.formats import read

TAME = Habits(name_length=12, header="1.1", shuffles=True)


@pytest.fixture
def run(capsys):
    def call(*words):
        with pytest.raises(SystemExit) as done:
            main([str(w) for w in words])
        out, err = capsys.readouterr()
        assert done.value.code == 0, err
        return out

    return call


@pytest.fixture
def add(run):
    """Add a file and merge; return what the book says of it."""

    def call(book, file):
        said = json.loads(run("book", "add", book, file, "--json"))["files"][0]
        run("book", "merge", book)
        return said

    return call


def wpt(lon, lat, name):
    return f'<wpt lat="{lat:.5f}" lon="{lon:.5f}"><name>{name}</name></wpt>'


def gpx(path, *points):
    path.write_text(f'<gpx version="1.1" creator="x">{"".join(points)}</gpx>', encoding="utf-8")
    return path


@pytest.mark.parametrize(("seed", "place"), list(enumerate(PLACES, start=71)))
def test_a_season_of_3000_marks_comes_back_without_a_fault(tmp_path, seed, place):
    out = one_season(tmp_path, seed, 3000, place)
    assert out.why == []


def test_a_season_through_the_command_line(tmp_path, run, add):
    book = book_of(tmp_path, 600, 5, "180th")
    before, _ = marks_of(book)
    run("export", book, "-o", tmp_path / "out.gpx", "--clean")
    habits = Habits(
        name_length=9, renames=6, moves=8, copies=5, deletes=0.1, adds_far=7, adds_beside=4,
        adds_beside_deleted=2,
    )  # fmt: skip
    sent = (tmp_path / "out.gpx").read_bytes()
    back, truth = season(sent, habits, 5)
    (tmp_path / "back.gpx").write_bytes(back)
    said = add(book, tmp_path / "back.gpx")
    kept = [w for w in truth.what if w in ("kept", "renamed", "copied")]
    assert said["recognised"] == len(kept)
    assert len(said["moved"]) == len(truth.moved) == 8
    assert len(said["missing"]) == len(truth.deleted) == 60
    assert len(said["renamed"]) == 6
    assert said["new"] == 13 + 8
    after, _ = marks_of(book)
    assert set(before.mark_id) <= set(after.mark_id)
    again = add(book, tmp_path / "back.gpx")
    assert again["new"] == again["revised"] == 0


def test_a_file_that_was_never_handed_over_is_all_new(tmp_path, run, add):
    book = book_of(tmp_path, 200, 1, "plain")
    run("export", book, "-o", tmp_path / "out.gpx", "--clean")
    places = [wpt(20 + k / 100, 50.0, f"Knoll {k}") for k in range(30)]
    said = add(book, gpx(tmp_path / "foreign.gpx", *places))
    assert said["new"] == 30
    assert said["recognised"] == 0
    assert said["moved"] == said["missing"] == said["renamed"] == []


def test_a_book_handed_over_twice_knows_either_file(tmp_path, run, add):
    book = book_of(tmp_path, 200, 2, "plain")
    run("export", book, "-o", tmp_path / "first.gpx", "--clean")
    back, truth = season((tmp_path / "first.gpx").read_bytes(), Habits(moves=9), 2)
    (tmp_path / "back.gpx").write_bytes(back)
    assert len(add(book, tmp_path / "back.gpx")["moved"]) == len(truth.moved) == 9
    run("export", book, "-o", tmp_path / "second.gpx", "--clean")
    for number, name in enumerate(("first.gpx", "second.gpx")):
        again, _ = season((tmp_path / name).read_bytes(), TAME, 3 + number)
        (tmp_path / f"again-{name}").write_bytes(again)
        said = add(book, tmp_path / f"again-{name}")
        assert said["recognised"] == 200
        assert said["new"] == 0
        assert said["moved"] == said["missing"] == said["renamed"] == []


def split_export(tmp_path, run):
    book = book_of(tmp_path, 200, 3, "plain")
    limits = tmp_path / "limits.toml"
    limits.write_text("max_waypoints = 120\n", encoding="utf-8")
    run("export", book, "-o", tmp_path / "part.gpx", "--limits", limits, "--clean")
    return book, [tmp_path / "part.gpx", tmp_path / "part-2.gpx"]


def test_two_exported_files_put_together_come_back_as_one(tmp_path, run, add):
    book, parts = split_export(tmp_path, run)
    one, two = (season(p.read_bytes(), TAME, 4)[0].decode() for p in parts)
    body = two[two.index("<wpt") : two.rindex("</gpx>")]
    end = one.rindex("</gpx>")
    (tmp_path / "back.gpx").write_text(one[:end] + body + one[end:], encoding="utf-8")
    said = add(book, tmp_path / "back.gpx")
    assert (said["recognised"], said["new"], said["missing"]) == (200, 0, [])


def test_of_several_exported_files_one_that_comes_back_misses_only_its_own(tmp_path, run, add):
    book, parts = split_export(tmp_path, run)
    back, truth = season(parts[1].read_bytes(), Habits(name_length=12, deletes=0.1), 4)
    (tmp_path / "back.gpx").write_bytes(back)
    said = add(book, tmp_path / "back.gpx")
    assert (said["recognised"], said["new"]) == (72, 0)
    assert len(said["missing"]) == len(truth.deleted) == 8


def test_a_mark_folded_into_another_since_is_known_as_that_one(tmp_path, run, add):
    book = book_of(tmp_path, 60, 4, "plain")
    marks, _ = marks_of(book)
    run("export", book, "-o", tmp_path / "out.gpx", "--clean")
    apart = np.hypot(marks.lon - marks.lon[0], marks.lat - marks.lat[0])
    pair = {str(marks.mark_id[k]) for k in np.argsort(apart)[:2]}
    run("book", "same", book, *sorted(pair))
    survivor = pair & set(marks_of(book)[0].mark_id.tolist())
    assert len(survivor) == 1
    back, _ = season((tmp_path / "out.gpx").read_bytes(), TAME, 4)
    (tmp_path / "back.gpx").write_bytes(back)
    said = add(book, tmp_path / "back.gpx")
    assert (said["recognised"], said["new"], said["missing"]) == (60, 0, [])
    assert len(marks_of(book)[0]) == 59


def test_a_blurred_file_that_comes_back_is_known_and_moves_nothing(tmp_path, run, add, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    book = book_of(tmp_path, 60, 4, "plain")
    before, _ = marks_of(book)
    run("export", book, "-o", tmp_path / "out.gpx", "--blur", "500m")
    back, _ = season((tmp_path / "out.gpx").read_bytes(), TAME, 4)
    (tmp_path / "back.gpx").write_bytes(back)
    said = add(book, tmp_path / "back.gpx")
    assert (said["recognised"], said["new"], said["moved"]) == (60, 0, [])
    after, _ = marks_of(book)
    assert after.mark_id.tolist() == before.mark_id.tolist()
    assert np.array_equal(after.lon, before.lon)


def test_a_name_typed_on_the_plotter_stays_until_a_later_word_and_can_be_taken_back(tmp_path, run):
    book = book_of(tmp_path, 120, 6, "plain")
    run("export", book, "-o", tmp_path / "out.gpx", "--clean")
    back, _ = season((tmp_path / "out.gpx").read_bytes(), Habits(renames=1), 6)
    path = tmp_path / "back.gpx"
    path.write_bytes(back)

    def names():
        marks, _ = marks_of(book)
        return dict(zip(marks.mark_id.tolist(), marks.name.tolist(), strict=True))

    before = names()

    def take_in():
        with store.open_book(book, write=True) as opened:
            return work.add(opened, read(path), SourceFile("back.gpx", "b", 1, "gpx"))[0]

    ((mark, _, typed),) = take_in().renamed
    assert names() == before | {mark: typed}
    with store.open_book(book, write=True) as opened:
        take_back(opened, None)
    assert names() == before
    take_in()
    run("book", "edit", book, mark, "--name", "Ours")
    take_in()  # the same file says nothing new
    assert names() == before | {mark: "Ours"}


def test_what_is_said_of_marks_calls_them_by_name_and_the_start_of_their_id(tmp_path, run):
    book = book_of(tmp_path, 120, 7, "plain")
    run("export", book, "-o", tmp_path / "out.gpx", "--clean")
    habits = Habits(renames=1, moves=1, deletes=1 / 120)
    back, _ = season((tmp_path / "out.gpx").read_bytes(), habits, 7)
    (tmp_path / "back.gpx").write_bytes(back)
    said = run("book", "add", book, tmp_path / "back.gpx")
    marks, _ = marks_of(book)
    names = dict(zip((i[:8] for i in marks.mark_id), marks.name, strict=True))
    lines = [line for line in said.splitlines() if any(i in line for i in names)]
    assert len(lines) == 3
    for line in lines:
        name = next(n for i, n in names.items() if i in line)
        assert not name or f'"{name}"' in line
    assert " m towards " in lines[0]
    assert "was named" in lines[1]
    assert "it stays in the book" in lines[2]
