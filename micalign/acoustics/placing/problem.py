"""A scene as a problem to solve: free coordinates in, cost and limits out.

``variables`` are the coordinates that may change, shape (N, V) for N layouts: those of the free mics whose range has
a width. The *cost* is a weighted sum of terms plus a heavy charge for every pair out of its tolerance and every
hard limit that is broken; lower is better, 0 is all that is wanted without moving a stand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from micalign.acoustics.air import speed_of_sound_in
from micalign.acoustics.placing.cost_terms import MOVE_UNIT_M, DistanceTerm, Equality, SpacingTerm, StereoTerm
from micalign.acoustics.placing.limits import Ears, Limits
from micalign.acoustics.placing.warned import AimTerm, Combs, NullsTerm, SharedTerm
from micalign.arrays import Bools, Floats
from micalign.scene.model import PlaceWeights, Scene

__all__ = ["BROKEN_PER_M", "OUT_OF_TOLERANCE", "Problem"]

OUT_OF_TOLERANCE: Final = (100.0, 1.0)
"""Charges for a pair's worst excess x over its tolerance, in tolerances: the first times x plus the second times x^2.

The worst, not the sum: the best compromise is then the one that a wider tolerance would allow first.
"""

BROKEN_PER_M: Final = 1000.0
"""Charge for a metre by which a hard limit is broken: 10 for each centimetre."""


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
            distance=self.distance.part(chosen),
            spacing=self.spacing.part(chosen),
            combs=self.combs.part(chosen),
            stereo=self.stereo.part(chosen),
            shared=self.shared.part(chosen),
            nulls=self.nulls.part(chosen),
            aims=self.aims.part(chosen),
            held=self.held[list(rows)],
        )

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
            distance=self.distance.part(none),
            spacing=self.spacing.part(none),
            combs=self.combs.part(none),
            stereo=self.stereo.part(none),
            shared=self.shared.part(none),
            nulls=self.nulls.part(none),
            aims=self.aims.part(none),
            weights=PlaceWeights(0.0, 0.0, 0.0, 0.0, 0.0, 0.01),
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
