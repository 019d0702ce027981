"""How commands speak: results on standard output, notes on standard error, names made harmless."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from micalign.report.plain import clean

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["clean", "console", "note", "print_json"]


def print_json(document: Mapping[str, Any]) -> None:
    """One JSON document on standard output; a number that is not finite is a defect and raises."""
    sys.stdout.write(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def note(message: str, *, quiet: bool = False) -> None:
    """A line on standard error, unless the user asked for quiet."""
    if not quiet:
        sys.stderr.write(clean(message) + "\n")


def console(*, stderr: bool = False) -> Console:
    """A rich console: plain where the output is no terminal, at least 80 columns wide."""
    from rich.console import Console  # noqa: PLC0415 - 100 ms that --help must not pay

    made = Console(stderr=stderr, highlight=False, emoji=False, markup=False, soft_wrap=False)
    if not made.is_terminal:
        made.width = 100
    return made
