"""The day sheet: one page that prints, reads on a phone and needs neither network nor script.

The page is made from a template with everything escaped; its content security policy allows its own
style sheet, by its hash, and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import re
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from athwart.kinds import symbols_for
from athwart.plan.day import CAUTION, Day, Leg, Stop
from athwart.review.assets import asset_text
from athwart.review.chart import chart_of, sign
from athwart.units import (
    FOOT,
    KNOT,
    NAUTICAL_MILE,
    UnitSystem,
    format_length,
    format_position,
    many,
)
from athwart.visible import visible_text

__all__ = ["bearing_words", "clock", "day_sheet", "distance_words", "duration_words"]

_Z95 = 1.959964
_SHORT_M = 0.1 * NAUTICAL_MILE.value


def day_sheet(day: Day, *, units: UnitSystem = "metric", title: str = "") -> str:
    """Return the page of a day.

    Parameters
    ----------
    day : Day
        What was planned.
    units : {"metric", "feet", "fathoms"}
        Of lengths.
    title : str
        Heading; the date if not given.

    Returns
    -------
    str
        HTML.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    style = asset_text("day.css").strip()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    page = environment.from_string(asset_text("day.jinja"))
    text: str = page.render(
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'",
        style=Markup(style),  # noqa: S704 - our own file
        chart=Markup(chart_of(day, units)),  # noqa: S704 - made and escaped by us
        title=visible_text(title).strip() or _heading(day),
        caution=CAUTION,
        **_head(day, units),
        stops=[_stop(day, k, stop, units) for k, stop in enumerate(day.stops, 1)],
        home=_home(day, units),
        left_out=[f"{visible_text(day.called(x.row))} {x.why}." for x in day.left_out],
        warnings=[visible_text(w) for w in day.warnings],
        basis=[visible_text(w) for w in day.basis],
    )
    return text


def clock(time: np.datetime64, zone: str, *, beside: np.datetime64 | None = None) -> str:
    """Return a time of day in a zone, with the day where it is not that of another time."""
    here = _local(time, zone)
    text = f"{here:%H:%M}"
    if beside is not None and not np.isnat(beside) and here.date() != _local(beside, zone).date():
        text += f" ({here.day} {here:%b})"
    return text


def _local(time: np.datetime64, zone: str) -> datetime:
    micros = int(time.astype("datetime64[us]").astype(np.int64))
    # To the nearest minute, as it is shown.
    return datetime.fromtimestamp(round(micros / 60e6) * 60, UTC).astimezone(ZoneInfo(zone))


def duration_words(seconds: float) -> str:
    """Return hours and minutes.

    Examples
    --------
    >>> duration_words(45 * 60), duration_words(3.1 * 3600), duration_words(20)
    ('45 min', '3 h 06 min', 'under 1 min')
    """
    minutes = round(seconds / 60)
    if minutes == 0:
        return "under 1 min" if seconds > 0 else "0 min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"


def distance_words(metres: float, units: UnitSystem = "metric") -> str:
    """Return a distance to run.

    Examples
    --------
    >>> distance_words(850), distance_words(2350), distance_words(2350, "feet")
    ('850 m', '2.35 km (1.27 nm)', '1.27 nm')
    """
    miles = f"{metres / NAUTICAL_MILE.value:.2f} nm"
    if units == "metric":
        return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.2f} km ({miles})"
    return format_length(metres, "feet", 0) if metres < _SHORT_M else miles


def bearing_words(true_deg: float, magnetic_deg: float) -> str:
    """Return a bearing true and magnetic, three figures each.

    Examples
    --------
    >>> bearing_words(359.7, 12.2), bearing_words(45.0, float("nan"))
    ('000° T, 012° M', '045° T')
    """
    true = f"{round(true_deg) % 360:03d}° T"
    if not np.isfinite(magnetic_deg):
        return true
    return f"{true}, {round(magnetic_deg) % 360:03d}° M"


def _heading(day: Day) -> str:
    if np.isnat(day.depart):
        return "Day sheet"
    here = _local(day.depart, day.time_zone)
    return f"Day sheet, {here:%A} {here.day} {here:%B %Y}"


def _head(day: Day, units: UnitSystem) -> dict[str, Any]:
    timed = not np.isnat(day.depart)
    zone = day.time_zone
    facts = [("Marks", str(len(day.stops))), ("Way", distance_words(day.length_m, units))]
    if timed:
        offset = f"{_local(day.depart, zone):%z}"
        named = zone if zone == "UTC" else f"{zone}, UTC {offset[:3]}:{offset[3:]}"
        around = _within(day.back_sigma_s)
        facts = [
            ("Leave", f"{day.start.name}, {clock(day.depart, zone)}"),
            ("Back" if day.end == day.start else "End",
             f"{clock(day.back, zone, beside=day.depart)}{around}"),
            *facts,
            ("Times", named),
        ]  # fmt: skip
    else:
        facts = [("Leave", day.start.name), *facts]
    speed = f"{day.pace.speed_mps / KNOT.value:.1f} kn"
    if units == "metric":
        speed += f" ({day.pace.speed_mps:.1f} m/s)"
    facts += [
        ("Under way", f"{duration_words(day.under_way_s)} at {speed}"),
        ("At marks", duration_words(day.stay_s)),
    ]
    return {
        "facts": [(k, visible_text(v)) for k, v in facts],
        "sky": [(clock(e.time, zone, beside=day.depart), e.what) for e in day.sky],
        "sun": day.sun,
        "moon": f"{day.moon.words}, {day.moon.lit:.0%} lit" if day.moon else "",
        "turns": [
            (clock(t, zone, beside=day.depart), "high water" if high else "low water",
             format_length(h, units))
            for t, h, high in day.turns
        ],
    }  # fmt: skip


def _radius(r95_m: float, units: UnitSystem) -> str:
    if not np.isfinite(r95_m):
        return "not known"
    fine = units == "fathoms" or r95_m < (10.0 * FOOT.value if units == "feet" else 10.0)
    return format_length(r95_m, units, 1 if fine else 0)


def _within(sigma_s: float) -> str:
    minutes = _Z95 * sigma_s / 60
    return f" ± {minutes:.0f} min" if minutes >= 0.5 else ""


def _course(leg: Leg, units: UnitSystem) -> list[tuple[str, str]]:
    """Return bearing and distance of each straight part of a leg."""
    return [
        (bearing_words(t, m), distance_words(d, units))
        for t, m, d in zip(
            leg.true_deg.tolist(), leg.magnetic_deg.tolist(), leg.part_m.tolist(), strict=True
        )
    ]


def _stop(day: Day, number: int, stop: Stop, units: UnitSystem) -> dict[str, Any]:
    from markupsafe import Markup

    marks, row, zone = day.marks, stop.row, day.time_zone
    kind = visible_text(str(marks.kind[row]))
    symbols = {s.word: s for s in symbols_for([visible_text(k) for k in marks.kind.tolist()])}
    r95 = float(marks.r95_m[row])
    picture = sign(symbols[kind], 24, 22, hazard=bool(marks.hazard[row]))
    tide = ""
    if np.isfinite(stop.tide_m):
        tide = f"tide {format_length(stop.tide_m, units)} ± {format_length(_Z95 * stop.tide_sigma_m, units)}"
    elif not np.isnat(stop.arrive) and day.turns:
        tide = "tide not known then"
    return {
        "number": number,
        "sign": Markup(picture),  # noqa: S704 - made and escaped by us
        "name": visible_text(day.called(row)),
        "kind": kind,
        "hazard": bool(marks.hazard[row]),
        "at": format_position(float(marks.lon[row]), float(marks.lat[row])),
        "r95": _radius(r95, units),
        "course": _course(stop.leg, units),
        "length": distance_words(stop.leg.length_m, units),
        "takes": duration_words(stop.leg.seconds),
        "arrive": "" if np.isnat(stop.arrive) else clock(stop.arrive, zone, beside=day.depart),
        "within": _within(stop.sigma_s),
        "leave": "" if np.isnat(stop.leave) else clock(stop.leave, zone, beside=day.depart),
        "stay": duration_words(stop.stay_s),
        "so_far": duration_words(stop.under_way_s),
        "tide": tide,
        "water": visible_text(stop.water),
        "note": visible_text(str(marks.note[row]), lines=True).strip(),
        "visits": _visits(day, row),
        "warnings": [visible_text(w) for w in stop.warnings],
    }


def _visits(day: Day, row: int) -> str:
    extra = day.marks.extra
    if "visits" not in extra:
        return ""
    count = str(extra["visits"][row]).strip()
    if not re.fullmatch(r"\d{1,6}(\.0)?", count) or int(float(count)) == 0:
        return ""
    said = visible_text(str(extra["last_visit"][row])) if "last_visit" in extra else ""
    return f"{many(int(float(count)), 'visit')}" + (f", last {said}" if said else "")


def _home(day: Day, units: UnitSystem) -> dict[str, Any] | None:
    if day.home is None or day.end is None:
        return None
    return {
        "name": visible_text(day.end.name),
        "course": _course(day.home, units),
        "length": distance_words(day.home.length_m, units),
        "takes": duration_words(day.home.seconds),
        "arrive": ""
        if np.isnat(day.back)
        else clock(day.back, day.time_zone, beside=day.depart) + _within(day.back_sigma_s),
    }
