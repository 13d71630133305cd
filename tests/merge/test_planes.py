"""Marks do not depend on the plane in which they are reckoned, nor on what else is merged."""

import numpy as np
import pytest
from pyproj import Geod

from athwart.merge import merge
from athwart.tables import Sightings

GEOD = Geod(ellps="WGS84")


def water(seed, lon, lat, things=6, looks=4):
    """Things 400 m apart about a place; a boat's looks state her common error or none (mixed)."""
    rng = np.random.default_rng(seed)
    n = things * looks
    thing = np.repeat(np.arange(things), looks)
    sigma = rng.choice([0.8, 2.0], n)
    x = (thing % 3 - 1) * 400.0 + rng.normal(size=n) * 2.5 * sigma
    y = (thing // 3 - 1) * 400.0 + rng.normal(size=n) * 2.5 * sigma
    east, north, _ = GEOD.fwd(
        np.full(n, lon), np.full(n, lat), np.degrees(np.arctan2(x, y)), np.hypot(x, y)
    )
    trip = rng.integers(0, 5, n)
    return Sightings.from_columns(
        {
            "sighting_id": np.array([f"{k:020x}" for k in range(n)], dtype=object),
            "trip": np.array([f"trip {t}" for t in trip], dtype=object),
            "lon": east, "lat": north,
            "var_east_m2": sigma**2,
            "var_north_m2": sigma**2 * rng.uniform(0.5, 1.5, n),
            "cov_east_north_m2": 0.1 * sigma**2,
            "shared_sigma_m": rng.choice([0.0, 2.5], n),
            "boat": np.where(trip % 2, "Tern", "Skua").astype(object),
            "boat_sigma_m": rng.choice([0.0, 1.0], n),
            "method": np.full(n, "pick", dtype=object),
        }
    ), thing  # fmt: skip


def groups(marks):
    return {frozenset(ids.split()) for ids in marks.sighting_ids}


@pytest.mark.parametrize("place", [(12.0, 54.0), (180.0, -16.0), (11.0, 89.9998), (-170.0, -89.99)])
def test_a_thing_merged_alone_is_the_mark_that_it_is_among_others(place):
    for seed in range(40):
        sightings, thing = water(seed, *place)
        together = groups(merge(sightings).marks)
        for k in np.unique(thing):
            assert groups(merge(sightings.take(thing == k)).marks) <= together
