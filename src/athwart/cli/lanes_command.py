"""``athwart lanes``: survey lanes over an area, or over what was not yet seen."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    print_json,
    read_boat,
    say,
    show,
    shown_units,
)
from athwart.cli.planned import (
    MAP_ENDINGS,
    plan_of,
    plan_output,
    read_zones,
    write_plan,
    zones_option,
)
from athwart.errors import DataError, FileError
from athwart.progress import Progress

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.lanes import Lanes


@click.command("lanes", short_help="Lay survey lanes over an area, or over what was not seen.")
@click.argument(
    "areas", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="AREA..."
)
@length(
    "--range", "range_m", required=True, help="Slant range of the screen, one side: 40m, 130ft."
)
@length("--depth", required=True, help="The deepest water there as the sounder reads it: 6m, 20ft.")
@length("--overlap", help="How much neighbours overlap beyond their errors; else a tenth.")
@click.option(
    "--direction", type=Quantity("angle"), help="Direction of the lanes, true; else free."
)
@length("--turn-radius", default="15m", show_default=True, help="Tightest turn of the boat.")
@length("--run-in", default="20m", show_default=True, help="Straight way before and after a lane.")
@click.option(
    "--speed", type=Quantity("speed"), default="4kn", show_default=True, help="Speed on the lanes."
)
@click.option(
    "--nadir",
    type=Quantity("angle"),
    default="30deg",
    show_default=True,
    help="Least angle from the vertical at which the bottom counts as seen.",
)
@click.option("--under", is_flag=True, help="Look at strips under the boat too (of a coverage).")
@click.option("--full-width", is_flag=True, help="Do not narrow the swath by its 95 % error.")
@zones_option
@click.option(
    "--keep-out",
    "keep_out_files",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Areas to keep out of, such as shallows. May be given more than once.",
)
@click.option(
    "--water", "water_file", type=click.Path(path_type=Path), help="Water that alone may be used."
)
@length("--clear", help="Distance kept from closed water; else the R95 of the boat's place.")
@click.option("--ends-only", is_flag=True, help="GPX: a route of the lanes' ends, without turns.")
@common_options("boat")
@plan_output
@common_options("json", "units", "overwrite", "ballpark", "debug")
def command(
    areas: tuple[Path, ...],
    range_m: float,
    depth: float,
    overlap: float | None,
    direction: float | None,
    turn_radius: float,
    run_in: float,
    speed: float,
    nadir: float,
    under: bool,
    full_width: bool,
    zones_files: tuple[Path, ...],
    keep_out_files: tuple[Path, ...],
    water_file: Path | None,
    clear: float | None,
    ends_only: bool,
    boat_file: Path | None,
    outputs: tuple[Path, ...],
    limits_file: Path | None,
    as_json: bool,
    units: str | None,
    overwrite: bool,
    allow_ballpark: bool,
    debug: bool,
) -> int:
    """Lay survey lanes over an area, or over what was not seen.

    AREA is a file of polygons, or what athwart coverage wrote: then its holes are taken. Neighbours
    see under each other's way. Lanes keep out of closed zones, of --keep-out, and inside --water.

    Example:

        athwart lanes bay.geojson --range 40m --depth 6m -o lanes.gpx

    Advice, not navigation: lanes know nothing of depths and boats that were not given.
    """
    from athwart.advice.lanes import joined, lanes_lines, lanes_words
    from athwart.formats import check_target, read_areas
    from athwart.plan.lanes import CAUTION, lanes

    for path in outputs:
        check_target(path, overwrite=overwrite)
    boat = read_boat(boat_file)
    shown = shown_units(units, boat)
    zones = read_zones(zones_files, allow_ballpark=allow_ballpark)
    closed = [read_areas(p, allow_ballpark=allow_ballpark) for p in keep_out_files]
    if zones is not None:
        closed += [z for z, shut in zip(zones.geometry, zones.closed, strict=True) if shut]
    water = None if water_file is None else read_areas(water_file, allow_ballpark=allow_ballpark)
    with Progress() as told:
        told("reading the area")
        ground = _ground(areas, under=under, allow_ballpark=allow_ballpark)
        told("laying lanes")
        plan = lanes(
            ground,
            range_m=range_m,
            depth_m=depth,
            overlap_m=_or_nan(overlap),
            direction_deg=_or_nan(direction),
            nadir_deg=nadir,
            turn_radius_m=turn_radius,
            run_in_m=run_in,
            speed_mps=speed,
            closed=joined(closed),
            water=water,
            clear_m=_or_nan(clear),
            cautious=not full_width,
            boat=boat,
        )
    words = lanes_words(plan, zones, shown)
    for word in words:
        say(f"note: {word}")
    if not as_json:
        for line in (*lanes_lines(plan, shown), CAUTION):
            show(line)
    written: list[Path] = []
    for path in outputs:
        # A plotter gets the way as one route; lanes and turns apart would be a hundred.
        gpx = path.suffix.lower() == ".gpx"
        features = plan.run(turns=not ends_only) if gpx else plan.features()
        if zones is not None and path.suffix.lower() in MAP_ENDINGS:
            features += zones.features()
        written += write_plan(features, [path], limits_file=limits_file, overwrite=overwrite)
    if as_json:
        print_json(_as_mapping(plan, words, written, CAUTION))
    return 0


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _ground(paths: tuple[Path, ...], *, under: bool, allow_ballpark: bool) -> BaseGeometry:
    """Return what is to be seen: the holes of a coverage, or the polygons of any other file."""
    from athwart.advice.lanes import joined
    from athwart.formats import read_areas

    roles = ("not seen", "under the boat") if under else ("not seen",)
    shapes = []
    for path in paths:
        plan = plan_of(path)
        if plan is None:
            shapes.append(read_areas(path, allow_ballpark=allow_ballpark))
            continue
        found = [f.geometry for f in plan if f.role in roles]
        if not found:
            raise FileError(
                path.name, f"holds no ground that is {' or '.join(roles)}; nothing to do"
            )
        shapes += found
    ground = joined(shapes)
    if ground is None:
        raise DataError("the area has no polygon; give polygons, such as of a bay or a bank")
    return ground


def _as_mapping(plan: Lanes, words: list[str], written: list[Path], caution: str) -> dict[str, Any]:
    import shapely

    rows = []
    for feature in plan.features():
        if feature.role != "lane":
            continue
        (x0, y0), (x1, y1) = shapely.get_coordinates(feature.geometry)[[0, -1]]
        rows.append(
            {
                "name": feature.name,
                "start": {"lat": y0, "lon": (x0 + 180) % 360 - 180},
                "end": {"lat": y1, "lon": (x1 + 180) % 360 - 180},
                "length_m": feature.values["length_m"],
                "bearing_deg": feature.values["bearing_deg"],
            }
        )
    return {
        "lanes": rows,
        "direction_deg": list(plan.direction_deg),
        "spacing_m": plan.spacing_m,
        "near_m": plan.near_m,
        "far_m": plan.far_m,
        "edge_error_m": plan.far_error_m,
        "lanes_m": plan.lanes_m,
        "length_m": plan.length_m,
        "time_s": plan.time_s,
        "area_m2": plan.area.area,
        "promised_m2": plan.promised.area,
        "left_out_m2": plan.left_out.area,
        "room_m": plan.room_m,
        "parts": len(plan.way),
        "around_closed": plan.around,
        "notes": words,
        "files": [p.name for p in written],
        "caution": caution,
    }
