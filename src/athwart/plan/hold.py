"""Where to hold the boat so that a cast lands on a mark, and where a drift over it starts.

All vectors are metres east and north of the mark, all errors covariances that are added as such: the
mark's own, that of today's position, the cast's, and what the current does in a time that is not
exact. R95 is of their sum, the exact radius of that elliptical normal.

Nothing here knows how deep the water is between here and there, nor what else lies about.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, sqrt
from typing import TYPE_CHECKING

import numpy as np

from athwart.errors import DataError
from athwart.geometry.geodesic import displace
from athwart.geometry.lever import rotate_covariance
from athwart.plan.current import Flow
from athwart.plan.sink import COLUMN, SinkRate, count_for
from athwart.uncertainty.ellipse import r95
from athwart.units import Constant

if TYPE_CHECKING:
    from athwart.features import Feature

__all__ = [
    "CAUTION",
    "Cast",
    "Drift",
    "Hold",
    "Spread",
    "Target",
    "drift_over",
    "hold_for",
]

CAUTION = (
    "Advice, not navigation: nothing here knows the depth or the dangers between here and there. "
    "Keep a lookout, mind other boats, lines and the weather; the law of the place comes first."
)

CAST_LENGTH = Constant(0.1, "of the cast", 0.0, "1 sigma, common practice")
CAST_DIRECTION = Constant(5.0, "deg", 0.0, "1 sigma, common practice")
HOLDING = Constant(2.0, "m per axis", 0.0, "a boat that is held in place wanders, common practice")
GNSS = Constant(2.7, "m per axis", 0.0, "today's position: 2.5 m shared and 1 m of the boat's own")


@dataclass(frozen=True, slots=True)
class Spread:
    """A covariance, east and north, square metres."""

    east: float = 0.0
    north: float = 0.0
    cov: float = 0.0

    @classmethod
    def round(cls, sigma_m: float) -> Spread:
        """Return the same standard error in every direction."""
        return cls(sigma_m**2, sigma_m**2, 0.0)

    @classmethod
    def along(cls, direction_deg: float, along_m: float, across_m: float) -> Spread:
        """Return standard errors along a direction and across it."""
        parts = rotate_covariance(along_m**2, across_m**2, 0.0, direction_deg)
        return cls(*(float(v) for v in parts))

    def __add__(self, other: Spread) -> Spread:
        return Spread(self.east + other.east, self.north + other.north, self.cov + other.cov)

    @property
    def r95_m(self) -> float:
        """Radius that holds the truth with 95 % probability, metres."""
        return float(r95(self.east, self.north, self.cov))

    def sigma_along(self, direction_deg: float) -> float:
        """Return the standard error along a direction, metres."""
        a = np.radians(direction_deg)
        s, c = np.sin(a), np.cos(a)
        return float(np.sqrt(max(self.east * s * s + self.north * c * c + 2 * self.cov * s * c, 0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A mark as a place to go to.

    Parameters
    ----------
    lon, lat : float
        Degrees, WGS 84.
    spread : Spread
        Its total covariance.
    name : str
        Name for people.
    hazard : bool
        A danger to the boat.
    """

    lon: float
    lat: float
    spread: Spread
    name: str = ""
    hazard: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast:
    """A cast and what follows.

    Parameters
    ----------
    length_m : float
        From the boat to the splash.
    to_deg : float
        Where it is thrown to, degrees true; NaN: straight against the boat's drift.
    length_sigma_m, sigma_deg : float
        Standard errors; NaN takes the common ones.
    sink : SinkRate or None
        How fast it sinks; None: it is fished where it lands.
    depth_m, depth_sigma_m : float
        How deep it is to go, below the surface.
    """

    length_m: float
    to_deg: float = float("nan")
    length_sigma_m: float = float("nan")
    sigma_deg: float = CAST_DIRECTION.value
    sink: SinkRate | None = None
    depth_m: float = float("nan")
    depth_sigma_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Where to hold, and what comes of it.

    Attributes
    ----------
    lon, lat : float
        Where the boat is held.
    landing_lon, landing_lat : float
        Where the cast should land.
    to_deg, length_m : float
        Direction and length of the cast.
    from_mark_deg, from_mark_m : float
        The boat, seen from the mark.
    count_s, count_sigma_s : float
        Time of sinking; 0 without.
    lead_m, lead_deg : float
        How far and where to the current carries it meanwhile.
    bow_deg, through_water_mps : float
        Heading and speed through the water that keep the place; NaN and 0 if nothing moves her.
    mark, position, cast, current : Spread
        The parts of the error.
    words : tuple of str
        What the user should know.
    """

    target: Target
    lon: float
    lat: float
    landing_lon: float
    landing_lat: float
    to_deg: float
    length_m: float
    from_mark_deg: float
    from_mark_m: float
    count_s: float
    count_sigma_s: float
    lead_m: float
    lead_deg: float
    bow_deg: float
    through_water_mps: float
    mark: Spread
    position: Spread
    cast: Spread
    current: Spread
    words: tuple[str, ...] = ()

    @property
    def spread(self) -> Spread:
        """Where the lure comes down, about the true mark."""
        return self.mark + self.position + self.cast + self.current

    @property
    def r95_m(self) -> float:
        """How near the true mark it comes down with 95 % probability, metres."""
        return self.spread.r95_m

    def features(self) -> list[Feature]:
        """Return the hold as a point, with the R95 of the boat's own place, and the cast as a line."""
        from shapely.geometry import LineString, Point

        from athwart.features import Feature

        name = self.target.name or "mark"
        boat, splash = (self.lon, self.lat), (self.landing_lon, self.landing_lat)
        values = {
            "heading_deg": self.bow_deg,
            "cast_to_deg": self.to_deg,
            "cast_m": self.length_m,
            "count_s": self.count_s,
            "lure_r95_m": self.r95_m,
            "r95_m": self.position.r95_m,
        }
        return [
            Feature(
                role="hold",
                geometry=Point(*boat),
                name=f"hold {name}",
                note=CAUTION,
                values=_known(values),
            ),
            Feature(
                role="cast",
                geometry=LineString([boat, _near(boat, splash)]),
                name=f"cast {name}",
                values=_known({"lure_r95_m": self.r95_m}),
            ),
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A drift over a mark.

    Attributes
    ----------
    start_lon, start_lat, end_lon, end_lat : float
        Where it starts and, as long again after the mark, ends.
    towards_deg, speed_mps : float
        Where the boat drifts to, and how fast.
    distance_m : float
        From the start to the mark.
    until_s, until_sigma_s : float
        Time to the mark and its standard error.
    within_m, chance, over_s : float
        The half width asked for, the chance to pass so near the true mark, and the time spent that
        near on a drift straight over it.
    across_sigma_m : float
        Standard error across the drift, at the mark.
    spread : Spread
        Where the boat is at that moment, about the true mark.
    """

    target: Target
    start_lon: float
    start_lat: float
    end_lon: float
    end_lat: float
    towards_deg: float
    speed_mps: float
    distance_m: float
    until_s: float
    until_sigma_s: float
    within_m: float
    chance: float
    over_s: float
    across_sigma_m: float
    spread: Spread

    @property
    def r95_m(self) -> float:
        """Radius about the true mark that holds the boat then with 95 % probability, metres."""
        return self.spread.r95_m

    def features(self) -> list[Feature]:
        """Return the drift as a line."""
        from shapely.geometry import LineString

        from athwart.features import Feature

        start, end = (self.start_lon, self.start_lat), (self.end_lon, self.end_lat)
        middle = (self.target.lon, self.target.lat)
        return [
            Feature(
                role="drift",
                geometry=LineString([_near(middle, start), middle, _near(middle, end)]),
                name=f"drift {self.target.name or 'mark'}",
                note=CAUTION,
                values=_known(
                    {
                        "towards_deg": self.towards_deg,
                        "speed_mps": self.speed_mps,
                        "until_s": self.until_s,
                        "r95_m": self.r95_m,
                    }
                ),
            )
        ]


def _known(values: dict[str, float]) -> dict[str, float]:
    return {k: v for k, v in values.items() if np.isfinite(v)}


def _near(origin: tuple[float, float], place: tuple[float, float]) -> tuple[float, float]:
    """Return a place with its longitude run on past 180 from the origin's, if need be."""
    turn = round((origin[0] - place[0]) / 360.0)
    return place[0] + 360.0 * turn, place[1]


def _carried(
    flow: Flow, seconds: float, sigma_s: float, part: float = 1.0, part_sigma: float = 0.0
) -> tuple[float, float, Spread]:
    """Return east and north that a flow carries in a time, and the covariance of that."""
    # Of a product of independent things: E[(f t)^2] Cov(flow) + Var(f t) flow flow^T.
    square = (part**2 + part_sigma**2) * (seconds**2 + sigma_s**2)
    own = square - (part * seconds) ** 2
    e, n = flow.east_mps, flow.north_mps
    return (
        part * seconds * e,
        part * seconds * n,
        Spread(
            square * flow.var_east + own * e * e,
            square * flow.var_north + own * n * n,
            square * flow.cov + own * e * n,
        ),
    )


def hold_for(
    target: Target,
    cast: Cast,
    *,
    current: Flow | None = None,
    wind: Flow | None = None,
    position_sigma_m: float = GNSS.value,
    holding_sigma_m: float = HOLDING.value,
) -> Hold:
    """Return where to hold the boat so that a cast comes down on a mark.

    Parameters
    ----------
    target : Target
        The mark.
    cast : Cast
        Its length, direction, and how deep it is to sink on a slack line.
    current : Flow, optional
        The water at the surface; none without.
    wind : Flow, optional
        What the wind does to the boat through the water (`athwart.plan.current.leeway`).
    position_sigma_m, holding_sigma_m : float
        Standard errors per axis of today's position, and of a boat that is held in place.

    Returns
    -------
    Hold
        Unless a direction is given the boat lies straight down-current (and downwind) of the mark
        and the cast goes against the drift: she drifts clear of it if the motor stops.

    Raises
    ------
    DataError
        A cast of no length, no direction where nothing drifts, or a lure that sinks to no depth.
    """
    if not (cast.length_m > 0 and np.isfinite(cast.length_m)):
        raise DataError(f"the cast is {cast.length_m:g} m long; allowed is more than 0")
    current = current or Flow()
    total = current + (wind or Flow())
    to_deg = cast.to_deg
    if np.isnan(to_deg):
        if total.speed_mps == 0:
            raise DataError(
                "nothing drifts, so that any side is as good; say where the cast goes to",
                code="cast-direction-missing",
            )
        to_deg = (total.direction_deg + 180.0) % 360.0
    count = count_sigma = east = north = 0.0
    carried = Spread()
    if cast.sink is not None:
        if not cast.depth_m > 0:
            raise DataError("the lure is to sink, but to what depth is not known; give it")
        made = count_for(cast.sink, cast.depth_m, cast.depth_sigma_m)
        count, count_sigma = float(made[0]), float(made[1])
        east, north, carried = _carried(current, count, count_sigma, COLUMN.value, COLUMN.sigma)
    way = np.radians(to_deg)
    boat_east = -east - cast.length_m * float(np.sin(way))
    boat_north = -north - cast.length_m * float(np.cos(way))
    lon, lat = displace(target.lon, target.lat, boat_east, boat_north)
    landing = displace(target.lon, target.lat, -east, -north)
    length_sigma = (
        CAST_LENGTH.value * cast.length_m if np.isnan(cast.length_sigma_m) else cast.length_sigma_m
    )
    across = cast.length_m * float(np.radians(cast.sigma_deg))
    off = float(np.hypot(boat_east, boat_north))
    words = []
    if target.hazard:
        words.append("the mark is a danger to the boat; keep clear of it with all of its error")
    if off < target.spread.r95_m:
        words.append(
            "the boat lies within the mark's own R95: the thing may as well be right under her"
        )
    return Hold(
        target=target,
        lon=float(lon),
        lat=float(lat),
        landing_lon=float(landing[0]),
        landing_lat=float(landing[1]),
        to_deg=to_deg,
        length_m=cast.length_m,
        from_mark_deg=float(np.degrees(np.arctan2(boat_east, boat_north)) % 360.0),
        from_mark_m=off,
        count_s=count,
        count_sigma_s=count_sigma,
        lead_m=float(np.hypot(east, north)),
        lead_deg=current.direction_deg,
        bow_deg=(total.direction_deg + 180.0) % 360.0,
        through_water_mps=total.speed_mps,
        mark=target.spread,
        position=Spread.round(float(np.hypot(position_sigma_m, holding_sigma_m))),
        cast=Spread.along(to_deg, length_sigma, across),
        current=carried,
        words=tuple(words),
    )


def drift_over(
    target: Target,
    flow: Flow,
    *,
    before_s: float,
    within_m: float = 5.0,
    position_sigma_m: float = GNSS.value,
) -> Drift:
    """Return where a drift starts that passes over a mark, and how well it will.

    Parameters
    ----------
    target : Target
        The mark.
    flow : Flow
        How the boat drifts over the ground: current and leeway together.
    before_s : float
        How long before the mark it starts, seconds.
    within_m : float
        Half the width about the mark that counts as over it, metres.
    position_sigma_m : float
        Standard error per axis of today's position.

    Raises
    ------
    DataError
        No time, no width, or a drift that is less than its own error, which goes nobody knows where.
    """
    if not (before_s > 0 and within_m > 0 and np.isfinite(before_s)):
        raise DataError(
            f"a drift of {before_s:g} s before the mark, {within_m:g} m to each side; allowed is "
            "more than 0"
        )
    along, across = flow.along_across()
    if flow.speed_mps <= 1.96 * max(along, across):
        raise DataError(
            f"she drifts at {flow.speed_mps:.2f} m/s, give or take {1.96 * max(along, across):.2f} "
            "(95 %): where to is not known well enough to start a drift; let her drift and look at "
            "course and speed over the ground",
            code="drift-unknown",
        )
    east, north, carried = _carried(flow, before_s, 0.0)
    start = displace(target.lon, target.lat, -east, -north)
    end = displace(target.lon, target.lat, east, north)
    spread = target.spread + Spread.round(position_sigma_m) + carried
    sideways = spread.sigma_along(flow.direction_deg + 90.0)
    return Drift(
        target=target,
        start_lon=float(start[0]),
        start_lat=float(start[1]),
        end_lon=float(end[0]),
        end_lat=float(end[1]),
        towards_deg=flow.direction_deg,
        speed_mps=flow.speed_mps,
        distance_m=float(np.hypot(east, north)),
        until_s=before_s,
        until_sigma_s=spread.sigma_along(flow.direction_deg) / flow.speed_mps,
        within_m=within_m,
        chance=erf(within_m / (sideways * sqrt(2))),
        over_s=2 * within_m / flow.speed_mps,
        across_sigma_m=sideways,
        spread=spread,
    )
