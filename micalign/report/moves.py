"""A move in words: "4 cm toward the hi-hat, 6 cm up"; and what a limit would have to give.

A level direction is told by a source where one lies that way within 20 degrees, else along the walls: right is larger
x, the back is larger y.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from micalign.acoustics.air import speed_of_sound_in
from micalign.acoustics.placement import Move
from micalign.acoustics.placing.obstacles import Obstacle
from micalign.arrays import Floats
from micalign.findings.moves import WAYS, string_length
from micalign.scene.model import Box, Scene
from micalign.units import show_centimetres, show_length

__all__ = ["move_words", "obstacle_words", "short_length", "string_length"]

_WORTH_SAYING_M: Final = 0.004
_ALONG: Final = float(np.cos(np.radians(20.0)))


def short_length(metres: float, unit: str) -> str:
    """A short length in the user's unit: centimetres in a metric scene.

    >>> short_length(0.042, "m"), short_length(1.25, "m"), short_length(0.042, "in")
    ('4 cm', '1.25 m', '1 3/4 in')
    """
    if unit in {"in", "ft"}:
        return show_length(metres, unit)
    return show_centimetres(metres) if metres < 0.995 else show_length(metres, "m")


def move_words(scene: Scene, move: Move) -> str:
    """The move as one would call it across the room; ``scene`` is the one before the move.

    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("hi-hat", (3.0, 2.0, 0.9)),), mics=(Mic("overhead", (2.0, 2.0, 1.8)),))
    >>> move_words(scene, Move("overhead", (2.0, 2.0, 1.8), (2.04, 2.0, 1.86), 0.072))
    '4 cm toward the hi-hat, 6 cm up'
    >>> move_words(scene, Move("overhead", (2.0, 2.0, 1.8), (2.0, 2.1, 1.8), 0.1))
    '10 cm toward the back'
    >>> move_words(scene, Move("overhead", (2.0, 2.0, 1.8), (2.0, 2.0, 1.8), 0.0))
    'stays'
    """
    if move.move_m == 0:
        return "stays"
    unit = scene.length_unit
    dx, dy, dz = (new - old for new, old in zip(move.to_m, move.from_m, strict=True))
    words = _level_words(scene, move, dx, dy)
    if abs(dz) >= _WORTH_SAYING_M:
        words.append(f"{short_length(abs(dz), unit)} {'up' if dz > 0 else 'down'}")
    return ", ".join(words) or f"{short_length(move.move_m, unit)} in all"


def _level_words(scene: Scene, move: Move, dx: float, dy: float) -> list[str]:
    unit, level = scene.length_unit, float(np.hypot(dx, dy))
    if level < _WORTH_SAYING_M:
        return []
    landmark = _landmark(scene, move, np.array([dx, dy]) / level, level)
    if landmark:
        return [f"{short_length(level, unit)} {landmark}"]
    return [
        f"{short_length(abs(step), unit)} {ways[int(step < 0)]}"
        for step, ways in zip((dx, dy), WAYS, strict=False)
        if abs(step) >= _WORTH_SAYING_M
    ]


def _landmark(scene: Scene, move: Move, direction: Floats, level: float) -> str:
    """The source that lies most nearly that way, or the other way, and further than the move."""
    best, words = _ALONG, ""
    for source in scene.sources:
        way = np.array(source.position[:2]) - np.array(move.from_m[:2])
        away = float(np.hypot(*way))
        if away <= max(level, 0.05):
            continue
        cosine = float(way @ direction) / away
        # Towards is easier to follow than away from: the latter must be clearly the better sign.
        for likeness, word in ((cosine, "toward"), (-cosine - 0.03, "away from")):
            if likeness > best:
                best, words = likeness, f"{word} {_the(source.name)}"
    return words


def _the(name: str) -> str:
    return name if name.lower().startswith(("the ", "a ")) else f"the {name}"


def obstacle_words(scene: Scene, one: Obstacle) -> str:
    """What a limit would have to give."""
    name, unit = one.limit.name, scene.length_unit
    give = short_length(one.give_m, unit)
    if one.limit.kind == "keepout":
        return f"keepout '{name}', which would have to give way by {give}"
    if one.limit.kind == "wall":
        margin = scene.place.wall_margin_m
        left = short_length(max(margin - one.give_m, 0.0), unit)
        return f"the margin to the walls, {left} instead of {short_length(margin, unit)} ([place] wall_margin)"
    if one.limit.kind == "fixed":
        return f"'{name}' may not move: it would have to stand {give} from where it is (give it 'move' or 'reach')"
    if one.limit.kind == "reach":
        reach = scene.mic(name).reach_m or 0.0
        return f"the reach of '{name}', {short_length(reach + one.give_m, unit)} instead of {short_length(reach, unit)}"
    if one.limit.kind == "move":
        return f"the box of '{name}' ('move'), which would have to reach {_further(scene, one)}"
    tolerance = next(pair.tolerance_s for pair in scene.pairs if pair.name == name)
    # Rounded up, so that the number is enough.
    wanted = math.ceil((tolerance + one.give_m / speed_of_sound_in(scene.air)) * 1e6) / 1e3
    return f"the tolerance of pair '{name}', {wanted:g} ms instead of {tolerance * 1e3:g} ms ('tolerance_ms')"


def _further(scene: Scene, one: Obstacle) -> str:
    """How far beyond which faces of its box a mic would have to stand."""
    box, unit = scene.mic(one.limit.name).move, scene.length_unit
    if not isinstance(box, Box) or one.to_m is None:
        return f"{short_length(one.give_m, unit)} further"
    words = []
    for value, low, high, (more, less) in zip(one.to_m, box.low, box.high, WAYS, strict=True):
        beyond, side = (low - value, less) if value < low else (value - high, more)
        if beyond >= 1e-3:
            words.append(f"{short_length(beyond, unit)} further {side}")
    return " and ".join(words) or f"{short_length(one.give_m, unit)} further"
