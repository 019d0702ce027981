"""All meters of one track, fed about a second at a time, so that a track is read once and never held.

Samples are against full scale 1. A window is a hundredth of a second (rounded down to whole samples), a tenth is ten
windows; what is left at the end, shorter than a window, counts for peaks, root mean square and clipping alone.

Its quietest seconds are kept, with what is in them. A second is as loud as the loudest of its tenths, so that one with
a hit in it is not quiet. Seconds with digital silence in them are left out: what was muted shows no noise. The spectra
are of a Hann window over one second, so a bin is one hertz; powers are mean squares (a full-scale sine holds 0.5).

Its outline, for drawing, is the lowest and highest sample in bins of equal length, at most 4096 of them. Bins begin as
hundredths of a second; when there are too many, each two become one: the memory is constant however long the track is.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.take.clipping import ClipMeter, Clipping
from micalign.take.tracks import Track
from micalign.take.truepeak import TruePeak

__all__ = ["LOW_BINS", "Outline", "OutlineMeter", "QuietMeter", "QuietSeconds", "Readings", "TrackMeter"]

LOW_BINS: Final = 1000
"""Bins of the low spectrum: 0 to 999 Hz."""

_LOW_EDGE_HZ: Final = 200
_HIGH_EDGE_HZ: Final = 2000
_MOST_SECONDS: Final = 12
_LEAST_SECONDS: Final = 4
_KEPT_FRAMES: Final = _MOST_SECONDS * 48_000
_MOST_BINS: Final = 4096
_WINDOWS: Final = 100
_TENTH: Final = 10


@dataclass(frozen=True, eq=False)
class QuietSeconds:
    """The spectra of the quietest seconds, the quietest first.

    Parameters
    ----------
    low : array, shape (seconds, bins)
        Power by bin of one hertz, from 0 to 999 Hz (or to half the sample rate).
    loudest_tenth : array, shape (seconds,)
        Power of the loudest tenth of each.
    bands : array, shape (seconds, 3)
        Power from 10 to 200 Hz, from 200 Hz to 2 kHz, and above.
    """

    low: Floats
    loudest_tenth: Floats
    bands: Floats


class QuietMeter:
    """Keeps the quietest seconds of a track, as many as fit a fixed memory."""

    def __init__(self, sample_rate: int) -> None:
        self._most = min(max(_KEPT_FRAMES // sample_rate, _LEAST_SECONDS), _MOST_SECONDS)
        self._kept: list[tuple[float, int, np.ndarray[tuple[int], np.dtype[np.float32]]]] = []
        self._count = 0

    def feed(self, second: Floats, tenths: Floats) -> None:
        """Take a second of samples with the powers of its tenths."""
        self._count += 1
        loudest = float(tenths.max())
        if tenths.min() <= 0.0 or (len(self._kept) == self._most and loudest >= -self._kept[0][0]):
            return
        entry = (-loudest, self._count, second.astype(np.float32))
        if len(self._kept) < self._most:
            heapq.heappush(self._kept, entry)
        else:
            heapq.heapreplace(self._kept, entry)

    def finish(self) -> QuietSeconds | None:
        """The spectra; None where no whole second was fit."""
        if not self._kept:
            return None
        chosen = sorted(self._kept, reverse=True)
        frames = len(chosen[0][2])
        window = np.sin(np.pi * (np.arange(frames) + 0.5) / frames) ** 2
        powers = [_power_spectrum(second.astype(np.float64), window) for _, _, second in chosen]
        return QuietSeconds(
            low=np.array([power[:LOW_BINS] for power in powers]),
            loudest_tenth=np.array([-loudness for loudness, _, _ in chosen]),
            bands=np.array([_bands(power) for power in powers]),
        )


def _power_spectrum(second: Floats, window: Floats) -> Floats:
    spectrum = np.fft.rfft(window * (second - second.mean()))
    # The squares of a Hann window add up to 3/8 of its length.
    return (2.0 / (0.375 * len(second) ** 2)) * (spectrum.real**2 + spectrum.imag**2)


def _bands(power: Floats) -> tuple[float, float, float]:
    return (
        float(power[10:_LOW_EDGE_HZ].sum()),
        float(power[_LOW_EDGE_HZ:_HIGH_EDGE_HZ].sum()),
        float(power[_HIGH_EDGE_HZ:].sum()),
    )


@dataclass(frozen=True, eq=False)
class Outline:
    """The lowest and highest samples of bins that follow each other, shape (bins,), against full scale 1."""

    lows: Floats
    highs: Floats
    bin_s: float


class OutlineMeter:
    """Gathers an outline from short windows that follow each other."""

    def __init__(self, window_s: float) -> None:
        self._window_s = window_s
        self._merge = 1
        self._bins = np.zeros((2, 2 * _MOST_BINS))
        self._count = 0
        self._waiting = np.zeros((2, 0))

    def feed(self, lows: Floats, highs: Floats) -> None:
        """Take the extremes of the next windows."""
        waiting = np.concatenate((self._waiting, (lows, highs)), axis=1)
        whole = waiting.shape[1] // self._merge
        while self._count + whole > _MOST_BINS and self._count > 1:
            waiting = self._halved(waiting)
            whole = waiting.shape[1] // self._merge
        self._bins[:, self._count : self._count + whole] = _merged(waiting[:, : whole * self._merge], self._merge)
        self._count += whole
        self._waiting = waiting[:, whole * self._merge :]

    def finish(self) -> Outline:
        """The outline, with what still waits in a bin of its own."""
        bins = self._bins[:, : self._count]
        if self._waiting.shape[1]:
            bins = np.concatenate((bins, _merged(self._waiting, self._waiting.shape[1])), axis=1)
        return Outline(bins[0].copy(), bins[1].copy(), self._window_s * self._merge)

    def _halved(self, waiting: Floats) -> Floats:
        """Make each two bins one; an odd bin waits for its partner, as windows that all have its extremes."""
        even = self._count // 2 * 2
        odd = np.repeat(self._bins[:, even : self._count], self._merge, axis=1)
        self._bins[:, : even // 2] = _merged(self._bins[:, :even], 2)
        self._count = even // 2
        self._merge *= 2
        return np.concatenate((odd, waiting), axis=1)


def _merged(bins: Floats, count: int) -> Floats:
    if count == 1:
        return bins
    grouped = bins.reshape(2, -1, count)
    return np.stack((grouped[0].min(axis=-1), grouped[1].max(axis=-1)))


@dataclass(frozen=True, eq=False)
class Readings:
    """What the meters of one track say.

    Parameters
    ----------
    highest, lowest : float
        The extreme samples.
    true_peak : float
        The highest value between the samples, in size.
    mean_square : float
        Of all samples, with the offset.
    over : int
        Samples beyond full scale, which only a file of floats can hold.
    tenths : array, shape (tenths,)
        The power of each tenth of a second without its mean.
    means : array, shape (tenths,)
        The mean of each tenth.
    broken : str
        Why the track could not be read to its end; empty where it was.
    """

    highest: float
    lowest: float
    true_peak: float
    mean_square: float
    over: int
    tenths: Floats
    means: Floats
    clipping: Clipping
    quiet: QuietSeconds | None
    outline: Outline
    broken: str = ""

    @property
    def peak(self) -> float:
        """The largest sample in size."""
        return max(self.highest, -self.lowest)


class TrackMeter:
    """Reads one track step by step."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._window = max(track.sample_rate // _WINDOWS, 1)
        self._step = _WINDOWS * self._window
        self._at = 0
        self._broken = ""
        self._highest, self._lowest = -np.inf, np.inf
        self._squares = 0.0
        self._over = 0
        self._tenths: list[Floats] = []
        self._means: list[Floats] = []
        self._true_peak = TruePeak()
        self._clips = ClipMeter(track.sample_rate)
        self._outline = OutlineMeter(self._window / track.sample_rate)
        self._quiet = QuietMeter(track.sample_rate)

    @property
    def is_done(self) -> bool:
        """Whether the track has been read to its end, or as far as it can be."""
        return bool(self._broken) or self._at >= self._track.frames

    @property
    def at_s(self) -> float:
        """How far the track has been read, in seconds."""
        return self._at / self._track.sample_rate

    def step(self) -> None:
        """Read about a second more; what cannot be read ends the track there."""
        frames = min(self._step, self._track.frames - self._at)
        if self._broken or frames <= 0:
            return
        try:
            block = self._track.read(self._at, frames)
            if not np.isfinite(block.max() - block.min()):
                raise TakeError(
                    f"track '{self._track.name}' holds a sample that is no number (NaN or infinite): export it again"
                )
        except TakeError as error:
            self._broken = str(error)
            return
        self._at += frames
        self._feed(block)

    def finish(self) -> Readings:
        """What the meters say of all that was read."""
        empty = self._at == 0
        return Readings(
            highest=0.0 if empty else self._highest,
            lowest=0.0 if empty else self._lowest,
            true_peak=self._true_peak.finish(),
            mean_square=self._squares / max(self._at, 1),
            over=self._over,
            tenths=np.concatenate([np.zeros(0), *self._tenths]),
            means=np.concatenate([np.zeros(0), *self._means]),
            clipping=self._clips.finish(),
            quiet=self._quiet.finish(),
            outline=self._outline.finish(),
            broken=self._broken,
        )

    def _feed(self, block: Floats) -> None:
        highest, lowest = float(block.max()), float(block.min())
        self._highest, self._lowest = max(self._highest, highest), min(self._lowest, lowest)
        peak = max(highest, -lowest)
        if peak > 1.0:
            self._over += int(np.count_nonzero(np.abs(block) > 1.0))
        self._clips.feed(block, highest, lowest)
        self._feed_windows(block)

    def _feed_windows(self, block: Floats) -> None:
        count = len(block) // self._window
        windows = block[: count * self._window].reshape(count, self._window)
        rest = block[count * self._window :]
        squares = np.einsum("ij,ij->i", windows, windows)
        self._squares += float(squares.sum()) + float(rest @ rest)
        for some in (windows, rest[None, :]):
            if some.size:
                self._feed_extremes(some)
        tenths, means = self._by_tenths(windows.sum(axis=1), squares)
        self._tenths.append(tenths)
        self._means.append(means)
        if len(block) == self._step:
            self._quiet.feed(block, tenths)

    def _feed_extremes(self, windows: Floats) -> None:
        lows, highs = windows.min(axis=1), windows.max(axis=1)
        self._outline.feed(lows, highs)
        self._true_peak.feed(windows, np.maximum(highs, -lows))

    def _by_tenths(self, sums: Floats, squares: Floats) -> tuple[Floats, Floats]:
        whole = len(sums) // _TENTH * _TENTH
        frames = _TENTH * self._window
        if not whole and not self._tenths and len(sums):
            # A track shorter than a tenth of a second is one short tenth.
            whole, frames = len(sums), len(sums) * self._window
        means = sums[:whole].reshape(-1, frames // self._window).sum(axis=1) / frames
        powers = squares[:whole].reshape(-1, frames // self._window).sum(axis=1) / frames
        return np.maximum(powers - means**2, 0.0), means
