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

F = TypeVar("F", bound=Callable[..., Any])


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
