"""What is asked of one set of shifts, and what each source tells it.

Delays and shifts are seconds, positive later; amplitudes are relative.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from micalign.alignment.network import Link, connected

__all__ = ["HeardSource", "Wishes"]

_BESIDE_THE_POINT: Final = 1e-4
"""Weight of a source in a pair where a mic is not there to take it: it joins tracks and decides nothing else."""


@dataclass(frozen=True)
class HeardSource:
    """When and how one source arrives in the tracks that reliable pairs join; amplitudes are relative."""

    source: str
    links: tuple[Link, ...]
    amplitudes: Mapping[str, float] = field(default_factory=dict)

    def amplitude(self, track: str) -> float:
        """The source's amplitude in a track; 1 where levels are not known."""
        return self.amplitudes.get(track, 1.0)


@dataclass(frozen=True)
class Wishes:
    """What the engineer asks of the compromise.

    ``together`` names tracks that move as one (a stereo pair's image stays); ``on`` says which sources a track is
    there to take (no entry: all of them). ``hearing`` says which tracks hear a source as more than faint bleed (no
    entry: all of them). ``inverted`` holds every (source, track) whose polarity the scene itself turns over, as the
    rear of a figure-8 does: that is no fault of a cable.
    """

    reference: str
    together: tuple[tuple[str, ...], ...] = ()
    on: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    for_source: str | None = None
    max_shift_s: float | None = None
    hearing: Mapping[str, frozenset[str]] = field(default_factory=dict)
    inverted: frozenset[tuple[str, str]] = frozenset()

    def joins(self, source: str, a: str, b: str) -> bool:
        """Whether a source may bring two tracks together: both hear it as more than faint bleed."""
        return source not in self.hearing or {a, b} <= self.hearing[source]

    def within_reach(self, tracks: Sequence[str], start: str) -> tuple[str, ...]:
        """The tracks that shared sources or pairs could join to ``start``, whatever can be measured.

        >>> wishes = Wishes("left", hearing={"snare": frozenset({"left", "snare mic"}), "voice": frozenset({"vocal"})})
        >>> wishes.within_reach(["left", "snare mic", "vocal"], "left")
        ('left', 'snare mic')
        """
        groups = [*self.together, *self.hearing.values()] if self.hearing else [tracks]
        links = [Link(a, b, 0.0, 0.0) for group in groups for a, b in pairwise(sorted(group))]
        return connected(tracks, links, start)

    def takes(self, source: str, track: str) -> bool:
        """Whether a track is there to take a source."""
        wanted = self.on.get(track, ())
        return not wanted or source in wanted

    def counts(self, source: str, track: str) -> float:
        """How much a source counts in a track."""
        here = self.takes(source, track)
        chosen = self.for_source is None or source == self.for_source
        return (1.0 if here else _BESIDE_THE_POINT) * (1.0 if chosen else _BESIDE_THE_POINT)

    def follows(self, track: str) -> bool:
        """Whether a track is laid onto the others and pulls none of them, as a room mic is beside close mics."""
        stays = track == self.reference or any(track in group for group in self.together)
        return len(self.on.get(track, ())) > 1 and not stays

    def leader(self, track: str) -> str:
        """The track whose shift this one shares."""
        for group in self.together:
            if track in group:
                return self.reference if self.reference in group else group[0]
        return track

    def anchor(self, island: Sequence[str], late_s: Mapping[str, float]) -> str:
        """The track of an island that stays: the reference, a track of a pair, the one of most sources, the latest."""
        if self.reference in island:
            return self.reference
        paired = {name for group in self.together for name in group}
        rank = {name: (name in paired, len(self.on.get(name, ())), late_s.get(name, 0.0)) for name in island}
        return self.leader(max(island, key=lambda name: rank[name]))
