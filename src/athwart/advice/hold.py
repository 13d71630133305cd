"""Holding and drifting in words: directions, what moves boat and lure, and what is said of a hold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from athwart.errors import DataError, UsageError
from athwart.geometry.magnetic import variation
from athwart.plan.current import LEEWAY, Flow, course_to_steer, leeway
from athwart.plan.hold import Cast, Drift, Hold, Spread, Target, hold_for
from athwart.uncertainty.vertical import Z95
from athwart.units import UnitSystem, format_length, format_position, format_speed, parse_heading

if TYPE_CHECKING:
    from athwart.features import Feature
    from athwart.plan.sink import SinkRate
    from athwart.plan.zones import Zones
    from athwart.tables import Marks

__all__ = [
    "Compass",
    "Flows",
    "course",
    "course_lines",
    "drift_lines",
    "hold_lines",
    "hold_on",
    "mark_line",
    "target_of",
    "zone_lines",
]


class Compass:
    """Directions true and magnetic at a place today."""

    def __init__(self, lon: float, lat: float) -> None:
        try:
            now = np.datetime64("now", "us")
            self.variation: float | None = float(variation(lon, lat, now))
        except DataError:  # the models end in 2029
            self.variation = None

    def read(self, text: str | None) -> float:
        """Return a typed direction, degrees true."""
        degrees, magnetic = parse_heading(text or "")
        if magnetic:
            if self.variation is None:
                raise UsageError(
                    "the magnetic variation of today is not known; give true directions"
                )
            degrees += self.variation
        return degrees % 360.0

    def said(self, degrees: float) -> str:
        """Write a direction, true and magnetic."""
        true = f"{round(degrees) % 360:03d} true"
        if self.variation is None:
            return true
        return f"{true} ({round(degrees - self.variation) % 360:03d} magnetic)"


class Flows:
    """What moves the water, and what moves the boat."""

    def __init__(self, current: Flow, wind: Flow, total: Flow, words: tuple[str, ...]) -> None:
        self.current, self.wind, self.total, self.words = current, wind, total, words

    @classmethod
    def of(
        cls,
        compass: Compass,
        *,
        set_text: str | None = None,
        current_mps: float | None = None,
        wind_from: str | None = None,
        wind_mps: float | None = None,
        leeway_part: float | None = None,
        adrift_to: str | None = None,
        adrift_mps: float | None = None,
        sigma_deg: float,
        sigma_mps: float,
    ) -> Flows:
        """Return the flows of current and wind, or of a drift that was seen.

        Parameters
        ----------
        compass : Compass
            Reads directions.
        set_text, wind_from, adrift_to : str, optional
            Where the current goes to, the wind comes from, the boat drifts to.
        current_mps, wind_mps, adrift_mps : float, optional
            Speeds, each with its direction.
        leeway_part : float, optional
            How fast she goes before the wind, as a part of it.
        sigma_deg, sigma_mps : float
            Standard errors of directions, and of the speeds of current and drift.
        """
        errors = {"sigma_deg": sigma_deg, "sigma_mps": sigma_mps}
        water, air = Flow(), Flow()
        if current_mps is not None:
            water = Flow.towards(compass.read(set_text), current_mps, **errors)
        if wind_mps is not None:
            air = leeway(
                compass.read(wind_from),
                wind_mps,
                LEEWAY.value if leeway_part is None else leeway_part,
            )
        if adrift_mps is None:
            return cls(water, air, water + air, ())
        total = Flow.towards(compass.read(adrift_to), adrift_mps, **errors)
        if current_mps is None:
            words = (
                "what carries the lure is taken to be the drift of the boat; if the wind has a part "
                "in that, give the current itself too",
            )
            return cls(total, Flow(), total, words)
        rest = Flow(total.east_mps - water.east_mps, total.north_mps - water.north_mps)
        return cls(water, rest, total, ())


def target_of(marks: Marks, row: int) -> Target:
    """Return a mark as a place to go to."""
    return Target(
        lon=float(marks.lon[row]),
        lat=float(marks.lat[row]),
        spread=Spread(
            float(marks.var_east_m2[row]),
            float(marks.var_north_m2[row]),
            float(marks.cov_east_north_m2[row]),
        ),
        name=str(marks.name[row]) or str(marks.mark_id[row]),
        hazard=bool(marks.hazard[row]),
    )


def mark_line(target: Target, units: UnitSystem) -> str:
    """Return which mark it is, where, and its R95."""
    r95 = format_length(target.spread.r95_m, units)
    return f"{target.name or 'the mark'} at {format_position(target.lon, target.lat)}, R95 {r95}"


def hold_on(
    target: Target,
    marks: Marks,
    compass: Compass,
    flows: Flows,
    *,
    cast_m: float,
    cast_to: str | None,
    rate: SinkRate | None,
    depth_m: float | None,
    units: UnitSystem,
) -> tuple[Hold, list[str]]:
    """Return where to hold for a cast onto a mark, and what should be said.

    Parameters
    ----------
    target : Target
        The mark as a place.
    marks : Marks
        The mark alone; its depth stands in for one that is not given.
    compass : Compass
        Reads the direction of the cast.
    flows : Flows
        What moves boat and lure.
    cast_m : float
        Length of the cast, metres.
    cast_to : str or None
        Where it goes to; against the drift if not said.
    rate : SinkRate or None
        How fast the lure sinks.
    depth_m : float or None
        How deep it is to go.
    units : {"metric", "feet", "fathoms"}
        What lengths are written in.

    Raises
    ------
    UsageError
        A sinking lure without a depth to go to.
    """
    words = []
    deep, error = (math.nan if depth_m is None else depth_m), 0.0
    if rate is not None and depth_m is None:
        deep, below = float(marks.depth_m[0]), str(marks.depth_below[0])
        error = math.sqrt(np.nan_to_num(marks.var_depth_m2[0]))
        if not deep > 0 or below == "datum":
            raise UsageError(
                "how deep the lure is to go is not known: the mark has no depth below the surface; "
                "say how deep",
                code="lure-depth-missing",
            )
        words.append(
            f"the lure is to go to the mark's depth, {format_length(deep, units)} below the "
            f"{below or 'surface'} as it was sounded, as no other was given"
        )
    cast = Cast(
        length_m=cast_m,
        to_deg=math.nan if cast_to is None else compass.read(cast_to),
        sink=rate,
        depth_m=deep,
        depth_sigma_m=error,
    )
    made = hold_for(target, cast, current=flows.current, wind=flows.wind)
    words += made.words
    if rate is None and flows.current.speed_mps > 0:
        words.append(
            "nothing says how fast the lure sinks, so that the current's part on its way down is "
            "left out"
        )
    return made, words


def course(
    compass: Compass, approach: str, speed: float, flow: Flow, units: UnitSystem
) -> dict[str, float]:
    """Return what to steer to make a track good.

    Parameters
    ----------
    approach : str
        The track.
    speed : float
        Through the water, m/s.
    flow : Flow
        What moves her.

    Raises
    ------
    DataError
        She cannot make it good.
    """
    track = compass.read(approach)
    way = 0.0 if flow.speed_mps == 0 else flow.direction_deg
    heading, made = course_to_steer(track, speed, way, flow.speed_mps)
    if np.isnan(heading):
        raise DataError(
            f"at {format_speed(speed, units)} through the water she cannot make good "
            f"{round(track) % 360:03d}: the drift of {format_speed(flow.speed_mps, units)} is too "
            "strong; go faster or take another way"
        )
    crab = (float(heading) - track + 180.0) % 360.0 - 180.0
    return {"track_deg": track, "heading_deg": float(heading), "crab_deg": crab,
            "made_good_mps": float(made)}  # fmt: skip


def zone_lines(
    zones: Zones | None,
    hold: Hold | None,
    drift: Drift | None,
    features: Sequence[Feature],
    units: UnitSystem,
) -> list[str]:
    """Return a sentence for every zone that the hold or the drift touches."""
    if zones is None:
        return []
    from athwart.plan.zones import judge_shapes

    reach = [
        hold.position.r95_m if f.role in ("hold", "cast") and hold is not None else
        drift.spread.r95_m if drift is not None else 0.0
        for f in features
    ]  # fmt: skip
    found = judge_shapes(
        zones, [f.geometry for f in features], np.array(reach), reach_m=0.0
    ).worst_first()
    rows = [i for i, t in enumerate(found.touched) if t]
    sentences = found.sentences(zones, units)
    said = [f"{features[int(found.item[i])].name}: {sentences[i]}" for i in rows]
    return [*said, "the law of the place decides, not your file of zones"]


def hold_lines(hold: Hold, compass: Compass, units: UnitSystem) -> list[str]:
    """Return where to hold, in which way to cast, and how near it comes down."""
    out: list[str] = []
    out.append(f"hold at       {format_position(hold.lon, hold.lat)}")
    out.append(
        f"              {format_length(hold.from_mark_m, units)} from the mark, bearing "
        f"{compass.said(hold.from_mark_deg)} from it"
    )
    if not math.isnan(hold.bow_deg):
        out.append(
            f"bow to        {compass.said(hold.bow_deg)}, "
            f"{format_speed(hold.through_water_mps, units)} through the water keeps the place"
        )
    out.append(
        f"cast          {format_length(hold.length_m, units)} to {compass.said(hold.to_deg)}"
    )
    if hold.count_s:
        out.append(
            f"count         {hold.count_s:.0f} seconds, ± {Z95 * hold.count_sigma_s:.0f} (95 %), on "
            "a slack line"
            + (
                f"; the current carries it {format_length(hold.lead_m, units)} meanwhile, which is "
                "allowed for"
                if hold.lead_m
                else ""
            )
        )
    parts = (("the mark", hold.mark), ("your position", hold.position), ("the cast", hold.cast),
             ("sinking and current", hold.current))  # fmt: skip
    listed = ", ".join(
        f"{name} {format_length(p.r95_m, units)}" for name, p in parts if p.r95_m > 0
    )
    out.append(
        f"comes down    within {format_length(hold.r95_m, units)} of the mark (95 %); R95 of the "
        f"parts: {listed}"
    )
    return out


def drift_lines(drift: Drift, compass: Compass, units: UnitSystem) -> list[str]:
    """Return where a drift starts, when she is over the mark, and the chance that she passes it."""
    out: list[str] = []
    out.append(f"start drift   {format_position(drift.start_lon, drift.start_lat)}")
    out.append(
        f"              {format_length(drift.distance_m, units)} before the mark; she goes to "
        f"{compass.said(drift.towards_deg)} at {format_speed(drift.speed_mps, units)}"
    )
    out.append(
        f"over it       after {_minutes(drift.until_s)}, ± {_minutes(Z95 * drift.until_sigma_s)} "
        f"(95 %); {_minutes(drift.over_s)} within {format_length(drift.within_m, units)} of it"
    )
    out.append(
        f"passes        within {format_length(drift.within_m, units)} of the mark with a chance of "
        f"{drift.chance:.0%}; off to a side by up to "
        f"{format_length(Z95 * drift.across_sigma_m, units)} (95 %)"
    )
    return out


def course_lines(steer: dict[str, float], compass: Compass, units: UnitSystem) -> list[str]:
    """Return what to steer."""
    out: list[str] = []
    side = "starboard" if steer["crab_deg"] > 0 else "port"
    crab = abs(round(steer["crab_deg"]))
    off = f", {crab} degrees to {side} of the track" if crab else ""
    out.append(
        f"steer         {compass.said(steer['heading_deg'])}{off}, to make good "
        f"{compass.said(steer['track_deg'])} at {format_speed(steer['made_good_mps'], units)}"
    )
    return out


def _minutes(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"
