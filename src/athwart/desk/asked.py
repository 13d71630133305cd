"""What the page of going back says, understood: numbers, files of the folder, water, boat, zones."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from athwart.advice.places import time_of
from athwart.advice.water import Water, water_from_level, water_from_table, water_from_turns
from athwart.advice.zones import zones_of
from athwart.boat import Boat
from athwart.desk.state import Desk
from athwart.errors import UsageError
from athwart.formats.texts import load_zone

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "AREAS",
    "BOATS",
    "TABLES",
    "area_of",
    "boat_of",
    "needed",
    "number",
    "water_of",
    "zone_of",
    "zones_in",
]

TABLES = (".csv",)
AREAS = (".geojson", ".json", ".gpkg", ".fgb", ".kml", ".shp")
BOATS = (".toml",)
_MOST_TURNS = 200


def number(
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


def needed(question: dict[str, Any], name: str, what: str) -> float:
    """Return a number above zero that must be there."""
    value = number(question, name, what, above=True)
    if value is None:
        raise UsageError(f"{what} is missing")
    return value


def zone_of(question: dict[str, Any], boat: Boat) -> str:
    """Return the zone of typed times: that of the page, else the boat's."""
    zone = str(question.get("zone") or "").strip() or boat.time_zone
    load_zone(zone)
    return zone


def boat_of(desk: Desk, question: dict[str, Any]) -> Boat:
    """Return the boat of a file in the folder, else the common one."""
    name = question.get("boat")
    return Boat.from_toml(desk.file_in_folder(str(name), BOATS)) if name else Boat()


def area_of(desk: Desk, question: dict[str, Any], name: str) -> BaseGeometry | None:
    """Return the areas of a file in the folder; None if none is named."""
    from athwart.formats import read_areas

    given = question.get(name)
    return read_areas(desk.file_in_folder(str(given), AREAS)) if given else None


def zones_in(desk: Desk, question: dict[str, Any]) -> tuple[Any, list[str]]:
    """Return the zones of a file in the folder, and how they were understood."""
    name = question.get("zones")
    return zones_of([desk.file_in_folder(str(name), AREAS)] if name else [])


def water_of(
    desk: Desk, question: dict[str, Any], zone: str, lat: float, words: list[str]
) -> Water | None:
    """Return the water that the page tells of; None if it tells nothing."""
    said = question.get("water") or {}
    if not isinstance(said, dict):
        raise UsageError("the water could not be understood")
    how = said.get("as", "none")
    zero = number(said, "zero_m", "the zero of the heights", 0.0, least=-math.inf) or 0.0
    weather = number(said, "weather_m", "what weather does to the tide")
    once = bool(said.get("once_a_day"))
    if how == "none":
        return None
    if how == "level":
        level = number(said, "level_m", "the level", least=-math.inf)
        if level is None:
            raise UsageError("the level is missing")
        then = number(said, "level_then_m", "the level at the soundings", least=-math.inf)
        return water_from_level(level, then, zero)
    if how == "file":
        if not said.get("file"):
            raise UsageError("choose the file with the tide")
        path = desk.file_in_folder(str(said["file"]), TABLES)
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
        number(t, "height_m", f"the height of high or low water {k}", least=-math.inf)
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
