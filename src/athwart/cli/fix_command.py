"""``athwart fix``: picks to positions."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from athwart.cli.common import (
    Quantity,
    common_options,
    length,
    parse_time,
    print_json,
    read_boat,
    read_options,
    read_track,
    say,
    say_rejected,
    show,
    shown_units,
    write_rejected,
)
from athwart.errors import BadRow, TableError, UsageError
from athwart.jsonable import plain
from athwart.progress import Progress
from athwart.units import (
    UnitSystem,
    format_length,
    format_position,
    many,
    parse_heading,
    parse_position,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from athwart.fix import Fixed
    from athwart.formats import ReadOptions
    from athwart.tables import Picks, Sightings

    IntArray = NDArray[np.int64]

CAUTION = "Not for navigation; positions are estimates. Keep a lookout; local law comes first."


@click.command("fix", short_help="Turn picks from a paused screen into positions.")
@click.argument("picks", required=False, type=click.Path(path_type=Path), metavar="[PICKS.csv]")
@click.option("--track", "track_file", type=click.Path(path_type=Path), help="GPX or NMEA track.")
@common_options("boat")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to write.")
@click.option("--lat", help="Latitude of the antenna: -33.5 or 33 30.0 S.")
@click.option("--lon", help="Longitude of the antenna: 12.25 or 12 15.0 E.")
@click.option("--time", "time_text", help="Time of the pick, with a zone: 2026-03-01T06:12:30Z.")
@click.option("--heading", help="Heading: 215 is true, 215M magnetic.")
@click.option("--course", type=Quantity("angle"), help="Course over the ground, true.")
@click.option("--speed", type=Quantity("speed"), help="Speed: 4.5kn or 2.3m/s.")
@click.option("--side", help="port or starboard.")
@length("--slant-range", help="Slant range: 21.3m, 70ft.")
@length("--ground-range", help="Ground range, instead of the slant range.")
@length("--depth", help="The sounder's depth: 4.2m, 14ft, 9fm.")
@click.option(
    "--depth-below", type=click.Choice(["transducer", "surface"]), help="Depth below what."
)
@length("--along-track", help="How far ahead (+) or astern (-) the beam looks.")
@click.option("--seconds-back", type=Quantity("time"), help="Seconds since the line was drawn.")
@length("--shadow-start", help="Slant range where the shadow begins.")
@length("--shadow", help="Slant length of the shadow.")
@length("--target-depth", help="Depth of a thing in mid-water, below the transducer.")
@click.option("--bottom-slope", type=Quantity("angle"), help="Slope, + falling away.")
@click.option("--in-water", is_flag=True, help="Echoes are in the water, not on the bottom.")
@click.option(
    "--measured", is_flag=True, help="Ground ranges were measured, not read off a screen."
)
@click.option("--max-gap", type=Quantity("time"), default=10.0, help="Longest track gap bridged.")
@click.option("--name", default="", help="Name.")
@click.option("--kind", default="", help="Kind: rock, reef, ledge, wreck, timber, ...")
@click.option("--hazard", is_flag=True, help="A danger to the boat.")
@click.option("--note", default="", help="Free text.")
@common_options("json", "trip", "tz", "date", "units", "skip_bad", "overwrite", "debug")
def command(
    picks: Path | None,
    track_file: Path | None,
    boat_file: Path | None,
    output: Path | None,
    in_water: bool,
    measured: bool,
    max_gap: float,
    as_json: bool,
    trip: str,
    time_zone: str,
    day: datetime | None,
    units: str | None,
    skip_bad: bool,
    overwrite: bool,
    debug: bool,
    **typed: Any,
) -> int:
    """Turn picks into positions, each with its error.

    Give a table of picks, or type one pick:

    \b
      athwart fix --lat 55.5 --lon 12.25 --heading 40 --side port
                  --slant-range 70ft --depth 14ft
    """  # noqa: D301 - click wants the character itself
    from athwart.fix import fix

    boat = read_boat(boat_file)
    zone = time_zone or boat.time_zone
    given = [k for k, v in typed.items() if v not in (None, "", False)]
    if picks is None and not given:
        raise UsageError("give a table of picks (PICKS.csv), or type one pick; see: athwart fix -h")
    if picks is not None and given:
        option = given[0].replace("_", "-").removesuffix("-text")
        raise UsageError(f"--{option} describes one typed pick; leave it out beside {picks.name}")
    rejected: list[BadRow] = []
    rows: IntArray | None = None
    if picks is None:
        table, source = _typed_pick(typed, zone, trip), "typed"
    else:
        table, rows, rejected = _read_picks(picks, read_options(zone, day), trip, skip_bad)
        source = picks.name
    track = read_track(track_file, read_options(zone, day)) if track_file else None
    with Progress() as told:
        told(f"placing {many(len(table), 'pick')}")
        fixed = fix(
            table,
            track=track,
            boat=boat,
            in_water=in_water,
            measured=measured,
            max_gap_s=max_gap,
            source=source,
            source_rows=rows,
            skip_bad=skip_bad or as_json,
        )
    rejected += fixed.rejected
    refused = bool(rejected) and not skip_bad
    if as_json:
        print_json(as_mapping(fixed, rejected))
    elif refused:
        raise TableError(source, rejected)
    for word in fixed.words:
        say(f"note: {word}")
    if refused:
        return 1
    if output is not None:
        _write(output, fixed.sightings, overwrite, rejected, source)
    elif not as_json:
        _print(fixed.sightings, shown_units(units, boat))
    if rejected and not as_json:
        say_rejected((source, row) for row in rejected)
    return 0


def _typed_pick(typed: dict[str, Any], zone: str, trip: str) -> Picks:
    from athwart.tables import Picks

    values: dict[str, Any] = {"trip": trip, "hazard": typed["hazard"]}
    if (typed["lat"] is None) != (typed["lon"] is None):
        raise UsageError("give both --lat and --lon, or neither and a --track")
    if typed["lat"] is not None:
        values["lon"], values["lat"] = parse_position(typed["lat"], typed["lon"])
    if typed["heading"] is not None:
        degrees, magnetic = parse_heading(typed["heading"])
        values["heading_mag_deg" if magnetic else "heading_deg"] = degrees
    if typed["time_text"] is not None:
        values["time"] = parse_time(typed["time_text"], zone)
    columns = {
        "course": "course_deg", "speed": "speed_mps", "slant_range": "slant_range_m",
        "ground_range": "ground_range_m", "depth": "depth_m", "depth_below": "depth_below",
        "along_track": "along_track_m", "seconds_back": "seconds_back",
        "shadow_start": "shadow_start_m", "shadow": "shadow_m", "target_depth": "target_depth_m",
        "bottom_slope": "bottom_slope_deg", "name": "name", "kind": "kind", "note": "note",
    }  # fmt: skip
    for option, column in columns.items():
        if typed[option] is not None:
            values[column] = typed[option]
    values["side"] = (typed["side"] or "").strip().lower()
    return Picks.from_columns(values)


def _read_picks(
    path: Path, options: ReadOptions, trip: str, skip_bad: bool
) -> tuple[Picks, IntArray, list[BadRow]]:
    """Return the good picks, the row of the file that each comes from, and the bad rows."""
    import numpy as np

    from athwart.formats import read

    with Progress() as told:
        told(f"reading {path.name}")
        contents = read(path, skip_bad=skip_bad, options=options)
    table, rejected = contents.picks, list(contents.rejected)
    if not len(table) and rejected:
        raise TableError(path.name, rejected)
    if not len(table):
        raise UsageError(
            f"{path.name} holds no picks; a table of picks has the columns side and slant_range_m "
            "(or slant_range_ft)"
        )
    for word in contents.words:
        say(f"note: {word}")
    bad = [row.row for row in rejected]
    rows = np.setdiff1d(np.arange(1, len(table) + len(set(bad)) + 1), bad)
    if trip:
        table = table.with_columns(trip=np.where(table.trip == "", trip, table.trip).astype(object))
    return table, rows, rejected


def as_mapping(fixed: Fixed, rejected: list[BadRow]) -> dict[str, Any]:
    """Return the JSON object of ``fix``."""
    from athwart.uncertainty.ellipse import r95, s44_horizontal

    s = fixed.sightings
    var_east, var_north, cov = s.total_covariance()
    radius = r95(var_east, var_north, cov)
    order = s44_horizontal(radius, s.depth_m)
    rows = []
    for i in range(len(s)):
        rows.append(
            {
                "sighting_id": s.sighting_id[i], "name": s.name[i], "kind": s.kind[i],
                "hazard": bool(s.hazard[i]), "note": s.note[i], "lat": s.lat[i], "lon": s.lon[i],
                "position": format_position(float(s.lon[i]), float(s.lat[i])), "side": s.side[i],
                "ground_range_m": s.ground_range_m[i], "bearing_deg": s.bearing_deg[i],
                "distance_m": s.distance_m[i], "depth_m": s.depth_m[i],
                "depth_below": s.depth_below[i], "height_m": s.height_m[i],
                "var_east_m2": var_east[i], "var_north_m2": var_north[i],
                "cov_east_north_m2": cov[i], "r95_m": radius[i],
                "s44_horizontal": order[()] if order.ndim == 0 else order[i],
                "method_detail": s.method_detail[i], "time": s.time[i], "trip": s.trip[i],
                "source": f"{s.source[i]}:{s.source_row[i]}",
            }
        )  # fmt: skip
    return {"sightings": rows, "rejected": plain(rejected), "notes": list(fixed.words)}


def _print(s: Sightings, units: UnitSystem) -> None:
    import numpy as np

    from athwart.uncertainty.ellipse import r95, s44_horizontal

    radius = r95(*s.total_covariance())
    order = s44_horizontal(radius, s.depth_m)
    for i in range(len(s)):
        lon, lat = float(s.lon[i]), float(s.lat[i])
        title = " ".join(t for t in (s.name[i], f"({s.kind[i]})" if s.kind[i] else "") if t)
        show(title or f"pick {s.source_row[i]}")
        show(f"  position      {format_position(lon, lat)}")
        show(f"                {format_position(lon, lat, 'degrees')}")
        show(f"  R95           {format_length(float(radius[i]), units)} (95 % error circle)")
        show(
            f"  from antenna  {format_length(float(s.distance_m[i]), units)} bearing "
            f"{float(s.bearing_deg[i]):05.1f} true; ground range "
            f"{format_length(float(s.ground_range_m[i]), units)} to {s.side[i]}"
        )
        if np.isfinite(s.depth_m[i]):
            error = 1.96 * float(np.sqrt(s.var_depth_m2[i]))
            show(
                f"  depth         {format_length(float(s.depth_m[i]), units)} below the "
                f"{s.depth_below[i]} at the target, ± {format_length(error, units)} (95 %)"
            )
        if np.isfinite(s.height_m[i]):
            error = 1.96 * float(np.sqrt(s.var_height_m2[i]))
            show(
                f"  height        {format_length(float(s.height_m[i]), units)} above the bottom, "
                f"± {format_length(error, units)} (95 %)"
            )
        show(f"  placed by     {s.method_detail[i]}")
        show(f"  S-44          {order[i]} (horizontal limit only)")
    say(CAUTION)


def _write(
    output: Path, sightings: Sightings, overwrite: bool, rejected: list[BadRow], source: str
) -> None:
    from athwart.contents import Contents
    from athwart.formats import write

    with Progress() as told:
        told(f"writing {output.name}")
        written = write(output, Contents(source=source, sightings=sightings), overwrite=overwrite)
    say(f"{many(len(sightings), 'sighting')} written to {', '.join(p.name for p in written.files)}")
    for word in written.words:
        say(f"note: {word}")
    write_rejected([(source, row) for row in rejected], output)
