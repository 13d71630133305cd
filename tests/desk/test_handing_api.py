"""What a plotter, a friend and a spreadsheet get, and what they do not."""

import csv
import io
import tomllib

import gpxpy
import pytest
from geographiclib.geodesic import Geodesic
from season import SAMPLES

MARKUP = '<b>"Rock" & Söhne</b>'
PREVIEW, WRITE = "/api/hand-over/preview", "/api/hand-over/write"
SMALL = (SAMPLES / "small-plotter.toml").read_text(encoding="utf-8")


@pytest.fixture
def page(desk):
    return desk


def marks_of(page):
    return page.get("/api/marks").json()["marks"]


def waypoints(path):
    return gpxpy.parse(path.read_text(encoding="utf-8")).waypoints


def test_what_is_shown_is_what_is_written(page):
    asked = {"limits": SMALL, "as": "gpx", "name": "card.gpx"}
    shown = page.post(PREVIEW, asked).json()
    most = tomllib.loads(SMALL)["max_waypoints"]
    assert shown["files"] == -(-len(marks_of(page)) // most) == 2
    done = page.post(WRITE, asked).json()
    assert done["files"] == ["card.gpx", "card-2.gpx"]
    for number, name in enumerate(done["files"], start=1):
        rows = [r for r in shown["rows"] if r["file"] == number]
        read = waypoints(page.desk.folder / name)
        assert [w.name for w in read] == [r["name"] for r in rows]
        assert [w.description or "" for w in read] == [r["note"] for r in rows]
        assert all(len(w.name) <= 10 for w in read)
        for w, r in zip(read, rows, strict=True):
            away = Geodesic.WGS84.Inverse(w.latitude, w.longitude, r["lat"], r["lon"])["s12"]
            assert away < 0.1
    entry = page.get("/api/log").json()["entries"][0]
    assert entry["what"] == "export"
    before = {m["id"]: m["name"] for m in marks_of(page)}
    assert {r["id"]: r["before"] for r in shown["rows"]} == before


def test_a_preview_writes_nothing(page):
    log = page.get("/api/log").json()
    assert page.post(PREVIEW, {"limits": SMALL}).status == 200
    assert page.get("/api/log").json() == log
    assert [p.name for p in page.desk.folder.iterdir()] == ["season.gpkg"]


@pytest.mark.parametrize("kind", ["gpx", "map", "table"])
def test_private_marks_go_nowhere_unless_they_are_asked_for(page, kind):
    mark = marks_of(page)[0]
    page.post(f"/api/marks/{mark['id']}", {"private": True, "name": "Hushplace"})
    name = {"gpx": "a.gpx", "map": "a.html", "table": "a.csv"}[kind]
    shown = page.post(PREVIEW).json()
    assert mark["id"] not in {r["id"] for r in shown["rows"]}
    assert "1 private mark left out" in shown["notes"]
    page.post(WRITE, {"as": kind, "name": name})
    text = (page.desk.folder / name).read_text(encoding="utf-8")
    assert "Hushplace" not in text
    assert mark["id"] not in text
    page.post(WRITE, {"as": kind, "name": name, "with_private": True, "overwrite": True})
    assert "Hushplace" in (page.desk.folder / name).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("kind", "name"), [("gpx", "a.gpx"), ("map", "a.html"), ("table", "a.csv")]
)
def test_a_file_that_exists_is_asked_about(page, kind, name):
    there = page.desk.folder / name
    there.write_text("mine")
    log = page.get("/api/log").json()
    done = page.post(WRITE, {"as": kind, "name": name}).json()
    assert done == {"files": [], "exists": [name], "notes": []}
    assert there.read_text() == "mine"
    assert page.get("/api/log").json() == log, "nothing was handed over"
    done = page.post(WRITE, {"as": kind, "name": name, "overwrite": True}).json()
    assert done["files"] == [name]
    assert there.read_text(encoding="utf-8") != "mine"


def test_of_two_files_none_is_written_while_one_is_asked_about(page):
    (page.desk.folder / "card-2.gpx").write_text("mine")
    done = page.post(WRITE, {"as": "gpx", "name": "card.gpx", "limits": SMALL}).json()
    assert done["exists"] == ["card-2.gpx"]
    assert not (page.desk.folder / "card.gpx").exists()


def test_a_link_leads_out_of_the_folder_and_is_refused(page, tmp_path):
    outside = tmp_path / "outside.gpx"
    outside.write_text("mine")
    (page.desk.folder / "a.gpx").symlink_to(outside)
    answer = page.post(WRITE, {"as": "gpx", "name": "a.gpx", "overwrite": True})
    assert answer.status == 409
    assert "a link that leads elsewhere" in answer.json()["fault"]
    assert outside.read_text() == "mine"


def test_blurred_marks_give_nothing_away(page):
    true = {m["id"]: m for m in marks_of(page)}
    shown = page.post(PREVIEW, {"blur_m": 2000}).json()
    assert not {r["id"] for r in shown["rows"]} & set(true)
    again = page.post(PREVIEW, {"blur_m": 2000}).json()
    assert again["rows"] == shown["rows"], "no finding the truth by averaging"
    by_name = {m["name"]: m for m in true.values() if m["name"]}
    moved = [
        Geodesic.WGS84.Inverse(m["lat"], m["lon"], r["lat"], r["lon"])["s12"]
        for r in shown["rows"] if (m := by_name.get(r["before"]))
    ]  # fmt: skip
    assert len(moved) > 10
    assert 0 < max(moved) <= 2000.5
    done = page.post(WRITE, {"as": "gpx", "name": "a.gpx", "blur_m": 2000, "clean": False}).json()
    text = (page.desk.folder / done["files"][0]).read_text(encoding="utf-8")
    assert not any(i in text for i in true)
    page.post(WRITE, {"as": "map", "name": "a.html", "blur_m": 2000})
    text = (page.desk.folder / "a.html").read_text(encoding="utf-8")
    assert not any(i in text or m["position"] in text for i, m in true.items())


def test_markup_in_names_stays_text_in_every_file(page):
    mark = marks_of(page)[0]
    page.post(f"/api/marks/{mark['id']}", {"name": MARKUP, "note": MARKUP})
    for kind, name in (("gpx", "a.gpx"), ("map", "a.html"), ("table", "a.csv")):
        assert page.post(WRITE, {"as": kind, "name": name}).status == 200
    assert MARKUP in [w.name for w in waypoints(page.desk.folder / "a.gpx")]
    assert MARKUP not in (page.desk.folder / "a.html").read_text(encoding="utf-8")
    with (page.desk.folder / "a.csv").open(encoding="utf-8-sig", newline="") as file:
        assert MARKUP in {r["name"] for r in csv.DictReader(file)}


def test_a_file_for_the_browser_is_not_written(page):
    done = page.post(WRITE, {"as": "table", "name": "a.csv", "to_browser": True}).json()
    rows = list(csv.DictReader(io.StringIO(done["text"].lstrip("\ufeff"))))
    assert len(rows) == len(marks_of(page))
    assert done["type"] == "text/csv"
    assert not (page.desk.folder / "a.csv").exists()
    answer = page.post(WRITE, {"as": "gpx", "name": "a.gpx", "to_browser": True, "limits": SMALL})
    assert answer.status == 400
    assert "need 2 files" in answer.json()["fault"]


def test_the_choice_is_by_kind_area_day_and_quality(page):
    marks = marks_of(page)

    def chosen(**asked):
        return {r["id"] for r in page.post(PREVIEW, asked).json()["rows"]}

    assert chosen(kinds=["rock", "wreck"]) == {
        m["id"] for m in marks if m["kind"] in ("rock", "wreck")
    }
    lon = sorted(m["lon"] for m in marks)[len(marks) // 2]
    assert chosen(within=[lon, -90, 180, 90]) == {m["id"] for m in marks if m["lon"] >= lon}
    assert chosen(within=[lon, -90, -179.9, 90]) == {m["id"] for m in marks if m["lon"] >= lon}, (
        "over the 180th meridian"
    )
    last = sorted(m["last_time"] for m in marks if m["last_time"])[-1][:10]
    assert chosen(since=last) == {m["id"] for m in marks if (m["last_time"] or "") >= last}
    middle = sorted(m["r95_m"] for m in marks)[len(marks) // 2]
    assert chosen(r95_at_most_m=middle) == {m["id"] for m in marks if m["r95_m"] <= middle}


@pytest.mark.parametrize(
    ("asked", "fault"),
    [
        ({"kinds": ["nothing of the sort"]}, "no mark is left to hand over; choose more"),
        ({"limits": "max_name = "}, "limits: is not a valid TOML file"),
        ({"limits": "max_nam = 3"}, "there is no limit 'max_nam'"),
        ({"limits": "max_name = -1"}, "max_name is -1"),
        ({"blur_m": -5}, "the blur is -5 m"),
        ({"within": [1, 2]}, "could not be understood"),
        ({"since": "yesterday"}, "could not be understood"),
    ],
)
def test_a_choice_that_cannot_be_is_refused_in_a_sentence(page, asked, fault):
    answer = page.post(PREVIEW, asked)
    assert answer.status in (400, 409)
    assert fault in answer.json()["fault"]
