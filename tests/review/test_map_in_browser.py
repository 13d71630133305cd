"""The review map as a person meets it: headless Chromium, no network."""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapely
from scenes import scene

from athwart.features import Feature
from athwart.geometry.geodesic import displace, inverse, local_offsets
from athwart.geometry.plane import LocalPlane
from athwart.review.map import review_map
from athwart.tables import Marks
from athwart.units import format_length, format_position, parse_position

pytestmark = pytest.mark.browser


@pytest.fixture
def visit(browser, tmp_path):
    """Open a page with the network off; at the end nothing was asked for and nothing went wrong."""
    contexts, asked, wrong = [], [], []

    def open_page(html, width=1200, height=800, scheme="light"):
        path = tmp_path / f"map{len(contexts)}.html"
        path.write_text(html, encoding="utf-8")
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme, offline=True
        )
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda r: asked.append(r.url))
        page.on(
            "console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None
        )
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.on("dialog", lambda d: (wrong.append(f"dialog {d.message}"), d.dismiss()))
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready=true]", state="attached")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert all(url.startswith(("file://", "data:", "blob:")) for url in asked), asked
    assert wrong == []


@pytest.fixture(scope="module")
def small():
    marks, sightings, tracks, near = scene(30)
    page = review_map(
        marks=marks, sightings=sightings, tracks=tracks, near_pairs=near, title="Trial bank"
    )
    return marks, page


def painted(page):
    """Wait until every picture is there and what was asked for has been painted."""
    page.evaluate(
        """async () => {
            await Promise.all(Array.from(document.images, i => i.decode()));
            for (let k = 0; k < 2; k++) await new Promise(done => requestAnimationFrame(done));
        }"""
    )


def pixels(page, x, y):
    """Colours on the drawn sheet about a point."""
    return page.evaluate(
        """([x, y]) => { const c = document.querySelector('canvas.marks');
        return Array.from(c.getContext('2d').getImageData(x - 20, y - 20, 40, 40).data); }""",
        [x, y],
    )


def test_search_finds_a_mark_and_shows_its_position(visit, small):
    marks, html = small
    page = visit(html)
    row = list(marks.name).index("Wreck 4")
    page.fill("#find", "wreck 4")
    assert page.inner_text("#found") == "1 mark fits"
    page.press("#find", "Enter")
    card = page.inner_text(".card")
    assert format_position(marks.lon[row], marks.lat[row]) in card
    assert "R95" in card
    assert f"{format_length(marks.depth_m[row])} below surface" in card
    assert "3 times on 2 trips" in card


def test_lengths_are_in_the_users_units(visit):
    marks, *_ = scene(3)
    page = visit(review_map(marks=marks, units="fathoms"))
    page.click("#list button >> nth=0")
    row = list(marks.name).index(page.inner_text(".card h2"))
    assert f"{format_length(marks.depth_m[row], 'fathoms')} below surface" in page.inner_text(
        ".card"
    )


def test_a_click_on_the_sheet_opens_the_mark_under_it(visit, small):
    marks, _ = small
    page = visit(review_map(marks=marks.take([3])))
    box = page.locator("#map_sheet").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert page.inner_text(".card h2") == marks.name[3]


def test_keyboard_alone_goes_from_search_to_card_and_back(visit, small):
    _, html = small
    page = visit(html)
    page.keyboard.press("Tab")
    seen = []
    for _ in range(12):
        seen.append(page.evaluate("document.activeElement.id"))
        if seen[-1] == "find":
            break
        page.keyboard.press("Tab")
    assert seen == ["nearer", "farther", "whole", "night", "map_sheet", "find"]
    page.keyboard.type("rock")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    chosen = page.evaluate("document.activeElement.querySelector('.name').textContent")
    page.keyboard.press("Enter")
    assert page.inner_text(".card h2") == chosen
    assert page.evaluate("document.activeElement.className") == "card"
    page.keyboard.press("Tab")
    page.keyboard.press("Escape")
    assert page.locator(".card").count() == 0
    assert page.evaluate("document.activeElement.querySelector('.name').textContent") == chosen


def test_enter_on_the_sheet_opens_the_mark_nearest_the_middle(visit, small):
    _, html = small
    page = visit(html)
    page.focus("#map_sheet")
    page.keyboard.press("Enter")
    assert page.locator(".card").count() == 1
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "map_sheet"


def test_night_is_of_one_hue(visit, small):
    _, html = small
    page = visit(html)
    page.click("#night")
    assert page.get_attribute("#night", "aria-pressed") == "true"
    painted(page)
    data = page.evaluate(
        """() => { const c = document.querySelector('canvas.marks');
        return Array.from(c.getContext('2d').getImageData(0, 0, c.width, c.height).data); }"""
    )
    rgba = np.array(data).reshape(-1, 4)
    rgb = rgba[rgba[:, 3] > 200][:, :3]
    assert len(rgb) > 1000
    assert (rgb[:, 0] + 2 >= rgb[:, 1]).all(), "red leads everywhere"
    assert (rgb[:, 1] + 2 >= rgb[:, 2]).all()
    assert rgb.max() < 245
    page.click("#night")
    assert page.get_attribute("html", "data-scheme") == "day"


def test_scheme_follows_the_system(visit, small):
    _, html = small
    assert visit(html, scheme="dark").get_attribute("html", "data-scheme") == "night"


def test_layer_switches_change_what_is_drawn(visit, small):
    _, html = small
    page = visit(html)
    seen = {page.evaluate("document.querySelector('canvas.marks').toDataURL()")}
    for layer in ("marks", "names", "errors", "looks", "rays", "tracks", "apart", "grid"):
        page.locator(f"#layer-{layer}").uncheck()
        painted(page)
        seen.add(page.evaluate("document.querySelector('canvas.marks').toDataURL()"))
    assert len(seen) >= 7


def test_a_kind_can_be_hidden_and_a_search_brings_it_back(visit, small):
    _, html = small
    page = visit(html)
    box = page.locator("#legend label", has_text="wreck").locator("input")
    box.uncheck()
    page.fill("#find", "wreck 4")
    page.press("#find", "Enter")
    assert box.is_checked()


def test_ellipse_is_as_large_on_screen_as_in_the_water(visit):
    """A circle of R95 200 m against the page's own scale in metres."""
    sigma = 200.0 / 2.4477468
    marks = Marks.from_columns(
        {
            "mark_id": ["a", "b", "c"], "lon": [20.0, 20.02, 19.98], "lat": [60.0] * 3,
            "var_east_m2": [sigma**2, np.nan, np.nan], "var_north_m2": [sigma**2, np.nan, np.nan],
            "cov_east_north_m2": [0.0, np.nan, np.nan],
        }
    )  # fmt: skip
    page = visit(review_map(marks=marks))
    for layer in ("grid", "names", "marks"):
        page.locator(f"#layer-{layer}").uncheck()
    painted(page)
    shape = page.evaluate(
        """() => { const c = document.querySelector('canvas.marks');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let box = [1e9, 1e9, -1, -1];
        for (let i = 3; i < d.length; i += 4) if (d[i] > 30) { const p = (i - 3) / 4, x = p % c.width, y = Math.floor(p / c.width);
          box = [Math.min(box[0], x), Math.min(box[1], y), Math.max(box[2], x), Math.max(box[3], y)]; }
        return box; }"""
    )
    scale = page.evaluate(
        """() => { const s = document.querySelector('.leaflet-control-scale-line');
        return [parseFloat(s.textContent.replace(',', '')), parseFloat(s.style.width)]; }"""
    )
    metre = scale[1] / scale[0]
    assert (shape[2] - shape[0]) / 2 == pytest.approx(200 * metre, rel=0.03)
    assert (shape[3] - shape[1]) / 2 == pytest.approx(200 * metre, rel=0.03)


@pytest.mark.parametrize(("azimuth", "lat"), [(45.0, 60.0), (150.0, -40.0), (20.0, 88.0)])
def test_ellipse_points_where_its_azimuth_says(visit, azimuth, lat):
    """Principal axis of the drawn pixels; the single mark is the middle, so up is north."""
    angle, major, minor = np.radians(azimuth), 60.0, 5.0
    east, north = np.sin(angle), np.cos(angle)
    marks = Marks.from_columns(
        {
            "mark_id": ["a"], "lon": [20.0], "lat": [lat],
            "var_east_m2": [(major * east) ** 2 + (minor * north) ** 2],
            "var_north_m2": [(major * north) ** 2 + (minor * east) ** 2],
            "cov_east_north_m2": [(major**2 - minor**2) * east * north],
        }
    )  # fmt: skip
    page = visit(review_map(marks=marks))
    for layer in ("grid", "names", "marks"):
        page.locator(f"#layer-{layer}").uncheck()
    page.click("#farther")
    painted(page)
    width, data = page.evaluate(
        """() => { const c = document.querySelector('canvas.marks');
        return [c.width, Array.from(c.getContext('2d').getImageData(0, 0, c.width, c.height).data)]; }"""
    )
    down, right = np.nonzero(np.array(data).reshape(-1, width, 4)[:, :, 3] > 10)
    values, vectors = np.linalg.eigh(np.cov(right, -down))
    drawn = np.degrees(np.arctan2(*vectors[:, np.argmax(values)])) % 180
    assert abs((drawn - azimuth + 90) % 180 - 90) < 2.0


@pytest.mark.parametrize("width", [320, 375])
def test_a_phone_shows_everything_without_sideways_scrolling(visit, small, width):
    _, html = small
    page = visit(html, width=width, height=700)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for spot in ("#caution", "#map_sheet", "#find", "#night"):
        box = page.locator(spot).bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
    caution = page.locator("#caution").bounding_box()
    assert caution["y"] + caution["height"] <= 700.5
    page.fill("#find", "rock")
    page.press("#find", "Enter")
    card = page.locator(".card").bounding_box()
    assert card["x"] >= 0
    assert card["x"] + card["width"] <= width


def test_markup_and_direction_marks_in_names_do_nothing(visit):
    names = [
        "<img src=x onerror=alert(1)>", "</script><script>alert(2)</script>", "a\u202etxt.exe",
        "{{7*7}}", "", "שלום 3",
    ]  # fmt: skip
    marks = Marks.from_columns(
        {
            "mark_id": [str(i) for i in range(len(names))],
            "name": names, "note": names, "kind": names,
            "lon": np.linspace(5, 5.001, len(names)), "lat": np.full(len(names), 60.0),
        }
    )  # fmt: skip
    near = [(5.0, 60.0, 5.001, 60.0, names[0])]
    page = visit(review_map(marks=marks, near_pairs=near, title=names[0]))
    assert page.inner_text("h1") == names[0]
    listed = page.locator("#list .name").all_inner_texts()
    unnamed = f"unnamed mark at {format_position(marks.lon[4], marks.lat[4])}"
    assert set(listed) == {*names[:2], "a⟦U+202E⟧txt.exe", "{{7*7}}", unnamed, "שלום 3"}
    for button in page.locator("#list button").all():
        button.click()
    assert page.locator("img").count() == 0


def visited():
    """Marks as a book gives them: one visited thrice, one with markup in what was said."""
    marks, sightings, *_ = scene(6)
    last = np.array(["2031-05-03 2 fish, ebb", "2031-05-04", HOSTILE, "", "", ""], dtype=object)
    extra = {"visits": np.array([3, 1, 1, 0, 0, 0]), "last_visit": last}
    return Marks(**marks.to_columns(), extra=extra), sightings


HOSTILE = "2031-05-05 <img src=x onerror=alert(1)> {{ 7 * 7 }} \u202eback"


@pytest.mark.parametrize("width", [1200, 390])
def test_visits_are_told_in_the_list_and_on_the_card(visit, width):
    marks, sightings = visited()
    page = visit(review_map(marks=marks, sightings=sightings), width=width)
    in_list = {
        int(b.get_attribute("data-mark")): b.locator(".visited").all_inner_texts()
        for b in page.locator("#list button").all()
    }
    assert in_list[0] == ["visited 3 times; last 2031-05-03"]
    assert in_list[1] == ["visited 1 time; last 2031-05-04"]
    assert in_list[3] == []
    button = page.locator("#list button[data-mark='0']")
    assert button.get_attribute("aria-label").endswith("visited 3 times; last 2031-05-03")
    button.click()
    card = page.locator(".card")
    assert "Visited\n3 times; last 2031-05-03: 2 fish, ebb" in card.inner_text()
    page.locator("#list button[data-mark='3']").click()
    assert "Visited" not in card.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_markup_in_what_was_said_of_a_visit_is_shown_as_text(visit):
    marks, sightings = visited()
    page = visit(review_map(marks=marks, sightings=sightings))
    page.locator("#list button[data-mark='2']").click()
    text = page.locator(".card").inner_text()
    assert "<img src=x onerror=alert(1)> {{ 7 * 7 }} \u27e6U+202E\u27e7back" in text
    assert page.locator(".card img").count() == 0


def test_marks_without_a_name_come_last_and_say_kind_and_place(visit):
    names = ["", "Zander hole", "  ", "!first", "Álvar's rock"]
    marks = Marks.from_columns(
        {
            "mark_id": [str(i) for i in range(5)],
            "name": names,
            "kind": ["rock", "hole", "", "ledge", "rock"],
            "lon": np.linspace(5, 5.001, 5),
            "lat": np.full(5, 60.0),
        }
    )
    page = visit(review_map(marks=marks))
    at = [format_position(a, b) for a, b in zip(marks.lon, marks.lat, strict=True)]
    assert page.locator("#list .name").all_inner_texts() == [
        "!first", "Álvar's rock", "Zander hole", f"unnamed mark at {at[2]}",
        f"unnamed rock at {at[0]}",
    ]  # fmt: skip
    assert page.inner_text("#found") == "All 5 marks, by name; unnamed ones last"
    page.fill("#find", "rock")
    assert page.locator("#list .name").all_inner_texts() == [
        "Álvar's rock", f"unnamed rock at {at[0]}",
    ]  # fmt: skip
    page.fill("#find", "60")
    assert page.locator("#list .name").count() == 0, "digits of the place are no name"


@pytest.mark.parametrize(("half_width_deg", "shore"), [(5.0, False), (0.3, True)])
def test_where_the_background_is_cut_off_no_shore_is_drawn(visit, half_width_deg, shore):
    """Land that goes on beyond the map has no edge there; land that ends in sight has one."""
    marks, *_ = scene(5)
    land = shapely.box(-24.5 - half_width_deg, 48.0, -24.5 + half_width_deg, 55.0)
    page = visit(review_map(marks=marks, background=[land], units="feet"))
    for layer in ("grid", "marks", "names", "errors"):
        page.uncheck(f"#layer-{layer}")
    for _ in range(8):
        page.click("#farther")
    painted(page)
    drawn = page.evaluate(
        """() => { const c = document.querySelector('canvas.marks');
        const ink = getComputedStyle(document.documentElement).getPropertyValue('--wash').trim();
        const v = parseInt(ink.slice(1), 16), d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let edge = 0, land = 0;
        for (let i = 0; i < d.length; i += 4) {
          if (d[i + 3] < 128) continue;
          const off = Math.max(Math.abs(d[i] - (v >> 16)), Math.abs(d[i + 1] - (v >> 8 & 255)), Math.abs(d[i + 2] - (v & 255)));
          if (off < 8) land++; else edge++;
        }
        return [edge, land]; }"""
    )
    assert drawn[1] > 1000
    assert drawn[0] > 100 if shore else drawn[0] == 0
    assert page.inner_text("#ground-note") == "Background: parts far from the marks are left out."


def test_how_far_a_thinned_background_may_be_off_is_said(visit):
    rng = np.random.default_rng(2)
    turn = np.linspace(0, 2 * np.pi, 70_000, endpoint=False)
    radius = 0.02 + rng.normal(0.0, 3e-5, len(turn))
    marks, *_ = scene(5)
    rocks = shapely.Polygon(
        np.stack([-24.5 + radius * np.cos(turn), 51.25 + radius * np.sin(turn)], axis=1)
    )
    page = visit(review_map(marks=marks, background=[rocks], units="feet"))
    note = page.inner_text("#ground-note")
    assert note == "Background: drawn within 1.6 ft of its file."


def test_no_marks_is_said(visit):
    page = visit(review_map(marks=Marks.empty()))
    assert "There are no marks" in page.inner_text("#empty")


def test_the_180th_meridian_reads_right_on_both_sides(visit):
    marks = Marks.from_columns(
        {"mark_id": ["e", "w"], "lon": [179.999, -179.999], "lat": [1.0, 1.0]}
    )
    page = visit(review_map(marks=marks))
    box = page.locator("#map_sheet").bounding_box()
    texts = []
    for part in (0.2, 0.8):
        page.mouse.move(box["x"] + box["width"] * part, box["y"] + box["height"] / 2)
        texts.append(page.inner_text("#readout"))
    assert texts[0].endswith("E")
    assert texts[0].split(" ")[1].startswith("179°")
    assert texts[1].endswith("W")


@pytest.mark.parametrize(
    ("lon", "lat"),
    [
        ([33.0, 60.0, -120.0], [89.9, 88.0, 86.5]),
        ([0.0, 0.0, 90.0], [-90.0, -87.0, -89.0]),
        ([5.0, 5.5, 6.0], [60.0, 59.0, 61.0]),
        ([179.9, -179.5, 179.0], [0.0, -1.0, 1.0]),
    ],
)
def test_the_readout_agrees_with_the_mark_it_points_at(visit, lon, lat):
    """The page's own way back to degrees against pyproj's way there, hundreds of km out."""
    marks = Marks.from_columns({"mark_id": ["a", "b", "c"], "lon": lon, "lat": lat})
    page = visit(review_map(marks=marks))
    for row in range(3):
        page.evaluate(
            """row => { const d = JSON.parse(document.getElementById('athwart-data').textContent);
            map_sheet.setView([d.origin[1] + d.marks.y[row] * d.quantum, d.origin[0] + d.marks.x[row] * d.quantum],
              map_sheet.getMaxZoom(), {animate: false}); }""",
            row,
        )
        read = parse_position(*page.inner_text("#readout").removeprefix("middle ").split())
        # The text is good to 0.2 m, the sheet's grid of pixels to a part of a pixel.
        assert inverse(*read, lon[row], lat[row])[1] < 0.3


def test_copy_gives_the_position(visit, small):
    marks, html = small
    page = visit(html)
    page.fill("#find", "wreck 4")
    page.press("#find", "Enter")
    page.click("text=Copy position")
    row = list(marks.name).index("Wreck 4")
    page.wait_for_selector("text=/^(Copied|Marked: copy it)$/")
    held = page.evaluate("window.getSelection().toString()")
    assert held in ("", format_position(marks.lon[row], marks.lat[row]))


def test_tiles_warn_that_the_area_leaks(browser, tmp_path):
    page_text = review_map(marks=scene(2)[0], tiles="https://tiles.invalid/{z}/{x}/{y}.png")
    path = tmp_path / "tiles.html"
    path.write_text(page_text, encoding="utf-8")
    context = browser.new_context(offline=True)
    asked = []
    page = context.new_page()
    page.on("request", lambda r: asked.append(r.url))
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=true]", state="attached")
    assert "learns which area is looked at" in page.inner_text("#warning")
    assert "tiles.invalid" in page.inner_text("#caution")
    context.close()
    assert {u.split("/")[2] for u in asked if u.startswith("http")} <= {"tiles.invalid"}


def test_five_thousand_marks_can_be_searched(visit):
    marks, sightings, tracks, near = scene(5000, width_m=8000)
    html = review_map(marks=marks, sightings=sightings, tracks=tracks, near_pairs=near)
    assert len(html.encode()) < 4_000_000
    start = time.perf_counter()
    page = visit(html)
    page.fill("#find", "wreck 4998")
    page.press("#find", "Enter")
    page.wait_for_selector(".card")
    print(
        f"5,000 marks, {len(html.encode()):,} bytes: found in {time.perf_counter() - start:.2f} s"
    )
    assert "Wreck" in page.inner_text(".card h2")


def sonar_scene():
    """A grey picture, dark to the west and light to the east, about the marks of a scene."""
    from io import BytesIO

    from PIL import Image

    marks, *_ = scene(6)
    box = (marks.lon.min(), marks.lat.min(), marks.lon.max(), marks.lat.max())
    grey = np.full((200, 300), 60, np.uint8)
    grey[:, 150:] = 220
    out = BytesIO()
    Image.fromarray(grey).save(out, "PNG")
    return (out.getvalue(), box, "north <b>bank</b>", shapely.box(*box))


@pytest.mark.parametrize("width", [1200, 390])
def test_sonar_pictures_lie_in_place_under_the_marks_and_can_be_switched_off(visit, width):
    picture = sonar_scene()
    page = visit(review_map(marks=Marks.empty(), pictures=[picture]), width=width)
    page.wait_for_function("document.querySelector('canvas.marks') !== null")
    painted(page)
    west, south, east, north = picture[1]

    def grey_at(lon, lat):
        from io import BytesIO

        from PIL import Image

        x, y = page.evaluate(
            """([lat, lon]) => { const p = map_sheet.latLngToContainerPoint([lat, lon]);
            const box = document.getElementById('map_sheet').getBoundingClientRect();
            return [p.x + box.x, p.y + box.y]; }""",
            [lat, lon],
        )
        return Image.open(BytesIO(page.screenshot())).convert("RGB").getpixel((round(x), round(y)))

    sheet = grey_at(west - (east - west) * 0.01, (south + north) / 2)
    middle = (west + east) / 2
    step = (east - west) / 300
    lat = south + 0.37 * (north - south)
    assert grey_at(middle - 3.3 * step, lat) == (60, 60, 60)
    assert grey_at(middle + 3.3 * step, lat) == (220, 220, 220)
    assert "1 sonar picture: north <b>bank</b>." in page.inner_text("#sonar-note")
    page.locator("#layer-sonar").uncheck()
    painted(page)
    assert grey_at(middle - 3.3 * step, lat) == sheet
    page.locator("#layer-sonar").check()
    page.click("#night")
    painted(page)
    red, green, blue = grey_at(middle + 3.3 * step, lat)
    assert red > 2 * max(green, blue)


@pytest.mark.parametrize("width", [1200, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_serious_fault_by_day_and_by_night(visit, small, scheme, width):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    marks, html = small
    page = visit(html, width=width, scheme=scheme)

    def faults():
        found = axe.Axe().run(page).response["violations"]
        return [
            (v["id"], n["html"][:120], n["any"][:1] and n["any"][0]["message"])
            for v in found
            if v["impact"] in ("serious", "critical")
            for n in v["nodes"]
        ]

    assert faults() == []
    page.fill("#find", str(marks.name[0]))
    page.press("#find", "Enter")
    page.locator(".card").wait_for()
    for details in page.locator("details").all():
        details.evaluate("d => { d.open = true; }")
    assert faults() == [], "with a card open"


def planned():
    """A zone with markup in its name, a run and a hold, beside marks."""
    plane = LocalPlane(-24.5, 51.25)
    shapes = {
        "zone": shapely.box(-600, 150, -300, 420),
        "run": shapely.LineString([(-600, -420), (0, -380), (400, -420)]),
        "hold": shapely.Point(150, 330),
    }
    names = {"zone": HOSTILE, "run": "along the bank", "hold": "hold for Ribs"}
    values = {"hold": {"heading_deg": 305.0, "r95_m": 22.0}, "run": {"length_m": 1004.0}}
    return [
        Feature(
            role=role,
            geometry=plane.shape_to_earth(shape),
            name=names[role],
            note="closed <i>all year</i>" if role == "zone" else "",
            values=values.get(role, {}),
        )
        for role, shape in shapes.items()
    ]


def spot(page, x, y):
    """Where on the page a point of the plane about 24.5 W 51.25 N is drawn."""
    lon, lat = displace(-24.5, 51.25, x, y)
    return page.evaluate(
        """([lat, lon]) => { const p = map_sheet.latLngToContainerPoint([lat, lon]);
        const box = document.getElementById('map_sheet').getBoundingClientRect();
        return [p.x + box.x, p.y + box.y]; }""",
        [float(lat), float(lon)],
    )


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (390, 844)])
def test_a_plan_is_drawn_told_and_can_be_hidden_role_by_role(visit, width, height):
    page = visit(review_map(marks=Marks.empty(), plan=planned()), width=width, height=height)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    words = page.locator("#plan-roles label").all_inner_texts()
    assert [w.split("\n")[0] for w in words] == [
        "line to run along",
        "where to hold the boat",
        "zone",
    ]
    page.mouse.click(*spot(page, -450, 280))
    card = page.locator(".card")
    assert "⟦U+202E⟧" in card.locator("h2").inner_text()
    assert "closed <i>all year</i>" in card.inner_text()
    assert page.locator(".card img, .card i").count() == 0
    page.keyboard.press("Escape")
    page.click("#whole")
    page.mouse.click(*spot(page, -300, -400))
    assert "Length\n1004 m" in card.inner_text()
    page.keyboard.press("Escape")
    page.click("#whole")
    page.mouse.click(*spot(page, 150, 330))
    at = format_position(*(float(v) for v in displace(-24.5, 51.25, 150.0, 330.0)))
    assert card.locator(".at").inner_text() == at
    assert "Heading\n305°" in card.inner_text()
    page.keyboard.press("Escape")
    page.click("#whole")
    zone = page.locator("#plan-roles input").nth(2)
    x, y = spot(page, -450, 280)
    clip = {"x": x - 20, "y": y - 20, "width": 40, "height": 40}
    drawn = page.screenshot(clip=clip)
    zone.uncheck()
    painted(page)
    page.mouse.click(*spot(page, -450, 280))
    assert card.count() == 0
    assert len(page.screenshot(clip=clip)) < len(drawn), "bare paper makes a smaller picture"
    page.locator("#plan-list button").nth(0).click()
    assert "⟦U+202E⟧" in card.locator("h2").inner_text()
    assert zone.is_checked(), "what is chosen from the list is shown"


def test_a_click_is_judged_by_the_sheet_as_it_lies_even_before_it_is_drawn_again(visit):
    page = visit(review_map(marks=Marks.empty(), plan=planned()))
    lon, lat = displace(-24.5, 51.25, 150.0, 330.0)
    page.evaluate("map_sheet.panBy([400, 300], { animate: false })")
    painted(page)
    page.evaluate(
        """(at) => { document.getElementById("whole").click();
        const point = map_sheet.latLngToContainerPoint(at);
        map_sheet.fire("click", { latlng: L.latLng(at), containerPoint: point }); }""",
        [float(lat), float(lon)],
    )
    assert "hold for Ribs" in page.locator(".card").inner_text(timeout=2000)


def test_a_plan_is_reached_by_keyboard_and_focus_comes_back(visit):
    page = visit(review_map(marks=Marks.empty(), plan=planned()))
    button = page.locator("#plan-list button").nth(1)
    button.focus()
    page.keyboard.press("Enter")
    assert "along the bank" in page.locator(".card").inner_text()
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.dataset.plan") == "1"


def test_marks_lie_over_a_plan_and_are_told_first(visit):
    marks, *_ = scene(1)
    east, north = (float(v) for v in local_offsets(marks.lon[0], marks.lat[0], -24.5, 51.25))
    square = LocalPlane(-24.5, 51.25).shape_to_earth(
        shapely.box(east - 90, north - 90, east + 90, north + 90)
    )
    page = visit(review_map(marks=marks, plan=[Feature(role="seen", geometry=square)]))
    page.mouse.click(*spot(page, east, north))
    assert page.locator(".card").get_attribute("aria-label").startswith("Mark ")
    page.keyboard.press("Escape")
    page.mouse.click(*spot(page, east + 60, north + 60))
    assert page.locator(".card h2").inner_text() == "seen by the side-scan"


def test_a_plan_by_night_is_of_the_one_hue(visit):
    page = visit(review_map(marks=Marks.empty(), plan=planned()), scheme="dark")
    data = page.evaluate(
        """() => { const c = document.querySelector('canvas.marks');
        return Array.from(c.getContext('2d').getImageData(0, 0, c.width, c.height).data); }"""
    )
    colours = np.array(data).reshape(-1, 4)
    seen = colours[colours[:, 3] > 40, :3]
    assert len(seen) > 1000
    assert (seen[:, 0] + 2 >= seen[:, 1]).all()
    assert (seen[:, 1] + 8 >= seen[:, 2]).all()


def test_a_circle_of_r95_about_a_hold_is_as_large_as_in_the_water(visit):
    """Between the outermost dashes left and right lie 2 x 220 m, by the page's own scale."""
    hold = Feature(role="hold", geometry=shapely.Point(-24.5, 51.25), values={"r95_m": 220.0})
    page = visit(review_map(marks=Marks.empty(), plan=[hold]))
    page.locator("#layer-grid").uncheck()
    painted(page)
    width, data = page.evaluate(
        """() => { const c = document.querySelector('canvas.marks');
        return [c.width, Array.from(c.getContext('2d').getImageData(0, 0, c.width, c.height).data)]; }"""
    )
    down, right = np.nonzero(np.array(data).reshape(-1, width, 4)[:, :, 3] > 60)
    ratio = page.evaluate("devicePixelRatio")
    (x0, _), (x1, _) = spot(page, -220, 0), spot(page, 220, 0)
    (_, y0), (_, y1) = spot(page, 0, 220), spot(page, 0, -220)
    assert np.ptp(right) / ratio == pytest.approx(x1 - x0, abs=4)
    assert np.ptp(down) / ratio == pytest.approx(y1 - y0, abs=4)
