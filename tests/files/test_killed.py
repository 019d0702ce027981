"""Killed with SIGKILL at any moment: no partial file under a final name, originals as they were, a next run works."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

# Forked children of one process that has everything loaded: each is killed at its own random moment of writing.
SCRIPT = """
import hashlib, json, os, random, signal, sys, time
from pathlib import Path
import numpy as np
import soundfile
from micalign.alignment.offsets import MovedTrack
from micalign.files.aligned_audio import AlignedFile, write_aligned
from micalign.files.audio import open_track

folder, rounds = Path(sys.argv[1]), int(sys.argv[2])
out = folder / "out"
out.mkdir()
noise = np.random.default_rng(0)
sources = []
for number, (container, name) in enumerate([("WAV", "kick.wav"), ("FLAC", "snare.flac"), ("WAV", "room.wav")]):
    soundfile.write(folder / name, noise.uniform(-0.5, 0.5, 200_000), 48000, "PCM_24", format=container)
    sources.append(folder / name)


def write():
    jobs = [
        AlignedFile(out / source.name, source, (MovedTrack(open_track(source), -3.3 * number),))
        for number, source in enumerate(sources)
    ]
    write_aligned(jobs, force=True, workers=2)


def digests(paths):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


originals = digests(sources)
write()
wanted = digests(out.iterdir())
# The shortest of five: one run held up by the machine would put most moments behind the end of the work.
durations = []
for _ in range(5):
    begun = time.monotonic()
    write()
    durations.append(time.monotonic() - begun)
usual = min(durations)
moments = random.Random(7)
wrong, partials, killed = [], 0, 0
for round_ in range(rounds):
    if round_ % 3 == 0:  # also from an empty folder
        for path in out.iterdir():
            path.unlink()
    child = os.fork()
    if child == 0:
        try:
            write()
        finally:
            os._exit(0)
    time.sleep(moments.uniform(0.0, 1.3 * usual))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    killed += os.WIFSIGNALED(status)
    for path in out.iterdir():
        if path.name.startswith("."):
            partials += 1
        elif digests([path])[path.name] != wanted[path.name]:
            wrong.append(path.name)
write()
print(json.dumps({
    "wrong": wrong, "partials": partials, "killed": killed,
    "left": sorted(path.name for path in out.iterdir() if path.name not in wanted),
    "again": digests(path for path in out.iterdir() if path.name in wanted) == wanted,
    "originals": digests(sources) == originals,
}))
"""


def _killed(folder: Path, rounds: int) -> dict[str, object]:
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    said = subprocess.run(
        [sys.executable, "-W", "ignore::DeprecationWarning", "-c", SCRIPT, str(folder), str(rounds)],
        check=True, capture_output=True, text=True, env=environment,
    )  # fmt: skip
    found: dict[str, object] = json.loads(said.stdout)
    return found


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize("rounds", [12, pytest.param(300, marks=pytest.mark.slow)])
def test_a_run_killed_at_any_moment_loses_nothing(tmp_path: Path, rounds: int) -> None:
    """Whatever stands under a final name is whole; a second run clears what was left and gives the same files."""
    found = _killed(tmp_path, rounds)
    assert found["wrong"] == []
    assert found["left"] == []
    assert found["again"] is True
    assert found["originals"] is True
    # The moments must have hit the work itself, or the test says nothing.
    assert isinstance(found["killed"], int)
    assert isinstance(found["partials"], int)
    assert found["killed"] >= rounds // 3
    assert found["partials"] >= rounds // 6
