"""How good and how fast a day of 40 marks is: ``python tests/benchmarks/plan_day.py``.

Against an exact solver on 12 marks (Held and Karp 1962), and on 40 against the best that a long
search finds which shares nothing with the solver (random restarts with 2-opt and or-opt).
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "plan"))

from pairing import WALL, Row, shown, spent
from test_order import along, held_karp, lengths

from athwart.geometry.plane import LocalPlane
from athwart.plan.day import Pace
from athwart.plan.days_work import plan_day
from athwart.plan.order import shortest_order
from athwart.review.day_page import day_sheet
from days import LEAVE, marks_at, place_at

PLACE = (-21.3, -46.2)


def long_search(length: np.ndarray, seconds: float, seed: int) -> float:
    """Best round by restarts: 2-opt and or-opt until nothing helps, kicked by double bridges."""
    rng = np.random.default_rng(seed)
    n = len(length)

    def descend(tour: list[int]) -> list[int]:
        better = True
        while better:
            better = False
            for i in range(n - 1):
                a, b = tour[i], tour[i + 1]
                t = np.array([*tour, tour[0]])
                c, d = t[i + 2 : n], t[i + 3 : n + 1]
                if len(d) < len(c):
                    c = c[: len(d)]
                gain = length[a, b] + length[c, d] - length[a, c] - length[b, d]
                if len(gain) and gain.max() > 1e-9:
                    j = i + 2 + int(gain.argmax())
                    tour[i + 1 : j + 1] = tour[i + 1 : j + 1][::-1]
                    better = True
            for size in (1, 2, 3):
                for i in range(1, n - size):
                    piece, rest = tour[i : i + size], [*tour[:i], *tour[i + size :]]
                    r = np.array(rest)
                    s = np.roll(r, -1)
                    before, after = tour[i - 1], tour[(i + size) % n]
                    gone = (
                        length[before, piece[0]] + length[piece[-1], after] - length[before, after]
                    )
                    added = length[r, piece[0]] + length[piece[-1], s] - length[r, s]
                    k = int(added.argmin())
                    if gone - added[k] > 1e-9:
                        tour = [*rest[: k + 1], *piece, *rest[k + 1 :]]
                        better = True
        return tour

    best, shortest = [], np.inf
    until = time.perf_counter() + seconds
    while time.perf_counter() < until:
        if not best or rng.random() < 0.1:
            tour = descend(rng.permutation(n).tolist())
        else:
            i, j, k = sorted(rng.choice(np.arange(1, n), 3, replace=False))
            tour = descend([*best[:i], *best[j:k], *best[i:j], *best[k:]])
        total = along(length, [*tour, tour[0]])
        if total < shortest:
            best, shortest = tour, total
    return shortest


def islands():
    """Return a day's marks, where it begins, and the water: a ragged shore and 25 islets."""
    rng = np.random.default_rng(3)
    plane = LocalPlane(*PLACE)
    angle = np.linspace(0, 2 * np.pi, 3000, endpoint=False)
    radius = 9000 + sum(
        rng.normal(0, 600 / k**0.7) * np.sin(k * angle + rng.uniform(0, 6)) for k in range(1, 60)
    )
    sea = shapely.Polygon(np.stack([radius * np.sin(angle), radius * np.cos(angle)], 1)).buffer(0)
    islets = [
        shapely.Point(*rng.uniform(-5000, 5000, 2)).buffer(rng.uniform(100, 900)) for _ in range(25)
    ]
    water = sea.difference(shapely.union_all(islets))
    room = water.buffer(-30)
    points = [p for p in rng.uniform(-8000, 8000, (400, 2)) if room.contains(shapely.Point(p))][:41]
    return (
        marks_at(points[1:], PLACE),
        place_at(*points[0], place=PLACE),
        plane.shape_to_earth(water),
    )


def a_day(marks, start, water) -> str:
    """Plan it and make its sheet."""
    pace = Pace(speed_mps=2.5)
    return day_sheet(plan_day(marks, start, pace=pace, water=water, clear_m=20.0, depart=LEAVE))


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows of the table of all benchmarks; by the clock, which the solver stops by."""
    marks, start, water = islands()
    took = [spent(lambda: a_day(marks, start, water), WALL) for _ in range(1 if quick else 5)]
    yield Row("day of 40 marks among 25 islets, with its sheet", shown(statistics.median(took)))


def main() -> None:
    """Print ratios and times."""
    for seed in range(5):
        length = lengths(13, seed)
        ours = along(length, shortest_order(length, round_trip=True))
        print(f"12 marks, seed {seed}: {ours / held_karp(length):.5f} of the exact round")
    for seed in range(5):
        length = lengths(41, seed)
        started = time.perf_counter()
        ours = along(length, shortest_order(length, round_trip=True))
        took = time.perf_counter() - started
        print(
            f"40 marks, seed {seed}: {ours / long_search(length, 8.0, seed):.5f} of a search of 8 s, "
            f"in {took:.2f} s"
        )
    marks, start, water = islands()
    for _ in range(2):
        started = time.perf_counter()
        page = a_day(marks, start, water)
        took = time.perf_counter() - started
        print(
            f"a day of 40 marks among 25 islets, {shapely.get_num_coordinates(water)} points of "
            f"shore, page of {len(page) // 1000} kB: {took:.2f} s in all"
        )


if __name__ == "__main__":
    main()
