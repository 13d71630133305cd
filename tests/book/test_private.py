"""A private mark, and its sightings, leave the book only where the user says so."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from shelf import Book, at, looks, neighbourhoods_only, points

import athwart
from athwart.book.reading import read_book
from athwart.cli import cli
from athwart.formats import ReadOptions, read
from athwart.sharing import KEY_BYTES, settings_folder

pytestmark = pytest.mark.usefixtures(neighbourhoods_only.__name__)


@pytest.fixture
def book(tmp_path):
    """Three marks; the one called Secret, of two sightings, is private."""
    book = Book.new(tmp_path)
    book.add(
        points(
            [0, 1, 200, 400],
            [0, 0, 0, 0],
            ["Secret", "Secret", "Open", "Far"],
            note=["secret note", "", "open note", ""],
            trip=["one", "two", "one", "one"],
        )
    )
    book.merge()
    book.edit("Secret", private=True)
    return book


def run(*words, code=0):
    result = CliRunner().invoke(cli, [str(w) for w in words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result.output


def places_of(book, name):
    rows = book.read(f"SELECT s.sighting_id FROM sightings AS s WHERE s.name = '{name}'")
    return [r[0] for r in rows]


def assert_hidden(book, text, name="Secret"):
    assert name not in text
    assert "secret note" not in text
    for ident in places_of(book, name):
        assert ident not in text
    lon, lat = at(0, 0)
    assert f"{lon:.4f}" not in text
    assert f"{lat:.4f}" not in text or "44.4000" not in f"{lat:.4f}"


@pytest.mark.parametrize("ending", ["gpx", "csv", "gpkg", "geojson", "kml"])
def test_no_output_of_merge_holds_it(book, tmp_path, ending):
    run("merge", book.path, "-o", tmp_path / f"out.{ending}", "--report", tmp_path / "report.csv")
    contents = read(tmp_path / f"out.{ending}")
    assert set(contents.marks.name) == {"Open", "Far"}
    for name in ("out.gpx", "out.csv", "out-sightings.csv", "out.geojson", "report.csv"):
        if (tmp_path / name).exists():
            assert_hidden(book, (tmp_path / name).read_text(encoding="utf-8"))
    for path in tmp_path.glob("out*.gpkg"):
        assert b"Secret" not in path.read_bytes()


@pytest.mark.parametrize(
    "words",
    [
        ["export", "BOOK", "-o", "OUT.gpx"],
        ["export", "BOOK", "-o", "OUT.gpx", "--clean"],
        ["export", "BOOK", "-o", "OUT.gpx", "--blur", "500m"],
        ["map", "BOOK", "-o", "OUT.html"],
    ],
)
def test_no_exported_file_or_map_holds_it_unless_asked_for(book, tmp_path, monkeypatch, words):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    settings_folder().mkdir(parents=True)
    # one key for every run: 3 % of all keys blur 'Open' or 'Far' onto digits of 'Secret'
    (settings_folder() / "blur.key").write_bytes(bytes(KEY_BYTES))
    out = tmp_path / f"out{words[3][3:]}"
    words = [
        str(book.path) if w == "BOOK" else str(out) if w.startswith("OUT") else w for w in words
    ]
    run(*words)
    assert_hidden(book, out.read_text(encoding="utf-8"))
    assert "Open" in out.read_text(encoding="utf-8")
    run(*words, "--with-private", "--overwrite")
    assert "Secret" in out.read_text(encoding="utf-8")


def test_it_is_not_handed_over_unless_it_is_written(book, tmp_path):
    run("export", book.path, "-o", tmp_path / "out.gpx")
    secret = book.mark(places_of(book, "Secret")[0])["mark_id"]
    assert secret not in [r[0] for r in book.read("SELECT mark_id FROM handed_over")]
    run("export", book.path, "-o", tmp_path / "all.gpx", "--with-private")
    assert secret in [r[0] for r in book.read("SELECT mark_id FROM handed_over")]


def test_lists_and_info_leave_it_out(book):
    book.visit("Secret", "dived it")
    for words in (["book", "marks", book.path], ["book", "marks", book.path, "--json"],
                  ["info", book.path], ["info", book.path, "--json"]):  # fmt: skip
        assert_hidden(book, run(*words))
    assert json.loads(run("info", book.path, "--json"))["files"][0]["counts"]["visits"] == 0
    assert "Secret" in run("book", "marks", book.path, "--with-private")


def test_python_reads_it_only_when_asked(book):
    for contents in (athwart.read(book.path), read(book.path), read_book(book.path)):
        assert set(contents.marks.name) == {"Open", "Far"}
        assert set(contents.sightings.name) == {"Open", "Far"}
        assert "private" not in contents.marks.extra
    asked = read(book.path, options=ReadOptions(with_private=True))
    assert set(asked.marks.name) == {"Secret", "Open", "Far"}
    assert asked.marks.extra["private"].sum() == 1


def test_a_book_renamed_in_capitals_is_still_a_book(book, tmp_path):
    other = book.path.rename(tmp_path / "SEASON.GPKG")
    assert set(athwart.read(other).marks.name) == {"Open", "Far"}


def test_sightings_that_wait_are_in_no_output(book, tmp_path):
    book.add(points([0.5], [0.5], ["Waiting"], trip="three"))
    run("merge", book.path, "-o", tmp_path / "out.csv")
    assert "Waiting" not in (tmp_path / "out.csv").read_text(encoding="utf-8")
    assert set(athwart.read(book.path).sightings.name) == {"Open", "Far"}
    book.merge()
    assert set(athwart.read(book.path).sightings.name) == {"Open", "Far"}
    assert book.mark(places_of(book, "Waiting")[0])["private"]


def hidden(book):
    names = set(read_book(book.path).sightings.name)
    return {"Secret", "Open", "Far"} - names


@pytest.mark.parametrize("said", ["before", "after", "never"])
def test_a_mark_that_swallows_a_private_one_is_private(tmp_path, said):
    """Also where the user called it public before: that was not said of the private one."""
    book = Book.new(tmp_path)
    book.add(points([0, 0.5, 60], [0, 0, 0], ["Open", "Open", "Secret"], trip=["1", "2", "3"]))
    book.merge()
    if said == "before":
        book.edit("Open", private=False)
        book.edit("Secret", private=True)
    elif said == "after":
        book.edit("Secret", private=True)
        book.edit("Open", private=False)
    else:
        book.edit("Secret", private=True)
    book.rule("same", "Open", "Secret")
    assert hidden(book) >= {"Open", "Secret"}
    book.merge(whole=True)
    assert hidden(book) >= {"Open", "Secret"}
    (mark_id,) = book.marks().mark_id
    book.edit(mark_id, private=False)
    assert hidden(book) == {"Far"}


def test_both_parts_of_a_private_mark_stay_private(book):
    a, b = places_of(book, "Secret")
    done = book.rule("apart", a, b)
    assert book.mark(a)["mark_id"] != book.mark(b)["mark_id"]
    assert hidden(book) == {"Secret"}
    assert [name for _, name in done.derived.inherited] == ["private"]


def test_a_part_that_had_been_public_before_the_fold_is_public_again(book):
    book.rule("same", "Open", "Secret")
    assert hidden(book) == {"Secret", "Open"}
    (b,) = places_of(book, "Open")
    for a in places_of(book, "Secret"):
        book.rule("apart", a, b)
    assert book.mark(b)["mark_id"] == b
    assert hidden(book) == {"Secret"}


def test_a_part_that_was_made_private_while_folded_stays_private(tmp_path):
    book = Book.new(tmp_path)
    book.add(points([0, 0.5, 60], [0, 0, 0], ["Open", "Open", "Far"], trip=["1", "2", "3"]))
    book.merge()
    book.rule("same", "Open", "Far")
    book.edit(book.marks().mark_id[0], private=True)
    a, b = places_of(book, "Open")[0], places_of(book, "Far")[0]
    book.rule("apart", a, b)
    assert len(book.marks()) == 2
    assert hidden(book) >= {"Open", "Far"}


def test_a_sighting_of_a_private_mark_that_goes_over_to_another_takes_it_along(tmp_path):
    book = Book.new(tmp_path)
    book.add(looks([0, 2, 60], [0, 0, 0], ["ppp1", "ppp2", "open"], sigma_m=4))
    book.merge()
    book.edit("ppp1", private=True)
    book.rule("apart", "ppp1", "ppp2")
    book.rule("same", "ppp2", "open")
    assert len(read_book(book.path).sightings) == 0


def test_a_mark_drawn_private_in_another_program_is_never_public(book):
    from athwart.book.blobs import point_blobs

    lon, lat = at([900.0], [0.0])
    (shape,) = point_blobs(lon, lat)
    book.elsewhere(
        ("INSERT INTO marks (geom, name, private) VALUES (?, 'Drawn', 1)", (shape,)),
    )
    book.merge()
    assert "Drawn" in book.marks().name
    assert "Drawn" not in read_book(book.path).marks.name
    book.merge(whole=True)
    assert "Drawn" not in read_book(book.path).marks.name
    book.edit("Drawn", private=False)
    assert "Drawn" in read_book(book.path).marks.name
    again = points([901], [0], ["Drawn too"], trip="later")
    book.add(again.take(np.array([0])))
    book.merge()
    assert "Drawn" in "".join(read_book(book.path).marks.name)


def test_an_edit_elsewhere_makes_it_private_even_before_the_book_has_seen_it(book):
    book.elsewhere("UPDATE marks SET private = 1 WHERE name = 'Open'")
    assert set(read_book(book.path).marks.name) == {"Far"}
    assert set(read_book(book.path).sightings.name) == {"Far"}
