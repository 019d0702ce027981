"""How sure are positions found from tapes, and which further tape would help most?

Covariances are first order, in square metres, with a prior of 3 m on every free coordinate, so that what the tapes do
not fix shows as a large uncertainty instead of a fault of arithmetic. Sources: F. E. Satterthwaite, Biometrics
Bull. 2, 110, 1946, and E. B. Wilson and M. M. Hilferty, PNAS 17, 684, 1931 (the 68 % radius).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from micalign.acoustics.tapework import Network
from micalign.arrays import Floats

__all__ = ["best_next", "covariance", "point_covariance", "radius_68_m", "span_m", "spare_tapes"]

PRIOR_M: Final = 3.0
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
        spans = [abs(span_m(net, unknowns, pair) - span_m(net, other, pair)) for pair in pairs]
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


def span_m(net: Network, unknowns: Floats, pair: tuple[int, int]) -> float:
    """How far apart two points of a network are."""
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
