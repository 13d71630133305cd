"""Handing marks over: the files that a plotter gets, and marks blurred for sharing.

It joins what a plotter takes (`athwart.plotter`), how marks are blurred (`athwart.sharing`) and how
files are written, for the command line and the desk alike.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from athwart.card import card_names, write_card
from athwart.features import ROLES, Feature
from athwart.formats import WriteOptions, check_target, write
from athwart.plotter import Limits, prepare
from athwart.sharing import blur, blurred_ids, key_from_settings
from athwart.tables import Marks, Sightings, Track
from athwart.units import UnitSystem, many

__all__ = ["blurred", "export_marks", "export_plan", "members_of"]


def blurred(marks: Marks, metres: float) -> tuple[Marks, tuple[str, ...], dict[str, str]]:
    """Blur marks with the user's own key.

    Returns
    -------
    Marks
        Moved, with new ids.
    tuple of str
        What was dropped.
    dict of str to str
        True id by new id: for the user's own book, and for nobody else.
    """
    key = key_from_settings()
    new = blurred_ids(marks.mark_id, metres, key).tolist()
    true_ids = dict(zip(new, marks.mark_id.tolist(), strict=True))
    moved, words = blur(marks, metres, key)
    return moved, words, true_ids


def members_of(marks: Marks, sightings: Sightings) -> Sightings:
    """Return those of some sightings that the marks are made of, in their order."""
    members = {s for ids in marks.sighting_ids.tolist() for s in ids.split()}
    keep = [k for k, s in enumerate(sightings.sighting_id.tolist()) if s in members]
    return sightings.take(np.array(keep, dtype=np.int64))


def export_marks(
    marks: Marks,
    target: Path,
    *,
    limits: Limits,
    clean: bool,
    overwrite: bool,
    sightings: Sightings | None = None,
    tracks: Track | None = None,
    routes: Track | None = None,
    simplify_m: float | None = None,
    to_card: bool = False,
    units: UnitSystem = "metric",
) -> tuple[tuple[Path, ...], tuple[str, ...], list[tuple[str, Marks]]]:
    """Write marks under limits to ``target`` and, where they do not fit, numbered files beside it.

    Parameters
    ----------
    marks, sightings, tracks, routes
        What to write; sightings go along in the full form only.
    target : pathlib.Path
        A GPX file, or the folder of a card if ``to_card``.
    limits : Limits
        What the plotter accepts.
    clean, overwrite : bool
        Leave our own fields out; replace existing files.
    simplify_m : float, optional
        Tolerance of track points, metres.
    to_card : bool
        Short plain names, free space checked, read back.
    units : {"metric", "feet", "fathoms"}
        What R95 and depths in the notes are written in.

    Returns
    -------
    files : tuple of pathlib.Path
        What was written.
    words : tuple of str
        What was done to the data.
    handed : list of (str, Marks)
        Name of each file and the marks as they stand in it.
    """
    prepared = prepare(
        marks, limits, tracks=tracks, routes=routes, simplify_m=simplify_m, units=units
    )
    options = WriteOptions(clean=clean, depth_element=limits.depth_element)
    contents = list(prepared.files)
    if sightings is not None and not clean:
        contents = [replace(p, sightings=members_of(p.marks, sightings)) for p in contents]
    words = list(prepared.words)
    if to_card:
        names = card_names("marks", len(contents))
        with tempfile.TemporaryDirectory() as folder:
            made: dict[str, bytes] = {}
            for name, part in zip(names, contents, strict=True):
                path = Path(folder) / f"{Path(name).stem}.gpx"
                words += write(path, part, options=options).words
                made[name] = path.read_bytes()
        words += write_card(target, made, overwrite=overwrite)
        handed = [(n, part.marks) for n, part in zip(names, contents, strict=True)]
        return tuple(target / n for n in names), tuple(words), handed
    paths = [target] + [
        target.with_name(f"{target.stem}-{i}{target.suffix}") for i in range(2, len(contents) + 1)
    ]
    for path in paths:  # all or none: nothing is written before every target is known to be free
        check_target(path, overwrite=overwrite)
    for path, part in zip(paths, contents, strict=True):
        words += write(path, part, overwrite=overwrite, options=options).words
    handed = [(p.name, part.marks) for p, part in zip(paths, contents, strict=True)]
    return tuple(paths), tuple(words), handed


def export_plan(
    features: Sequence[Feature], target: Path, *, limits: Limits, overwrite: bool
) -> tuple[tuple[Path, ...], tuple[str, ...], str]:
    """Write a plan under limits: its lines as routes, its points as waypoints.

    Parameters
    ----------
    features : sequence of Feature
        The plan; areas and zones are left out, which is said.
    target : pathlib.Path
        A GPX file; more are numbered beside it.
    limits : Limits
        What the plotter accepts.
    overwrite : bool
        Replace existing files.

    Returns
    -------
    files : tuple of pathlib.Path
        What was written.
    words : tuple of str
        What was done to the plan.
    sentence : str
        What the file holds.
    """
    from athwart.formats.shapes import routes_of

    routes = routes_of([f for f in features if f.role != "zone"])
    points = _as_marks(features)
    files, words, _ = export_marks(
        points, target, limits=limits, clean=True, overwrite=overwrite, routes=routes
    )
    left = sum(
        f.role == "zone" or f.geometry.geom_type not in ("Point", "LineString", "MultiLineString")
        for f in features
    )
    if left:
        words += (f"not in {target.name}: {many(left, 'shape')} (areas and zones)",)
    lines = many(len(set(routes.line.tolist())), "route")
    and_points = f" and {many(len(points), 'waypoint')}" if len(points) else ""
    return files, words, f"{lines}{and_points} written to {target.name}"


def _as_marks(features: Sequence[Feature]) -> Marks:
    """Return the points of a plan as a plotter takes them: waypoints with their name and note."""
    import shapely

    from athwart.geometry.geodesic import wrap_longitude

    points = [f for f in features if f.geometry.geom_type == "Point"]
    if not points:
        return Marks.empty()
    return Marks.from_columns(
        {
            "mark_id": [f"plan-{i}" for i in range(len(points))],
            "name": [f.name or ROLES[f.role] for f in points],
            "note": [f.note for f in points],
            "lon": wrap_longitude(shapely.get_x([f.geometry for f in points])),
            "lat": shapely.get_y([f.geometry for f in points]),
            "r95_m": [float(f.values.get("r95_m", "nan")) for f in points],
        }
    )
