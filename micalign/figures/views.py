"""How a room is laid on paper: three views to one scale, and what of each thing is seen in them.

The plan looks down (x to the right, y up the page: the front wall is at its foot); below it what one sees with the back
to the front wall (x to the right, z), and beside that what one sees with the back to the left wall, where the front
wall is on the right (y to the left, z). Lengths are metres until the axes are drawn; the drawing's unit
is the user's.
"""

from __future__ import annotations

import math
from collections.abc import Container
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.patterns import Pattern
from micalign.arrays import Floats
from micalign.scene.model import Keepout, Mic, Panel, Point, Scene

__all__ = [
    "VIEWS",
    "Extent",
    "View",
    "extent_of",
    "keepout_outline",
    "lobe_outline",
    "move_outline",
    "panel_outline",
    "room_box",
]

_MARGIN_M: Final = 0.45
_SMALLEST_M: Final = 1.2
_NEARLY_ALL_M: Final = 1.0  # where a crop would save less than this, the whole room is shown


@dataclass(frozen=True, slots=True)
class View:
    """Two axes of the three: ``across`` the page and ``up`` it (0 is x, 1 is y, 2 is z).

    A ``mirrored`` view has the larger values of ``across`` on the left, as a person sees them.
    """

    name: str
    across: int
    up: int
    mirrored: bool = False

    def flat(self, point: Point) -> tuple[float, float]:
        """A point as this view sees it."""
        return point[self.across], point[self.up]


VIEWS: Final = (
    View("plan", 0, 1),
    View("seen from the front wall", 0, 2),
    View("seen from the left wall", 1, 2, mirrored=True),
)


@dataclass(frozen=True, slots=True)
class Extent:
    """The box of the room that is drawn, metres."""

    low: Point
    high: Point

    @property
    def size(self) -> Point:
        """Its width, depth and height."""
        x, y, z = (high - low for low, high in zip(self.low, self.high, strict=True))
        return (x, y, z)


def extent_of(scene: Scene, *, before: Scene | None = None, names: Container[str] | None = None) -> Extent:
    """The part of the room worth drawing: what stands in it (or ``names`` alone), some air round it, the floor always.

    >>> from micalign.scene.model import Mic, Source
    >>> extent_of(Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),))).low
    (1.55, 1.55, 0.0)
    """
    points = np.array(_points(scene, names) + (_points(before, names) if before else []))
    low, high = points.min(axis=0) - _MARGIN_M, points.max(axis=0) + _MARGIN_M
    short = np.maximum(_SMALLEST_M - (high - low), 0.0) / 2
    low, high = low - short, high + short
    low[2] = min(0.0, points[:, 2].min())
    if scene.room is not None:
        size = np.array(scene.room.size)
        low, high = np.maximum(low, 0.0), np.minimum(high, size)
        whole = size - (high - low) < _NEARLY_ALL_M
        low, high = np.where(whole, 0.0, low), np.where(whole, size, high)
    return Extent(_point(low), _point(high))


def _point(values: Floats) -> Point:
    x, y, z = (float(round(value, 6)) + 0.0 for value in values)
    return (x, y, z)


def _points(scene: Scene, names: Container[str] | None) -> list[Point]:
    chosen = [thing for thing in scene.placed() if names is None or thing.name in names]
    boxes = [thing.move for thing in chosen if isinstance(thing, Mic) and thing.move is not None]
    points = [thing.position for thing in chosen] + [corner for box in boxes for corner in (box.low, box.high)]
    if names is None:
        points += [keepout.at for keepout in scene.keepouts]
        points += [_point(corner) for panel in scene.panels for corner in panel_outline(panel)]
    return points


def room_box(scene: Scene, view: View) -> Floats | None:
    """The room's outline in a view, shape (5, 2), closed; None where the scene has no room."""
    if scene.room is None:
        return None
    width, height = scene.room.size[view.across], scene.room.size[view.up]
    return np.array([(0, 0), (width, 0), (width, height), (0, height), (0, 0)], dtype=np.float64)


def panel_outline(panel: Panel) -> Floats:
    """The four corners of a panel, metres, shape (4, 3)."""
    normal = np.array(panel.normal) / np.linalg.norm(panel.normal)
    flat = abs(normal[2]) > 1 - 1e-9
    along = np.array([1.0, 0.0, 0.0]) if flat else np.cross([0.0, 0.0, 1.0], normal)
    along /= np.linalg.norm(along)
    other = np.array([0.0, 1.0, 0.0]) if flat else np.cross(normal, along)
    turn = math.radians(panel.turn_degrees)
    across = math.cos(turn) * along + math.sin(turn) * other
    upward = math.cos(turn) * other - math.sin(turn) * along
    half_width, half_height = panel.size[0] / 2, panel.size[1] / 2
    signs = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    corners = [np.array(panel.centre) + a * half_width * across + b * half_height * upward for a, b in signs]
    return np.array(corners)


def keepout_outline(keepout: Keepout, view: View) -> Floats:
    """The outline of a keep-out in a view, shape (N, 2)."""
    centre = np.array(view.flat(keepout.at))
    radius = keepout.radius_m or 0.0
    if keepout.shape == "sphere" or (keepout.shape == "cylinder" and view.name == "plan"):
        angle = np.linspace(0.0, 2 * np.pi, 73)
        circle: Floats = centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])
        return circle
    size = keepout.size_m or (2 * radius, 2 * radius, keepout.height_m or 0.0)
    half = np.array([size[view.across], size[view.up]]) / 2
    box: Floats = centre + half * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)])
    return box


def move_outline(mic: Mic, view: View) -> Floats:
    """Where a mic may go in a view: its box or the ball of its reach, shape (N, 2); empty where it stays.

    >>> move_outline(Mic("fixed", (1.0, 1.0, 1.0)), VIEWS[0]).shape
    (0, 2)
    """
    if mic.move is not None:
        low, high = view.flat(mic.move.low), view.flat(mic.move.high)
        return np.array([low, (high[0], low[1]), high, (low[0], high[1]), low], dtype=np.float64)
    if mic.reach_m is None:
        return np.empty((0, 2))
    angle = np.linspace(0.0, 2 * np.pi, 73)
    ball: Floats = np.array(view.flat(mic.position)) + mic.reach_m * np.column_stack([np.cos(angle), np.sin(angle)])
    return ball


def lobe_outline(scene: Scene, mic: Mic, view: View, *, radius: float) -> Floats:
    """The pickup pattern where the view's plane cuts it: how well the mic hears each direction, shape (N, 2).

    The distance of the outline from the mic is the pattern's gain times ``radius``.
    """
    centre = np.array(view.flat(mic.position))
    angle = np.linspace(0.0, 2 * np.pi, 181)
    direction = np.column_stack([np.cos(angle), np.sin(angle)])
    point = scene.aim_point(mic)
    if point is None:
        circle: Floats = centre + radius * direction
        return circle
    aim = np.array(point) - np.array(mic.position)
    aim = aim / max(float(np.linalg.norm(aim)), 1e-12)
    gain = np.abs(Pattern.named(mic.pattern).gain(direction @ aim[[view.across, view.up]]))
    outline: Floats = centre + radius * gain[:, None] * direction
    return outline
