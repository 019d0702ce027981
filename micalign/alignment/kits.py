"""Where do a kit's close mics belong? Each where its own strokes add up best, with a scene or without one.

The strokes decide, near the arrival (`micalign.alignment.own_strokes`); what stays is what hears the kit as a whole.
Without a scene that is read off the levels: a reference over a kit hears every drum at another delay, so the mics over
the kit stay where they are, so that their image stays, and each close mic is laid on its own strokes. With a scene it
is what the scene says is there to take the source: the reference's pair, another pair, or the first such mic.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from micalign.alignment.constraints import Constraints
from micalign.alignment.offsets import Offsets, Shift, limited
from micalign.alignment.own_strokes import REACH_S, CloseMic, Place, PlacedTrack, laid_by_strokes, lows_meet
from micalign.arrays import Floats
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay, TrackDelay
from micalign.tdoa.strokes import Listened, listen

__all__ = ["LaidMics", "Struck", "laid_close_mics", "laid_on_strokes", "level_spread_db"]

_HEARD_S: Final = (2e-3, 30e-3)


def level_spread_db(first: Listened, second: Listened) -> float:
    """How far strokes differ in level between two tracks, from the lowest tenth to the highest, in dB.

    A close mic hears its own drum 15 dB and more louder, against an overhead, than the others; two mics over a whole
    kit hear all of it within some 10 dB. Infinite where fewer than six strokes are heard by both.
    """
    rate = first.track.sample_rate
    later = round((second.track.start_s - first.track.start_s) * rate)
    loud = [one.strokes.samples[one.strokes.level_db > _HEARD_DB] for one in (first, second)]
    samples = np.union1d(loud[0], loud[1] + later)
    levels = [_heard_db(first, samples), _heard_db(second, samples - later)]
    both = np.isfinite(levels[0]) & np.isfinite(levels[1])
    if both.sum() < 6:
        return float("inf")
    low, high = np.quantile((levels[0] - levels[1])[both], (0.1, 0.9))
    return float(high - low)


def _heard_db(heard: Listened, samples: npt.NDArray[Any]) -> Floats:
    step = heard.envelope.step
    before, after = (round(seconds * heard.track.sample_rate / step) for seconds in _HEARD_S)
    steps = (samples // step)[:, None] + np.arange(-before, after)
    inside = (steps >= 0) & (steps < len(heard.envelope.power))
    power = np.where(inside, heard.envelope.power[np.where(inside, steps, 0)], 0.0).sum(axis=1, dtype=float)
    return np.asarray(10 * np.log10(np.where(power > 0, power, np.nan)))


_OVER_DB: Final = 8.0  # two overheads of a real kit: 0.9 to 7.3 dB, its close mics 15 to 56 in the middle
_MEETING_DB: Final = 10.0
_CLOSE_DB: Final = 12.0
_EARLY_S: Final = 1e-3
_MEET: Final = 0.4
_MEET_S: Final = 0.6e-3
_HEARD_DB: Final = -20.0
_FEWEST_STROKES: Final = 4
_MOST_STROKES: Final = 64
_SAME_S: Final = 0.03
_KNOWN: Final = 0.6
_LOUD_DB: Final = -15.0
_FEWEST_MICS: Final = 2
_LIKELY: Final = 0.3


def laid_on_strokes(reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> tuple[TrackDelay, ...]:
    """The rows with what the tracks of a kit are to be moved by in place of their arrivals.

    Rows are left as they are where the reference does not stand over a kit: two close mics at least, or one and another
    mic over the same kit, must be among the tracks. Then every track that is not over the kit is tried.
    """
    heard = listen(reference)
    # What surely comes later than any overhead hears its kit is no track of this kit.
    apart = {row.track for row in rows if row.delay.reliable and abs(row.delay.delay_s) > REACH_S}
    others = {track.name: listen(track) for track in tracks if track.name not in apart}
    spread = {name: level_spread_db(heard, one) for name, one in others.items()}
    meeting = {name for name, one in others.items() if spread[name] <= _MEETING_DB and _meet(heard, one)}
    early = {row.track for row in rows if row.track in others and _is_early(row.delay)} - meeting
    over = [
        name for name, decibels in spread.items() if name in meeting or (name not in early and decibels <= _OVER_DB)
    ]
    close = [
        name
        for name, one in others.items()
        if name in early or (_CLOSE_DB < spread[name] < float("inf") and _closer(one, heard))
    ]
    if not close or len(close) + len(over) < _FEWEST_MICS:
        return tuple(rows)
    rest = [PlacedTrack(reference), *(PlacedTrack(others[name].track) for name in over if name in meeting)]
    words = f"the pair stays as it is: it hears the same kit as '{reference.name}'"
    laid = []
    for row in rows:
        if row.track in over:
            laid.append(TrackDelay(row.track, _still(row.delay, words)))
        elif row.track in others:
            laid.append(TrackDelay(row.track, _laid(row.delay, others[row.track], rest)))
        else:
            laid.append(row)
    return tuple(laid)


def _is_early(delay: Delay) -> bool:
    """Whether a track likely hears the kit clearly before the reference: it stands nearer, however alike the levels."""
    return delay.confidence >= _LIKELY and -REACH_S <= delay.delay_s <= -_EARLY_S


def _meet(reference: Listened, one: Listened) -> bool:
    """Whether the lows of two mics over a kit add up as they are: then close mics are laid onto both."""
    strokes = reference.strokes
    times_s = strokes.samples[strokes.level_db > _HEARD_DB] / reference.track.sample_rate + reference.track.start_s
    return len(times_s) > 0 and lows_meet(reference.track, one.track, _some(times_s), within_s=_MEET_S) >= _MEET


def _some(times_s: Floats) -> Floats:
    """At most `_MOST_STROKES` of all, evenly."""
    count = min(len(times_s), _MOST_STROKES)
    return np.asarray(times_s[np.linspace(0, len(times_s) - 1, count).astype(np.intp)], dtype=np.float64)


def _closer(one: Listened, reference: Listened) -> bool:
    """Whether a track's loud strokes leave out many of the reference's: a drum's own mic knows only its drum's."""
    rate = one.track.sample_rate
    own, wanted = (heard.strokes.samples[heard.strokes.level_db > _LOUD_DB] for heard in (one, reference))
    wanted = wanted + round((reference.track.start_s - one.track.start_s) * rate)
    if not len(own) or not len(wanted):
        return False
    after = np.clip(np.searchsorted(own, wanted), 0, len(own) - 1)
    gaps = np.minimum(np.abs(own[after] - wanted), np.abs(own[np.maximum(after - 1, 0)] - wanted))
    return float(np.mean(gaps < _SAME_S * rate)) < _KNOWN


def _still(delay: Delay, words: str) -> Delay:
    return replace(delay, delay_s=0.0, polarity=1, confidence=1.0, reliable=True, reason=words, candidates=())


def _laid(delay: Delay, one: Listened, rest: Sequence[PlacedTrack]) -> Delay:
    if not one.strokes.gap_db:
        return replace(delay, reliable=False, reason="none of its strokes stands out as its own: left as recorded")
    # A doubtful arrival still says where the drum's sound comes, where it is no mere guess.
    likely = delay.confidence >= _LIKELY and abs(delay.delay_s) <= REACH_S
    arrival = Place(-delay.delay_s + 0.0, delay.polarity) if likely and delay.reliable else None
    times_s = one.first_wavefronts / one.track.sample_rate + one.track.start_s
    found = laid_by_strokes(one.track, times_s, rest, arrival=arrival, near_s=-delay.delay_s if likely else None)
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


@dataclass(frozen=True)
class Struck:
    """The tracks of a take and its struck sources: when each is struck, in seconds, and its own mics in order."""

    tracks: tuple[Track, ...]
    times_s: Mapping[str, tuple[float, ...]]
    own: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class LaidMics:
    """The shifts with close mics on their strokes, and the names of those that their best sum or its harm decided."""

    shifts: tuple[Shift, ...]
    by_strokes: tuple[str, ...]


def laid_close_mics(offsets: Offsets, struck: Struck, limits: Constraints) -> LaidMics:
    """The shifts of a scene with each close mic of a struck source where its own strokes add up best.

    Pairs stay together, and are of one polarity where their lows meet as recorded. A mic without strokes of its own
    keeps the shift that it has. Where the reference is a close mic itself, the others move instead.
    """
    tracks = {track.name: track for track in struck.tracks}
    before = {one.track: Place(one.shift_s, -1 if one.polarity_flip else 1) for one in offsets.shifts}
    places = before | _pairs_alike(before, tracks, struck, limits)
    found: dict[str, CloseMic] = {}
    for source, times_s in struck.times_s.items():
        if limits.for_source in (None, source):
            for mic, laid in _by_own_strokes(source, np.array(times_s), places, offsets, struck, limits):
                found[mic] = laid
                places[mic] = laid.place
    decided = tuple(mic for mic, laid in found.items() if laid.by != "arrival")
    shifts = [_shift(one, places, found.get(one.track), before, limits) for one in offsets.shifts]
    return LaidMics(tuple(shifts), decided)


def _pairs_alike(
    places: Mapping[str, Place], tracks: Mapping[str, Track], struck: Struck, limits: Constraints
) -> dict[str, Place]:
    """The members of pairs whose polarity against the pair's first is another than what their lows say."""
    turned = {}
    for group in limits.together:
        members = [name for name in group if name in tracks]
        shared = [s for s in struck.times_s if all(limits.takes(s, name) for name in members)]
        by_nature = any((source, name) in limits.inverted for source in shared for name in members)
        times_s = np.sort(np.concatenate([np.zeros(0), *(struck.times_s[source] for source in shared)]))
        if by_nature or len(times_s) < _FEWEST_STROKES or len(members) < 2:
            continue
        lead = limits.leader(members[0])
        for name in members:
            meets = lows_meet(tracks[lead], tracks[name], _some(times_s))
            polarity = places[lead].polarity * (1 if meets > 0 else -1)
            if name != lead and abs(meets) >= _MEET and polarity != places[name].polarity:
                turned[name] = replace(places[name], polarity=polarity)
    return turned


def _by_own_strokes(
    source: str, times_s: Floats, places: Mapping[str, Place], offsets: Offsets, struck: Struck, limits: Constraints
) -> Iterator[tuple[str, CloseMic]]:
    """Each own mic of a source on the source's strokes, one after the other: the later ones onto the earlier ones."""
    tracks = {track.name: track for track in struck.tracks}
    rest = [PlacedTrack(tracks[name], places[name]) for name in _heard_with(source, struck, limits)]
    grouped = {name for group in limits.together for name in group}
    for mic in struck.own[source]:
        place = places[mic]
        if mic not in grouped and rest:
            still = rest[0].place
            arrival = place if mic == offsets.reference or offsets.shift(mic).applied else None
            near_s = place.shift_s if arrival else _expected_s(source, mic, rest[0], limits)
            laid = laid_by_strokes(tracks[mic], times_s, rest, arrival=arrival, near_s=near_s, recorded=still)
            if laid is not None:
                place = laid.place
                yield mic, laid
        rest.append(PlacedTrack(tracks[mic], place))


def _heard_with(source: str, struck: Struck, limits: Constraints) -> list[str]:
    """What a close mic is added to: the mics there to take the source and others, first of all the reference's pair."""
    names = [track.name for track in struck.tracks]
    taking = [name for name in names if limits.takes(source, name) and len(limits.on.get(name, ())) != 1]
    if not taking:
        return []
    grouped = {name for group in limits.together for name in group}
    stays = limits.leader(limits.reference)
    lead = min(taking, key=lambda name: (limits.leader(name) != stays, name not in grouped, taking.index(name)))
    group = limits.leader(lead)
    return sorted((name for name in taking if limits.leader(name) == group), key=lambda name: name != group)


def _expected_s(source: str, mic: str, lead: PlacedTrack, limits: Constraints) -> float | None:
    """Where the scene's places lay a mic whose arrival is not known."""
    arrivals = limits.expected.get(source, {})
    if mic not in arrivals or lead.track.name not in arrivals:
        return None
    return lead.place.shift_s + arrivals[lead.track.name].arrival_s - arrivals[mic].arrival_s


def _shift(
    one: Shift, places: Mapping[str, Place], laid: CloseMic | None, before: Mapping[str, Place], limits: Constraints
) -> Shift:
    """A shift as it now is, against the reference, which stays."""
    place, stays = places[one.track], places[limits.reference]
    known = one.applied or (laid is not None and laid.by == "sum")
    if one.track == limits.reference or not known:
        return one
    if stays != Place() and one.track not in limits.within_reach(list(places), limits.reference):
        stays = Place()
    shift_s, polarity = place.shift_s - stays.shift_s, place.polarity * stays.polarity
    moved = replace(
        one,
        delay_s=-shift_s + 0.0,
        shift_s=shift_s + 0.0,
        polarity_flip=polarity < 0,
        reliable=True,
        applied=True,
    )
    if laid is not None and laid.by != "arrival":
        sigma_s = laid.uncertainty_s if laid.by == "sum" else 0.0
        moved = replace(moved, uncertainty_s=sigma_s, reason=laid.words)
    elif place.polarity != before[one.track].polarity:
        moved = replace(moved, reason="of the polarity in which the pair's lows meet")
    return limited(moved, limits.max_shift_s)
