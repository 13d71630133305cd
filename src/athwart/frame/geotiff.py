"""A strip as a GeoTIFF; the one door to rasterio.

Two bands of 8 bits, grey and alpha (0 where nothing was seen), in tiles, deflated, with overviews,
in the strip's own metric grid (OGC GeoTIFF 1.1, EPSG codes).
"""

from __future__ import annotations

import os

import numpy as np
from numpy.typing import NDArray

from athwart.errors import FileError
from athwart.formats.files import staged
from athwart.frame.strip import Strip

__all__ = ["write_geotiff"]

_BLOCK = 256
_TITLE = "Sonar picture laid on the seabed. Not for navigation."


def write_geotiff(
    path: str | os.PathLike[str], strip: Strip, overwrite: bool = False, *, title: str = ""
) -> None:
    """Write a strip or a mosaic.

    Parameters
    ----------
    path : path-like
        Where to.
    strip : Strip
        What `place_strip` or `mosaic` made.
    overwrite : bool
        Replace a file that exists.
    title : str
        Goes into the file's description, before the words that it is not for navigation.

    Raises
    ------
    FileError
        The file exists, the folder is missing, or the disk is full; nothing has changed then.
    """
    import rasterio
    from rasterio.enums import ColorInterp, Resampling
    from rasterio.errors import RasterioError
    from rasterio.transform import Affine
    from rasterio.windows import Window

    height, width = strip.echo.shape
    with staged(path, overwrite=overwrite) as temporary:
        try:
            with rasterio.Env(GDAL_PAM_ENABLED="NO", GDAL_TIFF_INTERNAL_MASK=True):
                with rasterio.open(
                    temporary,
                    "w",
                    driver="GTiff",
                    width=width,
                    height=height,
                    count=2,
                    dtype="uint8",
                    crs=f"EPSG:{strip.epsg}",
                    transform=Affine(*strip.transform),
                    tiled=True,
                    blockxsize=_BLOCK,
                    blockysize=_BLOCK,
                    compress="deflate",
                    predictor=2,
                    interleave="pixel",
                    photometric="minisblack",
                    alpha="unspecified",
                    bigtiff="if_safer",
                ) as file:
                    file.colorinterp = (ColorInterp.gray, ColorInterp.alpha)
                    file.set_band_description(1, "echo strength, 0 to 255")
                    file.set_band_description(2, "255 where seen, 0 where nothing was seen")
                    file.update_tags(**_tags(strip, title))
                    # A band of tiles at a time: the mask of a large mosaic is never held whole.
                    for row in range(0, height, _BLOCK):
                        part = slice(row, min(row + _BLOCK, height))
                        window = Window(0, row, width, part.stop - row)
                        file.write(_bands(strip, part), window=window)
                levels = _levels(height, width)
                if levels:
                    with rasterio.open(temporary, "r+") as file:
                        file.build_overviews(levels, Resampling.average)
        except RasterioError as error:
            raise FileError(temporary.name, f"could not be written ({error})") from error


def _bands(strip: Strip, part: slice) -> NDArray[np.uint8]:
    seen = np.isfinite(strip.range_m[part])
    return np.stack([strip.echo[part], np.where(seen, 255, 0).astype(np.uint8)])


def _levels(height: int, width: int) -> list[int]:
    """Halve until one tile holds all."""
    levels: list[int] = []
    size = max(height, width)
    while size > _BLOCK:
        levels.append(2 ** (len(levels) + 1))
        size //= 2
    return levels


def _tags(strip: Strip, title: str) -> dict[str, str]:
    shown = "".join(c if c.isprintable() else " " for c in title).strip()
    return {
        "TIFFTAG_IMAGEDESCRIPTION": f"{shown}. {_TITLE}" if shown else _TITLE,
        "TIFFTAG_SOFTWARE": "athwart",
        "AREA_OR_POINT": "Area",
        "NOT_FOR_NAVIGATION": "Positions are estimates; a picture shows only what the sonar saw.",
        "PIXEL_M": f"{strip.pixel_m:g}",
        "NOTES": " ".join(f"{w}." for w in strip.words),
    }
