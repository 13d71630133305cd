"""The review map: one HTML page that shows marks, their errors and where they came from.

The one door to folium. The page holds everything it needs and is forbidden by its own content
security policy to fetch anything; the same input gives the same bytes.

Below 85 degrees of latitude the sheet is Web Mercator, unrolled about the middle of the data so
that both sides of the 180th meridian lie together. Nearer the poles it is an azimuthal
equidistant plane about the middle of the data, in metres along geodesics.
"""

from __future__ import annotations

import base64
import html
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any
from urllib.parse import urlsplit

import folium
import numpy as np
import shapely
from folium.template import Template
from numpy.typing import NDArray
from shapely.geometry import shape as shapely_shape

from athwart.errors import DataError, UsageError
from athwart.features import Feature
from athwart.kinds import symbols_for
from athwart.review.assets import ASSETS, asset_text, leaflet_licence
from athwart.review.ground import Box, fitted
from athwart.review.plan_layer import places_of, plan_data
from athwart.review.sheet import (
    MERCATOR_LIMIT_DEG,
    METRES_PER_DEGREE,
    Sheet,
    checked,
    deltas,
    laid_out,
    may_be_near,
    sheet_about,
)
from athwart.tables import Marks, Sightings, Track
from athwart.uncertainty.ellipse import CHI2_95_2DOF, error_ellipse
from athwart.units import FATHOM, FOOT, UnitSystem, format_position
from athwart.visible import visible_text

__all__ = ["review_map", "visible_text"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
NearPair = tuple[float, float, float, float, str]
Background = Mapping[str, Any] | Iterable[Any]
DrawnShape = tuple[Sequence[float], Sequence[float], bool, str, str, str, float]
"""Longitudes, latitudes, whether it is an area, name, kind, note, largest R95 in metres."""

SonarPicture = tuple[bytes, tuple[float, float, float, float], str, Any]

_ELLIPSE_95 = float(np.sqrt(CHI2_95_2DOF))
_TRACK_TOLERANCE_M = 1.0
_LARGE_BYTES = 8_000_000
"""A page above this opens slowly on a phone and is refused by many mail servers."""
_UNITS: dict[str, tuple[float, str]] = {
    "metric": (1.0, "m"),
    "feet": (FOOT.value, "ft"),
    "fathoms": (FATHOM.value, "fm"),
}

_LAST_VISIT = re.compile(r"(?P<day>\d{4}-\d\d-\d\d)?\s*(?P<said>.*)", re.DOTALL)


def review_map(
    *,
    marks: Marks,
    sightings: Sightings | None = None,
    tracks: Track | None = None,
    mark_of: IntArray | None = None,
    near_pairs: Sequence[NearPair] = (),
    background: Background | None = None,
    pictures: Sequence[SonarPicture] = (),
    shapes: Sequence[DrawnShape] = (),
    plan: Sequence[Feature] = (),
    units: UnitSystem = "metric",
    title: str = "",
    tiles: str | None = None,
    attribution: str = "",
) -> str:
    """Return a page that shows marks on a map and needs no network.

    Parameters
    ----------
    marks : Marks
        What to show; none gives a page that says so. Columns ``visits`` and ``last_visit``, which
        a book gives, are told too.
    sightings : Sightings, optional
        Looks that the marks were made of.
    tracks : Track, optional
        Where the boat went; simplified within 1 m for drawing.
    mark_of : numpy.ndarray of int, shape (sightings,), optional
        Row of each sighting's mark, -1 for none; else taken from the marks' ``sighting_ids``.
    near_pairs : sequence of (lon_a, lat_a, lon_b, lat_b, sentence)
        Places that lie close and were kept apart, and why.
    background : mapping or iterable of shapely geometry, optional
        A coastline or the like, as GeoJSON or shapes, longitude and latitude in WGS 84. Only its
        shapes are put into the page, cut off at 50 km or the data's own breadth beyond them.
        Where they have more than 60,000 points they are cut off nearer, then thinned; the page
        says how far it may be off.
    pictures : sequence of (png, bounds, title, outline)
        Sonar pictures to draw under the marks: the bytes of a PNG in Web Mercator, its west,
        south, east and north in degrees, a title, and the outline of what was seen as a shape in
        longitude and latitude, or None (`athwart.frame.overlay.overlay` makes the first two). Where
        the sheet is a plane near a pole the outlines alone are drawn. The page says how large it
        has become above 8 MB.
    shapes : sequence of (lon, lat, area, name, kind, note, r95_m)
        Lines and areas that were drawn on pictures, with the largest R95 of their corners.
    plan : sequence of Feature
        Areas, lines and places of a plan: under the marks, with a legend by role and a card each.
    units : {"metric", "feet", "fathoms"}
        What lengths are shown in.
    title : str
        Heading of the page.
    tiles : str, optional
        Address of a tile server with ``{z}``, ``{x}`` and ``{y}``. The page then tells that
        server which area is looked at, and says so.
    attribution : str
        Whom the tile server wants named.

    Returns
    -------
    str
        HTML.

    Raises
    ------
    DataError
        ``mark_of``, ``background`` or a picture does not fit.
    UsageError
        Unknown units, or a tile address that cannot be used.
    """
    if units not in _UNITS:
        raise UsageError(f"units are {units!r}; allowed are {', '.join(_UNITS)}")
    sightings = Sightings.empty() if sightings is None else sightings
    tracks = Track.empty() if tracks is None else tracks
    owner = _owners(marks, sightings, mark_of)
    by_mark = np.argsort(np.where(owner < 0, len(marks), owner), kind="stable")
    sightings, owner = sightings.take(by_mark), owner[by_mark]
    boxes = [_bounds(p) for p in pictures]
    sheet = _sheet_for(marks, sightings, tracks, near_pairs, boxes, shapes, plan)
    server = _tile_server(tiles, sheet)
    heading = visible_text(title).strip() or "Marks for review"
    data = {
        "units": dict(zip(("metres", "word"), _UNITS[units], strict=True)),
        "plane": None if sheet.plane is None else {"lon": sheet.plane[0], "lat": sheet.plane[1]},
        "origin": [round(sheet.origin[0], 7), round(sheet.origin[1], 7)],
        "quantum": sheet.quantum,
        **_marks_data(marks, owner, sheet),
        "sightings": _sightings_data(sightings, owner, marks, sheet),
        "tracks": _tracks_data(tracks, sheet),
        "near": [
            {**_placed(sheet, [p[0], p[2]], [p[1], p[3]]), "why": visible_text(p[4])}
            for p in near_pairs
        ],
        "background": _background_data(background, sheet),
        "pictures": _pictures_data(pictures, sheet),
        "shapes": _shapes_data(shapes, sheet),
        "plan": plan_data(plan, sheet, units),
        "tiles": server and {"url": server[0], "host": server[1], "by": visible_text(attribution)},
    }

    def page() -> str:
        return _ReviewMap(
            heading=heading,
            data=_embed(data),
            image_source=server[2] if server else "",
            crs="EPSG3857" if sheet.plane is None else "Simple",
            tiles=bool(server),
        ).text()

    text = page()
    size = len(text.encode())
    if pictures and size > _LARGE_BYTES:
        data["pageBytes"] = size
        text = page()
    return text


class _ReviewMap(folium.Map):
    """folium's map with a page of our own and no links: everything is inside."""

    _template = Template(asset_text("page.jinja"))
    default_js: list[tuple[str, str]] = []  # noqa: RUF012 - folium's own type
    default_css: list[tuple[str, str]] = []  # noqa: RUF012

    def __init__(
        self, *, heading: str, data: str, image_source: str, crs: str, tiles: bool
    ) -> None:
        super().__init__(
            location=[0.0, 0.0],
            tiles=None,
            zoom_start=1,
            crs=crs,
            zoom_control=False,
            attributionControl=False,
            zoomAnimation=False,
            fadeAnimation=False,
            markerZoomAnimation=False,
            zoomSnap=1 if tiles else 0.25,
            zoomDelta=1,
            minZoom=1 if crs == "EPSG3857" else -17,
            maxZoom=22 if crs == "EPSG3857" else 6,
            worldCopyJump=False,
            prefer_canvas=True,
        )
        # branca reads what it has rendered as a template again, so that "{{" in a name would be
        # obeyed. Whatever is not this page's own template goes in afterwards, by its slot.
        self.slots = {
            "heading": html.escape(heading),
            "data": data,
            "licence": leaflet_licence(),
            **{name: asset_text(name) for _, name in ASSETS},
        }
        self.assets = ASSETS
        self.policy = (
            "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
            f"img-src data: blob:{image_source and ' ' + image_source}; "
            "base-uri 'none'; form-action 'none'"
        )

    def slot(self, name: str) -> str:
        return f"[slot {name}]"

    def text(self) -> str:
        figure: Any = self.get_root()
        figure.title = self.slot("heading")
        page = str(figure.render()).replace("<html>", '<html lang="en">', 1)
        names = "|".join(re.escape(name) for name in self.slots)
        return re.sub(rf"\[slot ({names})\]", lambda m: self.slots[m[1]], page)

    @classmethod
    def _generate_id(cls) -> str:
        return "sheet"  # folium draws a random one, and the page would differ each time


def _embed(data: Mapping[str, Any]) -> str:
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def _sheet_for(
    marks: Marks,
    sightings: Sightings,
    tracks: Track,
    near_pairs: Sequence[NearPair],
    boxes: Sequence[tuple[float, float, float, float]],
    shapes: Sequence[DrawnShape],
    plan: Sequence[Feature],
) -> Sheet:
    """Return the sheet on which all that is drawn lies; a background has no say, nor has a zone."""
    pairs = np.array([p[:4] for p in near_pairs], dtype=np.float64).reshape(-1, 4)
    box = np.array(boxes, dtype=np.float64).reshape(-1, 4)
    planned = places_of(plan)
    lon = [marks.lon, sightings.lon, tracks.lon, pairs[:, [0, 2]].T.ravel()]
    lat = [marks.lat, sightings.lat, tracks.lat, pairs[:, [1, 3]].T.ravel()]
    lon += [box[:, [0, 2]].T.ravel(), *(np.asarray(x[0], np.float64) for x in shapes)]
    lat += [box[:, [1, 3]].T.ravel(), *(np.asarray(x[1], np.float64) for x in shapes)]
    lon.append(planned[:, 0])
    lat.append(planned[:, 1])
    return sheet_about(np.concatenate(lon), np.concatenate(lat))


def _placed(sheet: Sheet, lon: Any, lat: Any) -> dict[str, list[int]]:
    x, y = sheet.integers(lon, lat)
    return {"x": x.tolist(), "y": y.tolist()}


def _owners(marks: Marks, sightings: Sightings, mark_of: IntArray | None) -> IntArray:
    if mark_of is not None:
        owner = np.asarray(mark_of, dtype=np.int64)
        if owner.shape != (len(sightings),):
            raise DataError(f"mark_of has {owner.size} rows for {len(sightings)} sightings")
        if owner.size and (owner.min() < -1 or owner.max() >= len(marks)):
            raise DataError(f"mark_of names a row that is not among the {len(marks)} marks")
        return owner
    of_id = {key: i for i, keys in enumerate(marks.sighting_ids) for key in keys.split()}
    return np.array([of_id.get(key, -1) for key in sightings.sighting_id], dtype=np.int64)


def _tenths(values: FloatArray) -> list[int | None]:
    """Lengths as whole decimetres; None where unknown."""
    return _whole(values * 10.0)


def _whole(values: FloatArray) -> list[int | None]:
    known = np.isfinite(values)
    whole = np.rint(np.where(known, values, 0.0)).astype(np.int64).tolist()
    return [v if k else None for v, k in zip(whole, known.tolist(), strict=True)]


def _numbered(values: Iterable[str]) -> tuple[list[str], list[int]]:
    """Distinct texts, sorted, and the place of each value among them."""
    items = list(values)
    distinct = sorted(set(items))
    place = {v: i for i, v in enumerate(distinct)}
    return distinct, [place[v] for v in items]


def _days(times: NDArray[np.datetime64]) -> list[int | None]:
    """Days of UTC since 1970, all that is shown of a mark's times; None where unknown."""
    return _whole(np.where(np.isnat(times), np.nan, times.astype("datetime64[D]").astype(float)))


def _minutes(times: NDArray[np.datetime64]) -> tuple[int, list[int | None]]:
    """Whole minutes, all that is shown of a sighting's time, from the earliest, and that since 1970."""
    known = ~np.isnat(times)
    minutes = times.astype("datetime64[m]").astype(float)
    since = int(minutes[known].min()) if known.any() else 0
    return since, _whole(np.where(known, minutes - since, np.nan))


def _ellipses(
    east: FloatArray,
    north: FloatArray,
    cov: FloatArray,
    lon: FloatArray,
    lat: FloatArray,
    sheet: Sheet,
) -> dict[str, list[int | None]]:
    known = np.isfinite(east) & np.isfinite(north)
    a, b, azimuth = error_ellipse(
        np.where(known, east, 0.0),
        np.where(known, north, 0.0),
        np.where(known, np.nan_to_num(cov), 0.0),
    )
    turned = (azimuth + sheet.turn_deg(lon, lat)) % 180.0
    return {
        "a": _tenths(np.where(known, a * _ELLIPSE_95, np.nan)),
        "b": _tenths(np.where(known, b * _ELLIPSE_95, np.nan)),
        "az": _whole(np.where(known, turned, np.nan)),
    }


def _marks_data(marks: Marks, owner: IntArray, sheet: Sheet) -> dict[str, Any]:
    kinds = [visible_text(k) for k in marks.kind]
    symbols = symbols_for(kinds)
    place = {s.word: i for i, s in enumerate(symbols)}
    below, below_of = _numbered(marks.depth_below)
    orders, order_of = _numbered(marks.s44_horizontal)
    columns: dict[str, Any] = {
        **_placed(sheet, marks.lon, marks.lat),
        **_ellipses(
            marks.var_east_m2,
            marks.var_north_m2,
            marks.cov_east_north_m2,
            marks.lon,
            marks.lat,
            sheet,
        ),
        "at": [
            format_position(lon, lat)
            for lon, lat in zip(marks.lon.tolist(), marks.lat.tolist(), strict=True)
        ],
        "name": [visible_text(n) for n in marks.name],
        "kind": [place[k] for k in kinds],
        "hazard": marks.hazard.astype(int).tolist(),
        "note": [visible_text(n, lines=True) for n in marks.note],
        "r95": _tenths(marks.r95_m),
        "depth": _whole(marks.depth_m * 100.0),
        "below": below_of,
        "height": _whole(marks.height_m * 100.0),
        "least": _whole(marks.least_depth_m * 100.0),
        "sightings": marks.sightings.tolist(),
        "trips": marks.trips.tolist(),
        "first": _days(marks.first_time),
        "last": _days(marks.last_time),
        "order": order_of,
        "looks": np.bincount(owner[owner >= 0], minlength=len(marks)).tolist(),
        **_visits_data(marks),
    }
    return {
        "kinds": [asdict(s) for s in symbols],
        "below": below,
        "orders": orders,
        "marks": columns,
    }


def _visits_data(marks: Marks) -> dict[str, Any]:
    """Return how often each mark was visited, and the day and the words of the last time.

    A book gives ``visits`` and ``last_visit`` (``2026-05-03 what happened``); other files may have
    carried them, as numbers or as text.
    """
    if "visits" not in marks.extra:
        return {}
    counts = [_count(v) for v in marks.extra["visits"]]
    if not any(counts):
        return {}
    said = [str(v) for v in marks.extra.get("last_visit", [""] * len(marks))]
    parts = [_LAST_VISIT.match(text if n else "") for n, text in zip(counts, said, strict=True)]
    return {
        "visits": counts,
        "visitDay": [p["day"] or "" if p else "" for p in parts],
        "visitSaid": [visible_text(p["said"]) if p else "" for p in parts],
    }


def _count(value: Any) -> int:
    try:
        return max(0, int(float(value)))
    except (TypeError, ValueError, OverflowError):  # not a number: the file is not a book's
        return 0


def _sightings_data(
    sightings: Sightings, owner: IntArray, marks: Marks, sheet: Sheet
) -> dict[str, Any]:
    """Return the columns of sightings that lie mark by mark, those of no mark last."""
    trips, trip_of = _numbered(visible_text(t) for t in sightings.trip)
    details, detail_of = _numbered(
        visible_text(f"{m}, {d}" if m and d else m or d)
        for m, d in zip(sightings.method, sightings.method_detail, strict=True)
    )
    seen = np.isfinite(sightings.antenna_lon) & np.isfinite(sightings.antenna_lat)
    x, y = sheet.integers(sightings.lon, sightings.lat)
    boat_x, boat_y = sheet.integers(
        np.where(seen, sightings.antenna_lon, sightings.lon),
        np.where(seen, sightings.antenna_lat, sightings.lat),
    )
    has = seen.tolist()
    east, north, cov = sightings.total_covariance()
    # A sighting's place as a difference from its mark's, or from the origin (row -1) with none.
    mark_x, mark_y = (np.append(v, 0) for v in sheet.integers(marks.lon, marks.lat))
    since, minutes = _minutes(sightings.time)
    return {
        "x": (x - mark_x[owner]).tolist(),
        "y": (y - mark_y[owner]).tolist(),
        **_ellipses(east, north, cov, sightings.lon, sightings.lat, sheet),
        # The boat's place as a difference from the target's: shorter, and null where unknown.
        "bx": [v if k else None for v, k in zip((boat_x - x).tolist(), has, strict=True)],
        "by": [v if k else None for v, k in zip((boat_y - y).tolist(), has, strict=True)],
        "name": [visible_text(n) for n in sightings.name],
        "trip": trip_of,
        "trips": trips,
        "how": detail_of,
        "hows": details,
        "since": since,
        "time": minutes,
    }


def _tracks_data(tracks: Track, sheet: Sheet) -> list[dict[str, Any]]:
    if not len(tracks):
        return []
    x, y = sheet.place(tracks.lon, tracks.lat)
    # A degree of longitude is counted at its longest, so that nothing moves by more than 1 m.
    scale = np.array([1.0, 1.0])
    if sheet.plane is None:
        nearest = np.radians(np.abs(tracks.lat).min())
        scale = METRES_PER_DEGREE * np.array([np.cos(nearest), 1.0])
    keys = np.stack([tracks.line, tracks.segment], axis=1)
    starts = np.flatnonzero(np.r_[True, (np.diff(keys, axis=0) != 0).any(axis=1)])
    ends = np.r_[starts[1:], len(tracks)]
    out = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        xy = np.stack([x[start:end], y[start:end]], axis=1)
        if sheet.plane is None:
            xy = np.unwrap(xy, period=360.0, axis=0)
        xy = xy * scale
        xy = xy[np.isfinite(xy).all(axis=1)]
        if len(xy) < 2:
            continue
        line = shapely.simplify(
            shapely.linestrings(xy), _TRACK_TOLERANCE_M, preserve_topology=False
        )
        line_xy = shapely.get_coordinates(line) / scale
        out.append({"name": visible_text(tracks.name[start]), "d": deltas(line_xy, sheet)})
    return out


def _background_data(background: Background | None, sheet: Sheet) -> dict[str, Any] | None:
    if background is None:
        return None
    found = _geometries(background) if isinstance(background, Mapping) else list(background)
    shapes = checked(found)
    near = shapes[may_be_near(shapes, sheet)]
    origin = np.asarray(sheet.origin)
    # In whole quanta, so that the page knows its own edge again.
    whole = np.rint((sheet.reaches.reshape(-1, 2, 2) - origin) / sheet.quantum).astype(np.int64)
    boxes: list[Box] = [tuple(b) for b in (origin + whole * sheet.quantum).reshape(-1, 4).tolist()]
    scale = (1.0, 1.0)
    if sheet.plane is None:
        nearest = _least_latitude_deg(sheet.reaches[0]) if len(boxes) else 0.0
        scale = (METRES_PER_DEGREE * float(np.cos(np.radians(nearest))), METRES_PER_DEGREE)
    ground = fitted(laid_out(near, sheet), boxes=boxes, metres=scale)
    box = None if ground.box is None else whole[boxes.index(ground.box)].ravel().tolist()
    return {
        "fills": [[deltas(xy, sheet) for xy in rings] for rings in ground.fills],
        "lines": [deltas(xy, sheet) for xy in ground.lines],
        "points": [deltas(xy, sheet) for xy in ground.points],
        "box": box,
        "within": ground.within_m,
        "cut": ground.cut or len(near) < len(shapes),
        "leftOut": ground.left_out,
    }


def _bounds(picture: SonarPicture) -> tuple[float, float, float, float]:
    """Return a picture's west, south, east and north.

    Raises
    ------
    DataError
        It is no PNG, or its edges cannot be.
    """
    png, bounds, title = picture[:3]
    name = f"the sonar picture {visible_text(title)!r}"
    if not bytes(png).startswith(b"\x89PNG\r\n\x1a\n"):
        raise DataError(f"{name} is not a PNG")
    west, south, east, north = (float(v) for v in bounds)
    right = np.isfinite([west, south, east, north]).all() and west < east <= west + 360.0
    if not (right and -85.06 < south < north < 85.06):
        raise DataError(
            f"{name} has the edges {west:g}, {south:g}, {east:g}, {north:g}; allowed are west, "
            "south, east and north in degrees, within 85 degrees of the equator"
        )
    return west, south, east, north


def _shapes_data(shapes: Sequence[DrawnShape], sheet: Sheet) -> list[dict[str, Any]]:
    out = []
    for lon, lat, area, name, kind, note, r95_m in shapes:
        x, y = sheet.place(np.asarray(lon, np.float64), np.asarray(lat, np.float64))
        xy = np.stack([x, y], axis=1)
        if sheet.plane is None:
            xy = np.unwrap(xy, period=360.0, axis=0)
        if area:
            xy = np.concatenate([xy, xy[:1]])
        title = visible_text(name).strip() or visible_text(kind).strip() or "drawn"
        out.append(
            {
                "d": deltas(xy, sheet),
                "area": bool(area),
                "title": title,
                "note": visible_text(note),
                "r95": round(float(r95_m), 2),
            }
        )
    return out


def _pictures_data(pictures: Sequence[SonarPicture], sheet: Sheet) -> list[dict[str, Any]]:
    out = []
    for picture in pictures:
        png, _, title, outline = picture
        west, south, east, north = _bounds(picture)
        rings: list[list[int]] = []
        if outline is not None:
            for part in laid_out(checked([outline]), sheet):
                if part.geom_type == "Polygon":
                    rings += [
                        deltas(shapely.get_coordinates(ring), sheet)
                        for ring in (part.exterior, *part.interiors)
                    ]
        left = float(sheet.place(west, south)[0]) if sheet.plane is None else 0.0
        data = base64.b64encode(png).decode("ascii")
        out.append(
            {
                "title": visible_text(title),
                "png": data if sheet.plane is None else "",
                "bytes": len(data),
                "box": [round(v, 9) for v in (left, south, left + east - west, north)],
                "outline": rings,
            }
        )
    return out


def _least_latitude_deg(reach: FloatArray) -> float:
    """Return the latitude nearest to the equator: there a degree of longitude is longest."""
    south, north = float(reach[1]), float(reach[3])
    return 0.0 if south <= 0.0 <= north else min(abs(south), abs(north), MERCATOR_LIMIT_DEG)


def _geometries(item: Mapping[str, Any]) -> list[Any]:
    kind = item.get("type") if isinstance(item, Mapping) else None
    if kind == "FeatureCollection":
        return [g for feature in item.get("features") or () for g in _geometries(feature)]
    if kind == "Feature":
        geometry = item.get("geometry")
        return _geometries(geometry) if geometry else []
    if kind == "GeometryCollection":
        return [g for part in item.get("geometries") or () for g in _geometries(part)]
    try:
        return [shapely_shape(dict(item))]
    except Exception as error:  # shapely raises many kinds for bad GeoJSON
        raise DataError(f"the background is not GeoJSON: {error}") from error


_TILE_HOST = re.compile(r"^(?:\{s\}\.)?[A-Za-z0-9.-]+(?::\d+)?$")


def _tile_server(tiles: str | None, sheet: Sheet) -> tuple[str, str, str] | None:
    """Return the address, the host for people and the source for the page's policy."""
    if not tiles:
        return None
    if sheet.plane is not None:
        raise UsageError("tiles cannot be drawn beyond 85 degrees of latitude; leave them out")
    parts = urlsplit(tiles)
    wanted = all(f"{{{k}}}" in tiles for k in "zxy")
    plain = not any(c in tiles for c in " \"'<>;,\\") and tiles.isascii() and tiles.isprintable()
    if parts.scheme not in ("https", "http") or not _TILE_HOST.match(parts.netloc):
        wanted = False
    if not (wanted and plain):
        raise UsageError(
            f"{tiles!r} is not a tile address; write it like https://server/{{z}}/{{x}}/{{y}}.png"
        )
    host = parts.netloc.removeprefix("{s}.")
    source = f"{parts.scheme}://{parts.netloc.replace('{s}', '*')}"
    return tiles, host, source
