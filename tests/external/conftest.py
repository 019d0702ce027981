from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import outside
import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--outside-table", default=None, help="write every outside check to this file, as a table (.md) or as .json"
    )


def pytest_sessionfinish(session: pytest.Session) -> None:
    path = session.config.getoption("--outside-table", default=None)
    if not path:
        return
    if str(path).endswith(".json"):
        Path(path).write_text(json.dumps([asdict(row) for row in outside.CONFIRMED]), encoding="utf-8")
        return
    lines = [
        "| test | check | found | outside value | within | source | result |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {row.test} | {row.what} | {row.found:.6g} {row.unit} | {row.expected:.6g} | {row.within:.2g} "
        f"| {row.source} | {'holds' if row.holds else 'FAILS'} |"
        for row in outside.CONFIRMED
    ]
    Path(path).write_text("\n".join(lines) + "\n", encoding="utf-8")
