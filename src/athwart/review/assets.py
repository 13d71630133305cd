"""The scripts and styles that a review map carries inside itself.

Leaflet's files come from the installed package ``django-js-lib-leaflet`` (its Python code is
never imported); ours are package data. Nothing here points anywhere: addresses, source maps and
pictures are taken out, so that a page has nothing to fetch.
"""

from __future__ import annotations

import re
from functools import cache
from importlib import metadata, resources
from pathlib import Path

from athwart.errors import FileError

__all__ = ["ASSETS", "asset_text", "leaflet_licence"]

_PACKAGE = "django-js-lib-leaflet"

ASSETS: tuple[tuple[str, str], ...] = (
    ("style", "leaflet.css"),
    ("style", "review.css"),
    ("script", "leaflet.js"),
    ("script", "plan.js"),
    ("script", "review.js"),
)
"""Element and file name of everything that goes inline, in order."""

_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_SOURCE_MAP = re.compile(r"//[#@]\s*sourceMappingURL=\S*")
_URL = re.compile(r"url\([^)]*\)")
_ADDRESS = re.compile(r"https?://(?!www\.w3\.org/)[^\s\"'<>)]*")
_BEHAVIOUR = re.compile(r"behavior:\s*none;")


@cache
def _leaflet_files() -> dict[str, Path]:
    try:
        files = metadata.files(_PACKAGE) or []
    except metadata.PackageNotFoundError as error:
        raise FileError(
            _PACKAGE, "is not installed; the map needs it: pip install django-js-lib-leaflet"
        ) from error
    return {f.name: Path(str(f.locate())) for f in files}


def _leaflet(name: str) -> str:
    path = _leaflet_files().get(name)
    if path is None or not path.is_file():
        raise FileError(_PACKAGE, f"does not hold {name}; install it again")
    return path.read_text(encoding="utf-8")


@cache
def asset_text(name: str) -> str:
    """Return a script or style as text that refers to nothing outside the page.

    Parameters
    ----------
    name : str
        A file name of `ASSETS`.

    Raises
    ------
    FileError
        Leaflet's files are missing or are not as expected.
    """
    if not name.startswith("leaflet"):
        return resources.files(__package__).joinpath("templates", name).read_text(encoding="utf-8")
    text = _SOURCE_MAP.sub("", _leaflet(name))
    if name.endswith(".css"):
        text = _BEHAVIOUR.sub("", _URL.sub("none", _COMMENT.sub("", text)))
        text = "\n".join(line.rstrip() for line in text.splitlines() if line.strip())
    text = _ADDRESS.sub("#", text)
    if "</script" in text.lower() or "</style" in text.lower():
        raise FileError(_PACKAGE, f"{name} cannot be put inside a page")
    return text.strip() + "\n"


@cache
def leaflet_licence() -> str:
    """Return Leaflet's licence, which must go wherever its code goes."""
    return _leaflet("LICENSE").replace("--", "- -").strip()
