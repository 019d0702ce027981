"""Which causes, the fewest that suffice, explain what was heard?

The scene as it stands is tried first. A cause is taken up only where the take is clearly likelier with it, the one
that gains most; then a further one on top, at a higher price. What is found must also matter: a stand that is off by
less than 3 cm, or by less than three times what the scene itself leaves open, is as planned.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.compare.beliefs import Beliefs
from micalign.compare.causes import Cause, causes_of
from micalign.compare.fit import Fit, Sightings, fitted
from micalign.scene.model import Scene

__all__ = ["RIVAL", "Taken", "Verdict", "verdict_on"]

RIVAL: Final = 3.0
"""Causes within this much evidence of the best (a factor of 20) are named beside it."""

_GAIN: Final = (0.0, 6.0, 8.0)
"""Evidence that the first, second and third cause must gain, beyond their priors."""

_MATTERS_M: Final = 0.03
_EXPLAINED_SHARE: Final = 0.7


@dataclass(frozen=True, slots=True)
class Taken:
    """A cause that was taken up, its gain, and the others that came near it."""

    cause: Cause
    gain: float
    rivals: tuple[Cause, ...]


@dataclass(frozen=True)
class Verdict:
    """The causes taken up, the beliefs and the fit they lead to, and whether these explain the take."""

    taken: tuple[Taken, ...]
    beliefs: Beliefs
    fit: Fit
    explained: bool


def verdict_on(scene: Scene, tracks: tuple[str, ...], beliefs: Beliefs, seen: Sightings) -> Verdict:
    """The simplest explanation of the sightings."""
    taken: list[Taken] = []
    fit = fitted(beliefs, seen)
    for least in _GAIN:
        if not len(seen.delay_s) or (taken and fit.is_at_ease):
            break
        tried = sorted(_tried(scene, tracks, beliefs, seen, fit), key=lambda one: -one[0])
        gain, cause, wider, better = tried[0]
        if gain < least or not _matters(cause, wider, better, beliefs):
            break
        taken.append(Taken(cause, gain, _rivals(cause, tried)))
        beliefs, fit = wider, better
    return Verdict(tuple(taken), beliefs, fit, _is_explained(fit, seen))


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
        return float(np.linalg.norm((fit.unknowns - before.mean)[changed])) >= _MATTERS_M and bool(away.max() > 3.0)
    return bool(away.max() > 3.0)


def _is_explained(fit: Fit, seen: Sightings) -> bool:
    """Whether most of what was heard is no stray, each delay counted by its events."""
    if not len(fit.weight):
        return False
    return float(seen.events[fit.weight > 0.5].sum()) >= _EXPLAINED_SHARE * float(seen.events.sum())
