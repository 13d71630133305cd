"""What to beware of on a day: dangers and zones at marks and along legs, large errors, edges.

Sentences for people, in their units. That nothing is said of a place does not mean that it is safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from athwart.geometry.plane import LocalPlane
from athwart.plan.day import Day, Leg, Stop
from athwart.tables import Marks
from athwart.units import UnitSystem, format_length

if TYPE_CHECKING:
    from athwart.plan.zones import Zones

__all__ = ["LARGE_R95_M", "LEAST_OFF_HAZARD_M", "beware"]

FloatArray = NDArray[np.float64]

LARGE_R95_M = 20.0
"""From here on a mark is searched for, not gone to; common practice, no source."""
LEAST_OFF_HAZARD_M = 20.0
"""Beside a danger's R95, when no wider margin was asked for; common practice, no source."""


def beware(
    day: Day, *, zones: Zones | None, off_m: FloatArray, clear_m: float, units: UnitSystem
) -> Day:
    """Return the day with what is to be said of its marks and legs.

    Parameters
    ----------
    day : Day
        With stops and legs; its ``hazards`` are held against the legs.
    zones : Zones or None
        The user's zones.
    off_m : numpy.ndarray, shape (marks,)
        How far each mark lies outside the water in which a boat keeps her margin, metres.
    clear_m : float
        That margin, metres.
    units : {"metric", "feet", "fathoms"}
        Of lengths.
    """
    words: list[str] = []
    if day.hazards is not None and len(day.hazards):
        visited = [str(day.marks.mark_id[s.row]) for s in day.stops]
        words += _legs_by_hazards(day.legs, day.hazards, visited, clear_m, units)
    if zones is not None:
        words += _legs_in_zones(day.legs, zones)
    stops = _at_marks(day, zones, off_m, clear_m, units)
    return replace(day, stops=stops, warnings=(*day.warnings, *words))


def _at_marks(
    day: Day, zones: Zones | None, off_m: FloatArray, clear_m: float, units: UnitSystem
) -> tuple[Stop, ...]:
    marks = day.marks
    private = marks.extra.get("private", np.zeros(len(marks), bool))
    said: dict[int, list[str]] = {}
    if zones is not None:
        from athwart.plan.zones import judge

        found = judge(zones, marks.lon, marks.lat, np.nan_to_num(marks.r95_m)).worst_first()
        for row, touched, sentence in zip(
            found.item.tolist(), found.touched.tolist(), found.sentences(zones, units), strict=True
        ):
            if touched:
                said.setdefault(row, []).append(f"Zone: {sentence}.")
    out = []
    for stop in day.stops:
        row, words = stop.row, []
        r95 = float(marks.r95_m[row])
        if marks.hazard[row]:
            words.append("HAZARD: a danger to the boat; its place is an estimate.")
        words += said.get(row, [])
        if not np.isfinite(r95):
            words.append("Its error is not known.")
        elif r95 >= LARGE_R95_M:
            words.append(
                f"R95 is {format_length(r95, units, 0)}: search for it rather than expect it there."
            )
        if off_m[row] > 0.5:
            off = format_length(float(off_m[row]), units, 0)
            words.append(
                f"The last {off} to it lead nearer to an edge than the "
                f"{format_length(clear_m, units, 0)} kept elsewhere, and were not looked at."
            )
        if bool(private[row]):
            words.append("Private: this sheet gives it away.")
        out.append(replace(stop, warnings=(*stop.warnings, *words)))
    return tuple(out)


def _legs_by_hazards(
    legs: Sequence[Leg],
    hazards: Marks,
    visited: Sequence[str],
    clear_m: float,
    units: UnitSystem,
) -> list[str]:
    """Say which legs pass a danger within its R95 and the margin, but for those that lead to it."""
    import shapely

    plane = LocalPlane.about(
        np.concatenate([leg.lon for leg in legs]), np.concatenate([leg.lat for leg in legs])
    )
    lines = [shapely.LineString(np.stack(plane.to_plane(leg.lon, leg.lat), axis=1)) for leg in legs]
    x, y = plane.to_plane(hazards.lon, hazards.lat)
    places = [shapely.Point(*at) for at in zip(x.tolist(), y.tolist(), strict=True)]
    apart = np.array([shapely.distance(line, places) for line in lines])
    near = apart < np.nan_to_num(hazards.r95_m, nan=LARGE_R95_M) + max(clear_m, LEAST_OFF_HAZARD_M)
    out = []
    for k, i in np.argwhere(near).tolist():
        here = str(hazards.mark_id[i])
        if here in visited[max(k - 1, 0) : k + 1]:
            continue
        name = str(hazards.name[i]) or str(hazards.kind[i]) or "mark"
        r95 = float(hazards.r95_m[i])
        error = f"R95 {format_length(r95, units)}" if np.isfinite(r95) else "error not known"
        out.append(
            f'Leg {k + 1} passes {format_length(float(apart[k, i]), units)} from the hazard "{name}" '
            f"({error})."
        )
    return out


def _legs_in_zones(legs: Sequence[Leg], zones: Zones) -> list[str]:
    from athwart.plan.zones import judge_shapes

    lines = [leg.line for leg in legs]
    found = judge_shapes(zones, lines, np.zeros(len(lines)))
    legs_of: dict[int, list[int]] = {}
    for k, zone, touched in zip(
        found.item.tolist(), found.zone.tolist(), found.touched.tolist(), strict=True
    ):
        if touched:
            legs_of.setdefault(zone, []).append(k + 1)
    out = []
    for zone, numbers in sorted(legs_of.items(), key=lambda item: item[1]):
        rule = zones.rule[zone] or zones.kind[zone]
        legs_said = f"Leg {numbers[0]} touches" if len(numbers) == 1 else (
            f"Legs {', '.join(map(str, numbers[:-1]))} and {numbers[-1]} touch"
        )  # fmt: skip
        out.append(f'{legs_said} the zone "{zones.name[zone]}".' + f" Rule: {rule}." * bool(rule))
    return out
