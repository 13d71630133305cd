"""Outings in the book: which sightings share one, and what is known of each.

A trip that was given is kept. Dated sightings without one fall into runs of time, as
`athwart.trips` parts them; a new run that closes the gap between two makes one of them. Undated
sightings without a trip stay alone and have no row.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.book.changes import Changes
from athwart.merge import Offset, TripSitting
from athwart.trips import GAP_HOURS

__all__ = ["Trips", "alone"]

_GAP_US = int(GAP_HOURS * 3.6e9)


@dataclass(slots=True)
class _Trip:
    fid: int
    name: str
    given: bool
    first_us: int | None
    last_us: int | None
    sittings: list[TripSitting]
    shift: tuple[float, float] | None


def _sitting(record: dict[str, Any]) -> TripSitting:
    off = record.pop("off")
    return TripSitting(**record, off=Offset(**off) if off else None)


def alone(sighting_id: str) -> str:
    """Return the name of the trip of an undated sighting that nothing is known of."""
    return f"undated {sighting_id}"


def _run_name(first_us: int) -> str:
    return str(np.datetime64(first_us, "us").astype("datetime64[m]")).replace("T", " ")


class Trips:
    """The trips of a book, read once and changed through `Changes`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.rows: dict[int, _Trip] = {}
        self.by_name: dict[str, int] = {}
        for fid, name, given, first, last, sitting, east, north in connection.execute(
            "SELECT fid, name, given, first_us, last_us, sitting, shift_east_m, shift_north_m "
            "FROM trips ORDER BY fid"
        ):
            known = [_sitting(record) for record in json.loads(sitting)] if sitting else []
            shift = None if east is None else (float(east), float(north))
            self.rows[fid] = _Trip(fid, name, bool(given), first, last, known, shift)
            self.by_name[name] = fid

    def assign(
        self,
        changes: Changes,
        names: Sequence[str],
        times: NDArray[np.datetime64],
    ) -> tuple[list[int | None], set[int]]:
        """Give each sighting its trip, making trips where there are none.

        Returns
        -------
        list of (int or None)
            Key of the trip of each row; None for one that stands alone.
        set of int
            Trips whose sightings now belong to another because a run closed the gap; keys.
        """
        out: list[int | None] = [None] * len(names)
        micros = times.astype("datetime64[us]").astype(np.int64)
        dated = ~np.isnat(times)
        for name in dict.fromkeys(n for n in names if n):
            at = [i for i, n in enumerate(names) if n == name]
            seen = micros[at][dated[at]]
            fid = self._named(changes, name)
            for i in at:
                out[i] = fid
            if len(seen):
                self._stretch(changes, fid, int(seen.min()), int(seen.max()))
            self._stale(changes, fid)
        open_ = [i for i, n in enumerate(names) if not n and dated[i]]
        closed: set[int] = set()
        if open_:
            closed = self._runs(changes, open_, micros, out)
        return out, closed

    def keep_sittings(self, changes: Changes, sittings: Sequence[TripSitting], whole: bool) -> None:
        """Keep what merging found about trips that had not been weighed before, or about all."""
        found: dict[int, list[TripSitting]] = {}
        for sitting in sittings:
            fid = self.by_name.get(sitting.trip)
            if fid is not None and (whole or not self.rows[fid].sittings):
                found.setdefault(fid, []).append(sitting)
        new = {fid: kept for fid, kept in found.items() if self.rows[fid].sittings != kept}
        for fid, kept in new.items():
            self.rows[fid].sittings = kept
        texts = [json.dumps([asdict(k) for k in kept]) for kept in new.values()]
        changes.update("trips", list(new), {"sitting": texts})

    def known(self) -> list[TripSitting]:
        """Return what is known about the trips, for `athwart.merge.merge`."""
        return [k for t in self.rows.values() for k in t.sittings]

    def weighed(self) -> set[int]:
        """Return the keys of the trips of which it is known how they sit."""
        return {t.fid for t in self.rows.values() if t.sittings}

    def shifts(self) -> dict[str, tuple[float, float]]:
        """Return the trips that the user had shifted: how far they lie off, east and north."""
        return {t.name: t.shift for t in self.rows.values() if t.shift is not None}

    def shift(self, changes: Changes, name: str, east_m: float, north_m: float) -> None:
        """Keep that a trip is to be shifted."""
        fid = self.by_name[name]
        self.rows[fid].shift = (east_m, north_m)
        changes.update("trips", [fid], {"shift_east_m": [east_m], "shift_north_m": [north_m]})

    def _named(self, changes: Changes, name: str, given: bool = True) -> int:
        fid = self.by_name.get(name)
        if fid is None:
            fid = changes.insert("trips", {"name": [name], "given": [int(given)]})[0]
            self.by_name[name] = fid
            self.rows[fid] = _Trip(fid, name, given, None, None, [], None)
        return fid

    def _stale(self, changes: Changes, fid: int) -> None:
        """Forget how a trip sits: it has got sightings that were not weighed."""
        trip = self.rows[fid]
        if trip.sittings:
            trip.sittings = []
            changes.update("trips", [fid], {"sitting": [None]})

    def _stretch(self, changes: Changes, fid: int, first: int, last: int) -> None:
        trip = self.rows[fid]
        new_first = first if trip.first_us is None else min(first, trip.first_us)
        new_last = last if trip.last_us is None else max(last, trip.last_us)
        if (new_first, new_last) != (trip.first_us, trip.last_us):
            trip.first_us, trip.last_us = new_first, new_last
            changes.update("trips", [fid], {"first_us": [new_first], "last_us": [new_last]})

    def _runs(
        self,
        changes: Changes,
        rows: Sequence[int],
        micros: NDArray[np.int64],
        out: list[int | None],
    ) -> set[int]:
        """Lay rows and the runs of the book out in time, and part them at the gaps."""
        spans: list[tuple[int, int, int, int]] = [
            (int(micros[i]), int(micros[i]), 1, i) for i in rows
        ]
        spans += [
            (t.first_us, t.last_us, 0, t.fid)
            for t in self.rows.values()
            if not t.given and t.first_us is not None and t.last_us is not None
        ]
        spans.sort()
        closed: set[int] = set()
        group: list[tuple[int, int, int, int]] = []
        end = 0
        for span in [*spans, None]:
            if span is not None and (not group or span[0] - end <= _GAP_US):
                group.append(span)
                end = max(end, span[1]) if len(group) > 1 else span[1]
                continue
            closed |= self._run(changes, group, out)
            if span is not None:
                group, end = [span], span[1]
        return closed

    def _run(
        self, changes: Changes, group: list[tuple[int, int, int, int]], out: list[int | None]
    ) -> set[int]:
        new = [key for *_, is_row, key in group if is_row]
        if not new:
            return set()
        old = [key for *_, is_row, key in group if not is_row]
        first, last = min(g[0] for g in group), max(g[1] for g in group)
        name = _run_name(first)
        if old:
            fid, rest = old[0], old[1:]
            if self.rows[fid].name != name and name not in self.by_name:
                del self.by_name[self.rows[fid].name]
                self.rows[fid].name = name
                self.by_name[name] = fid
                changes.update("trips", [fid], {"name": [name]})
        else:
            fid, rest = self._named(changes, self._free(name), given=False), []
        self._stretch(changes, fid, first, last)
        self._stale(changes, fid)
        for i in new:
            out[i] = fid
        for other in rest:
            del self.by_name[self.rows.pop(other).name]
        if rest:
            changes.delete("trips", rest)
        return set(rest)

    def settle(self, changes: Changes) -> list[int]:
        """Bring the trips to what is left after sightings were taken away.

        Returns
        -------
        list of int
            Keys of sightings that now belong to another trip, because a run fell apart.
        """
        connection = changes.connection
        times: dict[int, list[tuple[int, int]]] = {}
        used = set()
        for trip, fid, moment in connection.execute(
            "SELECT m.trip, m.fid, s.time_us FROM members AS m JOIN sightings AS s "
            "ON s.fid = m.fid WHERE m.trip IS NOT NULL ORDER BY s.time_us, m.fid"
        ):
            used.add(int(trip))
            if moment is not None:
                times.setdefault(int(trip), []).append((int(moment), int(fid)))
        unused = [fid for fid in self.rows if fid not in used]
        changes.delete("trips", unused)
        for fid in unused:
            del self.by_name[self.rows.pop(fid).name]
        moved: list[int] = []
        for trip in list(self.rows.values()):
            seen = times.get(trip.fid, [])
            ends = (seen[0][0], seen[-1][0]) if seen else (None, None)
            at = [k for k in range(1, len(seen)) if seen[k][0] - seen[k - 1][0] > _GAP_US]
            if ends == (trip.first_us, trip.last_us) and (trip.given or not at):
                continue
            runs = [seen] if trip.given else [seen[a:b] for a, b in pairwise([0, *at, len(seen)])]
            self._shrink(changes, trip, runs[0])
            for run in runs[1:]:
                fid = self._named(changes, self._free(_run_name(run[0][0])), given=False)
                self._stretch(changes, fid, run[0][0], run[-1][0])
                changes.update("members", [f for _, f in run], {"trip": [fid] * len(run)})
                moved += [f for _, f in run]
        return moved

    def _shrink(self, changes: Changes, trip: _Trip, run: list[tuple[int, int]]) -> None:
        first, last = (run[0][0], run[-1][0]) if run else (None, None)
        trip.first_us, trip.last_us = first, last
        changes.update("trips", [trip.fid], {"first_us": [first], "last_us": [last]})
        self._stale(changes, trip.fid)
        if not trip.given and first is not None and trip.name.rstrip() != _run_name(first):
            del self.by_name[trip.name]
            trip.name = self._free(_run_name(first))
            self.by_name[trip.name] = trip.fid
            changes.update("trips", [trip.fid], {"name": [trip.name]})

    def _free(self, name: str) -> str:
        while name in self.by_name:  # a person gave a trip the name of a time
            name += " "
        return name

    def names(self, fids: Sequence[int | None], sighting_ids: Sequence[str]) -> list[str]:
        """Return the name of each sighting's trip."""
        return [
            alone(i) if f is None else self.rows[f].name
            for f, i in zip(fids, sighting_ids, strict=True)
        ]
