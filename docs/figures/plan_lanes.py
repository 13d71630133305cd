"""The figure of the page about lanes: lanes over an area with closed water in it, and their turns."""

from __future__ import annotations

import numpy as np
import shapely
from make_figures import ACCENT, BLUE, FAINT, INK, PLACE, SKY, Sheet, View, number
from shapely.geometry.base import BaseGeometry

from athwart.geometry.plane import LocalPlane
from athwart.plan.lanes import Lanes, lanes
from athwart.units import format_distance, format_length

RANGE_M, DEPTH_M = 60.0, 8.0
AREA = ((0, 0), (420, -40), (520, 90), (470, 300), (240, 330), (30, 250))
PENS = ((190, 110), (318, 118), (310, 205), (196, 196))


def laid() -> Lanes:
    """Return the plan."""
    plane = LocalPlane(*PLACE)
    return lanes(
        plane.shape_to_earth(shapely.Polygon(AREA)),
        range_m=RANGE_M,
        depth_m=DEPTH_M,
        closed=plane.shape_to_earth(shapely.Polygon(PENS)),
        turn_radius_m=14.0,
    )


def _shape(s: Sheet, v: View, shape: BaseGeometry, fill: str, opacity: float) -> None:
    """Draw polygons with their holes as one path."""
    path = ""
    for part in shapely.get_parts(shape):
        for ring in (part.exterior, *part.interiors):
            points = v.path(*shapely.get_coordinates(ring.simplify(0.3)).T)
            path += "M" + "L".join(f"{number(a)} {number(b)}" for a, b in points) + "Z"
    s.parts.append(
        f'<path d="{path}" fill="{fill}" fill-opacity="{opacity:g}" fill-rule="evenodd"/>'
    )


def draw() -> str:
    """Return the figure."""
    plan = laid()
    plane = LocalPlane(*PLACE)

    def here(shape: BaseGeometry) -> BaseGeometry:
        return plane.shape_to_plane(plan.plane.shape_to_earth(shape))

    s = Sheet(
        536,
        "Survey lanes over an area with closed water in it",
        f"An area from above with {len(plan.lanes)} parallel lanes joined by turns, run one after "
        "the other. The lanes end before a closed zone with room to turn, and the ground beside it "
        "that none of them sees is marked as left out.",
    )
    v = View(74, 374, 0.9)
    s.head(30, "Neighbours see under each other")
    _shape(s, v, here(plan.promised), SKY, 0.3)
    _shape(s, v, here(plan.left_out), ACCENT, 0.28)
    s.line(
        v.path(*np.array(PENS).T), colour=ACCENT, width=2, close=True, fill="#ffffff", opacity=0.5
    )
    s.line(v.path(*np.array(AREA).T), colour=INK, width=2, close=True)
    for way in plan.way:
        line = shapely.get_coordinates(here(shapely.LineString(way)))
        s.line(v.path(*line.T), colour=FAINT, width=1.3, dash="5 3")
    for i, lane in enumerate(plan.lanes, start=1):
        ends = shapely.get_coordinates(here(lane))
        tip = ends[0] + 0.6 * (ends[-1] - ends[0])
        s.line(v.path(*ends.T), colour=BLUE, width=2)
        s.arrow(v.at(*ends[0]), v.at(*tip), colour=BLUE, width=2)
        at = ends[0] + 0.3 * (ends[-1] - ends[0])
        s.text((v.at(*at)[0], v.at(*at)[1] + 6), str(i), anchor="middle", colour=BLUE, size=16.8)
    s.text(v.at(254, 152), "closed", anchor="middle", colour=ACCENT)
    seen = 100 * plan.promised.area / plan.area.area
    rows = (
        f"Range {RANGE_M:g} m, depth {DEPTH_M:g} m: {format_length(plan.near_m)} to "
        f"{format_length(plan.far_m)} on a side,",
        f"so {format_length(plan.spacing_m)} from lane to lane at most.",
        f"{format_distance(plan.length_m)} in all; the lanes see {seen:.0f} % of the area.",
    )
    for i, words in enumerate(rows):
        s.text((24, 468 + 26 * i), words, colour=FAINT)
    return s.svg()
