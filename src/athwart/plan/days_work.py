"""The day's work: order, legs, times, water and light at each mark, and what to beware of.

What it gives, and on what it rests, is told in `athwart.plan.day`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError
from athwart.geometry.geodesic import inverse
from athwart.geometry.magnetic import FIRST_YEAR, LAST_YEAR, variation
from athwart.plan.beware import beware
from athwart.plan.day import NOT_TIMED, Ask, Day, LeftOut, Leg, Pace, Place, Stop, WaterOver, micros
from athwart.plan.meeting import with_light, with_water
from athwart.plan.order import EXACT_STOPS, shortest_order
from athwart.plan.ways import Ways, shortest_ways
from athwart.tables import Marks
from athwart.units import UnitSystem, format_length, many

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.tide import Tide
    from athwart.plan.zones import Zones

__all__ = ["plan_day"]

TimeArray = NDArray[np.datetime64]

FAR_OFF_M = 300.0
"""A mark farther outside the water that was given is left out; a start farther out is refused."""
_MOST_MARKS = 500


def plan_day(
    marks: Marks,
    start: Place,
    *,
    pace: Pace,
    end: Place | None = None,
    ask: Ask | None = None,
    depart: np.datetime64 = NOT_TIMED,
    dated: np.datetime64 = NOT_TIMED,
    time_zone: str = "UTC",
    water: BaseGeometry | None = None,
    closed: BaseGeometry | None = None,
    clear_m: float = 0.0,
    zones: Zones | None = None,
    tide: Tide | None = None,
    over: Callable[[Marks, TimeArray], WaterOver] | None = None,
    margin_m: float = 0.5,
    hazards: Marks | None = None,
    units: UnitSystem = "metric",
) -> Day:
    """Plan a day: the order, the legs, and what meets the boat at each mark.

    Parameters
    ----------
    marks : Marks
        What to visit. The columns ``visits``, ``last_visit`` and ``private`` of a book are used.
    start, end : Place
        Where the day begins, and where it ends: at the start unless said otherwise, or at the last
        mark with ``ask.one_way``.
    pace : Pace
        Speed and stays.
    ask : Ask, optional
        What a person wants of the order.
    depart : numpy.datetime64, optional
        When she leaves, UTC. Without it there are no times of day, tide and light.
    dated : numpy.datetime64, optional
        Date for the magnetic variation where there is no ``depart``.
    time_zone : str
        IANA name of the zone whose day the light is told for.
    water, closed : shapely polygons, optional
        Where a boat may go, and where she may not; longitude and latitude.
    clear_m : float
        Distance kept from their edges, metres.
    zones : Zones, optional
        The user's zones, held against marks and legs.
    tide : Tide, optional
        Height of the water.
    over : callable, optional
        Gives the water over marks at times, one each (`athwart.plan.depth.depth_over`, bound to
        the tide and the boat).
    margin_m : float
        Water wanted under the keel, metres; with less there is a warning.
    hazards : Marks, optional
        Dangers that legs are held against, visited or not; ``hazard`` itself is not looked at.
    units : {"metric", "feet", "fathoms"}
        Of lengths in sentences.

    Raises
    ------
    DataError
        No mark, too many, marks too far apart, none that can be reached.
    UsageError
        A pace or an order that cannot be.
    """
    ask = ask or Ask()
    if not len(marks):
        raise DataError("there is no mark to visit")
    if len(marks) > _MOST_MARKS:
        raise DataError(
            f"there are {len(marks)} marks; allowed in one day are {_MOST_MARKS}; choose those "
            "to visit"
        )
    depart, dated = _utc(depart), _utc(dated)
    other_end = None if ask.one_way else end
    lon = np.r_[start.lon, marks.lon, [] if other_end is None else other_end.lon]
    lat = np.r_[start.lat, marks.lat, [] if other_end is None else other_end.lat]
    ways = shortest_ways(lon, lat, water=water, closed=closed, clear_m=clear_m)
    _check_ends(ways, start, other_end, units)
    left_out = _left_out(ways, len(marks), clear_m, units)
    gone = {x.row for x in left_out}
    for what, row in (("first", ask.first), ("last", ask.last)):
        if row in gone:
            why = next(x.why for x in left_out if x.row == row)
            raise DataError(f"the mark to visit {what} cannot be: {why}")
    rows = [i for i in range(len(marks)) if i not in gone]
    if not rows:
        raise DataError(
            "none of the marks can be visited; the first of them: "
            f"{marks.name[0] or 'mark'} {left_out[0].why}"
        )
    order = _order(ways, rows, ask, ends_elsewhere=other_end is not None, count=len(marks))
    when = dated if np.isnat(depart) else depart
    legs = _legs(ways, order, pace, when)
    visited = [k - 1 for k in order[1:] if 0 < k <= len(marks)]
    stops, back, back_sigma = _times(visited, legs, pace, depart)
    day = Day(
        marks=marks,
        start=start,
        end=None if ask.one_way else (other_end or start),
        stops=stops,
        home=legs[-1] if len(legs) > len(stops) else None,
        pace=pace,
        depart=depart,
        back=back,
        back_sigma_s=back_sigma,
        left_out=left_out,
        basis=(
            *_basis(len(stops), ask, water, closed, clear_m, units),
            *_more_basis(pace, zones, tide, over, magnetic=_has_variation(when)),
        ),
        time_zone=time_zone,
        outline=water,
        closed=closed,
        hazards=hazards,
    )
    off_m = ways.off_m[1 : len(marks) + 1]
    day = beware(day, zones=zones, off_m=off_m, clear_m=clear_m, units=units)
    if np.isnat(depart):
        return day
    day = with_light(day)
    return day if tide is None else with_water(day, tide, over, margin_m=margin_m, units=units)


def _check_ends(ways: Ways, start: Place, end: Place | None, units: UnitSystem) -> None:
    for k, place in ((0, start), (-1, end)):
        if place is None:
            continue
        if ways.closed[k]:
            raise DataError(f"{place.name} lies in water that is kept out; choose another place")
        if ways.off_m[k] > FAR_OFF_M:
            raise DataError(
                f"{place.name} lies {format_length(float(ways.off_m[k]), units, 0)} outside the "
                f"water that was given; allowed is {format_length(FAR_OFF_M, units, 0)}"
            )


def _left_out(ways: Ways, count: int, clear_m: float, units: UnitSystem) -> tuple[LeftOut, ...]:
    out = []
    for row in range(count):
        k = row + 1
        if ways.closed[k]:
            out.append(LeftOut(row, "lies in water that is kept out"))
        elif ways.off_m[k] > FAR_OFF_M:
            off = format_length(float(ways.off_m[k]), units, 0)
            out.append(LeftOut(row, f"lies {off} outside the water that was given"))
        elif not np.isfinite(ways.length_m[0, k]):
            off = f", {format_length(clear_m, units, 0)} off its edges" if clear_m else ""
            out.append(LeftOut(row, f"cannot be reached by the water that was given{off}"))
    return tuple(out)


def _order(
    ways: Ways, rows: Sequence[int], ask: Ask, *, ends_elsewhere: bool, count: int
) -> list[int]:
    """Return places in order: 0 the start, 1 to count the marks, beyond them the end."""
    places = [0, *(r + 1 for r in rows), *([count + 1] if ends_elsewhere else [])]
    if ends_elsewhere and not np.isfinite(ways.length_m[0, count + 1]):
        raise DataError("the end cannot be reached from the start by the water that was given")
    if ask.given:
        back = [] if ask.one_way or ends_elsewhere else [0]
        return [*places, *back]
    where = {p: k for k, p in enumerate(places)}
    length = ways.length_m[np.ix_(places, places)]
    order = shortest_order(
        length,
        end=where[count + 1] if ends_elsewhere else None,
        round_trip=not (ask.one_way or ends_elsewhere),
        first=None if ask.first is None else where[ask.first + 1],
        last=None if ask.last is None else where[ask.last + 1],
    )
    return [places[k] for k in order]


def _legs(ways: Ways, order: Sequence[int], pace: Pace, when: np.datetime64) -> list[Leg]:
    legs = []
    for a, b in pairwise(order):
        lon, lat = ways.way(a, b)
        bearing, length = inverse(lon[:-1], lat[:-1], lon[1:], lat[1:])
        magnetic = np.full(len(bearing), np.nan)
        if _has_variation(when):
            magnetic = (bearing - variation(lon[:-1], lat[:-1], when)) % 360.0
        seconds = float(length.sum()) / pace.speed_mps
        legs.append(Leg(lon=lon, lat=lat, part_m=length, true_deg=bearing,
                        magnetic_deg=magnetic, seconds=seconds))  # fmt: skip
    return legs


def _has_variation(when: np.datetime64) -> bool:
    if np.isnat(when):
        return False
    year = float(when.astype("datetime64[Y]").astype(np.int64)) + 1970
    return FIRST_YEAR <= year < LAST_YEAR


def _times(
    visited: Sequence[int], legs: Sequence[Leg], pace: Pace, depart: np.datetime64
) -> tuple[tuple[Stop, ...], np.datetime64, float]:
    under_way = stayed = 0.0
    stops = []
    for row, leg in zip(visited, legs, strict=False):
        under_way += leg.seconds
        stay = float(pace.stays_s.get(row, pace.stay_s))
        arrive = depart + micros(under_way + stayed)
        stayed += stay
        stops.append(
            Stop(
                row=row,
                leg=leg,
                arrive=arrive,
                leave=arrive + micros(stay),
                under_way_s=under_way,
                sigma_s=under_way * pace.speed_error,
                stay_s=stay,
            )
        )
    under_way = sum(leg.seconds for leg in legs)
    return tuple(stops), depart + micros(under_way + stayed), under_way * pace.speed_error


def _utc(time: np.datetime64) -> np.datetime64:
    return np.datetime64(int(time.astype("datetime64[us]").astype(np.int64)), "us")


def _basis(
    stops: int,
    ask: Ask,
    water: BaseGeometry | None,
    closed: BaseGeometry | None,
    clear_m: float,
    units: UnitSystem,
) -> tuple[str, str]:
    """Say on what the order and the legs rest."""
    way = f"the shortest {'way' if ask.one_way else 'round'} through {many(stops, 'mark')}"
    if stops > EXACT_STOPS - 2:
        way += " by a search; a shorter one may exist"
    order = "Order: as given." if ask.given else (
        f"Order: {way}. Tide and light have no say in it."
    )  # fmt: skip
    kept = f", {format_length(clear_m, units, 0)} off its edges" if clear_m else ""
    if water is not None:
        return order, f"Water: legs stay in the water that was given{kept}."
    if closed is not None:
        return order, (
            f"Water: legs keep out of what was given to keep out of{kept}; what else is land is not "
            "known."
        )
    return order, "Water: none was given, so legs are straight and may cross land."


def _more_basis(
    pace: Pace, zones: Zones | None, tide: Tide | None, over: object, *, magnetic: bool
) -> list[str]:
    words = [
        "Zones: none were given."
        if zones is None
        else f"Zones: {many(len(zones), 'zone')} of yours.",
        f"Times: the speed is taken to be within {2 * pace.speed_error:.0%} (95 %); a current, wind "
        "and sea do more.",
    ]
    if not magnetic:
        words.append(
            "Magnetic bearings: not known for this date; the models run from 2010 to 2029."
        )
    if tide is None:
        return [*words, "Tide: none was given, so no depth is told."]
    words += [f"Tide: {w}" for w in tide.words]
    return words if over is not None else [*words, "Depths: not asked for."]
