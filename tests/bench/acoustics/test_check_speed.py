"""How long ``check`` takes, from the command line, imports and all.

Seconds are those of the processor, of one thread: what the clock shows on a machine that does nothing else.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.bench


def _seconds(cache: Path, *commands: tuple[str, ...], rounds: int = 9) -> list[float]:
    """The least of some runs of each, in turn, with their bytecode kept as an installed program's is."""
    quiet = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPYCACHEPREFIX": str(cache)}
    quiet.pop("PYTHONDONTWRITEBYTECODE", None)
    taken: list[list[float]] = [[] for _ in commands]
    for _ in range(rounds):
        for runs, command in zip(taken, commands, strict=True):
            start = _children_s()
            subprocess.run([sys.executable, *command], check=False, env=quiet, capture_output=True)
            runs.append(_children_s() - start)
    return [min(runs) for runs in taken]


def _children_s() -> float:
    times = os.times()
    return times.children_user + times.children_system


def _large_scene() -> str:
    """32 mics, 16 sources, six walls, four panels, four pairs."""
    rng = np.random.default_rng(3)
    lines = ["[room]", "size = [12, 10, 4]"]
    for index in range(16):
        x, y, z = rng.uniform([1, 1, 0.3], [11, 9, 1.5]).round(3)
        lines += ["[[source]]", f'name = "s{index}"', f"at = [{x}, {y}, {z}]", "range_hz = [80, 8000]"]
    for index in range(32):
        x, y, z = rng.uniform([1, 1, 0.3], [11, 9, 3]).round(3)
        lines += ["[[mic]]", f'name = "m{index}"', f"at = [{x}, {y}, {z}]", f'aim = "s{index // 2}"']
        lines += [f'on = "s{index // 2}"', 'pattern = "cardioid"']
    for index in range(4):
        lines += ["[[panel]]", f'name = "p{index}"', f"centre = [{2 + 2 * index}, 5, 0.7]"]
        lines += ["normal = [0, 0, 1]", "size = [1.5, 1]"]
    for index in range(0, 32, 8):
        lines += ["[[pair]]", f'name = "pair{index}"', f'mics = ["m{index}", "m{index + 1}"]']
    return "\n".join(lines)


def test_a_large_scene_beside_its_bar(tmp_path: Path) -> None:
    """32 mics x 16 sources, six surfaces, four panels: 1.5 s in all, tables or JSON."""
    path = tmp_path / "large.toml"
    path.write_text(_large_scene(), encoding="utf-8")
    check = ("-m", "micalign", "check", str(path))
    for seconds, words in zip(_seconds(tmp_path, check, (*check, "--json")), ("tables", "JSON"), strict=True):
        print(f"\nlarge scene, {words}: {seconds:.2f} s of 1.5")


def test_commands_cost_little_more_than_what_they_import(tmp_path: Path) -> None:
    """``check`` of a bundled scene: at most 2.5 times its imports; ``--help``: one and a half times click."""
    check = ("-m", "micalign", "check", str(Path(__file__).parents[3] / "scenes" / "jazz-kit.toml"))
    imports, click, tables, document, words = _seconds(
        tmp_path,
        ("-c", "import numpy; from pydantic import BaseModel"),  # a model's base class is loaded when it is asked for
        ("-c", "import click"),
        check,
        (*check, "--json"),
        ("-m", "micalign", "--help"),
    )
    print(f"\ncheck, tables: {tables / imports:.2f} x the import of numpy and pydantic's models ({imports:.3f} s)")
    print(f"check, JSON: {document / imports:.2f} x")
    print(f"--help: {words / click:.2f} x the import of click ({click:.3f} s)")
