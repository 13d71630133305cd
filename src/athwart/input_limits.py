"""The most that is read of anything, so that no file and no request takes the whole machine.

Each limit is far above what trips give. What is over one is refused with both figures and the name
of the environment variable that raises the limit, for the command line and the desk alike.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from athwart.errors import FileError, UsageError

__all__ = ["LIMITS", "Limit", "check_count", "check_size", "most", "over"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit.

    Parameters
    ----------
    name : str
        Its variable is ``ATHWART_MAX_`` and this name; the ending tells the unit.
    value : int
        Unless the variable says otherwise.
    of : str
        What is counted, and of what, for people.
    """

    name: str
    value: int
    of: str

    @property
    def variable(self) -> str:
        """Name of the environment variable."""
        return f"ATHWART_MAX_{self.name}"


LIMITS = {
    limit.name: limit
    for limit in (
        Limit("GPX_MB", 1000, "megabytes of a GPX file"),
        Limit("WAYPOINTS", 1_500_000, "waypoints of a GPX file"),
        Limit("TABLE_MB", 250, "megabytes of a table of text (CSV)"),
        Limit("ROWS", 5_000_000, "rows of a table of text (CSV) or a layer of a GIS file"),
        Limit("COLUMNS", 10_000, "columns of a table of text (CSV)"),
        Limit("LOG_MB", 250, "megabytes of an NMEA log"),
        Limit("GIS_MB", 1000, "megabytes of a GIS file"),
        Limit("SETTINGS_KB", 1000, "kilobytes of a boat, layout or limits file (TOML)"),
        Limit("PICTURE_MB", 100, "megabytes of a picture"),
        Limit("PICTURE_MEGAPIXELS", 60, "million pixels of a picture"),
        Limit("PICTURE_SIDE", 30_000, "pixels along a side of a picture"),
        Limit("UPLOAD_MB", 64, "megabytes sent to the desk at once"),
        Limit("QUESTION_KB", 4000, "kilobytes of one question to the desk"),
        Limit("HEIGHTS", 5_000_000, "rows of a table of heights"),
        Limit("VERTICES", 5_000_000, "vertices of the shapes in a layer"),
        Limit("TEXT", 1_000_000, "characters of one cell, field or attribute"),
        Limit("XML_DEPTH", 200, "elements of XML inside each other"),
        Limit("XML_ATTRIBUTES", 500, "attributes of one element of XML"),
    )
}
_BYTES = {"MB": 1_000_000, "KB": 1000}


def most(name: str) -> int:
    """Return a limit as it holds now; sizes of files in bytes, pictures in pixels.

    Raises
    ------
    UsageError
        The environment variable is no whole number above 0.
    """
    limit = LIMITS[name]
    given = os.environ.get(limit.variable, "").strip()
    if given and not (given.isascii() and given.isdigit() and len(given) < 19 and int(given)):
        raise UsageError(
            f"the environment variable {limit.variable} is {given[:40]!r}; allowed is a whole "
            f"number above 0: {limit.of}"
        )
    return (int(given) if given else limit.value) * _scale(name)


def over(name: str, found: float) -> str:
    """Return the sentence for what is over a limit.

    Examples
    --------
    >>> over("WAYPOINTS", 2_000_000)
    'has 2000000 waypoints; at most 1500000 are read (the variable ATHWART_MAX_WAYPOINTS raises that)'
    """
    limit, scale = LIMITS[name], _scale(name)
    what, _, of = limit.of.partition(" of ")
    if not of:
        what, _, of = limit.of.partition(" sent ")
    where = {"characters": " in one", "attributes": " in one", "elements": " inside each other"}
    return (
        f"has {found / scale:.10g} {what}{where.get(what, '')}; at most {most(name) // scale} are read "
        f"(the variable {limit.variable} raises that)"
    )


def check_count(name: str, found: int, source: str, where: str = "") -> None:
    """Refuse more than a limit.

    Raises
    ------
    FileError
        It is over the limit.
    """
    if found > most(name):
        raise FileError(source, f"{where}{over(name, found)}")


def check_size(name: str, path: Path) -> None:
    """Refuse a file that is larger than a limit, before it is read.

    Raises
    ------
    FileError
        It is larger.
    """
    check_count(name, path.stat().st_size, path.name)


def _scale(name: str) -> int:
    if name.endswith("MEGAPIXELS"):
        return 1_000_000
    return _BYTES.get(name.rpartition("_")[2], 1)
