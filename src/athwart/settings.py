"""The small TOML files that a user writes: a boat, a screen's layout, what a plotter takes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from athwart.errors import FileError
from athwart.input_limits import check_size
from athwart.unchanged import unchanged

__all__ = ["parse_settings", "read_settings"]

_NO_TEXT = "is not a text file in UTF-8; open it in an editor of text and save it as UTF-8"
_KEY_ENDS = re.compile(r"[,={}\[\]\n]")
_DOTTED = re.compile(r"\.[ \t]*[\w\"'-]")
_MOST_DOTTED = 100
_LEAST, _MOST = -(2**63), 2**63 - 1


def read_settings(path: Path) -> dict[str, Any]:
    """Return the entries of a file of settings.

    Raises
    ------
    FileError
        The file cannot be read, is too large, or is no TOML.
    """
    try:
        with unchanged(path):
            check_size("SETTINGS_KB", path)
            text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise FileError(path.name, f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise FileError(path.name, _NO_TEXT) from error
    except ValueError as error:  # a name that no file can have
        raise FileError(path.name, f"cannot be read: {error}") from error
    if "\0" in text:
        raise FileError(path.name, _NO_TEXT)
    return parse_settings(text, path.name)


def parse_settings(text: str, source: str) -> dict[str, Any]:
    """Return the entries of TOML text.

    Whole numbers have 64 bits and an error is due beyond them (TOML 1.0, Integer); Python's own
    reader lets them grow.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        Name for messages.

    Raises
    ------
    FileError
        It is no TOML, is nested too deeply, or holds a whole number of more than 64 bits.
    """
    import tomllib

    # Python's reader takes time with the square of the parts of a key.
    if any(len(_DOTTED.findall(part)) > _MOST_DOTTED for part in _KEY_ENDS.split(text)):
        raise FileError(source, f"holds a key of more than {_MOST_DOTTED} parts with dots between")
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileError(source, f"is not a valid TOML file: {error}") from error
    except RecursionError as error:
        raise FileError(source, "is not a valid TOML file: brackets stand too deep") from error
    except ValueError as error:  # Python refuses to read more than 4300 digits
        raise FileError(source, "holds a whole number with too many digits") from error
    left: list[Any] = [values]
    while left:
        value = left.pop()
        if isinstance(value, dict):
            left += value.values()
        elif isinstance(value, list):
            left += value
        elif isinstance(value, int) and not _LEAST <= value <= _MOST:
            raise FileError(source, "holds a whole number with too many digits")
    return values
