"""Rules on what a mic hears besides its own source, the room in it, and on mics nearer than a source is wide."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Final

import numpy as np

from micalign.acoustics.heard import Bleed
from micalign.acoustics.prediction import Path, Prediction
from micalign.acoustics.spacing import CLOSE_M
from micalign.findings.finding import Finding, Remedy
from micalign.findings.moves import rounded_up
from micalign.findings.places import allowed, towards
from micalign.findings.remedies import at_place, of_pattern, spread
from micalign.scene.model import Scene
from micalign.units import show_db, show_length

__all__ = ["heard_besides", "near_field"]

_LOUD_BLEED_DB: Final = -10.0
"""Bleed louder than this against a close mic's own source is heard in the mix (common practice, no source)."""
_NEAREST_M: Final = 0.03
_ROOM_DB: Final = 3.0
"""Where the room adds more than the direct sound has, neither aim nor angle helps."""


def heard_besides(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A close mic hears another source less than 10 dB below its own."""
    own = {(path.mic, path.source): path.distance_m for path in prediction.paths}
    for row in prediction.bleed:
        if row.heard_db > _LOUD_BLEED_DB and own[row.mic, row.own] <= CLOSE_M:
            yield Finding(
                "bleed",
                "note",
                (row.mic, row.own, row.source),
                _said(row),
                _advice(row),
                row.heard_db - _LOUD_BLEED_DB,
                alike=(row.mic,),
                propose=partial(_less_bleed, scene, row, own[row.mic, row.own]),
            )


def _less_bleed(scene: Scene, row: Bleed, own_m: float) -> Iterator[Remedy]:
    """Nearer to its own source, turned so that the other lies off its lobe, or of another pattern."""
    mic, source = scene.mic(row.mic), np.array(scene.source(row.own).position)
    here = np.array(mic.position)
    share = 10 ** ((_LOUD_BLEED_DB - row.heard_db) / 20)
    steps = rounded_up(0.001, scene.length_unit) * np.arange(1.0, 61.0)
    near = towards(here, source, steps[(own_m - steps <= own_m * share) & (own_m - steps >= _NEAREST_M)])
    for place in spread(near[allowed(scene, mic, near)], here, count=4):
        yield at_place(scene, mic, place, towards=row.own)
    for pattern in ("cardioid", "supercardioid", "hypercardioid", "figure-8"):
        if pattern != mic.pattern or mic.aim != row.own:
            yield of_pattern(mic, pattern, row.own)


def _said(row: Bleed) -> str:
    loud = f"{show_db(abs(row.heard_db))} {'below' if row.heard_db < 0 else 'above'} '{row.own}'"
    equal = "" if row.level_known else ", were both equally loud"
    direct = "direct sound alone " + show_db(row.direct_db, sign=True)
    return f"'{row.mic}' hears '{row.source}' {loud} with the room in it ({direct}){equal}."


def _advice(row: Bleed) -> str:
    if row.heard_db - row.direct_db > _ROOM_DB:
        return (
            f"The room brings it, so turning '{row.mic}' will not help: halve its distance to '{row.own}' for up to "
            "6 dB, or hang absorbers."
        )
    return f"Turn '{row.mic}' away from '{row.source}', go nearer to '{row.own}', or set the two farther apart."


def near_field(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic is nearer to its own source than that is wide."""
    on = {mic.name: mic.on for mic in scene.mics}
    for path in prediction.paths:
        if path.near_field and path.source in on[path.mic]:
            yield Finding("near-field", "note", (path.mic, path.source), _near_words(scene, path), _LISTEN, 0.0)


_LISTEN: Final = "Find its place by ear: a few centimetres along the face change the sound more than the distance."


def _near_words(scene: Scene, path: Path) -> str:
    size, unit = scene.source(path.source).size_m or 0.0, scene.length_unit
    return (
        f"'{path.mic}' is {show_length(path.distance_m, unit)} from '{path.source}', which is "
        f"{show_length(size, unit)} wide: it is no point source there, and its level no longer rises by 6 dB for half "
        "the distance."
    )
