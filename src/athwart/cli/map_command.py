"""``athwart map``: a review map in one file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

import click

from athwart.cli.common import common_options, length, many, say, shown_units
from athwart.errors import UsageError


@click.command("map", short_help="Draw a review map: one page that works offline.")
@click.argument(
    "sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SRC..."
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="HTML file to write."
)
@click.option("--background", type=click.Path(path_type=Path), help="Coastline or other outlines.")
@click.option("--title", default="", help="Heading of the page.")
@click.option(
    "--tiles", help="Tile server address. Whoever runs it learns which waters you look at."
)
@click.option("--attribution", default="", help="Whom the tile server wants named.")
@length("--sigma", default="4m", help="Error per axis of a waypoint, 1 sigma.")
@click.option("--saved-at", type=click.Choice(["mark", "boat"]), default="mark")
@common_options("trip", "tz", "units", "skip_bad", "overwrite", "ballpark", "debug")
def command(
    sources: tuple[Path, ...],
    output: Path,
    background: Path | None,
    title: str,
    tiles: str | None,
    attribution: str,
    sigma: float,
    saved_at: Literal["mark", "boat"],
    trip: str,
    time_zone: str,
    units: str | None,
    skip_bad: bool,
    overwrite: bool,
    allow_ballpark: bool,
    debug: bool,
) -> int:
    """Draw a review map of marks, sightings and tracks."""
    from athwart.formats import ReadOptions, atomic_write, check_target, read_background
    from athwart.gather import gather, near_pairs
    from athwart.merge import merge
    from athwart.review.map import review_map

    if output.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"the map {output.name} must end in .html")
    check_target(output, overwrite=overwrite)
    if tiles:
        say(f"warning: when the map is opened, {tiles} learns which waters you look at")
    found = gather(
        sources,
        options=ReadOptions(time_zone=time_zone or None, allow_ballpark=allow_ballpark),
        sigma_m=sigma,
        saved_at=saved_at,
        trip=trip,
        skip_bad=skip_bad,
    )
    for word in found.words:
        say(f"note: {word}")
    merged = merge(found.sightings)
    outlines = None
    if background is not None:
        frame = read_background(background, allow_ballpark=allow_ballpark)
        outlines = json.loads(frame.geometry.to_json())
    page = review_map(
        marks=merged.marks,
        sightings=merged.sightings,
        tracks=found.tracks,
        mark_of=merged.mark_of,
        near_pairs=near_pairs(merged.report, shown_units(units)),
        background=outlines,
        units=shown_units(units),
        title=title,
        tiles=tiles,
        attribution=attribution,
    )
    with atomic_write(output, overwrite=overwrite) as temporary:
        temporary.write_text(page, encoding="utf-8")
    say(f"{many(len(merged.marks), 'mark')} drawn on {output.name}; open it in any browser")
    return 0
