"""In which order to visit places: the shortest round, or the shortest way from one end to another.

The solver is ``fast_tsp``: up to 20 stops the best order of all, beyond by a search of a given
time. A day with ends of its own becomes a round by one more stop that lies at no distance from both
ends and far from all others. Lengths are the same both ways.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError

__all__ = ["EXACT_STOPS", "shortest_order"]

FloatArray = NDArray[np.float64]

EXACT_STOPS = 20
"""Stops, ends included, up to which the order is certainly the shortest."""
_LARGEST = 65_535
"""What the solver takes as a length."""
_SHARE = 2.2
"""How much farther than the longest way the stop between the ends lies: more than twice, so that
no order saves anything by going there in between (triangle inequality)."""
_SEARCH_S = 0.3


def shortest_order(
    length_m: ArrayLike,
    *,
    start: int = 0,
    end: int | None = None,
    round_trip: bool = False,
    first: int | None = None,
    last: int | None = None,
    search_s: float = _SEARCH_S,
) -> list[int]:
    """Return the order in which to visit all places, from the start on.

    Parameters
    ----------
    length_m : array_like, shape (n, n)
        Way between places, metres, the same both ways.
    start : int
        Where the day begins.
    end : int, optional
        Another place where it ends. Without it the last place is free, unless ``round_trip``.
    round_trip : bool
        Come back to the start. Of the two directions the one with the shorter first leg is taken.
    first, last : int, optional
        Place to visit first or last (before the end).
    search_s : float
        Time to search where there are more than 20 stops, seconds.

    Returns
    -------
    list of int
        All places once; the start again at the end of a round.

    Raises
    ------
    DataError
        Places that cannot be reached, or a first and last that cannot be.
    """
    length = np.asarray(length_m, np.float64)
    n = len(length)
    if length.shape != (n, n) or not np.isfinite(length).all():
        raise DataError("there is no way by water between some of the places")
    if round_trip and end is not None:
        raise DataError("a round ends where it starts; give no other end")
    held = [k for k in (start, end, first, last) if k is not None]
    if len(set(held)) != len(held):
        raise DataError("start, end, first and last must be different places")
    head = [start] if first is None else [start, first]
    tail = [k for k in (last, end) if k is not None]
    if round_trip:
        tail.append(start)
    fixed = {*head, *tail}
    between = [k for k in range(n) if k not in fixed]
    if round_trip and first is None and last is None:
        order = [*_path(length, [start, *between], start, None, search_s, closed=True), start]
        legs = length[order[0], order[1]], length[order[-2], order[-1]]
        return order[::-1] if (legs[1], order[-2]) < (legs[0], order[1]) else order
    a, stop = head[-1], tail[0] if tail else None
    ends = [a] if stop is None else [a, stop]
    path = _path(length, [*ends, *between], a, stop, search_s)
    return [*head[:-1], *path, *tail[1:]]


def _path(
    length: FloatArray,
    places: list[int],
    start: int,
    end: int | None,
    search_s: float,
    *,
    closed: bool = False,
) -> list[int]:
    """Return the shortest order of places from start to end, or of the closed round from start."""
    if len(places) <= 2:
        rest = [k for k in places if k not in (start, end)]
        return [start, *rest] if end is None else [start, *rest, end]
    import fast_tsp

    part = length[np.ix_(places, places)]
    n, longest = len(places), float(part.max())
    if longest == 0.0:
        rest = [k for k in places if k not in (start, end)]
        return [start, *rest] if end is None else [start, *rest, end]
    whole = np.rint(part * (_LARGEST / (_SHARE * longest))).astype(np.int64)
    if not closed:
        bigger = np.full((n + 1, n + 1), _LARGEST, np.int64)
        bigger[:n, :n] = whole
        bigger[n, n] = 0
        for k in (start, end):
            if k is not None:
                bigger[n, places.index(k)] = bigger[places.index(k), n] = 0
        whole = bigger
    whole = np.minimum(whole, whole.T)
    tour = fast_tsp.find_tour(whole.tolist(), duration_seconds=search_s)
    at = tour.index(places.index(start))
    tour = tour[at:] + tour[:at]
    if not closed and tour[1] == n:
        tour = [tour[0], *tour[:0:-1]]
    return [places[k] for k in tour if k < n]
