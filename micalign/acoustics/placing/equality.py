"""By how much do the mics of each pair miss one distance to what they should be equally far from?

One case for each pair and each source of its ``equal_to``. Differences are metres, first mic's distance less the
second's; tolerances are metres of sound travel.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np

from micalign.acoustics.placing.geometry import indices, lengths_m
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Scene

__all__ = ["Equality"]


@dataclass(frozen=True, eq=False)
class Equality:
    """The cases, E of them: the pair, its two mics, the source's place and the tolerance in metres."""

    pair: Ints
    source: Ints
    first: Ints
    second: Ints
    source_m: Floats
    tolerance_m: Floats

    @classmethod
    def of(cls, scene: Scene, speed_m_s: float) -> Equality:
        """The cases of a scene."""
        mic = {mic.name: row for row, mic in enumerate(scene.mics)}
        source = {source.name: row for row, source in enumerate(scene.sources)}
        cases = [
            (row, source[name], mic[pair.mics[0]], mic[pair.mics[1]], pair.tolerance_s * speed_m_s)
            for row, pair in enumerate(scene.pairs)
            for name in pair.equal_to
        ]
        points = np.array([scene.sources[case[1]].position for case in cases], dtype=float).reshape(-1, 3)
        pairs, sources, first, second = (indices([int(case[k]) for case in cases]) for k in range(4))
        return cls(pairs, sources, first, second, points, np.array([case[4] for case in cases], dtype=float))

    def part(self, chosen: Bools) -> Equality:
        """The cases of the chosen mics, shape (M,)."""
        kept = chosen[self.first] | chosen[self.second]
        return Equality(*(getattr(self, field.name)[kept] for field in fields(self)))

    def differences_m(self, positions: Floats) -> Floats:
        """First mic's distance less the second's: (N, M, 3) to (N, E)."""
        first = lengths_m(positions[:, self.first] - self.source_m)
        second = lengths_m(positions[:, self.second] - self.source_m)
        return first - second

    @cached_property
    def pairs(self) -> Ints:
        """The pairs that have a case, P of them."""
        return np.unique(self.pair)

    def excess(self, positions: Floats) -> Floats:
        """By how many tolerances each pair's worst case exceeds its own: (N, M, 3) to (N, P), 0 where it is within."""
        over = np.maximum(np.abs(self.differences_m(positions)) / self.tolerance_m - 1.0, 0.0)
        worst = [over[:, self.pair == pair].max(axis=1) for pair in self.pairs]
        return np.stack(worst, axis=-1) if worst else np.zeros((len(positions), 0))

    def holds(self, positions: Floats) -> bool:
        """Whether every case of the one layout is within its tolerance."""
        return bool((np.abs(self.differences_m(positions)) <= self.tolerance_m).all())
