"""The user's own zones out of files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from athwart.errors import DataError, FileError

if TYPE_CHECKING:
    from athwart.plan.zones import Zones

__all__ = ["zones_of"]


def zones_of(
    paths: Sequence[Path], *, allow_ballpark: bool = False
) -> tuple[Zones | None, list[str]]:
    """Read zones.

    Returns
    -------
    Zones or None
        None if there is no file.
    list of str
        How they were understood, each with the name of its file.

    Raises
    ------
    FileError
        A file cannot be read, or holds a zone that cannot be mended.
    """
    from athwart.formats.shapes import read_shapes
    from athwart.plan.zones import Zones

    read, words = [], []
    for path in paths:
        frame = read_shapes(path, allow_ballpark=allow_ballpark, every=True)
        try:
            read.append(Zones.from_frame(frame))
        except DataError as error:
            raise FileError(path.name, str(error)) from error
        words += [f"{path.name}: {word}" for word in read[-1].words]
    return (Zones.concat(read) if read else None), words
