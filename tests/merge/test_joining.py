"""How looks are joined, step by step: against sums written out, scipy, and a search of all pairs."""

import numpy as np
import pytest
from looking import looks_at
from scipy.stats import chi2
from worlds import GEOD

from athwart.merge.cluster import (
    Bars,
    _cloud_limit,
    _common,
    _crowded,
    _Marks,
    _named_twice,
    _relabel,
    grow,
    lay_out,
)
from athwart.merge.fuse import Rows, fuse
from athwart.merge.gate import (
    candidate_pairs,
    gate_limit,
    limit_for,
    reach_of,
    split_limit_for,
    tree_of,
)
from athwart.merge.looks import canonical, looks_of
from athwart.merge.offset import Sitting, separation

LIMIT = gate_limit(0.999)


def looks_from(*args, **columns):
    return looks_of(canonical(looks_at(*args, **columns))[0])


def random_rows(seed, n, trips=3):
    rng = np.random.default_rng(seed)
    trip = np.sort(rng.integers(0, trips, n)).astype(np.int32)
    a, b, t = rng.uniform(1, 9, n), rng.uniform(1, 9, n), rng.uniform(-0.9, 0.9, n)
    return Rows(
        *rng.normal(0, 4, (2, n)), a, b, t * np.sqrt(a * b), rng.uniform(0, 3, n),
        rng.uniform(0.5, 2, trips)[trip // 2], trip, (trip // 2).astype(np.int32),
    )  # fmt: skip


def no_bars(n):
    none, pairs = np.zeros(n, np.int32), np.empty((0, 2), np.int64)
    return Bars(none, none, none, pairs, pairs)


def i32(*values):
    return np.array(values, dtype=np.int32)


@pytest.mark.parametrize("seed", range(12))
def test_two_looks_fuse_as_any_number_do(seed):
    """The pair's own closed form and the general sum share no line."""
    r = random_rows(seed, 2)
    a, b = i32(0), i32(1)
    got = _Marks(r, no_bars(2)).pair(a, b, _common(r, a, b, True))
    want = fuse(r, np.zeros(2, np.int32))
    for f in ("x", "y", "see", "snn", "sen", "squared"):
        assert getattr(got, f)[0] == pytest.approx(getattr(want, f)[0], abs=1e-9)


def test_what_two_looks_share_is_their_trips_and_their_boats():
    r = Rows(*np.zeros((2, 4)), *np.ones((2, 4)), np.zeros(4), np.array([2.0, 3, 5, 7]),
             np.array([0.5, 0.5, 2, 3]), i32(0, 0, 1, 2), i32(0, 0, 0, 1))  # fmt: skip
    got = _common(r, i32(0, 0, 2), i32(1, 2, 3), True)
    np.testing.assert_allclose(got, [6.25, 1.0, 0.0])
    looks = looks_from(np.arange(3) * 30.0, 0.0, trip=["a", "a", "b"], boat="Tern",
                       shared_sigma_m=[2.0, 3.0, 5.0], boat_sigma_m=[0.5, 0.5, 2.0])  # fmt: skip
    nothing = np.empty(0, np.int32)
    rows = lay_out(looks, nothing, nothing).rows
    one, two, three = np.argsort(looks.shared)[:, None]
    assert _common(rows, one, two, boats=True)[0] == 6.25
    assert _common(rows, one, three, boats=True)[0] == 1.0
    assert _common(rows, one, three, boats=False)[0] == 0.0


def test_a_separation_has_both_looks_own_covariance():
    """P_i + P_j, written out, in the plane of the first; what trips and boats share is not in it."""
    looks = looks_from([0.0, 8.0], 0.0, trip="a", boat="Tern", shared_sigma_m=[3.0, 1.0],
                       boat_sigma_m=0.5, var_east_m2=[4.0, 9.0], var_north_m2=[1.0, 2.0],
                       cov_east_north_m2=[0.5, -1.0])  # fmt: skip
    i, j = np.argsort(looks.see)[:, None].astype(np.int32)
    east, north, see, snn, sen = separation(looks, i, j)
    assert (float(east[0]), float(north[0])) == pytest.approx((8.0, 0.0), abs=1e-4)
    assert (see[0], snn[0], sen[0]) == pytest.approx((13.0, 3.0, -0.5), abs=1e-4)


@pytest.mark.parametrize("n", [20, 50, 400])
def test_two_halves_of_one_cloud_pass_as_one(n):
    """Half normals' means lie 2 sqrt(2 / pi) apart: squared over 4 / n that is 2 n / pi (drawn)."""
    rng = np.random.default_rng(n)
    drawn = np.sort(rng.normal(size=(4000, n)), axis=1)
    k = n // 2
    high, low = drawn[:, k:].mean(axis=1), drawn[:, :k].mean(axis=1)
    apart = (high - low) ** 2 / (1 / k + 1 / (n - k))
    limit = float(split_limit_for(LIMIT, i32(n))[0])
    assert limit == pytest.approx(apart.mean() + np.sqrt(LIMIT * n), rel=0.03)
    assert (apart > limit).mean() < 0.003


def test_up_to_ten_looks_the_shared_gate_is_the_limit():
    n = np.arange(2, 8, dtype=np.int32)
    want = chi2.isf(0.001 / (n - 1), 2)  # the chance shared among n - 1 joins
    np.testing.assert_allclose(limit_for(LIMIT, n), want)
    np.testing.assert_allclose(split_limit_for(LIMIT, n), want)
    np.testing.assert_allclose(limit_for(LIMIT, i32(2, 2)), [LIMIT, LIMIT])
    ten = split_limit_for(LIMIT, np.arange(2, 12, dtype=np.int32))
    np.testing.assert_allclose(ten[:6], want)
    assert (np.diff(ten) > 0).all()


@pytest.mark.parametrize("gate", [0.3, 0.999])
def test_from_eight_looks_on_the_halves_count_where_they_are_more(gate):
    n, limit = np.arange(8, 60, dtype=np.int32), gate_limit(gate)
    want = np.maximum(chi2.isf((1 - gate) / (n - 1), 2), 2 * n / np.pi + np.sqrt(limit * n))
    np.testing.assert_allclose(split_limit_for(limit, n), want)


def test_reach_holds_the_errors_that_a_trip_and_a_boat_share():
    """Root of 2 x 13.8155 (chi-square table, 0.999) times 100 + 2^2 + 3^2 m^2."""
    s = looks_at(0, 0, var_east_m2=100.0, shared_sigma_m=2.0, boat_sigma_m=3.0)
    assert reach_of(s)[0] == pytest.approx(np.sqrt(2 * 13.8155 * 113.0), abs=1e-3)
    s = looks_at(0, 0, var_east_m2=40.0, var_north_m2=90.0, cov_east_north_m2=-30.0)
    widest = np.linalg.eigvalsh([[40.0, -30.0], [-30.0, 90.0]])[1]
    assert reach_of(s)[0] == pytest.approx(np.sqrt(2 * 13.8155 * widest), abs=1e-3)


@pytest.mark.parametrize("n", [3, 20, 1000])
def test_a_clouds_limit_is_the_chi_square_point_of_all_its_residuals(n):
    want = chi2.isf(0.001, 2 * n - 2)
    assert float(_cloud_limit(LIMIT, i32(n))[0]) == pytest.approx(want)


def test_the_order_of_joining_is_likelihood():
    """d^2 / (s^2 + s^2) + ln det of the difference: 25 / 8 + ln 64, written out."""
    looks = looks_from([0.0, 5.0, 100.0], 0.0)
    rows = lay_out(looks, i32(), i32()).rows
    marks = _Marks(rows, no_bars(3))
    order = np.argsort(rows.x)
    a, b = order[:1].astype(np.int32), order[1:2].astype(np.int32)
    zero = np.zeros(1)
    got = float(marks.score(a, b, zero, LIMIT)[0])
    assert got == pytest.approx(25 / 8 + np.log(64.0), abs=1e-5)
    shared = float(marks.score(a, b, zero + 1.5, LIMIT)[0])
    assert shared == pytest.approx(25 / 5 + np.log(25.0), abs=1e-5)
    assert np.isinf(marks.score(a, order[2:].astype(np.int32), zero, LIMIT)[0])


def test_what_is_shared_never_uses_up_a_separations_covariance():
    rows = Rows(*np.array([[0.0, 0.1], [0.0, 0.0]]), *np.ones((2, 2)), np.zeros(2),
                np.zeros(2), np.zeros(2), i32(0, 1), i32(0, 0))  # fmt: skip
    marks = _Marks(rows, no_bars(2))
    got = marks.score(i32(0), i32(1), np.array([50.0]), LIMIT)[0]
    left = 2 - 0.999 * 2  # of two square metres a thousandth stays
    assert got == pytest.approx(0.01 / left + 2 * np.log(left), rel=1e-6)


def test_marks_that_join_count_their_looks_and_keep_the_known_kind():
    rows = random_rows(3, 4)
    bars = Bars(i32(0, 2, 0, 2), *[np.zeros(4, np.int32)] * 2, *[np.empty((0, 2), np.int64)] * 2)
    marks = _Marks(rows, bars)
    a, b = i32(0, 2), i32(1, 3)
    assert marks.compatible(i32(0, 1, 1), i32(1, 2, 3)).all()
    marks.put(a, b, marks.pair(a, b, np.zeros(2)))
    assert marks.n.tolist() == [2, 1, 2, 1]
    assert marks.kind.tolist() == [2, 2, 2, 2]
    marks.kind[:] = [1, 2, 3, 0]
    assert marks.compatible(i32(0, 0, 3), i32(1, 3, 2)).tolist() == [False, True, True]


@pytest.mark.parametrize("seed", range(4))
def test_pairs_go_over_to_marks_and_equal_ones_are_summed(seed):
    rng = np.random.default_rng(seed)
    a, b = rng.integers(0, 12, (2, 40))
    to, shared, weight = rng.integers(0, 6, 12), rng.random(40), rng.random(12)
    want = {}
    for i, j, s in zip(a, b, shared, strict=True):
        key = (min(to[i], to[j]), max(to[i], to[j]))
        if key[0] != key[1]:
            want[key] = want.get(key, 0.0) + s * weight[i] * weight[j]
    ga, gb, gs = _relabel(a, b, shared, to, weight)
    assert list(zip(ga.tolist(), gb.tolist(), strict=True)) == sorted(want)
    np.testing.assert_allclose(gs, [want[k] for k in sorted(want)])
    for part in _relabel(a[:0], b[:0], shared[:0], to, weight):
        assert len(part) == 0


def test_two_names_of_one_scope_in_a_mark_are_found():
    mark = np.array([0, 0, 1, 1, 2, 2, 3, 3])
    scope, name = i32(5, 5, 5, 6, 5, 5, 5, 5), i32(1, 2, 1, 2, 1, 1, 0, 2)
    assert _named_twice(mark, scope, name).tolist() == [0]
    assert _named_twice(mark, scope, 0 * name).size == 0


@pytest.mark.parametrize(("waiting", "pairs"), [(15, 0), (16, 8), (17, 8), (40, 20)])
def test_a_crowd_of_sixteen_or_more_joins_two_and_two(waiting, pairs):
    """All wait for mark 0; they may join where they pass with each other."""
    n = waiting + 1
    i, j = np.triu_indices(n, 1)
    score = np.where(i == 0, 1.0, 5.0)
    none = i32()
    out = _crowded(i, j, score, none, none, n)
    assert len(out) == pairs
    both = np.concatenate([i[out], j[out]])
    assert len(set(both.tolist())) == 2 * pairs
    assert 0 not in both
    # The one that joins the hub now waits no longer.
    out = _crowded(i, j, score, i32(0), i32(1), n)
    assert len(out) == (waiting - 1) // 2 * (waiting > 16)
    assert 1 not in [*i[out], *j[out]]


def test_where_trips_sit_is_taken_off_by_each_looks_own_part():
    """A trip 4 m east, 3 m south by looks of 2 m: one of 1 m moves half of that."""
    looks = looks_from([0.0, 50.0], 0.0, trip="a", boat="Tern", shared_sigma_m=[2.0, 1.0],
                       boat_sigma_m=1.0)  # fmt: skip
    one = np.ones(1)
    sitting = Sitting(4.0 * one, -3.0 * one, 0.25 * one, np.array([0]), 0.7 * one, 2.0 * one,
                      one, np.array([2]))  # fmt: skip
    none = i32()
    plain, seated = lay_out(looks, none, none), lay_out(looks, none, none, sitting)
    part = looks.shared / 2.0
    np.testing.assert_allclose(plain.rows.x - seated.rows.x, 4.0 * part, atol=1e-4)
    np.testing.assert_allclose(plain.rows.y - seated.rows.y, -3.0 * part, atol=1e-4)
    np.testing.assert_allclose(seated.rows.shared, 0.25 * looks.shared)
    np.testing.assert_allclose(seated.rows.boat_sigma, 0.7)
    np.testing.assert_allclose(seated.widest, 4.0 + (0.25 * looks.shared) ** 2 + 0.49)
    np.testing.assert_allclose(plain.widest, 4.0 + looks.shared**2 + 1.0)


def test_widest_is_the_largest_eigenvalue():
    looks = looks_from(0.0, 0.0, var_east_m2=9.0, var_north_m2=4.0, cov_east_north_m2=-3.0,
                       shared_sigma_m=2.0, boat_sigma_m=1.0)  # fmt: skip
    want = np.linalg.eigvalsh([[9.0, -3.0], [-3.0, 4.0]])[1] + 4.0 + 1.0
    assert lay_out(looks, i32(), i32()).widest[0] == pytest.approx(want)


@pytest.mark.parametrize("across", [10e3, 400e3])
def test_near_looks_lie_as_far_apart_in_their_plane_as_on_earth(across):
    """Witness: geodesics. Within 100 km one plane serves, short by 5 mm in 40 m; beyond, many."""
    east = np.concatenate(
        [[0, 30.0], [across / 2, across / 2 + 30], [-across / 2, 30 - across / 2]]
    )
    s = canonical(looks_at(east, [0.0, 15.0] * 3))[0]
    looks = looks_of(s)
    a, b = candidate_pairs(looks, LIMIT, 40.0, tree_of(looks))
    assert len(a) == 3
    rows = lay_out(looks, a, b).rows
    distance = GEOD.inv(s.lon[a], s.lat[a], s.lon[b], s.lat[b])[2]
    got = np.hypot(rows.x[a] - rows.x[b], rows.y[a] - rows.y[b])
    np.testing.assert_allclose(got, distance, atol=0.002)


def test_inside_says_which_pairs_pass_the_gate_names_and_kinds_aside():
    edge = np.sqrt(LIMIT * 8.0)
    looks = looks_from([0.0, edge - 0.01, 300.0, 300.0 + edge + 0.01], 0.0)
    a, b = candidate_pairs(looks, LIMIT, 40.0, tree_of(looks))
    none, pairs = np.zeros(4, np.int32), np.empty((0, 2), np.int64)
    for kind in (none, i32(1, 2, 1, 2)):
        bars = Bars(kind, none, none, pairs, pairs)
        label, inside = grow(lay_out(looks, a, b), a, b, limit=LIMIT, bars=bars)
        assert inside.sum() == 1
        assert len(set(label.tolist())) == (4 if kind.any() else 3)
