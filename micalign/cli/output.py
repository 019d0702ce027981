"""How commands speak: results on standard output, notes on standard error, names made harmless."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING, Any, Final, cast

from micalign.report.plain import clean, one_line, shortened

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["Tell", "clean", "console", "note", "one_line", "print_json", "progress", "shortened"]

Tell = Callable[[str, float], None]
"""Told what is being done, and which share of it is done, 0 to 1; from any thread."""

_ROWS: Final = 2000  # written at a time
_NARROWEST, _WIDEST = 40, 10_000
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
        sys.stderr.write(one_line(message) + "\n")


def console(*, stderr: bool = False) -> Console:
    """A rich console: plain and 100 columns wide where the output is no terminal and COLUMNS says no other width.

    What goes to a file or another program ends no line in blanks: the cells of a table are filled up for the eye alone.
    """
    from rich.console import Console  # noqa: PLC0415 - 100 ms that --help must not pay

    asked = os.environ.get("COLUMNS", "")
    width = None
    if asked.isdecimal():  # of a number of many digits the first ones tell as much
        width = min(max(int(asked[:9]), _NARROWEST), _WIDEST)
    elif asked:  # no number: it would be taken for one
        width = shutil.get_terminal_size((100, 24)).columns
    made = Console(stderr=stderr, width=width, highlight=False, emoji=False, markup=False, soft_wrap=False)
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
        yield lambda said, share: bar.update(task, description=one_line(said), completed=share)
