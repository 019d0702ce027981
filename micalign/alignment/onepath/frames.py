"""Spectra of two tracks: in long windows, for where they roughly meet, and in common ones read at a known delay.

Everything that is asked of a pair (coherence, gain by band, the best delay, its uncertainty) is read off the sums of
the second kind, gathered into blocks for resampling, their power weighted as loudness is (ITU-R BS.1770-4).

The rough place is the highest peak of the long windows' cross-spectrum, partly whitened (raised to the power that a
string's few strong harmonics neither rule nor drown in hiss): the phase transform of C. H. Knapp and G. C. Carter, IEEE
Trans. Acoust. Speech Signal Process. 24(4), 320-327, 1976, with an exponent below one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Complexes, Floats, cross_spectrum, fast_length
from micalign.take.loudness import k_weighting
from micalign.take.tracks import Track

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "Coarse", "Frames", "coarse_delay", "framed", "spectra_at"]

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
    for start in _wide_starts(first, size):
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


def _wide_starts(first: Track, size: int) -> list[int]:
    """Half a window apart, or the loudest of them where that would be too many."""
    hop = max(size // 2, 1)
    starts = list(range(0, max(first.frames - hop, 1), hop))
    if len(starts) <= _MOST:
        return starts
    spread = [starts[index] for index in np.linspace(0, len(starts) - 1, 4 * _MOST).astype(int)]
    # A short taste of each is enough to tell playing from rests.
    tastes = [float(np.mean(first.read(start + hop // 2, min(hop, 4096)) ** 2)) for start in spread]
    return [spread[index] for index in sorted(np.argsort(tastes)[-_MOST:])]


WINDOW_S: Final = 0.34
"""Long against what a room sends back of a cabinet near a mic, and the lowest string's 24 ms."""
LOWEST_HZ, HIGHEST_HZ = 30.0, 5000.0
"""What a loudspeaker for guitar or bass gives back, and where two tracks of it can add up at all."""
MOST_FRAMES: Final = 128
_MOST_BLOCKS: Final = 32  # of two windows at least: neighbours share half of their samples


@dataclass(frozen=True, eq=False)
class Frames:
    """Sums over blocks of windows, loudness-weighted; bins within `LOWEST_HZ` to `HIGHEST_HZ`.

    ``cross`` (K, B) is conjugate first times second, read ``delay_s`` later; ``first`` and ``second`` (K, B) are
    powers; ``loud`` holds each track's whole weighted power, all frequencies.
    """

    delay_s: float
    sample_rate: int
    hz: Floats
    cross: Complexes
    first: Floats
    second: Floats
    loud: tuple[float, float]

    @property
    def balance(self) -> tuple[float, float]:
        """Amplitudes that bring both tracks to one loudness; 0 for a silent one."""
        one, other = (1.0 / math.sqrt(power) if power > 0 else 0.0 for power in self.loud)
        return one, other

    @property
    def turned(self) -> Frames:
        """The same pair the other way round."""
        return Frames(
            -self.delay_s, self.sample_rate, self.hz, np.conj(self.cross), self.second, self.first, self.loud[::-1]
        )

    def within(self, low_hz: float, high_hz: float) -> Bools:
        """The bins of a band."""
        inside: Bools = (self.hz >= low_hz) & (self.hz < high_hz)
        return inside


def framed(first: Track, second: Track, delay_s: float) -> Frames:
    """The sums of two tracks, the second read so much later."""
    rate = first.sample_rate
    one, other, delay_s = spectra_at(first, second, delay_s)
    hz = np.fft.rfftfreq(_window_frames(rate), 1.0 / rate).astype(np.float64)
    weight = np.abs(k_weighting(hz, rate)) ** 2
    inside = (hz >= LOWEST_HZ) & (hz < min(HIGHEST_HZ, 0.45 * rate))
    loud = [float((np.abs(spectra) ** 2 @ weight).sum()) for spectra in (one, other)]
    one, other, weight = one[:, inside], other[:, inside], weight[inside]
    blocks = np.linspace(0, len(one), min(_MOST_BLOCKS, max(len(one) // 2, 1)) + 1).astype(np.intp)[:-1]
    gather = [
        np.add.reduceat(each * weight, blocks, axis=0)
        for each in (cross_spectrum(one, other), np.abs(one) ** 2, np.abs(other) ** 2)
    ]
    return Frames(delay_s, rate, hz[inside], gather[0], gather[1].real, gather[2].real, (loud[0], loud[1]))


def spectra_at(first: Track, second: Track, delay_s: float) -> tuple[Complexes, Complexes, float]:
    """Windowed spectra (F, B) of both tracks, the second later by whole samples, and the delay that this is."""
    rate = first.sample_rate
    size = _window_frames(rate)
    late = round((delay_s + first.start_s - second.start_s) * rate)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    low, high = max(0, -late), min(first.frames, second.frames - late)
    starts = _starts(low, high, size)
    one = np.array([np.fft.rfft(window * first.read(start, size)) for start in starts])
    other = np.array([np.fft.rfft(window * second.read(start + late, size)) for start in starts])
    return one, other, late / rate - (first.start_s - second.start_s)


def power_of(track: Track, count: int) -> tuple[Floats, Floats]:
    """The power (B,) of so many windows spread over a track, and its frequencies in hertz."""
    size = _window_frames(track.sample_rate)
    starts = np.linspace(0, max(track.frames - size, 0), count).astype(np.intp)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    power = sum(np.abs(np.fft.rfft(window * track.read(int(start), size))) ** 2 for start in starts)
    return np.asarray(power), np.fft.rfftfreq(size, 1.0 / track.sample_rate).astype(np.float64)


def _window_frames(rate: int) -> int:
    return 1 << max(math.floor(math.log2(WINDOW_S * rate)) + 1, 4)


def _starts(low: int, high: int, size: int) -> list[int]:
    """Half a window apart over what both tracks hold, spread evenly where that would be too many."""
    hop = size // 2
    count = max(math.ceil((high - low) / hop), 1)
    if count <= MOST_FRAMES:
        return [low + hop * (index - 1) for index in range(count + 1)]
    return [int(start) for start in np.linspace(low, high - size, MOST_FRAMES)]
