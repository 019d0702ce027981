"""Which positions fit all tapes of a survey best, how surely, and which tapes and which other places are in doubt?

Each group of points that hang together by tapes is solved by itself, from many starts; positions in metres.

A tape between two unknown points ties them; one to a known point ties nothing else. Groups share no unknown, so the
whole is solved by solving each: the covariance between groups is zero.

Where tapes do not fix a point, or leave two places for it, `fixing` says which further distances would.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.acoustics.tapes.doubt import Slip, accused, covariance, point_covariance, radius_68_m, spare_tapes
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

__all__ = ["Part", "Solved", "fixing", "into_room", "parts", "solve", "turned"]

_HANDFUL: Final = 8
"""Among more points than these one or another may end on the wrong side from every common start."""

_ON_PLANE_M: Final = 0.02
"""A point this near to a plane is on no side of it."""
_MOST_FURTHER: Final = 4
_MOST_ANCHORS: Final = 8  # nearest first; of three out of eight there are 56
_MOST_PLACES: Final = 5
_MOST_SETS: Final = 3  # of each size, the surest
_FITS_SIGMAS: Final = 4.0


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


def fixing(net: Network, point: int, anchors: Sequence[int], places: Floats, *, within_m: float) -> tuple[int, ...]:
    """The fewest anchors, up to four, whose distances would fix a point at one place alone; none where none would.

    Parameters
    ----------
    net : Network
    point : int
        The point that its tapes do not fix, or leave two places.
    anchors : sequence of int
        Points whose places are known.
    places : array, shape (N, 3)
        Where they are, metres.
    within_m : float
        What counts as fixed: the radius that holds the true place in 68 of 100 cases.

    Notes
    -----
    Nobody knows where the point is, so a set is asked to do for every place in the room that its tapes allow. Where
    none does, the one that does for most of them, if that is half of them or more.
    """
    own = _alone(net, point, anchors, places)
    fits = _spread(_possible(own))
    if len(fits) == 0:
        return ()
    taped = {int(end) for end in own.ends.ravel()}
    middle = own.places(fits)[:, -1].mean(axis=0)
    free = [index for index in range(len(anchors)) if index not in taped]
    free.sort(key=lambda index: float(np.linalg.norm(own.at_m[index] - middle)))
    best: tuple[int, ...] = ()
    most = max(len(fits) - 1, 1) // 2  # of the places it has to do for more
    for count in range(1, _MOST_FURTHER + 1):
        sets = combinations(free[:_MOST_ANCHORS], count)
        for more in sorted(sets, key=lambda more: _usual_m(own, fits, more))[:_MOST_SETS]:
            does = sum(_does(_with(own, at, more), at, within_m) for at in fits)
            if does > most:
                best, most = tuple(anchors[index] for index in more), does
            if does == len(fits):
                return best
    return best


def _alone(net: Network, point: int, anchors: Sequence[int], places: Floats) -> Network:
    """The anchors at their places, the point last, and the tapes between it and them."""
    index = {anchor: place for place, anchor in enumerate(anchors)} | {point: len(anchors)}
    rows = [row for row, pair in enumerate(net.ends.tolist()) if point in pair and all(end in index for end in pair)]
    order = [*anchors, point]
    at = np.vstack([places[list(anchors)].reshape(-1, 3), net.at_m[point]])
    free = np.zeros((len(order), 3), dtype=bool)
    free[-1] = net.free[point]
    ends = np.array([[index[end] for end in net.ends[row].tolist()] for row in rows], dtype=np.intp).reshape(-1, 2)
    names = tuple(net.names[one] for one in order)
    return replace(
        net, names=names, at_m=at, free=free, ends=ends, distance_m=net.distance_m[rows], sigma_m=net.sigma_m[rows]
    )


def _possible(own: Network) -> Floats:
    """Places in the room that the tapes allow, (K, n)."""
    starts = random_starts(own)
    weights = np.broadcast_to(1 / own.sigma_m, (len(starts), len(own.ends)))
    found = descend(own, starts, weights)
    cost = misfit(own, found, weights)
    good = in_bounds(own, found) & (cost <= cost.min(initial=np.inf) + _FITS_SIGMAS**2)
    return distinct(own, found[good], cost[good])


def _spread(fits: Floats) -> Floats:
    """A few of many places, each as far from those before it as can be."""
    kept = fits[:1]
    while len(kept) < min(_MOST_PLACES, len(fits)):
        apart = np.linalg.norm(fits[:, None] - kept[None], axis=-1).min(axis=1)
        kept = np.vstack([kept, fits[int(np.argmax(apart))]])
    return kept


def _with(own: Network, at: Floats, more: Sequence[int]) -> Network:
    """The same with further tapes that read what they would from this place."""
    point = len(own.names) - 1
    sigma = float(np.median(own.sigma_m)) if len(own.sigma_m) else 0.01
    ends = np.vstack([own.ends, [(point, anchor) for anchor in more]]).astype(np.intp)
    longer = replace(own, ends=ends)
    sigmas = np.concatenate([own.sigma_m, np.full(len(more), sigma)])
    return replace(longer, distance_m=longer.lengths(at[None])[0], sigma_m=sigmas)


def _usual_m(own: Network, fits: Floats, more: Sequence[int]) -> float:
    """The radius in the middle of those of the possible places."""
    return float(np.median([_radius_m(_with(own, at, more), at) for at in fits]))


def _radius_m(own: Network, at: Floats) -> float:
    whole = covariance(own, at, 1 / own.sigma_m)
    return radius_68_m(point_covariance(own, len(own.names) - 1, whole))


def _does(own: Network, at: Floats, within_m: float) -> bool:
    """Whether these tapes fix the point where it is, and nowhere else."""
    return _radius_m(own, at) <= within_m and len(_possible(own)) == 1
