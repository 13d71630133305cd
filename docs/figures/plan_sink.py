"""The figure of the page about sinking: the way of a lure through a current."""

from __future__ import annotations

import numpy as np
from make_figures import ACCENT, BLUE, FAINT, INK, VERMILION, Sheet, metres

from athwart.plan.sink import count_for, lead, rate_from_counts
from athwart.uncertainty.vertical import Z95
from athwart.units import KNOT

DEPTH, CURRENT = 14.0, 0.8 * KNOT.value


def draw() -> str:
    """Return the figure."""
    rate = rate_from_counts([10.0, 10.0], [9.0, 10.0])
    count, count_sigma = (float(v) for v in count_for(rate, DEPTH))
    away, sigma = (float(v) for v in lead(count, count_sigma, CURRENT, 0.1 * KNOT.value))
    scale, left, surface = 18.0, 200.0, 92.0
    bottom = surface + DEPTH * scale
    s = Sheet(
        448,
        "A lure on its way down",
        "A lure is put in at the surface and sinks while the current, slower near the bottom, "
        "carries it along. Dots show it every two seconds; a bar on the bottom shows the 95 per "
        "cent spread of where it ends.",
    )
    s.head(30, f"Counted to {count:.0f}, carried {metres(away)}")
    s.line([(20, surface), (580, surface)], colour=BLUE, width=1.6)
    s.line([(20, bottom), (580, bottom)], colour=INK, width=2)
    part = np.linspace(0, 1, 60)
    # The seventh power law from the bottom up, summed along the way down.
    drift = away * (1 - (1 - part) ** (8 / 7))
    path = list(zip(left + drift * scale, surface + part * DEPTH * scale, strict=True))
    s.line(path, colour=ACCENT, width=2)
    for second in np.arange(0, count, 2.0):
        i = float(second / count)
        s.dot(
            (left + away * (1 - (1 - i) ** (8 / 7)) * scale, surface + i * DEPTH * scale),
            ACCENT,
            3.5,
        )
    half = Z95 * sigma * scale
    end = left + away * scale
    s.line([(end - half, bottom), (end + half, bottom)], colour=VERMILION, width=6)
    s.line([(left, surface), (left, bottom)], colour=FAINT, dash="4 4")
    for depth in (1.0, 5.0, 9.0, 12.5):
        speed = CURRENT * (1 - depth / DEPTH) ** (1 / 7)
        y = surface + depth * scale
        s.line([(40, y), (40 + speed * 200, y)], colour=BLUE, width=2)
        s.line([(34 + speed * 200, y - 5), (42 + speed * 200, y), (34 + speed * 200, y + 5)],
               colour=BLUE, width=2)  # fmt: skip
    s.text((40, surface - 12), "current 0.8 kn", colour=BLUE)
    s.text((left + 8, surface - 12), "in here")
    s.text((end, bottom + 28), f"{metres(away)} ± {metres(Z95 * sigma)} (95 %)", anchor="middle",
           colour=VERMILION, bold=True)  # fmt: skip
    s.text((end + 20, surface + 60), "a dot every 2 seconds", colour=ACCENT)
    s.text((24, 428), f"Two counts of 9 and 10 s to 10 m; {metres(DEPTH, 0)} wanted.", colour=FAINT)
    return s.svg()
