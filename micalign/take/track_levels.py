"""What one track reads: peaks, floor, hum, clipping, offset, and the verdict on it.

Peaks are against full scale (dBFS; dBTP between the samples). Root mean squares are against full scale 1 as well, so
a full-scale sine reads -3.01 dBFS (AES17 would say 0). The noise floor and hum are root mean square too.
"""

from __future__ import annotations

from dataclasses import dataclass

from micalign.take.clipping import Clipping
from micalign.take.doubles import Double
from micalign.take.hum import Hum
from micalign.take.noise import Floor, NoiseParts
from micalign.take.outline import Outline
from micalign.take.remarks import Remark
from micalign.take.verdict import Verdict
from micalign.units import db_from_amplitude, db_from_power

__all__ = ["TrackLevels"]


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
