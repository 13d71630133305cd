"""Markup in every text that files, folders and the command line can bring: pages show it, and no more.

A canary stands in every text: whatever ran it, as an element, an attribute, a script or a style,
would leave a trace in the page (OWASP, "Cross Site Scripting Prevention", from memory). The GPX
files are held to the published GPX 1.1 schema.
"""

import json
import shutil
import sys
from pathlib import Path

import pytest

import athwart

sys.path.insert(0, str(Path(__file__).parent / "formats"))

from gpx_texts import schema

SAMPLES = Path(athwart.__file__).parents[2] / "sample_gpx"
CANARY = (
    "\"'><img src=x onerror=window.canary=1><svg onload=window.canary=2></script></style></title>"
    "<script>window.canary=3</script><b class=canary>]]>--> {{7*7}} ${7*7} \u202eback\x07"
)
FILE = "a <img src=x onerror=canary=4> & 'b' \u202e"
SHOWN = "<b class=canary>"


def feature(shape, **said):
    return {"type": "Feature", "properties": said, "geometry": shape}


def written(path, *features):
    path.write_text(
        json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8"
    )
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a folder of everything that commands make of a season in which each text is a canary."""
    from athwart.cli import main

    folder = tmp_path_factory.mktemp("canary")
    said = {"name": CANARY, "note": CANARY, "kind": CANARY, "trip": CANARY, "symbol": CANARY}
    points = [
        feature({"type": "Point", "coordinates": [-21.3000 + i * 4e-3, -46.199]}, **said)
        for i in range(3)
    ]
    marks = written(folder / f"{FILE}.geojson", *points)
    line = {"type": "LineString", "coordinates": [[-21.31, -46.195], [-21.295, -46.19]]}
    bank = written(folder / "bank.geojson", feature(line, name=CANARY, note=CANARY, rule=CANARY))
    west, south, east, north = -21.302, -46.2, -21.298, -46.198
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    area = {"type": "Polygon", "coordinates": [ring]}
    more = [[x + dx, y] for (x, y), dx in zip(ring, (-0.004, 0, 0, -0.004, -0.004), strict=True)]
    wide = {"type": "Polygon", "coordinates": [more]}
    zones = written(
        folder / "zones.geojson",
        feature(area, name=CANARY, rule=CANARY, kind="closed", note=CANARY),
        feature(line, name=CANARY, rule=CANARY, kind=CANARY),
    )
    boat = folder / "boat.toml"
    boat.write_text(f"name = {json.dumps(CANARY)}\n")
    book = folder / f"{FILE}.gpkg"
    shutil.copy(SAMPLES / "small-plotter.toml", folder)
    limits = ["--limits", folder / "small-plotter.toml"]
    start = ["--start", "46 11.6 S, 21 18.3 W", "--depart", "2031-06-01T10:00Z"]
    for words in (
        ["book", "add", book, marks, "--trip", CANARY, "--boat", boat],
        ["book", "merge", book],
        ["book", "visit", book, "2-3", "--result", CANARY, "--note", CANARY],
        ["run", bank, "--off", "18m", "--side", "starboard", "--turn", "12m", "--speed", "2kn",
         "--name", CANARY, "--zones", zones, "-o", folder / "run.geojson", "-o",
         folder / "run.html", "-o", folder / "run.gpx"],
        ["lanes", written(folder / "area.geojson", feature(wide, name=CANARY)), "--range", "60m",
         "--depth", "15m", "--zones", zones, "-o", folder / "lanes.html", "-o",
         folder / "lanes.gpx", *limits],
        ["map", book, "-o", folder / "map.html", "--title", CANARY, "--zones", zones, "--plan",
         folder / "run.geojson"],
        ["map", marks, "-o", folder / f"{FILE}.html"],
        ["day", book, *start, "--zones", zones, "--title", CANARY, "-o", folder / "day.html",
         "-o", folder / "day.gpx", *limits],
        ["day", marks, *start, "-o", folder / "day-open.gpx"],
        ["hold", "--lat", "46 11.9 S", "--lon", "21 18.1 W", "--r95", "8m", "--cast", "20m",
         "--set", "040", "--current", "0.8kn", "--zones", zones, "-o", folder / "hold.html",
         "-o", folder / "hold.gpx"],
        ["export", book, "-o", folder / "export.gpx"],
        ["merge", marks, "-o", folder / "merge.gpkg"],
        ["merge", marks, "-o", folder / "merge.kml"],
        ["merge", marks, "-o", folder / "merge.gpx"],
    ):  # fmt: skip
        if words[1] == "visit":
            from athwart.book.reading import read_book

            words[3] = read_book(book).marks.mark_id[0]
        with pytest.raises(SystemExit) as done:
            main([str(w) for w in words])
        assert not done.value.code, words[0]
    return folder


GPX = ["run", "lanes", "day", "day-open", "hold", "export", "merge"]
PAGES = ["run", "lanes", "map", "day", "hold", FILE]


@pytest.mark.parametrize("name", GPX)
def test_plans_days_and_marks_of_any_text_are_valid_gpx(made, name):
    schema().validate(str(made / f"{name}.gpx"))


@pytest.mark.parametrize("name", ["merge.kml", "merge.gpkg"])
def test_gis_files_hold_the_text_as_text(made, name):
    import xml.etree.ElementTree as ET

    import pyogrio

    frame = pyogrio.read_dataframe(made / name, layer="marks")
    names = frame["Name" if name.endswith("kml") else "name"]
    assert all(SHOWN in n and "{{7*7}}" in n for n in names)
    if name.endswith("kml"):
        tags = {e.tag.rpartition("}")[2] for e in ET.parse(made / name).iter()}
        assert not tags & {"img", "svg", "script", "b"}
    else:
        styles = pyogrio.read_dataframe(made / name, layer="layer_styles")
        for text in styles["styleSLD"]:
            tags = {e.tag.rpartition("}")[2] for e in ET.fromstring(text).iter()}
            assert not tags & {"img", "svg", "script", "b"}


@pytest.mark.browser
@pytest.mark.parametrize("name", PAGES)
def test_no_text_becomes_an_element_or_runs_on_a_page(made, browser, name):
    page = browser.new_page()
    wrong = []
    page.on("pageerror", lambda e: wrong.append(str(e)))
    page.on("dialog", lambda d: (wrong.append(d.message), d.dismiss()))
    page.goto((made / f"{name}.html").as_uri())
    page.wait_for_load_state()
    if name != "day":
        page.wait_for_selector("html[data-ready=true]", state="attached")
        for button in page.locator("#list button").all():
            button.click()
    assert page.evaluate("window.canary") is None
    assert page.locator(".canary, [onerror], [onload], img[src=x]").count() == 0
    assert "\u202e" not in page.content()
    if name not in ("hold", FILE):
        assert SHOWN in page.inner_text("body"), "it is shown as text"
    assert "49" not in page.title()
    assert wrong == []
    page.close()
