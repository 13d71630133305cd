"""The plan on a map: every feature as the page draws it, and what its card says.

Areas are cut off where the sheet's background is, and thinned only where all areas and lines
together have more points than a telephone can draw; the page says within what distance.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from athwart.features import ROLES, Feature
from athwart.review.ground import clipped
from athwart.review.sheet import (
    METRES_PER_DEGREE,
    Sheet,
    checked,
    deltas,
    laid_out,
)
from athwart.units import UnitSystem, format_length, format_position, format_speed
from athwart.visible import visible_text

__all__ = ["label_at", "places_of", "plan_data", "value_rows"]

FloatArray = NDArray[np.float64]

_POINTS = 60_000
_FINEST_M = 0.25
_COARSEST_M = 512.0
_LARGE = ("zone",)
"""Roles that may reach far beyond what the plan is about; they do not choose what is shown."""


def places_of(plan: Sequence[Feature]) -> FloatArray:
    """Return the corners of a plan that choose the sheet, shape (n, 2): longitude, latitude.

    Zones have no say, unless there is nothing else.
    """
    own = [f.geometry for f in plan if f.role not in _LARGE] or [f.geometry for f in plan]
    return np.asarray(shapely.get_coordinates(own), np.float64).reshape(-1, 2)


def plan_data(plan: Sequence[Feature], sheet: Sheet, units: UnitSystem) -> dict[str, Any]:
    """Return a plan as the page takes it.

    Returns
    -------
    dict
        ``roles``: those present, with their words; ``within``: tolerance of what was thinned,
        metres; ``features``: a record each, with its shapes in steps of the sheet's quantum.

    Raises
    ------
    DataError
        Coordinates that are not longitude and latitude.
    """
    roles = [role for role in ROLES if any(f.role == role for f in plan)]
    laid = [list(laid_out(checked([f.geometry], "the plan"), sheet)) for f in plan]
    cut = [_cut(parts, sheet) for parts in laid]
    thin, within = _thinned(cut, sheet)
    return {
        "roles": [{"role": role, "words": ROLES[role]} for role in roles],
        "within": within,
        "features": [
            _record(feature, parts, sheet, units, roles.index(feature.role))
            for feature, parts in zip(plan, thin, strict=True)
        ],
    }


def _record(
    feature: Feature, parts: Sequence[Any], sheet: Sheet, units: UnitSystem, role: int
) -> dict[str, Any]:
    coordinates = shapely.get_coordinates
    areas = [p for p in parts if p.geom_type == "Polygon"]
    lines = [p for p in parts if p.geom_type in ("LineString", "LinearRing")]
    points = [p for p in parts if p.geom_type == "Point"]
    record: dict[str, Any] = {
        "role": role,
        "name": visible_text(feature.name).strip(),
        "note": visible_text(feature.note, lines=True),
        "rows": [list(row) for row in value_rows(feature.values, units)],
        "fills": [
            [deltas(coordinates(r), sheet) for r in (a.exterior, *a.interiors)] for a in areas
        ],
        "lines": [deltas(coordinates(line), sheet) for line in lines],
        "points": [deltas(coordinates(p), sheet) for p in points],
    }
    record["label"] = deltas(label_at(areas, lines, points), sheet)
    if points:
        # Places are told in full; a card for an area or a line has no one place.
        first = shapely.get_coordinates(feature.geometry)[0]
        record["at"] = format_position(float(first[0] + 180.0) % 360.0 - 180.0, float(first[1]))
        heading = _number(feature.values.get("heading_deg"))
        if heading is not None:
            turn = float(np.ravel(sheet.turn_deg(first[:1], first[1:2]))[0])
            record["heading"] = round((heading + turn) % 360.0, 1)
        r95 = _number(feature.values.get("r95_m"))
        if r95 is not None and r95 > 0:
            record["r95"] = round(r95, 2)
    return record


def label_at(areas: Sequence[Any], lines: Sequence[Any], points: Sequence[Any]) -> FloatArray:
    """Return where a name stands: well inside the largest area, halfway a line, at the point."""
    if areas:
        largest = max(areas, key=shapely.area)
        return shapely.get_coordinates(shapely.point_on_surface(largest))[:1]
    if lines:
        longest = max(lines, key=shapely.length)
        return shapely.get_coordinates(longest.interpolate(0.5, normalized=True))
    return shapely.get_coordinates(points[0]) if points else np.empty((0, 2))


def _cut(parts: Sequence[Any], sheet: Sheet) -> list[Any]:
    """Return areas within reach of the sheet; lines and points as they are."""
    areas = [p for p in parts if p.geom_type == "Polygon"]
    rest = [p for p in parts if p.geom_type != "Polygon"]
    if not areas or not len(sheet.reaches):
        return list(parts)
    left, bottom, right, top = sheet.reaches[0].tolist()
    kept, _ = clipped(np.array(areas, dtype=object), (left, bottom, right, top))
    return [*kept.tolist(), *rest]


def _thinned(cut: Sequence[Sequence[Any]], sheet: Sheet) -> tuple[list[list[Any]], float]:
    """Return parts that together have few enough points, and within how many metres."""
    scale = np.array([1.0, 1.0])
    if sheet.plane is None:
        shrink = float(np.cos(np.radians(sheet.origin[1])))
        scale = METRES_PER_DEGREE * np.array([max(shrink, 0.05), 1.0])
    flat = [[shapely.transform(p, lambda xy: xy * scale) for p in parts] for parts in cut]
    tolerance, thin = 0.0, flat
    while _count(thin) > _POINTS and tolerance < _COARSEST_M:
        tolerance = max(_FINEST_M, 2.0 * tolerance)
        thin = [[_simpler(p, tolerance) for p in parts] for parts in flat]
    return [[shapely.transform(p, lambda xy: xy / scale) for p in parts] for parts in thin], (
        tolerance
    )


def _simpler(part: Any, tolerance: float) -> Any:
    return shapely.simplify(part, tolerance, preserve_topology=True)


def _count(parts: Iterable[Iterable[Any]]) -> int:
    return int(sum(shapely.get_num_coordinates(p) for group in parts for p in group))


def value_rows(values: Mapping[str, Any], units: UnitSystem) -> Iterable[tuple[str, str]]:
    """Yield term and text of each value; the end of its name is its unit."""
    for key, value in values.items():
        text = _said(key, value, units)
        if text:
            yield _term(key), text


_ENDS = ("_mps", "_m2", "_m", "_km", "_deg", "_s", "_pct", "_kn")


def _term(key: str) -> str:
    end = next((e for e in _ENDS if key.endswith(e)), "")
    words = visible_text(key.removesuffix(end).replace("_", " ")).strip()
    words = words[:1].upper() + words[1:]
    return "R95" if words.lower() == "r95" else words


def _said(key: str, value: Any, units: UnitSystem) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    number = _number(value)
    if number is None:
        return "" if value is None or value != value else visible_text(str(value), lines=True)
    if key.endswith("_mps"):
        return format_speed(number, units)
    if key.endswith("_m2"):
        return f"{number:,.0f} m²" if number < 1e6 else f"{number / 1e6:,.2f} km²"
    if key.endswith("_m"):
        return format_length(number, units, 1 if abs(number) < 1000 else 0)
    if key.endswith("_deg"):
        return f"{number:.0f}°"
    if key.endswith("_s"):
        return _time(number)
    if key.endswith("_pct"):
        return f"{number:.1f} %"
    for end, unit in (("_km", "km"), ("_kn", "kn")):
        if key.endswith(end):
            return f"{number:.2f} {unit}"
    return f"{number:g}"


def _time(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _number(value: Any) -> float | None:
    """Return a finite number; None for anything else, and for truth values and texts."""
    if isinstance(value, bool | np.bool_ | str) or value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if np.isfinite(number) else None
