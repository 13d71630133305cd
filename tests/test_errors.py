"""How faults of a table are told: to a person folded, to a program row by row."""

import ast
import importlib
import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import athwart
from athwart.cli import COMMANDS
from athwart.cli.ways import WAYS, refusal
from athwart.errors import BadRow, DataError, FileError, FilesError, TableError, folded

SAMPLES = Path(__file__).parents[1] / "sample_gpx"


def faults(numbers, message="there is no side"):
    return [BadRow(n, "side-missing", message) for n in numbers]


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ([3], "row 3"),
        ([1, 2], "rows 1 and 2"),
        ([1, 2, 3], "rows 1 to 3"),
        (range(1, 30), "rows 1 to 29"),
        ([1, 4, 9], "rows 1, 4 and 9"),
        ([9, 4, 4, 1], "rows 1, 4 and 9"),
        ([2, 3, 4, 8, 9, 20], "rows 2 to 4, 8, 9 and 20"),
        (range(1, 41, 2), "rows 1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23 and 8 more"),
    ],
)
def test_rows_with_one_fault_share_a_line(numbers, words):
    assert folded(faults(numbers)) == [f"{words}: there is no side"]


def test_what_has_no_row_is_told_by_itself_and_different_faults_keep_their_order():
    rows = [*faults([2], "b"), *faults([0], "the file is empty"), *faults([1, 3], "a")]
    assert folded(rows) == ["row 2: b", "the file is empty", "rows 1 and 3: a"]
    error = TableError("p.csv", rows)
    assert str(error).splitlines() == [
        "p.csv: row 2: b", "p.csv: the file is empty", "p.csv: rows 1 and 3: a",
    ]  # fmt: skip
    assert error.rows == tuple(rows)


@given(st.lists(st.tuples(st.integers(1, 40), st.sampled_from("abc")), max_size=60))
def test_every_row_is_counted_in_the_line_of_its_fault(pairs):
    rows = [BadRow(n, "x", m) for n, m in pairs]
    lines = folded(rows)
    assert len(lines) == len({m for _, m in pairs})
    for line in lines:
        words, message = line.split(": ")
        more = re.search(r"(\d+) more", words)
        total = int(more[1]) if more else 0
        for first, last in re.findall(r"(\d+)(?: to (\d+))?(?! more|\d)", words):
            total += int(last or first) - int(first) + 1
        assert total == len({n for n, m in pairs if m == message})


def test_a_table_with_one_fault_in_every_row_is_refused_in_one_line(run):
    picks = SAMPLES / "trip-1-picks.csv"
    count = len(picks.read_text(encoding="utf-8").splitlines()) - 1
    code, _, err = run("fix", picks)
    assert code == 1
    lines = [line for line in err.splitlines() if "no lat and lon" in line]
    assert len(lines) == 1
    assert lines[0].startswith(f"trip-1-picks.csv: rows 1 to {count}: there is no lat and lon")
    code, out, _ = run("fix", picks, "--json")
    assert [r["row"] for r in json.loads(out)["rejected"]] == list(range(1, count + 1))


@pytest.mark.parametrize("command", ["fix", "merge", "info"])
def test_rows_that_are_left_out_share_a_line_too(run, tmp_path, command):
    head, row = {
        "fix": ("lat,lon,heading_deg,side,slant_range_m,depth_m", "{},12.25,40,port,13,5"),
    }.get(command, ("lat,lon,name", "{},12.25,Anvil"))
    rows = [head, *(row.format(lat) for lat in (55.5, 95, 95, 95, 55.6))]
    (tmp_path / "p.csv").write_text("\n".join(rows) + "\n")
    _, out, err = run(command, tmp_path / "p.csv", *["--skip-bad"][: command != "info"])
    assert (out + err).count("rows 2 to 4: latitude is 95") == 1
    assert "row 3:" not in out + err


# ---- a refusal is read on pages too -----------------------------------------------------------

SOURCE = Path(athwart.__file__).parent
COMMAND_LINE = re.compile(
    r"(?<![-\w])--[a-z]|\bathwart (" + "|".join(COMMANDS) + r")\b(?!:)", re.IGNORECASE
)
NOT_ON_A_PAGE = {
    "cli",  # the command line itself
    "gather.py",  # joins the files that a command names
}
# Words that a GIS shows when it may not change a book; a file that was written keeps them.
IN_THE_FILE = "RAISE(ABORT"


def sentences_of(path):
    """Every text of a module that is no docstring and no comment."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    bare = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or id(node) in docs | bare:
            continue
        if isinstance(node.value, str) and IN_THE_FILE not in node.value:
            yield node.value


def test_no_sentence_of_the_rooms_that_pages_stand_on_speaks_of_the_command_line():
    found = [
        (str(path.relative_to(SOURCE)), text)
        for path in sorted(SOURCE.rglob("*.py"))
        if path.relative_to(SOURCE).parts[0] not in NOT_ON_A_PAGE
        for text in sentences_of(path)
        if COMMAND_LINE.search(text)
    ]
    # The page's own address is what the command printed.
    assert [f for f in found if f[0] != "desk/guard.py"] == []


def test_every_way_is_an_option_or_a_command_and_its_code_is_given_somewhere():
    texts = {t for p in SOURCE.rglob("*.py") if p.parent.name != "cli" for t in sentences_of(p)}
    commands = [importlib.import_module(f"athwart.cli.{n}_command").command for n in COMMANDS]
    options = {o for c in commands for p in c.params for o in p.opts}
    subcommands = importlib.import_module("athwart.cli.book_command").COMMANDS
    for code, way in WAYS.items():
        assert code in texts, code
        first, *rest = way.split()
        if first == "athwart":
            assert rest[0] == "book"
            assert rest[1] in subcommands
        else:
            assert first in options, way


def test_the_command_line_adds_the_option_to_each_kind_of_refusal():
    row = BadRow(4, "time-without-zone", "the time has no zone; name the zone")
    table = TableError("p.csv", [row, BadRow(5, "time-without-zone", row.message)])
    file = FileError("a.gpx", "the file exists", code="file-exists")
    lines = ["p.csv: rows 4 and 5: the time has no zone; name the zone (--tz)",
             "a.gpx: the file exists (--overwrite)", "plain"]  # fmt: skip
    assert refusal(FilesError([table, file, DataError("plain")])).splitlines() == lines
    assert "--" not in str(FilesError([table, file]))


def test_an_existing_file_and_a_missing_zone_name_their_options_on_the_command_line(run, tmp_path):
    track = tmp_path / "picks.csv"
    track.write_text("time,side,slant_range_m,depth_m\n2026-03-01 06:12:30,port,20,5\n")
    code, _, err = run("fix", track, "--track", SAMPLES / "trip-1-track.gpx")
    assert code == 1
    assert "name the zone (--tz)" in err
    target = tmp_path / "out.gpx"
    target.write_text("mine")
    code, _, err = run("export", SAMPLES / "waypoints.gpx", "-o", target)
    assert code == 1
    assert (
        "out.gpx: the file exists; give another name, or allow it to be replaced (--overwrite)"
        in err
    )
