"""Merging: many sightings of many trips become one set of marks."""

from athwart.merge.chain import Merged, Rulings, merge
from athwart.merge.gate import REACH_M, reach_of
from athwart.merge.known import TripSitting
from athwart.merge.marks import AUTOMATIC_NAMES
from athwart.merge.offset import VOTE_WITHIN_M, Offset
from athwart.merge.report import APART_REASONS, KeptApart, Report

__all__ = [
    "APART_REASONS",
    "AUTOMATIC_NAMES",
    "REACH_M",
    "VOTE_WITHIN_M",
    "KeptApart",
    "Merged",
    "Offset",
    "Report",
    "Rulings",
    "TripSitting",
    "merge",
    "reach_of",
]
