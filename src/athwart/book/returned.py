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
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.book.grid import cell_m, find_grid, off_in_steps
from athwart.book.names_back import (
    LETTERS,
    bare_forms,
    beginning,
    comparable,
    learn,
    least_letters,
    numbered_stems,
)
from athwart.errors import DataError
from athwart.geometry.geodesic import inverse
from athwart.merge.looks import Sphere
from athwart.merge.marks import AUTOMATIC_NAMES, automatic
from athwart.shortnames import plain_text, shorten
from athwart.units import format_length, format_position

__all__ = ["DOUBT", "HandedOver", "Returned", "recognise"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]
KeyArray = NDArray[np.str_]

DOUBT = 2.0
"""An explanation this little worse than the best (nats; a factor of 7.4) is said to be possible.

Twice as much where a waypoint is taken as new.
"""

_KEPT, _LEFT_OUT = 0.8, 0.2
_STOOD, _MOVED = 0.95, 0.05
_SAME_NAME, _NEW_NAME, _SWAPPED = 0.96, 0.04, 0.02
_MOVE_M, _BESIDE_M, _ANYWHERE_M2 = 100.0, 10.0, 1e6
_TWICE_TYPED, _TWICE_AUTOMATIC, _TWICE_SHARED, _FEWEST = 0.001, 0.1, 0.05, 20
_APPENDED_TYPED, _APPENDED_AUTOMATIC = 250.0, 5.0

_SAME_PLACE_M, _SLACK = 0.02, 1e-3
_SECURE, _RULE_SHARE, _STRAY = 5, 0.9, 1e-3
_DEGREE_M = 111_694.0  # the longest degree of latitude, at the poles

_NEAREST, _ALIKE = 32, 16
_MOST_PAIRS = 20_000_000
_DENSE = 4_000_000
_SHORTEST_CUT, _EXCEED = 6, 0.1

_OTHER, _SAME, _CUT, _APPENDED, _BLANK, _EXACT, _NUMBERED = range(7)
_WHOLE = (_EXACT, _SAME, _CUT)
_FITTING = (*_WHOLE, _APPENDED, _NUMBERED)

_LEARNT, _LEARNT_SHARE, _SLOW = 20, 0.5, 5000


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
        _check("handed over", self.lon, self.lat, self.mark_id, self.name, self.export)
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
    _check("returned", lon, lat, np.asarray(given, dtype=object))
    names[:] = ["" if n is None else str(n) for n in given]
    order = np.lexsort((_factorised(names)[1], lat, lon))
    file = _file_of(lon[order], lat[order], names[order], automatic_names)
    versions = _versions_of(handed, automatic_names)
    done = _Recognition(handed, versions, file, float(reach_m)).run()
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    return Returned(
        mark_id=done.mark_id[back],
        verdict=done.verdict[back],
        moved_m=done.moved_m[back],
        moved_bearing_deg=done.moved_bearing_deg[back],
        missing=done.missing,
        renamed=done.renamed,
        export=done.export,
        doubtful=done.doubtful,
        grid=done.grid,
    )


def _check(what: str, lon: FloatArray, lat: FloatArray, *others: NDArray[Any]) -> None:
    if any(np.ndim(c) != 1 or len(c) != len(lon) for c in (lon, lat, *others)):
        raise DataError(f"the columns of the waypoints {what} differ in length")
    bad = ~(np.isfinite(lon) & (np.abs(lat) <= 90.0) & (np.abs(lon) <= 360.0))
    if bad.any():
        i = int(np.argmax(bad))
        raise DataError(
            f"waypoint {i + 1} of those {what} is at longitude {lon[i]}, latitude {lat[i]}; "
            "allowed are -360 to 360 and -90 to 90 degrees"
        )


def _factorised(values: TextArray) -> tuple[list[str], IntArray]:
    """Return the distinct texts, sorted, and which of them each one is; None is empty."""
    texts = ["" if v is None else str(v) for v in values]
    distinct = sorted(set(texts))
    number = {t: i for i, t in enumerate(distinct)}
    return distinct, np.fromiter((number[t] for t in texts), dtype=np.int64, count=len(texts))


def _keys(texts: list[str]) -> KeyArray:
    return np.array(texts, dtype=f"U{LETTERS}") if texts else np.empty(0, dtype=f"U{LETTERS}")


def _points(lon: FloatArray, lat: FloatArray) -> FloatArray:
    return np.stack(Sphere.at(lon, lat).xyz, axis=1).reshape(-1, 3)


@dataclass(frozen=True, eq=False)
class _File:
    """The returned waypoints in canonical order, and each distinct name of theirs."""

    lon: FloatArray
    lat: FloatArray
    name: TextArray
    xyz: FloatArray
    text: IntArray  # row -> distinct name
    key: KeyArray  # of distinct names from here on
    stems: tuple[KeyArray, ...]  # without the last 1, 2, 3, 4 digits
    length: IntArray
    automatic: BoolArray
    shown: dict[str, int]  # name without outer blanks -> number of it
    shown_as: IntArray  # distinct name -> number of it


def _file_of(lon: FloatArray, lat: FloatArray, name: TextArray, pattern: str) -> _File:
    words, text = _factorised(name)
    keys = [comparable(t) for t in words]
    shown = {t: i for i, t in enumerate(sorted({t.strip() for t in words}))}
    stems = [
        _keys([k[:-j] if len(k) > j and k[-j:].isdigit() else "" for k in keys])
        for j in (1, 2, 3, 4)
    ]
    return _File(
        lon=lon,
        lat=lat,
        name=name,
        xyz=_points(lon, lat),
        text=text,
        key=_keys(keys),
        stems=tuple(stems),
        length=np.array([len(t.strip()) for t in words], dtype=np.int64),
        automatic=automatic(words, pattern),
        shown=shown,
        shown_as=np.array([shown[t.strip()] for t in words], dtype=np.int64),
    )


@dataclass(frozen=True, eq=False)
class _Versions:
    """Each different look (mark, name, place) of the handed-over marks, once."""

    mark: IntArray
    row: IntArray  # of the newest waypoint with this look
    of_row: IntArray  # waypoint handed over -> version
    ids: TextArray  # mark -> id
    lon: FloatArray
    lat: FloatArray
    export: IntArray
    xyz: FloatArray
    text: IntArray
    texts: list[str]
    key: KeyArray
    bare: tuple[KeyArray, ...]
    automatic: BoolArray
    same_key: IntArray  # marks that have the key
    sorted_keys: KeyArray  # one of each mark and key


def _versions_of(handed: HandedOver, pattern: str) -> _Versions:
    ids, mark = _factorised(handed.mark_id)
    words, text = _factorised(handed.name)
    lon, lat = np.asarray(handed.lon, np.float64), np.asarray(handed.lat, np.float64)
    n = len(mark)
    order = np.lexsort((handed.export, lat, lon, text, mark))
    differs = np.zeros(n, dtype=bool)
    for column in (mark, text, lon, lat):
        inner = column[order]
        differs[1:] |= inner[1:] != inner[:-1]
    number = np.cumsum(differs)
    of_row = np.empty(n, dtype=np.int64)
    of_row[order] = number
    # The last row of each run is its newest.
    last = np.append(differs[1:], True)[:n] if n else np.zeros(0, dtype=bool)
    row = order[last]
    key = _keys([comparable(t) for t in words])
    bare = [bare_forms(t) for t in words]
    pairs = (
        np.unique(np.stack([mark[row], np.unique(key, return_inverse=True)[1][text[row]]]), axis=1)
        if n
        else np.zeros((2, 0), dtype=np.int64)
    )
    distinct = np.unique(key)
    return _Versions(
        mark=mark[row],
        row=row,
        of_row=of_row,
        ids=np.array([*ids, None], dtype=object)[:-1],
        lon=lon[row],
        lat=lat[row],
        export=np.asarray(handed.export, np.int64)[row],
        xyz=_points(lon[row], lat[row]),
        text=text[row],
        texts=words,
        key=key,
        bare=tuple(_keys([b[i] for b in bare]) for i in range(3)),
        automatic=automatic(words, pattern),
        same_key=np.bincount(pairs[1], minlength=len(distinct))[
            np.searchsorted(distinct, key)
        ].astype(np.int64),
        sorted_keys=np.sort(distinct[pairs[1]]),
    )


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Returned waypoints r and versions v of handed-over marks."""

    r: IntArray
    v: IntArray
    fit: NDArray[np.int8]  # of the names
    weight: FloatArray

    def take(self, which: BoolArray | IntArray) -> _Pairs:
        return _Pairs(self.r[which], self.v[which], self.fit[which], self.weight[which])


@dataclass(frozen=True, eq=False)
class _Edges:
    """One edge for each waypoint r and mark k: the best of its versions."""

    r: IntArray
    k: IntArray
    v: IntArray
    weight: FloatArray
    inside: BoolArray
    fit: NDArray[np.int8]


def _about(distance_m: FloatArray, scale_m: float) -> FloatArray:
    """Density about a point, per square metre; half of it lies within the scale."""
    return np.asarray(scale_m**2 / (np.pi * (scale_m**2 + distance_m**2) ** 2))


class _Recognition:
    """One file judged against all exports; each step leaves what the next one needs."""

    def __init__(
        self, handed: HandedOver, versions: _Versions, file: _File, reach_m: float
    ) -> None:
        self.handed, self.versions, self.file, self.reach_m = handed, versions, file, reach_m
        self.grid = find_grid(file.lon, file.lat)
        self.marks = max(len(versions.ids), _FEWEST)
        self.rule = ""
        self.cut_at = 0
        self.shown: IntArray = np.zeros(0, dtype=np.int64)  # version -> its name there
        self.stem = self.stem_of = np.zeros((0, 0), dtype=np.int64)
        self.least: IntArray = np.zeros(0, dtype=np.int64)
        n = len(file.lon)
        self.mate = np.full(n, -1, dtype=np.int64)
        self.mate_version = np.full(n, -1, dtype=np.int64)
        self.mate_inside = np.zeros(n, dtype=bool)
        self.mate_fit = np.zeros(n, dtype=np.int8)
        self.copy_of = np.full(n, -1, dtype=np.int64)  # mark
        self.doubts: list[str] = []
        self.told: set[int] = set()  # waypoints that a sentence speaks of

    def run(self) -> Returned:
        if not len(self.file.lon) or not len(self.versions.mark):
            return self._nothing_known()
        from scipy.spatial import cKDTree

        # The midpoint rule builds in n log n also where many points coincide.
        self.tree = cKDTree(self.versions.xyz, balanced_tree=False)
        inside, stray = self._boxes()
        if not self._is_a_return(inside):
            self._far_namesakes(np.zeros(0, dtype=np.int64), established=False)
            return self._nothing_known()
        self.nearest_m = np.asarray(self.tree.query(self.file.xyz)[0], dtype=np.float64)
        inside = self._weigh_inside(inside, stray)
        leader = self._leaders(inside)
        first = leader == np.arange(len(leader))
        inside_all, inside = inside, inside.take(first[inside.r])
        settled = self._settle(inside)
        self._copies(inside_all, leader, same_place=True)
        moved = self._weigh_moved(first & (self.mate < 0) & (self.copy_of < 0), settled)
        edges = self._edges(inside, moved, settled)
        self._assign(edges)
        self._copies(inside_all, leader)
        self._say_doubts(edges)
        return self._conclude(inside_all, moved)

    # Where

    def _boxes(self) -> tuple[_Pairs, BoolArray]:
        """Pairs within one step of each other, and which of them break the file's rule."""
        from scipy.spatial import cKDTree

        f, v, steps = self.file, self.versions, self.grid.steps
        step_m = _DEGREE_M / self.grid.per_degree if self.grid.per_degree else 0.0
        radius = 1.001 * np.hypot(max(step_m, self.grid.floor_m), max(step_m, self.grid.floor_m))
        tree = cKDTree(f.xyz, balanced_tree=False)
        if tree.count_neighbors(self.tree, radius) > _MOST_PAIRS:
            raise DataError(
                "so many waypoints and marks lie at one place that they cannot be compared; "
                "split the file or leave out its copies"
            )
        found = tree.sparse_distance_matrix(self.tree, radius, output_type="ndarray")
        r, w = found["i"].astype(np.int64), found["j"].astype(np.int64)
        at = np.lexsort((w, r))
        r, w = r[at], w[at]
        east, north = off_in_steps(self.grid, f.lon[r], f.lat[r], v.lon[w], v.lat[w])
        self.cell_e, self.cell_n = cell_m(self.grid, f.lat)
        east_m, north_m = np.abs(east) * self.cell_e[r], np.abs(north) * self.cell_n
        slack = 1e-9 * steps + 1e-6
        reach = (1.0 + slack) if self.grid.per_degree else 0.0
        ok = ((np.abs(east) <= reach) | (east_m <= self.grid.floor_m)) & (
            (np.abs(north) <= reach) | (north_m <= self.grid.floor_m)
        )
        r, w, east, north = r[ok], w[ok], east[ok], north[ok]
        east_m, north_m = east_m[ok], north_m[ok]
        pairs = self._fit_inside(r, w)
        self.stray = 1.0
        self._box(east, north, False, False, r)
        if not self.grid.per_degree or self.cell_n <= self.grid.floor_m:
            return pairs, np.zeros(len(r), dtype=bool)
        agree = np.isin(pairs.fit, _WHOLE)
        secure = agree & (np.bincount(r[agree], minlength=len(f.lon))[r] == 1)
        secure &= np.bincount(w[agree], minlength=len(v.mark))[w] == 1
        strays = np.zeros(len(r), dtype=bool)
        shares = []
        for cells, metres, sign in (
            (east, east_m, np.sign(v.lon[w])),
            (north, north_m, np.sign(v.lat[w])),
        ):
            tests = {
                "rounded": np.abs(cells) <= 0.5 + slack,
                "cut off": (cells * sign <= slack) & (cells * sign >= -1.0 - slack),
                "rounded down": cells <= slack,
            }
            best, share = "", 0.0
            for rule, test in tests.items():
                test |= metres <= _SAME_PLACE_M
                if secure.any() and float(test[secure].mean()) > share:
                    best, share = rule, float(test[secure].mean())
            known = int(secure.sum()) >= _SECURE and share >= _RULE_SHARE
            if known:
                strays |= ~tests[best]
            shares.append(known)
            self.rule = best if known else ""
        self._box(east, north, shares[0], shares[1], r)
        if any(shares):
            count = int(secure.sum())
            self.stray = max((int(strays[secure].sum()) + 0.5) / (count + 1.0), _STRAY)
        return pairs, strays

    def _box(
        self, east: FloatArray, north: FloatArray, rule_e: bool, rule_n: bool, r: IntArray
    ) -> None:
        """Set the density of places where a mark that stood still is found, per square metre."""
        least = 2.0 * self.grid.floor_m
        side_e = self.cell_e[r] * (1.0 if rule_e else 2.0)
        side_n = self.cell_n * (1.0 if rule_n else 2.0)
        if not self.grid.per_degree:
            wide = np.full(len(r), least**2)
        else:
            wide = np.maximum(side_e, least) * max(side_n, least)
        # Within a step that is finer than the least box, half of them.
        exact = (np.abs(east) <= 1.0 + _SLACK) & (np.abs(north) <= 1.0 + _SLACK)
        fine = np.maximum(side_e, _SAME_PLACE_M) * max(side_n, _SAME_PLACE_M)
        finer = exact & (fine < wide)
        self.box_density = np.where(finer, 0.5 / fine + 0.5 / wide, 1.0 / wide)

    # What it is called

    def _fit_inside(self, r: IntArray, v: IntArray) -> _Pairs:
        """Compare names of waypoints and marks at one place, and learn where names are cut."""
        f, vs = self.file, self.versions
        self.written = np.array([len(t.strip()) for t in vs.texts], dtype=np.int64)
        begins = self._begins(r, v)
        back, whole = f.length[f.text[r[begins]]], self.written[vs.text[v[begins]]]
        # The shortest length that hardly any longer name exceeds; numbers appended may.
        self.cut_at = max(int(f.length.max()), _SHORTEST_CUT)
        for length in np.unique(back[back >= _SHORTEST_CUT]).tolist():
            longer = whole > length
            if (back[longer] > length).sum() <= _EXCEED * longer.sum():
                self.cut_at = length
                break
        self.least = np.array([least_letters(t, self.cut_at) for t in vs.texts], dtype=np.int64)
        fit = self._fit(r, v)
        fit = self._learn(r, v, fit)
        # A plotter may shorten by leaving out vowels; that is slow, and only few need it.
        long = self.written[vs.text[v]] > f.length[f.text[r]]
        for i in np.flatnonzero((fit == _OTHER) & long)[:_SLOW].tolist():
            own = f.name[r[i]].strip()
            plain = plain_text(vs.texts[vs.text[v[i]]], "ascii")[0]
            if len(own) >= _SHORTEST_CUT and comparable(shorten(plain, len(own))) == comparable(
                own
            ):
                fit[i] = _CUT
        return _Pairs(r, v, fit, np.zeros(len(r)))

    def _learn(self, r: IntArray, v: IntArray, fit: NDArray[np.int8]) -> NDArray[np.int8]:
        """Predict every name from those that came back to their places; say which fit exactly."""
        f, vs, handed = self.file, self.versions, self.handed
        pairs = np.unique(np.stack([r, vs.mark[v]]), axis=1)
        one_mark = np.bincount(pairs[0], minlength=len(f.lon)) == 1
        one_row = np.bincount(pairs[1], minlength=len(vs.ids)) == 1
        alone = np.flatnonzero(one_mark[r] & one_row[vs.mark[v]])
        came = np.full(len(vs.mark), -1, dtype=np.int64)
        came[v[alone]] = r[alone]
        # In the order of the files.
        order = np.argsort(handed.export, kind="stable")
        of = vs.of_row[order]
        back = np.flatnonzero(came[of] >= 0)
        written = ["" if n is None else str(n) for n in handed.name[order]]
        export = np.asarray(handed.export, np.int64)[order]
        told = learn(written, export, back, f.name[came[of[back]]].tolist())
        fitting = told.explained + told.numbered
        self.learnt = told.seen >= _LEARNT and fitting >= _LEARNT_SHARE * told.seen
        self.numbers = told.habit.numbered
        few = 1.0 / (told.seen + 1.0)
        self.as_numbered = max(told.numbered / max(told.seen, 1), few)
        self.unexplained = max(1.0 - fitting / max(told.seen, 1), few)
        shown = np.array([f.shown.get(n, -1) for n in told.name], dtype=np.int64)
        right = np.zeros(len(of), dtype=bool)
        right[back] = shown[back] == f.shown_as[f.text[came[of[back]]]]
        # A mark of several files has the name of the file that explains most.
        _, number = np.unique(export, return_inverse=True)
        rank = np.bincount(number[right], minlength=int(number.max()) + 1)[number]
        best = np.lexsort((export, rank, of))
        last = np.append(np.flatnonzero(np.diff(of[best])), len(best) - 1)
        chosen = best[last]
        self.shown = shown[chosen]
        marks = np.unique(np.stack([self.shown, vs.mark]), axis=1)[0]
        self.alike = np.bincount(marks[marks >= 0], minlength=len(f.shown))
        if self.learnt:
            self._learn_stems([told.before[i] for i in chosen.tolist()], told.habit.length)
        return self._by_habit(r, v, fit)

    def _learn_stems(self, before: list[str], length: int) -> None:
        """Find what the names of the file and of the marks are but for a number at the end."""
        f = self.file
        ends = [(t, *e) for t, n in enumerate(f.shown) for e in numbered_stems(n)]
        number: dict[str, int] = {}
        longest = max((len(end) for _, _, end in ends), default=0)
        self.stem = np.full((longest, len(f.shown)), -1, dtype=np.int64)
        for t, stem, end in ends:
            self.stem[len(end) - 1, t] = number.setdefault(stem, len(number))
        self.stem_of = np.array(
            [
                [number.get(beginning(b, " " * (k + 1), length), -2) for b in before]
                for k in range(longest)
            ],
            dtype=np.int64,
        ).reshape(longest, len(before))

    def _by_habit(self, r: IntArray, v: IntArray, fit: NDArray[np.int8]) -> NDArray[np.int8]:
        """Set the fit of names that this plotter would give."""
        if not len(self.shown):
            return fit
        mine = self.file.shown_as[self.file.text[r]]
        for k in range(len(self.stem)):
            fit[self.stem[k, mine] == self.stem_of[k, v]] = _NUMBERED
        fit[self._exact(r, v)] = _EXACT
        return fit

    def _exact(self, r: IntArray, v: IntArray) -> BoolArray:
        key = self.file.key[self.file.text[r]]
        return np.asarray((self.file.shown_as[self.file.text[r]] == self.shown[v]) & (key != ""))

    def _begins(self, r: IntArray, v: IntArray) -> BoolArray:
        key = self.file.key[self.file.text[r]]
        text = self.versions.text[v]
        begins = np.strings.startswith(self.versions.key[text], key)
        for bare in self.versions.bare:
            begins |= np.strings.startswith(bare[text], key)
        return np.asarray(begins & (key != ""))

    def _fit(self, r: IntArray, v: IntArray) -> NDArray[np.int8]:
        fit = np.zeros(len(r), dtype=np.int8)
        for start in range(0, len(r), 500_000):
            part = slice(start, start + 500_000)
            fit[part] = self._fit_part(r[part], v[part])
        return self._by_habit(r, v, fit)

    def _fit_part(self, r: IntArray, v: IntArray) -> NDArray[np.int8]:
        mine, text = self.file.text[r], self.versions.text[v]
        key, whole = self.file.key[mine], self.versions.key[text]
        size = np.strings.str_len(key)
        fit = np.full(len(r), _OTHER, dtype=np.int8)
        for stems in self.file.stems:
            stem = stems[mine]
            short = (self.written[text] > self.cut_at) & (
                np.strings.str_len(stem) >= np.maximum(self.least[text] - 4, 2)
            )
            hit = stem == whole
            hit |= short & np.strings.startswith(whole, stem)
            for bare in self.versions.bare:
                hit |= stem == bare[text]
            fit[hit & (stem != "")] = _APPENDED
        fit[self._begins(r, v) & (size >= self.least[text])] = _CUT
        same = key == whole
        for bare in self.versions.bare:
            same |= key == bare[text]
        fit[same] = _SAME
        fit[(key == "") | (whole == "")] = _BLANK
        return fit

    def _name_weight(self, pairs: _Pairs) -> FloatArray:
        """log(p / q) of names that fit."""
        f, v = self.file, self.versions
        mine, text = f.text[pairs.r], v.text[pairs.v]
        key = f.key[mine]
        distinct, at = np.unique(key, return_inverse=True)
        low = np.searchsorted(v.sorted_keys, distinct)
        high = np.searchsorted(v.sorted_keys, np.strings.add(distinct, "\U0010ffff"))
        alike = np.maximum((high - low)[at], 1)
        own = v.same_key[text]
        twice = np.where(v.automatic[text], _TWICE_AUTOMATIC, _TWICE_TYPED)
        q = twice * np.where(pairs.fit == _CUT, alike, 1)
        exact = pairs.fit == _EXACT
        same = self.alike[f.shown_as[mine]]
        q = np.where(exact, twice * same, q)
        own = np.where(exact, np.minimum(own, same), own)
        q = np.maximum(q, np.where(own > 1, _TWICE_SHARED * own, 0)) / self.marks
        out = np.log(_SAME_NAME / np.minimum(q, 1.0))
        odds = np.where(v.automatic[text], _APPENDED_AUTOMATIC, _APPENDED_TYPED) * self.appended
        out = np.where(pairs.fit == _APPENDED, np.log(np.maximum(odds, _NEW_NAME)), out)
        if self.learnt:
            numbered = pairs.fit == _NUMBERED
            q_numbered = np.minimum(twice * alike / self.marks, 1.0)
            out[numbered] = np.log(self.as_numbered / q_numbered[numbered])
            out[~exact & ~numbered] += np.log(self.unexplained)
        out[pairs.fit == _BLANK] = 0.0
        out[pairs.fit == _OTHER] = np.log(_NEW_NAME)
        return np.asarray(out)

    def _is_a_return(self, inside: _Pairs) -> bool:
        n = len(self.file.lon)
        there = len(np.unique(inside.r))
        fits = np.isin(inside.fit, _FITTING)
        sure = len(np.unique(inside.r[fits]))
        many_there = there >= max(3, n / 5) or 2 * there >= n
        hits = there if many_there else sure
        self.turnout = float(np.clip(np.log((hits + 1.0) / (n - hits + 1.0)), -6.0, 0.0))
        plain = len(np.unique(inside.r[np.isin(inside.fit, _WHOLE)]))
        numbered = sure - plain
        self.appended = float(np.clip((numbered + 0.05) / (sure + 1.0), 1e-4, 0.9))
        return there > 0 and (sure >= 1 or many_there)

    # How likely

    def _new_density(self, r: IntArray) -> FloatArray:
        return 0.5 * _about(self.nearest_m[r], _BESIDE_M) + 0.5 / _ANYWHERE_M2

    def _weigh_inside(self, pairs: _Pairs, stray: BoolArray) -> _Pairs:
        f = _STOOD * self.box_density * np.where(stray, self.stray, 1.0)
        weight = (
            np.log(_KEPT / _LEFT_OUT)
            + np.log(f / self._new_density(pairs.r))
            + self._name_weight(pairs)
            + self.turnout
        )
        return _Pairs(pairs.r, pairs.v, pairs.fit, weight)

    def _weigh_moved(self, rows: BoolArray, settled: BoolArray) -> _Pairs:
        """Pairs whose names fit, of what is left, within reach."""
        from scipy.spatial import cKDTree

        f, v = self.file, self.versions
        mine = np.flatnonzero(rows)
        theirs = np.flatnonzero(~settled[v.mark])
        none = np.zeros(0, dtype=np.int64)
        if not len(mine) or not len(theirs):
            return _Pairs(none, none, none.astype(np.int8), none.astype(np.float64))
        tree = cKDTree(v.xyz[theirs], balanced_tree=False)
        count = min(_NEAREST, len(theirs))
        found: list[tuple[IntArray, IntArray]] = []
        for start in range(0, len(mine), 20_000):
            some = mine[start : start + 20_000]
            found_at = tree.query(
                f.xyz[some], k=[*range(1, count + 1)], distance_upper_bound=self.reach_m
            )
            near = np.asarray(found_at[1], dtype=np.int64)
            there = near < len(theirs)
            found.append((np.repeat(some, there.sum(axis=1)), theirs[near[there]]))
        # Names of which there are few are looked for all over the reach.
        keys = np.concatenate([v.key[v.text[theirs]], *(b[v.text[theirs]] for b in v.bare)])
        of = np.tile(theirs, 1 + len(v.bare))
        at = np.argsort(keys, kind="stable")
        keys, of = keys[at], of[at]
        sought = f.key[f.text[mine]]
        low = np.searchsorted(keys, sought)
        high = np.searchsorted(keys, np.strings.add(sought, "\U0010ffff"))
        size = np.where((sought != "") & (high - low <= _ALIKE), high - low, 0)
        starts = np.repeat(low - np.append(0, np.cumsum(size)[:-1]), size)
        found.append((np.repeat(mine, size), of[np.arange(int(size.sum())) + starts]))
        r, w = np.unique(np.stack([np.concatenate(c) for c in zip(*found, strict=True)]), axis=1)
        distance = np.linalg.norm(f.xyz[r] - v.xyz[w], axis=1)
        ok = distance <= self.reach_m
        r, w, distance = r[ok], w[ok], distance[ok]
        fit = self._fit(r, w)
        ok = np.isin(fit, _FITTING)
        pairs = _Pairs(r[ok], w[ok], fit[ok], np.zeros(int(ok.sum())))
        weight = (
            np.log(_KEPT / _LEFT_OUT)
            + np.log(_MOVED * _about(distance[ok], _MOVE_M) / self._new_density(pairs.r))
            + self._name_weight(pairs)
            + self.turnout
        )
        return _Pairs(pairs.r, pairs.v, pairs.fit, weight)

    # Which is which

    def _leaders(self, inside: _Pairs) -> IntArray:
        """Return the best of the waypoints on one step that are one mark by name.

        Where their names fit no mark or several marks there, only those alike in name are one.
        """
        f, marks = self.file, self.versions.mark
        key = np.unique(f.key, return_inverse=True)[1][f.text]
        lon, lat = np.rint(f.lon * self.grid.steps), np.rint(f.lat * self.grid.steps)
        fits = np.flatnonzero(np.isin(inside.fit, (*_FITTING, _BLANK)))
        pairs = np.unique(np.stack([inside.r[fits], marks[inside.v[fits]]]), axis=1)
        count = np.bincount(pairs[0], minlength=len(key))
        one = count[pairs[0]] == 1
        key[pairs[0, one]] = len(f.key) + pairs[1, one]
        several = np.flatnonzero(count > 1)
        weight = np.full(len(key), -np.inf)
        np.maximum.at(weight, inside.r[fits], inside.weight[fits])
        order = np.lexsort((-weight, key, lat, lon))
        new = np.ones(len(order), dtype=bool)
        new[1:] = False
        for c in (key, lat, lon):
            new[1:] |= c[order][1:] != c[order][:-1]
        leader = np.empty(len(order), dtype=np.int64)
        # Sorting is stable, so the first of those that fit as well has the lowest row.
        leader[order] = order[np.flatnonzero(new)][np.cumsum(new) - 1]
        leader[several] = several
        return leader

    def _settle(self, inside: _Pairs) -> BoolArray:
        """Take pairs in place and name that have no rival in place and name."""
        mark = self.versions.mark[inside.v]
        settled = np.zeros(len(self.versions.ids), dtype=bool)
        for fits in ((_EXACT,), _WHOLE):
            left = (self.mate[inside.r] < 0) & ~settled[mark]
            at = np.flatnonzero(left & np.isin(inside.fit, fits) & (inside.weight > 0))
            at = at[np.lexsort((-self.versions.export[inside.v[at]], mark[at], inside.r[at]))]
            r, k = inside.r[at], mark[at]
            keep = np.ones(len(at), dtype=bool)
            keep[1:] = (r[1:] != r[:-1]) | (k[1:] != k[:-1])
            at, r, k = at[keep], r[keep], k[keep]
            alone = (np.bincount(r, minlength=len(self.mate))[r] == 1) & (
                np.bincount(k, minlength=len(settled))[k] == 1
            )
            self._take(r[alone], k[alone], inside.v[at[alone]], True, inside.fit[at[alone]])
            settled[k[alone]] = True
        return settled

    def _take(
        self, r: IntArray, k: IntArray, v: IntArray, inside: BoolArray | bool, fit: NDArray[np.int8]
    ) -> None:
        self.mate[r], self.mate_version[r] = k, v
        self.mate_inside[r], self.mate_fit[r] = inside, fit

    def _edges(self, inside: _Pairs, moved: _Pairs, settled: BoolArray) -> _Edges:
        v = self.versions
        left = (self.mate[inside.r] < 0) & (self.copy_of[inside.r] < 0)
        inside = inside.take(left & ~settled[v.mark[inside.v]])
        weight = inside.weight.copy()
        # The name of a neighbour in place of its own: names were swapped, or it was moved here.
        telling = np.full(len(self.mate), -np.inf)
        np.maximum.at(telling, moved.r, self._name_weight(moved))
        swap = (inside.fit == _OTHER) & np.isfinite(telling[inside.r])
        weight[swap] += np.log(_SWAPPED) + telling[inside.r[swap]]
        r, w = np.concatenate([inside.r, moved.r]), np.concatenate([inside.v, moved.v])
        weight = np.concatenate([weight, moved.weight])
        inner = np.arange(len(r)) < len(inside.r)
        fit = np.concatenate([inside.fit, moved.fit])
        k = v.mark[w]
        order = np.lexsort((-v.export[w], -weight, k, r))
        keep = np.ones(len(order), dtype=bool)
        keep[1:] = (r[order][1:] != r[order][:-1]) | (k[order][1:] != k[order][:-1])
        at = order[keep]
        return _Edges(r[at], k[at], w[at], weight[at], inner[at], fit[at])

    def _assign(self, e: _Edges) -> None:
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        use = np.flatnonzero(e.weight > 0)
        if not len(use):
            return
        rows, r = np.unique(e.r[use], return_inverse=True)
        marks, k = np.unique(e.k[use], return_inverse=True)
        size = len(rows) + len(marks)
        graph = coo_array((np.ones(len(use)), (r, k + len(rows))), shape=(size, size))
        _, part = connected_components(graph, directed=False)
        of = part[r]
        order = np.argsort(of, kind="stable")
        _, start, count = np.unique(of[order], return_index=True, return_counts=True)
        taken = [order[start[count == 1]]]
        for s, c in zip(start[count > 1].tolist(), count[count > 1].tolist(), strict=True):
            some = order[s : s + c]
            taken.append(some[_best(r[some], k[some], e.weight[use[some]])])
        at = use[np.concatenate(taken)]
        self._take(e.r[at], e.k[at], e.v[at], e.inside[at], e.fit[at])

    def _copies(self, inside: _Pairs, leader: IntArray, *, same_place: bool = False) -> None:
        """Mark what is left in the place and name of a mark that was found as its copy.

        Whoever moves a waypoint hardly puts it on the very step of another of nearly its name.
        """
        v = self.versions
        found = np.zeros(len(v.ids), dtype=bool)
        found[self.mate[self.mate >= 0]] = True
        mark = v.mark[inside.v]
        at = np.flatnonzero(
            (self.mate[inside.r] < 0) & found[mark] & np.isin(inside.fit, (*_FITTING, _BLANK))
        )
        if same_place:
            f = self.file
            owner = np.full(len(v.ids), -1, dtype=np.int64)
            owner[self.mate[self.mate >= 0]] = np.flatnonzero(self.mate >= 0)
            of = owner[mark[at]]
            at = at[(f.lon[of] == f.lon[inside.r[at]]) & (f.lat[of] == f.lat[inside.r[at]])]
        at = at[np.lexsort((mark[at], inside.weight[at]))]
        self.copy_of[inside.r[at]] = mark[at]
        # Plotters count on: "WP 12" in the place of "WP 1" need not be a copy.
        fits = (_APPENDED,) if self.numbers else (_APPENDED, _NUMBERED)
        unsure = at[np.isin(inside.fit[at], fits) & v.automatic[v.text[inside.v[at]]]]
        for r, w in dict(
            zip(inside.r[unsure].tolist(), inside.v[unsure].tolist(), strict=True)
        ).items():
            if r not in self.told:
                self.told.add(r)
                self.doubts.append(
                    f"{self._where(r)} is taken for a copy of {self._name(w)} with a number "
                    "appended; it may be a new one"
                )
        follows = np.flatnonzero((leader != np.arange(len(leader))) & (self.mate < 0))
        of = leader[follows]
        self.copy_of[follows] = np.where(self.mate[of] >= 0, self.mate[of], self.copy_of[of])

    # What is said

    def _name(self, v: int) -> str:
        vs = self.versions
        return f'mark {vs.ids[vs.mark[v]]} ("{vs.texts[vs.text[v]]}")'

    def _where(self, r: int) -> str:
        f = self.file
        return f'waypoint "{f.name[r]}" at {format_position(float(f.lon[r]), float(f.lat[r]))}'

    def _far(self, r: int, v: int) -> str:
        return format_length(float(np.linalg.norm(self.file.xyz[r] - self.versions.xyz[v])))

    def _taken_for(self, r: int) -> str:
        v = int(self.mate_version[r])
        how = "" if self.mate_inside[r] else f", moved by {self._far(r, v)}"
        return f"{self._where(r)} is taken for {self._name(v)}{how}"

    def _say_doubts(self, e: _Edges) -> None:
        n, marks = len(self.mate), len(self.versions.ids)
        owner = np.full(marks, -1, dtype=np.int64)
        have = np.flatnonzero(self.mate >= 0)
        owner[self.mate[have]] = have
        used = self.mate[e.r] == e.k
        current = np.zeros(n)
        current[e.r[used]] = e.weight[used]
        free = owner[e.k] < 0
        best_free = np.zeros(n)
        np.maximum.at(best_free, e.r[free], e.weight[free])
        # What the owner of the mark would get in exchange.
        code = e.r * marks + e.k
        holder = owner[e.k]
        wanted = np.where(self.mate[e.r] >= 0, holder * marks + self.mate[e.r], -1)
        at = np.clip(np.searchsorted(code, wanted), 0, max(len(code) - 1, 0))
        swap = (
            np.where((wanted >= 0) & (code[at] == wanted), e.weight[at], 0.0)
            if len(code)
            else np.zeros(0)
        )
        other = np.where(
            free, 0.0, np.maximum(np.maximum(swap, best_free[holder]), 0.0) - current[holder]
        )
        gain = np.where(used, -np.inf, e.weight - current[e.r] + other)
        twins = self._alike(e.r, holder) & ~free
        # A new mark too many is worse than a sentence too many.
        bar = np.where(self.mate[e.r] >= 0, DOUBT, 2.0 * DOUBT)
        near = np.flatnonzero((gain > -bar) & ~used & ~twins & (self.copy_of[e.r] < 0))
        told = self.told
        for i in near[np.lexsort((e.k[near], -gain[near], e.r[near]))].tolist():
            r, v = int(e.r[i]), int(e.v[i])
            if r in told:
                continue
            told.add(r)
            if self.mate[r] >= 0:
                self.doubts.append(f"{self._taken_for(r)}; {self._name(v)} fits it nearly as well")
            else:
                self.doubts.append(
                    f"{self._where(r)} is taken as new; it may be {self._name(v)}, which was "
                    f"handed over {self._far(r, v)} away"
                )
        weak = np.flatnonzero(used & (e.weight < DOUBT))
        for r in e.r[weak].tolist():
            if r not in told:
                told.add(r)
                self.doubts.append(f"{self._taken_for(r)}; it may be a new one")
        # In the place of one and with the name of another one that is gone.
        found = np.zeros(marks, dtype=bool)
        found[self.mate[have]] = True
        here = self.mate_inside[e.r] & (self.mate_fit[e.r] == _OTHER) & ~e.inside & ~found[e.k]
        for i in np.flatnonzero(here).tolist():
            r = int(e.r[i])
            if r not in told:
                told.add(r)
                self.doubts.append(
                    f"{self._taken_for(r)}, because of its place; it has the name of "
                    f"{self._name(int(e.v[i]))}, which the file lacks"
                )

    def _alike(self, a: IntArray, b: IntArray) -> BoolArray:
        f = self.file
        return np.asarray(
            (f.lon[a] == f.lon[b]) & (f.lat[a] == f.lat[b]) & (f.key[f.text[a]] == f.key[f.text[b]])
        )

    def _far_namesakes(self, missing: IntArray, *, established: bool) -> None:
        """Say which new waypoints have a name of their own that belongs to a mark not found."""
        f, v = self.file, self.versions
        mine = np.flatnonzero((self.mate < 0) & (self.copy_of < 0) & ~f.automatic[f.text])
        own = (v.same_key[v.text] == 1) & ~v.automatic[v.text] & (v.key[v.text] != "")
        if established:
            own &= np.isin(v.mark, missing)
        theirs = np.flatnonzero(own)
        theirs = theirs[np.argsort(v.export[theirs], kind="stable")]
        of = dict(zip(v.key[v.text[theirs]].tolist(), theirs.tolist(), strict=True))
        for r in mine[np.isin(f.key[f.text[mine]], v.key[v.text[theirs]])].tolist():
            w = of[str(f.key[f.text[r]])]
            where = self._where(r)
            if r in self.told:
                continue
            why = "which the file lacks" if established else "but the file looks like no return"
            far = format_length(float(inverse(v.lon[w], v.lat[w], f.lon[r], f.lat[r])[1]), digits=0)
            self.doubts.append(
                f"{where} is taken as new; it has the name of {self._name(w)}, "
                f"handed over {far} away, {why}"
            )

    def _explaining(self, inside: _Pairs, moved: _Pairs) -> tuple[int, IntArray]:
        """Return the export that explains the file best, and the marks of it that are missing."""
        v, export = self.versions, np.asarray(self.handed.export, np.int64)
        numbers, of = np.unique(export, return_inverse=True)
        pairs_r = np.concatenate([inside.r, moved.r])
        pairs_v = np.concatenate([inside.v, moved.v])
        inner = np.arange(len(pairs_r)) < len(inside.r)
        good = (self.mate[pairs_r] == v.mark[pairs_v]) & (self.mate_inside[pairs_r] == inner)
        pairs_r, pairs_v = pairs_r[good], pairs_v[good]
        # Versions to the exports that wrote them.
        order = np.argsort(v.of_row, kind="stable")
        first = np.searchsorted(v.of_row[order], np.arange(len(v.mark) + 1))
        size = (first[1:] - first[:-1])[pairs_v]
        starts = np.repeat(first[pairs_v] - np.append(0, np.cumsum(size)[:-1]), size)
        wrote = order[np.arange(int(size.sum())) + starts]
        told = np.unique(np.repeat(pairs_r, size) * len(numbers) + of[wrote])
        explained = np.bincount(told % len(numbers), minlength=len(numbers))
        found = np.zeros(len(v.ids), dtype=bool)
        found[self.mate[self.mate >= 0]] = True
        mark = v.mark[v.of_row]
        gone = np.unique(np.stack([of, mark])[:, ~found[mark]], axis=1)
        missing = np.bincount(gone[0], minlength=len(numbers))
        best = int(np.lexsort((numbers, -missing, explained))[-1])
        rows = np.flatnonzero((of == best) & ~found[mark])
        _, at = np.unique(mark[rows], return_index=True)
        return int(numbers[best]), mark[rows[np.sort(at)]]

    def _conclude(self, inside: _Pairs, moved: _Pairs) -> Returned:
        f, v = self.file, self.versions
        export, missing = self._explaining(inside, moved)
        self._far_namesakes(missing, established=True)
        n = len(f.lon)
        mark_id, verdict = np.full(n, "", dtype=object), np.full(n, "new", dtype=object)
        taken = self.mate >= 0
        mark_id[taken] = v.ids[self.mate[taken]]
        verdict[taken] = np.where(self.mate_inside[taken], "known", "moved").astype(object)
        again = self.copy_of >= 0
        mark_id[again] = v.ids[self.copy_of[again]]
        verdict[again] = "repeated"
        far, bearing = np.full(n, np.nan), np.full(n, np.nan)
        went = np.flatnonzero(taken & ~self.mate_inside)
        w = self.mate_version[went]
        bearing[went], far[went] = inverse(v.lon[w], v.lat[w], f.lon[went], f.lat[went])
        return Returned(
            mark_id=mark_id,
            verdict=verdict,
            moved_m=far,
            moved_bearing_deg=bearing,
            missing=v.ids[missing],
            renamed=self._renamed(),
            export=export,
            doubtful=tuple(sorted(self.doubts)),
            grid=", ".join(w for w in (self.grid.words, self.rule) if w),
        )

    def _renamed(self) -> tuple[tuple[str, str, str], ...]:
        f, v = self.file, self.versions
        rows = np.flatnonzero((self.mate >= 0) & np.isin(self.mate_fit, (_OTHER, _BLANK)))
        written = v.text[self.mate_version[rows]]
        made = f.automatic[f.text[rows]]
        # A name that the plotter made where there was none, or in place of most, is no person's.
        most = 2 * len(rows) > int((self.mate >= 0).sum())
        ours = (f.key[f.text[rows]] != "") & ~(made & ((v.key[written] == "") | most))
        rows, written = rows[ours], written[ours]
        return tuple(
            sorted(
                (str(v.ids[k]), v.texts[t], str(n))
                for k, t, n in zip(
                    self.mate[rows].tolist(), written.tolist(), f.name[rows].tolist(), strict=True
                )
            )
        )

    def _nothing_known(self) -> Returned:
        n = len(self.file.lon)
        return Returned(
            mark_id=np.full(n, "", dtype=object),
            verdict=np.full(n, "new", dtype=object),
            moved_m=np.full(n, np.nan),
            moved_bearing_deg=np.full(n, np.nan),
            missing=np.empty(0, dtype=object),
            renamed=(),
            export=0,
            doubtful=tuple(sorted(self.doubts)),
            grid=self.grid.words,
        )


def _best(r: IntArray, k: IntArray, weight: FloatArray) -> IntArray:
    """Return the edges of the assignment with the greatest sum; any row may stay without."""
    rows, i = np.unique(r, return_inverse=True)
    marks, j = np.unique(k, return_inverse=True)
    if len(rows) * len(marks) <= _DENSE:
        from scipy.optimize import linear_sum_assignment

        table = np.zeros((len(rows), len(marks)))
        table[i, j] = weight
        a, b = (np.asarray(x, np.int64) for x in linear_sum_assignment(table, maximize=True))
    else:
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import min_weight_full_bipartite_matching

        # Each row has a column of its own that leaves it without; costs must not be zero.
        n, top = len(rows), float(weight.max()) + 1.0
        cost = np.concatenate([top - weight, np.full(n, top)])
        at = (np.concatenate([i, np.arange(n)]), np.concatenate([j, len(marks) + np.arange(n)]))
        graph = csr_array((cost, at), shape=(n, len(marks) + n))
        a, b = (np.asarray(x, np.int64) for x in min_weight_full_bipartite_matching(graph))
    partner = np.full(len(rows), -1, dtype=np.int64)
    partner[a] = b
    return np.flatnonzero(partner[i] == j)
