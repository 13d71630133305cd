"""The part of some sightings that a merge of changed ones needs, found apart from the merge."""

import numpy as np
from pyproj import Transformer
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from athwart.merge import VOTE_WITHIN_M, reach_of

EARTH_CENTRED = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)


def tree(s):
    """Return earth-centred positions in a tree."""
    return cKDTree(np.stack(EARTH_CENTRED.transform(s.lon, s.lat, np.zeros(len(s))), axis=1))


def pairs(s, gate=0.999, reach_m=40.0):
    """Return all pairs that lie within the larger of their two reaches."""
    reach, t = reach_of(s, gate, reach_m), tree(s)
    i, j = t.query_pairs(reach.max() * 1.001, output_type="ndarray").T
    near = np.linalg.norm(t.data[i] - t.data[j], axis=1) <= np.maximum(reach[i], reach[j])
    return i[near], j[near]


def closed(s, changed):
    """Return which sightings are connected with changed ones by any number of near pairs."""
    i, j = pairs(s)
    n = len(s)
    _, part = connected_components(coo_array((np.ones(len(i)), (i, j)), (n, n)), directed=False)
    return np.isin(part, part[changed])


def about(s, new):
    """Return which sightings lie near enough to new ones to tell how their trip sits."""
    t = tree(s)
    distance, _ = cKDTree(t.data[new]).query(t.data, distance_upper_bound=VOTE_WITHIN_M)
    return np.isfinite(distance)


def marks_of(merged, ids):
    """Return the marks that hold some ids: their sightings, id, and place."""
    m = merged.marks
    wanted = set(ids)
    rows = [k for k, v in enumerate(m.sighting_ids) if wanted & set(v.split(" "))]
    return {
        frozenset(m.sighting_ids[k].split(" ")): (m.mark_id[k], m.lon[k], m.lat[k], m.r95_m[k])
        for k in rows
    }
