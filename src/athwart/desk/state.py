"""What the desk has in hand: the book, the pictures that were opened, work that is running."""

from __future__ import annotations

import threading
import uuid
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from athwart.book.store import create, is_book
from athwart.errors import AthwartError, FileError, UsageError
from athwart.formats.files import is_device

__all__ = ["Desk", "Job", "plain_file_name"]

_MOST_PICTURES = 12
_MOST_FILES = 24
_MOST_JOBS = 20
_MOST_PLANS = 12


def plain_file_name(name: str, endings: tuple[str, ...]) -> str:
    """Return a file's name if it is nothing but a name with one of some endings.

    Raises
    ------
    UsageError
        It has a folder in it, is hidden, is empty, names a device, or ends otherwise.
    """
    bad = (
        not name
        or name != Path(name).name
        or name.startswith(".")
        or any(c in name for c in '/\\:*?"<>|')
        or any(ord(c) < 32 for c in name)
        or len(name.encode()) > 200
    )
    if bad:
        raise UsageError(f"{name!r} is no plain file name; leave folders and signs out")
    if is_device(name):
        raise UsageError(f"{name} is the name of a device on Windows; give another")
    if not name.lower().endswith(endings):
        raise UsageError(f"{name} must end in {' or '.join(endings)}")
    return name


@dataclass(slots=True)
class Job:
    """Work that takes long: how far it is, and whether it is to stop.

    ``told(what, share)`` is called by the work between steps and raises `Stopped` when the user
    has stopped it; nothing is written then.
    """

    job_id: str
    what: str = ""
    share: float = 0.0
    done: bool = False
    stopping: bool = False
    result: Any = None
    fault: str = ""
    thread: threading.Thread | None = field(default=None, repr=False)

    def told(self, what: str, share: float = 0.0) -> None:
        """Note how far the work is."""
        self.what, self.share = what, share
        if self.stopping:
            raise Stopped("stopped; nothing was changed")

    def as_record(self) -> dict[str, Any]:
        """Return it for the page."""
        return {
            "job": self.job_id,
            "what": self.what,
            "share": self.share,
            "done": self.done,
            "result": self.result,
            "fault": self.fault,
        }


class Stopped(AthwartError):  # noqa: N818 - it says what happened
    """The user has stopped the work."""


class _Shelf:
    """Things in hand by a key of their own; beyond a number the one used longest ago goes."""

    def __init__(self, what: str, most: int, again: str = "open it again") -> None:
        self.what, self.most, self.again = what, most, again
        self.lock = threading.Lock()
        self.things: OrderedDict[str, Any] = OrderedDict()

    def keep(self, thing: Any) -> str:
        with self.lock:
            key = uuid.uuid4().hex
            self.things[key] = thing
            while len(self.things) > self.most:
                self.things.popitem(last=False)
        return key

    def take(self, key: str) -> Any:
        with self.lock:
            if key not in self.things:
                raise UsageError(f"the {self.what} is not at hand any more; {self.again}")
            self.things.move_to_end(key)
            return self.things[key]

    def all(self) -> list[tuple[str, Any]]:
        with self.lock:
            return list(self.things.items())

    def put_away(self, key: str) -> None:
        with self.lock:
            self.things.pop(key, None)


class Desk:
    """The state of one run of the page.

    Parameters
    ----------
    book : pathlib.Path or None
        The book; it is made at the first use if it does not exist.
    folder : pathlib.Path, optional
        Where files may be written; the book's folder, else the present one.
    """

    def __init__(self, book: Path | None, folder: Path | None = None) -> None:
        if book is not None and book.exists() and not is_book(book):
            raise FileError(book.name, "the file is not a book", code="no-book")
        self.folder = (folder or (book.parent if book is not None else Path.cwd())).resolve()
        self.book = None if book is None else book.resolve()
        self.lock = threading.RLock()
        self.pictures = _Shelf("picture", _MOST_PICTURES)
        self.files = _Shelf("file", _MOST_FILES)
        self.plans = _Shelf("plan", _MOST_PLANS, "make it again")
        self.jobs: OrderedDict[str, Job] = OrderedDict()

    def choose_book(self, name: str) -> Path:
        """Take a book in the folder, or make one.

        Raises
        ------
        UsageError, FileError
            No plain name, or a file that is no book.
        """
        path = self.folder / plain_file_name(name, (".gpkg",))
        if path.exists() and not is_book(path):
            raise FileError(path.name, "the file is not a book; give another name")
        if not path.exists():
            create(path)
        self.book = path
        return path

    def the_book(self) -> Path:
        """Return the book.

        Raises
        ------
        UsageError
            None was chosen yet.
        """
        if self.book is None:
            raise UsageError("choose a book first, such as season.gpkg")
        if not self.book.exists():
            create(self.book)
        return self.book

    def keep_picture(self, picture: Any) -> str:
        """Keep a picture in hand; the one that was used longest ago goes when there are many."""
        return self.pictures.keep(picture)

    def picture(self, key: str) -> Any:
        """Return a picture in hand.

        Raises
        ------
        UsageError
            It is not, or not any more.
        """
        return self.pictures.take(key)

    def keep_file(self, content: Any) -> str:
        """Keep what a file held (a track, a boat); the oldest goes when there are many."""
        return self.files.keep(content)

    def file(self, key: str) -> Any:
        """Return what a file held.

        Raises
        ------
        UsageError
            It is not in hand, or not any more.
        """
        return self.files.take(key)

    def file_in_folder(self, name: str, endings: tuple[str, ...]) -> Path:
        """Return a file of the folder.

        Raises
        ------
        UsageError, FileError
            No plain name, another ending, no such file, or a link that leads elsewhere.
        """
        path = self.folder / plain_file_name(name, endings)
        if path.is_symlink():
            raise FileError(name, "is a link that leads elsewhere; copy the file here")
        if not path.is_file():
            raise FileError(name, "is not in the folder of the book any more")
        return path

    def start(self, work: Callable[[Job], Any]) -> Job:
        """Start work in the background; what it returns becomes the job's result."""
        job = Job(uuid.uuid4().hex)

        def run() -> None:
            try:
                job.result = work(job)
            except AthwartError as error:
                job.fault = str(error)
            except Exception as error:  # the page must hear of it
                job.fault = f"something went wrong inside athwart ({type(error).__name__}: {error})"
            finally:
                job.done = True

        with self.lock:
            self.jobs[job.job_id] = job
            while len(self.jobs) > _MOST_JOBS:
                self.jobs.popitem(last=False)
        job.thread = threading.Thread(target=run, name=f"job {job.job_id[:6]}", daemon=True)
        job.thread.start()
        return job

    def job(self, key: str) -> Job:
        """Return a job.

        Raises
        ------
        UsageError
            There is none of that id.
        """
        with self.lock:
            if key not in self.jobs:
                raise UsageError("that work is not known any more")
            return self.jobs[key]
