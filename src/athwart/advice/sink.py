"""Sinking in words: how fast, how long to count, how far up-current to put it in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from athwart.plan.sink import count_for, lead
from athwart.uncertainty.vertical import Z95
from athwart.units import UnitSystem, format_length

if TYPE_CHECKING:
    from athwart.plan.sink import SinkRate

__all__ = ["sinking"]


def sinking(
    rate: SinkRate,
    depths_m: Sequence[float],
    *,
    depth_sigma_m: float = 0.0,
    current_mps: float | None = None,
    current_sigma_mps: float,
    at_surface: bool = True,
    units: UnitSystem = "metric",
) -> tuple[list[str], list[dict[str, float]]]:
    """Return how long to count for some depths, as sentences and as numbers.

    Parameters
    ----------
    rate : SinkRate
        How fast it sinks.
    depths_m : sequence of float
        Wanted depths, metres.
    depth_sigma_m : float
        Their standard error.
    current_mps : float, optional
        Speed of the current, m/s.
    current_sigma_mps : float
        Its standard error.
    at_surface : bool
        It is the current at the surface, not the mean of the column.
    units : {"metric", "feet", "fathoms"}
        What lengths are written in.

    Returns
    -------
    list of str
        The rate, then a sentence a depth.
    list of dict
        ``depth_m``, ``count_s``, ``count_sigma_s``; with a current ``lead_m``, ``lead_sigma_m``.
    """
    rows = []
    said = [
        f"it sinks {format_length(rate.mps, units, 2)} a second, ± "
        f"{format_length(Z95 * rate.sigma_mps, units, 2)} (95 %): {rate.words}"
    ]
    for depth in depths_m:
        count, sigma = count_for(rate, depth, depth_sigma_m)
        row = {"depth_m": depth, "count_s": float(count), "count_sigma_s": float(sigma)}
        sentence = (
            f"{format_length(depth, units)}: count {float(count):.0f} seconds, "
            f"± {Z95 * float(sigma):.0f} (95 %)"
        )
        if current_mps is not None:
            away, away_sigma = lead(
                count, sigma, current_mps, current_sigma_mps, at_surface=at_surface
            )
            row |= {"lead_m": float(away), "lead_sigma_m": float(away_sigma)}
            sentence += (
                f"; the current carries it {format_length(float(away), units)} on the way, "
                f"± {format_length(Z95 * float(away_sigma), units)}: put it in so far up-current"
            )
        said.append(sentence)
        rows.append(row)
    return said, rows
