"""A small drawn chart of a day's round, as SVG: legs, marks by shape and code, R95 to scale.

Drawn in the plane about the places of the day, north up, lengths true. It carries no script, no
style sheet and no link, and all text in it is escaped.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

import numpy as np
import shapely
from numpy.typing import NDArray

from athwart.geometry.plane import LocalPlane
from athwart.kinds import Symbol, symbols_for
from athwart.plan.day import Day
from athwart.units import FOOT, NAUTICAL_MILE, UnitSystem
from athwart.visible import visible_text

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["chart_of", "sign"]

FloatArray = NDArray[np.float64]

SHEET, WASH, INK, FAINT, RULE, ACCENT = (
    "#fbf9f2", "#e6dcc3", "#1d2730", "#5d6468", "#c4bca8", "#a3123f",
)  # fmt: skip
WIDTH = 640.0
_FRAME = 34.0
_SIZE = 17.0
_LEAST_SPAN_M = 120.0
_SMALLEST_CIRCLE = 5.0
"""A circle of R95 smaller than this on the page is not drawn."""
_WORD = {"metric": ("m", 1.0), "feet": ("ft", FOOT.value), "fathoms": ("ft", FOOT.value)}
_ROOM = {
    "triangle": (19, 19), "diamond": (25, 20), "circle": (21, 21), "lens": (26, 16),
    "basin": (29, 18), "trapezium": (27, 18), "hexagon": (28, 19), "bar": (29, 15),
    "capsule": (32, 17), "square": (21, 18),
}  # fmt: skip


def _n(value: float) -> str:
    return f"{round(float(value), 1) + 0.0:.1f}".removesuffix(".0")


def _path(points: Iterable[Sequence[float]], *, close: bool = False) -> str:
    return "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points) + "Z" * close


def _outline(shape: str, w: float, h: float) -> str:
    x, y = w / 2, h / 2
    corners = {
        "triangle": [(0, -1.25 * y), (1.2 * x, y), (-1.2 * x, y)],
        "basin": [(-x, -y), (x, -y), (0.55 * x, y), (-0.55 * x, y)],
        "trapezium": [(-0.6 * x, -y), (0.6 * x, -y), (x, y), (-x, y)],
        "diamond": [(0, -1.3 * y), (1.15 * x, 0), (0, 1.3 * y), (-1.15 * x, 0)],
        "hexagon": [(-x, 0), (-0.55 * x, -y), (0.55 * x, -y), (x, 0), (0.55 * x, y), (-0.55 * x, y)],
    }  # fmt: skip
    if shape in corners:
        return _path(corners[shape], close=True)
    if shape == "circle":
        r = _n(max(x, y))
        return f"M-{r} 0A{r} {r} 0 1 0 {r} 0A{r} {r} 0 1 0 -{r} 0Z"
    if shape == "lens":
        a, b = _n(1.15 * x), _n(2.1 * y)
        return f"M-{a} 0Q0 -{b} {a} 0Q0 {b} -{a} 0Z"
    if shape == "capsule":
        a, r = _n(x - y), _n(y)
        return f"M-{a} {r}A{r} {r} 0 0 1 -{a} -{r}H{a}A{r} {r} 0 0 1 {a} {r}Z"
    return _path([(-x, -y), (x, -y), (x, y), (-x, y)], close=True)


def sign(symbol: Symbol, x: float, y: float, *, hazard: bool = False) -> str:
    """Return the sign of a kind about a point: its shape with its code, a dotted ring if a hazard."""
    w, h = _ROOM[symbol.shape]
    if symbol.shape in ("square", "bar"):
        w = max(w, 7 * len(symbol.code) + 8)
    value = int(symbol.colour[1:], 16)
    light = 0.299 * (value >> 16) + 0.587 * (value >> 8 & 255) + 0.114 * (value & 255)
    ring = (
        f'<circle r="{_n(max(w, h) / 2 + 5)}" fill="none" stroke="{INK}" stroke-width="1.6" '
        'stroke-dasharray="1.5 2.5"/>'
        if hazard
        else ""
    )
    down = 6.5 if symbol.shape == "triangle" else 3.8
    return (
        f'<g transform="translate({_n(x)} {_n(y)})">{ring}'
        f'<path d="{_outline(symbol.shape, w, h)}" fill="{symbol.colour}" stroke="{INK}" '
        'stroke-width="1.3"/>'
        f'<text y="{down}" text-anchor="middle" font-size="10.5" font-weight="bold" '
        "font-family=\"'Liberation Sans', Arial, sans-serif\" "
        f'fill="{"#ffffff" if light < 110 else "#000000"}">{escape(visible_text(symbol.code))}</text></g>'
    )


class _View:
    """From the plane to the page."""

    def __init__(self, xy: FloatArray, circles: FloatArray) -> None:
        grown = np.nan_to_num(circles)[:, None]
        low, high = (xy - grown).min(axis=0), (xy + grown).max(axis=0)
        span = np.maximum(high - low, _LEAST_SPAN_M)
        middle = 0.5 * (low + high)
        room = WIDTH - 2 * _FRAME
        self.scale = float(min(room / span[0], 1.15 * room / span[1]))
        self.height = float(
            np.clip(span[1] * self.scale, 0.42 * room, 1.15 * room) + 2 * _FRAME + 34
        )
        self.middle = middle
        self.centre = np.array([WIDTH / 2, (self.height - 34) / 2])

    def at(self, xy: FloatArray) -> FloatArray:
        flat = (np.asarray(xy, np.float64) - self.middle) * self.scale
        return np.asarray(self.centre + flat * [1.0, -1.0])

    def box_m(self) -> tuple[float, float, float, float]:
        """Return what the page shows in the plane: left, bottom, right, top."""
        x, y = self.middle.tolist()
        wide, up = WIDTH / 2 / self.scale, float(self.centre[1]) / self.scale
        return x - wide, y + up - self.height / self.scale, x + wide, y + up


def chart_of(day: Day, units: UnitSystem = "metric") -> str:
    """Return the drawn chart of a day.

    Parameters
    ----------
    day : Day
        What to draw: its legs, marks, circles of R95, and the water it was given.
    units : {"metric", "feet", "fathoms"}
        Of the scale: metres, or feet and nautical miles.

    Returns
    -------
    str
        An ``svg`` element.
    """
    marks = day.marks
    rows = np.array([s.row for s in day.stops])
    ends = [day.start, *([day.end] if day.end and day.end != day.start else [])]
    legs = day.legs
    lon = np.concatenate([marks.lon[rows], [p.lon for p in ends], *(leg.lon for leg in legs)])
    lat = np.concatenate([marks.lat[rows], [p.lat for p in ends], *(leg.lat for leg in legs)])
    plane = LocalPlane.about(lon, lat)
    xy = np.stack(plane.to_plane(lon, lat), axis=1)
    circles = np.zeros(len(xy))
    circles[: len(rows)] = np.minimum(np.nan_to_num(marks.r95_m[rows]), 0.5 * float(np.ptp(xy)))
    view = _View(xy, circles)
    places = view.at(xy)
    parts = _ground(day, plane, view)
    for k, r95 in enumerate(marks.r95_m[rows].tolist()):
        radius = r95 * view.scale
        if radius >= _SMALLEST_CIRCLE:
            x, y = places[k]
            parts.append(
                f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(radius)}" fill="{ACCENT}" '
                f'fill-opacity="0.08" stroke="{ACCENT}" stroke-width="1" stroke-dasharray="4 3"/>'
            )
    lines = [view.at(np.stack(plane.to_plane(leg.lon, leg.lat), axis=1)) for leg in legs]
    parts += [_leg(line) for line in lines]
    parts += _dangers(day, plane, view)
    symbols = {s.word: s for s in symbols_for([visible_text(k) for k in marks.kind.tolist()])}
    for k, row in enumerate(rows.tolist()):
        kind = visible_text(str(marks.kind[row]))
        x, y = places[k]
        parts.append(sign(symbols[kind], x, y, hazard=bool(marks.hazard[row])))
    for k in range(len(ends)):
        x, y = places[len(rows) + k]
        parts.append(
            f'<circle cx="{_n(x)}" cy="{_n(y)}" r="9" fill="{SHEET}" stroke="{INK}" stroke-width="2"/>'
            f'<circle cx="{_n(x)}" cy="{_n(y)}" r="3.5" fill="{INK}"/>'
        )
    words = [str(k) for k in range(1, len(rows) + 1)] + ["start", "end"][: len(ends)]
    parts += _numbers(places[: len(words)], words, lines, view.height)
    parts += _scale_and_north(view, units)
    title = f"Chart of the round: {len(rows)} marks"
    desc = (
        f"North up. The way from {day.start.name} through the marks in order, each with the sign of "
        "its kind and its number on the sheet"
        + (", and circles of R95 to scale where they are large enough to be seen." if any(
            marks.r95_m[rows] * view.scale >= _SMALLEST_CIRCLE) else ".")
    )  # fmt: skip
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(WIDTH)} {_n(view.height)}" '
        f'role="img" aria-labelledby="chart-title chart-desc" font-size="{_n(_SIZE)}" fill="{INK}">'
        f'<title id="chart-title">{escape(title)}</title>'
        f'<desc id="chart-desc">{escape(visible_text(desc))}</desc>'
        '<defs><pattern id="shut" width="8" height="8" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path d="M0 0V8" stroke="{ACCENT}" stroke-width="1.6" '
        'stroke-opacity="0.55"/></pattern></defs>'
        f"{''.join(parts)}"
        f'<rect x="0.75" y="0.75" width="{_n(WIDTH - 1.5)}" height="{_n(view.height - 1.5)}" '
        f'fill="none" stroke="{INK}" stroke-width="1.5"/></svg>'
    )


def _dangers(day: Day, plane: LocalPlane, view: _View) -> list[str]:
    """Return the dangers on the sheet that are not visited, which have no number."""
    if day.hazards is None or not len(day.hazards):
        return []
    visited = {str(day.marks.mark_id[s.row]) for s in day.stops}
    kinds = [visible_text(k) for k in day.hazards.kind.tolist()]
    symbols = {s.word: s for s in symbols_for(kinds)}
    out = []
    for i, (x, y) in enumerate(
        view.at(np.stack(plane.to_plane(day.hazards.lon, day.hazards.lat), axis=1)).tolist()
    ):
        inside = 16 < x < WIDTH - 16 and 16 < y < view.height - 16
        if inside and str(day.hazards.mark_id[i]) not in visited:
            out.append(sign(symbols[kinds[i]], x, y, hazard=True))
    return out


def _ground(day: Day, plane: LocalPlane, view: _View) -> list[str]:
    """Return the sheet itself, land where the water is known, and what is closed."""
    back = WASH if day.outline is not None else SHEET
    parts = [f'<rect width="{_n(WIDTH)}" height="{_n(view.height)}" fill="{back}"/>']
    if day.outline is not None:
        parts += _areas(
            day.outline, plane, view, f'fill="{SHEET}" stroke="{FAINT}" stroke-width="1.2"'
        )
    if day.closed is not None:
        parts += _areas(
            day.closed, plane, view, f'fill="url(#shut)" stroke="{ACCENT}" stroke-width="1.2"'
        )
    return parts


def _areas(shape: BaseGeometry, plane: LocalPlane, view: _View, style: str) -> list[str]:
    left, bottom, right, top = view.box_m()
    more = 4 / view.scale
    flat = shapely.make_valid(plane.shape_to_plane(shape))
    window = shapely.box(left - more, bottom - more, right + more, top + more)
    seen = shapely.simplify(shapely.intersection(flat, window), 0.6 / view.scale)
    out = []
    for part in shapely.get_parts(seen):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        rings = [part.exterior, *part.interiors]
        d = "".join(
            _path(view.at(shapely.get_coordinates(r)[:-1]).tolist(), close=True) for r in rings
        )
        out.append(f'<path d="{d}" fill-rule="evenodd" {style}/>')
    return out


def _leg(line: FloatArray) -> str:
    """Return a leg with an arrow half way along its longest part."""
    steps = np.diff(line, axis=0)
    long = np.hypot(*steps.T)
    out = f'<path d="{_path(line.tolist())}" fill="none" stroke="{INK}" stroke-width="1.6"/>'
    k = int(long.argmax())
    if long[k] < 34:
        return out
    way = steps[k] / long[k]
    side = np.array([-way[1], way[0]])
    tip = line[k] + 0.5 * steps[k] + 6 * way
    head = [tip, tip - 12 * way + 4.5 * side, tip - 12 * way - 4.5 * side]
    return out + f'<path d="{_path([h.tolist() for h in head], close=True)}"/>'


_AROUND = tuple(
    (math.cos(math.radians(a)), math.sin(math.radians(a)))
    for a in (-45, 45, -135, 135, -90, 90, 0, 180)
)


def _numbers(
    places: FloatArray, words: Sequence[str], lines: Sequence[FloatArray], height: float
) -> list[str]:
    """Return the numbers beside the signs, each where it covers least."""
    legs = shapely.union_all([shapely.LineString(line) for line in lines])
    signs = [shapely.box(x - 14, y - 12, x + 14, y + 12) for x, y in places.tolist()]
    taken: list[BaseGeometry] = []
    page = shapely.box(2, 2, WIDTH - 2, height - 34)
    out = []
    for (x, y), word in zip(places.tolist(), words, strict=True):
        w, h = 0.56 * _SIZE * len(word) + 4, _SIZE
        best, least = (x + 22, y - 18), math.inf
        for far in (1.0, 1.5):
            for east, south in _AROUND:
                cx = x + far * east * (18 + w / 2)
                cy = y + far * south * 23
                box = shapely.box(cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2)
                cost = float(shapely.length(shapely.intersection(legs, box))) + 8 * (far - 1)
                cost += sum(float(box.intersection(o).area) for o in (*signs, *taken))
                cost += 1000.0 * (not page.covers(box))
                if cost < least:
                    best, least = (cx, cy), cost
        taken.append(
            shapely.box(best[0] - w / 2, best[1] - h / 2, best[0] + w / 2, best[1] + h / 2)
        )
        out.append(
            f'<text x="{_n(best[0])}" y="{_n(best[1] + 0.35 * _SIZE)}" text-anchor="middle" '
            f'font-weight="bold" stroke="{SHEET}" stroke-width="4" paint-order="stroke">{escape(word)}</text>'
        )
    return out


def _scale_and_north(view: _View, units: UnitSystem) -> list[str]:
    word, factor = _WORD[units]
    room_m = 0.42 * WIDTH / view.scale
    if units != "metric" and room_m > 0.5 * NAUTICAL_MILE.value:
        word, factor = "nm", NAUTICAL_MILE.value
    most = room_m / factor
    power = 10 ** math.floor(math.log10(most))
    nice = max(m * power for m in (1, 2, 5) if m * power <= most)
    shown, said = nice, word
    if word == "m" and nice >= 1000:
        shown, said = nice / 1000, "km"
    long = nice * factor * view.scale
    x, y = 20.0, view.height - 16.0
    ticks = "".join(f"M{_n(x + long * k / 2)} {_n(y - 6)}V{_n(y)}" for k in (0, 1, 2))
    nx, ny = WIDTH - 26.0, view.height - 14.0
    return [
        f'<path d="M{_n(x)} {_n(y)}H{_n(x + long)}{ticks}" fill="none" stroke="{INK}" stroke-width="1.6"/>',
        f'<text x="{_n(x + long + 9)}" y="{_n(y + 3)}" stroke="{SHEET}" stroke-width="4" '
        f'paint-order="stroke">{shown:g} {said}</text>',
        f'<path d="M{_n(nx)} {_n(ny)}V{_n(ny - 34)}" stroke="{INK}" stroke-width="1.6"/>'
        f'<path d="M{_n(nx)} {_n(ny - 42)}l5 13h-10Z"/>',
        f'<text x="{_n(nx - 14)}" y="{_n(ny - 6)}" text-anchor="middle" stroke="{SHEET}" '
        'stroke-width="4" paint-order="stroke">N</text>',
    ]
