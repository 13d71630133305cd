"""Changes that know their way back.

Every change of a book goes through `Changes`: rows are inserted, deleted or exchanged, and what
would undo each step is noted beside it. The notes of one entry of the log, read backwards, take
that entry back whole, and taking back is itself a change with a way back.
"""

from __future__ import annotations

import base64
import json
import sqlite3
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from athwart.book.blobs import boxes_of
from athwart.book.keys import AMONG, listed
from athwart.book.schema import TABLES, columns_of
from athwart.errors import DataError

__all__ = ["Changes", "Step", "now", "steps_of"]

Row = tuple[Any, ...]
Step = tuple[str, str, list[str], list[Any]]
"""What to do (insert, delete, update), in which table, on which columns, with which rows."""

_FEATURES = {t.name for t in TABLES if t.shape}
_FEW = 50
"""Up to so many rows the triggers of the spatial index do their own work; beyond, taking them away
and putting them back costs less."""


def now() -> str:
    """Return the time as GeoPackage writes it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def next_key(connection: sqlite3.Connection, table: str) -> int:
    """Return the key that the next row of a table will get; keys are never used again."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = ?", (table,)).fetchone()
    return int(row[0]) + 1 if row else 1


class Changes:
    """One entry of the log in the making; use `book_entry` of `athwart.book.log` to open one.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a transaction.
    entry : int
        Number of the entry.
    """

    def __init__(self, connection: sqlite3.Connection, entry: int) -> None:
        self.connection = connection
        self.entry = entry
        self.way_back: list[Step] = []
        self.touched: set[str] = set()
        self.boxes: dict[str, list[float]] = {}
        self.shrunk: set[str] = set()

    def __bool__(self) -> bool:
        return bool(self.way_back)

    def next_fid(self, table: str) -> int:
        """Return the key that the next row of a table will get."""
        return next_key(self.connection, table)

    def insert(self, table: str, columns: Mapping[str, Sequence[Any]]) -> range:
        """Insert rows under new keys.

        Parameters
        ----------
        table : str
            Table.
        columns : mapping of str to sequence
            Equally long columns; those left out stay empty.

        Returns
        -------
        range
            Their keys.
        """
        count = len(next(iter(columns.values())))
        first = self.next_fid(table)
        fids = range(first, first + count)
        if count:
            self.insert_keyed(table, {"fid": fids, **columns})
        return fids

    def insert_keyed(self, table: str, columns: Mapping[str, Sequence[Any]]) -> None:
        """Insert rows whose keys are given in the column ``fid``."""
        fids = columns["fid"]
        if not len(fids):
            return
        self._insert_rows(table, list(columns), list(zip(*columns.values(), strict=True)))
        first, stop = int(fids[0]), int(fids[0]) + len(fids)
        if list(fids) == list(range(first, stop)):  # two numbers instead of a hundred thousand
            self.way_back.append(("delete", table, ["range"], [[first, stop]]))
        else:
            self.way_back.append(("delete", table, ["fid"], [int(f) for f in fids]))

    def delete(self, table: str, fids: Sequence[int]) -> None:
        """Delete rows by key."""
        if not len(fids):
            return
        rows = self.rows(table, fids)
        with self._triggers_off(table, guards=True):
            self.connection.executemany(
                f"DELETE FROM {table} WHERE fid = ?", [(row[0],) for row in rows]
            )
        self.way_back.append(("insert", table, list(columns_of(table)), rows))
        self.touched.add(table)
        self.shrunk.add(table)

    def update(self, table: str, fids: Sequence[int], columns: Mapping[str, Sequence[Any]]) -> None:
        """Exchange the values of some columns in rows given by key."""
        if not len(fids):
            return
        names = list(columns)
        before = self.rows(table, fids, ["fid", *names])
        order = {row[0]: row for row in before}
        self._update_rows(table, names, list(zip(fids, *columns.values(), strict=True)))
        self.way_back.append(("update", table, names, [order[f] for f in fids]))

    def rows(self, table: str, fids: Sequence[int], columns: Sequence[str] = ()) -> list[Row]:
        """Return rows by key, in the order of the keys."""
        names = ", ".join(columns or columns_of(table))
        return self.connection.execute(
            f"SELECT {names} FROM {table} WHERE fid IN {AMONG} ORDER BY fid",
            (listed(int(f) for f in fids),),
        ).fetchall()

    def apply(self, steps: Sequence[Step]) -> None:
        """Do steps that were noted before, in reverse order."""
        for what, table, columns, rows in reversed(steps):
            if what == "delete":
                fids = list(range(*rows[0])) if columns == ["range"] else rows
                self.delete(table, fids)
            elif what == "insert":
                by_name = dict(zip(columns, zip(*rows, strict=True), strict=True))
                self.insert_keyed(table, by_name)
            else:
                keys, *values = zip(*rows, strict=True)
                self.update(table, list(keys), dict(zip(columns, values, strict=True)))

    def packed(self) -> bytes:
        """Return the way back as it is kept in the log."""
        text = json.dumps(self.way_back, separators=(",", ":"), ensure_ascii=True, default=_packed)
        return zlib.compress(text.encode("ascii"), 1)

    def finish(self) -> None:
        """Keep the contents table of the standard true."""
        for table in sorted(self.touched):
            self.connection.execute(
                "UPDATE gpkg_contents SET last_change = ? WHERE table_name = ?", (now(), table)
            )
            if table in _FEATURES:
                self._bound(table)

    def _bound(self, table: str) -> None:
        if table in self.shrunk:
            box = self.connection.execute(
                f"SELECT min(minx), min(miny), max(maxx), max(maxy) FROM rtree_{table}_geom"
            ).fetchone()
        elif table in self.boxes:
            old = self.connection.execute(
                "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = ?",
                (table,),
            ).fetchone()
            new = self.boxes[table]
            box = (
                new
                if old[0] is None
                else [*map(min, old[:2], new[:2]), *map(max, old[2:], new[2:])]
            )
        else:
            return
        self.connection.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
            "WHERE table_name = ?",
            (*box, table),
        )

    def _reach_over(self, table: str, shapes: Sequence[bytes | None]) -> None:
        """Note how far new shapes of a table reach."""
        corners = boxes_of([s for s in shapes if s is not None])
        if not len(corners):
            return
        low, high = corners[:, :2].min(axis=0), corners[:, 2:].max(axis=0)
        here = [*low.tolist(), *high.tolist()]
        had = self.boxes.get(table, here)
        self.boxes[table] = [*map(min, had[:2], here[:2]), *map(max, had[2:], here[2:])]

    def _insert_rows(self, table: str, names: list[str], rows: list[Row]) -> None:
        marks = ", ".join("?" * len(names))
        many = table in _FEATURES and len(rows) > _FEW
        with self._triggers_off(table, index=many):
            try:
                self.connection.executemany(
                    f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", rows
                )
            except sqlite3.IntegrityError as error:
                raise DataError(f"the row stands in the way of another change ({error})") from error
            if table in _FEATURES and "geom" in names:
                at, shape = names.index("fid"), names.index("geom")
                self._reach_over(table, [row[shape] for row in rows])
                if many:
                    self._index(table, [(row[at], row[shape]) for row in rows])
        self.touched.add(table)

    def _update_rows(self, table: str, names: list[str], rows: list[Row]) -> None:
        sets = ", ".join(f"{name} = ?" for name in names)
        many = table in _FEATURES and len(rows) > _FEW
        with self._triggers_off(table, index=many):
            self.connection.executemany(
                f"UPDATE {table} SET {sets} WHERE fid = ?", [(*row[1:], row[0]) for row in rows]
            )
            if "geom" in names:
                shape = names.index("geom") + 1
                self._reach_over(table, [row[shape] for row in rows])
                if many:
                    self._index(table, [(row[0], row[shape]) for row in rows])
        self.touched.add(table)

    def _index(self, table: str, shapes: Sequence[tuple[int, bytes | None]]) -> None:
        """Put many rows into the spatial index, as its triggers would."""
        placed = [(fid, blob) for fid, blob in shapes if blob is not None]
        x0, y0, x1, y1 = boxes_of([blob for _, blob in placed]).T.tolist()
        self.connection.executemany(
            f"INSERT OR REPLACE INTO rtree_{table}_geom VALUES (?, ?, ?, ?, ?)",
            zip([fid for fid, _ in placed], x0, x1, y0, y1, strict=True),
        )

    @contextmanager
    def _triggers_off(
        self, table: str, *, index: bool = False, guards: bool = False
    ) -> Iterator[None]:
        """Take triggers away for a moment, inside the transaction, and put them back as they were."""
        found: list[tuple[str, str]] = []
        if index or guards:
            found = [
                (name, sql)
                for name, sql in self.connection.execute(
                    "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ? "
                    "ORDER BY rowid",
                    (table,),
                ).fetchall()
                if (index and name.startswith("rtree_") and not name.endswith("_delete"))
                or (guards and "_never_" in name)
            ]
        for name, _ in found:
            self.connection.execute(f'DROP TRIGGER "{name}"')
        yield
        for _, sql in found:
            self.connection.execute(sql)


def steps_of(packed: bytes) -> list[Step]:
    """Return the way back of an entry, from its place in the log."""
    steps = json.loads(zlib.decompress(packed))
    return [(what, table, columns, _unpacked(rows)) for what, table, columns, rows in steps]


def _packed(value: Any) -> Any:
    if isinstance(value, bytes):
        return {"b": base64.b64encode(value).decode("ascii")}
    raise TypeError(type(value).__name__)  # pragma: no cover - SQLite gives nothing else


def _unpacked(rows: list[Any]) -> list[Any]:
    def plain(value: Any) -> Any:
        return base64.b64decode(value["b"]) if isinstance(value, dict) else value

    return [[plain(v) for v in row] if isinstance(row, list) else row for row in rows]
