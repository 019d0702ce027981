"""What the rules warn of and no pair asks for: close mics on one source at unequal distances, nulls of modes.

The limits are those of the rules on combs and on mode nulls (`micalign.findings`), so that what is warned of is
charged. Every ``cost`` takes N layouts, shape (N, M, 3), and gives shape (N,).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.placing.combs import WORKS_HZ
from micalign.acoustics.placing.geometry import Ears, indices, lengths_m
from micalign.acoustics.room import LOWEST, critical_distance_m, mode_strengths, modes, reverberation_s
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Mic, Point, Scene, Source
from micalign.units import db_from_amplitude

__all__ = ["NullsWish", "SharedWish"]

_CLOSE_M: Final = 1.0
_WITHIN_DB: Final = 6.1
_UNIT_M: Final = 0.02
"""Two centimetres of way too much are one unit missed (common practice, no source)."""
_SPARE: Final = 0.8
"""Of the way that makes no notch so much is used, so that a wish for a short move does not stop at its edge."""
_NULL: Final = 0.13
_EXCITED: Final = 0.5


def _far_m(source: Source, mic: Mic) -> float:
    return float(np.linalg.norm(np.subtract(source.position, mic.position)))


@dataclass(frozen=True, eq=False)
class SharedWish:
    """Each source and two close mics on it that form no pair; ``free_m`` of way between them makes no notch."""

    first: Ints
    second: Ints
    source_m: Floats
    gain_db: Floats
    free_m: Floats

    @classmethod
    def of(cls, scene: Scene, speed_m_s: float) -> SharedWish:
        """The cases of a scene of which a mic may move."""
        cases = list(_shared(scene))
        return cls(
            indices([case[0] for case in cases]),
            indices([case[1] for case in cases]),
            np.array([case[2].position for case in cases], dtype=float).reshape(-1, 3),
            np.array([scene.mics[case[1]].gain_db - scene.mics[case[0]].gain_db for case in cases], dtype=float),
            np.array([speed_m_s / (2 * (case[2].range_hz or WORKS_HZ)[1]) for case in cases], dtype=float),
        )

    def part(self, chosen: Bools) -> SharedWish:
        """The cases in which a chosen mic, shape (M,), has a part."""
        kept = chosen[self.first] | chosen[self.second]
        return SharedWish(
            self.first[kept], self.second[kept], self.source_m[kept], self.gain_db[kept], self.free_m[kept]
        )

    def cost(self, positions: Floats, ears: Ears, axes: Floats) -> Floats:
        """What the way is too long by, where both are within 6 dB in the blend."""
        if not len(self.first):
            return np.zeros(len(positions))
        ways = [lengths_m(positions[:, mic] - self.source_m) for mic in (self.first, self.second)]
        loud = [ears.amplitude(positions, axes, mic, self.source_m) for mic in (self.first, self.second)]
        apart_db = np.abs(db_from_amplitude(loud[1] / np.maximum(loud[0], 1e-9)) + self.gain_db)
        heard = np.clip(_WITHIN_DB - apart_db, 0.0, 1.0)
        missed = np.maximum(np.abs(ways[1] - ways[0]) - _SPARE * self.free_m, 0.0) / _UNIT_M
        # Square while it is small, then in proportion, so that no single case outweighs all others.
        cost: Floats = (2 * (np.sqrt(1 + missed**2) - 1) * heard).sum(axis=1)
        return cost


def _shared(scene: Scene) -> Iterator[tuple[int, int, Source]]:
    together = {frozenset(pair.mics) for pair in scene.pairs}
    for row, mic in enumerate(scene.mics):
        for column, other in enumerate(scene.mics[:row]):
            if not (mic.may_move or other.may_move) or frozenset((mic.name, other.name)) in together:
                continue
            for source in scene.sources:
                near = max(_far_m(source, one) for one in (mic, other)) <= _CLOSE_M
                if near and source.name in mic.on and source.name in other.on:
                    yield column, row, source


@dataclass(frozen=True, eq=False)
class NullsWish:
    """Each free mic beyond the critical distance of a source, and the low modes that this excites and needs."""

    mic: Ints
    order: Ints
    size_m: Point

    @classmethod
    def of(cls, scene: Scene, speed_m_s: float) -> NullsWish:
        """The cases of a scene."""
        cases = list(dict.fromkeys(_missed_modes(scene, speed_m_s)))
        size = scene.room.size if scene.room else (1.0, 1.0, 1.0)
        order = np.array([case[1] for case in cases], dtype=np.intp).reshape(-1, 3)
        return cls(indices([case[0] for case in cases]), order, size)

    def part(self, chosen: Bools) -> NullsWish:
        """The cases of the chosen mics, shape (M,)."""
        kept = chosen[self.mic]
        return NullsWish(self.mic[kept], self.order[kept], self.size_m)

    def cost(self, positions: Floats) -> Floats:
        """Squares of what each mode is missed by: 1 in a null, 0 from where the rule is silent."""
        phase = np.pi * positions[:, self.mic] * self.order / np.array(self.size_m)
        strength = np.abs(np.prod(np.cos(phase), axis=-1))
        cost: Floats = (np.clip(1.0 - strength / _NULL, 0.0, 1.0) ** 2).sum(axis=1)
        return cost


def _missed_modes(scene: Scene, speed_m_s: float) -> Iterator[tuple[int, tuple[int, int, int]]]:
    room = scene.room
    if room is None or reverberation_s(room, speed_m_s)[0] is None:
        return
    lowest, critical = modes(room.size, speed_m_s)[:LOWEST], critical_distance_m(room)
    for row, mic in enumerate(scene.mics):
        for source in scene.sources if mic.may_move else ():
            if source.name not in mic.on or source.range_hz is None or _far_m(source, mic) < critical:
                continue
            strength = mode_strengths(room.size, lowest, np.array([source.position]))[0]
            for mode, excited in zip(lowest, strength.tolist(), strict=True):
                if excited > _EXCITED and source.range_hz[0] <= mode.hz <= source.range_hz[1]:
                    yield row, mode.order
