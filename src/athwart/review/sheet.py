"""The sheet that a map is drawn on, and how shapes and texts get there.

Below 85 degrees of latitude it is degrees, unrolled about the middle of the data so that both sides
of the 180th meridian lie together; nearer the poles an azimuthal equidistant plane about that
middle, in metres along geodesics. The page takes whole quanta from the sheet's origin.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from athwart.errors import DataError
from athwart.geometry.geodesic import inverse, wrap_longitude

__all__ = [
    "MERCATOR_LIMIT_DEG",
    "METRES_PER_DEGREE",
    "Sheet",
    "checked",
    "deltas",
    "laid_out",
    "may_be_near",
    "sheet_about",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MERCATOR_LIMIT_DEG = 85.0
METRES_PER_DEGREE = 111_320.0


class Sheet(NamedTuple):
    """How positions become map coordinates: degrees unrolled about a middle, or a plane."""

    plane: tuple[float, float] | None
    origin: tuple[float, float]
    quantum: float
    reaches: FloatArray = np.empty((0, 4))
    """Boxes that a background may fill, the widest first: left, bottom, right, top."""

    def place(self, lon: Any, lat: Any) -> tuple[FloatArray, FloatArray]:
        """Return places on the sheet."""
        lon, lat = np.asarray(lon, np.float64), np.asarray(lat, np.float64)
        if self.plane is None:
            middle = self.origin[0]
            return wrap_longitude(lon - middle) + middle, lat
        bearing, distance = inverse(*self.plane, np.nan_to_num(lon), np.nan_to_num(lat))
        angle = np.radians(bearing)
        gone = np.where(np.isfinite(lon) & np.isfinite(lat), 1.0, np.nan)
        return distance * np.sin(angle) * gone, distance * np.cos(angle) * gone

    def turn_deg(self, lon: FloatArray, lat: FloatArray) -> FloatArray:
        """Return what is added to a bearing at a place to draw it on this sheet."""
        if self.plane is None:
            return np.zeros(np.shape(lon))
        out, distance = inverse(*self.plane, lon, lat)
        back, _ = inverse(lon, lat, *self.plane)
        return np.where(distance > 0, out - (back + 180.0), 0.0)

    def integers(self, lon: Any, lat: Any) -> tuple[IntArray, IntArray]:
        """Return places as whole quanta from the origin."""
        x, y = self.place(lon, lat)
        return (
            np.rint((x - self.origin[0]) / self.quantum).astype(np.int64),
            np.rint((y - self.origin[1]) / self.quantum).astype(np.int64),
        )


def sheet_about(lon: FloatArray, lat: FloatArray) -> Sheet:
    """Return the sheet for places, degrees; missing ones are passed over."""
    known = np.isfinite(lon) & np.isfinite(lat)
    lon, lat = lon[known], lat[known]
    if not len(lon):
        return Sheet(None, (0.0, 0.0), 1e-7)
    # The middle of unit vectors knows neither pole nor 180th meridian.
    a, b = np.radians(lon), np.radians(lat)
    x, y, z = (np.cos(b) * np.cos(a)).mean(), (np.cos(b) * np.sin(a)).mean(), np.sin(b).mean()
    middle = (
        round(float(np.degrees(np.arctan2(y, x))), 4),
        round(float(np.degrees(np.arctan2(z, np.hypot(x, y)))), 4),
    )
    if np.abs(lat).max() > MERCATOR_LIMIT_DEG:
        sheet = Sheet(middle, (0.0, 0.0), 0.01)
    else:
        sheet = Sheet(None, middle, 1e-7)
    # A background is taken as far as the data's own breadth beyond them, 50 km at least; a fourth
    # or a sixteenth of that where it has too many points.
    xy = np.stack(sheet.place(lon, lat))
    low, high = xy.min(axis=1), xy.max(axis=1)
    least = 50_000.0 if sheet.plane else 50_000.0 / METRES_PER_DEGREE
    grown = np.maximum(high - low, [least if sheet.plane else 2 * least, least])
    shares = np.array([[1.0], [1 / 4], [1 / 16]])
    return sheet._replace(reaches=np.hstack([low - grown * shares, high + grown * shares]))


def deltas(xy: FloatArray, sheet: Sheet) -> list[int]:
    """Return whole quanta from the origin: the first point, then steps; x and y in turn."""
    whole = np.rint((xy - np.asarray(sheet.origin)) / sheet.quantum).astype(np.int64)
    steps: list[int] = np.diff(whole, axis=0, prepend=np.zeros((1, 2), np.int64)).ravel().tolist()
    return steps


def may_be_near(shapes: NDArray[np.object_], sheet: Sheet) -> NDArray[np.bool_]:
    """Pass over in one step what surely lies out of reach, whatever its turn round the Earth."""
    if sheet.plane is not None or not len(sheet.reaches):
        return np.ones(len(shapes), dtype=bool)
    west, south, east, north = shapely.bounds(shapes).T
    left, bottom, right, top = sheet.reaches[0]
    turned = west + 360.0 * np.ceil((left - east) / 360.0)
    near: NDArray[np.bool_] = (south <= top) & (north >= bottom) & (turned <= right)
    near |= east - west >= 180.0  # these may jump over the 180th meridian
    return near


def laid_out(shapes: NDArray[np.object_], sheet: Sheet) -> Iterator[Any]:
    """Put lines and areas on the sheet without tearing them where longitude jumps."""
    if sheet.plane is None and len(sheet.reaches):
        west, _, east, _ = shapely.bounds(shapes).T
        left, _, right, _ = sheet.reaches[0]
        # What is narrow has no jump and comes once: all of a turn are moved in one step.
        narrow = (east - west < 180.0) & (east - west + right - left < 360.0)
        turns = np.ceil((left - east) / 360.0)
        for turn in np.unique(turns[narrow]).tolist():
            here = shapes[narrow & (turns == turn)]
            xy = shapely.get_coordinates(here)
            xy = np.stack([xy[:, 0] + 360.0 * turn, _on_sheet(xy[:, 1])], axis=1)
            yield from shapely.set_coordinates(here, xy)
        shapes = shapes[~narrow]
    for part in shapes:
        area = part.geom_type == "Polygon"
        rings = [part.exterior, *part.interiors] if area else [part]
        given = [shapely.get_coordinates(r) for r in rings]
        if sheet.plane is not None:
            placed = [np.stack(sheet.place(xy[:, 0], xy[:, 1]), axis=1) for xy in given]
            yield _remade(part.geom_type, placed)
            continue
        laid = [np.stack([_untorn(xy[:, 0]), _on_sheet(xy[:, 1])], axis=1) for xy in given]
        west, east = laid[0][:, 0].min(), laid[0][:, 0].max()
        for hole in laid[1:]:
            hole[:, 0] += 360.0 * np.ceil((west - hole[:, 0].min()) / 360.0 - 1e-9)
        # On the sheet it may lie a turn away, or, if it is broad, come from both sides.
        if not len(sheet.reaches):
            turns = [np.rint((sheet.origin[0] - (west + east) / 2.0) / 360.0)]
        else:
            left, right = sheet.reaches[0, [0, 2]]
            first = np.ceil((left - east) / 360.0)
            turns = np.arange(first, np.floor((right - west) / 360.0) + 1.0).tolist()
        for turn in turns:
            yield _remade(part.geom_type, [xy + np.array([360.0 * turn, 0.0]) for xy in laid])


def _on_sheet(lat: FloatArray) -> FloatArray:
    return lat.clip(-MERCATOR_LIMIT_DEG, MERCATOR_LIMIT_DEG)


def _untorn(lon: FloatArray) -> FloatArray:
    """Return longitudes without jumps; a step of a whole turn is the edge of a belt, no jump."""
    step = np.diff(lon)
    jump = np.where(np.abs(step) < 360.0, -360.0 * np.rint(step / 360.0), 0.0)
    whole: FloatArray = lon + np.concatenate([[0.0], np.cumsum(jump)])
    return whole


def _remade(kind: str, rings: list[FloatArray]) -> Any:
    if kind == "Polygon":
        return shapely.Polygon(rings[0], rings[1:])
    return shapely.Point(rings[0][0]) if kind == "Point" else shapely.LineString(rings[0])


def checked(geometries: list[Any], what: str = "the background") -> NDArray[np.object_]:
    """Return simple parts that are not empty.

    Raises
    ------
    DataError
        Some coordinate is not longitude and latitude.
    """
    parts = np.array(geometries, dtype=object)
    parts = shapely.force_2d(parts[~shapely.is_missing(parts)])
    while len(parts) and (shapely.get_type_id(parts) > 3).any():
        parts = shapely.get_parts(parts)
    xy = shapely.get_coordinates(parts)
    if not np.isfinite(xy).all() or (np.abs(xy) > [360.0, 90.0]).any():
        raise DataError(f"{what} holds coordinates that are not longitude and latitude in degrees")
    return parts[~shapely.is_empty(parts)]
