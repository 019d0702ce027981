"""How many files that began at another time than the overhead's are told, and how many of another song are told so.

    python tests/bench/alignment/late_files.py --realkit KIT --half held-out --takes 8

Each close mic of a take of the real kit, begun 0.7 to 3.1 s later or earlier than the overhead, and that of another
take, of another length than the overhead's. Then the same without what loudness says (`fits_nowhere._fit`).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, realtakes

from micalign.alignment import fits_nowhere
from micalign.take.tracks import Track
from micalign.tdoa.measure import measure_pair

MICS = ("Snare_top", "KdrumR", "Hihat", "Tom2", "RideR", "AmbL")
LATE_S = (0.7, 1.3, 2.2, 3.1)
NEAR_S = 0.02
LOUDNESS = ("SAME_BEGINNING", "SHARED_PIECES")
AT_A_LOSS = 2.0  # a probability and a share that nothing reaches


def cases(kit: realkit.RealKit, half: str, take: int) -> Iterator[tuple[Track, Track, float | None]]:
    """An overhead, another track, and how late that is; None where it is of another song."""
    rng = np.random.default_rng(take)
    styles = [grooves.STYLES[(take + more) % len(grooves.STYLES)] for more in (0, 3)]
    here, other = (
        realtakes.varied(kit, style, seed + take, "plain", half=half)
        for style, seed in zip(styles, (600, 620), strict=True)
    )
    over = Track.from_array("OHL", here.mics["OHL"], here.rate)
    for mic in MICS:
        late_s = float(rng.choice(LATE_S)) * (1 if rng.random() < 0.5 else -1)
        for sound, truth_s in ((here.mics[mic], late_s), (other.mics[mic], None)):
            count = round(abs(late_s) * here.rate)
            begun = sound[count:] if late_s < 0 else np.concatenate([1e-5 * rng.normal(size=count), sound])
            if truth_s is None:
                begun = begun[: over.frames + int(rng.integers(-3 * here.rate, 3 * here.rate))]
            yield over, Track.from_array(mic, begun, here.rate), truth_s


def told(over: Track, track: Track) -> float | None:
    """Where it is said to fit, seconds."""
    found = fits_nowhere.other_beginning(over, track, measure_pair(over, track), max_delay_s=0.05)
    return None if found is None else found.delay_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", required=True)
    parser.add_argument("--half", default="development", choices=realkit.HALVES)
    parser.add_argument("--takes", type=int, default=8)
    chosen = parser.parse_args()
    kit = realkit.real_kit(chosen.realkit)
    every = [one for take in range(chosen.takes) for one in cases(kit, chosen.half, take)]
    for title, instead in (("as it stands", {}), ("without loudness", dict.fromkeys(LOUDNESS, AT_A_LOSS))):
        with patch.dict(vars(fits_nowhere), instead):
            rows = [(truth_s, told(over, track)) for over, track, truth_s in every]
        late = [(truth_s, said_s) for truth_s, said_s in rows if truth_s is not None]
        right = sum(said_s is not None and abs(said_s - truth_s) < NEAR_S for truth_s, said_s in late)
        strangers = [said_s for truth_s, said_s in rows if truth_s is None]
        print(
            f"{title:18s} late: {sum(said_s is not None for _, said_s in late)} of {len(late)} told, {right} rightly; "
            f"another song: {sum(said_s is not None for said_s in strangers)} of {len(strangers)} told",
            flush=True,
        )


if __name__ == "__main__":
    main()
