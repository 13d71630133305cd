"""Invented waters with known truth: targets, trips, sightings, and an oracle that bounds a merge.

Nothing here imports ``athwart.merge``. Positions are laid out with pyproj alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

from athwart.tables import Sightings

GEOD = Geod(ellps="WGS84")
SHARED_M = 2.5
ERRORS = {"2-5": (2.0, 5.0), "1-12": (1.0, 12.0)}


@dataclass(frozen=True)
class World:
    """Sightings, the target of each, where the targets are, and each trip's true error."""

    sightings: Sightings
    target: NDArray[np.int64]
    target_lon: NDArray[np.float64]
    target_lat: NDArray[np.float64]
    east: NDArray[np.float64]
    north: NDArray[np.float64]
    target_east: NDArray[np.float64]
    target_north: NDArray[np.float64]
    trip_error: NDArray[np.float64]


def _move(lon, lat, east, north):
    lon, lat, east, north = np.broadcast_arrays(lon, lat, east, north)
    out_lon, out_lat, _ = GEOD.fwd(
        lon, lat, np.degrees(np.arctan2(east, north)), np.hypot(east, north)
    )
    return (np.asarray(out_lon) + 180.0) % 360.0 - 180.0, np.asarray(out_lat)


def make_world(
    seed: int,
    *,
    density: float = 20.0,
    targets: int = 400,
    errors: tuple[float, float] = (2.0, 5.0),
    trips: int | None = None,
    shared: float = SHARED_M,
    boat: float = 0.0,
    origin: tuple[float, float] = (-31.2, 44.4),
    shift: tuple[int, float, float] | None = None,
    seen: float = 0.7,
    twice: float = 0.2,
) -> World:
    """Invent targets at a density a square km, a tenth of them in pairs 18 to 45 m apart.

    Three to six trips each see a target with probability ``seen``, and a fifth of those twice.
    Own errors are ellipses of any direction with axes uniform in ``errors`` (1 sigma); each trip
    has one error of ``shared`` metres per axis, all trips one of ``boat``. ``shift`` moves one
    trip: its number, metres east, metres north.
    """
    rng = np.random.default_rng(seed)
    n_trips = int(rng.integers(3, 7)) if trips is None else trips
    side = np.sqrt(targets / density) * 1000.0
    paired = round(targets * 0.05)
    t_east, t_north = rng.uniform(0, side, (2, targets)) - side / 2
    gap, way = rng.uniform(18, 45, paired), rng.uniform(0, 2 * np.pi, paired)
    t_east[:paired] = t_east[paired : 2 * paired] + gap * np.sin(way)
    t_north[:paired] = t_north[paired : 2 * paired] + gap * np.cos(way)

    looks = (rng.random((targets, n_trips)) < seen) * (1 + (rng.random((targets, n_trips)) < twice))
    pair_index = np.repeat(np.arange(targets * n_trips), looks.ravel())
    target, trip = np.divmod(pair_index, n_trips)
    n = len(target)
    major, minor = rng.uniform(*errors, (2, n))
    theta = rng.uniform(0, np.pi, n)
    c, s = np.cos(theta), np.sin(theta)
    var_e = (major * c) ** 2 + (minor * s) ** 2
    var_n = (major * s) ** 2 + (minor * c) ** 2
    cov = (major**2 - minor**2) * c * s
    a, b = rng.normal(size=(2, n)) * np.stack([major, minor])
    trip_error = rng.normal(0, shared, (n_trips, 2)) + rng.normal(0, boat, 2)
    if shift is not None:
        trip_error[shift[0]] += shift[1:]
    err_e = a * c - b * s + trip_error[trip, 0]
    err_n = a * s + b * c + trip_error[trip, 1]

    t_lon, t_lat = _move(*origin, t_east, t_north)
    lon, lat = _move(t_lon[target], t_lat[target], err_e, err_n)
    start = np.datetime64("2026-05-03T06:00", "us") + trip * np.timedelta64(3, "D")
    seconds = (rng.uniform(0, 5 * 3600, n) * 1e6).astype("timedelta64[us]")
    ids = np.empty(n, dtype=object)
    ids[:] = [f"{v:020x}" for v in rng.permutation(n)]
    names = np.array([f"trip {i}" for i in range(n_trips)], dtype=object)
    sightings = Sightings.from_columns(
        {
            "sighting_id": ids,
            "trip": names[trip],
            "time": start + seconds,
            "lon": lon,
            "lat": lat,
            "var_east_m2": var_e,
            "var_north_m2": var_n,
            "cov_east_north_m2": cov,
            "shared_sigma_m": shared,
            "boat": "Tern",
            "boat_sigma_m": boat,
            "method": "pick",
        }
    )
    return World(
        sightings,
        target,
        t_lon,
        t_lat,
        t_east[target] + err_e,
        t_north[target] + err_n,
        t_east,
        t_north,
        trip_error,
    )


def pairwise_f1(found: NDArray[np.int64], truth: NDArray[np.int64]) -> float:
    """F1 of the pairs of sightings that stand together, against those that belong together."""

    def pairs(*labels: NDArray[np.int64]) -> float:
        _, counts = np.unique(np.stack(labels), axis=1, return_counts=True)
        return float((counts * (counts - 1) / 2).sum())

    return 2 * pairs(found, truth) / (pairs(found) + pairs(truth))


def oracle(world: World) -> NDArray[np.int64]:
    """Give each sighting to the nearest true position."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.stack([world.target_east, world.target_north], axis=1))
    return np.asarray(tree.query(np.stack([world.east, world.north], axis=1))[1])


def best_fixed_radius(
    world: World, methods: tuple[str, ...] = ("single", "average", "complete")
) -> tuple[float, float]:
    """Return the best F1 of any one merging radius, chosen with hindsight, and that radius.

    Joins by nearest (``single``), ``average`` or farthest (``complete``) members at every radius
    from 3 to 80 m.
    """
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import pdist

    distances = pdist(np.stack([world.east, world.north], axis=1))
    trees = [linkage(distances, method) for method in methods]
    return max(
        (pairwise_f1(fcluster(tree, radius, "distance"), world.target), float(radius))
        for tree in trees
        for radius in np.arange(3.0, 80.5, 1.0)
    )
