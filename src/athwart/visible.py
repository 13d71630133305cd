"""Text of others made safe to look at: what cannot be seen, or steers the screen, is shown by number.

A name in a file may hold an escape sequence that moves a terminal's cursor or sets its title, a
line end that forges a line of ours, or a character that turns the reading direction round
(Unicode Standard Annex 9; Unicode Technical Report 36, section 3.7). On a page, in a picture and
on a terminal such a character is shown as its number and does nothing.
"""

from __future__ import annotations

import re

__all__ = ["visible_json", "visible_text"]

# Characters that change how text about them is read, or that cannot be seen at all. The two
# joiners (200C, 200D) stay: some scripts and emoji need them.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f"
    "\ufeff\ufff9-\ufffb\ud800-\udfff\U000e0000-\U000e007f]"
)


def visible_text(text: str, *, lines: bool = False) -> str:
    r"""Return text in which control and direction characters are seen and not obeyed.

    Parameters
    ----------
    text : str
        Anything a user or a file gives.
    lines : bool
        Keep line ends and tabs.

    Examples
    --------
    >>> visible_text("a\u202eb")
    'a⟦U+202E⟧b'
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if not lines:
        text = text.replace("\n", " ").replace("\t", " ")
    return _UNSEEN.sub(lambda m: f"⟦U+{ord(m[0]):04X}⟧", text)


def visible_json(text: str) -> str:
    r"""Return JSON that means the same, with every such character escaped.

    Parameters
    ----------
    text : str
        JSON, in which they can stand only inside strings.

    Examples
    --------
    >>> print(visible_json('{"name": "a\u202eb"}'))
    {"name": "a\u202eb"}
    """
    return _UNSEEN.sub(_escaped, text)


def _escaped(found: re.Match[str]) -> str:
    units = found[0].encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{units[i : i + 4]}" for i in range(0, len(units), 4))
