"""What a plotter will take: nothing lost, names short, plain and unique, tracks in pieces."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from athwart.errors import DataError, FileError, UsageError
from athwart.geometry.geodesic import displace, inverse, local_offsets
from athwart.plotter import Limits, importance_order, prepare, select, simplify_track
from athwart.shortnames import plain_text, shorten, unique_names
from athwart.tables import Marks, Track


def marks_of(names, **columns):
    n = len(names)
    base = {
        "mark_id": [f"id{i:04d}" for i in range(n)],
        "name": names,
        "lon": np.linspace(10, 10.01, n),
        "lat": np.full(n, 50.0),
    }
    return Marks.from_columns({**base, **columns}) if n else Marks.empty()


def names_of(prepared):
    return [n for f in prepared.files for n in f.marks.name]


NAMES = st.lists(st.text(max_size=25), max_size=40)
CHARSETS = st.sampled_from(["ascii", "ascii-upper", "utf-8"])


@given(NAMES, st.integers(3, 20), CHARSETS, st.integers(1, 50), st.randoms())
@settings(max_examples=150, deadline=None)
def test_nothing_is_lost_and_every_name_fits(names, length, charset, size, random):
    marks = marks_of(names, hazard=[random.random() < 0.3 for _ in names] or [])
    limits = Limits(max_name=length, charset=charset, max_waypoints=size, max_note=30)
    done = prepare(marks, limits)
    ids = [i for f in done.files for i in f.marks.mark_id]
    assert sorted(ids) == sorted(marks.mark_id)
    assert all(len(f.marks) <= size for f in done.files)
    out = names_of(done)
    assert len({n.casefold() for n in out}) == len(out), "unique over all files"
    for name in out:
        assert 0 < len(name) <= length
        if charset != "utf-8":
            assert all(" " <= c <= "~" for c in name)
        if charset == "ascii-upper":
            assert name == name.upper()
    for f in done.files:
        for note in f.marks.note:
            assert len(note) <= 30
            assert charset == "utf-8" or note.isascii()
    place = {i: (a, b) for i, a, b in zip(marks.mark_id, marks.lon, marks.lat, strict=True)}
    for f in done.files:
        for i, a, b in zip(f.marks.mark_id, f.marks.lon, f.marks.lat, strict=True):
            assert place[i] == (a, b)


@given(NAMES, st.integers(3, 12), st.randoms())
@settings(max_examples=60, deadline=None)
def test_the_order_of_rows_does_not_matter(names, length, random):
    marks = marks_of(names)
    rows = list(range(len(names)))
    random.shuffle(rows)
    limits = Limits(max_name=length, charset="ascii")
    one = prepare(marks, limits)
    two = prepare(marks.take(np.array(rows, dtype=int)), limits)
    assert names_of(one) == names_of(two)
    assert one.names == two.names


@given(NAMES)
@settings(max_examples=60, deadline=None)
def test_names_that_fit_stay(names):
    clean = list(dict.fromkeys(n.casefold() for n in names if re.fullmatch(r"[!-~]+", n)))
    done = prepare(marks_of(clean), Limits(max_name=25, charset="ascii"))
    assert sorted(names_of(done)) == sorted(clean)
    assert done.names == ()


@pytest.mark.parametrize(
    ("name", "length", "short"),
    [
        ("Rock 12", 10, "Rock 12"),
        ("Old harbour wreck 12", 14, "Old hrbr wrc12"),
        ("Anchorage point 7", 10, "Anchr pnt7"),
        ("Number 123456789", 6, "456789"),
        ("  two   blanks ", 20, "two blanks"),
    ],
)
def test_a_short_name_can_be_recognised(name, length, short):
    done = shorten(name, length)
    assert len(done) <= length
    assert done == short


def test_the_number_at_the_end_stays():
    for number in (1, 7, 42, 108):
        assert shorten(f"Ledge by the old harbour {number}", 10).endswith(str(number))


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Straße", "Strasse"),
        ("Ærø ø", "AEro o"),
        ("Łódź", "Lodz"),
        ("Ñandú", "Nandu"),
        ("Скала", "Skala"),
        ("Πέτρα", "Petra"),
        ("6½ ft – “deep”", '61/2 ft - "deep"'),
        ("a\nb", "a; b"),
    ],
)
def test_letters_are_exchanged_for_plain_ones(text, plain):
    done, lost = plain_text(text, "ascii")
    assert done.casefold() == plain.casefold()
    assert lost == 0


def test_letters_without_a_counterpart_are_counted():
    assert plain_text("岩 3", "ascii") == (" 3", 1)
    done = prepare(marks_of(["岩", "礁"], kind=["rock", "reef"]), Limits(charset="ascii"))
    assert sorted(names_of(done)) == ["reef 1", "rock 1"]
    assert any("2 letters of names" in w for w in done.words)


def test_marks_without_a_name_get_kind_and_number():
    done = prepare(marks_of(["", "", "rock 1"], kind=["rock", "rock", "rock"]), Limits())
    assert sorted(names_of(done)) == ["rock 1", "rock 2", "rock 3"]


def test_equal_names_may_stay_if_the_plotter_allows():
    assert names_of(prepare(marks_of(["A", "A"]), Limits(unique_names=False))) == ["A", "A"]
    assert sorted(names_of(prepare(marks_of(["A", "a"]), Limits()))) == ["A", "a-2"]


def test_too_few_letters_for_so_many_marks_are_refused():
    with pytest.raises(DataError, match="at most 1 characters cannot tell"):
        prepare(marks_of(["A"] * 20), Limits(max_name=1))
    names, _ = unique_names(["A"] * 9, length=1)
    assert sorted(names) == [*"23456789", "A"]


def test_ten_thousand_equal_names_are_told_apart():
    names, _ = unique_names(["Rock"] * 10_000, length=8, charset="ascii-upper")
    assert len(set(names)) == 10_000
    assert max(map(len, names)) <= 8


def test_the_most_important_come_first():
    marks = marks_of(
        ["plain", "hazard", "two trips", "three looks", "sharp", "late"],
        hazard=[False, True, False, False, False, False],
        trips=[1, 1, 2, 1, 1, 1],
        sightings=[2, 1, 2, 3, 2, 2],
        r95_m=[9.0, np.nan, 9.0, 9.0, 4.0, 9.0],
        last_time=np.array(["2031-01-01"] * 5 + ["2032-01-01"], dtype="datetime64[us]"),
    )
    assert marks.name[importance_order(marks)].tolist() == [
        "hazard", "two trips", "three looks", "sharp", "late", "plain",
    ]  # fmt: skip
    done = prepare(marks, Limits(max_waypoints=4))
    assert [len(f.marks) for f in done.files] == [4, 2]
    assert done.files[0].marks.name[0] == "hazard"
    assert any("6 marks are more than the 4 that fit; they are in 2 files" in w for w in done.words)


def test_notes_carry_error_and_caution_where_they_fit():
    marks = marks_of(["A"], note=["steep"], r95_m=[7.2], sightings=[3], trips=[2])
    assert prepare(marks, Limits()).files[0].marks.note[0] == (
        "steep. R95 7 m, from 3 sightings on 2 trips. Not for navigation; an estimated position."
    )
    assert prepare(marks, Limits(), caution=False).files[0].marks.note[0] == (
        "steep. R95 7 m, from 3 sightings on 2 trips."
    )
    assert prepare(marks, Limits(max_note=5)).files[0].marks.note[0] == "steep"


@pytest.mark.parametrize(
    ("units", "radius", "depths"),
    [
        ("metric", "7 m", ("6.4 m", "4.2 m")),
        ("feet", "24 ft", ("21.0 ft", "13.9 ft")),
        ("fathoms", "3.9 fm", ("3.5 fm", "2.3 fm")),
    ],
)
def test_notes_speak_the_users_units(units, radius, depths):
    """A foot is 0.3048 m, a fathom six of them; the least depth is rounded to the shoal side."""
    marks = marks_of(
        ["A"], r95_m=[7.2], depth_m=[6.4], depth_below=["surface"], least_depth_m=[4.26]
    )
    assert prepare(marks, Limits(), units=units).files[0].marks.note[0] == (
        f"R95 {radius}. Bottom {depths[0]} below the surface, least depth {depths[1]}. "
        "Not for navigation; an estimated position."
    )


def test_where_room_is_short_the_caution_comes_before_the_depth():
    marks = marks_of(["A"], r95_m=[7.2], depth_m=[6.4])
    done = prepare(marks, Limits(max_note=60))
    assert done.files[0].marks.note[0] == "R95 7 m. Not for navigation; an estimated position."
    assert any("the depth" in w for w in done.words)
    both = prepare(marks, Limits()).files[0].marks.note[0]
    assert both.startswith("R95 7 m. Bottom 6.4 m (not said below what). Not for")


@pytest.mark.parametrize("charset", ["utf-8", "ascii-upper"])
def test_exporting_what_was_exported_adds_nothing_twice(charset):
    marks = marks_of(
        ["A", "B"],
        note=["steep", ""],
        r95_m=[7.2, 1.2],
        sightings=[3, 1],
        trips=[2, 1],
        depth_m=[6.4, -0.5],
        depth_below=["surface", ""],
        least_depth_m=[-0.3, np.nan],
    )
    limits = Limits(charset=charset)
    once = prepare(marks, limits, units="feet").files[0].marks
    twice = prepare(once, limits, units="metric").files[0].marks
    for note in twice.note:
        assert note.casefold().count("r95") == note.casefold().count("bottom") == 1
        assert " ft" not in note.casefold()
        assert note.casefold().count("navigation") == 1
    assert twice.note[0].casefold().startswith("steep. r95 7 m")


def test_a_long_note_is_cut_and_said():
    marks = marks_of(["A"], note=["steep on the west side"])
    for charset, cut in (("utf-8", "steep on…"), ("ascii", "steep o...")):
        done = prepare(marks, Limits(max_note=10, charset=charset))
        assert done.files[0].marks.note[0] == cut
        assert "1 note cut to 10 characters" in done.words


def test_symbols_follow_the_kind():
    marks = marks_of(["A", "B", "C"], kind=["rock", "wreck", "kelp"])
    done = prepare(marks, Limits(symbols={"rock": "one", "other": "any"}))
    assert sorted(done.files[0].marks.extra["symbol"]) == ["any", "any", "one"]
    bare = prepare(marks, Limits(symbols={"rock": "one"}))
    assert "2 marks of a kind that has no symbol text" in bare.words


def test_no_marks_give_one_empty_file():
    done = prepare(Marks.empty(), Limits())
    assert len(done.files) == 1
    assert len(done.files[0].marks) == 0


def track_of(n, step_m=100.0, **columns):
    lon, lat = displace(179.99, 10.0, np.arange(n) * step_m, np.zeros(n))
    return Track.from_columns({"lon": lon, "lat": lat, "name": ["Day one"] * n, **columns})


@given(
    st.integers(1, 200),
    st.integers(2, 50),
    st.one_of(st.none(), st.floats(0.05, 30)),
)
@settings(max_examples=80, deadline=None)
def test_pieces_of_a_track_follow_on_and_fit(n, points, km):
    track = track_of(n)
    limits = Limits(max_track_points=points, max_track_km=km, max_name=12)
    done = prepare(Marks.empty(), limits, tracks=track).files[0].tracks
    pieces = [done.take(done.line == i) for i in np.unique(done.line)]
    assert pieces[0].lon[0] == track.lon[0]
    assert pieces[-1].lon[-1] == track.lon[-1]
    for a, b in itertools.pairwise(pieces):
        assert (a.lon[-1], a.lat[-1]) == (b.lon[0], b.lat[0])
    assert sum(len(p) - 1 for p in pieces) == n - 1
    for p in pieces:
        assert len(p) <= points
        metres = inverse(p.lon[:-1], p.lat[:-1], p.lon[1:], p.lat[1:])[1].sum()
        assert km is None or metres <= km * 1000 + 1e-6 or len(p) == 2
    assert len({p.name[0] for p in pieces}) == len(pieces)
    assert all(len(p.name[0]) <= 12 for p in pieces)


def test_pieces_are_numbered_and_said():
    done = prepare(Marks.empty(), Limits(max_track_points=4), tracks=track_of(10))
    tracks = done.files[0].tracks
    assert list(dict.fromkeys(tracks.name)) == ["Day one 1", "Day one 2", "Day one 3"]
    assert any("1 track too long for the plotter, now 3 in all" in w for w in done.words)


def test_a_step_longer_than_the_limit_is_said():
    done = prepare(Marks.empty(), Limits(max_track_km=0.05), tracks=track_of(3))
    assert any("2 steps between two points" in w for w in done.words)


def test_a_track_that_fits_is_left_alone():
    track = track_of(10, segment=np.r_[np.zeros(5), np.ones(5)].astype(int))
    done = prepare(Marks.empty(), Limits(max_track_points=10), tracks=track)
    assert done.words == ()
    assert done.files[0].tracks.segment.tolist() == track.segment.tolist()


def test_routes_are_cut_by_points():
    done = prepare(Marks.empty(), Limits(max_route_points=3), routes=track_of(5))
    assert np.bincount(done.files[0].routes.line).tolist() == [3, 3]


@pytest.mark.parametrize("place", [(179.99, 10.0), (0.0, 89.9999), (30.0, -60.0)])
def test_simplifying_keeps_rows_within_the_tolerance(place):
    rng = np.random.default_rng(3)
    east = np.linspace(0, 3000, 400)
    lon, lat = displace(*place, east, 40 * np.sin(east / 200) + rng.normal(0, 1, 400))
    track = Track.from_columns({"lon": lon, "lat": lat, "depth_m": np.arange(400.0)})
    thin = simplify_track(track, 5.0)
    assert 2 < len(thin) < 150
    rows = thin.depth_m.astype(int)
    np.testing.assert_array_equal(thin.lon, track.lon[rows])
    assert rows[0] == 0
    assert rows[-1] == 399
    e, n = local_offsets(lon, lat, lon[200], lat[200])
    line = shapely.linestrings(np.stack([e[rows], n[rows]], axis=1))
    assert shapely.distance(line, shapely.points(e, n)).max() <= 5.0 + 1e-6
    with pytest.raises(UsageError, match="allowed is a number above 0"):
        simplify_track(track, 0.0)


def test_selection_by_kind_and_area():
    marks = marks_of(["a", "b", "c"], kind=["Rock", "wreck", "rock"])
    assert select(marks, kinds=["rock"]).name.tolist() == ["a", "c"]
    box = shapely.box(9.0, 49.0, 10.0, 51.0)
    assert select(marks, within=box).name.tolist() == ["a"], "the edge belongs to the area"
    across = Marks.from_columns({"mark_id": ["e", "w"], "lon": [179.9, -179.9], "lat": [0.0, 0.0]})
    assert len(select(across, within=shapely.box(179.0, -1.0, 181.0, 1.0))) == 2
    assert len(select(across, within=shapely.box(-181.0, -1.0, -179.0, 1.0))) == 2


def test_limits_are_read_from_toml(tmp_path):
    text = """
max_waypoints = 500
max_name = 10
charset = "ascii-upper"
unique_names = false
max_note = 32
max_track_points = 1000
max_track_km = 20
max_route_points = 50
depth_element = "{http://example.org/depth/1}depth"
[symbols]
rock = "some text"
"""
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    limits = Limits.from_toml(path)
    assert limits == Limits.from_toml(text) == Limits.from_toml(str(path))
    assert limits.max_waypoints == 500
    assert limits.symbols == {"rock": "some text"}
    assert Limits.from_toml("") == Limits()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("max_wayponts = 3", r"no limit 'max_wayponts'; the limits are max_waypoints, max_name"),
        ("max_name = 0", "max_name is 0; allowed is a whole number from 1 up"),
        ("max_name = true", "max_name is True"),
        ("max_name = 2.5", "max_name is 2.5"),
        ("max_track_points = 1", "whole number from 2 up"),
        ("max_track_km = nan", "allowed is a number above 0"),
        ("max_track_km = 'far'", "allowed is a number above 0"),
        ("charset = 'latin'", "allowed is ascii, ascii-upper, utf-8"),
        ("unique_names = 1", "allowed is true or false"),
        ("depth_element = 'depth'", "write it as"),
        ("symbols = 'x'", "not a table of texts"),
        ("[symbols]\nrock = 3", "not a table of texts"),
        ("max_name = = 3", "is not a valid TOML file"),
    ],
)
def test_limits_that_are_wrong_are_refused(text, words):
    with pytest.raises(FileError, match=words):
        Limits.from_toml(text)


def test_a_limits_file_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(FileError, match="cannot be read: No such file"):
        Limits.from_toml(Path(tmp_path / "none.toml"))
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="is not a text file in UTF-8"):
        Limits.from_toml(tmp_path / "bad.toml")
