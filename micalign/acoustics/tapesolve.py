"""Which positions fit all tapes of a survey best, how surely, and which tapes and which other places are in doubt?

Each group of points that hang together by tapes is solved by itself, from many starts; positions in metres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.acoustics.tapecheck import covariance, spare_tapes
from micalign.acoustics.tapeparts import parts
from micalign.acoustics.tapeslips import Slip, accused
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

__all__ = ["Solved", "into_room", "solve", "turned"]

_HANDFUL: Final = 8
"""Among more points than these one or another may end on the wrong side from every common start."""
_ON_PLANE_M: Final = 0.02
"""A point this near to a plane is on no side of it."""


@dataclass(frozen=True, eq=False)
class Solved:
    """A network and what fits it: unknowns (n,), their covariance ``whole`` (n, n), of which ``spread`` (n, n) is what
    doubt about the tapes adds, weights, suspects and rivals (T,), ``others`` that fit as well (K, n), how many tapes
    are to ``spare``, and between which wrong tapes these cannot tell.
    """

    net: Network
    unknowns: Floats
    whole: Floats
    spread: Floats
    weights: Floats
    suspects: Bools
    rivals: Bools
    others: Floats
    spare: int
    doubts: tuple[Slip, ...] = ()

    @property
    def farthest(self) -> Floats:
        """Of the other solutions the one that differs most, (n,)."""
        apart = np.max(np.abs(self.others - self.unknowns), axis=1)
        other: Floats = self.others[int(np.argmax(apart))]
        return other


def solve(net: Network) -> Solved:
    """Group by group, put together."""
    count, tapes = int(net.free.sum()), len(net.ends)
    unknowns, whole, weights = np.zeros(count), np.zeros((count, count)), 1.0 / net.sigma_m
    spread = np.zeros_like(whole)
    suspects, rivals = np.zeros(tapes, dtype=bool), np.zeros(tapes, dtype=bool)
    found = [(part, _solve_part(part.net)) for part in parts(net)]
    for part, one in found:
        unknowns[part.unknowns], whole[np.ix_(part.unknowns, part.unknowns)] = one.unknowns, one.whole
        spread[np.ix_(part.unknowns, part.unknowns)] = one.spread
        weights[part.tapes], suspects[part.tapes], rivals[part.tapes] = one.weights, one.suspects, one.rivals
    others = np.array([part.put(unknowns, other) for part, one in found for other in one.others]).reshape(-1, count)
    doubts = tuple(
        Slip(int(part.tapes[slip.tape]), slip.probability, part.put(unknowns, slip.unknowns))
        for part, one in found
        for slip in one.doubts
    )
    spare = sum(one.spare for _, one in found)
    return Solved(net, unknowns, whole, spread, weights, suspects, rivals, others, spare, doubts)


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
    return Solved(
        net, best, whole, blame.spread, blame.weights, blame.suspects, blame.rivals, others, spare, blame.doubts
    )


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


def turned(solved: Solved) -> Solved:
    """In a frame of its own a survey and its mirror images are one: x of the second, y of the third point and z of the
    first beyond their plane are told positive.
    """
    sides = np.ones(3)
    places = solved.net.places(solved.unknowns[None])[0]
    for axis, values in ((0, places[1:2, 0]), (1, places[2:3, 1]), (2, places[3:, 2])):
        off = values[np.abs(values) > _ON_PLANE_M]
        sides[axis] = -1.0 if len(off) and off[0] < 0 else 1.0
    signs = np.broadcast_to(sides, solved.net.at_m.shape)[solved.net.free]
    turned = solved.unknowns * signs
    mirrors = np.abs(np.abs(solved.others) - np.abs(turned)).max(axis=1, initial=0.0) < 3 * _ON_PLANE_M
    return replace(
        solved,
        unknowns=turned,
        whole=solved.whole * np.outer(signs, signs),
        spread=solved.spread * np.outer(signs, signs),
        others=solved.others[~mirrors],
        doubts=tuple(replace(slip, unknowns=slip.unknowns * signs) for slip in solved.doubts),
    )


def into_room(net: Network, place: Floats) -> Floats:
    """A place just beyond a wall or the floor, moved to it: tapes are not exact, walls are."""
    inside: Floats = np.clip(place, net.low_m, net.high_m)
    return inside if np.max(np.abs(inside - place)) < 0.1 else place
