"""Whether Ctrl-C was pressed while a command ran.

A library in C may meet the interrupt in the middle of its work and raise a fault of its own in its
place (numpy does where it compares structured arrays, SQLite inside a function of ours). Whoever
pressed the key is to be told that the work was stopped, not that something went wrong.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["CtrlC", "ctrl_c_noted"]


class CtrlC:
    """Whether the key was pressed. No event: its lock would stop a second key press for good."""

    pressed = False


@contextmanager
def ctrl_c_noted() -> Iterator[CtrlC]:
    """Note Ctrl-C while a block runs; it interrupts the block as Python's own does.

    Nothing is changed where someone else listens to the key, or where the key is ignored, as in
    what a shell runs behind itself.
    """
    noted = CtrlC()

    def press(number: int, frame: FrameType | None) -> None:
        noted.pressed = True
        signal.default_int_handler(number, frame)

    listens = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if not listens or threading.current_thread() is not threading.main_thread():
        yield noted
        return
    signal.signal(signal.SIGINT, press)
    try:
        yield noted
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
