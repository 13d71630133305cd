"""A day on the water: what is kept out, its sheet and route as files, and what is said of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from athwart.plan.day import Day, Place
from athwart.review.day_page import (
    bearing_words,
    clock,
    day_sheet,
    distance_words,
    duration_words,
)
from athwart.tables import Marks
from athwart.units import UnitSystem, format_length, many

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.zones import Zones
    from athwart.plotter import Limits

__all__ = [
    "closed_water",
    "day_lines",
    "leg_lines",
    "marks_elsewhere",
    "write_route",
    "write_sheet",
]


def closed_water(given: BaseGeometry | None, zones: Zones | None) -> BaseGeometry | None:
    """Return what the boat is kept out of: areas that were given, and zones whose rule says closed."""
    import shapely

    shapes = [] if given is None else [given]
    if zones is not None:
        shapes += [g for g in zones.geometry[zones.closed] if shapely.area(g) > 0]
    return shapely.union_all(shapes) if shapes else None


def marks_elsewhere(marks: Marks, places: Sequence[Place | None]) -> Marks:
    """Return the marks that are none of some places."""
    there = {(p.lon, p.lat) for p in places if p is not None}
    at = zip(marks.lon.tolist(), marks.lat.tolist(), strict=True)
    return marks.take(np.array([place not in there for place in at], bool))


def leg_lines(day: Day, units: UnitSystem) -> list[tuple[str, tuple[str, ...]]]:
    """Return a line for each leg, and what is to be known where it ends.

    Returns
    -------
    list of (str, tuple of str)
        When, to which place, which way, how far, how long; then water and warnings there.
    """
    out: list[tuple[str, tuple[str, ...]]] = []
    timed = not np.isnat(day.depart)
    for leg, stop in zip(day.legs, [*day.stops, None], strict=False):
        if stop is None and day.end is None:
            break
        to = day.called(stop.row) if stop else day.end.name if day.end else ""
        when = stop.arrive if stop else day.back
        said = clock(when, day.time_zone, beside=day.depart) + "  " if timed else ""
        bearing = bearing_words(float(leg.true_deg[0]), float(leg.magnetic_deg[0]))
        turns = f", {many(len(leg.part_m) - 1, 'turn')}" if len(leg.part_m) > 1 else ""
        line = (
            f"{said}{to}: {bearing}, {distance_words(leg.length_m, units)}, "
            f"{duration_words(leg.seconds)}{turns}"
        )
        there = () if stop is None else ((stop.water,) if stop.water else ()) + stop.warnings
        out.append((line, there))
    return out


def day_lines(day: Day, units: UnitSystem) -> list[str]:
    """Return what is said of the whole day: what is left out, warnings, the sum, the light."""
    return [
        *(f"not on the round: {day.called(left.row)} {left.why}" for left in day.left_out),
        *day.warnings,
        f"{many(len(day.stops), 'mark')}, {distance_words(day.length_m, units)}, "
        f"{duration_words(day.under_way_s)} under way and {duration_words(day.stay_s)} at marks",
        *(
            f"{clock(t, day.time_zone, beside=day.depart)} {'high' if high else 'low'} water "
            f"{format_length(height, units)}"
            for t, height, high in day.turns
        ),
        *([day.sun] if day.sun else []),
        *(f"{clock(e.time, day.time_zone, beside=day.depart)} {e.what}" for e in day.sky),
    ]


def write_sheet(day: Day, path: Path, *, title: str, units: UnitSystem, overwrite: bool) -> None:
    """Write the page of a day."""
    from athwart.formats import atomic_write

    page = day_sheet(day, units=units, title=title)
    with atomic_write(path, overwrite=overwrite) as temporary:
        temporary.write_text(page, encoding="utf-8")


def write_route(
    day: Day, path: Path, *, limits: Limits, title: str, overwrite: bool
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write the way of a day as a route, and return the files and what was done to it."""
    from athwart.handover import export_marks

    files, words, _ = export_marks(
        Marks.empty(),
        path,
        limits=limits,
        clean=True,
        overwrite=overwrite,
        routes=day.route(title.strip() or "Day"),
    )
    return files, words
