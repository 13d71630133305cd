"""Edits made on the marks layer in another program, such as a GIS, taken as the user's word.

The book knows how it left the marks. What differs when it is next changed was edited elsewhere:
a name, kind, hazard, note or privacy becomes the user's word; a mark that was dragged becomes a
new sighting of it; a row that was drawn becomes a new sighting; a row that was deleted is put back
and reported, because nothing is ever lost.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

import numpy as np

from athwart.book.adding import Added, add_sightings, tie_moved
from athwart.book.blobs import points_of
from athwart.book.changes import Changes
from athwart.book.derive import derive
from athwart.book.log import new_entry
from athwart.book.said import EDITABLE, past_of
from athwart.book.settling import put_back
from athwart.geometry.geodesic import inverse
from athwart.tables import Sightings, Waypoints
from athwart.units import many
from athwart.waypoints import to_sightings

__all__ = ["take_in_edits"]

_SAME_PLACE_M = 0.01
"""Below this a place was rewritten, not moved."""


def take_in_edits(connection: sqlite3.Connection) -> list[str]:
    """Take in what was edited elsewhere, as an entry of the log; say what it was.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a writing transaction.
    """
    differ = " OR ".join(f"m.{n} IS NOT w.{n}" for n in ("mark_id", *EDITABLE))
    names = ("mark_id", *EDITABLE)
    edited = connection.execute(
        f"SELECT m.fid, {', '.join(f'm.{n}' for n in names)}, m.geom, "
        f"{', '.join(f'w.{n}' for n in names)}, w.place "
        "FROM marks AS m JOIN marks_as_written AS w ON w.fid = m.fid "
        f"WHERE {differ} OR m.geom IS NOT w.place ORDER BY m.fid"
    ).fetchall()
    # Rows come and go under keys of their own, so equal sums of keys are equal rows.
    keys = [
        connection.execute(
            f"SELECT count(*), sum(fid), max(fid) FROM {t} INDEXED BY {t}_mark_id"
        ).fetchall()
        for t in ("marks", "marks_as_written")
    ]
    if not edited and keys[0] == keys[1]:
        return []
    drawn = connection.execute(
        f"SELECT m.fid, {', '.join(f'm.{n}' for n in EDITABLE)}, m.geom FROM marks AS m "
        "LEFT JOIN marks_as_written AS w ON w.fid = m.fid WHERE w.fid IS NULL ORDER BY m.fid"
    ).fetchall()
    deleted = connection.execute(
        "SELECT w.fid, w.mark_id, w.name, w.place FROM marks_as_written AS w "
        "LEFT JOIN marks AS m ON m.fid = w.fid WHERE m.fid IS NULL ORDER BY w.fid"
    ).fetchall()
    if not (edited or drawn or deleted):
        return []
    words: list[str] = []
    if deleted:
        words.append(_put_back(connection, deleted))
    with new_entry(connection, "outside") as draft:
        changes = draft.changes
        parts = [*_edits(changes, edited), *_drawn(changes, drawn)]
        draft.sentence = f"edited in another program: {', '.join(parts)}" if parts else ""
        if parts:
            words.append(draft.sentence)
    return words


def _put_back(connection: sqlite3.Connection, rows: Sequence[tuple[Any, ...]]) -> str:
    """Put deleted marks back as they were; that is no change of the book, so it is not logged."""
    put_back(Changes(connection, 0), [fid for fid, *_ in rows])
    names = ", ".join(name or mark_id for _, mark_id, name, _ in rows[:5])
    return (
        f"{many(len(rows), 'mark')} had been deleted in another program and stand again ({names}"
        f"{', ...' if len(rows) > 5 else ''}); to keep a mark out of every export, make it private"
    )


def _edits(changes: Changes, rows: Sequence[tuple[Any, ...]]) -> list[str]:
    connection = changes.connection
    n = len(EDITABLE) + 1
    said: dict[str, list[Any]] = {"mark_id": [], "field": [], "value": []}
    moved: list[tuple[str, str, bytes, bytes]] = []
    for row in rows:
        fid, new, geom, old, place = row[0], row[1 : n + 1], row[n + 1], row[n + 2 : -1], row[-1]
        mark_id = old[0]
        for name, here, there in zip(EDITABLE, new[1:], old[1:], strict=True):
            value, old_value = (_as_word(name, v) for v in (here, there))
            if value != old_value:
                said["mark_id"].append(mark_id)
                said["field"].append(name)
                said["value"].append(value)
        fields = [f for m, f in zip(said["mark_id"], said["field"], strict=True) if m == mark_id]
        for name, past in past_of(connection, mark_id, fields).items():
            said["mark_id"].append(mark_id)
            said["field"].append(name)
            said["value"].append(past)
        if geom is not None and geom != place:
            moved.append((mark_id, old[1] or "", geom, place))
        # The row goes back to how it was left, so that taking this entry back is exact.
        connection.execute(
            f"UPDATE marks SET mark_id = ?, {', '.join(f'{c} = ?' for c in EDITABLE)}, geom = ? "
            "WHERE fid = ?",
            (*old, place, fid),
        )
    parts: list[str] = []
    if said["mark_id"]:
        count = len(said["mark_id"])
        changes.insert("words", {**said, "entry": [changes.entry] * count})
        parts.append(f"{many(len(set(said['mark_id'])), 'mark')} described anew")
    far = _moved(changes, moved)
    if far:
        parts.append(f"{many(far, 'mark')} moved")
    marks = [*said["mark_id"], *(m for m, *_ in moved)]
    again = [
        int(r[0])
        for mark_id in dict.fromkeys(marks)
        for r in connection.execute(
            "SELECT m.fid FROM members AS m JOIN marks AS k ON k.fid = m.mark WHERE k.mark_id = ?",
            (mark_id,),
        )
    ]
    if again:
        derive(changes, changed=again, take_in=False)
    return parts


def _as_word(name: str, value: Any) -> str:
    """Return a value as a word keeps it; a program may write an empty text for none."""
    return str(int(bool(value))) if name in ("hazard", "private") else str(value or "")


def _moved(changes: Changes, moved: Sequence[tuple[str, str, bytes, bytes]]) -> int:
    if not moved:
        return 0
    lon, lat = points_of([geom for _, _, geom, _ in moved])
    old_lon, old_lat = points_of([place for *_, place in moved])
    bearing, distance = inverse(old_lon, old_lat, lon, lat)
    far = np.flatnonzero(distance > _SAME_PLACE_M)
    if not far.size:
        return 0
    notes = np.array(
        [f"moved by hand, {distance[k]:.0f} m towards {bearing[k] % 360:03.0f}" for k in far],
        dtype=object,
    )
    sightings = to_sightings(
        Waypoints.from_columns(
            {"lon": lon[far], "lat": lat[far], "time": _moment(changes), "note": notes}
        )
    )
    add_sightings(changes, sightings, 0, Added())
    tie_moved(
        changes,
        [(moved[k][0], i) for k, i in zip(far.tolist(), sightings.sighting_id, strict=True)],
    )
    return len(far)


def _drawn(changes: Changes, rows: Sequence[tuple[Any, ...]]) -> list[str]:
    placed = [r for r in rows if r[-1] is not None]
    changes.connection.executemany("DELETE FROM marks WHERE fid = ?", [(r[0],) for r in rows])
    parts = []
    if placed:
        lon, lat = points_of([r[-1] for r in placed])
        values: dict[str, Any] = {"lon": lon, "lat": lat, "time": _moment(changes)}
        for k, name in enumerate(("name", "kind", "hazard", "note")):
            values[name] = np.array(
                [bool(r[k + 1]) if name == "hazard" else str(r[k + 1] or "") for r in placed],
                dtype=bool if name == "hazard" else object,
            )
        extra: dict[str, Any] = {}
        if any(r[5] for r in placed):  # what is drawn private is never seen otherwise
            extra["private"] = np.array([1.0 if r[5] else np.nan for r in placed])
        sightings: Sightings = to_sightings(Waypoints.from_columns(values, extra=extra))
        add_sightings(changes, sightings, 0, Added())
        parts.append(f"{many(len(placed), 'mark')} drawn, taken as new sightings")
    if len(placed) < len(rows):
        parts.append(f"{many(len(rows) - len(placed), 'row')} without a place left out")
    return parts


def _moment(changes: Changes) -> np.datetime64:
    """Return the time for what was edited: now, or the next second that no sighting has.

    A place and a time make a sighting's id. Where the clock stands or was set back, what is put to the
    same place a second time would be taken for known.
    """
    moment = _now()
    taken = "SELECT 1 FROM sightings WHERE time_us = ? LIMIT 1"
    while changes.connection.execute(taken, (int(moment.astype(np.int64)),)).fetchone():
        moment += np.timedelta64(1, "s")
    return moment


def _now() -> np.datetime64:
    return np.datetime64("now", "us")
