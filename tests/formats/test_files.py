import errno
import os
from pathlib import Path

import pytest

from athwart.errors import FileError
from athwart.formats import atomic_write, check_target, read
from athwart.formats.files import staged


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_a_block_that_fails_leaves_nothing(tmp_path):
    (tmp_path / "a.txt").write_text("old")

    def half():
        with atomic_write(tmp_path / "a.txt", overwrite=True) as temporary:
            temporary.write_text("half")
            return 1 / 0

    with pytest.raises(ZeroDivisionError, match="division by zero"):
        half()
    assert names(tmp_path) == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_an_existing_file_needs_leave(tmp_path):
    (tmp_path / "a.txt").write_text("old")
    with (
        pytest.raises(FileError, match=r"a\.txt: the file exists; .* allow it to be replaced"),
        atomic_write(tmp_path / "a.txt"),
    ):
        pass
    with atomic_write(tmp_path / "a.txt", overwrite=True) as temporary:
        temporary.write_text("new")
    assert (tmp_path / "a.txt").read_text() == "new"
    assert names(tmp_path) == ["a.txt"]


def test_all_parts_or_none(tmp_path):
    (tmp_path / "b.txt").write_text("mine")

    def both():
        with staged(tmp_path / "a.txt") as temporary:
            temporary.write_text("a")
            temporary.with_name("b.txt").write_text("b")

    with pytest.raises(FileError, match=r"b\.txt: the file exists"):
        both()
    assert names(tmp_path) == ["b.txt"]
    assert (tmp_path / "b.txt").read_text() == "mine"


def test_a_missing_folder_and_a_folder_as_file(tmp_path):
    with pytest.raises(FileError, match="does not exist; make it first"):
        check_target(tmp_path / "no" / "a.gpx")
    with pytest.raises(FileError, match="is a folder"):
        check_target(tmp_path)


@pytest.mark.parametrize("name", ["NUL.gpx", "com1.gpkg", "aux"])
def test_a_name_that_windows_takes_for_a_device_is_refused(tmp_path, name):
    with pytest.raises(FileError, match="name of a device on Windows"), staged(tmp_path / name):
        pass
    assert not list(tmp_path.iterdir())


def test_an_unwritable_folder_is_one_sentence(tmp_path, monkeypatch):
    # The tests may run as root, whom no permission stops; so the refusal is played.
    def refuse(*_, **__):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("athwart.formats.files.Path.mkdir", refuse)
    with (
        pytest.raises(FileError, match=r"cannot be written to .permission denied"),
        atomic_write(tmp_path / "a.txt"),
    ):
        pass
    assert names(tmp_path) == []


def test_a_full_disk_is_one_sentence(tmp_path):
    with (
        pytest.raises(FileError, match=r"could not be written .no space left"),
        atomic_write(tmp_path / "a.txt"),
    ):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert names(tmp_path) == []


def test_a_link_is_followed(tmp_path):
    (tmp_path / "real.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to(tmp_path / "real.txt")
    with atomic_write(tmp_path / "link.txt", overwrite=True) as temporary:
        temporary.write_text("new")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text() == "new"


@pytest.mark.parametrize(
    ("name", "words"),
    [("no.gpx", "there is no such file"), (".", "is a folder")],
)
def test_what_cannot_be_read_is_one_sentence(tmp_path, name, words):
    with pytest.raises(FileError, match=words):
        read(Path(tmp_path / name))
