"""``athwart export``: a clean GPX file for a chartplotter."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Literal

import click

from athwart.cli.common import (
    common_options,
    length,
    print_json,
    read_options,
    say,
    say_rejected,
    shown_units,
    write_rejected,
)
from athwart.errors import DataError, UsageError
from athwart.progress import Progress
from athwart.units import many


@click.command("export", short_help="Write a clean GPX file for a chartplotter.")
@click.argument(
    "sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SRC..."
)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="GPX file to write.")
@click.option(
    "--card", type=click.Path(path_type=Path), help="Folder of a memory card to write to instead."
)
@click.option("--limits", "limits_file", type=click.Path(path_type=Path), help="Limits (TOML).")
@click.option("--kind", "kinds", multiple=True, help="Only this kind; may be given several times.")
@click.option("--within", type=click.Path(path_type=Path), help="Only inside this area (polygons).")
@click.option("--clean", is_flag=True, help="Leave out all but what every plotter reads.")
@length("--blur", help="Move marks by up to so much, for sharing.")
@click.option("--tracks/--no-tracks", default=False, help="Write tracks and routes too.")
@length("--simplify", help="Leave out track points within so much of the line.")
@length("--sigma", default="4m", show_default=True, help="Error per axis of a waypoint, 1 sigma.")
@click.option("--saved-at", type=click.Choice(["mark", "boat"]), default="mark")
@common_options(
    "json", "trip", "tz", "date", "units", "skip_bad", "overwrite", "ballpark", "private", "debug"
)
def command(
    sources: tuple[Path, ...],
    output: Path | None,
    card: Path | None,
    limits_file: Path | None,
    kinds: tuple[str, ...],
    within: Path | None,
    clean: bool,
    blur: float | None,
    tracks: bool,
    simplify: float | None,
    sigma: float,
    saved_at: Literal["mark", "boat"],
    as_json: bool,
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
    """Write marks as GPX 1.1 under a plotter's limits.

    Marks that the files hold are written as they are; waypoints and sightings are merged first.
    """
    from athwart.formats import read_areas
    from athwart.gather import gather, settle
    from athwart.handover import blurred, export_marks
    from athwart.plotter import Limits, select

    if (output is None) == (card is None):
        raise UsageError("give either -o OUT.gpx or --card FOLDER")
    if output is not None and output.suffix.lower() != ".gpx":
        raise UsageError(f"{output.name} must end in .gpx; athwart merge writes other formats")
    if blur is not None and not blur > 0:
        raise UsageError("--blur must be more than 0, such as --blur 500m")
    limits = Limits() if limits_file is None else Limits.from_toml(limits_file)
    with Progress() as told:
        edits = _edits_made_elsewhere(sources)
        found = gather(
            sources,
            options=read_options(
                time_zone,
                day,
                allow_ballpark=allow_ballpark,
                depth_element=limits.depth_element,
                with_private=with_private,
            ),
            sigma_m=sigma,
            saved_at=saved_at,
            trip=trip,
            skip_bad=skip_bad,
            told=told,
        )
        told(f"merging {many(len(found.sightings), 'sighting')}")
        marks, sightings, _ = settle(found)
    words = [*edits, *found.words]
    area = None if within is None else read_areas(within, allow_ballpark=allow_ballpark)
    chosen = select(marks, kinds=kinds, within=area)
    if not len(chosen) and not (tracks and len(found.tracks)):
        raise DataError("no mark is left to export; check --kind and --within")
    shared = blur is not None
    true_id: dict[str, str] = {}
    if blur is not None:
        chosen, said, true_id = blurred(chosen, blur)
        words += said
        if tracks:
            words.append("tracks and routes are left out of a blurred file")
    with Progress() as told:
        told(f"writing {many(len(chosen), 'mark')}")
        files, said, handed = export_marks(
            chosen,
            output if output is not None else card or Path(),
            limits=limits,
            clean=clean or shared,
            overwrite=overwrite,
            sightings=None if shared else sightings,
            tracks=found.tracks if tracks and not shared else None,
            routes=found.routes if tracks and not shared else None,
            simplify_m=simplify,
            to_card=card is not None,
            units=shown_units(units),
        )
    words += said
    if found.final:
        from athwart.book.handed import remember

        words += remember(sources[0], handed, true_id)
    if output is not None:
        write_rejected(found.rejected, output)
    else:
        say_rejected(found.rejected)
    if as_json:
        print_json({"files": [str(f) for f in files], "marks": len(chosen), "notes": words})
    else:
        for word in words:
            say(f"note: {word}")
        say(f"{many(len(chosen), 'mark')} written to {', '.join(Path(f).name for f in files)}")
    return 0


def _edits_made_elsewhere(sources: tuple[Path, ...]) -> list[str]:
    """Let a book take in what was edited in another program, before it is handed over."""
    from athwart.book.handed import with_edits
    from athwart.book.store import is_book

    if len(sources) != 1 or not sources[0].is_file() or not is_book(sources[0]):
        return []
    return with_edits(sources[0])
