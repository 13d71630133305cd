"""Shadows that were dragged over: side, start and length, as drawn or with ends found in the picture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import TableError
from athwart.frame.layout import Layout
from athwart.frame.photo import Straightener
from athwart.frame.pixels import CLICK_PX, CORNER_PX, SLACK_PX, drags_of
from athwart.tables import bad_rows

if TYPE_CHECKING:
    from athwart.frame.layout import SideEcho

__all__ = ["Shadows", "found_shadows", "shadows"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.object_]

SHADOW_FLOOR_M = 0.3
"""Least standard error of the length of a shadow as it was drawn, metres; common practice."""


class Shadows(NamedTuple):
    """Shadows, along the screen's axis: side, start and length, metres, and the length's error.

    NaN (and side ``""``) where there is none. ``dark_m`` and ``end_m`` are where the dark begins and
    ends, ``line`` on which line; as they were drawn, or as they were found in the picture, and
    ``dark_found`` and ``end_found`` say which of them it told. What was found allows for the crest of
    a round-backed thing, so that its start lies before the dark (see `athwart.frame.shadow`).
    """

    side: TextArray
    start_m: FloatArray
    length_m: FloatArray
    length_sigma_m: FloatArray
    line: FloatArray
    dark_m: FloatArray
    end_m: FloatArray
    dark_found: BoolArray
    end_found: BoolArray

    @property
    def found(self) -> BoolArray:
        """Whether the picture told an end."""
        return self.dark_found | self.end_found

    def xy(self, layout: Layout) -> FloatArray:
        """Return the pixels of where the dark begins and ends, shape (n, 2, 2)."""
        near = layout.pixel_of(self.side, self.line, self.dark_m)
        return np.stack([near, layout.pixel_of(self.side, self.line, self.end_m)], axis=1)


def shadows(layout: Layout, xy: ArrayLike, *, click_px: ArrayLike = CLICK_PX) -> Shadows:
    """Return the shadows of drags from their near to their far end, or back, as they were drawn.

    Parameters
    ----------
    layout : Layout
        Of this picture.
    xy : array_like, shape (2, 2) or (n, 2, 2)
        Both ends of each drag; NaN for none.
    click_px : array_like
        Standard error of each end, pixels; their length is not trusted below `SHADOW_FLOOR_M`.

    Raises
    ------
    TableError
        Drags that leave the panel, cross the centre line or have no length.
    """
    p = drags_of(xy)
    given: BoolArray = np.asarray(np.isfinite(p).all(axis=(1, 2)))
    side, r = layout.range_of(p)
    inside = layout.inside(p, SLACK_PX).all(axis=1)
    crossing = (side[:, 0] != side[:, 1]) | (side[:, 0] == "")
    column = layout.metres_per_pixel(side[:, 0], layout.line_of(p[:, 0]))
    length = np.abs(r[:, 1] - r[:, 0])
    faults = [
        *bad_rows(
            given & ~inside, "outside-panel", lambda i: "the shadow's drag leaves the sonar panel"
        ),
        *bad_rows(
            given & inside & crossing,
            "crosses-centre",
            lambda i: "the shadow's drag crosses the centre line; a shadow lies on one side",
        ),
        *bad_rows(
            given & inside & ~crossing & ~(length >= column),
            "shadow-too-short",
            lambda i: (
                "the shadow's drag has no length across; drag away from the boat, from where the "
                "shadow begins to where it ends"
            ),
        ),
    ]
    if faults:
        raise TableError("picture", faults)
    side = np.where(given, side[:, 0], "").astype(object)
    start = np.where(given, r.min(axis=1), np.nan)
    sigma = math.sqrt(2) * np.asarray(click_px, np.float64) * column
    return Shadows(
        side=side,
        start_m=start,
        length_m=np.where(given, length, np.nan),
        length_sigma_m=np.where(given, np.maximum(sigma, SHADOW_FLOOR_M), np.nan),
        line=np.where(given, layout.line_of(p).mean(axis=1), np.nan),
        dark_m=start,
        end_m=np.where(given, r.max(axis=1), np.nan),
        dark_found=np.zeros(len(p), dtype=bool),
        end_found=np.zeros(len(p), dtype=bool),
    )


def found_shadows(
    layout: Layout,
    sides: Mapping[str, SideEcho],
    xy: ArrayLike,
    altitude_m: ArrayLike,
    *,
    click_px: ArrayLike = CLICK_PX,
    straightener: Straightener | None = None,
    corner_px: float = CORNER_PX,
) -> Shadows:
    """Return the shadows of drags, their ends found in the picture where it shows them.

    Parameters
    ----------
    layout : Layout
        Of this picture.
    sides : mapping of SideEcho
        The picture, from `Layout.sides`.
    xy : array_like, shape (2, 2) or (n, 2, 2)
        Both ends of each drag; NaN for none.
    altitude_m : array_like
        Of the transducer above the bottom, as the screen has it (see
        `athwart.frame.picks.altitudes`); NaN where it is
        not known.
    click_px : array_like
        Standard error of each end, pixels; photo pixels if a straightener is given.
    straightener, corner_px
        As in `athwart.frame.pixels.points`.

    Raises
    ------
    TableError
        As from `shadows`.
    """
    from athwart.frame.shadow import find_ends

    p = drags_of(xy)
    click = np.broadcast_to(np.asarray(click_px, np.float64), (len(p),))
    if straightener is not None:
        scale = straightener.photo_pixels(np.nan_to_num(p.mean(axis=1)))
        click = np.hypot(click, corner_px) / scale
    drawn = shadows(layout, p, click_px=click)
    altitude = np.broadcast_to(np.asarray(altitude_m, np.float64), (len(p),))
    ground = layout.axis == "ground"
    start, length, sigma, line, dark, far = (np.array(v) for v in drawn[1:7])
    dark_found, end_found = np.zeros((2, len(p)), dtype=bool)
    for k in np.flatnonzero(np.isfinite(start)):
        side = sides[drawn.side[k]]
        column = side.scale_m[layout.line_index(line[k])]
        r, h = start[k], altitude[k]
        y = r if ground else math.sqrt(max(r * r - h * h, 0.0)) if h > 0 else math.nan
        ends = find_ends(
            side.echo,
            line[k],
            start[k] / column - side.start_columns,
            far[k] / column - side.start_columns,
            click=float(click[k]),
            grazing_tan=h / y if y > 0 and h > 0 else math.nan,
            ground_axis=ground,
        )
        if not ends.found:
            continue
        line[k], dark_found[k], end_found[k] = ends.line, ends.tangent_found, ends.end_found
        length[k], sigma[k] = ends.length * column, ends.length_sigma * column
        start[k], dark[k], far[k] = (
            (v + side.start_columns) * column for v in (ends.start, ends.tangent, ends.end)
        )
    return Shadows(drawn.side, start, length, sigma, line, dark, far, dark_found, end_found)
