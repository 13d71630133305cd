"""Asking a book about many rows at once, by key or id.

SQLite takes a bounded number of parameters; a list as one JSON text has no such bound, and costs
one parameter however long it is.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable

__all__ = ["AMONG", "fids_from", "listed"]

AMONG = "(SELECT value FROM json_each(?1))"
"""What stands behind ``IN`` where the first parameter is a list made by `listed`."""


def listed(values: Iterable[int] | Iterable[str]) -> str:
    """Return keys or ids as the one parameter that `AMONG` reads."""
    return json.dumps(list(values))


def fids_from(
    connection: sqlite3.Connection, sql: str, values: Iterable[int] | Iterable[str]
) -> list[int]:
    """Return the keys that a question gives in its first column; it holds `AMONG`."""
    return [int(row[0]) for row in connection.execute(sql, (listed(values),))]
