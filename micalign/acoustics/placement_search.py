"""Which layout is best of all, in numbers that can be written? Many seeded starts, a descent from each worth it.

The problem, its variables and its cost are those of `micalign.acoustics.placement_problem`.

Mics that form pairs are placed together, the others one by one (a *group*), then all again in turn until nothing
changes: only the spacing rule ties one group to another. Half of the samples are drawn from the whole range, half
nearer to where the mics stand now. The random numbers have a fixed seed and nothing depends on the clock, so the same
scene gives the same answer on every run.

In a descent ranges of coordinates are bounds; reach, keepouts and tolerances are constraints. Each tolerance may
stretch at the charge of `OUT_OF_TOLERANCE`, so that a scene that cannot be solved still gives its best compromise.

It is sequential least squares quadratic programming (D. Kraft, 1988), with our signs: a constraint is a function that
must not be negative. Slopes are central differences, all of one point in a single call of a function that takes many
points at once.

What comes out is exactly what the scene file will say after it is written in its own length unit, so that
limits and tolerances are judged on the written numbers. Where the nearest millimetre breaks one of them, its
neighbours are tried, then finer steps. A limit is never given up for a tolerance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Final

import numpy as np

from micalign.acoustics.placement_problem import Problem
from micalign.acoustics.tuned import (
    AGREE,
    ANYWHERE,
    CLOSER,
    CORNER_M,
    DESCENT_GAIN,
    DESCENT_SPARE_M,
    DESCENTS,
    FORGIVEN,
    FREE_COST,
    MOST_STEPS,
    OUT_OF_TOLERANCE,
    ROUNDS,
    SAME_COST,
    SAMPLES,
    SAMPLES_KEPT,
    STARTS_APART_M,
    STILL_M,
    SWEEPS,
    WRITTEN_SPARE_M,
)
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.scene import Scene
from micalign.units import METRES

__all__ = [
    "best_layout",
    "descend",
    "groups_of",
    "least",
    "rounded",
    "slopes",
    "stuck_mics",
]


_STEP_M: Final = 1e-6
"""Metres: of central differences in double precision, whose best step is a cube root of 1e-16 in metres, about 5e-6."""

_SEED: Final = 2718
"""Any number: the same scene gives the same answer on every run."""

_DECIMALS: Final = {"m": (3, 4), "cm": (1, 2), "mm": (0, 1), "in": (2, 3), "ft": (3, 3)}
"""Decimals of a coordinate in each unit: those to aim for, and the finest that a scene file keeps."""


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
