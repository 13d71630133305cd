"""What the user says and rules holds for good: ids, names, notes, hazards, one thing or two."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shelf import Book, looks, neighbourhoods_only, points
from worlds_of_books import batches, examples, seeds, water

from athwart.book import store
from athwart.book.checking import check_book
from athwart.book.said import resolve
from athwart.errors import UsageError

pytestmark = pytest.mark.usefixtures(neighbourhoods_only.__name__)


@pytest.fixture
def book(tmp_path):
    return Book.new(tmp_path)


def leads_to(book, mark_id):
    with store.open_book(book.path) as opened, opened.reading() as connection:
        return resolve(connection, mark_id)


def two_marks(book, **columns):
    """A book of two marks 60 m apart, the older of two looks."""
    book.add(looks([0, 1, 60], [0, 0, 0], ["aaa1", "aaa2", "bbb1"], **columns))
    book.merge()
    assert book.partition() == {frozenset({"aaa1", "aaa2"}), frozenset({"bbb1"})}


def bridge(book, *ids):
    """Looks of large error between the two marks, until they fold."""
    book.add(looks([30.0] * len(ids), [0.0] * len(ids), ids, sigma_m=30.0))


# -- ids -----------------------------------------------------------------------------------------


@examples(10)
@given(seed=seeds, n=st.integers(6, 24))
def test_a_mark_keeps_its_id_while_any_of_its_sightings_is_in_a_mark(tmp_path_factory, seed, n):
    book = Book.new(tmp_path_factory.mktemp("b"))
    sightings = water(seed, n)
    rng = np.random.default_rng(seed)
    ever: dict[str, set[str]] = {}

    def look():
        marks = book.marks()
        live = {m: set(i.split()) for m, i in zip(marks.mark_id, marks.sighting_ids, strict=True)}
        for mark_id, members in ever.items():
            now = leads_to(book, mark_id)
            assert now in live
            assert members & live[now]
        ever.update(live)

    for rows in batches(seed, n, 4):
        book.add(sightings.take(rows))
        book.merge(whole=bool(rng.random() < 0.3))
        look()
        ids = [i for members in book.partition() for i in members]
        a, b = rng.permutation(sorted(ids))[:2] if len(ids) > 1 else (ids[0], ids[0])
        a, b = book.mark(a)["mark_id"], book.mark(b)["mark_id"]
        if a != b:
            book.rule(str(rng.choice(["same", "apart"])), a, b)
            look()


def test_the_older_and_larger_mark_keeps_its_id_and_the_other_leads_to_it(book):
    two_marks(book)
    older, newer = book.mark("aaa1")["mark_id"], book.mark("bbb1")["mark_id"]
    book.rule("same", older, newer)
    assert book.mark("bbb1")["mark_id"] == older
    assert leads_to(book, newer) == older


def test_of_two_marks_as_large_the_older_keeps_its_id(book):
    for name in ("z-first", "a-second"):
        book.add(looks([0.0 if name == "z-first" else 60.0], [0.0], [name]))
        book.merge()
    book.rule("same", "z-first", "a-second")
    assert book.marks().mark_id.tolist() == ["z-first"]


def test_a_parted_mark_gets_back_the_id_that_it_had(book):
    two_marks(book)
    newer = book.mark("bbb1")["mark_id"]
    book.add(looks([61.0], [0.0], ["bbb0"], time=np.datetime64("2020-01-01")))  # earlier than b1
    book.merge()
    assert book.mark("bbb0")["mark_id"] == newer
    book.rule("same", "aaa1", newer)
    ruling = len(book.log())
    book.visit("aaa1")
    book.undo(ruling)
    assert frozenset({"bbb0", "bbb1"}) in book.partition()
    assert book.mark("bbb0")["mark_id"] == newer
    assert leads_to(book, newer) == newer


# -- words ---------------------------------------------------------------------------------------


def test_words_survive_merges_and_looking_at_everything_again(book):
    two_marks(book)
    book.edit("bbb1", name="Kettle", kind="wreck", note="bow up", hazard=True, private=True)
    for step in range(3):
        book.add(looks([60.5], [step], [f"bbb{step + 2}"], note=f"seen {step}", name="Other"))
        book.merge(whole=step == 2)
        mark = book.mark("bbb1")
        assert (mark["name"], mark["kind"], mark["hazard"]) == ("Kettle", "wreck", True)
        assert mark["private"]
        assert mark["note"].split("\n") == ["bow up", *(f"seen {k}" for k in range(step + 1))]


def test_a_note_takes_the_place_of_what_the_sightings_said_so_far(book):
    book.add(looks([0, 1], [0, 0], ["aaa1", "aaa2"], note=["weed", "snag"]))
    book.merge()
    book.edit("aaa1", note="clean ground")
    assert book.mark("aaa1")["note"] == "clean ground"
    book.add(looks([0.5], [0.5], ["aaa3"], note="net"))
    book.merge()
    assert book.mark("aaa1")["note"] == "clean ground\nnet"


def test_a_fold_keeps_both_names_and_every_note(book):
    two_marks(book, note=["weed", "", "snag"])
    book.edit("aaa1", name="Kettle", note="bow up")
    book.edit("bbb1", name="Pram")
    book.rule("same", "aaa1", "bbb1")
    mark = book.mark("aaa1")
    assert mark["name"] == "Kettle"
    assert set(mark["note"].split("\n")) == {"bow up", "also called Pram", "snag"}
    book.edit("aaa1", name="Kettle and Pram")
    assert "also called" not in book.mark("aaa1")["note"] or "Pram" in book.mark("aaa1")["note"]


def test_a_fold_keeps_the_notes_of_sightings_that_no_word_replaced(book):
    two_marks(book, note=["weed", "", "snag"])
    book.edit("bbb1", note="only of b")
    book.rule("same", "aaa1", "bbb1")
    assert set(book.mark("aaa1")["note"].split("\n")) == {"weed", "only of b"}


def test_a_name_survives_the_fold_into_a_mark_without_one(book):
    two_marks(book)
    book.edit("bbb1", name="Pram", kind="reef")
    book.rule("same", "aaa1", "bbb1")
    assert (book.mark("aaa1")["name"], book.mark("aaa1")["kind"]) == ("Pram", "reef")
    book.rule("apart", "aaa1", "bbb1")
    assert (book.mark("bbb1")["name"], book.mark("aaa1")["name"]) == ("Pram", "")


def test_a_chain_of_folds_keeps_every_name(book):
    book.add(looks([0, 60, 120], [0, 0, 0], ["aaa1", "bbb1", "ccc1"]))
    book.merge()
    for i, name in (("aaa1", "Anvil"), ("bbb1", "Pram"), ("ccc1", "Kettle")):
        book.edit(i, name=name)
    book.rule("same", "bbb1", "ccc1")
    book.rule("same", "aaa1", "bbb1")
    mark = book.mark("aaa1")
    said = {mark["name"], *(line.removeprefix("also called ") for line in mark["note"].split("\n"))}
    assert said == {"Anvil", "Pram", "Kettle"}


@pytest.mark.parametrize("other", [None, False])
def test_a_hazard_survives_every_fold_and_parting(book, other):
    two_marks(book)
    book.edit("bbb1", hazard=True)
    if other is not None:
        book.edit("aaa1", hazard=other)
    book.rule("same", "aaa1", "bbb1")
    assert book.mark("aaa1")["hazard"]
    book.rule("apart", "aaa1", "bbb1")
    assert book.mark("bbb1")["hazard"]
    assert not book.mark("aaa1")["hazard"]


def test_a_hazard_that_a_sighting_told_survives_a_fold_with_a_mark_said_to_be_none(book):
    two_marks(book, hazard=[False, False, True])
    book.edit("aaa1", hazard=False)
    book.rule("same", "aaa1", "bbb1")
    assert book.mark("aaa1")["hazard"]
    book.edit("aaa1", hazard=False)
    assert not book.mark("aaa1")["hazard"]


# -- rulings -------------------------------------------------------------------------------------


def together(book, *ids):
    return len({book.mark(i)["mark_id"] for i in ids}) == 1


def test_same_beats_statistics_for_good(book):
    two_marks(book)
    book.rule("same", "aaa1", "bbb1")
    for k in range(3):
        book.add(looks([0.2 * k, 60 + 0.2 * k], [1, 1], [f"ccc{k}", f"ddd{k}"]))
        book.merge(whole=k == 2)
        assert together(book, "aaa1", "aaa2", "bbb1")
    assert check_book(book.path) == []


def test_apart_beats_statistics_for_good(book):
    book.add(looks([0, 0.5, 1, 1.5], [0, 0, 0, 0], ["aaa1", "aaa2", "bbb1", "bbb2"]))
    book.merge()
    assert together(book, "aaa1", "aaa2", "bbb1", "bbb2")
    book.rule("apart", "aaa1", "bbb2")
    assert not together(book, "aaa1", "bbb2")
    for k in range(3):
        book.add(looks([0.7], [0.2 * k], [f"ccc{k}"]))
        book.merge(whole=k == 2)
        assert not together(book, "aaa1", "bbb2")


def test_no_sighting_of_one_mark_goes_with_one_of_another_that_is_ruled_apart(book):
    """Loose looks of either would both fold into what is found between the two."""
    loose = {"sigma_m": [1.0, 15.0, 1.0, 15.0]}
    book.add(looks([0, 8, 30, 22], [0, 0, 0, 0], ["aaa1", "aaa2", "bbb1", "bbb2"], **loose))
    book.merge()
    assert book.partition() == {frozenset({"aaa1", "aaa2"}), frozenset({"bbb1", "bbb2"})}
    ruled = book.copy("ruled.gpkg")
    ruled.rule("apart", "aaa1", "bbb1")
    for each in (book, ruled):
        each.add(looks([15, 15, 15], [0, 0, 0], ["mmm1", "mmm2", "mmm3"], sigma_m=1))
        each.merge()
    assert together(book, "aaa2", "bbb2")
    assert not together(ruled, "aaa2", "bbb2")


def test_the_later_word_wins(book):
    two_marks(book)
    for _ in range(2):
        book.rule("same", "aaa1", "bbb1")
        assert together(book, "aaa1", "bbb1")
        book.rule("apart", "aaa1", "bbb1")
        assert not together(book, "aaa1", "bbb1")
        book.merge(whole=True)
        assert not together(book, "aaa1", "bbb1")


def test_three_rulings_that_contradict_each_other_are_settled_by_the_last(book):
    book.add(looks([0, 60, 120], [0, 0, 0], ["aaa1", "bbb1", "ccc1"]))
    book.merge()
    book.rule("same", "aaa1", "bbb1")
    book.rule("apart", "aaa1", "ccc1")
    book.rule("same", "bbb1", "ccc1")
    assert together(book, "aaa1", "bbb1", "ccc1")
    book.rule("apart", "aaa1", "ccc1")
    assert not together(book, "aaa1", "ccc1")
    book.merge(whole=True)
    assert not together(book, "aaa1", "ccc1")


def test_a_ruling_on_one_sighting_settles_what_was_ruled_of_those_it_is_tied_to(book):
    for k, ident in enumerate(("aaa1", "aaa2", "ccc1")):
        book.add(looks([60 * k], [0], [ident]))
        book.merge()
    book.rule("same", "aaa1", "aaa2")
    book.rule("apart", "aaa1", "ccc1")
    book.rule("same", "aaa2", "ccc1")
    assert together(book, "aaa1", "aaa2", "ccc1")


@examples(15)
@given(data=st.data())
def test_no_run_of_rulings_ends_in_a_contradiction(tmp_path_factory, data):
    book = Book.new(tmp_path_factory.mktemp("b"))
    ids = [f"{c * 3}{k}" for c in "abc" for k in range(2)]
    book.add(looks([0, 2, 30, 32, 60, 62], [0] * 6, ids, sigma_m=4))
    book.merge()
    for _ in range(data.draw(st.integers(2, 7))):
        what = data.draw(st.sampled_from(["same", "apart"]))
        a, b = data.draw(st.permutations(ids))[:2]
        if what == "same" and together(book, a, b):
            continue
        marks = book.marks().mark_id.tolist()
        if any(i in marks and book.mark(i)["mark_id"] != i for i in (a, b)):
            continue  # the id means the mark, which its first sighting has left
        book.rule(what, a, b)
        assert together(book, a, b) == (what == "same")
    book.merge(whole=True)


def test_what_cannot_be_ruled_is_refused_in_a_sentence(book):
    two_marks(book)
    with pytest.raises(UsageError, match="one mark already"):
        book.rule("same", "aaa1", "aaa2")
    with pytest.raises(UsageError, match="give the ids of two of its sightings"):
        book.rule("apart", "aaa1", "aaa1")
    with pytest.raises(UsageError, match="there is no mark 'nowhere'"):
        book.rule("same", "aaa1", "nowhere")
    assert len(book.log()) == 2


# -- visits --------------------------------------------------------------------------------------


def test_visits_are_counted_and_go_along_with_folds_and_partings(book):
    two_marks(book)
    book.visit("bbb1", "lost an anchor")
    book.visit("bbb1", "found it")
    book.visit("aaa1", "nothing")
    assert (book.mark("aaa1")["visits"], book.mark("bbb1")["visits"]) == (1, 2)
    book.rule("same", "aaa1", "bbb1")
    assert book.mark("aaa1")["visits"] == 3
    assert "nothing" in book.mark("aaa1")["last_visit"]
    book.rule("apart", "aaa1", "bbb1")
    assert (book.mark("aaa1")["visits"], book.mark("bbb1")["visits"]) == (1, 2)


def test_a_file_added_later_does_not_undo_words_of_a_mark(book):
    book.add(points([0], [0], ["0815"]))
    book.merge()
    (mark_id,) = book.marks().mark_id
    book.edit("0815", name="Anvil")
    book.add(points([1], [0], ["Late name"], time=np.datetime64("2026-08-01")))
    book.merge()
    assert book.marks().name.tolist() == ["Anvil"]
    assert book.marks().mark_id.tolist() == [mark_id]
    book.undo(1)
    assert book.marks().name.tolist() == ["Anvil"]
    assert book.marks().mark_id.tolist() == [mark_id]
