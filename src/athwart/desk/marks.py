"""The page of marks: the list, what is said of each, its history, and folds asked as questions."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, get_args

import numpy as np

from athwart.book import work
from athwart.book.drawn import shapes_of
from athwart.book.log import entries
from athwart.book.reading import MarkHistory, find_mark, history, marks_and_sightings
from athwart.book.rows import table_of
from athwart.book.schema import columns_of
from athwart.book.store import Store, open_book
from athwart.book.undo import standing, take_back
from athwart.desk.state import Desk, Job
from athwart.errors import UsageError
from athwart.kinds import known_symbols, symbols_for
from athwart.merge import REACH_M
from athwart.merge.looks import Sphere
from athwart.tables import Marks, Sightings
from athwart.uncertainty.ellipse import error_ellipse
from athwart.units import UnitSystem, format_length, format_position, many

__all__ = ["ANSWERS", "mark_records", "questions", "sentences", "units_of"]

_MOST_QUESTIONS = 200
_LONGEST = 2000
_ID = re.compile(r"\b[0-9a-f]{16,64}\b")


def units_of(question: dict[str, Any]) -> UnitSystem:
    """Return the units that the page shows lengths in.

    Raises
    ------
    UsageError
        There are none of that name.
    """
    word = str(question.get("units") or "metric")
    for known in get_args(UnitSystem):
        if word == known:
            return known  # type: ignore[no-any-return]
    raise UsageError(f"units are {word!r}; allowed are {', '.join(get_args(UnitSystem))}")


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


def _one(connection: sqlite3.Connection, mark_id: str) -> dict[str, Any]:
    """Return one mark as the page shows it, without reading the others."""
    names = columns_of("marks")
    rows = connection.execute(
        f"SELECT {', '.join(names)} FROM marks WHERE mark_id = ?",  # noqa: S608 - our own names
        (mark_id,),
    ).fetchall()
    visits = connection.execute(
        "SELECT time, result, note FROM visits WHERE mark_id = ? ORDER BY time_us DESC, fid DESC "
        "LIMIT 1",
        (mark_id,),
    ).fetchone()
    record = mark_records(table_of(Marks, names, rows))[0]
    value = dict(zip(names, rows[0], strict=True))
    record |= {"private": bool(value["private"]), "visits": int(value["visits"] or 0)}
    if visits:
        said = ", ".join(t for t in visits[1:] if t)
        record["last_visit"] = f"{(visits[0] or '')[:10]} {said}".strip()
    return record


def _why(desk: Desk, question: dict[str, Any]) -> Any:
    units = units_of(question)
    with open_book(desk.the_book()) as store, store.reading() as connection:
        found = history(connection, find_mark(connection, question["id"]))
    return {**asdict(found), "sentences": sentences(found, units)}


def sentences(found: MarkHistory, units: UnitSystem = "metric") -> list[str]:
    """Return why a mark is where it is, in sentences.

    Parameters
    ----------
    found : MarkHistory
        What the book knows of it.
    units : {"metric", "feet", "fathoms"}
        What lengths are written in.
    """
    seen = found.sightings
    trips = {s["trip"] for s in seen if s["trip"] and not s["trip"].startswith("undated ")}
    out = [
        f"It is made of {many(len(seen), 'sighting')}"
        + (f" of {many(len(trips), 'trip')}" if trips else "")
        + f", and its R95 is {format_length(float(found.mark['r95_m']), units)}."
    ]
    for s in seen:
        day = str(s["time"])[:16].replace("T", " ")
        when = f"Seen on {day} UTC" if day != "NaT" else "Seen at an unknown time"
        trip = f", trip {s['trip']}" if s["trip"] in trips else ""
        moved = ""
        if s["trip_moved_m"]:
            moved = (
                f" once the trip is moved {format_length(s['trip_moved_m'], units)} towards "
                f"{s['trip_moved_bearing_deg']:03.0f}°,"
            )
        named = f" as {s['name']!r}" if s["name"] else ""
        again = f", fixed {s['revision']} times" if s["revision"] > 1 else ""
        out.append(
            f"{when}{trip}{named}:{moved} {format_length(s['off_m'], units)} off towards "
            f"{s['off_bearing_deg']:03.0f}°, with a weight of {100 * s['weight']:.0f} in 100 "
            f"({s['source']}, entry {s['entry']} of the log{again})."
        )
    for w in found.words:
        value = {"0": "no", "1": "yes"}.get(str(w["value"]), str(w["value"]))
        plain = value if w["field"] in ("hazard", "private") else repr(str(w["value"] or ""))
        out.append(f"The {w['field']} was set to {plain} (entry {w['entry']}).")
    for r in found.rulings:
        verdict = "one thing" if r["what"] == "same" else "two things"
        out.append(
            f"Sightings {r['a'][:8]} and {r['b'][:8]} were ruled to be {verdict} "
            f"(entry {r['entry']})."
        )
    for v in found.visits:
        said = ", ".join(t for t in (v["result"], v["note"]) if t)
        day = (v["time"] or "")[:16].replace("T", " ")
        out.append(f"Visited on {day} UTC: {said or 'nothing was noted'} (entry {v['entry']}).")
    out += [
        f"Handed over in {h['file']} as {h['name'] or 'a mark without a name'} "
        f"(entry {h['entry']})."
        for h in found.handed_over
    ]
    if found.also:
        out.append(f"Folded into it: {', '.join(i[:8] for i in found.also)}.")
    return out


def _edit(desk: Desk, question: dict[str, Any]) -> Any:
    values: dict[str, str | bool] = {}
    for name in ("name", "kind", "note"):
        if name in question:
            values[name] = _short(name, question[name])
    for name in ("hazard", "private"):
        if name in question:
            if not isinstance(question[name], bool):
                raise UsageError(f"{name} is true or false")
            values[name] = question[name]
    with open_book(desk.the_book(), write=True) as store:
        done = work.edit(store, question["id"], values)
        return _settled(store, question["id"], done)


def _short(what: str, given: Any) -> str:
    text = str(given)
    if len(text) > _LONGEST:
        raise UsageError(f"the {what} has {len(text)} letters; {_LONGEST} is the most")
    return text


def _settled(store: Store, mark: str, done: work.Ruled) -> Any:
    with store.reading() as connection:
        return {"notes": done.words, "mark": _one(connection, find_mark(connection, mark))}


def _visit(desk: Desk, question: dict[str, Any]) -> Any:
    note, result = (_short(n, question.get(n, "")) for n in ("note", "result"))
    if not note and not result:
        raise UsageError("say what happened")
    with open_book(desk.the_book(), write=True) as store:
        done = work.visit(
            store, question["id"], time=np.datetime64("now", "us"), note=note, result=result
        )
        return _settled(store, question["id"], done)


def _kinds(desk: Desk, question: dict[str, Any]) -> Any:
    """Return how every kind is drawn: those that all know, and the words of this book."""
    words = {s.word for s in known_symbols()} | {""}
    if desk.book is not None:
        with open_book(desk.the_book()) as store, store.reading() as connection:
            words |= {r[0] or "" for r in connection.execute("SELECT DISTINCT kind FROM marks")}
    return {"kinds": [asdict(s) for s in symbols_for(words)]}


def questions(
    connection: sqlite3.Connection,
    marks: Marks,
    sightings: Sightings,
    units: UnitSystem = "metric",
) -> list[Any]:
    """Return near marks that might be one thing, the likeliest first, as questions in words.

    How sure: the chance that two marks of one thing lie as far apart as these, or farther, by
    their stated errors (chi-square with two degrees of freedom). Pairs that were ruled about are
    not asked again.
    """
    from scipy.spatial import cKDTree

    from athwart.geometry.geodesic import local_offsets

    if len(marks) < 2:
        return []
    xyz = np.stack(Sphere.at(marks.lon, marks.lat).xyz, axis=1)
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
                    f"{names[0]} and {names[1]} lie {format_length(float(distance[k]), units)} apart. "
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
        return {"questions": questions(connection, marks, sightings, units_of(question))}


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
        named = dict(connection.execute("SELECT mark_id, name FROM marks WHERE name <> ''"))
    stand = set(standing(found))

    def short(match: re.Match[str]) -> str:
        called = f"{named[match[0]]} ({match[0][:8]})" if match[0] in named else match[0][:8]
        return str(called)

    return {
        "entries": [
            {
                **asdict(e),
                "sentence": _ID.sub(short, e.sentence),
                "stands": e.number in stand,
            }
            for e in reversed(found)
        ]
    }


def _undo(desk: Desk, question: dict[str, Any]) -> Any:
    number = question.get("number")
    with open_book(desk.the_book(), write=True) as store:
        entry, words = take_back(store, None if number is None else int(number))
    return {"taken_back": asdict(entry), "notes": words}


ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("GET", "/api/kinds", _kinds),
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
