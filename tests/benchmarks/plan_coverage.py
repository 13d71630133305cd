"""Time the coverage of 50 km of track with 10,000 fixes, and hold its area to a raster at 0.5 m.

Run by hand: ``python tests/benchmarks/plan_coverage.py [FIXES]``; `measure` gives the times alone. The peer, in the same run, is one
`shapely.union_all` of the bare quadrilaterals between fixes, which gives no second pass, no nadir
strip and no holes. The raster shares neither code nor idea with the overlay (see
tests/plan/seen_by_raster.py); it takes a few minutes.
"""

import platform
import sys
import time
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "plan"))
from pairing import paired
from seen_by_raster import counts
from tracks_made import track, wandering

from athwart.geometry.plane import LocalPlane
from athwart.plan.coverage import coverage
from athwart.plan.passes import passes_of

RANGE_M = 50.0


def once(call):
    """Return what a call gives, how long it took and the processor's share of that, seconds."""
    start, cpu = time.perf_counter(), time.process_time()
    result = call()
    return result, time.perf_counter() - start, time.process_time() - cpu


def lanes(n, *, step=5.0, long=2000.0, gap=45.0, seed=3):
    """Return x, y and heading of lanes up and down with jitter, time for a turn between them."""
    rng = np.random.default_rng(seed)
    each = round(long / step)
    i = np.arange(n)
    lane, k = i // each, i % each
    x = np.where(lane % 2 == 0, k, each - 1 - k) * step + rng.normal(0, 0.3, n)
    y = lane * gap + rng.normal(0, 0.3, n)
    heading = np.where(lane % 2 == 0, 90.0, 270.0) + rng.normal(0, 2.0, n)
    time_ = np.cumsum(np.where(k == 0, 60.0, step / 2.0))
    turn = np.radians(17.0)
    return (
        x * np.cos(turn) + y * np.sin(turn),
        y * np.cos(turn) - x * np.sin(turn),
        heading + 17.0,
        time_,
    )


def bare(passes):
    """Return the union of the quadrilaterals between points, both sides together."""
    angle = np.radians(passes.heading_deg)
    right = np.stack([np.cos(angle), -np.sin(angle)], axis=1)
    at = np.stack([passes.x_m, passes.y_m], axis=1)
    same = np.diff(passes.number) == 0
    parts = []
    for side in (-1, 1):
        near, far = (at + side * d[:, None] * right for d in (passes.near_m, passes.far_m))
        quads = np.stack([near[:-1], far[:-1], far[1:], near[1:]], axis=1)[same]
        shapes = shapely.polygons(quads)
        broken = ~shapely.is_valid(shapes)
        shapes[broken] = shapely.make_valid(shapes[broken])
        parts.append(shapes)
    return shapely.union_all(np.concatenate(parts))


def measure(quick: bool = False):
    """Give the rows of the table of all benchmarks."""
    n = 1_000 if quick else 10_000
    plane = LocalPlane(12.0, 55.0)
    x, y, heading, at = lanes(n)
    wx, wy, wheading = wandering(n, size=3000.0)
    for name, made in (
        ("lanes", track(x, y, time=at)),
        ("lanes, a noisy compass", track(x, y, heading=heading, time=at)),
        ("a boat that wanders", track(wx, wy, heading=wheading)),
    ):
        passes = passes_of(made, range_m=RANGE_M, plane=plane)
        yield paired(
            lambda made=made: coverage(
                passes_of(made, range_m=RANGE_M, plane=plane), cautious=False
            ),
            lambda passes=passes: bare(passes),
            3,
            warm=False,
        ).row(f"coverage of {n:,} fixes, {name}", "one union")


def main() -> None:
    """Print the table."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    print(f"{platform.machine()}, Python {platform.python_version()}, {n} fixes, 5 m apart")
    plane = LocalPlane(12.0, 55.0)
    x, y, heading, at = lanes(n)
    wx, wy, wheading = wandering(n, size=3000.0)
    scenes = {
        "lanes, course for heading": track(x, y, time=at),
        "lanes, compass with 2 degrees of noise": track(x, y, heading=heading, time=at),
        "a boat that wanders": track(wx, wy, heading=wheading),
    }
    for name, made in scenes.items():
        passes, t0, c0 = once(lambda made=made: passes_of(made, range_m=RANGE_M, plane=plane))
        _, t1, c1 = once(lambda passes=passes: coverage(passes))
        wide, t2, c2 = once(lambda passes=passes: coverage(passes, cautious=False))
        _, _, peer = once(lambda passes=passes: bare(passes))
        print(f"{name}: {passes.length_m / 1000:.1f} km in {len(passes)} passes")
        print(f"  swath {t0:.2f} s, coverage {t1:.2f} s cautious, {t2:.2f} s full width (wall)")
        print(
            f"  processor: {c0 + c1:.2f} s cautious, {c0 + c2:.2f} s full width; "
            f"{(c0 + c2) / peer:.2f} x one bare union of the quadrilaterals ({peer:.2f} s)"
        )
        seen, _, _ = counts(
            passes.x_m, passes.y_m, passes.heading_deg, passes.near_m, passes.far_m, passes.number,
            cell_m=0.5, bounds=wide.seen.buffer(2).bounds,
        )  # fmt: skip
        for word, ours, cells in (
            ("seen", wide.seen.area, (seen > 0).sum()),
            ("seen twice", wide.twice.area, (seen > 1).sum()),
        ):
            raster = 0.25 * int(cells)
            print(
                f"  {word}: {ours:.0f} m2, raster at 0.5 m {raster:.0f} m2, "
                f"{100 * (ours / raster - 1):+.4f} %"
            )


if __name__ == "__main__":
    main()
