"""Roughly where does one track hold what the other plays?

The cross-spectrum of long windows, partly whitened (raised to the power that a string's few strong harmonics neither
rule nor drown in hiss), summed and turned back: the phase transform of C. H. Knapp and G. C. Carter, IEEE Trans.
Acoust. Speech Signal Process. 24(4), 320-327, 1976, with an exponent below one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats, cross_spectrum, fast_length
from micalign.take.tracks import Track

__all__ = ["Coarse", "coarse_delay"]

_WHITENING: Final = 0.7
_BAND_HZ: Final = (40.0, 5000.0)
_MOST: Final = 10
_APART_S: Final = 0.03  # beyond what a loudspeaker's own phase spreads: a peak there is another place, not a lobe


@dataclass(frozen=True)
class Coarse:
    """A rough delay; ``rival``: the highest peak elsewhere against this one, 0 to 1."""

    delay_s: float
    polarity: int
    rival: float


def coarse_delay(first: Track, second: Track, *, reach_s: float, centre_s: float = 0.0) -> Coarse:
    """The delay within ``reach_s`` of ``centre_s`` at which the whitened tracks are most alike.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000)
    >>> late = np.concatenate([np.zeros(9600), -noise])
    >>> found = coarse_delay(Track.from_array("di", noise, 48000), Track.from_array("mic", late, 48000), reach_s=0.5)
    >>> round(found.delay_s, 4), found.polarity
    (0.2, -1)
    """
    rate = first.sample_rate
    seconds = max(0.5, 2.0 * reach_s)
    size, reach = round(seconds * rate), math.ceil(reach_s * rate)
    clocks = round((first.start_s - second.start_s + centre_s) * rate)
    length = fast_length(size + 2 * reach)
    cross, powers = np.zeros(length // 2 + 1, dtype=np.complex128), np.zeros((2, length // 2 + 1))
    window = np.hanning(size)
    for start in _starts(first, size):
        one = np.fft.rfft(window * first.read(start, size), length)
        other = np.fft.rfft(second.read(start + clocks - reach, size + 2 * reach), length)
        cross += cross_spectrum(one, other)
        powers += np.abs(one) ** 2, np.abs(other) ** 2
    hz = np.fft.rfftfreq(length, 1.0 / rate)
    level = np.sqrt(powers[0] * powers[1])
    inside = (hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1])
    weight = inside * np.maximum(level, level.max(initial=0.0) * 1e-8 + 1e-30) ** -_WHITENING
    likeness = np.fft.irfft(cross * weight, length)[: 2 * reach + 1]
    best = int(np.argmax(np.abs(likeness)))
    shared_s = clocks / rate - (first.start_s - second.start_s)
    return Coarse(
        (best - reach) / rate + shared_s, 1 if likeness[best] >= 0 else -1, _rival(np.abs(likeness), best, rate)
    )


def _rival(height: Floats, best: int, rate: int) -> float:
    apart = round(_APART_S * rate)
    elsewhere = np.concatenate([height[: max(best - apart, 0)], height[best + apart :]])
    return float(elsewhere.max(initial=0.0) / max(float(height[best]), 1e-30))


def _starts(first: Track, size: int) -> list[int]:
    """Half a window apart, or the loudest of them where that would be too many."""
    hop = max(size // 2, 1)
    starts = list(range(0, max(first.frames - hop, 1), hop))
    if len(starts) <= _MOST:
        return starts
    spread = [starts[index] for index in np.linspace(0, len(starts) - 1, 4 * _MOST).astype(int)]
    # A short taste of each is enough to tell playing from rests.
    tastes = [float(np.mean(first.read(start + hop // 2, min(hop, 4096)) ** 2)) for start in spread]
    return [spread[index] for index in sorted(np.argsort(tastes)[-_MOST:])]
