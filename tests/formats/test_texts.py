from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.formats import texts


@given(st.lists(st.text(max_size=8) | st.floats(allow_nan=False).map(repr)))
def test_numbers_are_what_float_says_or_refused(cells):
    values, state = texts.parse_numbers(cells)
    for cell, value, s in zip(cells, values, state, strict=True):
        if s == texts.OK:
            assert value == float(cell)
            assert np.isfinite(value)
        else:
            assert np.isnan(value)
            assert (s == texts.EMPTY) == (cell.strip(" \t\r\n") == "")


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False).map(repr)))
def test_every_plain_number_is_read(cells):
    values, state = texts.parse_numbers(cells)
    assert (state == texts.OK).all()
    assert values.tolist() == [float(c) for c in cells]


@given(
    st.lists(
        st.tuples(
            st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30)),
            st.integers(-14 * 60, 14 * 60),
            st.sampled_from("T "),
        )
    )
)
def test_times_agree_with_the_standard_library(cases):
    written = [
        f"{t.isoformat(sep)}{'+' if m >= 0 else '-'}{abs(m) // 60:02d}:{abs(m) % 60:02d}"
        for t, m, sep in cases
    ]
    values, state = texts.parse_times(written)
    assert (state == texts.OK).all()
    for text, value in zip(written, values, strict=True):
        moment = datetime.fromisoformat(text)
        offset = moment.utcoffset()
        expected = np.datetime64(moment.replace(tzinfo=None)) - np.timedelta64(offset)
        assert value == expected


@given(st.lists(st.datetimes(datetime(1, 1, 1), datetime(9999, 12, 31))))
def test_times_come_back_as_written(moments):
    array = np.array(moments, dtype="datetime64[us]")
    written = texts.format_times(array)
    assert all(w.endswith("Z") for w in written)
    back, _ = texts.parse_times(written)
    np.testing.assert_array_equal(back, array)


@given(
    st.datetimes(datetime(1980, 1, 1), datetime(2040, 1, 1)),
    st.sampled_from(["Europe/Lisbon", "America/Halifax", "Australia/Lord_Howe", "Asia/Kathmandu"]),
)
def test_a_local_time_agrees_with_zoneinfo(moment, name):
    zone = ZoneInfo(name)
    local = moment.replace(tzinfo=UTC).astimezone(zone)
    values, state = texts.parse_times([local.replace(tzinfo=None).isoformat()], zone)
    if state[0] == texts.OK:
        assert values[0] == np.datetime64(moment)
    else:
        assert state[0] == texts.AMBIGUOUS
        other = local.replace(fold=1 - local.fold)
        assert other.utcoffset() != local.utcoffset()


def test_an_hour_that_never_was_is_refused():
    zone = ZoneInfo("Europe/Lisbon")
    _, state = texts.parse_times(["2024-03-31T01:30:00"], zone)
    assert state[0] == texts.NONEXISTENT


@pytest.mark.parametrize(
    "text",
    ["2031-05-04", "20310504T060000Z", "2031-5-4T6:0:0Z", "2031-05-04T25:00:00Z", "2031-05-04T06:60:00Z",
     "0000-01-01T00:00:00Z", "2031-05-04T06:00:00+15:00", "2031-05-04T06:00:00Q", "２031-05-04T06:00:00Z"],
)  # fmt: skip
def test_what_is_no_time(text):
    values, state = texts.parse_times([text])
    assert state[0] == texts.BAD
    assert np.isnat(values[0])


def test_the_end_of_a_day_and_a_leap_second_are_the_next_second():
    # ISO 8601: 24:00:00 is the end of a day; 2016-12-31 had a leap second (IERS Bulletin C 52).
    values, _ = texts.parse_times(["2031-05-04T24:00:00Z", "2016-12-31T23:59:60Z"])
    assert values.tolist() == [datetime(2031, 5, 5), datetime(2017, 1, 1)]


def test_years_that_cannot_be_written_are_left_empty():
    year = timedelta(days=366)
    before = np.datetime64(datetime(1, 1, 1)) - np.timedelta64(year)
    assert texts.format_times(np.array([before], "datetime64[us]")) == [""]


@pytest.mark.parametrize("text", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:30:00-01:00"])
def test_a_time_whose_year_in_utc_has_no_four_digits_is_no_time(text):
    times, state = texts.parse_times([text, "2031-05-04T06:00:00Z", ""])
    assert state.tolist() == [texts.BAD, texts.OK, texts.EMPTY]
    assert np.isnat(times).tolist() == [True, False, True]
