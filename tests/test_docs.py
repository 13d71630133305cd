"""Examples in docstrings and pages run; pages link to what exists; commands are documented."""

import doctest
import importlib
import importlib.util
import pkgutil
import re
import sqlite3
import tomllib

import pytest

import athwart
from athwart.boat import Boat
from athwart.cli import COMMANDS
from pages import PLAN, ROOT, blocks, run_commands

PAGES = sorted(
    [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md"), *PLAN.glob("*.md")]
)
MODULES = sorted(
    m.name
    for m in pkgutil.walk_packages(athwart.__path__, "athwart.")
    if m.name != "athwart.__main__"
)


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_run(name):
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_python_on_pages_runs(page, capsys):
    for code in blocks(page, "python"):
        exec(compile(code, page.name, "exec"), {})


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_on_pages_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", ["README.md", "docs/howto.md", "docs/tutorial.md"])
def test_commands_on_pages_run_one_after_the_other(page, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    run_commands(ROOT / page, tmp_path, capsys)


def test_anchors_on_pages_are_headings():
    for page in PAGES:
        for target, anchor in re.findall(
            r"\]\(([^)#:]*)#([^)]+)\)", page.read_text(encoding="utf-8")
        ):
            text = (page.parent / target if target else page).read_text(encoding="utf-8")
            headings = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", h).lower().replace(" ", "-") for h in headings}


def test_the_boat_file_of_the_reference_is_read():
    (text,) = blocks(ROOT / "docs" / "reference.md", "toml")
    boat = Boat.from_mapping(tomllib.loads(text))
    assert boat.name == "Tern"


def test_every_command_is_documented():
    page = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"`{name}" in page


def test_every_command_of_the_book_is_documented():
    from athwart.cli.book_command import COMMANDS as BOOK_COMMANDS

    page = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
    for name in BOOK_COMMANDS:
        assert f"| `book {name} " in page


def test_the_page_of_the_schema_is_what_its_script_writes():
    spec = importlib.util.spec_from_file_location("made", ROOT / "docs" / "make_book_schema.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    page = (ROOT / "docs" / "book-schema.md").read_text(encoding="utf-8")
    assert page == script.page()


def test_the_page_of_the_schema_is_true_of_a_book(tmp_path):
    """SQLite itself is asked for the tables and columns of a new book."""
    from athwart.book.store import create

    create(tmp_path / "season.gpkg")
    page = (ROOT / "docs" / "book-schema.md").read_text(encoding="utf-8")
    told = {
        name: re.findall(r"^\| `(\w+)` \| (\w+) \| \S", rows, re.MULTILINE)
        for name, rows in re.findall(r"### `(\w+)`\n(.*?)(?=\n##|\Z)", page, re.DOTALL)
    }
    connection = sqlite3.connect(tmp_path / "season.gpkg")
    tables = [r[0] for r in connection.execute("SELECT table_name FROM gpkg_contents")]
    assert sorted(told) == sorted(tables)
    for table in tables:
        found = connection.execute(f"SELECT name, type FROM pragma_table_info('{table}')")
        assert told[table] == [(name, type_.upper()) for name, type_ in found]
    connection.close()


def test_readme_opens_with_one_paragraph_that_states_the_job():
    text = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert text[0] == "# athwart"
    assert text[1].startswith("`athwart` turns")
