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

_REACH: Final = 192  # samples on either side of an interval that the rebuilt sound rests on
_KAISER_BETA: Final = 3.0  # flat to 0.495 of the sample rate
_TAPS: Final = 2 * _REACH + 2
_FINE: Final = 32  # steps to a sample

_NEAR: Final = 32  # samples on either side in a first, coarse look at many places
_NEAR_BETA: Final = 5.0
_COARSE: Final = 8  # fine steps to a coarse one: four coarse steps to a sample
_LARGEST_UNDER_READ: Final = 1.12  # 1 dB: 0.69 dB for four steps to a sample at half the rate, the rest for its filter

_LEAST_SUM: Final = 0.7  # of the highest peak: less in two neighbours together, and no higher peak lies between
_LEAST_GUESS: Final = 0.7  # of the highest peak, for a place's guess from four samples
_MOST_PLACES: Final = 256  # a product so small is done in one thread, which is faster on a busy machine
_MOST_REFINED: Final = 16
_WINDOW: Final = 480


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
        wanted = np.flatnonzero(2.0 * self._nearby(peaks, windows.shape[1]) > _LEAST_SUM * self._peak)
        block = windows.reshape(-1)
        if self._peak > 0.0 and len(wanted):
            self._search(np.concatenate((self._tail, block)), wanted, windows.shape[1])
        self._tail = np.concatenate((self._tail, block[-_TAPS:]))[-_TAPS:]

    def _nearby(self, peaks: Floats, frames: int) -> Floats:
        """The largest sample that a window's search can meet: it begins half a kernel earlier, in windows before."""
        before = -(-(_REACH + 3) // frames)
        padded = np.concatenate((np.full(before, np.abs(self._tail).max()), peaks))
        nearby: Floats = np.lib.stride_tricks.sliding_window_view(padded, before + 1).max(axis=1)
        return nearby

    def finish(self) -> float:
        """Let the sound end in silence, and give the highest peak."""
        self.feed(np.zeros((1, _TAPS)), np.zeros(1))
        return self._peak

    def _search(self, sound: Floats, wanted: Ints, frames: int) -> None:
        """Look for a higher peak where the wanted windows lie, half a kernel late."""
        places = _places(sound, wanted, frames, _LEAST_SUM * self._peak)
        guess = _guesses(sound, places)
        places, guess = places[guess > _LEAST_GUESS * self._peak], guess[guess > _LEAST_GUESS * self._peak]
        if len(places) > _MOST_PLACES:
            places = places[np.argpartition(-guess, _MOST_PLACES)[:_MOST_PLACES]]
        if len(places):
            self._peak = max(self._peak, _highest(sound, places, self._peak))


def _places(sound: Floats, wanted: Ints, frames: int, least: float) -> Ints:
    """Where two neighbours together are large, and no smaller than the pairs before and after."""
    stretches = np.lib.stride_tricks.sliding_window_view(sound, frames + 3)[wanted * frames + _REACH - 1]
    sums = stretches[:, 1:] + stretches[:, :-1]
    np.abs(sums, out=sums)
    inner = sums[:, 1:-1]
    large = inner > least
    large &= inner >= sums[:, :-2]
    large &= inner >= sums[:, 2:]
    row, column = np.nonzero(large)
    places: Ints = wanted[row] * frames + column + _REACH
    return places


def _guesses(sound: Floats, places: Ints) -> Floats:
    """About how high the sound stands near each interval: its two samples, and a cubic half-way between them."""
    left, right = sound[places], sound[places + 1]
    between = 0.625 * (left + right) - 0.125 * (sound[places - 1] + sound[places + 2])
    return np.maximum(np.abs(between), np.maximum(np.abs(left), np.abs(right)))


def _highest(sound: Floats, places: Ints, peak: float) -> float:
    """The highest rebuilt value near places of the sound; 0 where none can be above ``peak``."""
    coarse = np.abs(_around(sound, places, _NEAR) @ _coarse_table())
    best = coarse.max(axis=1)
    chosen = np.flatnonzero(best * _LARGEST_UNDER_READ > max(peak, float(best.max())))
    if len(chosen) > _MOST_REFINED:
        chosen = chosen[np.argpartition(-best[chosen], _MOST_REFINED)[:_MOST_REFINED]]
    if not len(chosen):
        return 0.0
    table = _table(_REACH, _KAISER_BETA)
    middle = np.clip(coarse[chosen].argmax(axis=1) * _COARSE, _COARSE, len(table) - 1 - _COARSE)
    around = _around(sound, places[chosen], _REACH)
    steps = range(-_COARSE, _COARSE + 1)
    return max(float(np.abs(np.einsum("pt,pt->p", table[middle + step], around)).max()) for step in steps)


def _around(sound: Floats, places: Ints, reach: int) -> Floats:
    """Each place's interval with so many samples on either side, shape (places, 2 reach + 2)."""
    return np.lib.stride_tricks.sliding_window_view(sound, 2 * reach + 2)[places - reach]


@cache
def _coarse_table() -> Floats:
    return np.ascontiguousarray(_table(_NEAR, _NEAR_BETA)[::_COARSE].T)


@cache
def _table(reach: int, beta: float) -> Floats:
    """Weights that rebuild the sound from half a sample before an interval to half a sample after it."""
    at = np.arange(-_FINE // 2, _FINE + _FINE // 2 + 1) / _FINE
    distance = at[:, None] - np.arange(-reach, reach + 2)[None, :]
    inside = np.clip(1.0 - (distance / (reach + 1.0)) ** 2, 0.0, None)
    weights = np.sinc(distance) * np.i0(beta * np.sqrt(inside)) / np.i0(beta)
    weights[np.abs(distance) > reach + 1.0] = 0.0
    weights /= weights.sum(axis=1, keepdims=True)
    return weights
