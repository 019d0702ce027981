"""What happens when a sound is added to a later copy of itself?

The sum 1 + p g exp(-j 2 pi f t) of a signal and its copy, t seconds later, g as strong, of polarity p: where it
cancels (notches), where it adds (peaks), how deep and how high against the louder one alone. Frequencies in hertz,
levels in dB. Source: F. A. Everest and K. C. Pohlmann, Master Handbook of Acoustics, chapter 10: spacing 1/t, first
null 1/(2t), peaks of +6 dB for two of equal level.
"""

from __future__ import annotations

from typing import Final, overload

import numpy as np

from micalign.arrays import Floats
from micalign.units import AUDIBLE_HZ, amplitude_from_db, db_from_amplitude

__all__ = [
    "AUDIBLE_HZ",
    "FLOOR_DB",
    "first_notch_range_hz",
    "notch_depth_db",
    "notches_hz",
    "peak_height_db",
    "peaks_hz",
    "response_db",
]


FLOOR_DB: Final = -200.0
"""What stands for minus infinity, so that every level is a finite number."""


def notches_hz(delay_s: float, *, polarity: int = 1, upper_hz: float = AUDIBLE_HZ) -> Floats:
    """Frequencies at which the two cancel, up to ``upper_hz``.

    Odd multiples of 1/(2 delay) for copies of one polarity; 0, 1/delay, 2/delay ... where one is inverted (the
    deepest bass goes first). None at all where the two arrive together.

    Parameters
    ----------
    delay_s : float
        Of one copy against the other, seconds; its sign does not matter.
    polarity : int
        -1 where one of the two is inverted.
    upper_hz : float

    Returns
    -------
    ndarray of float64, shape (N,)
        Hertz, the lowest first.

    Examples
    --------
    >>> notches_hz(0.001, upper_hz=3000.0)
    array([ 500., 1500., 2500.])
    >>> notches_hz(0.001, polarity=-1, upper_hz=3000.0)
    array([   0., 1000., 2000., 3000.])
    """
    return _teeth(abs(delay_s), 0.5 if polarity > 0 else 0.0, upper_hz)


def first_notch_range_hz(delay_s: float, uncertainty_s: float) -> tuple[float, float | None]:
    """Where the first notch lies for a delay one standard deviation longer and shorter, both copies of one polarity.

    The upper end is None where the delay may be zero.

    >>> [round(end) for end in first_notch_range_hz(0.0045, 0.0005)], first_notch_range_hz(0.001, 0.001)
    ([100, 125], (250.0, None))
    """
    delay = abs(delay_s)
    return 0.5 / (delay + uncertainty_s), 0.5 / (delay - uncertainty_s) if delay > uncertainty_s else None


def peaks_hz(delay_s: float, *, polarity: int = 1, upper_hz: float = AUDIBLE_HZ) -> Floats:
    """Frequencies above 0 Hz at which the two add, up to ``upper_hz``.

    Parameters
    ----------
    delay_s, polarity, upper_hz
        As for `notches_hz`.

    Returns
    -------
    ndarray of float64, shape (N,)
        Hertz, the lowest first.

    Examples
    --------
    >>> peaks_hz(0.001, upper_hz=3000.0), peaks_hz(0.001, polarity=-1, upper_hz=3000.0)
    (array([1000., 2000., 3000.]), array([ 500., 1500., 2500.]))
    """
    return _teeth(abs(delay_s), 1.0 if polarity > 0 else 0.5, upper_hz)


def _teeth(delay_s: float, first: float, upper_hz: float) -> Floats:
    # The hair's breadth keeps a tooth that lies on the upper limit itself.
    count = int(np.floor(upper_hz * delay_s * (1 + 1e-12) - first)) + 1 if delay_s > 0 else 0
    teeth: Floats = (np.arange(max(count, 0), dtype=np.float64) + first) / (delay_s or 1.0)
    return teeth


@overload
def notch_depth_db(level_difference_db: float) -> float: ...
@overload
def notch_depth_db(level_difference_db: Floats) -> Floats: ...
def notch_depth_db(level_difference_db: float | Floats) -> float | Floats:
    """How far the sum falls in a notch, against the louder one alone; 0 or less, `FLOOR_DB` for full cancellation.

    >>> round(notch_depth_db(6.0), 2), notch_depth_db(0.0)
    (-6.04, -200.0)
    """
    return _floored(1.0 - _weaker(level_difference_db), level_difference_db)


@overload
def peak_height_db(level_difference_db: float) -> float: ...
@overload
def peak_height_db(level_difference_db: Floats) -> Floats: ...
def peak_height_db(level_difference_db: float | Floats) -> float | Floats:
    """How far the sum rises in a peak, against the louder one alone; 0 to 6.02 dB.

    >>> round(peak_height_db(0.0), 3), round(peak_height_db(-6.0), 2)
    (6.021, 3.53)
    """
    return _floored(1.0 + _weaker(level_difference_db), level_difference_db)


def _weaker(level_difference_db: float | Floats) -> Floats:
    ratio: Floats = amplitude_from_db(-np.abs(np.asarray(level_difference_db, dtype=np.float64)))
    return ratio


def _floored(ratio: Floats, asked: float | Floats) -> float | Floats:
    level: Floats = np.maximum(db_from_amplitude(np.asarray(ratio)), FLOOR_DB)
    return level if isinstance(asked, np.ndarray) else float(level)


def response_db(frequency_hz: Floats, delay_s: float, *, level_difference_db: float = 0.0, polarity: int = 1) -> Floats:
    """Level of the sum over frequency, against the louder one alone, dB.

    Parameters
    ----------
    frequency_hz : array
    delay_s, level_difference_db : float
        Of one copy against the other; their signs do not matter.
    polarity : int
        -1 where one of the two is inverted.

    Examples
    --------
    >>> np.round(response_db(np.array([0.0, 250.0, 1000.0]), 0.001), 2)
    array([6.02, 3.01, 6.02])
    """
    weaker = polarity * amplitude_from_db(-abs(level_difference_db))
    summed = np.abs(1.0 + weaker * np.exp(-2j * np.pi * np.asarray(frequency_hz, dtype=float) * delay_s))
    level: Floats = np.maximum(db_from_amplitude(summed), FLOOR_DB)
    return level
