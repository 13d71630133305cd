"""Merging a million sightings against a bare pair query on the same points; run by hand.

    python tests/benchmarks/merging.py [--profile] [SIGHTINGS...]

The peer is building a cKDTree of plane positions and `query_pairs` at the reach. Both are the best
of three in the same process. The full table is merged: half of the sightings carry automatic names, one in
twenty a typed one, a third a depth, one in twenty a note. Ids are made by hashing
(`athwart.identity`) inside the measured time when ``--hash`` is given.
"""

from __future__ import annotations

import gc
import resource
import sys
import time

import numpy as np
from pyproj import Geod
from scipy.spatial import cKDTree

from athwart.identity import observation_ids
from athwart.merge import merge
from athwart.tables import Sightings

TRIPS = 6
LOOKS_A_TARGET = 3.8


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
            "depth_below": np.where(np.isnan(depth), "", "surface").astype(object),
            "var_depth_m2": np.full(n, 0.2),
            "var_east_m2": (major * c) ** 2 + (minor * s) ** 2,
            "var_north_m2": (major * s) ** 2 + (minor * c) ** 2,
            "cov_east_north_m2": (major**2 - minor**2) * c * s,
            "shared_sigma_m": np.full(n, 2.5),
            "boat": np.full(n, "Tern", dtype=object),
            "boat_sigma_m": np.full(n, 1.0),
            "method": np.full(n, "waypoint", dtype=object),
            "source": np.array([f"file {k}.gpx" for k in range(TRIPS)], dtype=object)[trip],
        }
    )
    return sightings, x


def best_of(job, times: int = 3) -> float:
    """Return the shortest of some runs, seconds."""
    taken = []
    for _ in range(times):
        gc.collect()
        t = time.perf_counter()
        job()
        taken.append(time.perf_counter() - t)
    return min(taken)


def main() -> None:
    """Print a line for each size and density."""
    sizes = [int(float(a)) for a in sys.argv[1:] if not a.startswith("-")] or [100_000, 1_000_000]
    seconds: dict[tuple[int, int], tuple[float, float, float]] = {}
    for n in sizes:
        for density in (20, 400):
            s, x = plane_world(n, density, seed=1)
            columns = [s.lon, s.lat, s.time, s.name]
            if "--profile" in sys.argv:
                import cProfile
                import pstats

                with cProfile.Profile() as profile:
                    merge(s)
                pstats.Stats(profile).sort_stats("cumulative").print_stats(45)
                continue
            peer = best_of(lambda x=x: cKDTree(x).query_pairs(40.0, output_type="ndarray"))
            ours = best_of(lambda s=s: merge(s))
            ids = best_of(lambda c=columns: observation_ids("waypoint", c), 1)
            seconds[n, density] = peer, ours, ids
            print(
                f"{n:9d} sightings, {density:3d} targets/km2: peer {peer:6.3f} s, merge "
                f"{ours:6.3f} s = {ours / peer:5.2f} x; hashing the ids {ids:5.2f} s, with it "
                f"{(ours + ids) / peer:5.2f} x; top memory "
                f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB",
                flush=True,
            )
    for density in (20, 400):
        if (100_000, density) in seconds and (1_000_000, density) in seconds:
            small, large = seconds[100_000, density], seconds[1_000_000, density]
            own, peers = large[1] / small[1], large[0] / small[0]
            print(
                f"growth 1e5 to 1e6 at {density}/km2: merge {own:.1f} x, peer {peers:.1f} x, "
                f"ratio {own / peers:.2f}"
            )


if __name__ == "__main__":
    main()
