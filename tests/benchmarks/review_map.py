"""The review map against folium with one marker each; run by hand.

    python tests/benchmarks/review_map.py [--quick]

Ours holds three sightings a mark with their lines to the boat, tracks and near pairs, and Leaflet
itself; the peer holds each mark's place and name and takes Leaflet from the network. Seconds until
a page can be used are of headless Chromium by the clock, from asking for the page until the first
click on a mark was answered with its card; an empty page shows what of it is the browser's own. For the
peer alone Leaflet is handed over from this disk, and a stand-in of one line for the one call of jQuery
that it makes a marker; nothing comes from the network.
"""

from __future__ import annotations

import re
import statistics
import sys
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "review"))

import folium
import numpy as np
from pairing import Row, alone, paired, scratch, shown
from scenes import scene

from athwart.review.map import review_map

ROUNDS = 3
PATIENCE_S = 30.0
CHROMIUM = Path("/usr/bin/chromium")
JQUERY = "window.$ = t => { const d = document.createElement('div'); d.innerHTML = t; return d.children; };"
READY = "html[data-ready=true], .leaflet-marker-icon, p.empty"
EMPTY = '<!doctype html><html lang="en"><title>empty</title><p class="empty">empty</p></html>'
OURS_AT = """() => { const box = map_sheet.getContainer().getBoundingClientRect();
const at = map_sheet.latLngToContainerPoint([%.7f, %.7f]); return [box.x + at.x, box.y + at.y]; }"""
PEER_AT = """() => { for (const icon of document.querySelectorAll('.leaflet-marker-icon')) {
  const box = icon.getBoundingClientRect(), x = box.x + box.width / 2, y = box.y + box.height / 2;
  if (x > 100 && y > 100 && x < innerWidth - 100 && y < innerHeight - 100) return [x, y]; } }"""
FRAMES = """async () => { const frames = 30, t = performance.now();
for (let i = 0; i < frames; i++) { map_sheet.panBy([i % 2 ? 9 : -9, 0], {animate: false});
  await new Promise(requestAnimationFrame); await new Promise(requestAnimationFrame); }
return (performance.now() - t) / frames / 2; }"""


def peer(marks) -> str:
    """Return the peer's page."""
    page = folium.Map(location=[51.25, -24.5], tiles=None)
    for lon, lat, name in zip(marks.lon, marks.lat, marks.name, strict=True):
        folium.Marker([lat, lon], popup=name).add_to(page)
    return page.get_root().render()


def handed_over(route) -> None:
    """Give the peer's page Leaflet, and nothing else of what it asks the network for."""
    name = route.request.url.rsplit("/", 1)[-1]
    held = files("js_lib_leaflet") / "static" / "js_lib_leaflet"
    if name in ("leaflet.js", "leaflet.css"):
        kind = "text/javascript" if name.endswith("js") else "text/css"
        route.fulfill(body=(held / name).read_text(encoding="utf-8"), content_type=kind)
    elif name.startswith("jquery"):
        route.fulfill(body=JQUERY, content_type="text/javascript")
    elif name.endswith(".png"):
        image = held / "images" / name
        route.fulfill(body=image.read_bytes(), content_type="image/png")
    else:
        route.abort()


def seconds_until_used(play, page_file: Path, mark: str, card: str) -> tuple[float, float]:
    """Return the seconds from asking for a page until it is drawn, and until a click gave a card.

    A browser of its own each time, started and idle, so that no page waits for another's end. What
    takes longer than `PATIENCE_S` counts as that.
    """
    from playwright.sync_api import TimeoutError as TooSlow

    drawn = PATIENCE_S
    chromium = play.chromium.launch(
        executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
    )
    try:
        context = chromium.new_context(viewport={"width": 1280, "height": 800})
        context.route(re.compile("^http"), handed_over)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_S * 1e3)
        start = time.perf_counter()
        page.goto(page_file.as_uri())
        page.wait_for_selector(READY, state="attached")
        page.wait_for_function("() => true")  # asked on a frame
        drawn = time.perf_counter() - start
        page.mouse.click(*page.evaluate(mark))
        page.wait_for_selector(card)
        return drawn, time.perf_counter() - start
    except TooSlow:
        return drawn, PATIENCE_S
    finally:
        chromium.close()


def waited(seconds: float) -> str:
    """Return the seconds as text, or that patience ended."""
    return shown(seconds) if seconds < PATIENCE_S else f"over {PATIENCE_S:.0f} s"


def panning(play, page_file: Path, name: str) -> tuple[float, float]:
    """Return the seconds from a name's first letter to its card, and those of a frame of panning."""
    chromium = play.chromium.launch(
        executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
    )
    try:
        context = chromium.new_context(viewport={"width": 1280, "height": 800}, offline=True)
        page = context.new_page()
        page.goto(page_file.as_uri())
        page.wait_for_selector(READY, state="attached")
        frame = page.evaluate(FRAMES) / 1e3
        start = time.perf_counter()
        page.fill("#find", name)
        page.press("#find", "Enter")
        page.wait_for_selector(".card")
        return time.perf_counter() - start, frame
    finally:
        chromium.close()


def in_browser(n: int, pages: dict[str, str], marks) -> Iterator[Row]:
    """Time the pages in Chromium, in turn, each until the first click on a mark was answered."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return
    if not CHROMIUM.exists():
        return
    middle = int(np.argmin(np.hypot(marks.lon - marks.lon.mean(), marks.lat - marks.lat.mean())))
    on_sheet = OURS_AT % (marks.lat[middle], marks.lon[middle])
    with scratch() as folder, sync_playwright() as play:
        files = {name: Path(folder) / f"{name}.html" for name in (*pages, "empty")}
        for name, text in {**pages, "empty": EMPTY}.items():
            files[name].write_text(text, encoding="utf-8")
        clicked = {
            "ours": (on_sheet, ".card"),
            "alone": (on_sheet, ".card"),
            "peer": (PEER_AT, ".leaflet-popup"),
            "empty": ("[9, 9]", "p"),
        }
        took: dict[str, list[tuple[float, float]]] = {name: [] for name in clicked}
        for k in range(ROUNDS):
            for name in list(clicked)[:: -1 if k % 2 else 1]:
                took[name].append(seconds_until_used(play, files[name], *clicked[name]))
        found, frame = panning(play, files["ours"], f"wreck {n - n % 11 - 7}")
    drawn, used = (
        {name: statistics.median(pair[which] for pair in pairs) for name, pairs in took.items()}
        for which in (0, 1)
    )
    for name, words in (("ours", "all its sightings"), ("alone", "marks alone")):
        yield Row(
            f"map of {n:,} marks: until a click gave a card, {words}",
            shown(used[name]),
            f"folium, marks alone {waited(used['peer'])}",
            statistics.median(a[1] / b[1] for a, b in zip(took[name], took["peer"], strict=True)),
            "under 2 s",
            used[name] < 2.0,
        )
    yield Row(
        f"map of {n:,} marks: until it was drawn",
        shown(drawn["ours"]),
        f"folium {waited(drawn['peer'])}, an empty page {shown(drawn['empty'])}",
    )
    yield Row(f"map of {n:,} marks: from a name to its card", shown(found))
    yield Row(f"map of {n:,} marks: a frame of panning over all", shown(frame))


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows."""
    for n in (1_000,) if quick else (1_000, 10_000):
        marks, sightings, tracks, near = scene(n, width_m=8000 if n < 5000 else 11_000)
        pages: dict[str, str] = {}

        def ours(marks=marks, sightings=sightings, tracks=tracks, near=near, pages=pages) -> None:
            pages["ours"] = review_map(
                marks=marks, sightings=sightings, tracks=tracks, near_pairs=near, title="benchmark"
            )

        def theirs(marks=marks, pages=pages) -> None:
            pages["peer"] = peer(marks)

        yield paired(ours, theirs, 3, warm=n < 5000).row(f"map of {n:,} marks: made", "folium")
        other = len(pages["peer"].encode())
        alone_page = review_map(marks=marks, title="benchmark")
        for what, page in (("all its sightings", pages["ours"]), ("marks alone", alone_page)):
            size = len(page.encode())
            yield Row(
                f"map of {n:,} marks: size, {what}",
                f"{size / 1e6:.2f} MB",
                f"folium, marks alone {other / 1e6:.2f} MB",
                size / other,
                "under 0.25 x" if n >= 10_000 else "",
                size / other < 0.25 if n >= 10_000 else None,
            )
        yield from in_browser(n, {**pages, "alone": alone_page}, marks)


if __name__ == "__main__":
    alone(measure)
