"""How loud does a short mono sound appear?

Loudness after ITU-R BS.1770-4 (2015): the K-weighting filter (a shelf for the head, a high-pass), the mean square in
blocks of 400 ms that overlap by three quarters, the absolute gate at -70 LUFS and the relative one 10 LU below. The
filter is applied by its frequency response to the whole sound at once, which is exact for a sound that begins and
ends in silence. One channel, as it stands in the file: a mono file played by two loudspeakers reads 3 LU more.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats
from micalign.units import amplitude_from_db

__all__ = ["LOUDNESS_RATE", "at_loudness", "fast_length", "loudness_lufs"]

LOUDNESS_RATE: Final = 48000
"""The rate for which the standard prints its coefficients."""

# ITU-R BS.1770-4, tables 1 and 2: numerator and denominator of each stage at 48 kHz.
_SHELF: Final = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285),
    (1.0, -1.69065929318241, 0.73248077421585),
)
_HIGH_PASS: Final = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))
_OFFSET_LU: Final = -0.691
_BLOCK_S: Final = 0.4
_STEP_S: Final = 0.1
_ABSOLUTE_LUFS: Final = -70.0
_RELATIVE_LU: Final = -10.0
_TAIL_S: Final = 0.5  # the high-pass has died away by then


def loudness_lufs(samples: Floats) -> float:
    """The gated loudness of a mono sound at 48 kHz; minus infinity for silence.

    Parameters
    ----------
    samples : array, shape (N,)
        Full scale +-1.

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(96000) / 48000)
    >>> round(loudness_lufs(tone), 1)
    -3.0
    """
    weighted = _k_weighted(np.asarray(samples, dtype=np.float64))
    length, step = int(_BLOCK_S * LOUDNESS_RATE), int(_STEP_S * LOUDNESS_RATE)
    padded = np.pad(weighted, (0, max(length - len(weighted), 0)))
    sums = np.concatenate([[0.0], np.cumsum(padded**2)])
    starts = np.arange(0, len(padded) - length + 1, step)
    power = (sums[starts + length] - sums[starts]) / length
    return _gated(power)


def _gated(power: Floats) -> float:
    heard = power[_lufs(power) > _ABSOLUTE_LUFS]
    if not len(heard):
        return -np.inf
    loud = heard[_lufs(heard) > _lufs(heard.mean()) + _RELATIVE_LU]
    return float(_lufs(loud.mean()))


def _lufs(power: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        level: Floats = _OFFSET_LU + 10.0 * np.log10(power)
    return level


def _k_weighted(samples: Floats) -> Floats:
    size = fast_length(len(samples) + int(_TAIL_S * LOUDNESS_RATE))
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    spectrum = np.fft.rfft(samples, size) * _stage(_SHELF, turn) * _stage(_HIGH_PASS, turn)
    weighted: Floats = np.fft.irfft(spectrum, size)[: len(samples)]
    return weighted


def fast_length(count: int) -> int:
    """The smallest length of at least ``count`` that transforms quickly: a power of two, or three quarters of one.

    >>> fast_length(1000), fast_length(700)
    (1024, 768)
    """
    power = 1 << max(count - 1, 3).bit_length()
    return power * 3 // 4 if power * 3 // 4 >= count else power


def _stage(coefficients: tuple[tuple[float, float, float], tuple[float, float, float]], turn: Complexes) -> Complexes:
    above, below = (np.polynomial.polynomial.polyval(turn, part) for part in coefficients)
    response: Complexes = above / below
    return response


def at_loudness(samples: Floats, target_lufs: float) -> Floats:
    """The sound with one gain, so that its loudness is ``target_lufs``; silence stays silent.

    >>> tone = np.sin(2 * np.pi * 997 * np.arange(96000) / 48000)
    >>> round(loudness_lufs(at_loudness(tone, -20.0)), 6)
    -20.0
    """
    found = loudness_lufs(samples)
    if not np.isfinite(found):
        return samples.copy()
    scaled: Floats = samples * amplitude_from_db(target_lufs - found)
    return scaled
