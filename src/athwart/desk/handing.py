"""The page of handing over: which marks, under which limits, and what the plotter will get."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from athwart.book import work
from athwart.book.handed import remember, with_edits
from athwart.book.reading import marks_and_sightings, read_book
from athwart.book.store import open_book
from athwart.contents import Contents
from athwart.desk.marks import units_of
from athwart.desk.state import Desk, plain_file_name
from athwart.errors import DataError, FileError, UsageError
from athwart.formats import WriteOptions, write
from athwart.formats.files import staged
from athwart.handover import blurred, export_marks, members_of
from athwart.plotter import Limits, prepare, select
from athwart.tables import Marks, Sightings
from athwart.units import many

__all__ = ["ANSWERS", "chosen", "hand_files", "limits_of", "marks_of_book", "narrowed"]

_ENDINGS = {"gpx": (".gpx",), "map": (".html",), "table": (".csv",)}


@dataclass(frozen=True, slots=True)
class Chosen:
    """What is handed over.

    Parameters
    ----------
    marks : Marks
        As they are to be written: blurred, if that was asked for.
    sightings : Sightings
        Those of the book, private ones left out; nothing where the marks are blurred.
    words : list of str
        What should be said.
    true_ids : dict of str to str
        True id by new id of blurred marks.
    """

    marks: Marks
    sightings: Sightings
    words: list[str]
    true_ids: dict[str, str]


def chosen(desk: Desk, question: dict[str, Any]) -> tuple[Marks, Sightings, list[str]]:
    """Return the marks that the user has chosen, the book's sightings, and what should be said.

    The choice: ``kinds``, ``ids``, ``within`` (west, south, east, north), ``since`` (a date),
    ``r95_at_most_m``, ``with_private``.
    """
    marks, sightings, words = marks_of_book(desk, question)
    return narrowed(marks, question), sightings, words


def marks_of_book(desk: Desk, question: dict[str, Any]) -> tuple[Marks, Sightings, list[str]]:
    """Return all marks, their sightings and what should be said; private ones only ``with_private``.

    What was edited in another program meanwhile is taken in first.
    """
    private = bool(question.get("with_private"))
    words = with_edits(desk.the_book())
    with open_book(desk.the_book()) as store:
        waiting = work.waiting(store)
        with store.reading() as connection:
            marks, sightings, hidden = marks_and_sightings(connection, with_private=private)
    if hidden:
        words.append(f"{many(hidden, 'private mark')} left out")
    if waiting:
        words.append(f"{many(waiting, 'sighting')} not merged yet; merge them on the page of marks")
    return marks, sightings, words


def narrowed(marks: Marks, question: dict[str, Any]) -> Marks:
    """Return those marks that a choice as in `chosen` leaves."""
    kinds = [str(k) for k in question.get("kinds") or ()]
    marks = select(marks, kinds=kinds)
    keep = np.ones(len(marks), dtype=bool)
    if question.get("ids"):
        keep &= np.isin(marks.mark_id.astype(str), [str(i) for i in question["ids"]])
    if question.get("within"):
        west, south, east, north = (float(v) for v in question["within"])
        across = (marks.lon >= west) & (marks.lon <= east)
        if west > east:  # over the 180th meridian
            across = (marks.lon >= west) | (marks.lon <= east)
        keep &= across & (marks.lat >= south) & (marks.lat <= north)
    if question.get("since"):
        keep &= marks.last_time >= np.datetime64(str(question["since"]), "us")
    if question.get("r95_at_most_m"):
        keep &= marks.r95_m <= float(question["r95_at_most_m"])
    return marks.take(keep)


def limits_of(question: dict[str, Any]) -> Limits:
    """Return the limits of the plotter that the page was given, as text."""
    text = str(question.get("limits") or "")
    return Limits.from_toml(text + "\n") if text.strip() else Limits()


def _to_hand_over(desk: Desk, question: dict[str, Any]) -> Chosen:
    marks, sightings, words = chosen(desk, question)
    if not len(marks):
        raise DataError("no mark is left to hand over; choose more")
    if not question.get("blur_m"):
        return Chosen(marks, sightings, words, {})
    marks, said, true_ids = blurred(marks, float(question["blur_m"]))
    return Chosen(marks, Sightings.empty(), [*words, *said], true_ids)


def _preview(desk: Desk, question: dict[str, Any]) -> Any:
    found = _to_hand_over(desk, question)
    prepared = prepare(found.marks, limits_of(question), units=units_of(question))
    before = {i: old for i, old, _ in prepared.names}
    rows = []
    for number, part in enumerate(prepared.files, start=1):
        m = part.marks
        rows += [
            {
                "id": m.mark_id[k],
                "file": number,
                "before": before.get(m.mark_id[k], m.name[k]),
                "name": m.name[k],
                "note": m.note[k],
                "lon": float(m.lon[k]),
                "lat": float(m.lat[k]),
                "kind": m.kind[k],
            }
            for k in range(len(m))
        ]
    return {"rows": rows, "files": len(prepared.files), "notes": [*found.words, *prepared.words]}


def _write(desk: Desk, question: dict[str, Any]) -> Any:
    """Write into the book's folder, or give the file to the browser."""
    what = str(question.get("as", "gpx"))
    if what not in _ENDINGS:
        raise UsageError(f"a hand-over is written as {', '.join(_ENDINGS)}")
    name = plain_file_name(str(question["name"]), _ENDINGS[what])
    to_browser = bool(question.get("to_browser"))
    overwrite = bool(question.get("overwrite"))
    if what == "gpx":
        return _gpx(desk, question, name, to_browser=to_browser, overwrite=overwrite)
    found = _to_hand_over(desk, question)
    marks, words = found.marks, list(found.words)
    if what == "map":
        from athwart.review.map import review_map

        shared = bool(found.true_ids)
        page = review_map(
            marks=marks,
            sightings=None if shared else members_of(marks, found.sightings),
            tracks=None if shared else read_book(desk.the_book()).tracks,
        ).encode()
        return hand_files(desk, [(name, page)], "text/html", words, to_browser, overwrite)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        words += write(path, Contents(marks=marks), options=WriteOptions(clean=True)).words
        body = path.read_bytes()
    return hand_files(desk, [(name, body)], "text/csv", words, to_browser, overwrite)


def _gpx(
    desk: Desk, question: dict[str, Any], name: str, *, to_browser: bool, overwrite: bool
) -> Any:
    found = _to_hand_over(desk, question)
    clean = bool(question.get("clean", True)) or bool(found.true_ids)
    with tempfile.TemporaryDirectory() as folder:
        files, said, handed = export_marks(
            found.marks,
            Path(folder) / name,
            limits=limits_of(question),
            clean=clean,
            overwrite=False,
            sightings=found.sightings,
            units=units_of(question),
        )
        made = [(file.name, file.read_bytes()) for file in files]
    words = [*found.words, *said]
    if to_browser and len(made) > 1:
        raise UsageError(
            f"the marks need {len(made)} files; save them into the book's folder instead"
        )
    answer = hand_files(desk, made, "application/gpx+xml", words, to_browser, overwrite)
    if "exists" not in answer:
        answer["notes"] = [*words, *remember(desk.the_book(), handed, found.true_ids)]
    return answer


def hand_files(
    desk: Desk,
    made: list[tuple[str, bytes]],
    kind: str,
    words: list[str],
    to_browser: bool,
    overwrite: bool,
) -> Any:
    """Write files into the folder, or give their text to the page.

    Where one of them exists and may not be replaced nothing is written, and the answer names those
    that exist: the page asks.
    """
    names = [name for name, _ in made]
    if to_browser:
        return {"files": names, "notes": words, "type": kind, "text": made[0][1].decode("utf-8")}
    for name in names:
        if (desk.folder / name).is_symlink():
            raise FileError(name, "is a link that leads elsewhere; give another name")
    there = [name for name in names if (desk.folder / name).exists()]
    if there and not overwrite:
        return {"files": [], "exists": there, "notes": []}
    with staged(desk.folder / names[0], overwrite=overwrite) as temporary:
        for name, body in made:
            temporary.with_name(name).write_bytes(body)
    return {"files": names, "notes": words}


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("POST", "/api/hand-over/preview", _preview),
    ("POST", "/api/hand-over/write", _write),
)
