"""What of a returned file has a second explanation that is nearly as good, in sentences."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from athwart.book.returned_assignment import Edges, Found
from athwart.book.returned_tables import BoolArray, Fit, IntArray, ReturnedFile, Versions
from athwart.geometry.geodesic import inverse
from athwart.units import format_length, format_position

__all__ = ["DOUBT", "doubts_of_return", "doubts_of_stranger"]

DOUBT = 2.0
"""An explanation this little worse than the best (nats; a factor of 7.4) is said to be possible.

Twice as much where a waypoint is taken as new.
"""

Doubted = Iterable[tuple[int, int]]  # waypoints, and the versions that they may be or are not


def doubts_of_return(
    file: ReturnedFile, versions: Versions, found: Found, edges: Edges, missing: IntArray
) -> tuple[str, ...]:
    """Return one sentence on each doubtful waypoint of a file, sorted.

    Parameters
    ----------
    file, versions : ReturnedFile, Versions
        The tables.
    found : Found
        What each waypoint is.
    edges : Edges
        What it might have been.
    missing : numpy.ndarray of int64
        Marks that the file lacks.
    """
    say = _Sentences(file, versions, found)
    kinds: tuple[tuple[Doubted, Callable[[int, int], str]], ...] = (
        (found.unsure_copies.items(), say.copy),
        (_rivals(file, versions, found, edges), say.rival),
        (_weak(found, edges), say.weak),
        (_named_like_another(versions, found, edges), say.named_like_another),
        (
            _namesakes(file, versions, found, np.isin(versions.mark, missing)),
            lambda r, v: say.namesake(r, v, "which the file lacks"),
        ),
    )
    told: dict[int, str] = {}
    for doubted, sentence in kinds:
        for r, v in doubted:
            if r not in told:
                told[r] = sentence(r, v)
    return tuple(sorted(told.values()))


def doubts_of_stranger(file: ReturnedFile, versions: Versions) -> tuple[str, ...]:
    """Return one sentence on each namesake of a mark in a file that looks like no return, sorted."""
    found = Found.nothing(len(file.lon))
    say = _Sentences(file, versions, found)
    anyone = np.ones(len(versions.mark), dtype=bool)
    return tuple(
        sorted(
            say.namesake(r, v, "but the file looks like no return")
            for r, v in _namesakes(file, versions, found, anyone)
        )
    )


# -- what is doubtful -----------------------------------------------------------------------------


def _pairs(r: IntArray, v: IntArray) -> Doubted:
    return zip(r.tolist(), v.tolist(), strict=True)


def _rivals(file: ReturnedFile, versions: Versions, found: Found, e: Edges) -> Doubted:
    """Return waypoints that might as well be another mark, the best such one first.

    What is gained or lost by that counts with what the waypoint that is that mark would get in
    exchange.
    """
    n, marks = len(found.mark), len(versions.ids)
    owner = found.waypoint_of(marks)
    used = found.mark[e.r] == e.k
    current = np.zeros(n)
    current[e.r[used]] = e.weight[used]
    free = owner[e.k] < 0
    best_free = np.zeros(n)
    np.maximum.at(best_free, e.r[free], e.weight[free])
    code = e.r * marks + e.k
    holder = owner[e.k]
    wanted = np.where(found.mark[e.r] >= 0, holder * marks + found.mark[e.r], -1)
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
    twins = _alike(file, e.r, holder) & ~free
    # A new mark too many is worse than a sentence too many.
    bar = np.where(found.mark[e.r] >= 0, DOUBT, 2.0 * DOUBT)
    near = np.flatnonzero((gain > -bar) & ~used & ~twins & (found.copy_of[e.r] < 0))
    near = near[np.lexsort((e.k[near], -gain[near], e.r[near]))]
    return _pairs(e.r[near], e.v[near])


def _alike(file: ReturnedFile, a: IntArray, b: IntArray) -> BoolArray:
    f = file
    return np.asarray(
        (f.lon[a] == f.lon[b]) & (f.lat[a] == f.lat[b]) & (f.key[f.text[a]] == f.key[f.text[b]])
    )


def _weak(found: Found, e: Edges) -> Doubted:
    """Return waypoints that are hardly better explained as marks than as new ones."""
    weak = np.flatnonzero((found.mark[e.r] == e.k) & (e.weight < DOUBT))
    return _pairs(e.r[weak], e.v[weak])


def _named_like_another(versions: Versions, found: Found, e: Edges) -> Doubted:
    """Return waypoints in the place of one mark and with the name of another one that is gone."""
    gone = found.waypoint_of(len(versions.ids))[e.k] < 0
    here = found.in_place[e.r] & (found.fit[e.r] == Fit.OTHER) & ~e.in_place & gone
    return _pairs(e.r[here], e.v[here])


def _namesakes(file: ReturnedFile, versions: Versions, found: Found, among: BoolArray) -> Doubted:
    """Return new waypoints with a name of their own that some of the versions have."""
    f, v = file, versions
    mine = np.flatnonzero(found.new & ~f.automatic[f.text])
    own = (v.same_key[v.text] == 1) & ~v.automatic[v.text] & (v.key[v.text] != "") & among
    theirs = np.flatnonzero(own)
    theirs = theirs[np.argsort(v.export[theirs], kind="stable")]
    of = dict(zip(v.key[v.text[theirs]].tolist(), theirs.tolist(), strict=True))
    keys = f.key[f.text[mine]].tolist()
    return [(r, of[key]) for r, key in zip(mine.tolist(), keys, strict=True) if key in of]


# -- how it is said -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Sentences:
    """One sentence on a waypoint r and a version v, for each kind of doubt."""

    file: ReturnedFile
    versions: Versions
    found: Found

    def copy(self, r: int, v: int) -> str:
        return (
            f"{self._where(r)} is taken for a copy of {self._name(v)} with a number "
            "appended; it may be a new one"
        )

    def rival(self, r: int, v: int) -> str:
        if self.found.mark[r] >= 0:
            return f"{self._taken_for(r)}; {self._name(v)} fits it nearly as well"
        return (
            f"{self._where(r)} is taken as new; it may be {self._name(v)}, which was "
            f"handed over {self._far(r, v)} away"
        )

    def weak(self, r: int, v: int) -> str:
        return f"{self._taken_for(r)}; it may be a new one"

    def named_like_another(self, r: int, v: int) -> str:
        return (
            f"{self._taken_for(r)}, because of its place; it has the name of "
            f"{self._name(v)}, which the file lacks"
        )

    def namesake(self, r: int, v: int, why: str) -> str:
        f, vs = self.file, self.versions
        metres = float(inverse(vs.lon[v], vs.lat[v], f.lon[r], f.lat[r])[1])
        return (
            f"{self._where(r)} is taken as new; it has the name of {self._name(v)}, "
            f"handed over {format_length(metres, digits=0)} away, {why}"
        )

    def _name(self, v: int) -> str:
        vs = self.versions
        return f'mark {vs.ids[vs.mark[v]]} ("{vs.texts[vs.text[v]]}")'

    def _where(self, r: int) -> str:
        f = self.file
        return f'waypoint "{f.name[r]}" at {format_position(float(f.lon[r]), float(f.lat[r]))}'

    def _far(self, r: int, v: int) -> str:
        return format_length(float(np.linalg.norm(self.file.xyz[r] - self.versions.xyz[v])))

    def _taken_for(self, r: int) -> str:
        v = int(self.found.version[r])
        how = "" if self.found.in_place[r] else f", moved by {self._far(r, v)}"
        return f"{self._where(r)} is taken for {self._name(v)}{how}"
