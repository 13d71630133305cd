"""Tables of heights as people write them, and what is said of those that cannot be read."""

import numpy as np
import pytest

from athwart.errors import AthwartError
from athwart.formats.heights import read_heights
from athwart.units import FOOT

ROWS = "2031-05-04T03:27Z,{}\n2031-05-04T11:41Z,{}\n"


def table(folder, text, encoding="utf-8"):
    path = folder / "tides.csv"
    path.write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize(
    ("header", "low", "factor"),
    [
        ("time,height_m", "2.2", 1.0),
        ("time,height_ft", "2.2", FOOT.value),
        ("Time,Height", "2.2 ft", FOOT.value),
        ("UTC,tide_m", "2.2", 1.0),
        ("time,level_ft", "2.2", FOOT.value),
    ],
)
def test_heights_come_in_any_unit(tmp_path, header, low, factor):
    got = read_heights(table(tmp_path, f"{header}\n{ROWS.format(low, low)}"))
    assert got.height_m == pytest.approx([2.2 * factor] * 2)
    assert got.time[1] == np.datetime64("2031-05-04T11:41")
    assert got.what is None


def test_local_times_a_date_apart_and_names_of_turns(tmp_path):
    text = (
        "date;time;turn;height_m\n2031-05-04;03:27;LW;0.7\n;;;\n2031-05-04;11:41;High water;3.5\n"
    )
    got = read_heights(table(tmp_path, "# typed at home\n" + text, "utf-8-sig"), "Europe/Lisbon")
    assert got.time[0] == np.datetime64("2031-05-04T02:27")
    assert got.what.tolist() == ["low", "high"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time,height_m\n", "has no rows"),
        ("time,depth\n" + ROWS.format(1, 2), r"\(time, depth\) hold no height"),
        ("day,height_m\n" + ROWS.format(1, 2), "hold no time"),
        ("time,height_m,height_ft\n2031-05-04T03:27Z,1,2\n", "given twice, as height_m and"),
        ("time,utc,height_m\nx,y,1\n", "hold the time twice"),
        ("time,height\n" + ROWS.format("2.2", "3ft"), "row 1: the height '2.2' has no unit"),
        ("time,height_m\n" + ROWS.format("2.2", "high"), "row 2: the height is 'high'"),
        ("time,height_m\n" + ROWS.format("2.2", ""), "row 2: there is no height"),
        ("time;height_m\n" + ROWS.format("2.2", "3").replace(",", ";").replace("2.2", "2,2"),
         "row 1: the height is '2,2', not a number; write a decimal point"),
        ("time,height_m\n" + ROWS.format("nan", "3"), "row 1: the height is 'nan'"),
        ("time,height_m\n2031-05-04T03:27,1\n", "row 1: time '2031-05-04T03:27' has no zone"),
        ("time,height_m\nsoon,1\n", "row 1: time 'soon' is no time"),
        ("time,height_m,what\n2031-05-04T03:27Z,1,slack\n", "row 1: what is 'slack'; allowed is"),
        ("time,height_m\n2031-05-04T03:27Z,1,2\n", "row 1 has|the row has 3 cells, the header 2"),
    ],
)  # fmt: skip
def test_what_is_no_table_of_heights_is_refused(tmp_path, text, words):
    with pytest.raises(AthwartError, match=words):
        read_heights(table(tmp_path, text))


def test_a_picture_and_a_missing_file_are_refused(tmp_path):
    path = tmp_path / "tides.csv"
    path.write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00")
    with pytest.raises(AthwartError, match="no table of text"):
        read_heights(path)
    with pytest.raises(AthwartError, match="there is no such file"):
        read_heights(tmp_path / "gone.csv")


def test_a_line_of_empty_quotes_is_a_blank_line(tmp_path):
    read = read_heights(table(tmp_path, 'time,height_m\n""\n2031-05-04T03:27Z,1\n" "\n'))
    assert read.height_m.tolist() == [1.0]


@pytest.mark.parametrize("text", ['time,height_m\n""\n', 'time,"height_m\n2031-05-04T03:27Z,1\n"'])
def test_a_header_alone_is_refused_however_it_is_quoted(tmp_path, text):
    with pytest.raises(AthwartError, match=r"no rows under its header|hold no height"):
        read_heights(table(tmp_path, text))
