"""The weight of a pair: how much better "r is k" explains what is seen than "r is new".

The formula, its letters and where its figures come from stand in `athwart.book.returned`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from athwart.book.returned_names import Names
from athwart.book.returned_places import Boxes, WithinReach
from athwart.book.returned_tables import (
    FITTING,
    WHOLE,
    Fit,
    FloatArray,
    IntArray,
    Pairs,
    WeighedPairs,
    starting_with,
)

__all__ = ["SWAPPED", "Weights", "weights_of"]

SWAPPED = 0.02
"""Of names that a person changed: those that are now the name of a neighbour."""

_KEPT, _LEFT_OUT = 0.8, 0.2
_STOOD, _MOVED = 0.95, 0.05
_SAME_NAME, _NEW_NAME = 0.96, 0.04
_MOVE_M, _BESIDE_M, _ANYWHERE_M2 = 100.0, 10.0, 1e6
_TWICE_TYPED, _TWICE_AUTOMATIC, _TWICE_SHARED, _FEWEST = 0.001, 0.1, 0.05, 20
_APPENDED_TYPED, _APPENDED_AUTOMATIC = 250.0, 5.0


@dataclass(frozen=True, eq=False)
class Weights:
    """What is weighed in one file.

    Parameters
    ----------
    names : Names
        The names, and what was learnt of them.
    nearest_m : numpy.ndarray, shape (n,)
        From each waypoint to the nearest place of a mark, metres.
    turnout : float
        Logarithm of the odds that a waypoint lies in the place of a mark, at most 0.
    appended : float
        Of waypoints in place and name: share of those with a number appended.
    """

    names: Names
    nearest_m: FloatArray
    turnout: float
    appended: float

    def stood(self, pairs: Pairs, boxes: Boxes) -> WeighedPairs:
        """Weigh pairs in one place, as marks that stood still."""
        return self._weighed(pairs, _STOOD * boxes.density * boxes.by_rule)

    def moved(self, near: WithinReach) -> WeighedPairs:
        """Weigh pairs within reach whose names fit, as marks that a person moved."""
        fit = self.names.fit(near.r, near.v)
        ok = np.isin(fit, FITTING)
        pairs = Pairs(near.r[ok], near.v[ok], fit[ok])
        return self._weighed(pairs, _MOVED * _about(near.distance_m[ok], _MOVE_M))

    def _weighed(self, pairs: Pairs, density: FloatArray) -> WeighedPairs:
        """Weigh pairs by the density of their places if they are one, f."""
        new = 0.5 * _about(self.nearest_m[pairs.r], _BESIDE_M) + 0.5 / _ANYWHERE_M2
        of_names = self._of_names(pairs)
        weight = np.log(_KEPT / _LEFT_OUT) + np.log(density / new) + of_names + self.turnout
        return WeighedPairs(pairs.r, pairs.v, pairs.fit, weight, of_names)

    def _of_names(self, pairs: Pairs) -> FloatArray:
        """Return log(p / q)."""
        f, v, told = self.names.file, self.names.versions, self.names.predicted
        marks = max(len(v.ids), _FEWEST)
        mine, text = f.text[pairs.r], v.text[pairs.v]
        distinct, at = np.unique(f.key[mine], return_inverse=True)
        alike = np.maximum(starting_with(v.sorted_keys, distinct)[1][at], 1)
        own = v.same_key[text]
        twice = np.where(v.automatic[text], _TWICE_AUTOMATIC, _TWICE_TYPED)
        q = twice * np.where(pairs.fit == Fit.CUT, alike, 1)
        exact = pairs.fit == Fit.EXACT
        same = told.alike[f.shown_as[mine]]
        q = np.where(exact, twice * same, q)
        own = np.where(exact, np.minimum(own, same), own)
        q = np.maximum(q, np.where(own > 1, _TWICE_SHARED * own, 0)) / marks
        out = np.log(_SAME_NAME / np.minimum(q, 1.0))
        odds = np.where(v.automatic[text], _APPENDED_AUTOMATIC, _APPENDED_TYPED) * self.appended
        out = np.where(pairs.fit == Fit.APPENDED, np.log(np.maximum(odds, _NEW_NAME)), out)
        if told.trusted:
            numbered = pairs.fit == Fit.NUMBERED
            q_numbered = np.minimum(twice * alike / marks, 1.0)
            out[numbered] = np.log(told.share_numbered / q_numbered[numbered])
            out[~exact & ~numbered] += np.log(told.share_unexplained)
        out[pairs.fit == Fit.BLANK] = 0.0
        out[pairs.fit == Fit.OTHER] = np.log(_NEW_NAME)
        return np.asarray(out)


def weights_of(names: Names, pairs: Pairs) -> Weights | None:
    """Return how pairs of a file are weighed; None if it looks like no return.

    Parameters
    ----------
    names : Names
        The names, and what was learnt of them.
    pairs : Pairs
        All pairs in one place.
    """
    n = len(names.file.lon)
    there = len(np.unique(pairs.r))
    sure = _waypoints_that(pairs, FITTING)
    many_there = there >= max(3, n / 5) or 2 * there >= n
    if not there or not (sure or many_there):
        return None
    hits = there if many_there else sure
    numbered = sure - _waypoints_that(pairs, WHOLE)
    return Weights(
        names=names,
        nearest_m=np.asarray(names.versions.tree.query(names.file.xyz)[0], dtype=np.float64),
        turnout=float(np.clip(np.log((hits + 1.0) / (n - hits + 1.0)), -6.0, 0.0)),
        appended=float(np.clip((numbered + 0.05) / (sure + 1.0), 1e-4, 0.9)),
    )


def _waypoints_that(pairs: Pairs, fits: tuple[Fit, ...]) -> int:
    r: IntArray = pairs.r[np.isin(pairs.fit, fits)]
    return len(np.unique(r))


def _about(distance_m: FloatArray, scale_m: float) -> FloatArray:
    """Density about a point, per square metre; half of it lies within the scale."""
    return np.asarray(scale_m**2 / (np.pi * (scale_m**2 + distance_m**2) ** 2))
