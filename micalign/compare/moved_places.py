"""Where does a thing that was moved stand now, how surely, and where may it stand as well?

A fit finds one place; few sources leave others that explain the take as well, beyond the plane of what it hears. So
the search begins at places all about the planned one, under the belief that stands go 20 cm and under the belief that
they go 50 cm; each place found has the probability that the evidence gives it (Laplace's approximation; MacKay,
chapters 27 and 28), and one that both beliefs lead to the sum. Its uncertainty is that of the belief, or beliefs, that
lead to it, wider where what is left over is more than the delays' own sigmas explain.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.compare.fit import Fit, Sightings, begun_at
from micalign.compare.priors import Beliefs

__all__ = ["MovedPlace", "moved_places"]

_BELIEFS_M: Final = (0.2, 0.5)
_STARTS_M: Final = (0.15, 0.45)
_SAME_M: Final = 0.03
_LEAST_CHANCE: Final = 0.05
"""A place less probable than this is left out."""


@dataclass(frozen=True, slots=True)
class MovedPlace:
    """By how much a thing is from where it was planned, (3,), one standard deviation of that, and how probable."""

    moved_m: Floats
    sigma_m: float
    probability: float


def moved_places(planned: Beliefs, where: slice, beliefs: Beliefs, seen: Sightings, fit: Fit) -> tuple[MovedPlace, ...]:
    """The places that explain the take, the most probable first.

    Parameters
    ----------
    planned : Beliefs
        Before anything was doubted.
    where : slice
        The coordinates of what moved, among the unknowns.
    beliefs, seen, fit
        What was believed in the end, what was heard, and what followed.
    """
    found: list[tuple[float, Fit]] = []
    for far_m in _BELIEFS_M:
        sigma = beliefs.sigma.copy()
        sigma[where] = np.hypot(planned.sigma[where], far_m)
        doubting = replace(beliefs, sigma=sigma)
        tried = [begun_at(doubting, seen, fit.source_of, start) for start in _starts(planned, where, fit)]
        found += [(one.evidence, one) for one in _distinct(tried, where)]
    top = max(evidence for evidence, _ in found)
    groups: list[list[tuple[float, Fit]]] = []
    for evidence, one in sorted(found, key=lambda each: -each[0]):
        near = next((group for group in groups if _apart(group[0][1], one, where) < _SAME_M), None)
        if near is None:
            near = []
            groups.append(near)
        near.append((float(np.exp(evidence - top)), one))
    total = sum(weight for group in groups for weight, _ in group)
    every = [_place(planned, where, group, total) for group in groups]
    kept = sorted(
        (place for place in every if place.probability >= _LEAST_CHANCE), key=lambda place: -place.probability
    )
    return tuple(kept)


def _starts(planned: Beliefs, where: slice, fit: Fit) -> list[Floats]:
    """The place that was found, and places in fourteen directions about the planned one."""
    ways = [np.array(way) for way in product((-1.0, 0.0, 1.0), repeat=3) if np.sum(np.abs(way)) in (1.0, 3.0)]
    starts = [fit.unknowns]
    for far_m, way in product(_STARTS_M, ways):
        start = fit.unknowns.copy()
        start[where] = planned.mean[where] + far_m * way / np.linalg.norm(way)
        starts.append(start)
    return starts


def _apart(one: Fit, other: Fit, where: slice) -> float:
    return float(np.linalg.norm(one.unknowns[where] - other.unknowns[where]))


def _distinct(tried: list[Fit], where: slice) -> list[Fit]:
    kept: list[Fit] = []
    for one in sorted(tried, key=lambda fit: -fit.evidence):
        if all(_apart(one, other, where) > _SAME_M for other in kept):
            kept.append(one)
    return kept


def _place(planned: Beliefs, where: slice, group: list[tuple[float, Fit]], total: float) -> MovedPlace:
    weights = np.array([weight for weight, _ in group])
    places = np.array([fit.unknowns[where] for _, fit in group])
    middle = weights @ places / weights.sum()
    variances = np.array([np.trace(fit.covariance[where, where]) * _excess(fit) for _, fit in group])
    variance = weights @ (variances + np.sum((places - middle) ** 2, axis=1)) / weights.sum()
    return MovedPlace(middle - planned.mean[where], float(np.sqrt(variance)), float(weights.sum() / total))


def _excess(fit: Fit) -> float:
    """By how much the tension, over as many sightings as count, is more than chance would have it; 1 at the least."""
    return max(1.0, fit.tension / max(float(np.sum(fit.weight > 0.5)), 1.0))
