"""The figure of the page about the beam: cone, swath and the strip under the boat."""

from __future__ import annotations

import math

from make_figures import ACCENT, BLUE, FAINT, GREEN, INK, RULE, Sheet, metres

from athwart.geometry.beam import footprint, strip_under, swath

DEPTH, RANGE, CONE, NADIR = 14.0, 32.0, 20.0, 30.0


def draw() -> str:
    """Return the figure."""
    across = float(footprint(DEPTH, CONE))
    half = float(swath(RANGE, DEPTH)) / 2
    under = float(strip_under(DEPTH, NADIR)) / 2
    scale, middle, surface = 9.0, 300.0, 96.0
    bottom = surface + DEPTH * scale

    def x(metre: float) -> float:
        return middle + metre * scale

    s = Sheet(
        388,
        "What the sonar sees",
        "A boat from astern over a flat bottom. Under her the cone of the sounder; on each side the "
        "swath of the side-scan out to its range; between them the strip within 30 degrees of the "
        "vertical, where the picture is squeezed.",
    )
    s.head(30, f"Range {metres(RANGE, 0)}, {metres(DEPTH, 0)} of water")
    s.line([(20, surface), (580, surface)], colour=BLUE, width=1.6)
    for side in (-1, 1):
        s.line(
            [(middle, surface), (x(side * under), bottom), (x(side * half), bottom)],
            colour="none", fill=GREEN, opacity=0.16, close=True,
        )  # fmt: skip
        s.line([(middle, surface), (x(side * half), bottom)], colour=GREEN, width=1.6)
        s.line([(middle, surface), (x(side * under), bottom)], colour=FAINT, dash="4 3")
        s.line([(x(side * under), bottom), (x(side * half), bottom)], colour=GREEN, width=5)
    s.line([(x(-under), bottom), (x(under), bottom)], colour=ACCENT, width=5)
    s.line(
        [(middle, surface), (x(-across / 2), bottom), (x(across / 2), bottom)],
        colour=INK, fill=INK, opacity=0.18, close=True,
    )  # fmt: skip
    s.line([(20, bottom + 4), (580, bottom + 4)], colour=RULE)
    s.line(
        [(middle - 24, surface - 12), (middle - 17, surface + 5), (middle + 17, surface + 5),
         (middle + 24, surface - 12)],
        colour=INK, fill=INK, close=True,
    )  # fmt: skip
    well = (x(half) + x(under)) / 2
    s.text((well, bottom + 30), f"{metres(half - under)} well seen", anchor="middle", colour=GREEN)
    s.text((600 - well, bottom + 30), "and the same here", anchor="middle", colour=GREEN)
    s.text((middle, bottom + 58), f"{metres(2 * under)} squeezed together", anchor="middle",
           colour=ACCENT)  # fmt: skip
    s.text((middle, bottom + 82), f"cone of {CONE:g} degrees: {metres(across)} across",
           anchor="middle")  # fmt: skip
    slope = math.degrees(math.atan2(DEPTH, half))
    s.text((x(half * 0.62), surface + DEPTH * scale * 0.62 - 16), f"slant range {metres(RANGE, 0)}",
           anchor="middle", colour=GREEN, turn=slope)  # fmt: skip
    s.text((24, 368), "The first 14 m of each side of the picture is water.", colour=FAINT)
    return s.svg()
