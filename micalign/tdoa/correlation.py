"""How do two tracks resemble each other, at each lag?

Convention (`micalign.arrays.cross_spectrum`): conj(X) * Y, X of the first track and Y of the second; its correlation
at a lag of +d seconds is large when the same event comes d seconds LATER in the second. Frames are cut from the first
track by a window; the second is read wider by the search range on both sides, so that no lag inside the range loses
overlap, and is tapered at its ends: files that were cut at one instant share their edges, and an edge is not an event.

Source: C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time delay", IEEE
Transactions on Acoustics, Speech, and Signal Processing 24(4), 320-327, 1976.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from micalign.arrays import Complexes, Floats, Ints, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa.transforms import irfft, rfft

__all__ = [
    "Spectra",
    "band_mean",
    "correlate_spectrum",
    "cut_frames",
    "flat_spectra",
    "frame_spectra",
    "raised_cosine",
    "smooth_bins",
    "whitening",
]

_BATCH = 16
_WHITENING = 0.8
_FAINT = 1e-6
_Single = npt.NDArray[np.float32]


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
        The middle of each frame on the take's clock, as the first track hears it.
    centre_s : float, shape (K,)
        The delay already taken out of the second track at each frame: add it to every lag.
    size : int
        Length of the transform.
    sample_rate : int
        Hertz.
    """

    cross: npt.NDArray[np.complex64]
    first: _Single
    second: _Single
    times_s: Floats
    centre_s: Floats
    size: int
    sample_rate: float

    @property
    def frequencies_hz(self) -> Floats:
        """The B frequencies."""
        return np.asarray(np.arange(self.cross.shape[1]) * (self.sample_rate / self.size), dtype=np.float64)


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
    centre_s: float | Floats = 0.0,
    second_window: Floats | None = None,
    slope: float = 0.0,
) -> Spectra:
    """The spectra of frames that begin at ``starts`` (samples of the first track).

    Parameters
    ----------
    first, second : Track
        Two tracks of one sample rate.
    starts : int, shape (K,)
        First sample of each frame.
    window : float, shape (L,)
        Applied to the first track's frames; to the second's as well where there is no margin.
    margin : int
        How far the second is read beyond the frame on both sides, in samples: the largest lag to be searched.
    centre_s : float or float, shape (K,)
        A delay, in seconds, by which the second is read later (to the nearest sample).
    second_window : float, shape (L,) or (K, L), optional
        The second's window where there is no margin, or one for each frame; the first's unless it is given.
    slope : float
        By how much the delay grows each second: taken out within each frame, about the frame's middle.
    """
    rate, length = first.sample_rate, len(window)
    edge = max(margin // 8, length // 32, 16) if margin else 0
    wide = length + 2 * (margin + edge)
    outer = (raised_cosine(wide, edge, edge) if margin else window) if second_window is None else second_window
    outers = np.broadcast_to(outer.astype(np.float32), (len(starts), wide))
    size = fast_length(wide)
    clocks = (first.start_s - second.start_s) * rate
    offsets = np.rint(np.broadcast_to(np.asarray(centre_s) * rate + clocks, len(starts))).astype(np.intp)
    bins = size // 2 + 1
    # The second's samples that belong to a frame begin margin + edge into what is read of it: turn that back.
    turn = np.exp(2j * np.pi * np.arange(bins) * ((margin + edge) / size)).astype(np.complex64)
    cross = np.empty((len(starts), bins), np.complex64)
    powers = np.empty((2, len(starts), bins), np.float32)
    for begin in range(0, len(starts), _BATCH):
        here = slice(begin, begin + _BATCH)
        x = rfft(cut_frames(first, starts[here], window.astype(np.float32)), size).astype(np.complex64)
        y = _paced(cut_frames(second, starts[here] + offsets[here] - (margin + edge), outers[here]), size, slope)
        cross[here] = cross_spectrum(x, y) * turn
        powers[0, here], powers[1, here] = x.real**2 + x.imag**2, y.real**2 + y.imag**2
    times_s = (starts + length / 2) / rate + first.start_s
    return Spectra(cross, powers[0], powers[1], times_s, (offsets - clocks) / rate, size, rate)


def cut_frames(track: Track, starts: Ints, window: _Single) -> _Single:
    """FrameSet about their own mean, windowed; where the file begins or ends inside a frame, it is faded there."""
    length, fade = window.shape[-1], max(round(0.004 * track.sample_rate), 1)
    out = np.zeros((len(starts), length), np.float32)
    for row, start in zip(out, starts, strict=True):
        low, high = max(-int(start), 0), min(track.frames - int(start), length)
        if high <= low:
            continue
        samples = track.read(int(start) + low, high - low)
        samples -= samples.mean()
        if high - low < length:
            samples *= raised_cosine(high - low, fade if low else 0, fade if high < length else 0)
        row[low:high] = samples
    out *= window
    return out


def _paced(samples: _Single, size: int, slope: float) -> npt.NDArray[np.complex64]:
    """The spectra of frames that are to be read at a pace of ``1 + slope``: each sample turned by its own instant.

    The turn by what an instant lies off its sample is a short sum of products of a function of frequency and one of
    time, Bessel's and Chebyshev's: D. Ruiz-Antolin and A. Townsend, "A nonuniform fast Fourier transform based on low
    rank approximation", SIAM Journal on Scientific Computing 40(1), A529-A547, 2018.
    """
    total = rfft(samples, size).astype(np.complex64)
    if slope == 0.0:
        return total
    from scipy.special import jv  # noqa: PLC0415 - only a drift needs it

    half = samples.shape[1] / 2
    place = np.arccos((np.arange(samples.shape[1]) + 0.5 - half) / half)
    reach = slope / (1.0 + slope) * half * (2.0 * np.pi / size) * np.arange(size // 2 + 1)
    total *= jv(0, reach).astype(np.float32)
    order = 1
    while np.abs(height := jv(order, reach)).max() > _FAINT:
        total += rfft(samples * np.cos(order * place).astype(np.float32), size) * ((2.0 * 1j**order) * height).astype(
            np.complex64
        )
        order += 1
    return total


def smooth_bins(power: npt.ArrayLike, width: Callable[[Floats], Floats] | int) -> Floats:
    """A running mean over neighbouring frequencies; ``width`` in bins, or a function of the bin's number.

    >>> smooth_bins(np.array([0.0, 0.0, 3.0, 0.0, 0.0]), 3).round(6).tolist()
    [0.0, 1.0, 1.0, 1.0, 0.0]
    """
    values = np.asarray(power)
    count = len(values)
    numbers = np.arange(count)
    half = np.full(count, width // 2) if isinstance(width, int) else (width(numbers.astype(float)) / 2).astype(int)
    total = np.concatenate([[0], np.cumsum(values, dtype=complex if np.iscomplexobj(values) else float)])
    low, high = np.maximum(numbers - half, 0), np.minimum(numbers + half + 1, count)
    means: Floats = (total[high] - total[low]) / (high - low)
    return means if np.iscomplexobj(values) else np.maximum(means, 0.0)


def band_mean(power: npt.ArrayLike) -> Floats:
    """The smooth spectrum that whitening divides by: a mean over a fifth of each frequency, eight bins at least."""
    return smooth_bins(power, lambda bins: np.maximum(bins * 0.2, 8))


def whitening(power: Floats, *, lines: bool = False) -> Floats:
    """The whitening of one track: its smooth spectrum to the power -0.4; single lines (hum, notes) are levelled too."""
    smooth = band_mean(power)
    level = np.maximum(smooth, power) if lines else smooth
    # Bins 70 dB below the loudest hold nothing but rounding and dither.
    out: Floats = np.maximum(level, level.max() * 1e-7 + 1e-37) ** (-_WHITENING / 2)
    return out


def flat_spectra(frames: Floats, size: int, rate: float, band_hz: tuple[float, float]) -> Complexes:
    """Spectra of frames, each of one size at all frequencies of a band and nothing outside."""
    spectrum = rfft(frames, size)
    hz = np.arange(spectrum.shape[1]) * rate / size
    level = np.abs(spectrum) + 1e-3 * np.abs(spectrum).max(axis=1, keepdims=True) + 1e-12
    flat: Complexes = spectrum / level * ((hz >= band_hz[0]) & (hz <= band_hz[1]))
    return flat


def correlate_spectrum(spectrum: Complexes, size: int, *, finer: int = 4) -> Floats:
    """The correlation of a one-sided cross-spectrum, ``finer`` values to a sample; lag 0 first, negative lags last."""
    out: Floats = irfft(spectrum, size * finer) * finer
    return out
