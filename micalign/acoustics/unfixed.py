"""What is to be measured or given, where tapes do not fix a point or leave two places for it?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from micalign.acoustics.tuned import DISAGREES
from micalign.errors import named
from micalign.scene.model import Coordinates
from micalign.scene.scene import Scene
from micalign.units import METRES, show_length

if TYPE_CHECKING:
    from micalign.acoustics.survey import NextTape, SurveyPoint

__all__ = ["unfixed_sentence"]


def unfixed_sentence(scene: Scene, point: SurveyPoint, wanted: NextTape | None) -> str:
    """In one sentence: which point, why it is open, and how to mend that."""
    kind = "source" if any(source.name == point.name for source in scene.sources) else "mic"
    if short := _too_short(scene, point.name):
        return short
    tape = f"measure '{wanted.between[0]}' to '{wanted.between[1]}' too, or " if wanted else ""
    if point.fixed_by:
        tape = f"measure from it to {named(point.fixed_by)} too, or "
    if point.fixed:
        both = " and ".join(_shown(scene, place) for place in (point.at_m, point.other_m) if place)
        mend = f"{tape}give the right one of the two as its place"
        return f"{kind} '{point.name}': the tapes given leave two places where it may stand, {both}: {mend}"
    count = sum(point.name in tape.between for tape in scene.tapes)
    too_few = {0: "no tape leads to it", 1: "the one tape to it does not fix it"}
    why = too_few.get(count, f"the {count} tapes to it do not fix it")
    return f"{kind} '{point.name}' has no full position, and {why}: {tape}{_asked_of(scene, point.name)}"


def _asked_of(scene: Scene, name: str) -> str:
    """Which coordinate to give: one that is not given yet."""
    at = next(thing.at for thing in scene.placed() if thing.name == name)
    if at[2] is not None:
        return "give another coordinate of it than its height"
    height = f"{1.9 / METRES[scene.length_unit]:.3g} {scene.length_unit}"
    return f'give what you know of it, such as its height: at = ["?", "?", "{height}"]'


def _too_short(scene: Scene, name: str) -> str:
    """What is said of a tape that is shorter than two places are apart already by the coordinates known of both."""
    at = {thing.name: thing.at for thing in scene.placed()}
    for tape in (tape for tape in scene.tapes if name in tape.between):
        pairs = zip(*(at[end] for end in tape.between), strict=True)
        least = math.hypot(*(a - b for a, b in pairs if a is not None and b is not None))
        if tape.distance_m < least - DISAGREES * tape.plus_minus_m:
            ends = f"'{tape.between[0]}' to '{tape.between[1]}'"
            unit = scene.length_unit
            return (
                f"the tape {ends} ({show_length(tape.distance_m, unit)}) is too short: by the coordinates given they "
                f"are {show_length(least, unit)} apart and more: measure both again"
            )
    return ""


def _shown(scene: Scene, place: Coordinates) -> str:
    unit = scene.length_unit
    return f"({', '.join('?' if value is None else show_length(value, unit) for value in place)})"
