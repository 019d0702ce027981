"""Which of 25 kinds of fault, planted in acoustics and alignment, fail an external check?

Each is one slip in a copy of the program (a factor, a sign, a term dropped); only `tests/external` judges it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = [pytest.mark.bench, pytest.mark.timeout(3600)]

ROOT = Path(__file__).parents[3]
LEAST = 20

FAULTS = {
    "humidity dropped from the speed's sigma": (
        "acoustics/arrivals.py",
        "per_percent * air.humidity_plus_minus_percent",
        "0.0",
        "s16",
    ),
    "the sign of turn_degrees": ("acoustics/room.py", "+ np.sin(turn) * along", "- np.sin(turn) * along", "s17"),
    "a panel's limit without its factor of two": (
        "acoustics/room.py",
        "(2 * max(frame.area_m2",
        "(max(frame.area_m2",
        "s17",
    ),
    "a panel's limit without its angle": ("acoustics/room.py", "np.maximum(cosine, 1e-9))\n", "1.0)\n", "s17"),
    "a panel's mean way: harmonic for arithmetic": (
        "acoustics/room.py",
        "2 * first * (way - first) / np.maximum(way, 1e-9)",
        "way / 2",
        "s17",
    ),
    "the air dropped from an arrival's sigma": (
        "acoustics/arrivals.py",
        "(distance / speed**2 * speed_sigma) ** 2",
        "0.0 * distance",
        "s16",
    ),
    "the source dropped from an arrival's sigma": (
        "acoustics/arrivals.py",
        "source_sigma[:, None] ** 2 + mic_sigma",
        "0.0 * source_sigma[:, None] + mic_sigma",
        "s16",
    ),
    "a difference's source counted twice": (
        "acoustics/comb.py",
        "(unit[:, second] - unit[:, first]) ** 2",
        "unit[:, second] ** 2 + unit[:, first] ** 2",
        "s16",
    ),
    "a difference's air added up": (
        "acoustics/comb.py",
        "(late * found.speed_sigma_m_s / found.speed_m_s) ** 2",
        "((found.arrival_s[:, second] + found.arrival_s[:, first]) * found.speed_sigma_m_s / found.speed_m_s) ** 2",
        "s16",
    ),
    "critical distance: 4 for 16": ("acoustics/room.py", "/ (16 * np.pi)", "/ (4 * np.pi)", "s17"),
    "a mode's place: sine for cosine": ("acoustics/room.py", "np.prod(np.cos(phase)", "np.prod(np.sin(phase)", "s17"),
    "gaps of 10 Hz": ("acoustics/room.py", "_GAP_HZ: Final = 20.0", "_GAP_HZ: Final = 10.0", "s17"),
    "the field after the first bounce, not the second": (
        "acoustics/prediction.py",
        "kept**2 * cut",
        "kept * cut",
        "s17",
    ),
    "the field heard as by an omni": (
        "acoustics/prediction.py",
        " * found.pattern.random_energy_efficiency",
        "",
        "s17",
    ),
    "random energy efficiency: half for a third": ("acoustics/arrivals.py", "** 2 / 3.0", "** 2 / 2.0", "s05"),
    "a bounce keeps 1 - a of the amplitude": (
        "acoustics/room.py",
        "float(np.sqrt(1.0 - room.absorption.of(name)))",
        "float(1.0 - room.absorption.of(name))",
        "s07",
    ),
    "the radius that holds 68 of 100: one sigma": (
        "acoustics/tape_doubt.py",
        "np.sqrt(squares / total * quantile)",
        "np.sqrt(total / 3)",
        "s16",
    ),
    "a notch's range by half its sigma": (
        "acoustics/comb.py",
        "0.5 / (delay + uncertainty_s)",
        "0.5 / (delay + uncertainty_s / 2)",
        "s16",
    ),
    "third octaves at nominal tenths": ("alignment/gain.py", "10.0**0.05", "10.0**0.10", "s18"),
    "bands of a sum by amplitude": (
        "alignment/gain.py",
        "db_from_power(total / parts)",
        "0.5 * db_from_power(total / parts)",
        "s18",
    ),
    "an all-pass of twice the Q": ("alignment/gain.py", "(2.0 * q)", "(4.0 * q)", "s18"),
    "links weighed by one over sigma squared, twice": (
        "alignment/network.py",
        "link.sigma_s for",
        "link.sigma_s**2 for",
        "s18",
    ),
    "the polarity of a link left out": (
        "alignment/network.py",
        "link.clear * link.polarity",
        "link.clear",
        "s18",
    ),
    "a shift the other way": (
        "alignment/shift.py",
        "count, fraction = split_shift(shift_samples, whole=whole)\n    stretch",
        "count, fraction = split_shift(-shift_samples, whole=whole)\n    stretch",
        "s18",
    ),
    "drift the other way": ("alignment/shift.py", "clock * (1.0 + drift_ppm", "clock * (1.0 - drift_ppm", "s18"),
}


def _judged(folder: Path, section: str) -> bool:
    """Whether an external check of that section fails on the copy."""
    tests = sorted(map(str, (ROOT / "tests" / "external").glob(f"test_{section}_*.py")))
    quiet = {**os.environ, "PYTHONPATH": str(folder), "PYTEST_ADDOPTS": "", "PYTHONDONTWRITEBYTECODE": "1"}
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-x",
        "-p",
        "no:cacheprovider",
        "-c",
        str(ROOT / "pyproject.toml"),
        *tests,
    ]
    done = subprocess.run(command, cwd=folder, env=quiet, check=False, capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stdout[-2000:]
    return done.returncode == 1


def test_most_planted_faults_fail_an_external_check(tmp_path: Path) -> None:
    noticed = 0
    print()
    for number, (what, (file, sound, faulty, section)) in enumerate(FAULTS.items()):
        folder = tmp_path / str(number)
        shutil.copytree(ROOT / "micalign", folder / "micalign", ignore=shutil.ignore_patterns("__pycache__"))
        path = folder / "micalign" / file
        text = path.read_text(encoding="utf-8")
        assert sound in text, f"{file} no longer holds {sound!r}: plant the fault elsewhere"
        path.write_text(text.replace(sound, faulty, 1), encoding="utf-8")
        seen = _judged(folder, section)
        noticed += seen
        print(f"  {'noticed  ' if seen else 'UNNOTICED'} {what} ({file})", flush=True)
    print(f"{noticed} of {len(FAULTS)} kinds of fault fail an external check")
    assert noticed >= LEAST
