"""How often a mic that was moved within the take is told, and how often one that stood still is told so.

    python tests/bench/alignment/moved_mics.py --realkit KIT --half development --seeds 31 33 52

Each mic of takes of the real kit against an overhead, as recorded and 0.3 to 4 ms later or earlier from a moment in
the middle half of the take on; and takes of two parts that are played on other drums, in which nothing is moved.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, realtakes

from micalign.alignment.fits_nowhere import changed_delays
from micalign.take.tracks import Track
from micalign.tdoa.delays import unknown

OVER = "OHL"
MICS = (*realkit.CLOSE.values(), "Snare_bottom", "OHR", "AmbL", "Tom1")
MOVED_MS, MOMENTS = (0.3, 4.0), (0.25, 0.75)
LEFT_OUT = (
    ((), ()),
    (("snare",), ("kick R",)),
    (("ride R", "crash R"), ("hihat",)),
    (("hihat",), ("ride R",)),
    (("tom 2", "tom 3"), ("snare",)),
    (("kick R", "snare"), ("hihat", "ride R", "crash R")),
    (("kick R", "tom 2", "tom 3", "ride R", "crash R"), ("snare", "tom 2", "tom 3", "hihat", "crash R")),
    (("kick R", "snare", "tom 3", "hihat", "ride R", "crash R"), ("kick R", "tom 2", "tom 3", "hihat", "crash R")),
)
"""Sources that are not played in the first and in the second part, a pair for each style."""


def moved(sound: np.ndarray, at: float, late_s: float, rate: int) -> np.ndarray:
    """The sound, later from a share of its length on."""
    first = int(at * len(sound))
    return np.concatenate([sound[:first], realtakes._later(sound, late_s * rate)[first:]])


def takes(kit: realkit.RealKit, half: str, seed: int) -> Iterator[tuple[str, dict[str, np.ndarray], int]]:
    """What is played, the mics and their rate: a groove of each style, and two parts."""
    for number, style in enumerate(grooves.STYLES):
        variant = realtakes.VARIANTS[(seed + number) % len(realtakes.VARIANTS)]
        one = realtakes.varied(kit, style, seed, variant, half=half)
        yield "one part", one.mics, one.rate
        after = grooves.STYLES[(number + 3) % len(grooves.STYLES)]
        first, second = (
            realtakes.groove(kit, played, seed + more, half=half, without=without, seconds=15)
            for played, more, without in zip((style, after), (100, 200), LEFT_OUT[number], strict=True)
        )
        yield "two parts", {mic: np.concatenate([first.mics[mic], second.mics[mic]]) for mic in first.mics}, one.rate


def told(mics: dict[str, np.ndarray], rate: int, mic: str, sound: np.ndarray) -> str | None:
    """What is said of a mic against the overhead."""
    over, track = (Track.from_array(name, samples, rate) for name, samples in ((OVER, mics[OVER]), (mic, sound)))
    found = changed_delays(over, [track], {mic: unknown("")}, max_delay_s=0.05)
    return found[mic].delay.reason if mic in found else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", required=True)
    parser.add_argument("--half", default="development", choices=realkit.HALVES)
    parser.add_argument("--seeds", type=int, nargs="+", default=[31, 33, 52])
    chosen = parser.parse_args()
    kit = realkit.real_kit(chosen.realkit)
    count: Counter[tuple[str, str]] = Counter()
    for seed in chosen.seeds:
        rng = np.random.default_rng([seed, 99])
        for parts, mics, rate in takes(kit, chosen.half, seed):
            count[parts, "takes"] += 1
            for mic in MICS:
                at, late_s = rng.uniform(*MOMENTS), rng.choice([-1, 1]) * rng.uniform(*MOVED_MS) / 1e3
                count[parts, "mics"] += 1
                count[parts, "still, told"] += told(mics, rate, mic, mics[mic]) is not None
                if parts == "one part":
                    said = told(mics, rate, mic, moved(mics[mic], at, late_s, rate))
                    count[parts, "moved, told"] += said is not None
                    count[parts, "moved, told with both delays"] += said is not None and " from " in said
    for (parts, what), number in sorted(count.items()):
        print(f"{parts:10s} {what:30s} {number}")


if __name__ == "__main__":
    main()
