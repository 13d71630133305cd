"""Side-scan picks and plotter waypoints in; true positions with an honest error out.

The public names are loaded when they are first used, so that ``import athwart`` is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from athwart.api import MergedFrames, fix_picks, merge_sightings, read, review_map, write
    from athwart.boat import Boat
    from athwart.contents import Contents
    from athwart.errors import AthwartError, DataError, FileError, TableError, UsageError

__version__ = "0.1.0"

_HOMES = {
    "AthwartError": "errors",
    "Boat": "boat",
    "Contents": "contents",
    "DataError": "errors",
    "FileError": "errors",
    "MergedFrames": "api",
    "TableError": "errors",
    "UsageError": "errors",
    "fix_picks": "api",
    "merge_sightings": "api",
    "read": "api",
    "review_map": "api",
    "write": "api",
}

__all__ = [
    "AthwartError",
    "Boat",
    "Contents",
    "DataError",
    "FileError",
    "MergedFrames",
    "TableError",
    "UsageError",
    "__version__",
    "fix_picks",
    "merge_sightings",
    "read",
    "review_map",
    "write",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"athwart.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'athwart' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
