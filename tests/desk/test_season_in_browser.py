"""From a picture to a plotter's file, as a person does it: dropped, laid out, picked, saved."""

from __future__ import annotations

import re

import gpxpy
import numpy as np
import pytest
from driving import on_screen, point_at, ready, turn_to
from paused_frame import frame
from pyproj import Geod
from test_desk_in_browser import marks_of, told
from test_pictures_api import twice_seen

pytestmark = pytest.mark.browser

GEOD = Geod(ellps="WGS84")


def test_a_dropped_picture_becomes_marks_and_a_plotters_file(visit, desk, tmp_path):
    made = frame()
    before = marks_of(desk)
    page = ready(visit, made, tmp_path)
    page.get_by_text(re.compile("of the lines are sure")).wait_for()

    page.get_by_role("button", name="point at a thing").click()
    targets = made.targets[:3]
    point_at(page, made, *((t["x"], t["y"]) for t in targets))
    sentences = page.locator("ol[aria-label='what was pointed at'] p.said")
    for k, t in enumerate(targets):
        sentences.nth(k).get_by_text(re.compile(f"to {t['side']}, .* back$")).wait_for()

    page.get_by_role("button", name="drag a shadow").click()
    shaded = next(k for k, t in enumerate(targets) if np.isfinite(t["shadow_x0"]))
    t = targets[shaded]
    page.get_by_role("button", name=f"choose thing {shaded + 1}").click()
    at = on_screen(page, made)
    page.mouse.move(*at(t["shadow_x0"], t["shadow_y0"]))
    page.mouse.down()
    page.mouse.move(*at((t["shadow_x0"] + t["shadow_x1"]) / 2, t["shadow_y0"]), steps=4)
    page.mouse.move(*at(t["shadow_x1"], t["shadow_y1"]), steps=4)
    page.mouse.up()
    sentences.nth(shaded).get_by_text(re.compile("stands .* high, give or take")).wait_for()
    entry = page.locator(f"li[data-pick='1'][data-k='{shaded}']")
    entry.get_by_text(re.compile("of its shadow w.* found in the picture")).wait_for()
    entry.get_by_label("keep the ends of the shadow as I drew them").check()
    entry.get_by_text("The ends of its shadow are as you drew them.").wait_for()
    page.get_by_role("button", name="undo").click()
    entry.get_by_text(re.compile("of its shadow w.* found in the picture")).wait_for()

    page.get_by_role("button", name="draw a line").click()
    point_at(page, made, (620, 200), (660, 260), (640, 330))
    page.get_by_role("button", name="end the line").click()
    page.get_by_text(re.compile("^line, 3 corners, R95")).wait_for()
    kind = page.locator("li[data-pick='0']").get_by_label("kind")
    kind.fill("ledge")
    kind.blur()
    page.get_by_text(re.compile("^ledge, 3 corners, R95")).wait_for()

    page.get_by_role("button", name="undo").click()
    page.get_by_text(re.compile("^line, 3 corners, R95")).wait_for()
    page.get_by_role("button", name="redo").click()
    page.get_by_text(re.compile("^ledge, 3 corners, R95")).wait_for()
    page.get_by_role("button", name="save into the book").click()
    told(page, "3 sightings and 1 line or area saved")
    page.get_by_role("button", name="save into the book").click()
    told(page, "0 sightings and 0 lines or areas saved; 4 were in the book already")

    turn_to(page, desk.home + "/marks")
    page.get_by_role("button", name="merge what waits").click()
    told(page, "3 new sightings, 3 new marks")
    now = {m["id"]: m for m in desk.get("/api/marks").json()["marks"]}
    new = [m for i, m in now.items() if i not in {b["id"] for b in before.values()}]
    off = [
        min(GEOD.inv(m["lon"], m["lat"], t["lon"], t["lat"])[2] / m["r95_m"] for t in targets)
        for m in new
    ]
    assert len(off) == 3
    assert max(off) < 1.0, "each lies within its R95 of the truth"
    page.locator("#questions").get_by_role("button", name="yes, one thing").first.click()
    told(page, "one thing")
    assert len(marks_of(desk)) <= len(before) + 2

    turn_to(page, desk.home + "/hand-over")
    page.get_by_role("button", name="show what it will get").click()
    told(page, "The plotter will get")
    page.fill("#name", "season.gpx")
    page.click("#write")
    told(page, "season.gpx")
    text = (desk.desk.folder / "season.gpx").read_text(encoding="utf-8")
    assert len(gpxpy.parse(text).waypoints) == len(desk.get("/api/marks").json()["marks"])


def test_pointing_works_by_keyboard(visit, desk, tmp_path):
    made = frame()
    page = ready(visit, made, tmp_path)
    page.get_by_role("button", name="point at a thing").click()
    canvas = page.locator(".picture canvas")
    canvas.focus()
    for _ in range(8):
        page.keyboard.press("Shift+ArrowRight")
    for _ in range(5):
        page.keyboard.press("ArrowUp")
    page.keyboard.press("Enter")
    page.locator("ol[aria-label='what was pointed at'] li").wait_for()
    page.keyboard.press("Control+z")
    page.locator("ol[aria-label='what was pointed at'] li").wait_for(state="detached")


def test_a_strip_is_written_and_shown(visit, desk, tmp_path):
    import rasterio

    page = ready(visit, frame(), tmp_path)
    page.get_by_label("name of the strip").fill("strip.tif")
    page.get_by_role("button", name="make a strip").click()
    told(page, "strip.tif")
    page.locator(".leaflet-image-layer").wait_for()
    with rasterio.open(desk.desk.folder / "strip.tif") as strip:
        assert strip.crs is not None
        assert strip.count >= 1


def test_the_time_of_a_line_is_measured_on_a_thing_drawn_twice(visit, tmp_path):
    made, twice = twice_seen()
    page = ready(visit, made, tmp_path)
    page.get_by_label("a line takes").select_option("")
    page.get_by_role("button", name="point at a thing").click()
    point_at(page, made, *twice)
    sentences = page.locator("ol[aria-label='what was pointed at'] p.said")
    sentences.nth(1).get_by_text(re.compile("nothing says how long a line takes")).wait_for()
    measure = page.get_by_role("button", name="measure it on a thing drawn twice")
    measure.click()
    told(page, "choose both points here")
    page.get_by_label("one thing drawn twice: here").select_option("1")
    page.get_by_label("and again here").select_option("2")
    measure.click()
    told(page, "Both places meet on the track if a line takes")
    found = float(page.get_by_label("how much").input_value())
    assert abs(found / made.layout["seconds_per_line"] - 1) < 0.2
    for k in range(2):
        sentences.nth(k).get_by_text(re.compile("R95 .* back$")).wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_fits_a_phone_and_axe_finds_no_serious_fault(visit, desk, tmp_path, scheme):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    made = frame()
    page = ready(visit, made, tmp_path, width=375, height=700, scheme=scheme)
    page.get_by_role("button", name="point at a thing").click()
    point_at(page, made, (made.targets[0]["x"], made.targets[0]["y"]))
    page.get_by_text(re.compile("to .* back$")).wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= 375
    found = axe.Axe().run(page).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []


def test_a_thing_renamed_or_moved_after_saving_is_put_right(visit, desk, tmp_path):
    made = frame()
    page = ready(visit, made, tmp_path)
    page.get_by_text(re.compile("of the lines are sure")).wait_for()
    page.get_by_role("button", name="point at a thing").click()
    x, y = made.targets[0]["x"], made.targets[0]["y"]
    point_at(page, made, (x, y))
    entry = page.locator("ol[aria-label='what was pointed at'] li")
    entry.get_by_text(re.compile("to .* back$")).wait_for()
    save = page.get_by_role("button", name="save into the book")

    def named(word):
        field = entry.get_by_label("name")
        field.fill(word)
        field.blur()

    named("Hammer")
    save.click()
    told(page, "1 sighting and 0 lines or areas saved")
    named("Stirrup")
    save.click()
    told(page, "0 sightings and 0 lines or areas saved; 1 put right")
    page.get_by_role("button", name="undo").click()
    save.click()
    told(page, "; 1 put right")
    waiting = desk.get("/api/marks").json()["waiting"]

    def drag(over):
        at = on_screen(page, made)
        page.mouse.move(*at(x, y))
        page.mouse.down()
        page.mouse.move(*at(x + over, y + over), steps=4)
        page.mouse.up()
        save.click()
        page.get_by_role("dialog").get_by_text("One thing was moved").wait_for()

    drag(12)
    page.keyboard.press("Escape")
    page.get_by_role("dialog").wait_for(state="detached")
    save.click()
    page.get_by_role("button", name="yes, put it right").click()
    told(page, "0 sightings and 0 lines or areas saved; 1 put right")
    assert desk.get("/api/marks").json()["waiting"] == waiting
    x, y = x + 12, y + 12
    drag(15)
    page.get_by_role("button", name="no, keep both places").click()
    told(page, "1 sighting and 0 lines or areas saved")
    assert desk.get("/api/marks").json()["waiting"] == waiting + 1
    entry.get_by_role("button", name="remove thing 1").click()
    told(page, "It stays in the book")


def test_a_page_loaded_anew_has_lost_nothing_and_saves_nothing_twice(visit, desk, tmp_path):
    made = frame()
    page = ready(visit, made, tmp_path)
    page.get_by_text(re.compile("of the lines are sure")).wait_for()
    page.get_by_role("button", name="point at a thing").click()
    first, second = made.targets[:2]
    point_at(page, made, (first["x"], first["y"]))
    sentences = page.locator("ol[aria-label='what was pointed at'] p.said")
    sentences.nth(0).get_by_text(re.compile(f"to {first['side']}, ")).wait_for()
    name = page.locator("li[data-k='0']").get_by_label("name", exact=True)
    name.fill("the hump")
    name.blur()
    page.get_by_role("button", name="save into the book").click()
    told(page, "1 sighting and 0 lines or areas saved")
    point_at(page, made, (second["x"], second["y"]))
    sentences.nth(1).get_by_text(re.compile(f"to {second['side']}, ")).wait_for()
    before = sentences.all_text_contents()

    turn_to(page, desk.home + "/marks")
    turn_to(page, desk.home + "/pictures")
    told(page, "1 picture is here as you left it")
    sentences.nth(1).get_by_text(re.compile(f"to {second['side']}, ")).wait_for()
    assert sentences.all_text_contents() == before
    assert (
        page.locator("li[data-k='0']").get_by_label("name", exact=True).input_value() == "the hump"
    )
    assert (
        page.get_by_role("button", name="point at a thing").get_attribute("aria-pressed") == "true"
    )
    page.get_by_role("button", name="save into the book").click()
    told(page, "1 sighting and 0 lines or areas saved; 1 was in the book already")

    page.get_by_role("button", name="put the picture away").click()
    page.locator(".picture canvas").wait_for(state="detached")
    turn_to(page, desk.home + "/pictures")
    assert page.locator(".picture canvas").count() == 0
