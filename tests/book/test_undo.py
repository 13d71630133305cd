"""Every change can be taken back: exactly while it is the last, soundly or not at all later."""

from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from shelf import DAY, Book, at, looks, neighbourhoods_only
from worlds_of_books import batches, examples, seeds, water

from athwart.book.blobs import point_blobs
from athwart.book.checking import _own, check_book
from athwart.book.outside import take_in_edits
from athwart.book.store import open_book
from athwart.errors import DataError, UsageError
from athwart.tables import Marks

pytestmark = pytest.mark.usefixtures(neighbourhoods_only.__name__)


@pytest.fixture
def book(tmp_path):
    return Book.new(tmp_path)


def faults(book):
    """Return what breaks our own rules; the file itself is not looked at, which takes longer."""
    with open_book(book.path) as opened, opened.reading() as connection:
        return list(_own(connection))


class Acts:
    """Random things that a user does with one book of random water."""

    NAMES = ("add", "add_again", "merge", "merge_all", "same", "apart", "edit", "visit", "export",
             "outside")  # fmt: skip

    def __init__(self, folder, seed):
        self.book = Book.new(folder)
        self.rng = np.random.default_rng(seed)
        sightings = water(seed, 26)
        self.parts = [sightings.take(rows) for rows in batches(seed, 26, 7)]
        self.all = sightings
        self.next = 0

    def any_mark(self):
        ids = self.book.marks().mark_id
        return str(self.rng.choice(ids)) if len(ids) else None

    def do(self, act):
        """Do it if it can be done."""
        try:
            getattr(self, act)()
        except UsageError as error:
            if "one mark already" not in str(error) and "the same mark" not in str(error):
                raise

    def add(self):
        if self.next < len(self.parts):
            self.book.add(self.parts[self.next], f"file {self.next}")
            self.next += 1

    def add_again(self):
        """Take in a better fix of sightings, some known and some not."""
        rows = np.flatnonzero(self.rng.random(26) < 0.2)
        if len(rows):
            better = self.all.take(rows)
            self.book.add(
                better.with_columns(lat=better.lat + self.rng.normal(0, 2e-5, len(rows))), "better"
            )

    def merge(self):
        self.book.merge()

    def merge_all(self):
        self.book.merge(whole=True)

    def same(self, what="same"):
        a, b = self.any_mark(), self.any_mark()
        if a and a != b:
            self.book.rule(what, a, b)

    def apart(self):
        sets = [sorted(s) for s in self.book.partition() if len(s) > 1]
        if len(sets) and self.rng.random() < 0.7:
            one = sets[self.rng.integers(len(sets))]
            live = set(self.book.marks().mark_id) - {one[0], one[1]}
            if not live & {one[0], one[1]}:
                self.book.rule("apart", one[0], one[1])
        else:
            self.same("apart")

    def edit(self):
        mark = self.any_mark()
        if mark:
            field = str(self.rng.choice(["name", "kind", "note", "hazard", "private"]))
            yes = bool(self.rng.random() < 0.6)
            value = yes if field in ("hazard", "private") else f"said {self.rng.integers(99)}"
            self.book.edit(mark, **{field: value})

    def visit(self):
        mark = self.any_mark()
        if mark:
            self.book.visit(mark)

    def export(self):
        marks = self.book.marks()
        if len(marks):
            rows = np.flatnonzero(self.rng.random(len(marks)) < 0.7)
            if len(rows):
                self.book.hand_over(Marks(**marks.take(rows).to_columns()))

    def outside(self):
        """Edit, drag, draw and delete in another program, then let the book take it in."""
        fids = [r[0] for r in self.book.read("SELECT fid FROM marks ORDER BY fid")]
        if not fids:
            return
        fid = int(self.rng.choice(fids))
        (shape,) = point_blobs(*at([self.rng.uniform(-99, 99)], [self.rng.uniform(-99, 99)]))
        statements = [
            ("UPDATE marks SET name = 'elsewhere', private = 1 WHERE fid = ?", (fid,)),
            ("UPDATE marks SET geom = ? WHERE fid = ?", (shape, fid)),
            ("INSERT INTO marks (geom, name, kind) VALUES (?, 'drawn', 'rock')", (shape,)),
            ("DELETE FROM marks WHERE fid = ?", (int(self.rng.choice(fids)),)),
        ]
        take = self.rng.permutation(4)[: self.rng.integers(1, 4)]
        self.book.elsewhere(*(statements[k] for k in take))
        moment = DAY + len(self.book.log()) * np.timedelta64(1, "m")
        with (
            patch("athwart.book.outside._now", lambda: moment),
            self.book.writing() as opened,
            opened.writing() as connection,
        ):
            take_in_edits(connection)


acts = st.lists(st.sampled_from(Acts.NAMES), min_size=3, max_size=9).map(
    lambda more: ["add", "merge", *more]
)


def done(folder, seed, names):
    """Do things; return the actor, and the dumps of the book before and after each entry."""
    user = Acts(folder, seed)
    dumps = [user.book.dump()]
    for name in names:
        before = len(user.book.log())
        user.do(name)
        log = user.book.log()
        if len(log) == before:
            assert user.book.dump() == dumps[-1]
        elif len(log) == before + 1:
            dumps.append(user.book.dump())
    return user, dumps


@examples(12)
@given(seed=seeds, names=acts)
def test_taking_everything_back_gives_each_earlier_dump(tmp_path_factory, seed, names):
    user, dumps = done(tmp_path_factory.mktemp("b"), seed, names)
    book = user.book
    for step in range(len(dumps) - 1, 0, -1):
        assert book.dump() == dumps[step]
        book.undo()
    assert book.dump() == dumps[0]
    with pytest.raises(UsageError, match="no change to take back"):
        book.undo()
    # ... and every undoing can be undone, the last first.
    undoings = [e.number for e in book.log() if e.what == "undo"]
    for step, number in enumerate(reversed(undoings), start=1):
        book.undo(number)
        assert book.dump() == dumps[step]
    assert faults(book) == []


@examples(12)
@given(seed=seeds, names=acts, data=st.data())
def test_an_older_entry_is_taken_back_soundly_or_refused_by_name(
    tmp_path_factory, seed, names, data
):
    user, _ = done(tmp_path_factory.mktemp("b"), seed, names)
    book = user.book
    for _ in range(3):
        log = book.log()
        number = 1 + data.draw(st.integers(0, 999)) % len(log)
        before, count = book.dump(), len(log)
        try:
            book.undo(number)
        except (DataError, UsageError) as error:
            text = str(error)
            later = [n for n in range(number + 1, count + 1) if f" {n}" in text]
            assert "taken back already" in text or later, text
            assert (book.dump(), len(book.log())) == (before, count)
            continue
        assert faults(book) == []
        after = book.dump()
        book.undo(len(book.log()))
        assert book.dump() == before
        book.undo(len(book.log()))
        assert book.dump() == after
    book.merge()
    book.merge(whole=True)
    assert faults(book) == []


@examples(10)
@given(seed=seeds, n=st.integers(6, 26), gone=st.integers(0, 3))
@example(seed=2, n=6, gone=2)
def test_a_book_without_a_file_is_one_that_never_had_it(tmp_path_factory, seed, n, gone):
    folder = tmp_path_factory.mktemp("b")
    sightings = water(seed, n)
    parts = batches(seed, n, 4)
    gone %= len(parts)
    withdrawn, never = Book.new(folder, "a.gpkg"), Book.new(folder, "b.gpkg")
    entries = []
    for k, rows in enumerate(parts):
        withdrawn.add(sightings.take(rows))
        entries.append(len(withdrawn.log()))
        withdrawn.merge()
        if k != gone:
            never.add(sightings.take(rows))
            never.merge()
    withdrawn.undo(entries[gone])
    assert faults(withdrawn) == []
    assert withdrawn.partition() == never.partition()
    columns = "name, first_us, last_us"
    assert set(withdrawn.read(f"SELECT {columns} FROM trips")) == set(
        never.read(f"SELECT {columns} FROM trips")
    )
    withdrawn.add(sightings.take(parts[gone]))
    never.add(sightings.take(parts[gone]))
    withdrawn.merge()
    never.merge()
    assert withdrawn.partition() == never.partition()


def test_undo_of_an_undo_gives_back_what_it_took(book):
    book.add(looks([0, 60], [0, 0], ["aaa1", "bbb1"]))
    book.merge()
    book.edit("aaa1", name="Anvil")
    later = book.dump()
    book.undo()
    book.undo(4)
    assert book.dump() == later
    book.undo()  # the edit stands again, so it is the last change
    assert book.mark("aaa1")["name"] == ""


def test_what_was_taken_back_is_not_taken_back_twice(book):
    book.add(looks([0], [0], ["aaa1"]))
    book.merge()
    book.undo()
    with pytest.raises(UsageError, match="entry 2 was taken back already, by entry 3"):
        book.undo(2)
    with pytest.raises(UsageError, match="the log has no entry 9"):
        book.undo(9)


def test_a_merge_is_not_taken_back_from_under_later_changes(book):
    book.add(looks([0, 60], [0, 0], ["aaa1", "bbb1"]))
    book.merge()
    book.edit("aaa1", name="Anvil")
    with pytest.raises(DataError, match=r"entry 2 \(merge\) cannot .* before entry 3"):
        book.undo(2)


def test_a_file_with_sightings_that_were_ruled_about_stays_until_the_ruling_goes(book):
    book.add(looks([0], [0], ["aaa1"]))
    book.add(looks([60], [0], ["bbb1"]))
    book.merge()
    book.rule("same", "aaa1", "bbb1")
    with pytest.raises(DataError, match=r"entry 2 .* before entry 4: they rule on its sightings"):
        book.undo(2)
    book.undo(4)
    book.undo(2)
    assert book.partition() == {frozenset({"aaa1"})}


def test_an_old_ruling_is_taken_back_and_statistics_hold_again(book):
    book.add(looks([0, 60], [0, 0], ["aaa1", "bbb1"]))
    book.merge()
    book.rule("same", "aaa1", "bbb1")
    book.add(looks([0.5], [0.5], ["aaa2"]))
    book.merge()
    book.undo(3)
    assert book.partition() == {frozenset({"aaa1", "aaa2"}), frozenset({"bbb1"})}


def test_after_an_old_entry_went_the_one_before_it_is_no_longer_undone_blindly(book):
    """Two changes that were withdrawn out of order leave no state to go back to by rote."""
    book.add(looks([0, 60], [0, 0], ["aaa1", "bbb1"]))
    book.merge()
    book.add(looks([30], [0], ["ccc1"], sigma_m=15))
    book.rule("same", "aaa1", "bbb1")
    book.undo(3)
    book.undo(4)
    with pytest.raises(DataError, match=r"entry 2 \(merge\) cannot be taken back"):
        book.undo(2)
    assert check_book(book.path) == []


def test_a_run_of_time_falls_apart_again_when_what_closed_it_goes(book):
    hours = DAY + np.array([0, 10]) * np.timedelta64(1, "h")
    book.add(looks([0, 500], [0, 0], ["early", "late"], trip="", time=hours))
    book.add(looks([900], [0], ["bridge"], trip="", time=DAY + np.timedelta64(5, "h")))
    book.merge()
    assert len(book.read("SELECT 1 FROM trips")) == 1
    book.undo(2)
    names = [r[0] for r in book.read("SELECT name FROM trips ORDER BY first_us")]
    assert names == ["2026-05-03 06:00", "2026-05-03 16:00"]


def test_words_of_later_files_with_known_sightings_are_said(book):
    book.add(looks([0], [0], ["aaa1"]), "small.csv")
    book.add(looks([0, 60], [0, 0], ["aaa1", "bbb1"]), "large.csv")
    book.merge()
    _, words = book.undo(1)
    assert any("large.csv (entry 2)" in w and "add it again" in w for w in words)
    assert book.add(looks([0, 60], [0, 0], ["aaa1", "bbb1"]), "large.csv").new == 1


def test_the_dump_holds_every_table_but_the_log(book):
    with open_book(book.path) as opened, opened.reading() as connection:
        tables = {
            r[0]
            for r in connection.execute("SELECT table_name FROM gpkg_contents")
            if r[0] != "log"
        }
    assert {line[1:-1] for line in book.dump().split("\n") if line.startswith("[")} == tables
