"""A frame laid on the seabed: slant-corrected, placed along the track, north up in a metric grid.

Each line of a frame is a straight ray from the transducer, abeam to its side; between two
neighbouring lines the picture is a ruled surface. For every pixel of the strip the line and the
ground range g are found by cutting the lines with the rows or columns of the strip, whichever
crosses them more squarely, so that no line is ever pushed forward onto the strip and no hole is
left between. The slant range is r = sqrt(g^2 + h^2) with the altitude h of the line (bottom taken
as level across, `athwart.geometry.slant`), and the echo is interpolated at r.

Where looks overlap in a turn, the nearer one (smaller g) stands.
What no line saw stays empty: the nadir, blank lines, gaps of the track, and the room between two
lines that are farther apart than a beam may spread.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from athwart.boat import Boat
from athwart.errors import DataError, UsageError
from athwart.fix import fix
from athwart.frame.when import seconds_back_of_distance
from athwart.geometry.geodesic import from_grid, local_grid, to_grid, wrap_longitude
from athwart.tables import Picks, Track, same_text

if TYPE_CHECKING:
    import shapely

    from athwart.frame.bottom import Bottom
    from athwart.frame.layout import Layout, SideEcho

__all__ = ["LevelBottom", "Strip", "areas_of", "place_strip"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Single = NDArray[np.float32]
Bytes = NDArray[np.uint8]

NADIR_COLUMNS = 2.0
"""Columns beyond the first bottom return that are left out: there one column of slant range is
spread over sqrt(2 h dr) of ground and tells nothing."""

WIDEST_BEAM_DEG = 3.0
"""Two lines that diverge by more than this leave empty room between them (common practice, no
source: horizontal beams of small boats' sonars are about 0.5 to 2 degrees)."""

WIDEST_STEP = 3.0
"""Lines may lie this many usual steps apart, besides the beam's spread."""

_CHUNK = 40_000  # crossings at a time, so that the working arrays stay in the processor's cache


@dataclass(frozen=True, eq=False, kw_only=True)
class Strip:
    """A picture of the seabed in a metric grid, north up.

    Parameters
    ----------
    echo : numpy.ndarray of uint8, shape (rows, columns)
        Strength, 0 to 255; 0 where empty too (see `mask`).
    range_m : numpy.ndarray of float32, shape (rows, columns)
        Ground range of the look that each pixel shows, metres; infinite where empty.
    epsg : int
        The grid, a UTM zone or UPS.
    left_m, top_m : float
        Easting of the left and northing of the top edge.
    pixel_m : float
        Side of a pixel.
    outline : shapely.MultiPolygon
        What was seen, longitude and latitude; the sides apart with the nadir open. Longitudes do
        not jump: they run beyond 180 degrees where a strip crosses the 180th meridian.
    words : tuple of str
        What was assumed or left out, for people.
    """

    echo: Bytes
    range_m: Single
    epsg: int
    left_m: float
    top_m: float
    pixel_m: float
    outline: shapely.MultiPolygon
    words: tuple[str, ...] = ()

    @property
    def mask(self) -> BoolArray:
        """Where something was seen."""
        return np.isfinite(self.range_m)

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """Six numbers (a, b, c, d, e, f): x = a column + b row + c, y = d column + e row + f."""
        return (self.pixel_m, 0.0, self.left_m, 0.0, -self.pixel_m, self.top_m)

    def pixel_of(self, lon: Any, lat: Any) -> tuple[FloatArray, FloatArray]:
        """Return row and column of places, continuous, 0 at the top and left edge."""
        x, y = to_grid(lon, lat, self.epsg)
        return (self.top_m - y) / self.pixel_m, (x - self.left_m) / self.pixel_m


class LevelBottom(NamedTuple):
    """A bottom that the user gives: slant range of the first return by side, shape (lines,), metres."""

    range_m: Mapping[str, FloatArray]


class _Lines(NamedTuple):
    """The lines of a frame in a metric grid."""

    x: FloatArray
    """Under the transducer, metres; NaN where unknown."""
    y: FloatArray
    dx: FloatArray
    """Grid metres for a metre of ground range to starboard as the screen has it."""
    dy: FloatArray
    epsg: int
    words: tuple[str, ...]


def place_strip(
    sides: Mapping[str, SideEcho],
    layout: Layout,
    bottom: Bottom | LevelBottom | None,
    track: Track,
    boat: Boat | None,
    newest_time: np.datetime64,
    *,
    pixel_m: float | None = None,
    epsg: int | None = None,
    max_pixels: int = 60_000_000,
    max_gap_s: float = 10.0,
    smooth_s: float = 1.5,
) -> Strip:
    """Lay a frame on the seabed.

    Parameters
    ----------
    sides : mapping of {"port", "starboard"} to SideEcho
        The echo, line 0 the newest, column 0 the nearest (`Layout.sides`).
    layout : Layout
        How the screen is laid out; tells how much time or distance a line takes and whether the
        range axis is slant or ground.
    bottom : Bottom, LevelBottom or None
        First bottom return of each line and side, metres as the screen has them; not needed where
        the axis is ground range. A line without one stays empty.
    track : Track
        Where the boat was.
    boat : Boat or None
        Lever arm, water, compass and clock; the defaults without one.
    newest_time : datetime64
        When line 0 was drawn, UTC on the picture's clock (the boat's clock offset is added).
    pixel_m : float, optional
        Side of a pixel; about that of a column of the frame if not given.
    epsg : int, optional
        Metric grid; the UTM zone of the strip's middle, or UPS near the poles, if not given.
    max_pixels : int
        Where the strip would hold more, its pixels are made larger, and it is said.
    max_gap_s : float
        Longest gap of the track that is bridged, seconds.
    smooth_s : float
        Standard deviation of the window over which place and heading of the lines are smoothed
        (a local parabola, so that a steady turn is kept), seconds; 0 for none. Without it the
        jitter of a receiver or compass would shuffle neighbouring lines.

    Returns
    -------
    Strip

    Raises
    ------
    DataError
        No line can be placed, or nothing says how much time or distance a line takes.
    UsageError
        A pixel size or a number of pixels that cannot be.
    """
    boat = boat or Boat()
    if pixel_m is not None and not (np.isfinite(pixel_m) and pixel_m > 0):
        raise UsageError(f"the pixel size is {pixel_m!r} m; allowed is a number above 0")
    if max_pixels < 1:
        raise UsageError(f"max_pixels is {max_pixels}; allowed is 1 or more")
    if not sides:
        raise DataError("the frame has no side; give port, starboard or both")
    counts = {len(s.echo) for s in sides.values()}
    if len(counts) != 1:
        raise DataError("the two sides of the frame have different numbers of lines")
    count = counts.pop()
    lines = _place_lines(layout, count, track, boat, newest_time, max_gap_s, smooth_s, epsg)
    ratio = _sound_ratio(boat, track)
    fans = []
    for side, echo in sides.items():
        sign = {"port": -1.0, "starboard": 1.0}.get(side)
        if sign is None:
            raise DataError(f"side is {side!r}; allowed is port, starboard")
        first = None if bottom is None else bottom.range_m.get(side)
        if first is None and layout.axis == "slant":
            raise DataError(
                f"nothing says how deep the water is on the {side} side, which a frame with slant "
                "ranges needs; find the bottom line first"
            )
        fans.append(_fan(echo, first, layout.axis, sign, lines, ratio))
    if not any(f.ok.any() for f in fans):
        raise DataError(
            "no line of the frame can be placed: no bottom is known on any, or all of it is blank"
        )
    words = list(lines.words)
    scale = np.median(np.concatenate([f.scale_m[f.ok] for f in fans]))
    wanted = float(f"{scale:.2g}") if pixel_m is None else float(pixel_m)
    box = _box(fans)
    pixel = _fitting_pixel(box, wanted, max_pixels)
    if pixel != wanted:
        words.append(
            f"the strip is large, so its pixels are {pixel:g} m wide instead of {wanted:g} m"
        )
    left, top = np.floor(box[0] / pixel) * pixel, np.ceil(box[3] / pixel) * pixel
    width = int(np.ceil((box[2] - left) / pixel)) + 1
    height = int(np.ceil((top - box[1]) / pixel)) + 1
    echo_out = np.zeros(height * width, np.uint8)
    range_out = np.full(height * width, np.inf, np.float32)
    step = _usual_step(lines)
    for fan in fans:
        _draw(fan, echo_out, range_out, (height, width), left, top, pixel, step)
    return Strip(
        echo=echo_out.reshape(height, width),
        range_m=range_out.reshape(height, width),
        epsg=lines.epsg,
        left_m=float(left),
        top_m=float(top),
        pixel_m=pixel,
        outline=_outline(fans, lines.epsg, step),
        words=tuple(words),
    )


# ---- where the lines are --------------------------------------------------------------------


def _place_lines(
    layout: Layout,
    count: int,
    track: Track,
    boat: Boat,
    newest: np.datetime64,
    max_gap_s: float,
    smooth_s: float,
    epsg: int | None,
) -> _Lines:
    """Say where the transducer was and which way was abeam when each line was drawn."""
    # Depths are not wanted here; one below datum would be refused.
    track = replace(track, depth_m=np.full(len(track), np.nan))
    newest = newest.astype("datetime64[us]")
    clock = _line_clock(layout, newest, track, boat, max_gap_s)
    per_line = _usual_time(clock(np.arange(count)))
    sigma = smooth_s / per_line if per_line > 0 else 0.0
    pad = int(min(np.ceil(3.0 * sigma), 4 * count + 100)) if sigma >= 0.5 else 0
    number = np.arange(-pad, count + pad)
    back = clock(number)
    known = np.flatnonzero(np.isfinite(back))
    time = newest - np.rint(back[known] * 1e6).astype("timedelta64[us]")
    reach = 100.0
    n = len(known)
    picks = Picks.from_columns(
        {
            "time": np.concatenate([time] * 2),
            "side": same_text(2 * n, "starboard"),
            "ground_range_m": np.repeat([0.0, reach], n),
        }
    )
    done = fix(
        picks,
        track=track,
        boat=boat,
        measured=True,
        max_gap_s=max_gap_s,
        skip_bad=True,
        with_ids=False,
        method="picture",
    )
    lon, lat = np.full((2, 2, len(number)), np.nan)
    which, row = np.divmod(done.rows, max(n, 1))
    lon[which, known[row]] = done.sightings.lon
    lat[which, known[row]] = done.sightings.lat
    own = slice(pad, pad + count)
    inside = np.isfinite(lon[:, own]).all(axis=0)
    if not inside.any():
        why = next((r.message for r in done.rejected), "its time does not lie on the track")
        raise DataError(f"no line of the frame can be placed on the track: {why}")
    if epsg is None:
        middle = np.flatnonzero(inside)[int(inside.sum()) // 2] + pad
        epsg = local_grid(float(lon[0, middle]), float(lat[0, middle]))
    with np.errstate(invalid="ignore"):
        x, y = to_grid(lon, lat, epsg)
    columns = np.stack([x[0], y[0], (x[1] - x[0]) / reach, (y[1] - y[0]) / reach], axis=1)
    columns[~np.isfinite(columns).all(axis=1)] = np.nan
    if not np.isfinite(columns[own]).any():
        raise DataError(f"the grid EPSG:{epsg} does not reach the frame; leave the grid out")
    length = np.hypot(columns[:, 2], columns[:, 3])
    if pad:
        columns = _smoothed(columns, sigma)
        turned = np.hypot(columns[:, 2], columns[:, 3])
        columns[:, 2:] *= (length / np.where(turned > 0, turned, 1.0))[:, None]
    words = []
    lost = int(count - inside.sum())
    if lost:
        words.append(f"{lost} of {count} lines are not on the track and stay empty")
    x_line, y_line, dx, dy = columns[own].T
    return _Lines(x_line, y_line, dx, dy, epsg, tuple(words))


def _line_clock(
    layout: Layout, newest: np.datetime64, track: Track, boat: Boat, max_gap_s: float
) -> Callable[[NDArray[np.int64]], FloatArray]:
    """Return what gives the seconds before the newest line for numbers of lines; NaN off the track."""
    if np.isnat(newest):
        raise DataError("nothing says when the newest line was drawn; give its time")
    seconds, metres = layout.seconds_per_line, layout.metres_per_line
    if seconds is not None:
        return lambda number: np.asarray(number * seconds, np.float64)
    if metres is None:
        raise DataError(
            "nothing says how much time or distance a line takes; measure it, or set "
            "seconds_per_line or metres_per_line in the layout"
        )
    if (~np.isnat(track.time)).sum() < 2:
        raise DataError("the track has no two points with times, so distance cannot be followed")
    return lambda number: seconds_back_of_distance(
        number * metres, newest, track, boat=boat, max_gap_s=max_gap_s
    )


def _usual_time(back: FloatArray) -> float:
    """Return the seconds that a line takes most often, from the seconds back of all lines."""
    step = np.diff(back)
    step = step[np.isfinite(step)]
    return float(np.median(step)) if len(step) else 0.0


def _smoothed(columns: FloatArray, sigma: float) -> FloatArray:
    """Fit a parabola about each row with Gaussian weights; rows without numbers count nothing."""
    from scipy.ndimage import correlate1d

    half = max(int(np.ceil(3.0 * sigma)), 1)
    j = np.arange(-half, half + 1) / sigma
    weight = np.exp(-0.5 * j**2)
    ok: BoolArray = np.asarray(np.isfinite(columns).all(axis=1))
    middle = columns[ok].mean(axis=0)
    values = np.where(ok.reshape(-1, 1), columns - middle, 0.0)
    moments = np.stack(
        [correlate1d(ok.astype(np.float64), weight * j**p, mode="constant") for p in range(5)]
    )
    sums = np.stack(
        [correlate1d(values, weight * j**p, axis=0, mode="constant") for p in range(3)], axis=1
    )
    matrix = np.stack([moments[p : p + 3] for p in range(3)]).transpose(2, 0, 1)
    # Near the end of what is known a parabola is not held down; there the line stays as it is.
    enough = np.flatnonzero(ok & (np.linalg.cond(matrix) < 1e6))
    out = columns.copy()
    if len(enough):
        out[enough] = np.linalg.solve(matrix[enough], sums[enough])[:, 0] + middle
    return out


def _sound_ratio(boat: Boat, track: Track) -> float:
    warm = track.water_temperature_c[np.isfinite(track.water_temperature_c)]
    ratio, _ = boat.sound_ratio(float(np.median(warm)) if len(warm) else np.nan)
    return float(ratio)


def _usual_step(lines: _Lines) -> float:
    step = np.hypot(np.diff(lines.x), np.diff(lines.y))
    step = step[np.isfinite(step)]
    return float(np.median(step)) if len(step) else 0.0


# ---- one side -------------------------------------------------------------------------------


class _Fan(NamedTuple):
    """One side's lines: where each starts, where it points and how range lies on it."""

    echo: Single
    x: FloatArray
    y: FloatArray
    dx: FloatArray
    """Grid metres for a metre of ground range on this side."""
    dy: FloatArray
    ok: BoolArray
    near_m: FloatArray
    """Ground range of the first pixel that is shown, and of the last."""
    far_m: FloatArray
    altitude_m: FloatArray
    """True altitude; 0 where the screen shows ground range."""
    scale_m: FloatArray
    """True metres of the screen's range for a column."""
    start: float


def _fan(
    echo: SideEcho,
    first: FloatArray | None,
    axis: str,
    sign: float,
    lines: _Lines,
    ratio: float,
) -> _Fan:
    strength = np.asarray(echo.echo, np.float32)
    count, columns = strength.shape
    scale = np.broadcast_to(np.asarray(echo.scale_m, np.float64), (count,)) * ratio
    start = float(echo.start_columns)
    far = (columns - 0.5 + start) * scale
    near = (0.5 + start) * scale
    if axis == "slant":
        altitude = np.asarray(first, np.float64) * ratio
        with np.errstate(invalid="ignore"):
            begin = np.maximum(altitude + NADIR_COLUMNS * scale, near)
            near = np.sqrt(np.maximum(begin**2 - altitude**2, 0.0))
            far = np.sqrt(far**2 - altitude**2)
    else:
        altitude = np.zeros(count)
        near = np.maximum(near, 0.0)
    ok = np.isfinite(lines.x) & np.isfinite(far) & np.isfinite(near) & (near < far) & (scale > 0)
    blank = strength.max(axis=1) == strength.min(axis=1) if columns else np.ones(count, bool)
    return _Fan(
        echo=strength,
        x=lines.x,
        y=lines.y,
        dx=sign * lines.dx,
        dy=sign * lines.dy,
        ok=ok & ~blank,
        near_m=near,
        far_m=far,
        altitude_m=altitude,
        scale_m=scale,
        start=start,
    )


def _box(fans: list[_Fan]) -> tuple[float, float, float, float]:
    """Return left, bottom, right, top of all that may be drawn, metres."""
    xs, ys = [], []
    for f in fans:
        for reach in (f.near_m, f.far_m):
            xs.append((f.x + reach * f.dx)[f.ok])
            ys.append((f.y + reach * f.dy)[f.ok])
    x, y = np.concatenate(xs), np.concatenate(ys)
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _fitting_pixel(box: tuple[float, float, float, float], pixel: float, max_pixels: int) -> float:
    width, height = box[2] - box[0], box[3] - box[1]
    while (width / pixel + 2.0) * (height / pixel + 2.0) > max_pixels:
        grow = np.sqrt((width / pixel + 2.0) * (height / pixel + 2.0) / max_pixels)
        pixel = float(f"{pixel * max(grow, 1.01):.3g}")
        if pixel > 2.0 * max(width, height, 1.0):
            break
    return pixel


def _draw(
    fan: _Fan,
    echo_out: Bytes,
    range_out: Single,
    shape: tuple[int, int],
    left: float,
    top: float,
    pixel: float,
    step: float,
) -> None:
    """Draw a side into flat arrays where it is nearer than what stands there."""
    # In the strip's pixels, whole numbers at pixel centres; rows run south.
    x, y = (fan.x - left) / pixel - 0.5, (top - fan.y) / pixel - 0.5
    dx, dy = fan.dx / pixel, -fan.dy / pixel
    with np.errstate(invalid="ignore"):
        pair = fan.ok[:-1] & fan.ok[1:] & (dx[:-1] * dx[1:] + dy[:-1] * dy[1:] > 0)
        # Lines that run rather across are cut by the strip's columns, the others by its rows.
        across = np.abs(dx[:-1] + dx[1:]) >= np.abs(dy[:-1] + dy[1:])
    kind = np.where(pair, np.where(across, 1, 2), 0)
    edges = np.flatnonzero(np.diff(kind)) + 1
    for begin, end in zip([0, *edges.tolist()], [*edges.tolist(), len(kind)], strict=True):
        if begin == end or kind[begin] == 0:
            continue
        by_columns = kind[begin] == 1
        u, v, du, dv = (x, y, dx, dy) if by_columns else (y, x, dy, dx)
        strides = (1, shape[1]) if by_columns else (shape[1], 1)
        size = shape[1] if by_columns else shape[0]
        reach = np.abs(np.median(du[begin : end + 1])) * np.median(fan.far_m[begin : end + 1])
        rows = int(np.clip(_CHUNK / max(reach, 1.0), 4, 4096))
        for i in range(begin, end, rows):
            part = slice(i, min(i + rows, end) + 1)
            _draw_lines(
                fan, part, u, v, du, dv, size, strides, echo_out, range_out, step / pixel, pixel
            )


def _draw_lines(
    fan: _Fan,
    part: slice,
    u: FloatArray,
    v: FloatArray,
    du: FloatArray,
    dv: FloatArray,
    size: int,
    strides: tuple[int, int],
    echo_out: Bytes,
    range_out: Single,
    step_px: float,
    pixel: float,
) -> None:
    """Draw some neighbouring lines that all run rather along u.

    Every line is cut with every scan line u = whole number: ``at`` is where along v, ``g`` the
    ground range there. Between the cuts of two neighbours echo and g are linear.
    """
    from scipy.ndimage import map_coordinates

    u, v, du, dv = u[part], v[part], du[part], dv[part]
    near, far = fan.near_m[part], fan.far_m[part]
    ends = np.concatenate([u + near * du, u + far * du])
    low, high = max(int(np.floor(ends.min())), 0), min(int(np.ceil(ends.max())), size - 1)
    if high < low:
        return
    scan = np.arange(low, high + 1)
    cut = scan.astype(np.float32)
    # From the middle of the lines, so that single precision is enough.
    middle = float(np.floor((u + far * du / 2.0).mean()))
    off = (cut - np.float32(middle))[None, :]
    slope = dv / du

    def column(values: FloatArray) -> Single:
        return values.astype(np.float32)[:, None]

    at = off * column(slope)
    at += column(v + (middle - u) * slope)
    g = off * column(1.0 / du)
    g += column((middle - u) / du)
    col = g * g
    col += column(fan.altitude_m[part] ** 2)
    np.sqrt(col, out=col)
    where = np.empty((2, *g.shape), np.float32)
    where[0] = np.arange(len(u), dtype=np.float32)[:, None]
    np.multiply(col, column(1.0 / fan.scale_m[part]), out=where[1])
    where[1] -= np.float32(fan.start + 0.5)
    outside = g < column(near)
    where[1][outside] = -9.0
    seen = map_coordinates(
        fan.echo[part], where, order=1, output=np.float32, mode="constant", cval=np.nan,
        prefilter=False,
    )  # fmt: skip
    a, b = at[:-1], at[1:]
    first = np.ceil(np.minimum(a, b))
    count = np.ceil(np.maximum(a, b))
    count -= first
    apart = b - a
    widest = np.abs(apart[:, [0, -1]]).max()
    room = WIDEST_STEP * step_px + 1.0
    if widest > room:
        # A cut along v is longer than the distance of the lines, which slant against it.
        square = column(np.sqrt(1.0 + ((slope[1:] + slope[:-1]) / 2.0) ** 2))
        spread = np.radians(WIDEST_BEAM_DEG) / pixel / 2.0
        limit = (room + spread * np.maximum(g[:-1] + g[1:], 0.0)) * square
        count[np.abs(apart) > limit] = 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        part_of = first - a
        part_of /= apart
        more = seen[1:] - seen[:-1]
        value = part_of * more
        value += seen[:-1]
        further = g[1:] - g[:-1]
        distance = part_of * further
        distance += g[:-1]
    place = first.astype(np.intp)
    place *= strides[1]
    place += scan * strides[0]
    found = np.isfinite(value)
    found &= count > 0
    index = np.flatnonzero(found)
    value, distance, place = value.ravel()[index], distance.ravel()[index], place.ravel()[index]
    _put(echo_out, range_out, place, value, distance)
    # Where the lines lie apart, more than one pixel stands between two cuts.
    count = count.ravel()[index]
    turn = 1
    while (left := np.flatnonzero(count > turn)).size:
        index, count = index[left], count[left]
        with np.errstate(divide="ignore"):
            share = 1.0 / apart.ravel()[index]
        place = place[left] + strides[1]
        value = value[left] + share * more.ravel()[index]
        distance = distance[left] + share * further.ravel()[index]
        _put(echo_out, range_out, place, value, distance)
        turn += 1


def _put(
    echo_out: Bytes, range_out: Single, place: NDArray[np.intp], value: Single, range_m: Single
) -> None:
    """Write where nearer than what stands; of two at one place the nearer."""
    np.minimum.at(range_out, place, range_m)
    wins = range_out[place] == range_m
    grey = value * np.float32(255.0)
    grey += np.float32(0.5)
    np.clip(grey, 0.0, 255.0, out=grey)
    echo_out[place[wins]] = grey[wins].astype(np.uint8)


# ---- the outline ----------------------------------------------------------------------------


def _outline(fans: list[_Fan], epsg: int, step: float) -> shapely.MultiPolygon:
    """Return what was seen as polygons of both sides, longitude and latitude without jumps."""
    import shapely

    parts: list[Any] = []
    for f in fans:
        for begin, end in _runs(f.ok):
            # Short pieces, so that a turn in which the lines cross stays whole.
            knots = np.unique(np.append(np.arange(begin, end, 16), end - 1))
            if len(knots) < 2:
                knots = np.array([begin, begin])
            near = [f.x + f.near_m * f.dx, f.y + f.near_m * f.dy]
            far = [f.x + f.far_m * f.dx, f.y + f.far_m * f.dy]
            inner, outer = np.stack(near, axis=1)[knots], np.stack(far, axis=1)[knots]
            rings = np.stack([inner[:-1], outer[:-1], outer[1:], inner[1:]], axis=1)
            parts.append(shapely.make_valid(shapely.polygons(rings)))
    whole = shapely.union_all(np.concatenate(parts)) if parts else shapely.MultiPolygon()
    whole = shapely.simplify(areas_of(whole), max(step, 0.05) / 2.0)
    if whole.is_empty:
        return shapely.MultiPolygon()
    xy = shapely.get_coordinates(whole)
    lon, lat = from_grid(xy[:, 0], xy[:, 1], epsg)
    lon = lon[0] + wrap_longitude(lon - lon[0])
    return areas_of(shapely.set_coordinates(whole, np.stack([lon, lat], axis=1)))


def areas_of(shape: Any) -> shapely.MultiPolygon:
    """Return the areas of a shape, put in order, without what has no area."""
    import shapely

    parts = shapely.get_parts(shapely.make_valid(shape))
    parts = shapely.get_parts(parts)  # a collection may hold areas of many parts
    return shapely.MultiPolygon([g for g in parts if g.geom_type == "Polygon" and g.area > 0])


def _runs(ok: BoolArray) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], ok, [False]]).astype(np.int8)))
    return zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
