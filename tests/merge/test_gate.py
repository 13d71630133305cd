"""The gate against the chi-square table, and separations against geodesics."""

import numpy as np
import pytest
from looking import groups, looks_at
from worlds import GEOD, make_world

from athwart.errors import UsageError
from athwart.merge import merge
from athwart.merge.gate import candidate_pairs, gate_limit, limit_for, tree_of
from athwart.merge.looks import looks_of
from athwart.merge.offset import separation


# Chi-square with two degrees of freedom, percentage points as printed in statistical tables
# (a scanned table at exampapers.nust.na; READ).
@pytest.mark.parametrize(
    ("probability", "point"), [(0.95, 5.99146), (0.99, 9.21034), (0.90, 4.60517), (0.50, 1.38629)]
)
def test_limit_is_the_tables_chi_square_point(probability, point):
    assert gate_limit(probability) == pytest.approx(point, abs=5e-6)


def test_default_limit_is_the_999_point():
    from scipy.special import chdtri

    assert gate_limit(0.999) == pytest.approx(float(chdtri(2, 0.001)), abs=1e-9)


def test_tests_of_a_large_mark_share_the_gates_chance():
    # 1 - (1 - 0.999) / 4 for a mark of five: chance 0.00025, chi-square point -2 ln 0.00025.
    limits = limit_for(gate_limit(0.999), np.array([2, 3, 5], dtype=np.int32))
    assert limits == pytest.approx([13.8155, -2 * np.log(0.0005), -2 * np.log(0.00025)], abs=1e-4)


@pytest.mark.parametrize("gate", [0.0, 1.0, -1.0, float("nan")])
def test_gate_out_of_range_is_refused(gate):
    with pytest.raises(UsageError, match="probability between 0 and 1"):
        merge(looks_at([0, 5], 0), gate=gate)


@pytest.mark.parametrize("reach", [0.0, -4.0, float("inf"), float("nan")])
def test_reach_out_of_range_is_refused(reach):
    with pytest.raises(UsageError, match="reach"):
        merge(looks_at([0, 5], 0), reach_m=reach)


@pytest.mark.parametrize("at", [(-31.2, 44.4), (180.0, -12.0), (12.0, 89.9999), (12.0, -89.9995)])
def test_separation_is_the_geodesic(at):
    rng = np.random.default_rng(5)
    s = looks_at(rng.uniform(-60, 60, 40), rng.uniform(-60, 60, 40), at=at)
    i, j = (np.arange(39, dtype=np.int32), np.arange(1, 40, dtype=np.int32))
    east, north, *_ = separation(looks_of(s), i, j)
    azimuth, _, distance = GEOD.inv(s.lon[i], s.lat[i], s.lon[j], s.lat[j])
    assert np.hypot(east, north) == pytest.approx(distance, abs=1e-3)
    turn = (np.degrees(np.arctan2(east, north)) - azimuth + 180) % 360 - 180
    assert np.abs(turn * np.radians(1) * distance).max() < 2e-3


def test_shared_error_counts_across_trips_and_cancels_within():
    # 14 m apart, own error 2 m: 14^2 / 8 = 24.5 without the trips' 2.5 m, 14^2 / 20.5 = 9.6 with.
    two = looks_at([0, 14], 0, shared_sigma_m=2.5)
    assert len(merge(two).marks) == 1
    assert len(merge(two.with_columns(trip="one")).marks) == 2


def test_boats_error_counts_across_boats_only():
    # 12 m apart: 144 / 8 = 18 in one boat, 144 / (8 + 2 * 9) = 5.5 in two.
    one = looks_at([0, 12], 0, boat="Tern", boat_sigma_m=3.0)
    assert len(merge(one).marks) == 2
    assert len(merge(one.with_columns(boat=["Tern", "Gull"])).marks) == 1


def test_long_axis_of_the_error_points_the_right_way():
    # 1 m east, 8 m north: 15 m north is 1.3 sigma of the difference, 15 m east is 10.6.
    wide_north = {"var_east_m2": 1.0, "var_north_m2": 64.0}
    assert len(merge(looks_at(0, [0, 15], **wide_north)).marks) == 1
    assert len(merge(looks_at([0, 15], 0, **wide_north)).marks) == 2


def test_covariance_turns_with_the_ellipse():
    # Long axis to the north-east: a partner there folds, one to the north-west does not.
    leaning = {"var_east_m2": 32.5, "var_north_m2": 32.5, "cov_east_north_m2": 31.5}
    assert len(merge(looks_at([0, 11], [0, 11], **leaning)).marks) == 1
    assert len(merge(looks_at([0, -11], [0, 11], **leaning)).marks) == 2


def test_just_inside_and_just_outside_the_gate():
    edge = np.sqrt(gate_limit(0.999) * 8.0)
    assert len(merge(looks_at([0, edge - 0.01], 0)).marks) == 1
    assert len(merge(looks_at([0, edge + 0.01], 0)).marks) == 2


def test_large_errors_reach_beyond_the_reach():
    far = looks_at([0, 90], 0, var_east_m2=400.0, var_north_m2=400.0)
    assert len(merge(far).marks) == 1
    precise = looks_at([0, 70], 0, var_east_m2=[400.0, 1.0], var_north_m2=[400.0, 1.0])
    assert len(merge(precise).marks) == 1


def test_every_near_pair_is_found_once():
    rng = np.random.default_rng(8)
    sigma = rng.choice([2.0, 30.0], 120)
    s = looks_at(
        rng.uniform(-200, 200, 120),
        rng.uniform(-200, 200, 120),
        ids=[f"s{i:03d}" for i in range(120)],
        var_east_m2=sigma**2,
        var_north_m2=sigma**2,
        trip=[f"t{i}" for i in range(120)],
    )
    looks = looks_of(s)
    limit = gate_limit(0.999)
    a, b = candidate_pairs(looks, limit, 40.0, tree_of(looks))
    i, j = np.triu_indices(120, 1)
    distance = GEOD.inv(s.lon[i], s.lat[i], s.lon[j], s.lat[j])[2]
    near = distance <= np.maximum(40.0, np.sqrt(limit * (sigma[i] ** 2 + sigma[j] ** 2)))
    assert sorted(zip(a.tolist(), b.tolist(), strict=True)) == list(
        zip(i[near].tolist(), j[near].tolist(), strict=True)
    )


def carried(world, origin):
    """Lay a world's plane about another place, its covariances turned to each look's own east."""
    s, e, n = world.sightings, world.east, world.north
    start = np.degrees(np.arctan2(e, n))
    lon, lat, back = GEOD.fwd(
        np.full(len(s), origin[0]), np.full(len(s), origin[1]), start, np.hypot(e, n)
    )
    # A direction's azimuth changes along the way by as much as the geodesic's own does.
    turn = np.radians(np.asarray(back) + 180.0 - start)
    c, k = np.cos(turn), np.sin(turn)
    cov = np.array([[s.var_east_m2, s.cov_east_north_m2], [s.cov_east_north_m2, s.var_north_m2]])
    r = np.array([[c, k], [-k, c]])  # azimuth + turn: east' = c east + k north
    there = np.einsum("ijn,jkn,lkn->iln", r, cov, r)
    return s.with_columns(
        lon=(np.asarray(lon) + 180.0) % 360.0 - 180.0,
        lat=lat,
        var_east_m2=there[0, 0],
        var_north_m2=there[1, 1],
        cov_east_north_m2=there[0, 1],
    )


@pytest.mark.parametrize(
    "origin", [(10.0, 89.9995), (180.0, 0.5), (-75.0, -89.9999), (20.0, 90.0), (-179.9999, 62.0)]
)
def test_the_same_water_merges_alike_at_the_poles_and_across_the_180th_meridian(origin):
    # Few things and no trip errors, so that only the geometry is under test.
    world = make_world(3, density=100, targets=60, shared=0.0)
    here, there = merge(carried(world, (0.0, 0.0))), merge(carried(world, origin))
    assert groups(there) == groups(here)
    assert np.sort(there.marks.r95_m) == pytest.approx(np.sort(here.marks.r95_m), rel=1e-4)
