"""One line that says how far long work is, on a terminal and nowhere else.

It knows nothing of what is counted: whoever works says what is being done and which share of it
is done. Nothing is shown in the first second, nor where the errors go to a file or another
program; the line is gone when the work ends, whatever the end.
"""

from __future__ import annotations

import math
import shutil
import sys
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self, TextIO

__all__ = ["Progress"]

DELAY_S = 1.0
TICK_S = 0.5


class Progress:
    """Show what is being done while a block runs.

    Parameters
    ----------
    stream : text stream, optional
        Where to; the standard error if not given.
    clock : callable
        Seconds that only grow.
    tick_s : float or None
        How often the line is drawn anew by itself while one step lasts, seconds; None draws only
        when something is said.

    Examples
    --------
    >>> with Progress() as told:
    ...     told("reading track.gpx", 0.0)
    ...     told("reading log.nmea", 0.8)
    """

    def __init__(
        self,
        stream: TextIO | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        tick_s: float | None = TICK_S,
    ) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._clock = clock
        self._tick_s = tick_s
        self._what = ""
        self._share = math.nan
        self._width = 0
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._ticker: threading.Thread | None = None
        self._live = False
        self._start = 0.0

    @property
    def shown(self) -> bool:
        """Whether a line stands on the terminal."""
        return self._width > 0

    def __enter__(self) -> Self:
        self._start = self._clock()
        self._live = _is_terminal(self._stream)
        if self._live and self._tick_s is not None:
            self._ticker = threading.Thread(target=self._tick, name="progress", daemon=True)
            self._ticker.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._over.set()
        if self._ticker is not None:
            self._ticker.join()
        with self._lock:
            self._live, was = False, self._width
            self._width = 0
            if was:
                self._put("\r" + " " * was + "\r")

    def __call__(self, what: str, share: float = math.nan) -> None:
        """Say what is being done now.

        Parameters
        ----------
        what : str
            Such as ``"reading track.gpx"``.
        share : float
            How much of the whole is done, 0 to 1; NaN where nobody knows.
        """
        with self._lock:
            self._what, self._share = what, share
            self._draw()

    def _tick(self) -> None:
        while not self._over.wait(self._tick_s):
            with self._lock:
                self._draw()

    def _draw(self) -> None:
        passed = self._clock() - self._start
        if not self._live or not self._what or passed < DELAY_S:
            return
        done = f", {min(max(self._share, 0.0), 1.0):.0%} done" if self._share >= 0 else ""
        tail = f"{done}, {passed:.0f} s"
        columns = shutil.get_terminal_size().columns - 1
        room = max(columns - len(tail), 0)
        # A name of a file may hold what a terminal obeys.
        what = "".join(c if c.isprintable() else "?" for c in self._what)
        line = (what if len(what) <= room else what[: max(room - 3, 0)] + "...") + tail
        line = line[:columns]
        blank = " " * max(self._width - len(line), 0)
        self._width = len(line)
        self._put(f"\r{line}{blank}")

    def _put(self, text: str) -> None:
        encoding = getattr(self._stream, "encoding", None) or "utf-8"
        try:
            self._stream.write(text.encode(encoding, "replace").decode(encoding))
            self._stream.flush()
        except (OSError, ValueError):  # the terminal is gone; the work is not
            self._live, self._width = False, 0


def _is_terminal(stream: TextIO | None) -> bool:
    try:
        return stream is not None and stream.isatty()
    except (AttributeError, ValueError):  # closed, or no real stream
        return False
