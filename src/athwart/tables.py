"""The column contracts: what a table of picks, track points, sightings or marks holds.

Inside the package a table is a frozen record of NumPy arrays, one array a column, all of one
length. At the edges it is a pandas or GeoPandas frame (`Table.from_frame`, `Table.to_frame`).
A missing number is NaN, a missing time NaT, a missing text ``""``. Times are UTC and naive inside
(``datetime64[us]``), with a zone in frames. Longitude comes before latitude.

Columns that a contract does not know ride along untouched in ``extra``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cache
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import BadRow, DataError, TableError
from athwart.units import SUFFIXES

if TYPE_CHECKING:
    import geopandas
    import pandas

__all__ = [
    "DEPTH_REFERENCES",
    "KINDS",
    "Column",
    "Marks",
    "Picks",
    "Sightings",
    "Table",
    "Track",
    "Waypoints",
    "bad_rows",
    "same_text",
    "si_column",
    "text_array",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]
TimeArray = NDArray[np.datetime64]

ColumnType = Literal["float", "int", "bool", "text", "time"]

KINDS = (
    "rock",
    "reef",
    "ledge",
    "wreck",
    "timber",
    "weed",
    "pipe",
    "bait",
    "fish",
    "hole",
    "other",
)
"""The kinds that athwart knows how to draw; any other word is allowed too."""

DEPTH_REFERENCES = ("transducer", "surface", "datum")
"""What a depth may be measured below."""

_MISSING: dict[ColumnType, Any] = {
    "float": np.nan,
    "int": 0,
    "bool": False,
    "text": "",
    "time": np.datetime64("NaT", "us"),
}
_DTYPES: dict[ColumnType, Any] = {
    "float": np.float64,
    "int": np.int64,
    "bool": np.bool_,
    "text": np.object_,
    "time": "datetime64[us]",
}


@dataclass(frozen=True, slots=True)
class Column:
    """The contract of one column.

    Parameters
    ----------
    name : str
        Column name; its end is its unit.
    type : {"float", "int", "bool", "text", "time"}
        What it holds.
    doc : str
        Meaning, unit, sign.
    low, high : float
        Closed limits of a number that is given.
    required : bool
        A row without it is refused.
    default : object
        What stands where nothing is given.
    words : tuple of str
        The only texts allowed, if not empty (the empty text is allowed unless required).
    """

    name: str
    type: ColumnType
    doc: str
    low: float = -np.inf
    high: float = np.inf
    required: bool = False
    default: Any = None
    words: tuple[str, ...] = ()


def _column(type_: ColumnType, doc: str, **rest: Any) -> Any:
    rest.setdefault("default", _MISSING[type_])
    return field(metadata={"column": (type_, doc, rest)})


def text_array(values: Iterable[Any]) -> TextArray:
    """Return an object array of text; None and NaN become ``""``."""
    items = [v if isinstance(v, str) else "" if v is None or v != v else str(v) for v in values]
    out = np.empty(len(items), dtype=object)
    out[:] = items
    return out


def same_text(shape: int | tuple[int, ...], text: str) -> TextArray:
    """Return an array that holds one text everywhere.

    Every row is the same object; `numpy.full` would make a text of its own for each, which takes
    forty times as long and fifty bytes a row.
    """
    out = np.empty(shape, dtype=object)
    out.fill(text)
    return out


def _coerce(column: Column, values: Any) -> NDArray[Any]:
    if isinstance(values, str) or np.ndim(values) == 0:
        values = [values]
    if column.type == "text":
        if isinstance(values, np.ndarray) and values.dtype == object:
            return values
        return text_array(values)
    array = np.asarray(values, dtype=_DTYPES[column.type])
    return np.atleast_1d(array)


@dataclass(frozen=True, eq=False, kw_only=True)
class Table:
    """A frozen record of equally long arrays, one for each column.

    Make one with `from_columns` (arrays) or `from_frame` (pandas or GeoPandas).

    Parameters
    ----------
    extra : mapping of str to numpy.ndarray
        Columns that the contract does not know.
    """

    title: ClassVar[str] = "table"

    extra: Mapping[str, NDArray[Any]] = field(default_factory=dict)

    @classmethod
    @cache
    def columns(cls) -> tuple[Column, ...]:
        """Return the contract of every column, in order."""
        return tuple(
            Column(
                f.name, f.metadata["column"][0], f.metadata["column"][1], **f.metadata["column"][2]
            )
            for f in fields(cls)
            if "column" in f.metadata
        )

    @classmethod
    @cache
    def column_names(cls) -> tuple[str, ...]:
        """Return the names of the contract's columns, in order."""
        return tuple(c.name for c in cls.columns())

    @classmethod
    def from_columns(
        cls, values: Mapping[str, ArrayLike], *, extra: Mapping[str, ArrayLike] | None = None
    ) -> Self:
        """Make a table of arrays; scalars are spread, absent columns get their default.

        Raises
        ------
        DataError
            An unknown column, or arrays of different lengths.
        """
        unknown = set(values) - set(cls.column_names())
        if unknown:
            raise DataError(f"{cls.title}: there is no column {sorted(unknown)[0]!r}")
        given = {c.name: _coerce(c, values[c.name]) for c in cls.columns() if c.name in values}
        rest = {k: np.atleast_1d(np.asarray(v)) for k, v in (extra or {}).items()}
        lengths = {len(a) for a in (*given.values(), *rest.values())} - {1}
        scalars = all(np.ndim(v) == 0 or isinstance(v, str) for v in values.values())
        if len(lengths) > 1:
            raise DataError(f"{cls.title}: the columns have different lengths: {sorted(lengths)}")
        ones = bool(given or rest) and (scalars or bool(given))
        n = lengths.pop() if lengths else (1 if ones else 0)
        full: dict[str, Any] = {}
        for column in cls.columns():
            array = given.get(column.name)
            if array is None:
                if column.type == "text":
                    array = same_text(n, column.default)
                else:
                    array = np.full(n, column.default, dtype=_DTYPES[column.type])
            elif len(array) != n:
                array = np.repeat(array, n)
            full[column.name] = array
        return cls(
            **full, extra={k: v if len(v) == n else np.repeat(v, n) for k, v in rest.items()}
        )

    @classmethod
    def empty(cls) -> Self:
        """Return the table with no rows."""
        none: dict[str, Any] = {c.name: np.empty(0, _DTYPES[c.type]) for c in cls.columns()}
        return cls(**none)

    def __len__(self) -> int:
        return len(getattr(self, self.column_names()[0]))

    def to_columns(self) -> dict[str, NDArray[Any]]:
        """Return the contract's columns by name, without the extra ones."""
        return {name: getattr(self, name) for name in self.column_names()}

    def take(self, index: ArrayLike) -> Self:
        """Return the rows at an integer or boolean index."""
        i = np.asarray(index)
        if i.dtype == bool:
            if i.shape != (len(self),):
                raise IndexError(f"a mask of {i.shape} for a table of {len(self)} rows")
            i = np.flatnonzero(i)
        # By numbers of the machine's own width `take` is several times as quick.
        i = i.astype(np.int64, copy=False)
        return type(self)(
            **{k: v.take(i, axis=0) for k, v in self.to_columns().items()},
            extra={k: v.take(i, axis=0) for k, v in self.extra.items()},
        )

    def part(self, rows: slice) -> Self:
        """Return some rows in turn, as views of these."""
        return type(self)(
            **{k: v[rows] for k, v in self.to_columns().items()},
            extra={k: v[rows] for k, v in self.extra.items()},
        )

    def with_columns(self, **values: Any) -> Self:
        """Return a copy with some columns exchanged; scalars are spread."""
        contract = {c.name: c for c in self.columns()}
        n = len(self)
        new: dict[str, Any] = {}
        for k, v in values.items():
            array = _coerce(contract[k], v)
            new[k] = array if len(array) == n else np.repeat(array, n)
        return replace(self, **new)

    @classmethod
    def concat(cls, tables: Sequence[Self]) -> Self:
        """Join tables end to end; an extra column that some lack is filled with missing values."""
        if not tables:
            return cls.empty()
        if len(tables) == 1:
            return tables[0]
        merged = {
            name: np.concatenate([getattr(t, name) for t in tables]) for name in cls.column_names()
        }
        names = dict.fromkeys(k for t in tables for k in t.extra)
        extra = {name: _join([(t.extra.get(name), len(t)) for t in tables]) for name in names}
        return cls(**merged, extra=extra)

    @classmethod
    def from_frame(cls, frame: pandas.DataFrame, *, allow_ballpark: bool = False) -> Self:
        """Make a table of a pandas or GeoPandas frame and check it.

        Points give ``lon`` and ``lat``; a known CRS is transformed to WGS 84.

        Parameters
        ----------
        frame : pandas.DataFrame or geopandas.GeoDataFrame
            Unknown columns ride along in ``extra``.
        allow_ballpark : bool
            Accept a transformation that PROJ calls ballpark (its error is unknown).

        Raises
        ------
        DataError
            A geometry without a CRS, or one that is no point.
        TableError
            Rows that break the contract, every one listed.
        """
        from athwart.frames import columns_of_frame  # pandas only where a frame is in hand

        known, extra, rows = columns_of_frame(cls, frame, allow_ballpark=allow_ballpark)
        table = cls.from_columns(known, extra=extra) if len(frame) else cls.empty()
        rows = [*rows, *table.faults()]
        if rows:
            raise TableError(cls.title, sorted(rows, key=lambda r: r.row))
        return table

    def to_frame(self) -> geopandas.GeoDataFrame:
        """Return a GeoDataFrame in EPSG:4326, the geometry last."""
        from athwart.frames import frame_of_table

        return frame_of_table(self)

    def faults(self) -> list[BadRow]:
        """Judge every row against the contract and return all that is wrong."""
        found: list[BadRow] = []
        for column in self.columns():
            values = getattr(self, column.name)
            found += _column_faults(column, values)
        found += self._row_faults()
        return sorted(found, key=lambda r: r.row)

    def _row_faults(self) -> list[BadRow]:
        return []

    def checked(self, source: str = "") -> Self:
        """Return the table itself if no row is at fault.

        Raises
        ------
        TableError
            Every bad row with its reason.
        """
        rows = self.faults()
        if rows:
            raise TableError(source or self.title, rows)
        return self


def _join(parts: list[tuple[NDArray[Any] | None, int]]) -> NDArray[Any]:
    present = [a for a, _ in parts if a is not None]
    kinds = {a.dtype.kind for a in present}
    if kinds <= {"f", "i", "u"}:
        return np.concatenate(
            [np.full(n, np.nan) if a is None else a.astype(np.float64) for a, n in parts]
        )
    if len(present) == len(parts) and len(kinds) == 1:
        return np.concatenate(present)
    return np.concatenate(
        [np.full(n, None, dtype=object) if a is None else a.astype(object) for a, n in parts]
    )


def si_column(cls: type[Table], name: str) -> tuple[str, float] | None:
    """Return the contract's column that a name stands for and the factor to SI, else None.

    Examples
    --------
    >>> si_column(Picks, "slant_range_ft")
    ('slant_range_m', 0.3048)
    >>> si_column(Picks, "colour") is None
    True
    """
    known = cls.column_names()
    if name in known:
        return name, 1.0
    for si, others in SUFFIXES.items():
        for suffix, factor in others.items():
            if name.endswith(suffix) and name.removesuffix(suffix) + si in known:
                return name.removesuffix(suffix) + si, factor
    return None


def bad_rows(
    mask: NDArray[np.bool_], code: str, message: Callable[[int], str], column: str = ""
) -> list[BadRow]:
    """Return a fault for each row where the mask holds; ``message`` gets the row's index."""
    return [BadRow(int(i) + 1, code, message(int(i)), column) for i in np.flatnonzero(mask)]


_RANGE_WORDS = {
    "lat": ("latitude-out-of-range", "latitude"),
    "lon": ("longitude-out-of-range", "longitude"),
}


def _is_sound(column: Column, values: NDArray[Any]) -> bool:
    """Tell in one look, without working arrays, that no value of a column is at fault.

    False says nothing: the values have to be looked at one by one.
    """
    if not len(values):
        return True
    if column.type == "float":
        # fmin and fmax pass over NaN, which is a value that is not known; both are NaN where all are.
        least, most = (np.minimum, np.maximum) if column.required else (np.fmin, np.fmax)
        low, high = least.reduce(values), most.reduce(values)
        if np.isnan(low):
            return not column.required
        return bool(low >= column.low and high <= column.high and np.isfinite([low, high]).all())
    if column.type == "text":
        if not (column.words or column.required):
            return True
        words = set(values.tolist())
        known = words <= {"", *column.words} if column.words else True
        return known and not (column.required and "" in words)
    return not column.required


def _column_faults(column: Column, values: NDArray[Any]) -> list[BadRow]:
    if _is_sound(column, values):
        return []
    name = column.name
    code, word = _RANGE_WORDS.get(name, (f"{name.replace('_', '-')}-out-of-range", name))
    found: list[BadRow] = []
    if column.type == "float":
        missing = np.isnan(values)
        found += bad_rows(
            np.isinf(values), "not-finite", lambda i: f"{name} is {values[i]}, not a number", name
        )
        outside = (values < column.low) | (values > column.high)
        outside &= np.isfinite(values)
        low, high = column.low, column.high
        allowed = f"from {low:g} to {high:g}" if np.isfinite(high) else f"{low:g} or more"
        found += bad_rows(
            outside, code, lambda i: f"{word} is {values[i]:.10g}; allowed is {allowed}", name
        )
    elif column.type == "text":
        missing = values == ""
        if column.words:
            allowed_words = {*column.words, ""}
            known = np.array([v in allowed_words for v in values.tolist()], dtype=bool)
            words = ", ".join(column.words)
            found += bad_rows(
                ~known,
                f"{name.replace('_', '-')}-unknown",
                lambda i: f"{name} is {values[i]!r}; allowed is {words}",
                name,
            )
    elif column.type == "time":
        missing = np.isnat(values)
    else:
        return found
    if column.required:
        hint = f"; allowed is {', '.join(column.words)}" if column.words else ""
        found += bad_rows(
            missing,
            f"{name.replace('_', '-')}-missing",
            lambda i: f"there is no {name}{hint}",
            name,
        )
    return found


def _lon(required: bool = True) -> Any:
    return _column(
        "float", "longitude, degrees, WGS 84, east +", low=-180, high=180, required=required
    )


def _lat(required: bool = True) -> Any:
    return _column(
        "float", "latitude, degrees, WGS 84, north +", low=-90, high=90, required=required
    )


def _depth_below(doc: str) -> Any:
    return _column("text", doc, words=DEPTH_REFERENCES)


def _angle(doc: str) -> Any:
    return _column("float", doc + ", degrees clockwise from north", low=0, high=360)


def _length(doc: str, low: float = 0.0) -> Any:
    return _column("float", doc + ", metres", low=low)


def _variance(doc: str) -> Any:
    return _column("float", doc + ", square metres", low=0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Picks(Table):
    """What the operator pointed at on frames; not yet positions."""

    title: ClassVar[str] = "picks"

    time: TimeArray = _column("time", "newest moment the pick refers to, UTC")
    lon: FloatArray = _lon(required=False)
    lat: FloatArray = _lat(required=False)
    heading_deg: FloatArray = _angle("where the bow points, true")
    heading_mag_deg: FloatArray = _angle("compass heading, before deviation and variation")
    course_deg: FloatArray = _angle("where the boat moves, true")
    speed_mps: FloatArray = _column("float", "speed over the ground, m/s", low=0, high=100)
    side: TextArray = _column(
        "text", "which side of the boat", words=("port", "starboard"), required=True
    )
    slant_range_m: FloatArray = _length("distance along the sound ray")
    ground_range_m: FloatArray = _length("horizontal distance from under the transducer")
    depth_m: FloatArray = _length("the sounder's depth reading")
    depth_below: TextArray = _depth_below("what the reading is measured below")
    along_track_m: FloatArray = _column(
        "float", "how far ahead (+) or astern (-) the beam looks, metres", default=0.0
    )
    seconds_back: FloatArray = _column(
        "float", "seconds before `time` that the target's line was drawn", low=0, default=0.0
    )
    shadow_start_m: FloatArray = _length("slant range where the shadow begins")
    shadow_m: FloatArray = _length("slant length of the shadow")
    shadow_sigma_m: FloatArray = _length(
        "standard error of that length with the start's, where known (a picture's)"
    )
    uneven_part: FloatArray = _column(
        "float",
        "standard error of a height for a bottom that is no plane, as a part of it",
        low=0,
        high=10,
        default=0.0,
    )
    target_depth_m: FloatArray = _length("depth of a thing in mid-water, below the transducer")
    bottom_slope_deg: FloatArray = _column(
        "float",
        "slope of the bottom, degrees, + when it falls away from the boat",
        low=-60,
        high=60,
        default=0.0,
    )
    range_sigma_m: FloatArray = _length("standard error of the range, where known (a picture's)")
    depth_sigma_m: FloatArray = _length("standard error of the depth reading, where known")
    time_sigma_s: FloatArray = _column(
        "float", "standard error of the moment, where known, seconds", low=0
    )
    trip: TextArray = _column("text", "name of the outing")
    name: TextArray = _column("text", "name for people")
    kind: TextArray = _column("text", "what it is")
    hazard: BoolArray = _column("bool", "a danger to the boat")
    note: TextArray = _column("text", "free text")

    def _row_faults(self) -> list[BadRow]:
        slant, ground = np.isfinite(self.slant_range_m), np.isfinite(self.ground_range_m)
        lon, lat = np.isfinite(self.lon), np.isfinite(self.lat)
        true, mag = np.isfinite(self.heading_deg), np.isfinite(self.heading_mag_deg)
        return [
            *bad_rows(
                slant & ground,
                "both-ranges",
                lambda i: "slant_range_m and ground_range_m are both given; give only one",
                "slant_range_m",
            ),
            *bad_rows(
                ~slant & ~ground,
                "range-missing",
                lambda i: "there is no slant_range_m and no ground_range_m; give one of them",
                "slant_range_m",
            ),
            *bad_rows(
                lon != lat,
                "position-incomplete",
                lambda i: "only one of lon and lat is given; give both or neither",
                "lat",
            ),
            *bad_rows(
                true & mag,
                "both-headings",
                lambda i: "heading_deg and heading_mag_deg are both given; give only one",
                "heading_deg",
            ),
        ]


@dataclass(frozen=True, eq=False, kw_only=True)
class Track(Table):
    """Points of tracks or routes, in file order; ``line`` and ``segment`` tell them apart."""

    title: ClassVar[str] = "track"

    lon: FloatArray = _lon()
    lat: FloatArray = _lat()
    time: TimeArray = _column("time", "UTC")
    line: IntArray = _column("int", "number of the track or route within its file, from 0")
    segment: IntArray = _column(
        "int", "number of the unbroken piece, counted over the file, from 0"
    )
    name: TextArray = _column(
        "text", "name of the track or route (of the point on a route: in extra)"
    )
    elevation_m: FloatArray = _column("float", "height above the geoid as the file has it, metres")
    heading_deg: FloatArray = _angle("where the bow points, true")
    heading_mag_deg: FloatArray = _angle("compass heading")
    course_deg: FloatArray = _angle("where the boat moves, true")
    speed_mps: FloatArray = _column("float", "speed over the ground, m/s", low=0)
    depth_m: FloatArray = _length("the sounder's depth reading")
    depth_below: TextArray = _depth_below("what the reading is measured below")
    hdop: FloatArray = _column("float", "horizontal dilution of precision", low=0)
    sigma_east_m: FloatArray = _length("standard error of the fix, east")
    sigma_north_m: FloatArray = _length("standard error of the fix, north")
    water_temperature_c: FloatArray = _column("float", "degrees Celsius", low=-5, high=60)
    source: TextArray = _column("text", "file that the point came from")


@dataclass(frozen=True, eq=False, kw_only=True)
class Waypoints(Table):
    """Points as a file gives them, before they become sightings.

    ``links`` holds one link a line: address, TAB, text, TAB, media type.
    """

    title: ClassVar[str] = "waypoints"

    lon: FloatArray = _lon()
    lat: FloatArray = _lat()
    time: TimeArray = _column("time", "when it was saved, UTC")
    name: TextArray = _column("text", "name as the file has it")
    kind: TextArray = _column("text", "what it is, where the file says so in our words")
    hazard: BoolArray = _column("bool", "a danger to the boat")
    note: TextArray = _column("text", "comment and description")
    symbol: TextArray = _column("text", "symbol text of the file, as it stands")
    elevation_m: FloatArray = _column("float", "height above the geoid as the file has it, metres")
    depth_m: FloatArray = _length("depth of the bottom")
    depth_below: TextArray = _depth_below("what the depth is measured below")
    sigma_m: FloatArray = _length("total standard error per axis, where the file gives one")
    trip: TextArray = _column("text", "name of the outing, where the file says so")
    links: TextArray = _column("text", "links, one a line")
    source: TextArray = _column("text", "file that it came from")
    source_row: IntArray = _column("int", "row in that file, from 1; 0 if none")


@dataclass(frozen=True, eq=False, kw_only=True)
class Sightings(Table):
    """Located looks: picks that were fixed, waypoints that were read. Never changed."""

    title: ClassVar[str] = "sightings"

    sighting_id: TextArray = _column("text", "hash of the raw observation", required=True)
    trip: TextArray = _column("text", "name of the outing; its sightings share one GNSS error")
    time: TimeArray = _column("time", "when it was seen, UTC")
    name: TextArray = _column("text", "name for people")
    kind: TextArray = _column("text", "what it is")
    hazard: BoolArray = _column("bool", "a danger to the boat")
    note: TextArray = _column("text", "free text")
    lon: FloatArray = _lon()
    lat: FloatArray = _lat()
    depth_m: FloatArray = _column("float", "depth of the bottom at the target, metres")
    depth_below: TextArray = _depth_below("what the depth is measured below")
    var_depth_m2: FloatArray = _variance("variance of the depth")
    height_m: FloatArray = _length("height of the object above the bottom")
    var_height_m2: FloatArray = _variance("variance of the height")
    var_east_m2: FloatArray = _variance("own error, east")
    var_north_m2: FloatArray = _variance("own error, north")
    cov_east_north_m2: FloatArray = _column("float", "own error, covariance, square metres")
    shared_sigma_m: FloatArray = _length("the trip's common GNSS error, per axis")
    boat: TextArray = _column("text", "name of the boat; her trips share one error")
    boat_sigma_m: FloatArray = _length("error common to all trips of the boat, per axis")
    method: TextArray = _column("text", "how it was located", words=("pick", "waypoint", "picture"))
    method_detail: TextArray = _column(
        "text", "top of the object, echo on the bottom, in the water"
    )
    side: TextArray = _column("text", "which side of the boat", words=("port", "starboard"))
    ground_range_m: FloatArray = _length("horizontal distance from under the transducer")
    antenna_lon: FloatArray = _lon(required=False)
    antenna_lat: FloatArray = _lat(required=False)
    bearing_deg: FloatArray = _angle("true bearing from antenna to target")
    distance_m: FloatArray = _length("distance from antenna to target")
    links: TextArray = _column("text", "links, one a line")
    source: TextArray = _column("text", "file that it came from")
    source_row: IntArray = _column("int", "row in that file, from 1; 0 if none")

    def total_covariance(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return var_east, var_north, cov_east_north with shared and boat parts, square metres."""
        common = np.nan_to_num(self.shared_sigma_m) ** 2 + np.nan_to_num(self.boat_sigma_m) ** 2
        return self.var_east_m2 + common, self.var_north_m2 + common, self.cov_east_north_m2


@dataclass(frozen=True, eq=False, kw_only=True)
class Marks(Table):
    """What sightings agree on: the things people go back to."""

    title: ClassVar[str] = "marks"

    mark_id: TextArray = _column("text", "id of its earliest sighting", required=True)
    name: TextArray = _column("text", "name for people")
    kind: TextArray = _column("text", "what it is")
    hazard: BoolArray = _column("bool", "a danger to the boat")
    note: TextArray = _column("text", "every note of its sightings")
    lon: FloatArray = _lon()
    lat: FloatArray = _lat()
    depth_m: FloatArray = _column("float", "depth of the bottom, metres")
    depth_below: TextArray = _depth_below("what the depth is measured below")
    var_depth_m2: FloatArray = _variance("variance of the depth")
    height_m: FloatArray = _length("height of the object above the bottom")
    var_height_m2: FloatArray = _variance("variance of the height")
    least_depth_m: FloatArray = _column(
        "float", "depth less height less their combined 95 % error, metres; NaN if unknown"
    )
    var_east_m2: FloatArray = _variance("total error, east")
    var_north_m2: FloatArray = _variance("total error, north")
    cov_east_north_m2: FloatArray = _column("float", "total error, covariance, square metres")
    r95_m: FloatArray = _length("radius that holds the truth with 95 % probability")
    s44_horizontal: TextArray = _column("text", "strictest S-44 horizontal limit met")
    sightings: IntArray = _column("int", "how many sightings")
    trips: IntArray = _column("int", "how many trips")
    first_time: TimeArray = _column("time", "earliest sighting, UTC")
    last_time: TimeArray = _column("time", "latest sighting, UTC")
    scatter: FloatArray = _column("float", "chi-square over its degrees of freedom; NaN for one")
    links: TextArray = _column("text", "links, one a line")
    sighting_ids: TextArray = _column("text", "ids of its sightings, parted by spaces")
