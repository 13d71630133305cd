"""The bottom line on made frames with all hardships, held to its figure; run by hand.

    python tests/frame/measure_bottom.py [FIRST_SEED [HOW_MANY]] [--jobs N] [--cache FOLDER] [--all]

The figure, for `simulated.hard_scene(seed)` of every seed: 95 % of the confident lines within 2
pixels of the truth, at least 85 % of the lines confident; after a jump of the bottom never stuck for
more than 10 lines; 2,000 lines in under a second.

Prints a line for each scene that fails (`--all`: for each scene), then the totals. Counted are the
lines whose bottom the picture shows (`Frame.bad_lines` are left out), on both sides together, and
once more with each side for itself.

A jump is a change of the true first return by more than JUMP_PX pixels within JUMP_LINES lines that
do not follow a changed range limit. Stuck is a run of lines, next to the jump on either side of it
(a screen has no direction in which it must be read), on which the line lies more than 2 pixels off
the truth and nearer to the truth across the jump. Such runs are counted twice: whatever their
confidence, and only their confident lines, which are the ones that mislead.

The seconds are of the middle of three runs of `track_bottom` on a frame of 2,000 lines, in a
process of its own: by the clock, and of the processor, which a busy machine does not lengthen.

Altitude: how many of the lines of each confidence have an altitude within two of its standard
errors, against the water below the transducer.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import os
import statistics
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import simulated

from athwart.frame.bottom import CONFIDENT, track_bottom
from athwart.frame.layout import Layout
from athwart.frame.pixels import points

WITHIN_PX = 2.0
RIGHT, SURE = 0.95, 0.85
STUCK_LINES = 10
JUMP_PX = 6.0
JUMP_LINES = 3
LINES_TIMED = 2000
BANDS = (0.0, 0.2, 0.5, 0.8, 0.9, 1.01)


@dataclass
class Side:
    """Counts of one side of one scene."""

    lines: int
    sure: int
    right: int
    """Of the confident ones, within WITHIN_PX."""
    found: int
    """Of all, within WITHIN_PX."""
    stuck: int
    stuck_sure: int
    jumps: int

    def meets(self) -> bool:
        """Whether both conditions hold."""
        return self.right >= RIGHT * self.sure and self.sure >= SURE * self.lines


@dataclass
class Judged:
    """What was measured on one scene."""

    seed: int
    hardships: tuple[str, ...]
    sides: dict[str, Side]
    altitude: dict[tuple[float, str], tuple[int, int]] = field(default_factory=dict)
    """By band of confidence: lines, and those within two standard errors."""

    def total(self) -> Side:
        """Both sides together."""
        all_ = list(self.sides.values())
        counts = {k: sum(getattr(s, k) for s in all_) for k in ("lines", "sure", "right", "found")}
        return Side(
            **counts,
            stuck=max(s.stuck for s in all_),
            stuck_sure=max(s.stuck_sure for s in all_),
            jumps=sum(s.jumps for s in all_),
        )


def hardships(o: SimpleNamespace) -> tuple[str, ...]:
    """Name what the mix of a scene has in it; the rest is in every scene."""
    noise = "noise over 2" if o.noise > 2 else "noise over 1.5" if o.noise > 1.5 else "noise to 1.5"
    return (
        o.bottom,
        f"{o.turn} course",
        f"range {o.range_m:g}",
        noise,
        "heave over 0.15" if o.heave_m > 0.15 else "heave to 0.15",
        "weak on the rising side" if o.weak_side == o.bottom_side else "weak on the other side",
        *(("range changed",) if o.range_changes else ()),
    )


def made(seed: int, cache: Path) -> SimpleNamespace:
    """Return a hard scene, from the folder if it was made before by the same simulator."""
    kept = ("straight", "bad_lines", "water_depth_m")
    source = Path(simulated.__file__).read_bytes()
    path = cache / f"{hashlib.sha256(source).hexdigest()[:12]}-{seed}.npz"
    if not path.exists():
        frame = simulated.hard_scene(seed)
        values = {k: getattr(frame, k) for k in kept}
        values |= {f"first_{s}": r for s, r in frame.first_return_m.items()}
        cache.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}.npz")
        np.savez_compressed(
            part, told=np.array(json.dumps([frame.layout, asdict(frame.options)])), **values
        )
        part.replace(path)
    with np.load(path) as held:
        layout, options = json.loads(str(held["told"]))
        return SimpleNamespace(
            layout=Layout.from_mapping(layout),
            options=SimpleNamespace(**options),
            first={k[6:]: held[k] for k in held.files if k.startswith("first_")},
            **{k: held[k] for k in kept},
        )


def jumps(columns: np.ndarray, seen: np.ndarray) -> list[tuple[int, int]]:
    """Lines before and after each jump of the truth, in columns of the newer scale."""
    at = np.flatnonzero(seen)
    out: list[tuple[int, int]] = []
    k = 0
    while k + JUMP_LINES < at.size:
        a, b = at[k], at[k + JUMP_LINES]
        if b - a <= 3 * JUMP_LINES and abs(columns[b] - columns[a]) > JUMP_PX:
            out.append((int(a), int(b)))
            k += JUMP_LINES
        else:
            k += 1
    return out


def stuck(
    found: np.ndarray, truth: np.ndarray, seen: np.ndarray, jump: tuple[int, int]
) -> list[np.ndarray]:
    """Lines on either side of a jump that still follow the truth of the other side."""
    a, b = jump
    out = []
    for lines, other in (
        (np.arange(b, truth.size), truth[a]),
        (np.arange(a, -1, -1), truth[b]),
    ):
        lines = lines[seen[lines]]
        off = np.abs(found[lines] - truth[lines])
        wrong = (off > WITHIN_PX) & (np.abs(found[lines] - other) < off)
        end = np.flatnonzero(~wrong)
        out.append(lines[: end[0]] if end.size else lines)
    return out


def judge(job: tuple[int, Path]) -> Judged:
    """Track one scene and count."""
    seed, cache = job
    scene = made(seed, cache)
    layout, o = scene.layout, scene.options
    bottom = track_bottom(layout.sides(scene.straight.astype(np.float32) / 255))
    ratio = o.sound_assumed_mps / o.sound_true_mps
    sides = {}
    for s in bottom.sides:
        column = layout.metres_per_column(s)
        truth = scene.first[s] * ratio
        seen = np.isfinite(truth) & ~scene.bad_lines
        near = np.abs(bottom.range_m[s] - truth) / column <= WITHIN_PX
        sure = (bottom.confidence[s] >= CONFIDENT) & seen
        # In columns of one scale, so that a changed limit is no jump.
        found, true = bottom.range_m[s] / column.min(), truth / column.min()
        there = jumps(true, seen)
        runs = [r for j in there for r in stuck(found, true, seen, j)]
        sides[s] = Side(
            lines=int(seen.sum()),
            sure=int(sure.sum()),
            right=int((sure & near).sum()),
            found=int((seen & near).sum()),
            stuck=max((r.size for r in runs), default=0),
            stuck_sure=max((int(sure[r].sum()) for r in runs), default=0),
            jumps=len(there),
        )
    out = Judged(seed, hardships(o), sides)
    # A point on each line, just right of the centre line: only its altitude is looked at.
    i = np.arange(layout.lines)
    xy = layout.pixel_of(bottom.sides[0], i, column * 8.0)
    where = points(layout, bottom, xy)
    truth = scene.water_depth_m * ratio
    good = np.abs(where.altitude_m - truth) < 2 * where.altitude_sigma_m
    for low, high in itertools.pairwise(BANDS):
        for name, chosen in (("shown", ~scene.bad_lines), ("not shown", scene.bad_lines)):
            band = (where.confidence >= low) & (where.confidence < high) & chosen
            out.altitude[low, name] = (int(band.sum()), int((band & good).sum()))
    return out


def seconds(_: int) -> tuple[float, float]:
    """Time the tracker on a long frame."""
    frame = simulated.hard_scene(3, lines=LINES_TIMED)
    sides = Layout.from_mapping(frame.layout).sides(frame.straight.astype(np.float32) / 255)
    clock, processor = [], []
    for _ in range(3):
        started = time.perf_counter(), time.process_time()
        track_bottom(sides)
        clock.append(time.perf_counter() - started[0])
        processor.append(time.process_time() - started[1])
    return statistics.median(clock), statistics.median(processor)


def said(judged: Judged) -> str:
    """One line on a scene."""
    by_side = ", ".join(
        f"{name} {s.right / max(s.sure, 1):6.1%} of {s.sure / max(s.lines, 1):6.1%} sure"
        f" ({s.found / max(s.lines, 1):6.1%} found)"
        for name, s in judged.sides.items()
    )
    t = judged.total()
    return (
        f"seed {judged.seed:5d}: right {t.right / max(t.sure, 1):6.1%}, sure "
        f"{t.sure / max(t.lines, 1):6.1%}, stuck {t.stuck}/{t.stuck_sure}; {by_side}; "
        f"{', '.join(judged.hardships)}"
    )


def report(results: list[Judged]) -> None:
    """Print the totals."""
    n = len(results)
    totals = [r.total() for r in results]
    sides = [s for r in results for s in r.sides.values()]
    lines, sure = sum(t.lines for t in totals), sum(t.sure for t in totals)
    right, found = sum(t.right for t in totals), sum(t.found for t in totals)
    print(f"scenes that meet both conditions: {sum(t.meets() for t in totals)} of {n}")
    print(
        f"  right but too few confident: {sum(t.right >= RIGHT * t.sure and t.sure < SURE * t.lines for t in totals)}"
    )
    print(f"  confident lines wrong: {sum(t.right < RIGHT * t.sure for t in totals)}")
    print(f"  each side for itself: {sum(s.meets() for s in sides)} of {len(sides)} sides")
    print(
        f"confident lines right: {right / sure:.2%}; confident: {sure / lines:.2%}; all lines right: {found / lines:.2%}"
    )
    where = max(range(n), key=lambda k: totals[k].stuck)
    print(
        f"jumps: {sum(t.jumps for t in totals)}; longest stuck: {totals[where].stuck} lines (seed "
        f"{results[where].seed}), of confident lines {max(t.stuck_sure for t in totals)}; scenes stuck for "
        f"more than {STUCK_LINES}: {sum(t.stuck > STUCK_LINES for t in totals)}, while confident "
        f"{sum(t.stuck_sure > STUCK_LINES for t in totals)}"
    )
    print("failures by hardship (of so many scenes with it):")
    for name in sorted({h for r in results for h in r.hardships}):
        with_it = [t for r, t in zip(results, totals, strict=True) if name in r.hardships]
        print(f"  {name:24s} {sum(not t.meets() for t in with_it):3d} of {len(with_it)}")
    print("altitude within two standard errors, by confidence:")
    for what in ("shown", "not shown"):
        for low, high in itertools.pairwise(BANDS):
            many, good = np.sum([r.altitude[low, what] for r in results], axis=0)
            if many:
                print(f"  {what:9s} {low:.1f} to {min(high, 1):.1f}: {good / many:6.1%} of {many}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description="The bottom line on made frames, held to its figure."
    )
    parser.add_argument("first", type=int, nargs="?", default=0)
    parser.add_argument("many", type=int, nargs="?", default=40)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "made-frames")
    parser.add_argument("--all", action="store_true")
    given = parser.parse_args()
    jobs = [(seed, given.cache) for seed in range(given.first, given.first + given.many)]
    results = []
    with ProcessPoolExecutor(given.jobs) as pool:
        for r in pool.map(judge, jobs):
            results.append(r)
            if given.all or not r.total().meets() or r.total().stuck > STUCK_LINES:
                print(said(r), flush=True)
    report(results)
    with ProcessPoolExecutor(1) as pool:
        clock, processor = next(pool.map(seconds, [0]))
        print(
            f"{LINES_TIMED} lines: {clock:.2f} s by the clock, {processor:.2f} s of the processor"
        )


if __name__ == "__main__":
    sys.exit(main())
