"""The page of going back: what the side-scan has seen, and lanes over what it has not."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from athwart.advice.lanes import joined, lanes_lines, lanes_words
from athwart.advice.seen import coverage_lines
from athwart.book.reading import read_book
from athwart.desk.asked import area_of, boat_of, needed, number, zones_in
from athwart.desk.held import HeldPlan
from athwart.desk.marks import units_of
from athwart.desk.shapes import plan_records
from athwart.desk.state import Desk, Job
from athwart.errors import DataError, UsageError

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.passes import Sides

__all__ = ["ANSWERS"]

_BOX = ":box"
_KNOT_MPS = 1852 / 3600


def _area(desk: Desk, question: dict[str, Any]) -> BaseGeometry | None:
    """Return what is to be seen: areas of a file, or the box of the choice of marks."""
    import shapely

    if question.get("area") != _BOX:
        return area_of(desk, question, "area")
    if not question.get("within"):
        raise UsageError(
            "no area is chosen above; drag a box on the map there, or fill in its edges"
        )
    west, south, east, north = (float(v) for v in question["within"])
    east += 360.0 if west > east else 0.0
    if not (west < east and south < north):
        raise UsageError("the area chosen above is empty")
    return shapely.box(west, south, east, north)


def _coverage(desk: Desk, question: dict[str, Any]) -> Any:
    """Start to lay out what the book's tracks have seen."""
    from athwart.plan.coverage import CAUTION, coverage
    from athwart.plan.passes import passes_of

    units = units_of(question)
    boat = boat_of(desk, question)
    range_m = needed(question, "range_m", "the range of the side-scan")
    depth = number(question, "depth_m", "the depth", math.nan, above=True)
    smallest = number(question, "smallest_m", "the narrowest hole that counts", 5.0)
    side = str(question.get("side") or "both")
    looked: dict[str, Sides] = {"both": "both", "port": "port", "starboard": "starboard"}
    if side not in looked:
        raise UsageError(f"the side is {side!r}; allowed are {', '.join(looked)}")
    area = _area(desk, question)

    def making(job: Job) -> Any:
        book = desk.the_book()
        job.told("reading the tracks", 0.05)
        track = read_book(book).tracks
        if not len(track):
            raise DataError("the book holds no track; add the logs of your trips to it first")
        track = track.with_columns(source=book.name)
        job.told("laying out the swath", 0.2)
        passes = passes_of(
            track, range_m=range_m, depth_m=math.nan if depth is None else depth,
            sides=looked[side], boat=boat, max_gap_s=10.0,
        )  # fmt: skip
        job.told("joining what the passes saw", 0.5)
        found = coverage(passes, area=area, smallest_m=5.0 if smallest is None else smallest)
        job.told("drawing", 0.9)
        features = found.features()
        title = "What the side-scan has seen"
        held = HeldPlan(title=title, units=units, features=features, lines=())
        return {
            "id": desk.plans.keep(held),
            "sentences": coverage_lines(found, passes, units),
            "holes": len(found.holes),
            "notes": [*found.words, *passes.left_out(units)],
            "caution": CAUTION,
            "plan": plan_records(features, units),
        }

    return desk.start(making).as_record()


def _lanes(desk: Desk, question: dict[str, Any]) -> Any:
    """Start to lay lanes over the holes of a coverage that was shown, or over an area."""
    from athwart.plan.lanes import CAUTION, lanes

    units = units_of(question)
    boat = boat_of(desk, question)
    range_m = needed(question, "range_m", "the range of the side-scan")
    depth = needed(question, "depth_m", "the deepest water there")
    direction = number(question, "direction_deg", "the direction of the lanes")
    radius = number(question, "turn_radius_m", "the tightest turn of the boat", 15.0, above=True)
    speed = number(question, "speed_mps", "the speed on the lanes", 4 * _KNOT_MPS, above=True)
    if question.get("id"):
        held = desk.plans.take(str(question["id"]))
        ground = joined([f.geometry for f in held.features if f.role == "not seen"])
        if ground is None:
            raise DataError("there is no hole to lay lanes over")
    else:
        area = _area(desk, question)
        ground = None if area is None else joined([area])
        if ground is None:
            raise UsageError("say where: the holes of what was seen, or an area")

    def making(job: Job) -> Any:
        job.told("reading zones and water", 0.05)
        zones, words = zones_in(desk, question)
        kept = area_of(desk, question, "keep_out")
        closed = [] if kept is None else [kept]
        if zones is not None:
            closed += [z for z, shut in zip(zones.geometry, zones.closed, strict=True) if shut]
        water = area_of(desk, question, "inside")
        job.told("laying lanes", 0.3)
        made = lanes(
            ground, range_m=range_m, depth_m=depth,
            direction_deg=math.nan if direction is None else direction,
            turn_radius_m=radius or 15.0, speed_mps=speed or 4 * _KNOT_MPS,
            closed=joined(closed), water=water, boat=boat,
        )  # fmt: skip
        job.told("drawing", 0.9)
        of_zones = [] if zones is None else zones.features()
        features = [*made.features(), *of_zones]
        kept_plan = HeldPlan(
            title="Lanes", units=units, features=features, lines=made.run(turns=True)
        )
        return {
            "id": desk.plans.keep(kept_plan),
            "sentences": lanes_lines(made, units),
            "notes": [*words, *lanes_words(made, zones, units)],
            "caution": CAUTION,
            "plan": plan_records(features, units),
        }

    return desk.start(making).as_record()


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("POST", "/api/going-back/coverage", _coverage),
    ("POST", "/api/going-back/lanes", _lanes),
)
