"""Where should the mics that may move stand, by arithmetic alone, and what stands in the way where nothing is allowed?

`micalign.findings.placing` asks the rules too. Hard limits (a mic's own box or reach, keepouts, the walls' margin) are
never broken; pairs are brought within their tolerance to every source they should be equally far from; what is left is
weighed by `PlacePlan`. Metres, mics in the order of the scene. ``cost`` is the weighted sum of what is missed (lower is
better, 0 is everything): see `micalign.acoustics.placement_terms` for the unit of each term,
`micalign.acoustics.placement_problem` for the charges.

Where nothing is allowed, each limit by itself may stretch by t metres (a box grows on every side, a keepout shrinks, a
fixed mic may move, a tolerance widens), everything else is kept, and the least t that lets a solution in is looked for.
What no single limit can mend has no entry but the tolerances. Limits are compared in metres; a tolerance by the metres
of sound travel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.acoustics.placement_problem import Problem
from micalign.acoustics.placement_search import best_layout, descend, groups_of, least, rounded, slopes, stuck_mics
from micalign.acoustics.placement_terms import FAR_M, clearance_m
from micalign.acoustics.tuned import (
    BACK_M,
    ENOUGH_M,
    FORGIVEN,
    IN_THE_WAY_M,
    LEAST_GAIN,
    LEAST_GAIN_SHARE,
    LEAST_GIVE_M,
    LEAST_MOVE_M,
    STRETCH_ROUND_M,
    STRETCH_STARTS,
    STRETCH_STEPS,
)
from micalign.arrays import Bools, Floats, Ints, point_of
from micalign.scene.model import Point
from micalign.scene.scene import Change, Scene, changed, tape_lengths_m
from micalign.units import Listing, Shown, show_length

__all__ = [
    "Kind",
    "Limit",
    "Move",
    "Obstacle",
    "Placement",
    "StringLength",
    "keeps_every_limit",
    "moved_to",
    "obstacles",
    "searched",
]

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
