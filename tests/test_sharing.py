"""Blurred marks: one offset a cell, never further than said, nothing that gives them away."""

from __future__ import annotations

import os
import stat
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.errors import FileError, UsageError
from athwart.geometry.geodesic import displace, inverse
from athwart.sharing import _cells, blur, key_from_settings, settings_folder, without_places
from athwart.tables import Marks

KEY = bytes(range(32))


def marks_at(lon, lat, **columns):
    n = len(lon)
    return Marks.from_columns(
        {
            "mark_id": [f"m{i}" for i in range(n)],
            "name": [f"N{i:05d}x" for i in range(n)],
            "lon": lon,
            "lat": lat,
            "r95_m": np.full(n, 7.0),
            **columns,
        }
    )


def in_order(shared):
    """The blur sorts by its new ids; names put the rows back."""
    return shared.take(np.argsort(shared.name.astype(str)))


LATITUDES = st.one_of(st.floats(-90, 90), st.sampled_from([90.0, -90.0, 89.9999, 0.0]))
LONGITUDES = st.one_of(st.floats(-180, 180), st.sampled_from([180.0, -180.0, 179.99999]))


@given(
    st.lists(st.tuples(LONGITUDES, LATITUDES), min_size=1, max_size=30),
    st.sampled_from([50.0, 500.0, 20_000.0]),
    st.binary(min_size=32, max_size=32),
)
@settings(max_examples=80, deadline=None)
def test_no_mark_moves_further_than_the_blur(places, metres, key):
    lon, lat = (np.array(v) for v in zip(*places, strict=True))
    shared = in_order(blur(marks_at(lon, lat), metres, key)[0])
    moved = inverse(lon, lat, shared.lon, shared.lat)[1]
    assert (moved <= metres + 1e-6).all()
    assert (shared.r95_m >= metres).all()
    assert (shared.r95_m >= moved).all()
    assert shared.faults() == []


@pytest.mark.parametrize(
    "place",
    [(5.03, 60.02), (180.0, -17.0), (12.0, 89.99), (12.0, -90.0), (-70.0, 84.9), (0.0, 0.0)],
)
def test_a_cell_moves_as_one_sheet(place):
    """Distances between the marks of one cell are the same before and after."""
    rng = np.random.default_rng(1)
    lon, lat = displace(*place, rng.uniform(-900, 900, 60), rng.uniform(-900, 900, 60))
    marks = marks_at(lon, lat)
    shared = in_order(blur(marks, 500.0, KEY)[0])
    band, column, _ = _cells(lon, lat, 500.0)
    pairs = [
        (i, j) for i in range(60) for j in range(i) if band[i] == band[j] and column[i] == column[j]
    ]
    i, j = np.array(pairs).T
    before = inverse(lon[i], lat[i], lon[j], lat[j])[1]
    after = inverse(shared.lon[i], shared.lat[i], shared.lon[j], shared.lat[j])[1]
    np.testing.assert_allclose(after, before, atol=0.02)


def test_a_place_has_one_cell_whatever_its_longitude_is_called():
    for lon, lat in (([180.0, -180.0], [10.0, 10.0]), ([0.0, 77.0, -150.0], [90.0] * 3)):
        band, column, _ = _cells(np.array(lon), np.array(lat), 500.0)
        assert len({(int(b), int(c)) for b, c in zip(band, column, strict=True)}) == 1


def test_cells_are_about_four_blurs_wide():
    lat = np.linspace(-80, 80, 33)
    for metres in (100.0, 2_000.0):
        step = np.linspace(0, 1.0, 200_001)
        for b in lat:
            cells = _cells(step, np.full_like(step, b), metres)[1]
            edges = step[np.flatnonzero(np.diff(cells))]
            if len(edges) < 2:
                continue
            width = inverse(edges[0], b, edges[1], b)[1]
            assert 3.5 * metres < width < 4.6 * metres


def test_repeating_gives_the_same_and_another_key_does_not():
    lon, lat = np.array([5.0, 5.1]), np.array([60.0, 60.0])
    one, two = (blur(marks_at(lon, lat), 500.0, KEY)[0] for _ in range(2))
    assert one.lon.tolist() == two.lon.tolist()
    assert one.mark_id.tolist() == two.mark_id.tolist()
    other = blur(marks_at(lon, lat), 500.0, bytes(32))[0]
    assert set(one.mark_id).isdisjoint(other.mark_id)
    assert not np.allclose(one.lon, other.lon, atol=1e-6)


def test_the_offsets_fill_the_disc_evenly():
    """Over 4,000 cells half of the offsets lie within the blur times the root of one half."""
    lon = np.linspace(-170, 170, 4000)
    marks = marks_at(lon, np.zeros(4000))
    shared = in_order(blur(marks, 500.0, KEY)[0])
    bearing, moved = inverse(lon, np.zeros(4000), shared.lon, shared.lat)
    assert abs((moved < 500 / np.sqrt(2)).mean() - 0.5) < 0.04
    assert np.abs(np.histogram(bearing, 8, (0, 360))[0] / 500 - 1).max() < 0.25


def test_nothing_that_gives_a_mark_away_goes_along():
    when = np.array(["2031-05-01"], dtype="datetime64[us]")
    marks = Marks.from_columns(
        {
            "mark_id": ["secret-id"], "name": ["Rock 51.12345, 4.56789"], "lon": [4.0], "lat": [51.0],
            "note": ["by https://example.org/x at 51°14.5'N 004°10.2'W"], "kind": ["rock"],
            "hazard": [True], "first_time": when, "last_time": when, "trips": [2], "sightings": [3],
            "sighting_ids": ["a b c"], "links": ["https://example.org"], "scatter": [1.0],
            "var_east_m2": [4.0], "var_north_m2": [9.0], "cov_east_north_m2": [1.0],
            "depth_m": [12.0], "depth_below": ["surface"],
        },
        extra={"skipper": ["someone"]},
    )  # fmt: skip
    shared, words = blur(marks, 300.0, KEY)
    assert shared.name.tolist() == ["Rock [left out]"]
    assert shared.note.tolist() == ["by [left out] at [left out] [left out]"]
    assert np.isnat(shared.first_time[0])
    assert np.isnat(shared.last_time[0])
    assert shared.trips[0] == 0
    assert shared.sighting_ids[0] == shared.links[0] == ""
    assert np.isnan(shared.scatter[0])
    assert shared.cov_east_north_m2[0] == 0
    assert shared.extra == {}
    assert "secret" not in shared.mark_id[0]
    assert (shared.kind[0], bool(shared.hazard[0]), shared.depth_m[0]) == ("rock", True, 12.0)
    said = "\n".join(words)
    for line in (
        "times left out: 1", "links left out: 1", "lists of sighting ids left out: 1",
        "covariances left out: 1", "positions or times in names left out: 1",
        "positions or times in notes left out: 3", "other columns left out: skipper",
    ):  # fmt: skip
        assert line in said


@pytest.mark.parametrize(
    "text",
    [
        "51°14.5'N", "51° 14' 30\" N", "N 51 14.500", "51 14.5 N", "-33.8651, 151.2099",
        "33.86512", "31U 500000 5650000", "500000 5650000", "31UDQ4825111932", "31U DQ 48251 11932",
        "9C3W9QCJ+2V", "5114.503N", "51 deg 14.5 min north", "geo:51.5,4.2", "2031-05-01 10:22",
        "01/05/2031", "10:22", "12.5 W", "https://example.org/?q=1",
    ],
)  # fmt: skip
def test_what_looks_like_a_place_or_time_goes(text):
    rest, count = without_places(f"by {text}, deep")
    assert count >= 1
    assert not any(c.isdigit() for c in rest), rest


@pytest.mark.parametrize(
    "text",
    [
        "Rock 12", "Stone 3 W side", "R95 7 m", "wreck 1912", "3 m high, 20.5 m deep", "no 4-5",
        "depth:12m", "Pier 7 north", "12 m at 1530", "seen 3 times in 2 s", "12 E",
    ],
)  # fmt: skip
def test_what_does_not_stays(text):
    assert without_places(text) == (text, 0)


def test_a_name_that_was_only_a_place_is_empty():
    shared, _ = blur(marks_at([4.0], [51.0], name=["51.12345, 4.56789"]), 300.0, KEY)
    assert shared.name.tolist() == [""]


def test_no_marks_can_be_blurred():
    assert len(blur(Marks.empty(), 500.0, KEY)[0]) == 0


@pytest.mark.parametrize("metres", [0.0, -5.0, float("nan"), float("inf"), 600_000.0])
def test_a_blur_out_of_range_is_refused(metres):
    with pytest.raises(UsageError, match="allowed is above 0"):
        blur(marks_at([4.0], [51.0]), metres, KEY)


def test_a_key_of_another_length_is_refused():
    with pytest.raises(UsageError, match="the key has 3 bytes"):
        blur(marks_at([4.0], [51.0]), 500.0, b"abc")


def test_the_key_is_made_once_and_for_its_owner_alone(tmp_path):
    path = tmp_path / "new" / "blur.key"
    key = key_from_settings(path)
    assert len(key) == 32
    assert key_from_settings(path) == key
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_key_file_that_holds_something_else_is_refused(tmp_path):
    path = tmp_path / "blur.key"
    path.write_bytes(b"short")
    with pytest.raises(FileError, match="holds 5 bytes and is no blur key"):
        key_from_settings(path)
    assert path.read_bytes() == b"short"


def test_a_key_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(FileError, match="cannot be read or made"):
        key_from_settings(tmp_path / "file" / "blur.key")


def test_the_key_lies_in_the_settings_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("APPDATA", str(tmp_path))
    assert settings_folder() == tmp_path / "athwart"
    key_from_settings()
    assert (tmp_path / "athwart" / "blur.key").is_file()


def test_importing_it_needs_no_heavy_library():
    code = "import sys, athwart.sharing, athwart.plotter, athwart.card; print([m for m in ('pandas','shapely','scipy','folium') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
