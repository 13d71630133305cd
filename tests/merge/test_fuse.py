"""Fusion against published sums, and against the full joint covariance written out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from looking import looks_at, metres_from

from athwart.merge import merge
from athwart.merge.fuse import Rows, fuse, residual_squared


def rows_of(x, y, see, snn, sen=0.0, shared=0.0, boat_sigma=0.0, trip=None, boat=0):
    n = len(x)
    full = [np.broadcast_to(np.asarray(v, float), n).copy() for v in (x, y, see, snn, sen)]
    common = [np.broadcast_to(np.asarray(v, float), n).copy() for v in (shared, boat_sigma)]
    codes = [
        np.broadcast_to(np.asarray(v), n).astype(np.int32)
        for v in (np.arange(n) if trip is None else trip, boat)
    ]
    return Rows(*full, *common, *codes)


def one(rows):
    return fuse(rows, np.zeros(len(rows.x), dtype=np.int32))


def test_two_independent_looks():
    # Inputs: the worked case of a public multi-object tracker (fuser.cpp; READ). Outputs from
    # P = (P1^-1 + P2^-1)^-1 (BMVA fusion tutorial, CVonline; READ), computed.
    f = one(rows_of([100, 102], [50, 49], [4, 9], [9, 4]))
    assert (f.x[0], f.y[0]) == pytest.approx((100.615385, 49.307692), abs=1e-6)
    assert (f.see[0], f.snn[0], f.sen[0]) == pytest.approx((2.769231, 2.769231, 0), abs=1e-6)
    assert f.squared[0] == pytest.approx(0.384615, abs=1e-6)


@pytest.mark.parametrize(
    ("values", "sigmas", "mean", "sigma", "chi2"),
    [
        # J. R. Taylor, An Introduction to Error Analysis, chapter 7: 11.4 +/- 0.7 (FROM MEMORY)
        ([11, 12, 10], [1, 1, 3], 11.42, 0.69, 0.737),
        # The same rule, inputs from math.techqa.club (READ), output computed
        ([7, 9, 10], [1, 0.8, 0.7], 9.0089, 0.4661, 6.04),
    ],
)
def test_weighted_means(values, sigmas, mean, sigma, chi2):
    var = np.square(sigmas)
    for axis in ("east", "north"):
        zero = np.zeros(3)
        x, y = (values, zero) if axis == "east" else (zero, values)
        f = one(rows_of(x, y, var, var))
        got = (f.x[0], f.see[0]) if axis == "east" else (f.y[0], f.snn[0])
        assert got[0] == pytest.approx(mean, abs=5e-3)
        assert np.sqrt(got[1]) == pytest.approx(sigma, abs=5e-3)
        assert f.squared[0] == pytest.approx(chi2, abs=5e-3)


def test_taylors_second_case_fails_the_95_percent_gate():
    # chi-square 6.04 on two degrees of freedom, the table's 95 % point is 5.991
    var = np.square([1, 0.8, 0.7])
    assert one(rows_of([7, 9, 10], [0, 0, 0], var, var)).squared[0] > 5.991


def test_surveyors_weights():
    # J. Mahun, Error analysis, chapter G (READ): weights 2 and 1 give 242.180
    x = [242.15, 242.16, 242.14, 242.05, 242.29, 242.38]
    var = [0.5, 0.5, 0.5, 1, 1, 1]
    assert one(rows_of(x, np.zeros(6), var, var)).x[0] == pytest.approx(242.180, abs=5e-4)


def written_out(r):
    """Best linear unbiased estimate with the whole joint covariance."""
    n = len(r.x)
    c = np.zeros((2 * n, 2 * n))
    for i in range(n):
        for j in range(n):
            block = np.zeros((2, 2))
            if i == j:
                block += [[r.see[i], r.sen[i]], [r.sen[i], r.snn[i]]]
            if r.trip[i] == r.trip[j]:
                block += r.shared[i] * r.shared[j] * np.eye(2)
            if r.boat[i] == r.boat[j]:
                block += r.boat_sigma[i] * r.boat_sigma[j] * np.eye(2)
            c[2 * i : 2 * i + 2, 2 * j : 2 * j + 2] = block
    h = np.tile(np.eye(2), (n, 1))
    z = np.stack([r.x, r.y], axis=1).ravel()
    w = np.linalg.inv(c)
    p = np.linalg.inv(h.T @ w @ h)
    m = p @ h.T @ w @ z
    return m, p, float((z - h @ m) @ w @ (z - h @ m))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 9))
def test_closed_form_is_the_full_joint_covariance(seed, n):
    rng = np.random.default_rng(seed)
    trip = np.sort(rng.integers(0, 4, n))
    boat = trip // 2
    a, b, t = rng.uniform(0.5, 9, n), rng.uniform(0.5, 9, n), rng.uniform(-0.95, 0.95, n)
    r = rows_of(
        rng.normal(0, 8, n),
        rng.normal(0, 8, n),
        a,
        b,
        t * np.sqrt(a * b),
        shared=rng.uniform(0, 4, n),  # unequal within a trip: C_ij = S_i S_j I
        boat_sigma=(rng.uniform(0, 2, 2) * (rng.random(2) < 0.7))[boat],
        trip=trip,
        boat=boat,
    )
    m, p, squared = written_out(r)
    f = one(r)
    assert (f.x[0], f.y[0]) == pytest.approx(m, abs=1e-8)
    assert (f.see[0], f.snn[0], f.sen[0]) == pytest.approx((p[0, 0], p[1, 1], p[0, 1]), abs=1e-8)
    assert f.squared[0] == pytest.approx(squared, abs=1e-7)
    assert f.trips[0] == len(np.unique(trip))


def test_many_marks_at_once_are_the_marks_one_by_one():
    rng = np.random.default_rng(2)
    mark = np.repeat(np.arange(50), rng.integers(1, 7, 50)).astype(np.int32)
    n = len(mark)
    trip = rng.integers(0, 3, n)
    order = np.lexsort((trip, mark))
    trip = trip[order]
    r = rows_of(
        rng.normal(0, 5, n),
        rng.normal(0, 5, n),
        rng.uniform(1, 9, n),
        rng.uniform(1, 9, n),
        shared=2.5,
        boat_sigma=1.0,
        trip=trip,
    )
    together = fuse(r, mark)
    for k in range(50):
        some = np.flatnonzero(mark == k)
        alone = one(Rows(*(getattr(r, f)[some] for f in r.__dataclass_fields__)))
        for f in ("x", "y", "see", "snn", "sen", "squared"):
            assert getattr(together, f)[k] == pytest.approx(getattr(alone, f)[0], abs=1e-9)


def test_boats_error_is_never_averaged_away():
    many = rows_of(np.zeros(400), np.zeros(400), 4.0, 4.0, shared=2.5, boat_sigma=1.0)
    f = one(many)
    assert f.see[0] == pytest.approx(1.0 + (4.0 + 6.25) / 400)
    two_boats = rows_of(np.zeros(2), np.zeros(2), 1e-9, 1e-9, boat_sigma=1.0, boat=[0, 1])
    assert one(two_boats).see[0] == pytest.approx(0.5)


@pytest.mark.parametrize("size", [0.05, 1.0])
def test_a_boats_looks_all_carry_her_largest_error(size):
    """Written out with the largest for each; the residual's covariance is that of look less mark."""
    x, y = size * np.array([0.0, 3.0, 9.0]), size * np.array([0.0, 1.0, -4.0])
    own = size**2 * np.array([[4.0, 1.5], [1.5, 9.0]])
    boats = {"boat": [0, 0, 1], "shared": [0.0, size, size]}
    looks = (x, y, own[0, 0], own[1, 1], own[0, 1])
    r = rows_of(*looks, **boats, boat_sigma=size * np.array([0.0, 2.0, 1.0]))
    same = rows_of(*looks, **boats, boat_sigma=size * np.array([2.0, 2.0, 1.0]))
    m, p, squared = written_out(same)
    f = one(r)
    assert (f.x[0], f.y[0]) == pytest.approx(m, abs=1e-9)
    assert (f.see[0], f.sen[0], f.squared[0]) == pytest.approx((p[0, 0], p[0, 1], squared))
    got = residual_squared(r, f, np.zeros(3, np.int64))
    for k in range(3):
        d = np.array([r.x[k], r.y[k]]) - m
        look = own + (same.boat_sigma[k] ** 2 + same.shared[k] ** 2) * np.eye(2)
        assert got[k] == pytest.approx(d @ np.linalg.inv(look - p) @ d, rel=1e-6)


def test_a_look_that_fixes_its_mark_alone_leaves_no_residual():
    r = rows_of([5.0, 5.0], [1.0, 1.0], [1.0, 1e12], [1.0, 1e12])
    f = one(r)
    assert (residual_squared(r, f, np.zeros(2, np.int64)) < 1e-3).all()


def test_trips_error_is_not_averaged_within_the_trip():
    f = one(rows_of(np.zeros(100), np.zeros(100), 4.0, 4.0, shared=2.5, trip=0))
    assert f.see[0] == pytest.approx(6.25 + 0.04)


def test_residuals_have_the_covariance_they_are_tested_with():
    # 20,000 honest marks of three looks, two of them in one trip: each residual squared is
    # chi-square with two degrees of freedom, so 5 % exceed 5.99146.
    rng = np.random.default_rng(11)
    marks = 20_000
    var = np.tile([4.0, 9.0, 25.0], marks)
    trip = np.tile([0, 0, 1], marks)
    shared = np.repeat(rng.normal(0, 2.5, (marks, 2, 2)), [2, 1], axis=1).reshape(-1, 2)
    error = rng.normal(size=(3 * marks, 2)) * np.sqrt(var)[:, None] + shared
    r = rows_of(error[:, 0], error[:, 1], var, var, shared=2.5, trip=trip)
    mark = np.repeat(np.arange(marks), 3)
    f = fuse(r, mark)
    d = residual_squared(r, f, mark).reshape(marks, 3)
    assert (d > 5.99146).mean(axis=0) == pytest.approx([0.05] * 3, abs=0.005)
    assert f.squared.mean() == pytest.approx(4.0, abs=0.06)  # 2 n - 2 degrees of freedom


def test_scatter_enlarges_the_covariance_and_is_said():
    # Four looks 7 m from their middle with 2 m errors: r' C^-1 r = 4 * 49 / 4 over 6
    m = merge(looks_at([7, -7, 0, 0], [0, 0, 7, -7]), gate=1 - 1e-9)
    assert len(m.marks) == 1
    assert m.marks.scatter[0] == pytest.approx(49 / 6, rel=1e-4)
    assert m.marks.var_east_m2[0] == pytest.approx(49 / 6, rel=1e-4)
    assert next(m.report.scattered())["sentence"].startswith("The 4 sightings of mark s00 scatter")


def test_quiet_scatter_leaves_the_covariance_alone():
    m = merge(looks_at([1, -1], 0))
    assert m.marks.scatter[0] == pytest.approx(0.25, rel=1e-4)
    assert m.marks.var_east_m2[0] == pytest.approx(2.0)
    assert not len(m.report.inflated)


def test_one_look_has_no_scatter_and_keeps_its_place_exactly():
    s = looks_at([3.0], [4.0], shared_sigma_m=2.5, boat_sigma_m=1.0)
    m = merge(s)
    assert np.isnan(m.marks.scatter[0])
    assert (m.marks.lon[0], m.marks.lat[0]) == (s.lon[0], s.lat[0])
    assert m.marks.var_north_m2[0] == 4.0 + 6.25 + 1.0


@pytest.mark.parametrize("at", [(-31.2, 44.4), (180.0, 5.0), (33.0, 89.99999), (0.0, -90.0)])
def test_fused_place_lies_where_the_weights_put_it(at):
    m = merge(looks_at([4, 0], [0, 4], at=at, var_east_m2=[1.0, 3.0], var_north_m2=[1.0, 3.0]))
    assert len(m.marks) == 1
    if abs(at[1]) < 89:
        assert metres_from(m.marks.lon[0], m.marks.lat[0], at) == pytest.approx((3, 1), abs=2e-3)
    assert -180 <= m.marks.lon[0] < 180
