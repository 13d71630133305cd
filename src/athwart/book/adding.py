"""Taking files in: what is new goes into the book, what is known is counted, nothing twice.

A sighting's id says what was observed, so the same observation is known whatever the file is
called, in whatever order or company it comes. The same observation with another result (a pick
fixed with a better boat file, a note put right) is a new revision: it takes the place of the old
one, which is kept among the earlier fixes. A result that the book has had before adds nothing, nor
does one that only says less: files that other programs wrote again round and leave out.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.book.changes import Changes
from athwart.book.keys import AMONG, listed
from athwart.book.loading import members_of
from athwart.book.returned import HandedOver, Returned, recognise
from athwart.book.rows import (
    contents_of,
    line_arrays,
    line_id,
    line_of,
    point_keys,
    sighting_columns,
    table_of,
    time_texts,
)
from athwart.book.schema import columns_of
from athwart.errors import UsageError
from athwart.merge.looks import canonical
from athwart.tables import Sightings, Track, Waypoints
from athwart.units import many

__all__ = [
    "Added",
    "Recognised",
    "SourceFile",
    "add_lines",
    "add_sightings",
    "keep_names",
    "recognise_returned",
    "revise",
    "says_more",
    "sighting_rows",
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
    """Return each observation once, with all that a file's repeats of it say."""
    _, first = np.unique(sightings.sighting_id.astype(str), return_index=True)
    if len(first) == len(sightings):
        return sightings
    once = canonical(sightings)[0]
    place = dict(zip(sightings.sighting_id[::-1], range(len(sightings))[::-1], strict=True))
    return once.take(np.argsort([place[i] for i in once.sighting_id], kind="stable"))


def add_sightings(
    changes: Changes, sightings: Sightings, file: int, out: Added, trip: str = ""
) -> list[int]:
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
    trip : str
        Trip that the user gave; where known ones are of another, that is said.
    """
    if not len(sightings):
        return []
    found = _once(sightings)
    out.known += len(sightings) - len(found)
    names = columns_of("sightings")
    rows = sighting_rows(changes.connection, "sightings", found.sighting_id.tolist())
    here = {r[names.index("sighting_id")]: r for r in rows}
    fresh = np.array([i not in here for i in found.sighting_id], dtype=bool)
    fids: list[int] = []
    if fresh.any():
        fids += _insert(changes, found.take(fresh), file)
        out.new += int(fresh.sum())
    if fresh.all():
        return fids
    again = found.take(~fresh)
    now = [here[i] for i in again.sighting_id]
    new_result = says_more(again, table_of(Sightings, names, now))
    had = _had_before(changes.connection, again, new_result)
    if had:
        out.words.append(_had_words(changes.connection, had))
        new_result &= ~np.isin(again.sighting_id.astype(str), list(had))
    if trip:
        at = names.index("trip")
        other = sum((r[at] or "") != trip for r in now)
        if other:
            out.words.append(
                f"{many(other, 'sighting')} are in the book already without the trip {trip!r}; "
                "they stay in the trip that they were added with"
            )
    out.known += int((~new_result).sum())
    if new_result.any():
        rows_of = np.flatnonzero(new_result)
        old = [now[k] for k in rows_of]
        better = _with_texts(again.take(rows_of), table_of(Sightings, names, old))
        fids += revise(changes, better, old, file)
        out.revised += len(old)
    return fids


def sighting_rows(connection: sqlite3.Connection, layer: str, ids: Sequence[str]) -> list[Any]:
    """Return the rows of some sightings, in the order of their keys."""
    return connection.execute(
        f"SELECT {', '.join(columns_of(layer))} FROM {layer} WHERE sighting_id IN "
        f"{AMONG} ORDER BY fid",
        (listed(ids),),
    ).fetchall()


_DEGREE = 2.1e-7
"""What two roundings of a position to 1e-7 degree may differ by."""


def says_more(new: Sightings, old: Sightings) -> NDArray[np.bool_]:
    """Tell which results say anything that an older one of the same observation does not.

    Positions may be rounded to 1e-7 degree, variances to a thousandth, other numbers to a ten-thousandth; what is left out is no
    result. Where and in whose company it was found, and columns that ride along, do not count.
    """
    turn = np.abs((new.lon - old.lon + 180.0) % 360.0 - 180.0)
    out = turn * np.cos(np.radians(new.lat)) > _DEGREE
    out |= np.abs(new.lat - old.lat) > _DEGREE
    variance = 1e-3 * (old.var_east_m2 + old.var_north_m2) + 1e-4
    before = old.to_columns()
    for name, value in new.to_columns().items():
        had = before[name]
        if name in _PLACE or name in _NO_RESULT or value.dtype.kind == "M":
            continue
        if value.dtype == object:
            out |= (value != "") & (value != had)
        elif value.dtype.kind == "b":
            out |= value & ~had
        elif value.dtype.kind == "f":
            margin = variance if name in _OF_POSITION else 1e-4 * np.abs(had) + 1e-4
            with np.errstate(invalid="ignore"):
                out |= np.isfinite(value) & ~(np.abs(value - had) <= margin)
    return np.asarray(out, dtype=np.bool_)


_PLACE = {"lon", "lat", "antenna_lon", "antenna_lat"}
_NO_RESULT = {"sighting_id", "trip", "source", "source_row"}
_OF_POSITION = {"var_east_m2", "var_north_m2", "cov_east_north_m2"}


def _had_before(
    connection: sqlite3.Connection, again: Sightings, new_result: NDArray[np.bool_]
) -> dict[str, int]:
    """Return which of some results stand among the earlier fixes, and which entry replaced them."""
    asked = again.take(np.flatnonzero(new_result))
    if not len(asked):
        return {}
    names = columns_of("earlier_fixes")
    rows = sighting_rows(connection, "earlier_fixes", asked.sighting_id.tolist())
    if not rows:
        return {}
    earlier = table_of(Sightings, names, rows)
    row = {i: k for k, i in enumerate(asked.sighting_id.tolist())}
    same = ~says_more(asked.take(np.array([row[i] for i in earlier.sighting_id])), earlier)
    entries = dict(
        connection.execute(
            f"SELECT sighting_id, entry FROM sightings WHERE sighting_id IN {AMONG}",
            (listed(earlier.sighting_id[same].tolist()),),
        ).fetchall()
    )
    return {i: int(e) for i, e in entries.items()}


def _had_words(connection: sqlite3.Connection, had: dict[str, int]) -> str:
    numbers = ", ".join(map(str, sorted(set(had.values()))))
    return (
        f"{many(len(had), 'sighting')} had this result before a later one took its place; the "
        f"later one stays, and can be taken back by its log entry {numbers}"
    )


def _with_texts(new: Sightings, old: Sightings) -> Sightings:
    """Return better results with the words of the old ones where they have none."""
    changed: dict[str, Any] = {}
    for name in ("kind", "note", "links"):
        value, had = getattr(new, name), getattr(old, name)
        changed[name] = np.where(value == "", had, value).astype(object)
    return new.with_columns(**changed, hazard=new.hazard | old.hazard)


def _insert(changes: Changes, sightings: Sightings, file: int) -> list[int]:
    count = len(sightings)
    columns: dict[str, Sequence[Any]] = {
        **sighting_columns(sightings),
        "revision": [1] * count,
        "file": [file] * count,
        "entry": [changes.entry] * count,
    }
    return list(changes.insert("sightings", columns))


def revise(
    changes: Changes,
    sightings: Sightings,
    old: Sequence[Any],
    file: int,
    *,
    keep_extra: bool = True,
) -> list[int]:
    """Put a new result in a sighting's place, under the same key; the old one is kept aside.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    sightings : Sightings
        New results, under the ids of the old ones.
    old : sequence of tuple
        Rows of the book, from `sighting_rows`, in the same order.
    file : int
        Key of the file that the new results are of.
    keep_extra : bool
        Keep columns that rode along with the old result and that the new one lacks.

    Returns
    -------
    list of int
        Their keys.
    """
    names = columns_of("sightings")
    at = {n: k for k, n in enumerate(names)}
    fids = [int(r[at["fid"]]) for r in old]
    changes.insert("earlier_fixes", {n: [r[k] for r in old] for n, k in at.items() if n != "fid"})
    changes.delete("sightings", fids)
    columns = {
        "fid": fids,
        **sighting_columns(sightings),
        "revision": [r[at["revision"]] + 1 for r in old],
        "file": [file] * len(fids),
        "entry": [changes.entry] * len(fids),
    }
    columns["trip"] = [r[at["trip"]] for r in old]  # whose company it was in does not change
    if keep_extra:
        columns["extra"] = [
            _joined_extra(e, r[at["extra"]]) for e, r in zip(columns["extra"], old, strict=True)
        ]
        columns["content"] = contents_of(sightings, columns["extra"]).tolist()
    changes.insert_keyed("sightings", columns)
    return fids


def _joined_extra(new: str | None, old: str | None) -> str | None:
    if not old:
        return new
    both = {**json.loads(old), **(json.loads(new) if new else {})}
    return json.dumps(both, ensure_ascii=False, sort_keys=True)


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
    known = dict(connection.execute(f"SELECT line_id, fid FROM {layer}").fetchall())
    starts: dict[str, list[tuple[int, int, str]]] = {}  # key, points, id
    for first, fid, points, name in connection.execute(
        f"SELECT first_point, fid, points, line_id FROM {layer}"
    ):
        starts.setdefault(first, []).append((fid, points, name))
    for piece in _pieces(track):
        keys = point_keys(piece)
        name = line_id(keys)
        if name in known:
            shorter = {known[name]: 0}
        elif _held_by_longer(connection, layer, keys):
            out.known_lines += 1
            continue
        else:
            shorter = {
                fid: k
                for k, key in enumerate(keys)
                for fid, points, old in starts.get(key.hex(), ())
                if points < len(keys) and line_id(keys[k : k + points]) == old
            }
        piece, more = _with_columns_of(connection, layer, piece, shorter)
        if name in known and not more:
            out.known_lines += 1
            continue
        changes.delete(layer, sorted(shorter))
        fid = _insert_line(changes, layer, piece, keys, name, source, file)
        known[name] = fid
        kept = [s for s in starts.get(keys[0].hex(), []) if s[2] != name]
        starts[keys[0].hex()] = [*kept, (fid, len(keys), name)]
        out.lines += 1


def _with_columns_of(
    connection: sqlite3.Connection, layer: str, piece: Track, shorter: dict[int, int]
) -> tuple[Track, bool]:
    """Fill what a line lacks from shorter runs of the same points, so that nothing of them is lost.

    Parameters
    ----------
    shorter : dict of int to int
        Key of each and the point of the line at which it begins.

    Returns
    -------
    Track
        The line.
    bool
        It says something that none of them says.
    """
    columns: dict[str, Any] = {
        n: v for n, v in piece.to_columns().items() if n not in _LINE_NUMBERS
    }
    extra: dict[str, Any] = dict(piece.extra)
    more = not shorter
    for fid, start in sorted(shorter.items()):
        blob, called = connection.execute(
            f"SELECT arrays, name FROM {layer} WHERE fid = ?", (fid,)
        ).fetchone()
        old = line_of(blob, called or "", "", 0)
        part = slice(start, start + len(old))
        for own, theirs in ((columns, old.to_columns()), (extra, old.extra)):
            for name in [n for n in theirs if n not in _LINE_NUMBERS]:
                had = theirs[name]
                value = own.get(name)
                if value is None:
                    value = np.full(len(piece), np.nan if had.dtype.kind in "fiub" else "", object)
                    value = value.astype(np.float64) if had.dtype.kind in "fiub" else value
                blank, had_blank = _blank(value[part]), _blank(had)
                more |= bool((had_blank & ~blank).any())
                if (blank & ~had_blank).any():
                    value = value.copy()
                    value[part] = np.where(blank, had, value[part])
                own[name] = value
            more |= any(not _blank(own[n][part]).all() for n in set(own) - set(theirs))
    fixed = {n: getattr(piece, n) for n in _LINE_NUMBERS}
    return Track.from_columns({**columns, **fixed}, extra=extra), more


_LINE_NUMBERS = ("line", "segment", "source")


def _blank(values: NDArray[Any]) -> NDArray[np.bool_]:
    if values.dtype.kind == "f":
        return np.asarray(np.isnan(values))
    if values.dtype.kind == "M":
        return np.asarray(np.isnat(values))
    if values.dtype.kind == "O":
        return np.array([v is None or v == "" or v != v for v in values], dtype=np.bool_)
    return np.zeros(len(values), dtype=np.bool_)


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


def keep_names(changes: Changes, renamed: Sequence[tuple[str, str, str]]) -> list[int]:
    """Keep names that the user typed on the plotter as the user's words; return whose they are.

    A name that was a word of the mark before is not said again: the same file, read once more,
    must not undo a later word.

    Parameters
    ----------
    renamed : sequence of (str, str, str)
        Mark, name written, name typed.

    Returns
    -------
    list of int
        Keys of the sightings of marks that have a new name.
    """
    connection = changes.connection
    said = set(
        connection.execute(
            f"SELECT mark_id, value FROM words WHERE field = 'name' AND mark_id IN {AMONG}",
            (listed(m for m, _, _ in renamed),),
        ).fetchall()
    )
    new = [(m, typed.strip()) for m, _, typed in renamed if (m, typed.strip()) not in said]
    if not new:
        return []
    changes.insert(
        "words",
        {
            "mark_id": [m for m, _ in new],
            "field": ["name"] * len(new),
            "value": [typed for _, typed in new],
            "entry": [changes.entry] * len(new),
        },
    )
    return members_of(connection, [m for m, _ in new])


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
