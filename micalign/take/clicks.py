"""Are there clicks of a single sample: a digital fault, for no sound is as short?

A sample that stands far off the line between its neighbours, where nothing else within a millisecond bends as much, was
never heard by a mic: a converter's filter and a membrane spread whatever they pass over several samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.take import tuned

__all__ = [
    "ClickMeter",
    "Clicks",
]


@dataclass(frozen=True, slots=True)
class Clicks:
    """Clicks of one sample: how many, when the first five are (seconds), and the peak of all else (full scale 1)."""

    count: int
    first_s: tuple[float, ...]
    peak: float


class ClickMeter:
    """Looks for clicks through blocks that follow each other."""

    def __init__(self, sample_rate: int) -> None:
        self._rate = sample_rate
        self._near = max(round(tuned.CLICK_NEAR_S * sample_rate), 8)
        self._tail = np.zeros(0)
        self._done = 0
        self._count = 0
        self._first: list[int] = []
        self._peak = self._highest = 0.0

    def feed(self, block: Floats) -> None:
        """Take the next block; its last samples wait for what comes behind them."""
        data = np.concatenate((self._tail, block))
        self._done += len(block)
        self._judge(data, len(data) - self._near)
        self._tail = data[-2 * self._near :].copy()

    def finish(self) -> Clicks:
        """What was found; a track of nothing but clicks, as a test signal is, has none."""
        last = self._tail[-self._near :]  # nobody knows what comes behind them
        self._peak = max(self._peak, float(np.abs(last).max(initial=0.0)))
        is_signal = self._count > tuned.CLICKS_PER_S * self._done / self._rate + 1 or self._peak < tuned.SILENT_PEAK
        if not self._count or is_signal:
            return Clicks(0, (), max(self._peak, self._highest))
        return Clicks(self._count, tuple(place / self._rate for place in self._first), self._peak)

    def _judge(self, data: Floats, end: int) -> None:
        """Judge the samples up to ``end`` that have not been judged before."""
        begin = min(len(self._tail), self._near)
        origin = self._done - len(data)
        if end <= begin:
            return
        sound = data[begin:end]
        peak = float(max(sound.max(), -sound.min()))
        found = self._clicks(data, begin, end) if peak >= tuned.CLICK_LEAST else np.zeros(0, dtype=np.intp)
        if len(found):
            self._count += len(found)
            self._first += (found + origin)[: tuned.FIRST_PLACES - len(self._first)].tolist()
            self._highest = max(self._highest, peak)
            left = np.delete(sound, found - begin)
            peak = float(np.abs(left).max(initial=0.0))
        self._peak = max(self._peak, peak)

    def _clicks(self, data: Floats, begin: int, end: int) -> Ints:
        bend = np.zeros(len(data))
        bend[1:-1] = np.abs(data[1:-1] - 0.5 * (data[:-2] + data[2:]))
        sides = np.maximum(np.concatenate(([0.0], bend))[begin:end], bend[begin + 1 : end + 1])
        stands = (bend[begin:end] >= tuned.CLICK_LEAST) & (bend[begin:end] >= tuned.CLICK_SIDES * sides)
        places = np.flatnonzero(stands) + begin
        return np.array([place for place in places if self._is_alone(bend, int(place))], dtype=np.intp)

    def _is_alone(self, bend: Floats, place: int) -> bool:
        before = bend[max(place - self._near, 0) : max(place - 1, 0)]
        behind = bend[place + 2 : place + self._near]
        beside = max(float(before.max(initial=0.0)), float(behind.max(initial=0.0)))
        return beside <= tuned.CLICK_BESIDE * float(bend[place])
