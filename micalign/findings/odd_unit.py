"""Was a scene written in another unit than it says? Sizes that no room has, and tapes that fit after one factor.

Everything else that is said of such a scene is wrong by that factor; nothing is refused, since a hall may be as long as
anybody likes: it is told where another unit makes a usual room of it, or brings every tape to the positions.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from micalign.acoustics.arrangements import USUAL_ROOM
from micalign.acoustics.prediction import Prediction
from micalign.arrays import Floats
from micalign.findings.finding import Finding
from micalign.findings.tuned import (
    FARTHEST_APART_M,
    FITS_UNIT,
    QUITE_ANOTHER,
    ROOM_SIDES_M,
    USUAL_HEIGHT_M,
    USUAL_SIDES_M,
)
from micalign.scene.scene import Scene
from micalign.units import METRES, show_length

__all__ = ["another_unit", "unit_by_tapes", "unit_words"]

_SIDES: Final = np.array(USUAL_ROOM.size)


def another_unit(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """The scene is only plausible in another unit."""
    found = _doubt(scene)
    if found is not None:
        unit, seen = found
        yield Finding(
            "unit",
            "problem",
            (),
            f"{seen}, which fits if the lengths without a unit are in {unit}.",
            f'Write length_unit = "{unit}" in place of "{scene.length_unit}" if they are: all else rests on it.',
            1e3,
        )


def unit_words(scene: Scene) -> str:
    """What is told of a scene that is only plausible in another unit, one sentence; empty where it is plausible.

    >>> from micalign.scene.model import Room
    >>> unit_words(Scene(room=Room((410.0, 340.0, 240.0))))
    'The room is 410.00 x 340.00 x 240.00 m, which fits if the lengths without a unit are in cm.'
    >>> unit_words(Scene(room=Room((120.0, 80.0, 30.0))))
    ''
    """
    found = _doubt(scene)
    return "" if found is None else f"{found[1]}, which fits if the lengths without a unit are in {found[0]}."


def _doubt(scene: Scene) -> tuple[str, str] | None:
    """The unit that fits, and what shows it."""
    by_tapes = unit_by_tapes(scene)
    if by_tapes is not None:
        times = METRES[by_tapes] / METRES[scene.length_unit]
        many = f"{1 / times:.3g} times as far apart as" if times < 1 else f"{times:.3g} times nearer together than"
        return by_tapes, f"The positions are {many} every tape between them reads"
    if scene.room is not None:
        unit = _unit_of_room(np.array(scene.room.size), scene.length_unit)
        sides = " x ".join(show_length(side, scene.length_unit) for side in scene.room.size)
        named = f" {scene.length_unit}"
        return None if unit is None else (unit, f"The room is {sides.replace(named + ' x', ' x')}")
    places = np.array([thing.position for thing in scene.placed() if None not in thing.at]).reshape(-1, 3)
    apart = float(np.linalg.norm(places[:, None] - places[None], axis=2).max()) if len(places) > 1 else 0.0
    if apart <= FARTHEST_APART_M:
        return None
    unit = "mm" if apart * METRES["cm"] / METRES[scene.length_unit] > FARTHEST_APART_M else "cm"
    return unit, f"Sources and mics stand up to {show_length(apart, scene.length_unit)} apart"


def unit_by_tapes(scene: Scene) -> str | None:
    """The unit in which every tape between two given places agrees with them; None where there is none, or no tape."""
    things = {thing.name: thing for thing in scene.placed() if None not in thing.at}
    known = [tape for tape in scene.tapes if all(name in things for name in tape.between)]
    apart = np.array([things[tape.between[0]].metres_to(things[tape.between[1]]) for tape in known])
    if not known or apart.min() <= 0.0:
        return None
    ratio = np.array([tape.distance_m for tape in known]) / apart
    for unit, metres in METRES.items():
        if unit != scene.length_unit and np.all(np.abs(np.log(ratio * METRES[scene.length_unit] / metres)) < FITS_UNIT):
            return unit
    return None


def _unit_of_room(sides_m: Floats, unit: str) -> str | None:
    """The unit that makes a usual room of one that is none; of several the one that makes the most usual."""
    low, high = ROOM_SIDES_M
    if low <= sides_m.min() and sides_m.max() <= high:
        return None
    times = {one: METRES[one] / METRES[unit] for one in METRES}
    # A cathedral in metres is a hall in feet: only a unit that is quite another one is told by a size.
    sizes = {one: sides_m * by for one, by in times.items() if max(by, 1 / by) > QUITE_ANOTHER}
    usual = {one: float(np.abs(np.log(size / _SIDES)).sum()) for one, size in sizes.items() if _is_usual(size)}
    return min(usual, key=lambda one: usual[one], default=None)


def _is_usual(sides_m: Floats) -> bool:
    low, high = USUAL_SIDES_M
    return bool(sides_m[2] >= USUAL_HEIGHT_M and low <= sides_m.min() and sides_m.max() <= high)
