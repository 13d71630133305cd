"""Time fixing a million picks against one bare ``pyproj.Geod.fwd`` over the same million.

Run by hand: ``python tests/benchmarks/fixing.py [ROWS]``. Prints medians of paired runs.
"""

import platform
import statistics
import sys
import time

import numpy as np
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


def main() -> None:
    """Print the table."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    picks, geod = make_picks(n), Geod(ellps="WGS84")
    arrays, frames = [], []
    for run in range(6):
        start = time.perf_counter()
        geod.fwd(picks.lon, picks.lat, picks.heading_deg, picks.slant_range_m)
        bare = time.perf_counter() - start
        start = time.perf_counter()
        r95(*fix(picks, with_ids=False).sightings.total_covariance())
        first = time.perf_counter() - start
        start = time.perf_counter()
        fix(picks).sightings.to_frame()
        second = time.perf_counter() - start
        if run:  # the first warms up
            arrays.append(first / bare)
            frames.append(second / bare)
    print(f"{platform.machine()}, Python {platform.python_version()}, {n} picks")
    for name, ratios in (("arrays, covariance, R95", arrays), ("GeoDataFrame with ids", frames)):
        print(f"{name:26} {statistics.median(ratios):6.2f} x bare Geod.fwd {sorted(ratios)}")


if __name__ == "__main__":
    main()
