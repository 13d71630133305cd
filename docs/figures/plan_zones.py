"""The figure of the page about zones: marks inside, near and clear, and a line through."""

from __future__ import annotations

import numpy as np
import shapely
from make_figures import ACCENT, BLUE, FAINT, INK, PLACE, VERMILION, Sheet, View, metres

from athwart.geometry.plane import LocalPlane
from athwart.plan.zones import CLEAR, INSIDE, NEAR, Zones, judge, judge_shapes

AREA = ((0, 0), (190, -25), (250, 60), (210, 170), (60, 150), (-30, 80))
MARKS = {"Anvil": (105, 82, 14), "Ribs": (-36, 36, 26), "Shelf": (312, 30, 16)}
LINE = ((-60, 185), (40, 118), (150, 118), (300, 135))
COLOURS = {INSIDE: ACCENT, NEAR: VERMILION, CLEAR: BLUE}
SHORT = {INSIDE: "inside", NEAR: "within R95", CLEAR: "clear"}


def draw() -> str:
    """Return the figure."""
    plane = LocalPlane(*PLACE)
    name, rule, kind = (np.array([t], dtype=object) for t in ("Pens", "closed", "closed"))
    area = plane.shape_to_earth(shapely.Polygon(AREA))
    zones = Zones(np.array([area], dtype=object), name, rule, kind)
    east, north, r95 = np.array(list(MARKS.values()), float).T
    found = judge(zones, *plane.to_earth(east, north), r95)
    through = judge_shapes(zones, [plane.shape_to_earth(shapely.LineString(LINE))])
    s = Sheet(
        440,
        "Marks and a line against a zone",
        "A closed area seen from above with three marks, each with its circle of R95: one inside, "
        "one outside whose circle reaches over the edge, and one clear. A line runs through the "
        "area, and its length inside is stated.",
    )
    v = View(110, 320, 1.28)
    s.head(30, "Inside, within R95 of the edge, or clear")
    s.line(v.path(*np.array(AREA).T), colour=ACCENT, fill=ACCENT, opacity=0.1, width=2, close=True)
    s.text(v.at(180, 0), "closed area", anchor="middle", colour=ACCENT)
    s.line(v.path(*np.array(LINE).T), colour=INK, width=2, dash="7 4")
    inside = shapely.intersection(shapely.LineString(LINE), shapely.Polygon(AREA))
    s.line(v.path(*shapely.get_coordinates(inside).T), colour=INK, width=4)
    s.text(v.at(95, 186), f"{metres(through.inside_m[0], 0)} of the run inside", anchor="middle")
    edge = shapely.Polygon(AREA).exterior
    for i, (mark, (x, y, r)) in enumerate(MARKS.items()):
        colour = COLOURS[found.state[i]]
        s.oval(v.at(x, y), r * v.scale, colour=colour, width=1.8)
        nearest = edge.interpolate(edge.project(shapely.Point(x, y)))
        s.line([v.at(x, y), v.at(nearest.x, nearest.y)], colour=FAINT, dash="3 3", width=1.2)
        s.dot(v.at(x, y), colour)
        off = f"{metres(abs(found.distance_m[i]), 0)} {'in' if found.state[i] == INSIDE else 'out'}"
        at = v.at(x, y - r)
        s.text((at[0], at[1] + 22), mark, anchor="middle", bold=True)
        s.text((at[0], at[1] + 43), SHORT[found.state[i]], anchor="middle", colour=colour)
        s.text((at[0], at[1] + 64), off, anchor="middle", colour=FAINT)
    s.text((24, 424), "Circles are R95. The law of the place decides, not the file.", colour=FAINT)
    return s.svg()
