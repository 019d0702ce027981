"""Which positions fit all tapes of a survey best, how surely, and which tapes and which other places are in doubt?

Each group of points that hang together by tapes is solved by itself, from many starts; positions in metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.tapecheck import accused, covariance, spare_tapes
from micalign.acoustics.tapeparts import parts
from micalign.acoustics.tapework import (
    Network,
    descend,
    distinct,
    huber,
    in_bounds,
    misfit,
    random_starts,
    settled,
)
from micalign.arrays import Bools, Floats

__all__ = ["Solved", "solve"]

_HANDFUL: Final = 8
"""Among more points than these one or another may end on the wrong side from every common start."""


@dataclass(frozen=True, eq=False)
class Solved:
    """A network and what fits it: unknowns (n,), their covariance ``whole`` (n, n), weights, suspects and rivals (T,),
    ``others`` that fit as well (K, n), and how many tapes are to ``spare``.
    """

    net: Network
    unknowns: Floats
    whole: Floats
    weights: Floats
    suspects: Bools
    rivals: Bools
    others: Floats
    spare: int


def solve(net: Network) -> Solved:
    """Group by group, put together."""
    count, tapes = int(net.free.sum()), len(net.ends)
    unknowns, whole, weights = np.zeros(count), np.zeros((count, count)), 1.0 / net.sigma_m
    suspects, rivals = np.zeros(tapes, dtype=bool), np.zeros(tapes, dtype=bool)
    found = [(part, _solve_part(part.net)) for part in parts(net)]
    for part, one in found:
        unknowns[part.unknowns], whole[np.ix_(part.unknowns, part.unknowns)] = one.unknowns, one.whole
        weights[part.tapes], suspects[part.tapes], rivals[part.tapes] = one.weights, one.suspects, one.rivals
    others = np.array([part.put(unknowns, other) for part, one in found for other in one.others]).reshape(-1, count)
    return Solved(net, unknowns, whole, weights, suspects, rivals, others, sum(one.spare for _, one in found))


def _solve_part(net: Network) -> Solved:
    weights = 1.0 / net.sigma_m
    starts = _fewer_of_many(net, random_starts(net), weights)
    every = np.tile(weights, (len(starts), 1))
    found = descend(net, starts, every)
    inside = in_bounds(net, found)
    kept = found[inside] if inside.any() else found
    candidates = distinct(net, kept, misfit(net, kept, every[: len(kept)]))[:8]
    if len(net.unknown_points) > _HANDFUL:
        candidates = np.concatenate([settled(net, candidates[0], weights)[None], candidates])
    blame = accused(net, candidates, weights)
    best = huber(net, blame.unknowns[None], blame.weights[None])[0]
    whole = covariance(net, best, blame.weights) + blame.spread
    others = _others(net, candidates, best, blame.weights)
    spare = spare_tapes(net, best, blame.weights)
    return Solved(net, best, whole, blame.weights, blame.suspects, blame.rivals, others, spare)


def _fewer_of_many(net: Network, starts: Floats, weights: Floats) -> Floats:
    """The best starts: all for a handful of points, four for a hundred that hang together, where each costs seconds."""
    most = max(4, 1000 // starts.shape[1])
    cost = misfit(net, starts, np.tile(weights, (len(starts), 1)))
    return starts[np.sort(np.argsort(cost, kind="stable")[:most])]


def _others(net: Network, candidates: Floats, best: Floats, weights: Floats) -> Floats:
    """Other solutions that fit about as well (3 sigmas)."""
    tried = np.tile(weights, (len(candidates), 1))
    found = descend(net, candidates, tried)
    cost = misfit(net, found, tried)
    near = in_bounds(net, found) & (cost < float(misfit(net, best[None], weights[None])[0]) + 9.0)
    return distinct(net, found[near], cost[near])
