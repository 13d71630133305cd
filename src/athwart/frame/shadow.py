"""The ends of a shadow, found in the picture near to where they were drawn, and the height they tell.

A drag over a shadow says roughly where it is; the echo says it better. A small model of a round-backed
thing and its shadow is fitted to the pixels about the drag (maximum a posteriori), with the drag as
its prior. Along one line, in columns of the screen's range axis (slant unless said otherwise):

- *Cross-section*: half an ellipse of height H and half-width w across, rho = w / H, on a plane. The
  sound comes in at the grazing angle g. With q = H sin g and p = w cos g the bright echo begins at
  the crest's ground range less sqrt(p^2 + q^2). It ends where the sound touches the back of the
  thing for the last time (the shadow's *start*, a), or at its foot where that lies behind (layover).
- *Crest*: that tangent lies behind and below the crest: the formula H = h L / (r_s + L) with L = b - a
  gives the height of the tangent, H / f with f = sqrt(1 + rho^2 tan^2 g). So the length that is
  reported is f L, `Ends.length`, and its start `Ends.start` lies f L before the end.
- *Along the track* the height falls off as half an ellipse of D lines about the thing's middle line,
  and the thing may lie askew (t columns a line).
- *Beam*: three rays across the beam (1/4, 1/2, 1/4) share a line, so a shadow fills in from its sides.
- *Pulse*: every edge is the integral of a normal of BLUR columns; at the crest the echo fades out (by
  Lambert's law it vanishes at the tangent) and ends softer and earlier.
- *Pixels*: grey is taken for the root of power, as for `athwart.frame.bottom`; power y about a mean
  mu is speckle, gamma distributed with K looks (Goodman 1976, "Some fundamental properties of speckle",
  from memory), K learnt from the seabed beside; a small share of pixels is anything.

With g on a slant axis a drop of the top moves it out by sin^2 g of what its shadow loses; on an axis of
ground ranges by tan^2 g.

Neither neighbouring pixels nor the model's faults are independent from pixel to pixel, so the
likelihood is tempered; TEMPER, FADE, ROUND and DOUBT were set on simulated frames (seeds 0 and 10 of
`tests/frame/measure_heights.py`) and checked on others. Shapes and sizes are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Ends", "crest_part", "find_ends"]

Floats = NDArray[np.float64]

TEMPER = 0.08
"""Share of the likelihood that counts."""
LINES = 6
"""Lines on either side of the drag that are looked at."""
REACH = 3.0
"""Standard errors of the drag within which the ends are sought, and beyond which none is believed."""
BLUR = 0.85
"""Standard deviation of an edge, columns: pulse and screen."""
FADE = 2.0
"""How much earlier than the tangent the crest's echo ends, in standard deviations of its fading."""
ROUND = 0.65
"""Half-width over height of a thing, the prior's median."""
DOUBT = 0.5
"""Standard error of the crest's part of the length, as a part of it: things are not half-ellipses."""
BEHIND = 12
"""Columns of seabed behind the end that are fitted."""
BESIDE = 30
"""Columns behind the end, and twelve lines either way, from which the seabed's level is learnt."""
STRAY = 0.03
"""Share of pixels that are anything: text, another sounder, fish."""
DARK = 0.5
"""A shadow's middle has at most this part of the seabed's power, or there is none to be seen."""
MOST_LOOKS = 40.0
"""Seabed that varies less than speckle of so many looks is none."""
FOUND = 0.8
"""An end is found where the picture brings its standard error below this part of the drag's."""
_STARTS = 32
_LEAST = 1e-5
_FEW = 40
_RAYS = ((-1.0, 0.25), (0.0, 0.5), (1.0, 0.25))
_START, _END, _MIDDLE, _HALF, _ASKEW, _THING, _SHADE, _BED, _ROUND, _SOFT, _BEAM = range(11)


class Ends(NamedTuple):
    """Where a shadow begins and ends, in columns from the near edge of column 0.

    Parameters
    ----------
    tangent, end : float
        Where the dark begins and ends on the thing's middle line.
    tangent_sigma, end_sigma : float
        Their standard errors.
    start : float
        Where the shadow of a thin post of the thing's height would begin: ``end - length``.
    start_sigma : float
        Its standard error.
    length, length_sigma : float
        Length of that shadow, for H = h L / (r_s + L).
    line : float
        Line coordinate of the thing's middle.
    tangent_found, end_found : bool
        False where the picture tells no more than the drag did.
    """

    tangent: float
    end: float
    tangent_sigma: float
    end_sigma: float
    start: float
    start_sigma: float
    length: float
    length_sigma: float
    line: float
    tangent_found: bool
    end_found: bool

    @property
    def found(self) -> bool:
        """Whether the picture told an end."""
        return self.tangent_found or self.end_found


def crest_part(round_part: float, grazing_tan: float) -> float:
    """Return how much higher a round-backed thing is than the point that ends its shadow.

    Parameters
    ----------
    round_part : float
        rho, half-width over height of its half-elliptic cross-section; 0 for a thin post.
    grazing_tan : float
        Tangent of the angle between sound and bottom.

    Examples
    --------
    >>> crest_part(0.0, 0.5), round(crest_part(0.65, 0.5), 4)
    (1.0, 1.0515)
    """
    return math.hypot(1.0, round_part * grazing_tan)


def find_ends(
    echo: NDArray[Any],
    line: float,
    start: float,
    end: float,
    *,
    click: float,
    grazing_tan: float = math.nan,
    ground_axis: bool = False,
) -> Ends:
    """Find the ends of a shadow.

    Parameters
    ----------
    echo : array_like, shape (lines, columns)
        One side, 0 to 1, column 0 the nearest to the boat.
    line : float
        Line coordinate of the drag, 0 in the middle of the newest line.
    start, end : float
        Its near and far end, columns from the near edge of column 0, start < end.
    click : float
        Standard error of each end, columns and lines.
    grazing_tan : float
        Tangent of the angle between sound and bottom there, h / y; NaN where it is not known: then
        the crest is not allowed for.
    ground_axis : bool
        Whether columns are ground ranges.

    Returns
    -------
    Ends
        The drag's own, uncorrected, where the picture shows no shadow.
    """
    drawn = _as_drawn(line, start, end, click)
    known = math.isfinite(grazing_tan)
    tan2 = min(max(grazing_tan if known else 0.5, 0.02), 3.0) ** 2
    patch = _Patch.cut(echo, line, start, end, click)
    if patch is None:
        return drawn
    lean = tan2 if ground_axis else tan2 / (1.0 + tan2)
    prior = _prior(patch, start, end, click)

    def mean(x: Floats) -> Floats:
        return _mean(x, patch, min(lean, 0.9), tan2)

    modes = _modes(patch, prior, mean)
    top = max(m.value for m in modes)
    # Each maximum counts by the mass about it (Laplace).
    share = np.array([math.exp(m.value - top) * m.volume for m in modes])
    share /= share.sum()
    middle = np.asarray(sum(w * m.at for w, m in zip(share, modes, strict=True)))

    def sigma(way: Floats) -> float:
        """Root of the second moment along a direction of the parameters, over all maxima."""
        square = sum(
            w * (way @ m.covariance @ way + (way @ (m.at - middle)) ** 2)
            for w, m in zip(share, modes, strict=True)
        )
        return math.sqrt(float(square))

    unit = np.eye(prior.at.size)
    tangent, far = float(middle[_START]), float(middle[_END])
    away = max(abs(tangent - start), abs(far - end))
    if far - tangent < 1.0 or away > (REACH + 0.5) * click or not math.isfinite(away):
        return drawn
    length, longer = far - tangent, 1.0
    along_length, along_start = unit[_END] - unit[_START], unit[_START]
    if known:
        longer = crest_part(math.exp(float(middle[_ROUND])), math.sqrt(tan2))
        by_round = length * (longer - 1.0 / longer) * unit[_ROUND]
        along_length = longer * along_length + by_round
        along_start = unit[_END] - along_length
    doubt = DOUBT * (longer - 1.0) * length
    sigmas = sigma(unit[_START]), sigma(unit[_END])
    return Ends(
        tangent=tangent,
        end=far,
        tangent_sigma=sigmas[0],
        end_sigma=sigmas[1],
        start=far - longer * length,
        start_sigma=math.hypot(sigma(along_start), doubt),
        length=longer * length,
        length_sigma=math.hypot(sigma(along_length), doubt),
        line=line + float(middle[_MIDDLE]),
        tangent_found=sigmas[0] < FOUND * click,
        end_found=sigmas[1] < FOUND * click,
    )


def _as_drawn(line: float, start: float, end: float, click: float) -> Ends:
    length = end - start
    return Ends(
        start, end, click, click, start, click, length, math.sqrt(2) * click, line, False, False
    )


class _Patch(NamedTuple):
    """Pixels about a drag: power, whether they are sonar, lines off the drag's, columns; levels learnt."""

    power: Floats
    told: Floats
    off: Floats
    column: Floats
    looks: float
    bed: float
    shade: float
    thing: float

    @classmethod
    def cut(
        cls, echo: NDArray[Any], line: float, start: float, end: float, click: float
    ) -> _Patch | None:
        """Cut it out; None where no shadow is to be seen."""
        n_lines, n_columns = echo.shape
        if not (end - start >= 2.0 and start > -1.0 and end < n_columns + 1.0):
            return None
        reach = REACH * click + 1.0
        left = max(math.floor(start - reach - 3), 0)
        low, high = left, min(math.ceil(end + reach + BEHIND), n_columns)
        middle = min(max(round(line), 0), n_lines - 1)
        top = max(middle - 12, 0)
        near = echo[top : middle + 13, left : min(math.ceil(end) + BESIDE, n_columns)]
        near = np.asarray(near, np.float64)
        written = _written_over(near)
        square = np.where(written, np.nan, near**2)

        def power(lines: int, first: float, last: float) -> Floats:
            rows = slice(max(middle - lines - top, 0), middle + lines + 1 - top)
            a = min(max(int(first) - left, 0), square.shape[1] - 1)
            found = square[rows, a : max(math.ceil(last) - left, a + 1)]
            return found[np.isfinite(found)]

        beside = power(12, min(end + 2, n_columns - 6), end + BESIDE)
        quarter = (end - start) / 4
        core, lit = power(1, start + quarter, end - quarter), power(1, start - 5, start)
        if beside.size < _FEW or not core.size:
            return None
        bed, spread, shade = float(beside.mean()), float(beside.var()), float(np.median(core))
        # Seabed speckles; what is one grey was written over or is blank.
        if bed < 10 * _LEAST or shade > DARK * bed or spread < bed**2 / MOST_LOOKS:
            return None
        rows = np.arange(max(middle - LINES, 0), min(middle + LINES + 1, n_lines))
        own = np.square(np.asarray(echo[rows, low:high], np.float64))
        shown = own.mean(axis=1) > 0.02 * bed  # a blank line tells nothing
        if not shown.any() or high - low < 6:
            return None
        told = ~written[rows[shown] - top, : high - low]
        return cls(
            power=np.maximum(own[shown], _LEAST),
            told=told.astype(np.float64),
            off=rows[shown] - line,
            column=np.arange(low, high) + 0.5,
            looks=float(np.clip(bed**2 / spread, 0.6, 6.0)),
            bed=bed,
            shade=max(shade, 10 * _LEAST),
            thing=max(float(lit.mean()) if lit.size else 0.0, 1.2 * bed),
        )


def _written_over(echo: Floats) -> NDArray[np.bool_]:
    """Say which pixels are letters or lines drawn over the sonar: bright, and one grey all about."""
    from scipy.ndimage import maximum_filter, minimum_filter

    flat = maximum_filter(echo, 3) - minimum_filter(echo, 3) < 1.5 / 255
    return np.asarray(maximum_filter(flat & (echo > 0.3), 3), dtype=bool)


class _Prior(NamedTuple):
    at: Floats
    sigma: Floats


def _prior(patch: _Patch, start: float, end: float, click: float) -> _Prior:
    """Return medians and standard deviations: the drag, the levels, and things of usual shape."""
    log = math.log
    rows = [
        (start, click),
        (end, click),
        (0.0, math.hypot(click / math.sqrt(2), 0.3)),
        (log(5.0), 0.9),
        (0.0, 1.2),
        (log(patch.thing), 0.6),
        (log(patch.shade), 0.8),
        (log(patch.bed), 0.15),
        (log(ROUND), 0.4),
        (log(1.2), 0.5),
        (0.0, 0.5),
    ]
    at, sigma = np.array(rows).T
    return _Prior(at, sigma)


def _mean(x: Floats, patch: _Patch, lean: float, tan2: float) -> Floats:
    """Return the mean power of each pixel of a thing and its shadow."""
    from scipy.special import ndtr

    length = max(x[_END] - x[_START], 0.5)
    thing, bed, shade = math.exp(x[_THING]), math.exp(x[_BED]), math.exp(x[_SHADE])
    rho, soft = math.exp(x[_ROUND]), math.exp(x[_SOFT])
    half, beam = math.exp(x[_HALF]), math.exp(x[_BEAM])
    tan = math.sqrt(tan2)
    longer = crest_part(rho, tan)
    rise = lean * length * longer  # q
    width = rho * rise / tan  # p
    back = width * rho * tan / longer - lean * length  # of the tangent, from the crest's ground
    ground = x[_START] - back
    edge = max(back, -width)
    # Where the foot lies behind the tangent the echo ends at the foot, and does not fade.
    fade = FADE * soft * float(ndtr(back + width))
    wide = math.hypot(BLUR, soft)
    column = patch.column
    out = np.full(patch.power.shape, shade)
    for ray, part in _RAYS:
        off = patch.off + ray * beam - x[_MIDDLE]
        s = np.sqrt(np.maximum(1.0 - (off / half) ** 2, 0.0))[:, None]
        here = (ground + x[_ASKEW] * off)[:, None]
        there = np.minimum(1.0, s / 0.3)
        echo = bed + (thing - bed) * ndtr((column - here + math.hypot(width, rise) * s) / BLUR)
        lit = echo * ndtr((here + edge * s - fade - column) / wide)
        behind = bed * ndtr((column - here - (x[_END] - ground) * s) / BLUR)
        out += part * (there * (lit + behind) + (1.0 - there) * bed)
    return out


class _Mode(NamedTuple):
    value: float
    at: Floats
    covariance: Floats
    volume: float


def _modes(patch: _Patch, prior: _Prior, mean: Callable[[Floats], Floats]) -> list[_Mode]:
    """Return the best maxima of the posterior that can be reached from spread starts."""
    rng = np.random.default_rng(1)  # the same starts for every shadow, so the same answer each time
    spread = np.clip(rng.normal(size=(_STARTS, prior.at.size)), -2.0, 2.0)
    starts = np.vstack([prior.at, prior.at + spread * prior.sigma])
    values = np.array([_value(x, mean(x), patch, prior) for x in starts])
    modes: list[_Mode] = []
    for k in np.argsort(-values)[:3]:
        mode = _climb(starts[k], float(values[k]), patch, prior, mean)
        apart = [np.abs((mode.at - m.at) / prior.sigma)[:4].max() for m in modes]
        if not apart or min(apart) > 0.15:
            modes.append(mode)
    return modes


def _speckle(power: Floats, mean: Floats, looks: float) -> Floats:
    """Return the log-density of the logarithm of power."""
    z = power / mean
    return np.asarray(looks * (np.log(looks * z) - z) - math.lgamma(looks))


_ANY = math.log(STRAY / 8.0)
"""Log-density of a stray pixel: even over eight units of log power."""


def _value(x: Floats, mean: Floats, patch: _Patch, prior: _Prior) -> float:
    own = _speckle(patch.power, mean, patch.looks) + math.log1p(-STRAY)
    likelihood = float((patch.told * np.logaddexp(own, _ANY)).sum())
    before = 0.5 * float((((x - prior.at) / prior.sigma) ** 2).sum())
    crossed = 100.0 * max(2.0 - float(x[_END] - x[_START]), 0.0)
    return TEMPER * likelihood - before - crossed


def _climb(
    x: Floats, value: float, patch: _Patch, prior: _Prior, mean: Callable[[Floats], Floats]
) -> _Mode:
    """Climb to a maximum by Fisher scoring with Levenberg's damping."""
    step = 0.02 * prior.sigma
    step[[_START, _END]] = 0.1
    damping = 1e-2
    for _ in range(25):
        mu = mean(x)
        log_mu = np.log(mu)
        slopes = np.stack(
            [(np.log(mean(x + step * e)) - log_mu) / h for e, h in zip(np.eye(x.size), step, strict=True)]
        )  # fmt: skip
        own = _speckle(patch.power, mu, patch.looks) + math.log1p(-STRAY)
        weight = TEMPER * patch.looks * patch.told / (1.0 + np.exp(np.minimum(_ANY - own, 50.0)))
        gradient = np.tensordot(slopes, weight * (patch.power / mu - 1.0), 2)
        gradient -= (x - prior.at) / prior.sigma**2
        flat = slopes.reshape(x.size, -1)
        curvature = (flat * weight.ravel()) @ flat.T + np.diag(prior.sigma**-2.0)
        better = False
        while not better and damping < 1e4:
            way = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), gradient)
            new = x + np.clip(way, -1.5 * prior.sigma, 1.5 * prior.sigma)
            reached = _value(new, mean(new), patch, prior)
            better = reached > value
            damping = max(damping / 5, 1e-4) if better else damping * 5
        if not better:
            break
        gained, x, value = reached - value, new, reached
        if gained < 0.01:
            break
    covariance = np.linalg.inv(curvature)
    return _Mode(value, x, covariance, math.sqrt(max(float(np.linalg.det(covariance)), 0.0)))
