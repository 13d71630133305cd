"""Going back as a person does it: choose, ask, look, write; on a phone, by keyboard, at night."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from test_desk_in_browser import told

pytestmark = pytest.mark.browser

SAMPLES = Path(__file__).parents[2] / "sample_gpx"


@pytest.fixture
def going(visit, desk):
    for name in ("tides.csv", "zones.geojson", "coastline.geojson", "tern.toml"):
        shutil.copy(SAMPLES / name, desk.desk.folder / name)

    def open_page(**screen):
        page = visit("/going-back", **screen)
        page.get_by_label("times are in the zone").fill("UTC")
        page.get_by_label("a table in the folder of the book").check()
        page.select_option("#tide-file", "tides.csv")
        page.get_by_label("draft of the boat, in m").fill("0.5")
        for name in ("Anvil", "Saddle", "Round stone"):
            page.get_by_label("a mark by its name").fill(name.lower())
            page.keyboard.press("Enter")
        page.get_by_text("3 of 32 marks chosen.").wait_for()
        return page

    return open_page


def test_a_day_is_made_seen_and_written(going, desk):
    page = going()
    page.get_by_role("button", name="point at it on the map above").click()
    box = page.locator("#map").bounding_box()
    page.mouse.click(box["x"] + 0.2 * box["width"], box["y"] + 0.8 * box["height"])
    told(page, "The start is")
    assert re.fullmatch(r"46 1\d\.\d{3} S, 21 1\d\.\d{3} W", page.input_value("#start"))
    page.fill("#leave", "2025-06-01T10:00")
    page.select_option("#zones", "zones.geojson")
    page.get_by_role("button", name="make the day").click()
    told(page, "3 marks, ")
    assert page.locator(".legs > li").count() == 4
    assert "under the keel" in page.inner_text(".legs")
    assert page.get_by_text("way from mark to mark (4)").is_visible()
    page.locator("#day-made .sheet canvas").wait_for()
    page.get_by_label("zone (3)").uncheck()
    page.select_option("#lengths", "feet")
    assert page.input_value("#draft") == "1.64042"
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="see the sheet").click()
    sheet = opened.value
    sheet.wait_for_load_state()
    assert "1 June 2025" in sheet.title()
    assert "Round stone" in sheet.inner_text("body")
    sheet.close()
    page.get_by_role("button", name="write it into the folder").click()
    told(page, "day.html")
    assert (desk.desk.folder / "day.html").exists()
    page.get_by_role("button", name="write it into the folder").click()
    assert "day.html is there already" in page.get_by_role("dialog").inner_text()
    page.keyboard.press("Escape")
    told(page, "Nothing was written.")
    page.get_by_label("GPX for a plotter").check()
    page.get_by_role("button", name="write it into the folder").click()
    told(page, "day.gpx")
    page.fill("#start", "nowhere")
    page.get_by_role("button", name="make the day").click()
    page.get_by_role("alert").get_by_text("neither the name of one mark").wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_on_a_phone_all_is_there_and_axe_finds_no_serious_fault(going, desk, scheme):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    page = going(width=375, height=700, scheme=scheme)
    page.fill("#at", "2025-06-01T12:00")
    page.get_by_role("button", name="tell the water").click()
    told(page, "marks with a depth")
    page.get_by_label("which mark, by its name").fill("anvil")
    page.get_by_label("the current goes to").fill("040")
    page.fill("#current", "0.8")
    page.get_by_label("length of the cast").fill("20")
    page.get_by_role("button", name="tell hold and drift").click()
    told(page, "Anvil at 46")
    assert "comes down within" in page.inner_text("#hold-made")
    if scheme == "dark":
        page.get_by_label("range of the screen, one side").fill("45")
        page.get_by_label("depth as the sounder reads it").fill("14")
        page.get_by_role("button", name="show what has been seen").click()
        told(page, "not seen yet")
        assert "seen from two passes or more (1)" in page.inner_text("#seen-made .legend")
    if scheme == "light":
        page.select_option("#zones", "zones.geojson")
        page.get_by_role("button", name="hold the marks against the zones").click()
        told(page, "3 marks against 3 zones")
        assert "zone (3)" in page.inner_text("#against-made .legend")
        page.get_by_label("depth below the transducer").fill("10")
        page.get_by_label("whole angle of the sounder").fill("20")
        page.get_by_role("button", name="tell what it sees").click()
        told(page, "The cone of 20 degrees covers a circle 3.5 m across")
    page.fill("#start", "Anvil")
    page.get_by_role("button", name="make the day").click()
    told(page, "The day is made")
    page.get_by_label("high and low waters, typed").check()
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= 375
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, select, input:not([type=checkbox]):not([type=radio]), nav a, .tick')]
        .filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.outerHTML.slice(0, 80))"""
    )
    assert small == [], "every target is 44 pixels high"
    found = axe.Axe().run(page).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
