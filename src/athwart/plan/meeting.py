"""What meets the boat on a timed day: the light, the tide, and the water over each mark."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from athwart.plan.day import Day, Stop, WaterOver, micros
from athwart.plan.sun import is_dark, light, moon, without_rise_or_set
from athwart.tables import Marks
from athwart.units import UnitSystem, format_length, many

if TYPE_CHECKING:
    from athwart.plan.tide import Tide

__all__ = ["with_light", "with_water"]

TimeArray = NDArray[np.datetime64]

_Z95 = 1.959964


def with_light(day: Day) -> Day:
    """Return a timed day with Sun and Moon, and what is done in the dark said."""
    midnight, last = day.span()
    sky = light(day.start.lon, day.start.lat, midnight, last)
    words = day.warnings
    if day.end is not None and is_dark(day.end.lon, day.end.lat, day.back):
        words = ("The day ends in the dark.", *words)
    return replace(
        day,
        stops=_in_the_dark(day.stops, day.marks),
        sky=sky,
        sun=without_rise_or_set(day.start.lon, day.start.lat, day.depart, sky),
        moon=moon(midnight + np.timedelta64(12, "h")),
        warnings=words,
    )


def with_water(
    day: Day,
    tide: Tide,
    over: Callable[[Marks, TimeArray], WaterOver] | None,
    *,
    margin_m: float,
    units: UnitSystem,
) -> Day:
    """Return a timed day with the tide, and with the water over its marks if ``over`` gives it.

    Parameters
    ----------
    day : Day
        Its arrivals have times.
    tide : Tide
        Height of the water.
    over : callable or None
        Gives the water over marks at times, one each.
    margin_m : float
        Water wanted under the keel, metres; with less there is a warning.
    units : {"metric", "feet", "fathoms"}
        Of lengths in sentences.
    """
    stops = _over_water(day.stops, day.marks, tide, over, margin_m, units)
    words = day.warnings
    unknown = sum(bool(np.isnan(s.tide_m)) for s in stops)
    if unknown:
        words = (
            f"The height of the water is not known at the time of {many(unknown, 'mark')}: what was "
            "given of the tide does not reach so far.",
            *words,
        )
    found = tide.turns(*day.span())
    turns = zip(found.time, found.height_m.tolist(), found.high.tolist(), strict=True)
    return replace(day, stops=stops, turns=tuple(turns), warnings=words)


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
    wide = np.array([micros(s.sigma_s) for s in stops])
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
    stay = np.array([micros(s.stay_s) for s in stops])
    far = np.array([micros(_Z95 * s.sigma_s) for s in stops])
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
