"""Shortest ways from one place and heading to another for a boat that turns no tighter than a radius.

Such a way is made of at most three parts, each straight or an arc of that radius: turn, straight,
turn; or turn, turn the other way, turn (Dubins 1957, "On curves of minimal length with a constraint
on average curvature"; the closed forms as in Shkel and Lumelsky 2001, "Classification of the Dubins
set"; both from memory). The six are worked out for all pairs at once and the shortest is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError

__all__ = ["Turns", "shortest_turns"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_WORDS = ("PSP", "TST", "PST", "TSP", "TPT", "PTP")
"""P a turn to port, T one to starboard, S straight."""
_HAND = {"P": 1.0, "S": 0.0, "T": -1.0}
_TWO_PI = 2.0 * math.pi
_STEP_DEG = 15.0


@dataclass(frozen=True, slots=True, eq=False)
class Turns:
    """Shortest ways, one a pair of places.

    Parameters
    ----------
    x_m, y_m, heading_deg : numpy.ndarray
        Where each begins; headings clockwise from the y axis.
    radius_m : float
        Radius of every arc.
    word : numpy.ndarray of int
        Which of the six.
    parts : numpy.ndarray, shape (n, 3)
        Lengths of its parts, in radii.
    """

    x_m: FloatArray
    y_m: FloatArray
    heading_deg: FloatArray
    radius_m: float
    word: IntArray
    parts: FloatArray

    @property
    def length_m(self) -> FloatArray:
        """Return the length of each, metres."""
        return np.asarray(self.radius_m * self.parts.sum(axis=1))

    def points(self) -> FloatArray:
        """Return points along each, shape (n, k, 2), metres.

        Parts are cut into equal steps, so that no arc turns by more than 15 degrees in one.
        """
        hands = np.array([[_HAND[c] for c in w] for w in _WORDS])[self.word]
        x, y = self.x_m, self.y_m
        angle = np.radians(90.0 - self.heading_deg)
        out = [np.stack([x, y], axis=-1)]
        for k in range(3):
            hand, part = hands[:, k], np.nan_to_num(self.parts[:, k])
            arcs = part[hand != 0]
            steps = max(int(np.ceil(np.degrees(arcs.max(initial=0.0)) / _STEP_DEG)), 1)
            for done in np.arange(1, steps + 1) / steps:
                turned = angle + hand * part * done
                straight = hand == 0
                dx = np.where(
                    straight, part * done * np.cos(angle), hand * (np.sin(turned) - np.sin(angle))
                )
                dy = np.where(
                    straight, part * done * np.sin(angle), hand * (np.cos(angle) - np.cos(turned))
                )
                out.append(np.stack([x + self.radius_m * dx, y + self.radius_m * dy], axis=-1))
            x, y = out[-1][:, 0], out[-1][:, 1]
            angle = angle + hand * part
        return np.stack(out, axis=1)


def shortest_turns(
    start_x_m: ArrayLike,
    start_y_m: ArrayLike,
    start_heading_deg: ArrayLike,
    end_x_m: ArrayLike,
    end_y_m: ArrayLike,
    end_heading_deg: ArrayLike,
    radius_m: float,
    *,
    rank: int = 0,
) -> Turns:
    """Return the shortest ways between places with headings.

    Parameters
    ----------
    start_x_m, start_y_m, end_x_m, end_y_m : array_like, shape (n,)
        Metres in a plane.
    start_heading_deg, end_heading_deg : array_like, shape (n,)
        Clockwise from the y axis.
    radius_m : float
        Tightest turn, more than 0.
    rank : int
        0 for the shortest, 1 for the next of the six shapes, and so on to 5; lengths are NaN where
        there are not so many.

    Raises
    ------
    DataError
        The radius is not more than 0.

    Examples
    --------
    Round to the opposite course, two radii to starboard: half a circle.

    >>> round(float(shortest_turns(0.0, 0.0, 0.0, 20.0, 0.0, 180.0, 10.0).length_m[0]), 4)
    31.4159
    """
    if not (math.isfinite(radius_m) and radius_m > 0):
        raise DataError(f"the turn radius is {radius_m:g} m; allowed is more than 0")
    x0, y0, h0, x1, y1, h1 = (
        np.atleast_1d(a)
        for a in np.broadcast_arrays(
            *(
                np.asarray(v, np.float64)
                for v in (
                    start_x_m, start_y_m, start_heading_deg, end_x_m, end_y_m, end_heading_deg,
                )
            )
        )
    )  # fmt: skip
    dx, dy = (x1 - x0) / radius_m, (y1 - y0) / radius_m
    d, towards = np.hypot(dx, dy), np.arctan2(dy, dx)
    a = np.radians(90.0 - h0) - towards
    b = np.radians(90.0 - h1) - towards
    sa, sb, ca, cb = np.sin(a), np.sin(b), np.cos(a), np.cos(b)
    both = np.cos(a - b)

    def straight(square: FloatArray) -> FloatArray:
        # Two circles that touch may miss by rounding.
        return np.where(square > -1e-9, np.sqrt(np.maximum(square, 0.0)), np.nan)

    def between(cosine: FloatArray) -> FloatArray:
        inside = np.abs(cosine) <= 1.0 + 1e-9
        return np.where(inside, _TWO_PI - np.arccos(np.clip(cosine, -1.0, 1.0)), np.nan)

    ways = []
    to = np.arctan2(cb - ca, d + sa - sb)
    p = straight(2 + d * d - 2 * both + 2 * d * (sa - sb))
    ways.append((_turn(to - a), p, _turn(b - to)))
    to = np.arctan2(ca - cb, d - sa + sb)
    p = straight(2 + d * d - 2 * both + 2 * d * (sb - sa))
    ways.append((_turn(a - to), p, _turn(to - b)))
    p = straight(d * d - 2 + 2 * both + 2 * d * (sa + sb))
    to = np.arctan2(-ca - cb, d + sa + sb) - np.arctan2(-2.0, p)
    ways.append((_turn(to - a), p, _turn(to - b)))
    p = straight(d * d - 2 + 2 * both - 2 * d * (sa + sb))
    to = np.arctan2(ca + cb, d - sa - sb) - np.arctan2(2.0, p)
    ways.append((_turn(a - to), p, _turn(b - to)))
    p = between((6 - d * d + 2 * both + 2 * d * (sa - sb)) / 8)
    t = _turn(a - np.arctan2(ca - cb, d - sa + sb) + p / 2)
    ways.append((t, p, _turn(a - b - t + p)))
    p = between((6 - d * d + 2 * both + 2 * d * (sb - sa)) / 8)
    t = _turn(-a - np.arctan2(ca - cb, d + sa - sb) + p / 2)
    ways.append((t, p, _turn(b - a - t + p)))

    every = np.stack([np.stack(w, axis=-1) for w in ways])
    length = np.nan_to_num(every.sum(axis=-1), nan=np.inf)
    order = np.argsort(length, axis=0, kind="stable")
    word = order[min(rank, len(_WORDS) - 1)]
    return Turns(x0, y0, h0, radius_m, word, every[word, np.arange(len(d))])


def _turn(angle: FloatArray) -> FloatArray:
    """Return an angle from 0 to below a full circle; a full circle but for rounding is none."""
    turned = np.mod(angle, _TWO_PI)
    return np.where(turned > _TWO_PI - 1e-9, 0.0, turned)
