"""How long may an ear be exposed to a level in a day?

The recommended limit of the US National Institute for Occupational Safety and Health: 85 dBA for 8 hours, and half
the time for each 3 dB more (NIOSH, Criteria for a Recommended Standard: Occupational Noise Exposure, Publication
98-126, 1998). A guide for healthy adults at work, no promise; local codes may be stricter.
"""

from __future__ import annotations

import math
from typing import Final

__all__ = ["HEARING_WORDS", "LIMIT_DBA", "allowed_minutes", "show_minutes"]

LIMIT_DBA: Final = 85.0
_WHOLE_DAY_MINUTES: Final = 480.0
_EXCHANGE_DB: Final = 3.0


def allowed_minutes(level_dba: float) -> float:
    """Minutes a day at a level: 480 / 2^((L - 85) / 3).

    >>> allowed_minutes(85.0), allowed_minutes(100.0)
    (480.0, 15.0)
    """
    return float(_WHOLE_DAY_MINUTES / 2.0 ** ((level_dba - LIMIT_DBA) / _EXCHANGE_DB))


def show_minutes(minutes: float) -> str:
    """A time as a table writes it.

    >>> [show_minutes(value) for value in (480.0, 120.0, 15.0, 1.875, 0.46875)]
    ['8 h', '2 h', '15 min', '1 min 53 s', '28 s']
    """
    if minutes >= 60:
        return f"{minutes / 60:g} h"
    whole, seconds = divmod(math.floor(minutes * 60 + 0.5), 60)
    return " ".join([f"{whole} min"] * bool(whole) + [f"{seconds} s"] * bool(seconds))


HEARING_WORDS: Final = (
    f"NIOSH (98-126, 1998) recommends at most 85 dBA for {show_minutes(allowed_minutes(85))} a day, and half the time "
    f"for each 3 dB more: {show_minutes(allowed_minutes(94))} at 94 dBA, {show_minutes(allowed_minutes(100))} at "
    f"100 dBA, {show_minutes(allowed_minutes(109))} at 109 dBA. A kit played hard reaches such levels at the "
    "player's ear; so do headphones. Wear protection beside a kit, and follow local codes where they ask for more."
)
"""The caution that pages print, with the figures worked out."""
