"""What a file is in truth, by its first bytes, for the sentence that refuses it."""

from __future__ import annotations

import re

__all__ = ["UTF_16", "looks_like"]

UTF_16 = (b"\xff\xfe", b"\xfe\xff")
"""How text in UTF-16 begins, where it says so (The Unicode Standard, byte order mark)."""

_STARTS = (
    (b"PK\x03\x04", "a zip archive; unpack it first"),
    (b"\x1f\x8b", "a gzip archive; unpack it first"),
    (b"SQLite format 3\x00", "a SQLite file, such as a GeoPackage (.gpkg)"),
    (b"fgb\x03", "a FlatGeobuf file (.fgb)"),
    (b"\x00\x00\x27\x0a", "a Shapefile (.shp)"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"{", "JSON, such as GeoJSON (.geojson)"),
    (b"[", "JSON"),
    (b"$", "an NMEA log (.nmea)"),
)
_PAIRS = re.compile(rb"(?:[\t\r\n -~]\0){4}|(?:\0[\t\r\n -~]){4}")
_ROOTS = (
    (b"<gpx", "GPX (.gpx)"),
    (b"<kml", "KML (.kml)"),
    (b"<html", "a web page"),
    (b"<!doctype html", "a web page"),
)


def looks_like(head: bytes) -> str:
    """Return what the first bytes of a file look like, or ``""``.

    Examples
    --------
    >>> looks_like("name,lat,lon".encode("utf-16"))
    'text in UTF-16; save it as UTF-8'
    >>> looks_like(b'{"type": "FeatureCollection"}')
    'JSON, such as GeoJSON (.geojson)'
    """
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")
    if head and not head.strip(b"\x00"):
        return "nothing but zero bytes; it was not saved properly"
    if head.startswith(UTF_16) or _PAIRS.match(head):
        return "text in UTF-16; save it as UTF-8"
    for magic, words in _STARTS:
        if start.startswith(magic):
            return words
    lower = start[:2000].lower()
    for root, words in _ROOTS:
        if lower.startswith(root) or (lower.startswith(b"<?xml") and root in lower):
            return words
    return ""
