"""Whole commands on a session of eight tracks against reading and copying its files, in one run: time and memory.

pytest tests/bench/files/test_whole_commands.py -m bench -s -n 0

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
from bench.delay.realkit import RealKit, given_folder
from bench.delay.realtakes import groove

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
# As the installed command begins: freed memory is kept.
_OURS = "from micalign.cli import main; main.keep_freed_memory(); assert main.status_of(sys.argv[1:]) < 2"
_ALIGN = """
import tempfile
from micalign.cli import main
main.keep_freed_memory()
with tempfile.TemporaryDirectory(dir=sys.argv[1]) as folder:
    assert main.status_of(["align", *sys.argv[2:], "-o", folder + "/out", "-q"]) < 2
"""
_NOTHING = "import numpy, matplotlib.figure"
SCENES = Path(__file__).parents[3] / "scenes"


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
                "align": (_ALIGN, [tmp_path, *paths]),
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


KIT = ("KdrumR", "Snare_top", "Tom2", "Hihat", "OHL", "OHR", "AmbL", "AmbR")
REFERENCES = {"a drum": "Snare_top", "an overhead": "OHL", "a room mic": "AmbL"}
PACKED = Path(__file__).parents[2] / "external" / "realkit"


@pytest.mark.parametrize("style", ["rock", "tom-led"])
def test_measuring_a_real_kit_by_any_reference(tmp_path: Path, pytestconfig: pytest.Config, style: str) -> None:
    """Five minutes of a kit's hits on eight mics (a few hits, or those of ``--realkit``): ratios to reading, memory."""
    kit = RealKit(given_folder(pytestconfig.getoption("--realkit")) or PACKED)
    take = groove(kit, style, 7, half="development", seconds=300)
    paths = {name: tmp_path / f"{name}.wav" for name in KIT}
    for name, path in paths.items():
        soundfile.write(path, take.mics[name], take.rate, "PCM_24")
    commands = {
        words: (_OURS, ["measure", paths[name], *(path for other, path in paths.items() if other != name), "--json"])
        for words, name in REFERENCES.items()
    }
    costs = _costs({"read": (_READ, list(paths.values())), **commands}, rounds=3)
    read_s = costs.pop("read")[0]
    print(f"\n{style}, 8 x 5 min: reading {read_s:.2f} s of processor")
    for words, (seconds, peak) in costs.items():
        print(f"against {words}: {seconds:.2f} s = {seconds / read_s:.2f} x reading, {peak:.0f} MB")


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


def _crowd() -> str:
    """200 mics and 10 sources in a hall."""
    rng = np.random.default_rng(3)
    lines = ["[room]", "size = [30, 20, 8]"]
    for index in range(10):
        x, y, z = rng.uniform([1, 1, 0.3], [29, 19, 1.5]).round(3)
        lines += ["[[source]]", f'name = "s{index}"', f"at = [{x}, {y}, {z}]"]
    for index in range(200):
        x, y, z = rng.uniform([1, 1, 0.3], [29, 19, 6]).round(3)
        lines += ["[[mic]]", f'name = "m{index}"', f"at = [{x}, {y}, {z}]", f'on = "s{index % 10}"']
    return "\n".join(lines)


def test_the_other_commands_against_their_bars(tmp_path: Path) -> None:
    """Seconds of the processor and memory, beside the bar, and against the import that every figure pays for."""
    crowd, kit = tmp_path / "crowd.toml", tmp_path / "kit.toml"
    crowd.write_text(_crowd(), encoding="utf-8")
    kit.write_text((SCENES / "jazz-kit.toml").read_text(encoding="utf-8"), encoding="utf-8")
    folder = tmp_path / "written"
    bars = {
        "check --json, 200 mics x 10 sources": (3.0, 300.0, ["check", crowd, "--json"]),
        "report, a take of five tracks": (5.0, None, ["report", kit, "-o", folder / "page.html", "--force", "-q"]),
        "explain": (4.0, None, ["explain", "-o", folder / "lesson", "--force", "-q"]),
        "demo": (10.0, None, ["demo", "-o", folder / "demo", "--force", "-q"]),
    }
    folder.mkdir()
    _costs({"take": (_OURS, ["simulate", kit, "-q"])}, rounds=1)
    commands = {name: (_OURS, arguments) for name, (_, _, arguments) in bars.items()}
    costs = _costs({"import": (_NOTHING, []), **commands}, rounds=3)
    import_s = costs.pop("import")[0]
    print(f"\nimport of numpy and matplotlib: {import_s:.2f} s of processor")
    for name, (seconds, peak) in costs.items():
        most_s, most_mb, _ = bars[name]
        memory = f"{peak:.0f} MB" + (f" of {most_mb:.0f}" if most_mb else "")
        print(f"{name}: {seconds:.2f} s of {most_s:.0f}, {seconds / import_s:.1f} x the import; {memory}")
        assert most_mb is None or peak <= most_mb
