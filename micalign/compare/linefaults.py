"""What is wrong with a line of a line check, the gravest first?

Dead, against its scene, swapped, inverted, late; then what its levels say. Delay is positive when the event comes
later; polarity is against the source's own track; bleed is a source's level in a line against its own line, decibels.

A gain that is set wrong moves every source of a line alike, so swapped inputs are known by what two lines hear of two
sources, whatever their gains.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.compare.comparison import Comparison
from micalign.scene.model import Scene
from micalign.take.levels import Remark, TrackLevels
from micalign.units import show_db, show_ms

__all__ = ["OF_SCENE", "HeardLine", "LineFaults", "LineSource"]

OF_SCENE: Final = ("swapped", "flipped", "moved", "late", "source-moved", "units", "unexplained")
"""What a comparison with a scene finds that a line check passes on."""

_EARLIER_S: Final = 0.15e-3
_EARLIER_Z: Final = 4.0
_SWAPPED_DB: Final = 12.0  # by which two lines hear each other's source louder than their own, both together
_CLEAR_MARGIN: Final = 0.5
_VOTERS: Final = 3


@dataclass(frozen=True, slots=True)
class HeardLine:
    """One source in one track; what is not heard there has no delay and no polarity.

    ``later_s`` and ``polarity`` are against the source's own track, ``first_wave`` is the sign of the samples.
    """

    track: str
    is_heard: bool
    later_s: float | None
    uncertainty_s: float | None
    polarity: int | None
    polarity_margin: float
    first_wave: int | None
    level_dbfs: float
    bleed_db: float
    reliable: bool


@dataclass(frozen=True)
class LineSource:
    """A source alone: its stretches, its hits, the track that is its own (or the loudest), and who heard it.

    ``has_own``: a scene says which track is its own. ``is_found``: nobody said where it sounds alone. ``seems``: what
    it is by its arrivals, where a scene has places and its levels do not tell. ``remark``: what else sounded there.
    """

    source: str
    is_found: bool
    has_own: bool
    spans_s: tuple[tuple[float, float], ...]
    hits: int
    own: str
    heard: tuple[HeardLine, ...]
    remark: str | None
    seems: str | None = None

    def at(self, track: str) -> HeardLine:
        """The source in one track."""
        return next(one for one in self.heard if one.track == track)


@dataclass(frozen=True)
class LineFaults:
    """What is known of a line check, asked line by line.

    ``levels`` and ``dead`` are by track; ``dis`` are the DIs of the scene; ``pop`` is the sign of every source's first
    pressure at its own mic, +1, -1 or None.
    """

    sources: tuple[LineSource, ...]
    levels: Mapping[str, TrackLevels]
    dead: set[str]
    dis: set[str]
    scene: Scene | None
    plan: Comparison | None
    pop: int | None

    def of(self, track: str) -> Iterator[Remark]:
        """Everything on one line."""
        if track in self.dead:
            yield from self._dead(track)
            return
        yield from self._against_plan(track)
        swapped = tuple(self._swapped(track))
        yield from swapped
        yield from self._polarity(track)
        yield from () if swapped else self._later(track)
        yield from self._levels(track)

    def _levels(self, track: str) -> Iterator[Remark]:
        """What its levels say; of a line that heard bleed alone its level says nothing yet."""
        if self.levels[track].verdict == "quiet" and not self._is_struck(track):
            yield Remark("not struck", "note", "no source of its own was struck: its level says nothing yet", "")
            return
        yield from self.levels[track].remarks

    def _is_struck(self, track: str) -> bool:
        named = {one.source for one in self.sources}
        on = next((mic.on for mic in self.scene.mics if mic.name == track), None) if self.scene else ()
        return any(one.own == track for one in self.sources) or bool(on is None or named & set(on))

    def _dead(self, track: str) -> Iterator[Remark]:
        known = [one for one in self.levels[track].remarks if one.rule in ("silent", "dead", "broken")]
        if known:
            yield replace(known[0], rule="dead")
            return
        if track in self.dis and not any(one.own == track for one in self.sources):
            yield Remark("not struck", "note", "its source was not played in this line check", "play it too")
            return
        said = f"it heard none of the {len(self.sources)} sources that others heard"
        yield Remark("dead", "problem", said, "check cable, phantom power, mute and input, and tap the mic")

    def _against_plan(self, track: str) -> Iterator[Remark]:
        for one in self.plan.findings if self.plan else ():
            if track in one.where and one.rule in OF_SCENE and one.severity != "note":
                yield Remark(one.rule, "problem", one.message.rstrip("."), one.advice.rstrip("."))

    def _swapped(self, track: str) -> Iterator[Remark]:
        """Two lines that hear each other's source louder than their own, whatever their gains."""
        known = {name for one in (self.plan.explanations if self.plan else ()) for name in one.names}
        named = [one for one in self.sources if not one.is_found]
        for one, other in combinations(named, 2):
            if track not in (one.own, other.own) or one.own == other.own or track in known:
                continue
            more = one.at(other.own).bleed_db + other.at(one.own).bleed_db
            if more > _SWAPPED_DB:
                partner = other.own if track == one.own else one.own
                said = (
                    f"it and '{partner}' hear each other's source {show_db(more / 2)} louder than their own: "
                    "they seem to be swapped"
                )
                yield Remark("swapped", "problem", said, f"swap the inputs of '{track}' and '{partner}'")

    def _polarity(self, track: str) -> Iterator[Remark]:
        if self.pop is not None:
            signs = [one.at(track).first_wave for one in self.sources if one.own == track]
            signs = signs or [one.at(track).first_wave for one in self.sources if one.at(track).reliable]
            known = [sign for sign in signs if sign is not None]
            if known and sum(sign * self.pop for sign in known) < 0:
                way = ("negative", "positive")[self.pop < 0]
                said = f"its first wave is {way} where the pressure is {('positive', 'negative')[self.pop < 0]}"
                yield Remark("inverted", "problem", said, "flip its polarity at the preamp, or change a crossed cable")
            return
        opposed = _opposed(self.sources) if self.plan is None else set()
        if track in opposed:
            said = "it is opposite to most other lines"
            pairs = [pair.mics for pair in self.scene.pairs if track in pair.mics] if self.scene else []
            upright = [name for mics in pairs for name in mics if name not in opposed]
            if upright:
                said += f", and '{upright[0]}', its pair, is not"
                yield Remark("inverted", "problem", said, "flip its polarity at the preamp, or change a crossed cable")
                return
            look = "below a drum that is as it should be, flip it in the mix; else look for a crossed cable"
            yield Remark("opposite", "note", said, look)

    def _later(self, track: str) -> Iterator[Remark]:
        """Its own source at another mic first: a line that is late, or a mic that is not where one thinks."""
        causes = self.plan.explanations if self.plan else ()
        known = {name for one in causes if one.kind in ("swapped", "late") for name in one.names}
        for source in self.sources:
            if source.own != track or track in self.dis or track in known or (self.scene and not source.has_own):
                continue
            early = [one for one in source.heard if self._is_earlier(one) and one.track not in known]
            if early:
                first = min(early, key=lambda one: one.later_s or 0.0)
                said = f"it hears its own '{source.source}' {show_ms(-(first.later_s or 0.0))} after '{first.track}'"
                look = "look for a digital link, a plug-in or a second converter in it; is its input the right one?"
                # Without a scene the loudest line counts as the source's own, which may be an overhead.
                yield Remark("late", "problem" if self.scene else "note", said, look)

    def _is_earlier(self, one: HeardLine) -> bool:
        if one.later_s is None or one.uncertainty_s is None or not one.reliable or one.track in self.dis:
            return False
        return one.later_s < -max(_EARLIER_S, _EARLIER_Z * one.uncertainty_s)


def _opposed(sources: Sequence[LineSource]) -> set[str]:
    """The lines that are opposite to most others in most sources, where polarity is clear."""
    votes: dict[str, list[int]] = {}
    for source in sources:
        clear = [one for one in source.heard if one.reliable and one.polarity and one.polarity_margin >= _CLEAR_MARGIN]
        usual = int(np.sign(sum(one.polarity or 0 for one in clear))) if len(clear) >= _VOTERS else 0
        for one in clear:
            votes.setdefault(one.track, []).append((one.polarity or 0) * usual)
    return {name for name, known in votes.items() if sum(known) < 0}
