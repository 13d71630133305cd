"""The Python surface on GeoPandas frames: start or stop anywhere in the chain.

Frames are in WGS 84 on the way out; on the way in any known reference system is transformed.
Every function here is a thin coat over the array functions that the command line uses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import geopandas
import pandas

from athwart.boat import Boat
from athwart.contents import Contents
from athwart.errors import DataError
from athwart.fix import fix
from athwart.formats import ReadOptions, WriteOptions
from athwart.formats import read as read_file
from athwart.formats import write as write_file
from athwart.gather import near_pairs, sightings_of
from athwart.merge import merge
from athwart.tables import Marks, Picks, Sightings, Track, Waypoints
from athwart.trips import assign_trips
from athwart.uncertainty.ellipse import r95, s44_horizontal
from athwart.units import UnitSystem

if TYPE_CHECKING:
    from athwart.merge.report import Report

__all__ = ["MergedFrames", "fix_picks", "merge_sightings", "read", "review_map", "write"]


@dataclass(frozen=True, slots=True, eq=False)
class MergedFrames:
    """Marks and the sightings that they were made of.

    Parameters
    ----------
    marks, sightings : geopandas.GeoDataFrame
        EPSG:4326; each sighting names its mark in ``mark_id``.
    report : Report
        What was folded, kept apart, in disagreement, or off.
    """

    marks: geopandas.GeoDataFrame
    sightings: geopandas.GeoDataFrame
    report: Report


def read(
    path: str | Path,
    *,
    skip_bad: bool = False,
    time_zone: str | None = None,
    allow_ballpark: bool = False,
    with_private: bool = False,
) -> Contents:
    """Read any file that a format is registered for, a book too.

    Parameters
    ----------
    path : str or pathlib.Path
        GPX, CSV, NMEA 0183, GeoJSON, GeoPackage, KML, FlatGeobuf, Shapefile or a plug-in's.
    skip_bad : bool
        Take the good rows and list the others in ``Contents.rejected``.
    time_zone : str, optional
        IANA name of the zone of times without one; without it such times are refused.
    allow_ballpark : bool
        Accept a coarse change of reference system.
    with_private : bool
        Take the private marks of a book too.

    Returns
    -------
    Contents
        Tables; ``contents.waypoints.to_frame()`` and its like give GeoDataFrames. A book gives
        its marks, with ``visits`` and ``last_visit`` where there were any, their sightings,
        tracks and routes.

    Raises
    ------
    FileError, TableError
        The file cannot be understood, or has bad rows (every one listed).
    """
    options = ReadOptions(
        time_zone=time_zone, allow_ballpark=allow_ballpark, with_private=with_private
    )
    return read_file(path, skip_bad=skip_bad, options=options)


def write(
    path: str | Path,
    data: Contents | MergedFrames | geopandas.GeoDataFrame,
    *,
    overwrite: bool = False,
    clean: bool = False,
) -> tuple[str, ...]:
    """Write marks, sightings or waypoints; the ending chooses the format.

    Parameters
    ----------
    path : str or pathlib.Path
        Target; written whole or not at all.
    data : Contents, MergedFrames or geopandas.GeoDataFrame
        A frame is judged by its columns (``mark_id``, ``sighting_id``, else waypoints).
    overwrite : bool
        Replace a file that exists.
    clean : bool
        Leave our own fields out (GPX).

    Returns
    -------
    tuple of str
        What could not be carried, in sentences.

    Raises
    ------
    FileError
        The file exists, or cannot be written.
    """
    if isinstance(data, MergedFrames):
        contents = Contents(
            marks=Marks.from_frame(data.marks),
            sightings=Sightings.from_frame(data.sightings.drop(columns="mark_id")),
        )
    elif isinstance(data, Contents):
        contents = data
    elif "mark_id" in data.columns and "sighting_id" not in data.columns:
        contents = Contents(marks=Marks.from_frame(data))
    elif "sighting_id" in data.columns:
        contents = Contents(sightings=Sightings.from_frame(data))
    else:
        contents = Contents(waypoints=Waypoints.from_frame(data))
    written = write_file(path, contents, overwrite=overwrite, options=WriteOptions(clean=clean))
    return tuple(written.words)


def fix_picks(
    picks: pandas.DataFrame,
    *,
    track: geopandas.GeoDataFrame | str | Path | None = None,
    boat: Boat | str | Path | None = None,
    in_water: bool = False,
    measured: bool = False,
    max_gap_s: float = 10.0,
) -> geopandas.GeoDataFrame:
    """Place picks.

    Parameters
    ----------
    picks : pandas.DataFrame or geopandas.GeoDataFrame
        Columns as the reference of tables says; feet, fathoms and knots by suffix.
    track : geopandas.GeoDataFrame, str or pathlib.Path, optional
        Points with ``time``, or a GPX or NMEA file.
    boat : Boat, str or pathlib.Path, optional
        Boat, or a boat file.
    in_water, measured : bool
        See `athwart.fix.fix`.
    max_gap_s : float
        Longest gap of the track that is bridged, seconds.

    Returns
    -------
    geopandas.GeoDataFrame
        Sightings in EPSG:4326, with ``r95_m`` and ``s44_horizontal`` (total error).

    Raises
    ------
    TableError
        Picks that break the contract or cannot be placed, every one listed.

    Examples
    --------
    >>> import pandas as pd
    >>> import athwart
    >>> picks = pd.DataFrame(
    ...     {
    ...         "lon": [12.25],
    ...         "lat": [55.5],
    ...         "heading_deg": [40.0],
    ...         "side": ["port"],
    ...         "slant_range_ft": [70.0],
    ...         "depth_ft": [14.0],
    ...         "depth_below": ["transducer"],
    ...     }
    ... )
    >>> place = athwart.fix_picks(picks)
    >>> print(f"{place.ground_range_m[0]:.2f} m out, R95 {place.r95_m[0]:.1f} m")
    20.90 m out, R95 7.3 m
    """
    if isinstance(track, str | Path):
        track_table: Track | None = read(track).tracks
    else:
        track_table = None if track is None else Track.from_frame(track)
    craft = Boat.from_toml(boat) if isinstance(boat, str | Path) else boat
    sightings = fix(
        Picks.from_frame(picks),
        track=track_table,
        boat=craft,
        in_water=in_water,
        measured=measured,
        max_gap_s=max_gap_s,
    ).sightings
    radius = r95(*sightings.total_covariance())
    frame = sightings.to_frame()
    place = frame.columns.get_loc("geometry")
    frame.insert(place, "r95_m", radius)
    frame.insert(place + 1, "s44_horizontal", s44_horizontal(radius, sightings.depth_m))
    return frame


def merge_sightings(
    data: geopandas.GeoDataFrame | Sequence[geopandas.GeoDataFrame | Contents] | Contents,
    *,
    gate: float = 0.999,
    reach_m: float = 40.0,
    sigma_m: float = 4.0,
    saved_at: Literal["mark", "boat"] = "mark",
    shift_trips: bool = False,
) -> MergedFrames:
    """Fold sightings and waypoints into marks.

    Parameters
    ----------
    data : geopandas.GeoDataFrame, Contents, or a sequence of them
        Frames with ``sighting_id`` are sightings, others waypoints.
    gate : float
        Probability that two looks at one thing fall inside the gate.
    reach_m : float
        Farthest apart that two may fold.
    sigma_m : float
        Standard error per axis of a waypoint without one.
    saved_at : {"mark", "boat"}
        Where the waypoint button was pressed.
    shift_trips : bool
        Shift a trip that sits off the others.

    Returns
    -------
    MergedFrames

    Raises
    ------
    DataError
        Nothing to merge, or rows that cannot be.
    """
    items = [data] if isinstance(data, geopandas.GeoDataFrame | Contents) else list(data)
    parts = []
    for item in items:
        if isinstance(item, Contents):
            contents = item
        elif "sighting_id" in item.columns:
            contents = Contents(sightings=Sightings.from_frame(item))
        else:
            contents = Contents(waypoints=Waypoints.from_frame(item))
        parts.append(sightings_of(contents, sigma_m=sigma_m, saved_at=saved_at)[0])
    sightings = Sightings.concat([p for p in parts if len(p)])
    if not len(sightings):
        raise DataError("there is nothing to merge: no waypoints and no sightings were given")
    trips = assign_trips(sightings.time, sightings.trip, sightings.sighting_id)
    merged = merge(
        sightings.with_columns(trip=trips), gate=gate, reach_m=reach_m, shift_trips=shift_trips
    )
    frame = merged.sightings.to_frame()
    frame.insert(1, "mark_id", merged.marks.mark_id[merged.mark_of])
    return MergedFrames(merged.marks.to_frame(), frame, merged.report)


def review_map(
    merged: MergedFrames,
    *,
    tracks: geopandas.GeoDataFrame | None = None,
    plan: geopandas.GeoDataFrame | None = None,
    units: UnitSystem = "metric",
    title: str = "",
) -> str:
    """Return a review map as one page of HTML that needs no network.

    Parameters
    ----------
    merged : MergedFrames
        What `merge_sightings` gave.
    tracks : geopandas.GeoDataFrame, optional
        Where the boat went.
    plan : geopandas.GeoDataFrame, optional
        What a planning command wrote: shapes with the columns ``role``, ``name``, ``note``.
    units : {"metric", "feet", "fathoms"}
        What lengths are shown in.
    title : str
        Heading of the page.

    Returns
    -------
    str
        HTML.
    """
    from athwart.features import from_frame
    from athwart.review.map import review_map as draw

    return draw(
        marks=Marks.from_frame(merged.marks),
        sightings=Sightings.from_frame(merged.sightings.drop(columns="mark_id")),
        tracks=None if tracks is None else Track.from_frame(tracks),
        near_pairs=near_pairs(merged.report, units),
        plan=() if plan is None else from_frame(plan.to_crs("EPSG:4326")),
        units=units,
        title=title,
    )
