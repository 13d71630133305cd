"""The exceptions that athwart raises, and the sentence each of them prints.

::

    AthwartError                 anything athwart refuses; has an exit code
    ├── UsageError               the call or the command line is at fault (exit 2)
    └── DataError                the data or a file is at fault (exit 1)
        ├── FileError            a file that cannot be read, understood or written
        ├── TableError           a table with bad rows; holds every one of them
        └── FilesError           the faults of several files; holds every one of them

A message is one plain sentence for each fault: where it is, what was found, what is allowed
or what to do. It is read on a page, in Python and on a command line alike, so it names no
option and no command. Where there is one that helps, the fault has a code, and
`athwart.cli.ways` tells the option that belongs to it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from athwart.visible import visible_text

__all__ = [
    "AthwartError",
    "BadRow",
    "DataError",
    "FileError",
    "FilesError",
    "TableError",
    "UsageError",
    "folded",
]


@dataclass(frozen=True, slots=True)
class BadRow:
    """One fault in one row of a table or file.

    Parameters
    ----------
    row : int
        Row, counted from 1 without the header; 0 where no row can be named.
    code : str
        Short fixed word for programs, such as ``latitude-out-of-range``.
    message : str
        One sentence for people: what was found and what is allowed.
    column : str, optional
        Column or field at fault.
    """

    row: int
    code: str
    message: str
    column: str = ""

    def sentence(self) -> str:
        """Return the fault as one line that names its row.

        Examples
        --------
        >>> BadRow(3, "side-missing", "there is no side; say port or starboard").sentence()
        'row 3: there is no side; say port or starboard'
        """
        return f"row {self.row}: {self.message}" if self.row else self.message


def folded(rows: Iterable[BadRow]) -> list[str]:
    """Return faults as lines for a person: rows with one and the same fault share a line.

    Programs are given every row by itself.

    Parameters
    ----------
    rows : iterable of BadRow
        Faults in any order.

    Returns
    -------
    list of str
        A line for each message, in the order in which the messages come first.

    Examples
    --------
    >>> faults = [BadRow(k, "side-missing", "there is no side") for k in (1, 2, 3, 7)]
    >>> folded([*faults, BadRow(4, "depth-missing", "there is no depth")])
    ['rows 1 to 3 and 7: there is no side', 'row 4: there is no depth']
    """
    by_message: dict[str, list[int]] = {}
    for row in rows:
        by_message.setdefault(row.message, []).append(row.row)
    return [
        f"{_rows_in_words(numbers)}: {message}" if any(numbers) else message
        for message, numbers in by_message.items()
    ]


_MOST_RUNS = 12
"""So many runs of rows are named on one line; beyond, how many rows more there are."""


def _rows_in_words(numbers: Iterable[int]) -> str:
    known = sorted({n for n in numbers if n})
    runs: list[list[int]] = []
    for n in known:
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    words: list[str] = []
    for first, last in runs[:_MOST_RUNS]:
        if last > first + 1:
            words.append(f"{first} to {last}")
        else:
            words += [str(n) for n in range(first, last + 1)]
    if left := sum(last - first + 1 for first, last in runs[_MOST_RUNS:]):
        words.append(f"{left} more")
    listed = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
    return f"row{'s' if len(known) > 1 else ''} {listed}"


class AthwartError(Exception):
    """Base of everything that athwart refuses.

    Parameters
    ----------
    message : str
        One sentence.
    code : str
        Short fixed word for programs, such as ``file-exists``; empty where none is needed.
    """

    exit_code = 1

    def __init__(self, message: str = "", *, code: str = "") -> None:
        super().__init__(message)
        self.code = code


class UsageError(AthwartError):
    """The call or the command line asks for something that cannot be."""

    exit_code = 2


class DataError(AthwartError):
    """The data or a file is at fault."""


class FileError(DataError):
    """A file that cannot be read, understood or written.

    Parameters
    ----------
    source : str
        Name of the file as the user knows it.
    message : str
        One sentence.
    code : str
        As in `AthwartError`.
    """

    def __init__(self, source: str, message: str, *, code: str = "") -> None:
        super().__init__(f"{visible_text(source)}: {message}", code=code)
        self.source = source


class TableError(DataError):
    """A table with bad rows; every one of them is kept, and its text folds those that are alike.

    Parameters
    ----------
    source : str
        Name of the table or file.
    rows : iterable of BadRow
        All faults found, in row order.
    """

    def __init__(self, source: str, rows: Iterable[BadRow]) -> None:
        self.source = source
        self.rows = tuple(rows)
        shown = visible_text(source)
        super().__init__("\n".join(f"{shown}: {line}" for line in folded(self.rows)))


class FilesError(DataError):
    """The faults of several files, each of them kept.

    Parameters
    ----------
    errors : iterable of AthwartError
        In the order of the files.
    """

    def __init__(self, errors: Iterable[AthwartError]) -> None:
        self.errors = tuple(errors)
        super().__init__("\n".join(str(e) for e in self.errors))
