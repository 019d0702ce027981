"""How loud does a short mono sound appear?

Loudness after ITU-R BS.1770-4 (2015): the K-weighting filter (a shelf for the head, a high-pass), the mean square in
blocks of 400 ms that overlap by three quarters, the absolute gate at -70 LUFS and the relative one 10 LU below. The
filter is applied by its frequency response to the whole sound at once, which is exact for a sound that begins and
ends in silence. One channel, as it stands in the file: a mono file played by two loudspeakers reads 3 LU more.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats, fast_length
from micalign.units import amplitude_from_db

__all__ = ["LOUDNESS_RATE", "at_loudness", "k_weighted", "k_weighting", "loudness_lufs"]

LOUDNESS_RATE: Final = 48000
"""The rate for which the standard prints its coefficients, and of the sounds whose loudness is asked."""

# The standard's table prints the high-pass with the numerator 1, -2, 1: so much above one at the top.
_PRINTED_GAIN: Final = 10.0 ** (0.04327715 / 20.0)
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
    weighted = k_weighted(np.asarray(samples, dtype=np.float64), LOUDNESS_RATE)
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


def k_weighted(samples: Floats, sample_rate: int) -> Floats:
    """A sound after the K-weighting filter, as long as it was."""
    size = fast_length(len(samples) + int(_TAIL_S * sample_rate))
    frequency_hz = np.fft.rfftfreq(size, 1.0 / sample_rate).astype(np.float64)
    spectrum = np.fft.rfft(samples, size) * k_weighting(frequency_hz, sample_rate)
    weighted: Floats = np.fft.irfft(spectrum, size)[: len(samples)]
    return weighted


def k_weighting(frequency_hz: Floats, rate: int) -> Complexes:
    """The shelf and the high-pass of BS.1770-4, from their analogue prototypes by the bilinear transform."""
    s = 1j * np.tan(np.pi * np.minimum(frequency_hz, 0.4999 * rate) / rate)
    shelf = np.tan(np.pi * 1681.974450955533 / rate)
    high, middle = 10.0 ** (3.999843853973347 / 20.0), 10.0 ** (3.999843853973347 / 20.0 * 0.4996667741545416)
    x = s / shelf
    boosted = (high * x**2 + middle * x / 0.7071752369554196 + 1.0) / (x**2 + x / 0.7071752369554196 + 1.0)
    y = s / np.tan(np.pi * 38.13547087602444 / rate)
    weighting: Complexes = _PRINTED_GAIN * boosted * y**2 / (y**2 + y / 0.5003270373238773 + 1.0)
    return weighting


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
