"""Quantities with units, positions as people type them, and the constants of the trade.

Everything inside the package is SI, degrees and WGS 84. This module is the only place where a
foot, a fathom or a knot is turned into a metre or a metre a second, and where a metre is turned
back for the screen. Positions are typed latitude first and returned longitude first.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from athwart.errors import UsageError

__all__ = [
    "FATHOM",
    "FOOT",
    "KNOT",
    "SUFFIXES",
    "Constant",
    "Dimension",
    "UnitSystem",
    "format_area",
    "format_distance",
    "format_length",
    "format_position",
    "format_speed",
    "many",
    "parse_angle",
    "parse_heading",
    "parse_position",
    "parse_quantity",
]

Dimension = Literal["length", "speed", "time", "angle", "temperature", "mass"]
UnitSystem = Literal["metric", "feet", "fathoms"]


@dataclass(frozen=True, slots=True)
class Constant:
    """A number with its unit, its standard uncertainty and where it comes from."""

    value: float
    unit: str
    sigma: float
    source: str

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit} ({self.source})"


FOOT = Constant(0.3048, "m", 0.0, "international foot, exact by definition, 1959")
FATHOM = Constant(1.8288, "m", 0.0, "six international feet, exact")
ACRE = Constant(43_560 * 0.3048**2, "m2", 0.0, "43,560 square international feet, exact")
NAUTICAL_MILE = Constant(1852.0, "m", 0.0, "international nautical mile, exact, 1929")
OUNCE = Constant(0.028349523125, "kg", 0.0, "avoirdupois ounce, exact by definition, 1959")
KNOT = Constant(1852.0 / 3600.0, "m/s", 0.0, "one nautical mile an hour, exact")

_UNITS: dict[Dimension, dict[str, float]] = {
    "length": {
        "m": 1.0,
        "metre": 1.0,
        "metres": 1.0,
        "meter": 1.0,
        "meters": 1.0,
        "cm": 0.01,
        "km": 1000.0,
        "ft": FOOT.value,
        "foot": FOOT.value,
        "feet": FOOT.value,
        "'": FOOT.value,
        "fm": FATHOM.value,
        "fathom": FATHOM.value,
        "fathoms": FATHOM.value,
        "nm": NAUTICAL_MILE.value,
        "nmi": NAUTICAL_MILE.value,
    },
    "speed": {
        "m/s": 1.0,
        "mps": 1.0,
        "kn": KNOT.value,
        "kt": KNOT.value,
        "kts": KNOT.value,
        "knot": KNOT.value,
        "knots": KNOT.value,
        "km/h": 1 / 3.6,
        "kmh": 1 / 3.6,
    },
    "time": {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "min": 60.0, "h": 3600.0},
    "angle": {"deg": 1.0, "°": 1.0, "degree": 1.0, "degrees": 1.0},
    "temperature": {"c": 1.0, "°c": 1.0, "degc": 1.0},
    "mass": {
        "kg": 1.0,
        "g": 0.001,
        "gram": 0.001,
        "grams": 0.001,
        "oz": OUNCE.value,
        "ounce": OUNCE.value,
        "ounces": OUNCE.value,
        "lb": 16 * OUNCE.value,
    },
}
_BARE: dict[Dimension, str] = {
    "length": "metres",
    "speed": "metres a second",
    "time": "seconds",
    "angle": "degrees",
    "temperature": "degrees Celsius",
    "mass": "kilograms",
}
_EXAMPLE: dict[Dimension, str] = {
    "length": "21.3m, 70ft or 9fm",
    "speed": "4.5kn or 2.3m/s",
    "time": "12s or 2min",
    "angle": "215deg",
    "temperature": "14C",
    "mass": "30g or 1oz",
}

SUFFIXES: dict[str, dict[str, float]] = {
    "_m": {"_m": 1.0, "_ft": FOOT.value, "_fm": FATHOM.value},
    "_mps": {"_mps": 1.0, "_kn": KNOT.value},
}
"""For each SI column suffix, the suffixes that readers accept in its place and their factor."""

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*([^\d\s].*?)?\s*$")


def parse_quantity(text: str, dimension: Dimension) -> float:
    """Read a number with a unit and return it in SI (degrees for angles).

    Parameters
    ----------
    text : str
        Such as ``"21.3m"``, ``"70 ft"``, ``"9fm"``, ``"4.5kn"``; a bare number is SI.
    dimension : {"length", "speed", "time", "angle", "temperature", "mass"}
        What is measured.

    Returns
    -------
    float
        Metres, metres a second, seconds, degrees, degrees Celsius or kilograms.

    Raises
    ------
    UsageError
        The text is not a finite number with a known unit.

    Examples
    --------
    >>> round(parse_quantity("70ft", "length"), 3)
    21.336
    >>> round(parse_quantity("4.5kn", "speed"), 4)
    2.315
    """
    match = _QUANTITY.match(text)
    if match is None or "," in (match[2] or ""):
        comma = " (write a decimal point, not a comma)" if "," in text else ""
        raise UsageError(
            f"{text!r} is not a number with a unit{comma}; write it like {_EXAMPLE[dimension]}"
        )
    number, unit = float(match[1]), (match[2] or "").strip()
    factors = _UNITS[dimension]
    factor = 1.0 if not unit else factors.get(unit, factors.get(unit.lower()))
    if factor is None:
        raise UsageError(
            f"{text!r} has the unit {unit!r}, which is no {dimension}; write it like "
            f"{_EXAMPLE[dimension]} (a bare number is in {_BARE[dimension]})"
        )
    value = number * factor
    if not math.isfinite(value):
        raise UsageError(f"{text!r} is too large to be a {dimension}")
    return value


def format_length(metres: float, units: UnitSystem = "metric", digits: int = 1) -> str:
    """Write a length in the user's units; empty text for NaN.

    Examples
    --------
    >>> format_length(21.336, "feet", 0)
    '70 ft'
    >>> format_length(18.288, "fathoms")
    '10.0 fm'
    """
    if math.isnan(metres):
        return ""
    factor, unit = {
        "metric": (1.0, "m"),
        "feet": (FOOT.value, "ft"),
        "fathoms": (FATHOM.value, "fm"),
    }[units]
    value = round(metres / factor, digits) + 0.0
    return f"{value:.{digits}f} {unit}"


def format_distance(metres: float, units: UnitSystem = "metric") -> str:
    """Write a way on the water: kilometres from 1 km on for metric, nautical miles otherwise.

    Examples
    --------
    >>> format_distance(50055.0), format_distance(640.0), format_distance(1852.0, "feet")
    ('50.1 km', '640 m', '1.0 nm')
    """
    if math.isnan(metres):
        return ""
    if units == "metric":
        return f"{metres / 1000:.1f} km" if metres >= 999.5 else f"{metres:.0f} m"
    if metres < 0.1 * NAUTICAL_MILE.value:
        return format_length(metres, units, 0)
    return f"{metres / NAUTICAL_MILE.value:.1f} nm"


def format_area(square_metres: float, units: UnitSystem = "metric") -> str:
    """Write an area: square metres, hectares, square kilometres; or square feet and acres.

    Examples
    --------
    >>> [format_area(a) for a in (640.0, 25_000.0, 2_540_000.0)]
    ['640 m²', '2.5 ha', '2.54 km²']
    >>> [format_area(a, "feet") for a in (100.0, 8093.7)]
    ['1076 ft²', '2.0 acres']
    """
    if math.isnan(square_metres):
        return ""
    if units != "metric":
        acres = square_metres / ACRE.value
        return (
            f"{acres:.1f} acres" if acres >= 0.995 else f"{square_metres / FOOT.value**2:.0f} ft²"
        )
    if square_metres < 10_000:
        return f"{square_metres:.0f} m²"
    if square_metres < 1_000_000:
        return f"{square_metres / 10_000:.1f} ha"
    return f"{square_metres / 1_000_000:.2f} km²"


def format_speed(mps: float, units: UnitSystem = "metric") -> str:
    """Write a speed: metres a second for metric, knots otherwise; empty text for NaN."""
    if math.isnan(mps):
        return ""
    return f"{mps:.1f} m/s" if units == "metric" else f"{mps / KNOT.value:.1f} kn"


def parse_angle(text: str) -> float:
    """Read degrees, degrees and minutes, or degrees, minutes and seconds, without a hemisphere.

    Examples
    --------
    >>> parse_angle("12 30.0")
    12.5
    >>> parse_angle("-12.5")
    -12.5
    """
    parts = [p for p in re.split(r"[\s°ºd:'′’\"″”]+", text.strip()) if p]
    if not 1 <= len(parts) <= 3 or not all(re.fullmatch(_NUMBER, p) for p in parts):
        raise UsageError(
            f"{text!r} is not an angle; write degrees (41.2345), degrees and minutes (41 14.07) "
            "or degrees, minutes and seconds (41 14 04.2)"
        )
    if any("e" in p.lower() for p in parts) or any(p[0] in "+-" for p in parts[1:]):
        raise UsageError(f"{text!r} is not an angle; only the degrees may have a sign")
    if any("." in p for p in parts[:-1]):
        raise UsageError(f"{text!r} is not an angle; only its last number may have decimals")
    degrees = abs(float(parts[0]))
    for part, scale in zip(parts[1:], (60.0, 3600.0), strict=False):
        if not 0 <= float(part) < 60:
            raise UsageError(f"{text!r} has {part} minutes or seconds; they run from 0 to 59.99")
        degrees += float(part) / scale
    return -degrees if parts[0].startswith("-") else degrees


def parse_heading(text: str) -> tuple[float, bool]:
    """Read a heading: ``"215"`` is true, ``"215M"`` is magnetic, ``"215T"`` is true too.

    Returns
    -------
    tuple of float and bool
        Degrees in [0, 360) and whether they are magnetic.

    Examples
    --------
    >>> parse_heading("215M")
    (215.0, True)
    """
    match = re.match(r"^(.*?)\s*([MmTt])?$", text.strip())
    assert match is not None  # the pattern takes any text
    try:
        degrees = parse_quantity(match[1], "angle")
    except UsageError as error:
        raise UsageError(
            f"{text!r} is not a heading; write 215 for true or 215M for magnetic"
        ) from error
    if not 0 <= degrees <= 360:
        raise UsageError(f"{text!r} is not a heading; headings run from 0 to 360 degrees")
    return degrees % 360.0, (match[2] or "T").upper() == "M"


def many(count: int, word: str) -> str:
    """Return a number with its word.

    Examples
    --------
    >>> many(1, "mark"), many(3, "mark")
    ('1 mark', '3 marks')
    """
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


_HEMISPHERE = {"N": ("lat", 1), "S": ("lat", -1), "E": ("lon", 1), "W": ("lon", -1)}


_COORDINATE = re.compile(r"^\s*([NSEWnsew])?\s*(.*?)\s*([NSEWnsew])?\s*$", re.DOTALL)


def _parse_coordinate(text: str, axis: Literal["lat", "lon"]) -> float:
    match = _COORDINATE.match(text)
    assert match is not None  # the pattern takes any text
    first, body, last = match.groups()
    name = "latitude" if axis == "lat" else "longitude"
    if first and last:
        raise UsageError(f"{text!r} names more than one hemisphere; one letter of N, S, E, W")
    try:
        value = parse_angle(body)
    except UsageError as error:
        raise UsageError(f"{name} {text!r}: {error}") from error
    if first or last:
        wanted, sign = _HEMISPHERE[(first or last).upper()]
        if wanted != axis:
            raise UsageError(f"{text!r} is no {name}; latitude takes N or S, longitude E or W")
        if body.startswith("-"):
            raise UsageError(f"{text!r} has both a minus sign and a hemisphere; keep one")
        value *= sign
    limit = 90.0 if axis == "lat" else 180.0
    if not -limit <= value <= limit:
        raise UsageError(
            f"{name} {text!r} is out of range; {name}s run from -{limit:g} to {limit:g}"
        )
    return value


def parse_position(lat: str, lon: str) -> tuple[float, float]:
    """Read a typed position and return longitude, latitude in decimal degrees.

    Parameters
    ----------
    lat, lon : str
        Decimal degrees, degrees and decimal minutes, or degrees minutes seconds, with a sign or
        a hemisphere letter: ``-33.8651``, ``33 51.906 S``, ``33°51'54.4"S``.

    Returns
    -------
    tuple of float
        ``(lon, lat)``.

    Raises
    ------
    UsageError
        Not readable, out of range, or of the wrong hemisphere.

    Examples
    --------
    >>> parse_position("33 30.0 S", "12.25")
    (12.25, -33.5)
    """
    return _parse_coordinate(lon, "lon"), _parse_coordinate(lat, "lat")


def format_position(
    lon: float, lat: float, style: Literal["degrees", "minutes"] = "minutes"
) -> str:
    """Write a position, latitude first, as people read and type it.

    ``minutes`` gives degrees and minutes to 0.0001 minute (under 0.2 m), ``degrees`` gives
    decimal degrees to 1e-6 (about 0.1 m).

    Examples
    --------
    >>> format_position(12.25, -33.5)
    "33°30.0000'S 012°15.0000'E"
    >>> format_position(12.25, -33.5, "degrees")
    '-33.500000 12.250000'
    """
    if style == "degrees":
        return f"{lat:.6f} {lon:.6f}"

    def one(value: float, width: int, letters: str) -> str:
        # Counted in ten-thousandths of a minute, so that 59.99999 carries into the degree.
        units = round(abs(value) * 600_000)
        degrees, rest = divmod(units, 600_000)
        letter = letters[0] if value >= 0 else letters[1]
        return f"{degrees:0{width}d}°{rest / 10_000:07.4f}'{letter}"

    return f"{one(lat, 2, 'NS')} {one(lon, 3, 'EW')}"
