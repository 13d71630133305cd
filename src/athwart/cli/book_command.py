"""``athwart book``: one file that remembers every trip."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from athwart.cli.common import (
    common_options,
    length,
    parse_time,
    print_json,
    read_boat,
    read_options,
    say,
    show,
    shown_units,
    write_rejected,
)
from athwart.errors import AthwartError, DataError, FileError, UsageError
from athwart.progress import Progress
from athwart.units import UnitSystem, format_length, format_position, many

if TYPE_CHECKING:
    from athwart.book.adding import Added
    from athwart.book.derive import Derived
    from athwart.book.store import Store
    from athwart.book.work import Ruled
    from athwart.contents import Contents

SHOWN = 12

COMMANDS = {
    "add": "Take files in: sightings, waypoints, tracks, picks.",
    "merge": "Fold what was added into marks.",
    "marks": "List the marks.",
    "why": "Say why a mark is where it is.",
    "edit": "Name a mark, say its kind, note or hazard, make it private.",
    "same": "Rule that two marks are one thing.",
    "apart": "Rule that two marks are different things.",
    "visit": "Note what happened at a mark.",
    "log": "List every change.",
    "undo": "Take a change back.",
    "check": "Find out whether the book is sound.",
    "backup": "Make a copy of the book.",
}


class _InOrder(click.Group):
    """Lists its commands in the order in which a season needs them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)


@click.group(
    "book",
    cls=_InOrder,
    short_help="Keep every trip in one file.",
    context_settings={"help_option_names": ["-h", "--help"]},
)
def command() -> None:
    """Keep every trip in one file, the book: a GeoPackage that any GIS opens.

    Sightings go in once and are never changed; marks are worked out from them; what you say of a
    mark stays. Every change is in the log and can be taken back.
    """


def _book(function: Callable[..., Any]) -> Callable[..., Any]:
    return click.argument("book", type=click.Path(path_type=Path), metavar="BOOK")(function)


@contextmanager
def _changing(book: Path) -> Iterator[tuple[Store, Progress]]:
    """Open a book for a change, tell what takes long, and say what was done to the file besides."""
    from athwart.book.store import open_book

    with open_book(book, write=True) as store, Progress() as told:
        store.told = told
        yield store, told
    _say_all(store.words)


def _say_all(words: list[str]) -> None:
    for word in words:
        say(f"note: {word}")


@command.command("add", short_help=COMMANDS["add"])
@_book
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE..."
)
@click.option("--track", "track_file", type=click.Path(path_type=Path), help="Track (GPX, NMEA).")
@length("--sigma", default="4m", show_default=True, help="Error per axis of a waypoint, 1 sigma.")
@click.option("--saved-at", type=click.Choice(["mark", "boat"]), default="mark")
@click.option("--in-water", is_flag=True, help="Echoes of picks are in the water.")
@click.option("--measured", is_flag=True, help="Ground ranges of picks were measured.")
@common_options("json", "boat", "trip", "tz", "date", "units", "skip_bad", "ballpark", "debug")
def add(
    book: Path,
    files: tuple[Path, ...],
    track_file: Path | None,
    boat_file: Path | None,
    sigma: float,
    saved_at: Literal["mark", "boat"],
    in_water: bool,
    measured: bool,
    as_json: bool,
    trip: str,
    time_zone: str,
    day: datetime | None,
    units: str | None,
    skip_bad: bool,
    allow_ballpark: bool,
    debug: bool,
) -> int:
    """Take files in; what the book has already is counted and not added again.

    The book is made if there is none. Picks are fixed with --boat and --track, or with the tracks
    that the book holds.

    \b
      athwart book add season.gpkg card.gpx trip-1-picks.csv --track trip-1.gpx
    """  # noqa: D301 - click wants the character itself
    from athwart.book import work
    from athwart.book.adding import SourceFile
    from athwart.book.store import create, is_book, open_book
    from athwart.formats import read
    from athwart.unchanged import unchanged

    boat = read_boat(boat_file)
    options = read_options(time_zone or boat.time_zone, day, allow_ballpark=allow_ballpark)
    if book.exists():
        open_book(book).close()  # what is wrong with it is said before anything is read
    with Progress() as told:
        order = [*([track_file] if track_file and track_file not in files else []), *files]
        contents: list[Contents] = []
        sources: list[SourceFile] = []
        for path in order:
            told(f"reading {path.name}")
            if path.exists() and book.exists() and path.samefile(book):
                raise UsageError(f"{path.name} is the book itself")
            with unchanged(path):
                found = read(path, skip_bad=skip_bad, options=options)
                sources.append(
                    SourceFile(path.name, _hash(path), path.stat().st_size, found.format)
                )
            contents.append(found)
        track = None
        if track_file is not None:
            track = contents[order.index(track_file)].tracks
            if not len(track):
                raise UsageError(f"{track_file.name} holds no track")
        if not book.exists():
            try:
                create(book)
                say(f"made the book {book.name}")
            except FileError:
                if not is_book(book):  # else another program has just made it
                    raise
    results: list[tuple[str, Added]] = []
    rejected: list[tuple[str, Any]] = []
    with _changing(book) as (store, told):
        for path, found, source in zip(order, contents, sources, strict=True):
            told(f"adding {path.name}")
            try:
                added, bad = work.add(
                    store,
                    found,
                    source,
                    trip=trip,
                    boat=boat,
                    track=track,
                    sigma_m=sigma,
                    saved_at=saved_at,
                    in_water=in_water,
                    measured=measured,
                    skip_bad=skip_bad,
                )
            except AthwartError:
                for name, before in results:
                    say(f"in the book already: {work.said_of_add(before, name)}")
                raise
            added.words[:0] = list(found.words)
            if skip_bad:
                rejected += [(path.name, row) for row in [*found.rejected, *bad]]
            elif found.rejected:  # noise in a log is normal
                said = many(len(found.rejected), "line")
                added.words.append(f"{path.name}: {said} could not be read")
            results.append((path.name, added))
        waiting = work.waiting(store)
        names = _names(store, [added for _, added in results])
    if as_json:
        print_json(
            {
                "book": book.name,
                "files": [{"file": name, **asdict(added)} for name, added in results],
                "waiting": waiting,
                "rejected": [{"file": name, "row": r} for name, r in rejected],
            }
        )
    else:
        for name, added in results:
            _say_added(name, added, names)
        if waiting:
            wait = "waits" if waiting == 1 else "wait"
            show(f"{many(waiting, 'sighting')} {wait} to be merged: athwart book merge {book.name}")
    write_rejected(rejected, book)
    return 0


def _hash(path: Path) -> str:
    from hashlib import file_digest

    with path.open("rb") as handle:
        return file_digest(handle, "sha256").hexdigest()


def _names(store: Store, done: list[Added]) -> dict[str, str]:
    """Return the names of marks that are to be spoken of."""
    import json

    marks = {m for added in done for m, *_ in (*added.moved, *added.missing)}
    with store.reading() as connection:
        return dict(
            connection.execute(
                "SELECT mark_id, coalesce(name, '') FROM marks WHERE mark_id IN "
                "(SELECT value FROM json_each(?))",
                (json.dumps(sorted(marks)),),
            ).fetchall()
        )


def _say_added(name: str, added: Added, names: Mapping[str, str]) -> None:
    from athwart.book.work import said_of_add

    _say_all(added.words)
    show(said_of_add(added, name))
    if added.recognised:
        show(f"  {many(added.recognised, 'waypoint')} known from an earlier hand-over")

    def called(mark: str) -> str:
        return f'"{names[mark]}" ({mark[:8]})' if names.get(mark) else f"mark {mark[:8]}"

    lines = [f"  {called(m)} was {way}" for m, way in added.moved]
    lines += [
        f'  mark {m[:8]} was named "{new.strip()}" on the plotter'
        + (f', it was "{old}"' if old else ", it had no name")
        for m, old, new in added.renamed
    ]
    lines += [f"  {called(m)} is not in the file; it stays in the book" for m, _ in added.missing]
    for line in lines[:SHOWN]:
        show(line)
    if len(lines) > SHOWN:
        show(f"  and {len(lines) - SHOWN} more; --json lists them all")


@command.command("merge", short_help=COMMANDS["merge"])
@_book
@click.option("--all", "whole", is_flag=True, help="Look at the whole book again.")
@click.option("--shift-trips", is_flag=True, help="Shift trips that sit off the others, for good.")
@click.option("--dry-run", is_flag=True, help="Say what would come of it, change nothing.")
@common_options("json", "units", "debug")
def merge(
    book: Path,
    whole: bool,
    shift_trips: bool,
    dry_run: bool,
    as_json: bool,
    units: str | None,
    debug: bool,
) -> int:
    """Fold what was added since the last merge into marks, and settle what it touches.

    A mark keeps its id and what you said of it for as long as any of its sightings does.
    """
    from athwart.book import work

    with _changing(book) as (store, told):
        told("merging")
        done = work.merge_book(store, whole=whole, shift_trips=shift_trips, dry_run=dry_run)
    _report(done, work.said_of_merge(done.derived), as_json, units, dry_run=dry_run)
    return 0


def _report(
    done: Ruled, sentence: str, as_json: bool, units: str | None, *, dry_run: bool = False
) -> None:
    from athwart.cli.merge_command import sentences

    derived = done.derived
    report = None if derived.merged is None else derived.merged.report
    said = [] if report is None else sentences(report, shown_units(units))
    if as_json:
        print_json(
            {
                "dry_run": dry_run,
                **_as_mapping(derived),
                "report": said,
                "notes": done.words,
            }
        )
        return
    _say_all(done.words)
    show(f"{'would be: ' if dry_run else ''}{sentence}")
    for line in said[:SHOWN]:
        show(f"- {line}")
    if len(said) > SHOWN:
        show(f"- and {len(said) - SHOWN} more lines; --json lists them all")


def _as_mapping(derived: Derived) -> Mapping[str, Any]:
    return {
        "new_sightings": derived.new_sightings,
        "looked_at": derived.looked_at,
        "new": derived.new,
        "changed": derived.changed,
        "gone": derived.gone,
        "folded": [{"mark_id": a, "into": b} for a, b in derived.folded],
    }


@command.command("marks", short_help=COMMANDS["marks"])
@_book
@click.option("--kind", "kinds", multiple=True, help="Only this kind; may be given several times.")
@click.option("--with-private", is_flag=True, help="List private marks too.")
@common_options("json", "units", "debug")
def marks(
    book: Path,
    kinds: tuple[str, ...],
    with_private: bool,
    as_json: bool,
    units: str | None,
    debug: bool,
) -> int:
    """List the marks, the most looked at first."""
    from athwart.book.reading import marks_and_sightings
    from athwart.book.store import open_book
    from athwart.plotter import importance_order, select

    with open_book(book) as store, store.reading() as connection:
        table, _, hidden = marks_and_sightings(connection, with_private=with_private)
    table = select(table, kinds=kinds)
    table = table.take(importance_order(table))
    system = shown_units(units)
    records = []
    visits = table.extra.get("visits")
    private = table.extra.get("private")
    for k in range(len(table)):
        records.append(
            {
                "mark_id": table.mark_id[k], "name": table.name[k], "kind": table.kind[k],
                "hazard": bool(table.hazard[k]), "note": table.note[k],
                "lat": table.lat[k], "lon": table.lon[k], "r95_m": table.r95_m[k],
                "depth_m": table.depth_m[k], "sightings": int(table.sightings[k]),
                "trips": int(table.trips[k]), "last_time": table.last_time[k],
                "visits": 0 if visits is None else int(visits[k]),
                "private": False if private is None else bool(private[k]),
            }
        )  # fmt: skip
    if as_json:
        print_json({"marks": records, "private_left_out": hidden})
        return 0
    for r in records:
        title = r["name"] or r["kind"] or "no name"
        tail = [r["kind"]] if r["kind"] and r["name"] else []
        tail += ["hazard"] if r["hazard"] else []
        tail += ["private"] if r["private"] else []
        tail += [many(r["visits"], "visit")] if r["visits"] else []
        show(
            f"{r['mark_id'][:8]}  {format_position(float(r['lon']), float(r['lat']))}  "
            f"R95 {format_length(float(r['r95_m']), system)}  {title}"
            f"{' (' + ', '.join(tail) + ')' if tail else ''}"
        )
    if hidden:
        say(f"note: {many(hidden, 'private mark')} left out; --with-private lists them")
    say(f"{many(len(records), 'mark')}")
    return 0


@command.command("why", short_help=COMMANDS["why"])
@_book
@click.argument("mark", metavar="MARK")
@common_options("json", "units", "debug")
def why(book: Path, mark: str, as_json: bool, units: str | None, debug: bool) -> int:
    """Say why a mark is where it is: its sightings, what each weighs, and all that was said of it.

    MARK is an id, the first letters of one, or a name.
    """
    from athwart.book.reading import find_mark, history
    from athwart.book.store import open_book

    with open_book(book) as store, store.reading() as connection:
        found = history(connection, find_mark(connection, mark))
    if as_json:
        print_json(asdict(found))
        return 0
    system = shown_units(units)
    m = found.mark
    title = " ".join(t for t in (m["name"], f"({m['kind']})" if m["kind"] else "") if t)
    show(f"{m['mark_id']}  {title or 'no name'}")
    show(f"  position   {format_position(m['lon'], m['lat'])}")
    show(f"  R95        {format_length(m['r95_m'], system)}")
    if found.also:
        show(f"  also       {', '.join(found.also)}")
    show(f"  made of    {many(len(found.sightings), 'sighting')}")
    for s in found.sightings:
        day = str(s["time"])[:16].replace("T", " ") if str(s["time"]) != "NaT" else "undated"
        again = f", fix {s['revision']}" if s["revision"] > 1 else ""
        show(
            f"    {s['sighting_id']}  {day}  weighs {100 * s['weight']:.0f} %, "
            f"{format_length(s['off_m'], system)} off towards {s['off_bearing_deg']:03.0f}, "
            f"{_trip(s, system)}{s['source']}, entry {s['entry']}{again}"
        )
    for w in found.words:
        show(f"  entry {w['entry']}: {w['field']} {w['value']!r}")
    for r in found.rulings:
        verdict = "one thing" if r["what"] == "same" else "different things"
        show(f"  entry {r['entry']}: {r['a']} and {r['b']} are {verdict}")
    for v in found.visits:
        text = ", ".join(t for t in (v["result"], v["note"]) if t)
        show(f"  visited {(v['time'] or '')[:16].replace('T', ' ')}: {text}")
    for h in found.handed_over[-3:]:
        show(f"  handed over in {h['file']} as {h['name'] or 'no name'} (entry {h['entry']})")
    return 0


def _trip(sighting: Mapping[str, Any], system: UnitSystem) -> str:
    if sighting["trip"].startswith("undated "):
        return ""
    moved = ""
    if sighting["trip_moved_m"]:
        length = format_length(sighting["trip_moved_m"], system)
        moved = f" (moved {length} towards {sighting['trip_moved_bearing_deg']:03.0f})"
    return f"trip {sighting['trip']}{moved}, "


@command.command("edit", short_help=COMMANDS["edit"])
@_book
@click.argument("mark", metavar="MARK")
@click.option("--name", help="Name.")
@click.option("--kind", help="Kind: rock, reef, ledge, wreck, timber, ...")
@click.option("--note", help="Free text; takes the place of the note.")
@click.option("--hazard/--no-hazard", default=None, help="A danger to the boat.")
@click.option(
    "--private/--public", default=None, help="Keep it out of every export, map and table."
)
@common_options("json", "units", "debug")
def edit(
    book: Path,
    mark: str,
    name: str | None,
    kind: str | None,
    note: str | None,
    hazard: bool | None,
    private: bool | None,
    as_json: bool,
    units: str | None,
    debug: bool,
) -> int:
    """Say what a mark is. It stays said, whatever is merged later."""
    from athwart.book import work

    given: dict[str, str | bool | None] = {
        "name": name, "kind": kind, "note": note, "hazard": hazard, "private": private,
    }  # fmt: skip
    values = {k: v for k, v in given.items() if v is not None}
    if not values:
        raise UsageError("say something of the mark: --name, --kind, --note, --hazard or --private")
    with _changing(book) as (store, _):
        done = work.edit(store, mark, values)
    _done(done, "noted", as_json)
    return 0


def _done(done: Ruled, sentence: str, as_json: bool) -> None:
    if as_json:
        print_json({**_as_mapping(done.derived), "notes": done.words})
        return
    _say_all(done.words)
    show(sentence)


def _ruling(what: Literal["same", "apart"]) -> Callable[..., int]:
    def ruling(book: Path, a: str, b: str, as_json: bool, units: str | None, debug: bool) -> int:
        from athwart.book import work

        with _changing(book) as (store, _):
            done = work.rule(store, what, a, b)
        count = len(done.derived.new) + len(done.derived.changed)
        verdict = "one thing" if what == "same" else "different things"
        _done(done, f"{a} and {b} are {verdict}; {many(count, 'mark')} settled anew", as_json)
        return 0

    ruling.__doc__ = {
        "same": "Rule that two marks are one thing. Your word beats statistics, for good.",
        "apart": (
            "Rule that two marks are different things. Your word beats statistics, for good.\n\n"
            "To part a mark, give two of its sightings by id (athwart book why lists them)."
        ),
    }[what]
    for decorate in (
        common_options("json", "units", "debug"),
        click.argument("b", metavar="B"),
        click.argument("a", metavar="A"),
        _book,
    ):
        ruling = decorate(ruling)
    return ruling


command.command("same", short_help=COMMANDS["same"])(_ruling("same"))
command.command("apart", short_help=COMMANDS["apart"])(_ruling("apart"))


@command.command("visit", short_help=COMMANDS["visit"])
@_book
@click.argument("mark", metavar="MARK")
@click.option("--time", "time_text", help="When, with a zone; now if not given.")
@click.option("--note", default="", help="Free text.")
@click.option("--result", default="", help="What came of it, in a word or two.")
@common_options("json", "tz", "debug")
def visit(
    book: Path,
    mark: str,
    time_text: str | None,
    note: str,
    result: str,
    as_json: bool,
    time_zone: str,
    debug: bool,
) -> int:
    """Note what happened at a mark; maps and lists show it."""
    import numpy as np

    from athwart.book import work

    if not note and not result:
        raise UsageError("say what happened: --result, --note, or both")
    moment = parse_time(time_text, time_zone) if time_text else np.datetime64("now", "us")
    with _changing(book) as (store, _):
        done = work.visit(store, mark, time=moment, note=note, result=result)
    _done(done, "noted", as_json)
    return 0


@command.command("log", short_help=COMMANDS["log"])
@_book
@common_options("json", "debug")
def log(book: Path, as_json: bool, debug: bool) -> int:
    """List every change, the latest last; athwart book undo takes one back by its number."""
    from athwart.book.log import entries
    from athwart.book.store import open_book
    from athwart.book.undo import standing

    with open_book(book) as store, store.reading() as connection:
        found = entries(connection)
    stand = set(standing(found))
    if as_json:
        print_json({"entries": [{**asdict(e), "stands": e.number in stand} for e in found]})
        return 0
    for e in found:
        gone = "" if e.number in stand or e.what == "undo" else "  (taken back)"
        show(f"{e.number:5d}  {e.time[:16].replace('T', ' ')}  {e.what:8s}  {e.sentence}{gone}")
    return 0


@command.command("undo", short_help=COMMANDS["undo"])
@_book
@click.argument("number", required=False, type=int, metavar="[N]")
@common_options("json", "debug")
def undo(book: Path, number: int | None, as_json: bool, debug: bool) -> int:
    """Take a change back whole: the last one, or entry N of the log.

    Taking back is a change too: with its number here, what it took comes back.
    """
    from athwart.book.undo import take_back

    with _changing(book) as (store, _):
        entry, words = take_back(store, number)
    if as_json:
        print_json({"taken_back": asdict(entry), "notes": words})
        return 0
    _say_all(words)
    show(f"took back entry {entry.number} ({entry.what}): {entry.sentence}")
    return 0


@command.command("check", short_help=COMMANDS["check"])
@_book
@common_options("json", "debug")
def check(book: Path, as_json: bool, debug: bool) -> int:
    """Check the file, the rules of the GeoPackage standard, and our own."""
    from athwart.book.checking import check_book

    with Progress() as told:
        told(f"checking {book.name}")
        faults = check_book(book)
    if as_json:
        print_json({"book": book.name, "sound": not faults, "faults": faults})
        return 1 if faults else 0
    if faults:
        raise DataError("\n".join(f"{book.name}: {fault}" for fault in faults))
    show(f"{book.name} is sound")
    return 0


@command.command("backup", short_help=COMMANDS["backup"])
@_book
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Copy to write.")
@common_options("json", "overwrite", "debug")
def backup(book: Path, output: Path | None, as_json: bool, overwrite: bool, debug: bool) -> int:
    """Make a copy of the book, whole and checked, also while it is in use."""
    from athwart.book.backup import back_up, backup_name

    with Progress() as told:
        told(f"copying {book.name}")
        copy = back_up(book, output or backup_name(book), overwrite=overwrite)
    if as_json:
        print_json({"book": book.name, "backup": str(copy)})
    else:
        show(f"copied to {copy.name}")
    return 0
