"""Marks and sightings for the tests and the benchmark of the map; all invented, seeded."""

from __future__ import annotations

import numpy as np

from athwart.geometry.geodesic import displace, inverse
from athwart.tables import Marks, Sightings, Track

KINDS = (
    "rock",
    "reef",
    "ledge",
    "wreck",
    "timber",
    "weed",
    "pipe",
    "bait",
    "fish",
    "hole",
    "other",
)


def scene(n=40, per_mark=3, lon0=-24.5, lat0=51.25, width_m=700.0, seed=4):
    """Return marks, sightings, tracks and near pairs about a point of open water."""
    rng = np.random.default_rng(seed)
    lon, lat = displace(
        lon0, lat0, rng.uniform(-width_m, width_m, n), rng.uniform(-width_m, width_m, n) * 0.7
    )
    sigma = rng.uniform(1.0, 6.0, (n, 2))
    rho = rng.uniform(-0.7, 0.7, n)
    first = np.datetime64("2031-05-01T06:00", "us")
    depth = rng.uniform(4, 30, n)
    height = np.where(rng.random(n) < 0.5, rng.uniform(0.4, 3, n), np.nan)
    marks = Marks.from_columns(
        {
            "mark_id": [f"{i:020x}" for i in range(n)],
            "name": [f"{KINDS[i % 11].capitalize()} {i + 1}" if i % 7 else "" for i in range(n)],
            "kind": [KINDS[i % 11] if i % 13 else "cage" for i in range(n)],
            "hazard": rng.random(n) < 0.1,
            "note": ["steep on the west side" if i % 5 == 0 else "" for i in range(n)],
            "lon": lon,
            "lat": lat,
            "depth_m": depth,
            "depth_below": ["surface"] * n,
            "var_depth_m2": np.full(n, 0.1),
            "height_m": height,
            "least_depth_m": depth - height - 0.6,
            "var_east_m2": sigma[:, 0] ** 2,
            "var_north_m2": sigma[:, 1] ** 2,
            "cov_east_north_m2": rho * sigma[:, 0] * sigma[:, 1],
            "r95_m": 2.3 * sigma.max(axis=1),
            "s44_horizontal": ["2"] * n,
            "sightings": np.full(n, per_mark),
            "trips": np.full(n, 2),
            "first_time": np.full(n, first),
            "last_time": np.full(n, first + np.timedelta64(9, "D")),
            "sighting_ids": [" ".join(f"s{i}x{j}" for j in range(per_mark)) for i in range(n)],
        }
    )
    m = n * per_mark
    owner = np.repeat(np.arange(n), per_mark)
    slon, slat = displace(lon[owner], lat[owner], rng.normal(0, 5, m), rng.normal(0, 5, m))
    alon, alat = displace(slon, slat, rng.normal(0, 25, m), rng.normal(0, 25, m))
    pick = rng.random(m) < 0.7
    alon, alat = np.where(pick, alon, np.nan), np.where(pick, alat, np.nan)
    bearing, distance = inverse(np.where(pick, alon, slon), np.where(pick, alat, slat), slon, slat)
    sightings = (
        Sightings.from_columns(
            {
                "sighting_id": [f"s{i}x{j}" for i in range(n) for j in range(per_mark)],
                "trip": [f"trip {k % 3 + 1}" for k in range(m)],
                "time": first + np.arange(m) * np.timedelta64(40, "s"),
                "name": [f"{k:03d}" for k in range(m)],
                "lon": slon,
                "lat": slat,
                "var_east_m2": rng.uniform(4, 40, m),
                "var_north_m2": rng.uniform(4, 40, m),
                "cov_east_north_m2": np.zeros(m),
                "shared_sigma_m": np.full(m, 2.5),
                "boat_sigma_m": np.full(m, 1.0),
                "method": np.where(pick, "pick", "waypoint").astype(object),
                "method_detail": np.where(pick, "echo on the bottom", "").astype(object),
                "antenna_lon": alon,
                "antenna_lat": alat,
                "bearing_deg": bearing,
                "distance_m": distance,
            }
        )
        if m
        else Sightings.empty()
    )
    t = np.linspace(0, 1, 900)
    lane = np.floor(t * 9)
    along = (t * 9 - lane) * 2 - 1
    tlon, tlat = displace(
        lon0,
        lat0,
        np.where(lane % 2 == 0, 1, -1) * along * width_m * 0.95,
        (lane / 8 - 0.5) * 1.3 * width_m + rng.normal(0, 2, 900),
    )
    tracks = Track.from_columns({"lon": tlon, "lat": tlat, "name": ["first trip"] * 900})
    near = (
        [
            (
                lon[0],
                lat[0],
                *(float(v) for v in displace(lon[0], lat[0], 22.0, 9.0)),
                "a person gave them different names on one trip",
            )
        ]
        if n
        else []
    )
    return marks, sightings, tracks, near
