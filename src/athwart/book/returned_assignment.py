"""Which waypoint is which mark: the one-to-one assignment with the greatest sum of weights.

Pairs in place and name without a rival need no weighing up and are taken first; it is the rest
that is assigned (Kuhn 1955, as in SciPy), and what is left in the place and name of a mark that was
found is a copy of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from athwart.book.grid import Grid
from athwart.book.returned_tables import (
    FITTING,
    WHOLE,
    BoolArray,
    Fit,
    FitArray,
    FloatArray,
    IntArray,
    ReturnedFile,
    Versions,
    WeighedPairs,
)
from athwart.book.returned_weights import SWAPPED
from athwart.merge.looks import run_starts

__all__ = [
    "Edges",
    "Found",
    "assign",
    "best_assignment",
    "edges_of",
    "leaders",
    "mark_copies",
    "settle",
]

_DENSE = 4_000_000


@dataclass(eq=False)
class Found:
    """What each waypoint was found to be; the steps of this module write to it, one after another.

    Attributes
    ----------
    mark, version : numpy.ndarray of int64, shape (n,)
        Which mark it is and which version of it; -1 for none.
    in_place : numpy.ndarray of bool, shape (n,)
        The mark stood still.
    fit : numpy.ndarray of int8, shape (n,)
        How the names fit.
    copy_of : numpy.ndarray of int64, shape (n,)
        Mark of which it is a second copy; -1 for none.
    unsure_copies : dict of int to int
        Copies that may be new waypoints, with the version whose copy they may be.
    """

    mark: IntArray
    version: IntArray
    in_place: BoolArray
    fit: FitArray
    copy_of: IntArray
    unsure_copies: dict[int, int] = field(default_factory=dict)

    @classmethod
    def nothing(cls, n: int) -> Found:
        """Return the record of n waypoints of which nothing is known."""
        return cls(
            mark=np.full(n, -1, dtype=np.int64),
            version=np.full(n, -1, dtype=np.int64),
            in_place=np.zeros(n, dtype=bool),
            fit=np.zeros(n, dtype=np.int8),
            copy_of=np.full(n, -1, dtype=np.int64),
        )

    def take(
        self, r: IntArray, k: IntArray, v: IntArray, in_place: BoolArray | bool, fit: FitArray
    ) -> None:
        """Note waypoints as marks."""
        self.mark[r], self.version[r] = k, v
        self.in_place[r], self.fit[r] = in_place, fit

    @property
    def new(self) -> BoolArray:
        """Which waypoints are no mark and no copy of one."""
        return (self.mark < 0) & (self.copy_of < 0)

    def waypoint_of(self, marks: int) -> IntArray:
        """Return the waypoint that each of so many marks is; -1 for none."""
        have = np.flatnonzero(self.mark >= 0)
        out = np.full(marks, -1, dtype=np.int64)
        out[self.mark[have]] = have
        return out


@dataclass(frozen=True, eq=False)
class Edges:
    """One edge for each waypoint r and mark k, sorted by them: the best of its versions."""

    r: IntArray
    k: IntArray
    v: IntArray
    weight: FloatArray
    in_place: BoolArray
    fit: FitArray


def leaders(file: ReturnedFile, versions: Versions, grid: Grid, stood: WeighedPairs) -> IntArray:
    """Return, for each waypoint, the best of those on its step that are one mark with it by name.

    Where their names fit no mark or several marks there, only those alike in name are one.
    """
    f, marks = file, versions.mark
    key = np.unique(f.key, return_inverse=True)[1][f.text]
    lon, lat = np.rint(f.lon * grid.steps), np.rint(f.lat * grid.steps)
    fits = np.flatnonzero(np.isin(stood.fit, (*FITTING, Fit.BLANK)))
    pairs = np.unique(np.stack([stood.r[fits], marks[stood.v[fits]]]), axis=1)
    count = np.bincount(pairs[0], minlength=len(key))
    one = count[pairs[0]] == 1
    key[pairs[0, one]] = len(f.key) + pairs[1, one]
    several = np.flatnonzero(count > 1)
    weight = np.full(len(key), -np.inf)
    np.maximum.at(weight, stood.r[fits], stood.weight[fits])
    order = np.lexsort((-weight, key, lat, lon))
    starts = run_starts(*(c[order] for c in (key, lat, lon)))
    leader = np.empty(len(order), dtype=np.int64)
    # Sorting is stable, so the first of those that fit as well has the lowest row.
    leader[order] = order[np.flatnonzero(starts)][np.cumsum(starts) - 1]
    leader[several] = several
    return leader


def settle(found: Found, versions: Versions, stood: WeighedPairs) -> BoolArray:
    """Take pairs in place and name that have no rival in place and name; say which marks it took."""
    mark = versions.mark[stood.v]
    settled = np.zeros(len(versions.ids), dtype=bool)
    for fits in ((Fit.EXACT,), WHOLE):
        left = (found.mark[stood.r] < 0) & ~settled[mark]
        at = np.flatnonzero(left & np.isin(stood.fit, fits) & (stood.weight > 0))
        at = at[np.lexsort((-versions.export[stood.v[at]], mark[at], stood.r[at]))]
        at = at[run_starts(stood.r[at], mark[at])]
        r, k = stood.r[at], mark[at]
        alone = (np.bincount(r, minlength=len(found.mark))[r] == 1) & (
            np.bincount(k, minlength=len(settled))[k] == 1
        )
        found.take(r[alone], k[alone], stood.v[at[alone]], True, stood.fit[at[alone]])
        settled[k[alone]] = True
    return settled


def edges_of(
    found: Found, versions: Versions, stood: WeighedPairs, moved: WeighedPairs, settled: BoolArray
) -> Edges:
    """Return the edges between waypoints and marks that are left."""
    stood = stood.take(found.new[stood.r] & ~settled[versions.mark[stood.v]])
    weight = stood.weight.copy()
    # The name of a neighbour in place of its own: names were swapped, or it was moved here.
    telling = np.full(len(found.mark), -np.inf)
    np.maximum.at(telling, moved.r, moved.of_names)
    swap = (stood.fit == Fit.OTHER) & np.isfinite(telling[stood.r])
    weight[swap] += np.log(SWAPPED) + telling[stood.r[swap]]
    r, v = np.concatenate([stood.r, moved.r]), np.concatenate([stood.v, moved.v])
    weight = np.concatenate([weight, moved.weight])
    in_place = np.arange(len(r)) < len(stood.r)
    fit = np.concatenate([stood.fit, moved.fit])
    k = versions.mark[v]
    order = np.lexsort((-versions.export[v], -weight, k, r))
    at = order[run_starts(r[order], k[order])]
    return Edges(r[at], k[at], v[at], weight[at], in_place[at], fit[at])


def assign(found: Found, e: Edges) -> None:
    """Take the edges with the greatest sum of weights, at most one a waypoint and one a mark."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    use = np.flatnonzero(e.weight > 0)
    if not len(use):
        return
    rows, r = np.unique(e.r[use], return_inverse=True)
    marks, k = np.unique(e.k[use], return_inverse=True)
    size = len(rows) + len(marks)
    graph = coo_array((np.ones(len(use)), (r, k + len(rows))), shape=(size, size))
    _, part = connected_components(graph, directed=False)
    of = part[r]
    order = np.argsort(of, kind="stable")
    _, start, count = np.unique(of[order], return_index=True, return_counts=True)
    taken = [order[start[count == 1]]]
    for s, c in zip(start[count > 1].tolist(), count[count > 1].tolist(), strict=True):
        some = order[s : s + c]
        taken.append(some[best_assignment(r[some], k[some], e.weight[use[some]])])
    at = use[np.concatenate(taken)]
    found.take(e.r[at], e.k[at], e.v[at], e.in_place[at], e.fit[at])


def best_assignment(r: IntArray, k: IntArray, weight: FloatArray) -> IntArray:
    """Return the edges of the assignment with the greatest sum; any row may stay without.

    Parameters
    ----------
    r, k : numpy.ndarray of int64, shape (n,)
        Waypoint and mark of each edge, no two alike.
    weight : numpy.ndarray, shape (n,)
        Weight of each, above 0.

    Returns
    -------
    numpy.ndarray of int64
        Which of the edges.
    """
    rows, i = np.unique(r, return_inverse=True)
    marks, j = np.unique(k, return_inverse=True)
    if len(rows) * len(marks) <= _DENSE:
        from scipy.optimize import linear_sum_assignment

        table = np.zeros((len(rows), len(marks)))
        table[i, j] = weight
        a, b = (np.asarray(x, np.int64) for x in linear_sum_assignment(table, maximize=True))
    else:
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import min_weight_full_bipartite_matching

        # Each row has a column of its own that leaves it without; costs must not be zero.
        n, top = len(rows), float(weight.max()) + 1.0
        cost = np.concatenate([top - weight, np.full(n, top)])
        at = (np.concatenate([i, np.arange(n)]), np.concatenate([j, len(marks) + np.arange(n)]))
        graph = csr_array((cost, at), shape=(n, len(marks) + n))
        a, b = (np.asarray(x, np.int64) for x in min_weight_full_bipartite_matching(graph))
    partner = np.full(len(rows), -1, dtype=np.int64)
    partner[a] = b
    return np.flatnonzero(partner[i] == j)


def mark_copies(
    found: Found,
    file: ReturnedFile,
    versions: Versions,
    stood: WeighedPairs,
    leader: IntArray,
    *,
    plotter_numbers: bool,
    same_place: bool = False,
) -> None:
    """Note what is left in the place and name of a mark that was found as its copy.

    Whoever moves a waypoint hardly puts it on the very step of another of nearly its name.

    Parameters
    ----------
    found : Found
        Written to.
    file, versions : ReturnedFile, Versions
        The tables.
    stood : WeighedPairs
        All pairs in one place, weighed.
    leader : numpy.ndarray of int64, shape (n,)
        As `leaders` returns them; waypoints that follow one are copies of what that one is.
    plotter_numbers : bool
        The plotter numbers names that became alike.
    same_place : bool
        Only copies that lie where the waypoint does which is the mark.
    """
    owner = found.waypoint_of(len(versions.ids))
    mark = versions.mark[stood.v]
    at = np.flatnonzero(
        (found.mark[stood.r] < 0) & (owner[mark] >= 0) & np.isin(stood.fit, (*FITTING, Fit.BLANK))
    )
    if same_place:
        of = owner[mark[at]]
        at = at[(file.lon[of] == file.lon[stood.r[at]]) & (file.lat[of] == file.lat[stood.r[at]])]
    at = at[np.lexsort((mark[at], stood.weight[at]))]
    found.copy_of[stood.r[at]] = mark[at]
    # Plotters count on: "WP 12" in the place of "WP 1" need not be a copy.
    fits = (Fit.APPENDED,) if plotter_numbers else (Fit.APPENDED, Fit.NUMBERED)
    made = versions.automatic[versions.text[stood.v[at]]]
    unsure = at[np.isin(stood.fit[at], fits) & made]
    best = dict(zip(stood.r[unsure].tolist(), stood.v[unsure].tolist(), strict=True))
    found.unsure_copies = best | found.unsure_copies
    follows = np.flatnonzero((leader != np.arange(len(leader))) & (found.mark < 0))
    of = leader[follows]
    found.copy_of[follows] = np.where(found.mark[of] >= 0, found.mark[of], found.copy_of[of])
