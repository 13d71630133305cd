"""The page of going back: the chosen marks against the user's zones, and what the beam sees."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from athwart.advice.beam import CAUTION as BEAM_CAUTION
from athwart.advice.beam import cone_lines, sound_of, speed_lines, swath_lines
from athwart.advice.zones import mark_lines, summary_line
from athwart.desk.asked import boat_of, needed, number, zones_in
from athwart.desk.handing import marks_of_book, narrowed
from athwart.desk.held import HeldPlan
from athwart.desk.marks import units_of
from athwart.desk.shapes import plan_records
from athwart.desk.state import Desk, Job
from athwart.errors import DataError, UsageError
from athwart.units import many

__all__ = ["ANSWERS"]

_MOST_LINES = 1000


def _zones(desk: Desk, question: dict[str, Any]) -> Any:
    """Start to hold the chosen marks against the zones of a file."""
    from athwart.plan.zones import CAUTION, judge

    units = units_of(question)
    near = number(question, "near_m", "how near to a zone is told too", 0.0) or 0.0
    if not question.get("zones"):
        raise UsageError("choose the file with your zones; athwart brings none")

    def making(job: Job) -> Any:
        job.told("reading the book", 0.1)
        every, _, words = marks_of_book(desk, question)
        marks = narrowed(every, question)
        if not len(marks):
            raise DataError("no mark is chosen; choose one at least")
        job.told("reading the zones", 0.3)
        zones, of_zones = zones_in(desk, question)
        job.told(f"holding {many(len(marks), 'mark')} against the zones", 0.5)
        found = judge(zones, marks.lon, marks.lat, marks.r95_m, reach_m=near).worst_first()
        touched = np.unique(found.item[found.touched])
        features = zones.features()
        held = HeldPlan(title="Marks and zones", units=units, features=features, marks=marks)
        return {
            "id": desk.plans.keep(held),
            "sentences": [
                *mark_lines(zones, marks, found, units),
                summary_line(len(marks), 0, len(zones), len(touched)),
            ],
            "marks": marks.mark_id,
            "notes": [*words, *of_zones],
            "caution": CAUTION,
            "plan": plan_records(features, units),
        }

    return desk.start(making).as_record()


def _beam(desk: Desk, question: dict[str, Any]) -> Any:
    """Return what the sonar sees at a depth, a range and a speed."""
    units = units_of(question)
    depth = needed(question, "depth_m", "the depth below the transducer")
    cone = number(question, "cone_deg", "the angle of the cone", above=True)
    range_m = number(question, "range_m", "the range of the screen", above=True)
    speed = number(question, "speed_mps", "the speed", above=True)
    target = number(question, "target_m", "the length of the thing", above=True)
    lines = number(question, "lines", "the lines on the thing", 3.0, least=1.0) or 3.0
    if cone is None and range_m is None:
        raise UsageError(
            "give the angle of the sounder's cone, the range of the side-scan, or both"
        )
    if cone is not None and cone >= 180.0:
        raise UsageError(f"the angle of the cone is {cone:g} degrees; allowed is less than 180")
    if lines != int(lines) or lines > _MOST_LINES:
        raise UsageError(f"the lines on the thing are {lines:g}; allowed are 1 to {_MOST_LINES}")
    if range_m is None and (speed is not None or target is not None):
        raise UsageError("speed and thing go with the range of the side-scan; give it")
    said: list[str] = []
    values: dict[str, Any] = {}
    if cone is not None:
        cone_lines(values, said, depth, cone, None, units)
    if range_m is not None:
        swath_lines(values, said, depth, range_m, 30.0, units)
        if range_m > depth:
            sound = sound_of(boat_of(desk, question))
            speed_lines(values, said, range_m, sound, None, speed, target, int(lines), None, units)
    return {"sentences": said, "caution": BEAM_CAUTION}


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("POST", "/api/going-back/zones", _zones),
    ("POST", "/api/going-back/beam", _beam),
)
