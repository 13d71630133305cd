"""Plans as files: features in GeoJSON, GeoPackage, FlatGeobuf or KML, and their lines as routes."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from athwart.errors import DataError, FileError
from athwart.features import Feature, from_frame, to_frame
from athwart.formats.files import check_source, staged
from athwart.geometry.geodesic import wrap_longitude
from athwart.tables import Track

if TYPE_CHECKING:
    import geopandas

__all__ = ["features_of", "read_features", "read_shapes", "routes_of", "write_features"]


def read_shapes(
    path: str | os.PathLike[str], *, allow_ballpark: bool = False, every: bool = False
) -> geopandas.GeoDataFrame:
    """Return the points, lines and areas of a vector file in WGS 84, with their columns.

    Parameters
    ----------
    path : path
        The file.
    allow_ballpark : bool
        Accept a coarse change of reference system.
    every : bool
        Refuse a file with a row whose shape cannot be read, rather than pass the row over.

    Raises
    ------
    FileError
        The file cannot be read, has no shapes, or no known coordinate reference system.
    """
    from athwart.formats.layers import read_shapes as shapes

    return shapes(check_source(path), allow_ballpark=allow_ballpark, every=every)


def read_features(path: str | os.PathLike[str]) -> list[Feature]:
    """Return a plan that `write_features` wrote.

    Raises
    ------
    FileError
        The file cannot be read or is no plan.
    """
    frame = read_shapes(path)
    try:
        return from_frame(frame)
    except DataError as error:
        raise FileError(Path(path).name, str(error)) from error


def write_features(
    path: str | os.PathLike[str], features: Sequence[Feature], *, overwrite: bool = False
) -> None:
    """Write a plan, whole or not at all; the ending chooses the format.

    Shapes across the 180th meridian are cut there (RFC 7946, section 3.1.9).

    Raises
    ------
    FileError
        There is nothing to write, the file exists, or its ending names no fitting format.
    """
    from athwart.formats.layers import write_shapes

    if not features:
        raise FileError(Path(path).name, "there is nothing to write; the plan is empty")
    frame = to_frame(features)
    frame = frame.set_geometry([_within_180(g) for g in frame.geometry], crs="EPSG:4326")
    with staged(path, overwrite=overwrite) as temporary:
        write_shapes(temporary, frame, "plan")


def routes_of(features: Sequence[Feature]) -> Track:
    """Return the lines of a plan as routes, one each, in order; points and areas are left out."""
    import shapely

    lon, lat, line, name = [], [], [], []
    count = 0
    for feature in features:
        for part in shapely.get_parts(feature.geometry):
            if part.geom_type not in ("LineString", "LinearRing"):
                continue
            points = shapely.get_coordinates(part)
            lon.append(wrap_longitude(points[:, 0]))
            lat.append(points[:, 1])
            line.append(np.full(len(points), count))
            name += [feature.name] * len(points)
            count += 1
    if not count:
        return Track.empty()
    number = np.concatenate(line)
    return Track.from_columns(
        {
            "lon": np.concatenate(lon),
            "lat": np.concatenate(lat),
            "line": number,
            "segment": number,
            "name": name,
        }
    )


def features_of(track: Track, role: str) -> list[Feature]:
    """Return each track or route as a line with a role; one point alone is left out.

    The inverse of `routes_of`. Longitudes run on past 180 where a line crosses it.
    """
    import shapely

    out = []
    for number in dict.fromkeys(track.line.tolist()):
        here = track.line == number
        parts: list[Any] = []
        for segment in dict.fromkeys(track.segment[here].tolist()):
            rows = np.flatnonzero(here & (track.segment == segment))
            if len(rows) > 1:
                lon = np.unwrap(track.lon[rows], period=360.0)
                parts.append(shapely.linestrings(np.stack([lon, track.lat[rows]], axis=1)))
        if parts:
            shape = parts[0] if len(parts) == 1 else shapely.MultiLineString(parts)
            out.append(Feature(role=role, geometry=shape, name=str(track.name[here][0])))
    return out


def _within_180(shape: Any) -> Any:
    """Return the shape with longitudes from -180 to 180, cut where it passes them."""
    import shapely
    import shapely.affinity

    west, _, east, _ = shapely.bounds(shape)
    if west >= -180.0 and east <= 180.0:
        return shape
    parts = []
    for turn in range(
        int(np.floor((west + 180.0) / 360.0)), int(np.ceil((east - 180.0) / 360.0)) + 1
    ):
        left = -180.0 + 360.0 * turn
        here = shapely.intersection(shape, shapely.box(left, -90.0, left + 360.0, 90.0))
        here = shapely.affinity.translate(here, xoff=-(left + 180.0))
        parts += [p for p in shapely.get_parts(here) if not shapely.is_empty(p)]
    kinds = {p.geom_type for p in parts}
    if len(parts) == 1:
        return parts[0]
    if kinds == {"Polygon"}:
        return shapely.MultiPolygon(parts)
    if kinds == {"LineString"}:
        return shapely.MultiLineString(parts)
    return shapely.GeometryCollection(parts)
