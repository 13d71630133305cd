"""The shape of the house: light imports, one direction of data, public names that exist."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import athwart

SOURCE = Path(athwart.__file__).parent
HEAVY = (
    "pandas",
    "geopandas",
    "shapely",
    "folium",
    "gpxpy",
    "lxml",
    "scipy",
    "fiona",
    "pyogrio",
    "gsw",
)

# room -> rooms of ours that it may import
ALLOWED = {
    "errors": {"visible"},
    "units": {"errors"},
    "settings": {"errors", "input_limits", "unchanged"},
    "identity": set(),
    "kinds": set(),
    "progress": set(),
    "visible": set(),
    "input_limits": {"errors"},
    "unchanged": {"errors"},
    "tables": {"errors", "units", "frames"},
    "frames": {"errors", "geometry", "tables"},
    "geometry": {"errors", "units", "geometry"},
    "uncertainty": {"errors", "units", "geometry", "uncertainty"},
    "boat": {"errors", "settings", "tables", "uncertainty", "units", "geometry"},
    "contents": {"errors", "tables"},
    "features": {"errors"},
    "waypoints": {"errors", "tables", "identity"},
    "trips": {"errors", "tables", "identity"},
    "fix": {"boat", "errors", "geometry", "identity", "tables", "uncertainty"},
    "frame": {"input_limits", "boat", "errors", "fix", "formats", "frame", "geometry", "settings", "tables", "uncertainty", "unchanged", "units"},
    "plan": {"boat", "errors", "features", "geometry", "plan", "tables", "uncertainty", "units"},
    "advice": {
        "advice", "boat", "errors", "features", "formats", "geometry", "handover", "plan", "plotter",
        "review", "tables", "uncertainty", "units",
    },
    "laying": {"boat", "errors", "features", "formats", "frame", "tables"},
    "review": {
        "errors", "features", "geometry", "kinds", "plan", "review", "tables", "uncertainty", "units",
        "visible",
    },
    "merge": {"errors", "geometry", "identity", "merge", "tables", "trips", "uncertainty", "units"},
    "book": {
        "boat", "book", "contents", "errors", "fix", "formats", "geometry", "identity", "merge",
        "shortnames", "tables", "trips", "units", "waypoints",
    },
}  # fmt: skip


def modules_of(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "athwart":
            yield from (f"athwart.{name.name}" for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or ""
        elif isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.Constant) and str(node.value).startswith("athwart.book."):
            yield node.value  # the name of a module that is loaded later


def rooms_of(path):
    for module in modules_of(path):
        if module.startswith("athwart."):
            yield module.split(".")[1]


@pytest.mark.parametrize("room", ALLOWED)
def test_data_runs_one_way(room):
    paths = sorted((SOURCE / room).rglob("*.py")) or [SOURCE / f"{room}.py"]
    for path in paths:
        assert set(rooms_of(path)) <= ALLOWED[room], path


def test_only_the_command_line_shows_progress():
    users = {p for p in SOURCE.rglob("*.py") if "progress" in set(rooms_of(p))}
    assert users
    assert {p.parent.name for p in users} == {"cli"}


def test_book_and_frame_take_files_from_formats_and_nothing_else():
    for path in [p for room in ("book", "frame") for p in (SOURCE / room).glob("*.py")]:
        formats = {m for m in modules_of(path) if m.startswith("athwart.formats")}
        assert formats <= {"athwart.formats.files"}, path


def test_only_commands_the_desk_and_the_reader_that_loads_it_late_use_the_book():
    users = {
        p.relative_to(SOURCE)
        for p in SOURCE.rglob("*.py")
        if "book" in set(rooms_of(p)) and p.parent.name != "book"
    }
    assert {p for p in users if p.parts[0] not in ("cli", "desk")} == {Path("formats/layers.py")}
    assert Path("cli/book_command.py") in users
    assert not {m for m in loaded_by("import athwart.formats.layers") if "athwart.book" in m}


def loaded_by(code):
    script = f"import sys\n{code}\nprint(' '.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    return set(done.stdout.split())


def test_import_is_light():
    modules = loaded_by("import athwart")
    assert not modules & {*HEAVY, "numpy", "click", "pyproj", "athwart.book", "fudgeo"}


def test_help_loads_nothing_heavy():
    modules = loaded_by(
        "from athwart.cli import cli\n"
        "from click.testing import CliRunner\n"
        "assert CliRunner().invoke(cli, ['--help']).exit_code == 0"
    )
    assert not modules & {*HEAVY, "numpy", "pyproj", "athwart.book", "fudgeo"}


def test_help_of_no_command_loads_anything_heavy():
    modules = loaded_by(
        "from athwart.cli import COMMANDS, cli\n"
        "from click.testing import CliRunner\n"
        "for name in COMMANDS:\n"
        "    assert CliRunner().invoke(cli, [name, '--help']).exit_code == 0, name"
    )
    assert not modules & {*HEAVY, "numpy", "pyproj", "athwart.book", "athwart.tables", "fudgeo"}


def test_one_typed_pick_never_imports_pandas():
    modules = loaded_by(
        "import sys\n"
        "from athwart.cli import main\n"
        "try: main('fix --lat 55 --lon 12 --heading 0 --side port --slant-range 13 --depth 5 --json'.split())\n"
        "except SystemExit: pass"
    )
    assert not modules & set(HEAVY)


def test_public_names_are_what_they_say():
    assert sorted(athwart.__all__) == athwart.__all__
    for name in athwart.__all__:
        assert getattr(athwart, name) is not None
    assert set(dir(athwart)) == set(athwart.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = athwart.nothing
