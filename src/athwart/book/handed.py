"""A book before and after its marks are handed over, for the command line and the desk alike.

Before: what was edited in another program is taken in, so that it is handed over too. After: what
was written is remembered, so that the marks are known when the plotter gives them back. A book that
cannot be written to is handed over as it stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from athwart.book import work
from athwart.book.store import open_book
from athwart.errors import FileError
from athwart.tables import Marks

__all__ = ["remember", "with_edits"]


def with_edits(book: Path) -> list[str]:
    """Let a book take in what was edited in another program; return what it was, in sentences."""
    try:
        with open_book(book, write=True) as store:
            return [*work.take_in(store), *store.words]
    except FileError:
        return []


def remember(
    book: Path, written: Sequence[tuple[str, Marks]], true_ids: Mapping[str, str]
) -> list[str]:
    """Note in a book what was handed over.

    Parameters
    ----------
    book : pathlib.Path
        The book.
    written : sequence of (str, Marks)
        Name of each file and the marks as they stand in it.
    true_ids : mapping of str to str
        The book's id of marks that have another one in the file.

    Returns
    -------
    list of str
        What the user should know: that it could not be noted.
    """
    try:
        with open_book(book, write=True) as store:
            work.hand_over(store, written, true_ids)
    except FileError as error:
        return [f"{error}; so the book will not know these marks when the plotter gives them back"]
    return []
