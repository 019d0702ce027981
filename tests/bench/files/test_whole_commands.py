"""Whole commands on a session of eight tracks against reading and copying its files, in one run: time and memory.

pytest tests/bench/files/test_whole_commands.py -m bench -s -p no:xdist

Seconds are those of the processor: what the clock shows on a machine that does nothing else. Of references and of
commands alike the imports are counted.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile

pytestmark = [
    pytest.mark.bench,
    pytest.mark.timeout(1800),
    pytest.mark.skipif(sys.platform != "linux", reason="the largest memory is read from /proc"),
]

RATE, TRACKS = 48_000, 8

_CHILD = """
import pathlib, sys, time
{work}
sys.stdout.flush()
# Not ru_maxrss: a child inherits its parent's.
lines = pathlib.Path("/proc/self/status").read_text().splitlines()
peak = next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
print(time.process_time(), peak, file=sys.stderr)
"""
_READ = """
import soundfile
for path in sys.argv[1:]:
    for _ in soundfile.blocks(path, 1 << 16):
        pass
"""
_COPY = """
import soundfile
for path in sys.argv[2:]:
    with soundfile.SoundFile(path) as source:
        with soundfile.SoundFile(sys.argv[1] + "/copy.wav", "w", source.samplerate, 1, source.subtype) as copy:
            for block in source.blocks(1 << 16):
                copy.write(block)
"""
_OURS = "from micalign.cli.main import status_of; assert status_of(sys.argv[1:]) < 2"


def _session(folder: Path, minutes: int) -> list[Path]:
    """Hits of one drum in every track, each a little later and in noise of its own; 24 bit."""
    folder.mkdir()
    rng = np.random.default_rng(7)
    hit = rng.normal(size=RATE // 4) * np.exp(-np.arange(RATE // 4) / 900.0) * 0.1
    paths = [folder / f"track-{number}.wav" for number in range(TRACKS)]
    for number, path in enumerate(paths):
        with soundfile.SoundFile(path, "w", RATE, 1, "PCM_24") as file:
            for second in range(60 * minutes):
                sound = 1e-4 * rng.normal(size=RATE)
                start = 1000 + (7919 * second) % 30_000 + 37 * number
                sound[start : start + len(hit)] += hit
                file.write(sound)
    return paths


def _costs(commands: Mapping[str, tuple[str, Sequence[object]]], rounds: int) -> dict[str, tuple[float, float]]:
    """Least seconds of processor and least peak of memory, MB, of each; run in turn, so that all meet the same load."""
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, (work, arguments) in commands.items():
            command = [sys.executable, "-c", _CHILD.format(work=work), *map(str, arguments)]
            said = subprocess.run(command, capture_output=True, text=True, check=True)
            seconds, peak = said.stderr.splitlines()[-1].split()
            found[name].append((float(seconds), float(peak)))
    return {name: (min(cost[0] for cost in runs), min(cost[1] for cost in runs)) for name, runs in found.items()}


def test_a_session_of_eight_tracks(tmp_path: Path) -> None:
    """Five minutes and ten: ratios to reading and copying, and how the memory grows."""
    peaks: dict[str, list[float]] = {}
    for minutes in (5, 10):
        paths = _session(tmp_path / str(minutes), minutes)
        costs = _costs(
            {
                "read": (_READ, paths),
                "copy": (_COPY, [tmp_path, *paths]),
                "measure": (_OURS, ["measure", *paths, "--json"]),
                "levels": (_OURS, ["levels", *paths, "--json"]),
                "align": (_OURS, ["align", *paths, "-o", tmp_path / "out", "--force", "-q"]),
            },
            rounds=3 if minutes == 5 else 1,
        )
        read_s, copy_s = costs.pop("read")[0], costs.pop("copy")[0]
        print(f"\n8 x {minutes} min: reading {read_s:.2f} s, copying {copy_s:.2f} s of processor")
        for name, (seconds, peak) in costs.items():
            told = f"{seconds / read_s:.2f} x reading"
            if name == "align":
                told = f"{(seconds - costs['measure'][0]) / copy_s:.2f} x the copy beyond measuring"
            print(f"{name:>8}: {seconds:.2f} s = {told}, {peak:.0f} MB")
            peaks.setdefault(name, []).append(peak)
    for name, (short, long) in peaks.items():
        print(f"{name:>8}: {100 * (long / short - 1):+.1f} % of memory at twice the length")


def test_a_pair_against_the_correlation_of_whole_files(tmp_path: Path) -> None:
    """Tracks of five minutes: what each further one costs, against correlating it whole with the reference."""
    paths = _session(tmp_path / "pair", 5)
    begun = time.process_time()
    x, y = (soundfile.read(path)[0] for path in paths[:2])
    found = scipy.signal.correlate(y, x, mode="full", method="fft")
    lag = int(np.argmax(np.abs(found))) - (len(x) - 1)
    plain_s = time.process_time() - begun
    costs = _costs({str(n): (_OURS, ["measure", *paths[:n], "--json"]) for n in (2, TRACKS)}, rounds=3)
    pair_s = (costs[str(TRACKS)][0] - costs["2"][0]) / (TRACKS - 2)
    print(f"\nwhole files correlated: {plain_s:.2f} s a pair (lag {lag}); measured: {pair_s:.2f} s a further pair")
    print(f"ratio {plain_s / pair_s:.1f}; a command with its start and both readings: {plain_s / costs['2'][0]:.1f}")
