"""Which format reads and writes which file, by the file's ending.

Built-in formats are listed here and imported when one of their files turns up. Any installed
package adds a format through the entry-point group ``athwart.formats``: the entry point's name is
the ending without its dot, its value an object with the attributes of `Format`::

    [project.entry-points."athwart.formats"]
    xyz = "my_package.xyz:FORMAT"

An add-on is loaded only when its ending is asked for. One that cannot be loaded is reported then,
and never hinders the other formats; one that claims an ending of a built-in format is not used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from athwart.contents import Contents
from athwart.errors import FileError

__all__ = [
    "GROUP",
    "Format",
    "Listing",
    "ReadOptions",
    "WriteOptions",
    "Written",
    "find_format",
    "formats",
]

GROUP = "athwart.formats"


@dataclass(frozen=True, kw_only=True)
class ReadOptions:
    """What a reader cannot know from the file.

    Parameters
    ----------
    time_zone : str, optional
        IANA zone of times without one; without it such times are refused (in GPX they are UTC by
        the standard).
    allow_ballpark : bool
        Accept an approximate transformation to WGS 84, of unknown error.
    depth_element : str, optional
        Foreign GPX element that holds a waypoint's depth in metres, as ``{namespace}name``.
    date : datetime.date, optional
        Date of the first sentence of an NMEA log that holds no date, UTC.
    with_private : bool
        Take the private marks of a book too.
    """

    time_zone: str | None = None
    allow_ballpark: bool = False
    depth_element: str | None = None
    date: date | None = None
    with_private: bool = False


@dataclass(frozen=True, kw_only=True)
class WriteOptions:
    """How a file is to be written.

    Parameters
    ----------
    clean : bool
        Only what any program understands: no fields of ours, no sightings behind the marks.
    creator : str
        What the file says about the program that made it.
    title, description : str
        Heading of the file, where the format has one.
    depth_element : str, optional
        As in `ReadOptions`; depths of waypoints and marks are written to it.
    """

    clean: bool = False
    creator: str = "athwart"
    title: str = ""
    description: str = ""
    depth_element: str | None = None


@dataclass(frozen=True)
class Written:
    """What a write left behind.

    Parameters
    ----------
    files : tuple of pathlib.Path
        Every file made, the one that was asked for first.
    words : tuple of str
        What could not be carried, counted; which siblings stand beside it.
    """

    files: tuple[Path, ...]
    words: tuple[str, ...] = ()


@runtime_checkable
class Format(Protocol):
    """What a format is to the registry.

    ``write`` is given a path in an empty folder and may make siblings there; it returns sentences
    for the user. ``read`` returns everything that it can and lists the rest in
    ``Contents.rejected``.
    """

    @property
    def name(self) -> str:
        """Short name, such as ``gpx``."""
        ...

    @property
    def title(self) -> str:
        """Name for people."""
        ...

    @property
    def endings(self) -> tuple[str, ...]:
        """Endings of its files, in lower case with the dot."""
        ...

    @property
    def can_read(self) -> bool:
        """Whether files of it can be read."""
        ...

    @property
    def can_write(self) -> bool:
        """Whether files of it can be written."""
        ...

    def read(self, path: Path, options: ReadOptions) -> Contents:
        """Read a file.

        Raises
        ------
        FileError
            It is not of this format, or damaged.
        """
        ...

    def write(self, path: Path, contents: Contents, options: WriteOptions) -> tuple[str, ...]:
        """Write a file and return what could not be carried."""
        ...


@dataclass(frozen=True)
class BuiltIn:
    """A format of the package, imported on first use."""

    name: str
    title: str
    endings: tuple[str, ...]
    module: str
    can_read: bool = True
    can_write: bool = True
    noisy: bool = False
    """Unreadable pieces are normal in such a file and do not refuse it."""
    driver: str = ""
    keywords: dict[str, Any] = field(default_factory=dict, compare=False)

    def _function(self, name: str) -> Callable[..., Any]:
        function: Callable[..., Any] = getattr(import_module(self.module), name)
        return function

    def read(self, path: Path, options: ReadOptions) -> Contents:
        """Read a file."""
        contents: Contents = self._function("read")(path, options, **self.keywords)
        return contents

    def write(self, path: Path, contents: Contents, options: WriteOptions) -> tuple[str, ...]:
        """Write a file."""
        words: tuple[str, ...] = self._function("write")(path, contents, options, **self.keywords)
        return words


def _layer(name: str, title: str, *endings: str, driver: str) -> BuiltIn:
    return BuiltIn(
        name, title, endings, "athwart.formats.layers", keywords={"driver": driver, "name": name}
    )


BUILT_IN: tuple[BuiltIn, ...] = (
    BuiltIn("gpx", "GPX 1.0 and 1.1 (written as 1.1)", (".gpx",), "athwart.formats.gpx"),
    BuiltIn(
        "csv",
        "table parted by commas, semicolons or tabs",
        (".csv", ".tsv"),
        "athwart.formats.table",
    ),
    BuiltIn(
        "nmea",
        "NMEA 0183 log",
        (".nmea", ".nmea0183", ".log"),
        "athwart.formats.nmea",
        can_write=False,
        noisy=True,
    ),
    BuiltIn(
        "text",
        "NMEA 0183 log or table, as it looks",
        (".txt",),
        "athwart.formats.plain",
        noisy=True,
    ),
    _layer("geojson", "GeoJSON", ".geojson", ".json", driver="GeoJSON"),
    _layer("geopackage", "GeoPackage", ".gpkg", driver="GPKG"),
    _layer("kml", "KML", ".kml", driver="LIBKML"),
    _layer("flatgeobuf", "FlatGeobuf", ".fgb", driver="FlatGeobuf"),
    _layer("shapefile", "Shapefile", ".shp", driver="ESRI Shapefile"),
)


@dataclass(frozen=True)
class Listing:
    """One line of the list of formats."""

    name: str
    title: str
    endings: tuple[str, ...]
    can_read: bool
    can_write: bool
    origin: str
    """``athwart``, or the package that brought it."""
    fault: str = ""
    """Why it cannot be used, if so."""


@cache
def _built_in_endings() -> dict[str, BuiltIn]:
    return {ending: f for f in BUILT_IN for ending in f.endings}


def _add_ons() -> list[EntryPoint]:
    return sorted(entry_points(group=GROUP), key=lambda e: (e.name, e.value))


def _load(entry: EntryPoint) -> tuple[Format | None, str]:
    origin = entry.dist.name if entry.dist else entry.value
    try:
        loaded = entry.load()
    except Exception as error:  # an add-on may fail in any way; the sentence names it
        return None, f"the add-on {origin!r} cannot be loaded ({type(error).__name__}: {error})"
    if not isinstance(loaded, Format):
        return None, f"the add-on {origin!r} brings no format: {entry.value} lacks what one needs"
    return loaded, ""


def formats() -> tuple[Listing, ...]:
    """Return every registered format, the built-in ones first; add-ons are loaded for it."""
    found = [
        Listing(f.name, f.title, f.endings, f.can_read, f.can_write, "athwart") for f in BUILT_IN
    ]
    for entry in _add_ons():
        ending = f".{entry.name.lower()}"
        origin = entry.dist.name if entry.dist else entry.value
        if ending in _built_in_endings():
            fault = f"the ending {ending} belongs to athwart itself; the add-on is not used for it"
            found.append(Listing(entry.name, entry.value, (ending,), False, False, origin, fault))
            continue
        add_on, fault = _load(entry)
        if add_on is None:
            found.append(Listing(entry.name, entry.value, (ending,), False, False, origin, fault))
        else:
            found.append(
                Listing(
                    add_on.name, add_on.title, (ending,), add_on.can_read, add_on.can_write, origin
                )
            )
    return tuple(found)


def find_format(path: Path) -> Format:
    """Return the format of a path, by its ending in upper or lower case.

    Raises
    ------
    FileError
        No format has this ending, or the add-on that has it cannot be loaded.
    """
    ending = path.suffix.lower()
    built_in = _built_in_endings().get(ending)
    if built_in is not None:
        return built_in
    faults = []
    for entry in _add_ons():
        if f".{entry.name.lower()}" == ending:
            add_on, fault = _load(entry)
            if add_on is not None:
                return add_on
            faults.append(fault)
    if faults:
        raise FileError(path.name, faults[0])
    known = [*_built_in_endings(), *(f".{e.name.lower()}" for e in _add_ons())]
    what = f"the ending {ending!r} is not known" if ending else "the name has no ending"
    raise FileError(path.name, f"{what}; known are {', '.join(dict.fromkeys(known))}")
