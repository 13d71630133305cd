"""Random waters for books: a few dozen sightings, near enough to fold, in batches."""

from __future__ import annotations

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st
from shelf import DAY, PLACE, at

from athwart.tables import Sightings

PLACES = {
    "plain": PLACE,
    "180th": (179.9999, -16.6),
    "north pole": (11.0, 89.9998),
    "south pole": (-170.0, -89.9997),
}
KINDS = ("", "", "rock", "reef", "wreck")
NAMES = ("", "", "Anvil", "Pram", "0815")


def water(
    seed: int, n: int, *, place=PLACE, spread_m=120.0, most_in_a_trip=5, clear=False
) -> Sightings:
    """Return n sightings of things that lie close, of trips too small to be weighed.

    Trips are given, undated, or runs of time, among them runs that only a later sighting joins;
    some sightings have no boat, a few were saved aboard and have large errors. In clear water no
    name and no kind bars a fold, nothing was saved aboard, things lie 400 m apart
    no error is beyond one sigma and none is shared, so that no fold is a close call.
    """
    rng = np.random.default_rng(seed)
    things = rng.uniform(-spread_m, spread_m, (max(2, n // 3), 2))
    if clear:
        k = np.arange(len(things))
        things = np.stack([k % 4 - 1, k // 4 - 1], axis=1) * 400.0 + rng.uniform(
            -40, 40, (len(k), 2)
        )
    thing = rng.integers(0, len(things), n)
    noise = rng.normal(size=(n, 2))
    if clear:
        noise = np.clip(noise, -1.0, 1.0)
    sigma = rng.choice([0.8, 2.0, 5.0, 19.8], n, p=[0.3, 0.4, 0.25, 0.05])
    if clear:
        sigma = np.minimum(sigma, 2.0)
    place_e, place_n = (things[thing] + noise * np.minimum(sigma, 6)[:, None]).T
    lon, lat = at(place_e, place_n, place)
    trip = np.empty(n, dtype=object)
    # Runs of time: sightings 4 hours apart in a row are one run, however they come in.
    run = rng.integers(0, max(2, n // 3), n)
    time = DAY + (run * 36 + rng.integers(0, 3, n) * 5) * np.timedelta64(60, "m")
    time = time + rng.integers(0, 3600, n).astype("timedelta64[s]")
    for k in range(n):
        what = rng.integers(0, 4)
        trip[k] = f"trip {rng.integers(0, n)}" if what == 0 else ""
        if what == 1:
            time[k] = np.datetime64("NaT")
    for name in set(trip.tolist()) - {""}:
        for k in np.flatnonzero(trip == name)[most_in_a_trip:]:
            trip[k] = f"{name} bis"
    boat = rng.choice(np.array(["", "Tern", "Skua"], dtype=object), n)
    shared = np.where(sigma > 10, 2.5, rng.choice([0.0, 2.5], n))
    if clear:
        boat[:], shared[:] = "", 0.0
    names, kinds = ("",) if clear else NAMES, ("",) if clear else KINDS
    ids = np.empty(n, dtype=object)
    ids[:] = [f"{v:020x}" for v in rng.integers(0, 2**62, n)]
    return Sightings.from_columns(
        {
            "sighting_id": ids, "trip": trip, "time": time, "lon": lon, "lat": lat,
            "name": rng.choice(np.array(names, dtype=object), n),
            "kind": rng.choice(np.array(kinds, dtype=object), n),
            "note": np.array([f"note {k}" if k % 3 == 0 else "" for k in range(n)], dtype=object),
            "hazard": rng.random(n) < 0.1,
            "var_east_m2": sigma**2, "var_north_m2": sigma**2 * rng.uniform(0.5, 1.5, n),
            "cov_east_north_m2": 0.1 * sigma**2,
            "shared_sigma_m": shared,
            "boat": boat, "boat_sigma_m": np.where(boat == "", 0.0, 1.0),
            "source": np.array([f"file {k % 3}" for k in range(n)], dtype=object),
            "method": np.where(sigma > 10, "waypoint", "pick").astype(object),
        }
    )  # fmt: skip


def batches(seed: int, n: int, parts: int) -> list[np.ndarray]:
    """Return the rows of each of some batches, in random order."""
    rng = np.random.default_rng(seed + 1)
    order = rng.permutation(n)
    cuts = np.sort(rng.integers(0, n + 1, parts - 1)) if parts > 1 else []
    return [b for b in np.split(order, cuts) if len(b)]


seeds = st.integers(0, 2**31 - 1)
MANY = 1
"""How many times as many examples; ``run_long.py`` sets it."""


def examples(count: int, **more) -> settings:
    """Return hypothesis settings with so many examples, more of them in a long run."""
    return settings(max_examples=count * MANY, deadline=None, **more)
