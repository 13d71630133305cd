"""How a side-scan screen is laid out: which pixel is which side, line and range.

Coordinates in a picture are x to the right and y down, in pixels; the picture's left and top edges
are 0, so the middle of pixel [i, j] is (j + 0.5, i + 0.5). Lines are counted from the newest, 0; the
middle of line k has the line coordinate k. The range of a point is its distance from the boat's
centre line times the metres a column:

    r = |across - centre| * range / |limit - centre|.

A layout is told once per boat and kept as a small TOML file.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import BadRow, DataError, TableError
from athwart.frame.photo import corner_fault
from athwart.settings import parse_settings, read_settings

__all__ = ["LEAST_PX", "Layout", "RangeChange", "SideEcho"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
TextArray = NDArray[np.object_]
Single = NDArray[np.float32]

EDGES = ("top", "bottom", "left", "right")
AXES = ("slant", "ground")
SIDES = ("port", "starboard")

LEAST_PX = 8
"""Fewer pixels than this are no panel and no side; a slip of the hand."""

SHAPE_SLACK_PX = 1.0
"""A picture made smaller is rounded to whole pixels, so its shape may be off by this much."""


class RangeChange(NamedTuple):
    """From `line` (counted from the newest, 0) to older ones the limit stood for `range_m`."""

    line: int
    range_m: float


@dataclass(frozen=True, eq=False, kw_only=True)
class SideEcho:
    """One side of a frame, line by line.

    Parameters
    ----------
    echo : numpy.ndarray of float32, shape (lines, columns)
        Line 0 is the newest, column 0 the nearest to the boat.
    scale_m : numpy.ndarray of float64, shape (lines,)
        Metres of range for a column.
    start_columns : float
        Distance from the centre line to the near edge of column 0, in columns: the range of the
        middle of column k on line i is ``(k + 0.5 + start_columns) * scale_m[i]``.
    """

    echo: Single
    scale_m: FloatArray
    start_columns: float


@dataclass(frozen=True, kw_only=True)
class Layout:
    """The layout of one screen.

    Parameters
    ----------
    width_px, height_px : int
        Size of the (straightened) picture that the numbers refer to.
    newest : {"top", "bottom", "left", "right"}
        Edge of the panel where the newest line is; time runs from there to the opposite edge.
        Lines are rows for top and bottom, columns for left and right.
    centre_px : float
        Where the boat's centre line crosses the across direction (x if newest is top or bottom,
        else y); it may lie on an edge of the panel.
    range_m : float
        What the range limit stands for, metres, both sides alike.
    axis : {"slant", "ground"}
        What the range axis shows; ground: already corrected by the sounder.
    port_limit_px, starboard_limit_px : float, optional
        Where the range limit lies on each side; at least one. On which hand port is follows from
        them, so a mirrored screen needs no word.
    panel : (left, top, right, bottom), optional
        The sonar panel within the picture, taken at whole pixels; the whole picture if not given.
    seconds_per_line, metres_per_line : float, optional
        What a line takes; at most one of them.
    range_changes : sequence of RangeChange, optional
        Where the range was changed within the frame, the newest change first.
    display_corners : four (x, y), optional
        The display's corners in a photo taken at an angle, clockwise from its top left; the other
        numbers then refer to the straightened display.

    Raises
    ------
    TableError
        Values that cannot be, every one with its sentence.
    """

    width_px: int
    height_px: int
    newest: Literal["top", "bottom", "left", "right"]
    centre_px: float
    range_m: float
    axis: Literal["slant", "ground"]
    port_limit_px: float | None = None
    starboard_limit_px: float | None = None
    panel: tuple[int, int, int, int] | None = None
    seconds_per_line: float | None = None
    metres_per_line: float | None = None
    range_changes: tuple[RangeChange, ...] = ()
    display_corners: tuple[tuple[float, float], ...] | None = None

    def __post_init__(self) -> None:
        given = {f.name: getattr(self, f.name) for f in fields(self)}
        clean, faults = _checked({k: v for k, v in given.items() if v is not None})
        if faults:
            raise TableError("layout", faults)
        for name, value in clean.items():
            object.__setattr__(self, name, value)

    # ---- files ------------------------------------------------------------------------------

    @classmethod
    def from_toml(cls, source: str | Path) -> Layout:
        """Read a layout.

        Parameters
        ----------
        source : pathlib.Path or str
            A file, or the TOML itself (a text that holds an equals sign).

        Raises
        ------
        FileError
            The file cannot be read or is not TOML.
        TableError
            Entries that are unknown, missing or out of range, every one with its sentence.
        """
        if isinstance(source, str) and ("=" in source or "\n" in source):
            return cls.from_mapping(parse_settings(source, "layout"))
        path = Path(source)
        return cls.from_mapping(read_settings(path), source=path.name)

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any], *, source: str = "layout") -> Layout:
        """Make a layout of the entries of a layout file.

        Raises
        ------
        TableError
            Entries that are unknown, missing or out of range, every one with its sentence.
        """
        clean, faults = _checked(values)
        if faults:
            raise TableError(source, faults)
        return cls(**clean)

    def to_toml(self) -> str:
        """Return the layout as TOML; `from_toml` gives the same layout back."""
        lines = []
        for name in _ENTRIES:
            value = getattr(self, name)
            if value is None or value == ():
                continue
            if name == "range_changes":
                parts = [f"{{line = {c.line}, range_m = {c.range_m!r}}}" for c in value]
                text = f"[{', '.join(parts)}]"
            elif name == "display_corners":
                text = f"[{', '.join(f'[{x!r}, {y!r}]' for x, y in value)}]"
            elif isinstance(value, str):
                text = f'"{value}"'
            elif isinstance(value, tuple):
                text = f"[{', '.join(map(repr, value))}]"
            else:
                text = repr(value)
            lines.append(f"{name} = {text}\n")
        return "".join(lines)

    # ---- other pictures ---------------------------------------------------------------------

    def scaled(self, width_px: int, height_px: int) -> Layout:
        """Return the layout for a picture of another size and the same shape.

        A line of a larger picture takes less time; the corners in a photo stay as they are.

        Raises
        ------
        DataError
            The picture has another shape.
        """
        if (width_px, height_px) == (self.width_px, self.height_px):
            return self
        across = width_px / self.width_px
        down = height_px / self.height_px
        slack = SHAPE_SLACK_PX * max(1.0, across, down)
        off = abs(self.height_px * across - height_px), abs(self.width_px * down - width_px)
        if min(width_px, height_px) < 1 or min(off) > slack:
            raise DataError(
                f"the picture is {width_px} x {height_px} pixels, but the layout is for "
                f"{self.width_px} x {self.height_px} or the same shape; use another layout"
            )
        assert self.panel is not None
        left, top, right, bottom = self.panel
        c, t = (across, down) if self._upright else (down, across)

        def times(value: float | None, factor: float) -> float | None:
            return None if value is None else value * factor

        return replace(
            self,
            width_px=width_px,
            height_px=height_px,
            panel=(
                _whole(left * across),
                _whole(top * down),
                _whole(right * across),
                _whole(bottom * down),
            ),
            centre_px=self.centre_px * c,
            port_limit_px=times(self.port_limit_px, c),
            starboard_limit_px=times(self.starboard_limit_px, c),
            seconds_per_line=times(self.seconds_per_line, 1 / t),
            metres_per_line=times(self.metres_per_line, 1 / t),
            range_changes=tuple(
                RangeChange(max(1, _whole(x.line * t)), x.range_m) for x in self.range_changes
            ),
        )

    def for_picture(self, image: NDArray[Any]) -> Layout:
        """Return the layout scaled to a picture, an array [row, column]; see `scaled`."""
        return self.scaled(image.shape[1], image.shape[0])

    # ---- what follows from it ---------------------------------------------------------------

    @property
    def _upright(self) -> bool:
        """Lines are rows."""
        return self.newest in ("top", "bottom")

    @property
    def _along_edges(self) -> tuple[int, int]:
        assert self.panel is not None
        return (self.panel[1], self.panel[3]) if self._upright else (self.panel[0], self.panel[2])

    @property
    def _across_edges(self) -> tuple[int, int]:
        assert self.panel is not None
        return (self.panel[0], self.panel[2]) if self._upright else (self.panel[1], self.panel[3])

    @property
    def lines(self) -> int:
        """How many lines the panel holds."""
        low, high = self._along_edges
        return high - low

    @property
    def side_names(self) -> tuple[str, ...]:
        """The sides that the screen shows."""
        return tuple(s for s in SIDES if self._limit(s) is not None)

    def _limit(self, side: str) -> float | None:
        if side not in SIDES:
            raise DataError(f"side is {side!r}; allowed is port, starboard")
        return self.port_limit_px if side == "port" else self.starboard_limit_px

    def _shown_limit(self, side: str) -> float:
        limit = self._limit(side)
        if limit is None:
            raise DataError(f"the layout shows no {side} side")
        return limit

    def _span(self, side: str) -> tuple[int, int]:
        """Return the pixels of a side across, nearest first and one beyond the last, with sign."""
        limit = self._shown_limit(side)
        low, high = self._across_edges
        if limit > self.centre_px:
            near = math.ceil(self.centre_px)
            return near, max(near, min(high, _whole(limit)))
        near = math.floor(self.centre_px)
        return near, min(near, max(low, math.ceil(limit - 0.5)))

    def columns(self, side: str) -> int:
        """Return how many whole columns a side has between the centre line and its limit."""
        near, far = self._span(side)
        return abs(far - near)

    def metres_per_column(self, side: str) -> FloatArray:
        """Return the metres of range for a column on each line, shape (lines,)."""
        limit = np.full(self.lines, self.range_m)
        for change in self.range_changes:
            limit[change.line :] = change.range_m
        return limit / abs(self._shown_limit(side) - self.centre_px)

    def inside(self, xy: ArrayLike, slack_px: float = 0.0) -> NDArray[np.bool_]:
        """Say which points (..., 2) lie in the panel, to within some pixels."""
        assert self.panel is not None
        p = np.asarray(xy, np.float64)
        left, top, right, bottom = self.panel
        x, y = p[..., 0], p[..., 1]
        return np.asarray(
            (x >= left - slack_px)
            & (x <= right + slack_px)
            & (y >= top - slack_px)
            & (y <= bottom + slack_px)
        )

    def line_of(self, xy: ArrayLike) -> FloatArray:
        """Return the line coordinate of points (..., 2): k in the middle of line k, shape (...)."""
        p = np.asarray(xy, np.float64)
        low, high = self._along_edges
        along = p[..., 1] if self._upright else p[..., 0]
        from_newest = along - low if self.newest in ("top", "left") else high - along
        return np.asarray(from_newest - 0.5)

    def line_index(self, line: ArrayLike) -> IntArray:
        """Return the number of the line that a line coordinate falls into, kept within the panel."""
        whole = np.floor(np.nan_to_num(np.asarray(line, np.float64)) + 0.5)
        return np.clip(whole, 0, self.lines - 1).astype(np.int64)

    def range_of(self, xy: ArrayLike) -> tuple[TextArray, FloatArray]:
        """Return side and range of points.

        Parameters
        ----------
        xy : array_like, shape (..., 2)
            Pixels.

        Returns
        -------
        side : numpy.ndarray of str, shape (...)
            ``"port"`` or ``"starboard"``; ``""`` on the hand that the screen does not show.
        range_m : numpy.ndarray, shape (...)
            Metres along the axis of the screen; NaN where the side is ``""``.
        """
        p = np.asarray(xy, np.float64)
        index = self.line_index(self.line_of(p))
        off = (p[..., 0] if self._upright else p[..., 1]) - self.centre_px
        side = np.full(off.shape, "", dtype=object)
        range_m = np.full(off.shape, np.nan)
        for name in self.side_names:
            sign = self._sign(name)
            here = (off * sign >= 0) & (side == "")
            side = np.where(here, name, side)
            range_m = np.where(here, off * sign * self.metres_per_column(name)[index], range_m)
        return side, range_m

    def _sign(self, side: str) -> float:
        return 1.0 if self._shown_limit(side) > self.centre_px else -1.0

    def pixel_of(self, side: ArrayLike, line: ArrayLike, range_m: ArrayLike) -> FloatArray:
        """Return the pixel of a side, line and range: the inverse of `line_of` and `range_of`.

        Parameters
        ----------
        side : array_like of {"port", "starboard"}
            Side; one that the layout does not show gives NaN.
        line : array_like
            Line coordinate, k in the middle of line k.
        range_m : array_like
            Metres along the axis of the screen.

        Returns
        -------
        numpy.ndarray, shape (..., 2)
            x, y.
        """
        sides, k, r = np.broadcast_arrays(
            np.asarray(side, dtype=object),
            np.asarray(line, np.float64),
            np.asarray(range_m, np.float64),
        )
        index = self.line_index(k)
        across = np.full(k.shape, np.nan)
        for name in self.side_names:
            columns = self._sign(name) * r / self.metres_per_column(name)[index]
            across = np.where(sides == name, self.centre_px + columns, across)
        low, high = self._along_edges
        along = low + k + 0.5 if self.newest in ("top", "left") else high - k - 0.5
        pair = (across, along) if self._upright else (along, across)
        return np.stack(np.broadcast_arrays(*pair), axis=-1)

    def metres_per_pixel(self, side: ArrayLike, line: ArrayLike) -> FloatArray:
        """Return the metres of range for a column at sides and line coordinates; NaN if not shown."""
        sides, index = np.broadcast_arrays(np.asarray(side, dtype=object), self.line_index(line))
        out = np.full(index.shape, np.nan)
        for name in self.side_names:
            out = np.where(sides == name, self.metres_per_column(name)[index], out)
        return out

    def sides(self, image: NDArray[Any]) -> dict[str, SideEcho]:
        """Return the sides of a picture.

        Parameters
        ----------
        image : numpy.ndarray, shape (height_px, width_px)
            Grey, float32 (views of it are given, nothing is resampled) or integers (made float32,
            0 to 1).

        Raises
        ------
        DataError
            The picture has another size (take `for_picture` first) or is not grey.
        """
        if image.ndim != 2:
            raise DataError("the picture is not grey; read it with read_picture")
        if image.shape != (self.height_px, self.width_px):
            raise DataError(
                f"the picture is {image.shape[1]} x {image.shape[0]} pixels, the layout is for "
                f"{self.width_px} x {self.height_px}; scale the layout to the picture first"
            )
        if np.issubdtype(image.dtype, np.integer):
            image = image.astype(np.float32) / np.float32(np.iinfo(image.dtype).max)
        image = np.asarray(image, np.float32)
        low, high = self._along_edges
        lines = (image if self._upright else image.T)[low:high]
        if self.newest in ("bottom", "right"):
            lines = lines[::-1]
        out = {}
        for side in self.side_names:
            near, far = self._span(side)
            echo = lines[:, near:far] if far > near else lines[:, far:near][:, ::-1]
            out[side] = SideEcho(
                echo=echo,
                scale_m=self.metres_per_column(side),
                start_columns=abs(near - self.centre_px),
            )
        return out


_ENTRIES = (
    "width_px",
    "height_px",
    "panel",
    "newest",
    "centre_px",
    "port_limit_px",
    "starboard_limit_px",
    "range_m",
    "axis",
    "seconds_per_line",
    "metres_per_line",
    "range_changes",
    "display_corners",
)
_REQUIRED = ("width_px", "height_px", "newest", "centre_px", "range_m", "axis")


def _whole(value: float) -> int:
    """Round to the nearest whole number, halves up."""
    return math.floor(value + 0.5)


def _is_number(value: Any) -> bool:
    number = isinstance(value, int | float | np.integer | np.floating)
    return number and not isinstance(value, bool) and math.isfinite(value)


def _pairs(value: Any, length: int) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str)
        and len(value) == length
        and all(_is_number(v) for v in value)
    )


class _Faults:
    """Collects the faults of a layout."""

    def __init__(self) -> None:
        self.rows: list[BadRow] = []

    def add(self, entry: str, code: str, message: str) -> None:
        self.rows.append(BadRow(0, code, message, entry))

    def number(
        self,
        values: Mapping[str, Any],
        clean: dict[str, Any],
        entry: str,
        unit: str,
        low: float,
        high: float,
        *,
        whole: bool = False,
        above: bool = False,
    ) -> None:
        if entry not in values:
            return
        value = values[entry]
        good = _is_number(value) and (value > low if above else value >= low) and value <= high
        if good and whole:
            good = float(value).is_integer()
        if good:
            clean[entry] = int(value) if whole else float(value)
            return
        what = "a whole number" if whole else "a number"
        start = f"above {low:g}" if above else f"from {low:g}"
        self.add(
            entry,
            f"{entry.replace('_', '-')}-out-of-range",
            f"{entry} is {value!r}; allowed is {what} {start} to {high:g}{unit}",
        )


def _checked(values: Mapping[str, Any]) -> tuple[dict[str, Any], list[BadRow]]:
    """Return the entries in their types and every fault."""
    faults, clean = _Faults(), dict[str, Any]()
    for entry in values:
        if entry not in _ENTRIES:
            known = ", ".join(_ENTRIES)
            faults.add(entry, "unknown-entry", f"there is no entry {entry!r}; known are {known}")
    for entry in _REQUIRED:
        if entry not in values:
            faults.add(entry, "missing", f"there is no {entry}; {_ASKS[entry]}")
    for entry in ("width_px", "height_px"):
        faults.number(values, clean, entry, " pixels", LEAST_PX, 100_000, whole=True)
    for entry, words in (("newest", EDGES), ("axis", AXES)):
        if entry in values and values[entry] not in words:
            faults.add(
                entry,
                f"{entry}-unknown",
                f"{entry} is {values[entry]!r}; allowed is {', '.join(words)}",
            )
        elif entry in values:
            clean[entry] = values[entry]
    faults.number(values, clean, "range_m", " metres", 0.0, 5000.0, above=True)
    faults.number(values, clean, "seconds_per_line", " seconds", 0.0, 60.0, above=True)
    faults.number(values, clean, "metres_per_line", " metres", 0.0, 100.0, above=True)
    if "seconds_per_line" in values and "metres_per_line" in values:
        faults.add(
            "metres_per_line",
            "both-steps",
            "seconds_per_line and metres_per_line are both given; give only one",
        )
    _check_panel(values, clean, faults)
    _check_across(values, clean, faults)
    _check_changes(values, clean, faults)
    if "display_corners" in values:
        fault = corner_fault(values["display_corners"])
        if fault:
            faults.add("display_corners", "corners-bad", f"display_corners: {fault}")
        else:
            clean["display_corners"] = tuple(
                (float(x), float(y)) for x, y in values["display_corners"]
            )
    return clean, faults.rows


_ASKS = {
    "width_px": "say how wide the picture is, in pixels",
    "height_px": "say how high the picture is, in pixels",
    "newest": "say at which edge the newest line is: top, bottom, left or right",
    "centre_px": "say where the boat's centre line lies, in pixels",
    "range_m": "say what the range limit stands for, in metres",
    "axis": "say whether the screen shows slant or ground ranges",
}


def _check_panel(values: Mapping[str, Any], clean: dict[str, Any], faults: _Faults) -> None:
    if "width_px" not in clean or "height_px" not in clean:
        return
    width, height = clean["width_px"], clean["height_px"]
    panel = values.get("panel", (0, 0, width, height))
    if not _pairs(panel, 4):
        faults.add(
            "panel",
            "panel-unreadable",
            f"panel is {panel!r}; allowed are four numbers [left, top, right, bottom]",
        )
        return
    left, top, right, bottom = (_whole(v) for v in panel)
    if not (0 <= left < right <= width and 0 <= top < bottom <= height):
        faults.add(
            "panel",
            "panel-out-of-range",
            f"panel is {list(panel)}; allowed is [left, top, right, bottom] within the picture, "
            f"left below right and top below bottom, at most {width} and {height}",
        )
    elif min(right - left, bottom - top) < LEAST_PX:
        faults.add(
            "panel",
            "panel-too-small",
            f"the panel is {right - left} x {bottom - top} pixels; allowed is {LEAST_PX} or more",
        )
    else:
        clean["panel"] = (left, top, right, bottom)


def _check_across(values: Mapping[str, Any], clean: dict[str, Any], faults: _Faults) -> None:
    limits = [f"{s}_limit_px" for s in SIDES if f"{s}_limit_px" in values]
    if not limits:
        faults.add(
            "port_limit_px",
            "limit-missing",
            "there is no port_limit_px and no starboard_limit_px; say where the range limit lies "
            "on at least one side, in pixels",
        )
    if "panel" not in clean or "newest" not in clean:
        return
    upright = clean["newest"] in ("top", "bottom")
    low, high = clean["panel"][0::2] if upright else clean["panel"][1::2]
    room = clean["width_px"] if upright else clean["height_px"]
    faults.number(values, clean, "centre_px", " (the panel's edges)", low, high)
    for entry in limits:
        faults.number(values, clean, entry, " pixels", -room, 2 * room)
    if "centre_px" not in clean:
        return
    centre = clean["centre_px"]
    for entry in limits:
        if entry not in clean:
            continue
        limit, side = clean[entry], entry.split("_")[0]
        edge = high if limit > centre else low
        if abs(limit - centre) < LEAST_PX:
            faults.add(
                entry,
                "limit-at-centre",
                f"{entry} is {limit:g}, only {abs(limit - centre):g} pixels from centre_px "
                f"{centre:g}; allowed is {LEAST_PX} or more",
            )
        elif abs(edge - centre) < 1:
            faults.add(
                entry,
                "side-outside-panel",
                f"{entry} is {limit:g}, but the panel ends at centre_px {centre:g}, so it shows "
                f"nothing of {side}; leave the limit out or check the panel",
            )
    if len(limits) == 2 and all(e in clean for e in limits):
        port, starboard = (clean[e] for e in limits)
        if (port - centre) * (starboard - centre) > 0:
            faults.add(
                "starboard_limit_px",
                "limits-on-one-hand",
                f"port_limit_px {port:g} and starboard_limit_px {starboard:g} lie on the same hand "
                f"of centre_px {centre:g}; they must lie on either hand of it",
            )


def _check_changes(values: Mapping[str, Any], clean: dict[str, Any], faults: _Faults) -> None:
    changes = values.get("range_changes", ())
    wrong = "allowed is a list such as [{line = 300, range_m = 40.0}]"
    if not isinstance(changes, Sequence) or isinstance(changes, str):
        faults.add("range_changes", "changes-unreadable", f"range_changes is {changes!r}; {wrong}")
        return
    lines = None
    if "panel" in clean and "newest" in clean:
        low, high = (
            clean["panel"][1::2] if clean["newest"] in ("top", "bottom") else clean["panel"][0::2]
        )
        lines = high - low
    out: list[RangeChange] = []
    for change in changes:
        pair: Iterable[Any] | None = None
        if isinstance(change, Mapping):
            if set(change) == {"line", "range_m"}:
                pair = (change["line"], change["range_m"])
        elif _pairs(change, 2):
            pair = change
        if pair is None:
            faults.add(
                "range_changes", "changes-unreadable", f"a range change is {change!r}; {wrong}"
            )
            continue
        line, range_m = pair
        if not (_is_number(line) and float(line).is_integer() and line >= 1) or (
            lines is not None and line >= lines
        ):
            most = "" if lines is None else f" to {lines - 1}"
            faults.add(
                "range_changes",
                "change-line-out-of-range",
                f"a range change is at line {line!r}; allowed is a whole number from 1{most}",
            )
        elif not (_is_number(range_m) and 0 < range_m <= 5000):
            faults.add(
                "range_changes",
                "change-range-out-of-range",
                f"the range from line {line} on is {range_m!r}; allowed is a number above 0 to "
                "5000 metres",
            )
        else:
            out.append(RangeChange(int(line), float(range_m)))
    if any(b.line <= a.line for a, b in pairwise(out)):
        faults.add(
            "range_changes",
            "changes-out-of-order",
            "the range changes are not in order; give each line once, the newest change first",
        )
    clean["range_changes"] = tuple(out)
