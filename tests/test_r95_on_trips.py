"""The claimed R95 on simulated trips, drawn here without the package's own geometry."""

import numpy as np
import pytest

from athwart.boat import Boat
from athwart.fix import fix
from athwart.geometry.geodesic import displace, inverse
from athwart.tables import Picks
from athwart.uncertainty.budget import ErrorBudget
from athwart.uncertainty.ellipse import r95


@pytest.mark.parametrize("seed", [1, 2])
def test_r95_holds_95_percent_of_truths(seed):
    """400 trips of 40 looks; the true errors are those of the budget, the shared ones shared."""
    rng, b = np.random.default_rng(seed), ErrorBudget()
    trips, looks, boats = 400, 40, 80
    n = trips * looks
    trip = np.repeat(np.arange(trips), looks)
    heading, speed = rng.uniform(0, 360, n), rng.uniform(0.5, 3, n)
    h, side = rng.uniform(3, 25, n), rng.choice([-1, 1], n)
    y = h * rng.uniform(1.0, 8, n)  # true ground range, flat or gently sloping bottom
    slope = rng.normal(0, b.slope_deg, n)
    r = np.hypot(y, h + y * np.tan(np.radians(slope)))
    lon, lat = rng.uniform(-180, 180, n), rng.uniform(-75, 75, n)
    a = np.radians(heading)
    forward = (b.along_track_m + b.latency_s * speed) * rng.normal(size=n)
    true_e = forward * np.sin(a) + side * y * np.cos(a)
    true_n = forward * np.cos(a) - side * y * np.sin(a)
    truth = displace(lon, lat, true_e, true_n)

    shared = b.gnss_shared_m * rng.normal(size=(2, trips))[:, trip]
    common = b.boat_m * rng.normal(size=(2, boats))[:, trip % boats]
    own = b.gnss_own_m * rng.normal(size=(2, n))
    seen = displace(lon, lat, *(shared + common + own))
    scale = 1 + 0.002 * rng.normal(size=n)
    r_read = r * scale + np.maximum(b.range_m, b.range_part * r) * rng.normal(size=n)
    h_read = h * scale + (b.depth_m + b.depth_part * h) * rng.normal(size=n)
    table = Picks.from_columns(
        {
            "lon": seen[0],
            "lat": seen[1],
            "heading_deg": (heading + b.heading_deg * rng.normal(size=n)) % 360,
            "speed_mps": speed,
            "side": np.where(side < 0, "port", "starboard").astype(object),
            "slant_range_m": r_read,
            "depth_m": h_read,
            "depth_below": "transducer",
        }
    )
    fixed = fix(table, boat=Boat(water_sound_mps=1500.0), skip_bad=True)
    s = fixed.sightings
    assert len(s) > 0.99 * n
    rows = fixed.rows
    _, off = inverse(s.lon, s.lat, truth[0][rows], truth[1][rows])
    held = float(np.mean(off <= r95(*s.total_covariance())))
    assert 0.93 <= held <= 0.97, held
