"""A strip on another grid: sampled anew, made coarser.

Each pixel of the other grid takes the ground range of the pixel of the strip in which its middle
lies, and the echo interpolated between the middles around it; what the strip did not see stays empty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from athwart.frame.strip import Strip
from athwart.geometry.geodesic import from_grid, to_grid

__all__ = ["edge_of", "on_grid", "shrunk", "warped"]

FloatArray = NDArray[np.float64]
Single = NDArray[np.float32]
Bytes = NDArray[np.uint8]


def on_grid(strip: Strip, epsg: int, pixel: float) -> Strip:
    """Return the strip in another grid, or itself where it lies in that grid already."""
    top, left = strip.top_m / pixel, strip.left_m / pixel
    aligned = abs(top - round(top)) < 1e-3 and abs(left - round(left)) < 1e-3
    if strip.epsg == epsg and aligned and abs(strip.pixel_m / pixel - 1.0) < 1e-9:
        return strip
    strip = shrunk(strip, int(pixel / strip.pixel_m + 1e-9))
    x, y = to_grid(*from_grid(*edge_of(strip), strip.epsg), epsg)
    left, top = np.floor(x.min() / pixel), np.ceil(y.max() / pixel)
    shape = (int(top - np.floor(y.min() / pixel)), int(np.ceil(x.max() / pixel) - left))

    def places(row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        return from_grid((left + column) * pixel, (top - row) * pixel, epsg)

    echo, range_m = warped(strip, shape, places)
    return replace(
        strip,
        echo=echo,
        range_m=range_m,
        epsg=epsg,
        left_m=float(left * pixel),
        top_m=float(top * pixel),
        pixel_m=pixel,
    )


def edge_of(strip: Strip) -> tuple[FloatArray, FloatArray]:
    """Return grid coordinates along the four edges of a strip."""
    height, width = strip.echo.shape
    s = np.linspace(0.0, 1.0, 33)
    zero, one = np.zeros_like(s), np.ones_like(s)
    column = np.concatenate([s, one, s, zero]) * width
    row = np.concatenate([zero, s, one, s]) * height
    return strip.left_m + column * strip.pixel_m, strip.top_m - row * strip.pixel_m


def shrunk(strip: Strip, times: int) -> Strip:
    """Return a strip with pixels so many times as large, each the mean of what was seen in it."""
    if times <= 1:
        return strip
    height, width = (-(-n // times) for n in strip.echo.shape)
    echo = np.zeros((height, width), np.uint8)
    range_m = np.full((height, width), np.inf, np.float32)
    rows = max(1, 4_000_000 // (width * times * times))
    for r in range(0, height, rows):
        part = slice(r * times, (r + rows) * times)
        near = strip.range_m[part]
        count = min(rows, height - r)
        wide = ((0, count * times - len(near)), (0, width * times - near.shape[1]))
        near = np.pad(near, wide, constant_values=np.inf).reshape(count, times, width, times)
        grey = np.pad(strip.echo[part], wide).reshape(count, times, width, times)
        seen = np.isfinite(near).sum(axis=(1, 3))
        total = grey.sum(axis=(1, 3), dtype=np.float32)
        echo[r : r + count] = np.where(seen > 0, total / np.maximum(seen, 1) + 0.5, 0.0)
        range_m[r : r + count] = near.min(axis=(1, 3))
    return replace(strip, echo=echo, range_m=range_m, pixel_m=strip.pixel_m * times)


def warped(
    strip: Strip,
    shape: tuple[int, int],
    places: Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]],
) -> tuple[Bytes, Single]:
    """Sample a strip on another grid.

    ``places`` gives longitude and latitude of the other grid's rows and columns. It is asked at
    every 32nd pixel; between them the mapping bends by far less than a pixel.
    """
    from scipy.ndimage import map_coordinates

    height, width = shape
    echo = np.zeros(shape, np.uint8)
    range_m = np.full(shape, np.inf, np.float32)
    every = 32
    node = np.arange(0, width + every, every, dtype=np.float64)
    across = (np.arange(width) + 0.5) / every
    j = np.minimum(across.astype(np.intp), len(node) - 2)
    fj = across - j
    for r in range(0, height, every):
        corner_row, corner_column = np.meshgrid([r, r + every], node, indexing="ij")
        corner = np.stack(strip.pixel_of(*places(corner_row, corner_column)))
        ends = corner[:, :, j] * (1.0 - fj) + corner[:, :, j + 1] * fj
        count = min(every, height - r)
        fi = ((np.arange(count) + 0.5) / every)[:, None]
        at = ends[:, :1] * (1.0 - fi) + ends[:, 1:] * fi
        whole = np.floor(at).astype(np.intp)
        inside = (whole >= 0).all(axis=0)
        inside &= (whole[0] < strip.echo.shape[0]) & (whole[1] < strip.echo.shape[1])
        rows, columns = whole[0][inside], whole[1][inside]
        if not len(rows):
            continue
        found = np.full(inside.shape, np.inf, np.float32)
        found[inside] = strip.range_m[rows, columns]
        low = max(int(rows.min()) - 1, 0)
        band = slice(low, int(rows.max()) + 2)
        seen = np.isfinite(strip.range_m[band]).astype(np.float32)
        where = np.stack([at[0] - 0.5 - low, at[1] - 0.5])
        # Of what was seen only: an empty neighbour does not darken the edge.
        weight = map_coordinates(seen, where, order=1, mode="nearest", prefilter=False)
        grey = map_coordinates(
            strip.echo[band], where, order=1, mode="nearest", prefilter=False, output=np.float32
        )
        good = np.isfinite(found) & (weight > 0)
        mean = grey / np.where(good, weight, 1.0) + 0.5
        echo[r : r + count] = np.where(good, np.clip(mean, 0.0, 255.0), 0.0).astype(np.uint8)
        range_m[r : r + count] = np.where(good, found, np.inf)
    return echo, range_m
