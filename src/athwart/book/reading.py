"""A book as a source of data: what every command that takes files gets of it."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from athwart.book.keys import AMONG, listed
from athwart.book.loading import pending
from athwart.book.rows import line_of, table_of
from athwart.book.said import resolve
from athwart.book.schema import columns_of
from athwart.book.store import open_book
from athwart.book.trips import Trips
from athwart.contents import Contents
from athwart.errors import UsageError
from athwart.tables import Marks, Sightings, Track
from athwart.units import many

__all__ = ["MarkHistory", "find_mark", "history", "marks_and_sightings", "read_book"]

_LEAST_PREFIX = 4


def read_book(path: Path, *, with_private: bool = False) -> Contents:
    """Return what a book holds.

    Parameters
    ----------
    path : pathlib.Path
        The book.
    with_private : bool
        Take the private marks and their sightings too.

    Returns
    -------
    Contents
        Marks with the columns ``visits`` and, if asked for, ``private``; the sightings of marks;
        tracks and routes. Sightings that were not merged yet are counted in ``words``.
    """
    with open_book(path) as store, store.reading() as connection:
        marks, sightings, hidden = marks_and_sightings(connection, with_private=with_private)
        waiting = len(pending(connection))
        tracks, routes = _lines(connection, "tracks"), _lines(connection, "routes")
        visits = int(marks.extra["visits"].sum()) if "visits" in marks.extra else 0
        log_entries = connection.execute("SELECT count(*) FROM log").fetchone()[0]
    words = []
    if hidden:
        words.append(f"{many(hidden, 'private mark')} left out, as nothing asked for them")
    if waiting:
        words.append(
            f"{many(waiting, 'sighting')} not merged yet; merge the book first to have them"
        )
    return Contents(
        source=path.name,
        format="book",
        marks=marks,
        sightings=sightings,
        tracks=tracks,
        routes=routes,
        counts={
            "marks": len(marks),
            "sightings": len(sightings),
            "waiting": waiting,
            "visits": visits,
            "private_left_out": hidden,
            "log_entries": log_entries,
            "tracks": len(np.unique(tracks.segment)),
            "track_points": len(tracks),
            "routes": len(np.unique(routes.segment)),
            "route_points": len(routes),
            "waypoints": 0,
        },
        words=tuple(words),
        settled=True,
    )


def marks_and_sightings(
    connection: sqlite3.Connection, *, with_private: bool = False
) -> tuple[Marks, Sightings, int]:
    """Return the marks, their sightings, and how many private marks were left out."""
    hidden = connection.execute("SELECT count(*) FROM marks WHERE private = 1").fetchone()[0]
    only = "" if with_private else "WHERE private IS NOT 1"
    names = columns_of("marks")
    rows = connection.execute(
        f"SELECT {', '.join(names)} FROM marks {only} ORDER BY fid"
    ).fetchall()
    marks = table_of(Marks, names, rows)
    if len(marks):
        members: dict[int, list[str]] = {}
        for mark, sighting_id in connection.execute(
            "SELECT m.mark, s.sighting_id FROM members AS m JOIN sightings AS s ON s.fid = m.fid "
            "ORDER BY m.mark, s.time_us IS NULL, s.time_us, s.sighting_id"
        ):
            members.setdefault(mark, []).append(sighting_id)
        ids = np.array([" ".join(members.get(r[0], ())) for r in rows], dtype=object)
        extra: dict[str, Any] = {}
        visits = np.array([r[names.index("visits")] or 0 for r in rows], np.int64)
        if visits.any():
            extra["visits"] = visits
            extra["last_visit"] = _last_visits(connection, marks)
        if with_private:
            extra["private"] = np.array([bool(r[names.index("private")]) for r in rows])
        marks = Marks(**{**marks.to_columns(), "sighting_ids": ids}, extra=extra)
    sightings = _sightings(connection, with_private)
    return marks, sightings, 0 if with_private else int(hidden)


def _last_visits(connection: sqlite3.Connection, marks: Marks) -> np.ndarray[Any, Any]:
    last: dict[str, str] = {}
    for mark_id, time, note, result in connection.execute(
        "SELECT mark_id, time, note, result FROM visits ORDER BY time_us, fid"
    ):
        said = ", ".join(t for t in (result, note) if t)
        last[resolve(connection, mark_id)] = f"{(time or '')[:10]} {said}".strip()
    out = np.empty(len(marks), dtype=object)
    out[:] = [last.get(i, "") for i in marks.mark_id]
    return out


def _sightings(connection: sqlite3.Connection, with_private: bool) -> Sightings:
    names = [n for n in columns_of("sightings") if n not in ("fid", "content", "revision", "file")]
    names.remove("entry")
    only = "" if with_private else "WHERE k.private IS NOT 1"
    rows = connection.execute(
        f"SELECT s.{', s.'.join(names)}, m.trip FROM sightings AS s "
        f"JOIN members AS m ON m.fid = s.fid JOIN marks AS k ON k.fid = m.mark {only} "
        "ORDER BY s.fid"
    ).fetchall()
    sightings = table_of(Sightings, names, [r[:-1] for r in rows])
    if not len(sightings):
        return sightings
    trips = np.empty(len(rows), dtype=object)
    trips[:] = Trips(connection).names([r[-1] for r in rows], sightings.sighting_id.tolist())
    return sightings.with_columns(trip=trips)


def _lines(connection: sqlite3.Connection, layer: str) -> Track:
    rows = connection.execute(
        f"SELECT arrays, name, source FROM {layer} ORDER BY first_time, fid"
    ).fetchall()
    return Track.concat(
        [line_of(a, name or "", source or "", k) for k, (a, name, source) in enumerate(rows)]
    )


def find_mark(connection: sqlite3.Connection, text: str) -> str:
    """Return the id of the mark that a text means: an id, the first letters of one, or a name.

    Raises
    ------
    UsageError
        No mark, or several, are meant.
    """
    live = resolve(connection, text)
    if connection.execute("SELECT 1 FROM marks WHERE mark_id = ?", (live,)).fetchone():
        return live
    rows = connection.execute(
        "SELECT mark_id, name FROM marks WHERE lower(name) = lower(?)", (text,)
    ).fetchall()
    if not rows and len(text) >= _LEAST_PREFIX:
        rows = connection.execute(
            "SELECT mark_id, name FROM marks WHERE substr(mark_id, 1, ?) = ?", (len(text), text)
        ).fetchall()
    if len(rows) == 1:
        return str(rows[0][0])
    if rows:
        ids = ", ".join(r[0] for r in rows[:5])
        raise UsageError(f"{text!r} could be {len(rows)} marks; give one of their ids: {ids}")
    raise UsageError(
        f"there is no mark {text!r}; give its name, or the first letters of its id",
        code="mark-unknown",
    )


@dataclass(frozen=True, slots=True)
class MarkHistory:
    """Why a mark is where it is.

    Parameters
    ----------
    mark : dict
        The mark as it stands.
    sightings : list of dict
        Each with its place, what it weighs, how far and where it lies from the mark, the file
        that it came from, and earlier fixes of it.
    words, rulings, visits, handed_over : list of dict
        What was said, ruled and done, and into which files it went.
    also : list of str
        Ids of marks that were folded into it.
    """

    mark: dict[str, Any]
    sightings: list[dict[str, Any]]
    words: list[dict[str, Any]]
    rulings: list[dict[str, Any]]
    visits: list[dict[str, Any]]
    handed_over: list[dict[str, Any]]
    also: list[str]


def history(connection: sqlite3.Connection, mark_id: str) -> MarkHistory:
    """Return everything that the book knows of one mark.

    The weight of a sighting is its part in the position, the mean of east and north, by the full
    joint covariance: own errors, what a trip's sightings share and what a boat's do. Weights sum
    to 1; one may be below 0. Residuals are from the mark to the sighting as it was merged: where the
    user had its trip moved, from where that puts it (``trip_moved_m`` is 0 for all others).
    """
    from athwart.book.said import EDITABLE, ids_behind
    from athwart.geometry.geodesic import displace, inverse

    names = columns_of("marks")
    row = connection.execute(
        f"SELECT {', '.join(names)} FROM marks WHERE mark_id = ?", (mark_id,)
    ).fetchone()
    table = table_of(Marks, names, [row])
    ids = list(ids_behind(connection, mark_id))
    keys = listed(ids)
    s_names = columns_of("sightings")
    rows = connection.execute(
        f"SELECT s.{', s.'.join(s_names)} FROM sightings AS s JOIN members AS m ON m.fid = s.fid "
        "WHERE m.mark = ? ORDER BY s.time_us IS NULL, s.time_us, s.sighting_id",
        (row[0],),
    ).fetchall()
    sightings = table_of(Sightings, s_names, rows)
    sightings = sightings.with_columns(trip=_trip_names(connection, row[0], sightings))
    weight = _weights(sightings)
    shifts = Trips(connection).shifts()
    east, north = np.array([shifts.get(t, (0.0, 0.0)) for t in sightings.trip]).reshape(-1, 2).T
    lon, lat = displace(sightings.lon, sightings.lat, -east, -north)
    start = np.full(len(sightings), table.lon[0]), np.full(len(sightings), table.lat[0])
    bearing, distance = inverse(*start, lon, lat)
    entries = [r[s_names.index("entry")] for r in rows]
    revisions = [r[s_names.index("revision")] for r in rows]
    records = [
        {
            "sighting_id": sightings.sighting_id[k],
            "time": sightings.time[k],
            "name": sightings.name[k],
            "kind": sightings.kind[k],
            "note": sightings.note[k],
            "trip": sightings.trip[k],
            "lon": float(sightings.lon[k]),
            "lat": float(sightings.lat[k]),
            "weight": float(weight[k]),
            "off_m": float(distance[k]),
            "off_bearing_deg": float(bearing[k] % 360.0),
            "trip_moved_m": float(np.hypot(east[k], north[k])),
            "trip_moved_bearing_deg": float(np.degrees(np.arctan2(-east[k], -north[k])) % 360.0),
            "source": f"{sightings.source[k]}:{sightings.source_row[k]}",
            "entry": entries[k],
            "revision": revisions[k],
        }
        for k in range(len(sightings))
    ]

    def asked(sql: str, columns: tuple[str, ...], keys: str) -> list[dict[str, Any]]:
        return [dict(zip(columns, r, strict=True)) for r in connection.execute(sql, (keys,))]

    members = listed(sightings.sighting_id.tolist())
    return MarkHistory(
        mark={n: v for n, v in zip(names, row, strict=True) if n not in ("fid", "geom")}
        | {"lon": float(table.lon[0]), "lat": float(table.lat[0])},
        sightings=records,
        words=asked(
            f"SELECT field, value, entry FROM words WHERE mark_id IN {AMONG} AND field IN "
            f"{EDITABLE} ORDER BY fid",
            ("field", "value", "entry"),
            keys,
        ),
        rulings=asked(
            f"SELECT what, a, b, entry FROM rulings WHERE a IN {AMONG} OR b IN {AMONG} ORDER BY fid",
            ("what", "a", "b", "entry"),
            members,
        ),
        visits=asked(
            f"SELECT time, result, note, entry FROM visits WHERE mark_id IN {AMONG} "
            "ORDER BY time_us, fid",
            ("time", "result", "note", "entry"),
            keys,
        ),
        handed_over=asked(
            f"SELECT file, name, entry FROM handed_over WHERE mark_id IN {AMONG} ORDER BY fid",
            ("file", "name", "entry"),
            keys,
        ),
        also=[i for i in ids if i != mark_id],
    )


def _trip_names(connection: sqlite3.Connection, mark: int, sightings: Sightings) -> Any:
    trip_of = dict(
        connection.execute(
            "SELECT s.sighting_id, m.trip FROM members AS m JOIN sightings AS s ON s.fid = m.fid "
            "WHERE m.mark = ?",
            (mark,),
        ).fetchall()
    )
    ids = sightings.sighting_id.tolist()
    out = np.empty(len(ids), dtype=object)
    out[:] = Trips(connection).names([trip_of.get(i) for i in ids], ids)
    return out


def _weights(s: Sightings) -> np.ndarray[Any, Any]:
    """Return each sighting's part in the best linear mean of correlated looks (Aitken 1935)."""
    n = len(s)
    shared = np.nan_to_num(s.shared_sigma_m)
    boat = np.nan_to_num(s.boat_sigma_m)
    common = np.where(s.trip[:, None] == s.trip[None, :], np.outer(shared, shared), 0.0)
    common = common + np.where(s.boat[:, None] == s.boat[None, :], np.outer(boat, boat), 0.0)
    joint = np.zeros((2 * n, 2 * n))
    joint[:n, :n] = common + np.diag(s.var_east_m2)
    joint[n:, n:] = common + np.diag(s.var_north_m2)
    joint[:n, n:] = joint[n:, :n] = np.diag(s.cov_east_north_m2)
    design = np.zeros((2 * n, 2))
    design[:n, 0] = design[n:, 1] = 1.0
    solved = np.linalg.solve(joint, design)
    gain = np.linalg.solve(design.T @ solved, solved.T)
    return (gain[0, :n] + gain[1, n:]) / 2.0


def find_sightings(connection: sqlite3.Connection, text: str) -> list[str]:
    """Return the ids of the sightings that a text means: a mark's, or one sighting by its id.

    Raises
    ------
    UsageError
        Nothing, or several marks, are meant.
    """
    if len(text) >= _LEAST_PREFIX:
        rows = connection.execute(
            "SELECT sighting_id FROM sightings WHERE substr(sighting_id, 1, ?) = ?",
            (len(text), text),
        ).fetchall()
        is_mark = connection.execute(
            "SELECT 1 FROM marks WHERE substr(mark_id, 1, ?) = ?", (len(text), text)
        ).fetchone()
        if len(rows) == 1 and not is_mark:
            return [str(rows[0][0])]
    mark_id = find_mark(connection, text)
    return [
        str(r[0])
        for r in connection.execute(
            "SELECT s.sighting_id FROM sightings AS s JOIN members AS m ON m.fid = s.fid "
            "JOIN marks AS k ON k.fid = m.mark WHERE k.mark_id = ? ORDER BY s.fid",
            (mark_id,),
        )
    ]
