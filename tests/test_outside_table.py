"""The table of outside checks in tests/external/README.md is the one that the tests fill.

Each row is one test of ``tests/external``: what it checks, how many values, against which source, within which
tolerance, and how far off the program was at most. After adding or changing a check write the table again with

    python tests/test_outside_table.py
"""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import tempfile
from itertools import groupby
from pathlib import Path

import pytest
from external.outside import Confirmed

ROOT = Path(__file__).parents[1]
CHECKS = ROOT / "tests" / "external"
TABLE_FILE = CHECKS / "README.md"
TABLE = re.compile(r"<!-- outside -->\n(.*?)<!-- end of outside -->", re.DOTALL)
HEAD = ["| section | check | values | source | tolerance | most off | result |", "| --- " * 7 + "|"]
ALL_CHECKS = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-m", "not bench"]
MOST_OFF = 5  # the column that may differ in its last digit from machine to machine


def _title(name: str) -> str:
    """``test_s07_room.py`` is section ``7 room``."""
    number, words = re.fullmatch(r"test_s(\d+)_(\w+)\.py", name).groups()  # type: ignore[union-attr]
    return f"{int(number)} {words.replace('_', ' ')}"


def _checks() -> dict[str, str]:
    """Every test that holds a value against an outside one, and what it says it checks."""
    found = {}
    for path in sorted(CHECKS.glob("test_s*.py")):
        functions = [node for node in ast.parse(path.read_text("utf-8")).body if isinstance(node, ast.FunctionDef)]
        helpers = {node.name for node in functions if "confirm(" in ast.unparse(node)}
        for node in functions:
            if node.name.startswith("test_") and any(f"{name}(" in ast.unparse(node) for name in (*helpers, "confirm")):
                words = (ast.get_docstring(node) or f"{node.name[5:].replace('_', ' ').capitalize()}.").splitlines()[0]
                found[f"{path.name}::{node.name}"] = words
    return found


def _number(value: float) -> str:
    return f"{value:.2g}" if value else "0"


def _span(rows: list[Confirmed], unit: str) -> str:
    values = sorted({row.within for row in rows if row.unit == unit})
    ends = [_number(value) for value in (values if len(values) < 2 else (values[0], values[-1]))]
    return f"{' to '.join(dict.fromkeys(ends))} {unit}".strip() if values != [0.0] else "exact"


def _worst(rows: list[Confirmed], unit: str) -> str:
    """The row nearest to its tolerance: how far off it is, in its unit and as a share of what is allowed."""
    worst = max((row for row in rows if row.unit == unit), key=lambda row: row.deviation / (row.within or 1.0))
    if not worst.deviation:
        return "0"
    return f"{_number(worst.deviation)} {unit}".strip() + f" ({100 * worst.deviation / worst.within:.0f} %)"


def _row(test: str, words: str, rows: list[Confirmed]) -> str:
    units = list(dict.fromkeys(row.unit for row in rows))
    cells = [
        _title(test.split("::", maxsplit=1)[0]),
        words.rstrip("."),
        str(len(rows)),
        "; ".join(dict.fromkeys(row.source for row in rows)),
        "; ".join(dict.fromkeys(_span(rows, unit) for unit in units)),
        "; ".join(dict.fromkeys(_worst(rows, unit) for unit in units)),
        "holds" if all(row.holds for row in rows) else "FAILS",
    ]
    return f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |"


def _table() -> list[str]:
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "checks.json"
        subprocess.run(
            [*ALL_CHECKS, str(CHECKS), "--outside-table", str(path)],
            cwd=ROOT,
            env={**os.environ, "PYTEST_ADDOPTS": ""},
            stdout=sys.stderr,
            check=False,
        )
        confirmed = [Confirmed(**row) for row in json.loads(path.read_text(encoding="utf-8"))]
    words = _checks()
    groups = groupby(sorted(confirmed, key=lambda row: list(words).index(row.test)), key=lambda row: row.test)
    return [*HEAD, *(_row(test, words[test], list(rows)) for test, rows in groups)]


def _written() -> list[str]:
    found = TABLE.search(TABLE_FILE.read_text(encoding="utf-8"))
    assert found is not None
    return [line for line in found[1].splitlines() if line.startswith("|")]


def _steady(lines: list[str]) -> list[list[str]]:
    """The lines without what rounding may change from machine to machine."""
    cells = [line.split(" | ") for line in lines]
    return [row[:MOST_OFF] + row[MOST_OFF + 1 :] for row in cells]


def test_every_outside_check_stands_in_the_table() -> None:
    """One row for each test of ``tests/external``, in its own words, and all hold but those that are marked."""
    rows = [line.split(" | ") for line in _written()[2:]]
    assert [(row[0].strip("| "), row[1]) for row in rows] == [
        (_title(test.split("::", maxsplit=1)[0]), words.rstrip(".").replace("|", "/"))
        for test, words in _checks().items()
    ], "write the table again: python tests/test_outside_table.py"
    # What misses its bar says so in the table, and its test is marked with what is reached.
    failing = {row[0].strip("| ") for row in rows if row[-1] != "holds |"}
    assert failing <= {_title(test.split("::", maxsplit=1)[0]) for test in _checks() if "real_kit" in test}


@pytest.mark.slow
def test_the_table_is_what_the_checks_find() -> None:
    """Played again, the checks fill the table that stands there."""
    assert _steady(_table()) == _steady(_written())


def _summary(lines: list[str]) -> str:
    return f"{sum(int(line.split(' | ')[2]) for line in lines[2:])} values in {len(lines) - 2} checks.\n\n"


if __name__ == "__main__":
    lines = _table()
    block = f"<!-- outside -->\n{_summary(lines)}{chr(10).join(lines)}\n<!-- end of outside -->"
    TABLE_FILE.write_text(TABLE.sub(lambda _: block, TABLE_FILE.read_text(encoding="utf-8")), encoding="utf-8")
