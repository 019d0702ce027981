"""Which tracks stand over a whole kit?

Two mics over a kit hear every drum, alike from stroke to stroke; their lows meet as recorded, since they hang about
equally far from the drums; and they hear every drum some milliseconds after its own mic. Two mics at one drum miss the
others, or hear theirs first; mics of drums that are not struck hear what is near too early; two in the room hear all of
it later still. All this is read off levels, lows and who hears the drums first. A track that is called an overhead is
one, unless it hears the drums no later than their own mics, or nothing at all; where in the list it is says next to
nothing.

Delays are seconds, positive later than in the reference; strokes are moments on the take's clock.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from micalign.alignment.own_strokes import evenly, lows_meet
from micalign.alignment.tuned import (
    CLOSE_DB,
    EARLY_S,
    FEWEST_CHOOSING,
    FEWEST_MICS,
    FIRST_S,
    HEARD_DB,
    HEARD_S,
    HEARS_DB,
    HEARS_SHARE,
    LATER_S,
    MANY_DRUMS,
    MEET,
    MEET_S,
    MEETS_WELL,
    MOST_LATE_S,
    MOST_OVER_S,
    MOST_SPREAD_DB,
    ONE_OVER,
    OVER_CHANCE,
    OVER_WEIGHTS,
    PARTED_DB,
    PERHAPS,
    RISES,
    ROOM_S,
    SAME_S,
    SURELY,
    UNLIKELY,
)
from micalign.arrays import Bools, Floats
from micalign.take.tracks import OVER_WORDS, ROOM_WORDS, is_called
from micalign.tdoa.posterior import probabilities
from micalign.tdoa.strokes import Listened
from micalign.tdoa.wavefronts import first_wavefronts

__all__ = [
    "HeardKit",
    "PairOver",
    "begins_s",
    "has_strokes",
    "heard_db",
    "heard_db_at",
    "heard_kit",
    "level_spread_db",
    "mates_of",
    "over_by_name",
    "reference_for",
    "rises_at",
    "rooms_of",
    "struck_s",
    "sure_pairs",
]


@dataclass(frozen=True)
class PairOver:
    """Two tracks over a kit, by name, how likely they are that, 0 to 1, and how their lows meet, -1 to 1."""

    first: str
    second: str
    chance: float
    meets: float

    def is_apart(self, other: PairOver) -> bool:
        """Whether they share no track."""
        return not {self.first, self.second} & {other.first, other.second}


def _never_follows(rises: int, strokes: int) -> bool:
    """Whether so many rises at a number of strokes are chance's, as of a coin, and surely too few for an overhead.

    >>> [_never_follows(rises, 5) for rises in (2, 3, 4)], [_never_follows(rises, 40) for rises in (20, 30)]
    ([True, True, False], [True, False])
    """
    share = rises / max(strokes, 1)
    too_few = (share - RISES) * strokes**0.5 < -SURELY * (RISES * (1.0 - RISES)) ** 0.5
    return strokes >= FEWEST_CHOOSING and (share - 0.5) * strokes**0.5 < SURELY / 2 and too_few


@dataclass(frozen=True)
class HeardKit:
    """What tracks hear at strokes of the whole take: levels in dB and when each begins in seconds, (tracks, S).

    ``drums``: the tracks that hear their own strokes before all others do, so that they stand at a drum, and by how
    much later every track hears these, in the middle, in seconds: (tracks,).
    """

    tracks: tuple[Listened, ...]
    times_s: Floats
    level_db: Floats
    begins_s: Floats
    drums: Mapping[int, Floats]

    def row(self, name: str) -> int:
        """The position of a track."""
        return next(k for k, track in enumerate(self.tracks) if track.name == name)

    def hears(self, one: int) -> bool:
        """Whether strokes stand out of a track at all: a line that holds nothing but noise or hum has none."""
        return has_strokes(self.tracks[one])

    def is_deaf(self, one: int) -> bool:
        """Whether a track surely hears nothing of the drums: it does not rise at the strokes of their own mics.

        Noise that is deep enough has strokes of its own, at any time; without enough clear strokes nothing is sure.
        """
        clear = [self.tracks[k] for k in self.drums if k != one and self.tracks[k].strokes.gap_db >= PARTED_DB]
        times_s = np.sort(
            np.concatenate([np.zeros(0), *(k.first_wavefronts / k.sample_rate + k.start_s for k in clear)])
        )
        times_s = times_s[np.diff(times_s, prepend=-np.inf) > SAME_S]
        rises = rises_at(self.tracks[one], times_s)
        return _never_follows(int(rises.sum()), len(rises))

    def hearing(self) -> list[int]:
        """The tracks that are loud at most of the strokes."""
        level_db = np.where(np.isfinite(self.level_db), self.level_db, -np.inf)
        loudest = level_db.max(axis=1, keepdims=True)
        found: list[int] = np.flatnonzero((level_db > loudest - HEARS_DB).mean(axis=1) >= HEARS_SHARE).tolist()
        return [k for k in found if self.hears(k)]

    def spread_db(self, one: int, other: int) -> float:
        """How far the strokes differ in level between two tracks."""
        return _spread_db(self.level_db[one] - self.level_db[other])

    def late_s(self, one: int, other: int) -> float:
        """By how much two tracks hear the drums at the least after their own mics; of many drums one may err.

        Where one of the two leads itself, as an overhead does at a cymbal without a mic, the other may be nearly as
        early.
        """
        rest = [late_s for drum, late_s in self.drums.items() if drum not in (one, other)]
        found = [LATER_S + self.drums[a][b] for a, b in ((one, other), (other, one)) if a in self.drums]
        for track in (one, other):
            late_s = sorted(float(row[track]) for row in rest)
            found += late_s[1:2] if len(late_s) >= MANY_DRUMS else late_s[:1]
        return min(found, default=0.0)

    def least_s(self, one: int) -> float:
        """By how much a track hears the drums at the least after their own mics; 0 for one of these."""
        return 0.0 if one in self.drums else min((float(row[one]) for row in self.drums.values()), default=0.0)

    def later_s(self, one: int, other: int) -> float:
        """By how much one track hears the strokes after another, in the middle."""
        return float(np.median(self.begins_s[one] - self.begins_s[other]))

    def earlier_s(self, one: PairOver, other: PairOver) -> float:
        """By how much one pair hears the strokes before another, in the middle."""
        means = [self.begins_s[[self.row(pair.first), self.row(pair.second)]].mean(axis=0) for pair in (one, other)]
        return float(np.median(means[1] - means[0]))

    def evidence(self, one: int, other: int) -> list[float]:
        """What speaks for two tracks as the pair over the kit, in the order of `OVER_WEIGHTS`."""
        meets = abs(self.meets(one, other))
        spread_db = min(self.spread_db(one, other), MOST_SPREAD_DB)
        late_s = self.late_s(one, other)
        late_ms, far_ms = 1e3 * min(late_s, MOST_LATE_S), 1e3 * max(late_s - MOST_OVER_S, 0.0)
        return [1.0, spread_db, meets, max(meets - MEETS_WELL, 0.0), late_ms, far_ms]

    def is_at_one_drum(self, one: int, other: int) -> bool:
        """Whether two tracks hear each other's own strokes at once, and before all others: its two heads."""
        both = ((one, other), (other, one))
        return all(a in self.drums and abs(self.drums[a][b]) < EARLY_S for a, b in both)

    def meets(self, one: int, other: int) -> float:
        """How the lows of two tracks meet as recorded, -1 to 1."""
        return lows_meet(self.tracks[one], self.tracks[other], self.times_s, within_s=MEET_S)


def rises_at(one: Listened, times_s: Floats) -> Bools:
    """Whether a track's level rises at each of some strokes: by chance at half of those of another take, or fewer."""
    before_s, after_s = HEARD_S
    edges = [one.steps_at(times_s + offset_s) for offset_s in (-after_s - 2 * before_s, -before_s, after_s)]
    rises: Bools = one.envelope.mean(edges[1], edges[2]) > one.envelope.mean(edges[0], edges[1])
    return rises


def reference_for(heard: Sequence[Listened], named: str) -> str | None:
    """The track that a kit is laid onto where the user only named one first; None where no track is surely over it.

    Two mics over a kit differ by much the same from stroke to stroke, meet in the lows as recorded, in either polarity,
    and hear every drum well after its own mic, though not as late as a room's pair. What each of that is worth is
    fitted (`OVER_WEIGHTS`); a pair must be likelier than all other answers together, none included. Tracks of which no
    two stand at a drum each are no kit.

    Parameters
    ----------
    heard : sequence of Listened
        Every track of the take.
    named : str
        The track that was named first. It is the answer where it is one of that pair, and where the tracks are no kit.
        Of a kit without such a pair the one track that hears all drums late is.

    What is called an overhead (`OVER_WORDS`) is one, unless it hears the drums no later than their own mics, or nothing
    at all; what is called a room mic is none.
    """
    told = heard_kit(heard) if len(heard) > FEWEST_MICS and _may_be_a_kit(heard) else None
    if told is None:
        return named
    by_name = over_by_name(told)
    if by_name:
        by_name = _met_by_name(told, by_name) or by_name
        return named if named in by_name else by_name[0]
    if not _are_uneven(told.level_db[[k for k in told.drums if heard[k].strokes.gap_db]]):
        return named
    over = _tracks_over(told) if len(heard) >= 2 + FEWEST_MICS else []
    if over:
        return named if named in over else over[0]
    rooms = _called_rooms(told)
    far = [told.tracks[k].name for k in told.hearing() if k not in rooms and told.least_s(k) >= EARLY_S]
    return far[0] if len(far) == 1 else None


def _may_be_a_kit(heard: Sequence[Listened]) -> bool:
    """Whether one is called an overhead, or two of the tracks may stand at a drum each, as their levels say."""
    parted = [one for one in heard if not one.envelope.silent and one.strokes.gap_db]
    times_s = struck_s(heard)
    named = any(is_called(one.name, OVER_WORDS) for one in heard)
    return named or _are_uneven(np.array([heard_db_at(one, times_s) for one in parted]))


def _are_uneven(level_db: Floats) -> bool:
    """Whether any two tracks hear strokes at levels that differ from one to the next, (tracks, S), as close mics do."""
    return any(_spread_db(one - other) > CLOSE_DB for one, other in combinations(level_db, 2))


def _tracks_over(told: HeardKit) -> list[str]:
    """The pair over the kit, the likelier of the two first; one track where only its mate is in doubt; none.

    Of the pairs that may be, and share no track, the one that hears the strokes first: overheads and a room's pair look
    much alike, and the overheads come before it.
    """
    pairs = _pairs(told)
    share = _shares(pairs)
    likely = [one for one in pairs if one is pairs[0] or (one.chance >= PERHAPS and one.is_apart(pairs[0]))]
    if sum(pair.chance for pair in likely) < OVER_CHANCE:
        return [name for name in share if share[name] >= ONE_OVER and share[name] == max(share.values())][:1]
    earlier = [one for one in likely[1:] if told.earlier_s(one, likely[0]) > EARLY_S]
    found = max(earlier or likely[:1], key=lambda one: told.earlier_s(one, likely[0]))
    # As good as equal, the first: which of two overheads it is must not hang on the last digits.
    return sorted((found.first, found.second), key=lambda name: -round(share[name], 2))


def _shares(pairs: Sequence[PairOver]) -> dict[str, float]:
    """How likely each track is one of the two over the kit, whichever is its mate."""
    share: dict[str, float] = defaultdict(float)
    for pair in pairs:
        for name in (pair.first, pair.second):
            share[name] += pair.chance
    return share


def over_by_name(told: HeardKit) -> list[str]:
    """The tracks that are called overheads, but for one that hears the drums no later than their own mics, or nothing.

    Where no drum has enough clear strokes, as in a few bars of a ballad, nothing speaks against the names. Nor does
    anything where the lows of one meet those of another: loud cymbals may hide when it hears the drums.
    """
    called = [k for k, track in enumerate(told.tracks) if is_called(track.name, OVER_WORDS)]
    called = [k for k in called if told.hears(k) and not told.is_deaf(k)]
    late_s = [late_s for drum, late_s in told.drums.items() if drum not in called]
    early = {k for k in called if late_s and k in told.drums and _middle_s(late_s, k) < EARLY_S}
    late = [k for k in called if k not in early]
    return [told.tracks[k].name for k in called if k in late or any(abs(told.meets(k, one)) >= MEET for one in late)]


def _middle_s(late_s: Sequence[Floats], one: int) -> float:
    """By how much a track hears the drums after their own mics, in the middle; 0 where none says.

    A drum whose strokes it hears before their own mic does says nothing: a cymbal that is struck with it comes first.
    """
    told = [float(row[one]) for row in late_s if row[one] >= -FIRST_S]
    return float(np.median(told)) if told else 0.0


def _met_by_name(told: HeardKit, called: Collection[str]) -> list[str]:
    """Those that are a pair over the kit by their sound too: "overhead" may be a guitar's, or that of another kit."""
    if len(called) <= 2:
        return []
    pairs = [{pair.first, pair.second} for pair in _pairs(told) if pair.chance >= PERHAPS]
    return [name for name in called if any(name in pair for pair in pairs if pair <= {*called})]


def _called_rooms(told: HeardKit) -> set[int]:
    return {k for k, track in enumerate(told.tracks) if is_called(track.name, ROOM_WORDS)}


def heard_kit(heard: Sequence[Listened]) -> HeardKit | None:
    """None where too few strokes are heard."""
    times_s = struck_s(heard)
    if len(times_s) < FEWEST_CHOOSING:
        return None
    begins = [begins_s(one, times_s) for one in heard]
    levels = [heard_db_at(one, times_s) for one in heard]
    return HeardKit(tuple(heard), times_s, np.array(levels), np.array(begins), _drums(heard))


def struck_s(heard: Sequence[Listened]) -> Floats:
    """When the whole take is struck, as the first track that hears it tells; some of it where that is often."""
    every = []
    for one in heard:
        loud = one.strokes.samples[one.strokes.level_db > HEARD_DB]
        every.append(loud / one.sample_rate + one.start_s)
    found: list[float] = []
    for time_s in np.sort(np.concatenate(every)).tolist():
        if not found or time_s - found[-1] > SAME_S:
            found.append(time_s)
    return evenly(np.array(found))


def heard_db_at(one: Listened, times_s: Floats) -> Floats:
    """How loud a track is at strokes whose times are known, as `heard_db`."""
    return heard_db(one, np.rint((times_s - one.start_s) * one.sample_rate).astype(np.intp))


def has_strokes(heard: Listened) -> bool:
    """Whether a track has enough onsets to hear a kit by; noise and hum have none, whatever they are called."""
    return not heard.envelope.silent and len(heard.strokes.samples) >= FEWEST_CHOOSING


def _drums(heard: Sequence[Listened]) -> dict[int, Floats]:
    """The tracks that hear their own strokes first, but for one that may err, and how much later every track does.

    In the middle of them. Those with too few strokes are no drum's, and those without any say nothing.
    """
    saying = [has_strokes(one) for one in heard]
    found = {}
    for k, one in enumerate(heard):
        begins, others = one.first_wavefronts, sum(saying) - saying[k]
        if len(begins) < FEWEST_CHOOSING or not others:
            continue
        times_s, row, left = evenly(begins / one.sample_rate + one.start_s), [], min(others, 2)
        for other, says in zip(heard, saying, strict=True):
            row.append(float(np.median(begins_s(other, times_s) - times_s)))
            left -= says and other is not one and row[-1] < -FIRST_S
            if not left:  # what stands over the kit is told after a few of its drums
                break
        else:
            found[k] = np.array(row)
    return found


def begins_s(heard: Listened, times_s: Floats) -> Floats:
    """When a track hears strokes whose times are roughly known."""

    def found() -> Floats:
        samples = np.rint((times_s - heard.start_s) * heard.sample_rate).astype(np.intp)
        return np.asarray(first_wavefronts(heard, samples) / heard.sample_rate + heard.start_s)

    # Who stands over a kit is asked before it is measured, and who stands beside that one afterwards.
    return heard.kept(("begins", times_s.tobytes()), found)


def _pairs(told: HeardKit, beside: str | None = None) -> list[PairOver]:
    """The pairs whose lows meet and that may stand over the kit, of all or of those with one, the likeliest first.

    A conditional logit over them and one more answer, that none does.
    """
    rooms = _called_rooms(told)
    rest = [k for k in range(len(told.tracks)) if k not in rooms and told.hears(k)]
    pairs = [
        (one, other)
        for one, other in combinations(rest, 2)
        if beside in (None, told.tracks[one].name, told.tracks[other].name)
        and abs(told.meets(one, other)) >= MEET
        and not told.is_at_one_drum(one, other)
    ]
    if not pairs:
        return []
    rows = np.array([told.evidence(*pair) for pair in pairs])
    chances = probabilities(rows, OVER_WEIGHTS, tuple(OVER_WEIGHTS), nothing=True)
    order = np.argsort(-chances, kind="stable")
    return [
        PairOver(told.tracks[one].name, told.tracks[other].name, float(chances[k]), told.meets(one, other))
        for k, (one, other) in ((k, pairs[k]) for k in order.tolist())
    ]


def level_spread_db(first: Listened, second: Listened) -> float:
    """How far strokes differ in level between two tracks, from the lowest tenth to the highest, in dB.

    A close mic hears its own drum 15 dB and more louder, against an overhead, than the others; two mics over a whole
    kit hear all of it within some 10 dB. Infinite where fewer than five strokes are heard by both.
    """
    rate = first.sample_rate
    later = round((second.start_s - first.start_s) * rate)
    loud = [one.strokes.samples[one.strokes.level_db > HEARD_DB] for one in (first, second)]
    samples = np.union1d(loud[0], loud[1] + later)
    levels = [heard_db(first, samples), heard_db(second, samples - later)]
    return _spread_db(levels[0] - levels[1])


def _spread_db(differences_db: Floats) -> float:
    """From the lowest tenth to the highest of what is known; infinite where that is too little."""
    known = differences_db[np.isfinite(differences_db)]
    if len(known) < FEWEST_CHOOSING:
        return float("inf")
    low, high = np.quantile(known, (0.1, 0.9))
    return float(high - low)


def heard_db(heard: Listened, samples: npt.NDArray[Any]) -> Floats:
    """How loud a track is at strokes, in dB against anything; nan where it is silent or has ended."""
    step = heard.envelope.step
    before, after = (round(seconds * heard.sample_rate / step) for seconds in HEARD_S)
    steps = (samples // step)[:, None] + np.arange(-before, after)
    inside = (steps >= 0) & (steps < len(heard.envelope.power))
    power = np.zeros(steps.shape)
    power[inside] = heard.envelope.power[steps[inside]]
    power = power.sum(axis=1)
    return np.asarray(10 * np.log10(np.where(power > 0, power, np.nan)))


def mates_of(reference: str, told: HeardKit | None) -> list[tuple[str, float]]:
    """The tracks that stand over the kit together with the reference, and how their lows meet, -1 to 1.

    The likeliest is the first; 0 where they hardly do. Names go before likeness.
    """
    if told is None:
        return []
    pairs = _pairs(told, reference)
    found = {pair.second if pair.first == reference else pair.first: pair for pair in pairs}
    called = over_by_name(told)
    if reference in called and len(called) > 1:
        likely = [*(name for name in found if name in called), *(name for name in called if name not in found)]
        mates = [name for name in likely if name != reference]
    else:
        mates = [name for name, pair in found.items() if pair.chance >= OVER_CHANCE]
    return [(name, found[name].meets if name in found else 0.0) for name in mates]


def sure_pairs(reference: str, told: HeardKit | None) -> list[PairOver]:
    """The pairs of which each may be that over the kit, where no name says: their tracks stay, whichever it is."""
    if told is None or reference in over_by_name(told):
        return []
    drums = {told.tracks[drum].name for drum in told.drums}
    return [pair for pair in _pairs(told) if pair.chance >= UNLIKELY and not {pair.first, pair.second} & drums]


def rooms_of(reference: str, told: HeardKit | None) -> set[str]:
    """The tracks that hear most strokes of the kit, and as a rule after the reference: no drum's own mic does that."""
    if told is None:
        return set()
    row = told.row(reference)
    late = {told.tracks[k].name for k in told.hearing() if told.later_s(k, row) >= ROOM_S}
    called = {told.tracks[k].name for k in _called_rooms(told) if told.later_s(k, row) >= 0.0}
    return (late | called) - {reference}
