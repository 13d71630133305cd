"""Time GPX reading and writing against gpxpy and GDAL, in one run. Run by hand.

    python tests/benchmarks/gpx_reading.py [points]

Ours validates every point; ``plain`` files hold position, height and time (the common track),
``mixed`` ones also hdop and satellites, which take the careful way.
"""

import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import gpxpy
import gpxpy.gpx
import numpy as np
import pyogrio
from lxml import etree

from athwart.contents import Contents
from athwart.formats import WriteOptions, read, write
from athwart.tables import Waypoints

GPX_11 = "http://www.topografix.com/GPX/1/1"


def make(path, n, more=""):
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


def best(job, repeat=3):
    spent = []
    for _ in range(repeat):
        start = time.perf_counter()
        job()
        spent.append(time.perf_counter() - start)
    return min(spent)


def with_lxml(path):
    points = []
    tag = f"{{{GPX_11}}}trkpt"
    for _, element in etree.iterparse(path, tag=tag, resolve_entities=False, no_network=True):
        points.append((element.get("lat"), element.get("lon"), *(c.text for c in element)))
        element.clear()
        while element.getprevious() is not None:
            del element.getparent()[0]
    return points


def with_gpxpy(path):
    with path.open() as handle:
        return gpxpy.parse(handle)


def reading(folder, n):
    for name, more in (("plain", ""), ("mixed", "<sat>8</sat><hdop>0.9</hdop>")):
        path = folder / f"{name}.gpx"
        make(path, n, more)
        ours = best(lambda path=path: read(path))
        gdal = best(
            lambda path=path: pyogrio.read_dataframe(path, layer="track_points", use_arrow=False)
        )
        tree = best(lambda path=path: with_lxml(path), 2)
        slow = best(lambda path=path: with_gpxpy(path), 1)
        print(
            f"read {n} {name} track points: ours {ours:.2f} s, gpxpy {slow:.2f} s ({slow / ours:.1f} x), "
            f"GDAL through pyogrio {gdal:.2f} s ({gdal / ours:.1f} x), "
            f"lxml's events without any check {tree:.2f} s ({tree / ours:.1f} x)"
        )


def writing(folder, n):
    rng = np.random.default_rng(2)
    w = Waypoints.from_columns(
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
    path = folder / "w.gpx"

    def ours(clean):
        write(path, Contents(waypoints=w), overwrite=True, options=WriteOptions(clean=clean))

    def gpxpy_way():
        out = gpxpy.gpx.GPX()
        for i in range(n):
            point = gpxpy.gpx.GPXWaypoint(
                latitude=w.lat[i], longitude=w.lon[i], name=w.name[i], description=w.note[i],
                time=w.time[i].item(), type=w.kind[i],
            )  # fmt: skip
            out.waypoints.append(point)
        path.write_text(out.to_xml())

    frame = w.to_frame()[["name", "note", "time", "kind", "geometry"]]
    frame = frame.rename(columns={"note": "desc", "kind": "type"})

    def gdal():
        path.unlink(missing_ok=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pyogrio.write_dataframe(frame, path, driver="GPX", layer="waypoints", use_arrow=False)

    clean, full = best(lambda: ours(True)), best(lambda: ours(False))
    slow, other = best(gpxpy_way, 2), best(gdal)
    print(
        f"write {n} waypoints: ours clean {clean:.2f} s, full {full:.2f} s, "
        f"gpxpy {slow:.2f} s ({slow / clean:.1f} x), pyogrio {other:.2f} s ({other / clean:.1f} x)"
    )


MEASURE = """
import re, sys
from athwart.formats import gpx, read
def peak():  # of this process alone; ru_maxrss would hold that of its parent
    with open("/proc/self/status") as status:
        return int(re.search(r"VmHWM:\\s+(\\d+)", status.read())[1]) / 1e3
before = peak()
tracks = read(sys.argv[1]).tracks
table = sum(v.nbytes for v in tracks.to_columns().values()) / 1e6
print(f"peak {peak() - before:.0f} MB above {before:.0f} MB; the table itself is {table:.0f} MB")
"""


def memory(path):
    command = [sys.executable, "-c", MEASURE, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return f"{done.stdout.strip()}, the file {path.stat().st_size / 1e6:.0f} MB"


def main():
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind, more in (("plain", ""), ("careful", "<link href='x'/>")):
            path = folder / "memory.gpx"
            make(path, 5 * n, more)
            print(f"memory for {5 * n} {kind} track points: {memory(path)}")
        reading(folder, n)
        writing(folder, n // 2)


if __name__ == "__main__":
    main()
