"""Files on a card: short names, room asked for first, read back, then safe to remove."""

from __future__ import annotations

import re
from collections import namedtuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from athwart import card
from athwart.card import card_names, verify_written, write_card
from athwart.errors import FileError, UsageError

FILES = {"MARKS01.GPX": b"one" * 5000, "MARKS02.GPX": b""}


@given(st.text(max_size=30), st.integers(1, 120), st.text(max_size=6))
def test_names_are_short_plain_and_different(stem, count, ending):
    names = card_names(stem, count, ending)
    assert len(set(names)) == len(names) == count
    for name in names:
        # Eight and three letters: the naming of the FAT file system (ECMA-107).
        assert re.fullmatch(r"[A-Z0-9]{1,8}\.[A-Z0-9]{1,3}", name)


def test_reserved_names_are_avoided():
    assert card_names("con", 1) == ["MCON.GPX"]


def test_files_are_written_and_said_safe(tmp_path):
    words = write_card(tmp_path, FILES)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == FILES
    assert words[0].startswith("2 files written, read back and found the same")
    assert words[-1].startswith("safe to remove")


def test_a_file_in_the_way_is_kept(tmp_path):
    (tmp_path / "MARKS02.GPX").write_bytes(b"old")
    with pytest.raises(FileError, match=r"MARKS02.GPX: is already on the card"):
        write_card(tmp_path, FILES)
    assert [p.name for p in tmp_path.iterdir()] == ["MARKS02.GPX"]
    write_card(tmp_path, FILES, overwrite=True)
    assert (tmp_path / "MARKS02.GPX").read_bytes() == b""


def test_too_little_room_is_seen_before_anything_is_written(tmp_path, monkeypatch):
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(card.shutil, "disk_usage", lambda p: usage(10, 9, 1024))
    with pytest.raises(FileError, match=r"1 KiB free and \d+ KiB are needed; nothing written"):
        write_card(tmp_path, FILES)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "name", ["marks.gpx", "TOOLONGNAME.GPX", "../A.GPX", "A B.GPX", "NUL.GPX", ""]
)
def test_other_names_are_refused(tmp_path, name):
    with pytest.raises(UsageError, match="is no short name"):
        write_card(tmp_path, {name: b""})


def test_no_folder_is_refused(tmp_path):
    with pytest.raises(FileError, match="is the card in"):
        write_card(tmp_path / "none", FILES)


def test_a_write_that_fails_leaves_no_halves(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(card.os, "fsync", full)
    with pytest.raises(FileError, match="cannot be written: No space left on device"):
        write_card(tmp_path, FILES)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_reads_back_otherwise_is_found(tmp_path):
    path = tmp_path / "A.GPX"
    path.write_bytes(b"abcXef")
    with pytest.raises(FileError, match="from byte 3 on; do not trust the card"):
        verify_written({path: b"abcdef"})
    path.write_bytes(b"abc")
    with pytest.raises(FileError, match="from byte 3 on"):
        verify_written([(path, b"abcdef")])
    with pytest.raises(FileError, match="cannot be read back"):
        verify_written({tmp_path / "B.GPX": b""})
    path.write_bytes(b"abcdef")
    verify_written({path: b"abcdef"})
