"""Is each mic far enough from the next one, by both readings of the three-to-one rule?

The rule as L. Burroughs gave it (Microphones: Design and Application, 1974; from memory) is told in two ways that
differ:

* *mic to mic*: the distance between two mics is at least 3 times the distance of a mic to its own source;
* *path to path*: the source is at least 3 times as far from the other mic as from its own, so that it arrives there
  9.54 dB lower (20 log10 3). With mics side by side, each in front of its own source, the first reading gives
  sqrt(10) = 3.16 times and 10.0 dB. Here the patterns of both mics count as well.

A copy 9.54 dB down still ripples the sum by +2.5 / -3.5 dB; the rule makes a comb small, not absent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import Arrivals
from micalign.acoustics.heard import Heard
from micalign.arrays import Floats
from micalign.scene.model import Scene

__all__ = ["BLEED_DB", "CLOSE_M", "RATIO", "Spacing", "spacing"]

RATIO: Final = 3.0
BLEED_DB: Final = 9.542425094393248  # 20 log10(3)
CLOSE_M: Final = 0.6
"""The rule is about close mics: rows of mics farther from their source are figures, not failures."""


@dataclass(frozen=True, slots=True)
class Spacing:
    """One mic, a source it is on, and another mic that is not.

    ``mic_distance_ratio``: distance between the mics against the mic's to its source; ``path_ratio``: distance of the
    source to the other mic against that to its own; ``bleed_db``: level of the source at the other mic against its
    own (negative is quieter), patterns included, gains not: by the direct sound alone, which the rule is about;
    ``bleed_heard_db``: the same with the room and a real pattern (`micalign.acoustics.heard`).
    """

    mic: str
    source: str
    other_mic: str
    mic_distance_ratio: float
    path_ratio: float
    bleed_db: float
    bleed_heard_db: float
    passes: bool
    bleed_passes: bool


def spacing(scene: Scene, found: Arrivals, levels: Heard) -> tuple[Spacing, ...]:
    """The rule for each mic, each source it is on, and each other mic that neither takes that source nor pairs with it.

    Mics on one source, and the two of a stereo pair, are meant to hear the same thing: for them see the differences.
    """
    between: Floats = np.linalg.norm(found.mic_m[:, None, :] - found.mic_m[None, :, :], axis=-1)
    return tuple(_row(found, levels, between, *case) for case in _cases(scene))


def _cases(scene: Scene) -> Iterator[tuple[int, int, int]]:
    source_row = {source.name: row for row, source in enumerate(scene.sources)}
    together = {frozenset(pair.mics) for pair in scene.pairs}
    for mic_column, mic in enumerate(scene.mics):
        for name in mic.on:
            for other_column, other in enumerate(scene.mics):
                apart = name not in other.on and frozenset((mic.name, other.name)) not in together
                if other is not mic and apart:
                    yield source_row[name], mic_column, other_column


def _row(found: Arrivals, levels: Heard, between: Floats, row: int, mic: int, other: int) -> Spacing:
    own = float(found.distance_m[row, mic])
    mic_ratio = float(between[mic, other]) / own
    bleed = float(found.level_db[row, other] - found.level_db[row, mic])
    return Spacing(
        found.mics[mic],
        found.sources[row],
        found.mics[other],
        mic_ratio,
        float(found.distance_m[row, other]) / own,
        bleed,
        float(levels.level_db[row, other] - levels.level_db[row, mic]),
        # A hair's breadth of float rounding must not fail a mic that stands at 3:1 exactly.
        mic_ratio >= RATIO * (1 - 1e-9),
        bleed <= -BLEED_DB + 1e-9,
    )
