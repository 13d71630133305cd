"""Files in and out: the format is chosen by the file's ending.

`read` refuses a file with bad rows and lists them all, `inspect` returns whatever can be read, and
`write` writes whole files or none.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from athwart.contents import Contents
from athwart.errors import AthwartError, FileError, TableError
from athwart.formats.files import atomic_write, check_source, check_target, staged
from athwart.formats.registry import (
    Format,
    Listing,
    ReadOptions,
    WriteOptions,
    Written,
    find_format,
    formats,
)
from athwart.unchanged import unchanged

if TYPE_CHECKING:
    import geopandas
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "Format",
    "Listing",
    "ReadOptions",
    "WriteOptions",
    "Written",
    "atomic_write",
    "check_target",
    "find_format",
    "formats",
    "inspect",
    "read",
    "read_areas",
    "read_background",
    "write",
]


def read(
    path: str | os.PathLike[str], *, skip_bad: bool = False, options: ReadOptions | None = None
) -> Contents:
    """Read a file.

    Parameters
    ----------
    path : path-like
        Its ending chooses the format, in upper or lower case.
    skip_bad : bool
        Return the good rows and list the others in ``Contents.rejected``.
    options : ReadOptions, optional
        Zone, date and depth element that the file does not tell.

    Returns
    -------
    Contents
        Its tables, what was not taken, and sentences for the user.

    Raises
    ------
    FileError
        The file is missing, of no known format, damaged, or not what its ending says.
    TableError
        Rows cannot be used, every one listed. Noise in an NMEA log is not counted as such.
    """
    contents, noisy = _load(path, options)
    if contents.rejected and not skip_bad and not noisy:
        raise TableError(contents.source, contents.rejected)
    return contents


def inspect(path: str | os.PathLike[str], *, options: ReadOptions | None = None) -> Contents:
    """Read what can be read of a file and list the rest; bad rows do not raise.

    Raises
    ------
    FileError
        The file as a whole cannot be read.
    """
    return _load(path, options)[0]


def _load(path: str | os.PathLike[str], options: ReadOptions | None) -> tuple[Contents, bool]:
    source = check_source(path)
    found = find_format(source)
    if not found.can_read:
        raise FileError(source.name, f"{found.title} can only be written, not read")
    try:
        if getattr(found, "module", ""):  # readers of ours know which files they read
            contents = found.read(source, options or ReadOptions())
        else:
            with unchanged(source):
                contents = found.read(source, options or ReadOptions())
    except AthwartError:
        raise
    except MemoryError as error:
        raise FileError(source.name, "the file is too large for this machine's memory") from error
    except OSError as error:
        raise FileError(source.name, f"cannot be read ({error.strerror or error})") from error
    except Exception as error:
        if getattr(found, "module", ""):
            raise
        raise FileError(source.name, f"{found.title}: {_short(error)}") from error
    name = contents.format or found.name
    noisy = bool(getattr(found, "noisy", False)) and name == "nmea"
    return replace(contents, source=contents.source or source.name, format=name), noisy


def write(
    path: str | os.PathLike[str],
    contents: Contents,
    *,
    overwrite: bool = False,
    options: WriteOptions | None = None,
) -> Written:
    """Write a file, whole or not at all.

    Parameters
    ----------
    path : path-like
        Its ending chooses the format.
    contents : Contents
        What to write.
    overwrite : bool
        Replace a file that exists.
    options : WriteOptions, optional
        Clean or full, creator, depth element.

    Returns
    -------
    Written
        The files made and what they could not carry.

    Raises
    ------
    FileError
        The target exists, its folder is missing or cannot be written, or the format is read only.
    """
    target = Path(path)
    found = find_format(target)
    if not found.can_write:
        raise FileError(
            target.name, f"{found.title} can only be read, not written; write .gpx or .csv"
        )
    with staged(target, overwrite=overwrite) as temporary:
        try:
            words = tuple(found.write(temporary, contents, options or WriteOptions()))
        except (AthwartError, OSError):
            raise
        except Exception as error:
            if getattr(found, "module", ""):
                raise
            raise FileError(target.name, f"{found.title}: {_short(error)}") from error
        names = sorted(p.name for p in temporary.parent.iterdir() if p.is_file())
    names.sort(key=lambda name: name != target.name)
    return Written(tuple(target.parent / name for name in names), words)


def _short(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:200]


def read_areas(path: str | os.PathLike[str], *, allow_ballpark: bool = False) -> BaseGeometry:
    """Return the polygons of a vector file, joined, in WGS 84 (longitude first).

    Raises
    ------
    FileError
        The file cannot be read, has no polygons, or no known coordinate reference system.
    """
    from athwart.formats.layers import read_areas as areas

    return areas(check_source(path), allow_ballpark=allow_ballpark)


def read_background(
    path: str | os.PathLike[str], *, allow_ballpark: bool = False
) -> geopandas.GeoDataFrame:
    """Return the lines and polygons of a vector file in WGS 84, to draw under a map.

    Raises
    ------
    FileError
        The file cannot be read, has nothing to draw, or no known coordinate reference system.
    """
    from athwart.formats.layers import read_background as background

    return background(check_source(path), allow_ballpark=allow_ballpark)
