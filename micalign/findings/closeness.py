"""Rules on how near a mic is: to a wall or the ceiling, to a singer's lips, and a room mic to what it hears."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from typing import Final

import numpy as np

from micalign.acoustics.patterns import Pattern
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.reflections import Reflection
from micalign.arrays import Bools, Floats
from micalign.findings.finding import Finding, Remedy
from micalign.findings.mics import own_sources
from micalign.findings.moves import say_length
from micalign.findings.places import allowed, towards
from micalign.findings.remedies import at_place, moves, of_pattern, spread
from micalign.scene.model import PATTERNS, SURFACES, Mic, Scene, kind_of
from micalign.units import db_from_amplitude, show_db, show_hz, show_length

__all__ = ["bass_lift", "bass_lift_db", "near_surface", "room_mic_too_near"]

_NEAR_SURFACE_M: Final = 0.5
_FLUSH_M: Final = 0.02
"""Nearer than this a mic is meant as one on the boundary."""
_LEVELS_DB: Final = (-20.0, -10.0)
"""Weaker is not heard; stronger is told as a strong reflection."""
_WORKS_HZ: Final = (50.0, 10_000.0)
_LIFT_HZ: Final = 100.0
_LIFT_DB: Final = 6.0
_ROOM_MIC: Final = re.compile(r"\broom\b|ambien|\bhall\b", re.IGNORECASE)


def near_surface(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic near a wall or the ceiling that sends its own source back, 10 to 20 dB down, with a notch in its range."""
    told: set[tuple[str, str]] = set()
    for row in sorted(prediction.reflections, key=lambda row: -row.level_db):
        if scene.room is None or row.surface not in SURFACES or row.surface == "floor" or row.order != 1:
            continue
        mic = scene.mic(row.mic)
        away = _away_m(scene, row.surface, np.array(mic.position)[None])[0]
        near = _FLUSH_M < away < _NEAR_SURFACE_M and row.source in mic.on and (row.mic, row.surface) not in told
        if near and _colours(scene, prediction, row):
            told.add((row.mic, row.surface))
            yield Finding(
                "near-surface",
                "note",
                (row.mic, row.surface),
                f"'{row.mic}' is {say_length(float(away), scene.length_unit)} from the {_called(row.surface)}: "
                f"'{row.source}' comes back {show_db(-_real_db(scene, prediction, row))} down, first notch at "
                f"{show_hz(row.first_notch_hz or 0.0)}.",
                "Cover that part of it, or turn the mic's back to it.",
                -0.2,
                alike=(row.surface,),
                propose=partial(moves, scene, mic, partial(_is_away, scene, row.surface)),
            )


def _called(surface: str) -> str:
    return "ceiling" if surface == "ceiling" else f"{surface} wall"


def _away_m(scene: Scene, surface: str, places: Floats) -> Floats:
    """How far places are from one surface, shape (K,)."""
    assert scene.room is not None
    axis, far = divmod(SURFACES.index(surface), 2)
    away: Floats = scene.room.size[axis] - places[:, axis] if far else places[:, axis]
    return away


def _is_away(scene: Scene, surface: str, places: Floats) -> Bools:
    return np.asarray(_away_m(scene, surface, places) >= _NEAR_SURFACE_M)


def _colours(scene: Scene, prediction: Prediction, row: Reflection) -> bool:
    low, high = scene.source(row.source).range_hz or _WORKS_HZ
    notch = row.first_notch_hz
    weak, strong = _LEVELS_DB
    audible = notch is not None and row.polarity > 0 and low / 2 <= notch <= high
    return audible and weak < _real_db(scene, prediction, row) <= strong


def _real_db(scene: Scene, prediction: Prediction, row: Reflection) -> float:
    """The level of a reflection, were it never weaker than a real mic's rejection leaves it."""
    found, mic = prediction.arrivals, scene.mic(row.mic)
    cell = found.cell(row.source, row.mic)
    own = float(found.distance_m[cell])
    later = own + row.delay_s * found.speed_m_s
    gain = max(abs(float(found.gain[cell])), 1e-3)
    least = -mic.rejection_db + float(db_from_amplitude(own / later / gain))
    return max(row.level_db, least) if mic.pattern != "omni" else row.level_db


def bass_lift_db(pattern: str, distance_m: float, hz: float, speed_m_s: float) -> float:
    """By how much a directional mic lifts a low frequency so near to a small source, against far from it, dB.

    On the axis |a + (1 - a)(1 + 1/jkr)|, the pressure gradient of a spherical wave: H. F. Olson, Acoustical
    Engineering, 1957 (from memory).

    >>> round(bass_lift_db("figure-8", 0.1, 100.0, 343.0), 1), bass_lift_db("omni", 0.1, 100.0, 343.0)
    (14.9, 0.0)
    """
    near = (1.0 - PATTERNS[pattern]) * speed_m_s / (2 * np.pi * hz * distance_m)
    return float(10 * np.log10(1.0 + near**2))


def bass_lift(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A directional mic so near to a voice that it lifts 100 Hz by 6 dB or more."""
    speed = prediction.speed_of_sound_m_s
    for row, column, source in own_sources(scene, prediction):
        mic, own = scene.mics[column], float(prediction.arrivals.distance_m[row, column])
        lift = bass_lift_db(mic.pattern, own, _LIFT_HZ, speed)
        if (source.kind or kind_of(source.name)) == "voice" and lift > _LIFT_DB:
            yield Finding(
                "bass-lift",
                "note",
                (mic.name, source.name),
                f"'{mic.name}', a {mic.pattern} {say_length(own, scene.length_unit)} from '{source.name}', lifts "
                f"{show_hz(_LIFT_HZ)} by {show_db(lift)}.",
                f"Cut the lows by as much, or keep them as a sound; every {say_length(0.02, scene.length_unit)} that "
                "the singer moves changes them.",
                -0.25,
                propose=partial(_less_lift, scene, mic, source.name, own, speed),
            )


def _less_lift(scene: Scene, mic: Mic, source: str, own_m: float, speed: float) -> Iterator[Remedy]:
    here, there = np.array(mic.position), np.array(scene.source(source).position)
    step = 0.0127 if scene.length_unit in {"ft", "in"} else 0.01
    farther = towards(here, there, -step * np.arange(1.0, 41.0))
    lifts = [bass_lift_db(mic.pattern, float(np.linalg.norm(place - there)), _LIFT_HZ, speed) for place in farther]
    good = farther[allowed(scene, mic, farther) & (np.array(lifts) <= _LIFT_DB)]
    for place in spread(good, here, count=3):
        yield at_place(scene, mic, place, towards=source)
    yield of_pattern(mic, "omni", source)


def room_mic_too_near(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic that is called one for the room hears more of a source directly than of the room."""
    critical = prediction.room.critical_distance_m if prediction.room else None
    if critical is None:
        return
    for column, mic in enumerate(scene.mics):
        rows = [row for row, other, _ in own_sources(scene, prediction) if other == column]
        if not rows or not _ROOM_MIC.search(mic.name):
            continue
        least = critical * float(np.sqrt(Pattern.of([mic]).directivity[0]))
        row = min(rows, key=lambda row: float(prediction.arrivals.distance_m[row, column]))
        own = float(prediction.arrivals.distance_m[row, column])
        if own < least:
            points = np.array([prediction.arrivals.source_m[one] for one in rows])
            yield Finding(
                "room-mic",
                "note",
                (mic.name, prediction.arrivals.sources[row]),
                f"'{mic.name}' is {show_length(own, scene.length_unit)} from '{prediction.arrivals.sources[row]}', "
                f"nearer than {show_length(least, scene.length_unit)}, where the room becomes as loud as the direct "
                "sound: it hears little room.",
                "Turn its null to the source, or take it as a distant mic.",
                -0.2,
                about=(mic.name,),
                propose=partial(moves, scene, mic, partial(_far_enough, points, least)),
            )


def _far_enough(points: Floats, least_m: float, places: Floats) -> Bools:
    far = np.linalg.norm(places[:, None, :] - points, axis=-1)
    return np.asarray((far >= 1.02 * least_m).all(axis=1))
