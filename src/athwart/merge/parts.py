"""A merge too large for one piece, in parts that give the same marks.

The water is cut into bands of latitude, whose borders run between the rows of 0.01 degree of the
canonical order; so bands laid end to end are in that order, and neither the poles nor the 180th
meridian are a border. Of each band `outline` takes numbers alone. From these `divide` works out
what all parts have to agree on: how the trips sit, where the sightings are laid out, and which
band merges which sightings. A connected set of near sightings that crosses a border goes whole to
the southernmost of its bands: sets are assigned, not tiles. Then each part is given to `merge` by
itself, in any order, on any machine, and `in_order` lays the marks end to end.

The largest connected set has to fit into one piece. Where things lie so close that everything is
near something near everything (from some 900 things a square km with a reach of 40 m: in the plane
discs of radius r connect without end from 4.51 / (pi (2 r)^2), Quintanilla, Torquato and Ziff,
J. Phys. A 33, 2000; from memory), the whole survey is one set.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from athwart.errors import UsageError
from athwart.merge.chain import Merged, Rulings
from athwart.merge.cluster import Plane, connected, plane_for
from athwart.merge.gate import GATE, REACH_M, candidate_pairs, gate_limit, reaches, tree_of
from athwart.merge.known import TripSitting, kept
from athwart.merge.looks import (
    Looks,
    Sphere,
    by_name,
    canonical,
    check,
    factorise,
    id_keys,
    order_with_ties,
    place_key,
    row_of,
    trips_of_boats,
)
from athwart.merge.offset import Offset, sitting_of
from athwart.tables import Marks, Sightings

__all__ = ["ROWS", "Division", "Outline", "bands", "divide", "in_order", "outline"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Int32Array = NDArray[np.int32]

ROWS = 18_001
"""Rows of 0.01 degree from pole to pole; the North Pole has one of its own."""

_METRES_A_DEGREE = 110_574.0  # the shortest degree of latitude on WGS 84, at the equator
_SLACK_M = 1.0  # far more than what rounding takes off


def bands(counts: IntArray, most: int) -> IntArray:
    """Cut the rows of 0.01 degree into bands of about equally many sightings.

    Parameters
    ----------
    counts : numpy.ndarray of int, shape (18001,)
        Sightings of each row: ``numpy.bincount(row_of(lat), minlength=ROWS)``.
    most : int
        Sightings that a band may hold; a single row that has more is a band of its own.

    Returns
    -------
    numpy.ndarray of int
        First row of each band, from the south; the first is 0.

    Examples
    --------
    >>> counts = np.zeros(ROWS, dtype=int)
    >>> counts[[9000, 9001, 9002, 9300]] = 30, 40, 50, 60
    >>> bands(counts, 100)
    array([   0, 9002, 9300])
    """
    if most < 1:
        raise UsageError(f"a band of {most} sightings cannot be; give 1 or more")
    first, held = [0], 0
    for row in np.flatnonzero(counts).tolist():
        here = int(counts[row])
        if held and held + here > most:
            first.append(row)
            held = 0
        held += here
    return np.array(first)


@dataclass(frozen=True, eq=False)
class Outline:
    """What `divide` has to know of a band's sightings, in their canonical order.

    Attributes
    ----------
    lon, lat : numpy.ndarray
        Degrees.
    see, snn, sen : numpy.ndarray
        Own covariance, square metres.
    shared, boat_sigma : numpy.ndarray
        The trip's and the boat's common error, metres per axis.
    trip, boat : numpy.ndarray of int32
        Codes of ``trip_names`` and ``boat_names``.
    part : numpy.ndarray of int32
        Number of the connected set inside the band.
    ruled : dict of str to int
        Row of each sighting that the user has ruled about.
    repeats : int
        Sightings that stood there more than once.
    """

    lon: FloatArray
    lat: FloatArray
    see: FloatArray
    snn: FloatArray
    sen: FloatArray
    shared: FloatArray
    boat_sigma: FloatArray
    trip: Int32Array
    boat: Int32Array
    trip_names: list[str]
    boat_names: list[str]
    part: Int32Array
    ruled: dict[str, int]
    repeats: int

    def __len__(self) -> int:
        return len(self.lon)


@dataclass(frozen=True, eq=False)
class Division:
    """What the parts of a merge agree on, and which band merges which sightings.

    Attributes
    ----------
    sittings : tuple of TripSitting
        How the trips sit: ``known`` of the merge of each part.
    plane : Plane
        Where all are laid out: ``plane`` of the merge of each part.
    offsets : tuple of Offset
        Trips that sit off the others, the farthest first.
    to : tuple of numpy.ndarray of int32
        For each band the band that merges each of its sightings.
    sets, crossing : int
        Connected sets of sightings, and those among them that lie in several bands.
    """

    sittings: tuple[TripSitting, ...]
    plane: Plane
    offsets: tuple[Offset, ...]
    to: tuple[Int32Array, ...]
    sets: int
    crossing: int

    def sources(self, band: int) -> list[int]:
        """Return the bands whose sightings a band merges, itself included."""
        return [k for k, to in enumerate(self.to) if (to == band).any()]

    def part(self, band: int, read: Callable[[int], Sightings]) -> Sightings:
        """Return the sightings that a band merges.

        Parameters
        ----------
        band : int
            From 0.
        read : callable
            Returns the sightings of a band, by its number, as `outline` has ordered them.
        """
        return Sightings.concat([read(k).take(self.to[k] == band) for k in self.sources(band)])


def outline(
    sightings: Sightings,
    *,
    gate: float = GATE,
    reach_m: float = REACH_M,
    rulings: Rulings | None = None,
) -> tuple[Sightings, Outline]:
    """Take from a band's sightings what `divide` has to know of them.

    Parameters
    ----------
    sightings : Sightings
        All of one band, in any order. Each has a trip.
    gate, reach_m, rulings
        As given to `merge`.

    Returns
    -------
    sightings : Sightings
        In canonical order and each once, as `Division.part` wants to read them.
    outline : Outline
        Numbers alone: about 90 bytes a sighting.

    Raises
    ------
    TableError
        As `merge`.
    UsageError
        Sightings without a trip. Which outing they belong to can be told only from all of them
        (`athwart.trips.assign_trips`).
    """
    check(sightings)
    s, _, repeats = canonical(sightings)
    without = int((s.trip == "").sum())
    if without:
        raise UsageError(
            f"{without} of {len(s)} sightings have no trip; give the trips of all sightings "
            "together before they are merged in parts"
        )
    trip_names, trip = factorise(s.trip)
    boat_names, boat = factorise(s.boat)
    looks = Looks(
        Sphere.at(s.lon, s.lat),
        s.var_east_m2,
        s.var_north_m2,
        s.cov_east_north_m2,
        np.nan_to_num(s.shared_sigma_m),
        np.nan_to_num(s.boat_sigma_m),
        trip,
        boat,
        trip_names,
        boat_names,
    )
    part = np.empty(0, np.int32)
    if len(s):
        pairs = candidate_pairs(looks, gate_limit(gate), reach_m, tree_of(looks))
        part, _ = connected(len(s), *pairs)
    wanted = {i for pair in (rulings or Rulings()).same for i in pair}
    ruled = {i: k for k, i in enumerate(s.sighting_id.tolist()) if i in wanted} if wanted else {}
    return s, Outline(
        s.lon,
        s.lat,
        looks.see,
        looks.snn,
        looks.sen,
        looks.shared,
        looks.boat_sigma,
        trip,
        boat,
        trip_names,
        boat_names,
        part,
        ruled,
        repeats,
    )


def divide(
    outlines: Sequence[Outline],
    *,
    gate: float = GATE,
    reach_m: float = REACH_M,
    rulings: Rulings | None = None,
) -> Division:
    """Work out what the parts of a merge agree on.

    Parameters
    ----------
    outlines : sequence of Outline
        Of all bands, from south to north. A band may be empty. Repeats of one sighting have to
        lie in one band, or they count twice where the trips are weighed.
    gate, reach_m, rulings
        As given to `merge` and `outline`.

    Returns
    -------
    Division
        ``merge(division.part(k, read), known=division.sittings, plane=division.plane)`` gives for
        each band k the marks that a merge of all gives, less those of other bands.

    Raises
    ------
    UsageError
        Bands that overlap, or a trip of which some sightings have a boat and some have none.
    """
    limit = gate_limit(gate)
    size = np.array([len(o) for o in outlines], dtype=np.int64)
    band = np.repeat(np.arange(len(outlines)), size)
    lat = np.concatenate([o.lat for o in outlines]) if len(outlines) else np.empty(0)
    row = row_of(lat)
    start = np.flatnonzero(np.diff(band)) + 1
    if (row[start] <= row[start - 1]).any():
        raise UsageError("the bands overlap; give them from south to north, with no row in two")
    looks = _joined(outlines, lat)
    sitting = sitting_of(looks, tree_of(looks))
    part = np.empty(0, np.int64)
    sets = np.array([int(o.part.max(initial=-1)) + 1 for o in outlines], dtype=np.int64)
    if len(lat):
        base = np.cumsum(sets) - sets
        part = np.concatenate([o.part + b for o, b in zip(outlines, base, strict=True)])
    ties = [part[t] for t in _crossing(looks, band, row, lat, start, limit, reach_m)]
    ties.append(_ruled(outlines, part, size, rulings or Rulings()))
    one, two = np.concatenate(ties, axis=1)
    count = int(sets.sum())
    to = np.empty(0, np.int32)
    total = crossing = 0
    if count:
        whole, _ = connected(count, one, two)
        of = whole[part]
        total = int(whole.max()) + 1
        owner = np.full(total, len(outlines))
        np.minimum.at(owner, of, band)
        to = owner[of].astype(np.int32)
        crossing = len(np.unique(of[to != band]))
    return Division(
        kept(looks, sitting, sitting.off, {}),
        plane_for(looks),
        sitting.offsets,
        tuple(np.split(to, np.cumsum(size)[:-1])),
        total,
        crossing,
    )


def _joined(outlines: Sequence[Outline], lat: FloatArray) -> Looks:
    def end_to_end(name: str) -> FloatArray:
        return np.concatenate([getattr(o, name) for o in outlines]) if outlines else np.empty(0)

    def coded(what: str) -> tuple[list[str], Int32Array]:
        lists = [getattr(o, f"{what}_names") for o in outlines]
        names = list(dict.fromkeys(n for listed in lists for n in listed))
        code = dict(zip(names, range(len(names)), strict=True))
        parts = [
            np.array([code[n] for n in listed], dtype=np.int32)[getattr(o, what)]
            for o, listed in zip(outlines, lists, strict=True)
            if len(o)
        ]
        return names, np.concatenate(parts) if parts else np.empty(0, np.int32)

    trip_names, trip = coded("trip")
    boat_names, boat = coded("boat")
    if "" in boat_names and len(boat_names) > 1:
        none = boat_names.index("")
        mixed = np.intersect1d(trip[boat == none], trip[boat != none])
        if mixed.size:
            raise UsageError(
                f"some sightings of trip {trip_names[mixed[0]]!r} have a boat and some have none; "
                "give all of them the boat before they are merged in parts"
            )
    trip_names, trip = by_name(trip_names, trip)
    trip_names, trip, boat_names, boat = trips_of_boats(trip_names, trip, boat_names, boat)
    return Looks(
        Sphere.at(end_to_end("lon"), lat),
        end_to_end("see"),
        end_to_end("snn"),
        end_to_end("sen"),
        end_to_end("shared"),
        end_to_end("boat_sigma"),
        trip,
        boat,
        trip_names,
        boat_names,
    )


def _crossing(
    looks: Looks,
    band: IntArray,
    row: IntArray,
    lat: FloatArray,
    start: IntArray,
    limit: float,
    reach_m: float,
) -> list[IntArray]:
    """Return the near pairs of sightings of two bands, an array of two rows for each border.

    A pair that crosses a border has an end that reaches the border, and its other end lies no
    farther from the border than that reach: so all are found in a strip as wide as the farthest
    reach of those that reach the border.
    """
    found = [np.empty((2, 0), dtype=np.int64)]
    reach = reaches(looks, limit, reach_m) + _SLACK_M
    farthest = reach.max(initial=0.0) / _METRES_A_DEGREE
    for border in np.unique(row[start]).tolist():
        at = border / 100.0 - 90.0
        low, high = np.searchsorted(
            row, row_of(np.array([at - farthest, at + farthest])) + np.array([0, 1])
        )
        away = np.abs(lat[low:high] - at) * _METRES_A_DEGREE
        widest = reach[low:high][away <= reach[low:high]].max(initial=0.0)
        strip = low + np.flatnonzero(away <= widest)
        if strip.size < 2 or band[strip[0]] == band[strip[-1]]:
            continue
        some = looks.take(strip)
        i, j = candidate_pairs(some, limit, reach_m, tree_of(some))
        i, j = strip[i], strip[j]
        across = band[i] != band[j]
        found.append(np.stack([i[across], j[across]]))
    return found


def _ruled(
    outlines: Sequence[Outline], part: IntArray, size: IntArray, rulings: Rulings
) -> IntArray:
    first = (np.cumsum(size) - size).tolist()
    at = {i: b + k for o, b in zip(outlines, first, strict=True) for i, k in o.ruled.items()}
    pairs = [(at[a], at[b]) for a, b in rulings.same if a in at and b in at]
    return part[np.array(pairs, dtype=np.int64).reshape(-1, 2).T]


def in_order(parts: Sequence[Merged]) -> Marks:
    """Lay the marks of all parts end to end, in the order of a merge of all."""
    marks = Marks.concat([m.marks for m in parts])
    heads = [np.unique(m.mark_of, return_index=True)[1] for m in parts]
    firsts = [(m.sightings, h) for m, h in zip(parts, heads, strict=True)]
    if not len(marks):
        return marks
    lon, lat, ids = (
        np.concatenate([getattr(s, c)[h] for s, h in firsts]) for c in ("lon", "lat", "sighting_id")
    )
    return marks.take(order_with_ties(place_key(lon, lat), (lat, *id_keys(ids))))
