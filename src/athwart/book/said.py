"""What the user said of marks, and how it goes with a mark through folds and partings.

A mark's own words come before those said of marks that were folded into it. A word takes the place
of what was said or seen before it, and of nothing that comes after.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from athwart.book.changes import Changes
from athwart.book.keys import AMONG, listed
from athwart.tables import Marks

__all__ = [
    "EDITABLE", "Said", "ids_behind", "keep_words", "lay_words", "past_of", "resolve", "rows_spoken_of",
    "what_was_said",
]  # fmt: skip

EDITABLE = ("name", "kind", "hazard", "note", "private")
"""What the user may say of a mark."""

_PAST = "_past"
"""Ending of fields that keep what of the sightings a word took the place of."""


@dataclass(slots=True)
class Said:
    """What the user said of a mark, and of those that were folded into it, as it holds now.

    Parameters
    ----------
    name, kind : str or None
        None where nothing was said.
    hazard, private : bool or None
        True where it was said of any of them.
    notes : list of str
        The user's notes, and names of marks that were folded into this one; None where nothing
        was said.
    past : dict of str to set of str
        What of the sightings the user's word took the place of: lines under ``note``, sightings
        under ``hazard`` and ``private``.
    """

    name: str | None = None
    kind: str | None = None
    hazard: bool | None = None
    private: bool | None = None
    notes: list[str] = field(default_factory=list)
    past: dict[str, set[str]] = field(default_factory=dict)


def resolve(connection: sqlite3.Connection, mark_id: str) -> str:
    """Return the id of the mark that an id leads to now; the id itself if it is no retired one."""
    seen: set[str] = set()
    while mark_id not in seen:
        seen.add(mark_id)
        row = connection.execute(
            "SELECT folded_into FROM retired WHERE mark_id = ?", (mark_id,)
        ).fetchone()
        if row is None:
            break
        mark_id = row[0]
    return mark_id


def ids_behind(connection: sqlite3.Connection, mark_id: str) -> dict[str, int]:
    """Return a mark's id and those of all that were folded into it, with the entry that did it."""
    found: dict[str, int] = {}
    for other, folded in connection.execute(
        "WITH RECURSIVE behind(id, folded) AS (VALUES (?, 0) UNION "
        "SELECT r.mark_id, max(r.entry, b.folded) FROM retired AS r "
        "JOIN behind AS b ON r.folded_into = b.id) SELECT id, folded FROM behind",
        (mark_id,),
    ):
        found[other] = max(int(folded), found.get(other, 0))
    return found


def what_was_said(connection: sqlite3.Connection, mark_id: str) -> Said:
    """Return what the user's words of a mark come to.

    A mark's own last word on a field holds over all that was folded into it before. What was said
    of marks that were folded in later is added: no name and no note is lost, and a hazard or a
    private mark stays one until the user says otherwise of the mark that it became.
    """
    keys = listed(ids_behind(connection, mark_id))
    words: dict[str, dict[str, tuple[str, int]]] = {}
    for mark, name, value, entry in connection.execute(
        f"SELECT mark_id, field, value, entry FROM words WHERE mark_id IN {AMONG} ORDER BY fid",
        (keys,),
    ):
        words.setdefault(mark, {})[name] = (value or "", int(entry))
    folded: dict[str, list[tuple[str, int]]] = {}
    for mark, into, entry in connection.execute(
        f"SELECT mark_id, folded_into, entry FROM retired WHERE mark_id IN {AMONG} ORDER BY fid",
        (keys,),
    ):
        folded.setdefault(into, []).append((mark, int(entry)))
    past: dict[str, set[str]] = {}
    for own in words.values():
        for name in ("note", "hazard", "private"):
            over, word = own.get(f"{name}{_PAST}"), own.get(name)
            if over and word and (name == "note" or word[0] != "1"):
                past.setdefault(name, set()).update(over[0].split("\n"))
    return replace(_said(mark_id, words, folded), past=past)


def _said(
    mark_id: str,
    words: Mapping[str, Mapping[str, tuple[str, int]]],
    folded: Mapping[str, Sequence[tuple[str, int]]],
) -> Said:
    own = words.get(mark_id, {})
    out = Said(
        name=own["name"][0] if "name" in own else None,
        kind=own["kind"][0] if "kind" in own else None,
        hazard=own["hazard"][0] == "1" if "hazard" in own else None,
        private=own["private"][0] == "1" if "private" in own else None,
        notes=[own["note"][0]] if own.get("note", ("", 0))[0] else [],
    )

    def later(name: str, entry: int) -> bool:
        return name in own and own[name][1] > entry

    for other, entry in folded.get(mark_id, ()):
        said = _said(other, words, folded)
        if said.name and not later("name", entry):
            if out.name is None:
                out.name = said.name
            elif said.name != out.name and not later("note", entry):
                out.notes.append(f"also called {said.name}")
        if out.kind is None:
            out.kind = said.kind
        if not later("note", entry):
            out.notes += said.notes
        if said.hazard and not later("hazard", entry):
            out.hazard = True
        if said.private and not later("private", entry):
            out.private = True
    return out


def keep_words(changes: Changes, mark_id: str, values: Mapping[str, str | bool]) -> None:
    """Keep what the user says of a mark; the mark itself is to be derived again.

    Parameters
    ----------
    changes : Changes
        The entry that it belongs to.
    mark_id : str
        The mark.
    values : mapping
        Texts and truths by the names in `EDITABLE`.
    """
    texts = {n: str(int(v)) if isinstance(v, bool) else v for n, v in values.items()}
    texts |= past_of(changes.connection, mark_id, values)
    changes.insert(
        "words",
        {
            "mark_id": [mark_id] * len(texts),
            "field": list(texts),
            "value": list(texts.values()),
            "entry": [changes.entry] * len(texts),
        },
    )


def past_of(connection: sqlite3.Connection, mark_id: str, fields: Iterable[str]) -> dict[str, str]:
    """Return what of a mark's sightings a new word takes the place of, as further words to keep."""
    fields = [f for f in fields if f in ("note", "hazard", "private")]
    if not fields:
        return {}
    rows = connection.execute(
        "SELECT s.sighting_id, s.note, s.hazard, s.extra FROM sightings AS s "
        "JOIN members AS m ON m.fid = s.fid JOIN marks_as_written AS k ON k.fid = m.mark "
        "WHERE k.mark_id = ? ORDER BY s.fid",
        (mark_id,),
    ).fetchall()
    found: dict[str, list[str]] = {
        "note": [line for _, note, *_ in rows for line in (note or "").split("\n") if line],
        "hazard": [i for i, _, hazard, _ in rows if hazard],
        "private": [i for i, *_, extra in rows if _seen_private(extra)],
    }
    return {f"{f}{_PAST}": "\n".join(dict.fromkeys(found[f])) for f in fields if found[f]}


def _seen_private(extra: str | None) -> bool:
    """Tell whether a sighting came with a column that says that it is private."""
    if not extra or '"private"' not in extra:
        return False
    value = json.loads(extra).get("private")
    return str(value).strip().casefold() in ("1", "1.0", "true", "yes")


def rows_spoken_of(connection: sqlite3.Connection, table: Marks) -> list[int]:
    """Return the rows of marks of which something was said, or that came private."""
    told = {
        resolve(connection, r[0])
        for r in connection.execute("SELECT mark_id FROM words UNION SELECT mark_id FROM visits")
    }
    rows = {k for k, i in enumerate(table.mark_id.tolist()) if i in told}
    private = {
        r[0]
        for r in connection.execute(
            "SELECT sighting_id FROM sightings INDEXED BY sightings_private "
            "WHERE instr(extra, '\"private\"')"
        )
    }
    if private:
        rows |= {
            k
            for k, ids in enumerate(table.sighting_ids.tolist())
            if not private.isdisjoint(ids.split())
        }
    return sorted(rows)


def lay_words(
    connection: sqlite3.Connection, columns: dict[str, list[Any]], k: int, table: Marks
) -> None:
    """Lay the user's words over one derived mark, and count the visits."""
    behind = ids_behind(connection, columns["mark_id"][k])
    said = what_was_said(connection, columns["mark_id"][k])
    if said.name is not None:
        columns["name"][k] = said.name or None
    if said.kind is not None:
        columns["kind"][k] = said.kind or None
    members = listed(str(table.sighting_ids[k]).split())
    flagged = connection.execute(
        "SELECT sighting_id, hazard, extra FROM sightings WHERE sighting_id IN "
        f"{AMONG} AND (hazard = 1 OR instr(extra, '\"private\"'))",
        (members,),
    ).fetchall()
    hazards = {i for i, hazard, _ in flagged if hazard} - said.past.get("hazard", set())
    hidden = {i for i, _, e in flagged if _seen_private(e)} - said.past.get("private", set())
    columns["hazard"][k] = int(bool(said.hazard) or bool(hazards))
    columns["private"][k] = int(bool(said.private) or bool(hidden))
    past = said.past.get("note", set())
    lines = [x for x in (columns["note"][k] or "").split("\n") if x and x not in past]
    lines = [line for note in said.notes for line in note.split("\n")] + lines
    columns["note"][k] = "\n".join(dict.fromkeys(lines)) or None
    columns["visits"][k] = connection.execute(
        f"SELECT count(*) FROM visits WHERE mark_id IN {AMONG}",
        (listed(behind),),
    ).fetchone()[0]
