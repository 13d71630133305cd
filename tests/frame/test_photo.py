"""Straightening a photo by the display's four corners."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.errors import DataError
from athwart.frame.photo import Straightener, corner_fault

CORNERS = np.array([[100, 80], [860, 130], [820, 560], [60, 610]], float)


def camera(tilt_deg, turn_deg=20.0, size=(400, 300)):
    """Corners of a display as a pinhole camera sees it: rotation, then division by depth."""
    a, b = np.radians(tilt_deg), np.radians(turn_deg)
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_z = np.array([[np.cos(b), -np.sin(b), 0], [np.sin(b), np.cos(b), 0], [0, 0, 1]])

    def see(xy):
        p = np.asarray(xy, float) - np.array(size) / 2
        p = np.concatenate([p, np.zeros((*p.shape[:-1], 1))], axis=-1) @ (about_x @ about_z).T
        return 1500 * p[..., :2] / (p[..., 2:] + 900) + [1000, 700]

    w, h = size
    return see, see([[0, 0], [w, 0], [w, h], [0, h]])


@settings(max_examples=60, deadline=None)
@given(st.floats(-50, 50), st.floats(-40, 40), st.floats(0, 400), st.floats(0, 300))
def test_every_point_of_a_display_goes_where_the_camera_saw_it(tilt, turn, x, y):
    """The witness is a pinhole camera in three dimensions, which knows no homography."""
    see, corners = camera(tilt, turn)
    flat = Straightener(corners, 400, 300)
    assert flat.to_photo([x, y]) == pytest.approx(see([x, y]), abs=1e-6)
    assert flat.to_screen(see([x, y])) == pytest.approx([x, y], abs=1e-6)


def test_points_and_arrays_agree():
    flat = Straightener(CORNERS, 400, 300)
    grid = np.stack(np.meshgrid([0, 100, 399.5], [0.5, 250]), axis=-1)
    many = flat.to_photo(grid)
    assert many.shape == (2, 3, 2)
    assert many[1, 2] == pytest.approx(flat.to_photo(grid[1, 2]))
    assert flat.photo_pixels(grid).shape == (2, 3)
    assert flat.photo_pixels(grid)[1, 2] == pytest.approx(flat.photo_pixels(grid[1, 2]))


def test_the_unit_square_s_corner_of_a_known_homography():
    """(0,0), (1,0), (1,1), (0,1) to (0,0), (1,0), (2,2), (0,1): derived by hand.

    x' = 2x / (x + y + ...) solved from the four corners: h7 = h8 = -1/3 (Heckbert's square to
    quadrilateral, 1989, from memory), so the middle goes to (2/3 / (2/3)) / 2 ... = (1/2, 1/2).
    """
    flat = Straightener(100 * np.array([[0, 0], [1, 0], [2, 2], [0, 1]]), 100, 100)
    # Heckbert: s = x0 - x1 + x2 - x3 = 1; dx1 = x1 - x2 = -1, dx2 = x3 - x2 = -2; dy1 = -2,
    # dy2 = -1; det = dx1 dy2 - dx2 dy1 = -3; g = (s dy2 - dx2 s)/det = (-1 + 2)/-3 = -1/3 = h.
    # Middle: x = (x1 - x0 + g x1) u / (g u + h v + 1) = (2/3)(1/2) / (2/3) = 1/2.
    assert flat.to_photo([50, 50]) == pytest.approx([50, 50])
    # u = v = 3/4: (2/3)(3/4) / (1 - 1/2) = 1.
    assert flat.to_photo([75, 75]) == pytest.approx([100, 100])


def test_what_lies_beyond_the_horizon_is_nowhere():
    flat = Straightener(100 * np.array([[0, 0], [1, 0], [2, 2], [0, 1]]), 100, 100)
    assert np.isnan(flat.to_photo([400, 400])).all()


def test_photo_pixels_tell_the_worst_scale():
    flat = Straightener([[0, 0], [800, 0], [800, 300], [0, 300]], 400, 300)
    assert flat.photo_pixels([10, 10]) == pytest.approx(1.0)
    see, corners = camera(40.0)
    flat = Straightener(corners, 400, 300)
    here = np.array([130.0, 60.0])
    step = 1e-3
    length = [
        np.hypot(*(see(here + step * np.array([np.cos(t), np.sin(t)])) - see(here))) / step
        for t in np.linspace(0, np.pi, 721)
    ]
    assert flat.photo_pixels(here) == pytest.approx(min(length), rel=1e-4)


def test_a_straight_photo_comes_out_as_it_was():
    picture = np.random.default_rng(3).random((60, 80), np.float32)
    framed = np.zeros((100, 120), np.float32)
    framed[10:70, 20:100] = picture
    flat = Straightener([[20, 10], [100, 10], [100, 70], [20, 70]], 80, 60)
    out = flat.straighten(framed)
    assert out.dtype == np.float32
    assert out == pytest.approx(picture, abs=1e-5)


def test_a_tilted_photo_is_straightened():
    _, corners = camera(35.0)
    rows, columns = np.indices((1400, 2000)) + 0.5
    flat = Straightener(corners, 400, 300)
    at = flat.to_screen(np.stack([columns, rows], axis=-1))
    wave = 0.5 + 0.5 * np.sin(at[..., 0] / 9) * np.cos(at[..., 1] / 7)
    out = flat.straighten(np.nan_to_num(wave).astype(np.float32))
    x, y = np.meshgrid(np.arange(400) + 0.5, np.arange(300) + 0.5)
    assert out == pytest.approx(0.5 + 0.5 * np.sin(x / 9) * np.cos(y / 7), abs=0.01)


def test_a_corner_outside_the_photo_leaves_black():
    flat = Straightener([[-100, 0], [100, 0], [100, 100], [-100, 100]], 200, 100)
    out = flat.straighten(np.ones((100, 100), np.float32))
    assert (out[:, :99] == 0).all()
    assert (out[:, 101:] == 1).all()


@pytest.mark.parametrize(
    ("corners", "sentence"),
    [
        (CORNERS[::-1], "run anticlockwise"),
        (CORNERS[[0, 2, 1, 3]], "cross over or lie on one line"),
        ([[0, 0], [100, 0], [200, 0], [100, 100]], "cross over or lie on one line"),
        ([[0, 0], [100, 0], [30, 30], [0, 100]], "cross over or lie on one line"),
        ([[0, 0], [100, 0], [101, 1], [0, 100]], "less than 16 pixels apart"),
        ([[0, 0], [100, 0], [100, np.nan], [0, 100]], "give four corners"),
        ([[0, 0], [100, 0], [100, 100]], "give four corners"),
        ("corner", "give four corners"),
        ([[0], [1, 2]], "give four corners"),
    ],
)
def test_corners_that_are_no_display_are_refused(corners, sentence):
    assert sentence in corner_fault(corners)
    with pytest.raises(DataError, match=sentence):
        Straightener(corners, 400, 300)


def test_corners_may_start_at_any_turn_of_a_held_phone():
    """A display photographed upside down: its own top left may lie anywhere in the photo."""
    for k in range(4):
        corners = np.roll(CORNERS, k, axis=0)
        flat = Straightener(corners, 400, 300)
        assert flat.to_photo([[0, 0], [400, 0], [400, 300], [0, 300]]) == pytest.approx(corners)


def test_sizes_and_colours_that_cannot_be_are_refused():
    with pytest.raises(DataError, match="is 1 x 300 pixels"):
        Straightener(CORNERS, 1, 300)
    with pytest.raises(DataError, match="not grey"):
        Straightener(CORNERS, 400, 300).straighten(np.zeros((10, 10, 3)))
