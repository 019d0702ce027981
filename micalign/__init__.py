"""micalign: microphones around a sound, and what happens when they are added together.

The public names below are loaded when they are first used, so that importing the package costs nothing.

>>> import micalign
>>> scene = micalign.Scene(
...     sources=(micalign.Source("snare", (2.0, 2.0, 0.7)),),
...     mics=(micalign.Mic("near", (2.2, 2.0, 0.9)), micalign.Mic("far", (3.5, 3.0, 1.8))),
... )
>>> row = micalign.predict(scene).differences[0]
>>> f"{row.difference_s * 1e3:.2f} ms, first notch at {row.first_notch_hz:.0f} Hz"
'5.32 ms, first notch at 94 Hz'
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from micalign.acoustics.comb import notches_hz, peaks_hz
    from micalign.acoustics.placement import place
    from micalign.acoustics.prediction import Prediction, predict
    from micalign.acoustics.survey import surveyed
    from micalign.delay.measure import Delay, measure_many, measure_pair
    from micalign.errors import MicalignError, OutputError, SceneError, TakeError
    from micalign.files.audio import open_take, open_track
    from micalign.files.scenes import read_scene
    from micalign.findings.rules import findings
    from micalign.scene.document import parse_scene
    from micalign.scene.model import Di, Mic, Room, Scene, Source
    from micalign.take.model import Take, Track

__version__ = "0.1.0"

_HOMES: Final = {
    "acoustics.comb": ("notches_hz", "peaks_hz"),
    "acoustics.placement": ("place",),
    "acoustics.prediction": ("Prediction", "predict"),
    "acoustics.survey": ("surveyed",),
    "delay.measure": ("Delay", "measure_many", "measure_pair"),
    "errors": ("MicalignError", "OutputError", "SceneError", "TakeError"),
    "files.audio": ("open_take", "open_track"),
    "files.scenes": ("read_scene",),
    "findings.rules": ("findings",),
    "scene.document": ("parse_scene",),
    "scene.model": ("Di", "Mic", "Room", "Scene", "Source"),
    "take.model": ("Take", "Track"),
}
_HOME_OF: Final = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Delay",
    "Di",
    "Mic",
    "MicalignError",
    "OutputError",
    "Prediction",
    "Room",
    "Scene",
    "SceneError",
    "Source",
    "Take",
    "TakeError",
    "Track",
    "findings",
    "measure_many",
    "measure_pair",
    "notches_hz",
    "open_take",
    "open_track",
    "parse_scene",
    "peaks_hz",
    "place",
    "predict",
    "read_scene",
    "surveyed",
]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"micalign has no public name '{name}'")
    return getattr(importlib.import_module(f"micalign.{home}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
