"""Values from outside the project, and the one way in which a test holds the program against them.

``values.json`` holds rows of standards, handbooks, published worked examples and reference libraries, each with its
source and its tolerance; nothing in it was computed by micalign. `confirm` asserts one value and keeps the row, so
that ``pytest tests/external --outside-table PATH -p no:xdist`` can print what was checked against what.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

_VALUES = Path(__file__).with_name("values.json")


@dataclass(frozen=True)
class Confirmed:
    section: str
    what: str
    expected: float
    found: float
    within: float
    unit: str
    source: str


CONFIRMED: list[Confirmed] = []


@cache
def _rows() -> tuple[dict[str, Any], ...]:
    return tuple(json.loads(_VALUES.read_text(encoding="utf-8"))["rows"])


def rows(section: int, prefix: str = "") -> list[dict[str, Any]]:
    """The outside rows of one section whose id begins with ``prefix``."""
    return [row for row in _rows() if row["section"] == section and row["id"].startswith(prefix)]


def confirm(
    what: str, found: float, expected: float, *, within: float, source: str, section: str, unit: str = ""
) -> None:
    """Assert ``found`` against an outside value and keep the row for the table.

    ``within`` is absolute, in ``unit``; justify it beside the call. ``source`` names where the value was published,
    or says "common practice, no source", or "from memory".
    """
    assert source, "an outside check names its source"
    if math.isinf(expected):
        assert found == expected, f"{what}: {found} against {expected} {unit} ({source})"
    else:
        assert abs(found - expected) <= within, (
            f"{what}: {found!r} against {expected!r} within {within} {unit} ({source})"
        )
    CONFIRMED.append(Confirmed(section, what, float(expected), float(found), within, unit, source))
