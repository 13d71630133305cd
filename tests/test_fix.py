"""The chain from a pick to a place, against routes that share nothing with it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.boat import Boat
from athwart.errors import TableError
from athwart.fix import UNEVEN, fix
from athwart.geometry.geodesic import displace, inverse
from athwart.tables import Picks, Track

START = np.datetime64("2026-03-01T06:00:00", "us")
ONE = {
    "lon": 12.0, "lat": 55.0, "heading_deg": 0.0, "side": "starboard", "slant_range_m": 13.0,
    "depth_m": 5.0, "depth_below": "transducer",
}  # fmt: skip


def pick(**changes):
    values = {**ONE, **changes}
    return Picks.from_columns({k: v for k, v in values.items() if v is not None})


def place(boat=None, track=None, **changes):
    return fix(pick(**changes), boat=boat, track=track).sightings


# --- an independent route: ECEF and ENU, WGS 84 (a = 6378137, 1/f = 298.257223563: NIMA TR8350.2)

A, F = 6378137.0, 1 / 298.257223563
E2 = F * (2 - F)


def to_ecef(lon, lat):
    lon, lat = np.radians(lon), np.radians(lat)
    n = A / np.sqrt(1 - E2 * np.sin(lat) ** 2)
    return np.stack(
        [n * np.cos(lat) * np.cos(lon), n * np.cos(lat) * np.sin(lon), n * (1 - E2) * np.sin(lat)]
    )


def onto_ellipsoid(p):
    """Drop a point near the surface onto the ellipsoid along the normal (Newton on the normal)."""
    axes = np.array([A, A, A * (1 - F)])[:, None]
    q = p.copy()
    for _ in range(5):
        normal = q / axes**2
        normal /= np.linalg.norm(normal, axis=0)
        excess = np.sum((q / axes) ** 2, axis=0) - 1
        step = excess / (2 * np.sum(q / axes**2 * normal, axis=0))
        q = q - step * normal
    return q


def by_bisection(r, h, slope):
    """Ground range by bisection on the far side of the nearest bottom point."""
    t = np.tan(np.radians(slope))
    low = np.maximum(0.0, -h * t / (1 + t * t))
    high = r + np.abs(low) + 1.0
    for _ in range(100):
        middle = (low + high) / 2
        inside = np.hypot(middle, h + middle * t) < r
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return (low + high) / 2


def test_ten_thousand_picks_anywhere_on_earth_within_a_centimetre():
    n, rng = 10_000, np.random.default_rng(11)
    lat = np.degrees(np.arcsin(rng.uniform(-1, 1, n)))
    lat[:1000] = rng.choice([-1, 1], 1000) * (90 - 10.0 ** rng.uniform(-4, 0, 1000))
    lat[1000:1020], lat[1020:1040] = 90.0, -90.0
    lon = rng.uniform(-180, 180, n)
    lon[2000:3000] = rng.choice([-1, 1], 1000) * (180 - 10.0 ** rng.uniform(-9, -3, 1000))
    h = rng.uniform(2, 40, n)
    r, slope = h * rng.uniform(1.05, 12, n), rng.uniform(-10, 10, n)
    heading, side = rng.uniform(0, 360, n), rng.choice(["port", "starboard"], n)
    boat = Boat(lever_forward_m=-4.0, lever_starboard_m=1.5)
    got = fix(
        pick(
            lon=lon, lat=lat, heading_deg=heading, side=side.astype(object), slant_range_m=r,
            depth_m=h, bottom_slope_deg=slope, along_track_m=2.0,
        ),
        boat=boat,
    ).sightings  # fmt: skip

    x, y, a = np.radians(lon), np.radians(lat), np.radians(heading)
    east = np.stack([-np.sin(x), np.cos(x), 0 * x])
    north = np.stack([-np.sin(y) * np.cos(x), -np.sin(y) * np.sin(x), np.cos(y)])
    bow, beam = np.cos(a) * north + np.sin(a) * east, np.cos(a) * east - np.sin(a) * north
    across = 1.5 + np.where(side == "port", -1, 1) * by_bisection(r, h, slope)
    target = onto_ellipsoid(to_ecef(lon, lat) + (-4.0 + 2.0) * bow + across * beam)
    off = np.linalg.norm(target - to_ecef(got.lon, got.lat), axis=0)
    assert off.max() < 0.01
    assert (got.lon >= -180).all()
    assert (got.lon < 180).all()


def test_handbook_triangle_to_starboard_of_a_boat_heading_north():
    sighting = place()
    bearing, distance = inverse(12.0, 55.0, sighting.lon[0], sighting.lat[0])
    assert (float(bearing), float(distance)) == pytest.approx((90.0, 12.0), abs=1e-6)
    assert sighting.method_detail[0] == "echo on the bottom"


@pytest.mark.parametrize(("side", "exchanged", "bearing"), [
    ("port", False, 270.0), ("starboard", False, 90.0), ("port", True, 90.0), ("starboard", True, 270.0),
])  # fmt: skip
def test_sides(side, exchanged, bearing):
    got = place(Boat(sides_exchanged=exchanged), side=side)
    assert float(got.bearing_deg[0]) == pytest.approx(bearing)
    assert got.side[0] == ("starboard" if bearing == 90.0 else "port")


def test_lever_arm_signs():
    """Transducer 3 m aft and 1 m to starboard of the antenna, boat heading east."""
    got = place(Boat(lever_forward_m=-3.0, lever_starboard_m=1.0), heading_deg=90.0)
    lon, lat = displace(12.0, 55.0, -3.0, -13.0)
    assert (got.lon[0], got.lat[0]) == pytest.approx((float(lon), float(lat)), abs=1e-10)


def test_top_of_an_object_and_its_height():
    got = place(slant_range_m=52.0, shadow_start_m=50.0, shadow_m=5.0, depth_m=10.0)
    assert float(got.height_m[0]) == pytest.approx(0.9091, abs=1e-4)  # checks: similar triangles
    assert float(got.ground_range_m[0]) == pytest.approx(49.1666, abs=1e-4)
    assert got.method_detail[0] == "top of the object"
    assert got.var_height_m2[0] > 0


@pytest.mark.parametrize("uneven", [0.0, 0.3])
def test_the_error_of_a_height_from_found_ends_is_that_of_many_draws(uneven):
    """Monte Carlo: the end stands, the length's error moves the start; water off by a part of it."""
    boat = Boat(water_sound_mps=1500.0)
    shadow = {"shadow_start_m": 20.0, "shadow_m": 4.0, "depth_m": 10.0, "slant_range_m": 20.0}
    got = place(boat, **shadow, shadow_sigma_m=0.4, uneven_part=uneven)
    rng = np.random.default_rng(7)
    length = 4.0 + rng.normal(0, 0.4, 400_000)
    water = 10.0 * (1 + uneven * rng.normal(size=length.size))
    water += rng.normal(0, boat.budget.depth_sigma(10.0), length.size)
    drawn = water * length / 24.0
    assert float(got.height_m[0]) == pytest.approx(10 * 4 / 24)
    assert float(got.var_height_m2[0]) == pytest.approx(
        np.mean((drawn - drawn.mean()) ** 2), rel=0.03
    )


def test_a_height_over_uneven_ground_is_told_to_be_doubtful():
    shadow = {"shadow_m": 4.0, "depth_m": 10.0, "slant_range_m": 20.0}
    assert not any(UNEVEN in w for w in fix(pick(**shadow, uneven_part=0.1)).words)
    assert any(UNEVEN in w for w in fix(pick(**shadow, uneven_part=0.3)).words)
    flat = {"depth_m": 10.0, "slant_range_m": 20.0, "uneven_part": 0.3}
    assert not any(UNEVEN in w for w in fix(pick(**flat)).words), "without a shadow no height"


def test_depth_at_the_target_is_not_the_depth_under_the_boat():
    got = place(Boat(transducer_depth_m=0.6), bottom_slope_deg=5.0, slant_range_m=40.0)
    y = float(got.ground_range_m[0])
    assert float(got.depth_m[0]) == pytest.approx(5.0 + y * np.tan(np.radians(5)) + 0.6)
    assert got.depth_below[0] == "surface"


def test_depth_below_the_surface_loses_the_draft():
    got = place(Boat(transducer_depth_m=0.6), depth_m=5.6, depth_below="surface")
    assert float(got.ground_range_m[0]) == pytest.approx(12.0)


def test_sound_speed_scales_range_and_depth():
    got = place(Boat(water_sound_mps=1450.0))
    assert float(got.ground_range_m[0]) == pytest.approx(12.0 * 1450 / 1500)
    ground = {"slant_range_m": None, "ground_range_m": 12.0}
    boat = Boat(water_sound_mps=1450.0)
    assert float(place(boat, **ground).ground_range_m[0]) == pytest.approx(11.6)
    assert float(fix(pick(**ground), boat=boat, measured=True).sightings.ground_range_m[0]) == 12.0


def test_in_the_water_with_and_without_a_depth():
    got = place(slant_range_m=4.0, target_depth_m=2.4, kind="other")
    assert float(got.ground_range_m[0]) == pytest.approx(3.2)
    bait = place(slant_range_m=4.0, kind="bait")
    assert float(bait.ground_range_m[0]) == 2.0  # the middle of 0 to r
    budget = Boat().budget
    across = float(bait.var_east_m2[0]) - budget.gnss_own_m**2 - budget.lever_m**2
    assert across == pytest.approx(16 / 12, rel=0.1)
    far = place(slant_range_m=13.0, kind="fish")
    assert float(far.ground_range_m[0]) == pytest.approx(12.5)  # the middle of 12 to 13
    said = fix(pick(slant_range_m=4.0), in_water=True).sightings
    assert float(said.ground_range_m[0]) == 2.0


def test_magnetic_heading_with_deviation_and_variation():
    """WMM2025 at 80N 0E, 2025.0: 1.28 E (from memory); deviation 2 E."""
    got = place(
        Boat(deviation=((0.0, 2.0),)), lon=0.0, lat=80.0, heading_deg=None, heading_mag_deg=10.0,
        time=np.datetime64("2025-01-01"),
    )  # fmt: skip
    assert float(got.bearing_deg[0]) == pytest.approx(90 + 13.28, abs=0.03)


def test_what_was_assumed_is_said_with_the_picks_that_it_was_assumed_of():
    table = pick(heading_deg=[0.0, None, None], course_deg=[90.0, 90.0, 80.0], slant_range_m=13.0)
    assert fix(table).words == ("the course stands in for the heading (2 picks)",)
    alone = pick(heading_deg=None, course_deg=90.0, shadow_m=2.0)
    assert fix(alone).words == (
        "the course stands in for the heading (1 pick)",
        "the shadow is taken to start at the target's own range (1 pick)",
    )


def test_seconds_back_moves_a_typed_position_back_along_the_course():
    got = place(course_deg=90.0, speed_mps=2.0, seconds_back=5.0, time=START)
    lon, lat = displace(12.0, 55.0, -10.0, 0.0)
    assert (got.antenna_lon[0], got.antenna_lat[0]) == pytest.approx(
        (float(lon), float(lat)), abs=1e-9
    )
    assert got.time[0] == START - np.timedelta64(5, "s")


def make_track(n=61, speed=2.0, gap=False, **columns):
    seconds = np.arange(n, dtype=float)
    if gap:
        seconds = seconds[(seconds <= 20) | (seconds >= 40)]
    lon, lat = displace(12.0, 55.0, 0.0, speed * seconds)
    return Track.from_columns(
        {
            "time": START + (seconds * 1e6).astype("timedelta64[us]"),
            "lon": lon,
            "lat": lat,
            **columns,
        }
    )


@pytest.mark.parametrize(
    ("offset", "back", "metres"), [(0, 0, 60.0), (4, 0, 68.0), (0, 4, 52.0), (-3, 2, 50.0)]
)
def test_the_track_is_read_at_time_plus_offset_less_seconds_back(offset, back, metres):
    """A planted fault (clock sign) must move the boat."""
    got = place(
        Boat(clock_offset_s=offset), make_track(), lon=None, lat=None, heading_deg=None,
        time=START + np.timedelta64(30, "s"), seconds_back=float(back),
    )  # fmt: skip
    _, distance = inverse(12.0, 55.0, got.antenna_lon[0], got.antenna_lat[0])
    assert float(distance) == pytest.approx(metres, abs=1e-3)
    assert float(got.bearing_deg[0]) == pytest.approx(90.0, abs=0.01)


def test_own_heading_beats_the_tracks_and_the_tracks_beats_the_course():
    where = {"lon": None, "lat": None, "time": START + np.timedelta64(30, "s")}
    track = make_track(heading_deg=45.0)
    own = place(None, track, **{**where, "heading_deg": 90.0})
    tracks = place(None, track, **{**where, "heading_deg": None})
    assert float(own.bearing_deg[0]) == pytest.approx(180.0)
    assert float(tracks.bearing_deg[0]) == pytest.approx(135.0)


def test_the_tracks_depth_and_sigma_serve():
    track = make_track(depth_m=5.0, depth_below="transducer", sigma_east_m=1.0, sigma_north_m=1.0)
    got = place(None, track, lon=None, lat=None, depth_m=None, time=START + np.timedelta64(30, "s"))
    assert float(got.ground_range_m[0]) == pytest.approx(12.0)
    assert float(got.shared_sigma_m[0]) == pytest.approx(1.0)


AT = START + np.timedelta64(30, "s")
REFUSED = [
    ("range-shorter-than-altitude", "in the water", {"slant_range_m": 4.0}, {}),
    ("side-missing", "port, starboard", {"side": ""}, {}),
    ("side-unknown", "'left'", {"side": "left"}, {}),
    ("both-ranges", "give only one", {"ground_range_m": 12.0}, {}),
    ("range-missing", "give one of them", {"slant_range_m": None, "trip": "a"}, {}),
    ("latitude-out-of-range", "from -90 to 90", {"lat": 91.0}, {}),
    ("not-finite", "not a number", {"depth_m": np.inf}, {}),
    ("position-missing", "no track to take them from", {"lon": None, "lat": None}, {}),
    ("position-incomplete", "give both or neither", {"lat": None}, {}),
    ("heading-missing", "heading_deg", {"heading_deg": None}, {}),
    ("both-headings", "give only one", {"heading_mag_deg": 4.0}, {}),
    ("depth-missing", "give depth_m", {"depth_m": None}, {}),
    ("depth-below-datum", "below datum", {"depth_below": "datum"}, {}),
    ("transducer-depth-missing", "boat file", {"depth_below": "surface"}, {}),
    ("seconds-back-without-speed", "needs a speed", {"seconds_back": 4.0}, {}),
    ("entered-twice", "same thing", {"seconds_back": 4.0, "along_track_m": -20.0, "speed_mps": 2.0}, {}),
    ("magnetic-heading-without-date", "2010 to 2029", {"heading_deg": None, "heading_mag_deg": 4.0}, {}),
    ("shadow-missing", "give the length", {"shadow_start_m": 14.0}, {}),
    ("depth-above-transducer", "less than the depth of the transducer",
     {"depth_m": 0.3, "depth_below": "surface"}, {"boat": Boat(transducer_depth_m=0.5)}),
    ("shadow-before-target", "at or beyond", {"shadow_start_m": 2.0, "shadow_m": 1.0}, {}),
    ("range-shorter-than-depth", "from the transducer", {"slant_range_m": 3.0, "target_depth_m": 4.0}, {}),
    ("target-below-bottom", "below the bottom", {"slant_range_m": 30.0, "target_depth_m": 9.0}, {}),
    ("bottom-slope-deg-out-of-range", "from -60 to 60", {"bottom_slope_deg": 80.0}, {}),
    ("time-outside-track", "2026-03-01 06:01:30 UTC is 30 s after the track's last point",
     {"lon": None, "lat": None, "time": START + np.timedelta64(90, "s")}, {"track": make_track()}),
    ("time-outside-track", "05:59:51 UTC is 9 s before the track's first point",
     {"lon": None, "lat": None, "time": START - np.timedelta64(9, "s")}, {"track": make_track()}),
    ("track-gap", "06:00:30 UTC falls in a gap of 20 s in the track; gaps up to 10 s", {"lon": None, "lat": None, "time": AT}, {"track": make_track(gap=True)}),
    ("time-missing", "give time", {"lon": None, "lat": None}, {"track": make_track()}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("code", "words", "changes", "options"), REFUSED, ids=[r[0] for r in REFUSED]
)
def test_what_cannot_be_placed_says_why(code, words, changes, options):
    with pytest.raises(TableError, match=words) as caught:
        fix(pick(**changes), **options)
    assert code in [row.code for row in caught.value.rows]
    assert {row.column for row in caught.value.rows} <= set(Picks.column_names())
    result = fix(pick(**changes), skip_bad=True, **options)
    assert len(result.sightings) == 0
    assert len(result.rejected) == 1


def test_good_rows_are_kept_with_skip_bad_and_every_bad_one_is_listed():
    table = pick(slant_range_m=[13.0, 4.0, 25.0, 3.0], depth_m=[5.0, 5.0, 7.0, 5.0])
    result = fix(table, skip_bad=True)
    assert [r.row for r in result.rejected] == [2, 4]
    assert result.rows.tolist() == [0, 2]
    np.testing.assert_allclose(result.sightings.ground_range_m, [12.0, 24.0])
    with pytest.raises(TableError, match=r"row 2: [\s\S]*row 4: "):
        fix(table)


def test_assumptions_are_said():
    words = " ".join(fix(pick(depth_below=None, shadow_m=2.0)).words)
    assert "below the transducer" in words
    assert "shadow is taken to start" in words


def test_only_depths_that_name_no_reference_are_taken_as_the_boats():
    table = pick(depth_m=[5.0, 5.6, 5.6], depth_below=["transducer", "", "surface"])
    result = fix(table, boat=Boat(transducer_depth_m=0.6, depth_below="surface"))
    np.testing.assert_allclose(result.sightings.ground_range_m, 12.0)
    assert result.words == ("depths are taken as below the surface (1 pick)",)
    result = fix(pick(depth_m=[5.0, 5.6, 5.0], depth_below=["", "surface", ""]),
                 boat=Boat(transducer_depth_m=0.6))  # fmt: skip
    np.testing.assert_allclose(result.sightings.ground_range_m, 12.0)
    assert result.words == (
        "depths are taken as below the transducer, since nothing says below what (2 picks)",
    )


def test_rows_are_counted_as_in_the_file_that_they_come_from():
    table = pick(slant_range_m=[13.0, 4.0, 25.0], depth_m=[5.0, 5.0, 7.0])
    result = fix(table, skip_bad=True, source="a.csv", source_rows=np.array([12, 15, 19]))
    assert [r.row for r in result.rejected] == [15]
    assert result.sightings.source_row.tolist() == [12, 19]
    assert result.sightings.source.tolist() == ["a.csv"] * 2
    assert result.rows.tolist() == [0, 2]
    with pytest.raises(TableError, match=r"a\.csv"):
        fix(table, source="a.csv")
    assert fix(pick(), with_ids=False).sightings.sighting_id[0] == ""


def test_id_is_of_the_observation_alone():
    first = place(note="a", kind="rock", trip="x", boat=Boat(lever_forward_m=2.0))
    second = place(note="b", kind="reef", trip="y")
    other = place(slant_range_m=13.5)
    assert first.sighting_id[0] == second.sighting_id[0] != other.sighting_id[0]


OBSERVED = {
    "time": START, "lon": 12.1, "lat": 55.1, "course_deg": 4.0, "speed_mps": 2.0, "side": "port",
    "slant_range_m": 14.0, "depth_m": 6.0, "depth_below": "surface", "along_track_m": 1.0,
    "shadow_start_m": 15.0, "shadow_m": 1.0, "target_depth_m": 2.0, "bottom_slope_deg": 1.0,
    "name": "A",
}  # fmt: skip


def test_each_thing_observed_is_part_of_the_id():
    """Otherwise two observations would be taken for one and a sighting lost."""
    boat = Boat(transducer_depth_m=0.5)
    rows = [{}, *({k: v} for k, v in OBSERVED.items())]
    rows += [{"heading_deg": 1.0}, {"slant_range_m": None, "ground_range_m": 12.0}]
    rows += [{"depth_below": None}, {"speed_mps": 2.0, "seconds_back": 3.0}]
    compass = {"heading_deg": None, "time": START}
    rows += [{**compass, "heading_mag_deg": h} for h in (0.0, 1.0)]
    tables = [pick(**{"shadow_m": 2.0, **row}) for row in rows]
    ids = [fix(t, boat=boat).sightings.sighting_id[0] for t in tables]
    assert len(set(ids)) == len(ids)


def test_an_id_is_what_it_was_in_files_that_people_keep():
    """As first made by this code: another id would take every old sighting in a second time."""
    assert place().sighting_id[0] == "e8393a91f599b03c9073"
    assert (
        place(**{**OBSERVED, "depth_below": "transducer"}).sighting_id[0] == "07c406b2c6f75db77b2f"
    )


def test_an_empty_table_gives_an_empty_table():
    assert len(fix(Picks.empty()).sightings) == 0


@settings(max_examples=60, deadline=None)
@given(
    lon=st.floats(-180, 180), lat=st.floats(-90, 90), heading=st.floats(0, 360),
    h=st.floats(1, 60), times=st.floats(1.05, 15), slope=st.floats(-10, 10),
)  # fmt: skip
def test_port_and_starboard_lie_opposite(lon, lat, heading, h, times, slope):
    both = place(
        lon=lon, lat=lat, heading_deg=heading, slant_range_m=h * times, depth_m=h,
        bottom_slope_deg=slope, side=["port", "starboard"],
    )  # fmt: skip
    turn = (both.bearing_deg[1] - both.bearing_deg[0]) % 360
    assert turn == pytest.approx(180.0, abs=1e-6)
    _, apart = inverse(both.lon[0], both.lat[0], both.lon[1], both.lat[1])
    assert float(apart) == pytest.approx(2 * float(both.ground_range_m[0]), abs=1e-4)


def test_a_picks_own_errors_take_the_place_of_the_budgets():
    # Expected from the budget's own sums (design: 0.3 m or 1 % of range; 0.1 m + 1 % of depth).
    rows = {
        "lon": [12.0] * 4,
        "lat": [54.0] * 4,
        "heading_deg": [0.0] * 4,
        "speed_mps": [2.0] * 4,
        "side": ["starboard"] * 4,
        "slant_range_m": [50.0] * 4,
        "depth_m": [5.0] * 4,
        "depth_below": ["transducer"] * 4,
    }
    usual = fix(Picks.from_columns(rows)).sightings
    own = fix(
        Picks.from_columns(
            {
                **rows,
                "range_sigma_m": [np.nan, 0.5, 2.0, np.nan],
                "depth_sigma_m": [np.nan, 0.15, 0.15, np.nan],
                "time_sigma_s": [np.nan, 0.0, np.nan, 10.0],
            }
        )
    ).sightings
    np.testing.assert_allclose(own.var_east_m2[:2], usual.var_east_m2[:2], rtol=1e-9)
    np.testing.assert_allclose(own.var_north_m2[:2], usual.var_north_m2[:2], rtol=1e-9)
    # The beam looks east, so the range's error lies east and the moment's (10 s at 2 m/s) north.
    assert own.var_east_m2[2] - usual.var_east_m2[2] == pytest.approx(2.0**2 - 0.5**2, rel=0.05)
    assert own.var_north_m2[3] - usual.var_north_m2[3] == pytest.approx(20.0**2, rel=0.01)
    assert own.sighting_id.tolist() == usual.sighting_id.tolist()


# --- a large table is worked through in pieces


def test_a_large_table_is_placed_and_refused_like_its_rows_one_by_one():
    n = 65_536 + 3
    rng = np.random.default_rng(8)
    columns = {
        **ONE, "slant_range_m": rng.uniform(6, 60, n), "heading_deg": rng.uniform(0, 360, n),
        "depth_below": np.full(n, "", dtype=object), "bottom_slope_deg": rng.uniform(-9, 9, n),
    }  # fmt: skip
    last, broken = n - 1, n - 2
    columns["slant_range_m"][broken] = 1.0
    fixed = fix(Picks.from_columns(columns), skip_bad=True)
    assert [(r.row, r.code) for r in fixed.rejected] == [
        (broken + 1, "range-shorter-than-altitude")
    ]
    assert fixed.words == (
        f"depths are taken as below the transducer, since nothing says below what ({n} picks)",
    )
    for i in (0, 65_535, 65_536, last):
        alone = fix(
            Picks.from_columns({k: v if np.ndim(v) == 0 else v[i] for k, v in columns.items()})
        ).sightings
        (row,) = np.flatnonzero(fixed.rows == i)
        of_all = fixed.sightings.take([row])
        for name in ("lon", "lat", "ground_range_m", "var_east_m2", "cov_east_north_m2"):
            np.testing.assert_allclose(getattr(of_all, name), getattr(alone, name), rtol=1e-9)
        assert of_all.sighting_id.tolist() == alone.sighting_id.tolist()
