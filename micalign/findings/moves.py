"""Moves that mend: how far, which way, and in words that a person at a stand can follow.

Vectors are metres; x right, y back (away from the front wall), z up. Lengths are said in centimetres or inches, as
the scene's own unit is metric or not.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from micalign.acoustics.panels import mirror, panel_frame
from micalign.acoustics.patterns import Pattern, aims, gains
from micalign.arrays import Floats
from micalign.scene.model import SURFACES, Mic, Point, Scene
from micalign.units import METRES, show_centimetres, show_length

__all__ = [
    "WAYS",
    "axis_degrees",
    "equalling_move",
    "image_of",
    "mended_by_moving_nearer",
    "reflection_levels_db",
    "rounded_up",
    "say_length",
    "say_move",
    "say_place",
    "stays_inside",
]

WAYS: Final = (("to the right", "to the left"), ("toward the back", "toward the front"), ("up", "down"))
"""How the two ways along each axis are called, everywhere: right is larger x, the front is the wall at y = 0."""


def say_length(metres: float, unit: str) -> str:
    """The length of a move, in centimetres (metres from 1 m up) or inches.

    >>> say_length(0.0712, "m"), say_length(0.0712, "ft"), say_length(3.181, "cm")
    ('7 cm', '2 3/4 in', '3.18 m')
    """
    if unit in {"ft", "in"}:
        return show_length(metres, unit)
    return show_centimetres(metres) if metres < 1 else show_length(metres, "m")


def rounded_up(metres: float, unit: str) -> float:
    """A length rounded up to what `say_length` says of it, so that a move is never told too short.

    >>> rounded_up(0.0712, "m"), round(rounded_up(0.0712, "in") / 0.0254, 2)
    (0.08, 3.0)
    """
    step = METRES["in"] / 4 if unit in {"ft", "in"} else 0.01
    return math.ceil(metres / step - 1e-6) * step


def say_move(move_m: Floats, unit: str) -> str:
    """A move by its axes, the largest first; what is under half a centimetre is left out.

    >>> say_move(np.array([0.05, -0.12, 0.002]), "m")
    '12 cm toward the front and 5 cm to the right'
    """
    order = sorted(range(3), key=lambda axis: -abs(move_m[axis]))
    parts = [
        f"{say_length(abs(float(move_m[axis])), unit)} {WAYS[axis][int(move_m[axis] < 0)]}"
        for axis in order
        if abs(move_m[axis]) >= 0.005
    ]
    return " and ".join(parts) if len(parts) < 3 else f"{parts[0]}, {parts[1]} and {parts[2]}"


def say_place(point: Point, unit: str, *, leave_out: int | None = None) -> str:
    """A place in the room, or on a surface whose own axis is left out.

    >>> say_place((1.2, 2.0, 0.0), "m", leave_out=2)
    '1.20 m from the left, 2.00 m from the front'
    """
    froms = ("from the left", "from the front", "above the floor")
    return ", ".join(
        f"{show_length(value, unit)} {way}"
        for axis, (value, way) in enumerate(zip(point, froms, strict=True))
        if axis != leave_out
    )


def equalling_move(mic: Floats, partner: Floats, sources: Floats) -> Floats | None:
    """The shortest move of ``mic`` after which it is as far from every source as ``partner`` is, within 1 m.

    Gauss-Newton with the least-norm step; sources of shape (K, 3), at most three. None where there is no such move.

    >>> move = equalling_move(np.array([1.0, 0, 2.0]), np.array([-1.1, 0, 2.0]), np.array([[0.0, 0, 0]]))
    >>> float(np.round(np.linalg.norm(move), 3))
    0.046
    """
    wanted = np.linalg.norm(partner - sources, axis=1)
    at = mic.astype(float)
    for _ in range(25):
        way = at - sources
        length = np.linalg.norm(way, axis=1)
        step = np.linalg.pinv(way / length[:, None], rcond=1e-3) @ (wanted - length)
        at = at + step
        if np.linalg.norm(step) < 1e-6:
            break
    reached = np.max(np.abs(np.linalg.norm(at - sources, axis=1) - wanted)) < 1e-3
    return at - mic if reached and np.linalg.norm(at - mic) < 1.0 else None


def stays_inside(scene: Scene, place: Floats) -> bool:
    """Whether a place is above the floor and, where there is a room, in it."""
    size = scene.room.size if scene.room else (np.inf, np.inf, np.inf)
    low = 0.0 if scene.room else -np.inf
    return bool(place[2] > 0 and np.all(place > low) and np.all(place < size))


def image_of(scene: Scene, surface: str, source: Floats) -> Floats | None:
    """The image of a source in one surface or panel of a scene; None for what is neither."""
    if scene.room and surface in SURFACES:
        index = SURFACES.index(surface)
        axis, far = divmod(index, 2)
        image = source.copy()
        image[axis] = 2 * far * scene.room.size[axis] - source[axis]
        return image
    for panel in scene.panels:
        if panel.name == surface:
            return mirror(panel_frame(panel), source)
    return None


def reflection_levels_db(scene: Scene, mic: Mic, source: Floats, image: Floats, kept: float, places: Floats) -> Floats:
    """Level of one reflection against the direct sound, were the mic at each place (K, 3) with its aim kept."""
    point = scene.aim_point(mic)
    axes = np.zeros_like(places) if point is None else np.array(point) - places
    axes = axes / np.maximum(np.linalg.norm(axes, axis=1, keepdims=True), 1e-9)
    pattern = Pattern.named(mic.pattern)
    levels = []
    for origin in (image, source):
        gain = np.abs(gains(origin[None], places, axes, pattern)[0])
        levels.append(np.maximum(gain, 1e-9) / np.maximum(np.linalg.norm(places - origin, axis=1), 1e-6))
    ratio: Floats = 20 * np.log10(kept * levels[0] / levels[1])
    return ratio


def mended_by_moving_nearer(
    scene: Scene, mic: Mic, source: Floats, surface: str, level_db: float, wanted_db: float
) -> float | None:
    """How much nearer to its source a mic must go for a reflection to fall to ``wanted_db``.

    None where that is beyond a third of the way.
    """
    image, here = image_of(scene, surface, source), np.array(mic.position)
    if image is None:
        return None
    share = np.linspace(0.0, 1 / 3, 101)
    places = here + share[:, None] * (source - here)
    levels = reflection_levels_db(scene, mic, source, image, 1.0, places)
    fallen = np.flatnonzero(levels - levels[0] + level_db <= wanted_db)
    return float(share[fallen[0]] * np.linalg.norm(source - here)) if len(fallen) else None


def axis_degrees(scene: Scene, mic: Mic, point: Point) -> float:
    """How far off its axis a mic sees a point, degrees."""
    axis = aims(scene, (mic,))[0]
    way = np.array(point) - np.array(mic.position)
    return float(np.degrees(np.arccos(np.clip(axis @ way / max(float(np.linalg.norm(way)), 1e-9), -1.0, 1.0))))
