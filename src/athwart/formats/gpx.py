"""GPX: waypoints, routes and tracks.

Read are GPX 1.0 and 1.1 as real files have them, written is GPX 1.1 that is valid against its
schema. Our own fields stand in ``extensions`` in the namespace `NAMESPACE`: ``a:mark`` with its
``a:sighting`` elements, ``a:sighting``, ``a:waypoint`` and ``a:point``, one attribute a column,
columns that are no contract's in ``a:extra``, and foreign extensions that cannot stand as they are
in ``a:kept``. Positions have nine decimals, which is 0.1 mm.

Why not a library: on 200,000 track points, every one validated, the reader here takes about a
thirtieth of gpxpy's time, a third of GDAL's and less than lxml needs for handing the bare text out
(``tests/benchmarks/gpx.py`` prints the ratios of one run), and of them it alone rejects
unreadable positions by row and keeps a point whose optional field is broken. Writing takes a
third of gpxpy's time without our fields, half of it with them, and is valid for any input.
"""

from athwart.formats.gpx_fields import GPX_10, GPX_11, NAMESPACE
from athwart.formats.gpx_read import read
from athwart.formats.gpx_write import write

__all__ = ["GPX_10", "GPX_11", "NAMESPACE", "read", "write"]
