"""Where does one source sound alone, and how late is it in every pair of tracks there?

A source that stays where it is is heard by the mics at levels whose differences stay the same, however hard it is
struck; another source is heard at others, and of two drums struck together they change from stroke to stroke, as two
hands are never equally strong. A stroke's *fingerprint* is its power in every track over what sounded before, in
decibels, less its mean; a stretch is a run of strokes of one fingerprint. What is not struck (a held note) is not
found.

In a line check nothing bleeds, so every track is asked by itself when the first wavefront of each stroke arrives:
Page's test on the energy (`micalign.tdoa.wavefronts`), each stroke's own difference between two tracks, and the middle
of these. Where the strokes scatter (a soft cymbal in a far mic), the strokes laid upon each other are asked instead.

Times in seconds on the take's clock, arrays of shape (strokes, tracks). Delay is positive when the event comes later in
the second track; polarity is that of the first waves.

Source of the test: E. S. Page, "Continuous inspection schemes", Biometrika 41(1/2), 100-115, 1954.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.take.tracks import Track
from micalign.tdoa import tuned
from micalign.tdoa.delays import Alone, Delay, PairDelay, SourceDelays, Wanted, known, unknown
from micalign.tdoa.strokes import Listened, listen, strokes_of_all
from micalign.tdoa.wavefronts import WAVE_S, first_wavefronts, high_passed_frames, in_wave_band, onsets

__all__ = ["Fingerprints", "HeardAlone", "Hits", "StruckStretch", "found_stretches", "heard_alone", "hits_alone"]

_LEVEL_S: Final = 0.030  # one stroke's first energy, before the room's, and as much of what sounded just before
_GUARD_S: Final = 0.002  # seconds: a stroke begins so much before it is seen, in the nearest mic before the others
_EACH: Final = 4e-5  # of the peak's energy, -44 dB: a stroke's own first wavefront, with nothing else sounding
_LAID: Final = 5e-4  # -33 dB: strokes laid upon each other smear what comes before
_WAVEFRONT_GUARD_S: Final = 0.005  # seconds: a mic up to 1.7 m nearer than the anchor (swapped lines) is loud by then
_FEW: Final = 3  # strokes, and hits: of fewer neither middle nor scatter says anything
_LEAD_S: Final = 0.05  # seconds kept before the first stroke and before the next source
_RING_S: Final = 0.5  # seconds kept after the last stroke


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
        return self.level_db - self.before_db >= tuned.HEARD_DB

    def within(self, begin_s: float, end_s: float) -> Fingerprints:
        """The strokes of a stretch."""
        return self.kept((self.times_s >= begin_s) & (self.times_s < end_s))

    def kept(self, which: Bools) -> Fingerprints:
        """Some of the strokes."""
        return Fingerprints(self.tracks, self.times_s[which], self.level_db[which], self.before_db[which])


def _fingerprints(tracks: Sequence[Track]) -> Fingerprints:
    """All strokes that any track hears.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, on one clock.

    Examples
    --------
    >>> burst = np.zeros(9600)
    >>> burst[4800:5000] = 0.5
    >>> found = _fingerprints([Track.from_array("near", burst, 48000), Track.from_array("far", 0.1 * burst, 48000)])
    >>> found.times_s.round(2).tolist(), np.diff(found.level_db).round(1).tolist()
    ([0.1], [[-20.0]])
    """
    heard = [listen(track) for track in tracks]
    times_s = strokes_of_all(heard)
    levels, before = np.stack([_levels_db(one, times_s) for one in heard], axis=-1)
    found = Fingerprints(tuple(track.name for track in tracks), times_s, levels, before)
    return found.kept(found.heard.sum(axis=1) > 0)


def _levels_db(one: Listened, times_s: Floats) -> Floats:
    """How loud a track is in each stroke and just before it, shape (2, N)."""
    at, step_s = one.steps_at(times_s), one.envelope.step / one.sample_rate
    length, guard = (round(seconds / step_s) for seconds in (_LEVEL_S, _GUARD_S))
    means = [one.envelope.mean(begin, begin + length) for begin in (at, at - guard - length)]
    return np.asarray(10.0 * np.log10(np.array(means) + 1e-14))


def _apart_db(found: Fingerprints, one: int, other: Floats) -> float:
    """How far a stroke's fingerprint lies from another, decibels: the mean over the tracks that hear it."""
    heard = found.heard[one]
    if heard.sum() < 2:
        return 0.0
    difference = (found.level_db[one] - other)[heard]
    return float(np.abs(difference - np.median(difference)).mean())


def _odd_ones(found: Fingerprints) -> Floats:
    """When something else sounds among the strokes of one source: those unlike the middle of all, shape (K,)."""
    if len(found.times_s) < 3:
        return np.zeros(0)
    middle = np.median(found.level_db, axis=0)
    far = np.array([_apart_db(found, index, middle) for index in range(len(found.times_s))])
    return found.times_s[far > tuned.ODD_DB]


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
        Of one rate, on one clock. Very short ones, such as a file that was cut, say nothing; of fewer than two others
        nothing can be said.

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
    long = [track for track in tracks if track.duration_s >= tuned.LONGER_THAN_A_FILL_S]
    if len(long) < 2:
        return ()
    strokes = _fingerprints(long)
    return tuple(_stretch(strokes, first, stop) for first, stop in _runs(strokes))


def _runs(strokes: Fingerprints) -> Iterator[tuple[int, int]]:
    """First stroke of a run, and the one after its last; the longest that begins at each stroke that is free."""
    first, times = 0, strokes.times_s
    while first < len(times):
        stop = _grown(strokes, first)
        if stop - first >= _FEW and times[stop - 1] - times[first] >= tuned.LONGER_THAN_A_FILL_S:
            yield first, stop
            first = stop
        else:
            first += 1


def _grown(strokes: Fingerprints, first: int) -> int:
    for stop in range(first + 1, len(strokes.times_s)):
        if _apart_db(strokes, stop, np.median(strokes.level_db[first:stop], axis=0)) > tuned.ALIKE_DB:
            return stop
    return len(strokes.times_s)


def _stretch(strokes: Fingerprints, first: int, stop: int) -> StruckStretch:
    times = strokes.times_s
    last_s, next_s = float(times[stop - 1]), float(times[stop]) if stop < len(times) else np.inf
    begin_s = max(float(times[first]) - _LEAD_S, 0.0)
    end_s = max(min(last_s + _RING_S, next_s - _LEAD_S), last_s + 0.03)
    level_db = np.median(strokes.level_db[first:stop], axis=0).tolist()
    return StruckStretch(begin_s, end_s, stop - first, dict(zip(strokes.tracks, level_db, strict=True)))


_EDGE_S: Final = 0.1  # read beside a stretch, so that a stroke at its beginning has a before
_BEFORE_S: Final = 0.008  # seconds of background before a stroke
_AFTER_S: Final = 0.020  # seconds of a stroke: its first periods
_FIRST_S: Final = 0.0015  # seconds of the first wave, whose sign is the polarity
_FIRST_SHARE: Final = 0.25  # of the first millisecond's peak: what is less may be noise before the wave


@dataclass(frozen=True)
class Hits:
    """The strokes of a source alone: their fingerprints, and when something else sounded among them, seconds."""

    strokes: Fingerprints
    others_s: Floats


@dataclass(frozen=True)
class HeardAlone:
    """A source in every pair of tracks, its strokes, and the sign of its first half wave in each track.

    The sign is +1 where the samples rise first, -1 where they fall first.
    """

    delays: SourceDelays
    hits: Hits
    first_waves: Mapping[str, int]


@dataclass(frozen=True)
class _Arrivals:
    """One track's first wavefronts after the anchor's, samples: each stroke's, and of all laid upon each other.

    ``wave``, shape (L,), is of all, each counting alike, and begins ``_BEFORE_S`` before the anchor's strokes.
    """

    each: Floats
    laid: float
    wave: Floats


def hits_alone(alone: Alone) -> Hits:
    """What is struck in the stretches, and which of it is not the source."""
    parts = [_within(alone.tracks, *span) for span in alone.spans_s]
    every = zip(*((part.times_s, part.level_db, part.before_db) for part in parts), strict=True)
    strokes = Fingerprints(parts[0].tracks, *map(np.concatenate, every))
    others = _odd_ones(strokes)
    return Hits(strokes.kept(~np.isin(strokes.times_s, others)), others)


def _within(tracks: Sequence[Track], begin_s: float, end_s: float) -> Fingerprints:
    cuts = []
    for track in tracks:
        rate = track.sample_rate
        start = round((begin_s - _EDGE_S - track.start_s) * rate)
        samples = track.read(start, round((end_s - begin_s + 2 * _EDGE_S) * rate))
        cuts.append(Track.from_array(track.name, samples, rate, start_s=track.start_s + start / rate))
    return _fingerprints(cuts).within(begin_s, end_s)


def heard_alone(alone: Alone, wanted: Wanted) -> HeardAlone:
    """A source in every pair of the tracks that should hear it, its strokes, and the sign of its first half waves.

    Parameters
    ----------
    alone : Alone
        Tracks and the stretches that are the source's.
    wanted : Wanted
        The tracks that should hear it, and its own.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> near = 1e-5 * rng.normal(size=96000)
    >>> for at in (10000, 40000, 70000):
    ...     near[at : at + 4000] += rng.normal(size=4000) * np.exp(-np.arange(4000) / 800)
    >>> tracks = (Track.from_array("near", near, 48000), Track.from_array("far", -0.3 * np.roll(near, 96), 48000))
    >>> found = heard_alone(Alone("snare", tracks, ((0.0, 2.0),)), Wanted("snare", ("near", "far"), "near")).delays
    >>> round(found.pairs[0].delay.delay_s * 1e3, 2), found.pairs[0].delay.polarity, found.alone_hits
    (2.0, -1, 3)
    """
    by_name = {track.name: track for track in alone.tracks}
    names = [name for name in wanted.tracks if name in by_name]
    hits = hits_alone(alone)
    strokes = hits.strokes
    reference = wanted.close if wanted.close in names else _clearest(strokes, names)
    order = [reference, *(name for name in names if name != reference)]
    anchor = by_name[reference]
    at = first_wavefronts(anchor, np.rint((strokes.times_s - anchor.start_s) * anchor.sample_rate).astype(np.intp))
    loud = np.maximum(strokes.level_db[:, strokes.tracks.index(reference)], -100.0)
    arrivals = {name: _arrivals(by_name[name], anchor, at, 10 ** (-loud / 20)) for name in order}
    rate = anchor.sample_rate
    pairs = tuple(PairDelay(a, b, _delay(arrivals[a], arrivals[b], rate)) for a, b in combinations(order, 2))
    middle = np.median(strokes.level_db, axis=0) if len(at) else np.full(len(strokes.tracks), -140.0)
    levels = {name: float(10 ** (middle[strokes.tracks.index(name)] / 20)) for name in order}
    loudest = float(strokes.times_s[np.argmax(strokes.level_db.max(axis=1))]) if len(at) else None
    found = SourceDelays(
        alone.source, reference, pairs, levels, len(at), _words(hits), loudest_s=loudest, alone_hits=len(at)
    )
    return HeardAlone(found, hits, {name: _first_wave(one, rate) for name, one in arrivals.items()})


def _clearest(strokes: Fingerprints, names: Sequence[str]) -> str:
    """The track in which the strokes stand out most: of a source without a track of its own."""
    if not len(strokes.times_s):
        return names[0]
    clear = np.median(strokes.level_db - strokes.before_db, axis=0)
    return max(names, key=lambda name: float(clear[strokes.tracks.index(name)]))


def _words(hits: Hits) -> str | None:
    if not len(hits.others_s):
        return None
    times = ", ".join(f"{time:.2f} s" for time in hits.others_s[:3])
    return f"something else sounds among its hits at {times}: left out"


def _arrivals(track: Track, anchor: Track, at: Ints, weight: Floats) -> _Arrivals:
    rate = track.sample_rate
    before, guard = round(_BEFORE_S * rate), round(_WAVEFRONT_GUARD_S * rate)
    clocks = round((anchor.start_s - track.start_s) * rate)
    frames = high_passed_frames(track, at + clocks - before, before + round(_AFTER_S * rate))
    if not len(frames):
        return _Arrivals(np.zeros(0), 0.0, np.zeros(before))
    noise = before - guard
    # Where the anchor's line is late, or another's, the others hear the source before it.
    each = (onsets(frames**2, noise, over=4.0, least=_EACH, earlier=noise)[0] - before).astype(float)
    laid = frames.T @ (1.0 / (frames[:, :noise].var(axis=1) + 1e-16))
    of_all = float(onsets(laid[None] ** 2, noise, over=4.0, least=_LAID, earlier=noise)[0][0] - before)
    return _Arrivals(each, of_all, frames.T @ weight)


def _delay(first: _Arrivals, second: _Arrivals, rate: int) -> Delay:
    own = second.each - first.each
    if not len(own):
        return unknown("nothing is struck there")
    middle = float(np.median(own))
    error_s = 1.4826 * float(np.median(np.abs(own - middle))) / np.sqrt(len(own)) / rate
    laid = bool(error_s > tuned.SCATTER_S)
    samples = second.laid - first.laid if laid else middle
    base = first.laid if laid else float(np.median(first.each))
    likeness = _alike(first.wave, second.wave, base, samples, rate)
    confidence = tuned.ALONE_SURE[laid if len(own) >= _FEW else 2]
    reason = f"its hits scatter by {1e3 * error_s * np.sqrt(len(own)):.2f} ms there" if laid else None
    if len(own) < _FEW:
        reason = f"only {len(own)} hits alone: three are needed"
    # Two ways of reading one arrival: half of what they differ by is doubt.
    apart_s = 0.0 if laid else 0.5 * (middle - (second.laid - first.laid)) / rate
    sigma_s = tuned.PICK_S if laid else float(np.sqrt(error_s**2 + apart_s**2 + tuned.PICK_S**2))
    return known(samples / rate, sigma_s, likeness, abs(likeness), confidence, reason)


def _alike(first: Floats, second: Floats, base: float, later: float, rate: int) -> float:
    """How like the first waves are, -1 to 1, at the best of some lags about the arrivals: the sign is the polarity."""
    lead, length = round(WAVE_S[0] * rate), round(WAVE_S[1] * rate)
    begin = round(_BEFORE_S * rate + base) - lead
    first, second = in_wave_band(first, rate), in_wave_band(second, rate)
    one = _taken(first, begin, length)
    shifted = [_taken(second, begin + round(later) + step, length) for step in (-1, 0, 1)]
    values = [float(one @ two / (np.linalg.norm(one) * np.linalg.norm(two) + 1e-30)) for two in shifted]
    return max(values, key=abs)


def _first_wave(one: _Arrivals, rate: int) -> int:
    """The sign of the first half wave that is no noise: of the first extreme that comes near the millisecond's peak."""
    lead = round(WAVE_S[0] * rate)
    begin = round(_BEFORE_S * rate + (float(np.median(one.each)) if len(one.each) else 0.0)) - lead
    wave = _taken(one.wave, begin, lead + round(_FIRST_S * rate))
    loud = np.flatnonzero(np.abs(wave) >= _FIRST_SHARE * np.abs(wave).max(initial=0.0))
    return -1 if len(loud) and wave[loud[0]] < 0 else 1


def _taken(wave: Floats, begin: int, length: int) -> Floats:
    part = wave[max(begin, 0) : max(begin + length, 0)]
    return np.pad(part, (0, max(length - len(part), 0)))
