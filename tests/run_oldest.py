"""Run a quick part of the tests that touches every package athwart builds on; for ``.ci/oldest``.

``python tests/run_oldest.py [PYTEST OPTION...]``. Fails if a test fails, or if a package of the list in
``pyproject.toml`` was not used by any of them.
"""

from __future__ import annotations

import os
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HERE = Path(__file__).parent
# Left out is what takes long and touches nothing that the others do not.
QUICK = (
    "book/test_reading.py",
    "cli/test_fix_command.py",
    "cli/test_strip_command.py::test_a_picture_is_laid_where_it_belongs_and_opens_with_crs_and_no_data",
    "cli/test_tide_command.py::test_a_series_of_heights",
    "desk/test_marks_api.py",
    "desk/test_guard.py",
    "formats/test_layers.py",
    "formats/test_nmea.py",
    "formats/test_texts.py",
    "frame/test_picture.py",
    "geometry",
    "merge/test_fuse.py",
    "merge/test_marks.py",
    "plan/test_order.py",
    "plan/test_sun.py::test_times_are_those_of_an_independent_ephemeris",
    "review/test_map.py",
    "--deselect=tests/review/test_map.py::test_same_input_gives_same_bytes_in_another_process",
    "test_fix.py",
    "test_other_files.py",
    "test_tables.py",
    "test_units.py",
)
READ_NOT_IMPORTED = {"django-js-lib-leaflet": "athwart.review.assets"}
"""Packages whose files are read, and our module that does it."""


def untouched() -> list[str]:
    """Return the packages of the list that no test has used so far."""
    text = (HERE.parent / "pyproject.toml").read_text(encoding="utf-8")
    modules: dict[str, list[str]] = {n: [m] for n, m in READ_NOT_IMPORTED.items()}
    for module, names in packages_distributions().items():
        for name in map(canonicalize_name, names):
            if name not in READ_NOT_IMPORTED:
                modules.setdefault(name, []).append(module)
    wanted = [Requirement(r).name for r in tomllib.loads(text)["project"]["dependencies"]]
    return [n for n in wanted if not sys.modules.keys() & set(modules.get(n, ()))]


class _Few:
    """Few examples of each property: how things hold is the whole suite's matter."""

    def pytest_configure(self) -> None:
        from hypothesis import settings  # pytest wants to load its plugin itself

        settings.register_profile("few", max_examples=10)
        settings.load_profile("few")


def main() -> int:
    """Run them."""
    os.environ["PYTHONTZPATH"] = ""  # time zones then come from tzdata and not from the system
    os.chdir(HERE.parent)
    paths = [w if w.startswith("--") else str(HERE / w) for w in QUICK]
    code = pytest.main([*paths, "-m", "not browser", *sys.argv[1:]], plugins=[_Few()])
    missed = untouched()
    if missed:
        print(f"no test of the quick part uses {', '.join(missed)}")
    return int(code) or bool(missed)


if __name__ == "__main__":
    sys.exit(main())
