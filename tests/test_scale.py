"""What the page about scale shows: the script gives the marks of one piece, the figure is its own."""

import importlib
import importlib.util
import re
import sys
from pathlib import Path

import pytest

from athwart.boat import Boat
from athwart.fix import fix
from athwart.merge import in_order, merge
from athwart.tables import Sightings
from drawings import assert_names_itself, assert_same_drawing, assert_words_can_be_read

DOCS = Path(__file__).parents[1] / "docs"
BOAT = Boat(name="Tern")


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("partitioned", DOCS / "scale" / "partitioned.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["partitioned"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def survey(script):
    return script.Survey(6_000, chunk=2_000, a_trip=500)


@pytest.fixture(scope="module")
def whole(survey):
    made = [fix(survey.make(k), boat=BOAT).sightings for k in range(survey.chunks)]
    return merge(Sightings.concat(made))


def test_the_stages_one_by_one_give_the_marks_of_one_piece(script, survey, whole, tmp_path):
    """Without Dask: every task is done when it is named."""
    first = script.first_rows(survey, 1_000)
    assert len(first) >= 5
    script._stages(survey, tmp_path, BOAT, first, lambda task: task)
    parts = [script._read(tmp_path / f"marks-{b:04d}") for b in range(len(first))]
    division = script._read(tmp_path / "division")
    assert division.crossing > 0
    assert any(k.group for k in division.sittings)  # trips over many bands were weighed together
    assert script.differences(whole.marks, in_order(parts)) == []
    assert division.offsets == whole.report.offsets


def test_under_dask_the_marks_are_those_of_one_piece(script, survey, whole, tmp_path):
    pytest.importorskip("dask", reason="dask, of the extra 'scale', is not installed")
    parts = script.partitioned(survey, tmp_path, BOAT, 1_000, workers=1)
    assert script.differences(whole.marks, in_order(parts)) == []


def test_the_comparison_finds_a_difference_of_one_bit(script, whole):
    lat = whole.marks.lat.copy()
    lat[3] += 1e-13
    assert script.differences(whole.marks, whole.marks.with_columns(lat=lat)) == ["lat"]


def test_the_figure_is_what_its_script_draws_from_the_measured_numbers(monkeypatch):
    monkeypatch.syspath_prepend(DOCS / "figures")
    drawn = importlib.import_module("scale_growth").draw()
    path = DOCS / "scale" / "growth.svg"
    assert_same_drawing(path.read_text(encoding="utf-8"), drawn)
    assert_names_itself(path)
    assert_words_can_be_read(path)
    page = (DOCS / "scale.md").read_text(encoding="utf-8")
    (alt,) = re.findall(r"!\[([^\]]*)\]\(scale/growth\.svg\)", page)
    assert len(alt) > 40
