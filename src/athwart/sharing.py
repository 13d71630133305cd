"""Sharing marks without giving them away: positions blurred by a key that never leaves.

All marks of one cell, four blurs wide, move together by one offset that follows from the key, the
cell and the blur. Exporting again gives the same positions, so that nobody finds the truth by
averaging; and marks of a cell keep their places to each other.

Cells lie in bands of latitude of equal height; each band is parted into as many columns as keep
them about as wide as they are high. A column's first edge is the 180th meridian, and the band at
each pole is one cell, so that one place is in one cell whatever its longitude is called.
"""

from __future__ import annotations

import hmac
import os
import re
import sys
from hashlib import sha256
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from athwart.errors import FileError, UsageError
from athwart.geometry.geodesic import displace, wrap_longitude
from athwart.tables import Marks
from athwart.uncertainty.ellipse import CHI2_95_2DOF, s44_horizontal
from athwart.units import many

__all__ = [
    "KEY_BYTES",
    "blur",
    "blurred_ids",
    "key_from_settings",
    "settings_folder",
    "without_places",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

KEY_BYTES = 32
_EARTH_RADIUS_M = 6_371_008.8
_CELL_BLURS = 4.0
_LEFT_OUT = "[left out]"

_DEG = r"[+-]?\d{1,3}(?:\.\d+)?"
_DEG_SIGN = r"\s*(?:[°º]|deg(?:rees?)?\b\.?)"
_MIN = r"\d{1,2}(?:\.\d+)?(?:\s*(?:['′’]|min(?:utes?)?\b\.?))?"
_SEC = r"\d{1,2}(?:\.\d+)?(?:\s*(?:[\"″”]|''|sec(?:onds?)?\b\.?))?"
_GAP = r"(?:\s*[-:]\s*|\s+)"
_HEMISPHERE = r"(?:[NSEW]|north|south|east|west)\b"
# An angle that reads as one: with a degree sign, with minutes, or with decimals.
_ANGLE = (
    rf"(?:{_DEG}{_DEG_SIGN}(?:\s*{_MIN}(?:\s*{_SEC})?)?"
    rf"|{_DEG}{_GAP}{_MIN}(?:{_GAP}{_SEC})?"
    r"|[+-]?\d{1,5}\.\d+)"
)
_PLACES = re.compile(
    "|".join(
        (
            r"\b(?:\w+://|www\.|geo:|mailto:)\S+",
            rf"(?<!\w){_ANGLE}\s*{_HEMISPHERE}",
            rf"\b(?:[NSEW]|north|south|east|west)\s*{_ANGLE}(?!\w)",
            rf"(?<!\w){_DEG}{_DEG_SIGN}(?:\s*{_MIN}(?:\s*{_SEC})?)?",
            r"(?<![\w.])[+-]?\d{1,3}[.,]\d{3,}\s*[,;/ ]\s*[+-]?\d{1,3}[.,]\d{3,}",
            r"(?<![\w.])[+-]?\d{1,3}[.,]\d{4,}",
            r"(?-i:\b\d{1,2}\s?[C-HJ-NP-X]\s?[A-HJ-NP-Z]{2}\s?\d{2,5}\s?\d{2,5}\b)",  # grid squares
            r"(?-i:\b(?:\d{1,2}\s?[A-Z]\s+)?)\b\d{5,7}(?:\.\d+)?\s*m?E?\s*[,;/ ]\s*\d{6,8}(?:\.\d+)?\s*m?N?\b",
            r"(?-i:\b[23456789CFGHJMPQRVWX]{4,8}\+[23456789CFGHJMPQRVWX]{2,7}\b)",  # area codes
            r"\b\d{4}[-/.]\d{1,2}[-/.]\d{1,2}(?:[T ]?\d{1,2}:\d{2}(?::\d{2})?(?:\.\d+)?Z?)?",
            r"\b\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}\b",
            r"\b\d{1,2}:\d{2}(?::\d{2})?\b",
        )
    ),
    re.IGNORECASE,
)


def blur(marks: Marks, metres: float, key: bytes) -> tuple[Marks, tuple[str, ...]]:
    """Move marks for sharing and take out what could give them away.

    Parameters
    ----------
    marks : Marks
        The true ones.
    metres : float
        Largest distance that a mark moves; above 0 and at most 500 km.
    key : bytes
        Secret of 32 bytes; who has it can undo the blur.

    Returns
    -------
    Marks
        Name, kind, hazard, depth, height and number of sightings stay. ``r95_m`` is the blur
        plus the mark's own R95 (taken as one more blur where it is not known), rounded up to a
        tenth of the blur, and the covariance is round and fits it. Ids are new and follow from
        the key.
    tuple of str
        What was dropped, with how many.

    Raises
    ------
    UsageError
        A blur or key that cannot be used.

    Notes
    -----
    The offset is uniform over a disc of radius ``metres``: HMAC-SHA256 (RFC 2104, FIPS 198-1) of
    the cell and the blur gives two numbers u and v in [0, 1); it is ``metres * sqrt(u)`` long
    and points to ``360 v`` degrees at the cell's middle. It is carried to each mark with the
    convergence of the meridians, so that a cell moves as one sheet, at the poles too.
    """
    if not 0 < metres <= 500_000:
        raise UsageError(f"the blur is {metres:g} m; allowed is above 0 and at most 500,000 m")
    if len(key) != KEY_BYTES:
        raise UsageError(f"the key has {len(key)} bytes; it must have {KEY_BYTES}")
    band, column, middle_lon = _cells(marks.lon, marks.lat, metres)
    distance, azimuth = _offsets(band, column, metres, key)
    turn = wrap_longitude(marks.lon - middle_lon) * np.sin(np.radians(marks.lat))
    angle = np.radians(azimuth + turn)
    lon, lat = displace(marks.lon, marks.lat, distance * np.sin(angle), distance * np.cos(angle))
    own = np.where(np.isfinite(marks.r95_m), marks.r95_m, metres)
    step = metres / 10.0
    radius = np.ceil(np.round((metres + own) / step, 9)) * step
    variance = radius**2 / CHI2_95_2DOF
    ids = blurred_ids(marks.mark_id, metres, key)
    names, in_names = _cleaned(marks.name)
    notes, in_notes = _cleaned(marks.note)
    out = Marks.from_columns(
        {
            "mark_id": ids,
            "name": names,
            "note": notes,
            "lon": lon,
            "lat": lat,
            "r95_m": radius,
            "var_east_m2": variance,
            "var_north_m2": variance,
            "cov_east_north_m2": np.zeros(len(marks)),
            "s44_horizontal": s44_horizontal(radius, marks.depth_m),
            **{
                k: getattr(marks, k)
                for k in (
                    "kind", "hazard", "depth_m", "depth_below", "var_depth_m2", "height_m",
                    "var_height_m2", "least_depth_m", "sightings",
                )
            },
        }
    )  # fmt: skip
    order = np.argsort(ids.astype(str))  # the order of rows says nothing either
    return out.take(order), _words(marks, metres, in_names, in_notes)


def blurred_ids(mark_ids: NDArray[np.object_], metres: float, key: bytes) -> NDArray[np.object_]:
    """Return the ids that marks have in a blurred file, in the same order."""
    ids = np.empty(len(mark_ids), dtype=object)
    ids[:] = [_keyed(key, f"id {metres!r} {i}").hex()[:20] for i in mark_ids]
    return ids


def _words(marks: Marks, metres: float, in_names: int, in_notes: int) -> tuple[str, ...]:
    dropped = {
        "times": int((~np.isnat(marks.first_time) | ~np.isnat(marks.last_time)).sum()),
        "counts of trips": int((marks.trips > 0).sum()),
        "lists of sighting ids": int((marks.sighting_ids != "").sum()),
        "links": int((marks.links != "").sum()),
        "covariances": int(np.isfinite(marks.var_east_m2).sum()),
        "scatter values": int(np.isfinite(marks.scatter).sum()),
        "positions or times in names": in_names,
        "positions or times in notes": in_notes,
    }
    words = [f"{many(len(marks), 'mark')} moved by up to {metres:g} m, with new ids"]
    words += [f"{what} left out: {count}" for what, count in dropped.items() if count]
    if marks.extra:
        words.append(f"other columns left out: {', '.join(sorted(marks.extra))}")
    words.append(
        "depths and the marks' places to each other stay as they are; someone who knows some of "
        "the marks, or the shape of the bottom, may still guess the rest"
    )
    return tuple(words)


def _cells(
    lon: FloatArray, lat: FloatArray, metres: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return band, column and the longitude of the middle of each mark's cell."""
    side = _CELL_BLURS * metres
    bands = max(1, int(np.pi * _EARTH_RADIUS_M / side))
    band = np.clip(np.floor((lat + 90.0) / 180.0 * bands), 0, bands - 1).astype(np.int64)
    middle = np.radians((band + 0.5) / bands * 180.0 - 90.0)
    columns = np.maximum(1, np.floor(2 * np.pi * _EARTH_RADIUS_M * np.cos(middle) / side))
    columns = np.where((band == 0) | (band == bands - 1), 1, columns)
    turn = wrap_longitude(lon) + 180.0
    column = np.minimum(np.floor(turn / 360.0 * columns), columns - 1).astype(np.int64)
    return band, column, (column + 0.5) / columns * 360.0 - 180.0


def _keyed(key: bytes, text: str) -> bytes:
    return hmac.new(
        key, b"athwart blur 1 " + text.encode("utf-8", "surrogatepass"), sha256
    ).digest()


def _offsets(
    band: IntArray, column: IntArray, metres: float, key: bytes
) -> tuple[FloatArray, FloatArray]:
    if not len(band):
        return np.zeros(0), np.zeros(0)
    cells, place = np.unique(np.stack([band, column], axis=1), axis=0, return_inverse=True)
    raw = b"".join(_keyed(key, f"cell {metres!r} {b} {c}") for b, c in cells.tolist())
    words = np.frombuffer(raw, dtype=">u8").reshape(-1, 4)[:, :2] >> np.uint64(11)
    u, v = (words.astype(np.float64) / 2.0**53).T
    place = place.reshape(-1)
    return (metres * np.sqrt(u))[place], (360.0 * v)[place]


def without_places(text: str) -> tuple[str, int]:
    """Take out of a text whatever looks like a position, an address or a time.

    Returns
    -------
    str
        The rest, with ``[left out]`` where something was.
    int
        How many pieces went.

    Examples
    --------
    >>> without_places("old wreck 12, 51°14.5'N 004°10.2'W, seen twice")
    ('old wreck 12, [left out] [left out], seen twice', 2)
    """
    count = 0

    def gone(match: re.Match[str]) -> str:
        nonlocal count
        count += 1
        found = match[0]
        lead = found[: len(found) - len(found.lstrip())]
        return lead + _LEFT_OUT + found[len(found.rstrip()) :]

    return _PLACES.sub(gone, text), count


def _cleaned(texts: NDArray[np.object_]) -> tuple[NDArray[np.object_], int]:
    out = np.empty(len(texts), dtype=object)
    total = 0
    for i, text in enumerate(texts):
        rest, count = without_places(text)
        total += count
        out[i] = "" if rest.replace(_LEFT_OUT, "").strip(" ,;/-.") == "" and count else rest
    return out, total


def settings_folder() -> Path:
    """Return the folder in which the user's settings for athwart are kept."""
    if sys.platform == "win32":
        base = os.environ.get("APPDATA")
        return (Path(base) if base else Path.home() / "AppData" / "Roaming") / "athwart"
    base = os.environ.get("XDG_CONFIG_HOME")
    return (
        Path(base) if base and Path(base).is_absolute() else Path.home() / ".config"
    ) / "athwart"


def key_from_settings(path: Path | None = None) -> bytes:
    """Return the user's own blur key, made at the first call.

    Parameters
    ----------
    path : pathlib.Path, optional
        File that holds the key; else ``blur.key`` in the settings folder. A new one can be read
        by its owner alone.

    Returns
    -------
    bytes
        32 bytes.

    Raises
    ------
    FileError
        The file cannot be read or made, or holds something else.
    """
    path = settings_folder() / "blur.key" if path is None else path
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
            handle = os.open(path, flags, 0o600)
        except FileExistsError:
            key = path.read_bytes()
        else:
            key = os.urandom(KEY_BYTES)
            with os.fdopen(handle, "wb") as file:
                file.write(key)
                file.flush()
                os.fsync(file.fileno())
    except OSError as error:
        raise FileError(
            path.name, f"the blur key cannot be read or made: {error.strerror or error}"
        ) from error
    if len(key) != KEY_BYTES:
        raise FileError(
            path.name,
            f"holds {len(key)} bytes and is no blur key ({KEY_BYTES} bytes); put the right one "
            "back, or remove it to get a new key (shared positions will then differ)",
        )
    return key
