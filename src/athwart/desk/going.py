"""The page of going back: one sheet for the day, and the water over marks.

Each answer holds the sentences that the command of that name prints, the plan for the page's map,
and an id under which the plan is written into the folder.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from athwart.advice.day import closed_water, day_lines, leg_lines, marks_elsewhere
from athwart.advice.places import place_of, time_of
from athwart.advice.water import WaterWords, over_marks
from athwart.book.store import is_book
from athwart.desk.asked import (
    AREAS,
    BOATS,
    TABLES,
    area_of,
    boat_of,
    needed,
    number,
    water_of,
    zone_of,
    zones_in,
)
from athwart.desk.handing import marks_of_book, narrowed
from athwart.desk.held import HeldPlan
from athwart.desk.marks import units_of
from athwart.desk.shapes import plan_records
from athwart.desk.state import Desk, Job
from athwart.errors import DataError, UsageError
from athwart.units import UnitSystem, many

if TYPE_CHECKING:
    from athwart.plan.day import Day

__all__ = ["ANSWERS"]

_MOST_LISTED = 500


def _files(desk: Desk, question: dict[str, Any]) -> Any:
    """Return what the folder holds that plans can use."""
    found: dict[str, list[str]] = {"tables": [], "areas": [], "boats": []}
    for path in sorted(desk.folder.iterdir()):
        if not path.is_file() or path.is_symlink() or path.name.startswith("."):
            continue
        ending = path.suffix.lower()
        if ending in TABLES:
            found["tables"].append(path.name)
        elif ending in AREAS and not is_book(path):
            found["areas"].append(path.name)
        elif ending in BOATS and not path.name.endswith(".layout.toml"):
            found["boats"].append(path.name)
    return {key: names[:_MOST_LISTED] for key, names in found.items()}


# ---- the day ------------------------------------------------------------------------------------


def _day(desk: Desk, question: dict[str, Any]) -> Any:
    """Start to plan a day; the job's result is what the page shows of it."""
    from athwart.plan.day import NOT_TIMED, Ask, Pace

    units = units_of(question)
    boat = boat_of(desk, question)
    zone = zone_of(question, boat)
    start_text = str(question.get("start") or "").strip()
    if not start_text:
        raise UsageError("say where the day starts: a position, or the name of a mark")
    ends = str(question.get("ends") or "start")
    if ends not in ("start", "any", "place"):
        raise UsageError("the day ends at its start, at any mark or at a place")
    leave = str(question.get("leave") or "").strip()
    depart = time_of(leave, zone) if leave else NOT_TIMED
    pace = Pace(
        speed_mps=needed(question, "speed_mps", "the speed"),
        speed_error=number(question, "speed_error", "the error of the speed", 0.1) or 0.0,
        stay_s=number(question, "stay_s", "the time at a mark", 1200.0) or 0.0,
    )
    clear = number(question, "clear_m", "the distance from edges", 20.0) or 0.0
    draft = number(question, "draft_m", "the draft")
    margin = number(question, "margin_m", "what should be left under the keel", 0.5) or 0.0
    deep = number(question, "transducer_depth_m", "the depth of the transducer")
    title = str(question.get("title") or "").strip()[:200]

    def making(job: Job) -> Any:
        from athwart.plan.days_work import plan_day

        job.told("reading the book", 0.05)
        every, looks, words = marks_of_book(desk, question)
        start = place_of(start_text, every, "start")
        end = place_of(str(question.get("end") or ""), every, "end") if ends == "place" else None
        marks = narrowed(every, question)
        if not question.get("ids"):
            marks = marks_elsewhere(marks, [start, end])
        if not len(marks):
            raise DataError("no mark is left to visit; choose more")
        job.told("reading zones and water", 0.15)
        zones, of_zones = zones_in(desk, question)
        allowed, closed = area_of(desk, question, "inside"), area_of(desk, question, "keep_out")
        closed = closed_water(closed, zones)
        level = water_of(desk, question, zone, start.lat, words)
        over = None
        if level is not None:
            over = over_marks(
                level, looks, boat, draft_m=draft, margin_m=margin, transducer_depth_m=deep
            )
        job.told(f"ordering {many(len(marks), 'mark')}", 0.4)
        made = plan_day(
            marks,
            start,
            end=end,
            ask=Ask(one_way=ends == "any"),
            pace=pace,
            depart=depart,
            dated=np.datetime64("now", "us"),
            time_zone=zone or "UTC",
            water=allowed,
            closed=closed,
            clear_m=clear if allowed is not None or closed is not None else 0.0,
            zones=zones,
            tide=level.now if level else None,
            over=over,
            margin_m=margin,
            hazards=every.take(every.hazard),
            units=units,
        )
        job.told("drawing", 0.9)
        return _day_shown(desk, made, title, units, zones, [*words, *of_zones])

    return desk.start(making).as_record()


def _day_shown(
    desk: Desk, made: Day, title: str, units: UnitSystem, zones: Any, words: list[str]
) -> dict[str, Any]:
    from athwart.plan.day import CAUTION

    features = [*made.features(), *(zones.features() if zones is not None else [])]
    held = HeldPlan(title=title, units=units, features=features, day=made)
    return {
        "id": desk.plans.keep(held),
        "legs": [{"line": line, "there": there} for line, there in leg_lines(made, units)],
        "lines": day_lines(made, units),
        "marks": [made.marks.mark_id[s.row] for s in made.stops],
        "notes": [*words, *made.basis],
        "caution": CAUTION,
        "plan": plan_records(features, units),
    }


# ---- the water over the marks -------------------------------------------------------------------


def _over(desk: Desk, question: dict[str, Any]) -> Any:
    """Return how high the water stands at a time, and how much of it there is over the marks."""
    from athwart.plan.depth import CAUTION, LITTLE

    units = units_of(question)
    boat = boat_of(desk, question)
    zone = zone_of(question, boat)
    at_text = str(question.get("at") or "").strip()
    at = time_of(at_text, zone) if at_text else np.datetime64("now", "us")
    draft = number(question, "draft_m", "the draft")
    margin = number(question, "margin_m", "what should be left under the keel", 0.5) or 0.0
    deep = number(question, "transducer_depth_m", "the depth of the transducer")

    def making(job: Job) -> Any:
        job.told("reading the book", 0.1)
        every, looks, words = marks_of_book(desk, question)
        marks = narrowed(every, question)
        if not len(marks):
            raise DataError("no mark is chosen; choose one at least")
        job.told("reading the tide", 0.3)
        level = water_of(desk, question, zone, float(np.median(marks.lat)), words)
        if level is None:
            raise UsageError("say how high the water is: high and low waters, a file, or a level")
        told = WaterWords(level, zone, units)
        job.told(f"working out the water over {many(len(marks), 'mark')}", 0.6)
        over = over_marks(
            level, looks, boat, draft_m=draft, margin_m=margin, transducer_depth_m=deep
        )(marks, np.full(len(marks), at))
        if np.isnan(over.tide_m).all():
            raise DataError(told.unknown(at))
        return {
            "heights": told.heights(np.array([at])),
            "sentences": told.depths(marks, over),
            "marks": marks.mark_id,
            "little": marks.mark_id[over.state == LITTLE],
            "notes": [*words, *level.words],
            "caution": CAUTION,
        }

    return desk.start(making).as_record()


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("GET", "/api/going-back/files", _files),
    ("POST", "/api/going-back/day", _day),
    ("POST", "/api/going-back/water", _over),
)
