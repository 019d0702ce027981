"""What would be good, short of a must: equal pairs, distances, spacing, stereo pairs, short moves.

Each term has a *unit*: missing it by one unit costs 1 (times its weight), by two units 4; moves cost in proportion to
their length, so that a mic which gains nothing stays where it is. Every ``cost`` takes N layouts, shape (N, M, 3),
and gives shape (N,). The units are common practice, no source: half a metre of carrying a stand weighs as much as
10 cm or 10 degrees off what was asked for, or a spacing of 2:1 where 3:1 is wanted.

Of equal pairs there is one case for each pair and each source of its ``equal_to``. Differences are metres, first mic's
distance less the second's; tolerances are metres of sound travel.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Final

import numpy as np

from micalign.acoustics.placing.limits import Ears, indices, lengths_m
from micalign.acoustics.received import CLOSE_M, RATIO
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Mic, Pair, Scene

__all__ = [
    "DISTANCE_UNIT_M",
    "MOVE_UNIT_M",
    "STEREO_UNIT_DEGREES",
    "STEREO_UNIT_M",
    "DistanceTerm",
    "Equality",
    "SpacingTerm",
    "StereoTerm",
]


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


MOVE_UNIT_M: Final = 0.5
DISTANCE_UNIT_M: Final = 0.1
STEREO_UNIT_M: Final = 0.1
STEREO_UNIT_DEGREES: Final = 10.0


def _outside(value: Floats, low: Floats, high: Floats) -> Floats:
    """How far values lie outside their ranges."""
    return np.maximum(np.maximum(low - value, value - high), 0.0)


@dataclass(frozen=True, eq=False)
class DistanceTerm:
    """Each mic with a wanted range of distances, and each source it is on."""

    mic: Ints
    source_m: Floats
    range_m: Floats

    @classmethod
    def of(cls, scene: Scene) -> DistanceTerm:
        """The cases of a scene."""
        cases = [
            (row, scene.source(name).position, mic.distance_m)
            for row, mic in enumerate(scene.mics)
            for name in mic.on
            if mic.distance_m is not None
        ]
        points = np.array([point for _, point, _ in cases], dtype=float).reshape(-1, 3)
        ranges = np.array([wanted for _, _, wanted in cases], dtype=float).reshape(-1, 2)
        return cls(indices([row for row, _, _ in cases]), points, ranges)

    def part(self, chosen: Bools) -> DistanceTerm:
        """The cases of the chosen mics, shape (M,)."""
        kept = chosen[self.mic]
        return DistanceTerm(self.mic[kept], self.source_m[kept], self.range_m[kept])

    def cost(self, positions: Floats) -> Floats:
        """Squares of what lies outside the range, in units of 10 cm."""
        distance = lengths_m(positions[:, self.mic] - self.source_m)
        missed = _outside(distance, self.range_m[:, 0], self.range_m[:, 1]) / DISTANCE_UNIT_M
        cost: Floats = (missed**2).sum(axis=1)
        return cost


def _far_m(scene: Scene, source: str, mic: Mic) -> float:
    return float(np.linalg.norm(np.subtract(scene.source(source).position, mic.position)))


@dataclass(frozen=True, eq=False)
class SpacingTerm:
    """The three-to-one rule for close mics (`CLOSE_M`) that form no pair.

    A case is a mic, a source it is on and close to, and another mic that is not on it. It is met by either reading of
    the rule: distance between the mics against the mic's own, or amplitude of the source at its own mic against that
    at the other.
    """

    mic: Ints
    other: Ints
    source_m: Floats

    @classmethod
    def of(cls, scene: Scene) -> SpacingTerm:
        """The cases of a scene of which a mic may move."""
        together = {frozenset(pair.mics) for pair in scene.pairs}
        cases = [
            (row, column, scene.source(name).position)
            for row, mic in enumerate(scene.mics)
            for column, other in enumerate(scene.mics)
            if (mic.may_move or other.may_move) and frozenset((mic.name, other.name)) not in together
            for name in mic.on
            if other is not mic and name not in other.on and _far_m(scene, name, mic) <= CLOSE_M
        ]
        points = np.array([point for _, _, point in cases], dtype=float).reshape(-1, 3)
        return cls(indices([case[0] for case in cases]), indices([case[1] for case in cases]), points)

    def part(self, chosen: Bools) -> SpacingTerm:
        """The cases in which a chosen mic, shape (M,), has a part."""
        kept = chosen[self.mic] | chosen[self.other]
        return SpacingTerm(self.mic[kept], self.other[kept], self.source_m[kept])

    def cost(self, positions: Floats, ears: Ears, axes: Floats) -> Floats:
        """Squares of what a ratio of 3 is missed by."""
        if not len(self.mic):
            return np.zeros(len(positions))
        own = lengths_m(positions[:, self.mic] - self.source_m)
        between = lengths_m(positions[:, self.mic] - positions[:, self.other])
        loud = ears.amplitude(positions, axes, self.mic, self.source_m)
        bleed = ears.amplitude(positions, axes, self.other, self.source_m)
        ratio = np.maximum(between / own, loud / np.maximum(bleed, 1e-9))
        cost: Floats = (np.maximum(RATIO - ratio, 0.0) ** 2).sum(axis=1)
        return cost


def _present_spread_m(scene: Scene, pair: Pair) -> float:
    first, second = (np.array(scene.mic(name).position) for name in pair.mics)
    return float(np.linalg.norm(first - second))


@dataclass(frozen=True, eq=False)
class StereoTerm:
    """Pairs with a wanted spread, angle between their axes, or a source in their middle.

    ``degrees`` (a range) and ``centre_m`` (a point) hold NaN where nothing is asked for. A pair is symmetrical about
    its centre where both mics are equally far from it and equally high. A pair without a wanted spread keeps at least
    half of the one it has, so that no equality is bought by putting both mics in one place.
    """

    first: Ints
    second: Ints
    spread_m: Floats
    degrees: Floats
    centre_m: Floats

    @classmethod
    def of(cls, scene: Scene) -> StereoTerm:
        """The pairs of a scene."""
        mic = {mic.name: row for row, mic in enumerate(scene.mics)}
        aimed = {mic.name for mic in scene.mics if mic.aim is not None}
        nothing = (np.nan, np.nan)
        spread = [pair.spread_m or (_present_spread_m(scene, pair) / 2, np.inf) for pair in scene.pairs]
        angle = [(pair.angle_degrees if aimed.issuperset(pair.mics) else None) or nothing for pair in scene.pairs]
        centre = [scene.source(pair.centre_on).position if pair.centre_on else (np.nan,) * 3 for pair in scene.pairs]
        return cls(
            indices([mic[pair.mics[0]] for pair in scene.pairs]),
            indices([mic[pair.mics[1]] for pair in scene.pairs]),
            np.array(spread, dtype=float).reshape(-1, 2),
            np.array(angle, dtype=float).reshape(-1, 2),
            np.array(centre, dtype=float).reshape(-1, 3),
        )

    def part(self, chosen: Bools) -> StereoTerm:
        """The pairs of the chosen mics, shape (M,)."""
        kept = chosen[self.first] | chosen[self.second]
        return StereoTerm(*(getattr(self, field.name)[kept] for field in fields(self)))

    def cost(self, positions: Floats, axes: Floats) -> Floats:
        """Squares of what is missed, in units of 10 cm and 10 degrees."""
        first, second = positions[:, self.first], positions[:, self.second]
        spread = _outside(lengths_m(first - second), self.spread_m[:, 0], self.spread_m[:, 1])
        uneven = lengths_m(first - self.centre_m) - lengths_m(second - self.centre_m)
        higher = np.where(np.isnan(self.centre_m[:, 0]), np.nan, (first - second)[..., 2])
        cosine = np.einsum("npk,npk->np", axes[:, self.first], axes[:, self.second])
        angle = _outside(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), self.degrees[:, 0], self.degrees[:, 1])
        missed = np.stack([spread, uneven, higher]) / STEREO_UNIT_M, angle / STEREO_UNIT_DEGREES
        cost: Floats = np.nansum(missed[0] ** 2, axis=(0, 2)) + np.nansum(missed[1] ** 2, axis=1)
        return cost
