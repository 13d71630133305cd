"""Survey lanes over areas: parallel ways on which the side-scan sees all of the ground.

A side sees the bottom from a to b, both less their 95 % errors; right under the boat it sees
nothing. Neighbouring lanes look under each other where they lie no farther apart than b, since the
neighbour's swath then reaches the other's way; an outermost lane has one neighbour only, which must
reach beyond it and lies no farther off than b - a. So the lanes of an area of width W stand at

    b, then b - a, then b, b, ... b, then b - a, then b from the other edge,

which holds where b is 3 a or more. In deeper water the outermost lanes run outside of the area, b
apart while b is 2 a or more, then 2 b / 3 (the next but one looks under the boat), then b - a. An
area no wider than b - a is seen from one lane beside it. An overlap, if any, is taken off b first.

Every strip of ground is then given to the nearest lane that sees it, and a lane runs as far as its
ground needs, and as much farther as the swath's end is unsure. Lanes end before closed water; ground
that its lane cannot reach is given to the next that sees it, and what none can is said.
`athwart.plan.lane_order` then says in what order they are run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from athwart.boat import Boat
from athwart.errors import DataError
from athwart.features import Feature
from athwart.geometry.geodesic import inverse
from athwart.geometry.plane import LocalPlane
from athwart.plan.coverage import polygons_of
from athwart.plan.lane_order import lanes_in_order
from athwart.plan.passes import NADIR_DEG, edge_errors, position_sigma, sonar_reach
from athwart.uncertainty.budget import course_as_heading_sigma
from athwart.uncertainty.ellipse import r95
from athwart.units import KNOT

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["CAUTION", "LANE_SPEED_MPS", "Lanes", "lanes"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LANE_SPEED_MPS = 4.0 * KNOT.value
"""Speed at which lanes are run unless said otherwise; common practice, no source."""

OVERLAP_PART = 0.1
"""Part of the ground range that neighbours overlap beyond their errors, for the helm; common
practice, no source."""

RUN_IN_M = 20.0
"""Straight way before and after each lane: a course is taken from 30 m of track, half of it ahead."""

MOST_LANES = 800

CAUTION = (
    "Advice, not navigation: lanes know nothing of depths, boats and gear that were not given. Keep "
    "a lookout; the law of the place decides."
)

_COURSE_WINDOW_M = 30.0
_ROUNDING_M2 = 0.05


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Lanes:
    """Lanes in the order in which to run them.

    Parameters
    ----------
    plane : LocalPlane
        Where the shapes count from, metres.
    lanes : numpy.ndarray of shapely lines
        Each from where the boat begins to where she ends it, without run-in and run-out.
    way : tuple of numpy.ndarray
        Corners of the whole way, run-ins and turns included, shape (n, 2) each; more than one
        where there is no way by water from one to the next.
    part : numpy.ndarray of int
        Which of these ways each lane belongs to.
    direction_deg : tuple of float
        Direction of the lanes of each area, true at its middle, 0 to below 180.
    spacing_m : float
        Distance of neighbours, at most.
    near_m, far_m : float
        Ground ranges that are counted on, on either side.
    near_error_m, far_error_m, along_error_m : float
        95 % errors that were taken off (0 with ``cautious=False``).
    area, promised, left_out : shapely polygons
        What was to be seen, what the lanes see of it, and what no lane can.
    room_m : float
        How far beyond the areas the way goes.
    turn_radius_m, run_in_m, speed_mps : float
        As asked for.
    around : int
        Ways from lane to lane that go round closed water.
    """

    plane: LocalPlane
    lanes: NDArray[np.object_]
    way: tuple[FloatArray, ...]
    part: IntArray
    direction_deg: tuple[float, ...]
    spacing_m: float
    near_m: float
    far_m: float
    near_error_m: float
    far_error_m: float
    along_error_m: float
    area: BaseGeometry
    promised: BaseGeometry
    left_out: BaseGeometry
    room_m: float
    turn_radius_m: float
    run_in_m: float
    speed_mps: float
    around: int

    @property
    def lanes_m(self) -> float:
        """Length of all lanes, metres."""
        import shapely

        return float(shapely.length(self.lanes).sum())

    @property
    def length_m(self) -> float:
        """Length of the whole way, metres."""
        return float(sum(np.hypot(*np.diff(w, axis=0).T).sum() for w in self.way))

    @property
    def time_s(self) -> float:
        """Time for the whole way at the speed, seconds."""
        return self.length_m / self.speed_mps

    def features(self) -> list[Feature]:
        """Return lanes, the whole way as a line to run along, and ground left out, in WGS 84."""
        import shapely

        out = []
        for i, lane in enumerate(self.lanes, start=1):
            line = self.plane.shape_to_earth(lane)
            (x0, y0), (x1, y1) = shapely.get_coordinates(line)[[0, -1]]
            bearing, length = inverse(x0, y0, x1, y1)
            out.append(
                Feature(
                    role="lane",
                    geometry=line,
                    name=f"Lane {i}",
                    note=CAUTION,
                    values={
                        "length_m": round(float(length), 1),
                        "bearing_deg": round(float(bearing), 1),
                        "spacing_m": round(self.spacing_m, 2),
                    },
                )
            )
        out += self.run()
        if not self.left_out.is_empty:
            out += [
                Feature(
                    role="not seen",
                    geometry=self.plane.shape_to_earth(part),
                    name=f"Left out {i}",
                    note="No lane that the boat can run sees this ground.",
                    values={"area_m2": round(part.area, 1)},
                )
                for i, part in enumerate(shapely.get_parts(self.left_out), start=1)
            ]
        return out

    def run(self, *, turns: bool = True) -> list[Feature]:
        """Return the whole way alone, as lines to run along.

        Without ``turns`` it has the ends of the lanes and their run-ins only, for a plotter that
        takes few points: the boat finds the turns herself.
        """
        import shapely

        ways = self.way if turns else self._ends()
        many = len(ways) > 1
        return [
            Feature(
                role="run",
                geometry=self.plane.shape_to_earth(shapely.LineString(w)),
                name=f"Lanes {i}" if many else "Lanes",
                note=CAUTION,
                values={"length_m": round(float(np.hypot(*np.diff(w, axis=0).T).sum()), 1)},
            )
            for i, w in enumerate(ways, start=1)
        ]

    def _ends(self) -> tuple[FloatArray, ...]:
        """Return the ways with the ends of the lanes and of their run-ins alone."""
        import shapely

        ends = shapely.get_coordinates(self.lanes).reshape(-1, 2, 2)
        ahead = (ends[:, 1] - ends[:, 0]) / shapely.length(self.lanes)[:, None]
        before, after = ends[:, 0] - self.run_in_m * ahead, ends[:, 1] + self.run_in_m * ahead
        corners = np.stack([before, after], axis=1)
        return tuple(
            corners[self.part == k].reshape(-1, 2) for k in range(int(self.part.max()) + 1)
        )


def lanes(
    area: BaseGeometry,
    *,
    range_m: float,
    depth_m: float,
    overlap_m: float = math.nan,
    direction_deg: float = math.nan,
    nadir_deg: float = NADIR_DEG,
    turn_radius_m: float = 15.0,
    run_in_m: float = RUN_IN_M,
    speed_mps: float = LANE_SPEED_MPS,
    closed: BaseGeometry | None = None,
    water: BaseGeometry | None = None,
    clear_m: float = math.nan,
    cautious: bool = True,
    boat: Boat | None = None,
) -> Lanes:
    """Return lanes over areas.

    Parameters
    ----------
    area : shapely polygons
        In WGS 84; several lie in one plan, such as the holes of a coverage.
    range_m : float
        Slant range of the screen, metres.
    depth_m : float
        Deepest water of the areas as the sounder reads it, metres: there a swath is narrowest and
        the strip under the boat widest.
    overlap_m : float
        How much farther than to each other's way neighbours see, metres; NaN: a tenth of the
        ground range.
    direction_deg : float
        Direction of the lanes, true; NaN: for each area the one with the shortest way.
    nadir_deg : float
        Least angle from the vertical at which the bottom counts as seen, degrees.
    turn_radius_m : float
        Tightest turn of the boat, metres.
    run_in_m : float
        Straight way before and after each lane, metres.
    speed_mps : float
        Speed over the ground.
    closed, water : shapely polygons, optional
        Where the boat may not go, and where alone she may, in WGS 84.
    clear_m : float
        Distance that is kept from their edges, metres; NaN: the R95 of the boat's own place.
    cautious : bool
        Count on the swath less its 95 % error only.
    boat : Boat, optional
        Draft, sound and error budget.

    Raises
    ------
    DataError
        An argument out of range, an area without polygons, water too deep for the range, lanes
        without end, or no water to run them in.
    """
    import shapely

    boat = boat or Boat()
    if not (math.isnan(direction_deg) or 0 <= direction_deg <= 360):
        raise DataError(f"the direction is {direction_deg:g} degrees; allowed is 0 to 360")
    _check(range_m, depth_m, overlap_m, nadir_deg, run_in_m, speed_mps, clear_m)
    corners = shapely.get_coordinates(area)
    if not len(corners):
        raise DataError("the area has no polygon; give polygons, such as of a bay or a bank")
    plane = LocalPlane.about(*corners.T)
    ground = polygons_of(plane.area_to_plane(area))
    if ground.is_empty:
        raise DataError("the area has no polygon; give polygons, such as of a bay or a bank")
    if math.isnan(clear_m):
        variance = float(position_sigma(boat.budget, boat.budget.gnss_shared_m)) ** 2
        clear_m = float(r95(variance, variance, 0.0))
    swath = _swath(range_m, depth_m, overlap_m, nadir_deg, speed_mps, cautious, boat)
    shut = _shut(plane, ground, closed, water, clear_m, 20 * turn_radius_m + 4 * swath.far)
    room = _Room(swath, turn_radius_m, run_in_m, shut)

    laid: list[_Laid] = []
    directions = []
    for part in _together(ground, swath.far / 2):
        made = _best(part, room, plane, direction_deg)
        directions.append(_true(plane, made.angle_deg, part))
        laid.append(made)
    starts = np.concatenate([m.starts for m in laid])
    ends = np.concatenate([m.ends for m in laid])
    promised = shapely.union_all([m.promised for m in laid])
    left = polygons_of(shapely.difference(ground, promised))
    pieces = shapely.get_parts(left)
    pieces = pieces[shapely.area(pieces) > _ROUNDING_M2]
    left = shapely.MultiPolygon(list(pieces))
    if not len(starts):
        raise DataError(
            "no lane fits: the water that is left beside closed and shallow water is too narrow "
            f"for a run-in of {run_in_m:g} m before and after"
        )
    if len(starts) > MOST_LANES:
        raise DataError(
            f"the areas take {len(starts)} lanes; allowed is {MOST_LANES}; divide them, or take a "
            "longer range"
        )
    ordered = lanes_in_order(
        starts,
        ends,
        turn_radius_m=turn_radius_m,
        run_in_m=run_in_m,
        shut=shut,
        plane=plane,
        closed=closed,
        water=water,
        clear_m=clear_m,
    )
    lines = np.stack([starts, ends], axis=1)
    turned = np.array([lines[k][::-1] if back else lines[k] for k, back in ordered.order])
    points = shapely.points(np.concatenate(ordered.way))
    return Lanes(
        plane=plane,
        lanes=np.asarray(shapely.linestrings(turned), dtype=object),
        way=ordered.way,
        part=ordered.part,
        direction_deg=tuple(directions),
        spacing_m=swath.spacing,
        near_m=swath.near,
        far_m=swath.far,
        near_error_m=swath.near_error,
        far_error_m=swath.far_error,
        along_error_m=swath.along,
        area=ground,
        promised=polygons_of(shapely.intersection(ground, promised)),
        left_out=left,
        room_m=float(shapely.distance(points, ground).max()),
        turn_radius_m=turn_radius_m,
        run_in_m=run_in_m,
        speed_mps=speed_mps,
        around=ordered.around,
    )


def _check(
    range_m: float,
    depth_m: float,
    overlap_m: float,
    nadir_deg: float,
    run_in_m: float,
    speed_mps: float,
    clear_m: float,
) -> None:
    positive = {"range": (range_m, "m"), "depth": (depth_m, "m"), "speed": (speed_mps, "m/s")}
    for name, (value, unit) in positive.items():
        if not (math.isfinite(value) and value > 0):
            raise DataError(f"the {name} is {value:g} {unit}; allowed is more than 0")
    if not 0 <= nadir_deg < 90:
        raise DataError(f"the angle at nadir is {nadir_deg:g} degrees; allowed is 0 to below 90")
    if not (math.isfinite(run_in_m) and run_in_m >= 0):
        raise DataError(f"the run-in is {run_in_m:g} m; allowed is 0 or more")
    for name, value in (("overlap", overlap_m), ("clearance", clear_m)):
        if value < 0 or math.isinf(value):
            raise DataError(f"the {name} is {value:g} m; allowed is 0 or more")


@dataclass(frozen=True, slots=True)
class _Swath:
    """What a lane is counted on to see, on either side: from near to far, lanes so far apart."""

    near: float
    far: float
    overlap: float
    near_error: float
    far_error: float
    along: float

    @property
    def strip(self) -> float:
        return self.far - self.overlap - self.near

    @property
    def spacing(self) -> float:
        """How far apart many lanes may lie, at most."""
        a, b = self.near, self.far - self.overlap
        if b >= 2 * a:
            return b
        return max(2 * b / 3, self.strip) if 1.001 * a < 2 * b / 3 else self.strip

    def positions(self, width: float) -> FloatArray:
        """Return where the lanes of an area of a width stand, from its one edge on."""
        a, b = self.near, self.far - self.overlap
        if width <= self.strip:
            return np.array([-a - (self.strip - width) / 2])
        if b >= 3 * a:
            gaps = [self.strip]
            if width > 2 * b + self.strip:
                count = max(math.ceil((width - 2 * b - 2 * self.strip) / b - 1e-9), 0)
                gaps = [self.strip, *[b] * count, self.strip]
            at: FloatArray = np.cumsum(np.array([b, *gaps], np.float64))
            return np.asarray(at - (float(at[-1]) + b - width) / 2, np.float64)
        fewest = max(math.floor(width / self.spacing) - 1, 2)
        for count in range(fewest, fewest + 8):
            first = (width - (count - 1) * self.spacing) / 2
            at = first + self.spacing * np.arange(count, dtype=np.float64)
            if self.all_seen(at, width):
                return at
        count = math.ceil(width / self.strip - 1e-9)  # each sees one strip to starboard
        first = -a - (count * self.strip - width) / 2
        return first + self.strip * np.arange(count, dtype=np.float64)

    def all_seen(self, at: FloatArray, width: float) -> bool:
        """Tell whether lanes at these places see everything from 0 to a width."""
        a, b = self.near - 1e-9, self.far - self.overlap + 1e-9
        start = np.concatenate([at - b, at + a])
        end = np.concatenate([at - a, at + b])
        order = np.argsort(start)
        reached = np.maximum.accumulate(end[order])
        gaps = start[order][1:] > reached[:-1]
        holes = gaps & (reached[:-1] < width) & (start[order][1:] > 0)
        return bool(start.min() <= 0 and reached[-1] >= width and not holes.any())


def _swath(
    range_m: float,
    depth_m: float,
    overlap_m: float,
    nadir_deg: float,
    speed_mps: float,
    cautious: bool,
    boat: Boat,
) -> _Swath:
    ratio, scale = (float(v) for v in boat.sound_ratio())
    altitude = depth_m
    if boat.depth_below == "surface":
        if math.isnan(boat.transducer_depth_m):
            raise DataError(
                "the depth is below the surface, but nothing says how deep the transducer sits; "
                "put depth_m under [transducer] in the boat file"
            )
        altitude -= boat.transducer_depth_m
    altitude *= ratio
    reach = range_m * ratio
    if not altitude < reach:
        raise DataError(
            f"the water is {depth_m:g} m deep and the range {range_m:g} m; the side-scan reaches "
            "the bottom beside the boat only where the range is the greater"
        )
    near, far = (np.atleast_1d(v) for v in sonar_reach(reach, altitude, nadir_deg=nadir_deg))
    budget = boat.budget
    heading = course_as_heading_sigma(budget, speed_mps, _COURSE_WINDOW_M)
    errors = edge_errors(
        near,
        far,
        np.array([altitude]),
        reach,
        heading_sigma_deg=heading,
        position_sigma_m=position_sigma(budget, budget.gnss_shared_m),
        along_sigma_m=budget.along_sigma(speed_mps),
        scale_sigma=scale,
        budget=budget,
    )
    near_error, far_error, along = (float(e[0]) for e in errors) if cautious else (0.0, 0.0, 0.0)
    overlap = OVERLAP_PART * float(far[0]) if math.isnan(overlap_m) else overlap_m
    swath = _Swath(
        near=float(near[0]) + near_error,
        far=float(far[0]) - far_error,
        overlap=overlap,
        near_error=near_error,
        far_error=far_error,
        along=along,
    )
    if swath.strip < max(0.05 * float(far[0]), 1.0):
        raise DataError(
            f"at a range of {range_m:g} m over {depth_m:g} m of water a side sees from "
            f"{float(near[0]):.1f} to {float(far[0]):.1f} m; less its error and the overlap of "
            f"{overlap:.1f} m nothing is left; take a longer range"
        )
    return swath


@dataclass(frozen=True, slots=True)
class _Room:
    """What all lanes share: swath, turn radius, run-in, and where the boat may not go."""

    swath: _Swath
    radius: float
    run_in: float
    shut: BaseGeometry | None

    @property
    def turn_m(self) -> float:
        """About how much way a turn from lane to lane takes, run-out and run-in included."""
        apart = max(self.swath.spacing - 2 * self.radius, 0.0)
        return 2 * self.run_in + math.pi * self.radius + apart


def _shut(
    plane: LocalPlane,
    ground: BaseGeometry,
    closed: BaseGeometry | None,
    water: BaseGeometry | None,
    clear_m: float,
    around_m: float,
) -> BaseGeometry | None:
    """Return where the boat may not go, grown by what she keeps off, near the areas."""
    import shapely

    if closed is None and water is None:
        return None
    west, south, east, north = ground.bounds
    frame = shapely.box(west - around_m, south - around_m, east + around_m, north + around_m)
    shut: BaseGeometry = shapely.MultiPolygon()
    if closed is not None:
        shut = shapely.intersection(plane.area_to_plane(closed), frame)
    if water is not None:
        shut = shapely.union(shut, shapely.difference(frame, plane.area_to_plane(water)))
    shut = polygons_of(shapely.buffer(shut, clear_m) if clear_m else shut)
    return None if shut.is_empty else shut


def _together(ground: BaseGeometry, near_m: float) -> list[BaseGeometry]:
    """Return the areas, those that lie close to each other as one."""
    import shapely

    parts = shapely.get_parts(ground)
    groups = shapely.get_parts(shapely.union_all(shapely.buffer(parts, near_m)))
    part, group = shapely.STRtree(groups).query(parts, predicate="intersects")
    return [shapely.union_all(parts[part[group == g]]) for g in range(len(groups))]


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Lanes in one direction: ends in the plane, ground that they see, and what that costs."""

    angle_deg: float
    starts: FloatArray
    ends: FloatArray
    promised: BaseGeometry
    cost_m: float


def _best(ground: BaseGeometry, room: _Room, plane: LocalPlane, direction_deg: float) -> _Laid:
    """Return the lanes of an area, in the given direction or the one with the shortest way."""
    import shapely

    if not math.isnan(direction_deg):
        middle = ground.envelope.centroid
        lon, lat = plane.to_earth(middle.x, middle.y)
        angle = direction_deg + _north(plane, float(lon), float(lat))
        return _lay(ground, angle, room)
    edges = np.diff(shapely.get_coordinates(shapely.convex_hull(ground)), axis=0)
    length = np.hypot(*edges.T)
    long = np.argsort(-length)[:12]
    angles = np.concatenate([np.degrees(np.arctan2(*edges[long].T)), np.arange(0.0, 180.0, 10.0)])
    angles = np.unique(np.round(angles % 180.0, 3) % 180.0)
    simple = shapely.simplify(ground, 1.0)
    rings = shapely.get_parts(shapely.boundary(simple if simple.area > 0 else ground))
    guesses = np.array([_guess(rings, a, room) for a in angles])
    tried = [_lay(ground, float(a), room) for a in angles[np.argsort(guesses, kind="stable")[:3]]]
    return min(tried, key=lambda made: made.cost_m)


def _guess(rings: NDArray[np.object_], angle_deg: float, room: _Room) -> float:
    """Return about what lanes in a direction cost: their chords of the outline, and the turns."""
    import shapely

    points, ring = shapely.get_coordinates(rings, return_index=True)
    u, v = _turned(points, angle_deg).T
    lane = room.swath.positions(float(v.max() - v.min())) + v.min()
    if len(lane) == 1:
        return float(u.max() - u.min()) + room.turn_m
    edge = np.flatnonzero(np.diff(ring) == 0)
    low, high = np.minimum(v[edge], v[edge + 1]), np.maximum(v[edge], v[edge + 1])
    first, last = np.searchsorted(lane, low), np.searchsorted(lane, high)
    count = last - first
    owner = np.repeat(np.arange(len(edge)), count)
    k = first[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    e = edge[owner]
    at = u[e] + (lane[k] - v[e]) / (v[e + 1] - v[e]) * (u[e + 1] - u[e])
    order = np.lexsort((at, k))
    chords = at[order][1::2] - at[order][0::2]
    return float(chords.sum() + len(chords) * room.turn_m)


def _turned(points: FloatArray, angle_deg: float) -> FloatArray:
    """Return points as u along a direction and v to starboard of it."""
    sin, cos = math.sin(math.radians(angle_deg)), math.cos(math.radians(angle_deg))
    return np.asarray(points @ np.array([[sin, cos], [cos, -sin]]))


def _lay(ground: BaseGeometry, angle_deg: float, room: _Room) -> _Laid:
    """Return the lanes of an area in a direction of the plane."""
    import shapely

    def turned(shape: BaseGeometry) -> BaseGeometry:
        return shapely.transform(shape, lambda p: _turned(p, angle_deg))

    flat = turned(ground)  # the turn is its own inverse
    shut = None if room.shut is None else turned(room.shut)
    _, low, _, high = flat.bounds
    at = low + room.swath.positions(high - low)
    choices = [at]
    if len(at) == 1 and not at[0] > low:  # beside the area, on either side
        choices.append(np.array([low + high - at[0]]))
    best = None
    for lane in choices:
        v, first, last, promised = _serve(flat, lane, shut, room)
        left = flat.area - shapely.intersection(flat, promised).area
        # Ground left out weighs three times the way that it would take.
        cost = (last - first).sum() + len(v) * room.turn_m + 3 * left / room.swath.strip
        if best is None or cost < best.cost_m - 1e-6:
            best = _Laid(
                angle_deg,
                _turned(np.stack([first, v], axis=1), angle_deg),
                _turned(np.stack([last, v], axis=1), angle_deg),
                turned(promised),
                float(cost),
            )
    assert best is not None
    return best


def _serve(
    ground: BaseGeometry, lane: FloatArray, shut: BaseGeometry | None, room: _Room
) -> tuple[FloatArray, FloatArray, FloatArray, BaseGeometry]:
    """Return for each stretch of lane v, where it begins and ends in u, and the ground seen.

    Each strip of ground goes to the nearest lane that sees it, and what that cannot to the next.
    """
    import shapely

    swath = room.swath
    west, low, east, high = ground.bounds
    edges = np.concatenate([lane + s * d for s in (-1, 1) for d in (swath.near, swath.far)])
    edges = np.unique(np.concatenate([[low, high], edges[(edges > low) & (edges < high)]]))
    edges = edges[np.append(True, np.diff(edges) > 1e-6)]
    if len(edges) < 2:
        edges = np.array([low, high])
    middle = (edges[1:] + edges[:-1]) / 2
    away = np.abs(middle[:, None] - lane[None, :])
    away = np.where((away >= swath.near) & (away <= swath.far), away, np.inf)
    nearest = np.argsort(away, axis=1, kind="stable")
    strips = _boxes(west - 1.0, edges[:-1], east + 1.0, edges[1:])
    beyond = 2 * (swath.along + room.run_in) + 10 * room.radius
    open_ = _open_pieces(lane, west - beyond, east + beyond, shut)
    needs: list[list[tuple[float, float]]] = [[] for _ in lane]
    v, first, last = np.empty(0), np.empty(0), np.empty(0)
    promised: BaseGeometry = shapely.MultiPolygon()
    rest = ground
    for rank in range(min(4, len(lane))):
        owner = nearest[:, rank]
        known = np.isfinite(away[np.arange(len(owner)), owner])
        parts, strip = shapely.get_parts(
            shapely.intersection(rest, strips[known]), return_index=True
        )
        area = shapely.area(parts) > _ROUNDING_M2
        bounds = shapely.bounds(parts[area])
        for k, (a, _, b, _) in zip(owner[known][strip[area]], bounds, strict=True):
            needs[k].append((a, b))
        rows = [
            (lane[k], *piece)
            for k in range(len(lane))
            for piece in _stretches(needs[k], open_[k], room)
        ]
        v, first, last = np.array(rows).reshape(-1, 3).T
        start, end = first + swath.along, last - swath.along
        sides = ((-swath.far, -swath.near), (swath.near, swath.far))
        boxes = [_boxes(start, v + below, end, v + above) for below, above in sides]
        promised = shapely.union_all(np.concatenate(boxes))
        rest = polygons_of(shapely.difference(ground, promised))
        if shut is None or rest.area <= _ROUNDING_M2:
            break
    return v, first, last, promised


def _boxes(west: Any, south: Any, east: Any, north: Any) -> NDArray[np.object_]:
    import shapely

    sides: Any = np.broadcast_arrays(west, south, east, north)
    return np.asarray(shapely.box(*sides), dtype=object)


def _open_pieces(
    lane: FloatArray, west: float, east: float, shut: BaseGeometry | None
) -> list[list[tuple[float, float]]]:
    """Return the stretches of each lane's line on which the boat may be."""
    import shapely

    if shut is None:
        return [[(west, east)] for _ in lane]
    lines = shapely.linestrings([[(west, v), (east, v)] for v in lane])
    parts, owner = shapely.get_parts(shapely.difference(lines, shut), return_index=True)
    out: list[list[tuple[float, float]]] = [[] for _ in lane]
    for k, (a, _, b, _) in zip(owner, shapely.bounds(parts), strict=True):
        if b > a:
            out[k].append((a, b))
    return [sorted(pieces) for pieces in out]


def _stretches(
    needs: list[tuple[float, float]], open_: list[tuple[float, float]], room: _Room
) -> list[tuple[float, float]]:
    """Return where a lane is run so that its ground is seen, as far as the boat may."""
    if not needs:
        return []
    along = room.swath.along
    margin = room.run_in + room.radius  # before closed water the boat must be able to turn
    # Between two stretches it is as short to run on as to turn off and come back.
    join = 2 * (along + room.run_in) + 4 * room.radius
    out = []
    for west, east in open_:
        here = sorted(
            (max(a - along, west + margin), min(b + along, east - margin)) for a, b in needs
        )
        merged: list[list[float]] = []
        for a, b in here:
            if b - a <= 2 * along + 0.01:
                continue
            if merged and a - merged[-1][1] < join:
                merged[-1][1] = max(merged[-1][1], b)
            else:
                merged.append([a, b])
        out += [(a, b) for a, b in merged]
    return out


def _north(plane: LocalPlane, lon: float, lat: float) -> float:
    """Return the direction of true north in the plane at a place, degrees."""
    from athwart.geometry.geodesic import displace

    x0, y0 = plane.to_plane(lon, lat)
    x1, y1 = plane.to_plane(*displace(lon, lat, 0.0, 10.0))
    return float(np.degrees(np.arctan2(x1 - x0, y1 - y0)))


def _true(plane: LocalPlane, angle_deg: float, ground: BaseGeometry) -> float:
    middle = ground.envelope.centroid
    lon, lat = plane.to_earth(middle.x, middle.y)
    return round((angle_deg - _north(plane, float(lon), float(lat))) % 180.0, 6) % 180.0
