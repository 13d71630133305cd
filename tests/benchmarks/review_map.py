"""The review map against folium with one marker each; run by hand.

    python tests/benchmarks/review_map.py [--quick]

Ours holds three sightings a mark with their lines to the boat, tracks and near pairs, and Leaflet
itself; the peer holds each mark's place and name and takes Leaflet from the network. Seconds until
a page can be used are of headless Chromium with the network off, by the clock: ours says so itself
(``data-ready``), the peer's when it has loaded and drawn a frame. For the peer alone Leaflet is handed over
from this disk, and a stand-in of one line for the one call of jQuery that it makes a marker.
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
from pairing import Row, alone, paired, scratch, shown
from scenes import scene

from athwart.review.map import review_map

ROUNDS = 3
CHROMIUM = Path("/usr/bin/chromium")
JQUERY = "window.$ = t => { const d = document.createElement('div'); d.innerHTML = t; return d.children; };"
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


def in_browser(n: int, html: str, peer_html: str) -> Iterator[Row]:
    """Time both pages in Chromium, in turn."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return
    if not CHROMIUM.exists():
        return
    with scratch() as folder, sync_playwright() as play:
        ours, theirs = Path(folder) / "ours.html", Path(folder) / "peer.html"
        ours.write_text(html, encoding="utf-8")
        theirs.write_text(peer_html, encoding="utf-8")
        chromium = play.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
        )
        ready, loaded, found, frames = [], [], [], []
        for _ in range(ROUNDS):
            context = chromium.new_context(viewport={"width": 1280, "height": 800}, offline=True)
            page = context.new_page()
            start = time.perf_counter()
            page.goto(ours.as_uri())
            page.wait_for_selector("html[data-ready=true]", state="attached")
            ready.append(time.perf_counter() - start)
            page.fill("#find", f"wreck {n - n % 11 - 7}")
            page.press("#find", "Enter")
            page.wait_for_selector(".card")
            found.append(time.perf_counter() - start)
            page.keyboard.press("Escape")
            page.click("#whole")
            frames.append(page.evaluate(FRAMES))
            context.close()
            context = chromium.new_context(viewport={"width": 1280, "height": 800})
            context.route(re.compile("^http"), handed_over)
            page = context.new_page()
            start = time.perf_counter()
            page.goto(theirs.as_uri())
            page.wait_for_selector(".leaflet-marker-icon", state="attached")
            page.evaluate("() => new Promise(requestAnimationFrame)")
            loaded.append(time.perf_counter() - start)
            context.close()
        chromium.close()
    first = statistics.median(ready)
    yield Row(
        f"map of {n:,} marks: until it can be used",
        shown(first),
        f"folium {shown(statistics.median(loaded))}",
        statistics.median(a / b for a, b in zip(ready, loaded, strict=True)),
        "under 2 s",
        first < 2.0,
    )
    yield Row(f"map of {n:,} marks: until one was found", shown(statistics.median(found)))
    yield Row(
        f"map of {n:,} marks: a frame of panning over all", shown(statistics.median(frames) / 1e3)
    )


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
        yield from in_browser(n, pages["ours"], pages["peer"])


if __name__ == "__main__":
    alone(measure)
