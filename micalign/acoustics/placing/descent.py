"""From one layout downhill to the nearest best one.

Ranges of coordinates are bounds; reach, keepouts and tolerances are constraints. Each tolerance may stretch at the
charge of `OUT_OF_TOLERANCE`, so that a scene that cannot be solved still gives its best compromise.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.acoustics.placing.optimiser import least, slopes
from micalign.acoustics.placing.problem import OUT_OF_TOLERANCE, Problem
from micalign.arrays import Floats

__all__ = ["descend"]

_CORNER_M: Final = 5e-4
"""How far the corner of the move's cost is rounded: half a millimetre, less than anybody can place a stand."""
_SPARE_M: Final = 5e-4
"""Left to keepouts and to the end of a reach, so that whole millimetres can be found there."""
_MOST_STEPS: Final = 80
_GAIN: Final = 1e-7
"""The descent ends where a step gains less; costs that matter are a thousand times larger."""


class _Descent:
    """What the optimiser asks: V variables, then one stretch (in tolerances) for each pair."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._count = len(problem.low)
        equality = problem.equality
        # Which stretch each of the two sides of a case may use.
        self._shares = np.tile(equality.pair[:, None] == equality.pairs, (2, 1)).astype(np.float64)

    def _wishes(self, variables: Floats) -> Floats:
        free_m = self._problem.free_m(variables)
        total: Floats = sum(self._problem.wishes(free_m, smooth_m=_CORNER_M).values(), np.zeros(len(variables)))
        return total[:, None]

    def _clearances(self, variables: Floats) -> Floats:
        """Differences in tolerances, their negatives, then clearances in centimetres: (N, 2 E + C)."""
        problem = self._problem
        free_m = problem.free_m(variables)
        missed = problem.equality.differences_m(problem.positions(free_m)) / problem.equality.tolerance_m
        curved = (problem.limits.curved_m(free_m) - _SPARE_M) * 100.0
        return np.concatenate([1.0 - missed, 1.0 + missed, curved], axis=1)

    def cost(self, point: Floats) -> float:
        variables, stretch = np.split(point, [self._count])
        first, second = OUT_OF_TOLERANCE
        return float(self._wishes(variables[None])[0, 0] + (first * stretch + second * stretch**2).sum())

    def cost_slope(self, point: Floats) -> Floats:
        variables, stretch = np.split(point, [self._count])
        first, second = OUT_OF_TOLERANCE
        return np.concatenate([slopes(self._wishes, variables)[0], first + 2 * second * stretch])

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
        steps=_MOST_STEPS,
        gain=_GAIN,
    )
    return found[: len(variables)]
