"""How sure are positions found from tapes, which tape is wrong, and which further tape would help most?

Covariances are first order, in square metres, with a prior of 3 m on every free coordinate, so that what the tapes do
not fix shows as a large uncertainty instead of a fault of arithmetic. Sources: W. Baarda, "A testing procedure for
use in geodetic networks", Netherlands Geodetic Commission, 1968 (data snooping); F. E. Satterthwaite, Biometrics
Bull. 2, 110, 1946, and E. B. Wilson and M. M. Hilferty, PNAS 17, 684, 1931 (the 68 % radius).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.acoustics.tapework import Network, descend, in_bounds, misfit
from micalign.arrays import Bools, Floats, Ints

__all__ = ["Accusation", "accused", "best_next", "covariance", "point_covariance", "radius_68_m", "spare_tapes"]

PRIOR_M: Final = 3.0
SUSPECT: Final = 12.0
"""By how much the misfit must fall without a tape to accuse it: 3.5 sigmas, 1 in 2000 for a good tape."""
RIVAL: Final = 2.0
"""A second tape that explains the misfit as well as this may be the wrong one instead: odds of less than 3 to 1."""
_TIE: Final = 0.3
"""Tapes as near as this cannot be told apart: all are accused."""
_MOST_SUSPECTS: Final = 3
_LEAST_TRIED: Final = 8
_MOST_TRIED: Final = 40
"""Of more tapes than these, those that stand out are left out in turn; of fewer where the unknowns are many."""
_MOST_UNKNOWNS: Final = 400
_TOGETHER: Final = 1000
_DEVIATE_68: Final = 0.4752  # of the standard normal at 0.6827


def covariance(net: Network, unknowns: Floats, weights: Floats) -> Floats:
    """Covariance of the unknowns, (n, n), m^2."""
    tilted = net.lengths_and_slopes(unknowns[None])[1][0] * weights[:, None]
    inverse: Floats = np.linalg.inv(tilted.T @ tilted + np.eye(len(unknowns)) / PRIOR_M**2)
    return inverse


def point_covariance(net: Network, point: int, whole: Floats) -> Floats:
    """The part of one point, (3, 3); zero where a coordinate is known."""
    slots = net.slots[point]
    has = slots >= 0
    part = np.zeros((3, 3))
    part[np.ix_(has, has)] = whole[np.ix_(slots[has], slots[has])]
    return part


def radius_68_m(part: Floats) -> float:
    """The radius about a place that holds the true one in 68.27 of 100 cases.

    >>> round(radius_68_m(np.diag([1.0, 1.0, 1.0])), 2), round(radius_68_m(np.diag([1.0, 0.0, 0.0])), 2)
    (1.88, 1.0)
    """
    spread = np.linalg.eigvalsh(part)
    total, squares = float(spread.sum()), float((spread**2).sum())
    if total <= 0:
        return 0.0
    freedom = total**2 / squares
    quantile = freedom * (1 - 2 / (9 * freedom) + _DEVIATE_68 * np.sqrt(2 / (9 * freedom))) ** 3
    return float(np.sqrt(squares / total * quantile))


def spare_tapes(net: Network, unknowns: Floats, weights: Floats) -> int:
    """How many tapes there are beyond those that fix what they fix."""
    slopes = net.lengths_and_slopes(unknowns[None])[1][0][weights > 0]
    useful = slopes[np.any(slopes != 0, axis=1)]
    return len(useful) - int(np.linalg.matrix_rank(useful, tol=1e-6)) if len(useful) else 0


@dataclass(frozen=True, eq=False)
class Accusation:
    """Which tapes the others speak against.

    ``suspects`` and ``rivals`` (which may be wrong instead) have shape (T,); ``weights`` are those left, ``unknowns``
    the best without the likeliest suspects; ``spread`` (n, n) is what it adds to the covariance that a rival may be
    the wrong tape: the solutions without each, weighted by their likelihood.
    """

    suspects: Bools
    rivals: Bools
    weights: Floats
    unknowns: Floats
    spread: Floats


def accused(net: Network, candidates: Floats, weights: Floats) -> Accusation:
    """Leave out each tape in turn; accuse the one without which the rest agree far better.

    One after another, as long as tapes are to spare and no rival leaves it open which tape is wrong.
    """
    suspects, rivals = np.zeros(len(weights), dtype=bool), np.zeros(len(weights), dtype=bool)
    left, spread = weights.copy(), np.zeros((candidates.shape[1],) * 2)
    best = candidates[int(np.argmin(misfit(net, candidates, np.tile(left, (len(candidates), 1)))))]
    for _ in range(_MOST_SUSPECTS):
        # No tape can lower the misfit by more than there is of it.
        if misfit(net, best[None], left[None])[0] < SUSPECT or spare_tapes(net, best, left) < 1:
            break
        drops, without = _left_out(net, candidates, left, best)
        if drops.max() < SUSPECT:
            break
        near, ties = drops > drops.max() - RIVAL, drops > drops.max() - _TIE
        suspects, rivals = suspects | ties, rivals | (near & ~ties)
        worst = int(np.argmax(drops))
        left[worst], best = 0.0, without[worst]
        spread = spread + _spread(drops[near], without[near], best)
        if near.sum() > 1:
            break
    return Accusation(suspects, rivals, left, best, spread)


def _spread(drops: Floats, without: Floats, best: Floats) -> Floats:
    likelihood = np.exp((drops - drops.max()) / 2)
    off = without - best
    spread: Floats = np.einsum("k,kn,km->nm", likelihood / likelihood.sum(), off, off)
    return spread


def _left_out(net: Network, candidates: Floats, weights: Floats, best: Floats) -> tuple[Floats, Floats]:
    """Fall of the misfit without each tape, (T,), and the unknowns then, (T, n).

    Of many tapes only those are left out in earnest that stand out to first order; of the rest the fall is put at 0.
    """
    doubted = _standing_out(net, weights, best)
    starts = np.concatenate([best[None], candidates[: max(1, _MOST_UNKNOWNS // len(best))]])
    each = np.repeat(weights[None], len(doubted), axis=0)
    each[np.arange(len(doubted)), doubted] = 0.0
    tried = np.repeat(each, len(starts), axis=0)
    found = descend(net, np.tile(starts, (len(doubted), 1)), tried, steps=40)
    cost = np.where(in_bounds(net, found), misfit(net, found, tried), np.inf).reshape(len(doubted), -1)
    base = float(misfit(net, best[None], weights[None])[0])
    drops, without = np.where(weights > 0, 0.0, -np.inf), np.repeat(best[None], len(weights), axis=0)
    drops[doubted] = base - cost.min(axis=1)
    without[doubted] = found.reshape(*cost.shape, -1)[np.arange(len(doubted)), np.argmin(cost, axis=1)]
    return np.where(weights > 0, drops, -np.inf), without


def _standing_out(net: Network, weights: Floats, best: Floats) -> Ints:
    """The tapes without which the misfit falls most, to first order: square of residual over redundancy (Baarda)."""
    most = max(_LEAST_TRIED, min(_MOST_TRIED, 8 * _MOST_UNKNOWNS // len(best)))
    if len(weights) <= most:
        return np.arange(len(weights))
    length, slopes = net.lengths_and_slopes(best[None])
    tilted = slopes[0] * weights[:, None]
    taken = np.einsum("tn,nm,tm->t", tilted, covariance(net, best, weights), tilted, optimize=True)
    fall = ((net.distance_m - length[0]) * weights) ** 2 / np.maximum(1.0 - taken, 1e-3)
    return np.sort(np.argsort(fall)[::-1][:most])


def best_next(
    net: Network, unknowns: Floats, whole: Floats, other: Floats | None = None
) -> tuple[int, int, float, float] | None:
    """The untaped pair whose distance would help most: the point helped, its partner, its radius before and after.

    Where ``other`` is a second solution, the pair whose distance tells the two apart best.
    """
    pairs = _untaped(net)
    if not pairs:
        return None
    sigma = float(np.median(net.sigma_m)) if len(net.sigma_m) else 0.01
    if other is not None:
        spans = [abs(_span(net, unknowns, pair) - _span(net, other, pair)) for pair in pairs]
        index = int(np.argmax(spans))
    else:
        index = int(np.argmax(_gains(net, unknowns, whole, pairs, sigma)))
    after = _updated(whole, _slopes(net, unknowns, pairs[index : index + 1])[0], sigma)
    return _helped(net, pairs[index], whole, after)


def _helped(net: Network, pair: tuple[int, int], whole: Floats, after: Floats) -> tuple[int, int, float, float]:
    """Of a pair, the end that gains more comes first."""
    radii = [[radius_68_m(point_covariance(net, point, covariance)) for covariance in (whole, after)] for point in pair]
    gains = [before - then for before, then in radii]
    first = 0 if gains[0] >= gains[1] else 1
    return pair[first], pair[1 - first], radii[first][0], radii[first][1]


def _untaped(net: Network) -> list[tuple[int, int]]:
    taped = {frozenset(pair) for pair in net.ends.tolist()}
    unknown = set(net.unknown_points)
    return [
        (point, other)
        for point in sorted(unknown)
        for other in range(len(net.names))
        if other != point and frozenset((point, other)) not in taped and (other not in unknown or other > point)
    ]


def _span(net: Network, unknowns: Floats, pair: tuple[int, int]) -> float:
    places = net.places(unknowns[None])[0]
    return float(np.linalg.norm(places[pair[0]] - places[pair[1]]))


def _gains(net: Network, unknowns: Floats, whole: Floats, pairs: list[tuple[int, int]], sigma: float) -> Floats:
    """By how much one more tape lowers the sum of all variances, for each pair."""
    gains = []
    for first in range(0, len(pairs), _TOGETHER):
        slopes = _slopes(net, unknowns, pairs[first : first + _TOGETHER])
        reach = slopes @ whole
        gains.append(np.sum(reach**2, axis=1) / (sigma**2 + np.sum(slopes * reach, axis=1)))
    return np.concatenate(gains)


def _slopes(net: Network, unknowns: Floats, pairs: list[tuple[int, int]]) -> Floats:
    """Slopes of the distances between pairs, (P, n)."""
    like_tapes = replace(net, ends=np.array(pairs, dtype=np.intp))
    slopes: Floats = like_tapes.lengths_and_slopes(unknowns[None])[1][0]
    return slopes


def _updated(whole: Floats, slope: Floats, sigma: float) -> Floats:
    """The covariance with one more tape (a rank-one update)."""
    reach = whole @ slope
    updated: Floats = whole - np.outer(reach, reach) / (sigma**2 + slope @ reach)
    return updated
