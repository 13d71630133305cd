"""Reading and writing GPX against gpxpy and GDAL; run by hand.

    python tests/benchmarks/gpx.py [--quick]

Ours is our own code, both ways: writing through gpxpy needs an object a point, so that it is itself
a peer here. Ours validates every point. ``plain`` tracks hold position, height and time, ``mixed``
ones also hdop and satellites, which take the careful way. All in one thread, the processor's time.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path

import gpxpy
import gpxpy.gpx
import numpy as np
import pyogrio
from pairing import Row, alone, memory_row, paired, scratch

from athwart.contents import Contents
from athwart.formats import WriteOptions, read, write
from athwart.tables import Waypoints

GPX_11 = "http://www.topografix.com/GPX/1/1"


def make(path: Path, n: int, more: str = "") -> None:
    """Write a track of n points by hand."""
    rng = np.random.default_rng(1)
    times = np.datetime64("2031-05-04T06:00:00") + np.arange(n).astype("m8[s]")
    lat, lon = 41 + rng.normal(0, 1e-5, n).cumsum(), -8 + rng.normal(0, 1e-5, n).cumsum()
    height = rng.normal(0, 1, n)
    rows = zip(lat.tolist(), lon.tolist(), height.tolist(), times.astype(str).tolist(), strict=True)
    points = "".join(
        f'<trkpt lat="{y:.7f}" lon="{x:.7f}"><ele>{z:.2f}</ele><time>{t}Z</time>{more}</trkpt>\n'
        for y, x, z, t in rows
    )
    path.write_text(
        f'<?xml version="1.0"?>\n<gpx version="1.1" creator="b" xmlns="{GPX_11}"><trk><trkseg>\n'
        f"{points}</trkseg></trk></gpx>\n"
    )


def with_gpxpy(path: Path) -> object:
    """Read as the peer does."""
    with path.open() as handle:
        return gpxpy.parse(handle)


def with_pyogrio(path: Path, layer: str) -> object:
    """Read as the peer does."""
    return pyogrio.read_dataframe(path, layer=layer, use_arrow=False)


def make_waypoints(n: int) -> Waypoints:
    """Return waypoints all over the Earth, each with its name, note, time, kind and depth."""
    rng = np.random.default_rng(2)
    return Waypoints.from_columns(
        {
            "lon": rng.uniform(-180, 180, n),
            "lat": rng.uniform(-90, 90, n),
            "name": np.array([f"WP{i}" for i in range(n)], dtype=object),
            "note": np.array([f"note <{i}>" for i in range(n)], dtype=object),
            "time": np.datetime64("2031-01-01", "us") + np.arange(n).astype("m8[s]"),
            "kind": np.full(n, "rock", dtype=object),
            "depth_m": rng.uniform(1, 30, n),
        }
    )


def gpxpy_writes(w: Waypoints, path: Path) -> None:
    """Write as the peer does."""
    out = gpxpy.gpx.GPX()
    for i in range(len(w)):
        point = gpxpy.gpx.GPXWaypoint(
            latitude=w.lat[i], longitude=w.lon[i], name=w.name[i], description=w.note[i],
            time=w.time[i].item(), type=w.kind[i],
        )  # fmt: skip
        out.waypoints.append(point)
    path.write_text(out.to_xml())


def tracks(folder: Path, quick: bool) -> Iterator[Row]:
    """Time reading tracks."""
    n = 100_000 if quick else 1_000_000
    for name, more in (("plain", ""), ("mixed", "<sat>8</sat><hdop>0.9</hdop>")):
        path, what = folder / f"{name}.gpx", f"GPX in, {n:,} {name} track points"
        make(path, n, more)
        yield paired(
            lambda path=path: read(path), lambda path=path: with_pyogrio(path, "track_points"), 5
        ).row(what, "pyogrio", 1.3)
        # gpxpy takes minutes and gigabytes for a million: a tenth of the points does for the ratio
        small = folder / f"{name}-small.gpx"
        make(small, n // 10, more)
        yield paired(
            lambda small=small: read(small), lambda small=small: with_gpxpy(small), 3, warm=False
        ).row(f"GPX in, {n // 10:,} {name} track points", "gpxpy", 0.1)
        yield memory_row(
            what,
            "from athwart.formats import gpx_read, read",
            "kept = read(sys.argv[1]).tracks",
            path,
            limit_mb=600,
        )


def waypoints(folder: Path, quick: bool) -> Iterator[Row]:
    """Time writing and reading waypoints."""
    n = 10_000 if quick else 100_000
    w, path, other = make_waypoints(n), folder / "w.gpx", folder / "peer.gpx"
    frame = w.to_frame()[["name", "note", "time", "kind", "geometry"]]
    frame = frame.rename(columns={"note": "desc", "kind": "type"})

    def ours(clean: bool) -> None:
        write(path, Contents(waypoints=w), overwrite=True, options=WriteOptions(clean=clean))

    def gdal() -> None:
        other.unlink(missing_ok=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pyogrio.write_dataframe(frame, other, driver="GPX", layer="waypoints", use_arrow=False)

    for word, clean in (("as plotters take it", True), ("with all we know", False)):
        yield paired(lambda clean=clean: ours(clean), gdal, 7).row(
            f"GPX out, {n:,} waypoints {word}", "pyogrio", 1.5
        )
    yield paired(lambda: ours(True), lambda: gpxpy_writes(w, other), 3, warm=False).row(
        f"GPX out, {n:,} waypoints as plotters take it", "gpxpy"
    )
    yield paired(lambda: read(path), lambda: with_pyogrio(path, "waypoints"), 5).row(
        f"GPX in, {n:,} waypoints", "pyogrio"
    )
    yield paired(lambda: read(path), lambda: with_gpxpy(path), 3, warm=False).row(
        f"GPX in, {n:,} waypoints", "gpxpy"
    )
    here = str(Path(__file__).parent)
    for word, clean in (("as plotters take it", True), ("with all we know", False)):
        yield memory_row(
            f"GPX out, {n:,} waypoints {word}",
            f"sys.path.insert(0, {here!r})\n"
            "from gpx import Contents, WriteOptions, make_waypoints, write\n"
            "from athwart.formats import gpx_write\n"
            "w = Contents(waypoints=make_waypoints(int(sys.argv[2])))",
            f"write(sys.argv[1], w, overwrite=True, options=WriteOptions(clean={clean}))",
            path,
            n,
            limit_mb=400,
        )


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows."""
    with scratch() as name:
        yield from tracks(Path(name), quick)
        yield from waypoints(Path(name), quick)


if __name__ == "__main__":
    alone(measure)
