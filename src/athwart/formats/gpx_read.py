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

import secrets
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from athwart.contents import Contents
from athwart.errors import FileError
from athwart.formats.gpx_bytes import (
    CUT,
    PIECE,
    blank_lines,
    codec_of,
    decodes,
    expat_words,
    pieces,
    refuse_if_other,
)
from athwart.formats.gpx_fields import GPX_10, GPX_11, NAMESPACE, NUMBERS, TEXTS
from athwart.formats.gpx_points import POINT_TAGS, Collector, Node, Points
from athwart.formats.gpx_runs import Run, cut_runs
from athwart.formats.registry import ReadOptions
from athwart.input_limits import check_count, check_size, most
from athwart.unchanged import unchanged

__all__ = ["read"]

_CHUNK = 1 << 20
_BATCH = 20_000
_NAIVE_WORDS = "{n} times have no zone; GPX times are UTC by the standard and were taken so"

# What an open element is to us.
_DOC, _ROOT, _BOX, _LINE, _SEG, _POINT, _FIELD, _INSIDE, _LINK, _LINKPART, _EXT = range(11)
_SKIP, _CAPTURE, _OWN, _HEADING = range(11, 15)

_LINE_FIELDS = ("name", "cmt", "desc", "src", "number", "type", "url", "urlname")
_HEADING_FIELDS = (
    "name", "desc", "author", "email", "url", "urlname", "time", "keywords", "bounds", "copyright",
    "link", "metadata",
)  # fmt: skip


class _NotPlainError(Exception):
    """A run stands where track points usually do not; read again without runs."""


class _Reader(Collector):
    """One pass over one file."""

    def __init__(self, source: str, options: ReadOptions, *, runs: bool) -> None:
        super().__init__(source)
        self.options = options
        self.token = f"r{secrets.token_hex(12)}" if runs else ""
        self.runs: dict[int, Run] = {}
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
        self.lines: list[tuple[Points, int, int | None]] = []
        self.captured: list[str] = []
        self.capture_bound: dict[str, str] = {}
        self.capture_depth = 0
        self.depth_at = 0
        self.depth_text: list[str] | None = None
        self.own: list[Node] = []
        self.ours = False
        self.parser: Any = None
        self.most_depth, self.most_attributes = most("XML_DEPTH"), 2 * most("XML_ATTRIBUTES")
        self.unchecked = 0
        self.most_text, self.most_waypoints = most("TEXT"), most("WAYPOINTS")

    # -- feeding ---------------------------------------------------------------------------

    def run(self, pieces: Iterator[bytes], encoding: str, line_offset: int) -> None:
        """Parse the file; expat errors and refusals come out as they are."""
        self.line_offset, self.fed = line_offset, 0
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
                self._parse(data)
        if rest:
            self._parse(rest)
        parser.Parse(b"", True)

    def _feed(self, data: bytes) -> None:
        data, runs = cut_runs(data, self.token.encode(), self.run_number)
        for run in runs:
            self.runs[self.run_number] = run
            self.run_number += 1
        self._parse(data)

    def _parse(self, data: bytes) -> None:
        self.parser.Parse(data, False)
        self.fed += len(data)
        # A tag or comment that does not end is kept by expat and gone over again and again.
        waiting = self.fed - int(self.parser.CurrentByteIndex)
        if waiting > 4 * self.most_text + PIECE:  # UTF-8 has up to 4 bytes a character
            self._refuse("TEXT", waiting)

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
            self.unchecked += len(data)
            if self.unchecked > self.most_text:  # a long text, or many short ones
                self.text[:] = ["".join(self.text)]
                self._refuse("TEXT", len(self.text[0]))
                self.unchecked = 0

    def _refuse(self, limit: str, found: int) -> None:
        check_count(limit, found, self.source, f"line {self._line()} ")

    def _check_tag(self, attributes: list[str]) -> None:
        if len(self.stack) > self.most_depth:
            self._refuse("XML_DEPTH", len(self.stack))
        if len(attributes) > self.most_attributes:
            self._refuse("XML_ATTRIBUTES", len(attributes) // 2)
        if attributes and (longest := max(map(len, attributes))) > self.most_text:
            self._refuse("TEXT", longest)

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
        self._check_tag(attributes)
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
            node = Node(local, _pairs(attributes))
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
            self.not_carried("extension elements outside points")
            return _SKIP
        if local in POINT_TAGS:
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
                self.lines[-1] = (points, line, points.new_segment())
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
            self.not_carried("links of tracks and routes")
            return _SKIP
        return _BOX

    def _heading_field(self, local: str) -> None:
        if local not in ("metadata", "time", "bounds") and not self.ours:
            self.not_carried("elements of the file's heading")

    def _open_point(self, local: str, attributes: list[str]) -> int:
        if self.stack[-1] == _POINT:
            self.outer_points.append(self.point)
        point: dict[str, Any] = {"#tag": local, "#at": self._line()}
        for i in range(0, len(attributes), 2):
            if attributes[i] in ("lat", "lon"):
                point[attributes[i]] = attributes[i + 1]
        if local == "wpt":
            self.counts["waypoints"] += 1
            if self.counts["waypoints"] > self.most_waypoints:
                self._refuse("WAYPOINTS", self.counts["waypoints"])
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

    def _place(self, points: Points) -> tuple[int, int]:
        """Return the line and segment that a point met now belongs to."""
        if self.lines and self.lines[-1][0] is points:
            _, line, segment = self.lines[-1]
            if segment is None:
                segment = points.new_segment()
                self.lines[-1] = (points, line, segment)
            return line, segment
        if points.loose is None:
            points.loose = len(points.names)
            points.names.append("")
            points.loose_segment = points.new_segment()
        self.not_carried(f"{points.title}s outside a track or route (read as one of their own)")
        return points.loose, points.loose_segment

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
            if local in POINT_TAGS:
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
            self.not_carried(f"extension elements of {'track ' if tag else ''}{where}")
            return _SKIP
        self.captured, self.capture_bound = [], {}
        self.capture_depth = len(self.stack)
        self._capture_start(name, uri, local, attributes)
        return _CAPTURE

    def _open_own(self, local: str, attributes: list[str], into: list[Node]) -> int:
        node = Node(local, _pairs(attributes))
        into.append(node)
        self.own = [node]
        self.text = []
        return _OWN

    def _capture_start(self, name: str, uri: str, local: str, attributes: list[str]) -> None:
        self._flush_capture()
        if self.options.depth_element == f"{{{uri}}}{local}":
            self.depth_at, self.depth_text = len(self.stack), []
        self.captured.append(_opening(name, attributes, self.prefixes, self.capture_bound))

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
                    self.drop(f"{self.field_name} (repeated)")
            else:
                target[self.field_name] = text.strip()
        elif kind == _POINT:
            if self.stack[-1] == _POINT:
                self.point = self.outer_points.pop()
            else:
                self.flush_if_full()
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
        for key, text in self.point.items():
            if key == "name" and self.lines and self.stack[-1] == _LINE:
                points, line, _ = self.lines[-1]
                points.names[line] = points.names[line] or text
            elif text:
                self.not_carried(f"{key} fields of tracks and routes")

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
        if len(text) > self.most_text:
            self._refuse("TEXT", len(text))
        if self.saw_cdata and self.token and self.token in text:
            raise _NotPlainError

    def _take_run(self, number: int, top: int) -> None:
        run = self.runs.pop(number)
        is_gpx, _, _ = self._resolve("trkpt")
        if top not in (_ROOT, _SEG, _LINE, _BOX) or not is_gpx:
            raise _NotPlainError
        if run.extensions and any(self._resolve(name)[1] == NAMESPACE for name in run.names):
            raise _NotPlainError
        n = len(run.bad)
        points = self.tracks
        line, segment = self._place(points)
        if points.loose == line:
            self.uncarried[
                f"{points.title}s outside a track or route (read as one of their own)"
            ] += n - 1
        if run.extensions:
            self.not_carried("extension elements of track points", run.extensions)
        first = points.count
        points.count += n
        self.counts["track_points"] += n
        self.flush(points)
        columns = run.columns
        if run.bad.any():
            lines, at = run.lines_before(), self._line()
            for i in np.flatnonzero(run.bad):
                self.reject_position(
                    points.title,
                    first + int(i) + 1,
                    at + lines[i],
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
            self.drop(name, count)


def _pairs(attributes: list[str]) -> dict[str, str]:
    return dict(zip(attributes[0::2], attributes[1::2], strict=True))


def _opening(
    name: str, attributes: list[str], prefixes: dict[str, str], bound: dict[str, str]
) -> str:
    """Return a start tag that stands on its own, with every prefix that it needs.

    ``bound`` holds what the outermost tag of the piece binds; that tag fills it.
    """
    pairs = _pairs(attributes)
    first = not bound
    used = [name.rpartition(":")[0], *(a.rpartition(":")[0] for a in pairs if ":" in a)]
    declared: dict[str, str] = {}
    for prefix in used:
        key = f"xmlns:{prefix}" if prefix else "xmlns"
        uri = prefixes.get(prefix, f"urn:x-unbound:{prefix}" if prefix else "")
        if prefix not in ("xml", "xmlns") and uri and key not in pairs and bound.get(prefix) != uri:
            declared[key] = uri
        if first:
            bound[prefix] = uri
    body = "".join(f" {k}={quoteattr(v)}" for k, v in {**declared, **pairs}.items())
    return f"<{name}{body}>"


def read(path: Path, options: ReadOptions) -> Contents:
    """Read a GPX file.

    Raises
    ------
    FileError
        It is not XML, not GPX, cut short, or declares entities; the line is named.
    """
    with unchanged(path):
        return _read(path, options)


def _read(path: Path, options: ReadOptions) -> Contents:
    check_size("GPX_MB", path)
    with path.open("rb") as handle:
        head = handle.read(4096)
    codec, words = codec_of(head)
    refuse_if_other(path, head, codec)
    try:
        contents = _read_as(path, options, codec)
    except _EncodingError:
        codec = "cp1252" if decodes(path, "cp1252") else "latin-1"
        words = [
            "the file holds bytes that its declared encoding does not allow; "
            "it was read as Windows-1252 (Western European)"
        ]
        contents = _read_as(path, options, codec)
    if not words:
        return contents
    return replace(contents, words=(*words, *contents.words))


class _EncodingError(Exception):
    """The bytes are not of the declared encoding."""


def _read_as(path: Path, options: ReadOptions, codec: str, *, runs: bool = True) -> Contents:
    reader = _Reader(path.name, options, runs=runs)
    try:
        reader.run(pieces(path, codec), "utf-8", blank_lines(path))
    except _NotPlainError:
        return _read_as(path, options, codec, runs=False)
    except UnicodeDecodeError as error:
        if not codec.startswith(("utf-16", "utf-32")):
            raise _EncodingError from error
        raise FileError(path.name, "the file is cut short or damaged (broken UTF-16)") from error
    except expat.ExpatError as error:
        if codec in ("utf-8", "ascii") and not decodes(path, "utf-8"):
            whole = error.code not in CUT
            if whole:
                raise _EncodingError from error
        raise FileError(path.name, expat_words(error, reader.line_offset)) from error
    return reader.finish()
