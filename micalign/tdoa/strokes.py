"""Which moments of a track are worth comparing: its own strokes, and stretches of everything?

The one onset detector. Energies are means of 1 ms steps, in the whole band and of the sample-to-sample difference
(which raises high frequencies by 6 dB an octave), gathered in one pass; an onset is a step that rises above everything
of the 30 ms before it. A close mic hears its own source 10 to 40 dB louder than what bleeds into it: its own strokes
are the class above the highest gap of levels. Whether a mic is close at all is not decided here,
and when exactly a stroke begins is told in `micalign.tdoa.wavefronts`.

Of a whole take each track's strokes can be parted from the others' (`apart`). A hat is struck with the snare on two and
four and with the kick on one and three: what an overhead hears then is two sounds, and either delay follows the hat's
mic. The strokes between tell the hat alone: those at which another track has one of its own are laid aside where enough
are left. Two mics at one drum have nearly all strokes in common, and keep them.

*Stretches* are long overlapping frames over everything that sounds, where different notes tell a delay from a period:
first samples and a window.

Source: J. P. Bello et al., "A tutorial on onset detection in music signals", IEEE Transactions on Speech and Audio
Processing 13(5), 1035-1047, 2005 (energy rise as novelty, peak picking).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any, Final, TypeVar, cast

import numpy as np

from micalign.arrays import Bools, Floats, Ints, Real
from micalign.take.tracks import Track, two_at_once
from micalign.tdoa import tuned
from micalign.tdoa.spectra import greatest_before, greatest_near, in_bands, lowest_share, sum_ahead
from micalign.tdoa.wavefronts import first_wavefronts

__all__ = [
    "FEWEST",
    "Energies",
    "FrameSet",
    "Listened",
    "Strokes",
    "apart",
    "led",
    "listen",
    "listen_all",
    "same_samples",
    "stretches",
    "strokes_of_all",
    "struck_at",
    "unled",
]

_Made = TypeVar("_Made")
FEWEST: Final = 4
"""Strokes of which something can be said: fewer may be chance."""

_STEP_S: Final = 0.001  # seconds of an envelope: a millisecond
_BLOCK_FRAMES: Final = 1 << 16  # half a megabyte, which stays near the processor
_ONSET_STEPS: Final = 3  # milliseconds over which a rise is meant
_LEVEL_STEPS: Final = 10  # milliseconds of a stroke that are its level
_KNOWN_NOVELTY: Final = 7.0  # what a close mic's own strokes have on a real kit, in the middle
_KNOWN_GAP_DB: Final = 25.0  # likewise
_TOGETHER_S: Final = 0.02  # seconds: so far one stroke's arrivals in the close mics of a kit lie apart, and a flam
_LED_S: Final = 0.01  # seconds: what stands over a kit hears each stroke so much later than the mic at it at the most
_ONE_EVENT_S: Final = 0.030  # strokes nearer than this to a stronger one are its arrivals in other tracks, or a flam


@dataclass(frozen=True)
class Strokes:
    """Onsets of a track: ``samples``, shape (N,), the step in which each begins; ``novelty`` and ``level_db`` likewise.

    ``level_db`` is against the loudest, in the band that parts the loud class best; ``own`` are the track's own, and
    ``weight`` is the ratio of powers to the loudest, 1 at most, for those of them that are compared, 0 for others.
    ``gap_db`` is the gap between the classes, 0 where there is none. ``brightness`` is 0 for a source of equal energy
    in both bands' measures, lower for dark ones.
    """

    samples: Ints
    novelty: Floats
    level_db: Floats
    own: Bools
    weight: Floats
    gap_db: float
    brightness: float


@dataclass(frozen=True)
class Energies:
    """Mean square of each step of a track: ``power``, shape (steps,), 32-bit; ``step`` in samples."""

    power: Real
    step: int

    @cached_property
    def _total(self) -> Floats:
        return np.concatenate([[0.0], np.cumsum(self.power, dtype=float)])

    def sum(self, low: Ints, high: Ints) -> Floats:
        """The mean squares from some steps to others added up, of those that there are."""
        edges = self._total[np.clip([low, high], 0, len(self.power))]
        return np.asarray(edges[1] - edges[0])

    def mean(self, low: Ints, high: Ints) -> Floats:
        """Their mean."""
        low, high = np.clip([low, high], 0, len(self.power))
        return np.asarray(self.sum(low, high) / np.maximum(high - low, 1))

    @property
    def silent(self) -> bool:
        """Whether nothing but an offset was recorded."""
        return len(self.power) == 0 or not self.power.max() > 0


@dataclass(frozen=True, repr=False, eq=False)
class Listened(Track):
    """A track that was listened to once: mean squares of each step, of the samples and of their differences.

    It may stand wherever a track is asked for; what would listen to it finds that done.
    """

    envelope: Energies = field(kw_only=True)
    rises: Real = field(kw_only=True)
    _kept: dict[Hashable, Any] = field(init=False, default_factory=dict)

    @classmethod
    def of(cls, track: Track, envelope: Energies, rises: Real) -> Listened:
        """The track, with what was heard of it."""
        said = (track.name, track.sample_rate, track.frames, track.samples, track.start_s)
        return cls(*said, envelope=envelope, rises=rises)

    def samples_at(self, times_s: Floats) -> Ints:
        """Times on the take's clock as samples, in order."""
        return np.sort(np.rint((times_s - self.start_s) * self.sample_rate).astype(np.intp))

    def steps_at(self, times_s: Floats) -> Ints:
        """Times on the take's clock as steps of the envelope, as they come."""
        return np.rint((times_s - self.start_s) * self.sample_rate / self.envelope.step).astype(np.intp)

    def kept(self, name: Hashable, make: Callable[[], _Made]) -> _Made:
        """What was made of this track before, or is made now: against many others it is made once."""
        if name not in self._kept:
            self._kept[name] = make()
        return cast("_Made", self._kept[name])

    @cached_property
    def strokes(self) -> Strokes:
        """Its onsets."""
        return _strokes(self.envelope, self.rises)

    @property
    def strokes_s(self) -> Floats:
        """When these are, in order, on the take's clock."""
        return np.asarray(self.strokes.samples / self.sample_rate + self.start_s)

    @cached_property
    def first_wavefronts(self) -> Ints:
        """The sample at which each of its own strokes begins."""
        return first_wavefronts(self, self.strokes.samples[self.strokes.weight > 0])

    @cached_property
    def own_frames(self) -> Floats:
        """Its own strokes, `STROKE_S` before and after each begins, shape (S, N)."""
        before, after = (round(seconds * self.sample_rate) for seconds in tuned.STROKE_S)
        return self.frames_at(self.first_wavefronts - before, before + after)

    @cached_property
    def own_levels(self) -> Floats:
        """The mean square of each of these in each band and of their differences, shape (bands + 1, S)."""
        bands = in_bands(self.own_frames.astype(np.float32), self.sample_rate)
        return np.array([np.mean(samples.astype(float) ** 2, axis=1) for samples, _ in bands])


def listen(track: Track) -> Listened:
    """Reads the track once; one that was listened to before is handed back."""
    if isinstance(track, Listened):
        return track
    step = max(round(_STEP_S * track.sample_rate), 1)
    sums, ones = np.zeros((3, track.frames // step)), np.ones(step)
    hop = max(_BLOCK_FRAMES // step, 1)
    for done in range(0, -(-track.frames // step), hop):
        samples = track.read(done * step - 1, min(hop * step, track.frames - done * step) + 1)
        if not done:
            samples[0] = samples[1]  # nothing leaps where it begins
        whole = (len(samples) - 1) // step * step
        rows, before = (values[:whole].reshape(-1, step) for values in (samples[1:], samples))
        # The square of a leap is that of both samples less twice their product: no difference is written down.
        energy, edge = np.vecdot(rows, rows), before[:, 0] ** 2 - rows[:, -1] ** 2
        sums[:, done : done + len(rows)] = energy, rows @ ones, 2.0 * (energy - np.vecdot(rows, before)) + edge
    squares, means, rises = sums / step
    offset = float(means.mean()) if len(means) else 0.0
    power = squares - offset * (2.0 * means - offset)
    # What rounding leaves of a constant is not sound, nor of two samples that are alike a leap.
    power[power < 1e-13 * offset**2] = 0.0
    rises[rises < 1e-14 * squares] = 0.0
    return Listened.of(track, Energies(power.astype(np.float32), step), rises.astype(np.float32))


def listen_all(
    tracks: Sequence[Track], *, progress: Callable[[str, float], None] | None = None, steps: int | None = None
) -> list[Listened]:
    """Reads each track once, and finds its onsets.

    ``progress`` is told what is done, and which share: of ``steps``, where listening is not all there is to do.
    """

    def tell(done: int) -> None:
        if progress is not None and not isinstance(tracks[done], Listened):
            progress(f"listening to {tracks[done].name}", done / (steps or len(tracks)))

    return two_at_once(_with_strokes, tracks, tell)


def _with_strokes(track: Track) -> Listened:
    heard = listen(track)
    _ = heard.strokes  # in this thread, not in several of those that compare them
    return heard


def struck_at(heard: Listened, samples: Ints) -> Listened:
    """The same track with strokes that are known: all of them its own, none else."""
    steps = np.clip(samples // heard.envelope.step, 0, max(len(heard.envelope.power) - 1, 0))
    whole, high = (_levels_db(energy, steps) for energy in (heard.envelope.power, heard.rises))
    level_db = whole - whole.max(initial=-np.inf)
    weight = _thinned(np.clip(10 ** ((level_db + 3.0) / 10), 0.01, 1.0))
    novelty = np.full(len(samples), _KNOWN_NOVELTY)
    known = Strokes(
        samples, novelty, level_db, np.ones(len(samples), bool), weight, _KNOWN_GAP_DB, _brightness(whole, high)
    )
    return _struck_as(heard, known)


def _struck_as(one: Listened, strokes: Strokes) -> Listened:
    """The same track with other strokes; what was made of its own is forgotten."""
    found = replace(one)
    found.__dict__["strokes"] = strokes
    return found


def same_samples(first: Listened, second: Listened) -> bool:
    """Whether two tracks hold the very same samples from the same start; read again only where energies agree."""
    if (
        first.frames != second.frames
        or first.start_s != second.start_s
        or not np.array_equal(first.envelope.power, second.envelope.power)
    ):
        return False
    return all(np.array_equal(x, y) for x, y in zip(first.blocks(), second.blocks(), strict=True))


def _strokes(envelope: Energies, rises: Real) -> Strokes:
    energies, nothing = (envelope.power, rises), np.zeros(0)
    none = Strokes(np.zeros(0, dtype=np.intp), nothing, nothing, np.zeros(0, bool), nothing, 0.0, 0.0)
    if envelope.silent:
        return none
    risen = np.maximum(*(_rise(np.asarray(energy, dtype=float)) for energy in energies))
    keen = (risen >= greatest_near(risen, tuned.APART_STEPS // 2)) & (risen > np.exp(tuned.LEAST_NOVELTY))
    steps = np.flatnonzero(keen)
    if not len(steps):
        return none
    whole, high = (_levels_db(energy, steps) for energy in energies)
    gap_db, split_db, level_db = max(
        ((*_gap(levels - levels.max()), levels - levels.max()) for levels in (whole, (whole + high) / 2, high)),
        key=lambda found: found[0],
    )
    own = _of_a_cymbal(level_db >= max(split_db, tuned.OWN_RANGE_DB), whole, high)
    bright = _brightness(whole[own], high[own])
    weight = _own_weight(level_db, own)
    return Strokes(steps * envelope.step, np.log(risen[steps]), level_db, own, weight, gap_db, bright)


def _of_a_cymbal(own: Bools, whole_db: Floats, high_db: Floats) -> Bools:
    """Of a loud class that holds a cymbal's strokes and darker ones, softer in the highs, only the cymbal's.

    Toms come into a soft hat's mic as loud as the hat does, but not as bright. Told by weights that have not seen a
    quarter of the styles and seeds, of 108 hats in takes of a real kit (development half, six seeds) 78 are right with
    this and 68 without, of 72 pairs of overheads 65 and 62; 53 and 46 of these are reliable. The weights in use were
    fitted before it; fitted anew they are right as often (969 of 1,339 for 973) and sure of fewer basses. Where the
    darker ones are the louder in the highs too, they are the mic's: else three of 12 rendered toms are told wrongly.
    """
    tilt_db = (high_db - whole_db)[own]
    gap_db, split_db = _gap(tilt_db - tilt_db.max(initial=-np.inf))
    bright = tilt_db - tilt_db.max(initial=-np.inf) >= split_db
    if not gap_db or _brightness(whole_db[own][bright], high_db[own][bright]) < tuned.CYMBALS:
        return own
    if np.median(high_db[own][bright]) < np.median(high_db[own][~bright]):
        return own
    kept = own.copy()
    kept[own] = bright
    return kept


def _own_weight(level_db: Floats, own: Bools) -> Floats:
    """The weight of each stroke, of which some are the track's own."""
    return _thinned(np.where(own, np.minimum(10 ** ((level_db + 3.0) / 10), 1.0), 0.0))


def _levels_db(energy: Real, steps: Ints) -> Floats:
    """The mean of the 10 ms from each of some steps on, in dB."""
    return 10 * np.log10(_ahead(energy.astype(float), _LEVEL_STEPS)[steps] + 1e-20)


def _brightness(whole_db: Floats, high_db: Floats) -> float:
    return float(np.median(high_db - whole_db)) / 10 + 1.5 if len(whole_db) else 0.0


def _rise(energy: Floats) -> Floats:
    """Each step's energy over the greatest of the 30 ms before."""
    floor = lowest_share(energy, 0.1) + float(energy.max(initial=0.0)) * 1e-9 + 1e-20
    now = _ahead(energy, _ONSET_STEPS)
    past = np.concatenate([np.full(min(_ONSET_STEPS, len(now)), floor), now[:-_ONSET_STEPS]])
    before = greatest_before(past, tuned.BEFORE_STEPS)
    return (now + floor) / (before + floor)


def _ahead(energy: Floats, steps: int) -> Floats:
    """The mean over each step and those that follow it, silence behind the last."""
    return sum_ahead(np.append(energy, np.zeros(steps - 1)), steps) / steps


def _gap(level_db: Floats) -> tuple[float, float]:
    """The highest gap of `LEAST_GAP_DB` or more between a loud class and the rest, in dB, and the level in its middle.

    The highest, not the widest: below the bleed of loud neighbours lies that of soft ones.

    >>> gap, split = _gap(np.array([0.0, -1.0, -2.0, -1.5, -30.0, -31.0, -32.0]))
    >>> round(gap, 1), split
    (26.3, -16.0)
    """
    falling = np.sort(np.maximum(level_db, -45.0))[::-1]
    count = np.arange(1, max(len(falling), 1))
    a_fifth_up = np.interp(0.8 * (count - 1), np.arange(len(falling)), falling)
    gaps = a_fifth_up - falling[1:] - tuned.FEW_STROKES_DB / count
    highest = np.flatnonzero((gaps > tuned.LEAST_GAP_DB) & (falling[:-1] >= tuned.OWN_RANGE_DB - 4.0))
    if not len(highest):
        return 0.0, -np.inf
    at = highest[0]
    return float(gaps[at]), float(falling[at] + falling[at + 1]) / 2


def _thinned(weight: Floats) -> Floats:
    """The weights of at most `MOST_STROKES` strokes, evenly chosen from the loudest down."""
    loudest = np.argsort(-weight, kind="stable")[: np.count_nonzero(weight)]
    even = np.linspace(0, len(loudest) - 1, min(len(loudest), tuned.MOST_STROKES))
    kept = np.isin(np.arange(len(weight)), loudest[even.astype(np.intp)])
    return np.where(kept, weight, 0.0)


def strokes_of_all(heard: Sequence[Listened]) -> Floats:
    """The onsets of all tracks, those of one event put together: the earliest of a cluster stands for it."""
    loud_times = []
    for one in heard:
        loud = (one.strokes.level_db > tuned.SOFTEST_DB) & (one.strokes.novelty > tuned.CLEARLY_RISEN)
        loud_times.append(one.strokes_s[loud])
    times = np.sort(np.concatenate([np.zeros(0), *loud_times]))
    kept: list[float] = []
    for time in times.tolist():
        if not kept or time - kept[-1] > _ONE_EVENT_S:
            kept.append(time)
    return np.array(kept)


def apart(heard: Sequence[Listened]) -> list[Listened]:
    """Each track with the strokes that it has for itself, or as it is where they are too few or all of them."""
    close = [one for one in heard if one.strokes.gap_db > tuned.CLOSE_GAP_DB]
    return [
        _apart(one, [other for other in close if other is not one]) if one.strokes.gap_db > 0 else one for one in heard
    ]


def _apart(one: Listened, others: Sequence[Listened]) -> Listened:
    times_s = one.strokes_s
    shared = np.zeros(len(times_s), bool)
    for other in others:
        later_s = np.append(other.strokes_s[other.strokes.own], np.inf)
        together = later_s[np.searchsorted(later_s, times_s - _TOGETHER_S)] <= times_s + _TOGETHER_S
        if np.mean(together[one.strokes.own]) < tuned.ONE_DRUM:
            shared |= together
    return _but_for(one, shared)


def led(heard: Sequence[Listened]) -> list[Bools]:
    """Which strokes of each track begin in another one shortly before: the mic at what is struck hears it first.

    Nearly all of what hangs over a kit, or stands in its room; of a drum's own mic those of its neighbours.
    """
    # Among them the track's own: these lie too far apart to lead one another.
    own_s = [np.append(one.strokes_s[one.strokes.own], np.inf) for one in heard]
    return [_led(one.strokes_s, own_s) for one in heard]


def _led(begin_s: Floats, own_s: Sequence[Floats]) -> Bools:
    before = np.zeros(len(begin_s), bool)
    # The steps of two tracks that begin at different times lie beside each other: less than one step says nothing.
    latest_s = begin_s - 0.99 * _STEP_S
    for times_s in own_s:
        before |= times_s[np.searchsorted(times_s, begin_s - _LED_S)] < latest_s
    return before


def unled(heard: Sequence[Listened]) -> tuple[list[Listened], Floats]:
    """Each close mic of a take without the strokes that another mic hears first, and of every track the share of these.

    By loudness, shape (tracks,).
    """
    found, shares = [], []
    for one, by_others in zip(heard, led(heard), strict=True):
        weight = one.strokes.weight
        shares.append(float(weight[by_others].sum() / max(weight.sum(), 1e-9)))
        found.append(_but_for(one, by_others) if shares[-1] <= tuned.LED[0] else one)
    return found, np.array(shares)


def _but_for(one: Listened, strokes: Bools) -> Listened:
    """The track without some of its strokes, or as it is where too few of its own would be left, or none is gone."""
    left = one.strokes.own & ~strokes
    if np.array_equal(left, one.strokes.own) or left.sum() < tuned.FEWEST_APART:
        return one
    return _struck_as(one, replace(one.strokes, own=left, weight=_own_weight(one.strokes.level_db, left)))


@dataclass(frozen=True)
class FrameSet:
    """Frames of one window: ``starts``, shape (K,), samples; ``window``, shape (L,)."""

    starts: Ints
    window: Floats


def stretches(track: Listened, *, length_s: float, most: int, matched: bool = False) -> FrameSet:
    """Overlapping frames: all of a short track, the loudest of each equal part of a long one.

    Without those more than 30 dB below the loudest: most of what they hold is noise.

    Hann windows that overlap by half add up to one, so that a short track's every sample counts the same. Where both
    tracks are windowed (``matched``) the window rises to the power 1.5, not 2: its square is nearly as even, and what
    leaks beside a band still falls fast.
    """
    length = min(round(length_s * track.sample_rate), track.frames)
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** (1.5 if matched else 2.0)
    starts = np.arange(-(length // 2), track.frames, max(length // 2, 1))
    levels = track.envelope.sum(starts // track.envelope.step, (starts + length) // track.envelope.step)
    if len(starts) > most:
        bounds = np.linspace(0, len(starts), most + 1).astype(np.intp)
        loudest = np.array([a + np.argmax(levels[a:b]) for a, b in pairwise(bounds)])
        starts, levels = starts[loudest], levels[loudest]
    sounding = levels > levels.max(initial=0.0) * 1e-3
    return FrameSet(starts[sounding] if sounding.any() else starts, window)
