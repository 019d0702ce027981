"""The rule on strong reflections: which surface sends a source back too loud, and what would mend that.

What absorbs, and from where: printed tables give 0.5 or more for a heavy carpet on concrete from 1.5 kHz (0.37 at
1 kHz, 0.60 at 2 kHz), for a heavy curtain hung in folds from 420 Hz (0.35 at 250 Hz, 0.55 at 500 Hz), for 5 cm of glass
wool from 170 Hz (0.22 at 125 Hz, 0.82 at 250 Hz). So a rug does nothing for a notch at 400 Hz. Carpet, curtain: table
of general building materials, in many handbooks (Ballou's among them); glass wool: tables of its makers.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.acoustics.prediction import Prediction
from micalign.acoustics.reflections import Reflection
from micalign.findings.finding import Finding
from micalign.findings.moves import (
    image_of,
    mended_by_moving_nearer,
    reflection_levels_db,
    rounded_up,
    say_length,
    say_place,
)
from micalign.scene.model import SURFACES, Mic, Scene
from micalign.units import show_db, show_hz, show_ms_known

__all__ = ["COVERS", "Cover", "strong_reflection"]

_STRONG_DB: Final = -6.0
_HEARD_DB: Final = -10.0
_TYPICAL_S: Final = 40e-6  # what 1 cm at each end makes of a delay
_THICK_M: Final = 0.05
_FAR: Final = 2.0  # a mic twice as far from its source as another one is there to be far


@dataclass(frozen=True, slots=True)
class Cover:
    """What may be laid or hung where a sound bounces, and from which frequency it takes half of the energy."""

    words: str
    from_hz: float


COVERS: Final = {"rug": Cover("a thick rug", 1500.0), "curtain": Cover("a heavy curtain or blanket in folds", 500.0)}
"""What takes half of the energy above its own frequency, and needs no thickness; below comes `THICK`."""

THICK: Final = Cover("an absorber {thickness} thick", 250.0)


def strong_reflection(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A surface sends a mic's own source back less than 10 dB weaker; one finding a surface, for its worst mic."""
    on = {mic.name: mic.on for mic in scene.mics}
    by_surface: dict[str, list[Reflection]] = defaultdict(list)
    for row in prediction.reflections:
        if row.source in on[row.mic] and row.level_db > _HEARD_DB and row.order == 1:
            by_surface[row.surface].append(row)
    for surface, rows in by_surface.items():
        worst = max(rows, key=lambda row: row.level_db)
        others = sorted({row.mic for row in rows} - {worst.mic})
        also = f" (also at {', '.join(repr(name) for name in others[:3])})" if others else ""
        late = show_ms_known(worst.delay_s, _TYPICAL_S)
        notch = "in the bass" if worst.polarity < 0 else f"at {show_hz(worst.first_notch_hz or 20e3)}"
        yield Finding(
            "reflection",
            "warning" if worst.level_db > _STRONG_DB else "note",
            (surface, worst.mic, worst.source, *others),
            f"{_said(surface)} sends '{worst.source}' back to '{worst.mic}' {late} late, "
            f"{show_db(abs(worst.level_db))} {'down' if worst.level_db < 0 else 'up'}{also}: first notch {notch}.",
            _mend(scene, prediction, worst),
            worst.level_db - _HEARD_DB,
        )


def _said(surface: str) -> str:
    if surface in {"floor", "ceiling"}:
        return f"The {surface}"
    return f"The {surface} wall" if surface in SURFACES else f"The panel '{surface}'"


def _mend(scene: Scene, prediction: Prediction, row: Reflection) -> str:
    """The first of these that works: a close mic closer, something that absorbs there, a pattern, the floor itself."""
    mic, source = scene.mic(row.mic), np.array(scene.source(row.source).position)
    wanted = _STRONG_DB if row.level_db > _STRONG_DB else _HEARD_DB
    if not _is_far_mic(scene, prediction, row):
        nearer = mended_by_moving_nearer(scene, mic, source, row.surface, row.level_db, wanted)
        if nearer is not None and nearer >= 0.01:
            return f"Move '{row.mic}' {say_length(nearer, scene.length_unit)} nearer to '{row.source}'."
    return (
        _cover(scene, prediction, row) or _pattern(scene, mic, row, wanted) or _boundary(scene, mic, row) or _ear(row)
    )


def _is_far_mic(scene: Scene, prediction: Prediction, row: Reflection) -> bool:
    """Whether another mic on the source is so much nearer that this one is there for the distance."""
    found = prediction.arrivals
    own = found.distance_m[found.cell(row.source, row.mic)]
    others = [mic.name for mic in scene.mics if row.source in mic.on and mic.name != row.mic]
    return any(own > _FAR * found.distance_m[found.cell(row.source, name)] for name in others)


def _cover(scene: Scene, prediction: Prediction, row: Reflection) -> str:
    """What absorbs at the first notch, laid where it bounces, a wavelength across; nothing where none reaches."""
    notch = np.inf if row.first_notch_hz is None else row.first_notch_hz
    if row.polarity < 0 or notch < THICK.from_hz:
        return ""
    unit, light = scene.length_unit, COVERS["rug" if row.surface == "floor" else "curtain"]
    if notch >= light.from_hz:
        what, rest = light.words, ""
    else:
        what = THICK.words.format(thickness=say_length(_THICK_M, unit))
        across = say_length(rounded_up(prediction.speed_of_sound_m_s / notch, unit), unit)
        what += f" and {across} across"
        rest = f" ({light.words} takes only what lies above {light.from_hz / 1e3:g} kHz)"
    skip = SURFACES.index(row.surface) // 2 if row.surface in SURFACES else 2
    place = say_place(row.at_m, unit, leave_out=skip) if row.at_m else "at its middle"
    verb = {"floor": "Lay", "ceiling": "Hang"}.get(row.surface, "Put")
    return f"{verb} {what} where it bounces: {place}{rest}."


def _pattern(scene: Scene, mic: Mic, row: Reflection, wanted_db: float) -> str:
    """A cardioid faced to the source, where the sound comes back from behind the mic: its place may stay."""
    source = np.array(scene.source(row.source).position)
    image = image_of(scene, row.surface, source)
    if image is None:
        return ""
    here = np.array(mic.position)[None]
    was, turned = (
        float(reflection_levels_db(scene, one, source, image, 1.0, here)[0])
        for one in (mic, replace(mic, pattern="cardioid", aim=row.source))
    )
    level = row.level_db + turned - was
    if level > wanted_db:
        return ""
    do = f"Face '{mic.name}'" if mic.pattern == "cardioid" else f"Take a cardioid for '{mic.name}', faced"
    return f"{do} to '{row.source}': the bounce falls to {show_db(level)}."


def _boundary(scene: Scene, mic: Mic, row: Reflection) -> str:
    """A single mic laid on the floor: both ways are one there."""
    if row.surface != "floor" or any(mic.name in pair.mics for pair in scene.pairs):
        return ""
    return f"Lay '{mic.name}' on the floor, its capsule within 1 cm of it: direct and bounced sound then arrive as one."


def _ear(row: Reflection) -> str:
    way = {"floor": "heights", "ceiling": "heights"}.get(row.surface, "distances from it")
    return f"No cover that can be carried reaches so low: choose among {way} of '{row.mic}' by ear."
