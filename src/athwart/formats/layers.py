"""GIS files through GDAL: GeoJSON, GeoPackage, KML, FlatGeobuf and Shapefile.

The engine is always pyogrio. Points are judged by their columns like the rows of a table, lines
become tracks (routes in a layer of that name), areas are left to `read_areas` and
`read_background`. A layer without a coordinate reference system is refused; any other is
transformed to WGS 84 and the operation is said.

Times are written as dates of the format where it keeps them whole, and as ISO 8601 text where it
would cut them (GDAL keeps milliseconds, a Shapefile only days).
"""

from __future__ import annotations

import json
import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from athwart.contents import Contents
from athwart.errors import BadRow, DataError, FileError
from athwart.formats import rows as rowing
from athwart.formats import table as tabling
from athwart.formats.files import gdal_source, gdal_target
from athwart.formats.gpx_fields import ILLEGAL, value_texts
from athwart.formats.registry import ReadOptions, WriteOptions
from athwart.formats.sniff import looks_like
from athwart.formats.styles import STYLED, STYLES_TABLE, write_styles
from athwart.formats.texts import can_be_written
from athwart.geometry.geodesic import to_wgs84
from athwart.input_limits import check_count, check_size
from athwart.tables import Marks, Picks, Sightings, Table, Track, Waypoints, same_text, text_array
from athwart.unchanged import unchanged

if TYPE_CHECKING:
    import geopandas
    import pandas as pd
    from shapely.geometry.base import BaseGeometry

__all__ = ["read", "read_areas", "read_background", "write"]

_POINTS, _LINES, _AREAS = {0, 4}, {1, 2, 5}, {3, 6}
_SHORT = 10
_TEXT_BYTES = 254
_ENDINGS = {
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".gpkg": "GPKG",
    ".kml": "LIBKML",
    ".fgb": "FlatGeobuf",
    ".shp": "ESRI Shapefile",
}
_TITLES = {"GPKG": "GeoPackage", "LIBKML": "KML", "ESRI Shapefile": "Shapefile"}
_MAGIC = {
    "GPKG": b"SQLite format 3\x00",
    "FlatGeobuf": b"fgb\x03",
    "ESRI Shapefile": b"\x00\x00\x27\x0a",
}
_LAST_BYTES = {"GeoJSON": b"}", "LIBKML": b"</kml>"}
_MANY_LAYERS = ("GPKG", "LIBKML")
_KML_OWN = (
    "id", "begin", "end", "altitudeMode", "tessellate", "extrude", "visibility", "drawOrder",
    "icon", "snippet",
)  # fmt: skip
_KML_NAMES = {"Name": "name", "description": "note", "timestamp": "time"}
_TABLES: dict[str, type[Table]] = {
    "marks": Marks,
    "sightings": Sightings,
    "picks": Picks,
    "waypoints": Waypoints,
    "tracks": Track,
    "routes": Track,
}


# -- reading -----------------------------------------------------------------------------------


def _check(path: Path, driver: str) -> None:
    """Refuse a file that is not what its ending says, before GDAL guesses by itself."""
    with path.open("rb") as handle:
        head = handle.read(65536)
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")
    title = _TITLES.get(driver, driver)
    if driver == "GeoJSON":
        fits = start[:1] == b"{" and start[1:2] != b"\0"
    elif driver == "LIBKML":
        fits = re.search(rb"<(?:\w+:)?kml[\s>]", head) is not None and start[:1] == b"<"
        if fits and (b"<!DOCTYPE" in head or b"<!ENTITY" in head):
            raise FileError(path.name, "the file declares entities; it can do harm and is not read")
    else:
        fits = head.startswith(_MAGIC[driver])
    if not fits:
        found = looks_like(head)
        what = f"; it looks like {found}" if found else ""
        raise FileError(path.name, f"the file is not {title}, or it is damaged{what}")


@contextmanager
def _gdal(path: Path, driver: str, doing: str = "read") -> Iterator[None]:
    """Turn what GDAL and its doors raise into one sentence."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except DataError as error:
        if isinstance(error, FileError):
            raise
        raise FileError(path.name, str(error), code=error.code) from error
    except Exception as error:
        title = _TITLES.get(driver, driver)
        if "not recognized as being in a supported file format" in str(error):
            raise FileError(
                path.name, f"the file is not {title}, or it is damaged: nothing in it is {title}"
            ) from error
        reason = (str(error).strip().splitlines() or [""])[0].replace(str(path), path.name)
        reason = re.sub(r"(?:/\S+/|\b[A-Za-z]:\\\S+\\)", "", reason)[:160]
        verb = "could not be written as" if doing == "write" else "cannot be read as"
        raise FileError(path.name, f"the file {verb} {title} ({reason})") from error


def _frames(path: Path, driver: str) -> Iterator[tuple[str, geopandas.GeoDataFrame]]:
    import pyogrio

    check_size("GIS_MB", path)
    _check(path, driver)
    source = gdal_source(path)
    with _gdal(path, driver):
        layers = pyogrio.list_layers(source)
        for name, kind in layers:
            if str(name) == STYLES_TABLE:
                continue
            # GDAL would cut the times of GeoJSON to milliseconds.
            text_dates = {"DATE_AS_STRING": "YES"} if driver == "GeoJSON" else {}
            # Counted before, since a most of rows given to the reader makes room for that many.
            known = pyogrio.read_info(source, layer=name, force_feature_count=True)
            check_count("ROWS", int(known["features"]), path.name)
            frame = pyogrio.read_dataframe(
                source,
                layer=name,
                read_geometry=kind is not None,
                datetime_as_string=True,
                use_arrow=False,
                on_invalid="ignore",
                **text_dates,
            )
            _check_texts(path, frame)
            yield str(name), frame


def _check_texts(path: Path, frame: pd.DataFrame) -> None:
    shape = getattr(frame, "_geometry_column_name", None)
    for label in frame.columns:
        values = frame[label].to_numpy()
        if label != shape and values.dtype.kind not in "iufbM":
            lengths = (len(v) for v in values if isinstance(v, str | bytes))
            check_count("TEXT", max(lengths, default=0), path.name, f"the column {label!r} ")


def read(path: Path, options: ReadOptions, *, driver: str, name: str) -> Contents:
    """Read every layer of a file.

    Raises
    ------
    FileError
        Not of this format, damaged, without layers, without a coordinate reference system, or
        only transformable by an approximate operation that is not allowed.
    """
    if driver == "GPKG" and _is_book(path):
        # A book keeps private marks out of everything, so its layers are never read as they are.
        book: Contents = import_module("athwart.book.reading").read_book(
            path, with_private=options.with_private
        )
        return book
    if driver in _MANY_LAYERS:
        return _read_one(path, options, driver, name)
    return tabling.with_sibling(path, lambda p: _read_one(p, options, driver, name))


def _read_one(path: Path, options: ReadOptions, driver: str, name: str) -> Contents:
    collected = _Collected(path.name, options)
    with unchanged(*_files_of(path, driver)):
        for layer, frame in _frames(path, driver):
            with _gdal(path, driver):
                collected.add(
                    layer, frame, kml=driver == "LIBKML", short=driver == "ESRI Shapefile"
                )
        return collected.contents(name)


def _files_of(path: Path, driver: str) -> list[Path]:
    """Return the file with the others that GDAL reads as parts of it."""
    if driver != "ESRI Shapefile" or not path.parent.is_dir():
        return [path]
    parts = (".shp", ".shx", ".dbf", ".prj", ".cpg")
    return [
        path,
        *(
            p
            for p in path.parent.iterdir()
            if p.stem == path.stem and p.suffix.lower() in parts and p != path
        ),
    ]


def _is_book(path: Path) -> bool:
    found: bool = import_module("athwart.book.store").is_book(path)
    return found


class _Collected:
    """What the layers of one file hold together."""

    def __init__(self, source: str, options: ReadOptions) -> None:
        self.source = source
        self.options = options
        self.tables: dict[str, list[Any]] = {name: [] for name in _TABLES}
        self.counts = dict.fromkeys(
            ("waypoints", "route_points", "track_points", "routes", "tracks"), 0
        )
        self.rejected: list[BadRow] = []
        self.words: list[str] = []
        self.layers = 0
        self.rows = 0

    def add(self, layer: str, frame: pd.DataFrame, *, kml: bool, short: bool) -> None:
        """Take in one layer."""
        import shapely

        self.layers += 1
        self.rows += len(frame)
        if not len(frame):
            return
        columns = _columns(frame, kml=kml, short=short)
        rows = np.arange(1, len(frame) + 1)
        geometry_name = getattr(frame, "_geometry_column_name", None)
        if geometry_name is None or geometry_name not in frame.columns:
            if rowing.judge(columns) is None:
                self.words.append(f"not carried: {len(frame)} rows of the table {layer!r}")
            else:
                self._points(layer, columns, rows)
            return
        array, index = _opened(frame.geometry.to_numpy())
        columns, rows = {n: v[index] for n, v in columns.items()}, rows[index]
        kinds = shapely.get_type_id(array)
        areas = np.isin(kinds, list(_AREAS))
        lines = np.isin(kinds, list(_LINES))
        points = ~(areas | lines)
        if areas.any():
            self.words.append(
                f"{int(areas.sum())} areas of {layer!r} hold no points; they serve as a limit "
                "or a background"
            )
        if frame.crs is None:
            raise FileError(
                self.source,
                f"the layer {layer!r} has no coordinate reference system; set it in a GIS and save "
                "again (a Shapefile needs its .prj file)",
            )
        if lines.any():
            taken = {name: v[lines] for name, v in columns.items()}
            self._lines(layer, taken, array[lines], frame.crs)
        if points.any():
            taken = {name: v[points] for name, v in columns.items()}
            self._geometry_points(layer, taken, array[points], rows[points], frame.crs)

    def _to_wgs84(
        self, layer: str, x: NDArray[Any], y: NDArray[Any], crs: Any
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        lon, lat, words = to_wgs84(x, y, crs, allow_ballpark=self.options.allow_ballpark)
        if words:
            self.words.append(f"{layer!r} was transformed {words}")
        return lon, lat

    def _geometry_points(
        self,
        layer: str,
        columns: dict[str, NDArray[Any]],
        array: NDArray[Any],
        rows: NDArray[np.int64],
        crs: Any,
    ) -> None:
        import shapely

        # A pick needs no place of its own; anything else without a shape is told and left out.
        gone = shapely.is_missing(array) | shapely.is_empty(array)
        if rowing.judge([*columns, "lon", "lat"]) is not Picks:
            words = "there is no shape, or none that can be read; mend it in a GIS or take it out"
            bare = [BadRow(int(r), "shape-missing", words, "geometry") for r in rows[gone]]
            self.rejected += bare
            array, rows = array[~gone], rows[~gone]
            columns = {name: v[~gone] for name, v in columns.items()}
            gone = np.zeros(len(array), dtype=bool)
        parts, index = shapely.get_parts(array, return_index=True)
        kept = ~gone[index]
        index = np.concatenate([index[kept], np.flatnonzero(gone)])
        parts = np.concatenate([parts[kept], np.full(int(gone.sum()), None, dtype=object)])
        order = np.argsort(index, kind="stable")
        parts, index = parts[order], index[order]
        if not len(parts):
            return
        columns = {name: v[index] for name, v in columns.items()}
        for axis in ("lon", "lat"):
            if axis in columns:
                columns[f"{axis}_column"] = columns.pop(axis)
        height = shapely.get_z(parts)
        if np.any(np.isfinite(height) & (height != 0)) and "elevation_m" not in columns:
            columns["elevation_m"] = height
        lon, lat = self._to_wgs84(layer, shapely.get_x(parts), shapely.get_y(parts), crs)
        self._points(layer, {"lon": lon, "lat": lat, **columns}, rows[index])

    def _points(
        self, layer: str, columns: dict[str, NDArray[Any]], rows: NDArray[np.int64]
    ) -> None:
        cls = rowing.judge(columns)
        assert cls is not None
        built = rowing.build(cls, columns, rows, self.source, self.options)
        where = "" if self.layers == 1 else f" (layer {layer!r})"
        self.rejected += [
            BadRow(r.row, r.code, f"{r.message}{where}", r.column) for r in built.rejected
        ]
        self.words += built.words
        if cls is Track:
            route = layer.lower() == "routes"
            self.tables["routes" if route else "tracks"].append(built.table)
            self.counts["route_points" if route else "track_points"] += len(rows)
            lines = len(np.unique(built.table.line))
            self.counts["routes" if route else "tracks"] += lines
            return
        name = next(n for n, t in _TABLES.items() if t is cls)
        self.tables[name].append(built.table)
        self.counts[name] = self.counts.get(name, 0) + len(rows)

    def _lines(
        self, layer: str, columns: dict[str, NDArray[Any]], array: NDArray[Any], crs: Any
    ) -> None:
        import shapely

        parts, feature = shapely.get_parts(array, return_index=True)
        points, part = shapely.get_coordinates(parts, include_z=True, return_index=True)
        if not len(points):
            return
        lon, lat = self._to_wgs84(layer, points[:, 0], points[:, 1], crs)
        route = layer.lower() == "routes"
        kind = "routes" if route else "tracks"
        line = feature[part]
        names = columns.get("name")
        known: dict[str, Any] = {
            "lon": np.where(lon == 180.0, -180.0, lon),
            "lat": lat,
            "line": line + self.counts[kind],
            "segment": part,
            "name": same_text(len(line), layer) if names is None else text_array(names)[line],
            "source": same_text(len(line), self.source),
        }
        height = points[:, 2]
        if np.any(np.isfinite(height) & (height != 0)):
            known["elevation_m"] = height
        built = rowing.keep_good(Track.from_columns(known), [], np.arange(1, len(line) + 1))
        self.rejected += built.rejected
        self.tables[kind].append(built.table)
        self.counts["route_points" if route else "track_points"] += len(line)
        self.counts[kind] += len(array)
        others = [n for n, v in columns.items() if n != "name" and any(text_array(v))]
        if others:
            self.words.append(f"not carried: the columns {', '.join(others)} of lines in {layer!r}")

    def contents(self, name: str) -> Contents:
        """Return everything as the contents of the file."""
        if not self.layers or not self.rows:
            raise FileError(self.source, "the file is empty; it holds no features")
        joined: dict[str, Any] = {
            kind: _TABLES[kind].concat(parts) for kind, parts in self.tables.items() if parts
        }
        return Contents(
            source=self.source,
            format=name,
            counts=self.counts,
            rejected=tuple(self.rejected),
            words=tuple(self.words),
            **joined,
        )


def _opened(shapes: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return shapes with the members of collections in their place, and the row of each.

    An empty collection is a missing shape.
    """
    import shapely

    index = np.arange(len(shapes))
    while (mixed := shapely.get_type_id(shapes) == 7).any():
        bare = mixed & (shapely.get_num_geometries(shapes) == 0)
        shapes = shapes.copy()
        shapes[bare] = None
        mixed &= ~bare
        take = np.repeat(
            np.arange(len(shapes)), np.where(mixed, shapely.get_num_geometries(shapes), 1)
        )
        shapes, parts = shapes[take], shapely.get_parts(shapes[mixed])
        shapes[mixed[take]] = parts
        index = index[take]
    return shapes, index


def _columns(frame: pd.DataFrame, *, kml: bool, short: bool) -> dict[str, NDArray[Any]]:
    """Return the columns that are no geometry, under normal names, as text or numbers."""
    geometry_name = getattr(frame, "_geometry_column_name", None)
    long_names = _long_names(frozenset(map(str, frame.columns))) if short else {}
    out: dict[str, NDArray[Any]] = {}
    for label in frame.columns:
        if label == geometry_name:
            continue
        series = frame[label]
        if kml and (label in _KML_OWN or (label == "description" and "note" in frame.columns)):
            continue  # the description that we wrote repeats our own note
        values = series.to_numpy()
        if values.dtype.kind not in "iufb":
            values = text_array(map(_plain, series.astype(object)))
        if kml and label in _KML_NAMES and not any(value_texts(values)):
            continue
        name = _KML_NAMES.get(str(label), str(label)) if kml else str(label)
        name = rowing.normal_name(long_names.get(name, name))
        while name in out:
            name += "_"
        out[name] = values
    return out


def _plain(value: Any) -> Any:
    """Return a list of a feature as JSON text, anything else as it is."""
    if not isinstance(value, np.ndarray | list):
        return value
    return json.dumps(
        value if isinstance(value, list) else value.tolist(), ensure_ascii=False, default=str
    )


# -- areas and backgrounds ---------------------------------------------------------------------


def _driver_of(path: Path) -> str:
    driver = _ENDINGS.get(path.suffix.lower())
    if driver is None:
        raise FileError(
            path.name,
            f"areas and backgrounds are read from {', '.join(_ENDINGS)}; "
            f"the ending {path.suffix!r} is none of these",
        )
    return driver


def _shapes(
    path: Path, kinds: set[int], what: str, *, allow_ballpark: bool, every: bool = False
) -> list[geopandas.GeoDataFrame]:
    driver = _driver_of(path)
    with unchanged(*_files_of(path, driver)):
        return _shapes_of(path, driver, kinds, what, allow_ballpark=allow_ballpark, every=every)


def _shapes_of(
    path: Path, driver: str, kinds: set[int], what: str, *, allow_ballpark: bool, every: bool
) -> list[geopandas.GeoDataFrame]:
    import shapely

    found = []
    for layer, frame in _frames(path, driver):
        with _gdal(path, driver):
            if getattr(frame, "_geometry_column_name", None) is None:
                continue
            array = frame.geometry.to_numpy()
            check_count("VERTICES", int(shapely.get_num_coordinates(array).sum()), path.name)
            keep = np.isin(shapely.get_type_id(array), list(kinds)) & ~shapely.is_empty(array)
            if every and not keep.all():
                row = int(np.flatnonzero(~keep)[0]) + 1
                raise FileError(
                    path.name,
                    f"row {row} of the layer {layer!r} has no shape that can be read; mend it in a "
                    "GIS or take it out",
                )
            if not keep.any():
                continue
            if frame.crs is None:
                raise FileError(
                    path.name, f"the layer {layer!r} has no coordinate reference system; set it"
                )
            kept = frame[keep].copy()
            crs = frame.crs
            kept["geometry"] = shapely.transform(array[keep], _mover(crs, allow_ballpark))
            found.append(kept.set_geometry("geometry").set_crs("EPSG:4326", allow_override=True))
    if not found:
        raise FileError(path.name, f"the file holds no {what}")
    return found


def _mover(crs: Any, allow_ballpark: bool) -> Callable[[NDArray[Any]], NDArray[Any]]:
    def move(points: NDArray[Any]) -> NDArray[Any]:
        lon, lat, _ = to_wgs84(points[:, 0], points[:, 1], crs, allow_ballpark=allow_ballpark)
        return np.stack([lon, lat], axis=1)

    return move


def read_areas(path: Path, *, allow_ballpark: bool = False) -> BaseGeometry:
    """Return the polygons of a file, joined, in WGS 84; broken ones are mended."""
    import shapely

    frames = _shapes(path, _AREAS, "areas (polygons)", allow_ballpark=allow_ballpark)
    areas = np.concatenate([f.geometry.to_numpy() for f in frames])
    return shapely.union_all(shapely.make_valid(areas))


def read_background(path: Path, *, allow_ballpark: bool = False) -> geopandas.GeoDataFrame:
    """Return the lines and areas of a file in WGS 84."""
    kinds = _AREAS | _LINES | {7}
    return _joined(_shapes(path, kinds, "lines or areas to draw", allow_ballpark=allow_ballpark))


def read_shapes(
    path: Path, *, allow_ballpark: bool = False, every: bool = False
) -> geopandas.GeoDataFrame:
    """Return every point, line and area of a file, with its columns, in WGS 84.

    Rows without a shape are passed over, or refused if ``every`` one matters.
    """
    kinds = _AREAS | _LINES | _POINTS | {7}
    frame = _joined(_shapes(path, kinds, "shapes", allow_ballpark=allow_ballpark, every=every))
    if _driver_of(path) == "LIBKML":
        frame = frame.drop(columns=list(_KML_OWN), errors="ignore").rename(columns=_KML_NAMES)
    return frame


def has_column(path: Path, column: str) -> bool:
    """Tell whether the first layer of a file with shapes has a column of this name."""
    import pyogrio

    driver = _driver_of(path)
    _check(path, driver)
    with _gdal(path, driver):
        names: list[str] = pyogrio.read_info(gdal_source(path), layer=0)["fields"].tolist()
    return column in names


def _joined(frames: list[geopandas.GeoDataFrame]) -> geopandas.GeoDataFrame:
    import pandas as pd

    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)


def write_shapes(path: Path, frame: geopandas.GeoDataFrame, layer: str) -> None:
    """Write shapes of any sort into one layer; the ending chooses the format.

    Raises
    ------
    FileError
        The ending is of no format that holds points, lines and areas side by side.
    """
    import pyogrio

    driver = _ENDINGS.get(path.suffix.lower())
    if driver is None or driver == "ESRI Shapefile":
        endings = [e for e, d in _ENDINGS.items() if d != "ESRI Shapefile"]
        raise FileError(
            path.name,
            f"a plan is written as {', '.join(endings)}; the ending {path.suffix!r} is none of these",
        )
    writer = _Writer(path, WriteOptions(), driver)
    texts = [c for c in frame.columns if frame[c].dtype == object and c != frame.geometry.name]
    frame = frame.assign(
        **{c: [writer.text(v) if isinstance(v, str) else v for v in frame[c]] for c in texts}
    )
    if driver == "LIBKML":
        frame = frame.rename(columns={"note": "description"})
    with _gdal(path, driver, "write"), gdal_target(path) as target:
        pyogrio.write_dataframe(
            frame, target, layer=layer, driver=driver, promote_to_multi=False, use_arrow=False
        )
        _check_whole(target, driver, layer, len(frame))


# -- writing -----------------------------------------------------------------------------------


def write(
    path: Path, contents: Contents, options: WriteOptions, *, driver: str, name: str
) -> tuple[str, ...]:
    """Write a file: every table in its own layer, or one table where the format has one layer.

    Marks take their sightings along, in a layer or in a file beside theirs. A GeoPackage brings
    the styles of its marks and sightings.
    """
    writer = _Writer(path, options, driver)
    if driver in _MANY_LAYERS:
        tables = {kind: getattr(contents, kind) for kind in _TABLES if len(getattr(contents, kind))}
        if options.clean and "marks" in tables and "sightings" in tables:
            writer.words.append(f"not in {path.name}: {len(tables.pop('sightings'))} sightings")
        if not tables:
            raise FileError(path.name, "there is nothing to write; every table is empty")
        for i, (layer, table) in enumerate(tables.items()):
            writer.layer(path, layer, table, append=i > 0)
        if driver == "GPKG":
            with _gdal(path, driver, "write"):
                write_styles(path, {k: f for k, f in writer.written.items() if k in STYLED})
        return writer.said()
    main, lost = tabling.main_table(contents)
    if main is None:
        raise FileError(path.name, "there is nothing to write; every table is empty")
    title = _TITLES.get(driver, driver)
    writer.words += [f"not in {path.name}: {what}; a {title} file holds one table" for what in lost]
    writer.layer(path, path.stem, main, append=False)
    if isinstance(main, Marks) and len(contents.sightings):
        if options.clean:
            writer.words.append(f"not in {path.name}: {len(contents.sightings)} sightings")
        else:
            beside = tabling.sibling_of(path)
            writer.layer(beside, beside.stem, contents.sightings, append=False)
            writer.words.append(
                f"the {len(contents.sightings)} sightings stand beside it in {beside.name}"
            )
    return writer.said()


def _check_whole(path: Path, driver: str, layer: str, count: int) -> None:
    """Refuse a file that lacks its end: GDAL tells of no fault that it meets on closing one."""
    import pyogrio

    if driver in _LAST_BYTES:
        with path.open("rb") as handle:
            handle.seek(max(0, path.stat().st_size - 64))
            whole = handle.read().rstrip().endswith(_LAST_BYTES[driver])
    elif driver == "ESRI Shapefile":
        whole = _shapefile_is_whole(path)
    else:
        whole = len(pyogrio.read_bounds(gdal_source(path), layer=layer)[0]) == count
    if not whole:
        raise FileError(path.name, "could not be written whole; the disk may be full")


def _shapefile_is_whole(path: Path) -> bool:
    """Compare each file with the size in its own head (ESRI, Shapefile Technical Description)."""
    parts = {p.suffix.lower(): p for p in path.parent.iterdir() if p.stem == path.stem}
    heads = {}
    for ending in (".shp", ".shx", ".dbf"):
        with parts[ending].open("rb") as handle:
            heads[ending] = handle.read(28)
    for ending in (".shp", ".shx"):
        if parts[ending].stat().st_size != 2 * int.from_bytes(heads[ending][24:], "big"):
            return False
    head, size = heads[".dbf"], parts[".dbf"].stat().st_size
    rows, start, row = (int.from_bytes(head[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    return len(head) >= 12 and size >= start + rows * row


class _Writer:
    """One file in the making, and what it cannot hold."""

    def __init__(self, path: Path, options: WriteOptions, driver: str) -> None:
        self.path = path
        self.options = options
        self.driver = driver
        self.words: list[str] = []
        self.written: dict[str, Any] = {}
        self.replaced = 0
        self.cut = 0

    def said(self) -> tuple[str, ...]:
        name = self.path.name
        if self.replaced:
            self.words.append(f"not in {name}: {self.replaced} characters that it cannot hold")
        if self.cut:
            self.words.append(f"not in {name}: the ends of {self.cut} texts over 254 bytes")
        return tuple(self.words)

    def layer(self, path: Path, layer: str, table: Table, *, append: bool) -> None:
        import pyogrio

        frame = self.frame(table)
        options: dict[str, Any] = {}
        if self.driver == "FlatGeobuf":
            options["SPATIAL_INDEX"] = "NO"  # an index would put the rows in another order
        if self.driver == "ESRI Shapefile":
            options["ENCODING"] = "UTF-8"
        with _gdal(path, self.driver, "write"), gdal_target(path) as target:
            pyogrio.write_dataframe(
                frame,
                target,
                layer=layer,
                driver=self.driver,
                append=append,
                geometry_type="Point",
                promote_to_multi=False,
                layer_options=options,
                use_arrow=False,
            )
            _check_whole(target, self.driver, layer, len(frame))
        self.written[layer] = frame

    def frame(self, table: Table) -> geopandas.GeoDataFrame:
        """Return the table as GDAL is to have it."""
        import geopandas
        import shapely

        contract = {c.name: c for c in table.columns()}
        columns: dict[str, Any] = {}
        for name, values in table.to_columns().items():
            if name in ("lon", "lat") or (self.options.clean and name not in tabling.CLEAN):
                continue
            column = contract[name]
            cells = self.cells(column.type, values)
            default = column.default if column.type in ("float", "bool") else None
            if any(value_texts(values, default)) or column.required:
                columns[name] = cells
        for name, values in {} if self.options.clean else dict(table.extra).items():
            kind = {"f": "float", "i": "int", "u": "int", "b": "bool", "M": "time"}
            new = name
            while new.lower() in {"fid", "geom", "geometry", "id", *map(str.lower, columns)}:
                new += "_"
            columns[new] = self.cells(kind.get(values.dtype.kind, "text"), values)
        if self.driver == "ESRI Shapefile":
            columns = self.shortened(columns)
        if self.driver == "LIBKML" and "note" in columns:
            columns = {"description": columns["note"], **columns}
        lon, lat = np.asarray(table.lon), np.asarray(table.lat)  # type: ignore[attr-defined]
        points = np.asarray(shapely.points(lon, lat))
        points[np.isnan(lon) | np.isnan(lat)] = None
        return geopandas.GeoDataFrame(columns, geometry=points, crs="EPSG:4326")

    def cells(self, type_: str, values: NDArray[Any]) -> Any:
        import pandas as pd

        if type_ == "time":
            whole = np.isnat(values) | (values.astype(np.int64) % 1000 == 0)
            usual = np.isnat(values) | can_be_written(values)
            if self.driver in ("ESRI Shapefile", "LIBKML") or not (whole & usual).all():
                return text_array(value_texts(values))
            return pd.DatetimeIndex(values.astype("datetime64[ms]")).tz_localize("UTC")
        if type_ == "bool" and self.driver in ("ESRI Shapefile", "LIBKML"):
            return text_array(value_texts(values))
        if type_ == "text":
            return text_array(self.text(v) for v in value_texts(values))
        return values

    def text(self, value: str) -> str:
        if not value.isprintable() and ILLEGAL.search(value):
            value, n = ILLEGAL.subn("\ufffd", value)
            self.replaced += n
        if self.driver == "LIBKML" and "]]>" in value:
            self.replaced += value.count("]]>")  # GDAL would write a file that it cannot read
            value = value.replace("]]>", "]] >")
        if self.driver == "ESRI Shapefile" and len(value.encode()) > _TEXT_BYTES:
            self.cut += 1
            value = value.encode()[:_TEXT_BYTES].decode("utf-8", "ignore")
        return value

    def shortened(self, columns: dict[str, Any]) -> dict[str, Any]:
        out: dict[str, Any] = {}
        renamed = []
        ours = _short_names()
        for name, values in columns.items():
            short = ours.get(name) or _shorten(name, {*out, *ours.values()})
            if short != name:
                renamed.append(f"{name} to {short}")
            out[short] = values
        if renamed:
            words = f"a Shapefile has names of {_SHORT} letters: {', '.join(renamed)}"
            if words not in self.words:
                self.words.append(words)
        return out


def _shorten(name: str, taken: set[str]) -> str:
    """Return a name of ten letters of ASCII that is not taken."""
    plain = re.sub(r"[^A-Za-z0-9_]", "_", name)[:_SHORT] or "column"
    lower = {t.lower() for t in taken}
    short, n = plain, 1
    while short.lower() in lower:
        n += 1
        short = f"{plain[: _SHORT - len(str(n))]}{n}"
    return short


@cache
def _short_names() -> dict[str, str]:
    """Return the short name of every column of ours, the same in every file."""
    names = dict.fromkeys(
        c for t in (Marks, Sightings, Picks, Waypoints, Track) for c in t.column_names()
    )
    out: dict[str, str] = {}
    for name in sorted(names, key=len):
        out[name] = _shorten(name, set(out.values()))
    return out


def _long_names(present: frozenset[str]) -> dict[str, str]:
    """Return which short names stand for columns of ours."""
    return {s: n for n, s in _short_names().items() if s != n and n not in present}
