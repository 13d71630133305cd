"""``athwart merge``: sightings to marks."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from athwart.cli.common import (
    common_options,
    length,
    print_json,
    read_options,
    rows_of,
    say,
    show,
    shown_units,
    write_csv,
    write_rejected,
)
from athwart.errors import DataError, UsageError
from athwart.jsonable import plain
from athwart.progress import Progress
from athwart.units import UnitSystem, format_length, many

if TYPE_CHECKING:
    from athwart.merge import Merged, Report

MARK_COLUMNS = (
    "mark_id", "name", "kind", "hazard", "lat", "lon", "depth_m", "depth_below", "height_m",
    "least_depth_m", "r95_m", "s44_horizontal", "sightings", "trips", "scatter",
)  # fmt: skip
SHOWN = 12


@click.command("merge", short_help="Fold the sightings of many trips into one set of marks.")
@click.argument(
    "sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SRC..."
)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to write.")
@click.option("--report", type=click.Path(path_type=Path), help="Report to write (.csv or .json).")
@click.option("--gate", type=float, default=0.999, show_default=True, help="Probability kept.")
@length("--reach", default="40m", show_default=True, help="Farthest apart that two may fold.")
@length("--sigma", default="4m", show_default=True, help="Error per axis of a waypoint, 1 sigma.")
@click.option(
    "--saved-at",
    type=click.Choice(["mark", "boat"]),
    default="mark",
    help="Where the waypoint button was pressed.",
)
@click.option("--shift-trips", is_flag=True, help="Shift a trip that sits off the others.")
@common_options(
    "json", "trip", "tz", "date", "units", "skip_bad", "overwrite", "ballpark", "private", "debug"
)
def command(
    sources: tuple[Path, ...],
    output: Path | None,
    report: Path | None,
    gate: float,
    reach: float,
    sigma: float,
    saved_at: Literal["mark", "boat"],
    shift_trips: bool,
    as_json: bool,
    trip: str,
    time_zone: str,
    day: datetime | None,
    units: str | None,
    skip_bad: bool,
    overwrite: bool,
    allow_ballpark: bool,
    with_private: bool,
    debug: bool,
) -> int:
    """Fold the sightings of many trips and files into one set of marks."""
    from athwart.formats import check_target, write
    from athwart.gather import as_merged, gather
    from athwart.merge import merge
    from athwart.merge.gate import gate_limit

    gate_limit(gate)  # refuses what is no probability before anything is read
    if report is not None and report.suffix.lower() not in (".csv", ".json"):
        raise UsageError(f"the report {report.name} must end in .csv or .json")
    for target in (output, report):
        if target is not None:
            check_target(target, overwrite=overwrite)
    with Progress() as told:
        found = gather(
            sources,
            options=read_options(
                time_zone, day, allow_ballpark=allow_ballpark, with_private=with_private
            ),
            sigma_m=sigma,
            saved_at=saved_at,
            trip=trip,
            skip_bad=skip_bad,
            told=told,
        )
    for word in found.words:
        say(f"note: {word}")
    if not len(found.sightings):
        raise DataError("there is nothing to merge: the files hold no waypoints or sightings")
    with Progress() as told:
        told(f"merging {many(len(found.sightings), 'sighting')}")
        if found.final:
            say("note: the marks are as the book holds them; athwart book merge settles them")
            merged = as_merged(found)
        else:
            merged = merge(found.sightings, gate=gate, reach_m=reach, shift_trips=shift_trips)
    if output is not None:
        from athwart.contents import Contents

        with Progress() as told:
            told(f"writing {output.name}")
            written = write(
                output,
                Contents(source=output.name, marks=merged.marks, sightings=merged.sightings),
                overwrite=overwrite,
            )
        for word in written.words:
            say(f"note: {word}")
        say(
            f"{many(len(merged.marks), 'mark')} written to {', '.join(p.name for p in written.files)}"
        )
    write_rejected(found.rejected, output or report)
    if report is not None:
        with Progress() as told:
            told(f"writing {report.name}")
            _write_report(report, merged, overwrite)
        say(f"report written to {report.name}")
    if as_json:
        print_json(as_mapping(merged))
    else:
        _print(merged, shown_units(units))
    return 0


def as_mapping(merged: Merged) -> dict[str, Any]:
    """Return the JSON object of ``merge``."""
    marks = rows_of(merged.marks, [*MARK_COLUMNS, "sighting_ids"])
    for mark in marks:
        mark["sighting_ids"] = mark["sighting_ids"].split()
    sightings = rows_of(merged.sightings, ["sighting_id", "name", "source", "source_row", "trip"])
    for row, of in zip(sightings, merged.mark_of.tolist(), strict=True):
        number = row.pop("source_row")
        row["source"] = f"{row['source']}:{number}"
        row["mark_id"] = merged.marks.mark_id[of]
    report = merged.report
    return {
        "marks": marks,
        "sightings": sightings,
        "kept_apart": list(report.kept_apart()),
        "offsets": list(report.trips_off()),
        "depth_disagreements": list(report.depth_disagreements()),
        "kind_disagreements": list(report.kind_disagreements()),
        "scattered": list(report.scattered()),
        "repeats": report.repeats,
    }


def sentences(report: Report, units: UnitSystem) -> list[str]:
    """Return what people should look at, the gravest first."""
    parts = (
        report.trips_off(units),
        report.scattered(),
        report.depth_disagreements(units),
        report.kind_disagreements(),
        report.kept_apart(units),
    )
    return [record["sentence"] for records in parts for record in records]


def _print(merged: Merged, units: UnitSystem) -> None:
    marks = merged.marks
    show(merged.report.summary())
    if len(marks):
        radii = sorted(marks.r95_m.tolist())
        show(
            f"R95 from {format_length(radii[0], units)} to {format_length(radii[-1], units)}, "
            f"half of them within {format_length(radii[len(radii) // 2], units)}"
        )
    said = sentences(merged.report, units)
    for sentence in said[:SHOWN]:
        show(f"- {sentence}")
    more = len(said) - SHOWN
    if more > 0:
        show(f"- and {more} more lines; --report R.csv lists them all")


def _write_report(path: Path, merged: Merged, overwrite: bool) -> None:
    from athwart.formats import atomic_write

    if path.suffix.lower() == ".json":
        text = json.dumps(plain(as_mapping(merged)), ensure_ascii=False, indent=1) + "\n"
        with atomic_write(path, overwrite=overwrite) as temporary:
            temporary.write_text(text, encoding="utf-8")
        return
    write_csv(path, merged.report.rows(), first=("what", "sentence"), overwrite=overwrite)
