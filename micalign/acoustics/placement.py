"""Where should the mics that may move stand, by arithmetic alone?

`micalign.findings.placing` asks the rules too. Hard limits (a mic's own box or reach, keepouts, the walls' margin) are
never broken; pairs are brought within their tolerance to every source they should be equally far from; what is left is
weighed by `PlacePlan`. Metres, mics in the order of the scene. ``cost`` is the weighted sum of what is missed (lower is
better, 0 is everything): see `micalign.acoustics.placement_terms` for the unit of each term,
`micalign.acoustics.placement_search` for the charges.

What comes out is exactly what the scene file will say after it is written in its own length unit, so that
limits and tolerances are judged on the written numbers. Where the nearest millimetre breaks one of them, its
neighbours are tried, then finer steps. A limit is never given up for a tolerance. Where nothing is allowed,
`micalign.acoustics.obstacles` says what stands in the way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np

from micalign.acoustics.obstacles import Obstacle, obstacles
from micalign.acoustics.placement_search import Problem, best_layout, descend, groups_of, stuck_mics
from micalign.acoustics.tuned import (
    BACK_M,
    FORGIVEN,
    LEAST_GAIN,
    LEAST_GAIN_SHARE,
    LEAST_MOVE_M,
    ROUNDS,
    WRITTEN_SPARE_M,
)
from micalign.arrays import Bools, Floats, point_of
from micalign.scene.changes import Change, changed, tape_lengths_m
from micalign.scene.model import Scene
from micalign.scene.surroundings import Point
from micalign.shown import Listing, Shown
from micalign.units import METRES, show_length

__all__ = [
    "Move",
    "Placement",
    "StringLength",
    "keeps_every_limit",
    "moved_to",
    "rounded",
    "searched",
]

_DECIMALS: Final = {"m": (3, 4), "cm": (1, 2), "mm": (0, 1), "in": (2, 3), "ft": (3, 3)}
"""Decimals of a coordinate in each unit: those to aim for, and the finest that a scene file keeps."""


def rounded(problem: Problem, free_m: Floats, groups: tuple[tuple[int, ...], ...], unit: str) -> Floats:
    """Places that a scene file in this unit can hold, shape (F, 3); mics that stay put keep their own numbers."""
    moved = np.abs(free_m - problem.limits.start_m).max(axis=1) > 1e-9
    solvable = bool(problem.charges(free_m[None])[0] < FORGIVEN)
    layout = free_m
    for decimals in _DECIMALS[unit]:
        lattice = _Lattice(problem, moved, METRES[unit], decimals, solvable)
        layout = lattice.mended(lattice.nearest(free_m), groups)
        if lattice.is_good(layout):
            break
    return layout


@dataclass(frozen=True, eq=False)
class _Lattice:
    """The places that so many decimals of a unit can write; without a solution only the hard limits are looked at."""

    problem: Problem
    moved: Bools
    scale_m: float
    decimals: int
    solvable: bool

    def _written(self, places_m: Floats) -> Floats:
        """What is read again of places that were written."""
        written: Floats = np.round(places_m / self.scale_m, self.decimals) * self.scale_m
        return written

    def nearest(self, free_m: Floats) -> Floats:
        """Every coordinate of a moved mic to its nearest step inside the ranges."""
        limits, step = self.problem.limits, self.scale_m * 10.0**-self.decimals
        low = np.ceil(limits.low_m / step - 1e-6)
        high = np.floor(limits.high_m / step + 1e-6)
        steps = np.round(free_m / step)
        steps = np.where(low <= high, np.clip(steps, low, np.maximum(low, high)), steps)
        return np.where(self.moved[:, None], self._written(steps * step), limits.start_m)

    def is_good(self, layout: Floats) -> bool:
        """Whether nothing is broken that need not be."""
        broken, charge = self._faults(layout[None])
        return bool(broken[0] == 0 and charge[0] == 0)

    def _faults(self, layouts: Floats) -> tuple[Floats, Floats]:
        """What is broken of the hard limits, metres; and the charge for tolerances too, where there is a solution."""
        broken: Floats = self.problem.limits.broken_m(layouts, spare_m=WRITTEN_SPARE_M).sum(axis=1)
        charge = self.problem.charges(layouts, spare_m=WRITTEN_SPARE_M) if self.solvable else broken
        return broken, charge

    def mended(self, layout: Floats, groups: tuple[tuple[int, ...], ...]) -> Floats:
        """The layout, or its best neighbours where it breaks something."""
        for _ in range(ROUNDS):
            if self.is_good(layout):
                break
            before = layout
            for group in groups:
                layout = self._best_neighbour(layout, [row for row in group if self.moved[row]][:2])
            if np.array_equal(layout, before):
                break
        return layout

    def _best_neighbour(self, layout: Floats, rows: list[int]) -> Floats:
        """Two mics at most, one step each way along every axis: the least broken, then the least charged."""
        if not rows:
            return layout
        step = self.scale_m * 10.0**-self.decimals
        shifts = np.array(list(product((0.0, -1.0, 1.0), repeat=3 * len(rows)))).reshape(-1, len(rows), 3) * step
        shifts = np.where(self.problem.varies[rows], shifts, 0.0)
        tried = np.repeat(layout[None], len(shifts), axis=0)
        tried[:, rows] = self._written(layout[rows] + shifts)
        broken, charge = self._faults(tried)
        best: Floats = tried[np.lexsort((charge, broken))[0]]
        return best


@dataclass(frozen=True, slots=True)
class Move:
    """One free mic: where it stood and where it should stand."""

    mic: str
    from_m: Point
    to_m: Point
    move_m: float


@dataclass(frozen=True, slots=True)
class StringLength:
    """A string to cut: from a source to a mic, after the move."""

    between: tuple[str, str]
    distance_m: float


@dataclass(frozen=True, repr=False)
class Placement(Shown):
    """Where the mics should stand.

    Attributes
    ----------
    feasible : bool
        Every pair is within its tolerance and every hard limit holds, in the numbers of ``scene``.
    unmoved, scene : Scene
        The scene before and after the move.
    moves : tuple of Move
        Every mic that may move, also those that stay.
    strings : tuple of StringLength
        From every source of ``equal_to`` to both mics of its pair; for other moved mics to what they are on.
    before, after : float
        The cost; ``after`` is never above ``before``.
    terms_before, terms_after : mapping of str to float
        The part of each term in it.
    obstacles : tuple of Obstacle
        What stands in the way, where it is not feasible.

    Examples
    --------
    >>> scene = Scene()
    >>> Placement(feasible=True, unmoved=scene, scene=scene, moves=(), strings=(), before=0.0, after=0.0,
    ...     terms_before={}, terms_after={}).moved
    ()
    """

    feasible: bool
    unmoved: Scene
    scene: Scene
    moves: tuple[Move, ...]
    strings: tuple[StringLength, ...]
    before: float
    after: float
    terms_before: Mapping[str, float]
    terms_after: Mapping[str, float]
    obstacles: tuple[Obstacle, ...] = ()

    @property
    def moved(self) -> tuple[Move, ...]:
        """The mics that change their place."""
        return tuple(move for move in self.moves if move.move_m > 0)

    @property
    def tapes_m(self) -> dict[frozenset[str], float]:
        """New lengths of the scene's tapes that end at a moved mic."""
        return tape_lengths_m(self.unmoved, self.scene)

    def _listing(self) -> Listing:
        unit = self.scene.length_unit

        def shown(point: Point) -> str:
            return ", ".join(show_length(value, unit) for value in point)

        rows = ((one.mic, shown(one.from_m), shown(one.to_m), show_length(one.move_m, unit)) for one in self.moves)
        title = "Feasible" if self.feasible else "Not feasible"
        return Listing(title, ("mic", "from", "to", "move"), rows, len(self.moves))


def searched(scene: Scene) -> Placement:
    """Better positions for the mics that may move, by the terms of its cost alone; the same answer on every run.

    Raises
    ------
    SceneError
        If a source or a mic has no position yet.
    """
    problem = Problem.of(scene)
    stuck = stuck_mics(problem)
    best = _worth_moving(problem, _found(replace(problem, held=stuck), scene, stuck))
    feasible = problem.is_feasible(best)
    in_the_way = () if feasible else obstacles(scene, problem, best, stuck)
    return _placement(scene, problem, best, feasible, in_the_way)


def moved_to(scene: Scene, after: Scene) -> Placement:
    """The move from a scene to the same one with its free mics elsewhere, judged as `searched` judges its own."""
    problem = Problem.of(scene)
    groups = groups_of(scene, problem.limits.free)
    free_m = rounded(problem, _free_m(problem, after), groups, scene.length_unit)
    return _placement(scene, problem, free_m, problem.is_feasible(free_m), ())


def keeps_every_limit(scene: Scene) -> Callable[[Scene], bool]:
    """Whether another layout of a scene's free mics keeps its limits and its pairs' tolerances."""
    problem = Problem.of(scene)
    return lambda after: problem.is_feasible(_free_m(problem, after))


def _free_m(problem: Problem, after: Scene) -> Floats:
    places = [after.mics[index].position for index in problem.limits.free.tolist()]
    return np.array(places, dtype=float).reshape(-1, 3)


def _found(problem: Problem, scene: Scene, stuck: Bools) -> Floats:
    """The best layout in writable numbers."""
    if stuck.all():
        return problem.limits.start_m
    groups = groups_of(scene, problem.limits.free)
    best = best_layout(problem, groups)
    written = rounded(problem, best, groups, scene.length_unit)
    if _charge(problem, best) > FORGIVEN or _charge(problem, written) == 0:
        return written
    # At the very edge of a tolerance no whole millimetre may fit: step back from the edge, or look elsewhere.
    tighter = problem.tighter(BACK_M)
    layouts = [written]
    for search in (
        lambda: tighter.free_m(descend(tighter, best[problem.varies])[None])[0],
        lambda: best_layout(tighter, groups),
    ):
        layouts.append(rounded(problem, search(), groups, scene.length_unit))
        if _charge(problem, layouts[-1]) == 0:
            break
    return min(layouts, key=lambda layout: (_charge(problem, layout) > 0, float(problem.cost(layout[None])[0])))


def _charge(problem: Problem, free_m: Floats) -> float:
    return float(problem.charges(free_m[None])[0])


def _worth_moving(problem: Problem, best: Floats) -> Floats:
    """The layout, or the old one where the new is hardly better."""
    start = problem.limits.start_m
    before, after = problem.cost(np.stack([start, best]))
    gain = before - after
    if not problem.is_feasible(start):
        return start if problem.charges(best[None])[0] > 0 and gain <= 0 else best
    terms = problem.terms(start[None])
    content = sum(float(cost[0]) for name, cost in terms.items() if name != "equal") == 0
    small = np.sqrt(((best - start) ** 2).sum(axis=1)).max(initial=0.0) < LEAST_MOVE_M
    return start if content or small or gain < max(LEAST_GAIN, LEAST_GAIN_SHARE * before) else best


def _placement(
    scene: Scene, problem: Problem, best: Floats, feasible: bool, in_the_way: tuple[Obstacle, ...]
) -> Placement:
    start = problem.limits.start_m
    names = [scene.mics[index].name for index in problem.limits.free.tolist()]
    moves = tuple(
        Move(name, point_of(old), point_of(new), float(np.linalg.norm(new - old)))
        for name, old, new in zip(names, start, best, strict=True)
    )
    after = changed(scene, [Change("mic", move.mic, "at", move.to_m, "m") for move in moves if move.move_m > 0])
    before, after_move = (problem.cost(at[None])[0] for at in (start, best))
    return Placement(
        feasible,
        scene,
        after,
        moves,
        _strings(after, moves),
        float(before),
        float(after_move),
        _parts(problem, start),
        _parts(problem, best),
        in_the_way,
    )


def _parts(problem: Problem, free_m: Floats) -> dict[str, float]:
    return {name: float(cost[0]) for name, cost in problem.terms(free_m[None]).items()}


def _strings(scene: Scene, moves: tuple[Move, ...]) -> tuple[StringLength, ...]:
    """Strings to every equal_to point of the pairs, and from moved mics without one to what they are on."""
    wanted = [(source, mic) for pair in scene.pairs for source in pair.equal_to for mic in pair.mics]
    paired = {mic for _, mic in wanted}
    moved = [move.mic for move in moves if move.move_m > 0 and move.mic not in paired]
    wanted += [(source, mic) for mic in moved for source in scene.mic(mic).on]
    return tuple(StringLength(ends, scene.metres_between(*ends)) for ends in dict.fromkeys(wanted))
