"""Which handed-over marks the waypoints of a returned plotter file are.

Coordinates tell most. A plotter keeps them on a grid (`athwart.book.grid`). A mark that stood still
came back within one step of where it was written (a step if cut off, half a step if rounded; which
of the two, and so half or a quarter of that box, is read from the marks whose names agree). Without
a grid the box is a metre.

Names tell the rest. From those that came back to their places it is learnt how this plotter changes
names (`athwart.book.names_back`), and so what it would call every mark, numbers of those alike
included. Names that are not as predicted are compared without capitals, signs, blanks and accents;
a returned one may be the beginning of the written one, as long as the cut is no shorter than the
file's cuts are, or have a number at the end.

For each pair of waypoint r and mark k the weight is the logarithm of how much better "r is k"
explains what is seen than "k was left out and r is new"::

    w = log(kept / left out) + log(f / g) + log(p / q)

    f   density of r's place, per square metre: if k stood still, 0.95 / (area of the box); if a
        person moved it, 0.05 s^2 / (pi (s^2 + d^2)^2) with d the distance and s = 100 m
    g   density of new waypoints: half of them lie about an older one (as above, s = 10 m), half
        anywhere in a square kilometre
    p   chance of r's name for k: as predicted 0.96; changed by a person 0.04 (and then as any new
        name); fitting in another way, the share of such names in the file
    q   chance of that name for a new waypoint: how many marks would have it, of all, times 0.001,
        or times 0.1 for names that the plotter makes, or times 0.05 for names that several marks
        had

Where nothing could be learnt, a number appended tells little, since people number neighbours: p / q
is the share of such names in this file times 250 (5 for names that the plotter makes). A name that
fits another mark nearby is likely a swap of names: p is then 0.04 x 0.02 instead of q, which makes
the place count for more than the name, unless the mark whose place it is came back elsewhere. Where
few waypoints lie in the place of a mark, all weights are lowered by the logarithm of the odds.

Of waypoints on one step whose names fit the same mark one is the mark and the others are copies:
whoever moves a waypoint hardly hits the very step of another of nearly its name.

A person moves a mark at most ``reach_m``; one with the same name farther away is new, and said to
be doubtful. The one-to-one assignment with the greatest sum of weights is taken (Kuhn 1955, as in
SciPy), pairs below 0 never; where a change would cost less than `DOUBT`, that is said. Shares, 100 m
and 10 m are our own judgement (no source); little hangs on them (half or twice as much changes what
is doubtful), and what does is among the doubtful.

Each step is a module: `returned_tables`, `returned_names`, `returned_places`, `returned_weights`,
`returned_assignment`, and `returned_outcome` and `returned_doubts`, in this order. `recognise` leads
the data from one to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from athwart.book.grid import find_grid
from athwart.book.returned_assignment import (
    Found,
    assign,
    edges_of,
    leaders,
    mark_copies,
    settle,
)
from athwart.book.returned_doubts import DOUBT, doubts_of_return, doubts_of_stranger
from athwart.book.returned_names import learn_names
from athwart.book.returned_outcome import explaining_export, names_changed, verdicts_of
from athwart.book.returned_places import boxes_of, pairs_in_place, pairs_within_reach
from athwart.book.returned_tables import (
    FloatArray,
    IntArray,
    Pairs,
    TextArray,
    check_columns,
    table_of_file,
    table_of_versions,
)
from athwart.book.returned_weights import weights_of
from athwart.errors import DataError
from athwart.merge.marks import AUTOMATIC_NAMES

__all__ = ["DOUBT", "HandedOver", "Returned", "recognise"]


@dataclass(frozen=True, eq=False, kw_only=True)
class HandedOver:
    """Every waypoint that exports ever wrote.

    Parameters
    ----------
    mark_id : numpy.ndarray of str objects, shape (n,)
        Mark that each waypoint was.
    name : numpy.ndarray of str objects, shape (n,)
        Name as written into the file.
    lon, lat : numpy.ndarray, shape (n,)
        Position as written, degrees.
    export : numpy.ndarray of int64, shape (n,)
        Number of the export, from 1, rising in time.

    Raises
    ------
    DataError
        The columns differ in length, a position is none, or an export has a number below 1.
    """

    mark_id: TextArray
    name: TextArray
    lon: FloatArray
    lat: FloatArray
    export: IntArray

    def __post_init__(self) -> None:
        check_columns("handed over", self.lon, self.lat, self.mark_id, self.name, self.export)
        if len(self.export) and int(np.min(self.export)) < 1:
            raise DataError(
                f"an export has the number {int(np.min(self.export))}; the first export is 1"
            )


@dataclass(frozen=True, eq=False, kw_only=True)
class Returned:
    """What came of the waypoints of a returned file, n of them.

    Attributes
    ----------
    mark_id : numpy.ndarray of str objects, shape (n,)
        Mark that the waypoint is; empty for a new one.
    verdict : numpy.ndarray of str objects, shape (n,)
        ``known``, ``moved`` (by a person), ``new``, or ``repeated`` (a second copy of one that
        is known or moved).
    moved_m, moved_bearing_deg : numpy.ndarray, shape (n,)
        How far and where to (true, from where it was written), NaN unless moved.
    missing : numpy.ndarray of str objects
        Marks that the export held and the file lacks, in the order of the export.
    renamed : tuple of (str, str, str)
        Mark, name written, name returned, where a person changed the name.
    export : int
        The export that explains the file best: most waypoints, then fewest missing, then the
        newest. 0 if the file looks like a return of none; then every waypoint is new.
    doubtful : tuple of str
        Sentences on what has a second explanation that is nearly as good.
    grid : str
        What the coordinates of the file were rounded or cut to, in words.
    """

    mark_id: TextArray
    verdict: TextArray
    moved_m: FloatArray
    moved_bearing_deg: FloatArray
    missing: TextArray
    renamed: tuple[tuple[str, str, str], ...]
    export: int
    doubtful: tuple[str, ...]
    grid: str


def recognise(
    handed: HandedOver,
    lon: ArrayLike,
    lat: ArrayLike,
    name: ArrayLike,
    *,
    reach_m: float = 500.0,
    automatic_names: str = AUTOMATIC_NAMES,
) -> Returned:
    """Say of each waypoint of a returned file which handed-over mark it is.

    Parameters
    ----------
    handed : HandedOver
        All that exports wrote.
    lon, lat : array_like, shape (n,)
        Positions in the returned file, degrees.
    name : array_like of str, shape (n,)
        Names in the returned file; empty where there is none.
    reach_m : float
        A person moves a mark at most this far, metres.
    automatic_names : str
        Regular expression of names that a plotter makes by itself.

    Returns
    -------
    Returned
        Rows as given; what is said does not depend on their order.

    Raises
    ------
    DataError
        The columns differ in length, a position is none, or too many waypoints and marks lie at
        one place to be compared.
    """
    lon = np.asarray(lon, dtype=np.float64)
    lat = np.asarray(lat, dtype=np.float64)
    names = np.empty(len(lon), dtype=object)
    given = list(np.asarray(name, dtype=object))
    check_columns("returned", lon, lat, np.asarray(given, dtype=object))
    names[:] = ["" if n is None else str(n) for n in given]
    file, order = table_of_file(lon, lat, names, automatic_names)
    versions = table_of_versions(
        handed.mark_id, handed.name, handed.lon, handed.lat, handed.export, automatic_names
    )
    grid = find_grid(file.lon, file.lat)
    if not len(file.lon) or not len(versions.mark):
        return _all_new(len(lon), grid.words)

    # What lies where marks were, and what that teaches.
    near = pairs_in_place(file, versions, grid)
    learnt = learn_names(file, versions, near.r, near.v)
    pairs = Pairs(near.r, near.v, learnt.fit_in_place(near.r, near.v))
    boxes = boxes_of(grid, versions, near, pairs.fit)
    weights = weights_of(learnt, pairs)
    if weights is None:
        return _all_new(len(lon), grid.words, doubts_of_stranger(file, versions))

    # Who is who: first where no other comes into question, then the rest by weight.
    stood = weights.stood(pairs, boxes)
    leader = leaders(file, versions, grid, stood)
    first = leader == np.arange(len(leader))
    found = Found.nothing(len(lon))
    leading = stood.take(first[stood.r])
    settled = settle(found, versions, leading)
    numbers = learnt.predicted.numbers
    mark_copies(found, file, versions, stood, leader, plotter_numbers=numbers, same_place=True)
    moved = weights.moved(pairs_within_reach(file, versions, first & found.new, ~settled, reach_m))
    edges = edges_of(found, versions, leading, moved, settled)
    assign(found, edges)
    mark_copies(found, file, versions, stood, leader, plotter_numbers=numbers)

    # What is said of it, in the order of the file as given.
    export, missing = explaining_export(versions, found, stood, moved)
    verdicts = verdicts_of(file, versions, found)
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    return Returned(
        mark_id=verdicts.mark_id[back],
        verdict=verdicts.verdict[back],
        moved_m=verdicts.moved_m[back],
        moved_bearing_deg=verdicts.moved_bearing_deg[back],
        missing=versions.ids[missing],
        renamed=names_changed(file, versions, found),
        export=export,
        doubtful=doubts_of_return(file, versions, found, edges, missing),
        grid=", ".join(w for w in (grid.words, boxes.rule) if w),
    )


def _all_new(n: int, grid: str, doubtful: tuple[str, ...] = ()) -> Returned:
    return Returned(
        mark_id=np.full(n, "", dtype=object),
        verdict=np.full(n, "new", dtype=object),
        moved_m=np.full(n, np.nan),
        moved_bearing_deg=np.full(n, np.nan),
        missing=np.empty(0, dtype=object),
        renamed=(),
        export=0,
        doubtful=doubtful,
        grid=grid,
    )
