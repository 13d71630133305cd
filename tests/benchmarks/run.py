"""All benchmarks under one command, one table; run by hand.

    python tests/benchmarks/run.py [NAME...] [--quick]

NAME is one or more of the modules beside this one (all without any): fixing, merging, gpx,
review_map, book, strip, starting, plan_coverage, plan_lanes, plan_runs, plan_day. ``--quick`` takes
smaller tables and fewer rounds, to see that everything runs; the figures that were asked for hold at
full size. Each module runs in a process of its own, so that none inherits another's memory. The
table says what was measured, ours, the peer, ours over the peer's (median of paired rounds), the
figure asked for and whether it was met; leaves with 1 if one was not.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from pairing import heading, machine

NAMES = (
    "fixing", "merging", "gpx", "review_map", "book", "strip", "starting",
    "plan_coverage", "plan_lanes", "plan_runs", "plan_day",
)  # fmt: skip


def main() -> int:
    """Print the table."""
    quick = "--quick" in sys.argv[1:]
    names = [a for a in sys.argv[1:] if a != "--quick"]
    unknown = [n for n in names if n not in NAMES]
    if unknown:
        print(f"there is no benchmark {unknown[0]!r}; there are {', '.join(NAMES)}")
        return 2
    here, unmet = Path(__file__).parent, 0
    print(machine(), heading(), sep="\n")
    for name in names or NAMES:
        # `python -c` rather than the module itself, which prints a head of its own
        code = f"import {name}, pairing\nfor r in {name}.measure({quick}): print(pairing.line(r), flush=True)"
        with subprocess.Popen(
            [sys.executable, "-c", code], cwd=here, stdout=subprocess.PIPE, text=True
        ) as process:
            for line in process.stdout or ():
                unmet += line.rstrip().endswith(" NO")
                print(line, end="", flush=True)
        if process.returncode:
            print(f"{name} stopped with {process.returncode}")
            return 1
    return int(unmet > 0)


if __name__ == "__main__":
    sys.exit(main())
