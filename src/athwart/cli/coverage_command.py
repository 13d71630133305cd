"""``athwart coverage``: what the side-scan has really seen."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    print_json,
    read_boat,
    read_options,
    say,
    show,
    shown_units,
)
from athwart.cli.planned import plan_of, plan_output, write_plan
from athwart.errors import DataError, UsageError
from athwart.progress import Progress
from athwart.units import (
    many,
)

if TYPE_CHECKING:
    from athwart.formats import ReadOptions
    from athwart.plan.coverage import Coverage
    from athwart.plan.passes import Passes, Sides
    from athwart.tables import Track


@click.command("coverage", short_help="Show what the side-scan has seen, and what not yet.")
@click.argument(
    "tracks", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="TRACK..."
)
@length(
    "--range", "range_m", required=True, help="Slant range of the screen, one side: 40m, 130ft."
)
@length("--depth", help="The sounder's depth, for tracks that have none: 6m, 20ft.")
@click.option(
    "--side",
    "sides",
    type=click.Choice(["both", "port", "starboard"]),
    default="both",
    help="Where the side-scan looked.",
)
@click.option(
    "--area", "area_file", type=click.Path(path_type=Path), help="What is to be seen (polygons)."
)
@length("--smallest", default="5m", show_default=True, help="Leave out holes narrower than this.")
@click.option(
    "--nadir",
    type=Quantity("angle"),
    default="30deg",
    show_default=True,
    help="Least angle from the vertical at which the bottom counts as seen.",
)
@length(
    "--turn-radius", help="Sharpest turn that counts; without it the swath's own reach; 0: any."
)
@click.option("--max-gap", type=Quantity("time"), default=10.0, help="Longest track gap bridged.")
@click.option("--full-width", is_flag=True, help="Do not narrow the swath by its 95 % error.")
@common_options("boat")
@plan_output
@common_options("json", "tz", "date", "units", "overwrite", "ballpark", "debug")
def command(
    tracks: tuple[Path, ...],
    range_m: float,
    depth: float | None,
    sides: Sides,
    area_file: Path | None,
    smallest: float,
    nadir: float,
    turn_radius: float | None,
    max_gap: float,
    full_width: bool,
    boat_file: Path | None,
    outputs: tuple[Path, ...],
    limits_file: Path | None,
    as_json: bool,
    time_zone: str,
    day: datetime | None,
    units: str | None,
    overwrite: bool,
    allow_ballpark: bool,
    debug: bool,
) -> int:
    """Show what the side-scan has seen, once and twice, and what not yet.

    TRACK is any file or book with tracks, or lanes that athwart planned. The swath follows from
    range and depth; it is cut in sharp turns and at gaps, and narrowed by its 95 % error.

    Example:

        athwart coverage trip.gpx --range 40m --depth 6m --area bay.geojson

    Advice, not navigation: ground that was seen is not water that is safe.
    """
    from athwart.advice.seen import coverage_lines
    from athwart.formats import check_target, read_areas
    from athwart.plan.coverage import CAUTION, coverage
    from athwart.plan.passes import passes_of

    for path in outputs:
        if path.suffix.lower() == ".gpx":
            raise UsageError(
                f"{path.name}: a GPX file holds no areas; write .geojson, .gpkg, .fgb or .kml, and "
                "make a route of the holes with athwart lanes"
            )
        check_target(path, overwrite=overwrite)
    boat = read_boat(boat_file)
    shown = shown_units(units, boat)
    options = read_options(time_zone or boat.time_zone, day, allow_ballpark=allow_ballpark)
    area = None if area_file is None else read_areas(area_file, allow_ballpark=allow_ballpark)
    with Progress() as told:
        track, words = read_tracks(tracks, options, told)
        told("laying out the swath")
        passes = passes_of(
            track,
            range_m=range_m,
            depth_m=math.nan if depth is None else depth,
            sides=sides,
            nadir_deg=nadir,
            turn_radius_m=math.nan if turn_radius is None else turn_radius,
            max_gap_s=max_gap,
            boat=boat,
        )
        told("joining what the passes saw")
        found = coverage(passes, area=area, cautious=not full_width, smallest_m=smallest)
    words += [*found.words, *passes.left_out(shown)]
    for word in words:
        say(f"note: {word}")
    if not as_json:
        for line in (*coverage_lines(found, passes, shown), CAUTION):
            show(line)
    written = (
        write_plan(found.features(), outputs, limits_file=limits_file, overwrite=overwrite)
        if outputs
        else []
    )
    if as_json:
        print_json(_as_mapping(found, passes, words, written, CAUTION))
    return 0


def read_tracks(
    paths: tuple[Path, ...], options: ReadOptions, told: Callable[[str, float], None]
) -> tuple[Track, list[str]]:
    """Return the tracks of files, the lines of plans, and what should be said about them.

    A file without tracks gives its routes, as a plan of where the boat will go.
    """
    from athwart.formats import read
    from athwart.formats.shapes import routes_of
    from athwart.gather import shares_of_bytes
    from athwart.tables import Track

    found, words = [], []
    for number, (path, share) in enumerate(zip(paths, shares_of_bytes(paths), strict=True)):
        told(f"reading {path.name}", share)
        plan = plan_of(path)
        if plan is not None:
            lines = routes_of([f for f in plan if f.role in ("lane", "run")])
            if not len(lines):
                raise DataError(f"{path.name} is a plan without lanes or runs to look along")
        else:
            contents = read(path, options=options)
            words += [f"{path.name}: {word}" for word in contents.words]
            if contents.rejected:
                said = many(len(contents.rejected), "row")
                words.append(f"{path.name}: left out: {said} that could not be read")
            lines = contents.tracks
            if not len(lines) and len(contents.routes):
                lines = contents.routes
                words.append(f"{path.name} holds no track; its routes are taken as the boat's way")
            if not len(lines):
                raise DataError(
                    f"{path.name} holds no track; give a GPX track, an NMEA log or a book"
                )
        # Two files may have one name; what tells them apart is their place in the line.
        found.append(lines.with_columns(source=f"{number} {path.name}"))
    return Track.concat(found), words


def _as_mapping(
    found: Coverage, passes: Passes, words: list[str], written: list[Path], caution: str
) -> dict[str, Any]:
    from athwart.advice.seen import hole_middle, swath_of

    holes = []
    for i, hole in enumerate(found.holes):
        lon, lat = hole_middle(found, i)
        holes.append({"area_m2": hole.area, "lat": lat, "lon": lon})
    return {
        "length_m": found.length_m,
        "passes": found.passes,
        "swath": swath_of(passes),
        "cautious": found.cautious,
        "area_m2": None if found.area is None else found.area.area,
        "seen_m2": found.seen.area,
        "seen_twice_m2": found.twice.area,
        "under_boat_m2": found.under.area,
        "not_seen_m2": found.holes_m2 + found.small_holes_m2,
        "seen_part": found.part(found.seen),
        "seen_twice_part": found.part(found.twice),
        "under_boat_part": found.part(found.under),
        "holes": holes,
        "small_holes": found.small_holes,
        "small_holes_m2": found.small_holes_m2,
        "left_out_m": dict(passes.left_out_m),
        "notes": words,
        "files": [p.name for p in written],
        "caution": caution,
    }
