"""Runs of forked children that tell a table of classes, cases and failures."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

__all__ = ["table_of"]


def table_of(script: str, folder: Path, rounds: int, *, timeout_s: float) -> dict[str, tuple[int, int]]:
    """Cases and failures of each class that a script prints as JSON; shown with ``-s``, and none may have failed."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    said = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script, str(folder), str(rounds)],
        check=False,
        capture_output=True,
        text=True,
        env=environment,
        timeout=timeout_s,
    )
    assert said.returncode == 0, said.stderr[-2000:]
    found = json.loads(said.stdout)
    print("\nclass | cases | failures")
    for name, (cases, failures) in found["table"].items():
        print(f"{name} | {cases} | {failures}")
    assert found["wrong"] == []
    return found["table"]
