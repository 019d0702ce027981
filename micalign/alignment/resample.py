"""A track recorded on another clock, read at the reference's instants: block by block, at the kernel's full quality.

Where a track drifts by ``drift_ppm``, an event at sample m of the reference lies at ``m (1 + drift_ppm 1e-6) - shift``
of the track: a positive drift is a delay that grows. The fraction between two samples then changes all the time, so
each tap of the kernel is a polynomial in it (the structure of C. W. Farrow, "A continuously variable digital delay
element", ISCAS 1988): ten fixed filters for a block, weighed by powers of each instant's fraction. Ninth degree keeps
the polynomial 20 dB below the kernel's own error. Another sample rate is the same on a larger scale (`at_rate`); to a
lower one the kernel is stretched, so that what the lower rate cannot hold is left out and nothing folds back.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from micalign.alignment.shift import BLOCK_FRAMES, HALF_TAPS, Filters, Span, common_span, kernel
from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.take.tracks import Track

__all__ = ["at_rate", "rate_of_original", "resampled_blocks", "resampled_span"]

_DEGREE: Final = 9
_MOST_PPM: Final = 2000.0  # a crystal keeps within 100; beyond this the band's edge would fold back


def resampled_span(frames: int, shift_samples: float, drift_ppm: float) -> Span:
    """Where a track of ``frames`` samples sounds on the reference's clock, the kernel's tails included.

    >>> resampled_span(1_000_000, 0.0, -100.0)
    Span(start=-65, stop=1000166)
    """
    rate = 1.0 + drift_ppm * 1e-6
    first = (shift_samples - HALF_TAPS) / rate
    last = (shift_samples + frames + HALF_TAPS) / rate
    return Span(math.floor(first), math.ceil(last) + 1)


def resampled_blocks(
    track: Track,
    shift_samples: float,
    drift_ppm: float,
    *,
    polarity: int = 1,
    gain: float = 1.0,
    span: Span | None = None,
    block_frames: int = BLOCK_FRAMES,
) -> Iterator[Floats]:
    """The track on the reference's clock: moved later by ``shift_samples`` at its beginning, its drift taken out.

    Parameters
    ----------
    track : Track
        What to read; it stays as it is.
    shift_samples : float
        Positive moves it later; it holds at sample 0 of the reference.
    drift_ppm : float
        By how many samples in a million the track's delay grows; at most a few hundred.
    polarity, gain, span, block_frames
        As in `micalign.alignment.shift.shifted_blocks`.

    Yields
    ------
    ndarray of float64, shape (block,)

    Raises
    ------
    TakeError
        If the drift is beyond what a clock can do.

    Examples
    --------
    >>> tone = Track.from_array("tone", np.sin(0.3 * np.arange(2000)), 48000)
    >>> out = np.concatenate(list(resampled_blocks(tone, 0.0, 100.0, span=Span(500, 600))))
    >>> bool(np.abs(out - np.sin(0.3 * 1.0001 * np.arange(500, 600))).max() < 1e-6)
    True
    """
    if not abs(drift_ppm) <= _MOST_PPM:
        raise TakeError(f"track '{track.name}': a drift of {drift_ppm:g} ppm is no clock's: at most {_MOST_PPM:g} ppm")
    stretch = span or common_span([resampled_span(track.frames, shift_samples, drift_ppm)])
    filters = Filters(_powers(HALF_TAPS))
    for start in range(stretch.start, stretch.stop, block_frames):
        clock = np.arange(start, min(start + block_frames, stretch.stop), dtype=np.float64)
        yield _read_at(track, clock * (1.0 + drift_ppm * 1e-6) - shift_samples, filters) * (polarity * gain)


@dataclass(frozen=True, slots=True)
class _SamplesAtRate:
    """Another track's samples at another rate, moved later by a part of a sample."""

    track: Track
    sample_rate: int
    later_samples: float

    def read(self, start: int, frames: int) -> Floats:
        """Float64 samples ``start`` to ``start + frames`` at the new rate."""
        step = self.track.sample_rate / self.sample_rate
        filters = Filters(_powers(math.ceil(HALF_TAPS * max(step, 1.0))))
        out = np.empty(frames)
        for at in range(0, frames, BLOCK_FRAMES):
            stop = min(at + BLOCK_FRAMES, frames)
            instants = (np.arange(start + at, start + stop, dtype=np.float64) - self.later_samples) * step
            out[at:stop] = _read_at(self.track, instants, filters)
        return out


def at_rate(track: Track, sample_rate: int, *, later_samples: float = 0.0) -> Track:
    """The track as another sample rate would have taken it, to 0.45 of the lower rate within -116 dB.

    Parameters
    ----------
    track : Track
        It is read as it is asked for, and stays as it is.
    sample_rate : int
        Hertz.
    later_samples : float
        Moves it later by so many samples of the new rate, a part of one.

    Examples
    --------
    >>> tone = Track.from_array("tone", np.sin(2 * np.pi * 1000 * np.arange(9600) / 96000), 96000)
    >>> slow = at_rate(tone, 44100)
    >>> slow.frames, bool(abs(slow.read(2205, 1)[0] - np.sin(2 * np.pi * 1000 * 2205 / 44100)) < 1e-5)
    (4410, True)
    """
    frames = max(math.ceil(track.frames * sample_rate / track.sample_rate + later_samples), 1)
    return Track(track.name, sample_rate, frames, _SamplesAtRate(track, sample_rate, later_samples))


def rate_of_original(track: Track) -> tuple[Track, bool]:
    """The track at the rate it was recorded at, and whether it is shown at another."""
    samples = track.samples
    return (samples.track, True) if isinstance(samples, _SamplesAtRate) else (track, False)


@lru_cache(maxsize=8)
def _powers(half_taps: int) -> Floats:
    """The taps by falling power of ``2 fraction - 1``, shape (powers, 2 half_taps); not to be written to."""
    nodes = np.cos(np.pi * (np.arange(4 * _DEGREE) + 0.5) / (4 * _DEGREE))
    # A kernel delays; reading at `fraction` beyond a sample is a delay of 1 - fraction from the next one.
    taps = np.stack([kernel(1.0 - (node + 1.0) / 2.0, half_taps=half_taps) for node in nodes])
    chebyshev = np.polynomial.chebyshev.chebfit(nodes, taps, _DEGREE)
    powers = np.zeros(chebyshev.shape)
    for degree, row in enumerate(chebyshev):
        monomials = np.polynomial.chebyshev.cheb2poly(np.eye(_DEGREE + 1)[degree])
        powers[: len(monomials)] += monomials[:, np.newaxis] * row
    return powers[::-1]


def _read_at(track: Track, instants: Floats, filters: Filters) -> Floats:
    """The track between its samples, at rising ``instants``."""
    below = np.floor(instants)
    turned = 2.0 * (instants - below) - 1.0
    first = int(below[0])
    # Output i of the filters is the delay from sample first + 1 + i.
    samples = track.read(first + 1 - filters.half_taps, int(below[-1]) - first + 2 * filters.half_taps)
    places = (below - first).astype(np.intp)
    out = np.zeros(len(instants))
    for part in filters.apply(samples):
        out *= turned
        out += part[places]
    return out
