"""What each line and side of a frame says of where its bottom begins.

The columns' levels of water and bottom and the looks of water, bottom, fish and weed are learnt from
the frame itself. See `athwart.frame.bottom` for the idea as a whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError
from athwart.frame.bottom_chain import TIE_LINES, likeliest, posterior_of, tied

if TYPE_CHECKING:
    from athwart.frame.layout import SideEcho

__all__ = ["Evidence", "evidence_of", "smoothed"]

Floats = NDArray[np.float64]
Single = NDArray[np.float32]
Bools = NDArray[np.bool_]

LIMIT = 2.0
"""Greatest evidence of one sample, nats."""
TEMPER = 0.25
"""Share of a line's evidence that counts: samples of the calmed picture depend on each other."""
CAP = 12.0
"""Farthest that a line can speak against a range, nats: any line may be wrong altogether."""
SHADOW_COST = 6.0
SHADOW_EACH = 0.05
"""What a patch of shadow behind the bottom costs, and each column of it."""
FISH_COST = 5.0
FISH_EACH = 0.4
"""What a patch of fish or weed before the bottom costs, and each column of it."""
UNLIKE = 2.0
"""Most that the look of one sample can speak for such a patch against the bottom, nats."""
WEED_ROUGH = 0.3
"""Mean roughness of fish and weed, of the contrast between water and bottom."""
ROUGH = 16
ROUGHEST = 1.0
"""Bins of roughness, and the end of the last but one."""
BINS = 96
"""Bins of brightness, from -1 (as far below the water as the bottom is above it) to 2."""
CELLS = 1000
"""Most cells of the grid."""
ROUNDS = 3
LEARN_LINES = 240
"""How often the levels are learnt, and from how many lines, spread over the frame."""
TIE_LEARN = 1.0
"""What one side says to the other while the levels are learnt; the lines are few then."""
ENOUGH = 0.35
"""A column's water is known where this share of the lines (of the fullest column) shows it."""
LEAST_COLUMNS = 16
RISEN = 0.8
"""Share of the greatest brightness close behind at which the return lies.

On a level bottom echo piles up at the first return as (r - h)^(-1/2); after a symmetric blur the
edge lies at 0.8 of the greatest power, which a screen that draws the root of it shows as 0.9; for a
plain step it would be 0.5 and 0.7. Both are met; the middle is taken.
"""
STRIP, STRIP_LINES = 8, 9
"""Columns and lines (of those learnt from) over which brightness before an edge is taken, where two
paths are weighed."""
RISE_COLUMNS = 6
"""Columns on either side of an edge over which it is told how much brighter it is behind."""
LATE_LINES = 15
"""Half of the window, in lines of those learnt from, over which the echo's rise is taken."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the path is sought in.

    Parameters
    ----------
    sides : tuple of str
        The sides, in the order of the arrays.
    log : float32 (lines, sides, cells)
        Log-likelihood of each cell, 0 the best of its line.
    step_m : float
        A cell, metres; cell k lies at k times it.
    scale_m : (sides, lines)
        Metres for a column.
    start_columns : (sides,)
        From the centre line to the near edge of column 0.
    late_m : (lines, sides)
        How much farther than its cell the return lies.
    parts : tuple
        The calmed echo behind it.
    """

    sides: tuple[str, ...]
    log: Single
    step_m: float
    scale_m: Floats
    start_columns: Floats
    late_m: Floats
    parts: tuple[_Part, ...] = field(repr=False)

    def rise(self, side: int, range_m: Floats) -> Floats:
        """How much brighter the echo is close behind a range than close before it, for each line."""
        out = np.zeros(range_m.size)
        for part in self.parts:
            if part.side == side and part.rows.size:
                edge = np.rint(range_m[part.rows] / part.scale_m - part.start_columns)
                out[part.rows] = _rise(part.echo, edge.astype(np.int64), RISE_COLUMNS)
        return out


def _rise(echo: Single, edge: NDArray[np.int64], span: int) -> Floats:
    """Mean of `span` columns behind edges less that before them, the columns at the edge left out."""
    columns = echo.shape[1]
    away = np.arange(1, span + 1)
    row = np.arange(echo.shape[0])[:, None]
    behind = echo[row, np.clip(edge[:, None] + away, 0, columns - 1)].mean(axis=1)
    before = echo[row, np.clip(edge[:, None] - 1 - away, 0, columns - 1)].mean(axis=1)
    return np.asarray(behind - before, np.float64)


def evidence_of(sides: Mapping[str, SideEcho]) -> Evidence:
    """Learn what the frame looks like, and weigh every cell of every line.

    Raises
    ------
    DataError
        No side, sides with different numbers of lines, or too few columns to see a bottom.
    """
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
    grid = _Grid(lines, len(names), cells, step)
    parts = []
    for k, s in enumerate(names):
        echo = np.nan_to_num(np.asarray(sides[s].echo, np.float32))
        for value in np.unique(scale[k]):
            rows = np.flatnonzero(scale[k] == value)
            calmed, rough = _calmed(echo if rows.size == lines else echo[rows])
            parts.append(_Part(k, rows, calmed, rough, float(value), float(start[k])))
    known = _learnt(parts, grid)
    log = np.zeros((lines, len(names), cells), np.float32)
    late_m = np.zeros((lines, len(names)))
    for part, (levels, late) in zip(parts, known, strict=True):
        if levels is not None:
            steps, trust = _line_evidence(levels, part, patches=True)
            steps *= trust[:, None]
            log[part.rows, part.side] = part.on(grid, steps)
        late_m[part.rows, part.side] = late * part.scale_m
    return Evidence(names, log, step, scale, start, late_m, tuple(parts))


class _Grid(NamedTuple):
    """Where the path is sought: numbers of lines, sides and cells, and a cell in metres."""

    lines: int
    sides: int
    cells: int
    step_m: float


@dataclass(frozen=True, eq=False)
class _Part:
    """Lines of one side that were drawn with one scale."""

    side: int
    rows: NDArray[np.int64]
    echo: Single
    rough: Single
    scale_m: float
    start_columns: float

    def on(self, grid: _Grid, steps: Single) -> Single:
        """Carry log-likelihoods of edges of columns over to cells of the grid."""
        columns = self.echo.shape[1]
        at = np.arange(grid.cells) * grid.step_m
        edge = np.clip(at / self.scale_m - self.start_columns, 0.0, columns)
        low = np.minimum(edge.astype(int), columns - 1)
        share = (edge - low).astype(np.float32)
        return np.asarray(steps[:, low] * (1 - share) + steps[:, low + 1] * share)

    def edges(self, grid: _Grid, cells: NDArray[np.int64]) -> NDArray[np.int64]:
        """Edges of columns nearest to cells of the grid."""
        edge = np.rint(cells * grid.step_m / self.scale_m - self.start_columns)
        return np.asarray(np.clip(edge, 0, self.echo.shape[1]), np.int64)


def _learnt(parts: list[_Part], grid: _Grid) -> list[tuple[_Levels | None, Floats]]:
    """Levels of each part, and by how many columns its edges are early on each line.

    Behind every round is one path through all parts, so that a side or a range that shows little
    learns from those that show more. A part that was misled (its levels then fit its wrong path) is
    put right by a rival: the path that both sides would share. Each part takes the one behind which
    it is the brighter against all that lies before.
    """
    few = _Few.of(parts, grid)
    levels = [_first_guess(part.echo) if part.rows.size else None for part in few.parts]
    usable = [None if k is None else k.weight for k in levels]
    for _ in range(ROUNDS):
        log, trusts = few.weighed(levels)
        rivals = [few.path(log)]
        if grid.sides == 2:
            rivals.append(np.repeat(likeliest(log.sum(axis=1, keepdims=True), wide=2), 2, axis=1))
        for k, part in enumerate(few.parts):
            if levels[k] is None:
                continue
            edges = [few.edges(k, cells) for cells in rivals]
            best = max(edges, key=lambda e: _parted(part.echo, e, usable[k]))
            levels[k] = _learn(part, best, trusts[k]) or levels[k]
    log, trusts = few.weighed(levels)
    cells = few.path(log)
    out = []
    for k, known in enumerate(levels):
        rows = parts[k].rows
        late = np.zeros(rows.size)
        if known is not None:
            late = _lateness(known, few.parts[k], few.edges(k, cells), trusts[k], rows)
        out.append((known, late))
    return out


@dataclass(frozen=True, eq=False)
class _Few:
    """The lines that are learnt from, spread over the frame: their parts, and where these lie."""

    parts: list[_Part]
    at: list[NDArray[np.int64]]
    lines: int
    grid: _Grid

    @classmethod
    def of(cls, parts: list[_Part], grid: _Grid) -> _Few:
        chosen = np.arange(0, grid.lines, max(1, -(-grid.lines // LEARN_LINES)))
        few, at = [], []
        for p in parts:
            here = np.isin(p.rows, chosen)
            few.append(replace(p, rows=p.rows[here], echo=p.echo[here], rough=p.rough[here]))
            at.append(np.searchsorted(chosen, p.rows[here]))
        return cls(few, at, chosen.size, grid)

    def weighed(self, levels: list[_Levels | None]) -> tuple[Single, list[Single]]:
        """Log-likelihoods on the grid, and the trust in each line of each part."""
        log = np.zeros((self.lines, self.grid.sides, self.grid.cells), np.float32)
        trusts = []
        for part, known, rows in zip(self.parts, levels, self.at, strict=True):
            trust = np.zeros(rows.size, np.float32)
            if known is not None:
                steps, trust = _line_evidence(known, part)
                log[rows, part.side] = part.on(self.grid, steps * trust[:, None])
            trusts.append(trust)
        return log, trusts

    def path(self, log: Single) -> NDArray[np.int64]:
        """Cell for each line and side."""
        if self.grid.sides == 2:
            reach = TIE_LINES * self.lines // self.grid.lines + 1
            log = log + tied(posterior_of(np.exp(log)), log, reach, TIE_LEARN)
        return likeliest(log, wide=2)

    def edges(self, k: int, cells: NDArray[np.int64]) -> NDArray[np.int64]:
        """Edges of columns of a part along a path."""
        part = self.parts[k]
        return part.edges(self.grid, cells[self.at[k], part.side])


def _calmed(echo: Single) -> tuple[Single, Single]:
    """Middle of five lines, then mean of three columns: stripes and dashes go, edges stay.

    And how rough it was: the mean of three columns of what the middle took away.
    """
    lines = echo.shape[0]
    middle = echo
    if lines >= 5:
        padded = np.concatenate([echo[2:0:-1], echo, echo[-2:-4:-1]])
        a, b, c, d, e = (padded[i : i + lines] for i in range(5))
        # The middle of five by exchanges (smallest and largest of four go, then of three).
        low = np.maximum(np.minimum(a, b), np.minimum(c, d))
        high = np.minimum(np.maximum(a, b), np.maximum(c, d))
        low, high = np.minimum(low, high), np.maximum(low, high)
        middle = np.maximum(low, np.minimum(high, e))
    return _mean_of_three(middle), _mean_of_three(np.abs(echo - middle))


def _mean_of_three(values: Single) -> Single:
    out = values.copy()
    out[:, 1:-1] += values[:, :-2]
    out[:, 1:-1] += values[:, 2:]
    out[:, 1:-1] /= 3
    return out


class _Levels(NamedTuple):
    """How a column's brightness becomes evidence: z = (x - water) * gain, then a table."""

    water: Single
    gain: Single
    weight: Single
    table: Single
    patch: Single

    def evidence(self, echo: Single) -> tuple[Single, NDArray[np.intp]]:
        """Evidence for bottom of each sample, shape of `echo`, and its bin of brightness."""
        z = (echo - self.water) * (self.gain * BINS / 3.0) + BINS / 3.0
        np.clip(z, 0, BINS - 1, out=z)
        cell = z.astype(np.intp)
        return self.table[cell] * self.weight, cell

    def patches(self, cell: NDArray[np.intp], rough: Single) -> Single:
        """Evidence for fish or weed of each sample."""
        return np.asarray(self.patch[cell, _rough_cell(rough, self.gain)] * self.weight)


def _rough_cell(rough: Single, gain: Any) -> NDArray[np.intp]:
    u = rough * (gain * (ROUGH / ROUGHEST))
    return np.asarray(np.minimum(u, ROUGH - 1), np.intp)


def _parted(echo: Single, path: NDArray[np.int64], usable: Any) -> float:
    """How much brighter it is close behind a path than anywhere before it, the ringing left out.

    A shadow that a ledge casts across many lines is as dark as water, and the bottom behind it is as
    sharp an edge as the first return; but before it lies a strip of bottom.
    """
    from scipy.ndimage import uniform_filter1d

    ringing = np.minimum.accumulate(np.median(echo, axis=0))
    total = np.zeros((echo.shape[0], echo.shape[1] + 1))
    np.cumsum((echo - ringing) * usable, axis=1, out=total[:, 1:])
    count = np.concatenate([[0.0], np.cumsum(usable)])
    row, end = np.arange(echo.shape[0]), echo.shape[1]

    def mean(a: int, b: int) -> Any:
        low, high = np.clip(path + a, 0, end), np.clip(path + b, 0, end)
        return (total[row, high] - total[row, low]) / np.maximum(count[high] - count[low], 1)

    ok = (path >= 4) & (path <= end - 4)
    strips = (total[:, STRIP:] - total[:, :-STRIP]) / np.maximum(count[STRIP:] - count[:-STRIP], 1)
    brightest = np.maximum.accumulate(uniform_filter1d(strips, STRIP_LINES, axis=0), axis=1)
    strip = brightest[row, np.clip(path - 1 - STRIP, 0, end - STRIP)]
    before = np.where(path > STRIP, np.maximum(mean(-17, -1), strip), mean(-17, -1))
    return float(np.mean(np.where(ok, mean(1, 17) - before, 0.0)))


def _lateness(
    levels: _Levels, part: _Part, path: NDArray[np.int64], trust: Single, lines: NDArray[np.int64]
) -> Floats:
    """Columns from the found edge to where the typical echo along it has risen, for each line.

    The blur of pulse and screen brightens the columns just before the return. Screens draw about
    the root of the power (common practice, no source), whence RISEN. `lines` are those of the
    frame for which it is told; those of `part` are around them.
    """
    offset = np.arange(-8, 16)
    columns = part.echo.shape[1]
    good = np.flatnonzero((trust > 0.5) & (path > 8) & (path < columns - 16))
    if good.size < 8:
        return np.zeros(lines.size)
    at = path[good, None] + offset
    z = (part.echo[good[:, None], at] - levels.water[at]) * levels.gain[at]
    reach = min(LATE_LINES, good.size // 2)
    middles = np.arange(reach, good.size - reach + 1, max(1, reach // 2))
    found = [_risen(offset, np.median(z[i - reach : i + reach], axis=0)) for i in middles]
    where = part.rows[good[np.minimum(middles, good.size - 1)]]
    return np.interp(lines, where, found)


def _risen(offset: NDArray[np.int64], z: Any) -> float:
    """Where a profile rises through RISEN of its greatest value close behind the edge."""
    half = RISEN * float(z[8:14].max())
    above = np.flatnonzero((z[1:] >= half) & (z[:-1] < half))
    if not half > 0.15 or not above.size:
        return 0.0
    i = int(above[np.argmin(np.abs(offset[above]))])
    crossing = offset[i] + 0.5 + (half - z[i]) / (z[i + 1] - z[i])
    return float(np.clip(crossing, -3.0, 3.0))


def _line_evidence(levels: _Levels, part: _Part, *, patches: bool = False) -> tuple[Single, Single]:
    """Tempered log-likelihood of each edge (0 for the best, CAP at most below), and trust 0 to 1."""
    lines, columns = part.echo.shape
    evidence, cell = levels.evidence(part.echo)
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
    total = _with_patches(behind, levels.patches(cell, part.rough)) if patches else -behind
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
        np.repeat(table[:, None], ROUGH, axis=1).astype(np.float32),
    )


def _learn(part: _Part, path: NDArray[np.int64], trust: Single) -> _Levels | None:
    """Levels and distributions of both kinds, given where the bottom begins."""
    columns = part.echo.shape[1]
    good = trust > 0.5
    if good.sum() < 4:
        return None
    echo, path = part.echo[good], path[good]
    at = np.arange(columns)
    is_water = at < (path[:, None] - 2)
    is_bottom = at >= (path[:, None] + 2)
    n_water, n_bottom = is_water.sum(0), is_bottom.sum(0)
    if n_water.sum() < 50 or n_bottom.sum() < 50:
        return None
    # A few lines gone astray must not teach a column what its water is.
    enough = max(6, int(ENOUGH * n_water.max()))
    water = _filled(_masked_mean(echo, is_water, n_water), n_water >= enough)
    bottom = _filled(smoothed(_masked_mean(echo, is_bottom, n_bottom), n_bottom, 12), n_bottom >= 6)
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
    # Fish and weed are of any brightness up to somewhat above the bottom's, and rough.
    z = (np.arange(BINS) + 0.5) * 3.0 / BINS - 1.0
    any_ = np.where((z > -0.2) & (z < 1.6), 3.0 / BINS / 1.8, 1e-3)
    mask = is_bottom & used
    both = cell * ROUGH + _rough_cell(part.rough[good], gain)
    count = np.bincount(both[mask], minlength=BINS * ROUGH).reshape(BINS, ROUGH).astype(np.float64)
    count = np.apply_along_axis(np.convolve, 0, count, np.array([1, 2, 3, 2, 1]) / 9.0, "same")
    count = np.apply_along_axis(np.convolve, 1, count, np.array([1, 2, 1]) / 4.0, "same")
    u = (np.arange(ROUGH) + 0.5) * ROUGHEST / ROUGH
    rough_ = np.exp(-u / WEED_ROUGH)
    odds = np.log(any_[:, None] * (rough_ / rough_.sum()) / (count / count.sum() + 2e-5))
    patch = table[:, None] + np.clip(odds, -UNLIKE, UNLIKE)
    return _Levels(*(np.asarray(v, np.float32) for v in (water, gain, weight, table, patch)))


def _masked_mean(values: Any, mask: Bools, count: NDArray[np.int64]) -> Floats:
    total = np.einsum("ij,ij->j", values, mask, dtype=np.float64)
    return np.asarray(total / np.maximum(count, 1))


def smoothed(values: Floats, count: NDArray[Any], half: int) -> Floats:
    """Mean over `half` lines on either side, each line with the weight of its count."""
    box = np.ones(min(2 * half + 1, values.size))
    top = np.convolve(values * count, box, "same")
    return np.asarray(top / np.maximum(np.convolve(count, box, "same"), 1))


def _filled(values: Floats, known: Bools) -> Floats | None:
    """Values where they are known, elsewhere between or as the nearest known."""
    if not known.any():
        return None
    at = np.arange(values.size)
    return np.interp(at, at[known], values[known])
