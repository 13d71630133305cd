"""Time laying a frame on the seabed against one bare ``scipy.ndimage.map_coordinates``.

Run by hand: ``python tests/benchmarks/strip.py [FRAMES]``. Each strip's time, its mapping and the
fixing of its lines included, is divided by that of one interpolation of order 1 over an output of
the same size, in the same run. Then a mosaic of FRAMES (50) frames is made by a generator and
written; the peak memory of the process is printed.
"""

import platform
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from scipy.ndimage import map_coordinates

from athwart.frame.geotiff import write_geotiff
from athwart.frame.layout import SideEcho
from athwart.frame.strip import mosaic, place_strip
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


def once(call):
    """Return what a call gives and how long it took, seconds."""
    start = time.perf_counter()
    result = call()
    return result, time.perf_counter() - start


def main() -> None:
    """Print the tables."""
    print(f"{platform.machine()}, Python {platform.python_version()}, frames of 2,000 x 1,500")
    scenes = {
        "straight, a pixel a line": {},
        "oblique, a pixel a line": {"course": 30.0},
        "oblique, three pixels a line": {"course": 30.0, "step_m": 0.15},
        "a turn of 120 degrees": {"turn": 0.6, "step_m": 0.15},
    }
    for name, options in scenes.items():
        given = frame(**options)
        strip = place_strip(*given)
        height, width = strip.echo.shape
        image = given[0]["port"].echo
        where = np.stack(
            np.meshgrid(
                np.linspace(0.1, image.shape[0] - 1.1, height, dtype=np.float32),
                np.linspace(0.1, image.shape[1] - 1.1, width, dtype=np.float32),
                indexing="ij",
            )
        )
        ratios = []
        for _ in range(7):
            _, ours = once(lambda given=given: place_strip(*given))
            _, bare = once(
                lambda image=image, where=where: map_coordinates(
                    image, where, order=1, output=np.float32
                )
            )
            ratios.append(ours / bare)
        print(
            f"{name:30} {height} x {width}, {strip.mask.mean():.0%} seen: "
            f"{statistics.median(ratios):.2f} x map_coordinates ({min(ratios):.2f} to {max(ratios):.2f})"
        )
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    for mode in ("nearest", "blend"):
        strips = (
            place_strip(*frame(step_m=0.15, course=20.0 * (i % 2), east=45.0 * i, seed=i))
            for i in range(frames)
        )
        whole, seconds = once(lambda strips=strips, mode=mode: mosaic(strips, mode))
        with tempfile.TemporaryDirectory() as folder:
            _, writing = once(
                lambda to=Path(folder) / "m.tif", whole=whole: write_geotiff(to, whole)
            )
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        height, width = whole.echo.shape
        del whole
        print(
            f"mosaic of {frames}, {mode}: {height} x {width}, {seconds:.1f} s and {writing:.1f} s to "
            f"write, peak memory so far {peak:.2f} GiB"
        )


if __name__ == "__main__":
    main()
