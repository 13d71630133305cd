"""The pages about planning: their commands run, their figures are what their scripts draw."""

import importlib
import re

import pytest

from drawings import assert_names_itself, assert_same_drawing, assert_words_can_be_read
from pages import PLAN, PLAN_PAGES, ROOT, run_commands

FIGURES = ROOT / "docs" / "figures"
HOW_TO = "from-marks-to-sheet"
DRAWN = [p.stem for p in PLAN_PAGES if p.stem != HOW_TO]


@pytest.mark.parametrize("page", PLAN_PAGES, ids=lambda p: p.stem)
def test_commands_on_a_page_run_one_after_the_other(page, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    run_commands(page, tmp_path, capsys)


@pytest.mark.parametrize("name", DRAWN)
def test_a_page_shows_its_figure_with_a_text_for_those_who_cannot_see_it(name):
    page = (PLAN / f"{name}.md").read_text(encoding="utf-8")
    (alt,) = re.findall(rf"!\[([^\]]*)\]\({re.escape(name)}\.svg\)", page)
    assert len(alt) > 40


@pytest.mark.parametrize("name", DRAWN)
def test_a_figure_is_what_its_script_draws(name, monkeypatch):
    monkeypatch.syspath_prepend(FIGURES)
    script = importlib.import_module(f"plan_{name.replace('-', '_')}")
    committed = (PLAN / f"{name}.svg").read_text(encoding="utf-8")
    assert_same_drawing(committed, script.draw())
    assert script.draw() == script.draw()


@pytest.mark.parametrize("name", DRAWN)
def test_a_figure_names_itself_and_can_be_read(name):
    assert_names_itself(PLAN / f"{name}.svg")
    assert_words_can_be_read(PLAN / f"{name}.svg")


def test_every_figure_and_script_belongs_to_a_page():
    assert {p.stem for p in PLAN.glob("*.svg")} <= {p.stem for p in PLAN_PAGES}
    scripts = {p.stem.removeprefix("plan_") for p in FIGURES.glob("plan_*.py")}
    assert scripts <= {p.stem.replace("-", "_") for p in PLAN_PAGES}


def test_every_page_is_found_through_the_index_and_the_index_through_the_readme():
    index = (PLAN / "README.md").read_text(encoding="utf-8")
    assert {p.name for p in PLAN_PAGES} <= set(re.findall(r"\]\(([\w-]+\.md)", index))
    assert "](docs/plan/README.md" in (ROOT / "README.md").read_text(encoding="utf-8")
