"""How well do beliefs explain what was measured, what must then be true, and which causes are the fewest that suffice?

Observations are differences of arrival: a group of sounds in a track against its reference track. Each is Gaussian
about what the beliefs predict, or, with a small chance, anything at all (a reflection taken for the direct sound). The
unknowns that explain them best are found by Gauss-Newton steps on the posterior, begun with coarse observations so that
a wrong start is drawn in; the evidence is the Laplace approximation of the beliefs' marginal likelihood, which pays for
every doubt that a hypothesis allows itself.

The scene as it stands is tried first. A cause is taken up only where the take is clearly likelier with it, the one that
gains most; then a further one on top, at a higher price. What is found must also matter: a stand that is off by less
than 3 cm, or by less than three times what the scene itself leaves open, is as planned.

Where a thing that was moved stands now: a fit finds one place; few sources leave others that explain the take as well,
beyond the plane of what it hears. So the search begins at places all about the planned one, under the belief that
stands go 20 cm and under the belief that they go 50 cm; each place found has the probability that the evidence gives it
(Laplace's approximation; MacKay, chapters 27 and 28), and one that both beliefs lead to the sum. Its uncertainty is
that of the belief, or beliefs, that lead to it, wider where what is left over is more than the delays' own sigmas
explain.

Sources: A. Tarantola, "Inverse Problem Theory", SIAM 2005, chapter 3 (the step); D. J. C. MacKay, "Information Theory,
Inference, and Learning Algorithms", Cambridge 2003, chapters 27 and 28 (evidence and Occam's razor).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.compare.groups import Group, LedGroup
from micalign.compare.priors import Beliefs, Cause, causes_of
from micalign.compare.tuned import (
    BELIEFS_M,
    COARSE_S,
    EXPLAINED_SHARE,
    GAIN,
    GAIN_NAMED,
    LEAST_CHANCE,
    MATTERS_M,
    NEVER_S,
    RIVAL,
    ROOM_SHARES,
    SAME_M,
    STARTS_M,
    STRAY_CHANCE,
)
from micalign.scene.scene import Scene
from micalign.tdoa.tuned import SOUND_SIGMA_S

__all__ = [
    "Fit",
    "MovedPlace",
    "Sightings",
    "Taken",
    "Verdict",
    "fitted",
    "moved_places",
    "sightings_of",
    "verdict_on",
]

_STRAY_DENSITY: Final = STRAY_CHANCE / 0.06
"""per second: a stray lies anywhere in the 60 ms of lags that are searched"""
"""Chance that a delay is a stray, spread over the 60 ms of lags that are searched."""


_REASSIGNMENTS: Final = 3  # times that groups are given their sources anew (chosen, no source)


@dataclass(frozen=True, slots=True)
class Sightings:
    """Reliable delays, one a row: group, track, the group's reference track, delay, its sigma, the group's events.

    ``leads`` is the track that leads each group as its source's own mic; -1 where the group may be any source.
    """

    groups: int
    group: Ints
    track: Ints
    reference: Ints
    delay_s: Floats
    sigma_s: Floats
    events: Floats
    leads: Ints


@dataclass(frozen=True, slots=True)
class Fit:
    """What best explains the sightings.

    ``source_of`` is the source of each group, ``weight`` each sighting's chance of not being a stray, ``residual_s``
    what is left of it (observed minus explained), ``covariance`` that of the unknowns, ``tension`` the sum of squares
    by which the unknowns had to leave what was believed, in standard deviations.
    """

    evidence: float
    unknowns: Floats
    covariance: Floats
    source_of: Ints
    weight: Floats
    residual_s: Floats
    tension: float

    @property
    def is_at_ease(self) -> bool:
        """Whether no sighting is a stray and the beliefs had to give no more than chance would have them (2 sigma)."""
        count = len(self.weight)
        return bool(np.all(self.weight > 0.5)) and self.tension < count + 2.0 * np.sqrt(2.0 * count)


def sightings_of(groups: tuple[Group, ...]) -> Sightings:
    """The reliable delays of all groups."""
    rows = [
        (
            number,
            track,
            group.reference,
            heard.delay_s,
            float(np.hypot(heard.uncertainty_s, SOUND_SIGMA_S)),
            len(group.moments_s),
        )
        for number, group in enumerate(groups)
        for track, heard in enumerate(group.heard)
        if heard.reliable and track != group.reference
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 6)
    whole = table[:, :3].astype(np.intp)
    leads = np.array([one.reference if isinstance(one, LedGroup) else -1 for one in groups], dtype=np.intp)
    delay_s, sigma_s, events = table[:, 3:].T
    return Sightings(len(groups), whole[:, 0], whole[:, 1], whole[:, 2], delay_s, sigma_s, events, leads)


def fitted(beliefs: Beliefs, seen: Sightings) -> Fit:
    """The best explanation of the sightings under some beliefs."""
    source_of = _assigned(beliefs, seen)
    best = _best_fit(beliefs, seen, source_of)
    for _ in range(_REASSIGNMENTS):
        better = _reassigned(beliefs, seen, best.unknowns)
        if (better == source_of).all():
            break
        source_of = better
        best = _best_fit(beliefs, seen, source_of)
    return best


def _best_fit(beliefs: Beliefs, seen: Sightings, source_of: Ints) -> Fit:
    """The better of two ways to the posterior's top, which has several where some sightings may be strays.

    The first begins with coarse sightings, so that strays drop out before they can pull; the second begins by
    doubting only what the beliefs leave no room for, so that a place that is off by much of its uncertainty is moved
    and not called stray.
    """
    ways = (_from_coarse(beliefs, seen, source_of), _from_room(beliefs, seen, source_of))
    return max((_judged(beliefs, seen, source_of, unknowns) for unknowns in ways), key=lambda fit: fit.evidence)


def _begun_at(beliefs: Beliefs, seen: Sightings, source_of: Ints, start: Floats) -> Fit:
    """The explanation nearest to a start, each group's source given."""
    unknowns = start
    for coarse_s in (*COARSE_S[1:4], 0.0, 0.0, 0.0):
        sigma_s = np.hypot(seen.sigma_s, coarse_s)
        unknowns = _step(beliefs, seen, source_of, unknowns, sigma_s, sigma_s)
    return _judged(beliefs, seen, source_of, unknowns)


def _from_coarse(beliefs: Beliefs, seen: Sightings, source_of: Ints) -> Floats:
    unknowns = beliefs.mean
    for coarse_s in COARSE_S:
        sigma_s = np.hypot(seen.sigma_s, coarse_s)
        unknowns = _step(beliefs, seen, source_of, unknowns, sigma_s, sigma_s)
    return unknowns


def _from_room(beliefs: Beliefs, seen: Sightings, source_of: Ints) -> Floats:
    unknowns = beliefs.mean
    for share in ROOM_SHARES:
        _, slope = _predicted(beliefs, seen, source_of, unknowns)
        room_s = share * np.sqrt(slope**2 @ beliefs.sigma**2)
        unknowns = _step(beliefs, seen, source_of, unknowns, seen.sigma_s, np.hypot(seen.sigma_s, room_s))
    return unknowns


def _predicted(beliefs: Beliefs, seen: Sightings, source_of: Ints, unknowns: Floats) -> tuple[Floats, Floats]:
    """Differences (N,) and derivatives (N, P); what cannot be heard is nan."""
    return _chosen(beliefs.linearised(unknowns), beliefs, seen, source_of[seen.group])


def _chosen(arrivals: tuple[Floats, Floats], beliefs: Beliefs, seen: Sightings, source: Ints) -> tuple[Floats, Floats]:
    """Each sighting's difference and derivatives, its source given: out of all arrivals (S, E) and theirs (S, E, P)."""
    arrival, slope = arrivals
    ear = np.array(beliefs.ear_of, dtype=np.intp)
    later, earlier = ear[seen.track], ear[seen.reference]
    return arrival[source, later] - arrival[source, earlier], slope[source, later] - slope[source, earlier]


def _assigned(beliefs: Beliefs, seen: Sightings) -> Ints:
    """Which source each group is most likely to be, before anything is fitted.

    A doubt that all delays of a group share (its reference track may be late) is shared in their covariance, so that
    the pattern of the delays still tells; a heavy tail keeps one stray from deciding.
    """
    score = np.zeros((seen.groups, beliefs.layout.sources))
    arrivals = beliefs.linearised(beliefs.mean)
    for source in range(beliefs.layout.sources):
        predicted, slope = _chosen(arrivals, beliefs, seen, np.full(len(seen.group), source))
        residual_s = np.nan_to_num(seen.delay_s - predicted, nan=NEVER_S)
        scaled = slope * beliefs.sigma
        for group in range(seen.groups):
            rows = seen.group == group
            if rows.any():
                score[group, source] = _tailed(residual_s[rows], scaled[rows], seen.sigma_s[rows])
    return _likeliest(score, beliefs, seen)


def _likeliest(score: Floats, beliefs: Beliefs, seen: Sightings) -> Ints:
    """The source of each group, of scores (groups, S): that of the mic which leads it, where one does."""
    led = np.array([beliefs.source_led_by(track) if track >= 0 else -1 for track in seen.leads], dtype=np.intp)
    best: Ints = np.where(led >= 0, led, np.argmax(score, axis=1))
    return best


def _tailed(residual_s: Floats, scaled: Floats, sigma_s: Floats) -> float:
    """Logarithm of a Student density (4 degrees of freedom) with the covariance of the beliefs and a coarse noise."""
    covariance = scaled @ scaled.T + np.diag(sigma_s**2 + COARSE_S[1] ** 2)
    distance = float(residual_s @ np.linalg.solve(covariance, residual_s))
    freedom = 4.0
    log_size = float(np.linalg.slogdet(covariance)[1])
    return -0.5 * (freedom + len(residual_s)) * float(np.log1p(distance / freedom)) - 0.5 * log_size


def _reassigned(beliefs: Beliefs, seen: Sightings, unknowns: Floats) -> Ints:
    """Which source each group is, now that the unknowns are fitted."""
    score = np.zeros((seen.groups, beliefs.layout.sources))
    arrivals = beliefs.linearised(unknowns)
    for source in range(beliefs.layout.sources):
        predicted, _ = _chosen(arrivals, beliefs, seen, np.full(len(seen.group), source))
        chance = _log_chance(seen.delay_s - predicted, np.hypot(seen.sigma_s, COARSE_S[2]))
        np.add.at(score[:, source], seen.group, chance)
    return _likeliest(score, beliefs, seen)


def _log_chance(residual_s: Floats, sigma_s: Floats) -> Floats:
    """Logarithm of the density: a Gaussian, or a stray."""
    chance: Floats = np.log(_gaussian(residual_s, sigma_s) + _STRAY_DENSITY)
    return chance


def _gaussian(residual_s: Floats, sigma_s: Floats) -> Floats:
    density = (1.0 - STRAY_CHANCE) * np.exp(-0.5 * (residual_s / sigma_s) ** 2) / (sigma_s * np.sqrt(2 * np.pi))
    known: Floats = np.nan_to_num(density)
    return known


def _weights(residual_s: Floats, sigma_s: Floats) -> Floats:
    good = _gaussian(residual_s, sigma_s)
    return good / (good + _STRAY_DENSITY)


def _step(
    beliefs: Beliefs, seen: Sightings, source_of: Ints, unknowns: Floats, sigma_s: Floats, doubt_s: Floats
) -> Floats:
    """A Gauss-Newton step, in the space of the sightings (Tarantola eq. 3.51); strays lie beyond ``doubt_s``."""
    predicted, slope = _predicted(beliefs, seen, source_of, unknowns)
    residual_s = seen.delay_s - predicted
    weight = _weights(residual_s, doubt_s)
    used = weight > 1e-6
    if not used.any():
        return unknowns
    slope, spread = slope[used], beliefs.sigma**2
    noise = np.diag(sigma_s[used] ** 2 / weight[used])
    target = residual_s[used] + slope @ (unknowns - beliefs.mean)
    gain = np.linalg.solve((slope * spread) @ slope.T + noise, target)
    return beliefs.mean + spread * (slope.T @ gain)


def _judged(beliefs: Beliefs, seen: Sightings, source_of: Ints, unknowns: Floats) -> Fit:
    predicted, slope = _predicted(beliefs, seen, source_of, unknowns)
    residual_s = seen.delay_s - predicted
    weight = _weights(residual_s, seen.sigma_s)
    root = np.sqrt(weight) / seen.sigma_s
    scaled = np.nan_to_num(slope * root[:, None] * beliefs.sigma)
    inner = np.eye(len(scaled)) + scaled @ scaled.T
    moved = (unknowns - beliefs.mean) / beliefs.sigma
    tension = float(moved @ moved)
    evidence = (
        float(_log_chance(residual_s, seen.sigma_s).sum()) - 0.5 * tension - 0.5 * float(np.linalg.slogdet(inner)[1])
    )
    shrink = np.eye(len(unknowns)) - scaled.T @ np.linalg.solve(inner, scaled)
    covariance = shrink * beliefs.sigma[:, None] * beliefs.sigma
    left_s = np.nan_to_num(residual_s, nan=np.inf)
    return Fit(evidence, unknowns, covariance, source_of, weight, left_s, tension)


@dataclass(frozen=True, slots=True)
class Taken:
    """A cause that was taken up, its gain, and the others that came near it."""

    cause: Cause
    gain: float
    rivals: tuple[Cause, ...]


@dataclass(frozen=True)
class Verdict:
    """The causes taken up, the beliefs and the fit they lead to, and whether these explain the take.

    ``foreign``: the groups of which the source is not sure, so that their sightings count as strays; shape (groups,).
    """

    taken: tuple[Taken, ...]
    beliefs: Beliefs
    fit: Fit
    foreign: Bools
    explained: bool


def verdict_on(scene: Scene, tracks: tuple[str, ...], beliefs: Beliefs, seen: Sightings) -> Verdict:
    """The simplest explanation of the sightings."""
    taken: list[Taken] = []
    fit = fitted(beliefs, seen)
    for least in GAIN:
        if not len(seen.delay_s) or (taken and fit.is_at_ease):
            break
        tried = sorted(_tried(scene, tracks, beliefs, seen, fit), key=lambda one: -one[0])
        gain, cause, wider, better = tried[0]
        if gain < max(least, _least_named(scene, cause)) or not _matters(cause, wider, better, beliefs):
            break
        taken.append(Taken(cause, gain, _rivals(cause, tried)))
        beliefs, fit = wider, better
    foreign = _foreign(beliefs, seen, fit)
    fit = replace(fit, weight=np.where(foreign[seen.group], 0.0, fit.weight))
    return Verdict(tuple(taken), beliefs, fit, foreign, _is_explained(fit, seen))


def _least_named(scene: Scene, cause: Cause) -> float:
    """What a cause must gain that sends somebody to one thing, where a reflection may do as well; a DI hears none."""
    lines = {di.name for di in scene.dis}
    return GAIN_NAMED if cause.names and not lines & {*cause.names} else 0.0


def _foreign(beliefs: Beliefs, seen: Sightings, fit: Fit) -> Bools:
    """The groups that fit one source best and that another source's own mic hears first, where that cannot well be.

    The one has a mic that should hear them sooner, or nothing that the other's mic hears first is the other's. They may
    be of either, and delays that fit the wrong source prove nothing.
    """
    arrival, _ = beliefs.linearised(fit.unknowns)
    found = np.zeros(seen.groups, dtype=np.bool_)
    firsts = dict(zip(seen.group.tolist(), seen.reference.tolist(), strict=True))
    for group, first in firsts.items():
        source, others = int(fit.source_of[group]), beliefs.source_led_by(first)
        own_s = [arrival[source, ear] for ear in beliefs.ear_of if beliefs.own_of[ear] == source]
        is_late = bool(own_s) and min(own_s) < arrival[source, beliefs.ear_of[first]]
        is_all = all(fit.source_of[other] != others for other, track in firsts.items() if track == first)
        found[group] = others not in (-1, source) and (is_late or is_all)
    return found


_Tried = tuple[float, Cause, Beliefs, Fit]


def _tried(scene: Scene, tracks: tuple[str, ...], beliefs: Beliefs, seen: Sightings, before: Fit) -> list[_Tried]:
    out = []
    for cause in causes_of(scene, tracks):
        wider = cause.apply(beliefs)
        fit = fitted(wider, seen)
        out.append((fit.evidence + cause.log_prior - before.evidence, cause, wider, fit))
    return out


def _rivals(best: Cause, tried: list[_Tried]) -> tuple[Cause, ...]:
    """Causes of another kind or name that come near the best and gain something themselves."""
    seen = {(best.kind, best.names)}
    out = []
    for gain, cause, _, _ in tried:
        key = (cause.kind, cause.names)
        if gain > max(tried[0][0] - RIVAL, 0.0) and key not in seen:
            seen.add(key)
            out.append(cause)
    return tuple(out)


def _matters(cause: Cause, wider: Beliefs, fit: Fit, before: Beliefs) -> bool:
    """Whether what was found lies clearly outside what the scene leaves open."""
    changed = np.flatnonzero(wider.sigma > before.sigma * 1.0001)
    if not len(changed):
        return True
    away = np.abs(fit.unknowns - before.mean)[changed] / before.sigma[changed]
    if cause.kind in {"moved", "source moved"}:
        return float(np.linalg.norm((fit.unknowns - before.mean)[changed])) >= MATTERS_M and bool(away.max() > 3.0)
    return bool(away.max() > 3.0)


def _is_explained(fit: Fit, seen: Sightings) -> bool:
    """Whether most of what was heard is no stray, each delay counted by its events."""
    if not len(fit.weight):
        return False
    return float(seen.events[fit.weight > 0.5].sum()) >= EXPLAINED_SHARE * float(seen.events.sum())


@dataclass(frozen=True, slots=True)
class MovedPlace:
    """By how much a thing is from where it was planned, (3,), one standard deviation of that, and how probable."""

    moved_m: Floats
    sigma_m: float
    probability: float


def moved_places(planned: Beliefs, where: slice, beliefs: Beliefs, seen: Sightings, fit: Fit) -> tuple[MovedPlace, ...]:
    """The places that explain the take, the most probable first.

    Parameters
    ----------
    planned : Beliefs
        Before anything was doubted.
    where : slice
        The coordinates of what moved, among the unknowns.
    beliefs, seen, fit
        What was believed in the end, what was heard, and what followed.
    """
    found: list[tuple[float, Fit]] = []
    for far_m in BELIEFS_M:
        sigma = beliefs.sigma.copy()
        sigma[where] = np.hypot(planned.sigma[where], far_m)
        doubting = replace(beliefs, sigma=sigma)
        tried = [_begun_at(doubting, seen, fit.source_of, start) for start in _starts(planned, where, fit)]
        found += [(one.evidence, one) for one in _distinct(tried, where)]
    top = max(evidence for evidence, _ in found)
    groups: list[list[tuple[float, Fit]]] = []
    for evidence, one in sorted(found, key=lambda each: -each[0]):
        near = next((group for group in groups if _apart(group[0][1], one, where) < SAME_M), None)
        if near is None:
            near = []
            groups.append(near)
        near.append((float(np.exp(evidence - top)), one))
    total = sum(weight for group in groups for weight, _ in group)
    every = [_place(planned, where, group, total) for group in groups]
    first, *others = sorted(every, key=lambda place: -place.probability)
    # Where many places are possible none of them may be likely: the likeliest is told all the same.
    return (first, *(place for place in others if place.probability >= LEAST_CHANCE))


def _starts(planned: Beliefs, where: slice, fit: Fit) -> list[Floats]:
    """The place that was found, and places in fourteen directions about the planned one."""
    ways = [np.array(way) for way in product((-1.0, 0.0, 1.0), repeat=3) if np.sum(np.abs(way)) in (1.0, 3.0)]
    starts = [fit.unknowns]
    for far_m, way in product(STARTS_M, ways):
        start = fit.unknowns.copy()
        start[where] = planned.mean[where] + far_m * way / np.linalg.norm(way)
        starts.append(start)
    return starts


def _apart(one: Fit, other: Fit, where: slice) -> float:
    return float(np.linalg.norm(one.unknowns[where] - other.unknowns[where]))


def _distinct(tried: list[Fit], where: slice) -> list[Fit]:
    kept: list[Fit] = []
    for one in sorted(tried, key=lambda fit: -fit.evidence):
        if all(_apart(one, other, where) > SAME_M for other in kept):
            kept.append(one)
    return kept


def _place(planned: Beliefs, where: slice, group: list[tuple[float, Fit]], total: float) -> MovedPlace:
    weights = np.array([weight for weight, _ in group])
    places = np.array([fit.unknowns[where] for _, fit in group])
    middle = weights @ places / weights.sum()
    variances = np.array([np.trace(fit.covariance[where, where]) * _excess(fit) for _, fit in group])
    variance = weights @ (variances + np.sum((places - middle) ** 2, axis=1)) / weights.sum()
    return MovedPlace(middle - planned.mean[where], float(np.sqrt(variance)), float(weights.sum() / total))


def _excess(fit: Fit) -> float:
    """By how much the tension, over as many sightings as count, is more than chance would have it; 1 at the least."""
    return max(1.0, fit.tension / max(float(np.sum(fit.weight > 0.5)), 1.0))
