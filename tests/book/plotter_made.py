"""A made-up chartplotter: takes an exported GPX file, lives through a season, gives a file back.

It imports nothing of the package, so that it is an outside witness of what a plotter does to marks:
cuts and upper-cases names, rounds or truncates positions, loses what it does not know; and of what
its owner does: renames, moves, deletes, copies and adds. With the file comes the truth, row by row.
The habits are general ones (common practice, no source) and imitate no device.

Whatever it does can be told from the file, because chance must not make a test undecidable:

- a moved waypoint lands 5 m or more from every other mark, has a name, and no other waypoint that
  vanished from its place within 300 m has a name with the same beginning;
- a new one stands, after rounding, 3 m or more from every exported and every stored position, while
  rounding alone shifts a waypoint by less than 2.7 m;
- a name that the owner types is nobody else's.

Two rows of one waypoint stored twice may be equal to the letter; then the earlier one is "kept" and
the later one "copied". Coordinates are longitude before latitude, degrees on WGS 84.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from typing import Any

import numpy as np
from lxml import etree
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# WGS 84: semi-major axis in metres, flattening (NGA.STND.0036, from memory).
AXIS_M = 6378137.0
FLATTENING = 1 / 298.257223563
E2 = FLATTENING * (2 - FLATTENING)

# cells in a degree, decimals written
GRIDS = {"degrees5": (100_000, 5), "minutes3": (60_000, 8), "minutes4": (600_000, 8)}
CHOICES = {
    "grid": tuple(GRIDS),
    "rounding": ("round", "truncate"),
    "accents": ("kept", "plain", "dropped", "marked"),
    "trailing": ("stripped", "left", "padded"),
    "symbols": ("kept", "replaced", "one", "dropped"),
    "notes": ("kept", "cut", "dropped"),
    "elevations": ("kept", "dropped", "zero"),
    "header": ("1.1", "1.0", "bare"),
}
SPACES = {
    "1.1": "http://www.topografix.com/GPX/1/1",
    "1.0": "http://www.topografix.com/GPX/1/0",
    "bare": None,
}
NOTE_LENGTH = 24
MOVE_M = (55.0, 65.0)
BESIDE_M = (4.0, 10.0)
LANDING_CLEAR_M = 5.0
NEW_CLEAR_M = 3.0
FAR_M = 150.0
ALIKE_WITHIN_M = 300.0
REUSE_BEYOND_M = 500.0
TRIES = 400


@dataclass(frozen=True)
class Habits:
    """What one sort of plotter, and its owner, do to a file.

    Attributes
    ----------
    name_length : int
        Characters that a name keeps, 8 to 12.
    upper : bool
        Names in capitals.
    grid : str
        Positions are kept to 0.00001 degree ("degrees5"), 0.001 minute ("minutes3") or 0.0001
        minute ("minutes4").
    rounding : str
        "round" to the nearest, or "truncate" towards zero degrees.
    keeps_times : bool
        A waypoint keeps its time; new ones then have one too.
    accents : str
        Letters beyond ASCII are "kept", made "plain" (those that cannot be are dropped), "dropped",
        or "marked" as question marks.
    trailing : str
        Blanks at the end of a cut name are "stripped", "left", or names are "padded" to full length.
    numbers_collisions : bool
        A cut name that is taken has its end replaced by a number; otherwise both are kept alike.
    reuses_numbers : bool
        Automatic names take numbers that deletions freed, but only 500 m or more from the deleted
        waypoint; otherwise they count on from the highest.
    symbols, notes, elevations, header : str
        See `CHOICES`. "zero" invents an elevation of 0 for every waypoint.
    drops_extensions : bool
        Files with the headers "1.0" and "bare" never have them.
    shuffles : bool
        Order of rows; otherwise exported order, then copies, then new ones.
    renames, moves, copies, both : int
        Waypoints that the owner renamed, moved by about 60 m, stored twice, renamed and moved.
    deletes : float
        Share of the exported waypoints that were deleted, 0 to 1.
    adds_far, adds_beside, adds_beside_deleted : int
        New waypoints 150 m or more from all, 4-10 m from one that is still there, and 4-10 m from
        one that was deleted.
    typed_share : float
        Share of the new ones, 0 to 1, with a typed name; the others have an automatic number.
    """

    name_length: int = 8
    upper: bool = True
    grid: str = "minutes3"
    rounding: str = "round"
    keeps_times: bool = False
    accents: str = "plain"
    trailing: str = "stripped"
    numbers_collisions: bool = False
    reuses_numbers: bool = False
    symbols: str = "replaced"
    notes: str = "dropped"
    elevations: str = "dropped"
    header: str = "1.1"
    drops_extensions: bool = True
    shuffles: bool = True
    renames: int = 0
    moves: int = 0
    copies: int = 0
    both: int = 0
    deletes: float = 0.0
    adds_far: int = 0
    adds_beside: int = 0
    adds_beside_deleted: int = 0
    typed_share: float = 0.5

    def __post_init__(self) -> None:
        if not 8 <= self.name_length <= 12:
            raise ValueError(f"name_length is {self.name_length}; 8 to 12 are allowed")
        for what, allowed in CHOICES.items():
            if getattr(self, what) not in allowed:
                raise ValueError(f"{what} is {getattr(self, what)!r}; allowed: {allowed}")


@dataclass
class Happened:
    """The truth about a returned file; a row is the place of a waypoint in it, from 0.

    Attributes
    ----------
    came_from : list of int
        For each row the index of the exported waypoint, from 0, or -1 for a new one.
    what : list of str
        For each row "kept", "renamed", "moved", "renamed and moved", "copied" or "new".
    deleted : list of int
        Exported indices that the file lacks, ascending.
    moved : dict
        Row -> (metres, bearing in degrees true from the exported position), before rounding.
    beside : dict
        Row of a new waypoint -> the exported index that it was put beside.
    typed : list of int
        Rows of new waypoints with a typed name.
    """

    came_from: list[int] = field(default_factory=list)
    what: list[str] = field(default_factory=list)
    deleted: list[int] = field(default_factory=list)
    moved: dict[int, tuple[float, float]] = field(default_factory=dict)
    beside: dict[int, int] = field(default_factory=dict)
    typed: list[int] = field(default_factory=list)

    def rows(self, what: str) -> list[int]:
        """Rows to which this happened."""
        return [row for row, w in enumerate(self.what) if w == what]


def habits_from(seed: int) -> Habits:
    """Draw one sort of plotter and one season for some thousands of waypoints."""
    rng = np.random.default_rng([seed, 1])

    def one(options: Sequence[str], weights: Sequence[float] | None = None) -> str:
        return str(rng.choice(np.array(options), p=weights))

    def chance(p: float) -> bool:
        return bool(rng.random() < p)

    def count(low: int, high: int) -> int:
        return int(rng.integers(low, high + 1))

    return Habits(
        name_length=count(8, 12),
        upper=chance(0.7),
        grid=one(CHOICES["grid"]),
        rounding=one(CHOICES["rounding"]),
        keeps_times=chance(0.5),
        accents=one(CHOICES["accents"], [0.25, 0.45, 0.15, 0.15]),
        trailing=one(CHOICES["trailing"]),
        numbers_collisions=chance(0.5),
        reuses_numbers=chance(0.4),
        symbols=one(CHOICES["symbols"]),
        notes=one(CHOICES["notes"]),
        elevations=one(CHOICES["elevations"]),
        header=one(CHOICES["header"], [0.6, 0.25, 0.15]),
        drops_extensions=chance(0.85),
        shuffles=chance(0.75),
        renames=count(10, 60),
        moves=count(10, 40),
        copies=count(0, 25),
        deletes=float(rng.uniform(0.02, 0.2)),
        adds_far=count(10, 40),
        adds_beside=count(10, 40),
        adds_beside_deleted=count(3, 15),
        typed_share=float(rng.uniform(0.3, 0.7)),
    )


# --- positions ---


def ecef(lon: Floats, lat: Floats) -> Floats:
    """Points on the ellipsoid in Earth-centred metres, shape (n, 3): no seam and no pole there."""
    lam, phi = np.radians(lon), np.radians(lat)
    n = AXIS_M / np.sqrt(1 - E2 * np.sin(phi) ** 2)
    return np.stack(
        [
            n * np.cos(phi) * np.cos(lam),
            n * np.cos(phi) * np.sin(lam),
            n * (1 - E2) * np.sin(phi),
        ],
        axis=-1,
    )


def put(lon: float, lat: float, metres: float, bearing_deg: float) -> tuple[float, float]:
    """Go some tens of metres on a bearing, by the two radii of curvature; lon in [-180, 180)."""
    w2 = 1 - E2 * np.sin(np.radians(lat)) ** 2
    across = AXIS_M / np.sqrt(w2)
    along = AXIS_M * (1 - E2) / w2**1.5
    b = np.radians(bearing_deg)
    new_lat = lat + np.degrees(metres * np.cos(b) / along)
    middle = np.radians((lat + new_lat) / 2)
    new_lon = lon + np.degrees(metres * np.sin(b) / (across * np.cos(middle)))
    return float((new_lon + 180) % 360 - 180), float(new_lat)


def on_grid(value: Decimal, habits: Habits) -> Decimal:
    """Round or truncate degrees as the plotter does, as it writes them."""
    per_degree, decimals = GRIDS[habits.grid]
    cells = abs(value) * per_degree
    if habits.rounding == "round":
        whole = cells.to_integral_value(ROUND_HALF_UP)
    else:
        # what lies on the grid but for the last written decimal stays there
        whole = (cells + Decimal("0.01")).to_integral_value(ROUND_FLOOR)
    degrees = (whole / per_degree).quantize(Decimal(1).scaleb(-decimals))
    return -degrees if value < 0 and whole else degrees


def stored(lon: Decimal, lat: Decimal, habits: Habits) -> tuple[Decimal, Decimal]:
    """Give the position as the plotter writes it; 180 east is 180 west, as GPX has it."""
    x = on_grid(lon, habits)
    return (-x if x == 180 else x), on_grid(lat, habits)


def as_decimal(degrees: float) -> Decimal:
    return Decimal(f"{degrees:.10f}")


class Places:
    """Every position, exported or stored, that a landing must keep clear of."""

    def __init__(self, lon: Floats, lat: Floats) -> None:
        self.points = ecef(lon, lat)

    def add(self, lon: float, lat: float) -> None:
        self.points = np.vstack([self.points, ecef(np.array(lon), np.array(lat))])

    def nearest_m(self, lon: float, lat: float) -> float:
        """Distance to the nearest position, metres (a chord, which at 1 km is the arc to 1 um)."""
        if not len(self.points):
            return float("inf")
        d = self.points - ecef(np.array(lon), np.array(lat))
        return float(np.sqrt((d**2).sum(axis=1).min()))


# --- names ---


def plain_letters(text: str, accents: str) -> str:
    if accents == "plain":
        text = unicodedata.normalize("NFKD", text)
    if accents in ("plain", "dropped"):
        return "".join(c for c in text if c.isascii())
    if accents == "marked":
        return "".join(c if c.isascii() else "?" for c in unicodedata.normalize("NFC", text))
    return text


def cut_name(name: str, habits: Habits) -> str:
    """Give the name that the plotter makes of one, before numbers and padding."""
    name = plain_letters(name, habits.accents)
    if habits.upper:
        name = name.upper()
    name = name[: habits.name_length]
    return name if habits.trailing == "left" else name.rstrip()


def numbered(names: list[str], length: int) -> list[str]:
    """Replace the end of each name that is taken by the first number that makes it free."""
    used: set[str] = set()
    out = []
    for name in names:
        free, k = name, 2
        while name and free in used:
            free = name[: length - len(str(k))] + str(k)
            k += 1
        used.add(free)
        out.append(free)
    return out


TYPED_FIRST = [
    "Ugly",
    "Fat",
    "Lucky",
    "Stray",
    "Dim",
    "Pale",
    "Odd",
    "Posh",
    "Hasty",
    "Glum",
    "Merry",
    "Shy",
    "Brisk",
    "Vast",
    "Tiny",
    "Numb",
]
TYPED_LAST = [
    "cup",
    "hat",
    "egg",
    "pea",
    "bun",
    "jam",
    "key",
    "pot",
    "nib",
    "oar",
    "tub",
    "wig",
    "fig",
    "gem",
    "hen",
    "ivy",
    "jug",
    "kit",
    "lid",
    "mop",
]


def type_name(rng: np.random.Generator, taken: set[str], habits: Habits) -> str:
    """Type a name that nobody has; it fits, and is added to `taken` (casefolded)."""
    for _ in range(TRIES):
        name = f"{rng.choice(TYPED_FIRST)} {rng.choice(TYPED_LAST)}"
        if rng.random() < 0.6:
            name = f"{rng.choice(TYPED_LAST)} {rng.integers(2, 1000)}".capitalize()
        name = name.upper() if habits.upper else name
        if len(name) <= habits.name_length and name.casefold() not in taken:
            taken.add(name.casefold())
            return name
    raise ValueError("no free name left to type; ask for fewer renames or new waypoints")


# --- the season ---


@dataclass
class _Row:
    """One waypoint as the plotter holds it."""

    source: int
    what: str
    name: str
    lon: Decimal
    lat: Decimal
    fields: dict[str, str]
    extensions: Any = None
    moved: tuple[float, float] | None = None
    beside: int | None = None
    typed: bool = False


def _local(element: Any) -> str:
    return etree.QName(element).localname if isinstance(element.tag, str) else ""


def _exported(gpx: bytes) -> list[Any]:
    parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=False)
    return [e for e in etree.fromstring(gpx, parser) if _local(e) == "wpt"]


def _children(wpt: Any) -> tuple[dict[str, str], Any]:
    texts, extensions = {}, None
    for child in wpt:
        if _local(child) == "extensions":
            extensions = child
        elif _local(child) in ("ele", "time", "name", "cmt", "desc", "sym"):
            texts[_local(child)] = child.text or ""
    return texts, extensions


def _symbols(texts: list[dict[str, str]], habits: Habits) -> dict[str, str]:
    """From exported symbol text to the plotter's own, several to one."""
    known = sorted({t["sym"] for t in texts if t.get("sym")})
    if habits.symbols == "replaced":
        return {s: f"Shape {'ABCD'[i % 4]}" for i, s in enumerate(known)}
    return {s: "Shape A" if habits.symbols == "one" else s for s in known}


def _kept_fields(texts: dict[str, str], symbols: dict[str, str], habits: Habits) -> dict[str, str]:
    out = {}
    if habits.elevations == "zero":
        out["ele"] = "0"
    elif habits.elevations == "kept" and "ele" in texts:
        out["ele"] = texts["ele"]
    if habits.keeps_times and "time" in texts:
        out["time"] = texts["time"]
    if habits.notes != "dropped":
        for what in ("cmt", "desc"):
            if texts.get(what):
                note = plain_letters(texts[what], habits.accents)
                out[what] = note[:NOTE_LENGTH] if habits.notes == "cut" else note
    if habits.symbols == "one":
        out["sym"] = "Shape A"
    elif habits.symbols != "dropped" and texts.get("sym"):
        out["sym"] = symbols[texts["sym"]]
    return out


def _take(rng: np.random.Generator, pool: list[int], count: int, what: str) -> list[int]:
    if count > len(pool):
        raise ValueError(f"{count} {what} asked, but only {len(pool)} waypoints can be used for it")
    return [int(i) for i in rng.choice(np.array(pool, dtype=np.int64), count, replace=False)]


def _movable(
    order: list[int],
    count: int,
    gone: list[int],
    keys: list[str],
    points: Floats,
) -> list[int]:
    """Pick waypoints to move that nothing else which vanished nearby can be taken for."""
    vanished = list(gone)
    chosen: list[int] = []
    for i in order:
        if len(chosen) == count:
            break
        if not keys[i]:
            continue
        alike = [j for j in vanished if keys[j] == keys[i]]
        if alike and np.linalg.norm(points[alike] - points[i], axis=1).min() < ALIKE_WITHIN_M:
            continue
        chosen.append(i)
        vanished.append(i)
    if len(chosen) < count:
        raise ValueError(f"{count} moves asked, but only {len(chosen)} can be told from the file")
    return chosen


def _land(
    rng: np.random.Generator,
    start: tuple[float, float],
    reach_m: tuple[float, float],
    clear_m: float,
    places: Places,
    habits: Habits,
) -> tuple[tuple[Decimal, Decimal], float, float] | None:
    """Find a free spot; None if there is none. The spot is added to `places` as stored."""
    for _ in range(TRIES):
        metres, bearing = float(rng.uniform(*reach_m)), float(rng.uniform(0, 360))
        lon, lat = put(*start, metres, bearing)
        spot = stored(as_decimal(lon), as_decimal(lat), habits)
        near = min(places.nearest_m(lon, lat), places.nearest_m(float(spot[0]), float(spot[1])))
        if near >= clear_m:
            places.add(float(spot[0]), float(spot[1]))
            return spot, metres, bearing
    return None


def season(gpx: bytes, habits: Habits, seed: int) -> tuple[bytes, Happened]:
    """Let the plotter take the file and give it back after a season.

    Parameters
    ----------
    gpx : bytes
        A GPX file, 1.0 or 1.1 or without a namespace; its waypoints are counted from 0.
    habits : Habits
        What the plotter and its owner do.
    seed : int
        The same seed, file and habits give the same bytes.

    Returns
    -------
    bytes
        The returned GPX file, UTF-8.
    Happened
        What was done, row by row.

    Raises
    ------
    ValueError
        The file has too few waypoints, or too many alike, for what is asked.
    """
    rng = np.random.default_rng([seed, 2])
    wpts = _exported(gpx)
    n = len(wpts)
    read = [_children(w) for w in wpts]
    texts = [t for t, _ in read]
    lon = [Decimal(w.get("lon")) for w in wpts]
    lat = [Decimal(w.get("lat")) for w in wpts]
    flon, flat = np.array(lon, dtype=np.float64), np.array(lat, dtype=np.float64)
    points = ecef(flon, flat)
    spots = [stored(a, b, habits) for a, b in zip(lon, lat, strict=True)]

    cut = [cut_name(t.get("name", ""), habits) for t in texts]
    names = numbered(cut, habits.name_length) if habits.numbers_collisions else cut
    # a number may replace the last letters, so only the beginning identifies
    keys = [c.strip().casefold()[: habits.name_length - 3] for c in cut]
    taken = {c.strip().casefold() for c in cut} | {c.strip().casefold() for c in names}

    everyone = list(range(n))
    deleted = sorted(_take(rng, everyone, round(habits.deletes * n), "deletions"))
    there = sorted(set(everyone) - set(deleted))
    shuffled = [int(i) for i in rng.permutation(np.array(there, dtype=np.int64))]
    going = _movable(shuffled, habits.moves + habits.both, deleted, keys, points)
    still = sorted(set(there) - set(going))
    renamed = _take(rng, still, habits.renames, "renames")
    twice = _take(rng, sorted(set(still) - set(renamed)), habits.copies, "copies")

    symbols = _symbols(texts, habits)
    rows: dict[int, _Row] = {}
    for i in there:
        x, y = spots[i]
        fields = _kept_fields(texts[i], symbols, habits)
        rows[i] = _Row(i, "kept", names[i], x, y, fields, read[i][1])
    places = Places(flon, flat)
    for i in still:
        places.add(float(spots[i][0]), float(spots[i][1]))
    for i in renamed:
        rows[i].what, rows[i].name = "renamed", type_name(rng, taken, habits)
    for k, i in enumerate(going):
        found = _land(rng, (flon[i], flat[i]), MOVE_M, LANDING_CLEAR_M, places, habits)
        if found is None:
            raise ValueError(f"no free spot to move waypoint {i} to; the marks lie too close")
        (rows[i].lon, rows[i].lat), *way = found
        rows[i].what, rows[i].moved = "moved", (way[0], way[1])
        if k >= habits.moves:
            rows[i].what, rows[i].name = "renamed and moved", type_name(rng, taken, habits)

    out = [rows[i] for i in there]
    used = {r.name for r in out}
    for i in twice:
        r = rows[i]
        name, k = r.name, 2
        while habits.numbers_collisions and name and name in used:
            name = r.name[: habits.name_length - len(str(k))] + str(k)
            k += 1
        used.add(name)
        taken.add(name.strip().casefold())
        out.append(_Row(i, "copied", name, r.lon, r.lat, dict(r.fields), r.extensions))
    out += _new_rows(rng, habits, (flon, flat), points, (still, deleted), cut, taken, places, texts)

    if habits.shuffles:
        out = [out[i] for i in rng.permutation(len(out))]
        _earlier_is_kept(out)
    return _written(out, habits), _truth(out, deleted)


def _new_rows(
    rng: np.random.Generator,
    habits: Habits,
    exported: tuple[Floats, Floats],
    points: Floats,
    groups: tuple[list[int], list[int]],
    cut: list[str],
    taken: set[str],
    places: Places,
    texts: list[dict[str, str]],
) -> list[_Row]:
    """Waypoints that the owner stored on the water."""
    still, deleted = groups
    flon, flat = exported
    plan: list[tuple[tuple[Decimal, Decimal], int | None]] = []
    for pool, count in ((still, habits.adds_beside), (deleted, habits.adds_beside_deleted)):
        found = 0
        for i in (int(i) for i in rng.permutation(np.array(pool, dtype=np.int64))):
            if found == count:
                break
            spot = _land(rng, (flon[i], flat[i]), BESIDE_M, NEW_CLEAR_M, places, habits)
            if spot is not None:
                plan.append((spot[0], i))
                found += 1
        if found < count:
            raise ValueError(f"{count} new waypoints beside old ones asked; room for {found} only")
    for _ in range(habits.adds_far):
        for _ in range(TRIES):
            i = int(rng.integers(len(flon)))
            spot = _land(rng, (flon[i], flat[i]), (200.0, 1500.0), FAR_M, places, habits)
            if spot is not None:
                break
        else:
            raise ValueError("no room for new waypoints 150 m from all others")
        plan.append((spot[0], None))

    numbers = {int(c) for c in cut if c.isascii() and c.strip().isdigit()}
    top = max((v for v in numbers if v < 10**6), default=0)
    freed = [i for i in deleted if cut[i].isascii() and cut[i].strip().isdigit()]
    others = {cut[i].strip() for i in range(len(cut)) if i not in set(freed)}
    freed = [i for i in freed if cut[i].strip() not in others]
    freed = list({cut[i].strip(): i for i in freed}.values())  # one number is given once
    last = max((t["time"] for t in texts if t.get("time")), default="2025-06-01T00:00:00Z")
    now = datetime.strptime(last[:10], "%Y-%m-%d").replace(tzinfo=UTC) + timedelta(days=2)

    rows = []
    for (x, y), near in plan:
        now += timedelta(seconds=int(rng.integers(600, 90_000)))
        typed = bool(rng.random() < habits.typed_share)
        name = ""
        if typed:
            name = type_name(rng, taken, habits)
        elif habits.reuses_numbers and freed:
            here = ecef(np.array(float(x)), np.array(float(y)))
            away = [i for i in freed if np.linalg.norm(points[i] - here) >= REUSE_BEYOND_M]
            if away:
                freed.remove(away[0])
                name = cut[away[0]].strip()
        while not name:
            top += 1
            name = f"{top:03d}" if f"{top:03d}" not in taken else ""
        taken.add(name.casefold())
        fields = {}
        if habits.elevations == "zero":
            fields["ele"] = "0"
        if habits.keeps_times:
            fields["time"] = f"{now:%Y-%m-%dT%H:%M:%SZ}"
        if habits.symbols != "dropped":
            fields["sym"] = "Shape A"
        rows.append(_Row(-1, "new", name, x, y, fields, beside=near, typed=typed))
    return rows


def _earlier_is_kept(rows: list[_Row]) -> None:
    """Of two rows equal to the letter the earlier is the kept one: nobody could tell."""
    first: dict[tuple[int, str], _Row] = {}
    for r in rows:
        if r.what in ("kept", "copied"):
            before = first.setdefault((r.source, r.name), r)
            if before is not r and before.what == "copied":
                before.what, r.what = "kept", "copied"


def _truth(rows: list[_Row], deleted: list[int]) -> Happened:
    return Happened(
        came_from=[r.source for r in rows],
        what=[r.what for r in rows],
        deleted=deleted,
        moved={k: r.moved for k, r in enumerate(rows) if r.moved is not None},
        beside={k: r.beside for k, r in enumerate(rows) if r.beside is not None},
        typed=[k for k, r in enumerate(rows) if r.typed],
    )


def _written(rows: list[_Row], habits: Habits) -> bytes:
    space = SPACES[habits.header]

    def tag(name: str) -> str:
        return f"{{{space}}}{name}" if space else name

    spaces: Any = {None: space} if space else None
    root = etree.Element(tag("gpx"), nsmap=spaces)
    root.set("version", "1.0" if habits.header == "1.0" else "1.1")
    root.set("creator", "made-up plotter")
    for r in rows:
        wpt = etree.SubElement(root, tag("wpt"), lat=f"{r.lat:f}", lon=f"{r.lon:f}")
        fields = dict(r.fields)
        if r.name:
            padded = habits.trailing == "padded"
            fields["name"] = r.name.ljust(habits.name_length) if padded else r.name
        for what in ("ele", "time", "name", "cmt", "desc", "sym"):
            if what in fields:
                etree.SubElement(wpt, tag(what)).text = fields[what]
        if r.extensions is not None and not habits.drops_extensions and habits.header == "1.1":
            box = etree.SubElement(wpt, tag("extensions"))
            for child in r.extensions:
                copy = etree.fromstring(etree.tostring(child, with_tail=False))
                box.append(copy)
    etree.indent(root, " ")
    text: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8")
    return text + b"\n"


# --- a world of marks ---

WATERS = {  # lon, lat of the middle; open water, nothing is there
    "plain": (-33.4172, 41.7318),
    "180th": (179.9996, -52.3071),
    "north": (3.6281, 78.0004),
}
KINDS = ["rock", "reef", "ledge", "wreck", "timber", "weed", "bait", "hole", "other"]
SIDES = ["North", "South", "East", "West", "Upper", "Lower", "Inner", "Outer"]
THINGS = ["ledge", "rock", "reef", "stump", "shelf", "barge", "hole", "patch", "stone", "bank"]
LONG = [  # coined words, whose first letters are all that a plotter keeps
    "Sjökvålsbotten",
    "Âpregravière du guet",
    "Tørskeløkkagrunnen",
    "Brännvålsklacken",
    "Móðrökkurshryggur",
    "Piñarcórrega vieja",
]
ENDS = ["norra", "södra", "östra", "1", "2", "3", "(déep side)", "& bank", "<old>", "045°", "270°"]


def _clustered(n: int, rng: np.random.Generator, place: str) -> tuple[list[float], list[float]]:
    """Spots 25 m or more apart, about fifty to a cluster, in a square of some kilometres."""
    lon0, lat0 = WATERS[place]
    clusters = max(1, n // 50)
    side_m = 900.0 * np.sqrt(clusters)
    centres = []
    for e, m in rng.uniform(-side_m / 2, side_m / 2, (clusters, 2)):
        centres.append(put(lon0, lat0, float(np.hypot(e, m)), float(np.degrees(np.arctan2(e, m)))))
    lon: list[float] = []
    lat: list[float] = []
    points = np.empty((n, 3))
    while len(lon) < n:
        centre = centres[int(rng.integers(clusters))]
        x, y = put(*centre, float(np.abs(rng.normal(0, 260))), float(rng.uniform(0, 360)))
        p = ecef(np.array(x), np.array(y))
        seen = points[: len(lon)]
        if len(seen) and np.linalg.norm(seen - p, axis=1).min() < 25.0:
            continue
        points[len(lon)] = p
        lon.append(x)
        lat.append(y)
    return lon, lat


def marks_world(n: int, seed: int, place: str = "plain") -> list[dict[str, Any]]:
    """Invent marks in clusters; a tenth of them in pairs 15-20 m apart with names alike.

    Parameters
    ----------
    n : int
        How many, 20 or more.
    seed : int
        The same seed gives the same marks.
    place : str
        "plain", "180th" (on both sides of the 180th meridian) or "north" (latitude 78).

    Returns
    -------
    list of dict
        `lon`, `lat` (degrees, to 7 decimals, lon in [-180, 180)), `name` (may be empty), `kind`.
        The two marks of a pair follow each other. All others are 25 m or more apart.
    """
    if place not in WATERS:
        raise ValueError(f"place is {place!r}; allowed: {sorted(WATERS)}")
    rng = np.random.default_rng([seed, 3])
    pairs = max(1, round(n * 0.05))
    lon, lat = _clustered(n - pairs, rng, place)
    places = Places(np.array(lon), np.array(lat))
    blocks: list[list[dict[str, Any]]] = []
    paired = 0
    number = 0

    def mark(x: float, y: float, name: str, kind: str) -> dict[str, Any]:
        x = round(x, 7)
        return {"lon": -180.0 if x == 180 else x, "lat": round(y, 7), "name": name, "kind": kind}

    for k, (x, y) in enumerate(zip(lon, lat, strict=True)):
        kind = str(rng.choice(KINDS))
        twin = None
        if paired < pairs:
            alone = Places(np.delete(np.array(lon), k), np.delete(np.array(lat), k))
            alone.points = np.vstack([alone.points, places.points[len(lon) :]])
            for _ in range(60):
                spot = put(x, y, float(rng.uniform(15.5, 19.5)), float(rng.uniform(0, 360)))
                if alone.nearest_m(*spot) >= 25.0:
                    twin = spot
                    break
        if twin is not None:
            paired += 1
            places.add(*twin)
            base = f"{rng.choice(SIDES)} {rng.choice(THINGS)}"
            if rng.random() < 0.4:
                base = str(rng.choice(LONG))
            blocks.append([mark(x, y, f"{base} 1", kind), mark(*twin, f"{base} 2", kind)])
            continue
        sort = rng.random()
        if sort < 0.12:
            name = ""
        elif sort < 0.30:
            number += 1
            name = f"{number:03d}"
        elif sort < 0.50:
            name = f"{rng.choice(LONG)} {rng.choice(ENDS)}"
        elif sort < 0.75:
            name = f"{rng.choice(SIDES)} {rng.choice(THINGS)} {rng.integers(3, 60)}"
        else:
            name = f"{str(rng.choice(THINGS)).capitalize()} {rng.integers(1, 2000)}"
        blocks.append([mark(x, y, name, kind)])
    if paired < pairs:
        raise ValueError(f"room for {paired} pairs only, of {pairs}")
    return [m for i in rng.permutation(len(blocks)) for m in blocks[i]]
