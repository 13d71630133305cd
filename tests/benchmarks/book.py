"""Adding to a book and merging into it against their peers; run by hand.

    python tests/benchmarks/book.py [SIGHTINGS [NEW]]

Adding is held against writing the same rows with pyogrio, merging new sightings against merging
the whole book from nothing. Medians of five, taken in turn in one process. The new sightings are
strewn over the whole water as one trip, which is the hard case: nearly every one settles a mark
anew.
"""

from __future__ import annotations

import gc
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyogrio
from merging import plane_world

from athwart.book import store, work
from athwart.book.adding import SourceFile
from athwart.book.reading import marks_and_sightings
from athwart.contents import Contents
from athwart.tables import Sightings

REPEATS = 5


def source(name: str) -> SourceFile:
    return SourceFile(name, name, 1, "table")


def timed(call: Callable[..., object], *arguments: object) -> float:
    start = time.perf_counter()
    call(*arguments)
    return time.perf_counter() - start


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


def main() -> None:
    old, new = (int(a) for a in (*sys.argv[1:], *("100000", "1000")[len(sys.argv) - 1 :]))
    everything, _ = plane_world(old + new, 20.0, 3)
    chosen = np.zeros(old + new, dtype=bool)
    chosen[np.random.default_rng(1).choice(old + new, new, replace=False)] = True
    before = everything.take(~chosen)
    fresh = everything.take(chosen).with_columns(trip="a new trip")
    frame = before.to_frame()
    gc.collect()
    gc.freeze()  # what was made for the measurement is no part of what is measured
    times: dict[str, list[float]] = {k: [] for k in ("add", "pyogrio", "nothing", "new", "add new")}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for k in range(REPEATS):
            book, whole = folder / f"book{k}.gpkg", folder / f"whole{k}.gpkg"
            store.create(book)
            times["add"].append(timed(add, book, before, "old"))
            times["pyogrio"].append(timed(pyogrio.write_dataframe, frame, folder / f"peer{k}.gpkg"))
            merge(book)
            times["add new"].append(timed(add, book, fresh, "new"))
            times["new"].append(timed(merge, book))
            store.create(whole)
            add(whole, Sightings.concat([before, fresh]), "all")
            times["nothing"].append(timed(merge, whole))
            if k == 0:
                ours, theirs = partition(book), partition(whole)
                print(f"marks as from nothing: {len(ours & theirs) / len(theirs):.4%}")
            for path in folder.glob(f"*{k}.gpkg*"):
                shutil.rmtree(path) if path.is_dir() else path.unlink()
    middle = {k: statistics.median(v) for k, v in times.items()}
    for k, v in middle.items():
        print(f"{k:9s} {v:.3f} s")
    print(f"adding {old:,}: {middle['add'] / middle['pyogrio']:.2f} x pyogrio (at most 3)")
    print(
        f"merging {new:,} into {old:,}: 1/{middle['nothing'] / middle['new']:.1f} of a merge from nothing (at most 1/10)"
    )


if __name__ == "__main__":
    main()
