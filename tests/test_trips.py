"""Which sightings share an outing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.errors import UsageError
from athwart.trips import assign_trips


def trips(times, given_=None, labels=None, **options):
    n = len(times)
    text = np.array(given_ or [""] * n, dtype=object)
    label = np.array(labels or [f"id{i}" for i in range(n)], dtype=object)
    return assign_trips(np.array(times, dtype="datetime64[us]"), text, label, **options).tolist()


def test_a_run_is_named_by_its_start():
    assert trips(["2026-05-03T06:12:40", "2026-05-03T11:00"]) == ["2026-05-03 06:12"] * 2


def test_over_six_hours_part_trips_and_six_do_not():
    day = ["2026-05-03T06:00", "2026-05-03T12:00", "2026-05-03T18:00:01"]
    assert trips(day) == ["2026-05-03 06:00", "2026-05-03 06:00", "2026-05-03 18:00"]
    assert len(set(trips(day, gap_hours=5.0))) == 3


def test_a_trip_over_midnight_is_one():
    assert len(set(trips(["2026-05-03T23:30", "2026-05-04T00:30"]))) == 1


def test_a_given_trip_is_kept_and_does_not_bridge_the_rest():
    day = ["2026-05-03T06:00", "2026-05-03T11:00", "2026-05-03T16:00"]
    assert trips(day, ["", "Gull", ""]) == ["2026-05-03 06:00", "Gull", "2026-05-03 16:00"]


def test_undated_rows_are_each_their_own():
    assert trips(["NaT", "NaT"], labels=["a", "b"]) == ["undated a", "undated b"]


def test_no_rows():
    assert trips([]) == []


@pytest.mark.parametrize("gap", [0.0, -1.0, float("nan")])
def test_a_gap_that_parts_nothing_is_refused(gap):
    with pytest.raises(UsageError, match="cannot part trips"):
        trips(["NaT"], gap_hours=gap)


@given(st.lists(st.integers(0, 200), min_size=1, max_size=30), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(hours, random):
    start = np.datetime64("2026-05-01T00:00", "us")
    times = [start + np.timedelta64(h, "h") for h in hours]
    order = list(range(len(times)))
    random.shuffle(order)
    straight = trips(times)
    shuffled = trips([times[i] for i in order])
    assert [straight[i] for i in order] == shuffled
