"""What the benchmarks share: rows of one table, paired runs, peaks of memory, the machine.

Ours and the peer run in turn, the peer first in one round and last in the next, so that whatever
else the machine does falls on both; a row's ratio is the median of the ratios of the rounds. Where
both sides work in one thread, the processor's time is taken, which a busy machine changes less.
"""

from __future__ import annotations

import gc
import os
import platform
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

Clock = Callable[[], float]
PROCESSOR: Clock = time.process_time
WALL: Clock = time.perf_counter


@dataclass(frozen=True)
class Row:
    """A line of the table; ``ours`` and ``peer`` are texts, ``figure`` is what was asked for.

    ``ratio`` is ours over the peer's, NaN where there is no peer. ``met`` is None where no figure
    was asked for.
    """

    what: str
    ours: str
    peer: str = ""
    ratio: float = float("nan")
    figure: str = ""
    met: bool | None = None


@dataclass(frozen=True)
class Pairs:
    """Seconds of ours and of the peer in each round."""

    ours: tuple[float, ...]
    peers: tuple[float, ...]

    @property
    def ratio(self) -> float:
        """Median of the rounds' ratios, ours over the peer's."""
        return statistics.median(o / p for o, p in zip(self.ours, self.peers, strict=True))

    @property
    def seconds(self) -> tuple[float, float]:
        """Medians of ours and of the peer."""
        return statistics.median(self.ours), statistics.median(self.peers)

    def row(self, what: str, peer: str, at_most: float | None = None) -> Row:
        """Return the row; ``at_most`` is what the ratio may be."""
        ours, peers = self.seconds
        return Row(
            what,
            shown(ours),
            f"{peer} {shown(peers)}",
            self.ratio,
            "" if at_most is None else f"at most {at_most:.3g} x",
            None if at_most is None else self.ratio <= at_most,
        )


def shown(seconds: float) -> str:
    """Return seconds as text."""
    return f"{seconds * 1e3:.0f} ms" if seconds < 1 else f"{seconds:.2f} s"


def spent(job: Callable[[], object], clock: Clock = PROCESSOR) -> float:
    """Return what a call takes, seconds; rubbish of the call before is no part of it."""
    gc.collect()
    start = clock()
    kept = job()
    took = clock() - start
    del kept
    return took


def paired(
    ours: Callable[[], object],
    peer: Callable[[], object],
    rounds: int,
    *,
    clock: Clock = PROCESSOR,
    warm: bool = True,
) -> Pairs:
    """Run both in turn; ``warm`` runs each once before, uncounted."""
    if warm:
        ours(), peer()
    pairs = []
    for k in range(rounds):
        first, second = (ours, peer) if k % 2 else (peer, ours)
        a, b = spent(first, clock), spent(second, clock)
        pairs.append((a, b) if k % 2 else (b, a))
    return Pairs(*(tuple(v) for v in zip(*pairs, strict=True)))


def of_processes(ours: Sequence[str], peer: Sequence[str], rounds: int, folder: Path) -> Pairs:
    """Run two programs in turn; the processor's seconds of each, its start included.

    Both find their modules compiled, as those of an installed package are: a round that is not
    counted compiles them into a cache of the benchmark's own, also where the environment tells
    Python to write none.
    """
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPATH"] = os.pathsep.join(p for p in sys.path if p)
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")

    def run(arguments: Sequence[str]) -> Callable[[], object]:
        command = [sys.executable, *arguments]

        def job() -> None:
            done = subprocess.run(
                command, cwd=folder, env=environment, capture_output=True, text=True
            )
            if done.returncode:
                raise SystemExit(f"{' '.join(arguments)} failed:\n{done.stderr}")

        return job

    def children() -> float:
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        return used.ru_utime + used.ru_stime

    return paired(run(ours), run(peer), rounds, clock=children)


_PEAK = """
import re, sys
def peak():
    with open("/proc/self/status") as status:
        return int(re.search(r"VmHWM:\\s+(\\d+)", status.read())[1]) / 1e3
"""


def peak_mb(before: str, job: str, *arguments: object) -> tuple[float, float]:
    """Return the peak of memory of a job in a process of its own, and what stood before it, MB.

    The kernel's high-water mark of the process (VmHWM, Linux): ``ru_maxrss`` of a started process
    begins at that of the one that started it, and would hide what is smaller.

    Parameters
    ----------
    before, job : str
        Python that gets ready (its imports and input are not counted as the job's), and the job.
        ``sys.argv[1:]`` are the arguments.
    """
    code = f"{_PEAK}\n{before}\nstart = peak()\n{job}\nprint(peak() - start, start)\n"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        env=environment,
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    above, start = (float(v) for v in done.stdout.split()[-2:])
    return above, start


def memory_row(what: str, before: str, job: str, *arguments: object, limit_mb: float | None) -> Row:
    """Return the row of `peak_mb`; the limit holds for the whole of the process."""
    above, start = peak_mb(before, job, *arguments)
    return Row(
        f"{what}: peak of memory",
        f"{above + start:.0f} MB ({above:.0f} above the {start:.0f} before)",
        figure="" if limit_mb is None else f"under {limit_mb:.0f} MB",
        met=None if limit_mb is None else above + start < limit_mb,
    )


def machine() -> str:
    """Return processor, cores, load and versions in one line."""
    model = platform.processor() or platform.machine()
    if Path("/proc/cpuinfo").exists():
        found = re.search(r"model name\s*:\s*(.+)", Path("/proc/cpuinfo").read_text())
        model = found[1].strip() if found else model
    load = ", ".join(f"{v:.1f}" for v in os.getloadavg())
    return (
        f"{model}, {platform.machine()}, {os.cpu_count()} cores, load {load} (1, 5, 15 min); "
        f"Python {platform.python_version()}"
    )


def heading() -> str:
    """Return the head of the table."""
    return f"{'what':56} {'ours':>12} {'peer':38} {'ratio':>7}  {'asked for':14} met"


def line(row: Row) -> str:
    """Return a row as text."""
    ratio = "" if row.ratio != row.ratio else f"{row.ratio:.3g}"
    met = {True: "yes", False: "NO", None: ""}[row.met]
    return f"{row.what:56} {row.ours:>12} {row.peer:38} {ratio:>7}  {row.figure:14} {met}".rstrip()


def alone(measure: Callable[[bool], Iterator[Row]]) -> None:
    """Run one benchmark as a program: its rows, ``--quick`` for a smaller size and fewer rounds."""
    print(machine(), heading(), sep="\n")
    for row in measure("--quick" in sys.argv[1:]):
        print(line(row), flush=True)


def scratch() -> tempfile.TemporaryDirectory[str]:
    """Return a folder that goes when it is done with."""
    return tempfile.TemporaryDirectory(prefix="athwart-benchmark-")
