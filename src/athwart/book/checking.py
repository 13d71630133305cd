"""Whether a book is sound: the file, the standard's rules, and our own.

Our own rules: every sighting is as it was seen (its content still has its hash), in one mark at
most; every mark has sightings and lies where they put it; ids lead somewhere; the log is whole.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from athwart.book.loading import pending
from athwart.book.log import entries, way_back_of
from athwart.book.reading import marks_and_sightings
from athwart.book.rows import contents_of, line_id, line_of, point_keys, table_of
from athwart.book.schema import TABLES, columns_of
from athwart.book.standard import gdal_says, standard_faults
from athwart.book.store import open_book
from athwart.errors import AthwartError
from athwart.geometry.geodesic import inverse
from athwart.tables import Sightings
from athwart.units import many

__all__ = ["check_book", "dump"]

_NEAR_M = 0.01
"""A mark alone lies on its sighting within so much; marks of several lie among them."""


def check_book(path: Path) -> list[str]:
    """Return every fault of a book as a sentence; nothing for a sound one.

    Raises
    ------
    FileError
        The file is no book, or cannot be opened.
    """
    with open_book(path) as store:
        faults = standard_faults(store.connection)
        if any("malformed" in f or "not a database" in f for f in faults):
            return faults
        try:
            with store.reading() as connection:
                faults += list(_own(connection))
        except AthwartError as error:
            faults.append(str(error))
    return faults + gdal_says(path)


def _own(connection: sqlite3.Connection) -> Iterator[str]:
    here = {r[0] for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    missing = [t.name for t in TABLES if t.name not in here]
    if missing:
        yield f"tables are missing: {', '.join(missing)}"
        return
    yield from _sightings(connection)
    yield from _counted(connection)
    yield from _marks(connection)
    yield from _lines(connection)
    yield from _log(connection)


def _sightings(connection: sqlite3.Connection) -> Iterator[str]:
    names = columns_of("sightings")
    for layer in ("sightings", "earlier_fixes"):
        rows = connection.execute(f"SELECT {', '.join(names)} FROM {layer} ORDER BY fid").fetchall()
        if not rows:
            continue
        placeless = [r for r in rows if r[1] is None]
        if placeless:
            yield f"{many(len(placeless), 'row')} of {layer} have no place"
        rows = [r for r in rows if r[1] is not None]
        table = table_of(Sightings, names, rows)
        extra = [r[names.index("extra")] for r in rows]
        kept = [r[names.index("content")] for r in rows]
        changed = contents_of(table, extra) != np.array(kept, dtype=object)
        if changed.any():
            some = ", ".join(table.sighting_id[changed][:5])
            yield (
                f"{many(int(changed.sum()), 'sighting')} of {layer} were changed by another "
                f"program ({some}); go back to a backup, sightings are never changed"
            )


_ENDS = "SELECT mark_id FROM marks_as_written UNION SELECT mark_id FROM retired"
_COUNTED = (
    (
        "sighting", "stand twice in the layer sightings",
        "SELECT 1 FROM sightings GROUP BY sighting_id HAVING count(*) > 1",
    ),
    (
        "row", "of members name a sighting that is not there",
        "SELECT 1 FROM members AS m LEFT JOIN sightings AS s ON s.fid = m.fid WHERE s.fid IS NULL",
    ),
    (
        "row", "of members name a mark that is not there",
        "SELECT 1 FROM members AS m LEFT JOIN marks_as_written AS k ON k.fid = m.mark "
        "WHERE k.fid IS NULL",
    ),
    (
        "row", "of members name a trip that is not there",
        "SELECT 1 FROM members AS m LEFT JOIN trips AS t ON t.fid = m.trip "
        "WHERE m.trip IS NOT NULL AND t.fid IS NULL",
    ),
    (
        "id", "belong to two marks",
        "SELECT 1 FROM marks_as_written GROUP BY mark_id HAVING count(*) > 1",
    ),
    (
        "mark", "have no sighting",
        "SELECT 1 FROM marks_as_written AS k WHERE NOT EXISTS "
        "(SELECT 1 FROM members AS m WHERE m.mark = k.fid)",
    ),
    (
        "ruling", "name a sighting that is not there",
        "SELECT 1 FROM rulings WHERE a NOT IN (SELECT sighting_id FROM sightings) "
        "OR b NOT IN (SELECT sighting_id FROM sightings)",
    ),
    *(
        (
            "row", f"of {table} are about a mark that is not there",
            f"SELECT 1 FROM {table} WHERE mark_id NOT IN ({_ENDS})",
        )
        for table in ("words", "visits")
    ),
    (
        "retired id", "lead nowhere",
        f"SELECT 1 FROM retired WHERE folded_into NOT IN ({_ENDS}) OR mark_id = folded_into",
    ),
)  # fmt: skip
"""What there may be none of: its name, what is wrong with it, and the question that finds it."""


def _counted(connection: sqlite3.Connection) -> Iterator[str]:
    for name, wrong, question in _COUNTED:
        count = connection.execute(f"SELECT count(*) FROM ({question})").fetchone()[0]
        if count:
            yield f"{many(count, name)} {wrong}"


def _marks(connection: sqlite3.Connection) -> Iterator[str]:
    marks, sightings, _ = marks_and_sightings(connection, with_private=True)
    if not len(marks) or not len(sightings):
        return
    row = dict(zip(sightings.sighting_id.tolist(), range(len(sightings)), strict=True))
    alone = [
        (k, row[i])
        for k, i in enumerate(marks.sighting_ids.tolist())
        if i in row  # one id alone
    ]
    shifted = connection.execute("SELECT 1 FROM trips WHERE shift_east_m IS NOT NULL").fetchone()
    stale = set(pending(connection))
    edited = connection.execute(
        "SELECT count(*) FROM marks AS m JOIN marks_as_written AS w ON w.fid = m.fid "
        "WHERE m.geom IS NOT w.place"
    ).fetchone()[0]
    if not alone or shifted or stale or edited:
        return
    k, i = np.array(alone).T
    _, off = inverse(marks.lon[k], marks.lat[k], sightings.lon[i], sightings.lat[i])
    if (off > _NEAR_M).any():
        yield f"{many(int((off > _NEAR_M).sum()), 'mark')} do not lie where their sighting lies"


def _lines(connection: sqlite3.Connection) -> Iterator[str]:
    for layer in ("tracks", "routes"):
        bad = 0
        for arrays, name in connection.execute(f"SELECT arrays, line_id FROM {layer}"):
            try:
                bad += line_id(point_keys(line_of(arrays, "", "", 0))) != name
            except (ValueError, OSError, KeyError, AthwartError):
                bad += 1
        if bad:
            yield f"{many(bad, 'line')} of {layer} cannot be read or were changed"


def _log(connection: sqlite3.Connection) -> Iterator[str]:
    for entry in entries(connection):
        try:
            way_back_of(connection, entry.number)
        except Exception:
            yield f"entry {entry.number} of the log has lost its way back"


def dump(connection: sqlite3.Connection) -> str:
    """Return all that a book holds, except its log, as text that is equal for equal content."""
    out: list[str] = []
    for layer in sorted(TABLES, key=lambda t: t.name):
        if layer.name == "log":
            continue
        names = columns_of(layer.name)
        out.append(f"[{layer.name}]")
        for row in connection.execute(f"SELECT {', '.join(names)} FROM {layer.name} ORDER BY fid"):
            out.append("\t".join(v.hex() if isinstance(v, bytes) else repr(v) for v in row))
        if layer.shape:
            out += [
                repr(r)
                for r in connection.execute(
                    f"SELECT id, minx, maxx, miny, maxy FROM rtree_{layer.name}_geom ORDER BY id"
                )
            ]
    return "\n".join(out) + "\n"
