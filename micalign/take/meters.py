"""All meters of one track, fed about a second at a time, so that a track is read once and never held.

Samples are against full scale 1. A window is a hundredth of a second (rounded down to whole samples), a tenth is ten
windows; what is left at the end, shorter than a window, counts for peaks, root mean square and clipping alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.take.clipping import ClipMeter, Clipping
from micalign.take.model import Track
from micalign.take.outline import Outline, OutlineMeter
from micalign.take.quiet import QuietMeter, QuietSeconds
from micalign.take.truepeak import TruePeak

__all__ = ["Readings", "TrackMeter"]

_WINDOWS: Final = 100
_TENTH: Final = 10


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
