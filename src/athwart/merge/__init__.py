"""Merging: many sightings of many trips become one set of marks."""

from athwart.merge.chain import Merged, Rulings, merge
from athwart.merge.marks import AUTOMATIC_NAMES
from athwart.merge.offset import Offset
from athwart.merge.report import APART_REASONS, KeptApart, Report

__all__ = [
    "APART_REASONS",
    "AUTOMATIC_NAMES",
    "KeptApart",
    "Merged",
    "Offset",
    "Report",
    "Rulings",
    "merge",
]
