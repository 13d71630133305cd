"""Returned waypoints and versions that may be one by their places.

A mark that stood still came back within one step of where it was written: a step if coordinates
are cut off, half a step if rounded. Which of the two is read from pairs whose names agree, and the
density of places where such a mark is found follows from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from athwart.book.grid import Grid, cell_m, off_in_steps
from athwart.book.returned_tables import (
    WHOLE,
    BoolArray,
    FitArray,
    FloatArray,
    IntArray,
    ReturnedFile,
    Versions,
    runs,
    starting_with,
)
from athwart.errors import DataError

__all__ = ["Boxes", "InPlace", "WithinReach", "boxes_of", "pairs_in_place", "pairs_within_reach"]

_SAME_PLACE_M, _SLACK = 0.02, 1e-3
_SECURE, _RULE_SHARE, _STRAY = 5, 0.9, 1e-3
_DEGREE_M = 111_694.0  # the longest degree of latitude, at the poles
_NEAREST, _ALIKE = 32, 16
_MOST_PAIRS = 20_000_000
_AT_ONCE = 20_000


@dataclass(frozen=True, eq=False)
class InPlace:
    """Pairs within one step of each other.

    Attributes
    ----------
    r, v : numpy.ndarray of int64, shape (n,)
        Waypoint and version.
    east, north : numpy.ndarray, shape (n,)
        How many steps the waypoint lies east and north of the version.
    east_m, north_m : numpy.ndarray, shape (n,)
        How far that is, metres, never below 0.
    cell_east_m : numpy.ndarray, shape (n,)
        How long a step is towards east there, metres.
    cell_north_m : float
        And towards north.
    """

    r: IntArray
    v: IntArray
    east: FloatArray
    north: FloatArray
    east_m: FloatArray
    north_m: FloatArray
    cell_east_m: FloatArray
    cell_north_m: float


@dataclass(frozen=True, eq=False)
class Boxes:
    """Where marks that stood still are found.

    Attributes
    ----------
    density : numpy.ndarray, shape (n,)
        Of the place of each pair, per square metre.
    by_rule : numpy.ndarray, shape (n,)
        Share of marks that lie as the pair does: 1, or less where it breaks the file's rule.
    rule : str
        How coordinates were made fewer, in words; empty if that is not known.
    """

    density: FloatArray
    by_rule: FloatArray
    rule: str


@dataclass(frozen=True, eq=False)
class WithinReach:
    """Pairs that may be one if a person moved the mark, and how far, metres."""

    r: IntArray
    v: IntArray
    distance_m: FloatArray


def pairs_in_place(file: ReturnedFile, versions: Versions, grid: Grid) -> InPlace:
    """Return the pairs within one step of each other, sorted by waypoint and version.

    Raises
    ------
    DataError
        There are too many to be compared.
    """
    from scipy.spatial import cKDTree

    f, v = file, versions
    step_m = _DEGREE_M / grid.per_degree if grid.per_degree else 0.0
    radius = 1.001 * np.hypot(max(step_m, grid.floor_m), max(step_m, grid.floor_m))
    tree = cKDTree(f.xyz, balanced_tree=False)
    if tree.count_neighbors(v.tree, radius) > _MOST_PAIRS:
        raise DataError(
            "so many waypoints and marks lie at one place that they cannot be compared; "
            "split the file or leave out its copies"
        )
    found = tree.sparse_distance_matrix(v.tree, radius, output_type="ndarray")
    r, w = found["i"].astype(np.int64), found["j"].astype(np.int64)
    at = np.lexsort((w, r))
    r, w = r[at], w[at]
    east, north = off_in_steps(grid, f.lon[r], f.lat[r], v.lon[w], v.lat[w])
    cell_e, cell_n = cell_m(grid, f.lat)
    east_m, north_m = np.abs(east) * cell_e[r], np.abs(north) * cell_n
    reach = (1.0 + _slack_of(grid)) if grid.per_degree else 0.0
    ok = ((np.abs(east) <= reach) | (east_m <= grid.floor_m)) & (
        (np.abs(north) <= reach) | (north_m <= grid.floor_m)
    )
    r = r[ok]
    return InPlace(r, w[ok], east[ok], north[ok], east_m[ok], north_m[ok], cell_e[r], cell_n)


def _slack_of(grid: Grid) -> float:
    return 1e-9 * grid.steps + 1e-6


def boxes_of(grid: Grid, versions: Versions, near: InPlace, fit: FitArray) -> Boxes:
    """Read the file's rule of rounding, and say how likely a mark is found in each place.

    Parameters
    ----------
    grid : Grid
        Of the file.
    versions : Versions
        All that was handed over.
    near : InPlace
        Pairs within one step.
    fit : numpy.ndarray of int8
        How the names of each of them fit.
    """
    all_keep_it = np.ones(len(near.r))
    if not grid.per_degree or near.cell_north_m <= grid.floor_m:
        return Boxes(_density(grid, near, False, False), all_keep_it, "")
    secure = _secure(near, fit)
    east, breaks_east = _rule_of(
        near.east, near.east_m, np.sign(versions.lon[near.v]), secure, _slack_of(grid)
    )
    north, breaks_north = _rule_of(
        near.north, near.north_m, np.sign(versions.lat[near.v]), secure, _slack_of(grid)
    )
    density = _density(grid, near, bool(east), bool(north))
    if not east and not north:
        return Boxes(density, all_keep_it, "")
    strays = breaks_east | breaks_north
    share = max((int(strays[secure].sum()) + 0.5) / (int(secure.sum()) + 1.0), _STRAY)
    return Boxes(density, np.where(strays, share, 1.0), north)


def _secure(near: InPlace, fit: FitArray) -> BoolArray:
    """Say which pairs are of one name, and neither of them so with any other."""
    agree = np.isin(fit, WHOLE)
    secure = agree.copy()
    for column in (near.r, near.v):
        secure &= np.bincount(column[agree], minlength=int(column.max(initial=0)) + 1)[column] == 1
    return secure


def _rule_of(
    steps: FloatArray, metres: FloatArray, sign: FloatArray, secure: BoolArray, slack: float
) -> tuple[str, BoolArray]:
    """Return how one coordinate was made shorter, if it is known, and which pairs break that."""
    if int(secure.sum()) < _SECURE:
        return "", np.zeros(len(steps), dtype=bool)
    rules = {
        "rounded": np.abs(steps) <= 0.5 + slack,
        "cut off": (steps * sign <= slack) & (steps * sign >= -1.0 - slack),
        "rounded down": steps <= slack,
    }
    kept = {rule: kept | (metres <= _SAME_PLACE_M) for rule, kept in rules.items()}
    best = max(kept, key=lambda rule: float(kept[rule][secure].mean()))
    if float(kept[best][secure].mean()) < _RULE_SHARE:
        return "", np.zeros(len(steps), dtype=bool)
    return best, ~kept[best]


def _density(grid: Grid, near: InPlace, rule_east: bool, rule_north: bool) -> FloatArray:
    """Return the density of places where a mark that stood still is found, per square metre.

    Where a rule is known, the box is a step long and not two.
    """
    least = 2.0 * grid.floor_m
    side_e = near.cell_east_m * (1.0 if rule_east else 2.0)
    side_n = near.cell_north_m * (1.0 if rule_north else 2.0)
    if not grid.per_degree:
        wide = np.full(len(near.r), least**2)
    else:
        wide = np.maximum(side_e, least) * max(side_n, least)
    # Within a step that is finer than the least box, half of them.
    exact = (np.abs(near.east) <= 1.0 + _SLACK) & (np.abs(near.north) <= 1.0 + _SLACK)
    fine = np.maximum(side_e, _SAME_PLACE_M) * max(side_n, _SAME_PLACE_M)
    finer = exact & (fine < wide)
    return np.where(finer, 0.5 / fine + 0.5 / wide, 1.0 / wide)


def pairs_within_reach(
    file: ReturnedFile, versions: Versions, rows: BoolArray, marks: BoolArray, reach_m: float
) -> WithinReach:
    """Return pairs of some waypoints and some marks that are worth a look, within reach.

    These are the nearest versions of each waypoint, and all whose names begin like its own if
    there are few of them.

    Parameters
    ----------
    file, versions : ReturnedFile, Versions
        The tables.
    rows, marks : numpy.ndarray of bool
        Waypoints and marks to be looked at.
    reach_m : float
        No pair is farther apart, metres.
    """
    from scipy.spatial import cKDTree

    f, v = file, versions
    mine, theirs = np.flatnonzero(rows), np.flatnonzero(marks[v.mark])
    if not len(mine) or not len(theirs):
        none = np.zeros(0, dtype=np.int64)
        return WithinReach(none, none, np.zeros(0))
    tree = cKDTree(v.xyz[theirs], balanced_tree=False)
    count = min(_NEAREST, len(theirs))
    found: list[tuple[IntArray, IntArray]] = []
    for start in range(0, len(mine), _AT_ONCE):
        some = mine[start : start + _AT_ONCE]
        found_at = tree.query(f.xyz[some], k=[*range(1, count + 1)], distance_upper_bound=reach_m)
        near = np.asarray(found_at[1], dtype=np.int64)
        there = near < len(theirs)
        found.append((np.repeat(some, there.sum(axis=1)), theirs[near[there]]))
    # Names of which there are few are looked for all over the reach.
    keys = np.concatenate([v.key[v.text[theirs]], *(b[v.text[theirs]] for b in v.bare)])
    of = np.tile(theirs, 1 + len(v.bare))
    at = np.argsort(keys, kind="stable")
    keys, of = keys[at], of[at]
    sought = f.key[f.text[mine]]
    first, alike = starting_with(keys, sought)
    size = np.where((sought != "") & (alike <= _ALIKE), alike, 0)
    found.append((np.repeat(mine, size), of[runs(first, size)]))
    r, w = np.unique(np.stack([np.concatenate(c) for c in zip(*found, strict=True)]), axis=1)
    distance = np.linalg.norm(f.xyz[r] - v.xyz[w], axis=1)
    ok = distance <= reach_m
    return WithinReach(r[ok], w[ok], distance[ok])
