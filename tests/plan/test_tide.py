"""Height of the tide, held against published tables, a public gauge and its published constants."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.errors import DataError, TableError
from athwart.plan.tide import Level, Tide, twelfths
from athwart.units import FOOT

START = np.datetime64("2017-01-01", "us")
HOUR, DAY = np.timedelta64(3_600_000_000, "us"), np.timedelta64(86_400_000_000, "us")
LAT = 30.4


@pytest.fixture(scope="module")
def gauge():
    """A year of hours at a public gauge; the file names its source."""
    path = Path(__file__).parent / "data" / "noaa-8720218-2017.txt"
    height = np.loadtxt(path).ravel() / 1000
    return START + np.arange(len(height)) * HOUR, height


@pytest.fixture(scope="module")
def half_year(gauge):
    time, height = gauge
    early = time < START + 182 * DAY
    return Tide.from_series(time[early], height[early], LAT)


@pytest.fixture(scope="module")
def whole_year(gauge):
    return Tide.from_series(*gauge, LAT)


def feet(*heights):
    return np.array(heights) * FOOT.value


def test_the_worked_example_of_the_tables(shaped):
    """Low 0327 2.2 ft, high 1141 11.4 ft; at 0700 the tables give 5.8 ft.

    Canadian Tide and Current Tables, table 5/5A (same construction as NOAA table 3), worked on
    sailnet.com, thread 73072; read.
    """
    tide = Tide.from_extremes(["2031-05-04T03:27", "2031-05-04T11:41"], feet(2.2, 11.4))
    time = np.datetime64("2031-05-04T07:00", "us") + (shaped(0) * HOUR).astype("timedelta64[us]")
    height, sigma = tide.height(time)
    assert height.shape == sigma.shape == np.shape(time)
    assert np.all(np.abs(height / FOOT.value - 5.8) < 0.1)


def test_the_time_for_a_height():
    """Low 0815 -0.5 ft, high 1414 5.1 ft; 3.2 ft is reached 2 h 22 min before high water (inputs:
    deckskills.tripod.com/cadetsite/id137.html, read; the answer computed from the cosine)."""
    tide = Tide.from_extremes(["2031-05-04T08:15", "2031-05-04T14:14"], feet(-0.5, 5.1))
    height, _ = tide.height(np.datetime64("2031-05-04T11:52"))
    assert height / FOOT.value == pytest.approx(3.2, abs=0.02)


def test_twelfths_are_one_two_three_three_two_one():
    """Read: Practical Boat Owner, glossary, rule of twelfths; a range of 6 ft rises by 6, 12, 18,
    18, 12, 6 inches (sailnet.com, thread 44899; read)."""
    inches = 72 * np.diff(twelfths(np.arange(7) / 6))
    assert inches == pytest.approx([6, 12, 18, 18, 12, 6])


@given(st.floats(0, 1))
def test_twelfths_stay_close_to_the_cosine(part):
    # 1.6 % of the range at the sixths, 2.6 % where the straight lines cut across (computed).
    assert abs(float(twelfths(part)) - (1 - np.cos(np.pi * part)) / 2) < 0.026


@given(
    st.lists(st.tuples(st.floats(2, 10), st.floats(0.1, 8)), min_size=3, max_size=12),
    st.booleans(),
)
def test_the_curve_goes_through_every_turn_and_stays_between(steps, rising):
    hours = np.cumsum([0, *(h for h, _ in steps)])
    signs = np.where((np.arange(len(steps)) % 2 == 0) == rising, 1, -1)
    heights = np.cumsum([2.0, *(s * r for s, (_, r) in zip(signs, steps, strict=True))])
    time = START + (hours * 3.6e9).astype("timedelta64[us]")
    tide = Tide.from_extremes(time[::-1], heights[::-1])  # in any order
    got, sigma = tide.height(time)
    assert got == pytest.approx(heights)
    assert sigma == pytest.approx(0.2)
    turns = tide.turns(time[0], time[-1])
    assert turns.height_m == pytest.approx(heights)
    assert np.all(turns.high[1:] == (np.diff(heights) > 0))
    fine = time[0] + (np.linspace(0, hours[-1], 500) * 3.6e9).astype("timedelta64[us]")
    got, _ = tide.height(fine)
    assert heights.min() - 1e-9 <= got.min()
    assert got.max() <= heights.max() + 1e-9


def test_the_stated_error_of_the_cosine_holds_at_a_real_gauge(gauge, whole_year):
    """Predicted turns joined by cosines, against the predicted curve and the measured water."""
    time, height = gauge
    turns = whole_year.turns(START, START + 365 * DAY)
    table = Tide.from_extremes(turns.time, turns.height_m)
    far = START + 456 * DAY + np.arange(6000) * np.timedelta64(17 * 60_000_000, "us")
    ahead = whole_year.turns(far[0] - DAY, far[-1] + DAY)
    joined, shape = Tide.from_extremes(ahead.time, ahead.height_m, weather_m=0.0).height(far)
    predicted, _ = whole_year.height(far)
    assert np.sqrt(np.mean((joined - predicted) ** 2)) < np.sqrt(np.mean(shape**2))
    assert np.mean(np.abs(joined - predicted) < 1.96 * shape + 0.01) > 0.95
    inside = (time >= turns.time[0]) & (time <= turns.time[-1])
    got, sigma = table.height(time[inside])
    assert np.mean(np.abs(got - height[inside]) < 1.96 * sigma) > 0.93


def test_outside_the_table_and_in_its_gaps_nothing_is_known():
    time = np.array(
        ["2031-05-04T03:00", "2031-05-04T09:00", "2031-06-04T03:00", "2031-06-04T09:10"],
        "datetime64[us]",
    )
    tide = Tide.from_extremes(time, [0.5, 3.0, 0.4, 3.1])
    asked = ["2031-05-04T02:59", "2031-05-04T06:00", "2031-05-20", "2031-06-04T06:05", "NaT"]
    height, sigma = tide.height(np.array(asked, "datetime64[us]"))
    assert np.isnan(height).tolist() == [True, False, True, False, True]
    assert np.isnan(sigma).tolist() == np.isnan(height).tolist()
    assert np.isnan(tide.by_twelfths(np.array(asked, "datetime64[us]"))).tolist() == [
        True, False, True, False, True,
    ]  # fmt: skip


def test_a_tide_that_turns_once_a_day_must_be_called_so():
    time, height = ["2031-05-04T03:00", "2031-05-04T15:10"], [0.5, 1.1]
    with pytest.raises(DataError, match=r"within 10\.7 h of each other"):
        Tide.from_extremes(time, height)
    got, _ = Tide.from_extremes(time, height, once_a_day=True).height(
        np.datetime64("2031-05-04T09:05")
    )
    assert got == pytest.approx(0.8)


T4 = ["2031-05-04T03:00", "2031-05-04T09:00", "2031-05-04T15:00", "2031-05-04T21:00"]


@pytest.mark.parametrize(
    ("height", "what", "words"),
    [
        ([0.5, 3.0, 3.1, 0.4], None, r"row 3: the water rises to row 2 and on to this one; a low"),
        ([0.5, 0.5, 3.1, 0.4], None, r"row 2: the height is that of row 1"),
        ([0.5, 3.0, 0.4, 3.1], ["low", "high", "high", "low"], r"row 3: it is called high water"),
        ([0.5, 3.0, 0.4, 3.1], ["high", "", "", ""], r"row 1 is called high water, but"),
        ([0.5, np.nan, 0.4, 3.1], None, r"row 2: the height is no number"),
        ([0.5, 3.0, 0.4], None, r"4 times and 3 heights"),
    ],
)
def test_what_cannot_be_a_table_of_turns_is_refused(height, what, words):
    with pytest.raises(DataError, match=words):
        Tide.from_extremes(T4, height, what)


def test_a_time_twice_is_refused():
    with pytest.raises(TableError, match="row 2: the time 2031-05-04T03:00Z stands in row 1 too"):
        Tide.from_extremes([T4[0], T4[0]], [1.0, 2.0])


def test_a_missing_turn_is_said_and_not_bridged():
    time = ["2031-05-04T00:00", "2031-05-04T12:25", "2031-05-04T18:30"]
    tide = Tide.from_extremes(time, [3.4, 3.6, 0.4])
    assert "a high or low water is missing there" in tide.words[0]
    assert np.isnan(tide.height(np.datetime64("2031-05-04T06:00"))[0])
    assert np.isfinite(tide.height(np.datetime64("2031-05-04T15:00"))[0])


def test_a_zero_above_datum_lifts_every_height():
    low, high = (
        Tide.from_extremes(T4, [0.5, 3.0, 0.4, 3.1], zero_m=z).height(np.datetime64(T4[1]))[0]
        for z in (0.0, 0.9)
    )
    assert high - low == pytest.approx(0.9)


def test_half_a_year_predicts_the_other_half_within_its_stated_error(gauge, half_year):
    """Fitted on 182 days of the gauge, held against the 184 days that were not used."""
    time, height = gauge
    late = time >= START + 182 * DAY
    predicted, sigma = half_year.height(time[late])
    off = height[late] - predicted
    assert np.sqrt(np.mean(off**2)) < 1.1 * sigma[0]
    assert np.mean(np.abs(off) < 1.96 * sigma) > 0.92
    # The weather of that half, hurricane season, left by a fit to itself, is 0.20 m (computed);
    # the prediction must not be worse than that and a season's level together.
    assert np.std(off) < 0.24
    assert sigma[0] < 0.35


def test_the_constituents_are_those_that_the_authority_publishes(whole_year):
    """NOAA's accepted amplitudes for station 8720220, in the same river mouth (in metres, read in
    the example files of the package tappy); a year at the neighbour differs by a few cm."""
    published = {"M2": 0.662, "N2": 0.149, "S2": 0.111, "K1": 0.082, "O1": 0.060, "M4": 0.024}
    found = dict(zip(whole_year.coefficients.name, whole_year.coefficients.A, strict=True))
    for name, amplitude in published.items():
        assert found[name] == pytest.approx(amplitude, abs=0.03)


def test_inside_the_series_the_measured_heights_stand(gauge):
    """Every second hour is kept back and read between its neighbours."""
    time, height = gauge
    tide = Tide.from_series(time[::2], height[::2], LAT)
    between, sigma = tide.height(time[1:-1:2])
    off = between - height[1:-1:2]
    assert tide.height(time[::2])[0] == pytest.approx(height[::2], abs=1e-9)
    assert np.sqrt(np.mean(off**2)) < 1.2 * sigma[0]
    assert sigma[0] < 0.06


def test_a_gap_in_the_series_is_predicted_with_the_larger_error(gauge):
    time, height = gauge
    gap = (time > START + 30 * DAY) & (time < START + 32 * DAY)
    part = (time < START + 60 * DAY) & ~gap
    tide = Tide.from_series(time[part], height[part], LAT)
    predicted, sigma = tide.height(time[gap])
    assert np.all(sigma > 0.2)
    assert np.std(predicted - height[gap]) < 0.2
    assert tide.height(START + 29 * DAY)[1] < 0.06


def test_a_series_that_is_a_prediction_is_known_as_one(half_year):
    time = START + np.arange(24 * 40) * HOUR + 400 * DAY
    tide = Tide.from_series(time, half_year.height(time)[0], LAT)
    assert "they are taken as predictions" in tide.words[0]
    assert tide.height(time[3])[1] >= 0.2


def test_turns_of_a_series_alternate_and_top_the_curve(half_year):
    turns = half_year.turns(START + 300 * DAY, START + 310 * DAY)
    assert len(turns) == pytest.approx(10 * 24 / 6.21, abs=1.5)
    assert np.all(turns.high[1:] != turns.high[:-1])
    near, _ = half_year.height(turns.time)
    assert near == pytest.approx(turns.height_m, abs=0.002)
    middle = turns.time[:-1] + np.diff(turns.time) / 2
    ruled = half_year.by_twelfths(middle)
    assert ruled == pytest.approx((turns.height_m[1:] + turns.height_m[:-1]) / 2, abs=0.01)


def test_what_cannot_be_a_series_is_refused(gauge):
    time, height = gauge
    with pytest.raises(DataError, match=r"10\.0 days long; 15 days at least"):
        Tide.from_series(time[:241], height[:241], LAT)
    with pytest.raises(DataError, match=r"6\.0 h apart; 3 h at most"):
        Tide.from_series(time[::6], height[::6], LAT)
    with pytest.raises(DataError, match="allowed is -90 to 90"):
        Tide.from_series(time, height, 95.0)


def test_a_year_long_beyond_reach_nothing_is_predicted(half_year):
    height, _ = half_year.height(START + np.array([1000, 3000]) * DAY)
    assert np.isnan(height).tolist() == [False, True]


def test_a_level_stands_and_readings_are_joined_with_growing_doubt():
    assert Level(height_m=3.2).height(START)[0] == 3.2
    readings = Tide.from_readings(START + np.array([0, 10]) * DAY, [187.0, 186.0])
    days = np.array([-1, 0, 5, 10, 12, 18])
    height, sigma = readings.height(START + days * DAY)
    assert height[1:5] == pytest.approx([187, 186.5, 186, 186])
    assert np.isnan(height[[0, 5]]).all()
    assert sigma[1] == sigma[3] == pytest.approx(0.05)
    assert sigma[2] == pytest.approx(np.hypot(0.05, 0.3))
    assert sigma[4] == pytest.approx(np.hypot(0.05, 0.2))
    assert len(readings.turns(START, START + 9 * DAY)) == 0


def test_readings_too_far_apart_are_not_joined():
    readings = Tide.from_readings(START + np.array([0, 40]) * DAY, [187.0, 180.0])
    assert np.isnan(readings.height(START + 20 * DAY)[0])
