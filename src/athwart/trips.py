"""Which sightings belong to one outing, and so share one GNSS error.

A trip that is given (a ``trip`` column, ``--trip``) is kept. Dated sightings without one are laid
out in time, all sources together, and parted where nothing was seen for longer than the gap: one
run is one trip, named by its start. Two boats out on the same day are one run of time; only a
given trip tells them apart. An undated sighting without a trip is a trip of its own, because
nothing says what it shares an error with.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from athwart.errors import UsageError

__all__ = ["GAP_HOURS", "assign_trips"]

GAP_HOURS = 6.0
"""Hours without a sighting that end a trip; common practice, no source."""

TextArray = NDArray[np.object_]


def assign_trips(
    time: NDArray[np.datetime64],
    trip: TextArray,
    source: TextArray,
    *,
    gap_hours: float = GAP_HOURS,
) -> TextArray:
    """Name the trip of every row.

    Parameters
    ----------
    time : numpy.ndarray of datetime64
        UTC; NaT where unknown.
    trip : numpy.ndarray of str
        Trip as given; ``""`` where nothing was said.
    source : numpy.ndarray of str
        Label of the row itself, unique and independent of its place in the table (a sighting's
        id); names the trip of an undated row.
    gap_hours : float
        Runs of time are parted by gaps longer than this; more than 0.

    Returns
    -------
    numpy.ndarray of str
        The given trip; else the run's start, such as ``"2026-05-03 06:12"``; else ``"undated "``
        and the row's own label. The order of the rows does not matter.

    Raises
    ------
    UsageError
        ``gap_hours`` is not a positive number.

    Examples
    --------
    >>> time = np.array(
    ...     ["2026-05-03T06:12", "2026-05-03T09:00", "2026-05-04T07:30", "NaT"], "M8[us]"
    ... )
    >>> text = np.array(["", "", "", ""], dtype=object)
    >>> assign_trips(time, text, np.array(list("abcd"), dtype=object)).tolist()
    ['2026-05-03 06:12', '2026-05-03 06:12', '2026-05-04 07:30', 'undated d']
    """
    if not (np.isfinite(gap_hours) and gap_hours > 0):
        raise UsageError(f"a gap of {gap_hours:g} hours cannot part trips; give more than 0")
    out = trip.copy()
    open_ = np.flatnonzero(trip == "")
    if not open_.size:
        return out
    undated = np.isnat(time[open_])
    alone = open_[undated]
    out[alone] = [f"undated {label}" for label in source[alone]]
    dated = open_[~undated]
    if not dated.size:
        return out
    micros = time[dated].astype("datetime64[us]").astype(np.int64)
    order = np.argsort(micros, kind="stable")
    ordered = micros[order]
    new = np.ones(len(order), dtype=bool)
    new[1:] = np.diff(ordered) > gap_hours * 3.6e9
    starts = np.datetime_as_string(ordered[new].astype("datetime64[us]"), unit="m")
    names = np.empty(len(starts), dtype=object)
    names[:] = [s.replace("T", " ") for s in starts.tolist()]
    out[dated[order]] = names[np.cumsum(new) - 1]
    return out
