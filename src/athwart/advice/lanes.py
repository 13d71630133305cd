"""Survey lanes, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from athwart.units import (
    UnitSystem,
    format_area,
    format_distance,
    format_length,
    format_speed,
    many,
)

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.lanes import Lanes
    from athwart.plan.zones import Zones

__all__ = ["joined", "lanes_lines", "lanes_words"]


def joined(shapes: Sequence[BaseGeometry]) -> BaseGeometry | None:
    """Return areas as one collection; they are joined in the plane, where edges are true."""
    import shapely

    parts = [p for s in shapes for p in shapely.get_parts(s) if p.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts) if parts else None


def lanes_words(plan: Lanes, zones: Zones | None, units: UnitSystem) -> list[str]:
    """Return what should be known of lanes: parts, ways round, what is left out, zones."""
    words = []
    if len(plan.way) > 1:
        words.append(
            f"there is no way by the water given between all lanes; they come in {len(plan.way)} "
            "parts, and how to get from one to the next is yours to find"
        )
    if plan.around:
        words.append(
            f"{many(plan.around, 'way')} from lane to lane {'leads' if plan.around == 1 else 'lead'} "
            "round closed water, with corners that the boat must round by herself"
        )
    if not plan.left_out.is_empty:
        words.append(
            f"left out: {format_area(plan.left_out.area, units)} that no lane sees which the boat "
            "can run; it is in the plan as not seen"
        )
    if zones is not None:
        from athwart.plan.zones import judge_shapes

        run = plan.run()
        found = judge_shapes(zones, [f.geometry for f in run], np.zeros(len(run)), reach_m=0.0)
        words += [f"the way {s}" for s in found.worst_first().sentences(zones, units)]
    return words


def lanes_lines(plan: Lanes, units: UnitSystem) -> list[str]:
    """Return the lanes in words: how many, how they lie, how long they take, what they see."""
    out: list[str] = []
    straight, spare = plan.lanes_m, plan.length_m - plan.lanes_m
    directions = sorted({round(d) % 180 for d in plan.direction_deg})
    shown = ", ".join(f"{d:03d}/{d + 180:03d}" for d in directions[:6])
    more = f" and {len(directions) - 6} more" if len(directions) > 6 else ""
    out.append(f"lanes      {len(plan.lanes)}, direction {shown}{more} true")
    out.append(
        f"spacing    {format_length(plan.spacing_m, units)} at most; a side is counted on from "
        f"{format_length(plan.near_m, units)} to {format_length(plan.far_m, units)}"
        + (
            f", less its 95 % error of {format_length(plan.far_error_m, units)}"
            if plan.far_error_m
            else ", to its full width"
        )
    )
    out.append(
        f"way        {format_distance(plan.length_m, units)}: {format_distance(straight, units)} of "
        f"lanes, {format_distance(spare, units)} of turns and run-ins"
    )
    out.append(
        f"time       {_duration(plan.time_s)} at {format_speed(plan.speed_mps, units)}, not counting "
        "the way there"
    )
    out.append(
        f"area       {format_area(plan.area.area, units)}, of which the lanes see "
        f"{100 * plan.promised.area / plan.area.area:.1f} %"
    )
    out.append(
        f"room       turns of {format_length(plan.turn_radius_m, units)} radius reach "
        f"{format_length(plan.room_m, units, 0)} beyond the area: look whether there is water"
    )
    return out


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else many(minutes, "minute")
