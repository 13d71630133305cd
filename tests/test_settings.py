"""Files of settings: one reader for boats, layouts and plotters, whatever is in the file."""

import pytest

from athwart.boat import Boat
from athwart.errors import FileError
from athwart.frame.layout import Layout
from athwart.plotter import Limits
from athwart.settings import parse_settings, read_settings

READERS = [Boat.from_toml, Layout.from_toml, Limits.from_toml]


@pytest.mark.parametrize("reader", READERS, ids=["boat", "layout", "limits"])
@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"a = " + b"[" * 5000, "brackets stand too deep"),
        (b"a = " + b"9" * 5000, "a whole number with too many digits"),
        (b"a = [[" + b"9" * 400 + b"]]", "a whole number with too many digits"),
        (b"a = = 1", "is not a valid TOML file"),
        (b"a = 'caf\xe9'", "is not a text file in UTF-8"),
        (b"#" * 1_000_001, "has 1000.001 kilobytes"),
    ],
)
def test_a_hostile_file_is_refused_in_one_sentence(tmp_path, reader, data, words):
    path = tmp_path / "own.toml"
    path.write_bytes(data)
    with pytest.raises(FileError, match=f"own.toml: .*{words}") as caught:
        reader(path)
    assert "\n" not in str(caught.value)


def test_a_missing_file_and_a_name_that_no_file_has(tmp_path):
    for name in ("none.toml", "a\x00b.toml"):
        with pytest.raises(FileError, match="cannot be read"):
            read_settings(tmp_path / name)


@pytest.mark.parametrize(
    ("number", "fits"), [(2**63 - 1, True), (-(2**63), True), (2**63, False), (-(2**63) - 1, False)]
)
def test_whole_numbers_have_64_bits(number, fits):
    """TOML 1.0, Integer: -2^63 to 2^63 - 1, an error where it cannot be held (from memory)."""
    text = f"a = [{{b = {number}}}]"
    if fits:
        assert parse_settings(text, "x") == {"a": [{"b": number}]}
    else:
        with pytest.raises(FileError, match="too many digits"):
            parse_settings(text, "x")
