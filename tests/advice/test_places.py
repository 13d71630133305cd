"""Places and times out of what a person types."""

import numpy as np
import pytest

from athwart.advice.places import place_of, row_named, rows_named, time_of
from athwart.errors import UsageError
from athwart.tables import Marks

MARKS = Marks.from_columns(
    {
        "mark_id": ["abcd1234", "abcd5678", "beef0000"],
        "name": ["Anvil", "Kettle", "anvil "],
        "lon": [1.0, 2.0, 3.0],
        "lat": [10.0, 20.0, 30.0],
    }
)


def test_a_mark_is_found_by_name_id_or_first_letters():
    assert row_named(MARKS, " KETTLE") == 1
    assert row_named(MARKS, "abcd1234") == 0
    assert row_named(MARKS, "beef") == 2
    assert rows_named(MARKS, "anvil") == [0, 2]
    assert rows_named(MARKS, "bee") == [], "three letters could be anything"


@pytest.mark.parametrize(
    ("text", "said"), [("anvil", "could be 2 marks"), ("abcd", "could be 2"), ("x", "no mark 'x'")]
)
def test_none_or_several_are_refused(text, said):
    with pytest.raises(UsageError, match=said):
        row_named(MARKS, text)


def test_a_place_is_a_mark_or_a_position():
    there = place_of("kettle", MARKS, "start")
    assert (there.lon, there.lat, there.name) == (2.0, 20.0, "Kettle")
    there = place_of("46 12.0 S, 21 18.0 W", MARKS, "start")
    assert (there.lon, there.lat) == pytest.approx((-21.3, -46.2))
    assert there.name == "start"
    with pytest.raises(UsageError, match="the start 'nowhere' is neither"):
        place_of("nowhere", MARKS, "start")


@pytest.mark.parametrize(
    ("text", "zone", "utc"),
    [
        ("2026-05-30T05:30Z", "", "2026-05-30T05:30"),
        ("2026-05-30 05:30", "Pacific/Auckland", "2026-05-29T17:30"),
        ("2026-05-30T05:30+02:00", "Pacific/Auckland", "2026-05-30T03:30"),
    ],
)
def test_a_time_is_taken_in_its_zone(text, zone, utc):
    assert time_of(text, zone) == np.datetime64(utc, "us")


@pytest.mark.parametrize(
    ("text", "zone", "said"),
    [("noon", "", "is not a time"), ("2026-05-30T05:30", "", "has no zone"),
     ("2026-05-30T05:30", "No/Where", "no time zone")],
)  # fmt: skip
def test_a_time_that_cannot_be_is_refused(text, zone, said):
    with pytest.raises(UsageError, match=said):
        time_of(text, zone)
