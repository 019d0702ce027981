"""A track moved in time by any number of samples, block by block, with nothing cut off at either end.

Positive shifts move the track LATER. Any stretch (`Span`) of the take's clock can be asked for, and `common_span` is
one that holds several tracks whole. Tracks that are read from one instant on lie right against each other when they are
put at one place. Whole shifts are exact. Fractional ones go through a windowed sinc (`kernel`), whose tails reach 63
samples before the first sample and 64 beyond the last; the stretch makes room for them too.

The sinc stands under a Kaiser window whose centre moves with the fraction: 128 taps, beta 12. Its error against an
ideal delay stays below -115 dB up to 20 kHz at 44.1 and at 48 kHz, for every fraction; a window that stood still would
lose some 20 dB. After Laakso, Valimaki, Karjalainen and Laine, "Splitting the unit delay", IEEE Signal Processing
Magazine 13(1) 30-60, 1996.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.take.tracks import Track

__all__ = [
    "BLOCK_FRAMES",
    "HALF_TAPS",
    "Filters",
    "Span",
    "common_span",
    "kernel",
    "shifted_blocks",
    "shifted_span",
    "split_shift",
]

HALF_TAPS: Final = 64
_BETA: Final = 12.0

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
