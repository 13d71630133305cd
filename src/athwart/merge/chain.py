"""Sightings to marks: the whole chain on one screen.

Merging always works from the set of sightings, never from earlier marks, so the order of files and
rows does not matter, and merging an output again, with the same or with more sources, gives what
merging everything at once gives.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from athwart.errors import UsageError
from athwart.merge.cluster import BLOCK, Bars, Plane, grow, lay_out, names_clash
from athwart.merge.gate import GATE, REACH_M, candidate_pairs, gate_limit, tree_of
from athwart.merge.known import TripSitting, checked, kept, sitting_against
from athwart.merge.looks import Looks, Sphere, canonical, check, factorise, looks_of, run_starts
from athwart.merge.marks import AUTOMATIC_NAMES, Gathered, automatic, gather
from athwart.merge.offset import sitting_of
from athwart.merge.report import APART_REASONS, KeptApart, Report
from athwart.tables import Marks, Sightings
from athwart.trips import assign_trips

__all__ = ["Merged", "Rulings", "merge"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Int32Array = NDArray[np.int32]

_ONE_BOTTOM = {"rock", "reef", "ledge", "other"}


@dataclass(frozen=True, slots=True)
class Rulings:
    """What the user has decided about pairs of sightings, by id.

    Parameters
    ----------
    same, apart : iterable of pairs of str
        Sightings that are one thing, or different things. Ids that are not among the sightings
        are passed over (their source may not be part of this merge).
    """

    same: Iterable[tuple[str, str]] = ()
    apart: Iterable[tuple[str, str]] = ()


@dataclass(frozen=True, eq=False)
class Merged:
    """What came of merging.

    Attributes
    ----------
    marks : Marks
        From south to north in rows of 0.01 degree, west to east within a row.
    sightings : Sightings
        Every sighting once, unchanged, in the same order.
    mark_of : numpy.ndarray of int64
        Row of ``marks`` for each sighting.
    trips, boats : numpy.ndarray of str
        Trip and boat of each sighting as taken: given, or worked out from the times and from the
        trip's other sightings.
    sittings : tuple of TripSitting
        Where the trips sit, by name: all that were given as known, and every other trip of six
        looks or more. To be given to the next merge as ``known``.
    report : Report
        What was folded, what was kept apart and why, what disagrees, which trip sits off.
    """

    marks: Marks
    sightings: Sightings
    mark_of: IntArray
    trips: NDArray[np.object_]
    boats: NDArray[np.object_]
    sittings: tuple[TripSitting, ...]
    report: Report


def merge(
    sightings: Sightings,
    *,
    gate: float = GATE,
    reach_m: float = REACH_M,
    rulings: Rulings | None = None,
    automatic_names: str = AUTOMATIC_NAMES,
    shift_trips: bool | Mapping[str, tuple[float, float]] = False,
    known: Iterable[TripSitting] | None = None,
    plane: Plane | None = None,
) -> Merged:
    """Fold sightings of many trips into marks.

    Parameters
    ----------
    sightings : Sightings
        Of any number of sources, in any order.
    gate : float
        Probability that two looks at one thing pass as one; between 0 and 1.
    reach_m : float
        Near pairs up to this distance are reported where they stay apart, metres. Sightings with
        large errors may be folded beyond it.
    rulings : Rulings, optional
        Pairs that the user has ruled to be one thing, or different things.
    automatic_names : str
        Regular expression of names that no person gave.
    shift_trips : bool or mapping of str to (east, north)
        True moves each trip that sits off the others onto them before folding; a mapping says
        how far, in metres, named trips lie off. Only marks move; sightings stay as they are.
    known : iterable of TripSitting, optional
        Where trips sit, from an earlier merge with the same options (``Merged.sittings``): a trip
        in a group, or off the others, keeps exactly that; the rest are laid against them. So a
        part of the sightings can be merged as all would be: `athwart.merge.reach_of` says which
        sightings are needed for that. A trip that was in no group is laid anew, and so is one
        that is left out, of which all sightings are to be given. Where the sightings lie tens of
        kilometres apart, a distance in the gate may differ from that in a merge of all by one part
        in 100 000, unless ``plane`` is given.
    plane : Plane, optional
        Where a merge of all would lay its sightings out (`athwart.merge.divide` tells), if these
        are a part of them.

    Returns
    -------
    Merged
        Marks, sightings, which belongs to which, and the report.

    Raises
    ------
    TableError
        Sightings without a sound position, error or id, or one id with two positions; every one
        listed.
    UsageError
        An option out of range, rulings that contradict each other, or a trip twice in ``known``.

    Notes
    -----
    Kinds fold when they are equal, among rock, reef, ledge and other (reported), or when one is
    not given: an unset kind says nothing, but a mark never comes to hold two kinds that cannot be
    one thing. Two sightings of one trip (of one file, where undated) with different names that a
    person gave are two things.
    """
    limit = gate_limit(gate)
    if not (np.isfinite(reach_m) and 0.0 < reach_m <= 10_000.0):
        raise UsageError(f"a reach of {reach_m:g} m cannot be; give more than 0, at most 10 km")
    check(sightings)
    s, keys, repeats = canonical(sightings)
    looks = looks_of(s)
    lon, lat = s.lon, s.lat
    tree = tree_of(looks)
    before = checked(known or ())
    sitting = sitting_against(looks, tree, before) if before else sitting_of(looks, tree)
    off, offsets = sitting.off, sitting.offsets
    shifted = _shifts(shift_trips, looks, offsets)
    if shifted:
        looks, lon, lat = _shift(looks, shifted, lon, lat)
        tree = tree_of(looks)
        sitting = (
            sitting_against(looks, tree, before, moved=True) if before else sitting_of(looks, tree)
        )
    first, second = candidate_pairs(looks, limit, reach_m, tree)
    names, kinds = factorise(s.name), factorise(s.kind)
    bars = _bars(s, looks, rulings or Rulings(), automatic_names, names, kinds)
    layout = lay_out(looks, first, second, sitting, plane)
    label, inside = grow(layout, first, second, limit=limit, bars=bars)
    g = gather(s, keys, looks, label, automatic_names, (lon, lat), names, kinds)
    apart = _kept_apart(g, bars, first, second, inside, reach_m)
    trips, boats = (np.array(c, dtype=object) for c in (looks.trip_names, looks.boat_names))
    report = Report(
        marks=g.marks,
        sightings=len(s),
        repeats=repeats,
        apart=apart,
        inflated=g.inflated,
        depths=g.depths,
        kinds=g.kinds,
        kind_words=_kind_words(s, g),
        offsets=offsets,
        shifted=shifted,
    )
    return Merged(
        g.marks,
        s,
        g.mark_of,
        trips[looks.trip],
        boats[looks.boat],
        kept(looks, sitting, off, before),
        report,
    )


def _shifts(
    asked: bool | Mapping[str, tuple[float, float]], looks: Looks, offsets: Iterable[object]
) -> dict[str, tuple[float, float]]:
    if isinstance(asked, Mapping):
        known = set(looks.trip_names)
        for trip, (east, north) in asked.items():
            if trip not in known:
                raise UsageError(f"there is no trip {trip!r} to shift; see the trips in the output")
            if not (np.hypot(east, north) <= 10_000.0):
                raise UsageError(f"trip {trip!r} cannot be shifted by {east:g}, {north:g} m")
        return {t: (float(e), float(n)) for t, (e, n) in asked.items()}
    return {o.trip: (o.east_m, o.north_m) for o in offsets} if asked else {}  # type: ignore[attr-defined]


def _shift(
    looks: Looks, shifted: Mapping[str, tuple[float, float]], lon: FloatArray, lat: FloatArray
) -> tuple[Looks, FloatArray, FloatArray]:
    move = np.array([shifted.get(t, (0.0, 0.0)) for t in looks.trip_names])[looks.trip]
    rows = np.flatnonzero(move.any(axis=1))
    lon, lat = lon.copy(), lat.copy()
    lon[rows], lat[rows] = looks.sphere.back(rows, -move[rows, 0], -move[rows, 1])
    return replace(looks, sphere=Sphere.at(lon, lat)), lon, lat


def _bars(
    s: Sightings,
    looks: Looks,
    rulings: Rulings,
    pattern: str,
    named: tuple[list[str], Int32Array],
    kinded: tuple[list[str], Int32Array],
) -> Bars:
    kinds, kind = kinded
    words = [k.strip().casefold() for k in kinds]
    classes: dict[str, int] = {"": 0, **dict.fromkeys(_ONE_BOTTOM, 1)}
    for word in words:
        classes.setdefault(word, len(classes))
    kind_class = np.array([classes[w] for w in words] or [0], dtype=np.int32)[kind]

    names, code = named
    person = ~automatic(names, pattern)
    folded: dict[str, int] = {}
    name_of = np.zeros(max(len(names), 1), dtype=np.int32)
    for k in np.flatnonzero(person).tolist():
        text = " ".join(names[k].casefold().split())
        name_of[k] = folded.setdefault(text, len(folded) + 1)
    scope = looks.trip
    loose = np.isnat(s.time)
    if loose.any():
        at = np.flatnonzero(loose)
        alone = assign_trips(s.time[at], np.full(len(at), "", dtype=object), s.sighting_id[at])
        loose[at] = (s.trip[at] == "") | (s.trip[at] == alone)
        _, source = factorise(s.source)
        scope = np.where(loose, len(looks.trip_names) + source, scope).astype(np.int32)
    same, apart = _ruled(s, rulings)
    return Bars(kind_class, scope, name_of[code], same, apart)


def _ruled(s: Sightings, rulings: Rulings) -> tuple[IntArray, IntArray]:
    same, apart = list(rulings.same), list(rulings.apart)
    none = np.empty((0, 2), dtype=np.int64)
    if not same and not apart:
        return none, none
    row = dict(zip(s.sighting_id.tolist(), range(len(s)), strict=True))

    def known(pairs: list[tuple[str, str]]) -> IntArray:
        found = [
            (min(row[a], row[b]), max(row[a], row[b]))
            for a, b in pairs
            if a in row and b in row and a != b
        ]
        return np.unique(np.array(found, dtype=np.int64), axis=0) if found else none

    one, two = known(same), known(apart)
    leader: dict[int, int] = {}

    def root(i: int) -> int:
        while leader.get(i, i) != i:
            i = leader[i]
        return i

    for a, b in one.tolist():
        leader[max(root(a), root(b))] = min(root(a), root(b))
    for a, b in two.tolist():
        if root(a) == root(b):
            raise UsageError(
                f"the sightings {s.sighting_id[a]} and {s.sighting_id[b]} are ruled to be one "
                "thing and to be different things; take one ruling back"
            )
    return one, two


def _kind_words(s: Sightings, g: Gathered) -> tuple[str, ...]:
    if not g.kinds.size:
        return ()
    rows = np.flatnonzero(np.isin(g.mark_of, g.kinds))
    words: dict[int, set[str]] = {}
    for mark, kind in zip(g.mark_of[rows].tolist(), s.kind[rows].tolist(), strict=True):
        if kind:
            words.setdefault(mark, set()).add(kind)
    return tuple(", ".join(sorted(words[k])) for k in g.kinds.tolist())


def _kept_apart(
    g: Gathered,
    bars: Bars,
    first: Int32Array,
    second: Int32Array,
    inside: NDArray[np.bool_],
    reach_m: float,
) -> KeptApart:
    codes = {code: k for k, code in enumerate(APART_REASONS)}
    keys = [np.empty(0, dtype=np.int64)]
    for lo in range(0, len(first), BLOCK):
        at = slice(lo, lo + BLOCK)
        i, j = first[at].astype(np.int64), second[at].astype(np.int64)
        ma, mb = g.mark_of.take(i), g.mark_of.take(j)
        differ = np.flatnonzero(ma != mb)
        i, j, ma, mb = i.take(differ), j.take(differ), ma.take(differ), mb.take(differ)
        # Two bits behind the pair of marks: the strongest thing that any two of their looks say.
        key = (np.minimum(ma, mb) << 32 | np.maximum(ma, mb)) << 2 | 2
        fits = np.flatnonzero(inside[at].take(differ))
        i, j = i.take(fits), j.take(fits)
        key[fits] -= np.where(names_clash(bars.scope, bars.name, i, j), 2, 1)
        keys.append(key)
    key = np.concatenate(keys)
    key.sort()
    key = key[run_starts(key >> 2)]
    a, b, said = key >> 34, (key >> 2) & 0xFFFFFFFF, key & 3
    place = Sphere.at(g.marks.lon, g.marks.lat).xyz
    distance = np.sqrt(sum((c[a] - c[b]) ** 2 for c in place))
    kind = np.zeros(len(g.marks), dtype=np.int32)
    np.maximum.at(kind, g.mark_of, bars.kind)
    ka, kb = kind[a], kind[b]
    reason = np.where(
        said == 2,
        codes["too-far"],
        np.where(
            (ka != kb) & (ka > 0) & (kb > 0),
            codes["kinds"],
            np.where(said == 0, codes["names"], codes["no-common-place"]),
        ),
    )
    if len(bars.apart):
        ra, rb = g.mark_of[bars.apart[:, 0]], g.mark_of[bars.apart[:, 1]]
        ruled = np.minimum(ra, rb) << 32 | np.maximum(ra, rb)
        reason[np.isin(a << 32 | b, ruled)] = codes["ruled"]
    near = (distance <= reach_m) | (said < 2)
    return KeptApart(a[near], b[near], distance[near], reason[near].astype(np.int8))
