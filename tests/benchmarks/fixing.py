"""Fixing picks against one bare ``pyproj.Geod.fwd`` over as many; run by hand.

    python tests/benchmarks/fixing.py [--quick]

The processor's time; both sides work in one thread.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pairing import Row, alone, paired
from pyproj import Geod

from athwart.fix import fix
from athwart.tables import Picks
from athwart.uncertainty.ellipse import r95


def make_picks(n: int) -> Picks:
    """Return picks all over the Earth, both sides, slopes to 10 degrees, r/h from 1.02 to 20."""
    rng = np.random.default_rng(20260301)
    h = rng.uniform(2, 40, n)
    return Picks.from_columns(
        {
            "lon": rng.uniform(-180, 180, n),
            "lat": rng.uniform(-80, 80, n),
            "heading_deg": rng.uniform(0, 360, n),
            "speed_mps": 2.0,
            "side": np.where(rng.random(n) < 0.5, "port", "starboard").astype(object),
            "slant_range_m": h * rng.uniform(1.02, 20, n),
            "depth_m": h,
            "depth_below": "transducer",
            "bottom_slope_deg": rng.uniform(-10, 10, n),
        }
    )


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows."""
    n = 100_000 if quick else 1_000_000
    picks, geod = make_picks(n), Geod(ellps="WGS84")

    def bare() -> object:
        return geod.fwd(picks.lon, picks.lat, picks.heading_deg, picks.slant_range_m)

    def arrays() -> object:
        return r95(*fix(picks, with_ids=False).sightings.total_covariance())

    def frame() -> object:
        return fix(picks).sightings.to_frame()

    rounds = 5 if quick else 7
    yield paired(arrays, bare, rounds).row(
        f"fix {n:,} picks: arrays, covariance, R95", "Geod.fwd", 4
    )
    yield paired(frame, bare, rounds).row(f"fix {n:,} picks: GeoDataFrame with ids", "Geod.fwd", 10)


if __name__ == "__main__":
    alone(measure)
