"""Pictures laid on the seabed: the steps from a picture to a strip and its files.

It joins how a picture is read and laid out (`athwart.frame`) and how files are written, for the
command line and the desk alike.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from athwart.boat import Boat
from athwart.errors import DataError, FileError, UsageError
from athwart.frame.bottom import Bottom, track_bottom
from athwart.frame.layout import Layout
from athwart.frame.photo import Straightener
from athwart.frame.strip import LevelBottom, Strip, place_strip
from athwart.frame.when import Moment, where_on_track
from athwart.tables import Track

__all__ = [
    "fitted",
    "lay_picture",
    "level_bottom",
    "read_overlay",
    "straightened",
    "straightener",
    "write_strip",
]

TRUSTED = 0.5
"""Confidence below which a line's bottom is told to be doubtful."""


def fitted(layout: Layout, gray: NDArray[Any]) -> Layout:
    """Return a layout scaled to a picture; one with a display's corners keeps its own size."""
    return layout if layout.display_corners is not None else layout.for_picture(gray)


def straightener(layout: Layout) -> Straightener | None:
    """Return the map from photo to display, if the layout is of a photo."""
    if layout.display_corners is None:
        return None
    return Straightener(layout.display_corners, layout.width_px, layout.height_px)


def straightened(layout: Layout, gray: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the picture that a layout speaks of: the display in a photo, else the picture itself."""
    flat = straightener(layout)
    if flat is None:
        return gray
    return np.clip(np.rint(flat.straighten(gray)), 0, 255).astype(np.uint8)


def level_bottom(layout: Layout, depth_m: float, below: str, boat: Boat | None) -> LevelBottom:
    """Return a bottom at one depth on every line.

    Parameters
    ----------
    layout : Layout
        Of the picture.
    depth_m : float
        The sounder's depth.
    below : {"transducer", "surface"}
        What it is below.
    boat : Boat or None
        Tells how deep the transducer sits.

    Raises
    ------
    UsageError
        A depth that cannot be, or one below the surface of a boat whose transducer's depth is not known.
    """
    if below not in ("transducer", "surface"):
        raise UsageError(f"the depth is below {below!r}; allowed is transducer, surface")
    draft = (boat or Boat()).transducer_depth_m
    if below == "surface":
        if not math.isfinite(draft):
            raise UsageError(
                "the depth is below the surface, but nothing says how deep the transducer sits; put "
                "depth_m under [transducer] in the boat file"
            )
        depth_m -= draft
    if not (math.isfinite(depth_m) and depth_m > 0):
        raise UsageError(
            f"the depth below the transducer is {depth_m:g} m; allowed is a number above 0"
        )
    return LevelBottom({s: np.full(layout.lines, depth_m) for s in layout.side_names})


def lay_picture(
    image: NDArray[np.uint8],
    layout: Layout,
    moment: Moment,
    track: Track,
    *,
    boat: Boat | None = None,
    bottom: Bottom | LevelBottom | None = None,
    pixel_m: float | None = None,
    told: Callable[[str, float], None] | None = None,
) -> Strip:
    """Lay a picture on the seabed.

    Parameters
    ----------
    image : numpy.ndarray of uint8, shape (layout.height_px, layout.width_px)
        From `straightened`.
    layout : Layout
        From `fitted`.
    moment : Moment
        When the newest line was drawn.
    track : Track
        Where the boat was.
    boat : Boat, optional
        Lever arm, water, compass and clock.
    bottom : Bottom or LevelBottom, optional
        Where the bottom is; found in the picture if not given. Not needed where ranges are on the
        ground.
    pixel_m : float, optional
        Side of a pixel; about that of a column of the picture if not given.
    told : callable, optional
        Called with what is being done and which share of it is done.

    Returns
    -------
    Strip
        Its words say how well the moment is known along the track, and what was assumed.

    Raises
    ------
    DataError, UsageError
        The moment lies off the track, no line can be placed, or numbers that cannot be.
    """
    told = told or (lambda what, share: None)
    then = where_on_track(moment, track, boat=boat)
    sides = layout.sides(image)
    if bottom is None and layout.axis == "slant":
        told("finding the bottom line", 0.1)
        bottom = track_bottom(sides)
    told("laying the picture on the seabed", 0.4)
    strip = place_strip(sides, layout, bottom, track, boat, moment.time, pixel_m=pixel_m)
    words = [then.sentence.rstrip(".")]
    if isinstance(bottom, Bottom):
        doubtful = float((bottom.altitude().confidence < TRUSTED).mean())
        if doubtful >= 0.05:
            words.append(f"on {doubtful:.0%} of the lines the bottom line is doubtful")
    return replace(strip, words=(*words, *strip.words))


def write_strip(
    path: str | os.PathLike[str],
    strip: Strip,
    *,
    title: str = "",
    outline: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
) -> None:
    """Write a strip as a GeoTIFF, and what was seen as an area beside it if asked for.

    Raises
    ------
    FileError
        A file exists, its folder is missing, or the disk is full.
    """
    from athwart.formats.files import check_target
    from athwart.frame.geotiff import write_geotiff

    check_target(path, overwrite=overwrite)
    if outline is not None:
        check_target(outline, overwrite=overwrite)
    write_geotiff(path, strip, overwrite, title=title)
    if outline is None:
        return
    from athwart.features import Feature
    from athwart.formats.shapes import write_features

    note = " ".join(f"{w}." for w in strip.words)
    seen = Feature(role="seen", geometry=strip.outline, name=title, note=note)
    write_features(outline, [seen], overwrite=overwrite)


def read_overlay(path: Path) -> tuple[bytes, tuple[float, float, float, float], str, None]:
    """Return a strip's file as a picture for `athwart.review.map.review_map`: PNG, bounds, name.

    Raises
    ------
    FileError
        It cannot be read, is no strip, is empty, or lies where a web map ends.
    """
    from athwart.frame.geotiff import read_geotiff
    from athwart.frame.overlay import overlay

    strip = read_geotiff(path)
    try:
        png, bounds = overlay(strip)
    except DataError as error:
        raise FileError(path.name, str(error)) from error
    return png, bounds, path.name, None
