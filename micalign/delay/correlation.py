"""How do two tracks resemble each other, at each lag? The one place that forms a cross-spectrum.

Convention: the cross-spectrum is conj(X) * Y, X of the first track and Y of the second, and its correlation at a lag
of +d seconds is large when the same event comes d seconds LATER in the second. Frames are cut from the first track by
a window; the second is read wider by the search range on both sides, so that no lag inside the range loses overlap,
and is tapered at its ends: files that were cut at one instant share their edges, and an edge is not an event.

Source: C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time delay", IEEE
Transactions on Acoustics, Speech, and Signal Processing 24(4), 320-327, 1976.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from micalign.arrays import Complexes, Floats, Ints
from micalign.take.model import Track

__all__ = ["Spectra", "correlate_spectrum", "frame_spectra", "raised_cosine", "smooth_bins"]

_BATCH = 32


@dataclass(frozen=True)
class Spectra:
    """Spectra of K frames of two tracks, B frequencies each.

    Parameters
    ----------
    cross : complex, shape (K, B)
        conj(X) * Y of each frame.
    first, second : float, shape (K, B)
        Power of each frame of the two tracks.
    times_s : float, shape (K,)
        The middle of each frame on the first track's clock.
    centre_s : float
        A delay already taken out of the second track: add it to every lag.
    size : int
        Length of the transform.
    sample_rate : int
        Hertz.
    """

    cross: npt.NDArray[np.complex64]
    first: npt.NDArray[np.float32]
    second: npt.NDArray[np.float32]
    times_s: Floats
    centre_s: float
    size: int
    sample_rate: int

    @property
    def frequencies_hz(self) -> Floats:
        """The B frequencies."""
        return np.arange(self.cross.shape[1]) * (self.sample_rate / self.size)


def raised_cosine(length: int, rise: int, fall: int) -> Floats:
    """A window of ones that rises and falls as half a cosine.

    >>> raised_cosine(6, 2, 2).round(3).tolist()
    [0.146, 0.854, 1.0, 1.0, 0.854, 0.146]
    """
    window = np.ones(length)
    for edge, count in ((slice(None), rise), (slice(None, None, -1), fall)):
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / max(count, 1))
        window[edge][:count] *= ramp[:length]
    return window


def frame_spectra(
    first: Track,
    second: Track,
    starts: Ints,
    window: Floats,
    *,
    margin: int,
    centre: int = 0,
) -> Spectra:
    """The spectra of frames that begin at ``starts`` (samples of the first track).

    Parameters
    ----------
    first, second : Track
        Two tracks of one sample rate.
    starts : int, shape (K,)
        First sample of each frame.
    window : float, shape (L,)
        Applied to the first track's frames.
    margin : int
        How far the second is read beyond the frame on both sides, in samples: the largest lag to be searched.
    centre : int
        A delay, in samples, by which the second is read later.
    """
    from scipy.fft import next_fast_len, rfft

    length = len(window)
    wide = length + 2 * margin
    edge = max(margin // 8, length // 32, 16)
    outer = raised_cosine(wide + 2 * edge, edge, edge).astype(np.float32)
    size = int(next_fast_len(wide + 2 * edge, real=True))
    # The samples of the second that belong to a frame begin margin + edge into what is read of it.
    bins = size // 2 + 1
    turn = np.exp(2j * np.pi * np.arange(bins) * ((margin + edge) / size)).astype(np.complex64)
    offset = round((first.start_s - second.start_s) * first.sample_rate) + centre
    count = len(starts)
    cross = np.empty((count, bins), np.complex64)
    power_1, power_2 = np.empty((count, bins), np.float32), np.empty((count, bins), np.float32)
    narrow = window.astype(np.float32)
    for begin in range(0, count, _BATCH):
        part = starts[begin : begin + _BATCH]
        x = _cut(first, part, length, narrow)
        y = _cut(second, part + offset - margin - edge, wide + 2 * edge, outer)
        big_x, big_y = rfft(x, size, axis=1), rfft(y, size, axis=1)
        here = slice(begin, begin + len(part))
        cross[here] = np.conj(big_x) * big_y * turn
        power_1[here] = big_x.real**2 + big_x.imag**2
        power_2[here] = big_y.real**2 + big_y.imag**2
    exact = (first.start_s - second.start_s) * first.sample_rate
    centre_s = (offset - exact) / first.sample_rate
    times_s = (starts + length / 2) / first.sample_rate
    return Spectra(cross, power_1, power_2, times_s, centre_s, size, first.sample_rate)


def _cut(track: Track, starts: Ints, length: int, window: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    out = np.empty((len(starts), length), np.float32)
    for row, start in zip(out, starts, strict=True):
        samples = track.read(int(start), length)
        row[:] = samples - samples.mean()
    out *= window
    return out


def smooth_bins(power: Floats, width: Callable[[Floats], Floats] | int) -> Floats:
    """A running mean over neighbouring frequencies; ``width`` in bins, or a function of the bin's number.

    >>> smooth_bins(np.array([0.0, 0.0, 3.0, 0.0, 0.0]), 3).round(6).tolist()
    [0.0, 1.0, 1.0, 1.0, 0.0]
    """
    count = len(power)
    numbers = np.arange(count, dtype=float)
    half = np.full(count, width // 2) if isinstance(width, int) else (width(numbers) / 2).astype(int)
    total = np.concatenate([[0.0], np.cumsum(power, dtype=float)])
    low = np.maximum(np.arange(count) - half, 0)
    high = np.minimum(np.arange(count) + half + 1, count)
    means: Floats = (total[high] - total[low]) / (high - low)
    return np.maximum(means, 0.0)


def correlate_spectrum(spectrum: Complexes, size: int, *, finer: int = 4) -> Floats:
    """The correlation of a one-sided cross-spectrum, ``finer`` values to a sample; lag 0 first, negative lags last."""
    from scipy.fft import irfft

    out: Floats = irfft(spectrum, size * finer) * finer
    return out
