"""Putting files on a memory card for a chartplotter, and knowing that they are there.

Names are short and plain (eight letters, a dot, three letters), because old plotters read no
others. The free space is asked for first; each file is written beside its place, flushed to the
card, put into place, read back and compared. Only then is it said that the card may be taken out.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from athwart.errors import FileError, UsageError
from athwart.formats.files import flush_folder, is_device
from athwart.shortnames import plain_text

__all__ = ["card_names", "verify_written", "write_card"]

_SLACK_BYTES = 64 * 1024  # a large cluster for each file, and for the folder's own list
_SHORT = re.compile(r"[A-Z0-9_-]{1,8}(\.[A-Z0-9]{1,3})?")


def card_names(stem: str, count: int, ending: str = "GPX") -> list[str]:
    """Return short plain names for some files, numbered if there are several.

    Examples
    --------
    >>> card_names("Outer bank, marks", 2)
    ['OUTERB01.GPX', 'OUTERB02.GPX']
    """
    plain = re.sub(r"[^A-Z0-9]", "", plain_text(stem, "ascii-upper")[0]) or "MARKS"
    if is_device(plain):
        plain = "M" + plain
    ending = re.sub(r"[^A-Z0-9]", "", ending.upper())[:3] or "GPX"
    if count <= 1:
        return [f"{plain[:8]}.{ending}"] * max(count, 0)
    width = max(2, len(str(count)))
    return [f"{plain[: 8 - width]}{i:0{width}d}.{ending}" for i in range(1, count + 1)]


def write_card(
    folder: Path | str, files: Mapping[str, bytes], *, overwrite: bool = False
) -> tuple[str, ...]:
    """Write files to a card, read them back and say when it is safe to take it out.

    Parameters
    ----------
    folder : path
        Folder on the card; it must be there.
    files : mapping of str to bytes
        Short name (see `card_names`) and what it is to hold.
    overwrite : bool
        Replace files that are there.

    Returns
    -------
    tuple of str
        Sentences for the user; the last begins with ``safe to remove``.

    Raises
    ------
    UsageError
        A name that is not short and plain.
    FileError
        No folder, no room, a file in the way, or one that reads back otherwise.
    """
    folder = Path(folder)
    seen: set[str] = set()
    for name in files:
        if not _SHORT.fullmatch(name) or is_device(name) or name in seen:
            raise UsageError(
                f"{name!r} is no short name; allowed are up to 8 of A-Z, 0-9, - and _, a dot and "
                "up to 3 of A-Z and 0-9"
            )
        seen.add(name)
    if not folder.is_dir():
        raise FileError(folder.name or str(folder), "is not a folder; is the card in?")
    there = [name for name in files if (folder / name).exists()]
    if there and not overwrite:
        raise FileError(
            there[0], "is already on the card; allow it to be replaced", code="file-exists"
        )
    need = sum(len(data) for data in files.values()) + _SLACK_BYTES * (len(files) + 1)
    free = shutil.disk_usage(folder).free
    if free < need:
        raise FileError(
            folder.name or str(folder),
            f"has {free // 1024:,} KiB free and {need // 1024:,} KiB are needed; nothing written",
        )
    written: dict[Path, bytes] = {}
    beside: list[Path] = []
    try:
        for number, data in enumerate(files.values()):
            temporary = folder / f"ATHW{number:04d}.TMP"
            beside.append(temporary)
            with temporary.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        for temporary, (name, data) in zip(beside, files.items(), strict=True):
            temporary.replace(folder / name)
            written[folder / name] = data
        flush_folder(folder)
    except OSError as error:
        done = f"; {len(written)} of {len(files)} files are in place" if written else ""
        raise FileError(
            folder.name or str(folder), f"cannot be written: {error.strerror or error}{done}"
        ) from error
    finally:
        for temporary in beside:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
    verify_written(written)
    count = len(files)
    return (
        f"{count} file{'' if count == 1 else 's'} written, read back and found the same: "
        + ", ".join(files),
        "safe to remove, once the system has let go of the card (eject it first)",
    )


def verify_written(files: Mapping[Path, bytes] | Sequence[tuple[Path, bytes]]) -> None:
    """Read files back and compare them with what they should hold.

    Parameters
    ----------
    files : mapping or sequence of (path, bytes)
        What was written where. Where the system allows it, its own copy in memory is dropped
        first, so that it is the card that answers.

    Raises
    ------
    FileError
        The first file that is missing or differs, and where.
    """
    for path, expected in files.items() if isinstance(files, Mapping) else files:
        path = Path(path)
        try:
            with path.open("rb") as file:
                if hasattr(os, "posix_fadvise"):
                    os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
                found = file.read()
        except OSError as error:
            raise FileError(
                path.name, f"cannot be read back: {error.strerror or error}; do not trust the card"
            ) from error
        if found != expected:
            pairs = enumerate(zip(found, expected, strict=False))
            at = next((i for i, (a, b) in pairs if a != b), min(len(found), len(expected)))
            raise FileError(
                path.name,
                f"reads back otherwise than it was written, from byte {at} on; "
                "do not trust the card",
            )
