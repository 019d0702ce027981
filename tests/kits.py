"""Random drum kits as scene files, and an exhaustive search of them on a grid that shares no code with the package."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

SPEED = 343.984  # m/s at 20 C, 50 %, 101.325 kPa: Cramer 1993, J. Acoust. Soc. Am. 93(5), 2510
TOLERANCE_S = 50e-6
REACH_M = TOLERANCE_S * SPEED  # 17.2 mm of sound travel
BOX_M = 0.8
STEP_M = 0.02
MARGIN_M = 0.2
LOWEST_MODES = 10  # so many are looked at
NULL = 0.13  # of the pressure in a corner: 18 dB below it

Array = npt.NDArray[np.float64]


def kit_text(rng: np.random.Generator) -> str:
    """A snare, a kick, a drummer's head, a low ceiling, two overheads with boxes of 0.8 m anywhere above them."""
    room = [rng.uniform(4.0, 6.0), rng.uniform(3.5, 5.0), rng.uniform(2.3, 2.7)]
    snare = np.array([rng.uniform(1.8, room[0] - 1.8), rng.uniform(1.6, room[1] - 1.6), rng.uniform(0.6, 0.75)])
    kick = snare + np.array([rng.uniform(-0.4, 0.4), rng.uniform(-0.9, -0.5), -0.3])
    head = snare + np.array([rng.uniform(-0.2, 0.2), rng.uniform(0.3, 0.5), 0.6])
    crash = snare + np.array([rng.uniform(-0.8, 0.8), rng.uniform(-0.5, 0.2), 0.75])
    mics = []
    for side in (-1.0, 1.0):
        centre = snare + np.array([side * rng.uniform(0.2, 0.9), rng.uniform(-0.6, 0.6), 0.0])
        low = np.round([*(centre[:2] - BOX_M / 2), rng.uniform(1.3, room[2] - 0.6)], 2)
        start = np.round(low + rng.uniform(0.0, BOX_M, 3), 3)
        start[2] = min(start[2], round(room[2] - 0.01, 2))
        mics.append((start.tolist(), [[a, round(a + BOX_M, 2)] for a in low.tolist()]))
    return f"""
title = "random kit"
[room]
size = {np.round(room, 2).tolist()}
[[source]]
name = "snare"
at = {np.round(snare, 3).tolist()}
range_hz = [100, 9000]
[[source]]
name = "kick"
at = {np.round(kick, 3).tolist()}
range_hz = [40, 6000]
{_mic("left", *mics[0])}
{_mic("right", *mics[1])}
[[pair]]
name = "overheads"
mics = ["left", "right"]
equal_to = ["snare", "kick"]
[[keepout]]
name = "drummer's head"
at = {np.round(head, 3).tolist()}
radius = 0.35
[[keepout]]
name = "crash"
at = {np.round(crash, 3).tolist()}
radius = 0.28
height = 0.3
"""


def _mic(name: str, start: list[float], box: list[list[float]]) -> str:
    x, y, z = box
    return f"""
[[mic]]
name = "{name}"
at = {start}
on = ["snare", "kick"]
aim = "snare"
pattern = "cardioid"
move = {{ x = {x}, y = {y}, z = {z} }}
"""


@dataclass
class Kit:
    """A scene file read by its own few lines."""

    text: str
    data: dict[str, Any] = field(init=False)

    def __post_init__(self) -> None:
        self.data = tomllib.loads(self.text)

    def source(self, name: str) -> Array:
        return np.array(next(s["at"] for s in self.data["source"] if s["name"] == name), dtype=float)

    def mic(self, name: str) -> Array:
        return np.array(next(m["at"] for m in self.data["mic"] if m["name"] == name), dtype=float)

    def box(self, name: str) -> Array:
        move = next(m["move"] for m in self.data["mic"] if m["name"] == name)
        return np.array([move["x"], move["y"], move["z"]], dtype=float)

    @property
    def room(self) -> Array:
        return np.array(self.data["room"]["size"], dtype=float)

    def differences_s(self) -> list[float]:
        """How much later the right mic hears the snare, then the kick."""
        left, right = self.mic("left"), self.mic("right")
        both = [self.source(name) for name in ("snare", "kick")]
        return [float((np.linalg.norm(right - s) - np.linalg.norm(left - s)) / SPEED) for s in both]

    def allowed(self, name: str, points: Array) -> npt.NDArray[np.bool_]:
        """Which points keep the mic's box, the margin to the room and the keepouts; a hair of rounding forgiven."""
        low, high = self.box(name).T
        ok = ((points >= low - 1e-9) & (points <= high + 1e-9)).all(axis=-1)
        ok &= ((points >= MARGIN_M - 1e-9) & (points <= self.room - MARGIN_M + 1e-9)).all(axis=-1)
        return ok & (self.depth(points) <= 1e-9)

    def depth(self, points: Array) -> Array:
        """How deep points lie in a keepout, metres; 0 or less outside all."""
        deepest = np.full(points.shape[:-1], -np.inf)
        for keepout in self.data["keepout"]:
            offset = points - np.array(keepout["at"])
            if "height" in keepout:
                inward = keepout["radius"] - np.hypot(offset[..., 0], offset[..., 1])
                depth = np.minimum(inward, keepout["height"] / 2 - np.abs(offset[..., 2]))
            else:
                depth = keepout["radius"] - np.sqrt((offset**2).sum(axis=-1))
            deepest = np.maximum(deepest, depth)
        return deepest

    def own_cost(self, name: str, start: Array, points: Array) -> Array:
        """Length of the move, combs by reflections, and nulls of the room's modes, of one mic at many points."""
        cost = np.sqrt(((points - start) ** 2).sum(axis=-1)) / 0.5
        for source in self.data["source"]:
            cost = cost + self._combs(np.array(source["at"]), source["range_hz"], points) / 2.0
        return cost + self._nulls(start, points)

    def narrow_cost(self, left: Array, right: Array) -> Array:
        """What a pair pays for less than half the spread it had, in units of 10 cm."""
        had = float(np.linalg.norm(self.mic("left") - self.mic("right")))
        spread = np.sqrt(((left - right) ** 2).sum(axis=-1))
        return (np.maximum(had / 2 - spread, 0.0) / 0.1) ** 2

    def _nulls(self, start: Array, points: Array) -> Array:
        """What points pay for lying in a null of a low mode that a source in its range excites; each mode once.

        Standing waves of a hard box, f = c/2 |n/L|, and the distance where the room is as loud as the direct sound,
        sqrt(S absorption / 16 pi), from any textbook of room acoustics. A null ends where `check` falls silent.
        """
        orders = np.array([n for n in product(range(12), repeat=3) if any(n)])
        hz = SPEED / 2 * np.sqrt(((orders / self.room) ** 2).sum(axis=-1))
        x, y, z = self.room
        critical = np.sqrt(0.1 * 2 * (x * y + y * z + x * z) / (16 * np.pi))
        total = np.zeros(len(points))
        for row in np.argsort(hz)[:LOWEST_MODES]:
            for source in self.data["source"]:
                low, high = source["range_hz"]
                excited = self._pressure(orders[row], np.array([source["at"]]))[0] > 0.5
                if excited and low <= hz[row] <= high and np.linalg.norm(start - source["at"]) >= critical:
                    total += np.clip(1 - self._pressure(orders[row], points) / NULL, 0, 1) ** 2
                    break
        return total

    def _pressure(self, order: Array, points: Array) -> Array:
        """A mode's pressure at points, 1 in a corner of the room."""
        pressure: Array = np.abs(np.cos(np.pi * order * points / self.room).prod(axis=-1))
        return pressure

    def _combs(self, source: Array, range_hz: list[float], points: Array) -> Array:
        direct = np.sqrt(((points - source) ** 2).sum(axis=-1))
        axis = self.source("snare") - points
        axis = axis / np.sqrt((axis**2).sum(axis=-1, keepdims=True))

        def amplitude(at: Array) -> Array:
            way = at - points
            length = np.sqrt((way**2).sum(axis=-1))
            return np.abs(0.5 + 0.5 * (way * axis).sum(axis=-1) / length) / length

        total = np.zeros(len(points))
        for a, far in product(range(3), (0.0, 1.0)):
            image = source.copy()
            image[a] = 2 * far * self.room[a] - source[a]
            level = 20 * np.log10(np.sqrt(0.9) * amplitude(image) / amplitude(source))
            strength = np.clip(1 + level / (20 * np.log10(3)), 0, 2)
            notch = SPEED / (2 * (np.sqrt(((points - image) ** 2).sum(axis=-1)) - direct))
            inside = np.clip(np.log2(np.minimum(notch / range_hz[0], range_hz[1] / notch)), 0, 1)
            total += (strength * inside) ** 2
        return total


@dataclass
class Grid:
    """Both boxes on a grid of 2 cm: the points that are allowed, their costs, their distances to snare and kick."""

    kit: Kit

    def __post_init__(self) -> None:
        self.sides = [self._side(name) for name in ("left", "right")]

    def _side(self, name: str) -> tuple[Array, Array, Array]:
        axes = [low + STEP_M * np.arange(round((high - low) / STEP_M) + 1) for low, high in self.kit.box(name)]
        points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        points = points[self.kit.allowed(name, points)]
        both = [self.kit.source(source) for source in ("snare", "kick")]
        far = np.stack([np.sqrt(((points - source) ** 2).sum(axis=-1)) for source in both], axis=-1)
        return points, far.reshape(-1, 2), self.kit.own_cost(name, self.kit.mic(name), points)

    def has_solution(self) -> bool:
        """Whether some pair of grid points is within the tolerance to both."""
        (_, left, _), (_, right, _) = self.sides
        if not len(left) or not len(right):
            return False
        nearest, _ = cKDTree(right).query(left, p=np.inf, distance_upper_bound=REACH_M)
        return bool(np.isfinite(nearest).any())

    def best_below(self, cost: float) -> float:
        """The least cost of all allowed pairs, as far as it is below ``cost``; every pair that could be is tried."""
        left_m, left, left_cost = _cheap(self.sides[0], cost - self.sides[1][2].min(initial=np.inf))
        right_m, right, right_cost = _cheap(self.sides[1], cost - left_cost.min(initial=np.inf))
        if not len(left) or not len(right):
            return np.inf
        best, tree = np.inf, cKDTree(right)
        for first in range(0, len(left), 100):
            rows = np.arange(first, min(first + 100, len(left)))
            lists = tree.query_ball_point(left[rows], REACH_M, p=np.inf, return_sorted=False)
            those = np.concatenate([np.array(near, dtype=int) for near in lists])
            rows = np.repeat(rows, [len(near) for near in lists])
            own = left_cost[rows] + right_cost[those]
            rows, those, own = rows[own < cost], those[own < cost], own[own < cost]
            equal = (((left[rows] - right[those]) / REACH_M) ** 2).sum(axis=-1)
            total = own + equal + self.kit.narrow_cost(left_m[rows], right_m[those])
            best = min(best, float(total.min(initial=np.inf)))
        return best


def _cheap(side: tuple[Array, Array, Array], limit: float) -> tuple[Array, Array, Array]:
    points, far, cost = side
    return points[cost < limit], far[cost < limit], cost[cost < limit]
