"""The figures of the explanation are what the script draws, and the page shows every one."""

import importlib.util
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from drawings import NUMBER, SVG, assert_names_itself, assert_same_drawing, assert_words_can_be_read

DOCS = Path(__file__).parents[1] / "docs"
FIGURES = DOCS / "figures"
SCRIPT = FIGURES / "make_figures.py"
COMMITTED = sorted(FIGURES.glob("*.svg"))


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    directory = tmp_path_factory.mktemp("figures")
    subprocess.run([sys.executable, str(SCRIPT), str(directory)], check=True)
    return directory


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_figures", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_figures"] = module
    spec.loader.exec_module(module)
    return module


def words_of(name):
    root = ElementTree.parse(FIGURES / f"{name}.svg").getroot()
    return [t.text for t in root.iter(f"{SVG}text")]


def test_the_committed_figures_are_those_that_the_script_draws(drawn):
    assert [p.name for p in sorted(drawn.iterdir())] == [p.name for p in COMMITTED]


@pytest.mark.parametrize("path", COMMITTED, ids=lambda p: p.stem)
def test_a_figure_is_up_to_date(path, drawn):
    old, new = (p.read_text(encoding="utf-8") for p in (path, drawn / path.name))
    assert_same_drawing(old, new)


def test_the_same_input_gives_the_same_bytes(drawn, script, tmp_path):
    script.main(tmp_path)
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (drawn / path.name).read_bytes()


def test_the_page_shows_every_figure_with_a_text_for_those_who_cannot_see_it():
    page = (DOCS / "explanation.md").read_text(encoding="utf-8")
    shown = re.findall(r"!\[([^\]]*)\]\(figures/([\w-]+)\.svg\)", page)
    assert sorted(name for _, name in shown) == [p.stem for p in COMMITTED]
    assert all(len(alt) > 40 for alt, _ in shown)


@pytest.mark.parametrize("path", COMMITTED, ids=lambda p: p.stem)
def test_a_figure_names_itself_brings_its_ground_and_asks_for_nothing(path):
    assert_names_itself(path)


@pytest.mark.parametrize("path", COMMITTED, ids=lambda p: p.stem)
def test_words_stay_on_the_page_and_can_be_read_on_a_telephone(path):
    assert_words_can_be_read(path)


def test_the_triangles_are_those_of_the_textbooks():
    # Pythagorean triples 8, 15, 17 and 10, 24, 26 (Euclid, Elements, book X, lemma to prop. 29;
    # from memory)
    assert "ground range y = 15 m" in words_of("slant-range")
    assert "end of the shadow: 24.0 m" in words_of("shadow")
    # Similar triangles: the top lies 20 / 26 of the way to 24 m, 10 x 6 / 26 high.
    assert "the top: y = 18.5 m" in words_of("shadow")
    assert any(w.endswith("= 2.3 m") for w in words_of("shadow"))


def test_the_shares_add_up_to_the_whole(script):
    alone, whole = script.squared_by_source(np.linspace(10.0, 100.0, 19), 20.0, 2.0)
    np.testing.assert_allclose(alone.sum(axis=0), whole, rtol=0.05)
    # By hand: 2.5 m in east and in north; 3 degrees at 100 m are 5.2 m.
    np.testing.assert_allclose(alone[0], 12.5)
    assert alone[-1][-1] == pytest.approx((100 * np.sin(np.radians(3))) ** 2, rel=0.02)


def test_the_straight_line_formula_meets_ours_far_out_and_fails_near(script):
    boat = script._own_boat(gnss_shared_m=0.0, gnss_own_m=0.0, boat_m=0.0)
    for h in (2.0, 4.0, 10.0, 40.0):
        slant = np.array([1.00005, 3.0]) * h
        ours = script.r95(*script._starboard(slant, h, boat).total_covariance())
        rough = script.first_order_r95(slant, h, boat.budget)
        assert rough[0] > 3 * ours[0]
        assert rough[1] == pytest.approx(ours[1], rel=0.05)


def test_the_gate_figure_says_what_the_picture_shows():
    words = words_of("gate")
    assert "A and B, same trip: may be one thing." in words
    assert "A and C, same trip: two things." in words
    assert "A and C, if C is of another trip: may be one thing." in words


def test_the_vote_finds_the_trip_that_was_moved():
    (found,) = (w for w in words_of("trip-off") if w.startswith("Found:"))
    (put_in,) = (w for w in words_of("trip-off") if "Put in" in w)
    distance, bearing = map(float, NUMBER.findall(found))
    _, true_distance, true_bearing = map(float, NUMBER.findall(put_in))
    assert distance == pytest.approx(true_distance, abs=2)
    assert bearing == pytest.approx(true_bearing, abs=4)
