"""``athwart info``: what files hold."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from athwart.cli.common import common_options, print_json, read_options, say, show
from athwart.cli.ways import refusal
from athwart.errors import AthwartError, folded
from athwart.progress import Progress
from athwart.units import format_position, many

if TYPE_CHECKING:
    from athwart.contents import Contents

SHOWN = 20


@click.command("info", short_help="Say what files hold, and what in them is wrong.")
@click.argument(
    "sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SRC..."
)
@common_options("json", "tz", "date", "debug")
def command(
    sources: tuple[Path, ...], as_json: bool, time_zone: str, day: datetime | None, debug: bool
) -> int:
    """Say what files hold: counts, bounds, times, names, and every fault."""
    from athwart.formats import inspect
    from athwart.gather import shares_of_bytes

    options = read_options(time_zone, day)
    entries, failed = [], False
    for path, share in zip(sources, shares_of_bytes(sources), strict=True):
        try:
            with Progress() as told:
                told(f"reading {path.name}", share)
                entry = describe(inspect(path, options=options))
        except AthwartError as error:
            entry = {"file": path.name, "error": refusal(error)}
        failed |= bool(entry.get("rejected")) or "error" in entry
        entries.append(entry)
        if not as_json:
            _print(entry)
    if as_json:
        print_json({"files": entries})
    return 1 if failed else 0


def describe(contents: Contents) -> dict[str, Any]:
    """Return the JSON object of one file."""
    import numpy as np

    places = [
        (t.lon, t.lat)
        for t in (contents.picks, contents.waypoints, contents.sightings, contents.marks)
    ] + [(t.lon, t.lat) for t in (contents.routes, contents.tracks)]
    lon = np.concatenate([x for x, _ in places])
    lat = np.concatenate([y for _, y in places])
    times = [
        t.time for t in (contents.picks, contents.waypoints, contents.sightings, contents.tracks)
    ]
    time = np.concatenate([*times, contents.marks.first_time, contents.marks.last_time])
    time = time[~np.isnat(time)]
    placed = np.isfinite(lon) & np.isfinite(lat)
    waypoints, sightings = contents.waypoints, contents.sightings
    book = contents.settled
    # The looks at one mark share its name; in a book only marks of one name are worth a word.
    named = (contents.marks.name,) if book else (waypoints.name, sightings.name)
    names = Counter(n for column in named for n in column if n)
    spots = Counter(
        (round(x, 7), round(y, 7))
        for xs, ys in ((waypoints.lon, waypoints.lat), (sightings.lon, sightings.lat))
        for x, y in zip(xs.tolist(), ys.tolist(), strict=True)
    )
    counts = {"waypoints": 0, "route_points": 0, "track_points": 0, "routes": 0, "tracks": 0}
    counts.update(contents.counts)
    bounds = None
    if placed.any():
        x, y = lon[placed], lat[placed]
        bounds = [float(x.min()), float(y.min()), float(x.max()), float(y.max())]
    return {
        "file": contents.source,
        "format": contents.format,
        "book": book,
        "counts": counts,
        "points": counts["waypoints"] + counts["route_points"] + counts["track_points"],
        "rejected": list(contents.rejected),
        "dropped_fields": dict(contents.dropped_fields),
        "bounds": bounds,
        "first_time": time.min() if len(time) else None,
        "last_time": time.max() if len(time) else None,
        "repeated_names": {n: c for n, c in names.items() if c > 1},
        "repeated_positions": sum(c - 1 for c in spots.values() if c > 1),
        "notes": list(contents.words),
    }


def _print(entry: dict[str, Any]) -> None:
    show(entry["file"])
    if "error" in entry:
        say(f"  {entry['error']}")
        return
    if entry["book"]:
        _print_book(entry)
    else:
        show(f"  format     {entry['format']}")
        counts = ", ".join(f"{c} {n.replace('_', ' ')}" for n, c in entry["counts"].items() if c)
        show(f"  holds      {counts or 'nothing'}")
    if entry["bounds"]:
        west, south, east, north = entry["bounds"]
        show(f"  from       {format_position(west, south)}")
        show(f"  to         {format_position(east, north)}")
    if entry["first_time"] is not None:
        first, last = (str(entry[k])[:19].replace("T", " ") for k in ("first_time", "last_time"))
        show(f"  time       {first} to {last} UTC")
    if entry["repeated_names"]:
        most = ", ".join(f"{n} ({c})" for n, c in list(entry["repeated_names"].items())[:5])
        show(f"  same name  {most}")
    if entry["repeated_positions"]:
        show(f"  same place {entry['repeated_positions']} points repeat a position")
    for name, count in entry["dropped_fields"].items():
        show(f"  unreadable {name} in {count} points; the points are kept without it")
    for word in () if entry["book"] else entry["notes"]:
        show(f"  note       {word}")
    lines = folded(entry["rejected"])
    for line in lines[:SHOWN]:
        say(f"  {line}")
    if len(lines) > SHOWN:
        say(f"  ... and {len(lines) - SHOWN} other faults; --json lists them all")


def _print_book(entry: dict[str, Any]) -> None:
    """Say what a book holds; what waits and what is private is said even where it is nothing."""
    counts = entry["counts"]
    show("  format     book: one file that remembers every trip (athwart book --help)")
    holds = [many(counts["marks"], "mark"), many(counts["sightings"], "sighting")]
    for name in ("visit", "track", "route"):
        holds += [many(counts[f"{name}s"], name)] if counts[f"{name}s"] else []
    show(f"  holds      {', '.join(holds)}")
    waiting = many(counts["waiting"], "sighting")
    todo = f": athwart book merge {entry['file']}" if counts["waiting"] else ""
    show(f"  waiting    {waiting} not merged yet{todo}")
    hidden = many(counts["private_left_out"], "private mark")
    show(f"  private    {hidden} left out here and of every export, map and table")
    show(f"  log        {many(counts['log_entries'], 'change')} (athwart book log)")
