"""Plain GPX track points, cut out of the bytes by one regular expression.

Nearly all of a large file is track points that look alike: a position, a few numbers, a time,
perhaps a block of extensions. The expression is made for the points of the piece at hand. What it
takes is a whole element of known, balanced tags without attributes and of printable ASCII between
them, so that it can neither begin nor end inside a comment, a CDATA section or a value, and
cannot hide anything that is not well-formed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.formats import texts
from athwart.formats.gpx_fields import FIXES, NUMBERS, TEXTS, out_of_range
from athwart.tables import text_array

__all__ = ["Run", "cut_runs"]

_BLANK = b" \t\r\n"
_BREAKS = bytes(sorted(set(range(256)) - {10, 13}))
_S = rb"[ \t\r\n]"
_DEGREES = rb"([-+]?\d{1,3}(?:\.\d{0,20})?)"
_NUMBER = rb"([-+]?\d{1,12}(?:\.\d{0,20})?)"
_TIME = rb"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?)Z"
_TEXT = rb"([ !-%'-;=?-~]*)"
_SLOT = rb"[ \t\r\n!-%'-;=?-~]*"
_SAMPLE = re.compile(
    rb'<trkpt%(s)s+(lat|lon)="%(d)s"%(s)s+(?:lat|lon)="%(d)s"%(s)s*>(.{0,3000}?)</trkpt>'
    % {b"s": _S, b"d": _DEGREES.replace(b"(", b"(?:", 1)},
    re.DOTALL,
)
_SAMPLES = 30
_ANY_TAG = re.compile(rb"<[^<>]*>")
_PLAIN_TAG = re.compile(rb"<(/?)([A-Za-z_][A-Za-z0-9_.-]*(?::[A-Za-z_][A-Za-z0-9_.-]*)?)(/?)>")
_NOT_HERE = ("url", "urlname")
_WORTH = 5
"""How many points a run must have on average for the cut to pay."""


@dataclass(frozen=True)
class _Shape:
    """How the points of a piece look."""

    lat_first: bool
    fields: tuple[str, ...]
    block: tuple[bytes, ...]
    """Tags of the extensions, the enclosing ones included."""
    names: frozenset[str] = frozenset()
    """Names of the elements in the extensions, as written."""
    children: int = 0
    """How many elements stand directly in the extensions."""

    @property
    def groups(self) -> int:
        """How many groups the expression has."""
        return 2 + len(self.fields) + bool(self.block)


@dataclass
class Run:
    """Plain track points cut out of the stream."""

    columns: dict[str, NDArray[Any]]
    bad: NDArray[np.bool_]
    dropped: dict[str, int]
    extensions: int
    names: frozenset[str]
    body: bytes
    pattern: re.Pattern[bytes] = field(repr=False)

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
    shape = _learn(data)
    if shape is None:
        return data, []
    pattern = _pattern(shape)
    parts = pattern.split(data)
    step = shape.groups + 1
    n = (len(parts) - 1) // step
    gaps = parts[0::step]
    inner = [i for i in range(1, n) if gaps[i].strip(_BLANK)]
    if n == 0 or len(inner) * _WORTH > n:
        return data, []
    columns, bad, dropped = _columns(parts, shape)
    blocks = np.array([p is not None for p in parts[step - 1 :: step]]) if shape.block else None
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
                0 if blocks is None else int(blocks[rows].sum()) * shape.children,
                shape.names,
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


def _learn(data: bytes) -> _Shape | None:
    """Return the shape of the fullest of the first points, or None if it is not plain."""
    best: tuple[int, bytes, list[bytes]] | None = None
    at = 0
    for _ in range(_SAMPLES):
        match = _SAMPLE.search(data, at)
        if match is None:
            break
        tags = _ANY_TAG.findall(match[2])
        if best is None or len(tags) > best[0]:
            best = (len(tags), match[1], tags)
        at = match.end()
    return None if best is None else _shape(best[1] == b"lat", tuple(best[2]))


@lru_cache(maxsize=64)
def _shape(lat_first: bool, tags: tuple[bytes, ...]) -> _Shape | None:
    fields: list[str] = []
    i = 0
    while i < len(tags):
        match = _PLAIN_TAG.fullmatch(tags[i])
        if match is None or match[1] or match[3]:
            return None
        name = match[2].decode()
        if name == "extensions":
            return _with_block(lat_first, tuple(fields), tags[i:])
        known = name in NUMBERS or name in TEXTS or name == "time"
        if not known or name in _NOT_HERE or name in fields:
            return None
        if i + 1 == len(tags) or tags[i + 1] != b"</%s>" % match[2]:
            return None
        fields.append(name)
        i += 2
    return _Shape(lat_first, tuple(fields), ())


def _with_block(lat_first: bool, fields: tuple[str, ...], tags: tuple[bytes, ...]) -> _Shape | None:
    """Return the shape of points that end in extensions; every tag must be plain and balanced."""
    stack: list[bytes] = []
    names: set[str] = set()
    children = 0
    for i, tag in enumerate(tags):
        match = _PLAIN_TAG.fullmatch(tag)
        if match is None:
            return None
        closing, name, empty = match.groups()
        if closing:
            if empty or not stack or stack.pop() != name:
                return None
            if not stack and i + 1 < len(tags):
                return None
            continue
        if stack:
            names.add(name.decode())
            children += len(stack) == 1
        if not empty:
            stack.append(name)
    if stack:
        return None
    return _Shape(lat_first, fields, tags, frozenset(names), children)


@lru_cache(maxsize=64)
def _pattern(shape: _Shape) -> re.Pattern[bytes]:
    first, second = (b"lat", b"lon") if shape.lat_first else (b"lon", b"lat")
    head = rb'<trkpt%(s)s+%(a)s="%(d)s"%(s)s+%(b)s="%(d)s"%(s)s*' % {
        b"s": _S,
        b"a": first,
        b"b": second,
        b"d": _DEGREES,
    }
    body = b""
    for name in shape.fields:
        value = _TIME if name == "time" else _NUMBER if name in NUMBERS else _TEXT
        body += rb"(?:<%(n)s>%(v)s</%(n)s>%(s)s*)?" % {b"n": name.encode(), b"v": value, b"s": _S}
    if shape.block:
        # The empty group tells that the block is there.
        body += rb"(?:()" + _SLOT.join(map(re.escape, shape.block)) + _S + rb"*)?"
    return re.compile(head + rb"(?:/>|>" + _S + rb"*" + body + rb"</trkpt>)")


def _columns(
    parts: list[Any], shape: _Shape
) -> tuple[dict[str, NDArray[Any]], NDArray[np.bool_], dict[str, NDArray[np.bool_]]]:
    """Turn what the expression cut out into columns by GPX name."""
    step = shape.groups + 1
    n = (len(parts) - 1) // step
    a = np.fromiter(map(float, parts[1::step]), np.float64, n)
    b = np.fromiter(map(float, parts[2::step]), np.float64, n)
    lat, lon = (a, b) if shape.lat_first else (b, a)
    lon[lon == 180.0] = -180.0
    bad = (np.abs(lat) > 90.0) | (np.abs(lon) > 180.0)
    columns: dict[str, NDArray[Any]] = {"lon": lon, "lat": lat}
    dropped: dict[str, NDArray[np.bool_]] = {}
    for k, name in enumerate(shape.fields, start=3):
        cells = parts[k::step]
        if not any(c is not None for c in cells):
            continue
        if name == "time":
            columns[name], dropped[name] = _times(cells)
        elif name in NUMBERS:
            values = np.fromiter((np.nan if c is None else float(c) for c in cells), np.float64, n)
            outside = out_of_range(name, values)
            values[outside] = np.nan
            columns[name], dropped[name] = values, outside
        else:
            words = text_array((c or b"").strip().decode("ascii") for c in cells)
            if name == "fix":
                unknown = ~np.isin(words.astype(str), [*FIXES, ""])
                words[unknown] = ""
                dropped[name] = unknown
            columns[name] = words
    return columns, bad, dropped


def _times(cells: list[bytes | None]) -> tuple[NDArray[np.datetime64], NDArray[np.bool_]]:
    moments = [c or b"" for c in cells]
    try:
        times = np.array(moments).astype("datetime64[us]")
    except ValueError:
        times, state = texts.parse_times([f"{m.decode()}Z" if m else "" for m in moments])
        return times, np.asarray(state == texts.BAD)
    wrong = ~(np.isnat(times) | texts.can_be_written(times))
    times[wrong] = np.datetime64("NaT", "us")
    return times, np.asarray(wrong)
