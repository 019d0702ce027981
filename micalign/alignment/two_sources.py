"""Do two mics stand at a source each, and hear each other's too?

Then there are two delays of opposite sign: what is louder in the first mic comes later in the second, and the other way
round. In the windows in which the first is the louder against its usual share, its own source rules; in those in which
the second is, the other. Each third is correlated for itself. Two mics at one source, or a DI and its cab, have one
delay in both: there the balance says nothing of where the sound comes from.

Delays are seconds, positive later in the second track. Spectra are partly whitened, so that a few harmonics do not rule
(C. H. Knapp and G. C. Carter, IEEE Trans. Acoust. Speech Signal Process. 24(4), 320-327, 1976).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats, cross_spectrum
from micalign.take.tracks import Track

__all__ = ["two_sources_s"]

_WINDOW_S: Final = 0.19  # seconds, about a note (chosen, no source)
_REACH_S: Final = 8e-3  # seconds, 2.7 m of air: farther off a mic hardly hears another's source (chosen, no source)
_STEP_S: Final = 2e-5  # seconds, a sixth of a period at 8 kHz (chosen, no source)
_BAND_HZ: Final = (100.0, 8000.0)  # hertz, voices and strings (chosen, no source)
_MOST: Final = 256  # windows, evenly spread
_WHITENING: Final = 0.8  # exponent, 0 to 1 (chosen, no source)
_FEWEST: Final = 12  # windows in a third: fewer are one note's (chosen, no source)
_LEAST_S: Final = 0.15e-3  # seconds, 5 cm: nearer to nothing is no side (chosen, no source)
_LEAST_HEIGHT: Final = 0.4
"""Share of all phases that agree, 0 to 1: two mics at a source each have 0.48 and more in both thirds, what lies out of
reach 0.33 in the lower one. This and the next two: simulated duos, mics at one source, DIs (seeds 30 to 41)."""
_OUTDONE: Final = 1.4
"""Ratio by which each third's own delay outdoes the other's there: duos 1.5 to 19, one source 1.0."""
_UNEVEN: Final = 0.8
"""Natural logarithm of the power ratio, its spread: duos 1.2 to 2.3, one source mostly 0.05 to 0.7."""


def two_sources_s(first: Track, second: Track) -> tuple[float, float] | None:
    """How much later the first's source comes in the second, and how much earlier the second's; None of one source.

    Parameters
    ----------
    first, second : Track
        Two tracks of one rate.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> turns = np.repeat(np.arange(16) % 2, 24000)
    >>> one, other = (rng.standard_normal(384000) * (turns == k) for k in (0, 1))
    >>> near = Track.from_array("near", one + 0.3 * np.roll(other, 60), 48000)
    >>> far = Track.from_array("far", other + 0.3 * np.roll(one, 96), 48000)
    >>> [round(1e3 * late_s, 2) for late_s in two_sources_s(near, far)]
    [2.0, -1.26]
    >>> two_sources_s(near, Track.from_array("late", np.roll(near.read(), 96), 48000)) is None
    True
    """
    windows = _windows(first, second)
    if windows is None:
        return None
    one, other, hz = windows
    powers = [(np.abs(spectra) ** 2).sum(axis=1) for spectra in (one, other)]
    heard = np.all([power > 1e-3 * np.quantile(power, 0.95) for power in powers], axis=0)
    ratio = np.log(powers[0][heard] / powers[1][heard]) if heard.any() else np.zeros(0)
    third = len(ratio) // 3
    if third < _FEWEST or np.std(ratio) < _UNEVEN:
        return None
    cross = cross_spectrum(one[heard], other[heard])
    size = np.abs(cross)
    cross = cross * np.maximum(size, 1e-5 * size.max(axis=1, keepdims=True)) ** -_WHITENING
    cross = cross / np.maximum(np.abs(cross).sum(axis=1, keepdims=True), 1e-30)
    lags = np.arange(-_REACH_S, _REACH_S, _STEP_S)
    order, turned = np.argsort(ratio), np.exp(2j * np.pi * np.outer(hz, lags))
    own, theirs = (np.abs((cross[rows].mean(axis=0) @ turned).real) for rows in (order[-third:], order[:third]))
    late, early = int(np.argmax(own)), int(np.argmax(theirs))
    is_apart = lags[late] >= _LEAST_S and lags[early] <= -_LEAST_S and min(own[late], theirs[early]) >= _LEAST_HEIGHT
    if is_apart and min(_outdone(own, late, early), _outdone(theirs, early, late)) >= _OUTDONE:
        return float(lags[late]), float(lags[early])
    return None


def _outdone(height: Floats, here: int, there: int) -> float:
    """How much higher it is at one lag than about another."""
    return float(height[here] / max(float(height[max(there - 5, 0) : there + 6].max()), 1e-30))


def _windows(first: Track, second: Track) -> tuple[Complexes, Complexes, Floats] | None:
    """Spectra of both, as complex (windows, bins), and the frequencies of the bins; None where they are too short."""
    rate = first.sample_rate
    size = 1 << round(np.log2(_WINDOW_S * rate))
    late = round((first.start_s - second.start_s) * rate)
    starts = np.arange(max(0, -late), min(first.frames, second.frames - late) - size, size // 2)
    if not len(starts):
        return None
    starts = starts[np.linspace(0, len(starts) - 1, min(len(starts), _MOST)).astype(np.intp)]
    hz = np.fft.rfftfreq(2 * size, 1.0 / rate)
    inside, window = (hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1]), np.hanning(size)
    one, other = (
        np.array([np.fft.rfft(window * track.read(int(at) + by, size), 2 * size)[inside] for at in starts])
        for track, by in ((first, 0), (second, late))
    )
    return one, other, hz[inside].astype(np.float64)
