"""The figure of the page about coverage: what three lanes and a turn have seen of an area."""

from __future__ import annotations

import numpy as np
import shapely
from make_figures import ACCENT, BLUE, FAINT, INK, PLACE, SKY, Sheet, View, number
from shapely.geometry.base import BaseGeometry

from athwart.geometry.plane import LocalPlane
from athwart.plan.coverage import Coverage, coverage
from athwart.plan.passes import Passes, passes_of
from athwart.tables import Track
from athwart.units import format_length

RANGE_M, DEPTH_M = 45.0, 8.0
AREA = ((-40, -20), (190, -45), (345, -15), (350, 120), (215, 160), (60, 150), (-45, 120))
START = np.datetime64("2026-05-10T07:00", "us")


def _way() -> tuple[np.ndarray, np.ndarray]:
    """Return a boat's way: out, round, back wide of it, and a third lane that leaves a gap."""
    there = np.arange(-30.0, 320.0, 2.0)
    out = np.stack([there, np.zeros_like(there)], axis=1)
    turn = np.radians(np.arange(0.0, 181.0, 4.0))
    round_ = np.stack([320 + 17 * np.sin(turn), 17 - 17 * np.cos(turn)], axis=1)
    back = np.stack([there[::-1], np.full_like(there, 34.0)], axis=1)
    second = np.stack([-30 - 39 * np.sin(turn), 73 - 39 * np.cos(turn)], axis=1)
    last = np.stack([np.arange(-30.0, 190.0, 2.0), 112 - np.linspace(0, 8, 110)], axis=1)
    x, y = np.concatenate([out, round_, back, second, last]).T
    return x, y


def seen() -> tuple[Passes, Coverage, LocalPlane]:
    """Return the passes and what they saw of the area."""
    plane = LocalPlane(*PLACE)
    x, y = _way()
    step = np.hypot(np.diff(x, prepend=x[0]), np.diff(y, prepend=y[0]))
    lon, lat = plane.to_earth(x, y)
    track = Track.from_columns(
        {
            "lon": lon,
            "lat": lat,
            "time": START + np.rint(np.cumsum(step) / 2.0 * 1e6).astype("timedelta64[us]"),
            "depth_m": np.full(len(x), DEPTH_M),
        }
    )
    passes = passes_of(track, range_m=RANGE_M, plane=plane)
    return passes, coverage(passes, area=plane.shape_to_earth(shapely.Polygon(AREA))), plane


def shape(s: Sheet, v: View, geometry: BaseGeometry, fill: str, opacity: float, edge: str) -> None:
    """Draw polygons with their holes as one path."""
    path = ""
    for part in shapely.get_parts(geometry):
        for ring in (part.exterior, *part.interiors):
            points = v.path(*shapely.get_coordinates(ring.simplify(0.3)).T)
            path += "M" + "L".join(f"{number(a)} {number(b)}" for a, b in points) + "Z"
    s.parts.append(
        f'<path d="{path}" fill="{fill}" fill-opacity="{opacity:g}" fill-rule="evenodd" '
        f'stroke="{edge}" stroke-width="1"/>'
    )


def draw() -> str:
    """Return the figure."""
    passes, found, _ = seen()
    s = Sheet(
        478,
        "What the side-scan has seen of an area",
        f"An area from above with a boat's way of three lanes. Seen once {100 * found.part(found.seen):.0f} "
        f"percent, from two passes {100 * found.part(found.twice):.0f} percent; a strip under the "
        "boat on each lane, and holes that nobody has looked at. The turns have no swath.",
    )
    v = View(98, 268, 1.3)
    s.head(30, "Seen, seen twice, and not yet")
    shape(s, v, found.seen, SKY, 0.35, BLUE)
    shape(s, v, found.twice, BLUE, 0.45, "none")
    shape(s, v, found.under, INK, 0.28, "none")
    for hole in found.holes:
        shape(s, v, hole, ACCENT, 0.16, ACCENT)
    s.line(v.path(*np.array(AREA).T), colour=INK, width=2, close=True)
    s.line(v.path(*_way()), colour=FAINT, width=1.2, dash="5 4")
    s.text(v.at(322, 52), "turn: cut", anchor="middle", colour=FAINT)
    if found.holes:
        s.text(
            v.at(found.holes[0].centroid.x, found.holes[0].centroid.y - 4),
            "not seen",
            anchor="middle",
            colour=ACCENT,
        )
    rows = (
        (SKY, 0.35, f"seen: {100 * found.part(found.seen):.0f} % of the area"),
        (BLUE, 0.6, f"of it from two passes: {100 * found.part(found.twice):.0f} %"),
        (INK, 0.28, f"under the boat only: {100 * found.part(found.under):.0f} %"),
        (ACCENT, 0.16, f"not seen: {100 * found.part(shapely.union_all(found.holes)):.0f} %"),
    )
    for i, (colour, opacity, words) in enumerate(rows):
        at = (30.0 + 280 * (i % 2), 364.0 + 30 * (i // 2))
        s.parts.append(
            f'<rect x="{number(at[0])}" y="{number(at[1] - 14)}" width="20" height="16" '
            f'fill="{colour}" fill-opacity="{opacity:g}" stroke="{colour}"/>'
        )
        s.text((at[0] + 28, at[1]), words, size=16.8, halo="")
    middle = len(passes.far_m) // 3
    near, far, error = (
        format_length(float(a[middle])) for a in (passes.near_m, passes.far_m, passes.far_error_m)
    )
    s.text(
        (24, 430),
        f"Range {RANGE_M:g} m, depth {DEPTH_M:g} m: {near} to {far} on a side,",
        colour=FAINT,
    )
    s.text((24, 454), f"narrowed by the edge's 95 % error of {error}.", colour=FAINT)
    return s.svg()
