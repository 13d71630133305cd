"""``athwart map``: a review map in one file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from athwart.cli.common import (
    common_options,
    length,
    read_options,
    say,
    shown_units,
    write_rejected,
)
from athwart.cli.planned import is_a_book, read_zones, zones_option
from athwart.errors import FileError, UsageError
from athwart.progress import Progress
from athwart.units import many

if TYPE_CHECKING:
    from athwart.features import Feature
    from athwart.review.map import DrawnShape


@click.command("map", short_help="Draw a review map: one page that works offline.")
@click.argument(
    "sources", nargs=-1, required=False, type=click.Path(path_type=Path), metavar="SRC..."
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="HTML file to write."
)
@click.option(
    "--plan",
    "plans",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Plan that athwart wrote, to draw with the marks. May be given more than once.",
)
@zones_option
@click.option("--background", type=click.Path(path_type=Path), help="Coastline or other outlines.")
@click.option("--title", default="", help="Heading of the page.")
@click.option(
    "--tiles", help="Tile server address. Whoever runs it learns which waters you look at."
)
@click.option("--attribution", default="", help="Whom the tile server wants named.")
@length("--sigma", default="4m", help="Error per axis of a waypoint, 1 sigma.")
@click.option("--saved-at", type=click.Choice(["mark", "boat"]), default="mark")
@common_options(
    "trip", "tz", "date", "units", "skip_bad", "overwrite", "ballpark", "private", "debug"
)
def command(
    sources: tuple[Path, ...],
    output: Path,
    plans: tuple[Path, ...],
    zones_files: tuple[Path, ...],
    background: Path | None,
    title: str,
    tiles: str | None,
    attribution: str,
    sigma: float,
    saved_at: Literal["mark", "boat"],
    trip: str,
    time_zone: str,
    day: datetime | None,
    units: str | None,
    skip_bad: bool,
    overwrite: bool,
    allow_ballpark: bool,
    with_private: bool,
    debug: bool,
) -> int:
    """Draw a review map of marks, sightings, tracks, sonar strips, plans and zones.

    \b
      athwart map marks.gpx strip.tif -o map.html
      athwart map season.gpkg --plan run.geojson -o season.html
    """  # noqa: D301 - click wants the character itself
    from athwart.formats import atomic_write, check_target, read_background
    from athwart.gather import gather, near_pairs, settle
    from athwart.laying import read_overlay
    from athwart.review.map import review_map

    if output.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"the map {output.name} must end in .html")
    if not sources and not plans and not zones_files:
        raise UsageError(
            "give files of marks, a book, or a plan with --plan; there is nothing to draw"
        )
    check_target(output, overwrite=overwrite)
    plan = _planned(plans, zones_files, allow_ballpark)
    if tiles:
        say(f"warning: when the map is opened, {tiles} learns which waters you look at")
    strips = [p for p in sources if p.suffix.lower() in (".tif", ".tiff")]
    sources = tuple(p for p in sources if p not in strips)
    with Progress() as told:
        found = gather(
            sources,
            options=read_options(
                time_zone, day, allow_ballpark=allow_ballpark, with_private=with_private
            ),
            sigma_m=sigma,
            saved_at=saved_at,
            trip=trip,
            skip_bad=skip_bad,
            told=told,
        )
    for word in found.words:
        say(f"note: {word}")
    with Progress() as told:
        told(f"merging {many(len(found.sightings), 'sighting')}")
        marks, sightings, report = settle(found, with_report=True)
        outlines = None
        if background is not None:
            told(f"reading {background.name}")
            frame = read_background(background, allow_ballpark=allow_ballpark)
            outlines = frame.geometry.to_numpy()
        pictures = []
        for path in strips:
            told(f"reading {path.name}")
            pictures.append(read_overlay(path))
        of_plan = f" and {many(len(plan), 'shape')} of a plan" if plan else ""
        told(f"drawing {many(len(marks), 'mark')}{of_plan}")
        drawn = _drawn(sources[0], with_private) if sources and found.final else ()
        page = review_map(
            marks=marks,
            sightings=sightings,
            tracks=found.tracks,
            near_pairs=near_pairs(report, shown_units(units)) if report else (),
            background=outlines,
            pictures=pictures,
            units=shown_units(units),
            shapes=drawn,
            plan=plan,
            title=title,
            tiles=tiles,
            attribution=attribution,
        )
        with atomic_write(output, overwrite=overwrite) as temporary:
            temporary.write_text(page, encoding="utf-8")
    write_rejected(found.rejected, output)
    shown = many(len(marks), "mark")
    if strips:
        shown += f" and {many(len(strips), 'sonar strip')}"
    if plan:
        shown += f" and {many(len(plan), 'shape')} of a plan"
    say(f"{shown} drawn on {output.name}; open it in any browser")
    return 0


def _planned(
    plans: tuple[Path, ...], zones_files: tuple[Path, ...], allow_ballpark: bool
) -> list[Feature]:
    """Return the features of plans, and zones as features."""
    from athwart.formats.shapes import read_features

    for path in plans:
        if is_a_book(path):
            raise FileError(path.name, "is a book, not a plan; give it without --plan")
    zones = read_zones(zones_files, allow_ballpark=allow_ballpark)
    found = [feature for path in plans for feature in read_features(path)]
    return found + (zones.features() if zones else [])


def _drawn(book: Path, with_private: bool) -> list[DrawnShape]:
    """Return the lines and areas of a book as a map draws them."""
    from athwart.book.drawn import shapes_of
    from athwart.book.store import open_book

    with open_book(book) as store, store.reading() as connection:
        found = shapes_of(connection, with_private=with_private)
    return [
        (s.lon.tolist(), s.lat.tolist(), s.area, s.name, s.kind, s.note, float(s.r95_m.max()))
        for s in found
    ]
