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
_CHUNK = 16_384  # rows at a time, so that the working arrays stay in the processor's cache
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
    n = len(columns[0])
    numbers = [c for c in columns if c.dtype != object]
    # A row without text hashes its numbers alone, so columns with no text at all cost nothing.
    texts = [c for c in columns if c.dtype == object]
    if not any((c != "").any() for c in texts):
        texts = []
    out = np.empty(n, dtype=object)
    # Copying a hash that has its parameters costs less than making one.
    fresh = blake2b(digest_size=_BITS // 8, person=what.encode()).copy
    for start in range(0, n, _CHUNK):
        rows = slice(start, start + _CHUNK)
        raw, width = _bytes([c[rows] for c in numbers], min(_CHUNK, n - start))
        joined = [_join(t) for t in zip(*(c[rows].tolist() for c in texts), strict=True)]
        ids = []
        for at in range(0, len(raw), width):
            hashed = fresh()
            hashed.update(raw[at : at + width])
            if joined:
                hashed.update(joined[at // width].encode("utf-8", "surrogatepass"))
            ids.append(hashed.hexdigest())
        out[rows] = ids
    return out


def _bytes(numbers: Sequence[NDArray[Any]], n: int) -> tuple[bytes, int]:
    """Return the numbers of some rows, row after row, and the bytes of a row."""
    block = np.zeros((n, max(len(numbers), 1)), dtype="<i8")
    for k, column in enumerate(numbers):
        block[:, k] = _integers(column)
    return block.tobytes(), block.shape[1] * 8


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
