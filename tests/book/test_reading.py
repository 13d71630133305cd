"""What every command gets of a book, and why a mark is where it is."""

import numpy as np
import pytest
from shelf import GEOD, Book, looks, points
from worlds_of_books import batches, water

from athwart.book import store
from athwart.book.reading import find_mark, find_sightings, history, read_book
from athwart.errors import UsageError
from athwart.gather import gather, settle


@pytest.fixture
def book(tmp_path):
    return Book.new(tmp_path)


def asked(book, function, *values):
    with store.open_book(book.path) as opened, opened.reading() as connection:
        return function(connection, *values)


def test_commands_take_the_marks_of_a_book_as_they_are(book):
    book.add(points([0, 0.5, 60], [0, 0, 0], ["A one", "A one", "B two"], trip=["1", "2", "3"]))
    book.merge()
    book.edit("A one", name="Anvil")
    book.rule("same", "Anvil", "B two")
    found = gather([book.path])
    marks, sightings, _ = settle(found)
    assert found.settled
    assert marks.name.tolist() == ["Anvil"]
    assert len(sightings) == 3


def test_marks_and_sightings_name_each_other(book):
    sightings = water(11, 30)
    for rows in batches(11, 30, 3):
        book.add(sightings.take(rows))
        book.merge()
    contents = read_book(book.path)
    members = [i for ids in contents.marks.sighting_ids for i in ids.split()]
    assert sorted(members) == sorted(contents.sightings.sighting_id)
    assert contents.marks.sightings.sum() == len(members)
    again = dict(zip(sightings.sighting_id, range(30), strict=True))
    rows = [again[i] for i in contents.sightings.sighting_id]
    for name in ("lon", "lat", "time", "name", "note", "var_east_m2", "source"):
        there, here = getattr(contents.sightings, name), getattr(sightings, name)[rows]
        assert (there == here)[~(there != there)].all()


def test_extra_columns_ride_along(book):
    table = points([0, 500], [0, 0], ["A", "B"])
    table = type(table)(**table.to_columns(), extra={"colour": np.array(["red", ""], object)})
    book.add(table)
    book.merge()
    assert [c or "" for c in read_book(book.path).sightings.extra["colour"]] == ["red", ""]


def test_what_waits_is_counted_and_said(book):
    book.add(points([0], [0], ["A"]))
    contents = read_book(book.path)
    assert len(contents.marks) == len(contents.sightings) == 0
    assert contents.counts["waiting"] == 1
    assert any("1 sighting not merged yet" in w for w in contents.words)


def test_the_weights_of_a_history_are_those_of_the_position(book):
    """A mark lies at the weighted mean of its sightings (Aitken 1935: the best linear mean)."""
    book.add(looks([0, 6, 3], [0, 0, 4], ["aaa1", "aaa2", "aaa3"], sigma_m=[1.0, 2.0, 3.0]))
    book.merge()
    (mark_id,) = book.marks().mark_id
    found = asked(book, history, mark_id)
    weight = np.array([s["weight"] for s in found.sightings])
    assert weight.sum() == pytest.approx(1.0)
    by_id = {s["sighting_id"]: s["weight"] for s in found.sightings}
    precision = 1 / np.array([1.0, 4.0, 9.0])
    expected = precision / precision.sum()
    assert [by_id[f"aaa{k + 1}"] for k in range(3)] == pytest.approx(expected)
    off = np.array([s["off_m"] for s in found.sightings])
    way = np.radians([s["off_bearing_deg"] for s in found.sightings])
    assert (weight * off * np.sin(way)).sum() == pytest.approx(0.0, abs=1e-3)
    assert (weight * off * np.cos(way)).sum() == pytest.approx(0.0, abs=1e-3)
    lon, lat = found.mark["lon"], found.mark["lat"]
    for s in found.sightings:
        _, _, distance = GEOD.inv(lon, lat, s["lon"], s["lat"])
        assert s["off_m"] == pytest.approx(distance, abs=1e-3)


def test_looks_of_one_trip_share_its_error_in_the_weights(book):
    """Two looks of one trip weigh less together than two of two trips: their error is common."""
    table = looks([0, 1, 0.5], [0, 0, 0.5], ["aaa1", "aaa2", "bbb1"], sigma_m=1.0,
                  shared_sigma_m=3.0, trip=["one", "one", "two"])  # fmt: skip
    book.add(table)
    book.merge()
    found = asked(book, history, book.marks().mark_id[0])
    weight = {s["sighting_id"]: s["weight"] for s in found.sightings}
    joint = np.array([[10.0, 9, 0], [9, 10, 0], [0, 0, 10]])
    expected = np.linalg.inv(joint).sum(axis=1)
    expected /= expected.sum()
    assert [weight[i] for i in ("aaa1", "aaa2", "bbb1")] == pytest.approx(expected)


def test_a_history_tells_all_that_was_said_ruled_and_done(book):
    for k, ident in enumerate(("aaa1", "bbb1")):
        book.add(looks([60 * k], [0], [ident], note=["weed", ""][k]))
        book.merge()
    book.edit("aaa1", name="Anvil", note="clean")
    book.visit("bbb1", "dived it")
    book.hand_over(book.marks(), "card.gpx")
    book.rule("same", "aaa1", "bbb1")
    found = asked(book, history, "aaa1")
    assert [(w["field"], w["value"]) for w in found.words] == [("name", "Anvil"), ("note", "clean")]
    assert [(r["what"], {r["a"], r["b"]}) for r in found.rulings] == [("same", {"aaa1", "bbb1"})]
    assert [v["note"] for v in found.visits] == ["dived it"]
    assert {h["file"] for h in found.handed_over} == {"card.gpx"}
    assert len(found.handed_over) == 2
    assert found.also == ["bbb1"]


def test_a_mark_is_found_by_id_first_letters_name_and_old_id(book):
    ids = ["abcd1234", "abce1234"]
    for k, ident in enumerate(ids):
        book.add(looks([60 * k], [0], [ident]))
        book.merge()
    book.edit(ids[0], name="Anvil")
    for text in ("abcd1234", "abcd", "Anvil", "anvil"):
        assert asked(book, find_mark, text) == ids[0]
    book.rule("same", *ids)
    assert asked(book, find_mark, ids[1]) == ids[0]
    assert asked(book, find_sightings, "abce1234") == [ids[1]]
    for text, why in (("abc", "there is no mark"), ("nothing", "there is no mark")):
        with pytest.raises(UsageError, match=why):
            asked(book, find_mark, text)


def test_a_name_of_two_marks_is_refused_with_their_ids(book):
    book.add(looks([0, 600], [0, 0], ["abcd1234", "abce1234"], name="Twin"))
    book.merge()
    with pytest.raises(UsageError, match=r"could be 2 marks.*ids: abc[de]1234, abc[de]1234"):
        asked(book, find_mark, "Twin")
