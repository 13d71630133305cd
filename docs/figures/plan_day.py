"""The figure of the page about the day sheet: a round that goes about an islet, off its edge."""

from __future__ import annotations

import numpy as np
import shapely
from make_figures import ACCENT, FAINT, INK, PLACE, RULE, Sheet, View, metres

from athwart.geometry.plane import LocalPlane
from athwart.plan.day import Pace, Place
from athwart.plan.days_work import plan_day
from athwart.tables import Marks
from athwart.units import KNOT

ISLET = ((330, 40), (520, 10), (610, 120), (560, 250), (430, 300), (340, 210))
MARKS = {"Anvil": (250, 420, 14), "Ribs": (690, 330, 38), "Shelf": (780, 60, 18)}
START = (120, 60)
CLEAR_M = 40.0


def draw() -> str:
    """Return the figure."""
    plane = LocalPlane(*PLACE)
    lon, lat = plane.to_earth(*np.array([(x, y) for x, y, _ in MARKS.values()], float).T)
    marks = Marks.from_columns(
        {
            "mark_id": np.array([f"{i:08x}" for i in range(len(MARKS))], dtype=object),
            "name": np.array(list(MARKS), dtype=object),
            "kind": "rock",
            "lon": lon,
            "lat": lat,
            "r95_m": np.array([r for *_, r in MARKS.values()], float),
        }
    )
    start = Place(*(float(v) for v in plane.to_earth(*START)), "start")
    islet = shapely.Polygon(ISLET)
    day = plan_day(
        marks,
        start,
        pace=Pace(speed_mps=5 * KNOT.value),
        closed=plane.shape_to_earth(islet),
        clear_m=CLEAR_M,
        dated=np.datetime64("2025-06-01"),
    )
    s = Sheet(
        524,
        "A round of three marks about an islet",
        "Seen from above: from the start through three marks and back. The leg home would cross an "
        "islet and is led round it, so far off its edge as was asked for. Each mark has its number "
        "in the order and its circle of R95.",
    )
    v = View(6, 374, 0.69)
    s.head(30, "The shortest round, round the land")
    s.line(v.path(*np.array(ISLET).T), colour=FAINT, fill=RULE, close=True)
    s.text(v.at(470, 138), "islet", anchor="middle", halo=RULE)
    kept = shapely.get_coordinates(islet.buffer(CLEAR_M))
    s.line(v.path(*kept.T), colour=FAINT, dash="3 4", width=1.2)
    ends = [MARKS[day.called(day.stops[-1].row)][:2], START]
    s.line(v.path(*np.array(ends, float).T), colour=ACCENT, dash="7 5", width=1.4)
    for leg in day.legs:
        x, y = plane.to_plane(leg.lon, leg.lat)
        points = v.path(x, y)
        s.line(points, width=2)
        k = int(leg.part_m.argmax())
        a, b = np.array(points[k]), np.array(points[k + 1])
        s.arrow(a + 0.35 * (b - a), a + 0.6 * (b - a), width=2)
    for number, stop in enumerate(day.stops, 1):
        name = day.called(stop.row)
        x, y, r = MARKS[name]
        s.oval(v.at(x, y), r * v.scale, colour=ACCENT, width=1.6, dash="4 3")
        s.dot(v.at(x, y))
        at = v.at(x, y + max(r, 14))
        if name == "Shelf":
            s.text(
                (v.at(x, y)[0] + 20, v.at(x, y)[1] + 26),
                f"{number} {name}",
                anchor="end",
                bold=True,
            )
            continue
        s.text((at[0], at[1] - 8), f"{number} {name}", anchor="middle", bold=True)
    s.dot(v.at(*START), r=7, fill="#fbf9f2")
    at = v.at(*START)
    s.text((at[0] - 2, at[1] - 16), "start", anchor="middle", bold=True)
    home = day.home
    assert home is not None
    straight = float(np.hypot(*(np.array(ends[0]) - ends[1])))
    s.text(
        (24, 480),
        f"Home: {metres(home.length_m, 0)} round the islet, {metres(CLEAR_M, 0)} off it;",
    )
    s.text((24, 506), f"straight it would be {metres(straight, 0)}, over land.", colour=ACCENT)
    s.text((576, 506), f"whole round {metres(day.length_m, 0)}", anchor="end", colour=INK)
    return s.svg()
