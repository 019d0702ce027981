"""What ``--help`` says of every option of every command, and what the shell completes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete
from commands import micalign

from micalign.cli.main import COMMANDS, main

ROOT = Path(__file__).parents[2]
CONTEXT = click.Context(main)
OPTIONS = [
    pytest.param(name, option, id=f"{name} {option.opts[-1]}")
    for name in COMMANDS
    for option in main.get_command(CONTEXT, name).params  # type: ignore[union-attr]
    if isinstance(option, click.Option)
]
# A quantity, or a word that says that the number is none.
UNITS = re.compile(r"\b(ms|seconds|hertz|dB|percent|bounces|questions|a number|seed)\b", re.IGNORECASE)


@pytest.mark.parametrize(("command", "option"), OPTIONS)
def test_every_option_says_its_default_and_its_unit(command: str, option: click.Option) -> None:
    """A switch is off unless given; what takes a value says what holds without it, and a number says its unit."""
    said = option.get_help_record(click.Context(main.get_command(CONTEXT, command)))  # type: ignore[arg-type]
    assert said is not None, "no help at all"
    words = said[1]
    assert len(words) >= 15, words
    if option.is_flag:
        assert not option.get_default(CONTEXT) or "[default:" in words
        return
    assert "[default:" in words, words
    kinds = option.type.types if isinstance(option.type, click.Tuple) else [option.type]
    if any(kind.name.startswith(("integer", "float")) for kind in kinds):
        assert UNITS.search(words), words


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_has_an_example(command: str) -> None:
    """``micalign COMMAND --help`` shows a command to start from."""
    said = micalign(command, "--help")
    assert said.status == 0
    assert f"micalign {command}" in said.out.split("\n", maxsplit=1)[1]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_is_given_a_script(shell: str) -> None:
    """What the README's line evaluates: a function that calls us back, and its registration for 'micalign'."""
    env = {**os.environ, "_MICALIGN_COMPLETE": f"{shell}_source"}
    said = subprocess.run(
        [str(Path(sys.executable).parent / "micalign")], env=env, capture_output=True, text=True, check=False
    )
    assert said.returncode == 0, said.stderr
    assert f"_MICALIGN_COMPLETE={shell}_complete" in said.stdout
    assert "micalign" in said.stdout
    if shutil.which(shell):
        checked = subprocess.run(
            [shell, "-n", "/dev/stdin"], input=said.stdout, capture_output=True, text=True, check=False
        )
        assert checked.returncode == 0, checked.stderr


def _completed(arguments: list[str], begun: str) -> set[str]:
    return {item.value for item in ShellComplete(main, {}, "micalign", "_X").get_completions(arguments, begun)}


def test_commands_and_options_are_completed() -> None:
    """Commands by their beginning, options of a command by theirs, and the choices of an option."""
    assert _completed([], "me") == {"measure"}
    assert {"simulate", "survey", "schema"} == _completed([], "s")
    assert {"--json", "--scene", "--reference"} <= _completed(["measure"], "--")
    assert _completed(["draw", "scene.toml", "--format"], "s") == {"svg"}


def test_the_readme_tells_how_for_three_shells() -> None:
    """One line for each, in the shell's own words."""
    words = (ROOT / "README.md").read_text(encoding="utf-8")
    for shell in ("bash", "zsh", "fish"):
        assert f"_MICALIGN_COMPLETE={shell}_source micalign" in words
