"""The figure of the page about runs: a ragged bank, the run beside it, and a wide turner."""

from __future__ import annotations

import numpy as np
import shapely
from make_figures import ACCENT, BLUE, FAINT, GREEN, PLACE, RULE, Sheet, View

from athwart.geometry.plane import LocalPlane
from athwart.plan.runs import Run, run_along

BANK = (
    (0, 10), (35, 18), (62, 8), (78, -22), (104, -30), (118, 6), (150, 16), (176, 12), (183, 64),
    (190, 64), (196, 12), (228, 4), (262, 20), (285, 16),
)  # fmt: skip
OFF, TURN, WIDE = 18.0, 14.0, 36.0


def laid(turn: float) -> Run:
    """Return the run at 18 m for a turn radius."""
    plane = LocalPlane(*PLACE)
    bank = plane.shape_to_earth(shapely.LineString(BANK))
    return run_along(bank, OFF, "starboard", turn_radius_m=turn)


def draw() -> str:
    """Return the figure."""
    plane = LocalPlane(*PLACE)
    small, wide = laid(TURN), laid(WIDE)
    s = Sheet(
        416,
        "A run along a ragged bank",
        "A bank seen from above, the land shaded. The run lies 18 m off it: it rounds the headland "
        "at that distance, keeps off on an arc of the turn radius in the corners, and goes "
        "straight past a narrow cleft. A boat that turns wider swings out before the headland.",
    )
    v = View(22, 168, 1.95)
    s.head(30, "18 m off the bank, to starboard")
    land = [*BANK, (285, 64), (0, 64)]
    s.line(v.path(*np.array(land, float).T), colour=RULE, fill=RULE, opacity=0.45, close=True)
    s.line(v.path(*np.array(BANK, float).T), colour=FAINT, width=2)
    for run, colour, dash, width in ((wide, BLUE, "7 4", 1.8), (small, GREEN, "", 3.0)):
        points = shapely.get_coordinates(plane.shape_to_plane(run.line))
        s.line(v.path(*points.T), colour=colour, width=width, dash=dash)
    points = shapely.get_coordinates(plane.shape_to_plane(small.line))
    s.arrow(v.at(*points[-2]), v.at(*points[-1]), colour=GREEN, width=3.0)
    line = shapely.LineString(points)
    for t in (0.07, 0.42, 0.93):
        at = line.interpolate(t, normalized=True)
        foot = shapely.LineString(BANK).interpolate(shapely.LineString(BANK).project(at))
        s.line([v.at(at.x, at.y), v.at(foot.x, foot.y)], colour=FAINT, dash="3 3", width=1.2)
    s.text(v.at(8, 40), "land", colour=FAINT)
    s.text(v.at(206, 36), "a cleft, passed by", colour=FAINT)
    s.text(v.at(12, -25), "18 m", colour=FAINT)
    s.text(v.at(118, -62), f"turns of {TURN:g} m: never nearer than 18 m", colour="#00664a")
    s.text(v.at(118, -75), f"at most {small.farthest_m:.1f} m off in a corner", colour="#00664a")
    s.text(v.at(118, -91), f"turns of {WIDE:g} m: swings out,", colour=BLUE)
    s.text(v.at(118, -104), f"at most {wide.farthest_m:.1f} m off", colour=BLUE)
    s.text((24, 402), "No depth is looked at. Advice, not navigation.", colour=ACCENT)
    return s.svg()
