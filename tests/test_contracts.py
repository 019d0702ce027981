"""What holds for the whole house: who may import what, what costs what, and the shape of the code."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import click
import pytest

import micalign
from micalign.cli.main import COMMANDS, main

PACKAGE = Path(micalign.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _room(path: Path) -> str:
    inside = path.relative_to(PACKAGE)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


def _run_time_nodes(node: ast.AST) -> Iterator[ast.AST]:
    """All nodes but those that only a type checker reads."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.If) and isinstance(child.test, ast.Name) and child.test.id == "TYPE_CHECKING":
            continue
        yield child
        yield from _run_time_nodes(child)


def _imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in _run_time_nodes(_tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module.split(".")[0])
    return found


def _calls(path: Path) -> set[str]:
    return {
        node.func.id for node in ast.walk(_tree(path)) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }


@pytest.mark.parametrize(("package", "room"), [("matplotlib", "figures"), ("click", "cli"), ("soundfile", "files")])
def test_a_package_of_the_edge_is_imported_in_one_room_only(package: str, room: str) -> None:
    """Numerics know nothing of files, terminals or plots."""
    elsewhere = [str(path) for path in MODULES if package in _imports(path) and _room(path) != room]
    assert elsewhere == []


def test_only_the_command_line_prints() -> None:
    """A library that prints cannot be used inside another program."""
    assert [str(path) for path in MODULES if "print" in _calls(path) and _room(path) != "cli"] == []


@pytest.mark.parametrize("room", ["scene", "acoustics", "findings", "take", "delay", "alignment"])
def test_the_pure_rooms_open_no_file(room: str) -> None:
    """Only `files` touches the disk."""
    assert [str(path) for path in (PACKAGE / room).rglob("*.py") if "open" in _calls(path)] == []


def _loaded_by(statement: str, *suspects: str) -> set[str]:
    code = f"import sys\n{statement}\nprint(*[name for name in {suspects!r} if name in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(said.stdout.split("\n")[-2].split())


HEAVY = ("numpy", "scipy", "scipy.signal", "matplotlib", "soundfile", "rich", "pydantic", "tomlkit", "jinja2")


def test_help_loads_nothing_heavy() -> None:
    """``micalign --help`` costs what click costs."""
    assert _loaded_by("from micalign.cli.main import status_of\nstatus_of(['--help'])", *HEAVY) == set()


def test_importing_the_package_loads_nothing_heavy() -> None:
    """Names of the public face are loaded when they are used."""
    assert _loaded_by("import micalign", *HEAVY) == set()


def test_check_loads_no_signal_processing(tmp_path: Path) -> None:
    """A scene's arithmetic needs numpy alone."""
    scene = next(iter(sorted((PACKAGE.parent / "scenes").glob("*.toml"))))
    statement = f"from micalign.cli.main import status_of\nstatus_of(['check', {str(scene)!r}, '--json'])"
    assert _loaded_by(statement, "scipy", "matplotlib", "soundfile", "jinja2") == set()


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str) -> None:
    """The table of commands and the commands themselves agree, and each shows how it is called."""
    command = importlib.import_module(f"micalign.cli.{name}").command
    assert isinstance(command, click.Command)
    text = command.get_help(click.Context(command, info_name=f"micalign {name}"))
    assert f"micalign {name}" in text.split("Example", 1)[-1]
    assert main.get_command(click.Context(main), name) is command


def test_every_option_has_help() -> None:
    """No switch without a word on what it does."""
    bare = [
        f"{name} {parameter.opts[0]}"
        for name in COMMANDS
        for parameter in importlib.import_module(f"micalign.cli.{name}").command.params
        if isinstance(parameter, click.Option) and not parameter.help
    ]
    assert bare == []


def _functions() -> list[tuple[str, int]]:
    """Every function with its lines of code, docstring, comments and blank lines left out."""
    found = []
    for path in MODULES:
        lines = path.read_text(encoding="utf-8").splitlines()
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.FunctionDef):
                body = node.body[1:] if ast.get_docstring(node) is not None else node.body
                if not body:
                    continue
                span = lines[body[0].lineno - 1 : node.end_lineno]
                code = [line for line in span if line.strip() and not line.strip().startswith("#")]
                found.append((f"{path.relative_to(PACKAGE)}:{node.name}", len(code)))
    return found


def test_functions_are_short() -> None:
    """A median of 8 lines of code or fewer, nine in ten within 25, none over 40."""
    found = _functions()
    lengths = sorted(length for _, length in found)
    assert [place for place, length in found if length > 40] == []
    assert lengths[int(0.9 * len(lengths))] <= 25
    assert median(lengths) <= 8


def _code_lines(path: Path) -> int:
    """Lines of code: docstrings, comments and blank lines left out, for reasons are to stand where they are needed."""
    tree = _tree(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    told: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            told.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return sum(
        bool(line.strip()) and not line.strip().startswith("#") and number not in told
        for number, line in enumerate(lines, 1)
    )


def test_files_hold_one_idea() -> None:
    """At 250 lines of code a file is looked at for its second idea."""
    assert [str(path) for path in MODULES if _code_lines(path) > 250] == []


def test_public_names_are_declared_and_told() -> None:
    """Every module says what it offers and what it answers."""
    for path in MODULES:
        tree = _tree(path)
        assert ast.get_docstring(tree), f"{path} has no docstring"
        names = {
            target.id
            for node in tree.body
            if isinstance(node, ast.Assign)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        if path.name not in {"__init__.py", "__main__.py"}:
            assert "__all__" in names, f"{path} has no __all__"
