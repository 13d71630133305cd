"""From points of a frame to picks: time or distance back, depth, shadow, and their errors.

Standard errors besides those of the points (`athwart.frame.pixels`), one sigma each, independent:

- *Moment*: that of the newest line, the click along the time axis, and the error of the step from
  line to line times the lines that lie between.
- *Range* where the screen shows ground ranges: the sounder has turned r into y by its own altitude h
  over a level bottom, so (h sigma_h / y)^2 + (h s)^2 is added for that altitude's error and a slope
  s that it did not know.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.boat import Boat
from athwart.errors import BadRow, DataError, TableError
from athwart.frame.pixels import FramePoints
from athwart.frame.shadow_drag import Shadows
from athwart.frame.when import Moment, seconds_back_of_distance
from athwart.geometry.along import Path
from athwart.geometry.slant import slant_of_ground
from athwart.tables import Picks, Track, bad_rows, same_text
from athwart.uncertainty.budget import ErrorBudget

__all__ = ["altitudes", "to_picks"]

FloatArray = NDArray[np.float64]
TextArray = NDArray[np.object_]

TRUSTED = 0.5
"""Confidence from which on the bottom line wins over the track's depth."""

NEWEST_LINES = 3.0
"""Within these lines a point counts as on the newest line where a line's time is not known."""


def altitudes(
    where: FramePoints,
    moment: Moment,
    *,
    track: Track | None = None,
    boat: Boat | None = None,
    depth_m: ArrayLike = np.nan,
    depth_below: str = "transducer",
    max_gap_s: float = 10.0,
) -> FloatArray:
    """Return the altitude that `to_picks` will use at points, metres; NaN where nothing tells it.

    The parameters are those of `to_picks`.
    """
    boat = boat or Boat()
    back, _, _ = _back(where, moment, track, boat, 0.0, max_gap_s, [])
    return _depth(where, moment, back, track, boat, depth_m, depth_below, max_gap_s)[3]


def to_picks(
    where: FramePoints,
    moment: Moment,
    *,
    track: Track | None = None,
    boat: Boat | None = None,
    shadow: Shadows | None = None,
    uneven: ArrayLike = 0.0,
    depth_m: ArrayLike = np.nan,
    depth_below: str = "transducer",
    step_part: float = 0.0,
    max_gap_s: float = 10.0,
    picture_sha256: str = "",
    **columns: ArrayLike,
) -> Picks:
    """Make picks of points, ready for ``fix(..., method="picture")``.

    Parameters
    ----------
    where : FramePoints
        From `athwart.frame.pixels.points`.
    moment : Moment
        When the newest line was drawn.
    track : Track, optional
        Where the boat was. Turns a distance back into the moment when it was run, and gives the
        depth where neither the user nor a trusted bottom line does.
    boat : Boat, optional
        Clock offset and error budget.
    shadow : Shadows, optional
        A shadow for each point.
    uneven : array_like
        Standard error of the water at each thing, as a part of it, for a bottom that is no plane (see
        `athwart.frame.uneven`); nothing where the user gives the depth, which is that at the thing.
    depth_m : array_like
        The user's own depth reading; wins over the bottom line. NaN where there is none.
    depth_below : {"transducer", "surface"}
        What it is below.
    step_part : float
        Standard error of the time (or distance) of a line, as a part of it
        (``TimeStep.sigma_s / TimeStep.seconds_per_line``).
    max_gap_s : float
        Longest gap of the track that is bridged.
    picture_sha256 : str
        Kept beside each pick, with its pixel.
    **columns : array_like
        More columns of `Picks`, such as name, kind, note, lon, lat, heading_deg, target_depth_m.

    Returns
    -------
    Picks
        With a distance back but no track, `along_track_m` is negative (astern, on a straight way).

    Raises
    ------
    TableError
        Points that cannot become picks, every one with its sentence.
    """
    boat = boat or Boat()
    n = len(where)
    faults: list[BadRow] = []
    back, along, time_sigma = _back(where, moment, track, boat, step_part, max_gap_s, faults)
    depth, below, depth_sigma, known = _depth(
        where, moment, back, track, boat, depth_m, depth_below, max_gap_s
    )
    ground = where.axis == "ground"
    range_sigma = where.range_sigma_m
    if ground:
        range_sigma = np.hypot(range_sigma, _sounder_ground_error(where, known, boat.budget))
    start, length, length_sigma = (np.full(n, np.nan) for _ in range(3))
    if shadow is not None:
        start, length, length_sigma = _slant_shadow(where, shadow, known, faults)
    typed = np.isfinite(np.broadcast_to(np.asarray(depth_m, np.float64), (n,)))
    if faults:
        raise TableError("picture", sorted(faults, key=lambda f: f.row))
    values: dict[str, Any] = {
        "time": np.full(n, moment.time),
        "side": where.side,
        "ground_range_m" if ground else "slant_range_m": where.range_m,
        "depth_m": depth,
        "depth_below": below,
        "seconds_back": back,
        "along_track_m": along,
        "shadow_start_m": start,
        "shadow_m": length,
        "shadow_sigma_m": length_sigma,
        "uneven_part": np.where(typed, 0.0, np.asarray(uneven, np.float64)),
        "range_sigma_m": range_sigma,
        "depth_sigma_m": depth_sigma,
        "time_sigma_s": time_sigma,
    }
    taken = sorted(set(values) & set(columns))
    if taken:
        raise DataError(f"{taken[0]} comes from the picture; leave it out")
    return Picks.from_columns(
        values | columns,
        extra={
            "picture_sha256": same_text(n, picture_sha256),
            "picture_x_px": where.xy[:, 0],
            "picture_y_px": where.xy[:, 1],
        },
    )


def _back(
    where: FramePoints,
    moment: Moment,
    track: Track | None,
    boat: Boat,
    step_part: float,
    max_gap_s: float,
    faults: list[BadRow],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return seconds back, metres along and the standard error of the moment."""
    n = len(where)
    by_time, by_way = np.isfinite(where.seconds_back), np.isfinite(where.metres_back)
    lost = ~by_time & ~by_way & (where.line > NEWEST_LINES)
    faults += bad_rows(
        lost,
        "step-unknown",
        lambda i: (
            f"the point lies {where.line[i]:.0f} lines back, and nothing says how long a line "
            "takes; measure it, or point at the newest line"
        ),
    )
    own = np.zeros(n)
    with np.errstate(invalid="ignore", divide="ignore"):
        per_line = np.where(where.line > 0, where.seconds_back / where.line, 0.0)
        own = np.where(
            by_time, np.hypot(per_line * where.line_sigma, where.seconds_back * step_part), own
        )
    back = np.where(by_time, where.seconds_back, 0.0)
    along = np.zeros(n)
    if by_way.any():
        metres = np.where(by_way, where.metres_back, 0.0)
        if track is None or not len(track):
            along = -metres
        else:
            found = seconds_back_of_distance(
                metres, moment.time, track, boat=boat, max_gap_s=max_gap_s
            )
            faults += bad_rows(
                by_way & np.isnan(found),
                "way-not-on-track",
                lambda i: (
                    f"the point lies {metres[i]:.0f} m back, and the track does not reach back so "
                    "far from the newest line without a gap; check the time, or give another track"
                ),
            )
            # A metre of error along the way is so many seconds on the track.
            with np.errstate(invalid="ignore", divide="ignore"):
                per_line_m = np.where(where.line > 0, metres / where.line, 0.0)
                error = np.hypot(per_line_m * where.line_sigma, metres * step_part)
            there = seconds_back_of_distance(
                metres + np.maximum(error, 0.1),
                moment.time,
                track,
                boat=boat,
                max_gap_s=max_gap_s,
            )
            rate = (there - found) / np.maximum(error, 0.1)
            own = np.where(by_way, np.nan_to_num(rate * error), own)
            back = np.where(by_way, np.nan_to_num(found), back)
    return back, along, np.hypot(own, moment.sigma_s)


def _depth(
    where: FramePoints,
    moment: Moment,
    back: FloatArray,
    track: Track | None,
    boat: Boat,
    depth_m: ArrayLike,
    depth_below: str,
    max_gap_s: float,
) -> tuple[FloatArray, TextArray, FloatArray, FloatArray]:
    """Return the depth for each pick, what it is below, its error, and the altitude as far as known.

    The user's depth comes first, then a trusted bottom line, then the track's depth (left to
    `fix`: NaN here), then whatever the bottom line says.
    """
    n = len(where)
    typed = np.broadcast_to(np.asarray(depth_m, np.float64), (n,))
    on_track = np.full(n, np.nan)
    if track is not None and len(track):
        path = Path(track.time, track.lon, track.lat, max_gap_s=max_gap_s)
        offset = np.timedelta64(round(boat.clock_offset_s * 1e6), "us")
        time = moment.time + offset - np.rint(back * 1e6).astype("timedelta64[us]")
        on_track = path.samples(track.depth_m).at(path.to_seconds(time), max_gap_s)
    by_hand = np.isfinite(typed)
    seen = np.isfinite(where.altitude_m)
    by_line = ~by_hand & seen & ((where.confidence >= TRUSTED) | np.isnan(on_track))
    depth = np.where(by_hand, typed, np.where(by_line, where.altitude_m, np.nan))
    below = np.where(by_hand, depth_below, np.where(by_line, "transducer", "")).astype(object)
    sigma = np.where(by_line, where.altitude_sigma_m, np.nan)
    known = np.where(by_hand | by_line, depth, on_track)
    draft = boat.transducer_depth_m
    if math.isfinite(draft):
        known = np.where(by_hand & (below == "surface"), known - draft, known)
    return depth, below, sigma, known


def _sounder_ground_error(
    where: FramePoints, altitude_m: FloatArray, budget: ErrorBudget
) -> FloatArray:
    """Return the error of a ground range that the sounder worked out, besides the pointing."""
    h = np.nan_to_num(altitude_m)
    sigma = budget.depth_sigma(h)
    near = np.sqrt(2.0 * h * sigma)  # within it, the range tells little of where the echo is
    with np.errstate(divide="ignore", invalid="ignore"):
        by_altitude = np.where(h > 0, h * sigma / np.maximum(where.range_m, near), 0.0)
    return np.hypot(by_altitude, h * math.radians(budget.slope_deg))


def _slant_shadow(
    where: FramePoints, shadow: Shadows, altitude_m: FloatArray, faults: list[BadRow]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return start and length of the shadows along the sound ray, and the length's error."""
    if len(shadow.side) != len(where):
        raise DataError(
            f"there are {len(shadow.side)} shadows for {len(where)} points; give one each, NaN for "
            "none"
        )
    given = np.isfinite(shadow.start_m)
    faults += bad_rows(
        given & (shadow.side != where.side),
        "shadow-on-other-side",
        lambda i: f"the shadow lies to {shadow.side[i]}, the point to {where.side[i]}",
    )
    start, end = shadow.start_m, shadow.start_m + shadow.length_m
    if where.axis == "ground":
        faults += bad_rows(
            given & np.isnan(altitude_m),
            "depth-missing",
            lambda i: "a shadow on a screen of ground ranges needs a depth; type it",
        )
        start, end = slant_of_ground(start, altitude_m), slant_of_ground(end, altitude_m)
    length = end - start
    with np.errstate(invalid="ignore"):
        return start, length, shadow.length_sigma_m * (length / shadow.length_m)
