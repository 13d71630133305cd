"""How long a run takes, beside shapely's own offset curve of the same bank.

``python tests/benchmarks/plan_runs.py [VERTICES]``: 20 km of ragged bank, invented and seeded. The
offset curve knows no turn radius and no distances; it is the peer because it is the least that any
parallel line costs. Prints seconds, the ratio, and whether what came out is valid, simple and as far
off as it was asked to be.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import numpy as np
import shapely
from pairing import Row, paired

from athwart.geometry.plane import LocalPlane
from athwart.plan.runs import run_along


def bank(vertices: int) -> shapely.LineString:
    """Return 20 km of bank: a random walk of 2 m a step across it."""
    rng = np.random.default_rng(1)
    across = np.cumsum(rng.normal(0.0, 2.0, vertices))
    across -= np.linspace(0.0, across[-1], vertices)
    along = np.linspace(-10_000.0, 10_000.0, vertices)
    return shapely.LineString(np.stack([along, across], axis=1))


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows of the table of all benchmarks."""
    vertices = 1_000 if quick else 5_000
    plane, flat = LocalPlane(12.0, 55.0), bank(vertices)
    line = plane.shape_to_earth(flat)
    for off, turn in ((18.0, 0.0), (18.0, 15.0), (60.0, 15.0)):
        yield paired(
            lambda off=off, turn=turn: run_along(line, off, "port", turn_radius_m=turn),
            lambda off=off: shapely.offset_curve(flat, off, quad_segs=32),
            3,
        ).row(f"run {off:g} m off {vertices:,} points, turn {turn:g} m", "offset curve")


def main(vertices: int) -> None:
    """Print a row a case."""
    plane = LocalPlane(12.0, 55.0)
    flat = bank(vertices)
    line = plane.shape_to_earth(flat)
    print(f"{vertices} vertices, {flat.length / 1000:.1f} km")
    print("off m  turn m  side       s    ratio  points  nearest  farthest  tightest  valid simple")
    for off, turn in ((18.0, 0.0), (18.0, 8.0), (18.0, 15.0), (60.0, 15.0), (18.0, 30.0)):
        for side, sign in (("port", 1.0), ("starboard", -1.0)):
            started = time.perf_counter()
            shapely.offset_curve(flat, sign * off, quad_segs=32)
            peer = time.perf_counter() - started
            started = time.perf_counter()
            run = run_along(line, off, side, turn_radius_m=turn)
            took = time.perf_counter() - started
            print(
                f"{off:5g} {turn:7g}  {side:9} {took:5.2f} {took / peer:7.2f} "
                f"{len(run.line.coords):7d} {run.nearest_m:8.2f} {run.farthest_m:9.2f} "
                f"{run.tightest_m:9.1f}  {run.line.is_valid!s:5} {run.line.is_simple}"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5_000)
