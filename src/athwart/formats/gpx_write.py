"""GPX 1.1 out, valid against its schema whatever the tables hold.

The text is put together here and not by gpxpy, which was measured beside it (see
``tests/benchmarks/gpx.py``): gpxpy needs a Python object a point, several times the time,
and checks neither the characters nor the ranges that the schema allows.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any, TextIO
from urllib.parse import quote, urlsplit
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from athwart.contents import Contents
from athwart.formats.gpx_fields import (
    FIXES,
    GPX_10,
    GPX_11,
    ILLEGAL,
    NAMESPACE,
    NUMBERS,
    cell_texts,
    value_texts,
)
from athwart.formats.registry import WriteOptions
from athwart.formats.texts import format_times
from athwart.tables import Marks, Sightings, Table, Track, Waypoints

__all__ = ["write"]

_SPECIAL = re.compile("[^\n\u0020-\u0021\u0023-\u0025\u0027-\u003b\u003d\u003f-\u007e]")
_ESCAPES = {
    "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "\r": "&#13;", "\t": "&#9;",
}  # fmt: skip
_ORDER_NUMBERS = ("sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid")
_STANDARD = frozenset(
    {"magvar", "geoidheight", "src", "type", "fix", "extensions", *_ORDER_NUMBERS}
)
_XSI = "http://www.w3.org/2001/XMLSchema-instance"
_BATCH = 5_000


class _Writer:
    """One file in the making, and what it cannot hold."""

    def __init__(self, options: WriteOptions) -> None:
        self.options = options
        self.lost: dict[str, int] = {}
        self.depth = _qualified(options.depth_element)

    def lose(self, what: str, count: int = 1) -> None:
        if count:
            self.lost[what] = self.lost.get(what, 0) + count

    # -- text --------------------------------------------------------------------------------

    def text(self, value: str) -> str:
        """Return text that XML 1.0 allows, escaped."""
        if not _SPECIAL.search(value):
            return value
        legal, replaced = ILLEGAL.subn("\ufffd", value)
        self.lose("characters that XML does not allow, replaced by \ufffd", replaced)
        return "".join(_ESCAPES.get(c, c) for c in legal)

    def attribute(self, value: str) -> str:
        """Return text for an attribute, where a line break must be spelt out."""
        return self.text(value).replace("\n", "&#10;")

    def element(self, name: str, values: Sequence[str]) -> list[str]:
        """Return one element a row, nothing where the text is empty."""
        return [f"<{name}>{self.text(v)}</{name}>" if v.strip() else "" for v in values]

    def times(self, values: NDArray[np.datetime64], name: str = "time") -> list[str]:
        texts = format_times(values)
        given = int((~np.isnat(values)).sum())
        self.lose("times outside the years 1 to 9999", given - sum(map(bool, texts)))
        return [f"<{name}>{t}</{name}>" if t else "" for t in texts]

    # -- points ------------------------------------------------------------------------------

    def points(
        self, tag: str, table: Table, columns: dict[str, list[str]], own: list[str] | None
    ) -> tuple[list[str], NDArray[np.bool_]]:
        """Return the points as text; those without a usable position are left out.

        ``columns`` holds finished elements by GPX name, ``own`` what goes into the extensions.
        """
        lon, lat = np.asarray(table.lon), np.asarray(table.lat)  # type: ignore[attr-defined]
        with np.errstate(invalid="ignore"):
            good = (np.abs(lat) <= 90.0) & (np.abs(lon) <= 180.0)
        self.lose("rows without a position", int((~good).sum()))
        columns = {**self.standard(table, columns), **columns}
        order = [
            columns[name]
            for name in (
                "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link",
                "sym", "type", "fix", *_ORDER_NUMBERS,
            )
            if name in columns
        ]  # fmt: skip
        if own is not None:
            order.append([f"<extensions>{o}</extensions>" if o else "" for o in own])
        bodies = map("".join, zip(*order, strict=True)) if order else iter([""] * len(lon))
        out = [
            f'<{tag} lat="{_degrees(y)}" lon="{_longitude(x)}">{body}</{tag}>'
            if body
            else f'<{tag} lat="{_degrees(y)}" lon="{_longitude(x)}"/>'
            for x, y, body, g in zip(lon.tolist(), lat.tolist(), bodies, good.tolist(), strict=True)
            if g
        ]
        return out, good

    def standard(self, table: Table, taken: dict[str, list[str]]) -> dict[str, list[str]]:
        """Return the elements that GPX has for extra columns, where their values are valid."""
        out: dict[str, list[str]] = {}
        for name in ("magvar", "geoidheight", *_ORDER_NUMBERS):
            if name in table.extra and name not in taken:
                cells = [_valid_number(name, v) for v in table.extra[name].tolist()]
                out[name] = [f"<{name}>{c}</{name}>" if c else "" for c in cells]
        if "fix" in table.extra:
            cells = [v if v in FIXES else "" for v in value_texts(table.extra["fix"])]
            out["fix"] = self.element("fix", cells)
        for name in ("src", "type"):
            if name in table.extra and name not in taken:
                out[name] = self.element(name, value_texts(table.extra[name]))
        return out

    def own(
        self,
        tag: str,
        table: Table,
        skip: frozenset[str],
        children: list[str] | None = None,
        *,
        shown: bool = True,
    ) -> list[str]:
        """Return our own element for each row, ``""`` where it would say nothing.

        ``shown`` says that name and note stand in GPX's own elements too.
        """
        names: list[str] = []
        cells: list[list[str]] = []
        for name in table.column_names():
            if name in skip:
                continue
            column = cell_texts(table, name)
            if name in ("name", "note") and shown:
                column = [c if c != c.strip() else "" for c in column]
            if any(column):
                names.append(name)
                cells.append(column)
        extras = [
            (self.attribute(name), value_texts(values))
            for name, values in table.extra.items()
            if not (shown and self.is_standard(table, name))
        ]
        out = []
        for i in range(len(table)):
            body = "".join(
                f' {name}="{self.attribute(column[i])}"'
                for name, column in zip(names, cells, strict=True)
                if column[i]
            )
            inner = "".join(
                f'<a:extra name="{name}">{self.text(column[i])}</a:extra>'
                for name, column in extras
                if column[i]
            )
            inner += children[i] if children else ""
            if inner:
                out.append(f"<a:{tag}{body}>{inner}</a:{tag}>")
            else:
                out.append(f"<a:{tag}{body}/>" if body or tag in ("mark", "sighting") else "")
        return out

    def is_standard(self, table: Table, name: str) -> bool:
        """Return whether an extra column goes whole into elements of GPX itself."""
        if name not in _STANDARD:
            if isinstance(table, Marks):
                return name == "symbol"
            return isinstance(table, Track) and name in ("point_name", "note", "symbol", "links")
        if name in NUMBERS:
            values = table.extra[name].tolist()
            return all(_valid_number(name, v) or not str(v).strip() or v != v for v in values)
        if name == "type":
            return not (isinstance(table, Waypoints) and any(table.kind))
        return name != "fix" or all(v in FIXES for v in value_texts(table.extra[name]) if v)

    def kept(self, table: Table) -> list[str]:
        """Return the foreign extensions that rode along, made safe."""
        if "extensions" not in table.extra:
            return [""] * len(table)
        return [
            "" if not v else v if _is_foreign(v) else f"<a:kept>{self.text(v)}</a:kept>"
            for v in value_texts(table.extra["extensions"])
        ]

    def depths(self, table: Table, kept: list[str]) -> list[str]:
        """Return the depth in the foreign element that the user named."""
        depth = np.asarray(table.depth_m)  # type: ignore[attr-defined]
        if self.depth is None:
            return [""] * len(depth)
        uri, local = self.depth
        opening = f'<d:{local} xmlns:d="{self.attribute(uri)}">'
        return [
            f"{opening}{_decimal(d)}</d:{local}>" if math.isfinite(d) and local not in k else ""
            for d, k in zip(depth.tolist(), kept, strict=True)
        ]

    def links(self, cells: Sequence[str]) -> list[str]:
        return ["".join(map(self.link, c.split("\n"))) if c else "" for c in cells]

    def link(self, line: str) -> str:
        href, text, media = [*line.split("\t"), "", ""][:3]
        if not (href.strip() or text or media):
            return ""
        return (
            f'<link href="{self.attribute(_uri(href.strip()))}">'
            + (f"<text>{self.text(text)}</text>" if text else "")
            + (f"<type>{self.text(media)}</type>" if media else "")
            + "</link>"
        )

    # -- tables ------------------------------------------------------------------------------

    def marks(self, marks: Marks, sightings: Sightings) -> tuple[list[str], list[str]]:
        """Return the marks as waypoints, and sightings that belong to none of them."""
        columns = {
            "time": self.times(marks.last_time),
            "name": self.element("name", marks.name.tolist()),
            "desc": self.element("desc", marks.note.tolist()),
            "link": self.links(marks.links.tolist()),
        }
        if "symbol" in marks.extra:
            columns["sym"] = self.element("sym", value_texts(marks.extra["symbol"]))
        columns["type"] = self.element("type", marks.kind.tolist())
        kept = self.kept(marks)
        depth = self.depths(marks, kept)
        if self.options.clean:
            self.lose("hazard flags (a clean file has no place for them)", int(marks.hazard.sum()))
            return self.points("wpt", _bare(marks), columns, depth)[0], []
        looks = self.own("sighting", sightings, frozenset(), shown=False)
        where = {s: i for i, s in enumerate(sightings.sighting_id.tolist())}
        used: set[int] = set()
        children = []
        for ids in marks.sighting_ids.tolist():
            mine = [where[s] for s in ids.split() if s in where and where[s] not in used]
            used.update(mine)
            children.append("".join(looks[i] for i in mine))
        skip = frozenset({"lon", "lat", "links"})
        own = self.own("mark", marks, skip, children)
        joined = [a + b + c for a, b, c in zip(own, depth, kept, strict=True)]
        points, good = self.points("wpt", marks, columns, joined)
        lost = [c for c, g in zip(children, good.tolist(), strict=True) if not g and c]
        return points, [*lost, *(s for i, s in enumerate(looks) if i not in used)]

    def sightings(self, table: Sightings) -> list[str]:
        columns = {
            "time": self.times(table.time),
            "name": self.element("name", table.name.tolist()),
            "desc": self.element("desc", table.note.tolist()),
            "link": self.links(table.links.tolist()),
            "type": self.element("type", table.kind.tolist()),
        }
        kept = self.kept(table)
        depth = self.depths(table, kept)
        if self.options.clean:
            self.lose("hazard flags (a clean file has no place for them)", int(table.hazard.sum()))
            return self.points("wpt", _bare(table), columns, depth)[0]
        own = self.own("sighting", table, frozenset({"lon", "lat", "links", "time"}))
        joined = [a + b + c for a, b, c in zip(own, depth, kept, strict=True)]
        return self.points("wpt", table, columns, joined)[0]

    def waypoints(self, table: Waypoints) -> list[str]:
        columns = {
            "ele": self.numbers("ele", table.elevation_m),
            "time": self.times(table.time),
            "name": self.element("name", table.name.tolist()),
            "desc": self.element("desc", table.note.tolist()),
            "link": self.links(table.links.tolist()),
            "sym": self.element("sym", table.symbol.tolist()),
        }
        if any(table.kind):
            columns["type"] = self.element("type", table.kind.tolist())
        kept = self.kept(table)
        depth = self.depths(table, kept)
        if self.options.clean:
            self.lose("hazard flags (a clean file has no place for them)", int(table.hazard.sum()))
            return self.points("wpt", _bare(table), columns, depth)[0]
        skip = frozenset(
            {"lon", "lat", "time", "elevation_m", "links", "symbol", "source", "source_row"}
        )
        own = self.own("waypoint", table, skip)
        joined = [a + b + c for a, b, c in zip(own, depth, kept, strict=True)]
        return self.points("wpt", table, columns, joined)[0]

    def numbers(self, name: str, values: NDArray[np.float64]) -> list[str]:
        cells = map(_decimal, values.tolist())
        return [f"<{name}>{c}</{name}>" if c else "" for c in cells]

    def lines(self, table: Track, tag: str) -> Iterator[str]:
        """Yield tracks or routes, one after the other."""
        if not len(table):
            return
        point = "trkpt" if tag == "trk" else "rtept"
        order = np.lexsort((np.arange(len(table)), table.segment, table.line))
        if not np.array_equal(order, np.arange(len(table))):
            table = table.take(order)
        starts = np.flatnonzero(np.diff(table.line, prepend=table.line[:1] - 1))
        for start, end in zip(starts, [*starts[1:], len(table)], strict=True):
            name = self.element("name", [str(table.name[start])])[0]
            yield f"<{tag}>{name}"
            pieces = np.flatnonzero(np.diff(table.segment[start:end])) + start + 1
            edges = [int(start), *pieces.tolist(), int(end)]
            for a, b in pairwise(edges):
                if tag == "trk":
                    yield "<trkseg>"
                for at in range(a, b, _BATCH):
                    rows = table.take(np.arange(at, min(at + _BATCH, b)))
                    yield "\n".join(self.line_points(rows, point))
                if tag == "trk":
                    yield "</trkseg>"
            yield f"</{tag}>"

    def line_points(self, table: Track, tag: str) -> list[str]:
        extra = table.extra
        columns: dict[str, list[str]] = {}
        if np.isfinite(table.elevation_m).any():
            columns["ele"] = self.numbers("ele", table.elevation_m)
        if not np.isnat(table.time).all():
            columns["time"] = self.times(table.time)
        if np.isfinite(table.hdop).any():
            columns["hdop"] = self.numbers("hdop", table.hdop)
        for name, gpx in (("point_name", "name"), ("note", "desc"), ("symbol", "sym")):
            if name in extra:
                columns[gpx] = self.element(gpx, value_texts(extra[name]))
        if "links" in extra:
            columns["link"] = self.links(value_texts(extra["links"]))
        if self.options.clean:
            return self.points(tag, _bare(table), columns, None)[0]
        skip = frozenset(
            {"lon", "lat", "time", "line", "segment", "name", "elevation_m", "hdop", "source"}
        )
        kept = self.kept(table)
        own = [a + b for a, b in zip(self.own("point", table, skip), kept, strict=True)]
        return self.points(tag, table, columns, own if any(own) else None)[0]


def write(path: Path, contents: Contents, options: WriteOptions) -> tuple[str, ...]:
    """Write a GPX 1.1 file and return what it could not hold.

    Marks become waypoints with their sightings in extensions of our own namespace; sightings
    become waypoints where there are no marks. ``options.clean`` leaves our fields out.
    """
    writer = _Writer(options)
    with path.open("w", encoding="utf-8", newline="\n") as out:
        _write(out, contents, writer)
    words = [f"not in {path.name}: {n} {what}" for what, n in writer.lost.items()]
    return tuple(words)


def _write(out: TextIO, contents: Contents, writer: _Writer) -> None:
    options = writer.options
    own = "" if options.clean else f' xmlns:a="{NAMESPACE}"'
    creator = writer.attribute(options.creator)
    out.write(
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<gpx version="1.1" creator="{creator}" xmlns="{GPX_11}"{own}>\n'
    )
    heading = "".join(
        (
            *writer.element("name", [options.title]),
            *writer.element("desc", [options.description]),
            _bounds(contents),
        )
    )
    if heading:
        out.write(f"<metadata>{heading}</metadata>\n")
    orphans: list[str] = []

    def put(points: list[str]) -> None:
        if points:
            out.write("\n".join(points))
            out.write("\n")

    if len(contents.marks):
        points, orphans = writer.marks(contents.marks, contents.sightings)
        put(points)
        if options.clean:
            writer.lose("sightings behind the marks", len(contents.sightings))
    else:
        for at in range(0, len(contents.sightings), _BATCH):
            put(writer.sightings(_part(contents.sightings, at)))
    for at in range(0, len(contents.waypoints), _BATCH):
        put(writer.waypoints(_part(contents.waypoints, at)))
    for table, tag in ((contents.routes, "rte"), (contents.tracks, "trk")):
        for piece in writer.lines(table, tag):
            out.write(piece)
            out.write("\n")
    if orphans:
        out.write("<extensions>" + "\n".join(orphans) + "</extensions>\n")
    writer.lose("picks (they are not positions yet; fix them first)", len(contents.picks))
    out.write("</gpx>\n")


def _bounds(contents: Contents) -> str:
    tables = (
        contents.marks,
        contents.sightings if not len(contents.marks) else contents.marks,
        contents.waypoints,
        contents.tracks,
        contents.routes,
    )
    lon = np.concatenate([t.lon for t in tables])
    lat = np.concatenate([t.lat for t in tables])
    with np.errstate(invalid="ignore"):
        good = (np.abs(lat) <= 90) & (np.abs(lon) <= 180)
    if not good.any():
        return ""
    lon, lat = lon[good], lat[good]
    return (
        f'<bounds minlat="{_degrees(lat.min())}" minlon="{_longitude(lon.min())}" '
        f'maxlat="{_degrees(lat.max())}" maxlon="{_longitude(lon.max())}"/>'
    )


def _part(table: Any, start: int) -> Any:
    return table.take(np.arange(start, min(start + _BATCH, len(table))))


def _bare(table: Any) -> Any:
    """Return the table without extra columns."""
    from dataclasses import replace

    return replace(table, extra={})


def _degrees(value: float) -> str:
    """Return degrees to 1e-9 (0.1 mm), never in exponent form."""
    text = f"{value:.9f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _longitude(value: float) -> str:
    text = _degrees(value)
    return "-180" if text == "180" else text


def _decimal(value: float) -> str:
    """Return the shortest decimal that reads back to the same number; ``""`` if not finite."""
    if not math.isfinite(value):
        return ""
    text = repr(float(value))
    return format(Decimal(text), "f") if "e" in text else text


def _valid_number(name: str, value: Any) -> str:
    """Return a value as the schema wants it, or ``""``."""
    low, high, whole = NUMBERS[name]
    try:
        number = float(value)
    except (TypeError, ValueError):
        return ""
    if name == "magvar" and number == 360.0:
        number = 0.0
    if not math.isfinite(number) or not low <= number <= high or (whole and number % 1):
        return ""
    return str(int(number)) if whole else _decimal(number)


def _uri(text: str) -> str:
    """Return text as an address that XML Schema's anyURI takes."""
    safe = quote(
        re.sub(r"%(?![0-9A-Fa-f]{2})", "%25", text), safe="%/:?#@!$&'()*+,;=-._~", errors="replace"
    )
    first, mark, rest = safe.partition("#")
    safe = first + mark + rest.replace("#", "%23")
    try:
        urlsplit(safe)
        _ = urlsplit(safe).port
    except ValueError:
        safe = quote(safe, safe="%/.-_~")
    return safe


def _qualified(name: str | None) -> tuple[str, str] | None:
    match = re.fullmatch(r"\{([^{}]+)\}([A-Za-z_][\w.-]*)", name or "", re.ASCII)
    return (match[1], match[2]) if match else None


def _is_foreign(text: str) -> bool:
    """Return whether text is whole elements that may stand in GPX extensions as they are."""
    if ILLEGAL.search(text) or not text.lstrip().startswith("<"):
        return False
    depth = 0
    fine = True

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth, fine
        depth += 1
        uri, _, _ = name.rpartition(" ")
        if depth == 2 and (not uri or uri == NAMESPACE):
            fine = False
        if uri in (GPX_10, GPX_11) or any(a.startswith(f"{_XSI} ") for a in attributes):
            fine = False

    def end(_: str) -> None:
        nonlocal depth
        depth -= 1

    def characters(data: str) -> None:
        nonlocal fine
        if depth == 1 and data.strip():
            fine = False

    def refuse(*_: Any) -> None:
        nonlocal fine
        fine = False

    parser = expat.ParserCreate("utf-8", " ")
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = characters
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(f"<r>{text}</r>".encode(), True)
    except (expat.ExpatError, UnicodeEncodeError):
        return False
    return fine
