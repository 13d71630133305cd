"""From points on a frame to picks: side, range, time or distance back, altitude, and their errors.

Standard errors, one sigma each, independent:

- *Range*: sigma_r^2 = d^2 (1/12 + c^2) + (p r)^2 + f^2 with the column d (m), the click c (columns),
  the screen's scale p (1 %) and a floor f for the pulse and the beam. Where the screen shows ground
  ranges the sounder has turned r into y by its own altitude h over a level bottom, so
  (h sigma_h / y)^2 + (h s)^2 is added for that altitude's error and a slope s that it did not know.
- *Altitude*: the bottom line's own error, a column, the sounder's (0.1 m + 1 %), and, with the
  chance 1 - confidence that the line follows something else, a third of the altitude and as much as
  it differs from the next confident lines.
- *Moment*: that of the newest line, the click along the time axis, and the error of the step from
  line to line times the lines that lie between.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.boat import Boat
from athwart.errors import BadRow, DataError, TableError
from athwart.fix import fix
from athwart.frame.bottom import CONFIDENT
from athwart.frame.layout import Layout
from athwart.frame.photo import Straightener
from athwart.frame.when import Moment, seconds_back_of_distance
from athwart.geometry.along import Path
from athwart.geometry.slant import slant_of_ground
from athwart.tables import Picks, Track, bad_rows, same_text
from athwart.uncertainty.budget import ErrorBudget
from athwart.uncertainty.ellipse import r95

if TYPE_CHECKING:
    from athwart.frame.bottom import Bottom
    from athwart.frame.layout import SideEcho

__all__ = [
    "CLICK_PX",
    "CORNER_PX",
    "FramePoints",
    "Shadows",
    "Shape",
    "Sizes",
    "altitudes",
    "found_shadows",
    "place_shape",
    "points",
    "shadows",
    "sizes",
    "to_picks",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]

CLICK_PX = 1.5
"""Standard error of a click, pixels an axis; common practice, no source."""

CORNER_PX = 2.0
"""Standard error of a display's corner in a photo, photo pixels an axis; common practice."""

RANGE_FLOOR_M = 0.1
"""Pulse and footprint: no range is known better than this, metres; common practice, no source."""

SHADOW_FLOOR_M = 0.3
"""Least standard error of the length of a shadow as it was drawn, metres; common practice."""

TRUSTED = 0.5
"""Confidence from which on the bottom line wins over the track's depth."""

LOST_PART = 1 / 3
"""Standard error of the altitude, as a part of it, where the bottom line follows something else."""

SLACK_PX = 3.0
"""A click may miss the panel or the range limit by this much."""

NEWEST_LINES = 3.0
"""Within these lines a point counts as on the newest line where a line's time is not known."""


@dataclass(frozen=True, eq=False, kw_only=True)
class FramePoints:
    """Points of a frame in the boat's terms; every field but `axis` is an array of shape (n,).

    Parameters
    ----------
    xy : numpy.ndarray, shape (n, 2)
        The pixels.
    side : numpy.ndarray of str
        ``"port"`` or ``"starboard"``.
    line : numpy.ndarray
        Line coordinate, 0 in the middle of the newest.
    seconds_back, metres_back : numpy.ndarray
        Since the newest line; NaN where the layout does not tell.
    range_m : numpy.ndarray
        Along the axis of the screen, metres as the screen has them.
    axis : {"slant", "ground"}
        What it is.
    altitude_m, altitude_sigma_m, confidence : numpy.ndarray
        Of the transducer above the bottom there, as the screen has it; NaN without a bottom line.
    range_sigma_m : numpy.ndarray
        Standard error of the range as it was pointed at.
    line_sigma : numpy.ndarray
        Standard error of the line coordinate.
    """

    xy: FloatArray
    side: TextArray
    line: FloatArray
    seconds_back: FloatArray
    metres_back: FloatArray
    range_m: FloatArray
    axis: str
    altitude_m: FloatArray
    altitude_sigma_m: FloatArray
    confidence: FloatArray
    range_sigma_m: FloatArray
    line_sigma: FloatArray

    def __len__(self) -> int:
        return len(self.line)


def points(
    layout: Layout,
    bottom: Bottom | None,
    xy: ArrayLike,
    *,
    click_px: ArrayLike = CLICK_PX,
    straightener: Straightener | None = None,
    corner_px: float = CORNER_PX,
    budget: ErrorBudget | None = None,
) -> FramePoints:
    """Say what points of a frame are.

    Parameters
    ----------
    layout : Layout
        Of this picture (see `Layout.for_picture`).
    bottom : Bottom or None
        Its bottom line; not needed where the screen shows ground ranges.
    xy : array_like, shape (2,) or (n, 2)
        Pixels of the (straightened) picture.
    click_px : array_like
        Standard error of the click, pixels; photo pixels if a straightener is given.
    straightener : Straightener, optional
        Of a photo; its scale and the corners' error enter.
    corner_px : float
        Standard error of its corners, photo pixels.
    budget : ErrorBudget, optional
        Scale of the screen and the sounder's error; the defaults without one.

    Raises
    ------
    TableError
        Points outside the panel or beyond its range limit, every one with its sentence.
    """
    budget = budget or ErrorBudget()
    p = np.asarray(xy, np.float64)
    if p.ndim not in (1, 2) or p.shape[-1] != 2:
        raise DataError(f"points have the shape {p.shape}; allowed is (2,) or (n, 2)")
    p = np.atleast_2d(p)
    line = layout.line_of(p)
    side, range_m = layout.range_of(p)
    column = layout.metres_per_pixel(side, line)
    faults = _outside(layout, p, side, line, range_m, column)
    if faults:
        raise TableError("picture", faults)
    click = np.broadcast_to(np.asarray(click_px, np.float64), line.shape)
    if straightener is not None:
        # Inside the display the corners' errors come as a weighted mean, at most one corner's.
        click = np.hypot(click, corner_px) / straightener.photo_pixels(p)
    cell = np.sqrt(1.0 / 12.0 + click**2)
    range_sigma = np.sqrt(
        (cell * column) ** 2 + (budget.range_part * range_m) ** 2 + RANGE_FLOOR_M**2
    )
    index = layout.line_index(line)
    altitude, confidence, spread = _altitude(bottom, index, layout)
    lost = (1.0 - confidence) * (LOST_PART * altitude) ** 2
    altitude_sigma = np.sqrt(spread**2 + column**2 + budget.depth_sigma(altitude) ** 2 + lost)
    line = np.clip(line, 0.0, layout.lines - 1.0)
    return FramePoints(
        xy=p,
        side=side,
        line=line,
        seconds_back=line * (layout.seconds_per_line or np.nan),
        metres_back=line * (layout.metres_per_line or np.nan),
        range_m=range_m,
        axis=layout.axis,
        altitude_m=altitude,
        altitude_sigma_m=altitude_sigma,
        confidence=confidence,
        range_sigma_m=range_sigma,
        line_sigma=np.asarray(cell),
    )


def _outside(
    layout: Layout,
    xy: FloatArray,
    side: TextArray,
    line: FloatArray,
    range_m: FloatArray,
    column: FloatArray,
) -> list[BadRow]:
    unknown: BoolArray = np.asarray(~np.isfinite(xy).all(axis=1))
    away = ~unknown & ~layout.inside(xy, SLACK_PX)
    shown = " and ".join(layout.side_names)
    dark = ~unknown & ~away & (side == "")
    limit = np.full(layout.lines, layout.range_m)
    for change in layout.range_changes:
        limit[change.line :] = change.range_m
    limit = limit[layout.line_index(line)]
    far = ~unknown & ~away & ~dark & (range_m > limit + SLACK_PX * np.nan_to_num(column))

    def at(i: int) -> str:
        return f"the point ({xy[i, 0]:.0f}, {xy[i, 1]:.0f})"

    return [
        *bad_rows(unknown, "point-unreadable", lambda i: "the point is no pair of numbers"),
        *bad_rows(
            away, "outside-panel", lambda i: f"{at(i)} lies outside the sonar panel; point into it"
        ),
        *bad_rows(
            dark,
            "side-not-shown",
            lambda i: (
                f"{at(i)} lies across the centre line, but the screen shows {shown} only; check the "
                "centre line"
            ),
        ),
        *bad_rows(
            far,
            "beyond-range",
            lambda i: (
                f"{at(i)} lies at {range_m[i]:.1f} m, beyond the range limit of {limit[i]:g} m; "
                "check the limit"
            ),
        ),
    ]


def _altitude(
    bottom: Bottom | None, index: NDArray[np.int64], layout: Layout
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return altitude, confidence and the bottom line's own standard error at lines."""
    if bottom is None:
        none = np.full(index.shape, np.nan)
        return none, none, none
    if bottom.lines != layout.lines:
        raise DataError(
            f"the bottom line has {bottom.lines} lines, the panel {layout.lines}; find it anew"
        )
    both = bottom.altitude()
    altitude, confidence = both.altitude_m[index], both.confidence[index]
    spread = np.zeros(index.shape)
    for side in bottom.sides:
        here = bottom.range_m[side][index] == altitude
        spread = np.where(here, np.maximum(spread, bottom.range_sigma_m[side][index]), spread)
    confidence = np.clip(confidence, 0.0, 1.0)
    found = np.flatnonzero(both.confidence >= CONFIDENT)
    if found.size:
        # A line that strays may be as wrong as it is far from the confident ones on either side.
        after = np.searchsorted(found, index)
        ends = found[np.clip([after - 1, after], 0, found.size - 1)]
        apart = np.abs(altitude - both.altitude_m[ends]).max(axis=0)
        spread = np.hypot(spread, np.sqrt(1.0 - confidence) * apart)
    return altitude, confidence, spread


class Shadows(NamedTuple):
    """Shadows, along the screen's axis: side, start and length, metres, and the length's error.

    NaN (and side ``""``) where there is none. ``dark_m`` and ``end_m`` are where the dark begins and
    ends, ``line`` on which line; as they were drawn, or as they were found in the picture, and
    ``dark_found`` and ``end_found`` say which of them it told. What was found allows for the crest of a round-backed thing, so that its start lies before the dark
    (see `athwart.frame.shadow`).
    """

    side: TextArray
    start_m: FloatArray
    length_m: FloatArray
    length_sigma_m: FloatArray
    line: FloatArray
    dark_m: FloatArray
    end_m: FloatArray
    dark_found: BoolArray
    end_found: BoolArray

    @property
    def found(self) -> BoolArray:
        """Whether the picture told an end."""
        return self.dark_found | self.end_found

    def xy(self, layout: Layout) -> FloatArray:
        """Return the pixels of where the dark begins and ends, shape (n, 2, 2)."""
        near = layout.pixel_of(self.side, self.line, self.dark_m)
        return np.stack([near, layout.pixel_of(self.side, self.line, self.end_m)], axis=1)


def _drag_array(xy: ArrayLike) -> FloatArray:
    p = np.asarray(xy, np.float64)
    if p.shape == (2, 2):
        p = p[None]
    if p.ndim != 3 or p.shape[1:] != (2, 2):
        raise DataError(f"drags have the shape {p.shape}; allowed is (2, 2) or (n, 2, 2)")
    return p


def shadows(layout: Layout, xy: ArrayLike, *, click_px: ArrayLike = CLICK_PX) -> Shadows:
    """Return the shadows of drags from their near to their far end, or back, as they were drawn.

    Parameters
    ----------
    layout : Layout
        Of this picture.
    xy : array_like, shape (2, 2) or (n, 2, 2)
        Both ends of each drag; NaN for none.
    click_px : array_like
        Standard error of each end, pixels; their length is not trusted below `SHADOW_FLOOR_M`.

    Raises
    ------
    TableError
        Drags that leave the panel, cross the centre line or have no length.
    """
    p = _drag_array(xy)
    given: BoolArray = np.asarray(np.isfinite(p).all(axis=(1, 2)))
    side, r = layout.range_of(p)
    inside = layout.inside(p, SLACK_PX).all(axis=1)
    crossing = (side[:, 0] != side[:, 1]) | (side[:, 0] == "")
    column = layout.metres_per_pixel(side[:, 0], layout.line_of(p[:, 0]))
    length = np.abs(r[:, 1] - r[:, 0])
    faults = [
        *bad_rows(
            given & ~inside, "outside-panel", lambda i: "the shadow's drag leaves the sonar panel"
        ),
        *bad_rows(
            given & inside & crossing,
            "crosses-centre",
            lambda i: "the shadow's drag crosses the centre line; a shadow lies on one side",
        ),
        *bad_rows(
            given & inside & ~crossing & ~(length >= column),
            "shadow-too-short",
            lambda i: (
                "the shadow's drag has no length across; drag away from the boat, from where the "
                "shadow begins to where it ends"
            ),
        ),
    ]
    if faults:
        raise TableError("picture", faults)
    side = np.where(given, side[:, 0], "").astype(object)
    start = np.where(given, r.min(axis=1), np.nan)
    sigma = math.sqrt(2) * np.asarray(click_px, np.float64) * column
    return Shadows(
        side=side,
        start_m=start,
        length_m=np.where(given, length, np.nan),
        length_sigma_m=np.where(given, np.maximum(sigma, SHADOW_FLOOR_M), np.nan),
        line=np.where(given, layout.line_of(p).mean(axis=1), np.nan),
        dark_m=start,
        end_m=np.where(given, r.max(axis=1), np.nan),
        dark_found=np.zeros(len(p), dtype=bool),
        end_found=np.zeros(len(p), dtype=bool),
    )


def found_shadows(
    layout: Layout,
    sides: Mapping[str, SideEcho],
    xy: ArrayLike,
    altitude_m: ArrayLike,
    *,
    click_px: ArrayLike = CLICK_PX,
    straightener: Straightener | None = None,
    corner_px: float = CORNER_PX,
) -> Shadows:
    """Return the shadows of drags, their ends found in the picture where it shows them.

    Parameters
    ----------
    layout : Layout
        Of this picture.
    sides : mapping of SideEcho
        The picture, from `Layout.sides`.
    xy : array_like, shape (2, 2) or (n, 2, 2)
        Both ends of each drag; NaN for none.
    altitude_m : array_like
        Of the transducer above the bottom, as the screen has it (see `altitudes`); NaN where it is
        not known.
    click_px : array_like
        Standard error of each end, pixels; photo pixels if a straightener is given.
    straightener, corner_px
        As in `points`.

    Raises
    ------
    TableError
        As from `shadows`.
    """
    from athwart.frame.shadow import find_ends

    p = _drag_array(xy)
    click = np.broadcast_to(np.asarray(click_px, np.float64), (len(p),))
    if straightener is not None:
        scale = straightener.photo_pixels(np.nan_to_num(p.mean(axis=1)))
        click = np.hypot(click, corner_px) / scale
    drawn = shadows(layout, p, click_px=click)
    altitude = np.broadcast_to(np.asarray(altitude_m, np.float64), (len(p),))
    ground = layout.axis == "ground"
    start, length, sigma, line, dark, far = (np.array(v) for v in drawn[1:7])
    dark_found, end_found = np.zeros((2, len(p)), dtype=bool)
    for k in np.flatnonzero(np.isfinite(start)):
        side = sides[drawn.side[k]]
        column = side.scale_m[layout.line_index(line[k])]
        r, h = start[k], altitude[k]
        y = r if ground else math.sqrt(max(r * r - h * h, 0.0)) if h > 0 else math.nan
        ends = find_ends(
            side.echo,
            line[k],
            start[k] / column - side.start_columns,
            far[k] / column - side.start_columns,
            click=float(click[k]),
            grazing_tan=h / y if y > 0 and h > 0 else math.nan,
            ground_axis=ground,
        )
        if not ends.found:
            continue
        line[k], dark_found[k], end_found[k] = ends.line, ends.tangent_found, ends.end_found
        length[k], sigma[k] = ends.length * column, ends.length_sigma * column
        start[k], dark[k], far[k] = (
            (v + side.start_columns) * column for v in (ends.start, ends.tangent, ends.end)
        )
    return Shadows(drawn.side, start, length, sigma, line, dark, far, dark_found, end_found)


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
        From `points`.
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


class Sizes(NamedTuple):
    """Sizes of things that were dragged over, metres, with their standard errors.

    ``length_m`` along the track, ``width_m`` across it; NaN where speed or step is not known.
    """

    length_m: FloatArray
    length_sigma_m: FloatArray
    width_m: FloatArray
    width_sigma_m: FloatArray


def sizes(
    layout: Layout,
    bottom: Bottom | None,
    xy: ArrayLike,
    *,
    speed_mps: ArrayLike = np.nan,
    depth_m: ArrayLike = np.nan,
    beam_deg: float = 0.0,
    click_px: float = CLICK_PX,
) -> Sizes:
    """Return length and width of things from drags over opposite corners of their echoes.

    Parameters
    ----------
    layout : Layout
        Of this picture.
    bottom : Bottom or None
        Its bottom line.
    xy : array_like, shape (2, 2) or (n, 2, 2)
        Both ends of each drag.
    speed_mps : array_like
        Speed over the ground; needed where the layout gives seconds per line.
    depth_m : array_like
        Altitude where there is no bottom line; NaN: slant ranges are taken as they are.
    beam_deg : float
        Horizontal beam width. An echo is drawn longer than its object by r times this angle, which
        is taken off.
    click_px : float
        Standard error of each end, pixels.

    Notes
    -----
    Across, a slant axis is turned to ground range over a level bottom; in a shadow's side a thing
    shows its near face only, so the width is a least width.
    """
    p = _drag_array(xy)
    n = len(p)
    ends = points(layout, bottom, p.reshape(-1, 2), click_px=click_px)
    line, r = ends.line.reshape(n, 2), ends.range_m.reshape(n, 2)
    sign = np.where(ends.side.reshape(n, 2) == "port", -1.0, 1.0)
    typed = np.broadcast_to(np.asarray(depth_m, np.float64), (n,))[:, None]
    h = np.where(np.isfinite(typed), typed, ends.altitude_m.reshape(n, 2))
    h = np.nan_to_num(h) if layout.axis == "slant" else np.zeros_like(r)
    y = np.sqrt(np.maximum(r**2 - h**2, 0.0))
    column = layout.metres_per_pixel(ends.side, ends.line).reshape(n, 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        stretch = np.where(y > 0, r / np.maximum(y, column), 1.0)
    cell = ends.line_sigma.reshape(n, 2)
    speed = np.asarray(speed_mps, np.float64)
    step = layout.metres_per_line or (layout.seconds_per_line or np.nan) * speed
    step = np.broadcast_to(np.asarray(step, np.float64), (n,))
    drawn = np.abs(line[:, 1] - line[:, 0]) * step
    return Sizes(
        length_m=np.maximum(drawn - r.mean(axis=1) * math.radians(beam_deg), 0.0),
        length_sigma_m=np.hypot(cell[:, 0], cell[:, 1]) * step,
        width_m=np.abs(sign[:, 1] * y[:, 1] - sign[:, 0] * y[:, 0]),
        width_sigma_m=np.sqrt(((cell * column * stretch) ** 2).sum(axis=1)),
    )


class Shape(NamedTuple):
    """A line or an area on the seabed: its vertices in order, each fixed like a pick.

    An area is not closed by a repeated vertex.
    """

    lon: FloatArray
    lat: FloatArray
    r95_m: FloatArray
    closed: bool
    words: tuple[str, ...]


def place_shape(
    picks: Picks,
    *,
    closed: bool,
    track: Track | None = None,
    boat: Boat | None = None,
    max_gap_s: float = 10.0,
) -> Shape:
    """Place a polyline (a ledge, a pipe, the edge of weed) or a polygon (an area).

    Parameters
    ----------
    picks : Picks
        The vertices in order, from `to_picks`.
    closed : bool
        A polygon.
    track, boat, max_gap_s
        As in `athwart.fix.fix`.

    Raises
    ------
    TableError
        Vertices that cannot be placed, every one with its reason.
    DataError
        Too few vertices, or an outline that crosses itself.
    """
    least = 3 if closed else 2
    what = "an area" if closed else "a line"
    if len(picks) < least:
        raise DataError(f"{what} has {len(picks)} points; allowed is {least} or more")
    done = fix(picks, track=track, boat=boat, max_gap_s=max_gap_s, with_ids=False, method="picture")
    s = done.sightings
    if closed:
        import shapely

        # Unwrapped, so that an area across the 180th meridian is no band around the Earth.
        lon = np.unwrap(s.lon, period=360.0)
        if not shapely.is_valid(shapely.Polygon(np.column_stack([lon, s.lat]))):
            raise DataError("the outline of the area crosses itself; draw it anew")
    return Shape(s.lon, s.lat, r95(*s.total_covariance()), closed, done.words)
