"""Picking on made frames as a person would: the truth's pixels, missed by a little."""

from dataclasses import dataclass, replace

import numpy as np
import simulated

from athwart.boat import Boat
from athwart.fix import fix
from athwart.frame.bottom import track_bottom
from athwart.frame.layout import Layout
from athwart.frame.picks import altitudes, to_picks
from athwart.frame.pixels import points
from athwart.frame.shadow_drag import found_shadows, shadows
from athwart.frame.uneven import uneven_part
from athwart.frame.when import Moment
from athwart.geometry.geodesic import inverse
from athwart.tables import Track
from athwart.uncertainty.ellipse import r95

CLICK_PX = 2.0

# Of the budget's faults the made boat has no late clock, no crooked lever and no fault of her own
# that returns on every trip; her water is known.
NOT_SIMULATED = {"boat_m": 0.0, "latency_s": 0.0, "lever_m": 0.0}


@dataclass
class Looked:
    """Fixed picks of one frame, a row a target."""

    east_m: np.ndarray
    north_m: np.ndarray
    r95_m: np.ndarray
    height_m: np.ndarray
    height_sigma_m: np.ndarray
    true_height_m: np.ndarray
    true_part: np.ndarray  # start over end of the shadow
    true_depth_m: np.ndarray
    altitude_m: np.ndarray
    shadow_px: np.ndarray
    found: np.ndarray
    uneven: np.ndarray
    shared_m: tuple

    @property
    def error_m(self):
        return np.hypot(self.east_m, self.north_m)


def boat_of(frame):
    boat = Boat(
        lever_forward_m=frame.lever["forward_m"],
        lever_starboard_m=frame.lever["starboard_m"],
        transducer_depth_m=frame.options.transducer_depth_m,
        water_sound_mps=frame.sound["true_mps"],
    )
    return replace(boat, budget=replace(boat.budget, **NOT_SIMULATED))


def bottom_of(frame, layout):
    if layout.axis == "ground":
        return None  # such a frame shows no water; the track tells the depth
    return track_bottom(layout.sides(frame.straight))


def look(
    frame,
    bottom,
    *,
    layout=None,
    click_px=CLICK_PX,
    seed=0,
    true_track=False,
    seek=True,
    skip_bad=False,
):
    """Pick every target of a frame and fix it; the slope is not told.

    With `seek` the ends of shadows are found in the picture, else they are as they were drawn. With
    `skip_bad` things that cannot be placed (a pixel nearer than the bottom) are left out.
    """
    layout = layout or Layout.from_toml(frame.layout_toml)
    rng = np.random.default_rng(seed)
    boat = boat_of(frame)
    true = frame.targets
    xy = np.array([[t["x"], t["y"]] for t in true])
    xy = xy + rng.normal(0, click_px, xy.shape)
    ends = np.array([
        [[t["shadow_x0"], t["shadow_y0"]], [t["shadow_x1"], t["shadow_y1"]]] for t in true
    ])  # fmt: skip
    span = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    ends = ends + rng.normal(0, click_px, ends.shape)
    seen = np.array([t["shadow_seen"] for t in true]) & (span >= 8)
    ends[~seen] = np.nan
    track = Track.from_columns(dict(frame.true_track if true_track else frame.track))
    where = points(layout, bottom, xy, click_px=CLICK_PX)
    moment = Moment(time=frame.newest_time, sigma_s=0.0, source="typed")
    shadow, uneven = shadows(layout, ends, click_px=CLICK_PX), np.zeros(len(true))
    if seek:
        water = altitudes(where, moment, track=track, boat=boat)
        sides = layout.sides(frame.straight)
        shadow = found_shadows(layout, sides, ends, water, click_px=CLICK_PX)
        uneven = uneven_part(sides, where.line, water, ground_axis=layout.axis == "ground")
    picks = to_picks(where, moment, track=track, boat=boat, shadow=shadow, uneven=uneven)
    done = fix(picks, track=track, boat=boat, method="picture", skip_bad=skip_bad)
    true = [true[k] for k in done.rows]
    s = done.sightings
    bearing, distance = inverse(
        np.array([t["lon"] for t in true]), np.array([t["lat"] for t in true]), s.lon, s.lat
    )
    angle = np.radians(bearing)
    return Looked(
        east_m=distance * np.sin(angle),
        north_m=distance * np.cos(angle),
        r95_m=r95(*s.total_covariance()),
        height_m=s.height_m,
        height_sigma_m=np.sqrt(s.var_height_m2),
        true_height_m=np.array([t["height_m"] for t in true]),
        true_part=np.array([t["shadow_start_m"] / t["shadow_end_m"] for t in true]),
        true_depth_m=np.array([t["depth_m"] for t in true]),
        altitude_m=frame.water_depth_m[[t["line"] for t in true]],
        shadow_px=span[done.rows],
        found=shadow.found[done.rows],
        uneven=uneven[done.rows],
        shared_m=frame.shared_error_m,
    )


def all_scenes(seed=100):
    """Return every scene with its bottom line."""
    out = {}
    for k, (name, options) in enumerate(simulated.SCENES.items()):
        frame = simulated.scene(seed + k, **options)
        out[name] = frame, bottom_of(frame, Layout.from_toml(frame.layout_toml))
    return out


def inside(looked, draws=400, seed=3):
    """Share of looks within R95, the receiver's shared error drawn many times anew.

    The frames of a test have one shared error each; twenty of them say little. It only adds to the
    other errors, so it can be taken out and drawn again.
    """
    rng = np.random.default_rng(seed)
    new = rng.normal(0, 2.5, (draws, 2, 1))
    east = looked.east_m - looked.shared_m[0] + new[:, 0]
    north = looked.north_m - looked.shared_m[1] + new[:, 1]
    return (np.hypot(east, north) <= looked.r95_m).mean(axis=0)
