"""How each trip sits against the others, from a vote of displacements.

Before anything is gated, every look of a trip (a sample of them, evenly over the water) is laid
against the looks of each other trip within 150 m. Looks at the same things pile up at one
displacement, the rest spread over the disc. For every two trips the pile is found on a grid and
refined as a normal pile on an even ground (expectation and maximisation), each displacement with
its own error. The trips' displacements are then balanced over all pairs, with few large ones
rather than many small ones.

Two things come of it. A trip that sits farther from the others than its GNSS error explains is an
`Offset`: reported, and shifted only on request. For the others the pile says which part of the
common error they have, within what error: the gate may use that (see `Sitting`), the fused
position and its covariance do not.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from athwart.merge.looks import Looks, run_starts, turned

if TYPE_CHECKING:
    from scipy.spatial import cKDTree as Tree

__all__ = ["VOTE_WITHIN_M", "Offset", "Sitting", "nothing_of", "sitting_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Int32Array = NDArray[np.int32]
BoolArray = NDArray[np.bool_]

VOTE_WITHIN_M = 150.0
"""Displacements up to this length take part in the vote, metres."""

_CELL_M = 8.0
_LOOKS_A_TRIP = 300
_LOOKS_IN_ALL = 8_000

LEAST_LOOKS = 6
"""Looks of a trip below which nothing is asked of it."""

_LEAST_SHARE = 1.0 / 3.0
_LEAST_OFFSET_M = 5.0
_CHANCE = 1e-4
"""Chance that an honest trip is called off, by the standard errors that it states."""
_ENOUGH_FOR_GATE = 20

MOST_TRIPS = 600
"""Trips that are balanced against each other as one full system."""


@dataclass(frozen=True, slots=True)
class Offset:
    """A trip that sits off the others.

    Attributes
    ----------
    trip : str
        Its name.
    distance_m, bearing_deg : float
        How far and which way (true) it lies from where the others put the same things.
    east_m, north_m : float
        The same as a displacement; subtract it to bring the trip onto the others.
    support : int
        Looks of the trip that agree with it.
    sigma_m : float
        Standard error of the displacement per axis, without the trips' GNSS errors.
    """

    trip: str
    distance_m: float
    bearing_deg: float
    east_m: float
    north_m: float
    support: int
    sigma_m: float


@dataclass(frozen=True, eq=False)
class Sitting:
    """Where each trip sits, by trip code.

    Attributes
    ----------
    east, north : numpy.ndarray
        The common error that a trip is found to have against its group, metres; 0 if unknown.
    part : numpy.ndarray
        What is left of the trip's standard error once that is taken off, as a part of it.
    group : numpy.ndarray of int
        Trips that were laid against each other; -1 for none.
    group_sigma : numpy.ndarray
        Error that all trips of the group share, metres per axis.
    shared, boat : numpy.ndarray
        Standard errors that the trip's looks share among them and with the boat's other trips,
        as root of their mean square, metres per axis.
    size : numpy.ndarray of int
        Looks of the trip.
    off : dict of int to Offset
        The trips that sit off the others.
    group_names : dict of int to str
        Names that groups had before; other groups have none yet.
    """

    east: FloatArray
    north: FloatArray
    part: FloatArray
    group: IntArray
    group_sigma: FloatArray
    shared: FloatArray
    boat: FloatArray
    size: IntArray
    off: dict[int, Offset] = field(default_factory=dict)
    group_names: dict[int, str] = field(default_factory=dict)

    @property
    def offsets(self) -> tuple[Offset, ...]:
        """Trips off the others, the farthest first."""
        return tuple(sorted(self.off.values(), key=lambda o: (-o.distance_m, o.trip)))

    def variance(self, boats: bool) -> FloatArray:
        """Return the variance per axis that the looks state for where their trip sits."""
        return np.maximum(self.shared**2 + (self.boat**2 if boats else 0.0), 0.01)


def nothing_of(looks: Looks) -> Sitting:
    """Return what the looks themselves say of their trips: nothing of where they sit."""
    trips = len(looks.trip_names)
    size = np.bincount(looks.trip, minlength=trips)

    def mean_root(sigma: FloatArray) -> FloatArray:
        return np.sqrt(np.bincount(looks.trip, sigma**2, trips) / np.maximum(size, 1))

    return Sitting(
        np.zeros(trips),
        np.zeros(trips),
        np.ones(trips),
        np.full(trips, -1, dtype=np.int64),
        np.zeros(trips),
        mean_root(looks.shared),
        mean_root(looks.boat_sigma),
        size,
    )


def sitting_of(looks: Looks, tree: Tree) -> Sitting:
    """Find how the trips sit against each other.

    Parameters
    ----------
    looks : Looks
        In canonical order.
    tree : scipy.spatial.cKDTree
        Of their positions.
    """
    blank = nothing_of(looks)
    size = blank.size
    if (size >= LEAST_LOOKS).sum() < 2:
        return blank
    i, j = neighbours(looks, size, tree)
    if not len(i):
        return blank
    votes = piles(looks, i, j)
    if not len(votes.a):
        return blank
    return _balance(looks, votes, blank)


def neighbours(
    looks: Looks, size: IntArray, tree: Tree, asked: BoolArray | None = None
) -> tuple[Int32Array, Int32Array]:
    """Return pairs of looks of two trips within the vote's reach, the lower trip first.

    Parameters
    ----------
    looks : Looks
        In canonical order.
    size : numpy.ndarray of int
        Looks of each trip.
    tree : scipy.spatial.cKDTree
        Of their positions.
    asked : numpy.ndarray of bool, optional
        Trips whose looks are sampled; they are laid against all others. Twice as many of them are
        taken as where every trip is sampled, so that two trips have as many pairs as there.
    """
    from scipy.spatial import cKDTree

    most = _LOOKS_A_TRIP
    taking = size >= LEAST_LOOKS
    if asked is not None:
        most, taking = 2 * most, taking & asked
    many = np.flatnonzero(taking[looks.trip])
    if not many.size:
        return np.empty(0, np.int32), np.empty(0, np.int32)
    trip = looks.trip[many]
    each = int(np.clip(_LOOKS_IN_ALL // len(np.unique(trip)), 20, most))
    # Every k-th look of a trip in canonical order: even over the water, whatever the files' order.
    order = np.argsort(trip, kind="stable")
    present = np.bincount(trip)
    counts, present = present[trip[order]], present[present > 0]
    place = np.arange(len(order)) - np.repeat(np.cumsum(present) - present, present)
    chosen = (place * each) // counts != ((place - 1) * each) // counts
    sample = np.sort(many[order[chosen | (counts <= each)]])
    sampled = np.zeros(len(looks), dtype=bool)
    sampled[sample] = True
    found: list[tuple[Int32Array, Int32Array]] = []
    for lo in range(0, len(sample), 2_000):
        some = sample[lo : lo + 2_000]
        near = cKDTree(tree.data[some]).sparse_distance_matrix(
            tree, VOTE_WITHIN_M, output_type="ndarray"
        )
        i, j = some[near["i"]].astype(np.int32), near["j"].astype(np.int32)
        keep = (
            (size[looks.trip[j]] >= LEAST_LOOKS)
            & (looks.trip[i] != looks.trip[j])
            & (~sampled[j] | (i < j))
        )
        found.append((i[keep], j[keep]))
    i, j = (np.concatenate(part) for part in zip(*found, strict=True))
    swap = looks.trip[i] > looks.trip[j]
    i, j = np.where(swap, j, i), np.where(swap, i, j)
    order = np.lexsort((j, i))  # sums must not depend on how the tree was walked
    return i[order], j[order]


def separation(
    looks: Looks, i: Int32Array, j: Int32Array
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return where look ``j`` lies from look ``i``, and the covariance of that from their own errors.

    Returns
    -------
    east, north : numpy.ndarray
        Metres in the plane at ``i``.
    see, snn, sen : numpy.ndarray
        Square metres, in the axes of the same plane, without what trips and boats share: that is
        what is looked for.
    """
    east, north = looks.sphere.plane(j, i)
    see, snn, sen = turned(looks.see[j], looks.snn[j], looks.sen[j], *looks.sphere.turn(j, i))
    return east, north, see + looks.see[i], snn + looks.snn[i], sen + looks.sen[i]


@dataclass(frozen=True, eq=False)
class Votes:
    """One row for every two trips that agree on a displacement of a against b."""

    a: IntArray
    b: IntArray
    east: FloatArray
    north: FloatArray
    variance: FloatArray
    support: FloatArray

    def only(self, mask: BoolArray) -> Votes:
        """Return the rows at a mask."""
        return Votes(
            *(getattr(self, f)[mask] for f in ("a", "b", "east", "north", "variance", "support"))
        )


def piles(looks: Looks, i: Int32Array, j: Int32Array) -> Votes:
    """Find the pile of every two trips among the displacements of pairs of their looks."""
    trips = len(looks.trip_names)
    # Displacement of the first look's trip against the second's, seen from the second look.
    east, north, see, snn, sen = separation(looks, j, i)
    pair, of = np.unique(
        looks.trip[i].astype(np.int64) * trips + looks.trip[j], return_inverse=True
    )
    n = len(pair)
    peak_x, peak_y = _peaks(of, east, north, n)
    x, y = peak_x, peak_y
    area = np.pi * VOTE_WITHIN_M**2
    weight: FloatArray = np.full(n, 0.2)
    rows = np.bincount(of, minlength=n).astype(np.float64)
    share = np.zeros(len(of))
    w11 = w22 = w12 = share
    variance = np.ones(n)
    for turn in range(14):
        wide = _CELL_M**2 / 2.0**turn if turn < 6 else 0.0
        a, b = see + wide, snn + wide
        det = a * b - sen * sen
        dx, dy = east - x[of], north - y[of]
        squared = (b * dx * dx - 2 * sen * dx * dy + a * dy * dy) / det
        pile = weight[of] * np.exp(-squared / 2) / (2 * np.pi * np.sqrt(det))
        share = pile / (pile + (1 - weight[of]) / area)
        w11, w22, w12 = share * b / det, share * a / det, -share * sen / det
        m11, m22, m12 = (np.bincount(of, w, n).astype(np.float64) for w in (w11, w22, w12))
        vx = np.bincount(of, w11 * east + w12 * north, n)
        vy = np.bincount(of, w12 * east + w22 * north, n)
        m11, m22 = m11 + 1e-12, m22 + 1e-12
        det_m = np.maximum(m11 * m22 - m12 * m12, 1e-24)
        x, y = (m22 * vx - m12 * vy) / det_m, (m11 * vy - m12 * vx) / det_m
        weight = np.asarray(np.clip(np.bincount(of, share, n) / rows, 1e-3, 0.999), np.float64)
        variance = (m11 + m22) / det_m / 2
    support = np.bincount(of, share, n)
    # What an even ground would put into one pile, and how many looks had a neighbour at all.
    spread = np.bincount(of, share * np.sqrt(see * snn - sen * sen), n) / np.maximum(support, 1e-9)
    ground = rows * 8 * np.pi * spread / area
    looks_a = _distinct(of, i, np.ones(len(of), dtype=bool), n)
    agree = _distinct(of, i, share > 0.5, n)
    good = support > ground * (1 - weight) + 5 * np.sqrt(ground) + LEAST_LOOKS - 1
    good &= agree >= np.maximum(_LEAST_SHARE * looks_a, LEAST_LOOKS)
    # A thing seen twice votes up to four times: the votes' own variance is taken three times
    # (errors of a trip's place then came out 1.0 times as large as stated on 100 worlds).
    k = np.flatnonzero(good)
    return Votes(
        pair[k] // trips, pair[k] % trips, x[k], y[k], 3 * variance[k], agree[k].astype(np.float64)
    )


def _distinct(of: IntArray, look: Int32Array, mask: BoolArray, n: int) -> IntArray:
    """Count the different looks of each group among the masked rows."""
    key = np.unique(of[mask] << 32 | look[mask])
    return np.bincount(key >> 32, minlength=n)


def _peaks(
    of: IntArray, east: FloatArray, north: FloatArray, n: int
) -> tuple[FloatArray, FloatArray]:
    """Return the middle of the fullest 3 x 3 cells of each group, metres."""
    half = int(np.ceil(VOTE_WITHIN_M / _CELL_M)) + 2
    across = 2 * half + 1
    cx = np.rint(east / _CELL_M).astype(np.int64) + half
    cy = np.rint(north / _CELL_M).astype(np.int64) + half
    cell, count = np.unique((of * across + cx) * across + cy, return_counts=True)
    spread = np.concatenate([cell + dx * across + dy for dx in (-1, 0, 1) for dy in (-1, 0, 1)])
    # The middle cell counts double, so that of equal neighbourhoods the fuller middle wins.
    votes = np.concatenate([count * (2 if k == 4 else 1) for k in range(9)])
    spread, back = np.unique(spread, return_inverse=True)
    total = np.asarray(np.bincount(back, votes), dtype=np.float64)
    group = spread // (across * across)
    order = np.lexsort((spread, -total, group))
    group = group[order]
    head = run_starts(group)
    x, y = np.zeros(n), np.zeros(n)
    inside = (group >= 0) & (group < n) & head
    top = spread[order][inside]
    x[group[inside]] = ((top // across) % across - half) * _CELL_M
    y[group[inside]] = (top % across - half) * _CELL_M
    return x, y


def _solve(
    trips: int, v: Votes, precision: FloatArray, prior: FloatArray, inverse: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Balance the displacements: least squares with a pull of each trip towards zero."""
    bx = np.bincount(v.a, precision * v.east, trips) - np.bincount(v.b, precision * v.east, trips)
    by = np.bincount(v.a, precision * v.north, trips) - np.bincount(v.b, precision * v.north, trips)
    diagonal = prior + np.bincount(v.a, precision, trips) + np.bincount(v.b, precision, trips)
    if trips <= MOST_TRIPS:
        q = np.diag(diagonal)
        np.subtract.at(q, (v.a, v.b), precision)
        np.subtract.at(q, (v.b, v.a), precision)
        xy = np.linalg.solve(q, np.stack([bx, by], axis=1)).astype(np.float64)
        return xy[:, 0], xy[:, 1], np.asarray(np.linalg.inv(q) if inverse else q, np.float64)
    from scipy.sparse import coo_array
    from scipy.sparse.linalg import splu

    at = np.arange(trips)
    q_sparse = coo_array(
        (
            np.concatenate([diagonal, -precision, -precision]),
            (np.concatenate([at, v.a, v.b]), np.concatenate([at, v.b, v.a])),
        ),
        shape=(trips, trips),
    ).tocsc()
    factor = splu(q_sparse)
    return factor.solve(bx), factor.solve(by), np.empty((0, 0))


def _balance(looks: Looks, v: Votes, blank: Sitting) -> Sitting:
    size = blank.size
    trips = len(size)
    variance = blank.variance(boats=len(np.unique(looks.boat)) > 1)

    x, y = medians(trips, v)
    pull = size / size.max()
    for _ in range(40):
        x, y, _ = _solve(trips, v, yielding(v, x, y), prior_of(x, y, variance, pull), inverse=False)
    off = off_the_others(looks, v, x, y, variance, size)

    # Among the trips that are not off, the common errors by their stated size.
    sitting = replace(blank, off=off)
    honest = heard(v, off, trips)
    if not len(honest.a) or trips > MOST_TRIPS:
        return sitting
    x, y, cov = _solve(trips, honest, 1.0 / honest.variance, 1.0 / variance, inverse=True)
    sitting = replace(sitting, group=groups(trips, honest))
    for g in np.unique(sitting.group[sitting.group >= 0]):
        t = np.flatnonzero(sitting.group == g)
        seat(sitting, t, x[t], y[t], cov[np.ix_(t, t)], variance[t])
    return sitting


def prior_of(x: FloatArray, y: FloatArray, variance: FloatArray, pull: FloatArray) -> FloatArray:
    """Return the precision with which each trip is pulled towards zero.

    Few large offsets rather than many small ones: the pull weakens as a trip moves off, and
    is weakest for the trip with the fewest looks.
    """
    far = (x * x + y * y) / variance
    return np.asarray((0.2 + 0.8 * pull) / (variance * (1.0 + far)))


def yielding(v: Votes, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the votes' precisions, less for those that the places do not fit."""
    miss = (v.east - x[v.a] + x[v.b]) ** 2 + (v.north - y[v.a] + y[v.b]) ** 2
    return np.asarray(1.0 / v.variance / (1.0 + miss / (9.0 * v.variance + 4.0)))


def heard(v: Votes, off: dict[int, Offset], trips: int, sure: BoolArray | None = None) -> Votes:
    """Return the votes between trips that are not off and of which enough looks agree.

    Trips that are ``sure`` are heard with any number.
    """
    keep = np.ones(trips, dtype=bool)
    keep[list(off)] = False
    honest = v.only(keep[v.a] & keep[v.b])
    voices = np.bincount(honest.a, honest.support, trips) + np.bincount(
        honest.b, honest.support, trips
    )
    enough = voices >= _ENOUGH_FOR_GATE
    if sure is not None:
        enough |= sure
    return honest.only(enough[honest.a] & enough[honest.b])


def seat(
    sitting: Sitting,
    t: IntArray,
    x: FloatArray,
    y: FloatArray,
    cov: FloatArray,
    variance: FloatArray,
) -> None:
    """Write down where the trips ``t`` of one group sit, all of them at once."""
    middle = cov.mean(axis=0)
    common = middle.mean()
    # Error of a trip against the mean of its group, and of that mean.
    own = np.diag(cov) - 2 * middle + common
    sitting.east[t], sitting.north[t] = x, y
    sitting.part[t] = np.sqrt(np.clip(own / variance, 1e-4, 1.0))
    sitting.group_sigma[t] = np.sqrt(common)


def groups(trips: int, v: Votes) -> IntArray:
    """Return connected sets of trips; -1 for a trip that nothing was laid against."""
    label = np.arange(trips)
    while True:
        low = np.minimum(label[v.a], label[v.b])
        new = label.copy()
        np.minimum.at(new, v.a, low)
        np.minimum.at(new, v.b, low)
        new = new[new]
        if (new == label).all():
            break
        label = new
    met = np.zeros(trips, dtype=bool)
    met[v.a] = met[v.b] = True
    return np.where(met, label, -1)


def medians(trips: int, v: Votes) -> tuple[FloatArray, FloatArray]:
    """Return the middle displacement of each trip against all that it was laid against."""
    t = np.concatenate([v.a, v.b])
    out = []
    for d in (np.concatenate([v.east, -v.east]), np.concatenate([v.north, -v.north])):
        order = np.lexsort((d, t))
        head = np.flatnonzero(run_starts(t[order]))
        n = np.diff(np.append(head, len(t)))
        middle = (d[order][head + (n - 1) // 2] + d[order][head + n // 2]) / 2
        full = np.zeros(trips)
        full[t[order][head]] = middle
        out.append(full)
    return out[0], out[1]


def off_the_others(
    looks: Looks,
    v: Votes,
    x: FloatArray,
    y: FloatArray,
    variance: FloatArray,
    size: IntArray,
    settled: BoolArray | None = None,
) -> dict[int, Offset]:
    """Find the trips farther from the others than the errors explain, ``settled`` ones apart."""
    trips = len(size)
    off = np.zeros(trips, dtype=bool)
    found: dict[int, Offset] = {}
    limit = -2.0 * np.log(_CHANCE)
    t = np.concatenate([v.a, v.b])
    u = np.concatenate([v.b, v.a])
    weight = np.concatenate([v.support, v.support])
    vote = np.concatenate([v.variance, v.variance])
    while True:
        w = weight * ~off[u] * ~off[t]
        total = np.bincount(t, w, trips)
        known = total > 0
        if not known.any():
            break
        total[~known] = 1.0
        rx = x - np.bincount(t, w * x[u], trips) / total
        ry = y - np.bincount(t, w * y[u], trips) / total
        error = 1.0 / np.maximum(np.bincount(t, (w > 0) / vote, trips), 1e-12)
        var = variance + np.bincount(t, w * w * variance[u], trips) / total**2 + error
        squared = np.where(known, (rx * rx + ry * ry) / var, 0.0)
        squared[np.hypot(rx, ry) < _LEAST_OFFSET_M] = 0.0
        if settled is not None:
            squared[settled] = 0.0
        # With two trips both are as far off; the one with fewer looks is named, then the later.
        k = int(np.lexsort((-np.arange(trips), size, -np.round(squared, 6)))[0])
        if squared[k] <= limit:
            break
        off[k] = True
        support = round(float(np.max(np.where(t == k, w, 0.0))))
        found[k] = Offset(
            looks.trip_names[k],
            float(np.hypot(rx[k], ry[k])),
            float(np.degrees(np.arctan2(rx[k], ry[k])) % 360.0),
            float(rx[k]),
            float(ry[k]),
            support,
            float(np.sqrt(error[k])),
        )
    return found
