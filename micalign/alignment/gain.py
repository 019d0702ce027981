"""What does a sum of tracks gain or lose, band by band, before and after alignment?

The coherent gain is the energy of the sum against the sum of the energies: 0 dB where tracks have nothing to do with
each other, 10 log10 N where N equal tracks meet, minus infinity where two cancel. Bands are third octaves about
1000 Hz (IEC 61260-1: exact midbands 1000 * 10^(k/10), edges a twentieth of a decade away). Levels are decibels;
shifts are samples, positive later.

The spectra come from at most `MOST_FRAMES` windows spread evenly over the take, so a long take costs no more than a
short one. A shift is applied exactly: whole samples by reading elsewhere, the rest as a phase ramp.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from micalign.alignment.all_pass import all_pass_response
from micalign.arrays import Bools, Complexes, Floats
from micalign.take.tracks import Track
from micalign.units import db_from_power

__all__ = [
    "LOW_HZ",
    "MOST_FRAMES",
    "BandGain",
    "BlendTrack",
    "SumGain",
    "bins_hz",
    "spectra",
    "sum_gain",
    "third_octaves",
]

MOST_FRAMES: Final = 128
WINDOW_FRAMES: Final = 16384
LOW_HZ: Final = (60.0, 250.0)
"""Where a bass or a guitar has its weight, and where a comb is heard as a thin sound (common practice, no source)."""
_SILENT: Final = 1e-20


@dataclass(frozen=True, slots=True)
class BlendTrack:
    """A track and what alignment does with it: shift, polarity, gain, and all-pass sections as (hertz, Q).

    ``before`` is the track as it was, where more than that was done to it.
    """

    track: Track
    shift_samples: float = 0.0
    polarity: int = 1
    gain_db: float = 0.0
    sections: tuple[tuple[float, float], ...] = ()
    before: Track | None = None


@dataclass(frozen=True, slots=True)
class BandGain:
    """Coherent gain in one third octave; None where the band holds no sound."""

    centre_hz: float
    before_db: float | None
    after_db: float | None


@dataclass(frozen=True)
class SumGain:
    """Coherent gain of the whole, of the lows (`LOW_HZ`) and by third octave; None for silence."""

    before_db: float | None
    after_db: float | None
    bands: tuple[BandGain, ...]
    low_before_db: float | None = None
    low_after_db: float | None = None

    def within(self, low_hz: float, high_hz: float) -> tuple[BandGain, ...]:
        """The bands whose middle lies in a range."""
        return tuple(band for band in self.bands if low_hz <= band.centre_hz <= high_hz)


def third_octaves(low_hz: float, high_hz: float) -> tuple[float, ...]:
    """Exact midband frequencies from ``low_hz`` to ``high_hz``.

    >>> [round(centre, 1) for centre in third_octaves(700.0, 1300.0)]
    [794.3, 1000.0, 1258.9]
    """
    first, last = math.ceil(10 * math.log10(low_hz / 1000) - 1e-9), math.floor(10 * math.log10(high_hz / 1000) + 1e-9)
    return tuple(1000.0 * 10.0 ** (k / 10.0) for k in range(first, last + 1))


def sum_gain(moved: Sequence[BlendTrack]) -> SumGain:
    """Coherent gain of the sum of tracks, before and after.

    Parameters
    ----------
    moved : sequence of BlendTrack
        Tracks of one rate with what is done to each; gains count before and after.

    Returns
    -------
    SumGain

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000) * 0.1
    >>> one, late = Track.from_array("a", noise, 48000), Track.from_array("b", np.roll(-noise, 7), 48000)
    >>> gain = sum_gain([BlendTrack(one), BlendTrack(late, -7.0, -1)])
    >>> round(gain.after_db, 1)
    3.0
    """
    rate = moved[0].track.sample_rate
    frequency_hz = bins_hz(rate)
    ramps = [_response(one, frequency_hz) for one in moved]
    gains = [10.0 ** (one.gain_db / 20.0) for one in moved]
    sums = np.zeros((2, 2, len(frequency_hz)))  # (before, after) x (sum, parts)
    for start in _starts([one.track for one in moved]):
        before = np.array(
            [gain * _spectrum(one.before or one.track, start) for one, gain in zip(moved, gains, strict=True)]
        )
        unmoved = [None if one.before else row for one, row in zip(moved, before, strict=True)]
        after = np.array([_moved_spectrum(*each, start) for each in zip(moved, ramps, gains, unmoved, strict=True)])
        for row, parts in enumerate((before, after)):
            sums[row, 0] += _powers(parts.sum(axis=0))
            sums[row, 1] += _powers(parts).sum(axis=0)
    everything = frequency_hz >= 20.0
    bands = [
        BandGain(centre, *(_gain_db(sums[row], _inside(frequency_hz, centre)) for row in (0, 1)))
        for centre in third_octaves(31.0, min(16000.0, 0.4 * rate))
    ]
    low = (frequency_hz >= LOW_HZ[0]) & (frequency_hz <= LOW_HZ[1])
    whole, lows = ([_gain_db(row, inside) for row in sums] for inside in (everything, low))
    return SumGain(whole[0], whole[1], tuple(bands), lows[0], lows[1])


def spectra(reference: BlendTrack, track: BlendTrack) -> Iterator[tuple[Complexes, Complexes]]:
    """Windowed spectra of two tracks as alignment leaves them, window by window."""
    frequency_hz = bins_hz(reference.track.sample_rate)
    ramps = _response(reference, frequency_hz), _response(track, frequency_hz)
    for start in _starts([reference.track, track.track]):
        yield (
            _moved_spectrum(reference, ramps[0], 1.0, None, start),
            _moved_spectrum(track, ramps[1], 1.0, None, start),
        )


def bins_hz(sample_rate: int) -> Floats:
    """The frequencies of the windowed spectra."""
    return np.fft.rfftfreq(WINDOW_FRAMES, 1.0 / sample_rate).astype(np.float64)


def _starts(tracks: Sequence[Track]) -> list[int]:
    """Window starts, half a window apart where the take is short, spread evenly where it is long."""
    length = max(track.frames for track in tracks)
    hop = WINDOW_FRAMES // 2
    count = max(1, math.ceil(length / hop))
    if count <= MOST_FRAMES:
        return [hop * (index - 1) for index in range(count + 1)]
    return [int(start) for start in np.linspace(0, length - WINDOW_FRAMES, MOST_FRAMES)]


@cache
def _window() -> Floats:
    return np.sin(np.pi * (np.arange(WINDOW_FRAMES) + 0.5) / WINDOW_FRAMES)


def _spectrum(track: Track, start: int) -> Complexes:
    spectrum: Complexes = np.fft.rfft(_window() * track.read(start, WINDOW_FRAMES))
    return spectrum


def _powers(spectrum: Complexes) -> Floats:
    """A quarter of the time that the square of `numpy.abs` takes, which goes by a root."""
    powers: Floats = spectrum.real**2 + spectrum.imag**2
    return powers


def _moved_spectrum(
    one: BlendTrack, ramp: Complexes | None, gain: float, unmoved: Complexes | None, start: int
) -> Complexes:
    whole = math.floor(one.shift_samples)
    if unmoved is not None and whole == 0:
        return unmoved if ramp is None else unmoved * ramp
    spectrum = gain * _spectrum(one.track, start - whole)
    return spectrum if ramp is None else spectrum * ramp


def _response(one: BlendTrack, frequency_hz: Floats) -> Complexes | None:
    """What the spectrum is multiplied by beyond the whole-sample shift; None for nothing."""
    fraction = one.shift_samples - math.floor(one.shift_samples)
    if fraction == 0.0 and one.polarity == 1 and not one.sections:
        return None
    rate = one.track.sample_rate
    ramp: Complexes = one.polarity * np.exp(-2j * np.pi * frequency_hz * fraction / rate)
    if one.sections:
        ramp = ramp * all_pass_response(one.sections, frequency_hz, sample_rate=rate)
    return ramp


def _inside(frequency_hz: Floats, centre_hz: float) -> Bools:
    edge = 10.0**0.05
    inside: Bools = (frequency_hz >= centre_hz / edge) & (frequency_hz < centre_hz * edge)
    return inside


def _gain_db(sums: Floats, inside: Bools) -> float | None:
    total, parts = float(sums[0, inside].sum()), float(sums[1, inside].sum())
    if parts <= _SILENT:
        return None
    # Full cancellation is a finite, very low number, so that documents can hold it.
    return max(db_from_power(total / parts), -120.0) if total > 0 else -120.0
