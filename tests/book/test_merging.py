"""Merging what changed only gives what merging everything gives."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from shelf import DAY, GEOD, Book, at, looks, neighbourhoods_only
from worlds_of_books import PLACES, batches, examples, seeds, water

from athwart.book import store
from athwart.book.blobs import point_blobs
from athwart.book.trips import Trips
from athwart.merge import Rulings, merge
from athwart.tables import Sightings
from athwart.trips import assign_trips

pytestmark = pytest.mark.usefixtures(neighbourhoods_only.__name__)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("books")


def whole(sightings, rulings=None):
    trip = assign_trips(sightings.time, sightings.trip, sightings.sighting_id)
    return merge(sightings.with_columns(trip=trip), rulings=rulings)


def groups(marks):
    return frozenset(frozenset(ids.split()) for ids in marks.sighting_ids)


def agree(book, sightings, rulings=None):
    """Hold a book against the merge of all its sightings: partition, positions, errors, counts."""
    expected = whole(sightings, rulings).marks
    found = book.marks()
    assert groups(found) == groups(expected)
    row = {frozenset(ids.split()): k for k, ids in enumerate(expected.sighting_ids)}
    order = [row[frozenset(ids.split())] for ids in found.sighting_ids]
    expected = expected.take(np.array(order, dtype=np.int64))
    _, _, off = GEOD.inv(found.lon, found.lat, expected.lon, expected.lat)
    assert np.max(off, initial=0.0) < 1e-3
    assert np.allclose(found.r95_m, expected.r95_m, rtol=1e-6)
    for name in ("sightings", "trips"):
        assert getattr(found, name).tolist() == getattr(expected, name).tolist()
    for name in ("name", "kind", "note", "hazard"):
        assert getattr(found, name).tolist() == getattr(expected, name).tolist()


def in_batches(folder, sightings, parts, after=lambda book: None):
    book = Book.new(folder)
    for rows in parts:
        book.add(sightings.take(rows))
        book.merge()
        after(book)
    return book


@examples(25)
@given(seed=seeds, n=st.integers(2, 30), parts=st.integers(2, 5))
def test_any_batches_in_any_order_give_the_merge_of_all(folder, seed, n, parts):
    sightings = water(seed, n)
    book = in_batches(folder, sightings, batches(seed, n, parts))
    agree(book, sightings)
    members = [i for ids in book.partition() for i in ids]
    assert sorted(members) == sorted(sightings.sighting_id)


@examples(10)
@given(seed=seeds, n=st.integers(4, 30))
def test_it_holds_at_the_180th_meridian(folder, seed, n):
    sightings = water(seed, n, place=PLACES["180th"])
    agree(in_batches(folder, sightings, batches(seed, n, 4)), sightings)


@pytest.mark.parametrize("place", ["north pole", "south pole"])
@examples(8)
@given(seed=seeds, n=st.integers(4, 30))
def test_it_holds_about_the_poles(folder, place, seed, n):
    """What the boxes about a pole find; no fold is a close call.

    Close calls, and folds of looks that share an error, come out one way or the other with the
    turn of the plane that merging lays near a pole, so they say nothing of the book.
    """
    sightings = water(seed, n, place=PLACES[place], clear=True)
    agree(in_batches(folder, sightings, batches(seed, n, 4)), sightings)


@examples(12)
@given(seed=seeds, n=st.integers(6, 24))
def test_it_holds_under_rulings_that_were_given_on_the_way(folder, seed, n):
    sightings = water(seed, n)
    rng = np.random.default_rng(seed)
    said = []

    def rule(book):
        ids = [i for (i,) in book.read("SELECT s.sighting_id FROM sightings AS s ORDER BY s.fid")]
        if len(ids) < 2:
            return
        a, b = rng.choice(ids, 2, replace=False)
        what = rng.choice(["same", "apart"])
        a, b = book.mark(a)["mark_id"], book.mark(b)["mark_id"]
        if a != b:
            book.rule(what, a, b)
            said.append(what)

    book = in_batches(folder, sightings, batches(seed, n, 4), rule)
    pairs = book.read("SELECT what, a, b FROM rulings")
    rulings = Rulings(
        same=[(a, b) for w, a, b in pairs if w == "same"],
        apart=[(a, b) for w, a, b in pairs if w == "apart"],
    )
    agree(book, sightings, rulings)


@examples(12)
@given(seed=seeds, n=st.integers(6, 30))
def test_looking_at_the_whole_book_again_changes_nothing(folder, seed, n):
    sightings = water(seed, n)
    book = in_batches(folder, sightings, batches(seed, n, 3))
    before = book.partition(), dict(zip(*ids_of(book), strict=True))
    book.merge(whole=True)
    assert (book.partition(), dict(zip(*ids_of(book), strict=True))) == before


def ids_of(book):
    marks = book.marks()
    return [frozenset(i.split()) for i in marks.sighting_ids], marks.mark_id.tolist()


def test_merging_again_looks_at_nothing(folder):
    book = in_batches(folder, water(5, 20), batches(5, 20, 2))
    before = book.dump()
    done = book.merge()
    assert done.derived.merged is None
    assert book.dump() == before
    assert {e.what for e in book.log()} == {"add", "merge"}


def test_a_change_far_away_leaves_other_marks_alone(folder):
    book = Book.new(folder)
    n = 40
    book.add(looks(np.arange(n) * 200.0, np.zeros(n), [f"far-{k:02d}" for k in range(n)]))
    book.merge()
    book.add(looks([3.0], [1.0], ["near"]))
    derived = book.merge().derived
    assert derived.looked_at == 2
    assert derived.changed == ["far-00"]


def test_a_better_fix_far_off_leaves_its_old_company_behind(folder):
    book = Book.new(folder)
    book.add(looks([0, 1], [0, 0], ["stays", "moves"]))
    book.merge()
    book.add(looks([500.0], [0.0], ["moves"]))
    book.merge()
    agree(book, looks([0, 500], [0, 0], ["stays", "moves"]))


def test_a_mark_that_was_dragged_far_is_one_with_where_it_was(folder):
    book = Book.new(folder)
    book.add(looks(np.arange(9) * 400.0, np.zeros(9), [f"far-{k}" for k in range(9)]))
    book.merge()
    (shape,) = point_blobs(*at([150.0], [0.0]))
    book.elsewhere(("UPDATE marks SET geom = ? WHERE mark_id = 'far-0'", (shape,)))
    book.merge()
    assert book.mark("far-0")["sightings"] == 2


def test_looks_on_either_side_of_the_180th_meridian_meet(folder):
    for first, second in ((-3.0, 3.0), (3.0, -3.0)):
        book = Book.new(folder)
        book.add(looks([first], [0.0], ["first"], place=(180.0, -16.6)))
        book.merge()
        book.add(looks([second], [0.0], ["second"], place=(180.0, -16.6)))
        book.merge()
        assert book.partition() == {frozenset({"first", "second"})}


def test_a_look_with_a_large_error_reaches_farther(folder):
    wide = looks([0.0], [0.0], ["aboard"], sigma_m=20.0)
    near = looks([55.0], [0.0], ["thing"])
    filler = looks(np.arange(1, 9) * 900.0, np.zeros(8), [f"filler-{k}" for k in range(8)])
    for first, second in ((wide, near), (near, wide)):
        book = Book.new(folder)
        book.add(Sightings.concat([filler, first]))
        book.merge()
        book.add(second)
        book.merge()
        assert frozenset({"aboard", "thing"}) in book.partition()


def test_a_run_of_time_that_a_later_file_closes_becomes_one_trip(folder):
    """Two looks 9 m apart are two things' worth apart across trips, one trip's after it closed."""
    book = Book.new(folder)
    hours = DAY + np.array([0, 10]) * np.timedelta64(1, "h")
    filler = looks(np.arange(1, 9) * 900.0, np.zeros(8), [f"filler-{k}" for k in range(8)])
    pair = looks([0.0, 9.0], [0.0, 0.0], ["early", "late"], sigma_m=1.0, shared_sigma_m=2.5,
                 trip="", time=hours)  # fmt: skip
    bridge = looks([5000.0], [0.0], ["bridge"], trip="", time=DAY + np.timedelta64(5, "h"))
    book.add(Sightings.concat([filler, pair]))
    book.merge()
    agree(book, Sightings.concat([filler, pair]))
    assert frozenset({"early", "late"}) in book.partition()
    book.add(bridge)
    book.merge()
    agree(book, Sightings.concat([filler, pair, bridge]))
    assert frozenset({"early", "late"}) not in book.partition()
    assert book.read("SELECT name FROM trips WHERE given = 0") == [("2026-05-03 06:00",)]


def test_one_boat_of_a_trip_is_known_to_looks_far_from_it(folder):
    """Looks without a boat are of their trip's, also where the look that names it lies far off."""
    book = Book.new(folder)
    filler = looks(np.arange(1, 9) * 900.0, np.zeros(8), [f"filler-{k}" for k in range(8)])
    named = looks([8000.0], [0.0], ["names-it"], trip="one", boat="Tern", boat_sigma_m=1.0)
    blank = looks([0.0], [0.0], ["blank"], trip="one", boat_sigma_m=1.0)
    other = looks([4.0], [0.0], ["other"], trip="two", boat="Tern", boat_sigma_m=1.0)
    every = [Sightings.concat([filler, named, blank]), other]
    for part in every:
        book.add(part)
        book.merge()
    agree(book, Sightings.concat(every))


def test_a_shifted_trip_is_met_where_it_was_moved_to(folder):
    """Trips shifted by 90 m are looked for around the place to which they were moved."""
    n = 30
    rng = np.random.default_rng(1)
    east, north = rng.uniform(-2000, 2000, (2, n))
    book = Book.new(folder)
    for trip, off in (("one", 0.0), ("two", 0.0), ("three", 0.0), ("off", 90.0)):
        ids = [f"{trip}-{k:02d}" for k in range(n)]
        book.add(looks(east + off, north, ids, trip=trip, sigma_m=1.0, shared_sigma_m=2.5))
    book.add(looks([3090.0], [0.0], ["off-only"], trip="off", sigma_m=1.0, shared_sigma_m=2.5))
    book.merge(shift_trips=True)
    assert len(book.partition()) == n + 1
    book.add(looks([3000.0], [0.0], ["again-alone"], trip="late", sigma_m=1.0))
    book.add(looks(east[:1], north[:1], ["again"], trip="late", sigma_m=1.0))
    book.add(looks(east[1:2] + 90, north[1:2], ["off-late"], trip="off", sigma_m=1.0))
    book.merge()
    assert len(book.partition()) == n + 1
    assert frozenset({"again-alone", "off-only"}) in book.partition()
    assert {len(s) for s in book.partition() if s & {"again", "off-late"}} == {5}


@pytest.mark.parametrize("seed", [3, 4])
def test_in_larger_waters_nearly_all_marks_are_those_of_the_merge_of_all(folder, seed):
    """Trips are weighed when they come in, not with what comes later: up to 1 % may differ."""
    rng = np.random.default_rng(seed)
    things = rng.uniform(-2200, 2200, (250, 2))
    parts = []
    for t in range(5):
        seen = np.flatnonzero(rng.random(250) < 0.7)
        error = rng.normal(0, 2.5, 2)
        place = things[seen] + rng.normal(0, 3.0, (len(seen), 2)) + error
        ids = [f"{v:020x}" for v in rng.integers(0, 2**62, len(seen))]
        parts.append(looks(place[:, 0], place[:, 1], ids, trip=f"trip {t}", sigma_m=3.0,
                           shared_sigma_m=2.5))  # fmt: skip
    book = Book.new(folder)
    for part in parts:
        book.add(part)
        book.merge()
    expected = groups(whole(Sightings.concat(parts)).marks)
    assert len(book.partition() & expected) >= 0.99 * len(expected)
    book.merge(whole=True)
    assert book.partition() == expected


@examples(10)
@given(seed=seeds, n=st.integers(3, 25))
@example(seed=0, n=25)
def test_every_sighting_is_in_the_trip_that_its_time_says(folder, seed, n):
    sightings = water(seed, n)
    book = in_batches(folder, sightings, batches(seed, n, 4))
    with store.open_book(book.path) as opened, opened.reading() as connection:
        rows = connection.execute(
            "SELECT s.sighting_id, m.trip FROM members AS m JOIN sightings AS s ON s.fid = m.fid"
        ).fetchall()
        names = Trips(connection).names([r[1] for r in rows], [r[0] for r in rows])
    found = dict(zip([r[0] for r in rows], names, strict=True))
    expected = assign_trips(sightings.time, sightings.trip, sightings.sighting_id)
    assert found == dict(zip(sightings.sighting_id.tolist(), expected.tolist(), strict=True))
