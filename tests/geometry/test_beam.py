"""The sonar beam against published values, exact triangles and brute force."""

import numpy as np
import pytest

from athwart.geometry.beam import (
    cone_reading,
    footprint,
    highest_speed,
    line_spacing,
    lines_on_target,
    lines_per_second,
    squeeze,
    strip_under,
    swath,
    water_column_part,
)
from athwart.units import KNOT


def test_single_beam_coverage_of_s44():
    """IHO S-44 ed. 6, section 3.5.2, footnote: 2 tan(8/2 deg) (1/3 + 1/30) = 0.051."""
    part = footprint(1.0, 8.0) * (1 / 3 + 1 / 30)
    assert float(part) == pytest.approx(0.051, abs=0.0005)


@pytest.mark.parametrize(
    ("metres", "hertz", "knots"), [(25, 30, 19.44), (50, 15, 9.72), (75, 10, 6.48), (150, 5, 3.24)]
)
def test_lines_and_speed(metres, hertz, knots, shaped):
    """PRF = c / 2R and v = L c / (2 R N), computed, from memory that these are the usual forms."""
    np.testing.assert_allclose(lines_per_second(shaped(metres)), hertz)
    np.testing.assert_allclose(
        lines_on_target(1.0, shaped(knots * 1852 / 3600), shaped(metres)), 3.0, rtol=1e-3
    )


def test_swath_is_twice_the_ground_range():
    np.testing.assert_allclose(swath([13.0, 4.0], 5.0), [24.0, 0.0])


@pytest.mark.parametrize(
    ("degrees", "at_3", "at_20"),
    # 2 d tan(theta / 2), the form of S-44 above; computed, no published table was found.
    [(8, 0.420, 2.797), (20, 1.058, 7.053), (60, 3.464, 23.094)],
)
def test_footprint(degrees, at_3, at_20, shaped):
    np.testing.assert_allclose(footprint(shaped(3.0), degrees), at_3, atol=5e-4)
    np.testing.assert_allclose(footprint(20.0, shaped(float(degrees))), at_20, atol=5e-4)


def test_a_cone_of_twenty_degrees_covers_about_a_third_of_the_depth():
    """Common practice, no source."""
    assert footprint(1.0, 20.0) == pytest.approx(1 / 3, abs=0.03)


@pytest.mark.parametrize("triangle", [(5, 3, 4), (13, 5, 12), (25, 7, 24), (61, 11, 60)])
def test_swath_of_whole_triangles(triangle, shaped):
    """Green, Maritime Archaeology, 2nd ed., p. 80: sqrt(D^2 - H^2), on triangles of whole numbers."""
    slant, height, ground = triangle
    np.testing.assert_allclose(swath(shaped(float(slant)), height), 2 * ground)
    np.testing.assert_allclose(squeeze(shaped(float(ground)), height), ground / slant)
    np.testing.assert_allclose(water_column_part(shaped(float(slant)), height), height / slant)


@pytest.mark.parametrize("beam", [8.0, 20.0, 60.0])
@pytest.mark.parametrize("slope", [0.0, 2.0, 10.0, 35.0, -35.0])
def test_the_reading_is_the_shortest_ray_in_the_cone(beam, slope, shaped):
    """Every ray of the cone is followed to the slope; NOAA Ocean Explorer: the shortest counts."""
    angle = np.radians(np.linspace(-beam / 2, beam / 2, 20001))
    rays = 10.0 / (np.cos(angle) + np.sin(angle) * np.tan(np.radians(slope)))
    np.testing.assert_allclose(cone_reading(shaped(10.0), beam, slope), rays.min(), atol=1e-6)


def test_nadir():
    np.testing.assert_allclose(strip_under(10.0, 30.0), 2 * 10 / np.sqrt(3))
    np.testing.assert_allclose(strip_under(10.0, 0.0), 0.0)
    assert squeeze(10 * np.tan(np.radians(30.0)), 10.0) == pytest.approx(0.5)
    assert squeeze([0.0, 0.0], [5.0, 0.0]).tolist() == [0.0, 0.0]
    assert water_column_part(4.0, 5.0) == 1.0


@pytest.mark.parametrize(
    ("metres", "knots"), [(25, 19.44), (50, 9.72), (75, 6.48), (100, 4.86), (150, 3.24)]
)
def test_highest_speed_for_three_lines_on_a_metre(metres, knots, shaped):
    """L c / (2 R N), computed; three lines a pass on a 1 m cube is NOAA's, from memory."""
    speed = highest_speed(1.0, 3, shaped(float(metres)))
    np.testing.assert_allclose(speed / KNOT.value, knots, atol=0.005)
    np.testing.assert_allclose(lines_on_target(1.0, speed, metres), 3.0)
    np.testing.assert_allclose(line_spacing(speed, metres) * 3, 1.0)
