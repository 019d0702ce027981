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


def _seconds(*arguments: str, rounds: int = 5) -> float:
    """The least of some runs."""
    taken = []
    quiet = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    for _ in range(rounds):
        start = _children_s()
        subprocess.run(
            [sys.executable, *arguments], check=False, env=quiet, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        taken.append(_children_s() - start)
    return min(taken)


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


def test_a_large_scene_takes_a_second_and_a_half(tmp_path: Path) -> None:
    """32 mics x 16 sources, six surfaces, four panels: 1.5 s in all, tables or JSON."""
    path = tmp_path / "large.toml"
    path.write_text(_large_scene(), encoding="utf-8")
    for extra in ([], ["--json"]):
        seconds = _seconds("-m", "micalign", "check", str(path), *extra)
        print(f"large scene {' '.join(extra)}: {seconds:.2f} s")
        assert seconds <= 1.5


def test_a_small_scene_costs_little_more_than_its_imports(tmp_path: Path) -> None:
    """0.6 s more than importing numpy and pydantic."""
    path = tmp_path / "small.toml"
    path.write_text(
        '[room]\nsize = [6, 5, 3]\n[[source]]\nname = "s"\nat = [1, 1, 1]\n'
        '[[mic]]\nname = "m"\nat = [2, 1, 1]\non = "s"\n',
        encoding="utf-8",
    )
    imports = _seconds("-c", "import numpy, pydantic")
    for extra in ([], ["--json"]):
        seconds = _seconds("-m", "micalign", "check", str(path), *extra)
        print(f"small scene {' '.join(extra)}: {seconds:.2f} s, imports alone {imports:.2f} s")
        assert seconds - imports <= 0.6
