"""The options by which commands are told how fast something sinks, and what is made of them."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from athwart.cli.common import Quantity
from athwart.errors import UsageError
from athwart.units import parse_quantity

if TYPE_CHECKING:
    from athwart.plan.sink import SinkRate

__all__ = ["SinkChoice", "sink_options"]

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True, kw_only=True)
class SinkChoice:
    """What the user said of the weight."""

    counts: tuple[str, ...]
    weight: float | None
    material: str
    fresh: bool

    def __bool__(self) -> bool:
        return bool(self.counts) or self.weight is not None

    def read(self) -> SinkRate:
        """Return the sink rate.

        Raises
        ------
        UsageError
            Neither or both of counts and a weight, or a count that cannot be read.
        """
        from athwart.plan.sink import FRESH, SEA, rate_from_counts, rate_from_weight

        if bool(self.counts) == (self.weight is not None):
            raise UsageError(
                'say how fast it sinks: --count "12s 10m" (your count to a bottom at a known depth, '
                "the best there is) or, for a first guess, --weight 30g"
            )
        if self.weight is not None:
            water = FRESH if self.fresh else SEA
            return rate_from_weight(self.weight, _density(self.material), water)
        pairs = [_count(text) for text in self.counts]
        return rate_from_counts([d for _, d in pairs], [t for t, _ in pairs])


def _count(text: str) -> tuple[float, float]:
    parts = text.split()
    if len(parts) != 2:
        raise UsageError(f'{text!r} is no count; write seconds and depth: "12s 10m"')
    count, depth = parse_quantity(parts[0], "time"), parse_quantity(parts[1], "length")
    if not count > 0 or not depth > 0:
        raise UsageError(f"{text!r} is no count; both numbers must be more than 0")
    return count, depth


def _density(material: str) -> float:
    from athwart.plan.sink import DENSITIES

    if material in DENSITIES:
        return DENSITIES[material].value
    try:
        return float(material)
    except ValueError:
        raise UsageError(
            f"--material is {material!r}; allowed are {', '.join(DENSITIES)}, or a density in kg a "
            "cubic metre"
        ) from None


_OPTIONS = (
    click.option(
        "--count",
        "counts",
        multiple=True,
        metavar='"TIME DEPTH"',
        help='Your count to the bottom at a known depth: "12s 10m". Again for more counts.',
    ),
    click.option(
        "--weight", type=Quantity("mass"), metavar="MASS", help="Weight, for a first guess: 30g."
    ),
    click.option(
        "--material",
        default="lead",
        show_default=True,
        help="lead, tungsten, steel, brass, zinc, or kg a cubic metre.",
    ),
    click.option("--fresh", is_flag=True, help="Fresh water, not the sea."),
)


def sink_options(function: F) -> F:
    """Declare the options of sinking; the command gets them as one `SinkChoice`, ``sinking``."""

    @functools.wraps(function)
    def gathered(**values: Any) -> Any:
        said = {name: values.pop(name) for name in ("counts", "weight", "material", "fresh")}
        return function(sinking=SinkChoice(**said), **values)

    declared: Any = gathered
    for option in reversed(_OPTIONS):
        declared = option(declared)
    return declared  # type: ignore[no-any-return]
