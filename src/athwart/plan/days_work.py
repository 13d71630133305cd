"""The day's work: order, legs, times, water and light at each mark, and what to beware of.

What it gives, and on what it rests, is told in `athwart.plan.day`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError
from athwart.geometry.geodesic import inverse
from athwart.geometry.magnetic import FIRST_YEAR, LAST_YEAR, variation
from athwart.geometry.plane import LocalPlane
from athwart.plan.day import NOT_TIMED, Ask, Day, LeftOut, Leg, Pace, Place, Stop, WaterOver
from athwart.plan.order import EXACT_STOPS, shortest_order
from athwart.plan.sun import Event, Moon, is_dark, light, moon, without_rise_or_set
from athwart.plan.ways import Ways, shortest_ways
from athwart.tables import Marks
from athwart.units import UnitSystem, format_length, many

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.tide import Tide
    from athwart.plan.zones import Zones

__all__ = ["plan_day"]

TimeArray = NDArray[np.datetime64]

LARGE_R95_M = 20.0
"""From here on a mark is searched for, not gone to; common practice, no source."""
FAR_OFF_M = 300.0
"""A mark farther outside the water that was given is left out; a start farther out is refused."""
LEAST_OFF_HAZARD_M = 20.0
"""Beside a danger's R95, when no wider margin was asked for; common practice, no source."""
_MOST_MARKS = 500
_Z95 = 1.959964


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
            f"there are {len(marks)} marks; allowed in one day are {_MOST_MARKS}; name those to "
            "visit with --marks, --kind or --within"
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
    legs = _legs(ways, order, pace, depart if not np.isnat(depart) else dated)
    visited = [k - 1 for k in order[1:] if 0 < k <= len(marks)]
    stops, back, back_sigma = _times(visited, legs, pace, depart)
    stops = _warned(stops, marks, ways, zones, clear_m, units)
    turns: tuple[tuple[np.datetime64, float, bool], ...] = ()
    sky: tuple[Event, ...] = ()
    full: Moon | None = None
    sun = ""
    warnings: list[str] = []
    if not np.isnat(depart):
        midnight, next_midnight = _day_of(depart, time_zone)
        last = max(next_midnight, back)
        sky = light(start.lon, start.lat, midnight, last)
        sun = without_rise_or_set(start.lon, start.lat, depart, sky)
        full = moon(midnight + np.timedelta64(12, "h"))
        stops = _in_the_dark(stops, marks)
        if tide is not None:
            stops = _over_water(stops, marks, tide, over, margin_m, units)
            unknown = sum(bool(np.isnan(s.tide_m)) for s in stops)
            if unknown:
                warnings.append(
                    f"The height of the water is not known at the time of {many(unknown, 'mark')}: "
                    "what was given of the tide does not reach so far."
                )
            found = tide.turns(midnight, last)
            turns = tuple(
                zip(found.time, found.height_m.tolist(), found.high.tolist(), strict=True)
            )
        goal = start if other_end is None else other_end
        if not ask.one_way and is_dark(goal.lon, goal.lat, back):
            warnings.append("The day ends in the dark.")
    elif tide is not None:
        warnings.append("Without a time to leave the tide is not used; give it with --depart.")
    home = legs[-1] if len(legs) > len(stops) else None
    if hazards is not None and len(hazards):
        warnings += _legs_by_hazards(
            legs, hazards, [str(marks.mark_id[r]) for r in visited], clear_m, units
        )
    if zones is not None:
        warnings += _legs_in_zones(legs, zones)
    return Day(
        marks=marks,
        start=start,
        end=None if ask.one_way else (other_end or start),
        stops=stops,
        home=home,
        pace=pace,
        depart=depart,
        back=back,
        back_sigma_s=back_sigma,
        turns=turns,
        sky=sky,
        sun=sun,
        moon=full,
        left_out=left_out,
        warnings=tuple(warnings),
        basis=_basis(
            len(stops),
            ask,
            water,
            closed,
            clear_m,
            zones,
            tide,
            over,
            pace,
            _has_variation(dated if np.isnat(depart) else depart),
            units,
        ),
        time_zone=time_zone,
        outline=water,
        closed=closed,
        hazards=hazards,
    )


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
        arrive = depart + _micros(under_way + stayed)
        stayed += stay
        stops.append(
            Stop(
                row=row,
                leg=leg,
                arrive=arrive,
                leave=arrive + _micros(stay),
                under_way_s=under_way,
                sigma_s=under_way * pace.speed_error,
                stay_s=stay,
            )
        )
    under_way = sum(leg.seconds for leg in legs)
    return tuple(stops), depart + _micros(under_way + stayed), under_way * pace.speed_error


def _micros(seconds: float) -> np.timedelta64:
    return np.timedelta64(round(seconds * 1e6), "us")


def _warned(
    stops: Sequence[Stop],
    marks: Marks,
    ways: Ways,
    zones: Zones | None,
    clear_m: float,
    units: UnitSystem,
) -> tuple[Stop, ...]:
    private = marks.extra.get("private", np.zeros(len(marks), bool))
    said: dict[int, list[str]] = {}
    if zones is not None:
        from athwart.plan.zones import judge

        found = judge(zones, marks.lon, marks.lat, np.nan_to_num(marks.r95_m)).worst_first()
        for row, touched, sentence in zip(
            found.item.tolist(), found.touched.tolist(), found.sentences(zones, units), strict=True
        ):
            if touched:
                said.setdefault(row, []).append(f"Zone: {sentence}.")
    out = []
    for stop in stops:
        row, words = stop.row, []
        r95 = float(marks.r95_m[row])
        if marks.hazard[row]:
            words.append("HAZARD: a danger to the boat; its place is an estimate.")
        words += said.get(row, [])
        if not np.isfinite(r95):
            words.append("Its error is not known.")
        elif r95 >= LARGE_R95_M:
            words.append(
                f"R95 is {format_length(r95, units, 0)}: search for it rather than expect it there."
            )
        if ways.off_m[row + 1] > 0.5:
            off = format_length(float(ways.off_m[row + 1]), units, 0)
            words.append(
                f"The last {off} to it lead nearer to an edge than the "
                f"{format_length(clear_m, units, 0)} kept elsewhere, and were not looked at."
            )
        if bool(private[row]):
            words.append("Private: this sheet gives it away.")
        out.append(replace(stop, warnings=(*stop.warnings, *words)))
    return tuple(out)


def _in_the_dark(stops: Sequence[Stop], marks: Marks) -> tuple[Stop, ...]:
    out = []
    for stop in stops:
        lon, lat = float(marks.lon[stop.row]), float(marks.lat[stop.row])
        if is_dark(lon, lat, stop.arrive):
            word = ("Arrival in the dark.",)
            stop = replace(stop, dark=True, warnings=(*stop.warnings, *word))
        out.append(stop)
    return tuple(out)


def _over_water(
    stops: Sequence[Stop],
    marks: Marks,
    tide: Tide,
    over: Callable[[Marks, TimeArray], WaterOver] | None,
    margin_m: float,
    units: UnitSystem,
) -> tuple[Stop, ...]:
    """Return the stops with the tide, and with the water over the marks where that is asked for."""
    arrive = np.array([s.arrive for s in stops], "datetime64[us]")
    wide = np.array([_micros(s.sigma_s) for s in stops])
    level, level_sigma = tide.height(arrive)
    # What an arrival that is one standard error off does to the height.
    late, early = tide.height(arrive + wide)[0], tide.height(arrive - wide)[0]
    drift = np.nanmax(np.abs([late - level, early - level, np.zeros(len(stops))]), axis=0)
    sigma = np.hypot(level_sigma, drift)
    filled = [
        replace(s, tide_m=float(h), tide_sigma_m=float(e))
        for s, h, e in zip(stops, level, sigma, strict=True)
    ]
    if over is None:
        return tuple(filled)
    rows = np.array([s.row for s in stops])
    there = over(marks.take(rows), arrive)
    stay = np.array([_micros(s.stay_s) for s in stops])
    far = np.array([_micros(_Z95 * s.sigma_s) for s in stops])
    first, last = arrive - far, arrive + stay + far
    parts = np.linspace(0.0, 1.0, 9)
    moments = first[:, None] + (parts * (last - first)[:, None]).astype("timedelta64[us]")
    many_rows = np.repeat(rows, len(parts))
    clearance = over(marks.take(many_rows), moments.ravel()).clearance_m.reshape(moments.shape)
    out = []
    for k, (stop, words) in enumerate(zip(filled, there.sentences(units), strict=True)):
        warnings = stop.warnings
        least = float(clearance[k].min())
        if least < margin_m:
            under = format_length(least, units)
            wanted = format_length(margin_m, units)
            warnings = (
                *warnings,
                f"LITTLE WATER: {under} under the keel at the lowest while you are there; you asked "
                f"for {wanted}.",
            )
        out.append(
            replace(
                stop,
                depth_m=float(there.depth_m[k]),
                depth_sigma_m=float(np.hypot(there.sigma_m[k], drift[k])),
                clearance_m=least,
                water=words[:1].upper() + words[1:] + ".",
                warnings=warnings,
            )
        )
    return tuple(out)


def _legs_by_hazards(
    legs: Sequence[Leg],
    hazards: Marks,
    visited: Sequence[str],
    clear_m: float,
    units: UnitSystem,
) -> list[str]:
    """Say which legs pass a danger within its R95 and the margin, but for those that lead to it."""
    import shapely

    plane = LocalPlane.about(
        np.concatenate([leg.lon for leg in legs]), np.concatenate([leg.lat for leg in legs])
    )
    lines = [shapely.LineString(np.stack(plane.to_plane(leg.lon, leg.lat), axis=1)) for leg in legs]
    x, y = plane.to_plane(hazards.lon, hazards.lat)
    places = [shapely.Point(*at) for at in zip(x.tolist(), y.tolist(), strict=True)]
    apart = np.array([shapely.distance(line, places) for line in lines])
    near = apart < np.nan_to_num(hazards.r95_m, nan=LARGE_R95_M) + max(clear_m, LEAST_OFF_HAZARD_M)
    out = []
    for k, i in np.argwhere(near).tolist():
        here = str(hazards.mark_id[i])
        if here in visited[max(k - 1, 0) : k + 1]:
            continue
        name = str(hazards.name[i]) or str(hazards.kind[i]) or "mark"
        r95 = float(hazards.r95_m[i])
        error = f"R95 {format_length(r95, units)}" if np.isfinite(r95) else "error not known"
        out.append(
            f'Leg {k + 1} passes {format_length(float(apart[k, i]), units)} from the hazard "{name}" '
            f"({error})."
        )
    return out


def _legs_in_zones(legs: Sequence[Leg], zones: Zones) -> list[str]:
    from athwart.plan.zones import judge_shapes

    lines = [leg.line for leg in legs]
    found = judge_shapes(zones, lines, np.zeros(len(lines)))
    legs_of: dict[int, list[int]] = {}
    for k, zone, touched in zip(
        found.item.tolist(), found.zone.tolist(), found.touched.tolist(), strict=True
    ):
        if touched:
            legs_of.setdefault(zone, []).append(k + 1)
    out = []
    for zone, numbers in sorted(legs_of.items(), key=lambda item: item[1]):
        rule = zones.rule[zone] or zones.kind[zone]
        legs_said = f"Leg {numbers[0]} touches" if len(numbers) == 1 else (
            f"Legs {', '.join(map(str, numbers[:-1]))} and {numbers[-1]} touch"
        )  # fmt: skip
        out.append(f'{legs_said} the zone "{zones.name[zone]}".' + f" Rule: {rule}." * bool(rule))
    return out


def _utc(time: np.datetime64) -> np.datetime64:
    return np.datetime64(int(time.astype("datetime64[us]").astype(np.int64)), "us")


def _day_of(time: np.datetime64, zone: str) -> tuple[np.datetime64, np.datetime64]:
    """Return midnight and next midnight of a zone about a time, UTC."""
    info = ZoneInfo(zone)
    here = datetime.fromtimestamp(time.astype("datetime64[us]").astype(np.int64) / 1e6, info)
    midnight = datetime(here.year, here.month, here.day, tzinfo=info)
    after = midnight + timedelta(days=1)

    def utc(time: datetime) -> np.datetime64:
        return np.datetime64(time.astimezone(UTC).replace(tzinfo=None), "us")

    return utc(midnight), utc(after)


def _basis(
    stops: int,
    ask: Ask,
    water: BaseGeometry | None,
    closed: BaseGeometry | None,
    clear_m: float,
    zones: Zones | None,
    tide: Tide | None,
    over: object,
    pace: Pace,
    magnetic: bool,
    units: UnitSystem,
) -> tuple[str, ...]:
    kept = f", {format_length(clear_m, units, 0)} off its edges" if clear_m else ""
    words = [
        "Order: as given."
        if ask.given
        else f"Order: the shortest {'way' if ask.one_way else 'round'} through {many(stops, 'mark')}"
        f"{' by a search; a shorter one may exist' if stops > EXACT_STOPS - 2 else ''}. Tide and light "
        "have no say in it.",
        "Water: none was given, so legs are straight and may cross land."
        if water is None and closed is None
        else f"Water: legs stay in the water that was given{kept}."
        if water is not None
        else f"Water: legs keep out of what was given to keep out of{kept}; what else is land is not "
        "known.",
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
        words.append("Tide: none was given, so no depth is told.")
    else:
        words += [f"Tide: {w}" for w in tide.words]
        if over is None:
            words.append("Depths: not asked for.")
    return tuple(words)
