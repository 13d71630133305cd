"""Where to hold and where a drift starts: by hand, by brute force, at the edges of the world."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.errors import DataError
from athwart.geometry.geodesic import inverse, local_offsets
from athwart.plan.current import Flow, leeway
from athwart.plan.hold import Cast, Spread, Target, drift_over, hold_for
from athwart.plan.sink import SinkRate

MARK = Target(lon=12.0, lat=55.0, spread=Spread(9.0, 4.0, 1.5), name="Anvil")
NORTH = Flow.towards(0.0, 0.5, sigma_deg=10, sigma_mps=0.05)
SINK = SinkRate(1.0, 0.05, 10.0, "counted")


def test_by_hand():
    """A current of 0.5 m/s to the north carries a lure 7/8 x 0.5 x 10 = 4.4 m in ten seconds; it
    must land 4.4 m south of the mark, thrown south by a boat 20 m north of that."""
    got = hold_for(MARK, Cast(length_m=20.0, sink=SINK, depth_m=10.0), current=NORTH)
    assert got.to_deg == pytest.approx(180.0)
    east, north = local_offsets(got.lon, got.lat, 12.0, 55.0)
    assert (east, north) == pytest.approx((0.0, 20 - 4.375), abs=1e-6)
    _, splash = inverse(12.0, 55.0, got.landing_lon, got.landing_lat)
    assert splash == pytest.approx(4.375)
    assert (got.bow_deg, got.through_water_mps) == pytest.approx((180.0, 0.5))
    assert (got.count_s, got.lead_m) == pytest.approx((10.0, 4.375))
    assert got.from_mark_m == pytest.approx(15.625)
    assert (got.from_mark_deg + 1) % 360 == pytest.approx(1.0)


@given(
    st.floats(-180, 180), st.floats(-89.9, 89.9), st.floats(0, 360), st.floats(0, 1),
    st.floats(1, 60), st.floats(0, 360),
)  # fmt: skip
def test_the_cast_comes_down_on_the_mark(lon, lat, flow_to, speed, length, to):
    """From the boat along the cast, then with the column's current: back at the mark."""
    target = Target(lon=lon, lat=lat, spread=Spread.round(3.0))
    flow = Flow.towards(flow_to, speed)
    cast = Cast(length_m=length, to_deg=to, sink=SINK, depth_m=12.0)
    got = hold_for(target, cast, current=flow)
    boat = np.array(local_offsets(got.lon, got.lat, lon, lat))
    throw = length * np.array([np.sin(np.radians(to)), np.cos(np.radians(to))])
    drift = 12.0 * 7 / 8 * np.array([flow.east_mps, flow.north_mps])
    assert boat + throw + drift == pytest.approx(0, abs=1e-5)
    line = got.features()[1].geometry
    assert line.length < 0.5 or abs(lat) > 80  # in one piece across the 180th meridian


def test_the_error_by_brute_force():
    """200,000 days with every error drawn: the share within R95 of the mark is 95 %."""
    rng = np.random.default_rng(2)
    n = 200_000
    cast = Cast(length_m=20.0, to_deg=70.0, sink=SINK, depth_m=10.0, depth_sigma_m=0.3)
    got = hold_for(MARK, cast, current=NORTH)
    boat = np.array(local_offsets(got.lon, got.lat, 12.0, 55.0))
    mark = rng.multivariate_normal([0, 0], [[9.0, 1.5], [1.5, 4.0]], n)
    place = boat + rng.normal(0, np.hypot(2.7, 2.0), (n, 2))
    length, way = rng.normal(20, 2, n), np.radians(rng.normal(70, 5, n))
    throw = length[:, None] * np.stack([np.sin(way), np.cos(way)], axis=1)
    speed, to = rng.normal(0.5, 0.05, n), np.radians(rng.normal(0, 10, n))
    flow = speed[:, None] * np.stack([np.sin(to), np.cos(to)], axis=1)
    time = rng.normal(10, 0.3, n) / rng.normal(1.0, 0.05, n)
    carried = flow * (time * rng.normal(7 / 8, 0.1, n))[:, None]
    off = place + throw + carried - mark
    assert np.mean(np.hypot(*off.T) < got.r95_m) == pytest.approx(0.95, abs=0.006)
    want = got.spread
    assert (want.east, want.north, want.cov) == pytest.approx(
        (np.var(off[:, 0]), np.var(off[:, 1]), np.cov(off.T)[0, 1]), rel=0.03, abs=0.15
    )


def test_parts_are_added_as_covariances_not_as_worst_cases():
    got = hold_for(MARK, Cast(length_m=20.0, sink=SINK, depth_m=10.0), current=NORTH)
    parts = [got.mark, got.position, got.cast, got.current]
    assert got.r95_m < sum(p.r95_m for p in parts)
    assert got.r95_m > max(p.r95_m for p in parts)


def test_wind_turns_the_bow_but_does_not_carry_the_lure():
    wind = leeway(270.0, 12.5)  # half a metre a second to the east
    got = hold_for(MARK, Cast(length_m=20.0, sink=SINK, depth_m=10.0), current=NORTH, wind=wind)
    assert got.bow_deg == pytest.approx(225.0)
    assert got.to_deg == pytest.approx(225.0)
    assert got.lead_deg == pytest.approx(0.0)


def test_the_place_on_a_map_has_the_boats_own_error_and_not_the_lures():
    got = hold_for(MARK, Cast(length_m=20.0, to_deg=90.0))
    values = got.features()[0].values
    assert values["r95_m"] == pytest.approx(got.position.r95_m)
    assert values["lure_r95_m"] == pytest.approx(got.r95_m)
    assert "heading_deg" not in values  # nothing moves her


def test_without_current_or_sinking_it_is_a_cast_away():
    got = hold_for(MARK, Cast(length_m=20.0, to_deg=90.0))
    bearing, distance = inverse(12.0, 55.0, got.lon, got.lat)
    assert (bearing, distance) == pytest.approx((270.0, 20.0))
    assert np.isnan(got.bow_deg)
    assert got.through_water_mps == 0


def test_cautions():
    wild = Target(lon=12.0, lat=55.0, spread=Spread.round(20.0), hazard=True)
    words = hold_for(wild, Cast(length_m=20.0, to_deg=90.0)).words
    assert "danger to the boat" in words[0]
    assert "within the mark's own R95" in words[1]


def test_a_drift_by_hand():
    got = drift_over(MARK, NORTH, before_s=200.0, within_m=5.0)
    east, north = local_offsets(got.start_lon, got.start_lat, 12.0, 55.0)
    assert (east, north) == pytest.approx((0.0, -100.0), abs=1e-6)
    assert (got.distance_m, got.over_s) == pytest.approx((100.0, 20.0))
    assert got.across_sigma_m == pytest.approx(
        np.sqrt(9.0 + 2.7**2 + (100 * np.radians(10)) ** 2), rel=1e-6
    )
    line = got.features()[0]
    assert line.role == "drift"
    assert len(line.geometry.coords) == 3


def test_the_chance_and_time_of_a_drift_by_brute_force():
    rng = np.random.default_rng(5)
    n = 200_000
    got = drift_over(MARK, NORTH, before_s=200.0, within_m=8.0)
    mark = rng.multivariate_normal([0, 0], [[9.0, 1.5], [1.5, 4.0]], n)
    start = np.array([0, -100.0]) + rng.normal(0, 2.7, (n, 2))
    speed, to = rng.normal(0.5, 0.05, n), np.radians(rng.normal(0, 10, n))
    flow = speed[:, None] * np.stack([np.sin(to), np.cos(to)], axis=1)
    way = mark - start
    passing = np.sum(way * flow, axis=1) / speed**2
    miss = np.abs(way[:, 0] * flow[:, 1] - way[:, 1] * flow[:, 0]) / speed
    assert np.mean(miss < 8.0) == pytest.approx(got.chance, abs=0.01)
    assert np.median(passing) == pytest.approx(200.0, rel=0.02)
    assert np.std(passing) == pytest.approx(got.until_sigma_s, rel=0.1)


@pytest.mark.parametrize(("lon", "lat"), [(179.9999, 60.0), (0.0, 89.9995), (-180.0, -10.0)])
def test_drifts_hold_at_the_seams_of_the_map(lon, lat):
    target = Target(lon=lon, lat=lat, spread=Spread.round(2.0))
    got = drift_over(target, Flow.towards(90.0, 0.5), before_s=100.0)
    bearing, distance = inverse(lon, lat, got.start_lon, got.start_lat)
    assert (bearing, distance) == pytest.approx((270.0, 50.0), abs=1e-3)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: hold_for(MARK, Cast(length_m=0.0, to_deg=0.0)), "allowed is more than 0"),
        (lambda: hold_for(MARK, Cast(length_m=20.0)), "say where the cast goes to"),
        (lambda: hold_for(MARK, Cast(length_m=20.0, to_deg=0.0, sink=SINK)), "is not known"),
        (lambda: drift_over(MARK, NORTH, before_s=0.0), "more than 0"),
        (lambda: drift_over(MARK, Flow(), before_s=60.0), "look at course and speed"),
        (lambda: drift_over(MARK, Flow.towards(0, 0.05), before_s=60.0), "look at course and"),
    ],
)
def test_what_cannot_be_is_refused(call, words):
    with pytest.raises(DataError, match=words):
        call()
