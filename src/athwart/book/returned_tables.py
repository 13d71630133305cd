"""Tables of a returned file and of all that was handed over, and pairs of their rows.

Of each handed-over mark there is one version for each different look (name, place) that exports
wrote. Below and in the modules that build on this one, ``r`` are rows of the returned file, ``v``
versions, and ``k`` marks, all as whole numbers from 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from athwart.book.names_back import LETTERS, bare_forms, comparable
from athwart.errors import DataError
from athwart.merge.looks import Sphere, run_starts
from athwart.merge.marks import automatic

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = [
    "FITTING",
    "WHOLE",
    "Fit",
    "Pairs",
    "ReturnedFile",
    "Versions",
    "WeighedPairs",
    "check_columns",
    "runs",
    "starting_with",
    "table_of_file",
    "table_of_versions",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]
KeyArray = NDArray[np.str_]
FitArray = NDArray[np.int8]


class Fit(IntEnum):
    """How the name of a returned waypoint fits the name of a version."""

    OTHER = 0  # it does not
    SAME = 1  # alike without capitals, signs, blanks and accents
    CUT = 2  # the beginning of it
    APPENDED = 3  # with digits at its end
    BLANK = 4  # one of them has none
    EXACT = 5  # what this plotter makes of it, to the letter
    NUMBERED = 6  # what this plotter makes of it, but for the number at its end


WHOLE = (Fit.EXACT, Fit.SAME, Fit.CUT)
FITTING = (*WHOLE, Fit.APPENDED, Fit.NUMBERED)


# -- the two tables -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ReturnedFile:
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


@dataclass(frozen=True, eq=False)
class Versions:
    """Each different look (mark, name, place) of the handed-over marks, once."""

    mark: IntArray
    lon: FloatArray
    lat: FloatArray
    export: IntArray  # the newest that wrote it
    xyz: FloatArray
    text: IntArray  # version -> distinct name
    texts: list[str]  # distinct names from here on
    key: KeyArray
    bare: tuple[KeyArray, ...]
    automatic: BoolArray
    same_key: IntArray  # marks that have the key
    sorted_keys: KeyArray  # one of each mark and key
    ids: TextArray  # mark -> id
    of_row: IntArray  # waypoint handed over -> version
    row_name: TextArray  # of waypoints handed over
    row_export: IntArray

    @cached_property
    def tree(self) -> cKDTree[None]:
        """The places, to be searched."""
        from scipy.spatial import cKDTree

        # The midpoint rule builds in n log n also where many points coincide.
        return cKDTree(self.xyz, balanced_tree=False)


def check_columns(what: str, lon: FloatArray, lat: FloatArray, *others: NDArray[Any]) -> None:
    """Refuse columns that differ in length, and positions that are none.

    Raises
    ------
    DataError
        It names the first waypoint whose position is none.
    """
    if any(np.ndim(c) != 1 or len(c) != len(lon) for c in (lon, lat, *others)):
        raise DataError(f"the columns of the waypoints {what} differ in length")
    bad = ~(np.isfinite(lon) & (np.abs(lat) <= 90.0) & (np.abs(lon) <= 360.0))
    if bad.any():
        i = int(np.argmax(bad))
        raise DataError(
            f"waypoint {i + 1} of those {what} is at longitude {lon[i]}, latitude {lat[i]}; "
            "allowed are -360 to 360 and -90 to 90 degrees"
        )


def table_of_file(
    lon: FloatArray, lat: FloatArray, name: TextArray, automatic_names: str
) -> tuple[ReturnedFile, IntArray]:
    """Return the table of a returned file, and the row as given of each of its rows."""
    order = np.lexsort((_factorised(name)[1], lat, lon))
    lon, lat, name = lon[order], lat[order], name[order]
    words, text = _factorised(name)
    keys = [comparable(t) for t in words]
    shown = {t: i for i, t in enumerate(sorted({t.strip() for t in words}))}
    stems = [
        _keys([k[:-j] if len(k) > j and k[-j:].isdigit() else "" for k in keys])
        for j in (1, 2, 3, 4)
    ]
    file = ReturnedFile(
        lon=lon,
        lat=lat,
        name=name,
        xyz=_points(lon, lat),
        text=text,
        key=_keys(keys),
        stems=tuple(stems),
        length=np.array([len(t.strip()) for t in words], dtype=np.int64),
        automatic=automatic(words, automatic_names),
        shown=shown,
        shown_as=np.array([shown[t.strip()] for t in words], dtype=np.int64),
    )
    return file, order


def table_of_versions(
    mark_id: TextArray,
    name: TextArray,
    lon: FloatArray,
    lat: FloatArray,
    export: IntArray,
    automatic_names: str,
) -> Versions:
    """Return the versions of waypoints that were handed over, one row a waypoint."""
    ids, mark = _factorised(mark_id)
    words, text = _factorised(name)
    lon, lat = np.asarray(lon, np.float64), np.asarray(lat, np.float64)
    export = np.asarray(export, np.int64)
    order = np.lexsort((export, lat, lon, text, mark))
    starts = run_starts(*(c[order] for c in (mark, text, lon, lat)))
    of_row = np.empty(len(mark), dtype=np.int64)
    of_row[order] = np.cumsum(starts) - 1
    # The last row of each run is its newest.
    row = order[np.append(starts[1:], True)[: len(starts)]]
    mark, text, lon, lat = mark[row], text[row], lon[row], lat[row]
    key = _keys([comparable(t) for t in words])
    bare = [bare_forms(t) for t in words]
    distinct, number = np.unique(key, return_inverse=True)
    pairs = np.unique(np.stack([mark, number[text]]), axis=1)
    return Versions(
        mark=mark,
        lon=lon,
        lat=lat,
        export=export[row],
        xyz=_points(lon, lat),
        text=text,
        texts=words,
        key=key,
        bare=tuple(_keys([b[i] for b in bare]) for i in range(3)),
        automatic=automatic(words, automatic_names),
        same_key=np.bincount(pairs[1], minlength=len(distinct))[number].astype(np.int64),
        sorted_keys=np.sort(distinct[pairs[1]]),
        ids=np.array([*ids, None], dtype=object)[:-1],
        of_row=of_row,
        row_name=name,
        row_export=export,
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


# -- pairs of their rows --------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Pairs:
    """Returned waypoints and versions that may be one, and how their names fit."""

    r: IntArray
    v: IntArray
    fit: FitArray


@dataclass(frozen=True, eq=False)
class WeighedPairs(Pairs):
    """Pairs with the weight of each, in nats, and the part of it that the names have."""

    weight: FloatArray
    of_names: FloatArray

    def take(self, which: BoolArray | IntArray) -> WeighedPairs:
        """Return some of them."""
        return WeighedPairs(
            self.r[which],
            self.v[which],
            self.fit[which],
            self.weight[which],
            self.of_names[which],
        )


# -- runs in sorted columns -----------------------------------------------------------------------


def runs(first: IntArray, size: IntArray) -> IntArray:
    """Return ``first``, ``first + 1`` and so on, as many as ``size`` says, one run after another."""
    before = np.append(0, np.cumsum(size)[:-1])
    return np.asarray(np.arange(int(size.sum())) + np.repeat(first - before, size))


def starting_with(sorted_keys: KeyArray, beginning: KeyArray) -> tuple[IntArray, IntArray]:
    """Return the first of the sorted keys that start like each beginning, and how many do."""
    low = np.searchsorted(sorted_keys, beginning)
    high = np.searchsorted(sorted_keys, np.strings.add(beginning, "\U0010ffff"))
    return low, high - low
