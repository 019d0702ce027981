"""The plan of the house in DEVELOPERS.md is the real plan.

It is made from the first lines of the modules' docstrings. After adding or renaming a module write it again with

    python tests/test_house_plan.py
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "micalign"
GUIDE = ROOT / "DEVELOPERS.md"
PLAN = re.compile(r"<!-- plan -->\n```\n(.*?)```\n<!-- end of plan -->", re.DOTALL)
ORDER = ["scene", "acoustics", "findings", "take", "delay", "alignment", "files", "figures", "report", "cli"]


def _first_line(path: Path) -> str:
    return (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").splitlines()[0]


def _rank(path: Path) -> tuple[bool, int, str]:
    room = path.stem
    return path.is_dir(), ORDER.index(room) if room in ORDER else -1, room


def _lines(folder: Path, indent: str) -> list[str]:
    inside = [path for path in folder.iterdir() if path.suffix == ".py" or (path / "__init__.py").exists()]
    lines = []
    for path in sorted(inside, key=_rank):
        if path.name in {"__init__.py"}:
            continue
        if path.is_dir():
            lines.append(f"{indent}{path.name + '/':<{26 - len(indent)}} {_first_line(path / '__init__.py')}")
            lines += _lines(path, indent + "  ")
        else:
            lines.append(f"{indent}{path.name:<{26 - len(indent)}} {_first_line(path)}")
    return lines


def _plan() -> str:
    return "\n".join(["micalign/", *_lines(PACKAGE, "  ")]) + "\n"


def test_the_plan_is_the_real_plan() -> None:
    """Every module stands in the guide with the line it says of itself."""
    found = PLAN.search(GUIDE.read_text(encoding="utf-8"))
    assert found is not None
    assert found[1] == _plan()


if __name__ == "__main__":
    text = GUIDE.read_text(encoding="utf-8")
    GUIDE.write_text(
        PLAN.sub(lambda _: f"<!-- plan -->\n```\n{_plan()}```\n<!-- end of plan -->", text), encoding="utf-8"
    )
