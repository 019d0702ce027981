"""How commands speak: results on standard output, notes on standard error, names made harmless.

Whatever stands at the other ends: a reader of standard output that goes away (``| head``) is no fault, the work is done
to its end and what is left to say goes nowhere. Notes are never a reason to fail. Libraries in C that write by
themselves are not heard: their text would stand in the middle of a JSON document.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, TextIO, cast

from micalign.errors import OutputError
from micalign.report.tables import clean, sentence, shortened

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer
    from rich.console import Console

__all__ = [
    "Results",
    "Tell",
    "clean",
    "console",
    "next_step",
    "note",
    "print_json",
    "progress",
    "ready",
    "shortened",
    "told",
]

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
    """Standard error; what cannot be written there is dropped."""

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
                with suppress(OSError):  # where no more files may be open the streams stay as they are
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
        with suppress(OSError):
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, stream.fileno())
            os.close(nothing)
    return handle


def _text(raw: io.FileIO, like: io.TextIOWrapper) -> TextIO:
    # Asked to hold nothing back (python -u), a stream keeps to it: notes and results come in their order.
    return io.TextIOWrapper(
        cast("io.BufferedWriter", raw) if like.write_through else io.BufferedWriter(raw),
        encoding=like.encoding,
        errors="backslashreplace",
        newline="\n",
        line_buffering=like.line_buffering,
        write_through=like.write_through,
    )


Tell = Callable[[str, float], None]
"""Told what is being done, and which share of it is done, 0 to 1; from any thread."""

_ROWS: Final = 2000  # written at a time
_NARROWEST, _WIDEST, _HEIGHT = 40, 10_000, 24  # columns, columns, lines of a terminal
_LAST_BLANKS: Final = re.compile(r" +$", re.MULTILINE)


def print_json(document: Mapping[str, Any]) -> None:
    """One JSON document on standard output, a row to a line; a number that is not finite is a defect and raises.

    Rows go through the fast encoder whole: indenting every number costs a large scene a second.
    """
    separator = "{\n"
    for key, value in document.items():
        sys.stdout.write(f"{separator}  {_json(key)}: ")
        _write_value(value)
        separator = ",\n"
    sys.stdout.write("\n}\n" if document else "{}\n")


def _write_value(value: Any) -> None:
    """A value; a list row by row, so that a large document is never held as one text."""
    if not (isinstance(value, list) and value):
        sys.stdout.write(_json(value))
        return
    for start in range(0, len(value), _ROWS):
        sys.stdout.write("[\n    " if start == 0 else ",\n    ")
        sys.stdout.write(",\n    ".join(map(_json, value[start : start + _ROWS])))
    sys.stdout.write("\n  ]")


def _json(value: Any) -> str:
    """In ASCII whatever the output's encoding; so no terminal obeys or reads backwards what a name holds either."""
    return json.dumps(value, allow_nan=False)


def note(message: str, *, quiet: bool = False) -> None:
    """A line on standard error, unless the user asked for quiet."""
    if not quiet:
        sys.stderr.write(clean(message) + "\n")


def told(text: str, *, quiet: bool = False) -> None:
    """Whole sentences on standard error, as wide as what stands on standard output, unless the user asked for quiet."""
    if not quiet:
        console(stderr=True).print(sentence(clean(text)))


def next_step(*words: object, quiet: bool = False) -> None:
    """What one would do next, for a person at a terminal; scripts get nothing.

    ``words`` are a command's, names of files among them.
    """
    if sys.stderr is not None and sys.stderr.isatty():
        import shlex  # noqa: PLC0415 - only a terminal needs it

        note(f"next: {' '.join(shlex.quote(str(word)) for word in words)}", quiet=quiet)


def console(*, stderr: bool = False) -> Console:
    """A rich console: plain and 100 columns wide where the output is no terminal and COLUMNS says no other width.

    What goes to a file or another program ends no line in blanks: the cells of a table are filled up for the eye alone.
    """
    from rich.console import Console  # noqa: PLC0415 - 100 ms that --help must not pay

    asked = os.environ.get("COLUMNS", "")
    width = None
    if asked.isdecimal():  # of a number of many digits the first ones suffice
        width = min(max(int(asked[:9]), _NARROWEST), _WIDEST)
    elif asked:  # no number: it would be taken for one
        width = shutil.get_terminal_size((100, 24)).columns
    # With a height of its own it does not look at COLUMNS again.
    height = _HEIGHT if asked else None
    made = Console(
        stderr=stderr, width=width, height=height, highlight=False, emoji=False, markup=False, soft_wrap=False
    )
    if not made.is_terminal:
        made.width = width if width and asked.isdecimal() else 100
        made.file = cast("IO[str]", _Trimmed(made.file))
    return made


class _Trimmed:
    """A stream whose lines end in no blanks; a console writes whole lines at a time."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(_LAST_BLANKS.sub("", text))

    def flush(self) -> None:
        self._stream.flush()


@contextmanager
def progress(*, quiet: bool = False) -> Iterator[Tell]:
    """A bar on standard error while something lasts, gone when it is done; nothing where that is no terminal."""
    if quiet or sys.stderr is None or not sys.stderr.isatty():
        yield lambda _words, _share: None
        return
    from rich import progress as bars  # noqa: PLC0415 - 40 ms that only a terminal needs

    words = bars.TextColumn("{task.description}", markup=False)
    with bars.Progress(
        words, bars.BarColumn(), bars.TaskProgressColumn(), console=console(stderr=True), transient=True
    ) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda said, share: bar.update(task, description=clean(said), completed=share)
