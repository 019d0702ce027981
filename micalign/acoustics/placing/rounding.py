"""The same layout in numbers that a file holds and a tape can follow: whole millimetres, or their like in inches.

What comes out is exactly what the scene file will say after it is written in its own length unit, so that limits and
tolerances are judged on the written numbers. Where the nearest millimetre breaks one of them, its neighbours are
tried, then finer steps. A limit is never given up for a tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from micalign.acoustics.placing.problem import Problem
from micalign.arrays import Bools, Floats
from micalign.units import METRES

__all__ = ["rounded"]

_DECIMALS: Final = {"m": (3, 4), "cm": (1, 2), "mm": (0, 1), "in": (2, 3), "ft": (3, 3)}
"""Decimals of a coordinate in each unit: those to aim for, and the finest that a scene file keeps."""
_ROUNDS: Final = 6
_FORGIVEN: Final = 1e-3
_SPARE_M: Final = 1e-6
"""What is left to a keepout in the written numbers, so that nobody's arithmetic finds a mic inside."""


def rounded(problem: Problem, free_m: Floats, groups: tuple[tuple[int, ...], ...], unit: str) -> Floats:
    """Places that a scene file in this unit can hold, shape (F, 3); mics that stay put keep their own numbers."""
    moved = np.abs(free_m - problem.limits.start_m).max(axis=1) > 1e-9
    solvable = bool(problem.charges(free_m[None])[0] < _FORGIVEN)
    layout = free_m
    for decimals in _DECIMALS[unit]:
        lattice = _Lattice(problem, moved, METRES[unit], decimals, solvable)
        layout = lattice.mended(lattice.nearest(free_m), groups)
        if lattice.is_good(layout):
            break
    return layout


@dataclass(frozen=True, eq=False)
class _Lattice:
    """The places that so many decimals of a unit can tell; without a solution only the hard limits are looked at."""

    problem: Problem
    moved: Bools
    scale_m: float
    decimals: int
    solvable: bool

    def _told(self, places_m: Floats) -> Floats:
        """What is read again of places that were written."""
        told: Floats = np.round(places_m / self.scale_m, self.decimals) * self.scale_m
        return told

    def nearest(self, free_m: Floats) -> Floats:
        """Every coordinate of a moved mic to its nearest step inside the ranges."""
        limits, step = self.problem.limits, self.scale_m * 10.0**-self.decimals
        low = np.ceil(limits.low_m / step - 1e-6)
        high = np.floor(limits.high_m / step + 1e-6)
        steps = np.round(free_m / step)
        steps = np.where(low <= high, np.clip(steps, low, np.maximum(low, high)), steps)
        return np.where(self.moved[:, None], self._told(steps * step), limits.start_m)

    def is_good(self, layout: Floats) -> bool:
        """Whether nothing is broken that need not be."""
        broken, charge = self._faults(layout[None])
        return bool(broken[0] == 0 and charge[0] == 0)

    def _faults(self, layouts: Floats) -> tuple[Floats, Floats]:
        """What is broken of the hard limits, metres; and the charge for tolerances too, where there is a solution."""
        broken: Floats = self.problem.limits.broken_m(layouts, spare_m=_SPARE_M).sum(axis=1)
        charge = self.problem.charges(layouts, spare_m=_SPARE_M) if self.solvable else broken
        return broken, charge

    def mended(self, layout: Floats, groups: tuple[tuple[int, ...], ...]) -> Floats:
        """The layout, or its best neighbours where it breaks something."""
        for _ in range(_ROUNDS):
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
        tried[:, rows] = self._told(layout[rows] + shifts)
        broken, charge = self._faults(tried)
        best: Floats = tried[np.lexsort((charge, broken))[0]]
        return best
