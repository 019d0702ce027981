"""Are two mics at a source each told from two at one source, in rooms, and what does each threshold of that decide?

    python tests/bench/alignment/duos.py --seeds 60 61 62 63

A singer with a guitar in a room that filters, a mic near each: right where both delays are within 0.1 ms. Against them
what is one source: two mics at one, DIs with their cabinets, of both renderers. Then the same without each threshold.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import sessions, studio, studio_pairs
from bench.delay.room import SPEED_M_S
from bench.delay.sessions import Case

from micalign.alignment import beside_kit
from micalign.take.tracks import Track

NEAR_S = 1e-4
SECONDS = 14.0
ONE_SOURCE = (
    studio.spaced,
    sessions.spaced,
    studio_pairs.di_guitar,
    studio_pairs.di_bass,
    sessions.di_guitar,
    sessions.di_bass,
)
WITHOUT = {"_LEAST_S": 0.0, "_UNEVEN": 0.0}


def duo(seed: int) -> tuple[Track, Track, tuple[float, float]]:
    """The singer's mic and the guitar's, and when the singer arrives later in the guitar's, and the guitar earlier."""
    rng = np.random.default_rng([seed, 91])
    size = rng.uniform([4, 3.5, 2.4], [7, 6, 3.2])
    room = studio.Room(rng, size, dull=float(rng.uniform(0.8, 1.5)))
    head = np.append(rng.uniform([1.2, 1.2], size[:2] - 1.2), 1.55)
    places = {"voice": head, "guitar": head + rng.uniform([-0.7, -0.7, -0.75], [0.7, 0.7, -0.45])}
    near = {name: at + rng.normal(size=3) * 0.12 for name, at in places.items()}
    mics = {name: studio._aimed(near[name], places[name], 0.5) for name in places}
    parts = {"voice": studio.voice(rng, SECONDS), "guitar": studio.amplifier(rng, SECONDS, 98)}
    parts = {name: [_as_loud(part, rng.uniform(-4, 4)) for part in sent] for name, sent in parts.items()}
    stage = studio.recorded(rng, room, places, parts, mics, SECONDS, -60.0)
    first, second = (Track.from_array(name, stage.tracks[name], studio.RATE) for name in places)
    late = [
        (np.linalg.norm(places[of] - near["guitar"]) - np.linalg.norm(places[of] - near["voice"])) / SPEED_M_S
        for of in places
    ]
    return first, second, (float(late[0]), float(late[1]))


def _as_loud(part: studio.Part, level_db: float) -> studio.Part:
    """The part at a root mean square of so many decibels."""
    return replace(part, signal=part.signal * 10 ** (level_db / 20) / np.sqrt(np.mean(part.signal**2)))


def one_source(seeds: Sequence[int]) -> Iterator[Case]:
    for make in ONE_SOURCE:
        for seed in seeds:
            yield from make(seed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=[60, 61, 62, 63])
    seeds = parser.parse_args().seeds
    duos = [duo(seed) for seed in seeds]
    others = [
        [Track.from_array(name, x, case.rate) for name, x in (("one", case.reference), ("other", case.track))]
        for case in one_source(seeds)
    ]
    for without in (None, *WITHOUT):
        with patch.object(beside_kit, without or "_STEP_S", WITHOUT[without] if without else beside_kit._STEP_S):
            found = [(beside_kit.two_sources_of(*tracks), late) for *tracks, late in duos]
            right = sum(two is not None and np.abs(np.subtract(two, late)).max() <= NEAR_S for two, late in found)
            told = sum(two is not None for two, _ in found)
            wrong = sum(beside_kit.two_sources_of(*tracks) is not None for tracks in others)
        print(f"without {without or 'nothing':14s} duos told {told}, right {right} of {len(duos)};", end=" ")
        print(f"one source told as two {wrong} of {len(others)}", flush=True)


if __name__ == "__main__":
    main()
