"""Runs the command line as a user does, in this process, and keeps what it said."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import dataclass
from typing import Any

from micalign.cli.main import status_of


@dataclass(frozen=True)
class Said:
    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """The one JSON document on standard output."""
        found: dict[str, Any] = json.loads(self.out)
        return found


def micalign(*arguments: object) -> Said:
    """Exit status, standard output and standard error of ``micalign ARGUMENTS``."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = status_of([str(argument) for argument in arguments])
    return Said(status, out.getvalue(), err.getvalue())
