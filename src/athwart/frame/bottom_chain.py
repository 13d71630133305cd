"""The chain over the lines in which the bottom is sought: its path, its posterior, its two sides.

The path is the likeliest one by dynamic programming (Viterbi 1967, "Error bounds for convolutional
codes and an asymptotically optimum decoding algorithm"), the posterior comes from forward and backward
passes over the same chain (Rabiner 1989, "A tutorial on hidden Markov models"). Both from memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["TIE_LINES", "TIE_WEIGHT", "likeliest", "posterior_of", "running_median", "tied"]

Floats = NDArray[np.float64]
Single = NDArray[np.float32]
Bools = NDArray[np.bool_]

JUMP = 1e-5
"""Chance of a jump to anywhere from one line to the next."""
STEP_CELLS = 0.8
TAIL = 0.01
REACH_CELLS = 5
"""Steps from line to line: scale of the exponential, floor below it, end; cells of the grid."""
TIE_LEVEL = 0.55
LEVEL = 0.015
"""Chance that both sides have one range, and to which part of it: on a level side and on one that
falls away the first return comes from right below, on one that rises by s at h cos s; 10 degrees make
1.5 %."""
TIE_SLOPE = 0.35
SLOPE = 0.01
TIE_LINES = 60
"""Chance that they differ as they do on the lines around, to which part of the range, and half of the
window of lines over which the running median of their difference is taken."""
TIE_WEIGHT = 0.5
"""What one side says to the other counts so much: what misleads one often misleads both."""


def _kernel(cells: int, wide: int = 1) -> tuple[Floats, float]:
    """Chances of a step by -reach .. reach cells, and of a jump to any one cell."""
    d = np.abs(np.arange(-REACH_CELLS * wide, REACH_CELLS * wide + 1))
    k = np.exp(-d / (STEP_CELLS * wide)) + TAIL
    return (1 - JUMP) * k / k.sum(), JUMP / cells


def likeliest(log: Single, wide: int = 1) -> NDArray[np.int64]:
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


def posterior_of(like: Single) -> Single:
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


def tied(posterior: Single, log: Single, reach: int, weight: float) -> Single:
    """Log-likelihood that each of two sides has from the other, greatest about 0.

    The sides have one range, or differ slowly, by the bottom's slope across: by the running median of
    the difference within `reach` lines; or they have nothing to do with each other (a wall).
    """
    lines, _, cells = posterior.shape
    at = posterior.argmax(axis=2)
    sure = np.take_along_axis(posterior, at[..., None], 2)[..., 0].min(axis=1) > 0.05
    sure &= (log.min(axis=2) < -1.0).all(axis=1)
    apart = running_median((at[:, 1] - at[:, 0]).astype(np.float64), sure, reach)
    close = max(2, round(SLOPE * float(np.median(at))))
    out = np.empty_like(posterior)
    rows = np.arange(lines)[:, None]
    cell = np.arange(cells)
    for k, sign in ((0, 1), (1, -1)):
        total = np.zeros((lines, cells + 1), np.float32)
        np.cumsum(posterior[:, 1 - k], axis=1, out=total[:, 1:])
        half = np.maximum(2, np.round(LEVEL * cell)).astype(int)
        level = total[:, np.minimum(cell + half + 1, cells)] - total[:, np.maximum(cell - half, 0)]
        centre = cell + (sign * np.round(apart)).astype(int)[:, None]
        low = np.clip(centre - close, 0, cells)
        high = np.clip(centre + close + 1, 0, cells)
        sloping = total[rows, high] - total[rows, low]
        out[:, k] = TIE_LEVEL * level + TIE_SLOPE * sloping
    return np.asarray(weight * np.log(out + (1 - TIE_SLOPE - TIE_LEVEL)), np.float32)


def running_median(values: Floats, known: Bools, reach: int) -> Floats:
    """Median of the known values within `reach` lines of each; 0 where there is none."""
    lines = values.size
    block = max(1, reach // 8)
    middles = np.arange(0, lines, block)
    out = np.zeros(middles.size)
    for j, i in enumerate(middles):
        a, b = max(0, i - reach), i + reach + 1
        here = values[a:b][known[a:b]]
        out[j] = np.median(here) if here.size else 0.0
    return np.interp(np.arange(lines), middles, out)
