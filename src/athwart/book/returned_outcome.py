"""What came of a returned file: verdicts, the export that it is of, and names that were changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from athwart.book.returned_assignment import Found
from athwart.book.returned_tables import (
    Fit,
    FloatArray,
    IntArray,
    Pairs,
    ReturnedFile,
    TextArray,
    Versions,
    runs,
)
from athwart.geometry.geodesic import inverse

__all__ = ["Verdicts", "explaining_export", "names_changed", "verdicts_of"]


@dataclass(frozen=True, eq=False)
class Verdicts:
    """What each waypoint of a file is; the columns are those of `athwart.book.returned.Returned`."""

    mark_id: TextArray
    verdict: TextArray
    moved_m: FloatArray
    moved_bearing_deg: FloatArray


def verdicts_of(file: ReturnedFile, versions: Versions, found: Found) -> Verdicts:
    """Put into words what each waypoint was found to be."""
    f, v = file, versions
    n = len(f.lon)
    mark_id, verdict = np.full(n, "", dtype=object), np.full(n, "new", dtype=object)
    taken, again = found.mark >= 0, found.copy_of >= 0
    mark_id[taken] = v.ids[found.mark[taken]]
    verdict[taken] = np.where(found.in_place[taken], "known", "moved").astype(object)
    mark_id[again] = v.ids[found.copy_of[again]]
    verdict[again] = "repeated"
    far, bearing = np.full(n, np.nan), np.full(n, np.nan)
    went = np.flatnonzero(taken & ~found.in_place)
    w = found.version[went]
    bearing[went], far[went] = inverse(v.lon[w], v.lat[w], f.lon[went], f.lat[went])
    return Verdicts(mark_id, verdict, far, bearing)


def explaining_export(
    versions: Versions, found: Found, stood: Pairs, moved: Pairs
) -> tuple[int, IntArray]:
    """Return the export that explains the file best, and the marks of it that are missing.

    Parameters
    ----------
    versions : Versions
        All that was handed over.
    found : Found
        What each waypoint is.
    stood, moved : Pairs
        All pairs in one place, and all weighed as moved: of the versions of a mark several may
        explain its waypoint.
    """
    v = versions
    numbers, of = np.unique(v.row_export, return_inverse=True)
    good_r, good_v = [], []
    for pairs, in_place in ((stood, True), (moved, False)):
        good = (found.mark[pairs.r] == v.mark[pairs.v]) & (found.in_place[pairs.r] == in_place)
        good_r.append(pairs.r[good])
        good_v.append(pairs.v[good])
    r, w = np.concatenate(good_r), np.concatenate(good_v)
    # Versions to the exports that wrote them.
    order = np.argsort(v.of_row, kind="stable")
    first = np.searchsorted(v.of_row[order], np.arange(len(v.mark) + 1))
    size = (first[1:] - first[:-1])[w]
    wrote = order[runs(first[w], size)]
    told = np.unique(np.repeat(r, size) * len(numbers) + of[wrote])
    explained = np.bincount(told % len(numbers), minlength=len(numbers))
    lost = found.waypoint_of(len(v.ids)) < 0
    mark = v.mark[v.of_row]
    gone = np.unique(np.stack([of, mark])[:, lost[mark]], axis=1)
    missing = np.bincount(gone[0], minlength=len(numbers))
    best = int(np.lexsort((numbers, -missing, explained))[-1])
    rows = np.flatnonzero((of == best) & lost[mark])
    _, at = np.unique(mark[rows], return_index=True)
    return int(numbers[best]), mark[rows[np.sort(at)]]


def names_changed(
    file: ReturnedFile, versions: Versions, found: Found
) -> tuple[tuple[str, str, str], ...]:
    """Return mark, name written and name returned of each whose name a person changed, sorted."""
    f, v = file, versions
    rows = np.flatnonzero((found.mark >= 0) & np.isin(found.fit, (Fit.OTHER, Fit.BLANK)))
    written = v.text[found.version[rows]]
    made = f.automatic[f.text[rows]]
    # A name that the plotter made where there was none, or in place of most, is no person's.
    most = 2 * len(rows) > int((found.mark >= 0).sum())
    ours = (f.key[f.text[rows]] != "") & ~(made & ((v.key[written] == "") | most))
    rows, written = rows[ours], written[ours]
    return tuple(
        sorted(
            (str(v.ids[k]), v.texts[t], str(n))
            for k, t, n in zip(
                found.mark[rows].tolist(), written.tolist(), f.name[rows].tolist(), strict=True
            )
        )
    )
