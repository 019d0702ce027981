"""Every number of simulated takes that somebody chose: unit, and reason; no measurement set any of them."""

from __future__ import annotations

from typing import Final

CAB_DELAY_S: Final = 0.25e-3
"""Seconds that a cabinet sounds later than its DI: its cone lies about 9 cm behind the cloth (common practice, no
source)."""

EIGHTH_S: Final = 60.0 / 108.0 / 2.0
"""Seconds of an eighth at 108 beats a minute, a middling tempo (chosen, no source)."""

LEVEL_DB: Final = {
    "kick": 0.0,
    "snare": 0.0,
    "tom": -2.0,
    "hat": -9.0,
    "ride": -8.0,
    "crash": -4.0,
    "bass": -6.0,
    "guitar": -6.0,
    "voice": -8.0,
    "clap": -4.0,
    "noise": -6.0,
}
"""Decibels: peak of each sound at 1 m against a snare's (by ear, no source)."""

MOST_SAMPLES: Final = 200_000_000
"""Count of samples of all sources and tracks; each is held some three times, in 8 bytes: 5 GB (chosen, no source)."""

PEAK_DBFS: Final = -6.0
"""Decibels of full scale where the loudest track of a take peaks (common practice, no source)."""

SILENCE_S: Final = 0.5
"""Seconds of silence before the first note, for the noise floor to be read from."""

SILENT_AMPLITUDE: Final = 1e-3
"""Ratio to the direct sound at 1 m on the axis: below, a mic is turned away and the truth gives no polarity (chosen, no
source)."""

SPACING_S: Final = {"bass": 0.62, "guitar": 0.8, "voice": 0.6, "ride": 0.5, "crash": 0.8, "noise": 0.7}
"""Seconds between notes that ring long, where a source plays alone (chosen, no source)."""

TAIL_S: Final = 0.8
"""Seconds after the last note in which it may die away (chosen, no source)."""

VARIANTS: Final = 6
"""Count of unlike strokes of a source, played in turn (chosen, no source)."""
