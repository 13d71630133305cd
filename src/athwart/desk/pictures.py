"""The page of pictures: what it asks, answered from `athwart.desk.paused`."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from starlette.responses import Response

from athwart.boat import Boat
from athwart.book import work
from athwart.book.adding import SourceFile
from athwart.book.drawn import Drawn
from athwart.book.store import open_book
from athwart.desk.marks import units_of
from athwart.desk.paused import (
    Asked,
    Held,
    asked_of,
    bottom_record,
    moment_of,
    number,
    place_record,
    placed,
    saved_before,
    step_record,
)
from athwart.desk.state import Desk, Job, plain_file_name
from athwart.errors import AthwartError, DataError, FileError, TableError, UsageError
from athwart.formats.files import staged
from athwart.frame.layout import Layout
from athwart.frame.pace import time_step_from_two
from athwart.frame.picture import read_picture
from athwart.laying import lay_picture, level_bottom, write_strip
from athwart.tables import Sightings, Track
from athwart.units import many

__all__ = ["ANSWERS", "UPLOADS", "take_in"]

_LAYOUT = ".layout.toml"
_TRACKS = (".gpx", ".nmea", ".log", ".txt")
_MOST_LISTED = 200


def take_in(desk: Desk, name: str, raw: bytes) -> Any:
    """Take a picture in.

    Parameters
    ----------
    desk : Desk
        Keeps it in hand.
    name : str
        Name of its file; a name and nothing else, it is shown and kept but never opened.
    raw : bytes
        The file.

    Raises
    ------
    FileError
        No picture, damaged, or too large.
    """
    shown = _shown_name(name)
    held = Held.of(shown, len(raw), read_picture(raw, name=shown))
    return _picture_record(desk.keep_picture(held), held)


def _picture_record(key: str, held: Held) -> dict[str, Any]:
    picture = held.picture
    return {
        "id": key,
        "name": held.name,
        "width": picture.width,
        "height": picture.height,
        "taken": None if np.isnat(picture.taken) else f"{picture.taken.astype('datetime64[s]')}",
        "taken_zone_known": picture.taken_zone_known,
        "sha256": picture.sha256,
        "words": list(picture.words),
    }


def _shown_name(name: str) -> str:
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(c for c in last if c.isprintable())[:120].strip() or "picture"


def _track_in(desk: Desk, name: str, raw: bytes) -> Any:
    from athwart.formats import read

    name = plain_file_name(_shown_name(name), _TRACKS)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(raw)
        contents = read(path, skip_bad=True)
    track = contents.tracks
    dated = track.time[~np.isnat(track.time)]
    if not len(dated):
        raise FileError(name, "holds no track with times, so it cannot say where the boat was")
    return {
        "id": desk.keep_file(track),
        "name": name,
        "sentence": f"{many(len(dated), 'point')} from {_clock(dated.min())} to "
        f"{_clock(dated.max())} UTC",
        "words": list(contents.words),
    }


def _clock(time: np.datetime64) -> str:
    return str(time.astype("datetime64[s]")).replace("T", " ")


def _boat_in(desk: Desk, name: str, raw: bytes) -> Any:
    name = plain_file_name(_shown_name(name), (".toml",))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(raw)
        boat = Boat.from_toml(path)
    return {
        "id": desk.keep_file(boat),
        "name": name,
        "boat": boat.name,
        "time_zone": boat.time_zone,
    }


# ---- what a question means ----------------------------------------------------------------------


def _held(desk: Desk, question: Mapping[str, Any]) -> Held:
    held = desk.picture(str(question["id"]))
    assert isinstance(held, Held)
    return held


def _layout(held: Held, question: Mapping[str, Any]) -> Layout:
    given = question.get("layout")
    if not isinstance(given, dict):
        raise UsageError("set the layout of the screen first")
    return held.fitted(Layout.from_mapping(given))


def _boat(desk: Desk, question: Mapping[str, Any]) -> Boat | None:
    if not question.get("boat"):
        return None
    boat = desk.file(str(question["boat"]))
    if not isinstance(boat, Boat):
        raise UsageError("that file is no boat file")
    return boat


def _asked(desk: Desk, held: Held, question: Mapping[str, Any]) -> Asked:
    layout, boat = _layout(held, question), _boat(desk, question)
    units = units_of(dict(question))
    place = question.get("place") or {}
    track: Track | None = None
    if place.get("how") == "track" and place.get("track"):
        found = desk.file(str(place["track"]))
        if not isinstance(found, Track):
            raise UsageError("that file is no track")
        track = found
    elif place.get("how") == "book" and question.get("moment"):
        time = moment_of(held, question["moment"]).time
        day = np.timedelta64(12, "h")
        with open_book(desk.the_book()) as store:
            track = work.tracks_at(store, time - day, time + day)
        if track is None:
            raise DataError("the book has no track of that time; open a track file")
    return asked_of(held, question, layout, track, boat, units)


def _lists(question: Mapping[str, Any]) -> tuple[list[Any], list[Any]]:
    out = []
    for name in ("picks", "shapes"):
        value = question.get(name) or []
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise UsageError(f"{name} must be a list of records")
        out.append(value)
    return out[0], out[1]


# ---- pictures in hand ---------------------------------------------------------------------------


def _in_hand(desk: Desk, question: dict[str, Any]) -> Any:
    """List the pictures in hand with what the page said of each, for a page that begins anew."""
    pictures = sorted(desk.pictures.all(), key=lambda p: p[1].opened)
    return {"pictures": [{**_picture_record(k, held), "entry": held.entry} for k, held in pictures]}


def _keep_entry(desk: Desk, question: dict[str, Any]) -> Any:
    entry = question["entry"]
    if not isinstance(entry, dict):
        raise UsageError("an entry must be a record")
    _held(desk, question).entry = entry
    return {}


def _put_away(desk: Desk, question: dict[str, Any]) -> Any:
    desk.pictures.put_away(str(question["id"]))
    return {}


# ---- layouts ------------------------------------------------------------------------------------


def _layout_record(layout: Layout) -> dict[str, Any]:
    import tomllib

    return {"layout": tomllib.loads(layout.to_toml()), "lines": layout.lines}


def _check_layout(desk: Desk, question: dict[str, Any]) -> Any:
    """Say whether a layout can be, and show it as it is taken."""
    try:
        layout = _layout(_held(desk, question), question)
    except TableError as error:
        return {"faults": [{"entry": r.column, "message": r.message} for r in error.rows]}
    per_column = {s: float(layout.metres_per_column(s)[0]) for s in layout.side_names}
    return {**_layout_record(layout), "metres_per_column": per_column, "faults": []}


def _layouts(desk: Desk, question: dict[str, Any]) -> Any:
    names = sorted(
        p.name
        for p in desk.folder.glob(f"*{_LAYOUT}")
        if p.is_file() and not p.is_symlink() and not p.name.startswith(".")
    )
    return {"layouts": names[:_MOST_LISTED]}


def _layout_path(desk: Desk, name: str) -> Path:
    path = desk.folder / plain_file_name(name, (_LAYOUT,))
    if path.is_symlink():
        raise FileError(name, "is a link that leads elsewhere; give another name")
    return path


def _take_layout(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    layout = Layout.from_toml(_layout_path(desk, str(question["name"])))
    return _layout_record(held.fitted(layout))


def _save_layout(desk: Desk, question: dict[str, Any]) -> Any:
    layout = _layout(_held(desk, question), question)
    path = _layout_path(desk, str(question["name"]))
    if path.exists() and not question.get("overwrite"):
        return {"exists": path.name}
    with staged(path, overwrite=bool(question.get("overwrite"))) as temporary:
        temporary.write_text(layout.to_toml(), encoding="utf-8")
    return {"file": path.name}


def _step(desk: Desk, question: dict[str, Any]) -> Any:
    """Measure how long a line takes, from this picture and another of the same screen."""
    held = _held(desk, question)
    other = _held(desk, {"id": question["other"]})
    layout = _layout(held, question)
    apart = question.get("seconds_apart")
    if apart is None:
        if np.isnat(held.picture.taken) or np.isnat(other.picture.taken):
            raise UsageError("the pictures do not tell their times; type the seconds between them")
        seconds = float((other.picture.taken - held.picture.taken) / np.timedelta64(1, "s"))
    else:
        seconds = number(apart, "the time between the pictures", -86400, 86400)
    first, second = held.shown(layout), other.shown(layout)
    if seconds < 0:
        first, second, seconds = second, first, -seconds
    found = time_step_from_two(layout, first, second, seconds)
    return {
        "seconds_per_line": found.seconds_per_line,
        "step_part": found.sigma_s / found.seconds_per_line,
        "sentence": f"The screen moved on by {found.lines_moved:.0f} lines in {seconds:g} s: a "
        f"line takes {found.seconds_per_line:.4f} s, give or take {found.sigma_s:.4f} s.",
    }


def _step_on_track(desk: Desk, question: dict[str, Any]) -> Any:
    """Measure what a line takes on the track, from a thing that a turn shows twice."""
    held = _held(desk, question)
    asked = _asked(desk, held, question)
    bottom = held.bottom(asked.layout, asked.drags) if asked.depth_by == "bottom" else None
    return step_record(asked, bottom, question.get("twice"))


# ---- picture, time, bottom ----------------------------------------------------------------------


def _image(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    layout = None
    if question.get("layout"):
        try:
            given = json.loads(str(question["layout"]))
        except (ValueError, RecursionError) as error:
            raise UsageError("the layout is not JSON") from error
        layout = _layout(held, {"layout": given})
    body, kind = held.image(layout)
    return Response(body, media_type=kind)


def _overlay(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    if not held.overlay:
        raise UsageError("no strip was made of this picture yet")
    return Response(held.overlay, media_type="image/png")


def _moment(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    moment = moment_of(held, question.get("moment") or {})
    out = {"time": moment.time, "sigma_s": moment.sigma_s, "text": _clock(moment.time) + " UTC"}
    if not question.get("place"):
        return out
    return {**out, "place": place_record(_asked(desk, held, question))}


def _bottom(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    layout = _layout(held, question)
    bottom = held.bottom(layout, (question.get("bottom") or {}).get("drags") or ())
    return bottom_record(bottom, layout, units_of(question))


def _drag_bottom(desk: Desk, question: dict[str, Any]) -> Any:
    """Say which side, line and range a point is: where the bottom line is dragged to."""
    layout = _layout(_held(desk, question), question)
    xy = np.array([number(question[c], c, -1e5, 1e6) for c in ("x", "y")])
    side, range_m = layout.range_of(xy)
    if not str(side):
        raise UsageError("the screen shows nothing on that side of the centre line")
    line = int(layout.line_index(layout.line_of(xy)))
    return {"drag": [str(side), line, float(range_m)]}


# ---- picks --------------------------------------------------------------------------------------


def _place(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    asked = _asked(desk, held, question)
    where = place_record(asked)
    picks, shapes = _lists(question)
    _, _, told, drawn, words = placed(held, asked, picks, shapes)
    return {"picks": told, "shapes": drawn, "words": words, "boat": where}


def _save(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    asked = _asked(desk, held, question)
    picks, shapes = _lists(question)
    sightings, drawn, told, shown, words = placed(held, asked, picks, shapes)
    bad = [
        f"{what} {k}: {r['fault']}"
        for what, records in (("pick", told), ("line or area", shown))
        for k, r in enumerate(records, start=1)
        if "fault" in r
    ]
    if bad:
        raise DataError("nothing was saved. " + "; ".join(bad))
    if not sightings and not drawn:
        raise UsageError("there is nothing to save yet; point at something first")
    source = SourceFile(held.name, held.picture.sha256, held.size, "picture")
    with open_book(desk.the_book(), write=True) as store:
        done = work.add_picture_work(
            store,
            Sightings.concat(sightings),
            drawn,
            held.facts(asked),
            source,
            before=[saved_before(p) for p in picks],
            shapes_before=[str(s.get("saved") or "") for s in shapes],
        )
    return {
        "new": done.added.new,
        "revised": done.added.revised,
        "shapes": done.drawn.new,
        "shapes_revised": done.drawn.changed,
        "known": done.added.known + len(drawn) - done.drawn.new - done.drawn.changed,
        "sighting_ids": done.sighting_ids,
        "shape_ids": done.drawn.ids,
        "sentence": _said_of_saving(done, len(drawn)),
        "words": [*done.added.words, *words],
    }


def _said_of_saving(done: work.PictureWork, shapes: int) -> str:
    added, drawn = done.added, done.drawn
    said = f"{many(added.new, 'sighting')} and {Drawn.count(drawn.new)} saved"
    if put_right := added.revised + drawn.changed:
        said += f"; {put_right} put right"
    if known := added.known + shapes - drawn.new - drawn.changed:
        said += f"; {known} {'was' if known == 1 else 'were'} in the book already"
    return said


def _strip(desk: Desk, question: dict[str, Any]) -> Any:
    held = _held(desk, question)
    asked = _asked(desk, held, question)
    name = plain_file_name(str(question["name"]), (".tif",))
    path = desk.folder / name
    if path.is_symlink():
        raise FileError(name, "is a link that leads elsewhere; give another name")
    if path.exists() and not question.get("overwrite"):
        return {"exists": name}
    if asked.moment is None:
        raise UsageError("say when the newest line was drawn")
    if asked.track is None:
        raise UsageError("a strip needs a track; a typed position is one place and no way")
    overwrite = bool(question.get("overwrite"))

    def make(job: Job) -> Any:
        from athwart.frame.overlay import overlay

        assert asked.moment is not None
        assert asked.track is not None
        layout = asked.layout
        job.told("finding the bottom line", 0.1)
        bottom = (
            level_bottom(layout, asked.depth_m, asked.depth_below, asked.boat)
            if asked.depth_by == "typed"
            else held.bottom(layout, asked.drags)
        )
        strip = lay_picture(
            held.shown(layout),
            layout,
            asked.moment,
            asked.track,
            boat=asked.boat,
            bottom=bottom,
            told=job.told,
        )
        job.told("drawing it for the map", 0.7)
        words = list(strip.words)
        bounds = None
        try:
            held.overlay, bounds = overlay(strip)
        except AthwartError as error:
            words.append(str(error))
        job.told("writing the file", 0.85)
        write_strip(path, strip, title=path.stem, overwrite=overwrite)
        return {"file": name, "bounds": bounds, "words": words, "pixel_m": strip.pixel_m}

    return desk.start(make).as_record()


UPLOADS: tuple[tuple[str, Callable[[Desk, str, bytes], Any]], ...] = (
    ("/api/pictures", take_in),
    ("/api/tracks", _track_in),
    ("/api/boats", _boat_in),
)
"""Files that are sent as bytes with their name."""

ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = (
    ("GET", "/api/layouts", _layouts),
    ("GET", "/api/pictures", _in_hand),
    ("POST", "/api/pictures/{id}/entry", _keep_entry),
    ("POST", "/api/pictures/{id}/away", _put_away),
    ("GET", "/api/pictures/{id}/image", _image),
    ("GET", "/api/pictures/{id}/overlay", _overlay),
    ("POST", "/api/pictures/{id}/layout", _check_layout),
    ("POST", "/api/pictures/{id}/layout/take", _take_layout),
    ("POST", "/api/pictures/{id}/layout/save", _save_layout),
    ("POST", "/api/pictures/{id}/step", _step),
    ("POST", "/api/pictures/{id}/step-on-track", _step_on_track),
    ("POST", "/api/pictures/{id}/moment", _moment),
    ("POST", "/api/pictures/{id}/bottom", _bottom),
    ("POST", "/api/pictures/{id}/drag", _drag_bottom),
    ("POST", "/api/pictures/{id}/place", _place),
    ("POST", "/api/pictures/{id}/save", _save),
    ("POST", "/api/pictures/{id}/strip", _strip),
)
