"""Marks and limits in, what a chartplotter takes out: order, names, notes, symbols, pieces.

Pure: no file is written here. The limits come from the user's own small TOML file, because every
plotter differs; none ship with the package. Whatever is shortened, renamed, cut or left out is
counted and said.

Which marks matter most, where not all fit into one file: hazards first, then those seen on more
trips, then those with more sightings, then the smaller R95, then the more recent, then the id.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Self, get_args

import numpy as np
from numpy.typing import NDArray

from athwart.contents import Contents
from athwart.errors import FileError, UsageError
from athwart.geometry.geodesic import inverse, local_offsets
from athwart.settings import parse_settings, read_settings
from athwart.shortnames import Charset, cut_text, plain_text, unique_names
from athwart.tables import Marks, Track
from athwart.units import FATHOM, FOOT, UnitSystem, format_length, many

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Limits", "Prepared", "importance_order", "prepare", "select", "simplify_track"]

IntArray = NDArray[np.int64]

CAUTION = "Not for navigation; an estimated position."
# What an earlier export added to a note; marks read back from such a file do not get it twice.
_ADDED = re.compile(
    r"\s*(?:R95 \d+(?:\.\d)? (?:m|ft|fm)(?:, from \d+ sightings?(?: on \d+ trips)?)?\."
    r"|Bottom -?\d+\.\d (?:m|ft|fm)(?: below the \w+| \(not said below what\))"
    r"(?:, least depth -?\d+\.\d (?:m|ft|fm))?\."
    rf"|{re.escape(CAUTION)})",
    re.IGNORECASE,
)
_DEPTH_ELEMENT = re.compile(r"^\{[^{}\s]+\}[^\W\d][\w.-]*$")
_WHOLE = ("max_waypoints", "max_name", "max_note", "max_track_points", "max_route_points")
_AT_LEAST = {"max_track_points": 2, "max_route_points": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a chartplotter accepts; None means that it sets no limit.

    Parameters
    ----------
    max_waypoints : int or None
        Waypoints in one file.
    max_name : int or None
        Characters in a name.
    charset : {"utf-8", "ascii", "ascii-upper"}
        Characters that it shows.
    unique_names : bool
        Two waypoints may not have one name, whatever the capitals.
    max_note : int or None
        Characters in a note; 0 leaves notes out.
    max_track_points, max_route_points : int or None
        Points in one track or route, 2 or more.
    max_track_km : float or None
        Length of one track, kilometres.
    depth_element : str or None
        Element that holds the depth, written ``{namespace-uri}name``.
    symbols : mapping of str to str
        Symbol text for a kind; the entry for ``other`` serves kinds that have none.
    """

    max_waypoints: int | None = None
    max_name: int | None = None
    charset: Charset = "utf-8"
    unique_names: bool = True
    max_note: int | None = None
    max_track_points: int | None = None
    max_track_km: float | None = None
    max_route_points: int | None = None
    depth_element: str | None = None
    symbols: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for key in _WHOLE:
            least = _AT_LEAST.get(key, 0 if key == "max_note" else 1)
            value = getattr(self, key)
            if value is not None and (
                isinstance(value, bool) or not isinstance(value, int) or value < least
            ):
                raise UsageError(f"{key} is {value!r}; allowed is a whole number from {least} up")
        km = self.max_track_km
        if km is not None and (
            isinstance(km, bool) or not isinstance(km, (int, float)) or not 0 < km < float("inf")
        ):
            raise UsageError(f"max_track_km is {km!r}; allowed is a number above 0")
        if self.charset not in get_args(Charset):
            raise UsageError(
                f"charset is {self.charset!r}; allowed is {', '.join(get_args(Charset))}"
            )
        if not isinstance(self.unique_names, bool):
            raise UsageError(f"unique_names is {self.unique_names!r}; allowed is true or false")
        element = self.depth_element
        if element is not None and not (isinstance(element, str) and _DEPTH_ELEMENT.match(element)):
            raise UsageError(f"depth_element is {element!r}; write it as {{namespace address}}name")
        if not isinstance(self.symbols, Mapping) or not all(
            isinstance(k, str) and isinstance(v, str) for k, v in self.symbols.items()
        ):
            raise UsageError(
                'symbols is not a table of texts; write lines like rock = "text" under [symbols]'
            )

    @classmethod
    def from_toml(cls, source: str | Path) -> Self:
        """Read limits from a TOML file, or from TOML text that has a line end or an equals sign.

        Raises
        ------
        FileError
            The file cannot be read, is not TOML, or holds a key or value that is not known.
        """
        if isinstance(source, Path) or not ("\n" in source or "=" in source or not source):
            path = Path(source)
            given, name = read_settings(path), path.name
        else:
            given, name = parse_settings(source, "limits"), "limits"
        known = [f.name for f in fields(cls)]
        unknown = [key for key in given if key not in known]
        if unknown:
            raise FileError(
                name, f"there is no limit {unknown[0]!r}; the limits are {', '.join(known)}"
            )
        try:
            return cls(**given)
        except UsageError as error:
            raise FileError(name, str(error)) from error


@dataclass(frozen=True, eq=False, kw_only=True)
class Prepared:
    """What a plotter will take, and what had to be done for it.

    Parameters
    ----------
    files : tuple of Contents
        One for each file to write, the most important marks in the first; tracks and routes are
        in the first. Symbol texts are in the column ``symbol`` of the marks' ``extra``.
    words : tuple of str
        One sentence for each thing that was done to the data.
    names : tuple of (str, str, str)
        Mark id, name before, name after, of every mark whose name changed.
    """

    files: tuple[Contents, ...]
    words: tuple[str, ...]
    names: tuple[tuple[str, str, str], ...]


def importance_order(marks: Marks) -> IntArray:
    """Return rows of marks from the most to the least important; row order has no say."""
    recent = np.where(np.isnat(marks.last_time), np.iinfo(np.int64).min, marks.last_time.view("i8"))
    return np.lexsort(
        (
            marks.name.astype(str),
            marks.lat,
            marks.lon,
            marks.mark_id.astype(str),
            -recent.astype(np.float64),
            np.where(np.isnan(marks.r95_m), np.inf, marks.r95_m),
            -marks.sightings,
            -marks.trips,
            ~marks.hazard,
        )
    ).astype(np.int64)


def prepare(
    marks: Marks,
    limits: Limits,
    *,
    tracks: Track | None = None,
    routes: Track | None = None,
    caution: bool = True,
    simplify_m: float | None = None,
    units: UnitSystem = "metric",
) -> Prepared:
    """Fit marks, tracks and routes to what a plotter accepts.

    Parameters
    ----------
    marks : Marks
        Every one of them comes out again, in exactly one file.
    limits : Limits
        What the plotter accepts.
    tracks, routes : Track, optional
        Cut into numbered pieces where they are too long; each piece begins with the last point
        of the one before.
    caution : bool
        Add the caution to each note where it fits.
    simplify_m : float, optional
        Leave out track points that lie within this distance of the line without them, metres.
    units : {"metric", "feet", "fathoms"}
        What R95 and depths in the notes are written in.

    Returns
    -------
    Prepared

    Raises
    ------
    DataError
        The names cannot be told apart within ``max_name``.
    UsageError
        ``simplify_m`` is not above zero.
    """
    words: list[str] = []
    ordered = marks.take(importance_order(marks))
    names, renamed = _mark_names(ordered, limits, words)
    notes = _notes(ordered, limits, caution, units, words)
    extra = dict(ordered.extra)
    if limits.symbols:
        other = limits.symbols.get("other", "")
        symbols = np.array([limits.symbols.get(k, other) for k in ordered.kind], dtype=object)
        extra["symbol"] = symbols
        without = int((symbols == "").sum())
        if without:
            words.append(f"{many(without, 'mark')} of a kind that has no symbol text")
    ordered = Marks(
        **{**ordered.to_columns(), "name": names, "note": notes},
        extra=extra,
    )
    tracks = Track.empty() if tracks is None else tracks
    routes = Track.empty() if routes is None else routes
    if simplify_m is not None and len(tracks):
        before = len(tracks)
        tracks = simplify_track(tracks, simplify_m)
        words.append(
            f"tracks simplified within {format_length(simplify_m, units)}: {len(tracks)} of "
            f"{before} points left"
        )
    tracks = _cut(tracks, limits, limits.max_track_points, limits.max_track_km, "track", words)
    routes = _point_names(routes, limits, words)
    routes = _cut(routes, limits, limits.max_route_points, None, "route", words)

    size = limits.max_waypoints or max(len(ordered), 1)
    starts = range(0, max(len(ordered), 1), size)
    files = [
        Contents(marks=ordered.take(np.arange(s, min(s + size, len(ordered))))) for s in starts
    ]
    if len(files) > 1:
        words.append(
            f"{len(ordered)} marks are more than the {size} that fit; they are in {len(files)} "
            "files, the most important first (hazards, then more trips and sightings, smaller "
            "R95, more recent)"
        )
    files[0] = Contents(marks=files[0].marks, tracks=tracks, routes=routes)
    return Prepared(files=tuple(files), words=tuple(words), names=tuple(renamed))


def select(marks: Marks, *, kinds: Sequence[str] = (), within: BaseGeometry | None = None) -> Marks:
    """Return the marks of some kinds, inside an area.

    Parameters
    ----------
    marks : Marks
        All of them.
    kinds : sequence of str
        Kinds to keep, whatever the capitals; none keeps all.
    within : shapely geometry, optional
        Area in longitude and latitude; its edge belongs to it. It may reach over the 180th
        meridian with longitudes beyond 180 or below -180.
    """
    keep = np.ones(len(marks), dtype=bool)
    if kinds:
        wanted = {k.casefold() for k in kinds}
        keep &= np.array([k.casefold() in wanted for k in marks.kind], dtype=bool)
    if within is not None:
        import shapely

        inside = np.zeros(len(marks), dtype=bool)
        for turn in (0.0, 360.0, -360.0):
            inside |= shapely.intersects_xy(within, marks.lon + turn, marks.lat)
        keep &= inside
    return marks.take(keep)


def simplify_track(track: Track, tolerance_m: float) -> Track:
    """Leave out points of tracks within a tolerance (Douglas and Peucker 1973).

    Parameters
    ----------
    track : Track
        Each segment keeps its first and last point; points that stay keep all their columns.
    tolerance_m : float
        Largest distance from a point that goes to the line that stays, metres.

    Raises
    ------
    UsageError
        The tolerance is not above zero.
    """
    if not 0 < tolerance_m < float("inf"):
        raise UsageError(f"the tolerance is {tolerance_m} m; allowed is a number above 0")
    import shapely

    kept: list[IntArray] = []
    for start, end in _runs(track):
        middle = (start + end) // 2
        east, north = local_offsets(
            track.lon[start:end], track.lat[start:end], track.lon[middle], track.lat[middle]
        )
        if end - start < 3:
            kept.append(np.arange(start, end))
            continue
        # The row number rides along as the height of each point.
        line = shapely.linestrings(np.stack([east, north, np.arange(start, end)], axis=1))
        thin = shapely.simplify(line, tolerance_m, preserve_topology=False)
        kept.append(shapely.get_coordinates(thin, include_z=True)[:, 2].astype(np.int64))
    return track.take(np.concatenate(kept)) if kept else track


def _mark_names(
    marks: Marks, limits: Limits, words: list[str]
) -> tuple[NDArray[np.object_], list[tuple[str, str, str]]]:
    before = marks.name.tolist()
    names, lost = unique_names(
        before,
        length=limits.max_name,
        charset=limits.charset,
        unique=limits.unique_names,
        fallback=[k or "mark" for k in marks.kind],
    )
    renamed = [
        (key, old, new)
        for key, old, new in zip(marks.mark_id.tolist(), before, names, strict=True)
        if old != new
    ]
    empty = sum(not old.strip() for _, old, _ in renamed)
    if empty:
        words.append(f"{many(empty, 'mark')} without a name got the kind and a number")
    if len(renamed) > empty:
        words.append(
            f"{many(len(renamed) - empty, 'name')} shortened or changed to fit or to be unique"
        )
    if lost:
        words.append(f"{many(lost, 'letter')} of names with no counterpart in the plotter's set")
    out = np.empty(len(names), dtype=object)
    out[:] = names
    return out, renamed


def _notes(
    marks: Marks, limits: Limits, caution: bool, units: UnitSystem, words: list[str]
) -> NDArray[np.object_]:
    ellipsis = "…" if limits.charset == "utf-8" else "..."
    room = limits.max_note
    cut = lost = without = 0
    out = np.empty(len(marks), dtype=object)
    for i in range(len(marks)):
        own = _ADDED.sub("", str(marks.note[i])).strip()
        note, missing = plain_text(own, limits.charset)
        lost += missing
        if room is not None and len(note) > room:
            cut += 1
            note = cut_text(note, room - len(ellipsis)) + ellipsis if room > len(ellipsis) else ""
        error, depth = _error_words(marks, i, units), _depth_words(marks, i, units)
        shown = [error, depth, CAUTION if caution else ""]
        shown = [plain_text(e, limits.charset)[0] for e in shown]
        taken: set[int] = set()
        for k in (0, 2, 1):  # where room is short, a depth gives way to the caution
            if not shown[k]:
                continue
            if room is None or len(_joined(note, shown, taken | {k})) <= room:
                taken.add(k)
            else:
                without += 1
        out[i] = _joined(note, shown, taken)
    if cut:
        words.append(f"{many(cut, 'note')} cut to {room} characters")
    if lost:
        words.append(f"{many(lost, 'letter')} of notes with no counterpart in the plotter's set")
    if without:
        words.append(f"the R95, the depth or the caution did not fit into the note {without} times")
    return out


def _joined(note: str, parts: list[str], taken: set[int]) -> str:
    for k in sorted(taken):
        note = f"{note}{_joint(note)}{parts[k]}"
    return note


def _joint(note: str) -> str:
    if not note:
        return ""
    return " " if note[-1] in ".!?…;" else ". "


def _error_words(marks: Marks, i: int, units: UnitSystem) -> str:
    radius, seen, trips = float(marks.r95_m[i]), int(marks.sightings[i]), int(marks.trips[i])
    if not np.isfinite(radius):
        return ""
    size = format_length(radius, units, 1 if radius < 2 or units == "fathoms" else 0)
    source = f", from {many(seen, 'sighting')}" if seen else ""
    if seen and trips > 1:
        source += f" on {trips} trips"
    return f"R95 {size}{source}."


def _depth_words(marks: Marks, i: int, units: UnitSystem) -> str:
    """Return the depth of the bottom, and how little there may be over the thing itself."""
    depth, least = float(marks.depth_m[i]), float(marks.least_depth_m[i])
    if not np.isfinite(depth):
        return ""
    below = str(marks.depth_below[i])
    text = f"Bottom {format_length(depth, units)}"
    text += f" below the {below}" if below else " (not said below what)"
    if np.isfinite(least):
        step = {"metric": 0.1, "feet": 0.1 * FOOT.value, "fathoms": 0.1 * FATHOM.value}[units]
        safe = np.floor(least / step + 1e-9) * step  # rounded to the shoal side
        text += f", least depth {format_length(float(safe), units)}"
    return f"{text}."


def _point_names(routes: Track, limits: Limits, words: list[str]) -> Track:
    """Fit the names of route points; a place that a route comes back to keeps its one name."""
    if "point_name" not in routes.extra or not len(routes):
        return routes
    before = [str(n) for n in routes.extra["point_name"].tolist()]
    keys = list(zip(before, routes.lon.tolist(), routes.lat.tolist(), strict=True))
    places = list(dict.fromkeys(keys))
    made, _ = unique_names(
        [name for name, *_ in places],
        length=limits.max_name,
        charset=limits.charset,
        unique=limits.unique_names,
        fallback=["turn"] * len(places),
    )
    name_of = dict(zip(places, made, strict=True))
    names = np.array([name_of[k] for k in keys], dtype=object)
    changed = sum(bool(old.strip()) and old != name_of[k] for k in places for old in k[:1])
    if changed:
        words.append(f"{many(changed, 'name')} of route points shortened or changed")
    return replace(routes, extra={**routes.extra, "point_name": names})


def _runs(track: Track) -> list[tuple[int, int]]:
    """Return start and end of each unbroken piece, in file order."""
    if not len(track):
        return []
    changed = (np.diff(track.line) != 0) | (np.diff(track.segment) != 0)
    starts = np.flatnonzero(np.r_[True, changed])
    return list(zip(starts.tolist(), [*starts[1:].tolist(), len(track)], strict=True))


def _cut(
    track: Track,
    limits: Limits,
    max_points: int | None,
    max_km: float | None,
    what: str,
    words: list[str],
) -> Track:
    if not len(track):
        return track
    runs = _runs(track)
    lines: dict[int, list[tuple[int, int]]] = {}
    for start, end in runs:
        lines.setdefault(int(track.line[start]), []).append((start, end))
    rows: list[IntArray] = []
    line_of: list[IntArray] = []
    segment_of: list[IntArray] = []
    wanted: list[str] = []
    cut = segments = long_steps = 0
    for pieces in lines.values():
        base = str(track.name[pieces[0][0]])
        lengths = [_steps_m(track, start, end) for start, end in pieces]
        points = sum(end - start for start, end in pieces)
        metres = sum(float(d.sum()) for d in lengths)
        if (max_points is None or points <= max_points) and (
            max_km is None or metres <= max_km * 1000.0
        ):
            parts = [pieces]
        else:
            cut += 1
            parts = []
            for (start, end), steps in zip(pieces, lengths, strict=True):
                found, too_long = _pieces(start, end, steps, max_points, max_km)
                parts += [[p] for p in found]
                long_steps += too_long
        for k, part in enumerate(parts):
            wanted.append(base if len(parts) == 1 else f"{base or what} {k + 1}")
            for start, end in part:
                rows.append(np.arange(start, end))
                line_of.append(np.full(end - start, len(wanted) - 1))
                segment_of.append(np.full(end - start, segments))
                segments += 1
    names, _ = unique_names(
        wanted,
        length=limits.max_name,
        charset=limits.charset,
        unique=limits.unique_names,
        fallback=[what] * len(wanted),
    )
    line = np.concatenate(line_of)
    out = track.take(np.concatenate(rows))
    new = np.array(names, dtype=object)[line]
    changed = sum(a != b for a, b in zip(wanted, names, strict=True))
    if cut:
        words.append(
            f"{many(cut, what)} too long for the plotter, now {len(wanted)} in all; each piece "
            "begins where the one before ends"
        )
    if long_steps:
        words.append(
            f"{many(long_steps, 'step')} between two points of a {what} longer than "
            f"{max_km:g} km by itself; nothing was put between them"
        )
    if changed:
        words.append(f"{many(changed, 'name')} of {what}s shortened or changed")
    return out.with_columns(line=line, segment=np.concatenate(segment_of), name=new)


def _steps_m(track: Track, start: int, end: int) -> NDArray[np.float64]:
    if end - start < 2:
        return np.zeros(0)
    lon, lat = track.lon[start:end], track.lat[start:end]
    return inverse(lon[:-1], lat[:-1], lon[1:], lat[1:])[1]


def _pieces(
    start: int,
    end: int,
    steps_m: NDArray[np.float64],
    max_points: int | None,
    max_km: float | None,
) -> tuple[list[tuple[int, int]], int]:
    """Cut one unbroken run; return pieces (end excluded) and how many steps are too long."""
    along = np.r_[0.0, np.cumsum(steps_m)]
    last = end - start - 1
    out: list[tuple[int, int]] = []
    at = too_long = 0
    while True:
        to = last if max_points is None else min(last, at + max_points - 1)
        if max_km is not None:
            reach = int(np.searchsorted(along, along[at] + max_km * 1000.0, side="right")) - 1
            if reach <= at < last:
                reach = at + 1
                too_long += 1
            to = min(to, reach) if at < last else to
        out.append((start + at, start + to + 1))
        if to >= last:
            return out, too_long
        at = to
