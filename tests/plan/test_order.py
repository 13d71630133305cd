"""The order of a day: as short as the best of all orders, with what a person asks kept."""

from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.errors import DataError
from athwart.plan.order import shortest_order


def lengths(n, seed):
    xy = np.random.default_rng(seed).uniform(0, 10_000, (n, 2))
    return np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))


def along(length, order):
    return sum(length[a, b] for a, b in pairwise(order))


def best(length, start, end=None, *, round_trip=False, first=None, last=None):
    """Try every order."""
    rest = [k for k in range(len(length)) if k not in (start, end)]
    found = []
    for p in permutations(rest):
        if (first is not None and p[0] != first) or (last is not None and p[-1] != last):
            continue
        tail = [start] if round_trip else [] if end is None else [end]
        found.append(along(length, [start, *p, *tail]))
    return min(found)


def held_karp(length):
    """Exact length of the round: dynamic programming over subsets (Held and Karp 1962)."""
    n = len(length)
    full = 1 << (n - 1)
    cost = np.full((full, n - 1), np.inf)
    for k in range(n - 1):
        cost[1 << k, k] = length[0, k + 1]
    for subset in range(1, full):
        for k in range(n - 1):
            if subset >> k & 1 and np.isfinite(cost[subset, k]):
                for j in range(n - 1):
                    if not subset >> j & 1:
                        new = cost[subset, k] + length[k + 1, j + 1]
                        into = subset | 1 << j
                        cost[into, j] = min(cost[into, j], new)
    return min(cost[full - 1, k] + length[k + 1, 0] for k in range(n - 1))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 7), st.data())
def test_the_order_is_as_short_as_the_best_of_all_orders(seed, n, data):
    length = lengths(n, seed)
    kind = data.draw(st.sampled_from(["round", "free", "end"]))
    rest = list(range(1, n))
    end = rest.pop() if kind == "end" else None
    asked = data.draw(st.sampled_from(["nothing", "first", "last", "both"]))
    first = rest.pop() if asked in ("first", "both") and rest else None
    last = rest.pop() if asked in ("last", "both") and rest else None
    more = {"round_trip": kind == "round", "first": first, "last": last}
    order = shortest_order(length, end=end, **more)
    assert sorted(set(order)) == list(range(n))
    assert len(order) == n + (kind == "round")
    assert along(length, order) == pytest.approx(best(length, 0, end, **more), rel=1e-3)
    if first is not None:
        assert order[1] == first
    if last is not None:
        assert order[n - 1 - (end is not None)] == last


def test_a_round_of_twelve_is_the_exact_one():
    length = lengths(12, 7)
    order = shortest_order(length, round_trip=True)
    assert along(length, order) == pytest.approx(held_karp(length), rel=1e-3)


def two_opt(length, order):
    """Turn pieces round until none helps: 2-opt (Croes 1958)."""
    order, n = list(order), len(order)
    better = True
    while better:
        better = False
        for i in range(n - 1):
            for j in range(i + 2, n - (i == 0)):
                a, b, c, d = order[i], order[i + 1], order[j], order[(j + 1) % n]
                if length[a, c] + length[b, d] < length[a, b] + length[c, d] - 1e-9:
                    order[i + 1 : j + 1] = order[i + 1 : j + 1][::-1]
                    better = True
    return order


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_round_of_forty_is_within_three_percent_of_a_long_independent_search(seed):
    """Best of 60 random starts, each turned round piece by piece until nothing helps."""
    length = lengths(41, seed)
    rng = np.random.default_rng(seed)
    known = min(
        along(length, [*(o := two_opt(length, rng.permutation(41).tolist())), o[0]])
        for _ in range(60)
    )
    order = shortest_order(length, round_trip=True)
    assert along(length, order) <= 1.03 * known


def test_a_round_on_a_circle_follows_the_circle():
    angle = np.linspace(0, 2 * np.pi, 30, endpoint=False)
    shuffled = np.random.default_rng(3).permutation(30)
    xy = 1000 * np.stack([np.cos(angle), np.sin(angle)], axis=1)[shuffled]
    length = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    order = shortest_order(length, round_trip=True)
    # 30 chords: 2 r sin(pi / 30)
    assert along(length, order) == pytest.approx(30 * 2000 * np.sin(np.pi / 30), rel=1e-6)


def test_the_same_places_give_the_same_order_with_the_nearer_mark_first():
    length = lengths(15, 9)
    order = shortest_order(length, round_trip=True)
    assert order == shortest_order(length, round_trip=True)
    assert order[0] == order[-1] == 0
    assert length[0, order[1]] <= length[0, order[-2]]


def test_places_on_one_spot_are_all_visited():
    assert sorted(shortest_order(np.zeros((5, 5)), round_trip=True)) == [0, 0, 1, 2, 3, 4]
    assert shortest_order(np.zeros((1, 1))) == [0]


def test_what_cannot_be_is_refused():
    length = lengths(4, 0)
    apart = length.copy()
    apart[0, 3] = apart[3, 0] = np.inf
    with pytest.raises(DataError, match="no way by water"):
        shortest_order(apart)
    with pytest.raises(DataError, match="must be different places"):
        shortest_order(length, first=2, last=2)
    with pytest.raises(DataError, match="ends where it starts"):
        shortest_order(length, end=2, round_trip=True)
