"""``athwart demo``: the whole job on the sample data, held against the invented truth."""

from __future__ import annotations

import csv
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from athwart.cli.common import common_options, print_json, say, show, shown_units
from athwart.errors import FileError
from athwart.units import UnitSystem, format_length, many

if TYPE_CHECKING:
    import numpy as np

    from athwart.book.adding import Added
    from athwart.book.derive import Derived
    from athwart.book.store import Store
    from athwart.merge import Merged
    from athwart.tables import Sightings

TRIPS: tuple[tuple[str, ...], ...] = (
    ("trip-1-track.gpx", "trip-1-picks.csv"),
    ("trip-2-log.nmea", "trip-2-picks-feet.csv"),
    ("trip-3-picks-typed.csv",),
    ("waypoints.gpx", "old-card.gpx"),
)
"""What goes into the book together before a merge: tracks before the picks that need them."""
PICKS = tuple(name for files in TRIPS for name in files if "-picks" in name)
BOOK = "season.gpkg"
DAY_MARKS = (
    "Anvil", "Low reef", "Barge end", "Plates", "Split rock", "Flat slab", "Kettle", "Saddle",
    "Crossed logs",
)  # fmt: skip
DAY_START = (-21.2958, -46.1997)
DAY_LEAVES = "2025-06-01T09:30"


@dataclass(slots=True)
class _Told:
    """What happened, in plain lines and for programs."""

    lines: list[str] = field(default_factory=list)
    trips: list[dict[str, Any]] = field(default_factory=list)
    offsets: list[dict[str, Any]] = field(default_factory=list)
    back: dict[str, int] = field(default_factory=dict)


@click.command("demo", short_help="Run the whole job on the sample data.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), default=Path("athwart-demo"),
    show_default=True, help="Folder to write into.",
)  # fmt: skip
@common_options("json", "units", "overwrite", "debug")
def command(output: Path, as_json: bool, units: str | None, overwrite: bool, debug: bool) -> int:
    """Put the sample trips into a book, export and map it; say how far it lies from the truth."""
    from athwart.book.store import create, open_book
    from athwart.formats import atomic_write, read_background
    from athwart.gather import as_merged, gather, near_pairs
    from athwart.review.map import review_map

    started = time.perf_counter()
    shown: UnitSystem = shown_units(units)
    samples = sample_folder()
    _prepare_folder(output, overwrite)
    book = output / BOOK
    create(book)
    told = _Told()
    with open_book(book, write=True) as store:
        for files in TRIPS:
            last = _one_trip(store, samples, files, shown, told)
        plotter, words = _to_the_plotter(store, samples, output, overwrite, shown, told)
        _back_from_the_plotter(store, plotter, told)
    report = last.merged.report if last.merged else None
    found = gather([book])
    merged = as_merged(found)
    page = review_map(
        marks=merged.marks,
        sightings=merged.sightings,
        tracks=found.tracks,
        mark_of=merged.mark_of,
        near_pairs=near_pairs(report, shown) if report else (),
        background=read_background(samples / "coastline.geojson").geometry.to_numpy(),
        units=shown,
        title="Hollow Sound (invented)",
    )
    with atomic_write(output / "marks.html", overwrite=overwrite) as temporary:
        temporary.write_text(page, encoding="utf-8")

    _the_day(merged, samples, output, overwrite, shown, told)
    truth = _truth(samples)
    result = {
        "book": {"trips": told.trips, "came_back": told.back},
        "picks": {
            name: _against_truth(merged.sightings.take(merged.sightings.source == name), truth)
            for name in PICKS
        },
        "marks": _marks_against_truth(merged, truth),
        "offsets": told.offsets,
        "files": sorted(p.name for p in output.iterdir()),
        "seconds": round(time.perf_counter() - started, 2),
    }
    if as_json:
        print_json(result)
    else:
        for word in words:
            say(f"note: {word}")
        _print(result, merged, told, output, shown)
    return 0


def _one_trip(
    store: Store, samples: Path, files: tuple[str, ...], units: UnitSystem, told: _Told
) -> Derived:
    """Add what belongs together, fold it into marks, and say what came of it."""
    from athwart.boat import Boat
    from athwart.book import work

    boat = Boat.from_toml(samples / "tern.toml")
    new = sum(_add(store, samples / name, boat).new for name in files)
    done = work.merge_book(store, shift_trips=True)
    derived = done.derived
    told.trips.append(
        {
            "files": list(files),
            "new_sightings": new,
            "new_marks": len(derived.new),
            "settled_anew": len(derived.changed),
        }
    )
    again = f", {many(len(derived.changed), 'mark')} settled anew" if derived.changed else ""
    told.lines.append(
        f"{' and '.join(files)}: {many(new, 'new sighting')}; merged into "
        f"{many(len(derived.new), 'new mark')}{again}"
    )
    known = {offset["trip"] for offset in told.offsets}
    for offset in derived.merged.report.trips_off(units) if derived.merged else ():
        if offset["trip"] not in known:  # a trip that was shifted is told of at every merge
            told.offsets.append(offset)
            told.lines.append(f"- {offset['sentence']}")
    return derived


def _add(store: Store, path: Path, boat: Any = None) -> Added:
    from athwart.book import work
    from athwart.book.adding import SourceFile
    from athwart.cli.book_command import _hash
    from athwart.formats import read

    contents = read(path)
    source = SourceFile(path.name, _hash(path), path.stat().st_size, contents.format)
    return work.add(store, contents, source, boat=boat)[0]


def _to_the_plotter(
    store: Store, samples: Path, folder: Path, overwrite: bool, units: UnitSystem, told: _Told
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Export the book's marks under the invented plotter's limits; the book remembers them."""
    from athwart.book import work
    from athwart.book.reading import marks_and_sightings
    from athwart.handover import export_marks
    from athwart.plotter import Limits

    with store.reading() as connection:
        marks, *_ = marks_and_sightings(connection)
    files, words, handed = export_marks(
        marks,
        folder / "plotter.gpx",
        limits=Limits.from_toml(samples / "small-plotter.toml"),
        clean=True,
        overwrite=overwrite,
        units=units,
    )
    count = work.hand_over(store, handed)
    told.lines.append(
        f"{many(count, 'mark')} written for a small plotter to "
        f"{' and '.join(p.name for p in files)}, names cut to 10 capitals; the book remembers them"
    )
    return files, words


def _back_from_the_plotter(store: Store, files: tuple[Path, ...], told: _Told) -> None:
    """Add the plotter's own files to the book: it knows its marks again."""
    added = [_add(store, path) for path in files]
    told.back = {
        "recognised": sum(a.recognised for a in added),
        "new_sightings": sum(a.new for a in added),
    }
    told.lines.append(
        f"{' and '.join(p.name for p in files)} came back: {told.back['recognised']} waypoints "
        f"known again, {told.back['new_sightings']} new"
    )


def _the_day(
    merged: Merged, samples: Path, folder: Path, overwrite: bool, units: UnitSystem, told: _Told
) -> None:
    """Make the sheet of a day that goes back to some of the marks, and its route."""
    import numpy as np

    from athwart.advice.day import closed_water, write_route, write_sheet
    from athwart.advice.water import Water, over_marks
    from athwart.boat import Boat
    from athwart.formats import read_areas
    from athwart.formats.heights import read_heights
    from athwart.formats.shapes import read_shapes
    from athwart.plan.day import Pace, Place
    from athwart.plan.days_work import plan_day
    from athwart.plan.tide import Tide
    from athwart.plan.zones import Zones
    from athwart.plotter import Limits
    from athwart.units import KNOT

    boat = Boat.from_toml(samples / "tern.toml")
    table = read_heights(samples / "tides.csv", "UTC")
    tide = Tide.from_extremes(table.time, table.height_m, table.what)
    zones = Zones.from_frame(read_shapes(samples / "zones.geojson", every=True))
    chosen = np.isin(merged.marks.name.astype(str), DAY_MARKS)
    day = plan_day(
        merged.marks.take(chosen),
        Place(*DAY_START, "the slip"),
        pace=Pace(speed_mps=5 * KNOT.value),
        depart=np.datetime64(DAY_LEAVES, "us"),
        closed=closed_water(read_areas(samples / "coastline.geojson"), zones),
        clear_m=20.0,
        zones=zones,
        tide=tide,
        over=over_marks(Water(tide, tide), merged.sightings, boat, draft_m=0.5, margin_m=0.5),
        hazards=merged.marks.take(merged.marks.hazard),
        units=units,
    )
    title = "Hollow Sound (invented), 1 June 2025"
    write_sheet(day, folder / "day.html", title=title, units=units, overwrite=overwrite)
    write_route(
        day,
        folder / "day.gpx",
        limits=Limits.from_toml(samples / "small-plotter.toml"),
        title="Day",
        overwrite=overwrite,
    )
    told.lines.append(
        f"one sheet for a day at {many(len(day.stops), 'mark')}, with the tide and the light, and its "
        "route: day.html and day.gpx"
    )


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
        _clear_book(folder / BOOK)
    except OSError as error:
        raise FileError(str(folder), f"cannot be made: {error.strerror}") from error


def _clear_book(book: Path) -> None:
    """Take the book of an earlier demo away, and never one that holds anything else."""
    from athwart.book.log import entries
    from athwart.book.store import is_book, open_book

    if not book.exists():
        return
    ours = False
    if is_book(book):
        samples = {name for files in TRIPS for name in files}
        with open_book(book) as store, store.reading() as connection:
            log = entries(connection)
        ours = all(
            e.what in ("merge", "export") or (e.what == "add" and e.source in samples) for e in log
        )
    if not ours:
        raise FileError(
            book.name,
            "holds more than a demo puts there, and is kept; name another folder with -o, or "
            "move it away",
        )
    book.unlink()


def _truth(samples: Path) -> dict[str, Any]:
    with (samples / "truth.csv").open(encoding="utf-8", newline="") as handle:
        places = {r["id"]: (float(r["lon"]), float(r["lat"])) for r in csv.DictReader(handle)}
    with (samples / "truth-rows.csv").open(encoding="utf-8", newline="") as handle:
        rows = {(r["file"], int(r["row"])): r["id"] for r in csv.DictReader(handle)}
    return {"places": places, "rows": rows}


def _distances(sightings: Sightings, truth: dict[str, Any]) -> tuple[np.ndarray, list[str]]:
    import numpy as np

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


def _against_truth(sightings: Sightings, truth: dict[str, Any]) -> dict[str, Any]:
    import numpy as np

    from athwart.uncertainty.ellipse import r95

    distance, _ = _distances(sightings, truth)
    inside = distance <= r95(*sightings.total_covariance())
    return {
        "sightings": len(sightings),
        "median_error_m": float(np.nanmedian(distance)),
        "within_r95": int(inside.sum()),
    }


def _marks_against_truth(merged: Merged, truth: dict[str, Any]) -> dict[str, Any]:
    import numpy as np

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
    result: dict[str, Any], merged: Merged, told: _Told, folder: Path, units: UnitSystem
) -> None:
    for line in told.lines:
        show(line)
    for name, row in result["picks"].items():
        show(
            f"{name}: half of the {row['sightings']} positions lie within "
            f"{format_length(row['median_error_m'], units)} of the truth; {row['within_r95']} lie "
            "inside their R95"
        )
    marks = result["marks"]
    show(
        f"{len(merged.sightings)} sightings became {marks['marks']} marks of "
        f"{marks['targets_seen']} targets; half of the marks lie within "
        f"{format_length(marks['median_error_m'] or float('nan'), units)} of the truth; "
        f"{marks['within_r95']} of {marks['marks_of_one_target']} lie inside their R95"
    )
    show(f"in {folder}: {', '.join(result['files'])}")
    show(
        f"{BOOK} is the book: athwart book why {folder / BOOK} Anvil says why a mark is where it is"
    )
    show(
        f"open {folder / 'marks.html'} and {folder / 'day.html'} in a browser; {result['seconds']:.1f} s in all"
    )
    say("The water, the boat and the trips are invented. Not for navigation.")
