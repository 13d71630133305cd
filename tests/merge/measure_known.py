"""Measure a new trip laid against known ones, against a merge of all from nothing; run by hand.

    python tests/merge/measure_known.py [WORLDS]

For each density and errors: the share of the marks that hold a sighting of the new trip which
come out with the same sightings; the same of all marks, an old mark that the merge of a part does
not touch counted as it was before; and how far the two places of the new trip lie apart, metres
(worst axis, after taking off what all trips of the group moved by).
"""

from __future__ import annotations

import sys

import numpy as np
from nearby import about, closed, marks_of
from worlds import ERRORS, make_world

from athwart.merge import merge


def agreement(world, new_trip="trip 0"):
    """Return same and all marks with the new trip, same and all marks, and the places' distance."""
    s = world.sightings
    new = s.trip == new_trip
    old = merge(s.take(~new))
    whole = merge(s)
    near = closed(s, new)
    part = merge(s.take(near | about(s, new)), known=old.sittings)
    wanted, found = (set(marks_of(m, s.sighting_id[new])) for m in (whole, part))
    everything = set(marks_of(whole, s.sighting_id))
    book = set(marks_of(part, s.sighting_id[near]))
    book |= set(marks_of(old, s.sighting_id[~near]))
    now = {k.trip: k for k in whole.sittings}
    then = {k.trip: k for k in part.sittings}
    both = [t for t in now if now[t].group and t in then and then[t].group]
    apart = np.nan
    if new_trip in both and len(both) > 1:
        moved = np.array(
            [
                (now[t].east_m - then[t].east_m, now[t].north_m - then[t].north_m)
                for t in both
                if t != new_trip
            ]
        ).mean(axis=0)
        a, b = now[new_trip], then[new_trip]
        apart = np.abs(np.array([a.east_m - b.east_m, a.north_m - b.north_m]) - moved).max()
    return len(wanted & found), len(wanted), len(everything & book), len(everything), apart


def main() -> None:
    """Print the table."""
    worlds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    print("errors density  marks with the new trip  all marks  places apart (mean, worst)")
    for errors, axes in ERRORS.items():
        for density in (20, 100):
            r = np.array(
                [
                    agreement(
                        make_world(
                            seed, density=density, targets=400, errors=axes, trips=3 + seed % 4
                        )
                    )
                    for seed in range(worlds)
                ]
            )
            total = r[:, :4].sum(axis=0)
            worst = (r[:, 2] / r[:, 3]).min()
            print(
                f"{errors:>6} {density:7d}  {total[0] / total[1]:.4f}  {total[2] / total[3]:.4f} "
                f"(worst world {worst:.4f})  {np.nanmean(r[:, 4]):.2f} {np.nanmax(r[:, 4]):.2f} "
                f"({int(np.isfinite(r[:, 4]).sum())} worlds)"
            )


if __name__ == "__main__":
    main()
