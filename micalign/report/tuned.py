"""Every number that somebody chose for words, tables and pages: unit, reason, and who or what set it.

Sizes on a page and how many rows a table shows stand where they are used, with a word.
"""

from __future__ import annotations

from typing import Final

LOST_DB: Final = 0.5
"""Decibels: what a third octave may lose without being shown; less is the spread of one take (judgement, no source)."""

HEARD_DB: Final = 0.05
"""Decibels: a change that is shown as 0.1 dB, the smallest that is printed; less is none."""

HARMLESS_HZ: Final = 10_000.0
"""Hertz: a first notch above this is heard by few and hurts little (common practice, no source)."""

LARGE_Z: Final = 3.0
"""Standard deviations: of a hundred rows as planned fewer than one lies further out (normal errors: 0.3 %)."""

ROUGH_M: Final = 0.02
"""Metres: a place known worse than this was paced or guessed (judgement, no source)."""

SAME_BOUNCE_S: Final = 0.4e-3
"""Seconds: an echo and a planned reflection nearer than this, 14 cm of way, are taken as one (judgement, no source)."""

WORTH_MOVING_M: Final = 0.004
"""Metres: a share of a move below this is left unsaid: nobody sets a stand to it (judgement, no source)."""

OF_ITS_OWN: Final = 0.05
"""Share of Sabine's time: Eyring's is given too where it differs by more: absorption is known no better."""

CENTRE_PERCENT: Final = 5.0
"""Share, per cent of the way to a loudspeaker: less is the centre; the figure is good to 17 (Simonsen 1984)."""

SILENT: Final = 1e-9
"""Share of full scale, RMS: a hundredth of the last bit of 24; below it there is digital silence alone."""
