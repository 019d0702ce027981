"""Lengths and pattern gains for many layouts of the mics at once.

``positions`` is always an array of shape (N, M, 3): N layouts of the same M mics, metres. What is asked of one mic
and one point is asked for a flat list of K such cases, so every answer has the shape (N, K).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.acoustics.patterns import Pattern
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Scene

__all__ = ["Ears", "indices", "lengths_m"]

_TOUCHING_M = 1e-6
"""Two points are never nearer than this, so that no level is infinite."""


def lengths_m(vectors: Floats) -> Floats:
    """Lengths of vectors along the last axis, a hair above zero where they vanish.

    >>> lengths_m(np.array([[3.0, 4.0, 0.0]]))
    array([5.])
    """
    length: Floats = np.sqrt(np.einsum("...k,...k->...", vectors, vectors))
    return np.maximum(length, _TOUCHING_M)


def indices(values: list[int]) -> Ints:
    """An index array, also where the list is empty."""
    return np.array(values, dtype=np.intp)


@dataclass(frozen=True, eq=False)
class Ears:
    """How the mics hear: where they look (``aim_m``, shape (M, 3), where ``looks``) and their patterns, shape (M,)."""

    aim_m: Floats
    looks: Bools
    pattern: Pattern

    @classmethod
    def of(cls, scene: Scene) -> Ears:
        """The ears of a scene's mics."""
        points = [scene.aim_point(mic) for mic in scene.mics]
        return cls(
            np.array([point or (0.0, 0.0, 0.0) for point in points], dtype=float).reshape(-1, 3),
            np.array([point is not None for point in points], dtype=bool),
            Pattern.of(scene.mics),
        )

    def axes(self, positions: Floats) -> Floats:
        """Unit vectors along which the mics look, shape (N, M, 3)."""
        way = self.aim_m - positions
        axes: Floats = np.where(self.looks[:, None], way / lengths_m(way)[..., None], 0.0)
        return axes

    def gain(self, positions: Floats, axes: Floats, mics: Ints, points_m: Floats) -> Floats:
        """Signed amplitude of the pattern alone, 1 on the axis: shape (N, K) for K mics and K points."""
        way = points_m - positions[:, mics]
        cosine = np.einsum("nkc,nkc->nk", way, axes[:, mics]) / lengths_m(way)
        gain = Pattern(self.pattern.omni_share[mics], self.pattern.rejection_db[mics]).gain(cosine)
        return np.where(self.looks[mics], gain, 1.0)

    def amplitude(self, positions: Floats, axes: Floats, mics: Ints, points_m: Floats) -> Floats:
        """Amplitude with which mics hear points, pattern and distance: shape (N, K) for K mics and K points."""
        heard = np.abs(self.gain(positions, axes, mics, points_m))
        amplitude: Floats = heard / lengths_m(points_m - positions[:, mics])
        return amplitude
