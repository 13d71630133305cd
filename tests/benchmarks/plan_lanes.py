"""Time lanes over 10 km2, and hold their order to a solver that is given seconds.

Run by hand: ``python tests/benchmarks/plan_lanes.py``. The peer, in the same run, is
`athwart.plan.order.shortest_order` (the solver ``fast_tsp``) with 3 s on the same turns; both
lengths are those of turns and run-ins alone. What the lanes promise is checked by running them.
"""

import math
import platform
import statistics
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "plan"))
from pairing import Row, shown, spent
from test_lanes import run

import athwart.plan.lane_order as module
from athwart.geometry.plane import LocalPlane
from athwart.plan.coverage import coverage
from athwart.plan.lanes import lanes
from athwart.plan.order import shortest_order
from athwart.plan.passes import passes_of

PLANE = LocalPlane(12.0, 55.0)
BAY = shapely.Polygon([(0, 0), (4000, 300), (4200, 2300), (2000, 2900), (-300, 2500)])


def ragged(points=2000, seed=4):
    """Return a bay of about 10 km2 with a ragged shore."""
    rng = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
    size = 1800 + 250 * np.sin(3 * turn) + 120 * np.sin(11 * turn) + rng.normal(0, 6, points)
    return shapely.Polygon(np.stack([size * np.sin(turn), size * np.cos(turn)], axis=1))


def solved(way, count, seconds=3.0):
    """Return what turns and run-ins come to in the order that the solver finds."""
    finite = np.isfinite(way)
    long = 2.0 * float(way[finite].max())
    cost = np.full((2 * count + 1, 2 * count + 1), long)
    cost[:-1, :-1] = np.where(finite, way + long, 0.0)
    np.fill_diagonal(cost, 0.0)
    found = shortest_order(cost, start=2 * count, search_s=seconds)[1:]
    order = [(found[i], found[i + 1]) for i in range(0, 2 * count, 2)]
    if any(e // 2 != x // 2 for e, x in order):
        return math.nan
    return module._spare(way, order)


SCENES = {
    "a bay of 5 corners": (BAY, {}),
    "the same, turns of 60 m": (BAY, {"turn_radius_m": 60.0}),
    "a ragged shore of 2,000 corners": (ragged(), {}),
    "the same, with a closed middle": (
        ragged(),
        {"closed": PLANE.shape_to_earth(shapely.box(-300, -200, 400, 350))},
    ),
}


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows of the table of all benchmarks."""
    for name, (shape, options) in list(SCENES.items())[: 1 if quick else None]:
        area = PLANE.shape_to_earth(shape)
        took = [
            spent(lambda a=area, o=options: lanes(a, range_m=60.0, depth_m=8.0, speed_mps=2.0, **o))
            for _ in range(3)
        ]
        yield Row(f"lanes over 10 km2, {name}", shown(statistics.median(took)))


def main() -> None:
    """Print the table."""
    print(f"{platform.machine()}, Python {platform.python_version()}")
    kept = {}
    rounded = module._round

    def keep(way, count):
        order = rounded(way, count)
        kept["ours"] = module._spare(way, order), way, count
        return order

    module._round = keep
    for name, (shape, options) in SCENES.items():
        area = PLANE.shape_to_earth(shape)
        start, cpu = time.perf_counter(), time.process_time()
        plan = lanes(area, range_m=60.0, depth_m=8.0, speed_mps=2.0, **options)
        wall, cpu = time.perf_counter() - start, time.process_time() - cpu
        spare, way, count = kept["ours"]
        best = solved(way, count)
        passes = passes_of(run(plan, depth=8.0), range_m=60.0, plane=plan.plane)
        found = coverage(passes, area=plan.plane.shape_to_earth(plan.area))
        missed = plan.promised.difference(found.seen).area
        print(
            f"{name}: {plan.area.area / 1e6:.2f} km2, {count} lanes, {plan.length_m / 1000:.1f} km; "
            f"{wall:.2f} s (processor {cpu:.2f} s)"
        )
        print(
            f"  turns {spare:.0f} m, solver {best:.0f} m: {spare / best:.4f} x, the whole way "
            f"{(plan.length_m) / (plan.length_m - spare + best):.4f} x; "
            f"left out {100 * plan.left_out.area / plan.area.area:.2f} %, promised and missed "
            f"{100 * missed / plan.area.area:.3f} %"
        )


if __name__ == "__main__":
    main()
