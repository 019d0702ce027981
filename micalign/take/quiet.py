"""Which seconds of a track are its quietest, and what is in them?

A second is as loud as the loudest of its tenths, so that one with a hit in it is not quiet. Seconds with digital
silence in them are left out: what was muted shows no noise. The spectra are of a Hann window over one second, so a bin
is one hertz; powers are mean squares against full scale 1 (a full-scale sine holds 0.5).
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats

__all__ = ["LOW_BINS", "QuietMeter", "QuietSeconds"]

LOW_BINS: Final = 1000
"""Bins of the low spectrum: 0 to 999 Hz."""

_LOW_EDGE_HZ: Final = 200
_HIGH_EDGE_HZ: Final = 2000
_MOST_SECONDS: Final = 12
_LEAST_SECONDS: Final = 4
_KEPT_FRAMES: Final = _MOST_SECONDS * 48_000


@dataclass(frozen=True, eq=False)
class QuietSeconds:
    """The spectra of the quietest seconds, the quietest first.

    Parameters
    ----------
    low : array, shape (seconds, bins)
        Power by bin of one hertz, from 0 to 999 Hz (or to half the sample rate).
    loudest_tenth : array, shape (seconds,)
        Power of the loudest tenth of each.
    bands : array, shape (seconds, 3)
        Power from 10 to 200 Hz, from 200 Hz to 2 kHz, and above.
    """

    low: Floats
    loudest_tenth: Floats
    bands: Floats


class QuietMeter:
    """Keeps the quietest seconds of a track, as many as fit a fixed memory."""

    def __init__(self, sample_rate: int) -> None:
        self._most = min(max(_KEPT_FRAMES // sample_rate, _LEAST_SECONDS), _MOST_SECONDS)
        self._kept: list[tuple[float, int, np.ndarray[tuple[int], np.dtype[np.float32]]]] = []
        self._count = 0

    def feed(self, second: Floats, tenths: Floats) -> None:
        """Take a second of samples with the powers of its tenths."""
        self._count += 1
        loudest = float(tenths.max())
        if tenths.min() <= 0.0 or (len(self._kept) == self._most and loudest >= -self._kept[0][0]):
            return
        entry = (-loudest, self._count, second.astype(np.float32))
        if len(self._kept) < self._most:
            heapq.heappush(self._kept, entry)
        else:
            heapq.heapreplace(self._kept, entry)

    def finish(self) -> QuietSeconds | None:
        """The spectra; None where no whole second was fit."""
        if not self._kept:
            return None
        chosen = sorted(self._kept, reverse=True)
        frames = len(chosen[0][2])
        window = np.sin(np.pi * (np.arange(frames) + 0.5) / frames) ** 2
        powers = [_power_spectrum(second.astype(np.float64), window) for _, _, second in chosen]
        return QuietSeconds(
            low=np.array([power[:LOW_BINS] for power in powers]),
            loudest_tenth=np.array([-loudness for loudness, _, _ in chosen]),
            bands=np.array([_bands(power) for power in powers]),
        )


def _power_spectrum(second: Floats, window: Floats) -> Floats:
    spectrum = np.fft.rfft(window * (second - second.mean()))
    # The squares of a Hann window add up to 3/8 of its length.
    return (2.0 / (0.375 * len(second) ** 2)) * (spectrum.real**2 + spectrum.imag**2)


def _bands(power: Floats) -> tuple[float, float, float]:
    return (
        float(power[10:_LOW_EDGE_HZ].sum()),
        float(power[_LOW_EDGE_HZ:_HIGH_EDGE_HZ].sum()),
        float(power[_HIGH_EDGE_HZ:].sum()),
    )
