"""Which positions fit all tapes of a survey best, how surely, and which tapes and which other places are in doubt?

Each group of points that hang together by tapes is solved by itself, from many starts; positions in metres.

A tape between two unknown points ties them; one to a known point ties nothing else. Groups share no unknown, so the
whole is solved by solving each: the covariance between groups is zero.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.acoustics.tapes.doubt import Slip, accused, covariance, spare_tapes
from micalign.acoustics.tapes.tape_network import (
    Network,
    descend,
    distinct,
    huber,
    in_bounds,
    misfit,
    random_starts,
    settled,
)
from micalign.arrays import Bools, Floats, Ints

__all__ = ["Part", "Solved", "into_room", "parts", "solve", "turned"]


@dataclass(frozen=True, eq=False)
class Part:
    """A group as a network of its own: its tapes (rows of the whole) and its unknowns (places among the whole's)."""

    net: Network
    tapes: Ints
    unknowns: Ints

    def put(self, whole: Floats, values: Floats) -> Floats:
        """A copy of the whole's unknowns, (n,), with this group's in place."""
        changed = whole.copy()
        changed[self.unknowns] = values
        return changed


def parts(net: Network) -> Iterator[Part]:
    """The groups, each with the known points its tapes lead to, in the order of their first point."""
    group = _groups(net)
    for head in sorted(set(group[list(net.unknown_points)].tolist())):
        own = group == head
        tapes = np.flatnonzero(own[net.ends].any(axis=1))
        known = ~net.free.any(axis=1)
        kept = np.flatnonzero(own | known)
        slots = net.slots[own]
        renamed = np.full(len(net.names), -1, dtype=np.intp)
        renamed[kept] = np.arange(len(kept))
        part = replace(
            net,
            names=tuple(net.names[point] for point in kept),
            at_m=net.at_m[kept],
            free=net.free[kept],
            ends=renamed[net.ends[tapes]],
            distance_m=net.distance_m[tapes],
            sigma_m=net.sigma_m[tapes],
        )
        yield Part(part, tapes, slots[slots >= 0])


def _groups(net: Network) -> Ints:
    """For each point the first point of its group; known points are alone."""
    unknown: Bools = np.asarray(net.free.any(axis=1))
    group = np.arange(len(net.names))
    tied: Bools = unknown[net.ends[:, 0]] & unknown[net.ends[:, 1]]
    ties = net.ends[tied]
    while True:
        # Each end takes over the lower of both heads, until nothing changes.
        low = group[ties].min(axis=1)
        before = group.copy()
        np.minimum.at(group, ties[:, 0], low)
        np.minimum.at(group, ties[:, 1], low)
        group = group[group]
        if np.array_equal(group, before):
            return group


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
    first beyond their plane are taken as positive.
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
