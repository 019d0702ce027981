"""Which unknown points hang together by tapes, so that each group can be found by itself?

A tape between two unknown points ties them; one to a known point ties nothing else. Groups share no unknown, so the
whole is solved by solving each: the covariance between groups is zero.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from micalign.acoustics.tapework import Network
from micalign.arrays import Bools, Floats, Ints

__all__ = ["Part", "parts"]


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
