"""Which tape was misread, how sure are positions found from tapes, and which further tapes would help most?

Each explanation, one tape wrong and a place for every point, is weighed by its probability. Sources: W. Baarda, "A
testing procedure for use in geodetic networks", Netherlands Geodetic Commission, 1968 (data snooping); D. J. C. MacKay,
"Information Theory, Inference, and Learning Algorithms", Cambridge 2003, chapters 27 and 28 (Laplace's approximation
of the evidence). The bench in `tests/bench/acoustics` counts how often a tape named alone is the wrong one.

Covariances are first order, in square metres, with a prior of 3 m on every free coordinate, so that what the tapes do
not fix shows as a large uncertainty instead of a fault of arithmetic. Sources: F. E. Satterthwaite, Biometrics
Bull. 2, 110, 1946, and E. B. Wilson and M. M. Hilferty, PNAS 17, 684, 1931 (the 68 % radius).

Where tapes do not fix a point, or leave two places for it, `fixing` says which further distances would, and
`unfixed_sentence` what is to be measured or given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from micalign.acoustics.tape_network import Network, descend, distinct, in_bounds, misfit, random_starts
from micalign.acoustics.tuned import (
    AGAIN,
    APART_M,
    DISAGREES,
    FEW_UNKNOWNS,
    FITS_SIGMAS,
    FOLD_M,
    FRESH,
    LEAST_CHANCE,
    LEAST_TRIED,
    MOST_ANCHORS,
    MOST_FURTHER,
    MOST_PLACES,
    MOST_SETS,
    MOST_SUSPECTS,
    MOST_TRIED,
    MOST_UNKNOWNS,
    NEGLIGIBLE,
    PRIOR_M,
    SLIP_M,
    SURE,
    SUSPECT,
    USUAL_SIGMA_M,
)
from micalign.arrays import Bools, Floats, Ints
from micalign.errors import named
from micalign.scene.model import Coordinates
from micalign.scene.scene import Scene
from micalign.units import METRES, show_length

if TYPE_CHECKING:
    from micalign.acoustics.survey import NextTape, SurveyPoint

__all__ = [
    "Accusation",
    "Slip",
    "accused",
    "best_next",
    "covariance",
    "deciding",
    "fixing",
    "point_covariance",
    "radius_68_m",
    "spare_tapes",
    "unfixed_sentence",
]

_TOGETHER: Final = 1000
"""Pairs of points in one go: a few megabytes."""
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
    sigma = float(np.median(net.sigma_m)) if len(net.sigma_m) else USUAL_SIGMA_M
    if other is not None:
        spans = [abs(_span_m(net, unknowns, pair) - _span_m(net, other, pair)) for pair in pairs]
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


def _span_m(net: Network, unknowns: Floats, pair: tuple[int, int]) -> float:
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


@dataclass(frozen=True, eq=False)
class Slip:
    """One way in which the tapes agree: without the tape of that index, the unknowns (n,) being these."""

    tape: int
    probability: float
    unknowns: Floats


@dataclass(frozen=True, eq=False)
class Accusation:
    """Which tapes the others speak against.

    ``suspects`` (T,) are the tapes that may be wrong; ``rivals`` (T,) those among them that are less likely to be
    than another. ``weights`` are those left, ``unknowns`` the best without the likeliest suspects; ``spread`` (n, n)
    is what it adds to the covariance that another tape may be the wrong one. ``doubts`` are those between which the
    tapes cannot tell, the likeliest first; empty where each suspect is named by itself.
    """

    suspects: Bools
    rivals: Bools
    weights: Floats
    unknowns: Floats
    spread: Floats
    doubts: tuple[Slip, ...]


def accused(net: Network, candidates: Floats, weights: Floats) -> Accusation:
    """Leave out each tape in turn; accuse the one without which the rest agree far better.

    Each explanation, one tape wrong and a place for every point, is weighed by its probability: how well the rest
    agrees, how much room that leaves to the unknowns (Laplace's approximation of the evidence) and how far off the
    tape would be. A tape is named by itself where it has `SURE` of the probability; then the next may be looked for,
    as long as tapes are to spare. Otherwise all that share the probability are named.
    """
    suspects, rivals = np.zeros(len(weights), dtype=bool), np.zeros(len(weights), dtype=bool)
    left, spread = weights.copy(), np.zeros((candidates.shape[1],) * 2)
    best = candidates[int(np.argmin(misfit(net, candidates, np.tile(left, (len(candidates), 1)))))]
    doubts: tuple[Slip, ...] = ()
    for _ in range(MOST_SUSPECTS):
        # No tape can lower the misfit by more than there is of it.
        if misfit(net, best[None], left[None])[0] < SUSPECT or spare_tapes(net, best, left) < 1:
            break
        found = _explained(net, candidates, left, best)
        if not found:
            break
        by_tape = {one.tape: sum(o.probability for o in found if o.tape == one.tape) for one in found}
        likeliest = max(by_tape, key=lambda tape: by_tape[tape])
        if by_tape[likeliest] < SURE:
            likeliest = found[0].tape  # the story told first is the one that the places are of
        best = next(one.unknowns for one in found if one.tape == likeliest)
        left[likeliest], suspects[likeliest] = 0.0, True
        off = np.array([one.unknowns - best for one in found])
        spread = spread + np.einsum("k,kn,km->nm", np.array([one.probability for one in found]), off, off)
        if by_tape[likeliest] < SURE:
            rivals[[tape for tape in by_tape if tape != likeliest]] = True
            suspects |= rivals
            doubts = found
            break
    return Accusation(suspects, rivals, left, best, spread, doubts)


def _explained(net: Network, candidates: Floats, weights: Floats, best: Floats) -> tuple[Slip, ...]:
    """Every explanation that is not far less probable than the best, the most probable first; none where no tape, left
    out, lowers the misfit enough.
    """
    tapes, found, cost = _left_out(net, candidates, weights, best)
    base = float(misfit(net, best[None], weights[None])[0])
    if base - cost.min(initial=np.inf) < SUSPECT:
        return ()
    near = np.flatnonzero(cost < cost.min() + NEGLIGIBLE)
    kept = near[np.argsort(cost[near], kind="stable")]
    chosen: list[int] = []
    for index in kept.tolist():
        same = [one for one in chosen if tapes[one] == tapes[index]]
        if all(np.max(np.abs(found[index] - found[one])) > APART_M for one in same):
            chosen.append(index)
    evidence = np.array([_evidence(net, weights, int(tapes[one]), found[one], float(cost[one])) for one in chosen])
    chance = np.exp(evidence - evidence.max())
    chance = chance / chance.sum()
    ranked = np.argsort(-chance, kind="stable")
    ranked = ranked[chance[ranked] > LEAST_CHANCE]
    return tuple(
        Slip(int(tapes[chosen[one]]), float(chance[one] / chance[ranked].sum()), found[chosen[one]])
        for one in ranked.tolist()
    )


def _evidence(net: Network, weights: Floats, tape: int, unknowns: Floats, cost: float) -> float:
    """Log of the probability of an explanation, up to what all have in common."""
    others = np.where(np.arange(len(weights)) == tape, 0.0, weights)
    spreads = np.minimum(np.linalg.eigvalsh(covariance(net, unknowns, others)), FOLD_M**2)
    room = np.log(spreads).sum()
    off = abs(float(net.lengths(unknowns[None])[0, tape] - net.distance_m[tape]))
    return -cost / 2 + float(room) / 2 - off / SLIP_M - float(np.log(net.sigma_m[tape]))


def _left_out(net: Network, candidates: Floats, weights: Floats, best: Floats) -> tuple[Ints, Floats, Floats]:
    """Solutions without each tape: the tape, (K,), the unknowns, (K, n), and the misfit, infinite beyond the room.

    Of many tapes only those are left out that stand out to first order.
    """
    doubted = _standing_out(net, weights, best)
    shared = np.concatenate([best[None], candidates[: max(1, MOST_UNKNOWNS // len(best))]])
    starts = [np.concatenate([shared, _fresh_starts(net, weights, tape)]) for tape in doubted.tolist()]
    tapes = np.repeat(doubted, [len(each) for each in starts])
    tried = np.tile(weights, (len(tapes), 1))
    tried[np.arange(len(tapes)), tapes] = 0.0
    found = descend(net, np.concatenate(starts), tried)
    cost: Floats = np.where(in_bounds(net, found), misfit(net, found, tried), np.inf)
    return tapes, found, cost


def _fresh_starts(net: Network, weights: Floats, tape: int) -> Floats:
    """Starts that the tape had no part in, where the unknowns are few: without it a point may have other sides."""
    if net.free.sum() > FEW_UNKNOWNS:
        return np.zeros((0, int(net.free.sum())))
    kept = np.flatnonzero((weights > 0) & (np.arange(len(weights)) != tape))
    return random_starts(
        replace(net, ends=net.ends[kept], distance_m=net.distance_m[kept], sigma_m=net.sigma_m[kept]), FRESH
    )


def _standing_out(net: Network, weights: Floats, best: Floats) -> Ints:
    """The tapes in use without which the misfit falls most to first order: residual squared over redundancy."""
    most = max(LEAST_TRIED, min(MOST_TRIED, 8 * MOST_UNKNOWNS // len(best)))
    if np.sum(weights > 0) <= most:
        return np.flatnonzero(weights > 0)
    length, slopes = net.lengths_and_slopes(best[None])
    tilted = slopes[0] * weights[:, None]
    taken = np.einsum("tn,nm,tm->t", tilted, covariance(net, best, weights), tilted, optimize=True)
    fall = ((net.distance_m - length[0]) * weights) ** 2 / np.maximum(1.0 - taken, 1e-3)
    return np.sort(np.argsort(fall)[::-1][:most])


def deciding(net: Network, doubts: Sequence[Slip]) -> tuple[int, int]:
    """The pair, an unknown point first, whose distance tells best which of the explanations is true.

    A tape that was measured may be measured again; where another pair decides nearly as well, it is preferred.
    """
    unknown = set(net.unknown_points)
    pairs = [(a, b) for a in sorted(unknown) for b in range(len(net.names)) if b != a and (b not in unknown or b > a)]
    taped = {frozenset(pair) for pair in net.ends.tolist()}
    parted = [_parted(net, doubts, pair) * (AGAIN if frozenset(pair) in taped else 1.0) for pair in pairs]
    return pairs[int(np.argmax(parted))]


def _parted(net: Network, doubts: Sequence[Slip], pair: tuple[int, int]) -> float:
    """The chance that two explanations drawn at random differ by more than a tape's error at this pair."""
    span = np.array([_span_m(net, one.unknowns, pair) for one in doubts])
    chance = np.array([one.probability for one in doubts])
    apart = (span[:, None] - span[None, :]) / (2 * float(np.median(net.sigma_m)))
    return float(chance @ (1.0 - np.exp(-(apart**2))) @ chance)


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
    for count in range(1, MOST_FURTHER + 1):
        sets = combinations(free[:MOST_ANCHORS], count)
        for more in sorted(sets, key=lambda more: _usual_m(own, fits, more))[:MOST_SETS]:
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
    good = in_bounds(own, found) & (cost <= cost.min(initial=np.inf) + FITS_SIGMAS**2)
    return distinct(own, found[good], cost[good])


def _spread(fits: Floats) -> Floats:
    """A few of many places, each as far from those before it as can be."""
    kept = fits[:1]
    while len(kept) < min(MOST_PLACES, len(fits)):
        apart = np.linalg.norm(fits[:, None] - kept[None], axis=-1).min(axis=1)
        kept = np.vstack([kept, fits[int(np.argmax(apart))]])
    return kept


def _with(own: Network, at: Floats, more: Sequence[int]) -> Network:
    """The same with further tapes that read what they would from this place."""
    point = len(own.names) - 1
    sigma = float(np.median(own.sigma_m)) if len(own.sigma_m) else USUAL_SIGMA_M
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


def unfixed_sentence(scene: Scene, point: SurveyPoint, wanted: NextTape | None) -> str:
    """In one sentence: which point, why it is open, and how to mend that."""
    kind = "source" if any(source.name == point.name for source in scene.sources) else "mic"
    if short := _too_short(scene, point.name):
        return short
    tape = f"measure '{wanted.between[0]}' to '{wanted.between[1]}' too, or " if wanted else ""
    if point.fixed_by:
        tape = f"measure from it to {named(point.fixed_by)} too, or "
    if point.fixed:
        both = " and ".join(_shown(scene, place) for place in (point.at_m, point.other_m) if place)
        mend = f"{tape}give the right one of the two as its place"
        return f"{kind} '{point.name}': the tapes given leave two places where it may stand, {both}: {mend}"
    count = sum(point.name in tape.between for tape in scene.tapes)
    too_few = {0: "no tape leads to it", 1: "the one tape to it does not fix it"}
    why = too_few.get(count, f"the {count} tapes to it do not fix it")
    return f"{kind} '{point.name}' has no full position, and {why}: {tape}{_asked_of(scene, point.name)}"


def _asked_of(scene: Scene, name: str) -> str:
    """Which coordinate to give: one that is not given yet."""
    at = next(thing.at for thing in scene.placed() if thing.name == name)
    if at[2] is not None:
        return "give another coordinate of it than its height"
    height = f"{1.9 / METRES[scene.length_unit]:.3g} {scene.length_unit}"
    return f'give what you know of it, such as its height: at = ["?", "?", "{height}"]'


def _too_short(scene: Scene, name: str) -> str:
    """What is said of a tape that is shorter than two places are apart already by the coordinates known of both."""
    at = {thing.name: thing.at for thing in scene.placed()}
    for tape in (tape for tape in scene.tapes if name in tape.between):
        pairs = zip(*(at[end] for end in tape.between), strict=True)
        least = math.hypot(*(a - b for a, b in pairs if a is not None and b is not None))
        if tape.distance_m < least - DISAGREES * tape.plus_minus_m:
            ends = f"'{tape.between[0]}' to '{tape.between[1]}'"
            unit = scene.length_unit
            return (
                f"the tape {ends} ({show_length(tape.distance_m, unit)}) is too short: by the coordinates given they "
                f"are {show_length(least, unit)} apart and more: measure both again"
            )
    return ""


def _shown(scene: Scene, place: Coordinates) -> str:
    unit = scene.length_unit
    return f"({', '.join('?' if value is None else show_length(value, unit) for value in place)})"
