"""Ends of shadows found in pictures that are drawn here by other means than the model that finds them."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from athwart.frame.shadow import crest_part, find_ends


def drawn(start=120.0, end=150.0, *, lines=60, columns=260, half=9.0, seed=0, looks=3.0, skew=0.0):
    """Draw a boulder that echoes before `start`, its shadow to `end` on line 30, and speckle.

    Boxes on a grid ten times finer, made coarse; nothing is shared with the module under test.
    """
    rng = np.random.default_rng(seed)
    fine = (np.arange(columns * 10) + 0.5) / 10
    power = np.empty((lines, columns))
    for i in range(lines):
        off = i - 30
        part = math.sqrt(max(1 - (off / half) ** 2, 0.0))
        row = np.full(fine.size, 0.05)
        if part:
            a = start + skew * off
            row[(fine > a - 6 * part) & (fine < a)] = 0.25
            row[(fine > a) & (fine < a + (end - start) * part)] = 0.0008
        power[i] = row.reshape(columns, 10).mean(axis=1)
    power = gaussian_filter1d(power, 0.7, axis=1) * rng.gamma(looks, 1 / looks, power.shape)
    return np.sqrt(gaussian_filter1d(power, 0.4, axis=1)).astype(np.float32)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("start", "end"), [(120.0, 132.0), (120.4, 150.7), (80.0, 170.0)])
def test_ends_are_found_where_they_were_drawn(start, end, seed):
    rng = np.random.default_rng(seed)
    off = np.clip(rng.normal(0, 2, 2), -3, 3)
    echo = drawn(start, end, seed=seed)
    ends = find_ends(echo, 30 + rng.normal(), start + off[0], end + off[1], click=2.0)
    assert ends.found
    # A box ends at once and a crest fades, so the dark is taken to begin a little farther out.
    assert ends.tangent == pytest.approx(start, abs=2.6)
    assert ends.end == pytest.approx(end, abs=1.2)
    assert ends.end_sigma < 1.5
    # Without the grazing angle nothing is added for a crest.
    assert ends.length == pytest.approx(ends.end - ends.tangent)


def test_found_ends_are_nearer_than_drawn_ones_and_claim_what_they_miss():
    rng = np.random.default_rng(5)
    off, missed, sigma = [], [], []
    for seed in range(30):
        click = rng.normal(0, 2, 3)
        ends = find_ends(drawn(seed=seed), 30 + click[2], 120 + click[0], 150 + click[1], click=2.0)
        off.append(ends.end - 150)
        missed.append(click[1])
        sigma.append(ends.end_sigma)
    assert np.std(off) < 0.4 * np.std(missed)
    assert np.mean(np.abs(off) < 2 * np.array(sigma)) >= 0.9


def test_a_thing_that_lies_askew_is_followed():
    ends = find_ends(drawn(half=25.0, skew=1.2), 30.0, 121.0, 148.5, click=2.0)
    assert ends.end - 1.2 * (ends.line - 30) == pytest.approx(150, abs=1.2)


def test_the_same_picture_gives_the_same_answer_wherever_it_is_cut():
    echo = drawn()
    whole = find_ends(echo, 30.0, 121.0, 149.0, click=2.0, grazing_tan=0.5)
    assert whole == find_ends(echo, 30.0, 121.0, 149.0, click=2.0, grazing_tan=0.5)
    cut = find_ends(echo[10:, 40:], 20.0, 81.0, 109.0, click=2.0, grazing_tan=0.5)
    assert cut.end + 40 == pytest.approx(whole.end, abs=1e-6)
    assert cut.line + 10 == pytest.approx(whole.line, abs=1e-6)


def without_contrast(echo):
    return np.random.default_rng(3).uniform(0.15, 0.25, echo.shape).astype(np.float32)


def blank(echo):
    return np.zeros_like(echo)


def written_over(echo):
    out = echo.copy()
    out[24:37, 110:160] = 0.92
    return out


@pytest.mark.parametrize("spoil", [without_contrast, blank, written_over])
def test_without_a_shadow_to_see_the_ends_are_as_drawn(spoil):
    ends = find_ends(spoil(drawn()), 30.0, 118.0, 152.0, click=1.5, grazing_tan=0.6)
    assert not ends.found
    assert (ends.tangent, ends.end, ends.start, ends.length) == (118.0, 152.0, 118.0, 34.0)
    assert (ends.tangent_sigma, ends.end_sigma) == (1.5, 1.5)
    assert ends.length_sigma == pytest.approx(1.5 * math.sqrt(2))


def test_one_end_written_over_is_told_apart_from_the_other():
    echo = drawn()
    echo[:, 142:175] = 0.92
    ends = find_ends(echo, 30.0, 121.0, 150.0, click=2.0)
    assert (ends.tangent_found, ends.end_found) == (True, False)
    assert ends.tangent == pytest.approx(120, abs=2.6)
    assert ends.end == pytest.approx(150, abs=3)
    assert ends.end_sigma > 1.5


@pytest.mark.parametrize(
    ("line", "start", "end"), [(0.0, 2.0, 12.0), (59.0, 240.0, 259.5), (30.0, 120.0, 121.0)]
)
def test_edges_of_the_picture_and_tiny_drags_are_no_fault(line, start, end):
    ends = find_ends(drawn(), line, start, end, click=2.0, grazing_tan=2.0)
    assert all(math.isfinite(v) for v in ends)
    assert ends.end > ends.start


@pytest.mark.parametrize(("rho", "grazing"), [(0.3, 15.0), (0.65, 35.0), (1.5, 60.0), (0.65, 5.0)])
def test_the_crest_stands_above_the_point_that_ends_the_shadow(rho, grazing):
    """Witness: the point of half an ellipse that the steepest ray from far off still touches."""
    height, tan = 1.3, math.tan(math.radians(grazing))
    x = np.linspace(-1, 1, 400_001)
    z = height * np.sqrt(1 - x**2)
    y = rho * height * x
    touched = np.argmax(z + y * tan)  # rays fall by tan a metre; the last lit one is the highest
    reaches = y[touched] + z[touched] / tan
    # A thin post at that point's range with the shadow's end has the height that H = h L / r tells.
    assert height / z[touched] == pytest.approx(crest_part(rho, tan), rel=1e-4)
    assert reaches == pytest.approx(height * crest_part(rho, tan) / tan, rel=1e-4)
