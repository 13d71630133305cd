"""GPX 1.0 and 1.1 in: every point of the file is taken or rejected by row and reason.

The file runs through expat in pieces, so that memory does not grow with the text, entities are
never expanded and no address is ever opened. Namespaces are resolved here and not by expat: real
files use prefixes that they never bind, and a strict parser would refuse them whole.

Most of a large file is track points with nothing but a position, a height and a time. One regular
expression cuts runs of them out of the byte stream and puts an empty element with a secret name in
their place; expat then says where that element stands. In a track the run's numbers are taken, in
a comment it never shows up, and anywhere else the file is read again with the expression off. The
outcome is therefore the same with and without it, which the tests hold.
"""

from __future__ import annotations

import codecs
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from athwart.contents import Contents
from athwart.errors import BadRow, FileError
from athwart.formats import rows as rowing
from athwart.formats import texts
from athwart.formats.gpx_fields import FIXES, GPX_10, GPX_11, NAMESPACE, NUMBERS, TEXTS
from athwart.formats.registry import ReadOptions
from athwart.formats.sniff import looks_like
from athwart.tables import KINDS, Marks, Sightings, Track, Waypoints, text_array

__all__ = ["read"]

_CHUNK = 1 << 20
_BATCH = 20_000
_NAIVE_WORDS = "{n} times have no zone; GPX times are UTC by the standard and were taken so"

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
_DECLARED = re.compile(
    rb"""^<\?xml[^>]{0,200}?encoding[ \t\r\n]*=[ \t\r\n]*["']([A-Za-z0-9._:-]+)["']"""
)

# What an open element is to us.
_DOC, _ROOT, _BOX, _LINE, _SEG, _POINT, _FIELD, _INSIDE, _LINK, _LINKPART, _EXT = range(11)
_SKIP, _CAPTURE, _OWN, _HEADING = range(11, 15)

_POINT_TAGS = {"wpt": "waypoint", "rtept": "route point", "trkpt": "track point"}
_LINE_FIELDS = ("name", "cmt", "desc", "src", "number", "type", "url", "urlname")
_HEADING_FIELDS = (
    "name", "desc", "author", "email", "url", "urlname", "time", "keywords", "bounds", "copyright",
    "link", "metadata",
)  # fmt: skip


class _NotPlainError(Exception):
    """A run stands where track points usually do not; read again without runs."""


@dataclass
class _Node:
    """An element of our own namespace."""

    tag: str
    attributes: dict[str, str]
    children: list[_Node] = field(default_factory=list)
    text: str = ""


@dataclass
class _Run:
    """Plain track points cut out of the stream."""

    columns: dict[str, NDArray[Any]]
    bad: NDArray[np.bool_]
    dropped: dict[str, int]
    body: bytes
    pattern: re.Pattern[bytes]


@dataclass
class _Points:
    """Points of one kind on their way into columns; memory stays bounded by the batch."""

    title: str
    count: int = 0
    pending: list[dict[str, Any]] = field(default_factory=list)
    pieces: list[dict[str, NDArray[Any]]] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    """Name of each line."""
    loose: int | None = None
    """The line that points outside any track or route go to."""


class _Reader:
    """One pass over one file."""

    def __init__(self, source: str, options: ReadOptions, *, runs: bool) -> None:
        self.source = source
        self.options = options
        self.token = f"r{secrets.token_hex(12)}" if runs else ""
        self.runs: dict[int, _Run] = {}
        self.run_number = 0
        self.line_offset = 0
        self.saw_cdata = False
        self.stack = [_DOC]
        self.root_uri = ""
        self.prefixes: dict[str, str] = {"xml": "http://www.w3.org/XML/1998/namespace"}
        self.names: dict[str, tuple[bool, str, str]] = {}
        self.scopes: list[tuple[int, dict[str, str], dict[str, tuple[bool, str, str]]]] = []
        self.point: dict[str, Any] = {}
        self.outer_points: list[dict[str, Any]] = []
        self.text: list[str] | None = None
        self.field_name = ""
        self.field_target: dict[str, Any] = {}
        self.lines: list[tuple[_Points | None, int, int | None]] = []
        self.segments = 0
        self.captured: list[str] = []
        self.capture_depth = 0
        self.depth_at = 0
        self.depth_text: list[str] | None = None
        self.own: list[_Node] = []
        self.root_own: list[_Node] = []
        self.waypoints: list[dict[str, Any]] = []
        self.tracks = _Points("track point")
        self.routes = _Points("route point")
        self.counts = dict.fromkeys(
            ("waypoints", "route_points", "track_points", "routes", "tracks"), 0
        )
        self.rejected: dict[str, list[BadRow]] = {title: [] for title in _POINT_TAGS.values()}
        self.dropped: dict[str, int] = {}
        self.uncarried: dict[str, int] = {}
        self.naive_times = 0
        self.ours = False
        self.loose_segment = 0
        self.parser: Any = None

    # -- feeding ---------------------------------------------------------------------------

    def run(self, pieces: Iterator[bytes], encoding: str, line_offset: int) -> None:
        """Parse the file; expat errors and refusals come out as they are."""
        self.line_offset = line_offset
        parser = expat.ParserCreate(encoding)
        self.parser = parser
        parser.ordered_attributes = True
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._doctype
        parser.EntityDeclHandler = self._entity
        parser.StartCdataSectionHandler = self._cdata
        rest = b""
        for piece in pieces:
            data = rest + piece if rest else piece
            if self.token:
                cut = data.rfind(b"</trkpt>") + 8
                data, rest = (data[:cut], data[cut:]) if cut >= 8 else (data, b"")
                self._feed(data)
            else:
                parser.Parse(data, False)
        if rest:
            parser.Parse(rest, False)
        parser.Parse(b"", True)

    def _feed(self, data: bytes) -> None:
        first = _FIRST_PLAIN.search(data)
        if first is None:
            self.parser.Parse(data, False)
            return
        pattern = _PLAIN[first[1]]
        parts = pattern.split(data)
        n = (len(parts) - 1) // 5
        gaps = parts[0::5]
        inner = [i for i in range(1, n) if gaps[i].strip(b" \t\r\n")]
        if len(inner) * 5 > n or n == 0:
            self.parser.Parse(data, False)
            return
        columns, bad, dropped = _plain_columns(parts, lat_first=first[1] == b"lat")
        if inner:
            spans = [m.span() for m in pattern.finditer(data)]
            edges = [0, *inner, n]
            bounds = [
                (spans[a][0], spans[b - 1][1]) for a, b in zip(edges, edges[1:], strict=False)
            ]
        else:
            edges, bounds = [0, n], [(len(gaps[0]), len(data) - len(gaps[n]))]
        out, at = [], 0
        for k, (start, end) in enumerate(bounds):
            rows = slice(edges[k], edges[k + 1])
            body = data[start:end]
            faulty = bool(bad[rows].any())
            self.runs[self.run_number] = _Run(
                {name: values[rows] for name, values in columns.items()},
                bad[rows],
                {name: int(mask[rows].sum()) for name, mask in dropped.items()},
                body if faulty else b"",
                pattern,
            )
            # The line breaks stay, so that expat's line numbers stay true.
            breaks = body.translate(None, _BREAKS)
            out += [
                data[at:start],
                b'<%s i="%d"' % (self.token.encode(), self.run_number),
                breaks,
                b"/>",
            ]
            self.run_number += 1
            at = end
        out.append(data[at:])
        self.parser.Parse(b"".join(out), False)

    # -- expat's events --------------------------------------------------------------------

    def _line(self) -> int:
        return int(self.parser.CurrentLineNumber) + self.line_offset

    def _doctype(self, name: str, system: str | None, public: str | None, subset: int) -> None:
        if subset or system or public:
            raise FileError(
                self.source,
                f"line {self._line()}: the file declares a document type with entities of its own "
                "or of another file; such a file can do harm and is not read",
            )

    def _entity(self, *_: Any) -> None:
        raise FileError(self.source, f"line {self._line()}: the file declares entities; not read")

    def _cdata(self) -> None:
        self.saw_cdata = True

    def _characters(self, data: str) -> None:
        if self.text is not None:
            self.text.append(data)

    def _declare(self, attributes: list[str]) -> None:
        new = dict(self.prefixes)
        for i in range(0, len(attributes), 2):
            name = attributes[i]
            if name == "xmlns":
                new[""] = attributes[i + 1]
            elif name.startswith("xmlns:"):
                new[name[6:]] = attributes[i + 1]
        self.scopes.append((len(self.stack), self.prefixes, self.names))
        self.prefixes, self.names = new, {}

    def _resolve(self, name: str) -> tuple[bool, str, str]:
        """Return whether a name is GPX's own, its namespace and its local part."""
        prefix, colon, local = name.rpartition(":")
        uri = self.prefixes.get(prefix)
        if uri is None:
            uri = f"urn:x-unbound:{prefix}" if colon else ""
        found = (uri in ("", self.root_uri, GPX_10, GPX_11), uri, local)
        self.names[name] = found
        return found

    def _start(self, name: str, attributes: list[str]) -> None:
        stack = self.stack
        for i in range(0, len(attributes), 2):
            if attributes[i].startswith("xmlns"):
                self._declare(attributes)
                break
        top = stack[-1]
        if name == self.token:
            self._take_run(int(attributes[1]), top)
            stack.append(_SKIP)
            return
        is_gpx, uri, local = self.names.get(name) or self._resolve(name)
        if top == _POINT:
            stack.append(self._start_in_point(name, is_gpx, uri, local, attributes))
        elif top in (_ROOT, _SEG, _LINE, _BOX):
            stack.append(self._start_in_box(top, is_gpx, uri, local, attributes))
        elif top in (_FIELD, _INSIDE):
            stack.append(_INSIDE)
        elif top == _EXT:
            stack.append(self._start_in_extensions(name, uri, local, attributes))
        elif top == _CAPTURE:
            self._capture_start(name, uri, local, attributes)
            stack.append(_CAPTURE)
        elif top == _OWN:
            node = _Node(local, _pairs(attributes))
            self.own[-1].children.append(node)
            self.own.append(node)
            self.text = []
            stack.append(_OWN)
        elif top == _LINK:
            self._open_field(local, self.field_target)
            stack.append(_LINKPART)
        elif top == _DOC:
            if local != "gpx":
                raise FileError(
                    self.source,
                    f"line {self._line()}: the file starts with <{name}>, not with <gpx>; "
                    "it is XML but not GPX",
                )
            self.root_uri = uri
            self.names = {}
            self.ours = _pairs(attributes).get("creator", "").startswith("athwart")
            stack.append(_ROOT)
        else:
            if top == _HEADING and len(stack) == 3:
                self._heading_field(local)
            stack.append(_SKIP)

    def _start_in_box(
        self, top: int, is_gpx: bool, uri: str, local: str, attributes: list[str]
    ) -> int:
        if not is_gpx:
            if uri == NAMESPACE:
                return self._open_own(local, attributes, self.root_own)
            self._not_carried("extension elements outside points")
            return _SKIP
        if local in _POINT_TAGS:
            return self._open_point(local, attributes)
        if local in ("trk", "rte"):
            points = self.tracks if local == "trk" else self.routes
            self.counts["tracks" if local == "trk" else "routes"] += 1
            self.lines.append((points, len(points.names), None))
            points.names.append("")
            return _LINE
        if local == "trkseg":
            if self.lines:
                points, line, _ = self.lines[-1]
                self.lines[-1] = (points, line, self._new_segment())
            return _SEG
        if local == "extensions":
            self.point = {}
            return _EXT
        if top in (_LINE, _SEG) and local in _LINE_FIELDS:
            self.point = {}
            self._open_field(local, self.point)
            return _FIELD
        if top == _ROOT and local in _HEADING_FIELDS:
            self._heading_field(local)
            return _HEADING
        if local == "link":
            self._not_carried("links of tracks and routes")
            return _SKIP
        return _BOX

    def _heading_field(self, local: str) -> None:
        if local not in ("metadata", "time", "bounds") and not self.ours:
            self._not_carried("elements of the file's heading")

    def _new_segment(self) -> int:
        self.segments += 1
        return self.segments - 1

    def _open_point(self, local: str, attributes: list[str]) -> int:
        if self.stack[-1] == _POINT:
            self.outer_points.append(self.point)
        point: dict[str, Any] = {"#tag": local, "#at": self._line()}
        for i in range(0, len(attributes), 2):
            if attributes[i] in ("lat", "lon"):
                point[attributes[i]] = attributes[i + 1]
        if local == "wpt":
            self.counts["waypoints"] += 1
            self.waypoints.append(point)
        else:
            points = self.tracks if local == "trkpt" else self.routes
            self.counts["track_points" if local == "trkpt" else "route_points"] += 1
            points.count += 1
            point["#row"] = points.count
            point["#line"], point["#segment"] = self._place(points)
            points.pending.append(point)
        self.point = point
        return _POINT

    def _place(self, points: _Points) -> tuple[int, int]:
        """Return the line and segment that a point met now belongs to."""
        if self.lines and self.lines[-1][0] is points:
            _, line, segment = self.lines[-1]
            if segment is None:
                segment = self._new_segment()
                self.lines[-1] = (points, line, segment)
            return line, segment
        if points.loose is None:
            points.loose = len(points.names)
            points.names.append("")
            self.loose_segment = self._new_segment()
        self._not_carried(f"{points.title}s outside a track or route (read as one of their own)")
        return points.loose, self.loose_segment

    def _start_in_point(
        self, name: str, is_gpx: bool, uri: str, local: str, attributes: list[str]
    ) -> int:
        if is_gpx:
            if local in NUMBERS or local in TEXTS or local == "time":
                self._open_field(local, self.point)
                return _FIELD
            if local == "extensions":
                return _EXT
            if local == "link":
                link: dict[str, Any] = {"href": ""}
                for i in range(0, len(attributes), 2):
                    if attributes[i] == "href":
                        link["href"] = attributes[i + 1]
                self.point.setdefault("#links", []).append(link)
                self.field_target = link
                return _LINK
            if local in _POINT_TAGS:
                return self._open_point(local, attributes)
        return self._start_in_extensions(name, uri, local, attributes)

    def _start_in_extensions(self, name: str, uri: str, local: str, attributes: list[str]) -> int:
        if uri == NAMESPACE:
            if local == "kept":
                self._open_field("#kept", self.point)
                return _FIELD
            into = self.point.setdefault("#own", []) if "#tag" in self.point else self.root_own
            return self._open_own(local, attributes, into)
        tag = self.point.get("#tag")
        if tag is None or tag == "trkpt":
            where = "points" if tag else "tracks, routes or the file"
            self._not_carried(f"extension elements of {'track ' if tag else ''}{where}")
            return _SKIP
        self.captured = []
        self.capture_depth = len(self.stack)
        self._capture_start(name, uri, local, attributes)
        return _CAPTURE

    def _open_own(self, local: str, attributes: list[str], into: list[_Node]) -> int:
        node = _Node(local, _pairs(attributes))
        into.append(node)
        self.own = [node]
        self.text = []
        return _OWN

    def _capture_start(self, name: str, uri: str, local: str, attributes: list[str]) -> None:
        self._flush_capture()
        if self.options.depth_element == f"{{{uri}}}{local}":
            self.depth_at, self.depth_text = len(self.stack), []
        self.captured.append(_opening(name, attributes, self.prefixes, self.captured))

    def _flush_capture(self) -> None:
        if self.text:
            text = "".join(self.text)
            self._check_text(text)
            self.captured.append(escape(text))
            if self.depth_text is not None:
                self.depth_text.append(text)
        self.text = []

    def _open_field(self, local: str, target: dict[str, Any]) -> None:
        self.field_name, self.field_target, self.text = local, target, []

    def _end(self, name: str) -> None:
        kind = self.stack.pop()
        if kind in (_FIELD, _LINKPART):
            text = "".join(self.text or ())
            self._check_text(text)
            self.text = None
            target = self.field_target
            if self.field_name == "#kept":
                target.setdefault("#ext", []).append(text)
            elif self.field_name in target:
                if text.strip() != target[self.field_name]:
                    self._drop(f"{self.field_name} (repeated)")
            else:
                target[self.field_name] = text.strip()
        elif kind == _POINT:
            if self.stack[-1] == _POINT:
                self.point = self.outer_points.pop()
            else:
                self._flush_if_full()
        elif kind == _CAPTURE:
            self._capture_end(name)
        elif kind == _OWN:
            text = "".join(self.text or ())
            self._check_text(text)
            node = self.own.pop()
            node.text += text
            self.text = [] if self.own else None
        elif kind == _LINE:
            self.lines.pop()
        elif kind == _SEG:
            if self.lines:
                points, line, _ = self.lines[-1]
                self.lines[-1] = (points, line, None)
        elif kind == _SKIP:
            pass
        if kind == _FIELD and self.stack[-1] in (_LINE, _SEG):
            self._line_field()
        while self.scopes and self.scopes[-1][0] >= len(self.stack):
            _, self.prefixes, self.names = self.scopes.pop()

    def _line_field(self) -> None:
        points, line, _ = self.lines[-1] if self.lines else (None, 0, None)
        for key, text in self.point.items():
            if key == "name" and points is not None and not points.names[line]:
                points.names[line] = text
            elif text:
                self._not_carried(f"{key} fields of tracks and routes")

    def _capture_end(self, name: str) -> None:
        self._flush_capture()
        self.captured.append(f"</{name}>")
        if self.depth_text is not None and self.depth_at == len(self.stack):
            self.point.setdefault("#depth", "".join(self.depth_text).strip())
            self.depth_text = None
        if len(self.stack) == self.capture_depth:
            self.point.setdefault("#ext", []).append("".join(self.captured))
            self.captured, self.text = [], None

    def _check_text(self, text: str) -> None:
        if self.saw_cdata and self.token and self.token in text:
            raise _NotPlainError

    def _take_run(self, number: int, top: int) -> None:
        run = self.runs.pop(number)
        is_gpx, _, _ = self._resolve("trkpt")
        if top not in (_ROOT, _SEG, _LINE, _BOX) or not is_gpx:
            raise _NotPlainError
        n = len(run.bad)
        points = self.tracks
        line, segment = self._place(points)
        if points.loose == line:
            self.uncarried[
                f"{points.title}s outside a track or route (read as one of their own)"
            ] += n - 1
        first = points.count
        points.count += n
        self.counts["track_points"] += n
        self._flush(points)
        columns = run.columns
        if run.bad.any():
            starts = [m.start() for m in run.pattern.finditer(run.body)]
            at = self._line()
            for i in np.flatnonzero(run.bad):
                before = run.body[: starts[i]].translate(None, _BREAKS)
                lines = before.count(b"\n") + before.count(b"\r") - before.count(b"\r\n")
                self._reject_position(
                    points.title,
                    first + int(i) + 1,
                    at + lines,
                    repr(float(columns["lat"][i])),
                    repr(float(columns["lon"][i])),
                )
            columns = {name: values[~run.bad] for name, values in columns.items()}
        good = len(columns["lon"])
        points.pieces.append(
            {
                **columns,
                "line": np.full(good, line, dtype=np.int64),
                "segment": np.full(good, segment, dtype=np.int64),
            }
        )
        for name, count in run.dropped.items():
            self._drop(name, count)

    # -- counting --------------------------------------------------------------------------

    def _drop(self, name: str, count: int = 1) -> None:
        if count:
            self.dropped[name] = self.dropped.get(name, 0) + count

    def _not_carried(self, what: str) -> None:
        self.uncarried[what] = self.uncarried.get(what, 0) + 1

    def _reject_position(self, title: str, row: int, line: int, lat: str, lon: str) -> None:
        where = f"({title} {row}, line {line})"
        for axis, word, text, limit in (
            ("lat", "latitude", lat, 90),
            ("lon", "longitude", lon, 180),
        ):
            if not text.strip():
                code, words = f"{axis}-missing", f"there is no {word}"
            else:
                value, state = texts.parse_numbers([text])
                if state[0] != texts.OK:
                    hint = "; write a decimal point, not a comma" if "," in text else ""
                    code = f"{axis}-unreadable"
                    words = f"the {word} is {text[:60]!r}, not a number{hint}"
                elif abs(value[0]) > limit:
                    code = f"{word}-out-of-range"
                    words = f"{word} is {value[0]:.10g}; allowed is from -{limit} to {limit}"
                else:
                    continue
            self.rejected[title].append(BadRow(row, code, f"{words} {where}", axis))

    # -- columns ---------------------------------------------------------------------------

    def _flush_if_full(self) -> None:
        for points in (self.tracks, self.routes):
            if len(points.pending) >= _BATCH:
                self._flush(points)

    def _flush(self, points: _Points) -> None:
        pending = points.pending
        if not pending:
            return
        points.pending = []
        columns, good = self._convert(pending, points.title)
        for key in ("#line", "#segment"):
            columns[key[1:]] = np.array([p[key] for p in pending], dtype=np.int64)
        own = [p["#own"][0].attributes if p.get("#own") else {} for p in pending]
        if any(own):
            for column in Track.columns():
                if column.name in ("lon", "lat", "time", "line", "segment", "name"):
                    continue
                cells = [a.get(column.name, "") for a in own]
                if any(cells):
                    if column.type == "text":
                        columns[column.name] = text_array(cells)
                    else:
                        values, state = texts.parse_numbers(cells)
                        self._drop(column.name, int((state == texts.BAD).sum()))
                        columns[column.name] = values
            extra = [_extra_cells(p["#own"][0]) if p.get("#own") else {} for p in pending]
            for name in dict.fromkeys(k for e in extra for k in e):
                columns[f"+{name}"] = text_array(e.get(name, "") for e in extra)
        points.pieces.append({name: values[good] for name, values in columns.items()})

    def _convert(
        self, points: list[dict[str, Any]], title: str
    ) -> tuple[dict[str, NDArray[Any]], NDArray[np.bool_]]:
        """Turn raw points into columns by GPX name; reject those without a position."""
        out: dict[str, NDArray[Any]] = {}
        good = np.ones(len(points), dtype=bool)
        raw = {axis: [p.get(axis, "") for p in points] for axis in ("lat", "lon")}
        for axis, limit in (("lat", 90.0), ("lon", 180.0)):
            out[axis], _ = texts.parse_numbers(raw[axis])
            with np.errstate(invalid="ignore"):
                good &= np.abs(out[axis]) <= limit
        for i in np.flatnonzero(~good):
            p = points[i]
            self._reject_position(title, p["#row"], p["#at"], raw["lat"][i], raw["lon"][i])
        out["lon"][out["lon"] == 180.0] = -180.0
        present = set().union(*points)
        for name, (low, high, whole) in NUMBERS.items():
            if name in present:
                values, state = texts.parse_numbers([p.get(name, "") for p in points])
                with np.errstate(invalid="ignore"):
                    outside = (values < low) | (values > high)
                    if whole:
                        outside |= np.isfinite(values) & (values % 1 != 0)
                values[outside] = np.nan
                self._drop(name, int((state == texts.BAD).sum() + outside.sum()))
                out[name] = values
        if "time" in present:
            out["time"] = self._times([p.get("time", "") for p in points])
        for name in TEXTS:
            if name in present:
                out[name] = text_array(p.get(name, "") for p in points)
        if "fix" in out:
            known = np.isin(out["fix"].astype(str), [*FIXES, ""])
            self._drop("fix", int((~known).sum()))
            out["fix"][~known] = ""
        if "#links" in present or "url" in present:
            out["links"] = text_array(_links(p) for p in points)
        if "#ext" in present:
            out["extensions"] = text_array("".join(p.get("#ext", ())) for p in points)
        return out, good

    def _times(self, cells: list[str]) -> NDArray[np.datetime64]:
        times, state = texts.parse_times(cells)
        self._drop("time", int((state == texts.BAD).sum()))
        self.naive_times += int((state == texts.NO_ZONE).sum())
        return times

    def finish(self) -> Contents:
        """Return what was read."""
        self._flush(self.tracks)
        self._flush(self.routes)
        waypoints, marks, sightings = self._waypoint_tables()
        rejected = [
            r for title in _POINT_TAGS.values() for r in sorted(self.rejected[title], key=_row)
        ]
        tracks = self._line_table(self.tracks)
        routes = self._line_table(self.routes)
        words = []
        if self.naive_times:
            words.append(_NAIVE_WORDS.format(n=self.naive_times))
        words += [
            f"not carried: {n} {what}" for what, n in self.uncarried.items() if "(" not in what
        ]
        words += [f"{n} {what}" for what, n in self.uncarried.items() if "(" in what]
        return Contents(
            source=self.source,
            format="gpx",
            waypoints=waypoints,
            marks=marks,
            sightings=sightings,
            tracks=tracks,
            routes=routes,
            counts={
                **self.counts,
                **({"marks": len(marks)} if len(marks) else {}),
                **({"sightings": len(sightings)} if len(sightings) else {}),
            },
            rejected=tuple(rejected),
            dropped_fields=self.dropped,
            words=tuple(words),
        )

    def _line_table(self, points: _Points) -> Track:
        pieces, points.pieces = points.pieces, []
        if not sum(len(p["lon"]) for p in pieces):
            return Track.empty()
        columns = _stack(pieces)
        names = text_array(points.names)
        known: dict[str, Any] = {
            "lon": columns.pop("lon"),
            "lat": columns.pop("lat"),
            "line": columns.pop("line"),
            "segment": columns.pop("segment"),
            "source": self.source,
        }
        known["name"] = names[known["line"]]
        for gpx, ours in (("ele", "elevation_m"), ("course", "course_deg"), ("speed", "speed_mps")):
            if gpx in columns:
                known[ours] = columns.pop(gpx)
        for name in Track.column_names():
            if name not in ("name", "source") and name in columns:
                known[name] = columns.pop(name)
        extra = _point_extra(columns)
        return rowing.drop_optional(  # type: ignore[no-any-return]
            Track.from_columns(known, extra=extra), self.dropped
        )

    def _waypoint_tables(self) -> tuple[Waypoints, Marks, Sightings]:
        points = self.waypoints
        for i, p in enumerate(points):
            p["#row"] = i + 1
        columns, good = self._convert(points, "waypoint")
        columns = {name: values[good] for name, values in columns.items()}
        kept = [p for p, g in zip(points, good.tolist(), strict=True) if g]
        own = [{n.tag: n for n in p.get("#own", ())} for p in kept]
        nodes = list(self.root_own)
        is_mark = np.array(["mark" in o for o in own], dtype=bool)
        is_sighting = np.array(["sighting" in o and "mark" not in o for o in own], dtype=bool)
        taken: dict[type[Any], Any] = {}
        for cls, mask, tag in ((Marks, is_mark, "mark"), (Sightings, is_sighting, "sighting")):
            index = np.flatnonzero(mask)
            found = [own[i][tag] for i in index]
            built = self._own_table(cls, found, {k: v[index] for k, v in columns.items()})
            mask[index] = np.isin(np.arange(len(index)) + 1, built.rows)
            if len(built.rows) != len(index):
                self._drop(f"{tag} fields of ours", len(index) - len(built.rows))
            taken[cls] = built.table
            if tag == "mark":
                nodes += [c for i in np.flatnonzero(mask) for c in own[i]["mark"].children]
        looks = [n for n in nodes if n.tag == "sighting"]
        inner = self._own_table(Sightings, looks, {})
        self.rejected["waypoint"] += inner.rejected
        sightings = Sightings.concat(
            [t for t in (taken[Sightings], inner.table) if len(t)] or [Sightings.empty()]
        )
        rest = np.flatnonzero(~(is_mark | is_sighting))
        plain = {name: values[rest] for name, values in columns.items()}
        table = self._plain_waypoints(plain, [kept[i] for i in rest], [own[i] for i in rest])
        return table, taken[Marks], sightings

    def _own_table(
        self, cls: type[Any], nodes: list[_Node], outer: dict[str, NDArray[Any]]
    ) -> rowing.Built:
        """Make marks or sightings of our elements; what stands in GPX's own fields wins."""
        if not nodes:
            return rowing.Built(cls.empty())
        cells = [dict(n.attributes) for n in nodes]
        extras = [_extra_cells(n) for n in nodes]
        columns: dict[str, NDArray[Any]] = {
            name: text_array(c.get(name, "") for c in cells)
            for name in cls.column_names()
            if any(name in c for c in cells)
        }
        for name in dict.fromkeys(k for e in extras for k in e):
            columns[f"{name}"] = text_array(e.get(name, "") for e in extras)
        if outer:
            columns["lon"], columns["lat"] = outer["lon"], outer["lat"]
            for gpx, ours in (("name", "name"), ("links", "links"), ("time", "time")):
                if gpx in outer and ours in cls.column_names() and ours not in columns:
                    if gpx == "time":
                        columns[ours] = text_array(texts.format_times(outer[gpx]))
                    else:
                        columns[ours] = outer[gpx]
            note = _note(outer)
            if note is not None and "note" not in columns:
                columns["note"] = note
            elif note is not None:
                columns["note"] = _prefer(columns["note"], note)
            if "name" in outer:
                columns["name"] = _prefer(columns["name"], outer["name"])
            used = {"lon", "lat", "name", "links", "time", "cmt", "desc", "sym", "type", "ele"}
            for name, values in outer.items():
                if name not in used | {"url", "urlname"}:
                    columns.setdefault(name, values)
        rows = np.arange(1, len(nodes) + 1)
        return rowing.build(cls, columns, rows, self.source, ReadOptions())

    def _plain_waypoints(
        self,
        columns: dict[str, NDArray[Any]],
        points: list[dict[str, Any]],
        own: list[dict[str, _Node]],
    ) -> Waypoints:
        if not points:
            return Waypoints.empty()
        known: dict[str, Any] = {
            "lon": columns["lon"],
            "lat": columns["lat"],
            "source": self.source,
            "source_row": np.array([p["#row"] for p in points], dtype=np.int64),
        }
        for gpx, ours in (
            ("time", "time"),
            ("name", "name"),
            ("sym", "symbol"),
            ("ele", "elevation_m"),
            ("links", "links"),
        ):
            if gpx in columns:
                known[ours] = columns[gpx]
        note = _note(columns)
        if note is not None:
            known["note"] = note
        extra = {
            k: v
            for k, v in _point_extra(columns).items()
            if k not in ("note", "symbol", "point_name", "links", "ele")
        }
        if "type" in extra:
            words = [t.lower() for t in extra["type"]]
            known["kind"] = text_array(w if w in KINDS else "" for w in words)
            extra["type"] = text_array(
                "" if w in KINDS else t for w, t in zip(words, extra["type"], strict=True)
            )
            if not any(extra["type"]):
                del extra["type"]
        if any("#depth" in p for p in points):
            values, state = texts.parse_numbers([p.get("#depth", "") for p in points])
            self._drop("depth", int((state == texts.BAD).sum()))
            known["depth_m"] = values
        self._own_waypoint_fields(known, extra, own)
        return rowing.drop_optional(  # type: ignore[no-any-return]
            Waypoints.from_columns(known, extra=extra), self.dropped
        )

    def _own_waypoint_fields(
        self, known: dict[str, Any], extra: dict[str, Any], own: list[dict[str, _Node]]
    ) -> None:
        nodes = [o.get("waypoint") for o in own]
        if not any(nodes):
            return
        n = len(nodes)
        for column in Waypoints.columns():
            name = column.name
            cells = [node.attributes.get(name, "") if node else "" for node in nodes]
            if not any(cells) or name in ("lon", "lat", "time", "source", "source_row"):
                continue
            if column.type == "text":
                new: NDArray[Any] = text_array(cells)
                old = known.get(name, text_array([""] * n))
                known[name] = (
                    _prefer(new, old) if name in ("name", "note") else np.where(new != "", new, old)
                )
            elif column.type == "bool":
                known[name] = np.array([c == "yes" for c in cells])
            else:
                values, state = texts.parse_numbers(cells)
                self._drop(name, int((state == texts.BAD).sum()))
                old = known.get(name, np.full(n, np.nan))
                known[name] = np.where(np.isfinite(values), values, old)
        extras = [_extra_cells(node) if node else {} for node in nodes]
        for name in dict.fromkeys(k for e in extras for k in e):
            extra[name] = text_array(e.get(name, "") for e in extras)


def _row(fault: BadRow) -> int:
    return fault.row


def _pairs(attributes: list[str]) -> dict[str, str]:
    return dict(zip(attributes[0::2], attributes[1::2], strict=True))


def _extra_cells(node: _Node) -> dict[str, str]:
    return {
        c.attributes["name"]: c.text
        for c in node.children
        if c.tag == "extra" and "name" in c.attributes
    }


def _prefer(exact: NDArray[Any], shown: NDArray[Any]) -> NDArray[Any]:
    """Return what GPX's own field shows, but untrimmed where that is all that differs."""
    return text_array(e if e.strip() == s else s for e, s in zip(exact, shown, strict=True))


def _note(columns: dict[str, NDArray[Any]]) -> NDArray[Any] | None:
    comment, text = columns.get("cmt"), columns.get("desc")
    if comment is None or text is None:
        return text if comment is None else comment
    return text_array(
        t if not c or c == t else f"{c}\n{t}" if t else c
        for c, t in zip(comment, text, strict=True)
    )


def _point_extra(columns: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Return the columns of points that our tables do not know, under plain names."""
    columns = dict(columns)
    extra: dict[str, NDArray[Any]] = {}
    note = _note(columns)
    if note is not None and any(note):
        extra["note"] = note
    for gpx, ours in (("name", "point_name"), ("sym", "symbol")):
        if gpx in columns and any(columns[gpx]):
            extra[ours] = columns[gpx]
    for name, values in columns.items():
        if name in ("lat", "lon", "time", "cmt", "desc", "name", "sym", "url", "urlname"):
            continue
        empty = np.isnan(values).all() if values.dtype.kind == "f" else not any(values)
        if not empty:
            extra[name.removeprefix("+")] = values
    return extra


def _links(point: dict[str, Any]) -> str:
    links = [
        (link["href"], link.get("text", ""), link.get("type", ""))
        for link in point.get("#links", ())
    ]
    if point.get("url"):
        links.append((point["url"], point.get("urlname", ""), ""))
    return "\n".join("\t".join(" ".join(part.split()) for part in link) for link in links)


def _opening(name: str, attributes: list[str], prefixes: dict[str, str], before: list[str]) -> str:
    """Return a start tag that stands on its own: the first one binds every prefix in scope."""
    pairs = _pairs(attributes)
    used = {name.rpartition(":")[0], *(a.rpartition(":")[0] for a in pairs if ":" in a)}
    declared: dict[str, str] = {}
    for prefix in used - {"xml", "xmlns"}:
        key = f"xmlns:{prefix}" if prefix else "xmlns"
        uri = prefixes.get(prefix, f"urn:x-unbound:{prefix}" if prefix else "")
        if key not in pairs and (not before or prefix) and uri:
            declared[key] = uri
    body = "".join(f" {k}={quoteattr(v)}" for k, v in {**declared, **pairs}.items())
    return f"<{name}{body}>"


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


def _stack(pieces: list[dict[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    names = dict.fromkeys(name for p in pieces for name in p)
    out: dict[str, NDArray[Any]] = {}
    for name in names:
        kind = next(p[name].dtype for p in pieces if name in p)
        missing: Any = {"f": np.nan, "M": np.datetime64("NaT", "us")}.get(kind.kind, "")
        out[name] = np.concatenate(
            [p[name] if name in p else np.full(len(p["lon"]), missing, dtype=kind) for p in pieces]
        )
    return out


# -- the file's bytes --------------------------------------------------------------------------


def read(path: Path, options: ReadOptions) -> Contents:
    """Read a GPX file.

    Raises
    ------
    FileError
        It is not XML, not GPX, cut short, or declares entities; the line is named.
    """
    with path.open("rb") as handle:
        head = handle.read(4096)
    codec, words = _codec(head)
    refuse_if_other(path, head, codec)
    try:
        contents = _read_as(path, options, codec)
    except _EncodingError:
        codec = "cp1252" if _decodes(path, "cp1252") else "latin-1"
        words = [
            "the file holds bytes that its declared encoding does not allow; "
            "it was read as Windows-1252 (Western European)"
        ]
        contents = _read_as(path, options, codec)
    if not words:
        return contents
    from dataclasses import replace

    return replace(contents, words=(*words, *contents.words))


class _EncodingError(Exception):
    """The bytes are not of the declared encoding."""


def refuse_if_other(path: Path, head: bytes, codec: str = "utf-8") -> None:
    """Refuse a file that is plainly something else than XML."""
    if codec.startswith("utf-16") or codec.startswith("utf-32"):
        return
    if head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")[:1] == b"<":
        return
    found = looks_like(head)
    what = f"it looks like {found}" if found else "it is not XML"
    raise FileError(path.name, f"line 1: the file is not GPX; {what}")


def _codec(head: bytes) -> tuple[str, list[str]]:
    """Return the encoding of a file by its first bytes, and a sentence if it is odd."""
    for bom, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF32_LE, "utf-32"),
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(bom):
            return name, []
    if head.startswith(b"<\x00"):
        return "utf-16-le", []
    if head.startswith(b"\x00<"):
        return "utf-16-be", []
    declared = _DECLARED.match(head.lstrip(b" \t\r\n"))
    if declared is None:
        return "utf-8", []
    name = declared[1].decode()
    try:
        codec = codecs.lookup(name).name
        wide = "<".encode(codec) != b"<"
    except (LookupError, UnicodeError):
        codec, wide = "", True
    if wide:
        return "utf-8", [f"the file says its encoding is {name!r}, which it is not; read as UTF-8"]
    return codec, []


def _pieces(path: Path, codec: str) -> Iterator[bytes]:
    """Yield the file as UTF-8, without a byte order mark or blanks before the first tag."""
    decoder = None
    if codec not in ("utf-8", "ascii"):
        decoder = codecs.getincrementaldecoder(codec)()
    started = False
    with path.open("rb") as handle:
        while True:
            data = handle.read(_CHUNK)
            last = not data
            if decoder is not None:
                data = decoder.decode(data, final=last).encode("utf-8", "surrogatepass")
            if not started:
                data = data.removeprefix(codecs.BOM_UTF8).lstrip(b" \t\r\n")
                started = bool(data)
            if data:
                yield data
            if last:
                return


def _blank_lines(path: Path) -> int:
    with path.open("rb") as handle:
        head = handle.read(65536)
    start = head.removeprefix(codecs.BOM_UTF8)
    return start[: len(start) - len(start.lstrip(b" \t\r\n"))].count(b"\n")


def _decodes(path: Path, codec: str) -> bool:
    decoder = codecs.getincrementaldecoder(codec)()
    with path.open("rb") as handle:
        try:
            while data := handle.read(_CHUNK):
                decoder.decode(data)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return False
    return True


def _read_as(path: Path, options: ReadOptions, codec: str, *, runs: bool = True) -> Contents:
    reader = _Reader(path.name, options, runs=runs)
    try:
        reader.run(_pieces(path, codec), "utf-8", _blank_lines(path))
    except _NotPlainError:
        return _read_as(path, options, codec, runs=False)
    except UnicodeDecodeError as error:
        if not codec.startswith(("utf-16", "utf-32")):
            raise _EncodingError from error
        raise FileError(path.name, "the file is cut short or damaged (broken UTF-16)") from error
    except expat.ExpatError as error:
        if codec in ("utf-8", "ascii") and not _decodes(path, "utf-8"):
            whole = error.code not in _CUT
            if whole:
                raise _EncodingError from error
        raise FileError(path.name, _expat_words(error, reader.line_offset)) from error
    return reader.finish()


_ERRORS = expat.errors.codes
_CUT = {
    _ERRORS[expat.errors.XML_ERROR_NO_ELEMENTS],
    _ERRORS[expat.errors.XML_ERROR_UNCLOSED_TOKEN],
    _ERRORS[expat.errors.XML_ERROR_UNCLOSED_CDATA_SECTION],
    _ERRORS[expat.errors.XML_ERROR_PARTIAL_CHAR],
}


def _expat_words(error: expat.ExpatError, line_offset: int) -> str:
    line = error.lineno + line_offset
    if error.code in _CUT:
        return f"line {line}: the file is cut short; it ends before </gpx>"
    reason = expat.errors.messages.get(error.code, "broken XML")
    return f"line {line}: the file is damaged, it is no XML from here on ({reason})"
