"""Runs along a line, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from athwart.errors import DataError, UsageError
from athwart.units import UnitSystem, format_length, format_position, many

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.runs import Clearance, Run
    from athwart.plan.zones import Findings, Zones
    from athwart.tables import Marks

__all__ = ["hazard_lines", "length_words", "line_meant", "run_lines", "zones_along"]

_LISTED = 12


def line_meant(
    lines: Sequence[tuple[str, BaseGeometry]], wanted: str, source: str
) -> tuple[str, BaseGeometry]:
    """Return the line that is meant.

    Raises
    ------
    DataError
        There is none.
    UsageError
        There are several and none of them, or more than one, is meant.
    """
    if not lines:
        raise DataError(f"{source} holds no line, no outline, no track and no route to run along")
    numbered = [(name or f"line {i}", line) for i, (name, line) in enumerate(lines, 1)]
    choice = ", ".join(f"{i} {name}" for i, (name, _) in enumerate(numbered[:_LISTED], 1))
    choice += f" and {len(numbered) - _LISTED} more" if len(numbered) > _LISTED else ""
    if not wanted:
        if len(numbered) == 1:
            return numbered[0]
        raise UsageError(
            f"{source} has {len(numbered)} lines; choose one: {choice}", code="line-not-chosen"
        )
    same = [n for n in numbered if n[0].casefold() == wanted.strip().casefold()]
    if not same and wanted.strip().isdigit() and 0 < int(wanted) <= len(numbered):
        same = [numbered[int(wanted) - 1]]
    if len(same) != 1:
        count = "no line" if not same else f"{len(same)} lines"
        raise UsageError(
            f"{source} has {count} called {wanted!r}; choose by name or number: {choice}"
        )
    return same[0]


def length_words(metres: float, units: UnitSystem) -> str:
    """Return a length, to the metre from 100 m on."""
    return format_length(metres, units, 0 if metres >= 100 else 1)


def run_lines(
    run: Run, called: str, units: UnitSystem, turn: float, speed: float | None, pieces: int
) -> list[str]:
    """Return what is said of a run: how long, how far off, where the turn keeps it off."""
    way = "against it" if run.reversed else "along it"
    out = [
        f"{length_words(run.length_m, units)} {way}, {length_words(run.off_m, units)} to {run.side} of {called}"
    ]
    if speed is not None:
        out[0] += f", {run.length_m / speed / 60:.0f} min"
    out.append(
        f"distance from the line {format_length(run.nearest_m, units)} to "
        f"{format_length(run.farthest_m, units)}; turns no tighter than {length_words(turn, units)}"
        if turn > 0
        else f"distance from the line {format_length(run.nearest_m, units)} to "
        f"{format_length(run.farthest_m, units)}; turns of any radius"
    )
    worst = sorted(run.stretches, key=lambda s: -abs(s.distance_m - run.off_m))
    if worst:
        share = sum(s.to_m - s.from_m for s in worst) / run.length_m
        out.append(
            f"{many(len(worst), 'stretch').replace('stretchs', 'stretches')} at another distance "
            f"because of the turn, {100 * share:.0f} % of the way"
        )
    for s in worst[:5]:
        out.append(
            f"  from {length_words(s.from_m, units)} to {length_words(s.to_m, units)}: up to "
            f"{format_length(s.distance_m, units)} off"
        )
    points = len(run.line.coords)
    if pieces > 1:
        out.append(
            f"{points} points in {pieces} pieces under the limits; thinned more, it needs fewer"
        )
    return out


def hazard_lines(hazards: Marks, passed: Clearance, units: UnitSystem, clear: float) -> list[str]:
    """Return the hazards that a run comes near to."""
    out = []
    for i, clear_m, along, side in zip(
        passed.mark, passed.clear_m, passed.along_m, passed.side, strict=True
    ):
        place = format_position(float(hazards.lon[i]), float(hazards.lat[i]))
        name = hazards.name[i] or f"hazard at {place}"
        where = f"to {side}" if side else "under the run"
        left = (
            f"{format_length(clear_m, units)} clear of its R95"
            if clear_m >= 0
            else "the run leads through its R95"
        )
        out.append(f"hazard: {name} {where}, {length_words(along, units)} along: {left}")
    if not len(hazards):
        return ["hazards: none among these marks"]
    return out or [
        f"hazards: none of {len(hazards)} with less than {length_words(clear, units)} left"
    ]


def zones_along(zones: Zones, touched: Findings, units: UnitSystem, clear: float) -> list[str]:
    """Return the zones that a run comes near to."""
    out = [f"zone: {sentence}" for sentence in touched.sentences(zones, units)]
    if not len(touched):
        out.append(f"zones: none of {many(len(zones), 'zone')} within {length_words(clear, units)}")
    return [*out, "The law of the place decides, not the file of zones."]
