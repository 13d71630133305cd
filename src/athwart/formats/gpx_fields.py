"""What the GPX reader and writer agree on: names, ranges, and our own fields in attributes."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.formats.texts import format_times
from athwart.tables import Table

__all__ = [
    "FIXES",
    "GPX_10",
    "GPX_11",
    "ILLEGAL",
    "NAMESPACE",
    "NUMBERS",
    "TEXTS",
    "cell_texts",
    "out_of_range",
    "value_texts",
]

GPX_10 = "http://www.topografix.com/GPX/1/0"
GPX_11 = "http://www.topografix.com/GPX/1/1"
NAMESPACE = "https://athwart.example/xmlns/1"
"""Our own fields. The host is of the reserved domain ``.example`` (RFC 2606): a name, no address."""

NUMBERS: dict[str, tuple[float, float, bool]] = {
    "ele": (-np.inf, np.inf, False),
    "magvar": (0.0, 360.0, False),
    "geoidheight": (-np.inf, np.inf, False),
    "sat": (0.0, 1e9, True),
    "hdop": (0.0, np.inf, False),
    "vdop": (0.0, np.inf, False),
    "pdop": (0.0, np.inf, False),
    "ageofdgpsdata": (0.0, np.inf, False),
    "dgpsid": (0.0, 1023.0, True),
    "course": (0.0, 360.0, False),
    "speed": (0.0, np.inf, False),
}
"""Number fields of a point: closed range, and whether whole. From the GPX 1.0 and 1.1 schemas
(1.1 excludes 360; the reader takes it as 0 does)."""

TEXTS = ("name", "cmt", "desc", "src", "sym", "type", "fix", "url", "urlname")
FIXES = ("none", "2d", "3d", "dgps", "pps")

ILLEGAL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 does not allow (production 2, Char)."""


def out_of_range(name: str, values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which values of a number field its range does not allow."""
    low, high, whole = NUMBERS[name]
    with np.errstate(invalid="ignore"):
        outside = (values < low) | (values > high)
        if whole:
            outside |= np.isfinite(values) & (values % 1 != 0)
    return np.asarray(outside)


def cell_texts(table: Table, name: str) -> list[str]:
    """Return a column as text, ``""`` where there is nothing or the contract's default stands."""
    values = getattr(table, name)
    column = next(c for c in table.columns() if c.name == name)
    return value_texts(values, column.default)


def value_texts(values: NDArray[Any], default: Any = None) -> list[str]:
    """Return any array as text that reads back to the same values."""
    kind = values.dtype.kind
    if kind == "f":
        skip = np.isnan(values)
        if default is not None and not np.isnan(default):
            skip |= values == default
        return ["" if s else repr(v) for v, s in zip(values.tolist(), skip.tolist(), strict=True)]
    if kind == "M":
        return format_times(values)
    if kind == "b":
        return ["yes" if v else "" for v in values.tolist()]
    if kind in "iu":
        return ["" if v == default else str(v) for v in values.tolist()]
    return ["" if v is None or v != v else str(v) for v in values.tolist()]
