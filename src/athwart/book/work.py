"""What a user does with a book: each function is one change, whole or not at all.

Every function takes an open `Store`, writes one entry of the log (and one more for edits that
were made in another program meanwhile) and returns what happened.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from athwart.boat import Boat
from athwart.book.adding import (
    Added,
    SourceFile,
    add_lines,
    add_sightings,
    keep_names,
    recognise_returned,
    tie_moved,
)
from athwart.book.changes import Changes
from athwart.book.corrections import Before, put_right, under_first_ids
from athwart.book.derive import Derived, derive
from athwart.book.drawn import Drawn, PictureFacts, Shape, add_picture, add_shapes
from athwart.book.keys import AMONG, listed
from athwart.book.loading import members_of, pending
from athwart.book.log import new_entry
from athwart.book.outside import take_in_edits
from athwart.book.reading import find_mark, find_sightings
from athwart.book.rows import line_of, time_texts
from athwart.book.said import EDITABLE, keep_words
from athwart.book.store import Store
from athwart.book.trips import alone
from athwart.contents import Contents
from athwart.errors import BadRow, TableError, UsageError
from athwart.fix import fix
from athwart.tables import Marks, Sightings, Track, Waypoints
from athwart.units import many
from athwart.waypoints import marks_as_waypoints, to_sightings

__all__ = [
    "PictureWork",
    "Ruled",
    "add",
    "add_picture_work",
    "edit",
    "hand_over",
    "merge_book",
    "rule",
    "take_in",
    "tracks_at",
    "visit",
]


@dataclass(slots=True)
class Ruled:
    """What a change did besides, in sentences, and what came of the marks."""

    words: list[str] = field(default_factory=list)
    derived: Derived = field(default_factory=Derived)


@dataclass(frozen=True, slots=True)
class PictureWork:
    """What saving the work on a picture did.

    Parameters
    ----------
    added : Added
        What was new, known and put right of the sightings.
    sighting_ids : list of str
        The id of each sighting in the book.
    drawn : Drawn
        The same of lines and areas.
    """

    added: Added
    sighting_ids: list[str]
    drawn: Drawn


def add(
    store: Store,
    contents: Contents,
    source: SourceFile,
    *,
    trip: str = "",
    boat: Boat | None = None,
    track: Track | None = None,
    sigma_m: float = 4.0,
    saved_at: Literal["mark", "boat"] = "mark",
    in_water: bool = False,
    measured: bool = False,
    skip_bad: bool = False,
) -> tuple[Added, list[BadRow]]:
    """Take one file in.

    Parameters
    ----------
    store : Store
        Opened for writing.
    contents : Contents
        What the file holds.
    source : SourceFile
        The file itself.
    trip : str
        Name of the outing for what names none.
    boat : Boat, optional
        For picks.
    track : Track, optional
        For picks without a position; else the tracks of the book at that time serve.
    sigma_m, saved_at
        Error of waypoints, see `athwart.waypoints.to_sightings`.
    in_water, measured, skip_bad
        For picks, see `athwart.fix.fix`.

    Returns
    -------
    Added
        What was new and what was known.
    list of BadRow
        Picks that could not be fixed, if ``skip_bad``.

    Raises
    ------
    TableError
        Picks that cannot be fixed, unless ``skip_bad``.
    """
    out = Added()
    with store.writing() as connection:
        out.words += take_in_edits(connection)
        sightings, rejected = _picked(
            connection, contents, boat, track, in_water, measured, skip_bad, out
        )
        waypoints, moved = _waypoints(connection, contents, out)
        saved = to_sightings(waypoints, sigma_m=sigma_m, saved_at=saved_at)
        saved, moved = _not_moved_before(connection, saved, moved, out)
        parts = [sightings, _trips_left_open(contents.sightings), saved]
        found = Sightings.concat([p for p in parts if len(p)])
        if trip and len(found):
            given = np.where(found.trip == "", trip, found.trip).astype(object)
            found = found.with_columns(trip=given)
        with new_entry(connection, "add", source.name) as draft:
            changes = draft.changes
            file = changes.next_fid("files")
            add_sightings(changes, found, file, out, trip)
            if moved:
                tie_moved(changes, [(m, str(saved.sighting_id[k])) for k, m in moved.items()])
            named = keep_names(changes, out.renamed)
            if named:
                derive(changes, changed=named, take_in=False)
            add_lines(changes, "tracks", contents.tracks, source, file, out)
            add_lines(changes, "routes", contents.routes, source, file, out)
            _keep_file(changes, source, out)
            draft.sentence = said_of_add(out, source.name)
            if named:
                draft.sentence += f"; {many(len(out.renamed), 'mark')} named as on the plotter"
    return out, rejected


def add_picture_work(
    store: Store,
    sightings: Sightings,
    shapes: Sequence[Shape],
    picture: PictureFacts,
    source: SourceFile,
    *,
    before: Sequence[Before | None] = (),
    shapes_before: Sequence[str] = (),
) -> PictureWork:
    """Take in what was picked and drawn on one picture; the same again adds nothing.

    What was saved before is put right, see `athwart.book.corrections`.

    Parameters
    ----------
    store : Store
        Opened for writing.
    sightings : Sightings
        What ``fix(picks, method="picture")`` gave, with the picture's hash and pixels in ``extra``.
    shapes : sequence of Shape
        Lines and areas.
    picture : PictureFacts
        Which picture it was, and how its screen was laid out.
    source : SourceFile
        The picture's file.
    before : sequence of (Before or None)
        How each sighting was saved before; none of them was if left out.
    shapes_before : sequence of str
        The id that each shape was saved under, nothing for a new one.

    Returns
    -------
    PictureWork

    Raises
    ------
    UsageError
        Two of them were saved as one, or one was saved on another picture.
    """
    out = Added()
    with store.writing() as connection:
        out.words += take_in_edits(connection)
        sightings, known = under_first_ids(
            connection, sightings, list(before) or [None] * len(sightings)
        )
        first = np.array([b is None for b in known], dtype=bool)
        with new_entry(connection, "add", source.name) as draft:
            changes = draft.changes
            file = changes.next_fid("files")
            add_sightings(changes, sightings.take(np.flatnonzero(first)), file, out)
            again = sightings.take(np.flatnonzero(~first))
            spoken = put_right(changes, again, [b for b in known if b is not None], file, out)
            drawn = add_shapes(changes, shapes, source.name, file, shapes_before)
            if spoken:
                derive(changes, changed=members_of(connection, spoken), take_in=False)
            if changes:
                add_picture(changes, picture, file)
            _keep_file(changes, source, out)
            draft.sentence = said_of_add(out, source.name)
            if drawn.new:
                draft.sentence += f"; {Drawn.count(drawn.new)} drawn"
            if drawn.changed:
                draft.sentence += f"; {Drawn.count(drawn.changed)} put right"
    return PictureWork(out, sightings.sighting_id.tolist(), drawn)


def tracks_at(store: Store, first: np.datetime64, last: np.datetime64) -> Track | None:
    """Return the tracks of a book that cover any of the time between two moments, or None."""
    with store.reading() as connection:
        return _tracks_at(connection, np.array([first, last], "datetime64[us]"))


def _keep_file(changes: Changes, source: SourceFile, out: Added) -> None:
    """Note the file, unless nothing of it was new."""
    if not changes:
        return
    changes.insert(
        "files",
        {
            "name": [source.name],
            "sha256": [source.sha256],
            "bytes": [source.size],
            "format": [source.format],
            "added": [out.new + out.revised],
            "known": [out.known + out.recognised],
            "entry": [changes.entry],
        },
    )


def said_of_add(out: Added, name: str) -> str:
    """Return what adding a file did, in one sentence."""
    parts = [f"{many(out.new, 'new sighting')}"] if out.new else []
    if out.revised:
        parts.append(f"{many(out.revised, 'sighting')} with a new result")
    if out.lines:
        parts.append(f"{many(out.lines, 'new line')} of tracks and routes")
    known = out.known + out.recognised + out.known_lines
    text = f"{name}: {', '.join(parts)}" if parts else f"{name}: nothing new"
    return f"{text}; {known} known already" if known else text


def _picked(
    connection: sqlite3.Connection,
    contents: Contents,
    boat: Boat | None,
    track: Track | None,
    in_water: bool,
    measured: bool,
    skip_bad: bool,
    out: Added,
) -> tuple[Sightings, list[BadRow]]:
    picks = contents.picks
    if not len(picks):
        return Sightings.empty(), []
    if track is None and np.isnan(picks.lon).any():
        track = _tracks_at(connection, picks.time)
        if track is not None:
            out.words.append("positions of the boat come from the tracks of the book")
    fixed = fix(
        picks,
        track=track,
        boat=boat,
        in_water=in_water,
        measured=measured,
        source=contents.source,
        skip_bad=True,
    )
    if fixed.rejected and not skip_bad:
        raise TableError(contents.source, fixed.rejected)
    out.words += fixed.words
    return fixed.sightings, list(fixed.rejected)


def _tracks_at(connection: sqlite3.Connection, times: Any) -> Track | None:
    """Return the tracks of the book that cover any of some times."""
    dated = times[~np.isnat(times)]
    if not len(dated):
        return None
    day = np.timedelta64(1, "D")
    first, last = time_texts(np.array([dated.min() - day, dated.max() + day]))
    rows = connection.execute(
        "SELECT arrays, name, source FROM tracks WHERE last_time >= ? AND first_time <= ? "
        "ORDER BY first_time, fid",
        (first, last),
    ).fetchall()
    if not rows:
        return None
    return Track.concat([line_of(a, n or "", s or "", k) for k, (a, n, s) in enumerate(rows)])


def _waypoints(
    connection: sqlite3.Connection, contents: Contents, out: Added
) -> tuple[Waypoints, dict[int, str]]:
    """Return the waypoints that are sightings, and which of them are marks that the user moved."""
    waypoints = contents.waypoints
    if len(contents.marks) and not len(contents.sightings):
        out.words.append(
            f"{contents.source} holds marks without their sightings; they are taken as waypoints"
        )
        waypoints = Waypoints.concat(
            [waypoints, marks_as_waypoints(contents.marks, contents.source)]
        )
    result = recognise_returned(connection, waypoints)
    if result is None:
        return waypoints, {}
    back = result.returned
    out.words += list(back.doubtful)
    verdict = back.verdict
    out.recognised += int(np.isin(verdict.astype(str), ["known", "repeated"]).sum())
    out.missing += result.missing
    out.renamed += list(back.renamed)
    keep = np.flatnonzero(np.isin(verdict.astype(str), ["moved", "new"]))
    taken = waypoints.take(keep)
    moved: dict[int, str] = {}
    notes = taken.note.copy()
    plain = taken.name.copy()
    for k, row in enumerate(keep.tolist()):
        if verdict[row] != "moved":
            continue
        mark = str(back.mark_id[row])
        way = (
            f"moved on the plotter, {back.moved_m[row]:.0f} m towards "
            f"{back.moved_bearing_deg[row] % 360:03.0f}"
        )
        notes[k] = f"{notes[k]}\n{way}".strip()
        plain[k] = ""  # the plotter's cut name is no name that a person gave
        moved[k] = mark
        out.moved.append((mark, way))
    return taken.with_columns(note=notes, name=plain), moved


def _not_moved_before(
    connection: sqlite3.Connection, saved: Sightings, moved: dict[int, str], out: Added
) -> tuple[Sightings, dict[int, str]]:
    """Leave out what the user moved and the book took in before: the note would be worded anew."""
    ids = {str(saved.sighting_id[k]): k for k in moved}
    known = {
        ids[r[0]]
        for r in connection.execute(
            f"SELECT sighting_id FROM sightings WHERE sighting_id IN {AMONG}",
            (listed(ids),),
        )
    }
    if not known:
        return saved, moved
    out.recognised += len(known)
    gone = {moved[k] for k in known}
    out.moved = [m for m in out.moved if m[0] not in gone]
    left = [k for k in range(len(saved)) if k not in known]
    number = {k: n for n, k in enumerate(left)}
    return saved.take(np.array(left, dtype=np.int64)), {
        number[k]: m for k, m in moved.items() if k in number
    }


def _trips_left_open(sightings: Sightings) -> Sightings:
    """Take away the names that merging gave to trips that nobody named: the book finds its own."""
    if not len(sightings):
        return sightings
    trip = sightings.trip.copy()
    for k, (name, ident) in enumerate(zip(trip.tolist(), sightings.sighting_id, strict=True)):
        if name == alone(ident) or (_RUN.fullmatch(name) and not np.isnat(sightings.time[k])):
            trip[k] = ""
    return sightings.with_columns(trip=trip)


_RUN = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d ?")


def merge_book(
    store: Store, *, whole: bool = False, shift_trips: bool = False, dry_run: bool = False
) -> Ruled:
    """Fold what was added since the last merge into marks.

    Parameters
    ----------
    store : Store
        Opened for writing.
    whole : bool
        Look at everything again, and weigh every trip anew.
    shift_trips : bool
        Shift trips that sit off the others, now and in later merges.
    dry_run : bool
        Say what would come of it and change nothing.
    """
    out = Ruled()
    try:
        with store.writing() as connection:
            out.words += take_in_edits(connection)
            with new_entry(connection, "merge") as draft:
                out.derived = derive(draft.changes, whole=whole, shift_trips=shift_trips)
                draft.sentence = said_of_merge(out.derived)
            if dry_run:
                raise _Propose
    except _Propose:
        pass
    return out


class _Propose(Exception):  # noqa: N818 - not an error: it leaves a transaction undone
    pass


def said_of_merge(derived: Derived) -> str:
    """Return what a merge did, in one sentence."""
    if derived.merged is None:
        return "nothing had changed"
    parts = [many(derived.new_sightings, "new sighting")]
    if derived.new:
        parts.append(many(len(derived.new), "new mark"))
    if derived.changed:
        parts.append(f"{many(len(derived.changed), 'mark')} settled anew")
    if derived.folded:
        parts.append(f"{many(len(derived.folded), 'mark')} folded into another")
    for name, what in (("private", "private"), ("hazard", "a hazard")):
        some = len({m for m, n in derived.inherited if n == name})
        if some:
            parts.append(
                f"{many(some, 'mark')} now {what} for sightings that came from such a mark"
            )
    return ", ".join(parts)


def rule(store: Store, what: Literal["same", "apart"], a: str, b: str) -> Ruled:
    """Keep the user's ruling that two marks, or two sightings, are one thing or different things.

    Parameters
    ----------
    store : Store
        Opened for writing.
    what : {"same", "apart"}
        The ruling; it takes the place of an older one that says otherwise.
    a, b : str
        Marks or sightings: ids, the first letters of ids, or names of marks.

    Raises
    ------
    UsageError
        One of them is not there, or they are the same one.
    """
    out = Ruled()
    with store.writing() as connection:
        out.words += take_in_edits(connection)
        ours, theirs = find_sightings(connection, a), find_sightings(connection, b)
        if set(ours) & set(theirs):
            ours, theirs = _two_of_one(connection, what, a, b)
        with new_entry(connection, what) as draft:
            changes = draft.changes
            _overrule(changes, what, ours, theirs)
            pairs = _pairs(what, ours, theirs)
            changes.insert(
                "rulings",
                {
                    "what": [what] * len(pairs),
                    "a": [p[0] for p in pairs],
                    "b": [p[1] for p in pairs],
                    "entry": [changes.entry] * len(pairs),
                },
            )
            fids = _fids(connection, {*ours, *theirs})
            out.derived = derive(changes, changed=fids, take_in=False)
            words = "one thing" if what == "same" else "different things"
            draft.sentence = f"{a} and {b} are {words}"
    return out


def _two_of_one(
    connection: sqlite3.Connection, what: str, a: str, b: str
) -> tuple[list[str], list[str]]:
    """Return two sightings of one mark, where the user wants it parted."""
    found = []
    for text in (a, b):
        rows = connection.execute(
            "SELECT sighting_id FROM sightings WHERE substr(sighting_id, 1, ?) = ?",
            (len(text), text),
        ).fetchall()
        found.append([str(r[0]) for r in rows])
    if what == "same":
        raise UsageError(f"{a} and {b} are one mark already")
    if a == b or len(found[0]) != 1 or len(found[1]) != 1:
        raise UsageError(
            f"{a} and {b} are the same mark; to part it, give the ids of two of its sightings",
            code="sightings-of-one-mark",
        )
    return found[0], found[1]


def _pairs(what: str, ours: Sequence[str], theirs: Sequence[str]) -> list[tuple[str, str]]:
    """Return the pairs that a ruling stands for.

    "Same" ties every sighting to the first, so that none drops out of the fold. "Apart" holds
    every sighting of the one against every one of the other, so that none of them ever meet; where
    that would be very many, against the first of the other, so that none goes over.
    """
    if what == "same":
        rest = [*ours[1:], *theirs]
        return [(ours[0], i) for i in rest]
    if len(ours) * len(theirs) <= _MOST_PAIRS:
        return [(a, b) for a in ours for b in theirs]
    pairs = [(i, theirs[0]) for i in ours] + [(ours[0], i) for i in theirs[1:]]
    return list(dict.fromkeys(pairs))


_MOST_PAIRS = 20_000


def _overrule(changes: Changes, what: str, ours: Sequence[str], theirs: Sequence[str]) -> None:
    """Take away older rulings that say the opposite."""
    connection = changes.connection
    rows = connection.execute("SELECT fid, what, a, b FROM rulings ORDER BY fid").fetchall()
    one, other = set(ours), set(theirs)
    if what == "same":
        # What older rulings made one with either side is ruled about as well.
        ties = [(a, b) for _, kind, a, b in rows if kind == "same"]
        one, other = _tied_to(ties, one), _tied_to(ties, other)
        one, other = one | other, one | other
        against = [
            fid
            for fid, kind, a, b in rows
            if kind == "apart" and ((a in one and b in other) or (a in other and b in one))
        ]
        changes.delete("rulings", against)
        return
    same = [(fid, a, b) for fid, kind, a, b in rows if kind == "same"]
    # A chain of "same" that leads from one to the other is cut where the latest ruling made it.
    while True:
        path = _chain(same, one, other)
        if path is None:
            return
        last = max(path)
        changes.delete("rulings", [last])
        same = [s for s in same if s[0] != last]


def _tied_to(ties: Sequence[tuple[str, str]], start: set[str]) -> set[str]:
    """Return sightings and all that "same" ties to them, over any number of steps."""
    links: dict[str, list[str]] = {}
    for a, b in ties:
        links.setdefault(a, []).append(b)
        links.setdefault(b, []).append(a)
    out, front = set(start), list(start)
    while front:
        for there in links.get(front.pop(), ()):
            if there not in out:
                out.add(there)
                front.append(there)
    return out


def _chain(
    same: Sequence[tuple[int, str, str]], start: set[str], end: set[str]
) -> list[int] | None:
    """Return the rulings of a chain between two sets of sightings, or None."""
    links: dict[str, list[tuple[str, int]]] = {}
    for fid, a, b in same:
        links.setdefault(a, []).append((b, fid))
        links.setdefault(b, []).append((a, fid))
    came: dict[str, tuple[str, int] | None] = dict.fromkeys(sorted(start))
    front = sorted(start)
    while front:
        here = front.pop(0)
        if here in end:
            path = []
            step = came[here]
            while step is not None:
                path.append(step[1])
                step = came[step[0]]
            return path
        for there, fid in links.get(here, ()):
            if there not in came:
                came[there] = (here, fid)
                front.append(there)
    return None


def _fids(connection: sqlite3.Connection, ids: Iterable[str]) -> list[int]:
    return [
        int(r[0])
        for r in connection.execute(
            f"SELECT fid FROM sightings WHERE sighting_id IN {AMONG}",
            (listed(sorted(ids)),),
        )
    ]


def edit(store: Store, mark: str, values: dict[str, str | bool]) -> Ruled:
    """Keep what the user says of a mark.

    Parameters
    ----------
    store : Store
        Opened for writing.
    mark : str
        Id, first letters of one, or name.
    values : dict
        ``name``, ``kind``, ``note`` (text), ``hazard``, ``private`` (bool).

    Raises
    ------
    UsageError
        No such mark, or nothing to say.
    """
    unknown = set(values) - set(EDITABLE)
    if unknown or not values:
        raise UsageError(f"say one of {', '.join(EDITABLE)} of the mark")
    out = Ruled()
    with store.writing() as connection:
        out.words += take_in_edits(connection)
        mark_id = find_mark(connection, mark)
        with new_entry(connection, "edit") as draft:
            changes = draft.changes
            keep_words(changes, mark_id, values)
            out.derived = derive(changes, changed=members_of(connection, [mark_id]), take_in=False)
            said = ", ".join(
                f"{n} {'yes' if v else 'no'}" if isinstance(v, bool) else f"{n} {v!r}"
                for n, v in values.items()
            )
            draft.sentence = f"{_called(connection, mark_id)}: {said}"
    return out


def _called(connection: sqlite3.Connection, mark_id: str) -> str:
    """Return what to call a mark in a sentence: its name, if it has one, and the start of its id."""
    row = connection.execute("SELECT name FROM marks WHERE mark_id = ?", (mark_id,)).fetchone()
    return f"{row[0]} ({mark_id[:8]})" if row and row[0] else f"mark {mark_id[:8]}"


def visit(
    store: Store,
    mark: str,
    *,
    time: np.datetime64,
    note: str = "",
    result: str = "",
) -> Ruled:
    """Keep what happened at a mark.

    Raises
    ------
    UsageError
        No such mark.
    """
    out = Ruled()
    with store.writing() as connection:
        out.words += take_in_edits(connection)
        mark_id = find_mark(connection, mark)
        with new_entry(connection, "visit") as draft:
            changes = draft.changes
            moment = np.array([time], "datetime64[us]")
            changes.insert(
                "visits",
                {
                    "mark_id": [mark_id],
                    "time": time_texts(moment),
                    "time_us": [int(moment.astype(np.int64)[0])],
                    "note": [note or None],
                    "result": [result or None],
                    "entry": [changes.entry],
                },
            )
            out.derived = derive(changes, changed=members_of(connection, [mark_id]), take_in=False)
            said = ", ".join(t for t in (result, note) if t)
            called = _called(connection, mark_id)
            draft.sentence = f"{called} visited{': ' if said else ''}{said}"
    return out


def take_in(store: Store) -> list[str]:
    """Take in what was edited in another program, and nothing else; say what it was."""
    with store.writing() as connection:
        return take_in_edits(connection)


def hand_over(
    store: Store,
    written: Sequence[tuple[str, Marks]],
    true_ids: Mapping[str, str] | None = None,
) -> int:
    """Remember what was written for a plotter.

    Parameters
    ----------
    store : Store
        Opened for writing.
    written : sequence of (str, Marks)
        Name of each file and the marks as they stand in it.
    true_ids : mapping of str to str, optional
        The book's id of marks that have another one in the file, because they were blurred.

    Returns
    -------
    int
        How many marks.
    """
    known = true_ids or {}
    with store.writing() as connection:
        take_in_edits(connection)
        name = ", ".join(n for n, _ in written)
        with new_entry(connection, "export", name) as draft:
            changes = draft.changes
            count = 0
            for file, marks in written:
                count += len(marks)
                changes.insert(
                    "handed_over",
                    {
                        "mark_id": [known.get(i, i) for i in marks.mark_id.tolist()],
                        "name": [n or None for n in marks.name.tolist()],
                        "lon": marks.lon.tolist(),
                        "lat": marks.lat.tolist(),
                        "file": [file] * len(marks),
                        "entry": [changes.entry] * len(marks),
                    },
                )
            draft.sentence = f"{many(count, 'mark')} handed over in {name}"
    return count


def waiting(store: Store) -> int:
    """Return how many sightings wait to be merged."""
    with store.reading() as connection:
        return len(pending(connection))
