"""Outlines under a map: cut off far away, thinned where they are too much, never silently."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import scene

from athwart.review.ground import POINTS, fitted
from athwart.review.map import review_map
from athwart.tables import Marks

BOX = (-1000.0, -1000.0, 1000.0, 1000.0)


def coast(n, radius=800.0, rough=20.0, noise=0.0, seed=3):
    """A closed shore that is rough at every scale; noise roughens it from point to point."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    waves = 2 ** np.arange(1, 14)
    bulge = sum(np.cos(k * angle + rng.uniform(0, 6)) * rough / k**0.8 for k in waves)
    r = radius + bulge + rng.normal(0.0, noise, n)
    return shapely.Polygon(np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1))


def points_in(ground):
    return sum(len(r) for rings in ground.fills for r in rings) + sum(map(len, ground.lines))


def data_of(page):
    return json.loads(re.search(r'id="athwart-data">(.*?)</script>', page, re.DOTALL)[1])


def test_what_is_small_and_near_is_drawn_as_given():
    shape = coast(500)
    line = shapely.LineString([(0, 0), (5, 5), (9, 0)])
    ground = fitted([shape, line, shapely.Point(3, 4)], boxes=[BOX])
    assert (ground.within_m, ground.cut, ground.left_out) == (0.0, False, 0)
    np.testing.assert_array_equal(ground.fills[0][0], shapely.get_coordinates(shape))
    np.testing.assert_array_equal(ground.lines[0], shapely.get_coordinates(line))
    assert ground.points[0].tolist() == [[3.0, 4.0]]


def test_a_rough_coast_keeps_to_the_budget_and_to_its_tolerance():
    shape = coast(200_000)
    ground = fitted([shape], boxes=[BOX], budget=5000)
    assert points_in(ground) <= 5000
    assert ground.within_m > 0
    drawn = shapely.linestrings(ground.fills[0][0])
    far = shapely.distance(drawn, shapely.points(shapely.get_coordinates(shape)))
    assert far.max() <= ground.within_m
    finer = fitted([shape], boxes=[BOX], budget=10**9)
    assert finer.within_m == 0.0


def test_metres_of_the_sheet_count_both_ways():
    """On a sheet in degrees at 60 north a degree of longitude is half as long as one of latitude."""
    shape = shapely.transform(coast(20_000), lambda xy: xy / [55_660.0, 111_320.0])
    ground = fitted([shape], metres=(55_660.0, 111_320.0), budget=2000)
    scale = np.array([55_660.0, 111_320.0])
    drawn = shapely.linestrings(ground.fills[0][0] * scale)
    far = shapely.distance(drawn, shapely.points(shapely.get_coordinates(shape) * scale))
    assert 0 < far.max() <= ground.within_m


def test_area_inside_the_box_is_kept_by_clipping_holes_and_all():
    shape = shapely.Polygon(
        [(-5000, -5000), (5000, -5000), (5000, 5000), (-5000, 5000)],
        [[(-100, -100), (100, -100), (100, 100), (-100, 100)], [(900, 0), (1500, 0), (1500, 9)]],
    )
    ground = fitted([shape], boxes=[BOX])
    assert ground.cut
    drawn = [shapely.Polygon(r[0], r[1:]) for r in ground.fills]
    assert sum(p.area for p in drawn) == pytest.approx(
        shape.intersection(shapely.box(*BOX)).area, rel=1e-12
    )
    assert max(np.abs(r).max() for rings in ground.fills for r in rings) == 1000.0


def test_lines_are_cut_and_what_is_far_or_only_touches_is_not_drawn():
    crossing = shapely.LineString([(-5000, 0), (5000, 0)])
    far = shapely.box(2000, 2000, 3000, 3000)
    touching = shapely.box(1000, 0, 2000, 100)
    ground = fitted([crossing, far, touching, shapely.Point(9e9, 0)], boxes=[BOX])
    assert [line.tolist() for line in ground.lines] == [[[-1000, 0], [1000, 0]]]
    assert ground.fills == []
    assert ground.points == []
    assert ground.cut
    assert ground.left_out == 0


def test_a_broken_area_is_mended():
    bow = shapely.Polygon([(-2000, -500), (2000, 500), (2000, -500), (-2000, 500)])
    ground = fitted([bow], boxes=[BOX])
    area = sum(shapely.Polygon(r[0], r[1:]).area for r in ground.fills)
    assert area == pytest.approx(2 * 0.5 * 1000 * 500)


def test_small_rocks_stay_when_the_coast_is_thinned():
    rocks = [shapely.Point(x, 0).buffer(0.4, quad_segs=3) for x in range(-900, 900, 10)]
    ground = fitted([coast(50_000), *rocks], boxes=[BOX], budget=2000)
    assert ground.left_out == 0
    assert len(ground.fills) == 1 + len(rocks)
    assert points_in(ground) <= 2000
    for rings, rock in zip(ground.fills[1:], rocks, strict=True):
        ring = shapely.linestrings(rings[0])
        assert shapely.bounds(ring) == pytest.approx(shapely.bounds(rock), abs=ground.within_m)


def test_where_nothing_else_helps_the_smallest_are_left_out_and_counted():
    rocks = [shapely.box(x, 0, x + 0.001 * (x + 2), 1) for x in range(500)]
    ground = fitted([*rocks, shapely.Point(1, 1)], boxes=[BOX], budget=500)
    assert points_in(ground) <= 500
    assert ground.left_out == 400 + 1
    assert min(rings[0][:, 0].min() for rings in ground.fills) == 400.0


def test_nothing_gives_nothing():
    ground = fitted([shapely.Polygon(), None], boxes=[BOX])
    assert ground == ([], [], [], 0.0, False, 0, BOX)


def test_a_narrower_box_is_taken_before_the_shore_is_spoilt():
    near = (-300.0, 600.0, 300.0, 1000.0)
    shape = coast(100_000, noise=3.0)
    wide = fitted([shape], boxes=[BOX], budget=3000)
    ground = fitted([shape], boxes=[BOX, near], budget=3000)
    assert wide.box == BOX
    assert ground.box == near
    assert ground.cut
    assert ground.within_m < wide.within_m


@given(st.lists(st.tuples(st.floats(0.2, 2.5), st.floats(-1, 1)), min_size=3, max_size=12))
@settings(max_examples=60, deadline=None)
def test_the_quick_way_to_cut_agrees_with_the_thorough_one(corners):
    """GEOS overlay, which takes another path, is the witness."""
    angle = np.linspace(0, 6, len(corners)) + [w * 0.2 for _, w in corners]
    r = np.array([1000.123 * v for v, _ in corners])
    shape = shapely.Polygon(np.stack([r * np.cos(angle) + 300, r * np.sin(angle)], axis=1))
    fine = shapely.segmentize(shape, shape.length / 25_000)
    ground = fitted([fine], boxes=[BOX], budget=10**9)
    area = sum(
        abs(shapely.Polygon(r[0]).area) - sum(shapely.Polygon(h).area for h in r[1:])
        for r in ground.fills
    )
    assert area == pytest.approx(
        shapely.make_valid(shape).intersection(shapely.box(*BOX)).area, rel=1e-6, abs=1e-3
    )


@pytest.mark.parametrize(("lon0", "lat0"), [(-24.5, 51.25), (180.0, -17.0), (30.0, 89.0)])
def test_a_map_over_a_coast_of_200_000_points_stays_under_4_mb(lon0, lat0):
    """5,000 marks and a shore that is rough down to its last point."""
    marks, sightings, tracks, _ = scene(5000, lon0=lon0, lat0=lat0, width_m=4000.0)
    size = 12_000.0 / 111_320.0
    shape = coast(200_000, radius=1.0, rough=0.03, noise=0.0005)
    across = size / np.cos(np.radians(min(lat0, 88.5)))
    shape = shapely.transform(shape, lambda xy: xy * [across, size] + [lon0, lat0])
    page = review_map(marks=marks, sightings=sightings, tracks=tracks, background=[shape])
    assert len(page.encode()) < 4_000_000
    ground = data_of(page)["background"]
    assert 0 < ground["within"] < 20
    assert sum(len(r) // 2 for rings in ground["fills"] for r in rings) <= POINTS


def test_the_page_is_the_same_from_geojson_and_from_shapes():
    marks, *_ = scene(5)
    shape = shapely.transform(coast(300), lambda xy: xy / 80_000 + [-24.5, 51.25])
    feature = {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(shape)}
    assert review_map(marks=marks, background=feature) == review_map(
        marks=marks, background=[shape]
    )


@pytest.mark.parametrize("west", [-180.0, 0.0])
def test_a_world_wide_area_is_found_from_both_sides_of_the_180th_meridian(west):
    """A belt round the Earth covers the sheet wherever its ring was begun."""
    belt = shapely.box(west, -20.0, west + 360.0, -10.0)
    marks = Marks.from_columns(
        {"mark_id": ["a", "b"], "lon": [179.99, -179.99], "lat": [-17.0, -17.0]}
    )
    data = data_of(review_map(marks=marks, background=[belt]))
    ground, quantum = data["background"], data["quantum"]
    box = np.array(ground["box"]) * quantum
    area = 0.0
    for rings in ground["fills"]:
        xy = np.array(rings[0]).reshape(-1, 2).cumsum(axis=0) * quantum
        area += shapely.Polygon(xy).area
    assert area == pytest.approx((box[2] - box[0]) * (box[3] - box[1]), rel=1e-6)


def test_cut_edges_lie_on_the_box_to_the_quantum():
    marks, *_ = scene(5)
    data = data_of(review_map(marks=marks, background=[shapely.box(-30, 51.25, -20, 55)]))
    ground = data["background"]
    xy = np.array(ground["fills"][0][0]).reshape(-1, 2).cumsum(axis=0)
    assert {xy[:, 0].min(), xy[:, 0].max(), xy[:, 1].max()} == {
        ground["box"][0], ground["box"][2], ground["box"][3],
    }  # fmt: skip
    assert ground["cut"]
