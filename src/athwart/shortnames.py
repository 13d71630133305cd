"""Names that a plotter takes and people still recognise: fewer letters, plainer letters, no twins.

A name loses as little as it must, in this order: doubled blanks, letters outside the character
set (exchanged for their nearest plain letters), vowels inside words from the right, then the ends
of its longest words. A number at its end stays, because that is what tells names apart. Names
are compared without regard to capitals.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from typing import Literal

from athwart.errors import DataError

__all__ = ["Charset", "cut_text", "plain_text", "shorten", "unique_names"]

Charset = Literal["ascii", "ascii-upper", "utf-8"]

_GREEK = (
    "α a β v γ g δ d ε e ζ z η i θ th ι i κ k λ l μ m ν n ξ x ο o π p ρ r σ s ς s τ t υ y φ f "
    "χ ch ψ ps ω o"
)
_CYRILLIC = (
    "а a б b в v г g ґ g д d е e є ye ж zh з z и i і i ї yi й y к k л l м m н n о o п p р r с s "
    "т t у u ф f х kh ц ts ч ch ш sh щ shch ъ  ы y ь  э e ю yu я ya ђ dj ј j љ lj њ nj ћ c џ dz"
)
_LATIN = "ß ss æ ae œ oe ø o ł l đ d ð d þ th ħ h ı i ŋ ng ŧ t ĸ k ſ s"
_SIGNS = {
    "–": "-", "—": "-", "‐": "-", "‑": "-", "−": "-", "‘": "'", "’": "'", "′": "'",
    "“": '"', "”": '"', "″": '"', "«": '"', "»": '"', "°": " deg", "×": "x", "÷": "/",
    "…": "...", "•": "-", "·": "-", "⁄": "/", "№": "No", "€": "EUR", "£": "GBP",
}  # fmt: skip


def _table() -> dict[int, str]:
    pairs: dict[str, str] = dict(_SIGNS)
    for text in (_GREEK, _CYRILLIC, _LATIN):
        parts = text.split(" ")
        pairs |= dict(zip(parts[::2], parts[1::2], strict=True))
    for letter, plain in list(pairs.items()):
        if len(letter.upper()) == 1 and letter.upper() != letter:
            pairs.setdefault(letter.upper(), plain.capitalize())
    pairs["ẞ"] = "SS"
    return {ord(k): v for k, v in pairs.items()}


_PLAIN = _table()
_VOWELS = frozenset("aeiouAEIOU")
_END_NUMBER = re.compile(r"^(.*?)([\s#_.:-]*\d+)$", re.DOTALL)


def plain_text(text: str, charset: Charset) -> tuple[str, int]:
    """Write text in a character set.

    Parameters
    ----------
    text : str
        Anything; control characters are left out.
    charset : {"ascii", "ascii-upper", "utf-8"}
        What is allowed.

    Returns
    -------
    str
        The text; line ends become ``"; "`` in the two plain sets.
    int
        How many letters had no counterpart and were left out.

    Examples
    --------
    >>> plain_text("Łódź Straße", "ascii")
    ('Lodz Strasse', 0)
    """
    text = unicodedata.normalize("NFC", text.replace("\r\n", "\n").replace("\r", "\n"))
    if charset == "utf-8":
        kept = "".join(c for c in text if c in "\n\t" or unicodedata.category(c) not in _REFUSED)
        return kept, len(text) - len(kept)
    text = re.sub(r"\s*\n\s*", "; ", text).translate(_PLAIN)
    lost = 0
    out = []
    for character in unicodedata.normalize("NFKD", text):
        if " " <= character <= "~":
            out.append(character)
        elif character.isspace():
            out.append(" ")
        else:
            found = _PLAIN.get(ord(character))
            if found is not None:
                out.append(found)
            elif unicodedata.category(character) not in _SILENT:
                lost += 1
    done = "".join(out)
    return done.upper() if charset == "ascii-upper" else done, lost


_REFUSED = frozenset({"Cc", "Cs"})
_SILENT = frozenset({"Mn", "Me", "Cc", "Cf"})


def cut_text(text: str, length: int) -> str:
    """Return the beginning of a text, never ending between a letter and its accent."""
    if len(text) <= length:
        return text
    end = length
    while end > 0 and (
        unicodedata.combining(text[end])
        or text[end] in "\u200d\ufe0e\ufe0f"
        or (text[end - 1] == "\u200d")
    ):
        end -= 1
    return text[: end or length].rstrip()


def shorten(name: str, length: int | None) -> str:
    """Shorten a name so that people still recognise it.

    Parameters
    ----------
    name : str
        Already in the character set.
    length : int or None
        Letters allowed; None for no limit.

    Examples
    --------
    >>> shorten("Old harbour wreck 12", 14)
    'Old hrbr wrc12'
    """
    name = " ".join(name.split())
    if length is None or len(name) <= length:
        return name
    match = _END_NUMBER.match(name)
    head, tail = (match[1], match[2]) if match and match[1] else (name, "")
    if len(tail) >= length:
        tail = tail.strip(" #_.:-")[-length:]
        if len(tail) == length:
            return tail
    room = length - len(tail)
    letters = list(head)
    for i in range(len(letters) - 1, 0, -1):
        if len(letters) <= room:
            break
        if letters[i] in _VOWELS and letters[i - 1].isalpha():
            del letters[i]
    head = "".join(letters)
    if len(head) > room and tail[:1] == " ":
        tail, room = tail.strip(), room + 1
    words = head.split()
    while len(" ".join(words)) > room and max(map(len, words), default=0) > 3:
        longest = max(range(len(words)), key=lambda i: (len(words[i]), i))
        words[longest] = cut_text(words[longest], len(words[longest]) - 1)
    return cut_text(" ".join(words), room) + tail


def unique_names(
    wanted: Sequence[str],
    *,
    length: int | None,
    charset: Charset = "utf-8",
    unique: bool = True,
    fallback: Sequence[str] | None = None,
) -> tuple[list[str], int]:
    """Give each thing a name within the limits; the earlier keep theirs when two want one.

    Parameters
    ----------
    wanted : sequence of str
        Names in order of importance.
    length : int or None
        Letters allowed.
    charset : {"ascii", "ascii-upper", "utf-8"}
        What is allowed.
    unique : bool
        No two may be alike.
    fallback : sequence of str, optional
        A word for each thing that has no name; it gets a number.

    Returns
    -------
    list of str
        Names in the order of ``wanted``.
    int
        Letters that had no counterpart in the character set.

    Raises
    ------
    DataError
        So many things cannot be told apart with so few letters.
    """
    plain: list[str] = []
    lost = 0
    for text in wanted:
        done, missing = plain_text(text, charset)
        plain.append(" ".join(done.split()))
        lost += missing
    out: list[str | None] = [None] * len(plain)
    taken: set[str] = set()
    # Names that fit as they are come first, so that no shortened one takes their place.
    for i, name in enumerate(plain):
        fits = name and (length is None or len(name) <= length)
        if fits and not (unique and name.casefold() in taken):
            out[i] = name
            taken.add(name.casefold())
    counts: dict[str, int] = {}
    for i, name in enumerate(plain):
        if out[i] is not None:
            continue
        numbered = not name
        if numbered:
            word = fallback[i] if fallback is not None else ""
            name = " ".join(plain_text(word, charset)[0].split()) or plain_text("mark", charset)[0]
        first = shorten(name, length)
        if first and not numbered and not (unique and first.casefold() in taken):
            new = first
        else:
            new = _numbered(name, length, taken, counts, gap=" " if numbered else "-")
        out[i] = new
        taken.add(new.casefold())
    return [n or "" for n in out], lost


def _numbered(
    name: str, length: int | None, taken: set[str], counts: dict[str, int], gap: str
) -> str:
    key = shorten(name, length).casefold() + gap
    number = counts.get(key, 0 if gap == " " else 1)
    while True:
        number += 1
        digits = str(number)
        if length is not None and len(digits) > length:
            raise DataError(
                f"names of at most {length} characters cannot tell so many marks apart; "
                "raise max_name or set unique_names = false"
            )
        end = gap + digits
        room = None if length is None else length - len(end)
        new = digits if room is not None and room < 1 else _stem(name, room) + end
        if new.casefold() not in taken:
            counts[key] = number
            return new


def _stem(name: str, room: int | None) -> str:
    return shorten(name, room).rstrip(" -")
