"""Which tracks stand over a whole kit, and how are a kit's close mics laid onto them where no scene says anything?

Two mics over a kit hear every drum, alike from stroke to stroke; their lows meet as recorded, since they hang about
equally far from the drums; and they hear a drum after its own mic (`reference_for`). Two mics at one drum miss the
others, or hear theirs first; two in the room hear all of it later still. What stands over the kit stays where it is,
so that its image stays, and each close mic is laid where its own strokes add up best with it (`laid_on_strokes`).
Which are which is read off levels, lows and who hears the drums first, never off names.

Delays are seconds, positive later than in the reference; strokes are moments on the take's clock.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from micalign.alignment.own_strokes import Place, PlacedTrack, evenly, laid_by_strokes, lows_meet
from micalign.alignment.tuned import (
    ABOUT_AS_MUCH,
    BESIDE_OTHERS,
    CLOSE_DB,
    CONVINCING,
    EARLY_S,
    EQUAL_DB,
    FEWEST_CHOOSING,
    FEWEST_MICS,
    FIRST_S,
    HEARD_DB,
    HEARD_S,
    HEARS_DB,
    HEARS_SHARE,
    KNOWN,
    LATE_S,
    LATER_S,
    LIKELY,
    LOUD_DB,
    MANY_DRUMS,
    MANY_MICS,
    MEET,
    MEET_S,
    MEETING_DB,
    MEETS_WELL,
    MOST_LATE_S,
    NEAR_S,
    NEARLY,
    OVER_DB,
    OVER_WORDS,
    OWN_DB,
    OWN_LATE_S,
    REACH_S,
    ROOM_S,
    ROOM_WORDS,
    SAME_S,
)
from micalign.arrays import Floats
from micalign.take.tracks import Track
from micalign.tdoa.delays import TrackDelay
from micalign.tdoa.measure import Delay
from micalign.tdoa.strokes import Listened, listen
from micalign.tdoa.wavefronts import first_wavefronts

__all__ = ["is_called", "laid_on_strokes", "reference_for"]

_FEWEST: Final = 6  # strokes: of fewer a spread says nothing (chosen, no source)
_MOST_OWN: Final = 0.95  # the quantile of levels over the reference that surely is a drum's own
_LOUDEST: Final = 0.98  # the quantile of a track's strokes that counts as its loudest


@dataclass(frozen=True)
class _Pair:
    """Two tracks over a kit, by name, how well they look like it, and how their lows meet, -1 to 1."""

    first: str
    second: str
    score: float
    meets: float


@dataclass(frozen=True)
class _Heard:
    """What tracks hear at strokes of the whole take: levels in dB and when each begins in seconds, (tracks, S).

    ``drums``: the tracks that hear their own strokes before all others do, so that they stand at a drum, and by how
    much later every track hears these, in the middle, in seconds: (tracks,).
    """

    tracks: tuple[Track, ...]
    times_s: Floats
    level_db: Floats
    begins_s: Floats
    drums: Mapping[int, Floats]

    def row(self, name: str) -> int:
        """The position of a track."""
        return next(k for k, track in enumerate(self.tracks) if track.name == name)

    def hearing(self) -> list[int]:
        """The tracks that are loud at most of the strokes."""
        level_db = np.where(np.isfinite(self.level_db), self.level_db, -np.inf)
        loudest = np.quantile(level_db, _LOUDEST, axis=1, method="lower")
        found: list[int] = np.flatnonzero((level_db > loudest[:, None] - HEARS_DB).mean(axis=1) >= HEARS_SHARE).tolist()
        return found

    def spread_db(self, one: int, other: int) -> float:
        """How far the strokes differ in level between two tracks."""
        return _spread_db(self.level_db[one] - self.level_db[other])

    def is_late(self, one: int, other: int) -> bool:
        """Whether as a rule another track hears a stroke before both, two others where there are many: one may err."""
        rest = np.sort(np.delete(self.begins_s, (one, other), axis=0), axis=0)
        if not len(rest):
            return False
        ahead = rest[1 if len(rest) > MANY_MICS else 0]
        return float(np.median(np.minimum(self.begins_s[one], self.begins_s[other]) - ahead)) >= LATER_S

    def late_s(self, one: int, other: int) -> float:
        """By how much two tracks hear the drums at the least after their own mics; of many drums one may err.

        Where one of the two leads itself, as an overhead does at a cymbal without a mic, the other may be nearly as
        early.
        """
        rest = [late_s for drum, late_s in self.drums.items() if drum not in (one, other)]
        found = [OWN_LATE_S + self.drums[a][b] for a, b in ((one, other), (other, one)) if a in self.drums]
        for track in (one, other):
            late_s = sorted(float(row[track]) for row in rest)
            found += late_s[1:2] if len(late_s) >= MANY_DRUMS else late_s[:1]
        return min(found, default=0.0)

    def is_far(self, one: int) -> bool:
        """Whether a track hears every drum well after its own mic."""
        return one not in self.drums and all(late_s[one] >= NEAR_S for late_s in self.drums.values())

    def later_s(self, one: int, other: int) -> float:
        """By how much one track hears the strokes after another, in the middle."""
        return float(np.median(self.begins_s[one] - self.begins_s[other]))

    def earlier_s(self, one: _Pair, other: _Pair) -> float:
        """By how much one pair hears the strokes before another, in the middle."""
        means = [self.begins_s[[self.row(pair.first), self.row(pair.second)]].mean(axis=0) for pair in (one, other)]
        return float(np.median(means[1] - means[0]))


def reference_for(heard: Sequence[Listened], named: str) -> str | None:
    """The track that a kit is laid onto where the user only named one first; None where no track is surely over it.

    Two mics over a kit are loud at most strokes of all tracks, differ by much the same from one to the next, meet in
    the lows as recorded (in either polarity), and hear every drum well after its own mic. Of several pairs the one
    counts that does so best and meets the others; one that hears the strokes earlier goes before it, as overheads
    before a room's pair. Two others at least must be close mics.

    Parameters
    ----------
    heard : sequence of Listened
        Every track of the take.
    named : str
        The track that was named first. It is the answer where it looks like one of such a pair about as much as the
        best, and where the tracks are no kit. Of a kit without such a pair the one track that hears all drums late is.

    What is called an overhead (`OVER_WORDS`) is one, unless it hears the drums no later than their own mics.
    """
    told = _heard(heard) if len(heard) > FEWEST_MICS else None
    if told is None:
        return named
    by_name = _over_by_name(told)
    if by_name:
        return named if named in by_name else by_name[0]
    best = _best_pair(told, named) if len(heard) >= 2 + FEWEST_MICS else None
    if best is not None and len(_uneven(told, told.row(best.first))) >= FEWEST_MICS:
        return named if named in (best.first, best.second) else best.first
    drums = [k for k in told.drums if heard[k].strokes.gap_db]
    if not any(told.spread_db(one, other) > CLOSE_DB for one, other in combinations(drums, 2)):
        return named
    far = [told.tracks[k].name for k in told.hearing() if told.is_far(k)]
    return far[0] if len(far) == 1 else None


def _best_pair(told: _Heard, named: str | None) -> _Pair | None:
    pairs = _pairs(told)
    if not pairs or pairs[0].score < CONVINCING:
        return None
    best, *rest = pairs
    for one in rest:
        apart = not {one.first, one.second} & {best.first, best.second}
        if apart and one.score > best.score - NEARLY and told.earlier_s(one, best) > EARLY_S:
            best = one
    own = next((pair for pair in pairs if named in (pair.first, pair.second)), best)
    is_as_likely = own.score >= best.score - ABOUT_AS_MUCH and told.earlier_s(best, own) <= EARLY_S
    return own if is_as_likely else best


def _over_by_name(told: _Heard) -> list[str]:
    """The tracks of a kit that are called overheads; none where what they hear says clearly otherwise."""
    called = [k for k, track in enumerate(told.tracks) if is_called(track.name, OVER_WORDS)]
    others = [late_s for drum, late_s in told.drums.items() if drum not in called]
    if len(others) < FEWEST_MICS or len(called) == len(told.tracks):
        return []
    late_s = np.median(others, axis=0)
    return [told.tracks[k].name for k in called if late_s[k] >= NEAR_S]


def is_called(name: str, words: Collection[str]) -> bool:
    """Whether a track's name holds one of some words, parted by case, digits, or anything else.

    >>> [is_called(name, OVER_WORDS) for name in ("OHL", "kit Overhead-2.wav", "oh_r", "Cohen", "kick")]
    [True, True, True, False, False]
    """
    return any(word.casefold() in words for word in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", name))


def _uneven(told: _Heard, over: int) -> list[int]:
    """The tracks whose levels differ so much from one's that they may be one drum's own."""
    return [k for k in range(len(told.tracks)) if CLOSE_DB < told.spread_db(over, k) < float("inf")]


def _heard(heard: Sequence[Listened]) -> _Heard | None:
    """None where too few strokes are heard."""
    every = []
    for one in heard:
        loud = one.strokes.samples[one.strokes.level_db > HEARD_DB]
        every.append(loud / one.track.sample_rate + one.track.start_s)
    found: list[float] = []
    for time_s in np.sort(np.concatenate(every)).tolist():
        if not found or time_s - found[-1] > SAME_S:
            found.append(time_s)
    if len(found) < _FEWEST:
        return None
    times_s = evenly(np.array(found))
    samples = [np.rint((times_s - one.track.start_s) * one.track.sample_rate).astype(np.intp) for one in heard]
    begins = [_begins_s(one, times_s) for one in heard]
    levels = [_heard_db(one, at) for one, at in zip(heard, samples, strict=True)]
    return _Heard(tuple(one.track for one in heard), times_s, np.array(levels), np.array(begins), _drums(heard))


def _drums(heard: Sequence[Listened]) -> dict[int, Floats]:
    """The tracks that hear their own strokes first, but for one that may err, and when every track hears these."""
    found = {}
    for k, one in enumerate(heard):
        begins = one.first_wavefronts
        if len(begins) < FEWEST_CHOOSING:
            continue
        times_s = evenly(begins / one.track.sample_rate + one.track.start_s)
        late_s = np.array([np.median(_begins_s(other, times_s) - times_s) for other in heard])
        others_s = np.sort(np.delete(late_s, k))[:2]
        if len(others_s) and others_s[-1] >= -FIRST_S:
            found[k] = late_s
    return found


def _begins_s(heard: Listened, times_s: Floats) -> Floats:
    """When a track hears strokes whose times are roughly known."""
    track = heard.track
    samples = np.rint((times_s - track.start_s) * track.sample_rate).astype(np.intp)
    return np.asarray(first_wavefronts(track, samples) / track.sample_rate + track.start_s)


def _pairs(told: _Heard) -> list[_Pair]:
    """The pairs that look as if they stood over the kit, the likeliest first."""
    found = []
    for one, other in combinations(told.hearing(), 2):
        spread_db = told.spread_db(one, other)
        if spread_db > MEETING_DB or not told.is_late(one, other):
            continue
        first, second = told.tracks[one], told.tracks[other]
        meets = lows_meet(first, second, told.times_s, within_s=MEET_S)
        if abs(meets) >= MEET:
            late_s = min(told.late_s(one, other), MOST_LATE_S)
            score = min(abs(meets), MEETS_WELL) - spread_db / EQUAL_DB + late_s / LATE_S
            found.append(_Pair(first.name, second.name, score, meets))
    total: dict[str, float] = {}
    for pair in found:
        for name in (pair.first, pair.second):
            total[name] = total.get(name, 0.0) + max(pair.score, 0.0)
    ranked = []
    for pair in found:
        others = total[pair.first] + total[pair.second] - 2.0 * max(pair.score, 0.0)
        ranked.append(replace(pair, score=pair.score + BESIDE_OTHERS * others))
    return sorted(ranked, key=lambda pair: pair.score, reverse=True)


def _level_spread_db(first: Listened, second: Listened) -> float:
    """How far strokes differ in level between two tracks, from the lowest tenth to the highest, in dB.

    A close mic hears its own drum 15 dB and more louder, against an overhead, than the others; two mics over a whole
    kit hear all of it within some 10 dB. Infinite where fewer than six strokes are heard by both.
    """
    rate = first.track.sample_rate
    later = round((second.track.start_s - first.track.start_s) * rate)
    loud = [one.strokes.samples[one.strokes.level_db > HEARD_DB] for one in (first, second)]
    samples = np.union1d(loud[0], loud[1] + later)
    levels = [_heard_db(first, samples), _heard_db(second, samples - later)]
    return _spread_db(levels[0] - levels[1])


def _spread_db(differences_db: Floats) -> float:
    """From the lowest tenth to the highest of what is known; infinite where that is too little."""
    known = differences_db[np.isfinite(differences_db)]
    if len(known) < _FEWEST:
        return float("inf")
    low, high = np.quantile(known, (0.1, 0.9))
    return float(high - low)


def _heard_db(heard: Listened, samples: npt.NDArray[Any]) -> Floats:
    step = heard.envelope.step
    before, after = (round(seconds * heard.track.sample_rate / step) for seconds in HEARD_S)
    steps = (samples // step)[:, None] + np.arange(-before, after)
    inside = (steps >= 0) & (steps < len(heard.envelope.power))
    power = np.zeros(steps.shape)
    power[inside] = heard.envelope.power[steps[inside]]
    power = power.sum(axis=1)
    return np.asarray(10 * np.log10(np.where(power > 0, power, np.nan)))


def laid_on_strokes(reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> tuple[TrackDelay, ...]:
    """The rows with what the tracks of a kit are to be moved by in place of their arrivals.

    Rows are left as they are where the reference does not stand over a kit: two close mics at least, or one and another
    mic over the same kit, must be among the tracks. Then every track that is not over the kit is tried.
    """
    heard = listen(reference)
    # What surely comes later than any overhead hears its kit is no track of this kit.
    far = {row.track for row in rows if row.delay.reliable and abs(row.delay.delay_s) > REACH_S}
    others = {track.name: listen(track) for track in tracks if track.name not in far}
    told = _heard([heard, *others.values()])
    mates = _mates(reference.name, told)
    mate, meets = mates[0] if mates else (None, 0.0)
    rooms = _rooms(reference.name, told)
    spread = {name: _level_spread_db(heard, one) for name, one in others.items()}
    early = {row.track for row in rows if row.track in others and _is_early(row.delay)} - {mate}
    beside_it = {name for name, _ in mates}
    over = [
        name for name, decibels in spread.items() if name in beside_it or (name not in early and decibels <= OVER_DB)
    ]
    uneven = [name for name, decibels in spread.items() if CLOSE_DB < decibels < float("inf")]
    close = [name for name in uneven if _closer(others[name], heard)]
    if not close and uneven and mate and len(early) >= FEWEST_MICS:
        # Where nearly every stroke is one drum's, as in a march, no mic leaves many out; those at the drums are early.
        close = sorted(early)
    if not close or len(close) + len(over) < FEWEST_MICS:
        return tuple(rows)
    rest = [PlacedTrack(reference)]
    alike = sorted((name for name in over if name not in rooms), key=lambda name: spread[name])
    beside = [mate] if mate is not None else alike
    rest += [PlacedTrack(others[name].track, Place(0.0, -1 if meets < 0 else 1)) for name in beside[:1]]
    laid = []
    for row in rows:
        delay = row.delay
        if row.track == mate:
            delay = _mated(delay, meets, reference.name)
        elif row.track in rooms:
            words = (
                f"it hears its strokes after '{reference.name}', as a mic in the room or one whose drum is not struck"
            )
            words += ": left as recorded"
            delay = _still(delay, words)
        elif row.track in over:
            delay = _still(delay, f"stays as it is: it hears the same kit as '{reference.name}'")
        elif row.track in others:
            delay = _laid(delay, others[row.track], heard, rest)
        laid.append(TrackDelay(row.track, delay))
    return tuple(laid)


def _mates(reference: str, told: _Heard | None) -> list[tuple[str, float]]:
    """The tracks that stand over the kit together with the reference, and how their lows meet, -1 to 1.

    The likeliest is the first; of several the others stay as well, whichever are the pair. Names go before likeness.
    """
    if told is None:
        return []
    pairs = [pair for pair in _pairs(told) if reference in (pair.first, pair.second)]
    found = {pair.second if pair.first == reference else pair.first: pair for pair in pairs}
    called = _over_by_name(told)
    if reference in called and len(called) > 1:
        return [(name, found[name].meets if name in found else 0.0) for name in called if name != reference]
    return [(name, pair.meets) for name, pair in found.items() if pair is pairs[0] or pair.score >= CONVINCING]


def _rooms(reference: str, told: _Heard | None) -> set[str]:
    """The tracks that hear most strokes of the kit, and as a rule after the reference: no drum's own mic does that."""
    if told is None:
        return set()
    row = told.row(reference)
    late = {told.tracks[k].name for k in told.hearing() if told.later_s(k, row) >= ROOM_S}
    return late | {track.name for track in told.tracks if is_called(track.name, ROOM_WORDS)} - {reference}


def _mated(delay: Delay, meets: float, reference: str) -> Delay:
    """The lows say the polarity, so it is as clear as they meet."""
    words = f"the pair stays as it is: it hears the same kit as '{reference}'"
    if meets < 0:
        words = f"the pair stays, but for a polarity: as recorded its lows cancel those of '{reference}'"
    return replace(_still(delay, words), polarity=-1 if meets < 0 else 1, polarity_margin=abs(meets))


def _is_early(delay: Delay) -> bool:
    """Whether a track likely hears the kit clearly before the reference: it stands nearer, however alike the levels."""
    return delay.confidence >= LIKELY and -REACH_S <= delay.delay_s <= -EARLY_S


def _closer(one: Listened, reference: Listened) -> bool:
    """Whether a track's loud strokes leave out many of the reference's: a drum's own mic knows only its drum's."""
    rate = one.track.sample_rate
    own, wanted = (heard.strokes.samples[heard.strokes.level_db > LOUD_DB] for heard in (one, reference))
    wanted = wanted + round((reference.track.start_s - one.track.start_s) * rate)
    if not len(own) or not len(wanted):
        return False
    after = np.clip(np.searchsorted(own, wanted), 0, len(own) - 1)
    gaps = np.minimum(np.abs(own[after] - wanted), np.abs(own[np.maximum(after - 1, 0)] - wanted))
    return float(np.mean(gaps < SAME_S * rate)) < KNOWN


def _still(delay: Delay, words: str) -> Delay:
    return replace(delay, delay_s=0.0, polarity=1, confidence=1.0, reliable=True, reason=words, candidates=())


def _own_strokes(one: Listened, reference: Listened) -> Floats:
    """When a close mic's own drum is struck: its loud strokes, but for what the reference hears about as loud.

    A mic has its own drum louder, against what stands over the kit, than any other drum.
    """
    begins = one.first_wavefronts
    if not len(begins):
        return np.zeros(0)
    rate, other = one.track.sample_rate, reference.track
    times_s = np.asarray(begins / rate + one.track.start_s, dtype=np.float64)
    there = np.rint((times_s - other.start_s) * other.sample_rate).astype(np.intp)
    over_db = _heard_db(one, begins) - _heard_db(reference, there)
    over_db = np.where(np.isfinite(over_db), over_db, -np.inf)
    return times_s[over_db >= np.quantile(over_db, _MOST_OWN, method="lower") - OWN_DB]


def _laid(delay: Delay, one: Listened, reference: Listened, rest: Sequence[PlacedTrack]) -> Delay:
    if not one.strokes.gap_db:
        return replace(delay, reliable=False, reason="none of its strokes stands out as its own: left as recorded")
    # A doubtful arrival still says where the drum's sound comes, where it is no mere guess and not before its own mic.
    likely = delay.confidence >= LIKELY and abs(delay.delay_s) <= REACH_S and (delay.reliable or delay.delay_s <= 0.0)
    arrival = Place(-delay.delay_s + 0.0, delay.polarity) if likely and delay.reliable else None
    near_s = -delay.delay_s if likely else None
    earliest_s = -np.inf if arrival is not None else 0.0
    times_s = _own_strokes(one, reference)
    found = laid_by_strokes(one.track, times_s, rest, arrival=arrival, near_s=near_s, earliest_s=earliest_s)
    if found is None:
        return replace(delay, reliable=False, reason="it has too few strokes of its own: left as recorded")
    if found.by == "arrival":
        return replace(delay, reason=found.words)
    if found.by == "recorded":
        return _still(delay, found.words)
    return replace(
        delay,
        delay_s=-found.place.shift_s + 0.0,
        uncertainty_s=found.uncertainty_s,
        polarity=found.place.polarity,
        polarity_margin=1.0,
        confidence=max(delay.confidence, 0.9),
        reliable=True,
        reason=found.words,
        candidates=(),
    )
