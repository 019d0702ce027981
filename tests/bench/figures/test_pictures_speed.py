"""How long figures, the lesson and the report take, from the shell, with everything that the program loads."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path

import pytest
from commands import micalign

pytestmark = pytest.mark.bench

SCENES = Path(__file__).parents[3] / "scenes"


def timed(*arguments: object) -> tuple[float, float]:
    """Seconds by the clock, and seconds of processor."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run([sys.executable, "-m", "micalign", *map(str, arguments)], capture_output=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in {0, 1}, done.stderr.decode()
    return time.perf_counter() - start, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def told(what: str, clock_s: float, processor_s: float) -> None:
    """Against the import that every figure pays for, in the same run."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import numpy, matplotlib.figure"], check=True)
    reference_s = time.perf_counter() - start
    print(
        f"\n{what}: {clock_s:.1f} s by the clock, {processor_s:.1f} s of processor; "
        f"{clock_s / reference_s:.1f} times the import of numpy and matplotlib ({reference_s:.1f} s)"
    )


def test_drawing_a_scene(tmp_path: Path) -> None:
    told("draw, all figures of the jazz kit", *timed("draw", SCENES / "jazz-kit.toml", "-o", tmp_path))


def test_making_a_lesson(tmp_path: Path) -> None:
    arguments = ("explain", "-o", tmp_path / "l", "--distances", "30 cm", "95 cm", "--questions", "10")
    told("explain, with a case and questions", *timed(*arguments))


def test_reporting_a_take_of_four_tracks_and_a_minute(tmp_path: Path) -> None:
    text = (SCENES / "jazz-kit.toml").read_text().replace("simulated/jazz-kit", "take")
    head, rest = text.split('[[mic]]\nname = "room"')
    kit = head + rest[rest.index("# --- what belongs together") :].replace('"room" = "room.wav"\n', "")
    scene = tmp_path / "kit.toml"
    scene.write_text(kit)
    assert micalign("simulate", scene, "--seconds", "60", "-q").status == 0
    assert len(list((tmp_path / "take").glob("*.wav"))) == 4
    told("report, 4 tracks of a minute", *timed("report", scene, "-o", tmp_path / "page.html"))
