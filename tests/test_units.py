import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.errors import UsageError
from athwart.units import (
    format_length,
    format_position,
    format_speed,
    parse_angle,
    parse_heading,
    parse_position,
    parse_quantity,
)


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        ("21.3", "length", 21.3),
        ("21.3m", "length", 21.3),
        ("70 ft", "length", 21.336),  # 1 ft = 0.3048 m exactly, international foot 1959
        ("9fm", "length", 16.4592),  # 1 fathom = 6 ft
        ("1nm", "length", 1852.0),
        ("4.5kn", "speed", 4.5 * 1852 / 3600),  # 1 kn = 1852 m/h exactly
        ("36 km/h", "speed", 10.0),
        ("2min", "time", 120.0),
        ("215deg", "angle", 215.0),
        ("-12.5°", "angle", -12.5),
    ],
)
def test_quantities_are_read_in_their_unit(text, dimension, si):
    assert parse_quantity(text, dimension) == pytest.approx(si, abs=1e-9)


@pytest.mark.parametrize("text", ["", "ft", "12,5m", "nan", "inf", "1e999", "12 parsecs", "12kn"])
def test_what_is_no_length_is_refused(text):
    with pytest.raises(UsageError, match=r"write it like|too large"):
        parse_quantity(text, "length")


def test_a_decimal_comma_is_named():
    with pytest.raises(UsageError, match="decimal point, not a comma"):
        parse_quantity("12,5m", "length")


@pytest.mark.parametrize(
    ("lat", "lon", "expected"),
    [
        ("-33.8651", "151.2099", (151.2099, -33.8651)),
        ("33 51.906 S", "151 12.594 E", (151.2099, -33.8651)),
        ("33°51'54.36\"S", "151°12'35.64\"E", (151.2099, -33.8651)),
        ("S 33 51.906", "E151 12.594", (151.2099, -33.8651)),
        ("90", "-180", (-180.0, 90.0)),
        ("-0 30", "0 0 36", (0.01, -0.5)),
    ],
)
def test_positions_as_people_type_them(lat, lon, expected):
    assert parse_position(lat, lon) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("lat", "lon", "words"),
    [
        ("91", "0", "latitude '91' is out of range"),
        ("0", "181", "longitude '181' is out of range"),
        ("12 E", "0", "latitude takes N or S"),
        ("-12 S", "0", "both a minus sign and a hemisphere"),
        ("12 61", "0", "minutes or seconds"),
        ("12.5 30", "0", "only its last number"),
        ("north", "0", "is no latitude|is not an angle|more than one hemisphere"),
        ("N 12 S", "0", "more than one hemisphere"),
        ("nan", "0", "not an angle|more than one hemisphere|is no latitude"),
    ],
)
def test_wrong_positions_say_why(lat, lon, words):
    with pytest.raises(UsageError, match=words):
        parse_position(lat, lon)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_a_written_position_reads_back(lat, lon):
    text = format_position(lon, lat)
    south_north, east_west = text.split(" ")
    back = parse_position(south_north, east_west)
    assert back == pytest.approx((lon, lat), abs=0.00005 / 60 + 1e-12)


def test_minutes_carry_into_degrees():
    assert format_position(9.999999999, -59.999999999) == "60°00.0000'S 010°00.0000'E"


def test_headings():
    assert parse_heading("215") == (215.0, False)
    assert parse_heading("215M") == (215.0, True)
    assert parse_heading("360T") == (0.0, False)
    with pytest.raises(UsageError, match="0 to 360"):
        parse_heading("361")
    with pytest.raises(UsageError, match="215M for magnetic"):
        parse_heading("NE")


def test_what_is_shown_follows_the_units():
    assert format_length(18.288, "metric") == "18.3 m"
    assert format_length(18.288, "feet", 0) == "60 ft"
    assert format_length(18.288, "fathoms") == "10.0 fm"
    assert format_length(float("nan")) == ""
    assert format_speed(2.315, "feet") == "4.5 kn"
    assert format_speed(2.315) == "2.3 m/s"


@given(st.floats(-359, 359))
def test_angles_read_back(degrees):
    assert parse_angle(f"{degrees:.9f}") == pytest.approx(degrees, abs=1e-9)
