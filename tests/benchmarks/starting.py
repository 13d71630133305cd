"""How soon each command answers, against the bare imports that it cannot do without; run by hand.

    python tests/benchmarks/starting.py [--quick]

Processes in turn, the processor's seconds of each from its start to its end, its own imports and
work included. Help is held against `import click`, work on the sample data against the libraries
that such work needs.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path

from pairing import Row, alone, of_processes, scratch

from athwart.cli import COMMANDS

SAMPLES = Path(__file__).parents[2] / "sample_gpx"

FRAMES = "geopandas, scipy.spatial"
PLAIN = "numpy, pyproj"
SHAPES = "numpy, pyproj, shapely"

WORK = {
    "fix of one pick": (
        "fix --lat 55 --lon 12 --heading 40 --side port --slant-range 21m --depth 4m", PLAIN, 1.3,
    ),
    "merge of two small files": ("merge one.gpx two.gpx -o marks.gpx --overwrite", FRAMES, 1.3),
    "fix of a table on a track": (
        "fix sample_gpx/trip-1-picks.csv --track sample_gpx/trip-1-track.gpx"
        " --boat sample_gpx/tern.toml -o trip-1.gpx --overwrite", PLAIN, None,
    ),
    "info of one file": ("info sample_gpx/waypoints.gpx", PLAIN, None),
    "export of one file": (
        "export sample_gpx/waypoints.gpx -o plotter.gpx --clean --overwrite", PLAIN, None,
    ),
    "map of one file": ("map sample_gpx/waypoints.gpx -o map.html --overwrite", "folium", None),
    "book given a file it knows": ("book add season.gpkg sample_gpx/waypoints.gpx", PLAIN, None),
    "book's log": ("book log season.gpkg", PLAIN, None),
    "beam": ("beam --depth 10m --cone 20deg", "click", None),
    "sink": ('sink --count "9s 10m" --depth 14m --current 0.8kn', "numpy", None),
    "tide between two turns": (
        'tide --low "2031-05-04T03:27Z 0.7m" --high "2031-05-04T11:41Z 3.5m"'
        " --at 2031-05-04T07:00Z", PLAIN, None,
    ),
    "hold": (
        'hold Anvil sample_gpx/waypoints.gpx --cast 20m --set 040 --current 0.8kn'
        ' --count "12s 10m" --depth 9m', PLAIN, None,
    ),
    "run": ("run sample_gpx/bank.geojson --off 18m --side starboard --turn 12m", SHAPES, None),
    "lanes": ("lanes sample_gpx/area.geojson --range 60m --depth 15m", SHAPES, None),
    "coverage": (
        "coverage sample_gpx/trip-1-track.gpx --range 45m --depth 12m", SHAPES, None,
    ),
    "zones": (
        "zones sample_gpx/waypoints.gpx --zones sample_gpx/zones.geojson", SHAPES, None,
    ),
    "day": (
        'day sample_gpx/waypoints.gpx --start "46 11.98 S, 21 17.75 W"'
        " --depart 2025-06-01T10:30Z -o day.html --overwrite", SHAPES, None,
    ),
}  # fmt: skip


def small(path: Path, n: int, seed: int) -> None:
    """Write a few waypoints by hand."""
    points = "".join(
        f'<wpt lat="{44 + (k * 37 + seed) % 50 * 1e-4:.6f}" lon="{-31 + k * 1e-4:.6f}">'
        f"<name>heap {k}</name></wpt>"
        for k in range(n)
    )
    path.write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="b" '
        f'xmlns="http://www.topografix.com/GPX/1/1">{points}</gpx>'
    )


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows."""
    rounds = 3 if quick else 9
    with scratch() as name:
        folder = Path(name)
        (folder / "sample_gpx").symlink_to(SAMPLES, target_is_directory=True)
        small(folder / "one.gpx", 20, 1)
        small(folder / "two.gpx", 20, 3)

        def against(words: str, libraries: str, rounds: int = rounds):
            ours = ["-m", "athwart", *shlex.split(words)]
            return of_processes(ours, ["-c", f"import {libraries}"], rounds, folder)

        yield against("--help", "click", 3 * rounds).row("start: help", "import click", 1.5)
        for command in COMMANDS:
            yield against(f"{command} --help", "click").row(
                f"start: help of {command}", "import click"
            )
        against("book add season.gpkg sample_gpx/waypoints.gpx", PLAIN, 1)
        for what, (words, libraries, most) in WORK.items():
            pairs = against(words, libraries, rounds if most is None else 2 * rounds)
            yield pairs.row(f"start: {what}", f"import {libraries}", most)


if __name__ == "__main__":
    alone(measure)
