"""GPX points on their way from text to tables: whole batches become columns at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.contents import Contents
from athwart.errors import BadRow
from athwart.formats import rows as rowing
from athwart.formats import texts
from athwart.formats.gpx_fields import FIXES, NUMBERS, TEXTS, out_of_range
from athwart.formats.registry import ReadOptions
from athwart.tables import KINDS, Marks, Sightings, Track, Waypoints, text_array

__all__ = ["POINT_TAGS", "Collector", "Node", "Points"]

_BATCH = 20_000
_NAIVE_WORDS = "{n} times have no zone; GPX times are UTC by the standard and were taken so"

POINT_TAGS = {"wpt": "waypoint", "rtept": "route point", "trkpt": "track point"}


@dataclass
class Node:
    """An element of our own namespace."""

    tag: str
    attributes: dict[str, str]
    children: list[Node] = field(default_factory=list)
    text: str = ""


@dataclass
class Points:
    """Points of one kind on their way into columns; memory stays bounded by the batch."""

    title: str
    count: int = 0
    pending: list[dict[str, Any]] = field(default_factory=list)
    pieces: list[dict[str, NDArray[Any]]] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    """Name of each line."""
    loose: int | None = None
    """The line that points outside any track or route go to."""
    loose_segment: int = 0
    segments: int = 0

    def new_segment(self) -> int:
        """Return the number of a segment that begins."""
        self.segments += 1
        return self.segments - 1


class Collector:
    """Everything that a pass over a file has found so far, good and bad."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.waypoints: list[dict[str, Any]] = []
        self.tracks = Points("track point")
        self.routes = Points("route point")
        self.root_own: list[Node] = []
        self.counts = dict.fromkeys(
            ("waypoints", "route_points", "track_points", "routes", "tracks"), 0
        )
        self.rejected: dict[str, list[BadRow]] = {title: [] for title in POINT_TAGS.values()}
        self.dropped: dict[str, int] = {}
        self.uncarried: dict[str, int] = {}
        self.naive_times = 0

    # -- counting --------------------------------------------------------------------------

    def drop(self, name: str, count: int = 1) -> None:
        """Count an optional field that could not be read."""
        if count:
            self.dropped[name] = self.dropped.get(name, 0) + count

    def not_carried(self, what: str, count: int = 1) -> None:
        """Count something that our tables have no place for."""
        self.uncarried[what] = self.uncarried.get(what, 0) + count

    def reject_position(self, title: str, row: int, line: int, lat: str, lon: str) -> None:
        """List a point without a readable position in range."""
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

    def flush_if_full(self) -> None:
        """Turn points into columns when a batch is full."""
        for points in (self.tracks, self.routes):
            if len(points.pending) >= _BATCH:
                self.flush(points)

    def flush(self, points: Points) -> None:
        """Turn the points that wait into columns."""
        pending = points.pending
        if not pending:
            return
        points.pending = []
        columns, good = self._convert(pending, points.title)
        for key in ("#line", "#segment"):
            columns[key[1:]] = np.array([p[key] for p in pending], dtype=np.int64)
        own = [p["#own"][0].attributes if p.get("#own") else {} for p in pending]
        if any("#own" in p for p in pending):
            for column in Track.columns():
                if column.name in ("lon", "lat", "time", "line", "segment", "name"):
                    continue
                cells = [a.get(column.name, "") for a in own]
                if any(cells):
                    if column.type == "text":
                        columns[column.name] = text_array(cells)
                    else:
                        values, state = texts.parse_numbers(cells)
                        self.drop(column.name, int((state == texts.BAD).sum()))
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
            self.reject_position(title, p["#row"], p["#at"], raw["lat"][i], raw["lon"][i])
        out["lon"][out["lon"] == 180.0] = -180.0
        present = set().union(*points)
        for name in NUMBERS:
            if name in present:
                values, state = texts.parse_numbers([p.get(name, "") for p in points])
                outside = out_of_range(name, values)
                values[outside] = np.nan
                self.drop(name, int((state == texts.BAD).sum() + outside.sum()))
                out[name] = values
        if "time" in present:
            out["time"] = self._times([p.get("time", "") for p in points])
        for name in TEXTS:
            if name in present:
                out[name] = text_array(p.get(name, "") for p in points)
        if "fix" in out:
            known = np.isin(out["fix"].astype(str), [*FIXES, ""])
            self.drop("fix", int((~known).sum()))
            out["fix"][~known] = ""
        if "#links" in present or "url" in present:
            out["links"] = text_array(_links(p) for p in points)
        if "#ext" in present:
            out["extensions"] = text_array("".join(p.get("#ext", ())) for p in points)
        return out, good

    def _times(self, cells: list[str]) -> NDArray[np.datetime64]:
        times, state = texts.parse_times(cells)
        self.drop("time", int((state == texts.BAD).sum()))
        self.naive_times += int((state == texts.NO_ZONE).sum())
        return times

    def finish(self) -> Contents:
        """Return what was read."""
        self.flush(self.tracks)
        self.flush(self.routes)
        waypoints, marks, sightings = self._waypoint_tables()
        rejected = [
            r for title in POINT_TAGS.values() for r in sorted(self.rejected[title], key=_row)
        ]
        tracks = self._line_table(self.tracks)
        routes = self._line_table(self.routes)
        words = []
        if self.naive_times:
            words.append(_NAIVE_WORDS.format(n=self.naive_times))
        words += [
            f"{what}: {n}" if "(" in what else f"not carried, {what}: {n}"
            for what, n in self.uncarried.items()
        ]
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

    def _line_table(self, points: Points) -> Track:
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
                self.drop(f"{tag} fields of ours", len(index) - len(built.rows))
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
        self, cls: type[Any], nodes: list[Node], outer: dict[str, NDArray[Any]]
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
        own: list[dict[str, Node]],
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
            self.drop("depth", int((state == texts.BAD).sum()))
            known["depth_m"] = values
        self._own_waypoint_fields(known, extra, own)
        return rowing.drop_optional(  # type: ignore[no-any-return]
            Waypoints.from_columns(known, extra=extra), self.dropped
        )

    def _own_waypoint_fields(
        self, known: dict[str, Any], extra: dict[str, Any], own: list[dict[str, Node]]
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
                self.drop(name, int((state == texts.BAD).sum()))
                old = known.get(name, np.full(n, np.nan))
                known[name] = np.where(np.isfinite(values), values, old)
        extras = [_extra_cells(node) if node else {} for node in nodes]
        for name in dict.fromkeys(k for e in extras for k in e):
            extra[name] = text_array(e.get(name, "") for e in extras)


def _row(fault: BadRow) -> int:
    return fault.row


def _extra_cells(node: Node) -> dict[str, str]:
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
