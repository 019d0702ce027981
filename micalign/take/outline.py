"""How does a track look from afar?

The outline, for drawing, is the lowest and highest sample in bins of equal length, at most 4096 of them. Bins begin as
hundredths of a second; when there are too many, each two become one: the memory is constant however long the track is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.arrays import Floats
from micalign.take import tuned

__all__ = [
    "Outline",
    "OutlineMeter",
]


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
        self._bins = np.zeros((2, 2 * tuned.OUTLINE_BINS))
        self._count = 0
        self._waiting = np.zeros((2, 0))

    def feed(self, lows: Floats, highs: Floats) -> None:
        """Take the extremes of the next windows."""
        waiting = np.concatenate((self._waiting, (lows, highs)), axis=1)
        whole = waiting.shape[1] // self._merge
        while self._count + whole > tuned.OUTLINE_BINS and self._count > 1:
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
