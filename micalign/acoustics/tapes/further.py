"""Which further distances would fix a point that its tapes do not, or at one place where they leave two?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.acoustics.tapes.doubt import covariance, point_covariance, radius_68_m
from micalign.acoustics.tapes.tape_network import Network, descend, distinct, in_bounds, misfit, random_starts
from micalign.arrays import Floats

__all__ = ["fixing"]

_MOST_FURTHER: Final = 4
_MOST_ANCHORS: Final = 8  # nearest first; of three out of eight there are 56
_MOST_PLACES: Final = 5
_MOST_SETS: Final = 3  # of each size, the surest
_FITS_SIGMAS: Final = 4.0


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
