"""Small sightings by hand, in metres about a place."""

import numpy as np
from worlds import GEOD

from athwart.tables import Sightings


def looks_at(east, north, *, at=(-31.2, 44.4), ids=None, **columns):
    """Return sightings at offsets from a place; own error 2 m, no shared error unless given."""
    east, north = np.atleast_1d(np.asarray(east, float)), np.atleast_1d(np.asarray(north, float))
    east, north = np.broadcast_arrays(east, north)
    n = len(east)
    lon, lat, _ = GEOD.fwd(
        np.full(n, at[0]),
        np.full(n, at[1]),
        np.degrees(np.arctan2(east, north)),
        np.hypot(east, north),
    )
    values = {
        "sighting_id": ids or [f"s{i:02d}" for i in range(n)],
        "trip": [f"trip {i}" for i in range(n)],
        "lon": (np.asarray(lon) + 180) % 360 - 180,
        "lat": lat,
        "var_east_m2": 4.0,
        "var_north_m2": 4.0,
        "cov_east_north_m2": 0.0,
        "shared_sigma_m": 0.0,
        "boat_sigma_m": 0.0,
        "method": "pick",
    }
    values.update(columns)
    return Sightings.from_columns(values)


def metres_from(lon, lat, at=(-31.2, 44.4)):
    """Return east and north of a position about a place."""
    azimuth, _, distance = GEOD.inv(at[0], at[1], lon, lat)
    return distance * np.sin(np.radians(azimuth)), distance * np.cos(np.radians(azimuth))


def groups(merged):
    """Return the marks as a set of sets of sighting ids."""
    return {frozenset(ids.split(" ")) for ids in merged.marks.sighting_ids}
