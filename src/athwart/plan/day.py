"""One day on the water, as `athwart.plan.days_work` works it out: stops, legs, water and light.

A leg is a chain of straight parts along geodesics; its true bearing is that at the start of each
part, magnetic = true - variation (east positive). Times rest on one speed over the ground; its error
is common to all legs, so that the error of an arrival is the time under way times the speed's
relative error. Where a tide is given, the error of the arrival becomes one of the water too.

Advice, not navigation: legs are straight over water that nothing is known of unless it was given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Protocol
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from athwart.errors import UsageError
from athwart.features import Feature
from athwart.geometry.geodesic import wrap_longitude
from athwart.tables import Marks, Track
from athwart.units import Constant, UnitSystem

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from athwart.plan.sun import Event, Moon

__all__ = [
    "CAUTION",
    "NOT_TIMED",
    "Ask",
    "Day",
    "LeftOut",
    "Leg",
    "Pace",
    "Place",
    "Stop",
    "WaterOver",
    "micros",
]

FloatArray = NDArray[np.float64]

CAUTION = (
    "Not for navigation: advice with its error stated. Legs are straight lines over water that the "
    "program knows nothing of unless it was told; check every one on a chart. Positions are estimates with the stated R95, a "
    "mark near a hazard is no clearance. Keep a lookout. Closed areas, protected wrecks, pipes and "
    "cables and the law of the place come first; ask the authority."
)
SPEED_ERROR = Constant(
    0.1, "of the speed", 0.0, "1 sigma: wind, sea and current on a small boat; common practice, no source"
)  # fmt: skip
NOT_TIMED = np.datetime64("NaT", "us")
"""The time where no time to leave was given."""


def micros(seconds: float) -> np.timedelta64:
    """Return seconds as a span of time, to the microsecond."""
    return np.timedelta64(round(seconds * 1e6), "us")


class WaterOver(Protocol):
    """The water over marks at a time, as `athwart.plan.depth` gives it: a row a mark, metres."""

    @property
    def tide_m(self) -> FloatArray:
        """Height of the water above datum."""

    @property
    def tide_sigma_m(self) -> FloatArray:
        """Its standard error."""

    @property
    def depth_m(self) -> FloatArray:
        """Water over the bottom."""

    @property
    def sigma_m(self) -> FloatArray:
        """Its standard error."""

    @property
    def clearance_m(self) -> FloatArray:
        """Least water over the thing less the draft."""

    def sentences(self, units: UnitSystem = "metric") -> list[str]:
        """Say it in words, a mark each."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the day begins or ends.

    Parameters
    ----------
    lon, lat : float
        Degrees.
    name : str
        For people.
    """

    lon: float
    lat: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How fast the boat goes and how long she stays.

    Parameters
    ----------
    speed_mps : float
        Speed over the ground, m/s.
    speed_error : float
        Its standard error as a part of it, 1 sigma.
    stay_s : float
        Time at each mark, seconds.
    stays_s : mapping of int to float
        Time at single marks, by row.
    """

    speed_mps: float
    speed_error: float = SPEED_ERROR.value
    stay_s: float = 1200.0
    stays_s: Mapping[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not (np.isfinite(self.speed_mps) and self.speed_mps > 0):
            raise UsageError(f"the speed is {self.speed_mps:g} m/s; allowed is a number above 0")
        if not 0 <= self.speed_error < 1:
            raise UsageError(
                f"the error of the speed is {self.speed_error:g}; allowed is from 0 to below 1"
            )
        for stay in (self.stay_s, *self.stays_s.values()):
            if not (np.isfinite(stay) and stay >= 0):
                raise UsageError(f"the time at a mark is {stay:g} s; allowed is 0 or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a person asks of the order, by row of the marks.

    Parameters
    ----------
    first, last : int, optional
        Mark to visit first or last.
    given : bool
        Keep the order in which the marks come.
    one_way : bool
        The day may end at any mark.
    """

    first: int | None = None
    last: int | None = None
    given: bool = False
    one_way: bool = False


@dataclass(frozen=True, eq=False, kw_only=True)
class Leg:
    """The way to one place.

    Parameters
    ----------
    lon, lat : numpy.ndarray, shape (n,)
        Its corners, both ends included, degrees.
    part_m, true_deg, magnetic_deg : numpy.ndarray, shape (n - 1,)
        Length and bearing of each straight part; metres and degrees.
    seconds : float
        Time under way.
    """

    lon: FloatArray
    lat: FloatArray
    part_m: FloatArray
    true_deg: FloatArray
    magnetic_deg: FloatArray
    seconds: float

    @property
    def length_m(self) -> float:
        """Length of the whole leg, metres."""
        return float(self.part_m.sum())

    @property
    def line(self) -> BaseGeometry:
        """The leg as a line; its longitudes run on past 180 degrees."""
        import shapely

        lon = self.lon[0] + np.cumsum(np.r_[0.0, wrap_longitude(np.diff(self.lon))])
        return shapely.LineString(np.stack([lon, self.lat], axis=1))


@dataclass(frozen=True, eq=False, kw_only=True)
class Stop:
    """One mark of the day.

    Parameters
    ----------
    row : int
        Row among the marks.
    leg : Leg
        The way to it.
    arrive, leave : numpy.datetime64
        UTC; NaT where no start was given.
    under_way_s : float
        Time under way since the start, seconds.
    sigma_s : float
        Standard error of the arrival, seconds.
    stay_s : float
        Time at the mark.
    tide_m, tide_sigma_m : float
        Height of the water above datum at arrival and its standard error, that of the time
        included; NaN where it is not known.
    depth_m, depth_sigma_m : float
        Depth over the bottom at arrival; NaN where it is not known.
    clearance_m : float
        Least water over the mark less the draft, the lowest from arrival to leaving with the error
        of the times at 95 %; NaN where it is not known.
    water : str
        The water over it at arrival in words.
    dark : bool
        The Sun stands below civil twilight at arrival.
    warnings : tuple of str
        Whole sentences.
    """

    row: int
    leg: Leg
    arrive: np.datetime64
    leave: np.datetime64
    under_way_s: float
    sigma_s: float
    stay_s: float
    tide_m: float = np.nan
    tide_sigma_m: float = np.nan
    depth_m: float = np.nan
    depth_sigma_m: float = np.nan
    clearance_m: float = np.nan
    water: str = ""
    dark: bool = False
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A mark that was asked for and is not on the round, and why."""

    row: int
    why: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Day:
    """The whole day.

    Parameters
    ----------
    marks : Marks
        All that were asked for; stops name their rows.
    start, end : Place
        ``end`` is None where the day ends at its last mark.
    stops : tuple of Stop
        In order.
    home : Leg or None
        The way from the last mark to the end.
    pace : Pace
        Speed and stays.
    depart, back : numpy.datetime64
        UTC; NaT where no start was given. ``back`` is when the last leg ends.
    back_sigma_s : float
        Standard error of ``back``, seconds.
    turns : tuple of (numpy.datetime64, float, bool)
        High (True) and low waters of the day of the zone: time, height in metres.
    sky : tuple of Event
        Sun and Moon at the start, over the day of the zone in which it falls.
    sun : str
        That the Sun does not rise, or does not set, where that is so.
    moon : Moon or None
        How she looks at noon.
    left_out : tuple of LeftOut
        Marks that are not on the round.
    warnings : tuple of str
        What concerns the whole day.
    basis : tuple of str
        What the sheet rests on: water, margin, tide, order.
    time_zone : str
        Zone in which times are shown.
    outline : shapely geometry or None
        Water that was given, for drawing.
    closed : shapely geometry or None
        What was kept out, for drawing.
    hazards : Marks or None
        Dangers that the legs were held against, for drawing.
    """

    marks: Marks
    start: Place
    end: Place | None
    stops: tuple[Stop, ...]
    home: Leg | None
    pace: Pace
    depart: np.datetime64
    back: np.datetime64
    back_sigma_s: float
    turns: tuple[tuple[np.datetime64, float, bool], ...] = ()
    sky: tuple[Event, ...] = ()
    sun: str = ""
    moon: Moon | None = None
    left_out: tuple[LeftOut, ...] = ()
    warnings: tuple[str, ...] = ()
    basis: tuple[str, ...] = ()
    time_zone: str = "UTC"
    outline: BaseGeometry | None = None
    closed: BaseGeometry | None = None
    hazards: Marks | None = None

    @property
    def legs(self) -> tuple[Leg, ...]:
        """Every leg, that to the end included."""
        return (*(s.leg for s in self.stops), *([self.home] if self.home else []))

    @property
    def length_m(self) -> float:
        """Length of all legs, metres."""
        return sum(leg.length_m for leg in self.legs)

    @property
    def under_way_s(self) -> float:
        """Time under way, seconds."""
        return sum(leg.seconds for leg in self.legs)

    @property
    def stay_s(self) -> float:
        """Time at marks, seconds."""
        return sum(s.stay_s for s in self.stops)

    def span(self) -> tuple[np.datetime64, np.datetime64]:
        """Return midnight before a timed day in its zone, and the next one or its end, UTC."""
        zone = ZoneInfo(self.time_zone)
        micros = int(self.depart.astype("datetime64[us]").astype(np.int64))
        here = datetime.fromtimestamp(micros / 1e6, zone)
        midnight = datetime(here.year, here.month, here.day, tzinfo=zone)

        def utc(time: datetime) -> np.datetime64:
            return np.datetime64(time.astimezone(UTC).replace(tzinfo=None), "us")

        return utc(midnight), max(utc(midnight + timedelta(days=1)), self.back)

    def called(self, row: int) -> str:
        """Return what a mark is called: its name, else its kind."""
        return str(self.marks.name[row]) or str(self.marks.kind[row]) or "mark"

    def route(self, name: str) -> Track:
        """Return the whole way as one route; points at marks bear their names, turns have none.

        Parameters
        ----------
        name : str
            Name of the route.
        """
        names = [self.called(s.row) for s in self.stops] + ([self.end.name] if self.end else [])
        first = float(wrap_longitude(self.start.lon))
        lon, lat, point = [first], [self.start.lat], [self.start.name]
        for leg, to in zip(self.legs, names, strict=True):
            lon += wrap_longitude(leg.lon[1:]).tolist()
            lat += leg.lat[1:].tolist()
            point += [""] * (len(leg.lon) - 2) + [to]
        return Track.from_columns(
            {
                "lon": lon,
                "lat": lat,
                "line": 0,
                "segment": 0,
                "name": np.array([name] * len(lon), dtype=object),
            },
            extra={"point_name": np.array(point, dtype=object)},
        )

    def features(self) -> list[Feature]:
        """Return legs as lines and marks as points."""
        import shapely

        names = [self.called(s.row) for s in self.stops] + ([self.end.name] if self.end else [])
        out = []
        for k, (leg, name) in enumerate(zip(self.legs, names, strict=True), 1):
            out.append(
                Feature(
                    role="leg",
                    geometry=leg.line,
                    name=f"{k} to {name}",
                    values={
                        "leg": k,
                        "length_m": leg.length_m,
                        "true_deg": float(leg.true_deg[0]),
                        "magnetic_deg": float(leg.magnetic_deg[0]),
                        "seconds": leg.seconds,
                    },
                )
            )
        for k, stop in enumerate(self.stops, 1):
            m, i = self.marks, stop.row
            out.append(
                Feature(
                    role="stop",
                    geometry=shapely.Point(float(m.lon[i]), float(m.lat[i])),
                    name=self.called(i),
                    note=" ".join(stop.warnings),
                    values={
                        "stop": k,
                        "mark_id": str(m.mark_id[i]),
                        "kind": str(m.kind[i]),
                        "r95_m": float(m.r95_m[i]),
                        "arrive": "" if np.isnat(stop.arrive) else f"{stop.arrive}Z",
                        "sigma_s": stop.sigma_s,
                    },
                )
            )
        return out
