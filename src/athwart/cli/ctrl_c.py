"""Whether Ctrl-C was pressed while a command ran.

A library in C may meet the interrupt in the middle of its work and raise a fault of its own in its
place (numpy does where it compares structured arrays, SQLite inside a function of ours). Whoever
pressed the key is to be told that the work was stopped, not that something went wrong.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType, TracebackType
from typing import Any, Self

__all__ = ["CtrlC"]


class CtrlC:
    """Notes Ctrl-C while a block runs, and interrupts the block as Python itself does.

    Nothing is changed where someone else listens to the key, or where the key is ignored, as in
    what a shell runs behind itself.

    Attributes
    ----------
    pressed : bool
        Whether the key was pressed in the block.
    """

    def __init__(self) -> None:
        self.pressed = False
        self._before: Any = None

    def __enter__(self) -> Self:
        ours = threading.current_thread() is threading.main_thread()
        if ours and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            self._before = signal.signal(signal.SIGINT, self._press)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _press(self, number: int, frame: FrameType | None) -> None:
        self.pressed = True
        signal.default_int_handler(number, frame)
