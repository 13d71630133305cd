"""What a mark says: name, kind, note, depth, height, ids, times; and the report's sentences."""

import numpy as np
import pytest
from looking import looks_at

from athwart.merge import merge
from athwart.merge.marks import AUTOMATIC_NAMES, automatic
from athwart.merge.offset import Offset
from athwart.merge.report import Report, offset_sentence
from athwart.tables import Sightings
from athwart.units import many

TIMES = ["2026-05-03T06:00", "2026-05-09T06:00", "2026-05-12T06:00"]


def test_automatic_names():
    given = ["", "001", "12:31", "2026-05-03 06:12", "2026-05-03T06:12:00Z", "WP7", "MARK 12"]
    typed = ["anchor rock", "rocks12", "No. 3 buoy", "WP", "reef", "3rd pile", "T"]
    assert automatic(given, AUTOMATIC_NAMES).all()
    assert not automatic(typed, AUTOMATIC_NAMES).any()


def test_a_typed_name_beats_a_later_automatic_one():
    m = merge(looks_at([0, 1, 2], 0, time=TIMES, name=["anchor rock", "WP012", "0047"]))
    assert m.marks.name[0] == "anchor rock"


def test_the_latest_typed_name_stands():
    m = merge(looks_at([0, 1, 2], 0, time=TIMES, name=["anchor rock", "the chimney", ""]))
    assert m.marks.name[0] == "the chimney"


def test_a_dated_name_beats_an_undated_one():
    m = merge(looks_at([0, 1], 0, time=[TIMES[0], "NaT"], name=["anchor rock", "the chimney"]))
    assert m.marks.name[0] == "anchor rock"


def test_the_pattern_of_automatic_names_is_adjustable():
    s = looks_at([0, 1], 0, time=TIMES[:2], name=["anchor rock", "spot/9"])
    assert merge(s).marks.name[0] == "spot/9"
    assert merge(s, automatic_names=r"spot/\d+").marks.name[0] == "anchor rock"


def test_no_note_no_link_and_no_hazard_is_lost():
    m = merge(
        looks_at(
            [0, 1, 2],
            0,
            time=TIMES,
            note=["line fouled", "", "line fouled\nsnagged again"],
            links=["a.png\t\t", "b.png\t\t", ""],
            hazard=[False, True, False],
        )
    )
    assert m.marks.note[0] == "line fouled\nsnagged again"
    assert m.marks.links[0] == "a.png\t\t\nb.png\t\t"
    assert m.marks.hazard[0]


def test_mark_id_is_that_of_the_earliest_sighting():
    m = merge(looks_at([0, 1, 2], 0, time=[TIMES[2], TIMES[0], "NaT"]))
    assert m.marks.mark_id[0] == "s01"
    assert m.marks.sighting_ids[0] == "s01 s00 s02"
    assert m.marks.first_time[0] == np.datetime64(TIMES[0])
    assert m.marks.last_time[0] == np.datetime64(TIMES[2])


def test_equal_times_go_by_id():
    m = merge(looks_at([0, 1], 0, ids=["b", "a"], time=TIMES[:1] * 2))
    assert m.marks.mark_id[0] == "a"


def test_undated_marks_have_no_time():
    m = merge(looks_at([0, 1], 0))
    assert np.isnat(m.marks.first_time[0])
    assert np.isnat(m.marks.last_time[0])


def test_depths_fuse_by_weight():
    # weights 1 and 4: (20.0 + 4 * 20.5) / 5, variance 1 / 5 * 0.25
    m = merge(
        looks_at([0, 1], 0, depth_m=[20.0, 20.5], var_depth_m2=[0.25, 0.0625], depth_below="datum")
    )
    assert m.marks.depth_m[0] == pytest.approx(20.4)
    assert m.marks.var_depth_m2[0] == pytest.approx(0.05)
    assert m.marks.depth_below[0] == "datum"
    assert not list(m.report.depth_disagreements())


def test_depths_of_two_references_do_not_mix():
    m = merge(
        looks_at(
            [0, 1, 2],
            0,
            depth_m=[20.0, 25.0, 20.0],
            var_depth_m2=0.25,
            depth_below=["datum", "surface", "datum"],
        )
    )
    assert (m.marks.depth_m[0], m.marks.depth_below[0]) == (20.0, "datum")
    assert not list(m.report.depth_disagreements())


def test_depths_that_disagree_are_reported():
    m = merge(looks_at([0, 1], 0, depth_m=[20.0, 23.0], var_depth_m2=0.25, depth_below="surface"))
    record = next(m.report.depth_disagreements("feet"))
    assert (record["least_m"], record["most_m"]) == (20.0, 23.0)
    assert "below surface" in record["sentence"]
    assert "65.6 ft to 75.5 ft" in record["sentence"]


def test_least_depth_needs_a_height():
    s = looks_at([0], 0, depth_m=20.0, var_depth_m2=0.09, depth_below="datum")
    assert np.isnan(merge(s).marks.least_depth_m[0])
    s = s.with_columns(height_m=3.0, var_height_m2=0.16)
    # 20 - 3 - 1.96 * 0.5, the two-sided 95 % point of the normal from tables: 1.960
    assert merge(s).marks.least_depth_m[0] == pytest.approx(16.02, abs=1e-4)


def test_depths_and_heights_without_an_error_take_the_usual_one():
    """0.1 m + 1 % and 1 m of water level; 0.3 m + 10 %: common practice, no source."""
    m = merge(looks_at([0], 0, depth_m=20.0, depth_below="surface", height_m=2.0)).marks
    assert m.var_depth_m2[0] == pytest.approx(0.3**2 + 1.0)
    assert m.var_height_m2[0] == pytest.approx(0.5**2)
    two = merge(looks_at([0, 1], 0, height_m=[2.0, 3.0], var_height_m2=[np.nan, 0.25])).marks
    assert (two.height_m[0], two.var_height_m2[0]) == pytest.approx((2.5, 0.125))


@pytest.mark.parametrize(("apart", "said"), [(1.37, 0), (1.40, 1)])
def test_depths_disagree_from_the_95_percent_point_on(apart, said):
    """Chi-square of one degree of freedom, 3.841 (any table), of twice 0.25 m^2: 1.386 m."""
    s = looks_at([0, 1, 50], 0, depth_m=[20.0, 20.0 + apart, 90.0], var_depth_m2=0.25,
                 depth_below=["surface", "surface", "datum"])  # fmt: skip
    records = list(merge(s).report.depth_disagreements())
    assert len(records) == said
    if said:
        assert (records[0]["depth_below"], records[0]["least_m"]) == ("surface", 20.0)


def test_of_two_references_the_surer_depth_stands():
    s = looks_at([0, 1, 2, 60], 0, depth_m=[20.0, 25.0, 25.2, 7.0], depth_below=[
        "datum", "surface", "surface", "transducer"], var_depth_m2=0.25)  # fmt: skip
    m = merge(s).marks
    both = m.sightings == 3
    assert m.depth_m[both][0] == pytest.approx(25.1)
    assert m.depth_below[both][0] == "surface"
    assert m.depth_below[~both][0] == "transducer"


def test_lines_said_twice_are_kept_once_in_the_order_of_time():
    times = [TIMES[1], TIMES[0], TIMES[2]]
    m = merge(looks_at([0, 1, 2], 0, time=times, note=["b\nc", "a\nb", "d"])).marks
    assert m.note[0] == "a\nb\nc\nd"


def test_the_latest_definite_kind_beats_a_later_other():
    m = merge(looks_at([0, 1, 2], 0, time=TIMES, kind=["reef", "rock", "other"]))
    assert m.marks.kind[0] == "rock"
    record = next(m.report.kind_disagreements())
    assert record["kinds"] == "other, reef, rock"
    assert record["sentence"].endswith("say other and reef and rock; it was taken as rock.")


def test_unknown_depth_stays_unknown():
    m = merge(looks_at([0, 1], 0))
    assert np.isnan(m.marks.depth_m[0])
    assert m.marks.depth_below[0] == ""


def test_r95_and_s44_are_those_of_the_fused_covariance():
    # 2.4477 sigma of a circular error (IHO S-44: 2.45 sigma); sigma^2 = 4 / 4
    m = merge(looks_at(np.zeros(4), 0))
    assert m.marks.r95_m[0] == pytest.approx(2.4477, abs=1e-4)
    assert m.marks.s44_horizontal[0] == "1"


def test_extra_columns_ride_along_with_the_sightings():
    s = looks_at([0, 1], 0)
    s = Sightings.from_columns(s.to_columns(), extra={"gain": [3, 4]})
    m = merge(s)
    assert dict(zip(m.sightings.sighting_id, m.sightings.extra["gain"], strict=True)) == {
        "s00": 3,
        "s01": 4,
    }


def test_folded_records_and_summary():
    m = merge(looks_at([0, 1, 60], 0))
    record = next(m.report.folded("feet"))
    assert record["sightings"] == record["trips"] == 2
    assert record["sentence"] == "mark s00 stands for 2 sightings of 2 trips; 95 % within 11.4 ft."
    assert m.report.summary().startswith("3 sightings, 2 marks: 1 of several sightings, 1 of one;")
    assert {r["what"] for r in m.report.rows()} == {"folded"}


def test_a_silent_report_counts_and_says_nothing_else():
    m = merge(looks_at([0, 1, 60], 0, kind=["rock", "reef", ""])).marks
    silent = Report.silent(m, 3)
    assert [r["what"] for r in silent.rows()] == ["folded"]
    assert silent.summary() == (
        "3 sightings, 2 marks: 1 of several sightings, 1 of one; 0 near pairs kept apart."
    )


def test_what_can_be_done_about_a_trip_that_sits_off_is_said():
    off = Offset("May", 12.0, 7.0, 1.5, 11.9, 14, 0.4)
    assert offset_sentence(off) == (
        "Trip 'May' sits 12.0 m off the others towards 007° (true), by 14 of its sightings; look "
        "for a wrong lever arm, clock or heading, or have the trip shifted."
    )
    assert offset_sentence(off, shifted=True).endswith("sightings; it was moved onto them.")


@pytest.mark.parametrize("rows", [0, 1])
def test_no_rows_and_one_row(rows):
    s = looks_at([0], 0).take(np.arange(rows))
    m = merge(s)
    assert len(m.marks) == len(m.sightings) == len(m.mark_of) == rows
    assert not list(m.report.kept_apart())
    assert m.report.summary().startswith(f"{many(rows, 'sighting')}, {many(rows, 'mark')}:")
