"""The figure of the page about scale: how time and memory grow, from the measured numbers.

``python docs/figures/scale_growth.py`` writes ``docs/scale/growth.svg`` from
``docs/scale/growth.csv``, which ``tests/benchmarks/growth.py`` has written.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

from make_figures import (
    ACCENT,
    BLUE,
    FAINT,
    GREEN,
    ORANGE,
    PURPLE,
    RULE,
    Chart,
    Sheet,
)

SCALE = Path(__file__).parents[1] / "scale"
JOBS = {
    "fix": ("fix", BLUE),
    "merge": ("merge", ACCENT),
    "gpx-out": ("GPX out", GREEN),
    "gpx-in": ("GPX in", ORANGE),
    "book-add": ("book add", PURPLE),
}
ROWS = ("10,000", "100,000", "1 million", "10 million")


def measured(column: str) -> dict[str, list[tuple[float, float]]]:
    """Return the points of each job's line, as powers of ten."""
    out: dict[str, list[tuple[float, float]]] = {job: [] for job in JOBS}
    with (SCALE / "growth.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            value = float(row[column]) * (2**20 / 1e6 if column.endswith("_mib") else 1.0)
            point = (math.log10(int(row["rows"])), math.log10(value))
            out[row["job"]].append(point)
    return out


def panel(s: Sheet, top: float, title: str, column: str, ticks: dict[float, str]) -> None:
    """Draw one chart, both ways in powers of ten."""
    low, high = min(ticks), max(ticks)
    c = Chart(84, top + 24, 478, top + 300, 4.0, 7.0, low, high)
    s.head(top, title)
    for y, words in ticks.items():
        s.line([c.at(4.0, y), c.at(7.0, y)], colour=RULE, width=0.8)
        s.text((76, c.at(4.0, y)[1] + 6), words, anchor="end", halo="")
    for x, words in enumerate(ROWS, start=4):
        at = c.at(x, low)
        s.line([at, (at[0], at[1] + 6)], width=1)
        s.text((at[0], at[1] + 25), words, anchor="middle", halo="")
    s.line([c.at(4.0, low), c.at(7.0, low)], width=1.2)
    ends = []
    for job, points in measured(column).items():
        words, colour = JOBS[job]
        line = [c.at(*p) for p in points]
        s.line(line, colour=colour, width=2.2)
        for at in line:
            s.dot(at, colour, 3.0)
        last = points[-1]
        # In proportion to the rows from the last measurement on; level if it was level so far.
        rise = float(last[1] - points[0][1] > 0.3)
        to = min(7.0, last[0] + high - last[1])
        end = c.at(to, last[1] + rise * (to - last[0]))
        if to > last[0]:
            s.line([line[-1], end], colour=colour, width=1.4, dash="3 5")
        ends.append((end[1], words, colour))
    # Names beside the ends, one under the other where these come close.
    below = -math.inf
    for y, words, colour in sorted(ends):
        below = max(y + 6, below + 19)
        s.text((488, below), words, colour=colour, bold=True, halo="")


def draw() -> str:
    """Return the figure."""
    s = Sheet(
        770,
        "How time and memory grow with the number of sightings",
        "Two charts with powers of ten both ways. Above, the processor's seconds for fixing, "
        "merging, writing GPX, reading GPX and adding to a book, from ten thousand rows upwards. "
        "Below, the memory that each adds. All lines rise nearly in proportion to the rows, but "
        "for the memory of writing GPX, which stays level.",
    )
    seconds = {-2.0: "0.01 s", -1.0: "0.1 s", 0.0: "1 s", 1.0: "10 s", 2.0: "100 s", 3.0: "1000 s"}
    panel(s, 34, "Processor's time", "cpu_s", seconds)
    memory = {0.0: "1 MB", 1.0: "10 MB", 2.0: "100 MB", 3.0: "1 GB", 4.0: "10 GB", 5.0: "100 GB"}
    panel(s, 404, "Memory", "memory_mib", memory)
    s.text((24, 756), "Dots are measured; dashes are carried on.", colour=FAINT)
    return s.svg()


if __name__ == "__main__":
    (SCALE / "growth.svg").write_text(draw(), encoding="utf-8", newline="\n")
