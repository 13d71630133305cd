"""How time and memory grow with the number of sightings; run by hand.

    python tests/benchmarks/growth.py [--to 1000000] [--only NAME] > docs/scale/growth.csv

Each measurement is a process of its own, so that its most memory is its own. What is measured is
the processor's time of the job alone (other work on the machine lengthens the clock's time, not
much this one) and the memory that the job has added to what its input takes. ``docs/scale.md``
draws the figures from the file.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
JOBS = ("fix", "merge", "gpx-out", "gpx-in", "book-add")
SIZES = [int(10**p) for p in (4, 4.5, 5, 5.5, 6, 6.5, 7)]
COLUMNS = ("job", "rows", "cpu_s", "clock_s", "memory_mib", "disk_mib")


def now() -> tuple[float, float]:
    """Return the processor's and the clock's time, seconds."""
    return time.process_time(), time.perf_counter()


def held() -> float:
    """Return what the process holds now, MiB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


def prepared(job: str, n: int, here: Path) -> tuple[Callable[[], Any], Path | None]:
    """Return the job, its input made, and the file that shows its size on the disk."""
    if job == "fix":
        from fixing import make_picks

        from athwart.fix import fix

        picks = make_picks(n)
        return lambda: fix(picks), None
    from merging import plane_world

    sightings, _ = plane_world(n, 20, seed=1)
    if job == "merge":
        from athwart.merge import merge

        return lambda: merge(sightings), None
    from athwart.contents import Contents

    if job == "book-add":
        from athwart.book import store
        from book import add

        store.create(here / "season.gpkg")
        return lambda: add(here / "season.gpkg", sightings, "old"), here / "season.gpkg"
    from athwart.formats import WriteOptions, read, write

    path = here / "sightings.gpx"

    def put() -> None:
        write(path, Contents(sightings=sightings), options=WriteOptions())

    if job == "gpx-out":
        return put, path
    put()
    return lambda: read(path), path


def measure(job: str, n: int) -> dict[str, Any]:
    """Do one job and return what it took."""
    with tempfile.TemporaryDirectory() as name:
        work, file = prepared(job, n, Path(name))
        before = held()
        # Input may have taken more for a moment: the top is counted from here.
        Path("/proc/self/clear_refs").write_text("5")
        cpu, clock = now()
        kept = work()
        cpu, clock = (b - a for a, b in zip((cpu, clock), now(), strict=True))
        status = Path("/proc/self/status").read_text()
        top = int(status.split("VmHWM:")[1].split()[0]) / 1024
        size = file.stat().st_size / 2**20 if file else 0.0
        del kept
        return dict(zip(COLUMNS, (job, n, cpu, clock, top - before, size), strict=True))


def main() -> None:
    """Print a line for each job and size."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--to", type=lambda v: int(float(v)), default=1_000_000)
    parser.add_argument("--only", choices=JOBS)
    parser.add_argument("--one", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        print(json.dumps(measure(given.one[0], int(given.one[1]))))
        return
    print(",".join(COLUMNS), flush=True)
    for job in [given.only] if given.only else JOBS:
        for n in [n for n in SIZES if n <= given.to]:
            command = [sys.executable, __file__, "--one", job, str(n)]
            done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=HERE)
            row = json.loads(done.stdout.splitlines()[-1])
            values = [row[c] for c in COLUMNS]
            print(
                ",".join(f"{v:.3f}" if isinstance(v, float) else str(v) for v in values), flush=True
            )


if __name__ == "__main__":
    main()
