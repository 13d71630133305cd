"""``athwart tide``: how high the water stands, and how much of it there is over marks."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    parse_time,
    print_json,
    read_boat,
    read_options,
    rows_of,
    say,
    show,
    shown_units,
    write_csv,
    write_rejected,
)
from athwart.cli.water import WaterChoice, water_options
from athwart.errors import DataError, UsageError
from athwart.progress import Progress
from athwart.units import UnitSystem, many, parse_position

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from athwart.advice.water import Water, WaterWords
    from athwart.boat import Boat
    from athwart.formats import ReadOptions
    from athwart.gather import Gathered
    from athwart.plan.depth import DepthOver, Reduced
    from athwart.tables import Marks, Sightings, Track

MOST_TIMES = 100_000


@click.command("tide", short_help="Height of the tide, and the water over marks at a time.")
@click.argument("sources", nargs=-1, type=click.Path(path_type=Path), metavar="[SRC...]")
@water_options
@click.option(
    "--at", "at_text", metavar="TIME", help="When, with a zone: 2031-05-04T07:00Z; else now."
)
@click.option("--until", "until_text", metavar="TIME", help="Heights from --at until then.")
@click.option("--every", type=Quantity("time"), default="30min", show_default=True)
@click.option(
    "--marks",
    "names",
    multiple=True,
    metavar="NAME,...",
    help="Only these marks, by name or the first letters of their ids.",
)
@click.option("--kind", "kinds", multiple=True, help="Only this kind; may be given several times.")
@click.option("--within", type=click.Path(path_type=Path), help="Only inside this area (polygons).")
@click.option("--lat", "lat_text", help="Latitude of the tide's place; else that of the marks.")
@click.option("--reduce", is_flag=True, help="Bring the soundings of the tracks to chart datum.")
@length("--draft", help="What the boat draws, for the clearance over marks.")
@length("--margin", default="0.5m", show_default=True, help="What should be left under the keel.")
@length("--transducer-depth", help="Transducer below the surface; else the boat file's.")
@length("--sigma", default="4m", show_default=True, help="Error per axis of a waypoint, 1 sigma.")
@common_options("boat")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Table to write.")
@common_options(
    "json", "tz", "date", "units", "skip_bad", "overwrite", "ballpark", "private", "debug"
)
def command(
    sources: tuple[Path, ...],
    water: WaterChoice,
    at_text: str | None,
    until_text: str | None,
    every: float,
    names: tuple[str, ...],
    kinds: tuple[str, ...],
    within: Path | None,
    lat_text: str | None,
    reduce: bool,
    draft: float | None,
    margin: float,
    transducer_depth: float | None,
    sigma: float,
    boat_file: Path | None,
    output: Path | None,
    as_json: bool,
    time_zone: str,
    day: datetime | None,
    units: str | None,
    skip_bad: bool,
    overwrite: bool,
    allow_ballpark: bool,
    with_private: bool,
    debug: bool,
) -> int:
    """Say how high the water stands, and how much of it there is over marks.

    Without SRC: the height of the tide at a time, or from one time to another. With SRC (marks of
    any file, a book): the water over each mark then. With --reduce: the soundings along the tracks
    of SRC, brought to chart datum.

    For example:

    \b
      athwart tide --low "2031-05-04T03:27Z 2.2ft" --high "2031-05-04T11:41Z 11.4ft"
                   --at 2031-05-04T07:00Z
      athwart tide season.gpkg --tide tides.csv --at 2031-05-04T07:00Z --draft 0.6m

    Advice, not navigation: weather moves the water off any table.
    """  # noqa: D301 - click wants the character itself
    import numpy as np

    from athwart.formats import check_target

    boat = read_boat(boat_file)
    zone = time_zone or boat.time_zone
    shown = shown_units(units, boat)
    if reduce and not sources:
        raise UsageError("--reduce needs files with a track and depths: athwart tide TRIP --reduce")
    if not every > 0:
        raise UsageError(f"--every is {every:g} s; allowed is more than 0")
    if output is not None:
        check_target(output, overwrite=overwrite)
        if not sources and output.suffix.lower() != ".csv":
            raise UsageError(f"{output.name} must end in .csv; heights are a table of text")
    lat = parse_position(lat_text, "0")[1] if lat_text else None
    at = parse_time(at_text, zone) if at_text else np.datetime64("now", "us")
    if not sources:
        made = _made(water.read(zone=zone, lat=lat), zone, shown)
        _heights(made, _times(at, until_text, every, zone), output, as_json, overwrite)
        return 0
    if until_text:
        raise UsageError("--until is for heights alone; depths over marks are for one time (--at)")
    options = read_options(zone, day, allow_ballpark=allow_ballpark, with_private=with_private)
    found, marks, looks = _read(sources, options, sigma, skip_bad)
    for word in found.words:
        say(f"note: {word}")
    if lat is None:
        lat = _latitude(found, marks)
    if not reduce and len(marks):
        marks = _chosen(marks, names, kinds, within, allow_ballpark)
    made = _made(water.read(zone=zone, lat=lat), zone, shown)
    if reduce:
        deep = float("nan") if transducer_depth is None else transducer_depth
        _soundings(made, found.tracks, boat, deep, output, as_json, overwrite)
    else:
        over = _over(made, marks, looks, at, boat, transducer_depth, draft, margin)
        _depths(made, marks, over, draft, output, as_json, overwrite)
    write_rejected(found.rejected, output)
    return 0


def _made(water: Water, zone: str, shown: UnitSystem) -> WaterWords:
    """Return how the user wants to see the water, and say what there is to know of it."""
    from athwart.advice.water import WaterWords

    for word in water.words:
        say(f"note: {word}")
    return WaterWords(water, zone, shown)


def _times(
    at: np.datetime64, until_text: str | None, every: float, zone: str
) -> NDArray[np.datetime64]:
    import numpy as np

    if until_text is None:
        return np.array([at])
    until = parse_time(until_text, zone)
    if until <= at:
        raise UsageError("--until must be later than --at")
    step = np.timedelta64(round(every * 1e6), "us")
    if (until - at) / step > MOST_TIMES:
        raise UsageError(f"that is more than {MOST_TIMES} times; make --every longer")
    return np.arange(at, until + np.timedelta64(1, "us"), step)


def _heights(
    made: WaterWords,
    times: NDArray[np.datetime64],
    output: Path | None,
    as_json: bool,
    overwrite: bool,
) -> None:
    import numpy as np

    from athwart.plan.depth import CAUTION

    tide = made.water.now
    height, sigma = tide.height(times)
    twelfths = tide.by_twelfths(times)
    if np.isnan(height).all():
        raise DataError(made.unknown(times[0]))
    day = np.timedelta64(1, "D")
    turns = tide.turns(times[0] - day, times[-1] + day)
    near = np.zeros(len(turns), dtype=bool)
    if len(turns):
        a = int(np.searchsorted(turns.time, times[0], side="right")) - 1
        b = int(np.searchsorted(turns.time, times[-1], side="left"))
        near[max(a, 0) : b + 1] = True
    rows = [
        {"time": t, "height_m": h, "sigma_m": s, "twelfths_m": w}
        for t, h, s, w in zip(times, height, sigma, twelfths, strict=True)
    ]
    files = []
    if output is not None:
        write_csv(output, rows, overwrite=overwrite)
        files.append(output.name)
    if as_json:
        print_json(
            {
                "heights": rows,
                "turns": [
                    {"time": t, "height_m": h, "what": "high" if up else "low"}
                    for t, h, up in zip(
                        turns.time[near], turns.height_m[near], turns.high[near], strict=True
                    )
                ],
                "notes": list(made.water.words),
                "files": files,
                "caution": CAUTION,
            }
        )
        return
    if output is not None:
        say(f"{many(len(rows), 'height')} written to {output.name}")
    else:
        turned = made.turns(turns.time[near], turns.height_m[near], turns.high[near])
        for sentence in (*made.heights(times), *turned):
            show(sentence)
    show(CAUTION)


def _read(
    sources: tuple[Path, ...], options: ReadOptions, sigma: float, skip_bad: bool
) -> tuple[Gathered, Marks, Sightings]:
    from athwart.gather import gather, settle

    with Progress() as told:
        found = gather(sources, options=options, sigma_m=sigma, skip_bad=skip_bad, told=told)
        told(f"merging {many(len(found.sightings), 'sighting')}")
        marks, sightings, _ = settle(found)
    return found, marks, sightings


def _chosen(
    marks: Marks,
    names: tuple[str, ...],
    kinds: tuple[str, ...],
    within: Path | None,
    allow_ballpark: bool,
) -> Marks:
    from athwart.advice.places import rows_of_names
    from athwart.formats import read_areas
    from athwart.plotter import select

    if names:
        marks = marks.take(rows_of_names(marks, names))
    area = None if within is None else read_areas(within, allow_ballpark=allow_ballpark)
    chosen = select(marks, kinds=kinds, within=area)
    if not len(chosen):
        raise DataError("no mark is left; check --marks, --kind and --within")
    return chosen


def _latitude(found: Gathered, marks: Marks) -> float | None:
    import numpy as np

    lat = marks.lat if len(marks) else found.tracks.lat
    return float(np.median(lat)) if len(lat) else None


def _over(
    made: WaterWords,
    marks: Marks,
    sightings: Sightings,
    at: np.datetime64,
    boat: Boat,
    transducer_depth: float | None,
    draft: float | None,
    margin: float,
) -> DepthOver:
    import numpy as np

    from athwart.plan.depth import depth_over

    if not len(marks):
        raise DataError("there is no mark in the files; for the soundings of a track give --reduce")
    over = depth_over(
        marks,
        made.water.now,
        at,
        sightings=sightings,
        past=made.water.past,
        transducer_depth_m=boat.transducer_depth_m
        if transducer_depth is None
        else transducer_depth,
        draft_m=float("nan") if draft is None else draft,
        margin_m=margin,
        budget=boat.budget,
    )
    if np.isnan(over.tide_m).all():
        raise DataError(made.unknown(at))
    return over


def _depths(
    made: WaterWords,
    marks: Marks,
    over: DepthOver,
    draft: float | None,
    output: Path | None,
    as_json: bool,
    overwrite: bool,
) -> None:
    import numpy as np

    from athwart.contents import Contents
    from athwart.formats import write
    from athwart.plan.depth import CAUTION, NO_REFERENCE

    columns = {
        "datum_depth_m": over.datum_m,
        "datum_sigma_m": over.datum_sigma_m,
        "then": over.time,
        "tide_then_m": over.tide_m,
        "depth_then_m": over.depth_m,
        "depth_then_sigma_m": over.sigma_m,
        "least_then_m": over.least_m,
        "clearance_m": over.clearance_m,
        "s44_vertical": over.s44_vertical,
        "soundings_used": over.soundings,
        "disagree": over.disagree,
        "water": over.state,
    }
    files = []
    if output is not None:
        table = replace(marks, extra={**marks.extra, **columns})
        written = write(output, Contents(source="tide", marks=table), overwrite=overwrite)
        files = [p.name for p in written.files]
        for word in written.words:
            say(f"note: {word}")
    sentences = over.sentences(made.units)
    if as_json:
        rows = rows_of(marks, ("mark_id", "name", "kind", "lat", "lon", "r95_m", "height_m"))
        for i, row in enumerate(rows):
            row.update({name: values[i] for name, values in columns.items()})
            row["sentence"] = sentences[i]
        print_json(
            {
                "marks": rows,
                "margin_m": over.margin_m,
                "draft_m": draft,
                "notes": list(made.water.words),
                "files": files,
                "caution": CAUTION,
            }
        )
        return
    for sentence in made.depths(marks, over):
        show(sentence)
    if np.any(over.state == NO_REFERENCE):
        say(
            "note: --transducer-depth tells how deep the transducer sits, or the boat file (--boat)"
        )
    if files:
        say(f"{many(len(marks), 'mark')} written to {', '.join(files)}")
    show(CAUTION)


def _none_reduced(made: WaterWords, sounded: Track, reduced: Reduced) -> str:
    """Return why no sounding at all could be brought to datum."""
    import numpy as np

    none = f"none of {many(len(sounded), 'sounding')} can be brought to datum"
    if not reduced.placed.any():
        return f"{none}: it is not known what they are below"
    timed = sounded.time[~np.isnat(sounded.time) & reduced.placed]
    if not len(timed):
        return f"{none}: they have no times, so that nobody knows their tide"
    return f"{none}: {made.unknown(timed[0])}"


def _soundings(
    made: WaterWords,
    tracks: Track,
    boat: Boat,
    transducer_depth: float,
    output: Path | None,
    as_json: bool,
    overwrite: bool,
) -> None:
    import numpy as np

    from athwart.contents import Contents
    from athwart.formats import write
    from athwart.plan.depth import CAUTION, reduce_track
    from athwart.uncertainty.vertical import Z95, s44_vertical

    past = made.water.past
    if past is None:
        raise UsageError(
            "soundings need the level of their own time: --level-then or --levels FILE"
        )
    sounded = tracks.take(np.isfinite(tracks.depth_m))
    if not len(sounded):
        raise DataError("the tracks hold no depth; an NMEA log with DPT or DBT sentences does")
    reduced, words = reduce_track(sounded, past, boat, transducer_depth_m=transducer_depth)
    for word in words:
        say(f"note: {word}")
    if not reduced.placed.all():
        say(
            "note: --transducer-depth tells how deep the transducer sits, or the boat file (--boat)"
        )
    good = reduced.known
    if not good.any():
        raise DataError(_none_reduced(made, sounded, reduced))
    kept = sounded.take(good)
    depth, sigma = reduced.depth_m[good], reduced.sigma_m[good]
    left = int((~good).sum())
    files = []
    if output is not None:
        more = {
            "datum_depth_m": depth,
            "datum_sigma_m": sigma,
            "s44_vertical": s44_vertical(Z95 * sigma, np.maximum(depth, 0)),
        }
        table = replace(kept, extra={**kept.extra, **more})
        written = write(output, Contents(source="tide", tracks=table), overwrite=overwrite)
        files = [p.name for p in written.files]
        for word in written.words:
            say(f"note: {word}")
    low, middle, high = np.quantile(depth, (0, 0.5, 1))
    if as_json:
        print_json(
            {
                "soundings": len(kept),
                "left_out": left,
                "least_m": low,
                "median_m": middle,
                "most_m": high,
                "median_sigma_m": np.median(sigma),
                "notes": [*made.water.words, *words],
                "files": files,
                "caution": CAUTION,
            }
        )
        return
    show(
        f"{many(len(kept), 'sounding')} brought to datum: from {made.length(low)} to "
        f"{made.length(high)}, half of them below {made.length(middle)}; "
        f"{made.error(np.median(sigma))}"
    )
    if left:
        say(f"note: left out: {many(left, 'sounding')} whose tide or reference is not known")
    if files:
        say(f"{many(len(kept), 'sounding')} written to {', '.join(files)}")
    show(CAUTION)
