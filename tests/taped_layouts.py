"""Random rooms taped by hand, one tape misread: what a survey should, or cannot, tell.

Four to six known points and one or two mics of which nothing, or the height, is known; four to eight tapes, each read
to a centimetre, drawn so that every mic can be fixed and one more tape is to spare; one of them is off by 10 to 60 cm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.scene.model import Mic, Room, Source, Tape
from micalign.scene.scene import Scene

SIGMA_M = 0.01


@dataclass(frozen=True)
class Taped:
    scene: Scene
    places: dict[str, tuple[float, ...]]
    wrong: int


def taped_layout(rng: np.random.Generator) -> Taped:
    """A layout whose tapes outnumber its unknown coordinates, with its truth."""
    size = np.array([rng.uniform(3, 8), rng.uniform(3, 6), rng.uniform(2.3, 3.2)])
    anchors, mics = int(rng.integers(4, 7)), int(rng.integers(1, 3))
    heights = bool(rng.random() < 0.5)
    names = [f"p{i}" for i in range(anchors)] + [f"mic{i}" for i in range(mics)]
    low = np.tile([0.2, 0.2, 0.1], (len(names), 1))
    high = np.tile(size - [0.2, 0.2, 0.3], (len(names), 1))
    high[:anchors, 2] = 1.7  # drums, stands and marks that a tape reaches
    places = low + rng.random((len(names), 3)) * (high - low)
    pairs = _pairs(rng, anchors, mics, 2 if heights else 3)
    lengths = [np.linalg.norm(places[i] - places[j]) + SIGMA_M * rng.standard_normal() for i, j in pairs]
    wrong = int(rng.integers(len(pairs)))
    lengths[wrong] = max(lengths[wrong] + rng.uniform(0.1, 0.6) * rng.choice([-1, 1]), 0.05)
    scene = Scene(
        room=Room(tuple(size)),
        sources=tuple(Source(name, tuple(at)) for name, at in zip(names[:anchors], places, strict=False)),
        mics=tuple(
            Mic(name, (None, None, float(at[2])) if heights else (None, None, None))
            for name, at in zip(names[anchors:], places[anchors:], strict=True)
        ),
        tapes=tuple(
            Tape((names[i], names[j]), float(length), SIGMA_M) for (i, j), length in zip(pairs, lengths, strict=True)
        ),
    )
    return Taped(scene, dict(zip(names, map(tuple, places), strict=True)), wrong)


def _pairs(rng: np.random.Generator, anchors: int, mics: int, unknown: int) -> list[tuple[int, int]]:
    """Tapes drawn among all pairs that a mic is in: enough for each mic, at least one to spare, four to eight."""
    every = [(i, anchors + m) for m in range(mics) for i in range(anchors)]
    every += [(anchors, anchors + 1)] if mics == 2 else []
    least = max(4, mics * unknown + 1)
    while True:
        count = int(rng.integers(least, min(8, len(every)) + 1))
        drawn = [every[index] for index in sorted(rng.permutation(len(every))[:count])]
        ends = np.array(drawn).ravel()
        if all(np.sum(ends == anchors + m) >= unknown for m in range(mics)):
            return drawn
