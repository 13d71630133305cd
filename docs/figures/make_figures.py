"""Draw the figures of the explanation: every curve and ellipse comes from athwart's own functions.

``python docs/figures/make_figures.py [DIRECTORY]`` writes one SVG file a figure, beside this script
unless a directory is given. Lengths on the page are rounded to 0.1, so that the same input gives
the same bytes. Places, trips and targets are invented.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.boat import Boat
from athwart.fix import fix
from athwart.geometry.geodesic import displace, local_offsets
from athwart.geometry.lever import east_north, rotate_covariance
from athwart.geometry.slant import (
    first_bottom_return,
    ground_range,
    height_from_shadow,
    slant_of_ground,
    top_ground_range,
)
from athwart.merge import Rulings, merge
from athwart.merge.gate import GATE, gate_limit
from athwart.merge.looks import looks_of
from athwart.merge.offset import VOTE_WITHIN_M, separation
from athwart.tables import Picks, Sightings
from athwart.uncertainty.budget import ErrorBudget
from athwart.uncertainty.ellipse import error_ellipse, r95
from athwart.uncertainty.propagate import boat_axes_covariance

FloatArray = NDArray[np.float64]
Point = tuple[float, float]

PAPER, SHEET, INK, FAINT, RULE = "#f7f3e8", "#fbf9f2", "#1d2730", "#5d6468", "#c4bca8"
ACCENT = "#a3123f"
# Okabe and Ito, "Color Universal Design", 2008.
ORANGE, SKY, GREEN, YELLOW = "#e69f00", "#56b4e9", "#009e73", "#f0e442"
BLUE, VERMILION, PURPLE = "#0072b2", "#d55e00", "#cc79a7"

WIDTH = 600
SIZE = 18
PLACE = (-31.2, 44.4)  # open ocean


def number(value: float) -> str:
    """Write a length on the page, rounded to 0.1, without a negative zero."""
    text = f"{round(float(value), 1) + 0.0:.1f}"
    return text.removesuffix(".0")


def metres(value: ArrayLike, digits: int = 1) -> str:
    """Write metres for people."""
    return f"{float(np.asarray(value)):.{digits}f} m"


@dataclass
class Sheet:
    """One figure: its size, what it shows in words, and its parts in drawing order."""

    height: int
    title: str
    desc: str
    parts: list[str] = field(default_factory=list)

    def line(
        self,
        points: Iterable[Sequence[float]],
        *,
        colour: str = INK,
        width: float = 1.4,
        dash: str = "",
        fill: str = "none",
        close: bool = False,
        opacity: float = 1.0,
    ) -> None:
        """Draw a line through points, or a filled shape."""
        path = "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points) + "Z" * close
        more = f' stroke-dasharray="{dash}"' * bool(dash)
        more += f' fill-opacity="{opacity:g}"' * (opacity < 1)
        self.parts.append(
            f'<path d="{path}" fill="{fill}" stroke="{colour}" stroke-width="{width:g}"{more}/>'
        )

    def box(self, x: float, y: float, w: float, h: float, fill: str, colour: str = "none") -> None:
        """Draw a rectangle."""
        self.parts.append(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(w)}" height="{number(h)}" '
            f'fill="{fill}" stroke="{colour}"/>'
        )

    def oval(
        self,
        at: Sequence[float],
        rx: float,
        ry: float | None = None,
        *,
        turn: float = 0.0,
        colour: str = INK,
        width: float = 1.4,
        dash: str = "",
        fill: str = "none",
        opacity: float = 1.0,
    ) -> None:
        """Draw a circle or an ellipse, its long axis turned clockwise from the right."""
        x, y = number(at[0]), number(at[1])
        more = f' stroke-dasharray="{dash}"' * bool(dash)
        more += f' fill-opacity="{opacity:g}"' * (opacity < 1)
        tail = f'fill="{fill}" stroke="{colour}" stroke-width="{width:g}"{more}/>'
        if ry is None:
            self.parts.append(f'<circle cx="{x}" cy="{y}" r="{number(rx)}" {tail}')
            return
        self.parts.append(
            f'<ellipse cx="{x}" cy="{y}" rx="{number(rx)}" ry="{number(ry)}" '
            f'transform="rotate({number(turn)} {x} {y})" {tail}'
        )

    def specks(self, points: Iterable[Sequence[float]], width: float) -> None:
        """Draw many small dots as one path."""
        path = "".join(f"M{number(x)} {number(y)}h0" for x, y in points)
        self.parts.append(
            f'<path d="{path}" stroke="{INK}" stroke-width="{width:g}" stroke-linecap="round"/>'
        )

    def dot(self, at: Sequence[float], colour: str = INK, r: float = 4.5, fill: str = "") -> None:
        """Draw a dot; a ring where the fill is the paper's."""
        self.oval(at, r, colour=colour, fill=fill or colour, width=1.6)

    def text(
        self,
        at: Sequence[float],
        words: str,
        *,
        anchor: str = "start",
        colour: str = INK,
        size: float = SIZE,
        turn: float = 0.0,
        bold: bool = False,
        halo: str = PAPER,
    ) -> None:
        """Write words; the halo keeps them readable on lines."""
        x, y = number(at[0]), number(at[1])
        more = f' text-anchor="{anchor}"' * (anchor != "start")
        more += f' fill="{colour}"' * (colour != INK)
        more += f' font-size="{size:g}"' * (size != SIZE)
        more += ' font-weight="bold"' * bold
        more += f' transform="rotate({number(turn)} {x} {y})"' * bool(turn)
        more += f' stroke="{halo}" stroke-width="4" paint-order="stroke"' * bool(halo)
        self.parts.append(f'<text x="{x}" y="{y}"{more}>{escape(words)}</text>')

    def arrow(
        self,
        start: Sequence[float],
        end: Sequence[float],
        *,
        colour: str = INK,
        width: float = 1.4,
        both: bool = False,
        dash: str = "",
    ) -> None:
        """Draw an arrow, or a measure with a head at either end."""
        a, b = np.asarray(start, float), np.asarray(end, float)
        way = (b - a) / np.hypot(*(b - a))
        side = np.array([-way[1], way[0]])
        self.line([a + 6 * way * both, b - 6 * way], colour=colour, width=width, dash=dash)
        for tip, w in ((b, way), (a, -way))[: 1 + both]:
            head = [tip, tip - 10 * w + 4 * side, tip - 10 * w - 4 * side]
            self.line(head, colour=colour, fill=colour, width=0.5, close=True)

    def head(self, y: float, words: str) -> None:
        """Write what a panel says."""
        self.text((24, y), words, bold=True, halo="")

    def svg(self) -> str:
        """Return the file's text."""
        body = "\n".join(self.parts)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{self.height}" '
            f'viewBox="0 0 {WIDTH} {self.height}" role="img" aria-labelledby="title desc" '
            f"""font-family="Palatino, Georgia, 'Liberation Serif', 'DejaVu Serif', serif" font-size="{SIZE}" fill="{INK}">\n"""
            f'<title id="title">{escape(self.title)}</title>\n'
            f'<desc id="desc">{escape(self.desc)}</desc>\n'
            f'<rect width="{WIDTH}" height="{self.height}" fill="{PAPER}"/>\n'
            f"{body}\n</svg>\n"
        )


@dataclass(frozen=True)
class View:
    """From metres (right, up) to the page."""

    x: float
    y: float
    scale: float

    def at(self, right: ArrayLike, up: ArrayLike) -> Point:
        """Return one point on the page."""
        return self.x + self.scale * float(np.asarray(right)), self.y - self.scale * float(
            np.asarray(up)
        )

    def path(self, right: ArrayLike, up: ArrayLike) -> list[Point]:
        """Return a line on the page."""
        r, u = np.broadcast_arrays(np.asarray(right, float), np.asarray(up, float))
        return [self.at(a, b) for a, b in zip(r.ravel(), u.ravel(), strict=True)]

    def arc(self, radius: float, start_deg: float, end_deg: float) -> list[Point]:
        """Return an arc about the origin; degrees below the horizon, 0 right and 180 left."""
        angle = np.radians(np.linspace(start_deg, end_deg, 49))
        return self.path(radius * np.cos(angle), -radius * np.sin(angle))


@dataclass(frozen=True)
class Chart:
    """A plain chart: a frame, thin rules, values to the page."""

    left: float
    top: float
    right: float
    bottom: float
    x0: float
    x1: float
    y0: float
    y1: float

    def at(self, x: float, y: float) -> Point:
        """Return one point on the page."""
        return (
            self.left + (x - self.x0) / (self.x1 - self.x0) * (self.right - self.left),
            self.bottom - (y - self.y0) / (self.y1 - self.y0) * (self.bottom - self.top),
        )

    def path(self, x: ArrayLike, y: ArrayLike) -> list[Point]:
        """Return a line on the page."""
        return [
            self.at(float(a), float(b)) for a, b in zip(np.asarray(x), np.asarray(y), strict=True)
        ]

    def frame(
        self,
        s: Sheet,
        xs: Iterable[float],
        ys: Iterable[float],
        unit: str,
        *,
        over: bool = False,
        doubled: bool = False,
    ) -> None:
        """Draw rules and their numbers."""
        for y in ys:
            if not over:
                s.line([self.at(self.x0, y), self.at(self.x1, y)], colour=RULE, width=0.8)
            s.text(
                (self.left - 8, self.at(0, y)[1] + 6),
                f"{2**y if doubled else y:g}{unit}",
                anchor="end",
                halo="",
            )
        for x in xs:
            tick = self.at(x, self.y0)
            s.line([tick, (tick[0], tick[1] + 6)], colour=INK, width=1)
            s.text((tick[0], tick[1] + 24), f"{x:g}", anchor="middle", halo="")
        corners = ((self.left, self.bottom), (self.right, self.bottom))
        s.line(corners, width=1.2)


def surface(s: Sheet, x: float, y: float, until: float, start: float = 24) -> None:
    """Draw the water's surface and a boat seen from behind, her transducer at (x, y)."""
    s.line([(start, y - 12), (until, y - 12)], colour=FAINT, width=1)
    hull = [(-30, -32), (30, -32), (24, -12), (10, -3), (-10, -3), (-24, -12)]
    s.line([(x + a, y + b) for a, b in hull], fill=SHEET, close=True)
    s.dot((x, y), r=3.5)


def slant_range() -> Sheet:
    """Flat bottom: altitude, slant range, ground range, and the frame's line below it."""
    h, r = 8.0, 17.0
    y = float(ground_range(r, h)[0])
    first = float(first_bottom_return(h))
    s = Sheet(
        530,
        "Slant range and ground range on a flat bottom",
        f"Seen from behind the boat: transducer {metres(h, 0)} above a flat bottom, target at a "
        f"slant range of {metres(r, 0)}; it lies {metres(y, 0)} out. Below, one line of the "
        "frame: empty water up to the first bottom return, then bottom, then the target.",
    )
    v = View(70, 92, 26)
    s.head(30, "Seen from behind the boat, flat bottom")
    surface(s, v.x, v.y, 576)
    s.line(v.path([-1.7, 19.4], [-h, -h]), width=2)
    s.line(v.arc(first, 0, 90), colour=FAINT, dash="3 4", width=1.2)
    s.line(v.arc(r, 0, np.degrees(np.arcsin(h / r))), colour=FAINT, dash="3 4", width=1.2)
    s.line(v.path([0, y], [0, -h]), colour=ACCENT, width=2)
    s.arrow(v.at(0, 0), v.at(0, -h), both=True)
    s.dot(v.at(y, -h), ACCENT, 6)
    tilt = float(np.degrees(np.arctan2(h, y)))
    s.text(v.at(8.7, -4.2), f"slant range r = {r:g} m", anchor="middle", turn=tilt, colour=ACCENT)
    s.text((v.x - 10, v.at(0, -h / 2)[1]), f"altitude h = {h:g} m", anchor="middle", turn=-90)
    s.text(v.at(16.3, -1.1), f"all that lies at {r:g} m", anchor="end", colour=FAINT)
    s.text(v.at(16.3, -1.9), "answers at one moment", anchor="end", colour=FAINT)
    s.text(v.at(y + 0.5, -h + 0.6), "target", colour=ACCENT)
    s.text((v.x + 8, 324), "first bottom return: straight below, at h", colour=FAINT)
    s.arrow((v.x, 346), (v.at(y, 0)[0], 346), both=True)
    s.text((v.at(y / 2, 0)[0], 370), f"ground range y = {y:g} m", anchor="middle")

    s.head(418, "The same as one line of the paused frame")
    x = v.at(np.array(first), 0)[0]
    s.box(v.x, 432, 19.4 * v.scale, 30, "#3a3a3a")
    s.box(x, 432, v.at(19.4, 0)[0] - x, 30, "#9a9a9a")
    s.box(v.at(r, 0)[0] - 4, 432, 9, 30, "#f4f4f4")
    s.box(x - 1, 432, 3, 30, "#d0d0d0")
    s.text((v.x + 104, 453), "empty water", anchor="middle", colour="#f0f0f0", halo="")
    s.text((v.at(12.6, 0)[0], 453), "bottom", anchor="middle", colour="#000000", halo="")
    for at, words in ((0.0, "0"), (first, f"{first:g} m"), (r, f"{r:g} m")):
        s.line([(v.at(at, 0)[0], 462), (v.at(at, 0)[0], 470)], width=1)
        s.text((v.at(at, 0)[0], 490), words, anchor="middle", halo="")
    s.text((v.x, 516), "The frame counts along the ray, not along the bottom.", colour=FAINT)
    return s


def slope() -> Sheet:
    """Sloping bottom: falling to port, rising to starboard."""
    h, r, tilt = 8.0, 14.0, 18.0
    falling, rising = (float(ground_range(r, h, t)[0]) for t in (tilt, -tilt))
    flat = float(ground_range(r, h)[0])
    first = float(first_bottom_return(h, -tilt))
    near = (first + h) / 2
    middle, half = (float(a) for a in ground_range(near, h, -tilt))
    t = float(np.tan(np.radians(tilt)))
    s = Sheet(
        520,
        "A bottom that falls away and a bottom that rises",
        f"Seen from behind the boat: the bottom falls away to port and rises to starboard by "
        f"{tilt:g} degrees. The same slant range of {r:g} m ends {metres(falling)} out where it "
        f"falls and {metres(rising)} out where it rises. On the rising side the first bottom "
        f"return comes from {metres(first)}, nearer than the {h:g} m straight below.",
    )
    v = View(304, 100, 18)
    s.head(30, f"One slant range, {r:g} m, on a sloping bottom")
    surface(s, v.x, v.y, 576)
    s.line(v.path([-15.4, 15.0], [-h - 15.4 * t, -h + 15.0 * t]), width=2)
    right = float(np.degrees(np.arctan2(h - rising * t, rising)))
    left = 180 - float(np.degrees(np.arctan2(h + falling * t, falling)))
    s.line(v.arc(r, right, left), colour=FAINT, dash="3 4", width=1.2)
    s.line(v.path([0, -falling], [0, -h - falling * t]), colour=ACCENT, width=2)
    s.line(v.path([0, rising], [0, -h + rising * t]), colour=ACCENT, width=2)
    s.arrow(v.at(0, 0), v.at(0, -h), both=True)
    s.text((v.x - 8, v.at(0, -5.2)[1]), "h", anchor="end")
    # Two places that answer at once, and their middle.
    for y in (middle - half, middle + half):
        s.line(v.path([0, y], [0, -h + y * t]), colour=BLUE, width=1.2, dash="5 3")
        s.dot(v.at(y, -h + y * t), BLUE, 4.5, PAPER)
    s.dot(v.at(middle, -h + middle * t), BLUE, 4.5)
    s.dot(v.at(-falling, -h - falling * t), ACCENT, 6)
    s.dot(v.at(rising, -h + rising * t), ACCENT, 6)
    s.text(v.at(-9.2, -4.0), "falls away:", anchor="end", colour=ACCENT)
    s.text(v.at(-9.2, -5.3), f"y = {metres(falling)}", anchor="end", colour=ACCENT)
    s.text(v.at(7.6, -0.7), f"rises: y = {metres(rising)}", colour=ACCENT)
    s.line(v.arc(near, 40, 100), colour=BLUE, width=1, dash="2 3")
    x, low = v.at(middle, -h + middle * t)
    s.line([(x, low + 6), (x - 8, low + 44)], colour=BLUE, width=0.8)
    s.text((x - 16, low + 62), "two places at one range:", anchor="middle", colour=BLUE)
    s.text((x - 16, low + 84), "the middle is stated", anchor="middle", colour=BLUE)
    s.text((24, 418), f"On a flat bottom the same range would give y = {metres(flat)}.")
    s.text((24, 446), f"First bottom return: {metres(h)} below and on the falling side,")
    s.text((24, 470), f"but {metres(first)} (h cos s) on the rising side.")
    s.text((24, 498), f"Slope s here: {tilt:g}° (+ where the bottom falls away).", colour=FAINT)
    return s


def shadow() -> Sheet:
    """Shadow and height; where the top lies."""
    h, start, length = 10.0, 20.0, 6.0
    height = float(height_from_shadow(h, start, length))
    top = float(top_ground_range(start, length, h))
    end = float(ground_range(start + length, h)[0])
    laid = float(ground_range(start, h)[0])
    s = Sheet(
        490,
        "A shadow gives the height, and the place of the top",
        f"Seen from behind the boat: the ray over the top of a rock ends {metres(end, 0)} out. The "
        f"shadow begins at {start:g} m and is {length:g} m long, so the rock is {metres(height)} "
        f"high and its top lies {metres(top)} out; laid on the bottom, the range of the top would "
        f"give {metres(laid)}.",
    )
    v = View(64, 92, 20)
    s.head(30, "One ray grazes the top and ends the shadow")
    surface(s, v.x, v.y, 576)
    s.line(v.path([-1.7, 25.5], [-h, -h]), width=2)
    s.arrow(v.at(0, 0), v.at(0, -h), both=True)
    s.text((v.x - 10, v.at(0, -h / 2)[1]), f"altitude h = {h:g} m", anchor="middle", turn=-90)
    rock = v.path(
        [top - 0.75, top - 0.5, top, top + 0.4, top + 0.6],
        [-h, -h + 0.7 * height, -h + height, -h + 0.6 * height, -h],
    )
    dark = v.path([top, end, top], [-h + height, -h, -h])
    s.line(dark, fill=INK, colour="none", close=True, opacity=0.25)
    s.line(rock, fill=RULE, close=True)
    s.line(v.path([0, top], [0, -h + height]), width=1.8)
    s.line(v.path([top, end], [-h + height, -h]), width=1.8, dash="6 3")
    down = np.degrees(np.arcsin(h / start))
    s.line(v.arc(start, down - 6, down), colour=FAINT, dash="3 4", width=1.2)
    tilt = float(np.degrees(np.arctan2(h, end)))
    s.text(v.at(9.6, -3.5), f"shadow begins at r_s = {start:g} m", anchor="middle", turn=tilt)
    s.text(v.at(22.3, -8.6), f"L = {length:g} m", anchor="middle", turn=tilt)
    s.dot(v.at(top, -h + height), ACCENT, 6)
    s.dot(v.at(laid, -h), FAINT, 5.5, PAPER)
    s.text(v.at(top + 0.2, -h + height + 3.2), "the top:", colour=ACCENT)
    s.text(v.at(top + 0.9, -h + height + 2.1), "stated place", colour=ACCENT)
    s.text(v.at(laid - 1.0, -h + 0.6), f"height H = {metres(height)}", anchor="end")
    s.line([v.at(laid - 0.9, -h + 0.8), v.at(top - 0.7, -h + 0.9)], colour=FAINT, width=0.8)
    for y, low, words, colour in (
        (laid, 334, f"r_s laid on the bottom: {metres(laid)}, too near", FAINT),
        (top, 374, f"the top: y = {metres(top)}", ACCENT),
        (end, 414, f"end of the shadow: {metres(end)}", INK),
    ):
        s.line([v.at(y, -h), (v.at(y, 0)[0], low)], colour=RULE, width=1, dash="2 3")
        s.arrow((v.x, low), (v.at(y, 0)[0], low), both=True, colour=colour)
        s.text((v.x + 14, low - 8), words, colour=colour)
    s.text(
        (24, 452),
        f"H = h L / (r_s + L) = {h:g} × {length:g} / {start + length:g} = {metres(height)}",
    )
    s.text((24, 476), "Slant lengths, as the frame shows them.", colour=FAINT)
    return s


def above() -> Sheet:
    """Seen from above: antenna, lever arm, heading, along-track, side."""
    heading, lever_f, lever_s, along = 30.0, -5.0, 1.8, 2.5
    slant, h = 17.0, 8.0
    y = float(ground_range(slant, h)[0])

    def place(forward: float, starboard: float) -> tuple[float, float]:
        e, n = east_north(forward, starboard, heading)
        return float(e), float(n)

    under = place(lever_f, lever_s)
    beam = place(lever_f + along, lever_s)
    target = place(lever_f + along, lever_s + y)
    f, st = lever_f + along, lever_s + y
    s = Sheet(
        580,
        "From the antenna to the target, seen from above",
        f"The boat heads {heading:g} degrees. From the antenna the transducer lies {-lever_f:g} m "
        f"astern and {lever_s:g} m to starboard, the beam looks {along:g} m ahead of it, and the "
        f"target lies {y:g} m out to starboard: {metres(target[0])} east and {metres(-target[1])} "
        "south of the antenna.",
    )
    v = View(180, 266, 18)
    s.head(30, "Seen from above (arms drawn long, to be seen)")
    bow, beam_half, stern = 9.5, 3.0, -6.5
    hull = [
        place(f_, s_)
        for f_, s_ in (
            (stern, -2.5), (1.0, -beam_half), (5.0, -2.3), (bow, 0.0), (5.0, 2.3),
            (1.0, beam_half), (stern, 2.5),
        )
    ]  # fmt: skip
    s.line([v.at(*p) for p in hull], fill=SHEET, colour=FAINT, close=True)
    s.line([v.at(0, 0), v.at(0, 10.2)], colour=FAINT, dash="3 4", width=1)
    s.line([v.at(0, 0), v.at(*place(11.2, 0))], colour=FAINT, dash="3 4", width=1)
    s.arrow(v.at(0, 8.6), v.at(0, 10.6))
    s.text(v.at(0, 10.9), "north", anchor="middle")
    bend = np.radians(np.linspace(0, heading, 17))
    s.line(v.path(7.4 * np.sin(bend), 7.4 * np.cos(bend)), width=1.2)
    s.text(v.at(6.4, 9.2), f"heading H = {heading:g}°")
    s.line([v.at(0, 0), v.at(*place(lever_f, 0)), v.at(*under)], colour=BLUE, width=2)
    s.line([v.at(*under), v.at(*beam)], colour=GREEN, width=3)
    s.arrow(v.at(*beam), v.at(*target), colour=ACCENT, width=2)
    s.dot(v.at(0, 0), INK, 5)
    s.dot(v.at(*under), BLUE, 5)
    s.dot(v.at(*target), ACCENT, 6)
    turn = heading
    mid = place(f + 0.45, st * 0.62)
    s.text(v.at(*mid), f"ground range y = {y:g} m", anchor="middle", colour=ACCENT, turn=turn)
    s.text((v.x + 12, v.y + 10), "antenna", halo=SHEET)
    x, low = v.at(*under)
    s.line([(x - 4, low + 4), (x - 26, low + 34)], colour=BLUE, width=0.8)
    s.text((x - 20, low + 50), "transducer", anchor="middle", colour=BLUE)
    s.text(v.at(*place(lever_f / 2, -3.2)), "lever arm", anchor="end", colour=BLUE)
    s.line(
        [v.at(*place(lever_f / 2, -3.1)), v.at(*place(lever_f / 2, -0.2))], colour=BLUE, width=0.8
    )
    at = v.at(*place(lever_f + along / 2, lever_s + 0.3))
    s.line([at, (314, 222)], colour=GREEN, width=0.8)
    s.text((320, 206), "along-track: how far", colour="#00684c")
    s.text((320, 228), "ahead the beam looks", colour="#00684c")
    s.text((v.at(*target)[0] + 14, v.at(*target)[1] + 8), "target", colour=ACCENT)
    s.text((24, 500), f"f = {-lever_f:g} m astern, then {along:g} m ahead: −{-f:g} m")
    s.text((24, 526), f"s = {lever_s:g} m + {y:g} m to starboard: {st:g} m (port counts as minus)")
    s.text(
        (24, 560),
        f"Turned by the heading: {metres(target[0])} east, {metres(-target[1])} south.",
        colour=ACCENT,
    )
    return s


def seconds_back() -> Sheet:
    """Time of the newest line against the time of the target's line."""
    speed, back, y = 2.0, 8.0, 16.0
    s = Sheet(
        540,
        "Seconds back: the boat has moved on since the target was drawn",
        f"Left, the paused frame: the newest line is at the top, the target's line was drawn {back:g} "
        f"seconds earlier. Right, seen from above: at {speed:g} m/s the boat has gone "
        f"{speed * back:g} m since; the target lies abeam of where she was then, not of where she "
        "is now.",
    )
    pick = Picks.from_columns(
        {
            "lon": PLACE[0], "lat": PLACE[1], "heading_deg": 0.0, "course_deg": 0.0,
            "speed_mps": speed, "side": "starboard", "ground_range_m": y,
            "seconds_back": [0.0, back],
        }
    )  # fmt: skip
    place = fix(pick).sightings
    east, north = local_offsets(place.lon, place.lat, *PLACE)
    then_e, then_n = local_offsets(place.antenna_lon, place.antenna_lat, *PLACE)
    v = View(352, 118, 11.5)
    low = v.at(0, then_n[1])[1]
    s.head(30, "The paused frame")
    s.text((330, 30), "Seen from above", bold=True, halo="")
    s.box(40, v.y - 8, 210, 316, "#8c8c8c")
    s.box(125, v.y - 8, 40, 316, "#3a3a3a")
    for k in range(1, 40, 2):  # grey lines of a picture, newest at the top
        s.box(40, v.y - 8 + 8 * k, 210, 2, "#7c7c7c")
    s.box(125, v.y - 8, 40, 316, "#3a3a3a")
    s.line([(40, v.y), (250, v.y)], colour=PAPER, width=2)
    s.box(206, low - 5, 16, 10, "#f8f8f8")
    s.box(222, low - 5, 26, 10, "#1c1c1c")
    s.line([(40, low), (200, low)], colour=PAPER, width=4)
    s.line([(40, low), (200, low)], colour=ACCENT, width=2)
    s.text((145, v.y - 38), "newest line:", anchor="middle")
    s.text((145, v.y - 18), "time on the frame", anchor="middle")
    s.arrow((62, v.y + 4), (62, low - 4), both=True, colour="#ffffff")
    s.text((74, v.y + 98), f"{back:g} seconds", halo="#707070", colour="#ffffff")
    s.text((145, low + 34), "the target's line", anchor="middle", colour="#ffffff", halo="#505050")

    for n, colour, fill in ((0.0, INK, SHEET), (float(then_n[1]), FAINT, PAPER)):
        hull = ((-0.9, -2.0), (-0.9, 0.6), (0.0, 2.4), (0.9, 0.6), (0.9, -2.0))
        s.line([v.at(a, b + n) for a, b in hull], colour=colour, fill=fill, close=True)
    s.arrow(v.at(0, then_n[1] + 2.8), v.at(0, -2.4), dash="3 4", colour=FAINT)
    s.line([v.at(0.9, 0), v.at(east[0], north[0])], colour=FAINT, dash="3 4", width=1.2)
    s.line([v.at(0.9, then_n[1]), v.at(east[1], north[1])], colour=ACCENT, width=2)
    s.dot(v.at(east[0], north[0]), FAINT, 5.5, PAPER)
    s.dot(v.at(east[1], north[1]), ACCENT, 6)
    s.dot(v.at(then_e[1], then_n[1]), INK, 3.5)
    s.dot(v.at(0, 0), INK, 3.5)
    s.text((v.x + 18, v.y - 18), "the boat now")
    s.text((v.x + 18, v.y + 26), "not here: the boat", colour=FAINT)
    s.text((v.x + 18, v.y + 46), "was not here then", colour=FAINT)
    s.text((v.x + 18, v.y + 112), f"{metres(-then_n[1], 0)} made good")
    s.text((v.x + 18, low + 28), f"the boat {back:g} s ago")
    s.text(v.at(east[1] - 0.4, then_n[1] + 1.4), "target", anchor="end", colour=ACCENT)
    s.text(
        (24, 466),
        f"Way made since = speed × time = {speed:g} m/s × {back:g} s = {metres(-then_n[1], 0)}.",
    )
    s.text((24, 492), "With a track, her place then is read off the track.")
    s.text((24, 520), "Not the along-track offset: that is where the beam looks.", colour=FAINT)
    return s


def _own_boat(**changes: float) -> Boat:
    return Boat(budget=ErrorBudget(**changes))


def _starboard(slant: ArrayLike, h: float, boat: Boat, speed: float = 0.0) -> Sightings:
    pick = Picks.from_columns(
        {
            "lon": PLACE[0], "lat": PLACE[1], "heading_deg": 0.0, "side": "starboard",
            "speed_mps": speed, "slant_range_m": slant, "depth_m": h,
        }
    )  # fmt: skip
    return fix(pick, boat=boat).sightings


def first_order_r95(slant: FloatArray, h: float, budget: ErrorBudget) -> FloatArray:
    """Return R95 by the formula that fails: dy = (r dr - h dh) / y - h ds, straight lines only."""
    y, _ = ground_range(slant, h)
    var = (slant / y * budget.range_sigma(slant)) ** 2 + (h / y * budget.depth_sigma(h)) ** 2
    var += (h * np.radians(budget.slope_deg)) ** 2 + (budget.sound_scale * y) ** 2
    covariance = boat_axes_covariance(
        0.0,
        y,
        forward_var_m2=budget.along_sigma(0.0) ** 2 + budget.lever_m**2,
        starboard_mean_m=0.0,
        starboard_moment_m2=var + budget.lever_m**2,
        heading_sigma_deg=budget.heading_deg,
    )
    return r95(*covariance)


def near_nadir() -> Sheet:
    """R95 of the sonar's part against r / h, with first-order propagation beside it."""
    boat = _own_boat(gnss_shared_m=0.0, gnss_own_m=0.0, boat_m=0.0)
    c = Chart(62, 64, 500, 420, 1.0, 1.3, 0.0, 4.0)  # upwards in doublings: 1 m to 16 m
    s = Sheet(
        560,
        "The error grows close to straight below",
        "R95 of the sonar's part (GNSS left out) against slant range over altitude, for altitudes "
        "of 2, 4, 10 and 40 m. The integrated error stays finite down to straight below; the "
        "straight-line formula runs off to infinity there.",
    )
    s.head(30, "R95 of the sonar's part, metres (GNSS left out)")
    c.frame(s, (1.0, 1.1, 1.2, 1.3), range(5), "", doubled=True)
    label = 0.0
    # Dense where the curves bend.
    q = 1.0 + 0.3 * np.linspace(0.0, 1.0, 61) ** 2
    for h, colour in ((40.0, BLUE), (10.0, VERMILION), (4.0, GREEN), (2.0, "#9c4a78")):
        size = np.log2(r95(*_starboard(q * h, h, boat).total_covariance()))
        fine = 1.0 + 0.3 * np.linspace(0.01, 1.0, 161) ** 2
        rough = np.log2(first_order_r95(fine * h, h, boat.budget))
        shown = rough <= c.y1
        s.line(c.path(fine[shown], rough[shown]), colour=colour, dash="5 4", width=1.6)
        s.line(c.path(q, size), colour=colour, width=2.6)
        x, y = c.at(1.3, float(size[-1]))
        label = max(y + 6, label + 21)
        s.text((x + 8, label), f"h = {h:g} m", colour=colour, halo="")
    s.text((c.left + 200, 470), "slant range r / altitude h", anchor="middle")
    s.text((c.left, 494), "1 = straight below; each rule is a doubling", colour=FAINT)
    s.line([(24, 516), (64, 516)], width=2.6)
    s.text((72, 522), "what athwart states: integrated")
    s.line([(24, 542), (64, 542)], dash="5 4", width=1.6)
    s.text((72, 548), "straight-line formula: no bound, then too small")
    return s


@dataclass(frozen=True)
class Source:
    """One source of error: its words, its colour, and its entries in the budget."""

    words: str
    colour: str
    entries: tuple[str, ...]


SOURCES = (
    Source("GNSS, shared by the trip", BLUE, ("gnss_shared_m",)),
    Source("GNSS jitter", SKY, ("gnss_own_m",)),
    Source("repeats on all trips", "#7d8a8f", ("boat_m",)),
    Source("where the beam looks, delay", YELLOW, ("along_track_m", "latency_s", "lever_m")),
    Source("bottom not flat", ORANGE, ("slope_deg",)),
    Source("depth", PURPLE, ("depth_m", "depth_part")),
    Source("range and sound speed", GREEN, ("range_m", "range_part", "sound_scale")),
    Source("heading", VERMILION, ("heading_deg",)),
)


def squared_by_source(y: FloatArray, h: float, speed: float) -> tuple[FloatArray, FloatArray]:
    """Return the squared error of each source alone, and of all together, square metres."""
    slant = slant_of_ground(y, h)
    whole = ErrorBudget()
    every = [e for source in SOURCES for e in source.entries]

    def trace(budget: ErrorBudget) -> FloatArray:
        var_e, var_n, _ = _starboard(slant, h, Boat(budget=budget), speed).total_covariance()
        return var_e + var_n

    alone = [
        trace(ErrorBudget(**{e: getattr(whole, e) if e in source.entries else 0.0 for e in every}))
        for source in SOURCES
    ]
    return np.stack(alone), trace(whole)


def shares() -> Sheet:
    """Share of each error source with ground range."""
    h, speed = 20.0, 2.0
    y = np.linspace(10.0, 100.0, 46)
    alone, _ = squared_by_source(y, h, speed)
    part = np.cumsum(alone, axis=0) / alone.sum(axis=0) * 100.0
    c = Chart(66, 86, 570, 390, 10.0, 100.0, 0.0, 100.0)
    size = r95(
        *_starboard(
            slant_of_ground([10.0, 40.0, 70.0, 100.0], h), h, Boat(), speed
        ).total_covariance()
    )
    s = Sheet(
        612,
        "What the error is made of, near and far",
        f"Share of each source in the squared error against ground range, {h:g} m above the bottom "
        f"at {speed:g} m/s with the default errors. Near the boat the trip's GNSS error leads, far "
        f"out the heading. R95 grows from {metres(size[0])} at 10 m to {metres(size[-1])} at 100 m.",
    )
    s.head(30, f"Share of the squared error, h = {h:g} m")
    low = np.zeros_like(y)
    for source, high in zip(SOURCES, part, strict=True):
        shape = c.path(y, low) + c.path(y[::-1], high[::-1])
        s.line(shape, fill=source.colour, colour=PAPER, width=0.8, close=True, opacity=0.9)
        low = high
    c.frame(s, (10, 40, 70, 100), (0, 50, 100), " %", over=True)
    s.text((24, 74), "R95:", halo="")
    for x, r in zip((10.0, 40.0, 70.0, 100.0), size, strict=True):
        anchor = {10.0: "start", 100.0: "end"}.get(x, "middle")
        s.text((c.at(x, 0)[0], 74), metres(r), anchor=anchor, halo="", bold=True)
        s.line([c.at(x, 100), (c.at(x, 100)[0], c.top - 6)], width=1)
    s.text(((c.left + c.right) / 2, 438), "ground range, metres", anchor="middle", halo="")
    s.text(c.at(14, 26), "GNSS, shared by the trip", colour="#ffffff", halo="", bold=True)
    s.text(c.at(97, 80), "heading", anchor="end", colour="#000000", halo="", bold=True)
    for k, source in enumerate(reversed(SOURCES)):
        x, row = (24, 310)[k // 4], 466 + 28 * (k % 4)
        s.box(x, row - 14, 18, 16, source.colour, FAINT)
        s.text((x + 26, row), source.words, halo="", size=17)
    s.text((24, 594), "The list goes from the top of the picture down.", colour=FAINT)
    return s


def looks_about(
    east: ArrayLike, north: ArrayLike, trip: Sequence[str], **columns: ArrayLike
) -> Sightings:
    """Return invented sightings in metres about a place of the open ocean."""
    e, n = np.broadcast_arrays(np.asarray(east, float), np.asarray(north, float))
    lon, lat = displace(PLACE[0], PLACE[1], e, n)
    values: dict[str, ArrayLike] = {
        "sighting_id": [f"s{i:03d}" for i in range(len(e))],
        "trip": list(trip),
        "lon": lon,
        "lat": lat,
        "var_east_m2": 4.0,
        "var_north_m2": 4.0,
        "cov_east_north_m2": 0.0,
        "shared_sigma_m": 0.0,
        "boat_sigma_m": 0.0,
        "method": "pick",
    }
    return Sightings.from_columns({**values, **columns})


def ellipse(
    s: Sheet, at: Point, covariance: Sequence[ArrayLike], times: float, **look: str | float
) -> None:
    """Draw the error ellipse of a covariance so many times its standard size, in page units."""
    a, b, azimuth = (float(np.asarray(x)) for x in error_ellipse(*covariance))
    s.oval(at, a * times, b * times, turn=azimuth - 90.0, **look)  # type: ignore[arg-type]


def gate() -> Sheet:
    """Gate ellipses within a trip and across trips."""
    own = rotate_covariance(1.6**2, 3.2**2, 0.0, 65.0)
    columns: dict[str, ArrayLike] = {
        "var_east_m2": own[0],
        "var_north_m2": own[1],
        "cov_east_north_m2": own[2],
        "shared_sigma_m": 2.5,
        "boat": "Tern",
        "boat_sigma_m": 1.0,
    }
    # A, then B and C of the same trip, then D at C's place of another trip.
    east, north = np.array([0.0, 4.5, 5.0, 5.0]), np.array([0.0, 3.5, 13.0, 13.0])
    trip = ["one", "one", "one", "two"]
    looks = looks_of(looks_about(east, north, trip, **columns))
    at = np.array([0, 0], dtype=np.int32), np.array([1, 3], dtype=np.int32)
    _, _, see, snn, sen = separation(looks, *at)
    # Within a trip its error cancels; the boat's does in both.
    trips = np.array([0.0, 2 * 2.5**2])
    see, snn = see + trips, snn + trips

    def folds(k: int) -> bool:
        pair = looks_about(east[[0, k]], north[[0, k]], [trip[0], trip[k]], **columns)
        return len(merge(pair).marks) == 1

    words = {True: "may be one thing", False: "two things"}
    v = View(180, 232, 8.6)
    limit = np.sqrt(gate_limit(GATE))
    s = Sheet(
        546,
        "When two sightings may be one thing",
        "Sighting A with its own small error ellipse and two gate ellipses about it: a smaller one "
        "for sightings of the same trip, whose GNSS error is the same, and a larger one for "
        "sightings of another trip. B, of the same trip, lies inside the smaller. A place between "
        "the two is another thing if the same trip saw it, and may be the same if another did.",
    )
    s.head(30, "How far apart may two looks at one thing lie?")
    ellipse(
        s, v.at(0, 0), (see[1], snn[1], sen[1]), limit * v.scale, colour=INK, fill=SHEET, dash="6 4"
    )
    ellipse(s, v.at(0, 0), (see[0], snn[0], sen[0]), limit * v.scale, colour=ACCENT, width=2)
    for k in (0, 1, 2):
        ellipse(
            s,
            v.at(east[k], north[k]),
            own,
            v.scale,
            colour=FAINT,
            fill=RULE,
            opacity=0.45,
            width=0.8,
        )
    for k, letter in ((0, "A"), (1, "B"), (2, "C")):
        s.dot(v.at(east[k], north[k]), INK, 4)
        s.text((v.at(east[k], 0)[0] + 9, v.at(0, north[k])[1] - 7), letter, bold=True, halo=SHEET)
    x = 396
    s.line([(x - 6, 180), v.at(8.2, 1.0)], colour=ACCENT, width=0.8)
    s.line([(x - 6, 298), v.at(16.0, -6.6)], colour=FAINT, width=0.8)
    s.text((x, 184), "gate within a trip:", colour=ACCENT)
    s.text((x, 206), "its GNSS error is", colour=ACCENT)
    s.text((x, 228), "the same for both", colour=ACCENT)
    s.text((x, 302), "gate across trips:")
    s.text((x, 324), "each trip has its")
    s.text((x, 346), "own GNSS error")
    s.text((24, 446), f"A and B, same trip: {words[folds(1)]}.")
    s.text((24, 472), f"A and C, same trip: {words[folds(2)]}.")
    s.text((24, 498), f"A and C, if C is of another trip: {words[folds(3)]}.")
    s.text((24, 528), "Small grey ellipses: each look's own error, 1 sigma.", colour=FAINT, size=17)
    return s


def more_looks() -> Sheet:
    """R95 of a mark against its number of looks: one trip, many trips."""
    n = np.arange(1, 21)
    columns: dict[str, ArrayLike] = {
        "var_east_m2": 9.0,
        "var_north_m2": 9.0,
        "shared_sigma_m": 2.5,
        "boat": "Tern",
        "boat_sigma_m": 1.0,
    }

    def size(trip: Callable[[int], str], k: int) -> float:
        marks = merge(looks_about(np.zeros(k), 0.0, [trip(i) for i in range(k)], **columns)).marks
        (value,) = marks.r95_m
        return float(value)

    one = [size(lambda i: "one", int(k)) for k in n]
    many = [size(str, int(k)) for k in n]
    floor_trip, floor_boat = (float(r95(a, a, 0.0)) for a in (2.5**2 + 1.0, 1.0))
    c = Chart(62, 64, 560, 350, 1.0, 20.0, 0.0, 12.0)
    s = Sheet(
        450,
        "More looks help, more trips help more",
        f"R95 of a mark against its number of looks. Looks of one trip level off at "
        f"{metres(floor_trip)}, the trip's shared GNSS error; one look on each of many trips "
        f"goes on down towards {metres(floor_boat)}, what the boat repeats on every trip.",
    )
    s.head(30, "R95 of a mark, metres")
    c.frame(s, (1, 5, 10, 15, 20), (0, 4, 8, 12), "")
    for y, words in ((floor_trip, "what the trip shares"), (floor_boat, "what the boat repeats")):
        s.line([c.at(1, y), c.at(20, y)], colour=FAINT, dash="3 4", width=1.2)
        s.text((c.right, c.at(1, y)[1] + 20), words, anchor="end", colour=FAINT)
    for values, colour in ((one, VERMILION), (many, BLUE)):
        s.line(c.path(n, values), colour=colour, width=2.4)
        for k, value in zip(n, values, strict=True):
            s.dot(c.at(float(k), value), colour, 2.6)
    s.text(c.at(9, one[8] + 1.0), "all looks on one trip", colour=VERMILION)
    s.text(c.at(6.2, many[6] + 0.6), "one look a trip", colour=BLUE)
    s.text(((c.left + c.right) / 2, 398), "number of looks at one thing", anchor="middle")
    s.text((24, 432), "Own error 3 m, trip 2.5 m, boat 1 m per axis (1 sigma).", colour=FAINT)
    return s


def stones() -> Sheet:
    """Show a line of stones that is not chained into one mark."""
    east = np.arange(12) * 8.0
    sightings = looks_about(east, np.zeros(12), [f"trip {i}" for i in range(12)])
    done = merge(sightings)
    mark_of = dict(zip(done.sightings.sighting_id, done.mark_of.tolist(), strict=True))
    label = [mark_of[i] for i in sightings.sighting_id]
    looks = looks_of(sightings)
    *_, see, snn, sen = separation(
        looks, np.array([0], dtype=np.int32), np.array([1], dtype=np.int32)
    )
    trips = float((looks.shared[:2] ** 2).sum())
    see, snn = see + trips, snn + trips
    reach = float(error_ellipse(see, snn, sen)[0][0]) * float(np.sqrt(gate_limit(GATE)))
    count = len(done.marks)
    m_east, m_north = local_offsets(done.marks.lon, done.marks.lat, *PLACE)
    s = Sheet(
        440,
        "A line of stones stays a line of stones",
        f"Twelve stones 8 m apart. Each lies inside the gate of the next, so joining step by step "
        f"would give one mark 88 m long. Tested against the fused place after each join, they "
        f"become {count} marks.",
    )
    v = View(80, 120, 5.0)
    s.head(30, "Joined step by step: one long chain, wrong")
    s.line(v.path(east, np.zeros(12)), colour=FAINT, width=5)
    for e in east:
        s.oval(v.at(e, 0), reach * v.scale, colour=RULE, width=1)
    for e in east:
        s.dot(v.at(e, 0), INK, 4)
    s.text(
        (24, 206), f"Each stone lies within the gate ({metres(reach)}) of the next.", colour=FAINT
    )
    w = View(80, 322, 5.0)
    s.head(256, f"Tested against the fused place: {count} marks")
    for k in range(count):
        own = east[[i for i, mark in enumerate(label) if mark == k]]
        s.oval(
            w.at(m_east[k], m_north[k]),
            float(done.marks.r95_m[k]) * w.scale,
            colour=ACCENT,
            fill=SHEET,
        )
        s.line([w.at(own.min(), 0), w.at(own.max(), 0)], colour=FAINT, width=5)
    for e in east:
        s.dot(w.at(e, 0), INK, 4)
    for k in range(count):
        x, y = w.at(m_east[k], m_north[k])
        s.line([(x - 8, y), (x + 8, y)], colour=ACCENT, width=2)
        s.line([(x, y - 8), (x, y + 8)], colour=ACCENT, width=2)
    s.dot((34, 392), INK, 4)
    s.text((48, 398), "sighting")
    s.line([(154, 392), (170, 392)], colour=ACCENT, width=2)
    s.line([(162, 384), (162, 400)], colour=ACCENT, width=2)
    s.text((180, 398), "mark, with its R95 circle", colour=ACCENT)
    s.text(
        (24, 426), "Own error 2 m per axis; one look a stone, each on its own trip.", colour=FAINT
    )
    return s


def trip_off() -> Sheet:
    """Show a trip that sits off the others, and the vote that finds it."""
    targets, trips, off = 26, ("one", "two", "three"), (34.0, 22.0)
    # The standard library promises these numbers from version to version.
    chance = random.Random(5)  # noqa: S311
    t_east, t_north = (
        np.array([chance.random() - 0.5 for _ in range(targets)]) * 440.0 for _ in range(2)
    )
    n = targets * 3
    target, trip = np.divmod(np.arange(n), 3)
    radius = 3.0 * np.sqrt(-2.0 * np.log([1.0 - chance.random() for _ in range(n)]))
    angle = 2.0 * np.pi * np.array([chance.random() for _ in range(n)])
    moved = trip == 2
    east = t_east[target] + radius * np.sin(angle) + off[0] * moved
    north = t_north[target] + radius * np.cos(angle) + off[1] * moved
    names = [f"trip {trips[k]}" for k in trip]
    sightings = looks_about(
        east, north, names, var_east_m2=9.0, var_north_m2=9.0, shared_sigma_m=2.5
    )
    (found,) = merge(sightings).report.offsets
    mine = np.array([name == found.trip for name in names])
    de = (east[mine][:, None] - east[~mine][None, :]).ravel()
    dn = (north[mine][:, None] - north[~mine][None, :]).ravel()
    near = np.hypot(de, dn) <= VOTE_WITHIN_M
    s = Sheet(
        640,
        "A trip that sits off the others",
        f"Left, sightings of three trips seen from above: those of one trip lie off those of the "
        f"others, all by the same amount. Right, the displacements of that trip's looks against "
        f"the others' looks within {VOTE_WITHIN_M:g} m: they are spread about but for one pile, "
        f"{metres(found.distance_m, 0)} out at {found.bearing_deg:.0f} degrees.",
    )
    s.head(30, "Seen from above")
    s.text((318, 30), "The vote", bold=True, halo="")
    v, w = View(152, 190, 0.5), View(448, 190, 128 / VOTE_WITHIN_M)
    for left in (24, 320):
        s.box(left, 48, 256, 284, SHEET, RULE)
    for k, colour in ((0, INK), (1, BLUE), (2, ACCENT)):
        for e, north_ in zip(east[trip == k], north[trip == k], strict=True):
            x, y = v.at(e, north_)
            if k == 0:
                s.oval((x, y), 4, colour=colour, width=1.2)
            elif k == 1:
                s.line([(x - 4, y), (x + 4, y)], colour=colour, width=1.4)
                s.line([(x, y - 4), (x, y + 4)], colour=colour, width=1.4)
            else:
                s.line(
                    [(x - 4, y + 4), (x, y - 4), (x + 4, y + 4)],
                    colour=colour,
                    fill=colour,
                    width=1,
                    close=True,
                )
    s.oval(w.at(0, 0), VOTE_WITHIN_M * w.scale, colour=FAINT, width=1, dash="3 4")
    s.specks(w.path(de[near], dn[near]), 3.4)
    s.oval(w.at(found.east_m, found.north_m), 15, colour=ACCENT, width=2)
    rim = 1.0 - 15 / (found.distance_m * w.scale)
    s.arrow(w.at(0, 0), w.at(rim * found.east_m, rim * found.north_m), colour=ACCENT, width=2)
    s.dot(w.at(0, 0), INK, 3)
    s.text((576, 354), f"within {VOTE_WITHIN_M:g} m", anchor="end", colour=FAINT)
    for k, (words, colour) in enumerate(
        (("trip one", INK), ("trip two", BLUE), ("trip three", ACCENT))
    ):
        y = 376 + 26 * k
        if k == 0:
            s.oval((34, y - 6), 4, colour=colour, width=1.2)
        elif k == 1:
            s.line([(30, y - 6), (38, y - 6)], colour=colour)
            s.line([(34, y - 10), (34, y - 2)], colour=colour)
        else:
            s.line([(30, y - 2), (34, y - 10), (38, y - 2)], colour=colour, fill=colour, close=True)
        s.text((48, y), words, colour=colour)
    s.text((24, 468), f"Every look of {found.trip} is laid against every look of the")
    s.text((24, 492), "others. Looks at different things point anywhere; looks at")
    s.text((24, 516), "the same thing all point the same way and pile up.")
    s.text(
        (24, 554),
        f"Found: {found.trip} sits {metres(found.distance_m, 0)} off towards {found.bearing_deg:.0f}°,",
        colour=ACCENT,
    )
    s.text(
        (24, 578),
        f"{found.support} of its looks agree. (Put in: {np.hypot(*off):.0f} m towards {np.degrees(np.arctan2(*off)):.0f}°.)",
        colour=ACCENT,
    )
    s.text((24, 614), "It is told, and moved only when you ask.")
    return s


def book() -> Sheet:
    """Show what a book keeps apart: what was seen, what was decided, and what follows from both."""
    east, north = np.array([-4.4, -0.8, 4.0]), np.array([3.2, 4.4, -4.4])
    own = {"var_east_m2": 1.5, "var_north_m2": 1.5}
    sightings = looks_about(east, north, ["one", "one", "two"], **own)
    a, b, c = sightings.sighting_id
    unruled = merge(sightings).marks
    marks = merge(sightings, rulings=Rulings(same=[(a, b), (a, c)])).marks
    (m_east,), (m_north,) = local_offsets(marks.lon, marks.lat, *PLACE)
    (radius,) = marks.r95_m.tolist()
    s = Sheet(
        546,
        "What a book keeps apart",
        f"Left, what was seen: three sightings, never changed. Right, what the user decided: a name, "
        f"a ruling, a visit. In the middle the mark that follows from both, with its R95 circle of "
        f"{metres(radius)}; it can be worked out anew at any time. Below, the log tells every change.",
    )
    top, low = 46, 246
    left, middle, right = (View(x + 88, 134, 9.0) for x in (24, 212, 400))
    for view, words in ((left, "Seen"), (middle, "Concluded"), (right, "Decided")):
        s.box(view.x - 88, top, 176, low - top, SHEET, RULE)
        s.text((view.x, 30), words, anchor="middle", bold=True, halo="")
    for e, n, letter in zip(east, north, "abc", strict=True):
        s.dot(left.at(e, n), INK, 5)
        x, y = left.at(e, n)
        s.text((x + 10, y + 6), letter)
        s.line([middle.at(e, n), middle.at(m_east, m_north)], colour=FAINT, width=1)
        s.dot(middle.at(e, n), FAINT, 3.5, SHEET)
    s.oval(middle.at(m_east, m_north), radius * middle.scale, colour=ACCENT, width=1.6, dash="3 4")
    x, y = middle.at(m_east, m_north)
    s.line([(x - 9, y), (x + 9, y)], colour=ACCENT, width=2.4)
    s.line([(x, y - 9), (x, y + 9)], colour=ACCENT, width=2.4)
    s.text((left.x, 232), "three sightings", anchor="middle", halo=SHEET)
    s.text((middle.x, 232), f"Anvil, R95 {metres(radius)}", anchor="middle", halo=SHEET)
    for y, words in ((86, "call it Anvil"), (130, "a and c are"), (154, "one thing")):
        s.text((right.x, y), words, anchor="middle", halo=SHEET)
    s.text((right.x, 198), "visited: 2 fish", anchor="middle", halo=SHEET)
    s.arrow((200, 134), (216, 134), colour=ACCENT, width=2.6)
    s.arrow((400, 134), (384, 134), colour=ACCENT, width=2.6)
    for view, words in (
        (left, "never changed"),
        (middle, "worked out anew"),
        (right, "stays said"),
    ):
        s.text((view.x, 276), words, anchor="middle", colour=FAINT)
    s.head(324, "Told")
    s.box(24, 338, 552, 144, SHEET, RULE)
    log = (
        ("1", "add", "trip-one.gpx, trip-two.gpx"),
        ("2", "merge", f"3 new sightings, {len(unruled)} new marks"),
        ("3", "same", "a and c are one thing"),
        ("4", "edit", "name 'Anvil'"),
        ("5", "visit", "Anvil visited: 2 fish"),
    )
    for k, (number_, what, words) in enumerate(log):
        y = 362 + 27 * k
        s.text((40, y), number_, colour=FAINT, halo="")
        s.text((66, y), what, halo="")
        s.text((130, y), words, halo="")
    s.arrow((500, 464), (500, 352), colour=ACCENT, width=2)
    s.text((512, 414), "undo", colour=ACCENT, halo="")
    s.text((24, 518), "The mark follows from the panels on either side of it.", colour=FAINT)
    return s


FIGURES: dict[str, Callable[[], Sheet]] = {
    "book": book,
    "slant-range": slant_range,
    "slope": slope,
    "shadow": shadow,
    "above": above,
    "seconds-back": seconds_back,
    "near-nadir": near_nadir,
    "shares": shares,
    "gate": gate,
    "more-looks": more_looks,
    "stones": stones,
    "trip-off": trip_off,
}


def main(directory: Path) -> None:
    """Write every figure into a directory."""
    directory.mkdir(parents=True, exist_ok=True)
    for name, draw in FIGURES.items():
        (directory / f"{name}.svg").write_text(draw().svg(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
