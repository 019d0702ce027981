"""Where results and notes go: standard output and standard error, whatever stands at their other ends.

A reader of standard output that goes away (``| head``) is no fault: the work is done to its end and what is left to say
goes nowhere. Notes are never a reason to fail. Libraries in C that write by themselves are not heard: their text would
stand in the middle of a JSON document.
"""

from __future__ import annotations

import io
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from micalign.errors import OutputError

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = ["Results", "ready"]

_STANDARD: Final = 2  # 0, 1 and 2 are standard input, output and error


class Results(io.FileIO):
    """Standard output; ``reader_gone`` says that nobody reads it any more."""

    reader_gone = False

    def write(self, data: ReadableBuffer, /) -> int:
        """As many bytes as were taken; all of them where nobody reads."""
        size = memoryview(data).nbytes
        if self.reader_gone:
            return size
        try:
            return super().write(data) or 0
        except BrokenPipeError:
            self.reader_gone = True
        except OSError as error:
            self.reader_gone = True  # what is left must not fail once more at the end
            raise OutputError(f"standard output cannot be written: {error.strerror}") from error
        return size


class _Notes(io.FileIO):
    """Standard error; what cannot be told there is not told."""

    def write(self, data: ReadableBuffer, /) -> int:
        """As many bytes as were taken."""
        try:
            return super().write(data) or 0
        except OSError:
            return memoryview(data).nbytes


def ready() -> Results | None:
    """Put such streams in place of the process's own; the standard output, where it is a file or a pipe."""
    _fill_gaps()
    sys.stdout = sys.stdout or _nowhere()
    sys.stderr = sys.stderr or _nowhere()
    results = None
    for name, kind in (("stdout", Results), ("stderr", _Notes)):
        stream = getattr(sys, name)
        # A terminal that cannot show a letter gets an escape, not a crash.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
            if sys.platform != "win32":
                raw = kind(_own(stream), "w")
                setattr(sys, name, _text(raw, stream))
                results = raw if isinstance(raw, Results) else results
    return results


def _fill_gaps() -> None:
    """A number that was closed before the start (>&-) would be given to the next file opened: to an audio file."""
    with suppress(OSError):
        while (handle := os.open(os.devnull, os.O_RDWR)) <= _STANDARD:
            pass
        os.close(handle)


def _nowhere() -> TextIO:
    return Path(os.devnull).open("w", encoding="utf-8")


def _own(stream: io.TextIOWrapper) -> int:
    """The stream's file under a number that no library in C knows; under the old number there is nothing."""
    stream.flush()
    handle = os.dup(stream.fileno())
    if not os.environ.get("MICALIGN_TRACEBACK"):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, stream.fileno())
        os.close(nothing)
    return handle


def _text(raw: io.FileIO, like: io.TextIOWrapper) -> TextIO:
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=like.encoding,
        errors="backslashreplace",
        newline="\n",
        line_buffering=like.line_buffering,
        write_through=like.write_through,
    )
