"""The page of handing over: which marks, under which limits, and what the plotter will get."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from athwart.book import work
from athwart.book.reading import marks_and_sightings, read_book
from athwart.book.store import open_book
from athwart.contents import Contents
from athwart.desk.state import Desk, plain_file_name
from athwart.errors import DataError, FileError, UsageError
from athwart.formats import WriteOptions, write
from athwart.formats.files import staged
from athwart.plotter import Limits, Prepared, prepare, select
from athwart.sharing import blur, blurred_ids, key_from_settings
from athwart.tables import Marks
from athwart.units import many

__all__ = ["ANSWERS", "chosen"]

_ENDINGS = {"gpx": (".gpx",), "map": (".html",), "table": (".csv",)}


def chosen(desk: Desk, question: dict[str, Any]) -> tuple[Marks, list[str]]:
    """Return the marks that the user has chosen, and what should be said.

    The choice: ``kinds``, ``ids``, ``within`` (west, south, east, north), ``since`` (a date),
    ``r95_at_most_m``, ``with_private``.
    """
    private = bool(question.get("with_private"))
    with open_book(desk.the_book()) as store, store.reading() as connection:
        marks, _, hidden = marks_and_sightings(connection, with_private=private)
    words = [f"{many(hidden, 'private mark')} left out"] if hidden else []
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
    return marks.take(keep), words


def _limits(question: dict[str, Any]) -> Limits:
    text = str(question.get("limits") or "")
    return Limits.from_toml(text + "\n") if text.strip() else Limits()


def _prepared(
    desk: Desk, question: dict[str, Any]
) -> tuple[Prepared, Limits, dict[str, str], list[str]]:
    marks, words = chosen(desk, question)
    if not len(marks):
        raise DataError("no mark is left to hand over; choose more")
    limits = _limits(question)
    true_id: dict[str, str] = {}
    metres = question.get("blur_m")
    if metres:
        key = key_from_settings()
        ids = blurred_ids(marks.mark_id, float(metres), key)
        true_id = dict(zip(ids.tolist(), marks.mark_id.tolist(), strict=True))
        marks, said = blur(marks, float(metres), key)
        words += said
    prepared = prepare(marks, limits)
    return prepared, limits, true_id, [*words, *prepared.words]


def _preview(desk: Desk, question: dict[str, Any]) -> Any:
    prepared, _, _, words = _prepared(desk, question)
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
    return {"rows": rows, "files": len(prepared.files), "notes": words}


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
    marks, words = chosen(desk, question)
    if not len(marks):
        raise DataError("no mark is left to hand over; choose more")
    if question.get("blur_m"):
        marks, said = blur(marks, float(question["blur_m"]), key_from_settings())
        words += said
    if what == "map":
        from athwart.review.map import review_map

        book = read_book(desk.the_book(), with_private=bool(question.get("with_private")))
        blurred = bool(question.get("blur_m"))
        members = {s for ids in marks.sighting_ids for s in ids.split()}
        seen = book.sightings.take(np.isin(book.sightings.sighting_id.astype(str), sorted(members)))
        page = review_map(
            marks=marks,
            sightings=None if blurred else seen,
            tracks=None if blurred else book.tracks,
        ).encode()
        return _hand(desk, [(name, page)], "text/html", words, to_browser, overwrite)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        words += write(path, Contents(marks=marks), options=WriteOptions(clean=True)).words
        body = path.read_bytes()
    return _hand(desk, [(name, body)], "text/csv", words, to_browser, overwrite)


def _gpx(
    desk: Desk, question: dict[str, Any], name: str, *, to_browser: bool, overwrite: bool
) -> Any:
    prepared, limits, true_id, words = _prepared(desk, question)
    clean = bool(question.get("clean", True)) or bool(true_id)
    options = WriteOptions(clean=clean, depth_element=limits.depth_element)
    stem = name[:-4]
    names = [name, *(f"{stem}-{k}.gpx" for k in range(2, len(prepared.files) + 1))]
    made: list[tuple[str, bytes]] = []
    with tempfile.TemporaryDirectory() as folder:
        for file, part in zip(names, prepared.files, strict=True):
            path = Path(folder) / file
            words += write(path, part, options=options).words
            made.append((file, path.read_bytes()))
    handed = [
        (file, p.marks.with_columns(mark_id=[true_id.get(i, i) for i in p.marks.mark_id]))
        for file, p in zip(names, prepared.files, strict=True)
    ]
    if to_browser and len(made) > 1:
        raise UsageError(
            f"the marks need {len(made)} files; save them into the book's folder instead"
        )
    answer = _hand(desk, made, "application/gpx+xml", words, to_browser, overwrite)
    if "exists" in answer:
        return answer
    with open_book(desk.the_book(), write=True) as store:
        work.hand_over(store, handed)
    return answer


def _hand(
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
