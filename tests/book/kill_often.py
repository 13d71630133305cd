"""A season's work on a book, killed at random moments; run by hand.

    python tests/book/kill_often.py [KILLS [WAYPOINTS [SEED]]]

Every run begins with no book: it is made, two files are added and merged, a third with half of the
first in it is added and merged, and that merge is taken back. Every other kill falls anywhere in
the life of the work, the others at the moment of a commit. What must hold: a change that was said
to be done is there, the one under way is there whole or not at all, nothing else has changed,
`check_book` finds nothing, and nothing lies about that the next book does not clear away.

SIGKILL ends a program, not the machine: what the system had taken over from it reaches the disk.
"""

from __future__ import annotations

import hashlib
import os
import random
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from athwart.book import work
from athwart.book.adding import SourceFile
from athwart.book.checking import check_book, dump
from athwart.book.log import entries
from athwart.book.store import Store, create, open_book
from athwart.book.undo import take_back
from athwart.contents import Contents
from athwart.tables import Track, Waypoints

STEPS = ("create", "add 1", "add 2", "merge 1", "add 3", "merge 2", "undo")


def contents(count: int, number: int) -> Contents:
    """Return invented waypoints and a track; number 3 has half of number 1 in it."""
    if number == 3:
        fresh, old = contents(count, 4).waypoints, contents(count, 1).waypoints
        some = np.arange(count // 2)
        return Contents(
            source="file-3.gpx",
            format="gpx",
            waypoints=Waypoints.concat([old.take(some), fresh.take(some)]),
        )
    rng = np.random.default_rng(number)
    places = np.random.default_rng(0)  # all files look at the same grounds
    lon, lat = places.uniform(-20.2, -20.0, count), places.uniform(-46.3, -46.1, count)
    start = np.datetime64("2025-05-01T06:00:00", "us") + np.timedelta64(7 * number, "D")
    waypoints = Waypoints.from_columns(
        {
            "lon": lon + rng.normal(0, 4e-5, count),
            "lat": lat + rng.normal(0, 3e-5, count),
            "time": start + np.arange(count) * np.timedelta64(20, "s"),
            "name": np.array([f"{number}-{k}" for k in range(count)], dtype=object),
        }
    )
    track = Track.from_columns(
        {
            "lon": lon, "lat": lat, "time": waypoints.time,
            "segment": np.zeros(count, np.int64),
        }
    )  # fmt: skip
    return Contents(source=f"file-{number}.gpx", format="gpx", waypoints=waypoints, tracks=track)


def steps(
    path: Path, count: int, told: Callable[[Store], None] = lambda _: None
) -> list[Callable[[], None]]:
    """Return the work, one call a step."""

    def on(change: Callable[[Store], object]) -> Callable[[], None]:
        def run() -> None:
            with open_book(path, write=True) as store:
                told(store)
                change(store)

        return run

    def added(number: int) -> Callable[[], None]:
        found = contents(count, number)
        sha = hashlib.sha256(found.source.encode()).hexdigest()
        source = SourceFile(found.source, sha, count, found.format)
        return on(lambda store: work.add(store, found, source))

    merged = on(work.merge_book)
    return [lambda: create(path), added(1), added(2), merged, added(3), merged, on(take_back)]


def state(path: Path) -> str:
    """Return what a book holds and how long its log is, as a short text; nothing without a book."""
    if not path.exists():
        return ""
    with open_book(path) as store, store.reading() as connection:
        text = f"{dump(connection)}{[e.what for e in entries(connection)]}"
    return hashlib.sha256(text.encode()).hexdigest()


def states(folder: Path, count: int) -> list[str]:
    """Return the state before the first step and after each."""
    path = folder / "whole.gpkg"
    out = [state(path)]
    for step in steps(path, count):
        step()
        out.append(state(path))
    path.unlink()
    assert len(set(out)) == len(out)  # a kill could hide between equal states
    return out


def _work(path: Path, count: int) -> None:
    """Do the work in a process of its own and tell of every step."""

    def tell(text: str) -> None:
        os.write(1, f"{text}\n".encode())

    def commits(store: Store) -> None:
        store.connection.set_trace_callback(lambda sql: tell("commit") if sql == "COMMIT" else None)

    calls = steps(path, count, commits)
    sys.stdin.readline()
    tell("ready")
    for k, call in enumerate(calls):
        if k == 0:
            tell("commit")
        call()
        tell(f"done {k + 1}")


class Worker:
    """The work in a process that can be killed; it begins when it is told to."""

    def __init__(self, path: Path, count: int) -> None:
        self.process = subprocess.Popen(
            [sys.executable, __file__, "work", str(path), str(count)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        assert self.process.stdout is not None
        self.out = self.process.stdout.fileno()
        self.heard = ""

    def begin(self) -> None:
        """Let it begin."""
        assert self.process.stdin is not None
        self.process.stdin.write(b"go\n")
        self.process.stdin.close()
        self.listen("ready")
        assert "ready" in self.heard

    def listen(self, word: str = "", times: int = 1, until: float = float("inf")) -> None:
        """Hear what it tells until a word came so often, the time has come, or it ends."""
        while not word or self.heard.count(word) < times:
            left = until - time.perf_counter()
            if left <= 0 or not select.select([self.out], [], [], min(left, 60.0))[0]:
                return
            text = os.read(self.out, 4096).decode()
            if not text:
                return
            self.heard += text

    def kill(self) -> int:
        """Kill it; return how many steps it said to be done."""
        self.process.send_signal(signal.SIGKILL)
        if self.process.stdin is not None:
            self.process.stdin.close()
        self.listen()  # to the end
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
        return self.heard.count("done")


@dataclass
class Found:
    """What was found after the kills."""

    kills: int = 0
    fell_in: Counter[str] = field(default_factory=Counter)
    kept: int = 0
    taken_back: int = 0
    half_written: int = 0
    left_lying: int = 0
    faults: list[str] = field(default_factory=list)


def measure(path: Path, count: int) -> tuple[float, list[float]]:
    """Return how long the work takes, and its commits, in seconds."""
    worker = Worker(path, count)
    worker.begin()
    start = time.perf_counter()
    commits = []
    for k in range(1, len(STEPS) + 1):
        worker.listen("commit", k)
        began = time.perf_counter()
        worker.listen("done", k)
        commits.append(time.perf_counter() - began)
    life = time.perf_counter() - start
    worker.kill()
    path.unlink()
    return life, commits


def kill(folder: Path, count: int, kills: int, seed: int, *, told: bool = False) -> Found:
    """Kill the work many times and look at the book each time."""
    chance = random.Random(seed)
    expected = states(folder, count)
    path = folder / "season.gpkg"
    life, commits = measure(path, count)
    if told:
        print(
            f"the work takes {life:.2f} s, its longest commit {max(commits) * 1000:.0f} ms; seed {seed}"
        )
    found = Found()
    following = Worker(path, count)
    for number in range(kills):
        path.unlink(missing_ok=True)
        worker, following = following, Worker(path, count)
        worker.begin()
        if number % 2:
            which = chance.randint(1, len(STEPS))
            worker.listen("commit", which)
            time.sleep(chance.uniform(0, commits[which - 1]))
        else:
            worker.listen(until=time.perf_counter() + chance.uniform(0, life))
        done = worker.kill()
        _look(found, path, done, expected)
    following.kill()
    _clear(found, folder)
    return found


def _look(found: Found, path: Path, done: int, expected: list[str]) -> None:
    found.kills += 1
    step = STEPS[done] if done < len(STEPS) else "the end"
    found.fell_in[step] += 1
    journal = path.with_name(f"{path.name}-journal")
    found.half_written += journal.exists() and any(journal.read_bytes()[:1])
    found.left_lying = len([p for p in path.parent.iterdir() if p.name.startswith(".")])
    try:
        now = state(path)
        faults = check_book(path) if path.exists() else []
    except Exception as error:
        found.faults.append(f"kill {found.kills}, in {step}: {type(error).__name__}: {error}")
        return
    found.faults += [f"kill {found.kills}, in {step}: {fault}" for fault in faults]
    if path.exists():
        with open_book(path, write=True) as store, store.writing() as connection:
            connection.execute("UPDATE gpkg_contents SET last_change = '2025-05-01T00:00:00.000Z'")
    if journal.exists() and path.exists():
        found.faults.append(f"kill {found.kills}, in {step}: the journal stayed")
    if now == expected[done]:
        found.taken_back += 1
    elif done < len(STEPS) and now == expected[done + 1]:
        found.kept += 1
    else:
        found.faults.append(f"kill {found.kills}, in {step}: neither the state before nor after")


def _clear(found: Found, folder: Path) -> None:
    """Let the next book clear away what kills left in the making, once it is old enough."""
    path = folder / "season.gpkg"
    path.unlink(missing_ok=True)
    for left in folder.iterdir():
        os.utime(left, (0, 0))
    create(path)
    found.faults += [f"{p.name} was left" for p in folder.iterdir() if p != path]


def main(kills: int = 200, count: int = 3000, seed: int = 1) -> int:
    """Kill and print what came of it; 1 if anything did."""
    with tempfile.TemporaryDirectory() as folder:
        found = kill(Path(folder), count, kills, seed, told=True)
    print("killed in    times")
    for step in (*STEPS, "the end"):
        print(f"{step:12s} {found.fell_in[step]:5d}")
    print(f"kills: {found.kills}")
    print(f"of the step under way everything was there: {found.kept}")
    print(f"nothing of it: {found.taken_back}")
    print(f"half written on the disk, put right by the next to open: {found.half_written}")
    print(f"files of books in the making that stayed, cleared away by the next: {found.left_lying}")
    for fault in found.faults:
        print(f"FAULT {fault}")
    print(f"faults: {len(found.faults)}")
    return 1 if found.faults else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["work"]:
        _work(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        sys.exit(main(*map(int, sys.argv[1:])))
