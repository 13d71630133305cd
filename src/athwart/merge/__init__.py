"""Merging: many sightings of many trips become one set of marks."""

from athwart.merge.chain import Merged, Rulings, merge
from athwart.merge.gate import REACH_M, reach_of
from athwart.merge.known import TripSitting
from athwart.merge.marks import AUTOMATIC_NAMES
from athwart.merge.offset import VOTE_WITHIN_M, Offset
from athwart.merge.parts import Division, Outline, bands, divide, in_order, outline
from athwart.merge.report import APART_REASONS, KeptApart, Report

__all__ = [
    "APART_REASONS",
    "AUTOMATIC_NAMES",
    "REACH_M",
    "VOTE_WITHIN_M",
    "Division",
    "KeptApart",
    "Merged",
    "Offset",
    "Outline",
    "Report",
    "Rulings",
    "TripSitting",
    "bands",
    "divide",
    "in_order",
    "merge",
    "outline",
    "reach_of",
]
