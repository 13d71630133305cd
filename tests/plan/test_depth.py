"""Soundings brought to datum and the water over marks, held against handbook sums and the samples."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.boat import Boat
from athwart.errors import DataError
from athwart.plan.depth import (
    ENOUGH,
    LITTLE,
    NO_DEPTH,
    NO_DRAFT,
    NO_HEIGHT,
    NO_PAST,
    NO_REFERENCE,
    NO_WATER,
    depth_over,
    own_variance,
    reduce_soundings,
    reduce_track,
)
from athwart.plan.tide import Level, Tide
from athwart.tables import Marks, Sightings, Track
from athwart.units import FOOT

SAMPLES = Path(__file__).parents[2] / "sample_gpx"
THEN = np.datetime64("2031-05-04T06:00", "us")
NOW = np.datetime64("2031-06-04T06:00", "us")
MONTH = Tide.from_readings([THEN, NOW - np.timedelta64(5, "D"), NOW], [1.0, 2.5, 2.5])


def reduced(depth, below, level, transducer=np.nan):
    return reduce_soundings(
        [depth], below, THEN, Level(height_m=level), own_sigma_m=0.1, transducer_depth_m=transducer
    ).depth_m[0]


def test_worked_reductions():
    # The contour of 2 m reads 3.5 m at 1.5 m of tide on a sounder set to the water line
    # (zeezeilers.nl, setting of the depth sounder; read).
    assert reduced(3.5, "surface", 1.5) == pytest.approx(2.0)
    # 17 ft of water at 4 ft of tide is 13 ft on the chart (David Burch, Navigation blog 2012; read).
    assert reduced(17 * FOOT.value, "surface", 4 * FOOT.value) == pytest.approx(13 * FOOT.value)
    # 7.30 below the transducer, 0.60 deep, 1.45 of tide: 6.45 (computed, no source).
    assert reduced(7.3, "transducer", 1.45, 0.6) == pytest.approx(6.45)
    assert reduced(7.3, "datum", 1.45) == pytest.approx(7.3)


@given(
    st.floats(0, 100), st.floats(-5, 5), st.floats(0, 3), st.sampled_from(["surface", "transducer"])
)
def test_the_tide_put_back_gives_the_water_that_was_there(depth, level, transducer, below):
    charted = reduced(depth, below, level, transducer)
    over = depth + (transducer if below == "transducer" else 0)
    assert charted + level == pytest.approx(over, abs=1e-9)


def test_what_is_below_nothing_named_or_an_unknown_transducer_stays_unknown():
    assert np.isnan(reduced(7.3, "", 1.0))
    assert np.isnan(reduced(7.3, "transducer", 1.0))


def test_the_levels_part_leaves_the_variance_and_no_other():
    assert own_variance(10.0, 1.0 + 0.04) == pytest.approx(0.04)
    assert own_variance(10.0, 0.5) == pytest.approx(0.5)
    assert own_variance(10.0, 2.0, with_level=False) == pytest.approx(2.0)
    # Unknown: 0.1 m + 1 % and 2 % of sound speed.
    assert own_variance(10.0, np.nan) == pytest.approx(0.2**2 + 0.2**2)


def looks(*rows):
    """Make sightings of (id, depth, below, time, variance)."""
    i, depth, below, time, variance = (list(c) for c in zip(*rows, strict=True))
    return Sightings.from_columns(
        {
            "sighting_id": i,
            "lon": 12.0,
            "lat": 55.0,
            "depth_m": depth,
            "depth_below": below,
            "time": time,
            "var_depth_m2": variance,
            "method": "pick",
        }
    )


def mark(ids, height=1.0, var_height=0.04):
    return Marks.from_columns(
        {
            "mark_id": ids.split()[0],
            "lon": 12.0,
            "lat": 55.0,
            "height_m": height,
            "var_height_m2": var_height,
            "sighting_ids": ids,
        }
    )


ONE = looks(("a", 6.0, "surface", THEN, 1.0 + 0.04))


def over(marks, sightings, **rest):
    return depth_over(marks, MONTH, NOW, sightings=sightings, past=MONTH, **rest)


def test_depth_and_clearance_of_one_mark_by_hand():
    """6 m at 1 m of water is 5 m below datum and 7.5 m at 2.5 m; a thing 1 m high."""
    got = over(mark("a"), ONE, draft_m=0.6)
    assert got.datum_m == pytest.approx(5.0)
    assert got.depth_m == pytest.approx(7.5)
    sigma = np.sqrt(0.04 + 0.075**2 + 0.05**2 + 0.05**2)
    assert got.sigma_m == pytest.approx(sigma)
    least = 7.5 - 1.0 - 1.959964 * np.sqrt(sigma**2 + 0.04)
    assert got.least_m == pytest.approx(least)
    assert got.clearance_m == pytest.approx(least - 0.6)
    assert got.state.tolist() == [ENOUGH]
    assert got.s44_vertical.tolist() == ["1"]  # 1.96 * 0.225 = 0.44 against 0.51
    assert got.sentences()[0].startswith("7.5 m of water, ± 0.4 m (95 %); at least 5.9 m over its")
    assert got.sentences("feet")[0].startswith("24.6 ft of water")


def test_too_little_water_is_shouted():
    near = over(mark("a"), ONE, draft_m=5.5, margin_m=0.5)
    assert near.state.tolist() == [LITTLE]
    assert "TOO LITTLE WATER: 0.4 m under the keel, you asked for 0.5 m" in near.sentences()[0]
    aground = over(mark("a"), ONE, draft_m=7.0)
    assert "TOO LITTLE WATER by 1.1 m" in aground.sentences()[0]


@pytest.mark.parametrize(
    ("height", "variance"), [(np.nan, np.nan), (1.0, np.nan)], ids=["no height", "no error"]
)
def test_an_unknown_height_is_never_taken_as_zero(height, variance):
    got = over(mark("a", height, variance), ONE, draft_m=0.6)
    assert got.state.tolist() == [NO_HEIGHT]
    assert np.isnan(got.clearance_m)
    assert "height is not known; no clearance is given" in got.sentences()[0]


def test_without_a_draft_there_is_no_clearance():
    got = over(mark("a"), ONE)
    assert got.state.tolist() == [NO_DRAFT]
    assert got.sentences()[0].endswith("over its top; give your draft for the clearance")


def test_an_unknown_level_gives_no_clearance():
    undated = looks(("a", 6.0, "surface", np.datetime64("NaT"), 1.04))
    inland = over(mark("a"), undated, draft_m=0.6)
    assert inland.state.tolist() == [NO_PAST]
    assert np.isnan(inland.depth_m)
    assert "when it was sounded is not known, so no depth is given" in inland.sentences()[0]
    nobody = depth_over(mark("a"), Level(height_m=2.0), NOW, sightings=ONE, past=None, draft_m=0.6)
    assert nobody.state.tolist() == [NO_PAST]
    assert np.isnan(nobody.depth_m)
    tide = Tide.from_extremes([NOW, NOW + np.timedelta64(6, "h")], [0.0, 4.0])
    got = depth_over(mark("a"), tide, NOW, sightings=undated, past=tide, draft_m=0.6)
    assert got.state.tolist() == [NO_PAST]
    assert np.isnan(got.clearance_m)
    assert got.depth_m == pytest.approx(4.0)  # sounded at half tide, as far as anybody knows
    assert got.sigma_m > 4 / np.sqrt(8)
    assert "no clearance is given" in got.sentences()[0]


@pytest.mark.parametrize("below", ["transducer", ""])
def test_a_depth_below_nothing_known_is_said_to_be_that(below):
    got = over(mark("a"), looks(("a", 6.0, below, THEN, 1.04)), draft_m=0.6)
    assert got.state.tolist() == [NO_REFERENCE]
    assert "how deep the transducer sat" in got.sentences()[0]
    with_it = over(mark("a"), looks(("a", 6.0, below, THEN, 1.04)), transducer_depth_m=0.5)
    assert (with_it.datum_m == pytest.approx(5.5)) is (below == "transducer")


def test_a_known_level_beats_any_number_of_unknown_ones():
    both = looks(("a", 6.0, "surface", THEN, 1.04), ("b", 9.0, "surface", "NaT", 1.01))
    tide = Tide.from_extremes(
        [THEN, THEN + np.timedelta64(6, "h"), NOW, NOW + np.timedelta64(6, "h")], [1.0, 4.0] * 2
    )
    got = depth_over(mark("a b"), tide, NOW, sightings=both, past=tide, draft_m=0.6)
    assert got.datum_m == pytest.approx(5.0)
    assert got.soundings.tolist() == [2]


def test_no_depth_and_no_water_are_said():
    none = looks(("a", np.nan, "", THEN, np.nan))
    assert over(mark("a"), none).state.tolist() == [NO_DEPTH]
    much_later = NOW + np.timedelta64(60, "D")
    late = depth_over(mark("a"), MONTH, much_later, sightings=ONE, past=MONTH)
    assert late.state.tolist() == [NO_WATER]
    assert "5.0 m below datum, but the height of the water then" in late.sentences()[0]


def test_a_thing_that_falls_dry_is_called_dry():
    dry = looks(("a", 0.5, "surface", THEN, 1.01))
    low = Level(height_m=0.2)
    got = depth_over(mark("a"), low, NOW, sightings=dry, past=MONTH, draft_m=0.6)
    assert "dry, 0.3 m above the water" in got.sentences()[0]
    assert got.state.tolist() == [LITTLE]


def test_more_looks_share_their_faults_and_disagreement_counts():
    same = looks(*((i, 6.0, "surface", THEN, 1.04) for i in "abcd"))
    one, four = over(mark("a"), ONE), over(mark("a b c d"), same)
    assert four.sigma_m == pytest.approx(one.sigma_m)
    apart = looks(("a", 6.0, "surface", THEN, 1.04), ("b", 8.0, "surface", THEN, 1.04))
    got = over(mark("a b"), apart)
    assert got.disagree.tolist() == [True]
    assert got.sigma_m > 1.0
    assert "its soundings disagree" in got.sentences()[0]


def test_each_mark_may_have_its_own_time():
    marks = Marks.concat([mark("a"), mark("a")])
    got = depth_over(marks, MONTH, np.array([THEN, NOW]), sightings=ONE, past=MONTH)
    assert got.depth_m == pytest.approx([6.0, 7.5])


def test_no_marks_are_no_error():
    assert over(Marks.empty(), Sightings.empty()).sentences() == []


@pytest.mark.parametrize(("draft", "margin"), [(-1, 0.5), (0.6, -0.1)])
def test_a_draft_or_margin_below_zero_is_refused(draft, margin):
    with pytest.raises(DataError, match="allowed is 0 or more"):
        over(mark("a"), ONE, draft_m=draft, margin_m=margin)


def test_a_track_is_reduced_with_its_sound_speed_and_transducer():
    track = Track.from_columns(
        {
            "lon": 12.0,
            "lat": 55.0,
            "time": THEN,
            "depth_m": [10.0, 10.0, 10.0],
            "depth_below": ["transducer", "surface", ""],
        }
    )
    boat = Boat(transducer_depth_m=0.5, water_sound_mps=1470.0)
    made, words = reduce_track(track, Level(height_m=1.0), boat)
    # 10 x 1470/1500 below the transducer; the surface reading has 9.5 m of sound path.
    assert made.depth_m == pytest.approx([9.8 + 0.5 - 1, 9.5 * 0.98 + 0.5 - 1, 9.8 + 0.5 - 1])
    assert words == ["depths are taken as below the transducer, since nothing says below what"]
    _, words = reduce_track(track, Level(height_m=1.0), Boat())
    assert "nothing says how deep it sits" in words[1]


def test_the_samples_come_back_to_the_true_depths():
    """The samples are traced without the package; each trip's true water level is on record.

    Trip 1 and 2 were sounded at +0.35 and -0.40 m; reduced by those, the depths must be the true
    ones within their stated error, and without the reduction they must differ by the level.
    """
    from athwart.fix import fix
    from athwart.formats import read

    def rows(name):
        with (SAMPLES / name).open(encoding="utf-8") as handle:
            return list(csv.DictReader(handle))

    truth = {r["id"]: float(r["depth_m"]) for r in rows("truth.csv")}
    level = {r["trip"]: r["water_level_m"] for r in rows("truth-trips.csv")}
    which = {(r["file"], int(r["row"])): r["id"] for r in rows("truth-rows.csv")}
    boat = Boat.from_toml(SAMPLES / "tern.toml")
    biases = []
    for trip, file, track in (
        ("tern-1", "trip-1-picks.csv", "trip-1-track.gpx"),
        ("tern-2", "trip-2-picks-feet.csv", "trip-2-log.nmea"),
    ):
        picks = read(SAMPLES / file).picks
        s = fix(picks, track=read(SAMPLES / track).tracks, boat=boat, source=file, skip_bad=True)
        s = s.sightings.take(np.isfinite(s.sightings.depth_m))
        true = np.array([truth[which[file, row]] for row in s.source_row.tolist()])
        made = reduce_soundings(
            s.depth_m,
            s.depth_below,
            s.time,
            Level(height_m=float(level[trip])),
            own_sigma_m=np.sqrt(own_variance(s.depth_m, s.var_depth_m2, boat.budget)),
            transducer_depth_m=boat.transducer_depth_m,
        )
        off = made.depth_m - true
        assert np.mean(np.abs(off) < 1.96 * made.sigma_m) > 0.9
        biases.append(np.median(off))
    assert np.abs(biases) == pytest.approx(0, abs=0.2)


def test_the_tide_table_of_the_samples_agrees_with_the_true_levels():
    from athwart.formats.heights import read_heights

    table = read_heights(SAMPLES / "tides.csv")
    tide = Tide.from_extremes(table.time, table.height_m, table.what)
    height, sigma = tide.height(np.array(["2025-05-10T07:55", "2025-05-11T07:10"], "datetime64"))
    assert np.all(np.abs(height - [0.35, -0.40]) < 1.96 * sigma)
    assert np.isnan(tide.height(np.datetime64("2025-05-24T08:30"))[0])
