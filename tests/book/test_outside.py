"""Edits that another program makes on the layer of marks are the user's word."""

import sqlite3

import numpy as np
import pyogrio
import pytest
import shapely
from fudgeo.extension.spatial import ST_FUNCS
from shelf import GEOD, Book, at, looks, neighbourhoods_only, points

from athwart.book.blobs import point_blobs
from athwart.book.checking import check_book

pytestmark = pytest.mark.usefixtures(neighbourhoods_only.__name__)


@pytest.fixture
def book(tmp_path):
    """Three marks, 300 m from each other: Anvil of two looks, Pram, and one without a name."""
    book = Book.new(tmp_path)
    book.add(points([0, 1, 300, 600], [0, 0, 0, 0], ["Anvil", "Anvil", "Pram", ""],
                    trip=["1", "2", "3", "4"], note=["weed", "", "", ""]))  # fmt: skip
    book.merge()
    return book


def elsewhere(book, *statements):
    """Change the layer through a connection of its own, as a GIS does."""
    connection = sqlite3.connect(book.path)
    try:
        for name, function in ST_FUNCS.items():
            connection.create_function(name, 1, function, deterministic=True)
        with connection:
            for sql, values in statements:
                connection.execute(sql, values)
    finally:
        connection.close()


def shape(east, north):
    return point_blobs(*at([float(east)], [float(north)]))[0]


def by_name(book, name):
    marks = book.marks()
    return {n: v[marks.name.tolist().index(name)] for n, v in marks.to_columns().items()}


def words(done):
    return " ".join(done.words)


def test_name_kind_note_hazard_and_privacy_become_the_users_word(book):
    sql = "UPDATE marks SET name=?, kind=?, note=?, hazard=1, private=1 WHERE name='Pram'"
    elsewhere(book, (sql, ("Kettle", "wreck", "bow up")))
    done = book.merge()
    assert "edited in another program: 1 mark described anew" in words(done)
    for whole in (False, True):
        book.add(points([300.5], [float(whole)], ["Other"], trip=f"later {whole}"))
        book.merge(whole=whole)
        mark = by_name(book, "Kettle")
        assert (mark["kind"], mark["note"], mark["hazard"]) == ("wreck", "bow up", True)
        assert book.read("SELECT private FROM marks WHERE name = 'Kettle'") == [(1,)]
    assert check_book(book.path) == []


def test_a_value_taken_away_is_a_word_too(book):
    elsewhere(book, ("UPDATE marks SET name=NULL, note='' WHERE name='Anvil'", ()))
    book.merge()
    assert sorted(book.marks().name) == ["", "", "Pram"]
    assert "weed" not in "".join(book.marks().note)


def test_empty_text_for_none_is_no_edit(book):
    before = book.dump()
    elsewhere(book, ("UPDATE marks SET kind = '', private = NULL", ()))
    assert book.merge().words == []
    assert book.dump() == before
    assert len(book.log()) == 2


def test_a_dragged_mark_is_a_new_sighting_that_stays_with_it(book):
    mark_id = by_name(book, "Pram")["mark_id"]
    elsewhere(book, ("UPDATE marks SET geom = ? WHERE name = 'Pram'", (shape(300, 70),)))
    done = book.merge()
    assert "1 mark moved" in words(done)
    mark = by_name(book, "Pram")
    assert mark["mark_id"] == mark_id
    assert mark["sightings"] == 2
    assert "moved by hand, 70 m towards 000" in mark["note"]
    _, _, off = GEOD.inv(mark["lon"], mark["lat"], *(v[0] for v in at([300.0], [35.0])))
    assert off < 5


def test_a_shape_written_again_with_another_header_has_not_moved(book):
    """Other programs write an envelope, or the other byte order, into the geometry's header."""
    before = book.dump()
    ((fid, blob),) = book.read("SELECT fid, geom FROM marks WHERE name = 'Pram'")
    point = shapely.from_wkb(blob[8:])
    big = b"GP\x00\x00" + blob[4:8][::-1] + shapely.to_wkb(point, byte_order=0)
    elsewhere(book, ("UPDATE marks SET geom = ? WHERE fid = ?", (big, fid)))
    assert book.merge().words == []
    assert book.dump() == before


def test_a_drawn_mark_is_a_new_sighting_with_all_that_was_said(book):
    elsewhere(
        book,
        (
            "INSERT INTO marks (geom, name, kind, hazard, note) VALUES (?, 'Drawn', 'rock', 1, 'n')",
            (shape(900, 0),),
        ),
    )
    done = book.merge()
    assert "1 mark drawn, taken as new sightings" in words(done)
    mark = by_name(book, "Drawn")
    assert (mark["kind"], mark["hazard"], mark["note"], mark["sightings"]) == ("rock", True, "n", 1)
    book.merge(whole=True)
    assert by_name(book, "Drawn")["mark_id"] == mark["mark_id"]


def test_two_marks_drawn_at_once_on_one_place_are_both_taken_in(book):
    statement = "INSERT INTO marks (geom, name) VALUES (?, ?)"
    elsewhere(book, (statement, (shape(900, 0), "One")), (statement, (shape(900, 0), "Two")))
    book.merge()
    assert {"One", "Two"} <= {r[0] for r in book.read("SELECT name FROM sightings")}


def test_a_deleted_mark_stands_again_exactly_and_that_is_said(book):
    before = book.dump()
    elsewhere(book, ("DELETE FROM marks WHERE name = 'Anvil'", ()))
    done = book.merge()
    assert "had been deleted in another program and stand again (Anvil)" in words(done)
    assert "make it private" in words(done)
    assert book.dump() == before


def test_every_mark_deleted_at_once_stands_again(book):
    book.edit("Anvil", name="Big Anvil", hazard=True)
    book.visit("Pram")
    before = book.dump()
    elsewhere(book, ("DELETE FROM marks", ()))
    book.merge()
    assert book.dump() == before


def test_a_deleted_mark_stands_again_as_it_was_though_all_would_merge_otherwise(tmp_path):
    """What is put back is no change, so it must not settle marks anew behind the log's back."""
    book = Book.new(tmp_path)
    book.add(looks([0, 12], [0, 0], ["aaa1", "bbb1"], sigma_m=1))
    book.merge()
    book.add(looks([6.0], [0.0], ["mid1"], sigma_m=3))  # waits: it would change the two
    before = book.dump()
    elsewhere(book, ("DELETE FROM marks", ()))
    book.visit("aaa1")
    book.undo()
    assert book.dump() == before


def test_an_id_that_was_overwritten_is_put_right(book):
    before = book.dump()
    elsewhere(book, ("UPDATE marks SET mark_id = 'mine' WHERE name = 'Pram'", ()))
    book.merge()
    assert book.dump() == before


def test_a_row_without_a_place_is_left_out_and_said(book):
    elsewhere(book, ("INSERT INTO marks (name) VALUES ('Nowhere')", ()))
    assert "1 row without a place left out" in words(book.merge())
    assert "Nowhere" not in book.marks().name
    assert check_book(book.path) == []


def several(book):
    elsewhere(
        book,
        ("UPDATE marks SET name = 'Kettle', hazard = 1 WHERE name = 'Pram'", ()),
        ("UPDATE marks SET geom = ? WHERE name = 'Anvil'", (shape(20, 0),)),
        ("INSERT INTO marks (geom, name) VALUES (?, 'Drawn')", (shape(900, 0),)),
        ("DELETE FROM marks WHERE name IS NULL", ()),
    )


def test_many_edits_at_once_are_one_entry_that_can_be_taken_back(book):
    before = book.dump()
    several(book)
    done = book.merge()
    assert "1 mark described anew, 1 mark moved, 1 mark drawn" in words(done)
    assert [e.what for e in book.log()] == ["add", "merge", "outside", "merge"]
    later = book.dump()
    book.undo()
    book.undo()
    assert book.dump() == before
    book.undo(6)
    book.undo(5)
    assert book.dump() == later
    assert check_book(book.path) == []


def test_undo_takes_the_edits_in_first_and_takes_those_back(book):
    before = book.dump()
    several(book)
    entry, said = book.undo()
    assert entry.what == "outside"
    assert "described anew" in " ".join(said)
    assert book.dump() == before


def test_edits_are_not_lost_when_nothing_else_changes(book):
    """Every change takes them in first, whatever it is."""
    elsewhere(book, ("UPDATE marks SET name = 'Kettle' WHERE name = 'Pram'", ()))
    book.add(points([0], [0], ["Anvil"], trip="1", note=["weed"]))  # known
    assert [e.what for e in book.log()][-1] == "outside"
    assert by_name(book, "Kettle")["sightings"] == 1


def test_an_export_remembers_the_edits_that_came_before_it(book):
    elsewhere(book, ("UPDATE marks SET note = 'seen' WHERE name = 'Pram'", ()))
    book.hand_over(book.marks())
    assert [e.what for e in book.log()][-2:] == ["outside", "export"]


def test_rows_appended_through_gdal_are_drawn_marks(book):
    """As a GIS saves a new point: through GDAL's own writer of GeoPackages."""
    lon, lat = at([900.0], [10.0])
    pyogrio.raw.write(
        book.path,
        geometry=np.array(shapely.to_wkb(shapely.points(lon, lat)), dtype=object),
        field_data=[np.array(["From a GIS"], dtype=object), np.array(["wreck"], dtype=object)],
        fields=["name", "kind"],
        layer="marks",
        driver="GPKG",
        geometry_type="Point",
        crs="EPSG:4326",
        append=True,
    )
    done = book.merge()
    assert "1 mark drawn" in words(done)
    assert by_name(book, "From a GIS")["kind"] == "wreck"
    assert check_book(book.path) == []
