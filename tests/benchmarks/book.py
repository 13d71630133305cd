"""Adding to a book and merging into it against their peers; run by hand.

    python tests/benchmarks/book.py [--quick]

Adding is held against writing the same rows with pyogrio, merging new sightings against merging
the whole book from nothing, in turn in one process; by the clock, since both wait for the disk. The
new sightings are strewn over the whole water as one trip, which is the hard case: nearly every one
settles a mark anew.
"""

from __future__ import annotations

import gc
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyogrio
from merging import plane_world
from pairing import WALL, Pairs, Row, alone, scratch, spent

from athwart.book import store, work
from athwart.book.adding import SourceFile
from athwart.book.reading import marks_and_sightings
from athwart.contents import Contents
from athwart.tables import Sightings


def source(name: str) -> SourceFile:
    return SourceFile(name, name, 1, "table")


def add(path: Path, sightings: Sightings, name: str) -> None:
    with store.open_book(path, write=True) as book:
        work.add(book, Contents(source=name, sightings=sightings), source(name))


def merge(path: Path) -> None:
    with store.open_book(path, write=True) as book:
        work.merge_book(book)


def partition(path: Path) -> set[frozenset[str]]:
    with store.open_book(path) as book, book.reading() as connection:
        marks, _, _ = marks_and_sightings(connection)
    return {frozenset(ids.split()) for ids in marks.sighting_ids.tolist()}


def opened(path: Path) -> int:
    """Open a book and read all that it holds."""
    with store.open_book(path) as book, book.reading() as connection:
        marks, sightings, _ = marks_and_sightings(connection)
    return len(marks) + len(sightings)


def measure(quick: bool = False) -> Iterator[Row]:
    """Give the rows."""
    old, new, rounds = (10_000, 100, 3) if quick else (100_000, 1_000, 5)
    everything, _ = plane_world(old + new, 20.0, 3)
    chosen = np.zeros(old + new, dtype=bool)
    chosen[np.random.default_rng(1).choice(old + new, new, replace=False)] = True
    before = everything.take(~chosen)
    fresh = everything.take(chosen).with_columns(trip="a new trip")
    frame = before.to_frame()
    gc.collect()
    gc.freeze()  # what was made for the measurement is no part of what is measured
    times: dict[str, list[float]] = {
        k: [] for k in ("add", "pyogrio", "nothing", "new", "open", "pyogrio reads")
    }
    same = 0.0
    with scratch() as name:
        folder = Path(name)
        for k in range(rounds):
            book, whole, peer = (folder / f"{w}{k}.gpkg" for w in ("book", "whole", "peer"))

            def time(what: str, job) -> None:
                times[what].append(spent(job, WALL))

            store.create(book)
            time("add", lambda b=book: add(b, before, "old"))
            time("pyogrio", lambda p=peer: pyogrio.write_dataframe(frame, p))
            merge(book)
            add(book, fresh, "new")
            time("new", lambda b=book: merge(b))
            store.create(whole)
            add(whole, Sightings.concat([before, fresh]), "all")
            time("nothing", lambda w=whole: merge(w))
            time("open", lambda b=book: opened(b))
            time("pyogrio reads", lambda p=peer: pyogrio.read_dataframe(p))
            if k == 0:
                ours, theirs = partition(book), partition(whole)
                same = len(ours & theirs) / len(theirs)
            for path in folder.glob(f"*{k}.gpkg*"):
                shutil.rmtree(path) if path.is_dir() else path.unlink()

    def pairs(a: str, b: str) -> Pairs:
        return Pairs(tuple(times[a]), tuple(times[b]))

    yield pairs("add", "pyogrio").row(f"book: {old:,} sightings added", "pyogrio writes", 3)
    yield pairs("open", "pyogrio reads").row(
        f"book: opened, {old + new:,} sightings and marks read", "pyogrio, sightings alone"
    )
    yield pairs("new", "nothing").row(
        f"book: {new:,} new merged into {old:,}", "all from nothing", 0.1
    )
    yield Row("book: marks as from nothing", f"{same:.3%}", "", figure="all", met=same == 1.0)


if __name__ == "__main__":
    alone(measure)
