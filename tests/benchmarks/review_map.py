"""Measure the review map of 5,000 marks and 15,000 sightings; run by hand.

Prints bytes, seconds to make, seconds until the page is usable in headless Chromium with the
network off, and the same seconds for folium's own circle markers as the peer for making.

    python tests/benchmarks/review_map.py
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "review"))

import folium
from scenes import scene

from athwart.review.map import review_map

ROUNDS = 5


def peer(marks) -> str:
    page = folium.Map(location=[51.25, -24.5], tiles=None, prefer_canvas=True)
    for lon, lat, name in zip(marks.lon, marks.lat, marks.name, strict=True):
        folium.CircleMarker([lat, lon], radius=5, popup=name).add_to(page)
    return page.get_root().render()


def timed(work):
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def browser_seconds(html: str) -> None:
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        print("playwright is not installed; nothing measured in a browser")
        return
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        path = Path(folder) / "map.html"
        path.write_text(html, encoding="utf-8")
        chromium = play.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        drawn, found, redraw = [], [], []
        for _ in range(ROUNDS):
            context = chromium.new_context(viewport={"width": 1280, "height": 800}, offline=True)
            page = context.new_page()
            start = time.perf_counter()
            page.goto(path.as_uri())
            page.wait_for_selector("html[data-ready=true]", state="attached")
            drawn.append(time.perf_counter() - start)
            page.fill("#find", "wreck 4998")
            page.press("#find", "Enter")
            page.wait_for_selector(".card")
            found.append(time.perf_counter() - start)
            page.keyboard.press("Escape")
            page.click("#whole")
            redraw.append(
                page.evaluate(
                    """async () => { const frames = 30, t = performance.now();
                    for (let i = 0; i < frames; i++) { map_sheet.panBy([i % 2 ? 9 : -9, 0], {animate: false});
                      await new Promise(requestAnimationFrame); await new Promise(requestAnimationFrame); }
                    return (performance.now() - t) / frames / 2; }"""
                )
            )
            context.close()
        chromium.close()
    print(f"drawn after        {statistics.median(drawn):6.2f} s (worst {max(drawn):.2f})")
    print(f"one found after    {statistics.median(found):6.2f} s (worst {max(found):.2f})")
    print(f"a frame of panning {statistics.median(redraw):6.1f} ms over all 5,000")


def main() -> None:
    """Run everything once and print it."""
    marks, sightings, tracks, near = scene(5000, width_m=8000)
    runs = [
        timed(
            lambda: review_map(
                marks=marks, sightings=sightings, tracks=tracks, near_pairs=near, title="5,000"
            )
        )
        for _ in range(ROUNDS)
    ]
    seconds, html = statistics.median(r[0] for r in runs), runs[0][1]
    peer_seconds, peer_html = timed(lambda: peer(marks))
    print(
        f"bytes              {len(html.encode()):,} (peer, marks alone: {len(peer_html.encode()):,})"
    )
    print(
        f"made in            {seconds:6.2f} s (peer {peer_seconds:.2f} s, ratio {seconds / peer_seconds:.3f})"
    )
    browser_seconds(html)


if __name__ == "__main__":
    main()
