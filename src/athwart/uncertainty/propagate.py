"""From standard errors of what was read to the covariance of where the target lies.

Ground range is the difficult part: dy/dr = r / y grows without bound towards nadir, so a first-order
formula fails there, and sigma points placed symmetrically miss by up to 45 %. Here the first two
moments of y about the stated ground range are integrated over slant range, altitude and slope with
Gaussian nodes: where there is no root y counts as 0, where there are two (a rising bottom, nearer
than right below) as either with equal weight. Three Gauss-Hermite nodes a variable serve where the
sonar looks well outside nadir; close to it the range is integrated piece by piece in a variable in
which the square root is smooth.

Heading is exact: for a normal error d, E cos d = exp(-d^2 / 2) and E cos 2d = exp(-2 d^2).

The covariance is the second moment about the *stated* position, so that the bias near nadir is
inside it.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["across_moments", "boat_axes_covariance"]

FloatArray = NDArray[np.float64]

_NEAR_SIGMAS = 6.0
# Rows at a time, so that the working arrays stay in the processor's cache; near nadir a row
# is 80 or 240 nodes of altitude and range at once.
_CHUNK_FAR, _CHUNK_NEAR = 16_384, 256


@cache
def _normal_nodes(n: int) -> tuple[tuple[float, float], ...]:
    """Return Gauss-Hermite nodes and weights for a standard normal."""
    if n == 3:  # in closed form; numpy's polynomials take long to load for one pick
        return (-(3**0.5), 1 / 6), (0.0, 2 / 3), (3**0.5, 1 / 6)
    x, w = np.polynomial.hermite_e.hermegauss(n)
    return tuple(zip(x.tolist(), (w / w.sum()).tolist(), strict=True))


@cache
def _unit_nodes(n: int) -> tuple[tuple[float, float], ...]:
    """Return Gauss-Legendre nodes and weights for the interval from 0 to 1."""
    x, w = np.polynomial.legendre.leggauss(n)
    return tuple(zip(((x + 1) / 2).tolist(), (w / 2).tolist(), strict=True))


@cache
def _columns(nodes: tuple[tuple[float, float], ...]) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights as columns, to stand beside rows."""
    x, w = np.array(nodes).T[:, :, np.newaxis]
    return x, w


def across_moments(
    stated_m: ArrayLike,
    slant_range_m: ArrayLike,
    altitude_m: ArrayLike,
    slope_deg: ArrayLike,
    *,
    range_sigma_m: ArrayLike,
    altitude_sigma_m: ArrayLike,
    slope_sigma_deg: ArrayLike,
    shadow_m: ArrayLike = 0.0,
    scale_sigma: ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Integrate the error of a ground range about the stated one.

    Parameters
    ----------
    stated_m : array_like
        The ground range that is stated, metres.
    slant_range_m, altitude_m, slope_deg : array_like
        As read: r, h (metres) and slope (degrees, + falling away). For a thing in the water at a
        known depth h is that depth and the slope 0 without error.
    range_sigma_m, altitude_sigma_m, slope_sigma_deg : array_like
        Their standard errors, independent.
    shadow_m : array_like
        L; where it is positive the stated position is the object's top, at r / (r + L) of the
        ground range of r + L.
    scale_sigma : array_like
        Standard error of a scale common to range and altitude (sound speed not known).

    Returns
    -------
    mean_m : numpy.ndarray
        E(y - stated), metres.
    second_moment_m2 : numpy.ndarray
        E((y - stated)^2), square metres.
    """
    columns = [
        np.asarray(a)
        for a in np.broadcast_arrays(
            *(
                np.asarray(v, np.float64)
                for v in (
                    stated_m,
                    slant_range_m,
                    altitude_m,
                    np.radians(np.asarray(slope_deg, np.float64)),
                    range_sigma_m,
                    altitude_sigma_m,
                    np.radians(np.asarray(slope_sigma_deg, np.float64)),
                    shadow_m,
                )
            )
        )
    ]
    shape = columns[0].shape
    y0, *rest = (c.ravel() for c in columns)
    r, h, s, sr, sh, ss, _ = rest
    scale2 = np.broadcast_to(np.asarray(scale_sigma, np.float64), shape).ravel() ** 2
    first, second = np.empty(y0.size), np.empty(y0.size)
    near = (r - h) < _NEAR_SIGMAS * np.sqrt(sr**2 + sh**2 + (h * np.sin(s) * ss) ** 2)
    # A range much surer than the altitude leaves the kink at nadir sharp in the altitude.
    sharp = near & (2.0 * sr < sh)
    for rows, integrate, chunk in (
        (~near, _integrate_far, _CHUNK_FAR),
        (near & ~sharp, _integrate_near, _CHUNK_NEAR),
        (sharp, partial(_integrate_near, altitude_nodes=15), _CHUNK_NEAR),
    ):
        index = np.flatnonzero(rows)
        whole = len(index) == len(y0)
        for start in range(0, len(index), chunk):
            part = slice(start, start + chunk) if whole else index[start : start + chunk]
            first[part], second[part] = integrate(*(c[part] for c in rest))
    # (1 + e) y with E e = 0: the mean stays, the square grows by E e^2.
    moment = second * (1.0 + scale2) - 2.0 * y0 * first + y0**2
    return (first - y0).reshape(shape), np.maximum(moment, 0.0).reshape(shape)


def _integrate_far(
    r: FloatArray,
    h: FloatArray,
    s: FloatArray,
    sr: FloatArray,
    sh: FloatArray,
    ss: FloatArray,
    shadow: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return E y and E y^2 where every node has one root."""
    top = shadow.any()
    first, second = np.zeros_like(r), np.zeros_like(r)
    ranges = []
    for x, w in _normal_nodes(3):
        start = r + x * sr
        end = start + shadow
        ranges.append((end * end, start / end if top else None, w))
    for xs, ws in _slope_nodes(ss, 3):
        slope = s + xs * ss
        sin, cos = np.sin(slope), np.cos(slope)
        for xh, wh in _normal_nodes(3):
            altitude = h + xh * sh
            middle = -altitude * sin
            nearest = altitude * cos
            nearest *= nearest
            for end2, part, wr in ranges:
                y = np.sqrt(end2 - nearest)
                y += middle
                y *= cos
                if part is not None:
                    y *= part
                square = y * y
                weight = ws * wh * wr
                y *= weight
                first += y
                square *= weight
                second += square
    return first, second


def _integrate_near(
    r: FloatArray,
    h: FloatArray,
    s: FloatArray,
    sr: FloatArray,
    sh: FloatArray,
    ss: FloatArray,
    shadow: FloatArray,
    altitude_nodes: int = 5,
) -> tuple[FloatArray, FloatArray]:
    """Return E y and E y^2 where the sonar looks nearly straight down.

    For each altitude and slope the range runs over its normal in u = sqrt(r - h cos s), in which y
    is smooth, apart for the ranges with one root and those with two; below them y is 0.
    """
    first, second = np.zeros_like(r), np.zeros_like(r)
    mean = r + shadow
    low, high = np.maximum(mean - 6 * sr, shadow), mean + 6 * sr
    xh, wh = (v[:, np.newaxis] for v in _columns(_normal_nodes(altitude_nodes)))
    altitude = np.maximum(h + xh * sh, 0.0)
    for xs, ws in _slope_nodes(ss, 7):
        slope = s + xs * ss
        sin, cos = np.sin(slope), np.cos(slope)
        rising = slope < 0
        nearest = altitude * cos
        middle = -altitude * sin
        for double in (False, True) if rising.any() else (False,):
            bottom = nearest if double else altitude
            until = np.minimum(high, altitude) if double else high
            u0 = np.sqrt(np.maximum(np.maximum(low, bottom) - nearest, 0.0))
            u1 = np.sqrt(np.maximum(until - nearest, 0.0))
            width = np.maximum(u1 - u0, 0.0)
            if double:
                width = np.where(rising, width, 0.0)
            # Axes: nodes of altitude, nodes of range, rows.
            x, w = _columns(_unit_nodes(8 if double else 16))
            u = u0 + x * width
            end = nearest + u * u
            z = (end - mean) / sr
            density = np.exp(-0.5 * z * z) * (u * (2 * width / sr))
            weight = density * (w * wh * (ws / np.sqrt(2 * np.pi)))
            part = cos * (end - shadow) / np.maximum(end, 1e-12)
            root = u * np.sqrt(end + nearest)
            if double:
                weight *= part
                first += (weight * middle).sum(axis=(0, 1))
                weight *= part
                second += (weight * (middle**2 + root**2)).sum(axis=(0, 1))
            else:
                y = part * np.maximum(middle + root, 0.0)
                weight *= y
                first += weight.sum(axis=(0, 1))
                weight *= y
                second += weight.sum(axis=(0, 1))
    return first, second


def _slope_nodes(sigma: FloatArray, n: int) -> tuple[tuple[float, float], ...]:
    return _normal_nodes(n) if sigma.any() else ((0.0, 1.0),)


def boat_axes_covariance(
    forward_m: ArrayLike,
    starboard_m: ArrayLike,
    *,
    forward_var_m2: ArrayLike,
    starboard_mean_m: ArrayLike,
    starboard_moment_m2: ArrayLike,
    heading_sigma_deg: ArrayLike,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the second moment of a target's place about the stated one, in the boat's axes.

    Parameters
    ----------
    forward_m, starboard_m : array_like
        Stated offset from the antenna, metres.
    forward_var_m2 : array_like
        Variance of the forward offset.
    starboard_mean_m, starboard_moment_m2 : array_like
        First and second moment of the starboard offset about the stated one (`across_moments`,
        signed by the side).
    heading_sigma_deg : array_like
        Standard error of the heading.

    Returns
    -------
    var_forward, var_starboard, cov : numpy.ndarray
        Square metres, about the stated position, along the stated heading.
    """
    f0, s0 = np.asarray(forward_m, np.float64), np.asarray(starboard_m, np.float64)
    mean = np.asarray(starboard_mean_m, np.float64)
    sigma2 = np.radians(np.asarray(heading_sigma_deg, np.float64)) ** 2
    # 1 - E cos, E sin^2 and their kin through expm1, so that small errors keep their digits.
    lost = -np.expm1(-sigma2 / 2)
    sin2 = -np.expm1(-2 * sigma2) / 2
    var_f = np.asarray(forward_var_m2, np.float64)
    moment_s = np.asarray(starboard_moment_m2, np.float64)
    ff = f0**2 + var_f
    ss = s0**2 + 2 * s0 * mean + moment_s
    # E (f cos d - s sin d - f0)^2, and so on, with independent f, s, d.
    var_forward = var_f - ff * sin2 + 2 * f0**2 * lost + ss * sin2
    var_starboard = moment_s - ss * sin2 + 2 * s0 * (s0 + mean) * lost + ff * sin2
    cov = f0 * (s0 + mean) * (lost - 2 * sin2) + f0 * s0 * lost
    return var_forward, var_starboard, cov
