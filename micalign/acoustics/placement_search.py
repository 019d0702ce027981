"""Which layout is best of all? A scene as a problem, many starts, seeded, then a descent from each that looks worth it.

``variables`` are the coordinates that may change, shape (N, V) for N layouts: those of the free mics whose range has
a width. The *cost* is a weighted sum of terms plus a heavy charge for every pair out of its tolerance and every
hard limit that is broken; lower is better, 0 is all that is wanted without moving a stand.

Mics that form pairs are placed together, the others one by one (a *group*), then all again in turn until nothing
changes: only the spacing rule ties one group to another. Half of the samples are drawn from the whole range, half
nearer to where the mics stand now. The random numbers have a fixed seed and nothing depends on the clock, so the same
scene gives the same answer on every run.

In a descent ranges of coordinates are bounds; reach, keepouts and tolerances are constraints. Each tolerance may
stretch at the charge of `OUT_OF_TOLERANCE`, so that a scene that cannot be solved still gives its best compromise.

It is sequential least squares quadratic programming (D. Kraft, 1988), with our signs: a constraint is a function that
must not be negative. Slopes are central differences, all of one point in a single call of a function that takes many
points at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.acoustics.placement_terms import DistanceTerm, Ears, Equality, Limits, SpacingTerm, StereoTerm
from micalign.acoustics.placement_warned import AimTerm, Combs, NullsTerm, SharedTerm
from micalign.acoustics.tuned import (
    AGREE,
    ANYWHERE,
    BARE_MOVE,
    BROKEN_PER_M,
    CLOSER,
    CORNER_M,
    DESCENT_GAIN,
    DESCENT_SPARE_M,
    DESCENTS,
    FORGIVEN,
    FREE_COST,
    MOST_STEPS,
    MOVE_UNIT_M,
    OUT_OF_TOLERANCE,
    SAME_COST,
    SAMPLES,
    SAMPLES_KEPT,
    STARTS_APART_M,
    STILL_M,
    SWEEPS,
)
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import PlaceWeights, Scene

__all__ = [
    "Problem",
    "best_layout",
    "descend",
    "groups_of",
    "least",
    "slopes",
    "stuck_mics",
]


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything that placement needs of a scene, as arrays."""

    start_m: Floats
    limits: Limits
    ears: Ears
    equality: Equality
    distance: DistanceTerm
    spacing: SpacingTerm
    combs: Combs
    stereo: StereoTerm
    shared: SharedTerm
    nulls: NullsTerm
    aims: AimTerm
    weights: PlaceWeights
    held: Bools

    @classmethod
    def of(cls, scene: Scene) -> Problem:
        """The problem of a scene whose positions are all known."""
        speed = speed_of_sound_in(scene.air)
        limits = Limits.of(scene)
        return cls(
            start_m=np.array([mic.position for mic in scene.mics], dtype=float).reshape(-1, 3),
            limits=limits,
            ears=Ears.of(scene),
            equality=Equality.of(scene, speed),
            distance=DistanceTerm.of(scene),
            spacing=SpacingTerm.of(scene),
            combs=Combs.of(scene, speed),
            stereo=StereoTerm.of(scene),
            shared=SharedTerm.of(scene, speed),
            nulls=NullsTerm.of(scene, speed),
            aims=AimTerm.of(scene),
            weights=scene.place.weights,
            held=np.zeros(len(limits.free), dtype=bool),
        )

    def part(self, rows: tuple[int, ...], free_m: Floats) -> Problem:
        """The same for some of the free mics alone, the others fixed where ``free_m``, shape (F, 3), has them."""
        limits = self.limits.part(rows)
        chosen = np.zeros(len(self.start_m), dtype=bool)
        chosen[limits.free] = True
        return replace(
            self,
            start_m=self.positions(free_m[None])[0],
            limits=limits,
            equality=self.equality.part(chosen),
            **self._terms_of(chosen),
            held=self.held[list(rows)],
        )

    def _terms_of(self, chosen: Bools) -> dict[str, Any]:
        """The terms without the cases in which no chosen mic, shape (M,), has a part."""
        names = ("distance", "spacing", "combs", "stereo", "shared", "nulls", "aims")
        return {name: getattr(self, name).part(chosen) for name in names}

    def tighter(self, by_m: float) -> Problem:
        """The same with tolerances that are narrower by so many metres of sound travel, by half at most."""
        tolerance = self.equality.tolerance_m
        narrower = np.maximum(tolerance - by_m, tolerance / 2)
        return replace(self, equality=replace(self.equality, tolerance_m=narrower))

    def bare(self) -> Problem:
        """The same without terms, but for a slight one for short moves: what is allowed at all?"""
        none = np.zeros(len(self.start_m), dtype=bool)
        return replace(
            self,
            **self._terms_of(none),
            weights=PlaceWeights(0.0, 0.0, 0.0, 0.0, 0.0, BARE_MOVE),
        )

    @cached_property
    def varies(self) -> Bools:
        """Which coordinates of the free mics are variables, shape (F, 3)."""
        width: Bools = self.limits.high_m - self.limits.low_m > 1e-9
        return width & ~self.held[:, None]

    @cached_property
    def base_m(self) -> Floats:
        """Where the free mics stand before any variable is set, shape (F, 3): at the start, inside the ranges."""
        limits = self.limits
        inside = np.clip(limits.start_m, limits.low_m, np.maximum(limits.low_m, limits.high_m))
        return np.where(self.held[:, None], limits.start_m, inside)

    @property
    def low(self) -> Floats:
        """Least values of the variables, shape (V,)."""
        return self.limits.low_m[self.varies]

    @property
    def high(self) -> Floats:
        """Greatest values of the variables, shape (V,)."""
        return self.limits.high_m[self.varies]

    def free_m(self, variables: Floats) -> Floats:
        """Places of the free mics: (N, V) to (N, F, 3)."""
        points = np.repeat(self.base_m[None], len(variables), axis=0)
        points[:, self.varies] = variables
        return points

    def positions(self, free_m: Floats) -> Floats:
        """Places of all mics: (N, F, 3) to (N, M, 3)."""
        every = np.repeat(self.start_m[None], len(free_m), axis=0)
        every[:, self.limits.free] = free_m
        return every

    def terms(self, free_m: Floats, *, smooth_m: float = 0.0) -> dict[str, Floats]:
        """The weighted cost of each term, shape (N,) each.

        ``smooth_m`` rounds the corner of the move's cost at the start, for descents that need a slope there.
        """
        positions, weights = self.positions(free_m), self.weights
        axes = self.ears.axes(positions)
        missed = self.equality.differences_m(positions) / self.equality.tolerance_m
        move = np.sqrt(((free_m - self.limits.start_m) ** 2).sum(axis=-1) + smooth_m**2) - smooth_m
        return {
            "equal": weights.equal * (missed**2).sum(axis=1),
            "distance": weights.distance * self.distance.cost(positions),
            "spacing": weights.spacing
            * (self.spacing.cost(positions, self.ears, axes) + self.shared.cost(positions, self.ears, axes)),
            "reflections": weights.reflections
            * (self.combs.cost(positions, self.ears, axes) + self.nulls.cost(positions)),
            "stereo": weights.stereo * (self.stereo.cost(positions, axes) + self.aims.cost(positions, self.ears, axes)),
            "move": weights.move * move.sum(axis=1) / MOVE_UNIT_M,
        }

    def charges(self, free_m: Floats, *, spare_m: float = 0.0) -> Floats:
        """The charge for pairs out of tolerance and for broken limits, shape (N,); 0 where all is allowed."""
        excess = self.equality.excess(self.positions(free_m))
        first, second = OUT_OF_TOLERANCE
        charge: Floats = (first * excess + second * excess**2).sum(axis=1)
        charge += BROKEN_PER_M * self.limits.broken_m(free_m, spare_m=spare_m).sum(axis=1)
        return charge

    def cost(self, free_m: Floats) -> Floats:
        """Terms and charges together, shape (N,)."""
        total: Floats = sum(self.terms(free_m).values(), self.charges(free_m))
        return total

    def is_feasible(self, free_m: Floats) -> bool:
        """Whether one layout, shape (F, 3), keeps every hard limit and every pair within its tolerance."""
        return not self.limits.broken_m(free_m[None]).any() and self.equality.holds(self.positions(free_m[None]))


_STEP_M: Final = 1e-6
"""Metres: of central differences in double precision, whose best step is a cube root of 1e-16 in metres, about 5e-6."""


def slopes(values_of: Callable[[Floats], Floats], variables: Floats) -> Floats:
    """Central differences of ``values_of``, (N, V) to (N, K), at one point: shape (K, V).

    >>> slopes(lambda x: x**2, np.array([1.0, 3.0])).round(6)
    array([[2., 0.],
           [0., 6.]])
    """
    count = len(variables)
    shifts = np.concatenate([np.eye(count), -np.eye(count)]) * _STEP_M
    values = values_of(variables + shifts)
    slope: Floats = (values[:count] - values[count:]).T / (2 * _STEP_M)
    return slope


def least(
    cost: tuple[Callable[[Floats], float], Callable[[Floats], Floats]],
    allowed: tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]],
    first: Floats,
    *,
    low: Floats,
    high: Floats,
    steps: int,
    gain: float,
) -> Floats:
    """The point of least cost near the first one, where ``allowed`` is not negative; each with its slope.

    >>> least(
    ...     (lambda x: float(x @ x), lambda x: 2 * x),
    ...     (lambda x: x[:1] - 1, lambda x: np.array([[1.0, 0.0]])),
    ...     np.array([3.0, 2.0]), low=np.full(2, -9.0), high=np.full(2, 9.0), steps=50, gain=1e-9,
    ... ).round(4) + 0.0
    array([1., 0.])
    """
    from scipy.optimize import minimize  # noqa: PLC0415 - costs half a second that other commands must not pay

    constraint: Any = {"type": "ineq", "fun": allowed[0], "jac": allowed[1]}
    options: Any = {"maxiter": steps, "ftol": gain}
    bounds: Any = list(zip(low, high, strict=True))
    with np.errstate(all="ignore"):
        found = minimize(
            cost[0],
            first,
            jac=cost[1],
            bounds=bounds,
            constraints=[constraint] if len(allowed[0](first)) else [],
            method="SLSQP",
            options=options,
        )
    reached: Floats = np.where(np.isfinite(found.x), found.x, first)
    return np.clip(reached, low, high)


class _Descent:
    """What the optimiser asks: V variables, then one stretch (in tolerances) for each pair."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._count = len(problem.low)
        equality = problem.equality
        # Which stretch each of the two sides of a case may use.
        self._shares = np.tile(equality.pair[:, None] == equality.pairs, (2, 1)).astype(np.float64)

    def _terms(self, variables: Floats) -> Floats:
        free_m = self._problem.free_m(variables)
        total: Floats = sum(self._problem.terms(free_m, smooth_m=CORNER_M).values(), np.zeros(len(variables)))
        return total[:, None]

    def _clearances(self, variables: Floats) -> Floats:
        """Differences in tolerances, their negatives, then clearances in centimetres: (N, 2 E + C)."""
        problem = self._problem
        free_m = problem.free_m(variables)
        missed = problem.equality.differences_m(problem.positions(free_m)) / problem.equality.tolerance_m
        curved = (problem.limits.curved_m(free_m) - DESCENT_SPARE_M) * 100.0
        return np.concatenate([1.0 - missed, 1.0 + missed, curved], axis=1)

    def cost(self, point: Floats) -> float:
        variables, stretch = np.split(point, [self._count])
        first, second = OUT_OF_TOLERANCE
        return float(self._terms(variables[None])[0, 0] + (first * stretch + second * stretch**2).sum())

    def cost_slope(self, point: Floats) -> Floats:
        variables, stretch = np.split(point, [self._count])
        first, second = OUT_OF_TOLERANCE
        return np.concatenate([slopes(self._terms, variables)[0], first + 2 * second * stretch])

    def allowed(self, point: Floats) -> Floats:
        variables, stretch = np.split(point, [self._count])
        allowed: Floats = self._clearances(variables[None])[0]
        allowed[: len(self._shares)] += self._shares @ stretch
        return allowed

    def allowed_slope(self, point: Floats) -> Floats:
        slope = slopes(self._clearances, point[: self._count])
        stretches = np.zeros((len(slope), self._shares.shape[1]))
        stretches[: len(self._shares)] = self._shares
        return np.concatenate([slope, stretches], axis=1)

    def first_point(self, variables: Floats) -> Floats:
        free_m = self._problem.free_m(variables[None])
        return np.concatenate([variables, self._problem.equality.excess(self._problem.positions(free_m))[0]])


def descend(problem: Problem, variables: Floats, *, firm: bool = False) -> Floats:
    """The nearest best layout, inside the ranges; the start itself where there is nothing to vary.

    Parameters
    ----------
    problem : Problem
    variables : array, shape (V,)
        Where to start.
    firm : bool
        No tolerance may stretch: for a start that is within them.

    Returns
    -------
    array, shape (V,)
    """
    if not len(variables):
        return variables
    descent = _Descent(problem)
    stretches = np.zeros(len(problem.equality.pairs))
    low = np.concatenate([problem.low, stretches])
    high = np.concatenate([problem.high, stretches if firm else stretches + np.inf])
    found = least(
        (descent.cost, descent.cost_slope),
        (descent.allowed, descent.allowed_slope),
        np.clip(descent.first_point(variables), low, high),
        low=low,
        high=high,
        steps=MOST_STEPS,
        gain=DESCENT_GAIN,
    )
    return found[: len(variables)]


_SEED: Final = 2718
"""Any number: the same scene gives the same answer on every run."""


def groups_of(scene: Scene, free: Ints) -> tuple[tuple[int, ...], ...]:
    """Rows of the free mics that pairs tie together, directly or by a chain of pairs."""
    row = {scene.mics[index].name: row for row, index in enumerate(free.tolist())}
    group = list(range(len(free)))
    for pair in scene.pairs:
        tied = [group[row[name]] for name in pair.mics if name in row]
        group = [tied[0] if each in tied else each for each in group]
    return tuple(tuple(r for r, each in enumerate(group) if each == label) for label in dict.fromkeys(group))


def stuck_mics(problem: Problem) -> Bools:
    """Free mics for which no place keeps their own box or reach, the walls and the keepouts, shape (F,)."""
    limits = problem.limits
    stuck: Bools = np.array((limits.low_m > limits.high_m + 1e-9).any(axis=1), dtype=np.bool_)
    for row in np.flatnonzero(~stuck).tolist():
        stuck[row] = not _has_room(problem, row)
    return stuck


def _has_room(problem: Problem, row: int) -> bool:
    """Whether some place is allowed to one mic: samples, then ever closer ones round the least forbidden."""
    limits, rng = problem.limits, np.random.default_rng(_SEED)
    low, high = limits.low_m[row], limits.high_m[row]
    centre, width = problem.base_m[row], high - low
    for _ in range(CLOSER):
        drawn = np.clip(centre + rng.uniform(-1.0, 1.0, (SAMPLES, 3)) * width, low, high)
        drawn[0] = centre
        points = np.repeat(limits.start_m[None], len(drawn), axis=0)
        points[:, row] = drawn
        broken = limits.broken_m(points)[:, row]
        if broken.min() == 0:
            return True
        centre, width = drawn[int(np.argmin(broken))], width / 4
    return False


def best_layout(problem: Problem, groups: tuple[tuple[int, ...], ...]) -> Floats:
    """The best places of the free mics that the search finds, shape (F, 3); not rounded yet."""
    layout = problem.base_m.copy()
    for group in groups:
        part = problem.part(group, layout)
        layout[list(group)] = _left_alone(part, _best(part, _starts(part)))
    for _ in range(SWEEPS if len(groups) > 1 else 0):
        before = layout.copy()
        for group in groups:
            part = problem.part(group, layout)
            here = layout[list(group)]
            layout[list(group)] = _left_alone(part, _best(part, [here[part.varies]]))
        if np.abs(layout - before).max() < STILL_M:
            break
    return layout


def _best(problem: Problem, starts: Iterable[Floats]) -> Floats:
    """Where the descents from these variables end best, shape (F, 3); what is allowed before what is not."""
    ends: list[Floats] = []
    costs: list[float] = []
    for start in starts:
        ends.append(descend(problem, start))
        costs.append(_cost(problem, ends[-1]))
        if np.isclose(costs, min(costs), rtol=SAME_COST, atol=SAME_COST).sum() >= AGREE:
            break
    if not any(_is_allowed(problem, end) for end in ends):
        ends += _allowed_at_all(problem, ends)
    best = min(ends, key=lambda end: (not _is_allowed(problem, end), _cost(problem, end)))
    places: Floats = problem.free_m(best[None])[0]
    return places


def _allowed_at_all(problem: Problem, ends: list[Floats]) -> Iterator[Floats]:
    """Layouts within all limits and tolerances, whatever they cost otherwise, and the best ones near them."""
    bare, rng = problem.bare(), np.random.default_rng(_SEED)
    starts = [*ends, *rng.uniform(problem.low, problem.high, (ANYWHERE, len(problem.low)))]
    found = 0
    for start in starts:
        allowed = descend(bare, start)
        if _is_allowed(problem, allowed):
            yield allowed
            yield descend(problem, allowed, firm=True)
            found += 1
        if found == AGREE:
            break


def _cost(problem: Problem, variables: Floats) -> float:
    return float(problem.cost(problem.free_m(variables[None]))[0])


def _is_allowed(problem: Problem, variables: Floats) -> bool:
    return bool(problem.charges(problem.free_m(variables[None]))[0] < FORGIVEN)


def _left_alone(problem: Problem, best: Floats) -> Floats:
    """The same with each mic, the least moved first, put back where it stood if that costs nothing."""
    moved = np.sqrt(((best - problem.limits.start_m) ** 2).sum(axis=1))
    held = problem.held | (moved == 0)
    for row in np.argsort(moved, kind="stable").tolist():
        if held[row] or problem.limits.broken_m(problem.limits.start_m[None])[0, row] > 0:
            continue
        trial = replace(problem, held=held | (np.arange(len(held)) == row))
        there = trial.free_m(descend(trial, best[trial.varies])[None])[0]
        if problem.cost(there[None])[0] <= problem.cost(best[None])[0] + FREE_COST:
            best, held = there, trial.held
    return best


def _starts(problem: Problem) -> Iterator[Floats]:
    """Variables to descend from: where the mics stand, then the best samples of the whole range."""
    here = problem.base_m[problem.varies]
    yield here
    if len(here):
        yield from _samples(problem, here)


def _samples(problem: Problem, here: Floats) -> Floats:
    """The best samples of the variables, shape (up to `DESCENTS`, V), best first."""
    rng = np.random.default_rng(_SEED)
    samples = rng.uniform(problem.low, problem.high, (SAMPLES, len(here)))
    samples[::2] = here + (samples[::2] - here) * rng.uniform(0, 1, (SAMPLES // 2, 1))
    samples = samples[np.argsort(_rough(problem, samples), kind="stable")[:SAMPLES_KEPT]]
    samples = samples[np.argsort(problem.cost(problem.free_m(samples)), kind="stable")]
    return samples[_apart(samples)]


def _rough(problem: Problem, samples: Floats) -> Floats:
    """What is quick to know of a sample: charges and the length of the moves."""
    free_m = problem.free_m(samples)
    moved: Floats = np.sqrt(((free_m - problem.limits.start_m) ** 2).sum(axis=-1)).sum(axis=1)
    return problem.charges(free_m) + moved


def _apart(samples: Floats) -> list[int]:
    """The first samples that are not neighbours of an earlier one."""
    kept: list[int] = []
    for row, sample in enumerate(samples):
        if all(np.abs(sample - samples[other]).max() > STARTS_APART_M for other in kept):
            kept.append(row)
        if len(kept) == DESCENTS:
            break
    return kept
