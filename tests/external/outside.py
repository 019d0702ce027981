"""Values from outside the project, and the one way in which a test holds the program against them.

``values.json`` holds rows of standards, handbooks, published worked examples and reference libraries, each with its
source and its tolerance; nothing in it was computed by micalign. `confirm` asserts one value and keeps the row with
the name of its test, so that ``pytest tests/external --outside-table PATH -n 0`` can print what was checked
against what, and `tests/test_outside_table.py` a row for each test.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

_VALUES = Path(__file__).with_name("values.json")


@dataclass(frozen=True)
class Confirmed:
    test: str
    what: str
    expected: float
    found: float
    within: float
    unit: str
    source: str

    @property
    def holds(self) -> bool:
        return self.found == self.expected or abs(self.found - self.expected) <= self.within

    @property
    def deviation(self) -> float:
        """How far off, in the row's unit; 0 where rounding of 64-bit numbers alone is left."""
        if self.found == self.expected:
            return 0.0
        off = abs(self.found - self.expected)
        return off if off > 1e-9 * max(abs(self.expected), 1.0) else 0.0


CONFIRMED: list[Confirmed] = []


@cache
def _rows() -> tuple[dict[str, Any], ...]:
    return tuple(json.loads(_VALUES.read_text(encoding="utf-8"))["rows"])


def rows(section: int, prefix: str = "") -> list[dict[str, Any]]:
    """The outside rows of one section whose id begins with ``prefix``, credited with what was published of them."""
    found = [row for row in _rows() if row["section"] == section and row["id"].startswith(prefix)]
    assert found, f"no outside row of section {section} begins with {prefix!r}"
    return [{**row, "source": _credited(row)} for row in found]


def _credited(row: dict[str, Any]) -> str:
    """The source; of a value that was worked out from it, that only the method or formula is the source's."""
    how = row["verified"].split(";")[0]
    if how.startswith("derived"):
        return f"{row['source']} (formula; value derived from it)"
    return f"{row['source']} (method; value {how})" if how.startswith(("computed", "Monte")) else row["source"]


def confirm(what: str, found: float, expected: float, *, within: float, source: str, unit: str = "") -> None:
    """Assert ``found`` against an outside value and keep the row for the tables.

    ``within`` is absolute, in ``unit``; justify it beside the call. ``source`` names where the value was published,
    or says "common practice, no source", or "from memory".
    """
    assert source, "an outside check names its source"
    test = os.environ["PYTEST_CURRENT_TEST"].split("[")[0].split(" ")[0]
    row = Confirmed(Path(test).name, what, float(expected), float(found), float(within), unit, source)
    CONFIRMED.append(row)
    assert row.holds, f"{what}: {found!r} against {expected!r} within {within} {unit} ({source})"
