"""Depth over a mark at a time: soundings brought to chart datum, and the tide put back on.

``depth below datum = depth below the transducer + depth of the transducer - height of tide``, with
the tide of the moment of the sounding (IHO dictionary, "reduction of soundings"); the water over it
later is that plus the height of tide then.

What stands between the boat and a thing on the bottom is counted from the thing's least depth: the
bottom's depth less the thing's height less their combined 95 % error. Where the height is not known
there is no least depth and no clearance: it is said, and never taken as zero. A sounding whose tide
is not known is placed at the middle of the tide with all of its range as error, and gives no
clearance either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.boat import Boat
from athwart.errors import DataError
from athwart.plan.tide import Tide
from athwart.tables import Marks, Sightings, Track
from athwart.uncertainty.budget import ErrorBudget
from athwart.uncertainty.vertical import Z95, s44_vertical
from athwart.units import Constant, UnitSystem, format_length

__all__ = [
    "CAUTION",
    "DRAFT",
    "ENOUGH",
    "LITTLE",
    "NO_DEPTH",
    "NO_DRAFT",
    "NO_HEIGHT",
    "NO_PAST",
    "NO_REFERENCE",
    "NO_WATER",
    "DepthOver",
    "Reduced",
    "depth_over",
    "own_variance",
    "reduce_soundings",
    "reduce_track",
]

FloatArray = NDArray[np.float64]
TextArray = NDArray[np.object_]
BoolArray = NDArray[np.bool_]

CAUTION = (
    "Advice, not navigation: wind, rain, a gate or a dam move the water off any table, and a depth "
    "over a mark says nothing of the way there. Keep a lookout and sound as you go."
)

DRAFT = Constant(
    0.075, "m", 0.0, "static draft 0.1 m, its change 0.05 m and squat 0.1 m at 95 % (IHO B-12 "
    "table 4), together, 1 sigma",
)  # fmt: skip

ENOUGH = "enough water"
LITTLE = "too little water"
NO_DEPTH = "no depth known"
NO_PAST = "not reduced to datum"
NO_REFERENCE = "not known below what"
NO_WATER = "height of the water not known"
NO_HEIGHT = "height of the thing not known"
NO_DRAFT = "draft not given"


@dataclass(frozen=True, eq=False)
class Reduced:
    """Soundings below chart datum.

    Attributes
    ----------
    depth_m : numpy.ndarray
        Below datum, positive downwards; NaN where it cannot be told.
    own_sigma_m, level_sigma_m : numpy.ndarray
        Standard error of the sounding itself and of the water's height then, metres.
    placed : numpy.ndarray of bool
        What the depth is below is known, the transducer's own depth included.
    known : numpy.ndarray of bool
        The water's height at the sounding was known; else the middle of the tide stands in.
    """

    depth_m: FloatArray
    own_sigma_m: FloatArray
    level_sigma_m: FloatArray
    placed: BoolArray
    known: BoolArray

    @property
    def sigma_m(self) -> FloatArray:
        """Standard error of each, metres."""
        return np.hypot(self.own_sigma_m, self.level_sigma_m)


def own_variance(
    depth_m: ArrayLike,
    var_depth_m2: ArrayLike,
    budget: ErrorBudget | None = None,
    *,
    with_level: ArrayLike = True,
) -> FloatArray:
    """Return the variance of depths without the part that stands for an unknown water level.

    Parameters
    ----------
    depth_m : array_like
        Metres.
    var_depth_m2 : array_like
        As `athwart.fix` gives it, the level's part included; NaN where nothing is known, which
        takes the budget's error of a reading and of its sound speed.
    budget : ErrorBudget, optional
        The budget under which the variances were made.
    with_level : array_like of bool
        The variance holds the level's part; that of a fixed pick does, that of a waypoint does not.

    Returns
    -------
    numpy.ndarray
        Square metres. A variance too small to hold the level's part is kept as it is.
    """
    budget = budget or ErrorBudget()
    depth = np.abs(np.asarray(depth_m, np.float64))
    given = np.asarray(var_depth_m2, np.float64)
    typical = budget.depth_sigma(depth) ** 2 + (budget.sound_scale * depth) ** 2
    level = budget.water_level_m**2
    rest = np.where(np.asarray(with_level) & (given > level), given - level, given)
    return np.asarray(np.where(np.isnan(given), typical, rest))


def reduce_soundings(
    depth_m: ArrayLike,
    depth_below: ArrayLike,
    time: ArrayLike,
    tide: Tide | None,
    *,
    own_sigma_m: ArrayLike,
    transducer_depth_m: float = float("nan"),
) -> Reduced:
    """Bring soundings to chart datum.

    Parameters
    ----------
    depth_m : array_like
        Metres, one axis.
    depth_below : array_like of str
        ``transducer``, ``surface`` or ``datum``; a depth below nothing that is named stays unknown.
    time : array_like of datetime64
        When each was sounded, UTC; NaT where that is not known.
    tide : Tide or None
        The water then.
    own_sigma_m : array_like
        Standard error of the readings, metres.
    transducer_depth_m : float
        Transducer below the surface, metres.

    Examples
    --------
    7.30 m below the transducer, which sits 0.60 m deep, at 1.45 m of tide:

    >>> from athwart.plan.tide import Level
    >>> made = reduce_soundings(
    ...     [7.3],
    ...     ["transducer"],
    ...     [np.datetime64("2031-05-04T06:00")],
    ...     Level(height_m=1.45),
    ...     own_sigma_m=0.1,
    ...     transducer_depth_m=0.6,
    ... )
    >>> made.depth_m.round(2).tolist()
    [6.45]
    """
    depth = np.atleast_1d(np.asarray(depth_m, np.float64))
    below = np.broadcast_to(np.asarray(depth_below, dtype=object), depth.shape)
    times = np.broadcast_to(np.asarray(time, "datetime64[us]"), depth.shape)
    own = np.broadcast_to(np.asarray(own_sigma_m, np.float64), depth.shape)
    surface, transducer, datum = (below == w for w in ("surface", "transducer", "datum"))
    under_surface = np.select(
        [datum | surface, transducer], [depth, depth + transducer_depth_m], np.nan
    )
    level, level_sigma = np.full(depth.shape, np.nan), np.full(depth.shape, np.nan)
    middle = spread = float("nan")
    if tide is not None:
        level, level_sigma = tide.height(times)
        middle, spread = tide.usual()
    known = datum | np.isfinite(level)
    level = np.where(datum, 0.0, np.where(known, level, middle))
    level_sigma = np.where(datum, 0.0, np.where(known, level_sigma, spread))
    reduced = under_surface - level
    return Reduced(
        depth_m=reduced,
        own_sigma_m=np.where(datum, own, np.hypot(own, DRAFT.value)),
        level_sigma_m=level_sigma,
        placed=np.isfinite(under_surface),
        known=known & np.isfinite(reduced),
    )


@dataclass(frozen=True, eq=False)
class DepthOver:
    """The water over marks at a time, a row a mark; lengths in metres, NaN where not known.

    Attributes
    ----------
    time : numpy.ndarray of datetime64[us]
        UTC.
    tide_m, tide_sigma_m : numpy.ndarray
        Height of the water above datum then, and its standard error.
    datum_m, datum_sigma_m : numpy.ndarray
        The bottom below datum, positive downwards, and its standard error.
    depth_m, sigma_m : numpy.ndarray
        Water over the bottom, and its standard error.
    least_m : numpy.ndarray
        Water over the thing's top: depth less height less their combined 95 % error.
    clearance_m : numpy.ndarray
        The least water less the draft.
    s44_vertical : numpy.ndarray of str
        Strictest S-44 vertical limit that the depth meets.
    soundings : numpy.ndarray of int64
        How many soundings it rests on.
    disagree : numpy.ndarray of bool
        They differ by more than their errors explain; the error is enlarged accordingly.
    state : numpy.ndarray of str
        `ENOUGH`, `LITTLE`, or what is not known.
    margin_m : float
        What was asked to be left under the keel.
    """

    time: NDArray[np.datetime64]
    tide_m: FloatArray
    tide_sigma_m: FloatArray
    datum_m: FloatArray
    datum_sigma_m: FloatArray
    depth_m: FloatArray
    sigma_m: FloatArray
    least_m: FloatArray
    clearance_m: FloatArray
    s44_vertical: TextArray
    soundings: NDArray[np.int64]
    disagree: BoolArray
    state: TextArray
    margin_m: float

    def __len__(self) -> int:
        return len(self.depth_m)

    def sentences(self, units: UnitSystem = "metric") -> list[str]:
        """Return what is to be said of each mark, in the user's units."""
        return [self._sentence(i, units) for i in range(len(self))]

    def _sentence(self, i: int, units: UnitSystem) -> str:
        def said(value: float) -> str:
            return format_length(float(value), units)

        state = self.state[i]
        if state == NO_DEPTH:
            return "no depth is known here"
        if state == NO_WATER:
            return (
                f"{_below(self.datum_m[i], units)}, but the height of the water then is not known"
            )
        if state == NO_REFERENCE:
            return (
                "it is not known what its depth is below, or how deep the transducer sat, so no "
                "depth is given"
            )
        if np.isnan(self.depth_m[i]):
            return "the height of the water when it was sounded is not known, so no depth is given"
        parts = [f"{said(self.depth_m[i])} of water, ± {said(Z95 * self.sigma_m[i])} (95 %)"]
        if self.depth_m[i] <= 0:
            parts = [f"dry, {said(-self.depth_m[i])} above the water, "
                     f"± {said(Z95 * self.sigma_m[i])} (95 %)"]  # fmt: skip
        if state == NO_PAST:
            parts.append(
                "sounded at a tide that is not known, so that the middle of the tide stands in "
                "for it; no clearance is given"
            )
        elif state == NO_HEIGHT:
            parts.append("its height is not known; no clearance is given")
        else:
            parts.append(f"at least {said(self.least_m[i])} over its top")
            if state == NO_DRAFT:
                parts[-1] = f"{parts[-1]}; give your draft for the clearance"
            elif self.clearance_m[i] < 0:
                parts.append(f"TOO LITTLE WATER by {said(-self.clearance_m[i])}")
            elif state == LITTLE:
                parts.append(
                    f"TOO LITTLE WATER: {said(self.clearance_m[i])} under the keel, you asked for "
                    f"{said(self.margin_m)}"
                )
            else:
                parts.append(f"{said(self.clearance_m[i])} under the keel")
        if self.disagree[i]:
            parts.append("its soundings disagree, which is in the error")
        return "; ".join(parts)


def _below(datum_m: float, units: UnitSystem) -> str:
    word = "below" if datum_m >= 0 else "above"
    return f"the bottom lies {format_length(abs(float(datum_m)), units)} {word} datum"


def depth_over(
    marks: Marks,
    tide: Tide,
    time: ArrayLike,
    *,
    sightings: Sightings,
    past: Tide | None,
    transducer_depth_m: float = float("nan"),
    draft_m: float = float("nan"),
    margin_m: float = 0.5,
    budget: ErrorBudget | None = None,
) -> DepthOver:
    """Return the water over each mark at a time.

    The looks at a mark share boat, sounder and tables, so that many of them weigh no more than one
    in its error; where they disagree beyond their errors it is enlarged.

    Parameters
    ----------
    marks : Marks
        What to go to.
    tide : Tide
        The water at ``time``.
    time : array_like of datetime64
        UTC, one for all marks or one each.
    sightings : Sightings
        Among them the looks of the marks, whose times say at which tide each was sounded.
    past : Tide or None
        The water when they were sounded, ``tide`` itself if it reaches back so far; None where
        nobody knows, and then no depth is given.
    transducer_depth_m : float
        Transducer below the surface, metres, for depths below the transducer.
    draft_m : float
        What the boat draws, metres.
    margin_m : float
        What should be left under the keel, metres.
    budget : ErrorBudget, optional
        Under which the looks were placed.

    Raises
    ------
    DataError
        A draft or margin below zero.

    References
    ----------
    IHO S-44 edition 6, sections 2 and 3.2.3.
    """
    if draft_m < 0 or not margin_m >= 0:
        raise DataError(f"draft {draft_m:g} m, margin {margin_m:g} m; allowed is 0 or more")
    n = len(marks)
    times = np.broadcast_to(np.asarray(time, "datetime64[us]"), (n,))
    datum, datum_sigma, count, placed, known, disagree = _charted(
        marks, sightings, past, transducer_depth_m, budget
    )
    level, level_sigma = tide.height(times)
    depth = datum + level
    sigma = np.hypot(datum_sigma, level_sigma)
    height_known = np.isfinite(marks.height_m) & np.isfinite(marks.var_height_m2)
    least = depth - marks.height_m - Z95 * np.sqrt(sigma**2 + marks.var_height_m2)
    least = np.where(known, least, np.nan)
    clearance = least - draft_m
    state = np.select(
        [
            count == 0,
            ~placed,
            np.isnan(datum) | ~known,
            np.isnan(level),
            ~height_known,
            np.isnan(clearance),
            clearance < margin_m,
        ],
        np.array(
            [NO_DEPTH, NO_REFERENCE, NO_PAST, NO_WATER, NO_HEIGHT, NO_DRAFT, LITTLE], dtype=object
        ),
        ENOUGH,
    )
    return DepthOver(
        time=times,
        tide_m=level,
        tide_sigma_m=level_sigma,
        datum_m=datum,
        datum_sigma_m=datum_sigma,
        depth_m=depth,
        sigma_m=sigma,
        least_m=least,
        clearance_m=clearance,
        s44_vertical=s44_vertical(Z95 * sigma, np.maximum(depth, 0)),
        soundings=count,
        disagree=disagree,
        state=state.astype(object),
        margin_m=margin_m,
    )


def _charted(
    marks: Marks,
    s: Sightings,
    past: Tide | None,
    transducer_depth_m: float,
    budget: ErrorBudget | None,
) -> tuple[FloatArray, FloatArray, NDArray[np.int64], BoolArray, BoolArray, BoolArray]:
    """Return depth below datum, its error, soundings, reference and water known, they disagree."""
    n = len(marks)
    row = {i: k for k, i in enumerate(s.sighting_id.tolist())}
    pairs = [
        (k, row[i]) for k, ids in enumerate(marks.sighting_ids.tolist())
        for i in ids.split() if i in row
    ]  # fmt: skip
    of, look = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    sounded = np.isfinite(s.depth_m[look])
    of, look = of[sounded], look[sounded]
    count = np.bincount(of, minlength=n)
    made = reduce_soundings(
        s.depth_m[look],
        s.depth_below[look],
        s.time[look],
        past,
        own_sigma_m=np.sqrt(
            own_variance(
                s.depth_m[look],
                s.var_depth_m2[look],
                budget,
                with_level=s.method[look] != "waypoint",
            )
        ),
        transducer_depth_m=transducer_depth_m,
    )
    placed = np.bincount(of[made.placed], minlength=n) > 0
    known = np.bincount(of[made.known], minlength=n) > 0
    use = np.isfinite(made.depth_m) & (made.known | ~known[of])
    of, depth = of[use], made.depth_m[use]
    own, level = made.own_sigma_m[use], made.level_sigma_m[use]

    def summed(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(of, weights=values, minlength=n), np.float64)

    weight = 1.0 / np.maximum(own**2 + level**2, 1e-6)
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = summed(weight)
        datum = summed(weight * depth) / whole
        sigma = np.hypot(summed(weight * own) / whole, summed(weight * level) / whole)
    used = np.bincount(of, minlength=n)
    chi = summed(weight * (depth - datum[of]) ** 2)
    disagree = np.zeros(n, dtype=bool)
    several = used > 1
    if several.any():
        from scipy.special import chdtri

        free = used[several] - 1
        disagree[several] = chi[several] > chdtri(free, 0.05)
        excess = np.sqrt(chi[several] / free)
        sigma[several] *= np.where(disagree[several], excess, 1.0)
    return datum, sigma, count, placed, known, disagree


def reduce_track(
    track: Track, tide: Tide, boat: Boat, *, transducer_depth_m: float = float("nan")
) -> tuple[Reduced, list[str]]:
    """Bring the sounder's readings along a track to chart datum.

    Parameters
    ----------
    track : Track
        Points with ``depth_m`` and ``time``; a reading below nothing that is named is taken as the
        boat file says, else as below the transducer, which is said.
    tide : Tide
        The water then.
    boat : Boat
        Her transducer's depth, the speed of sound and the error of a reading.
    transducer_depth_m : float
        Transducer below the surface, metres; by default the boat file's.

    Returns
    -------
    reduced : Reduced
        A row a point.
    words : list of str
        What was taken for granted.
    """
    words = []
    draft = boat.transducer_depth_m if np.isnan(transducer_depth_m) else transducer_depth_m
    below = track.depth_below
    unsaid = (below == "") & np.isfinite(track.depth_m)
    if unsaid.any():
        taken = boat.depth_below or "transducer"
        below = np.where(below == "", taken, below).astype(object)
        words.append(
            f"depths are taken as below the {taken}"
            + ("" if boat.depth_below else ", since nothing says below what")
        )
    if np.isnan(draft) and np.any((below == "transducer") & np.isfinite(track.depth_m)):
        words.append(
            "depths below the transducer cannot be reduced: nothing says how deep it sits; give the "
            "depth of the transducer, or depth_m under [transducer] in the boat file"
        )
    ratio, scale = boat.sound_ratio(track.water_temperature_c)
    # Sound runs from the transducer to the bottom; the water above it is not in the reading.
    above = np.where(below == "surface", np.nan_to_num(draft), 0.0)
    depth = np.where(below == "datum", track.depth_m, above + ratio * (track.depth_m - above))
    own = np.hypot(boat.budget.depth_sigma(track.depth_m), scale * track.depth_m)
    reduced = reduce_soundings(
        depth, below, track.time, tide, own_sigma_m=own, transducer_depth_m=draft
    )
    return reduced, words
