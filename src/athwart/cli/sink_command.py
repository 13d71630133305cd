"""``athwart sink``: how fast something sinks, the count for a depth, the lead up-current."""

from __future__ import annotations

import math

import click

from athwart.cli.common import Quantity, common_options, length, print_json, show, shown_units
from athwart.cli.sinking import SinkChoice, sink_options
from athwart.errors import UsageError


@click.command("sink", short_help="Count a lure down to a depth, and lead it against the current.")
@sink_options
@length("--depth", "depths", multiple=True, help="Wanted depth below the surface; again for more.")
@length("--depth-error", default="0m", help="Standard error of the wanted depth.")
@click.option("--current", type=Quantity("speed"), help="Current: 0.8kn.")
@click.option(
    "--current-error", type=Quantity("speed"), default="0.1kn", show_default=True,
    help="Its standard error.",
)  # fmt: skip
@click.option(
    "--mean-current", is_flag=True, help="The current is the column's mean, not the surface's."
)
@common_options("json", "units", "debug")
def command(
    sinking: SinkChoice,
    depths: tuple[float, ...],
    depth_error: float,
    current: float | None,
    current_error: float,
    mean_current: bool,
    as_json: bool,
    units: str | None,
    debug: bool,
) -> int:
    """Say how long to count for a depth, and how far up-current to put it in.

    Best from your own count to the bottom at a depth you know; else a first guess from the weight.

    For example:

    \b
      athwart sink --count "9s 10m" --count "10s 10m" --depth 14m --current 0.8kn
      athwart sink --weight 1oz --depth 30ft --fresh --units feet

    Advice: a lure that is said to be down may hang higher, or lie on the bottom.
    """  # noqa: D301 - click wants the character itself
    import numpy as np

    from athwart.advice.sink import sinking as counted
    from athwart.plan.sink import CAUTION

    for name, value in (("--depth-error", depth_error), ("--current", current),
                        ("--current-error", current_error)):  # fmt: skip
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise UsageError(f"{name} is {value:g}; allowed is 0 or more")
    for depth in depths:
        if not depth > 0:
            raise UsageError(f"--depth is {depth:g} m; allowed is more than 0")
    shown = shown_units(units)
    rate = sinking.read()
    said, rows = counted(
        rate,
        depths,
        depth_sigma_m=depth_error,
        current_mps=current,
        current_sigma_mps=current_error,
        at_surface=not mean_current,
        units=shown,
    )
    if as_json:
        print_json(
            {
                "rate_mps": rate.mps,
                "rate_sigma_mps": rate.sigma_mps,
                "from": rate.words,
                "guess": bool(np.isnan(rate.counted_at_m)),
                "depths": rows,
                "caution": CAUTION,
            }
        )
        return 0
    for sentence in said:
        show(sentence)
    show(CAUTION)
    return 0
