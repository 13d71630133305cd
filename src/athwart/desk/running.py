"""The page of going back: a run beside a line that was drawn in the book."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from athwart.advice.runs import hazard_lines, line_meant, run_lines, zones_along
from athwart.book.drawn import shapes_of
from athwart.book.store import open_book
from athwart.desk.asked import needed, number, zones_in
from athwart.desk.handing import marks_of_book
from athwart.desk.held import HeldPlan
from athwart.desk.marks import units_of
from athwart.desk.shapes import plan_records
from athwart.desk.state import Desk, Job
from athwart.errors import UsageError
from athwart.units import format_length

if TYPE_CHECKING:
    from typing import Literal

    from shapely.geometry.base import BaseGeometry

__all__ = ["ANSWERS"]


def _drawn(desk: Desk, question: dict[str, Any]) -> list[tuple[str, BaseGeometry]]:
    """Return the lines and outlines that were drawn and kept in the book, with their names."""
    import shapely

    with open_book(desk.the_book()) as store, store.reading() as connection:
        shapes = shapes_of(connection, with_private=bool(question.get("with_private")))
    out: list[tuple[str, BaseGeometry]] = []
    for s in shapes:
        corners = np.stack([s.lon, s.lat], axis=1)
        if s.area:
            corners = np.concatenate([corners, corners[:1]])
        out.append((s.name or s.kind, shapely.LineString(corners)))
    return out


def _lines(desk: Desk, question: dict[str, Any]) -> Any:
    """Return the names of the lines; a line is asked for by its number, from 1."""
    return {"lines": [name or "line" for name, _ in _drawn(desk, question)]}


def _run(desk: Desk, question: dict[str, Any]) -> Any:
    """Start to lay a run beside a line."""
    from athwart.plan.runs import CAUTION, clearances, run_along
    from athwart.plan.zones import judge_shapes

    units = units_of(question)
    off = needed(question, "off_m", "the distance from the line")
    sides: dict[str, Literal["port", "starboard"]] = {"port": "port", "starboard": "starboard"}
    side = sides.get(str(question.get("side") or ""))
    if side is None:
        raise UsageError("say on which side of the line: port or starboard, looking along it")
    turn = number(question, "turn_m", "the least radius of a turn", 10.0)
    clear = number(question, "clear_m", "how near hazards and zones are told of", 50.0)
    speed = number(question, "speed_mps", "the speed", above=True)
    turn, clear = (10.0 if turn is None else turn), (50.0 if clear is None else clear)
    back = bool(question.get("back"))
    wanted = str(question.get("line") or "").strip()

    def making(job: Job) -> Any:
        job.told("reading the book", 0.1)
        called, line = line_meant(_drawn(desk, question), wanted, desk.the_book().name)
        marks, _, words = marks_of_book(desk, question)
        job.told(f"laying a run along {called}", 0.3)
        run = run_along(line, off, side, turn_radius_m=turn, back=back)
        job.told("looking for hazards and zones", 0.7)
        hazards = marks.take(np.flatnonzero(marks.hazard))
        passed = clearances(run.line, hazards.lon, hazards.lat, hazards.r95_m, within_m=clear)
        zones, of_zones = zones_in(desk, question)
        sentences = run_lines(run, called, units, turn, speed, 1)
        sentences += hazard_lines(hazards, passed, units, clear)
        if zones is not None:
            touched = judge_shapes(zones, [run.line], reach_m=clear)
            sentences += zones_along(zones, touched, units, clear)
        features = run.features(f"{called}, {format_length(off, units, 0)} {side}")
        shown = [*features, *(zones.features() if zones is not None else [])]
        held = HeldPlan(
            title=f"Along {called}", units=units, features=shown, marks=hazards, lines=features
        )
        return {
            "id": desk.plans.keep(held),
            "sentences": sentences,
            "marks": hazards.mark_id,
            "notes": [*words, *of_zones],
            "caution": CAUTION,
            "plan": plan_records(shown, units),
        }

    return desk.start(making).as_record()


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("POST", "/api/going-back/lines", _lines),
    ("POST", "/api/going-back/run", _run),
)
