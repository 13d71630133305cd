"""``athwart demo``: the whole job on the sample data, held against the invented truth."""

from __future__ import annotations

import csv
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from athwart.cli.common import common_options, print_json, say, shown_units
from athwart.errors import FileError
from athwart.units import UnitSystem, format_length, many

if TYPE_CHECKING:
    from athwart.merge import Merged
    from athwart.tables import Sightings, Track

TRIPS = (
    ("trip-1-picks.csv", "trip-1-track.gpx"),
    ("trip-2-picks-feet.csv", "trip-2-log.nmea"),
    ("trip-3-picks-typed.csv", ""),
)
WAYPOINT_FILES = ("waypoints.gpx", "old-card.gpx")


@click.command("demo", short_help="Run the whole job on the sample data.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), default=Path("athwart-demo"),
    show_default=True, help="Folder to write into.",
)  # fmt: skip
@common_options("json", "units", "overwrite", "debug")
def command(output: Path, as_json: bool, units: str | None, overwrite: bool, debug: bool) -> int:
    """Fix, merge, export and map the sample trips; say how far the result lies from the truth."""
    from athwart.cli.export_command import export_marks
    from athwart.contents import Contents
    from athwart.formats import atomic_write, read_background, write
    from athwart.gather import gather, near_pairs
    from athwart.merge import merge
    from athwart.plotter import Limits
    from athwart.review.map import review_map
    from athwart.tables import Sightings, Track

    started = time.perf_counter()
    shown: UnitSystem = shown_units(units)
    samples = sample_folder()
    _prepare_folder(output, overwrite)

    looks, tracks, found = [], [], {}
    for picks, track in TRIPS:
        sightings, line = _fix(samples, picks, track)
        write(
            output / f"{Path(picks).stem}.geojson",
            Contents(sightings=sightings),
            overwrite=overwrite,
        )
        looks.append(sightings)
        tracks.append(line)
        found[picks] = sightings
    saved = gather([samples / name for name in WAYPOINT_FILES])
    sightings = Sightings.concat([*looks, saved.sightings])
    merged = merge(sightings, shift_trips=True)
    write(
        output / "marks.gpkg",
        Contents(marks=merged.marks, sightings=merged.sightings),
        overwrite=overwrite,
    )
    limits = Limits.from_toml(samples / "small-plotter.toml")
    _, words, _ = export_marks(
        merged.marks,
        output / "plotter.gpx",
        limits=limits,
        clean=True,
        overwrite=overwrite,
        units=shown,
    )
    page = review_map(
        marks=merged.marks,
        sightings=merged.sightings,
        tracks=Track.concat([t for t in tracks if len(t)]),
        mark_of=merged.mark_of,
        near_pairs=near_pairs(merged.report, shown),
        background=read_background(samples / "coastline.geojson").geometry.to_numpy(),
        units=shown,
        title="Hollow Sound (invented)",
    )
    with atomic_write(output / "marks.html", overwrite=overwrite) as temporary:
        temporary.write_text(page, encoding="utf-8")

    truth = _truth(samples)
    result = {
        "picks": {name: _against_truth(s, truth, name) for name, s in found.items()},
        "marks": _marks_against_truth(merged, truth),
        "offsets": list(merged.report.trips_off(shown)),
        "files": sorted(p.name for p in output.iterdir()),
        "seconds": round(time.perf_counter() - started, 2),
    }
    if as_json:
        print_json(result)
    else:
        _print(result, merged, words, output, shown)
    return 0


def sample_folder() -> Path:
    """Return the folder of sample data: inside the package, or beside the source tree."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "sample_gpx", package.parents[1] / "sample_gpx"):
        if (folder / "truth.csv").is_file():
            return folder
    raise FileError("sample_gpx", "the sample data did not come with this installation")


def _prepare_folder(folder: Path, overwrite: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise FileError(str(folder), "is a file; name a folder with -o")
    if folder.is_dir() and any(folder.iterdir()) and not overwrite:
        raise FileError(
            str(folder), "exists and is not empty; add --overwrite, or name another with -o"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(str(folder), f"cannot be made: {error.strerror}") from error


def _fix(samples: Path, picks: str, track: str) -> tuple[Sightings, Track]:
    from athwart.boat import Boat
    from athwart.fix import fix
    from athwart.formats import read
    from athwart.tables import Track

    boat = Boat.from_toml(samples / "tern.toml")
    line = read(samples / track).tracks if track else Track.empty()
    table = read(samples / picks).picks
    fixed = fix(table, track=line if track else None, boat=boat, source=picks)
    say(f"{picks}: {many(len(fixed.sightings), 'pick')} fixed")
    return fixed.sightings, line


def _truth(samples: Path) -> dict[str, Any]:
    with (samples / "truth.csv").open(encoding="utf-8", newline="") as handle:
        places = {r["id"]: (float(r["lon"]), float(r["lat"])) for r in csv.DictReader(handle)}
    with (samples / "truth-rows.csv").open(encoding="utf-8", newline="") as handle:
        rows = {(r["file"], int(r["row"])): r["id"] for r in csv.DictReader(handle)}
    return {"places": places, "rows": rows}


def _distances(sightings: Sightings, truth: dict[str, Any]) -> tuple[np.ndarray, list[str]]:
    from athwart.geometry.geodesic import inverse

    ids = [
        truth["rows"].get((f, int(r)), "")
        for f, r in zip(sightings.source, sightings.source_row, strict=True)
    ]
    places = np.array([truth["places"].get(i, (np.nan, np.nan)) for i in ids]).reshape(-1, 2)
    known = np.isfinite(places[:, 0])
    distance = np.full(len(sightings), np.nan)
    _, distance[known] = inverse(
        sightings.lon[known], sightings.lat[known], places[known, 0], places[known, 1]
    )
    return distance, ids


def _against_truth(sightings: Sightings, truth: dict[str, Any], name: str) -> dict[str, Any]:
    from athwart.uncertainty.ellipse import r95

    distance, _ = _distances(sightings, truth)
    inside = distance <= r95(*sightings.total_covariance())
    return {
        "sightings": len(sightings),
        "median_error_m": float(np.nanmedian(distance)),
        "within_r95": int(inside.sum()),
    }


def _marks_against_truth(merged: Merged, truth: dict[str, Any]) -> dict[str, Any]:
    from athwart.geometry.geodesic import inverse

    _, ids = _distances(merged.sightings, truth)
    members: list[set[str]] = [set() for _ in range(len(merged.marks))]
    for mark, i in zip(merged.mark_of.tolist(), ids, strict=True):
        members[mark].add(i)
    pure = [k for k, m in enumerate(members) if len(m) == 1 and "" not in m]
    places = np.array([truth["places"][next(iter(members[k]))] for k in pure]).reshape(-1, 2)
    _, distance = inverse(
        merged.marks.lon[pure], merged.marks.lat[pure], places[:, 0], places[:, 1]
    )
    split = sum(len(m) for m in members) - len(set().union(*members))
    return {
        "marks": len(merged.marks),
        "targets_seen": len(set().union(*members)),
        "marks_of_one_target": len(pure),
        "extra_marks": split,
        "median_error_m": float(np.median(distance)) if len(pure) else None,
        "within_r95": int((distance <= merged.marks.r95_m[pure]).sum()),
    }


def _print(
    result: dict[str, Any], merged: Merged, words: tuple[str, ...], folder: Path, units: UnitSystem
) -> None:
    from athwart.cli.merge_command import sentences

    for name, row in result["picks"].items():
        click.echo(
            f"{name}: half of the {row['sightings']} positions lie within "
            f"{format_length(row['median_error_m'], units)} of the truth; {row['within_r95']} lie "
            "inside their R95"
        )
    for sentence in sentences(merged.report, units)[:12]:
        click.echo(f"- {sentence}")
    marks = result["marks"]
    click.echo(
        f"{len(merged.sightings)} sightings became {marks['marks']} marks of "
        f"{marks['targets_seen']} targets; half of the marks lie within "
        f"{format_length(marks['median_error_m'] or float('nan'), units)} of the truth; "
        f"{marks['within_r95']} of {marks['marks_of_one_target']} lie inside their R95"
    )
    for word in words:
        say(f"note: {word}")
    click.echo(f"in {folder}: {', '.join(result['files'])}")
    click.echo(f"open {folder / 'marks.html'} in a browser; {result['seconds']:.1f} s in all")
    click.echo("The water, the boat and the trips are invented. Not for navigation.", err=True)
