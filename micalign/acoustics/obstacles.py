"""Which limit stands in the way where the mics that may move have no allowed place, and what would be enough?

Each limit by itself may stretch by t metres (a box grows on every side, a keepout shrinks, a fixed mic may move, a
tolerance widens), everything else is kept, and the least t that lets a solution in is looked for. What no single limit
can mend has no entry but the tolerances. Limits are compared in metres; a tolerance by the metres of sound travel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.acoustics.placement_search import Problem, least, slopes
from micalign.acoustics.placement_terms import FAR_M, clearance_m
from micalign.acoustics.tuned import (
    ENOUGH_M,
    IN_THE_WAY_M,
    LEAST_GIVE_M,
    STRETCH_ROUND_M,
    STRETCH_STARTS,
    STRETCH_STEPS,
)
from micalign.arrays import Bools, Floats, Ints, point_of
from micalign.scene.model import Scene

__all__ = ["Kind", "Limit", "Obstacle", "obstacles"]

Kind: TypeAlias = Literal["move", "reach", "fixed", "wall", "keepout", "tolerance"]

_CM: Final = 100.0
"""Centimetres in a metre: the optimiser is asked in numbers of about one."""

_OWN: Final = frozenset({"move", "reach", "fixed", "tolerance"})
_SEED: Final = 314
"""Any number: the same scene gives the same answer on every run."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit by its kind and the name of its mic, keepout or pair; the walls have no name."""

    kind: Kind
    name: str


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A limit that stands in the way, and what would be enough.

    ``give_m`` is what the limit would have to give, metres (of sound travel for a tolerance); ``to_m`` is where its
    mic would then stand, for limits that belong to one mic.
    """

    limit: Limit
    give_m: float
    to_m: tuple[float, float, float] | None = None


@dataclass(frozen=True, eq=False)
class _Stretch:
    """One question: mics that may move (rows of all mics), and every limit they have, in columns with their names."""

    scene: Scene
    problem: Problem
    mics: Ints
    with_pairs: bool

    def columns(self) -> list[Limit]:
        """Whose each column of `clearances` is."""
        return [limit for limit, _ in self._parts(self.problem.start_m[None, self.mics])]

    def clearances(self, points_m: Floats) -> Floats:
        """(N, A, 3) to (N, columns), metres to spare."""
        every: Floats = np.stack([spare for _, spare in self._parts(points_m)], axis=-1)
        return every

    def _parts(self, points_m: Floats) -> Iterator[tuple[Limit, Floats]]:
        limits = self.problem.limits
        free = limits.free.tolist()
        for column, row in enumerate(self.mics.tolist()):
            name, at = self.scene.mics[row].name, points_m[:, column]
            if row not in free:
                yield Limit("fixed", name), -_from(at, self.problem.start_m[row])
                continue
            yield from self._own(free.index(row), name, at)
            for axis in range(3):
                yield Limit("wall", ""), at[:, axis] - limits.wall_low_m[axis]
                yield Limit("wall", ""), limits.wall_high_m[axis] - at[:, axis]
            for keepout in self.scene.keepouts:
                yield Limit("keepout", keepout.name), clearance_m(keepout, at)
        if self.with_pairs:
            yield from self._tolerances(points_m)

    def _own(self, row: int, name: str, at: Floats) -> Iterator[tuple[Limit, Floats]]:
        limits = self.problem.limits
        if np.isfinite(limits.reach_m[row]):
            yield Limit("reach", name), limits.reach_m[row] - _from(at, limits.start_m[row])
            return
        for axis in range(3):
            yield Limit("move", name), at[:, axis] - limits.box_low_m[row, axis]
            yield Limit("move", name), limits.box_high_m[row, axis] - at[:, axis]

    def _tolerances(self, points_m: Floats) -> Iterator[tuple[Limit, Floats]]:
        positions = np.repeat(self.problem.start_m[None], len(points_m), axis=0)
        positions[:, self.mics] = points_m
        missed = self.problem.equality.differences_m(positions)
        for case, pair in enumerate(self.problem.equality.pair.tolist()):
            for sign in (1.0, -1.0):
                spare = self.problem.equality.tolerance_m[case] + sign * missed[:, case]
                yield Limit("tolerance", self.scene.pairs[pair].name), spare


def _from(points_m: Floats, start_m: Floats) -> Floats:
    # The hair keeps a slope at the start itself.
    distance: Floats = np.sqrt(((points_m - start_m) ** 2).sum(axis=-1) + 1e-12)
    return distance


def obstacles(scene: Scene, problem: Problem, free_m: Floats, stuck: Bools) -> tuple[Obstacle, ...]:
    """What stands in the way of a scene that has no solution, the least to give first, fixed mics and tolerances last.

    Parameters
    ----------
    scene, problem
        The scene, and the same as arrays.
    free_m : array, shape (F, 3)
        The best compromise.
    stuck : array, shape (F,)
        Free mics for which no place keeps their own limits.
    """
    found: list[Obstacle] = []
    if stuck.any():
        for row in np.flatnonzero(stuck).tolist():
            stretch = _Stretch(scene, problem, problem.limits.free[[row]], with_pairs=False)
            found += _each(stretch, free_m[[row]], set(stretch.columns()))
        return _sorted(found)
    positions = problem.positions(free_m[None])[0]
    for mics in _failing(scene, problem, positions):
        free = np.array([row for row in mics if row in problem.limits.free], dtype=np.intp)
        stretch = _Stretch(scene, problem, free, with_pairs=True)
        found += _each(stretch, positions[free], set(stretch.columns()))
        for row in (row for row in mics if row not in problem.limits.free):
            wider = _Stretch(scene, problem, np.append(free, row), with_pairs=True)
            found += _each(wider, positions[wider.mics], {Limit("fixed", scene.mics[row].name)})
    return _sorted(found)


def _sorted(found: list[Obstacle]) -> tuple[Obstacle, ...]:
    last = ("fixed", "tolerance")
    order = sorted(found, key=lambda one: (last.index(one.limit.kind) if one.limit.kind in last else -1, one.give_m))
    return tuple({one.limit: one for one in reversed(order)}.values())[::-1]


def _failing(scene: Scene, problem: Problem, positions: Floats) -> list[tuple[int, ...]]:
    """The mics of each pair that is out of its tolerance, tied pairs together."""
    missed = np.abs(problem.equality.differences_m(positions[None])[0]) > problem.equality.tolerance_m
    row = {mic.name: index for index, mic in enumerate(scene.mics)}
    groups = [{row[name] for name in pair.mics} for pair in scene.pairs if pair.equal_to]
    out = [{row[name] for name in scene.pairs[pair].mics} for pair in set(problem.equality.pair[missed].tolist())]
    for group in out:
        for other in groups:
            group.update(other if group & other else ())
    return sorted({tuple(sorted(group)) for group in out})


def _each(stretch: _Stretch, points_m: Floats, limits: set[Limit]) -> Iterator[Obstacle]:
    columns = stretch.columns()
    spare = stretch.clearances(points_m[None])[0]
    near = {one for one, metres in zip(columns, spare, strict=True) if metres < IN_THE_WAY_M or one.kind in _OWN}
    for limit in sorted(limits & near, key=lambda one: (one.kind, one.name)):
        gives = np.array([column == limit for column in columns])
        tries = [_least(stretch, gives, start) for start in _around(stretch, points_m)]
        enough = [one for one in tries if one is not None]
        if not enough:
            continue
        give, points = min(enough, key=lambda one: one[0])
        margin = stretch.scene.place.wall_margin_m
        if limit.kind != "wall" or give <= margin + 1e-6:
            yield Obstacle(limit, max(give, LEAST_GIVE_M), _place_of(stretch, limit, points))


def _place_of(stretch: _Stretch, limit: Limit, points_m: Floats) -> tuple[float, float, float] | None:
    names = [stretch.scene.mics[row].name for row in stretch.mics.tolist()]
    if limit.kind not in {"move", "reach", "fixed"}:
        return None
    return point_of(points_m[names.index(limit.name)])


def _around(stretch: _Stretch, points_m: Floats) -> Iterator[Floats]:
    """The compromise, then a few seeded places within half a metre of it."""
    rng = np.random.default_rng(_SEED)
    yield points_m
    for _ in range(STRETCH_STARTS - 1):
        yield points_m + rng.uniform(-STRETCH_ROUND_M, STRETCH_ROUND_M, points_m.shape)


def _least(stretch: _Stretch, gives: Bools, points_m: Floats) -> tuple[float, Floats] | None:
    """The least stretch from one start, and where the mics then stand; None where it does not get there."""

    def spare(flat: Floats) -> Floats:
        every: Floats = stretch.clearances(flat.reshape(len(flat), *points_m.shape)) * _CM
        return every

    def allowed(point: Floats) -> Floats:
        eased: Floats = spare(point[None, :-1])[0] + gives * point[-1]
        return eased

    def slope(point: Floats) -> Floats:
        return np.concatenate([slopes(spare, point[:-1]), gives[:, None].astype(np.float64)], axis=1)

    first = np.append(points_m.ravel(), max(0.0, -float(spare(points_m.reshape(1, -1)).min())))
    last = np.append(np.zeros(points_m.size), 1.0)
    found = least(
        (lambda point: float(point[-1]), lambda _: last),
        (allowed, slope),
        first,
        low=np.append(np.full(points_m.size, -FAR_M), 0.0),
        high=np.append(np.full(points_m.size, FAR_M), np.inf),
        steps=STRETCH_STEPS,
        gain=1e-6,
    )
    if allowed(found).min() < -ENOUGH_M * _CM:
        return None
    return float(found[-1]) / _CM, found[:-1].reshape(points_m.shape)
