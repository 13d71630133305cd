"""How well picks on made frames are placed, against the truth of a simulator that knows no athwart.

The faults that are planted at the end must each be caught by one of the checks above them.
"""

from dataclasses import replace

import numpy as np
import picking
import pytest
import simulated

from athwart.errors import TableError
from athwart.fix import DOUBTFUL_PART
from athwart.frame.layout import Layout

SEED = 100


@pytest.fixture(scope="module")
def scenes():
    return picking.all_scenes(SEED)


@pytest.fixture(scope="module")
def looks(scenes):
    """With the track's errors, and on the true track, where what is left is the picture's own."""
    return {
        name: (
            picking.look(frame, bottom, seed=k),
            picking.look(frame, bottom, seed=k, true_track=True),
        )
        for k, (name, (frame, bottom)) in enumerate(scenes.items())
    }


def joined(looks, which, of):
    return np.concatenate([of(pair[which]) for pair in looks.values()])


# ---- the figures ------------------------------------------------------------------------------


def test_the_truth_lies_within_r95_as_often_as_it_says(looks):
    assert len(looks) == 20
    inside = joined(looks, 0, picking.inside)
    assert len(inside) > 150
    assert 0.90 <= inside.mean() <= 0.98
    # No scene is an exception that the others hide.
    assert min(picking.inside(pair[0]).mean() for pair in looks.values()) > 0.85


def test_the_picture_adds_little_to_the_track_s_own_error(looks):
    own = joined(looks, 1, lambda x: x.error_m)
    assert np.median(own) < 1.5
    assert own.max() < 4.0


def heights(looks, uneven, which=0):
    """Return off as a part, off in claimed sigmas, span and whether the ends were found."""

    def of(x):
        return np.column_stack([
            x.height_m / x.true_height_m - 1,
            (x.height_m - x.true_height_m) / x.height_sigma_m,
            x.shadow_px,
            x.found,
            x.uneven,
        ])  # fmt: skip

    own = {k: v for k, v in looks.items() if k.startswith(("bank", "wall")) == uneven}
    rows = joined(own, which, of)
    return rows[np.isfinite(rows[:, 0])].T


@pytest.mark.parametrize("which", [0, 1])
def test_the_height_follows_from_the_shadow(looks, which):
    """On even ground, level or not; the slope is not told, ends are missed by 2 pixels each.

    Measured on other seeds (`measure_heights.py 50 4`): 94 % within 15 %, 81 % of shadows of 8 to 15
    pixels; true ends with the plain formula give 90 % and 40 %, for a round back hides its crest.
    The pixels would allow all of them (`measure_height_bound.py`): what is not known is the shape.
    """
    part, sigmas, span, found, uneven = heights(looks, False, which)
    assert part.size > 80
    assert found.mean() > 0.8
    assert np.median(np.abs(part)) < 0.06
    assert np.median(part) == pytest.approx(0, abs=0.04)
    assert np.mean(np.abs(part) < 0.15) >= 0.85
    assert np.mean(np.abs(part[span >= 15]) < 0.15) >= 0.88
    assert np.mean(np.abs(sigmas) < 1) >= 0.65
    assert np.mean(np.abs(sigmas) < 2) >= 0.93
    assert np.mean(uneven >= DOUBTFUL_PART) < 0.08, (
        "few are told of uneven ground where there is none"
    )


def test_found_ends_are_better_than_drawn_ones(scenes, looks):
    drawn = {
        name: (picking.look(frame, bottom, seed=k, seek=False),)
        for k, (name, (frame, bottom)) in enumerate(scenes.items())
    }
    own, other = heights(looks, False)[0], heights(drawn, False)[0]
    assert np.mean(np.abs(own) < 0.15) > np.mean(np.abs(other) < 0.15) + 0.08
    assert np.sqrt(np.mean(own**2)) < 0.75 * np.sqrt(np.mean(other**2))


def test_on_banks_and_walls_the_height_s_error_says_how_far_off_it_may_be(looks):
    """The water under the boat says little of that at the thing; so the error must."""
    part, sigmas, _, _, uneven = heights(looks, True)
    assert part.size > 10
    assert np.mean(np.abs(sigmas) < 2) >= 0.9
    assert np.all(uneven[np.abs(part) > 0.4] > 0.2)
    assert np.mean(uneven >= DOUBTFUL_PART) > 0.5


# ---- the pixels themselves --------------------------------------------------------------------


def check_pixels(frame, layout):
    """Every target's pixel is the side, line and range that the simulator drew it at."""
    for t in frame.targets:
        xy = [t["x"], t["y"]]
        side, r = layout.range_of(xy)
        shown = t["slant_range_m"]
        if layout.axis == "ground":
            shown = np.sqrt(shown**2 - frame.altitude_shown_m[t["line"]] ** 2)
        assert side == t["side"]
        assert layout.line_of(xy) == pytest.approx(t["line"], abs=1e-6)
        assert r == pytest.approx(shown, abs=1e-6)
        assert layout.pixel_of(t["side"], t["line"], shown) == pytest.approx(xy, abs=1e-6)


def check_sides(frame, layout):
    """The echo of each column is the pixel that the simulator draws that range at."""
    for side, echo in layout.sides(frame.straight).items():
        for line in (0, 1, layout.lines // 2, layout.lines - 1):
            for k in (0, 1, 7, layout.columns(side) - 1):
                r = (k + 0.5 + echo.start_columns) * echo.scale_m[line]
                x, y = frame.pixel_of(side, line, r)
                assert (x % 1, y % 1) == pytest.approx((0.5, 0.5), abs=1e-6)
                value = frame.straight[int(y), int(x)] / 255
                assert echo.echo[line, k] == pytest.approx(value, abs=1e-6)


def check_places(frame, bottom, layout=None):
    """On a level bottom and the true track only the picture's error is left."""
    looked = picking.look(frame, bottom, layout=layout, true_track=True)
    assert np.median(looked.error_m) < 0.6


@pytest.mark.parametrize("name", simulated.SCENES)
def test_pixels_mean_what_the_simulator_drew(scenes, name):
    frame, _ = scenes[name]
    layout = Layout.from_toml(frame.layout_toml)
    check_pixels(frame, layout)
    if layout.axis == "slant":
        check_sides(frame, layout)


LEVEL = [n for n in simulated.SCENES if n.startswith("flat")]


@pytest.mark.parametrize("name", LEVEL)
def test_places_on_a_level_bottom(scenes, name):
    check_places(*scenes[name])


# ---- planted faults ---------------------------------------------------------------------------


def exchange_sides(monkeypatch):
    own = Layout.range_of

    def wrong(self, xy):
        side, r = own(self, xy)
        return np.where(side == "port", "starboard", "port").astype(object), r

    monkeypatch.setattr(Layout, "range_of", wrong)


def reverse_newest_edge(monkeypatch):
    own = Layout.line_of
    monkeypatch.setattr(Layout, "line_of", lambda self, xy: self.lines - 1 - own(self, xy))


def move_centre_line(monkeypatch):
    own = Layout.range_of
    monkeypatch.setattr(
        Layout,
        "range_of",
        lambda self, xy: own(self, np.asarray(xy) + (1.0 if self._upright else 0)),
    )


def take_a_column_too_many(monkeypatch):
    own = Layout._span

    def wrong(self, side):
        near, far = own(self, side)
        return near + (1 if far > near else -1), far

    monkeypatch.setattr(Layout, "_span", wrong)
    sides = Layout.sides

    def unaware(self, image):
        return {
            k: replace(v, start_columns=v.start_columns - 1.0)
            for k, v in sides(self, image).items()
        }

    monkeypatch.setattr(Layout, "sides", unaware)


@pytest.mark.parametrize("name", ["flat, straight", "flat, far north, newest below"])
@pytest.mark.parametrize("fault", [exchange_sides, reverse_newest_edge, move_centre_line])
def test_a_planted_fault_moves_pixels(scenes, monkeypatch, fault, name):
    frame, bottom = scenes[name]
    layout = Layout.from_toml(frame.layout_toml)
    check_pixels(frame, layout)
    fault(monkeypatch)
    with pytest.raises(AssertionError):
        check_pixels(frame, layout)
    if fault is not move_centre_line:
        with pytest.raises(AssertionError):
            check_places(frame, bottom)


def test_a_planted_pixel_at_the_centre_line_moves_the_sides(scenes, monkeypatch):
    frame, _ = scenes["flat, straight"]
    layout = Layout.from_toml(frame.layout_toml)
    take_a_column_too_many(monkeypatch)
    with pytest.raises(AssertionError):
        check_sides(frame, layout)


def test_a_slant_axis_taken_for_ground_moves_places(scenes):
    frame, bottom = scenes["flat, straight"]
    layout = replace(Layout.from_toml(frame.layout_toml), axis="ground")
    with pytest.raises(AssertionError):
        check_places(frame, bottom, layout)
    frame, _ = scenes["flat, by ground range"]
    layout = replace(Layout.from_toml(frame.layout_toml), axis="slant")
    with pytest.raises(TableError, match="is shorter than the"):  # echoes nearer than the bottom
        check_places(frame, None, layout)
