"""The page of going back: one sheet for the day, the water over marks, and what more plans tell.

Each answer holds the sentences that the command of that name prints, the plan for the page's map,
and an id under which the plan is written into the folder.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from starlette.responses import HTMLResponse, PlainTextResponse, Response

from athwart.advice.day import (
    closed_water,
    day_lines,
    leg_lines,
    marks_elsewhere,
    write_route,
    write_sheet,
)
from athwart.advice.places import place_of, time_of
from athwart.advice.water import (
    Water,
    WaterWords,
    over_marks,
    water_from_level,
    water_from_table,
    water_from_turns,
)
from athwart.advice.zones import zones_of
from athwart.boat import Boat
from athwart.book.store import is_book
from athwart.desk.handing import hand_files, limits_of, marks_of_book, narrowed
from athwart.desk.marks import units_of
from athwart.desk.shapes import plan_records
from athwart.desk.state import Desk, Job, plain_file_name
from athwart.errors import AthwartError, DataError, UsageError
from athwart.features import Feature
from athwart.formats.texts import load_zone
from athwart.tables import Marks
from athwart.units import UnitSystem, many

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.day import Day

__all__ = ["ANSWERS"]

_TABLES = (".csv",)
_AREAS = (".geojson", ".json", ".gpkg", ".fgb", ".kml", ".shp")
_BOATS = (".toml",)
_ENDINGS = {"page": (".html",), "gpx": (".gpx",), "plan": (".geojson", ".gpkg", ".fgb", ".kml")}
_KINDS = {"page": "text/html", "gpx": "application/gpx+xml", "plan": "application/geo+json"}
_MOST_LISTED = 500
_MOST_TURNS = 200


@dataclass(frozen=True, kw_only=True)
class HeldPlan:
    """A plan that was shown and may be written.

    Parameters
    ----------
    title : str
        Heading of its page.
    units : {"metric", "feet", "fathoms"}
        What it is written in.
    features : sequence of Feature
        Its shapes.
    day : Day, optional
        The day, whose page is the day sheet.
    marks : Marks, optional
        What a map shows with it.
    """

    title: str
    units: UnitSystem
    features: Sequence[Feature]
    day: Day | None = None
    marks: Marks | None = None

    def page(self) -> str:
        """Return its page: the sheet of a day, else a review map."""
        if self.day is not None:
            from athwart.review.day_page import day_sheet

            return day_sheet(self.day, units=self.units, title=self.title)
        from athwart.review.map import review_map

        return review_map(
            marks=Marks.empty() if self.marks is None else self.marks,
            plan=self.features,
            units=self.units,
            title=self.title,
        )


# ---- what the page says -------------------------------------------------------------------------


def _number(
    question: dict[str, Any],
    name: str,
    what: str,
    default: float | None = None,
    *,
    least: float = 0.0,
    above: bool = False,
) -> float | None:
    """Return a number of a question in SI; the page leaves out what is not given."""
    given = question.get(name)
    if given is None or given == "":
        return default
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise UsageError(f"{what} is {given!r}; write a number")
    if given < least or (above and given == least):
        limit = f"more than {least:g}" if above else f"{least:g} or more"
        raise UsageError(f"{what} is {given:g}; allowed is {limit}")
    return float(given)


def _needed(question: dict[str, Any], name: str, what: str) -> float:
    value = _number(question, name, what, above=True)
    if value is None:
        raise UsageError(f"{what} is missing")
    return value


def _zone(question: dict[str, Any], boat: Boat) -> str:
    zone = str(question.get("zone") or "").strip() or boat.time_zone
    load_zone(zone)
    return zone


def _boat(desk: Desk, question: dict[str, Any]) -> Boat:
    name = question.get("boat")
    return Boat.from_toml(desk.file_in_folder(str(name), _BOATS)) if name else Boat()


def _area(desk: Desk, question: dict[str, Any], name: str) -> BaseGeometry | None:
    from athwart.formats import read_areas

    given = question.get(name)
    return read_areas(desk.file_in_folder(str(given), _AREAS)) if given else None


def _zones(desk: Desk, question: dict[str, Any]) -> tuple[Any, list[str]]:
    name = question.get("zones")
    return zones_of([desk.file_in_folder(str(name), _AREAS)] if name else [])


def _water(
    desk: Desk, question: dict[str, Any], zone: str, lat: float, words: list[str]
) -> Water | None:
    """Return the water that the page tells of; None if it tells nothing."""
    said = question.get("water") or {}
    if not isinstance(said, dict):
        raise UsageError("the water could not be understood")
    how = said.get("as", "none")
    zero = _number(said, "zero_m", "the zero of the heights", 0.0, least=-math.inf) or 0.0
    weather = _number(said, "weather_m", "what weather does to the tide")
    once = bool(said.get("once_a_day"))
    if how == "none":
        return None
    if how == "level":
        level = _number(said, "level_m", "the level", least=-math.inf)
        if level is None:
            raise UsageError("the level is missing")
        then = _number(said, "level_then_m", "the level at the soundings", least=-math.inf)
        return water_from_level(level, then, zero)
    if how == "file":
        if not said.get("file"):
            raise UsageError("choose the file with the tide")
        path = desk.file_in_folder(str(said["file"]), _TABLES)
        return water_from_table(
            path,
            zone,
            lat=lat,
            zero_m=zero,
            once_a_day=once,
            weather_m=weather,
            noted=words.append,
        )
    if how != "turns":
        raise UsageError("the water is none, turns, file or level")
    turns = [t for t in said.get("turns") or () if t.get("time") or t.get("height_m") is not None]
    if len(turns) < 2:
        raise UsageError("fill in two high and low waters at least, one on each side of the time")
    if len(turns) > _MOST_TURNS:
        raise UsageError(f"there are {len(turns)} high and low waters; {_MOST_TURNS} are the most")
    heights = [
        _number(t, "height_m", f"the height of high or low water {k}", least=-math.inf)
        for k, t in enumerate(turns, 1)
    ]
    for k, (turn, height) in enumerate(zip(turns, heights, strict=True), 1):
        if height is None or not turn.get("time"):
            raise UsageError(f"high or low water {k} needs a time and a height")
    return water_from_turns(
        np.array([time_of(str(t["time"]), zone) for t in turns]),
        np.array(heights, float),
        np.array(["high" if t.get("what") == "high" else "low" for t in turns], dtype=object),
        called="high and low waters, by time",
        zero_m=zero,
        once_a_day=once,
        **({} if weather is None else {"weather_m": weather}),
    )


def _files(desk: Desk, question: dict[str, Any]) -> Any:
    """Return what the folder holds that plans can use."""
    found: dict[str, list[str]] = {"tables": [], "areas": [], "boats": []}
    for path in sorted(desk.folder.iterdir()):
        if not path.is_file() or path.is_symlink() or path.name.startswith("."):
            continue
        ending = path.suffix.lower()
        if ending in _TABLES:
            found["tables"].append(path.name)
        elif ending in _AREAS and not is_book(path):
            found["areas"].append(path.name)
        elif ending in _BOATS and not path.name.endswith(".layout.toml"):
            found["boats"].append(path.name)
    return {key: names[:_MOST_LISTED] for key, names in found.items()}


# ---- the day ------------------------------------------------------------------------------------


def _day(desk: Desk, question: dict[str, Any]) -> Any:
    """Start to plan a day; the job's result is what the page shows of it."""
    from athwart.plan.day import NOT_TIMED, Ask, Pace

    units = units_of(question)
    boat = _boat(desk, question)
    zone = _zone(question, boat)
    start_text = str(question.get("start") or "").strip()
    if not start_text:
        raise UsageError("say where the day starts: a position, or the name of a mark")
    ends = str(question.get("ends") or "start")
    if ends not in ("start", "any", "place"):
        raise UsageError("the day ends at its start, at any mark or at a place")
    leave = str(question.get("leave") or "").strip()
    depart = time_of(leave, zone) if leave else NOT_TIMED
    pace = Pace(
        speed_mps=_needed(question, "speed_mps", "the speed"),
        speed_error=_number(question, "speed_error", "the error of the speed", 0.1) or 0.0,
        stay_s=_number(question, "stay_s", "the time at a mark", 1200.0) or 0.0,
    )
    clear = _number(question, "clear_m", "the distance from edges", 20.0) or 0.0
    draft = _number(question, "draft_m", "the draft")
    margin = _number(question, "margin_m", "what should be left under the keel", 0.5) or 0.0
    deep = _number(question, "transducer_depth_m", "the depth of the transducer")
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
        zones, of_zones = _zones(desk, question)
        allowed, closed = _area(desk, question, "inside"), _area(desk, question, "keep_out")
        closed = closed_water(closed, zones)
        level = _water(desk, question, zone, start.lat, words)
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


def _sheet(desk: Desk, question: dict[str, Any]) -> Response:
    """Return the page of a plan by itself; it runs nothing and may be framed by nobody."""
    try:
        held: HeldPlan = desk.plans.take(str(question["id"]))
        if held.day is None:
            raise UsageError("only a day has a sheet")
        page = held.page()
    except AthwartError as error:
        return PlainTextResponse(str(error), status_code=409)
    policy = "sandbox; default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
    return HTMLResponse(page, headers={"content-security-policy": policy})


# ---- the water over the marks -------------------------------------------------------------------


def _over(desk: Desk, question: dict[str, Any]) -> Any:
    """Return how high the water stands at a time, and how much of it there is over the marks."""
    from athwart.plan.depth import CAUTION, LITTLE

    units = units_of(question)
    boat = _boat(desk, question)
    zone = _zone(question, boat)
    at_text = str(question.get("at") or "").strip()
    at = time_of(at_text, zone) if at_text else np.datetime64("now", "us")
    draft = _number(question, "draft_m", "the draft")
    margin = _number(question, "margin_m", "what should be left under the keel", 0.5) or 0.0
    deep = _number(question, "transducer_depth_m", "the depth of the transducer")

    def making(job: Job) -> Any:
        job.told("reading the book", 0.1)
        every, looks, words = marks_of_book(desk, question)
        marks = narrowed(every, question)
        if not len(marks):
            raise DataError("no mark is chosen; choose one at least")
        job.told("reading the tide", 0.3)
        level = _water(desk, question, zone, float(np.median(marks.lat)), words)
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


# ---- writing ------------------------------------------------------------------------------------


def _write(desk: Desk, question: dict[str, Any]) -> Any:
    """Write a plan that was shown into the book's folder."""
    from athwart.formats.shapes import write_features
    from athwart.handover import export_plan

    held: HeldPlan = desk.plans.take(str(question["id"]))
    what = str(question.get("as", "page"))
    if what not in _ENDINGS:
        raise UsageError(f"a plan is written as {', '.join(_ENDINGS)}")
    name = plain_file_name(str(question["name"]), _ENDINGS[what])
    words: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        files: tuple[Path, ...] = (path,)
        if what == "plan":
            write_features(path, held.features)
        elif what == "gpx" and held.day is not None:
            files, said = write_route(
                held.day, path, limits=limits_of(question), title=held.title, overwrite=False
            )
            words += said
        elif what == "gpx":
            files, said, sentence = export_plan(
                held.features, path, limits=limits_of(question), overwrite=False
            )
            words += [sentence, *said]
        elif held.day is not None:
            write_sheet(held.day, path, title=held.title, units=held.units, overwrite=False)
        else:
            path.write_text(held.page(), encoding="utf-8")
        made = [(file.name, file.read_bytes()) for file in files]
    return hand_files(desk, made, _KINDS[what], words, False, bool(question.get("overwrite")))


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("GET", "/api/going-back/files", _files),
    ("POST", "/api/going-back/day", _day),
    ("POST", "/api/going-back/water", _over),
    ("POST", "/api/going-back/write", _write),
    ("GET", "/going-back/sheet/{id}", _sheet),
)
