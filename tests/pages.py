"""Pages of the documentation: their blocks of code, and how their commands are run."""

import re
import shlex
from pathlib import Path

import pytest

from athwart.cli import main

ROOT = Path(__file__).parents[1]
PLAN = ROOT / "docs" / "plan"
PLAN_PAGES = sorted(p for p in PLAN.glob("*.md") if p.name != "README.md")


def blocks(page, language):
    """Return the blocks of code of one language on a page."""
    return re.findall(rf"```{language}\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)


def commands(page):
    """Return the words of each command line of athwart on a page."""
    text = "".join(blocks(page, "sh")).replace("\\\n", " ")
    return [shlex.split(line) for line in text.splitlines() if line.startswith("athwart ")]


def run_commands(page, folder, capsys):
    """Run a page's commands one after the other in the present folder, the sample data beside it."""
    (folder / "sample_gpx").symlink_to(ROOT / "sample_gpx", target_is_directory=True)
    lines = commands(page)
    assert lines, f"{page.name} shows no command"
    for line in lines:
        with pytest.raises(SystemExit) as done:
            main(line[1:])
        assert done.value.code == 0, (line, capsys.readouterr().err)
