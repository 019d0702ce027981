"""Every number of the engine that was set by looking at takes: unit, reason and the bench that set it.

The weights of the two posteriors are fitted and stand in `micalign.tdoa.weights`, which
``tests/bench/delay/fit_weights.py`` writes; what stands here was chosen once and is held by
``tests/bench/delay/score_real.py`` and ``score.py``.
"""

from __future__ import annotations

from typing import Final

__all__ = [
    "APART_STEPS",
    "BANDS",
    "BEFORE_STEPS",
    "EARLIER_S",
    "FEW_STROKES_DB",
    "LEAST_GAP_DB",
    "LEAST_NOVELTY",
    "MOST_STROKES",
    "MOVED",
    "OWN_RANGE_DB",
    "RELIABLE",
    "ROOM_S",
    "SCENE_LOG_ODDS",
    "SO_ALIKE",
    "STROKE_S",
]

APART_STEPS: Final = 31
"""Milliseconds: two onsets are not nearer to one another than half of this (a flam is one stroke)."""

BEFORE_STEPS: Final = 30
"""Milliseconds before an onset that it must rise above: a drum's first periods, a room's early reflections."""

LEAST_NOVELTY: Final = 0.7
"""Natural log of power: 3 dB, below which ringing and reflections give more onsets than strokes do."""

LEAST_GAP_DB: Final = 6.0
"""Decibels: a narrower gap of levels parts soft from loud strokes of one source, not two sources."""

FEW_STROKES_DB: Final = 8.0
"""Decibels: one stroke alone must stand out by so much more to be a class of its own, two by half of it."""

OWN_RANGE_DB: Final = -20.0
"""Decibels under the loudest: softer strokes of one's own tell nothing beside bleed."""

MOST_STROKES: Final = 60
"""So many strokes are compared; more make it slower and no surer."""

BANDS: Final = ((60, 300, 2e-3), (300, 1200, 1e-3), (1200, 5000, 0.5e-3), (5000, 14000, 0.4e-3), (60, 16000, 0.6e-3))
"""Hertz, hertz, seconds: bands in which a wavefront is looked for and how long its rise is watched, about a period."""

EARLIER_S: Final = 0.006
"""Seconds: a rise counts only above everything of the 6 ms before it (precedence: a direct sound comes first)."""

STROKE_S: Final = (0.002, 0.018)
"""Seconds before and after a stroke that are correlated: longer lets in the room, shorter a kick's first period not."""

ROOM_S: Final = 0.02
"""Seconds of lags on either side that are looked at beyond the search, to know how high chance alone rises."""

SO_ALIKE: Final = 0.45
"""Share of full agreement from which two tracks are one sound over one path, whatever their strokes say: pairs of a
kit reach 0.41 (95 % of the simulated ones; 0.13 on a real kit), two ears 0.47, a cabinet 0.24 to 0.47, copies 0.57."""

MOVED: Final = 0.1
"""Share of delays that are not where a scene has them: one mic in ten was moved, mistaken or wrongly measured (common
practice, no source); any small share does, since what a scene gains is a factor of hundreds."""

SCENE_LOG_ODDS: Final = (1.3, 0.75)
"""Offset and slope of log odds: of 328 delays with a scene's prior, real takes' development half and simulated ones,
those of raw chance 0.7 to 0.9 were right in 71 of 75 (``tests/bench/delay/score_scene.py``)."""

RELIABLE: Final = 0.9
"""Probability from which an answer is acted upon."""
