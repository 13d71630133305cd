"""Many looks at one thing become one position, with all that their errors have in common.

A look is x_i = m + B_i g + S_i t + e_i: the thing's place m, the boat's error g and the trip's
error t (unit normals in east and north, common to the boat's and the trip's looks) and its own
error e_i with covariance P_i. Looks of one trip are fully correlated in t: their joint covariance
is C_ij = S_i S_j I + delta_ij P_i. The best linear estimate of m weighs with C^-1; t is removed in
closed form trip by trip, so no matrix is larger than 2 x 2:

    J = sum P^-1 - (sum S P^-1) (I + sum S^2 P^-1)^-1 (sum S P^-1)

and the vector and the squared residual alike. A boat's looks are fused first, then her error
(the largest B of hers in the mark) is added to their covariance: it is never averaged away. The
boats are independent. The squared residual is r' C^-1 r over all looks, with 2 n - 2 degrees of
freedom.

Formulas: information form of the best linear unbiased estimate; the two-estimate case is that of
the BMVA tutorial on fusion (CVonline, Edinburgh), P = (P1^-1 + P2^-1)^-1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from athwart.merge.looks import run_starts

__all__ = ["Fused", "Rows", "fuse", "residual_squared"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Rows:
    """Looks in plane coordinates, ordered by mark, then boat, then trip.

    Attributes
    ----------
    x, y : numpy.ndarray
        Metres east and north in a plane of the mark's own.
    see, snn, sen : numpy.ndarray
        Own covariance in the axes of that plane, square metres.
    shared, boat_sigma : numpy.ndarray
        Common errors, metres per axis.
    trip, boat : numpy.ndarray of int
        Codes.
    """

    x: FloatArray
    y: FloatArray
    see: FloatArray
    snn: FloatArray
    sen: FloatArray
    shared: FloatArray
    boat_sigma: FloatArray
    trip: NDArray[np.int32]
    boat: NDArray[np.int32]

    def take(self, i: IntArray) -> Rows:
        """Return some of the rows."""
        return Rows(
            self.x.take(i),
            self.y.take(i),
            self.see.take(i),
            self.snn.take(i),
            self.sen.take(i),
            self.shared.take(i),
            self.boat_sigma.take(i),
            self.trip.take(i),
            self.boat.take(i),
        )


@dataclass(frozen=True, eq=False)
class Fused:
    """One row a mark: position, total covariance, squared residual, number of trips."""

    x: FloatArray
    y: FloatArray
    see: FloatArray
    snn: FloatArray
    sen: FloatArray
    squared: FloatArray
    trips: IntArray


Symmetric = tuple[FloatArray, FloatArray, FloatArray]


def _inverse(m: Symmetric) -> Symmetric:
    a, b, c = m
    det = a * b - c * c
    return b / det, a / det, -c / det


def _heads(*keys: NDArray[np.int32] | IntArray) -> IntArray:
    return np.flatnonzero(run_starts(*keys))


def _total(v: FloatArray, at: IntArray) -> FloatArray:
    return np.asarray(np.add.reduceat(v, at)) if len(at) else np.empty(0)


def _alone(rows: Rows) -> tuple[FloatArray, ...]:
    """Return the information, its vector and the square of looks that are their trip's only one."""
    s = rows.shared  # the common error just adds to its own
    j11, j22, j12 = _inverse((rows.see + s * s, rows.snn + s * s, rows.sen))
    ix, iy = j11 * rows.x + j12 * rows.y, j12 * rows.x + j22 * rows.y
    return j11, j22, j12, ix, iy, rows.x * ix + rows.y * iy


def _together(rows: Rows, head: IntArray) -> tuple[FloatArray, ...]:
    """Return the same of each trip's looks, the runs that begin at ``head``, taken together."""
    s, ss = rows.shared, rows.shared * rows.shared
    w11, w22, w12 = _inverse((rows.see, rows.snn, rows.sen))
    wx, wy = w11 * rows.x + w12 * rows.y, w12 * rows.x + w22 * rows.y
    square = _total(rows.x * wx + rows.y * wy, head)
    ix, iy = _total(wx, head), _total(wy, head)
    j11, j22, j12 = _total(w11, head), _total(w22, head), _total(w12, head)
    s11, s22, s12 = _total(s * w11, head), _total(s * w22, head), _total(s * w12, head)
    sx, sy = _total(s * wx, head), _total(s * wy, head)
    k11, k22, k12 = _inverse(
        (_total(ss * w11, head) + 1.0, _total(ss * w22, head) + 1.0, _total(ss * w12, head))
    )
    kx, ky = k11 * sx + k12 * sy, k12 * sx + k22 * sy
    # S K S, symmetric because S and K are.
    a11, a12 = s11 * k11 + s12 * k12, s11 * k12 + s12 * k22
    a21, a22 = s12 * k11 + s22 * k12, s12 * k12 + s22 * k22
    return (
        j11 - (a11 * s11 + a12 * s12),
        j22 - (a21 * s12 + a22 * s22),
        j12 - (a11 * s12 + a12 * s22),
        ix - (s11 * kx + s12 * ky),
        iy - (s12 * kx + s22 * ky),
        square - (sx * kx + sy * ky),
    )


def fuse(rows: Rows, mark: NDArray[np.int32] | IntArray) -> Fused:
    """Fuse the looks of each mark.

    Parameters
    ----------
    rows : Rows
        Ordered by mark, then boat, then trip.
    mark : numpy.ndarray of int
        Mark of each row, not falling.

    Returns
    -------
    Fused
        One row for each run of ``mark``.
    """
    # Trips: remove the common error t in closed form.
    head = _heads(mark, rows.boat, rows.trip)
    size = np.diff(np.append(head, len(rows.x)))
    if len(head) == len(rows.x):
        j11, j22, j12, ix, iy, square = _alone(rows)
    else:
        # Each mark is worked out one way whatever other marks stand in the table.
        out = np.empty((6, len(head)))
        out[:, size == 1] = _alone(rows.take(head[size == 1]))
        several = size > 1
        inside = np.flatnonzero(np.repeat(several, size))
        out[:, several] = _together(rows.take(inside), np.cumsum(size[several]) - size[several])
        j11, j22, j12, ix, iy, square = out

    # Boats: fuse a boat's trips, then add what they all share.
    mark_t, boat_t = mark[head], rows.boat[head]
    start = _heads(mark_t, boat_t)
    j11, j22, j12 = _total(j11, start), _total(j22, start), _total(j12, start)
    ix, iy, square = _total(ix, start), _total(iy, start), _total(square, start)
    c11, c22, c12 = _inverse((j11, j22, j12))
    x, y = c11 * ix + c12 * iy, c12 * ix + c22 * iy
    square = square - (x * ix + y * iy)
    if rows.boat_sigma.any():
        largest = np.maximum.reduceat(np.maximum.reduceat(rows.boat_sigma, head), start) ** 2
        c11, c22 = c11 + largest, c22 + largest

    mark_b = mark_t[start]
    first = _heads(mark_b)
    if len(first) != len(start):
        size = np.diff(np.append(first, len(start)))
        several = size > 1
        at = np.flatnonzero(np.repeat(several, size))
        bound = np.cumsum(size[several]) - size[several]
        j11, j22, j12 = _inverse((c11[at], c22[at], c12[at]))
        ix, iy = j11 * x[at] + j12 * y[at], j12 * x[at] + j22 * y[at]
        whole = _total(square[at] + x[at] * ix + y[at] * iy, bound)
        ix, iy = _total(ix, bound), _total(iy, bound)
        c = _inverse((_total(j11, bound), _total(j22, bound), _total(j12, bound)))
        px, py = c[0] * ix + c[2] * iy, c[2] * ix + c[1] * iy
        x, y, square, c11, c22, c12 = (v[first] for v in (x, y, square, c11, c22, c12))
        x[several], y[several], square[several] = px, py, whole - (px * ix + py * iy)
        c11[several], c22[several], c12[several] = c
    trips = np.diff(np.append(_heads(mark_t), len(mark_t)))
    return Fused(x, y, c11, c22, c12, np.maximum(square, 0.0), trips)


def residual_squared(rows: Rows, fused: Fused, of: IntArray) -> FloatArray:
    """Return how far each look lies from the fused position, in units of its own error squared.

    The covariance of a look's residual about the best linear estimate is that of the look less
    that of the estimate; testing with their sum would reject nothing.

    Parameters
    ----------
    rows : Rows
        Looks, ordered by mark, then boat.
    fused : Fused
        Marks.
    of : numpy.ndarray of int
        Row of ``fused`` for each look, not falling.
    """
    dx, dy = rows.x - fused.x.take(of), rows.y - fused.y.take(of)
    common = rows.shared**2
    if rows.boat_sigma.any():
        # As in `fuse` a boat's looks all carry her largest error in the mark: with less, a look
        # could seem surer than the mark that it is part of.
        head = _heads(of, rows.boat)
        largest = np.maximum.reduceat(rows.boat_sigma, head) ** 2
        common = common + np.repeat(largest, np.diff(np.append(head, len(of))))
    a = rows.see + common - fused.see.take(of)
    b = rows.snn + common - fused.snn.take(of)
    c = rows.sen - fused.sen.take(of)
    # A look that fixes the mark almost alone leaves next to no residual; a hair of a metre keeps
    # rounding out of it.
    hair = 1e-9 * (rows.see + rows.snn + common)
    a, b = np.maximum(a, 0.0) + hair, np.maximum(b, 0.0) + hair
    det = a * b - c * c
    floor = hair * (a + b)
    det = np.maximum(det, floor)
    return np.asarray((b * dx * dx - 2 * c * dx * dy + a * dy * dy) / det)
