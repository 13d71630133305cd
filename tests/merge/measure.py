"""Measure merging on invented waters; run by hand: ``python tests/merge/measure.py [SEEDS]``.

Prints pairwise F1 as a share of the oracle's beside the best fixed radius, chosen with hindsight
for each world among all radii and three ways of linking, and how often R95 holds the truth.
"""

from __future__ import annotations

import sys

import numpy as np
from worlds import ERRORS, GEOD, best_fixed_radius, make_world, oracle, pairwise_f1

from athwart.merge import merge


def main() -> None:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    print("errors density  share  worst | single complete average (mean) | worlds above each | R95")
    for errors, axes in ERRORS.items():
        for density in (5, 20, 100):
            rows, inside, total = [], 0, 0
            for seed in range(seeds):
                w = make_world(seed, density=density, targets=400, errors=axes)
                m = merge(w.sightings)
                at = dict(zip(m.sightings.sighting_id, m.mark_of, strict=True))
                label = np.array([at[i] for i in w.sightings.sighting_id])
                best = pairwise_f1(oracle(w), w.target)
                radii = [best_fixed_radius(w, (k,))[0] for k in ("single", "complete", "average")]
                rows.append([pairwise_f1(label, w.target) / best, *(r / best for r in radii)])
                low, high = np.full(len(m.marks), 10**9), np.full(len(m.marks), -1)
                np.minimum.at(low, label, w.target)
                np.maximum.at(high, label, w.target)
                one = np.flatnonzero(low == high)
                miss = GEOD.inv(
                    m.marks.lon[one],
                    m.marks.lat[one],
                    w.target_lon[low[one]],
                    w.target_lat[low[one]],
                )[2]
                inside, total = inside + (miss <= m.marks.r95_m[one]).sum(), total + len(one)
            r = np.array(rows)
            above = (r[:, :1] > r[:, 1:]).sum(axis=0)
            print(
                f"{errors:>6} {density:7d}  {r[:, 0].mean():.4f} {r[:, 0].min():.4f} | "
                + " ".join(f"{v:.4f}" for v in r[:, 1:].mean(axis=0))
                + f" | {' '.join(f'{v}/{seeds}' for v in above)} | {inside / total:.3f}"
            )


if __name__ == "__main__":
    main()
