"""Files that end in .txt: an NMEA 0183 log or a table, told apart by their first line."""

from __future__ import annotations

import re
from pathlib import Path

from athwart.contents import Contents
from athwart.formats.registry import ReadOptions, WriteOptions
from athwart.formats.sniff import UTF_16

__all__ = ["read", "write"]

_SENTENCE = re.compile(rb"[$!][A-Z]{4,5}[A-Z0-9]?,")


def read(path: Path, options: ReadOptions) -> Contents:
    """Read a log if any of the first lines holds a sentence, else a table."""
    from athwart.formats import nmea, table

    with path.open("rb") as handle:
        start = handle.read(4096)
    if start.startswith(UTF_16):
        start = start.decode("utf-16", "replace").encode("ascii", "replace")
    if _SENTENCE.search(start):
        return nmea.read(path, options)
    return table.read(path, options)


def write(path: Path, contents: Contents, options: WriteOptions) -> tuple[str, ...]:
    """Write a table."""
    from athwart.formats import table

    return table.write(path, contents, options)
