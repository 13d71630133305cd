"""Files that another program changes while they are read: a refusal, and nothing half-true."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from athwart.errors import FileError

__all__ = ["unchanged"]

Stamp = tuple[int, ...]


@contextmanager
def unchanged(*paths: Path) -> Iterator[None]:
    """Refuse what was read in the block if another program changed a file meanwhile.

    A file is taken for the same while its place on the disk, its size and its times are. What was read
    of one that changed may be neither the old file nor the new, and a fault that was met in it need
    not be its own.

    Parameters
    ----------
    *paths : pathlib.Path
        Every file that the block reads, there or not.

    Raises
    ------
    FileError
        One was written to, replaced, cut short, deleted or made.
    """
    before = [_stamp(path) for path in paths]
    try:
        yield
    except Exception as error:
        _check(paths, before, error)
        raise
    _check(paths, before)


def _check(
    paths: tuple[Path, ...], before: list[Stamp | None], cause: Exception | None = None
) -> None:
    for path, stamp in zip(paths, before, strict=True):
        now = _stamp(path)
        if now != stamp:
            what = "was deleted" if now is None else "changed"
            raise FileError(
                path.name,
                f"the file {what} while it was read; let the program that writes it finish, then "
                "try again",
                code="file-changed",
            ) from cause


def _stamp(path: Path) -> Stamp | None:
    """Return what tells a file from another and from what it was; None for one that is not there."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    if not stat.S_ISREG(found.st_mode):
        return (found.st_mode,)  # reading itself changes the times of a pipe
    return (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)
