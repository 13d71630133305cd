"""The page of pictures (in the making)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from athwart.desk.state import Desk

ANSWERS: tuple[tuple[str, str, Callable[[Desk, dict[str, Any]], Any]], ...] = ()


def take_in(desk: Desk, name: str, raw: bytes) -> Any:
    """Take a picture in."""
    raise NotImplementedError
