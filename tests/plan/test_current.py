"""The triangle of current, held against plotted and published answers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.errors import DataError
from athwart.plan.current import Flow, course_to_steer, leeway, made_good
from athwart.units import KNOT


def apart(a, b):
    return abs((a - b + 180) % 360 - 180)


@pytest.mark.parametrize(
    ("track", "speed", "flow", "drift", "steer", "smg"),
    [
        (90, 5.0, 210, 2.0, 70, 3.7),
        (45, 6.55, 135, 2.0, 25, 6.2),
        (235, 6.2, 315, 3.5, 200, 5.8),
        (265, 5.2, 70, 2.3, 260, 3.0),
        (150, 5.3, 50, 3.5, 190, 3.4),
        (20, 5.9, 90, 1.9, 0, 6.2),
    ],
)
def test_six_plotted_triangles(track, speed, flow, drift, steer, smg, shaped):
    """Answers to a practice chart, "Chapter X" (scribd.com/document/346108670; read), drawn by hand:
    to 3 degrees and 0.1 kn."""
    heading, made = course_to_steer(shaped(float(track)), speed, flow, drift)
    assert np.all([apart(h, steer) <= 3 for h in np.ravel(heading)])
    np.testing.assert_allclose(made, smg, atol=0.1)


@pytest.mark.parametrize(
    ("track", "speed", "flow", "drift", "steer", "smg"),
    [
        (270, 10.440, 0, 3.0, 253.3, 10.0),  # sailnet.com, post 957824; read: steer 253
        (95, 12.0, 170, 2.5, 83.4, 12.40),  # Bowditch, from memory: 083.5 and 12.4
        (265, 14.78, 185, 3.0, 276.5, 15.0),  # Bowditch, from memory: 276 and 14.8 for 15 made good
        (300, 10.21, 350, 2.1, 291.0, 11.4),  # computed
    ],
)
def test_triangles_of_the_books(track, speed, flow, drift, steer, smg):
    heading, made = course_to_steer(track, speed, flow, drift)
    assert apart(float(heading), steer) < 0.2
    assert float(made) == pytest.approx(smg, abs=0.08)


def test_made_good_of_the_books():
    # Bowditch, current sailing, from memory: course 080, 10 kn, current 140/2 -> 089, 11.2.
    track, speed = made_good(80, 10.0, 140, 2.0)
    assert (float(track), float(speed)) == pytest.approx((89, 11.2), abs=0.1)


def test_the_current_between_a_reckoned_and_a_true_place():
    """Heading east at 6 kn for a minute, made 0.112 nm E and 0.012 nm N: the current set north-east,
    about 1 kn (sailnet.com, post 904734; read)."""
    track, speed = np.degrees(np.arctan2(0.112, 0.012)), np.hypot(0.112, 0.012) * 60
    heading, through = course_to_steer(track, 6.0, 45.0, 1.018)
    assert apart(float(heading), 90) < 0.2
    assert float(through) == pytest.approx(speed, abs=0.02)


@given(st.floats(0, 360), st.floats(0.1, 10), st.floats(0, 360), st.floats(0, 9))
def test_steering_makes_good_the_track_or_is_refused(track, speed, flow, drift):
    heading, made = course_to_steer(track, speed, flow, drift)
    if np.isnan(heading):
        across = drift * abs(np.sin(np.radians(flow - track)))
        assert across > speed * (1 - 1e-9) or drift >= speed * (1 - 1e-9)
        return
    back, over_ground = made_good(heading, speed, flow, drift)
    assert float(over_ground) == pytest.approx(float(made), rel=1e-6, abs=1e-6)
    if made > 1e-3:
        assert apart(float(back), track) < 0.01


def test_crab_angle_in_a_cross_current():
    """sin(crab) = drift / speed through the water; Bowditch ch. 23 by captainsground.com, read."""
    heading, made = course_to_steer(0.0, 5.0, 90.0, 3.0)
    assert float(heading) == pytest.approx(360 - np.degrees(np.arcsin(0.6)))
    assert float(made) == pytest.approx(4.0)


def test_no_heading_where_the_current_is_too_strong():
    heading, made = course_to_steer([0.0, 0.0, 0.0], [2.0, 2.0, 0.0], [90.0, 180.0, 0.0], 3.0)
    assert np.isnan(heading).all()
    assert np.isnan(made).all()


def test_a_flow_in_polar_form_and_its_error_by_brute_force():
    rng = np.random.default_rng(1)
    flow = Flow.towards(40.0, 0.5, sigma_deg=8.0, sigma_mps=0.05)
    way = np.radians(rng.normal(40, 8, 400_000))
    speed = rng.normal(0.5, 0.05, 400_000)
    matrix = np.cov(speed * np.sin(way), speed * np.cos(way))
    assert (flow.var_east, flow.var_north) == pytest.approx(np.diag(matrix), rel=0.04)
    assert flow.cov == pytest.approx(matrix[0, 1], rel=0.06)
    assert flow.direction_deg == pytest.approx(40.0)
    assert flow.along_across() == pytest.approx((0.05, 0.5 * np.radians(8.0)))


def test_slack_water_may_run_any_way():
    assert Flow.towards(0.0, 0.0).along_across() == pytest.approx((0.1 * KNOT.value,) * 2)
    along, across = Flow.towards(90.0, 0.06).along_across()
    assert along == pytest.approx(across)


def test_wind_from_the_west_pushes_east():
    wind = leeway(270.0, 6.0)
    assert wind.direction_deg == pytest.approx(90.0)
    assert wind.speed_mps == pytest.approx(0.24)  # 4 %, common practice
    both = wind + Flow.towards(0.0, 0.24)
    assert both.direction_deg == pytest.approx(45.0)
    assert both.var_east > wind.var_east


@pytest.mark.parametrize(
    "call", [lambda: Flow.towards(0, -1), lambda: leeway(0, -1), lambda: leeway(0, 1, -0.1)]
)
def test_what_cannot_flow_is_refused(call):
    with pytest.raises(DataError, match="allowed is 0 or more"):
        call()
