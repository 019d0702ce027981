"""Which sounds of a take are held against its scene, and where do they come from?

Where a line check was recorded with the take, or is found in it, each source is heard alone there. Of a take in which
every stroke has a clear place (single hits, one source after the other), the groups of one place are all that is
needed, and no label is trusted. In a groove few strokes have one; then each source is heard on the strokes at which its
own mic leads, in that mic and in those that are there for several sources; what other close mics hear of it is bleed
into a near field. A group keeps no name: which source it is, the comparison asks; but one on whose strokes a source's
own mic leads is that source's, whichever mic the scene takes it for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from micalign.alignment.network import own_tracks
from micalign.alignment.solo import found_alone, with_found
from micalign.compare.tuned import BLEED_S, CLEAR_PLACES, HEARD_DB
from micalign.scene.model import Scene
from micalign.take.tracks import Take
from micalign.tdoa.alone import HeardAlone, heard_alone
from micalign.tdoa.delays import Alone, Delay, SourceDelays, Wanted, unknown
from micalign.tdoa.event_groups import Group, groups_of
from micalign.tdoa.sources import measure_sources

__all__ = ["LedGroup", "group_alone", "groups_by_place", "groups_by_source"]


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
