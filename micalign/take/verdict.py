"""Good, quiet, hot, clipped or silent: where do a track's loudest peaks lie, and how much gain is to be changed?

The working window is common practice, no source: the loudest peaks between 25 and 75 % of full scale (-12.0 to
-2.5 dBFS) leave room for a player who warms up, and lie far above the noise of any converter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.errors import TakeError
from micalign.take.clipping import Clipping
from micalign.take.hum import Hum
from micalign.take.meters import Readings
from micalign.take.noise import Floor
from micalign.units import db_from_amplitude

__all__ = ["Verdict", "WorkingWindow", "is_dead", "verdict_on"]

Verdict: TypeAlias = Literal["good", "quiet", "hot", "clipped", "silent"]

_SILENT_PEAK: Final = 10.0 ** (-72.0 / 20.0)  # below 8 steps of 16 bit: no mic in a room is as quiet
_DEAD_SPREAD: Final = 10.0**0.6  # 6 dB between the floor and the loudest hundredth of the take
_DEAD_POWER: Final = 10.0 ** (-40.0 / 10.0)  # louder and steady may be a drone
_HUM_ALONE: Final = 0.8
_CLIPPED_DB: Final = -6.0  # how far it went beyond is not in the file


@dataclass(frozen=True, slots=True)
class WorkingWindow:
    """Between which percentages of full scale the loudest peaks should lie.

    Examples
    --------
    >>> WorkingWindow().middle_percent
    50.0
    >>> round(WorkingWindow().gain_change_db(0.1, "quiet"), 1)
    14.0
    """

    lower_percent: float = 25.0
    upper_percent: float = 75.0

    def __post_init__(self) -> None:
        if not 0.0 < self.lower_percent < self.upper_percent <= 100.0:
            raise TakeError(
                f"a working window from {self.lower_percent:g} to {self.upper_percent:g} % of full scale cannot be: "
                "give the lower end first, both above 0 and at most 100"
            )

    @property
    def middle_percent(self) -> float:
        """Where the gain change aims."""
        return (self.lower_percent + self.upper_percent) / 2.0

    def gain_change_db(self, peak: float, verdict: Verdict) -> float | None:
        """What brings a peak to the middle of the window; none for a good or a silent track."""
        if verdict == "silent":
            return None
        if verdict == "good":
            return 0.0
        change = db_from_amplitude(self.middle_percent / 100.0 / peak)
        return min(change, _CLIPPED_DB) if verdict == "clipped" else change


def verdict_on(peak: float, clipping: Clipping, window: WorkingWindow, *, dead: bool = False) -> Verdict:
    """The verdict on a track whose largest sample is ``peak`` (full scale 1).

    >>> verdict_on(0.5, Clipping(), WorkingWindow()), verdict_on(0.9, Clipping(), WorkingWindow())
    ('good', 'hot')
    """
    if dead or peak < _SILENT_PEAK:
        return "silent"
    if clipping.is_cut:
        return "clipped"
    if 100.0 * peak > window.upper_percent:
        return "hot"
    return "quiet" if 100.0 * peak < window.lower_percent else "good"


def is_dead(readings: Readings, floor: Floor | None, hum: Hum | None) -> bool:
    """Whether there is nothing on a track but steady noise, or steady hum."""
    if floor is None or len(readings.tenths) < 2:
        return False
    loudest = float(np.quantile(readings.tenths, 0.99))
    alone = hum is not None and hum.power > _HUM_ALONE * floor.power
    return loudest < _DEAD_SPREAD * floor.power and (loudest < _DEAD_POWER or alone)
