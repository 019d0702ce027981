"""Sixteen tracks of five minutes: how long do they take against plain reading, and how much memory?"""

from __future__ import annotations

import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from micalign.files.audio import open_tracks
from micalign.take.levels import measure_levels

RATE = 48_000
TRACKS = 16
SLOWEST_RATIO = 5.0
MOST_MEGABYTES = 250.0

_MEASURE = """
import pathlib, sys
from micalign.files.audio import open_tracks
from micalign.take.levels import measure_levels
measure_levels(open_tracks(sys.argv[1:]).tracks)
# Not ru_maxrss: a child inherits its parent's.
lines = pathlib.Path("/proc/self/status").read_text().splitlines()
print(next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")))
"""


def _write(folder, minutes: int):
    rng = np.random.default_rng(7)
    frames = minutes * 60 * RATE
    hit = rng.normal(size=RATE // 2) * np.exp(-np.arange(RATE // 2) / 3000.0) * 0.13
    paths = []
    for number in range(TRACKS):
        sound = 1e-4 * rng.normal(size=frames)
        for start in range(0, frames - len(hit), 31_000 + 100 * number):
            sound[start : start + len(hit)] += hit * rng.uniform(0.5, 1.0)
        paths.append(folder / f"track-{number:02}.wav")
        soundfile.write(paths[-1], sound, RATE, subtype="PCM_24")
    return paths


def _processor_s(work) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


@pytest.mark.bench
@pytest.mark.skipif(sys.platform != "linux", reason="the largest memory is read from /proc")
@pytest.mark.timeout(900)
def test_reading_once_against_plain_reading(tmp_path, capsys):
    paths = _write(tmp_path, 5)

    def plain() -> None:
        for path in paths:
            for _ in soundfile.blocks(path, blocksize=1 << 16, dtype="float64"):
                pass

    plain_s = min(_processor_s(plain) for _ in range(3))
    levels_s = min(_processor_s(lambda: measure_levels(open_tracks(paths).tracks)) for _ in range(3))
    megabytes = float(subprocess.run([sys.executable, "-c", _MEASURE, *paths], capture_output=True, check=True).stdout)
    with capsys.disabled():
        times = f"{levels_s / plain_s:.1f} times of {SLOWEST_RATIO:.0f}"
        print(f"\nplain {plain_s:.2f} s, levels {levels_s:.2f} s ({times}), {megabytes:.0f} MB")
    assert megabytes <= MOST_MEGABYTES


@pytest.mark.bench
@pytest.mark.skipif(sys.platform != "linux", reason="the largest memory is read from /proc")
@pytest.mark.timeout(900)
def test_memory_does_not_grow_with_the_length(tmp_path, capsys):
    found = []
    for minutes in (1, 4):
        folder = tmp_path / str(minutes)
        folder.mkdir()
        paths = _write(folder, minutes)
        done = subprocess.run([sys.executable, "-c", _MEASURE, *paths], capture_output=True, check=True)
        found.append(float(done.stdout))
    with capsys.disabled():
        print(f"\n1 minute: {found[0]:.0f} MB, 4 minutes: {found[1]:.0f} MB")
    assert found[1] - found[0] < 10.0
