"""``athwart day``: one sheet for the day."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    parse_time,
    print_json,
    read_boat,
    read_options,
    say,
    show,
    shown_units,
    write_rejected,
)
from athwart.cli.planned import plan_output_with, read_zones, write_plan, zones_option
from athwart.cli.water import WaterChoice, water_options
from athwart.errors import DataError, UsageError
from athwart.progress import Progress
from athwart.units import UnitSystem, format_position, many, parse_quantity

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.day import Day, Place
    from athwart.tables import Marks

_PAGE = (".html", ".htm")


@click.command("day", short_help="One sheet for the day: order, legs, water, light.")
@click.argument(
    "sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SRC..."
)
@click.option(
    "--start",
    "start_text",
    required=True,
    metavar="PLACE",
    help='Where the day begins: "55 30.0 N, 12 15.0 E", or the name of a mark.',
)
@click.option(
    "--end", "end_text", metavar="PLACE", help="Where it ends; at the start if not given."
)
@click.option("--one-way", is_flag=True, help="End at whichever mark makes the way shortest.")
@click.option(
    "--marks",
    "names",
    multiple=True,
    metavar="NAME,...",
    help="Marks to visit, by name or the first letters of their ids; all if not given.",
)
@click.option("--kind", "kinds", multiple=True, help="Only this kind; may be given several times.")
@click.option("--within", type=click.Path(path_type=Path), help="Only inside this area (polygons).")
@click.option("--first", metavar="NAME", help="Mark to visit first.")
@click.option("--last", metavar="NAME", help="Mark to visit last.")
@click.option("--in-order", is_flag=True, help="Keep the order of --marks.")
@click.option("--depart", metavar="TIME", help="When you leave: 2026-05-30T05:30Z, or with --tz.")
@click.option(
    "--speed", type=Quantity("speed"), default="5kn", show_default=True, help="Over the ground."
)
@click.option(
    "--speed-error",
    type=click.FloatRange(0, 90),
    default=10.0,
    show_default=True,
    help="Standard error of the speed, percent.",
)
@click.option(
    "--stay", type=Quantity("time"), default="20min", show_default=True, help="Time at each mark."
)
@click.option(
    "--stay-at", "stays", multiple=True, metavar="NAME=TIME", help="Time at one mark: Anvil=45min."
)
@click.option(
    "--water",
    "water_files",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where the boat may go (polygons); legs stay inside.",
)
@click.option(
    "--keep-out",
    "closed_files",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where she may not (polygons): closed water, shallows.",
)
@length("--clear", default="20m", show_default=True, help="Distance that legs keep from edges.")
@zones_option
@water_options
@length("--draft", help="What the boat draws, for the clearance over marks.")
@length("--margin", default="0.5m", show_default=True, help="What should be left under the keel.")
@length("--transducer-depth", help="Transducer below the surface; else the boat file's.")
@click.option("--title", default="", help="Heading of the sheet.")
@length("--sigma", default="4m", show_default=True, help="Error per axis of a waypoint, 1 sigma.")
@click.option("--saved-at", type=click.Choice(["mark", "boat"]), default="mark")
@plan_output_with("the sheet")
@click.option(
    "--map",
    "map_file",
    type=click.Path(path_type=Path),
    metavar="OUT.html",
    help="Draw the marks and the legs on a review map too.",
)
@common_options(
    "json",
    "boat",
    "trip",
    "tz",
    "date",
    "units",
    "skip_bad",
    "overwrite",
    "ballpark",
    "private",
    "debug",
)
def command(
    sources: tuple[Path, ...],
    start_text: str,
    end_text: str | None,
    one_way: bool,
    names: tuple[str, ...],
    kinds: tuple[str, ...],
    within: Path | None,
    first: str | None,
    last: str | None,
    in_order: bool,
    depart: str | None,
    speed: float,
    speed_error: float,
    stay: float,
    stays: tuple[str, ...],
    water_files: tuple[Path, ...],
    closed_files: tuple[Path, ...],
    clear: float,
    zones_files: tuple[Path, ...],
    water: WaterChoice,
    draft: float | None,
    margin: float,
    transducer_depth: float | None,
    title: str,
    sigma: float,
    saved_at: Literal["mark", "boat"],
    outputs: tuple[Path, ...],
    limits_file: Path | None,
    map_file: Path | None,
    as_json: bool,
    boat_file: Path | None,
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
    """Make one sheet for the day: the marks in order, each leg, water and light.

    SRC is a book or any file of marks. The order is the shortest round from the start, or the
    shortest way with --one-way or --end. -o writes the sheet (.html, one page that prints and reads
    on a phone), the route for a plotter (.gpx) and the plan (.geojson, .gpkg, .fgb, .kml).

    Example:

    \b
      athwart day season.gpkg --start "46 12.0 S, 21 18.0 W"
                  --depart 2026-05-30T06:00Z -o day.html

    Advice, not navigation: legs are straight over water that the program knows nothing of unless
    told. Keep a lookout; the law of the place decides.
    """  # noqa: D301 - click wants the character itself
    import numpy as np

    from athwart.advice.day import closed_water
    from athwart.advice.places import place_of, row_named
    from athwart.advice.water import over_marks
    from athwart.formats import check_target
    from athwart.formats.texts import load_zone
    from athwart.gather import gather, settle
    from athwart.plan.day import NOT_TIMED, Ask, Pace
    from athwart.plan.days_work import plan_day

    boat = read_boat(boat_file)
    zone = time_zone or boat.time_zone
    load_zone(zone)
    shown = shown_units(units, boat)
    if map_file is not None and map_file.suffix.lower() not in _PAGE:
        raise UsageError(f"the map {map_file.name} must end in .html")
    for path in (*outputs, *([map_file] if map_file else [])):
        check_target(path, overwrite=overwrite)
    if one_way and end_text:
        raise UsageError("give --end or --one-way, not both")
    if in_order and (first or last):
        raise UsageError(
            "with --in-order the order is that of --marks; leave --first and --last out"
        )
    if clear < 0:
        raise UsageError(f"--clear is {clear:g} m; allowed is 0 or more")
    leaves = parse_time(depart, zone) if depart else NOT_TIMED
    if water and not depart:
        raise UsageError("the tide needs a time to leave; give it with --depart")
    zones = read_zones(zones_files, allow_ballpark=allow_ballpark)
    allowed = _areas(water_files, allow_ballpark)
    closed = closed_water(_areas(closed_files, allow_ballpark), zones)
    with Progress() as told:
        found = gather(
            sources,
            options=read_options(
                zone, day, allow_ballpark=allow_ballpark, with_private=with_private
            ),
            sigma_m=sigma,
            saved_at=saved_at,
            trip=trip,
            skip_bad=skip_bad,
            told=told,
        )
        told(f"merging {many(len(found.sightings), 'sighting')}")
        every, looks, _ = settle(found)
        start = place_of(start_text, every, "start")
        end = None if end_text is None else place_of(end_text, every, "end")
        marks = _chosen(every, names, kinds, within, allow_ballpark, [start, end])
        level = water.read(zone=zone, lat=start.lat) if water else None
        over = None
        if level is not None:
            over = over_marks(
                level,
                looks,
                boat,
                draft_m=draft,
                margin_m=margin,
                transducer_depth_m=transducer_depth,
            )
        told(f"ordering {many(len(marks), 'mark')}")
        made = plan_day(
            marks,
            start,
            end=end,
            ask=Ask(
                first=None if first is None else row_named(marks, first),
                last=None if last is None else row_named(marks, last),
                given=in_order,
                one_way=one_way,
            ),
            pace=Pace(
                speed_mps=speed,
                speed_error=speed_error / 100,
                stay_s=stay,
                stays_s=dict(_stay(marks, text) for text in stays),
            ),
            depart=leaves,
            dated=np.datetime64("now", "us"),
            time_zone=zone or "UTC",
            water=allowed,
            closed=closed,
            clear_m=clear if allowed is not None or closed is not None else 0.0,
            zones=zones,
            tide=level.now if level else None,
            over=over,
            margin_m=margin,
            hazards=every.take(every.hazard),
            units=shown,
        )
    for word in found.words:
        say(f"note: {word}")
    written = _write(made, outputs, limits_file, title, shown, overwrite)
    if map_file is not None:
        shapes = [*made.features(), *(zones.features() if zones is not None else [])]
        written += write_plan(
            shapes, [map_file], overwrite=overwrite, marks=made.marks, title=title or "Day"
        )
    if as_json:
        print_json({**_json(made), "notes": list(found.words), "files": [p.name for p in written]})
    else:
        _print(made, shown)
    write_rejected(found.rejected, outputs[0] if outputs else None)
    return 0


def _areas(paths: Sequence[Path], allow_ballpark: bool) -> BaseGeometry | None:
    if not paths:
        return None
    import shapely

    from athwart.formats import read_areas

    return shapely.union_all([read_areas(p, allow_ballpark=allow_ballpark) for p in paths])


def _chosen(
    marks: Marks,
    names: Sequence[str],
    kinds: Sequence[str],
    within: Path | None,
    allow_ballpark: bool,
    ends: Sequence[Place | None],
) -> Marks:
    """Return the marks to visit, in the order in which they were named."""
    from athwart.advice.day import marks_elsewhere
    from athwart.advice.places import rows_of_names
    from athwart.formats import read_areas
    from athwart.plotter import select

    if not len(marks):
        raise DataError("there is no mark in the files")
    # Where the day begins or ends is not a place to visit, unless it was named.
    chosen = marks.take(rows_of_names(marks, names)) if names else marks_elsewhere(marks, ends)
    area = None if within is None else read_areas(within, allow_ballpark=allow_ballpark)
    chosen = select(chosen, kinds=kinds, within=area)
    if not len(chosen):
        raise DataError("no mark is left to visit; check --marks, --kind and --within")
    return chosen


def _stay(marks: Marks, text: str) -> tuple[int, float]:
    from athwart.advice.places import row_named

    name, sep, value = text.rpartition("=")
    if not sep:
        raise UsageError(f"--stay-at {text!r} is not understood; write it like Anvil=45min")
    return row_named(marks, name), parse_quantity(value, "time")


def _write(
    day: Day,
    outputs: Sequence[Path],
    limits_file: Path | None,
    title: str,
    units: UnitSystem,
    overwrite: bool,
) -> list[Path]:
    from athwart.advice.day import write_route, write_sheet
    from athwart.plotter import Limits

    written: list[Path] = []
    for path in outputs:
        if path.suffix.lower() in _PAGE:
            write_sheet(day, path, title=title, units=units, overwrite=overwrite)
            say(f"the sheet is {path.name}; open it in any browser, or print it")
            written.append(path)
        elif path.suffix.lower() == ".gpx":
            limits = Limits.from_toml(limits_file) if limits_file else Limits()
            made, words = write_route(day, path, limits=limits, title=title, overwrite=overwrite)
            for word in words:
                say(f"note: {word}")
            say(f"the route is {path.name}; not for navigation, check every leg on a chart")
            written += made
        else:
            written += write_plan(day.features(), [path], overwrite=overwrite)
    return written


def _print(day: Day, units: UnitSystem) -> None:
    from athwart.advice.day import day_lines, leg_lines
    from athwart.plan.day import CAUTION

    for k, (line, there) in enumerate(leg_lines(day, units), 1):
        show(f"{k:3d}  {line}")
        for word in there:
            show(f"     {word}")
    for line in day_lines(day, units):
        show(line)
    for word in day.basis:
        say(word)
    say(CAUTION)


def _json(day: Day) -> dict[str, Any]:
    from athwart.plan.day import CAUTION, Leg

    marks = day.marks

    def leg(value: Leg) -> dict[str, Any]:
        return {
            "length_m": value.length_m,
            "seconds": value.seconds,
            "parts": [
                {"lat": y, "lon": x, "length_m": d, "true_deg": t, "magnetic_deg": m}
                for x, y, d, t, m in zip(
                    value.lon[:-1], value.lat[:-1], value.part_m, value.true_deg,
                    value.magnetic_deg, strict=True,
                )
            ],
        }  # fmt: skip

    def place(value: Place | None) -> dict[str, Any] | None:
        return {"name": value.name, "lat": value.lat, "lon": value.lon} if value else None

    return {
        "start": place(day.start),
        "end": place(day.end),
        "depart": day.depart,
        "back": day.back,
        "back_sigma_s": day.back_sigma_s,
        "length_m": day.length_m,
        "under_way_s": day.under_way_s,
        "stay_s": day.stay_s,
        "stops": [
            {
                "mark_id": marks.mark_id[s.row],
                "name": marks.name[s.row],
                "kind": marks.kind[s.row],
                "hazard": marks.hazard[s.row],
                "lat": marks.lat[s.row],
                "lon": marks.lon[s.row],
                "at": format_position(float(marks.lon[s.row]), float(marks.lat[s.row])),
                "r95_m": marks.r95_m[s.row],
                "leg": leg(s.leg),
                "arrive": s.arrive,
                "leave": s.leave,
                "sigma_s": s.sigma_s,
                "stay_s": s.stay_s,
                "tide_m": s.tide_m,
                "tide_sigma_m": s.tide_sigma_m,
                "depth_m": s.depth_m,
                "depth_sigma_m": s.depth_sigma_m,
                "clearance_m": s.clearance_m,
                "dark": s.dark,
                "warnings": list(s.warnings),
            }
            for s in day.stops
        ],
        "home": leg(day.home) if day.home else None,
        "left_out": [{"mark_id": marks.mark_id[x.row], "name": marks.name[x.row], "why": x.why}
                     for x in day.left_out],
        "tide": [{"time": t, "height_m": h, "high": high} for t, h, high in day.turns],
        "light": [{"time": e.time, "what": e.what} for e in day.sky],
        "moon": day.moon and {"lit": day.moon.lit, "waxing": day.moon.waxing},
        "warnings": list(day.warnings),
        "basis": list(day.basis),
        "time_zone": day.time_zone,
        "caution": CAUTION,
    }  # fmt: skip
