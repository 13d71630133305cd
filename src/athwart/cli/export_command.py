"""``athwart export``: a clean GPX file for a chartplotter."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click
import numpy as np

from athwart.cli.common import (
    common_options,
    length,
    print_json,
    read_options,
    say,
    shown_units,
    write_rejected,
)
from athwart.errors import DataError, FileError, UsageError
from athwart.progress import Progress
from athwart.units import UnitSystem, many

if TYPE_CHECKING:
    from athwart.plotter import Limits
    from athwart.tables import Marks, Sightings, Track


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
        from athwart.sharing import blur as move
        from athwart.sharing import blurred_ids, key_from_settings

        key = key_from_settings()
        true_id = dict(zip(blurred_ids(chosen.mark_id, blur, key), chosen.mark_id, strict=True))
        chosen, said = move(chosen, blur, key)
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
        words += _remember(sources[0], handed, true_id)
    if output is not None:
        write_rejected(found.rejected, output)
    else:
        for name, row in found.rejected:
            say(f"left out, {name}: {row.sentence()}")
    if as_json:
        print_json({"files": [str(f) for f in files], "marks": len(chosen), "notes": words})
    else:
        for word in words:
            say(f"note: {word}")
        say(f"{many(len(chosen), 'mark')} written to {', '.join(Path(f).name for f in files)}")
    return 0


def _edits_made_elsewhere(sources: tuple[Path, ...]) -> list[str]:
    """Let a book take in what was edited in another program, before it is handed over."""
    from athwart.book.store import is_book, open_book
    from athwart.book.work import take_in

    if len(sources) != 1 or not sources[0].is_file() or not is_book(sources[0]):
        return []
    try:
        with open_book(sources[0], write=True) as store:
            return [*take_in(store), *store.words]
    except FileError:  # read only or in use: it is handed over as it stands
        return []


def _remember(book: Path, handed: list[tuple[str, Marks]], true_id: dict[str, str]) -> list[str]:
    """Note in the book what was handed over, so that it knows its marks when they come back."""
    from athwart.book.store import open_book
    from athwart.book.work import hand_over

    known = [
        (name, marks.with_columns(mark_id=[true_id.get(i, i) for i in marks.mark_id]))
        for name, marks in handed
    ]
    try:
        with open_book(book, write=True) as store:
            hand_over(store, known)
    except FileError as error:
        return [f"{error}; so the book will not know these marks when the plotter gives them back"]
    return []


def export_marks(
    marks: Marks,
    target: Path,
    *,
    limits: Limits,
    clean: bool,
    overwrite: bool,
    sightings: Sightings | None = None,
    tracks: Track | None = None,
    routes: Track | None = None,
    simplify_m: float | None = None,
    to_card: bool = False,
    units: UnitSystem = "metric",
) -> tuple[tuple[Path, ...], tuple[str, ...], list[tuple[str, Marks]]]:
    """Write marks under limits to ``target`` and, where they do not fit, numbered files beside it.

    Parameters
    ----------
    marks, sightings, tracks, routes
        What to write; sightings go along in the full form only.
    target : pathlib.Path
        A GPX file, or the folder of a card if ``to_card``.
    limits : Limits
        What the plotter accepts.
    clean, overwrite : bool
        Leave our own fields out; replace existing files.
    simplify_m : float, optional
        Tolerance of track points, metres.
    to_card : bool
        Short plain names, free space checked, read back.
    units : {"metric", "feet", "fathoms"}
        What R95 and depths in the notes are written in.

    Returns
    -------
    files : tuple of pathlib.Path
        What was written.
    words : tuple of str
        What was done to the data.
    handed : list of (str, Marks)
        Name of each file and the marks as they stand in it.
    """
    import tempfile
    from dataclasses import replace

    from athwart.formats import WriteOptions, check_target, write
    from athwart.plotter import prepare

    prepared = prepare(
        marks, limits, tracks=tracks, routes=routes, simplify_m=simplify_m, units=units
    )
    options = WriteOptions(clean=clean, depth_element=limits.depth_element)
    contents = list(prepared.files)
    if sightings is not None and not clean:
        for i, part in enumerate(contents):
            members = {s for ids in part.marks.sighting_ids for s in ids.split()}
            keep = np.array([s in members for s in sightings.sighting_id], dtype=bool)
            contents[i] = replace(part, sightings=sightings.take(keep))
    words = list(prepared.words)
    if to_card:
        from athwart.card import card_names, write_card

        names = card_names("marks", len(contents))
        with tempfile.TemporaryDirectory() as folder:
            made: dict[str, bytes] = {}
            for name, part in zip(names, contents, strict=True):
                path = Path(folder) / f"{Path(name).stem}.gpx"
                words += write(path, part, options=options).words
                made[name] = path.read_bytes()
        words += write_card(target, made, overwrite=overwrite)
        handed = [(n, part.marks) for n, part in zip(names, contents, strict=True)]
        return tuple(target / n for n in names), tuple(words), handed
    paths = [target] + [
        target.with_name(f"{target.stem}-{i}{target.suffix}") for i in range(2, len(contents) + 1)
    ]
    for path in paths:  # all or none: nothing is written before every target is known to be free
        check_target(path, overwrite=overwrite)
    for path, part in zip(paths, contents, strict=True):
        words += write(path, part, overwrite=overwrite, options=options).words
    handed = [(p.name, part.marks) for p, part in zip(paths, contents, strict=True)]
    return tuple(paths), tuple(words), handed
