"""Write the page of the book's schema: tables and types from the code, meanings from here.

``python docs/make_book_schema.py [FILE]`` writes ``book-schema.md`` beside this script unless a
file is given. A column or table without a meaning stops it, so that none is forgotten.
"""

from __future__ import annotations

import sys
from pathlib import Path

from athwart.book.schema import TABLES, VERSION, Layer
from athwart.tables import Marks, Sightings, Table

SORTS = {
    "Seen": (
        "Added to, never changed and never deleted.",
        ("sightings", "earlier_fixes", "tracks", "routes", "shapes", "pictures", "files"),
    ),
    "Decided": (
        "The user's own word, and what was handed over.",
        ("words", "rulings", "visits", "handed_over"),
    ),
    "Concluded": (
        "Worked out from what was seen and decided. In `marks` the columns name, kind, hazard, "
        "note and private, and the place, may be edited in a GIS: the next change of the book "
        "takes that in.",
        ("marks", "members", "trips", "marks_as_written", "retired"),
    ),
    "Told": ("What happened, and numbers of the book itself.", ("log", "book_settings")),
}

EVERYWHERE = {
    "fid": "key of the row",
    "geom": "place, WGS 84 (EPSG:4326), longitude before latitude, in the standard's binary form",
    "entry": "entry of the log that the row came with",
    "file": "row of `files` that it came from; 0: drawn or moved in another program",
    "mark_id": "id of the mark",
    "name": "name for people",
}

_LINES = {
    "line_id": "hash of its points",
    "name": "name of the track or route",
    "first_time": "time of its first dated point, UTC, to the millisecond",
    "last_time": "time of its last dated point, UTC, to the millisecond",
    "points": "number of points",
    "first_point": "its first point as the hash sees it, hexadecimal",
    "arrays": "all columns of the points as they were read, packed (NumPy)",
    "source": "file that it came from",
}

_SEEN = {
    "trip": "name of the outing where one was given; the trip that counts is that of `members`",
    "extra": "columns of the file that athwart does not know, JSON",
    "revision": "1 for the first result of this observation, 2 for the next",
    "content": "hash of all that was seen; `book check` finds a sighting that was changed by it",
}

MEANINGS: dict[str, dict[str, str]] = {
    "sightings": _SEEN,
    "earlier_fixes": _SEEN,
    "marks": {
        "mark_id": "id of the mark: that of one of its sightings, kept as long as any of them is",
        "private": "kept out of every export, map and table",
        "visits": "how often it was visited",
        "note": "what the user said of it; else every note of its sightings",
        "name": "what the user called it; else a name of its sightings",
    },
    "tracks": _LINES,
    "routes": _LINES,
    "shapes": {
        "shape_id": "hash of what was drawn: the picture, the corners' pixels and what it is",
        "kind": "what it is",
        "note": "free text",
        "private": "kept out of every export, map and table",
        "r95_m": "largest R95 of its corners, metres",
        "corners": "each corner's place, R95 and pixel, JSON",
        "time": "moment of its first corner, UTC, to the millisecond",
        "source": "picture that it was drawn on",
    },
    "pictures": {
        "name": "last part of its path",
        "sha256": "SHA-256 of its bytes, hexadecimal",
        "width_px": "width, pixels",
        "height_px": "height, pixels",
        "layout": "how the screen was laid out, TOML",
        "newest_time": "moment of the newest line, UTC, to the millisecond",
        "time_sigma_s": "standard error of that moment, seconds",
        "bottom": "the bottom line as the user dragged it, JSON",
    },
    "files": {
        "name": "last part of its path",
        "sha256": "SHA-256 of its bytes, hexadecimal",
        "bytes": "size",
        "format": "name of the format that it was read as",
        "added": "sightings that were new or had a new result",
        "known": "sightings and waypoints that the book knew",
    },
    "words": {
        "field": "`name`, `kind`, `hazard`, `note` or `private`",
        "value": "what was said; `1` and `0` for yes and no",
    },
    "rulings": {
        "what": "`same` or `apart`",
        "a": "id of one sighting",
        "b": "id of the other",
    },
    "visits": {
        "time": "when, UTC, to the millisecond",
        "note": "free text",
        "result": "what came of it, in a word or two",
    },
    "handed_over": {
        "name": "its name in the file",
        "lon": "longitude in the file, degrees",
        "lat": "latitude in the file, degrees",
        "file": "name of the file that was written",
    },
    "members": {
        "fid": "the sighting's key",
        "mark": "the mark's key",
        "trip": "the trip's key; nothing for an undated sighting of no trip",
        "reach_m": "how far it may be folded, metres, where that is more than usual",
        "as_of": "entry of the sighting when it was merged; another one now means that it waits",
    },
    "trips": {
        "name": "name of the outing; its first moment where none was given",
        "given": "whether a file or a person named it",
        "first_us": "first moment, microseconds since 1970 UTC",
        "last_us": "last moment, microseconds since 1970 UTC",
        "sitting": "how it was found to sit against the other trips, JSON; kept, not found anew",
        "shift_east_m": "metres by which it sits off to the east and is moved back in every merge",
        "shift_north_m": "metres by which it sits off to the north and is moved back",
    },
    "marks_as_written": {
        "kind": "kind as it was left",
        "name": "name as it was left",
        "hazard": "hazard as it was left",
        "note": "note as it was left",
        "private": "private as it was left",
        "place": "place as it was left",
    },
    "retired": {
        "mark_id": "id that is no more",
        "folded_into": "id that it leads to",
    },
    "log": {
        "fid": "number of the entry",
        "time": "when, UTC, to the millisecond",
        "what": "`add`, `merge`, `same`, `apart`, `edit`, `visit`, `export`, `outside` or `undo`",
        "sentence": "what was done, for people",
        "source": "file that it came from",
        "takes_back": "entry that this one takes back",
        "taken_back_by": "entry that takes this one back",
        "way_back": "the steps that take it back, packed (JSON, deflated)",
    },
    "book_settings": {"key": "name of a setting; `schema` is one", "value": "its value"},
}

_CONTRACTS: dict[str, type[Table]] = {
    "sightings": Sightings,
    "earlier_fixes": Sightings,
    "marks": Marks,
}

HEAD = f"""# The book's schema

A book is one file, a GeoPackage (OGC 12-128): any GIS opens it, and SQLite reads it. This page is
written by `docs/make_book_schema.py` from the code and is of schema {VERSION}, the row `schema` of
`book_settings`. A book of an older schema is brought up to date when it is changed for the first
time, and a copy of it as it was is kept beside it; reading leaves it alone. A newer one is refused.
Why the tables are parted as they are is told in the [explanation](explanation.md#the-book).

Open the layers `marks`, `sightings`, `tracks` and `routes` in a GIS as you like; **write to `marks`
alone**. Everything else is kept true by athwart, and `athwart book check` finds what was changed
behind its back. A book holds private marks like any other: who has the file has them.

Types are those of the standard. A missing number or text is NULL. A time stands twice where it is
needed exactly: to the millisecond for the GIS, and in microseconds since 1970 (UTC) beside it.
"""


def meaning(layer: Layer, column: str) -> str:
    """Return what a column means.

    Raises
    ------
    KeyError
        Nobody has said it.
    """
    own = MEANINGS[layer.name]
    if column in own:
        return own[column]
    contract = {c.name: c for c in _CONTRACTS[layer.name].columns()} if (
        layer.name in _CONTRACTS
    ) else {}  # fmt: skip
    if column in contract:
        words = contract[column].words
        listed = f": {', '.join(f'`{w}`' for w in words)}" if words else ""
        return contract[column].doc + listed
    if column.endswith("_us") and column.removesuffix("_us") in dict(layer.columns):
        return f"the same as `{column.removesuffix('_us')}`, exactly: microseconds since 1970"
    return EVERYWHERE[column]


def page() -> str:
    """Return the page."""
    layers = {layer.name: layer for layer in TABLES}
    parts = [HEAD]
    for sort, (about, names) in SORTS.items():
        parts.append(f"## {sort}\n{about}\n")
        for name in names:
            layer = layers.pop(name)
            sort_of = f"features, {layer.shape}" if layer.shape else "attributes"
            parts.append(f"### `{name}`\n{layer.about} ({sort_of})\n")
            columns = [("fid", "INTEGER"), *([("geom", layer.shape)] if layer.shape else [])]
            rows = [
                f"| `{column}` | {type_} | {meaning(layer, column)} |"
                for column, type_ in [*columns, *layer.columns]
            ]
            parts.append("\n".join(["| column | type | meaning |", "|---|---|---|", *rows]) + "\n")
    if layers:
        raise KeyError(", ".join(layers))
    return "\n".join(parts)


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "book-schema.md"
    target.write_text(page(), encoding="utf-8", newline="\n")
