"""Signals that end a run wait while files are moved to their names.

The command line turns TERM and HUP, like Ctrl-C, into an exception, so that what was begun is cleared. Between the
first and the last move of a set that exception would leave half of it: there it waits.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final

__all__ = ["ENDING", "held"]

ENDING: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)
"""The signals by which a user or the system asks a program to end, as far as this system has them."""


@contextmanager
def held() -> Iterator[None]:
    """Signals that end a run are answered after the block; in a thread, where none arrive, nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def wait(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    before = {number: signal.signal(number, wait) for number in ENDING if signal.getsignal(number) is not None}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for number in came[:1]:
            signal.raise_signal(number)
