"""How are a difference, a first notch and a stereo row said? The same words and digits on the terminal and on the page.

No number has more digits than the positions leave it; an inverted copy has no first notch but a loss of bass.
"""

from __future__ import annotations

from typing import Final

from micalign.acoustics.comb import first_notch_range_hz
from micalign.acoustics.differences import Difference
from micalign.acoustics.reflections import Reflection
from micalign.acoustics.stereo import PairSource
from micalign.units import show_db, show_hz, show_hz_range, show_ms_known

__all__ = ["TYPICAL_S", "depth_words", "late_words", "mono_notch_words", "notch_range_words", "notch_words"]

TYPICAL_S: Final = 40e-6
"""What a centimetre at each end makes of the delay of a reflection, whose uncertainty is not worked out."""


def notch_range_words(row: Difference) -> str:
    """The first notch of two mics' sum, as the range that the positions leave it."""
    if row.polarity < 0:
        return "bass (inverted)"
    return show_hz_range(*row.first_notch_range_hz) if row.first_notch_range_hz else "none"


def mono_notch_words(row: PairSource) -> str:
    """The first notch of a pair's mono sum, in the words and digits of any other two mics."""
    if row.mono_first_notch_hz is None:
        return "none"
    if row.mono_first_notch_hz == 0.0:
        return "bass"
    return show_hz_range(*first_notch_range_hz(row.difference_s, row.uncertainty_s))


def notch_words(polarity: int, first_notch_hz: float | None) -> str:
    """The first notch of one copy.

    >>> notch_words(1, 612.3), notch_words(-1, 0.0), notch_words(1, None)
    ('612 Hz', 'bass (inverted)', 'none')
    """
    if polarity < 0:
        return "bass (inverted)"
    return show_hz(first_notch_hz) if first_notch_hz else "none"


def late_words(row: Reflection) -> str:
    """How much later a reflection comes than the direct sound."""
    return show_ms_known(row.delay_s, TYPICAL_S)


def depth_words(depth_db: float | None) -> str:
    """How deep a notch is; nothing where there is none.

    >>> depth_words(-9.54), depth_words(None)
    ('-9.5 dB', '')
    """
    return "" if depth_db is None else show_db(depth_db)
