"""What holds for the whole house: who may import what, what costs what, and the shape of the code."""

from __future__ import annotations

import ast
import dataclasses
import inspect
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from statistics import median
from typing import Any

import click
import pytest

import micalign
from micalign.cli.main import COMMANDS, main

PACKAGE = Path(micalign.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _nodes(path: Path) -> list[ast.AST]:
    return list(ast.walk(_tree(path)))


@pytest.fixture(autouse=True, scope="module")
def _trees_are_let_go() -> Iterator[None]:
    """They are read once for all tests here, and are a hundred megabytes."""
    yield
    _nodes.cache_clear()
    _tree.cache_clear()


def _room(path: Path) -> str:
    inside = path.relative_to(PACKAGE)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


def _run_time_imports(path: Path) -> list[ast.Import | ast.ImportFrom]:
    """The imports but those that only a type checker reads."""
    checked = {
        id(one)
        for node in _nodes(path)
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
        for one in ast.walk(node)
    }
    return [node for node in _nodes(path) if isinstance(node, ast.Import | ast.ImportFrom) and id(node) not in checked]


def _imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in _run_time_imports(path):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif node.module and node.level == 0:
            found.add(node.module.split(".")[0])
    return found


def _calls(path: Path) -> set[str]:
    return {node.func.id for node in _nodes(path) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}


@pytest.mark.parametrize(("package", "room"), [("matplotlib", "figures"), ("click", "cli"), ("soundfile", "files")])
def test_a_package_of_the_edge_is_imported_in_one_room_only(package: str, room: str) -> None:
    """Numerics know nothing of files, terminals or plots."""
    elsewhere = [str(path) for path in MODULES if package in _imports(path) and _room(path) != room]
    assert elsewhere == []


def test_only_the_command_line_prints() -> None:
    """A library that prints cannot be used inside another program."""
    assert [str(path) for path in MODULES if "print" in _calls(path) and _room(path) != "cli"] == []


@pytest.mark.parametrize("room", ["scene", "acoustics", "findings", "take", "tdoa", "alignment"])
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


def test_no_command_s_help_loads_anything_heavy() -> None:
    """Commands may share a file, but none pays for another's numerics, nor for its own before it runs."""
    helps = "; ".join(f"status_of(['{name}', '--help'])" for name in COMMANDS)
    assert _loaded_by(f"from micalign.cli.main import status_of\n{helps}", *HEAVY) == set()


def test_importing_the_package_loads_nothing_heavy() -> None:
    """Names of the public face are loaded when they are used."""
    assert _loaded_by("import micalign", *HEAVY) == set()


def test_check_loads_no_signal_processing(tmp_path: Path) -> None:
    """A scene's arithmetic needs numpy alone."""
    scene = next(iter(sorted((PACKAGE.parent / "scenes").glob("*.toml"))))
    statement = f"from micalign.cli.main import status_of\nstatus_of(['check', {str(scene)!r}, '--json'])"
    assert _loaded_by(statement, "scipy", "matplotlib", "soundfile", "jinja2") == set()


def _command(name: str) -> click.Command:
    command = main.get_command(click.Context(main), name)
    assert isinstance(command, click.Command)
    return command


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str) -> None:
    """The table of commands and the commands themselves agree, and each shows how it is called."""
    command = _command(name)
    assert command.name == name
    text = command.get_help(click.Context(command, info_name=f"micalign {name}"))
    assert f"micalign {name}" in text.split("Example", 1)[-1]


def test_every_option_has_help() -> None:
    """No switch without a word on what it does."""
    bare = [
        f"{name} {parameter.opts[0]}"
        for name in COMMANDS
        for parameter in _command(name).params
        if isinstance(parameter, click.Option) and not parameter.help
    ]
    assert bare == []


def _functions() -> list[tuple[str, int]]:
    """Every function with its lines of code, docstring, comments and blank lines left out."""
    found = []
    for path in MODULES:
        lines = path.read_text(encoding="utf-8").splitlines()
        for node in _nodes(path):
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
    lines = path.read_text(encoding="utf-8").splitlines()
    told: set[int] = set()
    for node in _nodes(path):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            told.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return sum(
        bool(line.strip()) and not line.strip().startswith("#") and number not in told
        for number, line in enumerate(lines, 1)
    )


def test_files_hold_one_idea() -> None:
    """At 350 lines of code a file is looked at for its second idea; below that an idea stays whole in one file."""
    assert [str(path) for path in MODULES if _code_lines(path) > 350] == []


def test_files_are_read_in_one_go() -> None:
    """No file is over 500 lines, its reasons and examples with it; nor is a test's."""
    paths = [*MODULES, *(PACKAGE.parent / "tests").rglob("*.py")]
    assert [str(path) for path in paths if len(path.read_text(encoding="utf-8").splitlines()) > 500] == []


def _numbers(path: Path) -> Iterator[tuple[str, int, str | None]]:
    """Numbers at a module's head: name, line, the words below it, or above it, or behind it."""
    lines = path.read_text(encoding="utf-8").splitlines()
    body = _tree(path).body
    for node, after in zip(body, [*body[1:], None], strict=True):
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        name = ast.unparse(node.target if isinstance(node, ast.AnnAssign) else node.targets[0])
        plain = ast.Constant | ast.UnaryOp | ast.BinOp | ast.Tuple
        if isinstance(node.value, plain) and any(
            isinstance(one, ast.Constant) and type(one.value) in {int, float} for one in ast.walk(node.value)
        ):
            below = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) and str(after.value.value)
            span = lines[node.lineno - 1 : node.end_lineno]
            beside = any("#" in line for line in span) or lines[node.lineno - 2].strip().startswith("#")
            yield name, node.lineno, below or ("beside" if beside else None)


@pytest.mark.parametrize("room", sorted({_room(path) for path in MODULES}))
def test_a_number_has_its_word(room: str) -> None:
    """Every constant has its unit, where it has one, and its reason or source beside it."""
    bare = [
        f"{path.relative_to(PACKAGE)}:{line} {name}"
        for path in MODULES
        if _room(path) == room
        for name, line, word in _numbers(path)
        if not word
    ]
    assert bare == []


# With what the words of a chosen number begin: its unit, or what a bare number is.
UNITS = {
    *(
        "Metres",
        "Seconds",
        "Milliseconds",
        "Hertz",
        "Decibels",
        "Degrees",
        "Samples",
        "Frames",
        "Bytes",
        "Bits",
        "Octaves",
    ),
    *("Count", "Share", "Ratio", "Probability", "Standard", "Natural", "Weight", "Cost", "Misfit", "Fall", "Offset"),
}


@pytest.mark.parametrize("room", sorted({_room(path) for path in MODULES}))
def test_a_chosen_number_says_its_unit_first(room: str) -> None:
    """A number is read with its unit; a share, a count or a ratio says that it is one.

    A package's chosen numbers stand in its `tuned.py`; where there is none, each stands at the head of the module that
    reads it, with words below it (sizes on paper have theirs beside them).
    """
    tuned = PACKAGE / room / "tuned.py"
    paths = [tuned] if tuned.exists() else [path for path in MODULES if _room(path) == room]
    words = [
        (name, word or "") for path in paths for name, _, word in _numbers(path) if tuned.exists() or word != "beside"
    ]
    assert [(name, word) for name, word in words if re.split(r"\W", word)[0] not in UNITS] == []


def test_the_delay_engine_gains_no_chosen_numbers() -> None:
    """A tuned number is a debt: at most 60 are chosen by looking at takes, and 160 stand in all of `tdoa`'s modules."""
    counts = {path.name: len(list(_numbers(path))) for path in MODULES if _room(path) == "tdoa"}
    assert counts["tuned.py"] <= 60
    assert sum(counts.values()) <= 160


def test_public_names_are_declared_and_told() -> None:
    """Every module says what it offers and what it answers; a package's numbers are all there to be read."""
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
        if path.name == "tuned.py":
            assert not [name for name, *_ in _numbers(path) if name.startswith("_")], f"{path} hides a number"
        elif path.name not in {"__init__.py", "__main__.py"}:
            assert "__all__" in names, f"{path} has no __all__"


def _module(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")


def _imported_from_us(path: Path, ours: set[str]) -> set[str]:
    """Modules of ours that one imports, at its top or inside a function."""
    found = set()
    for node in _run_time_imports(path):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif node.module:
            inside = [f"{node.module}.{alias.name}" for alias in node.names]
            found |= {one if one in ours else node.module for one in inside}
    return (found & ours) - {_module(path)}


def test_no_modules_import_each_other_in_a_circle() -> None:
    """Imports inside functions count: a circle that is broken by hand is one all the same."""
    ours = {_module(path) for path in MODULES}
    try:
        TopologicalSorter({_module(path): _imported_from_us(path, ours) for path in MODULES}).prepare()
    except CycleError as error:
        pytest.fail(f"a circle of imports: {' <- '.join(error.args[1])}")


def _is_conjugate(node: ast.AST) -> bool:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr.startswith("conj")


def test_one_place_forms_a_cross_spectrum() -> None:
    """Which of two tracks is conjugated decides the sign of every delay: it is chosen once."""
    elsewhere = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in MODULES
        if path.name != "arrays.py"
        for node in _nodes(path)
        if isinstance(node, ast.BinOp) and (_is_conjugate(node.left) or _is_conjugate(node.right))
    ]
    assert elsewhere == []


@pytest.mark.parametrize("what", ["onset", "envelope", "cross_spectrum", "fast_length"])
def test_a_detector_stands_once(what: str) -> None:
    """One function of that name: where two modules look for a sound's beginning, they call the same one."""
    names = [
        f"{path.relative_to(PACKAGE)}:{node.name}"
        for path in MODULES
        for node in _nodes(path)
        if isinstance(node, ast.FunctionDef) and node.name.strip("_").removesuffix("s") == what
    ]
    assert len(names) == 1, names


def _bodies() -> Iterator[tuple[str, str]]:
    """Each function and what it does, its parameters by their place."""
    for path in MODULES:
        for node in _nodes(path):
            if isinstance(node, ast.FunctionDef):
                code = node.body[1:] if ast.get_docstring(node) is not None else node.body
                text = "\n".join(ast.unparse(line) for line in code)
                for place, one in enumerate(node.args.args + node.args.kwonlyargs):
                    text = re.sub(rf"\b{one.arg}\b", f"<{place}>", text)
                yield f"{path.relative_to(PACKAGE)}:{node.name}", text


def test_a_helper_stands_once() -> None:
    """What two modules do by the same lines is one function."""
    places: dict[str, list[str]] = {}
    for place, text in _bodies():
        if len(text) > 50:
            places.setdefault(text, []).append(place)
    assert [found for found in places.values() if len(found) > 1] == []


def test_a_file_name_is_used_once() -> None:
    """Two modules of one name: one of them is misnamed, or superfluous."""
    alike = {"__init__.py", "__main__.py", "tuned.py"}  # a package's numbers that were chosen stand in its `tuned.py`
    names = Counter(path.name for path in MODULES if path.name not in alike)
    assert [name for name, count in names.items() if count > 1] == []


def test_a_class_name_is_used_once() -> None:
    """Two things of one name cannot be spoken of."""
    names = Counter(node.name for path in MODULES for node in _nodes(path) if isinstance(node, ast.ClassDef))
    assert [name for name, count in names.items() if count > 1] == []


def _parts_of(one: Any) -> set[str]:
    """Parameters of a function, fields of a result."""
    if inspect.isclass(one):
        return {field.name for field in dataclasses.fields(one)} if dataclasses.is_dataclass(one) else set()
    return set(inspect.signature(one).parameters)


@pytest.mark.parametrize("name", micalign.__all__)
def test_the_public_face_explains_itself(name: str) -> None:
    """Every parameter or field by its name, and an example that runs: who uses a name finds all of it at the name."""
    one = getattr(micalign, name)
    text = inspect.getdoc(one) or ""
    if not (inspect.isclass(one) and issubclass(one, micalign.MicalignError)):
        assert ">>>" in text, f"{name} has no example"
        assert sorted(part for part in _parts_of(one) if not re.search(rf"\b{part}\b", text)) == []


CALLED_FROM_OUTSIDE = {
    *("__getattr__", "__dir__", "_repr_html_"),  # by Python and by notebooks
    *("list_commands", "get_command", "format_commands", "resolve_command"),  # by click
}


def _defined(path: Path) -> Iterator[str]:
    """Functions, classes and constants of a module; methods of its classes, but for those of the public ones."""
    for node in _tree(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        if isinstance(node, ast.ClassDef) and node.name not in micalign.__all__:
            yield from (one.name for one in node.body if isinstance(one, ast.FunctionDef))
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from (one.id for one in targets if isinstance(one, ast.Name))


def test_nothing_is_there_for_the_tests_alone() -> None:
    """Every name is used by the program itself, by a page's template, or stands in the public face."""
    nodes = [node for path in MODULES for node in _nodes(path)]
    used = {node.id for node in nodes if isinstance(node, ast.Name) and _is_read(node)}
    used |= {node.attr for node in nodes if isinstance(node, ast.Attribute)}
    pages = " ".join(path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.j2"))
    used |= (
        set(re.findall(r"\w+", pages))
        | set(micalign.__all__)
        | CALLED_FROM_OUTSIDE
        | {"run", *(f"{name}_command" for name in COMMANDS)}
    )
    unused = [
        f"{_module(path)}.{name}"
        for path in MODULES
        for name in _defined(path)
        if name not in used and not (name.startswith("__") and name.endswith("__"))
    ]
    assert unused == []


def _is_read(node: ast.Name) -> bool:
    return isinstance(node.ctx, ast.Load)


def _offered(path: Path) -> dict[str, ast.stmt]:
    """What a module's `__all__` names, each with the statement that makes it."""
    made: dict[str, ast.stmt] = {}
    for node in _tree(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            made[node.name] = node
        elif isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            made |= {one.id: node for one in ast.walk(node) if isinstance(one, ast.Name) and not _is_read(one)}
    every = ast.literal_eval(made["__all__"].value) if "__all__" in made else []  # type: ignore[attr-defined]
    return {name: made[name] for name in every if name in made}


def _kinds_told(node: ast.stmt) -> set[str]:
    """Names that a definition shows to who reads it from outside: a function's body is its own affair."""
    bodies = {
        id(inside)
        for one in ast.walk(node)
        if isinstance(one, ast.FunctionDef)
        for line in one.body
        for inside in ast.walk(line)
    }
    return {one.id for one in ast.walk(node) if isinstance(one, ast.Name) and id(one) not in bodies}


def test_what_a_module_offers_is_used_elsewhere() -> None:
    """By another module or a test; a class or a kind of value may also be what something else that is offered is of."""
    outside = [*PACKAGE.rglob("*.j2"), *(PACKAGE.parent / "tests").rglob("*.py"), *PACKAGE.parent.glob("figures/*.py")]
    used = {word for path in outside for word in re.findall(r"\w+", path.read_text(encoding="utf-8"))}
    used |= {*micalign.__all__, *(f"{name}_command" for name in (*COMMANDS, "help"))}
    imported = {
        (node.module, alias.name)
        for path in MODULES
        for node in _nodes(path)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    read: dict[str, set[Path]] = {}
    for path in MODULES:
        for node in _nodes(path):
            if isinstance(node, ast.Attribute):
                read.setdefault(node.attr, set()).add(path)
    unused = []
    for path in MODULES:
        offered = _offered(path)
        for name, made in offered.items():
            kinds = {kind for other, one in offered.items() if other != name for kind in _kinds_told(one)}
            is_kind = isinstance(made, ast.ClassDef) or (not name.isupper() and name[0].isupper())
            called = name in used or (_module(path), name) in imported or read.get(name, set()) - {path}
            if not (called or (is_kind and name in kinds)):
                unused.append(f"{_module(path)}.{name}")
    assert unused == []
