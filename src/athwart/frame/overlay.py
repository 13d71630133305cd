"""A strip as a picture for a web map."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError, UsageError
from athwart.frame.regrid import edge_of, shrunk, warped
from athwart.frame.strip import Strip
from athwart.geometry.geodesic import from_grid, wrap_longitude

__all__ = ["overlay"]

FloatArray = NDArray[np.float64]


def overlay(
    strip: Strip, *, max_pixels: int = 1_000_000, greys: int = 32
) -> tuple[bytes, tuple[float, float, float, float]]:
    """Return the strip as a picture for a map in Web Mercator (EPSG:3857).

    Parameters
    ----------
    strip : Strip
        A strip or a mosaic.
    max_pixels : int
        The picture is made coarser to hold no more.
    greys : int
        Shades besides the transparent one, 2 to 255; fewer make a smaller file.

    Returns
    -------
    png : bytes
        Grey, transparent where nothing was seen.
    bounds : tuple of float
        West, south, east, north of its edges, degrees; east may be above 180.

    Raises
    ------
    DataError
        The strip is empty, or lies where Web Mercator ends.
    UsageError
        Numbers that cannot be.
    """
    from PIL import Image

    if max_pixels < 1 or not 2 <= greys <= 255:
        raise UsageError("max_pixels is 1 or more and greys 2 to 255")
    if not strip.mask.any():
        raise DataError("the strip is empty; there is nothing to show")
    lon, lat = from_grid(*edge_of(strip), strip.epsg)
    if np.abs(lat).max() > 85.0:
        raise DataError("a web map in Mercator ends at 85 degrees of latitude; use the GeoTIFF")
    lon = lon[0] + wrap_longitude(lon - lon[0])
    y = np.arcsinh(np.tan(np.radians(lat)))
    west, south, east, north = lon.min(), y.min(), lon.max(), y.max()
    # Mercator's own units: radians on the sphere. A pixel of the strip is that many of them.
    unit = strip.pixel_m / (6_378_137.0 * np.cos(np.radians(np.abs(lat).min())))
    spread = np.radians(east - west)
    coarser = max(1.0, np.sqrt(spread * (north - south) / unit**2 / max_pixels))
    unit *= coarser
    shape = (max(int((north - south) / unit), 1), max(int(spread / unit), 1))
    strip = shrunk(strip, int(coarser + 0.5))

    def places(row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        down = north - row * (north - south) / shape[0]
        return west + column * (east - west) / shape[1], np.degrees(np.arctan(np.sinh(down)))

    echo, range_m = warped(strip, shape, places)
    shade = 1 + np.rint(echo * ((greys - 1) / 255.0)).astype(np.uint8)
    shade[~np.isfinite(range_m)] = 0
    image = Image.fromarray(shade)
    ramp = np.zeros(greys + 1, np.uint8)
    ramp[1:] = np.rint(np.linspace(0, 255, greys))
    image.putpalette(np.repeat(ramp, 3).tobytes())
    out = BytesIO()
    image.save(out, "PNG", transparency=0, optimize=True)
    edges = np.degrees(np.arctan(np.sinh([south, north])))
    return out.getvalue(), (float(west), float(edges[0]), float(east), float(edges[1]))
