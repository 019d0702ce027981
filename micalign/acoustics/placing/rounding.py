"""The same layout in numbers that a file holds and a tape can follow: whole millimetres, or their like in inches.

What comes out is exactly what the scene file will say after it is written in its own length unit, so that limits and
tolerances are judged on the written numbers. Where the nearest millimetre breaks one of them, its neighbours are
tried, then finer steps.
"""

from __future__ import annotations

from itertools import product
from typing import Final

import numpy as np

from micalign.acoustics.placing.problem import Problem
from micalign.arrays import Floats
from micalign.units import METRES

__all__ = ["rounded"]

_DECIMALS: Final = {"m": (3, 4), "cm": (1, 2), "mm": (0, 1), "in": (2, 3), "ft": (3, 3)}
"""Decimals of a coordinate in each unit: those to aim for, and the finest that a scene file keeps."""
_ROUNDS: Final = 6
_SPARE_M: Final = 1e-6
"""What is left to a keepout in the written numbers, so that nobody's arithmetic finds a mic inside."""


def rounded(problem: Problem, free_m: Floats, groups: tuple[tuple[int, ...], ...], unit: str) -> Floats:
    """Places that a scene file in this unit can hold, shape (F, 3); mics that stay put keep their own numbers."""
    moved = np.abs(free_m - problem.limits.start_m).max(axis=1) > 1e-9
    layout = free_m
    for decimals in _DECIMALS[unit]:
        layout = _mended(problem, _nearest(problem, free_m, moved, unit, decimals), moved, groups, unit, decimals)
        if _charge(problem, layout) == 0:
            break
    return layout


def _charge(problem: Problem, layout: Floats) -> float:
    return float(problem.charges(layout[None], spare_m=_SPARE_M)[0])


def _nearest(problem: Problem, free_m: Floats, moved: Floats, unit: str, decimals: int) -> Floats:
    """Every coordinate of a moved mic to its nearest step inside the ranges."""
    step = 10.0**-decimals
    scale = METRES[unit]
    low = np.ceil(problem.limits.low_m / scale / step - 1e-6)
    high = np.floor(problem.limits.high_m / scale / step + 1e-6)
    steps = np.round(free_m / scale / step)
    steps = np.where(low <= high, np.clip(steps, low, np.maximum(low, high)), steps)
    return np.where(moved[:, None], np.round(steps * step, decimals) * scale, problem.limits.start_m)


def _mended(
    problem: Problem, layout: Floats, moved: Floats, groups: tuple[tuple[int, ...], ...], unit: str, decimals: int
) -> Floats:
    """The layout, or its best neighbours where it breaks something."""
    for _ in range(_ROUNDS):
        before = _charge(problem, layout)
        for group in groups:
            layout = _best_neighbour(problem, layout, [row for row in group if moved[row]][:2], unit, decimals)
        after = _charge(problem, layout)
        if after == 0 or after >= before:
            break
    return layout


def _best_neighbour(problem: Problem, layout: Floats, rows: list[int], unit: str, decimals: int) -> Floats:
    if not rows or _charge(problem, layout) == 0:
        return layout
    step = 10.0**-decimals * METRES[unit]
    shifts = np.array(list(product((0.0, -1.0, 1.0), repeat=3 * len(rows)))).reshape(-1, len(rows), 3) * step
    shifts = np.where(problem.varies[rows], shifts, 0.0)
    tried = np.repeat(layout[None], len(shifts), axis=0)
    tried[:, rows] = np.round((layout[rows] + shifts) / METRES[unit], decimals) * METRES[unit]
    best: Floats = tried[int(np.argmin(problem.charges(tried, spare_m=_SPARE_M)))]
    return best
