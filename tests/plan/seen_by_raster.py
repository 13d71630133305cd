"""Coverage by brute force: every cell of a raster asks every step of the boat whether it was abeam.

Shares no code and no idea with `athwart.plan.coverage`: no polygon, no union. A cell is seen during
a step where it comes abeam of the moving, turning boat (a root of its distance ahead, found by
bisection) at a ground range of the swath.
"""

from itertools import pairwise

import numpy as np


def counts(x, y, heading_deg, near, far, number, *, cell_m, bounds, sides=(-1, 1)):
    """Return how many passes saw each cell's centre, and the cell's centres in x and in y.

    ``number`` is the pass of each point; a step between two passes counts for none.
    """
    west, south, east, north = bounds
    xs = np.arange(west + cell_m / 2, east, cell_m)
    ys = np.arange(south + cell_m / 2, north, cell_m)
    total = np.zeros((len(ys), len(xs)), np.int16)
    for k in np.unique(number):
        seen = np.zeros(total.shape, bool)
        rows = np.flatnonzero(number == k)
        for i, j in pairwise(rows):
            reach = max(far[i], far[j]) + cell_m
            c0, c1 = np.searchsorted(xs, [min(x[i], x[j]) - reach, max(x[i], x[j]) + reach])
            r0, r1 = np.searchsorted(ys, [min(y[i], y[j]) - reach, max(y[i], y[j]) + reach])
            if c0 == c1 or r0 == r1:
                continue
            cx, cy = np.meshgrid(xs[c0:c1], ys[r0:r1])
            seen[r0:r1, c0:c1] |= _abeam(
                cx, cy, *((v[i], v[j]) for v in (x, y, heading_deg, near, far)), sides
            )
        total += seen
    return total, xs, ys


def _abeam(cx, cy, x, y, heading, near, far, sides):
    turn = (heading[1] - heading[0] + 180) % 360 - 180

    def ahead_and_starboard(t):
        angle = np.radians(heading[0] + t * turn)
        dx, dy = cx - x[0] - t * (x[1] - x[0]), cy - y[0] - t * (y[1] - y[0])
        return (
            dx * np.sin(angle) + dy * np.cos(angle),
            dx * np.cos(angle) - dy * np.sin(angle),
        )

    zero, one = np.zeros_like(cx), np.ones_like(cx)
    positive = ahead_and_starboard(zero)[0] > 0
    crosses = positive != (ahead_and_starboard(one)[0] > 0)
    out = np.zeros(cx.shape, bool)
    cx, cy, positive = cx[crosses], cy[crosses], positive[crosses]
    low, high = np.zeros_like(cx), np.ones_like(cx)
    for _ in range(14):
        middle = (low + high) / 2
        same = (ahead_and_starboard(middle)[0] > 0) == positive
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    t = (low + high) / 2
    starboard = ahead_and_starboard(t)[1]
    side_ok = np.isin(np.sign(starboard), sides)
    y0, y1 = near[0] + t * (near[1] - near[0]), far[0] + t * (far[1] - far[0])
    out[crosses] = side_ok & (np.abs(starboard) >= y0) & (np.abs(starboard) <= y1)
    return out
