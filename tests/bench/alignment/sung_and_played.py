"""With a scene, is a guitar told its own delays where its player's voice is as loud in its mics?

    python tests/bench/alignment/sung_and_played.py --seeds 0 20

One who sings and plays, a mic at the voice and two at the guitar, by our own simulation of a room: of the delays of
each source how many are right (0.1 ms), reliable, and wrong though reliable (0.3 ms); where all is as planned, and
where the guitar's mics were moved by 10 cm. Then the same without what keeps a held sound off another's delay.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import replace
from unittest.mock import patch

import numpy as np

from micalign.alignment.session import measured_scene
from micalign.scene.model import Mic, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import simulate
from micalign.take.tracks import Take, Track
from micalign.tdoa import sources

NEAR_S, FAR_S = 1e-4, 3e-4
MOVED_M = 0.1


def planned_scene(rng: np.random.Generator) -> Scene:
    """A singer with a guitar in a small room, all at whole centimetres."""

    def by(place: np.ndarray, low: tuple[float, ...], high: tuple[float, ...]) -> np.ndarray:
        return (place + rng.uniform(low, high)).round(2)

    guitar = by(np.array([2.0, 2.0, 0.8]), (-0.25, -0.3, -0.1), (0.25, 0.0, 0.1))
    places = {
        "vocal": by(np.array([2.0, 2.0, 1.3]), (-0.1, -0.3, -0.05), (0.1, -0.12, 0.08)),
        "near": by(guitar, (-0.1, -0.45, -0.08), (0.1, -0.25, 0.08)),
        "far": by(guitar, (-0.4, -1.1, 0.0), (0.4, -0.7, 0.5)),
    }
    of = {"vocal": "voice", "near": "guitar", "far": "guitar"}
    mics = [Mic(name, tuple(at), pattern="cardioid", aim=of[name], on=(of[name],)) for name, at in places.items()]
    both = Source("voice", (2.0, 2.0, 1.25)), Source("guitar", tuple(guitar))
    return Scene(sources=both, mics=tuple(mics), room=Room((4.1, 3.4, 2.38)))


def moved(scene: Scene, rng: np.random.Generator) -> Scene:
    """The same with the guitar's mics where they are not planned."""
    mics = [
        mic if mic.name == "vocal" else replace(mic, at=tuple(mic.position + MOVED_M * rng.normal(size=3)))
        for mic in scene.mics
    ]
    return replace(scene, mics=tuple(mics))


def answers(seed: int, *, is_moved: bool) -> Iterator[tuple[str, float, bool]]:
    """Of each source and pair how far off it is told, seconds, and whether it is called reliable."""
    rng = np.random.default_rng(seed)
    scene = planned_scene(rng)
    take = simulate(moved(scene, rng) if is_moved else scene, seconds=(20.0, 30.0)[seed % 2], seed=seed)
    arrival_s: Mapping = {(one.source, one.track): one.arrival_s for one in take.truths}
    tracks = tuple(Track.from_array(name, samples, take.sample_rate) for name, samples in take.tracks.items())
    for source in measured_scene(scene, Take(tracks), by="arrival").sources or ():
        for pair in source.pairs:
            true_s = arrival_s[source.source, pair.track] - arrival_s[source.source, pair.reference]
            yield source.source, abs(pair.delay.delay_s - true_s), pair.delay.reliable


def table(seeds: range) -> None:
    for is_moved in (False, True):
        kept = defaultdict(list)
        for seed in seeds:
            for source, off_s, reliable in answers(seed, is_moved=is_moved):
                kept[source].append((off_s <= NEAR_S, reliable, reliable and off_s > FAR_S))
        for source, rows in kept.items():
            right, reliable, wrong = np.sum(rows, axis=0)
            place = "moved" if is_moved else "as planned"
            print(
                f"{place:12s}{source:8s}{len(rows):4d} pairs: {right} right, {reliable} reliable, {wrong} of it wrong"
            )


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs=2, default=(0, 20), metavar=("FROM", "TO"))
    seeds = range(*parser.parse_args(arguments).seeds)
    table(seeds)
    print("without what keeps a held sound off another's delay")
    with patch.object(sources, "_without_bleed", lambda one, _others, _heard: one.found):
        table(seeds)


if __name__ == "__main__":
    main(sys.argv[1:])
