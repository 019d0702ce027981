"""Which positions agree best with distances measured by tape?

Weighted least squares by the Levenberg-Marquardt method, many starts at once: arrays are (starts, ...), so that one
pass tries every side on which a point may lie. Unknowns are the free coordinates alone, metres; known coordinates
are taken as exact. Source: K. Levenberg, Quart. Appl. Math. 2, 164, 1944; D. W. Marquardt, J. SIAM 11, 431, 1963.

A tape between two unknown points ties them; one to a known point ties nothing else. Groups that hang together by tapes
share no unknown, so the whole is solved by solving each: the covariance between groups is zero.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from micalign.acoustics.tuned import (
    ALSO_FITS,
    APART_M,
    ARRIVED_M,
    FELT_SIGMAS,
    HUBER_BEND,
    HUBER_ROUNDS,
    JUST_BEYOND_M,
    MARGIN_M,
    STARTS,
    STEPS_AGAIN,
    STEPS_AT_FIRST,
)
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.scene import Scene

__all__ = [
    "Network",
    "Part",
    "also_fitting",
    "best_starts",
    "descend",
    "distinct",
    "huber",
    "in_bounds",
    "is_frameless",
    "misfit",
    "network_of",
    "parts",
    "random_starts",
    "settled",
]


@dataclass(frozen=True, eq=False)
class Network:
    """Points and the tapes between them.

    Attributes
    ----------
    names : tuple of str
        Without any coordinate the first is the origin, the second lies on the x axis, the third in the plane z = 0.
    at_m : array, shape (N, 3)
        Known coordinates; 0 where free.
    free : array of bool, shape (N, 3)
    ends : array of int, shape (T, 2)
    distance_m, sigma_m : array, shape (T,)
    low_m, high_m : array, shape (3,)
        The room, or infinite where there is none; the floor is always there.
    """

    names: tuple[str, ...]
    at_m: Floats
    free: Bools
    ends: Ints
    distance_m: Floats
    sigma_m: Floats
    low_m: Floats
    high_m: Floats

    @cached_property
    def slots(self) -> Ints:
        """Index of each free coordinate among the unknowns, shape (N, 3); -1 where known."""
        slots = np.full(self.free.shape, -1, dtype=np.intp)
        slots[self.free] = np.arange(int(self.free.sum()))
        return slots

    @cached_property
    def unknown_points(self) -> tuple[int, ...]:
        """Points with a free coordinate."""
        return tuple(np.flatnonzero(_unknown(self)).tolist())

    def places(self, unknowns: Floats) -> Floats:
        """All positions for unknowns of shape (B, n): (B, N, 3)."""
        places = np.repeat(self.at_m[None], len(unknowns), axis=0)
        places[:, self.free] = unknowns
        return places

    def lengths(self, unknowns: Floats) -> Floats:
        """Distances along the tapes, (B, T)."""
        places = self.places(unknowns)
        length: Floats = np.linalg.norm(places[:, self.ends[:, 0]] - places[:, self.ends[:, 1]], axis=-1)
        return length

    def lengths_and_slopes(self, unknowns: Floats) -> tuple[Floats, Floats]:
        """Distances along the tapes, (B, T), and their slopes, (B, T, n)."""
        every = np.arange(len(self.ends))
        return self.slopes_of(unknowns, every, np.arange(unknowns.shape[1]))

    def slopes_of(self, unknowns: Floats, tapes: Ints, moving: Ints) -> tuple[Floats, Floats]:
        """Distances along some tapes, (B, t), and their slopes by some of the unknowns, (B, t, m)."""
        places = self.places(unknowns)
        ends = self.ends[tapes]
        way = places[:, ends[:, 0]] - places[:, ends[:, 1]]
        length = np.maximum(np.linalg.norm(way, axis=-1), 1e-9)
        unit = way / length[..., None]
        column = np.full(unknowns.shape[1] + 1, -1, dtype=np.intp)  # the last one is for what is known
        column[moving] = np.arange(len(moving))
        slopes = np.zeros((*length.shape, len(moving)))
        rows = np.arange(len(tapes))
        for end, side in ((0, 1.0), (1, -1.0)):
            for axis in range(3):
                slot = column[self.slots[ends[:, end], axis]]
                has = slot >= 0
                slopes[:, rows[has], slot[has]] += side * unit[:, has, axis]
        return length, slopes

    def into_room(self, place: Floats) -> Floats:
        """A place (3,) just beyond a wall or the floor, moved to it: tapes are not exact, walls are."""
        inside: Floats = np.clip(place, self.low_m, self.high_m)
        return inside if np.max(np.abs(inside - place)) < JUST_BEYOND_M else place


def network_of(scene: Scene) -> Network:
    """The points and tapes of a scene; where it gives no coordinate at all, in a frame of three of its points."""
    things = list(scene.placed())
    names = tuple(thing.name for thing in things)
    free = np.array([[value is None for value in thing.at] for thing in things], dtype=bool).reshape(-1, 3)
    if is_frameless(scene):
        free[0], free[1, 1:], free[2, 2] = False, False, False
    at = np.array([[value or 0.0 for value in thing.at] for thing in things], dtype=float).reshape(-1, 3)
    high = np.array(scene.room.size) if scene.room else np.full(3, np.inf)
    low = np.zeros(3) if scene.room else np.array([-np.inf, -np.inf, -np.inf if is_frameless(scene) else 0.0])
    place = {name: index for index, name in enumerate(names)}
    ends = [[place[name] for name in tape.between] for tape in scene.tapes]
    return Network(
        names,
        at,
        free,
        np.array(ends, dtype=np.intp).reshape(-1, 2),
        np.array([tape.distance_m for tape in scene.tapes], dtype=float),
        np.array([tape.plus_minus_m for tape in scene.tapes], dtype=float),
        low,
        high,
    )


def is_frameless(scene: Scene) -> bool:
    """Whether tapes are all that is known of three points or more: no coordinate, and no room to stand in."""
    things = list(scene.placed())
    return len(things) > 2 and scene.room is None and all(set(thing.at) == {None} for thing in things)


def best_starts(net: Network, weights: Floats) -> Floats:
    """Of the random starts all for a handful of points, four for a hundred that hang together: each costs seconds."""
    starts = random_starts(net)
    most = max(4, 1000 // starts.shape[1])
    cost = misfit(net, starts, np.tile(weights, (len(starts), 1)))
    return starts[np.sort(np.argsort(cost, kind="stable")[:most])]


def random_starts(net: Network, count: int = STARTS) -> Floats:
    """Starts in the room (or around what is known), each point set up on the tapes to those before it."""
    rng = np.random.default_rng(20_000)  # fixed: the same scene always gives the same answer
    low, high = _box(net)
    starts = np.broadcast_to(low, (count, *net.at_m.shape)) + rng.random((count, *net.at_m.shape)) * (high - low)
    unknowns = starts[:, net.free]
    for active, used in _one_after_another(net):
        weights = np.broadcast_to(used / net.sigma_m, (count, len(used)))
        unknowns = descend(net, unknowns, weights, active=active, steps=STEPS_AT_FIRST)
    return unknowns


def settled(net: Network, unknowns: Floats, weights: Floats) -> Floats:
    """Each point in turn tried from everywhere in the room while the others stay, shape (n,); then all together.

    Among many points one or another ends on the wrong side from every common start, and holds its neighbours there:
    half the tries go by the tapes to known points alone, and no tape counts for more than five sigmas.
    """
    rng, (low, high) = np.random.default_rng(20_001), _box(net)
    best, every = unknowns, np.tile(weights, (STARTS, 1))
    unknown = _unknown(net)
    between: Bools = unknown[net.ends[:, 0]] & unknown[net.ends[:, 1]]
    every[1::2, between] = 0.0
    for point in net.unknown_points:
        slots, free = net.slots[point], net.free[point]
        starts = np.tile(best, (STARTS, 1))
        starts[1:, slots[free]] = (low + rng.random((STARTS - 1, 3)) * (high - low))[:, free]
        own: Bools = np.isin(np.arange(len(best)), slots[free])
        found = np.concatenate([best[None], descend(net, starts, every, active=own, steps=STEPS_AGAIN)])
        off = np.abs(net.lengths(found) - net.distance_m) * weights
        best = found[int(np.argmin(np.sum(np.minimum(off, FELT_SIGMAS) ** 2, axis=1)))]
    together: Floats = descend(net, best[None], weights[None])[0]
    return together


def _box(net: Network) -> tuple[Floats, Floats]:
    known = net.at_m[~_unknown(net)]
    longest = float(net.distance_m.max(initial=1.0))
    around = known if len(known) else np.zeros((1, 3))
    low = np.where(np.isfinite(net.low_m), net.low_m, around.min(axis=0) - longest)
    high = np.where(np.isfinite(net.high_m), net.high_m, around.max(axis=0) + longest)
    return low, high


def _one_after_another(net: Network) -> Iterator[tuple[Bools, Floats]]:
    """The unknown points, best tied first: which unknowns are its own, and which tapes bind it to those before."""
    placed: Bools = ~_unknown(net)
    waiting = set(net.unknown_points)
    while waiting:
        point = max(sorted(waiting), key=lambda one: int(_binding(net, one, placed).sum()))
        active = np.zeros(int(net.free.sum()), dtype=bool)
        active[net.slots[point][net.slots[point] >= 0]] = True
        yield active, _binding(net, point, placed).astype(float)
        placed = placed.copy()
        placed[point] = True
        waiting.remove(point)


def _unknown(net: Network) -> Bools:
    return np.asarray(net.free.any(axis=1), dtype=np.bool_)


def _binding(net: Network, point: int, placed: Bools) -> Bools:
    first, second = net.ends[:, 0], net.ends[:, 1]
    binding: Bools = ((first == point) & placed[second]) | ((second == point) & placed[first])
    return binding


def descend(net: Network, unknowns: Floats, weights: Floats, *, active: Bools | None = None, steps: int = 60) -> Floats:
    """Go down from each start to the nearest least misfit.

    Parameters
    ----------
    unknowns : array, shape (B, n)
    weights : array, shape (B, T)
        1 / sigma of each tape; 0 leaves a tape out.
    active : array of bool, shape (n,), optional
        Which unknowns may change; all, if not given.
    """
    moving = np.arange(unknowns.shape[1]) if active is None else np.flatnonzero(active)
    tapes = _felt(net, moving)
    at, damping = unknowns.copy(), np.full(len(unknowns), 1e-2)
    cost = misfit(net, at, weights)
    open_ = np.arange(len(at))  # starts that have not arrived yet
    for _ in range(steps):
        step = np.zeros((len(open_), at.shape[1]))
        step[:, moving] = _step(net, at[open_], weights[open_][:, tapes], damping[open_], tapes, moving)
        tried = at[open_] + step
        new = misfit(net, tried, weights[open_])
        better = new < cost[open_]
        at[open_[better]], cost[open_[better]] = tried[better], new[better]
        damping[open_] = np.clip(np.where(better, damping[open_] / 5, damping[open_] * 4), 1e-9, 1e9)
        arrived = (np.abs(step).max(axis=1, initial=0.0) <= ARRIVED_M) | (~better & (damping[open_] > 1e2))
        open_ = open_[~arrived]
        if len(open_) == 0:
            break
    return at


def _felt(net: Network, moving: Ints) -> Ints:
    """The tapes that change where these unknowns change."""
    moves = np.zeros(int(net.free.sum()) + 1, dtype=bool)  # the last one is for what is known
    moves[moving] = True
    return np.flatnonzero(moves[net.slots[net.ends]].any(axis=(1, 2)))


def _step(net: Network, at: Floats, weights: Floats, damping: Floats, tapes: Ints, moving: Ints) -> Floats:
    length, slopes = net.slopes_of(at, tapes, moving)
    tilted = slopes * weights[..., None]
    normal = tilted.swapaxes(1, 2) @ tilted
    pull = ((net.distance_m[tapes] - length) * weights)[:, None, :] @ tilted
    scale = np.einsum("bnn->b", normal) / max(len(moving), 1) + 1e-12
    ridge = (damping * scale)[:, None, None] * np.eye(len(moving))
    step: Floats = np.linalg.solve(normal + ridge, pull.swapaxes(1, 2))[..., 0]
    return step


def misfit(net: Network, unknowns: Floats, weights: Floats) -> Floats:
    """Sum of squares of the weighted residuals, shape (B,)."""
    total: Floats = np.sum(((net.lengths(unknowns) - net.distance_m) * weights) ** 2, axis=1)
    return total


def huber(net: Network, unknowns: Floats, weights: Floats) -> Floats:
    """Least squares that a single bad tape pulls less: beyond `HUBER_BEND` sigmas its weight falls off (Huber 1964)."""
    at = unknowns
    for _ in range(HUBER_ROUNDS):
        length, _ = net.lengths_and_slopes(at)
        off = np.abs(length - net.distance_m) * weights
        softened = weights * np.sqrt(np.minimum(1.0, HUBER_BEND / np.maximum(off, HUBER_BEND)))
        at = descend(net, at, softened, steps=STEPS_AGAIN)
    return at


def in_bounds(net: Network, unknowns: Floats) -> Bools:
    """Whether every point lies in the room, and above the floor, within 10 cm: shape (B,)."""
    places = net.places(unknowns)[:, list(net.unknown_points)]
    inside = (places >= net.low_m - MARGIN_M) & (places <= net.high_m + MARGIN_M)
    ok: Bools = np.asarray(inside.all(axis=(1, 2)))
    return ok


def distinct(net: Network, unknowns: Floats, cost: Floats) -> Floats:
    """The best of each group of like solutions, best first, shape (K, n)."""
    kept: list[Floats] = []
    for index in np.argsort(cost, kind="stable"):
        if all(np.max(np.abs(unknowns[index] - other)) > APART_M for other in kept):
            kept.append(unknowns[index])
    return np.array(kept).reshape(-1, unknowns.shape[1])


def also_fitting(net: Network, candidates: Floats, best: Floats, weights: Floats) -> Floats:
    """Solutions from the candidates, (B, n), that fit about as well as the best, (n,), within 3 sigmas: (K, n)."""
    tried = np.tile(weights, (len(candidates), 1))
    found = descend(net, candidates, tried)
    cost = misfit(net, found, tried)
    near = in_bounds(net, found) & (cost < float(misfit(net, best[None], weights[None])[0]) + ALSO_FITS)
    return distinct(net, found[near], cost[near])


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
