"""What was saved from a picture, changed and saved again: the same sighting, put right."""

import pytest
from paused_frame import boat_toml, frame, gpx, png, question, sent

from athwart.book.checking import check_book, dump
from athwart.book.store import create, open_book

SAID = ("name", "kind", "note", "hazard", "private")


class Work:
    """A picture in hand, with things pointed at; it remembers what was saved, as the page does."""

    def __init__(self, page, folder):
        page.desk.folder, page.desk.book = folder, folder / "season.gpkg"
        create(page.desk.book)
        self.page, self.made = page, frame()
        picture = sent(page, "/api/pictures", "pause.png", png(self.made)).json()
        track = sent(page, "/api/tracks", "trip.gpx", gpx(self.made)).json()
        boat = sent(page, "/api/boats", "tern.toml", boat_toml(self.made)).json()
        self.path = f"/api/pictures/{picture['id']}"
        self.asked = question(self.made, track["id"], boat["id"])
        self.picks = [
            {"x": t["x"], "y": t["y"], "name": n, "kind": "rock", "note": ""}
            for t, n in zip(self.made.targets, ("Anvil", "Shelf"), strict=False)
        ]
        y, x = self.made.targets[1]["y"], self.made.targets[1]["x"]
        self.lines = [{"points": [[x, y], [x - 20, y + 40], [x - 10, y + 90]], "kind": "ledge"}]

    def save(self):
        body = {**self.asked, "picks": self.picks, "shapes": self.lines}
        answer = self.page.post(f"{self.path}/save", body)
        assert answer.status == 200, answer.text
        done = answer.json()
        for p, i in zip(self.picks, done["sighting_ids"], strict=True):
            p["saved"] = {**{n: p.get(n) or "" for n in SAID}, "id": i}
        for s, i in zip(self.lines, done["shape_ids"], strict=True):
            s["saved"] = i
        return done

    def merge(self):
        return self.page.wait(self.page.post("/api/merge").json())

    def undo(self):
        assert self.page.post("/api/undo").status == 200

    def marks(self):
        return {m["name"]: m for m in self.page.get("/api/marks").json()["marks"]}

    def rows(self, sql):
        with open_book(self.page.desk.book) as store, store.reading() as connection:
            return connection.execute(sql).fetchall()

    def state(self):
        with open_book(self.page.desk.book) as store, store.reading() as connection:
            return dump(connection)

    def sound(self):
        return check_book(self.page.desk.book)


@pytest.fixture
def work(served, tmp_path):
    done = Work(served, tmp_path)
    first = done.save()
    assert (first["new"], first["shapes"]) == (2, 1)
    return done


def counts(work):
    return [
        work.rows(f"SELECT count(*) FROM {t}")[0][0]
        for t in ("sightings", "earlier_fixes", "shapes")
    ]


def test_the_same_again_adds_nothing(work):
    before = work.state()
    again = work.save()
    assert (again["new"], again["revised"], again["known"]) == (0, 0, 3)
    assert work.state() == before


def test_a_new_name_is_the_name_of_the_same_mark_and_the_users_word(work):
    work.merge()
    before, ids = work.state(), [p["saved"]["id"] for p in work.picks]
    work.picks[0]["name"] = "Hammer"
    again = work.save()
    assert (again["new"], again["revised"], again["known"]) == (0, 1, 2)
    assert "1 put right" in again["sentence"]
    assert again["sighting_ids"] == ids
    assert set(work.marks()) == {"Hammer", "Shelf"}
    assert counts(work) == [2, 0, 1], "what was seen is not touched"
    assert work.rows("SELECT field, value FROM words") == [("name", "Hammer")]
    assert work.sound() == []
    assert "nothing had changed" in work.merge()["sentence"]
    work.undo()
    assert work.state() == before
    assert set(work.marks()) == {"Anvil", "Shelf"}


def test_before_it_is_in_a_mark_a_new_name_takes_the_old_ones_place(work):
    before = work.state()
    work.picks[0] |= {"name": "Hammer", "hazard": True}
    assert work.save()["revised"] == 1
    assert counts(work) == [2, 1, 1]
    assert work.sound() == []
    work.picks[0] |= {"name": "", "hazard": False}
    assert work.save()["revised"] == 1
    assert {(n, h) for n, h in work.rows("SELECT name, hazard FROM sightings")} == {
        (None, 0), ("Shelf", 0),
    }  # fmt: skip
    work.undo()
    work.undo()
    assert work.state() == before


def test_a_later_word_stays_where_the_picture_says_nothing_new(work):
    work.merge()
    mark = work.marks()["Anvil"]["id"]
    work.page.post(f"/api/marks/{mark}", {"name": "Old anvil"})
    work.picks[0]["note"] = "flat top"
    assert work.save()["revised"] == 1
    assert work.marks()["Old anvil"]["note"] == "flat top"


def test_a_hazard_and_a_private_thing_are_unsaid(work):
    work.picks[0] |= {"hazard": True, "private": True}
    work.save()
    work.merge()
    assert work.marks()["Anvil"]["hazard"]
    assert work.marks()["Anvil"]["private"]
    work.picks[0] |= {"hazard": False, "private": False}
    work.save()
    assert not work.marks()["Anvil"]["hazard"]
    assert not work.marks()["Anvil"]["private"]


@pytest.mark.parametrize("merged", [False, True])
@pytest.mark.parametrize("what", ["place", "shadow", "moment"])
def test_what_is_measured_anew_is_a_new_result_of_the_same_sighting(work, what, merged):
    if merged:
        work.merge()
    before = work.state()
    ids = dict(work.rows("SELECT sighting_id, geom FROM sightings"))
    if what == "place":
        work.picks[0]["x"] += 6
    elif what == "shadow":
        t = work.made.targets[0]
        work.picks[0]["shadow"] = [
            [t["shadow_x0"], t["shadow_y0"]],
            [t["shadow_x1"], t["shadow_y1"]],
        ]
    else:
        work.asked["moment"]["sigma_s"] = 3.0
    again = work.save()
    changed = 2 if what == "moment" else 1
    lines = 1 if what == "moment" else 0
    assert (again["new"], again["revised"], again["shapes_revised"]) == (0, changed, lines)
    assert counts(work) == [2, changed, 1]
    assert set(dict(work.rows("SELECT sighting_id, geom FROM sightings"))) == set(ids)
    kept = work.rows("SELECT sighting_id, geom FROM earlier_fixes")
    assert all(ids[i] == place for i, place in kept), "the first fix is kept as it was"
    assert work.sound() == []
    work.undo()
    assert work.state() == before


def test_a_line_named_or_drawn_anew_stays_one_line(work):
    before = work.state()
    work.lines[0] |= {"name": "Long step", "kind": "wall"}
    again = work.save()
    assert (again["shapes"], again["shapes_revised"]) == (0, 1)
    assert work.rows("SELECT name, kind FROM shapes") == [("Long step", "wall")]
    work.lines[0]["points"][1][0] += 9
    assert work.save()["shapes_revised"] == 1
    assert counts(work) == [2, 0, 1]
    work.undo()
    work.undo()
    assert work.state() == before


def test_what_was_taken_back_meanwhile_is_saved_as_new(work):
    work.undo()
    assert counts(work)[0] == 0
    work.picks[0]["name"] = "Hammer"
    again = work.save()
    assert (again["new"], again["shapes"]) == (2, 1)


def test_a_thing_of_another_picture_or_two_as_one_are_refused(work):
    first, second = work.picks
    kept = second["saved"]
    second["saved"] = first["saved"]
    body = {**work.asked, "picks": work.picks}
    answer = work.page.post(f"{work.path}/save", body)
    assert answer.status == 400
    assert "two things cannot be saved as one" in answer.json()["fault"]
    second["saved"] = kept
    from io import BytesIO

    import numpy as np
    from PIL import Image

    other = BytesIO()
    Image.fromarray(np.flipud(work.made.image)).save(other, "PNG")
    key = sent(work.page, "/api/pictures", "other.png", other.getvalue()).json()["id"]
    answer = work.page.post(f"/api/pictures/{key}/save", body)
    assert answer.status == 400
    assert "is not of this picture" in answer.json()["fault"]
    for wrong in ("x", {"id": 3}, [1]):
        second["saved"] = wrong
        assert work.page.post(f"{work.path}/save", body).status == 400


@pytest.mark.parametrize("what", ["name", "place"])
def test_putting_right_is_taken_back_from_the_middle_of_the_log(work, what):
    work.merge()
    before = {n: (m["lon"], m["lat"]) for n, m in work.marks().items()}
    if what == "name":
        work.picks[0]["name"] = "Hammer"
    else:
        work.picks[0]["x"] += 6
    work.save()
    work.merge()
    entry = next(
        e
        for e in work.page.get("/api/log").json()["entries"]
        if e["sentence"].startswith("pause.png")
    )
    mark = work.marks()["Shelf"]["id"]
    work.page.post(f"/api/marks/{mark}", {"note": "later"})
    answer = work.page.post("/api/undo", {"number": entry["number"]})
    assert answer.status == 200, answer.text
    assert work.sound() == []
    assert {n: (m["lon"], m["lat"]) for n, m in work.marks().items()} == before
    assert counts(work)[:2] == [2, 0]
