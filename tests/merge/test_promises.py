"""What merging promises, measured on invented worlds whose truth is known (`worlds.py`)."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from worlds import best_fixed_radius, make_world, oracle, pairwise_f1

from athwart.geometry.geodesic import displace, inverse
from athwart.merge import merge
from athwart.tables import Sightings

ERRORS = {"small": (2.0, 5.0), "wide": (1.0, 12.0)}


def labels(world, merged):
    """Return the mark of each sighting in the world's own order."""
    of = dict(zip(merged.sightings.sighting_id, merged.mark_of.tolist(), strict=True))
    return np.array([of[i] for i in world.sightings.sighting_id])


@pytest.mark.parametrize(
    ("density", "errors", "share"),
    [
        (5, "small", 0.99),
        (5, "wide", 0.99),
        (20, "small", 0.97),
        (100, "small", 0.97),
        (100, "wide", 0.94),
    ],
)
def test_pairs_found_as_a_share_of_an_oracles(density, errors, share):
    ours, best, radius = [], [], []
    for seed in (101, 102, 103, 104):
        world = make_world(seed, density=density, errors=ERRORS[errors], targets=300)
        f1 = pairwise_f1(labels(world, merge(world.sightings)), world.target)
        ours.append(f1)
        best.append(pairwise_f1(oracle(world), world.target))
        radius.append(best_fixed_radius(world)[0])
    # In a single sparse world one radius chosen with hindsight can be as good or better.
    assert np.mean(ours) > np.mean(radius) - (0.001 if density == 5 else 0.0)
    assert np.mean(ours) / np.mean(best) >= share


def test_r95_of_marks_holds_95_percent_of_the_truths():
    held = []
    for seed in range(24):
        world = make_world(seed, density=5, boat=1.0, targets=120)
        merged = merge(world.sightings.with_columns(boat_sigma_m=1.0, boat="one"))
        of = labels(world, merged)
        for mark in range(len(merged.marks)):
            targets = np.unique(world.target[of == mark])
            if len(targets) == 1:
                t = targets[0]
                _, off = inverse(
                    merged.marks.lon[mark], merged.marks.lat[mark],
                    world.target_lon[t], world.target_lat[t],
                )  # fmt: skip
                held.append(float(off) <= merged.marks.r95_m[mark])
    assert 0.93 <= np.mean(held) <= 0.97, np.mean(held)


@pytest.mark.parametrize("metres", [15.0, 40.0, 100.0])
def test_a_shifted_trip_is_found_with_its_distance(metres):
    for seed in range(8):
        a = np.radians(seed * 70.0)
        east, north = metres * np.sin(a), metres * np.cos(a)
        world = make_world(seed, targets=250, shift=(1, east, north))
        # The trip's own GNSS error is part of where it sits, and the others' mean is the place.
        error = np.delete(world.trip_error, 1, axis=0).mean(axis=0)
        want = np.hypot(*(world.trip_error[1] - error))
        offsets = merge(world.sightings).report.offsets
        if want >= 14.0:
            (offset,) = offsets
            assert offset.distance_m == pytest.approx(want, abs=2.0)


def test_no_trip_is_off_in_honest_worlds():
    for seed in range(100):
        world = make_world(1000 + seed, targets=80)
        assert merge(world.sightings).report.offsets == (), seed


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), parts=st.integers(1, 3))
def test_order_and_repetition_change_nothing(seed, parts):
    world = make_world(seed, density=60, targets=60)
    once = merge(world.sightings)
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(world.sightings))
    mixed = world.sightings.take(order)
    again = merge(Sightings.concat([mixed, *[once.sightings] * parts]))
    assert again.marks.mark_id.tolist() == once.marks.mark_id.tolist()
    assert again.marks.sighting_ids.tolist() == once.marks.sighting_ids.tolist()
    np.testing.assert_allclose(again.marks.lon, once.marks.lon, atol=1e-12)
    members = [i for ids in once.marks.sighting_ids for i in ids.split()]
    assert sorted(members) == sorted(world.sightings.sighting_id.tolist())


def look(label, east, north, cov, trip, *, shared=0.0, lon=10.0, lat=50.0, **rest):
    x, y = displace(lon, lat, east, north)
    return Sightings.from_columns(
        {
            "sighting_id": f"{label:0>20}", "trip": trip, "lon": x, "lat": y,
            "var_east_m2": cov[0], "var_north_m2": cov[1], "cov_east_north_m2": cov[2],
            "shared_sigma_m": shared, "boat_sigma_m": 0.0, "method": "waypoint", **rest,
        }
    )  # fmt: skip


def offsets_of(marks, lon=10.0, lat=50.0):
    bearing, distance = inverse(lon, lat, marks.lon, marks.lat)
    a = np.radians(bearing)
    return distance * np.sin(a), distance * np.cos(a)


def test_two_estimates_fuse_as_published():
    """x1 = (100, 50), P1 = diag(4, 9); x2 = (102, 49), P2 = diag(9, 4).

    Inputs read in a tracker's example (github berkaytrhn/multi-object-tracker); the result
    (100.615385, 49.307692), P = 2.769231 I is computed from inverse-covariance weights.
    """
    a, b = (
        look("a", 100.0, 50.0, (4.0, 9.0, 0.0), "x"),
        look("b", 102.0, 49.0, (9.0, 4.0, 0.0), "y"),
    )
    marks = merge(Sightings.concat([a, b])).marks
    assert len(marks) == 1
    east, north = offsets_of(marks)
    assert (east[0], north[0]) == pytest.approx((100.615385, 49.307692), abs=1e-4)
    got = (marks.var_east_m2[0], marks.var_north_m2[0], marks.cov_east_north_m2[0])
    assert got == pytest.approx((2.769231, 2.769231, 0.0), abs=1e-4)
    assert marks.scatter[0] == pytest.approx(0.384615 / 2, abs=1e-4)


def test_a_trips_shared_error_is_not_averaged_away():
    parts = [look(f"{i}", 0.0, 0.0, (9.0, 9.0, 0.0), "one", shared=2.5) for i in range(9)]
    marks = merge(Sightings.concat(parts)).marks
    assert marks.var_east_m2[0] == pytest.approx(9.0 / 9 + 2.5**2)
    two = [look(f"{i}", 0.0, 0.0, (9.0, 9.0, 0.0), f"t{i}", shared=2.5) for i in range(2)]
    assert merge(Sightings.concat(two)).marks.var_east_m2[0] == pytest.approx((9.0 + 6.25) / 2)


def test_the_gate_knows_what_trips_share():
    """A planted fault (shared error left out of the gate) must part these, or join those.

    Own errors 1 m, shared 2.5 m: 10 m apart is 2.6 sigma across trips and 7 within one.
    """

    def pair(trip):
        return Sightings.concat(
            [
                look("a", 0.0, 0.0, (1.0, 1.0, 0.0), "x", shared=2.5),
                look("b", 10.0, 0.0, (1.0, 1.0, 0.0), trip, shared=2.5),
            ]
        )

    assert len(merge(pair("y")).marks) == 1
    assert len(merge(pair("x")).marks) == 2


def test_an_ellipse_gates_along_its_own_axis():
    """A planted fault (east and north swapped) must part these."""
    long_north = (1.0, 100.0, 0.0)

    def pair(east, north):
        return merge(
            Sightings.concat(
                [look("a", 0.0, 0.0, long_north, "x"), look("b", east, north, long_north, "y")]
            )
        )

    assert len(pair(0.0, 20.0).marks) == 1
    assert len(pair(20.0, 0.0).marks) == 2


@pytest.mark.parametrize(("lon", "lat"), [(179.99999, 10.0), (0.0, 89.9999), (120.0, -89.99999)])
def test_merging_holds_at_the_date_line_and_the_poles(lon, lat):
    parts = [
        look(f"{i}", e, n, (9.0, 9.0, 0.0), f"t{i}", lon=lon, lat=lat)
        for i, (e, n) in enumerate([(-3.0, -3.0), (3.0, 0.0), (0.0, 3.0)])
    ]
    marks = merge(Sightings.concat(parts)).marks
    assert len(marks) == 1
    east, north = offsets_of(marks, lon, lat)
    assert (east[0], north[0]) == pytest.approx((0.0, 0.0), abs=0.01)


def test_kinds_and_typed_names_keep_things_apart_and_notes_are_kept():
    def pair(trip, a, b):
        return merge(
            Sightings.concat(
                [
                    look("a", 0.0, 0.0, (9.0, 9.0, 0.0), "x", **a),
                    look("b", 2.0, 0.0, (9.0, 9.0, 0.0), trip, **b),
                ]
            )
        )

    assert len(pair("y", {"kind": "wreck"}, {"kind": "weed"}).marks) == 2
    assert len(pair("x", {"name": "Big stone"}, {"name": "Small stone"}).marks) == 2
    both = pair(
        "y",
        {"kind": "rock", "name": "Anvil", "note": "snag", "hazard": True},
        {"kind": "reef", "name": "017", "note": "cod"},
    )
    assert len(both.marks) == 1
    assert both.marks.name[0] == "Anvil"
    assert bool(both.marks.hazard[0])
    assert "snag" in both.marks.note[0]
    assert "cod" in both.marks.note[0]
    assert list(both.report.kind_disagreements())


def test_nothing_and_one_thing():
    assert len(merge(Sightings.empty()).marks) == 0
    one = merge(look("a", 0.0, 0.0, (9.0, 9.0, 0.0), "x"))
    assert len(one.marks) == 1
    assert np.isnan(one.marks.scatter[0])
