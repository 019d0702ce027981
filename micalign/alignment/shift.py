"""How does a track sound moved in time, or as another clock would have taken it, and as integers?

Positive shifts move the track LATER. Any stretch (`Span`) of the take's clock can be asked for, and `common_span` is
one that holds several tracks whole. Tracks that are read from one instant on lie right against each other when they are
put at one place. Whole shifts are exact. Fractional ones go through a windowed sinc (`kernel`), whose tails reach 63
samples before the first sample and 64 beyond the last; the stretch makes room for them too.

The sinc stands under a Kaiser window whose centre moves with the fraction: 128 taps, beta 12. Its error against an
ideal delay stays below -115 dB up to 20 kHz at 44.1 and at 48 kHz, for every fraction; a window that stood still would
lose some 20 dB. After Laakso, Valimaki, Karjalainen and Laine, "Splitting the unit delay", IEEE Signal Processing
Magazine 13(1) 30-60, 1996.

Another clock: where a track drifts by ``drift_ppm``, an event at sample m of the reference lies at ``m (1 + drift_ppm
1e-6) - shift`` of the track: a positive drift is a delay that grows. The fraction between two samples then changes all
the time, so each tap of the kernel is a polynomial in it (the structure of C. W. Farrow, "A continuously variable
digital delay element", ISCAS 1988): ten fixed filters for a block, weighed by powers of each instant's fraction. Ninth
degree keeps the polynomial 20 dB below the kernel's own error. Another sample rate is the same on a larger scale
(`at_rate`); to a lower one the kernel is stretched, so that what the lower rate cannot hold is left out and nothing
folds back.

Integers: exact where samples are integers already, with triangular dither where they are not. Triangular dither (two
uniform draws of one step's width) makes the rounding error's mean and power independent of the signal: Lipshitz,
Wannamaker and Vanderkooy, JAES 40(5) 355-375, 1992. Its draws are seeded, so a file written twice is the same twice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.take.tracks import Track

__all__ = [
    "BLOCK_FRAMES",
    "HALF_TAPS",
    "Filters",
    "Integers",
    "Span",
    "at_rate",
    "common_span",
    "kernel",
    "rate_of_original",
    "resampled_blocks",
    "resampled_span",
    "shifted_blocks",
    "shifted_span",
    "split_shift",
    "to_integers",
]

HALF_TAPS: Final = 64  # taps on either side: see above
_BETA: Final = 12.0  # of the Kaiser window: see above

FFT_FRAMES: Final = 2048  # the fastest of 512 to 16384 with 128 taps; it stays in a core's cache


def kernel(fraction: float, *, half_taps: int = HALF_TAPS) -> Floats:
    """The taps that delay by ``half_taps - 1 + fraction`` samples, shape (2 half_taps,); fraction from 0 to 1.

    More than `HALF_TAPS` stretch the kernel, which then passes only the lower ``HALF_TAPS / half_taps`` of the band:
    for a rate so much lower.

    >>> taps = kernel(0.0)
    >>> int(np.argmax(taps)), round(float(np.abs(taps).sum()), 12)
    (63, 1.0)
    >>> round(float(kernel(0.3, half_taps=100).sum()), 6)
    1.0
    """
    share = HALF_TAPS / half_taps
    offset = (np.arange(2 * half_taps) - (half_taps - 1 + fraction)) * share
    inside = np.clip(1.0 - (offset / HALF_TAPS) ** 2, 0.0, None)
    taps: Floats = share * np.sinc(offset) * np.i0(_BETA * np.sqrt(inside)) / np.i0(_BETA)
    return taps


class Filters:
    """One or several filters of equally many taps, applied block by block (overlap-save); for one thread.

    The transforms of all blocks share one workspace: fresh memory for every block would cost four times the
    arithmetic on systems where a page of it is slow to come by.

    Parameters
    ----------
    taps : ndarray, shape (filters, taps)

    Examples
    --------
    >>> later = Filters(kernel(0.0)[np.newaxis])
    >>> [out.round(9).tolist() for out in later.apply(np.arange(130.0))]
    [[64.0, 65.0, 66.0]]
    """

    def __init__(self, taps: Floats) -> None:
        self.half_taps = taps.shape[1] // 2
        self._lead = taps.shape[1] - 1
        self._frames = max(FFT_FRAMES, 1 << (4 * self._lead).bit_length())
        self._step = self._frames - self._lead
        self._spectra = np.fft.rfft(taps, self._frames)
        self._resize(0)

    def _resize(self, rows: int) -> None:
        self._samples = np.zeros(rows * self._step + self._lead)
        self._spectrum = np.empty((rows, self._frames // 2 + 1), np.complex128)
        self._product = np.empty_like(self._spectrum)
        self._out = np.empty((rows, self._frames))

    def apply(self, samples: Floats) -> Iterator[Floats]:
        """The samples through each filter in turn, where all its taps have a sample.

        Parameters
        ----------
        samples : ndarray, shape (n + taps - 1,)
            The stretch wanted, with ``taps - 1`` samples more in front of it.

        Yields
        ------
        ndarray, shape (n,)
            The caller's to keep.
        """
        wanted = len(samples) - self._lead
        rows = -(-wanted // self._step)
        if rows != len(self._out):
            self._resize(rows)
        self._samples[: len(samples)] = samples
        self._samples[len(samples) :] = 0.0
        pieces = np.lib.stride_tricks.sliding_window_view(self._samples, self._frames)[:: self._step]
        np.fft.rfft(pieces, axis=-1, out=self._spectrum)
        for taps in self._spectra:
            np.multiply(self._spectrum, taps, out=self._product)
            np.fft.irfft(self._product, self._frames, axis=-1, out=self._out)
            yield self._out[:, self._lead :].flatten()[:wanted]


BLOCK_FRAMES: Final = 1 << 16
"""Half a megabyte of float64, which stays in a core's cache on its way through filter, dither and encoder."""

_WHOLE_WITHIN: Final = 1e-6  # samples: 20 ps at 48 kHz, an error below -110 dB at 20 kHz


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the take's clock in samples, ``start`` to ``stop`` (exclusive); 0 is where the take began."""

    start: int
    stop: int

    @property
    def frames(self) -> int:
        """Its length in samples."""
        return self.stop - self.start


def split_shift(shift_samples: float, *, whole: bool = False) -> tuple[int, float]:
    """A shift as whole samples and a fraction from 0 up to 1; the fraction is 0 where ``whole`` asks to round.

    >>> split_shift(-2.25), split_shift(-2.25, whole=True), split_shift(3.0000001)
    ((-3, 0.75), (-2, 0.0), (3, 0.0))
    """
    nearest = round(shift_samples)
    if whole or abs(shift_samples - nearest) < _WHOLE_WITHIN:
        return nearest, 0.0
    down = math.floor(shift_samples)
    return down, shift_samples - down


def shifted_span(frames: int, shift_samples: float, *, whole: bool = False) -> Span:
    """Where a track of ``frames`` samples sounds after its shift, the kernel's tails included.

    >>> shifted_span(1000, 2.0), shifted_span(1000, 2.5)
    (Span(start=2, stop=1002), Span(start=-61, stop=1066))
    """
    count, fraction = split_shift(shift_samples, whole=whole)
    if fraction == 0.0:
        return Span(count, count + frames)
    return Span(count - HALF_TAPS + 1, count + frames + HALF_TAPS)


def common_span(spans: Iterable[Span]) -> Span:
    """The stretch that holds every span and the take's beginning, so that files stay in place where they can.

    >>> common_span([Span(2, 1002), Span(-61, 1066)]), common_span([Span(5, 10)])
    (Span(start=-61, stop=1066), Span(start=0, stop=10))
    """
    known = list(spans)
    return Span(min([0, *(span.start for span in known)]), max([0, *(span.stop for span in known)]))


def shifted_blocks(
    track: Track,
    shift_samples: float,
    *,
    whole: bool = False,
    polarity: int = 1,
    gain: float = 1.0,
    span: Span | None = None,
    block_frames: int = BLOCK_FRAMES,
) -> Iterator[Floats]:
    """The track moved later by ``shift_samples``, on a stretch of the take's clock.

    Parameters
    ----------
    track : Track
        What to move; it is only read.
    shift_samples : float
        Positive moves it later.
    whole : bool
        Round the shift to whole samples: every sample then comes out bit for bit.
    polarity : {1, -1}
        -1 flips the polarity.
    gain : float
        Amplitude factor; 1 leaves the samples as they are.
    span : Span, optional
        The stretch to hand out; ``common_span`` of the track's own ``shifted_span`` if left out, so that nothing is
        cut off.
    block_frames : int
        Samples to a block.

    Yields
    ------
    ndarray of float64, shape (block,)
        One block after the other; silence where the track does not reach.

    Examples
    --------
    >>> click = Track.from_array("click", [1.0, 0.5], 48000)
    >>> [block.tolist() for block in shifted_blocks(click, 2.0, polarity=-1)]
    [[0.0, 0.0, -1.0, -0.5]]
    """
    count, fraction = split_shift(shift_samples, whole=whole)
    stretch = span or common_span([shifted_span(track.frames, shift_samples, whole=whole)])
    factor = polarity * gain
    delay = Filters(kernel(fraction)[np.newaxis] * factor) if fraction else None
    for start in range(stretch.start, stretch.stop, block_frames):
        frames = min(block_frames, stretch.stop - start)
        if delay is None:
            yield _scaled(track.read(start - count, frames), factor)
        else:
            yield from delay.apply(track.read(start - count - HALF_TAPS, frames + 2 * HALF_TAPS - 1))


def _scaled(samples: Floats, factor: float) -> Floats:
    if factor == 1.0:
        return samples
    # A subtraction, so that silence stays +0.
    return 0.0 - samples if factor == -1.0 else samples * factor


_DEGREE: Final = 9  # of the polynomials: see above
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


@dataclass(frozen=True, slots=True)
class Integers:
    """Samples as integers of ``bits`` bits, and how many were held at a rail to fit."""

    values: npt.NDArray[np.int32]
    clipped: int


def to_integers(samples: Floats, bits: int, *, dither: np.random.Generator | None = None) -> Integers:
    """Round samples (full scale +-1, any shape) to integers of ``bits`` bits.

    Parameters
    ----------
    samples : ndarray of float64
        Full scale +-1.
    bits : int
        8 to 32.
    dither : numpy.random.Generator, optional
        Where the dither is drawn from; none without it, and values that are integers already then stay exact.

    Returns
    -------
    Integers
        Values in the shape of ``samples``; a sample beyond the rails is held there and counted.

    Examples
    --------
    >>> to_integers(np.array([0.5, -1.0, 1.0]), 16)
    Integers(values=array([ 16384, -32768,  32767], dtype=int32), clipped=1)
    """
    full = float(1 << (bits - 1))
    scaled = samples * full
    if dither is not None:
        scaled += dither.random(samples.shape, dtype=np.float32)
        scaled -= dither.random(samples.shape, dtype=np.float32)
    np.rint(scaled, out=scaled)
    clipped = 0
    if scaled.max(initial=0.0) > full - 1 or scaled.min(initial=0.0) < -full:
        clipped = int(np.count_nonzero((scaled > full - 1) | (scaled < -full)))
        np.clip(scaled, -full, full - 1, out=scaled)
    return Integers(scaled.astype(np.int32), clipped)
