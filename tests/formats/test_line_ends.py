"""Text as other systems save it: their line ends, a mark of byte order, two bytes a character.

Line ends: LF, CR and LF (RFC 4180, NMEA 0183), and the lone CR of old systems. XML 1.0, 2.11 takes them
all for one; TOML 1.0 has LF and CRLF. UTF-8 is asked for by TOML 1.0 and RFC 7946 (from memory).
"""

import sys
from pathlib import Path

import pytest

import athwart
from athwart.boat import Boat
from athwart.errors import FileError
from athwart.formats import inspect
from athwart.formats.heights import read_heights
from athwart.formats.shapes import read_shapes
from athwart.frame.layout import Layout
from athwart.plotter import Limits

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))
SAMPLES = Path(athwart.__file__).parents[2] / "sample_gpx"


def told(path):
    found = inspect(path)
    return found.counts, found.words, [str(row) for row in found.rejected]


def sample(name):
    return (SAMPLES / name).read_text(encoding="utf-8")


def layout():
    from paused_frame import frame

    return frame().layout_toml


LOG = "\n".join([*sample("trip-2-log.nmea").splitlines()[:200], "$noise", ""])
KINDS = {
    "a.nmea": (lambda: LOG, told),
    "log.txt": (lambda: LOG, told),
    "a.gpx": (lambda: sample("waypoints.gpx"), told),
    "a.csv": (lambda: sample("trip-1-picks.csv"), told),
    "table.txt": (lambda: sample("trip-1-picks.csv"), told),
    "zones.geojson": (lambda: sample("zones.geojson"), lambda p: read_shapes(p).to_json()),
    "heights.csv": (lambda: sample("tides.csv"), lambda p: list(read_heights(p, "UTC").height_m)),
    "boat.toml": (lambda: sample("tern.toml"), lambda p: repr(Boat.from_toml(p))),
    "limits.toml": (lambda: sample("small-plotter.toml"), lambda p: repr(Limits.from_toml(p))),
    "layout.toml": (layout, lambda p: repr(Layout.from_toml(p))),
}
ENDS = {"LF": ["\n"], "CRLF": ["\r\n"], "CR": ["\r"], "mixed": ["\r\n", "\n"]}
WIDE = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}
UTF_8_ALONE = ("zones.geojson", "boat.toml", "limits.toml", "layout.toml")


def saved(path, text, ends, codec="utf-8", start=b""):
    lines = text.splitlines()
    whole = "".join(line + ends[i % len(ends)] for i, line in enumerate(lines))
    path.write_bytes(start + whole.encode(codec))
    return path


@pytest.mark.parametrize("name", KINDS)
def test_line_ends_and_a_mark_of_byte_order_change_nothing(tmp_path, name):
    text, reader = KINDS[name][0](), KINDS[name][1]
    plain = reader(saved(tmp_path / name, text, ENDS["LF"]))
    for ends in ENDS.values():
        for start in (b"", b"\xef\xbb\xbf"):
            assert reader(saved(tmp_path / name, text, ends, start=start)) == plain


@pytest.mark.parametrize("codec", WIDE)
@pytest.mark.parametrize("name", KINDS)
def test_two_bytes_a_character_are_read_or_said(tmp_path, name, codec):
    text, reader = KINDS[name][0](), KINDS[name][1]
    plain = reader(saved(tmp_path / name, text, ENDS["LF"]))
    marked = saved(tmp_path / name, text, ENDS["CRLF"], codec, WIDE[codec])
    if name in UTF_8_ALONE:
        with pytest.raises(FileError, match="save it as UTF-8"):
            reader(marked)
    else:
        assert reader(marked) == plain
    bare = saved(tmp_path / name, text, ENDS["CRLF"], codec)
    if name == "a.gpx":
        assert reader(bare) == plain
    else:
        with pytest.raises(FileError, match="save it as UTF-8"):
            reader(bare)


def test_zero_bytes_before_a_log_are_noise(tmp_path):
    text = KINDS["a.nmea"][0]()
    path = saved(tmp_path / "a.nmea", text, ENDS["CRLF"], start=bytes(9))
    assert inspect(path).counts["bad_sentences"] == 1
