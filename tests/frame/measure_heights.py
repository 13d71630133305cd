"""Heights from shadows on made frames, against the truth; run by hand.

    python tests/frame/measure_heights.py [FIRST_SEED [HOW_MANY]]

Each seed makes one frame of every scene (20) with seeds of its own, points at all things and drags
over their shadows with 2 pixels of error at each end, slope not told, track with its errors. Prints,
for even ground and for banks and walls apart, by how many pixels the shadow spans: how many heights lie
within 15 % of the truth and how many within one and two claimed standard errors, with the ends found in
the picture and with the ends as they were drawn. "perfect" are the true ends of the shadows and the
true water under the boat in H = h L / (r_s + L).
"""

from __future__ import annotations

import sys

import numpy as np
import picking
import simulated

from athwart.frame.layout import Layout

WITHIN = 0.15
SPANS = ((8, 15), (15, 30), (30, np.inf), (8, np.inf))
STEP = len(simulated.SCENES)


def perfect(looked):
    """Return the heights of true ends and true water, a row a target."""
    return looked.altitude_m * (1 - looked.true_part)


def measure(first, many):
    """Return one row a height: uneven ground, span, height found, its sigma, drawn, its, perfect."""
    rows = []
    for seed in range(first, first + many):
        for k, (name, options) in enumerate(simulated.SCENES.items()):
            frame = simulated.scene(seed * STEP + k, **options)
            bottom = picking.bottom_of(frame, Layout.from_toml(frame.layout_toml))
            found, drawn = (
                picking.look(frame, bottom, seed=[seed, k], seek=seek, skip_bad=True)
                for seek in (True, False)
            )
            true = found.true_height_m
            rows += [
                np.column_stack([
                    np.full(true.size, name.startswith(("bank", "wall"))),
                    found.shadow_px,
                    found.height_m / true,
                    found.height_sigma_m / true,
                    drawn.height_m / true,
                    drawn.height_sigma_m / true,
                    perfect(found) / true,
                    found.found,
                ])[np.isfinite(found.height_m)]
            ]  # fmt: skip
        print(f"seed {seed}: {sum(map(len, rows))} heights", file=sys.stderr)
    return np.concatenate(rows)


def report(rows):
    """Print the table."""
    print("ground     span px    n  ends      in 15 %  1 sigma  2 sigma   median")
    for uneven, ground in ((0, "even"), (1, "bank, wall")):
        for low, high in SPANS:
            own = rows[(rows[:, 0] == uneven) & (rows[:, 1] >= low) & (rows[:, 1] < high)]
            if not len(own):
                continue
            span = f"{low:g}-{high:g}" if np.isfinite(high) else f"{low:g}+"
            for k, ends in ((2, "found"), (4, "drawn"), (6, "perfect")):
                off = own[:, k] - 1
                line = f"{ground:10} {span:>7} {len(own):4}  {ends:8}"
                line += f" {100 * np.mean(np.abs(off) < WITHIN):7.1f} %"
                if ends != "perfect":
                    for sigmas in (1, 2):
                        inside = np.abs(off) < sigmas * own[:, k + 1]
                        line += f" {100 * inside.mean():6.1f} %"
                else:
                    line += " " * 18
                print(f"{line} {100 * np.median(off):+7.1f} %")
    print(f"ends found in the picture: {100 * rows[:, 7].mean():.0f} %")


if __name__ == "__main__":
    given = [int(v) for v in sys.argv[1:3]]
    first, many = [*given, *(0, 2)[len(given) :]]
    report(measure(first, many))
