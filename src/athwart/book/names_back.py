"""How a plotter changes names, learnt from a returned file, and how changed names are compared.

Waypoints that came back to their places show what the plotter did to their names: capitals, the
letters that it cannot show, signs that it leaves out, the length to which it cuts, and the numbers
that it gives to names which became alike. `learn` tries the ways of doing each of these, keeps
those that explain most names to the letter, and predicts with them the name of every waypoint that
was handed over, in the order in which it stood in its file. Which letter stands for those that a
plotter cannot show is taken from the names themselves.

Where the way of a plotter is none that is known here, names are compared as a person would:
without capitals, signs, blanks and accents (`comparable`, `bare_forms`).
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from athwart.shortnames import plain_text

__all__ = [
    "LETTERS",
    "NameHabit",
    "Predicted",
    "bare_forms",
    "beginning",
    "comparable",
    "learn",
    "least_letters",
    "numbered_end",
    "numbered_stems",
]

LETTERS = 48
"""Letters of a name that are compared."""

_SIGNS = re.compile(r"[^0-9A-Za-z]+")
# Two letters for one, as Nordic and German speakers write them where they must (common practice).
_SPELT = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa"}
    | {"Ä": "AE", "Ö": "OE", "Ü": "UE", "Ø": "OE", "Å": "AA"}
)
_SAMPLE, _FEWEST_NUMBERED = 400, 3
_RUN_OUT = 9_999
_END = re.compile(r"[ ._#(-]?\d{1,4}$", re.ASCII)


# -- as a person would ----------------------------------------------------------------------------


def comparable(text: str) -> str:
    """Return a name as it is compared: plain capitals and digits, at most 48 of them.

    A name in a script that has no plain letters keeps its own.

    Examples
    --------
    >>> comparable("Østre båe, 12 "), comparable("OSTRE BAE 12")
    ('OSTREBAE12', 'OSTREBAE12')
    """
    if text.isascii():
        return _SIGNS.sub("", text).upper()[:LETTERS]
    plain = _SIGNS.sub("", plain_text(text, "ascii-upper")[0])
    own = unicodedata.normalize("NFKC", text).casefold()
    return (plain or "".join(c for c in own if c.isalnum()))[:LETTERS]


def bare_forms(text: str) -> tuple[str, str, str]:
    """Return a name as compared after a plotter spelt out or left out what it cannot show."""
    if text.isascii():
        return "", "", ""
    whole = unicodedata.normalize("NFC", text)
    spelt = comparable(whole.translate(_SPELT))
    base, left = _base(text), _left(text)
    return spelt, _SIGNS.sub("", base).upper()[:LETTERS], _SIGNS.sub("", left).upper()[:LETTERS]


def least_letters(text: str, length: int) -> int:
    """Return how many letters are compared at least of a name cut to a length."""
    text = text.strip()
    if text.isascii():
        return len(_SIGNS.sub("", text[:length]))
    # Some cut after so many bytes, and some leave the letters out after that.
    return len(_SIGNS.sub("", _left(_cut_bytes(text, length))))


def _base(text: str) -> str:
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()


def _left(text: str) -> str:
    return unicodedata.normalize("NFC", text).encode("ascii", "ignore").decode()


def _cut_bytes(text: str, length: int) -> str:
    return text.encode("utf-8")[:length].decode("utf-8", "ignore")


# -- as this plotter does -------------------------------------------------------------------------

_LETTERS_TO: dict[str, Callable[[str], str]] = {
    "kept": lambda t: unicodedata.normalize("NFC", t),
    "without accents, others left out": _base,
    "nearest plain letters": lambda t: plain_text(t, "ascii")[0],
    "left out": _left,
    "spelt out": lambda t: _base(unicodedata.normalize("NFC", t).translate(_SPELT)),
}
_SIGNS_TO: dict[str, Callable[[str], str]] = {
    "kept": lambda t: t,
    "left out": lambda t: re.sub(r"[^\w ]+", "", t),
    "blanks": lambda t: re.sub(r"[^\w ]", " ", t),
    "left out, and blanks": lambda t: re.sub(r"\W+", "", t),
}
_CUTS = ("after changes", "before changes", "bytes")


@dataclass(frozen=True, slots=True)
class NameHabit:
    """One way of changing names.

    Parameters
    ----------
    capitals : bool
        Names in capitals.
    letters : str
        What becomes of letters beyond ASCII: "kept", a way in words, or, after "marked ", the
        sign that stands for each.
    signs : str
        What becomes of signs.
    length : int
        Letters kept; 0 keeps all.
    cut : str
        Whether names are cut after these changes, before them, or after so many bytes.
    numbered : bool
        Names that became alike get numbers, in the order of the file.
    first : int
        The first number given.
    between : str
        What stands before the number.
    digits : int
        Digits of it at least.
    blanks : bool
        A blank where a name was cut stays, and the number comes after it.
    """

    capitals: bool = False
    letters: str = "kept"
    signs: str = "kept"
    length: int = 0
    cut: str = "after changes"
    numbered: bool = False
    first: int = 2
    between: str = ""
    digits: int = 1
    blanks: bool = False

    def changed(self, name: str) -> str:
        """Return the name as this plotter shows it, before it numbers those alike."""
        if self.length and self.cut == "before changes":
            name = name[: self.length]
        if not name.isascii():
            if self.letters.startswith("marked "):
                sign = self.letters[len("marked ") :]
                own = unicodedata.normalize("NFC", name)
                name = "".join(c if c.isascii() else sign for c in own)
            else:
                name = _LETTERS_TO[self.letters](name)
        if self.signs != "kept":
            name = _SIGNS_TO[self.signs](name)
        if self.capitals:
            name = name.upper()
        if self.length and self.cut == "after changes":
            name = name[: self.length]
        elif self.length and self.cut == "bytes":
            name = _cut_bytes(name, self.length)
        return name.lstrip() if self.blanks else name.strip()

    def ending(self, number: int) -> str:
        """Return what is put to the end of the name of one that became alike."""
        return f"{self.between}{number:0{self.digits}d}"

    def numbers(self, names: Iterable[str]) -> list[str]:
        """Return names, each of its own: the end of one that is taken makes room for a number."""
        taken: set[str] = set()
        at: dict[str, int] = {}
        out = []
        for name in names:
            free = name
            if name and name in taken:
                number = at.get(name, self.first)
                while free in taken and number < _RUN_OUT:
                    end = self.ending(number)
                    room = self.length - len(end) if self.length else len(name)
                    free = name[:room] + end
                    number += 1
                at[name] = number
            taken.add(free)
            out.append(free)
        return out


@dataclass(frozen=True, eq=False, slots=True)
class Predicted:
    """The names that a plotter would give.

    Parameters
    ----------
    habit : NameHabit
        How it changes names.
    before, name : list of str
        Name of each waypoint handed over as the plotter shows it, before and after those alike
        were numbered.
    seen, explained, numbered : int
        Names that came back to their places; how many of them this explains to the letter, and
        how many more but for a number at the end.
    """

    habit: NameHabit
    before: list[str]
    name: list[str]
    seen: int
    explained: int
    numbered: int


def learn(
    written: Sequence[str],
    file: NDArray[np.int64],
    row: NDArray[np.int64],
    returned: Sequence[str],
) -> Predicted:
    """Learn how a plotter changes names, and predict them all.

    Parameters
    ----------
    written : sequence of str, length n
        Names of all waypoints handed over, in the order of their files.
    file : numpy.ndarray of int64, shape (n,)
        File of each.
    row : numpy.ndarray of int64, shape (m,)
        Of waypoints that came back to their places: which of ``written``.
    returned : sequence of str, length m
        And how they are called now.
    """
    came = [(k, back.strip()) for k, back in zip(row.tolist(), returned, strict=True)]
    came = [(k, back) for k, back in came if back and written[k].strip()]
    habit = _changes(_sample(list(dict.fromkeys((written[k], back) for k, back in came))))
    before = _all_changed(habit, written)
    best, names, most = habit, before, _explained(before, came)
    plain = most
    # Numbers are looked for only where names are the beginning of another and a number.
    odd = [(before[k], back) for k, back in came if back != before[k]]
    ends = [e for b, back in odd for e in [numbered_end(b, back, habit.length)] if e]
    if len(ends) >= _FEWEST_NUMBERED:
        parts = [_runs(file), [slice(0, len(before))]]
        for between, digits in sorted({_shape(e) for e in ends}):
            for first, blanks, part in itertools.product((2, 1), (False, True), parts):
                tried = replace(
                    habit, numbered=True, between=between, digits=digits, first=first, blanks=blanks
                )
                forms = _all_changed(tried, written) if blanks else before
                found = [n.rstrip() for some in part for n in tried.numbers(forms[some])]
                count = _explained(found, came)
                # An order of numbers that tells few of them is not theirs.
                if count > max(most, plain + len(ends) // 2):
                    best, names, most = tried, found, count
    before = _all_changed(best, written)
    numbered = sum(
        back != names[k] and bool(numbered_end(before[k], back, best.length)) for k, back in came
    )
    return Predicted(best, before, names, len(came), most, numbered)


def _all_changed(habit: NameHabit, written: Sequence[str]) -> list[str]:
    forms = {name: habit.changed(name) for name in dict.fromkeys(written)}
    return [forms[name] for name in written]


def _sample(pairs: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return some hundreds of names, half of them with letters beyond ASCII where there are."""
    out = []
    for some in (
        [p for p in pairs if not p[0].isascii()],
        [p for p in pairs if p[0].isascii()],
    ):
        step = max(1, -(-len(some) // (_SAMPLE // 2)))
        out += some[::step]
    return out


def _changes(pairs: list[tuple[str, str]]) -> NameHabit:
    """Return the way of changing names that explains most, found one trait after another."""
    if not pairs:
        return NameHabit()
    longest = max(len(back) for _, back in pairs)
    letters = [*_LETTERS_TO, *(f"marked {s}" for s in _marks(pairs))]

    def score(habit: NameHabit) -> tuple[int, int]:
        # Names that were numbered are explained but for their ends.
        shown = [(habit.changed(name), back) for name, back in pairs]
        return (
            sum(form == back for form, back in shown),
            sum(bool(numbered_end(form, back, habit.length)) for form, back in shown),
        )

    lengths = [0, *sorted({len(back) for _, back in pairs if len(back) > longest - 4})]
    best = replace(NameHabit(), length=longest)
    most = score(best)
    for _ in range(3):
        before = best
        for tried in (
            *(replace(best, capitals=c) for c in (False, True)),
            *(replace(best, length=n) for n in lengths),
        ):
            best, most = max((best, most), (tried, score(tried)), key=lambda x: x[1])
        for cut in _CUTS:
            for way in letters:
                tried = replace(best, letters=way, cut=cut)
                best, most = max((best, most), (tried, score(tried)), key=lambda x: x[1])
        for signs in _SIGNS_TO:
            tried = replace(best, signs=signs)
            best, most = max((best, most), (tried, score(tried)), key=lambda x: x[1])
        if best == before:
            break
    return best


def _marks(pairs: list[tuple[str, str]]) -> list[str]:
    """Return the signs that may stand for letters which the plotter cannot show."""
    extra: Counter[str] = Counter()
    for name, back in pairs:
        if not name.isascii():
            more = Counter(back) - Counter(name.upper()) - Counter(name)
            extra.update(c for c in more if c.isascii() and not c.isalnum())
    return [c for c, _ in extra.most_common(2)]


def numbered_end(name: str, back: str, length: int) -> str:
    """Return the number, and what stands before it, that made a name one of its own.

    Parameters
    ----------
    name, back : str
        Name as the plotter shows it, and as it came back.
    length : int
        Letters that the plotter keeps; 0 for all.

    Returns
    -------
    str
        Empty if it is another name.

    Examples
    --------
    >>> numbered_end("EAST STONE", "EAST STON3", 10), numbered_end("REEF", "REEF-2", 10)
    ('3', '-2')
    """
    for stem, end in numbered_stems(back):
        if stem == beginning(name, end, length):
            return end
    return ""


def numbered_stems(back: str) -> list[tuple[str, str]]:
    """Return each way of reading a name as one with a number at the end: the rest, and the end."""
    found = _END.search(back)
    most = min(len(found[0]), len(back) - 1) if found else 0
    return [(back[:-k], back[-k:]) for k in range(1, most + 1)]


def beginning(name: str, end: str, length: int) -> str:
    """Return what is left of a name where an end needs room."""
    return name[: max(length - len(end), 0)] if length else name


def _shape(ending: str) -> tuple[str, int]:
    """Return what stands before the number, and how many digits it has at least."""
    digits = ending.lstrip(" ._#(-")
    return ending[: len(ending) - len(digits)], len(digits) if digits.startswith("0") else 1


def _runs(file: NDArray[np.int64]) -> list[slice]:
    ends = (np.flatnonzero(np.diff(file)) + 1).tolist()
    return [slice(a, b) for a, b in zip([0, *ends], [*ends, len(file)], strict=True)]


def _explained(names: list[str], came: list[tuple[int, str]]) -> int:
    return sum(names[k] == back for k, back in came)
