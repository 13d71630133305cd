"""The figure of the page about the tide: a curve with its error, twelfths, and a rock under it."""

from __future__ import annotations

import numpy as np
from make_figures import ACCENT, BLUE, FAINT, INK, RULE, VERMILION, Sheet, metres

from athwart.plan.depth import depth_over
from athwart.plan.tide import Tide
from athwart.tables import Marks, Sightings
from athwart.uncertainty.vertical import Z95

LOW = np.datetime64("2031-05-04T05:00", "us")
HIGH = np.datetime64("2031-05-04T11:12", "us")
AT = np.datetime64("2031-05-04T07:30", "us")
LEFT, RIGHT, TOP, BOTTOM = 64, 560, 70, 372


def draw() -> str:
    """Return the figure."""
    tide = Tide.from_extremes([LOW, HIGH], [0.4, 3.2])
    look = Sightings.from_columns(
        {
            "sighting_id": "a", "lon": 12.0, "lat": 55.0, "time": LOW, "depth_m": 1.9,
            "depth_below": "surface", "var_depth_m2": 1.02, "method": "pick",
        }
    )  # fmt: skip
    rock = Marks.from_columns(
        {
            "mark_id": "a", "lon": 12.0, "lat": 55.0, "height_m": 0.6, "var_height_m2": 0.01,
            "sighting_ids": "a",
        }
    )  # fmt: skip
    over = depth_over(rock, tide, AT, sightings=look, past=tide, draft_m=0.4)
    bottom = -float(over.datum_m[0])

    def x(time: np.ndarray) -> np.ndarray:
        return LEFT + (time - LOW) / (HIGH - LOW) * (RIGHT - LEFT)

    def y(height: np.ndarray) -> np.ndarray:
        return BOTTOM - (height - bottom) / (4.1 - bottom) * (BOTTOM - TOP)

    s = Sheet(
        460,
        "The tide between two turns, and the water over a rock",
        "Height of the tide from low water to high water as a half cosine with a band of its 95 "
        "per cent error, widest half way. Straight pieces show the rule of twelfths. At one time a "
        "line measures the water over the bottom, and a shorter one the least water over a rock.",
    )
    s.head(30, "Half a cosine from low to high water")
    times = LOW + (np.linspace(0, 1, 61) * ((HIGH - LOW).astype(float))).astype("timedelta64[us]")
    height, sigma = tide.height(times)
    band = [*zip(x(times), y(height + Z95 * sigma), strict=True)]
    band += [*zip(x(times)[::-1], y(height - Z95 * sigma)[::-1], strict=True)]
    s.line(band, colour="none", fill=BLUE, opacity=0.16, close=True)
    s.line([(LEFT, y(0.0)), (RIGHT, y(0.0))], colour=RULE, dash="6 4")
    s.text((RIGHT, float(y(0.0)) + 20), "chart datum", anchor="end", colour=FAINT)
    sixths = LOW + (np.arange(7) / 6 * (HIGH - LOW).astype(float)).astype("timedelta64[us]")
    s.line(
        [*zip(x(sixths), y(tide.by_twelfths(sixths)), strict=True)], colour=VERMILION, dash="5 3"
    )
    s.line([*zip(x(times), y(height), strict=True)], colour=BLUE, width=2.4)
    s.line([(LEFT, BOTTOM), (RIGHT, BOTTOM)], colour=INK, width=2)
    at, level = float(x(AT)), float(y(over.tide_m[0]))
    top = bottom + 0.6
    s.line(
        [(at - 34, BOTTOM), (at - 20, y(top) + 6), (at, y(top)), (at + 22, y(top) + 10),
         (at + 36, BOTTOM)],
        fill=FAINT, opacity=0.5, close=True,
    )  # fmt: skip
    s.line([(at - 50, BOTTOM), (at - 50, level)], colour=INK, width=2)
    s.line([(at - 50, level), (at, level)], colour=INK, width=1.2, dash="3 3")
    s.text((at - 58, float(y(-0.55))), metres(over.depth_m[0]), anchor="end", bold=True)
    s.text((at - 58, float(y(-0.55)) + 21), "of water", anchor="end")
    least = float(over.least_m[0])
    s.line([(at, level), (at, y(float(over.tide_m[0]) - least))], colour=ACCENT, width=3)
    s.dot((at, level), BLUE)
    s.text((at + 12, float(y(0.42))), f"at least {metres(least)}", bold=True, colour=ACCENT)
    s.text((at + 12, float(y(0.42)) + 21), "over its top (95 %)", colour=ACCENT)
    s.text((RIGHT, float(y(3.2)) - 40), "± 95 %", anchor="end", colour=BLUE)
    s.text((at + 120, float(y(2.9))), "tide", anchor="end", colour=BLUE, bold=True)
    s.text((at + 190, float(y(1.75))), "rule of twelfths", colour=VERMILION)
    s.text((LEFT, 396), "low water", anchor="middle")
    s.text((RIGHT, 396), "high water", anchor="end")
    s.text((at, 396), "when you get there", anchor="middle")
    s.text((24, 442), "Bottom 1.5 m below datum, rock 0.6 m high.", colour=FAINT)
    assert round(float(over.datum_m[0]), 1) == 1.5
    return s.svg()
