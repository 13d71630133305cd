"""The order in which lanes are run, which way along each, and the turns between them.

The order is the shortest round over both ends of all lanes with the shortest turns between them, so
that a boat that turns wider than the lanes lie apart skips lanes of itself. The two ends of a lane are
two places with no way between them and a long way, the same for all, added to every other: the
shortest round then runs every lane. Where no turn keeps out of closed water the way leads round it.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from athwart.geometry.plane import LocalPlane
from athwart.plan.order import EXACT_STOPS, shortest_order
from athwart.plan.turns import Turns, shortest_turns
from athwart.plan.ways import shortest_ways

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["LanesInOrder", "lanes_in_order"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Order = list[tuple[int, int]]

_PAIRS = 20_000  # at a time
_NO_TURN = 6  # one more than the ranks of turns
_TURN_STEP_M = 0.25


class LanesInOrder(NamedTuple):
    """Lanes in the order in which to run them, and the way over all of them."""

    order: list[tuple[int, bool]]
    """Which lane, and whether it is run from its end to its start."""
    way: tuple[FloatArray, ...]
    """Corners of the way, run-ins and turns included, shape (n, 2) each; more than one where there is
    no way by water from one to the next."""
    part: IntArray
    """Which of these ways each lane belongs to, in order."""
    around: int
    """Ways from lane to lane that go round closed water."""


def lanes_in_order(
    starts: FloatArray,
    ends: FloatArray,
    *,
    turn_radius_m: float,
    run_in_m: float,
    shut: BaseGeometry | None,
    plane: LocalPlane,
    closed: BaseGeometry | None,
    water: BaseGeometry | None,
    clear_m: float,
) -> LanesInOrder:
    """Return the order in which lanes are run, and the way from the first to the last.

    Parameters
    ----------
    starts, ends : numpy.ndarray, shape (lanes, 2)
        Ends of the lanes in the plane, metres.
    turn_radius_m : float
        Tightest turn of the boat, metres.
    run_in_m : float
        Straight way before and after each lane, metres.
    shut : shapely polygons or None
        Where the boat may not go, in the plane, grown by what she keeps off.
    plane : LocalPlane
        What the ends and `shut` count from.
    closed, water : shapely polygons or None
        Where the boat may not go, and where alone she may, in WGS 84; the way leads round them where
        no turn keeps out of `shut`.
    clear_m : float
        Distance that is kept from their edges there, metres.
    """
    count = len(starts)
    ahead = (ends - starts) / np.hypot(*(ends - starts).T)[:, None]
    place = np.stack([starts - run_in_m * ahead, ends + run_in_m * ahead], axis=1)
    place = place.reshape(-1, 2)
    heading = np.degrees(np.arctan2(*ahead.T))
    leaving = np.stack([heading + 180.0, heading], axis=1).reshape(-1)
    a, b = np.triu_indices(2 * count, 1)
    apart = a // 2 != b // 2
    a, b = a[apart], b[apart]

    def turns(i: IntArray, j: IntArray, rank: int = 0) -> Turns:
        (x0, y0), (x1, y1) = place[i].T, place[j].T
        return shortest_turns(
            x0, y0, leaving[i], x1, y1, leaving[j] + 180.0, turn_radius_m, rank=rank
        )

    way = np.full((2 * count, 2 * count), np.inf)
    length = np.concatenate(
        [
            turns(a[k : k + _PAIRS], b[k : k + _PAIRS]).length_m
            for k in range(0, max(len(a), 1), _PAIRS)
        ]
    )
    rank_of = np.zeros(way.shape, np.int8)
    if shut is not None:
        length, ranks = _clear_turns(turns, a, b, length, turn_radius_m, shut)
        rank_of[a, b] = rank_of[b, a] = ranks
    way[a, b] = way[b, a] = length
    order = _round(way, count)

    legs: list[FloatArray] = []
    out: list[FloatArray] = []
    part = np.zeros(count, np.int64)
    around = 0
    for n, (enter, leave) in enumerate(order):
        k, back = enter // 2, enter % 2 == 1
        line = np.array([starts[k], ends[k]])
        legs += [place[enter][None], line[::-1] if back else line, place[leave][None]]
        if n + 1 == count:
            break
        following = order[n + 1][0]
        rank = int(rank_of[leave, following])
        if rank < _NO_TURN:
            # Worked out from the lower to the higher place, as it was tried: of two turns as short
            # as each other the way back might take the other.
            low, high = sorted((leave, following))
            turn = turns(np.array([low]), np.array([high]), rank).points()[0]
            legs.append((turn if low == leave else turn[::-1])[1:-1])
            continue
        lon, lat = plane.to_earth(*place[[leave, following]].T)
        ways = shortest_ways(lon, lat, water=water, closed=closed, clear_m=clear_m)
        if np.isfinite(ways.length_m[0, 1]):
            x, y = plane.to_plane(*ways.way(0, 1))
            legs.append(np.stack([x, y], axis=1)[1:-1])
            around += 1
        else:
            out.append(_tidy(np.concatenate(legs)))
            legs = []
            part[n + 1 :] += 1
    out.append(_tidy(np.concatenate(legs)))
    return LanesInOrder(
        order=[(enter // 2, enter % 2 == 1) for enter, _ in order],
        way=tuple(out),
        part=part,
        around=around,
    )


def _clear_turns(
    turns: Callable[[IntArray, IntArray, int], Turns],
    a: IntArray,
    b: IntArray,
    length: FloatArray,
    turn_radius_m: float,
    shut: BaseGeometry,
) -> tuple[FloatArray, IntArray]:
    """Return the shortest turn of each pair that keeps out of closed water, and which it is.

    Where none does, the way leads round, and its length is a guess that lets others come first.
    """
    import shapely

    inside = shapely.buffer(shut, -0.05)
    shapely.prepare(inside)
    rank = np.full(len(a), _NO_TURN, np.int64)
    out = 1.5 * length + 8 * turn_radius_m + 100.0
    rest = np.arange(len(a))
    for this in range(_NO_TURN):
        for k in range(0, len(rest), _PAIRS):
            rows = rest[k : k + _PAIRS]
            made = turns(a[rows], b[rows], this)
            there = np.isfinite(made.length_m)
            rows = rows[there]
            lines = shapely.linestrings(made.points()[there])
            clear = ~np.asarray(shapely.intersects(inside, lines), bool)
            rank[rows[clear]] = this
            out[rows[clear]] = made.length_m[there][clear]
        rest = rest[rank[rest] == _NO_TURN]
    return out, rank


def _round(way: FloatArray, count: int) -> Order:
    """Return at which end to begin and to leave each lane, in order.

    A few lanes get the best order of all; more, the best that is found from plain orders by turning
    stretches round and moving lanes, the same each time.
    """
    orders = _patterns(count)
    if 2 * count < EXACT_STOPS:
        finite = np.isfinite(way)
        long = 2.0 * float(way[finite].max(initial=1.0))
        cost = np.full((2 * count + 1, 2 * count + 1), long)  # and a place to begin anywhere
        cost[:-1, :-1] = np.where(finite, way + long, 0.0)
        np.fill_diagonal(cost, 0.0)
        found = shortest_order(cost, start=2 * count)[1:]
        best = [(found[i], found[i + 1]) for i in range(0, 2 * count, 2)]
        if all(e // 2 == x // 2 for e, x in best):
            orders.append(best)
    else:
        orders.append(_nearest(way, count))
        orders.sort(key=lambda order: _spare(way, order))
        orders = [_improved(way, order) for order in orders[: 3 if count <= 150 else 1]]
    return min(orders, key=lambda order: _spare(way, order))


def _spare(way: FloatArray, order: Order) -> float:
    return float(sum(way[leave, enter] for (_, leave), (enter, _) in pairwise(order)))


def _nearest(way: FloatArray, count: int) -> Order:
    """Return the order in which the nearest lane not yet run comes next."""
    rest = np.ones(2 * count, bool)
    order, enter = [], 0
    for _ in range(count):
        order.append((enter, enter ^ 1))
        rest[[enter, enter ^ 1]] = False
        enter = int(np.argmin(np.where(rest, way[enter ^ 1], np.inf)))
    return order


def _improved(way: FloatArray, order: Order) -> Order:
    """Return an order that no turning round of a stretch and no moving of up to 3 lanes shortens."""
    n = len(order)
    # Beyond both ends lies a place from which all is as near.
    wide = np.zeros((len(way) + 1, len(way) + 1))
    wide[:-1, :-1] = np.where(np.isfinite(way), way, 0.0)
    end = len(way)
    enter, leave = (np.array(c) for c in zip(*order, strict=True))
    i, j = np.triu_indices(n)
    for _ in range(20 * n):
        before, after = np.append(end, leave[:-1]), np.append(enter[1:], end)
        link = wide[before, enter]  # into each lane
        out = np.append(link[1:], 0.0)
        gain = link[i] + out[j] - wide[before[i], leave[j]] - wide[enter[i], after[j]]
        best = int(np.argmax(gain))
        if gain[best] > 1e-6:
            s = slice(i[best], j[best] + 1)
            enter[s], leave[s] = leave[s][::-1].copy(), enter[s][::-1].copy()
            continue
        moved = _moved(wide, enter, leave, end)
        if moved is None:
            break
        enter, leave = moved
    return list(zip(enter.tolist(), leave.tolist(), strict=True))


def _moved(
    wide: FloatArray, enter: IntArray, leave: IntArray, end: int
) -> tuple[IntArray, IntArray] | None:
    """Return the order with one stretch of up to 3 lanes moved to where it saves most, if it does."""
    n = len(enter)
    best, choice = 1e-6, None
    for size in (1, 2, 3):
        first = np.arange(n - size + 1)
        last = first + size - 1
        before = np.append(end, leave)[first]
        after = np.append(enter, end)[last + 1]
        freed = wide[before, enter[first]] + wide[leave[last], after] - wide[before, after]
        # Between lane g - 1 and lane g of the others, either way round.
        left, right = np.append(end, leave), np.append(enter, end)
        link = wide[left, right]
        for back in (False, True):
            head, tail = (leave[last], enter[first]) if back else (enter[first], leave[last])
            cost = wide[left[None, :], head[:, None]] + wide[tail[:, None], right[None, :]] - link
            place = np.arange(n + 1)[None, :]
            own = (place >= first[:, None]) & (place <= last[:, None] + 1)
            gain = np.where(own, -np.inf, freed[:, None] - cost)
            k = int(np.argmax(gain))
            if gain.flat[k] > best:
                best, choice = float(gain.flat[k]), (size, *divmod(k, n + 1), back)
    if choice is None:
        return None
    size, f, g, back = choice
    block = np.arange(f, f + size)
    others = np.delete(np.arange(n), block)
    at = g if g < f else g - size
    ins, outs = (leave[block][::-1], enter[block][::-1]) if back else (enter[block], leave[block])
    return (
        np.concatenate([enter[others[:at]], ins, enter[others[at:]]]),
        np.concatenate([leave[others[:at]], outs, leave[others[at:]]]),
    )


def _patterns(count: int) -> list[Order]:
    """Return plain orders: up and down lane by lane, and with lanes skipped on the way out."""
    out = []
    for skip in range(1, min(count, 12)):
        order = [k for first in range(skip) for k in range(first, count, skip)]
        out.append(
            [(2 * k, 2 * k + 1) if n % 2 == 0 else (2 * k + 1, 2 * k) for n, k in enumerate(order)]
        )
    return out


def _tidy(points: FloatArray) -> FloatArray:
    """Return a line without points that repeat, or that lie on the straight between others."""
    import shapely

    line: Any = shapely.simplify(shapely.linestrings(points), _TURN_STEP_M / 5)
    return np.asarray(shapely.get_coordinates(line), np.float64)
