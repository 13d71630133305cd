"""Values as JSON can hold them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from athwart.errors import BadRow

__all__ = ["plain"]


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: no NaN, no NumPy types; times in UTC with Z."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if hasattr(value, "dtype"):
        if value.dtype.kind == "M":
            return None if str(value) == "NaT" else f"{value.astype('datetime64[ms]')}Z"
        value = value.item() if value.ndim == 0 else value.tolist()
        return plain(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, BadRow):
        return {"row": value.row, "code": value.code, "message": value.message}
    return value
