"""Every command the README shows runs and prints what the README shows.

The README's ``console`` blocks are played from top to bottom in one empty folder that holds a copy of ``scenes/``.
After a change that is meant to change what they print, write the new output into the README with

    python tests/test_readme.py

and read the difference before committing it.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from micalign.files.scenes import read_scene

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


def test_the_scene_of_the_readme_is_a_scene(tmp_path: Path) -> None:
    """Whoever copies it has a file that every command takes, and tapes that agree with its places."""
    found = re.search(r"^```toml\n(.*?)^```$", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    assert found is not None
    path = tmp_path / "barn.toml"
    path.write_text(found[1], encoding="utf-8")
    scene = read_scene(path)
    assert scene.is_placed
    assert len(scene.sources) == 3
    for tape in scene.tapes:
        at = {one.name: one.position for one in (*scene.sources, *scene.mics)}
        assert math.dist(at[tape.between[0]], at[tape.between[1]]) == pytest.approx(tape.distance_m, abs=0.0127)


def test_links_and_figures_of_the_readme_exist() -> None:
    """Nothing the README points at is missing."""
    targets = re.findall(r"\]\(([^)#:]+)\)", README.read_text(encoding="utf-8"))
    assert [target for target in targets if not (ROOT / target).exists()] == []


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        README.write_text(_played(README.read_text(encoding="utf-8"), Path(scratch)), encoding="utf-8")
