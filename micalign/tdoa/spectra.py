"""How do two tracks resemble each other at each lag, where exactly is the peak, and how sure is that?

Convention (`micalign.arrays.cross_spectrum`): conj(X) * Y, X of the first track and Y of the second; its correlation
at a lag of +d seconds is large when the same event comes d seconds LATER in the second. Frames are cut from the first
track by a window; the second is read wider by the search range on both sides, so that no lag inside the range loses
overlap, and is tapered at its ends: files that were cut at one instant share their edges, and an edge is not an event.

The correlation of a sampled pair is a finite sum of cosines, so it has a value at every lag and not only at whole
samples: the maximum of that sum is found by Newton's rule from the nearest point of a fine grid. A parabola through
three samples is off by up to 0.12 sample on a wide-band peak; this is not.

At the right delay of a single path every frequency of the cross-spectrum is in phase. What is left over,
noise and above all the reflections of a room, which no number of takes averages away, pushes the peak as its phases
happen to fall. Frequencies near one another err together, those in different cells do not: the spread of the cells'
pushes is the standard error of the delay. It counts what the scatter of stretches cannot see, for all stretches share
one room. Ten cells to the width of the band: an early reflection's pushes undo each other over 1 kHz and more, but too
few cells know too little of their spread.

Transforms, Butterworth filters and running maxima are of frames, shape (..., N), in numpy alone. Scipy has all of
these and says the same (``tests/tdoa/test_transforms.py``), but costs `measure` of eight tracks of five minutes 1.3
block-wise reads and 61 MB more; what it costs with these ``tests/bench/files/test_whole_commands.py`` prints.

Sources: C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time delay", IEEE
Transactions on Acoustics, Speech, and Signal Processing 24(4), 320-327, 1976; S. Butterworth, "On the theory of filter
amplifiers", Wireless Engineer 7, 536-541, 1930; the bilinear transform with the corners warped to where they belong:
A. V. Oppenheim and R. W. Schafer, "Discrete-Time Signal Processing", 3rd ed., Pearson 2010, section 7.2.2;
H. White, "A heteroskedasticity-consistent covariance matrix estimator", Econometrica 48(4), 817-838, 1980, and for
cells whose members err together K.-Y. Liang and S. L. Zeger, "Longitudinal data analysis using generalized linear
models", Biometrika 73(1), 13-22, 1986 (the error of a peak).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from micalign.arrays import Complexes, Floats, Ints, Real, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa import tuned

__all__ = [
    "APART_S",
    "BATCH",
    "Spectra",
    "cramer_rao_s",
    "edges_within",
    "filtered",
    "flat_spectra",
    "frame_spectra",
    "greatest_before",
    "greatest_near",
    "in_bands",
    "irfft",
    "lowest_share",
    "one_sigma_s",
    "phase_error_s",
    "raised_cosine",
    "refine",
    "response",
    "rfft",
    "rival_of",
    "smooth_bins",
    "sum_ahead",
    "whitening",
]

_SETTLES_S: Final = 0.05  # the slowest filter, of 60 Hz, is 160 dB down by then
_CELLS: Final = 10  # to the width of the band, see above
_CELL_HZ: Final = (100.0, 400.0)  # hertz: the narrowest and the widest cell
_BEYOND: Final = 1.5  # sigma: eight groups of one delay scatter by so much through chance
_FEWEST: Final = 3  # groups or cells that tell a scatter
_Array = TypeVar("_Array", bound=npt.NDArray[Any])


def rfft(frames: npt.NDArray[Any], size: int | None = None) -> npt.NDArray[Any]:
    """The one-sided spectra of real frames, in the precision of these, zeros behind them up to ``size``."""
    length = frames.shape[-1]
    longer = np.zeros((*frames.shape[:-1], size or length), frames.dtype)
    longer[..., :length] = frames
    # Numpy puts the zeros behind in twice the time, and calculates in double precision unless it is to divide.
    spectra = np.fft.rfft(longer, norm="forward")
    spectra *= longer.shape[-1]
    return np.asarray(spectra)


def irfft(spectra: npt.NDArray[Any], size: int) -> npt.NDArray[Any]:
    """The frames of one-sided spectra, in the precision of these."""
    return np.asarray(np.fft.irfft(spectra, size, axis=-1))


@lru_cache(maxsize=64)
def response(size: int, rate: float, order: int, low_hz: float, high_hz: float) -> Complexes:
    """A digital Butterworth filter at the frequencies of a transform: a high-pass where ``high_hz`` is infinite.

    ``order`` is that of either edge, 1 or 2.
    """
    # At half the rate the warped frequency is infinite: just below it stands for it.
    warped = 1j * np.tan(np.pi * np.minimum(np.arange(size // 2 + 1) / size, 0.5 - 1e-9))
    low = np.tan(np.pi * low_hz / rate)
    with np.errstate(divide="ignore", invalid="ignore"):
        if np.isinf(high_hz):
            s = low / warped
        else:
            high = np.tan(np.pi * high_hz / rate)
            s = (warped**2 + low * high) / ((high - low) * warped)
        values = 1.0 / (s + 1.0) if order == 1 else 1.0 / (s**2 + np.sqrt(2.0) * s + 1.0)
    values[0] = 0.0
    return np.asarray(values, dtype=np.complex128)


def filtered(frames: _Array, rate: float, *bands: tuple[float, float], order: int) -> list[_Array]:
    """The frames in each band, low and high edge in hertz, in their own precision; silence before and after them.

    >>> tone = np.sin(2 * np.pi * 1000 * np.arange(4800) / 48000)
    >>> low, high = filtered(tone[None], 48000, (60.0, 300.0), (500.0, 2000.0), order=2)
    >>> round(float(np.abs(low[0, 2400:]).max()), 3), round(float(np.abs(high[0, 2400:]).max()), 3)
    (0.059, 1.0)
    """
    length = frames.shape[-1]
    size = fast_length(length + round(_SETTLES_S * rate))
    spectra = rfft(frames, size)
    parts = (response(size, rate, order, *edges).astype(spectra.dtype) for edges in bands)
    return [irfft(spectra * part, size)[..., :length] for part in parts]  # type: ignore[misc]


def edges_within(bands_hz: Sequence[tuple[float, float]], rate: int) -> list[tuple[float, float]]:
    """The bands as far as a rate carries them.

    >>> edges_within([(300, 700), (6000, 14000)], 22050)
    [(300, 700), (4961.25, 9922.5)]
    """
    tops = [min(high, 0.45 * rate) for _, high in bands_hz]
    return [(min(low, 0.5 * top), top) for (low, _), top in zip(bands_hz, tops, strict=True)]


def in_bands(frames: Real, rate: int) -> list[tuple[Real, float]]:
    """Frames in each of `BANDS`, and their differences, with how long a rise is watched in each."""
    bands = filtered(frames, rate, *edges_within([(low, high) for low, high, _ in tuned.BANDS], rate), order=2)
    lengths = [seconds for _, _, seconds in tuned.BANDS]
    return [*zip(bands, lengths, strict=True), (np.diff(frames, axis=1, prepend=frames[:, :1]), lengths[2])]


def greatest_before(values: _Array, span: int) -> _Array:
    """The greatest of each value and the ``span - 1`` before it.

    >>> greatest_before(np.array([3, 1, 2, 0, 0, 0]), 3).tolist()
    [3, 3, 3, 2, 2, 0]
    """
    out, wider, width = values.copy(), np.empty_like(values), 1
    while width < span:
        step = min(width, span - width)
        wider[..., :step] = out[..., :step]
        np.maximum(out[..., step:], out[..., :-step], out=wider[..., step:])
        out, wider, width = wider, out, width + step
    return out


def sum_ahead(values: _Array, span: int) -> _Array:
    """The sum of each value and the ``span - 1`` after it, where there are so many.

    >>> sum_ahead(np.array([3, 1, 2, 0, 0, 5]), 3).tolist()
    [6, 3, 2, 5]
    """
    count = values.shape[-1] - span + 1
    out: _Array = np.zeros_like(values[..., :count])  # type: ignore[assignment]
    part, width, done = values, 1, 0
    while done < span:
        if span & width:
            out += part[..., done : done + count]
            done += width
        part, width = part[..., :-width] + part[..., width:], 2 * width
    return out


def greatest_near(values: _Array, reach: int) -> _Array:
    """The greatest of each value and ``reach`` on either side of it.

    >>> greatest_near(np.array([3, 1, 2, 0, 0, 0]), 1).tolist()
    [3, 3, 2, 2, 0, 0]
    """
    # Windows beyond the end hold the last value anyway.
    longer = np.concatenate([values, np.repeat(values[..., -1:], reach, axis=-1)], axis=-1)
    out: _Array = greatest_before(longer, 2 * reach + 1)[..., reach:]  # type: ignore[assignment]
    return out


def lowest_share(values: npt.NDArray[Any], share: float) -> float:
    """The value below which a share of all lie: without the interpolation that makes a quantile five times as slow.

    >>> lowest_share(np.array([4.0, 1.0, 3.0, 2.0, 0.0]), 0.5)
    2.0
    """
    rank = int(share * (values.size - 1))
    return float(np.partition(values, rank, axis=None)[rank])


BATCH = 16  # frames at once: what fits near the processor
_WHITENING = 0.8  # power of the spectra taken away: 1 would raise noise to the level of notes
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
    centre_s : float
        The delay already taken out of the second track: add it to every lag.
    size : int
        Length of the transform.
    sample_rate : int
        Hertz.
    """

    cross: npt.NDArray[np.complex64]
    first: _Single
    second: _Single
    centre_s: float
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
    centre_s: float = 0.0,
    kept: Callable[[Hashable, Callable[[], Any]], Any] | None = None,
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
    centre_s : float
        A delay, in seconds, by which the second is read later (to the nearest sample).
    kept : callable, optional
        Keeps the first track's spectra for other tracks (`micalign.tdoa.strokes.Listened.kept`), by their frames: of
        one window and length.
    """
    rate, length = first.sample_rate, len(window)
    edge = max(margin // 8, length // 32, 16) if margin else 0
    wide = length + 2 * (margin + edge)
    outer = raised_cosine(wide, edge, edge) if margin else window
    size = fast_length(wide)
    clocks = (first.start_s - second.start_s) * rate
    offset = round(centre_s * rate + clocks)
    bins = size // 2 + 1
    # The second's samples that belong to a frame begin margin + edge into what is read of it: turn that back.
    turn = np.exp(2j * np.pi * np.arange(bins) * ((margin + edge) / size)).astype(np.complex64)
    cross, powers = np.empty((len(starts), bins), np.complex64), np.empty((2, len(starts), bins), np.float32)

    def of(track: Track, begins: Ints, shape: Floats) -> npt.NDArray[np.complex64]:
        return rfft(_cut_frames(track, begins, shape.astype(np.float32)), size)

    for begin in range(0, len(starts), BATCH):
        here = slice(begin, begin + BATCH)
        make = partial(of, first, starts[here], window)
        x = make() if kept is None else kept(("spectra", size, margin > 0, starts[here].tobytes()), make)
        y = of(second, starts[here] + offset - (margin + edge), outer)
        np.multiply(cross_spectrum(x, y), turn, out=cross[here])
        powers[0, here], powers[1, here] = x.real**2 + x.imag**2, y.real**2 + y.imag**2
    return Spectra(cross, powers[0], powers[1], (offset - clocks) / rate, size, rate)


def _cut_frames(track: Track, starts: Ints, window: _Single) -> _Single:
    """Frames about their own mean, windowed; where the file begins or ends inside a frame, it is faded there."""
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


def smooth_bins(power: npt.NDArray[Any], width: npt.ArrayLike) -> Floats:
    """A running mean over neighbouring frequencies; ``width`` in bins, one for all or each bin's own.

    >>> smooth_bins(np.array([0.0, 0.0, 3.0, 0.0, 0.0]), 3).round(6).tolist()
    [0.0, 1.0, 1.0, 1.0, 0.0]
    """
    count, half = len(power), (np.asarray(width) / 2).astype(int)
    total = np.concatenate([[0], np.cumsum(power, dtype=np.result_type(power, np.float64))])
    low, high = np.maximum(np.arange(count) - half, 0), np.minimum(np.arange(count) + half + 1, count)
    means: Floats = (total[high] - total[low]) / (high - low)
    return means if np.iscomplexobj(power) else np.maximum(means, 0.0)


def whitening(power: Floats, *, lines: bool = False) -> Floats:
    """The whitening of one track: its smooth spectrum to the power -0.4; single lines (hum, notes) are levelled too.

    Smooth is a mean over a fifth of each frequency, eight bins at least.
    """
    smooth = smooth_bins(power, np.maximum(0.2 * np.arange(len(power)), 8))
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


APART_S: Final = 0.0004
"""Two peaks nearer than this are lobes of one event."""


def rival_of(size: Floats, top: int, apart: float) -> float:
    """The highest of a curve that lies further than ``apart`` places from its top, as a share of that.

    >>> rival_of(np.array([0.0, 2.0, 4.0, 3.0, 0.0, 1.0]), 2, 1)
    0.25
    """
    away = size[np.abs(np.arange(len(size)) - top) > apart]
    return float(away.max(initial=0.0)) / max(float(size[top]), 1e-300)


def refine(spectrum: Complexes, frequencies_hz: Floats, lag_s: float, *, within_s: float) -> float:
    """The lag of the extreme of the sum of cosines nearest to ``lag_s``, and no further than ``within_s`` from it.

    >>> f = np.arange(1.0, 200.0)
    >>> round(refine(np.exp(-2j * np.pi * f * 0.00123), f, 0.0012, within_s=0.001), 9)
    0.00123
    """
    used = np.flatnonzero(spectrum)
    spectrum, omega = spectrum[used], 2.0 * np.pi * frequencies_hz[used]
    at = lag_s
    for _ in range(40):
        turned = spectrum * np.exp(1j * omega * at)
        value, slope, bend = turned.real.sum(), -(omega * turned.imag).sum(), -(omega**2 * turned.real).sum()
        if bend * value >= 0:
            break
        step = float(np.clip(-slope / bend, -within_s / 4, within_s / 4))
        # Half a sample off a peak of all frequencies Newton's step would lead to a lobe beyond it.
        while abs(step) > 1e-12 and _height(spectrum, omega, at + step) * np.sign(value) < abs(value):
            step /= 2
        at = float(np.clip(at + step, lag_s - within_s, lag_s + within_s))
        if abs(step) < 1e-12:
            break
    return at


def _height(spectrum: Complexes, omega: Floats, lag_s: float) -> float:
    return float((spectrum * np.exp(1j * omega * lag_s)).real.sum())


def phase_error_s(spectrum: Complexes, frequencies_hz: Floats, lag_s: float) -> float:
    """One standard deviation of the lag at which a weighted cross-spectrum peaks.

    Parameters
    ----------
    spectrum : complex, shape (B,)
        The cross-spectrum, weighted as it was where its peak was looked for.
    frequencies_hz : float, shape (B,)
        Evenly spaced and rising.
    lag_s : float
        Where it peaks.

    Returns
    -------
    float
        Seconds; infinity where there is no peak.

    Examples
    --------
    >>> f = np.arange(100.0, 8000.0, 10.0)
    >>> direct = np.exp(-2j * np.pi * f * 0.003)
    >>> phase_error_s(direct, f, 0.003) < 1e-12
    True
    >>> wall = 0.1 * np.exp(-2j * np.pi * f * 0.005)
    >>> 5e-8 < phase_error_s(direct + wall, f, 0.003) < 1e-6
    True
    """
    omega = 2.0 * np.pi * frequencies_hz
    turned = spectrum * np.exp(1j * omega * lag_s)
    height, bend = abs(float(turned.real.sum())), abs(float((omega**2 * turned.real).sum()))
    if not bend > 0 < height:
        return float("inf")
    cell_hz = np.clip(np.sqrt(bend / height) / (2.0 * np.pi * _CELLS), *_CELL_HZ)
    pushes = np.bincount((frequencies_hz / cell_hz).astype(np.intp), omega * turned.imag)
    return float(np.sqrt((pushes**2).sum()) / bend)


def one_sigma_s(error_s: float, groups_s: Floats) -> float:
    """The standard deviation of a delay: its phases' own, or what groups of frames scatter beyond that.

    Eight groups of one delay scatter by a quarter more or less than they should; those of a player who moves, or of
    two clocks, by far more.

    Parameters
    ----------
    error_s : float
        `phase_error_s`.
    groups_s : float, shape (G,)
        The delay by each group of frames alone; fewer than three tell nothing.

    Examples
    --------
    >>> one_sigma_s(1e-6, np.array([1e-6, -1e-6, 2e-6, 0.0]))
    1e-06
    >>> round(one_sigma_s(1e-6, np.array([9e-6, -9e-6, 9e-6, -9e-6])) * 1e6, 1)
    5.1
    """
    if len(groups_s) < _FEWEST:
        return error_s
    scatter_s = float(np.std(groups_s, ddof=1) / np.sqrt(len(groups_s)))
    return float(np.sqrt(error_s**2 + max(scatter_s**2 - (_BEYOND * error_s) ** 2, 0.0)))


def cramer_rao_s(hz: Floats, coherence: Floats, seconds: float) -> float:
    """The least standard deviation of a delay, from the magnitude-squared coherence at evenly spaced frequencies.

    Knapp and Carter 1976: var = 1 / (2 T integral of (2 pi f)^2 C / (1 - C) df), f > 0.

    >>> f = np.arange(200.0, 4000.0)
    >>> round(cramer_rao_s(f, np.full(len(f), (10 / 11) ** 2), 0.1) * 1e6, 2)
    1.12
    """
    spacing = float(hz[1] - hz[0])
    information = 2.0 * seconds * spacing * float(((2 * np.pi * hz) ** 2 * coherence / (1.0 - coherence)).sum())
    return float((information + 1e-30) ** -0.5)
