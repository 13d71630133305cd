"""Many files to one table of sightings: what `merge`, `export` and `map` start from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from athwart.contents import Contents
from athwart.errors import BadRow, DataError, FilesError, TableError
from athwart.formats import ReadOptions, read
from athwart.merge import Merged, merge
from athwart.merge.report import Report
from athwart.tables import Marks, Sightings, Track, Waypoints
from athwart.trips import assign_trips
from athwart.units import UnitSystem
from athwart.waypoints import marks_as_waypoints, to_sightings

__all__ = [
    "Gathered",
    "as_merged",
    "gather",
    "near_pairs",
    "settle",
    "shares_of_bytes",
    "sightings_of",
]


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """What several files hold together.

    Parameters
    ----------
    sightings : Sightings
        Every located look, trips assigned.
    marks : Marks
        Marks as the files hold them.
    tracks, routes : Track
        Lines of all files.
    sources : tuple of str
        Names of the files.
    rejected : tuple of (str, BadRow)
        File and fault of every row that was left out.
    words : tuple of str
        What the user should know.
    final : bool
        All of it comes from books, whose marks are the last word.
    """

    sightings: Sightings
    marks: Marks
    tracks: Track
    routes: Track
    sources: tuple[str, ...]
    rejected: tuple[tuple[str, BadRow], ...]
    words: tuple[str, ...]
    final: bool = False

    @property
    def settled(self) -> bool:
        """Whether every sighting already belongs to a mark of the files."""
        if self.final:
            return True
        members = [i for ids in self.marks.sighting_ids for i in ids.split()]
        once = len(set(members)) == len(members)
        return len(members) > 0 and once and set(self.sightings.sighting_id) <= set(members)


def gather(
    paths: Iterable[Path],
    *,
    options: ReadOptions | None = None,
    sigma_m: float = 4.0,
    saved_at: Literal["mark", "boat"] = "mark",
    trip: str = "",
    skip_bad: bool = False,
    told: Callable[[str, float], None] | None = None,
) -> Gathered:
    """Read files and turn what they hold into sightings.

    Parameters
    ----------
    paths : iterable of pathlib.Path
        Files of any format that can be read.
    options : ReadOptions, optional
        What the files do not tell.
    sigma_m : float
        Error per axis of a waypoint, 1 sigma, metres.
    saved_at : {"mark", "boat"}
        Where the waypoint button was pressed.
    trip : str
        Trip of sightings that have none.
    skip_bad : bool
        Take the good rows and list the others.
    told : callable, optional
        Called before each file with what is being done and the share of all bytes that is read.

    Raises
    ------
    TableError
        Rows that cannot be read, in all files, every one listed, unless ``skip_bad``.
    DataError
        A file that holds picks not yet fixed, or nothing at all with a position.
    """
    looks: list[Sightings] = []
    marks: list[Marks] = []
    lines: list[Track] = []
    routes: list[Track] = []
    names: list[str] = []
    words: list[str] = []
    rejected: list[tuple[str, BadRow]] = []
    faults: list[TableError] = []
    final: list[bool] = []
    paths = list(paths)
    shares = shares_of_bytes(paths)
    for path, share in zip(paths, shares, strict=True):
        if told is not None:
            told(f"reading {path.name}", share)
        try:
            contents = read(path, skip_bad=skip_bad, options=options)
        except TableError as error:
            faults.append(error)
            continue
        names.append(path.name)
        final.append(contents.settled)
        words += [f"{path.name}: {word}" for word in contents.words]
        rejected += [(path.name, row) for row in contents.rejected]
        found, said = sightings_of(contents, sigma_m=sigma_m, saved_at=saved_at, trip=trip)
        words += said
        looks.append(found)
        marks.append(contents.marks)
        lines.append(contents.tracks)
        routes.append(contents.routes)
    if faults:
        raise FilesError(faults)
    if any(final) and len(final) > 1:
        words.append(
            "names, rulings and marks of a book are not used when it is merged with other files; "
            "add those to it with athwart book add"
        )
    sightings = Sightings.concat([s for s in looks if len(s)])
    if len(sightings):
        trips = assign_trips(sightings.time, sightings.trip, sightings.sighting_id)
        sightings = sightings.with_columns(trip=trips)
    return Gathered(
        sightings=sightings,
        marks=Marks.concat([m for m in marks if len(m)]),
        tracks=_renumbered(lines),
        routes=_renumbered(routes),
        sources=tuple(names),
        rejected=tuple(rejected),
        words=tuple(words),
        final=final == [True],
    )


def shares_of_bytes(paths: Sequence[Path]) -> list[float]:
    """Return for each file the share of all bytes that lies in the files before it."""
    sizes = []
    for path in paths:
        try:
            sizes.append(path.stat().st_size)
        except (OSError, ValueError):  # reading it will say so
            sizes.append(0)
    before = np.cumsum([0, *sizes])
    shares: list[float] = (before[:-1] / max(int(before[-1]), 1)).tolist()
    return shares


def settle(found: Gathered, *, with_report: bool = False) -> tuple[Marks, Sightings, Report | None]:
    """Return the marks that the files hold, or merge their sightings where they hold none.

    Marks that were made before are kept as they are (a shifted trip stays shifted). For them a
    report is made on demand, and given only where merging the sightings now gives the same marks.
    """
    if found.settled and not with_report:
        return found.marks, found.sightings, None
    if not len(found.sightings):
        return found.marks, found.sightings, None
    merged = merge(found.sightings)
    if not found.settled:
        return merged.marks, merged.sightings, merged.report
    same = set(merged.marks.sighting_ids) == set(found.marks.sighting_ids)
    return found.marks, found.sightings, merged.report if same else None


def as_merged(found: Gathered) -> Merged:
    """Return marks that a book holds as a merge would give them, with nothing to report."""
    marks, sightings = found.marks, found.sightings
    owner = {i: k for k, ids in enumerate(marks.sighting_ids.tolist()) for i in ids.split()}
    return Merged(
        marks=marks,
        sightings=sightings,
        mark_of=np.array([owner[i] for i in sightings.sighting_id.tolist()], dtype=np.int64),
        trips=sightings.trip,
        boats=sightings.boat,
        report=Report.silent(marks, len(sightings)),
        sittings=(),
    )


def sightings_of(
    contents: Contents,
    *,
    sigma_m: float = 4.0,
    saved_at: Literal["mark", "boat"] = "mark",
    trip: str = "",
) -> tuple[Sightings, list[str]]:
    """Return what a file holds as sightings, and what should be said about it.

    Raises
    ------
    DataError
        The file holds picks, which must be fixed first.
    """
    if len(contents.picks):
        raise DataError(
            f"{contents.source} holds picks that are not positions yet; run "
            f"`athwart fix {contents.source} -o sightings.gpkg` first and give its output"
        )
    parts = [contents.sightings] if len(contents.sightings) else []
    words = []
    waypoints = contents.waypoints
    if len(contents.marks) and not len(contents.sightings):
        words.append(
            f"{contents.source} holds marks without their sightings; they are taken as waypoints"
        )
        waypoints = Waypoints.concat(
            [waypoints, marks_as_waypoints(contents.marks, contents.source)]
        )
    if len(waypoints):
        parts.append(to_sightings(waypoints, sigma_m=sigma_m, saved_at=saved_at, trip=trip))
    sightings = Sightings.concat(parts)
    if trip and len(sightings):
        given = np.where(sightings.trip == "", trip, sightings.trip).astype(object)
        sightings = sightings.with_columns(trip=given)
    return sightings, words


def near_pairs(
    report: Report, units: UnitSystem = "metric"
) -> list[tuple[float, float, float, float, str]]:
    """Return the near marks that were kept apart as a map draws them: lon, lat, lon, lat, why."""
    marks, apart = report.marks, report.apart
    ends = zip(
        marks.lon[apart.a].tolist(),
        marks.lat[apart.a].tolist(),
        marks.lon[apart.b].tolist(),
        marks.lat[apart.b].tolist(),
        report.kept_apart(units),
        strict=True,
    )
    return [(*place, record["sentence"]) for *place, record in ends]


def _renumbered(tables: Sequence[Track]) -> Track:
    out: list[Track] = []
    line = segment = 0
    for table in tables:
        if len(table):
            out.append(table.with_columns(line=table.line + line, segment=table.segment + segment))
            line += int(table.line.max()) + 1
            segment += int(table.segment.max()) + 1
    return Track.concat(out)
