"""``athwart run``: a line to run along, at a fixed distance from a bank, a ledge or a track."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    print_json,
    read_options,
    say,
    show,
    shown_units,
)
from athwart.cli.planned import (
    PLAN_ENDINGS,
    is_a_book,
    plan_output,
    read_zones,
    write_plan,
    zones_option,
)
from athwart.errors import UsageError
from athwart.progress import Progress
from athwart.units import format_length

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.formats import ReadOptions
    from athwart.plan.runs import Clearance, Run
    from athwart.plan.zones import Findings, Zones
    from athwart.tables import Marks


@click.command("run", short_help="Lay a line to run along a bank, a ledge or a track.")
@click.argument("source", type=click.Path(path_type=Path), metavar="LINE")
@click.option("--line", "wanted", default="", help="Name or number of the line, if LINE has more.")
@length("--off", required=True, help="Distance from the line, such as a casting range: 18m, 60ft.")
@click.option(
    "--side",
    type=click.Choice(["port", "starboard"]),
    required=True,
    help="Side of the line that the run is on, looking along the line.",
)
@length("--turn", default="10m", show_default=True, help="Least radius that the boat can turn on.")
@length("--nearer", default="0m", show_default=True, help="How much nearer a turn may bring her.")
@click.option("--back", is_flag=True, help="Run against the direction of the line.")
@length("--thin", default="0.04m", show_default=True, help="How far fewer points may move the run.")
@click.option("--speed", type=Quantity("speed"), metavar="SPEED", help="To tell the time: 2kn.")
@click.option("--name", default="", help="Name of the run.")
@click.option(
    "--marks",
    "mark_files",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="SRC",
    help="Marks or a book whose hazards are looked out for. May be given more than once.",
)
@length("--clear", default="50m", show_default=True, help="Tell of hazards and zones this near.")
@zones_option
@plan_output
@common_options("json", "tz", "date", "units", "overwrite", "ballpark", "private", "debug")
def command(
    source: Path,
    wanted: str,
    off: float,
    side: Literal["port", "starboard"],
    turn: float,
    nearer: float,
    back: bool,
    thin: float,
    speed: float | None,
    name: str,
    mark_files: tuple[Path, ...],
    clear: float,
    zones_files: tuple[Path, ...],
    outputs: tuple[Path, ...],
    limits_file: Path | None,
    as_json: bool,
    time_zone: str,
    day: datetime | None,
    units: str | None,
    overwrite: bool,
    allow_ballpark: bool,
    with_private: bool,
    debug: bool,
) -> int:
    """Lay a line to run along: beside LINE, at a fixed distance from it.

    LINE is a line or the outline of an area in any vector file, a line drawn in a book, or a track
    or route. Where the boat cannot follow it the run keeps off on an arc of her turn and says so.

    \b
      athwart run bank.geojson --off 18m --side starboard -o bank.gpx

    Advice, not navigation: no depth is looked at. Keep a lookout.
    """  # noqa: D301 - click wants the character itself
    import numpy as np

    from athwart.advice.runs import hazard_lines, line_meant, run_lines, zones_along
    from athwart.formats import check_target
    from athwart.gather import gather, settle
    from athwart.plan.runs import CAUTION, clearances, run_along
    from athwart.plan.zones import judge_shapes
    from athwart.plotter import Limits

    if speed is not None and not speed > 0:
        raise UsageError(f"the speed is {speed:g} m/s; allowed is more than 0")
    if not clear >= 0:
        raise UsageError(f"--clear is {clear:g} m; allowed is 0 or more")
    for path in outputs:
        check_target(path, overwrite=overwrite)
    limits = Limits.from_toml(limits_file) if limits_file else Limits()
    shown = shown_units(units)
    options = read_options(time_zone, day, allow_ballpark=allow_ballpark, with_private=with_private)
    zones = read_zones(zones_files, allow_ballpark=allow_ballpark)
    with Progress() as told:
        told(f"reading {source.name}")
        called, line = line_meant(_lines(source, options), wanted, source.name)
        told(f"laying a run along {called}")
        run = run_along(
            line, off, side, turn_radius_m=turn, nearer_m=nearer, back=back, tolerance_m=thin
        )
        told("looking for hazards and zones")
        found = gather(mark_files, options=options, told=told)
        marks, _, _ = settle(found)
        hazards = marks.take(np.flatnonzero(marks.hazard))
        passed = clearances(run.line, hazards.lon, hazards.lat, hazards.r95_m, within_m=clear)
        touched = None if zones is None else judge_shapes(zones, [run.line], reach_m=clear)
    for word in found.words:
        say(f"note: {word}")
    pieces = run.features(
        name or f"{called}, {format_length(off, shown, 0)} {side}",
        max_points=limits.max_route_points,
        max_m=limits.max_track_km * 1000.0 if limits.max_track_km else None,
    )
    if not as_json:
        for sentence in run_lines(run, called, shown, turn, speed, len(pieces)):
            show(sentence)
        if mark_files:
            for sentence in hazard_lines(hazards, passed, shown, clear):
                show(sentence)
        else:
            show("hazards: not looked for; give marks with --marks")
        if zones is not None and touched is not None:
            for sentence in zones_along(zones, touched, shown, clear):
                show(sentence)
        show(CAUTION)
    features = [*pieces, *(zones.features() if zones else [])]
    written = write_plan(
        features,
        outputs,
        limits_file=limits_file,
        overwrite=overwrite,
        marks=marks,
        title=name or f"Along {called}",
    )
    if as_json:
        print_json(_json(run, called, speed, pieces, hazards, passed, zones, touched, written))
    return 0


# -- the line ------------------------------------------------------------------------------------


def _lines(path: Path, options: ReadOptions) -> list[tuple[str, BaseGeometry]]:
    """Return every line of a file with its name: lines, outlines of areas, tracks and routes."""
    import shapely

    from athwart.formats import read
    from athwart.formats.shapes import features_of, read_shapes

    found: list[tuple[str, BaseGeometry]] = []
    if is_a_book(path):
        found = _drawn(path, with_private=options.with_private)
    elif path.suffix.lower() in (*PLAN_ENDINGS, ".shp"):
        frame = read_shapes(path, allow_ballpark=options.allow_ballpark)
        names = frame["name"] if "name" in frame.columns else [""] * len(frame)
        for name, shape in zip(names, frame.geometry, strict=True):
            called = name if isinstance(name, str) else ""
            for part in shapely.get_parts(shape):
                if part.geom_type == "Polygon":
                    found.append((called, part.exterior))
                elif part.geom_type in ("LineString", "LinearRing"):
                    found.append((called, part))
        return found
    if not found:
        contents = read(path, options=options)
        for feature in [*features_of(contents.routes, "run"), *features_of(contents.tracks, "run")]:
            parts = shapely.get_parts(feature.geometry)
            if len(parts) > 1:
                say(f"note: the gaps of {feature.name or 'the track'} are crossed straight")
            joined = shapely.LineString(shapely.get_coordinates(feature.geometry))
            found.append((feature.name, joined))
    return found


def _drawn(book: Path, *, with_private: bool) -> list[tuple[str, BaseGeometry]]:
    """Return what was drawn on pictures and kept in a book."""
    import numpy as np
    import shapely

    from athwart.book.drawn import shapes_of
    from athwart.book.store import open_book

    with open_book(book) as store, store.reading() as connection:
        shapes = shapes_of(connection, with_private=with_private)
    out: list[tuple[str, BaseGeometry]] = []
    for s in shapes:
        corners = np.stack([s.lon, s.lat], axis=1)
        if s.area:
            corners = np.concatenate([corners, corners[:1]])
        out.append((s.name or s.kind, shapely.LineString(corners)))
    return out


def _json(
    run: Run,
    called: str,
    speed: float | None,
    pieces: list[Any],
    hazards: Marks,
    passed: Clearance,
    zones: Zones | None,
    touched: Findings | None,
    written: list[Path],
) -> dict[str, Any]:
    from athwart.plan.runs import CAUTION

    return {
        "line": called,
        "off_m": run.off_m,
        "side": run.side,
        "reversed": run.reversed,
        "length_m": run.length_m,
        "seconds": run.length_m / speed if speed else None,
        "nearest_m": run.nearest_m,
        "farthest_m": run.farthest_m,
        "tightest_turn_m": run.tightest_m,
        "stretches": [
            {"from_m": s.from_m, "to_m": s.to_m, "distance_m": s.distance_m} for s in run.stretches
        ],
        "pieces": [
            {"name": p.name, "points": [list(xy[:2]) for xy in p.geometry.coords]} for p in pieces
        ],
        "hazards": [
            {
                "name": hazards.name[i],
                "mark_id": hazards.mark_id[i],
                "distance_m": d,
                "clear_m": c,
                "along_m": a,
                "side": s,
            }
            for i, d, c, a, s in zip(
                passed.mark,
                passed.distance_m,
                passed.clear_m,
                passed.along_m,
                passed.side,
                strict=True,
            )
        ],
        "zones": []
        if zones is None or touched is None
        else [
            {
                "name": zones.name[z],
                "rule": zones.rule[z],
                "kind": zones.kind[z],
                "state": state,
                "distance_m": d,
                "inside_m": i,
                "along_m": a,
            }
            for z, state, d, i, a in zip(
                touched.zone,
                touched.state,
                touched.distance_m,
                touched.inside_m,
                touched.along_m,
                strict=True,
            )
        ],
        "files": [p.name for p in written],
        "caution": CAUTION,
    }
