"""The desk as a person meets it: headless Chromium, and nothing but this machine."""

from __future__ import annotations

import json
import re
from pathlib import Path

import gpxpy
import pytest
from driving import turn_to

pytestmark = pytest.mark.browser

MARKUP = "<img src=x onerror=alert(1)> \u202e{{7*7}}"


def told(page, words):
    from playwright.sync_api import expect

    expect(page.locator("#told")).to_contain_text(words, use_inner_text=True, timeout=30_000)


def marks_of(desk):
    return {m["name"] or m["id"]: m for m in desk.get("/api/marks").json()["marks"]}


def opened(page, name):
    page.fill("#find", name)
    page.press("#find", "Enter")
    return page.locator("#list li.chosen")


def test_a_mark_is_renamed_with_the_keyboard_and_made_private_and_all_is_taken_back(visit, desk):
    page = visit("/marks")
    entry = opened(page, "round stone")
    field = entry.get_by_label("name", exact=True)
    field.fill("dropped")
    field.press("Escape")
    assert field.input_value() == "Round stone"
    field.fill("Round whale")
    field.press("Enter")
    told(page, "Saved: name of Round whale.")
    entry = page.locator("#list li.chosen")
    assert entry.locator(".name").inner_text() == "Round whale"
    assert page.evaluate("document.activeElement.className") == "opener", "the place is kept"
    entry.get_by_label("private").check()
    entry.get_by_role("button", name="save").click()
    told(page, "Saved: private of Round whale.")
    assert "private" in page.locator("#list li.chosen > .facts").inner_text()
    assert marks_of(desk)["Round whale"]["private"]
    page.get_by_role("button", name="take back the last change").click()
    told(page, "Taken back: Round whale")
    assert not marks_of(desk)["Round whale"]["private"]
    page.get_by_role("button", name="the log").click()
    log = page.get_by_role("dialog")
    assert "private yes" in log.inner_text()
    log.get_by_role("button", name=re.compile("take entry")).first.click()
    told(page, "name 'Round whale'")
    assert "Round stone" in marks_of(desk)


def test_why_a_mark_is_there_and_a_visit(visit, desk):
    page = visit("/marks")
    entry = opened(page, "round stone")
    entry.get_by_role("button", name="why is it here").click()
    entry.get_by_text(re.compile("^It is made of")).wait_for()
    assert entry.locator(".reasons li").count() >= 3
    assert entry.locator(".small canvas").evaluate("c => c.width") > 100
    page.select_option("#lengths", "feet")
    feet = marks_of(desk)["Round stone"]["depth_m"] / 0.3048
    page.wait_for_function(
        "w => document.querySelector('#list li.chosen .facts').innerText.includes(w)",
        arg=f"depth {feet:.1f} ft",
    )
    entry = page.locator("#list li.chosen")
    entry.get_by_label("what came of it").fill("two fish")
    entry.get_by_role("button", name="add the visit").click()
    told(page, "A visit to Round stone was added.")
    assert marks_of(desk)["Round stone"]["visits"] == 1


@pytest.mark.parametrize(("words", "fewer"), [("yes, one thing", 1), ("no, two things", 0)])
def test_a_question_is_answered_and_taken_back(visit, desk, words, fewer):
    before = marks_of(desk)
    asked = desk.get("/api/folds").json()["questions"]
    page = visit("/marks")
    first = page.locator("#questions li").first
    assert first.locator("p").inner_text() == asked[0]["words"]
    first.locator("canvas").wait_for()
    first.get_by_role("button", name=words).click()
    told(page, "one thing" if fewer else "stay two things")
    assert len(marks_of(desk)) == len(before) - fewer
    page.get_by_role("button", name="take back the last change").click()
    told(page, "Taken back")
    assert marks_of(desk) == before


def test_a_question_is_put_off(visit, desk):
    count = len(desk.get("/api/folds").json()["questions"])
    page = visit("/marks")
    page.locator("#questions").get_by_role("button", name="not now").first.click()
    assert "1 question put off" in page.inner_text("#ask-count")
    assert len(desk.get("/api/folds").json()["questions"]) == count


def test_what_a_plotter_gets_is_shown_then_written_and_never_over_another_file(visit, desk):
    page = visit("/hand-over")
    page.fill("#limits", 'max_name = 8\ncharset = "ascii-upper"')
    page.get_by_role("checkbox", name=re.compile("^wreck")).uncheck()
    page.get_by_role("button", name="show what it will get").click()
    told(page, "The plotter will get")
    shown = page.locator("#preview tbody tr td:nth-child(2)").all_inner_texts()
    kept = [m for m in marks_of(desk).values() if m["kind"] != "wreck"]
    assert len(shown) == len(kept)
    assert all(len(n) <= 8 and n == n.upper() for n in shown)
    page.fill("#name", "card.gpx")
    page.click("#write")
    told(page, "card.gpx")
    path = desk.desk.folder / "card.gpx"
    written = [w.name for w in gpxpy.parse(path.read_text(encoding="utf-8")).waypoints]
    assert written == shown
    path.write_text("mine")
    page.click("#write")
    dialog = page.get_by_role("dialog")
    assert "card.gpx is there already. Replace it?" in dialog.inner_text()
    page.keyboard.press("Escape")
    told(page, "Nothing was written.")
    assert path.read_text() == "mine"
    page.click("#write")
    page.get_by_role("dialog").get_by_role("button", name="replace it", exact=True).click()
    told(page, "Written into the folder")
    assert path.read_text(encoding="utf-8").startswith("<?xml")


def test_the_browser_is_given_the_file(visit, desk):
    page = visit("/hand-over")
    page.get_by_label("table (CSV)").check()
    assert page.input_value("#name") == "marks.csv"
    with page.expect_download() as waiting:
        page.click("#give")
    assert waiting.value.suggested_filename == "marks.csv"
    assert "Round stone" in Path(waiting.value.path()).read_text(encoding="utf-8")
    assert [p.name for p in desk.desk.folder.iterdir()] == ["season.gpkg"]


def test_a_box_on_the_map_is_the_area(visit, desk):
    page = visit("/hand-over")
    page.get_by_role("button", name="drag a box on the map").click()
    box = page.locator("#map").bounding_box()
    x, y, w, h = (box[k] for k in ("x", "y", "width", "height"))
    page.mouse.move(x + 0.4 * w, y + 0.3 * h)
    page.mouse.down()
    page.mouse.move(x + 0.6 * w, y + 0.7 * h, steps=4)
    page.mouse.up()
    told(page, "The box is the area now.")
    edges = {k: float(page.input_value(f"#{k}")) for k in ("west", "south", "east", "north")}
    inside = [
        m
        for m in marks_of(desk).values()
        if edges["west"] <= m["lon"] <= edges["east"]
        and edges["south"] <= m["lat"] <= edges["north"]
    ]
    every = len(desk.get("/api/marks").json()["marks"])
    assert 0 < len(inside) < every
    assert page.inner_text("#count") == f"{len(inside)} of {every} marks chosen."
    page.get_by_role("button", name="everywhere").click()
    assert page.inner_text("#count") == f"{every} of {every} marks chosen."


def test_a_refusal_is_a_sentence_in_the_alert_region(visit):
    page = visit("/hand-over")
    page.fill("#south", "10")
    page.click("#look")
    alert = page.get_by_role("alert")
    alert.get_by_text("Fill in all four edges of the area, or none.").wait_for()
    page.fill("#south", "")
    page.fill("#limits", "max_nam = 3")
    # The refusal is an answer with status 400, which Chromium also writes to its console.
    page.evaluate("""() => { const real = window.fetch; window.fetch = async (...a) => { const r = await real(...a);
      return new Response(await r.text(), {status: 400}); }; }""")
    page.route("**/preview", lambda r: r.fulfill(json=r.fetch().json()))
    page.click("#look")
    alert.get_by_text("there is no limit 'max_nam'").wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/marks", "/hand-over"])
def test_a_phone_shows_everything_and_axe_finds_no_serious_fault(visit, desk, path, scheme):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    page = visit(path, width=375, height=700, scheme=scheme)
    if path == "/marks":
        opened(page, "round stone").get_by_role("button", name="why is it here").click()
        page.locator(".reasons").wait_for()
    else:
        page.click("#look")
        page.locator("#preview table").wait_for()
    told(page, "plotter") if path != "/marks" else None
    assert page.evaluate("document.documentElement.scrollWidth") <= 375
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, select, input:not([type=checkbox]):not([type=radio]), nav a, .tick')]
        .filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.outerHTML.slice(0, 80))"""
    )
    assert small == [], "every target is 44 pixels high"
    found = axe.Axe().run(page).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
    page.get_by_role("button", name="the log").click()
    page.get_by_role("dialog").wait_for()
    found = axe.Axe().run(page).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
    page.keyboard.press("Escape")
    night = page.get_by_role("button", name="night")
    assert night.get_attribute("aria-pressed") == str(scheme == "dark").lower()
    night.click()
    assert page.evaluate("document.documentElement.dataset.scheme") == (
        "day" if scheme == "dark" else "night"
    )


def test_markup_and_direction_marks_from_data_do_nothing(visit, desk):
    mark = marks_of(desk)["Round stone"]
    desk.post(
        f"/api/marks/{mark['id']}", {"name": MARKUP, "kind": MARKUP, "note": MARKUP, "hazard": True}
    )
    desk.post(f"/api/marks/{mark['id']}/visits", {"result": MARKUP})
    page = visit("/marks")
    entry = opened(page, "onerror")
    shown = MARKUP.replace("\u202e", "⟦U+202E⟧")
    assert entry.locator(".name").inner_text() == shown
    assert entry.get_by_label("name", exact=True).input_value() == MARKUP, "nothing is lost"
    entry.get_by_role("button", name="why is it here").click()
    page.locator(".reasons").wait_for()
    assert shown in entry.inner_text()
    page.get_by_role("button", name="the log").click()
    page.get_by_role("dialog").wait_for()
    assert page.locator("img").count() == 0
    turn_to(page, desk.home + "/hand-over")
    page.click("#look")
    page.locator("#preview table").wait_for()
    assert shown in page.inner_text("#preview")
    assert page.locator("img").count() == 0


def test_ten_thousand_marks_are_listed_in_pieces_with_one_map(visit, desk):
    pattern = desk.get("/api/marks").json()
    rock = next(m for m in pattern["marks"] if m["name"] == "Round stone")
    many = [
        {**rock, "id": f"{k:020x}", "name": f"Stone {k}", "lat": rock["lat"] + k // 100 * 1e-3,
         "lon": rock["lon"] + k % 100 * 1e-3}
        for k in range(10_000)
    ]  # fmt: skip
    body = json.dumps({**pattern, "marks": many})

    def before(page):
        page.route("**/api/marks", lambda r: r.fulfill(body=body, content_type="application/json"))

    page = visit("/marks", before=before)
    assert page.inner_text("#found") == "All 10,000 marks."
    assert page.locator("#list li").count() == 50
    assert page.locator("canvas").count() == 1
    page.get_by_role("button", name=re.compile("^show 50 more")).click()
    assert page.locator("#list li").count() == 100
    opened(page, "stone 9999")
    page.locator("#list .small canvas").wait_for()
    assert page.locator("canvas").count() == 2
    page.fill("#find", "")
    page.wait_for_function(
        "() => document.getElementById('found').innerText === 'All 10,000 marks.'"
    )
    page.select_option("#order", "near")
    nearest = page.locator("#list .name").first.inner_text()
    assert nearest in {"Stone 4949", "Stone 4950", "Stone 5049", "Stone 5050"}


def test_without_a_book_one_is_asked_for(visit, desk):
    desk.desk.book = None
    page = visit("/marks")
    page.get_by_label("file name, ending in .gpkg").fill("other.gpkg")
    page.get_by_role("button", name="open the book").click()
    page.get_by_text("There is no mark in the book yet.").wait_for()
    assert page.inner_text("#book") == "book: other.gpkg"
    assert (desk.desk.folder / "other.gpkg").exists()


@pytest.mark.parametrize(("lon", "lat"), [(0.0, 90.0), (180.0, -17.0), (25.0, 71.0)])
def test_places_on_the_map_are_where_pyproj_puts_them(visit, lon, lat):
    """The page's own projection against pyproj's azimuthal equidistant one on the ellipsoid."""
    from pyproj import Geod

    page = visit("/hand-over")
    geod = Geod(ellps="WGS84")
    for azimuth in (10.0, 130.0, 250.0):
        far = geod.fwd(lon, lat, azimuth, 5000.0)[:2]
        there = page.evaluate(
            """async ([lon, lat, far]) => {
              const { seaMap } = await import('/static/common.js');
              const box = document.createElement('div');
              document.getElementById('main').prepend(box);
              const made = seaMap(box, { marks: [{ lon, lat }, { lon: far[0], lat: far[1] }], about: [{ lon, lat }] });
              const [a, b] = [[lat, lon], [far[1], far[0]]].map((p) => made.map.options.crs.projection.project({ lat: p[0], lng: p[1] }));
              const back = made.map.options.crs.projection.unproject(b);
              made.remove(); box.remove();
              return [b.x - a.x, b.y - a.y, back.lng, back.lat];
            }""",
            [lon, lat, far],
        )
        metres = (there[0] ** 2 + there[1] ** 2) ** 0.5
        assert metres == pytest.approx(5000.0, abs=5.0)
        assert geod.inv(there[2], there[3], *far)[2] < 0.01
