"""Sightings made ready for merging: checked, in one order, each once, laid out in planes.

The order is by place (rows of latitude from south to north, west to east within a row), then by
id, so that it depends on the set of sightings alone and neighbours stand close in memory.

A plane touches the ellipsoid at an origin; its axes are east and north there. A position's plane
coordinates are its earth-centred vector from the origin laid on those axes: a distance d metres
from the origin is short by d^3 / 6 R^2 (0.03 mm at 200 m, 4 mm at 1 km), the poles and the 180th
meridian included. Away from the origin east turns, and a covariance has to be turned with it.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.errors import BadRow, TableError
from athwart.tables import Sightings
from athwart.trips import assign_trips

__all__ = [
    "LARGEST_SIGMA_M",
    "Looks",
    "Sphere",
    "by_name",
    "canonical",
    "check",
    "factorise",
    "id_keys",
    "joined_ids",
    "looks_of",
    "order_with_ties",
    "place_key",
    "row_of",
    "run_starts",
    "stable_order",
    "trips_of_boats",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Int32Array = NDArray[np.int32]
Index = NDArray[np.int64] | NDArray[np.int32] | slice

LARGEST_SIGMA_M = 1000.0
"""A standard error beyond which a sighting says nothing about where to look, metres."""

# WGS 84: semi-major axis in metres and flattening (NIMA TR8350.2).
_A, _F = 6378137.0, 1.0 / 298.257223563
_E2 = _F * (2.0 - _F)


@dataclass(frozen=True, eq=False)
class Sphere:
    """Earth-centred positions with their east and north, one row a position."""

    xyz: tuple[FloatArray, FloatArray, FloatArray]
    sin_lon: FloatArray
    cos_lon: FloatArray
    sin_lat: FloatArray
    cos_lat: FloatArray

    @classmethod
    def at(cls, lon: FloatArray, lat: FloatArray) -> Sphere:
        """Return the points on the ellipsoid at longitudes and latitudes in degrees."""
        lam, phi = np.radians(lon), np.radians(lat)
        sl, cl, sp, cp = np.sin(lam), np.cos(lam), np.sin(phi), np.cos(phi)
        nu = _A / np.sqrt(1.0 - _E2 * sp * sp)
        return cls((nu * cp * cl, nu * cp * sl, nu * (1.0 - _E2) * sp), sl, cl, sp, cp)

    def take(self, at: Index) -> Sphere:
        """Return some of the positions."""
        x, y, z = self.xyz
        return Sphere(
            (x[at], y[at], z[at]),
            self.sin_lon[at],
            self.cos_lon[at],
            self.sin_lat[at],
            self.cos_lat[at],
        )

    def plane(
        self, i: Index, origin: Index, of: Sphere | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return east and north of positions ``i`` in the planes at ``origin``, metres.

        Origins are among these positions, or among those of another sphere.
        """
        there = of or self
        dx, dy, dz = (c[i] - o[origin] for c, o in zip(self.xyz, there.xyz, strict=True))
        sl, cl, sp = there.sin_lon[origin], there.cos_lon[origin], there.sin_lat[origin]
        return cl * dy - sl * dx, there.cos_lat[origin] * dz - sp * (cl * dx + sl * dy)

    def turn(
        self, i: Index, origin: Index, of: Sphere | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return cosine and sine of the angle from the plane's east to the east of ``i``."""
        there = of or self
        sl, cl, so, co = (
            self.sin_lon[i],
            self.cos_lon[i],
            there.sin_lon[origin],
            there.cos_lon[origin],
        )
        c = cl * co + sl * so
        s = (sl * co - cl * so) * there.sin_lat[origin]
        length = np.sqrt(c * c + s * s)
        return c / length, s / length

    def back(
        self, origin: Index, east: FloatArray, north: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return longitude and latitude, degrees, of points in the planes at ``origin``.

        Bowring's formula (Survey Review 23, 1976; from memory), exact here to a micrometre.
        """
        sl, cl = self.sin_lon[origin], self.cos_lon[origin]
        sp, cp = self.sin_lat[origin], self.cos_lat[origin]
        x = self.xyz[0][origin] - sl * east - sp * cl * north
        y = self.xyz[1][origin] + cl * east - sp * sl * north
        z = self.xyz[2][origin] + cp * north
        p = np.sqrt(x * x + y * y)
        b = _A * (1.0 - _F)
        theta = np.arctan2(z * _A, p * b)
        lat = np.arctan2(
            z + _E2 / (1.0 - _E2) * b * np.sin(theta) ** 3, p - _E2 * _A * np.cos(theta) ** 3
        )
        lon = np.degrees(np.arctan2(y, x))
        return np.where(lon >= 180.0, -180.0, lon), np.degrees(lat)


def turned(
    see: FloatArray, snn: FloatArray, sen: FloatArray, c: FloatArray, s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return covariances seen in axes from which their own are turned by the angle of c, s."""
    cc, ss, cs = c * c, s * s, c * s
    return (
        cc * see - 2 * cs * sen + ss * snn,
        ss * see + 2 * cs * sen + cc * snn,
        cs * (see - snn) + (cc - ss) * sen,
    )


@dataclass(frozen=True, eq=False)
class Looks:
    """What merging needs of each sighting, in canonical order.

    Attributes
    ----------
    sphere : Sphere
        Positions.
    see, snn, sen : numpy.ndarray
        Own covariance, east and north, square metres.
    shared, boat_sigma : numpy.ndarray
        The trip's and the boat's common error, metres per axis.
    trip, boat : numpy.ndarray of int32
        Codes. One trip has one boat.
    trip_names, boat_names : list of str
        Name of each trip code and each boat code.
    """

    sphere: Sphere
    see: FloatArray
    snn: FloatArray
    sen: FloatArray
    shared: FloatArray
    boat_sigma: FloatArray
    trip: Int32Array
    boat: Int32Array
    trip_names: list[str]
    boat_names: list[str]

    def __len__(self) -> int:
        return len(self.see)

    def take(self, i: IntArray) -> Looks:
        """Return some of the looks, trips and boats coded as they are."""
        return Looks(
            self.sphere.take(i),
            self.see[i],
            self.snn[i],
            self.sen[i],
            self.shared[i],
            self.boat_sigma[i],
            self.trip[i],
            self.boat[i],
            self.trip_names,
            self.boat_names,
        )


def check(sightings: Sightings) -> None:
    """Refuse sightings that cannot be merged.

    Raises
    ------
    TableError
        A position that is missing or out of range, a covariance that is not positive definite, a
        standard error over `LARGEST_SIGMA_M`, an empty id; every row listed.
    """
    s = sightings
    ve, vn, c = s.var_east_m2, s.var_north_m2, s.cov_east_north_m2
    with np.errstate(invalid="ignore", over="ignore"):
        placed = (np.abs(s.lon) <= 180.0) & (np.abs(s.lat) <= 90.0)
        sound = (ve > 0) & (vn > 0) & (c * c < ve * vn * (1.0 - 1e-12))
        usable = ve + vn <= LARGEST_SIGMA_M**2
        common = [
            np.isnan(v) | ((v >= 0) & (v <= LARGEST_SIGMA_M))
            for v in (s.shared_sigma_m, s.boat_sigma_m)
        ]
    named = s.sighting_id != ""
    if (placed & sound & usable & common[0] & common[1] & named).all():
        return

    def rows(mask: NDArray[np.bool_], code: str, text: str, column: str) -> list[BadRow]:
        return [
            BadRow(int(i) + 1, code, text + _where(s, int(i)), column)
            for i in np.flatnonzero(~mask)
        ]

    bad = rows(
        placed,
        "position-missing",
        "the position is missing or out of range; give a latitude from -90 to 90 and a "
        "longitude from -180 to 180",
        "lat",
    )
    bad += rows(
        sound,
        "covariance-unsound",
        "var_east_m2, var_north_m2 and cov_east_north_m2 are no covariance of a position; both "
        "variances must be more than 0 and the covariance squared less than their product",
        "var_east_m2",
    )
    bad += rows(
        usable | ~sound,
        "error-too-large",
        f"its standard error is over {LARGEST_SIGMA_M:g} m, which says nothing about where to "
        "look; leave the sighting out",
        "var_east_m2",
    )
    for mask, column in zip(common, ("shared_sigma_m", "boat_sigma_m"), strict=True):
        bad += rows(
            mask,
            f"{column.replace('_', '-')}-out-of-range",
            f"{column} must be from 0 to {LARGEST_SIGMA_M:g} m",
            column,
        )
    bad += rows(named, "sighting-id-missing", "there is no sighting_id", "sighting_id")
    raise TableError(s.title, sorted(bad, key=lambda r: r.row))


def _where(s: Sightings, i: int) -> str:
    return f" ({s.source[i]}, row {s.source_row[i]})" if s.source[i] else ""


def id_keys(ids: NDArray[np.object_]) -> tuple[NDArray[np.uint64], ...]:
    """Return numbers that sort and compare as the ids do (most significant first)."""
    listed = ids.tolist()
    joined = "\n".join(listed) + "\n"
    if len(joined) == 21 * len(ids) and joined.isascii() and joined == joined.lower():
        ends = np.frombuffer(joined.encode(), dtype=np.uint8).reshape(-1, 21)[:, 20]
        try:
            raw = np.frombuffer(bytes.fromhex(joined), dtype=np.uint8)
        except ValueError:
            raw = np.empty(0, dtype=np.uint8)
        # A blank is passed over, so with one in an id there would be fewer bytes.
        if raw.size == 10 * len(ids) and (ends == ord("\n")).all():
            raw = raw.reshape(-1, 10)
            lead = np.ascontiguousarray(raw[:, :8]).view(">u8").ravel().astype(np.uint64)
            return lead, np.ascontiguousarray(raw[:, 8:]).view(">u2").ravel().astype(np.uint64)
    _, code = np.unique(ids.astype(str), return_inverse=True)
    return (code.astype(np.uint64),)


def joined_ids(keys: tuple[NDArray[np.uint64], ...]) -> str:
    """Return the ids of which `id_keys` made numbers, 20 digits and a blank each; ``""`` if they are others.

    Quicker than the texts themselves, which lie all over the memory.
    """
    if len(keys) < 2:
        return ""
    raw = np.empty((len(keys[0]), 10), dtype=np.uint8)
    raw[:, :8] = keys[0].astype(">u8").view(np.uint8).reshape(-1, 8)
    raw[:, 8:] = keys[1].astype(">u2").view(np.uint8).reshape(-1, 2)
    return raw.tobytes().hex(" ", 10)


def canonical(sightings: Sightings) -> tuple[Sightings, tuple[NDArray[np.uint64], ...], int]:
    """Put sightings in the order of their place, each observation once.

    Returns
    -------
    sightings : Sightings
        Without repeats. What repeats of one id say differently (a note, a kind, a trip) is joined
        or chosen in a way that their order does not change.
    keys : tuple of numpy.ndarray
        Numbers that sort as the ids do.
    dropped : int
        How many repeats there were.

    Raises
    ------
    TableError
        One id with two positions or two errors.
    """
    keys = id_keys(sightings.sighting_id)
    dropped = 0
    lead = np.sort(keys[0])
    if len(lead) and (lead[1:] == lead[:-1]).any():
        before = len(sightings)
        sightings = _once(sightings, keys)
        dropped = before - len(sightings)
        if dropped:
            keys = id_keys(sightings.sighting_id)
    order = order_with_ties(place_key(sightings.lon, sightings.lat), (sightings.lat, *keys))
    return sightings.take(order), tuple(k[order] for k in keys), dropped


def row_of(lat: FloatArray) -> IntArray:
    """Return the row of 0.01 degree that latitudes lie in, the first at the South Pole."""
    return np.floor((lat + 90.0) * 100.0).astype(np.int64)


def place_key(lon: FloatArray, lat: FloatArray) -> IntArray:
    """Return numbers that rise in the canonical order of places."""
    # 180 and -180 are one meridian.
    column = np.rint((lon + 180.0) * 1e7).astype(np.int64) % 3_600_000_000
    return (row_of(lat) << 32) | column


def order_with_ties(first: IntArray, ties: tuple[NDArray[Any], ...]) -> IntArray:
    """Return the order of a key, equal ones by the others in turn.

    The same as a sort by all keys, of which only the few rows that are tied pay for the others.
    """
    order = np.argsort(first)
    same = first[order][1:] == first[order][:-1]
    if same.any():
        tied = np.zeros(len(order), dtype=bool)
        tied[1:] |= same
        tied[:-1] |= same
        where = np.flatnonzero(tied)
        rows = order[where]
        order[where] = rows[np.lexsort((*(k[rows] for k in reversed(ties)), first[rows]))]
    return order


def stable_order(key: IntArray) -> IntArray:
    """Return the order of keys from 0, equal ones as they stand.

    Where the number has room for the place too, the faster sort of different keys does it.
    """
    n = len(key)
    if n and int(key.max()) < np.iinfo(np.int64).max // n - 1:
        return np.argsort(key * n + np.arange(n))
    return np.argsort(key, kind="stable")


def run_starts(*columns: NDArray[Any]) -> NDArray[np.bool_]:
    """Say of rows that stand in order which ones differ from the row before in any column."""
    starts = np.ones(len(columns[0]), dtype=bool)
    starts[1:] = False
    for column in columns:
        starts[1:] |= column[1:] != column[:-1]
    return starts


def _once(s: Sightings, keys: tuple[NDArray[np.uint64], ...]) -> Sightings:
    order = np.lexsort(keys[::-1])
    first = run_starts(*(k[order] for k in keys))
    if first.all():
        return s
    group = np.cumsum(first) - 1
    repeated = np.flatnonzero(np.bincount(group)[group] > 1)
    rows, of = order[repeated], group[repeated]
    _refuse_contradictions(s, rows, of)

    # Among repeats the order is that of their own words, so it does not depend on the files' order.
    words = [s.source_row[rows], *(_codes(getattr(s, c)[rows]) for c in _WORDS[::-1])]
    rank = np.lexsort((*words, of))
    rows, of = rows[rank], of[rank]
    start = np.flatnonzero(run_starts(of))
    keep = rows[start]
    changed: dict[str, NDArray[np.object_]] = {}
    for column in ("trip", "kind", "boat", "name", "note", "depth_below", "links", "source"):
        values = getattr(s, column)
        full = np.flatnonzero(values[rows] != "")
        if not full.size:
            continue
        best = values.copy()
        lead = run_starts(of[full])
        head = full[lead]
        at = np.searchsorted(of[start], of[head])
        best[keep[at]] = values[rows[head]]
        if column in ("note", "links"):
            _join_distinct(best, values, rows[full], keep[np.searchsorted(of[start], of[full])])
        changed[column] = best
    hazard = s.hazard.copy()
    hazard[keep] = np.logical_or.reduceat(s.hazard[rows], start)
    numbers: dict[str, FloatArray] = {}
    for column in ("depth_m", "var_depth_m2", "height_m", "var_height_m2"):
        values = getattr(s, column).copy()
        values[keep] = np.fmax.reduceat(values[rows], start)
        numbers[column] = values
    s = s.with_columns(hazard=hazard, **changed, **numbers)
    single = np.ones(len(s), dtype=bool)
    single[rows] = False
    single[keep] = True
    return s.take(np.flatnonzero(single))


_WORDS = ("trip", "kind", "boat", "name", "note", "depth_below", "links", "source")


def _codes(values: NDArray[np.object_]) -> IntArray:
    return np.unique(values.astype(str), return_inverse=True)[1]


def _join_distinct(
    best: NDArray[np.object_], values: NDArray[np.object_], rows: IntArray, to: IntArray
) -> None:
    texts: dict[int, dict[str, None]] = {}
    for text, target in zip(values[rows].tolist(), to.tolist(), strict=True):
        texts.setdefault(target, {}).update(dict.fromkeys(text.split("\n")))
    for target, lines in texts.items():
        if len(lines) > 1:
            best[target] = "\n".join(sorted(lines))


def _refuse_contradictions(s: Sightings, rows: IntArray, of: IntArray) -> None:
    start = np.flatnonzero(run_starts(of))
    head = np.repeat(rows[start], np.diff(np.append(start, len(rows))))

    def far(a: FloatArray, limit: FloatArray | float) -> NDArray[np.bool_]:
        with np.errstate(invalid="ignore"):
            differs = np.abs(a[rows] - a[head]) > limit
        return np.asarray(differs | (np.isnan(a[rows]) != np.isnan(a[head])))

    # A file may round a position to 1e-7 degree and a variance to a few digits.
    turn = np.abs((s.lon[rows] - s.lon[head] + 180.0) % 360.0 - 180.0)
    moved = (turn * np.cos(np.radians(s.lat[rows])) > 2.1e-7) | far(s.lat, 2.1e-7)
    scale = 1e-3 * (s.var_east_m2 + s.var_north_m2)[head] + 1e-4
    errors = far(s.var_east_m2, scale) | far(s.var_north_m2, scale)
    errors |= far(s.cov_east_north_m2, scale)
    errors |= far(np.nan_to_num(s.shared_sigma_m), 1e-2) | far(np.nan_to_num(s.boat_sigma_m), 1e-2)
    bad = np.flatnonzero(moved | errors)
    if bad.size:
        raise TableError(
            s.title,
            [
                BadRow(
                    int(rows[k]) + 1,
                    "sighting-contradicts",
                    f"sighting {s.sighting_id[rows[k]]}{_where(s, int(rows[k]))} stands twice with "
                    f"different {'positions' if moved[k] else 'errors'}, first in row "
                    f"{int(head[k]) + 1}{_where(s, int(head[k]))}; leave one of them out",
                    "sighting_id",
                )
                for k in bad.tolist()
            ],
        )


def factorise(values: NDArray[np.object_]) -> tuple[list[str], Int32Array]:
    """Return the distinct texts, as they first come, and the code of each row."""
    listed = values.tolist()
    few = listed[:64]
    if few and few.count(few[0]) == len(few) and listed.count(few[0]) == len(listed):
        return [listed[0]], np.zeros(len(listed), dtype=np.int32)
    code: defaultdict[str, int] = defaultdict(count().__next__)
    codes = np.fromiter(map(code.__getitem__, listed), dtype=np.int32, count=len(listed))
    return list(code), codes


def looks_of(sightings: Sightings) -> Looks:
    """Return what merging needs of sightings that are checked and in canonical order."""
    s = sightings
    trip_text = assign_trips(s.time, s.trip, s.sighting_id)
    names, trip = by_name(*factorise(trip_text))
    boats, boat = factorise(s.boat)
    names, trip, boats, boat = trips_of_boats(names, trip, boats, boat)
    return Looks(
        Sphere.at(s.lon, s.lat),
        s.var_east_m2,
        s.var_north_m2,
        s.cov_east_north_m2,
        np.nan_to_num(s.shared_sigma_m),
        np.nan_to_num(s.boat_sigma_m),
        trip,
        boat,
        names,
        boats,
    )


def by_name(names: list[str], code: Int32Array) -> tuple[list[str], Int32Array]:
    """Return codes of trips in the order of their names.

    So the looks of a mark are summed in the same order, to the same bits, whatever other looks
    there are. Undated looks that are a trip each come last, in the order in which they stood.
    """
    listed = range(len(names))
    undated = [name.startswith("undated ") for name in names]
    order = sorted((k for k in listed if not undated[k]), key=names.__getitem__)
    order += [k for k in listed if undated[k]]
    rank = np.empty(max(len(names), 1), dtype=np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    return [names[k] for k in order], rank[code]


def trips_of_boats(
    names: list[str], trip: Int32Array, boats: list[str], boat: Int32Array
) -> tuple[list[str], Int32Array, list[str], Int32Array]:
    """Return trips and boats coded so that one trip has one boat.

    A row without a boat is of the trip's boat; one trip name used by two boats is two trips.
    """
    if len(boats) < 2 or not len(trip):
        return names, trip, boats, boat
    order = sorted(range(len(boats)), key=boats.__getitem__)
    rank = np.empty(len(boats), dtype=np.int32)
    rank[order] = np.arange(len(boats))
    boat = rank[boat]
    boats = [boats[k] for k in order]
    if "" in boats:
        of_trip = np.zeros(len(names), dtype=np.int32)
        np.maximum.at(of_trip, trip, boat)
        boat = np.where(boat == 0, of_trip[trip], boat)
    pair, code = np.unique(boat.astype(np.int64) * len(names) + trip, return_inverse=True)
    return [names[p] for p in (pair % len(names)).tolist()], code.astype(np.int32), boats, boat
