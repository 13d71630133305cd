"""A metric plane about a place, for areas, offsets and buffers of a few kilometres.

The plane is azimuthal equidistant along geodesics of WGS 84: from its origin every distance and
bearing is true. At d from the origin a length across the radius is too long by the part
d^2 / (6 R^2) (Snyder 1987, "Map Projections: A Working Manual", azimuthal equidistant, from
memory): 4e-7 at 10 km, 4e-5 at 100 km. It holds at the poles and across the 180th meridian.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError
from athwart.geometry.geodesic import displace, local_offsets, wrap_longitude

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    Shape = TypeVar("Shape", bound=BaseGeometry)

__all__ = ["EDGE_STEP_DEG", "REACH_M", "LocalPlane"]

FloatArray = NDArray[np.float64]

REACH_M = 200_000.0
"""Farthest point from the origin: lengths are true to 1 part in 6,000 there."""

EDGE_STEP_DEG = 0.01
"""Longest piece of an edge. A parallel bows off the geodesic by s^2 tan(lat) / (8 R): 4 cm at 60
degrees over such a piece (series of the sagitta, from memory)."""
_SEAM_M = 0.001


@dataclass(frozen=True, slots=True)
class LocalPlane:
    """The plane that touches the Earth at a place; x east and y north there, metres.

    Parameters
    ----------
    lon, lat : float
        Origin, degrees.
    """

    lon: float
    lat: float

    @classmethod
    def about(cls, lon: ArrayLike, lat: ArrayLike) -> Self:
        """Return the plane about the middle of positions.

        Raises
        ------
        DataError
            There are none, or they lie more than `REACH_M` from their middle.
        """
        lon, lat = np.atleast_1d(np.asarray(lon, np.float64), np.asarray(lat, np.float64))
        known = np.isfinite(lon) & np.isfinite(lat)
        if not known.any():
            raise DataError("there is no position to lay a plane about")
        # The middle as a direction, so that neither a pole nor the 180th meridian is special.
        u, v = np.radians(lon[known]), np.radians(lat[known])
        way = np.array([np.cos(v) * np.cos(u), np.cos(v) * np.sin(u), np.sin(v)])
        x, y, z = 0.5 * (way.min(axis=1) + way.max(axis=1))
        plane = cls(
            float(wrap_longitude(np.degrees(np.arctan2(y, x)))),
            float(np.degrees(np.arctan2(z, np.hypot(x, y)))),
        )
        far = float(np.hypot(*plane.to_plane(lon[known], lat[known])).max())
        if far > REACH_M:
            raise DataError(
                f"the positions lie up to {far / 1000:.0f} km from their middle; allowed is "
                f"{REACH_M / 1000:.0f} km; take one water at a time"
            )
        return plane

    def to_plane(self, lon: ArrayLike, lat: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return x and y of positions, metres."""
        return local_offsets(lon, lat, self.lon, self.lat)

    def to_earth(self, x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return longitudes in [-180, 180) and latitudes of points, degrees."""
        return displace(self.lon, self.lat, x, y)

    def shape_to_plane(self, shape: Shape) -> Shape:
        """Return a shapely shape of longitudes and latitudes in the plane."""
        import shapely

        return shapely.transform(shape, lambda p: np.stack(self.to_plane(p[:, 0], p[:, 1]), axis=1))

    def area_to_plane(self, shape: BaseGeometry) -> BaseGeometry:
        """Return polygons of a file in the plane, mended and joined; other shapes are left out.

        An edge runs straight in longitude and latitude (RFC 7946, section 3.1.1), so long ones are
        divided first; parts that were cut at the 180th meridian, or at a pole, are one again.
        """
        import shapely

        parts = shapely.get_parts(shapely.get_parts(shape))
        areas = parts[shapely.get_type_id(parts) == 3]
        if not len(areas):
            return shapely.MultiPolygon()
        west, south, east, north = shapely.bounds(shape)
        seam = west <= -180.0 or east >= 180.0 or south <= -90.0 or north >= 90.0
        laid = np.array([self.shape_to_plane(a) for a in shapely.segmentize(areas, EDGE_STEP_DEG)])
        mended = shapely.make_valid(laid, method="structure")
        if len(mended) == 1 and not seam:
            only: BaseGeometry = mended[0]
            return only
        return shapely.union_all(mended, grid_size=_SEAM_M if seam else None)

    def shape_to_earth(self, shape: Shape) -> Shape:
        """Return a shape of the plane in longitude and latitude.

        Longitudes run on from the origin's and may pass 180, so that a shape across the 180th
        meridian stays in one piece; `athwart.formats.shapes` cuts it where a file needs that.
        """
        import shapely

        def placed(points: NDArray[np.float64]) -> NDArray[np.float64]:
            lon, lat = self.to_earth(points[:, 0], points[:, 1])
            return np.stack([self.lon + wrap_longitude(lon - self.lon), lat], axis=1)

        return shapely.transform(shape, placed)
