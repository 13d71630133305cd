"""How each kind is drawn: a plain shape, a short code and a colour.

Codes are the abbreviations of the international chart symbols (IHO INT 1: ``R``, ``Wk``, ``Wd``,
``St``, ``Obstn``) where they exist and short words of ours elsewhere. Colours are the eight of
Okabe and Ito (2008), told apart by the colour-blind; by night shape and code alone tell.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Symbol", "known_symbols", "symbols_for"]

_BLACK, _ORANGE, _SKY, _GREEN = "#000000", "#e69f00", "#56b4e9", "#009e73"
_YELLOW, _BLUE, _VERMILION, _PURPLE = "#f0e442", "#0072b2", "#d55e00", "#cc79a7"
_PLAIN = "#ffffff"


@dataclass(frozen=True, slots=True)
class Symbol:
    """The sign of one kind.

    Parameters
    ----------
    word : str
        The kind.
    code : str
        What stands inside the shape, at most five letters.
    shape : str
        Name of a plain shape.
    colour : str
        Fill by day.
    """

    word: str
    code: str
    shape: str
    colour: str


_KNOWN = {
    s.word: s
    for s in (
        Symbol("rock", "R", "triangle", _VERMILION),
        Symbol("reef", "Rf", "hexagon", _ORANGE),
        Symbol("ledge", "Lg", "trapezium", _YELLOW),
        Symbol("wreck", "Wk", "diamond", _BLACK),
        Symbol("timber", "Tmb", "bar", _ORANGE),
        Symbol("weed", "Wd", "circle", _GREEN),
        Symbol("pipe", "Pip", "capsule", _BLUE),
        Symbol("bait", "Bt", "lens", _SKY),
        Symbol("fish", "F", "lens", _PURPLE),
        Symbol("hole", "Hol", "basin", _PURPLE),
        Symbol("other", "?", "circle", _PLAIN),
        Symbol("stones", "St", "hexagon", _YELLOW),
        Symbol("obstruction", "Obstn", "square", _VERMILION),
    )
}


def known_symbols() -> tuple[Symbol, ...]:
    """Return the symbols of all kinds that have one of their own, in a fixed order."""
    return tuple(_KNOWN.values())


def symbols_for(kinds: Iterable[str]) -> list[Symbol]:
    """Return a symbol for each distinct kind, in a fixed order; unset is drawn like ``other``.

    A word of the user's own gets a square with its first letters, made longer or numbered until
    no two kinds share a code.

    Examples
    --------
    >>> [s.code for s in symbols_for(["rock", "buoy", "buoyancy"])]
    ['R', 'Bu', 'Buo']
    """
    present = set(kinds)
    order = [w for w in _KNOWN if w in present]
    own = sorted(present - set(_KNOWN) - {""})
    out = [_KNOWN[w] for w in order]
    taken = {s.code.lower() for s in _KNOWN.values()}
    for word in own:
        letters = "".join(c for c in word if c.isalnum())[:20].capitalize() or "#"
        choices = [letters[:n] for n in range(2, 5)]
        choices += [f"{letters[:2]}{n}" for n in range(2, 1000)]
        code = next((c for c in choices if c.lower() not in taken), letters[:5])
        taken.add(code.lower())
        out.append(Symbol(word, code, "square", _PLAIN))
    if "" in present:
        out.append(Symbol("", "?", "circle", _PLAIN))
    return out
