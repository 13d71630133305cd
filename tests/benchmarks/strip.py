"""Laying frames on the seabed against one bare ``scipy.ndimage.map_coordinates``; run by hand.

    python tests/benchmarks/strip.py [--quick]

Each strip's time, its mapping and the fixing of its lines included, is divided by that of one
interpolation of order 1 over an output of the same size; the processor's time. Then a mosaic of 50 frames is
made by a generator and written.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from pairing import Row, alone, memory_row, paired, scratch, shown, spent
from scipy.ndimage import map_coordinates

from athwart.frame.geotiff import write_geotiff
from athwart.frame.layout import SideEcho
from athwart.frame.mosaic import mosaic
from athwart.frame.strip import place_strip
from athwart.geometry.geodesic import displace
from athwart.tables import Track

SCALE = 0.05


def frame(lines=2000, columns=750, step_m=SCALE, course=0.0, turn=0.0, east=0.0, seed=0):
    """Return what `place_strip` takes: noise for an echo, 10 lines a second."""
    rng = np.random.default_rng(seed)
    t = np.arange(lines // 10 + 21.0)
    heading = np.radians(course + turn * t)
    way = step_m * 10.0 * np.stack([np.sin(heading), np.cos(heading)])
    x, y = np.cumsum(way, axis=1) - way
    lon, lat = displace(10.0, 55.0, x + east, y)
    time_ = np.datetime64("2031-06-01T10:00", "us") + (t * 1e6).astype("timedelta64[us]")
    track = Track.from_columns(
        {
            "lon": lon,
            "lat": lat,
            "time": time_,
            "heading_deg": np.degrees(heading) % 360.0,
            "speed_mps": np.full(len(t), step_m * 10.0),
        }
    )
    sides = {
        s: SideEcho(
            echo=rng.random((lines, columns), dtype=np.float32),
            scale_m=np.full(lines, SCALE),
            start_columns=0.0,
        )
        for s in ("port", "starboard")
    }
    layout = SimpleNamespace(axis="slant", seconds_per_line=0.1, metres_per_line=None)
    bottom = SimpleNamespace(range_m={s: np.full(lines, 8.0) for s in sides})
    return sides, layout, bottom, track, None, time_[-10]


SCENES = {
    "straight, a pixel a line": {},
    "oblique, a pixel a line": {"course": 30.0},
    "oblique, three pixels a line": {"course": 30.0, "step_m": 0.15},
    "a turn of 120 degrees": {"turn": 0.6, "step_m": 0.15},
}


def bare(image: np.ndarray, height: int, width: int):
    """Return the peer's job: one interpolation of an image to a size."""
    where = np.stack(
        np.meshgrid(
            np.linspace(0.1, image.shape[0] - 1.1, height, dtype=np.float32),
            np.linspace(0.1, image.shape[1] - 1.1, width, dtype=np.float32),
            indexing="ij",
        )
    )
    return lambda: map_coordinates(image, where, order=1, output=np.float32)


def strips(frames: int) -> Iterator[object]:
    """Give frames side by side, one after the other."""
    for i in range(frames):
        yield place_strip(*frame(step_m=0.15, course=20.0 * (i % 2), east=45.0 * i, seed=i))


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows."""
    for name, options in SCENES.items():
        given = frame(**options)
        echo = place_strip(*given).echo
        yield paired(
            lambda given=given: place_strip(*given), bare(given[0]["port"].echo, *echo.shape), 7
        ).row(f"strip, {name}", "map_coordinates")
    frames = 5 if quick else 50
    for mode in ("nearest", "blend"):
        kept = []
        took = spent(lambda mode=mode, kept=kept: kept.append(mosaic(strips(frames), mode)))
        with scratch() as folder:
            to = Path(folder) / "m.tif"
            writing = spent(lambda to=to, kept=kept: write_geotiff(to, kept[0]))
        height, width = kept[0].echo.shape
        yield Row(
            f"mosaic of {frames}, {mode}, {height} x {width}",
            shown(took),
            f"writing it {shown(writing)}",
        )
    here = str(Path(__file__).parent)
    yield memory_row(
        f"mosaic of {frames}, blend",
        f"sys.path.insert(0, {here!r})\nfrom strip import mosaic, strips",
        f"whole = mosaic(strips({frames}), 'blend')",
        limit_mb=None,
    )


if __name__ == "__main__":
    alone(measure)
