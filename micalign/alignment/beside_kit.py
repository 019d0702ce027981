"""Which tracks of a session are no mics of its kit, and which of them are one performance?

A bass or a guitar, by wire or through its amplifier, and a voice hold their notes, as no drum does. What such a track
hears of the kit is bleed, and what falls on a drum's stroke is the player's time, not the drum's: no shift follows from
either. So it stays against the kit as it was recorded; but a DI and the mic on its cabinet are laid onto each other,
as they are without a kit. All of this is read off the sound; a name may help.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from micalign.alignment.di_and_mics import PairSum, one_path_sum
from micalign.alignment.one_performance import bright_db, may_be_one_path, steadiness
from micalign.alignment.over_kit import heard_kit, mates_of, reference_for
from micalign.alignment.tuned import BESIDE_COHERENCE, DARK_DB, LEAST_STEADY, PLAINLY_STEADY
from micalign.alignment.two_sources import two_sources_s
from micalign.take.tracks import LINE_WORDS, OVER_WORDS, ROOM_WORDS, Track, is_called
from micalign.tdoa.measure import measure_pair
from micalign.tdoa.strokes import Listened

__all__ = ["beside_kit", "grouped", "holds_notes", "one_performances", "two_sources_of"]


def holds_notes(track: Track) -> bool:
    """Whether a track holds notes and little treble, as of a string or a voice: none of a drum, nor of what is over it.

    One that is called as such (`LINE_WORDS`) may have treble, as a voice has.
    """
    if is_called(track.name, OVER_WORDS | ROOM_WORDS):
        return False
    steady = steadiness(track)
    if is_called(track.name, LINE_WORDS):
        return steady >= LEAST_STEADY
    return steady >= PLAINLY_STEADY and bright_db(track) <= DARK_DB


def beside_kit(heard: Sequence[Listened], sums: Sequence[PairSum]) -> set[str]:
    """The tracks that are no mics of the kit, by their sound: what holds notes, and what is one performance with it.

    Two overheads in a dull and loud room may sound so: what would be taken to stand over the kit is none of them.
    """
    found = {one.name for one in heard if not one.envelope.silent and holds_notes(one)}
    found |= {name for one in sums for name in (one.reference, one.track)}
    if not found:
        return found
    onto = reference_for(heard, heard[0].name)
    if onto in found:
        mates = {name for name, _ in mates_of(onto, heard_kit(heard))}
        found -= {onto, *mates} if mates or onto != heard[0].name else set()
    return found


def one_performances(heard: Sequence[Listened], *, max_delay_s: float) -> list[PairSum]:
    """Each two tracks that are a DI and what came of it, among those that may hold notes.

    In a live room one mic may hear another's player; that is less alike than what a cabinet makes of a DI.
    """
    may = [
        one
        for one in heard
        if not one.envelope.silent
        and not is_called(one.name, OVER_WORDS | ROOM_WORDS)
        and steadiness(one) >= LEAST_STEADY
    ]
    pairs = [
        (one, other)
        for one, other in combinations(may, 2)
        if may_be_one_path(one, other) and two_sources_of(one, other) is None
    ]
    found = (
        one_path_sum(one, other, measure_pair(one, other, max_delay_s=max_delay_s), max_delay_s=max_delay_s)
        for one, other in pairs
    )
    return [one for one in found if one is not None and one.coherence >= BESIDE_COHERENCE]


def two_sources_of(one: Track, other: Track) -> tuple[float, float] | None:
    """The two delays of mics at a source each, as `two_sources_s`, where both hold notes; None of a kit's."""
    tracks = one, other
    if any(is_called(track.name, OVER_WORDS | ROOM_WORDS) or steadiness(track) < LEAST_STEADY for track in tracks):
        return None
    return two_sources_s(one, other)


def grouped(sums: Sequence[PairSum]) -> list[list[str]]:
    """The names of each performance, the one that the others are laid onto first: a mic, not its DI.

    The mic that is most like its DI leads.
    """
    groups: list[set[str]] = []
    for one in sums:
        joined = {one.reference, one.track}.union(*(g for g in groups if g & {one.reference, one.track}))
        groups = [g for g in groups if not g & joined] + [joined]
    dis = {one.di for one in sums}

    def order(name: str) -> tuple[bool, float, str]:
        return name in dis, -max(one.coherence for one in sums if name in (one.reference, one.track)), name

    return [sorted(group, key=order) for group in groups]
