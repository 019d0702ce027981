"""How loud does a sound appear, and how high does it rise between its samples? Both after ITU-R BS.1770-4 (2015).

Loudness: the K-weighting filter (a shelf for the head, a high-pass), the mean square in blocks of 400 ms that overlap
by three quarters, the absolute gate at -70 LUFS and the relative one 10 LU below. The filter is applied by its
frequency response to the whole sound at once, which is exact for a sound that begins and ends in silence. One channel,
as it stands in the file: a mono file played by two loudspeakers reads 3 LU more.

True peak: levels are against full scale +-1. It is read from the sound rebuilt between the samples by a windowed sinc
(Annex 2 asks for 4 times oversampling; here 32 times where the highest peaks are, so that it reads at most 0.01 dB low
below 0.45 of the sample rate). Before its first sample and after its last the sound is silence. Only places that can
hold the highest peak are rebuilt. Between two samples that add up to little, nothing high can stand: a peak of height P
half-way between two samples makes each 0.64 P, one on a sample makes that one P.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Complexes, Floats, Ints, fast_length
from micalign.take import tuned
from micalign.units import amplitude_from_db

__all__ = [
    "LOUDNESS_RATE",
    "TruePeak",
    "at_loudness",
    "k_weighted",
    "k_weighting",
    "loudness_lufs",
    "true_peak",
]


LOUDNESS_RATE: Final = 48000
"""The rate for which the standard prints its coefficients, and of the sounds whose loudness is asked."""


# The analogue filters behind the coefficients that ITU-R BS.1770-4 prints for 48 kHz; frequencies in hertz.
_SHELF_HZ, _SHELF_Q = 1681.974450955533, 0.7071752369554196  # the shelf for the head
_SHELF_DB, _SHELF_SHAPE = 3.999843853973347, 0.4996667741545416  # its height, and the share of it that its middle has
_PASS_HZ, _PASS_Q = 38.13547087602444, 0.5003270373238773  # the high-pass
_UNDER_HALF: Final = 0.4999  # of the rate: at half of it the bilinear transform has no end

# The standard's table prints the high-pass with the numerator 1, -2, 1: so much above one at the top.
_PRINTED_GAIN: Final = 10.0 ** (0.04327715 / 20.0)
# ITU-R BS.1770-4: offset, blocks and gates.
_OFFSET_LU: Final = -0.691  # so that 997 Hz reads its level
_BLOCK_S: Final = 0.4  # seconds
_STEP_S: Final = 0.1  # seconds: blocks overlap by three quarters
_ABSOLUTE_LUFS: Final = -70.0  # quieter blocks do not count
_RELATIVE_LU: Final = -10.0  # nor those so far under the mean of the rest


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
    size = fast_length(len(samples) + int(tuned.TAIL_S * sample_rate))
    frequency_hz = np.fft.rfftfreq(size, 1.0 / sample_rate).astype(np.float64)
    spectrum = np.fft.rfft(samples, size) * k_weighting(frequency_hz, sample_rate)
    weighted: Floats = np.fft.irfft(spectrum, size)[: len(samples)]
    return weighted


def k_weighting(frequency_hz: Floats, rate: int) -> Complexes:
    """The shelf and the high-pass of BS.1770-4, from their analogue prototypes by the bilinear transform."""
    s = 1j * np.tan(np.pi * np.minimum(frequency_hz, _UNDER_HALF * rate) / rate)
    x, y = s / np.tan(np.pi * _SHELF_HZ / rate), s / np.tan(np.pi * _PASS_HZ / rate)
    high, middle = amplitude_from_db(_SHELF_DB), amplitude_from_db(_SHELF_DB * _SHELF_SHAPE)
    boosted = (high * x**2 + middle * x / _SHELF_Q + 1.0) / (x**2 + x / _SHELF_Q + 1.0)
    weighting: Complexes = _PRINTED_GAIN * boosted * y**2 / (y**2 + y / _PASS_Q + 1.0)
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


_TAPS: Final = 2 * tuned.REACH + 2  # samples of the kernel, the interval's own two among them
_WINDOW: Final = 480  # samples: as the meters feed it at 48 kHz


def true_peak(samples: npt.ArrayLike) -> float:
    """The true peak of a whole signal, shape (frames,), against full scale 1.

    >>> tone = np.sin(np.pi / 2 * np.arange(400) + np.pi / 4) * np.hanning(400)
    >>> round(float(abs(tone).max()), 2), round(true_peak(tone), 2)
    (0.71, 1.0)
    """
    values = np.asarray(samples, dtype=np.float64)
    meter = TruePeak()
    whole = len(values) // _WINDOW * _WINDOW
    for windows in (values[:whole].reshape(-1, _WINDOW), values[None, whole:]):
        if windows.size:
            meter.feed(windows, np.abs(windows).max(axis=1))
    return meter.finish()


class TruePeak:
    """The highest true peak of windows that follow each other."""

    def __init__(self) -> None:
        self._peak = 0.0
        self._tail = np.zeros(_TAPS)

    def feed(self, windows: Floats, peaks: Floats) -> None:
        """Take the next windows, shape (windows, frames), whose largest samples are ``peaks`` in size."""
        self._peak = max(self._peak, float(peaks.max()))
        wanted = np.flatnonzero(2.0 * self._nearby(peaks, windows.shape[1]) > tuned.LEAST_SUM * self._peak)
        block = windows.reshape(-1)
        if self._peak > 0.0 and len(wanted):
            self._search(np.concatenate((self._tail, block)), wanted, windows.shape[1])
        self._tail = np.concatenate((self._tail, block[-_TAPS:]))[-_TAPS:]

    def _nearby(self, peaks: Floats, frames: int) -> Floats:
        """The largest sample that a window's search can meet: it begins half a kernel earlier, in windows before."""
        before = -(-(tuned.REACH + 3) // frames)
        padded = np.concatenate((np.full(before, np.abs(self._tail).max()), peaks))
        nearby: Floats = np.lib.stride_tricks.sliding_window_view(padded, before + 1).max(axis=1)
        return nearby

    def finish(self) -> float:
        """Let the sound end in silence, and give the highest peak."""
        self.feed(np.zeros((1, _TAPS)), np.zeros(1))
        return self._peak

    def _search(self, sound: Floats, wanted: Ints, frames: int) -> None:
        """Look for a higher peak where the wanted windows lie, half a kernel late."""
        places = _places(sound, wanted, frames, tuned.LEAST_SUM * self._peak)
        guess = _guesses(sound, places)
        places, guess = places[guess > tuned.LEAST_GUESS * self._peak], guess[guess > tuned.LEAST_GUESS * self._peak]
        if len(places) > tuned.MOST_PLACES:
            places = places[np.argpartition(-guess, tuned.MOST_PLACES)[: tuned.MOST_PLACES]]
        if len(places):
            self._peak = max(self._peak, _highest(sound, places, self._peak))


def _places(sound: Floats, wanted: Ints, frames: int, least: float) -> Ints:
    """Where two neighbours together are large, and no smaller than the pairs before and after."""
    stretches = np.lib.stride_tricks.sliding_window_view(sound, frames + 3)[wanted * frames + tuned.REACH - 1]
    sums = stretches[:, 1:] + stretches[:, :-1]
    np.abs(sums, out=sums)
    inner = sums[:, 1:-1]
    large = inner > least
    large &= inner >= sums[:, :-2]
    large &= inner >= sums[:, 2:]
    row, column = np.nonzero(large)
    places: Ints = wanted[row] * frames + column + tuned.REACH
    return places


def _guesses(sound: Floats, places: Ints) -> Floats:
    """About how high the sound stands near each interval: its two samples, and a cubic half-way between them."""
    left, right = sound[places], sound[places + 1]
    between = 0.625 * (left + right) - 0.125 * (sound[places - 1] + sound[places + 2])
    return np.maximum(np.abs(between), np.maximum(np.abs(left), np.abs(right)))


def _highest(sound: Floats, places: Ints, peak: float) -> float:
    """The highest rebuilt value near places of the sound; 0 where none can be above ``peak``."""
    coarse = np.abs(_around(sound, places, tuned.NEAR_REACH) @ _coarse_table())
    best = coarse.max(axis=1)
    chosen = np.flatnonzero(best * tuned.UNDER_READ > max(peak, float(best.max())))
    if len(chosen) > tuned.MOST_REFINED:
        chosen = chosen[np.argpartition(-best[chosen], tuned.MOST_REFINED)[: tuned.MOST_REFINED]]
    if not len(chosen):
        return 0.0
    table = _table(tuned.REACH, tuned.KAISER_BETA)
    step = tuned.COARSE_STEPS
    middle = np.clip(coarse[chosen].argmax(axis=1) * step, step, len(table) - 1 - step)
    around = _around(sound, places[chosen], tuned.REACH)
    fine = (table[middle + offset] for offset in range(-step, step + 1))
    return max(float(np.abs(np.einsum("pt,pt->p", weights, around)).max()) for weights in fine)


def _around(sound: Floats, places: Ints, reach: int) -> Floats:
    """Each place's interval with so many samples on either side, shape (places, 2 reach + 2)."""
    return np.lib.stride_tricks.sliding_window_view(sound, 2 * reach + 2)[places - reach]


@cache
def _coarse_table() -> Floats:
    return np.ascontiguousarray(_table(tuned.NEAR_REACH, tuned.NEAR_BETA)[:: tuned.COARSE_STEPS].T)


@cache
def _table(reach: int, beta: float) -> Floats:
    """Weights that rebuild the sound from half a sample before an interval to half a sample after it."""
    at = np.arange(-tuned.FINE_STEPS // 2, tuned.FINE_STEPS + tuned.FINE_STEPS // 2 + 1) / tuned.FINE_STEPS
    distance = at[:, None] - np.arange(-reach, reach + 2)[None, :]
    inside = np.clip(1.0 - (distance / (reach + 1.0)) ** 2, 0.0, None)
    weights = np.sinc(distance) * np.i0(beta * np.sqrt(inside)) / np.i0(beta)
    weights[np.abs(distance) > reach + 1.0] = 0.0
    weights /= weights.sum(axis=1, keepdims=True)
    return weights
