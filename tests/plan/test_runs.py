"""Runs: at the wanted distance, never nearer, turns no tighter than the boat's, never across itself.

The witness of distances is pyproj's geodesic (and, in the plane, every pair of point and piece by
plain arithmetic), not the tree of the module; that of the areas is the circle.
"""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LinearRing, LineString, Polygon

from athwart.errors import DataError, UsageError
from athwart.geometry.geodesic import inverse
from athwart.geometry.plane import LocalPlane
from athwart.plan.runs import clearances, run_along

PLANE = LocalPlane(12.0, 55.0)


def earth(points, plane=PLANE):
    return plane.shape_to_earth(LineString(points))


def flat(run, plane=PLANE):
    return shapely.get_coordinates(plane.shape_to_plane(run.line))


def distances(points, line):
    """Distance of each point to each piece of a line, by vector arithmetic; the least of them."""
    a, b = line[:-1], line[1:]
    d = b - a
    to = points[:, None, :] - a
    t = np.clip((to * d).sum(-1) / (d * d).sum(-1), 0, 1)
    return np.hypot(*np.moveaxis(to - t[..., None] * d, -1, 0)).min(axis=1)


def radii(points, h):
    """Radius by three places h apart along a line: that of the circle through them."""
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    at = np.arange(0, along[-1], h)
    p = np.stack([np.interp(at, along, points[:, i]) for i in (0, 1)], axis=1)
    a, b, c = p[:-2], p[1:-1], p[2:]
    sides = [np.hypot(*(u - v).T) for u, v in ((a, b), (b, c), (a, c))]
    twice = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    return np.prod(sides, axis=0) / np.maximum(2 * twice, 1e-12)


@pytest.mark.parametrize(("side", "sign"), [("port", 1), ("starboard", -1)])
def test_beside_a_straight_bank_lies_a_straight_run(side, sign):
    """A bank to the east: port is north of it (the sides of a boat heading east)."""
    run = run_along(earth([(0, 0), (1000, 0)]), 18.0, side, turn_radius_m=12.0)
    points = flat(run)
    np.testing.assert_allclose(points[:, 1], sign * 18.0, atol=0.1)
    assert points[0, 0] == pytest.approx(0, abs=0.2)
    assert points[-1, 0] == pytest.approx(1000, abs=0.2)
    assert run.length_m == pytest.approx(1000, abs=0.5)
    assert run.stretches == ()
    assert run.nearest_m >= 18.0


@pytest.mark.parametrize("place", [(12, 55), (-179.999, -17), (30, 89.9), (0, 0), (25, -84)])
def test_distances_are_geodesic_wherever_on_earth(place):
    """Each point of the run to the nearest of the line's points, 5 cm apart, by pyproj's geodesic."""
    plane = LocalPlane(*place)
    bank = np.array([(-150, 5), (-70, 20), (0, 0), (90, 30), (160, 10)], float)
    dense = shapely.get_coordinates(shapely.segmentize(LineString(bank), 0.05))
    lon, lat = plane.to_earth(*dense.T)
    run = run_along(plane.shape_to_earth(LineString(bank)), 25.0, "port", turn_radius_m=10.0)
    points = shapely.get_coordinates(run.line)
    for x, y in points[:: max(len(points) // 12, 1)]:
        _, away = inverse(np.full(len(lon), x), np.full(len(lon), y), lon, lat)
        assert away.min() >= 24.99
        assert away.min() <= 25.1 or any(s.distance_m >= away.min() - 0.05 for s in run.stretches)


def test_against_the_line_is_the_same_run_the_other_way():
    bank = earth([(0, 0), (300, 60), (600, 0)])
    there, back = (run_along(bank, 20, "port", back=b, turn_radius_m=15) for b in (False, True))
    np.testing.assert_allclose(flat(there), flat(back)[::-1], atol=1e-6)
    assert back.reversed


def test_a_corner_of_the_water_is_cut_on_an_arc_of_the_turn_radius():
    """A right angle towards the run: the arc of R lies (sqrt(2) - 1)(R) + d from the corner...

    Centre at R from both offset lines, so sqrt(2)(d + R) from the corner; the arc comes within
    sqrt(2)(d + R) - R of the corner, and is 1/4 turn of R long: Euclid.
    """
    d, radius = 18.0, 30.0
    for r in (10.0, radius):
        run = run_along(
            earth([(-400, 0), (0, 0), (0, 400)]), d, "port", turn_radius_m=r, tolerance_m=0.01
        )
        points = flat(run)
        dense = shapely.get_coordinates(shapely.segmentize(LineString(points), 0.5))
        to_corner = np.hypot(*dense.T).min()
        assert to_corner == pytest.approx(np.sqrt(2) * (d + r) - r, abs=0.4)
        assert run.length_m == pytest.approx(2 * (400 - d) - 2 * r + np.pi / 2 * r, abs=1.0)
        assert run.nearest_m >= d
        assert run.tightest_m >= 0.98 * r
        # On the bisector the arc is nearest to a leg by (d + R) - R / sqrt(2).
        assert run.farthest_m == pytest.approx(d + r - r / np.sqrt(2), abs=0.3)
        (stretch,) = run.stretches
        assert stretch.distance_m == pytest.approx(run.farthest_m, abs=0.05)


@pytest.mark.parametrize("radius", [0.0, 10.0, 18.0])
def test_round_a_headland_the_run_keeps_the_distance(radius):
    """Outside of a right angle: a quarter of a circle of 18 m between the straight parts."""
    run = run_along(earth([(-400, 0), (0, 0), (0, 400)]), 18.0, "starboard", turn_radius_m=radius)
    assert run.length_m == pytest.approx(800 + np.pi / 2 * 18.0, abs=1.0)
    assert run.farthest_m <= 18.1
    assert run.stretches == ()


def test_a_boat_that_turns_wide_swings_out_before_a_headland_or_comes_nearer_if_allowed():
    """Right angle, d = 18, R = 40: kept clear, the run swings out; allowed, it cuts the corner.

    Cutting fully, the arc of R touches both offset lines and passes the corner at
    R - sqrt(2)(R - d) = 8.9 m.
    """
    d, radius = 18.0, 40.0
    bank = earth([(-600, 0), (0, 0), (0, 600)])
    wide = run_along(bank, d, "starboard", turn_radius_m=radius)
    assert wide.nearest_m >= d
    assert wide.tightest_m >= 0.97 * radius
    assert d + 1 < wide.farthest_m <= radius + 1
    cut = run_along(bank, d, "starboard", turn_radius_m=radius, nearer_m=15.0)
    assert cut.nearest_m == pytest.approx(radius - np.sqrt(2) * (radius - d), abs=0.5)
    assert cut.tightest_m >= 0.97 * radius
    assert cut.farthest_m <= d + 0.2
    some = run_along(bank, d, "starboard", turn_radius_m=radius, nearer_m=4.0)
    assert d - 4.0 <= some.nearest_m < d
    assert any(s.distance_m < d for s in some.stretches)
    far = flat(wide)
    np.testing.assert_allclose(far[far[:, 0] < -200, 1], -d, atol=0.1)


@pytest.mark.parametrize("radius", [10.0, 30.0])
def test_a_bay_too_narrow_to_run_into_is_passed_by(radius):
    """A cleft 20 m wide and 200 m deep: the offset would cross itself; the run goes straight on."""
    bank = [(-400, 0), (-10, 0), (-5, -200), (5, -200), (10, 0), (400, 0)]
    run = run_along(earth(bank), 18.0, "port", turn_radius_m=radius)
    points = flat(run)
    assert points[:, 1].min() > 10
    assert LineString(points).is_simple
    assert (np.diff(points[:, 0]) > 0).all()


def test_round_an_island_the_run_closes():
    """A circle of 100 m about its middle: outside at 118 m, inside (a basin) at 82 m."""
    angle = np.linspace(0, 2 * np.pi, 400)
    ring = np.stack([100 * np.cos(angle), 100 * np.sin(angle)], axis=1)
    ring[-1] = ring[0]
    for way, wise in ((ring, 1), (ring[::-1], -1)):
        for side, radius in (("starboard", 118.0), ("port", 82.0)):
            keep = radius if wise > 0 else 200 - radius
            run = run_along(earth(way), 18.0, side, turn_radius_m=15.0)
            points = flat(run)
            np.testing.assert_allclose(np.hypot(*points.T), keep, atol=0.12)
            assert run.length_m == pytest.approx(2 * np.pi * keep, rel=2e-3)
            turned = np.unwrap(np.arctan2(points[:, 1], points[:, 0]))
            assert np.sign(turned[-1] - turned[0]) == wise
    wide = run_along(earth(ring), 18.0, "starboard", turn_radius_m=60.0)
    assert wide.nearest_m >= 18.0
    assert wide.farthest_m < 18.2
    with pytest.raises(DataError, match="no room"):
        run_along(earth(ring), 120.0, "port")


def assert_no_farther_than_the_turn_asks(line, bank, off, radius, side):
    """Beside every place lies a turning circle that touches the water to be kept clear.

    Were it clear of it, the run could come nearer. The centre lies a turn radius out, across the
    run; towards the ends, where the line is taken to go on straight, only the least is known.
    """
    from_end = 2.2 * (off + radius)
    along = np.arange(from_end, line.length - from_end, 3.0)
    if not len(along):
        return
    here, ahead, behind = (
        shapely.get_coordinates(shapely.line_interpolate_point(line, along + d)) for d in (0, 1, -1)
    )
    way = (ahead - behind) / np.hypot(*(ahead - behind).T)[:, None]
    out = np.stack([-way[:, 1], way[:, 0]], axis=1) * (1 if side == "port" else -1)
    clear = distances(here + radius * out, bank) - off - radius
    assert clear.min() > -0.1 * radius - 0.2
    near_end = np.hypot(*(here[:, None] - bank[[0, -1]]).transpose(2, 0, 1)).min(axis=1)
    assert clear[near_end > from_end].max(initial=0) < 0.1 * radius + 0.2


def ragged(seed, n, rough, bend):
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 25.0 * n, n) + rng.uniform(-8, 8, n)
    y = np.cumsum(rng.normal(0, rough, n)) + bend * np.sin(np.linspace(0, 5, n))
    return np.stack([x, y], axis=1)


@given(
    st.integers(0, 100_000),
    st.integers(3, 60),
    st.floats(0, 25),
    st.floats(0, 150),
    st.floats(3, 60),
    st.floats(0, 60),
    st.sampled_from(["port", "starboard"]),
)
@settings(max_examples=60, deadline=None)
def test_beside_any_ragged_bank_a_run_keeps_its_promises(seed, n, rough, bend, off, radius, side):
    bank = ragged(seed, n, rough, bend)
    run = run_along(earth(bank), off, side, turn_radius_m=radius)
    points = flat(run)
    line = LineString(points)
    assert line.is_simple
    assert run.line.is_valid
    dense = shapely.get_coordinates(shapely.segmentize(line, max(off / 10, 1.0)))
    away = distances(dense, bank)
    assert away.min() >= off - 0.01
    assert run.nearest_m == pytest.approx(away.min(), abs=0.06)
    if not run.stretches:
        assert away.max() <= off + 0.25
    if 3 < radius <= off:
        assert_no_farther_than_the_turn_asks(line, bank, off, radius, side)
    if radius > 2:
        h = max(radius / 2, 1.5)
        if line.length > 4 * h:
            assert radii(points, h).min() > 0.85 * radius


@given(st.integers(0, 100_000), st.floats(5, 40), st.floats(5, 40))
@settings(max_examples=15, deadline=None)
def test_a_track_that_crosses_itself_gets_a_run_without_loops(seed, off, radius):
    rng = np.random.default_rng(seed)
    track = np.cumsum(rng.normal([15, 0], 40, (25, 2)), axis=0)
    try:
        run = run_along(earth(track), off, "port", turn_radius_m=radius)
    except DataError:  # its end lies within what it encloses
        return
    points = flat(run)
    assert LineString(points).is_simple
    dense = shapely.get_coordinates(shapely.segmentize(LineString(points), 1.0))
    assert distances(dense, track).min() >= off - 0.01


def test_a_track_that_lay_at_anchor_is_followed_too():
    """3,000 points within a few metres, between two straight ways: no knot in the run."""
    rng = np.random.default_rng(0)
    ways = [np.stack([np.arange(a, a + 500.0), np.zeros(500)], axis=1) for a in (0, 500)]
    anchored = np.cumsum(rng.normal(0, 0.1, (3000, 2)), axis=0) * 0.3 + [500, 0]
    track = np.concatenate([ways[0], anchored, ways[1]])
    run = run_along(earth(track), 18.0, "port", turn_radius_m=12.0)
    points = flat(run)
    assert LineString(points).is_simple
    assert distances(points, track).min() >= 18.0
    assert run.length_m == pytest.approx(1000, abs=60)


def test_clearance_is_distance_less_r95_with_the_side_on_which_a_mark_is_passed():
    run = earth([(0, 0), (1000, 0)])
    lon, lat = PLANE.to_earth([700.0, 200.0, 400.0, 500.0], [30.0, -12.0, 0.0, 900.0])
    found = clearances(run, lon, lat, [10.0, 15.0, 5.0, 5.0], within_m=50.0)
    assert found.mark.tolist() == [1, 2, 0]
    np.testing.assert_allclose(found.along_m, [200, 400, 700], atol=0.01)
    np.testing.assert_allclose(found.distance_m, [12, 0, 30], atol=0.01)
    np.testing.assert_allclose(found.clear_m, [-3, -5, 20], atol=0.01)
    assert found.side.tolist() == ["starboard", "", "port"]
    with pytest.raises(DataError, match="an R95 is missing"):
        clearances(run, 12.0, 55.0, np.nan)


def test_the_run_is_a_feature_that_says_what_it_is():
    run = run_along(earth([(0, 0), (500, 0)]), 18.0, "port", turn_radius_m=10)
    (feature,) = run.features("bank")
    assert (feature.role, feature.name) == ("run", "bank")
    assert feature.values["off_m"] == 18.0
    assert "not navigation" in feature.note


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"off_m": 0.1}, UsageError, "the distance is 0.1 m; allowed is 0.5 m to 5000 m"),
        ({"off_m": np.nan}, UsageError, "the distance is nan m"),
        ({"side": "left"}, UsageError, "the side is 'left'; allowed are port, starboard"),
        ({"turn_radius_m": -1.0}, UsageError, "the turn radius is -1 m"),
        ({"nearer_m": 18.0}, UsageError, "may come 18 m nearer"),
        ({"tolerance_m": 10.0}, UsageError, "the tolerance is 10 m"),
        ({"source": LineString([(12, 55), (12, 55)])}, DataError, "no length"),
        ({"source": LineString([(12, 55), (12, 155)])}, DataError, "no place on Earth"),
        ({"source": Polygon([(0, 0), (1, 0), (0, 1)])}, DataError, "must be one line"),
        ({"source": LineString([(12, 55), (30, 55)])}, DataError, "take one water at a time"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(change, error, words):
    asked = {"source": earth([(0, 0), (500, 0)]), "off_m": 18.0, "side": "port", **change}
    with pytest.raises(error, match=words):
        run_along(**asked)


def test_a_ring_may_be_given_as_a_ring():
    ring = PLANE.shape_to_earth(LinearRing([(0, 0), (200, 0), (200, 200), (0, 200)]))
    run = run_along(ring, 10.0, "starboard")
    assert run.length_m == pytest.approx(800 + 2 * np.pi * 10, abs=1)
