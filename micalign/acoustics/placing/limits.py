"""Where may each free mic stand? Its own box or reach, the walls, the keepouts; and lengths and gains of many layouts.

A *clearance* is metres to spare: negative where a limit is broken, by how much. Boxes and walls are ranges of the
coordinates; reach and keepouts are clearances of each mic from each of them.

``positions`` is always an array of shape (N, M, 3): N layouts of the same M mics, metres. What is asked of one mic
and one point is asked for a flat list of K such cases, so every answer has the shape (N, K).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from micalign.acoustics.patterns import Pattern
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Keepout, Scene

__all__ = ["FAR_M", "Ears", "Limits", "clearance_m", "indices", "lengths_m"]

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


FAR_M = 1e4
_BODY_M = 0.03


def clearance_m(keepout: Keepout, points_m: Floats) -> Floats:
    """How far points are outside a keepout, metres; negative inside: shape (..., 3) to (...).

    >>> clearance_m(Keepout("head", (0, 0, 1), radius_m=0.3), np.array([[0.5, 0, 1], [0, 0, 1.1]]))
    array([ 0.2, -0.2])
    >>> clearance_m(Keepout("cymbal", (0, 0, 1), radius_m=0.3, height_m=0.2), np.array([0.0, 0.0, 1.25]))
    array(0.15)
    >>> clearance_m(Keepout("lamp", (0, 0, 2), size_m=(0.4, 0.4, 0.2)), np.array([0.5, 0.6, 2.0]))
    array(0.5)
    """
    offset = np.asarray(points_m, dtype=float) - np.array(keepout.at)
    if keepout.size_m is not None:
        return _to_box(np.abs(offset) - np.array(keepout.size_m) / 2)
    radius = keepout.radius_m or 0.0
    if keepout.height_m is None:
        return np.asarray(np.sqrt((offset**2).sum(axis=-1)) - radius)
    outward = np.sqrt((offset[..., :2] ** 2).sum(axis=-1)) - radius
    return _to_box(np.stack([outward, np.abs(offset[..., 2]) - keepout.height_m / 2], axis=-1))


def _to_box(beyond: Floats) -> Floats:
    """Signed distance to a box from how far each coordinate lies beyond its face."""
    outside = np.sqrt((np.maximum(beyond, 0.0) ** 2).sum(axis=-1))
    inside = np.minimum(beyond.max(axis=-1), 0.0)
    signed: Floats = np.asarray(outside + inside)
    return signed


@dataclass(frozen=True, eq=False)
class Limits:
    """The hard limits of F free mics.

    Attributes
    ----------
    free : array, shape (F,)
        Which mics may move.
    start_m : array, shape (F, 3)
    box_low_m, box_high_m : array, shape (F, 3)
        The mic's own box; for a reach the cube round its start.
    wall_low_m, wall_high_m : array, shape (3,)
        The room, less the margin to its surfaces.
    reach_m : array, shape (F,)
        Infinite where the mic has a box instead.
    keepouts : tuple of Keepout
        Those of the scene, then a small one round each source: nothing is put into it.
    """

    free: Ints
    start_m: Floats
    box_low_m: Floats
    box_high_m: Floats
    wall_low_m: Floats
    wall_high_m: Floats
    reach_m: Floats
    keepouts: tuple[Keepout, ...]

    @classmethod
    def of(cls, scene: Scene) -> Limits:
        """The limits that a scene sets."""
        free = [index for index, mic in enumerate(scene.mics) if mic.may_move]
        start = np.array([scene.mics[index].position for index in free], dtype=float).reshape(-1, 3)
        boxes = [scene.mics[index].move for index in free]
        reach = np.array([np.inf if scene.mics[i].reach_m is None else scene.mics[i].reach_m for i in free], float)
        low, high = start - reach[:, None], start + reach[:, None]
        for row, box in enumerate(boxes):
            if box is not None:
                low[row], high[row] = box.low, box.high
        return cls(
            indices(free), start, low, high, *_walls(scene, start), reach, (*scene.keepouts, *_bodies(scene, start))
        )

    def part(self, rows: tuple[int, ...]) -> Limits:
        """The limits of some of the free mics."""
        those = list(rows)
        return replace(
            self,
            free=self.free[those],
            start_m=self.start_m[those],
            box_low_m=self.box_low_m[those],
            box_high_m=self.box_high_m[those],
            reach_m=self.reach_m[those],
        )

    @property
    def low_m(self) -> Floats:
        """The least coordinates that box and walls leave, shape (F, 3)."""
        return np.maximum(self.box_low_m, self.wall_low_m)

    @property
    def high_m(self) -> Floats:
        """The greatest coordinates that box and walls leave, shape (F, 3)."""
        return np.minimum(self.box_high_m, self.wall_high_m)

    def box_clearance_m(self, points_m: Floats) -> Floats:
        """To spare within the box or reach: (N, F, 3) to (N, F)."""
        spare: Floats = np.minimum(points_m - self.box_low_m, self.box_high_m - points_m).min(axis=-1)
        from_start = np.sqrt(((points_m - self.start_m) ** 2).sum(axis=-1))
        own: Floats = np.minimum(np.where(np.isfinite(self.reach_m), np.inf, spare), self.reach_m - from_start)
        return own

    def wall_clearance_m(self, points_m: Floats) -> Floats:
        """To spare to the margin of the nearest wall: (N, F, 3) to (N, F)."""
        spare: Floats = np.minimum(points_m - self.wall_low_m, self.wall_high_m - points_m).min(axis=-1)
        return spare

    def keepout_clearance_m(self, points_m: Floats) -> Floats:
        """To spare to each keepout: (N, F, 3) to (N, F, K)."""
        each = [clearance_m(keepout, points_m) for keepout in self.keepouts]
        return np.stack(each, axis=-1) if each else np.empty((*points_m.shape[:-1], 0))

    def curved_m(self, points_m: Floats) -> Floats:
        """Clearances that are no ranges of coordinates, reach and keepouts: (N, F, 3) to (N, C)."""
        rows = np.flatnonzero(np.isfinite(self.reach_m))
        from_start = np.sqrt(((points_m[:, rows] - self.start_m[rows]) ** 2).sum(axis=-1) + 1e-18)
        kept = self.keepout_clearance_m(points_m).reshape(len(points_m), -1)
        return np.concatenate([self.reach_m[rows] - from_start, kept], axis=1)

    def broken_m(self, points_m: Floats, *, spare_m: float = 0.0) -> Floats:
        """By how much all limits together are broken: (N, F, 3) to (N, F), 0 where they hold.

        ``spare_m`` is what must be left to every keepout; a nanometre of rounding is forgiven.
        """
        own = [self.box_clearance_m(points_m)[..., None], self.wall_clearance_m(points_m)[..., None]]
        every = np.concatenate([*own, self.keepout_clearance_m(points_m) - spare_m], axis=-1)
        broken: Floats = np.maximum(-every - 1e-9, 0.0).sum(axis=-1)
        return broken


def _bodies(scene: Scene, start_m: Floats) -> tuple[Keepout, ...]:
    """Three centimetres round each source, or as near as a free mic stands already."""
    bodies = []
    for source in scene.sources if len(start_m) else ():
        nearest = float(np.linalg.norm(start_m - np.array(source.position), axis=1).min())
        bodies.append(Keepout(source.name, source.position, radius_m=min(_BODY_M, nearest * (1 - 1e-9))))
    return tuple(bodies)


def _walls(scene: Scene, start_m: Floats) -> tuple[Floats, Floats]:
    """The ranges that the room's surfaces leave; without a room, the floor (or the lowest start) alone."""
    if scene.room is None:
        floor = min(0.0, float(start_m[:, 2].min(initial=0.0)))
        return np.array([-FAR_M, -FAR_M, floor]), np.full(3, FAR_M)
    margin = scene.place.wall_margin_m
    return np.full(3, margin), np.array(scene.room.size) - margin
