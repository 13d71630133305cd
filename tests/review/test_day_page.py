"""The day sheet: everything escaped, nothing fetched, the chart to scale, readable and printable."""

import base64
import hashlib
import re
from xml.etree import ElementTree

import lxml.html
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.kinds import known_symbols
from athwart.plan.day import Ask, Pace
from athwart.plan.tide import Tide
from athwart.review.chart import chart_of, sign
from athwart.review.day_page import clock, day_sheet, distance_words
from athwart.units import KNOT
from days import LEAVE, a_day, marks_at

SVG = "{http://www.w3.org/2000/svg}"
NASTY = "<script>alert(1)</script>{{ 7*7 }}{% if %}\"'&\u202eoops</style>"


def text_of(page):
    return " ".join(" ".join(lxml.html.fromstring(page).body.itertext()).split())


def a_sheet(**more):
    return day_sheet(a_day(**more))


def test_the_page_asks_for_nothing_and_runs_nothing():
    page = a_sheet()
    root = lxml.html.fromstring(page)
    (policy,) = root.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    (style,) = root.xpath("//style/text()")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy.startswith(f"default-src 'none'; style-src 'sha256-{digest}'")
    assert not root.xpath("//script | //link | //img | //iframe | //object | //*[@style]")
    assert not root.xpath("//*[@src or @href]")
    assert not [a for e in root.iter() for a in e.attrib if a.lower().startswith("on")]
    assert "url(" not in style
    assert set(re.findall(r"url\(([^)]*)\)", page)) <= {"#shut"}
    assert set(re.findall(r"https?://[^\s\"'<>]+", page)) <= {"http://www.w3.org/2000/svg"}


def test_every_text_of_the_user_is_seen_and_not_obeyed():
    n = 3
    every = np.array([NASTY] * n, dtype=object)
    day = a_day(
        name=every,
        kind=every,
        note=every,
        extra={
            "visits": np.full(n, 2),
            "last_visit": np.array([f"2026-05-03 {NASTY}"] * n, object),
        },
    )
    page = day_sheet(day, title=NASTY)
    root = lxml.html.fromstring(page)
    assert not root.xpath("//script")
    assert len(root.xpath("//style")) == 1
    assert "\u202e" not in page
    assert "{{ 7*7 }}" in text_of(page)
    assert text_of(page).count("<script>alert(1)</script>") >= 3 * n
    assert "2 visits, last 2026-05-03" in text_of(page)


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=40), st.text(max_size=40))
def test_any_name_and_note_give_a_page_of_the_same_build(name, note):
    marks = marks_at([(0, 1000)], name=np.array([name], object), note=np.array([note], object))
    page = day_sheet(a_day(marks=marks))
    root = lxml.html.fromstring(page)
    assert len(root.xpath("//ol[@class='stops']/li")) == 1
    assert not root.xpath("//script")
    page.encode("utf-8")


def test_the_sheet_tells_order_courses_times_and_errors():
    pace = Pace(speed_mps=KNOT.value, stay_s=600)
    text = text_of(day_sheet(a_day([(0, 1852)], pace=pace, ask=Ask(one_way=True))))
    assert "Day sheet, Sunday 1 June 2025" in text
    assert "000° T" in text
    assert "1.85 km (1.00 nm)" in text
    assert "11:00 ± 12 min to 11:10" in text
    assert "R95 5.0 m" in text
    # A minute of latitude is 1852 m to within 10 m there.
    assert re.search(r"46°(10\.99|11\.00)\d\d'S 021°18\.0000'W", text)
    assert "sunset" in text
    assert "Not for navigation" in text
    assert "law of the place" in text


def test_times_are_those_of_the_zone_and_another_day_is_named():
    day = a_day([(0, 1852)], depart=np.datetime64("2025-06-01T22:00"), time_zone="Pacific/Auckland")
    text = text_of(day_sheet(day))
    assert "Monday 2 June 2025" in text
    assert "Pacific/Auckland, UTC +12:00" in text
    night = np.datetime64("2025-06-02T00:10")
    assert clock(night, "UTC", beside=LEAVE) == "00:10 (2 Jun)"
    assert clock(np.datetime64("2025-06-01T23:59:40"), "UTC") == "00:00"


def test_units_are_those_asked_for():
    text = text_of(day_sheet(a_day([(0, 1000)], r95_m=np.array([6.096])), units="feet"))
    assert "0.54 nm" in text
    assert "R95 20 ft" in text
    assert " km" not in text
    assert distance_words(100, "fathoms") == "328 ft"


def test_the_tide_stands_on_the_sheet():
    tide = Tide.from_extremes(
        np.array(["2025-06-01T04:00", "2025-06-01T10:10", "2025-06-01T16:20"], "datetime64[us]"),
        np.array([0.4, 3.1, 0.5]),
    )
    text = text_of(day_sheet(a_day([(0, 200)], tide=tide)))
    assert "10:10 high water 3.1 m" in text
    assert re.search(r"tide 3\.1 m ± 0\.\d m", text)


def test_the_same_day_gives_the_same_bytes():
    assert a_sheet() == a_sheet()


def test_a_hundred_marks_on_one_spot_make_a_sheet():
    page = day_sheet(a_day(np.zeros((100, 2))))
    assert page.count('<li>\n<p class="leg">') == 100


def scale_of(root):
    """Metres on the ground for one length on the page, by the scale bar."""
    bar = next(
        p.get("d") for p in root.iter(f"{SVG}path") if re.match(r"M20 [\d.]+H[\d.]+M", p.get("d"))
    )
    long = float(re.match(r"M20 [\d.]+H([\d.]+)M", bar)[1]) - 20
    words = next(
        t.text for t in root.iter(f"{SVG}text") if re.fullmatch(r"[\d.]+ (m|km|ft|nm)", t.text)
    )
    value, unit = words.split()
    return float(value) * {"m": 1, "km": 1000, "ft": 0.3048, "nm": 1852}[unit] / long


@pytest.mark.parametrize("units", ["metric", "feet"])
def test_the_chart_is_to_scale_north_up_and_draws_r95(units):
    day = a_day([(0, 1000), (800, 0)], r95_m=np.array([60.0, 60.0]))
    root = ElementTree.fromstring(chart_of(day, units))
    scale = scale_of(root)
    circles = [c for c in root.iter(f"{SVG}circle") if c.get("stroke-dasharray") == "4 3"]
    assert len(circles) == 2
    for c in circles:
        assert float(c.get("r")) * scale == pytest.approx(60.0, rel=0.02)
    at = {
        s.row: (float(c.get("cx")), float(c.get("cy")))
        for s, c in zip(day.stops, circles, strict=True)
    }
    north, east = at[0], at[1]
    assert np.hypot(north[0] - east[0], north[1] - east[1]) * scale == pytest.approx(
        1280.6, rel=0.01
    )
    assert north[1] < east[1]
    assert north[0] < east[0]


def test_the_chart_shows_every_kind_by_shape_and_code_and_names_itself():
    kinds = [s.word for s in known_symbols()]
    n = len(kinds)
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    points = 2000 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    day = a_day(points, kind=np.array(kinds, object), hazard=np.arange(n) == 0)
    root = ElementTree.fromstring(chart_of(day))
    words = [t.text for t in root.iter(f"{SVG}text")]
    for symbol in known_symbols():
        assert symbol.code in words
        ElementTree.fromstring(sign(symbol, 0, 0, hazard=True))
    for k in range(1, n + 1):
        assert str(k) in words
    assert root.get("role") == "img"
    assert len(root.find(f"{SVG}desc").text) > 60
    width, height = map(float, root.get("viewBox").split()[2:])
    for t in root.iter(f"{SVG}text"):
        if t.get("x"):
            assert 0 <= float(t.get("x")) <= width
            assert 0 <= float(t.get("y")) <= height


@pytest.mark.browser
def test_on_a_telephone_nothing_is_cut_off_and_it_prints(browser, tmp_path):
    long = np.array(["Anvil " * 12, "x" * 90, "Måke rock"], object)
    path = tmp_path / "day.html"
    path.write_text(day_sheet(a_day(name=long, note=long)), encoding="utf-8")
    page = browser.new_page(viewport={"width": 375, "height": 700}, java_script_enabled=True)
    said = []
    page.on("console", lambda m: said.append(m.text))
    page.goto(path.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") == 375
    sizes = page.evaluate(
        "[...document.querySelectorAll('p, dd, li, td')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 12
    assert (
        page.evaluate("getComputedStyle(document.body.parentElement).backgroundColor")
        == "rgb(247, 243, 232)"
    )
    printed = page.pdf(format="A4")
    assert printed.startswith(b"%PDF")
    assert said == []
    page.close()
