"""The first bottom return on each line and side of a frame, as a slant range in metres.

On a flat or falling side the first return lies at the altitude h, on a rising one (slope s) at
h cos s. It is sought as the hidden path of a Markov chain over the lines:

1. *Two kinds of sample.* Column by column the levels of water, w, and of bottom, b, are learnt from
   the frame itself, and so are the distributions of z = (x - w) / (b - w) over either kind. That
   begins with a guess and is done anew with the path found (EM; a hard assignment). The ringing at
   the centre stands still in its columns and so becomes part of w. Evidence of one sample::

       l = log p(z | bottom) / p(z | water),   -LIMIT <= l <= LIMIT

   The limit is what keeps fish (bright water) and shadows (dark bottom) from deciding alone.
2. *A step per line.* That the bottom begins at the edge before column c has the log-likelihood
   S(c) = - sum(l[:c]) + constant: dark before, lasting texture behind. An edge of brightness alone,
   as fish have, wins nothing when darkness follows. Samples are not independent, so S is tempered.
   One patch of shadow behind the edge and one of fish or weed before it are allowed, at a price.
   A line that shows no step from dark to bright anywhere (blank, wiped out by interference)
   carries no evidence. Before all this the picture is calmed by the middle of five lines.
3. *Grid in metres.* S is carried over to one grid of ranges, so that a range changed mid-frame is no
   step of the bottom.
4. *Smoothness.* From line to line p(step) is a two-sided exponential of a few cells, and with the
   small chance JUMP anything: a true jump costs once, however far it goes (truncated penalty).
5. *Both sides.* What one side says of a line is handed to the other as a weakened likelihood, moved
   by the running median of their difference (a slope), and with the standing chance that they have
   nothing to do with each other (a wall).
6. *Path and confidence.* The likeliest path by dynamic programming (Viterbi 1967, "Error bounds for
   convolutional codes and an asymptotically optimum decoding algorithm"); the share of the posterior
   within NEAR columns of it, by forward-backward over the same chain (Rabiner 1989, "A tutorial on
   hidden Markov models"), gives the confidence, by a table of how often that was right on simulated
   frames; the posterior's mean there refines the path below a column.
   Both sources from memory.

Limits: a frame that the sounder has already corrected to ground range shows no water and has no
first return; a bottom within the transmit pulse or beyond the range limit is not seen. Both show as
low confidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError

if TYPE_CHECKING:
    from athwart.frame.layout import SideEcho

__all__ = ["CONFIDENT", "Altitude", "Bottom", "track_bottom"]

Floats = NDArray[np.float64]
Single = NDArray[np.float32]
Bools = NDArray[np.bool_]

CONFIDENT = 0.8
"""From this confidence on a line is taken as found; see the tests for how often it is right."""

LIMIT = 2.0
"""Greatest evidence of one sample, nats."""
TEMPER = 0.25
"""Share of a line's evidence that counts: samples of the calmed picture depend on each other."""
CAP = 12.0
"""Farthest that a line can speak against a range, nats: any line may be wrong altogether."""
SHADOW_COST = 6.0
SHADOW_EACH = 0.05
"""What a patch of shadow behind the bottom costs, and each column of it."""
FISH_COST = 2.0
FISH_EACH = 0.4
"""What a patch of fish or weed before the bottom costs, and each column of it."""
UNLIKE = 1.0
"""Most that the look of one sample can speak for a patch against the bottom, nats."""
JUMP = 1e-5
"""Chance of a jump to anywhere from one line to the next."""
STEP_CELLS = 0.8
TAIL = 0.01
REACH_CELLS = 5
"""Steps from line to line: scale of the exponential, floor below it, end; cells of the grid."""
NEAR = 2.0
"""Columns within which the confidence counts."""
SHARE = (0.0, 0.5, 0.7, 0.85, 0.925, 0.97, 1.0)
RIGHT = (0.0, 0.2, 0.35, 0.6, 0.76, 0.95, 1.0)
"""Posterior share within NEAR, and how often that was right on simulated frames."""
CELLS = 1000
"""Most cells of the grid."""
TIE = 0.9
TIE_WEIGHT = 0.3
TIE_LINES = 60
"""Chance that the sides go together, weight of what one says to the other, half of the window of the
running median of their difference."""
BINS = 96
ROUNDS = 3
ENOUGH = 0.35
"""A column's water is known where this share of the lines (of the fullest column) shows it."""
LEARN_LINES = 240
LEAST_COLUMNS = 16
RISEN = 0.9
"""Share of the brightness behind at which the return lies.

On a level bottom echo piles up at the first return as (r - h)^(-1/2); after a symmetric blur the
edge lies at 0.8 of the greatest power, which a screen that draws the root of it shows as 0.9; for a
plain step it would be 0.5 and 0.7.
"""
PIN_REACH = 20
"""Lines on either side of a correction over which the frame's own evidence is weakened."""


class Altitude(NamedTuple):
    """Height of the transducer above the bottom on each line, metres, and its confidence, 0 to 1."""

    altitude_m: Floats
    confidence: Floats


@dataclass(frozen=True, eq=False)
class _Chain:
    """What the path is sought in: evidence (lines, sides, cells), and the grid."""

    sides: tuple[str, ...]
    log: Single
    step_m: float
    scale_m: Floats
    start_columns: Floats


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
    _chain: _Chain = field(repr=False)

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
    chain = _evidence(sides)
    return _solved(chain, ())


# ---- evidence -----------------------------------------------------------------------------------


def _evidence(sides: Mapping[str, SideEcho]) -> _Chain:
    if not sides:
        raise DataError("there is no side to find the bottom on")
    names = tuple(sides)
    counts = {s: np.shape(sides[s].echo) for s in names}
    for s, shape in counts.items():
        if len(shape) != 2 or shape[0] < 1 or shape[1] < LEAST_COLUMNS:
            raise DataError(
                f"{s}: the side has shape {shape} (lines, columns); at least 1 line and "
                f"{LEAST_COLUMNS} columns are needed to find the bottom"
            )
    if len({shape[0] for shape in counts.values()}) > 1:
        raise DataError("the sides have different numbers of lines; they must come from one frame")
    lines = counts[names[0]][0]
    scale = np.stack([np.asarray(sides[s].scale_m, np.float64) for s in names])
    if scale.shape != (len(names), lines) or not (np.isfinite(scale).all() and (scale > 0).all()):
        raise DataError("the metres for a column must be positive and given for every line")
    start = np.array([float(sides[s].start_columns) for s in names])
    columns = np.array([counts[s][1] for s in names])
    far = float(((columns + start)[:, None] * scale).max())
    step = max(float(scale.min()), far / CELLS)
    cells = int(np.ceil(far / step)) + 1
    log = np.zeros((lines, len(names), cells), np.float32)
    at = np.arange(cells) * step
    for k, s in enumerate(names):
        echo = np.nan_to_num(np.asarray(sides[s].echo, np.float32))
        for value in np.unique(scale[k]):
            rows = np.flatnonzero(scale[k] == value)
            part = echo if rows.size == lines else echo[rows]
            steps, late = _steps(part)
            # Edges of columns to cells of the grid.
            edge = np.clip(at / value - start[k] - late, 0.0, columns[k])
            low = np.minimum(edge.astype(int), columns[k] - 1)
            share = (edge - low).astype(np.float32)
            log[rows, k] = steps[:, low] * (1 - share) + steps[:, low + 1] * share
    return _Chain(names, log, step, scale, start)


def _calmed(echo: Single) -> Single:
    """Middle of five lines, then mean of three columns: stripes and dashes go, edges stay."""
    lines = echo.shape[0]
    if lines >= 5:
        padded = np.concatenate([echo[2:0:-1], echo, echo[-2:-4:-1]])
        a, b, c, d, e = (padded[i : i + lines] for i in range(5))
        # The middle of five by exchanges (smallest and largest of four go, then of three).
        low = np.maximum(np.minimum(a, b), np.minimum(c, d))
        high = np.minimum(np.maximum(a, b), np.maximum(c, d))
        low, high = np.minimum(low, high), np.maximum(low, high)
        echo = np.maximum(low, np.minimum(high, e))
    out = echo.copy()
    out[:, 1:-1] += echo[:, :-2]
    out[:, 1:-1] += echo[:, 2:]
    out[:, 1:-1] /= 3
    return out


class _Levels(NamedTuple):
    """How a column's brightness becomes evidence: z = (x - water) * gain, then a table."""

    water: Single
    gain: Single
    weight: Single
    table: Single
    patch: Single

    def evidence(self, echo: Single) -> tuple[Single, Single]:
        """Evidence for bottom, and for fish or weed, of each sample, shape of `echo`."""
        z = (echo - self.water) * (self.gain * BINS / 3.0) + BINS / 3.0
        np.clip(z, 0, BINS - 1, out=z)
        cell = z.astype(np.intp)
        return self.table[cell] * self.weight, self.patch[cell] * self.weight


def _steps(echo: Single) -> tuple[Single, float]:
    """Log-likelihood of a bottom from each edge on, and by how many columns the edges are early.

    The likelihood is (lines, columns + 1), 0 the best of its line.
    """
    lines, columns = echo.shape
    echo = _calmed(echo)
    some = echo[:: max(1, -(-lines // LEARN_LINES))]
    levels = _first_guess(some)
    if levels is None:
        return np.zeros((lines, columns + 1), np.float32), 0.0
    for _ in range(ROUNDS):
        total, trust = _line_evidence(levels, some)
        path = _quick_path(total * trust[:, None])
        learnt = _learn(some, path, trust)
        if learnt is None:
            break
        levels = learnt
    total, trust = _line_evidence(levels, some)
    late = _lateness(levels, some, _quick_path(total * trust[:, None]), trust)
    total, trust = _line_evidence(levels, echo, patches=True)
    total *= trust[:, None]
    return total, late


def _lateness(levels: _Levels, echo: Single, path: NDArray[np.int64], trust: Single) -> float:
    """Columns from the found edge to where the typical echo along it has risen to half its power.

    The blur of pulse and screen brightens the columns just before the return. Screens draw about
    the root of the power (common practice, no source), so that half of it is RISEN of the contrast.
    """
    offset = np.arange(-8, 16)
    columns = echo.shape[1]
    good = np.flatnonzero((trust > 0.5) & (path > 8) & (path < columns - 16))
    if good.size < 8:
        return 0.0
    at = path[good, None] + offset
    z = np.median((echo[good[:, None], at] - levels.water[at]) * levels.gain[at], axis=0)
    half = RISEN * float(np.median(z[16:]))
    above = np.flatnonzero((z[1:] >= half) & (z[:-1] < half))
    if not half > 0.15 or not above.size:
        return 0.0
    i = int(above[np.argmin(np.abs(offset[above]))])
    crossing = offset[i] + 0.5 + (half - z[i]) / (z[i + 1] - z[i])
    return float(np.clip(crossing, -3.0, 3.0))


def _line_evidence(
    levels: _Levels, echo: Single, *, patches: bool = False
) -> tuple[Single, Single]:
    """Tempered log-likelihood of each edge (0 for the best, CAP at most below), and trust 0 to 1."""
    lines, columns = echo.shape
    evidence, patch = levels.evidence(echo)
    behind = np.zeros((lines, columns + 1), np.float32)
    np.cumsum(evidence, axis=1, out=behind[:, 1:])
    # Trust: the greatest difference between means before and behind an edge, of what could be.
    weight = np.concatenate([[0.0], np.cumsum(levels.weight)]).astype(np.float32) * LIMIT
    span = max(12, columns // 5)
    edges = np.arange(0, columns + 1, 2)
    to = np.minimum(edges + span, columns)
    back = np.maximum(edges - span, 0)
    near = weight[edges] - weight[back]
    beyond = weight[to] - weight[edges]
    edges = edges[ok := (near > 5 * LIMIT) & (beyond > 10 * LIMIT)]
    if edges.size:
        to, back, near, beyond = to[ok], back[ok], near[ok], beyond[ok]
        here = behind[:, edges]
        contrast = (behind[:, to] - here) / beyond - (here - behind[:, back]) / near
        contrast = contrast.max(axis=1) / 2
    else:
        contrast = np.zeros(lines, np.float32)
    trust = np.clip((contrast - 0.2) / 0.25, 0.0, 1.0).astype(np.float32)
    total = _with_patches(behind, patch) if patches else -behind
    total *= TEMPER
    total -= total.max(axis=1, keepdims=True)
    np.maximum(total, -CAP, out=total)
    return total, trust


def _with_patches(cum: Single, patch: Single) -> Single:
    """Log-likelihood of each edge, one dark patch behind it and one bright one before it allowed.

    With R(c) the evidence from edge c on, a patch of shadow [a, b) behind c adds R(b) - R(a) less
    SHADOW_COST and SHADOW_EACH a column; a patch of fish or weed [a, b) before c adds its own sum
    of evidence for "any brightness", less FISH_COST and FISH_EACH a column.
    """
    rest = cum[:, -1:] - cum
    at = np.arange(cum.shape[1], dtype=np.float32)
    back = (rest - SHADOW_EACH * at)[:, ::-1]
    shadow = np.maximum.accumulate(np.maximum.accumulate(back, axis=1) - back, axis=1)[:, ::-1]
    dim = np.zeros_like(cum)
    np.cumsum(patch - np.float32(FISH_EACH), axis=1, out=dim[:, 1:])
    fish = np.maximum.accumulate(dim - np.minimum.accumulate(dim, axis=1), axis=1)
    total = rest + np.maximum(shadow - SHADOW_COST, 0.0)
    total += np.maximum(fish - FISH_COST, 0.0)
    return total


def _first_guess(echo: Single) -> _Levels | None:
    columns = echo.shape[1]
    typical = np.median(echo, axis=0)
    bottom = float(np.quantile(echo[:, columns // 3 :], 0.6))
    water = np.minimum.accumulate(typical)
    darkest = float(np.quantile(echo[:, : max(columns // 2, 8)], 0.05))
    water = np.maximum(np.where(water > 0.6 * bottom + 0.4 * darkest, water, darkest), darkest)
    if not bottom - darkest > 1e-3 * max(float(np.ptp(echo)), 1e-9):
        return None
    usable = water < 0.5 * (bottom + darkest)
    gain = np.full(columns, 1.0 / (bottom - darkest))
    z = (np.arange(BINS) + 0.5) * 3.0 / BINS - 1.0
    table = np.clip(6.0 * (z - 0.5), -LIMIT, LIMIT)
    return _Levels(
        water.astype(np.float32),
        gain.astype(np.float32),
        usable.astype(np.float32),
        table.astype(np.float32),
        table.astype(np.float32),
    )


def _learn(echo: Single, path: NDArray[np.int64], trust: Single) -> _Levels | None:
    """Levels and distributions of both kinds, given where the bottom begins."""
    columns = echo.shape[1]
    good = trust > 0.5
    if good.sum() < 4:
        return None
    echo, path = echo[good], path[good]
    at = np.arange(columns)
    is_water = at < (path[:, None] - 2)
    is_bottom = at >= (path[:, None] + 2)
    n_water, n_bottom = is_water.sum(0), is_bottom.sum(0)
    if n_water.sum() < 50 or n_bottom.sum() < 50:
        return None
    # A few lines gone astray must not teach a column what its water is.
    enough = max(6, int(ENOUGH * n_water.max()))
    water = _filled(_masked_mean(echo, is_water, n_water), n_water >= enough)
    bottom = _filled(
        _smoothed(_masked_mean(echo, is_bottom, n_bottom), n_bottom, 12), n_bottom >= 6
    )
    if water is None or bottom is None:
        return None
    square = _filled(_masked_mean((echo - water) ** 2, is_water, n_water), n_water >= enough)
    assert square is not None
    contrast = bottom - water
    reach = float(np.median(contrast[contrast > 0])) if (contrast > 0).any() else 0.0
    if not reach > 0:
        return None
    weight = np.clip(2.0 * contrast / reach - 0.3, 0.0, 1.0)
    weight *= np.clip(contrast / (np.sqrt(square) + 1e-6) - 0.3, 0.0, 1.0)
    gain = 1.0 / np.maximum(contrast, 0.15 * reach)
    z = (echo - water) * (gain * BINS / 3.0) + BINS / 3.0
    cell = np.clip(z, 0, BINS - 1).astype(np.intp)
    used = weight > 0.3
    counts = []
    for mask in (is_bottom & used, is_water & used):
        count = np.bincount(cell[mask], minlength=BINS).astype(np.float64)
        if count.sum() < 50:
            return None
        count = np.convolve(count, np.array([1, 2, 3, 2, 1]) / 9.0, "same")
        counts.append(count / count.sum() + 2e-4)
    table = np.log(counts[0] / counts[1])
    # Brighter is never less of a bottom.
    table = (np.maximum.accumulate(table) + np.minimum.accumulate(table[::-1])[::-1]) / 2
    table = np.clip(table, -LIMIT, LIMIT)
    # Fish and weed are of any brightness up to somewhat above the bottom's.
    z = (np.arange(BINS) + 0.5) * 3.0 / BINS - 1.0
    any_ = np.where((z > -0.2) & (z < 1.6), 3.0 / BINS / 1.8, 1e-3)
    patch = table + np.clip(np.log(any_ / counts[0]), -UNLIKE, UNLIKE)
    return _Levels(*(np.asarray(v, np.float32) for v in (water, gain, weight, table, patch)))


def _masked_mean(values: Any, mask: Bools, count: NDArray[np.int64]) -> Floats:
    total = np.einsum("ij,ij->j", values, mask, dtype=np.float64)
    return np.asarray(total / np.maximum(count, 1))


def _smoothed(values: Floats, count: NDArray[np.int64], half: int) -> Floats:
    box = np.ones(2 * half + 1)
    top = np.convolve(values * count, box, "same")
    return np.asarray(top / np.maximum(np.convolve(count, box, "same"), 1))


def _filled(values: Floats, known: Bools) -> Floats | None:
    """Values where they are known, elsewhere between or as the nearest known."""
    if not known.any():
        return None
    at = np.arange(values.size)
    return np.interp(at, at[known], values[known])


def _quick_path(log: Single) -> NDArray[np.int64]:
    """Edge per line of a single side, for learning: the same chain on whole columns."""
    return _viterbi(log[:, None, :], wide=2)[:, 0]


# ---- the chain ----------------------------------------------------------------------------------


def _kernel(cells: int, wide: int = 1) -> tuple[Floats, float]:
    """Chances of a step by -reach .. reach cells, and of a jump to any one cell."""
    d = np.abs(np.arange(-REACH_CELLS * wide, REACH_CELLS * wide + 1))
    k = np.exp(-d / (STEP_CELLS * wide)) + TAIL
    return (1 - JUMP) * k / k.sum(), JUMP / cells


def _viterbi(log: Single, wide: int = 1) -> NDArray[np.int64]:
    """Likeliest path (lines, sides) through log-likelihoods (lines, sides, cells)."""
    lines, sides, cells = log.shape
    taps, jump = _kernel(cells, wide)
    m = taps.size // 2
    cost = np.log(taps).astype(np.float32)
    leap = np.float32(np.log(jump))
    best = np.empty_like(log)
    padded = np.full((sides, cells + 2 * m), -np.inf, np.float32)
    inner = padded[:, m : m + cells]
    room, new = np.empty((sides, cells), np.float32), np.empty((sides, cells), np.float32)
    best[0] = log[0]
    for i in range(1, lines):
        inner[:] = best[i - 1]
        inner -= inner.max(axis=1, keepdims=True)
        new.fill(leap)
        for d in range(2 * m + 1):
            np.add(padded[:, d : d + cells], cost[d], out=room)
            np.maximum(new, room, out=new)
        np.add(new, log[i], out=best[i])
    path = np.empty((lines, sides), np.int64)
    path[-1] = best[-1].argmax(axis=1)
    for k in range(sides):
        c = int(path[-1, k])
        for i in range(lines - 2, -1, -1):
            row = best[i, k]
            a, b = max(c - m, 0), min(c + m + 1, cells)
            near = row[a:b] + cost[a - c + m : b - c + m]
            j = int(near.argmax())
            top = int(row.argmax())
            c = top if row[top] + leap > near[j] else a + j
            path[i, k] = c
    return path


def _posterior(like: Single) -> Single:
    """Posterior of each cell, by forward and backward passes over likelihoods; sums to 1."""
    lines, sides, cells = like.shape
    taps, jump = _kernel(cells)
    single, leap = taps.astype(np.float32), np.float32(jump)
    out = np.empty_like(like)
    state: Any
    for k in range(sides):
        state = np.full(cells, 1.0 / cells, np.float32)
        for i in range(lines):
            state = np.convolve(state, single, "same") + leap
            out[i, k] = state
            state = state * like[i, k]
            state /= state.sum()
        state = np.ones(cells, np.float32) / cells
        for i in range(lines - 1, -1, -1):
            seen = state * like[i, k]
            out[i, k] *= seen
            seen /= seen.sum()
            state = np.convolve(seen, single, "same") + leap
    out /= out.sum(axis=2, keepdims=True)
    return out


def _tied(posterior: Single, log: Single) -> Single:
    """Log-likelihood that each of two sides has from the other, greatest about 0.

    The sides differ slowly, by the bottom's slope across: by the running median of the difference.
    """
    lines, _, cells = posterior.shape
    at = posterior.argmax(axis=2)
    sure = np.take_along_axis(posterior, at[..., None], 2)[..., 0].min(axis=1) > 0.05
    sure &= (log.min(axis=2) < -1.0).all(axis=1)
    apart = _running_median((at[:, 1] - at[:, 0]).astype(np.float64), sure)
    half = max(2, round(0.01 * float(np.median(at))))
    out = np.empty_like(posterior)
    for k, sign in ((0, 1), (1, -1)):
        total = np.zeros((lines, cells + 1), np.float32)
        np.cumsum(posterior[:, 1 - k], axis=1, out=total[:, 1:])
        centre = np.arange(cells) + (sign * np.round(apart)).astype(int)[:, None]
        low = np.clip(centre - half, 0, cells)
        high = np.clip(centre + half + 1, 0, cells)
        rows = np.arange(lines)[:, None]
        out[:, k] = total[rows, high] - total[rows, low]
    return np.asarray(TIE_WEIGHT * np.log(TIE * out + (1 - TIE)), np.float32)


def _running_median(values: Floats, known: Bools) -> Floats:
    """Median of the known values within TIE_LINES of each; 0 where there is none."""
    lines = values.size
    block = max(1, TIE_LINES // 8)
    middles = np.arange(0, lines, block)
    out = np.zeros(middles.size)
    for j, i in enumerate(middles):
        a, b = max(0, i - TIE_LINES), i + TIE_LINES + 1
        here = values[a:b][known[a:b]]
        out[j] = np.median(here) if here.size else 0.0
    return np.interp(np.arange(lines), middles, out)


def _solved(chain: _Chain, corrections: tuple[tuple[str, int, float], ...]) -> Bottom:
    log = chain.log
    if corrections:
        log = _pinned(chain, corrections)
    like = np.exp(log)
    if len(chain.sides) == 2:
        alone = _posterior(like)
        log = log + _tied(alone, log)
        like = np.exp(log)
    posterior = _posterior(like)
    path = _viterbi(log)
    return _read(chain, path, posterior, corrections)


def _pinned(chain: _Chain, corrections: tuple[tuple[str, int, float], ...]) -> Single:
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
        log[line, k, min(round(range_m / chain.step_m), cells - 1)] = 0.0
    return log


def _read(
    chain: _Chain,
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
    for k, s in enumerate(chain.sides):
        share = np.zeros((lines, cells + 1))
        np.cumsum(posterior[:, k], axis=1, out=share[:, 1:])
        half = np.maximum(1, np.round(NEAR * chain.scale_m[k] / chain.step_m)).astype(int)
        low = np.maximum(path[:, k] - half, 0)
        high = np.minimum(path[:, k] + half + 1, cells)
        mass = share[row, high] - share[row, low]
        confidence[s] = np.interp(mass, SHARE, RIGHT)
        offset = np.arange(-3, 4)
        at = np.clip(path[:, k, None] + offset, 0, cells - 1)
        p = posterior[row[:, None], k, at].astype(np.float64) + 1e-12
        p /= p.sum(axis=1, keepdims=True)
        mean = (p * at).sum(axis=1)
        spread = np.sqrt((p * (at - mean[:, None]) ** 2).sum(axis=1) + 1 / 12)
        ranges[s] = mean * chain.step_m
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
