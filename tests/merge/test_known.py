"""A part of the sightings, with what is known of the trips, merges as all of them do.

More worlds, and the share of marks that agree: ``python tests/merge/measure_known.py``.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from looking import groups, looks_at
from measure_known import agreement
from nearby import about, closed, marks_of, pairs
from test_merge_invariants import motley, same
from worlds import ERRORS, GEOD, make_world

from athwart.errors import UsageError
from athwart.merge import TripSitting, merge, reach_of
from athwart.merge.cluster import _mutual, lay_out
from athwart.merge.gate import candidate_pairs, gate_limit, split_limit_for, tree_of
from athwart.merge.known import _carried_over
from athwart.merge.looks import canonical, looks_of
from athwart.merge.offset import Sitting
from athwart.tables import Sightings


def by_trip(merged):
    return {k.trip: k for k in merged.sittings}


def same_marks(one, two, ids):
    """Assert that the marks of some ids are the same, their places within a millimetre."""
    a, b = marks_of(one, ids), marks_of(two, ids)
    assert a.keys() == b.keys()
    for mark, (mark_id, lon, lat, r95) in a.items():
        other = b[mark]
        assert other[0] == mark_id
        assert GEOD.inv(lon, lat, *other[1:3])[2] < 1e-3
        assert other[3] == pytest.approx(r95, abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 10**6),
    st.sampled_from([20.0, 100.0, 400.0]),
    st.sampled_from(list(ERRORS)),
    st.sampled_from([0.0, 1.0]),
    st.booleans(),
    st.booleans(),
)
def test_a_closed_part_gives_the_marks_of_the_whole(seed, density, errors, boat, off, uneven):
    world = make_world(
        seed,
        density=density,
        targets=200,
        errors=ERRORS[errors],
        boat=boat,
        shift=(1, 30.0, 20.0) if off else None,
    )
    rng = np.random.default_rng(seed)
    s = world.sightings
    if uneven:
        s = s.with_columns(shared_sigma_m=rng.uniform(1.0, 4.0, len(s)))
    whole = merge(s)
    near = closed(s, rng.random(len(s)) < 0.03)
    part = s.take(rng.permutation(np.flatnonzero(near)))
    found = merge(part, known=whole.sittings)
    same_marks(whole, found, s.sighting_id[near])
    assert found.sittings == whole.sittings
    assert found.report.offsets == tuple(
        o for o in whole.report.offsets if o.trip in set(part.trip)
    )


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([20.0, 100.0]))
def test_the_same_with_names_kinds_boats_and_rows_without_trip_or_time(seed, density):
    s = motley(seed, density)
    whole = merge(s)
    # A row is given back with the trip and the boat that it was taken to have.
    s = whole.sightings.with_columns(trip=whole.trips, boat=whole.boats)
    near = closed(s, np.random.default_rng(seed).random(len(s)) < 0.1)
    same(whole, merge(s), "trip", "boat")
    found = merge(s.take(near), known=whole.sittings)
    same_marks(whole, found, s.sighting_id[near])


@pytest.mark.parametrize("density", [20, 100])
@pytest.mark.parametrize("errors", ERRORS)
def test_a_new_trip_is_merged_as_from_nothing(errors, density):
    rows = np.array(
        [
            agreement(
                make_world(70 + k, density=density, targets=200, errors=ERRORS[errors], trips=3 + k)
            )
            for k in range(4)
        ]
    )
    total = rows[:, :4].sum(axis=0)
    assert total[0] / total[1] > 0.97
    assert total[2] / total[3] > 0.97
    assert np.nanmax(rows[:, 4]) < 0.5


def test_the_second_trip_of_all_is_laid_against_the_first():
    world = make_world(5, targets=200, trips=2, density=50)
    s = world.sightings
    old = merge(s.take(s.trip == "trip 0"))
    assert [k.group for k in old.sittings] == [""]
    found, whole = merge(s, known=old.sittings), merge(s)
    assert groups(found) == groups(whole)
    for one, two in zip(found.sittings, whole.sittings, strict=True):
        assert one.group == two.group == "trip 0 (Tern)"
        assert (one.east_m, one.north_m) == pytest.approx((two.east_m, two.north_m), abs=0.2)
        assert one.part == pytest.approx(two.part, abs=0.02)


def test_new_trips_that_meet_no_old_one_make_a_group_of_their_own():
    here = make_world(5, targets=150, trips=2).sightings
    there = make_world(6, targets=150, trips=2, origin=(-30.2, 44.4)).sightings
    there = there.with_columns(
        trip=np.array([f"far {t}" for t in there.trip], dtype=object),
        sighting_id=np.array([f"f{i}" for i in there.sighting_id], dtype=object),
    )
    old = merge(here)
    found = merge(there, known=old.sittings)
    alone = merge(there)
    assert groups(found) == groups(alone)
    assert {k.trip: k.group for k in found.sittings} == {
        "trip 0": "trip 0 (Tern)",
        "trip 1": "trip 0 (Tern)",
        "far trip 0": "far trip 0 (Tern)",
        "far trip 1": "far trip 0 (Tern)",
    }
    assert found.sittings[:2] == alone.sittings
    assert found.sittings[2:] == old.sittings


def test_a_trip_that_joins_is_as_sure_of_its_place_as_it_says():
    misses = []
    for seed in range(20):
        world = make_world(seed, density=100, targets=200, trips=4)
        s = world.sightings
        old = merge(s.take(s.trip != "trip 0"))
        k = by_trip(merge(s, known=old.sittings))
        miss = {
            t: np.array([v.east_m, v.north_m]) - world.trip_error[int(t.split()[1])]
            for t, v in k.items()
            if v.group
        }
        if "trip 0" in miss and len(miss) > 1:
            frame = np.mean([v for t, v in miss.items() if t != "trip 0"], axis=0)
            misses.append((miss["trip 0"] - frame) / (2.5 * k["trip 0"].part))
    assert len(misses) > 15
    assert 0.7 < np.std(misses) < 1.15


@pytest.mark.parametrize("density", [5, 20, 100])
def test_a_new_trip_forty_metres_off_is_found(density):
    for seed in range(4):
        way = np.random.default_rng(seed).uniform(0, 2 * np.pi)
        shift = (2, 40 * np.sin(way), 40 * np.cos(way))
        world = make_world(seed, density=density, targets=200, trips=4, shift=shift)
        s = world.sightings
        new = s.trip == "trip 2"
        old = merge(s.take(~new))
        near = closed(s, new) | about(s, new)
        found = merge(s.take(near), known=old.sittings)
        actual = world.trip_error[2] - np.delete(world.trip_error, 2, axis=0).mean(axis=0)
        (offset,) = found.report.offsets
        assert offset.trip == "trip 2"
        assert (offset.east_m, offset.north_m) == pytest.approx(actual, abs=2.0)
        assert offset.distance_m == pytest.approx(np.hypot(*actual), abs=2.0)
        assert by_trip(found)["trip 2"].off == offset
        assert not by_trip(found)["trip 2"].group
        assert [k for k in found.sittings if k.trip != "trip 2"] == list(old.sittings)
        # Once known to be off, it stays so, and no later trip is laid against it.
        again = merge(s.take(near), known=found.sittings)
        assert again.report.offsets == found.report.offsets
        assert again.sittings == found.sittings


def test_an_honest_new_trip_is_not_called_off():
    for seed in range(30):
        density, errors = (5, 20, 100)[seed % 3], ("2-5", "1-12")[seed % 2]
        s = make_world(seed, density=density, targets=120, errors=ERRORS[errors]).sightings
        old = merge(s.take(s.trip != "trip 0"))
        assert not merge(s, known=old.sittings).report.offsets


def test_a_moved_trip_stays_moved_in_a_part():
    world = make_world(3, targets=200, trips=4, shift=(1, 40.0, 0.0))
    s = world.sightings
    whole = merge(s, shift_trips=True)
    assert by_trip(whole)["trip 1"].off.distance_m == pytest.approx(40, abs=6)
    assert by_trip(whole)["trip 1"].group
    # A moved trip's sightings have neighbours where it is moved to: all of them are given here.
    found = merge(s, shift_trips=True, known=whole.sittings)
    assert found.report.shifted == whole.report.shifted
    assert found.sittings == whole.sittings
    same_marks(whole, found, s.sighting_id)


def test_an_old_trip_that_gains_sightings_is_left_out_and_found_anew():
    for seed in range(3):
        world = make_world(seed, density=100, targets=200, trips=4)
        s = world.sightings
        trip = s.trip == "trip 1"
        gained = trip & (np.random.default_rng(seed).random(len(s)) < 0.4)
        old = merge(s.take(~gained))
        rest = [k for k in old.sittings if k.trip != "trip 1"]
        near = closed(s, trip)
        found = merge(s.take(near | about(s, trip)), known=rest)
        whole = merge(s)
        assert by_trip(found)["trip 1"].looks == trip.sum()
        assert [k for k in found.sittings if k.trip != "trip 1"] == rest
        a, b = (set(marks_of(m, s.sighting_id[trip])) for m in (found, whole))
        assert len(a & b) > 0.97 * len(b)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([20.0, 100.0]))
def test_the_order_of_rows_and_of_what_is_known_does_not_matter(seed, density):
    s = make_world(seed, density=density, targets=60, trips=4).sightings
    known = merge(s.take(s.trip != "trip 0")).sittings
    rng = np.random.default_rng(seed)
    one = merge(s, known=known)
    two = merge(
        s.take(rng.permutation(len(s))), known=[known[k] for k in rng.permutation(len(known))]
    )
    same(one, two)
    assert one.sittings == two.sittings


def test_equal_sightings_join_alike_in_a_part():
    """Exact ties, as a plotter's rounded copies make them, must not hang on the other rows."""
    east = np.tile([0.0, 11.0, 22.0, 33.0, 44.0], 6)
    cross = looks_at(east, 0, trip=[f"t{k}" for k in range(30)])
    for seed in range(10):
        more = make_world(seed, targets=60, origin=(-31.25, 44.4)).sightings
        whole = merge(Sightings.concat([cross, more]))
        assert groups(merge(cross, known=whole.sittings)) <= groups(whole)


def test_what_is_known_of_other_trips_is_passed_on():
    s = make_world(1, targets=100, trips=3).sightings
    whole = merge(s)
    other = TripSitting("elsewhere", "Gull", 50, 2.5, 0.0, group="elsewhere", group_sigma_m=1.0)
    found = merge(s.take(s.trip == "trip 0"), known=[*whole.sittings, other])
    assert set(found.sittings) == {*whole.sittings, other}
    assert [k.trip for k in found.sittings] == ["elsewhere", "trip 0", "trip 1", "trip 2"]


def test_nothing_known_is_as_if_it_was_not_given():
    s = make_world(1, targets=100).sightings
    same(merge(s), merge(s, known=()))
    assert merge(s).sittings == merge(s, known=()).sittings


def test_a_group_s_new_name_is_not_that_of_another_group():
    s = make_world(1, targets=150, trips=2, density=50).sightings
    taken = TripSitting("old", "Tern", 50, 2.5, 0.0, group="trip 0 (Tern)", group_sigma_m=1.0)
    assert {k.group for k in merge(s, known=[taken]).sittings} == {"trip 0 (Tern)", "trip 1 (Tern)"}


def test_few_looks_and_few_trips_leave_nothing_to_keep():
    assert merge(looks_at([0, 5, 10], 0)).sittings == ()
    (kept,) = merge(looks_at(np.arange(6) * 9.0, 0, trip="one", shared_sigma_m=2.0)).sittings
    assert kept == TripSitting("one", "", 6, pytest.approx(2.0), 0.0)


def test_a_trip_known_twice_is_refused():
    s = make_world(1, targets=60).sightings
    known = merge(s).sittings
    with pytest.raises(UsageError, match="trip 'trip 0' is given twice"):
        merge(s, known=[*known, known[0]])


@pytest.mark.parametrize(
    "change",
    [{"east_m": np.nan}, {"part": 0.0}, {"part": 1.5}, {"group_sigma_m": -1.0}, {"looks": -1}],
)
def test_what_no_merge_finds_is_refused(change):
    s = make_world(1, targets=60).sightings
    first = replace(merge(s).sittings[0], **change)
    with pytest.raises(UsageError, match="known of trip 'trip 0' cannot be"):
        merge(s, known=[first])


@pytest.mark.parametrize("gate", [0.5, 0.999])
def test_every_candidate_pair_lies_within_the_wider_reach(gate):
    world = make_world(4, targets=150, density=400, errors=(1.0, 12.0), boat=2.0)
    s, _, _ = canonical(world.sightings)
    rng = np.random.default_rng(4)
    s = s.with_columns(
        var_east_m2=s.var_east_m2 * np.where(rng.random(len(s)) < 0.1, 9.0, 1.0),
        boat_sigma_m=np.where(rng.random(len(s)) < 0.5, np.nan, 2.0),
    )
    looks = looks_of(s)
    first, second = candidate_pairs(looks, gate_limit(gate), 25.0, tree_of(looks))
    i, j = pairs(s, gate, 25.0)
    within = set(zip(np.minimum(i, j).tolist(), np.maximum(i, j).tolist(), strict=True))
    assert set(zip(first.tolist(), second.tolist(), strict=True)) <= within


def test_reach_is_by_hand_that_of_the_chi_square_point():
    """13.8155 is the 0.999 point of chi-square with two degrees of freedom (any table)."""
    s = looks_at([0, 0], [0, 9], var_east_m2=[100.0, 4.0], shared_sigma_m=np.nan)
    assert reach_of(s) == pytest.approx([np.sqrt(2 * 13.8155 * 100.0), 40.0], abs=1e-3)
    with pytest.raises(UsageError, match="cannot be; it is a probability"):
        reach_of(s, gate=1.0)


@pytest.mark.parametrize("gate", [0.3, 0.9, 0.999])
def test_a_mark_s_limit_does_not_hang_on_the_other_marks_sizes(gate):
    limit = gate_limit(gate)
    n = np.arange(2, 40)
    alone = np.array([split_limit_for(limit, n[k : k + 1])[0] for k in range(len(n))])
    assert np.array_equal(alone, split_limit_for(limit, n))


def test_a_group_s_trips_stand_together_in_a_mark():
    """A trip of the boat that is in no group must not part the group's trips into two boats."""
    s = looks_at(
        np.zeros(3), 0, trip=["a", "b", "c"], boat="Tern", boat_sigma_m=1.0, shared_sigma_m=2.0
    )
    looks = looks_of(canonical(s)[0])
    size = np.ones(3, dtype=np.int64)
    zero = np.zeros(3)
    sitting = Sitting(
        zero, zero, np.full(3, 0.5), np.array([0, -1, 0]), zero + 1, zero + 2, zero + 1, size
    )
    none = np.empty(0, np.int32)
    rows = lay_out(looks, none, none, sitting).rows
    boats = rows.boat[np.argsort(rows.trip)]
    assert (np.diff(boats) >= 0).all()
    assert len(set(boats.tolist())) == 2


def test_of_equal_pairs_the_first_by_place_join_however_they_are_listed():
    pair = np.array([(0, 1), (0, 2), (1, 2), (2, 3), (4, 5), (5, 6)])
    best, lead = np.full(7, np.inf), np.full(7, np.iinfo(np.int64).max)
    for seed in range(20):
        a, b = pair[np.random.default_rng(seed).permutation(len(pair))].T
        won = _mutual(a, b, np.ones(len(a)), best, lead)
        assert set(zip(a[won].tolist(), b[won].tolist(), strict=True)) == {(0, 1), (4, 5)}


def test_a_new_trip_is_not_laid_against_one_that_is_off():
    world = make_world(8, targets=200, trips=4, density=50, shift=(1, 40.0, 0.0))
    s = world.sightings
    old = merge(s.take(s.trip != "trip 0"))
    assert by_trip(old)["trip 1"].off
    with_it = merge(s, known=old.sittings)
    without = merge(s.take(s.trip != "trip 1"), known=old.sittings)
    assert with_it.sittings == without.sittings
    assert with_it.report.offsets == old.report.offsets
    assert not without.report.offsets


def test_a_known_trip_in_no_group_stays_so_until_a_new_trip_comes():
    s = make_world(8, targets=200, trips=4, density=50).sightings
    known = [
        replace(k, group="", part=1.0, east_m=0.0, north_m=0.0, group_sigma_m=0.0)
        if k.trip == "trip 1"
        else k
        for k in merge(s.take(s.trip != "trip 0")).sittings
    ]
    old = s.take(s.trip != "trip 0")
    assert list(merge(old, known=known).sittings) == known
    found = by_trip(merge(s, known=known))
    assert found["trip 1"].group == found["trip 0"].group == known[1].group
    assert found["trip 1"].part < 0.5


def test_an_unsure_group_leaves_a_new_trip_less_sure():
    s = make_world(8, targets=200, trips=3, density=50).sightings
    known = merge(s.take(s.trip != "trip 0")).sittings
    parts = [
        by_trip(merge(s, known=[replace(k, group_sigma_m=g) for k in known]))["trip 0"].part
        for g in (0.1, 20.0)
    ]
    assert parts[0] < parts[1]


def test_what_old_trips_own_errors_carry_over_is_as_drawn_at_random():
    """Against draws: the errors of a group's trips against their own mean, weighted."""
    rng = np.random.default_rng(3)
    weights = np.array([[1.0, 0.0, 0.0], [0.4, 0.3, 0.3], [0.6, 0.3, 0.0]])
    one = np.ones(3)
    sitting = Sitting(
        0 * one, 0 * one, 0.5 * one, np.full(3, 3), one, one, 0 * one, one, group_names={3: "g"}
    )
    for members in (3, 6):
        known = {
            (f"t{k}", ""): TripSitting(f"t{k}", "", 9, 2.0, 0.0, group="g") for k in range(members)
        }
        drawn = rng.normal(0, 1, (200_000, members))
        drawn -= drawn.mean(axis=1, keepdims=True)
        drawn *= 0.5 * 2.0 / drawn.std(axis=0)  # part times the stated error: 1 m each
        there = (drawn[:, :3] @ weights.T).var(axis=0)
        assert _carried_over(weights, sitting, 4 * one, known) == pytest.approx(there, rel=0.02)


def test_a_new_trip_that_meets_only_one_that_is_off_is_not_judged_by_it():
    world = make_world(8, targets=200, trips=4, density=50, shift=(1, 40.0, 0.0))
    s = world.sightings
    old = merge(s.take(s.trip != "trip 0"))
    found = merge(s.take((s.trip == "trip 0") | (s.trip == "trip 1")), known=old.sittings)
    assert found.report.offsets == old.report.offsets
    assert by_trip(found)["trip 0"].group == ""
