"""The table of marks: what the sightings of each mark say together.

Positions and their covariance come from `fuse`. Depths and heights are weighted means, depths
only of one reference. A name that a person typed beats an automatic one, then the latest stands;
so for the kind, where a definite one beats ``other``. No note and no link is lost, and a hazard
flag survives.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.merge.fuse import Rows, fuse
from athwart.merge.looks import (
    Looks,
    Sphere,
    factorise,
    joined_ids,
    order_with_ties,
    run_starts,
    stable_order,
    turned,
)
from athwart.tables import Marks, Sightings, same_text
from athwart.uncertainty.ellipse import r95, s44_horizontal

__all__ = ["AUTOMATIC_NAMES", "Gathered", "automatic", "gather"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Int32Array = NDArray[np.int32]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]

AUTOMATIC_NAMES = r"[\d\s:.,/_+\-TZ]*\d[\d\s:.,/_+\-TZ]*|[^\W\d_]{1,4}[\s_\-]*\d+"
"""Names that a machine gives: only digits or a time, or up to four letters and a number."""

_Z95 = 1.959963984540054  # two-sided 95 % point of the normal
_REFERENCES = ("datum", "surface", "transducer", "")


@dataclass(frozen=True, eq=False)
class Gathered:
    """The marks and what is to be said of them.

    Attributes
    ----------
    marks : Marks
        In the order of their first look.
    mark_of : numpy.ndarray of int64
        Mark of each sighting.
    inflated : numpy.ndarray of int64
        Marks whose looks scatter more than their errors explain.
    depths : tuple of arrays
        Marks whose depths disagree: mark, reference, shallowest, deepest, metres.
    kinds : numpy.ndarray of int64
        Marks whose looks name different kinds.
    """

    marks: Marks
    mark_of: IntArray
    inflated: IntArray
    depths: tuple[IntArray, TextArray, FloatArray, FloatArray]
    kinds: IntArray


def automatic(names: list[str], pattern: str) -> BoolArray:
    """Return which names no person gave; the empty name is one of them."""
    match = re.compile(pattern).fullmatch
    return np.fromiter(
        (not n or match(n.strip()) is not None for n in names), dtype=bool, count=len(names)
    )


def _chi2_95(dof: IntArray) -> FloatArray:
    from scipy.special import chdtri

    known, back = np.unique(dof, return_inverse=True)
    return np.asarray(chdtri(known, 0.05), dtype=np.float64)[back]


def _time_rank(s: Sightings, keys: tuple[NDArray[np.uint64], ...]) -> IntArray:
    """Return each sighting's place by time, then id; undated ones last."""
    micros = s.time.astype(np.int64)
    micros = np.where(np.isnat(s.time), np.iinfo(np.int64).max, micros)
    order = order_with_ties(micros, keys)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank


def gather(
    s: Sightings,
    keys: tuple[NDArray[np.uint64], ...],
    looks: Looks,
    label: Int32Array,
    pattern: str,
    place: tuple[FloatArray, FloatArray],
    names: tuple[list[str], Int32Array],
    kinds: tuple[list[str], Int32Array],
) -> Gathered:
    """Make the marks of grown looks.

    Parameters
    ----------
    s : Sightings
        In canonical order.
    keys : tuple of numpy.ndarray
        Numbers that sort as the ids.
    looks : Looks
        The same sightings for merging.
    label : numpy.ndarray of int32
        First look of each look's mark.
    pattern : str
        Regular expression of automatic names.
    place : tuple of numpy.ndarray
        Longitude and latitude as merged (shifted where that was asked for), degrees.
    names, kinds : tuple
        Distinct texts and the code of each sighting.
    """
    n = len(s)
    heads = np.flatnonzero(label == np.arange(n))
    number = np.empty(n, dtype=np.int64)
    number[heads] = np.arange(len(heads))
    mark_of = number[label]
    count = np.bincount(mark_of, minlength=len(heads))

    rank = _time_rank(s, keys)
    order = np.argsort((mark_of << 32) | rank)  # every key is different
    start = np.cumsum(count) - count
    several = np.flatnonzero(count > 1)
    rows = order[np.repeat(count > 1, count)]
    of = np.repeat(np.arange(len(several)), count[several])
    first = np.cumsum(count[several]) - count[several]

    at = _positions(looks, heads, several, count, rows, of, *place)
    dated = ~np.isnat(s.time[order])
    n_dated = np.add.reduceat(dated.astype(np.int64), start) if n else count
    first_time = s.time[order[start]]
    last_time = np.where(
        n_dated > 0,
        s.time[order[np.maximum(start + n_dated - 1, 0)]] if n else first_time,
        np.datetime64("NaT", "us"),
    )
    recency = np.where(np.isnat(s.time[rows]), rank[rows], rank[rows] + n)

    name, kind = s.name[heads], s.kind[heads]
    note, links = s.note[heads], s.links[heads]
    hazard = s.hazard[heads]
    two_kinds = np.empty(0, np.int64)
    if several.size:
        _choose_names(name, names, rows, of, several, recency, pattern)
        two_kinds = _choose_kinds(kind, kinds, rows, of, several, recency)
        hazard[several] = np.logical_or.reduceat(s.hazard[rows], first)
        for column, values in ((note, s.note), (links, s.links)):
            _join_texts(column, values, rows, of, several)
    depth, below, var_depth, depths = _depths(s, mark_of, len(heads))
    height, var_height = _heights(s, mark_of, len(heads))
    radius = r95(at[2], at[3], at[4])
    first_id = s.sighting_id[order[start]]
    marks = Marks.from_columns(
        {
            "mark_id": first_id,
            "name": name,
            "kind": kind,
            "hazard": hazard,
            "note": note,
            "lon": at[0],
            "lat": at[1],
            "depth_m": depth,
            "depth_below": below,
            "var_depth_m2": var_depth,
            "height_m": height,
            "var_height_m2": var_height,
            "least_depth_m": depth - height - _Z95 * np.sqrt(var_depth + var_height),
            "var_east_m2": at[2],
            "var_north_m2": at[3],
            "cov_east_north_m2": at[4],
            "r95_m": radius,
            "s44_horizontal": s44_horizontal(radius, depth),
            "sightings": count,
            "trips": at[5],
            "first_time": first_time,
            "last_time": last_time,
            "scatter": at[6],
            "links": links,
            "sighting_ids": _joined_ids(first_id, s.sighting_id, keys, rows, count),
        }
    )
    return Gathered(marks, mark_of, several[at[7]], depths, two_kinds)


def _joined_ids(
    first: TextArray,
    ids: TextArray,
    keys: tuple[NDArray[np.uint64], ...],
    rows: IntArray,
    count: IntArray,
) -> TextArray:
    """Return the ids of each mark's looks, with a blank between them.

    ``first`` has the earliest of each mark, ``rows`` the looks of all marks of several, in order.
    """
    out = first.copy()
    several = np.flatnonzero(count > 1)
    size = count[several]
    ends = np.cumsum(size)
    text = joined_ids(tuple(k[rows] for k in keys))
    if text:
        # One mark a line, and all lines cut at once.
        written = bytearray(text, "ascii")
        np.frombuffer(written, dtype=np.uint8)[21 * ends[:-1] - 1] = ord("\n")
        out[several] = written.decode("ascii").split("\n")
        return out
    listed = ids[rows].tolist()
    cuts = zip((ends - size).tolist(), ends.tolist(), strict=True)
    out[several] = [" ".join(listed[a:b]) for a, b in cuts]
    return out


def _positions(
    looks: Looks,
    heads: IntArray,
    several: IntArray,
    count: IntArray,
    rows: IntArray,
    of: IntArray,
    lon: FloatArray,
    lat: FloatArray,
) -> tuple[NDArray[Any], ...]:
    """Return lon, lat, covariance, trips, scatter of all marks, and which of several scatter."""
    common = looks.shared[heads] ** 2 + looks.boat_sigma[heads] ** 2
    out_lon, out_lat = lon[heads], lat[heads]
    see, snn, sen = looks.see[heads] + common, looks.snn[heads] + common, looks.sen[heads]
    trips = np.ones(len(heads), dtype=np.int64)
    scatter = np.full(len(heads), np.nan)
    much = np.zeros(len(several), dtype=bool)
    if not several.size:
        return out_lon, out_lat, see, snn, sen, trips, scatter, much
    by_trip = stable_order(of * len(looks.trip_names) + looks.trip[rows])
    rows, of = rows[by_trip], of[by_trip]
    origin = heads[several][of]
    x, y = looks.sphere.plane(rows, origin)
    turn = looks.sphere.turn(rows, origin)
    a, b, c = turned(looks.see[rows], looks.snn[rows], looks.sen[rows], *turn)
    f = fuse(
        Rows(
            x,
            y,
            a,
            b,
            c,
            looks.shared[rows],
            looks.boat_sigma[rows],
            looks.trip[rows],
            looks.boat[rows],
        ),
        of,
    )
    dof = 2 * count[several] - 2
    chi = f.squared / dof
    much = f.squared > _chi2_95(dof)
    grow = np.where(much, chi, 1.0)
    out_lon[several], out_lat[several] = looks.sphere.back(heads[several], f.x, f.y)
    # The mark's own east is not quite its first look's (it matters beside the poles).
    here = Sphere.at(out_lon[several], out_lat[several])
    c, s = looks.sphere.turn(heads[several], slice(None), here)
    see[several], snn[several], sen[several] = turned(
        f.see * grow, f.snn * grow, f.sen * grow, c, s
    )
    trips[several], scatter[several] = f.trips, chi
    return out_lon, out_lat, see, snn, sen, trips, scatter, much


def _latest(of: IntArray, value: IntArray) -> IntArray:
    """Return the index of the largest value of each run of ``of``; values differ."""
    start = np.flatnonzero(run_starts(of))
    top = np.maximum.reduceat(value, start)
    return np.flatnonzero(value == np.repeat(top, np.diff(np.append(start, len(of)))))


def _choose_names(
    out: TextArray,
    names: tuple[list[str], Int32Array],
    rows: IntArray,
    of: IntArray,
    several: IntArray,
    recency: IntArray,
    pattern: str,
) -> None:
    known, code = names[0], names[1][rows]
    full = np.flatnonzero(code != known.index("")) if "" in known else np.arange(len(rows))
    if not full.size:
        return
    code, of, recency = code[full], of[full], recency[full]
    start = np.flatnonzero(run_starts(of))
    size = np.diff(np.append(start, len(of)))
    mixed = np.repeat(np.minimum.reduceat(code, start) != np.maximum.reduceat(code, start), size)
    typed = np.zeros(len(of), dtype=bool)
    if mixed.any():
        asked = np.unique(code[mixed])
        person = np.zeros(len(known), dtype=bool)
        person[asked] = ~automatic([known[k] for k in asked.tolist()], pattern)
        typed = person[code]
    best = _latest(of, recency + (typed.astype(np.int64) << 40))
    out[several[of[best]]] = np.array(known, dtype=object)[code[best]]


def _choose_kinds(
    out: TextArray,
    kinds: tuple[list[str], Int32Array],
    rows: IntArray,
    of: IntArray,
    several: IntArray,
    recency: IntArray,
) -> IntArray:
    known, code = kinds[0], kinds[1][rows]
    weight = np.array([0 if not k else 1 if k == "other" else 2 for k in known], dtype=np.int64)
    full = np.flatnonzero(weight[code] > 0)
    if not full.size:
        return np.empty(0, np.int64)
    code, of, recency = code[full], of[full], recency[full]
    best = _latest(of, recency + (weight[code] << 40))
    out[several[of[best]]] = np.array(known, dtype=object)[code[best]]
    start = np.flatnonzero(run_starts(of))
    mixed = np.minimum.reduceat(code, start) != np.maximum.reduceat(code, start)
    return np.asarray(several[of[start[mixed]]])


def _join_texts(
    out: TextArray, texts: TextArray, rows: IntArray, of: IntArray, several: IntArray
) -> None:
    """Join the lines of each mark's texts in the order of time, each line once."""
    full = np.flatnonzero(texts[rows] != "")
    if not full.size:
        return
    mark = of[full]
    start = np.flatnonzero(run_starts(mark))
    size = np.diff(np.append(start, len(mark)))
    out[several[mark[start]]] = texts[rows[full[start]]]
    for k in np.flatnonzero(size > 1).tolist():
        parts = texts[rows[full[start[k] : start[k] + size[k]]]].tolist()
        lines = dict.fromkeys(line for part in parts for line in part.split("\n"))
        out[several[mark[start[k]]]] = "\n".join(lines)


def _weighted(
    group: IntArray, value: FloatArray, variance: FloatArray, groups: int
) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Return weighted mean, variance, chi-square and count of each group."""
    weight = 1.0 / variance
    total = np.asarray(np.bincount(group, weight, groups), np.float64)
    count = np.asarray(np.bincount(group, minlength=groups), np.int64)
    safe = np.where(count > 0, total, 1.0)
    mean = np.bincount(group, weight * value, groups) / safe
    chi = np.asarray(np.bincount(group, weight * (value - mean[group]) ** 2, groups), np.float64)
    mean[count == 0] = np.nan
    return mean, np.where(count > 0, 1.0 / safe, np.nan), chi, count


def _depths(
    s: Sightings, mark_of: IntArray, marks: int
) -> tuple[FloatArray, TextArray, FloatArray, tuple[IntArray, TextArray, FloatArray, FloatArray]]:
    reference = np.array(_REFERENCES, dtype=object)
    depth, var = np.full(marks, np.nan), np.full(marks, np.nan)
    below = same_text(marks, "")
    none = (np.empty(0, np.int64), np.empty(0, object), np.empty(0), np.empty(0))
    rows = np.flatnonzero(np.isfinite(s.depth_m))
    if not rows.size:
        return depth, below, var, none
    known, code = factorise(s.depth_below[rows])
    place = np.array([_REFERENCES.index(k) if k in _REFERENCES else 3 for k in known])
    group = mark_of[rows] * 4 + place[code]
    value, given = s.depth_m[rows], s.var_depth_m2[rows]
    # Where no error is given: 0.1 m + 1 % and an unknown water level of 1 m (the error budget).
    default = (0.1 + 0.01 * np.abs(value)) ** 2 + 1.0
    variance = np.maximum(np.where(np.isnan(given), default, given), 1e-4)
    mean, fused, chi, count = _weighted(group, value, variance, 4 * marks)
    best = np.where(np.isnan(fused), np.inf, fused).reshape(-1, 4).argmin(axis=1)
    at = np.arange(marks) * 4 + best
    depth, var = mean[at], fused[at]
    has = count[at] > 0
    below[has] = reference[best[has]]
    several = np.flatnonzero(count > 1)
    apart = several[chi[several] > _chi2_95(count[several] - 1)] if several.size else several
    if not apart.size:
        return depth, below, var, none
    low, high = np.full(4 * marks, np.inf), np.full(4 * marks, -np.inf)
    of_interest = np.isin(group, apart)
    np.minimum.at(low, group[of_interest], value[of_interest])
    np.maximum.at(high, group[of_interest], value[of_interest])
    return depth, below, var, (apart // 4, reference[apart % 4], low[apart], high[apart])


def _heights(s: Sightings, mark_of: IntArray, marks: int) -> tuple[FloatArray, FloatArray]:
    rows = np.flatnonzero(np.isfinite(s.height_m))
    if not rows.size:
        return np.full(marks, np.nan), np.full(marks, np.nan)
    value, given = s.height_m[rows], s.var_height_m2[rows]
    # Where no error is given: 0.3 m + 10 %, common practice, no source.
    default = (0.3 + 0.1 * value) ** 2
    variance = np.maximum(np.where(np.isnan(given), default, given), 1e-4)
    mean, fused, _, _ = _weighted(mark_of[rows], value, variance, marks)
    return mean, fused
