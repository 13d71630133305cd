"""The page of going back: where to hold, where a drift starts, how long to count a lure down."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from athwart.advice.hold import (
    Compass,
    Flows,
    course,
    course_lines,
    drift_lines,
    hold_lines,
    hold_on,
    mark_line,
    target_of,
    zone_lines,
)
from athwart.advice.places import row_named
from athwart.advice.sink import sinking
from athwart.desk.asked import needed, number, zones_in
from athwart.desk.handing import marks_of_book
from athwart.desk.held import HeldPlan
from athwart.desk.marks import units_of
from athwart.desk.shapes import plan_records
from athwart.desk.state import Desk, Job
from athwart.errors import UsageError

if TYPE_CHECKING:
    from athwart.plan.sink import SinkRate

__all__ = ["ANSWERS"]

_DIRECTION_SIGMA_DEG = 10.0
_SPEED_SIGMA_MPS = 0.1 * 1852 / 3600
_MOST_COUNTS = 50


def _direction(
    question: dict[str, Any], name: str, speed: str, words: tuple[str, str]
) -> tuple[str | None, float | None]:
    """Return a direction as typed and its speed; one without the other is refused."""
    text = str(question.get(name) or "").strip() or None
    mps = number(question, speed, words[1])
    if (text is None) != (mps is None):
        raise UsageError(f"{words[0]} and {words[1]} belong together; give both, or none")
    return text, mps


def _rate(question: dict[str, Any]) -> SinkRate | None:
    """Return how fast the lure sinks: by counts, else by its weight; None if nothing is told."""
    from athwart.plan.sink import DENSITIES, FRESH, SEA, rate_from_counts, rate_from_weight

    counts = list(question.get("counts") or ())[:_MOST_COUNTS]
    weight = number(question, "weight_kg", "the weight of the lure", above=True)
    if counts and weight is not None:
        raise UsageError("give your counts or the weight, not both; counts are better")
    if counts:
        depths = [needed(c, "depth_m", "the depth of a count") for c in counts]
        return rate_from_counts(depths, [needed(c, "count_s", "a count") for c in counts])
    if weight is None:
        return None
    material = str(question.get("material") or "lead")
    if material not in DENSITIES:
        raise UsageError(f"the weight is of {material!r}; allowed are {', '.join(DENSITIES)}")
    water = FRESH if question.get("fresh") else SEA
    return rate_from_weight(weight, DENSITIES[material].value, water)


def _sink(desk: Desk, question: dict[str, Any]) -> Any:
    """Return how long to count a lure down, and how far up-current to put it in."""
    from athwart.plan.sink import CAUTION

    rate = _rate(question)
    if rate is None:
        raise UsageError(
            "say how fast it sinks: your count to a bottom at a known depth, or the weight for a "
            "first guess"
        )
    sentences, _ = sinking(
        rate,
        [needed(question, "depth_m", "the depth that the lure is to go to")],
        current_mps=number(question, "current_mps", "the current"),
        current_sigma_mps=_SPEED_SIGMA_MPS,
        units=units_of(question),
    )
    return {"sentences": sentences, "caution": CAUTION}


def _hold(desk: Desk, question: dict[str, Any]) -> Any:
    """Start to work out hold, drift and course for one mark."""
    from athwart.plan.hold import CAUTION, drift_over

    units = units_of(question)
    name = str(question.get("mark") or "").strip()
    if not name:
        raise UsageError("say which mark, by its name")
    set_text, current = _direction(
        question, "set", "current_mps", ("where the current goes to", "how fast it is")
    )
    wind_from, wind = _direction(
        question, "wind_from", "wind_mps", ("where the wind comes from", "how strong it is")
    )
    adrift_to, adrift = _direction(
        question, "adrift_to", "adrift_mps", ("where she drifts to", "how fast she drifts")
    )
    approach, speed = _direction(
        question, "approach", "boat_speed_mps", ("the track to make good", "the speed on it")
    )
    if adrift is not None and wind is not None:
        raise UsageError("a drift that was seen has the wind in it; leave the wind out")
    cast = number(question, "cast_m", "the length of the cast", above=True)
    cast_to = str(question.get("cast_to") or "").strip() or None
    depth = number(question, "depth_m", "the depth that the lure is to go to", above=True)
    before = number(question, "before_s", "how long before the mark the drift starts", above=True)
    within = number(question, "within_m", "what counts as over the mark", 5.0, above=True)
    if cast is None and before is None and approach is None:
        raise UsageError(
            "say what for: the length of a cast for a hold, a time before the mark for a drift, or "
            "a track to make good"
        )
    rate = _rate(question) if cast is not None else None

    def making(job: Job) -> Any:
        job.told("reading the book", 0.1)
        marks, _, words = marks_of_book(desk, question)
        row = row_named(marks, name)
        target, alone = target_of(marks, row), marks.take([row])
        job.told("working it out", 0.5)
        compass = Compass(target.lon, target.lat)
        flows = Flows.of(
            compass, set_text=set_text, current_mps=current, wind_from=wind_from, wind_mps=wind,
            adrift_to=adrift_to, adrift_mps=adrift, sigma_deg=_DIRECTION_SIGMA_DEG,
            sigma_mps=_SPEED_SIGMA_MPS,
        )  # fmt: skip
        words += flows.words
        sentences = [mark_line(target, units)]
        hold = drift = None
        if cast is not None:
            hold, said = hold_on(
                target, alone, compass, flows, cast_m=cast, cast_to=cast_to, rate=rate,
                depth_m=depth, units=units,
            )  # fmt: skip
            words += said
            sentences += hold_lines(hold, compass, units)
        if before is not None:
            drift = drift_over(target, flows.total, before_s=before, within_m=within or 5.0)
            sentences += drift_lines(drift, compass, units)
        if approach is not None and speed is not None:
            steer = course(compass, approach, speed, flows.total, units)
            sentences += course_lines(steer, compass, units)
        features = [f for made in (hold, drift) if made is not None for f in made.features()]
        zones, of_zones = zones_in(desk, question)
        sentences += zone_lines(zones, hold, drift, features, units)
        features += zones.features() if zones is not None else []
        title = f"Hold and drift: {target.name}"
        held = HeldPlan(title=title, units=units, features=features, marks=alone)
        return {
            "id": desk.plans.keep(held) if features else None,
            "sentences": sentences,
            "marks": alone.mark_id,
            "notes": [*words, *of_zones],
            "caution": CAUTION,
            "plan": plan_records(features, units),
        }

    return desk.start(making).as_record()


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("POST", "/api/going-back/hold", _hold),
    ("POST", "/api/going-back/sink", _sink),
)
