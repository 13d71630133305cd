"""The way of docs/pictures-howto.md, gone in a browser: from a paused screen to a plotter's file.

The scenario is invented: a stone, a trunk and a step in the seabed, none of which exists.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from driving import drop, on_screen, point_at, tell_when_and_where, turn_to
from geographiclib.geodesic import Geodesic
from paused_frame import BODIES, frame
from season import run

PICTURES = Path(__file__).parents[2] / "docs" / "figures" / "pictures"

STONE, TRUNK = 1, 3
CORNERS = ((626, 4), (585, 60), (542, 97), (499, 124))
"""Along the edge of the step, on the starboard side."""


def paused():
    """Return the made screen: few greys and no speckle, so that its pictures stay small."""
    return frame(
        lines=420, columns=760, bodies=(BODIES[0], replace(BODIES[1], height_m=2.0), *BODIES[2:4]), bottom="ledge", looks=60, noise=0.0,
        ripple_m=0.0, relief_m=0.02,
    )  # fmt: skip


def folder_with_a_book(folder: Path, made: Any) -> Path:
    """Make the folder of a boat: a book that has the stone from an old card, 24 m off."""
    folder.mkdir()
    at = Geodesic.WGS84.Direct(made.targets[STONE]["lat"], made.targets[STONE]["lon"], 60, 24)
    (folder / "card.gpx").write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="card" '
        'xmlns="http://www.topografix.com/GPX/1/1">'
        f'<wpt lat="{at["lat2"]:.6f}" lon="{at["lon2"]:.6f}"><name>OLD ROCK</name></wpt></gpx>'
    )
    run("book", "add", folder / "season.gpkg", folder / "card.gpx")
    run("book", "merge", folder / "season.gpkg")
    return folder / "season.gpkg"


Step = tuple[int, str, list[Any]]
"""Number of the step, name of its screenshot or nothing, and what is to be seen on it."""


def walk(page: Any, home: str, folder: Path, made: Any) -> Iterator[Step]:
    """Go the way, stopping wherever the how-to names what is on the page.

    Parameters
    ----------
    page : playwright page
        The desk's page of pictures, with no book open yet.
    home : str
        The desk's address.
    folder : pathlib.Path
        The boat's folder, from `folder_with_a_book`.
    made : Frame
        From `paused`.

    Yields
    ------
    Step
        The page is as it is then until the next step is asked for.
    """
    page.get_by_role("button", name="open the book").wait_for()
    yield 1, "", []
    page.get_by_role("button", name="open the book").click()
    page.get_by_text("Open pictures of a paused screen").wait_for()
    yield 1, "", []

    yield 2, "", []
    drop(page, made)
    entry = page.locator("#pictures > li")
    tools, canvas = entry.locator(".tools-row"), entry.locator("canvas").first
    yield 2, "dropped", [page.locator(".drop"), canvas]

    fields = entry.get_by_text("How the screen is laid out")
    for label, value in (("range limit stands for", made.layout["range_m"]),):
        page.get_by_label(label).fill(f"{value:g}")
        page.get_by_label(label).blur()
    page.get_by_label("a line takes").select_option("seconds")
    page.get_by_label("how much").fill(f"{made.layout['seconds_per_line']:g}")
    page.get_by_label("how much").blur()
    page.get_by_label("keep this layout as").fill("tern.layout.toml")
    page.get_by_role("button", name="save the layout").click()
    page.get_by_text("saved as tern.layout.toml").first.wait_for()
    yield 3, "laid-out", [fields, page.get_by_role("button", name="save the layout")]

    tell_when_and_where(page, made, folder, "2031-05-11 09:40:12")
    words = page.get_by_text(re.compile("^At .* the boat was at"))
    yield 4, "when-and-where", [entry.get_by_text("When, and where the boat was"), words]

    page.get_by_text(re.compile("of the lines are sure")).wait_for()
    page.get_by_role("button", name="drag the bottom line").click()
    yield 5, "bottom", [tools, page.get_by_text(re.compile("of the lines are sure"))]

    page.get_by_role("button", name="point at a thing").click()
    point_at(page, made, *((made.targets[k]["x"], made.targets[k]["y"]) for k in (STONE, TRUNK)))
    list_ = page.locator("ol[aria-label='what was pointed at']")
    for k, (name, kind) in enumerate((("Corner rock", "rock"), ("Old trunk", "timber"))):
        li = list_.locator("li").nth(k)
        li.get_by_text(re.compile("to .* back$")).wait_for()
        for label, text in (("name", name), ("kind", kind)):
            li.get_by_label(label).fill(text)
            li.get_by_label(label).blur()
        li.get_by_text(re.compile(rf"^{k + 1}\. {kind}")).wait_for()
    yield 6, "pointed", [list_.locator("li").first, list_.locator("li").nth(1)]

    t = made.targets[STONE]
    list_.get_by_role("button", name="choose thing 1").click()
    page.get_by_role("button", name="drag a shadow").click()
    at = on_screen(page, made)
    page.mouse.move(*at(t["shadow_x0"], t["shadow_y0"]))
    page.mouse.down()
    page.mouse.move(*at(t["shadow_x1"], t["shadow_y1"]), steps=6)
    page.mouse.up()
    list_.get_by_text(re.compile("stands .* high")).wait_for()
    yield 7, "", []

    page.get_by_role("button", name="draw a line").click()
    point_at(page, made, *CORNERS)
    page.get_by_role("button", name="end the line").wait_for()
    yield 8, "", []
    page.get_by_role("button", name="end the line").click()
    line = list_.locator("li[data-pick='0']")
    line.get_by_text(re.compile("^line, 4 corners")).wait_for()
    for label, text in (("name", "Long step"), ("kind", "ledge")):
        line.get_by_label(label).fill(text)
        line.get_by_label(label).blur()
    line.get_by_text(re.compile("^ledge, 4 corners")).wait_for()
    yield 8, "drawn", [tools, canvas]
    yield 8, "", [page.get_by_text("Where that is")]

    page.get_by_role("button", name="save into the book").click()
    page.get_by_text("2 sightings and 1 line or area saved").first.wait_for()
    yield 9, "", []

    turn_to(page, home + "/marks")
    page.wait_for_selector("html[data-ready=true]", state="attached")
    page.get_by_role("button", name="merge what waits").wait_for()
    yield 10, "", []
    page.get_by_role("button", name="merge what waits").click()
    page.locator("#questions li").first.wait_for()
    yield 10, "folded", [page.locator("#ask-title"), page.locator("#questions li").first]
    page.get_by_role("button", name="no, two things").first.click()
    page.locator("#questions li").first.wait_for(state="detached")
    yield 10, "", []

    turn_to(page, home + "/hand-over")
    page.wait_for_selector("html[data-ready=true]", state="attached")
    page.get_by_text(re.compile("marks? chosen")).wait_for()
    page.get_by_role("button", name="show what it will get").click()
    page.locator("#preview table").wait_for()
    page.locator("#name").fill("for-plotter.gpx")
    yield 11, "handed-over", [page.locator("#see-title"), page.locator("#write")]
    page.locator("#write").click()
    page.get_by_text("written into the folder").first.wait_for()
    yield 11, "", []
