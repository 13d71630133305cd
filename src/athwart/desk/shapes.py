"""Plans as the page draws them: every feature in degrees, with what there is to say of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from athwart.features import ROLES, Feature
from athwart.geometry.plane import LocalPlane
from athwart.review.plan_layer import label_at, value_rows
from athwart.units import UnitSystem, format_position

__all__ = ["plan_records"]

_MOST_POINTS = 60_000
_FINEST_M = 0.25
_COARSEST_M = 512.0


def plan_records(plan: Sequence[Feature], units: UnitSystem) -> dict[str, Any]:
    """Return a plan for the page.

    Parameters
    ----------
    plan : sequence of Feature
        The plan.
    units : {"metric", "feet", "fathoms"}
        What values are written in.

    Returns
    -------
    dict
        ``roles``: those present, with their words; ``within_m``: tolerance of what was thinned;
        ``features``: a record each. Shapes are lists of longitude and latitude.
    """
    roles = [role for role in ROLES if any(f.role == role for f in plan)]
    shapes, within = _thinned([f.geometry for f in plan])
    return {
        "roles": [{"role": role, "words": ROLES[role]} for role in roles],
        "within_m": within,
        "features": [
            _record(f, shape, roles.index(f.role), units)
            for f, shape in zip(plan, shapes, strict=True)
        ],
    }


def _record(feature: Feature, shape: Any, role: int, units: UnitSystem) -> dict[str, Any]:
    parts = [p for p in _parts(shape) if not p.is_empty]
    areas = [p for p in parts if p.geom_type == "Polygon"]
    lines = [p for p in parts if p.geom_type in ("LineString", "LinearRing")]
    points = [p for p in parts if p.geom_type == "Point"]
    place = shapely.get_coordinates(points[0])[0] if points else None
    return {
        "role": role,
        "name": feature.name,
        "note": feature.note,
        "rows": [list(row) for row in value_rows(feature.values, units)],
        "at": "" if place is None else format_position(*_wrapped(place)),
        "heading": _finite(feature.values.get("heading_deg")),
        "r95": _finite(feature.values.get("r95_m")),
        "label": _degrees(label_at(areas, lines, points)),
        "fills": [[_degrees(r) for r in (a.exterior, *a.interiors)] for a in areas],
        "lines": [_degrees(line) for line in lines],
        "points": [_degrees(p) for p in points],
    }


def _parts(shape: Any) -> list[Any]:
    """Return the single shapes of a shape, also where collections hold collections."""
    if not hasattr(shape, "geoms"):
        return [shape]
    return [part for inner in shape.geoms for part in _parts(inner)]


def _wrapped(place: Any) -> tuple[float, float]:
    return float(place[0] + 180.0) % 360.0 - 180.0, float(place[1])


def _degrees(shape: Any) -> Any:
    """Return corners to about a centimetre."""
    corners = shape if isinstance(shape, np.ndarray) else shapely.get_coordinates(shape)
    return np.round(corners, 7).tolist()


def _finite(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float | np.number):
        return None
    return float(value) if np.isfinite(float(value)) else None


def _thinned(shapes: list[Any]) -> tuple[list[Any], float]:
    """Return shapes that together have few enough points, and within how many metres."""
    if sum(shapely.get_num_coordinates(s) for s in shapes) <= _MOST_POINTS:
        return shapes, 0.0
    corners = shapely.get_coordinates(shapes)
    plane = LocalPlane.about(corners[:, 0], corners[:, 1])
    flat = [plane.shape_to_plane(s) for s in shapes]
    within, thin = 0.0, flat
    while sum(shapely.get_num_coordinates(s) for s in thin) > _MOST_POINTS and within < _COARSEST_M:
        within = max(_FINEST_M, 2.0 * within)
        thin = [shapely.simplify(s, within, preserve_topology=True) for s in flat]
    return [plane.shape_to_earth(s) for s in thin], within
