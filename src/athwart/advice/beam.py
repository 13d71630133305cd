"""What the sonar sees at a depth, a range and a speed, in sentences and in values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from athwart.errors import UsageError
from athwart.units import UnitSystem, format_length, format_speed

if TYPE_CHECKING:
    from athwart.boat import Boat

__all__ = ["CAUTION", "cone_lines", "sound_of", "speed_lines", "swath_lines"]

CAUTION = (
    "Advice, not navigation: flat bottom and calm water are assumed; a hull that rolls and a sounder "
    "that shows fewer lines than it could see less."
)


def sound_of(boat: Boat) -> float:
    """Return the water's speed of sound if the boat file tells of it, else what sounders assume."""
    return float(boat.assumed_sound_mps * boat.sound_ratio()[0])


def cone_lines(
    made: dict[str, Any],
    said: list[str],
    depth: float,
    cone: float,
    slope: float | None,
    shown: UnitSystem,
) -> None:
    """Add what a cone covers, in values and in sentences."""
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


def swath_lines(
    made: dict[str, Any],
    said: list[str],
    depth: float,
    range_m: float,
    nadir: float,
    shown: UnitSystem,
) -> None:
    """Add what the side-scan sees of the bottom at a depth."""
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


def speed_lines(
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
    """Add how fast lines follow each other, and how fast one may go for so many on a thing.

    Raises
    ------
    UsageError
        More lines a second than sound allows.
    """
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
            f"the sounder is said to draw {rate:g} lines a second; sound there and back over "
            f"{format_length(range_m, shown)} allows {most:.1f} at most"
        )
    real = most if rate is None else rate
    drawn = real / most
    made |= {"lines_per_second_most": most, "lines_per_second": real}
    said.append(
        f"sound allows {most:.1f} lines a second at most"
        + ("; many sounders draw fewer: count them, and say how many" if rate is None else
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
