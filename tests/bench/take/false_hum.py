"""How many tracks of a kit, which has no hum, are told to hum, and how many with a hum that is planted.

    python tests/bench/take/false_hum.py --realkit KIT --half development --seeds 66 67

Then both with each of the two rules left out that keep a drum near a mains frequency from being one.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, score_real

from micalign.take import tuned
from micalign.take.levels import measure_levels
from micalign.take.tracks import Track

PLANTED_DBFS = (-80.0, -70.0, -60.0)
HARMONICS = {1: 1.0, 2: 0.5, 3: 0.7, 5: 0.3}
RULES = {
    "as it stands": {},
    "louder than the floor": {"HUM_IN_FLOOR": float("inf")},
    "off the mains": {"USUAL_MAINS": float("inf")},
    "both": {"HUM_IN_FLOOR": float("inf"), "USUAL_MAINS": float("inf")},
}


def hum(rng: np.random.Generator, frames: int, rate: int, dbfs: float) -> np.ndarray:
    """Mains hum within 0.2 % of 50 Hz, its first lines, at a level of all together."""
    hz, at_s = 50.0 * (1.0 + rng.uniform(-0.002, 0.002)), np.arange(frames) / rate
    waves = sum(share * np.sin(2 * np.pi * (k * hz * at_s + rng.uniform())) for k, share in HARMONICS.items())
    return np.asarray(10 ** (dbfs / 20) * waves / np.sqrt(np.mean(waves**2)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", required=True)
    parser.add_argument("--half", default="development", choices=realkit.HALVES)
    parser.add_argument("--seeds", type=int, nargs="+", default=[66])
    chosen = parser.parse_args()
    kit = realkit.real_kit(chosen.realkit, realkit.CUT_S)
    told, count = Counter[tuple[str, float | None]](), Counter[tuple[str, float | None]]()
    for spec in score_real.specs(chosen.seeds, list(grooves.STYLES), isolated=False):
        take, rng = score_real.rendered(kit, spec, chosen.half), np.random.default_rng(chosen.seeds)
        for dbfs in (None, *PLANTED_DBFS):
            sounds = {
                name: sound if dbfs is None else sound + hum(rng, len(sound), take.rate, dbfs)
                for name, sound in take.mics.items()
            }
            tracks = [Track.from_array(name, sound, take.rate) for name, sound in sounds.items()]
            for title, instead in RULES.items():
                with patch.dict(vars(tuned), instead):
                    found = measure_levels(tracks)
                told[title, dbfs] += sum(one.hum is not None for one in found)
                count[title, dbfs] += len(found)
    for (title, dbfs), every in count.items():
        planted = "none" if dbfs is None else f"{dbfs:.0f} dBFS"
        left_out = title if title == "as it stands" else f"without {title}"
        print(f"{left_out:30s} planted {planted:9s} told of {told[title, dbfs]:4d} of {every}")


if __name__ == "__main__":
    main()
