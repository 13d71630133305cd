"""A merge in parts gives the marks of a merge in one piece, to the last bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_merge_invariants import motley
from worlds import GEOD, make_world

from athwart.errors import TableError, UsageError
from athwart.merge import Rulings, bands, divide, in_order, merge, outline
from athwart.merge.looks import row_of
from athwart.merge.parts import ROWS
from athwart.tables import Sightings
from athwart.trips import assign_trips


def renamed(s, k):
    """Give sightings ids of their own, so that worlds can be laid together."""
    ids = np.array([f"{k:02x}{i[2:]}" for i in s.sighting_id], dtype=object)
    return s.with_columns(sighting_id=ids)


def laid_together(seed, places, **how):
    worlds = [make_world(seed + k, origin=at, trips=4, **how) for k, at in enumerate(places)]
    return Sightings.concat([renamed(w.sightings, k) for k, w in enumerate(worlds)])


def in_parts(s, most, rulings=None, **options):
    """Merge sightings in bands of at most so many; return the division and the parts."""
    row = row_of(s.lat)
    first = bands(np.bincount(row, minlength=ROWS), most)
    of = np.searchsorted(first, row, side="right") - 1
    cut = [outline(s.take(of == k), rulings=rulings, **options) for k in range(len(first))]
    division = divide([o for _, o in cut], rulings=rulings, **options)
    parts = [
        merge(
            division.part(k, lambda j: cut[j][0]),
            rulings=rulings,
            known=division.sittings,
            plane=division.plane,
            **options,
        )
        for k in range(len(first))
    ]
    return division, parts


def assert_same_marks(one, marks):
    assert len(marks) == len(one.marks)
    for name, values in one.marks.to_columns().items():
        other = getattr(marks, name)
        if values.dtype.kind in "fM":
            assert np.array_equal(values, other, equal_nan=True), name
        else:
            assert (values == other).all(), name


def assert_same_as_in_one_piece(s, most, **options):
    one = merge(s, **options)
    division, parts = in_parts(s, most, **options)
    assert_same_marks(one, in_order(parts))
    assert division.sittings == one.sittings
    assert division.offsets == one.report.offsets
    assert sum(len(p.sightings) for p in parts) == len(one.sightings)
    kept = [p.report.apart for p in parts]
    assert sum(len(k.a) for k in kept) == len(one.report.apart.a)
    assert sum(k.distance_m.sum() for k in kept) == pytest.approx(
        one.report.apart.distance_m.sum(), rel=1e-9
    )
    return division


FAR_APART = [(-31.2, 44.4), (179.995, -18.2), (12.0, 89.995), (-60.0, -89.99)]


@settings(max_examples=8, deadline=None)
@given(
    st.integers(0, 10**6),
    st.sampled_from([20.0, 100.0, 400.0]),
    st.sampled_from([40, 150]),
    st.booleans(),
)
def test_bands_of_one_water_are_merged_as_one_piece(seed, density, most, off):
    w = make_world(
        seed, density=density, targets=150, boat=1.0, shift=(1, 30.0, 20.0) * off or None
    )
    assert_same_as_in_one_piece(w.sightings, most)


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([(2.0, 5.0), (1.0, 12.0)]))
def test_waters_on_both_sides_of_the_180th_meridian_and_about_the_poles(seed, errors):
    """Every trip has been in every water, so that its sightings lie in many bands."""
    s = laid_together(seed, FAR_APART, targets=60, errors=errors)
    assert (np.abs(s.lon) > 179.99).any()
    assert_same_as_in_one_piece(s, 60)


def test_connected_sets_do_cross_borders_here():
    """Without any, the tests above would show nothing."""
    s = laid_together(7, FAR_APART, targets=100, density=100.0)
    division = assert_same_as_in_one_piece(s, 30)
    assert division.crossing >= 3
    assert len(division.to) >= 7
    moved = [(k, to) for k, to in enumerate(division.to) if (to != k).any()]
    assert moved
    assert all((to <= k).all() for k, to in moved)


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([20.0, 400.0]))
def test_names_kinds_notes_undated_sightings_and_two_boats(seed, density):
    s = motley(seed, density)
    s = s.with_columns(boat=np.where(s.boat == "Gull", "Gull", "Tern"))
    s = s.with_columns(trip=assign_trips(s.time, s.trip, s.sighting_id))
    assert_same_as_in_one_piece(Sightings.concat([s, s.take(np.arange(0, len(s), 9))]), 10)


def test_a_sighting_of_large_error_reaches_over_several_bands():
    s = make_world(3, density=20.0, targets=500).sightings
    wide = np.arange(len(s)) % 97 == 0
    s = s.with_columns(
        var_east_m2=np.where(wide, 300.0**2, s.var_east_m2),
        var_north_m2=np.where(wide, 250.0**2, s.var_north_m2),
    )
    division = assert_same_as_in_one_piece(s, 1)
    far = max(int((k - to).max(initial=0)) for k, to in enumerate(division.to))
    assert far >= 2


def test_what_the_user_has_ruled_to_be_one_thing_is_merged_in_one_band():
    s = make_world(5, targets=300).sightings
    order = np.argsort(s.lat)
    ids = s.sighting_id[order]
    rulings = Rulings(same=[(ids[0], ids[-1])], apart=[(ids[1], ids[2]), (ids[3], ids[-2])])
    assert_same_as_in_one_piece(s, 100, rulings=rulings)


def test_another_gate_and_reach():
    s = make_world(6, targets=300, errors=(1.0, 12.0)).sightings
    assert_same_as_in_one_piece(s, 100, gate=0.95, reach_m=25.0)


def test_trips_of_few_looks_and_no_trips_that_can_be_weighed():
    s = make_world(8, targets=200).sightings
    alone = np.array([f"outing {k // 4}" for k in range(len(s))], dtype=object)
    assert_same_as_in_one_piece(s.with_columns(trip=alone), 50)


def test_nothing_gives_nothing():
    division, parts = in_parts(Sightings.empty(), 10)
    assert (division.sets, division.crossing) == (0, 0)
    assert len(in_order(parts)) == 0


def test_the_northern_most_of_two_that_touch_over_a_border_goes_south():
    """Two looks 8 m apart on both sides of 44.4 degrees north, by PROJ's geodesic."""
    lon, lat, _ = GEOD.fwd([-31.2] * 2, [44.4] * 2, [0, 180], [4.0, 4.0])
    s = make_world(1).sightings.take([0, 1]).with_columns(lon=np.array(lon), lat=np.array(lat))
    division = assert_same_as_in_one_piece(s, 1)
    assert division.crossing == 1
    assert [to.tolist() for to in division.to] == [[0], [0]]


def test_bands_that_overlap_are_refused():
    s = make_world(1, targets=20).sightings
    _, o = outline(s)
    with pytest.raises(UsageError, match="the bands overlap"):
        divide([o, o])


def test_a_sighting_without_a_trip_is_refused():
    s = make_world(1, targets=20).sightings
    with pytest.raises(UsageError, match=r"1 of \d+ sightings have no trip"):
        outline(s.with_columns(trip=np.where(np.arange(len(s)) == 3, "", s.trip)))


def test_trips_of_which_one_has_no_boat_at_all_can_be_merged_in_parts():
    s = make_world(1, targets=20).sightings
    s = s.with_columns(boat=np.where(s.trip == s.trip[0], "", "Tern"))
    assert_same_as_in_one_piece(s, 30)


def test_rulings_about_sightings_of_other_files_are_passed_over_and_no_error_is_none():
    s = make_world(1, targets=40).sightings.with_columns(boat_sigma_m=np.nan, shared_sigma_m=np.nan)
    a, b = s.sighting_id[[0, -1]]
    strange = Rulings(same=[(a, "gone"), ("gone", b), (a, b)], apart=[("gone", a)])
    assert_same_as_in_one_piece(s, 30, rulings=strange)


def test_what_a_merge_refuses_its_parts_refuse():
    s = make_world(1, targets=20).sightings
    broken = np.where(np.arange(len(s)) == 3, np.nan, s.lat)
    with pytest.raises(TableError, match="position is missing"):
        outline(s.with_columns(lat=broken))


def test_a_trip_with_and_without_a_boat_is_refused():
    s = make_world(1, targets=20).sightings
    s = s.with_columns(boat=np.where(np.arange(len(s)) % 2 == 0, "", s.boat))
    with pytest.raises(UsageError, match=r"'trip \d' have a boat and some have none"):
        divide([outline(s)[1]])


def test_a_band_of_no_sightings_cannot_be_asked_for():
    with pytest.raises(UsageError, match="a band of 0 sightings"):
        bands(np.ones(ROWS, dtype=int), 0)


@pytest.mark.parametrize("path", ["alone", "beside another"])
def test_a_mark_is_worked_out_one_way_whatever_stands_beside_it(path):
    """One look a trip, and one boat, take shorter ways; the bits must not tell which was taken."""
    s = make_world(11, targets=1, trips=6, twice=0.0, seen=1.0, boat=1.0).sightings
    other = renamed(make_world(12, targets=3, trips=6, twice=1.0, seen=1.0, boat=1.0).sightings, 9)
    other = other.with_columns(
        lat=other.lat + 0.05, boat=np.where(np.arange(len(other)) % 2 == 0, "Gull", "Tern")
    )
    rulings = Rulings(same=[(s.sighting_id[0], i) for i in s.sighting_id[1:]])
    alone = merge(s, rulings=rulings).marks
    trips = s.trip if path == "alone" else np.array([f"new {t}" for t in s.trip], dtype=object)
    both = merge(Sightings.concat([s.with_columns(trip=trips), other]), rulings=rulings).marks
    for name in ("lon", "lat", "var_east_m2", "var_north_m2", "cov_east_north_m2", "scatter"):
        assert getattr(alone, name)[0] == getattr(both, name)[0]
