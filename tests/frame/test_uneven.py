"""Even and uneven bottoms, drawn from Lambert's law and Euclid with no help from the package."""

import numpy as np
import pytest

from athwart.fix import DOUBTFUL_PART
from athwart.frame.layout import SideEcho
from athwart.frame.uneven import ALONE, WRONG, uneven_part

H, COLUMN, COLUMNS, LINES = 10.0, 0.07, 560, 240


def side(depth_of, *, gain=1.0, seed=0, ground=False):
    """Echo of a bottom whose depth below the transducer is a function of the ground range."""
    g = np.arange(0.005, 60, 0.01)
    z = depth_of(g)
    facing = z - np.gradient(z, g) * g
    tilt = 1 + np.gradient(z, g) ** 2
    r = np.hypot(g, z)
    power = np.maximum(facing, 0) ** 2 / (np.sqrt(tilt) * r**2)
    at = g if ground else r
    columns = (at / COLUMN).astype(int)
    keep = columns < COLUMNS
    mean = np.bincount(columns[keep], power[keep] * 0.01, COLUMNS) / COLUMN
    mean *= gain * np.maximum(np.arange(COLUMNS) * COLUMN, 0.7 * H) ** 1.6 / 900
    rng = np.random.default_rng(seed)
    echo = np.sqrt(mean * rng.gamma(3, 1 / 3, (LINES, COLUMNS)))
    return SideEcho(echo=echo.astype(np.float32), scale_m=np.full(LINES, COLUMN), start_columns=0.0)


def plane(slope_deg=0.0):
    return lambda g: H + g * np.tan(np.radians(slope_deg))


def bank(foot=6.0, wide=8.0, rise=5.0):
    def depth(g):
        u = np.clip((g - foot) / wide, 0, 1)
        return H - rise * u * u * (3 - 2 * u)

    return depth


def part(port, starboard, **more):
    return float(uneven_part({"port": port, "starboard": starboard}, 100.0, H, **more)[0])


@pytest.mark.parametrize("slope", [0.0, 5.0, 10.0])
@pytest.mark.parametrize("gain", [1.0, 0.16])
def test_on_a_plane_nothing_is_told_whatever_its_slope_and_gain(slope, gain):
    assert part(side(plane(slope)), side(plane(-slope), gain=gain, seed=1)) < 0.1


def test_on_a_plane_by_ground_range_nothing_is_told():
    sides = side(plane(), ground=True), side(plane(), ground=True, seed=1)
    assert part(*sides, ground_axis=True) < 0.1


@pytest.mark.parametrize(("foot", "wide"), [(10.0, 2.0), (6.0, 8.0), (5.0, 15.0)])
def test_a_bank_or_a_wall_on_either_side_is_told(foot, wide):
    banked, flat = side(bank(foot, wide)), side(plane(), seed=1)
    assert part(banked, flat) > DOUBTFUL_PART
    assert part(flat, banked) > DOUBTFUL_PART
    assert part(flat, banked) <= WRONG


def test_one_side_alone_tells_little():
    alone = uneven_part({"port": side(plane())}, [3.0, 200.0], [H, np.nan])
    assert alone == pytest.approx(WRONG * np.sqrt(ALONE))
    both = {"port": side(plane()), "starboard": side(plane(), seed=1)}
    # No depth, no water to be compared; a limit so near that no bands fit; a blank side.
    assert uneven_part(both, 100.0, np.nan) == pytest.approx(WRONG * np.sqrt(ALONE))
    assert uneven_part(both, 100.0, 35.0) == pytest.approx(WRONG * np.sqrt(ALONE))
    dark = SideEcho(
        echo=np.zeros((LINES, COLUMNS), np.float32),
        scale_m=np.full(LINES, COLUMN),
        start_columns=0.0,
    )
    assert part(side(plane()), dark) == pytest.approx(WRONG * np.sqrt(ALONE))
