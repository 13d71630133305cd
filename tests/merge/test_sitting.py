"""How trips sit, step by step: each against sums written out, a search of all, or another library."""

import numpy as np
import pytest
from looking import looks_at
from scipy.optimize import lsq_linear
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from worlds import GEOD

from athwart.merge import offset
from athwart.merge.gate import tree_of
from athwart.merge.known import TripSitting, _Pinned, _seat_free, kept
from athwart.merge.looks import canonical, looks_of
from athwart.merge.offset import (
    Offset,
    Sitting,
    Votes,
    _peaks,
    _solve,
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


def votes(a, b, east, north=0.0, variance=1.0, support=10.0):
    n = len(a)
    real = [np.broadcast_to(np.asarray(v, float), n).copy() for v in (east, north, variance)]
    return Votes(np.array(a), np.array(b), *real, np.full(n, float(support)))


def random_votes(seed, trips=7, n=12):
    rng = np.random.default_rng(seed)
    a = rng.integers(0, trips - 1, n)
    b = a + 1 + rng.integers(0, trips - 1 - a)
    e, k = rng.normal(0, 5, (2, n))
    return Votes(a, b, e, k, rng.uniform(0.5, 4, n), rng.integers(6, 40, n).astype(float))


def looks_of_trips(east, north, trip, **columns):
    s = looks_at(east, north, trip=[f"t{k}" for k in trip],
                 ids=[f"s{k:05d}" for k in range(len(trip))], **columns)  # fmt: skip
    return looks_of(canonical(s)[0])


@pytest.mark.parametrize("seed", range(5))
def test_trips_that_votes_connect_are_one_group(seed):
    """Witness: scipy's connected components."""
    v = random_votes(seed, trips=30, n=16)
    found = groups(30, v)
    graph = coo_array((np.ones(len(v.a)), (v.a, v.b)), shape=(30, 30))
    part = connected_components(graph, directed=False)[1]
    met = np.isin(np.arange(30), [*v.a, *v.b])
    assert ((found >= 0) == met).all()
    for t in np.flatnonzero(met):
        assert found[t] == np.flatnonzero(part == part[t])[0], "named by its first trip"


@pytest.mark.parametrize("seed", range(5))
def test_the_middle_displacement_is_the_median(seed):
    v = random_votes(seed)
    x, y = medians(7, v)
    for t in range(7):
        for got, d in ((x, v.east), (y, v.north)):
            mine = np.concatenate([d[v.a == t], -d[v.b == t]])
            assert got[t] == pytest.approx(np.median(mine) if len(mine) else 0.0)


@pytest.mark.parametrize("most", [600, 3])
def test_places_are_the_least_squares_of_displacements_and_pulls(monkeypatch, most):
    """Witness: scipy's linear least squares; as a full system and as a sparse one."""
    monkeypatch.setattr(offset, "MOST_TRIPS", most)
    v = random_votes(2)
    prior = np.linspace(0.1, 2.0, 7)
    n = len(v.a)
    rows = np.zeros((n + 7, 7))
    rows[np.arange(n), v.a] += 1
    rows[np.arange(n), v.b] -= 1
    rows[n:] = np.eye(7)
    root = np.sqrt(np.concatenate([1 / v.variance, prior]))
    x, y, cov = _solve(7, v, 1 / v.variance, prior, inverse=True)
    for got, d in ((x, v.east), (y, v.north)):
        want = lsq_linear(rows * root[:, None], np.concatenate([d, np.zeros(7)]) * root).x
        np.testing.assert_allclose(got, want, atol=1e-8)
    if most == 600:
        np.testing.assert_allclose(cov, np.linalg.inv((rows * root[:, None] ** 2).T @ rows))


def test_with_old_trips_pinned_the_rest_is_the_same_least_squares():
    v = random_votes(3)
    prior = np.linspace(0.1, 2.0, 7)
    free = np.array([True, False, True, True, False, False, True])
    east, north = np.arange(7.0), -np.arange(7.0)
    pinned = _Pinned(v, free, east, north)
    q, _ = pinned.matrix(1 / v.variance, prior)
    x, y = pinned.solve(q, 1 / v.variance)
    n = len(v.a)
    rows = np.zeros((n + 7, 7))
    rows[np.arange(n), v.a] += 1
    rows[np.arange(n), v.b] -= 1
    rows[n:] = np.eye(7)
    root = np.sqrt(np.concatenate([1 / v.variance, np.where(free, prior, 0.0)]))
    for got, d, fixed in ((x, v.east, east), (y, v.north, north)):
        d = np.concatenate([d, np.zeros(7)]) - rows @ np.where(free, 0.0, fixed)
        want = lsq_linear((rows * root[:, None])[:, free], d * root).x
        np.testing.assert_allclose(got[free], want, atol=1e-8)
        assert (got[~free] == 0).all()


def test_a_new_trip_finds_its_place_and_old_ones_keep_theirs():
    """Displacements without error, a pull of next to nothing: the place is what they add up to."""
    v = votes([0, 0, 0], [1, 2, 3], [7.0, 5.0, 7.0], [11.0, 6.0, 60.0])  # the last is far out
    old = np.array([0.0, 3.0, 5.0, 3.0]), np.array([0.0, -4.0, 1.0, -4.0])
    pinned = _Pinned(v, np.array([True, False, False, False]), *old)
    x, y = pinned.balance(np.full(4, 1e5), np.ones(4))
    assert (x[0], y[0]) == pytest.approx((10.0, 7.0), abs=0.4)
    np.testing.assert_allclose((x[1:], y[1:]), [o[1:] for o in old])


@pytest.mark.parametrize(("support", "joined"), [((10, 30), 2), ((30, 10), 1), ((20, 20), 1)])
def test_a_new_trip_tied_to_two_groups_goes_with_the_stronger(support, joined):
    """Then by name; where it sits is the weighted sum of one vote and one pull, written out."""
    sitting = Sitting(
        np.array([0.0, -1.0, 2.0]), np.array([0.0, 3.0, 1.0]), np.array([1.0, 0.5, 0.25]),
        np.array([-1, 10, 11]), np.array([0.0, 0.5, 0.8]), np.full(3, 2.5), np.zeros(3),
        np.full(3, 20), group_names={10: "g1", 11: "g2"},
    )  # fmt: skip
    known = {(f"t{k}", ""): TripSitting(f"t{k}", "", 20, 2.5, 0.0, group=f"g{k}") for k in (1, 2)}
    v = votes([0, 0], [1, 2], [8.0, 5.0], [-5.0, -3.0], variance=0.5)
    v.support[:] = support
    _seat_free(sitting, v, np.array([True, False, False]), np.full(3, 6.25), known)
    east, north = {1: (7.0, -2.0), 2: (7.0, -2.0)}[joined]
    kept = 2.0 / (2.0 + 1 / 6.25)  # what the vote has of the whole weight
    assert (sitting.east[0], sitting.north[0]) == pytest.approx((kept * east, kept * north))
    sigma, part = {1: (0.5, 0.5), 2: (0.8, 0.25)}[joined]
    error = 1 / (2 + 1 / 6.25) + kept**2 * part**2 * 6.25 + ((1 - kept) * sigma) ** 2
    assert sitting.part[0] == pytest.approx(np.sqrt(error / 6.25))
    assert (sitting.group[0], sitting.group_sigma[0]) == (9 + joined, sigma)
    assert sitting.group[1:].tolist() == [10, 11]


def test_a_hundredth_of_the_stated_error_is_the_least_that_is_left():
    zero, wide = np.zeros(2), np.full(2, 1e9)
    s = Sitting(zero.copy(), zero.copy(), np.ones(2), np.array([-1, 9]), zero.copy(), zero, zero,
                np.full(2, 20), group_names={9: "g1"})  # fmt: skip
    known = {("t1", ""): TripSitting("t1", "", 20, 2.5, 0.0, group="g1")}
    s.part[1] = 1e-9
    _seat_free(s, votes([0], [1], 4.0), np.array([True, False]), wide, known)
    assert (s.group[0], s.part[0]) == (9, pytest.approx(0.01))
    seat(s, np.arange(2), zero, zero, np.eye(2), wide)
    assert s.part == pytest.approx([0.01, 0.01])


def test_new_trips_that_do_not_meet_are_each_seated_as_alone():
    """Trips 0 and 3 are new and meet one old trip each; 4 meets nothing; 5 and 6 only each other."""
    names = {20: "g1", 21: "g2"}
    known = {(f"t{k}", ""): TripSitting(f"t{k}", "", 20, 2.5, 0.0, group=f"g{k}") for k in (1, 2)}
    free = np.array([True, False, False, True, True, True, True])
    every = votes([0, 2, 5], [1, 3, 6], [8.0, 5.0, 4.0], [-5.0, -3.0, 6.0], variance=0.5)

    def seated(v):
        s = Sitting(
            np.array([0.0, -1.0, 2.0, 0, 0, 0, 0]), np.array([0.0, 3.0, 1.0, 0, 0, 0, 0]),
            np.array([1.0, 0.5, 0.25, 1, 1, 1, 1]), np.array([-1, 20, 21, -1, -1, -1, -1]),
            np.array([0.0, 0.5, 0.8, 0, 0, 0, 0]), np.full(7, 2.5), np.zeros(7), np.full(7, 20),
            group_names=names,
        )  # fmt: skip
        _seat_free(s, v, free, np.full(7, 6.25), known)
        return np.stack([s.east, s.north, s.part, s.group, s.group_sigma])

    together = seated(every)
    for k, trips in enumerate(([0], [3], [5, 6])):
        alone = seated(every.only(np.arange(3) == k))
        np.testing.assert_allclose(together[:, trips], alone[:, trips])
    assert together[3].tolist() == [20, 20, 21, 21, -1, 5, 5]
    assert together[0, 5] == pytest.approx(-together[0, 6])
    assert together[0, 5] > 0
    np.testing.assert_allclose(together[:3, 4], [0, 0, 1])


def test_a_new_groups_name_is_its_first_trips_that_no_other_group_has():
    looks = looks_of_trips(np.arange(12) * 30.0, 0.0, [0, 1] * 6)
    one = np.ones(2)
    sitting = Sitting(one, 2 * one, 0.5 * one, np.zeros(2, int), 0.7 * one, 2 * one, 0 * one,
                      np.array([6, 6]))  # fmt: skip
    for taken, name in (([], "t0"), (["t0"], "t1"), (["t0", "t1"], "t0'"),
                        (["t0", "t1", "t0'"], "t0''")):  # fmt: skip
        known = {(f"old {g}", ""): TripSitting(f"old {g}", "", 9, 2.0, 0.0, group=g) for g in taken}
        found = {k.trip: k for k in kept(looks, sitting, {}, known)}
        assert {found["t0"].group, found["t1"].group} == {name}
        assert found["t0"] == TripSitting("t0", "", 6, 2.0, 0.0, 1.0, 2.0, 0.5, name, 0.7)
        assert len(found) == 2 + len(taken)


def test_a_trip_of_five_looks_in_no_group_leaves_nothing_to_keep():
    looks = looks_of_trips(np.arange(16) * 30.0, 0.0, [0] * 5 + [1] * 6 + [2] * 5)
    order = [looks.trip_names.index(f"t{k}") for k in range(3)]
    group = np.full(3, -1)
    group[order[2]] = 0  # in a group it is kept, however few they are
    sitting = nothing_of(looks)
    sitting.group[:] = group
    assert [k.trip for k in kept(looks, sitting, {}, {})] == ["t1", "t2"]


def test_a_pull_weakens_as_a_trip_moves_off_and_with_few_looks():
    """(0.2 + 0.8 q) / (s^2 (1 + d^2 / s^2)), written out; the form is a choice of this package."""
    x, y = np.array([0.0, 3.0, 0.0]), np.array([0.0, 4.0, 0.0])
    got = prior_of(x, y, np.array([4.0, 25.0, 4.0]), np.array([1.0, 1.0, 0.5]))
    np.testing.assert_allclose(got, [1 / 4, 1 / 50, 0.6 / 4])


def test_a_vote_that_the_places_do_not_fit_yields():
    """Weight 1 / (1 + miss^2 / (9 v + 4)) of the precision, written out."""
    v = votes([0, 0], [1, 2], [3.0, 5.0], [4.0, 12.0], variance=[4.0, 1.0])
    x, y = np.array([3.0, 0.0, 1.0]), np.array([4.0, 0.0, 0.0])
    miss = (5.0 - 3.0 + 1.0) ** 2 + (12.0 - 4.0) ** 2
    np.testing.assert_allclose(yielding(v, x, y), [1 / 4, 1 / (1 + miss / 13)])


def test_trips_that_are_off_or_hardly_agreed_with_are_not_heard():
    v = votes([0, 0, 2], [1, 2, 3], 0.0, support=10.0)
    off = {2: Offset("t2", 9.0, 0.0, 0.0, 9.0, 8, 1.0)}
    assert len(heard(v, {}, 4).a) == 1, "only trips 0 and 2 have twenty looks that agree"
    assert (heard(v, {}, 4).a[0], heard(v, {}, 4).b[0]) == (0, 2)
    assert len(heard(v, off, 4).a) == 0
    sure = np.array([False, True, False, False])
    v = votes([0, 0], [1, 2], 0.0, support=10.0)
    assert heard(v, {}, 4, sure).b.tolist() == [1]


def test_a_groups_error_parts_into_each_trips_own_and_the_mean():
    """Witness: the matrix that takes the mean off, on both sides of the covariance."""
    rng = np.random.default_rng(4)
    root = rng.normal(size=(4, 4))
    cov = root @ root.T
    zero = np.zeros(6)
    sitting = Sitting(*(zero.copy() for _ in range(3)), zero.astype(int), *(zero.copy(),) * 3, zero)
    t = np.array([0, 2, 3, 5])
    variance = np.full(4, 30.0)
    seat(sitting, t, np.arange(4.0), -np.arange(4.0), cov, variance)
    less = np.eye(4) - 0.25
    np.testing.assert_allclose(sitting.part[t], np.sqrt(np.diag(less @ cov @ less.T) / 30.0))
    assert sitting.east[t].tolist() == [0.0, 1.0, 2.0, 3.0]
    assert sitting.north[t].tolist() == [0.0, -1.0, -2.0, -3.0]
    assert (sitting.part[[1, 4]] == 0).all()


def test_the_error_of_a_groups_mean_is_that_of_the_mean():
    zero = np.zeros(3)
    sitting = Sitting(zero, zero, zero.copy(), zero.astype(int), zero.copy(), zero, zero, zero)
    cov = np.array([[4.0, 1.0, 0.0], [1.0, 9.0, 2.0], [0.0, 2.0, 1.0]])
    seat(sitting, np.arange(3), zero, zero, cov, np.full(3, 1e-3))
    np.testing.assert_allclose(sitting.group_sigma, np.sqrt(cov.sum()) / 3)
    assert (sitting.part == 1.0).all(), "never more than was stated"


def test_the_fullest_cells_are_where_the_pile_was_put():
    rng = np.random.default_rng(5)
    piles_at = np.array([[40.0, -24.0], [-64.0, 8.0], [0.0, 0.0]])
    of = np.repeat(np.arange(3), 260)
    east, north = rng.uniform(-100, 100, (2, 780))
    for k in range(3):
        mine = np.flatnonzero(of == k)[:60]
        east[mine], north[mine] = piles_at[k][:, None] + rng.normal(0, 1.0, (2, 60))
    x, y = _peaks(of, east, north, 3)
    np.testing.assert_array_equal(np.stack([x, y], axis=1), piles_at)


def test_votes_count_and_place_a_planted_shift():
    """Sixty things, two trips, one of them 9 m east and 12 m south of the other: 1 m errors."""
    rng = np.random.default_rng(6)
    place = rng.uniform(0, 700, (60, 2))
    first = place + rng.normal(0, 1, (60, 2))
    second = place + rng.normal(0, 1, (60, 2)) + [9.0, -12.0]
    both = np.concatenate([first, second])
    looks = looks_of_trips(*both.T, np.repeat([0, 1], 60), var_east_m2=1.0, var_north_m2=1.0,
                           shared_sigma_m=3.0, boat_sigma_m=2.0)  # fmt: skip
    i, j = neighbours(looks, np.bincount(looks.trip), tree_of(looks))
    v = piles(looks, i, j)
    assert len(v.a) == 1
    way = 1 if looks.trip_names[v.a[0]] == "t1" else -1
    assert way * v.east[0] == pytest.approx((second - first)[:, 0].mean(), abs=0.1)
    assert way * v.north[0] == pytest.approx((second - first)[:, 1].mean(), abs=0.1)
    assert v.support[0] == 60
    # Own errors alone count: 2 m^2 over 60 things, taken three times.
    assert v.variance[0] == pytest.approx(3 * 2.0 / 60, rel=0.1)


@pytest.mark.parametrize(("agree", "heard_of"), [(5, 0), (6, 1)])
def test_six_different_looks_must_agree_however_often_each_is_met(agree, heard_of):
    """Of twelve looks of the first trip some are met by two of the second, the rest by none."""
    x = np.arange(12) * 400.0
    east = np.concatenate([x, np.repeat(x[:agree], 2), x[agree:] + 200.0])
    trip = np.repeat([0, 1], [12, len(east) - 12])
    looks = looks_of_trips(east, 0.0, trip, var_east_m2=0.25, var_north_m2=0.25)
    i, j = neighbours(looks, np.bincount(looks.trip), tree_of(looks))
    v = piles(looks, i, j)
    assert len(v.a) == heard_of
    assert (v.support == agree).all()


def test_a_third_of_the_looks_must_agree():
    """Of 24 looks with a neighbour 8 agree, or 7; the rest lie about 60 to 140 m off."""
    rng = np.random.default_rng(8)
    x = np.arange(24) * 400.0
    for agree, heard_of in ((8, 1), (7, 0)):
        away = np.where(np.arange(24) < agree, 0.0, rng.uniform(60, 140, 24))
        way = rng.uniform(0, 2 * np.pi, 24)
        east = np.concatenate([x, x + away * np.sin(way)])
        north = np.concatenate([0 * x, away * np.cos(way)])
        looks = looks_of_trips(east, north, np.repeat([0, 1], 24), var_east_m2=0.25,
                               var_north_m2=0.25)  # fmt: skip
        i, j = neighbours(looks, np.bincount(looks.trip), tree_of(looks))
        assert len(piles(looks, i, j).a) == heard_of


@pytest.mark.parametrize("seed", range(4))
def test_looks_strewn_at_random_tell_nothing_however_many_agree_by_chance(seed):
    """Two trips that saw different things, so near each other that any displacement fits some."""
    east, north = np.random.default_rng(seed).uniform(0, 300, (2, 800))
    looks = looks_of_trips(east, north, np.repeat([0, 1], 400), var_east_m2=36.0, var_north_m2=36.0)
    i, j = neighbours(looks, np.bincount(looks.trip), tree_of(looks))
    assert len(piles(looks, i, j).a) == 0


def test_every_pair_of_two_trips_within_the_votes_reach_is_asked_once():
    """Witness: all pairs by geodesics. A trip of five looks is not asked."""
    rng = np.random.default_rng(7)
    trip = np.repeat(np.arange(4), [30, 20, 5, 6])
    e, n = rng.uniform(-250, 250, (2, len(trip)))
    s, _, _ = canonical(
        looks_at(e, n, trip=[f"t{k}" for k in trip], ids=[f"s{k:03d}" for k in range(len(trip))])
    )
    looks = looks_of(s)
    size = np.bincount(looks.trip)
    i, j = neighbours(looks, size, tree_of(looks))
    a, b = np.triu_indices(len(s), 1)
    distance = GEOD.inv(s.lon[a], s.lat[a], s.lon[b], s.lat[b])[2]
    ta, tb = looks.trip[a], looks.trip[b]
    near = (distance <= 150.0) & (ta != tb) & (size[ta] >= 6) & (size[tb] >= 6)
    a, b = np.where(ta > tb, b, a)[near], np.where(ta > tb, a, b)[near]
    assert sorted(zip(i.tolist(), j.tolist(), strict=True)) == sorted(
        zip(a.tolist(), b.tolist(), strict=True)
    )
    assert (np.lexsort((j, i)) == np.arange(len(i))).all()
    asked = np.arange(4) == looks.trip_names.index("t3")
    i, j = neighbours(looks, size, tree_of(looks), asked)
    assert (asked[looks.trip[i]] | asked[looks.trip[j]]).all()
    assert len(i) == (asked[looks.trip[a]] | asked[looks.trip[b]]).sum()


@pytest.mark.parametrize(("asked", "most"), [(None, 300), (1, 600)])
def test_of_a_long_trip_so_many_looks_are_asked_evenly_over_the_water(asked, most):
    east = np.concatenate([np.arange(2400) * 200.0, np.arange(2400) * 200.0 + 3.0])
    looks = looks_of_trips(east, 0.0, np.repeat([0, 1], 2400))
    size = np.bincount(looks.trip)
    mask = None if asked is None else np.array([True, False])
    i, j = neighbours(looks, size, tree_of(looks), mask)
    mine = np.sort(np.where(looks.trip[i] == 0, i, j)) if asked else None
    if asked is None:  # a sampled look of either trip meets its partner
        assert most <= len(i) <= 2 * most
    else:
        assert len(mine) == most
        gaps = np.diff(np.searchsorted(np.flatnonzero(looks.trip == 0), mine))
        assert set(gaps.tolist()) == {4}


def test_what_looks_say_of_their_trips_alone():
    looks = looks_of_trips(np.arange(4) * 50.0, 0.0, [0, 0, 1, 1],
                           shared_sigma_m=[3.0, 4.0, 2.0, 2.0], boat_sigma_m=1.0)  # fmt: skip
    s = nothing_of(looks)
    order = [looks.trip_names.index(t) for t in ("t0", "t1")]
    np.testing.assert_allclose(s.shared[order], [np.sqrt(12.5), 2.0])
    np.testing.assert_allclose(s.boat, 1.0)
    np.testing.assert_allclose(s.variance(True)[order], [13.5, 5.0])
    np.testing.assert_allclose(s.variance(False)[order], [12.5, 4.0])
    assert s.size.tolist() == [2, 2]
    assert (s.part == 1).all()
    assert (s.group == -1).all()
    assert not s.offsets


@pytest.mark.parametrize("way", [1, -1])
def test_a_trip_off_the_others_is_measured_against_those_that_agree(way):
    looks = looks_of_trips(np.arange(4) * 50.0, 0.0, [0, 1, 2, 3])
    a, b = np.triu_indices(4, 1)
    x, y = way * np.array([0.0, 1.0, 30.0, -1.0]), np.array([0.0, 0.0, 40.0, 0.0])
    v = Votes(a, b, x[a] - x[b], y[a] - y[b], np.full(6, 0.5), np.arange(10.0, 16.0))
    found = off_the_others(looks, v, x, y, np.full(4, 6.25), np.full(4, 20))
    assert list(found) == [2]
    o = found[2]
    weight = v.support[(a == 2) | (b == 2)]  # of trips 0, 1 and 3 with trip 2
    east = way * (30.0 - (weight @ [0.0, 1.0, -1.0]) / weight.sum())
    assert (o.east_m, o.north_m) == pytest.approx((east, 40.0))
    assert o.distance_m == pytest.approx(np.hypot(east, 40.0))
    assert o.bearing_deg == pytest.approx(np.degrees(np.arctan2(east, 40.0)) % 360)
    assert o.support == weight.max()
    assert o.sigma_m == pytest.approx(np.sqrt(0.5 / 3))
    assert o.trip == looks.trip_names[2]
    settled = np.array([True, True, False, True])
    size, variance = np.full(4, 20), np.full(4, 6.25)
    assert off_the_others(looks, v, x, y, variance, size, settled) == found
    assert off_the_others(looks, v, x, y, variance, size, np.ones(4, bool)) == {}


@pytest.mark.parametrize(("metres", "off"), [(14.0, 0), (15.5, 1)])
def test_off_is_what_has_a_chance_below_one_in_ten_thousand(metres, off):
    """Chi-square of two degrees of freedom: -2 ln 1e-4 = 18.42, of 2 x 6.25 + 0.5 m^2: 15.5 m."""
    looks = looks_of_trips(np.arange(2) * 50.0, 0.0, [0, 1])
    x = np.array([0.0, metres])
    edge = np.sqrt(-2 * np.log(1e-4) * (2 * 6.25 + 0.5))
    x[1] = edge + (0.01 if off else -0.01)
    v = votes([0], [1], -x[1], variance=0.5)
    found = off_the_others(looks, v, x, 0 * x, np.full(2, 6.25), np.array([20, 12]))
    assert list(found) == [1] * off, "of two the one with fewer looks"


def test_four_metres_are_never_off_and_of_two_equal_trips_the_later_is_named():
    looks = looks_of_trips(np.arange(2) * 50.0, 0.0, [0, 1])
    for metres, named in ((4.99, []), (5.01, [1])):
        x = np.array([0.0, metres])
        v = votes([0], [1], -metres, variance=1e-4)
        size = np.array([20, 20])
        assert list(off_the_others(looks, v, x, 0 * x, np.full(2, 0.01), size)) == named


def test_offsets_come_the_farthest_first_and_equal_ones_by_name():
    zero = np.zeros(3)
    off = {k: Offset(t, d, 0.0, 0.0, d, 9, 1.0) for k, (t, d) in enumerate(
        [("b", 9.0), ("a", 9.0), ("c", 20.0)])}  # fmt: skip
    sitting = Sitting(zero, zero, zero, zero, zero, zero, zero, zero, off=off)
    assert [o.trip for o in sitting.offsets] == ["c", "a", "b"]


def test_five_looks_say_nothing_of_where_a_trip_sits():
    few = looks_of_trips(np.arange(11) * 30.0, 0.0, [0] * 6 + [1] * 5)
    assert (offset.sitting_of(few, tree_of(few)).group == -1).all()
    # Sixty things seen by both: they are laid against each other.
    many = looks_of_trips(np.repeat(np.arange(60) * 60.0, 2), 0.0, [0, 1] * 60, shared_sigma_m=2.0)
    found = offset.sitting_of(many, tree_of(many))
    assert (found.group == 0).all()
    assert (found.part < 0.5).all()
    assert (found.group_sigma > 1.0).all()
