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
from athwart.units import UnitSystem, format_length, format_speed

CAUTION = (
    "Advice, not navigation: flat bottom and calm water are assumed; a hull that rolls and a sounder "
    "that shows fewer lines than it could see less."
)


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
    sound = _sound(boat)
    made: dict[str, Any] = {"depth_m": depth, "sound_mps": sound}
    said: list[str] = []
    if cone is not None:
        _cone(made, said, depth, cone, bottom_slope, shown)
    if range_m is None:
        for name, value in (("--target", target_m), ("--speed", speed), ("--rate", rate),
                            ("--along-beam", along_beam)):  # fmt: skip
            if value is not None:
                raise UsageError(f"{name} goes with --range")
    else:
        _swath(made, said, depth, range_m, nadir, shown)
        if range_m > depth:
            _lines(made, said, range_m, sound, rate, speed, target_m, lines, along_beam, shown)
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


def _sound(boat: Any) -> float:
    """Return the water's speed of sound if the boat file tells of it, else what sounders assume."""
    return float(boat.assumed_sound_mps * boat.sound_ratio()[0])


def _cone(
    made: dict[str, Any],
    said: list[str],
    depth: float,
    cone: float,
    slope: float | None,
    shown: UnitSystem,
) -> None:
    from athwart.geometry.beam import cone_reading, footprint

    across = float(footprint(depth, cone))
    made |= {"cone_deg": cone, "footprint_m": across}
    said.append(
        f"the cone of {cone:g} degrees covers a circle {format_length(across, shown)} across on the "
        "bottom; it shows the nearest bottom within it"
    )
    if slope is not None:
        reading = float(cone_reading(depth, cone, slope))
        made |= {"slope_deg": slope, "reading_m": reading}
        said.append(
            f"on a slope of {abs(slope):g} degrees it shows {format_length(reading, shown)}, "
            f"{format_length(depth - reading, shown)} less than there is right below"
        )


def _swath(
    made: dict[str, Any],
    said: list[str],
    depth: float,
    range_m: float,
    nadir: float,
    shown: UnitSystem,
) -> None:
    from athwart.geometry.beam import strip_under, swath, water_column_part

    width = float(swath(range_m, depth))
    column = float(water_column_part(range_m, depth))
    made |= {"range_m": range_m, "swath_m": width, "water_column_part": column}
    if range_m <= depth:
        made |= {"strip_under_m": None, "seen_m": 0.0}
        said.append(
            f"the range of {format_length(range_m, shown)} does not reach the bottom at "
            f"{format_length(depth, shown)}: the side-scan sees none of it; set a longer range"
        )
        return
    under = min(float(strip_under(depth, nadir)), width)
    made |= {"nadir_deg": nadir, "strip_under_m": under, "seen_m": width - under}
    said += [
        f"the side-scan reaches {format_length(width / 2, shown)} of bottom on each side, a swath of "
        f"{format_length(width, shown)}",
        f"the first {format_length(depth, shown)} of each side ({column:.0%} of the picture) is "
        "water column",
        f"a strip {format_length(under, shown)} wide under the boat is squeezed together (within "
        f"{nadir:g} degrees of the vertical) and needs another pass; well seen are "
        f"{format_length((width - under) / 2, shown)} on each side",
    ]


def _lines(
    made: dict[str, Any],
    said: list[str],
    range_m: float,
    sound: float,
    rate: float | None,
    speed: float | None,
    target_m: float | None,
    lines: int,
    along_beam: float | None,
    shown: UnitSystem,
) -> None:
    from athwart.geometry.beam import (
        footprint,
        highest_speed,
        line_spacing,
        lines_on_target,
        lines_per_second,
    )

    most = float(lines_per_second(range_m, sound))
    if rate is not None and rate > most * 1.05:
        raise UsageError(
            f"--rate is {rate:g} lines a second; sound there and back over "
            f"{format_length(range_m, shown)} allows {most:.1f} at most"
        )
    real = most if rate is None else rate
    drawn = real / most
    made |= {"lines_per_second_most": most, "lines_per_second": real}
    said.append(
        f"sound allows {most:.1f} lines a second at most"
        + ("; many sounders draw fewer, count them and give --rate" if rate is None else
           f"; {real:g} are drawn")
    )  # fmt: skip
    if along_beam is not None:
        wide = float(footprint(range_m, along_beam))
        made["along_beam_m"] = wide
        said.append(
            f"out at the edge the beam is {format_length(wide, shown)} wide along the track: what "
            "lies closer together than that runs into one"
        )
    if speed is not None:
        apart = float(line_spacing(speed, range_m, sound)) / drawn
        made |= {"speed_mps": speed, "line_spacing_m": apart}
        said.append(
            f"at {format_speed(speed, shown)} the lines lie {format_length(apart, shown, 2)} apart"
        )
    if target_m is not None:
        fastest = float(highest_speed(target_m, lines, range_m, sound)) * drawn
        made |= {"target_m": target_m, "lines": lines, "highest_speed_mps": fastest}
        said.append(
            f"for {lines} lines on {format_length(target_m, shown)} go no faster than "
            f"{format_speed(fastest, shown)}"
        )
        if speed is not None:
            got = float(lines_on_target(target_m, speed, range_m, sound)) * drawn
            made["lines_on_target"] = got
            said.append(
                f"at {format_speed(speed, shown)} it gets {got:.1f} lines"
                + (" - TOO FEW, slow down or shorten the range" if got < lines else "")
            )
