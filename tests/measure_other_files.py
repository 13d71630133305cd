"""Read other people's files with athwart and with an independent reader, and compare point for point.

By hand: ``python tests/measure_other_files.py FOLDER...``. Every GPX, KML, GeoJSON, GeoPackage and
NMEA file found below the folders is read twice. Printed are a table, what was refused with athwart's
own sentence and how many points the other reader saw there, and every disagreement (exit code 1).

The witnesses, none of which shares code with the reader that it judges: gpxpy, or lxml where gpxpy
gives up, for GPX; the standard library's ``json`` for GeoJSON; lxml for KML; ``sqlite3`` and shapely's
reader of WKB for GeoPackage; pynmea2 for NMEA 0183, and beside a log of gpsd's (``x.log.chk``) what gpsd
itself made of it.

Compared are number and order of points, longitude, latitude, height, time to the microsecond, where a
line or an unbroken piece begins, and names of points.
"""

from __future__ import annotations

import json
import re
import sqlite3
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from athwart.contents import Contents
from athwart.errors import AthwartError, FileError
from athwart.formats import ReadOptions, inspect

NO_DATE = date(2031, 5, 4)
"""The day given to logs that hold none."""

_NOT_DATA = {"package.json", "package-lock.json", "tsconfig.json"}


@dataclass(frozen=True)
class Point:
    """A point as any reader sees it."""

    lon: float
    lat: float
    height: float = np.nan
    time: np.datetime64 = field(default_factory=lambda: np.datetime64("NaT", "us"))
    name: str | None = None
    """None where it is not compared."""
    piece: int = 0
    row: int = 0
    """Number of the feature that it comes from, where there are features."""


Points = dict[str, list[Point]]


@dataclass
class Outcome:
    """What became of one file."""

    path: Path
    kind: str
    witness: str = ""
    compared: int = 0
    seen: int = 0
    """Points that the witness sees."""
    refused: str = ""
    rows: Counter[str] = field(default_factory=Counter)
    """Rows that athwart did not take, by reason."""
    disagreements: list[str] = field(default_factory=list)
    remark: str = ""


# -- what athwart reads ------------------------------------------------------------------------


def _ours(contents: Contents) -> Points:
    def points(table: Any, piece: str = "") -> list[Point]:
        n = len(table)
        heights = getattr(table, "elevation_m", np.full(n, np.nan))
        times = getattr(table, "time", np.full(n, np.datetime64("NaT", "us")))
        names = getattr(table, "name", [""] * n)
        pieces = getattr(table, piece) if piece else np.zeros(n, dtype=int)
        rows = zip(table.lon, table.lat, heights, times, names, pieces, strict=True)
        return [Point(float(x), float(y), float(h), t, str(m), int(p)) for x, y, h, t, m, p in rows]

    return {
        "points": [
            p
            for table in (contents.waypoints, contents.sightings, contents.marks)
            for p in points(table)
        ],
        "route points": points(contents.routes, "segment"),
        "track points": points(contents.tracks, "segment"),
    }


# -- what the others read ----------------------------------------------------------------------


def _moment(value: Any) -> np.datetime64:
    if value is None:
        return np.datetime64("NaT", "us")
    if value.tzinfo is not None:
        value = value.astimezone(UTC).replace(tzinfo=None)
    return np.datetime64(value, "us")


def gpx_seen(path: Path) -> tuple[str, Points]:
    """Return what gpxpy sees, or what lxml sees where gpxpy gives up."""
    import gpxpy

    try:
        with path.open(encoding="utf-8-sig") as handle:
            gpx = gpxpy.parse(handle)
    except Exception:  # whatever it raises, the file goes to the other reader
        return "lxml", _gpx_by_lxml(path)

    def point(p: Any, piece: int = 0, *, named: bool = False) -> Point:
        height = np.nan if p.elevation is None else p.elevation
        name = (p.name or "").strip() if named else None
        return Point(p.longitude, p.latitude, height, _moment(p.time), name, piece)

    pieces = [s.points for t in gpx.tracks for s in t.segments]
    return "gpxpy", {
        "points": [point(p, named=True) for p in gpx.waypoints],
        "route points": [point(p, i) for i, r in enumerate(gpx.routes) for p in r.points],
        "track points": [point(p, i) for i, s in enumerate(pieces) for p in s],
    }


def _gpx_by_lxml(path: Path) -> Points:
    from lxml import etree

    parser = etree.XMLParser(recover=True, resolve_entities=False, no_network=True)
    root = etree.fromstring(path.read_bytes(), parser)
    seen: Points = {"points": [], "route points": [], "track points": []}
    kinds = {"wpt": "points", "rtept": "route points", "trkpt": "track points"}
    starts = {"rte": "route points", "trkseg": "track points"}
    piece = dict.fromkeys(kinds.values(), -1)
    for element in [] if root is None else root.iter("{*}*"):
        local = etree.QName(element).localname
        if local in starts:
            piece[starts[local]] += 1
        elif local in kinds:
            height = element.findtext("{*}ele")
            seen[kinds[local]].append(
                Point(
                    _number(element.get("lon")),
                    _number(element.get("lat")),
                    _number(height),
                    piece=max(piece[kinds[local]], 0),
                )
            )
    return seen


def _number(text: str | None) -> float:
    try:
        return float(text) if text else np.nan
    except ValueError:
        return np.nan


def geojson_seen(path: Path) -> tuple[str, Points]:
    """Return what a walk through the JSON sees."""
    text = json.loads(path.read_text(encoding="utf-8-sig"))
    features = text["features"] if text.get("type") == "FeatureCollection" else [text]
    seen: Points = {"points": [], "route points": [], "track points": []}
    move = _to_wgs84((text.get("crs") or {}).get("properties", {}).get("name", ""))
    piece = -1
    for row, feature in enumerate(features, start=1):
        bare = "geometry" not in feature
        properties = {} if bare else feature.get("properties") or {}
        name = properties.get("name")
        shape = feature if bare else feature["geometry"]
        for line, places in _members(shape):
            piece += line
            for place in places:
                lon, lat = move(place[0], place[1])
                seen["track points" if line else "points"].append(
                    Point(
                        float(lon),
                        float(lat),
                        float(place[2]) if len(place) > 2 else np.nan,
                        name=name.strip() if isinstance(name, str) and not line else None,
                        piece=piece if line else 0,
                        row=row,
                    )
                )
    return "json", seen


def _members(shape: dict[str, Any] | None) -> Iterator[tuple[bool, list[Any]]]:
    """Yield the points and the lines of a GeoJSON geometry; areas hold none."""
    if shape is None:
        return
    kind, places = shape["type"], shape.get("coordinates") or []
    if kind == "GeometryCollection":
        for member in shape["geometries"]:
            yield from _members(member)
    elif kind == "Point" and places:
        yield False, [places]
    elif kind == "MultiPoint":
        yield False, places
    elif kind == "LineString":
        yield True, places
    elif kind == "MultiLineString":
        for line in places:
            yield True, line


def _to_wgs84(name: str) -> Callable[[float, float], tuple[float, float]]:
    if not name or "CRS84" in name or name.endswith("4326"):
        return lambda x, y: (x, y)
    from pyproj import Transformer

    move: Callable[[float, float], tuple[float, float]]
    move = Transformer.from_crs(name, "OGC:CRS84", always_xy=True).transform
    return move


def kml_seen(path: Path) -> tuple[str, Points]:
    """Return what a walk through the XML sees; the lines of areas hold no points."""
    from lxml import etree

    root = etree.fromstring(
        path.read_bytes(), etree.XMLParser(resolve_entities=False, no_network=True)
    )
    seen: Points = {"points": [], "route points": [], "track points": []}
    piece = -1
    for element in root.iter("{*}Point", "{*}LineString"):
        if not any(etree.QName(a).localname == "Placemark" for a in element.iterancestors()):
            continue
        line = etree.QName(element).localname == "LineString"
        piece += line
        mark = next(a for a in element.iterancestors("{*}Placemark"))
        for word in (element.findtext("{*}coordinates") or "").split():
            numbers = [float(n) for n in word.split(",")]
            seen["track points" if line else "points"].append(
                Point(
                    numbers[0],
                    numbers[1],
                    numbers[2] if len(numbers) > 2 else np.nan,
                    name=None if line else (mark.findtext("{*}name") or "").strip(),
                    piece=piece if line else 0,
                )
            )
    return "lxml", seen


def geopackage_seen(path: Path) -> tuple[str, Points]:
    """Return what sqlite3 and shapely's reader of WKB see."""
    import shapely
    from pyproj import Transformer

    seen: Points = {"points": [], "route points": [], "track points": []}
    piece = -1
    book = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    tables = book.execute(
        "SELECT g.table_name, g.column_name, s.organization, s.organization_coordsys_id "
        "FROM gpkg_geometry_columns g JOIN gpkg_spatial_ref_sys s ON s.srs_id = g.srs_id"
    ).fetchall()
    for table, column, who, code in tables:
        move = Transformer.from_crs(f"{who}:{code}", "OGC:CRS84", always_xy=True).transform
        for (blob,) in book.execute(f'SELECT "{column}" FROM "{table}"'):
            if blob is None:
                continue
            envelope = (0, 32, 48, 48, 64)[(blob[3] >> 1) & 7]
            shape = shapely.from_wkb(blob[8 + envelope :], on_invalid="ignore")
            if shape is None:
                continue
            for part in shapely.get_parts(shape):
                if part.geom_type not in ("Point", "LineString"):
                    continue
                line = part.geom_type == "LineString"
                piece += line
                for place in shapely.get_coordinates(part, include_z=True):
                    lon, lat = move(place[0], place[1])
                    seen["track points" if line else "points"].append(
                        Point(lon, lat, place[2], piece=piece if line else 0)
                    )
    book.close()
    return "sqlite3", seen


_SENTENCE = re.compile(rb"\$[^$!*\r\n]*\*[0-9A-Fa-f]{2}(?![0-9A-Fa-f])")


def nmea_seen(path: Path) -> tuple[str, Points]:
    """Return the moments that pynmea2 sees: neighbours of one time of day are one.

    RMC goes before GGA, the first of a kind before the next, as athwart promises.
    """
    import pynmea2

    moments: list[tuple[float, dict[str, tuple[float, float]]]] = []
    for match in _SENTENCE.finditer(path.read_bytes()):
        try:
            said = pynmea2.parse(match[0].decode("ascii"), check=True)
            kind = said.sentence_type
            if kind == "RMC" and said.status == "A":
                pass
            elif kind != "GGA" or int(said.gps_qual or 0) == 0:
                continue
            if not (said.lat and said.lon and said.lat_dir and said.lon_dir):
                continue
            if kind == "RMC" and isinstance(said.datestamp, str) and said.datestamp:
                continue  # pynmea2 hands back as text what it cannot read as a date
            place = (said.longitude, said.latitude)
            t = said.timestamp
            clock = t.hour * 3600 + t.minute * 60 + t.second + t.microsecond / 1e6
        except (ValueError, AttributeError, TypeError, UnicodeDecodeError):
            continue  # pynmea2 does not take it for a sentence, or a field of it for a value
        if not moments or moments[-1][0] != clock:
            moments.append((clock, {}))
        moments[-1][1].setdefault(kind, place)
    chosen = [(clock, kinds.get("RMC") or kinds["GGA"]) for clock, kinds in moments]
    day = np.datetime64("1970-01-01", "us")
    return "pynmea2", {
        "track points": [
            Point(lon, lat, time=day + np.timedelta64(round(clock * 1e6), "us"))
            for clock, (lon, lat) in chosen
        ]
    }


def gpsd_seen(path: Path) -> dict[np.datetime64, list[tuple[float, float]]]:
    """Return the positions that gpsd made of its own log, by time.

    It speaks after every sentence, so that a second with several positions shows them all.
    """
    out: dict[np.datetime64, list[tuple[float, float]]] = {}
    for text in path.read_text(encoding="utf-8", errors="replace").splitlines():
        if not text.startswith('{"class":"TPV"'):
            continue
        said = json.loads(text)
        if {"time", "lat", "lon"} <= set(said) and said.get("mode", 0) >= 2:
            when = datetime.fromisoformat(said["time"])
            out.setdefault(_moment(when), []).append((said["lon"], said["lat"]))
    return out


# -- comparing ---------------------------------------------------------------------------------


def _usable(points: list[Point]) -> list[Point]:
    """Return the points that lie on the earth, the 180th meridian with the sign that athwart uses."""
    kept = []
    for p in points:
        if not (abs(p.lon) <= 180 and abs(p.lat) <= 90):
            continue
        lon = -180.0 if p.lon == 180.0 else p.lon
        kept.append(Point(lon, p.lat, p.height, p.time, p.name, p.piece, p.row))
    return kept


def compare(kind: str, ours: list[Point], theirs: list[Point], tolerance: float) -> list[str]:
    """Return in words where two readers part."""
    if len(ours) != len(theirs):
        return [f"{len(ours)} {kind}, the other reader sees {len(theirs)}"]
    out = []
    heights = any(np.isfinite(p.height) and p.height != 0 for p in theirs)
    times = any(not np.isnat(p.time) for p in theirs)
    for i, (a, b) in enumerate(zip(ours, theirs, strict=True)):
        far = max(abs(a.lon - b.lon), abs(a.lat - b.lat))
        if not far <= tolerance:
            out.append(f"{kind} {i + 1}: {a.lon!r} {a.lat!r}, not {b.lon!r} {b.lat!r}")
        if heights and not (a.height == b.height or (np.isnan(a.height) and np.isnan(b.height))):
            out.append(f"{kind} {i + 1}: height {a.height}, not {b.height}")
        if times and not (a.time == b.time or (np.isnat(a.time) and np.isnat(b.time))):
            out.append(f"{kind} {i + 1}: time {a.time}, not {b.time}")
        if b.name is not None and a.name != b.name:
            out.append(f"{kind} {i + 1}: name {a.name!r}, not {b.name!r}")
        if i and (a.piece == ours[i - 1].piece) != (b.piece == theirs[i - 1].piece):
            out.append(f"{kind} {i + 1}: a piece begins for one reader only")
    return out


def _compare_log(outcome: Outcome, ours: list[Point], theirs: list[Point], wild: int) -> None:
    """Compare moments of a log: ours are theirs in order, but for those that run backwards."""
    day = np.timedelta64(1, "D")
    i = 0
    missing = 0
    for b in theirs:
        a = ours[i] if i < len(ours) else None
        clock = None if a is None else (a.time - a.time.astype("datetime64[D]"))
        if a is None or clock != (b.time - np.datetime64("1970-01-01", "us")) % day:
            missing += 1
            continue
        if not max(abs(a.lon - b.lon), abs(a.lat - b.lat)) <= 1e-9:
            outcome.disagreements.append(f"{a.time}: {a.lon!r} {a.lat!r}, not {b.lon!r} {b.lat!r}")
        i += 1
    outcome.compared = i
    if i < len(ours):
        outcome.disagreements.append(f"{len(ours) - i} moments that the other reader does not see")
    if missing != wild:
        outcome.disagreements.append(
            f"{missing} of {len(theirs)} moments are not taken, {wild} are told to run backwards"
        )


def _compare_gpsd(outcome: Outcome, ours: list[Point], beside: Path) -> None:
    theirs = gpsd_seen(beside)
    met = [(p, theirs[p.time]) for p in ours if p.time in theirs]
    far = [
        (p, places[0])
        for p, places in met
        if not min(max(abs(p.lon - x), abs(p.lat - y)) for x, y in places) <= 1.01e-9
    ]
    outcome.remark = f"gpsd: {len(met) - len(far)} of {len(met)} moments of one time are the same"
    outcome.disagreements += [
        f"gpsd at {p.time}: {p.lon!r} {p.lat!r}, not {x!r} {y!r}" for p, (x, y) in far
    ]


# -- files -------------------------------------------------------------------------------------

_WITNESS: dict[str, Callable[[Path], tuple[str, Points]]] = {
    "GPX": gpx_seen,
    "GeoJSON": geojson_seen,
    "KML": kml_seen,
    "GeoPackage": geopackage_seen,
    "NMEA": nmea_seen,
}
_ENDINGS = {".gpx": "GPX", ".kml": "KML", ".geojson": "GeoJSON", ".gpkg": "GeoPackage"}
_LOG = re.compile(rb"^\$[A-Z]{2}(RMC|GGA|GLL|VTG|GSA|GSV|ZDA),", re.MULTILINE)
_GEOJSON = re.compile(rb'"type"\s*:\s*"(FeatureCollection|Feature)"')


def kind_of(path: Path) -> str:
    """Return what a file is, by its ending and, for endings that say little, by its content."""
    ending = path.suffix.lower()
    if ending in _ENDINGS:
        return _ENDINGS[ending]
    if ending == ".json" and path.name not in _NOT_DATA:
        return "GeoJSON" if _GEOJSON.search(path.read_bytes()) else ""
    if ending in (".nmea", ".nmea0183", ".log", ".txt"):
        return "NMEA" if _LOG.search(path.read_bytes()) else ""
    return ""


def files_in(folder: Path) -> list[tuple[Path, str]]:
    """Return the files below a folder that are of a kind we read."""
    found = sorted(p for p in folder.rglob("*") if p.is_file())
    return [(p, kind) for p in found if (kind := kind_of(p))]


def measure(path: Path, kind: str) -> Outcome:
    """Read one file twice."""
    outcome = Outcome(path, kind)
    try:
        outcome.witness, seen = _WITNESS[kind](path)
    except Exception as error:  # a file that no reader takes is still given to ours
        outcome.witness, seen = "none", {}
        outcome.remark = f"the other reader gives up: {type(error).__name__}: {str(error)[:80]}"
    outcome.seen = sum(map(len, seen.values()))
    try:
        contents = _read(path)
    except AthwartError as error:
        outcome.refused = str(error)
        return outcome
    outcome.rows = Counter(r.code for r in contents.rejected)
    ours = _ours(contents)
    if outcome.witness == "none":
        outcome.remark += f"; {sum(map(len, ours.values()))} points read"
        return outcome
    if kind == "NMEA":
        wild = outcome.rows["time-backwards"]
        _compare_log(outcome, ours["track points"], _usable(seen["track points"]), wild)
        beside = path.with_name(f"{path.name}.chk")
        if beside.is_file() and "begin on" not in " ".join(contents.words):
            _compare_gpsd(outcome, ours["track points"], beside)
        return outcome
    gone = {r.row for r in contents.rejected} if kind == "GeoJSON" else set()
    exact = kind in ("GPX", "GeoJSON", "KML") and "transformed" not in " ".join(contents.words)
    for name, points in seen.items():
        usable = [p for p in _usable(points) if p.row not in gone or name != "points"]
        outcome.disagreements += compare(name, ours[name], usable, 0.0 if exact else 1e-9)
        outcome.compared += min(len(ours[name]), len(usable))
    return outcome


def _read(path: Path) -> Contents:
    try:
        return inspect(path)
    except FileError as error:
        if error.code != "date-missing":
            raise
        return inspect(path, options=ReadOptions(date=NO_DATE))


def report(folder: Path, outcomes: list[Outcome]) -> bool:
    """Print what became of every file; tell whether all agreed."""

    def library(o: Outcome) -> str:
        return o.path.relative_to(folder).parts[0]

    print(f"{'from':34} {'kind':10} files  points  refused  rows left out  disagreeing files")
    for key in sorted({(library(o), o.kind) for o in outcomes}):
        group = [o for o in outcomes if (library(o), o.kind) == key]
        print(
            f"{key[0][:34]:34} {key[1]:10} {len(group):5} {sum(o.compared for o in group):7} "
            f"{sum(bool(o.refused) for o in group):8} {sum(o.rows.total() for o in group):14} "
            f"{sum(bool(o.disagreements) for o in group):18}"
        )
    print(
        f"{len(outcomes)} files, {sum(o.compared for o in outcomes)} points compared, "
        f"{sum(bool(o.refused) for o in outcomes)} refused"
    )
    for o in outcomes:
        name = o.path.relative_to(folder)
        if o.refused:
            print(f"refused  {name} ({o.seen} points for {o.witness}): {o.refused}")
        elif o.rows:
            print(f"left out {name}: {dict(o.rows)}")
        if o.remark:
            print(f"remark   {name}: {o.remark}")
        for words in o.disagreements[:8]:
            print(f"DIFFERS  {name} ({o.witness}): {words}")
        if len(o.disagreements) > 8:
            print(f"DIFFERS  {name}: and {len(o.disagreements) - 8} more")
    return not any(o.disagreements for o in outcomes)


def main() -> int:
    """Measure every folder of the command line."""
    agreed = True
    for folder in map(Path, sys.argv[1:]):
        agreed &= report(folder, [measure(path, kind) for path, kind in files_in(folder)])
    return 0 if agreed else 1


if __name__ == "__main__":
    sys.exit(main())
