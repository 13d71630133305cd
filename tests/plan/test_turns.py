"""Turns of a boat: they arrive, they are as short as geometry says, and no search finds shorter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.errors import DataError
from athwart.plan.turns import shortest_turns

ANGLE = st.floats(0, 360)
PLACE = st.floats(-80, 80)
R = 10.0


def one(*args):
    return float(shortest_turns(*args, R).length_m[0])


# Elementary geometry of circles and tangents.
KNOWN = [
    ((0, 0, 0, 0, 100, 0), 100.0),  # straight on
    # An eighth, along the tangent of both circles, an eighth.
    ((0, 0, 90, 20, -20, 180), np.pi / 2 * R + np.hypot(10, 10)),
    ((0, 0, 0, 20, 0, 180), np.pi * R),  # half a circle
    ((0, 0, 0, -20, 0, 180), np.pi * R),  # to port
    ((0, 0, 0, 50, 0, 180), np.pi * R + 30.0),  # two quarters and a straight part between
    # Back on the same line: arcs of three circles that touch each other, 60 + 300 + 60 degrees.
    ((0, 0, 0, 0, 0, 180), 7 * np.pi / 3 * R),
    ((0, 0, 45, 0, 0, 45), 0.0),
]


@pytest.mark.parametrize(("poses", "length"), KNOWN)
def test_lengths_that_geometry_gives(poses, length):
    assert one(*poses) == pytest.approx(length, abs=1e-6)


@settings(max_examples=200, deadline=None)
@given(PLACE, PLACE, ANGLE, PLACE, PLACE, ANGLE)
def test_every_way_arrives_where_and_as_it_should_and_is_as_long_as_it_says(x0, y0, h0, x1, y1, h1):
    turns = shortest_turns(x0, y0, h0, x1, y1, h1, R)
    points = turns.points()[0]
    assert np.allclose(points[0], (x0, y0), atol=1e-9)
    assert np.allclose(points[-1], (x1, y1), atol=1e-5)
    hands = {"P": -1, "S": 0, "T": 1}
    words = ("PSP", "TST", "PST", "TSP", "TPT", "PTP")
    turned = sum(
        hands[c] * np.degrees(p) * (c != "S")
        for c, p in zip(words[turns.word[0]], turns.parts[0], strict=True)
    )
    assert np.cos(np.radians(h0 + turned - h1)) == pytest.approx(1.0, abs=1e-9)
    chords = np.hypot(*np.diff(points, axis=0).T).sum()
    # An arc of 15 degrees is 0.29 % longer than its chord.
    assert chords - 1e-6 <= turns.length_m[0] <= 1.0030 * chords + 1e-6


@settings(max_examples=50, deadline=None)
@given(PLACE, PLACE, ANGLE)
def test_the_way_back_is_as_long(x, y, heading):
    there = one(0, 0, 30, x, y, heading)
    back = one(x, y, heading + 180, 0, 0, 210)
    assert there == pytest.approx(back, abs=1e-6)
    assert there >= np.hypot(x, y) - 1e-9


@pytest.mark.parametrize("shape", ["LSL", "RSR", "LSR", "RSL", "RLR", "LRL", "LRLR", "SRSLS"])
def test_no_way_made_of_turns_and_straights_is_shorter(shape):
    """Ways at random, of the six shapes and others, run to wherever they lead: ours is no longer."""
    rng = np.random.default_rng(len(shape) + ord(shape[0]))
    n = 3000
    x, y, a, length = np.zeros(n), np.zeros(n), np.full(n, np.pi / 2), np.zeros(n)
    for hand in shape:
        part = rng.uniform(0, 6 if hand == "S" else 2 * np.pi, n) * rng.choice([0.1, 1.0], n)
        length += R * part
        if hand == "S":
            x, y = x + R * part * np.cos(a), y + R * part * np.sin(a)
            continue
        s = 1 if hand == "L" else -1
        x = x + s * R * (np.sin(a + s * part) - np.sin(a))
        y = y - s * R * (np.cos(a + s * part) - np.cos(a))
        a = a + s * part
    ours = shortest_turns(0, 0, 0, x, y, 90 - np.degrees(a), R).length_m
    assert (ours <= length + 1e-6).all()
    assert (ours >= np.hypot(x, y) - 1e-6).all()


def test_a_radius_must_be_more_than_nothing():
    with pytest.raises(DataError, match="the turn radius is 0 m"):
        shortest_turns(0, 0, 0, 1, 1, 0, 0.0)


def test_many_pairs_are_one_operation():
    rng = np.random.default_rng(1)
    poses = rng.uniform(-90, 90, (6, 1000))
    turns = shortest_turns(*poses, R)
    single = [one(*poses[:, i]) for i in range(0, 1000, 97)]
    assert np.allclose(turns.length_m[::97], single)
    assert turns.points().shape[0] == 1000
