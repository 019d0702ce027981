"""Every number that somebody chose for what a figure shows: unit, reason, and who or what set it.

Sizes on paper stand where they are used, with a word.
"""

from __future__ import annotations

from typing import Final

WITHIN_DB: Final = 12.0
"""Decibels: a copy weaker than this takes 2.5 dB from the sum at most and is not drawn (judgement, no source)."""

NO_COMB_S: Final = 20e-6
"""Seconds: a copy no later than this has its first notch at 25 kHz or above, which nobody hears."""

CROSSING_MS: Final = 0.05
"""Milliseconds: within this of every source two mics count as equal, the default tolerance of a pair."""

CROSSING_APART_M: Final = 0.15
"""Metres: two such places nearer than this are one place for a stand; no mic stands nearer to another (judgement)."""

WHITENED: Final = 0.4
"""Weight, an exponent: 0 is the plain correlation, 0.5 counts all frequencies alike, noise as well (set by eye)."""

LIKENESS_HZ: Final = (40.0, 8000.0)
"""Hertz: the band in which two mics in a room are alike; above, centimetres turn the phase (judgement, no source)."""

RIVAL: Final = 0.7
"""Share of the highest peak: lower ones are seldom mistaken for it, and the rings would hide the curve (by eye)."""

OWN_PEAK_S: Final = 2e-4
"""Seconds: half the width of the main peak of what is heard below 8 kHz, with its side lobes."""
