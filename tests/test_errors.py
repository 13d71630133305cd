"""How faults of a table are told: to a person folded, to a program row by row."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart.errors import BadRow, TableError, folded

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
