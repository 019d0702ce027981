"""Moves that mend: how far, which way, and in words that a person at a stand can follow.

Vectors are metres; x right, y back (away from the front wall), z up. Lengths are said in centimetres or inches, as
the scene's own unit is metric or not.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np

from micalign.acoustics.patterns import Pattern, aims, gains
from micalign.acoustics.reflections import mirror, panel_frame
from micalign.arrays import Floats
from micalign.scene.model import SURFACES, Mic, Point, Scene
from micalign.units import METRES, show_centimetres, show_length

__all__ = [
    "WAYS",
    "axis_degrees",
    "gains_at",
    "image_of",
    "reflection_levels_db",
    "rounded_up",
    "say_length",
    "say_move",
    "say_place",
    "string_length",
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


def string_length(metres: float, unit: str) -> str:
    """The length of a string to cut: to the millimetre, or the eighth of an inch.

    >>> string_length(1.2669, "m"), string_length(1.2669, "in"), string_length(1.2669, "ft")
    ('126.7 cm', '49 7/8 in', '4 ft 1 7/8 in')
    """
    if unit not in {"in", "ft"}:
        return f"{metres * 100:.1f} cm"
    eighths = round(metres / METRES["in"] * 8)
    feet, eighths = divmod(eighths, 96) if unit == "ft" else (0, eighths)
    inches, rest = divmod(eighths, 8)
    below = math.gcd(rest, 8)
    words = [f"{feet} ft"] if feet else []
    inch = [str(inches)] if inches or not (rest or feet) else []
    inch += [f"{rest // below}/{8 // below}"] if rest else []
    return " ".join([*words, *([" ".join(inch) + " in"] if inch else [])])


def rounded_up(metres: float, unit: str) -> float:
    """A length rounded up to what `say_length` says of it, so that a move is never said too short.

    >>> rounded_up(0.0712, "m"), round(rounded_up(0.0712, "in") / 0.0254, 2)
    (0.08, 3.0)
    """
    step = METRES["in"] / 4 if unit in {"ft", "in"} else 0.01
    return math.ceil(metres / step - 1e-6) * step


def say_move(
    move_m: Floats, unit: str, *, say: Callable[[float, str], str] = say_length, least_m: float = 0.005
) -> str:
    """A move by its axes, the largest first; what is under half a centimetre is left out.

    >>> say_move(np.array([0.05, -0.12, 0.002]), "m")
    '12 cm toward the front and 5 cm to the right'
    """
    order = sorted(range(3), key=lambda axis: -abs(move_m[axis]))
    parts = [
        f"{say(abs(float(move_m[axis])), unit)} {WAYS[axis][int(move_m[axis] < 0)]}"
        for axis in order
        if abs(move_m[axis]) >= least_m
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


def gains_at(scene: Scene, mic: Mic, point: Point, places: Floats) -> Floats:
    """Signed amplitude of a mic's pattern towards a point, were it at each place (K, 3) with its aim kept: (K,)."""
    aim = scene.aim_point(mic)
    if aim is None:
        return np.ones(len(places))
    axes = np.array(aim) - places
    axes = axes / np.maximum(np.linalg.norm(axes, axis=1, keepdims=True), 1e-9)
    towards: Floats = gains(np.array([point]), places, axes, Pattern.named(mic.pattern))[0]
    return towards


def axis_degrees(scene: Scene, mic: Mic, point: Point) -> float:
    """How far off its axis a mic sees a point, degrees."""
    axis = aims(scene, (mic,))[0]
    way = np.array(point) - np.array(mic.position)
    return float(np.degrees(np.arccos(np.clip(axis @ way / max(float(np.linalg.norm(way)), 1e-9), -1.0, 1.0))))
