"""How high does the sound rise between its samples?

Levels are against full scale +-1. The true peak is read from the sound rebuilt between the samples by a windowed sinc
(ITU-R BS.1770-4, Annex 2, asks for 4 times oversampling; here 32 times where the highest peaks are, so that it reads
at most 0.01 dB low below 0.45 of the sample rate). Before its first sample and after its last the sound is silence.

Only places that can hold the highest peak are rebuilt. Between two samples that add up to little, nothing high can
stand: a peak of height P half-way between two samples makes each 0.64 P, one on a sample makes that one P.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats, Ints

__all__ = ["TruePeak", "true_peak"]

_REACH: Final = 48  # samples on either side of an interval that the rebuilt sound rests on
_TAPS: Final = 2 * _REACH + 2
_KAISER_BETA: Final = 5.0  # 53 dB stop band, flat to 0.47 of the sample rate
_FINE: Final = 32  # steps to a sample in the table
_COARSE: Final = 8  # rows of the table between two coarse steps: four coarse steps to a sample
_LEAST_GUESS: Final = 0.7  # of the highest peak, for a place's guess from four samples
_LEAST_SUM: Final = 0.7  # of the highest peak: less in two neighbours together, and no higher peak lies between
_LARGEST_UNDER_READ: Final = 1.083  # 0.69 dB: what four steps to a sample may miss of a tone at half the rate
_MOST_PLACES: Final = 256  # a product so small is done in one thread, which is faster on a busy machine
_WINDOW: Final = 480
_MOST_REFINED: Final = 48


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
        # The sound is searched half a kernel late, so a window's search begins in the one before.
        near = np.maximum(peaks, np.concatenate(([np.abs(self._tail).max()], peaks[:-1])))
        wanted = np.flatnonzero(2.0 * near > _LEAST_SUM * self._peak)
        block = windows.reshape(-1)
        if self._peak > 0.0 and len(wanted):
            sound = np.concatenate((self._tail, block))
            frames = windows.shape[1]
            stretches = np.lib.stride_tricks.sliding_window_view(sound, frames + _TAPS)
            self._search(np.ascontiguousarray(stretches[wanted * frames]))
        self._tail = np.concatenate((self._tail, block[-_TAPS:]))[-_TAPS:]

    def finish(self) -> float:
        """Let the sound end in silence, and give the highest peak."""
        self.feed(np.zeros((1, _TAPS)), np.zeros(1))
        return self._peak

    def _search(self, stretches: Floats) -> None:
        """Look for a higher peak in stretches of sound, shape (stretches, frames), each with half a kernel around."""
        sound = stretches.reshape(-1)
        places = _places(stretches, self._peak)
        guess = _guesses(sound, places)
        places, guess = places[guess > _LEAST_GUESS * self._peak], guess[guess > _LEAST_GUESS * self._peak]
        if len(places) > _MOST_PLACES:
            places = places[np.argpartition(-guess, _MOST_PLACES)[:_MOST_PLACES]]
        if len(places):
            around = np.lib.stride_tricks.sliding_window_view(sound, _TAPS)[places - _REACH]
            self._peak = max(self._peak, _highest(around, self._peak))


def _places(stretches: Floats, peak: float) -> Ints:
    """Where two neighbours together are large, and larger than the pairs before and after; places in the flat sound."""
    sums = stretches[:, 1:] + stretches[:, :-1]
    np.abs(sums, out=sums)
    last = sums.shape[1] - _REACH
    inner = sums[:, _REACH:last]
    large = inner > _LEAST_SUM * peak
    large &= inner >= sums[:, _REACH - 1 : last - 1]
    large &= inner >= sums[:, _REACH + 1 : last + 1]
    row, column = np.nonzero(large)
    places: Ints = row * stretches.shape[1] + column + _REACH
    return places


def _guesses(sound: Floats, places: Ints) -> Floats:
    """About how high the sound stands near each interval: its two samples, and a cubic half-way between them."""
    left, right = sound[places], sound[places + 1]
    between = 0.625 * (left + right) - 0.125 * (sound[places - 1] + sound[places + 2])
    return np.maximum(np.abs(between), np.maximum(np.abs(left), np.abs(right)))


def _highest(around: Floats, peak: float) -> float:
    """The highest rebuilt value near the middle of each row of ``around``, shape (places, taps)."""
    table = _table()
    coarse = np.abs(around @ _coarse_table())
    best = coarse.max(axis=1)
    chosen = np.flatnonzero(best * _LARGEST_UNDER_READ > max(peak, float(best.max())))
    if len(chosen) > _MOST_REFINED:
        chosen = chosen[np.argpartition(-best[chosen], _MOST_REFINED)[:_MOST_REFINED]]
    if not len(chosen):
        return 0.0
    middle = np.clip(coarse[chosen].argmax(axis=1) * _COARSE, _COARSE, len(table) - 1 - _COARSE)
    rows = table[middle[:, None] + np.arange(-_COARSE, _COARSE + 1)]
    return float(np.abs(np.einsum("pst,pt->ps", rows, around[chosen])).max())


@cache
def _coarse_table() -> Floats:
    return np.ascontiguousarray(_table()[::_COARSE].T)


@cache
def _table() -> Floats:
    """Weights that rebuild the sound from half a sample before an interval to half a sample after it."""
    at = np.arange(-_FINE // 2, _FINE + _FINE // 2 + 1) / _FINE
    distance = at[:, None] - np.arange(-_REACH, _REACH + 2)[None, :]
    inside = np.clip(1.0 - (distance / (_REACH + 1.0)) ** 2, 0.0, None)
    weights = np.sinc(distance) * np.i0(_KAISER_BETA * np.sqrt(inside)) / np.i0(_KAISER_BETA)
    weights[np.abs(distance) > _REACH + 1.0] = 0.0
    weights /= weights.sum(axis=1, keepdims=True)
    return weights
