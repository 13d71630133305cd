"""Files written whole or not at all.

Everything is written into a fresh folder beside the target, flushed to the disk, and only then
moved to its name, so that a full card or a pulled plug leaves the old file as it was.
"""

from __future__ import annotations

import atexit
import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from athwart.errors import FileError
from athwart.input_limits import check_size
from athwart.unchanged import unchanged

__all__ = [
    "atomic_write", "check_target", "gdal_source", "gdal_target", "is_device", "read_bytes", "staged",
]  # fmt: skip

_ODD = frozenset("!;")
"""Characters in a path that the door to GDAL takes for parts of an address."""


_DEVICES = {
    "CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$",
    *(f"{port}{i}" for port in ("COM", "LPT") for i in "0123456789\u00b9\u00b2\u00b3"),
}  # fmt: skip
"""Names of devices in Windows, with any ending (Microsoft, "Naming Files, Paths, and Namespaces",
from memory)."""


def is_device(name: str) -> bool:
    """Return whether Windows takes the name of a file for a device, where nothing is kept.

    Examples
    --------
    >>> [is_device(name) for name in ("nul.gpx", "Con .a.tif", "console.gpx")]
    [True, True, False]
    """
    return name.partition(".")[0].rstrip(" ").upper() in _DEVICES


def check_target(path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Return the path if a file may be written there.

    Raises
    ------
    FileError
        The file exists and ``overwrite`` is false, its folder is missing, or its name is that of a
        device on Windows, where the file would be lost.
    """
    target = Path(path)
    folder = target.parent
    if is_device(target.name):
        raise FileError(
            target.name,
            "is the name of a device on Windows, where nothing is kept; give another name",
        )
    if target.is_dir():
        raise FileError(target.name, "is a folder; give the name of a file")
    if not folder.is_dir():
        raise FileError(target.name, f"the folder {str(folder)!r} does not exist; make it first")
    if target.exists() and not overwrite:
        raise FileError(
            target.name,
            "the file exists; give another name, or allow it to be replaced",
            code="file-exists",
        )
    return target


@contextmanager
def staged(path: str | os.PathLike[str], *, overwrite: bool = False) -> Iterator[Path]:
    """Give a path to write to; every file made beside it is moved into place at the end.

    Parameters
    ----------
    path : path-like
        Where the main file is to stand.
    overwrite : bool
        Replace files that exist.

    Yields
    ------
    pathlib.Path
        A path of the same name in a new folder beside the target. Whatever else is written into
        that folder (the parts of a Shapefile, a sibling table) goes along.

    Raises
    ------
    FileError
        The target or a sibling exists, the folder cannot be written, or the disk is full. Nothing
        has changed then.
    """
    target = check_target(path, overwrite=overwrite)
    if target.is_symlink():
        target = target.resolve()
    stage = target.parent / f".{target.name[:40]}.{secrets.token_hex(4)}"
    _unfinished.add(stage)  # before it is made: Ctrl-C between the two must not leave it behind
    try:
        try:
            stage.mkdir(mode=0o700)
        except OSError as error:
            raise FileError(
                target.name,
                f"the folder {str(target.parent)!r} cannot be written to ({_why(error)})",
            ) from error
        try:
            yield stage / target.name
            _move(stage, target, overwrite=overwrite)
        except OSError as error:
            raise FileError(target.name, f"could not be written ({_why(error)})") from error
    finally:
        _clear(stage)


def _clear(stage: Path) -> None:
    shutil.rmtree(stage, ignore_errors=True)
    _unfinished.discard(stage)


_unfinished: set[Path] = set()


@atexit.register
def clear_unfinished() -> None:
    """Remove what was begun and will not be finished: Ctrl-C may come even while it is removed."""
    for stage in tuple(_unfinished):
        _clear(stage)


@contextmanager
def atomic_write(path: str | os.PathLike[str], *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary path; what is written there replaces ``path`` when the block ends well.

    Raises
    ------
    FileError
        As `staged`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     target = Path(folder) / "note.txt"
    ...     with atomic_write(target) as temporary:
    ...         _ = temporary.write_text("done")
    ...     target.read_text()
    'done'
    """
    with staged(path, overwrite=overwrite) as temporary:
        yield temporary


def gdal_source(path: Path) -> str:
    """Return the name under which GDAL reads a file, whatever characters its path holds.

    What stands before ``!`` would be taken for an archive and what stands after ``;`` would be
    lost; as the part of a file that begins at its first byte a path is read as it stands.
    """
    if os.name == "nt":
        return str(path.resolve())  # a path with a drive is never taken apart
    return f"/vsisubfile/0,{path}" if _ODD & set(str(path)) else str(path)


@contextmanager
def gdal_target(path: Path) -> Iterator[Path]:
    """Give a path that GDAL can write to; what it makes there ends up at ``path``.

    With ``!`` in the path GDAL's door would write elsewhere, over whatever stands there. Such a file
    is made, or added to, in a folder of its own and moved.

    Raises
    ------
    FileError
        The folder for temporary files has such a name itself.
    """
    if os.name == "nt" or not _ODD & set(str(path)):
        yield path.resolve() if os.name == "nt" else path
        return
    with tempfile.TemporaryDirectory() as folder:
        if _ODD & set(folder):
            raise FileError(
                path.name,
                f"cannot be written: neither its path nor the folder for temporary files, {folder!r}, "
                "may hold ! or ;",
            )
        plain = Path(folder) / f"plain{path.suffix}"
        if path.exists():
            shutil.move(path, plain)
        yield plain
        for part in Path(folder).iterdir():
            shutil.move(part, path.with_name(path.stem + part.name.removeprefix("plain")))


def read_bytes(path: str | os.PathLike[str], limit: str) -> bytes:
    """Return the whole file.

    Parameters
    ----------
    path : path-like
        The file.
    limit : str
        Name of the limit of its size in `athwart.input_limits`.

    Raises
    ------
    FileError
        It is missing, a folder, too large, or cannot be read.
    """
    source = check_source(path)
    try:
        with unchanged(source):
            check_size(limit, source)
            return source.read_bytes()
    except OSError as error:
        raise FileError(source.name, f"cannot be read ({_why(error)})") from error


def check_source(path: str | os.PathLike[str]) -> Path:
    """Return the path if it is a file that is not empty.

    Raises
    ------
    FileError
        It is missing, a folder, or empty.
    """
    source = Path(path)
    try:
        if source.is_dir():
            raise FileError(source.name or str(source), "is a folder; give the name of a file")
        if not source.exists():
            raise FileError(source.name or str(source), "there is no such file")
        if source.is_file() and source.stat().st_size == 0:
            raise FileError(source.name, "the file is empty")
    except (OSError, ValueError) as error:
        raise FileError(source.name or str(source), f"cannot be read ({error})") from error
    return source


def _move(stage: Path, target: Path, *, overwrite: bool) -> None:
    made = sorted(p for p in stage.iterdir() if p.is_file())
    if not made:
        raise FileError(target.name, "nothing was written")
    for part in made:
        check_target(target.parent / part.name, overwrite=overwrite)
        with part.open("rb+") as handle:
            os.fsync(handle.fileno())
    # The main file last: when it stands, all of it stands.
    for part in sorted(made, key=lambda p: p.name == target.name):
        part.replace(target.parent / part.name)
    flush_folder(target.parent)


def flush_folder(folder: Path) -> None:
    """Flush a folder's own list to the disk, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # a system that opens no folders has nothing to flush
        return
    try:
        os.fsync(handle)
    except OSError:  # some file systems of cards cannot
        pass
    finally:
        os.close(handle)


def _why(error: OSError) -> str:
    return (error.strerror or str(error)).lower()
