"""Fix and merge picks in parts under Dask: the same `fix`, the same `merge`, the same marks.

    python docs/scale/partitioned.py PICKS DIRECTORY [--workers N] [--a-band N] [--check | --check-bands N]

PICKS is how many picks are invented, in chunks as files would bring them: trips of 5,000 picks,
each over a stretch of water 6 km across that other trips have seen too. Nothing larger than a
chunk or a band is held by a worker, but for the numbers from which the bands are divided. All that
goes between workers lies as files in DIRECTORY. With ``--check`` the same is done in one piece
without Dask, and every column of every mark is compared; with ``--check-bands N`` the middle N
bands are merged in one piece and their marks compared.

Needs ``pip install athwart[scale]``.
"""

from __future__ import annotations

import argparse
import pickle
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from athwart.boat import Boat
from athwart.fix import fix
from athwart.merge import Division, Merged, bands, divide, in_order, merge, outline
from athwart.merge.looks import row_of
from athwart.merge.parts import ROWS
from athwart.tables import Marks, Picks, Sightings

A_TRIP = 5_000
A_CHUNK = 50 * A_TRIP
ACROSS_M = 6_000.0
THINGS_A_KM2 = 40.0
SEEN = 3.5  # times, on the average
WATER = (-33.0, 40.0)  # open ocean
_METRES_A_DEGREE = 111_200.0


@dataclass(frozen=True)
class Survey:
    """An invented survey: how many picks, and the square of water that they lie in."""

    picks: int
    chunk: int = A_CHUNK
    a_trip: int = A_TRIP

    @property
    def side_m(self) -> float:
        """Return the side of the square, metres."""
        return float(np.sqrt(self.picks / SEEN / THINGS_A_KM2) * 1000.0)

    @property
    def chunks(self) -> int:
        """Return how many chunks there are."""
        return -(-self.picks // self.chunk)

    def make(self, k: int) -> Picks:
        """Return one chunk of picks; a thing's place depends on its number alone."""
        rng = np.random.default_rng([2026, k])
        n = min(self.chunk, self.picks - k * self.chunk)
        trip = np.arange(n) // self.a_trip
        trips = int(trip[-1]) + 1
        middle = rng.uniform(0, self.side_m, (trips, 2))
        cell = 1000.0 / np.sqrt(THINGS_A_KM2)
        across = int(self.side_m // cell) + 1
        spot = middle[trip] + rng.uniform(-ACROSS_M / 2, ACROSS_M / 2, (n, 2))
        at = np.clip(spot // cell, 0, across - 1).astype(np.int64)
        # One thing a cell, anywhere in it, by a hash of the cell's number.
        number = (at[:, 0] * across + at[:, 1]).astype(np.uint64)
        part = [((number * np.uint64(m)) >> np.uint64(40)) / 2.0**24 for m in _MIXERS]
        thing = (at + np.stack(part[:2], axis=1)) * cell
        error = rng.normal(0, 2.5, (trips, 2))[trip] + rng.normal(0, 3.0, (n, 2))
        slant = rng.uniform(15, 60, n)
        starboard = rng.random(n) < 0.5
        heading = rng.uniform(0, 360, n)
        depth = 8.0 + 4.0 * part[2]
        bearing = np.radians(heading + np.where(starboard, 90.0, -90.0))
        ground = np.sqrt(slant**2 - depth**2)
        boat = thing + error - ground[:, None] * np.stack([np.sin(bearing), np.cos(bearing)], 1)
        lat = WATER[1] + boat[:, 1] / _METRES_A_DEGREE
        moment = np.datetime64("2020-01-01T06:00", "us") + (k * 50 + trip) * np.timedelta64(12, "h")
        kinds = np.array(["", "rock", "rock", "wreck"], dtype=object)
        name = np.full(n, "", dtype=object)
        named = np.flatnonzero(rng.random(n) < 0.02)
        name[named] = [f"thing {v}" for v in number[named].tolist()]
        return Picks.from_columns(
            {
                "time": moment + np.arange(n) % self.a_trip * np.timedelta64(3, "s"),
                "lon": WATER[0] + boat[:, 0] / (_METRES_A_DEGREE * np.cos(np.radians(lat))),
                "lat": lat,
                "heading_deg": heading,
                "speed_mps": 2.0,
                "side": np.where(starboard, "starboard", "port").astype(object),
                "slant_range_m": slant,
                "depth_m": depth,
                "depth_below": "transducer",
                "trip": np.array([f"trip {k:04d}-{t:02d}" for t in range(trips)], object)[trip],
                "kind": kinds[(part[3] * 4).astype(np.int64)],
                "name": name,
            }
        )


_MIXERS = (11400714819323198485, 14029467366897019727, 1609587929392839161, 9650029242287828579)
"""Odd numbers without a pattern; the top bits of their products are spread evenly."""


def _write(path: Path, what: Any) -> None:
    with path.open("wb") as file:
        pickle.dump(what, file, protocol=5)


def _read(path: Path) -> Any:
    with path.open("rb") as file:
        return pickle.load(file)  # noqa: S301 - files of this very run


def fixed(survey: Survey, k: int, boat: Boat, first: np.ndarray, here: Path) -> None:
    """Fix a chunk and lay the sightings down by band."""
    s = fix(survey.make(k), boat=boat).sightings
    of = np.searchsorted(first, row_of(s.lat), side="right") - 1
    for band in np.unique(of).tolist():
        _write(here / f"fixed-{band:04d}-{k:05d}", s.take(of == band))


def outlined(band: int, here: Path, after: Any) -> None:
    """Put a band's sightings in order, and take its outline."""
    parts = sorted(here.glob(f"fixed-{band:04d}-*"))
    s, o = outline(Sightings.concat([_read(p) for p in parts]))
    _write(here / f"band-{band:04d}", s)
    _write(here / f"outline-{band:04d}", o)
    for p in parts:
        p.unlink()


def divided(count: int, here: Path, after: Any) -> None:
    """Work out what the bands agree on."""
    _write(here / "division", divide([_read(here / f"outline-{b:04d}") for b in range(count)]))


def merged(band: int, here: Path, after: Any) -> None:
    """Merge what falls to a band."""
    division: Division = _read(here / "division")
    part = division.part(band, lambda k: _read(here / f"band-{k:04d}"))
    m = merge(part, known=division.sittings, plane=division.plane)
    # The first look of each mark tells its place among the marks of all bands.
    heads = np.unique(m.mark_of, return_index=True)[1]
    less = {"trips": m.trips[heads], "boats": m.boats[heads], "mark_of": np.arange(len(heads))}
    _write(here / f"marks-{band:04d}", replace(m, sightings=m.sightings.take(heads), **less))


def first_rows(survey: Survey, a_band: int) -> np.ndarray:
    """Return where the bands begin, from the boats' places in some of the chunks."""
    some = range(0, survey.chunks, max(1, survey.chunks // 8))
    counts = sum(np.bincount(row_of(survey.make(k).lat), minlength=ROWS) for k in some)
    return bands(counts, max(1, a_band * len(some) // survey.chunks))


def partitioned(survey: Survey, here: Path, boat: Boat, a_band: int, workers: int) -> list[Merged]:
    """Fix and merge a survey under Dask and return the merged bands."""
    import dask

    first = first_rows(survey, a_band)
    count = len(first)
    with dask.config.set(scheduler="processes" if workers > 1 else "sync", num_workers=workers):
        for what, tasks in _stages(survey, here, boat, first, dask.delayed):
            began = time.perf_counter()
            dask.compute(*tasks)
            _say(f"{what}: {len(tasks)} tasks, {time.perf_counter() - began:.0f} s")
    return [_read(here / f"marks-{b:04d}") for b in range(count)]


def _stages(
    survey: Survey, here: Path, boat: Boat, first: np.ndarray, delayed: Callable[..., Any]
) -> list[tuple[str, list[Any]]]:
    # Each stage needs all of the one before: every trip may have been in every band.
    every = range(len(first))
    return [
        ("fix", [delayed(fixed)(survey, k, boat, first, here) for k in range(survey.chunks)]),
        ("outline", [delayed(outlined)(b, here, None) for b in every]),
        ("divide", [delayed(divided)(len(first), here, None)]),
        ("merge", [delayed(merged)(b, here, None) for b in every]),
    ]


def differences(one: Marks, other: Marks) -> list[str]:
    """Return the columns in which two tables of marks differ in any bit."""
    if len(one) != len(other):
        return [f"{len(one)} and {len(other)} marks"]
    out = []
    for name, values in one.to_columns().items():
        theirs = getattr(other, name)
        floats = values.dtype.kind in "fM"
        if not (
            np.array_equal(values, theirs, equal_nan=True) if floats else (values == theirs).all()
        ):
            out.append(name)
    return out


def check_some(here: Path, division: Division, parts: list[Merged], some: int) -> list[str]:
    """Merge the middle bands in one piece; return where the marks inside them differ.

    The outermost of these bands are left out of the comparison: sets may go beyond them.
    """
    low = (len(division.to) - some) // 2
    s = Sightings.concat([_read(here / f"band-{k:04d}") for k in range(low, low + some)])
    whole = merge(s, known=division.sittings, plane=division.plane).marks
    inner = in_order(parts[low + 1 : low + some - 1])
    row = {mark: k for k, mark in enumerate(whole.mark_id.tolist())}
    at = np.array([row.get(mark, -1) for mark in inner.mark_id.tolist()])
    _say(f"bands {low} to {low + some - 1} in one piece: {len(s)} sightings, {len(inner)} marks")
    if (at < 0).any():
        return [f"{int((at < 0).sum())} marks that are not there"]
    return differences(whole.take(at), inner)


def _top() -> float:
    """Return the most memory that this process, or the largest worker, has held, GiB."""
    who = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return max(resource.getrusage(w).ru_maxrss for w in who) / 2**20


def _say(text: str) -> None:
    print(f"{text}; top memory of a process {_top():.2f} GiB", flush=True)


def main(arguments: list[str]) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("picks", type=lambda v: int(float(v)))
    parser.add_argument("directory", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--a-band", type=int, default=500_000)
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--check-bands", type=int, default=0, metavar="N")
    given = parser.parse_args(arguments)
    given.directory.mkdir(parents=True)
    survey, boat = Survey(given.picks), Boat(name="Tern")
    began = time.perf_counter()
    parts = partitioned(survey, given.directory, boat, given.a_band, given.workers)
    division: Division = _read(given.directory / "division")
    marks = in_order(parts)
    _say(
        f"{len(division.to)} bands, {division.sets} connected sets, {division.crossing} of them "
        f"over a border: {len(marks)} marks in {time.perf_counter() - began:.0f} s"
    )
    found = []
    if given.check_bands:
        del marks
        found = check_some(given.directory, division, parts, given.check_bands)
    elif given.check:
        del parts
        began = time.perf_counter()
        made = (fix(survey.make(k), boat=boat).sightings for k in range(survey.chunks))
        whole = merge(Sightings.concat(list(made))).marks
        _say(f"in one piece: {len(whole)} marks in {time.perf_counter() - began:.0f} s")
        found = differences(whole, marks)
    else:
        return 0
    print("the same to the last bit" if not found else f"different: {', '.join(found)}")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
