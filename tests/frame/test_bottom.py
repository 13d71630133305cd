"""The first bottom return, held to made frames whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import SCENES, hard_scene, scene

from athwart.frame.bottom import CONFIDENT, track_bottom
from athwart.frame.layout import Layout, SideEcho


def tracked(made):
    layout = Layout.from_mapping(made.layout)
    sides = layout.sides(made.straight.astype(np.float32) / 255)
    return layout, track_bottom(sides)


def judged(made):
    """Return, for each side, how many confident lines are right to 2 px, and how many are confident."""
    layout, bottom = tracked(made)
    ratio = made.options.sound_assumed_mps / made.options.sound_true_mps
    out = []
    for side in bottom.sides:
        truth = made.first_return_m[side] * ratio
        can_tell = np.isfinite(truth) & ~made.bad_lines
        off = np.abs(bottom.range_m[side] - truth) / layout.metres_per_column(side)
        sure = (bottom.confidence[side] >= CONFIDENT) & can_tell
        out.append(((off[sure] <= 2.0).mean(), sure.sum() / can_tell.sum()))
    return out


@pytest.mark.parametrize("name", [n for n in SCENES if SCENES[n].get("axis") != "ground"][:8])
def test_confident_lines_are_right_to_two_pixels(name):
    for right, sure in judged(scene(list(SCENES).index(name), **SCENES[name])):
        assert right >= 0.93
        assert sure >= 0.85


def test_hardships_cost_some_lines_and_not_the_frame():
    rights, sures = zip(
        *[j for seed in (0, 1, 5, 9) for j in judged(hard_scene(seed))], strict=True
    )
    assert np.mean(rights) >= 0.9
    assert np.mean(sures) >= 0.85


def test_a_frame_of_noise_is_not_called_sure():
    noise = np.random.default_rng(4).gamma(2.0, 0.1, (200, 300)).astype(np.float32)
    bottom = track_bottom(
        {"port": SideEcho(echo=noise, scale_m=np.full(200, 0.1), start_columns=0.0)}
    )
    assert (bottom.confidence["port"] >= CONFIDENT).mean() < 0.2


def edge(columns, lines=240, wide=300):
    rng = np.random.default_rng(2)
    k = np.arange(wide)
    bright = k[None, :] >= np.broadcast_to(columns, lines)[:, None]
    return np.where(bright, rng.gamma(4, 0.12, (lines, wide)), rng.gamma(2, 0.02, (lines, wide)))


def test_a_plain_edge_is_found_where_it_is_and_sides_are_not_exchanged():
    sides = {
        side: SideEcho(
            echo=edge(column).astype(np.float32), scale_m=np.full(240, 0.1), start_columns=0.0
        )
        for side, column in (("port", 90), ("starboard", 97))
    }
    bottom = track_bottom(sides)
    assert np.median(bottom.range_m["port"]) == pytest.approx(9.0, abs=0.2)
    assert np.median(bottom.range_m["starboard"]) == pytest.approx(9.7, abs=0.2)


def test_a_correction_is_kept_to_and_the_rest_runs_through_it():
    one = SideEcho(echo=edge(90).astype(np.float32), scale_m=np.full(240, 0.1), start_columns=0.0)
    bottom = track_bottom({"port": one})
    moved = bottom.dragged("port", 120, 11.0)
    assert moved.range_m["port"][120] == pytest.approx(11.0, abs=0.11)
    assert moved.range_m["port"][10] == pytest.approx(9.0, abs=0.2)
    assert moved.range_m["port"][230] == pytest.approx(9.0, abs=0.2)
    assert bottom.range_m["port"][120] == pytest.approx(9.0, abs=0.2), "the first one is as it was"
