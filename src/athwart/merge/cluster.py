"""Growing marks: rounds in which every two that are each other's best join at once.

The order of joining is by likelihood: of two marks a and b, apart by d with the covariance
S = P_a + P_b - 2 X of that separation, the one with the smallest d' S^-1 d + ln det S goes first
(a tight pair before a loose one that merely passes). Rounds of mutual best pairs are one array
operation each; after a round the pairs are relabelled and those that fell together are joined.

Every join is then tried on all looks that it would hold: the rise of the squared residual, and
each look against the fused position, must stay inside the limit, so a line of stones does not
chain into one mark; parts of very many looks may lie apart as the halves of one cloud do, if the
whole is one cloud (`gate.split_limit_for`). A join that fails is forbidden until one of the two has changed. Kinds, names
given by people, and the user's rulings are kept inside whole marks, not only between pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.merge.fuse import Fused, Rows, fuse, residual_squared
from athwart.merge.gate import limit_for, split_limit_for, widest_of
from athwart.merge.looks import Looks, Sphere, run_starts, stable_order, turned
from athwart.merge.offset import Sitting
from athwart.uncertainty.ellipse import middle_and_half

__all__ = [
    "BLOCK",
    "Bars",
    "Layout",
    "Plane",
    "connected",
    "grow",
    "lay_out",
    "names_clash",
    "plane_for",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Int32Array = NDArray[np.int32]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Layout:
    """Looks in planes: one plane for each set of looks that near pairs connect.

    ``rows`` is not ordered by trip; ``widest`` is the largest total variance of a look along any
    direction, square metres.
    """

    rows: Rows
    widest: FloatArray


@dataclass(frozen=True, eq=False)
class Plane:
    """Where looks are laid out: one plane at ``origin``, or without one a plane a connected set."""

    origin: Sphere | None


@dataclass(frozen=True, eq=False)
class Bars:
    """What may not be one mark whatever the distance.

    Attributes
    ----------
    kind : numpy.ndarray of int32
        0 for a kind that is not known; two others must be equal.
    scope, name : numpy.ndarray of int32
        A mark may hold only one ``name`` (0: none given) of each ``scope``.
    same, apart : numpy.ndarray of int, shape (n, 2)
        Rows that the user has ruled to be one thing, or different things.
    """

    kind: Int32Array
    scope: Int32Array
    name: Int32Array
    same: IntArray
    apart: IntArray


def plane_for(looks: Looks) -> Plane:
    """Return how looks are laid out: in one plane, or where they are strewn, in many.

    One plane serves where all lie within 100 km of the middle look: a distance there is short by
    5 mm in 40 m, and only the gate uses it.
    """
    n = len(looks)
    wide = n and sum(float(((c - c[n // 2]) ** 2).max()) for c in looks.sphere.xyz) > 1e10
    return Plane(None if wide or not n else looks.sphere.take(slice(n // 2, n // 2 + 1)))


def lay_out(
    looks: Looks,
    first: Int32Array,
    second: Int32Array,
    sitting: Sitting | None = None,
    plane: Plane | None = None,
) -> Layout:
    """Give every connected set of looks a plane at its first look, or all looks one plane.

    Parameters
    ----------
    looks : Looks
        In canonical order.
    first, second : numpy.ndarray of int32
        Near pairs.
    sitting : Sitting, optional
        What is known of the trips' common errors: taken off the positions, with what is left of
        them in the errors' place. The error of a group of trips takes the place of the boat's.
    plane : Plane, optional
        `plane_for` the looks, or the whole of which they are a part.
    """
    there = (plane or plane_for(looks)).origin
    at: IntArray | slice = slice(None)
    if there is None and len(looks):
        part, origin = connected(len(looks), first, second)
        at = origin[part]
    x, y = looks.sphere.plane(slice(None), at, there)
    c, s = looks.sphere.turn(slice(None), at, there)
    see, snn, sen = turned(looks.see, looks.snn, looks.sen, c, s)
    shared, trip, boat, boat_sigma = looks.shared, looks.trip, looks.boat, looks.boat_sigma
    if sitting is not None and (sitting.group >= 0).any():
        x, y, shared, boat_sigma, trip, boat = _settled(looks, sitting, x, y, c, s)
    rows = Rows(x, y, see, snn, sen, shared, boat_sigma, trip, boat)
    return Layout(rows, widest_of(see, snn, sen, shared, boat_sigma))


def connected(n: int, a: NDArray[Any], b: NDArray[Any]) -> tuple[Int32Array, IntArray]:
    """Return the connected set of each row, and the first row of each set."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(n, n)).tocsr()
    count, part = connected_components(graph, directed=False)
    first = np.empty(count, dtype=np.int64)
    first[part[::-1]] = np.arange(n - 1, -1, -1)
    return part, first


def _settled(
    looks: Looks, sitting: Sitting, x: FloatArray, y: FloatArray, c: FloatArray, s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, Int32Array, Int32Array]:
    trip = looks.trip
    known = sitting.group >= 0
    # A trip's looks may have unequal common errors: each moves by its own part of them.
    typical = sitting.shared
    part = looks.shared / np.where(typical > 0, typical, 1.0)[trip]
    east, north = sitting.east[trip] * part, sitting.north[trip] * part
    boat = np.zeros(len(known), dtype=np.int64)
    boat[trip] = looks.boat
    boat = np.where(known, sitting.group + int(looks.boat.max()) + 1, boat)
    # Numbered so that a mark's looks in the order of their trips are in that of their boats too.
    number = np.empty(len(known), dtype=np.int32)
    number[np.lexsort((np.arange(len(known)), boat))] = np.arange(len(known))
    return (
        x - (c * east - s * north),
        y - (s * east + c * north),
        looks.shared * sitting.part[trip],
        np.where(known[trip], sitting.group_sigma[trip], looks.boat_sigma),
        number[trip],
        boat[trip].astype(np.int32),
    )


def _common(rows: Rows, i: IntArray, j: IntArray, boats: bool) -> FloatArray:
    def both(code: Int32Array, sigma: FloatArray) -> FloatArray:
        product = sigma.take(i) * sigma.take(j)
        product *= code.take(i) == code.take(j)
        return product

    out = both(rows.trip, rows.shared)
    if boats:
        out += both(rows.boat, rows.boat_sigma)
    return out


_Pairs = tuple[IntArray, IntArray, FloatArray, FloatArray]
"""Marks a and b, what they share, and the order of joining."""
_NONE: _Pairs = np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0), np.empty(0)

BLOCK = 1 << 15
"""Pairs at a time, so that a step's arrays stay in the processor's cache."""

_QUIET_ROUNDS = 4
_CROWD = 16


class _Marks:
    """The marks as they stand: one row a look, meaningful at each mark's first look."""

    def __init__(self, rows: Rows, bars: Bars) -> None:
        common = rows.shared**2 + rows.boat_sigma**2
        self.x, self.y = rows.x.copy(), rows.y.copy()
        self.see, self.snn, self.sen = rows.see + common, rows.snn + common, rows.sen.copy()
        self.squared = np.zeros(len(rows.x))
        self.n = np.ones(len(rows.x), dtype=np.int32)
        self.kind = bars.kind.copy()

    def score(self, a: IntArray, b: IntArray, shared: FloatArray, limit: float) -> FloatArray:
        """Return the order of joining of pairs of marks; infinite outside the gate."""
        out = np.empty(len(a))
        for lo in range(0, len(a), BLOCK):
            at = slice(lo, lo + BLOCK)
            out[at] = self._score(a[at], b[at], shared[at], limit)
        return out

    def _score(self, a: IntArray, b: IntArray, shared: FloatArray, limit: float) -> FloatArray:
        dx, dy = self.x.take(b) - self.x.take(a), self.y.take(b) - self.y.take(a)
        see, snn = self.see.take(a) + self.see.take(b), self.snn.take(a) + self.snn.take(b)
        sen = self.sen.take(a) + self.sen.take(b)
        # What both share is tracked with scalar weights; it may not use up the covariance.
        middle, half = middle_and_half(see, snn, sen)
        shared = np.minimum(2.0 * shared, 0.999 * (middle - half))
        see, snn = see - shared, snn - shared
        det = see * snn - sen * sen
        squared = (snn * dx * dx - 2 * sen * dx * dy + see * dy * dy) / det
        score = squared + np.log(det)
        score[squared > split_limit_for(limit, self.n.take(a) + self.n.take(b))] = np.inf
        return np.asarray(score)

    def compatible(self, a: IntArray, b: IntArray) -> BoolArray:
        """Return whether the kinds of pairs of marks let them join."""
        ka, kb = self.kind.take(a), self.kind.take(b)
        return np.asarray((ka == kb) | (ka == 0) | (kb == 0))

    def pair(self, a: IntArray, b: IntArray, shared: FloatArray) -> Fused:
        """Return what pairs of single looks fuse to (Kalman form of the two-look estimate)."""
        x, y = self.x.take(a), self.y.take(a)
        dx, dy = self.x.take(b) - x, self.y.take(b) - y
        see, snn, p12 = self.see.take(a), self.snn.take(a), self.sen.take(a)
        p11, p22 = see - shared, snn - shared
        s11 = p11 + self.see.take(b) - shared
        s22 = p22 + self.snn.take(b) - shared
        s12 = p12 + self.sen.take(b)
        det = s11 * s22 - s12 * s12
        ux, uy = (s22 * dx - s12 * dy) / det, (s11 * dy - s12 * dx) / det
        # S^-1 A, by columns
        g11, g21 = (s22 * p11 - s12 * p12) / det, (s11 * p12 - s12 * p11) / det
        g12, g22 = (s22 * p12 - s12 * p22) / det, (s11 * p22 - s12 * p12) / det
        return Fused(
            x + p11 * ux + p12 * uy,
            y + p12 * ux + p22 * uy,
            see - (p11 * g11 + p12 * g21),
            snn - (p12 * g12 + p22 * g22),
            p12 - (p11 * g12 + p12 * g22),
            dx * ux + dy * uy,
            np.empty(0, np.int64),
        )

    def put(self, a: IntArray, b: IntArray, fused: Fused) -> None:
        """Let marks ``a`` take in marks ``b``."""
        self.x[a], self.y[a] = fused.x, fused.y
        self.see[a], self.snn[a], self.sen[a] = fused.see, fused.snn, fused.sen
        self.squared[a] = fused.squared
        self.n[a] += self.n[b]
        self.kind[a] = np.maximum(self.kind[a], self.kind[b])


def grow(
    layout: Layout, first: Int32Array, second: Int32Array, *, limit: float, bars: Bars
) -> tuple[Int32Array, BoolArray]:
    """Join looks into marks.

    Parameters
    ----------
    layout : Layout
        Looks in planes.
    first, second : numpy.ndarray of int32
        Near pairs, first < second, in any order.
    limit : float
        Squared Mahalanobis distance within which two looks may be one thing.
    bars : Bars
        What may not be one mark, and what the user has ruled to be one.

    Returns
    -------
    label : numpy.ndarray of int32
        For each look the first look of its mark.
    inside : numpy.ndarray of bool
        For each near pair whether it is inside the gate, kinds and names aside.
    """
    rows = layout.rows
    n = len(rows.x)
    marks = _Marks(rows, bars)
    label = np.arange(n)
    boats = bool(rows.boat_sigma.any())

    inside = np.zeros(len(first), dtype=bool)
    close_pairs = [_NONE]
    # Rows are gathered nearly twice as fast by numbers of the machine's own width.
    for lo in range(0, len(first), BLOCK):
        a, b = (ends[lo : lo + BLOCK].astype(np.int64) for ends in (first, second))
        # Most near pairs are outside the gate by distance alone: those go first, and cheaply.
        dx, dy = rows.x.take(a) - rows.x.take(b), rows.y.take(a) - rows.y.take(b)
        reach = limit * (layout.widest.take(a) + layout.widest.take(b))
        close = np.flatnonzero(dx * dx + dy * dy <= reach)
        a, b = a[close], b[close]
        shared = _common(rows, a, b, boats)
        score = marks.score(a, b, shared, limit)
        fits = np.isfinite(score)
        inside[lo + close[fits]] = True
        close_pairs.append((a[fits], b[fits], shared[fits], score[fits]))
    a, b, shared, score = _joined(close_pairs)
    fits = np.ones(len(a), dtype=bool)
    name, free = bars.name, np.ones(n, dtype=bool)
    if len(bars.same):
        label, free = _rule_same(rows, marks, bars)
        name = np.where(free, name, 0).astype(np.int32)
    if name.any():
        fits = ~names_clash(bars.scope, name, a, b)
    if bars.kind.any():
        fits &= marks.compatible(label[a], label[b])
    if not fits.all():
        a, b, shared, score = a[fits], b[fits], shared[fits], score[fits]
    if len(bars.same):
        a, b, shared = _relabel(a, b, shared, label, 1.0 / np.bincount(label, minlength=n)[label])
        score = marks.score(a, b, shared, limit)
        score[~marks.compatible(a, b)] = np.inf

    best = np.full(n, np.inf)
    lead = np.full(n, np.iinfo(np.int64).max)
    to = np.arange(n)
    weight = np.ones(n)
    changed = np.zeros(n, dtype=bool)
    rounds = 0
    while True:
        live = np.flatnonzero(np.isfinite(score))
        if not live.size:
            return label.astype(np.int32), inside
        mutual = live[_mutual(a[live], b[live], score[live], best, lead)]
        rounds += 1
        if rounds > _QUIET_ROUNDS:
            mutual = np.concatenate(
                [mutual, live[_crowded(a[live], b[live], score[live], a[mutual], b[mutual], n)]]
            )
        passed, fused = _try(rows, marks, label, free, name, bars, a, b, shared, mutual, limit)
        score[mutual[~passed]] = np.inf
        won = mutual[passed]
        # A round that joins nothing still passes on to the pairs' end, so that what becomes of a
        # connected set does not depend on whether another set has joined anything.
        wa, wb = a[won], b[won]
        trace_a, trace_b = marks.see[wa] + marks.snn[wa], marks.see[wb] + marks.snn[wb]
        weight[wa], weight[wb] = trace_b / (trace_a + trace_b), trace_a / (trace_a + trace_b)
        marks.put(wa, wb, fused)
        to[wb] = wa
        changed[wa] = changed[wb] = True
        label = to.take(label)

        kept, key, moved = _carried(a, b, shared, score, changed, to, weight)
        na, nb, nshared = _united(key, moved)
        nscore = marks.score(na, nb, nshared, limit)
        nscore[~marks.compatible(na, nb)] = np.inf
        a, b, shared, score = _joined([kept, (na, nb, nshared, nscore)])
        # A pair outside the gate can come back in only if one of its marks still changes.
        alive = np.zeros(n, dtype=bool)
        finite = np.isfinite(score)
        alive[a[finite]] = alive[b[finite]] = True
        keep = alive.take(a) | alive.take(b)
        a, b, shared, score = a[keep], b[keep], shared[keep], score[keep]
        changed[wa] = changed[wb] = False
        weight[wa] = weight[wb] = 1.0


def _mutual(
    a: IntArray, b: IntArray, score: FloatArray, best: FloatArray, lead: IntArray
) -> IntArray:
    """Return the pairs that are the best of both their marks.

    Equal scores go by the marks' places, whatever the order of the list. ``best`` and ``lead``
    are workspace, infinite at first and left so.
    """
    np.minimum.at(best, a, score)
    np.minimum.at(best, b, score)
    top = np.flatnonzero((score == best.take(a)) & (score == best.take(b)))
    _reset(best, a, b, np.inf)
    ta, tb = a[top], b[top]
    key = ta << 32 | tb
    np.minimum.at(lead, ta, key)
    np.minimum.at(lead, tb, key)
    out = top[(lead[ta] == key) & (lead[tb] == key)]
    _reset(lead, ta, tb, np.iinfo(np.int64).max)
    return np.asarray(out)


def _reset(workspace: NDArray[Any], a: IntArray, b: IntArray, value: float) -> None:
    """Put a value back where a list of pairs has written; in all of it where the list is long."""
    if 4 * len(a) > len(workspace):
        workspace.fill(value)
    else:
        workspace[a] = workspace[b] = value


def _crowded(
    a: IntArray,
    b: IntArray,
    score: FloatArray,
    taken_a: IntArray,
    taken_b: IntArray,
    n: int,
) -> IntArray:
    """Return further pairs to join where many marks have one and the same best partner.

    A precise look is the best partner of every look around it, and would take them in one a
    round. Where `_CROWD` or more wait for the same partner, those of them that pass with each
    other join two and two in canonical order, so that a crowd is halved in each round.
    """
    order = np.lexsort((b, a, -score))
    partner = np.full(n, -1, dtype=np.int32)
    partner[a[order]] = b[order]
    reverse = np.full(n, -1, dtype=np.int32)
    reverse[b[order]] = a[order]
    of_a, of_b = np.full(n, np.inf), np.full(n, np.inf)
    np.minimum.at(of_a, a, score)
    np.minimum.at(of_b, b, score)
    partner = np.where(of_b < of_a, reverse, partner)
    partner[taken_a] = partner[taken_b] = -1
    waiting = np.flatnonzero(partner >= 0)
    crowd = np.bincount(partner[waiting], minlength=n)
    waiting = waiting[crowd[partner[waiting]] >= _CROWD]
    if not waiting.size:
        return np.empty(0, np.int64)
    waiting = waiting[np.lexsort((waiting, partner[waiting]))]
    hub = partner[waiting]
    start = np.flatnonzero(run_starts(hub))
    size = np.diff(np.append(start, len(hub)))
    place = np.full(n, -1, dtype=np.int64)
    place[waiting] = np.arange(len(hub)) - np.repeat(start, size)
    in_crowd = (place[a] >= 0) & (place[b] >= 0)
    return np.flatnonzero(in_crowd & (partner[a] == partner[b]) & (place[a] ^ 1 == place[b]))


def _moved(
    a: IntArray, b: IntArray, shared: FloatArray, to: IntArray, weight: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Carry pairs over to the marks that their ends are now part of, as one number a pair.

    Pairs whose ends have become one mark are left out.
    """
    to_a, to_b = to.take(a), to.take(b)
    apart = np.flatnonzero(to_a != to_b)
    shared = shared.take(apart)
    shared *= weight.take(a.take(apart))
    shared *= weight.take(b.take(apart))
    a, b = to_a.take(apart), to_b.take(apart)
    key = np.minimum(a, b) << 32
    key |= np.maximum(a, b)
    return key, shared


def _united(key: IntArray, shared: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Let equal pairs become one, what they share being summed."""
    order = np.argsort(key)
    key = key[order]
    head = np.flatnonzero(run_starts(key))
    shared = np.add.reduceat(shared[order], head) if len(key) else shared
    key = key[head]
    return key >> 32, key & 0xFFFFFFFF, shared


def _relabel(
    a: IntArray, b: IntArray, shared: FloatArray, to: IntArray, weight: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Carry pairs over to the marks that their ends are now part of; equal pairs become one."""
    return _united(*_moved(a, b, shared, to, weight))


def _carried(
    a: IntArray,
    b: IntArray,
    shared: FloatArray,
    score: FloatArray,
    changed: BoolArray,
    to: IntArray,
    weight: FloatArray,
) -> tuple[_Pairs, IntArray, FloatArray]:
    """Return the pairs of marks that stayed as they were, and those of others as `_moved` does."""
    kept, moved = [_NONE], [(_NONE[0], _NONE[2])]
    for lo in range(0, len(a), BLOCK):
        at = slice(lo, lo + BLOCK)
        ia, ib, common = a[at], b[at], shared[at]
        touched = changed.take(ia) | changed.take(ib)
        rest, go = np.flatnonzero(~touched), np.flatnonzero(touched)
        kept.append((ia.take(rest), ib.take(rest), common.take(rest), score[at].take(rest)))
        moved.append(_moved(ia.take(go), ib.take(go), common.take(go), to, weight))
    keys, sums = zip(*moved, strict=True)
    return _joined(kept), np.concatenate(keys), np.concatenate(sums)


def _joined(parts: Sequence[_Pairs]) -> _Pairs:
    a, b, shared, score = zip(*parts, strict=True)
    return np.concatenate(a), np.concatenate(b), np.concatenate(shared), np.concatenate(score)


def _members(rows: Rows, label: IntArray, of: IntArray) -> tuple[IntArray, IntArray]:
    """Return the looks of some marks, ordered by mark, boat and trip, and the mark of each."""
    mark = of.take(label)
    which = np.flatnonzero(mark >= 0)
    mark = mark.take(which)
    trips = int(rows.trip.max()) + 1
    order = stable_order(mark * trips + rows.trip[which])
    return which[order], mark[order]


def _try(
    rows: Rows,
    marks: _Marks,
    label: IntArray,
    free: BoolArray,
    name: Int32Array,
    bars: Bars,
    a: IntArray,
    b: IntArray,
    shared: FloatArray,
    mutual: IntArray,
    limit: float,
) -> tuple[BoolArray, Fused]:
    """Fuse the mutual pairs and say which of them hold; `Fused` has a row for each that does."""
    ma, mb = a[mutual], b[mutual]
    passed = np.ones(len(mutual), dtype=bool)
    if len(bars.apart):
        mate = np.full(len(label), -1, dtype=np.int64)
        mate[ma], mate[mb] = mb, ma
        one, other = label[bars.apart[:, 0]], label[bars.apart[:, 1]]
        ruled = one[mate[one] == other]
        at = np.full(len(label), -1, dtype=np.int64)
        at[ma] = at[mb] = np.arange(len(mutual))
        passed[at[ruled]] = False
    size = marks.n[ma] + marks.n[mb]
    single = size == 2  # the pair's own score has judged it already, names included
    out = np.empty((6, len(mutual)))
    two = np.flatnonzero(single)
    for lo in range(0, two.size, BLOCK):
        some_two = two[lo : lo + BLOCK]
        f = marks.pair(ma[some_two], mb[some_two], shared[mutual[some_two]])
        out[:, some_two] = f.x, f.y, f.see, f.snn, f.sen, f.squared
    many = np.flatnonzero(~single & passed)
    if many.size:
        of = np.full(len(label), -1, dtype=np.int64)
        of[ma[many]] = of[mb[many]] = np.arange(len(many))
        which, mark = _members(rows, label, of)
        some = rows.take(which)
        f = fuse(some, mark)
        bound = limit_for(limit, size[many])
        rise = f.squared - marks.squared[ma[many]] - marks.squared[mb[many]]
        ok = rise <= split_limit_for(limit, size[many])
        # Parts farther apart than two single tests allow must be one cloud as a whole.
        apart = np.flatnonzero(ok & (rise > bound))
        if apart.size:
            ok[apart] = f.squared[apart] <= _cloud_limit(limit, size[many][apart])
        outside = (residual_squared(some, f, mark) > bound[mark]) & free[which]
        ok[mark[outside]] = False
        ok[_named_twice(mark, bars.scope[which], name[which])] = False
        passed[many] &= ok
        out[:, many] = f.x, f.y, f.see, f.snn, f.sen, f.squared
    x, y, see, snn, sen, squared = out[:, passed]
    return passed, Fused(x, y, see, snn, sen, squared, np.empty(0, np.int64))


def _cloud_limit(limit: float, n: Int32Array) -> FloatArray:
    """Return the gate's chi-square point for all residuals of a mark of ``n`` looks."""
    from scipy.special import chdtri

    return np.asarray(chdtri(2.0 * n - 2.0, np.exp(-limit / 2.0)), dtype=np.float64)


def names_clash(scope: Int32Array, name: Int32Array, a: IntArray, b: IntArray) -> BoolArray:
    """Return which pairs of looks have different names of one scope."""
    one, other = name.take(a), name.take(b)
    return np.asarray((one != other) & (one > 0) & (other > 0) & (scope.take(a) == scope.take(b)))


def _named_twice(mark: IntArray, scope: Int32Array, name: Int32Array) -> IntArray:
    """Return the marks that hold two names of one scope."""
    given = np.flatnonzero(name > 0)
    if not given.size:
        return given
    mark, scope, name = mark[given], scope[given], name[given]
    order = np.lexsort((name, scope, mark))
    m, s, w = mark[order], scope[order], name[order]
    return np.asarray(m[1:][(m[1:] == m[:-1]) & (s[1:] == s[:-1]) & (w[1:] != w[:-1])])


def _rule_same(rows: Rows, marks: _Marks, bars: Bars) -> tuple[IntArray, BoolArray]:
    """Join what the user has ruled to be one thing; such looks need not fit."""
    n = len(rows.x)
    part, first = connected(n, bars.same[:, 0], bars.same[:, 1])
    label = first[part]
    size = np.bincount(label, minlength=n)
    heads = np.flatnonzero(size > 1)
    free = size[label] == 1
    of = np.full(n, -1, dtype=np.int64)
    of[heads] = np.arange(len(heads))
    which, mark = _members(rows, label, of)
    f = fuse(rows.take(which), mark)
    marks.x[heads], marks.y[heads], marks.squared[heads] = f.x, f.y, f.squared
    marks.see[heads], marks.snn[heads], marks.sen[heads] = f.see, f.snn, f.sen
    marks.n[heads] = size[heads]
    np.maximum.at(marks.kind, label, bars.kind)
    return label, free
