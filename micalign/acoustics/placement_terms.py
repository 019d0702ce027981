"""Where may each free mic stand, and what is good short of a must: equal pairs, distances, spacing, stereo, aims?

``positions`` is always an array of shape (N, M, 3): N layouts of the same M mics, metres. What is asked of one mic
and one point is asked for a flat list of K such cases, so every answer has the shape (N, K).

A *clearance* is metres to spare: negative where a limit is broken, by how much. Boxes and walls are ranges of the
coordinates; reach and keepouts are clearances of each mic from each of them.

Each term of the cost has a *unit*: missing it by one unit costs 1 (times its weight), by two units 4; moves cost in
proportion to their length, so that a mic which gains nothing stays where it is. Every ``cost`` gives shape (N,). The
units are common practice, no source: half a metre of carrying a stand weighs as much as 10 cm or 10 degrees off what
was asked for, or a spacing of 2:1 where 3:1 is wanted.

Of equal pairs there is one case for each pair and each source of its ``equal_to``. Differences are metres, first mic's
distance less the second's; tolerances are metres of sound travel. Aims have the limits of the rules on aims and rear
lobes (`micalign.findings`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import ClassVar, Self

import numpy as np

from micalign.acoustics.arrivals import Pattern
from micalign.acoustics.tuned import (
    AHEAD_KEPT,
    AHEAD_UNIT,
    BODY_M,
    CLEARLY,
    CLOSE_M,
    DISTANCE_UNIT_M,
    RATIO,
    STEREO_UNIT_DEGREES,
    STEREO_UNIT_M,
)
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Keepout, Pair
from micalign.scene.scene import Scene

__all__ = [
    "FAR_M",
    "AimTerm",
    "Cases",
    "DistanceTerm",
    "Ears",
    "Equality",
    "Limits",
    "SpacingTerm",
    "StereoTerm",
    "clearance_m",
    "indices",
    "lengths_m",
]

_TOUCHING_M = 1e-6
"""Two points are never nearer than this, so that no level is infinite."""


def lengths_m(vectors: Floats) -> Floats:
    """Lengths of vectors along the last axis, a hair above zero where they vanish.

    >>> lengths_m(np.array([[3.0, 4.0, 0.0]]))
    array([5.])
    """
    length: Floats = np.sqrt(np.einsum("...k,...k->...", vectors, vectors))
    return np.maximum(length, _TOUCHING_M)


def indices(values: list[int]) -> Ints:
    """An index array, also where the list is empty."""
    return np.array(values, dtype=np.intp)


@dataclass(frozen=True, eq=False)
class Ears:
    """How the mics hear: where they look (``aim_m``, shape (M, 3), where ``looks``) and their patterns, shape (M,)."""

    aim_m: Floats
    looks: Bools
    pattern: Pattern

    @classmethod
    def of(cls, scene: Scene) -> Ears:
        """The ears of a scene's mics."""
        points = [scene.aim_point(mic) for mic in scene.mics]
        return cls(
            np.array([point or (0.0, 0.0, 0.0) for point in points], dtype=float).reshape(-1, 3),
            np.array([point is not None for point in points], dtype=bool),
            Pattern.of(scene.mics),
        )

    def axes(self, positions: Floats) -> Floats:
        """Unit vectors along which the mics look, shape (N, M, 3)."""
        way = self.aim_m - positions
        axes: Floats = np.where(self.looks[:, None], way / lengths_m(way)[..., None], 0.0)
        return axes

    def gain(self, positions: Floats, axes: Floats, mics: Ints, points_m: Floats) -> Floats:
        """Signed amplitude of the pattern alone, 1 on the axis: shape (N, K) for K mics and K points."""
        way = points_m - positions[:, mics]
        cosine = np.einsum("nkc,nkc->nk", way, axes[:, mics]) / lengths_m(way)
        gain = Pattern(self.pattern.omni_share[mics], self.pattern.rejection_db[mics]).gain(cosine)
        return np.where(self.looks[mics], gain, 1.0)

    def amplitude(self, positions: Floats, axes: Floats, mics: Ints, points_m: Floats) -> Floats:
        """Amplitude with which mics hear points, pattern and distance: shape (N, K) for K mics and K points."""
        heard = np.abs(self.gain(positions, axes, mics, points_m))
        amplitude: Floats = heard / lengths_m(points_m - positions[:, mics])
        return amplitude


FAR_M = 1e4
"""Metres: a bound that binds nothing, for an optimiser that wants a finite one; no room is that long."""


def clearance_m(keepout: Keepout, points_m: Floats) -> Floats:
    """How far points are outside a keepout, metres; negative inside: shape (..., 3) to (...).

    >>> clearance_m(Keepout("head", (0, 0, 1), radius_m=0.3), np.array([[0.5, 0, 1], [0, 0, 1.1]]))
    array([ 0.2, -0.2])
    >>> clearance_m(Keepout("cymbal", (0, 0, 1), radius_m=0.3, height_m=0.2), np.array([0.0, 0.0, 1.25]))
    array(0.15)
    >>> clearance_m(Keepout("lamp", (0, 0, 2), size_m=(0.4, 0.4, 0.2)), np.array([0.5, 0.6, 2.0]))
    array(0.5)
    """
    offset = np.asarray(points_m, dtype=float) - np.array(keepout.at)
    if keepout.size_m is not None:
        return _to_box(np.abs(offset) - np.array(keepout.size_m) / 2)
    radius = keepout.radius_m or 0.0
    if keepout.height_m is None:
        return np.asarray(np.sqrt((offset**2).sum(axis=-1)) - radius)
    outward = np.sqrt((offset[..., :2] ** 2).sum(axis=-1)) - radius
    return _to_box(np.stack([outward, np.abs(offset[..., 2]) - keepout.height_m / 2], axis=-1))


def _to_box(beyond: Floats) -> Floats:
    """Signed distance to a box from how far each coordinate lies beyond its face."""
    outside = np.sqrt((np.maximum(beyond, 0.0) ** 2).sum(axis=-1))
    inside = np.minimum(beyond.max(axis=-1), 0.0)
    signed: Floats = np.asarray(outside + inside)
    return signed


@dataclass(frozen=True, eq=False)
class Limits:
    """The hard limits of F free mics.

    Attributes
    ----------
    free : array, shape (F,)
        Which mics may move.
    start_m : array, shape (F, 3)
    box_low_m, box_high_m : array, shape (F, 3)
        The mic's own box; for a reach the cube round its start.
    wall_low_m, wall_high_m : array, shape (3,)
        The room, less the margin to its surfaces.
    reach_m : array, shape (F,)
        Infinite where the mic has a box instead.
    keepouts : tuple of Keepout
        Those of the scene, then a small one round each source: nothing is put into it.
    """

    free: Ints
    start_m: Floats
    box_low_m: Floats
    box_high_m: Floats
    wall_low_m: Floats
    wall_high_m: Floats
    reach_m: Floats
    keepouts: tuple[Keepout, ...]

    @classmethod
    def of(cls, scene: Scene) -> Limits:
        """The limits that a scene sets."""
        free = [index for index, mic in enumerate(scene.mics) if mic.may_move]
        start = np.array([scene.mics[index].position for index in free], dtype=float).reshape(-1, 3)
        boxes = [scene.mics[index].move for index in free]
        reach = np.array([np.inf if scene.mics[i].reach_m is None else scene.mics[i].reach_m for i in free], float)
        low, high = start - reach[:, None], start + reach[:, None]
        for row, box in enumerate(boxes):
            if box is not None:
                low[row], high[row] = box.low, box.high
        return cls(
            indices(free), start, low, high, *_walls(scene, start), reach, (*scene.keepouts, *_bodies(scene, start))
        )

    def part(self, rows: tuple[int, ...]) -> Limits:
        """The limits of some of the free mics."""
        those = list(rows)
        return replace(
            self,
            free=self.free[those],
            start_m=self.start_m[those],
            box_low_m=self.box_low_m[those],
            box_high_m=self.box_high_m[those],
            reach_m=self.reach_m[those],
        )

    @property
    def low_m(self) -> Floats:
        """The least coordinates that box and walls leave, shape (F, 3)."""
        return np.maximum(self.box_low_m, self.wall_low_m)

    @property
    def high_m(self) -> Floats:
        """The greatest coordinates that box and walls leave, shape (F, 3)."""
        return np.minimum(self.box_high_m, self.wall_high_m)

    def box_clearance_m(self, points_m: Floats) -> Floats:
        """To spare within the box or reach: (N, F, 3) to (N, F)."""
        spare: Floats = np.minimum(points_m - self.box_low_m, self.box_high_m - points_m).min(axis=-1)
        from_start = np.sqrt(((points_m - self.start_m) ** 2).sum(axis=-1))
        own: Floats = np.minimum(np.where(np.isfinite(self.reach_m), np.inf, spare), self.reach_m - from_start)
        return own

    def wall_clearance_m(self, points_m: Floats) -> Floats:
        """To spare to the margin of the nearest wall: (N, F, 3) to (N, F)."""
        spare: Floats = np.minimum(points_m - self.wall_low_m, self.wall_high_m - points_m).min(axis=-1)
        return spare

    def keepout_clearance_m(self, points_m: Floats) -> Floats:
        """To spare to each keepout: (N, F, 3) to (N, F, K)."""
        each = [clearance_m(keepout, points_m) for keepout in self.keepouts]
        return np.stack(each, axis=-1) if each else np.empty((*points_m.shape[:-1], 0))

    def curved_m(self, points_m: Floats) -> Floats:
        """Clearances that are no ranges of coordinates, reach and keepouts: (N, F, 3) to (N, C)."""
        rows = np.flatnonzero(np.isfinite(self.reach_m))
        from_start = np.sqrt(((points_m[:, rows] - self.start_m[rows]) ** 2).sum(axis=-1) + 1e-18)
        kept = self.keepout_clearance_m(points_m).reshape(len(points_m), -1)
        return np.concatenate([self.reach_m[rows] - from_start, kept], axis=1)

    def broken_m(self, points_m: Floats, *, spare_m: float = 0.0) -> Floats:
        """By how much all limits together are broken: (N, F, 3) to (N, F), 0 where they hold.

        ``spare_m`` is what must be left to every keepout; a nanometre of rounding is forgiven.
        """
        own = [self.box_clearance_m(points_m)[..., None], self.wall_clearance_m(points_m)[..., None]]
        every = np.concatenate([*own, self.keepout_clearance_m(points_m) - spare_m], axis=-1)
        broken: Floats = np.maximum(-every - 1e-9, 0.0).sum(axis=-1)
        return broken


def _bodies(scene: Scene, start_m: Floats) -> tuple[Keepout, ...]:
    """Three centimetres round each source, or as near as a free mic stands already."""
    bodies = []
    for source in scene.sources if len(start_m) else ():
        nearest = float(np.linalg.norm(start_m - np.array(source.position), axis=1).min())
        bodies.append(Keepout(source.name, source.position, radius_m=min(BODY_M, nearest * (1 - 1e-9))))
    return tuple(bodies)


def _walls(scene: Scene, start_m: Floats) -> tuple[Floats, Floats]:
    """The ranges that the room's surfaces leave; without a room, the floor (or the lowest start) alone."""
    if scene.room is None:
        floor = min(0.0, float(start_m[:, 2].min(initial=0.0)))
        return np.array([-FAR_M, -FAR_M, floor]), np.full(3, FAR_M)
    margin = scene.place.wall_margin_m
    return np.full(3, margin), np.array(scene.room.size) - margin


@dataclass(frozen=True, eq=False)
class Cases:
    """What one term asks, case by case: every array has a row for each case, and those in ``MICS`` say whose it is."""

    MICS: ClassVar[tuple[str, ...]] = ("mic",)

    def part(self, chosen: Bools) -> Self:
        """The cases in which a chosen mic, shape (M,), has a part."""
        kept = np.any([chosen[getattr(self, name)] for name in self.MICS], axis=0)
        arrays = {field.name: getattr(self, field.name) for field in fields(self)}
        return replace(self, **{name: each[kept] for name, each in arrays.items() if isinstance(each, np.ndarray)})


@dataclass(frozen=True, eq=False)
class Equality(Cases):
    """The cases, E of them: the pair, its two mics, the source's place and the tolerance in metres."""

    MICS = ("first", "second")
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


def _outside(value: Floats, low: Floats, high: Floats) -> Floats:
    """How far values lie outside their ranges."""
    return np.maximum(np.maximum(low - value, value - high), 0.0)


@dataclass(frozen=True, eq=False)
class DistanceTerm(Cases):
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

    def cost(self, positions: Floats) -> Floats:
        """Squares of what lies outside the range, in units of 10 cm."""
        distance = lengths_m(positions[:, self.mic] - self.source_m)
        missed = _outside(distance, self.range_m[:, 0], self.range_m[:, 1]) / DISTANCE_UNIT_M
        cost: Floats = (missed**2).sum(axis=1)
        return cost


@dataclass(frozen=True, eq=False)
class SpacingTerm(Cases):
    """The three-to-one rule for close mics (`CLOSE_M`) that form no pair.

    A case is a mic, a source it is on and close to, and another mic that is not on it. It is met by either reading of
    the rule: distance between the mics against the mic's own, or amplitude of the source at its own mic against that
    at the other.
    """

    MICS = ("mic", "other")
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
            if other is not mic and name not in other.on and scene.source(name).metres_to(mic) <= CLOSE_M
        ]
        points = np.array([point for _, _, point in cases], dtype=float).reshape(-1, 3)
        return cls(indices([case[0] for case in cases]), indices([case[1] for case in cases]), points)

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


@dataclass(frozen=True, eq=False)
class StereoTerm(Cases):
    """Pairs with a wanted spread, angle between their axes, or a source in their middle.

    ``degrees`` (a range) and ``centre_m`` (a point) hold NaN where nothing is asked for. A pair is symmetrical about
    its centre where both mics are equally far from it and equally high. A pair without a wanted spread keeps at least
    half of the one it has, so that no equality is bought by putting both mics in one place.
    """

    MICS = ("first", "second")
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
        present_m = [scene.mic(pair.mics[0]).metres_to(scene.mic(pair.mics[1])) for pair in scene.pairs]
        spread = [pair.spread_m or (now / 2, np.inf) for pair, now in zip(scene.pairs, present_m, strict=True)]
        angle = [(pair.angle_degrees if aimed.issuperset(pair.mics) else None) or nothing for pair in scene.pairs]
        centre = [scene.source(pair.centre_on).position if pair.centre_on else (np.nan,) * 3 for pair in scene.pairs]
        return cls(
            indices([mic[pair.mics[0]] for pair in scene.pairs]),
            indices([mic[pair.mics[1]] for pair in scene.pairs]),
            np.array(spread, dtype=float).reshape(-1, 2),
            np.array(angle, dtype=float).reshape(-1, 2),
            np.array(centre, dtype=float).reshape(-1, 3),
        )

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


@dataclass(frozen=True, eq=False)
class AimTerm(Cases):
    """Each free mic with a direction and each source it is on: heard near its axis, and not with its rear lobe.

    Of a pair it is enough that one of the two (``mic`` or ``partner``) hears the source near its axis; both are to
    hear it in one polarity. A mic without a partner is its own.
    """

    MICS = ("mic", "partner")
    mic: Ints
    partner: Ints
    source_m: Floats

    @classmethod
    def of(cls, scene: Scene) -> AimTerm:
        """The cases of a scene of which a mic may move."""
        row = {mic.name: index for index, mic in enumerate(scene.mics)}
        pairs = [pair.mics for pair in scene.pairs if not _is_mid_side(scene, pair)]
        partner = {name: other for mics in pairs for name, other in (mics, mics[::-1])}
        cases = [
            (row[mic.name], row[partner.get(mic.name, mic.name)], scene.source(name).position)
            for mic in scene.mics
            for name in mic.on
            if any(one.may_move and one.aim is not None for one in (mic, scene.mic(partner.get(mic.name, mic.name))))
        ]
        points = np.array([case[2] for case in cases], dtype=float).reshape(-1, 3)
        return cls(indices([case[0] for case in cases]), indices([case[1] for case in cases]), points)

    def cost(self, positions: Floats, ears: Ears, axes: Floats) -> Floats:
        """Squares of what is missed, in quarters of the axis; a source in opposite polarities misses all of both."""
        if not len(self.mic):
            return np.zeros(len(positions))
        own, other = (ears.gain(positions, axes, mic, self.source_m) for mic in (self.mic, self.partner))
        best = np.where(self.mic == self.partner, own, np.maximum(np.abs(own), np.abs(other)))
        away = np.maximum(AHEAD_KEPT - best, 0.0)
        alike = np.minimum(np.abs(own), np.abs(other)) * np.sign(own * other)
        opposite = np.where(self.mic == self.partner, 0.0, np.maximum(CLEARLY - alike, 0.0))
        cost: Floats = ((away + opposite) ** 2).sum(axis=1) / AHEAD_UNIT**2
        return cost


def _is_mid_side(scene: Scene, pair: Pair) -> bool:
    """A figure-8 beside another pattern hears sideways on purpose, and inverted on one side."""
    patterns = {scene.mic(name).pattern for name in pair.mics}
    return len(patterns) == 2 and "figure-8" in patterns
