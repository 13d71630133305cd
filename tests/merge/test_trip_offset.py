"""A trip that sits off the others: found, measured, shifted on request, and never invented."""

import numpy as np
import pytest
from looking import looks_at
from worlds import ERRORS, make_world, pairwise_f1

from athwart.errors import UsageError
from athwart.merge import merge
from athwart.merge.gate import tree_of
from athwart.merge.looks import canonical, looks_of
from athwart.merge.offset import sitting_of


def sit(world):
    looks = looks_of(canonical(world.sightings)[0])
    return sitting_of(looks, tree_of(looks))


def shifted_world(seed, metres, *, errors="2-5", density=20.0, targets=200):
    trips = 3 + seed % 4
    off = seed % trips
    way = np.random.default_rng(seed).uniform(0, 2 * np.pi)
    shift = (off, metres * np.sin(way), metres * np.cos(way))
    world = make_world(
        seed, density=density, targets=targets, errors=ERRORS[errors], trips=trips, shift=shift
    )
    # What can be found: the trip's whole error against the mean of the others'.
    actual = world.trip_error[off] - np.delete(world.trip_error, off, axis=0).mean(axis=0)
    return world, f"trip {off}", actual


@pytest.mark.parametrize("density", [5, 100])
@pytest.mark.parametrize("errors", ERRORS)
@pytest.mark.parametrize("metres", [15, 40, 100])
def test_a_shifted_trip_is_found_within_two_metres(metres, errors, density):
    for seed in range(6):
        world, trip, actual = shifted_world(seed, metres, errors=errors, density=density)
        if np.hypot(*actual) < 14.0:
            continue  # its own GNSS error has brought the trip back towards the others
        (offset,) = sit(world).offsets
        assert offset.trip == trip
        assert offset.distance_m == pytest.approx(np.hypot(*actual), abs=2.0)
        assert (offset.east_m, offset.north_m) == pytest.approx(actual, abs=2.0)
        assert np.degrees(np.arctan2(*actual)) % 360 == pytest.approx(offset.bearing_deg, abs=8)
        assert offset.support > 50


def test_five_metres_are_within_what_gnss_explains():
    for seed in range(6):
        assert not sit(shifted_world(seed, 5)[0]).offsets


def test_none_is_invented_in_honest_worlds():
    for seed in range(100):
        density = (5, 20, 100)[seed % 3]
        errors = ERRORS["2-5" if seed % 2 else "1-12"]
        assert not sit(make_world(seed, density=density, targets=120, errors=errors)).offsets


def test_the_farther_of_two_shifted_trips_comes_first():
    a = make_world(4, targets=200, trips=6, shift=(2, 60.0, 0.0))
    s = a.sightings
    moved = s.lat - np.where(s.trip == "trip 5", 30.0 / 111_200.0, 0.0)
    looks = looks_of(canonical(s.with_columns(lat=moved))[0])
    assert [o.trip for o in sitting_of(looks, tree_of(looks)).offsets] == ["trip 2", "trip 5"]


def test_it_is_reported_and_shifted_only_on_request():
    world, trip, _ = shifted_world(1, 40)
    plain = merge(world.sightings)
    record = next(plain.report.trips_off("feet"))
    assert record["trip"] == trip
    assert not record["shifted"]
    assert "off the others" in record["sentence"]
    assert " ft " in record["sentence"]
    moved = merge(world.sightings, shift_trips=True)
    record = next(moved.report.trips_off())
    assert record["shifted"]
    assert record["sentence"].endswith("it was moved onto them.")
    assert len(moved.marks) < len(plain.marks)

    def f1(m):
        at = dict(zip(m.sightings.sighting_id, m.mark_of, strict=True))
        return pairwise_f1(np.array([at[i] for i in world.sightings.sighting_id]), world.target)

    assert f1(moved) > 0.98 > f1(plain)
    # The sightings themselves stay as they were.
    assert np.array_equal(np.sort(moved.sightings.lon), np.sort(world.sightings.lon))


def test_a_trip_is_shifted_by_what_the_user_says():
    s = looks_at([0, 30], 0)
    m = merge(s, shift_trips={"trip 1": (30.0, 0.0)})
    assert len(m.marks) == 1
    assert m.report.shifted == {"trip 1": (30.0, 0.0)}


def test_a_trip_that_the_user_does_not_name_stays_to_the_last_digit():
    s = looks_at([0, 300], 0)
    m = merge(s, shift_trips={"trip 1": (30.0, 0.0)})
    at = np.argsort(m.marks.sighting_ids)
    same = (m.marks.lon[at] == s.lon) & (m.marks.lat[at] == s.lat)
    assert same.tolist() == [True, False]


def test_shifting_an_unknown_trip_is_refused():
    with pytest.raises(UsageError, match="there is no trip 'trip 9' to shift"):
        merge(looks_at([0, 30], 0), shift_trips={"trip 9": (1.0, 0.0)})


def test_shifting_by_no_number_is_refused():
    with pytest.raises(UsageError, match="cannot be shifted"):
        merge(looks_at([0, 30], 0), shift_trips={"trip 1": (float("nan"), 0.0)})
    with pytest.raises(UsageError, match="cannot be shifted"):
        merge(looks_at([0, 30], 0), shift_trips={"trip 1": (0.0, 10_001.0)})


def test_trips_places_are_known_as_well_as_is_claimed():
    misses = []
    for seed in range(25):
        world = make_world(seed, density=100, targets=200)
        looks = looks_of(canonical(world.sightings)[0])
        s = sitting_of(looks, tree_of(looks))
        true = world.trip_error[[int(n.split()[1]) for n in looks.trip_names]]
        miss = np.stack([s.east, s.north], axis=1) - true
        misses.append((miss - miss.mean(axis=0)) / (2.5 * s.part)[:, None])
    assert 0.8 < np.concatenate(misses).std() < 1.15


def test_few_looks_say_nothing_of_their_trips():
    s = looks_at([0, 10, 0.5, 10.5], 0, trip=["a", "a", "b", "b"], shared_sigma_m=2.5)
    looks = looks_of(canonical(s)[0])
    assert (sitting_of(looks, tree_of(looks)).group == -1).all()
