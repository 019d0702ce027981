from __future__ import annotations

from pathlib import Path

import outside
import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--outside-table", default=None, help="write the table of outside checks to this file")


def pytest_sessionfinish(session: pytest.Session) -> None:
    path = session.config.getoption("--outside-table", default=None)
    if not path:
        return
    lines = [
        "| section | check | found | outside value | within | source |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {c.section} | {c.what} | {c.found:.6g} {c.unit} | {c.expected:.6g} | {c.within:.2g} | {c.source} |"
        for c in outside.CONFIRMED
    ]
    Path(path).write_text("\n".join(lines) + "\n", encoding="utf-8")
