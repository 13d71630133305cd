"""A hand-over from the desk is the hand-over of the command line: the same book, the same file."""

import re
import sqlite3

import pytest
from fudgeo.extension.spatial import ST_FUNCS

from athwart.book.store import open_book
from athwart.errors import FileError
from athwart.formats import read

PREVIEW, WRITE = "/api/hand-over/preview", "/api/hand-over/write"


def elsewhere(path, sql, *values):
    """Change the layer of marks through a connection of its own, as a GIS does."""
    connection = sqlite3.connect(path)
    try:
        for name, function in ST_FUNCS.items():
            connection.create_function(name, 1, function, deterministic=True)
        with connection:
            connection.execute(sql, values)
    finally:
        connection.close()


def without_moment(path):
    return re.sub(r"<time>[^<]*</time>", "", path.read_text(encoding="utf-8"), count=1)


@pytest.mark.parametrize("words", [[], ["--clean"], ["--units", "feet"]])
def test_the_files_are_the_same(desk, run, tmp_path, words):
    code, _, _ = run("export", desk.desk.book, "-o", tmp_path / "command.gpx", *words)
    assert code == 0
    asked = {"as": "gpx", "name": "desk.gpx", "clean": "--clean" in words}
    asked["units"] = "feet" if "feet" in words else "metric"
    assert desk.post(WRITE, asked).status == 200
    written = desk.desk.folder / "desk.gpx"
    assert without_moment(written) == without_moment(tmp_path / "command.gpx")


def test_the_full_form_carries_the_sightings_and_a_clean_or_blurred_one_none(desk):
    def written(**asked):
        desk.post(WRITE, {"as": "gpx", "name": "a.gpx", "overwrite": True, **asked})
        return read(desk.desk.folder / "a.gpx")

    full = written(clean=False)
    assert len(full.sightings) == sum(m["sightings"] for m in marks_of(desk))
    some = written(clean=False, kinds=["wreck"])
    ids = {s for m in some.marks.sighting_ids for s in m.split()}
    assert set(some.sightings.sighting_id) == ids
    assert len(written(clean=True).sightings) == 0
    assert len(written(clean=False, blur_m=500).sightings) == 0


def test_sightings_of_private_marks_do_not_go_along(desk):
    mark = next(m for m in marks_of(desk) if m["sightings"] > 1)
    why = desk.get(f"/api/marks/{mark['id']}").json()
    desk.post(f"/api/marks/{mark['id']}", {"private": True})
    desk.post(WRITE, {"as": "gpx", "name": "a.gpx", "clean": False})
    text = (desk.desk.folder / "a.gpx").read_text(encoding="utf-8")
    assert not [s for s in why["sightings"] if s["sighting_id"] in text]


def marks_of(desk):
    return desk.get("/api/marks").json()["marks"]


def test_what_was_edited_in_a_gis_is_taken_in_and_handed_over(desk):
    elsewhere(desk.desk.book, "UPDATE marks SET name = 'Kettle' WHERE name = 'Round stone'")
    shown = desk.post(PREVIEW).json()
    assert any("edited in another program: 1 mark described anew" in n for n in shown["notes"])
    assert "Kettle" in {r["before"] for r in shown["rows"]}
    assert desk.get("/api/log").json()["entries"][0]["what"] == "outside"
    again = desk.post(PREVIEW).json()
    assert not any("edited in another program" in n for n in again["notes"])
    assert again["rows"] == shown["rows"]


def test_what_was_drawn_in_a_gis_waits_and_that_is_said(desk):
    (place,) = read_rows(desk, "SELECT geom FROM marks WHERE name = 'Round stone'")[0]
    elsewhere(desk.desk.book, "INSERT INTO marks (geom, name) VALUES (?, 'Drawn')", place)
    notes = desk.post(WRITE, {"as": "gpx", "name": "a.gpx"}).json()["notes"]
    assert any("1 mark drawn" in n for n in notes)
    assert "1 sighting not merged yet; merge them on the page of marks" in notes


def read_rows(desk, sql):
    with open_book(desk.desk.book) as store, store.reading() as connection:
        return connection.execute(sql).fetchall()


def test_a_book_that_cannot_be_written_to_is_handed_over_as_it_stands(desk, run, monkeypatch):
    from athwart.book import handed

    def refuse(path, **options):
        raise FileError(path.name, "is in use by another program")

    monkeypatch.setattr(handed, "open_book", refuse)
    done = desk.post(WRITE, {"as": "gpx", "name": "a.gpx"}).json()
    assert done["files"] == ["a.gpx"]
    assert any("will not know these marks" in n for n in done["notes"])
    code, _, err = run("export", desk.desk.book, "-o", desk.desk.folder / "b.gpx")
    assert code == 0
    assert "will not know these marks" in err
