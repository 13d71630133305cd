"""Plain GPX track points, cut out of the bytes by one regular expression.

Most of a large file is track points with nothing but a position, a height and a time. What the
expression takes is a whole element of digits and known tags, so that it can neither begin nor end
inside a comment, a CDATA section or a value.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.formats import texts

__all__ = ["Run", "cut_runs"]

_S = rb"[ \t\r\n]"
_DEGREES = rb"([-+]?\d{1,3}(?:\.\d{0,20})?)"
_REST = (
    rb"%(s)s*(?:/>|>%(s)s*"
    rb"(?:<ele>([-+]?\d{1,6}(?:\.\d{0,20})?)</ele>%(s)s*)?"
    rb"(?:<time>(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?)Z</time>%(s)s*)?"
    rb"</trkpt>)"
) % {b"s": _S}
_HEAD = rb'<trkpt%(s)s+%(a)s="%(n)s"%(s)s+%(b)s="%(n)s"'
_PLAIN = {
    first: re.compile(_HEAD % {b"s": _S, b"n": _DEGREES, b"a": first, b"b": second} + _REST)
    for first, second in ((b"lat", b"lon"), (b"lon", b"lat"))
}
_FIRST_PLAIN = re.compile(rb"<trkpt" + _S + rb"+(lat|lon)=")
_BREAKS = bytes(sorted(set(range(256)) - {10, 13}))

_BLANK = b" \t\r\n"


@dataclass
class Run:
    """Plain track points cut out of the stream."""

    columns: dict[str, NDArray[Any]]
    bad: NDArray[np.bool_]
    dropped: dict[str, int]
    body: bytes
    pattern: re.Pattern[bytes]

    def lines_before(self) -> list[int]:
        """Return how many line breaks stand before each point of the body."""
        lines = []
        for match in self.pattern.finditer(self.body):
            before = self.body[: match.start()]
            pairs = before.count(b"\r\n")
            lines.append(before.count(b"\n") + before.count(b"\r") - pairs)
        return lines


def cut_runs(data: bytes, token: bytes, number: int) -> tuple[bytes, list[Run]]:
    """Exchange runs of plain track points for empty elements.

    Parameters
    ----------
    data : bytes
        A piece of the file, in UTF-8.
    token : bytes
        Name of the elements; it must not occur in the file.
    number : int
        Number of the first run; it stands in the element's attribute.

    Returns
    -------
    data : bytes
        The piece with the runs exchanged, its line breaks kept.
    runs : list of Run
        In order; empty where it is not worth it.
    """
    first = _FIRST_PLAIN.search(data)
    if first is None:
        return data, []
    pattern = _PLAIN[first[1]]
    parts = pattern.split(data)
    n = (len(parts) - 1) // 5
    gaps = parts[0::5]
    inner = [i for i in range(1, n) if gaps[i].strip(_BLANK)]
    if n == 0 or len(inner) * 5 > n:
        return data, []
    columns, bad, dropped = _plain_columns(parts, lat_first=first[1] == b"lat")
    edges = [0, *inner, n]
    if inner:
        spans = [m.span() for m in pattern.finditer(data)]
        bounds = [(spans[a][0], spans[b - 1][1]) for a, b in pairwise(edges)]
    else:
        bounds = [(len(gaps[0]), len(data) - len(gaps[n]))]
    runs: list[Run] = []
    out, at = [], 0
    for k, (start, end) in enumerate(bounds):
        rows = slice(edges[k], edges[k + 1])
        body = data[start:end]
        runs.append(
            Run(
                {name: values[rows] for name, values in columns.items()},
                bad[rows],
                {name: int(mask[rows].sum()) for name, mask in dropped.items()},
                body if bad[rows].any() else b"",
                pattern,
            )
        )
        # The line breaks stay, so that the parser's line numbers stay true.
        breaks = body.translate(None, _BREAKS)
        out += [data[at:start], b'<%s i="%d"' % (token, number + k), breaks, b"/>"]
        at = end
    out.append(data[at:])
    return b"".join(out), runs


def _plain_columns(
    parts: list[Any], *, lat_first: bool
) -> tuple[dict[str, NDArray[Any]], NDArray[np.bool_], dict[str, NDArray[np.bool_]]]:
    """Turn what the expression cut out into columns; only digits, signs and points get here."""
    n = (len(parts) - 1) // 5
    a = np.fromiter(map(float, parts[1::5]), np.float64, n)
    b = np.fromiter(map(float, parts[2::5]), np.float64, n)
    lat, lon = (a, b) if lat_first else (b, a)
    lon[lon == 180.0] = -180.0
    bad = (np.abs(lat) > 90.0) | (np.abs(lon) > 180.0)
    columns: dict[str, NDArray[Any]] = {"lon": lon, "lat": lat}
    dropped: dict[str, NDArray[np.bool_]] = {}
    heights = parts[3::5]
    if any(heights):
        columns["ele"] = np.fromiter(
            (np.nan if h is None else float(h) for h in heights), np.float64, n
        )
    moments = [m or b"" for m in parts[4::5]]
    if any(moments):
        try:
            times = np.array(moments).astype("datetime64[us]")
            first_year = np.datetime64("0001-01-01", "us")
            with np.errstate(invalid="ignore"):
                wrong = times < first_year
            times[wrong] = np.datetime64("NaT", "us")
        except ValueError:
            times, state = texts.parse_times([f"{m.decode()}Z" if m else "" for m in moments])
            wrong = state == texts.BAD
        columns["time"] = times
        dropped["time"] = np.asarray(wrong)
    return columns, bad, dropped
