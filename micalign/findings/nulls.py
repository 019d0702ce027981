"""A tip: a close mic's null could lie on what it should not hear."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Final

import numpy as np

from micalign.acoustics.heard import Bleed
from micalign.acoustics.patterns import Pattern, aims
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.spacing import CLOSE_M
from micalign.arrays import Floats
from micalign.findings.finding import Finding, Remedy
from micalign.findings.remedies import turned
from micalign.scene.model import Mic, Point, Scene
from micalign.units import db_from_amplitude, show_db

__all__ = ["null_elsewhere"]

_TURN_DEGREES: Final = 30.0
"""So far may a mic look past its own source: a cardioid then hears it 0.6 dB less."""
_GAIN_DB: Final = 6.0
_UNHEARD_DB: Final = -20.0
_ROOM_DB: Final = 3.0


def null_elsewhere(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A turn of at most 30 degrees past its source would lay a close mic's null on what it hears loudest besides."""
    own = {(path.mic, path.source): path.distance_m for path in prediction.paths}
    told: set[str] = set()
    for row in sorted(prediction.bleed, key=lambda row: -row.direct_db):
        mic = scene.mic(row.mic)
        if row.mic in told or len(mic.on) != 1 or own[row.mic, row.own] > CLOSE_M:
            continue
        told.add(row.mic)
        best = _best_aim(scene, mic, row)
        if best is not None and row.direct_db > _UNHEARD_DB and row.heard_db - row.direct_db < _ROOM_DB:
            point, less = best
            yield Finding(
                "null",
                "note",
                (row.mic, row.source),
                f"The null of '{row.mic}' does not lie on '{row.source}', which it hears loudest besides "
                f"'{row.own}': aimed so, it would hear {show_db(less)} less of it.",
                "Its null is out of reach where it stands.",
                -0.4,
                about=(row.mic,),
                propose=partial(_turned, scene, mic, row, point),
            )


def _turned(scene: Scene, mic: Mic, row: Bleed, point: Point) -> Iterator[Remedy]:
    yield turned(scene, mic, point, why=f", so that '{row.source}' lies at its null and '{row.own}' before it")


def _best_aim(scene: Scene, mic: Mic, row: Bleed) -> tuple[Point, float] | None:
    """The point to look at, and how much less is then heard of the other source; None for less than 6 dB."""
    pattern = Pattern.of([mic])
    null = float(pattern.null_degrees[0])
    if np.isnan(null) or mic.aim is None:
        return None
    here = np.array(mic.position)
    own, other = (_unit(np.array(scene.source(name).position) - here) for name in (row.own, row.source))
    between = float(np.degrees(np.arccos(np.clip(own @ other, -1.0, 1.0))))
    turn = float(np.clip(null - between, -_TURN_DEGREES, _TURN_DEGREES))
    away = _unit(own * (own @ other) - other)
    axis = own * np.cos(np.radians(turn)) + away * np.sin(np.radians(turn))
    now = float(pattern.heard(pattern.gain(np.array([aims(scene, (mic,))[0] @ other])))[0])
    then = float(pattern.heard(pattern.gain(np.array([axis @ other])))[0])
    less = float(db_from_amplitude(now / then))
    x, y, z = (here + 0.15 * axis).round(4).tolist()
    return ((x, y, z), less) if less >= _GAIN_DB else None


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9))
