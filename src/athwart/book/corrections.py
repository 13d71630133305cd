"""What was saved before and is saved again: put right under the id it has, never a second look.

A thing pointed at on a picture keeps the id that it was saved under, though the id is a hash of the
observation as it was then. Where its place, its shadow or its moment were put right since, the new
result takes the place of the old one, which is kept among the earlier fixes. What is said of it
anew (its name, kind, note, hazard, privacy) is the user's word on the mark; as long as it is in no
mark it is a new result as well.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from athwart.book.adding import Added, revise, sighting_rows
from athwart.book.changes import Changes
from athwart.book.keys import AMONG, listed
from athwart.book.rows import contents_of, table_of
from athwart.book.said import EDITABLE, keep_words
from athwart.book.schema import columns_of
from athwart.errors import UsageError
from athwart.tables import Sightings

__all__ = ["Before", "put_right", "under_first_ids"]


@dataclass(frozen=True, slots=True)
class Before:
    """How a thing was saved before.

    Parameters
    ----------
    sighting_id : str
        The id that it has.
    said : mapping
        What was said of it then: ``name``, ``kind``, ``note`` (text), ``hazard``, ``private``
        (bool). What is missing counts as not said.
    """

    sighting_id: str
    said: Mapping[str, str | bool] = field(default_factory=dict)


def under_first_ids(
    connection: sqlite3.Connection, sightings: Sightings, before: Sequence[Before | None]
) -> tuple[Sightings, list[Before | None]]:
    """Give sightings that were saved before the ids that they have.

    What was taken back since is no longer there: it is a new sighting, as if saved for the first
    time.

    Parameters
    ----------
    connection : sqlite3.Connection
        A book.
    sightings : Sightings
        As they are now, each with ``picture_sha256`` in ``extra``.
    before : sequence of (Before or None)
        One a sighting.

    Returns
    -------
    Sightings
        The same rows.
    list of (Before or None)
        One a sighting; None for what the book does not have.

    Raises
    ------
    UsageError
        Two of them were saved as one, or one was saved on another picture.
    """
    asked = [b.sighting_id for b in before if b is not None]
    if len(set(asked)) < len(asked):
        raise UsageError("two things cannot be saved as one; each has its own")
    names = columns_of("sightings")
    rows = sighting_rows(connection, "sightings", asked)
    there = table_of(Sightings, names, rows)
    ids = sightings.sighting_id.copy()
    picture = dict(
        zip(
            there.sighting_id.tolist(),
            there.extra.get("picture_sha256", np.full(len(there), "", object)).tolist(),
            strict=True,
        )
    )
    out: list[Before | None] = []
    for k, b in enumerate(before):
        if b is None or b.sighting_id not in picture:
            out.append(None)
            continue
        if picture[b.sighting_id] != sightings.extra["picture_sha256"][k]:
            raise UsageError(f"sighting {b.sighting_id[:8]} is not of this picture")
        ids[k] = b.sighting_id
        out.append(b)
    return sightings.with_columns(sighting_id=ids), out


def put_right(
    changes: Changes,
    sightings: Sightings,
    before: Sequence[Before],
    file: int,
    out: Added,
) -> list[str]:
    """Keep what differs from how the same things were saved before.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    sightings : Sightings
        As they are now, under the ids that the book has.
    before : sequence of Before
        How each was saved.
    file : int
        Key of the picture's file.
    out : Added
        Counted here: ``known`` where nothing differs, ``revised`` where anything does.

    Returns
    -------
    list of str
        Ids of the marks of which something was said.
    """
    if not len(sightings):
        return []
    names = columns_of("sightings")
    at = {n: k for k, n in enumerate(names)}
    found = {
        r[at["sighting_id"]]: r
        for r in sighting_rows(changes.connection, "sightings", sightings.sighting_id.tolist())
    }
    rows = [found[i] for i in sightings.sighting_id.tolist()]
    old = table_of(Sightings, names, rows)
    mark_of = _marks_of(changes.connection, sightings.sighting_id.tolist())
    now, then = _texts(sightings), _texts(old)
    words: dict[str, dict[str, str | bool]] = {}
    differs = np.zeros(len(sightings), dtype=bool)
    for k, b in enumerate(before):
        new = {n: now[k][n] for n in EDITABLE if now[k][n] != b.said.get(n, type(now[k][n])())}
        mark = mark_of.get(b.sighting_id)
        if new and mark is not None:
            words.setdefault(mark, {}).update(new)
            differs[k] = True
        elif new:
            then[k] |= new
    again = _with_texts(sightings, then)
    changed = contents_of(again) != np.array([r[at["content"]] for r in rows], dtype=object)
    if changed.any():
        some = np.flatnonzero(changed)
        revise(changes, again.take(some), [rows[k] for k in some], file, keep_extra=False)
    out.revised += int((changed | differs).sum())
    out.known += int((~(changed | differs)).sum())
    for mark, values in words.items():
        keep_words(changes, mark, values)
    return list(words)


def _texts(sightings: Sightings) -> list[dict[str, Any]]:
    private = sightings.extra.get("private", np.zeros(len(sightings)))
    return [
        {
            "name": str(sightings.name[k]),
            "kind": str(sightings.kind[k]),
            "note": str(sightings.note[k]),
            "hazard": bool(sightings.hazard[k]),
            "private": private[k] in (True, 1.0),
        }
        for k in range(len(sightings))
    ]


def _with_texts(sightings: Sightings, said: Sequence[Mapping[str, Any]]) -> Sightings:
    columns: dict[str, Any] = {
        n: np.array([s[n] for s in said], dtype=object) for n in ("name", "kind", "note")
    }
    hazard = np.array([s["hazard"] for s in said], dtype=bool)
    private = np.array([1.0 if s["private"] else np.nan for s in said])
    told = sightings.with_columns(**columns, hazard=hazard)
    return replace(told, extra={**told.extra, "private": private})


def _marks_of(connection: sqlite3.Connection, ids: Sequence[str]) -> dict[str, str]:
    return dict(
        connection.execute(
            "SELECT s.sighting_id, k.mark_id FROM sightings AS s JOIN members AS m "
            "ON m.fid = s.fid JOIN marks_as_written AS k ON k.fid = m.mark "
            f"WHERE s.sighting_id IN {AMONG}",
            (listed(ids),),
        ).fetchall()
    )
