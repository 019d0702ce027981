"""Which tracks are inverted against what their scene says?

For each group of sounds the measured polarity of every track against the reference track is held against the one
expected: the scene's own ``polarity`` keys, and the side of a mic's pattern that a source stands on (the rear of a
figure-8 or hypercardioid inverts). The fewest flips that bring the two together are told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.acoustics.patterns import mic_gain
from micalign.arrays import Bools, Floats
from micalign.compare.beliefs import Beliefs
from micalign.compare.fit import Fit, Sightings
from micalign.scene.model import Scene
from micalign.tdoa.hearing import Group

__all__ = ["Flips", "expected_signs", "flips_of"]

_LEAST_GAIN = 0.1
"""Nearer to its null than this a mic's polarity is left open."""


@dataclass(frozen=True, slots=True)
class Flips:
    """Tracks that are inverted; ``instead`` are others that explain it as well: of two tracks nobody can tell which."""

    tracks: tuple[str, ...] = ()
    instead: tuple[str, ...] = ()
    agreeing: int = 0
    against: int = 0


def expected_signs(scene: Scene) -> Floats:
    """The sign with which each ear hears each source, shape (S, E); 0 where it is left open."""
    signs = np.zeros((len(scene.sources), len(scene.track_names)))
    for row, source in enumerate(scene.sources):
        for column, mic in enumerate(scene.mics):
            gain = mic_gain(scene, mic, source.position)
            signs[row, column] = np.sign(gain) * mic.polarity if abs(gain) >= _LEAST_GAIN else 0.0
        for index, di in enumerate(scene.dis):
            signs[row, len(scene.mics) + index] = di.polarity if di.of == source.name else 0.0
    return signs


def flips_of(
    scene: Scene, tracks: tuple[str, ...], groups: tuple[Group, ...], beliefs: Beliefs, seen: Sightings, fit: Fit
) -> Flips:
    """The fewest tracks whose flip makes measured and expected polarity agree."""
    signs = expected_signs(scene)
    ear = np.array(beliefs.ear_of, dtype=np.intp)
    source = fit.source_of[seen.group]
    expected = signs[source, ear[seen.track]] * signs[source, ear[seen.reference]]
    found = np.array([groups[g].heard[t].polarity for g, t in zip(seen.group, seen.track, strict=True)], dtype=float)
    margin = np.array([groups[g].heard[t].polarity_margin for g, t in zip(seen.group, seen.track, strict=True)])
    trusted = (expected != 0) & (fit.weight > 0.5)
    product = np.where(trusted, expected * found, 0.0) * np.clip(margin, 0.05, 1.0)
    flipped = _fewest(product, seen, len(tracks))
    instead = _mirrored(product, seen, flipped)
    return Flips(
        tuple(name for name, is_in in zip(tracks, flipped, strict=True) if is_in),
        tuple(name for name, is_in in zip(tracks, instead, strict=True) if is_in),
        int((product > 0).sum()),
        int((product < 0).sum()),
    )


def _cost(product: Floats, seen: Sightings, flipped: Bools) -> float:
    turned = np.where(flipped[seen.track] != flipped[seen.reference], -product, product)
    return float(np.maximum(-turned, 0.0).sum())


def _fewest(product: Floats, seen: Sightings, count: int) -> Bools:
    """Flip the track that mends most, again and again, while that mends anything."""
    flipped = np.zeros(count, dtype=np.bool_)
    while True:
        now = _cost(product, seen, flipped)
        tried = [_cost(product, seen, flipped ^ (np.arange(count) == index)) for index in range(count)]
        best = int(np.argmin(tried))
        if tried[best] > now - 0.05 or int(flipped.sum()) * 2 > count:
            return flipped
        flipped[best] = ~flipped[best]


def _mirrored(product: Floats, seen: Sightings, flipped: Bools) -> Bools:
    """The other tracks as flips, where that is as few and explains as much: with two tracks nobody can tell which."""
    heard = np.zeros(len(flipped), dtype=np.bool_)
    heard[seen.track[product != 0]] = True
    heard[seen.reference[product != 0]] = True
    other = heard & ~flipped
    is_tied = flipped.any() and other.sum() == (flipped & heard).sum()
    return other if is_tied else np.zeros_like(flipped)
