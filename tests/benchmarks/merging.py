"""Merging against a bare pair query on the same points; run by hand.

    python tests/benchmarks/merging.py [--quick | --profile [SIGHTINGS]]

The peer is a cKDTree of plane positions, built, and `query_pairs` at the reach; a second one labels the
pairs with scipy's connected components, a third is scikit-learn's DBSCAN, both with one radius for
all and no error, which is no answer but what others do in the same place. The full table is
merged: half of the sightings carry automatic names, one in twenty a typed one, a third a depth,
one in twenty a note. All in one thread, the processor's time. Growth is ours from 1e5 to 1e6 over
the peer's own.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
from pairing import PROCESSOR, Pairs, Row, alone, memory_row, paired, spent
from pyproj import Geod
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from sklearn.cluster import DBSCAN

from athwart.identity import observation_ids
from athwart.merge import merge
from athwart.tables import Sightings

TRIPS = 6
LOOKS_A_TARGET = 3.8
REACH_M = 40.0
EARTH_M = 6_371_008.8


def plane_world(n: int, density: float, seed: int) -> tuple[Sightings, np.ndarray]:
    """Return sightings in random order, and their plane positions for the peer."""
    rng = np.random.default_rng(seed)
    targets = int(n / LOOKS_A_TARGET)
    side = np.sqrt(targets / density) * 1000.0
    t = rng.uniform(0, side, (targets, 2)) - side / 2
    paired = round(targets * 0.05)
    gap, way = rng.uniform(18, 45, paired), rng.uniform(0, 2 * np.pi, paired)
    t[:paired] = t[paired : 2 * paired] + np.stack([gap * np.sin(way), gap * np.cos(way)], 1)
    target, trip = rng.integers(0, targets, n), rng.integers(0, TRIPS, n)
    major, minor = rng.uniform(2, 5, (2, n))
    theta = rng.uniform(0, np.pi, n)
    c, s = np.cos(theta), np.sin(theta)
    a, b = rng.normal(size=(2, n)) * np.stack([major, minor])
    shared = rng.normal(0, 2.5, (TRIPS, 2))
    x = t[target] + np.stack([a * c - b * s, a * s + b * c], 1) + shared[trip]
    lon, lat, _ = Geod(ellps="WGS84").fwd(
        np.full(n, -31.2),
        np.full(n, 44.4),
        np.degrees(np.arctan2(x[:, 0], x[:, 1])),
        np.hypot(x[:, 0], x[:, 1]),
    )
    moment = np.datetime64("2026-05-03T06:00", "us") + trip * np.timedelta64(3, "D")
    moment = moment + (rng.uniform(0, 5 * 3600, n) * 1e6).astype("timedelta64[us]")
    kinds = np.array(["", "rock", "wreck", "timber"], dtype=object)
    kind = kinds[rng.choice(4, targets, p=[0.4, 0.4, 0.1, 0.1])][target]
    lot = rng.random(n)
    auto = np.array([f"WP{k:03d}" for k in range(1000)], dtype=object)
    typed = np.array([f"heap {k} by the beacon" for k in range(1000)], dtype=object)
    name = np.where(lot < 0.5, auto[rng.integers(0, 1000, n)], "")
    name[lot > 0.95] = typed[target[lot > 0.95] % 1000]
    note = np.full(n, "", dtype=object)
    noted = np.flatnonzero(rng.random(n) < 0.05)
    note[noted] = [f"seen on line {k}" for k in (noted % 5000).tolist()]
    depth = np.where(rng.random(n) < 1 / 3, rng.uniform(5, 40, targets)[target], np.nan)
    sightings = Sightings.from_columns(
        {
            "sighting_id": observation_ids("waypoint", [lon, lat, moment, name]),
            "trip": np.array([f"trip {k}" for k in range(TRIPS)], dtype=object)[trip],
            "time": moment,
            "name": name,
            "kind": kind,
            "note": note,
            "lon": lon,
            "lat": lat,
            "depth_m": depth + rng.normal(0, 0.3, n),
            "depth_below": np.array(["surface", ""], dtype=object)[np.isnan(depth).astype(int)],
            "var_depth_m2": np.full(n, 0.2),
            "var_east_m2": (major * c) ** 2 + (minor * s) ** 2,
            "var_north_m2": (major * s) ** 2 + (minor * c) ** 2,
            "cov_east_north_m2": (major**2 - minor**2) * c * s,
            "shared_sigma_m": np.full(n, 2.5),
            "boat": "Tern",
            "boat_sigma_m": np.full(n, 1.0),
            "method": "waypoint",
            "source": np.array([f"file {k}.gpx" for k in range(TRIPS)], dtype=object)[trip],
        }
    )
    return sightings, x


def best_of(job, times: int = 3) -> float:
    """Return the shortest of some runs, seconds."""
    return min(spent(job, PROCESSOR) for _ in range(times))


def pairs_of(x: np.ndarray) -> np.ndarray:
    """Return what the peer finds."""
    return cKDTree(x).query_pairs(REACH_M, output_type="ndarray")


def labelled(x: np.ndarray) -> np.ndarray:
    """Return the components of the peer's pairs."""
    i, j = pairs_of(x).T
    return connected_components(coo_array((np.ones(len(i), bool), (i, j)), shape=(len(x),) * 2))[1]


def dbscan(s: Sightings, radius_m: float = 12.0) -> np.ndarray:
    """Return scikit-learn's clusters on the sphere."""
    where = np.radians(np.stack([s.lat, s.lon], axis=1))
    return DBSCAN(
        eps=radius_m / EARTH_M, min_samples=1, metric="haversine", algorithm="ball_tree"
    ).fit_predict(where)


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows."""
    found: dict[tuple[int, int], Pairs] = {}
    for n in (10_000, 100_000) if quick else (10_000, 100_000, 1_000_000):
        for density in (20, 400):
            s, x = plane_world(n, density, seed=1)
            rounds = 3 if n > 100_000 else 7
            what = f"merge {n:,}, {density} targets a square km"
            pairs = paired(lambda s=s: merge(s), lambda x=x: pairs_of(x), rounds)
            found[n, density] = pairs
            yield pairs.row(what, "tree and pairs", 6 if n > 100_000 else None)
            if n <= 100_000:
                yield paired(lambda s=s: merge(s), lambda x=x: labelled(x), 3).row(
                    what, "pairs and components"
                )
                yield paired(lambda s=s: merge(s), lambda s=s: dbscan(s), 3).row(what, "DBSCAN")
            del s, x
    last = max(n for n, _ in found)
    for density in (20, 400):
        small, large = found[last // 10, density], found[last, density]
        own, peers = (b / a for a, b in zip(small.seconds, large.seconds, strict=True))
        grown = large.ratio / small.ratio
        yield Row(
            f"merge, growth to {last:,}, {density} a square km",
            f"{own:.1f} x",
            f"tree and pairs {peers:.1f} x",
            grown,
            "at most 1.2 x",
            grown <= 1.2,
        )
    here = __file__.rpartition("/")[0]
    yield memory_row(
        f"merge {last:,}, 20 targets a square km",
        f"sys.path.insert(0, {here!r})\nfrom merging import merge, plane_world\n"
        "s, _ = plane_world(int(sys.argv[1]), 20, seed=1)",
        "merged = merge(s)",
        last,
        limit_mb=None,
    )


def profile(n: int) -> None:
    """Print where the time goes."""
    import cProfile
    import pstats

    for density in (20, 400):
        s, _ = plane_world(n, density, seed=1)
        with cProfile.Profile() as taken:
            merge(s)
        pstats.Stats(taken).sort_stats("cumulative").print_stats(45)


if __name__ == "__main__":
    if "--profile" in sys.argv:
        profile(next((int(float(a)) for a in sys.argv[1:] if not a.startswith("-")), 100_000))
    else:
        alone(measure)
