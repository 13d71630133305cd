"""Many strips in one picture.

Strips are laid one by one into square tiles of the first strip's grid, so that only what was seen
takes room. Where looks overlap the nearer one (smaller ground range) stands, or they are averaged.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from mmap import mmap
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from athwart.errors import DataError, UsageError
from athwart.frame.regrid import on_grid
from athwart.frame.strip import Strip, areas_of

__all__ = ["mosaic"]

Single = NDArray[np.float32]
Bytes = NDArray[np.uint8]

_TILE = 512  # side of a tile, pixels


def mosaic(
    strips: Iterable[Strip],
    mode: Literal["nearest", "blend"] = "nearest",
    *,
    pixel_m: float | None = None,
    max_pixels: int = 400_000_000,
) -> Strip:
    """Join strips.

    Parameters
    ----------
    strips : iterable of Strip
        Taken one by one and let go, so that a generator needs the room of one strip and the
        mosaic. The first gives the grid; others are brought into it.
    mode : {"nearest", "blend"}
        Of several looks at a place the nearer stands, or they are averaged with weights that fall
        from 1 under the boat to 1/64 at the edge of each strip.
    pixel_m : float, optional
        Side of a pixel; the first strip's if not given.
    max_pixels : int
        More are refused.

    Returns
    -------
    Strip
        ``range_m`` is that of the nearest look.

    Raises
    ------
    DataError
        No strip, or a mosaic that would hold more than ``max_pixels``.
    UsageError
        An unknown mode or a pixel size that cannot be.
    """
    import shapely

    if mode not in ("nearest", "blend"):
        raise UsageError(f"the mode is {mode!r}; allowed are nearest, blend")
    if pixel_m is not None and not (np.isfinite(pixel_m) and pixel_m > 0):
        raise UsageError(f"the pixel size is {pixel_m!r} m; allowed is a number above 0")
    tiles: dict[tuple[int, int], _Tile] = {}
    outlines: list[Any] = []
    epsg, pixel = 0, 0.0
    words: list[str] = []
    for strip in strips:
        if not epsg:
            epsg, pixel = strip.epsg, float(pixel_m or strip.pixel_m)
        words += [w for w in strip.words if w not in words]
        outlines.append(strip.outline)
        part = on_grid(strip, epsg, pixel)
        _add(tiles, part, blend=mode == "blend")
        room = _extent(tiles)
        if room[2] * room[3] * _TILE**2 > max_pixels:
            raise DataError(
                f"the mosaic would hold more than {max_pixels:,} pixels of {pixel:g} m; make it "
                "of fewer strips that lie together, or give a larger pixel_m"
            )
    if not epsg:
        raise DataError("there is no strip to make a mosaic of")
    first_row, first_column, rows, columns = _extent(tiles)
    # Filled square by square while the tiles are let go, so that both never stand whole.
    echo = np.empty((rows * _TILE, columns * _TILE), np.uint8)
    range_m = np.empty(echo.shape, np.float32)
    for i, j in np.ndindex(rows, columns):
        square = (slice(i * _TILE, (i + 1) * _TILE), slice(j * _TILE, (j + 1) * _TILE))
        tile = tiles.pop((first_row + i, first_column + j), None)
        echo[square] = 0 if tile is None else tile.picture()
        range_m[square] = np.inf if tile is None else tile.range_m
    row = np.flatnonzero([np.isfinite(line).any() for line in range_m])
    if len(row):
        inner = slice(int(row[0]), int(row[-1]) + 1)
        column = np.flatnonzero(np.minimum.reduce(range_m[inner], axis=0) < np.inf)
        window = (inner, slice(int(column[0]), int(column[-1]) + 1))
        echo, range_m = echo[window], range_m[window]
        top, left = first_row * _TILE + inner.start, first_column * _TILE + int(column[0])
    else:
        top, left = first_row * _TILE, first_column * _TILE
    whole = shapely.union_all(np.array(_side_by_side(outlines), dtype=object))
    return Strip(
        echo=echo,
        range_m=range_m,
        epsg=epsg,
        left_m=float(left * pixel),
        top_m=float(-top * pixel),
        pixel_m=pixel,
        outline=areas_of(whole),
        words=tuple(words),
    )


def _side_by_side(outlines: list[Any]) -> list[Any]:
    """Move outlines by whole turns so that both sides of the 180th meridian lie together."""
    import shapely

    known = [g for g in outlines if not g.is_empty]
    moved = []
    for g in known:
        turn = -360.0 * round((g.bounds[0] - known[0].bounds[0]) / 360.0)
        xy = shapely.get_coordinates(g) + np.array([turn, 0.0])
        moved.append(shapely.make_valid(shapely.set_coordinates(shapely.transform(g, np.copy), xy)))
    return moved


def _own_pages(dtype: Any) -> NDArray[Any]:
    """Return zeros whose memory goes back to the system as soon as they are let go."""
    size = _TILE * _TILE * np.dtype(dtype).itemsize
    return np.frombuffer(mmap(-1, size), dtype=dtype).reshape(_TILE, _TILE)


class _Tile:
    """A square of the mosaic: what stands there, or the mean so far."""

    def __init__(self, blend: bool) -> None:
        self.range_m: Single = _own_pages(np.float32)
        self.range_m.fill(np.inf)
        # A mean so far to an eighth of a grey and its weight; half precision halves the room.
        self.echo: NDArray[Any] = _own_pages(np.float16 if blend else np.uint8)
        self.weight: NDArray[np.float16] | None = _own_pages(np.float16) if blend else None

    def picture(self) -> Bytes:
        """Return the grey that stands at the end."""
        if self.weight is None:
            return self.echo.astype(np.uint8, copy=False)
        grey: Bytes = np.clip(self.echo.astype(np.float32) + 0.5, 0.0, 255.0).astype(np.uint8)
        return grey


def _extent(tiles: Mapping[tuple[int, int], _Tile]) -> tuple[int, int, int, int]:
    """Return the first row and column of tiles and how many rows and columns of them."""
    keys = np.array(list(tiles) or [(0, 0)])
    low, high = keys.min(axis=0), keys.max(axis=0)
    return int(low[0]), int(low[1]), int(high[0] - low[0] + 1), int(high[1] - low[1] + 1)


def _add(tiles: dict[tuple[int, int], _Tile], strip: Strip, *, blend: bool) -> None:
    """Lay a strip of the mosaic's own grid into its tiles."""
    top, left = round(-strip.top_m / strip.pixel_m), round(strip.left_m / strip.pixel_m)
    height, width = strip.echo.shape
    known = strip.range_m[strip.mask]
    far = float(known.max()) if len(known) else 0.0
    for i in range(top // _TILE, (top + height - 1) // _TILE + 1):
        for j in range(left // _TILE, (left + width - 1) // _TILE + 1):
            r0, c0 = max(i * _TILE, top), max(j * _TILE, left)
            r1, c1 = min((i + 1) * _TILE, top + height), min((j + 1) * _TILE, left + width)
            source = (slice(r0 - top, r1 - top), slice(c0 - left, c1 - left))
            range_m, echo = strip.range_m[source], strip.echo[source]
            if not np.isfinite(range_m).any():
                continue
            tile = tiles.get((i, j)) or tiles.setdefault((i, j), _Tile(blend))
            to = (
                slice(r0 - i * _TILE, r1 - i * _TILE),
                slice(c0 - j * _TILE, c1 - j * _TILE),
            )
            if tile.weight is not None:
                share = np.maximum(1.0 - range_m / np.float32(max(far, 1e-6)), np.float32(1 / 64))
                share[~np.isfinite(range_m)] = 0.0
                total = tile.weight[to] + share
                part = share / np.where(total > 0, total, np.float32(1.0))
                tile.echo[to] += part * (echo - tile.echo[to].astype(np.float32))
                tile.weight[to] = total
            else:
                np.copyto(tile.echo[to], echo, where=range_m < tile.range_m[to])
            np.minimum(tile.range_m[to], range_m, out=tile.range_m[to])
