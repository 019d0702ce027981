"""micalign: microphones around a sound, and what happens when they are added together.

The public names below are loaded when they are first used, so that importing the package costs nothing.

>>> import micalign
>>> scene = micalign.Scene(
...     sources=(micalign.Source("snare", (2.0, 2.0, 0.7)),),
...     mics=(micalign.Mic("near", (2.2, 2.0, 0.9)), micalign.Mic("far", (3.5, 3.0, 1.8))),
... )
>>> found = micalign.predict(scene)
>>> found
Arrivals; sound travels at 344.0 m/s
mic      snare
near   0.82 ms
far    6.14 ms
>>> row = found.differences[0]
>>> f"{row.difference_s * 1e3:.2f} ms, first notch at {row.first_notch_hz:.0f} Hz"
'5.32 ms, first notch at 94 Hz'

Results print as short tables, in a terminal and in a notebook; they hold numpy arrays by attribute
(``found.arrival_s``) and give plain values (``found.to_dict()``).
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from micalign.acoustics.arrivals import Pattern
    from micalign.acoustics.comb import notches_hz, peaks_hz
    from micalign.acoustics.placement import Placement
    from micalign.acoustics.prediction import Prediction, predict
    from micalign.acoustics.survey import Survey, survey, surveyed
    from micalign.errors import MicalignError, OutputError, SceneError, TakeError
    from micalign.figures.gallery import equal_distance_figure
    from micalign.figures.late_copies import Copy, comb_figure, timeline_figure
    from micalign.figures.stage_plan import plan_figure
    from micalign.figures.take import spectrum_figure
    from micalign.files.audio import open_take, open_track, open_tracks
    from micalign.files.encode import write_audio
    from micalign.files.scenes import read_scene
    from micalign.notebook import Alignment, Checked, Measurement, align, check, measure
    from micalign.scene.document import parse_scene
    from micalign.scene.model import Box, Di, Mic, Pair, Room, Source, Tape
    from micalign.scene.scene import Scene
    from micalign.take.tracks import Take, Track
    from micalign.tdoa.measure import Delay, measure_many, measure_pair

__version__ = "0.1.0"

_HOMES: Final = {
    "acoustics.comb": ("notches_hz", "peaks_hz"),
    "acoustics.arrivals": ("Pattern",),
    "acoustics.placement": ("Placement",),
    "findings.placing": ("place",),
    "acoustics.prediction": ("Prediction", "predict"),
    "acoustics.survey": ("Survey", "survey", "surveyed"),
    "tdoa.measure": ("Delay", "measure_many", "measure_pair"),
    "errors": ("MicalignError", "OutputError", "SceneError", "TakeError"),
    "figures.late_copies": ("Copy", "comb_figure", "timeline_figure"),
    "figures.gallery": ("equal_distance_figure",),
    "figures.stage_plan": ("plan_figure",),
    "figures.take": ("spectrum_figure",),
    "files.audio": ("open_take", "open_track", "open_tracks"),
    "files.encode": ("write_audio",),
    "files.scenes": ("read_scene",),
    "notebook": ("Alignment", "Checked", "Measurement", "align", "check", "measure"),
    "scene.document": ("parse_scene",),
    "scene.model": ("Box", "Di", "Mic", "Pair", "Room", "Source", "Tape"),
    "scene.scene": ("Scene",),
    "take.tracks": ("Take", "Track"),
}
_HOME_OF: Final = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Alignment",
    "Box",
    "Checked",
    "Copy",
    "Delay",
    "Di",
    "Measurement",
    "Mic",
    "MicalignError",
    "OutputError",
    "Pair",
    "Pattern",
    "Placement",
    "Prediction",
    "Room",
    "Scene",
    "SceneError",
    "Source",
    "Survey",
    "Take",
    "TakeError",
    "Tape",
    "Track",
    "align",
    "check",
    "comb_figure",
    "equal_distance_figure",
    "measure",
    "measure_many",
    "measure_pair",
    "notches_hz",
    "open_take",
    "open_track",
    "open_tracks",
    "parse_scene",
    "peaks_hz",
    "place",
    "plan_figure",
    "predict",
    "read_scene",
    "spectrum_figure",
    "survey",
    "surveyed",
    "timeline_figure",
    "write_audio",
]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"micalign has no public name '{name}'")
    return getattr(importlib.import_module(f"micalign.{home}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
