"""A season on a made-up plotter, and what the book makes of the file that comes back; run by hand.

    python tests/book/round_trip.py [FIRST_SEED [HOW_MANY [MARKS]]] [--why]

Prints one line a seed. Every row of the returned file is held against the truth, and so is what
the book says and holds afterwards:

- false new: an old waypoint that was taken as new
- lost: a new or moved waypoint of which no sighting was kept
- wrong: a waypoint that was taken for another mark, or a moved one whose sighting is of another
- moved, deleted, new: what was to be named and was not, or was named and was not so
- named: a name that the owner typed and that was not reported, or one reported that he did not type
- marks: marks of the book that are gone or changed their id, or that nobody set

`--why` prints each faulty row, with its name and its mark.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from plotter_made import Habits, Happened, habits_from, marks_world, season

from athwart.book import store, work
from athwart.book.adding import Added, SourceFile, recognise_returned
from athwart.book.reading import marks_and_sightings
from athwart.book.returned import Returned
from athwart.contents import Contents
from athwart.formats import read
from athwart.handover import export_marks
from athwart.plotter import Limits
from athwart.tables import Marks, Waypoints

PLACES = ("plain", "180th", "north")
FAULTS = ("false new", "lost", "wrong", "moved", "deleted", "new", "named", "marks")


@dataclass
class Outcome:
    """What went wrong in one season; no fault is right."""

    faults: Counter[str] = field(default_factory=Counter)
    why: list[str] = field(default_factory=list)
    doubts: tuple[str, ...] = ()
    seconds: float = 0.0

    def fault(self, what: str, why: str) -> None:
        """Count a fault and keep where it is."""
        self.faults[what] += 1
        self.why.append(f"{what}: {why}")


def book_of(folder: Path, count: int, seed: int, place: str) -> Path:
    """Return a book of so many marks, one sighting each, that all stay apart."""
    world = marks_world(count, seed, place)
    waypoints = Waypoints.from_columns(
        {
            "lon": np.array([m["lon"] for m in world]),
            "lat": np.array([m["lat"] for m in world]),
            "name": np.array([m["name"] for m in world], dtype=object),
            "kind": np.array([m["kind"] for m in world], dtype=object),
            "sigma_m": np.full(len(world), 0.5),
            "trip": np.full(len(world), "one trip", dtype=object),
        }
    )
    path = folder / "season.gpkg"
    store.create(path)
    with store.open_book(path, write=True) as book:
        work.add(book, Contents(source="w", waypoints=waypoints), SourceFile("w", "w", 1, "csv"))
        work.merge_book(book)
    return path


def marks_of(path: Path) -> tuple[Marks, dict[str, str]]:
    """Return the marks of a book, and of which mark each sighting is."""
    with store.open_book(path) as book, book.reading() as connection:
        marks, _, _ = marks_and_sightings(connection)
    owner = {
        s: m
        for m, members in zip(marks.mark_id, marks.sighting_ids, strict=True)
        for s in members.split()
    }
    return marks, owner


def one_season(
    folder: Path,
    seed: int,
    count: int = 3000,
    place: str = "plain",
    habits: Habits | None = None,
) -> Outcome:
    """Hand marks over, let the plotter have them for a season, add its file, and judge."""
    habits = habits_from(seed) if habits is None else habits
    path = book_of(folder, count, seed, place)
    before, owner = marks_of(path)
    files, _, handed = export_marks(
        before, folder / "out.gpx", limits=Limits(max_name=16), clean=True, overwrite=True
    )
    with store.open_book(path, write=True) as book:
        work.hand_over(book, handed)
    back, happened = season(files[0].read_bytes(), habits, seed)
    (folder / "back.gpx").write_bytes(back)
    contents = read(folder / "back.gpx")
    with store.open_book(path) as book, book.reading() as connection:
        started = time.perf_counter()
        found = recognise_returned(connection, contents.waypoints)
        seconds = time.perf_counter() - started
    assert found is not None, "the file was taken for a foreign one"
    with store.open_book(path, write=True) as book:
        added, _ = work.add(book, contents, SourceFile("back.gpx", "b", 1, "gpx"))
        work.merge_book(book)
    out = Outcome(seconds=seconds, doubts=found.returned.doubtful)
    written = handed[0][1]
    judge_rows(out, found.returned, contents.waypoints, happened, written)
    judge_words(out, added, contents.waypoints, happened, written)
    judge_book(out, path, contents.waypoints, happened, written, (before, owner))
    return out


def judge_rows(
    out: Outcome, back: Returned, waypoints: Waypoints, happened: Happened, written: Marks
) -> None:
    """Hold the verdict on each row against what happened to it."""
    ids, names = written.mark_id.tolist(), written.name.tolist()
    known: Counter[int] = Counter()
    for row, (source, what) in enumerate(zip(happened.came_from, happened.what, strict=True)):
        verdict, mark = str(back.verdict[row]), str(back.mark_id[row])
        true = ids[source] if source >= 0 else ""
        where = f"row {row} {waypoints.name[row]!r} {what}, taken as {verdict}"
        if source >= 0:
            where += f"; it was {names[source]!r} (row {source}, {true[:8]})"
        if mark:
            where += f"; taken for {names[ids.index(mark)]!r} (row {ids.index(mark)})"
        if what == "new":
            if verdict != "new":
                out.fault("lost" if verdict in ("known", "repeated") else "new", where)
            continue
        moved = "moved" in what
        if verdict == "new":
            out.fault("false new", where)
        elif mark != true:
            out.fault("wrong", where)
        if moved and verdict in ("known", "repeated"):
            out.fault("lost", where)
        if moved != (verdict == "moved"):
            out.fault("moved", where)
        # Of a waypoint stored twice either one may be called the copy.
        known[source] += verdict in ("known", "moved")
    for source in set(happened.came_from) - {-1}:
        if known[source] > 1:
            out.fault("wrong", f"row {source} {names[source]!r} is known {known[source]} times")


def judge_words(
    out: Outcome, added: Added, waypoints: Waypoints, happened: Happened, written: Marks
) -> None:
    """Hold what is said of marks against what happened to them."""
    ids = written.mark_id.tolist()
    rows = list(enumerate(zip(happened.came_from, happened.what, strict=True)))
    moved = {ids[k] for _, (k, what) in rows if "moved" in what}
    deleted = {ids[k] for k in happened.deleted}
    typed = {ids[k]: waypoints.name[r].strip() for r, (k, what) in rows if "renamed" in what}
    said = {m: new.strip() for m, _, new in added.renamed}
    names = dict(zip(ids, written.name.tolist(), strict=True))
    for what, true, given in (
        ("moved", moved, [m for m, _ in added.moved]),
        ("deleted", deleted, [m for m, _ in added.missing]),
    ):
        for m in true ^ set(given):
            out.fault(what, f"{m[:8]} {'was not' if m in true else 'was wrongly'} named")
        if len(given) != len(set(given)):
            out.fault(what, "a mark is named twice")
    for m in sorted(set(typed) | set(said)):
        if typed.get(m) != said.get(m):
            out.fault(
                "named", f"{m[:8]}: typed {typed.get(m)!r}, said {said.get(m)!r}, was {names[m]!r}"
            )
    new = sum(what == "new" for _, (_, what) in rows)
    if added.new - len(added.moved) != new:
        out.fault("new", f"{added.new - len(added.moved)} new sightings, {new} new waypoints")


def judge_book(
    out: Outcome,
    path: Path,
    waypoints: Waypoints,
    happened: Happened,
    written: Marks,
    before: tuple[Marks, dict[str, str]],
) -> None:
    """Hold the marks and sightings of the book against what there is.

    A new waypoint a few metres beside an old mark may be folded into it: that is for the merge to
    say, by its errors.
    """
    marks, owner = marks_of(path)
    old, owned = before
    kept = set(old.mark_id.tolist())
    for m in sorted(kept - set(marks.mark_id.tolist())):
        out.fault("marks", f"mark {m[:8]} is gone")
    for s in owned:
        if owner.get(s) != owned[s]:
            out.fault("marks", f"sighting {s[:8]} is of another mark")
    with store.open_book(path) as book, book.reading() as connection:
        _, found, _ = marks_and_sightings(connection)
    fresh = {
        (lon, lat): owner[s]
        for s, lon, lat in zip(
            found.sighting_id, found.lon.tolist(), found.lat.tolist(), strict=True
        )
        if s not in owned
    }
    if len(fresh) != len(found) - len(owned):
        out.fault("marks", "two new sightings lie at one place")
    ids = written.mark_id.tolist()
    for row, (source, what) in enumerate(zip(happened.came_from, happened.what, strict=True)):
        if "moved" not in what and what != "new":
            continue
        mark = fresh.pop((float(waypoints.lon[row]), float(waypoints.lat[row])), None)
        where = f"row {row} {waypoints.name[row]!r} {what}"
        if mark is None:
            out.fault("lost", f"{where} has no sighting in the book")
        elif what == "new" and mark in kept and row not in happened.beside:
            out.fault("marks", f"{where} was folded into the old mark {mark[:8]}")
        elif what != "new" and mark != ids[source]:
            out.fault("wrong", f"{where} is a sighting of {mark[:8]}, not of {ids[source][:8]}")
    for (lon, lat), mark in fresh.items():
        out.fault("false new", f"a sighting of mark {mark[:8]} at {lon}, {lat} is of no new one")


def main() -> None:
    """Run seeds and print a table."""
    given = [int(a) for a in sys.argv[1:] if a != "--why"]
    first, many, count = (*given, *(1, 20, 3000)[len(given) :])
    total: Counter[str] = Counter()
    for seed in range(first, first + many):
        place = PLACES[seed % 3]
        with tempfile.TemporaryDirectory() as folder:
            o = one_season(Path(folder), seed, count, place)
        total.update(o.faults)
        said = ", ".join(f"{w} {o.faults[w]}" for w in FAULTS if o.faults[w]) or "no fault"
        print(f"seed {seed:4d} {place:6s} {o.seconds:5.2f} s {len(o.doubts):3d} doubts: {said}")
        if "--why" in sys.argv:
            print(*(f"    {w}" for w in o.why), *(f"    ({d})" for d in o.doubts), sep="\n")
    print("in all:", ", ".join(f"{w} {total[w]}" for w in FAULTS))


if __name__ == "__main__":
    main()
