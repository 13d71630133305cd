"""What merging did, in plain records and sentences.

The tables inside are columns; records and sentences are made only when somebody asks for them, so
a merge of a million sightings does not write a million sentences that nobody reads.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.merge.offset import Offset
from athwart.tables import Marks
from athwart.units import UnitSystem, format_length, many

__all__ = ["APART_REASONS", "KeptApart", "Report", "offset_sentence"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
TextArray = NDArray[np.object_]

APART_REASONS = {
    "ruled": "you have ruled them to be different things",
    "kinds": "their kinds cannot be one thing",
    "names": "one trip gave them different names",
    "too-far": "they lie farther apart than their errors allow",
    "no-common-place": "some of their sightings agree, but all of them do not fit one place",
}
"""Why two near marks were kept apart, by code."""


@dataclass(frozen=True, eq=False)
class KeptApart:
    """Near marks that stay two.

    Attributes
    ----------
    a, b : numpy.ndarray of int64
        Rows of the table of marks, a < b.
    distance_m : numpy.ndarray
        Between the fused positions.
    reason : numpy.ndarray of int8
        Place of the reason in `APART_REASONS`.
    """

    a: IntArray
    b: IntArray
    distance_m: FloatArray
    reason: NDArray[np.int8]

    def __len__(self) -> int:
        return len(self.a)


@dataclass(frozen=True, eq=False)
class Report:
    """What merging did.

    Attributes
    ----------
    marks : Marks
        The marks it speaks of.
    sightings : int
        Sightings taken in, repeats not counted.
    repeats : int
        Sightings that were there more than once and were taken once.
    apart : KeptApart
        Near marks kept apart.
    inflated : numpy.ndarray of int64
        Marks whose sightings scatter beyond their errors; their covariance was enlarged.
    depths : tuple of numpy.ndarray
        Marks whose depths disagree: mark, reference, shallowest and deepest, metres.
    kinds : numpy.ndarray of int64
        Marks whose sightings name different kinds.
    kind_words : sequence of str
        Those kinds, parted by commas.
    offsets : sequence of Offset
        Trips that sit off the others, the farthest first.
    shifted : mapping of str to tuple of float
        Trips that were moved, and by how much (east, north, metres).
    """

    marks: Marks
    sightings: int
    repeats: int
    apart: KeptApart
    inflated: IntArray
    depths: tuple[IntArray, TextArray, FloatArray, FloatArray]
    kinds: IntArray
    kind_words: tuple[str, ...]
    offsets: tuple[Offset, ...]
    shifted: dict[str, tuple[float, float]] = field(default_factory=dict)

    @classmethod
    def silent(cls, marks: Marks, sightings: int) -> Report:
        """Return a report with nothing to say of marks that were settled elsewhere."""
        none, real = np.empty(0, np.int64), np.empty(0)
        return cls(
            marks=marks,
            sightings=sightings,
            repeats=0,
            apart=KeptApart(none, none, real, np.empty(0, np.int8)),
            inflated=none,
            depths=(none, np.empty(0, object), real, real),
            kinds=none,
            kind_words=(),
            offsets=(),
        )

    def _title(self, i: int) -> str:
        name = self.marks.name[i]
        return f"{name!r}" if name else f"mark {self.marks.mark_id[i][:8]}"

    def folded(self, units: UnitSystem = "metric") -> Iterator[dict[str, Any]]:
        """Give a record for each mark of several sightings."""
        m = self.marks
        for i in np.flatnonzero(m.sightings > 1).tolist():
            yield {
                "mark_id": m.mark_id[i],
                "name": m.name[i],
                "sightings": int(m.sightings[i]),
                "trips": int(m.trips[i]),
                "r95_m": float(m.r95_m[i]),
                "scatter": float(m.scatter[i]),
                "sentence": (
                    f"{self._title(i)} stands for {m.sightings[i]} sightings of {m.trips[i]} "
                    f"trip{'s' if m.trips[i] != 1 else ''}; 95 % within "
                    f"{format_length(float(m.r95_m[i]), units)}."
                ),
            }

    def kept_apart(self, units: UnitSystem = "metric") -> Iterator[dict[str, Any]]:
        """Give a record for each two near marks that were kept apart."""
        codes = list(APART_REASONS)
        m, k = self.marks, self.apart
        rows = zip(
            k.a.tolist(), k.b.tolist(), k.distance_m.tolist(), k.reason.tolist(), strict=True
        )
        for a, b, distance, reason in rows:
            code = codes[reason]
            why = APART_REASONS[code]
            if code == "kinds":
                why += f" ({m.kind[a]}, {m.kind[b]})"
            yield {
                "a": m.mark_id[a],
                "b": m.mark_id[b],
                "name_a": m.name[a],
                "name_b": m.name[b],
                "distance_m": distance,
                "reason": code,
                "sentence": (
                    f"{self._title(a)} and {self._title(b)}, {format_length(distance, units)} "
                    f"apart, were kept apart: {why}."
                ),
            }

    def scattered(self) -> Iterator[dict[str, Any]]:
        """Give a record for each mark whose covariance was enlarged."""
        m = self.marks
        for i in self.inflated.tolist():
            yield {
                "mark_id": m.mark_id[i],
                "name": m.name[i],
                "scatter": float(m.scatter[i]),
                "sentence": (
                    f"The {m.sightings[i]} sightings of {self._title(i)} scatter "
                    f"{m.scatter[i]:.1f} times as much (in square) as their errors allow; its "
                    "stated error was enlarged by as much."
                ),
            }

    def depth_disagreements(self, units: UnitSystem = "metric") -> Iterator[dict[str, Any]]:
        """Give a record for each mark whose depths disagree beyond their error."""
        m = self.marks
        for i, below, low, high in zip(*(c.tolist() for c in self.depths), strict=True):
            reference = f" below {below}" if below else ""
            yield {
                "mark_id": m.mark_id[i],
                "name": m.name[i],
                "depth_below": below,
                "least_m": low,
                "most_m": high,
                "sentence": (
                    f"The depths{reference} of {self._title(i)} disagree beyond their errors: "
                    f"from {format_length(low, units)} to {format_length(high, units)}."
                ),
            }

    def kind_disagreements(self) -> Iterator[dict[str, Any]]:
        """Give a record for each mark whose sightings name different kinds."""
        m = self.marks
        for i, words in zip(self.kinds.tolist(), self.kind_words, strict=True):
            yield {
                "mark_id": m.mark_id[i],
                "name": m.name[i],
                "kinds": words,
                "sentence": (
                    f"The sightings of {self._title(i)} say {words.replace(',', ' and')}; it was "
                    f"taken as {m.kind[i]}."
                ),
            }

    def trips_off(self, units: UnitSystem = "metric") -> Iterator[dict[str, Any]]:
        """Give a record for each trip that sits off the others."""
        for o in self.offsets:
            yield {
                "trip": o.trip,
                "distance_m": o.distance_m,
                "bearing_deg": o.bearing_deg,
                "east_m": o.east_m,
                "north_m": o.north_m,
                "support": o.support,
                "sigma_m": o.sigma_m,
                "shifted": o.trip in self.shifted,
                "sentence": offset_sentence(o, units, shifted=o.trip in self.shifted),
            }

    def rows(self, units: UnitSystem = "metric") -> Iterator[dict[str, Any]]:
        """Give all of it as flat records, one kind after the other, for a table or JSON."""
        parts = (
            ("trip off", self.trips_off(units)),
            ("scatter", self.scattered()),
            ("depths disagree", self.depth_disagreements(units)),
            ("kinds disagree", self.kind_disagreements()),
            ("kept apart", self.kept_apart(units)),
            ("folded", self.folded(units)),
        )
        for what, records in parts:
            for record in records:
                yield {"what": what, **record}

    def summary(self) -> str:
        """Say in one line what came of what."""
        m = len(self.marks)
        repeats = f", {self.repeats} repeated ones taken once" if self.repeats else ""
        folded = int((self.marks.sightings > 1).sum())
        return (
            f"{many(self.sightings, 'sighting')}{repeats}, {many(m, 'mark')}: {folded} of several "
            f"sightings, {m - folded} of one; {many(len(self.apart), 'near pair')} kept apart."
        )


def offset_sentence(offset: Offset, units: UnitSystem = "metric", *, shifted: bool = False) -> str:
    """Say how a trip sits off the others, and what can be done about it."""
    done = (
        "it was moved onto them."
        if shifted
        else "look for a wrong lever arm, clock or heading, or have the trip shifted."
    )
    return (
        f"Trip {offset.trip!r} sits {format_length(offset.distance_m, units)} off the others "
        f"towards {offset.bearing_deg:03.0f}° (true), by {offset.support} of its sightings; {done}"
    )
