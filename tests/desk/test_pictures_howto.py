"""The picture-led how-to is true: its steps name what the pages show, its pictures are there.

With ATHWART_SCREENSHOTS=1 the test makes the pictures anew (see DEVELOPERS.md).
"""

from __future__ import annotations

import os
import re
from io import BytesIO
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from PIL import Image
from walking import PICTURES, folder_with_a_book, paused, walk

import athwart
from athwart.fix import fix
from athwart.tables import Picks

PAGE = Path(__file__).parents[2] / "docs" / "pictures-howto.md"
WIDTH, MOST_BYTES, MOST_HEIGHT = 900, 80_000, 960


def sections():
    """Return the text of each numbered step."""
    parts = re.split(r"^## (\d+)\. ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    texts = [re.split(r"^## ", p, flags=re.MULTILINE)[0] for p in parts[2::2]]
    return dict(zip(map(int, parts[1::2]), texts, strict=True))


def labels(text):
    """Return what a step calls by name: the words in bold."""
    return [" ".join(w.split()) for w in re.findall(r"\*\*([^*]+)\*\*", text)]


def pictures():
    return re.findall(r"\]\(figures/pictures/([\w-]+)\.png\)", PAGE.read_text(encoding="utf-8"))


def plain(text):
    return " ".join(text.split()).casefold()


def shown(page):
    """Return all words that a person can see on a page, its choices and what is typed with them."""
    return plain(
        page.evaluate(
            """() => {
            const seen = (e) => e.checkVisibility({ visibilityProperty: true });
            const choices = [...document.querySelectorAll('option')].filter((o) => seen(o.parentElement));
            const typed = [...document.querySelectorAll('input:not([type=file]), textarea')].filter(seen);
            return [document.body.innerText, ...choices.map((o) => o.label), ...typed.map((i) => i.value)].join('\\n');
        }"""
        )
    )


def test_the_steps_are_numbered_and_every_picture_is_there_and_small():
    assert list(sections()) == list(range(1, 12))
    assert all(labels(t) for t in sections().values())
    names = pictures()
    assert len(names) == len(set(names)) >= 6
    assert {p.stem for p in PICTURES.glob("*")} == set(names)
    for name in names:
        path = PICTURES / f"{name}.png"
        assert path.stat().st_size <= MOST_BYTES, path
        with Image.open(path) as image:
            assert image.mode == "P"
            assert image.width == WIDTH
            assert image.height <= MOST_HEIGHT


def test_what_limits_a_position_is_told_as_fix_has_it():
    """The table of the explanation, against `fix` and geodesics of geographiclib."""
    text = (PAGE.parent / "explanation.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| the (\w+) \| ([\d.]+) \S.*\| ([\d.]+) m \| ([\d.]+) m \|$", text, re.M)
    assert [r[0] for r in rows] == ["pixel", "altitude", "heading", "time"]

    def placed(out, pixel=0.0, altitude=0.0, heading=0.0, time=0.0):
        pick = {
            "lon": 12.0, "lat": 54.0, "heading_deg": heading, "course_deg": 0.0, "side": "starboard",
            "slant_range_m": np.hypot(out, 9.5) + pixel, "depth_m": 9.5 + altitude,
            "seconds_back": 10.0 + time, "speed_mps": 2.0,
        }  # fmt: skip
        found = fix(Picks.from_columns(pick)).sightings
        return float(found.lat[0]), float(found.lon[0])

    for what, by, *moves in rows:
        for out, told in zip((20.0, 3.0), moves, strict=True):
            moved = Geodesic.WGS84.Inverse(*placed(out), *placed(out, **{what: float(by)}))
            assert float(told) == pytest.approx(moved["s12"], abs=0.051), (what, out)


@pytest.mark.browser
def test_the_steps_lead_from_the_screen_to_the_plotters_file(visit, desk, tmp_path):
    made, folder = paused(), tmp_path / "boat"
    folder_with_a_book(folder, made)
    desk.desk.book, desk.desk.folder = None, folder
    page = visit("/pictures", width=WIDTH, height=900)
    words: dict[int, str] = {}
    taken = []
    for step, picture, parts in walk(page, desk.home, folder, made):
        words[step] = f"{words.get(step, '')} {shown(page)}"
        if picture:
            taken.append(picture)
            if os.environ.get("ATHWART_SCREENSHOTS"):
                keep(picture, photograph(page, parts))
    assert sorted(taken) == sorted(pictures())
    for step, text in sections().items():
        for label in labels(text):
            assert plain(label) in words[step], f"step {step} does not show {label!r}"
    written = (folder / "for-plotter.gpx").read_text(encoding="utf-8")
    assert [w.name for w in gpxpy.parse(written).waypoints]


def photograph(page, parts):
    """Return the strip of the page, as wide as it is, that holds some parts of it."""
    page.evaluate("document.activeElement?.blur()")
    page.mouse.move(2, 2)
    boxes = [p.bounding_box() for p in parts]
    above = page.evaluate("window.scrollY")
    top = min(b["y"] for b in boxes) + above - 8
    end = max(b["y"] + b["height"] for b in boxes) + above + 8
    told = page.locator("#told")
    told.evaluate("e => { e.style.visibility = 'hidden'; }")
    taken = page.screenshot(
        full_page=True, clip={"x": 0, "y": top, "width": WIDTH, "height": end - top}
    )
    told.evaluate("e => { e.style.visibility = ''; }")
    return taken


def keep(name, png):
    """Write a picture in the page's own colours and as many greys as fit into its bytes."""
    image = Image.open(BytesIO(png)).convert("RGB")
    PICTURES.mkdir(parents=True, exist_ok=True)
    for greys in (40, 28, 20, 14, 10, 8, 6):
        out = BytesIO()
        palette = Image.new("P", (1, 1))
        palette.putpalette([v for colour in page_colours(greys) for v in colour])
        image.quantize(palette=palette, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
        if len(out.getvalue()) <= MOST_BYTES:
            break
    (PICTURES / f"{name}.png").write_bytes(out.getvalue())


def page_colours(greys):
    """Return the colours of desk.css by day, what lies between ink and paper, and some greys."""
    css = (Path(athwart.__file__).parent / "desk" / "static" / "desk.css").read_text("utf-8")
    day = dict(re.findall(r"--(\w+): #([0-9a-f]{6});", css.split("}")[0]))
    rgb = {n: [int(c[k : k + 2], 16) for k in (0, 2, 4)] for n, c in day.items()}

    def between(a, b):
        return [
            [round(x + (y - x) * part) for x, y in zip(rgb[a], rgb[b], strict=True)]
            for part in (0.2, 0.4, 0.6, 0.8)
        ]

    levels = [[round(255 * k / (greys - 1))] * 3 for k in range(greys)]
    return [*rgb.values(), *between("ink", "paper"), *between("faint", "paper"),
            *between("accent", "paper"), *levels]  # fmt: skip
