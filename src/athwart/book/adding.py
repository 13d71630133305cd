"""Taking files in: what is new goes into the book, what is known is counted, nothing twice.

A sighting's id says what was observed, so the same observation is known whatever the file is
called, in whatever order or company it comes. The same observation with another result (a pick
fixed with a better boat file, a note put right) is a new revision: it takes the place of the old
one, which is kept among the earlier fixes. A result that the book has had before adds nothing.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from athwart.book.changes import Changes
from athwart.book.derive import members_of
from athwart.book.returned import HandedOver, Returned, recognise
from athwart.book.rows import (
    contents_of,
    line_arrays,
    line_id,
    line_of,
    point_keys,
    sighting_columns,
    time_texts,
)
from athwart.errors import UsageError
from athwart.tables import Sightings, Track, Waypoints

__all__ = [
    "Added",
    "Recognised",
    "SourceFile",
    "add_lines",
    "add_sightings",
    "recognise_returned",
    "tie_moved",
]


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file as it was found.

    Parameters
    ----------
    name : str
        Last part of its path.
    sha256 : str
        Hash of its bytes, in hexadecimal.
    size : int
        Bytes.
    format : str
        Name of the format.
    """

    name: str
    sha256: str
    size: int
    format: str


@dataclass(slots=True)
class Added:
    """What adding one file did.

    Parameters
    ----------
    new, known, revised : int
        Sightings that are new, were in the book already, or have a new result.
    lines, known_lines : int
        Tracks and routes, piece by piece.
    recognised : int
        Waypoints that are marks handed over before.
    moved, missing, renamed : list
        What the user did on the plotter: mark and what to say of it.
    words : list of str
        What the user should know.
    """

    new: int = 0
    known: int = 0
    revised: int = 0
    lines: int = 0
    known_lines: int = 0
    recognised: int = 0
    moved: list[tuple[str, str]] = field(default_factory=list)
    missing: list[tuple[str, str]] = field(default_factory=list)
    renamed: list[tuple[str, str, str]] = field(default_factory=list)
    words: list[str] = field(default_factory=list)


def _once(sightings: Sightings) -> Sightings:
    _, first = np.unique(sightings.sighting_id.astype(str), return_index=True)
    if len(first) == len(sightings):
        return sightings
    return sightings.take(np.sort(first))


def add_sightings(changes: Changes, sightings: Sightings, file: int, out: Added) -> list[int]:
    """Add sightings that the book does not have; return the keys of all that are new or revised.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    sightings : Sightings
        Of one file.
    file : int
        Key of that file.
    out : Added
        Counted here.
    """
    if not len(sightings):
        return []
    found = _once(sightings)
    out.known += len(sightings) - len(found)
    connection = changes.connection
    asked = json.dumps(found.sighting_id.tolist())
    here: dict[str, tuple[int, int, str]] = {
        i: (fid, revision, content)
        for i, fid, revision, content in connection.execute(
            "SELECT sighting_id, fid, revision, content FROM sightings WHERE sighting_id IN "
            "(SELECT value FROM json_each(?))",
            (asked,),
        )
    }
    fresh = np.array([i not in here for i in found.sighting_id], dtype=bool)
    fids: list[int] = []
    if fresh.any():
        fids += _insert(changes, found.take(fresh), file)
        out.new += int(fresh.sum())
    if fresh.all():
        return fids
    again = found.take(~fresh)
    content = contents_of(again)
    had = {
        (i, c)
        for i, c in connection.execute(
            "SELECT sighting_id, content FROM earlier_fixes WHERE sighting_id IN "
            "(SELECT value FROM json_each(?))",
            (asked,),
        )
    }
    new_result = np.array(
        [
            c != here[i][2] and (i, c) not in had
            for i, c in zip(again.sighting_id, content, strict=True)
        ],
        dtype=bool,
    )
    out.known += int((~new_result).sum())
    if new_result.any():
        fids += _revise(changes, again.take(new_result), here, file)
        out.revised += int(new_result.sum())
    return fids


def _insert(changes: Changes, sightings: Sightings, file: int) -> list[int]:
    count = len(sightings)
    columns: dict[str, Sequence[Any]] = {
        **sighting_columns(sightings),
        "revision": [1] * count,
        "file": [file] * count,
        "entry": [changes.entry] * count,
    }
    return list(changes.insert("sightings", columns))


def _revise(
    changes: Changes, sightings: Sightings, here: dict[str, tuple[int, int, str]], file: int
) -> list[int]:
    """Put a new result in a sighting's place, under the same key; the old one is kept aside."""
    old = [here[i] for i in sightings.sighting_id]
    fids = [fid for fid, _, _ in old]
    names = [
        n for n, *_ in changes.connection.execute("SELECT name FROM pragma_table_info('sightings')")
    ]
    rows = {row[0]: row for row in changes.rows("sightings", fids, names)}
    ordered = [rows[f] for f in fids]
    kept = {n: [r[k] for r in ordered] for k, n in enumerate(names) if n != "fid"}
    changes.insert("earlier_fixes", kept)
    changes.delete("sightings", fids)
    columns = {
        "fid": fids,
        **sighting_columns(sightings),
        "revision": [revision + 1 for _, revision, _ in old],
        "file": [file] * len(fids),
        "entry": [changes.entry] * len(fids),
    }
    trips = names.index("trip")
    columns["trip"] = [r[trips] for r in ordered]  # whose company it was in does not change
    changes.insert_keyed("sightings", columns)
    return fids


# -- tracks and routes --------------------------------------------------------------------------


def add_lines(
    changes: Changes, layer: str, track: Track, source: SourceFile, file: int, out: Added
) -> None:
    """Add tracks or routes piece by piece; a longer run of the same points takes a shorter's place.

    Parameters
    ----------
    layer : {"tracks", "routes"}
        Where to.
    """
    if not len(track):
        return
    connection = changes.connection
    known = {r[0] for r in connection.execute(f"SELECT line_id FROM {layer}")}
    starts: dict[str, list[tuple[int, int, str]]] = {}
    for first, fid, points, name in connection.execute(
        f"SELECT first_point, fid, points, line_id FROM {layer}"
    ):
        starts.setdefault(first, []).append((fid, points, name))
    for piece in _pieces(track):
        keys = point_keys(piece)
        name = line_id(keys)
        if name in known or _held_by_longer(connection, layer, keys):
            out.known_lines += 1
            continue
        shorter = [
            fid
            for k, key in enumerate(keys)
            for fid, points, old in starts.get(key.hex(), ())
            if points < len(keys) and line_id(keys[k : k + points]) == old
        ]
        changes.delete(layer, sorted(set(shorter)))
        fid = _insert_line(changes, layer, piece, keys, name, source, file)
        known.add(name)
        starts.setdefault(keys[0].hex(), []).append((fid, len(keys), name))
        out.lines += 1


def _pieces(track: Track) -> list[Track]:
    ends = np.flatnonzero(np.diff(track.segment) != 0) + 1
    return [
        track.take(np.arange(a, b)) for a, b in zip([0, *ends], [*ends, len(track)], strict=True)
    ]


def _held_by_longer(connection: sqlite3.Connection, layer: str, keys: Sequence[bytes]) -> bool:
    first = np.frombuffer(keys[0], "<i8")[:2] / 1e7
    margin = 1e-4
    candidates = connection.execute(
        f"SELECT t.arrays FROM rtree_{layer}_geom AS r JOIN {layer} AS t ON t.fid = r.id "
        "WHERE r.minx <= ? AND r.maxx >= ? AND r.miny <= ? AND r.maxy >= ? AND t.points > ?",
        (first[0] + margin, first[0] - margin, first[1] + margin, first[1] - margin, len(keys)),
    )
    for (arrays,) in candidates:
        longer = point_keys(line_of(arrays, "", "", 0))
        for k in range(len(longer) - len(keys) + 1):
            if longer[k] == keys[0] and longer[k : k + len(keys)] == list(keys):
                return True
    return False


def _insert_line(
    changes: Changes,
    layer: str,
    piece: Track,
    keys: Sequence[bytes],
    name: str,
    source: SourceFile,
    file: int,
) -> int:
    from athwart.book.blobs import line_blob

    dated = piece.time[~np.isnat(piece.time)]
    ends = time_texts(np.array([dated.min(), dated.max()])) if len(dated) else [None, None]
    fids = changes.insert(
        layer,
        {
            "geom": [line_blob(piece.lon, piece.lat)],
            "line_id": [name],
            "name": [piece.name[0] or None],
            "first_time": [ends[0]],
            "last_time": [ends[1]],
            "points": [len(piece)],
            "first_point": [keys[0].hex()],
            "arrays": [line_arrays(piece)],
            "source": [source.name],
            "file": [file],
            "entry": [changes.entry],
        },
    )
    return fids[0]


# -- what comes back from a plotter -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recognised:
    """What a file of waypoints is of what was handed over.

    Parameters
    ----------
    returned : Returned
        Verdict on each waypoint; marks by the ids that they have now.
    missing : list of (str, str)
        Marks, with their names there, of the files that came back, which the file lacks.
    """

    returned: Returned
    missing: list[tuple[str, str]]


def recognise_returned(connection: sqlite3.Connection, waypoints: Waypoints) -> Recognised | None:
    """Recognise waypoints that were handed over before; None where none of them were.

    Marks that are no more (their sightings were taken back) are not looked for.
    """
    rows = connection.execute(
        "SELECT mark_id, name, lon, lat, entry, file FROM handed_over ORDER BY fid"
    ).fetchall()
    if not rows or not len(waypoints):
        return None
    live = {r[0] for r in connection.execute("SELECT mark_id FROM marks_as_written")}
    leads = dict(connection.execute("SELECT mark_id, folded_into FROM retired").fetchall())
    now: dict[str, str] = {}
    for mark_id in {r[0] for r in rows}:
        here, steps = mark_id, 0
        while here in leads and here not in live and steps <= len(leads):
            here, steps = leads[here], steps + 1
        if here in live:
            now[mark_id] = here
    rows = [r for r in rows if r[0] in now]
    if not rows:
        return None
    files = {key: k + 1 for k, key in enumerate(dict.fromkeys((r[4], r[5]) for r in rows))}
    ids = [now[r[0]] for r in rows]
    number = [files[r[4], r[5]] for r in rows]
    names = [r[1] or "" for r in rows]
    handed = HandedOver(
        mark_id=np.array(ids, dtype=object),
        name=np.array(names, dtype=object),
        lon=np.array([r[2] for r in rows], np.float64),
        lat=np.array([r[3] for r in rows], np.float64),
        export=np.array(number, np.int64),
    )
    back = recognise(handed, waypoints.lon, waypoints.lat, waypoints.name)
    if not back.export:
        return None
    # A plotter may put several files of one hand-over together, or give back one of them.
    seen = set(back.mark_id.tolist()) - {""}
    entry = next(e for (e, _), k in files.items() if k == back.export)
    held: dict[int, dict[str, str]] = {}
    for mark_id, name, k, row in zip(ids, names, number, rows, strict=True):
        if row[4] == entry:
            held.setdefault(k, {})[mark_id] = name
    missing = {
        m: n
        for marks in held.values()
        if not seen.isdisjoint(marks)
        for m, n in marks.items()
        if m not in seen
    }
    return Recognised(back, sorted(missing.items()))


def tie_moved(changes: Changes, moved: Sequence[tuple[str, str]]) -> None:
    """Rule that sightings are of some marks: where the user moved a mark to.

    Parameters
    ----------
    moved : sequence of (str, str)
        Mark and sighting, by id.
    """
    connection = changes.connection
    pairs: list[tuple[str, str]] = []
    for mark_id, sighting_id in moved:
        try:
            members = members_of(connection, [mark_id])
        except UsageError:  # the mark has been taken back since; the sighting stands alone
            continue
        first = connection.execute(
            "SELECT sighting_id FROM sightings WHERE fid = ?", (min(members),)
        ).fetchone()[0]
        pairs.append((first, sighting_id))
    if pairs:
        changes.insert(
            "rulings",
            {
                "what": ["same"] * len(pairs),
                "a": [a for a, _ in pairs],
                "b": [b for _, b in pairs],
                "entry": [changes.entry] * len(pairs),
            },
        )
