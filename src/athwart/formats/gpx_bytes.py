"""The bytes of a GPX file: its encoding, as declared and in truth, and what expat says of it."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from pathlib import Path
from xml.parsers import expat

from athwart.errors import FileError
from athwart.formats.sniff import looks_like

__all__ = [
    "CUT",
    "PIECE",
    "blank_lines",
    "codec_of",
    "decodes",
    "expat_words",
    "pieces",
    "refuse_if_other",
]

PIECE = 1 << 20
"""Bytes of a file that are parsed at a time."""

_DECLARED = re.compile(
    rb"""^<\?xml[^>]{0,200}?encoding[ \t\r\n]*=[ \t\r\n]*["']([A-Za-z0-9._:-]+)["']"""
)

_ERRORS = expat.errors.codes
CUT = {
    _ERRORS[expat.errors.XML_ERROR_NO_ELEMENTS],
    _ERRORS[expat.errors.XML_ERROR_UNCLOSED_TOKEN],
    _ERRORS[expat.errors.XML_ERROR_UNCLOSED_CDATA_SECTION],
    _ERRORS[expat.errors.XML_ERROR_PARTIAL_CHAR],
}


def expat_words(error: expat.ExpatError, line_offset: int) -> str:
    """Return what is wrong with the XML, and where, as a sentence."""
    line = error.lineno + line_offset
    if error.code in CUT:
        return f"line {line}: the file is cut short; it ends before </gpx>"
    reason = expat.errors.messages.get(error.code, "broken XML")
    return f"line {line}: the file is damaged, it is no XML from here on ({reason})"


def refuse_if_other(path: Path, head: bytes, codec: str = "utf-8") -> None:
    """Refuse a file that is plainly something else than XML."""
    if codec.startswith(("utf-16", "utf-32")):
        return
    if head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")[:1] == b"<":
        return
    found = looks_like(head)
    what = f"it looks like {found}" if found else "it is not XML"
    raise FileError(path.name, f"line 1: the file is not GPX; {what}")


def codec_of(head: bytes) -> tuple[str, list[str]]:
    """Return the encoding of a file by its first bytes, and a sentence if it is odd."""
    for bom, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF32_LE, "utf-32"),
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(bom):
            return name, []
    if head.startswith(b"<\x00"):
        return "utf-16-le", []
    if head.startswith(b"\x00<"):
        return "utf-16-be", []
    declared = _DECLARED.match(head.lstrip(b" \t\r\n"))
    if declared is None:
        return "utf-8", []
    name = declared[1].decode()
    try:
        codec = codecs.lookup(name).name
        wide = "<".encode(codec) != b"<"
    except (LookupError, UnicodeError):
        codec, wide = "", True
    if wide:
        return "utf-8", [f"the file says its encoding is {name!r}, which it is not; read as UTF-8"]
    return codec, []


def pieces(path: Path, codec: str) -> Iterator[bytes]:
    """Yield the file as UTF-8, without a byte order mark or blanks before the first tag."""
    decoder = None
    if codec not in ("utf-8", "ascii"):
        decoder = codecs.getincrementaldecoder(codec)()
    started = False
    with path.open("rb") as handle:
        while True:
            data = handle.read(PIECE)
            last = not data
            if decoder is not None:
                data = decoder.decode(data, final=last).encode("utf-8", "surrogatepass")
            if not started:
                data = data.removeprefix(codecs.BOM_UTF8).lstrip(b" \t\r\n")
                started = bool(data)
            if data:
                yield data
            if last:
                return


def blank_lines(path: Path) -> int:
    """Return how many line breaks stand before the first tag."""
    with path.open("rb") as handle:
        head = handle.read(65536)
    start = head.removeprefix(codecs.BOM_UTF8)
    return start[: len(start) - len(start.lstrip(b" \t\r\n"))].count(b"\n")


def decodes(path: Path, codec: str) -> bool:
    """Return whether the whole file is text of an encoding."""
    decoder = codecs.getincrementaldecoder(codec)()
    with path.open("rb") as handle:
        try:
            while data := handle.read(PIECE):
                decoder.decode(data)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return False
    return True
