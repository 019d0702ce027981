"""Who strikes, and where in a recording does one source sound alone? Strokes by how loud each track takes them.

A source that stays where it is is heard by the mics at levels whose differences stay the same, however hard it is
struck; another source is heard at others. A stroke's fingerprint is its power in every track over what sounded
before, in decibels, less its mean. Times in seconds on the take's clock, arrays of shape (strokes, tracks).

A drum that is struck again and again, with nothing between, is heard by all mics at levels whose differences stay the
same; of two drums struck together they change from stroke to stroke, as two hands are never equally strong. So a
stretch is a run of strokes of one fingerprint (`micalign.tdoa.fingerprints`). What is not struck (a held note) is not
found. Times in seconds on the take's clock.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.take.tracks import Track
from micalign.tdoa.strokes import Listened, listen

__all__ = ["Fingerprints", "StruckStretch", "apart_db", "fingerprints", "found_stretches", "odd_ones", "strokes_of_all"]

_AFTER_S: Final = 0.030  # one stroke's first energy, before the room's
_BEFORE_S: Final = 0.020
_GUARD_S: Final = 0.003
_ONE_EVENT_S: Final = 0.030  # strokes nearer than this to a stronger one are its arrivals in other tracks, or a flam
_HEARD_DB: Final = 6.0  # over what sounded before: less tells nothing of a level
_HEARD_SHARE: Final = 0.2  # of the tracks: a stroke of a real kit is heard by half of them and more, a ringing by few
_CLEAR: Final = 1.4  # natural log of power, 6 dB over the 30 ms before
_SOFTEST_DB: Final = -36.0  # under the loudest stroke of a track: below, a room answers and pedals squeak
_CAP_DB: Final = 12.0  # no track may say more: one whose mic was touched must not outvote the rest
_ODD_DB: Final = 5.5  # strokes of one drum stay within 4 dB of each other on a real kit, other drums lie 7 and more off
_FEWEST: Final = 4  # strokes in a row
_LEAST_S: Final = 1.2
_LONGEST_GAP_S: Final = 3.0
_ALIKE_DB: Final = 1.5  # a drum's strokes stay within 2 dB on a real kit, development half; two drums seldom do
_LEAD_S: Final = 0.05
_RING_S: Final = 0.5


@dataclass(frozen=True)
class Fingerprints:
    """Strokes that any track hears: when, how loud in each track, and what was there before.

    ``times_s`` shape (N,); ``level_db`` and ``before_db`` shape (N, T), mean squares against full scale 1.
    """

    tracks: tuple[str, ...]
    times_s: Floats
    level_db: Floats
    before_db: Floats

    @property
    def heard(self) -> Bools:
        """Which tracks hear a stroke, shape (N, T)."""
        return self.level_db - self.before_db >= _HEARD_DB

    def within(self, begin_s: float, end_s: float) -> Fingerprints:
        """The strokes of a stretch."""
        return self.kept((self.times_s >= begin_s) & (self.times_s < end_s))

    def kept(self, which: Bools) -> Fingerprints:
        """Some of the strokes."""
        return Fingerprints(self.tracks, self.times_s[which], self.level_db[which], self.before_db[which])


def fingerprints(tracks: Sequence[Track]) -> Fingerprints:
    """All strokes that any track hears.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, on one clock.

    Examples
    --------
    >>> burst = np.zeros(9600)
    >>> burst[4800:5000] = 0.5
    >>> found = fingerprints([Track.from_array("near", burst, 48000), Track.from_array("far", 0.1 * burst, 48000)])
    >>> found.times_s.round(2).tolist(), np.diff(found.level_db).round(1).tolist()
    ([0.1], [[-20.0]])
    """
    heard = [listen(track) for track in tracks]
    times_s = strokes_of_all(heard)
    levels, before = (np.zeros((len(times_s), len(tracks))) for _ in range(2))
    for column, one in enumerate(heard):
        levels[:, column], before[:, column] = _levels(one, times_s)
    found = Fingerprints(tuple(track.name for track in tracks), times_s, levels, before)
    return found.kept(found.heard.sum(axis=1) >= max(1.0, _HEARD_SHARE * len(tracks)))


def strokes_of_all(heard: Sequence[Listened]) -> Floats:
    """The onsets of all tracks, those of one event put together: the earliest of a cluster stands for it."""
    loud_times = []
    for one in heard:
        strokes, rate = one.strokes, one.track.sample_rate
        loud = (strokes.level_db > _SOFTEST_DB) & (strokes.novelty > _CLEAR)
        loud_times.append(strokes.samples[loud] / rate + one.track.start_s)
    times = np.sort(np.concatenate([np.zeros(0), *loud_times]))
    kept: list[float] = []
    for time in times.tolist():
        if not kept or time - kept[-1] > _ONE_EVENT_S:
            kept.append(time)
    return np.array(kept)


def _levels(one: Listened, times_s: Floats) -> tuple[Floats, Floats]:
    power, step = one.envelope.power, one.envelope.step
    at = np.rint((times_s - one.track.start_s) * one.track.sample_rate / step).astype(np.intp)
    total = np.concatenate([[0.0], np.cumsum(power, dtype=np.float64)])
    step_s = step / one.track.sample_rate
    after, before, guard = (round(seconds / step_s) for seconds in (_AFTER_S, _BEFORE_S, _GUARD_S))
    return _mean_db(total, at, at + after), _mean_db(total, at - guard - before, at - guard)


def _mean_db(total: Floats, low: Ints, high: Ints) -> Floats:
    low, high = (np.clip(edge, 0, len(total) - 1) for edge in (low, high))
    mean: Floats = 10.0 * np.log10((total[high] - total[low]) / np.maximum(high - low, 1) + 1e-14)
    return mean


def apart_db(found: Fingerprints, one: int, other: Floats) -> float:
    """How far a stroke's fingerprint lies from another, decibels: the mean over the tracks that hear it."""
    heard = found.heard[one]
    if heard.sum() < 2:
        return 0.0
    difference = found.level_db[one] - other
    difference = difference[heard] - np.median(difference[heard])
    return float(np.minimum(np.abs(difference), _CAP_DB).mean())


def odd_ones(found: Fingerprints) -> Floats:
    """When something else sounds among the strokes of one source: those unlike the middle of all, shape (K,)."""
    if len(found.times_s) < 3:
        return np.zeros(0)
    middle = np.median(found.level_db, axis=0)
    far = np.array([apart_db(found, index, middle) for index in range(len(found.times_s))])
    return found.times_s[far > _ODD_DB]


@dataclass(frozen=True, slots=True)
class StruckStretch:
    """From ``begin_s`` to ``end_s`` one source sounds alone, struck ``hits`` times; its level in each track, dBFS."""

    begin_s: float
    end_s: float
    hits: int
    level_db: Mapping[str, float]

    @property
    def loudest(self) -> str:
        """The track that hears it loudest."""
        return max(self.level_db, key=lambda track: self.level_db[track])


def found_stretches(tracks: Sequence[Track]) -> tuple[StruckStretch, ...]:
    """The stretches in which one source sounds alone, in order of time.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, on one clock; of fewer than two, or of one that is very short, nothing can be said.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> near = 1e-5 * rng.normal(size=240000)
    >>> for at in range(20000, 220000, 30000):
    ...     near[at : at + 4000] += rng.normal(size=4000) * np.exp(-np.arange(4000) / 800)
    >>> tracks = [Track.from_array("near", near, 48000), Track.from_array("far", 0.1 * np.roll(near, 96), 48000)]
    >>> [(round(one.begin_s, 1), one.loudest, one.hits) for one in found_stretches(tracks)]
    [(0.4, 'near', 7)]
    """
    if len(tracks) < 2 or min(track.duration_s for track in tracks) < _LEAST_S:
        return ()
    strokes = fingerprints(tracks)
    return tuple(_stretch(strokes, first, stop) for first, stop in _runs(strokes))


def _runs(strokes: Fingerprints) -> Iterator[tuple[int, int]]:
    """First stroke of a run, and the one after its last; the longest that begins at each stroke that is free."""
    first, times = 0, strokes.times_s
    while first < len(times):
        stop = _grown(strokes, first)
        if stop - first >= _FEWEST and times[stop - 1] - times[first] >= _LEAST_S:
            yield first, stop
            first = stop
        else:
            first += 1


def _grown(strokes: Fingerprints, first: int) -> int:
    stop = first + 1
    while stop < len(strokes.times_s):
        middle = np.median(strokes.level_db[first:stop], axis=0)
        if strokes.times_s[stop] - strokes.times_s[stop - 1] > _LONGEST_GAP_S:
            break
        if apart_db(strokes, stop, middle) > _ALIKE_DB or not _share(strokes, first, stop):
            break
        stop += 1
    return stop


def _share(strokes: Fingerprints, first: int, stop: int) -> bool:
    """Whether most tracks that hear one of two strokes hear the other: the levels of few tracks say little."""
    one, other = strokes.heard[first], strokes.heard[stop]
    return bool((one & other).sum() > 0.5 * min(one.sum(), other.sum()))


def _stretch(strokes: Fingerprints, first: int, stop: int) -> StruckStretch:
    times = strokes.times_s
    end_s = float(times[stop - 1]) + _RING_S
    if stop < len(times):
        end_s = min(end_s, float(times[stop]) - _LEAD_S)
    begin_s = max(float(times[first]) - _LEAD_S, 0.0)
    level_db = np.median(strokes.level_db[first:stop], axis=0).tolist()
    end_s = max(end_s, float(times[stop - 1]) + 0.03)
    return StruckStretch(begin_s, end_s, stop - first, dict(zip(strokes.tracks, level_db, strict=True)))
