"""Numbers and times out of text, a whole column in one go, and nothing that is not one.

Times follow ISO 8601. A time with a zone becomes UTC; one without takes the zone that the caller
names, and where a clock change makes it mean two moments or none it is refused.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from athwart.errors import UsageError

__all__ = [
    "AMBIGUOUS",
    "BAD",
    "EMPTY",
    "NONEXISTENT",
    "NO_ZONE",
    "OK",
    "can_be_written",
    "format_times",
    "load_zone",
    "parse_numbers",
    "parse_times",
]

OK, EMPTY, BAD, NO_ZONE, AMBIGUOUS, NONEXISTENT = range(6)

_BLANK = " \t\r\n"
_NUMBER_BYTES = b"0123456789+-.eE,"
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_TAIL = re.compile(r"(?:[.,](\d{1,18}))?\s?(Z|z|UTC|[+-]\d\d(?::?\d\d)?)?", re.ASCII)
_SHORT = re.compile(r"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d)(Z|z|[+-]\d\d(?::?\d\d)?)?", re.ASCII)
_DIGITS = np.array([0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18])
_BLOCK_S = 900
_US = 1_000_000
# ISO 8601 writes four digits of a year; what lies outside in UTC could be read but never written.
_FIRST = np.datetime64("0001-01-01", "us")
_LAST = np.datetime64("9999-12-31T23:59:59.999999", "us")


def parse_numbers(texts: Sequence[str]) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    """Read a column of plain numbers.

    Parameters
    ----------
    texts : sequence of str
        Decimal or exponent form with a point; blanks around it do not matter. ``nan``, ``inf``,
        underscores and digits of other scripts are no numbers here.

    Returns
    -------
    values : numpy.ndarray
        NaN where there is none.
    state : numpy.ndarray
        `OK`, `EMPTY` or `BAD`.

    Examples
    --------
    >>> parse_numbers(["1.5", "", "nan"])
    (array([1.5, nan, nan]), array([0, 1, 2], dtype=int8))
    """
    n = len(texts)
    state = np.zeros(n, dtype=np.int8)
    try:
        plain = not ",".join(texts).encode("ascii").translate(None, _NUMBER_BYTES)
        if plain:
            return np.fromiter(map(float, texts), np.float64, n), _finite_state(texts, state)
    except (ValueError, UnicodeEncodeError):
        pass
    values = np.full(n, np.nan)
    for i, text in enumerate(texts):
        text = text.strip(_BLANK)
        if not text:
            state[i] = EMPTY
        elif _NUMBER.fullmatch(text):
            values[i] = float(text)
        else:
            state[i] = BAD
    infinite = np.isinf(values)
    values[infinite], state[infinite] = np.nan, BAD
    return values, state


def _finite_state(texts: Sequence[str], state: NDArray[np.int8]) -> NDArray[np.int8]:
    # Only an exponent can overflow a double, so that the plain case costs nothing here.
    if any("e" in t or "E" in t for t in texts) or max(map(len, texts), default=0) > 300:
        raise ValueError
    return state


def parse_times(
    texts: Sequence[str], zone: ZoneInfo | None = None
) -> tuple[NDArray[np.datetime64], NDArray[np.int8]]:
    """Read a column of ISO 8601 times.

    Parameters
    ----------
    texts : sequence of str
        ``2031-05-04T06:00:00Z``, with ``T`` or a blank, with or without a fraction (cut to the
        microsecond), seconds and zone.
    zone : zoneinfo.ZoneInfo, optional
        What a time without a zone is in.

    Returns
    -------
    times : numpy.ndarray of datetime64[us]
        UTC; NaT where there is none.
    state : numpy.ndarray
        `OK`, `EMPTY`, `BAD` (in UTC outside the years 1 to 9999, too), `NO_ZONE` (the time is then
        as written), `AMBIGUOUS` or `NONEXISTENT` at a clock change.

    Examples
    --------
    >>> parse_times(["2031-05-04T06:00:00.5+02:00"])[0]
    array(['2031-05-04T04:00:00.500000'], dtype='datetime64[us]')
    """
    n = len(texts)
    micros = np.zeros(n, dtype=np.int64)
    state = np.full(n, BAD, dtype=np.int8)
    if n == 0:
        return micros.astype("datetime64[us]"), state
    width = 48
    rows = [t.strip().encode("ascii", "replace") for t in texts]
    matrix = np.array(rows, dtype=f"S{width}").view(np.uint8).reshape(n, width)
    state[matrix[:, 0] == 0] = EMPTY
    digits = matrix[:, _DIGITS].astype(np.int64) - 48
    seconds_given = _shape(matrix, digits)
    for i in np.flatnonzero((state == BAD) & ~seconds_given):
        short = _SHORT.fullmatch(rows[i].decode())
        if short:
            text = f"{short[1]}:00{short[2] or ''}".encode()
            matrix[i] = 0
            matrix[i, : len(text)] = np.frombuffer(text, np.uint8)
            digits[i] = matrix[i, _DIGITS].astype(np.int64) - 48
            seconds_given[i] = True
    days, valid = _days(digits)
    h, mi, s = (digits[:, k] * 10 + digits[:, k + 1] for k in (8, 10, 12))
    # 24:00:00 ends a day and 23:59:60 is a leap second; both are the next second.
    clock = ((h < 24) & (mi < 60) & (s < 60)) | ((h == 24) & (mi == 0) & (s == 0))
    clock |= (h == 23) & (mi == 59) & (s == 60)
    valid &= clock & seconds_given
    tails = np.ascontiguousarray(matrix[:, 19:]).view(f"S{width - 19}").ravel()
    unique, back = np.unique(tails, return_inverse=True)
    parsed = [_tail(t.decode()) for t in unique]
    good, shift, zoned = (np.array([p[k] for p in parsed])[back] for k in range(3))
    valid &= good.astype(bool)
    micros = ((days * 24 + h) * 60 + mi) * 60 + s
    micros = np.where(valid, micros * _US + shift, 0)
    state[valid] = np.where(zoned[valid], OK, NO_ZONE)
    if zone is not None:
        naive = np.flatnonzero(state == NO_ZONE)
        if len(naive):
            micros[naive], state[naive] = _localize(micros[naive], zone)
    times = micros.astype("datetime64[us]")
    state[~can_be_written(times)] = BAD
    times[(state != OK) & (state != NO_ZONE)] = np.datetime64("NaT", "us")
    return times, state


def _shape(matrix: NDArray[np.uint8], digits: NDArray[np.int64]) -> NDArray[np.bool_]:
    fits = np.all((digits >= 0) & (digits <= 9), axis=1)
    for at, marks in ((4, b"-"), (7, b"-"), (10, b"T "), (13, b":"), (16, b":")):
        fits &= np.isin(matrix[:, at], list(marks))
    return np.asarray(fits)


def _days(digits: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    year = digits[:, :4] @ np.array([1000, 100, 10, 1])
    month, day = (digits[:, k] * 10 + digits[:, k + 1] for k in (4, 6))
    valid = (year >= 1) & (month >= 1) & (month <= 12) & (day >= 1)
    months = np.where(valid, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    first = months.astype("datetime64[D]").astype(np.int64)
    after = (months + 1).astype("datetime64[D]").astype(np.int64)
    days = first + day - 1
    return days, np.asarray(valid & (days < after))


def _tail(text: str) -> tuple[bool, int, bool]:
    """Return whether it can be read, the microseconds to add, and whether there is a zone."""
    match = _TAIL.fullmatch(text)
    if match is None:
        return False, 0, False
    micros = int((match[1] or "0")[:6].ljust(6, "0"))
    zone = match[2]
    if zone is None or zone in ("Z", "z", "UTC"):
        return True, micros, zone is not None
    hours, minutes = int(zone[1:3]), int(zone[3:].lstrip(":") or 0)
    if hours > 14 or minutes > 59:
        return False, 0, False
    offset = (hours * 60 + minutes) * 60 * _US
    return True, micros - (offset if zone[0] == "+" else -offset), True


def _localize(
    micros: NDArray[np.int64], zone: ZoneInfo
) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Take local wall-clock times to UTC; a zone's offset is looked up once a quarter of an hour."""
    # Clock changes fall on whole quarters of an hour in every zone since railway time.
    blocks, back = np.unique(micros // (_BLOCK_S * _US), return_inverse=True)
    offsets = np.zeros(len(blocks), dtype=np.int64)
    states = np.zeros(len(blocks), dtype=np.int8)
    for i, block in enumerate(blocks.tolist()):
        try:
            moment = datetime(1970, 1, 1) + timedelta(seconds=block * _BLOCK_S)
            early = moment.replace(tzinfo=zone, fold=0).utcoffset()
            late = moment.replace(tzinfo=zone, fold=1).utcoffset()
        except (OverflowError, ValueError):
            states[i] = BAD
            continue
        assert early is not None
        assert late is not None
        if early != late:
            states[i] = NONEXISTENT if early < late else AMBIGUOUS
        offsets[i] = early // timedelta(microseconds=1)
    return micros - offsets[back], states[back]


def load_zone(name: str | None) -> ZoneInfo | None:
    """Return the IANA zone of a name.

    Raises
    ------
    UsageError
        No such zone.
    """
    if not name:
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise UsageError(
            f"{name!r} is no time zone; write it like Europe/Lisbon, America/Halifax or UTC"
        ) from error


def can_be_written(times: NDArray[np.datetime64]) -> NDArray[np.bool_]:
    """Return which times lie in the years 1 to 9999, UTC; NaT does not."""
    return np.asarray((times >= _FIRST) & (times <= _LAST))


def format_times(times: NDArray[np.datetime64]) -> list[str]:
    """Write times as ISO 8601 with Z, the fraction only where there is one, ``""`` for NaT.

    A year outside 1 to 9999 cannot be written and is left empty too.

    Examples
    --------
    >>> format_times(np.array(["2031-05-04T06:00:00.250", "NaT"], "datetime64[us]"))
    ['2031-05-04T06:00:00.25Z', '']
    """
    times = times.astype("datetime64[us]")
    usable = can_be_written(times)
    out = np.full(len(times), "", dtype=object)
    texts = np.datetime_as_string(times[usable], unit="us").tolist()
    out[usable] = [
        (t[:-7] if t.endswith(".000000") else t.rstrip("0")) + "Z" if "." in t else t + "Z"
        for t in texts
    ]
    return list(out)
