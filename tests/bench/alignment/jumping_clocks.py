"""How often `measure --drift` says that a delay jumps: where it does, and where it does not.

    python tests/bench/alignment/jumping_clocks.py --realkit KIT --half development --seeds 31 33 52

Mics of takes of the real kit against an overhead: as they are, with clocks that run 20 ppm apart, and with what a
recorder does to a file in the middle half of the take: one sample dropped, ten milliseconds dropped, or put in.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, realtakes

from micalign.take.tracks import Track
from micalign.tdoa.change import measure_clock

OVER = "OHL"
MICS = (*realkit.CLOSE.values(), "OHR", "AmbL")
DRIFT_PPM, JUMP_S, MOMENTS = 20.0, 10e-3, (0.25, 0.75)
JUMPS = "jumps"


def dropped(sound: np.ndarray, at: float, samples: int) -> np.ndarray:
    """The sound without some samples from a share of its length on; with some silence there where that is negative."""
    first = int(at * len(sound))
    if samples < 0:
        return np.concatenate([sound[:first], np.zeros(-samples), sound[first:]])
    return np.concatenate([sound[:first], sound[first + samples :]])


def drifted(sound: np.ndarray, ppm: float) -> np.ndarray:
    """The sound as a recorder whose clock is slow by ``ppm`` has it, by its spectrum four times as fine."""
    size = len(sound)
    fine = np.fft.irfft(np.fft.rfft(sound), 4 * size) * 4
    return np.interp(np.arange(size) * (1 - ppm * 1e-6) * 4, np.arange(4 * size), fine)


def cases(sound: np.ndarray, at: float, rate: int) -> Iterator[tuple[str, np.ndarray]]:
    jump = round(JUMP_S * rate)
    yield "as it is", sound
    yield f"{DRIFT_PPM:.0f} ppm", drifted(sound, DRIFT_PPM)
    yield "one sample dropped", dropped(sound, at, 1)
    yield f"{1e3 * JUMP_S:.0f} ms dropped", dropped(sound, at, jump)
    yield f"{1e3 * JUMP_S:.0f} ms put in", dropped(sound, at, -jump)


def asked(spec: tuple[str, str, int], *, folder: str, half: str) -> list[tuple[str, str, str, bool, str | None, float]]:
    """Style, mic, case, whether it is reliable, what is said of it, and how fast the clocks are told to part."""
    style, variant, seed = spec
    take = realtakes.varied(realkit.real_kit(folder), style, seed, variant, half=half)
    rng = np.random.default_rng([seed, 98, grooves.STYLES.index(style)])
    over = Track.from_array(OVER, take.mics[OVER], take.rate)
    found = []
    for mic in MICS:
        for case, sound in cases(take.mics[mic], rng.uniform(*MOMENTS), take.rate):
            told = measure_clock(over, Track.from_array(mic, sound, take.rate))
            found.append((style, mic, case, told.reliable, told.reason, told.drift_ppm or 0.0))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", required=True)
    parser.add_argument("--half", default="development", choices=realkit.HALVES)
    parser.add_argument("--seeds", type=int, nargs="+", default=[31, 33, 52])
    parser.add_argument("--jobs", type=int, default=1)
    chosen = parser.parse_args()
    todo = [
        (style, realtakes.VARIANTS[(seed + number) % len(realtakes.VARIANTS)], seed)
        for seed in chosen.seeds
        for number, style in enumerate(grooves.STYLES)
    ]
    with ProcessPoolExecutor(chosen.jobs) as pool:
        found = [
            row for rows in pool.map(partial(asked, folder=chosen.realkit, half=chosen.half), todo) for row in rows
        ]
    print(f"half {chosen.half}, seeds {chosen.seeds}, {len(todo)} takes")
    print(f"{'case':20s}    n  jumps  reliable  reliable within 1 ppm")
    for case in dict.fromkeys(row[2] for row in found):
        here = [row for row in found if row[2] == case]
        true_ppm = DRIFT_PPM if case.endswith("ppm") else 0.0
        jumps = sum(JUMPS in (row[4] or "") for row in here)
        sure = [row for row in here if row[3]]
        print(f"{case:20s} {len(here):4d} {jumps:5d} {len(sure):8d} {sum(abs(r[5] - true_ppm) < 1.0 for r in sure):8d}")
    wrongly = Counter(row[:2] for row in found if row[2] in ("as it is", "20 ppm") and JUMPS in (row[4] or ""))
    print(
        "told to jump without a jump:", ", ".join(f"{style} {mic} {n}" for (style, mic), n in wrongly.items()) or "none"
    )


if __name__ == "__main__":
    main()
