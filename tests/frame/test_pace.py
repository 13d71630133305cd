"""How long a line takes: from two pictures, and from things that a turn shows twice."""

import re
from dataclasses import replace

import numpy as np
import pytest
from picking import boat_of
from simulated import Body, looks_at, scene

from athwart.errors import DataError, UsageError
from athwart.frame.layout import Layout
from athwart.frame.pace import line_step_from_twice_seen, time_step_from_two
from athwart.frame.pixels import points
from athwart.frame.when import Moment
from athwart.tables import Track


def layout(newest="top"):
    return Layout(
        width_px=400, height_px=300, newest=newest, centre_px=200.0, port_limit_px=0.0,
        starboard_limit_px=400.0, range_m=40.0, axis="slant",
    )  # fmt: skip


# ---- seconds per line -----------------------------------------------------------------------


def scrolled(moved, count=300, seed=4, noise=0.2, newest="top"):
    """Two pictures of one screen: texture on a bright bottom line, numbers drawn over."""
    rng = np.random.default_rng(seed)
    lines = rng.gamma(2.0, 0.2, (count + moved, 400))
    lines[:, 190:210] += 3.0
    lines[:, 240:250] += 2.0
    both = []
    for start in (moved, 0):
        picture = lines[start : start + count] + noise * rng.normal(size=(count, 400))
        picture[30:40, 20:60] = 9.0
        both.append((picture[::-1] if newest == "bottom" else picture).astype(np.float32))
    return both


@pytest.mark.parametrize(("moved", "newest"), [(37, "top"), (120, "bottom"), (1, "top")])
def test_two_pictures_tell_the_time_of_a_line(moved, newest):
    a, b = scrolled(moved, newest=newest)
    step = time_step_from_two(layout(newest=newest), a, b, seconds_apart=0.25 * moved)
    assert step.lines_moved == moved
    assert step.seconds_per_line == pytest.approx(0.25)
    half = 1 / np.sqrt(12) / moved
    assert step.sigma_s == pytest.approx(0.25 * np.hypot(0.5 / (0.25 * moved), half))


def test_pictures_that_share_nothing_tell_nothing():
    a, _ = scrolled(10, seed=1)
    _, b = scrolled(10, seed=2)
    with pytest.raises(DataError, match="share too few lines"):
        time_step_from_two(layout(), a, b, 5.0)


def test_the_older_picture_second_is_noticed():
    a, b = scrolled(20)
    with pytest.raises(DataError, match="the second picture is the older one; exchange them"):
        time_step_from_two(layout(), b, a, 5.0)


def test_a_standing_screen_is_noticed():
    a, _ = scrolled(20)
    with pytest.raises(DataError, match="both pictures show the same lines"):
        time_step_from_two(layout(), a, a, 5.0)
    with pytest.raises(DataError, match=re.escape("the pictures are -1 s apart")):
        time_step_from_two(layout(), a, a, -1)


# ---- a thing seen twice -------------------------------------------------------------------------


def made(seed, turn="about", **options):
    """A turn with patches about it; returns the frame and every pair of looks at one patch.

    Where a line looks straight at a patch is worked out from the frame's own truth: the transducer
    and the heading of each line, on pyproj's geodesics.
    """
    rng = np.random.default_rng(seed)
    lines = options.setdefault("lines", 900)
    bodies = tuple(
        Body(
            kind="patch", side=side, line=int(line), ground_m=float(rng.uniform(18, 38)),
            length_m=1.0, width_m=1.0,
        )
        for side in ("port", "starboard")
        for line in rng.uniform(0.1, 0.9, 6) * lines
    )  # fmt: skip
    frame = scene(seed, **{"turn": turn, "columns": 600, "bodies": bodies, **options})
    return frame, [
        (a, b)
        for looks in (looks_at(frame, t) for t in frame.targets)
        for a in looks
        for b in looks
        if b[0] - a[0] > 60
    ]


def measured(frame, pairs, *, sigma_s=1.0, late_s=0.0, click_px=2.0, seed=0, unit="seconds"):
    screen = Layout.from_toml(frame.layout_toml)
    rng = np.random.default_rng([seed, 5])
    first, again = (
        points(
            screen,
            None,
            np.array([screen.pixel_of(side, line, r) for line, side, r in column])
            + rng.normal(0, click_px, (len(pairs), 2)),
        )
        for column in zip(*pairs, strict=True)
    )
    moment = Moment(
        time=frame.newest_time + np.timedelta64(round(late_s * 1e6), "us"),
        sigma_s=sigma_s,
        source="photo",
    )
    return line_step_from_twice_seen(
        first,
        again,
        moment,
        Track.from_columns(dict(frame.track)),
        unit=unit,
        boat=boat_of(frame),
        depth_m=frame.options.depth_m,
    )


def test_a_turn_about_tells_the_time_of_a_line_with_an_honest_error():
    """20 made turns; track, compass, click and the newest line's moment have their usual errors."""
    off, sigma = [], []
    for seed in range(20):
        frame, pairs = made(seed)
        rng = np.random.default_rng(seed)
        if not pairs:
            continue
        pair = pairs[rng.integers(len(pairs))]
        try:
            found = measured(frame, [pair], late_s=rng.normal(), seed=seed)
        except DataError:
            continue
        off.append(found.per_line / frame.options.seconds_per_line - 1)
        sigma.append(found.sigma / found.per_line)
    off, sigma = np.array(off), np.array(sigma)
    assert len(off) >= 12
    assert np.median(np.abs(off)) < 0.04
    assert np.median(sigma) < 0.05
    assert np.abs(off / sigma).max() < 3
    assert 0.4 < np.sqrt(np.mean((off / sigma) ** 2)) < 1.3


def test_without_errors_the_step_is_met():
    frame, pairs = made(4)
    frame = replace(frame, track=frame.true_track)
    found = measured(frame, pairs[:1], sigma_s=0.0, click_px=0.0)
    assert found.per_line == pytest.approx(0.08, rel=0.01)
    assert found.apart_m < 1.0
    assert found.late_s == found.late_sigma_s == 0.0


def test_lines_by_distance_are_measured_in_metres():
    frame, pairs = made(4, per_line="metres")
    found = measured(frame, pairs[:1], unit="metres")
    assert found.unit == "metres"
    assert abs(found.per_line - 0.16) < 3 * found.sigma < 0.04


def test_a_second_thing_makes_a_vague_moment_good():
    frame, pairs = made(3)
    one = [p for p in pairs if p[1][0] - p[0][0] > 250]
    both = measured(frame, one[:1] + pairs[-1:], sigma_s=10.0, late_s=5.0)
    assert abs(both.per_line - 0.08) < 3 * both.sigma
    assert abs(both.late_s + 5.0) < 3 * both.late_sigma_s
    assert both.late_sigma_s < 6.0


def test_a_moment_that_nobody_knows_is_not_guessed_at():
    frame, pairs = made(3, turn="sharp")
    with pytest.raises(DataError, match=r"the two points do not tell what a line takes|several"):
        measured(frame, pairs[:1], sigma_s=30.0)


def test_two_different_things_do_not_meet():
    frame, pairs = made(3)
    (line_a, side, _), (line_b, _, _) = pairs[0]
    other = "port" if side == "starboard" else "starboard"
    with pytest.raises(DataError, match="bring the two points to one place on this track; they"):
        measured(frame, [((line_a, side, 39.0), (line_b, other, 39.0))])


def test_a_straight_way_is_refused():
    frame, _ = made(3, turn="straight")
    with pytest.raises(DataError, match=r"the two points|bring the two points"):
        measured(frame, [((100.0, "port", 25.0), (500.0, "port", 25.0))])


def test_what_cannot_be_is_refused():
    frame, pairs = made(3)
    a, b = pairs[0]
    with pytest.raises(DataError, match="the two points lie 5 lines apart; point at one thing"):
        measured(frame, [(a, (a[0] + 5, a[1], a[2]))], click_px=0.0)
    with pytest.raises(UsageError, match="allowed are seconds, metres"):
        measured(frame, [(a, b)], unit="feet")
    late = replace(frame, newest_time=frame.newest_time + np.timedelta64(3, "h"))
    with pytest.raises(DataError, match=r"is \d+ s after the track's last point"):
        measured(late, [(a, b)])
    early = replace(frame, newest_time=frame.newest_time - np.timedelta64(3, "h"))
    with pytest.raises(DataError, match=r"is \d+ s before the track's first point"):
        measured(early, [(a, b)])
