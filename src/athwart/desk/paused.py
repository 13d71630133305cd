"""A picture in hand and what is asked about it: pure work on arrays, without addresses or pages.

The page sends what the user has set and pointed at each time; nothing of it is kept here but the
picture itself and what is slow to work out again.
"""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.boat import Boat
from athwart.book.corrections import Before
from athwart.book.drawn import PictureFacts, Shape
from athwart.book.said import EDITABLE
from athwart.errors import DataError, TableError, UsageError
from athwart.fix import DOUBTFUL_PART, UNEVEN, fix
from athwart.frame.bottom import CONFIDENT, Bottom, track_bottom
from athwart.frame.layout import Layout, SideEcho
from athwart.frame.pace import line_step_from_twice_seen
from athwart.frame.picks import altitudes, to_picks
from athwart.frame.picture import Picture
from athwart.frame.pixels import FramePoints, points
from athwart.frame.shadow_drag import Shadows, found_shadows, shadows
from athwart.frame.shape import place_shape
from athwart.frame.size import sizes
from athwart.frame.uneven import uneven_part
from athwart.frame.when import Moment, picture_moment, typed_moment, where_on_track
from athwart.geometry.along import Path
from athwart.laying import fitted, straightened, straightener
from athwart.tables import Picks, Sightings, Track, same_text
from athwart.uncertainty.ellipse import error_ellipse, r95
from athwart.units import (
    UnitSystem,
    format_length,
    format_position,
    parse_heading,
    parse_position,
)

__all__ = [
    "MOST_POINTS", "Asked", "Held", "asked_of", "moment_of", "place_record", "placed",
    "saved_before",
]  # fmt: skip

MOST_POINTS = 500
"""Picks, and corners of all lines and areas, on one picture."""

MOST_TWICE = 20
"""Things seen twice that one measurement of a line's time takes."""

_LONGEST = 2000
SHORT_PX = 15.0
"""Heights from shorter shadows are called rough: a quarter of them were more than 15 % off on made
frames, of longer ones fewer than one in ten (`tests/frame/measure_heights.py`)."""
_MOST_FOUND = 2 * MOST_POINTS
_IMAGE_PIXELS = 12_000_000
_PNG_PIXELS = 3_000_000


@dataclass(slots=True)
class Held:
    """A picture in hand.

    Parameters
    ----------
    name : str
        Name of its file.
    size : int
        Bytes of the file.
    picture : Picture
        Its facts; the grey values are kept in 8 bits in `gray`.
    gray : numpy.ndarray of uint8, shape (rows, columns)
        The picture as it was taken, upright.
    overlay : bytes
        The strip as a picture for the map, once it was made.
    entry : dict
        What the page had set and pointed at when it last said so; for the page alone.
    opened : float
        Seconds of a clock of this run, to put pictures in the order in which they were opened.
    """

    name: str
    size: int
    picture: Picture
    gray: NDArray[np.uint8]
    overlay: bytes = b""
    entry: dict[str, Any] = field(default_factory=dict)
    opened: float = field(default_factory=time.monotonic)
    straight: OrderedDict[Any, NDArray[np.uint8]] = field(default_factory=OrderedDict)
    bottoms: OrderedDict[str, Bottom] = field(default_factory=OrderedDict)
    echoes: OrderedDict[str, dict[str, SideEcho]] = field(default_factory=OrderedDict)
    found: OrderedDict[Any, Any] = field(default_factory=OrderedDict)

    @classmethod
    def of(cls, name: str, size: int, picture: Picture) -> Held:
        """Take a picture in hand."""
        gray = np.rint(picture.gray * 255.0).astype(np.uint8)
        return cls(name, size, replace(picture, gray=np.zeros((1, 1), np.float32)), gray)

    def shown(self, layout: Layout | None) -> NDArray[np.uint8]:
        """Return the picture that a layout speaks of: straightened if it has corners."""
        if layout is None or layout.display_corners is None:
            return self.gray
        key = (layout.display_corners, layout.width_px, layout.height_px)
        if key not in self.straight:
            self.straight[key] = straightened(layout, self.gray)
            while len(self.straight) > 2:
                self.straight.popitem(last=False)
        return self.straight[key]

    def image(self, layout: Layout | None) -> tuple[bytes, str]:
        """Return the picture for the page, and its type; very large ones are made smaller."""
        from PIL import Image

        gray = self.shown(layout)
        image = Image.fromarray(gray)
        if gray.size > _IMAGE_PIXELS:
            image = image.reduce(math.ceil(math.sqrt(gray.size / _IMAGE_PIXELS)))
        out = BytesIO()
        if gray.size <= _PNG_PIXELS:
            image.save(out, "PNG", compress_level=1)
            return out.getvalue(), "image/png"
        image.save(out, "JPEG", quality=92)
        return out.getvalue(), "image/jpeg"

    def fitted(self, layout: Layout) -> Layout:
        """Return a layout scaled to this picture; one with corners keeps its own size."""
        return fitted(layout, self.gray)

    def bottom(self, layout: Layout, drags: Sequence[Any] = ()) -> Bottom | None:
        """Return the bottom line with the user's corrections; none where ranges are on the ground."""
        if layout.axis == "ground":
            return None
        key = _echo_key(layout)
        if key not in self.bottoms:
            self.bottoms[key] = track_bottom(layout.sides(self.shown(layout)))
            while len(self.bottoms) > 3:
                self.bottoms.popitem(last=False)
        found = self.bottoms[key]
        for side, line, range_m in drags:
            found = found.dragged(str(side), int(line), float(range_m))
        return found

    def sides(self, layout: Layout) -> dict[str, SideEcho]:
        """Return the sides of the picture."""
        key = _echo_key(layout)
        if key not in self.echoes:
            self.echoes.clear()
            self.echoes[key] = layout.sides(self.shown(layout))
        return self.echoes[key]

    def shadow(self, layout: Layout, drag: Any, altitude_m: float) -> Shadows:
        """Return the shadow of a drag as the picture shows it."""
        key = ("shadow", _echo_key(layout), str(drag), round(altitude_m, 2))
        if key not in self.found:
            self._keep(
                key,
                found_shadows(
                    layout,
                    self.sides(layout),
                    [drag],
                    altitude_m,
                    straightener=straightener(layout),
                ),
            )
        found = self.found[key]
        assert isinstance(found, Shadows)
        return found

    def uneven(self, layout: Layout, line: float, altitude_m: float) -> float:
        """Return by what part the water at a thing may differ from that under the boat."""
        key = ("uneven", _echo_key(layout), round(line), round(altitude_m, 2))
        if key not in self.found:
            part = uneven_part(
                self.sides(layout), line, altitude_m, ground_axis=layout.axis == "ground"
            )
            self._keep(key, float(part[0]))
        return float(self.found[key])

    def _keep(self, key: Any, value: Any) -> None:
        self.found[key] = value
        while len(self.found) > _MOST_FOUND:
            self.found.popitem(last=False)

    def facts(self, asked: Asked) -> PictureFacts:
        """Return what the book keeps of the picture."""
        import json

        drags = [[str(s), int(k), round(float(r), 4)] for s, k, r in asked.drags]
        return PictureFacts(
            name=self.name,
            sha256=self.picture.sha256,
            width_px=self.picture.width,
            height_px=self.picture.height,
            layout=asked.layout.to_toml(),
            newest_time=asked.moment.time if asked.moment else np.datetime64("NaT", "us"),
            time_sigma_s=asked.moment.sigma_s if asked.moment else math.nan,
            bottom=json.dumps(drags) if drags else "",
        )


def _echo_key(layout: Layout) -> str:
    """Return what the echoes of a layout depend on."""
    return replace(layout, seconds_per_line=None, metres_per_line=None).to_toml()


@dataclass(frozen=True, slots=True)
class Asked:
    """What the user has set for one picture.

    Parameters
    ----------
    layout : Layout
        Fitted to the picture.
    moment : Moment or None
        Of the newest line.
    track : Track or None
        Where the boat was.
    boat : Boat or None
        The boat.
    drags : sequence of (side, line, range_m)
        Corrections of the bottom line.
    depth_by : {"bottom", "typed", "track"}
        Where the depth comes from.
    depth_m : float
        The typed depth, metres.
    depth_below : str
        What it is below.
    columns : mapping
        The typed place: lon, lat, heading, speed.
    step_part : float
        Standard error of a line's time, as a part of it.
    units : {"metric", "feet", "fathoms"}
        What sentences are written in.
    """

    layout: Layout
    moment: Moment | None
    track: Track | None
    boat: Boat | None
    drags: Sequence[Any] = ()
    depth_by: str = "bottom"
    depth_m: float = math.nan
    depth_below: str = "transducer"
    columns: Mapping[str, float] = field(default_factory=dict)
    step_part: float = 0.0
    units: UnitSystem = "metric"


def number(value: Any, what: str, low: float, high: float) -> float:
    """Return a number of a question.

    Raises
    ------
    UsageError
        It is none, or out of range.
    """
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not (good and math.isfinite(value) and low <= value <= high):
        raise UsageError(f"{what} is {value!r}; allowed is a number from {low:g} to {high:g}")
    return float(value)


def text_of(record: Mapping[str, Any], name: str) -> str:
    """Return a text of a question, not longer than allowed."""
    value = record.get(name) or ""
    if not isinstance(value, str) or len(value) > _LONGEST:
        raise UsageError(f"{name} must be text of up to {_LONGEST} characters")
    return value.strip()


def moment_of(held: Held, given: Mapping[str, Any]) -> Moment:
    """Return the moment of the newest line as the user has told it.

    ``how`` is ``typed``, ``screen`` (both with ``text``, ``zone``, ``day``) or ``picture`` (with
    ``kind``, ``zone``, ``pause_s``); ``sigma_s`` replaces the usual error.

    Raises
    ------
    UsageError, DataError
        No time, no zone, or numbers that cannot be.
    """
    how, zone = text_of(given, "how"), text_of(given, "zone")
    sigma = given.get("sigma_s")
    sigma_s = None if sigma is None else number(sigma, "the error of the time", 0, 86400)
    if how == "picture":
        kind = text_of(given, "kind") or "photo"
        if kind not in ("photo", "screenshot"):
            raise UsageError(f"the picture is a {kind!r}; allowed is photo, screenshot")
        return picture_moment(
            held.picture.taken,
            held.picture.taken_zone_known,
            kind=kind,  # type: ignore[arg-type]
            zone=zone,
            pause_delay_s=number(given.get("pause_s") or 0, "the pause", 0, 86400),
            sigma_s=sigma_s,
        )
    if how not in ("typed", "screen"):
        raise UsageError("say when the newest line was drawn")
    try:
        day = date.fromisoformat(text_of(given, "day")) if given.get("day") else None
    except ValueError as error:
        raise UsageError("the day is no date; write it like 2031-05-11") from error
    return typed_moment(
        text_of(given, "text"),
        zone=zone,
        day=day,
        sigma_s=sigma_s,
        source=how,  # type: ignore[arg-type]
    )


def asked_of(
    held: Held,
    question: Mapping[str, Any],
    layout: Layout,
    track: Track | None,
    boat: Boat | None,
    units: UnitSystem,
) -> Asked:
    """Return what the user has set, from a question of the page.

    Raises
    ------
    UsageError, DataError, TableError
        Values that cannot be.
    """
    bottom = question.get("bottom") or {}
    depth_by = str(bottom.get("by") or "bottom")
    if depth_by not in ("bottom", "typed", "track"):
        raise UsageError(f"the depth is by {depth_by!r}; allowed is bottom, typed, track")
    below = str(bottom.get("depth_below") or "transducer")
    if below not in ("transducer", "surface"):
        raise UsageError(f"the depth is below {below!r}; allowed is transducer, surface")
    depth = bottom.get("depth_m")
    if depth_by == "typed" and depth is None:
        raise UsageError("type the depth, or take it from the bottom line")
    place = question.get("place") or {}
    columns = _typed_place(place) if place.get("how") == "typed" else {}
    return Asked(
        layout=layout,
        moment=moment_of(held, question["moment"]) if question.get("moment") else None,
        track=track if not columns else None,
        boat=boat,
        drags=tuple(bottom.get("drags") or ()),
        depth_by=depth_by,
        depth_m=number(depth, "the depth", 0, 12000) if depth_by == "typed" else math.nan,
        depth_below=below,
        columns=columns,
        step_part=number(question.get("step_part") or 0, "the error of a line's time", 0, 1),
        units=units,
    )


def _typed_place(place: Mapping[str, Any]) -> dict[str, float]:
    lon, lat = parse_position(text_of(place, "lat"), text_of(place, "lon"))
    heading, magnetic = parse_heading(text_of(place, "heading"))
    out = {"lon": lon, "lat": lat, "heading_mag_deg" if magnetic else "heading_deg": heading}
    if place.get("speed_mps") is not None:
        out["speed_mps"] = number(place["speed_mps"], "the speed", 0, 100)
    return out


def place_record(asked: Asked) -> dict[str, Any]:
    """Return where the boat was at the moment of the newest line, and the track about it.

    Raises
    ------
    UsageError, DataError
        Neither a moment with a track, nor a typed position.
    """
    if asked.columns:
        lon, lat = asked.columns["lon"], asked.columns["lat"]
        return {
            "lon": lon,
            "lat": lat,
            "ends": [],
            "track": [],
            "sentence": f"The boat was at {format_position(lon, lat)}, as typed.",
        }
    if asked.moment is None:
        raise UsageError("say when the newest line was drawn")
    if asked.track is None:
        raise UsageError(
            "open a track of that time, or type where the boat was and where she headed"
        )
    then = where_on_track(asked.moment, asked.track, boat=asked.boat)
    near = np.abs(asked.track.time - asked.moment.time) < np.timedelta64(15, "m")
    lons, lats = asked.track.lon[near], asked.track.lat[near]
    step = max(1, len(lons) // 600)
    ends = [(then.early_lon, then.early_lat), (then.late_lon, then.late_lat)]
    return {
        "lon": then.lon,
        "lat": then.lat,
        "ends": [e for e in ends if math.isfinite(e[0])],
        "along_sigma_m": then.along_sigma_m,
        "track": np.stack([lons, lats], 1)[::step].tolist(),
        "sentence": then.sentence,
    }


# ---- picks and shapes ---------------------------------------------------------------------------


def _pair(value: Any) -> tuple[float, float]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise UsageError("a point is a pair of numbers")
    return number(value[0], "x", -1e5, 1e6), number(value[1], "y", -1e5, 1e6)


def _drag(value: Any) -> list[tuple[float, float]]:
    if not value:
        return [(math.nan, math.nan)] * 2
    if not isinstance(value, list) or len(value) != 2:
        raise UsageError("a drag has two ends")
    return [_pair(v) for v in value]


def _picks(asked: Asked, bottom: Bottom | None, held: Held, xy: Any, **more: Any) -> Picks:
    return _picks_of(asked, held, _points(asked, bottom, xy), **more)


def _moment(asked: Asked) -> Moment:
    if asked.moment is None:
        raise UsageError("say when the newest line was drawn")
    return asked.moment


def _picks_of(asked: Asked, held: Held, where: FramePoints, **more: Any) -> Picks:
    more.update(asked.columns)
    return to_picks(
        where,
        _moment(asked),
        track=asked.track,
        boat=asked.boat,
        depth_m=asked.depth_m,
        depth_below=asked.depth_below,
        step_part=asked.step_part,
        picture_sha256=held.picture.sha256,
        **more,
    )


def _points(asked: Asked, bottom: Bottom | None, xy: Any) -> FramePoints:
    return points(
        asked.layout,
        bottom,
        xy,
        straightener=straightener(asked.layout),
        budget=asked.boat.budget if asked.boat else None,
    )


def step_record(asked: Asked, bottom: Bottom | None, twice: Any) -> dict[str, Any]:
    """Measure what a line takes on things that the picture shows twice, and say it.

    Parameters
    ----------
    asked : Asked
        With the moment and a track; metres are measured where the layout has metres, else seconds.
    bottom : Bottom or None
        The bottom line.
    twice : list of [[x, y], [x, y]]
        Each thing at both of its places.

    Raises
    ------
    UsageError, DataError, TableError
        No moment, no track, or points that cannot tell.
    """
    if not isinstance(twice, list) or not twice or len(twice) > MOST_TWICE:
        raise UsageError(
            f"give 1 to {MOST_TWICE} things, each with the two places where it is seen"
        )
    if any(not isinstance(t, list | tuple) or len(t) != 2 for t in twice):
        raise UsageError("a thing seen twice has two places")
    if asked.moment is None:
        raise UsageError("say when the newest line was drawn")
    if asked.track is None:
        raise UsageError("open a track of that time; without one a turn tells nothing")
    first, again = (_points(asked, bottom, [_pair(t[k]) for t in twice]) for k in (0, 1))
    found = line_step_from_twice_seen(
        first,
        again,
        asked.moment,
        asked.track,
        unit="metres" if asked.layout.metres_per_line else "seconds",
        boat=asked.boat,
        depth_m=asked.depth_m,
        depth_below=asked.depth_below,
    )
    short = "m" if found.unit == "metres" else "s"
    return {
        f"{found.unit}_per_line": found.per_line,
        "step_part": found.sigma / found.per_line,
        "sentence": f"Both places meet on the track if a line takes {found.per_line:.4f} {short}, "
        f"give or take {found.sigma:.4f} {short}.",
    }


def _speed(asked: Asked) -> float:
    if "speed_mps" in asked.columns:
        return asked.columns["speed_mps"]
    if asked.track is None or asked.moment is None:
        return math.nan
    path = Path(asked.track.time, asked.track.lon, asked.track.lat)
    if not len(path):
        return math.nan
    at = path.at(np.array([asked.moment.time]), speed=path.samples(asked.track.speed_mps))
    return float(at.speed_mps[0])


def _shadow(
    asked: Asked, held: Held, where: FramePoints, record: Mapping[str, Any]
) -> tuple[Shadows, float]:
    """Return the shadow of a pick, and by what part the water there may differ from the boat's."""
    drag = _drag(record.get("shadow"))
    drawn = shadows(asked.layout, [drag])
    if not record.get("shadow"):
        return drawn, 0.0
    water = float(
        altitudes(
            where,
            _moment(asked),
            track=asked.track,
            boat=asked.boat,
            depth_m=asked.depth_m,
            depth_below=asked.depth_below,
        )[0]
    )
    uneven = held.uneven(asked.layout, float(where.line[0]), water)
    if record.get("own_ends"):
        return drawn, uneven
    return held.shadow(asked.layout, drag, water), uneven


def _one_pick(
    asked: Asked, bottom: Bottom | None, held: Held, record: Mapping[str, Any], row: int
) -> tuple[Sightings, dict[str, Any], tuple[str, ...]]:
    xy = _pair([record.get("x"), record.get("y")])
    where = _points(asked, bottom, [xy])
    shadow, uneven = _shadow(asked, held, where, record)
    picks = _picks_of(
        asked,
        held,
        where,
        shadow=shadow,
        uneven=uneven,
        name=text_of(record, "name"),
        kind=text_of(record, "kind"),
        note=text_of(record, "note"),
        hazard=bool(record.get("hazard")),
    )
    extra: dict[str, NDArray[Any]] = dict(picks.extra)
    if record.get("private"):
        extra["private"] = np.ones(1)
    length = width = math.nan
    if record.get("size"):
        size = sizes(
            asked.layout, bottom, _drag(record["size"]),
            speed_mps=_speed(asked), depth_m=asked.depth_m,
        )  # fmt: skip
        length, width = float(size.length_m[0]), float(size.width_m[0])
        extra |= {"length_m": size.length_m, "width_m": size.width_m}
    done = fix(
        replace(picks, extra=extra),
        track=asked.track,
        boat=asked.boat,
        source=held.name,
        source_rows=np.array([row]),
        method="picture",
    )
    s = done.sightings
    back = float(picks.seconds_back[0])
    major, minor, azimuth = error_ellipse(*s.total_covariance())
    told: dict[str, Any] = {
        "lon": float(s.lon[0]),
        "lat": float(s.lat[0]),
        "position": format_position(float(s.lon[0]), float(s.lat[0])),
        "r95_m": float(r95(*s.total_covariance())[0]),
        "ellipse": [float(major[0]), float(minor[0]), float(azimuth[0])],
        "antenna": [float(s.antenna_lon[0]), float(s.antenna_lat[0])],
        "side": str(s.side[0]),
        "ground_range_m": float(s.ground_range_m[0]),
        "depth_m": float(s.depth_m[0]),
        "height_m": float(s.height_m[0]),
        "height_sigma_m": float(np.sqrt(s.var_height_m2[0])),
        "shadow": None,
        "shadow_words": "",
        "length_m": length,
        "width_m": width,
        "seconds_back": back,
        "how": str(s.method_detail[0]),
    }
    if math.isfinite(told["height_m"]):
        ends = shadow.xy(asked.layout)[0]
        told["shadow"] = np.round(ends, 2).tolist()
        told["shadow_words"] = _shadow_words(
            int(shadow.dark_found[0]) + int(shadow.end_found[0]),
            bool(record.get("own_ends")),
            float(np.hypot(*(ends[1] - ends[0]))),
            float(picks.uneven_part[0]),
        )
    told["sentence"] = _sentence(told, str(s.kind[0]), float(picks.along_track_m[0]), asked.units)
    return s, told, done.words


def _shadow_words(found: int, own: bool, long_px: float, uneven: float) -> str:
    if found == 2:
        words = "The ends of its shadow were found in the picture."
    elif found == 1:
        words = (
            "One end of its shadow was found in the picture; for the other your drag counts too."
        )
    elif own:
        words = "The ends of its shadow are as you drew them."
    else:
        words = "The picture shows no clear ends of its shadow; they are as you drew them."
    if long_px < SHORT_PX:
        words += (
            f" The shadow is short ({long_px:.0f} pixels), so take the height as rough; a look from "
            "farther off shows a longer one."
        )
    if uneven >= DOUBTFUL_PART:
        words += f" {UNEVEN[0].upper()}{UNEVEN[1:]}."
    return words


def _sentence(told: Mapping[str, Any], kind: str, along_m: float, units: UnitSystem) -> str:
    def size(metres: float) -> str:
        return format_length(metres, units, 1)

    parts = [kind or "kind not given"]
    parts.append(f"{size(told['ground_range_m'])} to {told['side']}")
    if math.isfinite(told["depth_m"]):
        parts.append(f"{size(told['depth_m'])} deep")
    if math.isfinite(told["height_m"]):
        doubt = size(told["height_sigma_m"])
        parts.append(f"stands {size(told['height_m'])} high, give or take {doubt}")
    if math.isfinite(told["length_m"]):
        parts.append(f"{size(told['length_m'])} long")
    if math.isfinite(told["width_m"]):
        parts.append(f"{size(told['width_m'])} wide")
    parts.append(f"R95 {format_length(told['r95_m'], units, 0)}")
    if along_m < 0:
        parts.append(f"{size(-along_m)} back")
    else:
        parts.append(f"{told['seconds_back']:.0f} s back")
    return ", ".join(parts)


def saved_before(record: Mapping[str, Any]) -> Before | None:
    """Return how a pick was saved before, as its page remembers it; None for a new one.

    Raises
    ------
    UsageError
        ``saved`` is no record with an ``id``.
    """
    saved = record.get("saved")
    if not saved:
        return None
    if not isinstance(saved, dict) or not isinstance(saved.get("id"), str):
        raise UsageError("saved must be a record with an id")
    said = {
        n: bool(saved.get(n)) if n in ("hazard", "private") else text_of(saved, n) for n in EDITABLE
    }
    return Before(saved["id"], said)


def _one_shape(
    asked: Asked, bottom: Bottom | None, held: Held, record: Mapping[str, Any]
) -> tuple[Shape, dict[str, Any]]:
    xy = [_pair(p) for p in record.get("points") or ()]
    area = bool(record.get("area"))
    least = 3 if area else 2
    if len(xy) < least:
        raise UsageError(f"{'an area' if area else 'a line'} needs {least} corners or more")
    picks = _picks(asked, bottom, held, xy)
    made = place_shape(picks, closed=area, track=asked.track, boat=asked.boat)
    assert asked.moment is not None
    back = np.timedelta64(round(float(picks.seconds_back[0]) * 1e6), "us")
    pixels = np.array(xy)
    shape = Shape(
        lon=made.lon, lat=made.lat, r95_m=made.r95_m, x=pixels[:, 0], y=pixels[:, 1], area=area,
        name=text_of(record, "name"), kind=text_of(record, "kind"), note=text_of(record, "note"),
        time=asked.moment.time - back, private=bool(record.get("private")),
    )  # fmt: skip
    words = f"{shape.kind or ('area' if area else 'line')}, {len(xy)} corners, R95 up to "
    corners = np.stack([made.lon, made.lat], 1).tolist()
    return shape, {
        "corners": corners,
        "r95_m": float(made.r95_m.max()),
        "sentence": words + format_length(float(made.r95_m.max()), asked.units, 0),
    }


def placed(
    held: Held, asked: Asked, picks: Sequence[Any], shapes: Sequence[Any]
) -> tuple[list[Sightings], list[Shape], list[dict[str, Any]], list[dict[str, Any]], list[str]]:
    """Place picks and shapes, each by itself, so that a bad one does not hold the others back.

    Returns
    -------
    sightings, shapes
        Those that could be placed.
    picks, shapes as told
        One record each, in order; with ``fault`` where it could not be placed.
    words : list of str
        What was assumed.
    """
    if len(picks) + sum(len(s.get("points") or ()) for s in shapes) > MOST_POINTS:
        raise UsageError(f"more than {MOST_POINTS} points on one picture; save some of them first")
    bottom = held.bottom(asked.layout, asked.drags) if asked.depth_by == "bottom" else None
    sightings: list[Sightings] = []
    made: list[Shape] = []
    told: list[dict[str, Any]] = []
    drawn: list[dict[str, Any]] = []
    words: list[str] = []
    for k, record in enumerate(picks, start=1):
        try:
            s, one, said = _one_pick(asked, bottom, held, record, k)
        except (DataError, UsageError) as error:
            told.append({"fault": _fault(error)})
            continue
        sightings.append(s)
        told.append(one)
        words += [w.removesuffix(" (1 pick)") for w in said]
    for record in shapes:
        try:
            shape, one = _one_shape(asked, bottom, held, record)
        except (DataError, UsageError) as error:
            drawn.append({"fault": _fault(error)})
            continue
        made.append(shape)
        drawn.append(one)
    return sightings, made, told, drawn, list(dict.fromkeys(words))


def _fault(error: Exception) -> str:
    if isinstance(error, TableError):
        return "; ".join(dict.fromkeys(r.message for r in error.rows))
    return str(error)


def bottom_record(bottom: Bottom | None, layout: Layout, units: UnitSystem) -> dict[str, Any]:
    """Return the bottom line as pixels, with its confidence, and what to say of it."""
    if bottom is None:
        words = "The screen shows ground ranges, so there is no water to see; the depth is needed only for shadows."
        return {"sides": {}, "sentence": words}
    lines = np.arange(bottom.lines)
    sides: dict[str, Any] = {}
    for side in bottom.sides:
        xy = layout.pixel_of(same_text(lines.size, side), lines, bottom.range_m[side])
        sides[side] = {
            "xy": np.round(xy, 2).tolist(),
            "confidence": np.round(bottom.confidence[side], 2).tolist(),
        }
    both = bottom.altitude()
    sure = both.confidence >= CONFIDENT
    if not sure.any():
        words = "No bottom line was found that can be trusted; drag it, or type the depth."
    else:
        low, high = float(both.altitude_m[sure].min()), float(both.altitude_m[sure].max())
        words = (
            f"The bottom lies {format_length(low, units)} to {format_length(high, units)} below "
            f"the transducer; {100 * sure.mean():.0f} % of the lines are sure."
        )
    return {"sides": sides, "sentence": words}
