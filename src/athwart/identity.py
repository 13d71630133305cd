"""Ids that say what was observed: a hash of the raw observation and of nothing else.

The same observation gets the same id on any machine, in any file, in any order, so that taking a
file in twice adds nothing. The hash is BLAKE2b (RFC 7693) cut to 80 bits, written in hexadecimal.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["observation_ids"]

_BITS = 80
_QUANTUM = 1e7
_MOST = 9e11


def observation_ids(what: str, columns: Sequence[NDArray[Any]]) -> NDArray[np.object_]:
    """Hash each row of some columns.

    Parameters
    ----------
    what : str
        What kind of observation the columns describe, at most 16 letters; part of the hash.
    columns : sequence of numpy.ndarray
        Equally long arrays of numbers (taken to 1e-7), times (to the microsecond) or text, in an
        order that is fixed for ``what``.

    Returns
    -------
    numpy.ndarray of str
        Twenty hexadecimal digits a row.

    Examples
    --------
    >>> import numpy as np
    >>> observation_ids("point", [np.array([1.0]), np.array(["A"], dtype=object)])
    array(['4844fc5b9e528f8436f8'], dtype=object)
    """
    numbers = [_integers(c) for c in columns if c.dtype != object]
    # A row without text hashes its numbers alone, so columns with no text at all cost nothing.
    texts = [c for c in columns if c.dtype == object]
    if not any((c != "").any() for c in texts):
        texts = []
    n = len(columns[0])
    out = np.empty(n, dtype=object)
    block = np.stack(numbers, axis=1) if numbers else np.zeros((n, 1), dtype="<i8")
    width = block.shape[1] * 8
    raw = block.astype("<i8").tobytes()
    size, person = _BITS // 8, what.encode()
    if texts:
        joined = texts[0] if len(texts) == 1 else [_join(t) for t in zip(*texts, strict=True)]
        rows = (
            raw[i * width : (i + 1) * width] + t.encode("utf-8", "surrogatepass")
            for i, t in enumerate(joined)
        )
    else:
        rows = (raw[i * width : (i + 1) * width] for i in range(n))
    digests = b"".join([blake2b(row, digest_size=size, person=person).digest() for row in rows])
    # One hexadecimal text for the whole table, then cut: much less work than one text a row.
    out[:] = np.frombuffer(digests.hex().encode(), dtype=f"S{2 * size}").astype(f"U{2 * size}")
    return out


def _join(texts: tuple[str, ...]) -> str:
    return "\x1f".join(texts) if any(texts) else ""


def _integers(column: NDArray[Any]) -> NDArray[np.int64]:
    if column.dtype.kind == "M":
        return column.astype("datetime64[us]").astype(np.int64)
    if column.dtype.kind == "f":
        finite = np.isfinite(column)
        # -0.0 and 0.0 are one number; a missing one has a code that no quantity reaches.
        # What no quantity reaches (a damaged file) ends at the largest whole number.
        scaled = np.rint(np.clip(np.where(finite, column, 0.0), -_MOST, _MOST) * _QUANTUM)
        scaled = scaled.astype(np.int64)
        return np.where(finite, scaled, np.iinfo(np.int64).min)
    return column.astype(np.int64)
