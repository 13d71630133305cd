"""Make the sample files of Hollow Sound, an invented water, and check that they are unchanged.

Run ``python sample_gpx/make_samples.py`` to write the files beside this script, or add ``--check``
to make them in memory and compare them with what is there.

The script imports nothing of the package: it is an independent witness. It traces rays in three
dimensions in Earth-centred coordinates (ECEF, EPSG:4978): antenna, transducer, targets and bottom
are points, a slant range is the length of a vector, a target is abeam when its line of sight is
square to the bow, and a shadow ends where the ray over the object's top meets the bottom. No
offset formula, no slant-to-ground formula and no shadow formula is used.

Axes: ``u`` metres along the sound (bearing 63 degrees true), ``v`` metres across it to the left,
in the tangent plane at the origin. Depths and water levels are metres below and above the sounding
level; heights are metres above the ellipsoid, where the sounding level is 0.

Random numbers are drawn from named streams, so that a change in one file leaves the others alone.
The seed was chosen among the first few so that no trip has an unusual GNSS error (over 2 sigma).
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
import random
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

Vector = NDArray[np.float64]

HERE = Path(__file__).resolve().parent
SEED = "hollow-sound-10"
FOOT_M = 0.3048
KNOT_MPS = 1852.0 / 3600.0

# The water and the boat, all invented.
ORIGIN_LON, ORIGIN_LAT = -21.3000, -46.2000
AXIS_DEG = 63.0
VARIATION_DEG = -16.2  # E+; the World Magnetic Model 2025 gives -16.2 here in May 2025
TEMPERATURE_C, SALINITY_GKG = 7.6, 34.1
ASSUMED_MPS = 1500.0
ANTENNA_HEIGHT_M = 2.6  # above the water
TRANSDUCER_DEPTH_M = 0.45  # below the water
FORWARD_M, STARBOARD_M = -2.4, 0.7  # transducer from the antenna
CLOCK_OFFSET_S = 2.0  # track clock minus pick clock
DEVIATION_DEG = (
    (0, 1.0),
    (45, 2.5),
    (90, 3.0),
    (135, 1.5),
    (180, -1.0),
    (225, -2.5),
    (270, -3.0),
    (315, -1.5),
)
CURRENT_UV_MPS = (0.07, 0.10)

# Error budget of the simulation, 1 sigma.
SHARED_GNSS_M, JITTER_M, BOAT_M = 2.5, 0.8, 1.0
COMPASS_BIAS_DEG, HEADING_NOISE_DEG, WOBBLE_DEG = 2.0, 1.5, 2.0
RANGE_FLOOR_M, RANGE_SHARE = 0.3, 0.01
DEPTH_FLOOR_M, DEPTH_SHARE = 0.1, 0.01
SHADOW_M, SLOPE_DEG, TIMING_S = 0.2, 1.0, 0.4
WAYPOINT_OWN_M, OLD_CARD_M = 2.2, 3.5

STEP_S = 0.1
NEAREST_M, FARTHEST_M = 8.0, 58.0


# Random numbers -----------------------------------------------------------------------------------
class Stream:
    """A named stream of normal numbers that stays the same on every machine."""

    def __init__(self, name: str) -> None:
        self._random = random.Random(f"{SEED}/{name}")

    def uniform(self) -> float:
        """Return a number in [0, 1)."""
        return self._random.random()

    def normal(self, sigma: float = 1.0) -> float:
        """Return a normal number with mean 0 (Box and Muller)."""
        a, b = 1.0 - self._random.random(), self._random.random()
        return sigma * math.sqrt(-2.0 * math.log(a)) * math.cos(2.0 * math.pi * b)

    def wander(self, n: int, step_s: float, sigma: float, memory_s: float) -> Vector:
        """Return ``n`` numbers of standard deviation sigma that forget within ``memory_s``."""
        keep = math.exp(-step_s / memory_s)
        fresh = sigma * math.sqrt(1.0 - keep * keep)
        value, out = self.normal(sigma), np.empty(n)
        for i in range(n):
            out[i] = value
            value = keep * value + self.normal(fresh)
        return out


# The Earth ----------------------------------------------------------------------------------------
@cache
def _doors() -> tuple[Transformer, Transformer]:
    return (
        Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True),
        Transformer.from_crs("EPSG:4978", "EPSG:4979", always_xy=True),
    )


def ecef(lon: Any, lat: Any, height: Any) -> Vector:
    """Return Earth-centred metres, shape (..., 3), of degrees and ellipsoidal height."""
    lon, lat, height = np.broadcast_arrays(*(np.asarray(a, float) for a in (lon, lat, height)))
    return np.stack(_doors()[0].transform(lon, lat, height), axis=-1)


def geodetic(point: Vector) -> tuple[Any, Any, Any]:
    """Return longitude, latitude in degrees and ellipsoidal height of Earth-centred metres."""
    x, y, z = np.moveaxis(np.asarray(point, float), -1, 0)
    lon, lat, height = _doors()[1].transform(x, y, z)
    return lon, lat, height


def local_axes(lon: Any, lat: Any) -> tuple[Vector, Vector, Vector]:
    """Return the unit vectors east, north, up, each of shape (..., 3), in Earth-centred axes."""
    lam, phi = np.radians(lon), np.radians(lat)
    zero = np.zeros_like(lam + phi)
    sl, cl, sp, cp = np.sin(lam), np.cos(lam), np.sin(phi), np.cos(phi)
    east = np.stack([-sl + zero, cl + zero, zero], axis=-1)
    north = np.stack([-sp * cl, -sp * sl, cp + zero], axis=-1)
    up = np.stack([cp * cl, cp * sl, sp + zero], axis=-1)
    return east, north, up


def plane_to_lonlat(u: Any, v: Any) -> tuple[Any, Any]:
    """Return longitude and latitude of a point of the sound's plane axes (metres)."""
    u, v = np.asarray(u, float), np.asarray(v, float)
    s, c = math.sin(math.radians(AXIS_DEG)), math.cos(math.radians(AXIS_DEG))
    e, n = u * s - v * c, u * c + v * s
    east, north, _ = local_axes(ORIGIN_LON, ORIGIN_LAT)
    at = ecef(ORIGIN_LON, ORIGIN_LAT, 0.0) + e[..., None] * east + n[..., None] * north
    lon, lat, _ = geodetic(at)
    return lon, lat


def lonlat_to_plane(lon: Any, lat: Any) -> tuple[Any, Any]:
    """Return the sound's plane axes of a position (metres)."""
    s, c = math.sin(math.radians(AXIS_DEG)), math.cos(math.radians(AXIS_DEG))
    east, north, up = local_axes(ORIGIN_LON, ORIGIN_LAT)
    origin = ecef(ORIGIN_LON, ORIGIN_LAT, 0.0)
    away = ecef(lon, lat, 0.0) - origin
    # Down the vertical of the place, not of the origin, onto the plane of the origin.
    _, _, here_up = local_axes(lon, lat)
    away = away - here_up * ((away @ up) / (here_up @ up))[..., None]
    e, n = away @ east, away @ north
    return e * s + n * c, -e * c + n * s


# The bottom and what lies on it -------------------------------------------------------------------
def depth_at(u: Any, v: Any) -> Any:
    """Return the depth of the bottom below the sounding level, metres: basin, shoal and bank."""
    basin = 13.5 + 2.5 * np.sin(u / 420.0 + 0.5) + 1.8 * np.sin(v / 300.0)
    basin = basin + 0.6 * np.sin((u + v) / 150.0)
    shoal = -6.0 * np.exp(-((u - 95.0) ** 2 + (v - 40.0) ** 2) / 130.0**2)
    bank = 4.8 * np.tanh((v - 508.0) / 26.0) * np.exp(-(((u - 850.0) / 110.0) ** 2))
    return basin + shoal + bank


@dataclass(frozen=True)
class Target:
    """One thing that is truly there."""

    id: str
    name: str
    kind: str
    u: float
    v: float
    height_m: float | None = None
    hazard: bool = False
    below_m: float | None = None  # depth below the sounding level of a thing in mid-water
    depth_known: bool = False  # the operator knows how deep the thing in mid-water is
    on_slope: bool = False

    @property
    def lonlat(self) -> tuple[float, float]:
        """Longitude and latitude, degrees."""
        lon, lat = plane_to_lonlat(self.u, self.v)
        return float(lon), float(lat)

    @property
    def depth_m(self) -> float:
        """Depth of the bottom here below the sounding level."""
        return float(depth_at(self.u, self.v))

    def point(self, above_bottom_m: float = 0.0) -> Vector:
        """Return the Earth-centred place of the target, or of a point above the bottom there."""
        depth = self.depth_m - above_bottom_m if self.below_m is None else self.below_m
        return ecef(*self.lonlat, -depth)


_A, _B, _C = 0.0, 480.0, 960.0
TARGETS = (
    Target("t01", "Anvil", "rock", 95, _A + 34, 3.1, hazard=True),
    Target("t02", "Long step", "ledge", 238, _A - 29, 1.2),
    Target("t03", "Lone stone", "rock", 371, _A + 27, 0.9),
    Target("t04", "Crossed logs", "timber", 522, _A - 36, 1.5),
    Target("t05", "Twin west", "rock", 668, _A + 30, 1.8),
    Target("t06", "Twin east", "rock", 687, _A + 37, 1.4),
    Target("t07", "Bait by the weed", "bait", 818, _A - 24, below_m=6.2, depth_known=True),
    Target("t08", "Kettle", "hole", 946, _A + 29),
    Target("t09", "Ribs", "wreck", 1103, _A - 35, 2.3),
    Target("t10", "Green patch", "weed", 1262, _A + 31),
    Target("t11", "Square thing", "other", 1417, _A - 27, 0.7),
    Target("t12", "Saddle", "reef", 1560, _A + 36, 2.0),
    Target("t13", "Måke rock", "rock", 118, _B - 33, 1.6),
    Target("t14", "Fallen pine", "timber", 262, _B + 29, 1.1),
    Target("t15", "Low reef", "reef", 420, _B - 28, 1.3),
    Target("t16", "Fence posts", "timber", 581, _B - 37, 1.7),
    Target("t17", "Pram", "wreck", 599, _B - 22, 1.2),
    Target("t18", "Bank stone", "rock", 850, _B + 31, 1.9, on_slope=True),
    Target("t19", "Weed edge", "weed", 1012, _B - 30),
    Target("t20", "Flat slab", "ledge", 1187, _B + 26, 0.8),
    Target("t21", "Sink", "hole", 1345, _B - 34),
    Target("t22", "Grey back", "rock", 1508, _B + 35, 2.2),
    Target("t23", "Outer reef", "reef", 90, _C + 32, 2.4),
    Target("t24", "Drowned stump", "timber", 251, _C - 28, 1.9),
    Target("t25", "Bait, mid-water", "bait", 402, _C + 1, below_m=7.5),
    Target("t26", "Shelf", "ledge", 545, _C - 35, 1.6),
    Target("t27", "Round stone", "rock", 702, _C + 29, 1.0),
    Target("t28", "Barge end", "wreck", 868, _C - 32, 2.6),
    Target("t29", "Stack of plates", "other", 1027, _C + 37, 1.2),
    Target("t30", "Eel grass", "weed", 1190, _C - 26),
    Target("t31", "Split rock", "rock", 1352, _C + 33, 1.8),
    Target("t32", "North step", "ledge", 1521, _C - 30, 1.4),
)
BY_ID = {t.id: t for t in TARGETS}
CLOSE_PAIRS = (("t05", "t06"), ("t16", "t17"))
# Looks that the operator does not miss, beside the close pairs, the hazard and the slope.
MUSTS = {
    "tern-1": {"t31", "t32", "t30"},
    "tern-2": {"t20"},
    "tern-3": {"t23", "t24", "t26"},
}


# Rays ---------------------------------------------------------------------------------------------
def distance_m(a: Vector, b: Vector) -> float:
    """Return the length of the vector between two points."""
    return float(np.linalg.norm(np.asarray(b) - np.asarray(a)))


def ray_to_bottom_m(
    eye: Vector, through: Vector, above_bottom: Callable[[Vector], float], longest_m: float = 400.0
) -> float:
    """Return the distance from ``eye`` along the ray over ``through`` to where it meets the bottom.

    Parameters
    ----------
    eye, through : array of 3
        Points in any Cartesian axes, metres; ``through`` lies above the bottom.
    above_bottom : callable
        Height of a point above the bottom, metres; negative below it.
    longest_m : float
        Where to give up.

    Raises
    ------
    ValueError
        The ray does not meet the bottom within ``longest_m``.
    """
    start = distance_m(eye, through)
    direction = (np.asarray(through) - eye) / start
    low, high = start, start
    while above_bottom(eye + high * direction) > 0.0:
        low, high = high, high + 0.5
        if high > longest_m:
            raise ValueError("the ray does not meet the bottom")
    for _ in range(60):
        middle = 0.5 * (low + high)
        if above_bottom(eye + middle * direction) > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def above_bottom_m(point: Vector) -> float:
    """Return the height of an Earth-centred point above the bottom of the sound."""
    lon, lat, height = geodetic(point)
    return float(height + depth_at(*lonlat_to_plane(lon, lat)))


# Trips --------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Plan:
    """What a trip does and what is wrong with its positions."""

    name: str
    start: datetime
    speed_mps: float
    corners: tuple[tuple[float, float], ...]  # u, v
    water_level_m: float
    shift_m: tuple[float, float] = (0.0, 0.0)  # east, north: beyond the honest error
    seen: float = 0.72


PLANS = (
    Plan(
        "tern-1",
        datetime(2025, 5, 10, 7, 42, 5, tzinfo=UTC),
        2.85,
        (
            (-60, 6),
            (300, 14),
            (700, -4),
            (1100, 10),
            (1680, 2),
            (1680, 490),
            (1250, 474),
            (850, 466),
            (400, 486),
            (0, 476),
            (0, 966),
            (500, 952),
            (1000, 970),
            (1650, 958),
            (1735, 1000),
            (1650, 1040),
            (1500, 972),
            (1330, 962),
            (940, 966),
        ),
        0.35,
    ),
    Plan(
        "tern-2",
        datetime(2025, 5, 11, 6, 58, 40, tzinfo=UTC),
        3.1,
        (
            (1640, 964),
            (1300, 950),
            (900, 966),
            (400, 948),
            (20, 962),
            (-20, 500),
            (400, 490),
            (700, 474),
            (850, 462),
            (1000, 478),
            (1400, 492),
            (1620, 486),
            (1640, 20),
            (1400, 8),
            (1040, -4),
        ),
        -0.40,
        seen=0.9,
    ),
    Plan(
        "tern-3",
        datetime(2025, 5, 24, 8, 21, 30, tzinfo=UTC),
        2.6,
        (
            (1640, 0),
            (1200, -10),
            (800, 10),
            (300, -6),
            (20, 2),
            (20, 470),
            (400, 476),
            (640, 492),
            (760, 546),
            (940, 546),
            (1060, 490),
            (1500, 484),
            (1700, 478),
            (1700, 950),
            (1300, 964),
            (800, 948),
            (0, 960),
            (-85, 1000),
            (0, 1040),
            (150, 972),
            (330, 958),
            (860, 966),
        ),
        0.10,
        shift_m=(26.0, -15.0),
        seen=0.82,
    ),
)


@dataclass(frozen=True, eq=False)
class Voyage:
    """The true motion of one trip, on a time grid of STEP_S seconds from its start."""

    plan: Plan
    seconds: Vector
    u: Vector
    v: Vector
    heading_deg: Vector
    course_deg: Vector
    speed_mps: Vector

    @property
    def duration_s(self) -> float:
        """Length of the trip, seconds."""
        return float(self.seconds[-1])

    def at(self, seconds: Any, values: Vector) -> Any:
        """Interpolate a quantity of the grid (angles are kept unwrapped)."""
        return np.interp(seconds, self.seconds, values)

    def antenna(self, seconds: Any) -> tuple[Any, Any]:
        """Return the antenna's true longitude and latitude."""
        return plane_to_lonlat(self.at(seconds, self.u), self.at(seconds, self.v))

    def transducer(self, seconds: Any) -> tuple[Vector, Vector, Vector]:
        """Return the transducer, the bow and the starboard unit vector, Earth-centred.

        The lever arm is turned by the heading as a vector of the boat: bow, starboard, down.
        """
        lon, lat = self.antenna(seconds)
        east, north, up = local_axes(lon, lat)
        angle = np.radians(self.at(seconds, self.heading_deg))[..., None]
        bow = np.sin(angle) * east + np.cos(angle) * north
        starboard = np.cross(bow, up)
        antenna = ecef(lon, lat, self.plan.water_level_m + ANTENNA_HEIGHT_M)
        down = ANTENNA_HEIGHT_M + TRANSDUCER_DEPTH_M
        return antenna + FORWARD_M * bow + STARBOARD_M * starboard - down * up, bow, starboard

    def turn_rate(self, seconds: float) -> float:
        """Return how fast the course turns, degrees a second, over six seconds."""
        a, b = self.at(np.array([seconds - 3.0, seconds + 3.0]), self.course_deg)
        return abs(float(b - a)) / 6.0


def _smoothed(values: Vector, window_s: float) -> Vector:
    n = 2 * round(window_s / STEP_S / 2.0) + 1
    window: Vector = np.hanning(n + 2)[1:-1]
    smooth: Vector = np.convolve(values, window / window.sum(), mode="valid")
    return smooth


@cache
def voyage(name: str) -> Voyage:
    """Return the true motion of a trip: its corners rounded, its heading crabbing and yawing."""
    plan = next(p for p in PLANS if p.name == name)
    corners = np.array(plan.corners, float)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    n = math.floor(along[-1] / (plan.speed_mps * STEP_S))
    pace = 1.0 + 0.04 * np.sin(np.arange(n) * STEP_S / 37.0)
    way = np.concatenate([[0.0], np.cumsum(pace)[:-1]]) * plan.speed_mps * STEP_S
    way = way[way <= along[-1]]
    u = _smoothed(np.interp(way, along, corners[:, 0]), 44.0)
    v = _smoothed(np.interp(way, along, corners[:, 1]), 44.0)
    whole = math.floor((len(u) - 1) * STEP_S)
    u, v = u[: round(whole / STEP_S) + 1], v[: round(whole / STEP_S) + 1]
    seconds: Vector = np.arange(len(u), dtype=np.float64) * STEP_S
    du, dv = np.gradient(u, STEP_S), np.gradient(v, STEP_S)
    course = np.unwrap(np.degrees(np.arctan2(du, dv)) + AXIS_DEG - 90.0, period=360.0)
    water_u, water_v = du - CURRENT_UV_MPS[0], dv - CURRENT_UV_MPS[1]
    bow = np.unwrap(np.degrees(np.arctan2(water_u, water_v)) + AXIS_DEG - 90.0, period=360.0)
    knots = Stream(f"{name}/yaw").wander(whole // 8 + 3, 8.0, WOBBLE_DEG, 16.0)
    yaw = np.interp(seconds, np.arange(len(knots)) * 8.0, knots)
    yaw = np.convolve(np.pad(yaw, 40, mode="edge"), np.full(81, 1.0 / 81.0), mode="valid")
    return Voyage(plan, seconds, u, v, bow + yaw, course, np.hypot(du, dv))


@dataclass(frozen=True)
class Look:
    """One pass of a target, without any error or rounding.

    Lengths are true metres, angles true degrees; ``side`` is +1 to starboard and -1 to port.
    ``edge_range_m`` is the slant range of the object's near edge, ``top_range_m`` of its top,
    ``shadow_m`` the slant length of the shadow (NaN where there is none).
    """

    trip: str
    target_id: str
    seconds: float
    lon: float
    lat: float
    heading_deg: float
    course_deg: float
    speed_mps: float
    side: int
    slant_range_m: float
    ground_range_m: float
    edge_range_m: float
    top_range_m: float
    shadow_m: float
    altitude_m: float
    bottom_slope_deg: float
    target_depth_m: float
    turn_rate_dps: float


def abeam_seconds(trip: Voyage, point: Vector) -> list[float]:
    """Return every moment at which a point lies square to the bow, within the range shown."""
    coarse = np.arange(30.0, trip.duration_s - 30.0, 1.0)
    eye, bow, _ = trip.transducer(coarse)
    sight = point - eye
    ahead = np.einsum("ij,ij->i", sight, bow)
    near = np.linalg.norm(sight, axis=1) < 2.0 * FARTHEST_M
    crossing = (np.sign(ahead[:-1]) != np.sign(ahead[1:])) & near[:-1]
    found = []
    for i in np.flatnonzero(crossing):
        low, high = float(coarse[i]), float(coarse[i + 1])
        sign = np.sign(ahead[i])
        for _ in range(50):
            middle = 0.5 * (low + high)
            eye1, bow1, _ = trip.transducer(np.float64(middle))
            low, high = (middle, high) if np.sign((point - eye1) @ bow1) == sign else (low, middle)
        found.append(0.5 * (low + high))
    return found


def _look(trip: Voyage, target: Target, seconds: float) -> Look:
    t = np.float64(seconds)
    eye, _, starboard = trip.transducer(t)
    lon, lat = trip.antenna(t)
    point = target.point()
    side = 1 if (point - eye) @ starboard > 0 else -1
    eye_lon, eye_lat, _ = geodetic(eye)
    altitude = above_bottom_m(eye)
    _, _, up = local_axes(eye_lon, eye_lat)
    sight = point - eye
    level = sight - (sight @ up) * up
    ground = float(np.linalg.norm(level))
    edge = top = shadow = math.nan
    if target.below_m is None:
        fall = -float(sight @ up) - altitude
        if target.height_m is not None:
            # The near edge of the object, a little towards the boat and on the bottom.
            radius = 0.6 * target.height_m + 0.4
            foot = point - radius * level / ground
            edge = distance_m(eye, foot - above_bottom_m(foot) * up)
            crown = target.point(target.height_m)
            top = distance_m(eye, crown)
            shadow = ray_to_bottom_m(eye, crown, above_bottom_m) - top
    else:
        fall = target.depth_m - float(depth_at(*lonlat_to_plane(eye_lon, eye_lat)))
    return Look(
        trip=trip.plan.name,
        target_id=target.id,
        seconds=seconds,
        lon=float(lon),
        lat=float(lat),
        heading_deg=float(trip.at(t, trip.heading_deg)) % 360.0,
        course_deg=float(trip.at(t, trip.course_deg)) % 360.0,
        speed_mps=float(trip.at(t, trip.speed_mps)),
        side=side,
        slant_range_m=distance_m(eye, point),
        ground_range_m=ground,
        edge_range_m=edge,
        top_range_m=top,
        shadow_m=shadow,
        altitude_m=altitude,
        bottom_slope_deg=math.degrees(math.atan2(fall, ground)),
        target_depth_m=math.nan if target.below_m is None else -float(sight @ up),
        turn_rate_dps=trip.turn_rate(seconds),
    )


@cache
def all_looks(name: str) -> tuple[Look, ...]:
    """Return every look that a trip could have at any target, in order of time, free of error."""
    trip = voyage(name)
    looks = [_look(trip, t, s) for t in TARGETS for s in abeam_seconds(trip, t.point())]
    looks = [k for k in looks if NEAREST_M <= k.ground_range_m <= FARTHEST_M]
    return tuple(sorted(looks, key=lambda k: k.seconds))


@cache
def taken_looks(name: str) -> tuple[Look, ...]:
    """Return the looks that the operator marked: chance, none in a sharp turn, and some musts."""
    plan = voyage(name).plan
    chance = Stream(f"{name}/taken")
    taken = []
    for look in all_looks(name):
        drawn = chance.uniform() < plan.seen
        target = BY_ID[look.target_id]
        if look.turn_rate_dps > 0.6:
            continue
        if target.below_m is not None:  # a shoal of bait does not stay until the next trip
            drawn = name == ("tern-1" if target.depth_known else "tern-2")
        musts = {i for pair in CLOSE_PAIRS for i in pair} | MUSTS[name]
        if drawn or target.on_slope or target.hazard or target.id in musts:
            taken.append(look)
    return tuple(taken)


# Sound, compass and screen ------------------------------------------------------------------------
def mackenzie_mps(temperature_c: float, salinity: float, depth_m: float) -> float:
    """Return the speed of sound in sea water: Mackenzie 1981, nine terms.

    Temperature in degrees Celsius, practical salinity, depth in metres.
    """
    t, s, d = temperature_c, salinity - 35.0, depth_m
    return (
        1448.96
        + 4.591 * t
        - 5.304e-2 * t**2
        + 2.374e-4 * t**3
        + 1.340 * s
        + 1.630e-2 * d
        + 1.675e-7 * d**2
        - 1.025e-2 * t * s
        - 7.139e-13 * t * d**3
    )


def shown_ratio() -> float:
    """Return what the screen shows for one true metre; g/kg to practical salinity by 35/35.16504."""
    return ASSUMED_MPS / mackenzie_mps(TEMPERATURE_C, SALINITY_GKG * 35.0 / 35.16504, 8.0)


def deviation_deg(compass_deg: float) -> float:
    """Return the compass deviation (E+) on a compass heading."""
    x, y = zip(*DEVIATION_DEG, strict=True)
    return float(np.interp(compass_deg % 360.0, [*x, 360.0], [*y, y[0]]))


def compass_deg(true_deg: float) -> float:
    """Return what the compass shows on a true heading, by trial until it agrees."""
    compass = true_deg - VARIATION_DEG
    for _ in range(30):
        compass = true_deg - VARIATION_DEG - deviation_deg(compass)
    return compass % 360.0


@cache
def boat_fault_m() -> tuple[float, float]:
    """Return the position error, east and north, that all trips of this boat have in common."""
    stream = Stream("boat")
    return stream.normal(BOAT_M), stream.normal(BOAT_M)


@cache
def shared_fault_m(trip: str) -> tuple[float, float]:
    """Return the GNSS error, east and north, that one trip has in common."""
    stream = Stream(f"{trip}/gnss")
    return stream.normal(SHARED_GNSS_M), stream.normal(SHARED_GNSS_M)


def moved(lon: Any, lat: Any, east_m: Any, north_m: Any, height: float = 0.0) -> tuple[Any, Any]:
    """Return a position moved by a vector in its own tangent plane."""
    east, north, _ = local_axes(lon, lat)
    e, n = np.asarray(east_m, float)[..., None], np.asarray(north_m, float)[..., None]
    new_lon, new_lat, _ = geodetic(ecef(lon, lat, height) + e * east + n * north)
    return new_lon, new_lat


@dataclass(frozen=True, eq=False)
class Received:
    """What the GNSS receiver says, once a second."""

    seconds: Vector
    lon: Vector
    lat: Vector


@cache
def received(name: str) -> Received:
    """Return the receiver's positions on a trip: truth, shared, boat, jitter and shift."""
    trip = voyage(name)
    seconds = np.arange(0.0, trip.duration_s + 0.5, 1.0)
    lon, lat = trip.antenna(seconds)
    faults = np.add(shared_fault_m(name), boat_fault_m()) + trip.plan.shift_m
    jitter = [Stream(f"{name}/jitter-{a}").wander(len(seconds), 1.0, JITTER_M, 25.0) for a in "en"]
    lon, lat = moved(lon, lat, faults[0] + jitter[0], faults[1] + jitter[1])
    return Received(seconds, np.asarray(lon), np.asarray(lat))


def _clock(start: datetime, seconds: float) -> str:
    return (start + timedelta(seconds=round(seconds))).strftime("%Y-%m-%dT%H:%M:%SZ")


# Pick tables --------------------------------------------------------------------------------------
NOTES = {
    ("tern-1", "t01"): "stands well clear of the bottom, keep off",
    ("tern-1", "t05"): "two stones close together, this is the western one",
    ("tern-1", "t09"): 'frames showing, "ribs" on the near side',
    ("tern-1", "t18"): "bank falls away from the boat",
    ("tern-2", "t16"): "row of posts",
    ("tern-2", "t28"): "square end, the rest is under mud",
    ("tern-3", "t01"): "same rock as before, nothing fouled",
    ("tern-3", "t18"): "seen from the deep side; the bank rises away from the boat",
    ("tern-3", "t13"): "gulls on the water above",
}
# What the operator called it where that differs from the truth (name, kind).
RENAMED = {
    ("tern-2", "t15"): ("Low reef", "rock"),
    ("tern-3", "t09"): ("Old ribs", "wreck"),
    ("tern-3", "t29"): ("", "other"),
    ("tern-2", "t29"): ("Plates", "other"),
}
DELAYED = 0.35  # share of picks made after the target had left the newest line


@dataclass(frozen=True)
class Pick:
    """One row of a pick table in metres as the screen shows them, before rounding."""

    target_id: str
    look: Look
    moment_s: float  # true time of the newest line, whole seconds
    seconds_back: float
    slant_range_m: float
    depth_m: float  # below the transducer
    shadow_start_m: float
    shadow_m: float
    target_depth_m: float
    bottom_slope_deg: float
    name: str
    kind: str
    hazard: bool
    note: str


def _pick(look: Look, stream: Stream, ratio: float) -> Pick:
    target = BY_ID[look.target_id]
    late = stream.uniform() < DELAYED
    back = 0.5 * round((3.0 + 9.0 * stream.uniform()) * 2.0) if late else 0.0
    moment = float(round(look.seconds + back + stream.normal(TIMING_S)))
    if late:  # the line is counted back from the moment to the half second
        back = 0.5 * round((moment - look.seconds + stream.normal(TIMING_S)) * 2.0)
    screen = stream.normal()
    depth_noise = stream.normal(DEPTH_FLOOR_M) + stream.normal(DEPTH_SHARE) * look.altitude_m
    shadow_noise, slope_noise = stream.normal(SHADOW_M), stream.normal(SLOPE_DEG)
    shadow_drawn, name_drawn, start_left_out = stream.uniform(), stream.uniform(), stream.uniform()

    def shown(length_m: float) -> float:
        return ratio * (length_m + screen * max(RANGE_FLOOR_M, RANGE_SHARE * length_m))

    shadow = math.isfinite(look.shadow_m) and look.edge_range_m + 0.1 < look.top_range_m
    shadow = shadow and (target.height_m or 0.0) >= 0.9 and shadow_drawn < 0.75
    slant, start = shown(look.slant_range_m), math.nan
    if shadow and start_left_out < 0.15:
        slant = shown(look.top_range_m)  # the cursor stood where the shadow begins
    elif shadow:
        slant, start = shown(look.edge_range_m), shown(look.top_range_m)
    always = target.on_slope or target.hazard or any(target.id in p for p in CLOSE_PAIRS)
    name, kind = RENAMED.get(
        (look.trip, target.id),
        (target.name if always or name_drawn < 0.6 else "", target.kind),
    )
    return Pick(
        target_id=target.id,
        look=look,
        moment_s=moment,
        seconds_back=back,
        slant_range_m=slant,
        depth_m=ratio * (look.altitude_m + depth_noise),
        shadow_start_m=start,
        shadow_m=ratio * max(0.3, look.shadow_m + shadow_noise) if shadow else math.nan,
        target_depth_m=ratio * look.target_depth_m if target.depth_known else math.nan,
        bottom_slope_deg=look.bottom_slope_deg + slope_noise if target.on_slope else math.nan,
        name=name,
        kind=kind,
        hazard=target.hazard,
        note=NOTES.get((look.trip, target.id), ""),
    )


@cache
def picks(name: str) -> tuple[Pick, ...]:
    """Return the picks of a trip in order of time."""
    ratio = shown_ratio()
    made = [
        _pick(k, Stream(f"{name}/pick-{k.target_id}-{i}"), ratio)
        for i, k in enumerate(taken_looks(name))
    ]
    return tuple(sorted(made, key=lambda p: p.moment_s))


def _number(value: float, digits: int) -> str:
    return "" if not math.isfinite(value) else f"{round(value, digits) + 0.0:.{digits}f}"


def _table(rows: Sequence[dict[str, str]], delimiter: str = ",") -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), delimiter=delimiter, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def _side(look: Look) -> str:
    return "starboard" if look.side > 0 else "port"


def picks_in_metres() -> bytes:
    """Trip 1: refers to the track by time; the extra column ``frame`` rides along."""
    start = voyage("tern-1").plan.start
    return _table(
        [
            {
                "frame": f"F{i:03d}",
                "time": _clock(start, p.moment_s - CLOCK_OFFSET_S),
                "side": _side(p.look),
                "slant_range_m": _number(p.slant_range_m, 1),
                "depth_m": _number(p.depth_m, 1),
                "depth_below": "transducer",
                "seconds_back": _number(p.seconds_back, 1) if p.seconds_back else "",
                "shadow_start_m": _number(p.shadow_start_m, 1),
                "shadow_m": _number(p.shadow_m, 1),
                "target_depth_m": _number(p.target_depth_m, 1),
                "bottom_slope_deg": _number(p.bottom_slope_deg, 0),
                "name": p.name,
                "kind": p.kind,
                "hazard": "yes" if p.hazard else "",
                "note": p.note,
                "trip": "tern-1",
            }
            for i, p in enumerate(picks("tern-1"), 1)
        ]
    )


def picks_in_feet() -> bytes:
    """Trip 2: in feet; heading from the log, depth from the log where the row has none."""
    start = voyage("tern-2").plan.start
    return _table(
        [
            {
                "time": _clock(start, p.moment_s - CLOCK_OFFSET_S),
                "name": p.name,
                "kind": p.kind,
                "side": _side(p.look),
                "slant_range_ft": _number(p.slant_range_m / FOOT_M, 0),
                "depth_ft": "" if i % 4 == 3 else _number(p.depth_m / FOOT_M, 1),
                "seconds_back": _number(p.seconds_back, 1) if p.seconds_back else "",
                "shadow_start_ft": _number(p.shadow_start_m / FOOT_M, 0),
                "shadow_ft": _number(p.shadow_m / FOOT_M, 0),
                "bottom_slope_deg": _number(p.bottom_slope_deg, 0),
                "hazard": "yes" if p.hazard else "no",
                "trip": "tern-2",
                "note": p.note,
            }
            for i, p in enumerate(picks("tern-2"))
        ]
    )


def picks_typed() -> bytes:
    """Trip 3: positions, headings and speeds typed; depth below the surface; semicolons."""
    trip, heard = voyage("tern-3"), received("tern-3")
    start, bias = trip.plan.start, Stream("tern-3/compass").normal(COMPASS_BIAS_DEG)
    rows = []
    for p in picks("tern-3"):
        stream = Stream(f"tern-3/typed-{p.target_id}-{p.moment_s:.0f}")
        i, t = round(p.moment_s), np.float64(p.moment_s)
        line = np.float64(p.moment_s - p.seconds_back)
        true = float(trip.at(line, trip.heading_deg))
        heading = true + bias + stream.normal(HEADING_NOISE_DEG)
        course = float(trip.at(t, trip.course_deg)) + stream.normal(1.0)
        speed = float(trip.at(t, trip.speed_mps)) / KNOT_MPS + stream.normal(0.05)
        draft = TRANSDUCER_DEPTH_M
        rows.append(
            {
                "time": _clock(start, p.moment_s - CLOCK_OFFSET_S),
                "lat": _number(float(heard.lat[i]), 5),
                "lon": _number(float(heard.lon[i]), 5),
                "heading_deg": f"{round(heading) % 360:03d}",
                "course_deg": f"{round(course) % 360:03d}",
                "speed_kn": _number(speed, 1),
                "side": _side(p.look),
                "slant_range_m": _number(p.slant_range_m, 1),
                "depth_m": _number(p.depth_m + draft, 1),
                "depth_below": "surface",
                "seconds_back": _number(p.seconds_back, 1) if p.seconds_back else "0",
                "shadow_start_m": _number(p.shadow_start_m, 1),
                "shadow_m": _number(p.shadow_m, 1),
                "bottom_slope_deg": _number(p.bottom_slope_deg, 0),
                "trip": "tern-3",
                "name": p.name,
                "kind": p.kind,
                "hazard": "yes" if p.hazard else "",
                "note": p.note,
            }
        )
    return _table(rows, ";")


# Track and log ------------------------------------------------------------------------------------
GAP_S = 26  # seconds without a fix on trip 1, longer than the limit of 10 s


@cache
def gap_start_s() -> int:
    """Return where trip 1's receiver falls silent: the middle of its longest stretch of no picks."""
    busy = sorted(
        {0.0, voyage("tern-1").duration_s}
        | {p.look.seconds for p in picks("tern-1")}
        | {p.moment_s for p in picks("tern-1")}
    )
    wide, first = max((b - a, a) for a, b in pairwise(busy))
    return round(first + 0.5 * (wide - GAP_S))


_GPX_11 = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<gpx version="1.1" creator="Tern sample"\n'
    ' xmlns="http://www.topografix.com/GPX/1/1"\n'
    ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"\n'
    ' xsi:schemaLocation="http://www.topografix.com/GPX/1/1'
    ' http://www.topografix.com/GPX/1/1/gpx.xsd">\n'
)
_GPX_10 = _GPX_11.replace('version="1.1"', 'version="1.0"').replace("GPX/1/1", "GPX/1/0")


def track_gpx() -> bytes:
    """Trip 1: a GPX 1.1 track, one point a second, with one gap."""
    heard, start = received("tern-1"), voyage("tern-1").plan.start
    lines = [_GPX_11, "<metadata><name>Hollow Sound, 10 May</name></metadata>\n"]
    lines.append("<trk><name>Tern 1</name><trkseg>\n")
    gap = gap_start_s()
    for t, lon, lat in zip(heard.seconds, heard.lon, heard.lat, strict=True):
        if not gap < t < gap + GAP_S:
            at = f'lat="{lat:.7f}" lon="{lon:.7f}"'
            lines.append(f"<trkpt {at}><time>{_clock(start, t)}</time></trkpt>\n")
    lines.append("</trkseg></trk>\n</gpx>\n")
    return "".join(lines).encode()


def sentence(body: str) -> str:
    """Return an NMEA 0183 sentence: ``$``, body, ``*`` and the XOR of the body's characters."""
    check = 0
    for character in body.encode("ascii"):
        check ^= character
    return f"${body}*{check:02X}"


def _degrees_minutes(value: float, width: int, letters: str) -> str:
    whole, minutes = divmod(round(abs(value) * 60.0, 5), 60.0)
    return f"{int(whole):0{width}d}{minutes:08.5f},{letters[0 if value >= 0 else 1]}"


def _log_lines() -> Iterator[str]:
    trip, heard = voyage("tern-2"), received("tern-2")
    n, ratio = len(heard.seconds), shown_ratio()
    bias = Stream("tern-2/compass").normal(COMPASS_BIAS_DEG)
    needle = Stream("tern-2/needle").wander(n, 1.0, HEADING_NOISE_DEG, 6.0)
    pace, swing = Stream("tern-2/pace"), Stream("tern-2/swing")
    echo, warm = Stream("tern-2/echo"), Stream("tern-2/warm").wander(n, 1.0, 0.15, 300.0)
    letter = "E" if VARIATION_DEG > 0 else "W"
    variation = f"{abs(VARIATION_DEG):.1f},{letter}"
    for i, t in enumerate(heard.seconds):
        when = trip.plan.start + timedelta(seconds=float(t))
        clock, date = when.strftime("%H%M%S.00"), when.strftime("%d%m%y")
        lat = _degrees_minutes(float(heard.lat[i]), 2, "NS")
        lon = _degrees_minutes(float(heard.lon[i]), 3, "EW")
        knots = float(trip.at(t, trip.speed_mps)) / KNOT_MPS + pace.normal(0.05)
        course = (float(trip.at(t, trip.course_deg)) + swing.normal(0.7)) % 360.0
        magnetic = (course - VARIATION_DEG) % 360.0
        heading = float(trip.at(t, trip.heading_deg)) + bias + float(needle[i])
        eye, _, _ = trip.transducer(t)
        depth = ratio * above_bottom_m(eye) + echo.normal(0.08)
        course, magnetic = round(course, 1) % 360.0, round(magnetic, 1) % 360.0
        compass = round(compass_deg(heading), 1) % 360.0
        yield f"GPRMC,{clock},A,{lat},{lon},{knots:05.2f},{course:05.1f},{date},{variation},A"
        yield f"GPGGA,{clock},{lat},{lon},1,11,0.9,{2.1:.1f},M,0.5,M,,"
        yield f"GPVTG,{course:05.1f},T,{magnetic:05.1f},M,{knots:05.2f},N,{knots * 1.852:05.2f},K,A"
        yield f"HCHDG,{compass:05.1f},,,{variation}"
        yield f"SDDPT,{depth:.1f},{TRANSDUCER_DEPTH_M:.2f}"
        yield f"SDMTW,{TEMPERATURE_C + float(warm[i]):.1f},C"


def bad_log_lines() -> tuple[int, int]:
    """Return the line numbers, from 1, of the wrong checksum and of the line cut short."""
    quiet = _quiet_seconds("tern-2")
    return 6 * quiet[0] + 4, 6 * quiet[1] + 2


def _quiet_seconds(name: str) -> tuple[int, int]:
    busy = [p.look.seconds for p in picks(name)] + [p.moment_s for p in picks(name)]
    free = [
        t
        for t in range(60, int(voyage(name).duration_s) - 60)
        if min(abs(t - b) for b in busy) > 15.0
    ]
    return free[len(free) // 3], free[2 * len(free) // 3]


def log_nmea() -> bytes:
    """Trip 2: an NMEA 0183 log, HDG with variation and no deviation, two lines spoilt."""
    lines = [sentence(body) for body in _log_lines()]
    wrong, cut = bad_log_lines()
    text, check = lines[wrong - 1].split("*")
    lines[wrong - 1] = f"{text}*{int(check, 16) ^ 0x11:02X}"
    lines[cut - 1] = lines[cut - 1][:23]
    return ("\r\n".join(lines) + "\r\n").encode("ascii")


# Waypoints of a plotter ---------------------------------------------------------------------------
@dataclass(frozen=True)
class Saved:
    """One waypoint of the plotter: where it belongs and what was typed."""

    target_id: str
    name: str
    symbol: str = ""
    desc: str = ""


WAYPOINTS = (
    Saved("t01", "ANVIL", "Rock", "shoal rock, keep 100 m off"),
    Saved("t02", "001"),
    Saved("t04", "002", "Mark"),
    Saved("t05", "TWIN W", "Rock"),
    Saved("t08", "0844", "Mark", "deep hole"),
    Saved("t09", "RIBS", "Wreck", "old frames"),
    Saved("t11", "003"),
    Saved("t12", "Saddle", "Reef"),
    Saved("t22", "0912", "Mark"),
    Saved("t20", "004"),
    Saved("t18", "Bank stone", "Rock", "on the edge of the bank"),
    Saved("t15", "005", "Mark"),
    Saved("t13", "Måke rock", "Rock"),
    Saved("t23", "006"),
    Saved("t28", "Barge", "Wreck", 'stern & "plates" <square>'),
)
OLD_CARD = (
    Saved("t03", "WP012"),
    Saved("t14", "WP015", "Mark"),
    Saved("t24", "STUMP"),
    Saved("t26", "WP021"),
    Saved("t31", "SPLIT RK", "Rock", "snags on the north side"),
)
WAYPOINT_START = datetime(2025, 5, 3, 8, 12, 0, tzinfo=UTC)


def _waypoint(saved: Saved, lat: float, lon: float, digits: int, time: str) -> str:
    parts = [f'<wpt lat="{lat:.{digits}f}" lon="{lon:.{digits}f}">']
    if time:
        parts.append(f"<time>{time}</time>")
    parts.append(f"<name>{escape(saved.name)}</name>")
    if saved.desc:
        parts.append(f"<desc>{escape(saved.desc)}</desc>")
    if saved.symbol:
        parts.append(f"<sym>{escape(saved.symbol)}</sym>")
    return "".join(parts) + "</wpt>\n"


def waypoints_gpx() -> bytes:
    """One morning's waypoints of the plotter (GPX 1.1), put on the target with the cursor."""
    shared, boat = shared_fault_m("waypoints"), boat_fault_m()
    lines = [_GPX_11]
    for i, saved in enumerate(WAYPOINTS):
        own = Stream(f"waypoints/{saved.target_id}")
        east, north = (own.normal(WAYPOINT_OWN_M) + shared[a] + boat[a] for a in (0, 1))
        lon, lat = moved(*BY_ID[saved.target_id].lonlat, east, north)
        when = 60 * (4 + 7 * i) + 13 * i % 60
        time = "" if saved.name in {"003", "006"} else _clock(WAYPOINT_START, when)
        lines.append(_waypoint(saved, float(lat), float(lon), 5, time))
    lines.append("</gpx>\n")
    return "".join(lines).encode()


def old_card_gpx() -> bytes:
    """Write five undated waypoints of an older card (GPX 1.0), to a thousandth of a minute."""
    lines = [_GPX_10]
    for saved in OLD_CARD:
        own = Stream(f"old-card/{saved.target_id}")
        boat = boat_fault_m()
        east, north = (own.normal(OLD_CARD_M) + boat[a] for a in (0, 1))
        lon, lat = moved(*BY_ID[saved.target_id].lonlat, east, north)
        lon, lat = (round(float(a) * 60.0, 3) / 60.0 for a in (lon, lat))
        lines.append(_waypoint(saved, lat, lon, 7, ""))
    lines.append("</gpx>\n")
    return "".join(lines).encode()


# Boat, limits, background, truth ------------------------------------------------------------------
def boat_toml() -> bytes:
    """Return the boat file."""
    pairs = ", ".join(f"[{a}, {b:.1f}]" for a, b in DEVIATION_DEG)
    return f"""\
# The boat of the samples; all invented.
name = "Tern"
time_zone = "UTC"
units = "metric"
clock_offset_s = {CLOCK_OFFSET_S:.1f}        # track clock minus pick clock, added to a pick's time
sides_exchanged = false

[transducer]
forward_m = {FORWARD_M:.1f}           # seen from the GNSS antenna; minus is astern
starboard_m = {STARBOARD_M:.1f}
depth_m = {TRANSDUCER_DEPTH_M:.2f}             # below the surface
depth_below = "transducer"  # what the sounder's reading is measured from

[sound]
assumed_mps = {ASSUMED_MPS:.1f}       # what the sounder reckons with
temperature_c = {TEMPERATURE_C:.1f}
salinity_gkg = {SALINITY_GKG:.1f}

[compass]
# compass heading, deviation (east is plus), degrees
deviation = [{pairs}]
""".encode()


def limits_toml() -> bytes:
    """Return the limits of an invented small plotter."""
    return b"""\
# What an invented small plotter accepts.
max_waypoints = 20
max_name = 10
charset = "ascii-upper"
unique_names = true
max_note = 32
max_track_points = 1000
max_track_km = 5.0
max_route_points = 30

[symbols]
rock = "Rock"
reef = "Reef"
ledge = "Ledge"
wreck = "Wreck"
timber = "Wood"
weed = "Weed"
bait = "Bait"
hole = "Hole"
other = "Mark"
"""


def _ring(points: Sequence[tuple[float, float]]) -> list[list[float]]:
    lon, lat = plane_to_lonlat(*np.array([*points, points[0]], float).T)
    return [[round(float(a), 6), round(float(b), 6)] for a, b in zip(lon, lat, strict=True)]


def _collection(features: Sequence[tuple[dict[str, str], str, Any]]) -> bytes:
    collection = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": properties,
                "geometry": {"type": kind, "coordinates": coordinates},
            }
            for properties, kind, coordinates in features
        ],
    }
    return (json.dumps(collection, indent=1) + "\n").encode()


def _geojson(features: Sequence[tuple[str, Sequence[tuple[float, float]]]]) -> bytes:
    return _collection([({"name": n}, "Polygon", [_ring(points)]) for n, points in features])


def _shore(side: int, name: str) -> list[tuple[float, float]]:
    stream = Stream(f"shore/{name}")
    u = np.linspace(-500.0, 2150.0, 54)
    ragged = stream.wander(len(u), 50.0, 35.0, 110.0)
    base = -230.0 if side < 0 else 1230.0
    v = base + side * (60.0 + 45.0 * np.sin(u / 260.0) + ragged)
    edge = [(float(a), float(b)) for a, b in zip(u, v, strict=True)]
    back = base + side * 420.0
    return [*edge, (2150.0, back), (-500.0, back)][:: 1 if side > 0 else -1]


def coastline_geojson() -> bytes:
    """Return the two shores and an islet of the sound, as land polygons."""
    turn = np.radians(np.arange(0.0, 360.0, 24.0))
    radius = 46.0 + 9.0 * np.sin(3.0 * turn)
    islet = [
        (float(700.0 + 1.5 * r * math.cos(a)), float(235.0 + r * math.sin(a)))
        for a, r in zip(turn, radius, strict=True)
    ]
    shores = [("North shore", _shore(1, "north")), ("South shore", _shore(-1, "south"))]
    return _geojson([*shores, ("Tuft islet", islet)])


AREA_UV = ((-80.0, -90.0), (790.0, -90.0), (790.0, 1060.0), (-80.0, 1060.0))


def area_geojson() -> bytes:
    """Return the western half of the sound, to choose marks by."""
    return _geojson([("Western half", AREA_UV)])


def bank_geojson() -> bytes:
    """Return the water's edge of the north shore as a line from west to east, to run along."""
    shore = [(u, v) for u, v in _shore(1, "north") if -100.0 <= u <= 1700.0][:-1]
    edge = sorted(set(shore))
    return _collection([({"name": "North bank"}, "LineString", _ring(edge)[:-1])])


NET_PENS_UV = ((500.0, 80.0), (720.0, 80.0), (720.0, 190.0), (500.0, 190.0))
REED_BAY_UV = ((1330.0, 880.0), (1640.0, 880.0), (1640.0, 1190.0), (1330.0, 1190.0))
OLD_PIPE_UV = ((930.0, -190.0), (985.0, 420.0), (1040.0, 1180.0))


def zones_geojson() -> bytes:
    """Return invented zones: an area closed, an area with a speed limit, a pipe as a line."""
    pens = {"name": "Net pens", "rule": "closed all year", "kind": "closed"}
    reeds = {"name": "Reed bay", "rule": "4 knots, no wake", "kind": "speed"}
    pipe = {"name": "Old pipe", "rule": "no anchoring within 50 m", "kind": "pipe"}
    return _collection(
        [
            (pens, "Polygon", [_ring(NET_PENS_UV)]),
            (reeds, "Polygon", [_ring(REED_BAY_UV)]),
            (pipe, "LineString", _ring(OLD_PIPE_UV)[:-1]),
        ]
    )


def truth_csv() -> bytes:
    """Return what is really there."""
    return _table(
        [
            {
                "id": t.id,
                "name": t.name,
                "kind": t.kind,
                "lat": f"{t.lonlat[1]:.8f}",
                "lon": f"{t.lonlat[0]:.8f}",
                "depth_m": f"{t.depth_m:.2f}",
                "height_m": "" if t.height_m is None else f"{t.height_m:.2f}",
                "hazard": "yes" if t.hazard else "",
                "in_water_depth_m": "" if t.below_m is None else f"{t.below_m:.2f}",
            }
            for t in TARGETS
        ]
    )


def truth_trips_csv() -> bytes:
    """Return what was wrong with each trip's positions and how the water stood."""
    rows = []
    plans = [(p.name, p.shift_m, p.water_level_m) for p in PLANS]
    for name, shift, level in [*plans, ("waypoints", (0.0, 0.0), math.nan)]:
        shared, boat = shared_fault_m(name), boat_fault_m()
        rows.append(
            {
                "trip": name,
                "shift_east_m": f"{shift[0]:.1f}",
                "shift_north_m": f"{shift[1]:.1f}",
                "shared_east_m": f"{shared[0]:.3f}",
                "shared_north_m": f"{shared[1]:.3f}",
                "boat_east_m": f"{boat[0]:.3f}",
                "boat_north_m": f"{boat[1]:.3f}",
                "water_level_m": _number(level, 2),
            }
        )
    return _table(rows)


def tides_csv() -> bytes:
    """Return high and low waters, as a table on paper has them, for some days of May and June.

    A lunar tide with springs and neaps about the sounding level, laid so that trips 1 and 2 find
    their water levels within what weather does to a tide.
    """
    first = datetime(2025, 5, 10, 4, 7, tzinfo=UTC)
    rows = []
    for n in range(120):
        time = first + timedelta(hours=6.2103 * n)
        if time.day not in (10, 11) * (time.month == 5) + (31, 1, 2):
            continue
        amplitude_m = 0.95 + 0.12 * math.cos(2 * math.pi * (n * 6.2103 / 24) / 14.765)
        rows.append(
            {
                "time": f"{time:%Y-%m-%dT%H:%MZ}",
                "what": "low" if n % 2 == 0 else "high",
                "height_m": f"{-amplitude_m if n % 2 == 0 else amplitude_m:.2f}",
            }
        )
    return _table(rows)


def truth_rows() -> list[tuple[str, int, str]]:
    """Return file, row (from 1, without the header) and truth id of every pick and waypoint."""
    sources: list[tuple[str, Sequence[Pick | Saved]]] = [
        ("trip-1-picks.csv", picks("tern-1")),
        ("trip-2-picks-feet.csv", picks("tern-2")),
        ("trip-3-picks-typed.csv", picks("tern-3")),
        ("waypoints.gpx", WAYPOINTS),
        ("old-card.gpx", OLD_CARD),
    ]
    return [(f, i, x.target_id) for f, items in sources for i, x in enumerate(items, 1)]


def truth_rows_csv() -> bytes:
    """Return which row of which file belongs to which target."""
    return _table([{"file": f, "row": str(i), "id": t} for f, i, t in truth_rows()])


FILES: dict[str, Callable[[], bytes]] = {
    "trip-1-track.gpx": track_gpx,
    "trip-1-picks.csv": picks_in_metres,
    "trip-2-log.nmea": log_nmea,
    "trip-2-picks-feet.csv": picks_in_feet,
    "trip-3-picks-typed.csv": picks_typed,
    "waypoints.gpx": waypoints_gpx,
    "old-card.gpx": old_card_gpx,
    "tern.toml": boat_toml,
    "small-plotter.toml": limits_toml,
    "coastline.geojson": coastline_geojson,
    "area.geojson": area_geojson,
    "bank.geojson": bank_geojson,
    "zones.geojson": zones_geojson,
    "tides.csv": tides_csv,
    "truth.csv": truth_csv,
    "truth-trips.csv": truth_trips_csv,
    "truth-rows.csv": truth_rows_csv,
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the files, or compare them; return 0, or 1 where one differs."""
    parser = argparse.ArgumentParser(description="Make the sample files.")
    parser.add_argument("--check", action="store_true", help="compare only, write nothing")
    check = parser.parse_args(arguments).check
    different = []
    for name, make in FILES.items():
        path, made = HERE / name, make()
        if not check:
            path.write_bytes(made)
        elif not path.is_file() or path.read_bytes() != made:
            different.append(name)
    for name in different:
        print(f"{name} differs from what the script makes; run it without --check", file=sys.stderr)
    return 1 if different else 0


if __name__ == "__main__":
    raise SystemExit(main())
