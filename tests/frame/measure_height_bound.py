"""The least error that a height read from a made frame could have; run by hand.

    python tests/frame/measure_height_bound.py [FIRST_SEED [HOW_MANY]]

The frames are those of `measure_heights.py` with the same seeds. For each thing with a shadow of 8
pixels or more the simulator draws the mean power of the pixels about it, and again with height, place,
length, width, direction and strength changed a little. What the picture tells of these together is
Fisher's information J' C^-1 J (Cramer and Rao, from memory) for power with mean mu and covariance C:
speckle and noise, each pixel for itself, and the seabed's patches, which belong together over some
pixels. The bound of the height's error is the root of its element of the inverse.

Two bounds are printed. "known": for a reader who knows the family of the thing's shape (a half-ellipse)
and the blur of the pulse; "shape free": how full the shape is (the power to which the half-ellipse's
inside is taken, 1/2; 0 is a block, 1 a parabola) and the blur are sought too. Both know the gain, the
beam, the water, the slope and in which way the seabed is patchy, as nobody does, and have a weak
prior of the sizes (`PRIOR`), as a user has. A reader with less is farther off. What a wrong h' does on banks is told by
"perfect" in `measure_heights.py`. All shadows of 8 to 15 pixels are weighed, and every fourth of the
longer ones up to `MOST` columns.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import simulated
from scipy.ndimage import gaussian_filter1d

WITHIN = 0.15
SPANS = ((8, 15), (15, 50))
STEP = len(simulated.SCENES)
LINES, BEFORE, BEHIND = 7, 8, 12
MOST = 70
SAMPLES = 8.0
"""Samples for a column, so that a small change of height moves a shadow's end smoothly."""
PATCHY = 0.42
CLOUDS = ((1.0, 0.35), (4.0, 0.5), (22.0, 1.0))
CELL_M = 1 / 3
"""The seabed's patches as the simulator makes them: spread of the log, sizes in cells, amounts."""
PRIOR = {
    "height": 0.7,
    "x": 2.0,
    "y": 2.0,
    "length": 0.5,
    "width": 0.5,
    "bearing_deg": 60.0,
    "full": 0.25,
}
PRIOR_STRENGTH = 0.7
STEPS = {
    "height": 0.03,
    "x": 0.03,
    "y": 0.03,
    "length": 0.03,
    "width": 0.03,
    "bearing_deg": 2.0,
    "full": 0.04,
}
BLUR, BLUR_STEP, PRIOR_BLUR = 0.7, 0.05, 0.2
"""Priors and steps: height, length and width as parts, places in metres, degrees, columns."""
PARTS = ("height", "length", "width")


@dataclass(frozen=True)
class Fuller(simulated._Lying):
    """A body whose shape may be fuller or less full than half an ellipse."""

    full: float = 0.5

    def shape(self, x, y):
        """Return the height added and whether the point lies on the body."""
        height, on = super().shape(x, y)
        part = np.clip(height / self.height, 0.0, 1.0)
        return self.height * part ** (2 * self.full), on


def made(seed, options):
    """Return a frame and what the simulator traced it from."""
    held = {}
    own = simulated._trace

    def spy(o, screen, seabed, pings, floating, pad):
        held.update(o=o, screen=screen, seabed=seabed, pings=pings)
        return own(o, screen, seabed, pings, floating, pad)

    simulated._trace = spy
    try:
        return simulated.scene(seed, **options), SimpleNamespace(**held)
    finally:
        simulated._trace = own


def levels(held, side, rows, columns, body, blur=BLUR):
    """Return the mean power about a body before speckle, and the noise's, (lines, columns)."""
    o, screen = held.o, held.screen
    cut = SimpleNamespace(centre=screen.centre, half=screen.half, scale=screen.scale[rows])
    pings = simulated._Pings(*(getattr(held.pings, k)[rows] for k in ("x", "y", "z", "heading")))
    few = SimpleNamespace(
        lines=cut.scale.size, columns=o.columns, sides=(side,), beam_deg=o.beam_deg,
        sound_assumed_mps=o.sound_assumed_mps, sound_true_mps=o.sound_true_mps,
    )  # fmt: skip
    others, samples = held.seabed.bodies, simulated._SAMPLES_PER_COLUMN
    held.seabed.bodies, simulated._SAMPLES_PER_COLUMN = [body], SAMPLES
    try:
        power, _ = simulated._trace(few, cut, held.seabed, pings, None, 0)
    finally:
        held.seabed.bodies, simulated._SAMPLES_PER_COLUMN = others, samples
    away = np.abs(np.arange(o.columns) + 0.5 - screen.centre)
    gain = simulated._gain(away * cut.scale[:, None], o.depth_m)
    power = gaussian_filter1d(power.astype(np.float64), blur, axis=1) * gain
    return power[:, columns] * (0.16 if side == o.weak_side else 1.0), (0.004 * o.noise * gain)[
        :, columns
    ]


def bound(held, side, line, columns, body):
    """Return the bounds of the height's standard error, as parts of it: shape known, shape free."""
    body = Fuller(**vars(body))
    o = held.o
    rows = slice(max(line - LINES, 0), min(line + LINES + 1, o.lines))

    def power(blur=BLUR, **changed):
        return levels(held, side, rows, columns, replace(body, **changed), blur)

    level, hiss = power()
    bed, _ = power(strength=0.0)
    slopes = [(level - bed).ravel()]  # of the logarithm of its strength
    prior = [PRIOR_STRENGTH]
    for name, step in STEPS.items():
        value = getattr(body, name)
        by = step * value if name in PARTS else step
        up, down = power(**{name: value + by})[0], power(**{name: value - by})[0]
        slopes.append((up - down).ravel() / (2 * step))
        prior.append(PRIOR[name])
    up, down = power(BLUR + BLUR_STEP)[0], power(BLUR - BLUR_STEP)[0]
    slopes.append((up - down).ravel() / (2 * BLUR_STEP))
    prior.append(PRIOR_BLUR)
    slopes = np.array(slopes)
    along = np.arange(level.shape[0]) * (o.speed_mps * o.seconds_per_line)
    across = np.arange(level.shape[1]) * float(held.screen.scale[line])
    square = np.add.outer(
        np.subtract.outer(along, along) ** 2, np.subtract.outer(across, across) ** 2
    )
    square = square.transpose(0, 2, 1, 3).reshape(level.size, level.size) / CELL_M**2
    alike = sum(a**2 * np.exp(-square / (4 * s**2)) for s, a in CLOUDS) / sum(
        a**2 for _, a in CLOUDS
    )
    covariance = PATCHY**2 * np.outer(bed, bed) * alike
    covariance[np.diag_indices(level.size)] += (level**2 / o.looks + hiss**2).ravel()
    told = slopes @ np.linalg.solve(covariance, slopes.T) + np.diag(np.array(prior) ** -2.0)
    known = told[:-2, :-2]  # without fullness and blur
    return tuple(math.sqrt(np.linalg.inv(t)[1, 1]) for t in (known, told))


def measure(first, many):
    """Return one row a thing: uneven ground, span, bounds."""
    rows, longer = [], 0
    for seed in range(first, first + many):
        for k, (name, options) in enumerate(simulated.SCENES.items()):
            if options.get("axis") == "ground":
                continue
            frame, held = made(seed * STEP + k, options)
            bodies = [b for b in held.seabed.bodies if b.kind != "pipe"]
            places = np.array([held.pings.seen_from(b.x, b.y) for b in bodies])
            for t in frame.targets:
                span = math.hypot(t["shadow_x1"] - t["shadow_x0"], t["shadow_y1"] - t["shadow_y0"])
                if not (t["shadow_seen"] and span >= 8):
                    continue
                line, side = t["line"], t["side"]
                ahead, right = places[:, 0, line], places[:, 1, line] * simulated.SIGN[side]
                off = np.hypot(ahead, np.where(right > 0, right - t["ground_range_m"], np.inf))
                off[[b.kind != t["kind"] for b in bodies]] = np.inf
                sign = simulated.SIGN[side]
                ends = (
                    held.screen.centre
                    + sign
                    * np.array([t["slant_range_m"], t["shadow_end_m"]])
                    / held.screen.scale[line]
                )
                a, b = sorted((ends[0] - sign * BEFORE, ends[1] + sign * BEHIND))
                columns = slice(max(int(a), 0), min(math.ceil(b), held.o.columns))
                longer += span >= SPANS[0][1]
                if columns.stop - columns.start > MOST or (span >= SPANS[0][1] and longer % 4):
                    continue
                rows.append((
                    name.startswith(("bank", "wall")),
                    span,
                    *bound(held, side, line, columns, bodies[int(np.argmin(off))]),
                ))  # fmt: skip
        print(f"seed {seed}: {len(rows)} heights", file=sys.stderr)
    return np.array(rows, float)


def report(rows):
    """Print the table."""
    print("ground     span px    n  shape    median   a tenth above   could be in 15 %")
    for uneven, ground in ((0, "even"), (1, "bank, wall")):
        for low, high in SPANS:
            own = rows[(rows[:, 0] == uneven) & (rows[:, 1] >= low) & (rows[:, 1] < high)]
            for k, shape in ((2, "known"), (3, "free")) if len(own) else ():
                s = own[:, k]
                share = np.mean([math.erf(WITHIN / (v * math.sqrt(2))) for v in s])
                print(
                    f"{ground:10} {low:4}-{high:2} {len(own):4}  {shape:6} {np.median(s):8.1%} "
                    f"{np.quantile(s, 0.9):15.1%} {share:18.1%}"
                )


if __name__ == "__main__":
    given = [int(v) for v in sys.argv[1:3]]
    first, many = [*given, *(450, 1)[len(given) :]]
    report(measure(first, many))
