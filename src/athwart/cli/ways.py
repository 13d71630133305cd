"""What a command line adds to a refusal: the option, or the command, that helps.

Faults name neither (see `athwart.errors`); they have codes.
"""

from __future__ import annotations

from dataclasses import replace

from athwart.errors import AthwartError, FilesError, TableError, folded
from athwart.visible import visible_text

__all__ = ["WAYS", "refusal"]

WAYS = {
    "approximate-transformation": "--allow-ballpark",
    "cast-direction-missing": "--cast-to",
    "date-missing": "--date 2031-05-04",
    "drift-unknown": "--adrift-to 040 --adrift 0.8kn",
    "file-exists": "--overwrite",
    "line-not-chosen": "--line",
    "latitude-missing": "--lat",
    "log-entry-unknown": "athwart book log lists them",
    "lure-depth-missing": "--depth",
    "mark-unknown": "athwart book marks lists them",
    "no-book": "athwart book add makes one",
    "port-unusable": "--port",
    "position-missing": "--track",
    "range-shorter-than-altitude": "--in-water",
    "sightings-of-one-mark": "athwart book why lists them",
    "track-without-depth": "--depth",
    "time-without-zone": "--tz",
    "turns-too-far-apart": "--once-a-day",
}
"""Option or command by the code of a fault."""


def refusal(error: AthwartError) -> str:
    """Return a refusal as the command line says it.

    Examples
    --------
    >>> from athwart.errors import FileError
    >>> refusal(FileError("a.gpx", "the file exists; allow it to be replaced", code="file-exists"))
    'a.gpx: the file exists; allow it to be replaced (--overwrite)'
    """
    if isinstance(error, FilesError):
        return "\n".join(refusal(e) for e in error.errors)
    if isinstance(error, TableError):
        rows = [replace(r, message=r.message + _way(r.code)) for r in error.rows]
        return "\n".join(f"{visible_text(error.source)}: {line}" for line in folded(rows))
    return f"{error}{_way(error.code)}"


def _way(code: str) -> str:
    return f" ({WAYS[code]})" if code in WAYS else ""
