"""The first bottom return on each line and side of a frame, as a slant range in metres.

On a flat or falling side the first return lies at the altitude h, on a rising one (slope s) at
h cos s. It is sought as the hidden path of a Markov chain over the lines:

1. *Two kinds of sample.* Column by column the levels of water, w, and of bottom, b, are learnt from
   the frame itself, and so are the distributions of z = (x - w) / (b - w) over either kind. That
   begins with a guess and is done anew with the path found (EM; a hard assignment), with one path for
   both sides and all ranges of the screen. The ringing at the centre stands still in its columns and
   so becomes part of w. Evidence of one sample::

       l = log p(z | bottom) / p(z | water),   -LIMIT <= l <= LIMIT

   The limit is what keeps fish (bright water) and shadows (dark bottom) from deciding alone.
2. *A step per line.* That the bottom begins at the edge before column c has the log-likelihood
   S(c) = - sum(l[:c]) + constant: dark before, lasting texture behind. An edge of brightness alone,
   as fish have, wins nothing when darkness follows. Samples are not independent, so S is tempered.
   One patch of shadow behind the edge and one of fish or weed before it are allowed, at a price: fish
   and weed are points, so rougher from line to line than a bottom as bright as they. A line that
   shows no step from dark to bright anywhere (blank, wiped out by interference) carries no evidence.
   Before all this the picture is calmed by the middle of five lines.
3. *Grid in metres.* S is carried over to one grid of ranges, so that a range changed mid-frame is no
   step of the bottom.
4. *Smoothness.* From line to line p(step) is a two-sided exponential of a few cells, and with the
   small chance JUMP anything: a true jump costs once, however far it goes (truncated penalty).
5. *Both sides.* What one side says of a line is handed to the other as a weakened likelihood: they
   have the same range (a level side, or one that falls away, begins right below), or differ as on
   the lines around (a slope), or have nothing to do with each other (a wall).
6. *Path and confidence.* The likeliest path; the share of the posterior within NEAR columns of it
   gives the confidence, by a table of how often that was right on simulated frames, the higher if
   both sides go together and the lower if they do not, the lowest for a side that lies farther out than
   a slope allows and is brighter from the other side's range on; the posterior's mean there refines
   the path below a column. The echo rises over some columns; where in them the return lies is read off the
   typical echo of the lines around.

The evidence is in `athwart.frame.bottom_evidence` (1 to 3), the chain in
`athwart.frame.bottom_chain` (4 and 5).

Limits: a frame that the sounder has already corrected to ground range shows no water and has no
first return; a bottom within the transmit pulse or beyond the range limit is not seen. Both show as
low confidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError
from athwart.frame.bottom_chain import (
    TIE_LINES,
    TIE_WEIGHT,
    likeliest,
    posterior_of,
    running_median,
    tied,
)
from athwart.frame.bottom_evidence import Evidence, evidence_of, smoothed

if TYPE_CHECKING:
    from athwart.frame.layout import SideEcho

__all__ = ["CONFIDENT", "Altitude", "Bottom", "track_bottom"]

Floats = NDArray[np.float64]
Single = NDArray[np.float32]

CONFIDENT = 0.8
"""From this confidence on a line is taken as found; see the tests for how often it is right."""

NEAR = 2.0
"""Columns within which the confidence counts."""
SHARE = (0.0, 0.5, 0.7, 0.85, 0.925, 0.97, 1.0)
RIGHT = (0.0, 0.2, 0.4, 0.6, 0.77, 0.95, 0.999)
"""Posterior share within NEAR, and how often that was right on simulated frames."""
AGREED, APART = 0.6, -0.8
"""What it adds to the log-odds of being right that the sides go together, or that they do not."""
STEEPEST = 0.2
"""Part of the range by which a slope makes the sides differ at most: 1 - cos s, 37 degrees. Loose ground
lies no steeper under water (common practice, no source); what differs more is a wall, or an error."""
SHOWN, RISE = -4.0, 0.05
"""What it adds for the farther of two sides that differ by more, where the brightness at the nearer
one's range rises by this part of the rise at its own: its first return lies there, and what was followed
is the bottom behind a shadow. Of so marked lines of made frames 5 % were right, of the others 95 %."""
RISE_LINES = 5
"""Lines on either side over which a rise is averaged."""
PIN_REACH = 20
"""Lines on either side of a correction over which the frame's own evidence is weakened."""


class Altitude(NamedTuple):
    """Height of the transducer above the bottom on each line, metres, and its confidence, 0 to 1."""

    altitude_m: Floats
    confidence: Floats


@dataclass(frozen=True, eq=False, kw_only=True)
class Bottom:
    """The first bottom return on each line, by side.

    Parameters
    ----------
    range_m : dict of (lines,)
        Slant range to it, metres.
    confidence : dict of (lines,)
        0 to 1: chance that it lies within two columns, as far as the frame can tell.
    column : dict of (lines,)
        The same as `range_m` in columns from the near edge of column 0; may be beyond the picture.
    range_sigma_m : dict of (lines,)
        Standard error of `range_m`, metres, given that the right return is followed.
    corrections : tuple of (side, line, range_m)
        What the user has put right, the latest last.
    """

    range_m: dict[str, Floats]
    confidence: dict[str, Floats]
    column: dict[str, Floats]
    range_sigma_m: dict[str, Floats]
    corrections: tuple[tuple[str, int, float], ...] = ()
    _chain: Evidence = field(repr=False)

    @property
    def sides(self) -> tuple[str, ...]:
        """The sides that were followed."""
        return tuple(self.range_m)

    @property
    def lines(self) -> int:
        """How many lines there are."""
        return int(next(iter(self.range_m.values())).size)

    def dragged(self, side: str, line: int, range_m: float) -> Bottom:
        """Return the bottom with a correction by the user, through which the rest runs.

        A later correction of the same side and line replaces the earlier one.

        Parameters
        ----------
        side : {"port", "starboard"}
            Side.
        line : int
            Line, counted from the newest, 0.
        range_m : float
            Slant range of the first bottom return there, metres.

        Raises
        ------
        DataError
            The frame has no such side or line, or the range lies off the screen.
        """
        chain = self._chain
        if side not in chain.sides:
            raise DataError(f"side is {side!r}; this frame shows {' and '.join(chain.sides)}")
        if not 0 <= line < self.lines:
            raise DataError(f"line is {line}; allowed is 0 to {self.lines - 1}")
        limit = (chain.log.shape[2] - 1) * chain.step_m
        if not 0.0 < range_m <= limit:
            raise DataError(
                f"the bottom was put at {range_m:g} m; allowed is more than 0 and up to {limit:g} m"
            )
        kept = tuple(c for c in self.corrections if c[:2] != (side, line))
        return _solved(chain, (*kept, (side, int(line), float(range_m))))

    def altitude(self) -> Altitude:
        """Return the altitude on each line, from both sides together.

        The first return lies at the altitude on a flat or falling side and nearer on a rising one,
        so the farther of two confident returns is the altitude; of others the more confident one is
        taken. One side alone may be rising: its return is then short by h (1 - cos s).
        """
        r = np.stack([self.range_m[s] for s in self.sides])
        c = np.stack([self.confidence[s] for s in self.sides])
        sure = c >= CONFIDENT
        rank = np.where(sure.all(0), r, c)
        best = np.argmax(rank, axis=0)[None]
        return Altitude(
            np.take_along_axis(r, best, 0)[0].copy(), np.take_along_axis(c, best, 0)[0].copy()
        )


def track_bottom(sides: Mapping[str, SideEcho]) -> Bottom:
    """Find the first bottom return on each line and side.

    Parameters
    ----------
    sides : mapping of side to SideEcho
        Echo strength (lines, columns), any scale, brighter for stronger; one side or two.

    Raises
    ------
    DataError
        No side, sides with different numbers of lines, or too few columns to see a bottom.
    """
    chain = evidence_of(sides)
    return _solved(chain, ())


def _solved(chain: Evidence, corrections: tuple[tuple[str, int, float], ...]) -> Bottom:
    log = chain.log
    if corrections:
        log = _pinned(chain, corrections)
    like = np.exp(log)
    if len(chain.sides) == 2:
        alone = posterior_of(like)
        log = log + tied(alone, log, TIE_LINES, TIE_WEIGHT)
        like = np.exp(log)
    posterior = posterior_of(like)
    path = likeliest(log)
    return _read(chain, path, posterior, corrections)


def _pinned(chain: Evidence, corrections: tuple[tuple[str, int, float], ...]) -> Single:
    """Evidence with the user's corrections, and little of its own near them."""
    log = chain.log.copy()
    lines, _, cells = log.shape
    for side, line, _ in corrections:
        k = chain.sides.index(side)
        a, b = max(line - PIN_REACH, 0), min(line + PIN_REACH + 1, lines)
        away = np.abs(np.arange(a, b) - line) / PIN_REACH
        log[a:b, k] *= (away**2).astype(np.float32)[:, None]
    for side, line, range_m in corrections:
        k = chain.sides.index(side)
        log[line, k] = np.float32(-60.0)
        cell = round((range_m - chain.late_m[line, k]) / chain.step_m)
        log[line, k, min(max(cell, 0), cells - 1)] = 0.0
    return log


def _second_opinion(chain: Evidence, path: NDArray[np.int64]) -> Floats:
    """Log-odds (lines, sides) of being right from what one side says of the other."""
    seen = (chain.log.min(axis=2) < -1.0).all(axis=1)
    if len(chain.sides) < 2:
        return np.zeros((seen.size, 1))
    at = path * chain.step_m + chain.late_m
    apart = at[:, 1] - at[:, 0]
    usual = running_median(apart, seen, TIE_LINES)
    column = chain.scale_m.max(axis=0)
    level = np.abs(apart) <= column
    slope = np.abs(apart) <= STEEPEST * at.max(axis=1)
    together = level | (slope & (np.abs(apart - usual) <= column))
    opinion = np.where(together, AGREED, APART)[:, None].repeat(2, axis=1)
    for k in range(2):
        farther = np.flatnonzero(seen & ~level & ~slope & (at[:, k] > at[:, 1 - k]))
        if farther.size:
            one = np.ones(seen.size)
            there = smoothed(chain.rise(k, at[:, 1 - k]), one, RISE_LINES)
            own = smoothed(chain.rise(k, at[:, k]), one, RISE_LINES)
            shown = there > RISE * np.maximum(own, 0.0)
            opinion[farther[shown[farther]], k] = SHOWN
    return np.where(seen[:, None], opinion, 0.0)


def _read(
    chain: Evidence,
    path: NDArray[np.int64],
    posterior: Single,
    corrections: tuple[tuple[str, int, float], ...],
) -> Bottom:
    lines, _, cells = posterior.shape
    ranges: dict[str, Floats] = {}
    confidence: dict[str, Floats] = {}
    columns: dict[str, Floats] = {}
    sigma: dict[str, Floats] = {}
    row = np.arange(lines)
    opinion = _second_opinion(chain, path)
    for k, s in enumerate(chain.sides):
        share = np.zeros((lines, cells + 1))
        np.cumsum(posterior[:, k], axis=1, out=share[:, 1:])
        half = np.maximum(1, np.round(NEAR * chain.scale_m[k] / chain.step_m)).astype(int)
        low = np.maximum(path[:, k] - half, 0)
        high = np.minimum(path[:, k] + half + 1, cells)
        mass = share[row, high] - share[row, low]
        right = np.interp(mass, SHARE, RIGHT)
        confidence[s] = right / (right + (1 - right) * np.exp(-opinion[:, k]))
        offset = np.arange(-3, 4)
        at = np.clip(path[:, k, None] + offset, 0, cells - 1)
        p = posterior[row[:, None], k, at].astype(np.float64) + 1e-12
        p /= p.sum(axis=1, keepdims=True)
        mean = (p * at).sum(axis=1)
        spread = np.sqrt((p * (at - mean[:, None]) ** 2).sum(axis=1) + 1 / 12)
        ranges[s] = np.maximum(mean * chain.step_m + chain.late_m[:, k], 0.0)
        sigma[s] = spread * chain.step_m
    for s, line, range_m in corrections:
        ranges[s][line], confidence[s][line] = range_m, 1.0
        sigma[s][line] = chain.scale_m[chain.sides.index(s), line] / np.sqrt(12)
    for k, s in enumerate(chain.sides):
        columns[s] = ranges[s] / chain.scale_m[k] - chain.start_columns[k]
    return Bottom(
        range_m=ranges,
        confidence=confidence,
        column=columns,
        range_sigma_m=sigma,
        corrections=corrections,
        _chain=chain,
    )
