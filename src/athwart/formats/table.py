"""Tables as text: CSV with commas, semicolons or tabs.

Columns may stand in any order; their names make the table (see `athwart.formats.rows`). Numbers
have a decimal point. On writing, a text cell or a header that a spreadsheet would run as a formula
(it starts with ``=``, ``+``, ``-``, ``@``, their full-width forms, a tab or a line end) gets an
apostrophe in front, which the reader takes off again.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.contents import Contents
from athwart.errors import BadRow, FileError
from athwart.formats import rows as rowing
from athwart.formats.files import read_bytes
from athwart.formats.gpx_fields import ILLEGAL, value_texts
from athwart.formats.registry import ReadOptions, WriteOptions
from athwart.formats.sniff import looks_like
from athwart.input_limits import check_count, most, over
from athwart.tables import Marks, Picks, Sightings, Table, Track, Waypoints
from athwart.unchanged import unchanged

__all__ = [
    "CLEAN",
    "SIBLING",
    "contents_of",
    "delimiter_of",
    "main_table",
    "read",
    "safe_cell",
    "sibling_of",
    "text_of",
    "with_sibling",
    "write",
]  # fmt: skip

SIBLING = "-sightings"
"""What stands behind the name of the file that holds the sightings of a file of marks."""

_BATCH = 50_000
_STARTS = "=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20"
_FORMULA = re.compile(f"'*[{_STARTS}]")
_STRIP = re.compile(f"'+[{_STARTS}]")
_FIELDS: dict[type[Table], str] = {
    Marks: "marks",
    Sightings: "sightings",
    Picks: "picks",
    Waypoints: "waypoints",
    Track: "tracks",
}
CLEAN = (
    "name", "lat", "lon", "depth_m", "depth_below", "kind", "hazard", "note", "symbol", "time",
    "last_time", "r95_m", "least_depth_m",
)  # fmt: skip


def read(path: Path, options: ReadOptions) -> Contents:
    """Read a table; beside a table of marks its sightings too, if their file is there.

    Raises
    ------
    FileError
        No table, an empty one, columns that make none of ours, or one column twice.
    """
    return with_sibling(path, lambda p: _read_one(p, options))


def with_sibling(path: Path, read_one: Callable[[Path], Contents]) -> Contents:
    """Read a file and, if it holds marks, the sightings that lie beside it: both of one moment."""
    sibling = sibling_of(path)
    if not sibling.is_file():
        return read_one(path)
    with unchanged(path, sibling):
        contents = read_one(path)
        if not contents.counts.get("marks"):
            return contents
        return join_sibling(contents, read_one(sibling))


def join_sibling(contents: Contents, beside: Contents) -> Contents:
    """Return marks together with the sightings that stood in the file beside theirs."""
    from dataclasses import replace

    rejected = (
        BadRow(r.row, r.code, f"{r.message} (in {beside.source})", r.column)
        for r in beside.rejected
    )
    return replace(
        contents,
        sightings=beside.sightings,
        counts={**contents.counts, **beside.counts},
        rejected=(*contents.rejected, *rejected),
        words=(
            *contents.words,
            *beside.words,
            f"{len(beside.sightings)} sightings were read from {beside.source} beside it",
        ),
    )


def sibling_of(path: Path) -> Path:
    """Return the file of the sightings that belong to a file of marks."""
    return path.with_name(f"{path.stem}{SIBLING}{path.suffix}")


def text_of(path: Path) -> tuple[str, list[str]]:
    """Return the text of a file and what is to be said of its encoding."""
    data = read_bytes(path, "TABLE_MB")
    for bom, codec in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(bom):
            try:
                return data.decode(codec), []
            except UnicodeDecodeError as error:
                raise FileError(path.name, "the text is damaged; save it as UTF-8") from error
    if b"\x00" in data:
        found = looks_like(data[:4096])
        what = f"it looks like {found}" if found else "it holds zero bytes"
        raise FileError(path.name, f"the file is no table of text; {what}")
    try:
        return data.decode("utf-8"), []
    except UnicodeDecodeError:
        words = "the file is not UTF-8; it was read as Windows-1252 (Western European)"
        try:
            return data.decode("cp1252"), [words]
        except UnicodeDecodeError:
            return data.decode("latin-1"), [words.replace("Windows-1252", "Latin-1")]


def delimiter_of(header: str) -> str:
    """Return what parts the cells of a header."""
    outside = re.sub(r'"[^"]*"', "", header)
    return max(",;\t", key=outside.count)


def _header(path: Path, cells: list[str]) -> list[str]:
    names = [rowing.normal_name(_typed(c)) for c in cells]
    seen: dict[str, int] = {}
    for i, name in enumerate(names, start=1):
        if name and name.lower() in seen:
            raise FileError(
                path.name,
                f"the column {name!r} stands twice, as column {seen[name.lower()]} and {i}; "
                "keep one",
            )
        seen[name.lower()] = i
    return names


def _read_one(path: Path, options: ReadOptions) -> Contents:
    text, words = text_of(path)
    start = text.lstrip()
    if not start:
        raise FileError(path.name, "the table is empty; it has no header and no rows")
    found = looks_like(start[:4096].encode("utf-8", "replace"))
    if found:
        raise FileError(path.name, f"the file is no table; it looks like {found}")
    lines = io.StringIO(text, newline="")
    first = ""
    skipped = 0
    while not first.strip():
        first = lines.readline()
        skipped += 1
    delimiter = delimiter_of(first)
    check_count("COLUMNS", first.count(delimiter) + 1, path.name)
    body = lines.tell() - len(first)
    # A blank behind the commas of the header means blanks behind all of them; elsewhere a blank
    # belongs to its cell, unless the quotes make no sense with it.
    for loose in (True,) if f"{delimiter} " in first else (False, True):
        lines.seek(body)
        csv.field_size_limit(most("TEXT"))
        reader = csv.reader(lines, delimiter=delimiter, strict=True, skipinitialspace=loose)
        try:
            names = _header(path, next(reader))
            judged = rowing.judge(names)
            if judged is None:
                raise FileError(path.name, _no_table(names))
            cls = judged
            built, count = _rows(path, reader, names, cls, options)
        except csv.Error as error:
            if "field larger" in str(error):
                where = f"line {reader.line_num + skipped - 1} "
                raise FileError(path.name, where + over("TEXT", most("TEXT") + 1)) from error
            if not loose:
                continue
            line = reader.line_num + skipped - 1
            raise FileError(
                path.name,
                f"line {line}: a quote is opened and never closed, or stands inside a cell "
                f"({error})",
            ) from error
        break
    if not count:
        raise FileError(path.name, "the table is empty; it has a header but no rows")
    return contents_of(path.name, "csv", built, cls, count, words)


def _no_table(names: list[str]) -> str:
    listed = ", ".join(n for n in names if n)[:200]
    hint = ""
    if "lat" in names or "lon" in names:
        hint = f"; {'lon' if 'lat' in names else 'lat'} is missing"
    return (
        f"the columns ({listed}) make no table{hint}; give lat and lon (waypoints), or side and "
        "slant_range_m or ground_range_m (picks)"
    )


def contents_of(
    source: str,
    format_: str,
    built: rowing.Built,
    cls: type[Table],
    count: int,
    words: list[str],
) -> Contents:
    """Return a built table as the contents of a file."""
    name = _FIELDS[cls]
    counts = {"waypoints": 0, "route_points": 0, "track_points": 0, "routes": 0, "tracks": 0}
    if cls is Track:
        counts["track_points"] = count
        counts["tracks"] = len(np.unique(built.table.line))
    else:
        counts[name] = count
    fields: dict[str, Any] = {name: built.table}
    return Contents(
        source=source,
        format=format_,
        counts=counts,
        rejected=tuple(built.rejected),
        words=(*words, *built.words),
        **fields,
    )


def _rows(
    path: Path, reader: Any, names: list[str], cls: type[Table], options: ReadOptions
) -> tuple[rowing.Built, int]:
    width = len(names)
    tables: list[Any] = []
    rejected: list[BadRow] = []
    words: list[str] = []
    kept_rows: list[NDArray[np.int64]] = []
    batch: list[list[str]] = []
    numbers: list[int] = []
    count = row = 0
    unnamed = [i for i, n in enumerate(names) if not n]

    def flush() -> None:
        if not batch:
            return
        cells = list(zip(*batch, strict=True))
        for i in unnamed:
            if any(c.strip() for c in cells[i]):
                raise FileError(path.name, f"column {i + 1} has no name; name it or empty it")
        arrays = {n: _cells(c) for n, c in zip(names, cells, strict=True) if n}
        built = rowing.build(cls, arrays, np.array(numbers), path.name, options)
        tables.append(built.table)
        rejected.extend(built.rejected)
        kept_rows.append(built.rows)
        batch.clear()
        numbers.clear()

    most_rows = most("ROWS")
    for cells in reader:
        row += 1
        if row > most_rows:
            check_count("ROWS", row, path.name)
        if len(cells) != width:
            if not any(c.strip() for c in cells):
                continue
            surplus = cells[width:]
            if surplus and not any(c.strip() for c in surplus):
                cells = cells[:width]  # a spreadsheet's empty columns at the end
            else:
                count += 1
                hint = (
                    "; if its numbers have decimal commas, write points"
                    if len(cells) > width
                    else ""
                )
                rejected.append(
                    BadRow(
                        row,
                        "cells-do-not-match",
                        f"the row has {len(cells)} cells, the header {width}{hint}",
                    )
                )
                continue
        elif not any(cells) or not any(c.strip() for c in cells):
            continue
        count += 1
        batch.append(cells)
        numbers.append(row)
        if len(batch) >= _BATCH:
            flush()
    flush()
    table = cls.concat(tables) if tables else cls.empty()
    rows = np.concatenate(kept_rows) if kept_rows else np.empty(0, np.int64)
    rejected.sort(key=lambda r: r.row)
    return rowing.Built(table, rejected, words, rows), count


def _cells(cells: tuple[str, ...]) -> NDArray[Any]:
    out = np.empty(len(cells), dtype=object)
    out[:] = [_typed(c) for c in cells]
    return out


def safe_cell(text: str) -> str:
    """Return text that no spreadsheet runs as a formula; the reader gives it back as it was.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("Stone")
    ("'=1+1", 'Stone')
    """
    return f"'{text}" if _FORMULA.match(text) else text


def _typed(cell: str) -> str:
    return cell[1:] if cell[:1] == "'" and _STRIP.match(cell) else cell


def main_table(contents: Contents) -> tuple[Table | None, list[str]]:
    """Return the one table that a file of a single table holds, and words on the others."""
    candidates: list[tuple[str, Table]] = [
        ("marks", contents.marks),
        ("sightings", contents.sightings),
        ("picks", contents.picks),
        ("waypoints", contents.waypoints),
        ("track points", contents.tracks),
        ("route points", contents.routes),
    ]
    given = [(name, t) for name, t in candidates if len(t)]
    if not given:
        return None, []
    rest = given[1:]
    if given[0][0] == "marks":
        rest = [r for r in rest if r[0] != "sightings"]
    return given[0][1], [f"{len(t)} {name}" for name, t in rest]


def write(path: Path, contents: Contents, options: WriteOptions) -> tuple[str, ...]:
    """Write one table, marks together with their sightings in a file beside it."""
    table, lost = main_table(contents)
    if table is None:
        raise FileError(path.name, "there is nothing to write; every table is empty")
    delimiter = "\t" if path.suffix.lower() == ".tsv" else ","
    words = [f"not in {path.name}: {what}; a table file holds one table" for what in lost]
    replaced = _write_one(path, table, delimiter, clean=options.clean)
    if isinstance(table, Marks) and len(contents.sightings):
        if options.clean:
            words.append(f"not in {path.name}: {len(contents.sightings)} sightings")
        else:
            sibling = sibling_of(path)
            replaced += _write_one(sibling, contents.sightings, delimiter, clean=False)
            words.append(
                f"the {len(contents.sightings)} sightings stand beside it in {sibling.name}"
            )
    if replaced:
        words.append(f"not in {path.name}: {replaced} characters that no text file can hold")
    return tuple(words)


def _write_one(path: Path, table: Table, delimiter: str, *, clean: bool) -> int:
    replaced = 0
    names, columns = [], []
    first = ("sighting_id", "mark_id", "time", "name", "lat", "lon")
    order = sorted(table.column_names(), key=lambda n: first.index(n) if n in first else 99)
    contract = {c.name: c for c in table.columns()}
    for name in order:
        if clean and name not in CLEAN:
            continue
        values = getattr(table, name)
        default = contract[name].default if contract[name].type in ("float", "bool") else None
        cells = value_texts(values, default)
        if not any(cells) and not contract[name].required:
            continue
        if isinstance(table, Track) or contract[name].type != "int" or any(values):
            names.append(name)
            columns.append(cells)
    if not clean:
        taken = {n.lower() for n in names}
        for name, values in table.extra.items():
            name, n = ILLEGAL.subn("\ufffd", name)
            replaced += n
            while name.lower() in taken:
                name += "_"
            taken.add(name.lower())
            names.append(name)
            columns.append(value_texts(values))
    for column in columns:
        for i, cell in enumerate(column):
            if not cell.isprintable() and ILLEGAL.search(cell):
                column[i], n = ILLEGAL.subn("\ufffd", cell)
                replaced += n
    texts = {c.name for c in table.columns() if c.type == "text"}
    for name, column in zip(names, columns, strict=True):
        if name in texts or name not in contract:
            column[:] = [safe_cell(c) for c in column]
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
        # Readers count commas, semicolons and tabs of the header to find what parts the cells.
        odd = any(set(n) & set(";,\t") for n in names)
        header = csv.writer(
            out,
            delimiter=delimiter,
            lineterminator="\r\n",
            quoting=csv.QUOTE_ALL if odd else csv.QUOTE_MINIMAL,
        )
        header.writerow([safe_cell(n) for n in names])
        writer.writerows(zip(*columns, strict=True))
    return replaced
