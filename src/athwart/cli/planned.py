"""What the commands that plan a way share: their output, in whatever form its ending asks for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from athwart.cli.common import say
from athwart.units import many

if TYPE_CHECKING:
    from athwart.features import Feature
    from athwart.plan.zones import Zones

F = TypeVar("F", bound=Callable[..., Any])

PLAN_ENDINGS = (".geojson", ".json", ".gpkg", ".fgb", ".kml")
"""The forms in which a plan can be read again."""


def plan_output(function: F) -> F:
    """Declare ``-o`` (again and again, the ending chooses the form) and ``--limits``."""
    function = click.option(
        "--limits",
        "limits_file",
        type=click.Path(path_type=Path),
        help="What the plotter takes (TOML).",
    )(function)
    return click.option(
        "-o",
        "--output",
        "outputs",
        multiple=True,
        type=click.Path(path_type=Path),
        metavar="OUT",
        help="File to write: .gpx (lines as routes), .geojson, .gpkg, .fgb, .kml. May be given more than once.",
    )(function)


def zones_option(function: F) -> F:
    """Declare ``--zones``, given as ``zones_files``; read them with `read_zones`."""
    return click.option(
        "--zones",
        "zones_files",
        multiple=True,
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Your own zones: areas (or lines, such as cables) with columns name, rule or note, "
        "kind. May be given more than once.",
    )(function)


def read_zones(
    paths: Sequence[Path], *, allow_ballpark: bool = False, quiet: bool = False
) -> Zones | None:
    """Read zones and say how they were understood; None if there is no file.

    Raises
    ------
    FileError
        A file cannot be read, or holds a zone that cannot be mended.
    """
    from athwart.errors import DataError, FileError
    from athwart.formats.shapes import read_shapes
    from athwart.plan.zones import Zones

    read = []
    for path in paths:
        frame = read_shapes(path, allow_ballpark=allow_ballpark, every=True)
        try:
            read.append(Zones.from_frame(frame))
        except DataError as error:
            raise FileError(path.name, str(error)) from error
        if not quiet:
            for word in read[-1].words:
                say(f"note: {path.name}: {word}")
    return Zones.concat(read) if read else None


def plan_of(path: Path) -> list[Feature] | None:
    """Return the plan that a file holds; None if it is any other file, or a book."""
    from athwart.formats.layers import has_column

    if path.suffix.lower() not in PLAN_ENDINGS or is_a_book(path):
        return None
    from athwart.formats.files import check_source
    from athwart.formats.shapes import read_features

    return read_features(path) if has_column(check_source(path), "role") else None


def is_a_book(path: Path) -> bool:
    """Tell whether a file is a book, whose layers are never read as they are."""
    from athwart.book.store import is_book

    return path.suffix.lower() == ".gpkg" and path.is_file() and is_book(path)


def write_plan(
    features: Sequence[Feature],
    outputs: Sequence[Path],
    *,
    limits_file: Path | None = None,
    overwrite: bool = False,
) -> list[Path]:
    """Write a plan in every form that was asked for, and say what was written.

    Returns
    -------
    list of pathlib.Path
        The files, for ``--json``.
    """
    from athwart.formats import check_target
    from athwart.formats.shapes import routes_of, write_features
    from athwart.handover import export_marks
    from athwart.plotter import Limits
    from athwart.tables import Marks

    for path in outputs:
        check_target(path, overwrite=overwrite)
    written: list[Path] = []
    for path in outputs:
        if path.suffix.lower() == ".gpx":
            routes = routes_of(features)
            lines = len(set(routes.line.tolist()))
            made, words, _ = export_marks(
                Marks.empty(),
                path,
                limits=Limits.from_toml(limits_file) if limits_file else Limits(),
                clean=True,
                overwrite=overwrite,
                routes=routes,
            )
            for word in words:
                say(f"note: {word}")
            left = sum(
                f.geometry.geom_type not in ("LineString", "MultiLineString") for f in features
            )
            if left:
                say(f"note: not in {path.name}: {left} points and areas")
            say(f"{many(lines, 'route')} written to {path.name}")
            written += made
        else:
            write_features(path, features, overwrite=overwrite)
            say(f"{many(len(features), 'shape')} written to {path.name}")
            written.append(path)
    return written
