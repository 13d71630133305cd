"""What the commands that plan a way share: their output, in whatever form its ending asks for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from athwart.cli.common import say, shown_units
from athwart.units import many

if TYPE_CHECKING:
    from athwart.features import Feature
    from athwart.plan.zones import Zones
    from athwart.tables import Marks
    from athwart.units import UnitSystem

F = TypeVar("F", bound=Callable[..., Any])

PLAN_ENDINGS = (".geojson", ".json", ".gpkg", ".fgb", ".kml")
"""The forms in which a plan can be read again."""


MAP_ENDINGS = (".html", ".htm")
_BACKGROUND = "athwart.background"


def plan_output(function: F) -> F:
    """Declare ``-o`` (again and again, the ending chooses the form), ``--limits``, ``--background``.

    The background is not handed to the command; `write_plan` takes it from click's context, where
    it finds the ``--units`` of the map too.
    """
    return plan_output_with("a map")(function)


def plan_output_with(page: str) -> Callable[[F], F]:
    """Return `plan_output` for a command whose page (.html) is something else than a map."""

    def declare(function: F) -> F:
        function = click.option(
            "--background",
            type=click.Path(path_type=Path),
            expose_value=False,
            callback=_keep_background,
            help="Coastline or other outlines for the map.",
        )(function)
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
            help=f"File to write: .html ({page}), .gpx (lines as routes), .geojson, .gpkg, .fgb, "
            ".kml. May be given more than once.",
        )(function)

    return declare


def _keep_background(context: click.Context, _: click.Parameter, path: Path | None) -> None:
    context.meta[_BACKGROUND] = path


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
    from athwart.advice.zones import zones_of

    zones, words = zones_of(paths, allow_ballpark=allow_ballpark)
    if not quiet:
        for word in words:
            say(f"note: {word}")
    return zones


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
    marks: Marks | None = None,
    title: str = "",
) -> list[Path]:
    """Write a plan in every form that was asked for, and say what was written.

    Parameters
    ----------
    features : sequence of Feature
        The plan.
    outputs : sequence of pathlib.Path
        Files; the ending of each chooses its form.
    limits_file : pathlib.Path, optional
        What the plotter takes, for GPX.
    overwrite : bool
        Replace existing files.
    marks : Marks, optional
        What a map shows with the plan; no other form takes them.
    title : str
        Heading of a map.

    Returns
    -------
    list of pathlib.Path
        The files, for ``--json``.
    """
    from athwart.formats import check_target
    from athwart.formats.shapes import write_features
    from athwart.handover import export_plan
    from athwart.plotter import Limits

    for path in outputs:
        check_target(path, overwrite=overwrite)
    written: list[Path] = []
    for path in outputs:
        if path.suffix.lower() == ".gpx":
            limits = Limits.from_toml(limits_file) if limits_file else Limits()
            made, words, sentence = export_plan(features, path, limits=limits, overwrite=overwrite)
            for word in words:
                say(f"note: {word}")
            say(sentence)
            written += made
        elif path.suffix.lower() in MAP_ENDINGS:
            _draw(features, path, marks=marks, title=title, overwrite=overwrite)
            say(f"{many(len(features), 'shape')} drawn on {path.name}; open it in any browser")
            written.append(path)
        else:
            write_features(path, features, overwrite=overwrite)
            say(f"{many(len(features), 'shape')} written to {path.name}")
            written.append(path)
    return written


def _draw(
    features: Sequence[Feature], path: Path, *, marks: Marks | None, title: str, overwrite: bool
) -> None:
    """Draw a plan on a map, in the units and over the background of the command that runs."""
    from athwart.formats import atomic_write, read_background
    from athwart.review.map import review_map
    from athwart.tables import Marks as MarksTable

    context = click.get_current_context(silent=True)
    outlines: Path | None = context.meta.get(_BACKGROUND) if context else None
    units: UnitSystem = shown_units(context.params.get("units") if context else None)
    page = review_map(
        marks=MarksTable.empty() if marks is None else marks,
        plan=features,
        background=None if outlines is None else read_background(outlines).geometry.to_numpy(),
        units=units,
        title=title or path.stem,
    )
    with atomic_write(path, overwrite=overwrite) as temporary:
        temporary.write_text(page, encoding="utf-8")
