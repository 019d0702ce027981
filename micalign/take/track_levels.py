"""What one track reads: peaks, floor, hum, clipping, offset; the verdict on it, and remarks.

Peaks are against full scale (dBFS; dBTP between the samples). Root mean squares are against full scale 1 as well, so
a full-scale sine reads -3.01 dBFS (AES17 would say 0). The noise floor and hum are root mean square too.

Good, quiet, hot, clipped or silent: the working window is common practice, no source. The loudest peaks between 25 and
75 % of full scale (-12.0 to -2.5 dBFS) leave room for a player who warms up, and lie far above the noise of any
converter. A remark is a problem, which spoils the track or its place in the mix, or a note, which is advice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.errors import TakeError
from micalign.take.clipping import Clipping
from micalign.take.doubles import Double
from micalign.take.meters import Outline, Readings
from micalign.take.noise import Floor, Hum, NoiseParts
from micalign.units import db_from_amplitude, db_from_power

__all__ = ["EARTH", "Remark", "Severity", "TrackLevels", "Verdict", "WorkingWindow", "clock", "is_dead", "verdict_on"]

Verdict: TypeAlias = Literal["good", "quiet", "hot", "clipped", "silent"]

_SILENT_PEAK: Final = 10.0 ** (-72.0 / 20.0)  # below 8 steps of 16 bit: no mic in a room is as quiet
_DEAD_SPREAD: Final = 10.0**0.6  # 6 dB between the floor and the loudest hundredth of the take
_DEAD_POWER: Final = 10.0 ** (-40.0 / 10.0)  # louder and steady may be a drone
_HUM_ALONE: Final = 0.8
_CLIPPED_DB: Final = -6.0  # how far it went beyond is not in the file
Severity: TypeAlias = Literal["note", "problem"]

EARTH: Final = (
    "Never lift or cut a protective earth to be rid of hum: it keeps people alive. Local electrical codes come first, "
    "and wiring is for a licensed electrician."
)


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


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing worth saying.

    Parameters
    ----------
    rule : str
        Its short name: ``clipped``, ``hum``, ``double`` ...
    severity : str
        ``problem`` or ``note``.
    message, advice : str
        What was found, and what to do.
    caution : str
        What keeps people safe while doing it.
    """

    rule: str
    severity: Severity
    message: str
    advice: str = ""
    caution: str = ""


def clock(seconds: float) -> str:
    """A place in a track in minutes and seconds.

    >>> clock(0.25), clock(83.456), clock(3675.0)
    ('0:00.250', '1:23.456', '61:15.000')
    """
    thousandths = round(seconds * 1000)
    return f"{thousandths // 60000}:{thousandths // 1000 % 60:02d}.{thousandths % 1000:03d}"


@dataclass(frozen=True, eq=False)
class TrackLevels:
    """What one track reads, and the verdict on it.

    Parameters
    ----------
    name : str
    sample_rate : int
    duration_s : float
    peak, true_peak : float
        Against full scale 1.
    mean_square : float
        Of all samples.
    loud_power : float
        Mean square of the loudest tenth of the tenths of a second.
    offset : float
        The constant part (DC): the median of the means of tenths of a second.
    over : int
        Samples beyond full scale (files of floats).
    clipping : Clipping
    floor : Floor or None
        None where the quiet parts are digital silence.
    noise : NoiseParts
    hum : Hum or None
    verdict : str
        ``good``, ``quiet``, ``hot``, ``clipped`` or ``silent`` (dead counts as silent).
    gain_change_db : float or None
        What brings the loudest peak to the middle of the working window; None for a silent track, a least value for
        a clipped one.
    double : Double or None
        Where it repeats an earlier track.
    remarks : tuple of Remark
    outline : Outline
        For a picture.
    broken : str
        Why the track could not be read to its end; all else is of what was read.
    """

    name: str
    sample_rate: int
    duration_s: float
    peak: float
    true_peak: float
    mean_square: float
    loud_power: float
    offset: float
    over: int
    clipping: Clipping
    floor: Floor | None
    noise: NoiseParts
    hum: Hum | None
    verdict: Verdict
    gain_change_db: float | None
    double: Double | None
    remarks: tuple[Remark, ...]
    outline: Outline
    broken: str = ""

    @property
    def peak_dbfs(self) -> float:
        """The largest sample."""
        return db_from_amplitude(self.peak)

    @property
    def true_peak_dbtp(self) -> float:
        """The highest value between samples."""
        return db_from_amplitude(self.true_peak)

    @property
    def rms_dbfs(self) -> float:
        """Root mean square of all samples."""
        return db_from_power(self.mean_square)

    @property
    def crest_db(self) -> float | None:
        """The largest sample against the root mean square."""
        return self.peak_dbfs - self.rms_dbfs if self.peak > 0.0 else None

    @property
    def noise_floor_dbfs(self) -> float | None:
        """What remains in the quiet parts; None for digital silence."""
        return None if self.floor is None else db_from_power(self.floor.power)

    @property
    def snr_db(self) -> float | None:
        """The loud parts against the noise floor."""
        return None if self.floor is None else db_from_power(self.loud_power / self.floor.power)

    @property
    def has_problem(self) -> bool:
        """Whether any remark is more than a note."""
        return any(remark.severity == "problem" for remark in self.remarks)
