"""What does one track read, what is the verdict on it, and in which window should its peaks lie?

Levels are against full scale 1, root mean squares too, so a full-scale sine reads -3.01 dBFS.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from micalign.errors import TakeError
from micalign.take import tuned
from micalign.take.digital_faults import Clicks, Gaps
from micalign.take.meters import Clipping
from micalign.take.noise import Floor, Hum, NoiseParts
from micalign.take.outline import Outline
from micalign.take.together import Double, Remark
from micalign.units import db_from_amplitude, db_from_power

__all__ = [
    "TrackLevels",
    "Verdict",
    "WorkingWindow",
]


_RANK: Final = (
    "broken",
    "silent",
    "dead",
    "dies",
    "clipped",
    "dropout",
    "double",
    "clicks",
    "offset",
    "hum",
    "rumble",
    "hiss",
    "noise",
)
"""Rules that name a problem, the gravest first."""

_NOISES: Final = frozenset({"rumble", "hiss", "noise"})

Verdict: TypeAlias = Literal["good", "quiet", "hot", "clipped", "silent", "broken"]


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
    clicks : Clicks
        With the peak of the sound without them, by which the track is judged.
    gaps : Gaps
    floor : Floor or None
        None where the quiet parts are digital silence.
    noise : NoiseParts
    hum : Hum or None
    verdict : str
        ``good``, ``quiet``, ``hot``, ``clipped`` or ``silent`` (dead counts as silent); ``broken`` where no
        sound could be read.
    gain_change_db : float or None
        What brings the loudest peak to the middle of the working window; None for a silent track, a least value for
        a clipped one. Of a pair that of the louder one, for both.
    double : Double or None
        Where it repeats an earlier track.
    remarks : tuple of Remark
    outline : Outline
        For a picture.
    broken : str
        Why the track could not be read to its end; all else is of what was read.
    mate : str
        The other side of a pair by their names, which is given the same gain; empty where there is none.
    may_be_bleed : bool
        So much quieter than others that nothing of its own may have been played.
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
    clicks: Clicks
    gaps: Gaps
    floor: Floor | None
    noise: NoiseParts
    hum: Hum | None
    verdict: Verdict
    gain_change_db: float | None
    double: Double | None
    remarks: tuple[Remark, ...]
    outline: Outline
    broken: str = ""
    mate: str = ""
    may_be_bleed: bool = False

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
    def verdict_words(self) -> str:
        """The verdict, and what else is wrong or faint, in a few words: the table and the picture say the same."""
        rules = [remark.rule for remark in self.remarks if remark.severity == "problem"]
        faint = [
            f"faint {remark.rule}" for remark in self.remarks if remark.severity == "note" and remark.rule in _NOISES
        ]
        first = "dead" if "dead" in rules else self.verdict
        if first == "good" and "broken" in rules:  # nobody knows what its rest is
            return ", ".join(dict.fromkeys(["broken", *rules]))
        return ", ".join(dict.fromkeys([first, *rules, *faint]))

    @property
    def gravity(self) -> tuple[int, int, int]:
        """Sorts the worst track first: those with problems, the gravest first, then those with notes."""
        problems = [_RANK.index(remark.rule) for remark in self.remarks if remark.severity == "problem"]
        return (min(problems, default=len(_RANK)), -len(problems), -len(self.remarks))

    @property
    def has_problem(self) -> bool:
        """Whether any remark is more than a note."""
        return any(remark.severity == "problem" for remark in self.remarks)


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

    lower_percent: float = tuned.WORKING_PERCENT[0]
    upper_percent: float = tuned.WORKING_PERCENT[1]

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
        """What brings a peak to the middle of the window; 0 for a good track, None for a silent or unread one."""
        if verdict in {"silent", "broken"}:
            return None
        if verdict == "good":
            return 0.0
        change = db_from_amplitude(self.middle_percent / 100.0 / peak)
        return min(change, tuned.CLIPPED_DB) if verdict == "clipped" else change
