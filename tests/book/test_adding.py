"""Taking files in: nothing twice, nothing lost, whatever a file is called or holds besides."""

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from shelf import DAY, Book, at, looks, points
from worlds_of_books import examples

from athwart.boat import Boat
from athwart.book.reading import read_book
from athwart.cli import cli as athwart
from athwart.contents import Contents
from athwart.tables import Picks, Track, Waypoints

SAMPLES = Path(__file__).parents[2] / "sample_gpx"


@pytest.fixture
def book(tmp_path):
    return Book.new(tmp_path)


def run(*words):
    result = CliRunner().invoke(athwart, [str(w) for w in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def counts(book):
    return tuple(
        book.read(f"SELECT count(*) FROM {t}")[0][0]
        for t in ("sightings", "earlier_fixes", "tracks", "routes", "files", "log")
    )


def season(rng, n):
    return points(
        rng.uniform(-3000, 3000, n),
        rng.uniform(-3000, 3000, n),
        [f"place {k}" for k in range(n)],
        note=[f"note {k}" for k in range(n)],
        time=DAY + np.arange(n).astype("timedelta64[m]"),
    )


@examples(15)
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 12))
def test_renamed_reordered_or_inside_a_larger_file_adds_nothing(tmp_path_factory, seed, n):
    rng = np.random.default_rng(seed)
    book = Book.new(tmp_path_factory.mktemp("b"))
    all_of_it = season(rng, n + 5)
    some = all_of_it.take(np.arange(n))
    assert book.add(some, "card.gpx").new == n
    before = book.dump()
    for name, table in (
        ("card.gpx", some),
        ("another name.gpx", some),
        ("reordered.gpx", some.take(rng.permutation(n))),
        ("twice.gpx", Waypoints.concat([some, some])),
    ):
        added = book.add(table, name)
        assert (added.new, added.revised, added.known) == (0, 0, len(table))
        assert book.dump() == before
    larger = book.add(all_of_it.take(rng.permutation(n + 5)), "larger.gpx")
    assert (larger.new, larger.revised, larger.known) == (5, 0, n)


def test_adding_nothing_new_is_no_entry_and_is_said(tmp_path):
    folder = tmp_path / "s.gpkg"
    run("book", "add", folder, SAMPLES / "waypoints.gpx", SAMPLES / "trip-1-track.gpx")
    before = counts(Book(folder))
    out = run("book", "add", folder, SAMPLES / "waypoints.gpx", SAMPLES / "trip-1-track.gpx")
    assert "nothing new" in out
    assert "15 known already" in out
    assert "1 known already" in out
    assert counts(Book(folder)) == before


def test_the_same_content_for_another_trip_stays_in_its_trip_and_that_is_said(book):
    table = points([0, 500], [0, 0], ["A", "B"])
    book.add(table, trip="first")
    added = book.add(table, trip="second")
    assert (added.new, added.revised, added.known) == (0, 0, 2)
    assert any("'second'" in w and "stay in the trip" in w for w in added.words)
    assert book.read("SELECT DISTINCT trip FROM sightings") == [("first",)]


@pytest.mark.parametrize("ending", ["gpx", "csv", "gpkg", "geojson"])
def test_our_own_outputs_hold_nothing_new(tmp_path, ending):
    track, boat = SAMPLES / "trip-1-track.gpx", SAMPLES / "tern.toml"
    path = tmp_path / "s.gpkg"
    run("book", "add", path, track, SAMPLES / "waypoints.gpx", SAMPLES / "old-card.gpx")
    run("book", "add", path, SAMPLES / "trip-1-picks.csv", "--boat", boat, "--trip", "one")
    run("book", "merge", path)
    run("merge", path, "-o", tmp_path / f"out.{ending}")
    before = counts(Book(path))
    assert "nothing new" in run("book", "add", path, tmp_path / f"out.{ending}")
    assert counts(Book(path)) == before


def test_a_fixed_file_and_its_picks_are_one(tmp_path):
    path, picks = tmp_path / "s.gpkg", SAMPLES / "trip-1-picks.csv"
    options = ["--track", SAMPLES / "trip-1-track.gpx", "--boat", SAMPLES / "tern.toml"]
    for ending in ("csv", "gpkg", "gpx"):
        run("fix", picks, *options, "-o", tmp_path / f"fixed.{ending}")
    run("book", "add", path, tmp_path / "fixed.csv", "--trip", "one")
    count = counts(Book(path))[0]
    assert count == 29
    run("book", "add", path, picks, *options)
    run("book", "add", path, tmp_path / "fixed.gpkg", tmp_path / "fixed.gpx")
    assert counts(Book(path))[:2] == (count, 0)


def test_names_that_merging_gave_to_trips_are_not_taken_for_given_ones(book):
    raw = looks([0, 900], [0, 0], ["a" * 20, "b" * 20], trip=["", ""], time=[DAY, np.datetime64()])
    named = raw.with_columns(
        trip=np.array(["2026-05-03 06:00", f"undated {'b' * 20}"], dtype=object)
    )
    book.add(named)
    book.merge()
    assert book.read("SELECT name, given FROM trips") == [("2026-05-03 06:00", 0)]
    assert book.add(raw).new == 0


# -- the same observation with another result ----------------------------------------------------


def pick(**columns):
    lon, lat = at(0, 0)
    values = {
        "time": DAY, "lon": lon, "lat": lat, "heading_deg": 40.0, "side": "port",
        "slant_range_m": 21.3, "depth_m": 4.3, "depth_below": "transducer", "name": "stone",
    }  # fmt: skip
    values = {k: np.atleast_1d(v) for k, v in (values | columns).items()}
    return Contents(source="picks.csv", picks=Picks.from_columns(values))


def test_a_better_boat_file_makes_a_new_revision_that_all_later_merges_use(book):
    first, better = Boat(), Boat(lever_forward_m=-3.0, lever_starboard_m=1.0)
    assert book.add(contents=pick(), boat=first).new == 1
    book.merge()
    old = book.read("SELECT geom, sighting_id FROM sightings")[0]
    mark = book.mark(old[1])
    again = book.add(contents=pick(), boat=better)
    assert (again.new, again.revised, again.known) == (0, 1, 0)
    (new,) = book.read("SELECT geom, sighting_id, revision FROM sightings")
    assert new[0] != old[0]
    assert new[1:] == (old[1], 2)
    assert book.read("SELECT geom, sighting_id, revision FROM earlier_fixes") == [(*old, 1)]
    book.merge()
    moved = book.mark(old[1])
    assert moved["mark_id"] == mark["mark_id"]
    assert (moved["lon"], moved["lat"]) != (mark["lon"], mark["lat"])
    book.merge(whole=True)
    assert book.mark(old[1])["lon"] == moved["lon"]


def test_a_result_that_a_later_one_replaced_adds_nothing_and_names_the_entry(book):
    first, better = Boat(), Boat(lever_forward_m=-3.0)
    book.add(contents=pick(), boat=first)
    book.add(contents=pick(), boat=better)
    before = book.dump()
    added = book.add(contents=pick(), boat=first)
    assert (added.new, added.revised, added.known) == (0, 0, 1)
    assert any("entry 2" in w for w in added.words)
    assert book.dump() == before
    book.undo(2)
    assert book.read("SELECT count(*) FROM earlier_fixes") == [(0,)]


def test_a_copy_that_says_less_changes_nothing(book):
    full = points([0, 500], [0, 0], ["A", "B"], note=["snag here", ""], kind=["rock", "wreck"])
    book.add(full)
    before = book.dump()
    bare = Waypoints.from_columns({"lon": full.lon, "lat": full.lat, "name": full.name})
    rounded = bare.with_columns(lon=np.round(full.lon, 7), lat=np.round(full.lat, 7))
    for table in (bare, rounded):
        added = book.add(table)
        assert (added.new, added.revised) == (0, 0)
        assert book.dump() == before


def test_a_copy_that_says_more_is_a_new_result_and_keeps_what_was_said(book):
    bare = points([0], [0], ["A"], kind=["rock"])
    book.add(bare)
    noted = points([0], [0], ["A"], note=["snag here"])
    assert book.add(noted).revised == 1
    assert book.read("SELECT kind, note, revision FROM sightings") == [("rock", "snag here", 2)]
    assert (book.add(noted).revised, book.add(bare).revised) == (0, 0)


def test_repeats_within_one_file_keep_all_that_they_say(book):
    twice = points([0, 0], [0, 0], ["A", "A"], note=["snag", "net on it"], hazard=[False, True])
    added = book.add(twice)
    assert (added.new, added.known) == (1, 1)
    ((note, hazard),) = book.read("SELECT note, hazard FROM sightings")
    assert set(note.split("\n")) == {"snag", "net on it"}
    assert hazard
    assert book.add(twice).revised == 0


# -- tracks and routes ---------------------------------------------------------------------------


def track(*pieces, depth=False, name="evening"):
    """Return a track of pieces: ranges of minutes."""
    parts = []
    for k, minutes in enumerate(pieces):
        m = np.asarray(minutes, float)
        lon, lat = at(m * 50, np.sin(m) * 30)
        more = {"depth_m": 5 + m / 10, "depth_below": "surface"} if depth else {}
        parts.append(
            Track.from_columns(
                {
                    "lon": lon, "lat": lat, "time": DAY + (m * 60).astype("timedelta64[s]"),
                    "line": np.full(len(m), k), "segment": np.full(len(m), k),
                    "name": np.full(len(m), name, dtype=object), **more,
                }
            )
        )  # fmt: skip
    return Contents(source="t.gpx", tracks=Track.concat(parts))


def lines(book):
    return sorted(r[0] for r in book.read("SELECT points FROM tracks"))


@pytest.mark.parametrize("layer", ["tracks", "routes"])
def test_lines_are_known_segment_by_segment(book, layer):
    both = track(range(10), range(20, 35))
    contents = Contents(source="t.gpx", **{layer: both.tracks})
    assert book.add(contents=contents).lines == 2
    one = Contents(source="t2.gpx", **{layer: track(range(20, 35), range(50, 60)).tracks})
    added = book.add(contents=one)
    assert (added.lines, added.known_lines) == (1, 1)
    assert book.add(contents=contents).known_lines == 2


def test_a_track_that_grew_takes_the_place_of_its_shorter_self(book):
    book.add(contents=track(range(10)))
    assert book.add(contents=track(range(10), range(12, 15))).lines == 1
    assert book.add(contents=track(range(25))).lines == 1
    assert lines(book) == [25]
    part = book.add(contents=track(range(5, 20)))
    assert (part.lines, part.known_lines) == (0, 1)
    book.undo()
    assert lines(book) == [3, 10]


def test_a_longer_line_without_depths_keeps_those_of_the_shorter(book):
    book.add(contents=track(range(10), depth=True))
    book.add(contents=track(range(-5, 15)))
    (only,) = lines(book)
    tracks = read_book(book.path).tracks
    assert only == 20
    assert np.isfinite(tracks.depth_m).sum() == 10
    assert np.allclose(tracks.depth_m[5:15], 5 + np.arange(10) / 10)


def test_the_same_line_with_depths_brings_them_in_once(book):
    book.add(contents=track(range(10)))
    assert book.add(contents=track(range(10), depth=True)).lines == 1
    assert lines(book) == [10]
    assert np.isfinite(read_book(book.path).tracks.depth_m).all()
    for again in (track(range(10), depth=True), track(range(10))):
        assert book.add(contents=again).known_lines == 1
