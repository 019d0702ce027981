"""Which sounds are in a take, how much later is each in every track, and which are held against its scene?

No label is trusted: a cable may be in the wrong input. Every stroke that any track hears is an event; when its first
wavefront comes in each track is a signature of the place it came from: events of one signature are one group (one drum,
one singer). A group is then measured as a source on its own strokes is (`micalign.tdoa.sources`), on all its events at
once.

Where a line check was recorded with the take, or is found in it, each source is heard alone there. Of a take in which
every stroke has a clear place (single hits, one source after the other), the groups of one place are all that is
needed. In a groove few strokes have one; then each source is heard on the strokes at which its own mic leads, in that
mic and in those that are there for several sources; what other close mics hear of it is bleed into a near field. A
group keeps no name: which source it is, the comparison asks; but one on whose strokes a source's own mic leads is that
source's, whichever mic the scene takes it for.

Times are seconds on the take's clock; a delay is positive when the event comes LATER in the track.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.alignment.network import own_tracks
from micalign.alignment.session import wanted_of
from micalign.alignment.solo import found_alone, with_found
from micalign.arrays import Bools, Floats, Ints
from micalign.compare.tuned import BLEED_S, CLEAR_PLACES, HEARD_DB
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track
from micalign.tdoa import tuned as engine
from micalign.tdoa.alone import HeardAlone, heard_alone
from micalign.tdoa.delays import Alone, Delay, SourceDelays, Wanted, unknown
from micalign.tdoa.sources import measure_sources, measured_pair
from micalign.tdoa.strokes import Listened, listen_all, strokes_of_all, struck_at
from micalign.tdoa.wavefronts import high_passed_frames, onsets

__all__ = ["Group", "LedGroup", "group_alone", "groups_by_place", "groups_by_source", "groups_of", "groups_placed"]

_MAX_DELAY_S: Final = 0.03  # seconds of ways: 10 m
_BEFORE_S: Final = 0.015  # seconds of quiet before an arrival
_MARGIN_S: Final = 0.002  # seconds before the stroke, whose onset is known to a millisecond
_STRAY_S: Final = 0.001  # seconds: a wavefront that is missed is told some periods late, another sound anywhere
_MOST_EVENTS: Final = 400  # that are compared with one another
_FEWEST: Final = 2  # events of a group: what comes once may be anything


@dataclass(frozen=True, slots=True)
class Group:
    """Events that came from one place.

    ``heard`` has one delay against the reference for each track of the take, in its order; the reference's own is 0.
    ``moments_s`` are the events' arrivals in the reference track.
    """

    reference: int
    moments_s: tuple[float, ...]
    heard: tuple[Delay, ...]


def groups_of(take: Take) -> tuple[Group, ...]:
    """The groups of a take that two events and more make, the one with most events first.

    Parameters
    ----------
    take : Take
        Tracks that share a clock.

    Examples
    --------
    >>> from micalign.take.tracks import Track
    >>> rng = np.random.default_rng(1)
    >>> clap = rng.standard_normal(400) * np.exp(-np.arange(400) / 60)
    >>> early, late = np.zeros(40000), np.zeros(40000)
    >>> for start in (9000, 21000, 33000):
    ...     early[start : start + 400], late[start + 96 : start + 496] = clap, -clap
    >>> tracks = [Track.from_array(name, samples, 48000) for name, samples in (("a", early), ("b", late))]
    >>> group = groups_of(Take(tuple(tracks)))[0]
    >>> len(group.moments_s), round(group.heard[1].delay_s, 6), group.heard[1].polarity
    (3, 0.002, -1)
    """
    heard = listen_all(take.tracks)
    struck_s = strokes_of_all(heard)
    struck_s = struck_s[:: max(1, -(-len(struck_s) // _MOST_EVENTS))]
    arrival_s = np.stack([_arrivals(one, struck_s) for one in heard], axis=1)
    arrival_s = arrival_s[np.isfinite(arrival_s).sum(axis=1) >= 2]
    found = [members for members in _grouped(arrival_s) if len(members) >= _FEWEST]
    return tuple(_measured(heard, arrival_s[members]) for members in sorted(found, key=len, reverse=True))


def _arrivals(track: Track, struck_s: Floats) -> Floats:
    """When the first wavefront of each stroke comes, seconds on the take's clock; nan where a track hears none."""
    rate = track.sample_rate
    before, ahead = round(_BEFORE_S * rate), round((_MARGIN_S + _MAX_DELAY_S) * rate)
    starts = np.rint((struck_s - _MARGIN_S - track.start_s) * rate).astype(np.intp) - before
    at, clear = onsets(high_passed_frames(track, starts, before + ahead) ** 2, before)
    return np.where(clear > engine.CLEAR_RISE, (starts + at) / rate + track.start_s, np.nan)


def _grouped(arrival_s: Floats) -> list[Ints]:
    """Events whose signatures agree, the largest group first."""
    like = _agreement(arrival_s)
    left = np.ones(len(like), dtype=np.bool_)
    out = []
    while left.any():
        middle = int(np.argmax(np.where(left, (like & left).sum(axis=1), -1)))
        members = like[middle] & left
        members[middle] = True
        out.append(np.flatnonzero(members))
        left &= ~members
    return out


def _agreement(rows: Floats) -> Bools:
    """Whether the arrivals of two events differ by the same in all tracks: shape (E, E)."""
    difference = rows[:, None] - rows[None]
    known = np.isfinite(difference)
    counts = known.sum(axis=2)
    middle = np.zeros(counts.shape)
    some = counts > 0
    middle[some] = np.nanmedian(difference[some], axis=1)
    near = (np.abs(difference - middle[..., None]) < engine.SAME_PLACE_S) & known
    agree: Bools = near.sum(axis=2) >= np.maximum(2, np.ceil(engine.AGREEING * counts))
    return agree


def _measured(heard: Sequence[Listened], arrival_s: Floats) -> Group:
    """A group by the strokes that its reference hears: the track that hears most of them first."""
    first = np.argmin(np.where(np.isfinite(arrival_s), arrival_s, np.inf), axis=1)
    reference = int(np.argmax(np.bincount(first)))
    arrival_s = arrival_s[np.isfinite(arrival_s[:, reference])]
    times_s = np.sort(arrival_s[:, reference])
    own = struck_at(heard[reference], heard[reference].samples_at(times_s))

    def told(index: int) -> Delay:
        if index == reference:
            return Delay(0.0, 0.0, 1, 1.0, 1.0, True, None)
        later_s = (arrival_s[:, index] - arrival_s[:, reference])[np.isfinite(arrival_s[:, index])]
        middle_s = float(np.median(later_s)) if len(later_s) else 0.0
        if (np.abs(later_s - middle_s) < _STRAY_S).sum() < 2:
            return unknown("its strokes do not come alike", middle_s, _MAX_DELAY_S)
        return measured_pair(own, heard[index], None, _MAX_DELAY_S)

    return Group(reference, tuple(times_s.tolist()), tuple(map(told, range(len(heard)))))


@dataclass(frozen=True, slots=True)
class LedGroup(Group):
    """A group whose reference track leads as its source's own mic: no other source's sounds can be that."""


def groups_by_place(take: Take) -> tuple[Group, ...]:
    """The groups of one place; none where most tracks do not hear most of them clearly: then they are chance."""
    groups = groups_of(take)
    heard = [one.reliable for group in groups for number, one in enumerate(group.heard) if number != group.reference]
    return groups if heard and float(np.mean(heard)) > CLEAR_PLACES else ()


def groups_by_source(scene: Scene, take: Take, alone: Sequence[Alone] = ()) -> tuple[Group, ...]:
    """Each source alone where it is heard so, else on the strokes at which its own mic leads.

    Parameters
    ----------
    scene : Scene
    take : Take
        Tracks named after the scene's mics and DIs, on one clock.
    alone : sequence of Alone
        Where a source sounds alone, as somebody said; else what is found.
    """
    names = tuple(track.name for track in take.tracks)
    own = {source: tracks for source, tracks in own_tracks(scene, names).items() if tracks}
    shared = [mic.name for mic in scene.mics if mic.name in names and len(mic.on) != 1]
    given = with_found(take, alone, found_alone(take, own))
    told, said = {one.source for one in given}, {one.source for one in alone}
    lone = [heard_alone(one, Wanted(one.source, names, next(iter(own.get(one.source, ())), None))) for one in given]
    wanted = [
        Wanted(source, tracks[:1] if source in told else (tracks[0], *shared), tracks[0])
        for source, tracks in own.items()
    ]
    strokes = (one for one in measure_sources(take.tracks, wanted) if one.strokes_s)
    return (
        # What somebody says to be one source may be another: that is what is asked.
        *(
            group if one.delays.source in said else _led(group)
            for one in lone
            if len(one.hits.strokes.times_s)
            for group in (group_alone(one, names, shared),)
        ),
        *(_led(_group(one, names, one.strokes_s, set(names))) for one in strokes),
    )


def groups_placed(scene: Scene, take: Take, sources: Collection[str]) -> dict[str, Group]:
    """Sources without a mic of their own, on the strokes that come from where the scene has them.

    As `micalign.alignment.session.measured_scene` hears them, so that both say the same. It trusts the scene: only a
    take that is explained without them may be asked so.
    """
    names = tuple(track.name for track in take.tracks)
    found = {}
    for one in measure_sources(take.tracks, wanted_of(scene, names)):
        if one.source in sources and one.reliable:
            moments = [one.loudest_s or 0.0] * one.moments  # how many is all that is asked
            found[one.source] = _group(one, names, moments, set(names))
    return found


def _led(group: Group) -> LedGroup:
    return LedGroup(group.reference, group.moments_s, group.heard)


def group_alone(measured: HeardAlone, names: Sequence[str], hearing: Sequence[str]) -> Group:
    """A source alone as a group; only what is heard clearly is reliable.

    What other tracks than ``hearing`` hear is bleed into a near field: its time is known to `BLEED_S` alone, its
    polarity not at all.
    """
    strokes = measured.hits.strokes
    clear = dict(zip(strokes.tracks, np.median(strokes.level_db - strokes.before_db, axis=0), strict=True))
    trusted = {name for name in names if clear.get(name, -np.inf) >= HEARD_DB}
    group = _group(measured.delays, names, strokes.times_s.tolist(), trusted)
    own = {*hearing, measured.delays.reference}
    heard = zip(names, group.heard, strict=True)
    return replace(group, heard=tuple(one if name in own else _bleed(one) for name, one in heard))


def _bleed(heard: Delay) -> Delay:
    return replace(heard, uncertainty_s=float(np.hypot(heard.uncertainty_s, BLEED_S)), polarity_margin=0.0)


def _group(told: SourceDelays, names: Sequence[str], times_s: Sequence[float], trusted: set[str]) -> Group:
    delays = {pair.track: pair.delay for pair in told.pairs if pair.reference == told.reference}

    def heard(name: str) -> Delay:
        if name == told.reference:
            return Delay(0.0, 0.0, 1, 1.0, 1.0, True, None)
        if name not in delays:
            return unknown("it was not asked")
        one = delays[name]
        return replace(one, reliable=one.reliable and name in trusted)

    return Group(names.index(told.reference), tuple(times_s), tuple(map(heard, names)))
