"""Lines and areas on the seabed out of the picks of their vertices."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from athwart.boat import Boat
from athwart.errors import DataError
from athwart.fix import fix
from athwart.tables import Picks, Track
from athwart.uncertainty.ellipse import r95

__all__ = ["Shape", "place_shape"]

FloatArray = NDArray[np.float64]


class Shape(NamedTuple):
    """A line or an area on the seabed: its vertices in order, each fixed like a pick.

    An area is not closed by a repeated vertex.
    """

    lon: FloatArray
    lat: FloatArray
    r95_m: FloatArray
    closed: bool
    words: tuple[str, ...]


def place_shape(
    picks: Picks,
    *,
    closed: bool,
    track: Track | None = None,
    boat: Boat | None = None,
    max_gap_s: float = 10.0,
) -> Shape:
    """Place a polyline (a ledge, a pipe, the edge of weed) or a polygon (an area).

    Parameters
    ----------
    picks : Picks
        The vertices in order, from `athwart.frame.picks.to_picks`.
    closed : bool
        A polygon.
    track, boat, max_gap_s
        As in `athwart.fix.fix`.

    Raises
    ------
    TableError
        Vertices that cannot be placed, every one with its reason.
    DataError
        Too few vertices, or an outline that crosses itself.
    """
    least = 3 if closed else 2
    what = "an area" if closed else "a line"
    if len(picks) < least:
        raise DataError(f"{what} has {len(picks)} points; allowed is {least} or more")
    done = fix(picks, track=track, boat=boat, max_gap_s=max_gap_s, with_ids=False, method="picture")
    s = done.sightings
    if closed:
        import shapely

        # Unwrapped, so that an area across the 180th meridian is no band around the Earth.
        lon = np.unwrap(s.lon, period=360.0)
        if not shapely.is_valid(shapely.Polygon(np.column_stack([lon, s.lat]))):
            raise DataError("the outline of the area crosses itself; draw it anew")
    return Shape(s.lon, s.lat, r95(*s.total_covariance()), closed, done.words)
