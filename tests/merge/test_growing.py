"""What may become one mark, what may not, and what is said of it."""

import numpy as np
import pytest
from looking import groups, looks_at
from worlds import GEOD

from athwart.errors import UsageError
from athwart.merge import Rulings, merge


def reasons(m):
    return [r["reason"] for r in m.report.kept_apart()]


def test_a_line_of_stones_does_not_chain():
    # 20 stones 8 m apart, each within its neighbour's gate (8^2 / 8 = 8)
    m = merge(looks_at(np.arange(20) * 8.0, 0, ids=[f"s{i:02d}" for i in range(20)]))
    assert len(m.marks) >= 7
    assert m.marks.sightings.max() <= 3


def test_two_things_seen_by_three_trips_each():
    m = merge(looks_at([0, 1, -1, 20, 21, 19], [0, 1, 0, 0, -1, 1]))
    assert groups(m) == {frozenset({"s00", "s01", "s02"}), frozenset({"s03", "s04", "s05"})}
    assert reasons(m) == ["too-far"]


def test_one_trip_may_see_a_thing_twice():
    assert len(merge(looks_at([0, 3], 0, trip="one")).marks) == 1


@pytest.mark.parametrize(
    ("a", "b", "marks"),
    [
        ("rock", "reef", 1),
        ("ledge", "other", 1),
        ("rock", "", 1),
        ("wreck", "", 1),
        ("wreck", "wreck", 1),
        ("Wreck", "wreck", 1),
        ("wreck", "rock", 2),
        ("wreck", "other", 2),
        ("timber", "weed", 2),
    ],
)
def test_kinds(a, b, marks):
    m = merge(looks_at([0, 3], 0, kind=[a, b]))
    assert len(m.marks) == marks
    if marks == 2:
        record = next(m.report.kept_apart())
        assert record["reason"] == "kinds"
        assert "apart, were kept apart: their kinds cannot be one thing (" in record["sentence"]
        assert record["distance_m"] == pytest.approx(3.0, abs=1e-3)
        assert f"({a}, {b})" in record["sentence"] or f"({b}, {a})" in record["sentence"]


def test_an_unset_kind_does_not_bridge_two_that_cannot_be_one():
    m = merge(looks_at([0, 3, 6], 0, kind=["wreck", "", "rock"]))
    kinds = [
        {k for k, at in zip(m.sightings.kind, m.mark_of, strict=True) if at == i and k}
        for i in range(2)
    ]
    assert len(m.marks) == 2
    assert sorted(kinds, key=str) == [{"rock"}, {"wreck"}]


def test_folded_kinds_that_differ_are_reported():
    m = merge(looks_at([0, 3], 0, kind=["rock", "reef"]))
    record = next(m.report.kind_disagreements())
    assert record["kinds"] == "reef, rock"


def test_a_definite_kind_beats_other():
    time = ["2026-05-03T06:00", "2026-05-09T06:00"]
    assert merge(looks_at([0, 3], 0, kind=["rock", "other"], time=time)).marks.kind[0] == "rock"


def test_names_part_what_one_trip_called_differently():
    m = merge(looks_at([0, 3], 0, trip="one", name=["anchor rock", "the chimney"]))
    assert len(m.marks) == 2
    assert reasons(m) == ["names"]


@pytest.mark.parametrize(
    ("names", "trip"),
    [
        (["anchor rock", "Anchor  Rock"], "one"),  # the same name
        (["anchor rock", "WP012"], "one"),  # an automatic name says nothing
        (["12:31", "0047"], "one"),
        (["anchor rock", "the chimney"], ["one", "two"]),  # across trips names do not part
    ],
)
def test_names_that_do_not_part(names, trip):
    assert len(merge(looks_at([0, 3], 0, trip=trip, name=names)).marks) == 1


def test_names_part_undated_sightings_of_one_file_only():
    columns = {"trip": "", "name": ["anchor rock", "the chimney"]}
    assert len(merge(looks_at([0, 3], 0, source="a.gpx", **columns)).marks) == 2
    assert len(merge(looks_at([0, 3], 0, source=["a.gpx", "b.gpx"], **columns)).marks) == 1


def test_names_part_undated_sightings_also_where_others_have_a_time():
    time = np.array(["NaT", "NaT", "2031-05-04T03:00"], dtype="datetime64[us]")
    s = looks_at([0, 3, 500], 0, trip="", name=["anchor rock", "the chimney", ""], time=time)
    assert len(merge(s.with_columns(source="a.gpx")).marks) == 3
    assert len(merge(s.with_columns(source=["a.gpx", "b.gpx", "a.gpx"])).marks) == 2


@pytest.mark.parametrize("near", range(5))
@pytest.mark.parametrize("trip", range(3))
def test_what_a_dated_trip_called_a_thing_does_not_part_it_from_another_files(trip, near):
    """Undated sightings of five files, one of them beside a sighting of one of three trips."""
    east = np.concatenate([np.arange(5) * 200.0, [5000.0, 6000.0, 7000.0]])
    east[5 + trip] = east[near] + 3.0
    time = np.array(["NaT"] * 5 + [f"2031-05-0{k}T03:00" for k in (4, 6, 8)], "datetime64[us]")
    s = looks_at(east, 0, trip="", time=time, name=[f"the {w} one" for w in "abcdefgh"],
                 source=[f"{k}.gpx" for k in range(5)] + ["dated.gpx"] * 3)  # fmt: skip
    assert len(merge(s).marks) == 7


def test_a_third_look_does_not_bring_two_names_of_a_trip_together():
    m = merge(
        looks_at([0, 1, 2], 0, trip=["one", "two", "one"], name=["anchor rock", "", "the chimney"])
    )
    assert len(m.marks) == 2


@pytest.mark.parametrize("east", [[0, 1, 2], [2, 1, 0], [0, 2, 1], [2, 0, 1]])
def test_a_ruling_keeps_apart(east):
    s = looks_at(
        east, 0, at=(-31.2, 44.405)
    )  # inside a row of latitude: the order is from the west
    m = merge(s, rulings=Rulings(apart=[("s00", "s02")]))
    assert len(m.marks) == 2
    assert reasons(m) == ["ruled"]


def test_a_ruling_joins_what_lies_apart():
    s = looks_at([0, 30, 31], 0)
    assert groups(merge(s)) == {frozenset({"s00"}), frozenset({"s01", "s02"})}
    m = merge(s, rulings=Rulings(same=[("s00", "s01"), ("gone", "s02")]))
    assert frozenset({"s00", "s01"}) in {g & {"s00", "s01"} for g in groups(m)}
    assert len(m.report.inflated) == 1


def test_rulings_join_across_the_water():
    s = looks_at([0, 300], 0)
    assert len(merge(s, rulings=Rulings(same=[("s00", "s01")])).marks) == 1


def test_rulings_that_contradict_are_refused():
    both = Rulings(same=[("s00", "s01"), ("s01", "s02")], apart=[("s02", "s00")])
    with pytest.raises(UsageError, match="ruled to be one thing and to be different"):
        merge(looks_at([0, 1, 2], 0), rulings=both)


def test_equal_positions_fold():
    assert len(merge(looks_at(np.zeros(7), 0)).marks) == 1


def test_near_marks_are_reported_up_to_the_reach():
    s = looks_at([0, 30], 0)
    assert reasons(merge(s)) == ["too-far"]
    assert reasons(merge(s, reach_m=25.0)) == []


def test_three_that_agree_two_and_two_but_not_all_are_said_to_share_no_place():
    m = merge(looks_at([0, 8, 16], 0))
    assert len(m.marks) == 2
    record = next(m.report.kept_apart())
    assert record["reason"] == "no-common-place"
    a, b = (m.marks.mark_id.tolist().index(record[k]) for k in "ab")
    distance = GEOD.inv(*(c[k] for k in (a, b) for c in (m.marks.lon, m.marks.lat)))[2]
    assert record["distance_m"] == pytest.approx(distance, abs=1e-3)
    assert a < b


def test_what_agrees_in_place_but_not_in_kind_is_told_beyond_the_reach():
    wide = {"var_east_m2": 400.0, "var_north_m2": 400.0}
    assert reasons(merge(looks_at([0, 60], 0, kind=["wreck", "rock"], **wide))) == ["kinds"]
    assert reasons(merge(looks_at([0, 150], 0, kind=["wreck", "rock"], **wide))) == []
    assert reasons(merge(looks_at([0, 30], 0, kind=["wreck", "rock"]))) == ["too-far"]
    named = looks_at([0, 60], 0, trip="one", name=["anchor rock", "the chimney"], **wide)
    assert reasons(merge(named)) == ["names"]


def test_a_name_says_nothing_against_a_look_without_one():
    m = merge(looks_at([0, 8, 16], 0, trip="one", name=["anchor rock", "", ""]))
    assert reasons(m) == ["no-common-place"]
    names = ["anchor rock", "", ""]
    m = merge(looks_at([0, 8.2, 16], 0, at=(-31.2, 44.405), trip="one", name=names))
    assert reasons(m) == ["no-common-place"]
    m = merge(looks_at([0, 8, 16.2], 0, trip="one", name=["", "", "anchor rock"]))
    assert reasons(m) == ["no-common-place"]


def test_what_lies_too_far_apart_is_told_within_the_reach_only():
    long = {"var_east_m2": 400.0, "var_north_m2": 1.0}
    assert reasons(merge(looks_at(0, [0, 60], **long))) == []
    assert reasons(merge(looks_at(0, [0, 39], **long))) == ["too-far"]


def test_two_marks_are_told_once_with_the_strongest_of_what_their_looks_say():
    m = merge(looks_at([0, 1, 8, 9], 0, kind=["wreck", "wreck", "rock", "rock"]))
    assert reasons(m) == ["kinds"]
    both = looks_at([0, 1, 3], 0, trip=["one", "two", "one"], name=["anchor rock", "", "chimney"])
    assert reasons(merge(both)) == ["names"]
    ruled = merge(both, rulings=Rulings(apart=[("s00", "s02"), ("s01", "s02")]))
    assert reasons(ruled) == ["ruled"]


def test_a_ruling_elsewhere_leaves_kinds_and_places_as_they_are():
    kind = ["wreck", "wreck", "rock", "", "", ""]
    s = looks_at([0, 3, 2, 500, 503, 900], 0, kind=kind)
    m = merge(s, rulings=Rulings(same=[("s00", "s05")]))
    assert {frozenset({"s02"}), frozenset({"s03", "s04"})} <= groups(m)


@pytest.mark.parametrize("kind", [["", "wreck"], ["wreck", ""]])
def test_what_is_ruled_one_has_the_kind_of_either_and_takes_in_no_other(kind):
    s = looks_at([0, 20, 10], 0, kind=[*kind, "rock"])
    m = merge(s, rulings=Rulings(same=[("s00", "s01")]))
    assert groups(m) == {frozenset({"s00", "s01"}), frozenset({"s02"})}


def test_what_is_ruled_one_takes_in_what_lies_at_its_middle():
    """Of two looks 20 m apart that are one thing the place is the middle, and a look there fits."""
    s = looks_at([-400, 0, 20, 10, 400], 0)
    m = merge(s, rulings=Rulings(same=[("s01", "s02")]))
    assert frozenset({"s01", "s02", "s03"}) in groups(m)
    assert len(m.marks) == 3


@pytest.mark.parametrize("chain", [[(0, 1), (1, 2), (2, 3)], [(2, 3), (0, 3), (1, 2)]])
def test_rulings_that_hang_together_make_one_thing(chain):
    s = looks_at(np.arange(4) * 300.0, 0)
    pairs = [(f"s0{a}", f"s0{b}") for a, b in chain] + [("s00", "s00")]
    m = merge(s, rulings=Rulings(same=pairs, apart=[("s00", "gone"), ("s02", "s02")]))
    assert len(m.marks) == 1
    with pytest.raises(UsageError, match=r"s0\d and s0\d are ruled to be one"):
        merge(s, rulings=Rulings(same=pairs, apart=[("s03", "s00")]))


def test_a_reach_of_ten_kilometres_is_the_most():
    assert len(merge(looks_at([0, 5], 0), reach_m=10_000.0).marks) == 1
    with pytest.raises(UsageError, match="at most 10 km"):
        merge(looks_at([0, 5], 0), reach_m=10_001.0)


def test_undated_sightings_of_a_trip_that_a_person_named_go_by_the_trip():
    columns = {"name": ["anchor rock", "the chimney"], "source": ["a.gpx", "b.gpx"]}
    assert len(merge(looks_at([0, 3], 0, trip="one", **columns)).marks) == 2


def test_a_crowd_about_one_precise_look_becomes_one_mark():
    # The precise look is everybody's best partner; taken one a round this would take 600 rounds.
    rng = np.random.default_rng(4)
    var = np.concatenate([[0.01], rng.uniform(4, 100, 600)])
    x, y = rng.normal(size=(2, 601)) * np.sqrt(var) * 0.5
    s = looks_at(
        x, y, ids=[f"s{i:03d}" for i in range(601)], var_east_m2=var, var_north_m2=var, trip="one"
    )
    m = merge(s)
    assert len(m.marks) == 1
    assert m.marks.sightings[0] == 601


def many_looks(rng, n, east=0.0):
    trip = np.arange(n) // 3
    shared = rng.normal(0, 2.5, (n, 2))[trip]
    var = rng.uniform(4, 25, n)
    x, y = rng.normal(size=(2, n)) * np.sqrt(var) + shared.T
    return x + east, y, var, trip


@pytest.mark.parametrize("n", [10, 40, 150])
def test_a_thing_seen_very_often_stays_one_mark(n):
    marks = []
    for seed in range(20):
        x, y, var, trip = many_looks(np.random.default_rng(seed), n)
        s = looks_at(
            x,
            y,
            ids=[f"s{i:03d}" for i in range(n)],
            var_east_m2=var,
            var_north_m2=var,
            trip=[f"t{k}" for k in trip],
            shared_sigma_m=2.5,
        )
        marks.append(len(merge(s).marks))
    assert np.mean(marks) <= 1.05


def test_two_things_seen_very_often_stay_two_marks():
    rng = np.random.default_rng(1)
    parts = [many_looks(rng, 30), many_looks(rng, 30, east=20.0)]
    x, y, var, trip = (np.concatenate(column) for column in zip(*parts, strict=True))
    s = looks_at(
        x,
        y,
        ids=[f"s{i:03d}" for i in range(60)],
        var_east_m2=var,
        var_north_m2=var,
        trip=[f"t{k}" for k in trip],
        shared_sigma_m=2.5,
    )
    m = merge(s)
    first = m.mark_of[np.isin(m.sightings.sighting_id, [f"s{i:03d}" for i in range(30)])]
    sizes = np.sort(m.marks.sightings)[::-1]
    assert sizes[:2].sum() >= 57
    assert abs(int(sizes[0]) - 30) <= 3
    assert np.bincount(first).max() >= 27
