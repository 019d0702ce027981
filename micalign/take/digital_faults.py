"""Does sound break off into digital zeros, and are there clicks of a single sample? Neither was heard by a mic.

A gate and an editor leave zeros too, and mean them: long ones, or many. A dropout is short, rare, and cuts through
sound that goes on behind it as loud as before. A track dies where sound that never was zero before stays so to its end.

A click is a sample that stands far off the line between its neighbours, where nothing else within a millisecond bends
as much: a converter's filter and a membrane spread whatever they pass over several samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.take import tuned

__all__ = ["ClickMeter", "Clicks", "GapMeter", "Gaps"]


@dataclass(frozen=True, slots=True)
class Gaps:
    """Where sound breaks off.

    Parameters
    ----------
    dropouts : int
        Short stretches of zeros inside sound.
    first_s : tuple of float
        When the first five begin, seconds.
    longest_s : float
        The longest of them, seconds.
    dies_s : float or None
        From where on the track is zero to its end; None where it is not.
    """

    dropouts: int = 0
    first_s: tuple[float, ...] = ()
    longest_s: float = 0.0
    dies_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Run:
    """Zeros from a sample up to another, and the root mean squares just before and behind."""

    start: int
    end: int
    before: float
    after: float


class GapMeter:
    """Follows runs of zeros through blocks that follow each other."""

    def __init__(self, sample_rate: int) -> None:
        self._rate = sample_rate
        self._least = max(round(tuned.GAP_LEAST_S * sample_rate), 4)
        self._edge = max(round(tuned.GAP_EDGE_S * sample_rate), 4)
        self._past = np.zeros(0)
        self._done = 0
        self._open: tuple[int, float] | None = None
        self._runs: list[_Run] = []

    def feed(self, block: Floats) -> None:
        """Take the next block; what is heard behind a run is read as far as the block goes."""
        if self._open is not None and len(block) and block[0] != 0.0:
            self._close(self._open, self._done, block)
        for first, end in self._zeros(block):
            behind = np.concatenate((self._past, block[:first]))[-self._edge :]
            begun = self._open if first == 0 and self._open else (self._done + first, _rms(behind))
            self._open = begun
            if end < len(block):
                self._close(begun, self._done + end, block[end:])
        self._past = np.concatenate((self._past, block[-self._edge :]))[-self._edge :]
        self._done += len(block)

    def finish(self, step: float) -> Gaps:
        """What breaks off; ``step`` is the smallest of the samples."""
        last = self._open
        least = max(tuned.GAP_SOUND, tuned.GAP_STEPS * step)
        inner = [run for run in self._runs if run.start > 0]
        begins_zero = len(inner) < len(self._runs)
        longest = max((run.end - run.start for run in inner), default=0) / self._rate
        short = [run for run in inner if _goes_on(run, least)]
        zeros = sum(run.end - run.start for run in inner)
        is_gated = longest > tuned.GAP_LONGEST_S or zeros > tuned.GAP_SHARE * self._done
        if is_gated:
            short = []
        dies = None
        if last is not None and last[0] > 0 and last[1] >= least and not is_gated and not begins_zero:
            is_long = self._done - last[0] >= tuned.DIES_LEAST_S * self._rate
            dies = last[0] / self._rate if is_long else None
        return Gaps(
            dropouts=len(short),
            first_s=tuple(run.start / self._rate for run in short[: tuned.FIRST_PLACES]),
            longest_s=max((run.end - run.start for run in short), default=0) / self._rate,
            dies_s=dies,
        )

    def _zeros(self, block: Floats) -> list[tuple[int, int]]:
        """Runs of zeros that are long enough, or touch an end of the block."""
        zero: Bools = block == 0.0
        if not zero.any():
            return []
        turns = np.flatnonzero(np.diff(np.concatenate(([False], zero, [False])).astype(np.int8)))
        runs = turns.reshape(-1, 2)
        counts = (runs[:, 1] - runs[:, 0] >= self._least) | (runs[:, 0] == 0) | (runs[:, 1] == len(block))
        return [(int(first), int(end)) for first, end in runs[counts]]

    def _close(self, begun: tuple[int, float], end: int, behind: Floats) -> None:
        if end - begun[0] >= self._least and len(self._runs) < tuned.GAPS_KEPT:
            self._runs.append(_Run(begun[0], end, begun[1], _rms(behind[: self._edge])))
        self._open = None


def _goes_on(run: _Run, least: float) -> bool:
    """Whether sound goes on behind a run as it was before."""
    low, high = sorted((run.before, run.after))
    return low >= least and high <= tuned.GAP_ALIKE * low


def _rms(samples: Floats) -> float:
    return math.sqrt(float(samples @ samples) / len(samples)) if len(samples) else 0.0


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
