"""Where trips sit, kept from one merge for the next.

A merge of a part of the sightings cannot find again how the old trips sit against each other. So
what a merge of all has found is kept, one `TripSitting` a trip, and given to the next merge: old
trips stay where they were, and new ones are laid against them. With the old trips' places x_f
fixed, the least squares of all pairs Q x = b is solved for the new ones alone,

    Q_cc x_c = b_c - Q_cf x_f,

and the error of a new trip's place has three independent parts: the conditional covariance
Q_cc^-1, the old trips' own errors carried over by G = -Q_cc^-1 Q_cf, and, because the pull towards
zero keeps the rows of G below one in sum, what is missing there of the error of the whole group.
All are against the mean of the old trips of the group.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from athwart.errors import UsageError
from athwart.merge.looks import Looks
from athwart.merge.offset import (
    LEAST_LOOKS,
    MOST_TRIPS,
    Offset,
    Sitting,
    Votes,
    groups,
    heard,
    medians,
    neighbours,
    nothing_of,
    off_the_others,
    piles,
    prior_of,
    seat,
    yielding,
)

if TYPE_CHECKING:
    from scipy.spatial import cKDTree as Tree

__all__ = ["TripSitting", "checked", "kept", "sitting_against"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class TripSitting:
    """Where one trip sits, as a merge found it.

    Attributes
    ----------
    trip, boat : str
        Name of the trip and its boat, as the merge took them; both together are the key.
    looks : int
        Sightings of the trip that stood behind it.
    shared_sigma_m, boat_sigma_m : float
        Standard errors that they share among them, and with the boat's other trips, as the root
        of their mean square, metres per axis.
    east_m, north_m : float
        The common error that the trip is found to have against its group, metres.
    part : float
        What is left of ``shared_sigma_m`` once that is taken off, as a part of it, 0 to 1.
    group : str
        Name of the group of trips that were laid against each other; ``""`` for a trip in none,
        of which nothing is known. Trips of equal ``group`` are one group, whichever of them are
        given. A new group has the name of its first trip.
    group_sigma_m : float
        Error that all trips of the group share, metres per axis.
    off : Offset or None
        Where the trip was found to sit off the others.
    """

    trip: str
    boat: str
    looks: int
    shared_sigma_m: float
    boat_sigma_m: float
    east_m: float = 0.0
    north_m: float = 0.0
    part: float = 1.0
    group: str = ""
    group_sigma_m: float = 0.0
    off: Offset | None = None


def checked(known: Iterable[TripSitting]) -> dict[tuple[str, str], TripSitting]:
    """Return sittings by trip and boat.

    Raises
    ------
    UsageError
        One trip twice, or a value that no merge gives.
    """
    out: dict[tuple[str, str], TripSitting] = {}
    for k in known:
        if (k.trip, k.boat) in out:
            raise UsageError(f"what is known of trip {k.trip!r} is given twice; give it once")
        sizes = np.array([k.shared_sigma_m, k.boat_sigma_m, k.group_sigma_m], dtype=float)
        sound = 0.0 < k.part <= 1.0 and k.looks >= 0 and (sizes >= 0.0).all()
        if not (sound and np.isfinite([k.east_m, k.north_m, *sizes]).all()):
            raise UsageError(
                f"what is known of trip {k.trip!r} cannot be: places and errors must be finite, "
                "errors not negative, the part from 0 to 1; leave the trip out and it is found anew"
            )
        out[k.trip, k.boat] = k
    return out


def _keys(looks: Looks, trips: IntArray) -> list[tuple[str, str]]:
    """Return name and boat of some trips."""
    boat = np.zeros(len(looks.trip_names), dtype=np.int64)
    boat[looks.trip] = looks.boat
    return [
        (looks.trip_names[t], looks.boat_names[b])
        for t, b in zip(trips.tolist(), boat[trips].tolist(), strict=True)
    ]


def sitting_against(
    looks: Looks, tree: Tree, known: dict[tuple[str, str], TripSitting], *, moved: bool = False
) -> Sitting:
    """Find how new trips sit against trips of which that is known.

    Parameters
    ----------
    looks : Looks
        In canonical order: all looks of the new trips, and those of others about them.
    tree : scipy.spatial.cKDTree
        Of their positions.
    known : dict of TripSitting
        By trip and boat. Trips in a group, or off the others, stay as they are. A trip in none is
        laid against the new ones, but is not found off the others now.
    moved : bool
        Trips that are off the others have been moved onto them, and are laid against too.
    """
    blank = nothing_of(looks)
    trips = len(looks.trip_names)
    records = [known.get(key) for key in _keys(looks, np.arange(trips))]
    old = [t for t in range(trips) if records[t] is not None]
    sitting = _given(blank, old, records)
    free = np.ones(trips, dtype=bool)
    free[[t for t in old if records[t].group or records[t].off]] = False  # type: ignore[union-attr]
    in_none = sum(not k.group and not k.off for k in known.values())
    new = np.ones(trips, dtype=bool)
    new[old] = False
    if not new.any() or int(new.sum()) + in_none > MOST_TRIPS:
        return sitting

    i, j = neighbours(looks, sitting.size, tree, new)
    told = np.ones(trips, dtype=bool)
    if not moved:
        told[list(sitting.off)] = False
    heard_of = told[looks.trip[i]] & told[looks.trip[j]]
    i, j = i[heard_of], j[heard_of]
    if not len(i):
        return sitting
    votes = piles(looks, i, j)
    if not len(votes.a):
        return sitting

    boats = len(set(looks.boat_names) | {k.boat for k in known.values()}) > 1
    variance = sitting.variance(boats)
    pinned = _Pinned(votes, free, sitting.east, sitting.north)
    most = max([int(sitting.size.max()), *(k.looks for k in known.values())])
    x, y = pinned.balance(variance, sitting.size / most)
    found = off_the_others(looks, votes, x, y, variance, sitting.size, ~new)
    sitting = replace(sitting, off=sitting.off | found)

    honest = heard(votes, found, trips, sure=~free & (sitting.group >= 0))
    _seat_free(sitting, honest, free, variance, known)
    return sitting


def _given(blank: Sitting, old: list[int], records: Sequence[TripSitting | None]) -> Sitting:
    """Return the sitting with what is known of the trips in place."""
    number: dict[str, int] = {}
    off: dict[int, Offset] = {}
    first = len(records)  # above every number that a group found now can get
    for t in old:
        k = records[t]
        assert k is not None
        blank.east[t], blank.north[t], blank.part[t] = k.east_m, k.north_m, k.part
        blank.group_sigma[t] = k.group_sigma_m
        blank.shared[t], blank.boat[t] = k.shared_sigma_m, k.boat_sigma_m
        blank.size[t] = max(k.looks, blank.size[t])
        if k.group:
            blank.group[t] = number.setdefault(k.group, first + len(number))
        if k.off is not None:
            off[t] = k.off
    return replace(blank, off=off, group_names={n: name for name, n in number.items()})


class _Pinned:
    """Displacements with the old trips' places taken off them: old trips are at zero, and stay."""

    def __init__(self, v: Votes, free: BoolArray, east: FloatArray, north: FloatArray) -> None:
        self.free = np.flatnonzero(free)
        self.x, self.y = np.where(free, 0.0, east), np.where(free, 0.0, north)
        self.v = replace(
            v,
            east=v.east - self.x[v.a] + self.x[v.b],
            north=v.north - self.y[v.a] + self.y[v.b],
        )

    def matrix(self, precision: FloatArray, prior: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return Q_cc and -Q_cf, the rows of new trips and columns of all."""
        trips, v = len(prior), self.v
        at = np.full(trips, -1)
        at[self.free] = np.arange(len(self.free))
        tie = np.zeros((len(self.free), trips))
        for one, two in ((v.a, v.b), (v.b, v.a)):
            mine = at[one] >= 0
            np.add.at(tie, (at[one[mine]], two[mine]), precision[mine])
        q = np.diag(prior[self.free] + tie.sum(axis=1)) - tie[:, self.free]
        tie[:, self.free] = 0.0
        return q, tie

    def solve(self, q: FloatArray, precision: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return places of all trips in the pinned frame."""
        v, trips = self.v, len(self.x)
        b = [
            np.bincount(v.a, precision * d, trips) - np.bincount(v.b, precision * d, trips)
            for d in (v.east, v.north)
        ]
        out = np.zeros((trips, 2))
        out[self.free] = np.linalg.solve(q, np.stack(b, axis=1)[self.free])
        return out[:, 0], out[:, 1]

    def balance(self, variance: FloatArray, pull: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return places of all trips with few large ones among the new rather than many small."""
        v, still = self.v, np.ones(len(self.x), dtype=bool)
        still[self.free] = False
        x, y = (np.where(still, 0.0, m) for m in medians(len(self.x), v))
        for _ in range(40):
            robust = yielding(v, x, y)
            q, _ = self.matrix(robust, prior_of(x, y, variance, pull))
            x, y = self.solve(q, robust)
        return x + self.x, y + self.y


def _carried_over(
    carried: FloatArray,
    sitting: Sitting,
    variance: FloatArray,
    known: dict[tuple[str, str], TripSitting],
) -> FloatArray:
    """Return the variance that the old trips' own errors put into the new ones' places.

    Own errors are against the group's mean, so over all n trips of a group they sum to zero: they
    are taken as independent ones of n / (n - 1) times the variance less their mean.
    """
    out = np.zeros(len(carried))
    error = sitting.part**2 * variance
    for g, name in sitting.group_names.items():
        here = np.flatnonzero(sitting.group == g)
        n = max(sum(k.group == name for k in known.values()), len(here))
        mean = carried[:, here].sum(axis=1, keepdims=True) / n
        # Those of the group that are not here have the same error as the rest on the average.
        away = (n - len(here)) * error[here].mean()
        independent = (carried[:, here] - mean) ** 2 @ error[here] + mean[:, 0] ** 2 * away
        out += carried[:, here[0]] ** 2 * error[here[0]] if n == 1 else independent * n / (n - 1)
    return out


def _seat_free(
    sitting: Sitting,
    v: Votes,
    free: BoolArray,
    variance: FloatArray,
    known: dict[tuple[str, str], TripSitting],
) -> None:
    """Write down where the new trips sit that were laid against others."""
    trips = len(free)
    # Old trips in no group are free, or off the others: those have no votes here unless moved.
    usable = free | (sitting.group >= 0)
    v = v.only(usable[v.a] & usable[v.b])
    new = groups(trips, v.only(free[v.a] & free[v.b]))
    new = np.where(free & (new < 0), np.arange(trips), new)
    tied = np.concatenate([v.a[~free[v.b]], v.b[~free[v.a]]])
    to = np.concatenate([v.b[~free[v.b]], v.a[~free[v.a]]])
    support = np.concatenate([v.support[~free[v.b]], v.support[~free[v.a]]])
    joins: dict[int, int] = {}
    for part in np.unique(new[tied]).tolist():
        # Tied to two groups that nothing else ties together, it goes with the stronger.
        rows = new[tied] == part
        code, back = np.unique(sitting.group[to[rows]], return_inverse=True)
        weight = np.bincount(back, support[rows])
        names = sitting.group_names
        joins[part] = min(
            zip(code.tolist(), weight.tolist(), strict=True), key=lambda c: (-c[1], names[c[0]])
        )[0]
    goal = np.array([joins.get(int(p), -1) for p in new])
    stays = np.where(free, goal, sitting.group)
    both = free[v.a] & free[v.b]
    v = v.only(both | (stays[v.a] == stays[v.b]))
    if not len(v.a):
        return
    pinned = _Pinned(v, free, sitting.east, sitting.north)
    precision = 1.0 / v.variance
    q, tie = pinned.matrix(precision, 1.0 / variance)
    x, y = pinned.solve(q, precision)
    cov = np.asarray(np.linalg.inv(q), dtype=np.float64)
    carried = cov @ tie
    rest = 1.0 - carried.sum(axis=1)
    own = _carried_over(carried, sitting, variance, known)
    met = np.zeros(trips, dtype=bool)
    met[v.a] = met[v.b] = True
    for part in np.unique(new[free & met]).tolist():
        t = np.flatnonzero((new == part) & free)
        at = np.searchsorted(pinned.free, t)
        if part not in joins:
            seat(sitting, t, x[t], y[t], cov[np.ix_(at, at)], variance[t])
            sitting.group[t] = part
            continue
        sigma = sitting.group_sigma[sitting.group == joins[part]][0]
        error = np.diag(cov)[at] + own[at] + (rest[at] * sigma) ** 2
        sitting.east[t], sitting.north[t] = x[t], y[t]
        sitting.part[t] = np.sqrt(np.clip(error / variance[t], 1e-4, 1.0))
        sitting.group_sigma[t], sitting.group[t] = sigma, joins[part]


def kept(
    looks: Looks,
    sitting: Sitting,
    off: dict[int, Offset],
    known: dict[tuple[str, str], TripSitting],
) -> tuple[TripSitting, ...]:
    """Return what is to be kept of the trips, by name: those known before, and those found now.

    A trip of fewer than `LEAST_LOOKS` looks has nothing to keep.
    """
    names = dict(sitting.group_names)
    taken = {k.group for k in known.values()}
    telling = np.flatnonzero((sitting.size >= LEAST_LOOKS) | (sitting.group >= 0))
    keys = _keys(looks, telling)
    group = sitting.group[telling].tolist()
    members: dict[int, list[str]] = {}
    for g, (trip, boat) in zip(group, keys, strict=True):
        if g >= 0 and g not in names:
            members.setdefault(g, []).append(f"{trip} ({boat})" if boat else trip)
    for g, labels in members.items():
        names[g] = min(set(labels) - taken, default=min(labels))
        while names[g] in taken:
            names[g] += "'"
        taken.add(names[g])
    s = sitting
    columns = (s.size, s.shared, s.boat, s.east, s.north, s.part)
    rows = list(zip(*(c[telling].tolist() for c in columns), strict=True))
    sigma = sitting.group_sigma[telling].tolist()
    out = dict(known)
    for key, t, row, g, error in zip(keys, telling.tolist(), rows, group, sigma, strict=True):
        k = known.get(key)
        if k is None or (not k.group and not k.off and g >= 0):
            size, shared, boat, east, north, part = row
            out[key] = TripSitting(
                *key, size, shared, boat, east, north, part, names.get(g, ""), error, off.get(t)
            )
    return tuple(out[key] for key in sorted(out))
