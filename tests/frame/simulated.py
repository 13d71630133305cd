"""Made pictures of a paused side-scan screen, with the truth beside them.

Every line is traced in three dimensions over a seabed given as a height field, so that no sign can
be wrong twice and go unseen: nothing here comes from the package under test. What is drawn, and how:

- A local plane in metres, x east and y north (azimuthal equidistant about an invented place), z up,
  0 at the surface. The boat's antenna runs along a track; the transducer sits a lever arm from it.
- On each line and side a fan of points is taken on the seabed along the across direction, on three
  azimuths within the beam. Each point gives its slant range, whether it is seen (the running maximum
  of the elevation angle hides what lies behind) and an echo by Lambert's law; the echoes are summed
  by slant range into the columns of the line, then spread by the pulse, made to speckle, and amplified.
- Weed and bait are point scatterers in the water, hidden by the seabed as the seabed hides itself.

Echo strength, gain, beam pattern and the looks of the hardships are common practice, no source; the
geometry is Euclid's.

Coordinates in a picture: x right and y down, in pixels, the left and top edges 0, so that the middle
of pixel (row i, column j) is (j + 0.5, i + 0.5). Line 0 is the newest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyproj
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.ndimage import gaussian_filter, gaussian_filter1d

__all__ = ["SCENES", "Body", "Frame", "Options", "hard_scene", "looks_at", "scene"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Picture = NDArray[np.uint8]

SIGN = {"port": -1.0, "starboard": 1.0}
_CHUNK = 24
_RAYS = ((-0.45, 0.25), (0.0, 0.5), (0.45, 0.25))  # azimuth in beam widths, share of the energy
_SAMPLES_PER_COLUMN = 2.8


@dataclass(frozen=True, kw_only=True)
class Body:
    """Something lying on the seabed, placed by the line that sees its middle and its ground range.

    Parameters
    ----------
    kind : {"boulder", "timber", "wreck", "patch"}
        A dome, a long half-round, a hull with a house amidships, or harder ground without height.
    side, line, ground_m
        Where: on this side, in this line's plane, so many metres from below the transducer.
    length_m, width_m, height_m : float
        Size; the height above the seabed around.
    angle_deg : float
        The long axis against the boat's heading, clockwise.
    """

    kind: str
    side: str
    line: int
    ground_m: float
    length_m: float = 1.0
    width_m: float = 1.0
    height_m: float = 0.8
    angle_deg: float = 0.0
    strength: float = 4.0
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class Options:
    """What a frame is made of.

    Parameters
    ----------
    lines, columns : int
        Size of the sonar panel along time and across.
    range_m, depth_m : float
        Range limit, and water below the transducer at the middle of the frame.
    bottom : {"flat", "slope", "bank", "wall", "ledge"}
        Shape; `bottom_side` is where the bank or wall rises.
    slope_deg, slope_towards_deg : float
        Steepness of "slope" and the direction in which it falls, clockwise from the heading at the
        frame's middle (90: deeper to starboard, 0: deeper ahead). May be laid under any shape.
    turn : {"straight", "gentle", "sharp", "about"}
        The boat's course; "sharp" turns by 110 degrees, "about" by 180 to come back on her way; `crab_deg` is heading less course.
    centre : float or None
        Where the centre line lies across the panel, pixels; None: the middle.
    weak_side, one_side : str
        "", "port" or "starboard".
    range_changes : tuple of (line, range_m)
        From this line to older ones the limit stood for this range.
    mirrored : bool
        Starboard is drawn to the left (above, if the lines are columns).
    per_line : {"seconds", "metres", "unknown"}
        What the layout says of the lines.
    bodies : tuple of Body or None
        What lies on the seabed; None: drawn by chance.
    """

    lines: int = 900
    columns: int = 1200
    range_m: float = 40.0
    depth_m: float = 11.0
    bottom: str = "flat"
    bottom_side: str = "starboard"
    slope_deg: float = 0.0
    slope_towards_deg: float = 90.0
    relief_m: float = 0.08
    ripple_m: float = 0.05
    turn: str = "straight"
    heading_deg: float | None = None
    crab_deg: float = 0.0
    yaw_deg: float = 0.6
    heave_m: float = 0.05
    speed_mps: float = 2.0
    seconds_per_line: float = 0.08
    per_line: str = "seconds"
    lever_forward_m: float = -3.2
    lever_starboard_m: float = 0.6
    transducer_depth_m: float = 0.5
    sound_assumed_mps: float = 1500.0
    sound_true_mps: float = 1500.0
    beam_deg: float = 1.0
    looks: float = 2.5
    noise: float = 1.0
    ringing: bool = True
    weak_side: str = ""
    stripes: bool = False
    weed: bool = False
    fish: bool = False
    text: bool = False
    blank: bool = False
    split: bool = False
    newest: str = "top"
    mirrored: bool = False
    centre: float | None = None
    one_side: str = ""
    range_changes: tuple[tuple[int, float], ...] = ()
    axis: str = "slant"
    photo_tilt_deg: float | None = None
    photo_scale: float = 2.0
    bodies: tuple[Body, ...] | None = None
    pipe: bool = False
    track_hz: float = 1.0
    shared_error_m: float = 2.5
    jitter_m: float = 0.8
    heading_error_deg: float = 3.0
    lon: float = -24.0
    lat: float = -47.0
    newest_time: str = "2031-05-11T09:40:12.250000"

    def __post_init__(self) -> None:
        allowed = {
            "bottom": ("flat", "slope", "bank", "wall", "ledge"),
            "bottom_side": ("port", "starboard"),
            "turn": ("straight", "gentle", "sharp", "about"),
            "per_line": ("seconds", "metres", "unknown"),
            "weak_side": ("", "port", "starboard"),
            "one_side": ("", "port", "starboard"),
            "newest": ("top", "bottom", "left", "right"),
            "axis": ("slant", "ground"),
        }
        for name, values in allowed.items():
            if getattr(self, name) not in values:
                raise ValueError(f"{name} is {getattr(self, name)!r}; allowed: {values}")

    @property
    def sides(self) -> tuple[str, ...]:
        """The sides that are drawn."""
        return (self.one_side,) if self.one_side else ("port", "starboard")


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A made picture and the truth.

    Parameters
    ----------
    image : uint8 (height, width)
        The screenshot, or the photo if `photo_corners` is given; `straight` is always the screenshot.
    layout, layout_toml
        The screen's layout, as a mapping and as a file.
    track, true_track : mapping of arrays
        time, lon, lat (antenna), heading_deg, speed_mps, depth_m (below the transducer, as the
        sounder reads it), with and without their errors.
    newest_time : datetime64
        When line 0 was drawn.
    targets : list of dict
        name, kind, side, line; x, y: pixel of the top's echo (of the middle's for a patch), and
        echo_x0 .. echo_y1 the nearest and the farthest of its echo on that line; shadow_x0 .. shadow_y1
        (NaN where it has none or it is cut); lon, lat of the top or the patch's middle; height_m,
        length_m (long axis), width_m, angle_deg; slant_range_m and ground_range_m, true;
        shadow_start_m, shadow_end_m, true slant ranges, and shadow_seen: an eye would find it; depth_m: seabed there below the transducer.
    first_return_m : dict of (lines,)
        True slant range of the first bottom return per side; NaN where the line is blank.
    bad_lines : bool (lines,), bad_side : dict of bool (lines,)
        Interference, blank, or the first return painted over: nobody could tell.
    water_depth_m : (lines,)
        True water right below the transducer.
    line_truth : dict of (lines,)
        lon, lat of the transducer, heading_deg, z_m.
    pixel_of : callable
        (side, line, true slant range) to x, y in the screenshot.
    features : list of dict
        Long things (a pipe): kind, lon, lat, x, y, each an array of vertices.
    """

    image: Picture
    straight: Picture
    layout: dict[str, Any]
    layout_toml: str
    track: dict[str, NDArray[Any]]
    true_track: dict[str, NDArray[Any]]
    newest_time: np.datetime64
    targets: list[dict[str, Any]]
    first_return_m: dict[str, Floats]
    bad_lines: Bools
    bad_side: dict[str, Bools]
    water_depth_m: Floats
    line_truth: dict[str, Floats]
    slope_deg: float
    lever: dict[str, float]
    sound: dict[str, float]
    shared_error_m: tuple[float, float]
    altitude_shown_m: Floats
    options: Options
    pixel_of: Callable[[str, int, float], tuple[float, float]] = field(repr=False)
    photo_corners: list[list[float]] | None = None
    to_photo: Floats | None = None
    features: list[dict[str, Any]] = field(default_factory=list)


# -- where things are ---------------------------------------------------------------------------


class _Place:
    """The local plane on the Earth."""

    def __init__(self, lon: float, lat: float) -> None:
        self._plane = pyproj.Proj(proj="aeqd", lon_0=lon, lat_0=lat, ellps="WGS84", units="m")
        self._geod = pyproj.Geod(ellps="WGS84")

    def lonlat(self, x: Any, y: Any) -> tuple[Floats, Floats]:
        lon, lat = self._plane(np.asarray(x, float), np.asarray(y, float), inverse=True)
        return np.asarray(lon, float), np.asarray(lat, float)

    def true_bearing(self, x: Floats, y: Floats, bearing_deg: Floats) -> Floats:
        """Bearing from true north of a direction given in the plane."""
        b = np.radians(bearing_deg)
        here, there = self.lonlat(x, y), self.lonlat(x + 10 * np.sin(b), y + 10 * np.cos(b))
        return np.asarray(self._geod.inv(*here, *there)[0], float) % 360.0


@dataclass(frozen=True)
class _Way:
    """The boat as a function of time in the plane; times in seconds, 0 at the newest line."""

    t: Floats
    x: Floats
    y: Floats
    course: Floats
    heading: Floats

    def at(self, t: Any) -> tuple[Floats, Floats, Floats]:
        """Antenna x, y and heading (degrees, in the plane)."""
        t = np.asarray(t, float)
        return (
            np.interp(t, self.t, self.x),
            np.interp(t, self.t, self.y),
            np.interp(t, self.t, self.heading),
        )


def _way(o: Options, rng: np.random.Generator) -> _Way:
    span = o.lines * o.seconds_per_line
    t = np.arange(-span - 40.0, 40.0, 0.02)
    start = rng.uniform(0, 360) if o.heading_deg is None else o.heading_deg
    hand = rng.choice([-1.0, 1.0])
    where = (t + span) / span  # 0 at the oldest line, 1 at the newest
    if o.turn == "gentle":
        turned = hand * 35.0 * np.clip(where, -0.3, 1.3)
    elif o.turn in ("sharp", "about"):
        width = min(0.45 * span, 28.0)
        half = 55.0 if o.turn == "sharp" else 90.0
        turned = hand * half * np.tanh((t + span * rng.uniform(0.4, 0.6)) / (0.4 * width))
    else:
        turned = np.zeros_like(t)
    course = start + turned
    p = rng.uniform(0, 2 * np.pi, 3)
    yaw = o.yaw_deg * (np.sin(t / 1.1 + p[0]) * 0.6 + np.sin(t / 3.7 + p[1]) * 0.8)
    heading = course + o.crab_deg + yaw
    c = np.radians(course)
    east, north = o.speed_mps * np.sin(c), o.speed_mps * np.cos(c)
    x = np.concatenate([[0.0], np.cumsum((east[1:] + east[:-1]) / 2)]) * 0.02
    y = np.concatenate([[0.0], np.cumsum((north[1:] + north[:-1]) / 2)]) * 0.02
    x -= np.interp(-span / 2, t, x)
    y -= np.interp(-span / 2, t, y)
    return _Way(t, x, y, course, heading)


class _Seabed:
    """Height of the seabed above the surface (so negative) and how strongly it echoes."""

    def __init__(self, o: Options, heading_deg: float, rng: np.random.Generator) -> None:
        self.o = o
        h = math.radians(heading_deg)
        self._sin, self._cos = math.sin(h), math.cos(h)
        self._phase = rng.uniform(0, 2 * np.pi, 6)
        self._ripple_turn = math.radians(rng.uniform(-50, 50))
        self._ripple_length = rng.uniform(0.9, 1.5)
        self._ripple_from = rng.uniform(-30, 30)
        self._oblique = math.radians(rng.uniform(28, 50)) * rng.choice([-1.0, 1.0])
        near, far = (-0.1, 0.35) if o.bottom == "bank" else (0.15, 0.45)
        self._foot = rng.uniform(near, far) * o.range_m
        self.bodies: list[_Lying] = []
        n = 512
        cloud = sum(
            gaussian_filter(rng.normal(size=(n, n)), s, mode="wrap") * s * a
            for s, a in ((1.0, 0.35), (4.0, 0.5), (22.0, 1.0))
        )
        cloud = np.asarray(cloud) / np.std(cloud)
        self._texture = np.exp(0.42 * cloud).astype(np.float32)

    def own(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Metres ahead and to starboard of the frame's middle."""
        return x * self._sin + y * self._cos, x * self._cos - y * self._sin

    def ground(self, x: Any, y: Any) -> Any:
        """Height without the things that lie on it."""
        o, p = self.o, self._phase
        f, s = self.own(x, y)
        z = np.full_like(f, -(o.depth_m + o.transducer_depth_m))
        if o.slope_deg:
            to = math.radians(o.slope_towards_deg)
            fall = math.tan(math.radians(o.slope_deg))
            z -= (f * (fall * math.cos(to)) + s * (fall * math.sin(to))).astype(z.dtype)
        if o.bottom in ("bank", "wall"):
            rise = 0.55 * o.depth_m
            steep = 24.0 if o.bottom == "bank" else 76.0
            width = 1.5 * rise / math.tan(math.radians(steep))  # 1.5: steepest of the smooth step
            away = s * SIGN[o.bottom_side] - self._foot - 2.5 * np.sin(f / 19.0 + p[0])
            z += rise * _step(away / width)
        elif o.bottom == "ledge":
            c, d = math.cos(self._oblique), math.sin(self._oblique)
            cross = f * c + s * d + 1.2 * np.sin((s * c - f * d) / 7.0 + p[1])
            z += 0.18 * o.depth_m * _step(cross / 0.35)
        if o.relief_m:
            z += o.relief_m * np.sin(f / 9.0 + p[2]) * np.sin(s / 7.0 + p[3])
        if o.ripple_m:
            c, d = math.cos(self._ripple_turn), math.sin(self._ripple_turn)
            k = 2 * math.pi / self._ripple_length
            field_ = 1.0 / (1.0 + np.exp((f - self._ripple_from + 0.4 * s) / 3.0))
            z += (0.5 * o.ripple_m) * field_ * np.sin(k * (s * c + f * d) + 0.6 * np.sin(f / 3.0))
        return z

    def height(self, x: Any, y: Any) -> Any:
        z = self.ground(x, y)
        for body in self.bodies:
            z = z + body.shape(x, y)[0]
        return z

    def strength(self, x: Any, y: Any) -> Any:
        """How strongly the ground echoes, about 1."""
        i = (x * np.float32(3.0)).astype(np.int32) & 511
        j = (y * np.float32(3.0)).astype(np.int32) & 511
        return self._texture[i, j]


def _step(u: Any) -> Any:
    """0 below 0, 1 above 1, smooth between."""
    u = np.clip(u, 0.0, 1.0)
    return u * u * (3.0 - 2.0 * u)


@dataclass(frozen=True)
class _Lying:
    """A body placed in the plane."""

    kind: str
    x: float
    y: float
    bearing_deg: float
    length: float
    width: float
    height: float
    strength: float

    @property
    def reach(self) -> float:
        return 0.5 * math.hypot(self.length, self.width) + 0.05

    def shape(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Height added, and whether the point lies on the body."""
        b = math.radians(self.bearing_deg)
        dx, dy = x - self.x, y - self.y
        a = (dx * math.sin(b) + dy * math.cos(b)) / (self.length / 2)
        c = (dx * math.cos(b) - dy * math.sin(b)) / (self.width / 2)
        if self.kind in ("boulder", "patch"):
            inside = a * a + c * c
            return self.height * np.sqrt(np.maximum(1 - inside, 0)), inside < 1
        if self.kind in ("timber", "pipe"):
            on = np.abs(a) < 1
            return self.height * np.sqrt(np.maximum(1 - c * c, 0)) * on, on & (np.abs(c) < 1)
        beam = np.maximum(1 - np.abs(a) ** 3, 1e-3)
        v = np.abs(c) / beam
        hull = (v < 1) & (np.abs(a) < 1)
        rim = np.where((v > 0.78) | (np.abs(a) > 0.93), 0.42, 0.28)
        house = np.sqrt(np.maximum(1 - (a / 0.22) ** 2 - (c / 0.55) ** 2, 0))
        return self.height * np.where(hull, np.maximum(rim, house), 0), hull


# -- the screen ---------------------------------------------------------------------------------


class _Screen:
    """Where a line and a distance across are drawn."""

    def __init__(self, o: Options) -> None:
        self.o = o
        w = o.columns
        if o.one_side:
            self.centre, self.half = (0.0 if o.one_side == "starboard" else float(w)), float(w)
        else:
            self.centre = w / 2 if o.centre is None else float(o.centre)
            self.half = min(self.centre, w - self.centre)
        self.limit = np.full(o.lines, o.range_m)
        for line, range_m in sorted(o.range_changes):
            self.limit[line:] = range_m
        self.scale = self.limit / self.half  # metres shown per column
        self.upright = o.newest in ("top", "bottom")
        self.panel_size = (w, o.lines) if self.upright else (o.lines, w)
        if o.split:
            self.size = (int(self.panel_size[0] * 1.25), int(self.panel_size[1] * 1.18))
            self.corner = (int(self.panel_size[0] * 0.22), int(self.panel_size[1] * 0.07))
        else:
            self.size, self.corner = self.panel_size, (0, 0)
        self.flip = -1.0 if o.mirrored else 1.0
        self.shown_centre = w - self.centre if o.mirrored else self.centre

    def xy(self, side: str, line: float, columns: float) -> tuple[float, float]:
        """Pixel of a distance from the centre line, in columns; `line` counts whole lines."""
        across = self.shown_centre + self.flip * SIGN[side] * columns
        along = line + 0.5
        if self.o.newest in ("bottom", "right"):
            along = self.o.lines - along
        x, y = (across, along) if self.upright else (along, across)
        return x + self.corner[0], y + self.corner[1]

    def turn(self, lines: NDArray[Any]) -> NDArray[Any]:
        """Turn an array of (lines, across; starboard right) as the panel is drawn."""
        if self.o.mirrored:
            lines = lines[:, ::-1]
        if self.o.newest in ("bottom", "right"):
            lines = lines[::-1]
        return np.ascontiguousarray(lines if self.upright else lines.T)

    def turn_back(self, panel: NDArray[Any]) -> NDArray[Any]:
        lines = panel if self.upright else panel.T
        if self.o.newest in ("bottom", "right"):
            lines = lines[::-1]
        return lines[:, ::-1] if self.o.mirrored else lines

    def layout(self) -> dict[str, Any]:
        o, across = self.o, self.corner[0 if self.upright else 1]
        out: dict[str, Any] = {
            "width_px": self.size[0],
            "height_px": self.size[1],
            "panel": [
                self.corner[0],
                self.corner[1],
                self.corner[0] + self.panel_size[0],
                self.corner[1] + self.panel_size[1],
            ],
            "newest": o.newest,
            "centre_px": self.shown_centre + across,
        }
        for side in o.sides:
            limit = self.shown_centre + self.flip * SIGN[side] * self.half + across
            out[f"{side}_limit_px"] = limit
        out |= {"range_m": o.range_m, "axis": o.axis}
        if o.per_line == "seconds":
            out["seconds_per_line"] = o.seconds_per_line
        elif o.per_line == "metres":
            out["metres_per_line"] = o.seconds_per_line * o.speed_mps
        if o.range_changes:
            out["range_changes"] = [
                {"line": line, "range_m": range_m} for line, range_m in sorted(o.range_changes)
            ]
        return out


def _toml(layout: Mapping[str, Any]) -> str:
    """The layout as TOML."""

    def said(v: Any) -> str:
        if isinstance(v, str):
            return f'"{v}"'
        if isinstance(v, dict):
            return "{" + ", ".join(f"{k} = {said(w)}" for k, w in v.items()) + "}"
        if isinstance(v, (list, tuple)):
            return "[" + ", ".join(said(w) for w in v) + "]"
        return repr(v)

    return "".join(f"{k} = {said(v)}\n" for k, v in layout.items())


# -- tracing ------------------------------------------------------------------------------------


@dataclass
class _Pings:
    """Transducer of each line in the plane."""

    x: Floats
    y: Floats
    z: Floats
    heading: Floats

    def across(self, side: str, line: int, off_deg: float = 0.0) -> tuple[float, float]:
        b = math.radians(self.heading[line] + SIGN[side] * 90.0 + off_deg)
        return math.sin(b), math.cos(b)

    def seen_from(self, x: float, y: float) -> tuple[Floats, Floats]:
        """Metres ahead and to starboard of each line's transducer."""
        h = np.radians(self.heading)
        dx, dy = x - self.x, y - self.y
        return dx * np.sin(h) + dy * np.cos(h), dx * np.cos(h) - dy * np.sin(h)


def _pings(o: Options, way: _Way, rng: np.random.Generator) -> _Pings:
    t = -np.arange(o.lines) * o.seconds_per_line
    x, y, heading = way.at(t)
    h = np.radians(heading)
    f, s = o.lever_forward_m, o.lever_starboard_m
    heave = o.heave_m * np.sin(2 * np.pi * t / 4.3 + rng.uniform(0, 6))
    return _Pings(
        x + f * np.sin(h) + s * np.cos(h),
        y + f * np.cos(h) - s * np.sin(h),
        heave - o.transducer_depth_m,
        heading,
    )


def _profile(
    seabed: _Seabed, pings: _Pings, side: str, line: int, upto: float, step: float = 0.01
) -> tuple[Floats, Floats, Bools]:
    """Ground distance, slant range and visibility along one line's middle, finely."""
    g = np.arange(step / 2, upto, step)
    ux, uy = pings.across(side, line)
    up = seabed.height(pings.x[line] + g * ux, pings.y[line] + g * uy) - pings.z[line]
    angle = up / g
    return g, np.hypot(g, up), angle >= np.maximum.accumulate(angle) - 1e-9


@dataclass
class _Scatterers:
    """Points in the water: place and strength."""

    x: Floats
    y: Floats
    z: Floats
    power: Floats


def _floating(
    o: Options, seabed: _Seabed, pings: _Pings, rng: np.random.Generator
) -> _Scatterers | None:
    """Weed standing on the bottom and bait in the water."""
    parts: list[tuple[Floats, Floats, Floats, Floats]] = []

    def spot(near: float, far: float) -> tuple[float, float, float]:
        side, line = str(rng.choice(o.sides)), int(rng.integers(0, o.lines))
        ux, uy = pings.across(side, line)
        g = rng.uniform(near, far)
        return pings.x[line] + g * ux, pings.y[line] + g * uy, pings.z[line]

    if o.weed:
        for _ in range(9):
            x, y, _z = spot(0.0, 0.7 * o.range_m)
            n = int(rng.integers(600, 1500))
            px, py = x + rng.normal(0, 2.2, n), y + rng.normal(0, 2.2, n)
            up = rng.uniform(0.1, rng.uniform(0.8, 2.2), n)
            z = np.minimum(seabed.ground(px, py) + up, -0.5)
            parts.append((px, py, z, rng.exponential(0.8, n)))
    if o.fish:
        for _ in range(5):
            x, y, top = spot(0.0, 0.9 * o.depth_m)
            n = int(rng.integers(150, 600))
            px, py = x + rng.normal(0, 1.6, n), y + rng.normal(0, 1.6, n)
            depth = rng.uniform(0.3, 0.75) * o.depth_m
            z = np.minimum(top - depth + rng.normal(0, 0.5, n), -0.5)
            parts.append((px, py, z, rng.exponential(0.6, n)))
        for _ in range(40):
            x, y, top = spot(0.0, 0.6 * o.range_m)
            z1 = np.array([top - rng.uniform(0.2, 0.9) * o.depth_m])
            parts.append((np.array([x]), np.array([y]), z1, np.array([rng.exponential(6.0)])))
    if not parts:
        return None
    return _Scatterers(*(np.concatenate(p) for p in zip(*parts, strict=True)))


def _gain(r: Any, altitude_m: float) -> Any:
    """Time-varying gain: evens out most of the fall of a flat bottom's echo with range."""
    return (np.maximum(r, 0.75 * altitude_m) / altitude_m) ** 1.6


def _trace(
    o: Options,
    screen: _Screen,
    seabed: _Seabed,
    pings: _Pings,
    floating: _Scatterers | None,
    pad: int,
) -> tuple[NDArray[np.float32], dict[str, Floats]]:
    """Echo power (lines, columns + 2 pad) by slant range, starboard right; first bottom return."""
    width = o.columns + 2 * pad
    centre = screen.centre + pad
    half = screen.half + pad
    n = int(half * _SAMPLES_PER_COLUMN)
    share = ((np.arange(n) + 0.5) / n).astype(np.float32)
    sides = o.sides
    sign = np.array([SIGN[s] for s in sides], np.float32)[None, :, None, None]
    off = np.radians([r[0] * o.beam_deg for r in _RAYS])
    weight = np.array([r[1] for r in _RAYS], np.float32)[None, None, :, None]
    ratio = np.float32(o.sound_assumed_mps / o.sound_true_mps)
    power = np.zeros((o.lines, width), np.float32)
    first = {s: np.empty(o.lines) for s in sides}
    middle = len(_RAYS) // 2
    # One side at an edge has no pixels beyond it; `pad` there is cut off again by the caller.
    for a in range(0, o.lines, _CHUNK):
        b = min(a + _CHUNK, o.lines)
        scale = screen.scale[a:b].astype(np.float32)[:, None, None, None]
        reach = scale * np.float32(half) / ratio
        g = reach * share
        dg = reach / np.float32(n)
        bearing = (
            np.radians(pings.heading[a:b])[:, None, None]
            + np.array([SIGN[s] for s in sides])[None, :, None] * (np.pi / 2)
            + off[None, None, :]
        )
        ux = np.sin(bearing).astype(np.float32)[..., None]
        uy = np.cos(bearing).astype(np.float32)[..., None]
        x = pings.x[a:b].astype(np.float32)[:, None, None, None] + g * ux
        y = pings.y[a:b].astype(np.float32)[:, None, None, None] + g * uy
        z = seabed.ground(x, y)
        strength = seabed.strength(x, y)
        _lay(
            seabed, pings, sides, (a, b), g[:, 0, 0], (x, y, z, strength), math.radians(o.beam_deg)
        )
        up = z - pings.z[a:b].astype(np.float32)[:, None, None, None]
        angle = up / g
        horizon = np.maximum.accumulate(angle, axis=-1)
        r = np.sqrt(g * g + up * up)
        for k, s in enumerate(sides):
            first[s][a:b] = r[:, k, middle].min(axis=-1)
        rise = np.empty_like(z)
        rise[..., 1:] = np.diff(z, axis=-1)
        rise[..., 0] = rise[..., 1]
        rise /= dg
        np.clip(rise, -8, 8, out=rise)
        # Towards the sonar from the surface's normal: n.(sonar - point) / (|n| r)
        facing = np.maximum(rise * g - up, 0)
        tilt2 = 1 + rise * rise
        looks_out = g / r  # sine of the angle from straight down
        echo = facing * facing / (np.sqrt(tilt2) * r * r) * dg
        echo *= strength * weight * (0.25 + 0.75 * looks_out)
        echo *= angle >= horizon - np.float32(1e-6)
        at = np.float32(centre - 0.5) + sign * (r * ratio / scale)
        line = np.arange(b - a)[:, None, None, None] * width
        total = _splat(at, echo / scale, line, width, (b - a) * width, r * ratio / scale < half)
        if floating is not None:
            total += _float(
                o,
                screen,
                pings,
                floating,
                (a, b),
                horizon[:, :, middle],
                reach,
                centre,
                half,
                width,
            )
        power[a:b] = total.reshape(b - a, width)
    return power, first


def _splat(at: Any, echo: Any, line: Any, width: int, size: int, ok: Any) -> Floats:
    """Sum echoes into pixels, each shared by the two nearest."""
    j = np.floor(at)
    part = (at - j) * echo
    j = j.astype(np.int32)
    ok = ok & (j >= 0) & (j < width - 1)
    index = (line + j)[ok]
    near, far = (echo - part)[ok], part[ok]
    summed = np.bincount(index, near, size) + np.bincount(index + 1, far, size)
    return np.asarray(summed, float)


def _lay(
    seabed: _Seabed,
    pings: _Pings,
    sides: tuple[str, ...],
    chunk: tuple[int, int],
    g: Any,
    arrays: tuple[Any, Any, Any, Any],
    beam: float,
) -> None:
    """Put the bodies on the samples that may touch them (in place)."""
    x, y, z, strength = arrays
    a, b = chunk
    for body in seabed.bodies:
        ahead, right = (v[a:b] for v in pings.seen_from(body.x, body.y))
        near = np.flatnonzero(np.abs(ahead) < body.reach + beam * np.abs(right) + 0.1)
        if not near.size:
            continue
        for k, side in enumerate(sides):
            out = right[near] * SIGN[side]
            inner, outer = out.min() - body.reach - 0.2, out.max() + body.reach + 0.2
            if outer < 0:
                continue
            window = np.flatnonzero((g[near].max(0) > inner) & (g[near].min(0) < outer))
            if not window.size:
                continue
            cut = np.ix_(near, np.array([k]), np.arange(x.shape[2]), window)
            added, on = body.shape(x[cut], y[cut])
            z[cut] += added.astype(np.float32)
            strength[cut] = np.where(on, np.float32(body.strength), strength[cut])


def _float(
    o: Options,
    screen: _Screen,
    pings: _Pings,
    what: _Scatterers,
    chunk: tuple[int, int],
    horizon: Any,
    reach: Any,
    centre: float,
    half: float,
    width: int,
) -> Floats:
    """Echoes of points in the water on the lines of a chunk."""
    a, b = chunk
    h = np.radians(pings.heading[a:b])[:, None]
    dx, dy = what.x - pings.x[a:b, None], what.y - pings.y[a:b, None]
    ahead, right = dx * np.sin(h) + dy * np.cos(h), dx * np.cos(h) - dy * np.sin(h)
    up = what.z - pings.z[a:b, None]
    r = np.sqrt(ahead**2 + right**2 + up**2)
    spread = np.maximum(r * math.radians(o.beam_deg) * 0.5, 0.05)
    amount = np.exp(-((ahead / spread) ** 2)) * what.power
    total = np.zeros((b - a) * width)
    for k, side in enumerate(o.sides):
        out = right * SIGN[side]
        i, j = np.nonzero((amount > 1e-3) & (out > 0))
        if not i.size:
            continue
        n = horizon.shape[-1]
        far = out[i, j] / np.asarray(reach, float)[i, 0, 0, 0]
        step = np.minimum((far * n).astype(int), n - 1)
        seen = (up[i, j] / out[i, j] >= horizon[i, k, step]) & (far < 1)
        i, j = i[seen], j[seen]
        columns = r[i, j] * (o.sound_assumed_mps / o.sound_true_mps) / screen.scale[a:b][i]
        at = centre - 0.5 + SIGN[side] * columns
        level = amount[i, j] / np.asarray(_gain(r[i, j], o.depth_m))
        total += _splat(at, level, i * width, width, total.size, columns < half)
    return total


# -- the picture --------------------------------------------------------------------------------


def _lines_picture(
    o: Options, screen: _Screen, power: NDArray[np.float32], pad: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Echo power to brightness 0 .. 1, with pulse, speckle, gain, noise and ringing."""
    width = power.shape[1]
    apart = np.arange(width) + 0.5 - (screen.centre + pad)  # columns from the centre line
    away = np.abs(apart)
    r = away * screen.scale[:, None]
    level = gaussian_filter1d(power, 0.7, axis=1)
    level *= _gain(r, o.depth_m)
    speckle = rng.standard_gamma(o.looks, level.shape, np.float32) / np.float32(o.looks)
    level *= speckle
    if o.weak_side:
        level *= np.where(apart * SIGN[o.weak_side] > 0, 0.16, 1.0)
    hiss = 0.004 * o.noise * _gain(r, o.depth_m)
    level += hiss * rng.standard_gamma(1.0, level.shape, np.float32)
    level = gaussian_filter1d(level, 0.45, axis=1)
    if o.ringing:
        beat = 0.55 + 0.45 * np.cos(away / 3.1)
        fading = 30.0 * np.exp(-((away / 3.0) ** 2)) + 1.1 * beat * np.exp(-away / 11.0)
        level += (
            fading * (0.7 + 0.6 * rng.random((o.lines, 1))) * rng.uniform(0.7, 1.3, level.shape)
        )
    return (1.0 - np.exp(-0.62 * np.sqrt(np.maximum(level, 0)))).astype(np.float32)


def _to_ground(
    o: Options, screen: _Screen, slant: NDArray[np.float32], pad: int, altitude: Floats
) -> NDArray[np.float32]:
    """Redraw each line by ground range with the sounder's own altitude."""
    apart = np.arange(o.columns) + 0.5 - screen.centre
    columns = np.hypot(apart, (altitude / screen.scale)[:, None])
    at = screen.centre + pad - 0.5 + np.sign(apart) * columns
    j = np.clip(np.floor(at).astype(int), 0, slant.shape[1] - 2)
    part = np.clip(at - j, 0, 1)
    rows = np.arange(o.lines)[:, None]
    return np.asarray(slant[rows, j] * (1 - part) + slant[rows, j + 1] * part, np.float32)


def _bands(
    lines: int, how_many: int, low: int, high: int, rng: np.random.Generator
) -> list[tuple[int, int]]:
    starts = rng.integers(2, max(3, lines - high - 2), how_many)
    return [(int(s), int(s + rng.integers(low, high + 1))) for s in starts]


def _drawn_over(
    o: Options, screen: _Screen, rng: np.random.Generator
) -> tuple[Picture, Picture] | None:
    """Numbers, ticks and a cursor over the panel, as drawn: grey and cover."""
    if not o.text:
        return None
    w, h = screen.panel_size
    cover, grey = Image.new("L", (w, h), 0), Image.new("L", (w, h), 0)
    pens = [(ImageDraw.Draw(grey), 235), (ImageDraw.Draw(cover), 255)]
    small = ImageFont.load_default(size=max(10, min(w, h) // 45))
    large = ImageFont.load_default(size=max(16, min(w, h) // 14))
    away = screen.half / 4
    for pen, ink in pens:
        for side in o.sides:
            for k in range(1, 4):
                across = screen.shown_centre + screen.flip * SIGN[side] * k * away
                number = f"{o.range_m * k / 4:g}"
                if screen.upright:
                    pen.line([(across, 0), (across, 9)], ink, 2)
                    pen.text((across + 3, 8), number, ink, font=small)
                else:
                    pen.line([(0, across), (9, across)], ink, 2)
                    pen.text((12, across - 6), number, ink, font=small)
        pen.text((w * 0.1, h * 0.86), f"{o.depth_m:.1f}", ink, font=large)
        pen.text((w * 0.8, h * 0.9), f"{o.speed_mps * 1.944:.1f}", ink, font=large)
    cx, cy = rng.uniform(0.15, 0.85) * w, rng.uniform(0.2, 0.8) * h
    for pen, ink in pens:
        pen.line([(cx - 18, cy), (cx + 18, cy)], ink, 1)
        pen.line([(cx, cy - 18), (cx, cy + 18)], ink, 1)
        pen.text((cx + 6, cy + 4), "17.4", ink, font=small)
    return np.asarray(grey, np.uint8), np.asarray(cover, np.uint8)


def _whole_screen(screen: _Screen, panel: Picture, rng: np.random.Generator) -> Picture:
    """The panel within a larger picture that shows other things too."""
    if not screen.o.split:
        return panel
    w, h = screen.size
    out = np.full((h, w), 28, np.uint8)
    x0, y0 = screen.corner
    pw, ph = screen.panel_size
    # A wavy band on the left and a strip of numbers: something else, brighter than the sonar.
    rows, cols = np.mgrid[0:h, 0 : x0 - 4]
    edge = h * (0.55 + 0.05 * np.sin(cols / 17.0) + 0.03 * np.sin(cols / 5.3))
    band = 190 * np.exp(-np.abs(rows - edge) / 30.0) * (rows > edge - 8) + 20
    out[:, : x0 - 4] = np.clip(band * rng.uniform(0.5, 1.1, band.shape), 0, 255)
    picture = Image.fromarray(out)
    pen = ImageDraw.Draw(picture)
    font = ImageFont.load_default(size=max(10, y0 // 2))
    for k, number in enumerate(("4.1", "213", "12.6", "09:40")):
        pen.text((x0 + k * pw // 4, y0 // 5), number, 220, font=font)
    out = np.array(picture, np.uint8)
    out[y0 : y0 + ph, x0 : x0 + pw] = panel
    return out


def _photo(
    o: Options, straight: Picture, rng: np.random.Generator
) -> tuple[Picture, list[list[float]], Floats]:
    """A photo of the screen from the side: the picture, the display's corners and the homography.

    A pinhole camera 1.7 diagonals from the screen's middle; the screen is turned by the tilt about
    an axis in its plane.
    """
    h, w = straight.shape
    tilt, axis = math.radians(o.photo_tilt_deg or 0.0), rng.uniform(0, 2 * math.pi)
    away = 1.7 * math.hypot(w, h)
    c, s, ca, sa = math.cos(tilt), math.sin(tilt), math.cos(axis), math.sin(axis)
    # Rodrigues' turn about (ca, sa, 0), first two columns: images of the screen's x and y axes.
    turn = np.array(
        [
            [c + ca * ca * (1 - c), ca * sa * (1 - c)],
            [ca * sa * (1 - c), c + sa * sa * (1 - c)],
            [-sa * s, ca * s],
        ]
    )
    middle = np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1.0]])
    camera = np.array(
        [
            [away * turn[0, 0], away * turn[0, 1], 0],
            [away * turn[1, 0], away * turn[1, 1], 0],
            [turn[2, 0], turn[2, 1], away],
        ]
    )
    roll = math.radians(rng.uniform(-4, 4))
    rolled = np.array(
        [
            [math.cos(roll), -math.sin(roll), 0],
            [math.sin(roll), math.cos(roll), 0],
            [0, 0, 1.0],
        ]
    )
    m = rolled @ camera @ middle
    ends = np.array([[0, 0], [w, 0], [w, h], [0, h]], float)
    least = math.inf  # the smallest scale anywhere: photo pixels a screen pixel
    for p in (*ends, np.array([w / 2, h / 2])):
        moved = [_warp(m, p + np.array(d)) - _warp(m, p) for d in ((0.5, 0.0), (0.0, 0.5))]
        least = min(least, float(np.linalg.norm(np.array(moved) / 0.5, -2)))
    m = np.diag([o.photo_scale / least, o.photo_scale / least, 1.0]) @ m
    seen = np.array([_warp(m, p) for p in ends])
    margin = 0.03 * np.ptp(seen, axis=0).max()
    low, high = seen.min(axis=0) - margin, seen.max(axis=0) + margin
    m = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]]) @ m
    m /= m[2, 2]
    size = (math.ceil(high[0] - low[0]), math.ceil(high[1] - low[1]))
    back = np.linalg.inv(m)
    back /= back[2, 2]
    # A rim of the display's own colour, so that its edge is not smeared into the background.
    flat = Image.fromarray(straight).transform(
        size,
        Image.Transform.PERSPECTIVE,
        tuple(back.ravel()[:8]),
        Image.Resampling.BICUBIC,
        fillcolor=52,
    )
    photo = np.asarray(flat, np.float32)
    photo = gaussian_filter(photo, 0.8)
    rows, cols = np.ogrid[0 : size[1], 0 : size[0]]
    u, v = (cols / size[0]).astype(np.float32), (rows / size[1]).astype(np.float32)
    a, b = rng.uniform(-0.25, 0.25, 2)
    photo *= (0.85 + a * (u - 0.5) + b * (v - 0.5)) * (1 - 0.3 * ((u - 0.5) ** 2 + (v - 0.5) ** 2))
    gu, gv = rng.uniform(0.2, 0.8, 2)
    photo += 38 * np.exp(-(((u - gu) / 0.16) ** 2) - ((v - gv) / 0.22) ** 2) + 8
    photo += rng.normal(0, 3.0, photo.shape).astype(np.float32)
    corners = [[float(q) for q in _warp(m, p)] for p in ends]
    return np.clip(photo + 0.5, 0, 255).astype(np.uint8), corners, m


def _warp(m: Floats, p: Any) -> Floats:
    q = m @ np.array([p[0], p[1], 1.0])
    return np.asarray(q[:2] / q[2])


# -- targets ------------------------------------------------------------------------------------


def _draw_body(kind: str, side: str, line: int, g: float, rng: np.random.Generator) -> Body:
    u = rng.uniform
    if kind == "timber":
        size, angle = (u(3.5, 7.0), u(0.5, 0.8), u(0.45, 0.8)), u(-50, 50)
    elif kind == "wreck":
        size, angle = (u(10.0, 15.0), u(3.2, 4.5), u(1.8, 2.6)), u(-40, 40)
    elif kind == "patch":
        size, angle = (u(1.0, 2.2), u(0.9, 1.4), 0.0), u(-90, 90)
    else:
        size, angle = (u(0.9, 1.9), u(0.8, 1.3), u(0.5, 1.3)), u(-90, 90)
    length, width, height = max(size[:2]), min(size[:2]), size[2]
    return Body(
        kind=kind,
        side=side,
        line=line,
        ground_m=g,
        length_m=length,
        width_m=width,
        height_m=height,
        angle_deg=angle,
        strength=u(7.0, 11.0) if kind == "patch" else u(3.0, 6.0),
    )


def _lying(body: Body, pings: _Pings) -> _Lying:
    ux, uy = pings.across(body.side, body.line)
    return _Lying(
        body.kind,
        float(pings.x[body.line] + body.ground_m * ux),
        float(pings.y[body.line] + body.ground_m * uy),
        float(pings.heading[body.line] + body.angle_deg),
        body.length_m,
        body.width_m,
        body.height_m,
        body.strength,
    )


class _Truth:
    """Works out where a body, its echo and its shadow are drawn."""

    def __init__(
        self,
        o: Options,
        screen: _Screen,
        seabed: _Seabed,
        pings: _Pings,
        place: _Place,
        altitude: Floats,
    ) -> None:
        self.o, self.screen, self.seabed, self.pings, self.place = o, screen, seabed, pings, place
        self.altitude = altitude

    def columns(self, line: int, slant_m: float) -> float:
        """Columns from the centre line at which a true slant range is drawn."""
        shown = slant_m * self.o.sound_assumed_mps / self.o.sound_true_mps
        if self.o.axis == "ground":
            shown = math.sqrt(max(shown**2 - float(self.altitude[line]) ** 2, 0.0))
        return float(shown / self.screen.scale[line])

    def pixel(self, side: str, line: int, slant_m: float) -> tuple[float, float]:
        return self.screen.xy(side, line, self.columns(line, slant_m))

    def of(self, body: Body, lying: _Lying) -> dict[str, Any] | None:
        """Truth of a body; None if its top is hidden or outside the frame."""
        side, line = body.side, body.line
        reach = float(self.screen.limit[line]) * self.o.sound_true_mps / self.o.sound_assumed_mps
        upto = 1.2 * reach
        g, r, seen = _profile(self.seabed, self.pings, side, line, upto)
        at = int(np.argmin(np.abs(g - body.ground_m)))
        if not seen[at] or self.columns(line, float(r[at])) > 0.97 * self.screen.half:
            return None
        up = float(self.seabed.height(np.float64(lying.x), np.float64(lying.y)))
        up -= float(self.pings.z[line])
        slant = math.hypot(body.ground_m, up)
        ux, uy = self.pings.across(side, line)
        on = lying.shape(self.pings.x[line] + g * ux, self.pings.y[line] + g * uy)[1]
        echo = r[on & seen]
        start = end = math.nan
        last_on = int(np.flatnonzero(on)[-1])
        if body.height_m > 0:
            hidden = np.flatnonzero(~seen[at:]) + at
            if hidden.size and hidden[0] <= last_on + 3:
                first = int(hidden[0])
                again = np.flatnonzero(seen[first:])
                # Where the far rim of a hull catches the ray, the shadow is not the top's.
                if again.size and not on[first + int(again[0])]:
                    start, end = float(r[first - 1]), float(r[first + int(again[0])])
                    if self.columns(line, end) > self.screen.half - 2:
                        start = end = math.nan
        bottom = float(self.seabed.ground(np.float64(lying.x), np.float64(lying.y)))
        lon, lat = self.place.lonlat(lying.x, lying.y)
        out: dict[str, Any] = {
            "name": body.name,
            "kind": body.kind,
            "side": side,
            "line": line,
            "lon": float(lon),
            "lat": float(lat),
            "height_m": body.height_m,
            "length_m": body.length_m,
            "width_m": body.width_m,
            "angle_deg": body.angle_deg,
            "slant_range_m": slant,
            "ground_range_m": body.ground_m,
            "shadow_start_m": start,
            "shadow_end_m": end,
            "depth_m": float(self.pings.z[line]) - bottom,
            "top_z_m": up + float(self.pings.z[line]),
        }
        out["x"], out["y"] = self.pixel(side, line, slant)
        out["echo_x0"], out["echo_y0"] = self.pixel(side, line, float(echo.min()))
        out["echo_x1"], out["echo_y1"] = self.pixel(side, line, float(echo.max()))
        for k, value in (("0", start), ("1", end)):
            x, y = (math.nan, math.nan) if math.isnan(value) else self.pixel(side, line, value)
            out[f"shadow_x{k}"], out[f"shadow_y{k}"] = x, y
        return out


def _choose(
    o: Options, truth: _Truth, covered: Bools, bad: Bools, rng: np.random.Generator
) -> tuple[list[Body], list[_Lying]]:
    """Bodies on both sides, apart from each other, in the open, seen once."""
    seabed, pings, screen = truth.seabed, truth.pings, truth.screen
    wanted = int(rng.integers(8, 11))
    kinds = ["boulder", "timber", "boulder", "patch", "wreck", "boulder", "timber", "patch"]
    kinds = (kinds + ["boulder"] * 4)[:wanted]
    chosen: list[Body] = []
    placed: list[_Lying] = []
    zones: list[tuple[str, float, float, float, float]] = []
    step = o.speed_mps * o.seconds_per_line
    for n, kind in enumerate(kinds):
        side = o.sides[n % len(o.sides)]
        for _ in range(150):
            line = int(rng.integers(20, o.lines - 20))
            nadir = seabed.ground(pings.x[line : line + 1], pings.y[line : line + 1])
            h = float(pings.z[line] - nadir[0])
            limit = float(screen.limit[line]) * o.sound_true_mps / o.sound_assumed_mps
            if 1.3 * h > 0.85 * limit:
                continue
            slant = rng.uniform(1.2 * h, 0.9 * limit)
            if kind == "wreck":
                slant = rng.uniform(1.3 * h, max(1.35 * h, 0.6 * limit))
            g = math.sqrt(slant**2 - h**2)
            body = _draw_body(kind, side, line, g, rng)
            lying = _lying(body, pings)
            # The body must pass the beam once, moving backwards, not too slowly (inside of a turn).
            ahead, right = pings.seen_from(lying.x, lying.y)
            near = slice(max(line - 25, 0), line + 26)
            lines = np.arange(o.lines)[near]
            rate = np.gradient(ahead[near])
            crosses = np.flatnonzero((ahead[:-1] < 0) != (ahead[1:] < 0))
            again = np.abs(right[crosses]) < 1.2 * limit
            if (rate < 0.35 * step).any() or (np.abs(crosses[again] - line) > 2).any():
                continue
            half = math.ceil((lying.reach + 0.8) / float(rate.min()))
            if line - half < 3 or line + half > o.lines - 4 or lines.size < 40:
                continue
            if bad[max(line - 12, 0) : line + 13].any():
                continue
            if np.ptp(screen.limit[max(line - half, 0) : line + half]) > 0:
                continue
            seabed.bodies = [lying]
            found = truth.of(body, lying)
            seabed.bodies = []
            if found is None or not 1.15 * h < found["slant_range_m"] < 0.93 * limit:
                continue
            far = found["shadow_end_m"]
            far = found["slant_range_m"] if math.isnan(far) else far
            zone = (side, line - half, line + half, slant - lying.reach - 1, far + lying.reach + 1)
            if any(_meet(zone, other) for other in zones):
                continue
            x, y = found["x"] - screen.corner[0], found["y"] - screen.corner[1]
            i, j = int(y), int(x)
            if covered[max(i - 8, 0) : i + 9, max(j - 8, 0) : j + 9].any():
                continue
            zones.append(zone)
            chosen.append(replace(body, name=f"{kind} {n + 1}"))
            placed.append(lying)
            break
    return chosen, placed


def _meet(
    a: tuple[str, float, float, float, float], b: tuple[str, float, float, float, float]
) -> bool:
    return a[0] == b[0] and a[1] <= b[2] and b[1] <= a[2] and a[3] <= b[4] and b[3] <= a[4]


# -- the track that is handed over --------------------------------------------------------------


def _tracks(
    o: Options,
    way: _Way,
    seabed: _Seabed,
    place: _Place,
    newest: np.datetime64,
    rng: np.random.Generator,
) -> tuple[dict[str, NDArray[Any]], dict[str, NDArray[Any]], tuple[float, float]]:
    span = o.lines * o.seconds_per_line
    # Whole seconds of the clock, not of the frame.
    whole = newest.astype("datetime64[s]").astype("datetime64[us]")
    lead = float((newest - whole) / np.timedelta64(1, "s"))
    k = np.arange(-math.ceil((span + 20) * o.track_hz), math.ceil(20 * o.track_hz) + 1)
    t = k / o.track_hz - lead
    time = whole + np.round(k / o.track_hz * 1e6).astype("timedelta64[us]")
    x, y, grid = way.at(t)
    true_heading = place.true_bearing(x, y, grid)
    h = np.radians(grid)
    f, s = o.lever_forward_m, o.lever_starboard_m
    below = seabed.ground(
        x + f * np.sin(h) + s * np.cos(h),
        y + f * np.cos(h) - s * np.sin(h),
    )
    depth = (-o.transducer_depth_m - below) * o.sound_assumed_mps / o.sound_true_mps
    lon, lat = place.lonlat(x, y)
    n = t.size
    true = {
        "time": time,
        "lon": lon,
        "lat": lat,
        "heading_deg": true_heading,
        "speed_mps": np.full(n, o.speed_mps),
        "depth_m": depth,
    }
    east, north = (float(v) for v in rng.normal(0, o.shared_error_m, 2))
    noisy_lon, noisy_lat = place.lonlat(
        x + east + rng.normal(0, o.jitter_m, n), y + north + rng.normal(0, o.jitter_m, n)
    )
    # Half of the variance steady, half slow: together heading_error_deg.
    steady, phase = rng.normal(0, o.heading_error_deg / math.sqrt(2)), rng.uniform(0, 6.28)
    slow = o.heading_error_deg * np.sin(2 * np.pi * t / rng.uniform(60, 140) + phase)
    depth_error = rng.normal(0, 0.01) * depth + rng.normal(0, 0.1, n)
    noisy = {
        "time": time.copy(),
        "lon": noisy_lon,
        "lat": noisy_lat,
        "heading_deg": (true_heading + steady + slow) % 360.0,
        "speed_mps": np.abs(o.speed_mps + rng.normal(0, 0.1, n)),
        "depth_m": depth + depth_error,
    }
    return noisy, true, (east, north)


# -- all together -------------------------------------------------------------------------------


def scene(seed: int, **options: Any) -> Frame:
    """Make a frame; the same seed and options give the same bytes.

    Parameters
    ----------
    seed : int
        Of all that is drawn by chance; each part has its own stream, so that an option changes only
        its own part.
    **options
        See `Options`.
    """
    o = Options(**options)

    def stream(part: int) -> np.random.Generator:
        return np.random.default_rng([seed, part])

    screen = _Screen(o)
    place = _Place(o.lon, o.lat)
    way = _way(o, stream(1))
    pings = _pings(o, way, stream(2))
    middle = -o.lines * o.seconds_per_line / 2
    seabed = _Seabed(o, float(np.interp(middle, way.t, way.course)), stream(3))
    # What the sounder takes for its altitude where it draws by ground range: right below, smoothed.
    water = pings.z - seabed.ground(pings.x, pings.y)
    off = stream(4)
    own = water * o.sound_assumed_mps / o.sound_true_mps * (1 + off.normal(0, 0.008))
    own = gaussian_filter1d(own + off.normal(0, 0.25, o.lines), 8.0, mode="nearest")
    truth = _Truth(o, screen, seabed, pings, place, own)

    hard = stream(5)
    bad = np.zeros(o.lines, bool)
    blank = np.zeros(o.lines, bool)
    stripes: list[tuple[int, int]] = []
    if o.stripes:
        stripes = _bands(o.lines, max(3, o.lines // 70), 1, 3, hard)
        for a, b in stripes:
            bad[a:b] = True
    if o.blank:
        for a, b in _bands(o.lines, 2, max(6, o.lines // 60), max(8, o.lines // 30), hard):
            blank[a:b] = True
        bad |= blank
    drawn = _drawn_over(o, screen, stream(6))
    w, h = screen.panel_size
    covered = np.zeros((h, w), bool) if drawn is None else drawn[1] > 0

    if o.bodies is None:
        bodies, placed = _choose(o, truth, covered, bad, stream(7))
    else:
        bodies = [replace(b, name=b.name or f"{b.kind} {n + 1}") for n, b in enumerate(o.bodies)]
        placed = [_lying(b, pings) for b in bodies]
    seabed.bodies = list(placed)
    features: list[dict[str, Any]] = []
    if o.pipe:
        features.append(_pipe(o, truth, stream(8)))
    targets = [t for b, p in zip(bodies, placed, strict=True) if (t := truth.of(b, p)) is not None]

    deepest = float(own.max())
    pad = 0
    if o.axis == "ground":
        limit = screen.limit
        pad = int(np.ceil(((np.hypot(limit, deepest) - limit) / screen.scale).max())) + 4
    floating = _floating(o, seabed, pings, stream(9))
    power, first = _trace(o, screen, seabed, pings, floating, pad)
    # The fan begins half a sample out; the point right below belongs to both sides.
    first = {s: np.minimum(r, water) for s, r in first.items()}
    light = _lines_picture(o, screen, power, pad, stream(10))
    if o.axis == "ground":
        light = _to_ground(o, screen, light, pad, own)
    apart = np.abs(np.arange(o.columns) + 0.5 - screen.centre)
    light[:, apart > screen.half] = 0.02
    noise = stream(11)
    for a, b in stripes:
        light[a:b] = np.clip(
            noise.uniform(0.35, 0.9, (b - a, 1)) * noise.uniform(0.6, 1.1, (b - a, o.columns)), 0, 1
        )
    if o.stripes:  # dashes of another sounder, running slantwise; they spoil no line
        for _ in range(o.lines // 12):
            i, j = int(noise.integers(0, o.lines)), int(noise.integers(0, o.columns - 12))
            light[i, j : j + 8] = np.maximum(light[i, j : j + 8], noise.uniform(0.4, 0.9))
    light[blank] = 0.0
    targets = [t for t in targets if _stands_out(light, screen, truth, t)]
    for t in targets:
        t["shadow_seen"] = _shadow_seen(light, screen, truth, t)

    panel = screen.turn(np.clip(light * 255 + 0.5, 0, 255).astype(np.uint8))
    if drawn is not None:
        panel = np.where(covered, drawn[0], panel).astype(np.uint8)
    straight = _whole_screen(screen, panel, stream(12))

    hidden_by = screen.turn_back(covered)
    bad_side = {s: bad.copy() for s in o.sides}
    for s in o.sides:
        shown = first[s] * o.sound_assumed_mps / o.sound_true_mps
        if o.axis == "slant":
            at = screen.centre + SIGN[s] * shown / screen.scale
            for k in range(-3, 4):
                j = np.clip(at.astype(int) + k, 0, o.columns - 1)
                bad_side[s] |= hidden_by[np.arange(o.lines), j]
        first[s][blank] = np.nan
    bad = np.logical_or.reduce(list(bad_side.values()))

    newest = np.datetime64(o.newest_time, "us")
    track, true_track, shared = _tracks(o, way, seabed, place, newest, stream(13))
    layout = screen.layout()
    image, corners, matrix = straight, None, None
    if o.photo_tilt_deg is not None:
        image, corners, matrix = _photo(o, straight, stream(14))
        layout["display_corners"] = [[round(v, 3) for v in c] for c in corners]
        for t in targets:
            t["photo_x"], t["photo_y"] = (float(v) for v in _warp(matrix, (t["x"], t["y"])))
    lon, lat = place.lonlat(pings.x, pings.y)
    return Frame(
        image=image,
        straight=straight,
        layout=layout,
        layout_toml=_toml(layout),
        track=track,
        true_track=true_track,
        newest_time=newest,
        targets=targets,
        first_return_m=first,
        bad_lines=bad,
        bad_side=bad_side,
        water_depth_m=water,
        line_truth={
            "lon": lon,
            "lat": lat,
            "heading_deg": place.true_bearing(pings.x, pings.y, pings.heading),
            "z_m": pings.z,
        },
        slope_deg=o.slope_deg,
        lever={"forward_m": o.lever_forward_m, "starboard_m": o.lever_starboard_m},
        sound={"assumed_mps": o.sound_assumed_mps, "true_mps": o.sound_true_mps},
        shared_error_m=shared,
        altitude_shown_m=own,
        options=o,
        pixel_of=truth.pixel,
        photo_corners=corners,
        to_photo=matrix,
        features=features,
    )


def _stands_out(
    light: NDArray[np.float32], screen: _Screen, truth: _Truth, target: dict[str, Any]
) -> bool:
    """Whether an eye would find the echo: brighter or darker than what lies about it."""
    i, slant = target["line"], target["slant_range_m"]
    j = int(screen.centre + SIGN[target["side"]] * truth.columns(i, slant))
    around = light[max(i - 30, 0) : i + 31, max(j - 40, 0) : j + 41]
    middle = light[max(i - 2, 0) : i + 3, max(j - 4, 0) : j + 5]
    return bool(middle.mean() - np.median(around) > 0.6 * np.std(around))


def _shadow_seen(
    light: NDArray[np.float32], screen: _Screen, truth: _Truth, target: dict[str, Any]
) -> bool:
    """Whether an eye would find the shadow: it has one, darker than the ground behind it."""
    ends = [target["shadow_start_m"], target["shadow_end_m"]]
    if any(math.isnan(r) for r in ends):
        return False
    i, sign = target["line"], SIGN[target["side"]]
    a, b = sorted(int(screen.centre + sign * truth.columns(i, r)) for r in ends)
    if b - a < 4:
        return False
    around = light[max(i - 30, 0) : i + 31, max(a - 20, 0) : b + 20]
    return bool(light[i, a + 2 : b - 1].mean() < 0.7 * np.median(around))


def _pipe(o: Options, truth: _Truth, rng: np.random.Generator) -> dict[str, Any]:
    """Lay a straight pipe beside the track; its crest is given where lines see it."""
    pings, side = truth.pings, str(rng.choice(o.sides))
    line = o.lines // 2
    body = Body(
        kind="pipe",
        side=side,
        line=line,
        ground_m=rng.uniform(0.35, 0.6) * o.range_m,
        length_m=0.7 * o.lines * o.speed_mps * o.seconds_per_line,
        width_m=0.5,
        height_m=0.35,
        angle_deg=rng.uniform(-6, 6),
    )
    lying = _lying(body, pings)
    truth.seabed.bodies.append(lying)
    b = math.radians(lying.bearing_deg)
    along = np.linspace(-0.45, 0.45, 9) * lying.length
    x, y = lying.x + along * math.sin(b), lying.y + along * math.cos(b)
    lon, lat = truth.place.lonlat(x, y)
    px = np.full((9, 2), np.nan)
    for k in range(9):
        ahead, right = pings.seen_from(float(x[k]), float(y[k]))
        at = int(np.argmin(np.abs(ahead)))
        z = float(truth.seabed.height(x[k], y[k])) - float(pings.z[at])
        if abs(ahead[at]) < 0.3:
            px[k] = truth.pixel(side, at, math.hypot(float(right[at]), z))
    return {"kind": "pipe", "side": side, "lon": lon, "lat": lat, "x": px[:, 0], "y": px[:, 1]}


def looks_at(frame: Frame, target: Mapping[str, Any]) -> list[tuple[float, str, float]]:
    """Line coordinate, side and true slant range of each time that a target lay abeam within reach."""
    t = frame.line_truth
    n = len(t["lon"])
    azimuth, _, distance = pyproj.Geod(ellps="WGS84").inv(
        t["lon"], t["lat"], np.full(n, target["lon"]), np.full(n, target["lat"])
    )
    off = np.radians(azimuth - t["heading_deg"])
    ahead, right = distance * np.cos(off), distance * np.sin(off)
    out = []
    for k in np.flatnonzero(np.sign(ahead[1:]) != np.sign(ahead[:-1])):
        part = ahead[k] / (ahead[k] - ahead[k + 1])
        across = float(right[k] + part * (right[k + 1] - right[k]))
        slant = math.hypot(across, target["depth_m"])
        if slant < 0.98 * frame.options.range_m:
            out.append((float(k + part), "starboard" if across > 0 else "port", slant))
    return out


def hard_scene(seed: int, **options: Any) -> Frame:
    """All hardships at once, mixed by the seed; `options` win."""
    rng = np.random.default_rng([seed, 99])
    bottom = str(rng.choice(["flat", "slope", "bank", "wall", "ledge"]))
    lines = int(options.get("lines", 900))
    range_m, depth_m = float(rng.choice([30.0, 40.0, 60.0])), float(rng.uniform(7, 13))
    mix: dict[str, Any] = {
        "bottom": bottom,
        "bottom_side": str(rng.choice(["port", "starboard"])),
        "slope_deg": float(rng.uniform(-9, 9)) if bottom == "slope" else float(rng.uniform(-2, 2)),
        "turn": str(rng.choice(["straight", "gentle", "sharp"])),
        "range_m": range_m,
        "depth_m": depth_m,
        "crab_deg": float(rng.uniform(-6, 6)),
        "weak_side": str(rng.choice(["port", "starboard"])),
        "ringing": True,
        "stripes": True,
        "weed": True,
        "fish": True,
        "text": True,
        "blank": True,
        "newest": str(rng.choice(["top", "bottom", "left", "right"])),
        "noise": float(rng.uniform(1.0, 2.5)),
        "heave_m": float(rng.uniform(0.05, 0.25)),
    }
    if rng.random() < 0.4:
        mix["range_changes"] = ((int(lines * rng.uniform(0.4, 0.7)), range_m * 1.5),)
    return scene(seed, **{**mix, **options})


SCENES: dict[str, dict[str, Any]] = {
    "flat, straight": {},
    "flat, gentle turn": {"turn": "gentle"},
    "flat, sharp turn": {"turn": "sharp"},
    "flat, far north, newest below": {"lon": 3.0, "lat": 70.0, "newest": "bottom"},
    "flat, by ground range": {"axis": "ground"},
    "flat, one side": {"one_side": "starboard", "columns": 700},
    "flat, mirrored, newest left": {"newest": "left", "mirrored": True},
    "flat, range changed": {"range_changes": ((420, 60.0),)},
    "falls to starboard 4": {"bottom": "slope", "slope_deg": 4.0},
    "falls to port 7": {"bottom": "slope", "slope_deg": -7.0},
    "falls to starboard 10": {"bottom": "slope", "slope_deg": 10.0, "depth_m": 12.0},
    "falls to port 10, gentle turn": {
        "bottom": "slope",
        "slope_deg": -10.0,
        "depth_m": 12.0,
        "turn": "gentle",
    },
    "falls ahead 3": {"bottom": "slope", "slope_deg": 3.0, "slope_towards_deg": 0.0},
    "falls on the quarter 5, crabbing": {
        "bottom": "slope",
        "slope_deg": 5.0,
        "slope_towards_deg": 130.0,
        "crab_deg": 7.0,
    },
    "bank to starboard": {"bottom": "bank"},
    "bank to port, sharp turn": {"bottom": "bank", "bottom_side": "port", "turn": "sharp"},
    "wall to starboard": {"bottom": "wall"},
    "ledge": {"bottom": "ledge"},
    "ledge, weed, fish and stripes": {
        "bottom": "ledge",
        "weed": True,
        "fish": True,
        "stripes": True,
        "newest": "right",
    },
    "split screen, weak side, numbers, noise": {
        "split": True,
        "weak_side": "port",
        "text": True,
        "noise": 2.5,
        "centre": 588.4,
    },
}
"""Options by name for the test of accuracy: slopes to 10 degrees, turns, noise, every bottom."""
