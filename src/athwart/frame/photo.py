"""A photo of a display taken at an angle: its four corners straighten it.

A plane seen by a pinhole camera is mapped by a homography, x' ~ H x, with eight free numbers that
four corners fix. It is found by the direct linear transform with normalised coordinates (Hartley,
In defense of the eight-point algorithm, 1997; Hartley and Zisserman, Multiple View Geometry,
chapter 4; from memory). What a homography cannot undo is the bend of the lens: a phone's main lens
leaves about 0.5 to 2 % of barrel or cushion uncorrected near the edge of the picture (common
practice, no source), several pixels there and next to nothing in the middle. So photograph the
display from a step back, in the middle of the picture, and let it fill no more than about two
thirds of the width. The bend is not modelled.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from athwart.errors import DataError

__all__ = ["Straightener", "corner_fault"]

FloatArray = NDArray[np.float64]
Single = NDArray[np.float32]

LEAST_CORNER_PX = 16.0
"""Corners nearer to each other than this are no display."""


def corner_fault(corners: Any) -> str:
    """Say what is wrong with four corners; empty if nothing is.

    Parameters
    ----------
    corners : array_like, shape (4, 2)
        x right, y down, clockwise from the display's top left.
    """
    try:
        c = np.asarray(corners, np.float64)
    except (TypeError, ValueError):
        c = np.empty(0)
    if c.shape != (4, 2) or not np.isfinite(c).all():
        return "give four corners [x, y], clockwise from the display's top left"
    side = np.roll(c, -1, axis=0) - c
    length = np.hypot(side[:, 0], side[:, 1])
    if length.min() < LEAST_CORNER_PX:
        return f"two corners lie less than {LEAST_CORNER_PX:g} pixels apart; they are no display"
    following = np.roll(side, -1, axis=0)
    turn = side[:, 0] * following[:, 1] - side[:, 1] * following[:, 0]
    sine = turn / (length * np.roll(length, -1))
    if (sine < 0).all():
        return "the corners run anticlockwise; give them clockwise from the display's top left"
    if not (sine > 0.02).all():  # about one degree
        return (
            "the corners cross over or lie on one line; give them clockwise from the display's "
            "top left"
        )
    return ""


def _normaliser(points: FloatArray) -> FloatArray:
    """Return the similarity that brings points to the origin at a mean distance of sqrt 2."""
    middle = points.mean(axis=0)
    away = np.hypot(*(points - middle).T).mean()
    s = np.sqrt(2.0) / away
    return np.array([[s, 0.0, -s * middle[0]], [0.0, s, -s * middle[1]], [0.0, 0.0, 1.0]])


def _homography(source: FloatArray, target: FloatArray) -> FloatArray:
    """Return H with target ~ H source, shapes (4, 2), by the direct linear transform."""
    t, u = _normaliser(source), _normaliser(target)
    a = np.c_[source, np.ones(4)] @ t.T
    b = np.c_[target, np.ones(4)] @ u.T
    zero = np.zeros((4, 3))
    rows = np.concatenate(
        [
            np.hstack([zero, -a, b[:, 1:2] * a]),
            np.hstack([a, zero, -b[:, 0:1] * a]),
        ]
    )
    h = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    h = np.linalg.solve(u, h @ t)
    return np.asarray(h / np.linalg.norm(h))


def _apply(h: FloatArray, xy: ArrayLike) -> FloatArray:
    """Map points (..., 2); NaN at and beyond the horizon of the plane."""
    p = np.asarray(xy, np.float64)
    w = h[2, 0] * p[..., 0] + h[2, 1] * p[..., 1] + h[2, 2]
    x = h[0, 0] * p[..., 0] + h[0, 1] * p[..., 1] + h[0, 2]
    y = h[1, 0] * p[..., 0] + h[1, 1] * p[..., 1] + h[1, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        out = np.stack([x / w, y / w], axis=-1)
    return np.where((w > 0)[..., None], out, np.nan)


class Straightener:
    """The map between a photo and the straightened display.

    Parameters
    ----------
    corners : array_like, shape (4, 2)
        The display's corners in the photo, clockwise from its top left, pixels.
    width, height : int
        Size of the straightened display, pixels.

    Raises
    ------
    DataError
        Corners that are no display seen from its front.

    Examples
    --------
    >>> flat = Straightener([[10, 20], [210, 20], [210, 120], [10, 120]], 100, 50)
    >>> flat.to_screen([110, 70]).round(6).tolist()
    [50.0, 25.0]
    """

    def __init__(self, corners: ArrayLike, width: int, height: int) -> None:
        fault = corner_fault(corners)
        if fault:
            raise DataError(f"the display's corners: {fault}")
        if width < 2 or height < 2:
            raise DataError(
                f"the straightened display is {width} x {height} pixels; allowed is 2 or more"
            )
        self.corners: FloatArray = np.asarray(corners, np.float64)
        self.width, self.height = int(width), int(height)
        screen = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
        there = _homography(screen, self.corners)
        back = _homography(self.corners, screen)
        # The scale of H is free; its sign is not: w > 0 is what the camera sees.
        self._to_photo = there * np.sign(there[2] @ [width / 2, height / 2, 1.0])
        self._to_screen = back * np.sign(back[2] @ [*self.corners.mean(axis=0), 1.0])

    def to_screen(self, xy: ArrayLike) -> FloatArray:
        """Return where points (..., 2) of the photo lie on the straightened display."""
        return _apply(self._to_screen, xy)

    def to_photo(self, xy: ArrayLike) -> FloatArray:
        """Return where points (..., 2) of the straightened display lie in the photo."""
        return _apply(self._to_photo, xy)

    def photo_pixels(self, xy: ArrayLike) -> FloatArray:
        """Return how many photo pixels a pixel of the straightened display spans, shape (...).

        Parameters
        ----------
        xy : array_like, shape (..., 2)
            Points of the straightened display.

        Notes
        -----
        The smaller singular value of the map's Jacobian, so the worse of all directions. One photo
        pixel of error is ``1 / photo_pixels`` pixels of the display at most.
        """
        p = np.asarray(xy, np.float64)
        h = self._to_photo
        w = h[2, 0] * p[..., 0] + h[2, 1] * p[..., 1] + h[2, 2]
        x = h[0, 0] * p[..., 0] + h[0, 1] * p[..., 1] + h[0, 2]
        y = h[1, 0] * p[..., 0] + h[1, 1] * p[..., 1] + h[1, 2]
        w2 = w * w
        jacobian = np.stack(
            [
                np.stack([(h[0, i] * w - h[2, i] * x) / w2 for i in (0, 1)], axis=-1),
                np.stack([(h[1, i] * w - h[2, i] * y) / w2 for i in (0, 1)], axis=-1),
            ],
            axis=-2,
        )
        return np.asarray(np.linalg.svd(jacobian, compute_uv=False)[..., -1])

    def straighten(self, gray: NDArray[Any]) -> Single:
        """Return the straightened display, bilinear.

        Parameters
        ----------
        gray : numpy.ndarray, shape (rows, columns)
            The photo, grey.

        Returns
        -------
        numpy.ndarray of float32, shape (height, width)
            0 where a corner lies outside the photo.
        """
        from scipy.ndimage import map_coordinates

        if gray.ndim != 2:
            raise DataError("the photo is not grey; read it with read_picture")
        photo = np.asarray(gray, np.float32)
        x, y = np.meshgrid(np.arange(self.width) + 0.5, np.arange(self.height) + 0.5)
        at = self.to_photo(np.stack([x, y], axis=-1)) - 0.5
        rows, columns = at[..., 1], at[..., 0]
        out = np.empty((self.height, self.width), np.float32)
        map_coordinates(photo, [rows, columns], output=out, order=1, mode="grid-constant", cval=0.0)
        return out
