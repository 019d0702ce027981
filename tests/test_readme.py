"""Every command the README shows runs and prints what the README shows.

The README's ``console`` blocks are played from top to bottom in one empty folder that holds a copy of ``scenes/``.
After a change that is meant to change what they print, write the new output into the README with

    python tests/test_readme.py

and read the difference before committing it.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from micalign.cli.main import COMMANDS

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def _play(block: str, folder: Path) -> str:
    """The block as it should stand: each ``$ command`` with what it prints now."""
    commands = [line[2:] for line in block.splitlines() if line.startswith("$ ")]
    played = []
    for command in commands:
        played.append(f"$ {command}\n{_output(command, folder)}")
    return "".join(played)


def _output(command: str, folder: Path) -> str:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    said = subprocess.run(
        ["bash", "-c", command],
        cwd=folder,
        env={**os.environ, "PATH": path, "COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=240,
        check=False,
    )
    assert said.returncode in {0, 1}, f"{command}: {said.stdout}"
    return "".join(f"{line.rstrip()}\n" for line in said.stdout.splitlines())


def _played(text: str, folder: Path) -> str:
    shutil.copytree(ROOT / "scenes", folder / "scenes")
    return BLOCK.sub(lambda match: f"```console\n{_play(match[1], folder)}```", text)


@pytest.mark.slow
def test_the_readme_shows_what_the_commands_print(tmp_path: Path) -> None:
    """Played in order, in one folder, the blocks print what they say."""
    text = README.read_text(encoding="utf-8")
    assert _played(text, tmp_path) == text


def test_the_readme_begins_with_two_commands() -> None:
    """The first two sh blocks set up and run the main job, and set up and run the tests."""
    first, second = re.findall(r"^```sh\n(.*?)^```$", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)[:2]
    assert "micalign demo" in first
    assert "pytest" in second


@pytest.mark.parametrize(("name", "most_bytes"), [("README.md", 10_000), ("DEVELOPERS.md", 20_000)])
def test_both_documents_are_short_enough_to_be_read(name: str, most_bytes: int) -> None:
    """What is longer is not read to the end: reasons go into docstrings, figures into benchmarks."""
    assert len((ROOT / name).read_bytes()) <= most_bytes


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "micalign/scene/README.md", "tests/external/README.md"])
def test_links_and_figures_exist(name: str) -> None:
    """Nothing that a document points at is missing."""
    path = ROOT / name
    targets = re.findall(r"\]\(([^)#:]+)\)", path.read_text(encoding="utf-8"))
    assert [target for target in targets if not (path.parent / target).exists()] == []


def test_the_guide_names_only_modules_that_exist() -> None:
    """A walk through files that are gone leads nowhere."""
    named = re.findall(r"`((?:\w+/)+\w+\.(?:py|md|json))`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert len(named) > 20
    assert [
        one for one in named if "NAME" not in one and not ((ROOT / one).exists() or (ROOT / "micalign" / one).exists())
    ] == []


def test_the_guide_names_only_what_there_is() -> None:
    """Every name of a class, a function or a constant in its walks stands somewhere in the code."""
    walks = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## How to add")[1].split("## Contracts")[0]
    paths = [path for folder in ("micalign", "tests") for path in (ROOT / folder).rglob("*.py")]
    known = {word for path in paths for word in re.findall(r"\w+", path.read_text(encoding="utf-8"))}
    named = set(re.findall(r"`(_?[A-Za-z]\w{3,}(?:\.(?!py`)\w+)?)`", walks))
    assert "PATTERNS" in named
    words = {part for name in named for part in name.split(".")} - {"micalign"}
    assert sorted(words - known) == []


def test_the_table_of_commands_is_whole() -> None:
    """Every command once, in the order of a day's work, as ``--help`` has them."""
    assert re.findall(r"^\| `micalign (\w+)", README.read_text(encoding="utf-8"), re.MULTILINE) == list(COMMANDS)


def test_no_figure_lies_unseen() -> None:
    """What no document shows is not kept."""
    shown = set(re.findall(r"\]\(figures/([^)]+)\)", README.read_text(encoding="utf-8")))
    assert {path.name for path in (ROOT / "figures").glob("*.png")} == shown


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        README.write_text(_played(README.read_text(encoding="utf-8"), Path(scratch)), encoding="utf-8")
