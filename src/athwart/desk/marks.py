"""The page of marks: the list, what is said of each, its history, and folds asked as questions."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np

from athwart.book import work
from athwart.book.drawn import shapes_of
from athwart.book.log import entries
from athwart.book.reading import find_mark, history, marks_and_sightings
from athwart.book.store import open_book
from athwart.book.undo import standing, take_back
from athwart.desk.state import Desk, Job
from athwart.errors import UsageError
from athwart.merge import REACH_M
from athwart.tables import Marks, Sightings
from athwart.uncertainty.ellipse import error_ellipse
from athwart.units import format_length, format_position

__all__ = ["ANSWERS", "mark_records", "questions"]

_MOST_QUESTIONS = 200


def mark_records(marks: Marks) -> list[dict[str, Any]]:
    """Return marks as the page shows them, each with its error ellipse."""
    major, minor, azimuth = error_ellipse(
        marks.var_east_m2, marks.var_north_m2, marks.cov_east_north_m2
    )
    visits = marks.extra.get("visits", np.zeros(len(marks), np.int64))
    last = marks.extra.get("last_visit", np.full(len(marks), "", dtype=object))
    private = marks.extra.get("private", np.zeros(len(marks), bool))
    return [
        {
            "id": marks.mark_id[k],
            "name": marks.name[k],
            "kind": marks.kind[k],
            "hazard": bool(marks.hazard[k]),
            "note": marks.note[k],
            "private": bool(private[k]),
            "lon": float(marks.lon[k]),
            "lat": float(marks.lat[k]),
            "position": format_position(float(marks.lon[k]), float(marks.lat[k])),
            "r95_m": float(marks.r95_m[k]),
            "ellipse": [float(major[k]), float(minor[k]), float(azimuth[k])],
            "depth_m": float(marks.depth_m[k]),
            "depth_below": marks.depth_below[k],
            "sightings": int(marks.sightings[k]),
            "trips": int(marks.trips[k]),
            "last_time": marks.last_time[k],
            "visits": int(visits[k]),
            "last_visit": last[k],
        }
        for k in range(len(marks))
    ]


def _list(desk: Desk, question: dict[str, Any]) -> Any:
    with open_book(desk.the_book()) as store:
        waiting = work.waiting(store)
        with store.reading() as connection:
            marks, _, _ = marks_and_sightings(connection, with_private=True)
            shapes = shapes_of(connection, with_private=True)
    return {
        "marks": mark_records(marks),
        "waiting": waiting,
        "shapes": [
            {
                "name": s.name, "kind": s.kind, "note": s.note, "area": s.area,
                "private": s.private, "corners": np.stack([s.lon, s.lat], 1).tolist(),
                "r95_m": float(s.r95_m.max()),
            }
            for s in shapes
        ],
    }  # fmt: skip


def _why(desk: Desk, question: dict[str, Any]) -> Any:
    with open_book(desk.the_book()) as store, store.reading() as connection:
        return asdict(history(connection, find_mark(connection, question["id"])))


def _edit(desk: Desk, question: dict[str, Any]) -> Any:
    values: dict[str, str | bool] = {}
    for name in ("name", "kind", "note"):
        if name in question:
            values[name] = str(question[name])[:2000]
    for name in ("hazard", "private"):
        if name in question:
            values[name] = bool(question[name])
    with open_book(desk.the_book(), write=True) as store:
        done = work.edit(store, question["id"], values)
    return {"notes": done.words}


def _visit(desk: Desk, question: dict[str, Any]) -> Any:
    note, result = str(question.get("note", "")), str(question.get("result", ""))
    if not note and not result:
        raise UsageError("say what happened")
    with open_book(desk.the_book(), write=True) as store:
        done = work.visit(
            store, question["id"], time=np.datetime64("now", "us"), note=note, result=result
        )
    return {"notes": done.words}


def questions(connection: sqlite3.Connection, marks: Marks, sightings: Sightings) -> list[Any]:
    """Return near marks that might be one thing, the likeliest first, as questions in words.

    How sure: the chance that two marks of one thing lie as far apart as these, or farther, by
    their stated errors (chi-square with two degrees of freedom). Pairs that were ruled about are
    not asked again.
    """
    from scipy.spatial import cKDTree

    from athwart.geometry.geodesic import local_offsets

    if len(marks) < 2:
        return []
    lam, phi = np.radians(marks.lon), np.radians(marks.lat)
    cp = np.cos(phi)
    xyz = 6.371e6 * np.stack([cp * np.cos(lam), cp * np.sin(lam), np.sin(phi)], axis=1)
    pairs = cKDTree(xyz).query_pairs(REACH_M, output_type="ndarray")
    if not len(pairs):
        return []
    owner = {s: k for k, ids in enumerate(marks.sighting_ids.tolist()) for s in ids.split()}
    ruled = {
        tuple(sorted((owner[a], owner[b])))
        for a, b in connection.execute("SELECT a, b FROM rulings WHERE what = 'apart'")
        if a in owner and b in owner
    }
    i, j = pairs[:, 0], pairs[:, 1]
    east, north = local_offsets(marks.lon[i], marks.lat[i], marks.lon[j], marks.lat[j])
    a = marks.var_east_m2[i] + marks.var_east_m2[j]
    b = marks.var_north_m2[i] + marks.var_north_m2[j]
    c = marks.cov_east_north_m2[i] + marks.cov_east_north_m2[j]
    squared = (b * east**2 - 2 * c * east * north + a * north**2) / (a * b - c * c)
    chance = np.exp(-squared / 2)
    distance = np.hypot(east, north)
    trips = dict(zip(sightings.sighting_id.tolist(), sightings.trip.tolist(), strict=True))
    out = []
    for k in np.argsort(-chance, kind="stable").tolist():
        one, two = int(i[k]), int(j[k])
        if tuple(sorted((one, two))) in ruled:
            continue
        names = [_called(marks, m) for m in (one, two)]
        of = [
            sorted({trips.get(s, "") for s in marks.sighting_ids[m].split()} - {""})
            for m in (one, two)
        ]
        percent = 100 * float(chance[k])
        how = f"{percent:.0f} of 100" if percent >= 1 else "fewer than 1 of 100"
        out.append(
            {
                "a": marks.mark_id[one],
                "b": marks.mark_id[two],
                "names": names,
                "kinds": [marks.kind[one], marks.kind[two]],
                "distance_m": float(distance[k]),
                "chance": float(chance[k]),
                "trips": of,
                "words": (
                    f"{names[0]} and {names[1]} lie {format_length(float(distance[k]))} apart. "
                    f"Two looks at one thing would lie as far apart in {how} cases. "
                    f"{names[0]} was seen on {_trips(of[0])}, {names[1]} on {_trips(of[1])}."
                ),
            }
        )
        if len(out) == _MOST_QUESTIONS:
            break
    return out


def _called(marks: Marks, k: int) -> str:
    return marks.name[k] or f"{marks.kind[k] or 'mark'} {marks.mark_id[k][:8]}"


def _trips(names: list[str]) -> str:
    shown = [n for n in names if not n.startswith("undated ")]
    if not shown:
        return "no dated trip"
    return ", ".join(shown[:3]) + (f" and {len(shown) - 3} more" if len(shown) > 3 else "")


def _folds(desk: Desk, question: dict[str, Any]) -> Any:
    with open_book(desk.the_book()) as store, store.reading() as connection:
        marks, sightings, _ = marks_and_sightings(connection, with_private=True)
        return {"questions": questions(connection, marks, sightings)}


def _answer_fold(desk: Desk, question: dict[str, Any]) -> Any:
    what = {"yes": "same", "no": "apart"}.get(str(question["answer"]))
    if what is None:
        raise UsageError("answer yes or no")
    with open_book(desk.the_book(), write=True) as store:
        done = work.rule(store, what, str(question["a"]), str(question["b"]))  # type: ignore[arg-type]
    return {"notes": done.words}


def _merge(desk: Desk, question: dict[str, Any]) -> Any:
    whole = bool(question.get("all"))
    book = desk.the_book()

    def merging(job: Job) -> Any:
        job.told("merging", 0.1)
        with open_book(book, write=True) as store:
            done = work.merge_book(store, whole=whole)
        return {"sentence": work.said_of_merge(done.derived), "notes": done.words}

    return desk.start(merging).as_record()


def _log(desk: Desk, question: dict[str, Any]) -> Any:
    with open_book(desk.the_book()) as store, store.reading() as connection:
        found = entries(connection)
    stand = set(standing(found))
    return {"entries": [{**asdict(e), "stands": e.number in stand} for e in reversed(found)]}


def _undo(desk: Desk, question: dict[str, Any]) -> Any:
    number = question.get("number")
    with open_book(desk.the_book(), write=True) as store:
        entry, words = take_back(store, None if number is None else int(number))
    return {"taken_back": asdict(entry), "notes": words}


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("GET", "/api/marks", _list),
    ("GET", "/api/marks/{id}", _why),
    ("POST", "/api/marks/{id}", _edit),
    ("POST", "/api/marks/{id}/visits", _visit),
    ("GET", "/api/folds", _folds),
    ("POST", "/api/folds", _answer_fold),
    ("POST", "/api/merge", _merge),
    ("GET", "/api/log", _log),
    ("POST", "/api/undo", _undo),
)
