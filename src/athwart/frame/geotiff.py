"""A strip as a GeoTIFF, written and read; the one door to rasterio.

Two bands of 8 bits, grey and alpha (0 where nothing was seen), in tiles, deflated, with overviews,
in the strip's own metric grid (OGC GeoTIFF 1.1, EPSG codes).
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from athwart.errors import FileError
from athwart.formats.files import check_source, staged
from athwart.frame.strip import Strip
from athwart.unchanged import unchanged

__all__ = ["read_geotiff", "write_geotiff"]

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


def read_geotiff(path: str | os.PathLike[str], *, max_pixels: int = 16_000_000) -> Strip:
    """Read a strip or a mosaic, as `write_geotiff` and many other programs write it.

    Parameters
    ----------
    path : path-like
        A GeoTIFF: grey or colour in 8 bits (the first band is taken), north up, square pixels, in a
        metric grid with an EPSG code. Its alpha, mask or no-data value tells what was not seen.
    max_pixels : int
        A larger one is read coarser, through its overviews where it has them.

    Returns
    -------
    Strip
        ``range_m`` is 0 where something was seen, ``outline`` is empty.

    Raises
    ------
    FileError
        It cannot be read, or is not such a picture.
    """
    import rasterio
    import shapely
    from rasterio.enums import Resampling
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    source = check_source(path)
    name = Path(path).name
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)  # refused below, in a sentence
            with unchanged(source), rasterio.open(source, driver="GTiff") as file:
                a, b, c, d, e, f = tuple(file.transform)[:6]
                epsg = file.crs.to_epsg() if file.crs else None
                if file.dtypes[0] != "uint8":
                    raise FileError(
                        name, f"holds {file.dtypes[0]} numbers; allowed are pictures of 8 bits"
                    )
                if epsg is None or not file.crs.is_projected:
                    raise FileError(
                        name,
                        "does not lie in a metric grid with an EPSG code, such as a UTM zone; "
                        "bring it into one first",
                    )
                metres = file.crs.linear_units_factor[1]
                if b or d or a <= 0 or abs(a + e) > 1e-6 * a or abs(metres - 1.0) > 1e-9:
                    raise FileError(
                        name, "is turned, or its pixels are no squares in metres; warp it first"
                    )
                coarser = max(1.0, (file.width * file.height / max_pixels) ** 0.5)
                height, width = int(file.height / coarser), int(file.width / coarser)
                shape = (max(height, 1), max(width, 1))
                echo = file.read(1, out_shape=shape, resampling=Resampling.average)
                seen = file.dataset_mask(out_shape=shape) > 0
                # Whole pixels of the coarser picture, so that they stay squares.
                pixel = a * max(file.width / shape[1], file.height / shape[0])
    except RasterioError as error:
        raise FileError(name, "is no GeoTIFF that can be read; it may be cut off") from error
    return Strip(
        echo=np.where(seen, echo, 0).astype(np.uint8),
        range_m=np.where(seen, 0.0, np.inf).astype(np.float32),
        epsg=int(epsg),
        left_m=float(c),
        top_m=float(f),
        pixel_m=float(pixel),
        outline=shapely.MultiPolygon(),
    )


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
