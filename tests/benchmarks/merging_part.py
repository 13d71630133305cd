"""Merging 1,000 new sightings with what lies about them, against merging all; run by hand.

    python tests/benchmarks/merging_part.py [--profile] [SIGHTINGS]

Both in the same process, the best of seven and of three, without any store: the part is picked
beforehand. ``strewn``: the new sightings are of trips that are known, anywhere over the water;
``a new trip``: they are one new trip over a patch of it.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from merging import best_of, plane_world

sys.path.insert(0, str(Path(__file__).parents[1] / "merge"))
from nearby import about, closed

from athwart.merge import merge

NEW = 1_000


def main() -> None:
    """Print a line for each density and way of being new."""
    sizes = [int(float(a)) for a in sys.argv[1:] if not a.startswith("-")] or [100_000]
    for n in sizes:
        for density in (20, 400):
            s, x = plane_world(n, density, seed=1)
            rng = np.random.default_rng(2)
            strewn = np.zeros(n, dtype=bool)
            strewn[rng.choice(n, NEW, replace=False)] = True
            middle = np.argsort(np.hypot(x[:, 0], x[:, 1]))[: 4 * NEW]
            patch = np.zeros(n, dtype=bool)
            patch[rng.choice(middle, NEW, replace=False)] = True
            for what, new in (("strewn", strewn), ("a new trip", patch)):
                given = s
                if what == "a new trip":
                    given = s.with_columns(trip=np.where(new, "trip new", s.trip))
                known = merge(given.take(~new)).sittings
                near = closed(given, new)
                part = given.take(near | about(given, new) if what == "a new trip" else near)
                whole = best_of(lambda g=given: merge(g))
                small = best_of(lambda p=part, k=known: merge(p, known=k), 7)
                print(
                    f"{n:9d} sightings, {density:3d} targets/km2, {what:>10}: {len(part):6d} rows "
                    f"{small * 1e3:6.1f} ms, all {whole * 1e3:7.1f} ms = 1 / {whole / small:.1f}",
                    flush=True,
                )
                if "--profile" in sys.argv:
                    import cProfile
                    import pstats

                    with cProfile.Profile() as profile:
                        for _ in range(10):
                            merge(part, known=known)
                    pstats.Stats(profile).sort_stats("tottime").print_stats(30)


if __name__ == "__main__":
    main()
