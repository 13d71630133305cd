"""How the names of returned waypoints fit those handed over, and what the file teaches of that.

What is learnt comes from waypoints in the places of marks: where this file cuts names, and what
this plotter would call every mark (`athwart.book.names_back`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from athwart.book.names_back import (
    Predicted,
    beginning,
    comparable,
    learn,
    least_letters,
    numbered_stems,
)
from athwart.book.returned_tables import (
    BoolArray,
    Fit,
    FitArray,
    IntArray,
    ReturnedFile,
    Versions,
)
from athwart.shortnames import plain_text, shorten

__all__ = ["Cuts", "Names", "Predictions", "learn_names"]

_SHORTEST_CUT, _EXCEED = 6, 0.1
_LEARNT, _LEARNT_SHARE, _SLOW = 20, 0.5, 5000
_AT_ONCE = 500_000


@dataclass(frozen=True, eq=False)
class Cuts:
    """Where the file cuts names.

    Attributes
    ----------
    written : numpy.ndarray of int64
        Length of each distinct name handed over.
    at : int
        Letters that the file keeps.
    least : numpy.ndarray of int64
        Letters that are compared at least of each of those names.
    """

    written: IntArray
    at: int
    least: IntArray


@dataclass(frozen=True, eq=False)
class Predictions:
    """What this plotter would call every mark.

    Attributes
    ----------
    shown : numpy.ndarray of int64
        Version to the number of its name in the file (`ReturnedFile.shown`); -1 if none has it.
    alike : numpy.ndarray of int64
        Marks that would have each name of the file.
    stem : numpy.ndarray of int64, shape (m, names of the file)
        Each name of the file without the last 1 to m letters, as a number, where these are a
        number that a plotter may have given; -1 where they are not.
    stem_of : numpy.ndarray of int64, shape (m, versions)
        What a name would be before such a number, likewise; -2 if the file has none of that.
    trusted : bool
        Enough names were seen, and most of them explained.
    numbers : bool
        The plotter numbers names that became alike.
    share_numbered, share_unexplained : float
        Of the names seen: right but for the number, and not right.
    """

    shown: IntArray
    alike: IntArray
    stem: IntArray
    stem_of: IntArray
    trusted: bool
    numbers: bool
    share_numbered: float
    share_unexplained: float


@dataclass(frozen=True, eq=False)
class Names:
    """The names of a file and of versions, with what was learnt of them."""

    file: ReturnedFile
    versions: Versions
    cuts: Cuts
    predicted: Predictions

    def fit(self, r: IntArray, v: IntArray) -> FitArray:
        """Return how the names of pairs fit."""
        fit = np.zeros(len(r), dtype=np.int8)
        for start in range(0, len(r), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            fit[part] = self._compared(r[part], v[part])
        # What this plotter would give outweighs what is alike.
        shown = self.file.shown_as[self.file.text[r]]
        told = self.predicted
        for stem, stem_of in zip(told.stem, told.stem_of, strict=True):
            fit[stem[shown] == stem_of[v]] = Fit.NUMBERED
        fit[(shown == told.shown[v]) & (self.file.key[self.file.text[r]] != "")] = Fit.EXACT
        return fit

    def fit_in_place(self, r: IntArray, v: IntArray) -> FitArray:
        """Return how the names of pairs at one place fit, letters left out within them included.

        A plotter may shorten by leaving out vowels; that is slow, and only few need it.
        """
        f, vs, fit = self.file, self.versions, self.fit(r, v)
        long = self.cuts.written[vs.text[v]] > f.length[f.text[r]]
        for i in np.flatnonzero((fit == Fit.OTHER) & long)[:_SLOW].tolist():
            own = f.name[r[i]].strip()
            plain = plain_text(vs.texts[vs.text[v[i]]], "ascii")[0]
            if len(own) >= _SHORTEST_CUT and comparable(shorten(plain, len(own))) == comparable(
                own
            ):
                fit[i] = Fit.CUT
        return fit

    def _compared(self, r: IntArray, v: IntArray) -> FitArray:
        """Return how names fit as a person would compare them."""
        mine, text = self.file.text[r], self.versions.text[v]
        key, whole = self.file.key[mine], self.versions.key[text]
        least = self.cuts.least[text]
        size = np.strings.str_len(key)
        fit = np.full(len(r), Fit.OTHER, dtype=np.int8)
        for stems in self.file.stems:
            stem = stems[mine]
            short = (self.cuts.written[text] > self.cuts.at) & (
                np.strings.str_len(stem) >= np.maximum(least - 4, 2)
            )
            hit = stem == whole
            hit |= short & np.strings.startswith(whole, stem)
            for bare in self.versions.bare:
                hit |= stem == bare[text]
            fit[hit & (stem != "")] = Fit.APPENDED
        fit[_begins(self.file, self.versions, r, v) & (size >= least)] = Fit.CUT
        same = key == whole
        for bare in self.versions.bare:
            same |= key == bare[text]
        fit[same] = Fit.SAME
        fit[(key == "") | (whole == "")] = Fit.BLANK
        return fit


def learn_names(file: ReturnedFile, versions: Versions, r: IntArray, v: IntArray) -> Names:
    """Learn from pairs at one place how this file changes names.

    Parameters
    ----------
    file, versions : ReturnedFile, Versions
        Neither of them empty.
    r, v : numpy.ndarray of int64, shape (n,)
        Pairs within one step of each other.
    """
    return Names(file, versions, _cuts(file, versions, r, v), _predictions(file, versions, r, v))


def _begins(file: ReturnedFile, versions: Versions, r: IntArray, v: IntArray) -> BoolArray:
    """Say which returned names are the beginning of the one handed over."""
    key = file.key[file.text[r]]
    text = versions.text[v]
    begins = np.strings.startswith(versions.key[text], key)
    for bare in versions.bare:
        begins |= np.strings.startswith(bare[text], key)
    return np.asarray(begins & (key != ""))


def _cuts(file: ReturnedFile, versions: Versions, r: IntArray, v: IntArray) -> Cuts:
    written = np.array([len(t.strip()) for t in versions.texts], dtype=np.int64)
    begins = _begins(file, versions, r, v)
    back, whole = file.length[file.text[r[begins]]], written[versions.text[v[begins]]]
    # The shortest length that hardly any longer name exceeds; numbers appended may.
    at = max(int(file.length.max()), _SHORTEST_CUT)
    for length in np.unique(back[back >= _SHORTEST_CUT]).tolist():
        longer = whole > length
        if (back[longer] > length).sum() <= _EXCEED * longer.sum():
            at = length
            break
    least = np.array([least_letters(t, at) for t in versions.texts], dtype=np.int64)
    return Cuts(written, at, least)


def _predictions(file: ReturnedFile, versions: Versions, r: IntArray, v: IntArray) -> Predictions:
    """Predict every name from those that came back to their places."""
    f, vs = file, versions
    came = _came_alone(f, vs, r, v)
    # In the order of the files.
    order = np.argsort(vs.row_export, kind="stable")
    of, export = vs.of_row[order], vs.row_export[order]
    back = np.flatnonzero(came[of] >= 0)
    written = ["" if n is None else str(n) for n in vs.row_name[order]]
    told = learn(written, export, back, f.name[came[of[back]]].tolist())
    shown = np.array([f.shown.get(n, -1) for n in told.name], dtype=np.int64)
    right = np.zeros(len(of), dtype=bool)
    right[back] = shown[back] == f.shown_as[f.text[came[of[back]]]]
    # A mark of several files has the name of the file that explains most.
    _, number = np.unique(export, return_inverse=True)
    rank = np.bincount(number[right], minlength=int(number.max()) + 1)[number]
    best = np.lexsort((export, rank, of))
    chosen = best[np.append(np.flatnonzero(np.diff(of[best])), len(best) - 1)]
    shown = shown[chosen]
    marks = np.unique(np.stack([shown, vs.mark]), axis=1)[0]
    fitting = told.explained + told.numbered
    trusted = told.seen >= _LEARNT and fitting >= _LEARNT_SHARE * told.seen
    few = 1.0 / (told.seen + 1.0)
    none = np.zeros((0, 0), dtype=np.int64)
    stem, stem_of = _stems(f, told, chosen) if trusted else (none, none)
    return Predictions(
        shown=shown,
        alike=np.bincount(marks[marks >= 0], minlength=len(f.shown)),
        stem=stem,
        stem_of=stem_of,
        trusted=trusted,
        numbers=told.habit.numbered,
        share_numbered=max(told.numbered / max(told.seen, 1), few),
        share_unexplained=max(1.0 - fitting / max(told.seen, 1), few),
    )


def _came_alone(file: ReturnedFile, versions: Versions, r: IntArray, v: IntArray) -> IntArray:
    """Return the row of each version that lies with it and no other mark, nor it with another row.

    -1 where there is none.
    """
    mark = versions.mark[v]
    pairs = np.unique(np.stack([r, mark]), axis=1)
    one_mark = np.bincount(pairs[0], minlength=len(file.lon)) == 1
    one_row = np.bincount(pairs[1], minlength=len(versions.ids)) == 1
    alone = np.flatnonzero(one_mark[r] & one_row[mark])
    came = np.full(len(versions.mark), -1, dtype=np.int64)
    came[v[alone]] = r[alone]
    return came


def _stems(file: ReturnedFile, told: Predicted, chosen: IntArray) -> tuple[IntArray, IntArray]:
    """Find what the names of the file and of the versions are but for a number at the end."""
    before = [told.before[i] for i in chosen.tolist()]
    ends = [(t, *e) for t, n in enumerate(file.shown) for e in numbered_stems(n)]
    number: dict[str, int] = {}
    longest = max((len(end) for _, _, end in ends), default=0)
    stem = np.full((longest, len(file.shown)), -1, dtype=np.int64)
    for t, rest, end in ends:
        stem[len(end) - 1, t] = number.setdefault(rest, len(number))
    stem_of = np.array(
        [
            [number.get(beginning(b, " " * (k + 1), told.habit.length), -2) for b in before]
            for k in range(longest)
        ],
        dtype=np.int64,
    ).reshape(longest, len(before))
    return stem, stem_of
