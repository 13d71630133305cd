"""``athwart beam``: what the sonar sees at a depth, a range and a speed."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    print_json,
    read_boat,
    show,
    shown_units,
)
from athwart.errors import UsageError


@click.command("beam", short_help="What the sonar sees at a depth, a range and a speed.")
@length("--depth", required=True, help="Depth below the transducer.")
@click.option("--cone", type=Quantity("angle"), help="Whole angle of the sounder's cone: 20deg.")
@click.option("--bottom-slope", type=Quantity("angle"), help="Slope of the bottom under the cone.")
@length("--range", "range_m", help="Range of the side-scan, one side.")
@click.option(
    "--nadir", type=Quantity("angle"), default="30deg", show_default=True,
    help="Angle off the vertical within which little is seen.",
)  # fmt: skip
@click.option("--speed", type=Quantity("speed"), help="Speed over the ground: 4kn.")
@length("--target", "target_m", help="Length of the thing along the track.")
@click.option(
    "--lines", type=click.IntRange(min=1), default=3, show_default=True,
    help="How many lines a thing should get.",
)  # fmt: skip
@click.option("--along-beam", type=Quantity("angle"), help="Width of the beam along the track.")
@click.option("--rate", type=float, help="Lines a second that the sounder really draws.")
@common_options("boat", "json", "units", "debug")
def command(
    depth: float,
    cone: float | None,
    bottom_slope: float | None,
    range_m: float | None,
    nadir: float,
    speed: float | None,
    target_m: float | None,
    lines: int,
    along_beam: float | None,
    rate: float | None,
    boat_file: Path | None,
    as_json: bool,
    units: str | None,
    debug: bool,
) -> int:
    """Say what the sonar sees at a depth, a range and a speed.

    With --cone: the circle on the bottom. With --range: the swath of the side-scan and what is lost
    under the boat. With --target: the highest speed for so many lines on it.

    Example:

    \b
      athwart beam --depth 10m --cone 20deg --range 45m --target 1m --speed 4kn

    Advice, not navigation.
    """  # noqa: D301 - click wants the character itself
    from athwart.advice.beam import CAUTION, cone_lines, sound_of, speed_lines, swath_lines

    _check(depth=depth, cone=cone, range=range_m, target=target_m, speed=speed, rate=rate,
           along_beam=along_beam)  # fmt: skip
    if cone is None and range_m is None:
        raise UsageError("give --cone for the sounder, --range for the side-scan, or both")
    for name, angle, most in (
        ("--cone", cone, 180.0), ("--along-beam", along_beam, 90.0), ("--nadir", nadir, 90.0),
        ("--bottom-slope", bottom_slope, 90.0),
    ):  # fmt: skip
        if angle is not None and not -most < angle < most:
            raise UsageError(f"{name} is {angle:g} degrees; allowed is less than {most:g}")
    if nadir < 0:
        raise UsageError(f"--nadir is {nadir:g} degrees; allowed is 0 or more")
    if bottom_slope is not None and cone is None:
        raise UsageError("--bottom-slope goes with --cone")
    boat = read_boat(boat_file)
    shown = shown_units(units, boat)
    sound = sound_of(boat)
    made: dict[str, Any] = {"depth_m": depth, "sound_mps": sound}
    said: list[str] = []
    if cone is not None:
        cone_lines(made, said, depth, cone, bottom_slope, shown)
    if range_m is None:
        for name, value in (("--target", target_m), ("--speed", speed), ("--rate", rate),
                            ("--along-beam", along_beam)):  # fmt: skip
            if value is not None:
                raise UsageError(f"{name} goes with --range")
    else:
        swath_lines(made, said, depth, range_m, nadir, shown)
        if range_m > depth:
            speed_lines(made, said, range_m, sound, rate, speed, target_m, lines, along_beam, shown)
    if as_json:
        print_json({**made, "caution": CAUTION})
    else:
        for sentence in said:
            show(sentence)
        show(CAUTION)
    return 0


def _check(**values: float | None) -> None:
    for name, value in values.items():
        if value is not None and not (math.isfinite(value) and value > 0):
            raise UsageError(f"--{name.replace('_', '-')} is {value:g}; allowed is more than 0")
