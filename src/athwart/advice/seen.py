"""What the side-scan has seen, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from athwart.units import (
    UnitSystem,
    format_area,
    format_distance,
    format_length,
    format_position,
    many,
)

if TYPE_CHECKING:
    from athwart.plan.coverage import Coverage
    from athwart.plan.passes import Passes

__all__ = ["coverage_lines", "hole_middle", "swath_of"]


def swath_of(passes: Passes) -> dict[str, float]:
    """Return how far out passes mostly see, and the 95 % error of the far edge, metres."""
    seen = passes.far_m > passes.near_m
    if not seen.any():
        return {"near_m": math.nan, "far_m": math.nan, "edge_error_m": math.nan}
    return {
        "near_m": float(np.median(passes.near_m[seen])),
        "far_m": float(np.median(passes.far_m[seen])),
        "edge_error_m": float(np.median(passes.far_error_m[seen])),
    }


def coverage_lines(found: Coverage, passes: Passes, units: UnitSystem) -> list[str]:
    """Return what was seen: the way, the swath, areas and holes."""
    out: list[str] = []
    swath = swath_of(passes)
    count = found.passes
    out.append(
        f"run          {format_distance(found.length_m, units)} in "
        f"{count} {'pass' if count == 1 else 'passes'}"
    )
    if count and math.isfinite(swath["far_m"]):
        near, far, edge = (format_length(v, units) for v in swath.values())
        out.append(
            f"swath        mostly {near} to {far} out on a side, edge ± {edge} (95 %): "
            + ("narrowed by that" if found.cautious else "drawn to its full width")
        )

    def part(shape: Any) -> str:
        share = found.part(shape)
        return "" if math.isnan(share) else f", {100 * share:.1f} % of the area"

    rows = {"seen": found.seen, "seen twice": found.twice, "under boat": found.under}
    for title, shape in rows.items():
        out.append(f"{title:<12} {format_area(shape.area, units)}{part(shape)}")
    out.append(f"not seen     {_holes(found, units)}")
    if found.small_holes:
        out.append(
            f"             and {many(found.small_holes, 'hole')} too narrow to count, together "
            f"{format_area(found.small_holes_m2, units)}"
        )
    return out


def _holes(found: Coverage, units: UnitSystem) -> str:
    if not found.holes:
        return "no hole" + (" within the ground seen" if found.area is None else " in the area")
    lon, lat = hole_middle(found, 0)
    return (
        f"{many(len(found.holes), 'hole')}, together {format_area(found.holes_m2, units)}, the "
        f"largest {format_area(found.holes[0].area, units)} about {format_position(lon, lat)}"
    )


def hole_middle(found: Coverage, hole: int) -> tuple[float, float]:
    """Return longitude and latitude of a place within a hole."""
    point = found.holes[hole].representative_point()
    lon, lat = found.plane.to_earth(point.x, point.y)
    return float(lon), float(lat)
