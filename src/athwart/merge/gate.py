"""Which two sightings may be one thing: the gate, and the candidate pairs that it can let pass.

The separation of two looks has the covariance own_i + own_j and, across trips, the common errors
of both trips too; within a trip (and, for the boat's part, within a boat) these cancel. The
squared Mahalanobis distance of two looks at one thing is chi-square with two degrees of freedom,
whose point for probability p is -2 ln(1 - p): 13.8155 at 0.999.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError, UsageError
from athwart.merge.looks import Looks
from athwart.tables import Sightings
from athwart.uncertainty.ellipse import middle_and_half

if TYPE_CHECKING:
    from scipy.spatial import cKDTree as Tree

__all__ = [
    "GATE",
    "MOST_PAIRS",
    "REACH_M",
    "candidate_pairs",
    "gate_limit",
    "limit_for",
    "reach_of",
    "reaches",
    "split_limit_for",
    "tree_of",
    "widest_of",
]

FloatArray = NDArray[np.float64]
Int32Array = NDArray[np.int32]

GATE = 0.999
"""Probability that two looks at one thing pass."""

REACH_M = 40.0
"""Pairs nearer than this are looked at, and reported where they stay apart, metres."""

MOST_PAIRS = 50_000_000
"""Near pairs that fit into memory, at 80 to 200 bytes each; a million sightings have a few million."""

_CHUNK = 50_000


def gate_limit(gate: float) -> float:
    """Return the chi-square point of two degrees of freedom for a probability.

    Raises
    ------
    UsageError
        Not between 0 and 1.

    Examples
    --------
    >>> round(gate_limit(0.999), 4)
    13.8155
    """
    if not 0.0 < gate < 1.0:
        raise UsageError(f"a gate of {gate:g} cannot be; it is a probability between 0 and 1")
    return -2.0 * math.log1p(-gate)


def limit_for(limit: float, n: NDArray[np.int32] | NDArray[np.int64]) -> FloatArray:
    """Return the limit of one test in a mark of ``n`` looks.

    A mark of n looks takes n - 1 joins, and the gate's chance of parting what belongs together is
    shared among them: the point for 1 - (1 - gate) / (n - 1).
    """
    top = int(n.max(initial=2))
    if top == 2:
        return np.full(len(n), limit)
    table = np.concatenate([[limit, limit], limit + 2.0 * np.log(np.arange(1.0, top))])
    return np.asarray(table[n])


def split_limit_for(limit: float, n: NDArray[np.int32] | NDArray[np.int64]) -> FloatArray:
    """Return the limit of the separation of two parts of a mark of ``n`` looks.

    Growing puts the nearest together first, so two parts of many looks at one thing are its two
    halves, and lie apart by more than chance: a normal cut through its middle puts 2 / pi of its
    variance along the cut between the halves, 2 n / pi in units of error. To that comes as much
    as the gate leaves to chance, root of limit times n. Up to ten looks `limit_for` is more.
    """
    top = int(n.max(initial=2))
    if top < 8:
        return limit_for(limit, n)
    k = np.arange(top + 1.0)
    halves = 2.0 / np.pi * k + np.sqrt(limit * k)
    halves[:8] = 0.0  # a mark's limit may not depend on what other marks stand in the table
    return np.asarray(np.maximum(limit_for(limit, np.arange(top + 1)), halves)[n])


def tree_of(looks: Looks) -> Tree:
    """Return the looks' positions in a tree for neighbour queries."""
    from scipy.spatial import cKDTree

    points = np.stack(looks.sphere.xyz, axis=1)
    return cKDTree(points, leafsize=24, balanced_tree=False, compact_nodes=False)


def widest_of(
    see: FloatArray, snn: FloatArray, sen: FloatArray, shared: FloatArray, boat: FloatArray
) -> FloatArray:
    """Return the largest total variance of looks along any direction, square metres."""
    middle, half = middle_and_half(see, snn, sen)
    return np.asarray(middle + half + shared**2 + boat**2)


def reach_of(sightings: Sightings, gate: float = GATE, reach_m: float = REACH_M) -> FloatArray:
    """Return how far off another sighting can matter to each sighting.

    Two sightings can be a candidate pair only where they lie no farther apart than the larger of
    their two reaches. The marks that hold some changed sightings come out as from a merge of all
    when these are merged (see `athwart.merge.merge`, ``known``):

    - the changed sightings and all that candidate pairs connect with them, over any number of
      steps; a pair that the user has ruled to be one thing connects like a candidate pair;
    - all repeats of a sighting's id;
    - for each trip that is not in ``known``: all its sightings with what is connected with them,
      and every other sighting within `VOTE_WITHIN_M` of one of them. Those others tell how the
      trip sits; marks of theirs that no candidate pair connects with a changed sighting are not
      whole, and are to be passed over.

    Each sighting must carry the trip and the boat that the merge of all took it to have
    (``Merged.trips``, ``Merged.boats``): from a part they might be worked out otherwise. Where
    trips are moved (``shift_trips``), distances count between the positions as moved.

    Parameters
    ----------
    sightings : Sightings
        n sightings that `merge` takes.
    gate, reach_m : float
        As given to `merge`.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Metres, a straight line through the ellipsoid (never longer than along it).

    Raises
    ------
    UsageError
        A gate that is no probability.
    """
    s = sightings
    widest = widest_of(
        s.var_east_m2,
        s.var_north_m2,
        s.cov_east_north_m2,
        np.nan_to_num(s.shared_sigma_m),
        np.nan_to_num(s.boat_sigma_m),
    )
    return np.asarray(np.maximum(reach_m, np.sqrt(2.0 * gate_limit(gate) * widest)))


def reaches(looks: Looks, limit: float, reach_m: float) -> FloatArray:
    """Return what `reach_of` does, of looks."""
    widest = widest_of(looks.see, looks.snn, looks.sen, looks.shared, looks.boat_sigma)
    return np.asarray(np.maximum(reach_m, np.sqrt(2.0 * limit * widest)))


def candidate_pairs(
    looks: Looks, limit: float, reach_m: float, tree: Tree
) -> tuple[Int32Array, Int32Array]:
    """Return every pair of looks that lie within the reach or could be inside the gate.

    Parameters
    ----------
    looks : Looks
        In canonical order.
    limit : float
        Squared Mahalanobis distance of the gate.
    reach_m : float
        Metres.
    tree : scipy.spatial.cKDTree
        Of `tree_of` the same looks.

    Returns
    -------
    first, second : numpy.ndarray of int32
        Rows, first < second. Distances are straight lines through the ellipsoid, so that
        neither the poles nor the 180th meridian matter.

    Raises
    ------
    DataError
        More than `MOST_PAIRS`.
    """
    from scipy.spatial import cKDTree

    n = len(looks)
    if n < 2:
        return np.empty(0, np.int32), np.empty(0, np.int32)
    points = tree.data
    widest = widest_of(looks.see, looks.snn, looks.sen, looks.shared, looks.boat_sigma)
    radius = np.sqrt(2.0 * limit * widest)
    # A sample tells how many pairs there will be, before memory is spent on them.
    sample = points[:: max(1, n // 1_000)]
    expected = tree.query_ball_point(sample, reach_m, return_length=True).mean() * n / 2
    if expected > MOST_PAIRS:
        raise _too_many(expected, reach_m)
    pairs = tree.query_pairs(reach_m, output_type="ndarray")
    first, second = pairs[:, 0].astype(np.int32), pairs[:, 1].astype(np.int32)
    del pairs
    wide = np.flatnonzero(radius > reach_m)
    if not wide.size:
        return first, second
    # Looks with large errors reach farther; each such pair is found once, from its wider end.
    found_a, found_b, many = [first], [second], len(first)
    wide = wide[np.argsort(radius[wide], kind="stable")]
    level = np.ceil(np.log2(radius[wide] / reach_m)).astype(np.int64)
    for k in np.unique(level):
        at_level = wide[level == k]
        reach = float(reach_m * 2.0**k)
        for lo in range(0, len(at_level), _CHUNK):
            some = at_level[lo : lo + _CHUNK]
            near = cKDTree(points[some]).sparse_distance_matrix(tree, reach, output_type="ndarray")
            i, j, distance = some[near["i"]], near["j"], near["v"]
            wider = (radius[i] > radius[j]) | ((radius[i] == radius[j]) & (i < j))
            reachable = distance**2 <= limit * (widest[i] + widest[j])
            take = wider & reachable & (distance > reach_m)
            many += int(take.sum())
            if many > MOST_PAIRS:
                raise _too_many(many, reach)
            found_a.append(np.minimum(i[take], j[take]).astype(np.int32))
            found_b.append(np.maximum(i[take], j[take]).astype(np.int32))
    return np.concatenate(found_a), np.concatenate(found_b)


def _too_many(pairs: float, reach_m: float) -> DataError:
    return DataError(
        f"about {pairs:.2g} pairs of sightings lie within {reach_m:g} m of each other, more than "
        f"the {MOST_PAIRS:.2g} that can be weighed; merge smaller areas, or look for one point "
        "that was written thousands of times"
    )
