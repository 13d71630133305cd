"""What one file held, or is to hold: the plain record that readers return and writers take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from athwart.errors import BadRow
from athwart.tables import Marks, Picks, Sightings, Track, Waypoints

__all__ = ["Contents"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Contents:
    """Everything that was read from one file, and everything that was not.

    Parameters
    ----------
    source : str
        Name of the file as the user gave it (the last part of its path).
    format : str
        Name of the format in the registry.
    picks, waypoints, sightings, marks, tracks, routes
        Tables; empty where the file holds none. A full output of marks holds both marks and
        their sightings.
    counts : mapping of str to int
        What the file itself holds, good or bad: ``waypoints``, ``route_points``,
        ``track_points``, ``routes``, ``tracks`` and, where they apply, ``picks``, ``sightings``,
        ``marks``, ``sentences``.
    rejected : sequence of BadRow
        Points or rows that were not taken, with the reason.
    dropped_fields : mapping of str to int
        Optional fields that could not be read, by name, with how many.
    words : sequence of str
        Sentences that the user should see (a clean file of marks taken as waypoints; a transform
        and its accuracy; what could not be carried).
    settled : bool
        The marks are the last word on the sightings (a book's), not to be merged again.
    """

    source: str = ""
    format: str = ""
    picks: Picks = field(default_factory=Picks.empty)
    waypoints: Waypoints = field(default_factory=Waypoints.empty)
    sightings: Sightings = field(default_factory=Sightings.empty)
    marks: Marks = field(default_factory=Marks.empty)
    tracks: Track = field(default_factory=Track.empty)
    routes: Track = field(default_factory=Track.empty)
    counts: Mapping[str, int] = field(default_factory=dict)
    rejected: Sequence[BadRow] = ()
    dropped_fields: Mapping[str, int] = field(default_factory=dict)
    words: Sequence[str] = ()
    settled: bool = False
