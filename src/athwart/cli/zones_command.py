"""``athwart zones``: marks and plans against the user's own zones."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from athwart.cli.common import (
    common_options,
    length,
    print_json,
    read_options,
    say,
    show,
    shown_units,
    write_rejected,
)
from athwart.cli.planned import (
    is_a_book,
    plan_of,
    plan_output,
    read_zones,
    write_plan,
    zones_option,
)
from athwart.errors import DataError, UsageError
from athwart.progress import Progress
from athwart.units import many

if TYPE_CHECKING:
    from collections.abc import Callable

    from shapely.geometry.base import BaseGeometry

    from athwart.book.drawn import Shape
    from athwart.features import Feature
    from athwart.formats import ReadOptions
    from athwart.gather import Gathered
    from athwart.plan.zones import Findings, Zones
    from athwart.tables import Marks


@click.command("zones", short_help="Hold marks and plans against your own zones.")
@click.argument(
    "sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SRC..."
)
@zones_option
@length("--near", default="0m", show_default=True, help="Tell of zones that are clear by less too.")
@length("--sigma", default="4m", show_default=True, help="Error per axis of a waypoint, 1 sigma.")
@click.option("--saved-at", type=click.Choice(["mark", "boat"]), default="mark")
@plan_output
@common_options(
    "json", "trip", "tz", "date", "units", "skip_bad", "overwrite", "ballpark", "private", "debug"
)
def command(
    sources: tuple[Path, ...],
    zones_files: tuple[Path, ...],
    near: float,
    sigma: float,
    saved_at: Literal["mark", "boat"],
    outputs: tuple[Path, ...],
    limits_file: Path | None,
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
    """Hold marks and plans against your own zones.

    SRC is any file of marks, a book, or a plan that athwart wrote. The zones are areas (or lines,
    such as cables) of your own file; none come with athwart. Each mark is told inside, within its
    R95 of the edge, or clear.

    Example:

        athwart zones season.gpkg run.geojson --zones closed.geojson

    Advice, not navigation: the law of the place decides, not the file.
    """
    import numpy as np

    from athwart.advice.zones import mark_lines, summary_line
    from athwart.formats import check_target
    from athwart.gather import settle
    from athwart.plan.zones import CAUTION, judge, judge_shapes

    if not zones_files:
        raise UsageError(
            "give your own zones with --zones FILE: areas with columns name, rule or note, kind; "
            "athwart brings none"
        )
    if near < 0:
        raise UsageError(f"--near is {near:g} m; allowed is 0 or more")
    for path in outputs:
        check_target(path, overwrite=overwrite)
    shown = shown_units(units)
    zones = read_zones(zones_files, allow_ballpark=allow_ballpark)
    assert zones is not None
    with Progress() as told:
        found, plan, shapes = _read(
            sources,
            read_options(time_zone, day, allow_ballpark=allow_ballpark, with_private=with_private),
            told=told,
            sigma_m=sigma,
            saved_at=saved_at,
            trip=trip,
            skip_bad=skip_bad,
        )
        told(f"merging {many(len(found.sightings), 'sighting')}")
        marks, _, _ = settle(found)
        told(f"holding {many(len(marks) + len(shapes), 'thing')} against the zones")
        of_marks = judge(zones, marks.lon, marks.lat, marks.r95_m, reach_m=near).worst_first()
        lines = [s.geometry for s in shapes]
        errors = np.array([s.r95_m for s in shapes])
        of_shapes = judge_shapes(zones, lines, errors, reach_m=near).worst_first()
    for word in found.words:
        say(f"note: {word}")
    if not len(marks) and not shapes:
        raise DataError("there is no mark, route or plan in the files to hold against zones")
    touched = sum(len(np.unique(f.item[f.touched])) for f in (of_marks, of_shapes))
    clear = len(marks) + len(shapes) - touched
    if not as_json:
        for line in mark_lines(zones, marks, of_marks, shown):
            show(line)
        for i, sentence in zip(of_shapes.item, of_shapes.sentences(zones, shown), strict=True):
            show(f"{shapes[i].called}: {sentence}")
        show(summary_line(len(marks), len(shapes), len(zones), touched))
        show(CAUTION)
    written = (
        write_plan(
            [*plan, *zones.features()],
            outputs,
            limits_file=limits_file,
            overwrite=overwrite,
            marks=marks,
            title="Marks, plans and zones",
        )
        if outputs
        else []
    )
    if as_json:
        print_json(
            {
                "zones": _zones_json(zones),
                "marks": _marks_json(marks, of_marks),
                "shapes": _shapes_json(shapes, of_shapes),
                "looked_at": {"marks": len(marks), "shapes": len(shapes)},
                "touched": touched,
                "clear": clear,
                "notes": [*zones.words, *found.words],
                "files": [p.name for p in written],
                "caution": CAUTION,
            }
        )
    write_rejected(found.rejected, outputs[0] if outputs else None)
    return 0


@dataclass(frozen=True)
class _Shape:
    """A line, an area or a place of a plan, a route, or what was drawn in a book."""

    called: str
    geometry: BaseGeometry
    r95_m: float
    role: str = ""
    name: str = ""


def _read(
    sources: tuple[Path, ...],
    options: ReadOptions,
    *,
    told: Callable[[str, float], None],
    **rest: Any,
) -> tuple[Gathered, list[Feature], list[_Shape]]:
    """Return what the sources hold: marks, plans, and all that is no mark."""
    from athwart.features import ROLES
    from athwart.formats.shapes import features_of
    from athwart.gather import gather

    plan: list[Feature] = []
    others: list[Path] = []
    drawn: list[_Shape] = []
    for path in sources:
        features = plan_of(path)
        if features is not None:
            plan += [f for f in features if f.role != "zone"]
            continue
        others.append(path)
        if is_a_book(path):
            drawn += _drawn(path, with_private=options.with_private)
    found = gather(others, options=options, told=told, **rest)
    shapes = [
        _Shape(
            f"{f.name} ({ROLES[f.role]})" if f.name else f"{ROLES[f.role]} (shape {i})",
            f.geometry,
            _r95_of(f),
            f.role,
            f.name,
        )
        for i, f in enumerate(plan, 1)
    ]
    routes = features_of(found.routes, "run")
    shapes += [
        _Shape(f"{r.name} (route)" if r.name else f"route {i}", r.geometry, 0.0, "", r.name)
        for i, r in enumerate(routes, 1)
    ]
    return found, plan, shapes + drawn


def _drawn(book: Path, *, with_private: bool) -> list[_Shape]:
    """Return the lines and areas that were drawn on pictures and kept in a book."""
    import numpy as np
    import shapely

    from athwart.book.drawn import shapes_of
    from athwart.book.store import open_book

    with open_book(book) as store, store.reading() as connection:
        found = shapes_of(connection, with_private=with_private)

    def shape(s: Shape) -> Any:
        corners = np.stack([s.lon, s.lat], axis=1)
        return shapely.polygons(corners) if s.area else shapely.linestrings(corners)

    return [
        _Shape(
            s.name or f"{s.kind or 'drawn'} ({'area' if s.area else 'line'} {i})",
            shape(s),
            float(s.r95_m.max()),
            "",
            s.name,
        )
        for i, s in enumerate(found, 1)
    ]


def _r95_of(feature: Feature) -> float:
    value = feature.values.get("r95_m", 0.0)
    try:
        r95 = float(value)
    except (TypeError, ValueError):
        raise DataError(f"the plan has {value!r} as r95_m; it must be a number") from None
    if not r95 >= 0:
        raise DataError(f"the plan has {r95:g} as r95_m; allowed is 0 or more")
    return r95


def _zones_json(zones: Zones) -> list[dict[str, Any]]:
    rows = zip(zones.name, zones.rule, zones.kind, zones.closed, strict=True)
    return [{"name": n, "rule": r, "kind": k, "closed": bool(c)} for n, r, k, c in rows]


def _marks_json(marks: Marks, found: Findings) -> list[dict[str, Any]]:
    return [
        {
            "mark_id": marks.mark_id[i],
            "name": marks.name[i],
            "lat": marks.lat[i],
            "lon": marks.lon[i],
            "r95_m": marks.r95_m[i],
            "zone": int(zone),
            "state": state,
            "distance_m": distance,
        }
        for i, zone, state, distance in zip(
            found.item, found.zone, found.state, found.distance_m, strict=True
        )
    ]


def _shapes_json(shapes: list[_Shape], found: Findings) -> list[dict[str, Any]]:
    return [
        {
            "called": shapes[i].called,
            "role": shapes[i].role,
            "name": shapes[i].name,
            "shape": int(i),
            "zone": int(zone),
            "state": state,
            "distance_m": distance,
            "inside_m": inside,
            "along_m": along,
        }
        for i, zone, state, distance, inside, along in zip(
            found.item,
            found.zone,
            found.state,
            found.distance_m,
            found.inside_m,
            found.along_m,
            strict=True,
        )
    ]
